"""Whatever is in a file, it is read or refused in sentences: scenarios, weather files, answers of the archive, mutated by chance.

The usual run draws the same examples every time, a fixed number of them. ``FLATDAYS_FUZZ_SECONDS=600 pytest tests/test_fuzz.py``
draws new ones for about so many seconds in all; every file prints how many it drew, and a failure prints the seed of its round.
"""

from __future__ import annotations

import copy
import json
import math
import os
import random
import re
import sys
import time
import tomllib
from collections import Counter
from collections.abc import Callable
from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from simulator.engine import simulate
from simulator.errors import ArchiveError, InputError, WeatherFileError
from simulator.record import summary_text
from simulator.scenario import describe, parse_scenario, read_scenario, starter_text
from simulator.weather import look_at_weather_file, read_weather_file
from simulator.weather.archive_reply import PARAMETERS, GarbledReplyError, read_reply, service_words
from simulator.weather.past import cell_of
from tests.weather_texts import weather_texts

ROOT = Path(__file__).resolve().parents[1]
SECONDS = os.environ.get("FLATDAYS_FUZZ_SECONDS")
EXAMPLES = {"text": 700, "tree": 500, "run": 15, "weather": 35, "reply": 25}
"""In a usual run, by what is mutated: ten to twenty seconds in all."""
SHARES = {"text": 0.25, "tree": 0.25, "run": 0.15, "weather": 0.25, "reply": 0.1}
"""Of the seconds of a long run."""
ROUND = {"text": 400, "tree": 400, "run": 20, "weather": 60, "reply": 60}
LONGEST_SENTENCE = 1200


def hunt(what: str, check: Callable[[int], str], say: Callable[[str], object], ends: set[str]) -> None:
    """Draw numbers and hand each to ``check``, which makes a mutant of it and says what became of it; all ``ends`` must occur."""
    became: Counter[str] = Counter()

    def one(number: int) -> None:
        became[check(number)] += 1

    def play(round_number: int | None) -> None:
        kept = settings(
            max_examples=EXAMPLES[what] if round_number is None else ROUND[what],
            derandomize=round_number is None,
            database=None,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        )
        test = kept(given(st.integers(0, 2**63 - 1))(one))
        test() if round_number is None else seed(round_number)(test)()

    if SECONDS is None:
        play(None)
    else:
        until_s, number = time.monotonic() + SHARES[what] * float(SECONDS), time.time_ns() % 10**9
        while time.monotonic() < until_s:
            play(number)
            number += 1
    say(f"{what}: {became.total()} mutants: " + ", ".join(f"{count} {name}" for name, count in became.most_common()))
    assert ends <= set(became), "some ends did not occur, so that hardly anything was tried"


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str]) -> Callable[[str], object]:
    """Say a line although the output of tests is held back."""

    def line(text: str) -> None:
        with capsys.disabled():
            sys.stdout.write(f"\n{text}\n")

    return line


def sound(error: InputError, start: str) -> None:
    """A refusal is made of sentences, each of one line and bearable length, which begin with the file."""
    assert error.mistakes
    for mistake in error.mistakes:
        assert mistake.startswith(start), mistake
        assert mistake.isprintable(), mistake
        assert len(mistake) <= LONGEST_SENTENCE, mistake


# ---- scenarios ----------------------------------------------------------------------------------------------------------------

VALUES: tuple[Any, ...] = (
    *(
        0,
        -1,
        1,
        2,
        3,
        7,
        12,
        24,
        48,
        100,
        8760,
        -0.0,
        0.1,
        0.5,
        0.999999,
        1.0,
        1.5,
        5e-324,
        1e-9,
        1e300,
        -1e300,
        2**31,
        2**63,
        2**64,
    ),
    *(
        10**30,
        math.inf,
        -math.inf,
        math.nan,
        True,
        False,
        "",
        " ",
        "x",
        "12",
        "lfp",
        "agm",
        "flooded",
        "gel",
        "mppt",
        "pwm",
        "\0",
        "\n",
    ),
    *(
        "off",
        "keep",
        "outside",
        "heated",
        "09:00",
        "24:00",
        "00:00-00:00",
        "22:00-06:00",
        "every 2nd night",
        "Europe/Lisbon",
        "UTC",
    ),
    *("../../etc/passwd", "/dev/zero", ".", "e" * 5000, "\u202e\ud7ff", "é" * 70, "<b>&amp;</b>", "{{ 7 * 7 }}", "%s%n", "$(id)"),
    *([], [1], [[1, 2]], [0.5] * 12, [1e9] * 12, [2005, 2010], [2024, 2024], ["sat"], ["09:00-12:00"], [[], {}], {}, {"a": 1}),
    *(
        {"kind": "mppt"},
        {"per_day": 3, "minutes": 5},
        {"clear": True},
        {"sample": "miami"},
        {"normals": "nearest"},
        {"years": [2005, 2006]},
    ),
    *({"file": "nowhere.epw"}, {"soc": 0.5}, date(2026, 3, 8), date(1950, 1, 1), date(2100, 12, 31), date(9999, 12, 31)),
    *(datetime(2026, 3, 8, 2, 30), datetime(2026, 11, 1, 1, 30), date(2024, 2, 29), 1 << 200),
)
JUNK = (
    b"\x00",
    b"\xff",
    b"\xef\xbb\xbf",
    b"\r",
    b"\n",
    b'"""',
    b"'''",
    b"[",
    b"]",
    b"[[",
    b"{",
    b"}",
    b"=",
    b".",
    b",",
    b"#",
    b"\\u0000",
)


@cache
def scenario_texts() -> tuple[str, ...]:
    return (starter_text(), *(path.read_text(encoding="utf-8") for path in sorted((ROOT / "scenarios").glob("*.toml"))))


def mutated_bytes(chance: random.Random, data: bytes, times: int) -> bytes:
    """Bytes changed, lost, doubled, moved; now and then cut off."""
    for _ in range(times):
        start = chance.randrange(len(data) + 1)
        end = min(len(data), start + int(chance.expovariate(1 / 8)))
        put = chance.choice(
            (b"", bytes([chance.randrange(256)]), chance.choice(JUNK), data[start:end] * 2, chance.randbytes(end - start))
        )
        data = data[:start] + put + data[end:]
    return data[: chance.randrange(len(data) + 1)] if chance.random() < 0.05 else data


def mutated_tokens(chance: random.Random, text: str, times: int) -> str:
    """Words and signs deleted, doubled or replaced by others of the file."""
    tokens = re.findall(r"\w+|[^\w\s]|\s+", text)
    for _ in range(times):
        place = chance.randrange(len(tokens))
        other = chance.choice(tokens) if chance.random() < 0.6 else written(chance.choice(VALUES))
        tokens[place : place + 1] = chance.choice(([], [tokens[place]] * 2, [other], [other, tokens[place]]))
        if not tokens:
            return ""
    return "".join(tokens)


def written(value: Any) -> str:
    """A value as TOML, tables inline."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {written(child)}" for key, child in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(written, value)) + "]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, (date, datetime)):
        return value.isoformat()
    return {"inf": "inf", "-inf": "-inf", "nan": "nan"}.get(repr(value), repr(value))


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Paths of everything inside a tree."""
    children = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [found for key, child in children for found in [(*path, key), *places(child, (*path, key))]]


def mutated_tree(chance: random.Random, tree: Any, times: int, values: tuple[Any, ...] = VALUES) -> Any:
    """Keys lost, renamed, added, moved; values of another size or kind."""
    for _ in range(times):
        every = places(tree)
        if not every:
            return tree
        *way, last = chance.choice(every)
        parent = tree
        for key in way:
            parent = parent[key]
        deed = chance.random()
        if deed < 0.15:
            del parent[last]
        elif deed < 0.25 and isinstance(parent, list):
            parent.insert(last, copy.deepcopy(parent[last]))
        elif deed < 0.35 and isinstance(parent, dict):
            parent[chance.choice(["x", "", "a.b", "ünter", "k" * 300, *(str(path[-1]) for path in every)])] = parent[last]
        elif deed < 0.55 and isinstance(parent[last], (int, float)) and not isinstance(parent[last], bool):
            parent[last] = parent[last] * chance.choice([-1, 0, 0.01, 0.5, 0.99, 1.01, 2, 10, 1000]) + chance.choice(
                [0, 0, 0.1, -1]
            )
        elif deed < 0.65:
            other = tree
            for key in chance.choice(every):
                other = other[key]
            parent[last] = copy.deepcopy(other)
        else:
            parent[last] = copy.deepcopy(chance.choice(values))
    return tree


def mutant_of_a_tree(chance: random.Random) -> str:
    tree = mutated_tree(chance, tomllib.loads(chance.choice(scenario_texts())), chance.choice([1, 1, 1, 2, 3, 8]))
    return "\n".join(f"{json.dumps(key)} = {written(child)}" for key, child in tree.items())


def test_texts_of_scenarios(tmp_path, say):
    file = tmp_path / "trip.toml"

    def check(number: int) -> str:
        chance = random.Random(number)
        text = chance.choice(scenario_texts())
        times = chance.choice([1, 1, 2, 4, 16])
        data = (
            mutated_bytes(chance, text.encode(), times)
            if chance.random() < 0.5
            else mutated_tokens(chance, text, times).encode("utf-8", "replace")
        )
        file.write_bytes(data)
        try:
            describe(read_scenario(file))
        except InputError as error:
            sound(error, "trip.toml: " if error.mistakes[0].startswith("trip.toml: ") else f"{file}: ")
            return "refused"
        return "read"

    hunt("text", check, say, {"read", "refused"})


def test_trees_of_scenarios(say):
    def check(number: int) -> str:
        try:
            describe(parse_scenario(mutant_of_a_tree(random.Random(number)), "trip.toml"))
        except InputError as error:
            sound(error, "trip.toml: ")
            return "refused"
        return "read"

    hunt("tree", check, say, {"read", "refused"})


def test_what_is_read_can_be_run(say, monkeypatch):
    """A mutant that is taken for sound gives an answer, or a sentence: never a fault of ours."""
    monkeypatch.setenv("FLATDAYS_ARCHIVE_URL", "http://127.0.0.1:9/")

    def check(number: int) -> str:
        chance = random.Random(number)
        for _ in range(400):
            try:
                scenario = parse_scenario(mutant_of_a_tree(chance), "trip.toml")
            except InputError:
                continue
            if sum((stop.depart - stop.arrive).days for stop in scenario.stops) <= 400:
                break
        try:
            answer = summary_text(simulate(scenario))
        except InputError:
            return "refused"
        except ArchiveError:
            return "without past years"
        json.loads(answer, parse_constant=lambda word: pytest.fail(f"{word} in the answer"))
        return "run"

    hunt("run", check, say, {"run"})


# ---- weather files ------------------------------------------------------------------------------------------------------------

FIELDS = (
    "",
    "nan",
    "inf",
    "-1",
    "1e400",
    "99999",
    "-9999",
    "0",
    "x",
    "12,5",
    '"',
    "2024",
    "13",
    "31",
    "24:00",
    "-",
    "\u2212" + "5",
    " 7 ",
    "1_0",
)


def mutated_rows(chance: random.Random, data: bytes) -> bytes:
    """Fields, rows and columns of a table spoilt; the header as often as the rest."""
    lines = data.split(b"\n")
    for _ in range(chance.choice([1, 1, 2, 5, 40])):
        row = chance.randrange(10) if chance.random() < 0.5 else chance.randrange(len(lines))
        row = min(row, len(lines) - 1)
        fields = lines[row].split(b",")
        field, deed = chance.randrange(len(fields)), chance.random()
        if deed < 0.55:
            fields[field] = chance.choice(FIELDS).encode()
            lines[row] = b",".join(fields)
        elif deed < 0.65:
            del fields[field]
            lines[row] = b",".join(fields)
        elif deed < 0.7:
            # A whole column.
            value = chance.choice(FIELDS).encode()
            for place in range(9, len(lines) - 1):
                whole = lines[place].split(b",")
                whole[min(field, len(whole) - 1)] = value
                lines[place] = b",".join(whole)
        elif deed < 0.8:
            del lines[row : row + chance.choice([1, 24, 1000])]
        elif deed < 0.9:
            lines[row:row] = lines[chance.randrange(len(lines)) :][: chance.choice([1, 24, 744])]
        else:
            lines[row] = mutated_bytes(chance, lines[row], 3)
        if not lines:
            break
    return b"\n".join(lines)


def test_weather_files(tmp_path, say, monkeypatch):
    monkeypatch.setenv("FLATDAYS_CACHE", "")
    file = tmp_path / "year.dat"

    def check(number: int) -> str:
        chance = random.Random(number)
        data = chance.choice(tuple(weather_texts().values()))
        file.write_bytes(
            mutated_rows(chance, data) if chance.random() < 0.7 else mutated_bytes(chance, data, chance.choice([1, 4, 30]))
        )
        try:
            look_at_weather_file(file)
            station = read_weather_file(file)
        except WeatherFileError as error:
            sound(error, f"{file}: ")
            return "refused"
        values = station.table.to_numpy()
        assert np.isfinite(values).all()
        assert (values[:, :3] >= 0.0).all()
        assert station.source.isprintable()
        return "read"

    hunt("weather", check, say, {"read", "refused"})


# ---- answers of the archive ---------------------------------------------------------------------------------------------------

REPLY_VALUES = (
    None,
    True,
    0,
    -999.0,
    1e308,
    10**400,
    "",
    "x",
    "1.5",
    [],
    {},
    [1],
    "\0",
    "<html>",
    math.nan,
    math.inf,
    -5,
    1500,
    "\ud800",
)


@cache
def reply_text() -> str:
    utc = pd.date_range("2019-01-01", "2019-12-31 23:00", freq="h")
    sun = np.maximum(0.0, np.cos((utc.hour + 0.5 - 12.0 - 8.0 / 15.0) * np.pi / 12.0)).round(3)
    columns = {
        "ghi": 800 * sun,
        "dni": 600 * sun,
        "dhi": 200 * sun,
        "temp_air": 15 + 0 * sun,
        "wind_speed": 3 + 0 * sun,
        "precipitation_mm": 0 * sun,
    }
    keys = utc.strftime("%Y%m%d%H").tolist()
    return json.dumps(
        {
            "geometry": {"type": "Point", "coordinates": [-8.0, 38.5, 240.5]},
            "properties": {
                "parameter": {
                    PARAMETERS[name]: dict(zip(keys, np.asarray(column).tolist(), strict=True))
                    for name, column in columns.items()
                }
            },
            "header": {"fill_value": -999.0, "time_standard": "UTC"},
            "messages": [],
        }
    )


def mutated_reply(chance: random.Random) -> bytes:
    if chance.random() < 0.3:
        return mutated_bytes(chance, reply_text().encode(), chance.choice([1, 3, 20]))
    reply = json.loads(reply_text())
    series = reply["properties"]["parameter"]
    if chance.random() < 0.5:
        # The skeleton alone, so that the mutants do not all fall on an hour.
        reply["properties"]["parameter"] = {name: {} for name in series}
        reply = mutated_tree(chance, reply, chance.choice([1, 2, 3]), REPLY_VALUES)
        held = reply.get("properties") if isinstance(reply, dict) else None
        held = held.get("parameter") if isinstance(held, dict) else None
        for name in held if isinstance(held, dict) else ():
            held[name] = series.get(name, held[name]) if held[name] == {} else held[name]
    else:
        column = series[chance.choice(list(series))]
        for hour in chance.sample(list(column), chance.choice([1, 2, 100, 500])):
            if chance.random() < 0.2:
                del column[hour]
            else:
                column[hour] = chance.choice(REPLY_VALUES)
    return json.dumps(reply).encode()


def test_answers_of_the_archive(say):
    def check(number: int) -> str:
        body = mutated_reply(random.Random(number))
        said = service_words(body)
        assert said == "" or said.isprintable()
        try:
            told, values = read_reply(body, cell_of(38.6, -7.9), 2019, "weather of 2019")
        except GarbledReplyError:
            return "garbled"
        except ArchiveError as error:
            assert str(error).startswith("weather of 2019: ")
            assert str(error).isprintable(), str(error)
            return "refused"
        assert np.isfinite(values[:5]).all()
        assert values.shape == (6, 8760)
        json.dumps(told, allow_nan=False)
        return "read"

    hunt("reply", check, say, {"read", "refused", "garbled"})
