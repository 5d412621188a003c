"""`drift imports`, `undo`, `origin`, `aside`: which import brought what, and the rows set aside."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from drift.cli.options import pier_option, site_of

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from drift.importer.mending import Mended
    from drift.record.reading import ActDone, FileInAct
    from drift.record.undo import FileUndone, Undone
    from drift.types import Analysis, NightAxis


# ---- `drift imports`: what came into the record by which import, and what was undone.


_FILES_SHOWN = 5


class _ListsByDefault(click.Group):
    """A group that lists when no subcommand is named, as in ``drift imports`` and ``drift imports 3``."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Put the subcommand `list` before what is not one."""
        if not args or args[0] not in (*self.commands, "-h", "--help"):
            args = ["list", *args]
        return super().parse_args(ctx, args)


@click.group(
    "imports",
    cls=_ListsByDefault,
    help="What came into the record by which import: list it, undo it, mend rows that were set aside, trace "
    "a number to file and line.\n\nWithout a subcommand the imports are listed, as by `drift imports list`; "
    "a number lists every file of that import.",
)
def command() -> None:
    """Manage imports."""


@command.command(
    "list",
    help="List the imports with their numbers, files and rows, the latest last.\n\n"
    "A number given to `drift imports undo` undoes that import; the number of an undoing brings back what it "
    "took out.  What was recorded by hand is no import: `drift record list` has that.",
)
@click.argument("number", required=False, type=int)
@pier_option
@click.option("--json", "as_json", is_flag=True, help="Print the list as one JSON document, with every file.")
def list_command(number: int | None, pier: str | None, as_json: bool) -> None:
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
    from drift.render.by_hand import reason_words
    from drift.render.phrases import clock_text

    counts = ", ".join(_counts(act))
    undone = f"  - undone by {', '.join(map(str, act.undone_by))}" if act.undone_by else ""
    reason = f"  ({reason_words(act.reason)})" if act.reason else ""
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
    from drift.render.by_hand import reason_words
    from drift.render.encode import named

    imports = [
        {
            **named(act, "number", "what", "time_us"),
            "reason": reason_words(act.reason),
            **named(act, "undone_by", "files"),
        }
        for act in done
    ]
    return {"format": "drift-imports", "version": 1, "imports": imports}


# ---- `drift imports undo`: take an import back, or bring back one that was undone.


_UNDONE_FILES_SHOWN = 10


@click.command(
    "undo",
    help="Undo the import with NUMBER, as `drift imports` lists it.\n\n"
    "Its rows leave the answer, but for those that another file still in force carries as well.  Nothing is "
    "lost: the number of the undoing, given to `drift imports undo` in turn, brings everything back, and so "
    "does importing the files again.  It happens wholly or not at all.",
)
@click.argument("number", type=int)
@click.option("--file", "file", default="", help="Only this file of the import, named as it is listed.")
@click.option("--reason", default="", help="Why, in your words; kept with it.")
@pier_option
def undo_command(number: int, file: str, reason: str, pier: str | None) -> None:
    """Undo, and print what left and what stayed."""
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
    return (
        f"In all {rows} left by undoing {number}.  `drift imports undo {done.number}` brings all of it back."
    )


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count:,} rows"


# ---- `drift imports origin`: which rows of which files a night's number came from.


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


# ---- `drift imports aside`: list, export, put back or dismiss rows that were set aside.


@click.group(
    "aside",
    help="Rows that could not be used are set aside, with the reason, and are never lost.  Export them, mend "
    "them in a spreadsheet or an editor, and put them back; or dismiss them.",
)
def aside_command() -> None:
    """Manage the rows set aside."""


@aside_command.command("list", help="List the rows set aside, and the values left out of rows that went in.")
@pier_option
@click.option("--json", "as_json", is_flag=True, help="Print the list as one JSON document.")
def listing(pier: str | None, as_json: bool) -> None:
    """Print the list."""
    from drift.api import open_record
    from drift.render.import_words import row_data, row_words

    with open_record(site_of(pier)) as record:
        asides = record.asides()
    if as_json:
        import json

        rows = [{"number": one.number, **row_data(one.row)} for one in asides]
        document = {"format": "drift-aside", "version": 1, "rows": rows}
        click.echo(json.dumps(document, indent=1, ensure_ascii=False))
        return
    if not asides:
        click.echo("Nothing is set aside.")
    for one in asides:
        remark = "  (only this value was left out; the row went in)" if one.row.row_kept else ""
        click.echo(f"{one.number:>5}  {one.row.file}, {row_words(one.row)}{remark}")


@aside_command.command(
    "export",
    help="Write the rows set aside into FOLDER, one file for each log, to be mended there.\n\n"
    "Each file has the header of its log and the rows as they came, with the row's number in front and the "
    "reason in a comment above it.  Mend the cells, leave the numbers, and give the files to `drift imports "
    "aside put-back`.  With numbers, only those rows are written.",
)
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.argument("numbers", nargs=-1, type=int)
@pier_option
def export(folder: Path, numbers: tuple[int, ...], pier: str | None) -> None:
    """Write files to mend."""
    from drift.api import open_record
    from drift.importer.mending import files_to_mend
    from drift.render.import_words import row_words

    with open_record(site_of(pier)) as record:
        files, others = files_to_mend(record.asides(numbers or None), row_words)
    there = [folder / one.name for one in files if (folder / one.name).exists()]
    if there:
        raise click.UsageError(
            f"{there[0]} is there already and may hold what you mended: move it away, or name another folder."
        )
    folder.mkdir(parents=True, exist_ok=True)
    for one in files:
        path = folder / one.name
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(one.text)
        click.echo(f"{path}: {_row_count(len(one.numbers))} to mend")
    if others:
        numbers_text = ", ".join(str(one.number) for one in others)
        click.echo(
            f"{_row_count(len(others))} of files that are no text with delimiters can't be mended this way "
            f"({numbers_text}): mend the file itself and import it again.",
            err=True,
        )
    if not files and not others:
        click.echo("Nothing is set aside.")


@aside_command.command(
    "put-back",
    help="Put the mended rows of files that `drift imports aside export` wrote into the record.\n\n"
    "Rows that are still not good stay set aside, with the reason.  Exit code 0 also then; 2 when a file is "
    "none that was exported.",
)
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path, readable=False))
@pier_option
def put_back(files: tuple[Path, ...], pier: str | None) -> None:
    """Put back what was mended."""
    from drift.api import open_record
    from drift.cli.import_logs import settler
    from drift.importer.mending import put_back_mended

    site = site_of(pier)
    with open_record(site) as record:
        settle = settler(site.path, "", (), yes=False)
        for path in files:
            _print_mended(put_back_mended(record, path, settle))


def _print_mended(done: Mended) -> None:
    from drift.render.import_words import not_taken_words

    by = "" if done.import_number is None else f" (import {done.import_number})"
    click.echo(f"{done.file}: {_row_count(len(done.put_back))} put back{by}")
    if done.before:
        was = "was" if len(done.before) == 1 else "were"
        click.echo(
            f"  {_row_count(len(done.before))} {was} put back before, by this very file; nothing is missing"
        )
    for one in done.still_bad:
        click.echo(f"  not put back: {not_taken_words(one)}")


@aside_command.command(
    "dismiss",
    help="Take rows off the list for good: they are not told again, whatever file brings them.",
)
@click.argument("numbers", nargs=-1, required=True, type=int)
@click.option("--reason", default="", help="Why, in your words; kept with it.")
@pier_option
def dismiss(numbers: Sequence[int], reason: str, pier: str | None) -> None:
    """Dismiss rows by their numbers."""
    from drift.api import open_record

    with open_record(site_of(pier)) as record:
        record.dismiss(numbers, reason)
    click.echo(f"{_row_count(len(set(numbers)))} dismissed.")


def _row_count(count: int) -> str:
    return "1 row" if count == 1 else f"{count:,} rows"


for _one in (undo_command, aside_command, origin_command):
    command.add_command(_one)
