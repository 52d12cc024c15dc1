"""Whole scenarios drawn by chance, as a person might write them.

:func:`draw_scenario` fills a table of tables from a :class:`random.Random`, :func:`as_toml` writes it down, and
:func:`scenarios` is the Hypothesis strategy of such texts (Hypothesis hands in a generator of its own and shrinks what it draws).
Everything that is drawn fits together, so that a refusal is news. All names and systems are invented.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from random import Random
from typing import Any

from hypothesis import strategies as st
from random_systems import (
    PROFILE,
    WINDOWS,
    Table,
    draw_appliance,
    draw_arrays,
    draw_bank,
    draw_cables,
    draw_chargers,
    draw_inverter,
    rounded,
    some,
)

# latitude, longitude, zone, metres above the sea; then days on which that zone's clock did something odd.
PLACES: tuple[tuple[float, float, str, float, tuple[str, ...]], ...] = (
    (36.08, -79.95, "America/New_York", 270.0, ("2026-03-08", "2026-11-01")),
    (51.45, 0.35, "Europe/London", 2.0, ("2026-03-29", "2026-10-25")),
    (47.05, -122.85, "America/Los_Angeles", 30.0, ("2026-03-08", "2026-11-01")),
    (38.57, -7.91, "Europe/Lisbon", 300.0, ("2026-03-29", "2026-10-25")),
    (69.65, 18.95, "Europe/Oslo", 10.0, ("2026-03-29", "2026-10-25")),
    (78.22, 15.65, "Arctic/Longyearbyen", 5.0, ("2026-03-29", "2026-10-25")),
    (-31.55, 159.08, "Australia/Lord_Howe", 5.0, ("2026-04-05", "2026-10-04")),
    (-34.93, 138.6, "Australia/Adelaide", 50.0, ("2026-04-05", "2026-10-04")),
    (-31.67, 128.88, "Australia/Eucla", 90.0, ()),
    (28.6, 77.2, "Asia/Kolkata", 215.0, ()),
    (27.7, 85.3, "Asia/Kathmandu", 1400.0, ()),
    (16.87, 96.2, "Asia/Yangon", 15.0, ()),
    (35.7, 51.4, "Asia/Tehran", 1200.0, ("2022-03-22", "2022-09-21")),
    (47.56, -52.71, "America/St_Johns", 50.0, ("2026-03-08", "2026-11-01")),
    (-8.91, -140.1, "Pacific/Marquesas", 20.0, ()),
    (-43.95, -176.55, "Pacific/Chatham", 20.0, ("2026-04-05", "2026-09-27")),
    (-13.83, -171.76, "Pacific/Apia", 2.0, ("2011-12-30", "2012-04-01")),
    (-14.28, -170.7, "Pacific/Pago_Pago", 3.0, ()),
    (-18.14, 178.44, "Pacific/Fiji", 5.0, ()),
    (1.87, -157.4, "Pacific/Kiritimati", 3.0, ()),
    (21.3, -157.86, "Pacific/Honolulu", 5.0, ()),
    (51.88, -176.65, "America/Adak", 5.0, ("2026-03-08", "2026-11-01")),
    (53.02, 158.65, "Asia/Kamchatka", 20.0, ()),
    (-33.45, -70.67, "America/Santiago", 520.0, ("2026-04-05", "2026-09-06")),
    (-23.55, -46.63, "America/Sao_Paulo", 760.0, ("2018-11-04", "2019-02-17")),
    (23.13, -82.38, "America/Havana", 10.0, ("2026-03-08", "2026-11-01")),
    (37.74, -25.67, "Atlantic/Azores", 40.0, ("2026-03-29", "2026-10-25")),
    (33.9, 35.5, "Asia/Beirut", 30.0, ("2026-03-29", "2026-10-25")),
    (33.57, -7.59, "Africa/Casablanca", 20.0, ("2026-02-15", "2026-03-22")),
    (64.18, -51.72, "America/Nuuk", 5.0, ("2026-03-29", "2026-10-25")),
    (-72.01, 2.53, "Antarctica/Troll", 1270.0, ("2026-03-29", "2026-10-25")),
    (-0.18, -78.47, "America/Guayaquil", 2850.0, ()),
    (55.33, -160.5, "America/Anchorage", 8.0, ("2026-03-08", "2026-11-01")),
    (0.0, 0.0, "Etc/GMT", 0.0, ()),
    (-54.8, -68.3, "America/Argentina/Ushuaia", 10.0, ()),
)
SKIPPED = {("Pacific/Apia", date(2011, 12, 30))}
NORMALS = ("SEVILLA", "ABERDEEN/DYCE", "LONDON/GATWICK", "Chicago Ohare Intl Ap")


# ---- the route ----


def _start(random: Random, place: tuple[Any, ...], days: int) -> date:
    """A first day; often such that the clock changes during the trip."""
    if place[4] and some(random, 0.5):
        return date.fromisoformat(random.choice(place[4])) - timedelta(days=random.randint(0, days))
    return date(random.choice((2024, 2025, 2026, 2027)), 1, 1) + timedelta(days=random.randint(0, 364))


def _later(zone: str, day: date, days: int) -> date:
    day += timedelta(days=days)
    return day + timedelta(days=1) if (zone, day) in SKIPPED else day


def _route(random: Random) -> list[Table]:
    days = random.randint(2, 12)
    count = min(random.choice((1, 1, 2, 2, 3, 4)), days)
    here = random.choice(PLACES)
    # The date after a skipped one may be one more away.
    day = _later(here[2], _start(random, here, days), 0)
    stops: list[Table] = []
    latitude, longitude, zone, height = here[:4]
    left = days
    for number in range(count):
        stop: Table = {"name": f"stop {number + 1}"}
        stay = left if number == count - 1 else random.randint(1, left - (count - number - 1))
        near = True
        if number:
            near = stay < 3 or some(random, 0.6)
            if near:
                latitude = max(min(latitude + random.uniform(-1.2, 1.2), 89.0), -89.0)
                longitude = (longitude + random.uniform(-1.2, 1.2) + 180.0) % 360.0 - 180.0
            else:
                latitude, longitude, zone, height = random.choice(PLACES)[:4]
            _drive(random, stops[-1], stop, near, stay)
        stop |= {"latitude_deg": rounded(latitude, 5), "longitude_deg": rounded(longitude, 6)}
        # On a short hop the zone may follow from the place; at poles and on the sea it is one of whole hours.
        by_the_clock = isinstance(stop.get("arrive"), datetime)
        if not near or number == 0 or by_the_clock or stay < 3 or some(random, 0.7):
            stop["zone"] = zone
        if by_the_clock:
            stops[-1]["zone"] = zone
        if some(random, 0.7):
            stop["elevation_m"] = height
        stop["arrive"] = stop.get("arrive", day)
        day = _later(zone, day, stay)
        stop["depart"] = day
        left -= stay
        stops.append(stop)
    if some(random, 0.15):
        stops[0]["arrive"] = datetime(*stops[0]["arrive"].timetuple()[:3], random.randint(9, 17), random.choice((0, 30, 41)))
    if some(random, 0.15) and "depart_h" not in stops[-1]:
        stops[-1]["depart"] = datetime(*stops[-1]["depart"].timetuple()[:3], random.randint(20, 22), random.choice((0, 15)))
    for stop in stops:
        _stay(random, stop)
    if count > 1 and some(random, 0.12):
        stored = random.choice(stops)
        stored.pop("drive_h_per_day", None)
        stored.pop("hookup", None)
        stored["storage"] = random.choice(("disconnected", "float"))
        if stored["storage"] == "float":
            stored["hookup"] = True
    return stops


def _drive(random: Random, before: Table, stop: Table, near: bool, stay: int) -> None:
    """How the stop is reached."""
    departs = before["depart"]
    way = random.randrange(5)
    if not near:
        stop["drive_h"] = rounded(random.uniform(0.5, 10.0) if stay < 6 else random.uniform(0.5, 30.0))
        before["leave"] = f"{random.randint(5, 10):02d}:{random.choice((0, 20)):02d}"
    elif way == 0:
        stop["drive_h"] = rounded(random.uniform(0.0, 6.0))
    elif way == 1:
        before["depart"] = datetime(*departs.timetuple()[:3], random.randint(8, 10), random.choice((0, 35)))
        stop["drive_h"] = rounded(random.uniform(0.1, 5.0))
    elif way == 2:
        before["depart"] = datetime(*departs.timetuple()[:3], random.randint(8, 10))
        stop["arrive"] = datetime(*departs.timetuple()[:3], random.randint(13, 18), 12)
    elif way == 3:
        stop["arrive"] = datetime(*departs.timetuple()[:3], random.randint(14, 18))
        stop["drive_h"] = rounded(random.uniform(0.0, 5.0))
    stop.setdefault("arrive", departs)


def _stay(random: Random, stop: Table) -> None:
    if some(random, 0.15):
        stop["drive_h_per_day"] = rounded(random.uniform(0.2, 4.0))
    if some(random, 0.3):
        stop["hookup"] = random.choice((True, False, "every night", "every 2nd night", "every 3rd night"))
    if some(random, 0.3):
        stop["heading_deg"] = random.choice((0, 90, 180, 270, -45, 359))
    if some(random, 0.2):
        stop["tilt_deg"] = random.choice((0, 15, 45, 90))
    if some(random, 0.3):
        stop["shade"] = random.choice(("open", "few trees", "half", "wooded"))
    if some(random, 0.15):
        stop["horizon"] = random.choice((12, [[0, 5], [90, 20], [180, 3], [270, 40]], [[45, 60]], [[10, 0], [200, 35.5]]))
    if some(random, 0.15):
        stop["tree_hours"] = random.choice(WINDOWS)
    if some(random, 0.3):
        stop["snow"] = random.choice(("none", "brushed", "stays"))


def _weather(random: Random, stops: list[Table]) -> Table:
    """Weather for these stops; what was measured lies in the north and is refused in the south."""
    south = any(stop["latitude_deg"] < 0.0 for stop in stops)
    way = random.randrange(4 if south else 0, 10)
    if way < 3:
        return {"sample": random.choice(("greensboro", "miami", "sandpoint"))}
    if way == 3:
        return {"normals": random.choice(NORMALS)}
    if way == 4:
        mean = random.uniform(-25.0, 30.0)
        own: Table = {
            "kt": [rounded(random.uniform(0.2, 0.72)) for _ in range(12)],
            "temp_mean_c": [rounded(mean + random.uniform(-10.0, 10.0), 4) for _ in range(12)],
        }
        if some(random, 0.3):
            own["elevation_m"] = random.choice((0, 800, 3000))
        return {"normals": own}
    return {"clear": True, "temp_c": random.choice((-38, -22, -12, -4, -1, 0, 1, 2, 5, 9, 14, 20, 20, 25, 31, 44))}


def draw_scenario(random: Random, *, files: bool = False) -> Table:
    """A scenario as nested tables; with ``files`` it may name :data:`PROFILE` in its folder."""
    bus_v = random.choice((12, 12, 12, 24, 48))
    stops = _route(random)
    scenario: Table = {"title": "Drawn by chance", "seed": random.randint(0, 10**6), "vehicle": {"bus_v": bus_v}}
    vehicle = scenario["vehicle"]
    if some(random, 0.3):
        vehicle["kind"] = random.choice(("van", "trailer", "coach"))
    if some(random, 0.4):
        vehicle["heading_deg"] = random.choice((0, 77, 180, 300))
    if some(random, 0.5):
        vehicle["standing_draw_w"] = random.choice((0, 1, 8, 20))
    if some(random, 0.3):
        vehicle["cabin"] = {
            "heated": random.choice((True, False)),
            "awake_c": random.choice((14, 21)),
            "asleep_c": random.choice((8, 18)),
        }
        vehicle["cabin"]["time_constant_h"] = random.choice((0.5, 4, 12))
    bank = draw_bank(random, bus_v)
    floor, target = bank.pop("_floor"), bank.pop("_target")
    scenario["bank"] = bank
    lived_in = [stop["name"] for stop in stops if "storage" not in stop]
    scenario["array"] = draw_arrays(random, bus_v, lived_in)
    scenario["appliance"] = [draw_appliance(random, number + 1, bus_v, lived_in) for number in range(random.randint(1, 6))]
    if files and some(random, 0.2):
        scenario["appliance"].append({"name": "measured", "bus": random.choice(("dc", "ac")), "profile": PROFILE})
    needs = any(each.get("bus") == "ac" and each.get("only") != "hookup" for each in scenario["appliance"])
    if needs or some(random, 0.1):
        scenario["inverter"] = draw_inverter(random, bus_v)
    if bus_v > 12 and some(random, 0.4):
        scenario["converter"] = {"efficiency_frac": random.choice((0.85, 0.95)), "idle_w": random.choice((0, 3))}
    scenario["cable"] = draw_cables(random, scenario, bus_v)
    if some(random, 0.25) and floor + 0.15 < target:
        comfort = rounded(random.uniform(floor + 0.01, target - 0.1))
        scenario["switch_off"] = {
            "margin_soc": rounded((target - comfort) * random.uniform(0.3, 0.9)) if some(random, 0.5) else 0.03
        }
        margin = scenario["switch_off"]["margin_soc"]
        if some(random, 0.7):
            scenario["switch_off"]["comfort_soc"] = comfort
        if some(random, 0.5) or len(scenario["switch_off"]) == 1:
            scenario["switch_off"]["luxury_soc"] = rounded(random.uniform(comfort, max(target - margin, comfort)), 6)
    draw_chargers(random, scenario, bus_v, target, lived_in)
    if some(random, 0.7):
        scenario["weather"] = _weather(random, stops)
    for stop in stops:
        if "weather" not in scenario or some(random, 0.2):
            stop["weather"] = _weather(random, [stop])
    scenario["stop"] = stops
    if some(random, 0.1):
        scenario["rest_of_year"] = {"storage": {"soc": 0.6, "temp_c": 5, "on_float": random.choice((True, False))}}
    return scenario


# ---- what people mistype ----


def _numbers(table: Table | list[Any], at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Where the numbers stand."""
    for key, value in table.items() if isinstance(table, dict) else enumerate(table):
        if isinstance(value, (dict, list)):
            yield from _numbers(value, (*at, key))
        elif isinstance(value, (int, float)) and not isinstance(value, bool):
            yield (*at, key)


def with_slips(random: Random, scenario: Table) -> Table:
    """The same scenario with one to three numbers changed, in place."""
    places = list(_numbers(scenario))
    for *way, key in random.sample(places, min(random.choice((1, 1, 2, 3)), len(places))):
        table: Any = scenario
        for step in way:
            table = table[step]
        value = table[key]
        if isinstance(value, int) and some(random, 0.7):
            table[key] = random.choice((0, 1, 2 * value, 10 * value, value + 1, max(value - 1, 0)))
        else:
            table[key] = value * random.choice((0, 1e-6, 1e-3, 0.1, 0.5, 0.9, 1.1, 2, 5, 10, 100, -1))
    return scenario


# ---- as text ----


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (date, datetime)):
        return value.isoformat()
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_value(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_value(each) for each in value) + "]"
    return json.dumps(value, ensure_ascii=False)


def as_toml(scenario: Table) -> str:
    """Write it down."""
    lines = []
    for key, value in scenario.items():
        if isinstance(value, dict):
            lines += ["", f"[{key}]", *(f"{name} = {_value(each)}" for name, each in value.items())]
        elif isinstance(value, list):
            for table in value:
                lines += ["", f"[[{key}]]", *(f"{name} = {_value(each)}" for name, each in table.items())]
        else:
            lines.append(f"{key} = {_value(value)}")
    return "\n".join(lines) + "\n"


@st.composite
def scenarios(draw: st.DrawFn) -> str:
    """The strategy: texts of whole scenarios, which Hypothesis can shrink."""
    return as_toml(draw_scenario(draw(st.randoms(use_true_random=False))))
