"""What to do, in the order in which a careful person would go, and which steps are done already."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.aim import year_aim
from drift.advice.cautions import call_for_help, cautions_for
from drift.advice.knobs import change_done, learned_knobs, turns
from drift.advice.levelling import levelling, tilts_plainly
from drift.advice.movement import Movement, counts, doubtful_pairs, findings_of
from drift.advice.poles import poles_of
from drift.advice.situation import ACT_SDS, OLD_DAYS, latest_us, looked_at, night_first, situation_of
from drift.advice.verdict import verdict_of
from drift.forecast.outlook import realign_by
from drift.mount.axis_error import on_sky
from drift.quantities import DAY_US, local_date
from drift.render.phrases import CLOSE_SDS, arcmin, azimuth_side, listed, plain_arcmin, rounded_arcmin
from drift.types import Action, Advice, Done

if TYPE_CHECKING:
    from drift.advice.knobs import Knob
    from drift.advice.situation import Situation
    from drift.forecast.coming import AxisForecast
    from drift.site.file import PierFile
    from drift.types import CorrectionFound, History, Nights


# ---- Corrections that no night has seen yet: what was advised for them is done, and is not advised
# again.
#
# The axis is known as of the last night that shows it.  A knob that was turned
# since then has moved it by an amount that only the next night tells, so turning
# again by the same night's error would count that error twice.
#
# What one night advises is one list.  A step of it that was done as advised takes
# itself off the list and nothing else: the other steps were reckoned together with
# it.  What was done otherwise holds back all that rests on an axis from before it.


#: What turns or lifts something.
_ADJUSTING = ("turn_azimuth", "turn_altitude", "shim", "nuts")
#: Kind of correction -> the actions that rest on an axis from before it.
_HELD_BACK = {
    "azimuth": ("turn_azimuth", "shim", "nuts"),
    "altitude": ("turn_altitude", "shim", "nuts"),
    "shim": _ADJUSTING,
    "nuts": _ADJUSTING,
    "tighten": _ADJUSTING,
    "remount": _ADJUSTING,
    "pier": _ADJUSTING,
}
#: What a step that was done as advised takes off its list.
_ITSELF = {
    "azimuth": "turn_azimuth",
    "altitude": "turn_altitude",
    "shim": "shim",
    "nuts": "nuts",
    "tighten": "tighten",
}
_AS_ADVISED = re.compile(r"\bas advised \((\w+)\)")
_DONE = {
    "azimuth": "the azimuth was turned",
    "altitude": "the altitude was turned",
    "shim": "shims were changed",
    "nuts": "the levelling nuts were turned",
    "tighten": "bolts or knobs were tightened",
    "remount": "the mount was taken off and put back",
    "pier": "the pier was worked on",
}


def unseen(situation: Situation, history: History) -> tuple[CorrectionFound, ...]:
    """Return the corrections since the last night that shows the axis."""
    return tuple(
        correction
        for correction in history.corrections
        if correction.kind in _HELD_BACK and correction.time_us > situation.time_us
    )


def note_of(code: str) -> str:
    """Return the note of a correction that was recorded by the code of its step."""
    return f"as advised ({code})"


def is_as_advised(note: str) -> bool:
    """Whether a correction with this note was recorded by the code of a step."""
    return _AS_ADVISED.search(note) is not None


def done_of_list(situation: Situation, history: History) -> tuple[CorrectionFound, ...]:
    """Return the corrections since the last night that were done as its list advised."""
    return tuple(
        correction
        for correction in unseen(situation, history)
        if correction.kind in _ITSELF and is_as_advised(correction.note)
    )


def without(history: History, corrections: tuple[CorrectionFound, ...]) -> History:
    """Return a history that doesn't know of some corrections that no night has seen."""
    return replace(history, corrections=tuple(c for c in history.corrections if c not in corrections))


def done_words(correction: CorrectionFound, situation: Situation) -> Done:
    """Say what was done of the list, and when."""
    code = _AS_ADVISED.search(correction.note)
    what = _DONE[correction.kind]
    if correction.kind in ("azimuth", "altitude") and correction.asked is not None:
        asked, latitude = correction.asked, situation.site.site.latitude_deg
        way = (
            azimuth_side(asked, latitude) if correction.kind == "azimuth" else "up" if asked >= 0 else "down"
        )
        what += f" {way} by {plain_arcmin(abs(asked) / 60.0, 2)}"
    sentence = f"Done on {local_date(correction.time_us, situation.zone)}: {what}."
    return Done(code[1] if code else "", correction.time_us, sentence)


def hold_back(
    actions: tuple[Action, ...],
    situation: Situation,
    history: History,
    done: tuple[CorrectionFound, ...] = (),
) -> tuple[Action, ...]:
    """Take off the list what is done, and what rests on an axis from before a correction; measure then.

    Parameters
    ----------
    actions
        What would be done going by the last night.
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
    stale = {name for correction in others for name in _HELD_BACK[correction.kind]}
    stale |= {_ITSELF[correction.kind] for correction in done} | {"nothing"}
    left = [action for action in actions if action.do not in stale]
    made = sorted((*others, *done), key=lambda c: c.time_us)
    said = [f"{_DONE[c.kind]} on {local_date(c.time_us, situation.zone)}" for c in made]
    more = any(action.do in (*_ADJUSTING, "tighten") for action in left)
    sentence = (
        f"{'After that, measure' if more else 'Measure'} on the next clear night: "
        f"{listed(list(dict.fromkeys(said)))}, and no night shows yet what came of it"
        f"{_left_alone(others, done)}."
    )
    return (*left, Action("measure", sentence))


def _left_alone(others: tuple[CorrectionFound, ...], done: tuple[CorrectionFound, ...]) -> str:
    """Say what is to be left as it is until a night has seen it."""
    if any(_HELD_BACK[correction.kind] == _ADJUSTING for correction in others):
        return "; until one does, turn and lift nothing"
    knobs = [k for k in ("azimuth", "altitude") if any(c.kind == k for c in (*others, *done))]
    return (
        f"; until one does, leave the {listed(knobs)} as {'it is' if len(knobs) == 1 else 'they are'}"
        if knobs
        else ""
    )


# ---- The advice as steps that can be recorded as done, each with a code of its own.
#
# The code names what is to be done and the night that it rests on.  Until a new
# night changes the advice a step keeps its code, whatever else of the list is done;
# a recorded step is off the list, so that nothing can be recorded twice by it.


_CODE_BYTES = 3
_KNOBS = {"turn_azimuth": "azimuth", "turn_altitude": "altitude"}


@dataclass(frozen=True)
class AdvisedStep:
    """One action, and the rows of the log of corrections that say that it was done as advised.

    `code` is "" and `rows` are empty for what is no correction, or can't be written down in numbers.
    """

    action: Action
    code: str
    rows: tuple[dict[str, str], ...]


def steps_of(actions: tuple[Action, ...], night_us: int) -> tuple[AdvisedStep, ...]:
    """Return the advice as steps.

    Parameters
    ----------
    actions
        What is advised.
    night_us
        Time of the night that it rests on [UTC microseconds].
    """
    return tuple(_step(action, night_us) for action in actions)


def steps_of_late(
    site: PierFile, nights: Nights, history: History, now_us: int, arrived_us: int | None = None
) -> tuple[AdvisedStep, ...]:
    """Return the steps advised on the days before, by the same night: what is advised is done days later.

    The year ahead begins on another day each day, so that the amount to turn changes a little.

    Parameters
    ----------
    site, nights, history, now_us, arrived_us
        As for `drift.advice.steps.advise`.
    """
    night_us = situation_of(site, nights, history, now_us).time_us
    days = range(1, min(OLD_DAYS, (now_us - night_us) // DAY_US + 1) + 1)
    late = [advise(site, nights, history, now_us - k * DAY_US, arrived_us=arrived_us) for k in days]
    return tuple(step for advice in late for step in steps_of(advice.actions, night_us))


def _step(action: Action, night_us: int) -> AdvisedStep:
    rows = _rows(action)
    if not rows:
        return AdvisedStep(action, "", ())
    said = json.dumps([int(night_us), *rows], sort_keys=True)
    code = hashlib.blake2b(said.encode(), digest_size=_CODE_BYTES).hexdigest()
    return AdvisedStep(action, code, tuple({**row, "note": note_of(code)} for row in rows))


def _rows(action: Action) -> list[dict[str, str]]:
    if action.do in _KNOBS and action.amount_arcmin is not None:
        turns = "" if action.turns is None else f"{action.turns:g}"
        return [{"kind": _KNOBS[action.do], "amount_arcmin": f"{action.amount_arcmin:g}", "turns": turns}]
    if action.do == "tighten":
        return [{"kind": "tighten"}]
    column = {"shim": "thickness_mm", "nuts": "turns"}.get(action.do)
    amounts = [
        (bolt.bearing_deg, bolt.thickness_mm if action.do == "shim" else bolt.nut_turns)
        for bolt in action.bolts
    ]
    if column is None or any(amount is None for _, amount in amounts):
        return []
    return [
        {"kind": action.do, "bearing_deg": f"{bearing:g}", column: f"{amount:g}"}
        for bearing, amount in amounts
    ]


# ---- What to do, in the order in which a careful person would go.
#
# Wait for what comes back by itself, measure what isn't known, have a pier that
# runs away looked at, tighten what slipped, and only then turn or lift anything.


#: The season explains most of an error when what lasts is less than this share of it.
_MOST = 0.5


def actions_for(
    situation: Situation,
    findings: tuple[Movement, ...],
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
    history
        What all nights say.
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
        *_tighten(situation, findings, history),
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
    change = -situation.off_aim if off else np.zeros(2)
    sd = situation.off_aim_sd if off else np.zeros(2)
    levels = levelling(situation, history, change, sd, knobs)
    if any(action.bolts for action in levels) or not off:
        return levels
    made = turns(situation, change, sd, knobs)
    remark = tilts_plainly(situation, history) if made and not levels else ""
    if remark:
        made = (replace(made[0], sentence=f"{made[0].sentence}  {remark}"), *made[1:])
    return (*levels, *made)


def _nothing(situation: Situation, history: History) -> Action:
    error, sd = situation.error_now()
    margin, by_us = situation.tolerance - error, realign_by(history, situation)
    sentence = (
        f"{_nothing_until(by_us, situation)}: the axis is {arcmin(error, sd)} from the pole, "
        f"{rounded_arcmin(abs(margin), sd)} {'inside' if margin >= 0.0 else 'beyond'} {_tolerance(situation)}"
        f"{', too close to call' if abs(margin) < CLOSE_SDS * sd else ''}"
    )
    lasting, lasting_sd = situation.error_lasting()
    if situation.over(lasting, lasting_sd):
        sentence += f"; the season hides part of a lasting error of {arcmin(lasting, lasting_sd)}"
    remark = tilts_plainly(situation, history)
    return Action("nothing", f"{sentence}.{f'  {remark}' if remark else ''}", until_us=by_us)


def _nothing_until(by_us: int | None, situation: Situation) -> str:
    if by_us is None:
        return "Nothing needs doing"
    if by_us <= situation.now_us:
        return "Nothing needs doing at once, but re-align soon"
    return f"Nothing needs doing now; re-align by about {local_date(by_us, situation.zone)}"


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
    error, error_sd = situation.error_now()
    when = local_date(until_us, situation.zone)
    if adjusting:
        left = arcmin(*on_sky(situation.now + change, situation.now_sd, situation.latitude_rad))
        text = f"Even with the lasting part turned out, {left} is left that the season takes back"
    else:
        lasting = arcmin(*situation.error_lasting())
        text = f"Wait: of the present {arcmin(error, error_sd)} the season takes back all but {lasting}"
    band = arcmin(then, sd)
    return [
        Action("wait", f"{text}; about {when} the axis should be {band} from the pole.", until_us=until_us)
    ]


def _season_explains(situation: Situation) -> bool:
    lasting, _ = situation.error_lasting()
    error, _ = situation.error_now()
    return lasting <= situation.tolerance or lasting < _MOST * error


def _measure(situation: Situation, findings: tuple[Movement, ...], history: History) -> list[Action]:
    sentences = [
        _first_night(situation),
        _old_night(situation),
        _one_night(situation, history),
        _uncertain(situation),
        *_would_settle(findings, history),
    ]
    return [Action("measure", sentence) for sentence in sentences if sentence]


def _first_night(situation: Situation) -> str:
    if situation.known:
        return ""
    return (
        "Measure: no night shows both coordinates of the axis yet; take at least six plate solves, on both "
        "tube sides, spread over hour angle and declination."
    )


def _is_old(situation: Situation) -> bool:
    return situation.now_us - situation.time_us > OLD_DAYS * DAY_US


def _old_night(situation: Situation) -> str:
    if not situation.known or not _is_old(situation):
        return ""
    days = situation.now_us // DAY_US - situation.time_us // DAY_US
    return (
        f"Measure: the last night that shows the axis is {days} days old "
        f"({local_date(situation.time_us, situation.zone)}), too old to turn anything by."
    )


def _provisional(history: History) -> bool:
    return any(event.provisional and counts(event) for event in history.events)


def _one_night(situation: Situation, history: History) -> str:
    if not _provisional(history):
        return ""
    latest = max(e.before_us for e in history.events if e.provisional and counts(e))
    return (
        f"Measure on the next clear night: a step about {local_date(latest, situation.zone)} is seen on one "
        "night only, and nothing should be turned before a second night shows it."
    )


def _uncertain(situation: Situation) -> str:
    if not situation.known:
        return ""
    error, sd = situation.error_now()
    if ACT_SDS * sd <= situation.tolerance or situation.over(error, sd):
        return ""
    return (
        f"Measure: the axis is known only to {arcmin(error, sd)}, too little to judge it against "
        f"{_tolerance(situation)}; solves spread wider over the sky, or a sweep, would settle it."
    )


def _undecided(situation: Situation) -> list[Action]:
    """Return what to do when the error is too large, but what lasts of it can't be told."""
    error, sd = situation.error_now()
    if not situation.known or not situation.over(error, sd):
        return []
    off = f"the axis was {arcmin(error, sd)} off, beyond {_tolerance(situation)}"
    if situation.season.known and _season_explains(situation):  # and its time to come back is over
        return [Action("measure", f"Measure: {off}, and the season should have brought it back since then.")]
    lasting = arcmin(*situation.error_lasting())
    unknown = f"how much of it lasts ({lasting}) isn't known well enough to turn a knob by"
    rest_us = situation.season.next_rest(situation.time_us)
    if rest_us is None or rest_us <= situation.now_us:
        return [Action("measure", f"Measure on: {off}, but {unknown}.")]
    when = local_date(rest_us, situation.zone)
    sentence = f"Wait: {off}, but {unknown}; about {when} the heave should be out, and what is left lasts."
    return [Action("wait", sentence, until_us=rest_us)]


def _tolerance(situation: Situation) -> str:
    return f"{situation.tolerance_of} ({plain_arcmin(situation.tolerance / 60.0)})"


def _would_settle(findings: tuple[Movement, ...], history: History) -> list[str]:
    pairs = [pair for f in findings if f.part == "undetermined" for pair in doubtful_pairs(f, history)[:1]]
    texts = [pair.would_settle_it.strip() for pair in pairs]
    return list(dict.fromkeys(_as_sentence(text) for text in texts if text))


def _as_sentence(text: str) -> str:
    whole = text if text.endswith((".", "!")) else f"{text}."
    return f"Measure what would tell pier from mount: {whole}"


def _tighten(situation: Situation, findings: tuple[Movement, ...], history: History) -> list[Action]:
    """Return one action for the knobs that slipped, or didn't hold, and have not been seen to since."""
    slipped: dict[str, str] = {}
    for finding in findings:
        event = finding.event
        if event is None or finding.part != "mount":
            continue
        knob = {"mount_az": "azimuth", "mount_alt": "altitude"}[event.what]
        if not _seen_to(knob, event.before_us, situation, history):
            slipped.setdefault(knob, f"the {knob} slipped")
    for correction in history.corrections:
        if correction.held is False and correction.kind in ("azimuth", "altitude"):
            later = any(
                c.time_us > correction.time_us and c.kind in ("tighten", "remount")
                for c in history.corrections
            )
            if not later:
                slipped.setdefault(correction.kind, f"a correction of the {correction.kind} did not hold")
    if not slipped:
        return []
    why = listed(list(slipped.values()))
    knobs = "its knob and its" if len(slipped) == 1 else "their knobs and their"
    again = "it" if len(slipped) == 1 else "them"
    sentence = (
        f"{why[0].upper()}{why[1:]}: check and tighten {knobs} locking bolts before turning {again} again."
    )
    return [Action("tighten", sentence)]


def _seen_to(knob: str, since_us: int, situation: Situation, history: History) -> bool:
    """Whether a knob that slipped was tightened, taken off, or turned with a result that held."""
    later = [c for c in history.corrections if c.time_us >= since_us]
    turned = [c for c in later if c.kind == knob and c.held is not False and c.time_us <= situation.time_us]
    return bool(turned) or any(c.kind in ("tighten", "remount") for c in later)


# ---- From what was found to what to do: the advice on one pier.


def advise(
    site: PierFile,
    nights: Nights,
    history: History,
    now_us: int | None = None,
    forecast: AxisForecast | None = None,
    arrived_us: int | None = None,
) -> Advice:
    """Say whether something moved and what to do about it.

    Parameters
    ----------
    site
        The site file: limits, optics, knobs, plate.
    nights, history
        What the readings say.
    now_us
        When the advice is wanted, UTC microseconds, of which the day counts: all day long it stays the
        same.  None for the time of the latest reading, so that the same readings always give the same
        advice.
    forecast
        Where the axis goes if left alone; None for the history's own forecast or, where it has none, the
        annual shape and the lasting rate found.
    arrived_us
        When readings last came into the record.  Logs that were long past by then are answered
        as of their latest reading, a night to be taken first (see `drift.advice.situation`).

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
    done = done_of_list(situation, history)
    before = without(history, done)  # as the list was made
    advised = actions_for(situation, findings, before, learned_knobs(site, before))
    actions = hold_back(advised, situation, before, done)
    if past:
        actions = night_first(actions, situation)
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
        done=tuple(done_words(correction, situation) for correction in done),
    )
