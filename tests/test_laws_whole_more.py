"""More is never worse until the first flat day, on whole scenarios; and, as tests of their own, the cases in which it is.

And what random scenarios have found, each held by the smallest scenario that showed it.
"""

from __future__ import annotations

import copy
import re
from itertools import pairwise
from random import Random

import numpy as np
import pytest
from random_scenarios import as_toml, draw_scenario
from random_systems import Table
from whole_walks import Walked, walk_all

from simulator import parse_scenario, simulate
from simulator.battery import kernel as k
from simulator.errors import InputError
from simulator.outcome import flat_mask

# ---- more is not worse, until the first flat day ----


def of_the_law(number: int) -> Table:
    """A drawn scenario of the class for which the law holds.

    Lithium that neither leaks nor feeds electronics of its own, on any route, in any weather and place, with any panels, hookups,
    alternators and other sources; but nothing that switches by charge or voltage, no heater, and no burner whose fan hangs on
    the bank. What is beyond has tests of its own below.
    """
    chance = Random(1_000_000 + number)
    drawn = draw_scenario(chance)
    while drawn["bank"]["chemistry"] != "lfp":
        drawn = draw_scenario(chance)
    for key in ("generator", "switch_off", "cable"):
        drawn.pop(key, None)
    drawn["bank"].pop("heater", None)
    drawn["bank"] |= {"self_discharge_frac_per_day": 0, "standby_w": 0, "cutoff_v": 0, "charge_max_v": 0}
    drawn["vehicle"].setdefault("standing_draw_w", 3)
    drawn["appliance"] = [table for table in drawn["appliance"] if table.get("follows") != "heating"]
    if "inverter" in drawn:
        drawn["inverter"].pop("restart_v", None)
        drawn["inverter"] |= {"cutoff_v": 0, "always_on": drawn["inverter"].get("always_on", True)}
    return drawn


def first_flat(walked: Walked) -> int:
    """Number of the first flat day of the bank as proposed; the days of the trip if there is none."""
    flat = np.flatnonzero(flat_mask(walked.walk.days[0]))
    return int(flat[0]) if len(flat) else walked.setting.timeline.days


def overloaded(walked: Walked) -> bool:
    return bool((walked.walk.hours[0, :, k.MISSED_LIMIT_WH] > 0.0).any())


MORE_SCENARIOS = 45


def test_more_of_anything_never_brings_the_first_flat_day_forward() -> None:
    """More bank, more sun or less load, each as a person would write it."""
    looked_at = flat = later = 0
    for number in range(MORE_SCENARIOS):
        drawn = of_the_law(number)
        base = walk_all(as_toml(drawn))
        if overloaded(base):
            # Beyond the law: see the larger bank that serves what the smaller one refuses.
            continue
        looked_at += 1
        more: dict[str, Table] = {}
        more["bank"] = copy.deepcopy(drawn)
        more["bank"]["bank"]["in_parallel"] += 1 + number % 2
        if drawn["array"]:
            more["sun"] = copy.deepcopy(drawn)
            more["sun"]["array"][0]["in_parallel"] += 1 + number % 3
        if len(drawn["appliance"]) > 1:
            more["load"] = copy.deepcopy(drawn)
            del more["load"]["appliance"][number % len(drawn["appliance"])]
        for what, table in more.items():
            other = walk_all(as_toml(table))
            assert first_flat(other) >= first_flat(base), f"{what}, scenario {number}:\n{as_toml(table)}"
            later += first_flat(other) > first_flat(base)
        flat += first_flat(base) < base.setting.timeline.days
    assert looked_at > 0.6 * MORE_SCENARIOS
    assert flat > 0.2 * looked_at, "what never runs flat proves nothing"
    assert later > 5


def small_system(*, units: int = 1, days: int = 12, source: str = "", rest: str = "", appliance: str = "", bank: str = "") -> str:
    return f"""
[vehicle]
standing_draw_w = 0
[bank]
chemistry = "lfp"
in_parallel = {units}
self_discharge_frac_per_day = 0
{bank}
[[appliance]]
name = "it"
{appliance}
{source}
{rest}
[weather]
clear = true
[[stop]]
latitude_deg = 45.0
longitude_deg = 0.0
zone = "Etc/GMT"
arrive = 2026-05-01
depart = 2026-05-{days:02d}
"""


def test_a_larger_bank_serves_what_the_smaller_one_refuses_and_is_empty_sooner() -> None:
    """Why the law stops at overloads: what a limit refuses is not drawn either."""
    how = {
        "bank": "unit_ah = 100\ndischarge_limit_a = 10\nstandby_w = 0\ncutoff_v = 0",
        "appliance": 'power_w = 300\nclock = ["17:00-23:00"]',
        "source": '[[source]]\nwatts = 170\nclock = ["09:00-15:00"]',
    }
    small, large = (walk_all(small_system(units=units, **how)) for units in (1, 2))
    assert first_flat(small) == 12 and overloaded(small)
    assert first_flat(large) < 12


def test_a_larger_bank_may_be_eaten_by_its_own_electronics() -> None:
    """Why the law speaks of banks without standby: what one unit leaves of a thin surplus, eight may eat."""
    how = {
        "bank": "unit_ah = 20\nstandby_w = 0.5\ncutoff_v = 0",
        "appliance": "power_w = 10\nduty_frac = 1.0",
        "source": '[[source]]\nwatts = 43\nclock = ["09:00-15:00"]',
        "days": 30,
    }
    small, large = (walk_all(small_system(units=units, **how)) for units in (1, 8))
    assert first_flat(small) == 30
    assert first_flat(large) < 30


def test_less_load_may_miss_the_hours_of_the_generator() -> None:
    """Why the law stops at generators: a little less is drawn, the start is missed by a hair, and the night is dark."""
    flat = []
    for watts in np.arange(12.0, 20.0, 0.5):
        how = {
            "bank": "unit_ah = 100\nstart_soc = 0.55\nstandby_w = 0\ncutoff_v = 0",
            "appliance": f"power_w = {watts}\nduty_frac = 1.0",
            "rest": '[generator]\nrated_w = 1000\ncharger_a = 30\nstart_soc = 0.3\nstop_soc = 0.6\nwindows = ["18:00-20:00"]',
            "days": 4,
        }
        flat.append(len(walk_all(small_system(**how)).outcome.flat_days))
    assert any(less > more for less, more in pairwise(flat)), flat


# ---- what random scenarios found ----


@pytest.mark.parametrize("target_soc", [1.0, 0.95, 0.9])
@pytest.mark.parametrize("leak", [0.0, 1e-9, 0.00067, 0.1])
def test_a_bank_held_at_its_charge_target_counts_as_full(target_soc: float, leak: float) -> None:
    """Though it leaks a little within the hour; and the time to fill it is known."""
    text = small_system(
        bank=f"unit_ah = 100\ntarget_soc = {target_soc}\nfull_soc = {target_soc}",
        appliance="power_w = 10\nduty_frac = 1.0",
        rest="[shore]\ncharger_a = 30",
        days=6,
    )
    text = text.replace("self_discharge_frac_per_day = 0", f"self_discharge_frac_per_day = {leak}") + "hookup = true\n"
    walked = walk_all(text)
    assert walked.outcome.longest_without_full < 0.5
    (refill,) = walked.outcome.refills
    by_hand_h = 100.0 * (target_soc - refill.from_soc) / 30.0
    # Told to the end of the hour in which it is full; the last part of a whole filling tapers.
    assert refill.hours is not None
    assert by_hand_h - 0.1 <= refill.hours <= by_hand_h + (1.3 if target_soc == 1.0 else 1.0)


@pytest.mark.parametrize(("charger_a", "hour"), [(0.17, None), (0.178, 480), (0.18, 475)])
def test_a_bank_that_fills_in_the_last_hour_that_is_looked_at(charger_a: float, hour: int | None) -> None:
    """Twenty days are looked at: a charger too small for them, one that needs their last hour, one that needs less."""
    how = {"bank": "unit_ah = 100\nstandby_w = 0", "appliance": "wh_per_day = 1", "rest": f"[shore]\ncharger_a = {charger_a}"}
    (refill,) = simulate(parse_scenario(small_system(**how, days=2))).refills
    assert (None if refill.hours is None else int(np.ceil(refill.hours))) == hour


@pytest.mark.parametrize(("key", "wrong"), [("latitude_deg", 991), ("longitude_deg", 7720)])
def test_a_single_stop_in_no_place_is_told(key: str, wrong: int) -> None:
    text = small_system(bank="unit_ah = 100", appliance="wh_per_day = 10")
    with pytest.raises(InputError, match=rf"stop 1.*{key}.*expected a number from"):
        parse_scenario(re.sub(f"{key} = .*", f"{key} = {wrong}", text))


def test_a_battery_lighter_than_any_cell_is_told() -> None:
    with pytest.raises(InputError, match=r"unit_kg.*at least 1\.28 kg for a unit of 1,280 Wh"):
        parse_scenario(small_system(bank="unit_ah = 100\nunit_kg = 0.014", appliance="wh_per_day = 10"))


def test_minus_zero_is_zero() -> None:
    """A resistance of minus zero would turn a limit over, and no number would be one."""
    zero, minus = (
        walk_all(small_system(bank=f"unit_ah = 100\nresistance_ohm = {ohm}", appliance="wh_per_day = 400", days=3))
        for ohm in ("0.0", "-0.0")
    )
    assert np.isfinite(minus.walk.hours).all()
    assert np.array_equal(zero.walk.hours, minus.walk.hours)
