"""The README holds: its commands exist and answer as printed, its files are there, its example runs, its keys are known."""

from __future__ import annotations

import json
import re
import shlex
import tomllib
from functools import cache
from pathlib import Path
from xml.etree import ElementTree

import pytest

from simulator import odds, parse_scenario, read_scenario, simulate
from simulator.cli import build_parser, main
from simulator.scenario.schema import schema_text

ROOT = Path(__file__).resolve().parents[1]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
MOST_LINES = 250


def blocks(kind):
    """What stands in the fenced blocks of one kind."""
    return re.findall(rf"^```{kind}\n(.*?)^```$", TEXT, re.MULTILINE | re.DOTALL)


def table(head):
    """Rows of the table whose first column has this head."""
    lines = TEXT.splitlines()
    first = next(number for number, line in enumerate(lines) if line.startswith(f"| {head} |"))
    rows = []
    for line in lines[first + 2 :]:
        if not line.startswith("|"):
            break
        rows.append([cell.strip() for cell in line.strip("|").split("|")])
    return rows


def commands():
    """Every flatdays command that the README gives, without its comment."""
    found = []
    for block in [*blocks("sh"), *blocks("console")]:
        for line in block.splitlines():
            command = line.removeprefix("$ ").partition(" #")[0].strip()
            for part in command.split("&&"):
                words = shlex.split(part)
                if words and words[0] in {"flatdays", ".venv/bin/flatdays"}:
                    found.append(words[1:])
    return found


def said(text):
    """Text without its line breaks."""
    return " ".join(text.split())


def test_it_is_short_and_opens_with_the_job():
    assert len(TEXT.splitlines()) <= MOST_LINES
    opening = TEXT.split("\n\n")[1]
    assert "choose a battery bank" in opening and "on which days the bank you propose would run flat" in said(opening)
    # The words ask nobody to know how it was made.
    assert not re.search(r"\b(issue|session|helper|pipeline)s?\b", TEXT)


def test_every_command_is_one_that_exists():
    given = commands()
    assert len(given) >= 8
    parser = build_parser()
    for words in given:
        assert parser.parse_args(words).act, words


def test_the_table_of_commands_is_whole():
    told = {cells[0].strip("`").removeprefix("flatdays ") for cells in table("Command")}
    parser = build_parser()
    known = next(action for action in parser._actions if action.dest == "command").choices
    assert told == set(known)
    options = {name: each._option_string_actions for name, each in known.items()}
    with_out = {name for name in known if "--out" in options[name]}
    assert with_out == {"run", "odds", "life", "compare", "size", "remedies"}
    assert all("--add" in options[name] for name in ("run", "odds", "budget"))
    assert f"on {', '.join(['run', 'odds', 'life', 'compare', 'size'])} and remedies writes a page" in TEXT


def test_the_two_commands_install_what_they_need():
    first, second = (block.strip() for block in blocks("sh")[:2])
    assert first.startswith("python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/flatdays run ")
    assert second == "python3 -m venv .venv && .venv/bin/pip install '.[test]' && .venv/bin/pytest"
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["scripts"]["flatdays"] == "simulator.cli:main"
    assert any(need.startswith("pytest") for need in project["optional-dependencies"]["test"])
    assert project["requires-python"] == ">=3.11" and "Python 3.11 or newer" in TEXT


def test_every_file_it_names_is_there():
    links = [target for target in re.findall(r"\]\(([^)]+)\)", TEXT) if "://" not in target]
    named = re.findall(r"(?<![\w/])((?:scenarios|tests|simulator|benchmarks)/[\w./-]+\w)", TEXT)
    assert len(links) >= 8 and len(named) >= 8
    for path in {*links, *named}:
        assert (ROOT / path).exists(), path
    short = {
        name
        for line in TEXT.splitlines()
        if line.startswith(("More trips", "(five designs", "calculation;"))
        for name in re.findall(r"`([a-z-]+)`", line)
    }
    assert {"channel-autumn", "choosing-a-bank", "size-rambler", "worksheet"} <= short
    shipped = {path.stem for path in (ROOT / "scenarios").glob("*.toml")}
    assert short <= shipped
    assert all(name in TEXT for name in shipped)


def test_the_picture_is_a_small_drawing_with_words():
    words, path = re.search(r"!\[([^\]]+)\]\(([^)]+)\)", TEXT).groups()
    assert len(words) > 60
    drawing = ROOT / path
    assert drawing.stat().st_size < 200_000
    root = ElementTree.fromstring(drawing.read_text(encoding="utf-8"))
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    text = " ".join("".join(root.itertext()).split())
    trip = read_scenario(ROOT / "scenarios" / "bloom-route.toml")
    assert trip.title in text and "flat day" in text and trip.stops[0].name in text


@cache
def stories():
    """Every command of the stories with the lines that the README prints below it."""
    found = []
    for block in blocks("console"):
        for part in re.split(r"^\$ flatdays ", block, flags=re.MULTILINE)[1:]:
            command, _, answer = part.partition("\n")
            found.append((shlex.split(command), answer))
    return found


def test_there_are_three_stories():
    assert TEXT.index("**A spring route.**") < TEXT.index("**A winter camp.**") < TEXT.index("**Two banks.**")
    assert [words[0] for words, _ in stories()] == ["run", "run", "run", "compare"]


@pytest.mark.parametrize("place", range(4))
def test_the_answers_are_those_that_are_printed(place, capsys, monkeypatch):
    words, answer = stories()[place]
    monkeypatch.chdir(ROOT)
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.delenv("FLATDAYS_UNITS", raising=False)
    assert main(words) == 0
    printed = said(capsys.readouterr().out)
    assert len(answer.splitlines()) >= 2
    if words[0] == "run":
        assert said(answer) in printed, f"the README says: {said(answer)}"
    else:
        for line in answer.splitlines():
            assert said(line) in printed, f"the README says: {line}"


def test_what_the_stories_add_is_true():
    outside, inside = (
        len(simulate(read_scenario(ROOT / "scenarios" / f"winter-survey-{it}.toml")).flat_days) for it in ("outside", "inside")
    )
    numbers = {22: "22", 5: "five"}
    assert f"Warmth mends {numbers[outside - inside]} days; the other {numbers[inside]} are" in TEXT
    trip = read_scenario(ROOT / "scenarios" / "bloom-route.toml")
    mean = float(odds(trip, 30).flat_days.mean())
    assert 8.0 < mean < 10.5 and "about 9 in an average drawn year" in TEXT


def test_neither_bank_of_the_story_runs_flat_and_one_is_bought_twice_again(capsys, monkeypatch):
    monkeypatch.chdir(ROOT)
    assert main(["compare", "scenarios/tuner-lithium.toml", "scenarios/tuner-agm.toml", "--json"]) == 0
    lithium, agm = json.loads(capsys.readouterr().out)["designs"]
    assert lithium["flat_days_worst"] == agm["flat_days_worst"] == 0
    assert (lithium["bank_replacements"], agm["bank_replacements"]) == (0, 2)
    assert agm["price"] < lithium["price"] and agm["cost_per_year"] > lithium["cost_per_year"]


def test_the_example_is_a_scenario_that_runs():
    (text,) = blocks("toml")
    scenario = parse_scenario(text)
    assert scenario.title == "A week at the lake"
    assert simulate(scenario).timeline.days == 8


def test_the_python_example_runs(monkeypatch, capsys):
    (code,) = blocks("python")
    monkeypatch.chdir(ROOT)
    exec(compile(code, "README", "exec"), {})
    assert capsys.readouterr().out.startswith("['2026-06-0")


def _keys(schema, name):
    """Keys of a table in the schema, those of a list of tables too."""
    node = schema["properties"][name]
    while True:
        if "$ref" in node:
            node = schema["$defs"][node["$ref"].rpartition("/")[2]]
        elif "items" in node:
            node = node["items"]
        elif "properties" in node:
            return set(node["properties"])
        else:
            node = next(each for each in node.get("anyOf", node.get("oneOf", [])) if each.get("type") != "string")


def test_every_key_of_the_table_is_one_that_may_be_written():
    schema = json.loads(schema_text())
    known_tables = {name for name, node in schema["properties"].items() if name not in {"title", "seed", "weather"}}
    told = set()
    for tables, words in table("Table"):
        names = re.findall(r"\[+(\w+)\]+", tables)
        told |= set(names)
        keys = set().union(*(_keys(schema, name) for name in names))
        written = set(re.findall(r"`(\w+)`", words))
        assert len(written) >= 2
        assert written <= keys, f"{tables}: {sorted(written - keys)}"
    assert told == known_tables


def test_the_variables_it_names_are_read():
    named = set(re.findall(r"FLATDAYS_\w+", TEXT))
    source = "\n".join(path.read_text(encoding="utf-8") for path in (ROOT / "simulator").rglob("*.py"))
    assert named and all(f'"{name}"' in source for name in named)


def test_the_cautions_are_there():
    cautions = TEXT[TEXT.index("## Cautions") : TEXT.index("## How it was checked")]
    for word in ("does not certify wiring", "licensed electrician", "below freezing", "carbon monoxide", "medical device"):
        assert word in cautions
