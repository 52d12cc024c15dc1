"""Mutation testing of one module: small mistakes are put into it one at a time, and the tests have to notice each.

    PYTHONPATH=. python tests/mutants.py simulator/battery/kernel.py --sample 300 --seed 1 --minutes 15

The tests of :data:`TESTS` are collected once; then every mutant runs in a process forked from there, in which the code of the
module's functions (and its plain numbers) is replaced. No file is written. Only the tests that pass through the changed lines are
run, quickest first, until one fails. The compiled hour loop runs as plain Python here (``NUMBA_DISABLE_JIT``).

A mutant that no test noticed has survived: either nobody looks there, or it changes nothing (a tolerance a little wider, one more
step of a root search that has already ended). Each is printed with its line, to be looked at by a person.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import copy
import importlib
import itertools
import json
import os
import random
import resource
import signal
import sys
import time
import types
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, is_dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent

AGEING_TESTS = (
    "test_ageing.py",
    "test_fade.py",
    "test_wear.py",
    "test_cycles.py",
    "test_against_naumann.py",
    "test_against_blast_lite.py",
    "test_against_miner.py",
)
TESTS: dict[str, tuple[str, ...]] = {
    "simulator/battery/kernel.py": (
        "test_kernel.py",
        "test_voltages.py",
        "test_hand_hours.py",
        "test_hand_limits.py",
        "test_hand_edges.py",
        "test_parts_of_an_hour.py",
        "test_hour_loop_faults.py",
        "test_rarely_walked_hours.py",
        "test_protections.py",
        "test_laws.py",
        "test_against_kinetic_model.py",
    ),
    "simulator/battery/cycles.py": ("test_cycles.py", "test_against_astm_e1049.py", "test_against_rainflow_package.py"),
    "simulator/battery/wear.py": AGEING_TESTS,
    "simulator/battery/fade.py": AGEING_TESTS,
    "simulator/battery/ageing.py": AGEING_TESTS,
    "simulator/battery/use.py": (*AGEING_TESTS, "test_aged.py"),
    "simulator/battery/aged.py": ("test_aged.py",),
    "simulator/timeline.py": ("test_timeline.py",),
}
LEFT_OUT = (
    "test_interpreted_equals_compiled_bit_for_bit",
    "test_sixty_four_steps_an_hour_change_no_flat_day",
    "test_order_threads_and_company_change_no_bit",
    "test_a_disconnected_lithium_bank_keeps_four_fifths_over_half_a_year",
    "test_an_inverter_that_waits_for_luxury_makes_no_flat_day",
)
"""Tests that start processes, or take minutes in the interpreted loop."""
EXAMPLES = 12
"""Of each property test; a failing one is not shrunk."""

SWAPPED: dict[type[ast.AST], tuple[type[ast.AST], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
    ast.Add: (ast.Sub,),
    ast.Sub: (ast.Add,),
    ast.Mult: (ast.Div,),
    ast.Div: (ast.Mult,),
    ast.FloorDiv: (ast.Mult,),
    ast.Mod: (ast.Mult,),
    ast.Pow: (ast.Mult,),
    ast.And: (ast.Or,),
    ast.Or: (ast.And,),
    ast.BitAnd: (ast.BitOr,),
    ast.BitOr: (ast.BitAnd,),
}
TWINS = {
    "min": "max",
    "max": "min",
    "minimum": "maximum",
    "maximum": "minimum",
    "floor": "ceil",
    "ceil": "floor",
    "any": "all",
    "all": "any",
}


@dataclass(frozen=True)
class Mutant:
    """One small mistake: the whole module with it, where it is and what it says."""

    kind: str
    line: int
    first_line: int
    last_line: int
    was: str
    now: str
    at_top: bool
    """Of the module, or of a class: done once, when it is imported."""
    sound: ast.Module
    old: ast.AST
    new: ast.AST

    def tree(self) -> ast.Module:
        """The module with the mistake in it."""
        memo = {id(self.old): ast.copy_location(self.new, self.old)}
        return ast.fix_missing_locations(copy.deepcopy(self.sound, memo))

    def __str__(self) -> str:
        return f"{self.line}: {self.kind}: {self.was}  ->  {self.now}"


def _short(node: ast.AST) -> str:
    text = " ".join(ast.unparse(node).split())
    return text if len(text) < 100 else text[:97] + "..."


def _statements(tree: ast.Module) -> Iterator[tuple[list[ast.stmt], int]]:
    """Every statement as its list and place; declarations of types and docstrings left out."""
    for node in ast.walk(tree):
        for field in ("body", "orelse", "finalbody"):
            block = getattr(node, field, None)
            if isinstance(block, list):
                for place, statement in enumerate(block):
                    text = isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant)
                    if not text and not isinstance(statement, ast.Import | ast.ImportFrom):
                        yield block, place


def _own_expressions(statement: ast.stmt) -> Iterator[ast.expr]:
    """Expressions of a statement itself, not those of its blocks, its annotations or of messages."""
    if isinstance(statement, ast.Raise):
        return
    left_out = {"annotation", "returns", "decorator_list", "body", "orelse", "finalbody", "bases", "keywords", "type_params"}
    stack: list[ast.AST] = []
    for field, value in ast.iter_fields(statement):
        if field not in left_out:
            stack += [item for item in (value if isinstance(value, list) else [value]) if isinstance(item, ast.AST)]
    while stack:
        node = stack.pop()
        if isinstance(node, ast.JoinedStr | ast.stmt):
            continue
        if isinstance(node, ast.arg):
            continue
        if isinstance(node, ast.expr):
            yield node
        stack += list(ast.iter_child_nodes(node))


def _variants(node: ast.expr) -> Iterator[tuple[str, ast.expr]]:
    """What may be written in place of an expression by mistake."""
    if isinstance(node, ast.Compare):
        for place, operator in enumerate(node.ops):
            for other in SWAPPED.get(type(operator), ()):
                wrong = copy.deepcopy(node)
                wrong.ops[place] = other()  # type: ignore[call-overload]
                yield "comparison", wrong
    elif isinstance(node, ast.BinOp):
        for other in SWAPPED.get(type(node.op), ()):
            wrong_op = copy.deepcopy(node)
            wrong_op.op = other()  # type: ignore[assignment]
            yield "arithmetic", wrong_op
    elif isinstance(node, ast.BoolOp):
        wrong_bool = copy.deepcopy(node)
        wrong_bool.op = SWAPPED[type(node.op)][0]()  # type: ignore[assignment]
        yield "logic", wrong_bool
    elif isinstance(node, ast.UnaryOp) and not isinstance(node.operand, ast.Constant):
        yield "sign or not", copy.deepcopy(node.operand)
    elif isinstance(node, ast.IfExp):
        yield "condition", copy.deepcopy(node.body)
        yield "condition", copy.deepcopy(node.orelse)
    elif isinstance(node, ast.Constant):
        if isinstance(node.value, bool):
            yield "constant", ast.Constant(not node.value)
        elif isinstance(node.value, int):
            yield "constant", ast.Constant(node.value + 1)
        elif isinstance(node.value, float):
            yield "constant", ast.Constant(node.value * 1.25 if node.value else 1.0)
    elif isinstance(node, ast.Call):
        name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        if name in TWINS:
            wrong_call = copy.deepcopy(node)
            if isinstance(wrong_call.func, ast.Name):
                wrong_call.func.id = TWINS[name]
            elif isinstance(wrong_call.func, ast.Attribute):
                wrong_call.func.attr = TWINS[name]
            yield "bound", wrong_call
            if name in {"min", "max", "minimum", "maximum"} and len(node.args) == 2:
                yield from (("bound left out", copy.deepcopy(argument)) for argument in node.args)


def mutants_of(source: str) -> Iterator[Mutant]:
    """Every mutant of a module, in the order of its lines."""
    tree = ast.parse(source)
    imported = {id(inner) for node in [tree, *tree.body] if isinstance(node, ast.Module | ast.ClassDef) for inner in node.body}
    for block, place in _statements(tree):
        statement = block[place]
        last = statement.end_lineno or statement.lineno
        if isinstance(statement, ast.If | ast.While):
            last = statement.test.end_lineno or statement.lineno
        elif isinstance(statement, ast.For):
            last = statement.iter.end_lineno or statement.lineno
        if isinstance(statement, ast.FunctionDef | ast.ClassDef):
            last = statement.body[0].lineno - 1
        where = (statement.lineno, last)
        at_top = id(statement) in imported
        found: list[tuple[str, ast.AST, ast.AST]] = []
        if isinstance(statement, ast.If | ast.While) and not isinstance(statement.test, ast.Compare | ast.BoolOp):
            found.append(("condition", statement.test, ast.UnaryOp(ast.Not(), copy.deepcopy(statement.test))))
        for node in _own_expressions(statement):
            found += [(kind, node, other) for kind, other in _variants(node)]
        if isinstance(statement, ast.AugAssign) and type(statement.op) in SWAPPED:
            turned = copy.deepcopy(statement)
            turned.op = SWAPPED[type(statement.op)][0]()  # type: ignore[assignment]
            found.append(("arithmetic", statement, turned))
        if isinstance(statement, ast.Assign | ast.AugAssign | ast.Expr | ast.Break | ast.Continue) and not at_top:
            found.append(("left out", statement, ast.Pass()))
        for kind, old, new in found:
            line: int = getattr(old, "lineno")  # noqa: B009
            yield Mutant(kind, line, *where, _short(old), _short(new), at_top, tree, old, new)


# ---- putting a mutant into the running module ----


def _plain(value: Any) -> bool:
    if isinstance(value, tuple | dict):
        return all(_plain(item) for item in (value.values() if isinstance(value, dict) else value))
    return isinstance(value, int | float)


def _functions(names: dict[str, Any], file: str) -> Iterator[tuple[str, types.FunctionType]]:
    """Functions and methods written in a file, by name."""
    for name, value in names.items():
        if isinstance(value, types.FunctionType) and value.__code__.co_filename == file:
            yield name, value
        elif isinstance(value, property) and isinstance(value.fget, types.FunctionType):
            yield name, value.fget
        elif isinstance(value, type):
            for inner, function in _functions(dict(vars(value)), file):
                yield f"{name}.{inner}", function


def put_in(module: types.ModuleType, mutant: Mutant) -> None:
    """Replace code, defaults and plain numbers of a module that others have imported from."""
    file = str(module.__file__)
    fresh = types.ModuleType(module.__name__)
    fresh.__file__ = file
    exec(compile(mutant.tree(), file, "exec"), vars(fresh))
    new = dict(_functions(vars(fresh), file))
    for name, function in _functions(vars(module), file):
        function.__code__ = new[name].__code__
        function.__defaults__ = new[name].__defaults__
        function.__kwdefaults__ = new[name].__kwdefaults__
    for name, value in list(vars(module).items()):
        other = vars(fresh).get(name)
        if is_dataclass(value) and isinstance(value, type) and value.__module__ == module.__name__:
            # What a dataclass is made with by default stands in a function that it writes for itself.
            value.__init__.__defaults__ = vars(other)["__init__"].__defaults__  # type: ignore[misc]
        if _plain(value) and _plain(other) and other != value:
            for known in list(sys.modules.values()):
                if getattr(known, "__name__", "").startswith("simulator") and vars(known).get(name) is value:
                    setattr(known, name, other)


# ---- running the tests ----


class Hunt:
    """A pytest plugin that walks the mutants instead of running the tests once."""

    def __init__(self, path: str, chosen: list[Mutant], minutes: float) -> None:
        self.path, self.chosen, self.minutes = path, chosen, minutes
        self.verdicts: list[tuple[Mutant, str]] = []

    def pytest_runtestloop(self, session: Any) -> bool:
        """Learn which test passes through which line, then send one mutant after the other."""
        session.items[:] = [item for item in session.items if not any(name in item.nodeid for name in LEFT_OUT)]
        module = importlib.import_module(self.path.removesuffix(".py").replace("/", "."))
        lines, taken = self._learned(session, str(module.__file__))
        until = time.monotonic() + 60.0 * self.minutes
        for number, mutant in enumerate(self.chosen, 1):
            if time.monotonic() > until:
                break
            names = {name for line in range(mutant.first_line, mutant.last_line + 1) for name in lines.get(line, ())}
            if not names and not mutant.at_top:
                self._tell(number, mutant, "not reached")
                continue
            items = [item for item in session.items if mutant.at_top or item.nodeid in names]
            items.sort(key=lambda item: taken[item.nodeid])
            limit_s = 20 + int(4.0 * sum(taken[item.nodeid] for item in items))
            self._tell(number, mutant, self._fate(session, module, mutant, items, limit_s))
        return True

    def _tell(self, number: int, mutant: Mutant, fate: str) -> None:
        self.verdicts.append((mutant, fate))
        if fate != "killed":
            sys.__stdout__.write(f"{fate:<12} {self.path}:{mutant}\n")
        elif number % 50 == 0:
            sys.__stdout__.write(f"  ... {number} of {len(self.chosen)}\n")
        sys.__stdout__.flush()

    def _learned(self, session: Any, file: str) -> tuple[dict[int, list[str]], dict[str, float]]:
        """Tests by line, and seconds by test, of the module as it is; in a child, so that this process stays fresh."""
        out, into = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(out)
            import coverage

            watcher = coverage.Coverage(data_file=None, include=[file], branch=False, config_file=False)
            taken = {}
            watcher.start()
            for item, after in itertools.zip_longest(session.items, session.items[1:]):
                watcher.switch_context(item.nodeid)
                begun = time.process_time()
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
                taken[item.nodeid] = time.process_time() - begun
                if session.testsfailed:
                    sys.__stderr__.write(f"{item.nodeid} fails without any mutant.\n")
                    os._exit(1)
            watcher.stop()
            lines = watcher.get_data().contexts_by_lineno(file)
            with os.fdopen(into, "w") as pipe:
                json.dump([list(lines.items()), taken], pipe)
            os._exit(0)
        os.close(into)
        with os.fdopen(out) as pipe:
            told = pipe.read()
        os.waitpid(child, 0)
        if not told:
            raise SystemExit("The tests have to pass before mutants say anything.")
        by_line, taken = json.loads(told)
        return dict(by_line), taken

    def _fate(self, session: Any, module: types.ModuleType, mutant: Mutant, items: list[Any], limit_s: int) -> str:
        """Killed by a test, out of time (an endless loop is noticed too), or survived."""
        child = os.fork()
        if child == 0:
            silent = os.open(os.devnull, os.O_WRONLY)
            os.dup2(silent, 1)
            os.dup2(silent, 2)
            resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s + 1))
            try:
                put_in(module, mutant)
            except Exception:
                os._exit(1)
            for item, after in itertools.zip_longest(items, items[1:]):
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
                if session.testsfailed:
                    os._exit(1)
            os._exit(0)
        end = time.monotonic() + 20.0 * limit_s
        while True:
            done, status = os.waitpid(child, os.WNOHANG)
            if done:
                break
            if time.monotonic() > end:
                os.kill(child, signal.SIGKILL)
                os.waitpid(child, 0)
                return "out of time"
            time.sleep(0.01)
        if os.WIFSIGNALED(status):
            return "out of time"
        return "killed" if os.WEXITSTATUS(status) else "survived"


def main() -> int:
    """Hunt the mutants of one module and say what came of it."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("module", choices=sorted(TESTS))
    parser.add_argument("--sample", type=int, default=200, help="mutants to try (default 200); all of them if there are fewer")
    parser.add_argument("--seed", type=int, default=1, help="of the sample (default 1)")
    parser.add_argument("--minutes", type=float, default=15.0, help="stop after this time (default 15)")
    parser.add_argument("--lines", metavar="FROM-TO", help="only mutants on these lines")
    wanted = parser.parse_args()
    os.environ["NUMBA_DISABLE_JIT"] = "1"
    os.chdir(ROOT)
    sys.path.insert(0, str(ROOT))

    every = list(mutants_of((ROOT / wanted.module).read_text(encoding="utf-8")))
    if wanted.lines:
        first, last = (int(number) for number in wanted.lines.split("-"))
        every = [mutant for mutant in every if first <= mutant.line <= last]
    chosen = random.Random(wanted.seed).sample(every, min(wanted.sample, len(every)))

    import pytest
    from hypothesis import HealthCheck, Phase, settings

    settings.register_profile(
        "mutants",
        max_examples=EXAMPLES,
        deadline=None,
        derandomize=True,
        phases=(Phase.explicit, Phase.generate),
        suppress_health_check=list(HealthCheck),
    )
    hunt = Hunt(wanted.module, chosen, wanted.minutes)
    files = [str(ROOT / "tests" / name) for name in TESTS[wanted.module] if (ROOT / "tests" / name).exists()]
    # Hypothesis is here before pytest, and numbers of NumPy warn where compiled code does not.
    calm = ("-W", "ignore::pytest.PytestAssertRewriteWarning", "-W", "ignore::RuntimeWarning")
    plainly = ("-q", "--no-summary", "--capture=no", "-p", "no:cacheprovider", "--hypothesis-profile=mutants")
    with contextlib.suppress(KeyboardInterrupt):
        pytest.main([*plainly, *calm, *files], plugins=[hunt])

    tally: Counter[str] = Counter(fate for _, fate in hunt.verdicts)
    sys.stdout.write(
        f"{wanted.module}: {len(every)} mutants, {len(chosen)} drawn with seed {wanted.seed}, {len(hunt.verdicts)} tried: "
        + ", ".join(f"{count} {fate}" for fate, count in sorted(tally.items()))
        + ".\n"
    )
    for kind in sorted({mutant.kind for mutant, _ in hunt.verdicts}):
        fates: Counter[str] = Counter(fate for mutant, fate in hunt.verdicts if mutant.kind == kind)
        sys.stdout.write(f"  {kind:<16} {fates['killed'] + fates['out of time']:>4} of {sum(fates.values()):>4} noticed\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
