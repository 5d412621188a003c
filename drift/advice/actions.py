"""What to do, in the order in which a careful person would go.

Wait for what comes back by itself, measure what isn't known, have a pier that
runs away looked at, tighten what slipped, and only then turn or lift anything.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.axis_error import on_sky
from drift.advice.helping import call_for_help
from drift.advice.knobs import change_done, turns
from drift.advice.levelling import leans_plainly, levelling
from drift.advice.movement import Finding, counts, doubtful_pairs
from drift.advice.outlook import realign_by
from drift.advice.present import OLD_DAYS
from drift.advice.result import Action
from drift.advice.situation import ACT_SDS
from drift.advice.words import CLOSE_SDS, arcmin, day, listed, plain_arcmin, rounded_arcmin
from drift.quantities import DAY_US

if TYPE_CHECKING:
    from drift.advice.learned import Knob
    from drift.advice.situation import Situation
    from drift.history.result import History

#: The season explains most of an error when what lasts is less than this share of it.
_MOST = 0.5


def actions_for(
    situation: Situation,
    findings: tuple[Finding, ...],
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
    remark = leans_plainly(situation, history) if made and not levels else ""
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
    remark = leans_plainly(situation, history)
    return Action("nothing", f"{sentence}.{f'  {remark}' if remark else ''}", until_us=by_us)


def _nothing_until(by_us: int | None, situation: Situation) -> str:
    if by_us is None:
        return "Nothing needs doing"
    if by_us <= situation.now_us:
        return "Nothing needs doing at once, but re-align soon"
    return f"Nothing needs doing now; re-align by about {day(by_us, situation.zone)}"


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
    when = day(until_us, situation.zone)
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


def _measure(situation: Situation, findings: tuple[Finding, ...], history: History) -> list[Action]:
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
        f"({day(situation.time_us, situation.zone)}), too old to turn anything by."
    )


def _provisional(history: History) -> bool:
    return any(event.provisional and counts(event) for event in history.events)


def _one_night(situation: Situation, history: History) -> str:
    if not _provisional(history):
        return ""
    latest = max(e.before_us for e in history.events if e.provisional and counts(e))
    return (
        f"Measure on the next clear night: a step about {day(latest, situation.zone)} is seen on one night "
        "only, and nothing should be turned before a second night shows it."
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
    when = day(rest_us, situation.zone)
    sentence = f"Wait: {off}, but {unknown}; about {when} the heave should be out, and what is left lasts."
    return [Action("wait", sentence, until_us=rest_us)]


def _tolerance(situation: Situation) -> str:
    return f"{situation.tolerance_of} ({plain_arcmin(situation.tolerance / 60.0)})"


def _would_settle(findings: tuple[Finding, ...], history: History) -> list[str]:
    pairs = [pair for f in findings if f.part == "undetermined" for pair in doubtful_pairs(f, history)[:1]]
    texts = [pair.would_settle_it.strip() for pair in pairs]
    return list(dict.fromkeys(_as_sentence(text) for text in texts if text))


def _as_sentence(text: str) -> str:
    whole = text if text.endswith((".", "!")) else f"{text}."
    return f"Measure what would tell pier from mount: {whole}"


def _tighten(situation: Situation, findings: tuple[Finding, ...], history: History) -> list[Action]:
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
