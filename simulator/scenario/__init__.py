"""What a person writes, read into a finished scenario; or every mistake in it at once."""

from __future__ import annotations

from simulator.scenario.parts import Scenario
from simulator.scenario.presets import Preset, load_preset
from simulator.scenario.reading import parse_scenario, read_scenario
from simulator.scenario.starter import starter_text
from simulator.scenario.understood import describe

__all__ = ["Preset", "Scenario", "describe", "load_preset", "parse_scenario", "read_scenario", "starter_text"]
