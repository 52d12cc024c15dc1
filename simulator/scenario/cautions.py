"""What can hurt somebody with such a system, in one place: every command with an answer prints these and hands them on.

Each is one or two sentences, common practice, and defers to local codes, the makers' instructions and a licensed electrician.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from simulator.scenario.parts import Scenario

MEDICAL: Final = "Never rely on one bank alone for a medical device: keep a second supply and ask the device's maker."
GENERATOR: Final = (
    "A generator kills by carbon monoxide: never run it in or near a closed space, and fit an alarm where you sleep."
)
GAS: Final = (
    "Burning gas takes air and makes carbon monoxide: only appliances made for a vehicle, aired, with an alarm where you sleep."
)
SAFETY: Final = (
    "Never do without what keeps people or the vehicle safe: alarms, bilge pumps, a heater in the cold, medical devices."
)
LITHIUM: Final = "Charging a lithium bank below freezing ruins it: make sure that its electronics refuse charge in the cold."
LEAD: Final = "A lead-acid bank gives off explosive gas while it is charged: air its bay, and keep flames and sparks away."
WIRING: Final = (
    "flatdays plans energy; it does not certify wiring. Fuses, cable sizes and hookups follow local codes and the makers' "
    "instructions: ask a licensed electrician."
)
AMPERES: Final = (
    "Amperes here are for planning. Fuses, breakers and cable sizes follow the heat a cable may bear, its length, its place and "
    "your local code, never these figures: a bank can drive thousands of amperes into a short. Fuse it at its terminals, and "
    "have a licensed electrician size and check the wiring."
)
PRESSING: Final = (MEDICAL, GENERATOR, GAS, SAFETY, LITHIUM, LEAD, AMPERES, WIRING)
"""The most pressing first."""


def cautions_of(scenarios: Iterable[Scenario], more: Iterable[str] = ()) -> tuple[str, ...]:
    """What must be said beside an answer about these systems, the most pressing first, each once.

    Parameters
    ----------
    scenarios : iterable of Scenario
        Every design that the answer speaks of.
    more : iterable of str
        What else the answer calls for, such as the cautions of changes it proposes; empty ones are left out.
    """
    found = {WIRING, *filter(None, more)}
    for scenario in scenarios:
        found.add(LITHIUM if scenario.bank.chemistry == "lfp" else LEAD)
        if any(appliance.medical for appliance in scenario.appliances):
            found.add(MEDICAL)
        if scenario.generator is not None:
            found.add(GENERATOR)
    own = [caution for caution in dict.fromkeys(more) if caution and caution not in PRESSING]
    return (*(caution for caution in PRESSING if caution in found), *own)
