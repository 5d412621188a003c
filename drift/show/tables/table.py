"""A table of text: what every table of the words and of the report is made of."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Table:
    """A title, column headings and rows of text; `numeric` names the columns set to the right."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()
    note: str = ""

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row) != len(self.headings):
                raise ValueError(f"table {self.title!r}: row {row!r} has not {len(self.headings)} cells")
