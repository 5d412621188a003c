"""`drift status` and `drift outlook`: how axis and pier stand, what to do, and the coming twelve months."""

from __future__ import annotations

import hashlib
import os
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drift.cli.options import pier_option, site_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from drift.forecast.outlook import Hindcast
    from drift.history.neighbours import NeighbourPrior
    from drift.readings import Readings
    from drift.record.quick import State
    from drift.record.record import Record
    from drift.render.sections import Section
    from drift.site.file import PierFile
    from drift.types import Analysis


# ---- `drift status`: what axis and pier are doing now, and what to do about it.
#
# The printed text is cached in the record under everything that it depends on.  Printing it again loads
# neither the numerical libraries nor the database library, so that a look every morning costs next to
# nothing.


#: Largest site file [bytes].
_LARGEST_BYTES = 1_000_001
_JSON, _JSON_EXACT, _PLAIN, _TERMINAL = "json", "json-exact", "plain", "terminal"
_AS_JSON = (_JSON, _JSON_EXACT)
#: What else the text on a terminal depends on: its width, its colours, the user's choice of colours.
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
@click.option(
    "--exact-positions",
    is_flag=True,
    help="Give the position in the JSON as the site file has it, and not rounded to 0.1 degrees.",
)
def command(
    names: tuple[str, ...], pier: str | None, full: bool, as_json: bool, exact_positions: bool
) -> None:
    """Print the analysis on stdout, in words or as JSON."""
    from drift.record import quick
    from drift.site.text import find_pier

    shown = _shown(names, full, as_json)
    if exact_positions and not as_json:
        raise click.UsageError("--exact-positions is for --json: the words hold no position.")
    as_data = _JSON_EXACT if exact_positions else _JSON
    form = as_data if as_json else _TERMINAL if sys.stdout.isatty() else _PLAIN
    path = find_pier(pier)
    before = _bytes_of(path)
    cached = quick.cached_for(
        before, path.parent, lambda state: _key(path, before, state, form, shown, quick.now_us())
    )
    click.echo(cached if cached is not None else _worked_out(path, form, shown), nl=as_json)


def _bytes_of(path: Path) -> bytes:
    """Return the content of the site file; nothing where it can't be read: `load_pier` says why."""
    try:
        if not path.is_file():  # a device never ends
            return b""
        with path.open("rb") as file:
            return file.read(_LARGEST_BYTES)
    except (OSError, ValueError):
        return b""


#: The sections of `drift.render.status`, which is not loaded to print a cached text.
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
    """Return the text to print, and cache it."""
    from drift.api import analyse_readings, open_record, read_site
    from drift.cli.options import working
    from drift.record import quick

    before = _bytes_of(path)
    site = read_site(path)
    with open_record(site) as record:
        now = quick.now_us()
        state = record.state()
        cached = record.cached_analysis(_key(path, before, state, form, shown, now))
        if cached is not None:
            return cached
        with working("Reading the record"):
            readings = record.readings()
        with working("Working out the axis of each night and the pier's tilt"):
            analysis = analyse_readings(site, readings, record, now)
            if form in _AS_JSON:
                text = _as_json(analysis, form == _JSON_EXACT)
            else:
                text = _as_words(analysis, record, form, shown)
        # another program may have added some meanwhile
        state = replace(state, readings_id=readings.readings_id)
        if _bytes_of(path) == before:
            record.cache_analysis(_key(path, before, state, form, shown, now), text)
    return text


def _key(
    path: Path, site_text: bytes, state: State, form: str, shown: tuple[str, ...] | None, now_us: int
) -> str:
    """Return the cache key of a text: record, site file, today, version of the program, and form."""
    from drift.readings import DAY_US
    from drift.stamp import program_stamp

    parts = [
        program_stamp(),
        str(path),
        hashlib.sha256(site_text).hexdigest(),
        state.readings_id,
        str(now_us // DAY_US),
        str(state.latest_import_us),
        str(state.lent_us),
        state.record_name,
        str(state.last_act),
        str(shown),
    ]
    if form not in _AS_JSON:  # the words include what is new since the acknowledgement
        parts.append(str(state.last_acknowledged))
    if form == _TERMINAL:
        parts += [
            _terminal_size(),
            str(sys.stdout.encoding),
            *map(str, map(os.environ.get, _TERMINAL_VARIABLES)),
        ]
    return f"status-{form} " + hashlib.sha256("\n".join(parts).encode()).hexdigest()


def _terminal_size() -> str:
    """Return the size of the terminal for each of the three streams that may be one."""
    sizes = []
    for stream in (0, 1, 2):
        try:
            sizes.append(str(os.get_terminal_size(stream)))
        except OSError:
            sizes.append("none")
    return " ".join(sizes)


def _as_json(analysis: Analysis, exact_positions: bool) -> str:
    import json

    from drift.render.status_json import as_mapping

    return json.dumps(as_mapping(analysis, exact_positions), indent=1, allow_nan=False)


def _as_words(analysis: Analysis, record: Record, form: str, shown: tuple[str, ...] | None) -> str:
    from drift.render.status import as_text, print_words, waiting_of

    waiting = waiting_of(analysis, record.last_acknowledged(), record.latest_import_us())
    if form == _PLAIN:
        return as_text(analysis, waiting=waiting, names=shown)
    from rich.console import Console

    console = Console()
    with console.capture() as captured:
        print_words(analysis, console, waiting, shown)
    return captured.get()


# ---- `drift outlook`: the coming twelve months, the frost, and what to do about the pier.


@click.command(
    "outlook",
    help="Look ahead a year: what the frost did and whether it reaches the pier's base, what the tilt "
    "follows, axis and tilt month by month with 80 % bands, when they peak and are back, and whether "
    "re-aligning is worth it.\n\n"
    "A weather log (daily minimum and maximum) makes it better: without one the calendar stands for the "
    "frost.",
)
@click.option(
    "--score",
    is_flag=True,
    help="Also hide the last two winters, forecast them from what was known before, and compare; nothing is "
    "borrowed then.",
)
@click.option(
    "--ground",
    "for_pier",
    is_flag=True,
    help="Say instead what can be done about the pier and its ground, with sources.",
)
@click.option(
    "--neighbours",
    type=click.Path(path_type=Path),
    metavar="PLACE",
    help="Also go by what the other piers of this site did in their winters, and by their weather logs: "
    "for a pier in its first or second winter.  PLACE is the folder or piers.toml of `drift piers`; what "
    "`drift piers nightly` had it borrow is not used then.",
)
@click.option("--json", "as_json", is_flag=True, help="Print all of it as JSON, in arcseconds.")
@pier_option
def outlook_command(
    score: bool, for_pier: bool, neighbours: Path | None, as_json: bool, pier: str | None
) -> None:
    """Print the outlook on stdout, in words or as JSON."""
    from drift.api import analyse_readings, ground_at_pier, open_record
    from drift.cli.options import working
    from drift.record.engine import now_us

    if score and for_pier and not as_json:
        raise click.UsageError("--score and --ground don't go together: ask for one after the other.")
    if score and neighbours is not None:
        raise click.UsageError(
            "--score hides winters of this pier alone: its neighbours' would still show them.  Leave out "
            "--neighbours."
        )
    site = site_of(pier)
    with open_record(site) as record:
        with working("Reading the record"):
            readings = record.readings()
        if for_pier and not as_json:
            from drift.render.outlook import pier_sections

            with working("Following the frost into the ground"):
                found = ground_at_pier(site, readings)
            print_all("The pier and its ground", "Sources in brackets.", pier_sections(found))
            return
        prior = None
        if neighbours is not None:
            readings, prior = _among(neighbours, site, readings)
        with working("Working out the axis of each night and the pier's tilt"):
            alone = score or neighbours is not None  # the one is asked of the pier alone, the other afresh
            analysis = analyse_readings(site, readings, record, now_us(), prior, alone=alone)
    hindcasts = _scored(analysis, readings) if score else None
    if as_json:
        _print_json(analysis, readings, hindcasts)
    else:
        _print_words(analysis, readings, hindcasts)


def _among(place: Path, site: PierFile, readings: Readings) -> tuple[Readings, NeighbourPrior | None]:
    """Return the readings with the site's weather, and what the neighbours say; say what they can't."""
    from drift.api import among_neighbours
    from drift.cli.options import say, working
    from drift.render.piers import failure_words

    with working("Working out the neighbours"):
        readings, prior, failed = among_neighbours(place, site, readings)
    for done in failed:
        say(f"{done.pier.name} lends nothing: {failure_words(done)}", err=True)
    if prior is None:
        say(
            "No other pier of this site has a year to tell of yet (the same site: within 2 km and 60 m of "
            "height); the outlook is this pier's alone.",
            err=True,
        )
    return readings, prior


def _scored(analysis: Analysis, readings: Readings) -> tuple[Hindcast, ...]:
    from drift.api import score_forecasts
    from drift.cli.options import working

    with working("Hiding the last winters and forecasting them"):
        return score_forecasts(analysis, readings)


def _print_json(analysis: Analysis, readings: Readings, hindcasts: tuple[Hindcast, ...] | None) -> None:
    import json

    from drift.advice.situation import coming_of
    from drift.api import ground_at_pier
    from drift.render.status_json import document

    outlook = coming_of(analysis)
    found = document(outlook, ground_at_pier(analysis.site, readings), hindcasts)
    if analysis.history.borrowed_from:
        from drift.render.notices import as_data
        from drift.render.outlook import borrowed_of

        found["borrowed"] = [as_data(notice) for notice in borrowed_of(analysis)]
    click.echo(json.dumps(found, indent=1, allow_nan=False))


def _print_words(analysis: Analysis, readings: Readings, hindcasts: tuple[Hindcast, ...] | None) -> None:
    from drift.advice.situation import coming_of
    from drift.api import ground_at_pier
    from drift.cli.options import working
    from drift.render.outlook import outlook_sections
    from drift.render.status import span, title

    outlook = coming_of(analysis)
    with working("Following the frost into the ground"):
        ground = ground_at_pier(analysis.site, readings)
    print_all(title(analysis), span(analysis), outlook_sections(analysis, outlook, ground, hindcasts))


def print_all(title: str, note: str, sections: Iterable[Section]) -> None:
    """Print sections: in colour on a terminal, else as plain text of 80 columns."""
    import sys

    from rich.console import Console

    from drift.render.sections import Lead, print_sections, sections_text

    console = Console()
    if console.is_terminal and sys.stdout.isatty():
        print_sections(Lead(title, note), sections, console)
    else:
        click.echo(sections_text(Lead(title, note), sections), nl=False)
