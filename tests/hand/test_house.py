"""Data flows one way, and the numerical rooms know nothing of databases, pictures or commands."""

import ast
from pathlib import Path

import pytest

import drift

HOME = Path(drift.__file__).parent
#: Each room may import only itself and what is listed.
MAY_USE = {
    "errors": set(),
    "quantities": set(),
    "readings": set(),
    "cholesky": {"quantities"},
    "sitefile": {"errors"},
    "pierfile": {"errors", "sitefile"},
    "logs": {"child", "errors", "pierfile", "sitefile", "readings", "sky", "mount", "quantities"},
    "prepare": {"errors", "quantities", "readings", "pierfile", "logs", "sky", "mount"},
    "sky": {"errors", "quantities"},
    "mount": {"errors", "quantities", "sky"},
    "night": {"cholesky", "errors", "kept", "notebook", "quantities", "readings", "sky", "mount"},
    "ground": {"errors", "quantities", "readings"},
    "history": {"cholesky", "errors", "notebook", "quantities", "readings", "mount", "night", "ground"},
    "advice": {
        "errors",
        "quantities",
        "readings",
        "sky",
        "mount",
        "night",
        "ground",
        "history",
        "pierfile",
        "sitefile",
    },
    "watch": {
        "errors",
        "quantities",
        "readings",
        "mount",
        "night",
        "history",
        "advice",
        "pierfile",
        "answer",
    },
    "notify": {"errors"},
    "kept": set(),
    "packing": set(),
    "child": set(),
    "notebook": {"show", "pierfile"},  # inside functions only, when a picture is asked for
}
NUMERICAL = (
    "prepare",
    "sky",
    "mount",
    "night",
    "ground",
    "history",
    "advice",
    "pipeline",
    "hindcast",
    "quantities",
    "readings",
    "kept",
    "packing",
    "cholesky",
)
FORBIDDEN = ("sqlalchemy", "sqlite3", "matplotlib", "click", "rich", "jinja2")


def modules(room):
    folder = HOME / room
    files = sorted(folder.rglob("*.py")) if folder.is_dir() else sorted(HOME.glob(f"{room}*.py"))
    return [f for f in files if f.exists()]


def imported(path):
    out = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            out |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            out.add(node.module)
    return out


@pytest.mark.parametrize("room", MAY_USE)
def test_rooms_import_only_what_is_before_them(room):
    for path in modules(room):
        rooms = {name.split(".")[1] for name in imported(path) if name.startswith("drift.")}
        beyond = {r for r in rooms if r.split("_")[0] not in MAY_USE[room] | {room}}
        assert not beyond, f"{path.name} imports {sorted(beyond)}"


@pytest.mark.parametrize("room", (*NUMERICAL, "watch", "notify"))
def test_numbers_know_no_database_no_plot_no_command(room):
    for path in modules(room):
        tops = {name.split(".")[0] for name in imported(path)}
        assert not tops & set(FORBIDDEN), f"{path} imports {sorted(tops & set(FORBIDDEN))}"


def test_the_record_imports_no_numerical_room():
    for path in modules("book"):
        rooms = {name.split(".")[1] for name in imported(path) if name.startswith("drift.")}
        assert not rooms & {*NUMERICAL[:6], "watch", "show"}, path.name


def test_only_commands_know_the_page():
    for path in HOME.rglob("*.py"):
        room = path.relative_to(HOME).parts[0]
        if room not in ("page", "cli"):
            web = ("drift.web", "starlette", "uvicorn")
            assert not [name for name in imported(path) if name.startswith(web)], path


def test_no_logic_where_packages_begin():
    for path in HOME.rglob("__init__.py"):
        body = ast.parse(path.read_text(encoding="utf-8")).body
        allowed = (ast.Expr, ast.Import, ast.ImportFrom, ast.Assign)
        assert all(isinstance(node, allowed) for node in body), path


def test_no_analysis_waits_for_the_slow_parts_of_scipy():
    slow = ("scipy.stats", "scipy.signal")  # half a second to load; `scipy.special` has the normal law
    for path in HOME.rglob("*.py"):
        if path.relative_to(HOME).parts[0] != "demo":
            assert not [name for name in imported(path) if name.startswith(slow)], path
