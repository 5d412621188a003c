"""The warning limits, how sure an alarm must be, and where axis and tilt are against them now."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.knobs import FAILS_CHANCE
from drift.advice.movement import baseline_of, counting, pair_of
from drift.advice.situation import OLD_DAYS, pole_offset
from drift.codes import Answer, AxisBound, LimitName, Part, Standing
from drift.history.changes import STEPS_PER_YEAR
from drift.mount.axis_error import axis_error, axis_error_sd, length
from drift.notices import Notice, WatchCode, warning
from drift.quantities import DAY_US, YEAR_DAYS, Bools, Floats, Ints, as_utc, reading_date
from drift.types import HISTORY_COLUMNS

if TYPE_CHECKING:
    import numpy.typing as npt

    from drift.advice.movement import Baseline
    from drift.types import Action, Analysis, Event, History, TiltMove


# ---- How sure an alarm must be.
#
# *Events.*  Let steps of a harmful kind be expected ``L`` times a year.  On a
# pier that stays put the expected odds of "moved" to "nothing", summed over all
# places of a step, grow by ``L`` a year and no faster, however often one looks
# (they are a likelihood ratio, a martingale when nothing happens).  So odds of
# ``K`` to 1 come up by chance at most ``L / K`` times a year (Ville's inequality,
# *Etude critique de la notion de collectif*, 1939; from memory), and ``K = L / f`` keeps the rate below
# ``f``.  The history takes up a step only at 10 to 1, so ``f`` above ``L / 10`` is never used up.
#
# *Limits.*  The smoothed value of one night is nearly that of the next; it
# is taken to be as good as new once a week (our own rule), so a value just inside its limit
# may seem beyond it in ``f / 52`` of the looks.
#
# *Corrections.*  Of those that held, at most (prior odds of failing) / K seem to have
# failed at K to 1 (Markov's inequality).
#
# Both hold for the noise that the model knows; `benchmarks/false_alarms.py` measures what comes of it.


_LOOKS_PER_YEAR = 52.0
#: A value is never reported as beyond its limit with fewer standard deviations than this.
_LEAST_SDS = 1.0
_HARMLESS = (Part.ZERO,)
#: Corrections a year that the rate is shared among: common practice, weakly held.
_CORRECTIONS_PER_YEAR = 2.0
#: A correction is never reported as failed at lower odds.
_LEAST_FAILED = 3.0


def odds_needed(false_alarms_per_year: float) -> float:
    """Return how likely "moved" must be against "nothing", as odds, before an event is an alarm."""
    steps = sum(rate for part, rate in STEPS_PER_YEAR.items() if part not in _HARMLESS)
    return max(1.0, steps / false_alarms_per_year)


def failed_at_least(false_alarms_per_year: float) -> float:
    """Return how probable it must be that a correction did not hold, before that is reported."""
    prior = FAILS_CHANCE / (1.0 - FAILS_CHANCE)
    odds = max(_LEAST_FAILED, _CORRECTIONS_PER_YEAR * prior / false_alarms_per_year)
    return odds / (1.0 + odds)


def sds_needed(false_alarms_per_year: float) -> float:
    """Return by how many standard deviations a value must be beyond its limit."""
    from scipy.special import ndtri

    chance = min(false_alarms_per_year / _LOOKS_PER_YEAR, 0.5)
    return max(_LEAST_SDS, float(-ndtri(chance)))


def sds_needed_in_plane(false_alarms_per_year: float) -> float:
    """Return the same of the length of two coordinates together: Rayleigh's law, exp(-k^2 / 2)."""
    chance = min(false_alarms_per_year / _LOOKS_PER_YEAR, 0.5)
    return max(_LEAST_SDS, math.sqrt(-2.0 * math.log(chance)))


def is_alarm(event: Event, false_alarms_per_year: float) -> bool:
    """Whether an event is an unrecorded movement, and sure enough for an alarm; provisional or not."""
    if not event.is_movement:
        return False
    odds = event.probability
    moved = sum(odds[part] for part in odds if part not in (Part.NOTHING, *_HARMLESS))
    return moved >= odds_needed(false_alarms_per_year) * odds[Part.NOTHING]


# ---- The warning limits, watched with hysteresis.
#
# The axis is known on the nights that show it; a level reading tells only how the pier tilts.  So the axis
# is watched on its nights, and on later level readings where these show that the pier has tipped since.
#
# A limit counts as passed once the value is beyond it by some standard deviations (see
# `drift.watch.limits`).  It stays passed until the value comes back below 80 % of the limit.  Once
# acknowledged it is told again only after it came back so far, or when the value has grown by a quarter
# beyond what was acknowledged.


#: Below this share of the limit a value has come back.
_BACK = 0.8
#: Grown to this many times what was acknowledged, it is told again.
_GROWN = 1.25


@dataclass(frozen=True)
class LimitState:
    """The state of a limit: the value that was acknowledged before, and when it was passed since."""

    acknowledged: float | None  # [arcsec]
    passed_us: int | None

    @property
    def is_new(self) -> bool:
        """Whether the limit is passed in a way that was not acknowledged."""
        return self.passed_us is not None


@dataclass(frozen=True)
class Limit:
    """One watched value on all nights [arcsec], and its limit.

    A value passes its limit when it is beyond it by `sure_sds` standard deviations.  `seen_us` is the last
    night that shows the axis, where the latest value goes by level readings since.
    """

    name: LimitName
    limit: float
    times_us: npt.NDArray[np.int64] = field(repr=False)
    values: Floats = field(repr=False)
    sds: Floats = field(repr=False)
    sure_sds: float = 2.0
    seen_us: int | None = None
    baseline: Baseline | None = None  # of the tilt: its baseline

    @property
    def time_us(self) -> int:
        """Time of the latest value."""
        return int(self.times_us[-1])

    def standing(self, acknowledged: float | None, as_of_us: int | None) -> LimitState:
        """Walk through the nights since the last acknowledgement and return the state of the limit now.

        Parameters
        ----------
        acknowledged
            The value acknowledged [arcsec], None when the limit was not passed then.
        as_of_us
            Time of the latest reading at that acknowledgement; None when there never was
            one.  The first night then counts as acknowledged: an axis that
            was set off the pole has not moved.
        """
        if as_of_us is None:
            as_of_us = int(self.times_us[0])
            acknowledged = float(self.values[0]) if self.values[0] > self.limit else None
        reported, passed_us = acknowledged, None
        for k in np.flatnonzero(self.times_us > as_of_us):
            value, sure = self.values[k], self.values[k] - self.sure_sds * self.sds[k]
            if value < _BACK * self.limit:
                reported, passed_us = None, None
            beyond = sure > self.limit if reported is None else value > _GROWN * reported and sure > reported
            if beyond and passed_us is None:
                passed_us = int(self.times_us[k])
        return LimitState(reported, passed_us)

    def to_acknowledge(self, state: LimitState) -> float | None:
        """Return the value that an acknowledgement now takes note of; None when the limit isn't passed."""
        if state.acknowledged is None and state.passed_us is None:
            return None
        return max(float(self.values[-1]), self.limit)

    def notice(self, state: LimitState, longitude_deg: float) -> Notice:
        """Return when the limit was passed and what the value is now, with its uncertainty."""
        return warning(
            WatchCode.LIMIT_PASSED,
            of=self.name,
            limit_arcsec=self.limit,
            passed_date=reading_date(
                self.time_us if state.passed_us is None else state.passed_us, longitude_deg
            ),
            grown=state.acknowledged is not None,
            value_arcsec=float(self.values[-1]),
            sd_arcsec=float(self.sds[-1]),
            date=reading_date(self.time_us, longitude_deg),
            back_below_arcsec=None if self.values[-1] > self.limit else _BACK * self.limit,
            last_night_date=None if self.seen_us is None else reading_date(self.seen_us, longitude_deg),
            **({} if self.baseline is None else self.baseline.values(longitude_deg)),
        )


def limits_of(analysis: Analysis) -> tuple[Limit, ...]:
    """Return the values that are watched: the axis error, and the tilt as far as it can be told apart."""
    return tuple(limit for limit in (_axis(analysis), _tilt(analysis)) if limit is not None)


@dataclass(frozen=True)
class LimitTrack:
    """Where the axis was at all readings, azimuth and altitude each with its sd."""

    time_us: npt.NDArray[np.int64] = field(repr=False)  # (n,)
    on_sky: Floats = field(repr=False)  # (n, 2) from the aimed-at pole, azimuth and altitude [arcsec]
    sds: Floats = field(repr=False)  # (n, 2) of both [arcsec]
    seen: Bools = field(repr=False)  # (n,) whether it is a night that shows the axis


def axis_track(analysis: Analysis) -> LimitTrack | None:
    """Return where the axis was: its smoothed place on the latest night, carried back and on.

    None if unknown.  After the latest night it is carried on by the level readings, and its uncertainty
    grows as that of pier and mount does.
    """
    history, latitude = analysis.history, np.radians(analysis.site.site.latitude_deg)
    known = np.all(np.isfinite(history.change), axis=1)
    times = history.time_us[known]
    seen = np.isin(times, [night.time_us for night in analysis.nights.nights if night.has_axis])
    if not seen.any() or not np.all(np.isfinite(history.axis_now)):
        return None
    last = int(np.flatnonzero(seen)[-1])
    moved = axis_error(history.change[known], float(latitude))
    to_sky, now = np.array([np.cos(latitude), 1.0]), history.axis_now - pole_offset(analysis.site)
    axis = moved - moved[last] + now
    # the uncertainty of the latest night is used for all before it
    sds = np.hypot(history.axis_now_sd, _grown(history.sd[known], last, float(latitude)))
    return LimitTrack(times, axis * to_sky, sds * to_sky, seen)


def _grown(sd: Floats, last: int, latitude_rad: float) -> Floats:
    """Return the sd of what az_error and alt_error did since row `last`, (n, 2) [arcsec]; 0 before it."""
    variance = np.clip(sd**2 - sd[last] ** 2, 0.0, None)
    variance[: last + 1] = 0.0
    return axis_error_sd(np.sqrt(variance), latitude_rad)


def _axis(analysis: Analysis) -> Limit | None:
    track = axis_track(analysis)
    if track is None:
        return None
    last_us = int(track.time_us[track.seen][-1])
    picked = track.seen | _tipped(analysis, track.time_us, last_us)
    pairs = [length(*pair) for pair in zip(track.on_sky[picked], track.sds[picked], strict=True)]
    values, sds = np.array(pairs, dtype=float).T
    times, limit = track.time_us[picked], analysis.site.warn.axis_arcmin * 60.0
    seen_us = None if times[-1] == last_us else last_us
    return Limit(LimitName.AXIS, limit, times, values, sds, _sds(analysis), seen_us)


def _tipped(analysis: Analysis, times_us: npt.NDArray[np.int64], last_us: int) -> Bools:
    """Return which readings after the latest night come after a tip of the pier that they show, (n,)."""
    tips = [
        event.before_us
        for event in analysis.history.events
        if event.is_movement
        and not event.provisional
        and event.what == Part.PIER
        and event.before_us > last_us
    ]
    return np.asarray(times_us >= min(tips)) if tips else np.zeros(times_us.size, dtype=bool)


def _columns_told_apart(history: History) -> list[int]:
    """Return the columns of the tilt that can be told from the mount, at least in part."""
    names = ("tilt_north", "tilt_east")
    return [HISTORY_COLUMNS.index(name) for name in names if pair_of(name, history).answer != Answer.NO]


def _tilt(analysis: Analysis) -> Limit | None:
    history = analysis.history
    columns = _columns_told_apart(history)
    if not columns:
        return None
    known = np.all(np.isfinite(history.change[:, columns]), axis=1) & counting(history)
    if not known.any():
        return None
    base = baseline_of(analysis.site, history)
    tilt = history.change[known][:, columns] - base.tilt[columns]
    sds = np.hypot(history.sd[known][:, columns], base.sd[columns])
    values = np.hypot.reduce(tilt, axis=1)
    spread = np.sqrt(np.sum((tilt * sds) ** 2, axis=1)) / np.maximum(values, 1e-9)
    limit, times = analysis.site.warn.tilt_arcsec, history.time_us[known]
    return Limit(LimitName.TILT, limit, times, values, spread, _sds(analysis), baseline=base)


def _sds(analysis: Analysis) -> float:
    return sds_needed(analysis.site.warn.false_alarms_per_year)


# ---- The state now: axis and tilt against their limits and against a year ago.


#: Nearer to a limit than this many standard deviations its side is uncertain.
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
    toward_bearing_deg: float | None = None  # of the tilt: None: too little, or only one component is known
    baseline: Baseline | None = None  # of the tilt: what it counts from


@dataclass(frozen=True, kw_only=True)
class YearAgo:
    """How far the tilt is from that of the same week a year before, as a vector [arcsec].

    `sd` is that of two independent readings; both count from one start, so that it is rather too large.
    """

    time_us: int  # of the reading a year before
    size: float
    sd: float
    toward_bearing_deg: float | None  # None: too little, or only one component is known
    winter: bool  # whether it is the cold half of the year

    @property
    def seen_to(self) -> float:
        """Size from which on a change would be significant [arcsec]."""
        return CLOSE_SDS * self.sd

    @property
    def is_clear(self) -> bool:
        """Whether it differs from none."""
        return self.size > self.seen_to


@dataclass(frozen=True, kw_only=True)
class NowState:
    """What the first screen shows.

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
    recent
        How far the tilt went of late, in the windows that all piers share.
    """

    axis: Against | None
    tilt: Against | None
    year_ago: YearAgo | None
    last_night_us: int | None
    last_reading_us: int | None
    now_us: int | None
    actions: tuple[Action, ...]
    recent: tuple[TiltMove, ...] = field(default=(), repr=False)

    @property
    def is_old(self) -> bool:
        """Whether the last night is too old to be a guide for today."""
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
    """Put the present state together.

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
        tilt=None if tilt is None else _tilt_against(tilt, analysis.history),
        year_ago=_year_ago(analysis.history, analysis.site.site.latitude_deg),
        last_night_us=max(nights, default=None),
        last_reading_us=max(times, default=None),
        now_us=analysis.now_us if now_us is None else now_us,
        actions=analysis.advice.actions,
        recent=analysis.history.recent,
    )


def standing_of(value: float, sd: float, limit: float) -> Standing:
    """Return on which side of its limit a value is."""
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


def _hidden_sds(history: History) -> Floats:
    """Return how far each reading leaves open a tilt that can't be told from the mount, (n,) [arcsec]."""
    told = _columns_told_apart(history)
    both = [HISTORY_COLUMNS.index(name) for name in ("tilt_north", "tilt_east")]
    hidden = [column for column in both if column not in told]
    return np.asarray(np.hypot.reduce(history.sd[:, hidden], axis=1, initial=0.0))


def _tilt_against(watched: Limit, history: History) -> Against:
    """Return the tilt against its limit, with its direction where both components are known.

    A component that can't be told from the mount is no alarm, but its uncertainty is the tilt's as well.
    """
    found, base = _against(watched, watched.limit), watched.baseline
    pairs = (history.north_tilt_from_mount_altitude, history.east_tilt_from_mount_azimuth)
    at = np.flatnonzero(history.time_us == watched.time_us)[-1]
    row, sd = history.change[at], float(np.hypot(found.sd, _hidden_sds(history)[at]))
    found = replace(found, sd=sd, standing=standing_of(found.value, sd, found.limit))
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
    columns = _columns_told_apart(history)
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
    hidden = _hidden_sds(history)[known]
    spread = float(np.sqrt(spread**2 + hidden[-1] ** 2 + hidden[k] ** 2))
    north_east = len(columns) == 2 and size > CLOSE_SDS * spread
    month = as_utc(int(times[-1])).month
    return YearAgo(
        time_us=int(times[k]),
        size=size,
        sd=spread,
        toward_bearing_deg=float(np.degrees(np.arctan2(moved[1], moved[0])) % 360.0) if north_east else None,
        winter=(month if latitude_deg >= 0.0 else (month + 5) % 12 + 1) in _WINTER_MONTHS,
    )
