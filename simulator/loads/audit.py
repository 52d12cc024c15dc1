"""The audit as the bus sees it: the mean day of every appliance, and of what is lost on the way."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from simulator.loads.drawing import Draw
from simulator.loads.history import AuditRow
from simulator.loads.phases import NOBODY, Phases
from simulator.scenario.parts import Scenario

Floats = NDArray[np.float64]


def over_the_hour(phases: Phases, part: str, row: int = 0) -> Floats:
    """Mean of the hour of one part of :class:`simulator.loads.sums.AtBus`, ``(LEVELS, hours)``."""
    peak_h = phases.peak_h[row]
    rest, peak = getattr(phases.rest, part)[:, row], getattr(phases.peak, part)[:, row]
    return np.asarray(rest * (1.0 - peak_h) + peak * peak_h)


def refused_by_appliance(scenario: Scenario, draws: Sequence[Draw], phases: Phases) -> list[Floats]:
    """What the inverter refuses of each appliance in the first row, ``(hours,)`` [W], beyond what is refused of it alone.

    The appliance that makes the peak is refused first, then all others in proportion.
    """
    refused_w = over_the_hour(phases, "refused_w")[-1]
    peaking = phases.peaking[0]
    means = [
        draw.mean_w[0] if appliance.bus == "ac" else np.zeros_like(refused_w)
        for appliance, draw in zip(scenario.appliances, draws, strict=True)
    ]
    first = [np.where(peaking == position, np.minimum(mean_w, refused_w), 0.0) for position, mean_w in enumerate(means)]
    left_w = refused_w - np.sum(first, axis=0) if first else refused_w
    others = [mean_w - own for mean_w, own in zip(means, first, strict=True)]
    all_w = np.sum(others, axis=0) if others else np.zeros_like(refused_w)
    share = np.divide(left_w, all_w, out=np.zeros_like(left_w), where=all_w > 0.0)
    return [own + share * other for own, other in zip(first, others, strict=True)]


def audit_rows(scenario: Scenario, days: int, draws: Sequence[Draw], phases: Phases) -> tuple[AuditRow, ...]:
    """Mean day of every appliance, of inverter, converter and wiring in the first row.

    The loss of an hour that grows with the AC load is shared by the AC watts of that hour.
    """
    ac_w, loss_w = over_the_hour(phases, "ac_w")[-1], over_the_hour(phases, "loss_w")[-1]
    with_loss = 1.0 + np.divide(loss_w, ac_w, out=np.zeros_like(ac_w), where=ac_w > 0.0)
    rows = []
    refused = refused_by_appliance(scenario, draws, phases)
    for appliance, draw, refused_w in zip(scenario.appliances, draws, refused, strict=True):
        served_w = draw.mean_w[0] - refused_w
        energy_wh = float(served_w @ with_loss) if appliance.bus == "ac" else float(served_w.sum())
        power_w = appliance.power_w if appliance.profile is None else float(np.max(draw.on_w[0], initial=0.0))
        rows.append(AuditRow(appliance.name, power_w, energy_wh / days, appliance.priority))
    idle_w = over_the_hour(phases, "idle_w")
    if scenario.inverter is not None and idle_w[-1].any():
        rated_idle_w = scenario.inverter.rated_w * scenario.inverter.p_self
        rows.append(AuditRow("inverter idle", rated_idle_w, float(idle_w[-1].sum()) / days, _first_level(idle_w)))
    converter_w = over_the_hour(phases, "converter_w")
    if scenario.converter is not None and converter_w[-1].any():
        power_w = float(converter_w[-1].max())
        rows.append(AuditRow("DC-DC converter", power_w, float(converter_w[-1].sum()) / days, _first_level(converter_w)))
    wiring_w = over_the_hour(phases, "wiring_w")
    if wiring_w[-1].any():
        hottest_w = max(float(part.wiring_w[-1, 0].max()) for part in (phases.rest, phases.peak))
        rows.append(AuditRow("wiring", hottest_w, float(wiring_w[-1].sum()) / days, _first_level(wiring_w)))
    return tuple(rows)


def _first_level(watts: Floats) -> int:
    """The most needed level that draws something, of ``(LEVELS, hours)``."""
    return int(np.flatnonzero(watts.any(axis=1))[0])


def refused_names(scenario: Scenario, draws: Sequence[Draw], alone_w: Sequence[Floats], phases: Phases) -> tuple[str, ...]:
    """Names of the appliances that took the inverter beyond its rating, in any row."""
    rows, hours = phases.peak_h.shape
    ac = [position for position, appliance in enumerate(scenario.appliances) if appliance.bus == "ac"]
    found = {position for position in ac if (alone_w[position] > 0.0).any()}
    beyond = (phases.peak.refused_w[-1] > 0.0) | (phases.rest.refused_w[-1] > 0.0)
    if beyond.any():
        mean_w = np.stack([np.broadcast_to(draws[position].mean_w, (rows, hours)) for position in ac])
        largest = np.array(ac)[np.argmax(mean_w, axis=0)]
        made_by_ac = np.isin(phases.peaking, ac) & (phases.peaking != NOBODY)
        found |= set(np.where(made_by_ac, phases.peaking, largest)[beyond].tolist())
    return tuple(scenario.appliances[position].name for position in sorted(found))
