"""From raw columns and a mapping to our columns as values."""

from __future__ import annotations

from collections.abc import Iterable
from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from drift.ingest import values
from drift.ingest.mapping import (
    END,
    EQUATORIAL,
    HORIZON_SEEN,
    HOUR_ANGLE,
    ICRS,
    MEAN,
    OF_DATE,
    START,
    ColumnFrom,
    Instant,
    Mapping,
    PlaceFrame,
    TimeFrom,
    TimeScale,
)
from drift.ingest.names import is_sign
from drift.ingest.row_check import Circumstances, standard_pressure_hpa
from drift.ingest.text import Heading, RawCells, Rows
from drift.ingest.times import TimeForm, TimeSpelling, read_days, to_utc, zone_named
from drift.ingest.units import Unit, own_unit
from drift.ingest.values import (
    ON,
    NumberSpelling,
    Ready,
    SideMeans,
    Sort,
    blanks,
    joined,
    of_pair,
    read_plain,
    side_of,
    sort_of,
    with_parts,
)
from drift.notices import IngestCode, Notice, info, warning

Mask = npt.NDArray[np.bool_]
Numbers = npt.NDArray[np.float64]

#: Decimals to which converted numbers are rounded, in our units, so that a row is recognised in another
#: spelling.
_DECIMALS = 10
#: Columns in which 360 degrees (24 h, by rounding) are 0.
_FULL_TURN = ("ra_deg", "mount_ra_deg")
#: Rows that are set aside for one reason.
Refused = tuple[tuple[Notice, Mask], ...]


@dataclass(frozen=True)
class Plan:
    """The file columns that are read, by their positions."""

    kind: str
    mapping: Mapping
    decimal: str
    at: MappingOf[str, tuple[int, ...]]  # our column -> positions of the file's columns

    @classmethod
    def of(cls, mapping: Mapping, headings: Iterable[Heading], decimal: str) -> Plan:
        """Find the columns that a mapping names."""
        names = [heading.name.lower() for heading in headings]
        at = {
            column: tuple(names.index(name.lower()) for name in source.columns)
            for column, source in mapping.columns.items()
        }
        return cls(mapping.kind, mapping, decimal, at)

    def source_text(self, cells: list[str], column: str) -> str:
        """Return the text of one of our columns in the cells of one row."""
        if column not in self.at:
            return ""
        source = self.mapping.columns[column]
        if not self.at[column]:
            return source.value
        if source.part:
            return of_pair(cells[self.at[column][0]], source.part)
        if len(self.at[column]) > 1 and sort_of(self.kind, column) is Sort.NUMBER:
            return with_parts([[cells[at]] for at in self.at[column]], is_sign(source.columns[0]))[0]
        return " ".join(cells[at] for at in self.at[column]).strip()

    def names(self) -> dict[str, str]:
        """Return the name of each of our columns in the file."""
        return {
            column: " + ".join(source.columns) or column for column, source in self.mapping.columns.items()
        }


@dataclass
class Gathered:
    """All rows of a file: their place, their text, and our columns as values."""

    lines: npt.NDArray[np.int64] = field(repr=False)
    raws: list[str] = field(repr=False)
    surplus: dict[int, int]
    aside: dict[int, Notice]
    columns: dict[str, Ready] = field(repr=False)


def gather(parts: Iterable[Rows], plan: Plan) -> Gathered:
    """Read the planned columns of a table part by part: its cells are never in memory all at once."""
    lines: list[npt.NDArray[np.int64]] = []
    raws: list[str] = []
    surplus: dict[int, int] = {}
    aside: dict[int, Notice] = {}
    read: dict[str, list[Ready]] = {column: [] for column in plan.at}
    for part in parts:
        aside.update({len(raws) + at: why for at, why in part.aside.items()})
        surplus.update({len(raws) + at: cells for at, cells in part.surplus.items()})
        raws += part.raws
        lines.append(part.lines)
        for column, at in plan.at.items():
            cells = [part.cells[one] for one in at]
            read[column].append(_read(column, cells, len(part.raws), plan))
    columns = {column: joined(pieces) for column, pieces in read.items() if pieces}
    together = np.concatenate(lines) if lines else np.zeros(0, dtype=np.int64)
    return Gathered(together, raws, surplus, aside, columns)


def _read(column: str, cells: list[RawCells], count: int, plan: Plan) -> Ready:
    sort = sort_of(plan.kind, column)
    source = plan.mapping.columns[column]
    if not cells:
        return _constant(source.value, sort, column, count, plan)
    if plan.mapping.own:
        return _read_own(cells[0], sort, column, plan)
    if sort is Sort.TIME:
        return _read_time(cells, plan.mapping.time)
    if len(cells) == 1 and isinstance(cells[0], np.ndarray) and sort in (Sort.NUMBER, Sort.FLAG):
        return _convert(cells[0], column, source.unit)
    if sort is Sort.NUMBER and len(cells) > 1:
        texts = with_parts([as_texts(one) for one in cells], is_sign(source.columns[0]))
        return _read_number(texts, column, source, plan.decimal)
    if source.part:
        halves = [of_pair(cell, source.part) for cell in as_texts(cells[0])]
        return _read_number(halves, column, source, plan.decimal)
    texts = _joined_texts(cells)
    if sort is Sort.NUMBER:
        return _read_number(texts, column, source, plan.decimal)
    if sort is Sort.DAY:
        if is_by_the_hour(plan.mapping):
            return _read_time(cells, plan.mapping.time)
        days, bad = read_days(date_texts(cells), plan.mapping.time.order)
        why = warning(IngestCode.DATE_NOT_IN_ORDER, order=plan.mapping.time.order)
        return Ready(days, bad, blanks(texts), why=lambda cell: why)
    if column == "tube_side":
        texts = _sides(texts, source.means or ON)
    return read_plain(texts, sort)


def _read_own(cells: RawCells, sort: Sort, column: str, plan: Plan) -> Ready:
    if isinstance(cells, np.ndarray):
        return (
            read_plain(as_texts(cells), sort)
            if sort not in (Sort.NUMBER, Sort.FLAG)
            else _convert(cells, column, None)
        )
    if column == "tube_side":
        return read_plain(_sides(as_texts(cells), ON), sort)
    if sort is Sort.NUMBER and plan.decimal == ",":
        own = own_unit(column)
        return _read_number(cells, column, ColumnFrom(unit=Unit(own) if own else None), ",")
    return read_plain(cells, sort)


def _constant(value: str, sort: Sort, column: str, count: int, plan: Plan) -> Ready:
    """Read one value for all rows; it is in the mapping, written as drift writes it."""
    one = read_plain([value], sort)
    spread: npt.NDArray[np.generic] | list[str]
    spread = one.values * count if isinstance(one.values, list) else np.repeat(one.values, count)
    return Ready(spread, np.repeat(one.bad, count), np.repeat(one.blank, count))


def _convert(cells: npt.NDArray[np.float64], column: str, unit: Unit | None) -> Ready:
    missing = np.isnan(cells)
    infinite = np.isinf(cells)
    found = NumberSpelling(column, unit).convert(np.where(infinite, np.nan, cells))
    return Ready(found, infinite, missing)


def as_texts(cells: RawCells) -> list[str]:
    """Return cells as text; numbers as short as they can be, "" for none."""
    if isinstance(cells, list):
        return cells
    return ["" if np.isnan(cell) else repr(cell).removesuffix(".0") for cell in cells.tolist()]


def _joined_texts(cells: list[RawCells]) -> list[str]:
    texts = [as_texts(one) for one in cells]
    if len(texts) == 1:
        return texts[0]
    return [" ".join(row).strip() for row in zip(*texts, strict=True)]


def date_texts(cells: list[RawCells]) -> list[str]:
    """Join dates and times of day, also of year, month, day, hour, ... in columns of their own."""
    texts = [as_texts(one) for one in cells]
    if len(texts) < 3:
        return _joined_texts(cells)
    rows = []
    for year, month, day, *clock in zip(*texts, strict=True):
        date = f"{year}-{month}-{day}"
        if len(clock) == 1 and not clock[0].isdigit():  # a whole time of day
            rows.append(f"{date} {clock[0]}")
        elif clock:
            whole, point, part = clock[-1].partition(".")
            two = [one.zfill(2) for one in (*clock[:-1], whole, *(["0"] if len(clock) == 1 else []))]
            rows.append(f"{date} {':'.join(two)}{point}{part}")
        else:
            rows.append(date)
    return ["" if row.strip("-: 0") == "" else row for row in rows]


def is_by_the_hour(mapping: Mapping) -> bool:
    """Tell whether a mapping is of weather with several rows a day: minimum and maximum are of one column."""
    low, high = mapping.columns.get("t_min_c"), mapping.columns.get("t_max_c")
    return bool(low and high and low.columns and low.columns == high.columns)


def _read_number(texts: list[str], column: str, source: ColumnFrom, decimal: str) -> Ready:
    spelling = NumberSpelling(column, source.unit, decimal)
    found, bad = spelling.read(texts)
    return Ready(found, bad, blanks(texts), why=spelling.why)


def _read_time(cells: list[RawCells], time: TimeFrom) -> Ready:
    spelling = TimeSpelling(time.form, time.order, time.evening_date)
    if len(cells) == 1 and isinstance(cells[0], np.ndarray) and time.form != TimeForm.TEXT:
        times = spelling.convert(cells[0])
        blank = np.isnan(cells[0])
    else:
        texts = date_texts(cells)
        times = spelling.read(texts)
        blank = blanks(texts)
    why = spelling.why()
    return Ready(times.us, times.unreadable, blank, times.naive, why=lambda cell: why)


def _sides(texts: list[str], means: SideMeans) -> list[str]:
    known = {text: side_of(text, means) for text in set(texts)}
    return [text if known[text] is None else str(known[text]) for text in texts]


def finish(columns: dict[str, Ready], mapping: Mapping, around: Circumstances) -> Refused:
    """The steps that need the whole file: local time to UTC, middles of exposures, places to other frames.

    Returns
    -------
    tuple
        Reasons, each with the rows that it sets aside for their time.
    """
    aside: Refused = ()
    if mapping.own:
        return aside
    if "time_utc" in columns:
        aside = _with_times_and_frames(columns, mapping, around)
    for column, ready in columns.items():
        if isinstance(ready.values, np.ndarray) and ready.values.dtype.kind == "f":
            rounded = np.round(ready.values, _DECIMALS)
            if column in _FULL_TURN:
                rounded = np.where(rounded == 360.0, 0.0, rounded)
            columns[column] = replace(ready, values=rounded)
    return aside


def _with_times_and_frames(columns: dict[str, Ready], mapping: Mapping, around: Circumstances) -> Refused:
    aside: Refused = ()
    times = columns["time_utc"]
    if mapping.time.zone and times.naive is not None and times.naive.any():
        times, aside = _in_utc(times, mapping.time)
    if mapping.time.scale != TimeScale.UTC:
        times = replace(times, values=utc_of(np.asarray(times.values), mapping.time.scale))
    columns["time_utc"] = _middle(times, columns.get("exposure_s"), mapping.time.instant)
    good = ~(columns["time_utc"].bad | columns["time_utc"].blank)
    for _, rows in aside:
        good &= ~rows
    _to_frame(columns, ("ra_deg", "dec_deg"), mapping.places, ICRS, good, around)
    _to_frame(columns, ("mount_ra_deg", "mount_dec_deg"), mapping.mount_places, OF_DATE, good, around)
    return aside


# ---- Weather by the hour -> by the day.


#: A day with a gap longer than this doesn't show its coldest and warmest hour [us].
_LONGEST_GAP_US = 6 * 3_600_000_000


def by_day(found: Gathered, mapping: Mapping, around: Circumstances) -> tuple[Gathered, Notice]:
    """Make one row of all of a day: its lowest, highest and mean temperature, and the median of the snow.

    The row has the line and the text of the day's first one.  A day with a gap is set aside, and so is a
    row that can't be read.  Days run from midnight to midnight by the clock of the file, or by local mean
    time where that is UTC.
    """
    columns = found.columns
    us = np.asarray(columns["date"].values)
    naive = columns["date"].naive
    at_utc = np.ones(len(us), dtype=bool) if naive is None or mapping.time.zone else ~naive
    local = us + np.where(at_utc, round(around.longitude_deg / 360.0 * values.US_PER_DAY), 0)
    day = local // values.US_PER_DAY
    bad = columns["date"].bad | columns["date"].blank | columns["t_min_c"].bad | columns["t_min_c"].blank
    bad[[*found.aside, *found.surplus]] = True
    good = np.flatnonzero(~bad)
    order = good[np.argsort(local[good], kind="stable")]
    starts = np.flatnonzero(np.diff(day[order], prepend=-1))
    firsts, days = [], []
    for rows in np.split(order, starts[1:]) if order.size else []:
        firsts.append(int(rows.min()))
        days.append(rows)
    kept = sorted([*firsts, *np.flatnonzero(bad).tolist()])
    position = {row: at for at, row in enumerate(kept)}
    aside = {position[row]: why for row, why in found.aside.items()}
    new = {name: _rows_of(ready, kept) for name, ready in columns.items()}
    new["date"] = replace(new["date"], values=day[kept], naive=None)
    temperature = np.asarray(columns["t_min_c"].values)
    new.setdefault("t_mean_c", _rows_of(columns["t_min_c"], kept))
    for first, rows in zip(firsts, days, strict=True):
        at = position[first]
        some = temperature[rows]
        for name, made in (("t_min_c", some.min()), ("t_max_c", some.max()), ("t_mean_c", some.mean())):
            np.asarray(new[name].values)[at] = round(float(made), _DECIMALS)
        if "snow_cm" in columns:
            snow = np.asarray(columns["snow_cm"].values)[rows]
            np.asarray(new["snow_cm"].values)[at] = np.nanmedian(snow) if np.isfinite(snow).any() else np.nan
        midnight = day[first] * values.US_PER_DAY
        gaps = np.diff(local[rows], prepend=midnight, append=midnight + values.US_PER_DAY)
        if gaps.max() > _LONGEST_GAP_US:
            aside[at] = warning(IngestCode.DAY_WITH_GAP, hours=float(gaps.max()) / 3.6e9, rows=len(rows))
    surplus = {position[row]: cells for row, cells in found.surplus.items()}
    remark = info(IngestCode.HOURS_TO_DAYS, rows=len(good), days=len(days))
    return Gathered(found.lines[kept], [found.raws[row] for row in kept], surplus, aside, new), remark


def _rows_of(ready: Ready, rows: list[int]) -> Ready:
    chosen = ready.values[rows] if isinstance(ready.values, np.ndarray) else [ready.values[at] for at in rows]
    naive = None if ready.naive is None else ready.naive[rows]
    return Ready(chosen, ready.bad[rows], ready.blank[rows], naive, ready.why)


def _in_utc(times: Ready, time: TimeFrom) -> tuple[Ready, Refused]:
    zone = zone_named(time.zone)
    naive = times.naive
    us = np.asarray(times.values).copy()
    if zone is None or naive is None:
        return times, ()
    rows = np.flatnonzero(naive)
    zoned = to_utc(us[rows], zone, time.repeated_hour)
    us[rows] = zoned.us
    missing, unclear = np.zeros(len(us), dtype=bool), np.zeros(len(us), dtype=bool)
    missing[rows[zoned.missing]], unclear[rows[zoned.unclear]] = True, True
    none = np.zeros(len(us), dtype=bool)
    reasons = (
        (warning(IngestCode.HOUR_LEFT_OUT, zone=time.zone), missing),
        (warning(IngestCode.HOUR_REPEATED), unclear),
    )
    return replace(times, values=us, naive=none), tuple(one for one in reasons if one[1].any())


def utc_of(us: npt.NDArray[np.int64], scale: TimeScale) -> npt.NDArray[np.int64]:
    """Return UTC of UTC, TT or TAI [us]; looked up twice, because the table goes by days of UTC."""
    if scale == TimeScale.UTC:
        return us
    from drift.sky.time_scales import MJD_1970, TT_MINUS_TAI_S, installed_earth_rotation

    leaps = installed_earth_rotation().leap_seconds
    ahead_s = TT_MINUS_TAI_S if scale == TimeScale.TT else 0.0
    utc = us
    for _ in range(2):
        offset = leaps.at(utc // values.US_PER_DAY + MJD_1970) + ahead_s
        utc = us - np.round(offset * values.US_PER_SECOND).astype(np.int64)
    return utc


def _middle(times: Ready, exposure: Ready | None, instant: Instant) -> Ready:
    """Move the start or end of an exposure to its middle; without an exposure time it stays."""
    if exposure is None or instant not in (START, END):
        return times
    half = np.nan_to_num(np.asarray(exposure.values), nan=0.0) / 2.0
    half = np.where(np.abs(half) < values.US_PER_DAY, half, 0.0)
    shift = np.round(half * values.US_PER_SECOND).astype(np.int64)
    return replace(times, values=np.asarray(times.values) + (shift if instant == START else -shift))


def _to_frame(
    columns: dict[str, Ready],
    pair: tuple[str, str],
    given: PlaceFrame,
    wanted: PlaceFrame,
    good: Mask,
    around: Circumstances,
) -> None:
    """Turn places from the frame that they are given in into ours."""
    ra, dec = pair
    if given == wanted or ra not in columns or dec not in columns:
        return
    from drift.sky import of_date

    ra_deg, dec_deg = np.asarray(columns[ra].values), np.asarray(columns[dec].values)
    us = np.asarray(columns["time_utc"].values)
    within = (us > _FIRST_US) & (us < _LAST_US)
    lowest = 0.0 if given in EQUATORIAL else -360.0
    rows = np.flatnonzero(good & within & (np.abs(dec_deg) <= 90.0) & (ra_deg >= lowest) & (ra_deg < 360.0))
    if not rows.size:
        return
    place = us[rows], ra_deg[rows], dec_deg[rows]
    if given == HOUR_ANGLE:
        place = us[rows], *of_date.apparent_of_hour_angle(around.place, *place)
    elif given not in EQUATORIAL:
        hpa = standard_pressure_hpa(around.elevation_m) if given == HORIZON_SEEN else 0.0
        place = us[rows], *of_date.apparent_of_horizon(around.place, *place, hpa)
    given = given if given in EQUATORIAL else OF_DATE
    if given == wanted:
        found = place[1:]
    elif given == MEAN:
        found = of_date.icrs_of_mean(*place)
    elif given != ICRS:
        found = of_date.icrs_of_apparent(*place)
    else:
        found = place[1:]
    if wanted != ICRS and given != wanted:
        found = of_date.apparent_place(us[rows], *found)
    new_ra, new_dec = ra_deg.copy(), dec_deg.copy()
    new_ra[rows], new_dec[rows] = found
    columns[ra] = replace(columns[ra], values=new_ra)
    columns[dec] = replace(columns[dec], values=new_dec)


_FIRST_US, _LAST_US = (int(np.datetime64(f"{year}-01-01", "us").astype(np.int64)) for year in (1901, 2099))
