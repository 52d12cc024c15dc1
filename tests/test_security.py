"""Scenario files come from strangers: they start nothing, fetch nothing, read nothing out, and write only where they are told."""

from __future__ import annotations

import ast
import json
import os
import re
import socket
import subprocess
import sys
import time
import tomllib
from html.parser import HTMLParser
from pathlib import Path

import pytest

from simulator.cli import main
from simulator.errors import InputError
from simulator.scenario import parse_scenario
from simulator.weather import archive

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "simulator"
WORKSHEET = (ROOT / "scenarios" / "worksheet.toml").read_text(encoding="utf-8")
SAMPLES = re.sub(r"clear = true.*\ntemp_c = 20", 'sample = "greensboro"', WORKSHEET)
assert SAMPLES != WORKSHEET


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "trip.toml").write_text(SAMPLES, encoding="utf-8")
    (tmp_path / "other.toml").write_text(SAMPLES.replace("unit_ah = ", "unit_ah = 1"), encoding="utf-8")
    (tmp_path / "priced.toml").write_text(SAMPLES.replace("unit_ah = ", "unit_price = 200\nunit_ah = "), encoding="utf-8")
    return tmp_path


# ---- what the code may not do ------------------------------------------------------------------------------------------------

NEVER_IMPORTED = {
    *(
        "pickle",
        "cPickle",
        "dill",
        "cloudpickle",
        "shelve",
        "marshal",
        "subprocess",
        "pty",
        "commands",
        "code",
        "codeop",
        "runpy",
    ),
    *(
        "ctypes",
        "cffi",
        "telnetlib",
        "ftplib",
        "smtplib",
        "xmlrpc",
        "socketserver",
        "webbrowser",
        "requests",
        "httpx",
        "aiohttp",
        "yaml",
    ),
    *("multiprocessing",),
}
NEVER_CALLED = {
    *("eval", "exec", "compile", "__import__", "execfile", "input", "breakpoint"),
    *(
        "os.system",
        "os.popen",
        "os.fork",
        "os.startfile",
        "os.execv",
        "os.execve",
        "os.execvp",
        "os.spawnv",
        "os.spawnl",
        "os.posix_spawn",
    ),
    *(
        "importlib.import_module",
        "pd.read_pickle",
        "pandas.read_pickle",
        "pd.eval",
        "pandas.eval",
        "np.fromfile",
        "tempfile.mktemp",
    ),
    *(
        "importlib.__import__",
        "types.FunctionType",
        "shutil.unpack_archive",
        "tarfile.open",
        "zipfile.ZipFile",
        "getattr.__call__",
    ),
}
READS_INPUT = {"input": "cli/new.py"}
"""A person at a terminal may be asked; the words are text and nothing else."""
ALLOWED_IMPORTS = {"cli/size.py": {"multiprocessing"}}
"""Workers of our own, started afresh, which are handed designs and nothing that was read from a file."""


def dotted(node: ast.expr) -> str:
    """Name of what is called: ``os.system``."""
    if isinstance(node, ast.Attribute):
        return f"{dotted(node.value)}.{node.attr}"
    return node.id if isinstance(node, ast.Name) else ""


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("path", modules(), ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_no_module_can_be_made_to_run_what_it_reads(path):
    relative = path.relative_to(PACKAGE).as_posix()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, (ast.Import, ast.ImportFrom)):
            names = {alias.name for alias in node.names} | (
                {node.module} if isinstance(node, ast.ImportFrom) and node.module else set()
            )
            tops = {name.split(".")[0] for name in names} - ALLOWED_IMPORTS.get(relative, set())
            assert not tops & NEVER_IMPORTED, f"{relative}:{node.lineno}"
        if not isinstance(node, ast.Call):
            continue
        name = dotted(node.func)
        if READS_INPUT.get(name) != relative:
            assert name not in NEVER_CALLED, f"{relative}:{node.lineno}: {name}"
        words = {word.arg: word.value for word in node.keywords}
        shell = words.get("shell")
        assert not (isinstance(shell, ast.Constant) and shell.value), f"{relative}:{node.lineno}"
        if name.endswith("np.load"):
            assert isinstance(words.get("allow_pickle"), ast.Constant) and words["allow_pickle"].value is False, (
                f"{relative}:{node.lineno}"
            )
        if name.endswith("Environment"):
            assert isinstance(words.get("autoescape"), ast.Constant) and words["autoescape"].value is True, (
                f"{relative}:{node.lineno}"
            )
        if name in {"Markup", "markupsafe.Markup"} and node.args:
            # Markup is never made of a plain format: its own methods escape what is put in.
            assert not isinstance(node.args[0], ast.JoinedStr | ast.BinOp), f"{relative}:{node.lineno}: {ast.unparse(node)}"


def test_modules_by_name_come_from_a_closed_list():
    """The lazy names of the package are the one place where a module is imported by its name."""
    found = [
        (path.relative_to(PACKAGE).as_posix(), node.lineno)
        for path in modules()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and dotted(node.func).endswith("import_module")
    ]
    assert {path for path, _ in found} <= {"__init__.py"}


def test_templates_switch_no_escaping_off():
    for path in PACKAGE.rglob("*.j2"):
        text = path.read_text(encoding="utf-8")
        assert "autoescape" not in text, path.name
        unescaped = re.findall(r"\{\{[^}]*\|\s*safe[^}]*\}\}", text)
        assert unescaped == [], path.name
        assert not re.search(r"<script|\bon\w+\s*=|javascript:|https?://(?!www\.w3\.org/)", text), path.name


# ---- the network -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "command",
    [
        ("run", "trip.toml", "--out", "out"),
        ("check", "trip.toml"),
        ("new", "new.toml", "--yes"),
        ("odds", "trip.toml", "--years", "3"),
        ("life", "trip.toml"),
        ("stretch", "trip.toml", "--stop", "1"),
        ("size", "priced.toml", "--in-parallel", "1-2", "--years", "2", "--keep", "keep", "--out", "out"),
        ("compare", "trip.toml", "other.toml", "--years", "2", "--out", "out"),
        ("remedies", "trip.toml", "--no-pairs", "--out", "out"),
        ("budget", "trip.toml", "--csv", "budget.csv"),
        ("dates", "trip.toml", "--weeks", "0..1", "--years", "2", "--csv", "dates.csv"),
        ("worksheet", "trip.toml", "--years", "2"),
        ("fetch", "trip.toml", "--years", "2015-2016", "--offline"),
    ],
    ids=lambda command: command[0],
)
def test_no_command_but_fetch_opens_a_socket(folder, monkeypatch, capsys, command):
    def refused(*_: object, **__: object) -> None:
        raise AssertionError("a socket was asked for")

    for name in ("create_connection", "getaddrinfo", "gethostbyname", "create_server"):
        monkeypatch.setattr(socket, name, refused)
    # Libraries build classes on that of sockets when they are loaded, so that it stays and only its deeds are refused.
    for name in ("connect", "connect_ex", "bind", "listen", "send", "sendall", "sendto"):
        monkeypatch.setattr(socket.socket, name, refused)
    monkeypatch.setenv("FLATDAYS_CACHE", str(folder / "cache"))
    assert main(list(command)) == (3 if command[0] == "fetch" else 0), capsys.readouterr().err
    capsys.readouterr()


def test_a_run_of_past_years_that_are_not_there_asks_nobody(folder, monkeypatch, capsys):
    monkeypatch.setattr(archive, "_request", lambda *_: pytest.fail("the archive was asked"))
    monkeypatch.setenv("FLATDAYS_CACHE", str(folder / "cache"))
    (folder / "trip.toml").write_text(SAMPLES.replace('sample = "greensboro"', "years = [2015, 2016]"), encoding="utf-8")
    assert main(["run", "trip.toml"]) == 3
    capsys.readouterr()


# ---- files -------------------------------------------------------------------------------------------------------------------


def everything_in(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*")}


@pytest.mark.parametrize(
    "name", ["../../escaped", "/tmp/flatdays-escaped", "..", "a/b", "C:\\\\escaped", "out\u2215x", "%2e%2e%2f", "~"]
)
def test_names_in_a_scenario_lead_to_no_file(folder, capsys, name):
    """Outputs have names of their own: titles and names of stops and appliances never become paths."""
    shown = json.dumps(name.replace("\\\\", "\\"), ensure_ascii=False)
    text = WORKSHEET.replace('title = "Worksheet: four lithium units, no sun"', f"title = {shown}")
    text = text.replace('name = "Parked under a roof"', f"name = {shown}")
    assert text.count(shown) == 2
    work = folder / "deep" / "work"
    work.mkdir(parents=True)
    (work / "trip.toml").write_text(text, encoding="utf-8")
    os.chdir(work)
    before = everything_in(folder)
    assert main(["run", "trip.toml", "--out", "out"]) == 0
    capsys.readouterr()
    new = everything_in(folder) - before
    assert {Path(path).name for path in new} == {"out", "summary.json", "days.csv", "hours.csv", "report.html"}
    assert all(path.startswith("deep/work/out") for path in new)


def test_a_link_in_the_results_is_replaced_and_not_followed(folder, capsys):
    (folder / "precious.txt").write_text("keep me")
    (folder / "out").mkdir()
    for name in ("summary.json", "report.html"):
        os.symlink("../precious.txt", folder / "out" / name)
    assert main(["run", "trip.toml", "--out", "out"]) == 0
    capsys.readouterr()
    assert (folder / "precious.txt").read_text() == "keep me"
    assert not (folder / "out" / "summary.json").is_symlink()


SECRET = "root:x:0:0:hunter2:/root:/bin/sh"


@pytest.mark.parametrize(
    "command", [("check", "trip.toml"), ("run", "trip.toml", "--out", "out"), ("odds", "trip.toml"), ("normals", "secret")]
)
@pytest.mark.parametrize(
    "content",
    [
        f"{SECRET}\n",
        f"\n{SECRET}",
        f"LOCATION,{SECRET}\n",
        f"SOURCE,{SECRET}\nx\n{SECRET}\n",
        f"{SECRET}\nDate (MM/DD/YYYY)\n{SECRET}\n",
        f"Source,Location ID\n{SECRET}\nYear,Month,Day,Hour,Minute\n{SECRET}\n",
    ],
    ids=["plain", "second line", "as EPW", "as NSRDB", "as TMY3", "as NSRDB with rows"],
)
def test_a_file_that_is_no_weather_is_not_read_out(folder, capsys, content, command):
    (folder / "secret").write_text(content)
    (folder / "trip.toml").write_text(SAMPLES.replace('sample = "greensboro"', 'file = "secret"'), encoding="utf-8")
    # Only a run reads all of a file whose first lines are those of weather.
    looks_right = command[0] == "check" and ("LOCATION" in content or "Date" in content or "Source" in content)
    assert main(list(command)) == (0 if looks_right else 2)
    printed = capsys.readouterr()
    assert looks_right or "secret" in printed.err
    assert "hunter2" not in printed.err + printed.out
    assert not (folder / "out").exists()


def test_system_files_are_not_read_out(folder, capsys):
    for name in ("/etc/passwd", "/etc/hosts", "/proc/self/environ", "/proc/version", "/dev/zero", "/dev/stdin"):
        (folder / "trip.toml").write_text(SAMPLES.replace('sample = "greensboro"', f'file = "{name}"'), encoding="utf-8")
        assert main(["run", "trip.toml"]) == 2
        printed = capsys.readouterr().err
        assert name in printed
        for line in Path(name).read_text(errors="replace").splitlines()[:20] if name.startswith("/etc") else ():
            assert len(line) < 6 or line not in printed


# ---- what is shown -----------------------------------------------------------------------------------------------------------

EVIL = '<script>alert(1)</script><img src=x onerror="alert(2)">{{ 7 * 7 }}{% raw %}&lt;\'"--><svg onload=alert(3)>'


class Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.handlers: set[str] = set()
        self.links: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.handlers |= {name for name, _ in attrs if name.startswith("on")}
        self.links |= {value for name, value in attrs if name in {"src", "href", "xlink:href", "action", "formaction"} and value}


def test_html_in_names_is_shown_and_not_obeyed(folder, capsys):
    """In every text that a person may write."""
    evil = json.dumps(EVIL)
    text = WORKSHEET.replace('title = "Worksheet: four lithium units, no sun"', f"title = {evil}  # {EVIL}")
    text = text.replace('name = "Parked under a roof"', f"name = {evil}")
    text = re.sub(r'(\[\[appliance\]\]\nname = )"[^"]*"', lambda found: f"{found.group(1)}{evil}", text)
    assert text.count(evil) >= 3
    (folder / "trip.toml").write_text(text, encoding="utf-8")
    assert main(["run", "trip.toml", "--out", "out"]) == 0
    capsys.readouterr()
    page = (folder / "out" / "report.html").read_text(encoding="utf-8")
    reader = Reader()
    reader.feed(page)
    assert not reader.tags & {"script", "img", "iframe", "object", "embed", "form", "base"}
    assert reader.handlers == set()
    # An empty icon, so that no browser asks for one.
    assert all(link.startswith("#") or link == "data:," for link in reader.links), reader.links
    assert "&lt;script&gt;alert(1)" in page
    assert "{{ 7 * 7 }}" in page and "49{%" not in page


def test_nothing_in_a_name_steers_a_terminal():
    for sign in ("\\u001b[2J", "\\u0007", "\\u009b31m", "\\u202e", "\\u2066", "\\u2028", "\\r", "\\b", "\\u0000"):
        with pytest.raises(InputError) as caught:
            parse_scenario(WORKSHEET.replace('"Parked under a roof"', f'"x{sign}y"'), "trip.toml")
        assert all(mistake.isprintable() for mistake in caught.value.mistakes)
    # Signs that people do use stay: accents, other scripts, a joined picture, a blank that does not break.
    for name in ("Évora", "東京", "قصر", "👨\u200d👩\u200d👧", "50\u00a0km"):
        assert parse_scenario(WORKSHEET.replace("Parked under a roof", name)).stops[0].name == name


def test_formulas_in_names_stay_in_their_cell(folder, capsys):
    """A name with commas, quotes and formulas stays one field of the tables."""
    import csv

    name = '=HYPERLINK("x"),"a,b"'
    (folder / "trip.toml").write_text(WORKSHEET.replace('"Parked under a roof"', json.dumps(name)), encoding="utf-8")
    assert main(["run", "trip.toml", "--out", "out", "--no-page"]) == 0
    capsys.readouterr()
    with (folder / "out" / "days.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["stop"] for row in rows} == {name}
    assert all(None not in row for row in rows)


# ---- bombs -------------------------------------------------------------------------------------------------------------------

BOMBS = {
    "deep lists": "a = " + "[" * 400_000,
    "deep tables": "a = " + "{ a = " * 100_000,
    "long dotted key": "a." * 400_000 + "a = 1",
    "long header": "[" + "a." * 400_000 + "a]",
    "many tables": "\n".join(f"[t{number}.u.v]" for number in range(25_000)),
    "many list tables": "[[stop]]\n" * 100_000,
    "many dotted keys": "\n".join(f"a.b.c{number}.d = 1" for number in range(40_000)),
    "long number": "a = " + "9" * 900_000,
    "long hexadecimal": "a = 0x" + "f" * 900_000,
    "long fraction": "a = 0." + "9" * 900_000,
    "large exponent": "a = 1e" + "9" * 900_000,
    "many escapes": 'a = "' + "\\u0041" * 150_000 + '"',
    "open quotes": 'a = """' + '"' * 900_000,
    "many comments": "#\n" * 450_000,
    "many wrong keys": "\n".join(f"[[appliance]]\nk{number} = 1" for number in range(20_000)),
    "many wrong windows": "[[appliance]]\nclock = [" + '"25:00-26:00",' * 60_000 + "]",
    "one wide table": "a = {" + ", ".join(f"k{number} = 1" for number in range(60_000)) + "}",
}
LONGEST_S = 20.0
"""On a busy machine; a quiet one takes a second at most."""


@pytest.mark.parametrize("bomb", BOMBS)
def test_a_bomb_is_refused_in_time(bomb):
    text = BOMBS[bomb][:1_000_000]
    began_s = time.process_time()
    with pytest.raises(InputError) as caught:
        parse_scenario(text, "trip.toml")
    assert time.process_time() - began_s < LONGEST_S
    assert sum(map(len, caught.value.mistakes)) < 2_000_000


# ---- dependencies ------------------------------------------------------------------------------------------------------------


def test_every_dependency_has_a_lower_and_an_upper_bound():
    """A release nobody has tried with this program does not get in by itself; zone data must always be the newest."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    needed = [*project["dependencies"], *project["optional-dependencies"]["test"]]
    assert len(needed) > 10
    for line in needed:
        name = re.split(r"[<>=!~ ]", line, maxsplit=1)[0]
        assert ">=" in line, line
        assert "<" in line or name == "tzdata", line


def test_only_what_is_declared_is_imported():
    """No library slips in through another one's dependencies."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    declared = {re.split(r"[<>=!~ ]", line, maxsplit=1)[0].lower() for line in project["dependencies"]}
    for extra in project["optional-dependencies"].values():
        declared |= {re.split(r"[<>=!~ ]", line, maxsplit=1)[0].lower() for line in extra}
    brought_along = {"pydantic_core": "pydantic", "markupsafe": "jinja2"}
    for path in modules():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = (
                {alias.name for alias in node.names}
                if isinstance(node, ast.Import)
                else {node.module or ""}
                if isinstance(node, ast.ImportFrom)
                else set()
            )
            for name in {name.split(".")[0] for name in names} - {"simulator", "__future__", ""}:
                home = brought_along.get(name, name)
                assert home in declared or name in sys.stdlib_module_names, f"{path.name} imports {name}"


def test_a_stranger_cannot_slip_a_module_in(folder):
    """Python files that lie beside a scenario are not imported by the installed command."""
    for name in ("tomllib.py", "pydantic.py", "simulator_plugin.py", "sitecustomize.py", "numpy.py"):
        (folder / name).write_text("raise SystemExit('a stranger ran')")
    code = (
        "import sys\nsys.path[:] = [sys.argv[1], *(path for path in sys.path if path)]\n"
        "from simulator.cli import main\nsys.exit(main(['check', 'trip.toml']))"
    )
    env = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    done = subprocess.run(
        [sys.executable, "-c", code, str(ROOT)], cwd=folder, env=env, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "a stranger ran" not in done.stdout + done.stderr
