"""`drift imports`: what came into the record by which import, and what was undone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import click

from drift.cli.options import pier_option, site_of

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from drift.book.imports import ActDone, FileInAct

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
    from drift.api import open_book
    from drift.errors import BookError
    from drift.show.times import zone_of

    site = site_of(pier)
    with open_book(site) as book:
        done = [one for one in book.imports() if number in (None, one.number)]
    if number is not None and not done:
        raise BookError(f"there is no import {number}; `drift imports` lists those there are.")
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
    from drift.show.times import clock_text

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

    from drift.show.times import utc_text

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
