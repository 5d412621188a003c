"""`drift record check`, `export`, `backup`, `restore`: keeping the record sound and safe."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from drift.cli.options import pier_option, site_of, working

if TYPE_CHECKING:
    from drift.record.keeping import Soundness

_ROWS_SHOWN = 20


@click.command(
    "check",
    short_help="Check that the record is sound.",
    help="Hold the record against itself: the database's own check, each row against its digest, and what "
    "is kept to save work.\n\n"
    "Exit code 0 when it is sound, 2 when it is damaged.  What is kept can always be worked out again, so "
    "that "
    "damage there is mended by --clear-cache and is no loss.",
)
@click.option("--clear-cache", is_flag=True, help="Let go of all kept answers and pieces of work.")
@pier_option
@click.pass_context
def check_command(ctx: click.Context, clear_cache: bool, pier: str | None) -> None:
    """Print whether the record is sound."""
    from drift.api import open_record
    from drift.record.keeping import check

    with open_record(site_of(pier)) as record:
        if clear_cache:
            click.echo(f"{record.clear_cache():,} kept answers and pieces of work were let go of.")
        with working("Checking the record"):
            found = check(record)
        words = record.words
    for line in _lines(found):
        click.echo(line)
    if found.sound:
        click.echo(f"The record {words} is sound: {_rows(found.rows)}, each as it was written.")
        return
    click.echo(
        f"drift: the record {words} is damaged, as listed above.  Answers rest on the rows that are whole.  "
        "`drift "
        "restore FILE` puts a backup in its place and keeps this one beside it; without one, move it away "
        "and import "
        "the logs again, after `drift record export FOLDER` has saved what was typed by hand.",
        err=True,
    )
    ctx.exit(2)


def _lines(found: Soundness) -> list[str]:
    lines = [f"The database says: {fault}" for fault in found.faults]
    places = [f"{file}, line {line}" if line else file for file, line in found.changed]
    lines += [f"Changed since it was written: {place}" for place in places[:_ROWS_SHOWN]]
    if len(places) > _ROWS_SHOWN:
        lines.append(f"... and {len(places) - _ROWS_SHOWN:,} more rows")
    if found.missing:
        lines.append(f"{_rows(found.missing)} can't be found any more.")
    if found.cache_damaged:
        lines.append(
            f"{found.cache_damaged:,} kept answers or pieces of work are damaged; they don't count and are "
            "worked out "
            "again.  --clear-cache lets go of all of them."
        )
    return lines


@click.command(
    "export",
    short_help="Write what was typed by hand as logs that can be imported.",
    help="Write what was typed by hand into FOLDER as logs that can be imported again: corrections.csv, "
    "levels.csv and alignments.csv.\n\n"
    "They hold every correction, level reading and typed alignment error that counts, with its note, also "
    "those of "
    "logs that were imported.  `drift import` reads them back into a new record, and adds nothing to this "
    "one.",
)
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@pier_option
def export_command(folder: Path, pier: str | None) -> None:
    """Write one file for each kind."""
    from drift.api import open_record
    from drift.importer.by_hand import typed_tables

    with open_record(site_of(pier)) as record:
        tables = typed_tables(record)
    there = [folder / f"{kind}.csv" for kind in tables if (folder / f"{kind}.csv").exists()]
    if there:
        raise click.UsageError(f"{there[0]} is there already: move it away, or name another folder.")
    if not tables:
        click.echo("Nothing was typed by hand so far.")
        return
    folder.mkdir(parents=True, exist_ok=True)
    for kind, (text, rows) in tables.items():
        with (folder / f"{kind}.csv").open("x", encoding="utf-8", newline="") as file:
            file.write(text)
        click.echo(f"{folder / f'{kind}.csv'}: {_rows(rows)}")


@click.command(
    "backup",
    short_help="Write a checked copy of the whole record.",
    help="Write the whole record into FILE as it is now, also while a page or an import is at work.  Of a "
    "database on a server it is this pier's rows, as a record in a file.\n\n"
    "A plain copy of the record's file may lack the last rows; this one does not.  The copy is checked "
    "before it "
    "gets its name.  `drift restore FILE` puts it back.  The site file pier.toml and logs.toml are plain "
    "text "
    "beside the record: copy them as well.",
)
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--replace", "replaced", is_flag=True, help="Write over an earlier backup, when this one is sound."
)
@pier_option
@click.pass_context
def backup_command(ctx: click.Context, file: Path, replaced: bool, pier: str | None) -> None:
    """Write a backup."""
    from drift.api import open_record
    from drift.record.keeping import backup

    with open_record(site_of(pier)) as record, working("Copying the record"):
        found = backup(record, file, replaced)
    click.echo(f"{file}: {_rows(found.rows)} of the record, {'checked' if found.sound else 'damaged'}.")
    if not found.sound:
        for line in _lines(found):
            click.echo(line)
        click.echo("drift: the record is damaged, and its backup as well; keep the earlier ones.", err=True)
        ctx.exit(2)


@click.command(
    "restore",
    short_help="Put a backup in the record's place.",
    help="Put the backup in FILE in the record's place.\n\n"
    "What the record held until now is kept beside it under a name that says when.  The backup must be of "
    "this "
    "pier and sound, or nothing is changed.  A page that is running goes on with what was restored.",
)
@click.argument("file", type=click.Path(path_type=Path))
@pier_option
def restore_command(file: Path, pier: str | None) -> None:
    """Restore a backup."""
    from drift.record.keeping import restore
    from drift.render.phrases import clock_text, zone_of

    site = site_of(pier)
    with working("Restoring the record"):
        done = restore(site, file)
    last = ""
    if done.last_change_us is not None:
        last = f", the last that came in on {clock_text(done.last_change_us, zone_of(site.site.timezone))}"
    click.echo(f"Restored {_rows(done.rows)} from {file}{last}.")
    if done.kept is not None:
        click.echo(f"What the record held before is kept as {done.kept}.")


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count:,} rows"
