"""Whether a base that tilts should be levelled: seldom, for it need not be level to track well.

Only the axis must point at the pole, and the knobs bring it there on a tilted base too.
Shims or nuts are for three cases: a knob out of travel (`drift.advice.knobs`), a tilt so
large that each knob moves the other coordinate as well, and an owner who wants it level.

On a base that tilts by t toward the east, turning the azimuth by A changes the altitude
by ``-s A t``, and raising the axis by B changes az_error by ``B t``: to first order, from
the rotations about the base's own vertical and its own east.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.knobs import turns
from drift.advice.movement import tilt_now
from drift.advice.plate import Tip, tilt_words, tip_plate
from drift.advice.situation import ACT_SDS
from drift.mount.axis_error import size_of, tilt_of_axis
from drift.quantities import ARCSEC_PER_RAD, Floats, local_date
from drift.render.phrases import percent
from drift.types import HISTORY_COLUMNS, Action

if TYPE_CHECKING:
    from collections.abc import Mapping

    from drift.advice.knobs import Knob
    from drift.advice.situation import Situation
    from drift.types import History


#: A knob works across the other when it moves it by more than this share of its own turn on the sky.
ACROSS_AT_MOST = 0.02
#: Nearer to the equator than this an azimuth error says too little of the east tilt [rad].
_NEAR_EQUATOR_RAD = 0.1


def lasting_tilt(situation: Situation, history: History) -> tuple[Floats, Floats] | None:
    """Return the pier's tilt since the start that the season doesn't take back, and sds [arcsec].

    Returns
    -------
    tilt, sd
        (north, east) each; a component that can't be told from the mount is NaN.  None when none can.
    """
    told = tilt_now(history)
    if told is None:
        return None
    tilt, sd = told
    swung = _seasonal_tilt(situation, situation.time_us) - _seasonal_tilt(situation, _start_us(history))
    return tilt - swung, sd


def base_tilt(situation: Situation, history: History) -> tuple[Floats, Floats] | None:
    """Return the same of what the mount stands on: the pier's tilt and what was shimmed since."""
    told = lasting_tilt(situation, history)
    if told is None:
        return None
    tilt, sd = told
    for k, column in enumerate(("plate_north", "plate_east")):
        known = np.flatnonzero(np.isfinite(history.change[:, HISTORY_COLUMNS.index(column)]))
        if known.size:
            tilt[k] += history.change[known[-1], HISTORY_COLUMNS.index(column)]
            sd[k] = math.hypot(sd[k], history.sd[known[-1], HISTORY_COLUMNS.index(column)])
    return tilt, sd


def tilts_plainly(situation: Situation, history: History) -> str:
    """Return a remark on a base that tilts and is left so; "" where it doesn't tilt beyond its limit."""
    told = _beyond_limit(situation, history)
    if told is None:
        return ""
    tilt, sd = told
    tip = _tip(situation, history, tilt, sd)
    if tip is not None and tip.left:
        return tip.action.sentence
    return (
        f"The base tilts {tilt_words(tilt[0], tilt[1], sd)} against how it first stood"
        f"{_but_season(situation)}; it need not be level to track well, so this is left to the knobs."
    )


def _beyond_limit(situation: Situation, history: History) -> tuple[Floats, float] | None:
    """Return a tilt of the base that is beyond its limit and sure, and its sd; else None."""
    told = base_tilt(situation, history)
    if told is None:
        return None
    tilt = np.nan_to_num(told[0])
    size, sd = size_of(*tilt.tolist(), *np.nan_to_num(told[1]).tolist())
    return None if size <= max(situation.site.warn.tilt_arcsec, ACT_SDS * sd) else (tilt, sd)


def _but_season(situation: Situation) -> str:
    """Say, where there is a season, that it isn't in the tilt: where things stand now, it is."""
    return ", what the season takes back not counted" if situation.season.known else ""


def across(situation: Situation, history: History) -> float:
    """Return by what share a turn of one knob moves the other coordinate, by the tilt since the start."""
    told = base_tilt(situation, history)
    if told is None or not math.isfinite(told[0][1]):
        return 0.0
    return abs(float(told[0][1])) / ARCSEC_PER_RAD / math.cos(situation.latitude_rad)


def levelling(
    situation: Situation, history: History, change: Floats, sd: Floats, knobs: Mapping[str, Knob] | None
) -> tuple[Action, ...]:
    """Return the shims or nuts that level the base again, and the turns that go with them.

    Parameters
    ----------
    situation, history
        Where axis and base stand.
    change, sd
        Wanted of the axis, (2,) [arcsec]; what the levelling itself does to it is taken off.
    knobs
        What past corrections taught of each knob.

    Returns
    -------
    tuple of Action
        Empty when it is not called for, or is too little to be set.
    """
    told = _beyond_limit(situation, history)
    tip = None if told is None else _tip(situation, history, *told)
    if tip is None or tip.left:
        return ()
    if not tip.action.bolts:
        return (tip.action,)
    return (_measured_again(tip), *_with_it(situation, tip, change, sd, knobs))


def _tip(situation: Situation, history: History, tilt: Floats, tilt_sd: float) -> Tip | None:
    """Return the tip that levels a tilted base; None where it need not be level."""
    shared = across(situation, history)
    if not (situation.site.plate.want_level or shared > ACROSS_AT_MOST):
        return None
    since = local_date(_start_us(history), situation.zone)
    why = f"The base tilts {tilt_words(tilt[0], tilt[1], tilt_sd)} against how it stood on {since}"
    if shared > ACROSS_AT_MOST:
        why += (
            f", so that each knob moves the other coordinate by {percent(shared)} of its turn (more than "
            f"{percent(ACROSS_AT_MOST)})"
        )
    return tip_plate(situation.site, -tilt[0], -tilt[1], f"{why}: to level it")


def _measured_again(tip: Tip) -> Action:
    sentence = f"{tip.action.sentence}  This moves the axis: measure before the knobs are turned for good."
    return replace(tip.action, sentence=sentence)


def _with_it(
    situation: Situation, tip: Tip, change: Floats, sd: Floats, knobs: Mapping[str, Knob] | None
) -> tuple[Action, ...]:
    """Return the turns that are wanted beside the tip of the plate."""
    return turns(situation, change - tip.axis_change(situation.latitude_rad), sd, knobs)


def _start_us(history: History) -> int:
    """Return the time that changes count from [us]."""
    known = np.flatnonzero(np.isfinite(history.change).any(axis=1))
    return int(history.time_us[known[0] if known.size else 0])


def _seasonal_tilt(situation: Situation, time_us: int) -> Floats:
    """Return the annual tilt (north, east) at a time: what it adds to the axis, turned back [arcsec]."""
    axis, latitude = situation.season.at(np.array([time_us]))[0], situation.latitude_rad
    if abs(latitude) < _NEAR_EQUATOR_RAD:
        axis, latitude = np.array([0.0, axis[1]]), math.copysign(_NEAR_EQUATOR_RAD, latitude)
    return tilt_of_axis(axis, latitude)
