"""Why the hand calculation and the simulation of one trip differ, in plain sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from simulator.battery import kernel as k
from simulator.outcome import BROUGHT, THIN_RATIO
from simulator.scenario.parts import Scenario
from simulator.units import HOURS_PER_DAY

if TYPE_CHECKING:
    from simulator.studies.worksheet import HandStop, Worksheet

MATTERS_WH: Final = 50.0
"""A day's watt-hours below which a cause is not worth a sentence (no source)."""


def array_ah_per_sun(scenario: Scenario) -> float:
    """Ampere-hours at the bus for a kWh/m2 of sun by hand [Ah m2/kWh]: I_mp of the strings, on MPPT watts over bus volts."""
    bus_v = scenario.vehicle.bus_v
    return sum(
        array.panel.i_mp * array.in_parallel
        if array.controller.kind == "pwm"
        else array.panel.p_w * array.in_series * array.in_parallel / bus_v
        for array in scenario.arrays
    )


def reasons(found: Worksheet) -> list[str]:
    """Tell why hand and simulation differ, in sentences: only what matters on this trip."""
    outcome, bank = found.outcome, found.scenario.bank
    # Months off the road, with nobody in it and the bank apart, say nothing of the days that the worksheet counts.
    lived = ~outcome.timeline.stored
    days = max(float(lived.sum()) / HOURS_PER_DAY, 1.0 / HOURS_PER_DAY)
    total = outcome.hours[lived].sum(axis=0)
    said = []
    # Weather and season.
    shortest = min((stop for stop in found.stops if stop.harvest_ratio is not None), key=_by_ratio, default=None)
    if shortest is not None and shortest.harvest_ratio is not None and found.scenario.arrays:
        if shortest.harvest_ratio < 1.0:
            said.append(
                f"Season: at {_plain(shortest.name)} sun and chargers bring {shortest.harvest_ratio:.2f} of what the load takes. "
                "The worksheet bridges dark days and then expects the bank to be full again; here it sinks for weeks, and more "
                f"units only put that off{' (by hand beyond the end of this trip)' if found.flat_days_hand == 0 else ''}."
            )
        elif shortest.harvest_ratio < THIN_RATIO:
            said.append(
                f"Season: at {_plain(shortest.name)} sun and chargers bring {shortest.harvest_ratio:.2f} of what the load takes, "
                "so after a dark spell the bank fills slowly; the worksheet expects it full before the next one."
            )
    without = _longest_without_full(outcome.hours[:, k.FULL_H] > 0.0, lived)
    charged = total[[k.SUN_OFFERED_WH, *BROUGHT]].sum()
    if charged <= 0.0:
        said.append(
            f"Nothing charges this bank: when the {found.autonomy_days:g} days that the worksheet counts are over it stays dark, "
            f"to the end of the {days:.0f} days."
        )
    elif without > found.autonomy_days and found.scenario.arrays:
        said.append(
            f"Weather: the worksheet counts {found.autonomy_days:g} days without any sun. On this route the bank once goes "
            f"{without:.0f} days without being full, though never without all sun: dull days bring a part."
        )
    elif found.scenario.arrays:
        said.append(
            f"Weather: the worksheet counts {found.autonomy_days:g} days without any sun; on this route the bank is full again "
            f"after {without:.1f} days at the latest."
        )
    if found.scenario.arrays and total[k.SUN_OFFERED_WH] > 0.0:
        peak = _mean_sun(found)
        if peak > 0.0:
            made = total[k.SUN_OFFERED_WH] / days
            by_hand = peak * array_ah_per_sun(found.scenario) * found.scenario.vehicle.bus_v
            if by_hand > 0.0 and abs(made / by_hand - 1.0) > 0.1:
                said.append(
                    f"Panels: by hand the array makes {by_hand:,.0f} Wh a day; simulated it offers {made:,.0f} Wh. Heat, dirt, "
                    "wiring, shade, tilt and the controller make the difference."
                )
    # Cold.
    refused = total[k.REFUSED_COLD_WH] / days
    locked_h = float(total[k.LOCKED_H])
    if refused > MATTERS_WH or locked_h >= 1.0:
        said.append(
            f"Cold: the cells come down to {found.coldest_c:.0f} C and are too cold to be charged for {locked_h:,.0f} hours; "
            f"{refused:,.0f} Wh a day of sun are refused. The worksheet only makes the bank {found.temperature_factor:.2f} times "
            "as large."
        )
    elif found.temperature_factor > 1.005:
        said.append(
            f"Cold: the worksheet makes the bank {found.temperature_factor:.2f} times as large for the coldest hour "
            f"({found.coldest_c:.0f} C), although the bank is seldom empty just then."
        )
    # Charging side.
    other = total[list(BROUGHT)].sum() / days
    if other > MATTERS_WH:
        said.append(
            f"Other charging: hookup, engine, generator and other sources bring {other:,.0f} Wh a day; the worksheet counts "
            "none of it."
        )
    slow = total[[k.SPILLED_ACCEPTANCE_WH, k.SPILLED_LIMIT_WH]].sum() / days
    if slow > MATTERS_WH:
        said.append(
            f"Charging: the bank takes charge too slowly for {slow:,.0f} Wh a day of what is offered, mostly near full; the "
            "worksheet knows no such limit."
        )
    held = total[k.SPILLED_CONTROLLER_WH] / days
    if held > MATTERS_WH:
        said.append(f"Controller: it holds {held:,.0f} Wh a day back that the panels could give.")
    # Volts.
    bus_v = found.scenario.vehicle.bus_v
    rated_v = float(np.mean(np.interp(np.linspace(0.2, 0.9, 8), bank.curve.soc, bank.curve.ocv_v))) * bank.in_series
    if abs(rated_v / bus_v - 1.0) > 0.05:
        said.append(
            f"Volts: the worksheet counts ampere-hours at {bus_v} V; this bank rests near {rated_v:.1f} V, so the same "
            f"ampere-hours hold {rated_v / bus_v - 1.0:+.0%} of energy."
        )
    # Ageing.
    new, worn = len(outcome.flat_days), found.flat_days_worn
    if bank.soh_start > found.end_frac:
        tail = (
            f"simulated as it starts it has {new} flat days, at {found.end_frac:.0%} {worn}"
            if worn != new
            else f"simulated it has {new} flat days as it starts and as many at {found.end_frac:.0%}"
        )
        said.append(f"Ageing: the worksheet makes sure of a bank with {found.end_frac:.0%} of its capacity left; {tail}.")
    return said


def _longest_without_full(full: npt.NDArray[np.bool_], lived: npt.NDArray[np.bool_]) -> float:
    """Longest stretch without a full bank [days], from (hours,) flags; storage ends one, since nothing is asked of the bank."""
    edges = np.concatenate([[-1], np.flatnonzero(full | ~lived), [len(full)]])
    return float((np.diff(edges) - 1).max() / HOURS_PER_DAY)


def _plain(label: str) -> str:
    """Name of a stop without its number."""
    return label.partition(" ")[2]


def _by_ratio(stop: HandStop) -> float:
    return float("inf") if stop.harvest_ratio is None else stop.harvest_ratio


def _mean_sun(found: Worksheet) -> float:
    """Mean sun of the trip [kWh/m2 a day], by the days of each stop on which somebody lives off the bank."""
    clock = found.outcome.timeline
    days = np.bincount(clock.stop[~clock.stored], minlength=len(found.stops)) / HOURS_PER_DAY
    suns = np.array([stop.sun_kwh_m2_day for stop in found.stops])
    return float(np.average(suns, weights=days)) if days.sum() > 0.0 else 0.0
