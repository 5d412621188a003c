"""Some rows of a table, spread over it: what a guess about its columns rests on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from drift.logs.table import Heading, RawCells, RawTable, Rows
from drift.logs.translate import as_texts

#: So many rows at most.
SAMPLE_ROWS = 2_000


@dataclass(frozen=True)
class Sample:
    """Rows of a table in their order."""

    headings: tuple[Heading, ...]
    rows: Rows = field(repr=False)
    decimal: str

    def texts(self, position: int) -> list[str]:
        """Return the cells of a column as text."""
        return as_texts(self.rows.cells[position])

    def given(self, position: int) -> list[str]:
        """Return the cells of a column that are not blank."""
        return [cell for cell in self.texts(position) if cell]

    def numbers(self, position: int) -> np.ndarray:
        """Return the cells of a column that are plain numbers, as numbers."""
        cells = self.rows.cells[position]
        if isinstance(cells, np.ndarray):
            return cells[np.isfinite(cells)]
        found = []
        for cell in cells:
            try:
                found.append(float(cell.replace(",", ".") if self.decimal == "," else cell))
            except ValueError:
                continue
        return np.array([number for number in found if np.isfinite(number)], dtype=np.float64)

    def are_numbers(self, position: int) -> bool:
        """Tell whether nearly all cells of a column are plain numbers."""
        given = len(self.given(position))
        return given > 0 and len(self.numbers(position)) >= 0.8 * given


def sample_of(table: RawTable) -> Sample:
    """Take a sample of a table's rows, in pairs of neighbours where others are left out."""
    parts = list(_thinned(table))
    if not parts:
        return Sample(
            table.headings, Rows([[] for _ in table.headings], np.zeros(0, np.int64), []), table.decimal
        )
    cells: list[RawCells] = []
    for column in range(len(table.headings)):
        pieces = [part.cells[column] for part in parts]
        if isinstance(pieces[0], np.ndarray):
            cells.append(np.concatenate(pieces))
        else:
            cells.append([cell for piece in pieces for cell in piece])
    lines = np.concatenate([part.lines for part in parts])
    return Sample(
        table.headings, Rows(cells, lines, [raw for part in parts for raw in part.raws]), table.decimal
    )


def _thinned(table: RawTable) -> Iterator[Rows]:
    total = sum(len(part.raws) for part in table.parts)
    step = max(total // SAMPLE_ROWS, 1)
    for part in table.parts:
        pairs = np.arange(0, len(part.raws), 2 * step)
        rows = np.unique(np.concatenate([pairs, pairs + 1])) if step > 1 else np.arange(len(part.raws))
        chosen = rows[rows < len(part.raws)].tolist()
        cells = [
            one[chosen] if isinstance(one, np.ndarray) else [one[at] for at in chosen] for one in part.cells
        ]
        yield Rows(cells, part.lines[chosen], [part.raws[at] for at in chosen])
