"""From a TOML file to a finished scenario, or to every mistake in it at once.

Text -> values and their lines -> models as written (what cannot be read is set aside) -> presets merged and everything held
against everything else. A mistake lands on the person's file, never on a preset.
"""

from __future__ import annotations

import hashlib
import re
import stat
import tomllib
from collections.abc import Mapping
from pathlib import Path as FilePath
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from simulator.errors import InputError, printable
from simulator.scenario.appliances import merge_appliances
from simulator.scenario.arrays import merge_arrays
from simulator.scenario.bank import merge_bank
from simulator.scenario.chargers import merge_alternator, merge_generator, merge_shore
from simulator.scenario.choosing import merge_costs, merge_limits
from simulator.scenario.date_slips import quoted_dates
from simulator.scenario.desk import Desk, nearest, quote, shown
from simulator.scenario.inverter import merge_converter, merge_inverter
from simulator.scenario.lines import Path, locate_lines
from simulator.scenario.other_sources import merge_sources
from simulator.scenario.parts import Scenario, Vehicle
from simulator.scenario.places import with_places
from simulator.scenario.presets import load_preset
from simulator.scenario.service import merge_rest_of_year
from simulator.scenario.size_table import merge_size
from simulator.scenario.stop_names import numbers_by_name
from simulator.scenario.stops import merge_stops
from simulator.scenario.storage import hookup_nights, judge_stored_route
from simulator.scenario.switch_off import merge_switch_off
from simulator.scenario.values import EXPECTED
from simulator.scenario.weather_choice import merge_weather
from simulator.scenario.wires import judge_heavy, merge_cables
from simulator.scenario.written import ScenarioFile, VehicleTable

MOST_BYTES = 1_000_000
DEEPEST = 12
"""Tables within tables; a scenario needs four."""
LONG_KEY = re.compile(r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){100}""")
"""A key of this many parts is nobody's; the TOML reader's time grows with the square of the parts."""
MOST_KEYS = 200
"""In one table; a scenario has forty at most."""
MOST_ELEMENTS = {"array": 50, "appliance": 500, "cable": 500, "source": 50, "stop": 1100, "variant": 30}
MOST_LISTED, FEW_LISTED = 12, 8
"""Known keys that a message lists, and how many of more."""
START = "flatdays new writes a scenario to start from."
SYNONYMS = {
    "watts": ("power_w", "p_w", "rated_w"),
    "power": ("power_w", "p_w", "rated_w"),
    "amps": ("current_a", "charger_a", "max_charge_a"),
    "amperes": ("current_a", "charger_a", "max_charge_a"),
    "hours": ("hours_per_day",),
    "ah": ("unit_ah",),
    "capacity_ah": ("unit_ah",),
    "voltage": ("bus_v", "unit_v"),
    "type": ("chemistry", "kind"),
    "lat": ("latitude_deg",),
    "lon": ("longitude_deg",),
    "lng": ("longitude_deg",),
    "town": ("place",),
    "city": ("place",),
    "timezone": ("zone",),
    "tz": ("zone",),
    "from": ("arrive",),
    "start": ("arrive",),
    "to": ("depart",),
    "end": ("depart",),
    "panels": ("array",),
    "solar": ("array",),
    "battery": ("bank",),
    "route": ("stop",),
    "load": ("appliance",),
    "loads": ("appliance",),
    "power_w": ("watts",),
    "p_w": ("watts",),
}
"""What people write for some keys."""


def read_scenario(path: str | FilePath) -> Scenario:
    """Read a scenario file.

    Parameters
    ----------
    path : str or path
        TOML, UTF-8, at most 1 MB.

    Returns
    -------
    Scenario

    Raises
    ------
    InputError
        With every mistake in the file; of mistakes in the TOML itself only the first can be found.
    """
    text, file, sha256 = read_text(path)
    return _parse(text, file, sha256)


def read_text(path: str | FilePath) -> tuple[str, FilePath, str]:
    """Read the text of a scenario file: text, path, and the SHA-256 of its bytes.

    Raises
    ------
    InputError
        It cannot be read, or is no text.
    """
    file = FilePath(path)
    data = _read_bytes(file)
    return _decoded(data, file), file, hashlib.sha256(data).hexdigest()


def parse_scenario(text: str, path: str | FilePath | None = None) -> Scenario:
    """Read a scenario from text.

    Parameters
    ----------
    text : str
        TOML.
    path : str or path, optional
        Where the text came from: names of weather files are taken from its folder; left out: from the working folder.

    Returns
    -------
    Scenario

    Raises
    ------
    InputError
        With every mistake in the text.
    """
    return _parse(text, None if path is None else FilePath(path), hashlib.sha256(text.encode("utf-8", "replace")).hexdigest())


def _read_bytes(file: FilePath) -> bytes:
    """Read a regular file of a sensible size."""
    cure = ""
    name = printable(file)
    try:
        status = file.stat()
        if stat.S_ISDIR(status.st_mode):
            raise InputError(f"{name}: expected a scenario file, got a folder. Name the .toml file in it.")
        if not stat.S_ISREG(status.st_mode):
            raise InputError(f"{name}: expected a scenario file, got a device or a pipe. Name a .toml file.")
        if status.st_size > MOST_BYTES:
            raise InputError(
                f"{name}: expected a scenario of at most 1 MB, got {status.st_size / 1e6:.1f} MB. "
                "Weather and other long tables belong in files of their own."
            )
        with file.open("rb") as stream:
            return stream.read(MOST_BYTES + 1)
    except FileNotFoundError:
        reason = "a link that leads nowhere" if file.is_symlink() else "no such file"
        others = [name for name in _siblings(file) if name != file.name]
        cure = nearest(file.name, others) or " Check the name, or run flatdays new to write one."
    except PermissionError:
        reason, cure = "a file that may not be read", " Give yourself permission to read it."
    except OSError as error:
        reason = f"a file that cannot be read ({(error.strerror or 'unknown reason').lower()})"
    except ValueError:
        reason = "a name that no file can have"
    raise InputError(f"{name}: expected a scenario file, got {reason}.{cure}")


def _siblings(file: FilePath) -> list[str]:
    try:
        return sorted(found.name for found in file.parent.glob("*.toml"))[:1000]
    except OSError:
        return []


def _decoded(data: bytes, file: FilePath) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise InputError(f"{printable(file)}: expected UTF-8 text, got UTF-16. Save it as UTF-8.")
    if b"\0" in data:
        raise InputError(f"{printable(file)}: expected a scenario in TOML, got a binary file. {START}")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(
            f"{printable(file)}: line {line}: expected UTF-8 text, got a byte that is none. Save it as UTF-8."
        ) from None


def _parse(text: str, path: FilePath | None, sha256: str) -> Scenario:
    raw, lines, file = values_of(text, path)
    return finish(raw, lines, file, path, sha256)


def values_of(text: str, path: FilePath | None) -> tuple[dict[str, Any], dict[Path, int], str]:
    """Read TOML into values, the line of each, and the name of the file for messages.

    Raises
    ------
    InputError
        With the first mistake in its grammar.
    """
    file = "scenario" if path is None else printable(FilePath(path.name))
    raw = _toml(text, file)
    if not raw:
        raise InputError(f"{file}: expected a scenario with [bank], [[appliance]] and [[stop]], got an empty file. {START}")
    return raw, locate_lines(text), file


def finish(raw: dict[str, Any], lines: Mapping[Path, int], file: str, path: FilePath | None, sha256: str) -> Scenario:
    """Make a scenario of values and the lines they stand in; ``file`` begins every message.

    Raises
    ------
    InputError
        With every mistake.
    """
    desk = Desk(file=file, raw=raw, lines=lines)
    written = _as_written(raw, desk)
    scenario = _merged(written, desk, path, sha256)
    if desk.mistakes or scenario is None:
        raise InputError(desk.mistakes)
    return scenario


def _toml(text: str, file: str) -> dict[str, Any]:
    """Read TOML; of mistakes in its grammar only the first can be found."""
    too_deep = InputError(f"{file}: expected a scenario, got tables or lists nested deeper than {DEEPEST}. {START}")
    if LONG_KEY.search(text):
        raise too_deep
    try:
        raw = _loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(
            f"{file}: {_toml_mistake(str(error), text)} Mend this one and check again: it hides any others."
        ) from None
    except RecursionError:
        raise too_deep from None
    except ValueError:
        # Python refuses to read whole numbers of more than 4300 digits.
        raise InputError(f"{file}: expected numbers of a sensible length, got one of thousands of digits.") from None
    level: list[Any] = [raw]
    for _ in range(DEEPEST):
        longest = max((len(table) for table in level if isinstance(table, dict)), default=0)
        if longest > MOST_KEYS:
            raise InputError(f"{file}: expected a scenario, got a table of {longest} keys. {START}")
        level = [
            child
            for parent in level
            for child in (parent.values() if isinstance(parent, dict) else parent)
            if isinstance(child, (dict, list))
        ]
    if level:
        raise too_deep
    return raw


def _loads(text: str) -> dict[str, Any]:
    """Read TOML; a date of a stop that is none becomes text, which is told with its key, line and cure beside all else."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        mended = quoted_dates(text)
        if mended == text:
            raise
    return tomllib.loads(mended)


SLIPS = (
    (re.compile("[\u201c\u201d\u2018\u2019]"), "These are typographic quotes: use straight ones."),
    (re.compile(r"^(<<<<<<<|=======|>>>>>>>)"), "This line was left by a merge: take out what is not meant."),
    (re.compile(r"^\s*[{<]"), f"This looks like another kind of file. {START}"),
    (re.compile(r"=\s*\d{1,2}[./-]\d{1,2}[./-]\d{4}"), "Write dates as year-month-day: 2026-11-20."),
    (re.compile(r"=\s*\d{4}-\d\d-\d\d[T ]24"), "The hours of a day are 00 to 23: write 00:00:00 of the next day."),
    (re.compile(r"=\s*\d{4}-\d\d-\d\d"), "There is no such day in the calendar."),
    (re.compile(r"=\s*-?\d+,\d"), "Write numbers with a point, not a comma: 0.4."),
    (re.compile(r"=\s*-?\d+\s*/\s*\d"), "Write a fraction as a number: 0.4."),
    (re.compile(r"=\s*[-+]?(\.\d|\d+\.\s*(#|$))"), "Write a digit on both sides of the point: 0.4."),
    (re.compile(r"=\s*[-+]?0\d"), "Write numbers without a zero in front."),
    (re.compile(r"=\s*[-+]?\d[\d.]*\s*[A-Za-z%\u00b0]+\s*(#.*)?$"), "Write the bare number; its unit is in the name of the key."),
    (re.compile(r"=\s*(True|False|TRUE|FALSE|yes|no|on|off)\b"), "Write true or false, in small letters."),
    (re.compile(r"=="), "Write one =."),
    (re.compile(r"^[^\"'=#]*=\s*(#.*)?$"), "A value is missing after the =."),
    (re.compile(r"^\s*[\w-]+\s*:(\s|$)"), "Write = between a key and its value, not a colon."),
    (re.compile(r"^\s*[\w-]+[ \t]+[\w-]+[^=\"']*="), "A key is one word: join its parts by _."),
    (re.compile(r"^\s*\[[^\]]*$"), "A closing bracket is missing."),
    (re.compile(r";\s*(#.*)?$"), "Take the semicolon out."),
    (re.compile(r'^[^"#]*"[^"]*$'), "A closing quote is missing."),
)
"""What people write that TOML does not take, by the look of the line, and its cure."""


def _toml_mistake(message: str, text: str) -> str:
    """Turn a message of the TOML reader into the shape of all others, with the cure that the line itself suggests."""
    found = re.fullmatch(r"(.*) \(at (line \d+, column \d+|end of document)\)", message, re.DOTALL)
    what, where = (found.group(1), found.group(2)) if found else (message, "")
    if what.startswith(("Cannot overwrite", "Cannot declare", "Duplicate", "Cannot mutate", "Cannot redefine")):
        got, cure = "a key or table that was written before", " Join the two, or take one out."
    else:
        got = f"text that is not TOML ({what[:1].lower()}{what[1:200]})"
        number = re.match(r"line (\d+)", where)
        lines = text.splitlines()
        line = lines[min(int(number.group(1)), len(lines)) - 1] if number and lines else ""
        cures = (cure for look, cure in SLIPS if look.search(line))
        cure = " " + next(cures, "Text needs quotes, and every key stands on a line of its own.")
    return f"{where}{': ' if where else ''}expected TOML, got {got}.{cure}"


def _as_written(raw: dict[str, Any], desk: Desk) -> ScenarioFile:
    """Read the models; every key that cannot be read becomes a mistake and is set aside, so that the rest can be judged."""
    data = _copied(raw)
    for table, most in MOST_ELEMENTS.items():
        if isinstance(data.get(table), list) and len(data[table]) > most:
            desk.mistake((table,), f"at most {most} of [[{table}]]", str(len(data[table])))
            _set_aside(data, (table,), desk)
    while True:
        try:
            return ScenarioFile.model_validate(_with_tuples(data))
        except ValidationError as caught:
            for error in caught.errors(include_url=False):
                _tell(error, desk)
            for error in caught.errors(include_url=False, include_input=False, include_context=False):
                _set_aside(data, error["loc"], desk)


def _copied(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _copied(child) for key, child in value.items()}
    return [_copied(child) for child in value] if isinstance(value, list) else value


def _with_tuples(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _with_tuples(child) for key, child in value.items()}
    return tuple(_with_tuples(child) for child in value) if isinstance(value, list) else value


def _set_aside(data: Any, loc: Path, desk: Desk) -> None:
    """Take the key at ``loc`` out; an element of a list takes its whole list along."""
    while loc and isinstance(loc[-1], int):
        loc = loc[:-1]
    desk.faulty.add(loc)
    # Two mistakes may lie under the same key, or one under a table that another has taken out.
    for part in loc[:-1]:
        gone = isinstance(part, int) and part >= len(data) if isinstance(data, list) else part not in data
        if gone:
            return
        data = data[part]
    data.pop(loc[-1], None)


def _tell(error: Mapping[str, Any], desk: Desk) -> None:
    """Turn one refusal of the models into a sentence."""
    loc: Path = error["loc"]
    got = shown(error["input"])
    if error["type"] == EXPECTED:
        desk.mistake(loc, error["ctx"]["expected"], error["ctx"]["got"], error["ctx"]["cure"])
    elif error["type"] == "extra_forbidden":
        _tell_unknown_key(loc, desk)
    elif error["type"] == "tuple_type":
        table = str(loc[-1])
        desk.mistake(loc, f"[[{table}]] in double brackets, one for each {table}", got)
    elif isinstance(error["input"], (list, tuple)):
        # A place in a list of tables is not part of a table's name.
        name = ".".join(key for key in loc if isinstance(key, str))
        desk.mistake(loc, "one table", got, f"Write [{name}] in single brackets, once.")
    else:
        keys = _keys_at(loc)
        named = ", ".join(keys[:8]) + (", ..." if len(keys) > 8 else "")
        desk.mistake(loc, "a table", got, f"Its keys are {named}: write {loc[-1]} = {{ key = value }}.")


def _tell_unknown_key(loc: Path, desk: Desk) -> None:
    key = str(loc[-1])
    known = _keys_at(loc[:-1])
    meant = next((name for name in SYNONYMS.get(key.lower(), ()) if name in known), None)
    cure = f" Did you mean {quote(meant)}?" if meant else nearest(key, known)
    if not cure:
        cure = f"The keys here are {_few(known)}."
    else:
        # What was meant is not missing, only misspelt.
        meant = cure.split('"')[1]
        desk.faulty.add((*loc[:-1], meant))
    desk.mistake(loc, "a known key", quote(key), cure)


def _few(known: list[str]) -> str:
    """Keys for a message: the first of many, and where all of them are."""
    if len(known) <= MOST_LISTED:
        return ", ".join(known)
    return f"{', '.join(known[:FEW_LISTED])} ... ({len(known)} in all; flatdays schema lists them)"


def _keys_at(loc: Path) -> list[str]:
    """Keys of the table at a path."""
    model: type[BaseModel] = ScenarioFile
    for part in loc:
        if isinstance(part, str):
            model = _model_in(model.model_fields[part].annotation) or model
    return [field.alias or name for name, field in model.model_fields.items()]


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """Find the model inside of ``tuple[Model, ...] | None`` and the like."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for inner in get_args(annotation) if (found := _model_in(inner)) is not None), None)


def _merged(written: ScenarioFile, desk: Desk, path: FilePath | None, sha256: str) -> Scenario | None:
    """Merge presets and defaults, and hold everything against everything else."""
    written = with_places(written, desk)
    vehicle = _merge_vehicle(written.vehicle or VehicleTable(), desk)
    default_weather = merge_weather(written.weather, ("weather",), desk, path)
    stops = merge_stops(written.stop, desk, default_weather, path)
    bank = merge_bank(written.bank, vehicle, desk)
    by_name = numbers_by_name(written.stop)
    arrays = merge_arrays(written.array or (), bank, desk, by_name, stops)
    appliances = merge_appliances(written, vehicle, desk, path)
    inverter = merge_inverter(written.inverter, appliances, vehicle, bank, desk)
    converter = merge_converter(written.converter, appliances, vehicle, desk)
    cables = merge_cables(written.cable or (), appliances, inverter, converter, vehicle, desk)
    switch_off = merge_switch_off(written.switch_off, appliances, bank, desk)
    if bank is not None:
        judge_heavy(appliances, inverter, converter, bank, desk)
    shore = merge_shore(written.shore, vehicle, any(hookup_nights(stop) for stop in written.stop or ()), desk, bank)
    alternator = merge_alternator(written.alternator, vehicle, desk, bank)
    generator = merge_generator(written.generator, vehicle, bank, desk)
    others = merge_sources(written.source, by_name, desk, path)
    judge_stored_route(stops, arrays, appliances, others, desk)
    trip_days = (stops[-1].depart - stops[0].arrive).days if stops else 0
    rest_of_year = merge_rest_of_year(written.rest_of_year, bank.chemistry if bank is not None else "lfp", trip_days, desk)
    costs = merge_costs(written.costs, vehicle, desk)
    size = merge_size(written.size, arrays, generator, desk)
    if bank is None or desk.mistakes:
        return None
    return Scenario(
        title=written.title or (path.stem if path is not None else "A trip"),
        seed=1 if written.seed is None else written.seed,
        path=path,
        vehicle=vehicle,
        bank=bank,
        arrays=arrays,
        inverter=inverter,
        appliances=appliances,
        stops=stops,
        shore=shore,
        alternator=alternator,
        generator=generator,
        sources=others,
        defaults_used=tuple(desk.defaults),
        notes=tuple(desk.notes),
        sha256=sha256,
        weather_default=default_weather,
        rest_of_year=rest_of_year,
        costs=costs,
        size=size,
        route_written=written.stop or (),
        converter=converter,
        cables=cables,
        switch_off=switch_off,
    )


def _merge_vehicle(written: VehicleTable, desk: Desk) -> Vehicle:
    preset = load_preset("converters")
    cabin = written.cabin
    awake_c = cabin.awake_c if cabin is not None and cabin.awake_c is not None else preset.number("cabin", "awake_c")
    asleep_c = cabin.asleep_c if cabin is not None and cabin.asleep_c is not None else preset.number("cabin", "asleep_c")
    heated = True if cabin is None or cabin.heated is None else cabin.heated
    if heated and (cabin is None or None in (cabin.awake_c, cabin.asleep_c)):
        source = preset.source("cabin", "awake_c")
        desk.default(f"Cabin heated to {awake_c:g} C by day and {asleep_c:g} C by night ({source}).", "[vehicle] cabin")
    loss_w_per_c = cabin.heat_loss_w_per_c if cabin is not None else None
    time_constant_h = cabin.time_constant_h if cabin is not None else None
    return Vehicle(
        bus_v=12 if written.bus_v is None else written.bus_v,
        heading_deg=written.heading_deg,
        cabin_awake_c=awake_c,
        cabin_asleep_c=asleep_c,
        cabin_heated=heated,
        **merge_limits(written),
        cabin_heat_loss_w_per_c=loss_w_per_c
        if loss_w_per_c is not None
        else preset.number("cabin", f"heat_loss_{written.kind or 'van'}_w_per_c"),
        cabin_time_constant_h=preset.number("cabin", "time_constant_h") if time_constant_h is None else time_constant_h,
    )
