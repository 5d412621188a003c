"""What to do, in the order in which a careful person would go.

Wait for what comes back by itself, measure what isn't known, have a pier that
runs away looked at, tighten what slipped, and only then turn or lift anything.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drift.advice.knobs import turned_out, turns
from drift.advice.movement import Finding, counts, doubtful_pairs, pair_of
from drift.advice.result import Action
from drift.advice.situation import ACT_SDS, next_rest
from drift.advice.words import angle, arcmin, day, plain_arcmin, toward
from drift.quantities import DAY_US

if TYPE_CHECKING:
    from drift.advice.situation import Situation
    from drift.history.result import History

#: The season explains most of an error when what lasts is less than this share of it.
_MOST = 0.5
#: A last night older than this is too old to turn a knob by [days].
_OLD_DAYS = 60
#: Help is called for when the lasting lean grows by more than this [arcsec a year], two
#: standard deviations taken off, and the nights span at least `_HELP_DAYS`: our own rule.
#: Piers of observatories move 1 to 20 arcsec a year, shallow ones arcminutes with the season.
_HELP_ARCSEC_PER_YEAR = 120.0
_HELP_DAYS = 180.0


def actions_for(situation: Situation, findings: tuple[Finding, ...], history: History) -> tuple[Action, ...]:
    """Return what to do, in order; one "nothing" when there is nothing."""
    turning = turns(situation) if _may_turn(situation, history) else ()
    waiting = _wait(situation, history, turning)
    measuring = _measure(situation, findings, history)
    if not (turning or waiting or measuring):
        waiting = _undecided(situation, history)  # to wait or, failing that, to measure
    actions = [
        *waiting,
        *measuring,
        *_call_for_help(situation, history),
        *_tighten(findings, history),
        *turning,
    ]
    return tuple(actions) or (_nothing(situation),)


def _may_turn(situation: Situation, history: History) -> bool:
    """Whether the axis is clearly off now, and for good, by a night that can be trusted."""
    if not situation.known or _provisional(history) or _is_old(situation):
        return False
    return situation.over(*situation.error_now()) and situation.over(*situation.error_lasting())


def _nothing(situation: Situation) -> Action:
    error, sd = situation.error_now()
    margin = plain_arcmin((situation.tolerance - error) / 60.0)
    sentence = (
        f"Nothing needs doing: the axis is {arcmin(error, sd)} from the pole, {margin} inside "
        f"{_tolerance(situation)}"
    )
    lasting, lasting_sd = situation.error_lasting()
    if situation.over(lasting, lasting_sd):
        sentence += f"; the season hides part of a lasting error of {arcmin(lasting, lasting_sd)}"
    return Action("nothing", f"{sentence}.")


def _wait(situation: Situation, history: History, turning: tuple[Action, ...]) -> list[Action]:
    if not situation.known or not _season_known(history) or not situation.over(*situation.error_now()):
        return []
    standing = turned_out(situation, turning)
    if turning and situation.angle_of(standing + situation.seasonal) <= situation.tolerance:
        return []
    if not turning and not _season_explains(situation):
        return []
    until_us, then = situation.comes_back(standing)
    if until_us <= situation.now_us:
        return []
    error, sd = situation.error_now()
    when = day(until_us, situation.zone)
    if turning:
        left = plain_arcmin(situation.angle_of(standing + situation.seasonal) / 60.0)
        text = f"Even with the lasting part turned out, {left} is left that the season takes back"
    else:
        lasting = arcmin(*situation.error_lasting())
        text = f"Wait: of the present {arcmin(error, sd)} the season takes back all but {lasting}"
    band = arcmin(then, situation.error_lasting()[1])
    return [
        Action("wait", f"{text}; about {when} the axis should be {band} from the pole.", until_us=until_us)
    ]


def _season_explains(situation: Situation) -> bool:
    lasting, _ = situation.error_lasting()
    error, _ = situation.error_now()
    return lasting <= situation.tolerance or lasting < _MOST * error


def _season_known(history: History) -> bool:
    seasonal = history.seasonal
    return seasonal is not None and seasonal.peak_to_trough > ACT_SDS * seasonal.peak_to_trough_sd


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
    return situation.now_us - situation.time_us > _OLD_DAYS * DAY_US


def _old_night(situation: Situation) -> str:
    if not situation.known or not _is_old(situation):
        return ""
    days = (situation.now_us - situation.time_us) / DAY_US
    return (
        f"Measure: the last night that shows the axis is {days:.0f} days old "
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


def _undecided(situation: Situation, history: History) -> list[Action]:
    """Return what to do when the error is too large, but what lasts of it can't be told."""
    error, sd = situation.error_now()
    if not situation.known or not situation.over(error, sd):
        return []
    off = f"the axis was {arcmin(error, sd)} off, beyond {_tolerance(situation)}"
    if _season_known(history) and _season_explains(situation):  # and its time to come back is over
        return [Action("measure", f"Measure: {off}, and the season should have brought it back since then.")]
    lasting = arcmin(*situation.error_lasting())
    unknown = f"how much of it lasts ({lasting}) isn't known well enough to turn a knob by"
    rest_us = next_rest(situation, history)
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


def _call_for_help(situation: Situation, history: History) -> list[Action]:
    lasting = history.lasting
    told = any(pair_of(component, history).answer != "no" for component in ("lean_east", "lean_north"))
    if lasting is None or not told or situation.span_days < _HELP_DAYS:
        return []
    if lasting.arcsec_per_year - ACT_SDS * lasting.arcsec_per_year_sd <= _HELP_ARCSEC_PER_YEAR:
        return []
    way = "" if lasting.toward_bearing_deg is None else f" {toward(lasting.toward_bearing_deg)}"
    rate = angle(lasting.arcsec_per_year, lasting.arcsec_per_year_sd)
    settling = plain_arcmin(_HELP_ARCSEC_PER_YEAR / 60.0)
    sentence = (
        "Have the footing looked at by someone who knows foundations before adjusting anything: the lean "
        f"grows by {rate} a year{way}, more than the {settling} a year that is taken here for settling."
    )
    return [Action("call_for_help", sentence)]


def _tighten(findings: tuple[Finding, ...], history: History) -> list[Action]:
    """Return one action for each knob that slipped, or didn't hold, and has not been seen to since."""
    slipped: dict[str, str] = {}
    for finding in findings:
        event = finding.event
        if event is None or finding.part != "mount":
            continue
        knob = {"mount_az": "azimuth", "mount_alt": "altitude"}[event.what]
        if not _seen_to(knob, event.before_us, history):
            slipped.setdefault(knob, f"The {knob} slipped")
    for correction in history.corrections:
        if correction.held is False and correction.kind in ("azimuth", "altitude"):
            later = any(
                c.time_us > correction.time_us and c.kind in ("tighten", "remount")
                for c in history.corrections
            )
            if not later:
                slipped.setdefault(correction.kind, f"A correction of the {correction.kind} did not hold")
    return [
        Action("tighten", f"{why}: check and tighten its knob and its locking bolts before turning it again.")
        for why in slipped.values()
    ]


def _seen_to(knob: str, since_us: int, history: History) -> bool:
    """Whether a knob that slipped was tightened, taken off, or turned with a result that held."""
    later = [c for c in history.corrections if c.time_us >= since_us]
    return any(c.kind in ("tighten", "remount") or (c.kind == knob and c.held is not False) for c in later)
