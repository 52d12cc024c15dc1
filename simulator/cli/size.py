"""``flatdays size``: which bank, how many panels."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from simulator.cli.csv_file import write_csv
from simulator.cli.shared import EXIT_FLAT, Commands, example, measures_of, print_json, print_lines, progress, say_written
from simulator.cli.study_files import check_written, write_page
from simulator.errors import InputError

EXIT_INTERRUPTED = 130
MOST_WORKERS = 64


def add(commands: Commands) -> None:
    """Its arguments."""
    size = commands.add_parser(
        "size",
        help="how many units and panels: the cheapest, lightest and longest-lived design that meets a target",
        description="Walks a grid of designs over the same weather years. What is varied, the target and the limits stand in "
        "[size] of the scenario, or are given here; what is given here holds.",
        **example(
            "flatdays size my-trip.toml --in-parallel 1-6 --panels roof=1-4",
            "flatdays size my-trip.toml --in-parallel 1-6 --chemistry lfp,agm --odds 0.95 --max-price 2500",
            "flatdays size my-trip.toml --keep sizing   a run that was stopped goes on from there",
        ),
    )
    size.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    size.add_argument("--in-parallel", metavar="FROM-TO", help="units in parallel, such as 1-6 or 1,2,4")
    series = size.add_mutually_exclusive_group()
    series.add_argument("--in-series", metavar="FROM-TO", help="units in series, and with them the bus voltage")
    series.add_argument("--bus-v", metavar="V,V", help="bus voltages, such as 12,24")
    size.add_argument("--chemistry", metavar="NAME,NAME", help="chemistries, such as lfp,agm")
    size.add_argument(
        "--panels",
        metavar="ARRAY=FROM-TO",
        action="append",
        help="panels in parallel of an array, such as roof=1-4; again for another",
    )
    size.add_argument("--tilt", metavar="DEG,DEG", help="tilts of all arrays, such as 0,30")
    size.add_argument(
        "--generator", choices=("with", "without", "both"), help="with the generator of the scenario, without, or both"
    )
    size.add_argument("--flat-days", type=int, metavar="N", help="target: at most so many flat days in the worst year (3)")
    size.add_argument("--odds", type=float, metavar="SHARE", help="target: this share of years without a flat day, such as 0.95")
    size.add_argument("--years", type=int, metavar="N", help="weather years (10; with --odds 100; past years: all)")
    size.add_argument("--soh", type=float, metavar="SHARE", help="capacity that the bank has left (0.8, the end of its life)")
    size.add_argument("--max-price", type=float, metavar="PRICE")
    size.add_argument("--max-kg", type=float, metavar="KG")
    size.add_argument("--max-volume-l", type=float, metavar="LITRES")
    size.add_argument("--max-roof-m2", type=float, metavar="M2")
    size.add_argument("--source", choices=("past", "drawn"), help="past years of the archive, or drawn ones")
    size.add_argument("--seed", type=int, metavar="S", help="start of the chance; left out: the scenario's")
    size.add_argument("--load-spread", type=float, default=0.15, metavar="SHARE", help="how much a day's load varies (0.15)")
    size.add_argument("--whole", action="store_true", help="walk every design to the end: for a front below the target too")
    size.add_argument(
        "--keep", type=Path, metavar="FOLDER", help="keep finished work there; a run that was stopped goes on from it"
    )
    size.add_argument("--workers", type=int, metavar="N", help="so many processes; left out: threads of this one")
    size.add_argument(
        "--out", type=Path, metavar="FOLDER", help="also write size.json, size.html, designs.csv and years.csv there"
    )
    size.add_argument(
        "--csv", type=Path, metavar="FILE", help="also write one row a design there; FILE.parquet where pyarrow is installed"
    )
    size.add_argument("--json", action="store_true", help="print the answer as JSON and nothing else")
    size.add_argument("--fail", action="store_true", help="exit with status 4 when no design meets the target")
    size.set_defaults(act=_size)


def _numbers(text: str | None, flag: str, kind: type) -> list[Any] | None:
    """``1-6``, ``1,2,4`` or ``3`` as a list as TOML would have it."""
    if text is None:
        return None
    dashed = text.split("-")
    parts = dashed if kind is int and len(dashed) == 2 and "," not in text else text.split(",")
    try:
        values = [kind(part.strip()) for part in parts]
    except ValueError:
        raise InputError(f'{flag}: expected a range such as 1-6 or values such as 1,2,4, got "{text}"') from None
    if parts is dashed or len(values) == 1 or kind is not int:
        return values
    # Two values with a comma are these two, not a range.
    return values if len(values) > 2 else [values[0], *values] if values[0] < values[1] else values


def _panels(texts: list[str] | None) -> Any:
    if texts is None:
        return None
    found: dict[str, Any] = {}
    for text in texts:
        name, equals, counts = text.rpartition("=")
        if not equals:
            return _numbers(text, "--panels", int)
        found[name] = _numbers(counts, "--panels", int)
    return found


def _flags(arguments: argparse.Namespace) -> dict[str, Any]:
    """What was asked for, by the keys of ``[size]``."""
    generators = {None: None, "with": [True], "without": [False], "both": [True, False]}
    return {
        "in_parallel": _numbers(arguments.in_parallel, "--in-parallel", int),
        "in_series": _numbers(arguments.in_series, "--in-series", int),
        "bus_v": None if arguments.bus_v is None else list(dict.fromkeys(_numbers(arguments.bus_v, "--bus-v", int) or ())),
        "chemistry": None if arguments.chemistry is None else [part.strip() for part in arguments.chemistry.split(",")],
        "panels": _panels(arguments.panels),
        "tilt_deg": _numbers(arguments.tilt, "--tilt", float),
        "generator": generators[arguments.generator],
        "flat_days": arguments.flat_days,
        "odds": arguments.odds,
        "years": arguments.years,
        "soh": arguments.soh,
        "max_price": arguments.max_price,
        "max_kg": arguments.max_kg,
        "max_volume_l": arguments.max_volume_l,
        "max_roof_m2": arguments.max_roof_m2,
    }


def _write_table(path: Path, rows: list[dict[str, Any]]) -> None:
    """CSV, or Parquet by the ending of the name."""
    if path.suffix != ".parquet":
        write_csv(path, rows)
        return
    import pandas as pd

    scratch = path.with_name(f".{path.name}")
    try:
        pd.DataFrame(rows).to_parquet(scratch, index=False, engine="pyarrow")
        scratch.replace(path)
    except OSError as error:
        raise InputError(f"{path}: could not be written ({error.strerror}); give --csv another name") from None
    finally:
        scratch.unlink(missing_ok=True)


def _check_table(path: Path | None) -> None:
    if path is not None and path.suffix == ".parquet":
        from importlib.util import find_spec

        if find_spec("pyarrow") is None:
            raise InputError(
                f"{path}: Parquet needs the package pyarrow, which is not installed; give --csv a name that ends in .csv"
            )


def _size(arguments: argparse.Namespace) -> int:
    from simulator.scenario import read_scenario

    scenario = read_scenario(arguments.scenario)
    from simulator.scenario.size_table import with_flags

    wish = with_flags(scenario, _flags(arguments))
    check_written(arguments)
    _check_table(arguments.csv)
    if arguments.workers is not None and not 1 <= arguments.workers <= MOST_WORKERS:
        raise InputError(f"--workers: expected a whole number from 1 to {MOST_WORKERS}, got {arguments.workers}")
    from simulator.studies.sizing import size
    from simulator.studies.sizing_tables import size_rows, size_summary

    executor = None
    if arguments.workers is not None:
        import multiprocessing
        from concurrent.futures import ProcessPoolExecutor

        # Threads of the compiled loop do not survive a fork.
        executor = ProcessPoolExecutor(arguments.workers, mp_context=multiprocessing.get_context("spawn"))
    try:
        found = size(
            scenario,
            wish,
            seed=arguments.seed,
            source=arguments.source,
            load_spread_frac=arguments.load_spread,
            whole=arguments.whole,
            executor=executor,
            keep=arguments.keep,
            progress=progress("lanes"),
        )
    except KeyboardInterrupt:
        kept = (
            f"finished work is kept in {arguments.keep}: give the same command again to go on."
            if arguments.keep is not None
            else "nothing is kept; with --keep FOLDER a run that is stopped goes on where it was."
        )
        print(f"Stopped; {kept}", file=sys.stderr)
        return EXIT_INTERRUPTED
    finally:
        if executor is not None:
            executor.shutdown(wait=False, cancel_futures=True)
    if arguments.json:
        print_json(size_summary(found))
    else:
        from simulator.report.sizing import size_lines

        print_lines(size_lines(found, measures_of(arguments)))
    if arguments.out is not None:
        from simulator.report.files import size_files

        write_page(size_files, found, arguments)
    if arguments.csv is not None:
        _write_table(arguments.csv, size_rows(found))
        say_written(arguments.csv, arguments)
    return EXIT_FLAT if arguments.fail and found.cheapest is None else 0
