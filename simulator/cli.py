"""The ``flatdays`` command: arguments and printing only; heavy imports stay inside the commands."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from simulator.errors import FlatdaysError, InputError

if TYPE_CHECKING:
    from simulator.outcome import Outcome

EXIT_FLAT = 4
EXIT_FAULT = 70
EXIT_INTERRUPTED = 130

EXAMPLES = """examples
  flatdays new my-trip.toml                 write a commented scenario that runs as it is
  flatdays check my-trip.toml               say what was understood, and every mistake at once
  flatdays run my-trip.toml                 on which days does the bank run flat, and why
  flatdays odds my-trip.toml --years 200    the same over many weather years drawn by chance
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
    chances.add_argument("--seed", type=int, metavar="S", help="start of the chance; left out: the scenario's")
    chances.add_argument("--load-spread", type=float, default=0.15, metavar="SHARE", help="how much a day's load varies (0.15)")
    chances.add_argument(
        "--worst", type=Path, metavar="FOLDER", help="also run the worst year hour by hour and write its files there"
    )
    chances.add_argument("--json", action="store_true", help="print the odds as JSON and nothing else")
    chances.set_defaults(act=_odds)

    life = commands.add_parser("life", help="repeat the route year after year: how long the bank lasts, and when it first runs flat")
    life.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    life.add_argument("--json", action="store_true", help="print the answer as JSON and nothing else")
    life.set_defaults(act=_life)

    check = commands.add_parser("check", help="only read the scenario: what was understood, and every mistake at once")
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

    found = odds(scenario, arguments.years, arguments.seed, load_spread_frac=arguments.load_spread, progress=_progress())
    if arguments.json:
        import json

        sys.stdout.write(json.dumps(odds_summary(found), indent=2, ensure_ascii=False, allow_nan=False) + "\n")
    else:
        _print(odds_lines(found))
    if arguments.worst is not None:
        _write(worst_outcome(found, load_spread_frac=arguments.load_spread), arguments, arguments.worst)
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
        import json

        sys.stdout.write(json.dumps(life_summary(found), indent=2, ensure_ascii=False, allow_nan=False) + "\n")
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
