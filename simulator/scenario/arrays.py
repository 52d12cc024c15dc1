"""Arrays: panels from what is known of them, controllers, and whether the two and the bank fit together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from simulator.scenario.bank import rest_voltage_v
from simulator.scenario.deployed import judge_deployed, judge_tilts, merge_deployed
from simulator.scenario.desk import Desk, unit_of
from simulator.scenario.lines import Path
from simulator.scenario.parts import Array, Bank, Controller, Panel, Stop
from simulator.scenario.presets import Preset, load_preset
from simulator.scenario.written import ArrayTable, ControllerTable, PanelTable

SHEET_TOLERANCE_FRAC = 0.05
"""Nameplate watts and v_mp x i_mp may differ this much: sheets round within 2 %."""
WATTS_KEYS = ("p_w", "v_mp", "i_mp")
COLD_CELL_C = -10.0
"""Cells at sunrise on a cold morning, for the remark on a controller's input voltage."""
STC_CELL_C = 25.0
HALF_SOC = 0.5
"""A string must at least be able to charge a half-full bank."""


def merge_arrays(
    written: tuple[ArrayTable, ...],
    bank: Bank | None,
    desk: Desk,
    stops: Mapping[str, set[int]] | None = None,
    stays: Sequence[Stop] = (),
) -> tuple[Array, ...]:
    """Finish all arrays.

    Parameters
    ----------
    written : tuple of ArrayTable
    bank : Bank or None
        None: nothing is held against its voltage.
    desk : Desk
        Takes mistakes, notes and defaults.
    stops : mapping, optional
        Numbers of the stops by name, for arrays that are put out at some of them.
    stays : sequence of Stop
        The finished route; empty: whether an array is ever put out is not judged.

    Returns
    -------
    tuple of Array
        Those that can be used.
    """
    if not written and desk.sound(("array",)):
        desk.default("There is none, so nothing comes from the sun.", "[[array]]")
    names: dict[str, int] = {}
    found = []
    for position, array in enumerate(written):
        path: Path = ("array", position)
        if array.name is not None:
            first = names.setdefault(array.name, position)
            if first != position:
                desk.mistake((*path, "name"), "a name of its own for every array", f"the name of array {first + 1}")
        merged = _array(array, path, bank, desk, stops or {})
        if merged is not None:
            judge_deployed(merged, path, stays, desk)
            found.append(merged)
    judge_tilts(found, stays, desk)
    return tuple(found)


def _array(written: ArrayTable, path: Path, bank: Bank | None, desk: Desk, stops: Mapping[str, set[int]]) -> Array | None:
    preset = load_preset("converters")
    panel = _panel(written.panel, path, desk)
    controller = _controller(written.controller, path, desk)
    if written.azimuth_deg is not None and written.bearing_deg is not None:
        desk.mistake(
            (*path, "bearing_deg"),
            "either azimuth_deg or bearing_deg",
            "both",
            "azimuth_deg is by the compass, bearing_deg from the nose.",
        )
    deployed = merge_deployed(written, path, stops, desk)
    if panel is None or controller is None:
        return None
    mount = written.mount or ("gap" if deployed is None else "open")
    bearing_deg = written.bearing_deg
    if bearing_deg is None and written.azimuth_deg is None and deployed is None:
        bearing_deg = 0.0
    usual_tilt_deg = 0.0 if deployed is None else preset.number("array", "deployed_tilt_deg")
    tilt_deg = usual_tilt_deg if written.tilt_deg is None else written.tilt_deg
    shares = {
        key: _usual(getattr(written, key), preset, ("array", preset_key), (*path, key), "for an array", desk)
        for key, preset_key in (
            ("wiring_frac", "wiring_frac"),
            ("mismatch_frac", "mismatch_frac"),
            ("soiling_frac", "soiling_frac"),
            ("roof_shade_frac", "roof_shade_frac"),
            ("ageing_frac_per_year", f"ageing_{'bonded' if mount == 'bonded' else 'glass'}_frac_per_year"),
        )
    }
    array = Array(
        number=int(path[1]) + 1,
        name=written.name or f"array {int(path[1]) + 1}",
        line=desk.line(path),
        panel=panel,
        in_series=written.in_series or 1,
        in_parallel=written.in_parallel or 1,
        tilt_deg=tilt_deg,
        azimuth_deg=written.azimuth_deg,
        bearing_deg=bearing_deg,
        mount=mount,
        controller=controller,
        age_years=written.age_years or 0.0,
        fixed=bool(written.fixed),
        deployed=deployed,
        **shares,
    )
    if deployed is not None:
        if written.tilt_deg is None:
            source = preset.source("array", "deployed_tilt_deg")
            desk.default(f"Panels that are put out stand at tilt_deg = {tilt_deg:g} ({source}).", "[[array]] tilt_deg")
        if deployed.to_noon_sun:
            desk.default(
                "Panels that are put out face the noon sun, where neither azimuth_deg nor bearing_deg is written.",
                "[[array]] azimuth_deg",
            )
        if written.mount is None:
            desk.default('Panels that are put out stand free, mount = "open" (no source).', "[[array]] mount")
    else:
        if written.mount is None:
            desk.default('Panels stand on brackets, mount = "gap" (no source).', "[[array]] mount")
        if written.tilt_deg is None:
            desk.default("Panels lie flat, tilt_deg = 0 (no source).", "[[array]] tilt_deg")
        elif tilt_deg > 0.0 and written.azimuth_deg is None and written.bearing_deg is None:
            desk.default("Tilted panels face where the nose points, bearing_deg = 0 (no source).", "[[array]] bearing_deg")
    if any(getattr(written, key) is None for key in ("wiring_frac", "mismatch_frac", "soiling_frac")):
        lost = 1.0 - (1.0 - array.wiring_frac) * (1.0 - array.mismatch_frac) * (1.0 - array.soiling_frac)
        desk.default(
            f"Dirt, wiring and mismatch take {lost:.0%} of the sun ({preset.source('array', 'wiring_frac')}).",
            "[[array]] soiling_frac, wiring_frac, mismatch_frac",
        )
    if bank is not None:
        _judge_voltage(array, path, bank, desk)
    return array


def _usual(value: float | None, preset: Preset, keys: tuple[str, str], path: Path, what: str, desk: Desk) -> float:
    """Return the written value, with a note when it is unusual, or the preset's."""
    if value is None:
        return preset.number(*keys)
    desk.judge_usual(path, value, preset.valid(*keys), what)
    return value


def _panel(written: PanelTable | None, path: Path, desk: Desk) -> Panel | None:
    """Complete a data sheet; None if there is nothing to complete (which has been told)."""
    at: Path = (*path, "panel")
    given = [] if written is None else [key for key in WATTS_KEYS if getattr(written, key) is not None]
    if written is None or (given != ["p_w"] and len(given) < 2):
        if desk.sound(at, *((*at, key) for key in WATTS_KEYS)):
            desk.mistake(
                path if written is None else at,
                "the watts of one panel",
                "none",
                "Write panel = { p_w = 100 }, or its whole data sheet.",
            )
        return None
    preset = load_preset("converters")
    cells = _cells(written, preset)
    v_mp, i_mp, p_w = written.v_mp, written.i_mp, written.p_w
    if v_mp is None:
        v_mp = p_w / i_mp if p_w is not None and i_mp is not None else cells * preset.number("panel", "v_mp_per_cell")
    if i_mp is None:
        i_mp = (p_w or 0.0) / v_mp
    if p_w is None:
        p_w = v_mp * i_mp
    v_oc = (
        v_mp * preset.number("panel", "v_oc_per_cell") / preset.number("panel", "v_mp_per_cell")
        if written.v_oc is None
        else written.v_oc
    )
    i_sc = i_mp * preset.number("panel", "i_sc_per_i_mp") if written.i_sc is None else written.i_sc
    _judge_sheet(written, p_w, v_mp, i_mp, v_oc, i_sc, at, desk)
    coefficients = {
        key: _usual(getattr(written, key), preset, ("panel", key), (*at, key), "for a crystalline panel", desk)
        for key in ("alpha_pct_per_c", "beta_pct_per_c", "gamma_pct_per_c")
    }
    if given == ["p_w"]:
        desk.default(
            f"A panel known as {p_w:g} W only: {cells} cells, {v_mp:.1f} V and {i_mp:.2f} A at best "
            f"({preset.source('panel', 'v_mp_per_cell')}).",
            "[[array]] panel",
        )
    return Panel(
        p_w=p_w,
        v_mp=v_mp,
        i_mp=i_mp,
        v_oc=v_oc,
        i_sc=i_sc,
        cells=cells,
        kg=written.kg,
        area_m2=written.area_m2,
        price=written.price,
        **coefficients,
    )


def _cells(written: PanelTable, preset: Preset) -> int:
    """Cells in series: written, by voltage, or by the class of the watts."""
    if written.cells is not None:
        return written.cells
    for value, key in ((written.v_oc, "v_oc_per_cell"), (written.v_mp, "v_mp_per_cell")):
        if value is not None:
            return max(1, round(value / preset.number("panel", key)))
    watts = written.p_w or 0.0
    if written.i_mp is not None:
        return max(1, round(watts / written.i_mp / preset.number("panel", "v_mp_per_cell")))
    classes = ((36, "cells_36_up_to_w"), (60, "cells_60_up_to_w"))
    return next((cells for cells, key in classes if watts <= preset.number("panel", key)), 72)


def _judge_sheet(
    written: PanelTable, p_w: float, v_mp: float, i_mp: float, v_oc: float, i_sc: float, at: Path, desk: Desk
) -> None:
    """Hold the numbers of one sheet against each other."""
    if v_mp >= v_oc and desk.sound((*at, "v_mp"), (*at, "v_oc")):
        desk.mistake((*at, "v_oc"), f"more than {v_mp:.4g} V, the voltage at best power", f"{v_oc:g} V", "Swap v_mp and v_oc?")
    if i_mp >= i_sc and desk.sound((*at, "i_mp"), (*at, "i_sc")):
        desk.mistake((*at, "i_sc"), f"more than {i_mp:.4g} A, the current at best power", f"{i_sc:g} A", "Swap i_mp and i_sc?")
    product_w = v_mp * i_mp
    if abs(product_w - p_w) > SHEET_TOLERANCE_FRAC * p_w:
        desk.mistake(
            (*at, "p_w"), f"about {product_w:.4g} W, which v_mp x i_mp make", f"{p_w:g} W", "Take all from one data sheet."
        )
    if written.cells is not None and desk.sound((*at, "v_oc"), (*at, "v_mp")) and (written.v_oc or written.v_mp) is not None:
        per_cell_v = v_oc / written.cells
        # Half-cut and shingled panels count pieces, of which strings lie in parallel.
        if not any(0.5 <= per_cell_v * strings <= 0.8 for strings in range(1, 9)):
            desk.mistake(
                (*at, "cells"), "cells in series of 0.5 to 0.8 V each", f"{per_cell_v:.2f} V a cell", "Check cells and v_oc."
            )


def _controller(written: ControllerTable | None, path: Path, desk: Desk) -> Controller | None:
    at: Path = (*path, "controller")
    if written is None or written.kind is None:
        if desk.sound(at, (*at, "kind")):
            desk.mistake(
                path if written is None else at,
                "a charge controller",
                "none" if written is None else "one without kind",
                'Add [array.controller] below this [[array]], with kind = "mppt" or "pwm".',
            )
        return None
    preset = load_preset("converters")
    kind = written.kind
    values: dict[str, Any] = {
        key: _usual(getattr(written, key), preset, (kind, key), (*at, key), f"for {kind}", desk)
        for key in ("efficiency_frac", "tracking_frac", "headroom_v")
    }
    if kind == "mppt" and None in (written.efficiency_frac, written.tracking_frac):
        desk.default(
            f"MPPT controller: {values['efficiency_frac']:g} conversion x {values['tracking_frac']:g} tracking "
            f"({preset.source('mppt', 'efficiency_frac')}), starts {values['headroom_v']:g} V above the bank.",
            "[array.controller] efficiency_frac",
        )
    if written.max_charge_a is None:
        desk.default("It carries whatever its panels give (no source).", "[array.controller] max_charge_a")
    return Controller(
        kind=kind, max_charge_a=written.max_charge_a, max_input_v=written.max_input_v, price=written.price, **values
    )


def _judge_voltage(array: Array, path: Path, bank: Bank, desk: Desk) -> None:
    """See that the string can charge the bank, and that it does not kill its controller."""
    panel, controller = array.panel, array.controller
    watched: tuple[Path, ...] = (
        *((*path, "panel", key) for key in ("v_mp", "v_oc", "p_w", "cells")),
        (*path, "in_series"),
        (*path, "controller", "headroom_v"),
        (*path, "controller", "max_input_v"),
        ("bank", "unit_v"),
        ("bank", "in_series"),
        ("vehicle", "bus_v"),
    )
    if not desk.sound(*watched):
        return
    string_v_mp, string_v_oc = array.in_series * panel.v_mp, array.in_series * panel.v_oc
    rest_v = bank.in_series * rest_voltage_v(bank.curve, HALF_SOC)
    at: Path = (*path, "in_series")
    if controller.kind == "pwm":
        have_v, need_v, word = string_v_mp, rest_v, "v_mp"
    else:
        have_v, need_v, word = string_v_oc, rest_v + controller.headroom_v, "v_oc"
    if have_v < need_v:
        per_panel_v = have_v / array.in_series
        desk.mistake(
            at,
            f"a string of at least {need_v:.1f} V ({word}), which {controller.kind} needs to charge this bank",
            f"{array.in_series} x {per_panel_v:.4g} V = {have_v:.4g} V",
            f"Set in_series = {-int(-need_v // per_panel_v)}.",
        )
    elif controller.kind == "pwm" and string_v_mp < bank.in_series * bank.absorb_v:
        desk.note(
            at,
            f"a string of {string_v_mp:.4g} V at best power will hardly fill a bank that charges up to "
            f"{bank.in_series * bank.absorb_v:.4g} V.",
        )
    elif controller.kind == "pwm" and string_v_mp > 1.6 * bank.in_series * bank.absorb_v:
        desk.note(
            at,
            f"on pwm a string of {string_v_mp:.4g} V is held at the bank's voltage and gives the smaller part of its watts; "
            "on mppt it would not.",
        )
    limit_v = controller.max_input_v
    if limit_v is None:
        return
    cold_v = string_v_oc * (1.0 + panel.beta_pct_per_c / 100.0 * (COLD_CELL_C - STC_CELL_C))
    if string_v_oc > limit_v:
        desk.mistake(
            (*path, "controller", "max_input_v"),
            f"at least the {string_v_oc:.4g} V of {array.in_series} panels in series (v_oc)",
            f"{limit_v:g}{unit_of('max_input_v')}",
            "Put fewer in series, or take another controller: this one would be destroyed.",
        )
    elif cold_v > limit_v:
        desk.note(
            (*path, "controller", "max_input_v"),
            f"with cells at {COLD_CELL_C:g} C the string reaches {cold_v:.4g} V, more than the controller's {limit_v:g} V: "
            "it would be destroyed.",
        )
