"""`drift import`: log files and folders into the record, with questions about unknown columns."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from drift.cli.options import pier_option, site_of

if TYPE_CHECKING:
    from drift.importer.importing import FileImported, FilePassedOver, FileRefused, FilesFound, Progress
    from drift.ingest.mapping import Proposal, Question
    from drift.ingest.read import Settle
    from drift.ingest.settle import Preview, Settler
    from drift.ingest.text import RawTable
    from drift.readings import RowSetAside
    from drift.record.record import Record


# ---- Questions and proposals about tables with columns of their own.


def settler(site_file: Path | None, mapping: str, answers: Sequence[str], yes: bool) -> Settler:
    """Return the settler of tables with other columns than ours.

    Raises
    ------
    click.UsageError
        If an answer is not KEY=VALUE.
    drift.errors.LogFileError
        If the stored mappings can't be read.
    """
    from drift.ingest.mapping import MappingFile
    from drift.ingest.settle import Settler

    given: dict[str, str] = {}
    for answer in answers:
        key, equals, value = answer.partition("=")
        if not equals or not key.strip() or not value.strip():
            raise click.UsageError(f"--answer {answer!r} is not KEY=VALUE, such as time.zone=Europe/Berlin.")
        given[key.strip()] = value.strip()
    person = _is_terminal()
    return Settler(
        MappingFile.beside(site_file or Path("pier.toml")),
        given,
        mapping,
        ask_person if person else None,
        _accept if yes else agree_at_terminal if person else None,
    )


@contextmanager
def _or_stop() -> Iterator[None]:
    """Let a person who interrupts a question end the whole command, not only that file."""
    try:
        yield
    except click.Abort as abort:
        raise KeyboardInterrupt from abort


def _is_terminal() -> bool:
    return sys.stdin.isatty() and sys.stderr.isatty()


def ask_person(table: RawTable, question: Question) -> str:
    """Ask a question with numbered choices; the answer may be a number or a choice itself."""
    from drift.render.column_words import choice_words, question_words

    click.echo(f"{table.name}: {question_words(question)}", err=True)
    for number, choice in enumerate(question.choices, 1):
        means = choice_words(choice)
        click.echo(f"  {number}  {choice.answer}{f'  ({means})' if means else ''}", err=True)
    known = {choice.answer.lower(): choice.answer for choice in question.choices}
    while True:
        with _or_stop():
            reply = click.prompt(
                "  number" + (" or another answer" if question.free else ""), err=True
            ).strip()
        if reply.isdigit() and 1 <= int(reply) <= len(question.choices):
            return question.choices[int(reply) - 1].answer
        if reply.lower() in known:
            return known[reply.lower()]
        if question.free and reply and not reply.isdigit():
            return str(reply)
        click.echo(f"  Write a number from 1 to {len(question.choices)}.", err=True)


def agree_at_terminal(table: RawTable, proposal: Proposal, preview: Preview, name: str) -> str:
    """Show a proposal and ask whether to accept it; returns the name to keep it under, or ""."""
    from drift.render.column_words import proposal_words

    click.echo(f"{table.name} can be read so:\n{proposal_words(proposal, preview)}", err=True)
    with _or_stop():
        if not click.confirm("Read it so?", default=False, err=True):
            return ""
        reply = click.prompt(
            "Keep this for files with the same header under the name", default=name, err=True
        )
    return str(reply).strip() or name


def _accept(table: RawTable, proposal: Proposal, preview: Preview, name: str) -> str:
    """Show a proposal and accept it."""
    from drift.render.column_words import proposal_words

    click.echo(f"{table.name} is read so:\n{proposal_words(proposal, preview)}", err=True)
    return name


# ---- `drift import`: log files and folders into the record; what was set aside, now or later.


#: Size of all files together from which on an import shows a progress bar [bytes].
_LONG_BYTES = 1_500_000
#: The work on one image header, as the size of a table that takes as long [bytes].
_HEADER_BYTES = 12_000
_REASONS_SHOWN = 3
#: More files than this without anything new share one line.
_KNOWN_SHOWN = 3
_WIDTH = 100


class _FileOrFolder(click.Path):
    """A path; an empty one, as from an unset variable, does not mean the present folder."""

    def __init__(self) -> None:
        super().__init__(path_type=Path, readable=False)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if value == "":
            self.fail("an empty name is no file or folder; write . for the folder you are in.", param, ctx)
        return super().convert(value, param, ctx)


@click.command(
    "import",
    help="Read log files, or all tables (.csv, .tsv, .ecsv, .vot, .jsonl) and plate-solved FITS images in "
    "folders, into the record.\n\n"
    "The kind of each log is recognised by its header.  Importing a file again, or one that overlaps, adds "
    "nothing.  Rows that can't be used are set aside and listed; the rest of the file goes in.  Exit code 0 "
    "also when rows were set aside; 2 when a file could not be read at all (the others still go in).\n\n"
    "A table with other columns is asked about at a terminal; in a script, --answer and --yes say how to "
    "read it.  What was agreed to is kept in logs.toml beside the site file, so that it is asked only "
    "once.\n\nOf images only the headers are read, and all images in one folder are one log.",
)
@click.argument("paths", nargs=-1, type=_FileOrFolder(), metavar="FILE-OR-FOLDER...")
@pier_option
@click.option("--set-aside", "list_set_aside", is_flag=True, help="List all rows set aside so far, and why.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as one JSON document.")
@click.option(
    "--mapping", default="", metavar="NAME", help="Read by this part of logs.toml, or keep a new one."
)
@click.option("--answer", "answers", multiple=True, metavar="KEY=VALUE", help="Answer a question beforehand.")
@click.option("--yes", is_flag=True, help="Take the proposed way to read a table with columns of its own.")
@click.pass_context
def command(
    ctx: click.Context,
    paths: tuple[Path, ...],
    pier: str | None,
    list_set_aside: bool,
    as_json: bool,
    mapping: str,
    answers: tuple[str, ...],
    yes: bool,
) -> None:
    """Import files and folders, or list what was set aside."""
    if list_set_aside == bool(paths):
        raise click.UsageError(
            "give files or folders to import, or --set-aside alone to list what was set aside."
        )

    from drift.api import open_record
    from drift.importer.importing import find_logs

    site = site_of(pier)
    with open_record(site) as record:
        if list_set_aside:
            _print_set_aside(record, as_json)
        else:
            settle = settler(site.path, mapping, answers, yes)
            ctx.exit(_import(record, find_logs(paths, site.path), as_json, settle))


def _import(record: Record, found: FilesFound, as_json: bool, settle: Settle) -> int:
    """Import, print the outcome, and return the exit code."""
    from drift.importer.importing import FileImported, FilePassedOver, FileRefused, import_found
    from drift.render.by_hand import known_words
    from drift.render.import_words import error_words, passed_over_words

    outcomes: list[FileImported | FileRefused | FilePassedOver] = []
    try:
        with _bar(found) as progress:
            for outcome in import_found(record, found, progress, settle):
                outcomes.append(outcome)
    finally:  # what went in before a disk was full is printed as well
        known = [one for one in outcomes if isinstance(one, FileImported) and one.is_known]
        quiet = known if len(known) > _KNOWN_SHOWN else []
        for one in outcomes:
            if isinstance(one, FileRefused):
                click.echo(f"drift: {error_words(one.error)}", err=True)
            elif isinstance(one, FilePassedOver):
                if one.lists and not as_json:
                    click.echo(textwrap.fill(passed_over_words(one), _WIDTH, break_on_hyphens=False))
            elif not as_json and not (quiet and one.is_known):
                click.echo("\n".join(_file_lines(one)))
        if quiet and not as_json:
            click.echo(known_words(quiet))
    imported = [one for one in outcomes if isinstance(one, FileImported)]
    refused = [one for one in outcomes if isinstance(one, FileRefused)]
    passed = (one.path for one in outcomes if isinstance(one, FilePassedOver))
    found = replace(found, skipped=(*found.skipped, *passed))
    if as_json:
        _print_json(_as_mapping(imported, refused, found))
    else:
        click.echo(_summary(imported, refused, found))
    return 2 if refused else 0


def _file_lines(one: FileImported) -> Iterator[str]:
    from drift.render.by_hand import counts_words, left_out_words
    from drift.render.column_words import KIND_WORDS
    from drift.render.notices import sentence

    yield f"{one.file}: {KIND_WORDS[one.kind]} ({sentence(one.why)})"
    yield f"  {counts_words(one)}"
    yield from _first_reasons(one.set_aside)
    if one.left_out:
        yield f"  {left_out_words(one)}"
        yield from _first_reasons(one.left_out)
    for remark in one.remarks:
        yield textwrap.fill(
            f"Note: {sentence(remark)}.",
            _WIDTH,
            initial_indent="  ",
            subsequent_indent="  ",
            break_on_hyphens=False,
        )


def _first_reasons(rows: tuple[RowSetAside, ...]) -> Iterator[str]:
    from drift.render.import_words import row_words

    for row in rows[:_REASONS_SHOWN]:
        yield f"    {row_words(row)}"
    if len(rows) > _REASONS_SHOWN:
        yield f"    ... and {len(rows) - _REASONS_SHOWN:,} more"


def _summary(imported: list[FileImported], refused: list[FileRefused], found: FilesFound) -> str:
    from drift.render.by_hand import counted

    parts = [
        f"{counted(sum(one.went_in for one in imported), 'row', 'rows')} went in from "
        f"{counted(len(imported), 'file', 'files')}"
    ]
    there = sum(one.already_there for one in imported)
    if there:
        parts.append(counted(there, "was there already", "were there already"))
    aside = sum(len(one.set_aside) for one in imported)
    left_out = sum(len(one.left_out) for one in imported)
    if aside:
        parts.append(counted(aside, "was set aside", "were set aside"))
    text = f"In all: {', '.join(parts)}."
    if aside or left_out:
        text += "  `drift import --set-aside` lists every row set aside and every value left out."
    if found.skipped:
        text += f"  {counted(len(found.skipped), 'other file', 'other files')} in the folders passed over."
    for folder in found.others:
        text += f"  {folder} has a site file of its own, so it is another pier's and was passed over."
    if refused:
        text += f"  {counted(len(refused), 'file was', 'files were')} refused, as said above."
    return textwrap.fill(text, _WIDTH, break_on_hyphens=False)


def _print_set_aside(record: Record, as_json: bool) -> None:
    from drift.render.import_words import row_data, row_words

    rows = record.set_aside_rows()
    if as_json:
        _print_json({"format": "drift-set-aside", "version": 1, "rows": [row_data(row) for row in rows]})
        return
    if not rows:
        click.echo("Nothing has been set aside.")
    for row in rows:
        remark = "  (only this value was left out; the row went in)" if row.row_kept else ""
        click.echo(f"{row.file}, {row_words(row)}{remark}")


def _as_mapping(
    imported: list[FileImported], refused: list[FileRefused], found: FilesFound
) -> dict[str, Any]:
    from drift.render.import_words import error_words

    return {
        "format": "drift-import",
        "version": 1,
        "went_in": sum(one.went_in for one in imported),
        "already_there": sum(one.already_there for one in imported),
        "set_aside": sum(len(one.set_aside) for one in imported),
        "files": [_file_mapping(one) for one in imported],
        "refused": [{"file": one.file, "reason": error_words(one.error)} for one in refused],
        "passed_over": [str(path) for path in (*found.skipped, *found.others)],
    }


def _file_mapping(one: FileImported) -> dict[str, Any]:
    from drift.render.encode import named, plain
    from drift.render.import_words import row_data
    from drift.render.notices import sentence

    return {
        **named(one, "file", "kind"),
        "why": sentence(one.why),
        **named(one, "went_in", "already_there", "twice_in_file"),
        "set_aside": [row_data(row) for row in one.set_aside],
        "left_out": [row_data(row) for row in one.left_out],
        "remarks": [sentence(one) for one in one.remarks],
        "notices": plain(one.remarks),
    }


def _print_json(mapping: dict[str, Any]) -> None:
    import json

    click.echo(json.dumps(mapping, indent=1, ensure_ascii=False, allow_nan=False))


@contextmanager
def _bar(found: FilesFound) -> Iterator[Progress | None]:
    """Show a progress bar on a terminal when the files are large."""
    sizes = _sizes(found)
    if sum(sizes.values()) < _LONG_BYTES:
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress as Bar

    console = Console(stderr=True)
    if not console.is_terminal:
        yield None
        return
    with Bar(console=console, transient=True, redirect_stdout=False) as bar:
        task = bar.add_task("importing", total=sum(sizes.values()))
        began = dict(zip(sizes, _sums_before(sizes.values()), strict=True))

        def progress(file: str, done: int, rows: int) -> None:
            at = began.get(file, 0) + sizes.get(file, 0) * done / max(rows, 1)
            bar.update(task, completed=at, description=Path(file).name)

        yield progress


def _sizes(found: FilesFound) -> dict[str, int]:
    """Return the bytes to read of each log; of an image only its header is read."""
    sizes = {str(path): path.stat().st_size for path in found.logs if path.is_file()}
    if found.images:
        from drift.ingest.fits_images import by_folder, named

        sizes |= {named(some)[0]: len(some) * _HEADER_BYTES for some in by_folder(found.images)}
    return sizes


def _sums_before(sizes: Iterable[int]) -> Iterator[int]:
    total = 0
    for size in sizes:
        yield total
        total += size
