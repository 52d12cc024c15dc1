"""A whole scenario with every hour of every lane kept, for laws that are recomputed from outside."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from simulator import battery, engine, parse_scenario, timeline
from simulator.battery import kernel as k
from simulator.outcome import Outcome
from simulator.route import route_weather


@dataclass(frozen=True)
class Walked:
    """One scenario with every hour of every lane."""

    setting: engine.Setting
    lanes: k.Lanes
    curves: np.ndarray
    capacities: np.ndarray
    start: np.ndarray
    walk: battery.Walk
    outcome: Outcome

    @property
    def curve(self) -> np.ndarray:
        """(NODES + 1, CURVE_FIELDS): all lanes have the same bank."""
        return self.curves[0]

    def series(self, state: int, column: int) -> np.ndarray:
        """(lanes, hours + 1): a state at the start and after every hour."""
        return np.concatenate([self.start[:, state, None], self.walk.hours[:, :, column]], axis=1)


def walk_all(text: str, folder: Path | None = None) -> Walked:
    """As ``simulate``, with every hour of every lane kept."""
    scenario = parse_scenario(text, None if folder is None else folder / "trip.toml")
    clock = timeline.build_timeline(scenario)
    setting = engine.histories(scenario, clock, route_weather(scenario, clock))
    names, lanes = engine.lanes(setting)
    outcome = engine.run(setting, names, lanes, threads=1)
    curves, capacities = engine.bank_curves(scenario.bank)
    start_soc = np.full(len(names), scenario.bank.start_soc)
    start_soc[names.index("no sun")] = 1.0
    start = battery.start_state(lanes, start_soc, setting.inputs.bay_c[lanes.bay_row, 0, 0])
    walk = battery.walk(lanes, setting.inputs, curves, capacities, start, watch=range(len(names)), threads=1)
    return Walked(setting, lanes, curves, capacities, start, walk, outcome)
