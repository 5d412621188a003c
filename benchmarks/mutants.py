"""Do the tests notice a wrong number?  Random one-token mutants of the numerical rooms against their tests.

Run it from the repository's root:

    python benchmarks/mutants.py                       200 mutants, all cores, some hours of processor time
    python benchmarks/mutants.py --mutants 50 --workers 1
    python benchmarks/mutants.py --only 17 58           the mutants of these numbers again

A mutant differs from the program by one token: a number, an operator, a comparison, a sign, a name of
another value at hand, a function for its sibling.  Each runs against those tests of tests/hand,
tests/published, tests/library and tests/truth that enter the function it stands in (found by running all
tests once, traced), until one fails: those that enter little else and are quick come first, whole histories
last.  What is said in messages, docstrings and annotations is left alone.  A core function is entered by
twenty minutes of histories; ``--seconds 120`` stops there, and what has lived so long counts as survived
("not all"), so that the share printed is the least it can be.

Survivors are printed as differences.  Some of them change nothing that can be seen (an equivalent mutant:
``<`` for ``<=`` where both sides are never equal); those that are known to be such stand in `EQUIVALENT` with
their reason, and count for neither side.

The work is done in copies of the tree in a temporary folder.  Each mutant is a child of a process that
has loaded the libraries, so that it starts in about a second; one that takes far more processor time than its
tests do is stopped, and counts as noticed.
"""

from __future__ import annotations

import argparse
import ast
import compileall
import contextlib
import difflib
import importlib
import io
import json
import os
import random
import resource
import shutil
import sys
import tempfile
import threading
import time
import tokenize
import traceback
from collections import defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
ROOMS = ("sky", "mount", "night", "ground", "history", "forecast", "advice")
TESTS = ("hand", "published", "library", "truth")
GOAL = 0.95
#: File, and the line as such a mutant makes it -> why nothing can show it.
EQUIVALENT: dict[tuple[str, str], str] = {
    (
        "drift/history/sensor_day.py",
        "weight = np.where(np.all(np.abs(rest) <= OFF_SDS * scatter, axis=1), 1.1, 0.0)",
    ): "all hours that count weigh alike, and a common factor cancels",
    (
        "drift/history/steps.py",
        "if weighed is None and out is not None and thaw_odds > 0.0:",
    ): "where there is no thaw its log odds are -inf",
    (
        "drift/night/estimate.py",
        "if plain and other is not None and latitude_rad is not None:",
    ): "without a fork there is no other fit; the check is for the type checker",
}
#: A mutant is stopped after so many times the processor time of its tests, and so much more [s].
_TIMES, _MORE_S = 8.0, 60.0
#: Tests run in this very process, whatever pyproject.toml says, and leave nothing behind.
_ALONE = ("-q", "-o", "addopts=", "-p", "no:xdist", "-p", "no:cacheprovider")
#: Loaded once, before the first mutant; nothing of the program itself may be, and no plugin of pytest.
_LIBRARIES = (
    "numpy", "scipy.linalg", "scipy.optimize", "scipy.special", "scipy.signal", "pandas", "erfa",
    "astropy.time", "astropy.coordinates", "pytest", "pydantic", "sqlalchemy",
)  # fmt: skip


# ---- The mutants.


@dataclass(frozen=True)
class Mutant:
    """One token replaced by another.

    Parameters
    ----------
    number
        Its place in the seeded list.
    path
        Of the file, from the root.
    line, start, end
        Of the token; lines from 1, columns from 0.
    was, now
        The token, and what takes its place.
    function
        Name of the innermost function that it stands in, with those of its classes; "" where in none.
    """

    number: int
    path: str
    line: int
    start: int
    end: int
    was: str
    now: str
    function: str

    def applied(self, text: str) -> str:
        """Return the file with the token replaced."""
        lines = text.splitlines(keepends=True)
        row = lines[self.line - 1]
        lines[self.line - 1] = f"{row[: self.start]}{self.now}{row[self.end :]}"
        return "".join(lines)

    def line_with_it(self, text: str) -> str:
        """Return the line that it stands in as it becomes, without what it is indented by."""
        return self.applied(text).splitlines()[self.line - 1].strip()

    def difference(self, text: str) -> str:
        """Return what it changes, for people."""
        pair = (text.splitlines(), self.applied(text).splitlines())
        rows = list(difflib.unified_diff(*pair, lineterm="", n=1))[3:]
        return "\n".join(f"        {row}" for row in rows)


_OPERATORS: dict[type[ast.AST], tuple[str, tuple[str, ...]]] = {
    ast.Add: ("+", ("-",)), ast.Sub: ("-", ("+",)), ast.Mult: ("*", ("/",)), ast.Div: ("/", ("*",)),
    ast.FloorDiv: ("//", ("/", "*")), ast.Mod: ("%", ("*",)), ast.Pow: ("**", ("*",)),
    ast.BitAnd: ("&", ("|",)), ast.BitOr: ("|", ("&",)), ast.Lt: ("<", ("<=", ">")),
    ast.LtE: ("<=", ("<", ">=")), ast.Gt: (">", (">=", "<")), ast.GtE: (">=", (">", "<=")),
    ast.Eq: ("==", ("!=",)), ast.NotEq: ("!=", ("==",)), ast.And: ("and", ("or",)),
    ast.Or: ("or", ("and",)), ast.Not: ("not", ("",)), ast.USub: ("-", ("",)), ast.Invert: ("~", ("",)),
}  # fmt: skip
#: Functions and their siblings; by name or as an attribute.
_SIBLINGS = {
    "sin": "cos", "cos": "sin", "arcsin": "arccos", "arctan2": "hypot", "min": "max", "max": "min",
    "minimum": "maximum", "maximum": "minimum", "fmin": "fmax", "fmax": "fmin", "argmin": "argmax",
    "argmax": "argmin", "floor": "ceil", "ceil": "floor", "any": "all", "all": "any", "radians": "degrees",
    "degrees": "radians", "rad2deg": "deg2rad", "deg2rad": "rad2deg", "mean": "median", "median": "mean",
    "north": "east", "cumsum": "cumprod", "searchsorted": "digitize",
}  # fmt: skip
_TEXT = (ast.Raise, ast.JoinedStr, ast.Assert)


class _Sites(ast.NodeVisitor):
    """Collects (line, start, end, was, what it may become, function) of a file."""

    def __init__(self, text: str) -> None:
        self.found: list[tuple[int, int, int, str, tuple[str, ...], str]] = []
        self._function = ""
        self._inside = ""
        self._names: list[list[str]] = []
        self._tokens = [
            token
            for token in tokenize.generate_tokens(io.StringIO(text).readline)
            if token.type in (tokenize.OP, tokenize.NAME, tokenize.NUMBER)
        ]
        # The tree counts columns in bytes, the tokens in characters.
        self._ascii = [row.isascii() for row in text.splitlines()]
        self.visit(ast.parse(text))

    def visit(self, node: ast.AST) -> None:
        if not isinstance(node, _TEXT):
            super().visit(node)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        for default in (*node.args.defaults, *(each for each in node.args.kw_defaults if each)):
            self.visit(default)
        outer = self._function, self._inside
        self._function = f"{self._inside}{node.name}"
        self._inside = f"{self._function}.<locals>."
        self._names.append(_names_of(node))
        for each in node.body:
            self.visit(each)
        self._function, self._inside = outer
        self._names.pop()

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        inside = self._inside
        self._inside = f"{inside}{node.name}."
        self.generic_visit(node)
        self._inside = inside

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None and not _is_field(node.value):
            self.visit(node.value)

    def visit_arg(self, node: ast.arg) -> None:
        """Annotations are no numbers."""

    def visit_keyword(self, node: ast.keyword) -> None:
        """A check that two lists are of one length changes no number.

        That dataclasses are frozen is asked of all at once, by tests/hand/test_house.py.
        """
        if node.arg not in ("strict", "frozen"):
            self.generic_visit(node)

    def visit_If(self, node: ast.If) -> None:
        if not (isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"):
            self.generic_visit(node)

    def visit_Subscript(self, node: ast.Subscript) -> None:
        if not (isinstance(node.value, ast.Name) and node.value.id in ("dict", "list", "tuple", "set")):
            self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        if isinstance(node.value, bool):
            self._add(node, node, (str(not node.value),))
        elif isinstance(node.value, int | float):
            self._add(node, node, _other_numbers(node.value))

    def visit_Name(self, node: ast.Name) -> None:
        if not isinstance(node.ctx, ast.Load):
            return
        if node.id in _SIBLINGS and node.id != "north":
            self._add(node, node, (_SIBLINGS[node.id],))
        elif self._names and node.id in self._names[-1]:
            others = tuple(name for name in self._names[-1] if name != node.id)
            self._add(node, node, others)

    def visit_Attribute(self, node: ast.Attribute) -> None:
        self.generic_visit(node)
        if node.attr in _SIBLINGS:
            self._add(node, node, (_SIBLINGS[node.attr],), tail=len(node.attr))

    def visit_BinOp(self, node: ast.BinOp) -> None:
        self._operator(type(node.op), node.left, node.right)
        self.generic_visit(node)

    def visit_Compare(self, node: ast.Compare) -> None:
        sides = [node.left, *node.comparators]
        for op, left, right in zip(node.ops, sides[:-1], sides[1:], strict=True):
            self._operator(type(op), left, right)
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        for left, right in zip(node.values[:-1], node.values[1:], strict=True):
            self._operator(type(node.op), left, right)
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        was, now = _OPERATORS.get(type(node.op), ("", ()))
        if now:
            place = (node.lineno, node.col_offset)
            self._put(place, was, now)
        self.generic_visit(node)

    def visit_AugAssign(self, node: ast.AugAssign) -> None:
        was, now = _OPERATORS.get(type(node.op), ("", ()))
        if now:
            self._between(node.target, node.value, f"{was}=", tuple(f"{each}=" for each in now))
        self.generic_visit(node)

    def _operator(self, op: type[ast.AST], left: ast.expr, right: ast.expr) -> None:
        was, now = _OPERATORS.get(op, ("", ()))
        if now:
            self._between(left, right, was, now)

    def _between(self, left: ast.expr, right: ast.expr, was: str, now: tuple[str, ...]) -> None:
        low, high = (left.end_lineno or 0, left.end_col_offset or 0), (right.lineno, right.col_offset)
        for token in self._tokens:
            if low <= token.start < high and token.string == was:
                self._put(token.start, was, now)
                return

    def _add(self, node: ast.expr, end: ast.expr, now: tuple[str, ...], tail: int = 0) -> None:
        if not now or node.lineno != node.end_lineno and not tail:
            return
        stop = (end.end_lineno or 0, end.end_col_offset or 0)
        begin = (stop[0], stop[1] - tail) if tail else (node.lineno, node.col_offset)
        for token in self._tokens:
            if token.start == begin and token.end == stop:
                self._put(begin, token.string, now)

    def _put(self, place: tuple[int, int], was: str, now: tuple[str, ...]) -> None:
        line, start = place
        if not self._ascii[line - 1]:
            return
        self.found.append((line, start, start + len(was), was, now, self._function))


def _names_of(function: ast.FunctionDef) -> list[str]:
    """Return the arguments and the plain local names of a function."""
    arguments = [each.arg for each in (*function.args.args, *function.args.kwonlyargs) if each.arg != "self"]
    stored = [n.id for n in ast.walk(function) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)]
    return list(dict.fromkeys([*arguments, *stored]))


def _is_field(value: ast.expr) -> bool:
    return isinstance(value, ast.Call) and isinstance(value.func, ast.Name) and value.func.id == "field"


def _other_numbers(value: float) -> tuple[str, ...]:
    if isinstance(value, int):
        return (str(value + 1), *([str(value - 1)] if value > 0 else []))
    if value == 0.0:
        return ("1.0",)
    return (repr(value * 2.0), repr(value * 0.5), repr(value * 1.1), repr(value * 10.0))


def draw_mutants(seed: int, count: int, rooms: tuple[str, ...]) -> list[Mutant]:
    """Return that many mutants of these rooms, the same for the same seed and program."""
    places: list[tuple[str, tuple[int, int, int, str, tuple[str, ...], str]]] = []
    for room in rooms:
        for path in sorted((ROOT / "drift" / room).rglob("*.py")):
            sites = _Sites(path.read_text(encoding="utf-8")).found
            places += [(path.relative_to(ROOT).as_posix(), site) for site in sites]
    rng = random.Random(seed)
    drawn = rng.sample(places, min(count, len(places)))
    return [
        Mutant(k, path, line, start, end, was, rng.choice(now), function)
        for k, (path, (line, start, end, was, now, function)) in enumerate(drawn)
    ]


# ---- Which test enters which function, and how long it takes.


@dataclass
class Traced:
    """What one test enters.

    Parameters
    ----------
    seconds
        Of processor time.
    called
        "path:name of the function with those of its classes" of what the test itself enters.
    prepared
        The same, entered while what it rests on was made ready, which other tests of its file may share.
    """

    seconds: float
    called: set[str]
    prepared: set[str]


class _Tracer:
    """A pytest plugin that writes down which functions of the program each test enters."""

    def __init__(self, tree: Path) -> None:
        self._drift = str(tree / "drift") + os.sep
        self._tree = str(tree) + os.sep
        self._codes: dict[int, Any] = {}
        self._began = 0.0
        self.found: dict[str, Traced] = {}
        self.failed: list[str] = []

    def _enter(self, frame: Any, event: str, argument: Any) -> None:
        code = frame.f_code
        if id(code) not in self._codes:
            self._codes[id(code)] = code

    def _taken(self) -> set[str]:
        codes, self._codes = list(self._codes.values()), {}
        return {
            f"{code.co_filename.removeprefix(self._tree)}:{code.co_qualname}"
            for code in codes
            if code.co_filename.startswith(self._drift) and code.co_name != "<module>"
        }

    def pytest_runtest_logstart(self, nodeid: str) -> None:
        self.found[nodeid] = Traced(0.0, set(), set())
        self._codes, self._began = {}, time.process_time()
        sys.settrace(self._enter)
        threading.settrace(self._enter)

    def pytest_runtest_logreport(self, report: Any) -> None:
        mine = self.found[report.nodeid]
        (mine.called if report.when == "call" else mine.prepared).update(self._taken())
        if report.failed:
            self.failed.append(report.nodeid)

    def pytest_runtest_logfinish(self, nodeid: str) -> None:
        sys.settrace(None)
        threading.settrace(None)  # type: ignore[arg-type]
        self.found[nodeid].seconds = time.process_time() - self._began


def trace_tests(tree: Path, rooms: Sequence[str], known: Path | None) -> dict[str, Traced]:
    """Run all tests once, a folder at a time, and return what each enters.

    Parameters
    ----------
    tree
        A copy of the program.
    rooms
        Folders of tests.
    known
        Where what was found is kept from folder to folder, so that a run that was broken off goes on.
    """
    have = json.loads(known.read_text(encoding="utf-8")) if known and known.exists() else {}
    found: dict[str, Traced] = {}
    for room in rooms:
        if room not in have:
            began = time.monotonic()
            _, text = _in_child(tree, lambda room=room: _trace_folder(f"tests/{room}"), None)
            if not text:
                raise SystemExit(f"tests/{room} does not pass as it is; mend that first")
            have[room] = json.loads(text)
            print(f"  tests/{room}: {len(have[room])} tests, {time.monotonic() - began:.0f} s", flush=True)
            if known:
                known.write_text(json.dumps(have), encoding="utf-8")
        for test, (seconds, called, prepared) in have[room].items():
            found[test] = Traced(seconds, set(called), set(prepared))
    return found


def _trace_folder(name: str) -> tuple[int, str]:
    import pytest

    tracer = _Tracer(Path.cwd())
    code = pytest.main([*_ALONE, name], plugins=[tracer])
    if code not in (0, 5):
        sys.stderr.write(f"{', '.join(tracer.failed) or name}: fails without any mutant\n")
        return int(code), ""
    return 0, json.dumps(
        {k: (t.seconds, sorted(t.called), sorted(t.prepared)) for k, t in tracer.found.items()}
    )


def tests_for(
    mutant: Mutant, tests: dict[str, Traced], imported: dict[str, set[str]], seconds: float
) -> tuple[list[str], bool]:
    """Return the tests that enter what the mutant stands in, file by file, and whether that is all of them.

    The files whose tests are quick and enter little else come first, those of whole histories last; with
    more than so many seconds of them, the later ones are left out.  What stands in no function (a constant)
    is used by any function of its file and of those that import it.
    """
    files = {mutant.path, *imported.get(mutant.path, ())}

    def holds(called: set[str]) -> bool:
        if mutant.function:
            return f"{mutant.path}:{mutant.function}" in called
        return any(each.partition(":")[0] in files for each in called)

    chosen = {test for test, traced in tests.items() if holds(traced.called)}
    shared = {test.partition("::")[0] for test, traced in tests.items() if holds(traced.prepared)}
    chosen |= {test for test in tests if test.partition("::")[0] in shared}
    of_file: dict[str, list[str]] = defaultdict(list)
    for test in tests:  # in the order of their files
        if test in chosen:
            of_file[test.partition("::")[0]].append(test)
    spent, taken = 0.0, []
    for group in sorted(of_file.values(), key=lambda group: _cost(group, tests)):
        for test in sorted(group, key=lambda test: _cost([test], tests)):
            spent += tests[test].seconds
            if spent <= seconds or not taken:
                taken.append(test)
    return taken, len(taken) == len(chosen)


def _cost(group: list[str], tests: dict[str, Traced]) -> tuple[bool, float]:
    """Order of files: whole histories last; else by time, and by how much else is entered."""
    traced = [tests[test] for test in group]
    seconds = sum(each.seconds for each in traced)
    entered = len(set().union(*(each.called | each.prepared for each in traced)))
    return group[0].startswith("tests/truth/"), (seconds + 0.1) * entered


def importers() -> dict[str, set[str]]:
    """Return of each file of the program those that import it by name."""
    found: dict[str, set[str]] = defaultdict(set)
    for path in (ROOT / "drift").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("drift"):
                base = node.module.replace(".", "/")
                for each in (f"{base}.py", *(f"{base}/{name.name}.py" for name in node.names)):
                    found[each].add(path.relative_to(ROOT).as_posix())
    return found


# ---- Running them.


def _in_child(tree: Path, work: Any, limit_s: float | None) -> tuple[int, str]:
    """Do some work in a forked child at home in `tree`; return its exit code (-1: stopped) and its text."""
    read, write = os.pipe()
    child = os.fork()
    if not child:
        code = 70
        try:
            os.close(read)
            if limit_s is not None:
                resource.setrlimit(resource.RLIMIT_CPU, (int(limit_s) + 1, int(limit_s) + 2))
            os.chdir(tree)
            sys.path[:] = [str(tree), *(each for each in sys.path if each not in ("", str(ROOT)))]
            os.environ["PYTHONPATH"] = str(tree)
            sys.dont_write_bytecode = True
            with open(os.devnull, "w") as nowhere, contextlib.redirect_stdout(nowhere):  # noqa: PTH123
                code, text = work()
            with os.fdopen(write, "w") as pipe:
                pipe.write(text)
        except Exception:
            traceback.print_exc()
        finally:
            sys.stderr.flush()
            os._exit(code)
    os.close(write)
    with os.fdopen(read) as pipe:
        text = pipe.read()
    _, status = os.waitpid(child, 0)
    return (os.WEXITSTATUS(status) if os.WIFEXITED(status) else -1), text


class _WhichFails:
    """A pytest plugin that remembers the test that failed first."""

    def __init__(self) -> None:
        self.first = ""

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed and not self.first:
            self.first = report.nodeid


def _judged(tests: list[str]) -> tuple[int, str]:
    import pytest

    which = _WhichFails()
    # The seed of property tests is fixed, so that a mutant's fate does not depend on luck.
    with contextlib.redirect_stderr(io.StringIO()):
        code = pytest.main([*_ALONE, "-x", "--hypothesis-seed=1", *tests], plugins=[which])
    return int(code), which.first


@dataclass(frozen=True)
class Fate:
    """What became of one mutant: "killed", "survived", "never run" or "equivalent", and by what."""

    mutant: Mutant
    what: str
    by: str
    seconds: float


def fate_of(mutant: Mutant, tree: Path, tests: dict[str, Traced], chosen: list[str], whole: bool) -> Fate:
    """Run the chosen tests on one mutant in its copy of the tree, which is left as it was."""
    began = time.monotonic()
    path = tree / mutant.path
    text = path.read_text(encoding="utf-8")
    why = EQUIVALENT.get((mutant.path, mutant.line_with_it(text)))
    if why is not None:
        return Fate(mutant, "equivalent", why, 0.0)
    if not chosen:
        return Fate(mutant, "never run", "", 0.0)
    limit_s = _TIMES * sum(tests[test].seconds for test in chosen) + _MORE_S
    for compiled in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
        compiled.unlink()
    try:
        path.write_text(mutant.applied(text), encoding="utf-8")
        code, by = _in_child(tree, lambda: _judged(chosen), limit_s)
    finally:
        path.write_text(text, encoding="utf-8")
    took = time.monotonic() - began
    if code == 0:
        said = f"{len(chosen)} tests" if whole else f"{len(chosen)} tests, not all"
        return Fate(mutant, "survived", said, took)
    return Fate(mutant, "killed", by or {-1: "its time ran out"}.get(code, "it can't be loaded"), took)


def copy_tree(folder: Path) -> Path:
    """Copy the program and its tests, compiled."""
    for name in ("drift", "tests", "sample_logs", "benchmarks"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
        shutil.copy(ROOT / name, folder / name)
    compileall.compile_dir(folder / "drift", quiet=2)
    return folder


def all_fates(
    mutants: list[Mutant], trees: list[Path], tests: dict[str, Traced], seconds: float
) -> Iterator[Fate]:
    """Run the mutants, as many at a time as there are copies of the tree."""
    imported = importers()
    free = list(trees)

    def one(mutant: Mutant) -> Fate:
        tree = free.pop()
        try:
            return fate_of(mutant, tree, tests, *tests_for(mutant, tests, imported, seconds))
        finally:
            free.append(tree)

    with ThreadPoolExecutor(len(trees)) as pool:
        yield from pool.map(one, mutants)


# ---- The whole run.


def main() -> int:
    """Draw the mutants, run them, and say how many the tests notice."""
    options = _options()
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    mutants = draw_mutants(options.seed, options.mutants, tuple(options.rooms))
    if options.only:
        mutants = [mutant for mutant in mutants if mutant.number in options.only]
    for name in _LIBRARIES:
        importlib.import_module(name)
    with tempfile.TemporaryDirectory() as folder:
        trees = [copy_tree(Path(folder) / f"tree{k}") for k in range(options.workers)]
        print("Running the tests once, to see which of them enters what:", flush=True)
        tests = trace_tests(trees[0], options.tests, options.map)
        fates = []
        for fate in all_fates(mutants, trees, tests, options.seconds):
            fates.append(fate)
            _say(fate)
    return _sum_up(fates)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--seed", type=int, default=12)
    parser.add_argument("--mutants", type=int, default=200)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--rooms", nargs="+", choices=ROOMS, default=ROOMS)
    parser.add_argument("--tests", nargs="+", choices=TESTS, default=TESTS)
    parser.add_argument("--only", nargs="+", type=int, help="numbers of mutants, as they were printed")
    parser.add_argument(
        "--seconds", type=float, default=float("inf"), help="of tests a mutant at most, by their usual time"
    )
    parser.add_argument(
        "--map", type=Path, help="keep here which test enters what; delete it when code moves"
    )
    return parser.parse_args()


def _say(fate: Fate) -> None:
    mutant = fate.mutant
    where = f"{mutant.path}:{mutant.line}"
    told = f"{mutant.number:4d}  {fate.what:<10} {where}  {mutant.was} -> {mutant.now or '(nothing)'}"
    print(f"{told}   {fate.by}  ({fate.seconds:.0f} s)", flush=True)
    if fate.what in ("survived", "never run"):
        print(mutant.difference((ROOT / mutant.path).read_text(encoding="utf-8")), flush=True)


def _sum_up(fates: list[Fate]) -> int:
    of = {
        what: [f for f in fates if f.what == what]
        for what in ("killed", "survived", "never run", "equivalent")
    }
    judged = len(fates) - len(of["equivalent"])
    share = len(of["killed"]) / judged if judged else 1.0
    print(
        f"{len(of['killed'])} of {judged} mutants killed, {share:.1%} (goal {GOAL:.0%}); "
        f"{len(of['survived'])} survived, {len(of['never run'])} never run, "
        f"{len(of['equivalent'])} known to change nothing."
    )
    return 0 if share >= GOAL else 1


if __name__ == "__main__":
    sys.exit(main())
