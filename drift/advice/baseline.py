"""What a tilt is counted from: a settled state of the pier, whatever the season of its first night.

A log may begin in mid-heave.  Counted from there, a swing of 100" never gets further than 50", and a limit
of 60" is never met.  So by default the tilt counts from the weeks of the first autumn in the record, when
the last winter's frost has long left the ground and the next has not come.  From there on the whole of each
winter's swing counts, and all that lasts as well.  Rejected: the mean over the first full year, which lies
somewhere in the swing, depending on how long the winters are; each year's own autumn (``"last autumn"``),
by which a pier that settles by a little less than its limit every year never meets it.  Until the record
has an autumn nothing settled is known, and the tilt counts from its start.
"""

from __future__ import annotations

import calendar
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

import numpy as np

from drift.codes import CorrectionKind, Since
from drift.notices import Value
from drift.quantities import DAY_US, Bools, Floats, Ints, as_utc, reading_date
from drift.types import HISTORY_COLUMNS

if TYPE_CHECKING:
    from drift.site.file import PierFile
    from drift.types import History


#: The settled weeks: September and October in the north, March and April in the south.  Frost has left the
#: ground by early summer and reaches a base not before winter (common practice).
_AUTUMN_NORTH, _AUTUMN_SOUTH = (9, 10), (3, 4)
#: Readings so near to a date, or so soon after a correction, stand for it [days]: our own choice.
_NEAR_DAYS = 14.0
#: Corrections after which the tilt is counted anew (`since = "last correction"`); a new zero moves nothing.
_CORRECTS = tuple(
    kind for kind in CorrectionKind if kind not in (CorrectionKind.SERVICE, CorrectionKind.ZERO)
)
_TILT = [HISTORY_COLUMNS.index(name) for name in ("tilt_north", "tilt_east")]


@dataclass(frozen=True, kw_only=True)
class Baseline:
    """What the tilt is counted from.

    Attributes
    ----------
    since
        Its kind; not always what the site file wants, see `baseline_of`.
    from_us, until_us
        The first and the last reading of it [UTC us].
    tilt, sd
        Mean of the change of tilt there (north, east) and its sd, (2,) [arcsec]; NaN where it isn't known.
    """

    since: Since
    from_us: int
    until_us: int
    tilt: Floats = field(repr=False)
    sd: Floats = field(repr=False)

    def values(self, longitude_deg: float) -> dict[str, Value]:
        """Return it as values of a notice."""
        return {"since": self.since, "since_date": reading_date(self.from_us, longitude_deg)}


def baseline_of(site: PierFile, history: History) -> Baseline:
    """Return what the tilt of a pier is counted from.

    Parameters
    ----------
    site
        What its owner wants: ``[warn] since``.
    history
        The tilt at each reading.  Work on the pier itself starts the count anew.

    Returns
    -------
    Baseline
        That of the start where the wanted one isn't in the record: no autumn yet, no correction, a
        date before it.
    """
    if not history.time_us.size:
        nothing = np.full(2, np.nan)
        return Baseline(since=Since.START, from_us=0, until_us=0, tilt=nothing, sd=nothing)
    south = site.site.latitude_deg < 0.0
    counts = counting(history)
    first = _start(history, counts)
    wanted: str | date = site.warn.since
    if isinstance(wanted, date):
        rows = _around(history.time_us, _midnight_us(wanted)) & counts
        return _mean(history, Since.DATE, rows) if rows.any() else first
    since = Since(wanted)
    if since is Since.LAST_CORRECTION:
        rows = _after_last_correction(history) & counts
        return _mean(history, since, rows) if rows.any() else first
    if since in (Since.FIRST_AUTUMN, Since.LAST_AUTUMN):
        autumns = [rows for rows in _autumns(history.time_us, south) if (rows & counts).any()]
        if autumns:
            chosen = autumns[0 if since is Since.FIRST_AUTUMN else -1]
            return _mean(history, since, chosen & counts)
    return first


def counting(history: History) -> Bools:
    """Return the readings that show the tilt since the pier itself was last worked on, (n,)."""
    known = np.isfinite(history.change[:, _TILT]).any(axis=1)
    worked = [
        c.time_us
        for c in history.corrections
        if c.kind == CorrectionKind.PIER and c.time_us <= history.time_us[-1]
    ]
    return np.asarray(known & (history.time_us >= max(worked, default=-(2**62))))


def _start(history: History, counts: Bools) -> Baseline:
    """Return the first reading that counts: changes are from it on, unless the pier was worked on since."""
    first = int(np.argmax(counts))
    known = np.isfinite(history.change[:, _TILT]).any(axis=1)
    if counts[first] and not known[:first].any():
        time_us = int(history.time_us[first])
        return Baseline(
            since=Since.START, from_us=time_us, until_us=time_us, tilt=np.zeros(2), sd=np.zeros(2)
        )
    return _mean(history, Since.START, np.arange(counts.size) == first)


def _mean(history: History, since: Since, rows: Bools) -> Baseline:
    """Return the mean over some readings, whose errors are taken to be common."""
    times = history.time_us[rows]
    tilt, sd = history.change[rows][:, _TILT], history.sd[rows][:, _TILT]
    known = np.isfinite(tilt)
    count = np.maximum(known.sum(axis=0), 1)
    none = ~known.any(axis=0)
    mean = np.where(none, np.nan, np.where(known, tilt, 0.0).sum(axis=0) / count)
    spread = np.where(none, np.nan, np.sqrt(np.where(known, sd**2, 0.0).sum(axis=0) / count))
    return Baseline(since=since, from_us=int(times[0]), until_us=int(times[-1]), tilt=mean, sd=spread)


def _autumns(time_us: Ints, south: bool) -> list[Bools]:
    """Return the readings of the settled weeks of each year of the record, the earliest first."""
    first, last = _AUTUMN_SOUTH if south else _AUTUMN_NORTH
    years = range(as_utc(int(time_us[0])).year, as_utc(int(time_us[-1])).year + 1)
    out = []
    for year in years:
        begins = _midnight_us(date(year, first, 1))
        ends = _midnight_us(date(year, last, calendar.monthrange(year, last)[1])) + DAY_US
        out.append((time_us >= begins) & (time_us < ends))
    return out


def _around(time_us: Ints, wanted_us: int) -> Bools:
    """Return the readings around a time, else the nearest one; none where it is before the record."""
    near = np.abs(time_us - wanted_us) <= _NEAR_DAYS * DAY_US
    if wanted_us >= time_us[0] and not near.any():
        near[int(np.argmin(np.abs(time_us - wanted_us)))] = True
    return np.asarray(near)


def _after_last_correction(history: History) -> Bools:
    """Return the readings that first show what the last correction left; none where none does."""
    times = history.time_us
    made = [c.time_us for c in history.corrections if c.kind in _CORRECTS and c.time_us <= times[-1]]
    if not made:
        return np.zeros(times.size, dtype=bool)
    later = times >= max(made)
    first_us = int(times[int(np.argmax(later))])
    return np.asarray(later & (times <= first_us + _NEAR_DAYS * DAY_US))


def _midnight_us(day: date) -> int:
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()) * 1_000_000
