"""``flatdays new``: a scenario to start from, made of a few answers."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from simulator.cli import answers
from simulator.cli.shared import Commands, example, print_lines, refuse_impossible
from simulator.errors import InputError, printable

if TYPE_CHECKING:
    from simulator.scenario.starter import Place, Plan

Value = TypeVar("Value")
MOST_TRIES = 3
STAND_IN_KM, STAND_IN_DEG = 1000.0, 5.0
"""A place of the table of normals stands in for another up to here, on the ground and in latitude, and is said to (no source)."""
UNDERSTOOD = {
    "lfp": "lfp (lithium iron phosphate)",
    "agm": "agm (lead-acid, sealed)",
    "gel": "gel (lead-acid, sealed)",
    "flooded": "flooded (lead-acid, to be topped up)",
}
UNITS = {"days": " days", "panel_w": " W", "unit_ah": " Ah", "bus_v": " V"}
GOOD_KM, OTHER_CLIMATE_KM = 100.0, 500.0


def add(commands: Commands) -> None:
    """Its arguments."""
    new = commands.add_parser(
        "new",
        help="write a commented scenario to start from; it runs as it is",
        description=(
            "Write a commented scenario that runs as it is. On a terminal a few questions are asked about what the options below "
            "leave open; with --yes, or without a terminal, usual answers are taken."
        ),
        **example(
            "flatdays new my-trip.toml",
            'flatdays new winter.toml --bank lfp --units 3 --panel-w 400 --at "48.1,7.9" --from 2026-12-01 --days 14',
            'flatdays new south.toml --yes --vehicle bus --at "Evora, PT" --at "38.0,-7.5" --appliances "fridge, lights, kettle"',
            "  names of towns need the extra list: pip install 'flatdays[places]'; latitude,longitude needs nothing",
            'flatdays new plain.toml --yes --vehicle van --bank lithium --panel-w "2 x 175 W" --days "2 weeks"',
        ),
    )
    # A place in the south or the west, -45.0,170.5, begins like an option; for argparse it must look like a number.
    new._negative_number_matcher = re.compile(r"^-\d")
    new.add_argument(
        "file", type=Path, metavar="FILE", nargs="?", default=Path("my-trip.toml"), help="the new file (my-trip.toml)"
    )
    new.add_argument("--yes", action="store_true", help="ask nothing")
    for question in QUESTIONS:
        more: dict[str, Any] = {"action": "append"} if question.key == "places" else {}
        new.add_argument(question.flag, dest=question.key, metavar=question.metavar, help=question.help, **more)
    new.set_defaults(act=_new)


def _new(arguments: argparse.Namespace) -> int:
    from simulator.scenario.reading import parse_scenario
    from simulator.scenario.starter import Plan, starter_text

    target: Path = arguments.file
    refuse_impossible(target, "give another name")
    if target.is_dir():
        raise InputError(
            f"{printable(target)}: this is a folder that is there already; give the name of a file in it, such as my-trip.toml"
        )
    if target.exists():
        raise InputError(f"{target}: this file is there already and was left as it is; give another name")
    given = {question.key: getattr(arguments, question.key) for question in QUESTIONS}
    asking = not arguments.yes and sys.stdin.isatty() and sys.stdout.isatty()
    plan = Plan()
    mistakes: list[str] = []
    understood: list[str] = []
    for question in QUESTIONS:
        written = given[question.key]
        if written is None:
            plan = _usual(plan, question.key)
        try:
            if written is not None:
                text = "; ".join(written) if isinstance(written, list) else written
                plan = replace(plan, **{question.key: question.read(text)})
                understood += _taken(question, text, plan)
            elif asking:
                plan = _asked(question, plan)
        except ValueError as error:
            mistakes.append(f"{question.flag}: {error}")
    if not mistakes:
        mistakes += _together(plan)
    if mistakes:
        raise InputError(mistakes)
    if asking or given["places"] is not None:
        plan = replace(plan, places=tuple(_with_weather(place) for place in plan.places))
    text = starter_text(plan)
    parse_scenario(text, target)
    _write(target, text)
    if understood:
        print_lines(["Understood", *(f"  {line}" for line in understood), ""])
    print_lines([f"Written: {target}", f"Next: flatdays check {target}", f"      flatdays run {target}"], wrap=False)
    return 0


def _write(target: Path, text: str) -> None:
    try:
        with target.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise InputError(f"{target}: this file is there already and was left as it is; give another name") from None
    except OSError as error:
        raise InputError(
            f"{printable(target)}: cannot be written ({error.strerror}); give a name in a folder of your own"
        ) from None


@dataclass(frozen=True)
class Question:
    """One thing that a new scenario hangs on: asked, or given by an option."""

    key: str
    """Field of the plan."""
    flag: str
    metavar: str
    help: str
    asked: str
    read: Callable[[str], Any]
    """From what was written; ValueError with a sentence."""


def _asked(question: Question, plan: Plan) -> Plan:
    """Ask until the answer can be used; an empty answer takes what stands in brackets."""
    usual = _shown(getattr(plan, question.key))
    for _ in range(MOST_TRIES):
        sys.stdout.write(f"{question.asked} [{usual}]: ")
        sys.stdout.flush()
        line = sys.stdin.readline()
        if not line:
            raise KeyboardInterrupt
        if not line.strip():
            return plan
        try:
            answered = replace(plan, **{question.key: question.read(line.strip())})
            # What does not fit is asked again here, while nothing that was answered is lost.
            if question.key in FITTING and (misfit := FITTING[question.key](answered)):
                raise ValueError(misfit)
            for said in _taken(question, line.strip(), answered, alone=True):
                print_lines([f"  Understood: {said}"])
            return answered
        except ValueError as error:
            print_lines([f"  {str(error)[0].upper()}{str(error)[1:]}."])
    print_lines([f"  Taken for now: {usual}. Change it in the file."])
    return plan


def _taken(question: Question, written: str, plan: Plan, *, alone: bool = False) -> list[str]:
    """What was understood, where that is not word for word what was written."""
    value = getattr(plan, question.key)
    said = UNDERSTOOD.get(value, _shown(value)) if isinstance(value, str) else f"{_shown(value)}{UNITS.get(question.key, '')}"
    if isinstance(value, tuple) and _are_places(value):
        said = "; ".join(f"{part.name} at {_degrees(part)}" for part in value)
    elif answers.plain(written) in (_shown(value).lower(), said.lower()):
        return []
    return [said if alone else f"{question.flag} {written}: {said}"]


def _degrees(place: Place) -> str:
    north, east = "north" if place.latitude_deg >= 0 else "south", "east" if place.longitude_deg >= 0 else "west"
    return f"{abs(place.latitude_deg):.2f} {north}, {abs(place.longitude_deg):.2f} {east}"


def _shown(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, tuple):
        return (
            "; ".join(f"{part.latitude_deg:.2f},{part.longitude_deg:.2f}" for part in value)
            if _are_places(value)
            else ", ".join(value)
        )
    return str(value)


def _are_places(value: tuple[Any, ...]) -> bool:
    return bool(value) and not isinstance(value[0], str)


def _units_misfit(plan: Plan) -> str:
    if plan.units % plan.in_series == 0:
        return ""
    return f"expected a multiple of {plan.in_series}, since so many in series make {plan.bus_v} V, got {plan.units}"


def _days_misfit(plan: Plan) -> str:
    return (
        "" if plan.days >= len(plan.places) else f"expected at least a day for each of {len(plan.places)} places, got {plan.days}"
    )


FITTING: dict[str, Callable[[Plan], str]] = {"units": _units_misfit, "days": _days_misfit}
"""Answers that must fit those before them: what is wrong with them, or nothing."""


def _usual(plan: Plan, key: str) -> Plan:
    """The plan with a usual answer that fits what was answered before."""
    if key == "units" and _units_misfit(plan):
        return replace(plan, units=plan.in_series)
    return replace(plan, days=len(plan.places)) if key == "days" and _days_misfit(plan) else plan


def _together(plan: Plan) -> list[str]:
    """Whether the answers fit together."""
    return [
        f"{question.flag}: {said}" for question in QUESTIONS if question.key in FITTING and (said := FITTING[question.key](plan))
    ]


def _with_weather(place: Place) -> Place:
    """The best weather that is there without a network: a place of the shipped table, else a clear sky, and what is better."""
    from simulator.weather.normals_table import normals_by_distance

    away_km, normals = normals_by_distance(place.latitude_deg, place.longitude_deg)
    better = "# better: flatdays fetch FILE --years 2005-2024 once, then weather = { years = [2005, 2024] }"
    if away_km > STAND_IN_KM or abs(normals.latitude_deg - place.latitude_deg) > STAND_IN_DEG:
        return replace(
            place,
            weather="{ clear = true, temp_c = 15 }   # the best case only: no table of this region comes along",
            extra=(better,),
        )
    remark = f"# years drawn from its climate, {away_km:.0f} km away"
    if away_km > GOOD_KM:
        remark += f": another {'climate' if away_km > OTHER_CLIMATE_KM else 'sky'}, for a first look only"
    return replace(place, weather=f'{{ normals = "{normals.name}" }}   {remark}', extra=(better,))


def _questions() -> tuple[Question, ...]:
    kinds, banks = ("camper", "bus", "trailer", "truck", "boat"), ("lfp", "agm", "gel", "flooded")
    return (
        Question(
            "vehicle",
            "--vehicle",
            "KIND",
            f"{', '.join(kinds)} (camper)",
            f"What is it: {', '.join(kinds)}?",
            answers.one_of(kinds, answers.VEHICLE_WORDS),
        ),
        Question(
            "chemistry",
            "--bank",
            "CHEMISTRY",
            "lfp (lithium iron phosphate), agm, gel or flooded (lead-acid); lfp is usual",
            "Battery: lfp (lithium iron phosphate), agm, gel or flooded (lead-acid)?",
            answers.chemistry(banks),
        ),
        Question(
            "bus_v",
            "--bus-v",
            "VOLTS",
            "voltage of the system: 12, 24 or 48 (12)",
            "Voltage of the system: 12, 24 or 48?",
            answers.volts,
        ),
        Question(
            "unit_ah",
            "--unit-ah",
            "AH",
            "ampere-hours of one 12 V unit (100)",
            "Ampere-hours of one 12 V battery?",
            answers.number(1, 5000, "Ah"),
        ),
        Question("units", "--units", "N", "how many of them (2)", "How many of them?", answers.whole(1, 400)),
        Question(
            "panel_w",
            "--panel-w",
            "WATTS",
            "panels on the roof, all together; 0 for none (350)",
            "Watts of panels, all together (0 for none)?",
            answers.number(0, 20_000, "W"),
        ),
        Question(
            "places",
            "--at",
            "PLACE",
            'where: "48.1,7.9" (north and east are positive) or, with flatdays[places] installed, a town such as "Evora, PT"; '
            "once for each stop",
            'Where: latitude,longitude or a town such as "Evora, PT"; more than one with ; between?',
            answers.places,
        ),
        Question("first", "--from", "DATE", "first day (2026-05-01)", "First day?", answers.day),
        Question(
            "days",
            "--days",
            "N",
            "days of the trip, or 2 weeks, 1 month; shared out over the places (14)",
            "How many days in all (or 2 weeks, 1 month)?",
            answers.span(1, 1000),
        ),
        Question(
            "appliances",
            "--appliances",
            "LIST",
            "what draws power, with commas between: fridge, freezer, lights, phones, pump, laptop, router, television, "
            "heater fan, kettle, microwave, induction, air conditioner, tools, breathing aid",
            "What draws power, with commas between (also freezer, router, television, heater fan, kettle, microwave, induction, "
            "air conditioner, tools, breathing aid)?",
            answers.appliances,
        ),
    )


QUESTIONS = _questions()
