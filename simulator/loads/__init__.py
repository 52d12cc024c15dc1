"""From the audit of appliances to the watts of every hour, by priority, at the terminals of the bus.

``laying`` lays a day's running time into its hours, ``drawing`` says what one appliance draws (``following`` and ``measured``
where weather or a file decides), ``sums`` brings all of them through cables, converter and inverter to the bus, ``phases``
parts each hour into the peak and the rest, and ``audit`` adds up what each takes.

AC appliances reach the bus through the inverter's three-parameter law, taken at the watts they run with for the time they
run. Watts beyond its rating are refused: an overload, never a flat day. On a hookup AC is passed through to the pedestal and
the inverter is off.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulator.loads.audit import audit_rows, over_the_hour, refused_names
from simulator.loads.drawing import Draw, hourly_draw
from simulator.loads.following import climate_of, following_notes
from simulator.loads.history import (
    COLUMNS,
    LEVELS,
    PEAK_AC_W,
    PEAK_W,
    REST_AC_W,
    REST_W,
    AuditRow,
    LoadHistory,
)
from simulator.loads.inverter import inverter_draw_w, refuse_ac_without_inverter, running_peak_w
from simulator.loads.laying import Clock
from simulator.loads.measured import judge_profiles
from simulator.loads.phases import Phases, two_phases
from simulator.scenario.parts import Scenario
from simulator.timeline import Timeline

__all__ = [
    "COLUMNS",
    "LEVELS",
    "PEAK_AC_W",
    "PEAK_W",
    "REST_AC_W",
    "REST_W",
    "AuditRow",
    "LoadHistory",
    "follows_weather",
    "hourly_load_w",
    "inverter_draw_w",
    "judge_profiles",
    "running_peak_w",
]

Floats = NDArray[np.float64]


def follows_weather(scenario: Scenario) -> bool:
    """Whether any appliance needs temperatures, which then have to be handed to :func:`hourly_load_w`."""
    return any(appliance.follows is not None for appliance in scenario.appliances)


def hourly_load_w(
    scenario: Scenario,
    timeline: Timeline,
    sun_elevation_deg: Floats,
    *,
    temp_air: Floats | None = None,
    cabin_c: Floats | None = None,
    free_cabin_c: Floats | None = None,
) -> LoadHistory:
    """Lay the audit out in hours.

    Parameters
    ----------
    scenario : Scenario
        Its appliances, inverter, converter, cables and cabin.
    timeline : Timeline
        Of the same scenario.
    sun_elevation_deg : (hours,)
        Elevation of the sun at mid-hour [deg]; lights follow it.
    temp_air, cabin_c, free_cabin_c : (hours,) or (years, hours), optional
        Outdoor air, cabin air as its heating keeps it, and cabin air without heating [deg C]; all three are needed when an
        appliance follows the weather (:func:`follows_weather`), and none is looked at otherwise.

    Returns
    -------
    LoadHistory

    Raises
    ------
    InputError
        An AC appliance runs off the hookup and there is no inverter; a measured profile cannot be used.
    EngineFault
        An appliance follows the weather, and a temperature is missing.
    """
    judge_profiles(scenario.appliances)
    clock = Clock(timeline, sun_elevation_deg)
    climate = climate_of(scenario, timeline.hours, temp_air, cabin_c, free_cabin_c)
    rows = 1 if climate is None else len(climate.temp_air)
    inverter = scenario.inverter
    hookup_w = np.zeros(timeline.hours)
    draws: list[Draw] = []
    alone_w: list[Floats] = []
    for appliance in scenario.appliances:
        draw = hourly_draw(appliance, scenario, clock, climate)
        if appliance.bus == "ac":
            hookup_w += draw.mean_w[0] * timeline.hookup
            draw = draw.only_where(~timeline.hookup)
            asked_w = draw.mean_w
            draw = draw if inverter is None else draw.at_most(inverter.rated_w)
            alone_w.append(asked_w - draw.mean_w)
        else:
            alone_w.append(np.zeros((1, timeline.hours)))
        draws.append(draw)
    refuse_ac_without_inverter(scenario, [bool(draw.mean_w.any()) for draw in draws])

    hours = timeline.hours
    bus_w = np.empty((rows, hours, LEVELS, COLUMNS))
    peak_h = np.empty((rows, hours))
    overload_w = np.empty((rows, hours))
    names: set[str] = set()
    first: Phases | None = None
    # Row by row: arrays of one year stay near the processor.
    for row in range(rows):
        own = [draw.row(row) for draw in draws]
        own_alone_w = [watts[min(row, len(watts) - 1)][None] for watts in alone_w]
        phases = two_phases(scenario, own, 1, hours, timeline.hookup | timeline.stored, timeline.stored)
        first = first or phases
        for column, at_bus in ((REST_W, phases.rest), (PEAK_W, phases.peak)):
            bus_w[row, :, :, column] = at_bus.all_w[:, 0].T
            # An inverter that feeds nothing is missed by nobody when it switches off.
            bus_w[row, :, :, column + 1] = np.where(at_bus.ac_w > 0.0, at_bus.through_w, 0.0)[:, 0].T
        peak_h[row] = phases.peak_h[0]
        overload_w[row] = sum(own_alone_w, over_the_hour(phases, "refused_w")[-1])[0]
        names.update(refused_names(scenario, own, own_alone_w, phases))
    assert first is not None
    blamed = tuple(appliance.name for appliance in scenario.appliances if appliance.name in names)
    notes = following_notes(scenario, climate) if climate is not None else []
    if inverter is not None and blamed:
        quoted = " and ".join(f'"{name}"' for name in blamed)
        notes.append(
            f"of the AC load {overload_w.sum() / rows:,.0f} Wh over the trip are refused, because with {quoted} it goes beyond "
            f"the inverter's {inverter.rated_w:,.0f} W: overload, never a flat day; a larger inverter or smaller load mends it"
        )
    return LoadHistory(
        bus_w=bus_w,
        peak_h=peak_h,
        overload_w=overload_w,
        overload_names=blamed,
        ac_w=over_the_hour(first, "ac_w")[-1],
        hookup_w=hookup_w,
        inverter_idle_w=over_the_hour(first, "idle_w")[-1],
        inverter_loss_w=over_the_hour(first, "loss_w")[-1],
        converter_loss_w=over_the_hour(first, "converter_w")[-1],
        wiring_loss_w=over_the_hour(first, "wiring_w")[-1],
        audit=audit_rows(scenario, timeline.days, [draw.row(0) for draw in draws], first),
        medical_w=tuple(
            draw.row(0).mean_w[0] for appliance, draw in zip(scenario.appliances, draws, strict=True) if appliance.medical
        ),
        notes=tuple(notes),
    )
