"""Data flows one way: which room may import which, and what can't be reached from where.

Every import counts: those at the head of a file, those inside functions, and those for types only.
"""

import ast
from functools import cache
from pathlib import Path

import pytest

import drift

HOME = Path(drift.__file__).parent
#: The rooms, and the files that stand beside them, from the bottom to the top: each may import itself and
#: what stands before it.
ORDER = (
    "_version", "errors", "codes", "notices", "readings", "quantities", "cholesky", "cache", "stamp",
    "workers", "site", "notebook", "types",
    "sky", "mount", "night", "ground", "history", "forecast", "advice", "analysis",
    "ingest", "record", "importer",
    "watch", "notify", "render", "api", "web", "demo", "cli",
)  # fmt: skip
#: What is still open: these imports go against the order.  Nothing may be added; what is mended is taken out.
STILL_OPEN: set[tuple[str, str]] = set()
#: Files of these work with numbers alone.
NUMERICAL = (
    "quantities", "readings", "cholesky", "cache", "types", "sky", "mount", "night", "ground", "history",
    "forecast", "advice", "analysis", "watch",
)  # fmt: skip
#: Libraries that they have no business with.
NOT_NUMERICAL = {"sqlalchemy", "sqlite3", "matplotlib", "click", "rich", "jinja2", "starlette", "uvicorn"}
#: Half a second to load; `scipy.special` has the normal law.
SLOW = ("scipy.stats", "scipy.signal")


@cache
def files() -> dict[str, Path]:
    """Return the modules of the package: full name -> file."""
    found = {}
    for path in sorted(HOME.rglob("*.py")):
        parts = path.relative_to(HOME.parent).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


@cache
def imported(module: str) -> frozenset[str]:
    """Return all that a module imports, by full names, wherever in the file that stands."""
    out = set()
    for node in ast.walk(ast.parse(files()[module].read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            out |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0 and node.module, f"{module} imports by dots: write the full name"
            names = {f"{node.module}.{alias.name}" for alias in node.names}
            out |= {name if name in files() else node.module for name in names}
    return frozenset(out)


@cache
def own(module: str) -> frozenset[str]:
    """Return the modules of this package that a module imports, the packages that they lie in among them.

    The package itself is not: it is the door, and holds nothing but the names that `drift.api` offers.
    """
    direct = {name for name in imported(module) if name in files()}
    around = {name.rpartition(".")[0] for name in direct}
    return frozenset((direct | {name for name in around if name.count(".")}) - {module, "drift"})


def reached(start: set[str]) -> dict[str, tuple[str, ...]]:
    """Return all that can be reached from some modules, each with a way to it."""
    ways = {module: (module,) for module in start}
    rest = list(start)
    while rest:
        module = rest.pop()
        for name in own(module) - ways.keys():
            ways[name] = (*ways[module], name)
            rest.append(name)
    return ways


def room(module: str) -> str:
    """Return the room, or the file beside the rooms, that a module belongs to."""
    return module.split(".")[1] if "." in module else "drift"


def modules_of(*rooms: str) -> set[str]:
    return {module for module in files() if room(module) in rooms}


def test_every_room_has_its_place_in_the_order():
    assert {room(module) for module in files()} - {"drift"} <= set(ORDER)
    assert len(set(ORDER)) == len(ORDER)


@pytest.mark.parametrize("name", ORDER)
def test_rooms_import_only_what_stands_before_them(name):
    before = set(ORDER[: ORDER.index(name) + 1]) | {there for here, there in STILL_OPEN if here == name}
    for module in modules_of(name):
        beyond = {other for other in own(module) if room(other) not in before}
        assert not beyond, f"{module} imports {sorted(beyond)}"


def test_no_module_imports_itself_by_any_way_round():
    for module in files():
        for way in reached(set(own(module))).values():
            assert way[-1] != module, " -> ".join([module, *way])


def test_the_door_imports_what_it_offers_and_nothing_else():
    assert {name for name in imported("drift") if name in files()} == {"drift._version", "drift.api"}


def test_from_the_record_no_room_of_numbers_and_no_log_format_can_be_reached():
    allowed = {"record", "readings", "errors", "codes", "notices", "site", "_version"}
    for module, way in reached(modules_of("record")).items():
        assert room(module) in allowed, " -> ".join(way)


def test_from_a_result_no_drawing_can_be_reached():
    for module, way in reached(modules_of("types", "cache", "notices")).items():
        assert room(module) not in {"render", "web", "cli"}, " -> ".join(way)
        tops = {name.split(".")[0] for name in imported(module)}
        assert "matplotlib" not in tops, " -> ".join(way)


@pytest.mark.parametrize("name", NUMERICAL)
def test_numbers_know_no_database_no_plot_no_command(name):
    for module in modules_of(name):
        tops = {each.split(".")[0] for each in imported(module)}
        assert not tops & NOT_NUMERICAL, f"{module} imports {sorted(tops & NOT_NUMERICAL)}"


def test_only_commands_know_the_page():
    for module in files():
        if room(module) not in ("web", "cli"):
            page = [
                name for name in imported(module) if name.startswith(("drift.web", "starlette", "uvicorn"))
            ]
            assert not page, f"{module} imports {page}"


def test_the_makers_of_logs_share_nothing_with_what_reads_them():
    """They are an independent judge of the whole: the same slip in both would go unseen."""
    allowed = {"demo", "types", "readings", "quantities", "errors", "site", "notebook", "codes", "notices"}
    for module, way in reached(modules_of("demo")).items():
        assert room(module) in allowed, " -> ".join(way)


def test_no_logic_where_packages_begin():
    for module, path in files().items():
        if path.name == "__init__.py":
            body = ast.parse(path.read_text(encoding="utf-8")).body
            allowed = (ast.Expr, ast.Import, ast.ImportFrom, ast.Assign)
            assert all(isinstance(node, allowed) for node in body), module


def test_no_analysis_waits_for_the_slow_parts_of_scipy():
    for module in files():
        if room(module) != "demo":
            assert not [name for name in imported(module) if name.startswith(SLOW)], module
