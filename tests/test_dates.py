"""The trip on other dates: laid out anew by the clock, under the same years of weather, with the odds of each week."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from simulator import timeline
from simulator.cli import main
from simulator.engine import simulate
from simulator.errors import InputError
from simulator.report.dates import dates_lines
from simulator.route import drawn_years
from simulator.scenario import parse_scenario
from simulator.scenario.moving import departure_moved, route_moved
from simulator.studies.dates import dates, dates_summary, read_weeks, whole_year
from simulator.studies.odds import odds

KT = "[0.20, 0.25, 0.40, 0.50, 0.55, 0.58, 0.58, 0.56, 0.50, 0.38, 0.22, 0.18]"
MEAN_C = "[1, 2, 5, 9, 13, 17, 19, 18, 15, 10, 5, 2]"
NORMALS = f"{{ normals = {{ kt = {KT}, temp_mean_c = {MEAN_C} }} }}"
TRIP = """
title = "North and back"
seed = 3
[vehicle]
standing_draw_w = 0
[bank]
chemistry = "lfp"
unit_ah = 100
[[array]]
panel = {{ p_w = 180 }}
controller = {{ kind = "mppt" }}
[[appliance]]
name = "fridge and light"
power_w = 16
duty_frac = 1.0
[[stop]]
name = "South"
latitude_deg = 42.0
longitude_deg = 8.0
elevation_m = 400
zone = "Europe/Berlin"
arrive = {first}
depart = {second}
weather = {weather}
[[stop]]
name = "North"
latitude_deg = 55.0
longitude_deg = 9.0
elevation_m = 100
zone = "Europe/Berlin"
drive_h = 10
arrive = {second}
depart = {third}
weather = {weather}
"""


def trip(first="2026-02-01", second="2026-02-15", third="2026-03-01", weather=NORMALS):
    return parse_scenario(TRIP.format(first=first, second=second, third=third, weather=weather))


@pytest.fixture(scope="module")
def year():
    return dates(trip(), step_weeks=4, years=12)


def test_a_moved_trip_is_the_trip_written_on_those_dates():
    """Over the start of summer time, a 29 February and a New Year: not one hour differs."""
    for first in ("2026-03-20", "2028-02-20", "2026-12-20"):
        begin = date.fromisoformat(first)
        days = (begin - date(2026, 2, 1)).days
        there, end = begin + timedelta(days=14), begin + timedelta(days=28)
        moved, written = route_moved(trip(), days), trip(first, there.isoformat(), end.isoformat())
        for one, other in zip(moved.stops, written.stops, strict=True):
            assert (one.arrive, one.depart, one.stand_from_utc, one.stand_to_utc, one.drives_utc) == (
                other.arrive,
                other.depart,
                other.stand_from_utc,
                other.stand_to_utc,
                other.drives_utc,
            )
        assert timeline.build_timeline(moved).utc.equals(timeline.build_timeline(written).utc)


def test_local_clocks_stay_through_summer_time():
    """Leaving at nine on the clock is 8:00 UTC in winter and 7:00 UTC in summer."""
    winter, summer = trip(), route_moved(trip(), 7 * 10)
    assert winter.stops[0].stand_to_utc == datetime(2026, 2, 15, 8, tzinfo=UTC)
    assert summer.stops[0].stand_to_utc == datetime(2026, 4, 26, 7, tzinfo=UTC)
    assert summer.stops[0].stand_from_utc == datetime(2026, 4, 11, 22, tzinfo=UTC)


def test_moving_there_and_back_changes_nothing():
    there = route_moved(trip(), 7 * 60)
    assert route_moved(there, -7 * 60).stops == trip().stops


def test_leap_day_is_a_day_of_the_stay():
    leap = route_moved(trip(), 7 * 105)
    assert leap.stops[0].arrive == date(2028, 2, 6)
    clock = timeline.build_timeline(leap)
    assert date(2028, 2, 29) in clock.dates and clock.days == 29


def test_one_stay_is_moved_alone():
    moved = departure_moved(trip(), 1, 7)
    assert [(stop.arrive, stop.depart) for stop in moved.stops] == [
        (date(2026, 2, 1), date(2026, 2, 22)),
        (date(2026, 2, 22), date(2026, 3, 1)),
    ]
    with pytest.raises(InputError, match="depart after the arrival"):
        departure_moved(trip(), 1, -28)
    with pytest.raises(InputError, match="from 1 to 2"):
        departure_moved(trip(), 3, 7)


def test_dates_out_of_range_are_told():
    with pytest.raises(InputError, match="from 1950 to 2100"):
        route_moved(trip(), 365 * 200)
    with pytest.raises(InputError, match="from 1950 to 2100"):
        route_moved(trip(), 10**9)


def test_the_same_years_have_the_same_sky_on_the_same_date():
    """At one stop two departures of one calendar year meet the same clouds, day for day.

    A day's brightest sky is bounded by the mean of the trip's days of that month, so its light may differ by a percent.
    """
    text, _, _ = TRIP.partition('[[stop]]\nname = "North"')
    base = parse_scenario(text.format(first="2026-02-01", second="2026-03-10", weather=NORMALS))
    daily = []
    for scenario in (base, route_moved(base, 14)):
        clock = timeline.build_timeline(scenario)
        ghi = drawn_years(scenario, clock, 3, 5).block(0, 3).table["ghi"]
        sums = np.add.reduceat(ghi, timeline.day_starts(clock.local_day), axis=1)
        daily.append({day: sums[:, at] for at, day in enumerate(clock.dates)})
    both = sorted(set(daily[0]) & set(daily[1]))
    assert len(both) > 15
    for day in both[:-1]:
        assert daily[0][day] == pytest.approx(daily[1][day], rel=0.015)
        assert np.abs(daily[0][day] / daily[1][both[0]] - 1.0).max() > 0.1 or day == both[0]


def test_the_week_as_written_has_the_odds_of_the_trip(year):
    found = odds(trip(), 12)
    written = year.as_written
    assert written is not None
    assert written.flat_days == tuple(found.flat_days)
    assert written.interval == found.flat_free_interval()


def test_summer_is_safe_and_winter_is_not(year):
    by_month = {week.leaving.month: week for week in year.weeks}
    assert by_month[6].without_flat == 12
    assert by_month[11].without_flat == 0
    (span,) = year.spans()
    assert span.before is not None and span.after is not None
    assert span.before[0] < span.first < date(2026, 7, 1) < span.last < span.after[0]
    said = "\n".join(dates_lines(year))
    assert "first safe week back" in said and "last safe week" in said
    # The answer stands first, and 52 weeks take no more lines than there are months.
    assert said.splitlines()[2].startswith("Safe to start from ")
    assert sum(line.startswith("  Jun 2026 ") for line in said.splitlines()) == 1
    assert len(said.splitlines()) < 45
    # The north breaks first, whichever way one comes.
    (north,) = year.spans(1)
    assert (north.last - north.first) <= max(span.last - span.first for span in year.spans(0))


def test_threads_change_nothing(year):
    again = dates(trip(), (0, 4), step_weeks=4, years=12, threads=1)
    assert [week for week in year.weeks if week.weeks in (0, 4)] == list(again.weeks)


def test_a_file_year_moves_through_its_calendar():
    scenario = trip(weather='{ sample = "greensboro" }')
    found = dates(scenario, (-1, 1), source="written")
    assert [week.years for week in found.weeks] == [1, 1, 1]
    for week in found.weeks:
        outcome = simulate(route_moved(scenario, 7 * week.weeks))
        assert week.flat_days == (len(outcome.flat_days),)


def test_a_clear_sky_gets_its_one_year():
    found = dates(trip(weather="{ clear = true }"), (0, 1))
    assert found.choice.kind == "written"
    with pytest.raises(InputError, match="weather that varies"):
        dates(trip(weather="{ clear = true }"), (0, 1), source="drawn")


def test_a_time_that_the_clock_skips_is_told_and_the_rest_goes_on():
    """Half past two on 29 March 2026 does not exist in Berlin."""
    scenario = trip(first="2026-03-22T02:30:00", second="2026-04-01", third="2026-04-05", weather="{ clear = true }")
    found = dates(scenario, (-1, 2))
    assert [week.weeks for week in found.weeks] == [-1, 0, 2]
    ((day, why),) = found.impossible
    assert day == date(2026, 3, 29) and "does not exist there" in why
    assert any("Not possible" in line for line in dates_lines(found))


def test_every_week_of_the_year_leaves_in_that_year():
    for start in (date(2026, 1, 1), date(2026, 2, 20), date(2028, 12, 31)):
        first, last = whole_year(start)
        assert (start + timedelta(weeks=first)).year == start.year == (start + timedelta(weeks=last)).year
        assert (start + timedelta(weeks=first - 1)).year < start.year < (start + timedelta(weeks=last + 1)).year


def test_a_route_over_the_date_line_keeps_its_days():
    """Moved by weeks, a trip from Samoa to Hawaii lives one date twice, as it did before."""
    text = TRIP.format(first="2026-02-01", second="2026-02-15", third="2026-02-20", weather="{ clear = true }")
    text = text.replace('zone = "Europe/Berlin"', 'zone = "Pacific/Apia"', 1).replace(
        'zone = "Europe/Berlin"', 'zone = "Pacific/Honolulu"'
    )
    scenario = parse_scenario(text)
    moved = route_moved(scenario, 21)
    before, after = timeline.build_timeline(scenario), timeline.build_timeline(moved)
    assert before.days == after.days
    assert [(b - a).days for a, b in zip(before.dates, after.dates, strict=True)] == [21] * before.days


def test_crossing_new_year_is_told():
    found = dates(trip(), (-6, 0), step_weeks=6, years=2)
    assert any("New Year" in note for note in found.notes)
    assert not any("New Year" in note for note in dates(trip(), (0, 1), years=2).notes)


@pytest.mark.parametrize(
    ("text", "weeks"), [("-8..8", (-8, 8)), ("8", (-8, 8)), (" 0 .. +4", (0, 4)), ("-2 to 3", (-2, 3)), (None, None)]
)
def test_weeks_are_read(text, weeks):
    assert read_weeks(text) == weeks


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "trip.toml"
    path.write_text(TRIP.format(first="2026-02-01", second="2026-02-15", third="2026-03-01", weather=NORMALS), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--weeks", "soon"], "--weeks"),
        (["--weeks", "8..-8"], "the earlier week first"),
        (["--weeks", "-500..1"], "at most 120 weeks"),
        (["--step", "0"], "--step"),
        (["--weeks", "1..2", "--step", "5"], "--step"),
        (["--stop", "9"], "from 1 to 2"),
        (["--years", "0"], "--years"),
        (["--target", "1.5"], "--target"),
        (["--target", "nan"], "--target"),
        (["--seed", "-4"], "--seed"),
        (["--load-spread", "-1"], "--load-spread"),
        (["--source", "past"], "--source"),
        (["--csv", "."], "this is a folder"),
    ],
)
def test_bad_flags_are_sentences(file, arguments, words, capsys):
    assert main(["dates", str(file), *arguments]) == 2
    printed = capsys.readouterr()
    assert printed.out == "" and words in printed.err and "Traceback" not in printed.err


def test_a_range_that_begins_with_minus_is_not_an_option(file, tmp_path, capsys):
    table = tmp_path / "weeks.csv"
    arguments = ["dates", str(file), "--weeks", "-1..1", "--years", "3", "--json", "--csv", str(table)]
    assert main(arguments) == 0
    text = capsys.readouterr().out
    found = json.loads(text)
    assert [week["weeks"] for week in found["weeks"]] == [-1, 0, 1]
    assert [row.split(",")[0] for row in table.read_text(encoding="utf-8").splitlines()] == ["weeks", "-1", "0", "1"]
    assert main(arguments) == 0
    assert capsys.readouterr().out == text


def test_one_stay_from_the_command_line(file, capsys):
    assert main(["dates", str(file), "--stop", "1", "--years", "2"]) == 0
    printed = capsys.readouterr().out
    assert "leave South" in printed and "always reached on 1 February 2026" in printed


def test_the_summary_has_no_nan(year):
    summary = dates_summary(year)
    json.dumps(summary, allow_nan=False)
    assert summary["safe"][0]["unsafe_before"] < summary["safe"][0]["first"]
