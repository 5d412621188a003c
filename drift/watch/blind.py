"""When the readings are too old, too few or too vague to watch by."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from drift.advice.present import silent_days
from drift.advice.words import arcmin, day, plain_arcmin
from drift.quantities import DAY_US
from drift.watch.items import Item

if TYPE_CHECKING:
    from drift.advice.situation import Situation
    from drift.answer import Answer

#: No reading for so long is too long [days], or for `_USUAL_GAPS` times the usual gap between nights,
#: but never longer than `_LONGEST_DAYS`: our own rule.
_OLD_DAYS, _LONGEST_DAYS, _USUAL_GAPS = 30.0, 90.0, 4.0
#: Gaps that tell how often nights are usual.
_LATEST_GAPS = 20
#: A step shows between two nights before it and two after it.
_FEWEST_NIGHTS = 4


def blind_spots(
    answer: Answer, situation: Situation, sds: float, now_us: int | None, arrived_us: int | None
) -> tuple[Item, ...]:
    """Return a notice for each reason why a movement could go unseen.

    Parameters
    ----------
    answer
        The answer of today.
    situation
        Where the axis stands.
    sds
        How many standard deviations beyond its limit a value must be to be told.
    now_us
        The present time; None when it isn't known, and then nothing is too old.
    arrived_us
        When readings last came into the record: a log of years ago that was read in
        today is looked at, not watched by.
    """
    too_old = _old(answer, situation, now_us, arrived_us)
    return tuple(item for item in (too_old, _thin(answer, situation, sds)) if item is not None)


def _old(answer: Answer, situation: Situation, now_us: int | None, arrived_us: int | None) -> Item | None:
    times = np.asarray(answer.history.time_us)
    if now_us is None or not times.size:
        return None
    last_us = int(times[-1])
    if silent_days(last_us, now_us, arrived_us) <= _longest_usual(times):
        return None
    days = (now_us - last_us) / DAY_US
    sentence = (
        f"Nothing has been measured since {day(last_us, situation.zone)}, {days:.0f} days ago: what has "
        "moved since then can't be seen.  Take a night, or a level reading."
    )
    mark = {"kind": "old", "of": str(last_us), "as_of_us": last_us}
    return Item("old", last_us, sentence, mark, {"days": round(days, 1)})


def _longest_usual(times: np.ndarray) -> float:
    gaps = np.diff(times)[-_LATEST_GAPS:] / DAY_US
    usual = _USUAL_GAPS * float(np.median(gaps)) if gaps.size else _OLD_DAYS
    return min(max(usual, _OLD_DAYS), _LONGEST_DAYS)


def _thin(answer: Answer, situation: Situation, sds: float) -> Item | None:
    """Return what is too little: nights, or what they say of the axis."""
    nights = sum(night.has_axis for night in answer.nights.nights)
    levels = int(np.asarray(answer.history.time_us).size) - nights
    if nights < _FEWEST_NIGHTS and levels < _FEWEST_NIGHTS:
        return _thin_item(
            "nights",
            situation,
            f"The record holds {_counted(nights)} that {'shows' if nights == 1 else 'show'} the axis; a "
            f"movement shows from {_FEWEST_NIGHTS} nights on.",
        )
    if not nights:
        return None
    if not situation.known:
        return _thin_item("axis", situation, f"{_COARSE} are too vague to tell where the axis is.  {_BETTER}")
    error, sd = situation.error_now()
    limit = answer.site.warn.axis_arcmin * 60.0
    if sds * sd <= limit:
        return None
    return _thin_item(
        "axis",
        situation,
        f"{_COARSE} tell the axis only to {arcmin(error, sd)}, too vaguely to watch its limit of "
        f"{plain_arcmin(limit / 60.0)}.  {_BETTER}",
    )


_COARSE = "The latest nights"
_BETTER = "Solves spread wider over the sky, on both tube sides, or a sweep would do."


def _counted(nights: int) -> str:
    return {0: "no nights", 1: "one night only", 2: "two nights only"}.get(nights, f"{nights} nights only")


def _thin_item(of: str, situation: Situation, sentence: str) -> Item:
    mark = {"kind": "thin", "of": of, "as_of_us": int(situation.time_us)}
    return Item("thin", int(situation.time_us), sentence, mark, {"of": of})
