"""Weather files: four formats, one contract; whatever is wrong with a file is one sentence, and the cache never matters."""

from __future__ import annotations

import os
from functools import cache as remembered
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simulator.errors import InputError, WeatherFileError
from simulator.weather import (
    COLUMNS,
    look_at_weather_file,
    read_sample,
    read_weather_file,
)
from simulator.weather.checks import clear_day_lateness_min, regrid_to_utc_hours

DATA = Path(pvlib.__file__).parent / "data"
GREENSBORO = {"lat": 36.1, "lon": -79.95, "zone": -5.0, "height": 273.0}
EPW_HEADER = """DESIGN CONDITIONS,0
TYPICAL/EXTREME PERIODS,0
GROUND TEMPERATURES,0
HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0
COMMENTS 1,{comment}
COMMENTS 2,-
DATA PERIODS,1,1,Data,Sunday, 1/ 1,12/31"""
NSRDB_HEADER = (
    "Source,Location ID,City,State,Country,Latitude,Longitude,Time Zone,Elevation,Local Time Zone,"
    "DHI Units,DNI Units,GHI Units,Temperature Units,Wind Speed Units,Version\n"
    "NSRDB,1,-,-,-,{lat},{lon},{zone:g},{height:g},{zone:g},w/m2,w/m2,w/m2,c,m/s,4.0.0"
)


@pytest.fixture(autouse=True)
def _own_cache(tmp_path_factory, monkeypatch):
    """One cache for all tests of this file, and not the person's own."""
    monkeypatch.setenv("FLATDAYS_CACHE", str(tmp_path_factory.getbasetemp() / "weather-cache"))


@remembered
def measured() -> pd.DataFrame:
    """Greensboro's year as pvlib reads it, on the station's clock, first row the hour from 00:00 on 1 January."""
    frame, _ = pvlib.iotools.read_tmy3(DATA / "723170TYA.CSV", coerce_year=2001, map_variables=True)
    return frame[list(COLUMNS)].reset_index(drop=True)


def _calendar(rows: int = 8760, step_min: int = 60, year: int = 2001) -> pd.DatetimeIndex:
    return pd.date_range(f"{year}-01-01", periods=rows, freq=f"{step_min}min")


def epw_text(
    table: pd.DataFrame | None = None,
    place: dict | None = None,
    year: int = 1989,
    comment: str = "-",
    location: str | None = None,
) -> str:
    """An EPW of a year that starts on 1 January 00:00 of the place's clock."""
    table = measured() if table is None else table
    place = GREENSBORO | (place or {})
    location = location or "LOCATION,Greensboro,NC,USA,made up,0,{lat},{lon},{zone:g},{height:g}".format(**place)
    when = _calendar(len(table), year=2000 if len(table) > 8760 else 2001)
    filler_front = (
        "?9,{t:g},0,50,98000,0,0,300,{ghi:g},{dni:g},{dhi:g},0,0,0,0,180,{wind:g},5,5,10,1000,9,999999999,10,0.1,0,88,0.2,0,0"
    )
    rows = [
        f"{year},{moment.month},{moment.day},{moment.hour + 1},60,"
        + filler_front.format(t=row.temp_air, ghi=row.ghi, dni=row.dni, dhi=row.dhi, wind=row.wind_speed)
        for moment, row in zip(when, table.itertuples(), strict=True)
    ]
    return "\n".join([location, EPW_HEADER.format(comment=comment), *rows, ""])


def nsrdb_text(table: pd.DataFrame, labels: pd.DatetimeIndex, place: dict | None = None) -> str:
    """An NSRDB csv with these labels on the place's clock."""
    rows = [
        f"{moment.year},{moment.month},{moment.day},{moment.hour},{moment.minute},{row.dhi:.10g},{row.dni:.10g},{row.ghi:.10g},"
        f"{row.temp_air:.10g},{row.wind_speed:.10g}"
        for moment, row in zip(labels, table.itertuples(), strict=True)
    ]
    head = NSRDB_HEADER.format(**(GREENSBORO | (place or {})))
    return "\n".join([head, "Year,Month,Day,Hour,Minute,DHI,DNI,GHI,Temperature,Wind Speed", *rows, ""])


@remembered
def good_epw() -> str:
    """The plain file that most tests spoil in one way."""
    return epw_text()


@remembered
def good_nsrdb() -> str:
    """The same year in the other clothes."""
    return nsrdb_text(measured(), _calendar(year=2019) + pd.Timedelta(minutes=30))


def _write(folder: Path, text: str | bytes, name: str = "year.dat") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return path


def _edited(text: str, line: int, old: str, new: str) -> str:
    """The text with ``old`` replaced once in one line (counted from 1)."""
    lines = text.split("\n")
    assert old in lines[line - 1]
    lines[line - 1] = lines[line - 1].replace(old, new, 1)
    return "\n".join(lines)


def _with_field(text: str, lines: range | list[int], field: int, value: str) -> str:
    """The text with one field (counted from 0) of some lines (counted from 1) set."""
    split = text.split("\n")
    for line in lines:
        fields = split[line - 1].split(",")
        fields[field] = value
        split[line - 1] = ",".join(fields)
    return "\n".join(split)


def _refusal(path: Path) -> str:
    """The one sentence that refuses a file."""
    with pytest.raises(WeatherFileError) as caught:
        read_weather_file(path)
    assert len(caught.value.mistakes) == 1
    sentence = caught.value.mistakes[0]
    assert sentence.startswith(f"{path}: ")
    assert "\n" not in sentence
    return sentence


# ---- the contract ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["sandpoint", "greensboro", "miami"])
def test_samples_keep_the_contract(name):
    station = read_sample(name)
    table = station.table
    assert tuple(table.columns) == COLUMNS
    assert len(table) == 8760
    assert str(table.index.tz) == "UTC"
    assert table.index[0] == pd.Timestamp("2001-01-01 00:00", tz="UTC")
    assert (table.index[1:] - table.index[:-1] == pd.Timedelta(hours=1)).all()
    assert np.isfinite(table.to_numpy()).all()
    assert (table[["ghi", "dni", "dhi", "wind_speed"]] >= 0.0).all().all()
    assert station.typical
    assert len(station.sha256) == 64
    assert station.name in station.source
    assert str(DATA) not in station.source


def test_unknown_sample_lists_the_known_ones():
    with pytest.raises(
        InputError, match='expected one of sandpoint, greensboro, miami, got "grensboro"; did you mean "greensboro"'
    ):
        read_sample("grensboro")


def test_epw_and_nsrdb_give_the_year_of_the_tmy3_they_were_made_from(tmp_path):
    """Three formats, three labels, one year: the readers know where each label stands."""
    sample = read_sample("greensboro").table.to_numpy()
    for text in (good_epw(), good_nsrdb()):
        # The name says nothing: all files here are called .dat.
        np.testing.assert_allclose(read_weather_file(_write(tmp_path, text)).table.to_numpy(), sample, rtol=0.0, atol=1e-9)
    np.testing.assert_array_equal(read_weather_file(DATA / "723170TYA.CSV").table.to_numpy(), sample)


def test_what_a_station_says_of_itself(tmp_path):
    epw = read_weather_file(_write(tmp_path, good_epw(), "a.epw"))
    assert (epw.name, epw.latitude_deg, epw.longitude_deg, epw.elevation_m) == ("Greensboro, NC, USA", 36.1, -79.95, 273.0)
    assert epw.source == f"Greensboro, NC, USA: the year 1989 (EPW, made up), from a.epw, checksum {epw.sha256[:12]}"
    assert not epw.typical
    assert epw.notes == ()
    nsrdb = read_weather_file(_write(tmp_path, good_nsrdb(), "b.csv"))
    assert nsrdb.source == f"NSRDB cell 1: the year 2019 (NSRDB csv), from b.csv, checksum {nsrdb.sha256[:12]}"
    assert nsrdb.table.index[0] == pd.Timestamp("2019-01-01", tz="UTC")


def test_an_epw_whose_months_come_from_several_years_is_typical(tmp_path):
    text = _with_field(good_epw(), range(9, 753), 0, "1992")
    assert read_weather_file(_write(tmp_path, text)).typical


def test_latin_1_windows_line_ends_and_a_byte_order_mark(tmp_path):
    plain = read_weather_file(_write(tmp_path, good_epw())).table.to_numpy()
    accents = good_epw().replace("COMMENTS 1,-", "COMMENTS 1,estación", 1).replace("Greensboro,", "Évora,", 1).encode("latin-1")
    windows = b"\xef\xbb\xbf" + good_epw().replace("\n", "\r\n").encode()
    for data in (accents, windows):
        np.testing.assert_array_equal(read_weather_file(_write(tmp_path, data)).table.to_numpy(), plain)
    assert read_weather_file(_write(tmp_path, accents)).name == "Évora, NC, USA"


def test_tmy2_of_a_place_with_two_words_is_read(tmp_path):
    """The library's reader stumbles over them."""
    text = (DATA / "12839.tm2").read_text(encoding="ascii").replace("MIAMI     ", "WEST MIAMI", 1)
    station = read_weather_file(_write(tmp_path, text))
    assert station.name == "WEST MIAMI, FL"
    np.testing.assert_array_equal(station.table.to_numpy(), read_sample("miami").table.to_numpy())


def test_tmy3_with_a_comma_in_its_quoted_name_is_read(tmp_path):
    text = (DATA / "703165TY.csv").read_text(encoding="ascii").replace('"SAND POINT"', '"SAND, POINT"', 1)
    assert read_weather_file(_write(tmp_path, text)).name == "SAND, POINT, AK"


@pytest.mark.parametrize(("zone", "longitude"), [(5.5, 77.55), (5.75, 81.3), (-3.5, -57.45), (9.0, 130.05), (0.0, -4.95)])
def test_zones_off_the_hour_are_carried_over_to_utc_hours(tmp_path, zone, longitude):
    """Each UTC hour gets its share of the two local hours it overlaps; written out here by hand."""
    station = read_weather_file(_write(tmp_path, epw_text(place={"zone": zone, "lon": longitude})))
    whole, part = divmod(zone, 1.0)
    for name in COLUMNS:
        local = measured()[name].to_numpy(float)
        first = np.roll(local, -int(whole))
        expected = (1.0 - part) * first + part * np.roll(first, -1)
        np.testing.assert_allclose(station.table[name].to_numpy(), expected, rtol=1e-12, atol=1e-9)


def test_half_hour_files_are_averaged_around_their_labels(tmp_path):
    """A value at hh:00 counts a quarter in the hours before and after, one at hh:30 a half in its own."""
    hourly = measured()
    between = (hourly + hourly.shift(1, fill_value=0.0)) / 2.0
    halves = pd.concat([between, hourly]).sort_index(kind="stable").reset_index(drop=True)
    station = read_weather_file(_write(tmp_path, nsrdb_text(halves, _calendar(17520, 30, 2019))))
    assert len(station.table) == 8760
    for name in COLUMNS:
        quarter, half = halves[name].to_numpy()[0::2], halves[name].to_numpy()[1::2]
        expected = np.roll(0.25 * quarter + 0.5 * half + 0.25 * np.roll(quarter, -1), 5)
        np.testing.assert_allclose(station.table[name].to_numpy(), expected, rtol=1e-9, atol=1e-7)


def test_a_leap_year_keeps_its_day(tmp_path):
    table = measured()
    longer = pd.concat([table.iloc[: 59 * 24], table.iloc[58 * 24 : 59 * 24] + 1.0, table.iloc[59 * 24 :]], ignore_index=True)
    for text in (nsrdb_text(longer, _calendar(8784, year=2020) + pd.Timedelta(minutes=30)), epw_text(longer, year=2020)):
        station = read_weather_file(_write(tmp_path, text))
        assert len(station.table) == 8784
        shown = station.table.loc["2020-02-29 05:00":"2020-03-01 04:00", "temp_air"].to_numpy()
        np.testing.assert_allclose(shown, table.temp_air.iloc[58 * 24 : 59 * 24].to_numpy() + 1.0, atol=1e-9)


def test_a_leap_year_without_its_day_keeps_the_calendar(tmp_path):
    calendar = pd.date_range("2020-01-01 00:30", "2020-12-31 23:30", freq="h")
    labels = calendar[~((calendar.month == 2) & (calendar.day == 29))]
    station = read_weather_file(_write(tmp_path, nsrdb_text(measured(), labels)))
    assert len(station.table) == 8760
    assert station.table.index[-1] == pd.Timestamp("2020-12-31 23:00", tz="UTC")
    assert not ((station.table.index.month == 2) & (station.table.index.day == 29)).any()


@given(
    row_min=st.sampled_from([5, 10, 15, 30, 60]),
    zone=st.integers(-48, 56).map(lambda quarters: quarters / 4.0),
    middle=st.booleans(),
    seed=st.integers(0, 99),
)
@settings(max_examples=30, deadline=None)
def test_carrying_over_to_utc_keeps_the_year_and_its_bounds(row_min, zone, middle, seed):
    values = np.random.default_rng(seed).random(8760 * 60 // row_min)
    hours = regrid_to_utc_hours(values, -row_min / 2.0 if middle else 0.0, float(row_min), zone)
    assert hours.shape == (8760,)
    assert hours.mean() == pytest.approx(values.mean(), rel=1e-12)
    assert values.min() <= hours.min() + 1e-12
    assert hours.max() <= values.max() + 1e-12


# ---- gaps and ranges ------------------------------------------------------------------------------------------------


def test_short_gaps_of_temperature_are_bridged_and_told(tmp_path):
    """Line 9 is the hour from 00:00 on 1 January: gaps of 3 h in the middle and of 2 h at the start, across New Year."""
    text = _with_field(good_epw(), [9, 10, 1000, 1001, 1002], 6, "99.9")
    station = read_weather_file(_write(tmp_path, text))
    (note,) = station.notes
    assert "5 h of air temperature missing (written as 99.9); filled in a straight line" in note
    local = np.roll(station.table.temp_air.to_numpy(), -5)
    truth = measured().temp_air.to_numpy()
    np.testing.assert_allclose(local[990:995], np.linspace(truth[990], truth[994], 5))
    np.testing.assert_allclose(local[[0, 1]], truth[-1] + (truth[2] - truth[-1]) * np.array([1.0, 2.0]) / 3.0)


@pytest.mark.parametrize(
    ("field", "value", "lines", "words"),
    [
        (6, "99.9", range(1000, 1007), ["7 h of air temperature missing", "99.9", "line 1000", "gaps up to 6 h"]),
        (6, "99.9", range(10, 8768, 15), ["584 h of air temperature", "5 % of the year"]),
        (21, "999", range(1000, 2000), ["1000 h of wind speed missing", "999"]),
        (13, "9999", [20], ["1 h of global light (ghi) missing", "9999", "line 20 (1 January 11:00)", "at night only"]),
        (14, "", [20, 21], ["2 h of direct light (dni) missing", "an empty field"]),
        (15, "-9999", range(9, 8769), ["8760 h of diffuse light (dhi) missing", "-9999", "use another file"]),
        (6, "70", [33, 34], ["line 33", "air temperature is 70 C (and in 1 more rows)", "-90 to 60"]),
        (13, "2500", [500], ["line 500", "global light (ghi) is 2500 W/m2", "0 to 1500"]),
        (21, "-3", [500], ["wind speed is -3 m/s", "0 to 75"]),
        (14, "-40", [500], ["direct light (dni) is -40 W/m2"]),
    ],
)
def test_other_gaps_and_impossible_values_are_refused(tmp_path, field, value, lines, words):
    sentence = _refusal(_write(tmp_path, _with_field(good_epw(), lines, field, value)))
    for word in words:
        assert word in sentence


def test_light_missing_at_night_is_night(tmp_path):
    station = read_weather_file(_write(tmp_path, _with_field(good_epw(), [9, 10], 13, "9999")))
    assert "2 h of global light (ghi) missing (written as 9999); night, so set to zero" in station.notes[0]
    np.testing.assert_array_equal(station.table.to_numpy(), read_sample("greensboro").table.to_numpy())


def test_a_pyranometer_a_little_below_zero_at_night_reads_zero(tmp_path):
    station = read_weather_file(_write(tmp_path, _with_field(good_epw(), [9, 10], 13, "-4")))
    assert station.table.ghi.min() == 0.0


def test_missing_codes_of_the_other_formats(tmp_path):
    tmy3 = (DATA / "723170TYA.CSV").read_text(encoding="ascii").split("\n")
    fields = tmy3[99].split(",")
    fields[tmy3[1].split(",").index("Dry-bulb (C)")] = "-9900"
    tmy3[99] = ",".join(fields)
    assert "1 h of air temperature missing (written as -9900)" in read_weather_file(_write(tmp_path, "\n".join(tmy3))).notes[0]
    tmy2 = (DATA / "12839.tm2").read_text(encoding="ascii").split("\n")
    tmy2[99] = tmy2[99][:67] + "9999" + tmy2[99][71:]
    assert "1 h of air temperature missing (written as 999.9)" in read_weather_file(_write(tmp_path, "\n".join(tmy2))).notes[0]


def test_all_columns_that_fail_are_named_at_once(tmp_path):
    text = _with_field(_with_field(good_epw(), range(100, 200), 6, "99.9"), [500], 13, "2500")
    with pytest.raises(WeatherFileError) as caught:
        read_weather_file(_write(tmp_path, text))
    assert len(caught.value.mistakes) == 2


# ---- what is not a weather file -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty"),
        (b" \n\n", "empty"),
        (b"<!DOCTYPE html><html><body>404</body></html>", "web page"),
        (b"\n\n  <html>", "web page"),
        (b"PK\x03\x04rest", "unpack it"),
        (b"\x1f\x8brest", "unpack it"),
        ("LOCATION,a".encode("utf-16"), "UTF-16"),
        (bytes(range(256)), "binary"),
        (b"date;price\n1;2\n", "is not a weather file flatdays knows (EPW, TMY2, TMY3 and NSRDB csv are read)"),
        (b"LOCATION;Evora;-;PRT", "semicolons"),
        (b"Year,Month,Day,Hour,Minute,GHI\n2019,1,1,0,30,0\n", "two lines about the place"),
        (b"Source,Location ID\nNSRDB,1\nWhat,is,this\n", "line 3"),
        (b"[vehicle]\nbus_v = 12\n", "is not a weather file"),
    ],
)
def test_foreign_files_are_named_for_what_they_are(tmp_path, data, words):
    path = _write(tmp_path, data)
    assert words in _refusal(path)
    with pytest.raises(WeatherFileError, match="^" + str(path)):
        look_at_weather_file(path)


def test_the_quick_look_lets_good_files_pass_and_reads_little(tmp_path):
    for path in (
        DATA / "12839.tm2",
        DATA / "703165TY.csv",
        _write(tmp_path, good_epw(), "a"),
        _write(tmp_path, good_nsrdb(), "b"),
    ):
        assert look_at_weather_file(path) is None
    look_at_weather_file(str(DATA / "12839.tm2"))


def test_missing_files_folders_devices_and_giants(tmp_path, monkeypatch):
    (tmp_path / "evora.epw").touch()
    for look in (look_at_weather_file, read_weather_file):
        with pytest.raises(WeatherFileError, match=r'ewora.epw: there is no such weather file; did you mean "evora.epw"'):
            look(tmp_path / "ewora.epw")
        with pytest.raises(WeatherFileError, match="there is no such weather file; look at the folder's name"):
            look(tmp_path / "nowhere" / "evora.epw")
        with pytest.raises(WeatherFileError, match="no such weather file"):
            look(tmp_path / "evora.epw" / "below")
        with pytest.raises(WeatherFileError, match="this is a folder"):
            look(tmp_path)
        with pytest.raises(WeatherFileError, match="device or a pipe"):
            look(Path(os.devnull))
        with pytest.raises(WeatherFileError, match="cannot be opened"):
            look("bad\0name")
        with pytest.raises(WeatherFileError, match="cannot be opened"):
            look("long" * 2000)
    giant = tmp_path / "giant.epw"
    with giant.open("wb") as file:
        file.truncate(65 * 1024 * 1024)
    with pytest.raises(WeatherFileError, match="68 MB, 67 MB are allowed"):
        look_at_weather_file(giant)


def test_a_file_without_permission(tmp_path, monkeypatch):
    """The superuser may read anything, so the refusal is played."""
    path = _write(tmp_path, good_epw())

    def refuse(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    monkeypatch.setattr(Path, "read_bytes", refuse)
    for look in (look_at_weather_file, read_weather_file):
        with pytest.raises(WeatherFileError, match="may not be read; give yourself the permission"):
            look(path)


# ---- what is a damaged one ------------------------------------------------------------------------------------------

LATE_HEADER = "LOCATION,Greensboro,NC,USA,made up,0,{}"


@pytest.mark.parametrize(
    ("location", "words"),
    [
        (LATE_HEADER.format("36.1,-79.95,5,5,273"), ["got 11", 'write "5,5" as 5.5']),
        (LATE_HEADER.format("36.1,-79.95,-5"), ["expected 10 fields", "got 9"]),
        (LATE_HEADER.format("91,-79.95,-5,273"), ["line 1, latitude", "from -90 to 90", "'91'"]),
        (LATE_HEADER.format("36.1,east,-5,273"), ["line 1, longitude", "'east'"]),
        (LATE_HEADER.format("36.1,-79.95,nan,273"), ["line 1, time zone", "'nan'"]),
        (LATE_HEADER.format("36.1,-79.95,-5.1,273"), ["time zone", "quarter hours"]),
    ],
)
def test_headers_that_are_wrong(tmp_path, location, words):
    sentence = _refusal(_write(tmp_path, epw_text(location=location)))
    for word in words:
        assert word in sentence


def test_all_mistakes_of_a_header_come_at_once(tmp_path):
    with pytest.raises(WeatherFileError) as caught:
        read_weather_file(_write(tmp_path, epw_text(location=LATE_HEADER.format("91,-181,15,9999"))))
    assert len(caught.value.mistakes) == 4


def _without_lines(text: str, first: int, last: int) -> str:
    lines = text.split("\n")
    return "\n".join(lines[: first - 1] + lines[last:])


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda text: text[: len(text) // 2], ["cut off"]),
        (lambda text: "\n".join(text.split("\n")[:5000]), ["expected 8760 rows", "got 4992", "cut off"]),
        (lambda text: "\n".join(text.split("\n")[:8]), ["eight header lines", "cut off"]),
        (lambda text: "\n".join(text.split("\n")[:9]), ["1 row of weather"]),
        (lambda text: _without_lines(text, 100, 104), ["line 100 (5 January 00:00)", "5 h are missing"]),
        (lambda text: _edited(text, 100, ",4,20,60,", ",4,19,60,"), ["line 100", "repeats a time"]),
        (lambda text: _without_lines(text, 9, 752), ["starts on 1 February", "1 January to 31 December"]),
        (lambda text: text + "1989,12,31,24" + text.split("\n")[8767][len("1989,12,31,24") :], ["line 8769", "repeats a time"]),
        (lambda text: _edited(text, 200, ",60,", ",60,1,"), ["line 200", "got 36"]),
        (lambda text: _edited(text, 9, ",60,", ",60,1,"), ["line 9", "expected 35 fields, got 36"]),
        (lambda text: _with_field(text, [300], 13, "many"), ["line 300, ghi", "'many'"]),
        (lambda text: _with_field(text, [300], 1, "13"), ["cannot be read as EPW"]),
        (lambda text: _with_field(text, [300], 0, "year"), ["does not say its year"]),
        (lambda text: _edited(text, 8, "1,1,Data", "1,2,Data"), ["line 8", "hourly rows"]),
        (lambda text: _edited(text, 8, "DATA PERIODS", "COMMENTS 3"), ["DATA PERIODS"]),
    ],
)
def test_damaged_epw(tmp_path, spoil, words):
    sentence = _refusal(_write(tmp_path, spoil(good_epw())))
    for word in words:
        assert word in sentence


def test_damaged_tmy3(tmp_path):
    text = (DATA / "703165TY.csv").read_text(encoding="ascii")
    assert "expected 8760 hourly rows, got 8756; the file is cut off" in _refusal(
        _write(tmp_path, _without_lines(text, 100, 103))
    )
    assert "too long" in _refusal(_write(tmp_path, text + text.split("\n")[100]))
    assert "expected 7 fields" in _refusal(_write(tmp_path, _edited(text, 1, "-9.0", "-9,0")))
    assert "no column for dni" in _refusal(_write(tmp_path, _edited(text, 2, "DNI (W/m^2)", "beam")))
    assert "cannot be read as TMY3" in _refusal(_write(tmp_path, _edited(text, 500, "/", "-")))


def test_damaged_tmy2(tmp_path):
    text = (DATA / "12839.tm2").read_text(encoding="ascii")
    assert "line 5001: expected a row of 142 characters" in _refusal(_write(tmp_path, text[: 5000 * 143]))
    assert "expected 8760 rows" in _refusal(_write(tmp_path, "\n".join(text.split("\n")[:2000])))
    assert "cannot be read as TMY2" in _refusal(_write(tmp_path, text.replace(" 62010105", " 6201x105", 1)))


def test_nsrdb_that_mixes_hours_and_half_hours(tmp_path):
    hours, halves = _calendar(4000, 60, 2019) + pd.Timedelta(minutes=30), _calendar(17520, 30, 2019)[8000:]
    labels = hours.append(halves)
    table = measured().iloc[np.minimum(np.arange(len(labels)), 8759)]
    sentence = _refusal(_write(tmp_path, nsrdb_text(table, labels)))
    assert "it mixes rows 30 and 60 minutes apart (the change is at line 4004)" in sentence
    assert "best hourly" in sentence


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda text: "\n".join(text.split("\n")[:3]), "expected 10 fields"),
        (lambda text: "\n".join(text.split("\n")[:3000]), "expected 8760 rows"),
        (lambda text: _edited(text, 1, "Time Zone", "Zone"), "do not give Time Zone"),
        (lambda text: _edited(text, 2, ",c,", ",f,"), "expected Temperature Units in c, got 'f'"),
        (lambda text: _edited(text, 3, "Wind Speed", "Breeze"), "no column for wind_speed"),
        (lambda text: _edited(text, 200, ",30,", ",thirty,"), "cannot be read as NSRDB csv"),
        (lambda text: _edited(text, 2, "36.1", "north"), "line 2, latitude"),
    ],
)
def test_damaged_nsrdb(tmp_path, spoil, words):
    assert words in _refusal(_write(tmp_path, spoil(good_nsrdb())))


@given(
    where=st.floats(0.0, 1.0), junk=st.binary(min_size=1, max_size=40), cut=st.booleans(), kind=st.sampled_from(["epw", "nsrdb"])
)
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_damage_is_a_sentence_or_a_year(tmp_path, where, junk, cut, kind):
    data = (good_epw() if kind == "epw" else good_nsrdb()).encode()
    # Half of the damage falls on the header.
    place = int(where * 2 * 900) if where < 0.5 else int((2 * where - 1) * len(data))
    path = _write(tmp_path, data[:place] + junk + (b"" if cut else data[place + len(junk) :]))
    try:
        station = read_weather_file(path)
    except WeatherFileError as error:
        assert all(sentence.startswith(str(path)) and "\n" not in sentence for sentence in error.mistakes)
    else:
        assert np.isfinite(station.table.to_numpy()).all()


# ---- the sun of a file ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rows", "words"), [(1, "60 minutes late"), (-1, "60 minutes early"), (12, "720 minutes"), (-5, "300 minutes early")]
)
def test_a_file_that_is_late_is_refused_and_told_by_how_much(tmp_path, rows, words):
    """The year turned by whole hours against its own header; the library's own figure may be a minute off."""
    shifted = pd.DataFrame({name: np.roll(measured()[name].to_numpy(), rows) for name in COLUMNS})
    sentence = _refusal(_write(tmp_path, epw_text(shifted)))
    told = int(sentence.split("its sun is ")[1].split()[0])
    assert told == pytest.approx(int(words.split()[0]), abs=2)
    assert rows == 12 or words.split()[-1] in sentence
    assert "time zone or the longitude" in sentence


@pytest.mark.parametrize(("east_deg", "outcome"), [(1.0, "silent"), (4.0, "note"), (7.5, "refused"), (-7.5, "refused")])
def test_small_shifts_pass_middling_are_noted_half_hours_refused(tmp_path, east_deg, outcome):
    """Four minutes a degree of longitude."""
    path = _write(tmp_path, epw_text(place={"lon": GREENSBORO["lon"] + east_deg}))
    if outcome == "refused":
        assert f"30 minutes {'late' if east_deg > 0 else 'early'}" in _refusal(path).replace("29 ", "30 ").replace("31 ", "30 ")
        return
    notes = read_weather_file(path).notes
    assert bool(notes) == (outcome == "note")
    if notes:
        assert "minutes late against solar noon" in notes[0]


@given(late_min=st.floats(-700.0, 700.0), longitude=st.floats(-180.0, 180.0))
@settings(max_examples=40, deadline=None)
def test_lateness_of_a_clear_year_is_found_at_any_size(late_min, longitude):
    """A half-sine day of twelve hours everywhere on the equator of a simple earth, shifted."""

    def day(shift_min: float) -> np.ndarray:
        hour = np.arange(365 * 24) + 0.5 + longitude / 15.0 - shift_min / 60.0
        return 1000.0 * np.maximum(0.0, -np.cos(2.0 * np.pi * hour / 24.0))

    found = clear_day_lateness_min(0.7 * day(late_min), day(0.0), longitude)
    assert found == pytest.approx(late_min, abs=3.0)


def test_wrong_hemisphere_and_wrong_kind_of_light_are_refused(tmp_path):
    assert "latitude" in _refusal(_write(tmp_path, epw_text(place={"lat": -36.1})))
    flat = measured().assign(dni=measured().ghi - measured().dhi)
    sentence = _refusal(_write(tmp_path, epw_text(flat)))
    assert "direct and diffuse light add up to" in sentence
    assert "plane that faces the sun" in sentence
    assert "zero all year" in _refusal(_write(tmp_path, epw_text(measured().assign(ghi=0.0))))
