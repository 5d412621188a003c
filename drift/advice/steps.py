"""What to do, in the order a careful person would, and which steps are done already."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from drift.advice.cautions import call_for_help, cautions_for
from drift.advice.knobs import change_done, learned_knobs, turns
from drift.advice.levelling import levelling, tilts_plainly
from drift.advice.misrecorded import Realigned, Suspect, realigned, suspects
from drift.advice.movement import Movement, doubtful_pairs, event_part, findings_of, side_of
from drift.advice.situation import (
    ACT_SDS,
    ADJUSTING,
    OLD_DAYS,
    latest_us,
    looked_at,
    night_first,
    of_today,
    poles_of,
    situation_of,
    year_aim,
)
from drift.advice.verdict import KNOB_OF, verdict_of
from drift.codes import AxisReason, CorrectionKind, Do, Misrecorded, MovedPart, Part
from drift.forecast.outlook import realign_by
from drift.mount.axis_error import on_sky
from drift.notices import AdviceCode, Notice, Value, as_value, info, warning
from drift.quantities import DAY_US, local_date, reading_date
from drift.types import Action, Advice, Bolt, Done

if TYPE_CHECKING:
    from drift.advice.knobs import Knob
    from drift.advice.situation import Situation
    from drift.readings import StepDone
    from drift.site.file import PierFile
    from drift.types import AxisForecast, CorrectionFound, Event, History, Nights


# ---- Corrections that no night has seen yet.
#
# The axis is known as of the last night that shows it.  A knob that was turned
# since then has moved it by an amount that only the next night tells, so turning
# again by the same night's error would count that error twice.
#
# What one night advises is one list.  A step that was done as advised leaves the list, and nothing else
# does: the other steps were worked out together with it.  A correction that was done differently holds back
# everything that rests on an axis from before it.


_C = CorrectionKind
#: Kind of correction -> the actions that rest on an axis from before it.
_HELD_BACK = {
    _C.AZIMUTH: (Do.TURN_AZIMUTH, Do.SHIM, Do.NUTS),
    _C.ALTITUDE: (Do.TURN_ALTITUDE, Do.SHIM, Do.NUTS),
    _C.SHIM: ADJUSTING,
    _C.NUTS: ADJUSTING,
    _C.TIGHTEN: ADJUSTING,
    _C.REMOUNT: ADJUSTING,
    _C.PIER: ADJUSTING,
}
#: Kind of correction -> the actions that it takes off the list when done as advised.
_ITSELF = {
    _C.AZIMUTH: Do.TURN_AZIMUTH,
    _C.ALTITUDE: Do.TURN_ALTITUDE,
    _C.SHIM: Do.SHIM,
    _C.NUTS: Do.NUTS,
    _C.TIGHTEN: Do.TIGHTEN,
}
_KNOBS = (_C.AZIMUTH, _C.ALTITUDE)


def unseen(situation: Situation, history: History) -> tuple[CorrectionFound, ...]:
    """Return the corrections since the last night that shows the axis."""
    return tuple(
        correction
        for correction in history.corrections
        if correction.kind in _HELD_BACK and correction.time_us > situation.time_us
    )


def done_of_list(
    situation: Situation, history: History, steps: Sequence[StepDone]
) -> tuple[tuple[CorrectionFound, StepDone], ...]:
    """Return the corrections since the last night that were done as its list advised, with their steps."""
    by = {(step.kind, step.time_us): step for step in steps}
    return tuple(
        (correction, by[correction.kind, correction.time_us])
        for correction in unseen(situation, history)
        if correction.kind in _ITSELF and (correction.kind, correction.time_us) in by
    )


def without(history: History, corrections: tuple[CorrectionFound, ...]) -> History:
    """Return a history that doesn't know of some corrections that no night has seen."""
    return replace(history, corrections=tuple(c for c in history.corrections if c not in corrections))


def done_step(correction: CorrectionFound, step: StepDone, situation: Situation) -> Done:
    """Return what was done of the list, and when."""
    kind = CorrectionKind(correction.kind)
    asked = correction.asked if kind in _KNOBS else None
    component = "mount_az" if kind == _C.AZIMUTH else "mount_alt"
    notice = info(
        AdviceCode.DONE,
        kind=kind,
        date=local_date(correction.time_us, situation.zone),
        asked_arcsec=asked,
        side=None if asked is None else side_of(component, asked, situation.site.site.latitude_deg),
    )
    return Done(step=step.step, time_us=correction.time_us, notice=notice)


def hold_back(
    actions: tuple[Action, ...],
    situation: Situation,
    history: History,
    done: tuple[CorrectionFound, ...] = (),
) -> tuple[Action, ...]:
    """Take off the list what is done or rests on an axis from before a correction; then measure.

    Parameters
    ----------
    actions
        What the last night alone would advise.
    situation
        When that night was.
    history
        The corrections, without those of `done`.
    done
        What `done_of_list` found.

    Returns
    -------
    tuple
        The actions that still hold, and a "measure" at their end when there is a correction that no night
        has seen.
    """
    others = unseen(situation, history)
    if not (others or done):
        return actions
    stale = _stale(others, done)
    left = [action for action in actions if action.do not in stale]
    made = sorted((*others, *done), key=lambda c: c.time_us)
    notice = info(
        AdviceCode.NOT_SEEN_YET,
        corrections=tuple((_C(c.kind), local_date(c.time_us, situation.zone)) for c in made),
        after_the_list=any(action.do in (*ADJUSTING, Do.TIGHTEN) for action in left),
        leave_all=any(_HELD_BACK[_C(c.kind)] == ADJUSTING for c in others),
        leave_knobs=tuple(k for k in _KNOBS if any(c.kind == k for c in made)),
    )
    return (*left, Action(do=Do.MEASURE, notice=notice))


def _stale(others: tuple[CorrectionFound, ...], done: tuple[CorrectionFound, ...]) -> set[Do]:
    """Return what is no more to be done by the last night's list."""
    stale = {do for correction in others for do in _HELD_BACK[_C(correction.kind)]}
    return stale | {_ITSELF[_C(correction.kind)] for correction in done} | {Do.NOTHING}


# ---- The advice as steps that can be recorded as done.
#
# The record keeps a step when it is shown, with an id of its own.  Until a new night changes the advice it
# can be recorded by that id, whatever else of the list is done and however the amount has changed since, as
# the year ahead begins a day later each day.  A recorded step is off the list, so that nothing can be
# recorded twice by it.


_KIND_OF = {do: kind for kind, do in _ITSELF.items()}


@dataclass(frozen=True, kw_only=True)
class AdvisedStep:
    """A step as numbers: all that is needed to record that it was done."""

    do: Do
    amount_arcmin: float | None = None  # signed as az_error or alt_error
    turns: float | None = None  # of the knob, with the sign of `amount_arcmin`
    bolts: tuple[Bolt, ...] = ()

    @classmethod
    def of(cls, action: Action) -> AdvisedStep | None:
        """Return the step of an action; None for what is no correction, or can't be recorded in numbers."""
        step = cls(do=action.do, amount_arcmin=action.amount_arcmin, turns=action.turns, bolts=action.bolts)
        return step if step.rows() else None

    @classmethod
    def from_numbers(cls, do: str, numbers: Mapping[str, Any]) -> AdvisedStep:
        """Return the step whose `numbers` they are."""
        bolts = tuple(
            Bolt(bearing_deg=bearing, thickness_mm=thickness, nut_turns=turns)
            for bearing, thickness, turns in numbers.get("bolts", ())
        )
        return cls(
            do=Do(do), amount_arcmin=numbers.get("amount_arcmin"), turns=numbers.get("turns"), bolts=bolts
        )

    def numbers(self) -> dict[str, Any]:
        """Return the amounts by name, as JSON has them."""
        bolts = [[one.bearing_deg, one.thickness_mm, one.nut_turns] for one in self.bolts]
        return {"amount_arcmin": self.amount_arcmin, "turns": self.turns, "bolts": bolts}

    def rows(self) -> tuple[dict[str, str], ...]:
        """Return the rows of the log of corrections that say that it was done as advised."""
        kind = _KIND_OF.get(self.do)
        if kind in _KNOBS and self.amount_arcmin is not None:
            turns = "" if self.turns is None else f"{self.turns:g}"
            return ({"kind": str(kind), "amount_arcmin": f"{self.amount_arcmin:g}", "turns": turns},)
        if kind == _C.TIGHTEN:
            return ({"kind": str(kind)},)
        if kind not in (_C.SHIM, _C.NUTS):
            return ()
        column = "thickness_mm" if kind == _C.SHIM else "turns"
        amounts = [
            (one.bearing_deg, one.thickness_mm if kind == _C.SHIM else one.nut_turns) for one in self.bolts
        ]
        if any(amount is None for _, amount in amounts):
            return ()
        return tuple(
            {"kind": str(kind), "bearing_deg": f"{bearing:g}", column: f"{amount:g}"}
            for bearing, amount in amounts
        )


def awaits_a_night(actions: Sequence[Action], action: Action) -> bool:
    """Whether an action turns or lifts something by a night too old for that: one has to be taken first."""
    first = any(one.notice.code == AdviceCode.NIGHT_FIRST for one in actions)
    return first and action.do in ADJUSTING


def may_be_recorded(
    do: Do, night_us: int, situation: Situation, history: History, steps_done: Sequence[StepDone]
) -> bool:
    """Whether a step that was advised by a night may still be recorded as done.

    Not after a newer night, nor after a correction that holds it back.
    """
    done = tuple(correction for correction, _ in done_of_list(situation, history, steps_done))
    others = unseen(situation, without(history, done))
    return night_us == situation.time_us and do not in _stale(others, done)


# ---- The order of steps.
#
# Wait for what comes back by itself, measure what isn't known, get help for a pier that keeps tilting,
# tighten what slipped, and only then turn or lift anything.


#: The season explains most of an error when what lasts is less than this share of it.
_MOST = 0.5


def actions_for(
    situation: Situation,
    findings: tuple[Movement, ...],
    nights: Nights,
    history: History,
    knobs: Mapping[str, Knob] | None = None,
) -> tuple[Action, ...]:
    """Return what to do, in order; one "nothing" when there is nothing.

    Parameters
    ----------
    situation
        Where the axis stands.
    findings
        What moved.
    nights, history
        All nights and what they say.
    knobs
        What past corrections taught of each knob, by name.
    """
    adjusting = _adjusting(situation, history, knobs)
    waiting = _wait(situation, adjusting)
    measuring = _measure(situation, findings, history)
    if not (adjusting or waiting or measuring):
        waiting = _undecided(situation)  # to wait or, failing that, to measure
    actions = [
        *waiting,
        *measuring,
        *call_for_help(situation, history),
        *_tighten(situation, findings, nights, history),
        *adjusting,
    ]
    return tuple(actions) or (_nothing(situation, history),)


def _adjusting(
    situation: Situation, history: History, knobs: Mapping[str, Knob] | None
) -> tuple[Action, ...]:
    """Return what is turned or lifted: for an axis that is off, and for a level base where it is wanted."""
    if not situation.known or _provisional(history) or _is_old(situation):
        return ()
    off = situation.over(*situation.error_now()) and situation.over(*situation.error_off_aim())
    levels = levelling(situation, history, knobs)
    if any(action.bolts for action in levels) or not off:
        return levels
    made = turns(situation, -situation.off_aim, situation.off_aim_sd, knobs)
    remark = tilts_plainly(situation, history) if made and not levels else None
    if remark is not None:
        made = (replace(made[0], remarks=(*made[0].remarks, remark)), *made[1:])
    return (*levels, *made)


def _nothing(situation: Situation, history: History) -> Action:
    error, sd = situation.error_now()
    lasting, lasting_sd = situation.error_lasting()
    hidden, by_us = situation.over(lasting, lasting_sd), realign_by(history, situation)
    notice = info(
        AdviceCode.NOTHING,
        **_now(situation),
        **_tolerance(situation),
        margin_arcsec=situation.tolerance - error,
        lasting_arcsec=lasting if hidden else None,
        lasting_sd_arcsec=lasting_sd if hidden else None,
        realign_by_date=None if by_us is None else local_date(by_us, situation.zone),
        realign_soon=by_us is not None and by_us <= situation.now_us,
    )
    remarks = (_frames_turn(situation), tilts_plainly(situation, history))
    present = tuple(remark for remark in remarks if remark is not None)
    return Action(do=Do.NOTHING, notice=notice, until_us=by_us, remarks=present)


def _frames_turn(situation: Situation) -> Notice | None:
    """Return a remark on field rotation over a session where the axis needs nothing."""
    over = [m for m in situation.matters if not m.binding and m.margin_arcmin < 0.0]
    if not over:
        return None
    of = over[0].limit.values
    return info(AdviceCode.TURN_FRAMES_BACK, session_min=of["session_min"], most_pixels=of["most_pixels"])


def _now(situation: Situation) -> dict[str, Value]:
    error, sd = situation.error_now()
    return {"axis_arcsec": error, "axis_sd_arcsec": sd}


def _tolerance(situation: Situation) -> dict[str, Value]:
    return {"tolerance_arcsec": situation.tolerance, "tolerance_of": situation.tolerance_of}


def _wait(situation: Situation, adjusting: tuple[Action, ...]) -> list[Action]:
    if not situation.known or not situation.season.known or not situation.over(*situation.error_now()):
        return []
    change = change_done(adjusting)
    if adjusting and situation.angle_of(situation.now + change) <= situation.tolerance:
        return []
    if not adjusting and not _season_explains(situation):
        return []
    until_us, then, sd = situation.comes_back(change)
    if until_us <= situation.now_us:
        return []
    if adjusting:
        code = AdviceCode.WAIT_AFTER_TURNING
        left, left_sd = on_sky(situation.now + change, situation.now_sd, situation.latitude_rad)
    else:
        code = AdviceCode.WAIT_FOR_SEASON
        left, left_sd = situation.error_lasting()
    notice = info(
        code,
        **_now(situation),
        left_arcsec=left,
        left_sd_arcsec=left_sd,
        until_date=local_date(until_us, situation.zone),
        then_arcsec=then,
        then_sd_arcsec=sd,
    )
    return [Action(do=Do.WAIT, notice=notice, until_us=until_us)]


def _season_explains(situation: Situation) -> bool:
    lasting, _ = situation.error_lasting()
    error, _ = situation.error_now()
    return lasting <= situation.tolerance or lasting < _MOST * error


def _measure(situation: Situation, findings: tuple[Movement, ...], history: History) -> list[Action]:
    found = [
        _first_night(situation),
        _old_night(situation),
        _one_night(situation, history),
        _uncertain(situation),
        *_would_settle(findings, history),
    ]
    return [Action(do=Do.MEASURE, notice=notice) for notice in found if notice is not None]


def _first_night(situation: Situation) -> Notice | None:
    if situation.known:
        return None
    altered = situation.axis_reason is AxisReason.REPORTS_ALTERED
    return info(AdviceCode.TAKE_SWEEP if altered else AdviceCode.FIRST_NIGHT)


def _is_old(situation: Situation) -> bool:
    return situation.now_us - situation.time_us > OLD_DAYS * DAY_US


def _old_night(situation: Situation) -> Notice | None:
    if not situation.known or not _is_old(situation):
        return None
    return warning(
        AdviceCode.OLD_NIGHT,
        age_days=situation.now_us // DAY_US - situation.time_us // DAY_US,
        last_night_date=situation.last_night_date,
    )


def _provisional(history: History) -> list[Event]:
    """Return what only one night shows, except a lost zero: the axis didn't move with it.

    It need not be likely enough to be called a movement: the present axis rests on that night alone.
    """
    return [e for e in history.events if e.provisional and not e.recorded and e.what != Part.ZERO]


def _one_night(situation: Situation, history: History) -> Notice | None:
    once = _provisional(history)
    if not once:
        return None
    latest = max(once, key=lambda event: event.before_us)
    return warning(
        AdviceCode.STEP_SEEN_ONCE,
        date=reading_date(latest.before_us, situation.site.site.longitude_deg),
        part_told=event_part(latest) != MovedPart.UNDETERMINED,
        only_sensor=latest.only_sensor,
    )


def _uncertain(situation: Situation) -> Notice | None:
    if not situation.known:
        return None
    error, sd = situation.error_now()
    if ACT_SDS * sd <= situation.tolerance or situation.over(error, sd):
        return None
    code = AdviceCode.SAY_WHAT_IS_REPORTED if situation.may_be_modelled else AdviceCode.AXIS_UNCERTAIN
    return warning(code, **_now(situation), **_tolerance(situation))


def _undecided(situation: Situation) -> list[Action]:
    """Return what to do when the error is too large, but its lasting part isn't known."""
    error, sd = situation.error_now()
    if not situation.known or not situation.over(error, sd):
        return []
    off = {**_now(situation), **_tolerance(situation)}
    if situation.season.known and _season_explains(
        situation
    ):  # and the time by which it should be back is over
        return [Action(do=Do.MEASURE, notice=warning(AdviceCode.SEASON_OVERDUE, **off))]
    lasting, lasting_sd = situation.error_lasting()
    off |= {"lasting_arcsec": lasting, "lasting_sd_arcsec": lasting_sd}
    rest_us = situation.season.next_rest(situation.time_us)
    if rest_us is None or rest_us <= situation.now_us:
        return [Action(do=Do.MEASURE, notice=warning(AdviceCode.MEASURE_WHAT_LASTS, **off))]
    until = local_date(rest_us, situation.zone)
    notice = warning(AdviceCode.WAIT_FOR_WHAT_LASTS, **off, until_date=until)
    return [Action(do=Do.WAIT, notice=notice, until_us=rest_us)]


def _would_settle(findings: tuple[Movement, ...], history: History) -> list[Notice]:
    undetermined = [f for f in findings if f.part == MovedPart.UNDETERMINED]
    pairs = [pair for f in undetermined for pair in doubtful_pairs(f, history)[:1]]
    open_by = dict.fromkeys(as_value(p.would_settle_it) for p in pairs if p.would_settle_it is not None)
    return [warning(AdviceCode.WOULD_SETTLE, settled_by=one) for one in open_by]


def _tighten(
    situation: Situation, findings: tuple[Movement, ...], nights: Nights, history: History
) -> list[Action]:
    """Return one action for the knobs that slipped, or didn't hold, and have not been fixed since.

    And one for each time when knobs were probably turned on purpose, without a note.
    """
    slipped: dict[CorrectionKind, bool] = {}  # knob -> whether it slipped by itself
    by_hand: dict[int, list[Event]] = {}  # first reading after it -> steps
    doubted = suspects(situation.site, history)
    turned = [_turned_all_the_same(one) for one in doubted if one is not None]
    for finding in findings:
        event = finding.event
        if event is None or finding.part != MovedPart.MOUNT:
            continue
        knob = KNOB_OF[Part(event.what)]
        is_turned = any(
            turn is not None and turn[0] == knob and turn[1] >= event.before_us for turn in turned
        )
        if not is_turned and not _seen_to(knob, event.before_us, situation, history):
            slipped.setdefault(knob, True)
            by_hand.setdefault(event.before_us, []).append(event)
    cos_latitude = math.cos(math.radians(situation.site.site.latitude_deg))
    unwritten = [
        one
        for events in by_hand.values()
        if (one := realigned(nights, history, events, cos_latitude)) is not None
    ]
    explained = {KNOB_OF[part] for one in unwritten for part in one.parts}
    times = {one.before_us for one in unwritten}
    for at_us, events in by_hand.items():
        if at_us not in times:
            explained -= {KNOB_OF[Part(event.what)] for event in events}
    slipped = {knob: by_itself for knob, by_itself in slipped.items() if knob not in explained}
    for correction, suspect in zip(history.corrections, doubted, strict=True):
        if correction.held is False and correction.kind in _KNOBS and suspect is None:
            later = any(
                c.time_us > correction.time_us and c.kind in (_C.TIGHTEN, _C.REMOUNT)
                for c in history.corrections
            )
            if not later:
                slipped.setdefault(_C(correction.kind), False)
    asked = [Action(do=Do.TIGHTEN, notice=_looks_realigned(one, situation)) for one in unwritten]
    if not slipped:
        return asked
    notice = warning(
        AdviceCode.TIGHTEN,
        slipped=tuple(knob for knob, by_itself in slipped.items() if by_itself),
        not_held=tuple(knob for knob, by_itself in slipped.items() if not by_itself),
    )
    return [Action(do=Do.TIGHTEN, notice=notice), *asked]


def _looks_realigned(one: Realigned, situation: Situation) -> Notice:
    longitude = situation.site.site.longitude_deg
    return warning(
        AdviceCode.LOOKS_REALIGNED,
        knobs=tuple(KNOB_OF[part] for part in one.parts),
        after_date=reading_date(one.after_us, longitude),
        before_date=reading_date(one.before_us, longitude),
        was_arcsec=one.was_arcsec,
        now_arcsec=one.now_arcsec,
        sd_arcsec=one.sd_arcsec,
        probability=one.probability,
    )


def _turned_all_the_same(suspect: Suspect) -> tuple[CorrectionKind, int] | None:
    """Return the knob that a correction written down wrongly turned all the same, and when; None for none."""
    if suspect.event is not None:
        return KNOB_OF[Part(suspect.event.what)], suspect.event.before_us
    if suspect.correction.kind in _KNOBS and suspect.wrong in (Misrecorded.SIGN, Misrecorded.UNIT):
        return _C(suspect.correction.kind), suspect.correction.time_us
    return None


def _seen_to(knob: CorrectionKind, since_us: int, situation: Situation, history: History) -> bool:
    """Whether a knob that slipped was tightened, taken off, or turned with a result that held."""
    later = [c for c in history.corrections if c.time_us >= since_us]
    turned = [c for c in later if c.kind == knob and c.held is not False and c.time_us <= situation.time_us]
    return bool(turned) or any(c.kind in (_C.TIGHTEN, _C.REMOUNT) for c in later)


# ---- From what was found to what to do: the advice on one pier.


def advise(
    site: PierFile,
    nights: Nights,
    history: History,
    now_us: int | None = None,
    forecast: AxisForecast | None = None,
    arrived_us: int | None = None,
    steps_done: Sequence[StepDone] = (),
) -> Advice:
    """Return whether something moved and what to do about it.

    Parameters
    ----------
    site
        The site file: limits, optics, knobs, plate.
    nights, history
        What the readings say.
    now_us
        When the advice is wanted, UTC microseconds; only the day matters, so that it stays the same all
        day.  None for the time of the latest reading, so that the same readings always give the same
        advice.
    forecast
        Where the axis goes if left alone; None for the history's own forecast or, where it has none, the
        annual shape and the lasting rate found.
    arrived_us
        When readings last came into the record.  Advice from logs that were already old by then is as of
        their latest reading, with a night to be taken first (see `drift.advice.situation`).
    steps_done
        The advised steps that were recorded as done.

    Returns
    -------
    Advice
        Verdict, actions in the order of doing, cautions for them, what the error does to
        the picture, the axis against both poles, and where to leave it for the year.
    """
    past = now_us is not None and looked_at(latest_us(nights, history), now_us, arrived_us)
    today_us = None if now_us is None or past else now_us // DAY_US * DAY_US
    situation = situation_of(site, nights, history, today_us, forecast)
    findings = findings_of(site, nights, history)
    with_steps = done_of_list(situation, history, steps_done)
    done = tuple(correction for correction, _ in with_steps)
    before = without(history, done)  # as the list was made
    advised = actions_for(situation, findings, nights, before, learned_knobs(site, before))
    actions = hold_back(advised, situation, before, done)
    if past and now_us is not None:
        actions = night_first(of_today(actions, situation, now_us), situation)
    known = situation.known
    looks_ahead = known and (situation.season.known or forecast is not None)
    return Advice(
        verdict=verdict_of(situation, findings, nights, history),
        actions=actions,
        cautions=cautions_for(actions, site),
        matters=situation.matters,
        poles=poles_of(site, history.axis_now, history.axis_now_sd) if known else None,
        year=year_aim(site, situation.forecast, situation.pole, -situation.off_aim, situation.latitude_rad)
        if looks_ahead
        else None,
        done=tuple(done_step(*each, situation) for each in with_steps),
    )
