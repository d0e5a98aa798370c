"""How many small mistakes in the kernels the tests notice: mutation testing on a random sample.

    python tests/benchmark/mutants.py [--seed N] [--each N] [--rooms network,...]
        [--tests network,...] [--map FILE]

A mutant is a module with one thing changed: a comparison, an arithmetic sign, a number, a
condition, a returned value, or a statement left out. It is killed if a test fails or takes much
longer than it should. No file is written: each mutant lives in a forked process whose import of
that one module is given the changed tree. The tests run are the modules of tests, and the cases of
approved text, that run the changed statement, in their own process or in a copy of it, quick ones
first; hypothesis gets few examples, always the same. A room may lie in another (`network/walk`),
and `network/.` is the modules that lie in no room within.

Left alone: annotations, decorators, words, and the `strict` of `zip`, which tells on nobody.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import importlib.abc
import importlib.machinery
import json
import mmap
import os
import random
import resource
import signal
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, FrameType, ModuleType
from typing import Any

REPO = Path(__file__).resolve().parents[2]
ROOMS = ("network", "linework", "terrain")
TESTS = (
    *("base", "network", "linework", "terrain", "published"),
    *("analysis", "fieldbook", "reading", "processes", "handover", "whole"),
)
EXAMPLES = 25  # of hypothesis, per test
# a module, and a test, that takes longer comes last: processor seconds with tracing, which take
# some three times as long as without
QUICK_S, SLOW_S = 20.0, 4.0
MEMORY = 6 << 30
NO_TESTS = 5  # pytest's status where none was chosen
KILLED, SURVIVED, NOT_RUN, NOT_MUTATED = "killed", "survived", "no test runs it", "not mutated"

OTHER: dict[type[ast.AST], tuple[type[Any], ...]] = {
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
    ast.MatMult: (ast.Mult,),
    ast.FloorDiv: (ast.Mult,),
    ast.Mod: (ast.Mult,),
    ast.Pow: (ast.Mult,),
    ast.BitAnd: (ast.BitOr,),
    ast.BitOr: (ast.BitAnd,),
    ast.BitXor: (ast.BitAnd,),
    ast.LShift: (ast.RShift,),
    ast.RShift: (ast.LShift,),
    ast.And: (ast.Or,),
    ast.Or: (ast.And,),
}
LEFT_ALONE = {"annotation", "returns", "decorator_list", "type_params", "format_spec"}


# --- what can be changed ---------------------------------------------------------------------


def changes(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """What may stand in the place of a node, each with the kind of the mistake."""
    match node:
        case ast.Compare(left, [op, *ops], right):
            for other in OTHER[type(op)]:
                yield "comparison", ast.Compare(left, [other(), *ops], right)
        case ast.BinOp(left, op, right):
            for other in OTHER[type(op)]:
                yield "arithmetic", ast.BinOp(left, other(), right)
        case ast.AugAssign(target, op, value):
            for other in OTHER[type(op)]:
                yield "arithmetic", ast.AugAssign(target, other(), value)
        case ast.UnaryOp(ast.USub() | ast.Invert(), operand):
            yield "arithmetic", operand
        case ast.UnaryOp(ast.Not(), operand):
            yield "boolean", operand
        case ast.BoolOp(op, values):
            yield "boolean", ast.BoolOp(OTHER[type(op)][0](), values)
        case ast.Constant(bool(value)):
            yield "boolean", ast.Constant(not value)
        case ast.Constant(int(value) | float(value)):
            yield "constant", ast.Constant(value + 1)
        case ast.If(test, body, orelse):
            yield "boolean", ast.If(ast.UnaryOp(ast.Not(), test), body, orelse)
        case ast.While(test, body, orelse):
            yield "boolean", ast.While(ast.UnaryOp(ast.Not(), test), body, orelse)
        case ast.IfExp(test, body, orelse):
            yield "boolean", ast.IfExp(ast.UnaryOp(ast.Not(), test), body, orelse)
        case ast.Return(ast.Constant(None)):
            pass
        case ast.Return(ast.expr()):
            yield "return", ast.Return(ast.Constant(None))
    match node:
        case (
            ast.Expr(ast.Call())
            | ast.AugAssign()
            | ast.Assign([ast.Subscript() | ast.Attribute()])
            | ast.Raise()
            | ast.Continue()
            | ast.Break()
        ):
            yield "statement", ast.Pass()


@dataclass(frozen=True)
class Mutant:
    """One change: in `holder.field` (or its item `place`) stands `new` instead of `old`."""

    path: Path
    kind: str
    lines: range  # of the statement, without the statements in it
    in_function: bool
    tree: ast.Module
    holder: ast.AST
    field: str
    place: int | None
    old: ast.AST
    new: ast.AST

    @property
    def module(self) -> str:
        return ".".join(self.path.relative_to(REPO).with_suffix("").parts)

    def __str__(self) -> str:
        line = getattr(self.old, "lineno", self.lines.start)
        old, new = (ast.unparse(node).partition("\n")[0] for node in (self.old, self.new))
        return f"{self.path.relative_to(REPO)}:{line} {self.kind}: {old}  ->  {new}"

    def compiled(self) -> CodeType:
        """The changed module. The tree stays changed: this is for a process of its own."""
        new = ast.copy_location(self.new, self.old)
        if self.place is None:
            setattr(self.holder, self.field, new)
        else:
            getattr(self.holder, self.field)[self.place] = new
        return compile(ast.fix_missing_locations(self.tree), str(self.path), "exec")


def mutants(path: Path) -> Iterator[Mutant]:
    """All mutants of a file."""
    tree = ast.parse(path.read_text(encoding="utf-8"))

    def visit(holder: ast.AST, lines: range, in_function: bool) -> Iterator[Mutant]:
        for field, value in ast.iter_fields(holder):
            if field in LEFT_ALONE:
                continue
            within = in_function or (isinstance(holder, ast.FunctionDef) and field == "body")
            for place, node in enumerate(value) if isinstance(value, list) else [(None, value)]:
                if not isinstance(node, ast.AST) or is_left_alone(node):
                    continue
                at = own_lines(node) if isinstance(node, ast.stmt) else lines
                for kind, new in changes(node):
                    yield Mutant(path, kind, at, within, tree, holder, field, place, node, new)
                yield from visit(node, at, within)

    yield from visit(tree, range(0), False)


def is_left_alone(node: ast.AST) -> bool:
    match node:
        case ast.keyword("strict") | ast.If(ast.Name("TYPE_CHECKING")):
            return True
    return False


def own_lines(node: ast.stmt) -> range:
    body = getattr(node, "body", None)
    end = body[0].lineno if body else (node.end_lineno or node.lineno) + 1
    return range(node.lineno, max(end, node.lineno + 1))


# --- a process of its own for each run of tests ----------------------------------------------


class Here(importlib.abc.MetaPathFinder):
    """Imports the packages from this repository, and one module from its mutant."""

    def __init__(self, mutant: Mutant | None = None) -> None:
        self.mutant = mutant
        self.met = False

    def find_spec(
        self, name: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if name.partition(".")[0] not in ("geosite", "geosite_cli"):
            return None
        places = list(path) if path else [str(REPO), str(REPO / "cli")]
        spec = importlib.machinery.PathFinder.find_spec(name, places)
        if spec is not None and self.mutant is not None and name == self.mutant.module:
            spec.loader = Changed(name, str(self.mutant.path), self.mutant)
            self.met = True
        return spec


class Changed(importlib.machinery.SourceFileLoader):
    def __init__(self, name: str, path: str, mutant: Mutant) -> None:
        super().__init__(name, path)
        self.mutant = mutant

    def get_code(self, fullname: str) -> CodeType:
        return self.mutant.compiled()


class Quick:
    """Plug-in of pytest: no slow tests; few examples of hypothesis, always the same, not shrunk."""

    def __init__(self, slow: Collection[str] = ()) -> None:
        self.slow = slow
        self.seconds: dict[str, float] = {}

    def pytest_runtest_setup(self, item: Any) -> None:
        self.seconds[item.nodeid] = -time.process_time()

    def pytest_runtest_teardown(self, item: Any) -> None:
        if item.nodeid in self.seconds:  # else it was skipped before it was set up
            self.seconds[item.nodeid] += time.process_time()

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        from hypothesis import Phase, settings

        items[:] = [item for item in items if item.nodeid not in self.slow]
        for item in items:
            told = getattr(item.obj, "_hypothesis_internal_use_settings", None)
            if told is not None:
                function = getattr(item.obj, "__func__", item.obj)
                function._hypothesis_internal_use_settings = settings(
                    told,
                    max_examples=min(told.max_examples, EXAMPLES),
                    derandomize=True,
                    database=None,
                    deadline=None,
                    phases=(Phase.explicit, Phase.generate),
                )


def run_tests(modules: Sequence[str], finder: Here, quick: Quick) -> int:
    import pytest

    sys.meta_path.insert(0, finder)
    sys.dont_write_bytecode = True
    with tempfile.TemporaryDirectory() as folder:
        options = ["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist"]
        options += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]  # of what is preloaded
        places = [f"--rootdir={REPO}", f"--basetemp={folder}/tests"]
        code = int(pytest.main([*options, *places, *(str(REPO / m) for m in modules)], [quick]))
    package = sys.modules.get("geosite")
    assert package is None or Path(package.__file__ or "").is_relative_to(REPO)
    return code


def forked(work: Callable[[], int], limit_s: float) -> int | None:
    """Exit status of `work` in a process of its own, minus the signal that ended it.

    The limit is of processor time, so that a busy machine kills no mutant; None after ten times as
    long on the clock.
    """
    child = os.fork()
    if child == 0:
        code = 3
        try:
            os.setsid()
            resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
            resource.setrlimit(resource.RLIMIT_CPU, (int(limit_s), int(limit_s) + 1))
            for stream in (1, 2):
                os.dup2(os.open(os.devnull, os.O_WRONLY), stream)
            code = work()
        finally:
            os._exit(code)
    end = time.monotonic() + 10 * limit_s
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.01)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None


def preload() -> None:
    """Import once what every process needs, but nothing of ours."""
    for name in (
        *("numpy", "scipy.spatial", "scipy.sparse.linalg", "scipy.sparse.csgraph", "scipy.stats"),
        *("scipy.optimize", "scipy.ndimage", "scipy.linalg", "shapely", "pyproj", "fiona"),
        *("rasterio", "msgspec", "contourpy", "click", "pytest", "hypothesis", "pygeomag"),
        *("hypothesis.extra.numpy", "jsonschema"),
    ):
        importlib.import_module(name)
    providers = importlib.import_module("hypothesis.internal.conjecture.providers")
    if hasattr(providers, "_get_local_constants"):
        # it would read all our source again in every process, to draw numbers that occur in it
        nothing = providers._local_constants
        providers._get_local_constants = lambda: nothing


# --- which tests run which lines -------------------------------------------------------------


@dataclass(frozen=True)
class Tests:
    """A module of tests: how long it takes without its slow ones, which lines it runs, per file."""

    name: str
    seconds: float
    slow: tuple[str, ...]
    lines: dict[str, frozenset[int]]


def traced(module: str) -> dict[str, Any] | None:
    """Run a module of tests and note what it runs. None where tests fail or are all skipped."""
    starts: dict[str, int] = {}
    total = 0
    for path in (REPO / "geosite").rglob("*.py"):
        starts[str(path)] = total
        total += 1 + path.read_bytes().count(b"\n") + 1
    # a byte per line, in memory that copies of the process share: they run lines too
    seen = mmap.mmap(-1, total)
    with tempfile.NamedTemporaryFile("w+") as told:

        def work() -> int:
            def line(frame: FrameType, event: str, arg: object) -> Any:
                if event == "line":
                    seen[starts[frame.f_code.co_filename] + frame.f_lineno] = 1
                return line

            def call(frame: FrameType, event: str, arg: object) -> Any:
                code = frame.f_code  # bodies of modules and classes run for everybody
                return line if code.co_filename in starts and code.co_flags & 1 else None

            begun = time.process_time()
            threading.settrace(call)
            sys.settrace(call)
            quick = Quick()
            code = run_tests([module], Here(), quick)
            sys.settrace(None)
            slow = {name: took for name, took in quick.seconds.items() if took > SLOW_S}
            seconds = time.process_time() - begun - sum(slow.values())
            ends = [*list(starts.values())[1:], total]
            lines = {
                file: found
                for (file, start), end in zip(starts.items(), ends, strict=True)
                if (found := [n - start for n in range(start, end) if seen[n]])
            }
            json.dump({"seconds": seconds, "slow": list(slow), "lines": lines}, told)
            told.flush()
            return code

        code = forked(work, 600)
        if code != 0:
            print(f"left out, status {code}: {module}", flush=True)
            return None
        told.seek(0)
        found: dict[str, Any] = json.load(told)
        return found


def all_tests(kept: Path | None, folders: Sequence[str]) -> list[Tests]:
    """What each module of tests runs; what is already in the file `kept` is not measured again."""
    known: dict[str, Any] = {}
    if kept and kept.exists():
        known = json.loads(kept.read_text(encoding="utf-8"))
    modules = [p for kind in folders for p in sorted((REPO / "tests" / kind).rglob("test_*.py"))]
    for name in (name for path in modules for name in parts(path)):
        if name not in known and (told := traced(name)):
            known[name] = told
            if kept:
                kept.write_text(json.dumps(known), encoding="utf-8")
    return [
        Tests(
            name,
            told["seconds"],
            tuple(told["slow"]),
            {file: frozenset(lines) for file, lines in told["lines"].items()},
        )
        for name, told in known.items()
        if told["lines"]
    ]


def parts(module: Path) -> list[str]:
    """Return a module of tests, or each case of approved text: together they take a minute."""
    name = str(module.relative_to(REPO))
    texts = module.parent / "text"
    if not texts.is_dir():
        return [name]
    return [
        f"{name}::test_what_leaves_is_as_approved[{case.name}]" for case in sorted(texts.iterdir())
    ]


# --- the count -------------------------------------------------------------------------------


def batches(mutant: Mutant, tests: Sequence[Tests]) -> Iterator[tuple[list[str], set[str], float]]:
    """Yield modules of tests that run the statement, which of their tests to leave out, seconds.

    Most mutants die at once, so a few modules come first; what no quick test has killed meets the
    slow ones. Outside functions, what runs the file counts.
    """
    file = str(mutant.path)

    def runs(t: Tests) -> bool:
        lines = t.lines.get(file, frozenset())
        return bool(lines) and (not mutant.in_function or not lines.isdisjoint(mutant.lines))

    ranked = sorted(filter(runs, tests), key=lambda t: t.seconds / len(t.lines[file]))
    quick = [t for t in ranked if t.seconds <= QUICK_S]
    for part in (quick[:3], quick[3:]):
        limit_s = 20 + 2 * sum(t.seconds for t in part)
        yield [t.name for t in part], {name for t in part for name in t.slow}, limit_s
    rest = [t for t in ranked if t.seconds > QUICK_S or t.slow]
    yield [t.name for t in rest], set(), 900.0


def outcome(mutant: Mutant, tests: Sequence[Tests]) -> str:
    how = NOT_RUN
    for modules, left_out, limit_s in batches(mutant, tests):

        def work(modules: list[str] = modules, left_out: set[str] = left_out) -> int:
            finder = Here(mutant)
            code = run_tests(modules, finder, Quick(left_out))
            if code == NO_TESTS:
                return 0  # all that these modules have is left out here
            # the module may be met in a copy of this process alone, whose tests failed then
            return code if code or finder.met else 99

        if modules:
            how = SURVIVED
            code = forked(work, limit_s)
            if code != 0:
                return NOT_MUTATED if code == 99 else KILLED
    return how


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--each", type=int, default=100, help="mutants per room")
    parser.add_argument("--rooms", default=",".join(ROOMS))
    parser.add_argument("--tests", default=",".join(TESTS), help="folders of tests")
    parser.add_argument("--map", type=Path, help="file that keeps which tests run which lines")
    asked = parser.parse_args()
    preload()
    tests = all_tests(asked.map, asked.tests.split(","))
    for room in asked.rooms.split(","):
        start = time.monotonic()
        folder = REPO / "geosite" / room
        paths = folder.glob("*.py") if room.endswith("/.") else folder.rglob("*.py")
        every = [m for p in sorted(paths) for m in mutants(p)]
        sample = random.Random(f"{room} {asked.seed}").sample(every, min(asked.each, len(every)))
        count: Counter[tuple[str, str]] = Counter()
        for mutant in sorted(sample, key=lambda m: (m.path, m.lines.start)):
            how = outcome(mutant, tests)
            count[mutant.path.name, how] += 1
            if how != KILLED:
                print(f"{how}: {mutant}", flush=True)
        for name in sorted({name for name, _ in count}):
            of_file = sum(n for (file, _), n in count.items() if file == name)
            print(f"  {room + '/' + name:30} {count[name, KILLED]:4} of {of_file:4} killed")
        killed = sum(n for (_, how), n in count.items() if how == KILLED)
        took = (time.monotonic() - start) / 60
        print(
            f"{room}: {killed} of {len(sample)} killed, {killed / len(sample):.0%}"
            f" (of {len(every)} possible, seed {asked.seed}, {took:.0f} min)",
            flush=True,
        )


if __name__ == "__main__":
    os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
    main()
