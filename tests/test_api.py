"""The public names: documented, typed, and as their examples say."""

from __future__ import annotations

import doctest
import subprocess
import sys
from pathlib import Path

import pytest

import simulator

ROOT = Path(__file__).resolve().parents[1]

CONSUMER = """
from simulator import (
    InputError,
    Life,
    Odds,
    Outcome,
    Scenario,
    compare,
    days_table,
    life,
    odds,
    page,
    parse_scenario,
    read_scenario,
    remedies,
    simulate,
    size,
    starter_text,
    summary,
)


def answer(name: str) -> tuple[int, float, str]:
    try:
        scenario: Scenario = read_scenario(name)
    except InputError as error:
        return len(error.mistakes), 0.0, ""
    outcome: Outcome = simulate(scenario)
    chance: Odds = odds(scenario, years=10)
    served: Life = life(scenario)
    beside = compare([("one", scenario), ("two", parse_scenario(starter_text()))])
    cures = remedies(scenario)
    sized = size(scenario)
    html: str = page(outcome)
    rows: int = len(days_table(outcome)) + len(beside.designs) + len(cures.singles) + len(sized.front)
    first: str = outcome.flat_days[0].cause if outcome.flat_days else str(summary(outcome)["days"])
    return rows, chance.flat_free_share() + served.years_to_end, first + html
"""


def test_the_examples_run(monkeypatch):
    monkeypatch.chdir(ROOT)
    result = doctest.testmod(simulator)
    assert result.failed == 0
    assert result.attempted > 20


def test_every_public_name_is_in_an_example():
    examples = "\n".join(example.source for example in doctest.DocTestParser().get_examples(simulator.__doc__))
    for name in simulator.__all__:
        assert name in examples, f"{name} has no example"


def test_names_are_handed_out_on_first_use_only():
    code = (
        "import sys, simulator\n"
        "assert not {'numpy', 'pandas', 'numba', 'pydantic', 'matplotlib'} & set(sys.modules), 'import simulator is heavy'\n"
        "simulator.read_scenario\n"
        "assert not {'numba', 'pvlib', 'matplotlib', 'scipy'} & set(sys.modules), 'reading is heavy'\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=ROOT)


def test_the_package_says_that_it_is_typed():
    assert (ROOT / "simulator" / "py.typed").is_file()


def test_a_strictly_typed_program_may_use_it(tmp_path):
    """mypy --strict on a program of somebody else's."""
    pytest.importorskip("mypy", reason="mypy is not installed (pip install '.[dev]')")
    program = tmp_path / "consumer.py"
    program.write_text(CONSUMER, encoding="utf-8")
    wrong = tmp_path / "wrong.py"
    wrong.write_text("from simulator import read_scenario\nnumber: int = read_scenario(3)\n", encoding="utf-8")
    # Errors inside the package are told by its own check, whose cache this shares; here only what its user sees counts.
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--config-file", "pyproject.toml", str(program), str(wrong)],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    lines = [line for line in done.stdout.splitlines() if "error:" in line]
    assert not [line for line in lines if "consumer.py" in line], done.stdout + done.stderr
    assert len([line for line in lines if "wrong.py" in line]) == 2, done.stdout + done.stderr
