"""Laws that hold on whole scenarios drawn by chance, from the text to the answer.

``pytest tests/test_random_scenarios.py`` draws 1,000 of them, the same ones every time.
``FLATDAYS_LAWS=20000 pytest -s tests/test_random_scenarios.py`` draws as many as it says and prints the counts;
``FLATDAYS_LAWS_FROM=1000000`` begins with another number. Scenario n depends on n alone: a failure names it and prints its text,
and ``FLATDAYS_LAWS=5 FLATDAYS_LAWS_FROM=n`` begins with it.

What the hour loop booked is recomputed from outside: stored energy from the series of charge and the curve, loads and sun from
the rows that went in, days from hours.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import numpy as np
import pytest
from hypothesis import given
from random_scenarios import as_toml, draw_scenario, scenarios, with_slips
from random_systems import PROFILE, PROFILE_TEXT
from whole_walks import Walked, walk_all

from simulator import battery, parse_scenario, simulate, timeline
from simulator.battery import kernel as k
from simulator.errors import InputError
from simulator.outcome import flat_mask
from simulator.record import days_table, hours_table, summary_text
from simulator.report.tables import answer_lines

CLOSURE = 1e-9
"""Every ledger closes to this share of max(throughput, 1 Wh) in every hour of every lane."""
ROUNDING = 4e-16
"""Of the stored energy itself, which is recomputed here as a difference of two large numbers."""
TINY_C = 1e-9
LANDING = 1000
SLIPS_SHARE = 5
"""One scenario with slips in it for every five without."""
TABLES_EVERY = 5
"""Tables and printed answer are looked at in every fifth scenario, which saves time."""
SPILLED = (
    k.SPILLED_CONTROLLER_WH,
    k.SPILLED_FULL_WH,
    k.SPILLED_ACCEPTANCE_WH,
    k.SPILLED_LIMIT_WH,
    k.REFUSED_COLD_WH,
    k.REFUSED_HOT_WH,
    k.REFUSED_HIGH_WH,
)
BY_CAUSE = (k.MISSED_DARK_WH, k.MISSED_SHED_WH, k.MISSED_LIMIT_WH)
BY_PRIORITY = (k.MISSED_ESSENTIAL_WH, k.MISSED_COMFORT_WH, k.MISSED_LUXURY_WH)
BROUGHT = (k.OTHER_WH, k.SHORE_WH, k.DRIVE_WH, k.GENERATOR_WH)
LOSSES = (k.LOSS_OHMIC_WH, k.LOSS_CHARGING_WH, k.LOSS_SELF_WH)


@dataclass
class Counts:
    """What was seen."""

    scenarios: int = 0
    refused: int = 0
    lane_hours: int = 0
    flat: int = 0
    dark_hours: int = 0
    limited_hours: int = 0
    shed_hours: int = 0
    locked_hours: int = 0
    generator_hours: int = 0
    most_segments: int = 0
    worst_closure: float = 0.0
    seconds: float = 0.0
    refusals: dict[str, int] = field(default_factory=dict)

    def __str__(self) -> str:
        each_ms = 1000.0 * self.seconds / max(self.scenarios, 1)
        return (
            f"{self.scenarios:,} scenarios, {self.refused} refused with sentences, {self.flat:,} with flat days, "
            f"{each_ms:.0f} ms each\n"
            f"{self.lane_hours:,} lane-hours, of them {self.dark_hours:,} dark, {self.limited_hours:,} overloaded, "
            f"{self.shed_hours:,} with loads switched off, {self.locked_hours:,} locked by cold, "
            f"{self.generator_hours:,} of generator\n"
            f"worst closure {self.worst_closure:.1e} of max(throughput, 1 Wh), at most {self.most_segments} segments an hour"
        )


def integral(volts: np.ndarray, soc: np.ndarray) -> np.ndarray:
    """Integral from 0 to soc of a column that is linear between nodes."""
    whole = np.concatenate([[0.0], np.cumsum(0.5 * (volts[1:] + volts[:-1]))]) / k.NODES
    cell = np.clip(np.floor(soc * k.NODES).astype(int), 0, k.NODES - 1)
    part = soc * k.NODES - cell
    here = volts[cell] + part * (volts[cell + 1] - volts[cell])
    return np.asarray(whole[cell] + 0.5 * (volts[cell] + here) * part / k.NODES)


def columns(hours: np.ndarray, fields: tuple[int, ...]) -> np.ndarray:
    return hours[..., list(fields)].sum(axis=-1)


# ---- the laws, each over (lanes, hours) ----


def check_numbers(walked: Walked) -> None:
    for name, array in walked.setting.inputs._asdict().items():
        assert np.isfinite(array).all(), f"a number of {name} is none"
    assert (walked.setting.inputs.sun_w >= 0.0).all() and (walked.setting.inputs.load_w >= 0.0).all()
    assert (walked.setting.inputs.source_a >= 0.0).all()
    for array in (walked.walk.hours, walked.walk.days, walked.walk.totals, walked.walk.state):
        assert np.isfinite(array).all()


def check_ledgers(walked: Walked) -> float:
    """Energy, time, sun, loads and causes; returns the worst closure."""
    hours, lanes, inputs = walked.walk.hours, walked.lanes, walked.setting.inputs
    through = columns(hours, (k.SUN_OFFERED_WH, *BROUGHT, k.LOAD_WH, k.CHARGED_WH, k.DISCHARGED_WH))
    unit = np.maximum(through, 1.0)
    soc = walked.series(k.SOC, k.SOC_END)
    level_wh = lanes.capacity_ah[:, None] * integral(walked.curve[:, k.OCV], soc)
    stored_wh = np.diff(level_wh, axis=1)
    served_wh = hours[:, :, k.LOAD_WH] - columns(hours, BY_CAUSE)
    brought_wh = hours[:, :, k.SUN_USED_WH] + columns(hours, BROUGHT)
    spent_wh = served_wh + hours[:, :, k.STANDBY_WH] + hours[:, :, k.HEATER_WH]
    net_wh = hours[:, :, k.CHARGED_WH] - hours[:, :, k.DISCHARGED_WH]
    lost_wh = columns(hours, LOSSES)
    rounding = ROUNDING * level_wh.max(axis=1)[:, None]
    worst = 0.0
    for what, open_wh in (
        ("cells", np.maximum(np.abs(net_wh - lost_wh - stored_wh) - rounding, 0.0)),
        ("bus", np.abs(brought_wh - net_wh - spent_wh)),
        ("whole", np.maximum(np.abs(brought_wh - spent_wh - lost_wh - stored_wh) - rounding, 0.0)),
        ("sun", np.abs(hours[:, :, k.SUN_OFFERED_WH] - hours[:, :, k.SUN_USED_WH] - columns(hours, SPILLED))),
        ("missed by cause and by priority", np.abs(columns(hours, BY_CAUSE) - columns(hours, BY_PRIORITY))),
        ("residual", hours[:, :, k.RESIDUAL_WH]),
    ):
        share = float((open_wh / unit).max())
        assert share <= CLOSURE, f"{what}: {share:.2e} of throughput is open"
        worst = max(worst, share)
    assert hours[:, :, k.RESIDUAL_H].max() <= 1e-9, "segments sum to the hour"
    asked_w = inputs.load_w[lanes.load_row, :, -1]
    peak_h = inputs.peak_h[lanes.load_row]
    asked_wh = ((1.0 - peak_h) * asked_w[..., k.REST_W] + peak_h * asked_w[..., k.PEAK_W]) * lanes.load_scale[:, None]
    assert np.allclose(hours[:, :, k.LOAD_WH], asked_wh, rtol=1e-12, atol=1e-12), "the load that went in"
    sun_wh = inputs.sun_w[lanes.sun_row, :, 2] * lanes.sun_scale[:, None]
    assert np.allclose(hours[:, :, k.SUN_OFFERED_WH], sun_wh, rtol=1e-12, atol=1e-12), "the sun that went in"
    flows = hours[:, :, k.LOAD_WH : k.DISCHARGED_AH + 1]
    assert (flows >= -CLOSURE * unit[..., None]).all(), "no flow runs backwards"
    assert (hours[:, :, k.MISSED_DARK_WH] <= hours[:, :, k.LOAD_WH] + CLOSURE * unit).all()
    assert np.allclose(walked.walk.totals[:, k.LOAD_WH], hours[:, :, k.LOAD_WH].sum(axis=1), rtol=1e-12)
    assert hours[:, :, k.SEGMENTS].max() <= k.MAX_EVENTS
    return worst


def check_bounds(walked: Walked) -> None:
    """Charge, temperature locks and amperes."""
    hours, lanes = walked.walk.hours, walked.lanes
    soc = walked.series(k.SOC, k.SOC_END)
    assert soc.min() >= 0.0
    assert (soc <= lanes.target_soc[:, None] + 1e-12).all()
    assert (hours[:, :, k.SOC_LOWEST] <= np.minimum(soc[:, 1:], soc[:, :-1]) + 1e-12).all()
    cell_c = walked.series(k.CELL_C, k.CELL_END_C)
    coldest_c, hottest_c = np.minimum(cell_c[:, :-1], cell_c[:, 1:]), np.maximum(cell_c[:, :-1], cell_c[:, 1:])
    charged = hours[:, :, k.CHARGED_WH] > 0.0
    # The plan of the hour and what came of it are added up in another order: they part in the last digit.
    assert not (charged & (coldest_c < lanes.charge_min_c[:, None] - TINY_C)).any(), "charged in the cold"
    assert not (charged & (hottest_c > lanes.charge_max_c[:, None] + TINY_C)).any(), "charged in the heat"
    planned = (lanes.heater_from_bank == 0.0)[:, None]
    # A heater on the bank may end within the hour, with the bank: what was decided on its heat is then too warm.
    locked = hours[:, :, k.LOCKED_H] > 0.0
    assert not (charged & locked & planned).any(), "charged while locked"
    still = locked[:, :-1] & (coldest_c[:, 1:] < lanes.charge_resume_c[:, None] - TINY_C) & planned
    assert locked[:, 1:][still].all(), "a lock holds until the cells are warm enough at both ends"
    reduced = coldest_c < lanes.charge_full_c[:, None] - TINY_C
    limit_a = np.where(reduced, lanes.charge_cold_limit_a[:, None], lanes.charge_limit_a[:, None])
    assert (hours[:, :, k.CHARGED_AH] <= limit_a * (1.0 + 1e-9) + 1e-12).all(), "charge limit"
    assert (hours[:, :, k.DISCHARGED_AH] <= lanes.discharge_limit_a[:, None] * (1.0 + 1e-9) + 1e-12).all(), "discharge limit"
    asleep = walked.setting.inputs.source_a[lanes.source_row][:, :, k.AWAKE] == 0.0
    for fields in (BROUGHT, (k.STANDBY_WH,), (k.LOAD_WH,)):
        assert not (columns(hours, fields)[asleep] > 0.0).any(), "a vehicle stored disconnected draws and charges nothing"


def check_causes(walked: Walked) -> None:
    """Missed load has a booked cause, and the cause was there."""
    hours, lanes = walked.walk.hours, walked.lanes
    bank = walked.setting.scenario.bank
    unit = np.maximum(columns(hours, (k.LOAD_WH, k.SUN_OFFERED_WH, *BROUGHT)), 1.0)
    tiny = CLOSURE * unit
    dark = hours[:, :, k.MISSED_DARK_WH] > tiny
    cell_c = walked.series(k.CELL_C, k.CELL_END_C)
    start_c, end_c = cell_c[:, :-1], cell_c[:, 1:]
    grid_c = k.CAPACITY_COLD_C + k.CAPACITY_STEP_C * np.arange(k.CAPACITY_NODES)
    shares = [np.interp(each, grid_c, walked.capacities[row]) for each, row in zip(start_c, lanes.curve_row, strict=True)]
    floor = 1.0 - np.stack(shares) * (1.0 - lanes.floor_soc[:, None])
    by_volts = (hours[:, :, k.INVERTER_OFF_H] > 0.0) | (hours[:, :, k.LOW_V_H] > 0.0)
    if battery.pack_lane(bank)["well_c"] == 1.0:
        at_floor = hours[:, :, k.SOC_LOWEST] <= floor + 1e-9
        outside = (np.minimum(start_c, end_c) < lanes.discharge_min_c[:, None] + 1e-9) | (
            np.maximum(start_c, end_c) > lanes.discharge_max_c[:, None] - 1e-9
        )
        latched = np.zeros(dark.shape, dtype=bool)
        if bank.reconnect_soc > bank.cutoff_soc:
            # A latched bank stays dark until enough has come back, however high its charge is by then.
            for hour in range(1, dark.shape[1]):
                latched[:, hour] = at_floor[:, hour - 1] | latched[:, hour - 1]
        assert (at_floor | outside | latched | by_volts)[dark].all(), "dark above the floor"
    inverter = walked.setting.scenario.inverter
    if inverter is None or inverter.cutoff_v == 0.0:
        assert (hours[:, :, k.INVERTER_OFF_H] == 0.0).all()
    if bank.cutoff_v == 0.0:
        assert (hours[:, :, k.LOW_V_H] == 0.0).all()
    if walked.setting.scenario.switch_off is None:
        assert (hours[:, :, k.MISSED_SHED_WH] == 0.0).all()
    limited = (hours[:, :, k.MISSED_LIMIT_WH] > tiny) & (hours[:, :, k.SEGMENTS] == 1.0)
    resistance_ohm = lanes.resistance_ohm[:, None] * np.exp(
        lanes.resistance_per_c[:, None] * (25.0 - np.clip(start_c, -30.0, 60.0))
    )
    floor_v = np.interp(floor, np.linspace(0.0, 1.0, k.NODES + 1), walked.curve[:, k.OCV])
    root_a = np.divide(0.45 * floor_v, resistance_ohm, out=np.full(floor.shape, np.inf), where=resistance_ohm > 0.0)
    limit_a = np.minimum(lanes.discharge_limit_a[:, None], root_a)
    assert hours[:, :, k.DISCHARGED_AH][limited] == pytest.approx(limit_a[limited], rel=1e-9), "limited below the limit"
    essential = hours[:, :, k.ESSENTIAL_DARK_WH] > tiny
    assert (hours[:, :, k.DARK_H][essential] > 0.0).all()
    assert (hours[:, :, k.ESSENTIAL_DARK_WH][hours[:, :, k.DARK_H] == 0.0] == 0.0).all()
    assert ((hours[:, :, k.DARK_H] >= 0.0) & (hours[:, :, k.DARK_H] <= 1.0 + 1e-9)).all()


def check_days(walked: Walked) -> None:
    """Days are sums of their hours, and the audit is what was laid into them."""
    hours, clock, load = walked.walk.hours, walked.setting.timeline, walked.setting.load
    first = timeline.day_starts(clock.local_day)
    for column, of_day in (
        (k.LOAD_WH, k.DAY_LOAD_WH),
        (k.ESSENTIAL_DARK_WH, k.DAY_MISSED_WH),
        (k.DARK_H, k.DAY_DARK_H),
        (k.SUN_OFFERED_WH, k.DAY_SUN_OFFERED_WH),
        (k.SUN_USED_WH, k.DAY_SUN_USED_WH),
        (k.FULL_H, k.DAY_FULL_H),
    ):
        summed = np.add.reduceat(hours[:, :, column], first, axis=1)
        assert np.allclose(walked.walk.days[:, :, of_day], summed, rtol=1e-12, atol=1e-12), column
    lowest = np.minimum.reduceat(hours[:, :, k.SOC_LOWEST], first, axis=1)
    assert np.array_equal(walked.walk.days[:, :, k.DAY_LOWEST_SOC], lowest)
    audited_wh = sum(row.wh_per_day for row in load.audit) * clock.days
    assert float(load.dc_w[-1].sum()) == pytest.approx(audited_wh, rel=1e-9, abs=1e-6), "audit and hours"
    assert (walked.setting.inputs.load_w[:, clock.stored, :, :] == 0.0).all(), "what is off the road draws nothing"


def check_answer(walked: Walked, *, tables: bool) -> None:
    """The answer that people and programs read."""
    outcome = walked.outcome
    assert outcome.closure <= CLOSURE
    assert np.array_equal(outcome.hours, walked.walk.hours[0]), "the same bank with or without company"
    assert np.array_equal(outcome.days, walked.walk.days)
    assert len(outcome.flat_days) == int(flat_mask(walked.walk.days[0]).sum())
    read = json.loads(summary_text(outcome), parse_constant=lambda word: pytest.fail(f"{word} in the summary"))
    assert len(read["flat_days"]) == len(outcome.flat_days)
    assert all(day["cause"] for day in read["flat_days"]) and all(outage["cause"] for outage in read["outages"])
    if not tables:
        return
    by_hour, by_day = hours_table(outcome), days_table(outcome)
    assert not by_hour.isna().to_numpy().any() and not by_day.isna().to_numpy().any()
    clock = outcome.timeline
    for of_hour, of_day in (("load_w", "load_wh"), ("solar_offered_w", "solar_offered_wh"), ("solar_used_w", "solar_used_wh")):
        summed = np.bincount(clock.local_day, weights=by_hour[of_hour], minlength=clock.days)
        # Written to 0.01 W an hour and 0.1 Wh a day.
        assert np.allclose(by_day[of_day], summed, atol=0.005 * 50 + 0.051), of_day
    printed = "\n".join(answer_lines(outcome))
    assert not any(word in printed.lower().split() for word in ("nan", "inf", "-inf", "nat"))


def check(text: str, counts: Counts, *, tables: bool = True, folder: Path | None = None) -> None:
    """All laws on one text."""
    counts.scenarios += 1
    try:
        walked = walk_all(text, folder)
    except InputError as refusal:
        counts.refused += 1
        for sentence in refusal.mistakes:
            assert sentence.strip() and ":" in sentence and len(sentence.split()) > 4, sentence
            counts.refusals[sentence] = counts.refusals.get(sentence, 0) + 1
        return
    check_numbers(walked)
    closure = check_ledgers(walked)
    check_bounds(walked)
    check_causes(walked)
    check_days(walked)
    check_answer(walked, tables=tables)
    hours = walked.walk.hours
    counts.worst_closure = max(counts.worst_closure, closure, walked.outcome.closure)
    counts.lane_hours += hours.shape[0] * hours.shape[1]
    counts.flat += bool(walked.outcome.flat_days)
    counts.dark_hours += int((hours[:, :, k.MISSED_DARK_WH] > 1e-6).sum())
    counts.limited_hours += int((hours[:, :, k.MISSED_LIMIT_WH] > 1e-6).sum())
    counts.shed_hours += int((hours[:, :, k.MISSED_SHED_WH] > 1e-6).sum())
    counts.locked_hours += int((hours[:, :, k.LOCKED_H] > 0.0).sum())
    counts.generator_hours += int((hours[:, :, k.GENERATOR_H] > 0.0).sum())
    counts.most_segments = max(counts.most_segments, int(hours[:, :, k.SEGMENTS].max()))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    place = tmp_path_factory.mktemp("scenarios")
    (place / PROFILE).write_text(PROFILE_TEXT, encoding="utf-8")
    yield place


def text_of(number: int) -> str:
    """Scenario n."""
    return as_toml(draw_scenario(Random(number), files=True))


def check_all(what: str, draw: Callable[[int], str], share: int, folder: Path, capsys: pytest.CaptureFixture[str]) -> Counts:
    """One in ``share`` of as many texts as are asked for."""
    first, count = int(os.environ.get("FLATDAYS_LAWS_FROM", "0")), int(os.environ.get("FLATDAYS_LAWS", str(LANDING))) // share
    counts = Counts()
    began = time.perf_counter()
    for number in range(first, first + count):
        text = draw(number)
        try:
            check(text, counts, tables=number % TABLES_EVERY == 0, folder=folder)
        except Exception as fault:
            fault.add_note(f"{what} {number}, of tests/random_scenarios.py:\n{text}")
            raise
    counts.seconds = time.perf_counter() - began
    if "FLATDAYS_LAWS" in os.environ:
        with capsys.disabled():
            print(f"\n{what}: {counts}")  # noqa: T201
    return counts


def test_laws_hold_on_whole_scenarios(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    counts = check_all("drawn", text_of, 1, folder, capsys)
    assert counts.refused <= max(0.002 * counts.scenarios, 1.0), counts.refusals
    # What is never met is not tested.
    if counts.scenarios >= LANDING:
        assert 0.1 * counts.scenarios < counts.flat < 0.9 * counts.scenarios
        for seen in ("dark_hours", "limited_hours", "shed_hours", "locked_hours", "generator_hours"):
            assert getattr(counts, seen) > counts.scenarios, seen


def slip_of(number: int) -> str:
    """Slip n."""
    chance = Random(10**9 + number)
    return as_toml(with_slips(chance, draw_scenario(chance, files=True)))


def test_a_slip_is_told_in_sentences_or_lived_through(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One to three numbers of a drawn scenario ten times too large, zero, turned over ...: refused, or all laws hold."""
    counts = check_all("with slips", slip_of, SLIPS_SHARE, folder, capsys)
    if counts.scenarios >= LANDING // SLIPS_SHARE:
        assert 0.1 * counts.scenarios < counts.refused < 0.9 * counts.scenarios


@given(text=scenarios())
def test_laws_hold_on_what_hypothesis_draws(text: str) -> None:
    """Fewer of them, but a failure is shrunk to the smallest scenario that shows it."""
    check(text, Counts())


def test_the_walk_here_is_simulate_itself(folder: Path) -> None:
    for number in range(5):
        text = text_of(number)
        outcome = simulate(parse_scenario(text, folder / "trip.toml"))
        assert summary_text(outcome) == summary_text(walk_all(text, folder).outcome)
