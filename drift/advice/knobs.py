"""Turn a knob: which, which way in the words of the hemisphere, how far, and whether it reaches."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.learned import Knob
from drift.advice.result import Action
from drift.advice.shims import tip_plate
from drift.advice.situation import ACT_SDS
from drift.advice.words import (
    angle,
    arcmin,
    azimuth_side,
    counted,
    listed,
    plain_arcmin,
    turns_in_words,
)
from drift.mount.orientation import hemisphere
from drift.quantities import Floats

if TYPE_CHECKING:
    from drift.advice.situation import Situation

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

    name: str  # "azimuth" or "altitude"
    change: float
    sd: float
    per_turn_arcmin: float | None
    way: str
    knob: Knob | None  # None where nothing was learned from past turns

    @property
    def setting(self) -> float:
        """What to set the knob to by its own measure, slack and learned gain counted in [arcsec]."""
        return self.change if self.knob is None else self.knob.to_set(self.change)[0]

    @property
    def turns(self) -> float | None:
        """How many turns that is."""
        return (
            None
            if self.per_turn_arcmin is None
            else round(abs(self.setting) / 60.0 / self.per_turn_arcmin, 2)
        )


def turns(
    situation: Situation, change: Floats, sd: Floats, knobs: Mapping[str, Knob] | None = None
) -> tuple[Action, ...]:
    """Return the turns that change the axis as wanted, the larger on the sky first.

    Only a coordinate that is clearly off and worth turning is turned.  A knob
    that does not reach is replaced by what does.

    Parameters
    ----------
    situation
        Where the axis stands.
    change, sd
        Wanted of (az_error, alt_error), and how well that is known, (2,) [arcsec].
    knobs
        What past corrections taught of each knob, by name.
    """
    to_sky = np.array([np.cos(situation.latitude_rad), 1.0])
    parts, sds = np.abs(change) * to_sky, sd * to_sky
    worth = (parts > ACT_SDS * sds) & (parts >= _WORTH_TURNING * situation.tolerance)
    order = sorted(np.flatnonzero(worth), key=lambda k: -parts[k])
    made = [_turn(situation, int(k), change, sd, knobs or {}) for k in order]
    return tuple(_action(turn, situation) for turn in made)


def change_done(actions: tuple[Action, ...]) -> Floats:
    """Return what turning the knobs as in `actions` does to (az_error, alt_error), (2,) [arcsec]."""
    done = np.zeros(2)
    for action in actions:
        if action.do in ("turn_azimuth", "turn_altitude") and action.amount_arcmin is not None:
            done[0 if action.do == "turn_azimuth" else 1] += 60.0 * action.amount_arcmin
    return done


def _turn(situation: Situation, k: int, changes: Floats, sds: Floats, knobs: Mapping[str, Knob]) -> _Turn:
    site, change, sd = situation.site, float(changes[k]), float(sds[k])
    name = ("azimuth", "altitude")[k]
    knob = knobs.get(name)
    knob = knob if knob is not None and knob.turns_seen > 0 else None
    if k == 0:
        side = azimuth_side(change, site.site.latitude_deg)
        way = f"{side} ({'clockwise' if change >= 0 else 'anticlockwise'} seen from above)"
        return _Turn(name, change, sd, site.mount.azimuth_knob_arcmin_per_turn, way, knob)
    way = "up" if change >= 0 else "down"
    return _Turn(name, change, sd, site.mount.altitude_knob_arcmin_per_turn, way, knob)


def _action(turn: _Turn, situation: Situation) -> Action:
    travel, amount = situation.site.mount.knob_travel_arcmin, turn.change / 60.0
    if travel is not None and abs(amount) > travel:
        return _out_of_travel(turn, travel, situation)
    sentence = (
        f"Turn the {turn.name} so that the axis goes {turn.way} by {arcmin(abs(turn.change), turn.sd)}"
        f"{_turned(turn)}"
    )
    sentence += _learned(turn)
    if travel is not None and abs(amount) > _MAY_NOT_REACH * travel:
        sentence += f"; the knob's whole travel is {plain_arcmin(travel)}, so look first whether it reaches"
    if situation.span_days < _YEAR_DAYS:
        span = f"the nights span {situation.span_days:.0f} days"
        if situation.span_days < 1.0:
            span = "there is one night only"
        sentence += f"; {span}, so part of this may yet prove seasonal"
    return Action(f"turn_{turn.name}", f"{sentence}.", amount_arcmin=round(amount, 2), turns=turn.turns)


def _turned(turn: _Turn) -> str:
    if turn.turns is None:
        return (
            f" (mount.{turn.name}_knob_arcmin_per_turn in the site file would give it in turns of the knob)"
        )
    fraction = turns_in_words(turn.turns)
    return f" ({turn.turns:.2f} turns of the knob{f', {fraction}' if fraction else ''})"


def _learned(turn: _Turn) -> str:
    """Say what past turns taught, where it changes what is set."""
    knob = turn.knob
    if knob is None:
        return ""
    _, landing = knob.to_set(turn.change)
    said = f"; going by {counted(knob.turns_seen, 'past turn')} it should land to "
    said += arcmin(0.0, landing).split("± ")[1]
    why = []
    if knob.gain_told:
        why.append(f"the axis does {knob.gain:.2f} ± {knob.gain_sd:.2f} of what the knob is set to")
    if knob.loses(turn.change):
        why.append(f"{angle(knob.slack, knob.slack_sd)} is lost when it is turned back")
    if not why:
        return said
    how = "which is counted in" if turn.turns is not None else f"so set it as for {_setting(turn)}"
    return f"{said} ({listed(why)}, {how})"


def _setting(turn: _Turn) -> str:
    return plain_arcmin(abs(turn.setting) / 60.0)


def _out_of_travel(turn: _Turn, travel: float, situation: Situation) -> Action:
    """Return what to do when a knob can't reach: tip the plate for altitude, turn the base for azimuth."""
    short = (
        f"The axis should go {turn.way} by {arcmin(abs(turn.change), turn.sd)}, which the {turn.name} knob "
        f"with {plain_arcmin(travel)} of travel can't reach"
    )
    if turn.name == "azimuth":
        sentence = (
            f"{short}: set the knob to the middle of its travel and turn the mount's base on the plate."
        )
        return Action("turn_azimuth", sentence, amount_arcmin=round(turn.change / 60.0, 2))
    # alt_error = alpha - s lean_north: a tip toward the pole's side lowers the axis
    north = -hemisphere(situation.latitude_rad) * turn.change
    why = f"{short}: with the knob in the middle of its travel"
    return tip_plate(situation.site, north, 0.0, why).action
