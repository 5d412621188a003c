"""`drift status`: what axis and pier are doing now, and what to do about it.

What was said is kept in the record under all that it depends on.  To say it again loads neither what works
with numbers nor the database library, so that looking at it every morning costs next to nothing.
"""

from __future__ import annotations

import hashlib
import os
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drift.cli.options import pier_option

if TYPE_CHECKING:
    from drift.record.quick import State
    from drift.record.record import Record
    from drift.types import Analysis

#: No site file is larger.
_LARGEST_BYTES = 1_000_001
_JSON, _PLAIN, _TERMINAL = "json", "plain", "terminal"
#: What else a terminal's text depends on: how wide it is, which colours it knows, which the user wants.
_TERMINAL_VARIABLES = ("COLUMNS", "TERM", "COLORTERM", "NO_COLOR", "FORCE_COLOR", "TTY_COMPATIBLE")


@click.command(
    "status",
    help="Say what the axis and the pier are doing now, and what to do about it.\n\n"
    "The first screen: how things stand now, how old that is, what to do, and what waits.  All the rest "
    "comes with --full, or by name: todo, care, waiting, strip, where, matters, aim, year, moved, "
    "corrections, winters, apart, nights, remarks, defaults, aside.\n\nExit code 0 whenever it answered, "
    "also when something has moved (`drift check` is for schedulers); 2 when it could not.",
)
@click.argument("names", nargs=-1, metavar="[SECTION]...")
@pier_option
@click.option("--full", is_flag=True, help="Print all that can be said in words.")
@click.option("--json", "as_json", is_flag=True, help="Print the answer as one JSON document, in arcseconds.")
def command(names: tuple[str, ...], pier: str | None, full: bool, as_json: bool) -> None:
    """Print the answer on stdout, in words or as JSON."""
    from drift.record import quick
    from drift.site.disk import find_pier

    shown = _shown(names, full, as_json)
    form = _JSON if as_json else _TERMINAL if sys.stdout.isatty() else _PLAIN
    path = find_pier(pier)
    before = _bytes_of(path)
    kept = quick.kept_for(
        before, path.parent, lambda state: _key(path, before, state, form, shown, quick.now_us())
    )
    click.echo(kept if kept is not None else _worked_out(path, form, shown), nl=as_json)


def _bytes_of(path: Path) -> bytes:
    """Return what the site file holds; nothing where it can't be read, which `load_pier` says why."""
    try:
        if not path.is_file():  # a device never ends
            return b""
        with path.open("rb") as file:
            return file.read(_LARGEST_BYTES)
    except (OSError, ValueError):
        return b""


#: What `drift.render.status` has sections of; that is not loaded to print an answer that is kept.
NAMES = (
    *(
        "todo",
        "care",
        "waiting",
        "strip",
        "where",
        "matters",
        "aim",
        "year",
        "moved",
        "corrections",
        "winters",
    ),
    *("apart", "nights", "remarks", "defaults", "aside"),
)


def _shown(names: tuple[str, ...], full: bool, as_json: bool) -> tuple[str, ...] | None:
    """Return the sections wanted by name; none for the first screen, None for all."""
    if names and (full or as_json):
        raise click.UsageError("name sections, or give --full or --json; not both.")
    for name in names:
        if name not in NAMES:
            raise click.UsageError(f"there is no section {name!r}: those there are {', '.join(NAMES)}.")
    return None if full else names


def _worked_out(path: Path, form: str, shown: tuple[str, ...] | None) -> str:
    """Return what is to be printed, and keep it for the next time."""
    from drift.api import analyse_readings, open_record, read_site
    from drift.cli.options import working
    from drift.record import quick

    before = _bytes_of(path)
    site = read_site(path)
    with open_record(site) as record:
        now = quick.now_us()
        state = record.state()
        kept = record.kept_analysis(_key(path, before, state, form, shown, now))
        if kept is not None:
            return kept
        with working("Reading the record"):
            readings = record.readings()
        with working("Working out the axis of each night and the pier's tilt"):
            analysis = analyse_readings(site, readings, record, now)
            text = _as_json(analysis) if form == _JSON else _as_words(analysis, record, form, shown)
        # another program may have added some meanwhile
        state = replace(state, readings_id=readings.readings_id)
        if _bytes_of(path) == before:
            record.keep_analysis(_key(path, before, state, form, shown, now), text)
    return text


def _key(
    path: Path, site_text: bytes, state: State, form: str, shown: tuple[str, ...] | None, now_us: int
) -> str:
    """Name a text by all that it depends on: record, site file, today, what works it out, and its form."""
    from drift.readings import DAY_US
    from drift.stamp import program_stamp

    parts = [
        program_stamp(),
        str(path),
        hashlib.sha256(site_text).hexdigest(),
        state.readings_id,
        str(now_us // DAY_US),
        str(state.latest_import_us),
        str(shown),
    ]
    if form != _JSON:  # words say what is new since that was acknowledged
        parts.append(str(state.last_acknowledged))
    if form == _TERMINAL:
        parts += [
            _terminal_size(),
            str(sys.stdout.encoding),
            *map(str, map(os.environ.get, _TERMINAL_VARIABLES)),
        ]
    return f"status-{form} " + hashlib.sha256("\n".join(parts).encode()).hexdigest()


def _terminal_size() -> str:
    """Return the size of the terminal at each of the three streams that may be one."""
    sizes = []
    for stream in (0, 1, 2):
        try:
            sizes.append(str(os.get_terminal_size(stream)))
        except OSError:
            sizes.append("none")
    return " ".join(sizes)


def _as_json(analysis: Analysis) -> str:
    import json

    from drift.render.status_json import as_mapping

    return json.dumps(as_mapping(analysis), indent=1, allow_nan=False)


def _as_words(analysis: Analysis, record: Record, form: str, shown: tuple[str, ...] | None) -> str:
    from drift.render.status import as_text, print_words, waiting_of

    waiting = waiting_of(analysis, record.last_acknowledged(), record.latest_import_us())
    if form == _PLAIN:
        return as_text(analysis, waiting=waiting, names=shown)
    from rich.console import Console

    console = Console()
    with console.capture() as said:
        print_words(analysis, console, waiting, shown)
    return said.get()
