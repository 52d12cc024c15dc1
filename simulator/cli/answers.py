"""What people write when they are asked about a trip: plain words, numbers with units, spans of time, dates, places."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from simulator.scenario.starter import Place

MOST_PLACES: Final = 20
VEHICLE_WORDS: Final = {
    "camper": "van, campervan, camper van, motorhome, motor home, rv, camping bus, van conversion, car",
    "bus": "coach, minibus, school bus, double decker",
    "trailer": "caravan, travel trailer, tiny house, teardrop",
    "truck": "lorry, workshop truck, workshop, pickup, pick-up, expedition truck, box truck",
    "boat": "sailboat, sailing boat, yacht, sailing yacht, narrowboat, canal boat, motorboat, motor boat, ship, catamaran",
}
BANK_WORDS: Final = {
    "lfp": "lithium, li, lifepo4, lifepo, life po4, lithium iron phosphate, lithium iron, lithium-iron-phosphate",
    "agm": "glass mat, absorbed glass mat, absorbent glass mat, agm lead, lead agm",
    "gel": "lead gel, gel lead, gel cell",
    "flooded": "wet, wet cell, open, opzs, flooded lead, flooded lead-acid, lead flooded",
}
LEAD_WORDS: Final = ("lead", "lead acid", "lead-acid", "acid", "pb", "sealed", "sealed lead acid")
APPLIANCE_WORDS: Final = {
    "fridge": "refrigerator, cool box, coolbox, compressor fridge",
    "freezer": "deep freezer",
    "lights": "light, lamp, lamps, led, leds, lighting",
    "phones": "phone, telephone, telephones, mobile, mobiles, tablet, phone charging, chargers",
    "pump": "water pump, pumps",
    "laptop": "computer, notebook, pc, laptops",
    "router": "internet, wifi, wi-fi, modem",
    "television": "tv, telly, screen",
    "heater fan": "diesel heater, gas heater, fuel heater, parking heater",
    "kettle": "electric kettle, water boiler",
    "microwave": "micro, microwave oven",
    "induction": "induction hob, induction cooker, induction cooktop, hob, cooktop, electric stove",
    "air conditioner": "air conditioning, aircon, air con, ac, a/c",
    "tools": "tool, power tools, cordless tools",
    "breathing aid": "cpap, breathing machine, sleep apnea machine, oxygen",
}
NUMBER_WORDS: Final = dict(
    zip(
        ["one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"],
        range(1, 13),
        strict=True,
    )
) | {"a": 1, "an": 1, "half a": 0.5, "a couple of": 2, "a dozen": 12}
SPAN_DAYS: Final = {"day": 1, "d": 1, "week": 7, "wk": 7, "fortnight": 14, "month": 30, "year": 365}
UNIT_WORDS: Final = {
    "Ah": {"ah": 1.0, "a h": 1.0, "amp hours": 1.0, "amp-hours": 1.0, "ampere hours": 1.0, "ampere-hours": 1.0, "amphours": 1.0},
    "W": {"w": 1.0, "wp": 1.0, "watt": 1.0, "watts": 1.0, "kw": 1000.0, "kwp": 1000.0, "kilowatt": 1000.0},
}
NONE_WORDS: Final = ("none", "no", "nothing", "no panels")
_NUMBER: Final = re.compile(r"[-+]?\d+(?:[.,]\d+)?")
_TIMES: Final = re.compile(r"(\d{1,4})\s*(?:x|\u00d7|\*|times)\s*(.+)")
_PAIR: Final = re.compile(r"([-+]?\d+(?:[.,]\d+)?)\s*([nsNS])?\s*[, ]\s*([-+]?\d+(?:[.,]\d+)?)\s*([ewEW])?")


def decimal(text: str) -> float | None:
    """A number with a point or a comma; None: it is none, or a comma with three digits that may mean thousands."""
    bare = text.strip()
    if not _NUMBER.fullmatch(bare) or re.fullmatch(r"[-+]?[1-9]\d{0,2},\d{3}", bare):
        return None
    return float(bare.replace(",", "."))


def plain(text: str) -> str:
    """Lower case, single blanks, no closing dot."""
    return " ".join(text.lower().split()).removesuffix(".")


def known(words: Mapping[str, str]) -> dict[str, str]:
    """Each word a person may write, and what it is called here."""
    return {other: name for name, others in words.items() for other in (name, *others.split(", "))}


def one_of(words: Sequence[str], others: Mapping[str, str]) -> Callable[[str], str]:
    """Read one of these words, or what people call the same."""
    called = known(others)

    def read(text: str) -> str:
        from simulator.scenario.desk import either, nearest

        text = text.strip()
        word = plain(text)
        for article in ("a ", "an ", "my ", "our ", "the "):
            word = word.removeprefix(article)
        found = called.get(word) or called.get(word.removesuffix("s")) or (word if word in words else None)
        if found is None:
            near = nearest(word, sorted(called))
            raise ValueError(f'expected {either(list(words))}, got "{text}"{near.rstrip("?").replace(" Did", "; did")}')
        return found

    return read


def chemistry(words: Sequence[str]) -> Callable[[str], str]:
    """Read a chemistry; lead alone is asked for again, as three kinds of it behave differently."""
    read = one_of(words, BANK_WORDS)

    def asked(text: str) -> str:
        word = plain(text).removesuffix(" batteries").removesuffix(" battery")
        if word in LEAD_WORDS:
            raise ValueError(
                "expected which lead-acid it is: agm or gel (both sealed, the label says which) or flooded (caps to top up "
                f'water), got "{text.strip()}"'
            )
        if word in ("li-ion", "lithium-ion", "lithium ion", "nmc", "nca"):
            raise ValueError(
                "expected lfp (lithium iron phosphate, the usual lithium of vehicles) if the label says LiFePO4; other lithium "
                f'cells are not modelled, got "{text.strip()}"'
            )
        return read(word if word else text)

    return asked


def number(low: float, high: float, unit: str) -> Callable[[str], float]:
    """Read a number, with or without its unit: ``350``, ``1,5 kW``, ``2 x 175 W``."""

    def read(text: str) -> float:
        word = plain(text)
        if low <= 0.0 and word in NONE_WORDS:
            return 0.0
        times = _TIMES.fullmatch(word)
        pieces = int(times.group(1)) if times and unit == "W" else 1
        word = times.group(2) if times and unit == "W" else word
        found = re.fullmatch(r"([-+]?[\d.,]+)\s*(.*)", word)
        value = decimal(found.group(1)) if found else None
        scale = UNIT_WORDS[unit].get(found.group(2)) if found and found.group(2) else 1.0
        if value is None or scale is None or not low <= value * scale * pieces <= high:
            cure = ""
            if found and re.fullmatch(r"\d{1,3},\d{3}", found.group(1)):
                cure = f"; write {found.group(1).replace(',', '')} or {found.group(1).replace(',', '.')}"
            raise ValueError(f'expected a number from {low:g} to {high:g} {unit}, got "{text.strip()}"{cure}')
        return value * scale * pieces

    return read


def whole(low: int, high: int) -> Callable[[str], int]:
    """Read a count: ``2``, ``two``, ``2 batteries``."""

    def read(text: str) -> int:
        word = re.sub(r"\s*(batteries|battery|units?|pieces?|pcs)$", "", plain(text))
        count = NUMBER_WORDS.get(word, int(word) if word.isascii() and word.isdecimal() and len(word) < 9 else None)
        if count is None or count != int(count) or not low <= count <= high:
            raise ValueError(f'expected a whole number from {low} to {high}, got "{text.strip()}"')
        return int(count)

    return read


def span(low: int, high: int) -> Callable[[str], int]:
    """Read a number of days: ``14``, ``10 days``, ``2 weeks``, ``a month`` (30 days), ``1,5 weeks`` (rounded up)."""

    def read(text: str) -> int:
        word = plain(text)
        found = re.fullmatch(r"(.*?)\s*(days?|d|weeks?|wks?|fortnights?|months?|years?|nights?)?", word)
        amount: float | None = None
        if found and (found.group(1) or found.group(2)):
            first = (found.group(1) or "").strip()
            amount = 1.0 if not first else NUMBER_WORDS.get(first, decimal(first))
        if amount is not None and found is not None:
            unit = (found.group(2) or "day").rstrip("s") if found.group(2) != "d" else "day"
            days = amount + 1.0 if unit == "night" else amount * SPAN_DAYS[unit]
            # A bare number must be whole; a part of a week or month makes a day of what is left over.
            if amount > 0.0 and days <= high and (found.group(2) or days == int(days)) and math.ceil(days - 1e-9) >= low:
                return math.ceil(days - 1e-9)
        raise ValueError(
            f'expected a number of days from {low} to {high}, such as 14, "10 days" or "2 weeks", got "{text.strip()}"'
        )

    return read


def volts(text: str) -> int:
    """Read 12, 24 or 48, with or without V."""
    bare = re.sub(r"\s*(v|volts?)$", "", plain(text))
    if bare not in ("12", "24", "48"):
        raise ValueError(f'expected 12, 24 or 48, got "{text.strip()}"')
    return int(bare)


def day(text: str) -> date:
    """Read a date: ``2026-12-01``, ``1.12.2026``, ``1 December 2026``."""
    from simulator.scenario.date_slips import date_meant

    found = date_meant(text)
    if found is None:
        both = "" if "/" not in text else " (with strokes day and month cannot be told apart)"
        raise ValueError(f'expected a date such as 2026-12-01 or 1 December 2026, got "{text.strip()}"{both}')
    if not 1950 <= found.year <= 2097:
        raise ValueError(f"expected a date from 1950 to 2097, got {found}")
    return found


def appliances(text: str) -> tuple[str, ...]:
    """Read a list of appliances, with commas, semicolons or "and" between."""
    from simulator.scenario.starter import APPLIANCES

    read = one_of(tuple(APPLIANCES), APPLIANCE_WORDS)
    parts = [part for part in re.split(r"[;,]|\band\b", text) if part.strip()]
    if not parts:
        raise ValueError("expected at least one appliance, got none")
    return tuple(dict.fromkeys(read(part) for part in parts))


def places(text: str) -> tuple[Place, ...]:
    """Read places with semicolons between; those of one name are numbered."""
    parts = [part for part in text.split(";") if part.strip()]
    if not 0 < len(parts) <= MOST_PLACES:
        raise ValueError(f"expected 1 to {MOST_PLACES} places, got {len(parts)}")
    found = [_place(part.strip(), place) for place, part in enumerate(parts, 1)]
    names = [place.name for place in found]
    return tuple(
        place if names.count(place.name) == 1 else replace(place, name=f"{place.name} {position}")
        for position, place in enumerate(found, 1)
    )


def _coordinates(text: str) -> tuple[float, float] | None:
    """``48.1,7.9``, ``48.1 7.9``, ``48,1 7,9``, ``48,1, 7,9`` or ``48.1 N, 7.9 W``; None: it is no pair of numbers."""
    found = _PAIR.fullmatch(text.replace("\N{DEGREE SIGN}", " ").strip())
    if found is None:
        return None
    north, letter, east, other = found.groups(default="")
    latitude_deg, longitude_deg = (float(each.replace(",", ".")) for each in (north, east))
    # With a minus and an S beside it, "-33.9 S", both mean the south.
    if letter in ("s", "S"):
        latitude_deg = -abs(latitude_deg)
    if other in ("w", "W"):
        longitude_deg = -abs(longitude_deg)
    return latitude_deg, longitude_deg


def _place(text: str, position: int) -> Place:
    """Coordinates, or the name of a town."""
    from simulator.scenario.starter import Place

    pair = _coordinates(text)
    if pair is None:
        if any(sign.isalpha() for sign in text):
            return _town(text)
        raise ValueError(f'expected a latitude and a longitude such as "48.1,7.9", or a town such as "Evora, PT", got "{text}"')
    if not (-90.0 <= pair[0] <= 90.0 and -180.0 <= pair[1] <= 180.0):
        raise ValueError(f'expected a latitude from -90 to 90 and a longitude from -180 to 180, got "{text}"')
    return Place(f"Stop {position}", *pair)


def _town(text: str) -> Place:
    from simulator.scenario.desk import Desk
    from simulator.scenario.places import PlacesMissing, find_town, towns_named
    from simulator.scenario.starter import Place

    try:
        towns_named(text)
    except PlacesMissing:
        raise ValueError(
            f'expected a latitude and a longitude such as "38.57,-7.91" (north and east are positive), got the name "{text}". '
            "Names need an extra list of towns (about 180 MB, works offline): pip install 'flatdays[places]'"
        ) from None
    desk = Desk(file="")
    town = find_town(text, ("place",), desk)
    if town is None:
        said = " ".join(desk.mistakes).removeprefix(": ").removeprefix("place: ").rstrip(".")
        # There is no file yet whose keys could be written.
        raise ValueError(said.replace("write latitude_deg and longitude_deg", 'give latitude,longitude, such as "48.1,7.9"'))
    return Place(town.name.replace('"', ""), town.latitude_deg, town.longitude_deg, remark=f"{town.said} (GeoNames)")
