"""The page of a run: one file that needs nothing else, says everything, and can be read without colour and by ear."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from html.parser import HTMLParser
from importlib import resources
from types import SimpleNamespace

import numpy as np
import pytest

from simulator.battery import kernel as k
from simulator.engine import simulate
from simulator.report import drawing, pictures
from simulator.report.calendar_months import calendar_months
from simulator.report.measures import US
from simulator.report.page import render_page
from simulator.report.sections import energy, stops
from simulator.report.tables import PROTECTION_WORDS, verdict
from simulator.report.words import short_span_text, span_text, wh_text, whole_text
from simulator.scenario import cautions, parse_scenario

SECTIONS = {
    "answer",
    "numbers",
    "calendar",
    "charge",
    "sun",
    "day",
    "energy",
    "flat",
    "mend",
    "stops",
    "comes",
    "protections",
    "refill",
    "life",
    "cautions",
    "reading",
    "assumptions",
    "scenario",
}
VOID = {"meta", "link", "br", "path", "img", "input", "hr"}
HEAD = """
title = "Two camps <script>alert(1)</script> & 'more'"
[vehicle]
bus_v = 12
heading_deg = 180
[bank]
chemistry = "lfp"
unit_v = 12.8
unit_ah = 100
in_series = 1
in_parallel = 1
place = "inside"
[alternator]
charger_a = 20
[shore]
charger_a = 20
[[array]]
name = "roof"
panel = { p_w = 100 }
in_series = 1
in_parallel = 2
tilt_deg = 0
azimuth_deg = 180
mount = "gap"
[array.controller]
kind = "mppt"
max_charge_a = 20
[[appliance]]
name = "fridge"
bus = "dc"
power_w = 50
duty_frac = 0.9
[[appliance]]
name = "radio & <b>lamp</b>"
bus = "dc"
power_w = 20
hours_per_day = 3
priority = "comfort"
[weather]
clear = true
"""


def _stop(number: int, arrive: str, depart: str, more: str = "") -> str:
    return f"""
[[stop]]
name = "Camp {number} <i>"
latitude_deg = {40 + 0.1 * number}
longitude_deg = -80.0
elevation_m = 200
zone = "America/New_York"
arrive = {arrive}
depart = {depart}
{more}
"""


SHORT = (
    HEAD
    + _stop(1, "2026-10-28", "2026-11-04")
    + _stop(2, "2026-11-04", "2026-11-12", 'hookup = "every 5th night"\nshade = "half"')
)
YEAR = HEAD + "".join(
    _stop(month, f"2024-{month:02d}-01", f"2024-{month + 1:02d}-01" if month < 12 else "2024-12-31") for month in range(1, 13)
)
CALM = (
    HEAD.replace("in_parallel = 1", "in_parallel = 4").replace("duty_frac = 0.9", "duty_frac = 0.1")
    + "[generator]\nrated_w = 1000\n"
    + _stop(1, "2026-06-01", "2026-06-06")
)


class _Page(HTMLParser):
    """Elements in order, with their attributes and the path of open elements; refuses what is not closed properly."""

    def __init__(self, text):
        super().__init__()
        self.open = []
        self.elements = []
        self.texts = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs), tuple(self.open)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs), tuple(self.open)))

    def handle_endtag(self, tag):
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-3:]}"
        self.open.pop()

    def handle_data(self, data):
        self.texts.append((tuple(self.open), data))

    def all(self, tag):
        return [attributes for name, attributes, _ in self.elements if name == tag]

    def words(self):
        return " ".join(" ".join(data for path, data in self.texts if "style" not in path).split())


@pytest.fixture(scope="module")
def runs():
    found = {}
    for name, text in (("short", SHORT), ("year", YEAR), ("calm", CALM)):
        outcome = simulate(parse_scenario(text))
        found[name] = (outcome, text, render_page(outcome, text))
    return found


@pytest.fixture(params=["short", "year", "calm"])
def run(request, runs):
    outcome, text, page = runs[request.param]
    return outcome, text, page, _Page(page)


def test_the_runs_looked_at_here_are_what_they_are_meant_to_be(runs):
    assert runs["short"][0].flat_days and runs["short"][0].thin.any()
    assert runs["year"][0].timeline.days == 366
    assert not runs["calm"][0].flat_days


def test_nothing_is_fetched_and_nothing_runs(run):
    _, _, text, page = run
    assert not page.all("script")
    for tag, attributes, _ in page.elements:
        assert not [name for name in attributes if name.startswith("on")], tag
        for name in ("src", "href", "srcset", "action", "data", "xlink:href", "poster"):
            assert attributes.get(name, "#").startswith(("#", "data:,")), (tag, attributes)
    style = text[text.index("<style>") : text.index("</style>")]
    assert "url(" not in style and "@import" not in style
    policy = next(attributes["content"] for attributes in page.all("meta") if "http-equiv" in attributes)
    assert policy.startswith("default-src 'none'")


def test_every_section_is_there_and_named_by_its_heading(run):
    _, _, _, page = run
    sections = page.all("section")
    assert {section["id"] for section in sections} == SECTIONS
    ids = [attributes["id"] for _, attributes, _ in page.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    for _, attributes, _ in page.elements:
        for reference in attributes.get("aria-labelledby", "").split():
            assert reference in ids
        if attributes.get("href", "").startswith("#"):
            assert attributes["href"][1:] in ids


def test_every_picture_has_words(run):
    _, _, _, page = run
    pictures_drawn = page.all("svg")
    assert len(pictures_drawn) >= 3
    assert all(attributes["role"] == "img" and attributes["aria-labelledby"] for attributes in pictures_drawn)
    titles = [data for path, data in page.texts if path[-2:] == ("svg", "title")]
    assert len(titles) == len(pictures_drawn) and all(title.strip() for title in titles)
    for tag, attributes, path in page.elements:
        if "svg" in path and tag == "path":
            assert not re.search("nan|inf", attributes["d"])


def test_what_a_person_wrote_stays_text(run):
    outcome, text, page, parsed = run
    assert "<script" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; &#39;more&#39;" in page
    heading = "".join(data for path, data in parsed.texts if path[-1:] == ("h1",))
    assert heading == outcome.scenario.title
    assert "".join(data for path, data in parsed.texts if path[-1:] == ("pre",)) == text
    assert not parsed.all("i") or all("class" in attributes for attributes in parsed.all("i"))
    assert "Camp 1 <i>" in parsed.words()


def test_the_answer_comes_first(run):
    outcome, _, _, page = run
    words = page.words()
    answer = verdict(outcome)
    assert answer in words
    assert words.index(answer) < words.index("The numbers")
    counts = outcome.flat_day_counts
    days = outcome.timeline.days
    assert f"Flat days {counts['base']} of {days}" in words
    for name, lane in (("If the load is 20% more", "load +20 %"), ("If the sun is 15% less", "sun -15 %")):
        assert f"{name} {counts[lane]:,} flat day" in words


def test_the_calendar_shows_every_day_with_a_sign_and_words(run):
    outcome, _, _, page = run
    cells = [
        attributes["class"].split()[0]
        for attributes in page.all("td")
        if attributes.get("class", "").split()[:1] != ["n"] and "title" in attributes
    ]
    flat, thin = int(outcome.flat[0].sum()), int(outcome.thin.sum())
    assert (cells.count("flat"), cells.count("thin"), len(cells)) == (flat, thin, outcome.timeline.days)
    signs = [data for path, data in page.texts if path[-2:] == ("td", "b")]
    assert (signs.count("×"), signs.count("↓")) == (flat, thin)
    heard = [data for path, data in page.texts if path[-2:] == ("td", "span") and "lowest charge" in data]
    assert sum(", flat, " in f", {words.lstrip(', ')}" for words in heard) == flat


def test_flat_days_outages_and_causes_are_all_named(runs):
    outcome, _, page = runs["short"]
    words = _Page(page).words()
    assert f"Every flat day ({len(outcome.flat_days)})" in words
    assert f"Every outage ({len(outcome.outages)})" in words
    for day in outcome.flat_days:
        assert f"{day.date.day} {day.date:%b %Y}" in words
        assert f"{day.cause} (" in words
    for name, count in outcome.flat_day_counts.items():
        if name.startswith("mend "):
            assert f"{name.removeprefix('mend ')} {count} " in words


def test_a_trip_without_a_flat_day_says_so_and_opens_its_lowest_day(runs):
    words = _Page(runs["calm"][2]).words()
    assert "No flat days" in words
    assert "Nothing needs mending" in words
    assert "The day of the lowest charge, hour by hour" in words
    assert cautions.GENERATOR in words


def test_the_opened_day_is_the_worst_one(runs):
    outcome, _, page = runs["short"]
    worst = pictures.worst_day(outcome)
    assert max(day.missed_wh for day in outcome.flat_days) == next(day.missed_wh for day in outcome.flat_days if day.day == worst)
    hours = pictures.opened_hours(outcome, worst)
    assert set(outcome.timeline.local_day[hours]) == {worst - 1, worst}
    assert f"{outcome.timeline.dates[worst]:%A}, {outcome.timeline.dates[worst].day} " in _Page(page).words()


def test_both_sides_of_the_ledger_are_shown_in_full(run):
    outcome, _, _, page = run
    words = page.words()
    ledger = outcome.ledger
    for name in ("solar_offered_wh", "load_served_wh", "spilled_full_wh", "driving_wh", "shore_wh"):
        if ledger[name] >= 0.5:
            assert wh_text(ledger[name]).replace("\u00a0", " ") in words.replace("\u00a0", " "), name
    shown = energy(outcome)
    for side in ("came", "went"):
        assert sum(bar.share for bar in shown[side]) == pytest.approx(1.0, abs=1e-3), side


def test_every_protection_that_acted_has_a_row_and_the_others_are_named(run):
    outcome, _, _, page = run
    words = page.words()
    for act in outcome.protections:
        name = PROTECTION_WORDS[act.name]
        if act.times:
            first = outcome.local(outcome.timeline.utc[act.first_hour])
            pattern = rf"{re.escape(name)} \S.* {first.day} {first:%b %Y} {act.times:,} {act.hours:,.1f} {act.longest_h:.1f}"
            assert re.search(pattern, words), name
        else:
            never = words[words.index("When a protection acted") : words.index("Hours to refill")]
            assert re.search(rf"[Nn]ever.*{re.escape(name)}", never), name
    assert all(warning in words for warning in outcome.warnings)


def test_days_of_each_stop_add_up_to_the_trip(run):
    outcome, _, _, page = run
    found = stops(outcome)
    total = {state: sum(stop["days"][state] for stop in found) for state in ("flat", "thin", "good")}
    assert (total["flat"], total["thin"]) == (int(outcome.flat[0].sum()), int(outcome.thin.sum()))
    assert sum(total.values()) == outcome.timeline.days
    words = page.words()
    for stop in found:
        assert f"{stop['number']} {stop['line'].name} {stop['when']}" in words


def test_the_page_can_be_read_in_us_units(runs):
    outcome, text, page = runs["short"]
    other = _Page(render_page(outcome, text, measures=US)).words()
    metric = _Page(page).words()
    assert re.search(r"; \d+ km and ", metric) and re.search(r"; \d+ mi and ", other) and " km and " not in other
    assert "Cells C" in metric and "Cells F" in other and "at 20 C" in metric and "at 68 F" in other


def test_what_was_added_for_the_answer_is_said(runs):
    outcome, text, page = runs["calm"]
    assert (
        'With "60 W, 2 h" and "a <b> lamp" added' in _Page(render_page(outcome, text, added=["60 W, 2 h", "a <b> lamp"])).words()
    )
    assert "added for this answer" not in page


def test_medical_devices_are_cautioned_first(runs):
    outcome, text, page = runs["calm"]
    assert cautions.MEDICAL not in _Page(page).words()
    appliances = (replace(outcome.scenario.appliances[0], medical=True), *outcome.scenario.appliances[1:])
    other = simulate(replace(outcome.scenario, appliances=appliances))
    words = _Page(render_page(other, text)).words()
    assert words.index(cautions.MEDICAL) < words.index(cautions.GENERATOR)


def test_the_scenario_and_the_last_line_can_be_chosen(runs):
    outcome, _, page = runs["calm"]
    assert outcome.scenario.sha256 in page
    without = _Page(render_page(outcome, None, {"made": "<by> hand"}))
    assert {section["id"] for section in without.all("section")} == SECTIONS - {"scenario"}
    assert "made <by> hand" in without.words()


def test_the_same_run_gives_the_same_page_without_any_path(runs):
    outcome, text, page = runs["short"]
    assert render_page(outcome, text) == page
    assert not re.search(r"/(home|tmp|usr|work|root|Users)/", page)


def test_a_year_with_twelve_stops_stays_small(runs):
    assert len(runs["year"][2].encode()) < 1_000_000


def test_without_panels_the_sun_is_missing_in_words():
    text = re.sub(r"\[\[array\]\].*?(?=\[\[appliance\]\])", "", CALM, count=1, flags=re.DOTALL)
    outcome = simulate(parse_scenario(text))
    assert pictures.sun_plot(outcome) is None
    assert "There is no sun to show" in _Page(render_page(outcome, text)).words()


def test_a_date_lived_twice_shows_its_worse_day_and_a_skipped_one_stays_empty():
    dates = (date(2026, 3, 30), date(2026, 3, 31), date(2026, 3, 31), date(2026, 4, 2))
    days = np.zeros((1, 4, k.DAY_FIELDS))
    days[0, :, k.DAY_LOWEST_SOC] = 0.5, 0.3, 0.05, 0.6
    days[0, 2, k.DAY_DARK_H] = 4.0
    stop = SimpleNamespace(number=1, name="Ferry")
    outcome = SimpleNamespace(
        days=days,
        flat=np.array([[False, False, True, False]]),
        thin=np.array([False, True, False, False]),
        timeline=SimpleNamespace(dates=dates, day_stop=np.zeros(4, dtype=int)),
        scenario=SimpleNamespace(stops=(stop,)),
    )
    march, april = calendar_months(outcome)
    cells = {cell.date: cell for month in (march, april) for week in month.weeks for cell in week if cell is not None}
    assert cells[date(2026, 3, 31)].state == "flat"
    assert cells[date(2026, 3, 31)].words == "flat, lowest charge 5%, 4.0 h dark"
    assert cells[date(2026, 4, 1)].state == ""
    assert [cells[day].arrives for day in dates] == [True, False, False, False]
    assert len(march.weeks) == 1 and march.weeks[0][0].date == date(2026, 3, 30)
    assert march.stops == ("1 Ferry: 1 flat, 1 thin, 1 good",) and april.stops == ("1 Ferry: 1 good",)


@pytest.mark.parametrize(
    ("value", "ceiling"),
    [(0.0, 1.0), (0.7, 0.8), (1.0, 1.0), (1.01, 1.5), (99.0, 100.0), (101.0, 150.0), (240.0, 300.0), (6100.0, 8000.0)],
)
def test_scales_end_at_a_round_number_at_or_above(value, ceiling):
    assert drawing.nice_ceiling(value) == pytest.approx(ceiling)


def test_runs_of_true_and_their_marks_can_be_seen():
    flags = np.zeros(8760, dtype=bool)
    flags[[0, 1, 2, 100, 8759]] = True
    assert drawing.runs(flags) == [(0, 3), (100, 101), (8759, 8760)]
    boxes = [[float(x) for x in re.findall(r"[MH]([\d.]+)", box)] for box in drawing.spans_path(flags).split("z")[:-1]]
    assert len(boxes) == 3
    assert all(right - left >= drawing.LEAST_SPAN - 0.11 and right <= drawing.WIDTH for left, right, _ in boxes)


def test_paths_keep_heights_inside_the_scale():
    x = np.array([0.0, 500.0, 1000.0])
    assert drawing.line_path(x, np.array([0.0, 0.5, 2.0])) == "M0 92 500 50 1000 8"
    assert drawing.bars_path(x, np.zeros(2), np.array([0.5, 0.0])) == "M0 92H500V50H0z"
    assert drawing.steps_path(x, np.array([1.0, 0.0])) == "M0 8V8H500V92H1000"


def test_dates_and_numbers_read_well():
    assert span_text(date(2026, 5, 1), date(2026, 5, 1)) == "1 May 2026"
    assert span_text(date(2026, 5, 1), date(2026, 5, 9)) == "1 to 9 May 2026"
    assert span_text(date(2026, 5, 1), date(2026, 6, 9)) == "1 May to 9 June 2026"
    assert span_text(date(2025, 5, 1), date(2026, 5, 9)) == "1 May 2025 to 9 May 2026"
    assert short_span_text(date(2026, 5, 1), date(2026, 5, 9)) == "1 to 9 May 2026"
    assert short_span_text(date(2025, 12, 30), date(2026, 1, 2)) == "30 Dec 2025 to 2 Jan 2026"
    assert (wh_text(9999.4), wh_text(9999.6), wh_text(-0.2)) == ("9,999\u00a0Wh", "10.0\u00a0kWh", "0\u00a0Wh")
    assert (whole_text(-0.3), whole_text(1234.6)) == ("0", "1,235")


def _contrast(first: str, second: str) -> float:
    """Contrast of two colours as #rgb or #rrggbb (W3C, WCAG 2.1, definitions of relative luminance and contrast ratio)."""

    def luminance(colour: str) -> float:
        digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
        channels = [int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4)]
        linear = [part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in channels]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    bright, dim = sorted((luminance(first), luminance(second)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)


def test_colours_have_contrast_in_light_dark_and_print():
    """Text at least 4.5 : 1, drawn signs at least 3 : 1 (W3C, WCAG 2.1, success criteria 1.4.3 and 1.4.11)."""
    style = (resources.files("simulator.report") / "page.css").read_text(encoding="utf-8")
    schemes = [dict(re.findall(r"--([\w-]+): (#[0-9a-f]+)", block)) for block in re.findall(r":root \{(.*?)\}", style, re.DOTALL)]
    assert len(schemes) == 3
    words = [
        ("ink", "paper"),
        ("soft", "paper"),
        ("link", "paper"),
        ("ink", "wash"),
        ("soft", "wash"),
        ("flat", "wash"),
        ("ink", "rule"),
    ]
    words += [("ink", f"{name}-wash") for name in ("flat", "thin", "good")] + [("on-flat", "flat"), ("thin", "thin-wash")]
    signs = [(name, "wash") for name in ("charge", "sun", "flat", "cold", "hookup", "driving", "loss")]
    for colours in schemes:
        assert {colours[name] for pair in words + signs for name in pair}
        for front, back in words:
            assert _contrast(colours[front], colours[back]) >= 4.5, (front, back)
        for front, back in signs:
            assert _contrast(colours[front], colours[back]) >= 3.0, (front, back)
