"""The archive's protocol as another client speaks it: ``get_nasa_power`` of pvlib 0.16 (``pvlib/iotools/nasa_power.py``).

Both clients ask the same server on this machine for the same year: the questions must agree, and what comes out too. The
sun that an answer is held against is checked with pvlib's as well.
"""

from __future__ import annotations

import json
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pandas as pd
import pvlib
import pytest

from simulator.weather.archive import get_year
from simulator.weather.archive_reply import _beyond_w_m2
from simulator.weather.sky import sun_elevation_deg
from tests.outside_checks import apart, reached

COLUMNS = ("ALLSKY_SFC_SW_DWN", "ALLSKY_SFC_SW_DNI", "ALLSKY_SFC_SW_DIFF", "T2M", "WS10M", "PRECTOTCORR")


@pytest.fixture
def asked(monkeypatch, tmp_path):
    """A server that gives every client the same year; yields the questions and its address."""
    chance = np.random.default_rng(1)
    keys = pd.date_range("2020-01-01", "2020-12-31 23:00", freq="h").strftime("%Y%m%d%H").tolist()
    columns = chance.uniform(0.0, 50.0, (len(COLUMNS), len(keys))).round(2).tolist()
    series = {name: dict(zip(keys, column, strict=True)) for name, column in zip(COLUMNS, columns, strict=True)}
    reply = {
        "geometry": {"type": "Point", "coordinates": [-8.0, 38.5, 240.5]},
        "properties": {"parameter": series},
        "header": {"fill_value": -999.0},
        "parameters": {},
        "times": {},
    }
    body = json.dumps(reply).encode("utf-8")
    queries = []

    class Answers(BaseHTTPRequestHandler):
        def do_GET(self):
            queries.append({name: values[0] for name, values in parse_qs(urlsplit(self.path).query).items()})
            self.send_response(200)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_):
            pass

    monkeypatch.setenv("FLATDAYS_CACHE", str(tmp_path))
    for name in ("http_proxy", "HTTP_PROXY", "all_proxy", "ALL_PROXY"):
        monkeypatch.delenv(name, raising=False)
    with ThreadingHTTPServer(("127.0.0.1", 0), Answers) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        yield queries, f"http://127.0.0.1:{server.server_port}/hourly"
        server.shutdown()
        thread.join()


def test_question_and_answer_are_those_of_the_other_client(asked):
    queries, url = asked
    theirs, told = pvlib.iotools.get_nasa_power(38.5, -8.0, "2020-01-01", "2020-12-31", parameters=list(COLUMNS), url=url)
    ours = get_year(38.5, -8.0, 2020, url=url)
    their_query, our_query = queries
    assert {name: our_query[name] for name in their_query if name not in {"latitude", "longitude"}} == {
        name: value for name, value in their_query.items() if name not in {"latitude", "longitude"}
    }
    assert [float(our_query[name]) for name in ("latitude", "longitude")] == [38.5, -8.0]
    assert set(our_query) == set(their_query)
    for name in ours.table.columns:
        pd.testing.assert_series_equal(ours.table[name], theirs[name], check_freq=False, check_exact=True, check_index_type=False)
    np.testing.assert_array_equal(ours.precipitation_mm, theirs["PRECTOTCORR"])
    reached(
        "Hours of a past year as another client reads them",
        "pvlib 0.16, get_nasa_power",
        "identical",
        apart(ours.table, theirs[list(ours.table.columns)]),
    )
    assert (ours.latitude_deg, ours.longitude_deg, ours.elevation_m) == (told["latitude"], told["longitude"], told["altitude"])


@pytest.mark.parametrize(("latitude_deg", "longitude_deg"), [(38.5, -8.0), (-33.0, 151.0), (60.0, 10.0), (0.0, -179.5)])
def test_the_sun_an_answer_is_held_against(latitude_deg, longitude_deg):
    utc = pd.date_range("2019-01-01", "2019-12-31 23:00", freq="h", tz="UTC")
    beyond = _beyond_w_m2(utc, latitude_deg, longitude_deg)
    height = np.sin(np.radians(sun_elevation_deg(utc + pd.Timedelta(minutes=30), latitude_deg, longitude_deg)))
    # A minute of the sun's way is 0.0044 of its height.
    assert np.abs(beyond / 1361.0 - np.maximum(height, 0.0)).max() < 0.009
    reached(
        "Sun that an answer of the archive is held against",
        "pvlib, height of the sun",
        "0.009 of its height",
        np.abs(beyond / 1361.0 - np.maximum(height, 0.0)).max(),
    )
