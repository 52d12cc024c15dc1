"""A measured course of watts on the hours of a trip: exact means, whole weeks, and a sentence for every mistake."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.errors import InputError
from simulator.profiles import read_profile
from simulator.scenario.parts import Scenario, Stop, Vehicle
from simulator.timeline import build_timeline


def clock_of(first=date(2024, 1, 1), days=3, zone="UTC"):
    begin, end = (
        datetime.combine(day, time(), tzinfo=ZoneInfo(zone)).astimezone(UTC) for day in (first, first + timedelta(days=days))
    )
    stop = Stop(1, "x", None, 0.0, 0.0, None, zone, first, first, begin, end, None)
    return build_timeline(Scenario("t", 1, None, Vehicle(), None, (), None, (), (stop,)))


def profile_of(tmp_path, *rows, head="time,watts"):
    file = tmp_path / "load.csv"
    file.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return read_profile(file)


def test_a_day_on_the_clock_repeats(tmp_path):
    found = profile_of(tmp_path, "06:30,100", "07:00,40", "# a remark", "22:15,0")
    assert (found.kind, found.peak_w, found.days) == ("clock", 100.0, 1.0)
    watts = found.hourly_w(clock_of())
    assert watts[:8].tolist() == [0.0] * 6 + [50.0, 40.0]
    assert watts[21:24].tolist() == [40.0, 10.0, 0.0]
    assert watts.sum() == pytest.approx(3 * (50.0 + 15.25 * 40.0))
    assert found.mean_w == pytest.approx(watts.mean())


def test_a_clock_that_is_half_an_hour_off(tmp_path):
    watts = profile_of(tmp_path, "06:30,100", "07:00,40", "22:15,0").hourly_w(clock_of(zone="Asia/Kolkata"))
    # The first whole UTC hour begins at half past midnight.
    assert watts[:8].tolist() == [0.0] * 6 + [70.0, 40.0]


def test_dated_rows_that_cover_the_trip_are_taken_at_their_dates(tmp_path):
    rows = [f"{datetime(2024, 1, 1) + timedelta(hours=hour):%Y-%m-%d %H:%M},{hour}" for hour in range(72)]
    assert profile_of(tmp_path, *rows).hourly_w(clock_of()) == pytest.approx(np.arange(72.0))
    moments = [row.replace(",", "+02:00,") for row in rows]
    shifted = profile_of(tmp_path, *moments).hourly_w(clock_of(days=2))
    assert shifted == pytest.approx(np.arange(2.0, 50.0))


def test_whole_weeks_repeat_so_that_a_weekday_meets_its_weekday(tmp_path):
    """Ten days from Thursday: a week repeats, and the trip of another year begins on a Monday."""
    start = datetime(2023, 6, 1)
    assert start.weekday() == 3
    rows = [f"{start + timedelta(days=day):%Y-%m-%dT%H:%M:%S},{100 + (3 + day) % 7}" for day in range(10)]
    watts = profile_of(tmp_path, *rows).hourly_w(clock_of(days=15))
    assert watts.reshape(15, 24)[:, 5].tolist() == [100.0 + day % 7 for day in range(15)]
    assert (watts.reshape(15, 24) == watts.reshape(15, 24)[:, :1]).all()


def test_less_than_a_week_repeats_by_the_day_and_keeps_the_hour(tmp_path):
    rows = [f"2023-06-01 {hour:02d}:00,{hour}" for hour in range(5, 24)] + [
        f"2023-06-02 {hour:02d}:00,{hour}" for hour in range(9)
    ]
    watts = profile_of(tmp_path, *rows).hourly_w(clock_of(days=2))
    assert watts == pytest.approx(np.tile(np.arange(24.0), 2))


def test_moments_that_do_not_cover_the_trip_are_shown_on_its_clock(tmp_path):
    rows = [f"2023-07-{day:02d}T{hour:02d}:00Z,{(hour + 2) % 24}" for day in (1, 2) for hour in range(24)]
    clock = clock_of(first=date(2024, 7, 1), days=2, zone="Europe/Madrid")
    assert profile_of(tmp_path, *rows).hourly_w(clock) == pytest.approx(clock.local_hour)


def test_other_separators_and_other_columns(tmp_path):
    plain = profile_of(tmp_path, "06:30,100.5", "07:00,40")
    for head, rows in (
        ("Clock;note;Watts", ("06:30;a, b;100,5", "07:00;;40")),
        ("timestamp\tpower_w", ("06:30\t100.5", "07:00:00\t40")),
    ):
        assert (profile_of(tmp_path, *rows, head=head).hourly_w(clock_of()) == plain.hourly_w(clock_of())).all()


@given(
    rows=st.lists(st.tuples(st.integers(0, 1439), st.floats(0.0, 2000.0)), min_size=2, max_size=30, unique_by=lambda row: row[0])
)
def test_a_day_keeps_its_energy(rows, tmp_path_factory):
    rows = sorted(rows)
    lines = [f"{minute // 60:02d}:{minute % 60:02d},{watts!r}" for minute, watts in rows]
    ends = [minute for minute, _ in rows[1:]] + [rows[0][0] + 1440]
    energy_wh = sum(watts * (end - minute) / 60.0 for (minute, watts), end in zip(rows, ends, strict=True))
    watts = profile_of(tmp_path_factory.mktemp("p"), *lines).hourly_w(clock_of(days=2))
    assert watts.sum() == pytest.approx(2.0 * energy_wh, abs=1e-6)
    assert watts[:24] == pytest.approx(watts[24:], abs=1e-6)


@pytest.mark.parametrize(
    ("rows", "head", "words"),
    [
        (("06:30,100", "07:00,40"), "when,power", ["line 1", "expected the first line time,watts", "others may stay"]),
        (("06:30,100", "25:00,40"), "time,watts", ["line 3", "expected a time such as 06:30", '"25:00"']),
        (("06:30,100", "07:00,-4"), "time,watts", ["line 3", "expected watts from 0", '"-4"']),
        (("06:30,100", "07:00,"), "time,watts", ["line 3", "expected watts", "take rows without one out"]),
        (("06:30,100", "07:00"), "time,watts", ["line 3", "expected a time and watts"]),
        (("06:30,100", "nan,nan"), "time,watts", ["line 3", "expected a time", "expected watts"]),
        (("07:00,100", "06:30,4"), "time,watts", ["line 3", "after that of the row before", "Sort the rows"]),
        (("07:00,100", "07:00,4"), "time,watts", ["each time once"]),
        (("07:00,100", "2024-01-01 08:00,4"), "time,watts", ["times of one kind"]),
        (("2024-01-01 08:00,4", "2024-01-04 08:00,4"), "time,watts", ["a gap of 72 h", "with 0 where nothing ran"]),
        (("2024-01-01 08:00,4", "2024-01-01 12:00,4"), "time,watts", ["at least one whole day, got 8 h"]),
        (("2024-02-30 08:00,4", "2024-03-01 12:00,4"), "time,watts", ["expected a time", "2024-02-30"]),
        (("07:00,100",), "time,watts", ["at least two rows, got 1"]),
    ],
)
def test_one_sentence_for_every_mistake(tmp_path, rows, head, words):
    with pytest.raises(InputError) as caught:
        profile_of(tmp_path, *rows, head=head)
    told = "\n".join(caught.value.mistakes)
    assert all(word in told for word in words), told
    for mistake in caught.value.mistakes:
        assert mistake.startswith("load.csv: ") and "expected " in mistake and ", got " in mistake, mistake


def test_all_mistakes_come_at_once_up_to_ten(tmp_path):
    with pytest.raises(InputError) as caught:
        profile_of(tmp_path, *(["x,y"] * 20))
    assert len(caught.value.mistakes) == 11
    assert "was not looked at any more" in caught.value.mistakes[-1]


@pytest.mark.parametrize(
    "make", [lambda file: None, lambda file: file.mkdir(), lambda file: file.write_bytes(b"time,watts\n\xff\n")]
)
def test_files_that_are_no_table(tmp_path, make):
    make(tmp_path / "load.csv")
    with pytest.raises(InputError, match=r"load\.csv: expected .*, got .*\."):
        read_profile(tmp_path / "load.csv")
    (tmp_path / "empty.csv").touch()
    with pytest.raises(InputError, match="an empty file"):
        read_profile(tmp_path / "empty.csv")
