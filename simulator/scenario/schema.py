"""A JSON Schema of scenario files, made from the models as they are, so that editors complete keys and mark mistakes.

It lets through all that ``flatdays check`` does, and refuses what is wrong by itself: unknown keys, wrong kinds, numbers out of
range. Whether values fit together only ``flatdays check`` knows. TOML's dates count as text, as editors take them.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from simulator.scenario import values
from simulator.scenario.schema_words import MEANINGS
from simulator.scenario.written import ScenarioFile

FILE = "flatdays.schema.json"
"""What the first line of a new scenario calls it."""
HINT = f"#:schema ./{FILE}"
"""Editors that read TOML take the schema from such a line."""
DRAFT = "https://json-schema.org/draft/2020-12/schema"
_DATE = r"^\d{4}-\d{2}-\d{2}([Tt ]\d{2}:\d{2}(:\d{2}(\.\d+)?)?)?$"
_CLOCK = r"^\s*\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?\s*$"
_WINDOW = r"^\s*\d{1,2}:\d{2}\s*[-–]\s*\d{1,2}:\d{2}\s*$"
_ONE_WINDOW: dict[str, Any] = {"type": "string", "pattern": _WINDOW}
_YEAR: dict[str, Any] = {"type": "integer", "minimum": values.FIRST_PAST_YEAR, "maximum": values.LAST_YEAR}
_PAIR: dict[str, Any] = {
    "type": "array",
    "items": {"type": "number", "exclusiveMinimum": 0},
    "minItems": 2,
    "maxItems": 2,
}

PLAIN: dict[Callable[..., Any], dict[str, Any]] = {
    values.text: {"type": "string", "minLength": 1, "pattern": r"\S", "description": "Text in quotes."},
    values.flag: {"type": "boolean", "description": "true or false."},
    values.given: {"const": True, "description": "true; leave the key out instead of false."},
    values.sides: {
        "type": "array",
        "items": {"type": "number", "exclusiveMinimum": 0, "maximum": 50},
        "minItems": 3,
        "maxItems": 3,
        "description": "[length, width, height] in metres.",
    },
    values.sheet_rows: {
        "type": "array",
        "items": _PAIR,
        "minItems": 2,
        "maxItems": 50,
        "description": "Rows [hours, Ah] of the data sheet.",
    },
    values.moment: {
        "type": "string",
        "pattern": _DATE,
        "description": "A date such as 2026-06-01, or with the time on the local clock 2026-06-01T14:30:00; without quotes.",
    },
    values.clock_hour: {"type": "string", "pattern": _CLOCK, "description": 'A time on the clock such as "09:00".'},
    values.windows: {
        "anyOf": [_ONE_WINDOW, {"type": "array", "items": _ONE_WINDOW, "minItems": 1, "maxItems": 24}],
        "description": 'Windows on the clock such as ["07:00-08:30", "22:00-02:00"].',
    },
    values.weekdays: {
        "anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}, "minItems": 1}],
        "examples": [["sat", "sun"], "weekend", "weekdays"],
        "description": 'Days such as ["sat", "sun"], or "weekend", "weekdays" or "every day".',
    },
    values.hookup_nights: {
        "anyOf": [{"type": "boolean"}, {"type": "string", "pattern": r"(?i)^\s*every(\s+\d{1,3}\s*(st|nd|rd|th))?\s+night\s*$"}],
        "description": 'true, false or "every 7th night".',
    },
    values.past_years: {
        "type": "array",
        "items": _YEAR,
        "minItems": 2,
        "maxItems": 2,
        "description": f"The first and the last year such as [2005, 2024], from {values.FIRST_PAST_YEAR} on.",
    },
}
BEFORE: dict[Callable[..., Any], dict[str, Any]] = {
    values.normals_place: {"type": "string", "minLength": 1},
    values.rest_words: {"type": "string", "pattern": r"(?i)^\s*route again\s*$"},
}
"""What may stand in for a table: text."""
REQUIRED: dict[str, list[str]] = {
    "ScenarioFile": ["bank", "appliance", "stop"],
    "StopTable": ["arrive", "depart"],
    "VariantTable": ["name"],
}
ONE_OF: dict[str, tuple[str, ...]] = {
    "WeatherTable": ("file", "sample", "clear", "normals", "years"),
    "RestOfYearTable": ("route_again", "storage"),
}
"""Tables of which exactly one key must be there."""


class _Generator(GenerateJsonSchema):
    """Knows the shapes of the checks that pydantic only knows as functions."""

    def function_plain_schema(self, schema: core_schema.PlainValidatorFunctionSchema) -> JsonSchemaValue:
        check: Any = schema["function"]["function"]
        return dict(values.SHAPES.get(check) or PLAIN.get(check, {}))

    def function_before_schema(self, schema: core_schema.BeforeValidatorFunctionSchema) -> JsonSchemaValue:
        check: Any = schema["function"]["function"]
        inner = self.generate_inner(schema["schema"])
        return {"anyOf": [BEFORE[check], inner]} if check in BEFORE else inner

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        # TOML has no null: a key is there or it is not.
        return self.generate_inner(schema["schema"])


def scenario_schema() -> dict[str, Any]:
    """The schema of scenario files (JSON Schema draft 2020-12).

    >>> scenario_schema()["$defs"]["BankTable"]["properties"]["unit_ah"]["maximum"]
    5000
    """
    made = ScenarioFile.model_json_schema(schema_generator=_Generator, by_alias=True)
    definitions: dict[str, Any] = made.pop("$defs")
    for name, table in (*definitions.items(), ("ScenarioFile", made)):
        _finish(name, table)
    return {"$schema": DRAFT, "title": "A flatdays scenario", **made, "$defs": dict(sorted(definitions.items()))}


def _finish(name: str, table: dict[str, Any]) -> None:
    """Plainer words, the keys that must be there, and what each key means."""
    table.pop("title", None)
    table["description"] = " ".join(table.get("description", "").replace("``", "").split())
    properties = table.get("properties", {})
    for key, entry in properties.items():
        for idle in ("title", "default"):
            entry.pop(idle, None)
        meaning = MEANINGS.get(f"{name}.{key}", "")
        entry["description"] = " ".join(part for part in (meaning, entry.get("description", "")) if part)
    needed = [key for key in REQUIRED.get(name, ()) if key in properties]
    if needed:
        table["required"] = needed
    if name == "ScenarioFile":
        # Elsewhere the same table only says what differs.
        properties["bank"]["required"] = ["chemistry"]
    if name == "StopTable":
        table["anyOf"] = [{"required": ["place"]}, {"required": ["latitude_deg", "longitude_deg"]}]
    if name in ONE_OF:
        table["oneOf"] = [{"required": [key]} for key in ONE_OF[name]]


def schema_text() -> str:
    """The schema as JSON text."""
    return json.dumps(scenario_schema(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
