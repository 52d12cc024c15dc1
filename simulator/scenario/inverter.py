"""The inverter behind the AC appliances, and the DC-DC converter behind the 12 V ones of a higher bus."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from simulator.scenario.appliances import CONVERTER_V
from simulator.scenario.desk import Desk
from simulator.scenario.lines import Path
from simulator.scenario.parts import Appliance, Bank, Converter, Inverter, Vehicle
from simulator.scenario.presets import load_preset
from simulator.scenario.written import ConverterTable, InverterTable, LossTable

PRESET_BUS_V: Final = 12.0
"""The presets' switching voltages are at this bus voltage."""


def merge_inverter(
    written: InverterTable | None, appliances: Sequence[Appliance], vehicle: Vehicle, bank: Bank | None, desk: Desk
) -> Inverter | None:
    """Finish the inverter; AC appliances off the hookup demand one.

    Parameters
    ----------
    written : InverterTable or None
    appliances : sequence of Appliance
        Finished.
    vehicle, bank : Vehicle, Bank or None
        Bus voltage and chemistry give the voltages at which it switches; without a bank lithium is taken.
    desk : Desk
        Takes mistakes, notes and defaults.

    Returns
    -------
    Inverter or None
    """
    ac = [appliance for appliance in appliances if appliance.bus == "ac"]
    needing = [appliance for appliance in ac if appliance.only != "hookup"]
    if written is None:
        if desk.sound(("inverter",)):
            for appliance in needing:
                desk.mistake(
                    ("appliance", appliance.number - 1),
                    "an [inverter], because this AC appliance also runs off the hookup",
                    "none",
                    'Add [inverter] with rated_w, or set bus = "dc" or only = "hookup".',
                )
        return None
    preset = load_preset("converters")
    rated_w = preset.number("inverter", "rated_w") if written.rated_w is None else written.rated_w
    surge_w = rated_w * preset.number("inverter", "surge_frac") if written.surge_w is None else written.surge_w
    if written.rated_w is None:
        desk.default(f"Inverter of {rated_w:g} W ({preset.source('inverter', 'rated_w')}).", "[inverter] rated_w")
    else:
        desk.judge_usual(("inverter", "rated_w"), rated_w, preset.valid("inverter", "rated_w"), "for an inverter")
    if surge_w < rated_w and desk.sound(("inverter", "rated_w"), ("inverter", "surge_w")):
        desk.mistake(
            ("inverter", "surge_w"), f"at least rated_w, {rated_w:g} W", f"{surge_w:g} W", "A surge is what it gives for seconds."
        )
    p_self, v, r = _loss(written, rated_w, desk)
    always_on = written.always_on
    if always_on is None and written.sleep_w is not None:
        always_on = True
    if always_on is None:
        always_on = any(_runs_overnight(appliance) for appliance in needing)
        why = "an AC appliance runs or waits at night" if always_on else "no AC appliance runs at night"
        state = "day and night" if always_on else "only in hours in which an AC appliance runs"
        desk.default(f"Inverter on {state}: {why} (common practice, no source).", "[inverter] always_on")
    idle_w = p_self * rated_w
    if written.sleep_w is not None:
        if written.sleep_w > idle_w:
            desk.mistake(
                ("inverter", "sleep_w"), f"at most its idle draw, {idle_w:g} W", f"{written.sleep_w:g} W", "Asleep it draws less."
            )
        elif not always_on:
            desk.note(("inverter", "sleep_w"), "it never sleeps: with always_on = false it is off while nothing runs on it.")
    cutoff_v, restart_v = _switching_v(written, vehicle, bank, desk)
    for appliance in needing:
        at: Path = ("appliance", appliance.number - 1)
        if appliance.power_w > rated_w:
            desk.note(
                (*at, "power_w"),
                f"it takes {appliance.power_w:g} W, more than the inverter's {rated_w:g} W: what is beyond counts as overload.",
            )
        elif appliance.surge_w > surge_w:
            desk.note(
                (*at, "surge_w"), f"it takes {appliance.surge_w:g} W to start, more than the inverter's surge of {surge_w:g} W."
            )
    return Inverter(
        rated_w=rated_w,
        surge_w=surge_w,
        p_self=p_self,
        v=v,
        r=r,
        always_on=always_on,
        sleep_w=written.sleep_w,
        cutoff_v=cutoff_v,
        restart_v=restart_v,
        price=written.price,
        kg=written.kg,
        life_years=written.life_years,
    )


def _switching_v(written: InverterTable, vehicle: Vehicle, bank: Bank | None, desk: Desk) -> tuple[float, float]:
    """Bus volts under load at which it switches off and comes back; (0, 0): it never does."""
    preset = load_preset("converters")
    family = "lfp" if bank is None or bank.chemistry == "lfp" else "lead"
    times = vehicle.bus_v / PRESET_BUS_V
    values = {}
    for key in ("cutoff_v", "restart_v"):
        name = f"{key.removesuffix('_v')}_{family}_v"
        value = getattr(written, key)
        if value is None:
            values[key] = preset.number("inverter", name) * times
        else:
            values[key] = value
            low, high = preset.valid("inverter", name)
            if value > 0.0:
                desk.judge_usual(("inverter", key), value, (low * times, high * times), f"at a bus of {vehicle.bus_v} V")
    cutoff_v, restart_v = values["cutoff_v"], values["restart_v"]
    if written.cutoff_v == 0.0:
        return 0.0, 0.0
    if cutoff_v >= restart_v and desk.sound(("inverter", "cutoff_v"), ("inverter", "restart_v"), ("vehicle", "bus_v")):
        key = "restart_v" if written.restart_v is not None else "cutoff_v"
        other = f"more than cutoff_v, {cutoff_v:g} V" if key == "restart_v" else f"less than restart_v, {restart_v:g} V"
        desk.mistake(
            ("inverter", key),
            other,
            f"{values[key]:g} V",
            "The bank rests above what it has under load, so it must come back higher.",
        )
    elif written.cutoff_v is None or written.restart_v is None:
        desk.default(
            f"Inverter off below {cutoff_v:g} V under load, back at {restart_v:g} V "
            f"({preset.source('inverter', f'cutoff_{family}_v')}).",
            "[inverter] cutoff_v, restart_v",
        )
    return cutoff_v, restart_v


def merge_converter(
    written: ConverterTable | None, appliances: Sequence[Appliance], vehicle: Vehicle, desk: Desk
) -> Converter | None:
    """Finish the DC-DC converter; 12 V appliances on a higher bus demand one.

    Parameters
    ----------
    written : ConverterTable or None
    appliances : sequence of Appliance
        Finished.
    vehicle : Vehicle
        For the bus voltage.
    desk : Desk
        Takes mistakes and defaults.

    Returns
    -------
    Converter or None
        None: every DC appliance hangs on the bus itself.
    """
    if vehicle.bus_v == CONVERTER_V:
        if written is not None and desk.sound(("vehicle", "bus_v")):
            desk.mistake(
                ("converter",),
                f"no [converter] on a bus of {CONVERTER_V} V",
                "one",
                "Take it out, or set bus_v = 24 or 48 in [vehicle].",
            )
        return None
    fed = [appliance for appliance in appliances if appliance.via_converter]
    if written is None and (not fed or not desk.sound(("converter",))):
        return None
    preset = load_preset("converters")
    found = {}
    for key in ("efficiency_frac", "idle_w"):
        value = getattr(written, key) if written is not None else None
        found[key] = preset.number("converter", key) if value is None else float(value)
        if value is not None and not (key == "efficiency_frac" and value > 1.0):
            desk.judge_usual(("converter", key), value, preset.valid("converter", key), "for a converter")
    if found["efficiency_frac"] > 1.0:
        share = found["efficiency_frac"] / 100.0
        desk.mistake(
            ("converter", "efficiency_frac"),
            "a share above 0 up to 1, since nothing gives more than it takes",
            f"{found['efficiency_frac']:g}",
            f"For {found['efficiency_frac']:g} % write {share:g}." if found["efficiency_frac"] > 20.0 else "Write 0.92 for 92 %.",
        )
    missing = [key for key in found if written is None or getattr(written, key) is None]
    if missing:
        how = f"{found['efficiency_frac']:.0%} efficient, idle {found['idle_w']:g} W"
        desk.default(
            f"12 V appliances hang on a DC-DC converter from the {vehicle.bus_v} V bus, {how} "
            f'({preset.source("converter", missing[0])}); an appliance with volts = "bus" needs none.',
            "[converter]",
        )
    if not fed:
        desk.note(("converter",), "nothing hangs on it: no appliance has volts = 12. Its idle draw counts all the same.")
    return Converter(efficiency_frac=found["efficiency_frac"], idle_w=found["idle_w"])


def _loss(written: InverterTable, rated_w: float, desk: Desk) -> tuple[float, float, float]:
    """Three parameters of the loss law: as written, or from the idle draw and the best efficiency."""
    preset = load_preset("converters")
    p_self, v, r = (preset.number("inverter", key) for key in ("p_self", "v", "r"))
    loss: LossTable | None = written.loss
    if loss is not None:
        if written.idle_w is not None or written.best_efficiency_frac is not None:
            desk.mistake(
                ("inverter", "loss"),
                "either loss or idle_w and best_efficiency_frac",
                "both",
                "The law's p_self x rated_w is the idle draw.",
            )
        known = all(getattr(loss, key) is not None for key in ("p_self", "v", "r"))
        if not known and desk.sound(*(("inverter", "loss", key) for key in ("p_self", "v", "r"))):
            desk.mistake(
                ("inverter", "loss"),
                "all three of p_self, v and r",
                "fewer",
                "Write loss = { p_self = 0.01, v = 0.035, r = 0.08 }.",
            )
        return (loss.p_self or 0.0, loss.v or 0.0, loss.r or 0.0)
    if written.idle_w is not None:
        p_self = written.idle_w / rated_w
        low, high = preset.valid("inverter", "p_self")
        desk.judge_usual(("inverter", "idle_w"), written.idle_w, (low * rated_w, high * rated_w), f"for {rated_w:g} W")
    else:
        desk.default(f"Inverter's idle draw {p_self * rated_w:g} W ({preset.source('inverter', 'p_self')}).", "[inverter] idle_w")
    best_frac = preset.number("inverter", "best_efficiency_frac")
    if written.best_efficiency_frac is None:
        desk.default(
            f"Inverter's best efficiency {best_frac:g} (common practice, no source: 0.90 to 0.92 at 12 V).",
            "[inverter] best_efficiency_frac",
        )
    else:
        best_frac = written.best_efficiency_frac
        desk.judge_usual(
            ("inverter", "best_efficiency_frac"), best_frac, preset.valid("inverter", "best_efficiency_frac"), "for an inverter"
        )
    # The law's best point is 1 / (1 + v + 2 sqrt(p_self r)): v takes what the other two leave.
    least = 1.0 / best_frac - 1.0
    if 2.0 * math.sqrt(p_self * r) > least:
        r = (least / 2.0) ** 2 / p_self
    v = least - 2.0 * math.sqrt(p_self * r)
    return p_self, max(v, 0.0), r


def _runs_overnight(appliance: Appliance) -> bool:
    """Whether an AC appliance needs the inverter between bedtime and morning."""
    preset = load_preset("converters")
    from_h, to_h = preset.number("inverter", "overnight_from_h"), preset.number("inverter", "overnight_to_h")
    hours = load_preset("hours").tables
    evenly = hours["kinds"].get(appliance.kind) in ("even", "night")
    if appliance.standby_w > 0.0 or appliance.duty_frac is not None:
        return True
    if appliance.clock is not None:
        return any(end_h <= start_h or end_h > from_h or start_h < to_h for start_h, end_h in appliance.clock)
    return evenly
