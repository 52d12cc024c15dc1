"""Where the weather of a stop comes from: exactly one of a file, a sample year, the clear sky, monthly normals and past years."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path as FilePath

from simulator.scenario.desk import Desk, either, nearest, quote
from simulator.scenario.lines import Path
from simulator.scenario.parts import WeatherChoice, WrittenNormals
from simulator.scenario.presets import load_preset
from simulator.scenario.written import SAMPLES, NormalsTable, WeatherTable

WAYS = ("file", "sample", "clear", "normals", "years")
GET_SOME = (
    'Write weather = {{ file = "year.epw" }} for a weather year of that place (EPW, TMY2, TMY3 or NSRDB csv), '
    'weather = {{ sample = "{}" }} ({} come with flatdays), '
    "weather = {{ normals = {{ kt = [12 values], temp_mean_c = [12 values] }} }} for its climate, "
    "weather = {{ years = [2005, 2024] }} for its past years (after flatdays fetch), "
    "or weather = {{ clear = true }} for the best case."
).format(SAMPLES[0], either(SAMPLES, "and"))


def merge_weather(written: WeatherTable | None, path: Path, desk: Desk, scenario: FilePath | None) -> WeatherChoice | None:
    """Finish one choice of weather; None when there is none, or none that can be used (which has been told).

    Parameters
    ----------
    written : WeatherTable or None
    path : path
        Of the table, for messages.
    desk : Desk
    scenario : file path or None
        Of the scenario, since names of weather files are taken from its folder.

    Returns
    -------
    WeatherChoice or None
    """
    if written is None:
        return None
    ways = [way for way in WAYS if getattr(written, way) is not None]
    if len(ways) != 1:
        if desk.sound(*((*path, way) for way in WAYS)):
            desk.mistake(path, f"exactly one of {either(WAYS, 'and')}", either(ways, "and") if ways else "none of them", GET_SOME)
        return None
    if written.temp_c is not None and written.clear is None:
        desk.mistake(
            (*path, "temp_c"), "no temp_c", f"{written.temp_c:g} C", "It goes with clear = true only: a weather year has its own."
        )
    line = desk.line(path)
    if written.clear is not None:
        preset = load_preset("converters")
        temp_c = preset.number("weather", "clear_temp_c") if written.temp_c is None else written.temp_c
        if written.temp_c is None:
            desk.default(f"Under the clear sky the air has {temp_c:g} C day and night (no source).", "weather temp_c")
        return WeatherChoice(clear=True, temp_c=temp_c, line=line)
    if written.sample is not None:
        return WeatherChoice(sample=written.sample, line=line)
    if written.years is not None:
        return WeatherChoice(years=written.years, line=line)
    if written.normals is not None:
        return WeatherChoice(normals=_merge_normals(written.normals, (*path, "normals"), desk), line=line)
    folder = FilePath() if scenario is None else scenario.parent
    file = folder / str(written.file)
    _look_at(file, str(written.file), (*path, "file"), desk)
    return WeatherChoice(file=file, line=line)


def _merge_normals(written: NormalsTable, path: Path, desk: Desk) -> WrittenNormals:
    """Hold the rows against each other; whether there is such a place, or so much sun, the weather knows."""
    lights = ("kt", "sun_kwh_m2_day")
    rows = (*lights, "temp_mean_c", "temp_min_c", "temp_max_c", "wind_speed_m_s", "kt_daily_sd")
    given = [key for key in rows if getattr(written, key) is not None]
    if written.place is not None:
        beside = [*given, *(["elevation_m"] if written.elevation_m is not None else [])]
        if beside:
            desk.mistake(path, "either place or values of your own", f"place and {either(beside, 'and')}", "Take one out.")
        return WrittenNormals(place=written.place)
    light = [key for key in lights if key in given]
    if len(light) != 1 and desk.sound(*((*path, key) for key in ("place", *lights))):
        desk.mistake(
            path,
            "exactly one of kt and sun_kwh_m2_day",
            either(light, "and") if light else "none of them",
            'Write kt = [12 values] or sun_kwh_m2_day = [12 values], January to December, or normals = "a place of the table".',
        )
    temperatures = ("temp_min_c", "temp_mean_c", "temp_max_c")
    known = desk.sound(*((*path, key) for key in temperatures))
    if known and written.temp_mean_c is None and (written.temp_min_c is None or written.temp_max_c is None):
        desk.mistake(
            path, "temp_mean_c", "none", "Write temp_mean_c = [12 values]; temp_min_c and temp_max_c together can stand for it."
        )
    stated = [key for key in temperatures if getattr(written, key) is not None]
    for low, high in pairwise(stated):
        wrong = [
            f"{one:g} above {other:g} in month {month}"
            for month, (one, other) in enumerate(zip(getattr(written, low), getattr(written, high), strict=True), 1)
            if one > other
        ]
        if wrong:
            desk.mistake((*path, low), f"nothing above {high}", either(wrong, "and"), "Swap or mend these values.")
    return WrittenNormals(**{key: getattr(written, key) for key in (*rows, "elevation_m")})


def _look_at(file: FilePath, name: str, path: Path, desk: Desk) -> None:
    """See whether a weather file is there; what is in it is judged when it is read."""
    cure = "The name is taken from the folder of the scenario."
    try:
        if file.is_dir():
            desk.mistake(path, "a weather file", f"the folder {quote(name)}", "Name the file in it.")
        elif not file.exists():
            others = (
                sorted(found.name for found in file.parent.glob("*") if found.name != file.name) if file.parent.is_dir() else []
            )
            what = "a link that leads nowhere" if file.is_symlink() else "which is not"
            desk.mistake(
                path, "a weather file that is there", f"{quote(name)}, {what}", nearest(file.name, others[:1000]) or cure
            )
        elif not file.is_file():
            desk.mistake(path, "a weather file", f"{quote(name)}, a device or a pipe")
        elif file.stat().st_size == 0:
            desk.mistake(path, "a weather file", f"{quote(name)}, which is empty", "Fetch it again.")
        else:
            with file.open("rb"):
                pass
    except PermissionError:
        desk.mistake(path, "a weather file", f"{quote(name)}, which may not be read", "Give yourself permission to read it.")
    except (OSError, ValueError):
        desk.mistake(path, "the name of a weather file", f"{quote(name)}, a name that no file can have", cure)
