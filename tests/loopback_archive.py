"""An archive of past years on this machine that answers as it is told: well, slowly, falsely or not at all."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import lru_cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pandas as pd

from simulator.weather.archive_reply import PARAMETERS

Query = dict[str, str]
Turn = Callable[["Handler", Query], None]


@lru_cache(maxsize=64)
def good_body(latitude_deg: float, longitude_deg: float, year: int) -> bytes:
    """A year of one cell as the service sends it: the sun culminates at noon, the air tells the year and the cell."""
    utc = pd.date_range(f"{year}-01-01", f"{year}-12-31 23:00", freq="h")
    sun = np.maximum(0.0, np.cos((utc.hour + 0.5 - 12.0 + longitude_deg / 15.0) * np.pi / 12.0))
    columns = {
        "ghi": 600.0 * sun,
        "dni": 500.0 * sun,
        "dhi": 200.0 * sun,
        "temp_air": year - 2000.0 + latitude_deg / 100.0 + 5.0 * np.random.default_rng(year).random(len(utc)),
        "wind_speed": 2.0 + 0.0 * sun,
        "precipitation_mm": 0.0 * sun,
    }
    keys = utc.strftime("%Y%m%d%H").tolist()
    reply = {
        "geometry": {"type": "Point", "coordinates": [longitude_deg, latitude_deg, 300.0]},
        "properties": {
            "parameter": {
                PARAMETERS[name]: dict(zip(keys, np.round(np.asarray(column), 2).tolist(), strict=True))
                for name, column in columns.items()
            }
        },
        "header": {"fill_value": -999.0, "time_standard": "UTC"},
        "messages": [],
    }
    return json.dumps(reply).encode()


class Handler(BaseHTTPRequestHandler):
    """Hands each question to the turn of the day."""

    server: Archive

    def do_GET(self) -> None:
        query = {name: values[0] for name, values in parse_qs(urlsplit(self.path).query).items()}
        with self.server.lock:
            self.server.asked.append((query["latitude"], query["longitude"], int(query["start"][:4])))
        self.server.turn(self, query)

    def send(self, body: bytes, status: int = 200, length: int | None = None, **headers: str) -> None:
        self.send_response(status)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(body) if length is None else length))
        for name, value in headers.items():
            self.send_header(name.replace("_", "-"), value)
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: Any) -> None:
        pass


def body_of(query: Query) -> bytes:
    return good_body(float(query["latitude"]), float(query["longitude"]), int(query["start"][:4]))


def good(handler: Handler, query: Query) -> None:
    handler.send(body_of(query))


class Archive(ThreadingHTTPServer):
    """``turn`` is what it does with a question, ``asked`` what it was asked: latitude, longitude, year."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Handler)
        self.turn: Turn = good
        self.asked: list[tuple[str, str, int]] = []
        self.lock = threading.Lock()
        self.over = threading.Event()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_port}/hourly"

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that hangs up, or is killed, is part of the play."""


@contextmanager
def archive_on_this_machine() -> Iterator[Archive]:
    with Archive() as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        try:
            yield server
        finally:
            server.over.set()
            server.shutdown()
            thread.join()
