"""`drift imports`, `undo`, `origin`: what came in by which import, and where a number came from."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import TYPE_CHECKING, Any

import click

from drift.cli.options import pier_option, site_of

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from drift.record.origins import ActDone, FileInAct
    from drift.record.undo import FileUndone, Undone
    from drift.types import Analysis, NightAxis


# ---- `drift imports`: what came into the record by which import, and what was undone.


_FILES_SHOWN = 5


@click.command(
    "imports",
    help="List the imports with their numbers, files and rows, the latest last.\n\n"
    "A number given to `drift undo` undoes that import; the number of an undoing brings back what it took "
    "out.  What was recorded by hand is no import: `drift record` lists and withdraws that.",
)
@click.argument("number", required=False, type=int)
@pier_option
@click.option("--json", "as_json", is_flag=True, help="Print the list as one JSON document, with every file.")
def command(number: int | None, pier: str | None, as_json: bool) -> None:
    """List all imports, or every file of the one with NUMBER."""
    from drift.api import open_record
    from drift.errors import RecordError
    from drift.render.phrases import zone_of

    site = site_of(pier)
    with open_record(site) as record:
        done = [one for one in record.imports() if number in (None, one.number)]
    if number is not None and not done:
        raise RecordError(f"there is no import {number}; `drift imports` lists those there are.")
    if as_json:
        import json

        click.echo(json.dumps(_as_mapping(done), indent=1, ensure_ascii=False))
        return
    if not done:
        click.echo("Nothing has been imported yet.")
    for act in done:
        for line in _lines(act, zone_of(site.site.timezone), all_files=number is not None):
            click.echo(line)


def _lines(act: ActDone, zone: ZoneInfo, all_files: bool) -> Iterator[str]:
    from drift.render.phrases import clock_text

    counts = ", ".join(_counts(act))
    undone = f"  - undone by {', '.join(map(str, act.undone_by))}" if act.undone_by else ""
    reason = f"  ({act.reason})" if act.reason else ""
    yield f"{act.number:>4}  {clock_text(act.time_us, zone)}  {act.what}: {counts}{undone}{reason}"
    shown = act.files if all_files else act.files[:_FILES_SHOWN]
    for one in shown:
        partly = "  - undone" if one.undone_by is not None else ""
        yield f"      {one.file} ({one.kind}): {', '.join(_file_counts(one)) or 'nothing new'}{partly}"
    if len(act.files) > len(shown):
        rest = f"... and {len(act.files) - len(shown):,} more files"
        yield f"      {rest}; `drift imports {act.number}` lists all"


def _counts(act: ActDone) -> Iterator[str]:
    yield f"{len(act.files):,} file{'' if len(act.files) == 1 else 's'}"
    for name, words in _WORDS.items():
        total = sum(getattr(one, name) for one in act.files)
        if total:
            yield f"{total:,} {words}"


def _file_counts(one: FileInAct) -> Iterator[str]:
    for name, words in _WORDS.items():
        count = getattr(one, name)
        if count:
            yield f"{count:,} {words}"


_WORDS = {
    "went_in": "in",
    "already_there": "there already",
    "set_aside": "set aside",
    "went_out": "out",
    "stayed": "stayed, as another file carries them",
}


def _as_mapping(done: list[ActDone]) -> dict[str, Any]:
    from dataclasses import asdict

    from drift.render.phrases import utc_text

    return {
        "format": "drift-imports",
        "version": 1,
        "imports": [
            {
                "number": act.number,
                "what": act.what,
                "time_utc": utc_text(act.time_us),
                "reason": act.reason,
                "undone_by": list(act.undone_by),
                "files": [asdict(one) for one in act.files],
            }
            for act in done
        ],
    }


# ---- `drift undo`: take an import back, or bring back one that was undone.


_UNDONE_FILES_SHOWN = 10


@click.command(
    "undo",
    help="Undo the import with NUMBER, as `drift imports` lists it.\n\n"
    "Its rows leave the answer, but for those that another file still in force carries as well.  Nothing is "
    "lost: the number of the undoing, given to `drift undo` in turn, brings everything back, and so does "
    "importing the files again.  It happens wholly or not at all.",
)
@click.argument("number", type=int)
@click.option("--file", "file", default="", help="Only this file of the import, named as it is listed.")
@click.option("--reason", default="", help="Why, in your words; kept with it.")
@pier_option
def undo_command(number: int, file: str, reason: str, pier: str | None) -> None:
    """Undo, and say what left and what stayed."""
    from drift.api import open_record

    with open_record(site_of(pier)) as record:
        done = record.undo(number, file, reason)
    for one in done.files[:_UNDONE_FILES_SHOWN]:
        click.echo("\n".join(_undone_lines(one, done)))
    if len(done.files) > _UNDONE_FILES_SHOWN:
        click.echo(f"... and {len(done.files) - _UNDONE_FILES_SHOWN:,} more files.")
    click.echo(_summary(done, number))


def _undone_lines(one: FileUndone, done: Undone) -> Iterator[str]:
    if done.brought_back:
        yield f"{one.file} ({one.kind}): {_rows(one.went_in)} came back"
        return
    yield f"{one.file} ({one.kind}): {_rows(one.went_out)} left"
    for name, count in one.stayed:
        yield f"  {_rows(count)} stayed, because {name} carries {'it' if count == 1 else 'them'} as well"
    if one.unsure and one.went_out:
        yield (
            f"  {', '.join(one.unsure)} came in before it was noted which rows each file carries: if rows of "
            "it are gone now, import it again"
        )


def _summary(done: Undone, number: int) -> str:
    if done.brought_back:
        rows = _rows(sum(one.went_in for one in done.files))
        return f"In all {rows} came back; undoing {number} counts no more."
    rows = _rows(sum(one.went_out for one in done.files))
    return f"In all {rows} left by undoing {number}.  `drift undo {done.number}` brings all of it back."


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count:,} rows"


# ---- `drift origin`: which rows of which files a night's number came from.


_NEAREST = 3


@click.command(
    "origin",
    help="Say where a night's number came from, down to file and line.\n\n"
    "NIGHT is the date of the evening on which it began, such as 2024-02-11, or `last`.  Rows that were not "
    "used are listed with the reason.",
)
@click.argument("night")
@pier_option
@click.option("--rows", "every_row", is_flag=True, help="Show the text of every row as it came.")
@click.option("--json", "as_json", is_flag=True, help="Print it as one JSON document, in arcseconds.")
def origin_command(night: str, pier: str | None, every_row: bool, as_json: bool) -> None:
    """Print the rows behind a night."""
    from drift.api import analyse_readings, open_record
    from drift.cli.options import working
    from drift.readings import READING_COLUMNS
    from drift.render.origin import as_lines, as_mapping, night_origin

    site = site_of(pier)
    with open_record(site) as record:
        readings = record.readings()
        with working("Working out the axis of each night and the pier's tilt"):
            analysis = analyse_readings(site, readings, record)
        wanted = _wanted(analysis, night)
        there = {kind: frozenset(readings[kind]["row_id"].tolist()) for kind in READING_COLUMNS}
        found = [night_origin(analysis, one, record.held, record.origins, there) for one in wanted]
    if as_json:
        import json

        parts = [as_mapping(one) for one in found]
        document = {"format": "drift-origin", "version": 1, "night": night, "parts": parts}
        click.echo(json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False))
        return
    for one in found:
        for line in as_lines(one, site.site.timezone, every_row):
            click.echo(line)


def _wanted(analysis: Analysis, night: str) -> tuple[NightAxis, ...]:
    from drift.errors import RecordError
    from drift.render.origin import nights_of
    from drift.render.phrases import evening_of

    nights = analysis.nights.nights
    if not nights:
        raise RecordError("the record holds no reading of the sky, so that no night has a number yet.")
    longitude = analysis.site.site.longitude_deg
    evening = evening_of(nights[-1].time_us, longitude) if night == "last" else _date(night)
    found = nights_of(analysis, evening)
    if not found:
        known = sorted(
            {evening_of(one.time_us, longitude) for one in nights}, key=lambda one: abs(one - evening)
        )
        raise RecordError(
            f"the record holds no night that began on {evening}.  The nearest ones began on "
            f"{', '.join(map(str, sorted(known[:_NEAREST])))}."
        )
    return found


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise click.UsageError(
            f"NIGHT is {text!r}, which is no date: write that of the evening on which it began, such as "
            "2024-02-11, or `last`."
        ) from error
