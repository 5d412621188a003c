"""Limits that will be passed soon, going by the forecast of the axis.

Only the pier can be carried ahead, by its season and by what lasts; knobs do
not creep in a way that can.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from drift.advice.axis_error import on_sky
from drift.advice.movement import lean_now
from drift.advice.words import angle, arcmin, day, plain_arcmin
from drift.mount.orientation import hemisphere
from drift.quantities import Floats
from drift.watch.items import Item

if TYPE_CHECKING:
    from drift.advice.situation import Situation
    from drift.history.result import History
    from drift.watch.limits import Limit, Standing

#: How far ahead is looked [days].
AHEAD_DAYS = 30
#: A limit is told as passed soon when that has this many standard deviations (9 to 1, one-sided).
_LIKELY_SDS = 1.28
#: Nearer to the equator than this an azimuth error says too little of the east lean [rad].
_NEAR_EQUATOR_RAD = 0.1


def passed_soon(
    situation: Situation, history: History, limits: list[tuple[Limit, Standing]]
) -> tuple[Item, ...]:
    """Return a notice for each limit that is not passed, but likely will be within `AHEAD_DAYS`.

    Parameters
    ----------
    situation
        Where the axis stands, and where it goes untouched.
    history
        How far the pier leans now.
    limits
        What is watched, and how it stands.
    """
    if not situation.known:
        return ()
    times_us = situation.forecast.time_us[: AHEAD_DAYS + 1]
    found = []
    for limit, standing in limits:
        if standing.told is not None or standing.passed_us is not None:
            continue
        values, sds = _axis(situation) if limit.name == "axis" else _lean(situation, history)
        beyond = np.flatnonzero((values - _LIKELY_SDS * sds > limit.limit)[: AHEAD_DAYS + 1])
        if beyond.size:
            k = beyond[0]
            found.append(_item(limit, situation, int(times_us[k]), float(values[k]), float(sds[k])))
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


def _lean(situation: Situation, history: History) -> tuple[Floats, Floats]:
    """Return the lean since the start on the coming days, as far as it is told, and its sd."""
    now, forecast, latitude = lean_now(history), situation.forecast, situation.latitude_rad
    if now is None or abs(latitude) < _NEAR_EQUATOR_RAD:
        return np.zeros(len(forecast.time_us)), np.zeros(len(forecast.time_us))
    # what it adds to the axis is the pier's: az_error = lean_east tan(phi), alt_error = -s lean_north
    lever = np.array([np.tan(latitude), -hemisphere(latitude)])
    change = ((forecast.axis - history.axis_now) / lever)[:, ::-1]
    variance = ((forecast.sd**2 - history.axis_now_sd**2) / lever**2)[:, ::-1]
    told = np.isfinite(now[0])
    lean = now[0][told] + change[:, told]
    spread = np.sqrt(now[1][told] ** 2 + np.clip(variance[:, told], 0.0, None))
    values = np.hypot.reduce(lean, axis=1)
    return values, np.sqrt(np.sum((lean * spread) ** 2, axis=1)) / np.maximum(values, 1e-9)


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
    return Item("soon", time_us, sentence, mark, {"limit": limit.name, "value": value, "value_sd": sd})
