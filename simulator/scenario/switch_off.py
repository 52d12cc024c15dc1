"""What is switched off first when the bank runs low."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from simulator.scenario.desk import Desk
from simulator.scenario.lines import Path
from simulator.scenario.parts import PRIORITIES, Appliance, Bank, SwitchOff
from simulator.scenario.written import SwitchOffTable

NEVER_SOC: Final = -1.0
"""A level with this threshold is never switched off before the bank is at its cut-off."""
MARGIN_SOC: Final = 0.10
"""A level comes back this much above where it was switched off (common practice, no source)."""


def merge_switch_off(
    written: SwitchOffTable | None, appliances: Sequence[Appliance], bank: Bank | None, desk: Desk
) -> SwitchOff | None:
    """Finish the thresholds.

    Parameters
    ----------
    written : SwitchOffTable or None
    appliances : sequence of Appliance
        To see whether there is anything to switch off.
    bank : Bank or None
        Its cut-off and charge target bound them; None: it could not be read.
    desk : Desk
        Takes mistakes, notes and defaults.

    Returns
    -------
    SwitchOff or None
        None: nothing is switched off early. Luxury goes at the latest with comfort.
    """
    if written is None:
        return None
    path: Path = ("switch_off",)
    comfort, luxury = written.comfort_soc, written.luxury_soc
    keys = ("comfort_soc", "luxury_soc")
    if comfort is None and luxury is None:
        if desk.sound(*((*path, key) for key in keys)):
            desk.mistake(path, "comfort_soc or luxury_soc", "neither", "Write luxury_soc = 0.5, the charge at which luxury goes.")
        return None
    margin = MARGIN_SOC if written.margin_soc is None else written.margin_soc
    if written.margin_soc is None and desk.sound((*path, "margin_soc")):
        desk.default(
            f"What was switched off comes back {margin:.0%} of charge higher (common practice, no source).",
            "[switch_off] margin_soc",
        )
    if comfort is not None and luxury is not None and comfort > luxury:
        desk.mistake(
            (*path, "comfort_soc"),
            f"at most luxury_soc, {luxury:g}, since comfort is switched off after luxury",
            f"{comfort:g}",
            "Swap the two.",
        )
    if bank is not None:
        for key in keys:
            soc = getattr(written, key)
            if soc is None:
                continue
            if soc <= bank.cutoff_soc and desk.sound(("bank", "cutoff_soc")):
                desk.mistake(
                    (*path, key),
                    f"more than the bank's cut-off of {bank.cutoff_soc:g}, where everything ends anyway",
                    f"{soc:g}",
                    "Raise it, or leave it out.",
                )
            elif soc + margin > bank.target_soc + 1e-9:
                desk.mistake(
                    (*path, key),
                    f"at most {bank.target_soc - margin:g}, so that it comes back {margin:g} above it, within the charge target",
                    f"{soc:g}",
                    "Lower it, or lower margin_soc.",
                )
    for priority, key in ((1, "comfort_soc"), (2, "luxury_soc")):
        if getattr(written, key) is not None and not any(it.priority >= priority for it in appliances):
            desk.note(
                (*path, key),
                f'no appliance is {PRIORITIES[priority]}, so it switches nothing off; priority = "{PRIORITIES[priority]}" '
                "of an appliance makes it one.",
            )
    luxury_soc = luxury if luxury is not None else comfort if comfort is not None else NEVER_SOC
    shed = (NEVER_SOC, NEVER_SOC if comfort is None else comfort, luxury_soc)
    return SwitchOff(shed_soc=shed, restore_soc=tuple(NEVER_SOC if soc < 0.0 else soc + margin for soc in shed))
