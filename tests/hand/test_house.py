"""Data flows one way: which room may import which, and what can't be reached from where.

Every import counts: those at the head of a file, those inside functions, and those for types only.
"""

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import drift

HOME = Path(drift.__file__).parent
#: The rooms, and the files that stand beside them, from the bottom to the top: each may import itself and
#: what stands before it.
ORDER = (
    "_version", "errors", "notebook", "codes", "notices", "readings", "quantities", "linear", "cache",
    "stamp", "workers", "site", "types",
    "sky", "mount", "night", "ground", "history", "forecast", "advice", "analysis",
    "tonight", "ingest", "record", "importer",
    "watch", "notify", "piers", "render", "api", "nightly", "web", "demo", "cli",
)  # fmt: skip
#: What is still open: these imports go against the order.  Nothing may be added; what is mended is taken out.
STILL_OPEN: set[tuple[str, str]] = set()
#: Files of these work with numbers alone.
NUMERICAL = (
    "quantities", "readings", "linear", "cache", "types", "sky", "mount", "night", "ground", "history",
    "forecast", "advice", "analysis", "tonight", "watch",
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
    allowed = {"record", "readings", "errors", "codes", "notices", "site", "notebook", "_version"}
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


@pytest.mark.parametrize("name", NUMERICAL)
def test_what_numbers_hand_on_is_frozen(name):
    """Results are shared and cached: nobody downstream may change one in place."""
    for module in modules_of(name):
        for node in ast.walk(ast.parse(files()[module].read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef):
                made = [ast.unparse(one) for one in node.decorator_list]
                free = [one for one in made if one.startswith("dataclass") and "frozen=True" not in one]
                assert not free, f"{module}.{node.name} is a dataclass that is not frozen"


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


#: A file as the text at the head of a room, or the door, names it.
NAMED_FILE = re.compile(r"`((?:\w+/)*\w+\.py)`")


@pytest.mark.parametrize(
    "page",
    [*sorted(HOME.rglob("__init__.py")), HOME.parent / "DEVELOPERS.md"],
    ids=lambda page: page.parent.name + "/" + page.name,
)
def test_every_file_that_a_room_tells_of_is_there(page):
    text = page.read_text(encoding="utf-8")
    places = (page.parent, HOME, HOME.parent)
    gone = {name for name in NAMED_FILE.findall(text) if not any((at / name).is_file() for at in places)}
    # the door names further files of the room that it has just named, such as `ingest/kinds.py`, `names.py`
    rooms = {path.name for path in HOME.rglob("*.py")} if page.name == "DEVELOPERS.md" else set()
    assert gone - rooms == set()


def test_no_analysis_waits_for_the_slow_parts_of_scipy():
    for module in files():
        if room(module) != "demo":
            assert not [name for name in imported(module) if name.startswith(SLOW)], module


# ---- Results are not text: sentences are made in the rendering room.


#: Rooms whose results are numbers, codes and notices.
WORDLESS = (*NUMERICAL, "codes", "site", "ingest", "record", "importer", "piers")
#: What holds words all the same: a module, or a class, function or name in it.
WORDS_ALLOWED = {
    # paragraphs of errors that are put together in several functions; what the record was asked for then
    "drift.record.engine", "drift.record.piers", "drift.record.record:Record",
    "drift.importer.mending:put_back_mended",
    "drift.importer.by_hand:amend", "drift.importer.folders:_taken_before",
    "drift.importer.by_hand:typed_tables",
    "drift.importer.mending:put_site_right", "drift.record.keeping", "drift.ingest.detect:shown_names",
    "drift.ingest.text:_OTHER_FILES", "drift.site.checks",
    "drift.site.text", "drift.site.threads", "drift.ingest.fits_mapping:FitsMapping",
    "drift.ingest.mapping:_Section",
    # remarks that are written into files for people to read there, and what a key of the site file is called
    "drift.site.sections", "drift.site.file", "drift.ingest.mapping:_BEGINNING",
    # what stands in records, files and JSON of earlier versions
    "drift.codes:ActKind", "drift.codes:Since", "drift.codes:RowState", "drift.record.migrations",
    "drift.record.schema",
    "drift.importer.by_hand:NAME", "drift.analysis:BEFORE", "drift.analysis:SHOWN", "drift.analysis:WORKED",
    # names of what has none of its own, and how a unit is written in logs.toml
    "drift.ingest.notebook_tables:read_notebook_table", "drift.night.prepared:_minute",
    "drift.ingest.units:Unit",
    # what people write, to be known again: words of headings, pieces of patterns
    "drift.ingest.names", "drift.ingest.times:_CLOCK", "drift.ingest.times:_ZONE",
    "drift.ingest.delimited:_WHOSE", "drift.sky.time_scales:read_leap_seconds",
    # a type
    "drift.readings:Columns",
}  # fmt: skip
_SQL = re.compile(r"(SELECT|ALTER|PRAGMA|BEGIN|REPEATABLE) ")
_WORD = re.compile(r"(?<![\w\\<?])[A-Za-z][A-Za-z'-]+")


def _is_error(name: ast.expr | None) -> bool:
    """Tell whether an expression names an error: what is made of it is raised, and then shown as it is."""
    last = name.attr if isinstance(name, ast.Attribute) else getattr(name, "id", "")
    return str(last).endswith(("Error", "Refused", "NothingToAnalyse"))


def _exempt(node: ast.AST) -> bool:
    """Tell whether the words in a piece of code travel with no result: what is raised, and remarks."""
    if isinstance(node, (ast.Raise, ast.Assert)):
        return True
    if isinstance(node, ast.Call):
        return _is_error(node.func) or ast.unparse(node.func) == "re.compile"
    if isinstance(node, ast.FunctionDef):
        return _is_error(node.returns)
    if isinstance(node, ast.ClassDef):
        return any(_is_error(base) for base in node.bases)
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


def _text_of(node: ast.AST) -> str | None:
    """Return the text of a literal, a figure in the place of what an f-string puts in; None for others."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        parts = (one.value if isinstance(one, ast.Constant) else "0" for one in node.values)
        return "".join(str(part) for part in parts)
    return None


def words_in(tree: ast.AST, where: str = "") -> Iterator[tuple[str, int, str]]:
    """Yield the literals of two words and more outside of what is exempt: where, line, text."""
    for node in ast.iter_child_nodes(tree):
        if _exempt(node):
            continue
        text = _text_of(node)
        if text is not None:
            if " " in text.strip() and len(_WORD.findall(text)) > 1 and not _SQL.match(text):
                yield where, node.lineno, text
            continue
        names = [getattr(one, "id", "") for one in getattr(node, "targets", [getattr(node, "target", None)])]
        inner = where or getattr(node, "name", "") or next((one for one in names if one), "")
        yield from words_in(node, inner)


@pytest.mark.parametrize("module", sorted(modules_of(*WORDLESS)))
def test_numbers_hold_no_sentence_that_travels(module):
    allowed = {one.partition(":")[2] for one in WORDS_ALLOWED if one.partition(":")[0] == module}
    if "" in allowed:
        return
    tree = ast.parse(files()[module].read_text(encoding="utf-8"))
    found = [(where, line, text) for where, line, text in words_in(tree) if where not in allowed]
    assert not found, "\n".join(
        f"{module}:{where}, line {line}: {text[:60]!r}" for where, line, text in found
    )


def test_what_may_hold_words_does():
    """What holds none any more is taken off the list."""
    for one in sorted(WORDS_ALLOWED):
        module, _, name = one.partition(":")
        holders = {where for where, _, _ in words_in(ast.parse(files()[module].read_text(encoding="utf-8")))}
        assert name in holders if name else holders, one


def test_a_sentence_would_be_found():
    code = "def f(n):\n    return f'the axis is {n} off'\n"
    assert [text for _, _, text in words_in(ast.parse(code))] == ["the axis is 0 off"]
    raised = "def f(n):\n    'A docstring of words.'\n    raise ValueError(f'the axis is {n} off')\n"
    assert not list(words_in(ast.parse(raised)))
