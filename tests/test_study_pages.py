"""The pages and files of odds and life: the same figures as the answer, tidy tables, the frame they share, the map."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from html import unescape

import numpy as np
import pytest

from simulator.cli import main
from simulator.report import axis
from simulator.report.chances import odds_verdict
from simulator.report.files import life_files, odds_files
from simulator.report.frame import Answer, Bars, Fold, Grid, Page, Part, Points, Words, render
from simulator.report.life import verdict
from simulator.report.measures import US
from simulator.report.odds_page import _count_rows, _years_plot, odds_page, week_shares
from simulator.report.page import render_page
from simulator.report.route_map import route_map
from simulator.report.sections import Bar
from simulator.report.tables import answer_lines
from simulator.scenario import parse_scenario
from simulator.scenario.cautions import cautions_of
from simulator.studies.life import live
from simulator.studies.odds import odds
from simulator.timeline import build_timeline

KT = "[0.30, 0.35, 0.40, 0.45, 0.50, 0.52, 0.55, 0.52, 0.47, 0.40, 0.33, 0.28]"
MEAN_C = "[1, 2, 5, 9, 13, 17, 19, 18, 15, 10, 5, 2]"
TRIP = f"""
title = "A dull autumn <i>"
seed = 3
[bank]
chemistry = "lfp"
unit_ah = 100
place = "inside"
[[array]]
name = "roof"
panel = {{ p_w = 100 }}
in_parallel = 3
tilt_deg = 0
azimuth_deg = 180
controller = {{ kind = "mppt" }}
[[appliance]]
name = "fridge"
power_w = 34
duty_frac = 0.5
[weather]
normals = {{ kt = {KT}, temp_mean_c = {MEAN_C} }}
[[stop]]
name = "North wood"
latitude_deg = 48.0
longitude_deg = 9.0
zone = "Europe/Berlin"
arrive = 2026-10-01
depart = 2026-10-18
[[stop]]
name = "South wood"
latitude_deg = 46.0
longitude_deg = 11.0
zone = "Europe/Rome"
arrive = 2026-10-18
depart = 2026-11-01
"""


@pytest.fixture(scope="module")
def scenario():
    return parse_scenario(TRIP)


@pytest.fixture(scope="module")
def found(scenario):
    return odds(scenario, 40)


@pytest.fixture(scope="module")
def life(scenario):
    return live(replace(scenario, bank=replace(scenario.bank, unit_ah=60.0)))


def _rows(text):
    return list(csv.DictReader(io.StringIO(text)))


def _words(page):
    body = page[page.index("<body>") :]
    text = re.sub(r"<[^>]+>", " ", body).replace("&lt;", "<").replace("&gt;", ">").replace("&#39;", "'").replace("&amp;", "&")
    return " ".join(text.split())


def test_the_files_of_the_odds_hold_the_same_figures(found):
    assert 0 < (found.flat_days > 0).sum() < found.years
    files = odds_files([found], TRIP)
    assert set(files) == {"odds.json", "odds.html", "weeks.csv", "years.csv"}
    summary = json.loads(files["odds.json"])
    years, weeks = _rows(files["years.csv"]), _rows(files["weeks.csv"])
    assert [int(row["flat_days"]) for row in years] == found.flat_days.tolist()
    assert sum(row["flat_days"] == "0" for row in years) / found.years == pytest.approx(summary["flat_free_share"])
    less = sum(row["flat_days_sun_minus_10_pct"] == "0" for row in years)
    assert less / found.years == pytest.approx(summary["if_sun_minus_10_pct"]["flat_free_share"])
    assert [row["from"] for row in weeks] == [week["from"] for week in summary["by_week"]]
    shares = [week["share_of_years_with_a_flat_day"] for week in summary["by_week"]]
    assert [float(row["share_of_years_frac"]) for row in weeks] == shares
    assert week_shares(found).tolist() == pytest.approx(shares, abs=1e-4)
    assert weeks[-1]["to"] == "2026-11-01"
    mean = sum(float(row["flat_days_mean"]) for row in weeks)
    assert mean == pytest.approx(float(found.flat_days.mean()), abs=1e-3 * len(weeks))


def test_the_page_of_the_odds_says_what_the_answer_says(found):
    words = _words(odds_page(found, scenario_text=TRIP))
    assert words.index(odds_verdict(found)) < words.index("The numbers")
    worst = found.worst_year
    assert f"Year {found.year_names[worst]} is the worst: {found.flat_days[worst]} flat days" in words
    assert "Clopper and Pearson 1934" in words and "common practice, no source" in words
    assert "A dull autumn <i>" in words and "<i>" not in odds_page(found, scenario_text=TRIP)


def test_two_kinds_of_years_stand_side_by_side(found, scenario):
    other = odds(scenario, 20, seed=9)
    files = odds_files([found, other], TRIP)
    assert json.loads(files["odds.json"])["beside"]["years"] == 20
    assert len(_rows(files["years.csv"])) == 60
    words = _words(files["odds.html"])
    assert odds_verdict(found) in words and odds_verdict(other) in words and "side by side" in words


def test_what_was_added_is_said_on_the_page(found):
    files = odds_files([found], TRIP, added=["60 W, 2 h"], effect={"hours": 2})
    assert 'With "60 W, 2 h" added for this answer' in files["odds.html"].replace("&#34;", '"')
    assert json.loads(files["odds.json"])["added"] == {"hours": 2}
    assert "added for this answer" not in odds_files([found], TRIP)["odds.html"]


def test_years_are_counted_once_each_and_many_are_sorted(found):
    assert sum(int(row.number) for row in _count_rows(found)) == found.years
    assert "the worst first" not in _years_plot(found).title
    many = 5000
    chance = np.random.default_rng(1)
    flat = np.zeros((3, many, found.timeline.days), dtype=bool)
    flat[0] = chance.random((many, found.timeline.days)) < np.linspace(0, 0.9, many)[:, None]
    big = replace(
        found,
        flat=flat,
        missed_wh=flat[0].sum(axis=1) * 10.0,
        stretch_days=np.ones(many),
        year_names=tuple(str(number + 1) for number in range(many)),
    )
    plot = _years_plot(big)
    assert "the worst first" in plot.title and sum(len(shape.path) for shape in plot.shapes) < 40_000
    rows = _count_rows(big)
    assert sum(int(row.number.replace(",", "")) for row in rows) == many and len(rows) <= 16
    assert len(odds_page(big)) < 400_000


def test_odds_without_a_flat_day_say_so(found):
    calm = replace(found, flat=np.zeros_like(found.flat), missed_wh=np.zeros(found.years))
    words = _words(odds_page(calm))
    assert "Carries in every year tried" in words
    assert f"No week had one in any of the {found.years} years" in words
    assert "none is the worst" in words


def test_the_files_of_a_life_hold_the_same_figures(life):
    files = life_files(life, TRIP)
    assert set(files) == {"life.json", "life.html", "years.csv"}
    summary, years = json.loads(files["life.json"]), _rows(files["years.csv"])
    assert [int(row["flat_days"]) for row in years] == [year["flat_days"] for year in summary["years"]]
    assert sum(float(row["lived_years"]) for row in years) == pytest.approx(summary["years_to_end"], abs=0.01)
    delivered = sum(float(row["delivered_kwh"]) * float(row["lived_years"]) for row in years)
    assert delivered == pytest.approx(summary["delivered_kwh"], rel=1e-3)
    words = _words(files["life.html"])
    assert words.index(verdict(life)) < words.index("The numbers")
    assert all(name in words for name in life.model_years)
    assert life.assumption in words and all(note in words for note in life.notes)
    assert "worn out at 80%" in words


def test_pages_come_out_the_same_twice_and_without_a_path(found, life):
    for make in (lambda: odds_files([found], TRIP), lambda: life_files(life, TRIP)):
        first, again = make(), make()
        assert first == again
        for text in first.values():
            assert not re.search(r"/(home|tmp|usr|work|root|Users)/", text)
            assert not re.search(r"\bnan\b|\binf\b", text)


def test_the_commands_write_their_files_after_the_answer(tmp_path, capsys):
    path = tmp_path / "trip.toml"
    path.write_text(TRIP)
    assert main(["odds", str(path), "--years", "5", "--out", str(tmp_path / "odds")]) == 0
    assert main(["life", str(path), "--out", str(tmp_path / "life")]) == 0
    said = capsys.readouterr().out
    assert said.index("weather years") < said.index("odds.json, odds.html, weeks.csv, years.csv")
    assert {file.name for file in (tmp_path / "odds").iterdir()} == {"odds.json", "odds.html", "weeks.csv", "years.csv"}
    assert {file.name for file in (tmp_path / "life").iterdir()} == {"life.json", "life.html", "years.csv"}
    assert main(["odds", str(path), "--years", "5", "--json", "--out", str(tmp_path / "again")]) == 0
    printed = capsys.readouterr().out
    assert json.loads(printed) == json.loads((tmp_path / "again" / "odds.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("command", ["odds", "life"])
def test_a_folder_that_is_a_file_is_refused_before_any_work(command, tmp_path, capsys):
    path = tmp_path / "trip.toml"
    path.write_text(TRIP)
    assert main([command, str(path), "--out", str(path)]) == 2
    answered = capsys.readouterr()
    assert answered.out == "" and "this is a file, not a folder" in answered.err


# ---- the frame ----


def test_a_page_of_any_kind_is_made_of_pieces(scenario):
    """What a page of another study needs: parts made of pieces, and nothing of its own."""
    rows = [Bar("missed", "twice <the> bank", "0", 0.0, "cures it"), Bar("missed", "half the load", "3", 0.6, "2 fewer")]
    parts = (
        Part(
            "changes",
            "What each change does",
            (Bars("Changes", ("Change", "Flat days", "Gain"), rows), Words("Quiet.", note=True)),
        ),
        Part(
            "designs",
            "Side by side",
            (Fold("All", (Grid("Designs", ("Design", "kg"), [("one", "12")], (1,), wide=True),)),),
            "Designs",
        ),
        Part("why", "Why", (Points(["because & so"]),)),
    )
    page = Page(
        kind="Comparison",
        scenario=scenario,
        when="two designs",
        answer=Answer("good", "Carries", "Both carry it.", ("The first is lighter.",)),
        numbers=[("Designs", "2", "compared")],
        parts=parts,
        reading=[("Design", "A bank with its panels.")],
        reading_intro="Two designs.",
        weather=["some weather"],
    )
    text = render(page, TRIP, {"made": "by hand"})
    for part in parts:
        assert f'<section id="{part.key}"' in text and f'href="#{part.key}"' in text
    assert ">Designs</a>" in text and "twice &lt;the&gt; bank" in text and "because &amp; so" in text
    assert "<details>\n<summary>All</summary>" in text
    assert "made by hand" in text and "Both carry it." in text
    assert '<section id="scenario"' not in render(page)


def test_an_answer_has_one_of_three_states():
    with pytest.raises(ValueError, match="flat, thin, good"):
        Answer("red", "Runs flat", "It does.")


def test_the_cautions_of_a_page_are_those_of_the_terminal(scenario, run_outcome):
    printed = answer_lines(run_outcome)
    told = [line.removeprefix("  - ") for line in printed[printed.index("Caution") + 1 :]]
    assert told == list(cautions_of([scenario]))
    page = unescape(render_page(run_outcome))
    assert all(f"<li>{caution}</li>" in page for caution in told)


@pytest.fixture(scope="module")
def run_outcome(scenario):
    from simulator.engine import simulate

    return simulate(scenario)


# ---- the strip of stops and the map ----


def test_a_stop_without_room_for_its_name_is_listed_below(scenario):
    clock = build_timeline(scenario)
    roomy = axis.legs(clock.stop, scenario.stops)
    assert all(leg.name_wide and leg.number_narrow for leg in roomy)
    stops = (scenario.stops[0], replace(scenario.stops[1], name="A place with a name as long as a winter's night"))
    short = np.array([0] * 9 + [1])
    first, second = axis.legs(short, stops)
    assert first.name_narrow and not second.name_wide and second.number_wide
    assert first.width_pct + second.width_pct == pytest.approx(100.0)


def test_the_map_keeps_proportions_and_its_badges_inside(scenario):
    found = route_map(scenario.stops, ["flat", "good"])
    assert found is not None
    north, south = found.badges
    assert (north.text, north.state, south.text, south.state) == ("1", "flat", "2", "good")
    assert north.top_pct < south.top_pct and north.left_pct < south.left_pct
    across = (south.left_pct - north.left_pct) * found.aspect
    down = south.top_pct - north.top_pct
    # 2 degrees of longitude at 47 degrees north against 2 degrees of latitude: the cosine of the latitude.
    assert across / down == pytest.approx(np.cos(np.radians(47.0)), rel=1e-3)
    assert all(8.0 < value < 92.0 for badge in found.badges for value in (badge.left_pct, badge.top_pct))
    # 2 degrees of latitude are 222 km (a minute of latitude is a nautical mile of 1.852 km).
    length_km = float(found.scale_text.removesuffix(" km"))
    km_per_pct = length_km / (found.scale_pct * found.aspect)
    assert down * km_per_pct == pytest.approx(120 * 1.852, rel=2e-3)
    assert "flat: stop 1; good: stop 2" in found.text


def test_the_map_has_miles_where_they_are_asked_for(scenario):
    metric, us = (route_map(scenario.stops, ["good", "good"], *given) for given in ((), (US,)))
    assert us.scale_text.endswith(" mi") and metric.scale_text.endswith(" km")
    km, miles = (float(each.scale_text.split()[0]) / each.scale_pct for each in (metric, us))
    assert km / miles == pytest.approx(1.609344, rel=1e-6)


def test_stops_that_would_cover_each_other_share_a_badge_with_the_worst_sign(scenario):
    first, second = scenario.stops
    near = replace(second, number=3, latitude_deg=46.02, longitude_deg=11.02, name="Next door")
    found = route_map((first, second, near), ["good", "thin", "flat"])
    assert [badge.text for badge in found.badges] == ["1", "2–3"]
    assert found.badges[1].state == "flat" and "3 Next door: flat" in found.badges[1].words


def test_a_route_over_the_date_line_is_not_drawn_around_the_world(scenario):
    first, second = scenario.stops
    west = replace(first, latitude_deg=-17.0, longitude_deg=179.5)
    east = replace(second, latitude_deg=-17.2, longitude_deg=-179.5)
    found = route_map((west, east), ["good", "good"])
    assert found.badges[0].left_pct < found.badges[1].left_pct
    assert float(found.scale_text.split()[0]) <= 50


def test_one_place_has_no_map(scenario):
    first = scenario.stops[0]
    assert route_map((first,), ["good"]) is None
    assert route_map((first, replace(first, number=2, latitude_deg=first.latitude_deg + 0.001)), ["good", "good"]) is None
