"""Voltages of the bank that temperature moves or electronics mind: compensation, gassing, cut-offs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from simulator.scenario.desk import Desk
from simulator.scenario.parts import Bank
from simulator.scenario.presets import load_preset
from simulator.scenario.written import BankTable

MOST_ABSORB = 1.35
"""Times its nominal voltage that a unit stands at all: 16.2 V on 12 V, where an equalising charge of flooded cells ends (2.7 V a
cell; common practice, no source)."""
MOST_LIFT_V_PER_CELL = 0.3
"""Compensation lifts the absorption voltage by no more than this in the cold; a cap above it is a slip (no source)."""


def merge_volts(
    bank: Bank,
    written: BankTable,
    usual: Callable[[str, str, float], float],
    cells: int,
    rest_v: Callable[[float], float],
    desk: Desk,
) -> Bank:
    """Finish the voltages of one unit.

    Parameters
    ----------
    bank : Bank
        Finished but for these voltages.
    written : BankTable
    usual : callable
        ``usual(key, preset_key, times)``: the written value, or the preset's times what it is counted per.
    cells : int
        In series in one unit.
    rest_v : callable
        Rest voltage of one unit [V] by state of charge.
    desk : Desk
        Takes mistakes, notes and defaults.

    Returns
    -------
    Bank
    """
    preset = load_preset("chemistries")
    merged = replace(
        bank,
        absorb_v_per_c=usual("absorb_v_per_c", "absorb_v_per_c_cell", cells),
        absorb_cap_v=max(usual("absorb_cap_v", "absorb_cap_v_per_cell", cells), bank.absorb_v),
        gassing_per_v=preset.number(bank.chemistry, "gassing_per_v_cell") / cells,
        gassing_per_c=preset.number(bank.chemistry, "gassing_per_c"),
        cutoff_v=usual("cutoff_v", "cutoff_v_per_cell", cells),
        charge_max_v=usual("charge_max_v", "charge_max_v_per_cell", cells),
    )
    half_v, full_v = rest_v(0.5), rest_v(1.0)
    if merged.cutoff_v >= half_v and desk.sound(("bank", "cutoff_v")):
        desk.mistake(
            ("bank", "cutoff_v"),
            f"less than {half_v:.2f} V, at which one unit rests half full",
            f"{merged.cutoff_v:g} V",
            "cutoff_v is of one unit, under load; 0 for a unit without electronics.",
        )
    if 0.0 < merged.charge_max_v <= full_v and desk.sound(("bank", "charge_max_v")):
        desk.mistake(
            ("bank", "charge_max_v"),
            f"more than {full_v:.2f} V, at which one unit rests when full",
            f"{merged.charge_max_v:g} V",
            "charge_max_v is of one unit; 0 for a unit without electronics.",
        )
    elif 0.0 < merged.charge_max_v < merged.absorb_v:
        desk.note(
            ("bank", "absorb_v"),
            f"the chargers are set to {merged.absorb_v:g} V, the electronics of one unit end charging at "
            f"{merged.charge_max_v:g} V: it will not fill up. Set the chargers to what the maker of the battery asks for.",
        )
    most_v = MOST_ABSORB * bank.unit_v
    if bank.absorb_v > most_v and desk.sound(("bank", "absorb_v"), ("bank", "unit_v")):
        desk.mistake(
            ("bank", "absorb_v"),
            f"at most {most_v:.4g} V, as no unit of {bank.unit_v:g} V stands more",
            f"{bank.absorb_v:g} V",
            "absorb_v is of one unit, not of the bank; take it from the maker's instructions.",
        )
    most_v = bank.absorb_v + MOST_LIFT_V_PER_CELL * cells
    if written.absorb_cap_v is not None and written.absorb_cap_v > most_v and desk.sound(("bank", "absorb_cap_v")):
        desk.mistake(
            ("bank", "absorb_cap_v"),
            f"at most {most_v:.4g} V, what a charger adds to absorb_v in the cold",
            f"{written.absorb_cap_v:g} V",
            "It is of one unit, not of the bank.",
        )
    if written.absorb_cap_v is not None and written.absorb_cap_v < bank.absorb_v and desk.sound(("bank", "absorb_cap_v")):
        desk.mistake(
            ("bank", "absorb_cap_v"),
            f"at least absorb_v, {bank.absorb_v:g} V",
            f"{written.absorb_cap_v:g} V",
            "It caps what the charger adds in the cold.",
        )
    if merged.absorb_v_per_c < 0.0 and written.absorb_v_per_c is None:
        desk.default(
            f"Chargers follow the bank's temperature, {1000.0 * merged.absorb_v_per_c:.0f} mV/K a unit up to "
            f"{merged.absorb_cap_v:g} V ({preset.source(bank.chemistry, 'absorb_v_per_c_cell')}); 0 for chargers that do not.",
            "[bank] absorb_v_per_c",
        )
    if merged.cutoff_v > 0.0 and written.cutoff_v is None:
        desk.default(
            f"The electronics end supply at {merged.cutoff_v:.3g} V a unit under load "
            f"({preset.source(bank.chemistry, 'cutoff_v_per_cell')}).",
            "[bank] cutoff_v",
        )
    return merged
