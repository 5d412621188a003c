"""A sample of a table read by an uncertain mapping, to check it against the sky."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from drift.ingest.mapping import Decisions, Mapping
from drift.ingest.row_check import Circumstances
from drift.ingest.sky_evidence import (
    BELOW_DEG,
    FrameShare,
    Numbers,
    azimuth_altitude_deg,
    frame_share,
    hour_angle_rad,
    outline_deg,
)
from drift.ingest.text import Heading, RawCells, RawTable, Rows
from drift.ingest.translate import Plan, as_texts, finish, gather
from drift.ingest.values import ON, Ready, TubeSide
from drift.notices import MappingCode, Notice, info

# ---- A sample of rows, spread over a table.


#: Most rows of a sample.
SAMPLE_ROWS = 2_000


@dataclass(frozen=True)
class TableSample:
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


def sample_of(table: RawTable) -> TableSample:
    """Take a sample of a table's rows, in pairs of neighbours where it is thinned."""
    parts = list(_thinned(table))
    if not parts:
        return TableSample(
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
    return TableSample(
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


# ---- What a guess about a table rests on.


@dataclass(frozen=True)
class Known:
    """A table, a sample of it, the site, and answers and decisions so far."""

    table: RawTable
    sample: TableSample
    around: Circumstances
    decisions: Decisions
    slips: dict[str, str] = field(default_factory=dict)  # our column -> its name with a slip

    @property
    def is_own(self) -> bool:
        """Whether the columns are our own except for slips in their names."""
        return bool(self.slips)

    def example(self, at: int) -> Notice:
        """Return a cell of a column as an example, "" where all are blank."""
        given = self.sample.given(at)
        return info(MappingCode.CELL, cell=given[0] if given else "")


# ---- A sample read by an uncertain mapping, checked against the sky.


#: Least rows for evidence by the horizon and the hour angle.
_FEW = 6
#: Nearer to the meridian than this [rad] the tube may be on either side; farther than that it is not turned.
_MERIDIAN_RAD = 0.1
#: How far above a place the outline of trees must be to hide it [deg].
_BEHIND_DEG = 3.0
_FIRST_US, _LAST_US = (int(np.datetime64(f"{year}-01-01", "us").astype(np.int64)) for year in (1990, 2060))


@dataclass(frozen=True)
class Trial:
    """Our columns of a sample."""

    columns: dict[str, Ready] = field(repr=False)
    good: npt.NDArray[np.bool_] = field(repr=False)
    around: Circumstances

    @classmethod
    def of(cls, sample: TableSample, mapping: Mapping, around: Circumstances) -> Trial:
        """Read a sample; a column of sides as if it gave the side that the tube is on."""
        if "tube_side" in mapping.columns:
            side = replace(mapping.columns["tube_side"], means=ON)
            mapping = replace(mapping, columns={**mapping.columns, "tube_side": side})
        gathered = gather([sample.rows], Plan.of(mapping, sample.headings, sample.decimal))
        columns = gathered.columns
        refused = finish(columns, mapping, around)
        good = np.ones(len(gathered.raws), dtype=bool)
        for name in ("time_utc", "ra_deg", "dec_deg", "mount_ra_deg", "mount_dec_deg"):
            if name in columns:
                good &= ~(columns[name].bad | columns[name].blank)
        for _, rows in refused:
            good &= ~rows
        us = np.asarray(columns["time_utc"].values)
        good &= (us > _FIRST_US) & (us < _LAST_US)
        for name in ("dec_deg", "mount_dec_deg"):
            if name in columns:
                good &= np.abs(np.nan_to_num(np.asarray(columns[name].values), nan=99.0)) <= 90.0
        return cls(columns, good, around)

    def of_column(self, name: str) -> Numbers:
        """Return the good values of a column."""
        return np.asarray(self.columns[name].values)[self.good]

    def below(self) -> float | None:
        """Return the share of the rows below the horizon, None where there are too few or no places."""
        if "ra_deg" not in self.columns or "dec_deg" not in self.columns or self.good.sum() < _FEW:
            return None
        around = self.around
        azimuth, altitude = azimuth_altitude_deg(
            around.latitude_deg,
            around.longitude_deg,
            self.of_column("time_utc").astype(np.int64),
            self.of_column("ra_deg"),
            self.of_column("dec_deg"),
        )
        lowest = outline_deg(around.horizon_deg, azimuth) - _BEHIND_DEG if around.horizon_deg else BELOW_DEG
        return float(np.mean(altitude < np.maximum(lowest, BELOW_DEG)))

    def frames(self) -> FrameShare:
        """Return the share of precession in the mount's places minus the solved ones."""
        names = ("ra_deg", "dec_deg", "mount_ra_deg", "mount_dec_deg")
        if not set(names) <= set(self.columns):
            return FrameShare(np.nan, np.inf)
        us = self.of_column("time_utc").astype(np.int64)
        return frame_share(self.around.longitude_deg, us, *(self.of_column(name) for name in names))

    def sides_agree(self) -> float | None:
        """Return the share of the rows in which a tube on the given side looks across the pier.

        On the east side it then looks west, where the hour angle is positive.
        """
        if "ra_deg" not in self.columns or "tube_side" not in self.columns:
            return None
        us = self.of_column("time_utc").astype(np.int64)
        hour_angle = hour_angle_rad(self.around.longitude_deg, us, self.of_column("ra_deg"))
        texts = np.array(self.columns["tube_side"].values, dtype=object)[self.good]
        with_side = ((texts == TubeSide.EAST) | (texts == TubeSide.WEST)) & (
            np.abs(hour_angle) > _MERIDIAN_RAD
        )
        if with_side.sum() < _FEW:
            return None
        return float(np.mean((texts[with_side] == TubeSide.EAST) == (hour_angle[with_side] > 0.0)))
