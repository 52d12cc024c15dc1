"""Systems drawn by chance for whole scenarios, as tables: banks, arrays, appliances, chargers, inverters, cables."""

from __future__ import annotations

from random import Random
from typing import Any

Table = dict[str, Any]

CELLS = {"lfp": (3.2, 4, (1, 4, 8, 16)), "agm": (2.0, 6, (3, 6, 12)), "gel": (2.0, 6, (6,)), "flooded": (2.0, 6, (1, 3, 6))}
"""Volts of a cell, cells at 12 V, cells of the units that are sold."""
CUTOFF_SOC = {"lfp": 0.05, "agm": 0.0, "gel": 0.0, "flooded": 0.0}
USABLE = {"lfp": 0.9, "agm": 0.5, "gel": 0.5, "flooded": 0.5}
LATCH_SOC = {"lfp": 0.05, "agm": 0.15, "gel": 0.15, "flooded": 0.15}
WINDOWS = (["07:00-08:30"], ["22:00-06:00"], ["00:00-24:00"], ["06:15-06:45", "12:00-13:00", "18:30-23:59"], ["23:30-00:30"])
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
KINDS = (
    "fridge",
    "lights",
    "water_pump",
    "kettle",
    "microwave",
    "laptop",
    "router",
    "breathing",
    "jack",
    "winch",
    "fan",
    "tools",
)
USUAL_W = {"fridge", "lights", "water_pump", "laptop", "router", "breathing"}
PROFILE = "measured.csv"
PROFILE_TEXT = "time,watts\n00:00,12\n06:20,350\n06:50,12\n13:00,80.5\n18:10,0\n"
"""A course of watts that a scenario may name, if its folder holds it."""


def some(random: Random, share: float) -> bool:
    return random.random() < share


def rounded(value: float, digits: int = 3) -> float:
    return float(f"{value:.{digits}g}")


def wide(random: Random, low: float, high: float) -> float:
    """Evenly over orders of magnitude."""
    return rounded(low * (high / low) ** random.random())


def draw_bank(random: Random, bus_v: int) -> Table:
    chemistry = random.choice(("lfp", "lfp", "agm", "gel", "flooded"))
    cell_v, at_12_v, sold = CELLS[chemistry]
    cells = random.choice([each for each in sold if at_12_v * bus_v // 12 % each == 0])
    bank: Table = {
        "chemistry": chemistry,
        "unit_ah": wide(random, 1.0, 5000.0) if some(random, 0.08) else wide(random, 15.0, 400.0),
    }
    in_series = at_12_v * bus_v // 12 // cells
    if in_series > 1 or some(random, 0.5):
        bank["unit_v"] = round(cells * cell_v, 1)
        bank["in_series"] = in_series
    else:
        cells = at_12_v * bus_v // 12
    bank["in_parallel"] = random.choice((1, 1, 2, 3, 4))
    floor, target = _levels(random, bank)
    unit_ah = bank["unit_ah"]
    lithium = chemistry == "lfp"

    def maybe(key: str, *values: Any, share: float = 0.12) -> None:
        if some(random, share):
            bank[key] = random.choice(values)

    maybe("soh_start", 0.5, 0.8, 0.93)
    maybe("age_years", 0, 2.5, 9)
    maybe("start_soc", 0.0, 0.2, 0.5, 0.8, share=0.4)
    maybe("full_soc", 0.8, 0.9, 0.95)
    maybe("charge_limit_a", *(min(rounded(rate * unit_ah), 2000.0) for rate in (0.02, 0.2, 1.0, 3.5)))
    maybe("charge_cold_limit_a", *(min(rounded(rate * unit_ah), 2000.0) for rate in (0.01, 0.1, 0.5)))
    if "charge_limit_a" in bank and "charge_cold_limit_a" in bank:
        bank["charge_cold_limit_a"] = min(bank["charge_cold_limit_a"], bank["charge_limit_a"])
    maybe("discharge_limit_a", *(min(rounded(rate * unit_ah), 10_000.0) for rate in (0.03, 0.3, 2.0, 15.0)))
    if some(random, 0.12):
        bank["charge_min_c"] = random.choice((-20, -5, 0, 4.5, 10))
        bank["charge_resume_c"] = bank["charge_min_c"] + random.choice((0, 2, 6))
        bank["charge_full_c"] = bank["charge_min_c"] + random.choice((0, 5, 12))
    maybe("charge_max_c", 35, 45, 60)
    maybe("discharge_min_c", -30, -10, 0, 2)
    maybe("discharge_max_c", 30, 45, 70)
    maybe("resistance_ohm", *(min(rounded(ohm_ah * cells / unit_ah), 1.0) for ohm_ah in (0.0, 0.05, 0.3, 1.0)))
    maybe("resistance_per_c", 0.0, 0.01, 0.05)
    absorb_v = cells * (3.6 if lithium else {"agm": 2.4, "gel": 2.36, "flooded": 2.4167}[chemistry])
    if some(random, 0.12):
        absorb_v = bank["absorb_v"] = rounded(cells * random.choice((3.605, 3.62, 3.65) if lithium else (2.3, 2.4, 2.5)), 6)
    maybe("absorb_v_per_c", 0.0, -0.005 * cells)
    maybe("absorb_cap_v", *(rounded(absorb_v + more * cells, 6) for more in (0.001, 0.05, 0.2)))
    maybe("cutoff_v", 0.0, *(rounded(cells * volts, 6) for volts in ((2.5, 2.9, 3.1) if lithium else (1.75, 1.95))))
    maybe("charge_max_v", 0.0, *(rounded(cells * volts, 6) for volts in ((3.6, 3.62, 3.75) if lithium else (2.3, 2.45))))
    maybe("taper_h", 0.0, 0.1, 0.5, 3.0)
    maybe("taper_end_frac", 0.002, 0.02, 0.1)
    if not lithium and some(random, 0.15):
        bank["capacities"] = [[20, unit_ah], [5, rounded(0.87 * unit_ah)], [1, rounded(0.62 * unit_ah)]][: random.choice((2, 3))]
    else:
        maybe("well_c", 0.2, 0.45, 0.9, 1.0)
        maybe("well_k_per_h", 0.1, 1.0, 15.0)
    maybe("self_discharge_frac_per_day", 0.0, 0.003, 0.05)
    maybe("standby_w", 0.0, 0.3, 5.0)
    maybe("place", "outside", "inside", "heated", share=0.6)
    maybe("heat_capacity_j_per_c", 800.0, 20000.0)
    maybe("loss_w_per_c", 0.1, 2.0, 30.0)
    maybe("unit_kg", *(min(rounded(per_wh * unit_ah * cells * cell_v), 2000.0) for per_wh in (0.006, 0.03)))
    if some(random, 0.2):
        on_below_c = random.choice((-8, 0, 2, 5))
        bank["heater"] = {
            "power_w": random.choice((8, 40, 200)),
            "on_below_c": on_below_c,
            "off_above_c": on_below_c + random.choice((1, 8)),
        }
        bank["heater"]["from"] = random.choice(("surplus", "bank"))
    bank["_floor"], bank["_target"] = floor, target
    return bank


def _levels(random: Random, bank: Table) -> tuple[float, float]:
    """Write some of the levels of charge; return where supply really ends and where charging stops."""
    chemistry = bank["chemistry"]
    usable = USABLE[chemistry]
    if some(random, 0.3):
        usable = bank["usable_frac"] = random.choice((0.3, 0.5, 0.8, 0.9, 1.0))
    cutoff = CUTOFF_SOC[chemistry]
    if some(random, 0.2):
        cutoff = bank["cutoff_soc"] = random.choice([soc for soc in (0.0, 0.05, 0.1, 0.3) if soc <= 1.0 - usable + 1e-9])
    floor = cutoff
    if some(random, 0.25):
        bank["at_floor"] = "off"
        floor = max(cutoff, round(1.0 - usable, 12))
    target = 1.0
    if some(random, 0.15):
        target = bank["target_soc"] = random.choice((0.85, 0.9, 0.95))
    if some(random, 0.25):
        bank["reconnect_soc"] = min(floor + random.choice((0.0, 0.006, 0.05, 0.2)), target)
    return floor, target


def draw_arrays(random: Random, bus_v: int, names: list[str]) -> list[Table]:
    found = []
    for _ in range(random.choice((0, 1, 1, 1, 2, 3))):
        kind = random.choice(("mppt", "mppt", "pwm"))
        p_w = random.choice((20, 55, 100, 110, 175, 320, 430))
        cells = 36 if kind == "pwm" else random.choice((36, 60, 72))
        in_series = bus_v // 12 if kind == "pwm" or cells == 36 else max(1, bus_v // 24)
        if kind == "mppt" and some(random, 0.3):
            in_series += 1
        panel: Table = {"p_w": p_w, "cells": cells}
        if some(random, 0.25):
            v_mp = rounded(cells * random.uniform(0.515, 0.56), 4)
            i_mp = rounded(p_w / v_mp, 4)
            panel |= {"v_mp": v_mp, "i_mp": i_mp, "v_oc": rounded(1.2 * v_mp, 4), "i_sc": rounded(1.06 * i_mp, 4)}
            panel |= {"alpha_pct_per_c": 0.05, "beta_pct_per_c": -0.3, "gamma_pct_per_c": random.choice((-0.45, -0.3))}
        array: Table = {
            "panel": panel,
            "in_series": in_series,
            "in_parallel": random.choice((1, 1, 2, 4)),
            "controller": {"kind": kind},
        }
        if some(random, 0.4):
            array["controller"]["max_charge_a"] = random.choice((3, 10, 20, 50))
        if kind == "mppt" and some(random, 0.2):
            array["controller"]["headroom_v"] = random.choice((0.5, 2, 4))
        if kind == "mppt" and some(random, 0.2):
            array["controller"] |= {"efficiency_frac": 0.93, "tracking_frac": 0.97, "max_input_v": 250}
        if some(random, 0.2):
            array["deployed_from_days"] = random.choice((0, 1, 3, 10))
        elif some(random, 0.1):
            array["stops"] = random.sample(names, random.randint(1, len(names)))
        elif some(random, 0.2):
            array["fixed"] = True
        if some(random, 0.6):
            array["tilt_deg"] = random.choice((0, 10, 35, 60, 90))
        if some(random, 0.5):
            array[random.choice(("azimuth_deg", "bearing_deg"))] = random.choice((0, 90, 180, 235.5, -90))
        for key, values in (
            ("mount", ("bonded", "gap", "open")),
            ("soiling_frac", (0.0, 0.03, 0.3)),
            ("wiring_frac", (0.0, 0.02)),
            ("mismatch_frac", (0.0, 0.05)),
            ("roof_shade_frac", (0.0, 0.1, 0.5)),
            ("age_years", (0, 7.5, 30)),
        ):
            if some(random, 0.2):
                array[key] = random.choice(values)
        found.append(array)
    return found


def draw_appliance(random: Random, number: int, bus_v: int, names: list[str]) -> Table:
    table: Table = {"name": f"appliance {number}"}
    follows = random.choice(("fridge", "heating", "cooling", "pads")) if some(random, 0.2) else None
    if some(random, 0.6):
        table["kind"] = random.choice(KINDS)
    if some(random, 0.3) and follows is None:
        table["bus"] = "ac"
    watts = wide(random, 100.0, 20000.0) if some(random, 0.07) else random.choice((0, 2, 5, 8, 12, 20, 35, 45, 60, 90, 150, 600))
    if table.get("kind") not in USUAL_W or some(random, 0.7):
        if table.get("bus") != "ac" and some(random, 0.15):
            table["current_a"] = rounded(watts / bus_v)
        else:
            table["power_w"] = watts
            if watts and some(random, 0.15):
                table["standby_w"] = min(rounded(watts * random.uniform(0.0, 0.2)), 2000.0)
            if some(random, 0.1):
                table["surge_w"] = watts * random.choice((1, 3))
    if follows is not None:
        table["follows"] = follows
        if follows != "heating":
            extra = {"cooling": ("above_c", (22, 30)), "pads": ("below_c", (-5, 3))}.get(follows)
            if extra is not None and some(random, 0.5):
                table[extra[0]] = random.choice(extra[1])
        elif some(random, 0.5):
            table["heat_w"] = random.choice((1500, 4000))
    if follows in (None, "fridge") or (follows in ("cooling", "pads") and some(random, 0.3)):
        _pattern(random, table)
    if some(random, 0.2):
        table["days"] = random.sample(WEEKDAYS, random.randint(1, 6))
    if some(random, 0.12):
        table["stops"] = random.sample(names, random.randint(1, len(names)))
    if some(random, 0.15):
        table["only"] = random.choice(("off-grid", "hookup", "driving"))
    if some(random, 0.5):
        table["priority"] = random.choice(("essential", "comfort", "luxury"))
    if some(random, 0.2):
        table["quantity"] = random.choice((1, 2, 5))
    if bus_v > 12 and table.get("bus") != "ac" and some(random, 0.3):
        table["volts"] = random.choice((12, "bus"))
    if some(random, 0.03):
        table["medical"] = True
    return table


def _pattern(random: Random, table: Table) -> None:
    way = random.randrange(5)
    if way == 0:
        table["hours_per_day"] = random.choice((0, 0.1, 1, 2.5, 6, 24))
    elif way == 1:
        table["clock"] = random.choice(WINDOWS)
    elif way == 2:
        table["duty_frac"] = random.choice((0.0, 0.05, 0.3, 0.45, 1.0))
    elif way == 3:
        watts = table.get("power_w", 0)
        table["wh_per_day"] = rounded(24.0 * watts * random.random()) if watts else random.choice((0, 30, 400))
        if "current_a" in table:
            table["power_w"] = 200
            del table["current_a"]
    else:
        table["uses"] = {"per_day": random.choice((0.5, 2, 8)), "minutes": random.choice((1, 4, 30))}


def draw_chargers(random: Random, scenario: Table, bus_v: int, target: float, names: list[str]) -> None:
    if some(random, 0.4):
        shore: Table = {"charger_a": random.choice((3, 10, 30, 100))}
        if some(random, 0.3):
            shore |= {"pedestal_a": random.choice((1, 6, 16)), "pedestal_v": random.choice((120, 230))}
        scenario["shore"] = shore
    if some(random, 0.5):
        scenario["alternator"] = {"charger_a": random.choice((5, 20, 60)), "driving_frac": random.choice((0.0, 0.7, 1.0))}
        if some(random, 0.3):
            scenario["alternator"] |= {"alternator_max_a": random.choice((10, 50)), "alternator_v": 14.0 * min(bus_v // 12, 4)}
    if some(random, 0.25):
        rated_w = random.choice((300, 1000, 2200))
        start_soc = random.choice((0.1, 0.3, 0.5))
        generator: Table = {
            "rated_w": rated_w,
            "charger_a": rounded(0.7 * rated_w / bus_v * random.uniform(0.1, 1.0)),
            "start_soc": start_soc,
            "stop_soc": min(start_soc + random.choice((0.05, 0.3, 0.5)), target),
            "min_run_h": random.choice((0, 0.5, 1, 2.75)),
        }
        if some(random, 0.5):
            generator["windows"] = random.choice(WINDOWS)
        elif some(random, 0.5):
            generator["quiet"] = random.choice((["22:00-08:00"], ["12:30-14:30", "21:00-07:15"]))
        scenario["generator"] = generator
    others = []
    for _ in range(random.choice((0, 0, 0, 0, 1, 2))):
        source: Table = {"name": f"other {len(others) + 1}", "watts": random.choice((0, 4, 30, 250, 3000))}
        if some(random, 0.3):
            source["kind"] = random.choice(("wind", "hydro", "fuel cell", "other"))
        if some(random, 0.3):
            source["clock"] = random.choice(WINDOWS)
        elif some(random, 0.3):
            source["hours_per_day"] = random.choice((0, 3, 24))
        if some(random, 0.2):
            source["days"] = random.sample(WEEKDAYS, 3)
        if some(random, 0.2):
            source["stops"] = random.sample(names, 1)
        if some(random, 0.3):
            source["only"] = random.choice(("off-grid", "hookup", "driving", "standing"))
        others.append(source)
    if others:
        scenario["source"] = others


def draw_inverter(random: Random, bus_v: int) -> Table:
    table: Table = {"rated_w": random.choice((150, 400, 1000, 3000))}
    if some(random, 0.2):
        table["loss"] = {"p_self": 0.01, "v": 0.03, "r": 0.08}
    elif some(random, 0.4):
        table["idle_w"] = rounded(table["rated_w"] * random.choice((0.004, 0.02)))
        if some(random, 0.3):
            table["sleep_w"] = 0.5
    if "sleep_w" not in table and some(random, 0.4):
        table["always_on"] = random.choice((True, False))
    times = bus_v / 12.0
    if some(random, 0.3):
        table["cutoff_v"] = random.choice((0, 10.5 * times, 11.8 * times, 12.8 * times))
        table["restart_v"] = random.choice((12.9, 13.3)) * times
    return table


def draw_cables(random: Random, scenario: Table, bus_v: int) -> list[Table]:
    ends = [each["name"] for each in scenario["appliance"] if each.get("bus") != "ac"]
    if "inverter" in scenario:
        ends.append("inverter")
    if "converter" in scenario:
        ends.append("converter")
    found = []
    for end in random.sample(ends, min(len(ends), random.choice((0, 0, 1, 2)))):
        cable: Table = {"appliance": end, "length_m": random.choice((0.5, 2, 7.5))}
        if some(random, 0.5):
            cable["mm2"] = random.choice((6, 16, 50, 95))
        else:
            cable["awg"] = random.choice((10, 4, "2/0"))
        found.append(cable)
    return found
