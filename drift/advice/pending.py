"""Corrections that no night has seen yet: what was advised for them is done, and is not advised again.

The axis is known as of the last night that shows it.  A knob that was turned
since then has moved it by an amount that only the next night tells, so turning
again by the same night's error would count that error twice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drift.advice.result import Action
from drift.advice.words import day, listed

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


def hold_back(actions: tuple[Action, ...], situation: Situation, history: History) -> tuple[Action, ...]:
    """Put "measure first" in the place of what rests on an axis from before a correction.

    Parameters
    ----------
    actions
        What would be done going by the last night.
    situation
        When that night was.
    history
        The corrections.

    Returns
    -------
    tuple
        The actions that still hold, after a "measure" when there is a correction that no night has seen.
    """
    done = unseen(situation, history)
    if not done:
        return actions
    stale = {name for correction in done for name in _HELD_BACK[correction.kind]}
    left = [action for action in actions if action.do not in (*stale, "nothing")]
    said = [f"{_DONE[c.kind]} on {day(c.time_us, situation.zone)}" for c in done]
    sentence = (
        f"Measure on the next clear night: {listed(list(dict.fromkeys(said)))}, and no night shows yet what "
        "came of it; until one does, nothing more should be done about it."
    )
    at = next((k for k, action in enumerate(left) if action.do in _ADJUSTING), len(left))
    return (*left[:at], Action("measure", sentence), *left[at:])
