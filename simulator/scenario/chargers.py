"""What charges the bank beside the sun: hookup, engine, generator."""

from __future__ import annotations

from typing import Any

from simulator.scenario.choosing import tag
from simulator.scenario.desk import Desk, unit_of
from simulator.scenario.lines import Path
from simulator.scenario.parts import Alternator, Bank, Generator, Shore, Vehicle
from simulator.scenario.presets import load_preset
from simulator.scenario.written import AlternatorTable, GeneratorTable, ShoreTable
from simulator.units import HOURS_PER_DAY

PRESET_BUS_V = 12.0
"""The presets' charger amperes are at this bus voltage; another bus gets the same watts."""
FULL_RATING = 2000.0
"""Rating [W] that the preset's litres an hour are for."""
DERATE_STEP_M = 300.0
"""Elevation that the preset's loss of rating is for [m]."""
WindowsH = tuple[tuple[float, float], ...]


def charging_v(bank: Bank | None, vehicle: Vehicle) -> float:
    """Bus voltage at which a charger gives the most watts: the bank's upper charging voltage [V]; none known: the bus's name."""
    return float(vehicle.bus_v) if bank is None else bank.absorb_v * bank.in_series


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


def merge_shore(written: ShoreTable | None, vehicle: Vehicle, hookup: bool, desk: Desk, bank: Bank | None = None) -> Shore | None:
    """Finish the charger on a hookup; without one written, a usual one is taken as soon as a stop has a hookup."""
    if written is None and not hookup:
        return None
    scales = {"charger_a": ("charger_a_at_12_v", PRESET_BUS_V / vehicle.bus_v)}
    values = _values(written, "shore", ("charger_a", "efficiency_frac"), scales, desk)
    _tell_default(written, "shore", "charger_a", values["charger_a"], "charger_a_at_12_v", desk)
    pedestal_a = None if written is None else written.pedestal_a
    pedestal_v = None if written is None else written.pedestal_v
    at: Path = ("shore", "pedestal_a")
    if (pedestal_a is None) != (pedestal_v is None) and desk.sound(at, ("shore", "pedestal_v")):
        if pedestal_v is None:
            desk.mistake(at, "pedestal_v beside pedestal_a", "none", "Write its volts, such as 230 or 120.")
        else:
            cure = "Write the amperes of its breaker, such as 6, 10, 16 or 30."
            desk.mistake(("shore", "pedestal_v"), "pedestal_a beside pedestal_v", "none", cure)
    if pedestal_a is not None and pedestal_v is not None:
        most_a = pedestal_a * pedestal_v * values["efficiency_frac"] / charging_v(bank, vehicle)
        if values["charger_a"] > most_a:
            desk.note(
                at,
                f"the pedestal gives {pedestal_a * pedestal_v:,.0f} W, which hold the charger of {values['charger_a']:.4g} A "
                f"down to {most_a:.0f} A, and to less while AC appliances run on the hookup.",
            )
    return Shore(pedestal_a=pedestal_a, pedestal_v=pedestal_v, **values, **tag(written))


def merge_alternator(
    written: AlternatorTable | None, vehicle: Vehicle, desk: Desk, bank: Bank | None = None
) -> Alternator | None:
    """Finish the charger on the engine; none written, none fitted."""
    if written is None:
        if desk.sound(("alternator",)):
            desk.default("There is none, so driving does not charge the bank.", "[alternator]")
        return None
    scales = {"charger_a": ("charger_a_at_12_v", PRESET_BUS_V / vehicle.bus_v)}
    values = _values(written, "alternator", ("charger_a", "efficiency_frac", "driving_frac", "alternator_v"), scales, desk)
    _tell_default(written, "alternator", "charger_a", values["charger_a"], "charger_a_at_12_v", desk)
    _tell_default(written, "alternator", "driving_frac", values["driving_frac"], "driving_frac", desk)
    max_a = written.alternator_max_a
    if max_a is not None:
        _tell_default(written, "alternator", "alternator_v", values["alternator_v"], "alternator_v", desk)
        most_a = max_a * values["alternator_v"] * values["efficiency_frac"] / charging_v(bank, vehicle)
        if values["charger_a"] > most_a:
            desk.note(
                ("alternator", "alternator_max_a"),
                f"{max_a:g} A at {values['alternator_v']:g} V hold the charger of {values['charger_a']:.4g} A "
                f"down to {most_a:.0f} A.",
            )
    elif written.alternator_v is not None:
        desk.note(("alternator", "alternator_v"), "it decides nothing without alternator_max_a.")
    return Alternator(max_a=max_a, **values, **tag(written))


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
    if written.efficiency_frac is not None:
        efficiency = written.efficiency_frac
        desk.judge_usual(("generator", "efficiency_frac"), efficiency, preset.valid("shore", "efficiency_frac"), "for a charger")
    usual_a = preset.number("shore", "charger_a_at_12_v") * PRESET_BUS_V / vehicle.bus_v
    usual_a = min(usual_a, rated_w * efficiency / charging_v(bank, vehicle))
    charger_a = usual_a if written.charger_a is None else written.charger_a
    chemistry = bank.chemistry if bank is not None else "lfp"
    chemistries = load_preset("chemistries")
    start_soc, stop_soc = (
        chemistries.number(chemistry, f"generator_{key}") if getattr(written, key) is None else getattr(written, key)
        for key in ("start_soc", "stop_soc")
    )
    quiet = written.quiet or ()
    windows = written.windows or ()
    if not windows and not quiet:
        windows = ((preset.number("generator", "from_h"), preset.number("generator", "to_h")),)
        desk.default(
            f"It may run from {windows[0][0]:g} to {windows[0][1]:g} h ({preset.source('generator', 'from_h')}).",
            "[generator] windows",
        )
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
    _judge_fuel(written, values, desk)
    _judge_hours(windows, quiet, values["min_run_h"], desk)
    generator = Generator(
        charger_a=charger_a,
        start_soc=start_soc,
        stop_soc=stop_soc,
        windows=windows,
        quiet=quiet,
        efficiency_frac=efficiency,
        derate_frac_per_m=preset.number("generator", "derate_frac_per_300_m") / DERATE_STEP_M,
        **values,
        **tag(written),
    )
    _judge_generator(generator, bank, vehicle, desk)
    return generator


def _judge_fuel(written: GeneratorTable, values: dict[str, float], desk: Desk) -> None:
    """See that the two points of the fuel curve can be one, and say what was taken where they are not written."""
    quarter: Path = ("generator", "fuel_l_per_h_quarter")
    full: Path = ("generator", "fuel_l_per_h_full")
    quarter_l, full_l = values["fuel_l_per_h_quarter"], values["fuel_l_per_h_full"]
    if full_l < quarter_l and desk.sound(quarter, full, ("generator", "rated_w")):
        at = full if written.fuel_l_per_h_full is not None else quarter
        desk.mistake(
            at,
            "at full load at least the litres an hour of a quarter load",
            f"{full_l:.3g} L/h at full and {quarter_l:.3g} L/h at a quarter load",
            "Take both from one data sheet; a tank over its running time gives them too.",
        )
    if None not in (written.fuel_l_per_h_quarter, written.fuel_l_per_h_full):
        return
    source = load_preset("converters").source("generator", "fuel_l_per_h_quarter")
    told = f"{quarter_l:.3g} L/h at a quarter load and {full_l:.3g} L/h at full load ({source})."
    if written.rated_w is None and written.fuel_l_per_h_quarter is None and written.fuel_l_per_h_full is None:
        desk.note(
            ("generator",),
            f"neither its size nor its fuel is known: taken as {values['rated_w']:g} W with {told} "
            "Write rated_w, fuel_l_per_h_quarter and fuel_l_per_h_full from its data sheet, or its litres mean little.",
        )
    else:
        desk.default(f"It burns {told}", "[generator] fuel_l_per_h_quarter, fuel_l_per_h_full")


def _minutes(windows: WindowsH) -> set[int]:
    """Minutes of the day inside of windows on the clock."""
    day = HOURS_PER_DAY * 60
    found: set[int] = set()
    for start_h, end_h in windows:
        first, last = round(start_h * 60), round(end_h * 60)
        found |= set(range(first, last)) if last > first else set(range(first, day)) | set(range(last))
    return found


def _judge_hours(windows: WindowsH, quiet: WindowsH, min_run_h: float, desk: Desk) -> None:
    """See that windows and quiet hours leave it time to run."""
    if not quiet or not desk.sound(("generator", "windows"), ("generator", "quiet")):
        return
    at: Path = ("generator", "quiet")
    silent = _minutes(quiet)
    allowed = _minutes(windows or ((0.0, float(HOURS_PER_DAY)),))
    if len(silent) == HOURS_PER_DAY * 60:
        desk.mistake(
            at,
            "quiet hours that leave it time to run",
            "the whole day",
            'Write for example quiet = ["22:00-08:00"], or take [generator] out.',
        )
    elif not allowed - silent:
        desk.mistake(
            at,
            "some of its windows outside the quiet hours",
            "quiet hours that cover all of them",
            "Shorten quiet, or move windows.",
        )
    elif len(allowed - silent) < min_run_h * 60:
        left = len(allowed - silent)
        desk.note(at, f"windows and quiet hours leave {left} minutes a day, less than its run of at least {min_run_h:g} h.")


def _judge_generator(generator: Generator, bank: Bank | None, vehicle: Vehicle, desk: Desk) -> None:
    """Hold start, stop, floor and rating against each other."""
    start_soc, stop_soc = generator.start_soc, generator.stop_soc
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
    charger_a, rated_w, efficiency = generator.charger_a, generator.rated_w, generator.efficiency_frac
    at: Path = ("generator", "charger_a")
    if not desk.sound(at, ("generator", "rated_w"), ("generator", "efficiency_frac"), ("vehicle", "bus_v")):
        return
    if charger_a * vehicle.bus_v / efficiency > rated_w * 1.02:
        desk.mistake(
            at,
            f"at most {rated_w * efficiency / vehicle.bus_v:.4g} A, what {rated_w:g} W can feed at {vehicle.bus_v} V",
            f"{charger_a:g} A",
        )
        return
    volts = charging_v(bank, vehicle)
    most_a = rated_w * efficiency / volts
    if charger_a > most_a * (1.0 + 1e-9):
        desk.note(
            at,
            f"at {volts:.4g} V, the bank's upper charging voltage, {rated_w:g} W feed {most_a:.0f} A of its {charger_a:.4g} A.",
        )
