"""``[size]``, and the same from the command line: which designs to try, what they must meet, what they may cost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from typing import Any

from pydantic import ValidationError

from simulator.errors import InputError
from simulator.scenario.desk import Desk, either, nearest, quote, shown
from simulator.scenario.parts import Array, Generator, Scenario, SizeWish
from simulator.scenario.written import SizeTable

RANGES = ("in_parallel", "in_series", "bus_v", "chemistry", "panels", "tilt_deg", "generator")
"""Keys that say what is to be varied."""
EITHER = (("flat_days", "odds", "a target"), ("in_series", "bus_v", "a bus voltage"))
"""Two ways to say one thing."""


def merge_size(written: SizeTable | None, arrays: Sequence[Array], generator: Generator | None, desk: Desk) -> SizeWish | None:
    """Finish ``[size]``; None when there is none."""
    if written is None:
        return None
    for one, other, what in EITHER:
        if getattr(written, one) is not None and getattr(written, other) is not None:
            desk.mistake(("size", other), f"either {one} or {other}", "both", f"Each of them says {what}.")
    if written.generator is not None and True in written.generator and generator is None and desk.sound(("generator",)):
        desk.mistake(("size", "generator"), "a [generator] in the scenario", "none", "Describe it, or leave this key out.")
    panels = []
    for name, counts in written.panels or ():
        position = array_position(name, arrays)
        if position is not None:
            panels.append((position, counts))
        elif desk.sound(("array",)) and (arrays or not desk.raw.get("array")):
            expected, got, cure = array_mistake(name, arrays)
            desk.mistake(("size", "panels"), expected, got, cure)
    units = written.unit
    return SizeWish(
        in_parallel=written.in_parallel or (),
        in_series=written.in_series or (),
        bus_v=written.bus_v or (),
        chemistry=written.chemistry or (),
        panels=tuple(panels),
        tilt_deg=written.tilt_deg or (),
        generator=written.generator or (),
        controllers=written.controllers or "as given",
        units=tuple(
            (name, tuple(sorted(table.model_dump(exclude_none=True, by_alias=True).items())))
            for name in type(units).model_fields
            if (table := getattr(units, name)) is not None
        )
        if units is not None
        else (),
        flat_days=written.flat_days,
        odds=written.odds,
        years=written.years,
        soh=written.soh,
        max_price=written.max_price,
        max_kg=written.max_kg,
        max_volume_l=written.max_volume_l,
        max_roof_m2=written.max_roof_m2,
    )


def array_position(name: str | None, arrays: Sequence[Array]) -> int | None:
    """Position of an array by its name or number; without a name that of the only one; None: there is none such."""
    if name is None:
        return 0 if len(arrays) == 1 else None
    found = [place for place, array in enumerate(arrays) if array.name == name]
    if len(found) == 1:
        return found[0]
    if not found and name.isdecimal() and 1 <= int(name) <= len(arrays):
        return int(name) - 1
    return None


def array_mistake(name: str | None, arrays: Sequence[Array]) -> tuple[str, str, str]:
    """What was expected, what was got, and the cure, of a name that stands for no array, or for several."""
    if not arrays:
        return "an [[array]] whose panels can be varied", "none", "Add one, or leave this key out."
    names = [array.name for array in arrays]
    listed = either([quote(each) for each in dict.fromkeys(names)])
    if name is None:
        return "panels by the name of the array", "one range for several arrays", f'Write {{ "{names[0]}" = [1, 4] }}.'
    if names.count(name) > 1:
        return "the number of an array", f"{quote(name)}, the name of several", "Number them from 1, in the order of the file."
    return f"the name of an array ({listed}) or its number", quote(name), nearest(name, names)


def with_flags(scenario: Scenario, flags: Mapping[str, Any]) -> SizeWish:
    """Lay what was asked for on the command line over ``[size]``.

    Parameters
    ----------
    flags : by the keys of ``[size]``, as TOML would give them; None: not asked for.

    Raises
    ------
    InputError
        With every mistake in them.
    """
    given = {key: value for key, value in flags.items() if value is not None}
    mistakes: list[str] = []
    try:
        read: SizeTable | None = SizeTable.model_validate(given)
    except ValidationError as caught:
        read = None
        for error in caught.errors(include_url=False):
            told = error.get("ctx", {})
            expected, got = told.get("expected", error["msg"]), told.get("got", shown(error["input"]))
            mistakes.append(f"{flag_of(str(error['loc'][0]))}: expected {expected}, got {got}. {told.get('cure', '')}".strip())
    for one, other, what in EITHER:
        if one in given and other in given:
            mistakes.append(f"{flag_of(other)}: expected either {flag_of(one)} or {flag_of(other)}, got both; each says {what}")
    if read is None or mistakes:
        raise InputError(mistakes)
    desk = Desk(file="command line")
    wish = merge_size(read, scenario.arrays, scenario.generator, desk)
    if desk.mistakes:
        keys = {f"command line: size, {key}": flag_of(key) for key in SizeTable.model_fields}
        for where, flag in keys.items():
            mistakes = [mistake.replace(where, flag) for mistake in mistakes or desk.mistakes]
        raise InputError(mistakes)
    assert wish is not None
    base = scenario.size or SizeWish()
    # What was asked for in the other way before no longer holds.
    for one, other, _ in EITHER:
        if one in given or other in given:
            empty = SizeWish()
            base = replace(base, **{key: getattr(empty, key) for key in (one, other)})
    return replace(base, **{field.name: getattr(wish, field.name) for field in fields(SizeWish) if field.name in given})


def flag_of(key: str) -> str:
    """Name of the flag for a key of ``[size]``."""
    return {"tilt_deg": "--tilt"}.get(key, f"--{key.replace('_', '-')}")
