"""The pages and files of compare, size and remedies: the answer on top, the figures of the study, nothing hidden or hurt."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from simulator.cli import main
from simulator.report import compare as compared
from simulator.report import remedies as remedied
from simulator.report import sizing as sized
from simulator.report.compare_page import MOST_SIDE_BY_SIDE, SAMPLED, cheapest, compare_page
from simulator.report.files import comparison_files, remedies_files, size_files
from simulator.report.frame import Versus
from simulator.report.measures import METRIC, US
from simulator.report.remedies_page import remedies_page
from simulator.report.size_page import front_plot, size_page
from simulator.scenario import parse_scenario
from simulator.scenario.variants import variants_of
from simulator.studies.compare import compare
from simulator.studies.remedies import remedies
from simulator.studies.sizing import size

TRIP = """
title = "A short trip <i>"
seed = 3
[vehicle]
heading_deg = 180
payload_margin_kg = 60
bay_m = [0.70, 0.40, 0.22]
[bank]
chemistry = "lfp"
unit_ah = 100
unit_kg = 12
unit_m = [0.33, 0.172, 0.215]
unit_price = 400
place = "inside"
[[array]]
name = "roof"
panel = { p_w = 110, kg = 8, area_m2 = 0.8, price = 100 }
tilt_deg = 0
controller = { kind = "mppt", price = 80 }
[[appliance]]
name = "fridge <b>"
power_w = 45
duty_frac = 0.6
[[appliance]]
name = "work"
power_w = 60
hours_per_day = 5
[costs]
fuel_price_per_l = 2.0
currency = "EUR"
[[stop]]
name = "Yard"
latitude_deg = 36.08
longitude_deg = -79.95
arrive = 2026-01-05
depart = 2026-01-20
weather = { sample = "greensboro" }
[[variant]]
name = "three <u>"
set = { "bank.in_parallel" = 3, "array.roof.in_parallel" = 4 }
[[variant]]
name = "generator"
set = { generator = { rated_w = 1000, price = 500, kg = 14, windows = ["08:00-20:00"] } }
[[variant]]
name = "AGM"
[variant.set]
"bank.chemistry" = "agm"
"bank.unit_v" = 12
"bank.in_parallel" = 4
"bank.unit_kg" = 30
"bank.unit_price" = 200
"array.roof.in_parallel" = 4
[size]
in_parallel = [1, 4]
panels = { roof = [1, 6] }
years = 6
max_price = 2500
"""


@cache
def beside():
    return compare(variants_of(TRIP), 8)


@cache
def sizing():
    return size(parse_scenario(TRIP))


@cache
def cures():
    return remedies(parse_scenario(TRIP))


def words_of(page):
    body = page[page.index("<body>") :]
    text = re.sub(r"<[^>]+>", " ", body)
    for code, sign in (("&lt;", "<"), ("&gt;", ">"), ("&#39;", "'"), ("&#34;", '"'), ("&amp;", "&")):
        text = text.replace(code, sign)
    return " ".join(text.split())


def cells_of(page, name):
    """Text and mark of every cell of one row of a table of designs."""
    found = re.search(rf'<th scope="row">{re.escape(name)}</th>(.*?)</tr>', page)
    return [
        (" ".join(re.sub(r"<[^>]+>", " ", cell).replace("✓", "").replace("best", "").split()), "best" in tag)
        for tag, cell in re.findall(r'<td class="([^"]*)">(.*?)</td>', found[1])
    ]


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text)))


# ---- compare ----


def test_the_winner_stands_on_top_in_the_words_of_the_terminal():
    words = words_of(compare_page(beside()))
    wins = list(compared.win_words(beside(), METRIC))
    top = wins[-1] if cheapest(beside()) is not None else wins[0]
    assert words.index(top) < words.index("The numbers")
    for sentence in compared.flag_words(beside(), METRIC):
        assert sentence in words
    for design in beside().designs:
        if not beside().same_service(design):
            assert compared.quoted(design) in words[: words.index("The numbers")]


def test_every_figure_of_the_terminal_is_in_the_table_and_the_best_are_marked():
    page = compare_page(beside())
    checked = 0
    for row in compared.table_rows(beside(), METRIC):
        if isinstance(row, str):
            assert row in page
            continue
        best = compared.best_of(row, beside())
        values = [row.figure(design) for design in beside().designs]
        shown = [row.unknown if value is None else row.shown(value) for value in values]
        assert cells_of(page, row.label.strip()) == [(text, place in best) for place, text in enumerate(shown)]
        checked += len(best) > 0
    assert checked >= 5
    # A sign and a word, not a colour alone.
    assert '<b><span aria-hidden="true">✓</span> best</b>' in page


def test_the_strips_have_the_flat_days_of_each_year_and_say_them():
    page = compare_page(beside())
    strips = re.findall(r'<div class="chips" role="img" aria-label="([^"]+)">(.*?)</div>', page)
    assert len(strips) == len(beside().designs)
    for design, (said, chips) in zip(beside().designs, strips, strict=True):
        counts = [str(int(days)) for days in design.flat_days]
        assert re.findall(r">(\d+)<", chips) == counts
        assert said.endswith(f"year by year: {', '.join(counts)}.")
        assert chips.count("chip flat") == int((design.flat_days > 0).sum())


def test_of_many_years_a_ranked_sample_is_shown():
    many = 2000
    chance = np.random.default_rng(2)
    designs = tuple(replace(design, flat_days=chance.integers(0, 12, many)) for design in beside().designs)
    found = replace(beside(), designs=designs, year_names=tuple(str(year) for year in range(many)))
    page = compare_page(found)
    strips = re.findall(r'<div class="chips" role="img" aria-label="[^"]+">(.*?)</div>', page)
    for design, chips in zip(designs, strips, strict=True):
        counts = [int(text) for text in re.findall(r">(\d+)<", chips)]
        assert len(counts) == SAMPLED
        assert counts == sorted(counts, reverse=True)
        assert (counts[0], counts[-1]) == (design.flat_days.max(), design.flat_days.min())
    assert len(page) < 150_000


def test_many_designs_are_cut_into_tables_that_paper_takes():
    first = beside().designs[0]
    designs = tuple(replace(first, name=f"design {number}") for number in range(2 * MOST_SIDE_BY_SIDE + 1))
    page = compare_page(replace(beside(), designs=designs))
    assert page.count('class="scroll versus"') == 3
    assert "Designs 1 to 8" in page and "Designs 17 to 17" in page


def test_odds_and_money_are_those_of_the_study():
    words = words_of(compare_page(beside()))
    for design in beside().designs:
        low, high = (compared.percent_text(share) for share in design.flat_free_interval)
        assert f"{design.name} {compared.percent_text(design.flat_free_share)} {low} to {high}" in words
        assert design.cost is not None
        service = "the same service" if beside().same_service(design) else "runs flat more often"
        assert f"{design.name} {design.cost.per_year:,.0f} EUR {service}" in words
    for sentence in compared.cost_words(beside()):
        assert sentence in words


def test_cautions_are_those_of_all_designs_and_all_files_are_there():
    files = [("one.toml", TRIP), ("two <s>.toml", "# other")]
    page = compare_page(beside(), files)
    words = words_of(page)
    assert "lithium bank below freezing" in words and "explosive gas" in words and "carbon monoxide" in words
    assert words.count("does not certify wiring") == 1
    assert "one.toml" in words and "two <s>.toml" in words and "# other" in words
    assert "<u>" not in page and "<i>" not in page and "<s>" not in page


def test_without_prices_it_says_so_and_names_who_runs_flat_least():
    text = re.sub(r"(?m)^unit_price.*$|^fuel_price.*$|, price = \d+", "", TRIP.partition("[[variant]]")[0])
    assert "price" not in text
    found = compare(variants_of(text + '[[variant]]\nname = "two"\nset = { "bank.in_parallel" = 2 }'), 4)
    words = words_of(compare_page(found))
    assert "No prices are written" in words and "Cost of a year, all together" not in words
    assert next(iter(compared.win_words(found, METRIC))) in words[: words.index("The numbers")]


def test_a_winner_that_does_not_go_in_is_not_called_good():
    heavy = [replace(design, mass_kg=500.0) for design in beside().designs]
    page = compare_page(replace(beside(), designs=tuple(heavy)))
    top = words_of(page)[: words_of(page).index("The numbers")]
    assert "does not go in: it is 440 kg above the payload margin" in top
    assert 'class="answer good"' not in page
    us = words_of(compare_page(replace(beside(), designs=tuple(heavy)), measures=US))
    assert "does not go in: it is 970 lb above the payload margin" in us and "weight, lb" in us


def test_one_year_has_no_odds():
    page = compare_page(compare(variants_of(TRIP), source="written"))
    assert 'id="odds"' not in page and "1 weather year" in words_of(page)


# ---- size ----


def test_the_size_page_opens_with_the_verdict():
    words = words_of(size_page(sizing(), TRIP))
    assert words.index(sized.verdict(sizing())) < words.index("The numbers")
    assert sized.target_words(sizing()) in words[: words.index("The numbers")]
    for sentence in (*sized.limit_words(sizing()), *sized.walked_words(sizing()), *sized.note_words(sizing())):
        assert sentence in words
    for row in sized.step_rows(sizing()):
        assert " ".join(row) in words
    assert f"{sizing().lane_hours - sizing().lane_hours_beyond:,} of {sizing().lane_hours_whole:,} lane-hours" in words


def test_every_design_of_the_grid_is_listed():
    page = size_page(sizing())
    assert f"Every design ({len(sizing().grid.designs)})" in page
    words = words_of(page)
    for design in sizing().grid.designs:
        assert f"{design.number + 1}. {sized.design_words(sizing(), design)}" in words


def test_the_front_is_drawn_where_price_and_odds_are():
    found = size(parse_scenario(TRIP), whole=True)
    assert len(found.front) >= 2
    plot = front_plot(found)
    known = [design for design in found.grid.designs if not design.over]
    paths = {shape.kind: shape.path for shape in plot.shapes}
    dots, front = (re.findall(r"M([\d.-]+) ([\d.-]+)h0", paths[kind]) for kind in ("dot", "dot-front"))
    assert len(dots) == len(known) and len(front) == len(found.front)
    assert all(0 < float(x) < 1000 and 0 < float(y) < 100 for x, y in dots)
    # Dearer is further to the right, safer is higher up.
    xs, ys = ([float(pair[axis]) for pair in front] for axis in (0, 1))
    assert xs == sorted(xs) and ys == sorted(ys, reverse=True)
    prices = np.array([design.parts.price for design in known])
    places = np.array([float(x) for x, _ in dots])
    assert np.corrcoef(prices, places)[0, 1] == pytest.approx(1.0, abs=1e-4)
    for design in found.front[:3]:
        assert f"{sized.money(design.parts.price, found)} for {sized.percent(found.flat_free_share(design))}" in plot.text
    assert front_plot(replace(found, front=())) is None


def test_a_target_that_nothing_meets_says_what_comes_nearest():
    text = TRIP.replace("in_parallel = [1, 4]", "in_parallel = [1, 2]").replace("[1, 6]", "[1, 2]") + "flat_days = 0\n"
    found = size(parse_scenario(text))
    assert found.cheapest is None
    page = size_page(found)
    words = words_of(page)
    assert 'class="answer flat"' in page and "No design meets the target" in words
    assert sized.design_words(found, found.nearest) in words[: words.index("The numbers")]
    assert "None meets the target; this one comes nearest." in words


def test_what_is_not_known_is_a_question_mark_not_nought():
    text = TRIP.replace("p_w = 110, kg = 8, area_m2 = 0.8, price = 100", "p_w = 110, price = 100")
    words = words_of(size_page(size(parse_scenario(text))))
    assert "weight ? " in words and "roof ? " in words
    assert "Which is the lightest cannot be told without" in words
    # What is missing is alike in all designs: the sum of the rest still ranks them.
    inverter = TRIP.replace("[costs]", "[inverter]\nrated_w = 500\nprice = 150\n[costs]") + "flat_days = 16\n"
    found = size(parse_scenario(inverter))
    words = words_of(size_page(found))
    assert f"weight {METRIC.mass(found.cheapest.parts.mass_kg)}" in words
    assert "Weights are without what has no weight written: [inverter] kg" in words


# ---- remedies ----


def test_complete_cures_come_first():
    page = remedies_page(cures(), TRIP)
    words = words_of(page)
    assert words.index(remedied.verdict(cures())) < words.index("The numbers")
    complete = [remedy for remedy in cures().singles if remedy.complete]
    some = [remedy for remedy in cures().singles if not remedy.complete and remedy.net > 0.0]
    assert complete and some
    first, then = page.index('<section id="complete"'), page.index('<section id="some"')
    assert first < then
    listed = re.findall(r'<th scope="row">(.*?)</th>', page[first : page.index("</section>", first)])
    assert [name.replace("&#34;", '"').replace("&lt;", "<").replace("&gt;", ">") for name in listed] == [
        remedy.name for remedy in complete
    ]
    for remedy in (*complete, *some):
        assert remedy.name in words
    for change in (change for remedy in (*complete, *some) for change in remedy.changes if change.caution):
        assert change.caution in words[words.index("Cautions") :]


def test_many_pairs_are_cut_and_counted():
    pair = replace(cures().singles[0], changes=cures().singles[0].changes * 2)
    words = words_of(remedies_page(replace(cures(), pairs=(pair,) * 18)))
    assert "And 3 more: changes.csv has all." in words


def test_what_nothing_cures_is_said():
    hopeless = tuple(replace(spell, cured_by=()) for spell in cures().spells)
    words = words_of(remedies_page(replace(cures(), spells=hopeless)))
    assert "of flat days that nothing in reach cures" in words and "nothing in reach" in words
    assert f"Nothing cures {sum(spell.days for spell in hopeless)} of" in words
    assert "nothing in reach cures" not in words_of(remedies_page(replace(cures(), spells=()))).partition("How to read")[0]


def test_a_trip_without_flat_days_has_nothing_to_mend():
    calm = replace(cures(), flat=np.zeros_like(cures().flat), singles=(), pairs=(), spells=())
    page = remedies_page(calm)
    assert 'class="answer good"' in page and "Nothing to mend" in page
    assert '<section id="complete"' not in page


def test_over_many_years_odds_stand_with_their_interval():
    found = remedies(parse_scenario(TRIP), years=6, pairs=False)
    words = words_of(remedies_page(found))
    best = found.singles[0]
    low, high = best.interval
    assert f"{best.without_flat / best.years:.0%} ({low:.0%} to {high:.0%})" in words
    assert "6 drawn weather years" in words


# ---- files and commands ----


def test_the_files_hold_the_figures_of_the_study():
    files = comparison_files(beside(), TRIP)
    assert set(files) == {"compare.json", "compare.html", "designs.csv", "years.csv"}
    told, years = json.loads(files["compare.json"]), rows_of(files["years.csv"])
    for design, row in zip(beside().designs, told["designs"], strict=True):
        mine = [int(year["flat_days"]) for year in years if year["design"] == design.name]
        assert mine == row["flat_days"] == design.flat_days.tolist()
    assert [row["design"] for row in rows_of(files["designs.csv"])] == [design.name for design in beside().designs]

    files = size_files(sizing(), TRIP)
    assert set(files) == {"size.json", "size.html", "designs.csv", "years.csv"}
    told, years = json.loads(files["size.json"]), rows_of(files["years.csv"])
    assert len(rows_of(files["designs.csv"])) == len(told["designs"]) == len(sizing().grid.designs)
    for row in told["designs"]:
        mine = [int(year["flat_days"]) for year in years if int(year["design"]) == row["design"]]
        assert len(mine) == row["years_walked"] and max(mine, default=None) == row["worst_flat_days"]

    files = remedies_files(cures(), TRIP)
    assert set(files) == {"remedies.json", "remedies.html", "changes.csv"}
    told = json.loads(files["remedies.json"])
    assert [row["change"] for row in rows_of(files["changes.csv"])] == [
        row["change"] for row in (*told["singles"], *told["pairs"])
    ]


def test_they_come_out_the_same_twice_without_path_script_or_request():
    for make in (
        lambda: comparison_files(beside(), [("one.toml", TRIP)]),
        lambda: size_files(sizing(), TRIP),
        lambda: remedies_files(cures(), TRIP),
    ):
        first, again = make(), make()
        assert first == again
        for name, text in first.items():
            assert not re.search(r"/(home|tmp|usr|work|root|Users)/", text)
            assert not re.search(r"\bnan\b|\binf\b|NaN", text)
            if name.endswith(".html"):
                assert "<script" not in text and "://" not in text and "<i>" not in text
                assert text.count("<h1>") == 1


@pytest.fixture
def trip(tmp_path):
    path = tmp_path / "trip.toml"
    path.write_text(TRIP, encoding="utf-8")
    return path


COMMANDS = {
    "compare": (["--years", "3"], {"compare.json", "compare.html", "designs.csv", "years.csv"}),
    "size": (["--years", "3"], {"size.json", "size.html", "designs.csv", "years.csv"}),
    "remedies": (["--no-pairs"], {"remedies.json", "remedies.html", "changes.csv"}),
}


@pytest.mark.parametrize("command", COMMANDS)
def test_the_commands_write_their_files_after_the_answer(command, trip, tmp_path, capsys):
    more, names = COMMANDS[command]
    assert main([command, str(trip), *more, "--out", str(tmp_path / "out")]) == 0
    said = capsys.readouterr().out
    assert said.rstrip().splitlines()[-1].startswith(f"Written to {tmp_path / 'out'}: {command}.json, {command}.html")
    assert {path.name for path in (tmp_path / "out").iterdir()} == names
    assert main([command, str(trip), *more, "--json", "--out", str(tmp_path / "again")]) == 0
    printed = capsys.readouterr().out
    assert json.loads(printed) == json.loads((tmp_path / "again" / f"{command}.json").read_text(encoding="utf-8"))
    for name in names:
        assert (tmp_path / "out" / name).read_bytes() == (tmp_path / "again" / name).read_bytes()
    # A page of several files names each; one that could be only one does not.
    assert ("trip.toml" in (tmp_path / "out" / f"{command}.html").read_text(encoding="utf-8")) == (command == "compare")


@pytest.mark.parametrize("command", COMMANDS)
def test_a_folder_that_is_a_file_is_refused_before_any_work(command, trip, capsys):
    assert main([command, str(trip), "--out", str(trip)]) == 2
    answered = capsys.readouterr()
    assert answered.out == "" and "this is a file, not a folder" in answered.err


def test_a_table_of_designs_needs_a_cell_for_each():
    piece = Versus("Two", ("Figure", "a", "b"), [])
    assert piece.kind == "versus" and piece.groups == []


def test_figures_that_only_count_as_alike_are_told_by_their_limit():
    assert compared.best_words([0.05, 0.0], -1, lambda it: f"{compared.days_text(it)} days") == "at most 0.05 days"
    assert (
        compared.best_words([11.3, 10.8], 1, lambda it: f"its bank {compared.life_text(it)} years")
        == "its bank at least 10.8 years"
    )
    assert compared.best_words([1400.2, 1400.4], -1, lambda it: f"{it:,.0f} EUR") == "1,400 EUR"
    assert compared.best_words([None], -1, str) == ""


def test_the_difference_in_costs_is_that_of_the_costs_that_are_printed():
    """215.6 and 281.4 are printed as 216 and 281: 65 apart, not 66."""
    found = beside()
    first, other = found.designs[1:3]
    cheap = replace(first, cost=replace(first.cost, per_year=215.6))
    dear = replace(other, cost=replace(other.cost, per_year=281.4), flat_days=first.flat_days)
    said = list(compared.win_words(replace(found, designs=(cheap, dear)), METRIC))[-1]
    assert "(216 EUR; " in said and "costs 65 more)" in said
