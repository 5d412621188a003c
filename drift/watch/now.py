"""The state now: axis and tilt against their limits and against a year ago, and how old that is."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.baseline import counting
from drift.advice.movement import pair_of
from drift.advice.situation import OLD_DAYS
from drift.codes import Answer, AxisBound, LimitName, Standing
from drift.quantities import DAY_US, YEAR_DAYS, Ints, as_utc
from drift.types import HISTORY_COLUMNS
from drift.watch.limits import limits_of

if TYPE_CHECKING:
    from drift.advice.baseline import Baseline
    from drift.types import Action, Analysis, History
    from drift.watch.limits import Limit

#: Nearer to a limit than this many standard deviations nobody can say on which side of it a value lies.
CLOSE_SDS = 2.0
#: The same week: a reading of a year before counts when it lies at most so far from the day [days].
SAME_WEEK_DAYS = 7.0
#: The cold half of the year, by month, north of the equator; south of it six months later.
_WINTER_MONTHS = (11, 12, 1, 2, 3)


@dataclass(frozen=True, kw_only=True)
class Against:
    """A value against its limit [arcsec]; `limit_of` says what sets it, and is None for the tilt."""

    value: float
    sd: float
    limit: float
    standing: Standing
    time_us: int
    limit_of: AxisBound | None = None
    toward_bearing_deg: float | None = None  # of the tilt: None: too little, or one component only is told
    baseline: Baseline | None = None  # of the tilt: what it counts from


@dataclass(frozen=True, kw_only=True)
class YearAgo:
    """How far the tilt is from that of the same week a year before, as a vector [arcsec].

    `sd` is that of two independent readings; both count from one start, so that it is rather too large.
    """

    time_us: int  # of the reading a year before
    size: float
    sd: float
    toward_bearing_deg: float | None  # None: too little, or only one component is told
    winter: bool  # whether it is the cold half of the year

    @property
    def seen_to(self) -> float:
        """From which size on a change would differ from none [arcsec]."""
        return CLOSE_SDS * self.sd

    @property
    def is_clear(self) -> bool:
        """Whether it differs from none."""
        return self.size > self.seen_to


@dataclass(frozen=True, kw_only=True)
class NowState:
    """What the first screen says.

    Attributes
    ----------
    axis, tilt
        None where it isn't known, or can't be told from the mount.
    year_ago
        The tilt against a year before; None without a reading in the same week.
    last_night_us
        The last night that shows the axis; None when none does.
    last_reading_us
        The last reading of axis or tilt.
    now_us
        The present time; None when it isn't known, and then nothing is old.
    actions
        What is to be done, as the advice has it.
    """

    axis: Against | None
    tilt: Against | None
    year_ago: YearAgo | None
    last_night_us: int | None
    last_reading_us: int | None
    now_us: int | None
    actions: tuple[Action, ...]

    @property
    def is_old(self) -> bool:
        """Whether the last night is too old to be a guide to today."""
        if self.now_us is None or self.last_night_us is None:
            return False
        return self.now_us - self.last_night_us > OLD_DAYS * DAY_US

    @property
    def standing(self) -> Standing:
        """The worse of both limits; unknown as long as neither is known."""
        of = [one.standing for one in (self.axis, self.tilt) if one is not None]
        return max(of, key=_WORSE.index) if of else Standing.UNKNOWN


_WORSE = (Standing.UNKNOWN, Standing.WITHIN, Standing.CLOSE, Standing.BEYOND)


def now_state(analysis: Analysis, now_us: int | None = None) -> NowState:
    """Put together how things stand.

    Parameters
    ----------
    analysis
        The analysis.
    now_us
        The present time [UTC us]; None for the one that the analysis was wanted for.
    """
    limits = {limit.name: limit for limit in limits_of(analysis)}
    axis, tilt = limits.get(LimitName.AXIS), limits.get(LimitName.TILT)
    nights = [night.time_us for night in analysis.nights.nights if night.has_axis]
    times = [*nights, *(int(time_us) for time_us in analysis.history.time_us)]
    allowed, allowed_by = _axis_limit(analysis)
    if tilt is not None and tilt.values.size < 2:
        tilt = None  # one reading tells no change
    return NowState(
        axis=None if axis is None else _against(axis, allowed, allowed_by),
        tilt=None if tilt is None else _tilt(tilt, analysis.history),
        year_ago=_year_ago(analysis.history, analysis.site.site.latitude_deg),
        last_night_us=max(nights, default=None),
        last_reading_us=max(times, default=None),
        now_us=analysis.now_us if now_us is None else now_us,
        actions=analysis.advice.actions,
    )


def standing_of(value: float, sd: float, limit: float) -> Standing:
    """Return how a value stands against its limit."""
    if not (math.isfinite(value) and math.isfinite(sd)):
        return Standing.UNKNOWN
    if abs(value - limit) < CLOSE_SDS * sd:
        return Standing.CLOSE
    return Standing.BEYOND if value > limit else Standing.WITHIN


def _against(watched: Limit, limit: float, limit_of: AxisBound | None = None) -> Against:
    value, sd = float(watched.values[-1]), float(watched.sds[-1])
    return Against(
        value=value,
        sd=sd,
        limit=limit,
        standing=standing_of(value, sd, limit),
        time_us=watched.time_us,
        limit_of=limit_of,
    )


def _tilt(watched: Limit, history: History) -> Against:
    """Return the tilt against its limit, with its direction where both components are told."""
    found, base = _against(watched, watched.limit), watched.baseline
    pairs = (history.north_tilt_from_mount_altitude, history.east_tilt_from_mount_azimuth)
    row = history.change[np.flatnonzero(history.time_us == watched.time_us)[-1]]
    bearing = None
    if all(pair.answer != Answer.NO for pair in pairs) and found.value > CLOSE_SDS * found.sd:
        north, east = row[[HISTORY_COLUMNS.index(name) for name in ("tilt_north", "tilt_east")]] - (
            0.0 if base is None else base.tilt
        )
        bearing = float(np.degrees(np.arctan2(east, north)) % 360.0)
    return replace(found, toward_bearing_deg=bearing, baseline=base)


def _axis_limit(analysis: Analysis) -> tuple[float, AxisBound]:
    """Return the smallest angle that the warning limit or the optics allow [arcsec], and which it is."""
    allowed = [(analysis.site.warn.axis_arcmin, AxisBound.WARNING_LIMIT)]
    allowed += [(one.allowed_arcmin, one.effect) for one in analysis.advice.matters if one.binding]
    least, bound = min(allowed)
    return 60.0 * least, bound


def _year_ago(history: History, latitude_deg: float) -> YearAgo | None:
    told = [name for name in ("tilt_north", "tilt_east") if pair_of(name, history).answer != Answer.NO]
    columns = [HISTORY_COLUMNS.index(name) for name in told]
    if not columns:
        return None
    known = np.all(np.isfinite(history.change[:, columns]), axis=1) & counting(history)
    times: Ints = history.time_us[known]
    if times.size < 2:
        return None
    wanted = int(times[-1] - YEAR_DAYS * DAY_US)
    k = int(np.argmin(np.abs(times - wanted)))
    if abs(int(times[k]) - wanted) > SAME_WEEK_DAYS * DAY_US:
        return None
    tilt, sds = history.change[known][:, columns], history.sd[known][:, columns]
    moved, sd = tilt[-1] - tilt[k], np.hypot(sds[-1], sds[k])
    size = float(np.hypot.reduce(moved))
    spread = float(np.sqrt(np.sum((moved * sd) ** 2)) / size) if size > 0.0 else float(np.max(sd))
    north_east = len(columns) == 2 and size > CLOSE_SDS * spread
    month = as_utc(int(times[-1])).month
    return YearAgo(
        time_us=int(times[k]),
        size=size,
        sd=spread,
        toward_bearing_deg=float(np.degrees(np.arctan2(moved[1], moved[0])) % 360.0) if north_east else None,
        winter=(month if latitude_deg >= 0.0 else (month + 5) % 12 + 1) in _WINTER_MONTHS,
    )
