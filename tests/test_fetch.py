"""From ``flatdays fetch`` to past years in a run and in the odds; a server on this machine answers like the archive."""

from __future__ import annotations

import json
import socket
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import SimpleNamespace
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pandas as pd
import pytest

from simulator import cli, timeline
from simulator.cli import main
from simulator.errors import ArchiveError, InputError
from simulator.route import drawn_years, past_years, route_normals, route_weather
from simulator.scenario import parse_scenario, read_scenario
from simulator.studies.odds import odds, worst_outcome

CELL_M = 300.0
DULL_YEAR = 2016
TRIP = """
title = "Over New Year"
[vehicle]
standing_draw_w = 0
[bank]
chemistry = "lfp"
unit_ah = 100
place = "inside"
[[array]]
panel = { p_w = 200 }
controller = { kind = "mppt", max_charge_a = 20 }
[[appliance]]
name = "fridge and light"
power_w = 10
duty_frac = 1.0
[weather]
years = [2015, 2018]
[[stop]]
name = "Valley"
latitude_deg = 38.6
longitude_deg = -7.9
elevation_m = 300
arrive = 2026-12-20
depart = 2026-12-28
[[stop]]
name = "Pass"
latitude_deg = 40.3
longitude_deg = -7.6
elevation_m = 1300
drive_h = 4
arrive = 2026-12-28
depart = 2027-01-08
"""


def _body(query):
    """A year whose air tells the year: 2015 has 15 C; a dull year has a tenth of the light."""
    year = int(query["start"][:4])
    latitude_deg, longitude_deg = float(query["latitude"]), float(query["longitude"])
    utc = pd.date_range(f"{year}-01-01", f"{year}-12-31 23:00", freq="h")
    keys = utc.strftime("%Y%m%d%H").tolist()
    sun = np.maximum(0.0, np.cos((utc.hour + 0.5 - 12.0 + longitude_deg / 15.0) * np.pi / 12.0)) * (
        0.1 if year == DULL_YEAR else 1.0
    )
    columns = {
        "ALLSKY_SFC_SW_DWN": 300.0 * sun,
        "ALLSKY_SFC_SW_DNI": 300.0 * sun,
        "ALLSKY_SFC_SW_DIFF": 120.0 * sun,
        "T2M": np.full(len(utc), year - 2000.0),
        "WS10M": np.full(len(utc), 2.0),
        "PRECTOTCORR": np.zeros(len(utc)),
    }
    return json.dumps(
        {
            "geometry": {"type": "Point", "coordinates": [longitude_deg, latitude_deg, CELL_M]},
            "properties": {
                "parameter": {
                    name: dict(zip(keys, np.round(values, 2).tolist(), strict=True)) for name, values in columns.items()
                }
            },
            "header": {"fill_value": -999.0, "time_standard": "UTC"},
            "messages": [],
        }
    ).encode()


class _Answers(BaseHTTPRequestHandler):
    def do_GET(self):
        service = self.server.service
        query = {name: values[0] for name, values in parse_qs(urlsplit(self.path).query).items()}
        with service.lock:
            service.queries.append((query["latitude"], query["longitude"], int(query["start"][:4])))
        refused = service.refuse(query)
        body = json.dumps({"header": {}, "messages": [refused]}).encode() if refused else _body(query)
        self.send_response(422 if refused else 200)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_):
        pass


@pytest.fixture
def service(monkeypatch, tmp_path):
    """The archive on this machine, and a cache of its own; ``refuse`` gives the words of a refusal, or nothing."""
    with ThreadingHTTPServer(("127.0.0.1", 0), _Answers) as server:
        found = SimpleNamespace(queries=[], lock=threading.Lock(), refuse=lambda _query: "", folder=tmp_path / "cache")
        server.service = found
        monkeypatch.setenv("FLATDAYS_ARCHIVE_URL", f"http://127.0.0.1:{server.server_port}/hourly")
        monkeypatch.setenv("FLATDAYS_CACHE", str(found.folder))
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        yield found
        server.shutdown()
        thread.join()


@pytest.fixture
def trip(tmp_path):
    file = tmp_path / "trip.toml"
    file.write_text(TRIP, encoding="utf-8")
    return file


@pytest.fixture
def filled(service, trip):
    """The cache has all that the trip asks for."""
    assert main(["fetch", str(trip)]) == 0
    return service


def no_socket(monkeypatch):
    def refuse(*_args, **_kwargs):
        raise AssertionError("a socket was opened")

    monkeypatch.setattr(socket, "socket", refuse)
    monkeypatch.setattr(socket, "create_connection", refuse)


def test_fetch_brings_every_cell_and_year_once(service, trip, capsys):
    assert main(["fetch", str(trip), "--years", "2015-2018"]) == 0
    assert "2015 to 2018 in 2 cells of the archive: 8 years of cells fetched, 0 were there before." in capsys.readouterr().out
    assert sorted(service.queries) == [
        (lat, lon, year) for lat, lon in (("38.5", "-8"), ("40.5", "-7.5")) for year in range(2015, 2019)
    ]
    assert main(["fetch", str(trip)]) == 0
    assert "0 years of cells fetched, 8 were there before" in capsys.readouterr().out
    assert len(service.queries) == 8


def test_offline_opens_no_socket_and_says_what_is_missing(service, trip, capsys, monkeypatch):
    no_socket(monkeypatch)
    assert main(["fetch", str(trip), "--offline"]) == 3
    said = capsys.readouterr()
    assert said.out == ""
    assert "weather of 2015-2018 in the cell around 38.5 N 8 W is not in the cache" in said.err
    assert f"flatdays fetch {trip} --years 2015-2018" in said.err


def test_a_refusal_is_exit_three_and_what_came_is_kept(service, trip, capsys):
    service.refuse = lambda query: "This year is out of order." if query["start"].startswith("2017") else ""
    assert main(["fetch", str(trip)]) == 3
    said = capsys.readouterr()
    assert "This year is out of order" in said.err
    assert "Traceback" not in said.err
    assert "6 of 8 years of cells are in the cache; the same command goes on from there" in said.err
    service.refuse = lambda _query: ""
    assert main(["fetch", str(trip)]) == 0
    assert "2 years of cells fetched, 6 were there before" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("years", "words"),
    [
        ("1999-2005", "the archive begins in 2001"),
        ("2018-2015", "expected the earlier year first"),
        ("2015-2999", "lies in the future"),
        ("lately", 'such as 2005-2024, got "lately"'),
        ("2015-2016-2017", "such as 2005-2024"),
    ],
)
def test_years_that_cannot_be(service, trip, capsys, years, words):
    assert main(["fetch", str(trip), "--years", years]) == 2
    assert words in capsys.readouterr().err
    assert service.queries == []


def test_a_person_at_a_terminal_sees_a_bar(service, trip, capsys, monkeypatch):
    assert cli.shared.bar() is None
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    assert main(["fetch", str(trip)]) == 0
    shown = capsys.readouterr().err
    assert "[############............] 4 of 8" in shown
    assert max(len(part) for part in shown.split("\r")) <= 79


def test_without_a_cache_a_run_says_how_to_fill_it(service, trip, capsys):
    assert main(["run", str(trip)]) == 3
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 2
    assert 'stop 1 "Valley" (line 18), weather.years: its past years are not in the cache' in said[0]
    assert said[1].endswith(f"flatdays fetch {trip} --years 2015-2018")
    assert service.queries == []


def test_a_run_takes_the_last_whole_trip_and_consecutive_years(filled, trip, monkeypatch):
    no_socket(monkeypatch)
    scenario = read_scenario(trip)
    clock = timeline.build_timeline(scenario)
    found = route_weather(scenario, clock)
    # 2018 would need 2019, which nobody asked for: December is of 2017, January of 2018.
    air = found.table["temp_air"]
    valley, year = clock.stop == 0, np.asarray(clock.utc.year)
    assert set(air[valley]) == {17.0}
    # The pass lies 1000 m above its cell: 6.5 C colder.
    assert air[~valley & (year == 2026)] == pytest.approx(17.0 - 6.5)
    assert air[~valley & (year == 2027)] == pytest.approx(18.0 - 6.5)
    assert (found.elevation_m[valley] == 300.0).all()
    assert (found.elevation_m[~valley] == 1300.0).all()
    assert any("2017 in the half-degree cell around 38.5 N 8 W" in source for source in found.sources)
    assert any("2018 in the half-degree cell around 40.5 N 7.5 W" in source for source in found.sources)


def test_each_past_year_is_one_trace(filled, trip, monkeypatch, capsys):
    no_socket(monkeypatch)
    found = odds(read_scenario(trip))
    assert found.year_names == ("2015/16", "2016/17", "2017/18")
    assert found.weather.kind == "past"
    # Only the trip that begins in the dull December goes flat.
    assert found.flat_days.tolist()[0] == 0 or found.flat_days[0] < found.flat_days[1]
    assert found.year_names[found.worst_year] == "2016/17"
    assert len(worst_outcome(found).flat_days) == found.flat_days.max() > 0
    assert main(["odds", str(trip), "--source", "both", "--years", "5", "--json"]) == 0
    both = json.loads(capsys.readouterr().out)
    assert (both["kind"], both["years"], both["beside"]["kind"], both["beside"]["years"]) == ("past", 3, "drawn", 5)
    assert "past years 2015/16 to 2017/18 (3) at Valley" in both["source"][0]
    assert main(["odds", str(trip), "--source", "both", "--years", "5"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.index("of 3 past years") < said.index("of 5 drawn weather years")


def test_blocks_change_no_number(filled, trip):
    scenario = read_scenario(trip)
    clock = timeline.build_timeline(scenario)
    years = past_years(scenario, clock, 1)
    together = years.block(0, 3)
    for row in range(3):
        alone = years.block(row, 1)
        for name, values in together.table.items():
            assert (values[row] == alone.table[name][0]).all()


def test_a_damaged_year_is_left_out_and_said(filled, trip):
    file = next(filled.folder.glob("archive-N38.5W008.0-2015-*.npz"))
    file.write_bytes(file.read_bytes()[:-200])
    found = odds(read_scenario(trip))
    assert found.year_names == ("2016/17", "2017/18")
    assert "1 of 3 past years are left out" in found.weather.notes[0]
    assert "2015; flatdays fetch gets them" in found.weather.notes[0]


def test_stops_without_past_years_get_drawn_ones_beside_them(filled, trip):
    drawn = TRIP.replace('name = "Pass"', 'name = "Pass"\nweather = { sample = "greensboro" }')
    scenario = parse_scenario(drawn)
    clock = timeline.build_timeline(scenario)
    years = past_years(scenario, clock, 5)
    found = years.block(0, len(years.names))
    beside = drawn_years(scenario, clock, len(years.names), 5).block(0, len(years.names))
    valley = clock.stop == 0
    assert (found.table["ghi"][:, ~valley] == beside.table["ghi"][:, ~valley]).all()
    assert found.table["temp_air"][:, valley].mean(axis=1) == pytest.approx([15.0, 16.0, 17.0, 18.0])
    assert any("Greensboro" in source for source in years.sources)
    one = route_weather(scenario, clock)
    assert set(one.table["temp_air"][valley]) == {18.0}


def test_normals_of_past_years_are_their_means_at_the_height_of_the_stop(filled, trip):
    valley, pass_ = route_normals(read_scenario(trip))
    assert valley.temp_mean_c == pytest.approx([16.5] * 12)
    assert pass_.temp_mean_c == pytest.approx([10.0] * 12)
    assert "4 past years" in valley.source


def test_years_that_no_trip_fits_in(filled):
    scenario = parse_scenario(TRIP.replace("[2015, 2018]", "[2016, 2016]"))
    with pytest.raises(InputError, match="the trip runs through 2 calendar years, ask for more"):
        route_weather(scenario, timeline.build_timeline(scenario))
    scenario = parse_scenario(TRIP.replace("[2015, 2018]", "[2001, 2003]"))
    with pytest.raises(ArchiveError, match="flatdays fetch SCENARIO --years 2001-2003"):
        route_weather(scenario, timeline.build_timeline(scenario))
