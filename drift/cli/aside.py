"""`drift aside`: the rows that were set aside: list, export, put back what was mended, dismiss."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drift.cli.options import pier_option, site_of

if TYPE_CHECKING:
    from drift.importer.mending import Mended


@click.group(
    "aside",
    help="Rows that could not be used are set aside, with the reason, and are never lost.  Export them, mend "
    "them in a spreadsheet or an editor, and put them back; or dismiss them.",
)
def command() -> None:
    """Deal with the rows set aside."""


@command.command("list", help="List the rows set aside, and the values left out of rows that went in.")
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
        kept = "  (only this value was left out; the row went in)" if one.row.row_kept else ""
        click.echo(f"{one.number:>5}  {one.row.file}, {row_words(one.row)}{kept}")


@command.command(
    "export",
    help="Write the rows set aside into FOLDER, one file for each log, to be mended there.\n\n"
    "Each file has the header of its log and the rows as they came, with the row's number in front and the "
    "reason in a comment above it.  Mend the cells, leave the numbers, and give the files to `drift aside "
    "put-back`.  With numbers, only those rows are written.",
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
        click.echo(f"{path}: {_rows(len(one.numbers))} to mend")
    if others:
        numbers_text = ", ".join(str(one.number) for one in others)
        click.echo(
            f"{_rows(len(others))} of files that are no text with delimiters can't be mended this way "
            f"({numbers_text}): mend the file itself and import it again.",
            err=True,
        )
    if not files and not others:
        click.echo("Nothing is set aside.")


@command.command(
    "put-back",
    help="Put the mended rows of files that `drift aside export` wrote into the record.\n\n"
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
            _tell(put_back_mended(record, path, settle))


def _tell(done: Mended) -> None:
    from drift.render.import_words import not_taken_words

    by = "" if done.import_number is None else f" (import {done.import_number})"
    click.echo(f"{done.file}: {_rows(len(done.put_back))} put back{by}")
    for one in done.still_bad:
        click.echo(f"  not put back: {not_taken_words(one)}")


@command.command(
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
    click.echo(f"{_rows(len(set(numbers)))} dismissed.")


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count:,} rows"
