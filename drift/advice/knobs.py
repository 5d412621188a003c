"""Turn a knob: which, which way in the words of the hemisphere, how far, and whether it reaches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.result import Action
from drift.advice.shims import tip_plate
from drift.advice.situation import ACT_SDS
from drift.advice.words import arcmin, azimuth_side, plain_arcmin
from drift.mount.orientation import hemisphere
from drift.quantities import Floats

if TYPE_CHECKING:
    from drift.advice.situation import Situation
    from drift.pierfile import PierFile

#: A coordinate is turned when its part of the error on the sky is at least this
#: share of the tolerance: leaving less leaves the axis well inside it.
_WORTH_TURNING = 0.5
#: A turn beyond this share of the whole travel may meet the end, wherever the knob stands.
_MAY_NOT_REACH = 0.5
#: Nights must span a year to show what comes and goes with it [days].
_YEAR_DAYS = 365.0


@dataclass(frozen=True)
class _Turn:
    """The change wanted of one axis coordinate [arcsec], clockwise or up positive."""

    knob: str  # "azimuth" or "altitude"
    change: float
    sd: float
    per_turn_arcmin: float | None
    way: str


def turns(situation: Situation) -> tuple[Action, ...]:
    """Return the turns that take the lasting error out, the larger on the sky first.

    Only a coordinate that is clearly off and worth turning is turned.  A knob
    that does not reach is replaced by what does.
    """
    to_sky = np.array([np.cos(situation.latitude_rad), 1.0])
    parts, sds = np.abs(situation.lasting) * to_sky, situation.lasting_sd * to_sky
    worth = (parts > ACT_SDS * sds) & (parts >= _WORTH_TURNING * situation.tolerance)
    order = sorted(np.flatnonzero(worth), key=lambda k: -parts[k])
    return tuple(_action(_turn(situation, int(k)), situation) for k in order)


def turned_out(situation: Situation, actions: tuple[Action, ...]) -> Floats:
    """Return the axis error that stays all year once `actions` are done, shape (2,) [arcsec]."""
    standing = situation.lasting.copy()
    for action in actions:
        if action.do in ("turn_azimuth", "turn_altitude") and action.amount_arcmin is not None:
            standing[0 if action.do == "turn_azimuth" else 1] += 60.0 * action.amount_arcmin
    return standing


def _turn(situation: Situation, k: int) -> _Turn:
    site, change = situation.site, -float(situation.lasting[k])
    sd = float(situation.lasting_sd[k])
    if k == 0:
        side = azimuth_side(change, site.site.latitude_deg)
        way = f"{side} ({'clockwise' if change >= 0 else 'anticlockwise'} seen from above)"
        return _Turn("azimuth", change, sd, site.mount.azimuth_knob_arcmin_per_turn, way)
    way = "up" if change >= 0 else "down"
    return _Turn("altitude", change, sd, site.mount.altitude_knob_arcmin_per_turn, way)


def _action(turn: _Turn, situation: Situation) -> Action:
    travel, amount = situation.site.mount.knob_travel_arcmin, turn.change / 60.0
    if travel is not None and abs(amount) > travel:
        return _out_of_travel(turn, travel, situation.site)
    number = None if turn.per_turn_arcmin is None else round(abs(amount) / turn.per_turn_arcmin, 2)
    turned = "" if number is None else f" ({number:.2f} turns of the knob)"
    by = f"by {arcmin(abs(turn.change), turn.sd)}{turned}"
    sentence = (
        f"Turn the {turn.knob} so that the axis goes {turn.way} {by}; "
        "end the turn in the direction in which the knob pushes, so that no slack is left"
    )
    if travel is not None and abs(amount) > _MAY_NOT_REACH * travel:
        sentence += f"; the knob's whole travel is {plain_arcmin(travel)}, so look first whether it reaches"
    if situation.span_days < _YEAR_DAYS:
        sentence += (
            f"; the nights span {situation.span_days:.0f} days, so part of this may yet prove seasonal"
        )
    return Action(f"turn_{turn.knob}", f"{sentence}.", amount_arcmin=round(amount, 2), turns=number)


def _out_of_travel(turn: _Turn, travel: float, site: PierFile) -> Action:
    """Return what to do when a knob can't reach: tip the plate for altitude, turn the base for azimuth."""
    short = (
        f"The axis should go {turn.way} by {arcmin(abs(turn.change), turn.sd)}, which the {turn.knob} knob "
        f"with {plain_arcmin(travel)} of travel can't reach"
    )
    if turn.knob == "azimuth":
        sentence = (
            f"{short}: set the knob to the middle of its travel and turn the mount's base on the plate."
        )
        return Action("turn_azimuth", sentence, amount_arcmin=round(turn.change / 60.0, 2))
    # alt_error = alpha - s lean_north: a tip toward the pole's side lowers the axis
    north = -hemisphere(np.radians(site.site.latitude_deg)) * turn.change
    return tip_plate(site, north, 0.0, f"{short}: with the knob in the middle of its travel")
