"""Turning a knob: which one, which way, how far, whether it reaches; and what past corrections teach."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

import numpy as np

from drift.advice.movement import side_of
from drift.advice.plate import tip_plate
from drift.advice.situation import ACT_SDS
from drift.codes import CorrectionKind, Do, Rotation, Side
from drift.history.changes import LEAST_SD, SHARE_SD
from drift.history.outcome import HELD_SDS, HELD_SHARE, SET_SD, UNJUDGED_SHARE
from drift.mount.axis_error import tilt_of_axis
from drift.notices import AdviceCode, Value, info, warning
from drift.quantities import Floats
from drift.types import Action

if TYPE_CHECKING:
    from drift.site.file import PierFile
    from drift.types import CorrectionFound


# ---- What past corrections teach: how far a knob really goes for what is asked of it, and what held.
#
# A knob's *gain* is what the axis did over what the knob was set to do.  Its
# *slack* is what is lost when it is turned the other way than the last time:
#
#     found = gain * set - slack * r * sign(set) + scatter
#
# with ``r`` 1 after a reversal, 0 when it goes on the same way and 1/2 at the first turn, where that is
# unknown.  A correction that did not hold says nothing about the knob, so each is a mixture of "held"
# (above) and "did not hold" (it went anywhere within the amount asked, either way).  Gain and slack are found
# on a grid, which needs no starting point and takes any prior.


#: Prior sd of the gain about 1, where the site file gives the arcminutes a turn and where it does not:
#: common practice.  Its tails are those of Student's t with 4 degrees of freedom (whose sd is sqrt(2) times
#: its scale), because a thread that was misread is wrong by a factor.
GAIN_SD_GIVEN, GAIN_SD_GUESSED = 0.1, 0.3
_TAIL_FREEDOM = 4.0
#: Prior of the slack: half a normal distribution of this scale [arcsec]; common practice, weakly held.
SLACK_SCALE = 30.0
#: How well a person sets a knob to what is asked: a share of it, and at least `SET_SD`.
SET_SHARE = 0.05
#: Prior chance that a correction does not hold (slips, goes to another knob, is written down wrongly):
#: common practice, weakly held.
FAILS_CHANCE = 0.1
#: A correction that did less than half or more than one and a half of what was asked did not hold,
#: whatever the knob may be like: our own rule.
HELD_BETWEEN = (0.5, 1.5)
#: A correction that the readings know no better than this share of its prior is not seen yet.
_SEEN_SHARE = 0.9
#: A gain is used when it is at least this far from 1, a slack from so many sds on: the prior's is 1.3 sds,
#: and turns to and fro that lose nothing leave it there (our own choice).
_GAIN_WORTH, _SLACK_SDS = 0.03, 1.5
_GAINS = np.linspace(0.2, 2.2, 401)
_SLACKS = np.linspace(0.0, 150.0, 76)
KNOBS = ("azimuth", "altitude")
#: Corrections of the plate: no knob to learn about, only odds that they held.
_PLATE = ("shim", "nuts")


class Corrected(Protocol):
    """What knows of corrections: a history, or an evening."""

    @property
    def corrections(self) -> tuple[CorrectionFound, ...]:
        """All of them, in order of time."""


@dataclass(frozen=True, kw_only=True)
class Knob:
    """What is known of one knob.

    Parameters
    ----------
    name
        "azimuth" or "altitude".
    gain, gain_sd
        What the axis does over what the knob is set to do.
    slack, slack_sd
        Lost when the knob is turned the other way than the last time [arcsec].
    turns_seen
        How many past corrections this rests on; 0 for the prior alone.
    last_direction
        Direction of the last turn, +1 or -1 (clockwise and up positive); 0 when not known.
    """

    name: str
    way: Rotation | None = None  # in which it is turned for a positive change, as one faces it
    direction_seen: int = 0  # by how many corrections that was learned; 0 where the site file says it
    gain: float
    gain_sd: float
    slack: float
    slack_sd: float
    turns_seen: int
    last_direction: int

    @property
    def gain_known(self) -> bool:
        """Whether past turns show that the gain is not 1: until they do the knob is set by its thread."""
        return abs(self.gain - 1.0) > max(self.gain_sd, _GAIN_WORTH)

    @property
    def slack_known(self) -> bool:
        """Whether past turns show that there is slack."""
        return self.slack > _SLACK_SDS * self.slack_sd

    def to_set(self, change: float) -> tuple[float, float]:
        """Return what to set the knob to for a wanted change, and how well it will land.

        Parameters
        ----------
        change
            Wanted of az_error (clockwise positive) or alt_error (up positive) [arcsec].

        Returns
        -------
        setting, landing_sd
            By the knob's own measure, (change + slack) / gain, and the sd of what the axis then does
            [arcsec].  A gain or a slack that isn't known is left out of the setting and included in the sd:
            a prior must not make anyone turn further or less far.
        """
        if change == 0.0:
            return 0.0, 0.0
        lost, gain = _reversal(self.last_direction, change), self.gain if self.gain_known else 1.0
        slack = self.slack if self.slack_known else 0.0
        setting = (change + math.copysign(lost * slack, change)) / gain
        of_gain = math.hypot(self.gain_sd, self.gain - gain)
        of_slack = lost * math.hypot(self.slack_sd, self.slack - slack)
        own = math.hypot(SET_SHARE * change, SET_SD)
        return setting, math.hypot(setting * of_gain, of_slack, own)

    def loses(self, change: float) -> bool:
        """Whether a known slack is lost by a wanted change."""
        return self.slack_known and _reversal(self.last_direction, change) > 0.0


@dataclass(frozen=True)
class Seen:
    """One correction as the readings alone saw it [arcsec]; `found_sd` inf when they did not."""

    time_us: int
    set_to: float
    asked: float
    found: float
    found_sd: float


def learned_knobs(site: PierFile, history: Corrected) -> dict[str, Knob]:
    """Learn gain and slack of both knobs from the corrections on record.

    Parameters
    ----------
    site
        Its arcminutes a turn decide how well a knob is known beforehand.
    history
        Its `corrections`: asked against found.

    Returns
    -------
    dict
        "azimuth" and "altitude" -> what is known.
    """
    found = {}
    for name in KNOBS:
        way, direction_seen = direction_of_knob(site, history, name)
        knob = _learn(name, _prior_sd(site, name), _seen_of(site, history, name))
        found[name] = replace(knob, way=way, direction_seen=direction_seen)
    return found


def odds_held(site: PierFile, history: Corrected) -> tuple[float | None, ...]:
    """Return for each correction of the history the probability that it held.

    None where no amount was asked, where there are not yet readings on both sides of it, and where they say
    too little: a turn so small that the prior of the slack would call it failed whatever was found.
    """
    held: dict[int, float] = {}
    for name in KNOBS:
        seen = _seen_of(site, history, name)
        numbers = [k for k, c in enumerate(history.corrections) if c.kind == name and _has_amount(c)]
        held |= dict(zip(numbers, _held(seen, _prior_sd(site, name)), strict=True))
    for k, correction in enumerate(history.corrections):
        if correction.kind in _PLATE and _has_amount(correction):
            (held[k],) = _held([seen_alone(correction, None)], GAIN_SD_GIVEN)
    odds = [held.get(k, math.nan) for k in range(len(history.corrections))]
    judged = zip(history.corrections, odds, strict=True)
    return tuple(None if math.isnan(p) or _is_uncertain(c, p) else p for c, p in judged)


def _is_uncertain(correction: CorrectionFound, held: float) -> bool:
    """Whether the readings can't tell a whole correction from half of it, or don't contradict it."""
    asked, found = float(correction.asked or 0.0), float(correction.found or 0.0)
    own = math.hypot(float(correction.found_sd or 0.0), SET_SHARE * asked, SET_SD)
    against = abs(found - asked) > HELD_SHARE * abs(asked) + HELD_SDS * own
    return own > UNJUDGED_SHARE * abs(asked) or (held < 0.5 and not against)


def _per_turn_arcsec(site: PierFile, knob: str) -> float | None:
    mount = site.mount
    thread = mount.azimuth_knob_arcmin_per_turn if knob == "azimuth" else mount.altitude_knob_arcmin_per_turn
    return None if thread is None else 60.0 * thread


def _prior_sd(site: PierFile, knob: str) -> float:
    return GAIN_SD_GUESSED if _per_turn_arcsec(site, knob) is None else GAIN_SD_GIVEN


def _has_amount(correction: CorrectionFound) -> bool:
    return correction.asked is not None and math.isfinite(correction.asked) and correction.asked != 0.0


def _seen_of(site: PierFile, history: Corrected, knob: str) -> list[Seen]:
    per_turn = _per_turn_arcsec(site, knob)
    own = sorted((c for c in history.corrections if c.kind == knob), key=lambda c: c.time_us)
    return [seen_alone(c, per_turn) for c in own if _has_amount(c)]


def seen_alone(correction: CorrectionFound, per_turn: float | None) -> Seen:
    """Take the prior of the history (the amount asked, with its sd) out of what it found.

    Two normal distributions: precisions subtract, and so do means weighed by them.
    """
    asked = float(correction.asked or 0.0)
    turns = getattr(correction, "turns", None)
    set_to = asked
    if per_turn is not None and turns is not None and math.isfinite(turns) and turns != 0.0:
        set_to = math.copysign(abs(turns) * per_turn, asked)
    found, sd = correction.found, correction.found_sd
    prior_sd = math.hypot(SHARE_SD * asked, LEAST_SD)
    if found is None or sd is None or not math.isfinite(found) or not 0.0 <= sd < _SEEN_SHARE * prior_sd:
        return Seen(correction.time_us, set_to, asked, 0.0, math.inf)
    sd = max(sd, 1e-3)
    precision = sd**-2 - prior_sd**-2
    alone = (found / sd**2 - asked / prior_sd**2) / precision
    return Seen(correction.time_us, set_to, asked, alone, precision**-0.5)


def _learn(name: str, gain_sd: float, seen: Sequence[Seen]) -> Knob:
    weight = _posterior(seen, gain_sd)
    gain, spread = _moments(_GAINS, weight.sum(axis=1))
    slack, slack_spread = _moments(_SLACKS, weight.sum(axis=0))
    count_seen = sum(math.isfinite(one.found_sd) for one in seen)
    last = int(math.copysign(1, seen[-1].set_to)) if seen else 0
    return Knob(
        name=name,
        gain=gain,
        gain_sd=spread,
        slack=slack,
        slack_sd=slack_spread,
        turns_seen=count_seen,
        last_direction=last,
    )


def _held(seen: Sequence[Seen], gain_sd: float) -> list[float]:
    """Return the probability of each that it held, over all gains and slacks; NaN when not seen."""
    weight = _posterior(seen, gain_sd)
    out = []
    for one, lost in zip(seen, _reversals(seen), strict=True):
        if not math.isfinite(one.found_sd):
            out.append(math.nan)
            continue
        held, failed = _likelihoods(one, lost)
        share = _moved(one, lost) / one.asked
        did = (share >= HELD_BETWEEN[0]) & (share <= HELD_BETWEEN[1])
        out.append(float(np.sum(weight * did * np.exp(held - np.logaddexp(held, failed)))))
    return out


def _posterior(seen: Sequence[Seen], gain_sd: float) -> Floats:
    """Return the probability of each pair of gain and slack, (gains, slacks), summing to 1."""
    off = (_GAINS - 1.0) / gain_sd * math.sqrt(_TAIL_FREEDOM / (_TAIL_FREEDOM - 2.0))
    log_gain = -0.5 * (_TAIL_FREEDOM + 1.0) * np.log1p(off**2 / _TAIL_FREEDOM)
    log_slack = -0.5 * (_SLACKS / SLACK_SCALE) ** 2
    log_slack[0] -= math.log(2.0)  # the trapezoidal rule: the distribution is cut here
    log_weight = log_gain[:, None] + log_slack[None, :]
    for one, lost in zip(seen, _reversals(seen), strict=True):
        if math.isfinite(one.found_sd):
            log_weight = log_weight + np.logaddexp(*_likelihoods(one, lost))
    weight: Floats = np.exp(log_weight - log_weight.max())
    return weight / weight.sum()


def _likelihoods(one: Seen, lost: float) -> tuple[Floats, Floats]:
    """Return the log likelihood of a correction, prior chance included: it held, it did not."""
    own, moved = math.hypot(one.found_sd, SET_SHARE * one.set_to, SET_SD), _moved(one, lost)
    held = _log_normal(one.found - moved, own) + math.log(1.0 - FAILS_CHANCE)
    failed = _log_normal(np.full_like(moved, one.found), math.hypot(own, one.asked))
    return held, failed + math.log(FAILS_CHANCE)


def _moved(one: Seen, lost: float) -> Floats:
    """Return what the axis would do for each pair of gain and slack, (gains, slacks) [arcsec]."""
    slack = math.copysign(lost, one.set_to) * _SLACKS
    return np.asarray(_GAINS[:, None] * one.set_to - slack[None, :])


def _log_normal(off: Floats, sd: float) -> Floats:
    out: Floats = -0.5 * (off / sd) ** 2 - math.log(sd)
    return out


def _reversals(seen: Sequence[Seen]) -> list[float]:
    """Return for each turn how much of the slack it loses: 0, 1/2 or 1."""
    turned = [0, *(int(math.copysign(1, one.set_to)) for one in seen)]
    return [_reversal(before, one.set_to) for before, one in zip(turned, seen, strict=False)]


def _reversal(last_direction: int, change: float) -> float:
    if last_direction == 0:
        return 0.5
    return 0.0 if last_direction * change > 0.0 else 1.0


def _moments(values: Floats, weight: Floats) -> tuple[float, float]:
    mean = float(np.sum(values * weight))
    return mean, float(np.sqrt(np.sum((values - mean) ** 2 * weight)))


# ---- The direction in which a knob is turned: by the site file, or learned from recorded corrections.


def direction_of_knob(site: PierFile, history: Corrected | None, knob: str) -> tuple[Rotation | None, int]:
    """Return which way a knob is turned for a positive change, and by how many corrections that was learned.

    Parameters
    ----------
    site
        Its mount may give it: then nothing is learned, and the count is 0.
    history
        Its corrections with the way in which the knob was turned; None for the site file alone.
    knob
        "azimuth" (clockwise seen from above is positive) or "altitude" (up).

    Returns
    -------
    way, count
        None where it was never given, or where corrections contradict each other.
    """
    by_site_file = site.mount.azimuth_knob_east if knob == "azimuth" else site.mount.altitude_knob_up
    if by_site_file is not None:
        # clockwise from above is east of a north pole and west of a south pole
        same = knob == "altitude" or site.site.latitude_deg >= 0.0
        return (Rotation(by_site_file) if same else Rotation(by_site_file).other), 0
    seen = () if history is None else history.corrections
    votes = [
        c.knob_way if _done_by(c) > 0.0 else c.knob_way.other
        for c in seen
        if c.kind == knob and c.held is not False and _done_by(c) != 0.0 and c.knob_way is not None
    ]
    return (votes[0], len(votes)) if len(set(votes)) == 1 else (None, 0)


def _done_by(correction: CorrectionFound) -> float:
    """Return what a correction did, or was meant to do where that isn't seen yet; 0 if unknown."""
    done = correction.asked if correction.found is None else correction.found
    return float(done) if done is not None and math.isfinite(done) else 0.0


# ---- Turn a knob: which, which way, how far, and whether it reaches.


#: A coordinate is turned when its part of the error on the sky is at least this share of the tolerance:
#: with less the axis is well inside it.
_WORTH_TURNING = 0.5
#: Least change that is set when the axis is moved anyway [arcsec]: three times the error of setting a knob.
_SETTABLE = 3.0 * SET_SD
#: A turn beyond this share of the whole travel may reach the end, wherever the knob is.
_MAY_NOT_REACH = 0.5
#: Nights must span a year to show what comes and goes with it [days].
_YEAR_DAYS = 365.0


class TurnInputs(Protocol):
    """Where the axis stands, as far as a turn depends on it; see `drift.advice.situation.Situation`."""

    @property
    def site(self) -> PierFile:
        """The site file."""

    @property
    def latitude_rad(self) -> float:
        """Geodetic latitude [rad]."""

    @property
    def tolerance(self) -> float:
        """How far the axis may be off on the sky [arcsec]."""

    @property
    def span_days(self) -> float:
        """How long nights have been looked at [d]."""


@dataclass(frozen=True, kw_only=True)
class _Turn:
    """The change wanted of one axis coordinate [arcsec], clockwise or up positive."""

    kind: CorrectionKind  # azimuth or altitude
    change: float
    sd: float
    per_turn_arcmin: float | None
    side: Side  # to which the axis end is to go
    knob: Knob | None  # None where past turns have taught nothing
    way: Rotation | None  # in which the knob is turned, as one faces it
    direction_seen: int

    @property
    def setting(self) -> float:
        """The setting by the knob's own measure, slack and learned gain included [arcsec]."""
        return self.change if self.knob is None else self.knob.to_set(self.change)[0]

    @property
    def turns(self) -> float | None:
        """How many turns that is, with the sign of the change."""
        return None if self.per_turn_arcmin is None else round(self.setting / 60.0 / self.per_turn_arcmin, 2)


def turns(
    situation: TurnInputs,
    change: Floats,
    sd: Floats,
    knobs: Mapping[str, Knob] | None = None,
    all_of_it: bool = False,
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
    all_of_it
        Whether everything that can be set is worth turning, because the axis is moved anyway.
    """
    to_sky = np.array([np.cos(situation.latitude_rad), 1.0])
    parts, sds = np.abs(change) * to_sky, sd * to_sky
    least = _SETTABLE if all_of_it else _WORTH_TURNING * situation.tolerance
    worth = (parts > (0.0 if all_of_it else ACT_SDS) * sds) & (parts >= least)
    order = sorted(np.flatnonzero(worth), key=lambda k: -parts[k])
    made = [_turn(situation, int(k), change, sd, knobs or {}) for k in order]
    return tuple(_action(turn, situation) for turn in made)


def change_done(actions: tuple[Action, ...]) -> Floats:
    """Return what turning the knobs as in `actions` does to (az_error, alt_error), (2,) [arcsec]."""
    done = np.zeros(2)
    for action in actions:
        if action.do in (Do.TURN_AZIMUTH, Do.TURN_ALTITUDE) and action.amount_arcmin is not None:
            done[0 if action.do == Do.TURN_AZIMUTH else 1] += 60.0 * action.amount_arcmin
    return done


def _turn(situation: TurnInputs, k: int, changes: Floats, sds: Floats, knobs: Mapping[str, Knob]) -> _Turn:
    mount, latitude_deg = situation.site.mount, situation.site.site.latitude_deg
    change = float(changes[k])
    kind, per_turn = (
        (CorrectionKind.AZIMUTH, mount.azimuth_knob_arcmin_per_turn),
        (CorrectionKind.ALTITUDE, mount.altitude_knob_arcmin_per_turn),
    )[k]
    knob = knobs.get(kind)
    way, direction_seen = (
        direction_of_knob(situation.site, None, kind) if knob is None else (knob.way, knob.direction_seen)
    )
    return _Turn(
        kind=kind,
        change=change,
        sd=float(sds[k]),
        per_turn_arcmin=per_turn,
        side=side_of(("mount_az", "mount_alt")[k], change, latitude_deg),
        knob=knob if knob is not None and knob.turns_seen > 0 else None,
        way=way if way is None or change >= 0.0 else way.other,
        direction_seen=direction_seen,
    )


def _action(turn: _Turn, situation: TurnInputs) -> Action:
    travel, amount = situation.site.mount.knob_travel_arcmin, turn.change / 60.0
    if travel is not None and abs(amount) > travel:
        return _out_of_travel(turn, travel, situation)
    near_end = travel is not None and abs(amount) > _MAY_NOT_REACH * travel
    notice = info(
        AdviceCode.TURN,
        **_wanted(turn),
        turns=turn.turns,
        way=turn.way,
        way_seen=turn.direction_seen,
        **_learned(turn),
        travel_arcmin=travel if near_end else None,
        span_days=situation.span_days if situation.span_days < _YEAR_DAYS else None,
    )
    return Action(do=_DO[turn.kind], notice=notice, amount_arcmin=round(amount, 2), turns=turn.turns)


_DO = {CorrectionKind.AZIMUTH: Do.TURN_AZIMUTH, CorrectionKind.ALTITUDE: Do.TURN_ALTITUDE}


def _wanted(turn: _Turn) -> dict[str, Value]:
    return {
        "knob": turn.kind,
        "change_arcsec": turn.change,
        "change_sd_arcsec": turn.sd,
        "side": turn.side,
        "clockwise": turn.change >= 0.0 if turn.kind == CorrectionKind.AZIMUTH else None,
    }


def _learned(turn: _Turn) -> dict[str, Value]:
    """Return what past turns taught: the sd of landing, and gain or slack that change the setting."""
    knob = turn.knob
    if knob is None:
        return {"past_turns": 0}
    loses, teaches = knob.loses(turn.change), knob.gain_known or knob.loses(turn.change)
    return {
        "past_turns": knob.turns_seen,
        "landing_sd_arcsec": knob.to_set(turn.change)[1],
        "gain": knob.gain if knob.gain_known else None,
        "gain_sd": knob.gain_sd if knob.gain_known else None,
        "slack_arcsec": knob.slack if loses else None,
        "slack_sd_arcsec": knob.slack_sd if loses else None,
        "set_as_for_arcsec": abs(turn.setting) if teaches else None,
    }


def _out_of_travel(turn: _Turn, travel: float, situation: TurnInputs) -> Action:
    """Return what to do when a knob can't reach: tip the plate for altitude, turn the base for azimuth."""
    wanted = {**_wanted(turn), "travel_arcmin": travel}
    if turn.kind == CorrectionKind.AZIMUTH:
        return Action(
            do=Do.TURN_AZIMUTH,
            notice=warning(AdviceCode.TURN_BASE, **wanted),
            amount_arcmin=round(turn.change / 60.0, 2),
        )
    north = float(tilt_of_axis(np.array([0.0, turn.change]), situation.latitude_rad)[0])
    return tip_plate(situation.site, north, 0.0, info(AdviceCode.ALTITUDE_OUT_OF_TRAVEL, **wanted)).action
