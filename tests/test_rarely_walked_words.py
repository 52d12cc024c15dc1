"""What is said where an answer is seldom met: each sentence follows the figures it is about."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from functools import cache

import pytest

from simulator.engine import simulate
from simulator.report import remedies as remedied
from simulator.report.added import added_lines, hours_text
from simulator.report.budget import _share, budget_lines
from simulator.report.chances import odds_lines
from simulator.report.dates import _safe
from simulator.report.life import life_lines, verdict
from simulator.report.life_page import life_page
from simulator.report.odds_page import odds_page
from simulator.report.page import _ratio_words, render_page
from simulator.report.remedies import remedies_lines
from simulator.report.size_page import size_page
from simulator.report.sizing import size_lines, target_words, value_words
from simulator.report.worksheet import worksheet_lines
from simulator.scenario import parse_scenario
from simulator.studies.added import Effect
from simulator.studies.added_words import read_added
from simulator.studies.budget import BudgetLine, budget
from simulator.studies.dates import SafeSpan
from simulator.studies.life import live
from simulator.studies.odds import odds
from simulator.studies.remedies import remedies
from simulator.studies.sizing import size
from simulator.studies.worksheet import worksheet

TRIP = """
title = "Short stay"
[vehicle]
standing_draw_w = 0
[bank]
chemistry = "{chemistry}"
unit_ah = 60
unit_price = 100
unit_kg = 12
{bank}
[[array]]
name = "roof"
panel = {{ p_w = {panel_w}, price = 50, kg = 4, area_m2 = 0.4 }}
controller = {{ kind = "mppt" }}
[[appliance]]
name = "all"
wh_per_day = {wh}
[[stop]]
name = "Field"
latitude_deg = 51.2
longitude_deg = -0.3
elevation_m = 60
arrive = 2026-09-01
depart = 2026-09-10
weather = {weather}
{stop}
{more}
"""
NORMALS = '{ normals = "London/Gatwick" }'


def trip(chemistry="lfp", wh=200, bank="", panel_w=60, weather=NORMALS, stop="", more=""):
    return parse_scenario(
        TRIP.format(chemistry=chemistry, wh=wh, bank=bank, panel_w=panel_w, weather=weather, stop=stop, more=more)
    )


def one_line(lines):
    return " ".join(" ".join(map(str, lines)).split())


# ---- one more appliance ----


@pytest.mark.parametrize(
    ("hours", "words"),
    [(0.5, "30 min"), (2.0, "2 h"), (1.25, "1 h 15 min"), (0.999, "1 h"), (23.9999, "24 h"), (1 / 12, "5 min")],
)
def test_hours_as_a_person_says_them(hours, words):
    assert hours_text(hours) == words


def effect(**changes):
    usual = {
        "added": (read_added("5 W, 2 h"),),
        "flat_days": (0, 0, 3, 1),
        "flat_days_before": (0, 0, 0, 2),
        "hours": (1.5,),
        "runs_all_hours": (False,),
        "again": (False,),
        "target_frac": 0.75,
        "notes": (),
    }
    return Effect(**usual | changes)


def test_how_long_it_could_run():
    said = one_line(added_lines(effect()))
    assert said.startswith(
        'With "5 W, 2 h" added: no flat day in 2 of 4 years, 1.0 flat days in an average year; without: 3 of 4, 0.5.'
    )
    assert said.endswith("It could run 1 h 30 min a day without a flat day in at least 75% of the years (to five minutes).")
    again = one_line(added_lines(effect(again=(True,))))
    assert again.endswith("(to five minutes; a longer time passes too, but not all between).")
    assert one_line(added_lines(effect(hours=(None,)))).endswith("It could not run five minutes a day " + RULE)
    whole = one_line(added_lines(effect(hours=(24.0,), runs_all_hours=(True,))))
    assert whole.endswith("It could run all of 24 h a day " + RULE)
    two = effect(
        added=(read_added("5 W, 2 h"), read_added("9 W, 1 h")), hours=(1.0, None), runs_all_hours=(False,) * 2, again=(False,) * 2
    )
    said = one_line(added_lines(two))
    assert '"5 W, 2 h" alone could run 1 h a day' in said and '"9 W, 1 h" alone could not run five minutes' in said
    # Two of four years carry it already without: that misses 75 %, and nothing is promised.
    spent = one_line(added_lines(effect(flat_days_before=(0, 0, 1, 2))))
    assert "already without it in more than 25% of the years" in spent and "could run" not in spent


RULE = "without a flat day in at least 75% of the years."


# ---- budget ----


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"audit_wh_per_day": 0.0}, "nothing draws power there"),
        ({"arrives_dark": True, "multiplier": 0.0}, "the bank is dark when these days begin"),
        ({"multiplier": 1.0001}, "just what the audit asks"),
        ({"multiplier": 0.75}, "25% less than the audit"),
        ({"multiplier": 1.5}, "50% more than the audit"),
        ({"multiplier": 3.26}, "3.3 times the audit"),
        ({"open_ended": True, "multiplier": 32.0}, "far above the audit"),
    ],
)
def test_a_budget_beside_the_audit(changes, words):
    line = BudgetLine(
        stop=None,
        month=None,
        days=3,
        audit_wh_per_day=100.0,
        multiplier=1.0,
        wh_per_day=100.0,
        open_ended=False,
        arrives_dark=False,
        limit="flat",
        passes_again=(),
    )
    assert _share(replace(line, **changes)) == words


def test_essential_appliances_have_a_budget_of_their_own():
    music = '[[appliance]]\nname = "music"\nwh_per_day = 100\npriority = "luxury"\n'
    found = budget(trip(weather="{ clear = true }", more=music))
    lines = budget_lines(found)
    assert "With the essential appliances alone: " in one_line(lines)
    assert f"{found.essential[0].wh_per_day:,.0f} Wh a day, where they ask for 200 Wh" in one_line(lines)
    head = next(line for line in lines if line.strip().startswith("stop "))
    assert "essential alone" in head
    assert "essential alone" not in "\n".join(budget_lines(budget(trip(weather="{ clear = true }"))))


def test_a_stay_at_which_nothing_draws_has_no_load():
    """The only appliance runs at noon at the first stop, which is left at nine on the last day."""
    noon = 'power_w = 100\nclock = ["12:00-14:00"]\nstops = ["Field"]'
    text = TRIP.replace("wh_per_day = {wh}", noon)
    text = text.format(chemistry="lfp", bank="", panel_w=60, weather="{ clear = true }", stop="", more=SECOND)
    lines = budget_lines(budget(parse_scenario(text)))
    barn, field = (next(line for line in lines if line.strip().startswith(name)) for name in ("Barn", "Field"))
    assert barn.rstrip().endswith("no load") and field.rstrip().endswith("%")


SECOND = """
[[stop]]
name = "Barn"
latitude_deg = 51.3
longitude_deg = -0.3
elevation_m = 60
drive_h = 0.5
arrive = 2026-09-10
depart = 2026-09-13
weather = { clear = true }
"""


# ---- life ----


@cache
def life():
    return live(trip(weather="{ clear = true, temp_c = 15 }", panel_w=120))


def test_a_life_in_words():
    """The same life with other figures: the words go with them, on the terminal and on the page."""
    found = life()
    assert found.first_flat_year is None
    page = life_page(found)
    assert "The route has no flat day in any year of its life." in page
    assert ("No flat day in its life" in page) != ("No flat day, but a short life" in page)
    assert "No flat day in its life" in life_page(replace(found, years_to_end=25.0))
    assert "No flat day in its life" in life_page(replace(found, years_to_end=9.97)), "printed as 10.0"
    assert "No flat day, but a short life" in life_page(replace(found, years_to_end=1.5))
    late = replace(found, first_flat_year=3)
    words = "The route first has a flat day in year 3, when the bank has shrunk."
    assert words in life_lines(late) and words in life_page(late)
    assert "Flat days in its life" in life_page(late)
    over = replace(found, years_to_end=0.0)
    assert verdict(over) == "This bank (1 x 60 Ah LFP) is at the end of its life already."
    assert "Worn out already" in life_page(over)
    assert "Note" not in life_lines(replace(found, notes=())) and "Note" in life_lines(replace(found, notes=("odd",)))


# ---- a run ----


def test_a_trip_that_carries_narrowly_says_so():
    """Panels bring what the load takes and little more: no flat day, but some with a fifth more load."""
    outcome = simulate(trip(wh=200, panel_w=40, weather="{ clear = true, temp_c = 15 }"))
    counts = outcome.flat_day_counts
    assert counts["base"] == 0 and (outcome.thin.any() or counts["load +20 %"] or counts["sun -15 %"])
    page = render_page(outcome)
    assert 'class="answer thin"' in page and "Carries, but narrowly" in page
    wide = render_page(simulate(trip(wh=20, panel_w=200, weather="{ clear = true, temp_c = 15 }")))
    assert 'class="answer good"' in wide and "Carries, but narrowly" not in wide


def test_other_charging_is_drawn_beside_the_sun():
    hookup = trip(weather="{ clear = true }", stop="hookup = true", more="[shore]\ncharger_a = 10")
    other = 'class="other"'
    assert other in render_page(simulate(hookup))
    assert other not in render_page(simulate(trip(weather="{ clear = true }")))


def test_months_without_load_have_no_ratio():
    assert [_ratio_words(value, value) for value in (None, 0.5, 1.01, 9.0)] == ["no load", "too little", "thin", "enough"]
    assert _ratio_words(9.0, 0.4) == "enough with chargers; by sun alone 0.40"


# ---- odds, dates ----


def test_odds_between_most_and_half():
    found = odds(trip(), 4)
    base = found.flat.copy()
    signs = {}
    for flat_years in range(5):
        base[:] = False
        base[:, :flat_years, 0] = True
        page = odds_page(replace(found, flat=base.copy()))
        signs[flat_years] = re.search(r'class="answer (\w+)"', page)[1], "Carries in more years than not" in page
    assert signs[0] == ("good", False)
    assert signs[1] == ("thin", True)
    assert signs[4] == ("flat", False)


def test_many_short_runs_of_safe_weeks_are_told_by_the_longest():
    def span(month, weeks):
        return SafeSpan(
            date(2026, month, 1), date(2026, month, 8), (date(2026, month - 1, 24), 0.5), (date(2026, month, 15), 0.6), weeks
        )

    several = _safe((span(3, 1), span(5, 7), span(9, 2)), 52)
    assert several == "1 May 2026 to 8 May 2026, and 3 weeks apart from these"
    assert _safe((span(3, 1), span(5, 7)), 52) == "1 March 2026 and 1 May 2026 to 8 May 2026"
    assert _safe((), 52) == "no week is safe" and _safe((span(5, 7),), 7) == "every week looked at is safe"


# ---- remedies ----


@cache
def mended():
    return remedies(trip(wh=260), years=4)


def test_remedies_over_many_years():
    found = mended()
    assert found.flat.any() and found.years == 4
    lines = remedies_lines(found)
    said = one_line(lines)
    assert "flat days in an average year" in said
    heads = [line for line in lines if line.rstrip().endswith("  change")]
    assert heads and all("years without" in head for head in heads)
    assert all(re.search(r"\d+% \(\d+% to \d+%\)", lines[lines.index(head) + 1]) for head in heads)
    hopeless = found.hopeless
    assert ("Every spell of flat days in every year is cured by something above." in said) == (not hopeless)
    lost = replace(found, spells=tuple(replace(spell, cured_by=()) for spell in found.spells))
    years = len({spell.year for spell in found.spells})
    assert (
        f"In {years} year{'s' if years > 1 else ''} of 4 there are flat days that nothing in reach cures, such as:"
        in one_line(remedies_lines(lost))
    )


def test_pairs_are_named_where_no_single_change_does():
    found = mended()
    pair = replace(found.singles[0], changes=found.singles[0].changes * 2, without_flat=4, left=0.0, flat=found.flat & False)
    assert pair.complete
    part = tuple(remedy for remedy in found.singles if not remedy.complete)
    said = remedied.verdict(replace(found, singles=part, pairs=(pair,)))
    assert said.endswith(f"No single change ends them all; 1 pair of changes does, first: {pair.name}.")
    said = remedied.verdict(replace(found, singles=part, pairs=(pair, pair)))
    assert "2 pairs of changes do, first" in said
    assert remedied.verdict(replace(found, singles=part, pairs=())).endswith("neither one change nor two together.")


def test_spans_and_notes_of_remedies():
    assert remedied._span(date(2026, 5, 3), date(2026, 5, 3)) == "3 May 2026"
    assert remedied._span(date(2026, 5, 3), date(2026, 5, 9)) == "3-9 May 2026"
    assert remedied._span(date(2026, 5, 30), date(2026, 6, 2)) == "30 May - 2 June 2026"
    assert "  - odd" in remedies_lines(replace(mended(), notes=("odd",)))


# ---- sizes ----


@cache
def sized():
    more = """
[generator]
rated_w = 1000
price = 400
kg = 15
[size]
in_parallel = [1, 3]
generator = [false, true]
odds = 0.5
years = 4
"""
    return size(trip(wh=230, more=more), whole=True)


def test_a_target_of_odds():
    found = sized()
    assert target_words(found) == "no flat day in at least 50% of 4 drawn weather years"
    lines = size_lines(found)
    said = one_line(lines)
    assert "with the generator" in said or "without a generator" in said
    assert len(found.front) >= 2
    assert "More safety for more money" in said
    head = next(line for line in lines if line.strip().startswith("price "))
    assert "flat years" in head
    rows = lines[lines.index(head) + 1 :][: len(found.front)]
    prices = [float(re.search(r"[\d,.]+", row)[0].replace(",", "")) for row in rows]
    assert prices == sorted(prices)
    page = size_page(found)
    assert "Years with a flat day" in page


def test_values_of_an_axis_in_words():
    found = sized()
    step = next(step for step in found.steps if step.axis == "generator")
    assert {value_words(step, step.value_from), value_words(step, step.value_to)} == {"with generator", "no generator"}


# ---- worksheet ----


def test_reasons_of_a_trip_with_other_charging():
    """Lead on a hookup: what the worksheet leaves out is told; a bank at the end of its life has no ageing ahead."""
    hookup = {"weather": "{ clear = true }", "stop": "hookup = true", "more": "[shore]\ncharger_a = 30"}
    found = worksheet(trip("agm", wh=600, panel_w=200, **hookup))
    said = one_line(worksheet_lines(found))
    other = re.search(r"Other charging: hookup, engine, generator and other sources bring ([\d,]+) Wh a day", said)
    ledger = found.outcome.ledger
    assert float(other[1].replace(",", "")) == pytest.approx(ledger["shore_wh"] / found.outcome.timeline.days, abs=0.6)
    slow = worksheet(trip("agm", wh=600, panel_w=400, weather="{ clear = true }", bank="charge_limit_a = 6"))
    ledger = slow.outcome.ledger
    lost_wh = (ledger["spilled_acceptance_wh"] + ledger["spilled_charge_limit_wh"]) / slow.outcome.timeline.days
    assert f"Charging: the bank takes charge too slowly for {lost_wh:,.0f} Wh a day" in one_line(worksheet_lines(slow))
    plain = one_line(worksheet_lines(worksheet(trip(weather="{ clear = true }"))))
    assert "Other charging:" not in plain and "Charging: the bank" not in plain
    assert "Ageing:" in plain
    assert "Ageing:" not in one_line(worksheet_lines(worksheet(trip(weather="{ clear = true }", bank="soh_start = 0.8"))))


def test_a_bank_that_is_full_again_every_day():
    """Sun every day: the worksheet bridges dark days that do not come on this route."""
    said = one_line(worksheet_lines(worksheet(trip(weather="{ clear = true }", panel_w=300))))
    assert "on this route the bank is full again after" in said


@pytest.mark.parametrize(("stretch", "words"), [(1.2, "1 day in a usual year"), (3.4, "3 days in a usual year")])
def test_one_day_without_a_full_bank_is_a_day(stretch, words):
    found = odds(trip(), 4)
    said = odds_lines(replace(found, stretch_days=found.stretch_days * 0.0 + stretch))
    assert any(line.startswith(f"Longest stretch without a full bank: {words}, ") for line in said)
