"""Designs, dates and cures where something does not fit: limits broken, prices unknown, routes that cannot be laid out."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest

from simulator.errors import InputError
from simulator.report.compare import _tables, comparison_lines
from simulator.report.compare_page import compare_page
from simulator.report.tables import MAX_FLAT_ROWS, answer_lines
from simulator.scenario import clock, parse_scenario
from simulator.scenario.moving import route_moved
from simulator.scenario.variants import variants_of
from simulator.studies import designs
from simulator.studies.added import _first_hours, _hours
from simulator.studies.compare import compare
from simulator.studies.dates import dates
from simulator.studies.grid import build_grid

TRIP = """
title = "Short stay"
[vehicle]
standing_draw_w = 0
roof_m2 = 0.5
budget = 250
bay_m = [0.34, 0.18, 0.45]
[bank]
chemistry = "lfp"
unit_ah = 60
unit_price = 100
unit_kg = 12
unit_m = [0.33, 0.172, 0.215]
{bank}
[[array]]
name = "roof"
panel = {{ p_w = 60, price = 50, kg = 4, area_m2 = 0.4 }}
controller = {{ kind = "mppt", price = 10 }}
[[appliance]]
name = "all"
wh_per_day = 200
[[stop]]
name = "Field"
latitude_deg = 51.2
longitude_deg = -0.3
elevation_m = 60
{zone}
arrive = {arrive}
depart = {depart}
weather = {{ normals = "London/Gatwick" }}
{more}
"""


def text(bank="", arrive="2026-09-01", depart="2026-09-08", zone="", more=""):
    return TRIP.format(bank=bank, arrive=arrive, depart=depart, zone=zone, more=more)


VARIANTS = """
[[variant]]
name = "two"
set = { "bank.in_parallel" = 2 }
[[variant]]
name = "three and a wide roof"
set = { "bank.in_parallel" = 3, "array.roof.in_parallel" = 2 }
"""


@cache
def compared():
    return compare(variants_of(text(more=VARIANTS)), 4)


def test_limits_of_the_vehicle_by_hand():
    """0.5 m2 of roof, 250 to spend, a bay for two units on top of each other."""
    one, two, three = compared().designs
    assert one.limits_broken == () and two.limits_broken == ("it costs 10 more than the budget",)
    assert three.limits_broken == (
        "the bay takes 2 of its 3 units",
        "its panels need 0.3 m2 more than the roof has",
        "it costs 160 more than the budget",
    )
    said = "\n".join(comparison_lines(compared()))
    assert '"two": so many fit the bay only in 2 layers; what lies above needs a shelf.' in said


def test_a_design_without_a_price_is_not_known_and_never_free():
    found = compared()
    unpriced = replace(found, designs=(found.designs[0], replace(found.designs[1], cost=None)))
    page = compare_page(unpriced)
    assert ">not known<" in page
    assert ">not known<" not in compare_page(replace(found, designs=found.designs[:2]))


def test_titles_of_several_files_stand_side_by_side():
    found = compared()

    def titled(*titles):
        one = found.designs[0]
        return replace(
            found, designs=tuple(replace(one, name=title, scenario=replace(one.scenario, title=title)) for title in titles)
        )

    assert "<title>A / B" in compare_page(titled("A", "B"))
    assert "<title>A / B / C and 2 more" in compare_page(titled("A", "B", "C", "D", "E"))
    # All the same and without prices: no winner in anything.
    alike = titled("A", "B")
    words = "These designs come out alike in everything that was looked at."
    assert words in compare_page(replace(alike, designs=tuple(replace(design, cost=None) for design in alike.designs)))
    assert words not in compare_page(found)


def test_many_designs_are_cut_into_tables_of_a_page():
    found = SimpleNamespace(designs=[SimpleNamespace(name="x" * 40) for _ in range(5)])
    cut = list(_tables(found))
    assert len(cut) > 1
    assert [place for first, count in cut for place in range(first, first + count)] == list(range(5))


def test_at_least_one_design_is_walked():
    with pytest.raises(ValueError, match="expected at least one design"):
        designs.Fleet([], SimpleNamespace(names=()), seed=1)


def test_units_in_series_are_an_axis_of_what_can_be_built():
    """Three units of 12 V make 36 V, for which there is no bus."""
    more = "[size]\nin_series = [1, 2, 3]\npanels = [2, 2]\nmax_price = 9000\nmax_roof_m2 = 9\n"
    scenario = parse_scenario(text(more=more))
    grid = build_grid(scenario, scenario.size, 0.8)
    assert sorted({design.fresh.vehicle.bus_v for design in grid.designs}) == [12, 24]


def test_a_route_made_by_a_program_has_no_dates_to_move():
    scenario = replace(parse_scenario(text()), route_written=())
    with pytest.raises(InputError, match="expected a route as it was written, got one made by a program"):
        route_moved(scenario, 7)


def test_when_no_week_is_possible_the_reason_is_told():
    """Every week asked for lies beyond the calendar."""
    scenario = parse_scenario(text(arrive="2096-12-20", depart="2096-12-27"))
    with pytest.raises(InputError) as caught:
        dates(scenario, (300, 302), years=2)
    assert caught.value.mistakes


def test_a_place_whose_zone_nobody_knows(monkeypatch):
    monkeypatch.setattr(clock, "zone_at", lambda latitude_deg, longitude_deg: "Mars/Base")
    with pytest.raises(InputError, match=r'expected a place with a known zone, got Mars/Base there\. Write zone = "Etc/UTC"'):
        parse_scenario(text())
    assert parse_scenario(text(zone='zone = "Etc/UTC"')).stops[0].zone == "Etc/UTC"


def test_switching_off_is_judged_also_beside_a_bank_that_cannot_be_read():
    with pytest.raises(InputError) as caught:
        parse_scenario(text(bank="in_parallel = -1", more="[switch_off]\ncomfort_soc = 0.7\nluxury_soc = 0.5"))
    assert any("in_parallel" in mistake for mistake in caught.value.mistakes)
    assert any("comfort is switched off after luxury" in mistake for mistake in caught.value.mistakes)


def test_a_clock_time_that_is_skipped_ends_a_drive_with_a_sentence():
    """Half past two on 8 March 2026 does not exist in New York, and the drive that begins then is not laid out."""
    route = text(arrive="2026-03-01", depart="2026-03-08T02:30:00", zone='zone = "America/New_York"').replace(
        "latitude_deg = 51.2\nlongitude_deg = -0.3", "latitude_deg = 41.0\nlongitude_deg = -74.0"
    )
    route += (
        '[[stop]]\nname = "Barn"\nlatitude_deg = 41.5\nlongitude_deg = -74.0\nzone = "America/New_York"\n'
        'arrive = 2026-03-08\ndepart = 2026-03-10\nweather = { normals = "London/Gatwick" }\n'
    )
    with pytest.raises(InputError) as caught:
        parse_scenario(route)
    assert any("02:30" in mistake for mistake in caught.value.mistakes), caught.value.mistakes


def test_the_first_hours_of_windows_stop_where_they_are_used_up():
    assert _first_hours(((8.0, 9.0), (12.0, 13.0)), 0.5) == ((8.0, 8.5),)
    assert _first_hours(((23.0, 1.0), (12.0, 13.0)), 2.5) == ((23.0, 1.0), (12.0, 12.5))


def test_less_than_the_finest_step_is_no_time_at_all():
    """One of the times tried is five minutes; if that fails, nothing finer is looked for."""
    asked = []

    def passing(times_h):
        asked.append(list(times_h))
        return [False for _ in times_h]

    hours, again = _hours(passing, 5.0 / 60.0)
    assert (hours, again) == (0.0, False)
    assert np.min([time for times in asked for time in times]) >= 5.0 / 60.0 - 1e-9


def test_a_long_list_of_flat_runs_is_cut():
    """Two nights dark, every third day a hookup, for half a year: more runs of flat days than a person reads."""
    from simulator.engine import simulate

    flat = text(depart="2027-02-28", more="[shore]\ncharger_a = 40").replace("wh_per_day = 200", "wh_per_day = 900")
    flat = flat.replace('weather = { normals = "London/Gatwick" }', 'hookup = "every 4th night"\nweather = { clear = true }')
    outcome = simulate(parse_scenario(flat))
    lines = "\n".join(map(str, answer_lines(outcome)))
    found = re.search(r"\.\.\. and (\d+) more runs; days\.csv lists every day", lines)
    assert found is not None
    day = np.array([each.date.toordinal() for each in outcome.flat_days])
    assert int(found[1]) == 1 + (np.diff(day) > 1).sum() - MAX_FLAT_ROWS
