"""Laws between whole scenarios: what must come out the same, or no worse, when the question is put another way.

Scenarios are drawn by chance (``tests/random_scenarios.py``) from fixed numbers, the same ones every time.
"""

from __future__ import annotations

import copy
import csv
import json
import os
import subprocess
import sys
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest
from random_scenarios import as_toml, draw_scenario
from random_systems import Table
from whole_walks import Walked, walk_all

from simulator import battery, engine, parse_scenario, simulate
from simulator.battery import kernel as k
from simulator.cli import main
from simulator.outcome import flat_mask
from simulator.record import summary_text
from simulator.units import HOURS_PER_DAY

# ---- the same bank, wired or written otherwise ----

OF_A_STRING = ("absorb_v", "absorb_v_per_c", "absorb_cap_v", "cutoff_v", "charge_max_v", "resistance_ohm")
OF_A_UNIT = ("heat_capacity_j_per_c", "loss_w_per_c", "unit_kg", "standby_w")
AMPERES = ("unit_ah", "charge_limit_a", "charge_cold_limit_a", "discharge_limit_a")


def as_one_unit(bank: Table) -> Table:
    """The bank as a single unit: volts and ohms of the string, amperes and ampere-hours of the strings side by side."""
    series, parallel = bank.get("in_series", 1), bank["in_parallel"]
    one = copy.deepcopy(bank) | {"in_series": 1, "in_parallel": 1}
    if "unit_v" in bank:
        one["unit_v"] = bank["unit_v"] * series
    for key in OF_A_STRING:
        if key in bank:
            one[key] = bank[key] * series / (parallel if key == "resistance_ohm" else 1)
    for key in OF_A_UNIT:
        if key in bank:
            one[key] = bank[key] * series * parallel
    for key in AMPERES:
        if key in bank:
            one[key] = bank[key] * parallel
    if "capacities" in bank:
        one["capacities"] = [[hours, ah * parallel] for hours, ah in bank["capacities"]]
    return one


def fits_one_unit(bank: Table) -> bool:
    """Whether what makes one unit of the bank may still be written."""
    one = as_one_unit(bank)
    most = {"charge_limit_a": 2000.0, "charge_cold_limit_a": 2000.0, "discharge_limit_a": 10_000.0, "unit_ah": 5000.0}
    return (
        all(one.get(key, 0.0) <= limit for key, limit in most.items())
        and one["standby_w"] <= 100.0
        and one.get("unit_kg", 0.0) <= 2000.0
        and one.get("loss_w_per_c", 0.0) <= 1000.0
        and one.get("resistance_ohm", 0.0) <= 1.0
        and one.get("absorb_v_per_c", 0.0) >= -0.5
    )


def same_course(one: Walked, other: Walked, *, close: float = 1e-7) -> None:
    """Both banks live through the same hours, but for rounding."""
    for column in (k.LOAD_WH, k.SUN_USED_WH, k.MISSED_DARK_WH, k.DISCHARGED_WH, k.CHARGED_WH, k.SOC_END, k.CELL_END_C, k.BUS_V):
        ours, theirs = one.walk.hours[:, :, column], other.walk.hours[:, :, column]
        assert np.allclose(ours, theirs, rtol=close, atol=close * max(float(np.abs(ours).max()), 1.0)), column
    assert one.outcome.flat_day_counts == other.outcome.flat_day_counts


def test_series_and_parallel_make_one_bank() -> None:
    """Two units of 12 V in series are one of 24 V, two of 100 Ah side by side one of 200 Ah, in all four chemistries."""
    chemistries: set[str] = set()
    in_series = in_parallel = 0
    for number in range(60):
        drawn = draw_scenario(Random(number))
        bank = drawn["bank"]
        bank.setdefault("standby_w", 0.4)
        units = bank.get("in_series", 1), bank["in_parallel"]
        if units == (1, 1) or not fits_one_unit(bank):
            continue
        many = walk_all(as_toml(drawn))
        one = walk_all(as_toml(drawn | {"bank": as_one_unit(bank)}))
        for name, value in battery.pack_lane(many.setting.scenario.bank).items():
            assert value == pytest.approx(battery.pack_lane(one.setting.scenario.bank)[name], rel=1e-9), f"{number}: {name}"
        # The lane with one more unit in parallel is another question for each of them.
        keep = [place for place, name in enumerate(many.outcome.lane_names) if "one more unit" not in name]
        for walked in (many, one):
            assert walked.outcome.lane_names == many.outcome.lane_names
        try:
            for column in (k.SOC_END, k.SUN_USED_WH, k.MISSED_DARK_WH, k.MISSED_LIMIT_WH, k.CELL_END_C):
                ours, theirs = many.walk.hours[keep][:, :, column], one.walk.hours[keep][:, :, column]
                assert np.allclose(ours, theirs, rtol=1e-7, atol=1e-7 * max(float(np.abs(ours).max()), 1.0)), column
        except AssertionError as fault:
            fault.add_note(f"scenario {number}:\n{as_toml(drawn)}")
            raise
        chemistries.add(bank["chemistry"])
        in_series += units[0] > 1
        in_parallel += units[1] > 1
    assert chemistries == {"lfp", "agm", "gel", "flooded"}
    assert in_series > 8 and in_parallel > 8


def test_watts_and_amperes_metres_and_feet_gauge_and_area_say_the_same() -> None:
    gauge_mm2 = 33.631  # 2 AWG, ASTM B258 (from memory): 0.127 mm x 92 ** (34 / 39)
    one = draw_scenario(Random(5)) | {"appliance": [], "cable": []}
    one["vehicle"] = {"bus_v": 12, "standing_draw_w": 2}
    one["bank"] = {"chemistry": "lfp", "unit_ah": 60, "in_parallel": 1}
    one["array"] = []
    one.pop("converter", None)
    other = copy.deepcopy(one)
    for table, draws in ((one, {"power_w": 60}), (other, {"current_a": 5})):
        table["appliance"] = [{"name": "pump", "hours_per_day": 5, **draws}]
    one["cable"] = [{"appliance": "pump", "length_m": 3.048, "awg": 2}]
    other["cable"] = [{"appliance": "pump", "length_ft": 10, "mm2": gauge_mm2}]
    same_course(walk_all(as_toml(one)), walk_all(as_toml(other)), close=1e-5)


def test_the_order_of_appliances_arrays_and_sources_does_not_matter() -> None:
    """But for rounding, and for which of two equal appliances makes the peak."""
    looked_at = 0
    for number in range(200, 230):
        drawn = draw_scenario(Random(number))
        turned = copy.deepcopy(drawn)
        for key in ("appliance", "array", "source", "cable"):
            if key in turned:
                drawn[key] = [{"name": f"{key} {place}"} | table for place, table in enumerate(drawn[key])]
                turned[key] = drawn[key][::-1]
        try:
            same_course(walk_all(as_toml(drawn)), walk_all(as_toml(turned)))
        except AssertionError as fault:
            fault.add_note(f"scenario {number}:\n{as_toml(drawn)}")
            raise
        looked_at += 1
    assert looked_at == 30


# ---- the length of a step ----

SPLIT_H = 1.0 / 64.0
SPLIT_FRAC = 1e-3
MISSED = (k.MISSED_DARK_WH, k.MISSED_SHED_WH, k.MISSED_LIMIT_WH)


def split(text: str) -> tuple[Walked, battery.Walk]:
    """The bank as proposed, and the same with segments of at most a 64th of an hour."""
    walked = walk_all(text)
    base = battery.stack_lanes([engine.pack(walked.setting.scenario) | {"step_h": SPLIT_H}])
    finer = battery.walk(base, walked.setting.inputs, walked.curves, walked.capacities, walked.start[:1], watch=[0], threads=1)
    return walked, finer


def season(number: int, days: int) -> str:
    """A drawn scenario whose last stay lasts so many days."""
    drawn = draw_scenario(Random(number))
    last = drawn["stop"][-1]
    last["depart"] = date(*last["depart"].timetuple()[:3]) + timedelta(days=days)
    return as_toml(drawn)


@pytest.mark.parametrize("days", [0, 90])
def test_splitting_the_hour_moves_little_and_no_flat_day(days: int) -> None:
    missed = 0
    for number in range(300, 340 if days == 0 else 308):
        walked, finer = split(season(number, days))
        one, many = walked.walk.hours[0], finer.hours[0]
        load_wh = one[:, k.LOAD_WH].sum()
        for column in MISSED:
            moved = abs(one[:, column].sum() - many[:, column].sum())
            assert moved <= SPLIT_FRAC * max(load_wh, 1.0), f"scenario {number}: {column}, {moved:.4f} of {load_wh:.1f} Wh"
        if days:
            missed_wh, finer_wh = (hours[:, list(MISSED)].sum() for hours in (one, many))
            assert abs(missed_wh - finer_wh) <= SPLIT_FRAC * max(missed_wh, 1.0), f"scenario {number}: missed"
        assert flat_mask(walked.walk.days[0]).sum() == flat_mask(finer.days[0]).sum(), f"scenario {number}"
        missed += one[:, k.MISSED_DARK_WH].sum() > 0.0
    assert missed > 2


# ---- elsewhere on the globe ----


def moved_by(drawn: Table, zones: int) -> Table:
    """The itinerary moved east by so many zones of 15 degrees, with the same clock on the wall."""
    moved = copy.deepcopy(drawn)
    for stop in moved["stop"]:
        stop["longitude_deg"] = (stop["longitude_deg"] + 15.0 * zones + 180.0) % 360.0 - 180.0
        # The sign of these names is turned: Etc/GMT-3 lies east of Greenwich.
        stop["zone"] = f"Etc/GMT{-zones:+d}"
    return moved


def itinerary(number: int) -> Table:
    """A drawn system on a route near Greenwich, under a clear sky."""
    drawn = draw_scenario(Random(number))
    chance = Random(number)
    drawn["vehicle"]["heading_deg"] = 40
    drawn["weather"] = {"clear": True, "temp_c": 12}
    day = date(2026, chance.randint(1, 12), 11)
    names = [stop["name"] for stop in drawn["stop"]]
    stops = []
    for name in names:
        latitude = chance.uniform(-50.0, 50.0) if not stops else stops[-1]["latitude_deg"] + 0.5
        stop = {"name": name, "latitude_deg": round(latitude, 3), "longitude_deg": 1.5, "elevation_m": 150, "zone": "Etc/GMT"}
        stop |= {"arrive": day, "depart": day + timedelta(days=4), "drive_h": 1.5}
        day = stop["depart"]
        stops.append(stop)
    del stops[0]["drive_h"]
    drawn["stop"] = stops
    return drawn


DRIFT_FRAC = 0.01
"""In half a day the sun's declination moves by at most 0.2 degrees, and the clear sky's light of a day below 50 degrees of
latitude by at most 0.7 % (calculated: 0.2 degrees x 1.2 to 3.5 %/degree of a day's light at the equinox)."""


@pytest.mark.parametrize("zones", [-11, -4, 7, 12])
def test_moving_the_itinerary_by_whole_zones_moves_the_answer_with_it(zones: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Same clock, same sun, but for its drift in so many hours; the haze of the place, which no zone moves, is held."""
    monkeypatch.setattr("simulator.weather.sky._turbidity", lambda utc, latitude_deg, longitude_deg: np.full(len(utc), 3.0))
    for number in range(400, 408):
        drawn = itinerary(number)
        home, away = walk_all(as_toml(drawn)), walk_all(as_toml(moved_by(drawn, zones)))
        assert home.setting.timeline.dates == away.setting.timeline.dates
        assert np.array_equal(home.setting.timeline.local_hour, away.setting.timeline.local_hour)
        hours = (away.setting.timeline.utc - home.setting.timeline.utc) / np.timedelta64(1, "h")
        assert (np.asarray(hours) == -zones).all()
        sun, sun_away = (walked.walk.days[0, :, k.DAY_SUN_OFFERED_WH] for walked in (home, away))
        assert np.allclose(sun, sun_away, rtol=DRIFT_FRAC, atol=0.5), f"scenario {number}: sun of a day"
        assert home.walk.hours[0, :, k.LOAD_WH] == pytest.approx(away.walk.hours[0, :, k.LOAD_WH], rel=1e-3, abs=0.5)
        lowest, lowest_away = (walked.walk.days[0, :, k.DAY_LOWEST_SOC] for walked in (home, away))
        assert np.allclose(lowest, lowest_away, atol=0.03), f"scenario {number}: charge\n{as_toml(drawn)}"
        flat, flat_away = (int(flat_mask(walked.walk.days[0]).sum()) for walked in (home, away))
        assert abs(flat - flat_away) <= 1, f"scenario {number}: {flat} flat days, moved {flat_away}"


# ---- parts and sums ----


def test_a_year_equals_its_parts_with_carried_state() -> None:
    """Every lane of a whole scenario, cut anywhere, to the bit."""
    walked = walk_all(season(17, 365))
    hours = walked.setting.timeline.hours
    assert hours > 8760
    chance = np.random.default_rng(2)
    for cuts in ((0, 4380, hours), (0, *sorted(chance.integers(1, hours, 11)), hours)):
        state, days, pieces = walked.start, np.zeros_like(walked.walk.days), []
        days[:, :, k.DAY_LOWEST_SOC] = 1.0
        for first, last in pairwise(int(cut) for cut in cuts):
            piece = battery.hours_of(walked.setting.inputs, first, last)
            watch = range(len(walked.lanes.capacity_ah))
            part = battery.walk(walked.lanes, piece, walked.curves, walked.capacities, state, watch=watch, threads=2)
            state = part.state
            pieces.append(part.hours)
        assert np.array_equal(np.concatenate(pieces, axis=1), walked.walk.hours)
        assert np.array_equal(state, walked.walk.state)


def test_files_of_days_are_sums_of_files_of_hours(tmp_path: Path) -> None:
    """As a spreadsheet would add them up; days are keyed by their number, since a date can repeat."""
    for number in (3, 16, 21):
        file = tmp_path / f"{number}.toml"
        file.write_text(as_toml(draw_scenario(Random(number))), encoding="utf-8")
        assert main(["run", str(file), "--out", str(tmp_path / str(number)), "--no-page"]) == 0
        with (tmp_path / str(number) / "days.csv").open(encoding="utf-8", newline="") as stream:
            days = list(csv.DictReader(stream))
        with (tmp_path / str(number) / "hours.csv").open(encoding="utf-8", newline="") as stream:
            hours = list(csv.DictReader(stream))
        total = json.loads((tmp_path / str(number) / "summary.json").read_text(encoding="utf-8"))
        for of_hour, of_day, whole in (
            ("load_w", "load_wh", "load_wh"),
            ("solar_offered_w", "solar_offered_wh", "solar_offered_wh"),
            ("solar_used_w", "solar_used_wh", "solar_used_wh"),
            ("dark_h", "dark_h", None),
        ):
            sum_h, sum_d = (sum(float(row[name]) for row in rows) for rows, name in ((hours, of_hour), (days, of_day)))
            assert sum_h == pytest.approx(sum_d, abs=0.005 * len(hours) + 0.05 * len(days)), of_day
            if whole is not None:
                assert sum_d == pytest.approx(total[whole], abs=0.05 * len(days) + 0.1), whole
        dates = [row["date"] for row in days]
        if len(set(dates)) == len(dates):
            for row in days:
                of_date = [each for each in hours if each["local"].startswith(row["date"])]
                assert float(row["load_wh"]) == pytest.approx(sum(float(each["load_w"]) for each in of_date), abs=0.3)
                assert float(row["lowest_soc"]) <= min(float(each["soc"]) for each in of_date) + 1e-4
        assert total["days"] == len(days)


CLOCK_CHANGES = (
    ("America/New_York", 40.7, -74.0, "2026-03-08"),
    ("America/New_York", 40.7, -74.0, "2026-11-01"),
    ("Australia/Lord_Howe", -31.55, 159.08, "2026-04-05"),
    ("Australia/Lord_Howe", -31.55, 159.08, "2026-10-04"),
    ("America/Havana", 23.1, -82.4, "2026-03-08"),
    ("America/Havana", 23.1, -82.4, "2026-11-01"),
    ("Asia/Beirut", 33.9, 35.5, "2026-03-29"),
    ("America/Santiago", -33.4, -70.7, "2026-04-05"),
    ("America/Santiago", -33.4, -70.7, "2026-09-06"),
    ("America/Sao_Paulo", -23.5, -46.6, "2018-11-04"),
    ("America/Sao_Paulo", -23.5, -46.6, "2019-02-17"),
    ("Asia/Tehran", 35.7, 51.4, "2022-09-21"),
    ("Antarctica/Troll", -72.0, 2.5, "2026-03-29"),
    ("Antarctica/Troll", -72.0, 2.5, "2026-10-25"),
    ("Pacific/Apia", -13.8, -171.8, "2011-12-30"),
)
COUNTED = (
    ({"power_w": 50, "hours_per_day": 5}, 250.0),
    ({"power_w": 50, "hours_per_day": 24}, 1200.0),
    ({"power_w": 90, "wh_per_day": 700}, 700.0),
    ({"wh_per_day": 333}, 333.0),
    ({"power_w": 40, "uses": {"per_day": 8, "minutes": 15}}, 80.0),
    ({"power_w": 30, "clock": ["00:00-05:00", "20:00-24:00"]}, 270.0),
    ({"power_w": 30, "clock": ["22:30-03:15"]}, 142.5),
    ({"power_w": 5, "kind": "lights", "hours_per_day": 4}, 20.0),
)


@pytest.mark.parametrize(("zone", "latitude_deg", "longitude_deg", "change"), CLOCK_CHANGES)
def test_days_of_23_and_25_hours_lose_no_energy(zone: str, latitude_deg: float, longitude_deg: float, change: str) -> None:
    """What is counted by the day takes the audit's energy on each day, also on the one that the clock bends."""
    day = date.fromisoformat(change)
    stop = {"name": "here", "latitude_deg": latitude_deg, "longitude_deg": longitude_deg, "zone": zone, "elevation_m": 10}
    stop |= {"arrive": day - timedelta(days=3), "depart": day + timedelta(days=3)}
    scenario: Table = {
        "vehicle": {"bus_v": 12, "standing_draw_w": 0},
        "bank": {"chemistry": "lfp", "unit_ah": 100},
        "weather": {"clear": True},
        "appliance": [],
        "stop": [stop],
    }
    lengths: set[int] = set()
    for pattern, wh_per_day in COUNTED:
        scenario["appliance"] = [{"name": "it", **pattern}]
        walked = walk_all(as_toml(scenario))
        load_wh = walked.walk.days[0, :, k.DAY_LOAD_WH]
        assert load_wh == pytest.approx(np.full(len(load_wh), wh_per_day), rel=1e-9), (pattern, load_wh)
        lengths |= set(np.bincount(walked.setting.timeline.local_day).tolist())
    assert lengths - {HOURS_PER_DAY} or zone in ("Australia/Lord_Howe", "Pacific/Apia"), "half an hour bends no whole hour"


def test_what_runs_round_the_clock_counts_every_real_hour() -> None:
    """The other side: 1 W day and night takes 23 Wh on a day of 23 hours."""
    scenario = parse_scenario(
        """
        [vehicle]
        standing_draw_w = 1
        [bank]
        chemistry = "lfp"
        unit_ah = 100
        [weather]
        clear = true
        [[stop]]
        latitude_deg = 40.7
        longitude_deg = -74.0
        arrive = 2026-03-07
        depart = 2026-03-09
        """
    )
    assert simulate(scenario).days[0, :, k.DAY_LOAD_WH] == pytest.approx([24.0, 23.0, 24.0])


# ---- the same bytes ----


def test_threads_and_blocks_change_no_bit_of_the_answer() -> None:
    for number in (2, 9, 33, 47):
        text = as_toml(draw_scenario(Random(number)))
        alone = summary_text(simulate(parse_scenario(text), threads=1))
        for threads in (2, 3, 16, None):
            assert summary_text(simulate(parse_scenario(text), threads=threads)) == alone
        walked = walk_all(text)
        count = len(walked.lanes.capacity_ah)
        for first in range(count):
            # A lane in a block of its own.
            lane = k.Lanes(*(values[first : first + 1] for values in walked.lanes))
            one = battery.walk(
                lane, walked.setting.inputs, walked.curves, walked.capacities, walked.start[first : first + 1], watch=[0]
            )
            assert np.array_equal(one.hours[0], walked.walk.hours[first])
            assert np.array_equal(one.days[0], walked.walk.days[first])


RUNS = """
import hashlib, sys
from pathlib import Path
from simulator import parse_scenario, simulate
from simulator.record import days_table, hours_table, summary_text
for file in sys.argv[1:]:
    outcome = simulate(parse_scenario(Path(file).read_text(encoding="utf-8")))
    for text in (summary_text(outcome), days_table(outcome).to_csv(), hours_table(outcome).to_csv()):
        print(hashlib.sha256(text.encode()).hexdigest())
"""


def test_another_process_gives_the_same_bytes(tmp_path: Path) -> None:
    """Whatever the order of sets and names in its memory, and however many processors it counts."""
    files = []
    for number in range(60, 68):
        files.append(tmp_path / f"{number}.toml")
        files[-1].write_text(as_toml(draw_scenario(Random(number))), encoding="utf-8")
    printed = []
    for seed in ("1", "77"):
        environment = {**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": os.pathsep.join(path for path in sys.path if path)}
        environment |= {"TZ": "Asia/Kathmandu", "LC_ALL": "C"} if seed == "77" else {}
        command: list[Any] = [sys.executable, "-c", RUNS, *map(str, files)]
        printed.append(subprocess.run(command, check=True, env=environment, capture_output=True, timeout=300).stdout)
    assert printed[0] == printed[1] and len(printed[0].split()) == 3 * len(files)
