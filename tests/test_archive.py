"""Past years from the archive: a loopback server answers like the service, well and badly; nothing here leaves this machine."""

from __future__ import annotations

import calendar
import datetime
import gzip
import json
import math
import os
import socket
import ssl
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from dataclasses import replace
from functools import lru_cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import SimpleNamespace
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.errors import ArchiveError, InputError
from simulator.weather import archive, archive_files, archive_gather, hourly_weather
from simulator.weather.archive import (
    Patience,
    cached_years,
    check_years,
    elevation_corrected,
    get_into_cache,
    get_year,
    get_years,
)
from simulator.weather.archive_manners import wait_asked_for
from simulator.weather.past import cell_of, hourly_past_weather, years_needed

NAMES = {
    "ghi": "ALLSKY_SFC_SW_DWN",
    "dni": "ALLSKY_SFC_SW_DNI",
    "dhi": "ALLSKY_SFC_SW_DIFF",
    "temp_air": "T2M",
    "wind_speed": "WS10M",
    "rain": "PRECTOTCORR",
}
HERE = (38.6, -7.9)
CELL = (38.5, -8.0)
HEIGHT_M = 240.5


def _hours(year):
    return pd.date_range(f"{year}-01-01", f"{year}-12-31 23:00", freq="h")


@lru_cache(maxsize=16)
def _columns(longitude_deg, year):
    """A sun that culminates at noon of the place; every other number tells its hour and its year."""
    utc = _hours(year)
    number = np.arange(len(utc))
    sun = np.maximum(0.0, np.cos((utc.hour + 0.5 - 12.0 + longitude_deg / 15.0) * math.pi / 12.0))
    return {
        "ghi": np.round(800.0 * sun, 2),
        "dni": np.round(600.0 * sun, 2),
        "dhi": np.round(200.0 * sun, 2),
        "temp_air": np.round(number / 1000.0 + (year - 2000), 3),
        "wind_speed": np.round(number % 97 / 10.0, 2),
        "rain": np.round(number % 7 / 10.0, 2),
    }


@lru_cache(maxsize=16)
def _body(latitude_deg, longitude_deg, year):
    """What the service sends, as text; the hours stand in no order."""
    keys = _hours(year).strftime("%Y%m%d%H").tolist()
    parameters = {
        NAMES[name]: dict(zip(reversed(keys), column[::-1].tolist(), strict=True))
        for name, column in _columns(longitude_deg, year).items()
    }
    return json.dumps(
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [longitude_deg, latitude_deg, HEIGHT_M]},
            "properties": {"parameter": parameters},
            "header": {"title": "Hourly data", "fill_value": -999.0, "time_standard": "UTC"},
            "messages": [],
            "parameters": {name: {"units": "?"} for name in parameters},
            "times": {"data": 1.0, "process": 0.1},
        }
    )


class _Answers(BaseHTTPRequestHandler):
    def do_GET(self):
        service = self.server.service
        query = {name: values[0] for name, values in parse_qs(urlsplit(self.path).query).items()}
        with service.lock:
            service.queries.append(query)
            turn = service.script.pop(0) if service.script else service.always
        turn(self, query)

    def send(self, body, status=200, kind="application/json", length=None, **headers):
        data = body if isinstance(body, bytes) else body.encode("utf-8")
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(data) if length is None else length))
        for name, value in headers.items():
            self.send_header(name.replace("_", "-"), value)
        self.end_headers()
        self.wfile.write(data)

    def log_message(self, *_):
        pass


class _Server(ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, request, client_address):
        """A client that hangs up early is part of the play."""


def good(handler, query):
    year = int(query["start"][:4])
    handler.send(_body(float(query["latitude"]), float(query["longitude"]), year))


def packed(handler, query):
    assert handler.headers["Accept-Encoding"] == "gzip"
    body = _body(float(query["latitude"]), float(query["longitude"]), int(query["start"][:4]))
    handler.send(gzip.compress(body.encode("utf-8"), 1), Content_Encoding="gzip")


def altered(change):
    """A good answer, changed in one way."""

    def turn(handler, query):
        reply = json.loads(_body(float(query["latitude"]), float(query["longitude"]), int(query["start"][:4])))
        handler.send(json.dumps(change(reply) or reply))

    return turn


def status(code, body="", kind="application/json", **headers):
    return lambda handler, _query: handler.send(body, code, kind, **headers)


def truncated(handler, query):
    handler.send(_body(float(query["latitude"]), float(query["longitude"]), int(query["start"][:4]))[:5000])


def half_sent(handler, query):
    body = _body(float(query["latitude"]), float(query["longitude"]), int(query["start"][:4]))
    handler.send(body[:5000], length=len(body))


def dropped(handler, _query):
    handler.connection.shutdown(socket.SHUT_RDWR)


def stalled(handler, _query):
    handler.server.service.over.wait(20.0)


def stalled_in_the_middle(handler, _query):
    handler.send('{"type": "Feature"', length=5000)
    handler.wfile.flush()
    handler.server.service.over.wait(20.0)


def dripping(handler, _query):
    """Never silent, and never done."""
    handler.send("{", length=5000)
    while not handler.server.service.over.wait(0.01):
        handler.wfile.write(b" ")


@pytest.fixture
def service(monkeypatch, tmp_path):
    """The archive on this machine: ``script`` holds what it does with the next requests, ``always`` with all after."""
    with _Server(("127.0.0.1", 0), _Answers) as server:
        found = SimpleNamespace(
            script=[],
            always=good,
            queries=[],
            headers=[],
            lock=threading.Lock(),
            over=threading.Event(),
            folder=tmp_path / "cache",
        )
        server.service = found
        found.url = f"http://127.0.0.1:{server.server_port}/hourly"
        monkeypatch.setenv("FLATDAYS_ARCHIVE_URL", found.url)
        monkeypatch.setenv("FLATDAYS_CACHE", str(found.folder))
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        yield found
        found.over.set()
        server.shutdown()
        thread.join()


@pytest.fixture
def waits():
    """The pauses that were made; none of them takes time."""
    return []


@pytest.fixture
def patience(waits):
    return Patience(timeout_s=5.0, deadline_s=20.0, sleep=waits.append)


@pytest.fixture
def no_socket(monkeypatch):
    """Any socket is a failure."""

    def refuse(*_args, **_kwargs):
        raise AssertionError("a socket was opened")

    monkeypatch.setattr(socket, "socket", refuse)
    monkeypatch.setattr(socket, "create_connection", refuse)


def _files(service):
    return sorted(path.name for path in service.folder.iterdir()) if service.folder.is_dir() else []


# --- good years -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("year", [2019, 2020])
@pytest.mark.parametrize("turn", [good, packed])
def test_a_year_arrives_as_it_was_sent(service, patience, waits, year, turn):
    service.always = turn
    found = get_year(*HERE, year, patience=patience)
    sent = _columns(CELL[1], year)
    assert list(found.table.columns) == ["ghi", "dni", "dhi", "temp_air", "wind_speed"]
    assert len(found.table) == (8784 if calendar.isleap(year) else 8760)
    assert (found.table.index == _hours(year).tz_localize("UTC")).all()
    for name in found.table.columns:
        np.testing.assert_array_equal(found.table[name], sent[name])
    np.testing.assert_array_equal(found.precipitation_mm, sent["rain"])
    assert (found.latitude_deg, found.longitude_deg, found.elevation_m) == (*CELL, HEIGHT_M)
    assert (found.typical, found.year, found.notes, waits) == (False, year, (), [])
    assert str(year) in found.source and "38.5 N 8 W" in found.source
    assert found.source.startswith("An archive of the user's own")


def test_the_request_is_for_one_cell_and_year(service, patience):
    get_year(*HERE, 2020, patience=patience)
    (query,) = service.queries
    assert query == {
        "latitude": "38.5",
        "longitude": "-8",
        "start": "20200101",
        "end": "20201231",
        "community": "re",
        "parameters": "ALLSKY_SFC_SW_DWN,ALLSKY_SFC_SW_DNI,ALLSKY_SFC_SW_DIFF,T2M,WS10M,PRECTOTCORR",
        "format": "json",
        "header": "True",
        "time-standard": "utc",
    }


def test_a_second_time_nothing_is_asked_and_the_year_is_the_same(service, patience):
    first = get_year(*HERE, 2019, patience=patience)
    second = get_year(*HERE, 2019, patience=patience)
    assert len(service.queries) == 1
    pd.testing.assert_frame_equal(first.table, second.table, check_exact=True)
    np.testing.assert_array_equal(first.precipitation_mm, second.precipitation_mm)
    for name in ("name", "source", "sha256", "latitude_deg", "longitude_deg", "elevation_m", "notes", "year"):
        assert getattr(first, name) == getattr(second, name), name
    assert _files(service) == ["archive-N38.5W008.0-2019-v1.npz"]


def test_points_of_one_cell_share_one_request_and_several_years_come_at_once(service, patience):
    points = [HERE, (38.4, -8.1), (38.0, -8.0)]
    told = []
    found = get_years(points, [2019, 2020], patience=patience, on_progress=lambda *each: told.append(each))
    assert set(found) == {(point, year) for point in points for year in (2019, 2020)}
    assert found[points[0], 2019] is found[points[1], 2019]
    assert {(each["latitude"], each["start"][:4]) for each in service.queries} == {
        ("38.5", "2019"),
        ("38.5", "2020"),
        ("38", "2019"),
        ("38", "2020"),
    }
    assert len(service.queries) == 4
    assert [each[:2] for each in told] == [(1, 4), (2, 4), (3, 4), (4, 4)]
    assert cached_years(*HERE) == cached_years(38.4, -8.1) == (2019, 2020)
    assert cached_years(50.0, 0.0) == ()


def test_the_cache_is_filled_and_goes_on_where_it_stopped(service, patience):
    service.script = [good, status(422, json.dumps({"messages": ["Not this one."]})), good]
    with pytest.raises(ArchiveError, match="Not this one") as caught:
        get_into_cache([HERE], [2018, 2019, 2020], patience=patience, max_workers=1)
    assert "2 of 3 years of cells are in the cache; the same command goes on from there" in str(caught.value)
    assert cached_years(*HERE) == (2018, 2020)
    done = get_into_cache([HERE], [2018, 2019, 2020], patience=patience)
    assert (done.cells, done.asked, done.kept, done.notes) == (1, 1, 2, ())
    assert len(service.queries) == 4


def test_offline_needs_no_socket_for_what_is_kept(service, patience, request):
    online = get_year(*HERE, 2019, patience=patience)
    request.getfixturevalue("no_socket")
    offline = get_year(*HERE, 2019, offline=True)
    pd.testing.assert_frame_equal(online.table, offline.table, check_exact=True)


def test_offline_says_what_is_missing_and_how_to_get_it(service, no_socket):
    with pytest.raises(ArchiveError) as caught:
        get_years([HERE, (60.0, 10.0)], [2005, 2006, 2007, 2010], offline=True)
    first, second = str(caught.value).splitlines()
    assert first.startswith("weather of 2005-2007, 2010 in the cell around 38.5 N 8 W is not in the cache")
    assert "60 N 10 E" in second
    assert first.endswith("flatdays fetch SCENARIO --years 2005-2010")
    assert caught.value.exit_status == 3


def test_many_missing_cells_are_not_listed_to_the_end(service, no_socket):
    with pytest.raises(ArchiveError) as caught:
        get_years([(float(north), 0.0) for north in range(20)], [2019], offline=True)
    assert str(caught.value).splitlines()[-1] == "and 12 more of the kind"
    assert len(str(caught.value).splitlines()) == 9


# --- bad days of the service ------------------------------------------------------------------------------------------

PAGE = "<!DOCTYPE html><html><body>We will be back soon</body></html>"


@pytest.mark.parametrize(
    ("turn", "said"),
    [
        (status(429), "answered 429 Too Many Requests"),
        (status(500, PAGE, "text/html"), "answered 500"),
        (status(502), "answered 502"),
        (status(503, json.dumps({"messages": ["Down for\na wash."]})), "answered 503 Service Unavailable (Down for a wash)"),
        (status(504), "answered 504"),
        (status(200, PAGE, "text/html"), "sent a web page instead of data"),
        (status(200, b"\xff\xfe\x00"), "not text"),
        (status(200, "[1, 2]"), "something else than data"),
        (status(200, "[" * 100_000), "breaks off or is damaged"),
        (status(200, b"\x1f\x8b nonsense", Content_Encoding="gzip"), "data that is damaged"),
        (status(200, gzip.compress(b"{}" * 4000)[:20], Content_Encoding="gzip"), "breaks off"),
        (status(200, ""), "breaks off or is damaged"),
        (truncated, "breaks off or is damaged"),
        (half_sent, "broke the connection off in the middle"),
        (dropped, "broke the connection off"),
        (status(302, Location="ftp://127.0.0.1/year"), "cannot be reached (unknown url type: ftp)"),
        (status(302, Location="http://[half/year"), "an address that cannot be read"),
    ],
)
def test_a_passing_trouble_is_said_and_asked_again(service, patience, waits, turn, said):
    service.script = [turn, turn]
    told = []
    found = get_year(*HERE, 2019, patience=patience, progress=told.append)
    np.testing.assert_array_equal(found.table["ghi"], _columns(CELL[1], 2019)["ghi"])
    assert waits == [1.0, 2.0]
    assert len(service.queries) == 3
    assert said in told[0] and "attempt 2 of 4 in 1 s" in told[0]


@pytest.mark.parametrize(
    ("turn", "said", "timeout_s", "deadline_s"),
    [
        (stalled, "was silent for 0.05 s", 0.05, 20.0),
        (stalled_in_the_middle, "was silent for 0.05 s", 0.05, 20.0),
        (dripping, "did not finish its answer within 0.1 s", 5.0, 0.1),
    ],
)
def test_a_service_that_stalls_or_drips_is_left(service, waits, turn, said, timeout_s, deadline_s):
    service.always = turn
    short = Patience(timeout_s=timeout_s, deadline_s=deadline_s, attempts=2, sleep=waits.append)
    with pytest.raises(ArchiveError) as caught:
        get_year(*HERE, 2019, patience=short)
    assert str(caught.value).endswith(f"{said}, 2 times in a row; try again later")
    assert waits == [1.0]
    assert _files(service) == []


def test_attempts_and_pauses_are_bounded(service, patience, waits):
    service.always = status(500)
    with pytest.raises(ArchiveError, match=r"answered 500 .*4 times in a row") as caught:
        get_year(*HERE, 2019, patience=patience)
    assert str(caught.value).startswith("weather of 2019 in the cell around 38.5 N 8 W: the archive")
    assert waits == [1.0, 2.0, 4.0]
    assert len(service.queries) == 4


def test_a_pause_asked_for_is_made_if_it_is_short(service, patience, waits):
    service.script = [status(429, Retry_After="7"), status(503, Retry_After="soon")]
    get_year(*HERE, 2019, patience=patience)
    assert waits == [7.0, 2.0]


def test_a_long_pause_asked_for_ends_the_attempt(service, patience, waits):
    service.always = status(429, Retry_After="3600")
    with pytest.raises(ArchiveError, match="asks to be left alone for 60 minutes; try again after that"):
        get_years([HERE], range(2001, 2011), patience=patience, max_workers=1)
    assert waits == []
    assert len(service.queries) <= 2


def test_a_pause_until_a_date_is_measured_on_the_clock_of_the_service():
    sent = {"Date": "Wed, 01 Jan 2025 10:00:00 GMT", "Retry-After": "Wed, 01 Jan 2025 10:01:30 GMT"}
    assert wait_asked_for(sent) == 90.0
    assert wait_asked_for(sent | {"Retry-After": "Wed, 01 Jan 2025 09:00:00 GMT"}) == 0.0
    assert wait_asked_for({"Retry-After": "Wed, 01 Jan 2020 10:01:30 GMT"}) == 0.0
    for odd in ({}, {"Retry-After": "-5"}, {"Retry-After": "1e9"}, sent | {"Retry-After": "Wed, 99 Jan 2025"}):
        assert wait_asked_for(odd) is None


def test_a_refusal_is_passed_on_and_not_repeated(service, patience, waits):
    messages = ["One of your parameters is\u0007 wrong.", "The year 2019 is <b>not</b> there."]
    service.always = status(422, json.dumps({"header": "The request was not complete.", "messages": messages}))
    with pytest.raises(ArchiveError) as caught:
        get_year(*HERE, 2019, patience=patience)
    assert (
        'refused the request: "One of your parameters is wrong; The year 2019 is <b>not</b> there"; '
        "change the place or the years" in str(caught.value)
    )
    assert (waits, len(service.queries)) == ([], 1)


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (json.dumps({"detail": [{"msg": "value is not a valid date", "loc": ["query", "end"]}]}), "value is not a valid date"),
        (json.dumps({"detail": "no such place"}), "no such place"),
        (json.dumps({"messages": [3, None, ""]}), "without saying why"),
        (PAGE, "without saying why"),
        (json.dumps({"messages": ["x" * 5000]}), "xxx [...]"),
    ],
)
def test_a_refusal_in_other_words(service, patience, body, said):
    service.always = status(422, body)
    with pytest.raises(ArchiveError) as caught:
        get_year(*HERE, 2019, patience=patience)
    assert said in str(caught.value)
    assert len(str(caught.value)) < 600


@pytest.mark.parametrize("code", [400, 403, 404, 410, 501])
def test_any_other_answer_is_final(service, patience, code):
    service.always = status(code, PAGE, "text/html")
    with pytest.raises(ArchiveError, match=f"answered {code} .*FLATDAYS_ARCHIVE_URL"):
        get_year(*HERE, 2019, patience=patience)
    assert len(service.queries) == 1


def test_a_redirect_is_followed(service, patience):
    service.script = [lambda handler, _query: handler.send("", 307, Location="/elsewhere?" + handler.path.partition("?")[2])]
    assert get_year(*HERE, 2019, patience=patience).year == 2019


def test_an_answer_without_end_is_not_read_to_it(service, patience, monkeypatch):
    monkeypatch.setattr(archive, "LARGEST_REPLY_BYTES", 600_000)
    with pytest.raises(ArchiveError, match="sent more than a year of weather can be"):
        get_year(*HERE, 2019, patience=patience)
    service.always = packed
    with pytest.raises(ArchiveError, match="breaks off or is too long"):
        get_year(*HERE, 2019, patience=patience)


@pytest.mark.parametrize(
    ("reason", "said", "pauses"),
    [
        (ssl.SSLCertVerificationError("self-signed"), "certificate could not be verified", 0),
        (TimeoutError("timed out"), "did not answer within 5 s, 4 times in a row", 3),
        (socket.gaierror(-2, "Name or service not known"), "cannot be reached (Name or service not known), 4 times", 3),
    ],
)
def test_a_connection_that_does_not_come_about(service, patience, waits, monkeypatch, reason, said, pauses):
    # A name server or a certificate cannot be had on this machine: the library's own words stand for them.
    if isinstance(reason, ssl.SSLCertVerificationError):
        reason.verify_message = "self-signed certificate"

    def fail(*_args, **_kwargs):
        raise urllib.error.URLError(reason)

    monkeypatch.setattr(urllib.request.OpenerDirector, "open", fail)
    with pytest.raises(ArchiveError) as caught:
        get_year(*HERE, 2019, patience=patience)
    assert said in str(caught.value)
    assert len(waits) == pauses


def test_nobody_listens(service, patience, waits, monkeypatch):
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        monkeypatch.setenv("FLATDAYS_ARCHIVE_URL", f"http://127.0.0.1:{free.getsockname()[1]}/hourly")
    with pytest.raises(ArchiveError, match=r"the archive cannot be reached .*refused"):
        get_year(*HERE, 2019, patience=patience)
    assert len(waits) == 3


def test_an_archive_out_of_reach_is_not_asked_for_every_year(service, patience):
    service.always = dropped
    with pytest.raises(ArchiveError) as caught:
        get_years([HERE], range(2001, 2021), patience=patience, max_workers=1)
    assert len(str(caught.value).splitlines()) == archive_gather.MOST_IN_A_ROW
    assert len(service.queries) <= 4 * (archive_gather.MOST_IN_A_ROW + 1)


def test_one_year_given_up_does_not_keep_the_later_ones_away(service, patience):
    service.script = [status(500)] * 4
    with pytest.raises(ArchiveError, match=r"weather of 2018 .* answered 500"):
        get_into_cache([HERE], [2018, 2019, 2020], patience=patience, max_workers=1)
    assert cached_years(*HERE) == (2019, 2020)


# --- answers that are not the year asked for --------------------------------------------------------------------------


def _series(reply, name="ghi"):
    return reply["properties"]["parameter"][NAMES[name]]


def _put(name, values, hours):
    """Write values over some hours of a column."""

    def change(reply):
        keys = _hours(2019).strftime("%Y%m%d%H")
        for key in keys[hours]:
            _series(reply, name)[key] = values

    return altered(change)


def _set(path, value):
    def change(reply):
        place = reply
        for step in path[:-1]:
            place = place[step]
        place[path[-1]] = value

    return altered(change)


def _drop(*path):
    def change(reply):
        place = reply
        for step in path[:-1]:
            place = place[step]
        del place[path[-1]]

    return altered(change)


@pytest.mark.parametrize(
    ("turn", "said"),
    [
        (_set(("geometry", "coordinates"), [12.0, 38.5, 10.0]), "for another place (latitude 38.5, longitude 12)"),
        (_set(("geometry", "coordinates"), [-8.0, -38.5, 10.0]), "for another place"),
        (_set(("geometry", "coordinates"), [-8.0, 38.5]), "does not say for which place and height"),
        (_set(("geometry", "coordinates"), [-8.0, 38.5, -999.0]), "-999 m as the height"),
        (_set(("geometry", "coordinates"), [-8.0, "38.5", 10.0]), "does not say for which place"),
        (_drop("geometry"), "does not say for which place"),
        (altered(lambda _reply: {"messages": ["Please read the manual."]}), "Please read the manual"),
        (_drop("properties"), "holds no data"),
        (_drop("properties", "parameter", "T2M"), "lacks air temperature (T2M)"),
        (_set(("header", "time_standard"), "LST"), "on the clock LST, UTC was asked for"),
        (
            _drop("properties", "parameter", "T2M", "2019022805"),
            "8759 hours of air temperature (T2M), the year has 8760; lacking: 2019-02-28 05",
        ),
        (_set(("properties", "parameter", "T2M", "2020010100"), 1.0), "8761 hours of air temperature"),
        (_put("temp_air", "warm", slice(30, 31)), 'air temperature (T2M) at 2019-01-02 06:00 UTC is "warm", not a number'),
        (_put("temp_air", None, slice(30, 31)), "is null, not a number"),
        (_put("temp_air", True, slice(30, 31)), "is true, not a number"),
        (_put("temp_air", float("nan"), slice(30, 31)), "is NaN, not a number"),
        (_put("ghi", 10**400, slice(30, 31)), "not a number"),
        (
            _put("temp_air", 285.0, slice(30, 90)),
            "at 2019-01-02 06:00 UTC is 285 C, possible is -90 to 60 (60 such hours)",
        ),
        (_put("ghi", 2100.0, slice(12, 13)), "2100 W/m2"),
        (_put("ghi", -50.0, slice(0, 1)), "is -50 W/m2"),
        (_put("ghi", 3.0, slice(None)), "in another unit"),
        (_put("wind_speed", 120.0, slice(0, 1)), "wind speed"),
        (_put("rain", 900.0, slice(0, 1)), "precipitation at 2019-01-01 00:00 UTC is 900 mm"),
    ],
)
def test_a_whole_but_wrong_answer_is_refused_once_and_not_kept(service, patience, turn, said):
    service.always = turn
    with pytest.raises(ArchiveError) as caught:
        get_year(*HERE, 2019, patience=patience)
    message = str(caught.value)
    assert message.startswith("weather of 2019 in the cell around 38.5 N 8 W: the archive's answer is not usable")
    assert said in message and "\n" not in message
    assert len(service.queries) == 1
    assert _files(service) == []


def test_a_little_below_zero_is_zero(service, patience):
    service.always = _put("dni", -0.4, slice(0, 3))
    assert (get_year(*HERE, 2019, patience=patience).table["dni"].iloc[:3] == 0.0).all()


def test_a_sun_on_another_clock_is_said(service, patience):
    def later(reply):
        for name in ("ghi", "dni", "dhi"):
            series = _series(reply, name)
            keys = sorted(series)
            series.update(dict(zip(keys, np.roll([series[key] for key in keys], 5).tolist(), strict=True)))

    service.always = altered(later)
    (note,) = get_year(*HERE, 2019, patience=patience).notes
    late_min = int(note.split(" minutes late")[0].split()[-1])
    # The sun of the test keeps mean time; the sun itself is up to 16 minutes off it.
    assert 280 <= late_min <= 320


def test_where_the_sun_goes_round_noon_says_nothing(service, patience):
    assert get_year(78.0, 15.0, 2019, patience=patience).notes == ()


# --- hours that are lacking -------------------------------------------------------------------------------------------


def test_few_fill_values_are_filled_and_said(service, patience):
    noon = 24 * 100 + 12
    service.always = _put("ghi", -999.0, slice(noon, noon + 30))
    found = get_year(*HERE, 2019, patience=patience)
    (note,) = found.notes
    assert note.startswith("30 of 8760 hours lack global light (ghi) in the archive (0.34 %, at most 30 h in a row; ")
    assert "2019-04-11 12:00 to 2019-04-12 17:00 UTC" in note
    # Every day of the sun sent is the same, so that its neighbours fill it to the digit, noon and night alike.
    np.testing.assert_allclose(found.table["ghi"], _columns(CELL[1], 2019)["ghi"], rtol=0.0, atol=1e-9)
    assert get_year(*HERE, 2019, offline=True).notes == found.notes


def test_a_filled_temperature_lies_between_its_neighbours(service, patience):
    service.always = _put("temp_air", -999.0, slice(2000, 2005))
    found = get_year(*HERE, 2019, patience=patience).table["temp_air"].to_numpy()
    np.testing.assert_allclose(found[2000:2005], _columns(CELL[1], 2019)["temp_air"][2000:2005], atol=1e-9)


def test_fill_at_new_year_comes_from_both_ends(service, patience):
    service.always = _put("temp_air", -999, slice(0, 1))
    sent = _columns(CELL[1], 2019)["temp_air"]
    assert get_year(*HERE, 2019, patience=patience).table["temp_air"].iloc[0] == pytest.approx((sent[24] + sent[-24]) / 2.0)


def test_the_fill_value_of_the_header_counts_too(service, patience):
    def change(reply):
        reply["header"]["fill_value"] = -8888.0
        _series(reply, "wind_speed")["2019010100"] = -8888.0

    service.always = altered(change)
    assert "1 of 8760 hours lack wind speed" in get_year(*HERE, 2019, patience=patience).notes[0]


@pytest.mark.parametrize("hours", [175, 176])
def test_the_share_that_is_filled_ends_at_two_per_cent(service, patience, hours):
    service.always = _put("temp_air", -999.0, slice(8760 - hours, 8760))
    if hours / 8760 <= 0.02:
        assert f"{hours} of 8760" in get_year(*HERE, 2019, patience=patience).notes[0]
        return
    with pytest.raises(ArchiveError) as caught:
        get_year(*HERE, 2019, patience=patience)
    assert "176 of 8760 hours lack air temperature (2019-12-24 16:00 to 2019-12-31 23:00 UTC)" in str(caught.value)
    assert "the archive is filled some months late" in str(caught.value)
    assert _files(service) == []


def test_many_short_gaps_are_not_listed_one_by_one(service, patience):
    service.always = _put("dhi", -999.0, slice(0, 8760, 10))
    with pytest.raises(ArchiveError) as caught:
        get_year(*HERE, 2019, patience=patience)
    assert "876 of 8760 hours lack diffuse light (dhi)" in str(caught.value)
    assert "and 872 shorter stretches" in str(caught.value)
    assert len(str(caught.value)) < 500


def test_precipitation_may_be_lacking(service, patience):
    service.script = [_drop("properties", "parameter", "PRECTOTCORR")]
    found = get_year(*HERE, 2019, patience=patience)
    assert np.isnan(found.precipitation_mm).all() and "snow cannot be reckoned" in found.notes[0]
    assert np.isnan(get_year(*HERE, 2019, offline=True).precipitation_mm).all()
    service.script = [_put("rain", -999.0, slice(10, 20))]
    other = get_year(10.0, 10.0, 2019, patience=patience)
    assert (other.precipitation_mm[10:20] == 0.0).all() and "10 of 8760 hours lack precipitation" in other.notes[0]


# --- the cache --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_interrupted_in_the_middle_nothing_half_is_left(service, patience, monkeypatch, error):
    def interrupted(*_args):
        raise error

    monkeypatch.setattr(os, "replace", interrupted)
    if isinstance(error, OSError):
        found = get_year(*HERE, 2019, patience=patience)
        np.testing.assert_array_equal(found.table["ghi"], _columns(CELL[1], 2019)["ghi"])
        (note,) = found.notes
        assert note.startswith("it could not be kept for the next time: ") and "No space left on device" in note
    else:
        with pytest.raises(KeyboardInterrupt):
            get_year(*HERE, 2019, patience=patience)
    assert _files(service) == []
    assert cached_years(*HERE) == ()


def test_a_disk_that_fills_while_writing(service, patience, monkeypatch):
    def full(part, **_columns):
        part.write(b"PK half of it")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(np, "savez_compressed", full)
    with pytest.raises(ArchiveError, match=r"fetched but could not be kept: .*No space left on device.*FLATDAYS_CACHE") as caught:
        get_into_cache([HERE], range(2001, 2021), patience=patience, max_workers=1)
    assert len(str(caught.value).splitlines()) == 1
    assert len(service.queries) <= 4
    assert _files(service) == []


def test_a_cache_folder_that_is_a_file(service, patience):
    service.folder.write_text("not a folder")
    found = get_year(*HERE, 2019, patience=patience)
    assert len(found.table) == 8760 and "could not be kept" in found.notes[0]
    with pytest.raises(ArchiveError, match="not in the cache"):
        get_year(*HERE, 2019, offline=True)
    assert cached_years(*HERE) == ()


def test_no_cache_folder_at_all(service, patience, monkeypatch):
    monkeypatch.setenv("FLATDAYS_CACHE", "")
    assert "there is no cache folder" in get_year(*HERE, 2019, patience=patience).notes[0]
    with pytest.raises(ArchiveError, match="name a folder in FLATDAYS_CACHE"):
        get_year(*HERE, 2019, offline=True)
    assert cached_years(*HERE) == ()


def test_a_damaged_file_is_never_used(service, patience):
    sound = get_year(*HERE, 2019, patience=patience)
    (path,) = service.folder.iterdir()
    data = path.read_bytes()
    cell = cell_of(*HERE)
    refused = 0
    places = [*range(0, 120, 3), *range(200, len(data), len(data) // 60), *range(len(data) - 420, len(data), 7)]
    for place in places:
        path.write_bytes(data[:place] + bytes([data[place] ^ 0x21]) + data[place + 1 :])
        try:
            found = archive_files.read_kept(cell, 2019)
        except archive_files.DamagedFileError:
            refused += 1
            continue
        # A byte that carries nothing, such as a date inside the archive.
        pd.testing.assert_frame_equal(found.table, sound.table, check_exact=True)
        assert found.sha256 == sound.sha256
    assert refused > len(places) / 2
    for length in (0, 1, 100, len(data) // 2, len(data) - 1):
        path.write_bytes(data[:length])
        with pytest.raises(archive_files.DamagedFileError, match="damaged"):
            archive_files.read_kept(cell, 2019)


def test_a_damaged_file_is_fetched_again_or_refused_offline(service, patience):
    get_year(*HERE, 2019, patience=patience)
    (path,) = service.folder.iterdir()
    sound = path.read_bytes()
    path.write_bytes(sound[: len(sound) // 2])
    assert cached_years(*HERE) == ()
    with pytest.raises(ArchiveError, match=r"2019-v1\.npz is damaged, .*flatdays fetch SCENARIO --years 2019-2019"):
        get_year(*HERE, 2019, offline=True)
    told = []
    get_year(*HERE, 2019, patience=patience, progress=told.append)
    assert "is damaged and is fetched again" in told[0]
    assert path.read_bytes() == sound
    assert len(service.queries) == 2


def test_a_file_under_the_name_of_another_cell_or_year_is_not_taken(service, patience):
    get_year(*HERE, 2019, patience=patience)
    (path,) = service.folder.iterdir()
    for other in ("archive-N38.5W008.0-2018-v1.npz", "archive-N40.0W008.0-2019-v1.npz"):
        (service.folder / other).write_bytes(path.read_bytes())
    assert cached_years(*HERE) == (2019,)
    assert cached_years(40.0, -8.0) == ()


def test_objects_are_not_unpickled(service, patience):
    service.folder.mkdir()
    path = archive_files.path_of(service.folder, cell_of(*HERE), 2019)
    np.savez(path, told=np.array([{"a": 1}], dtype=object), values=np.zeros((6, 8760)), checksum=np.zeros(32, dtype=np.uint8))
    with pytest.raises(archive_files.DamagedFileError):
        archive_files.read_kept(cell_of(*HERE), 2019)


def test_too_large_a_file_is_not_read(service):
    service.folder.mkdir()
    with archive_files.path_of(service.folder, cell_of(*HERE), 2019).open("wb") as file:
        file.truncate(archive_files.LARGEST_FILE_BYTES + 1)
    with pytest.raises(archive_files.DamagedFileError, match="too large"):
        archive_files.read_kept(cell_of(*HERE), 2019)


def test_a_folder_where_the_file_should_be(service, patience):
    archive_files.path_of(service.folder, cell_of(*HERE), 2019).mkdir(parents=True)
    found = get_year(*HERE, 2019, patience=patience)
    assert len(found.table) == 8760 and "could not be kept" in found.notes[0]


def test_what_killed_processes_left_is_swept_in_time(service, patience):
    service.folder.mkdir()
    old, new = service.folder / "archive-old.part", service.folder / "archive-new.part"
    for left in (old, new):
        left.write_bytes(b"half")
    long_ago_s = new.stat().st_mtime - 86400.0
    os.utime(old, (long_ago_s, long_ago_s))
    get_year(*HERE, 2019, patience=patience)
    assert _files(service) == ["archive-N38.5W008.0-2019-v1.npz", "archive-new.part"]


def test_two_processes_at_once_do_no_harm(service):
    # Nobody gets an answer before both have asked for the same two years: they write at the same time.
    both = threading.Barrier(4)

    def together(handler, query):
        both.wait(30.0)
        good(handler, query)

    service.script = [together] * 4
    code = (
        "from simulator.weather.archive import get_years\n"
        f"found = get_years([{HERE}, (10.0, 10.0)], [2018, 2019])\n"
        "print(sorted((point, year, each.sha256, float(each.table.ghi.sum())) for (point, year), each in found.items()))"
    )
    running = [
        subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        for _ in range(2)
    ]
    outcomes = [process.communicate() for process in running]
    assert [process.returncode for process in running] == [0, 0], outcomes
    assert outcomes[0][0] == outcomes[1][0] != ""
    assert not both.broken and len(service.queries) >= 6
    assert len(_files(service)) == 4 and not [name for name in _files(service) if name.endswith(".part")]
    assert cached_years(*HERE) == cached_years(10.0, 10.0) == (2018, 2019)


# --- what is asked for ------------------------------------------------------------------------------------------------


def test_years_that_cannot_be_had_are_said_all_at_once():
    today = datetime.date(2025, 11, 25)
    check_years(2001, 2024, today)
    check_years(2024, 2024, today)
    with pytest.raises(InputError) as caught:
        check_years(2030, 1999, today)
    assert caught.value.mistakes == (
        "years: 2030 lies in the future; the last whole year is 2024, ask for 2024 or earlier",
        "years: the archive begins in 2001, got 1999; ask for 2001 or later",
        "years: expected the earlier year first, got 2030 and 1999; write 1999 and 2030",
    )
    with pytest.raises(InputError, match="2025 is not over yet"):
        check_years(2020, 2025, today)
    with pytest.raises(InputError, match="begins in 2001"):
        get_years([HERE], [2000], offline=True)


@pytest.mark.parametrize("point", [(91.0, 0.0), (0.0, 400.0), (math.nan, 0.0), (0.0, math.inf)])
def test_no_such_point(point, service, no_socket):
    with pytest.raises(InputError, match="correct the coordinates"):
        get_year(*point, 2019)


@given(st.floats(-90.0, 90.0), st.floats(-180.0, 180.0))
def test_a_cell_holds_its_points(latitude_deg, longitude_deg):
    cell = cell_of(latitude_deg, longitude_deg)
    assert abs(cell.latitude_deg) <= 90.0 and -180.0 <= cell.longitude_deg < 180.0
    assert abs(cell.latitude_deg - latitude_deg) <= 0.25
    assert abs((cell.longitude_deg - longitude_deg + 180.0) % 360.0 - 180.0) <= 0.25
    assert (cell.latitude_deg * 2.0).is_integer() and (cell.longitude_deg * 2.0).is_integer()
    assert cell_of(cell.latitude_deg, cell.longitude_deg) == cell
    assert "-" not in cell.key and len(cell.key) == 11


def test_cells_have_names_of_their_own():
    cells = {cell_of(north, east) for north in np.arange(-90.0, 90.5, 7.5) for east in np.arange(-180.0, 180.5, 7.5)}
    assert len({cell.key for cell in cells}) == len(cells) == 25 * 48
    assert cell_of(0.0, 180.0) == cell_of(0.0, -180.0)


@pytest.mark.parametrize(
    "url",
    ["file:///etc/passwd", "ftp://127.0.0.1/", "127.0.0.1:80", "http://", "http://a b/", "http://h:99999/", "http://h/?a=1"],
)
def test_an_address_that_cannot_be_asked(url, service, no_socket):
    with pytest.raises(InputError, match="FLATDAYS_ARCHIVE_URL: expected an address"):
        get_year(*HERE, 2019, url=url)


@pytest.mark.parametrize("given_s", ["0", "-1", "nan", "inf", "soon", "1e9"])
def test_a_time_out_that_makes_no_sense(given_s, service, no_socket, monkeypatch):
    monkeypatch.setenv("FLATDAYS_ARCHIVE_TIMEOUT_S", given_s)
    with pytest.raises(InputError, match="FLATDAYS_ARCHIVE_TIMEOUT_S: expected seconds"):
        get_year(*HERE, 2019)


def test_the_time_out_can_be_set(service, monkeypatch):
    monkeypatch.setenv("FLATDAYS_ARCHIVE_TIMEOUT_S", "0.04")
    service.always = stalled
    usual = archive.patience_from_settings
    monkeypatch.setattr(archive, "patience_from_settings", lambda: replace(usual(), attempts=1))
    with pytest.raises(ArchiveError, match=r"was silent for 0\.04 s; try again later"):
        get_year(*HERE, 2019)


def test_proxies_are_not_asked_for_this_machine(service, patience, monkeypatch):
    monkeypatch.setenv("http_proxy", "http://127.0.0.1:9/")
    monkeypatch.delenv("no_proxy", raising=False)
    assert get_year(*HERE, 2019, patience=patience).year == 2019


def test_other_machines_are_asked_through_the_proxy_that_is_set(service, patience, monkeypatch):
    monkeypatch.setenv("http_proxy", service.url)
    monkeypatch.delenv("no_proxy", raising=False)
    assert get_year(*HERE, 2019, url="http://archive.invalid/hourly", patience=patience).year == 2019
    assert len(service.queries) == 1


# --- past years on a trip ---------------------------------------------------------------------------------------------


def test_air_is_colder_higher_up():
    air = np.array([[10.0, -5.0]])
    np.testing.assert_allclose(elevation_corrected(air, 500.0, 1500.0), air - 6.5)
    np.testing.assert_allclose(elevation_corrected(air, 1500.0, 500.0), air + 6.5)
    np.testing.assert_array_equal(elevation_corrected(air, 700.0, 700.0), air)


@pytest.fixture
def past(service, patience):
    found = get_years([HERE], [2018, 2019, 2020], patience=patience)
    return {year: station for (_point, year), station in found.items()}


def test_a_stay_across_new_year_goes_on_in_the_year_after(past):
    utc = pd.date_range("2026-12-30 00:00", "2027-01-02 23:00", freq="h", tz="UTC")
    assert years_needed(utc, 8) == (2018, 2019)
    found = hourly_past_weather(past, utc, 8)
    sent = {name: np.concatenate([_columns(CELL[1], 2018)[name][-48:], _columns(CELL[1], 2019)[name][:48]]) for name in NAMES}
    for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed"):
        np.testing.assert_array_equal(found[name], sent[name])
    np.testing.assert_array_equal(found["precipitation_mm"], sent["rain"])


def test_inside_one_year_it_is_that_year_on_the_calendar(past):
    utc = pd.date_range("2028-02-27", "2028-03-02 23:00", freq="h", tz="UTC")
    for back, year in ((8, 2020), (9, 2019)):
        assert years_needed(utc, back) == (year,)
        found = hourly_past_weather(past, utc, back)
        for name, values in hourly_weather(past[year], utc).items():
            np.testing.assert_array_equal(found[name], values)


def test_the_hours_between_a_clock_and_utc_need_no_other_year(past):
    utc = pd.date_range("2025-12-31 10:00", "2026-01-05 09:00", freq="h", tz="UTC")
    assert years_needed(utc, 8) == (2018,)
    found = hourly_past_weather({2018: past[2018]}, utc, 8)
    sent = _columns(CELL[1], 2018)["temp_air"]
    np.testing.assert_array_equal(found["temp_air"], np.concatenate([sent[-14:], sent[: len(utc) - 14]]))
    with pytest.raises(ValueError, match="expected the years"):
        hourly_past_weather({2018: past[2018]}, utc, 7)
    with pytest.raises(ValueError, match="expected the years"):
        hourly_past_weather({2018: past[2018]}, utc - pd.Timedelta(hours=1), 8)


def test_the_module_loads_without_the_slow_libraries_and_without_a_network():
    code = (
        "import sys, simulator.weather.archive\n"
        "slow = {'pvlib', 'numba', 'scipy', 'matplotlib', 'requests', 'urllib.request', 'http', 'ssl'}\n"
        "print(slow & set(sys.modules) or 'light')"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "light"
