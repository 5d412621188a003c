"""Limits that will be passed soon, going by what comes every year and by what lasts.

Only the annual shape and the lasting rate of the lean can be carried ahead;
knobs do not creep in a way that can.  So nothing is foretold in the first year.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.axis_error import on_sky
from drift.advice.movement import lean_now
from drift.advice.words import angle, arcmin, as_utc, day, plain_arcmin
from drift.mount.orientation import hemisphere
from drift.quantities import DAY_US, YEAR_DAYS, Floats
from drift.watch.items import Item

if TYPE_CHECKING:
    from drift.advice.situation import Situation
    from drift.history.result import History
    from drift.watch.limits import Limit, Standing

#: How far ahead is looked [days].
AHEAD_DAYS = 30
#: A limit is told as passed soon when that has this many standard deviations (9 to 1, one-sided).
_LIKELY_SDS = 1.28
#: One winter differs from the mean one by this share of the swing (as in `drift.advice.situation`).
_WINTER_SHARE = 0.3
_WALK = "lean walk [arcsec per sqrt day]"
#: Nearer to the equator than this an azimuth error says too little of the east lean [rad].
_NEAR_EQUATOR_RAD = 0.1


@dataclass(frozen=True)
class _Ahead:
    """Change of the lean (north, east) from the last night on, (days, 2) [arcsec], and its sd, (days, 2)."""

    times_us: list[int]
    change: Floats
    sd: Floats


def passed_soon(
    situation: Situation, history: History, limits: list[tuple[Limit, Standing]]
) -> tuple[Item, ...]:
    """Return a notice for each limit that is not passed, but likely will be within `AHEAD_DAYS`.

    Parameters
    ----------
    situation
        Where the axis stands.
    history
        Its annual shape, lasting rate and walk are carried ahead.
    limits
        What is watched, and how it stands.
    """
    ahead = _ahead(situation, history)
    if ahead is None:
        return ()
    found = []
    for limit, standing in limits:
        if standing.told is not None or standing.passed_us is not None:
            continue
        values, sds = _axis(situation, ahead) if limit.name == "axis" else _lean(history, ahead)
        beyond = np.flatnonzero(values - _LIKELY_SDS * sds > limit.limit)
        if beyond.size:
            found.append(
                _item(limit, situation, ahead.times_us[beyond[0]], values[beyond[0]], sds[beyond[0]])
            )
    return tuple(found)


def _ahead(situation: Situation, history: History) -> _Ahead | None:
    """Carry the lean ahead; None when neither season nor lasting rate is sure."""
    lasting = history.lasting
    sure = lasting is not None and lasting.toward_bearing_deg is not None
    if (
        not situation.known
        or not (sure or np.any(situation.year))
        or abs(situation.latitude_rad) < _NEAR_EQUATOR_RAD
    ):
        return None
    first = max((situation.now_us - situation.time_us) // DAY_US, 0) + 1
    days = np.arange(first, first + AHEAD_DAYS)
    times = [situation.time_us + int(n) * DAY_US for n in days]
    rate, rate_sd = np.zeros(2), 0.0
    if lasting is not None and lasting.toward_bearing_deg is not None:
        bearing = np.radians(lasting.toward_bearing_deg)
        rate = lasting.arcsec_per_year * np.array([np.cos(bearing), np.sin(bearing)])
        rate_sd = lasting.arcsec_per_year_sd
    season = _seasonal_lean(situation, times) - _seasonal_lean(situation, [situation.time_us])
    years = days[:, None] / YEAR_DAYS
    walk = history.scales.get(_WALK, 0.0) * np.sqrt(days)[:, None]
    sd = np.sqrt((_WINTER_SHARE * season) ** 2 + (rate_sd * years) ** 2 + walk**2)
    return _Ahead(times, season + rate * years, sd)


def _seasonal_lean(situation: Situation, times: list[int]) -> Floats:
    """Return the annual lean (north, east) at some times: what it adds to the axis, turned back."""
    rows = [min(as_utc(time).timetuple().tm_yday, 366) - 1 for time in times]
    az, alt = situation.year[rows].T
    latitude = situation.latitude_rad
    return np.stack([-hemisphere(latitude) * alt, az / np.tan(latitude)], axis=1)


def _axis(situation: Situation, ahead: _Ahead) -> tuple[Floats, Floats]:
    """Return the angle of axis and pole on the coming days, and its sd."""
    latitude = situation.latitude_rad
    lever = np.array([-hemisphere(latitude), np.tan(latitude)])
    change, sd = (ahead.change * lever)[:, ::-1], (ahead.sd * np.abs(lever))[:, ::-1]
    pairs = [
        on_sky(situation.now + moved, np.hypot(situation.now_sd, moved_sd), latitude)
        for moved, moved_sd in zip(change, sd, strict=True)
    ]
    values, sds = np.array(pairs, dtype=float).T
    return values, sds


def _lean(history: History, ahead: _Ahead) -> tuple[Floats, Floats]:
    """Return the lean since the start on the coming days, as far as it is told, and its sd."""
    now = lean_now(history)
    if now is None:
        return np.zeros(len(ahead.times_us)), np.zeros(len(ahead.times_us))
    told = np.isfinite(now[0])
    lean = now[0][told] + ahead.change[:, told]
    sds = np.hypot(now[1][told], ahead.sd[:, told])
    values = np.hypot.reduce(lean, axis=1)
    return values, np.sqrt(np.sum((lean * sds) ** 2, axis=1)) / np.maximum(values, 1e-9)


def _item(limit: Limit, situation: Situation, time_us: int, value: float, sd: float) -> Item:
    if limit.name == "axis":
        what, then, most = "The axis", arcmin(value, sd), plain_arcmin(limit.limit / 60.0)
    else:
        what, then, most = "The pier's lean", angle(value, sd), f'{limit.limit:.0f}"'
    when = day(time_us, situation.zone)
    sentence = (
        f"{what} will likely pass its warning limit of {most} by {when}, going by the season and by what "
        f"lasts: it should then be {then}."
    )
    mark = {"kind": "soon", "of": limit.name, "as_of_us": int(situation.now_us)}
    return Item(
        "soon", time_us, sentence, mark, {"limit": limit.name, "value": float(value), "value_sd": float(sd)}
    )
