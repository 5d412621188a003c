"""How `drift import` talks about tables with columns of their own: questions, proposals, agreement."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from drift.logs.preview import Preview
    from drift.logs.proposal import Proposal, Question
    from drift.logs.settle import Settler
    from drift.logs.table import RawTable


def settler(site_file: Path | None, mapping: str, answers: Sequence[str], yes: bool) -> Settler:
    """Return what settles how tables with columns of their own are read.

    Raises
    ------
    click.UsageError
        If an answer is not KEY=VALUE.
    drift.errors.LogFileError
        If the kept mappings can't be read.
    """
    from drift.logs.mapping_file import MappingFile
    from drift.logs.settle import Settler

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
        _say_yes if yes else agree_at_terminal if person else None,
    )


def _is_terminal() -> bool:
    return sys.stdin.isatty() and sys.stderr.isatty()


def ask_person(table: RawTable, question: Question) -> str:
    """Ask a question with numbered choices; the answer may be a number or a choice itself."""
    click.echo(f"{table.name}: {question.words}", err=True)
    for number, choice in enumerate(question.choices, 1):
        click.echo(f"  {number}  {choice.answer}{f'  ({choice.words})' if choice.words else ''}", err=True)
    known = {choice.answer.lower(): choice.answer for choice in question.choices}
    while True:
        said = click.prompt("  number" + (" or another answer" if question.free else ""), err=True).strip()
        if said.isdigit() and 1 <= int(said) <= len(question.choices):
            return question.choices[int(said) - 1].answer
        if said.lower() in known:
            return known[said.lower()]
        if question.free and said and not said.isdigit():
            return str(said)
        click.echo(f"  Write a number from 1 to {len(question.choices)}.", err=True)


def agree_at_terminal(table: RawTable, proposal: Proposal, preview: Preview, name: str) -> str:
    """Show a proposal and ask whether to read the table so; returns the name to keep it under, or ""."""
    click.echo(f"{table.name} can be read so:\n{preview.words(proposal)}", err=True)
    if not click.confirm("Read it so?", default=False, err=True):
        return ""
    said = click.prompt("Keep this for files with the same header under the name", default=name, err=True)
    return str(said).strip() or name


def _say_yes(table: RawTable, proposal: Proposal, preview: Preview, name: str) -> str:
    """Show a proposal and take it."""
    click.echo(f"{table.name} is read so:\n{preview.words(proposal)}", err=True)
    return name
