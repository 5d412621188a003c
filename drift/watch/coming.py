"""Limits that will be passed soon, movements over gaps, and readings too old or too few to watch by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.advice.movement import baseline_of, tilt_now
from drift.advice.situation import silent_days
from drift.codes import LimitName, NewsKind
from drift.forecast.season import days_of_year
from drift.mount.axis_error import on_sky, tilt_of_axis
from drift.notices import Notice, WatchCode, info, warning
from drift.quantities import DAY_US, Floats, local_date, reading_date

if TYPE_CHECKING:
    from drift.advice.situation import Situation
    from drift.types import Analysis, AxisMove, History
    from drift.watch.limits import Limit, LimitState


# ---- One piece of news, and all of it.


@dataclass(frozen=True, kw_only=True)
class Item:
    """One piece of news.

    Parameters
    ----------
    kind
        Its kind.
    time_us
        The time it is about [UTC microseconds].
    notice
        Its content, as a code with values.
    seen_once
        What shows it, where that is one night or one level reading only; else None.
    mark
        Identifies the same news later, as plain numbers and text; it is stored in the record.
    facts
        Its numbers, for `drift check --json`.
    """

    kind: NewsKind
    time_us: int
    notice: Notice
    seen_once: Notice | None = None
    mark: Mapping[str, Any] = field(default_factory=dict)
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class News:
    """What is new: movements, notices, and what is seen on one night only and doesn't count yet."""

    new: tuple[Item, ...]
    provisional: tuple[Item, ...]
    notices: tuple[Item, ...] = ()

    @property
    def moved(self) -> bool:
        """Whether the pier or the mount has moved."""
        return bool(self.new)


# ---- Limits that will be passed soon, by the forecast.
#
# Only the pier can be forecast, by its season and its lasting rate; the creep of knobs can't.


#: How far ahead is looked [days].
AHEAD_DAYS = 30
#: A limit counts as passed soon from this many standard deviations on (9 to 1, one-sided).
_LIKELY_SDS = 1.28
#: Nearer to the equator than this an azimuth error says too little of the east tilt [rad].
_NEAR_EQUATOR_RAD = 0.1


def passed_soon(
    situation: Situation, history: History, limits: list[tuple[Limit, LimitState]]
) -> tuple[Item, ...]:
    """Return a notice for each limit that is not passed, but likely will be within `AHEAD_DAYS`.

    Parameters
    ----------
    situation
        Where the axis is, and where it goes untouched.
    history
        How far the pier tilts now.
    limits
        The watched limits and their state.
    """
    if not situation.known:
        return ()
    times_us = situation.forecast.time_us[: AHEAD_DAYS + 1]
    found = []
    for limit, state in limits:
        if state.acknowledged is not None or state.passed_us is not None:
            continue
        values, sds = _axis(situation) if limit.name is LimitName.AXIS else _tilt(situation, history)
        beyond = np.flatnonzero((values - _LIKELY_SDS * sds > limit.limit)[: AHEAD_DAYS + 1])
        if beyond.size:
            k = beyond[0]
            found.append(_limit_item(limit, situation, int(times_us[k]), float(values[k]), float(sds[k])))
    return tuple(found)


def _axis(situation: Situation) -> tuple[Floats, Floats]:
    """Return the angle of axis and aimed-at pole on the coming days, and its sd."""
    forecast = situation.forecast
    pairs = [
        on_sky(axis - situation.pole, sd, situation.latitude_rad)
        for axis, sd in zip(forecast.axis, forecast.sd, strict=True)
    ]
    values, sds = np.array(pairs, dtype=float).T
    return values, sds


def _tilt(situation: Situation, history: History) -> tuple[Floats, Floats]:
    """Return the tilt on the coming days as its limit counts it, as far as it is known, and its sd."""
    now, forecast, latitude = tilt_now(history), situation.forecast, situation.latitude_rad
    base = baseline_of(situation.site, history)
    if now is None or abs(latitude) < _NEAR_EQUATOR_RAD:
        return np.zeros(len(forecast.time_us)), np.zeros(len(forecast.time_us))
    # what is to be added to the axis is the pier's
    change = tilt_of_axis(forecast.axis - history.axis_now, latitude)
    grown = forecast.sd**2 - history.axis_now_sd**2
    variance = np.sign(grown)[:, ::-1] * tilt_of_axis(np.sqrt(np.abs(grown)), latitude) ** 2
    known = np.isfinite(now[0]) & np.isfinite(base.tilt)
    tilt = now[0][known] - base.tilt[known] + change[:, known]
    spread = np.sqrt(now[1][known] ** 2 + base.sd[known] ** 2 + np.clip(variance[:, known], 0.0, None))
    values = np.hypot.reduce(tilt, axis=1)
    return values, np.sqrt(np.sum((tilt * spread) ** 2, axis=1)) / np.maximum(values, 1e-9)


def _limit_item(limit: Limit, situation: Situation, time_us: int, value: float, sd: float) -> Item:
    notice = info(
        WatchCode.LIMIT_SOON,
        of=limit.name,
        limit_arcsec=limit.limit,
        by_date=local_date(time_us, situation.zone),
        value_arcsec=value,
        sd_arcsec=sd,
    )
    mark = {"kind": str(NewsKind.SOON), "of": str(limit.name), "as_of_us": int(situation.now_us)}
    facts = {"limit": str(limit.name), "value": value, "value_sd": sd}
    return Item(kind=NewsKind.SOON, time_us=time_us, notice=notice, mark=mark, facts=facts)


# ---- Readings too old, too few or too vague to watch by.


#: No reading for so long is too long [days], or for `_USUAL_GAPS` times the usual gap between nights,
#: but never longer than `_LONGEST_DAYS`: our own rule.
_OLD_DAYS, _LONGEST_DAYS, _USUAL_GAPS = 30.0, 90.0, 4.0
#: Number of gaps from which the usual interval of nights is taken.
_LATEST_GAPS = 20
#: A step shows between two nights before it and two after it.
_FEWEST_NIGHTS = 4


def blind_spots(
    analysis: Analysis, situation: Situation, sds: float, now_us: int | None, arrived_us: int | None
) -> tuple[Item, ...]:
    """Return a notice for each reason why a movement could go unseen.

    Parameters
    ----------
    analysis
        Today's analysis.
    situation
        Where the axis stands.
    sds
        How many standard deviations beyond its limit a value must be to be reported.
    now_us
        The present time; None when it isn't known, and then nothing is too old.
    arrived_us
        When readings last came into the record: a log of years ago that was imported today is an archive,
        not a watched pier.
    """
    too_old = _old(analysis, situation, now_us, arrived_us)
    return tuple(item for item in (too_old, _thin(analysis, situation, sds)) if item is not None)


def _old(analysis: Analysis, situation: Situation, now_us: int | None, arrived_us: int | None) -> Item | None:
    times = np.asarray(analysis.history.time_us)
    if now_us is None or not times.size:
        return None
    last_us = int(times[-1])
    if silent_days(last_us, now_us, arrived_us) <= _longest_usual(times):
        return None
    days = (now_us - last_us) / DAY_US
    notice = warning(
        WatchCode.NOTHING_MEASURED,
        since_date=reading_date(last_us, situation.site.site.longitude_deg),
        days=float(days),
    )
    mark = {"kind": str(NewsKind.OLD), "of": str(last_us), "as_of_us": last_us}
    facts = {"days": round(days, 1)}
    return Item(kind=NewsKind.OLD, time_us=last_us, notice=notice, mark=mark, facts=facts)


def _longest_usual(times: np.ndarray) -> float:
    gaps = np.diff(times)[-_LATEST_GAPS:] / DAY_US
    usual = _USUAL_GAPS * float(np.median(gaps)) if gaps.size else _OLD_DAYS
    return min(max(usual, _OLD_DAYS), _LONGEST_DAYS)


def _thin(analysis: Analysis, situation: Situation, sds: float) -> Item | None:
    """Return what there is too little of: nights, or knowledge of the axis."""
    nights = sum(night.has_axis for night in analysis.nights.nights)
    levels = int(np.asarray(analysis.history.time_us).size) - nights
    if nights < _FEWEST_NIGHTS and levels < _FEWEST_NIGHTS:
        few = warning(WatchCode.FEW_NIGHTS, nights=nights, needed_nights=_FEWEST_NIGHTS)
        return _thin_item("nights", situation, few)
    if not nights:
        return None
    if not situation.known:
        return _thin_item("axis", situation, warning(WatchCode.AXIS_UNKNOWN))
    error, sd = situation.error_now()
    limit = analysis.site.warn.axis_arcmin * 60.0
    if sds * sd <= limit:
        return None
    vague = warning(
        WatchCode.AXIS_TOO_VAGUE,
        error_arcsec=float(error),
        sd_arcsec=float(sd),
        limit_arcsec=limit,
        may_be_modelled=situation.may_be_modelled,
    )
    return _thin_item("axis", situation, vague)


def _thin_item(of: str, situation: Situation, notice: Notice) -> Item:
    time_us = int(situation.time_us)
    mark = {"kind": str(NewsKind.THIN), "of": of, "as_of_us": time_us}
    return Item(kind=NewsKind.THIN, time_us=time_us, notice=notice, mark=mark, facts={"of": of})


# ---- Movements over a stretch without nights.
#
# After weeks without a night a bump can't be told from frost or settlement, so that the history
# names no event.  That the axis is no longer where it was is news all the same.


#: Less than this share of the axis's warning limit isn't reported: our own rule.
LEAST_SHARE = 0.25
#: Uncertainty of the usual seasonal movement over the stretch, as a share.
WINTERS_DIFFER = 0.5
#: Where nothing was acknowledged yet, stretches that ended longer ago than this are history [days].
RECENT_DAYS = 60.0


def moved_over_gaps(
    analysis: Analysis, situation: Situation, as_of_us: int | None, sds: float
) -> tuple[Item, ...]:
    """Return what moved over long stretches without nights that have two nights after them.

    Parameters
    ----------
    analysis
        Today's analysis.
    situation
        Where the axis stands.
    as_of_us
        Time of the latest reading at the last acknowledgement; None when there never was one.
    sds
        By how many standard deviations the movement must exceed what isn't reported, see
        `drift.watch.limits.sds_needed_in_plane`.
    """
    history, to_sky = analysis.history, np.array([np.cos(situation.latitude_rad), 1.0])
    if not history.moves:
        return ()
    new_from = int(history.time_us[-1] - RECENT_DAYS * DAY_US) if as_of_us is None else as_of_us
    least = LEAST_SHARE * analysis.site.warn.axis_arcmin * 60.0
    found = []
    for move in history.moves:
        # two nights after it, as an event needs them; reported once the second is in
        if move.second_us is None or move.second_us <= new_from or _explained(history, move):
            continue
        usual = _usual(history, move) * to_sky
        moved = move.moved * to_sky - usual
        size = float(np.hypot(*moved))
        along = moved / size if size > 0.0 else np.array([1.0, 0.0])
        own = along @ (move.cov * np.outer(to_sky, to_sky)) @ along
        sd = float(np.sqrt(own + (WINTERS_DIFFER * np.hypot(*usual)) ** 2))
        if size - sds * sd > least:
            found.append(_gap_item(situation, move, size, sd, bool(np.any(usual))))
    return tuple(found)


def _explained(history: History, move: AxisMove) -> bool:
    """Whether a correction or an event lies in the stretch."""
    corrected = any(move.from_us < one.time_us <= move.to_us for one in history.corrections)
    return corrected or any(e.after_us < move.to_us and e.before_us > move.from_us for e in history.events)


def _usual(history: History, move: AxisMove) -> Floats:
    """Return what the season usually does to az_error and alt_error over a stretch, (2,) [arcsec]."""
    days = days_of_year(np.array([move.from_us, move.to_us]))
    first, last = history.seasonal_axis_offset[days]
    return np.asarray(last - first)


def _gap_item(situation: Situation, move: AxisMove, size: float, sd: float, seasonal: bool) -> Item:
    notice = warning(
        WatchCode.MOVED_OVER_GAP,
        from_date=reading_date(move.from_us, situation.site.site.longitude_deg),
        to_date=reading_date(move.to_us, situation.site.site.longitude_deg),
        days=(move.to_us - move.from_us) / DAY_US,
        size_arcsec=size,
        sd_arcsec=sd,
        beyond_season=seasonal,
    )
    mark = {"from_us": move.from_us, "to_us": move.to_us}
    facts = {"value": size, "value_sd": sd, "after_us": move.from_us}
    return Item(kind=NewsKind.GAP, time_us=move.to_us, notice=notice, mark=mark, facts=facts)
