"""Corrections that no night has seen yet: what was advised for them is done, and is not advised again.

The axis is known as of the last night that shows it.  A knob that was turned
since then has moved it by an amount that only the next night tells, so turning
again by the same night's error would count that error twice.

What one night advises is one list.  A step of it that was done as advised takes
itself off the list and nothing else: the other steps were reckoned together with
it.  What was done otherwise holds back all that rests on an axis from before it.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

from drift.advice.result import Action, Done
from drift.advice.words import azimuth_side, day, listed, plain_arcmin

if TYPE_CHECKING:
    from drift.advice.situation import Situation
    from drift.history.result import CorrectionFound, History

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
    sentence = f"Done on {day(correction.time_us, situation.zone)}: {what}."
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
    said = [f"{_DONE[c.kind]} on {day(c.time_us, situation.zone)}" for c in made]
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
