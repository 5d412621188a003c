"""A sample of a table read by a mapping that is still in doubt, to see what the sky says of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from drift.ingest.cells import Circumstances
from drift.ingest.mapping import Decisions, Mapping
from drift.ingest.places import BELOW_DEG, altitude_deg, hour_angle_rad
from drift.ingest.text import Heading, RawCells, RawTable, Rows
from drift.ingest.translate import Plan, as_texts, finish, gather
from drift.ingest.values import ON, US_PER_DAY, Ready, TubeSide

# ---- Whether the mount's places and the solved ones are in the frames that a file says, by their
# differences.
#
# Precession since 2000 has moved places by a third of a degree by 2026, in a pattern over right ascension;
# what a mount's pointing errors do depends on the hour angle instead, and the zeros of a night are the same
# all over the sky.  So the share of that pattern in the differences tells the frames apart: 1 when
# the mount's
# places are of date and the solved ones ICRS, as they should be, 0 when both are in one frame, -1 when they
# are exchanged.


Numbers = npt.NDArray[np.float64]


class FrameVerdict(StrEnum):
    """What precession tells of the frames of a file's places."""

    RIGHT = "right"  # the mount's of date, the solved ones ICRS
    ONE_FRAME = "one frame"
    EXCHANGED = "exchanged"
    UNKNOWN = "unknown"


#: The share must be known to this (one standard deviation) and lie this near to a whole number.
_KNOWN = 0.1
_NEAR = 0.3
_SHARES = ((FrameVerdict.RIGHT, 1.0), (FrameVerdict.ONE_FRAME, 0.0), (FrameVerdict.EXCHANGED, -1.0))
_FEW_ROWS = 8
#: So many nights, spread over the file, are looked at, and so many rows of them.
_NIGHTS_LOOKED_AT = 100
_ROWS_LOOKED_AT = 2_000
#: Differences beyond this many robust standard deviations are not counted; passes of that.
_WILD = 3.0
_PASSES = 4
#: The differences of a night hang together, so that the scatter alone is too sure.
_CAUTION = 2.0
#: Nearer to the pole than this [deg] right ascension says little.
_POLAR_DEG = 80.0


@dataclass(frozen=True)
class FrameShare:
    """The share of precession in the mount's places minus the solved ones."""

    share: float
    sd: float

    @property
    def verdict(self) -> FrameVerdict:
        """What it tells."""
        if not self.sd < _KNOWN:
            return FrameVerdict.UNKNOWN
        for verdict, share in _SHARES:
            if abs(self.share - share) < _NEAR:
                return verdict
        return FrameVerdict.UNKNOWN


def frame_share(
    longitude_deg: float,
    time_us: npt.NDArray[np.int64],
    ra_deg: Numbers,
    dec_deg: Numbers,
    mount_ra_deg: Numbers,
    mount_dec_deg: Numbers,
) -> FrameShare:
    """Find the share of precession in the mount's places minus the solved ones.

    By least squares over all rows: the share, zeros of both coordinates a night, the two errors of the axis,
    and a step in both coordinates at the meridian (the tube side).  To first order a_alt and a_az of the axis
    give dD = a_alt cos H - a_az sin H and dH cos D = sin D (a_alt sin H + a_az cos H).

    Parameters
    ----------
    longitude_deg
        Of the site [deg], east positive.
    time_us
        (n,) UTC [us].
    ra_deg, dec_deg, mount_ra_deg, mount_dec_deg
        (n,) places as the file gives them [deg].
    """
    from drift.sky.of_date import apparent_place

    night = _night(time_us, longitude_deg)
    nights = np.unique(night)
    nights = nights[:: -(-len(nights) // _NIGHTS_LOOKED_AT) or 1]
    rows = np.flatnonzero((np.abs(dec_deg) < _POLAR_DEG) & np.isin(night, nights))
    rows = rows[:: -(-len(rows) // _ROWS_LOOKED_AT) or 1]
    if rows.size < _FEW_ROWS:
        return FrameShare(np.nan, np.inf)
    us, ra, dec = time_us[rows], ra_deg[rows], dec_deg[rows]
    date_ra, date_dec = apparent_place(us, ra, dec)
    across = np.cos(np.radians(dec))
    seen = np.concatenate([_turn(mount_ra_deg[rows] - ra) * across, mount_dec_deg[rows] - dec])
    pattern = np.concatenate([_turn(date_ra - ra) * across, date_dec - dec])
    hour_angle = hour_angle_rad(longitude_deg, us, ra)
    design = np.column_stack([pattern, _others(hour_angle, np.radians(dec))])
    return _share(design, seen, _Zeros.of(night[rows], np.radians(dec)))


def _night(time_us: npt.NDArray[np.int64], longitude_deg: float) -> npt.NDArray[np.int64]:
    """Number the nights, from local mean noon to noon."""
    noon_us = round((0.5 - longitude_deg / 360.0) * US_PER_DAY)
    return (time_us - noon_us) // US_PER_DAY


def _turn(angle_deg: Numbers) -> Numbers:
    return (angle_deg + 180.0) % 360.0 - 180.0


def _others(hour_angle: Numbers, dec: Numbers) -> Numbers:
    """Return the columns of axis and tube side; rows: right ascension times cos(dec), then declination."""
    none, sin_d = np.zeros_like(dec), np.sin(dec)
    sin_h, cos_h, side = np.sin(hour_angle), np.cos(hour_angle), np.sign(hour_angle)
    return np.column_stack(
        [
            np.concatenate([-sin_d * sin_h, cos_h]),
            np.concatenate([-sin_d * cos_h, -sin_h]),
            np.concatenate([side, none]),
            np.concatenate([none, side]),
        ]
    )


@dataclass(frozen=True)
class _Zeros:
    """The zeros of each night, in right ascension times cos(dec) and in declination."""

    size: Numbers  # what a zero of 1 does to each row
    which: npt.NDArray[np.int64]  # the number of the zero that each row has

    @classmethod
    def of(cls, night: npt.NDArray[np.int64], dec: Numbers) -> _Zeros:
        number = np.unique(night, return_inverse=True)[1].ravel()
        size = np.concatenate([np.cos(dec), np.ones_like(dec)])
        return cls(size, np.concatenate([number, number + number.max() + 1]))

    def taken_out(self, columns: Numbers, kept: npt.NDArray[np.bool_]) -> Numbers:
        """Return columns less the zeros that fit their kept rows best."""
        weight = np.where(kept, self.size, 0.0)
        norm = np.maximum(np.bincount(self.which, weight * self.size), 1e-12)
        out = np.empty_like(columns)
        for at in range(columns.shape[1]):
            zero = np.bincount(self.which, weight * columns[:, at]) / norm
            out[:, at] = columns[:, at] - self.size * zero[self.which]
        return out

    def count(self, kept: npt.NDArray[np.bool_]) -> int:
        """Return how many zeros have kept rows."""
        return len(np.unique(self.which[kept]))


def _share(design: Numbers, seen: Numbers, zeros: _Zeros) -> FrameShare:
    """Return the first unknown of a least-squares fit with its sd, wild rows left out."""
    kept = np.ones(len(seen), dtype=bool)
    for _ in range(_PASSES):
        free = int(kept.sum()) - design.shape[1] - zeros.count(kept)
        if free < _FEW_ROWS // 2:
            return FrameShare(np.nan, np.inf)
        both = zeros.taken_out(np.column_stack([design, seen]), kept)
        columns, left = both[:, :-1], both[:, -1]
        found = np.linalg.lstsq(columns[kept], left[kept], rcond=1e-10)[0]
        residual = left - columns @ found
        used = kept
        scatter = float(1.4826 * np.median(np.abs(residual[used]))) + 1e-6
        kept = np.abs(residual) < _WILD * scatter
    scatter = float(np.sqrt(np.sum(residual[used] ** 2) / free)) + 1e-6
    own, rest = columns[used, 0], columns[used, 1:]
    alone = own - rest @ np.linalg.lstsq(rest, own, rcond=1e-10)[0]
    size = float(np.sqrt(np.sum(alone**2)))
    return FrameShare(float(found[0]), _CAUTION * scatter / size if size > 0 else np.inf)


# ---- Some rows of a table, spread over it: what a guess about its columns rests on.


#: So many rows at most.
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
    """Take a sample of a table's rows, in pairs of neighbours where others are left out."""
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
    """A table, a sample of it, the site, and what was answered and decided so far."""

    table: RawTable
    sample: TableSample
    around: Circumstances
    decisions: Decisions
    slips: dict[str, str] = field(default_factory=dict)  # contract column -> its name with a slip

    @property
    def is_own(self) -> bool:
        """Whether the columns are the contract's own but for slips in their names."""
        return bool(self.slips)

    def example(self, at: int) -> str:
        """Return a cell of a column as an example, in words."""
        given = self.sample.given(at)
        return f"such as {given[0]}" if given else "blank"


# ---- Reading a sample by a mapping that is still in doubt, to see what the sky says of it.


#: From so many rows on the horizon and the hour angle say something.
_FEW = 6
#: Nearer to the meridian than this [rad] the tube may be on either side; farther than that it is not turned.
_MERIDIAN_RAD = 0.1
_FIRST_US, _LAST_US = (int(np.datetime64(f"{year}-01-01", "us").astype(np.int64)) for year in (1990, 2060))


@dataclass(frozen=True)
class Trial:
    """The contract's columns of a sample."""

    columns: dict[str, Ready] = field(repr=False)
    good: npt.NDArray[np.bool_] = field(repr=False)
    around: Circumstances

    @classmethod
    def of(cls, sample: TableSample, mapping: Mapping, around: Circumstances) -> Trial:
        """Read a sample; a column of sides as if it said where the tube is."""
        if "tube_side" in mapping.columns:
            side = replace(mapping.columns["tube_side"], means=ON)
            mapping = replace(mapping, columns={**mapping.columns, "tube_side": side})
        gathered = gather([sample.rows], Plan.of(mapping, sample.headings, sample.decimal))
        columns = gathered.columns
        refused = finish(columns, mapping)
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
        altitude = altitude_deg(
            around.latitude_deg,
            around.longitude_deg,
            self.of_column("time_utc").astype(np.int64),
            self.of_column("ra_deg"),
            self.of_column("dec_deg"),
        )
        return float(np.mean(altitude < BELOW_DEG))

    def frames(self) -> FrameShare:
        """Return the share of precession in the mount's places minus the solved ones."""
        names = ("ra_deg", "dec_deg", "mount_ra_deg", "mount_dec_deg")
        if not set(names) <= set(self.columns):
            return FrameShare(np.nan, np.inf)
        us = self.of_column("time_utc").astype(np.int64)
        return frame_share(self.around.longitude_deg, us, *(self.of_column(name) for name in names))

    def sides_agree(self) -> float | None:
        """Return the share of the rows in which a tube on the side that is given looks across the pier.

        On the east side it then looks west, where the hour angle is positive.
        """
        if "ra_deg" not in self.columns or "tube_side" not in self.columns:
            return None
        us = self.of_column("time_utc").astype(np.int64)
        hour_angle = hour_angle_rad(self.around.longitude_deg, us, self.of_column("ra_deg"))
        texts = np.array(self.columns["tube_side"].values, dtype=object)[self.good]
        told = ((texts == TubeSide.EAST) | (texts == TubeSide.WEST)) & (np.abs(hour_angle) > _MERIDIAN_RAD)
        if told.sum() < _FEW:
            return None
        return float(np.mean((texts[told] == TubeSide.EAST) == (hour_angle[told] > 0.0)))
