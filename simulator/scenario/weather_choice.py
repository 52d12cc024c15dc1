"""Where the weather of a stop comes from: exactly one of a file, a sample year and the clear sky."""

from __future__ import annotations

from pathlib import Path as FilePath

from simulator.scenario.desk import Desk, either, nearest, quote
from simulator.scenario.lines import Path
from simulator.scenario.parts import WeatherChoice
from simulator.scenario.presets import load_preset
from simulator.scenario.written import SAMPLES, WeatherTable

WAYS = ("file", "sample", "clear")
GET_SOME = (
    'Write weather = {{ file = "year.epw" }} for a weather year of that place (EPW, TMY2, TMY3 or NSRDB csv), '
    'weather = {{ sample = "{}" }} ({} come with flatdays), or weather = {{ clear = true }} for the best case.'
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
            desk.mistake(path, "exactly one of file, sample and clear", either(ways, "and") if ways else "none of them", GET_SOME)
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
            desk.default(f"Under the clear sky the air has {temp_c:g} C day and night (no source).")
        return WeatherChoice(clear=True, temp_c=temp_c, line=line)
    if written.sample is not None:
        return WeatherChoice(sample=written.sample, line=line)
    folder = FilePath() if scenario is None else scenario.parent
    file = folder / str(written.file)
    _look_at(file, str(written.file), (*path, "file"), desk)
    return WeatherChoice(file=file, line=line)


def _look_at(file: FilePath, name: str, path: Path, desk: Desk) -> None:
    """See whether a weather file is there; what is in it is judged when it is read."""
    cure = "The name is taken from the folder of the scenario."
    try:
        if "\0" in name:
            raise ValueError
        if file.is_dir():
            desk.mistake(path, "a weather file", f"the folder {quote(name)}", "Name the file in it.")
        elif not file.exists():
            near = (
                nearest(file.name, sorted(found.name for found in file.parent.glob("*"))[:1000]) if file.parent.is_dir() else ""
            )
            desk.mistake(path, "a weather file that is there", f"{quote(name)}, which is not", near or cure)
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
