"""Sections with sentences and tables, and how they are printed: on a terminal, or as plain text."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from drift.render import phrases
from drift.render.tables.axis import Table

if TYPE_CHECKING:
    from rich.console import Console


#: Greatest width, so that sentences stay readable on a wide terminal.
WIDEST = 100


class Tone(StrEnum):
    """The tone of a section or a headline; on a terminal each has a colour."""

    PLAIN = ""
    GOOD = "green"
    CARE = "yellow"
    ALARM = "bright_red"


@dataclass(frozen=True)
class Section:
    """A heading with items, each behind its mark, then a table, then a closing note.

    `name` is for selecting the section; without a heading none is printed.
    """

    heading: str
    items: tuple[tuple[str, str], ...] = ()  # (mark, sentence); an empty mark for a plain paragraph
    table: Table | None = None
    note: str = ""
    name: str = ""
    tone: Tone = Tone.PLAIN
    drawn: str = ""  # lines that are printed as they are, before the items

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing in it."""
        return not self.items and not self.drawn and (self.table is None or not self.table.rows)


@dataclass(frozen=True)
class Lead:
    """What comes before the sections: a title, what it is based on, and the headline's lines."""

    title: str
    note: str = ""
    lines: tuple[str, ...] = ()
    tone: Tone = Tone.PLAIN


def bulleted(sentences: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Return sentences as items behind a dash."""
    return tuple(("-", phrases.harmless(sentence)) for sentence in sentences)


def sections_text(lead: Lead, sections: Iterable[Section], width: int = 80) -> str:
    """Return sections as plain text of at most `width` columns."""
    from rich.console import Console

    written = io.StringIO()
    console = Console(file=written, width=width, force_terminal=False, color_system=None)
    print_sections(lead, sections, console)
    return "\n".join(line.rstrip() for line in written.getvalue().splitlines()) + "\n"


def print_sections(lead: Lead, sections: Iterable[Section], console: Console) -> None:
    """Print a lead and sections on a console, in its width but no wider than `WIDEST`."""
    from rich.text import Text

    width = min(console.width, WIDEST)
    console.print(Text(lead.title, style="bold"), width=width)
    if lead.note:
        console.print(Text(lead.note, style="dim"), width=width)
    for line in lead.lines:
        console.print(Text(line, style=f"bold {lead.tone}".strip()), width=width)
    for section in sections:
        _print_section(section, console, width)


def fitted(
    lead: Lead,
    sections: Sequence[Section],
    shorter: Callable[[Sequence[Section]], Sequence[Section] | None],
    width: int,
    lines: int,
) -> Sequence[Section]:
    """Return the sections, made `shorter` until they fit into some lines or it returns None."""
    while len(sections_text(lead, sections, width).splitlines()) > lines:
        less = shorter(sections)
        if less is None:
            break
        sections = less
    return sections


def _print_section(section: Section, console: Console, width: int) -> None:
    from rich.text import Text

    console.print()
    if section.heading:
        console.print(Text(section.heading.upper(), style=f"bold {section.tone}".strip()), width=width)
    for line in section.drawn.splitlines():
        console.print(Text(line), width=width, no_wrap=True, overflow="crop")
    _print_items(section.items, console, width)
    if section.table is not None and section.table.rows:
        _print_table(section.table, console, width)
    if section.note:
        console.print(Text(section.note, style="dim"), width=width)


def _print_items(items: Sequence[tuple[str, str]], console: Console, width: int) -> None:
    from rich.table import Table as Grid
    from rich.text import Text

    for mark, sentence in items:
        if not mark:
            console.print(Text(sentence), width=width)
            continue
        grid = Grid.grid(padding=(0, 1, 0, 0))
        grid.add_column(width=3, justify="right")
        grid.add_column(overflow="fold")
        grid.add_row(Text(mark), Text(sentence))
        console.print(grid, width=width)


def _print_table(table: Table, console: Console, width: int) -> None:
    from rich import box
    from rich.table import Table as Grid
    from rich.text import Text

    named = len(table.headings) > 2
    grid = Grid(
        box=box.SIMPLE_HEAD if named else None,
        show_header=named,
        show_edge=False,
        pad_edge=False,
        padding=(0, 1, 0, 0),
    )
    shown = [k for k in range(len(table.headings)) if any(row[k] for row in table.rows)]
    for k in shown:
        # numbers, dates and short first columns are never broken
        short = k in table.numeric or max(len(row[k]) for row in table.rows) <= 26
        grid.add_column(
            table.headings[k],
            justify="right" if k in table.numeric else "left",
            no_wrap=short,
            overflow="fold",
        )
    for row in table.rows:
        grid.add_row(*(Text(row[k]) for k in shown))
    console.print(grid, width=width)
