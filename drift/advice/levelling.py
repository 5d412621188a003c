"""Whether a base that tilts should be levelled: seldom, because it need not be level to track well.

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
from drift.advice.plate import Tip, tip_plate
from drift.advice.situation import ACT_SDS
from drift.codes import Do
from drift.mount.axis_error import size_of, tilt_of_axis
from drift.notices import AdviceCode, Notice, Value, info
from drift.quantities import ARCSEC_PER_RAD, Floats, local_date
from drift.types import HISTORY_COLUMNS, Action

if TYPE_CHECKING:
    from collections.abc import Mapping

    from drift.advice.knobs import Knob
    from drift.advice.situation import Situation
    from drift.types import History


#: A knob disturbs the other coordinate when it moves it by more than this share of its own turn on the sky.
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
    known = tilt_now(history)
    if known is None:
        return None
    tilt, sd = known
    swung = _seasonal_tilt(situation, situation.time_us) - _seasonal_tilt(situation, _start_us(history))
    return tilt - swung, sd


def base_tilt(situation: Situation, history: History) -> tuple[Floats, Floats] | None:
    """Return the same of what the mount stands on: the pier's tilt and what was shimmed since."""
    lasting = lasting_tilt(situation, history)
    if lasting is None:
        return None
    tilt, sd = lasting
    for k, column in enumerate(("plate_north", "plate_east")):
        known = np.flatnonzero(np.isfinite(history.change[:, HISTORY_COLUMNS.index(column)]))
        if known.size:
            tilt[k] += history.change[known[-1], HISTORY_COLUMNS.index(column)]
            sd[k] = math.hypot(sd[k], history.sd[known[-1], HISTORY_COLUMNS.index(column)])
    return tilt, sd


def tilts_plainly(situation: Situation, history: History) -> Notice | None:
    """Return a remark on a base that tilts and is left as it is; None where its tilt is within its limit."""
    beyond = _beyond_limit(situation, history)
    if beyond is None:
        return None
    tilt, sd = beyond
    tip = _tip(situation, history, tilt, sd)
    if tip is not None and tip.left:
        return tip.action.notice
    return info(AdviceCode.BASE_LEFT_TILTED, **_tilt(tilt, sd), without_season=situation.season.known)


def _tilt(tilt: Floats, sd: float) -> dict[str, Value]:
    return {
        "tilt_north_arcsec": float(tilt[0]),
        "tilt_east_arcsec": float(tilt[1]),
        "tilt_sd_arcsec": sd,
    }


def _beyond_limit(situation: Situation, history: History) -> tuple[Floats, float] | None:
    """Return a tilt of the base that is beyond its limit and sure, and its sd; else None."""
    base = base_tilt(situation, history)
    if base is None:
        return None
    tilt = np.nan_to_num(base[0])
    size, sd = size_of(*tilt.tolist(), *np.nan_to_num(base[1]).tolist())
    return None if size <= max(situation.site.warn.tilt_arcsec, ACT_SDS * sd) else (tilt, sd)


def across(situation: Situation, history: History) -> float:
    """Return by what share a turn of one knob moves the other coordinate, by the tilt since the start."""
    base = base_tilt(situation, history)
    if base is None or not math.isfinite(base[0][1]):
        return 0.0
    return abs(float(base[0][1])) / ARCSEC_PER_RAD / math.cos(situation.latitude_rad)


def levelling(situation: Situation, history: History, knobs: Mapping[str, Knob] | None) -> tuple[Action, ...]:
    """Return the shims or nuts that level the base again, and the turns that go with them.

    When the plate is moved the axis moves with it and has to be set again, so it is set to its best place,
    however little it was off.

    Parameters
    ----------
    situation, history
        The present state of axis and base.
    knobs
        What past corrections taught of each knob.

    Returns
    -------
    tuple of Action
        Empty when it is not needed, is too small to be set, or takes the axis out of a knob's reach.
    """
    beyond = _beyond_limit(situation, history)
    tip = None if beyond is None else _tip(situation, history, *beyond)
    if tip is None or tip.left:
        return ()
    if not tip.action.bolts:
        return (tip.action,)
    wanted = -situation.off_aim - tip.axis_change(situation.latitude_rad)
    with_it = turns(situation, wanted, situation.off_aim_sd, knobs, all_of_it=True)
    if any(action.do not in (Do.TURN_AZIMUTH, Do.TURN_ALTITUDE) for action in with_it):
        return ()
    return (_measured_again(tip), *with_it)


def _tip(situation: Situation, history: History, tilt: Floats, tilt_sd: float) -> Tip | None:
    """Return the tip that levels a tilted base; None where it need not be level."""
    shared = across(situation, history)
    if not (situation.site.plate.want_level or shared > ACROSS_AT_MOST):
        return None
    purpose = info(
        AdviceCode.TO_LEVEL_BASE,
        **_tilt(tilt, tilt_sd),
        since_date=local_date(_start_us(history), situation.zone),
        knobs_share=shared if shared > ACROSS_AT_MOST else None,
        knobs_share_limit=ACROSS_AT_MOST,
    )
    return tip_plate(situation.site, -float(tilt[0]), -float(tilt[1]), purpose)


def _measured_again(tip: Tip) -> Action:
    return replace(tip.action, remarks=(info(AdviceCode.MEASURE_AFTER_TIP),))


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
