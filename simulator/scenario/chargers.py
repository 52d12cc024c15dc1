"""What charges the bank beside the sun: hookup, engine, generator."""

from __future__ import annotations

from typing import Any

from simulator.scenario.choosing import tag
from simulator.scenario.desk import Desk, unit_of
from simulator.scenario.lines import Path
from simulator.scenario.parts import Alternator, Bank, Generator, Shore, Vehicle
from simulator.scenario.presets import load_preset
from simulator.scenario.written import AlternatorTable, GeneratorTable, ShoreTable

PRESET_BUS_V = 12.0
"""The presets' charger amperes are at this bus voltage; another bus gets the same watts."""
FULL_RATING = 2000.0
"""Rating [W] that the preset's litres an hour are for."""


def _values(
    written: Any, table: str, keys: tuple[str, ...], scales: dict[str, tuple[str, float]], desk: Desk
) -> dict[str, float]:
    """Return each key as written, with a note when it is unusual, or from the preset; ``scales``: (preset key, factor)."""
    preset = load_preset("converters")
    found = {}
    for key in keys:
        preset_key, times = scales.get(key, (key, 1.0))
        value = getattr(written, key) if written is not None else None
        if value is None:
            value = preset.number(table, preset_key) * times
        else:
            low, high = preset.valid(table, preset_key)
            desk.judge_usual((table, key), value, (low * times, high * times), f"for [{table}]")
        found[key] = float(value)
    return found


def _tell_default(written: Any, table: str, key: str, value: float, preset_key: str, desk: Desk) -> None:
    if written is None or getattr(written, key) is None:
        source = load_preset("converters").source(table, preset_key)
        desk.default(f"{value:.4g}{unit_of(key)} ({source}).", f"[{table}] {key}")


def merge_shore(written: ShoreTable | None, vehicle: Vehicle, hookup: bool, desk: Desk) -> Shore | None:
    """Finish the charger on a hookup; without one written, a usual one is taken as soon as a stop has a hookup."""
    if written is None and not hookup:
        return None
    scales = {"charger_a": ("charger_a_at_12_v", PRESET_BUS_V / vehicle.bus_v)}
    values = _values(written, "shore", ("charger_a", "efficiency_frac"), scales, desk)
    _tell_default(written, "shore", "charger_a", values["charger_a"], "charger_a_at_12_v", desk)
    return Shore(**values, **tag(written))


def merge_alternator(written: AlternatorTable | None, vehicle: Vehicle, desk: Desk) -> Alternator | None:
    """Finish the charger on the engine; none written, none fitted."""
    if written is None:
        if desk.sound(("alternator",)):
            desk.default("There is none, so driving does not charge the bank.", "[alternator]")
        return None
    scales = {"charger_a": ("charger_a_at_12_v", PRESET_BUS_V / vehicle.bus_v)}
    values = _values(written, "alternator", ("charger_a", "efficiency_frac", "driving_frac"), scales, desk)
    _tell_default(written, "alternator", "charger_a", values["charger_a"], "charger_a_at_12_v", desk)
    _tell_default(written, "alternator", "driving_frac", values["driving_frac"], "driving_frac", desk)
    return Alternator(**values, **tag(written))


def merge_generator(written: GeneratorTable | None, vehicle: Vehicle, bank: Bank | None, desk: Desk) -> Generator | None:
    """Finish the generator; none written, none carried."""
    if written is None:
        return None
    preset = load_preset("converters")
    rated_w = preset.number("generator", "rated_w") if written.rated_w is None else written.rated_w
    share = rated_w / FULL_RATING
    scales = {"fuel_l_per_h_quarter": ("fuel_l_per_h_quarter", share), "fuel_l_per_h_full": ("fuel_l_per_h_full", share)}
    values = _values(written, "generator", ("rated_w", "min_run_h", "fuel_l_per_h_quarter", "fuel_l_per_h_full"), scales, desk)
    efficiency = preset.number("shore", "efficiency_frac")
    usual_a = min(preset.number("shore", "charger_a_at_12_v") * PRESET_BUS_V, rated_w * efficiency) / vehicle.bus_v
    charger_a = usual_a if written.charger_a is None else written.charger_a
    chemistry = bank.chemistry if bank is not None else "lfp"
    chemistries = load_preset("chemistries")
    start_soc, stop_soc = (
        chemistries.number(chemistry, f"generator_{key}") if getattr(written, key) is None else getattr(written, key)
        for key in ("start_soc", "stop_soc")
    )
    windows = written.windows or ((preset.number("generator", "from_h"), preset.number("generator", "to_h")),)
    _tell_default(written, "generator", "rated_w", rated_w, "rated_w", desk)
    _tell_default(written, "generator", "min_run_h", values["min_run_h"], "min_run_h", desk)
    if written.charger_a is None:
        desk.default(
            f"{charger_a:.4g} A, the usual converter charger ({preset.source('shore', 'charger_a_at_12_v')}).",
            "[generator] charger_a",
        )
    if written.start_soc is None or written.stop_soc is None:
        source = chemistries.source(chemistry, "generator_start_soc")
        desk.default(f"It starts at {start_soc:.0%} and stops at {stop_soc:.0%} ({source}).", "[generator] start_soc, stop_soc")
    if written.windows is None:
        desk.default(
            f"It may run from {windows[0][0]:g} to {windows[0][1]:g} h ({preset.source('generator', 'from_h')}).",
            "[generator] windows",
        )
    _judge_generator(charger_a, rated_w, start_soc, stop_soc, bank, vehicle, desk)
    return Generator(
        charger_a=charger_a,
        start_soc=start_soc,
        stop_soc=stop_soc,
        windows=windows,
        **values,
        **tag(written),
    )


def _judge_generator(
    charger_a: float, rated_w: float, start_soc: float, stop_soc: float, bank: Bank | None, vehicle: Vehicle, desk: Desk
) -> None:
    """Hold start, stop, floor and rating against each other."""
    start: Path = ("generator", "start_soc")
    stop: Path = ("generator", "stop_soc")
    if stop_soc <= start_soc and desk.sound(start, stop):
        desk.mistake(stop, f"a charge above start_soc, {start_soc:g}", f"{stop_soc:g}")
    if bank is not None and start_soc <= bank.cutoff_soc and desk.sound(start, ("bank", "cutoff_soc")):
        desk.note(
            start, f"supply ends at {bank.cutoff_soc:g}, so the bank goes dark before the generator starts at {start_soc:g}."
        )
    if bank is not None and stop_soc > bank.target_soc and desk.sound(stop, ("bank", "target_soc")):
        desk.mistake(stop, f"at most the charge target, {bank.target_soc:g}", f"{stop_soc:g}", "Else it would never stop.")
    efficiency = load_preset("converters").number("shore", "efficiency_frac")
    drawn_w = charger_a * vehicle.bus_v / efficiency
    if drawn_w > rated_w * 1.02 and desk.sound(("generator", "charger_a"), ("generator", "rated_w"), ("vehicle", "bus_v")):
        desk.mistake(
            ("generator", "charger_a"),
            f"at most {rated_w * efficiency / vehicle.bus_v:.4g} A, what {rated_w:g} W can feed at {vehicle.bus_v} V",
            f"{charger_a:g} A",
        )
