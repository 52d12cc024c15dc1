"""The ``flatdays`` command: arguments and printing only; heavy imports stay inside the commands."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulator.errors import FlatdaysError, InputError

if TYPE_CHECKING:
    from simulator.outcome import Outcome

EXIT_FLAT = 4
EXIT_FAULT = 70
EXIT_INTERRUPTED = 130
BAR_WIDTH, LINE_WIDTH = 24, 79

EXAMPLES = """examples
  flatdays new my-trip.toml                 write a commented scenario that runs as it is
  flatdays check my-trip.toml               say what was understood, and every mistake at once
  flatdays run my-trip.toml                 on which days does the bank run flat, and why
  flatdays odds my-trip.toml --years 200    the same over many weather years
  flatdays fetch my-trip.toml --years 2005-2024   bring the past years of every stop, once, for weather = { years = ... }
  flatdays run my-trip.toml --out results   also write summary.json, days.csv, hours.csv and report.html
  flatdays life my-trip.toml                how many years the bank lasts on this route

exit status: 0 it ran, 2 the input is wrong, 3 no weather from the archive, 4 a flat day (with --fail-on-flat), 70 a fault of ours
"""


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="flatdays",
        description="On which days of a trip does a vehicle's battery bank run flat, why, and what would mend it.",
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="store_true", help="print the version and stop")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")

    run = commands.add_parser("run", help="simulate the trip and give the answer")
    run.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    run.add_argument("--out", type=Path, metavar="FOLDER", help="also write summary.json, days.csv, hours.csv, report.html there")
    run.add_argument("--no-page", action="store_true", help="with --out: leave report.html out")
    run.add_argument("--json", action="store_true", help="print the summary as JSON and nothing else")
    run.add_argument("--fail-on-flat", action="store_true", help="exit with status 4 when there is a flat day")
    run.set_defaults(act=_run)

    chances = commands.add_parser("odds", help="run the trip over many weather years: in how many does the bank run flat")
    chances.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    chances.add_argument("--years", type=int, default=100, metavar="N", help="weather years to draw (100)")
    chances.add_argument(
        "--source",
        choices=("past", "drawn", "both"),
        help="past years of the archive, drawn ones, or both side by side; left out: past years if a stop asks for them",
    )
    chances.add_argument("--seed", type=int, metavar="S", help="start of the chance; left out: the scenario's")
    chances.add_argument("--load-spread", type=float, default=0.15, metavar="SHARE", help="how much a day's load varies (0.15)")
    chances.add_argument(
        "--worst", type=Path, metavar="FOLDER", help="also run the worst year hour by hour and write its files there"
    )
    chances.add_argument("--json", action="store_true", help="print the odds as JSON and nothing else")
    chances.set_defaults(act=_odds)

    life = commands.add_parser(
        "life", help="repeat the route year after year: how long the bank lasts, and when it first runs flat"
    )
    life.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    life.add_argument("--json", action="store_true", help="print the answer as JSON and nothing else")
    life.set_defaults(act=_life)

    spell = commands.add_parser(
        "stretch", help="how many dull days a full bank carries the load through, beside the hand formula"
    )
    spell.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    spell.add_argument("--stop", required=True, metavar="N", help="number of the stop, from 1, or its name")
    spell.add_argument("--date", metavar="YYYY-MM-DD", help="first day, full at midnight; left out: the arrival")
    spell.add_argument(
        "--kt", type=float, default=0.2, metavar="SHARE", help="share of the light that comes through (0.2: overcast)"
    )
    spell.add_argument("--temp", type=float, metavar="C", help="air temperature; left out: the mean of the month there")
    spell.add_argument("--spell", type=int, metavar="DAYS", help="instead of --kt: the darkest so many days about that date")
    spell.add_argument("--years", type=int, default=100, metavar="N", help="with --spell: weather years to draw (100)")
    spell.add_argument("--seed", type=int, metavar="S", help="with --spell: start of the chance; left out: the scenario's")
    spell.add_argument("--source", choices=("past", "drawn"), help="with --spell: which years to look in")
    spell.add_argument("--json", action="store_true", help="print the answer as JSON and nothing else")
    spell.set_defaults(act=_stretch)

    fetch = commands.add_parser("fetch", help="bring past years of weather for every stop into the cache")
    fetch.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    fetch.add_argument("--years", metavar="FIRST-LAST", help="such as 2005-2024; left out: the years its stops ask for")
    fetch.add_argument("--offline", action="store_true", help="ask nobody: only look whether they are all there")
    fetch.set_defaults(act=_fetch)

    normals = commands.add_parser("normals", help="monthly normals of a weather file, ready to be pasted into a scenario")
    normals.add_argument("file", type=Path, metavar="FILE", help="a weather year: EPW, TMY2, TMY3 or NSRDB csv")
    normals.set_defaults(act=_normals)

    check = commands.add_parser("check", help="only read the scenario: what was understood, and every mistake in it at once")
    check.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    check.set_defaults(act=_check)

    new = commands.add_parser("new", help="write a commented scenario to start from; it runs as it is")
    new.add_argument(
        "file", type=Path, metavar="FILE", nargs="?", default=Path("my-trip.toml"), help="the new file (my-trip.toml)"
    )
    new.set_defaults(act=_new)
    return parser


def _print(lines: Sequence[str]) -> None:
    sys.stdout.write("\n".join(lines) + "\n")


def _run(arguments: argparse.Namespace) -> int:
    from simulator.record import check_folder, summary_text
    from simulator.scenario import read_scenario

    scenario = read_scenario(arguments.scenario)
    if arguments.out is not None:
        check_folder(arguments.out)
    from simulator.engine import simulate

    outcome = simulate(scenario)
    if arguments.json:
        sys.stdout.write(summary_text(outcome))
    else:
        from simulator.report.tables import answer_lines

        _print(answer_lines(outcome))
        sys.stdout.flush()
    if arguments.out is not None:
        _write(outcome, arguments, arguments.out, page=not arguments.no_page)
    return EXIT_FLAT if arguments.fail_on_flat and outcome.flat_days else 0


def _write(outcome: Outcome, arguments: argparse.Namespace, folder: Path, *, page: bool = True) -> None:
    """Write the files of a run and say so."""
    from simulator.record import days_table, hours_table, summary_text, write_files

    files = {
        "summary.json": summary_text(outcome),
        "days.csv": days_table(outcome).to_csv(index=False, lineterminator="\n"),
        "hours.csv": hours_table(outcome).to_csv(index=False, lineterminator="\n"),
    }
    if page:
        from simulator.report.page import render_page

        files["report.html"] = render_page(outcome, arguments.scenario.read_text(encoding="utf-8"))
    write_files(folder, files)
    if not arguments.json:
        _print(["", f"Written to {folder}: {', '.join(files)}"])


def _odds(arguments: argparse.Namespace) -> int:
    from simulator.record import check_folder
    from simulator.scenario import read_scenario

    scenario = read_scenario(arguments.scenario)
    if arguments.worst is not None:
        check_folder(arguments.worst)
    from simulator.report.chances import odds_lines
    from simulator.studies.odds import odds, odds_summary, worst_outcome

    each = [
        odds(
            scenario,
            arguments.years,
            arguments.seed,
            source=source,
            load_spread_frac=arguments.load_spread,
            progress=_progress(),
        )
        for source in (("past", "drawn") if arguments.source == "both" else (arguments.source,))
    ]
    found = each[0]
    if arguments.json:
        summary = odds_summary(found)
        for beside in each[1:]:
            summary["beside"] = odds_summary(beside)
        _print_json(summary)
    else:
        _print(odds_lines(*each))
    if arguments.worst is not None:
        _write(worst_outcome(found), arguments, arguments.worst)
    return 0


def _print_json(summary: dict[str, Any]) -> None:
    import json

    sys.stdout.write(json.dumps(summary, indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def _stretch(arguments: argparse.Namespace) -> int:
    from datetime import date

    from simulator.scenario import read_scenario

    scenario = read_scenario(arguments.scenario)
    try:
        day = None if arguments.date is None else date.fromisoformat(arguments.date)
    except ValueError:
        raise InputError(f'--date: expected a date such as 2026-12-15, got "{arguments.date}"') from None
    from simulator.report.spell import stretch_lines
    from simulator.studies.stretch import find_stop, stretch, stretch_summary

    stop = find_stop(scenario, arguments.stop)
    found = stretch(
        scenario,
        stop,
        stop.arrive if day is None else day,
        kt=arguments.kt,
        temp_c=arguments.temp,
        spell_days=arguments.spell,
        years=arguments.years,
        source=arguments.source,
        seed=arguments.seed,
    )
    if arguments.json:
        _print_json(stretch_summary(found))
    else:
        _print(stretch_lines(found))
    return 0


def _fetch(arguments: argparse.Namespace) -> int:
    from datetime import date

    from simulator.scenario import read_scenario

    scenario = read_scenario(arguments.scenario)
    asking = [stop for stop in scenario.stops if stop.weather is not None and stop.weather.years is not None]
    if arguments.years is None:
        spans = [stop.weather.years for stop in asking if stop.weather is not None and stop.weather.years is not None]
        if not spans:
            raise InputError(
                "--years: expected the first and the last year such as 2005-2024, got none, and no stop asks for any"
            )
        first, last = min(span[0] for span in spans), max(span[1] for span in spans)
    else:
        first, last = _year_span(arguments.years)
    from simulator.weather.archive import check_years, get_into_cache

    check_years(first, last, date.today())
    stops = asking if arguments.years is None else scenario.stops
    points = list(dict.fromkeys((stop.latitude_deg, stop.longitude_deg) for stop in stops))
    found = get_into_cache(points, range(first, last + 1), offline=arguments.offline, on_progress=_bar())
    cells = "1 cell" if found.cells == 1 else f"{found.cells} cells"
    _print(
        [
            f"{first} to {last} in {cells} of the archive: {found.asked} years of cells fetched, {found.kept} were there before.",
            *(f"  - {note}" for note in found.notes),
            f"Use them with weather = {{ years = [{first}, {last}] }}, then: flatdays odds {arguments.scenario}",
        ]
    )
    return 0


def _year_span(text: str) -> tuple[int, int]:
    """First and last year of ``2005-2024`` or ``2010``."""
    parts = text.split("-")
    if len(parts) > 2 or not all(part.isdecimal() and len(part) == 4 for part in parts):
        raise InputError(f'--years: expected the first and the last year such as 2005-2024, got "{text}"')
    return int(parts[0]), int(parts[-1])


def _bar() -> Callable[[int, int, str], None] | None:
    """A bar on the error stream, for a person only."""
    if not sys.stderr.isatty():
        return None

    def show(done: int, total: int, said: str) -> None:
        filled = BAR_WIDTH * done // total
        line = f"[{'#' * filled}{'.' * (BAR_WIDTH - filled)}] {done} of {total}  {said}"[:LINE_WIDTH]
        sys.stderr.write(f"\r{line:<{LINE_WIDTH}}" + ("\r" + " " * LINE_WIDTH + "\r" if done == total else ""))
        sys.stderr.flush()

    return show


def _normals(arguments: argparse.Namespace) -> int:
    from simulator.weather import read_weather_file
    from simulator.weather.climate import normals_toml
    from simulator.weather.normals import normals_from_station

    sys.stdout.write(normals_toml(normals_from_station(read_weather_file(arguments.file))))
    return 0


def _progress() -> Callable[[int, int], None] | None:
    """A counter on the error stream, for a person only."""
    if not sys.stderr.isatty():
        return None

    def show(done: int, total: int) -> None:
        sys.stderr.write(f"\r{done} of {total} years" + ("\r" + " " * 40 + "\r" if done == total else ""))
        sys.stderr.flush()

    return show


def _life(arguments: argparse.Namespace) -> int:
    from simulator.scenario import read_scenario

    scenario = read_scenario(arguments.scenario)
    from simulator.studies.life import life_summary, live

    found = live(scenario)
    if arguments.json:
        _print_json(life_summary(found))
    else:
        from simulator.report.life import life_lines

        _print(life_lines(found))
    return 0


def _check(arguments: argparse.Namespace) -> int:
    from simulator.scenario import describe, read_scenario
    from simulator.weather import look_at_weather_file

    scenario = read_scenario(arguments.scenario)
    mistakes: dict[str, None] = {}
    files = dict.fromkeys(stop.weather.file for stop in scenario.stops if stop.weather is not None)
    for path in filter(None, files):
        try:
            look_at_weather_file(path)
        except InputError as error:
            mistakes |= dict.fromkeys(error.mistakes)
    # A stop that asks for the nearest place has to look up its height, which takes the heavy libraries.
    named = [stop for stop in scenario.stops if stop.weather is not None and stop.weather.normals is not None]
    if named:
        from simulator.weather.climate import written_normals

        for stop in named:
            try:
                written_normals(stop)
            except InputError as error:
                mistakes |= dict.fromkeys(error.mistakes)
    if mistakes:
        raise InputError(mistakes)
    _print(describe(scenario))
    return 0


def _new(arguments: argparse.Namespace) -> int:
    from simulator.scenario.starter import starter_text

    target: Path = arguments.file
    try:
        with target.open("x", encoding="utf-8") as file:
            file.write(starter_text())
    except FileExistsError:
        raise InputError(f"{target}: this file is there already and was left as it is; give another name") from None
    except OSError as error:
        raise InputError(f"{target}: cannot be written ({error.strerror}); give a name in a folder of your own") from None
    _print([f"Written: {target}", f"Next: flatdays run {target}"])
    return 0


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command and return its exit status; never a traceback for what a person wrote."""
    parser = _parser()
    parsed = parser.parse_args(arguments)
    if parsed.version:
        from simulator.version import package_version

        _print([f"flatdays {package_version()}"])
        return 0
    if parsed.command is None:
        parser.print_help()
        return 0
    try:
        return int(parsed.act(parsed))
    except InputError as error:
        for mistake in error.mistakes:
            print(mistake, file=sys.stderr)
        return error.exit_status
    except FlatdaysError as error:
        print(error, file=sys.stderr)
        return error.exit_status
    except BrokenPipeError:
        # The reader of our output went away (a pager was closed): not a fault of anybody.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        print("Stopped; nothing was written.", file=sys.stderr)
        return EXIT_INTERRUPTED
    except Exception as error:
        if os.environ.get("FLATDAYS_DEBUG"):
            raise
        print(
            f"A fault of ours ({type(error).__name__}: {error}). Set FLATDAYS_DEBUG=1 and run again for the details, and please "
            "report them with the scenario.",
            file=sys.stderr,
        )
        return EXIT_FAULT
