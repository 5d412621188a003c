"""The readings on either side of an event, and what each side says by itself."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from drift.quantities import DAY_US, Floats, Ints

if TYPE_CHECKING:
    from drift.answer import Answer
    from drift.history.result import Event

#: At most so many nights are looked at on either side, and none further away than so many days.
NIGHTS, DAYS = 10, 90
#: The history is drawn so far on either side where there are no nights [days].
_HISTORY_DAYS = 60


@dataclass(frozen=True)
class Side:
    """The nights of one side, or the history's readings there.

    Parameters
    ----------
    time_us
        (n,) UTC.
    value, sd
        (n, k) one column a coordinate [arcsec].
    mean, mean_sd
        (k,) what the side says by itself [arcsec]; NaN where nothing.
    """

    time_us: Ints = field(repr=False)
    value: Floats = field(repr=False)
    sd: Floats = field(repr=False)
    mean: Floats = field(repr=False)
    mean_sd: Floats = field(repr=False)


@dataclass(frozen=True)
class Sides:
    """Both sides of an event: `of` is "axis" (azimuth, altitude, zero) or "lean" (north, east)."""

    of: str
    before: Side
    after: Side


def sides_of(answer: Answer, event: Event) -> Sides:
    """Return the nights before and after an event; where a side has none, the history's lean.

    No night is taken from beyond the next event or correction on its side.
    """
    nights = [night for night in answer.nights.nights if night.has_axis]
    time_us = np.array([night.time_us for night in nights], dtype=np.int64)
    low, high = _bounds(answer, event)
    before = np.flatnonzero((time_us <= event.after_us) & (time_us >= low))[-NIGHTS:]
    after = np.flatnonzero((time_us >= event.before_us) & (time_us <= high))[:NIGHTS]
    if not before.size or not after.size:
        return _lean_sides(answer, event, low, high)
    value = np.array([night.estimate for night in nights])
    with np.errstate(invalid="ignore"):
        sd = np.sqrt(np.array([np.diagonal(night.covariance) for night in nights]))
        own = np.sqrt(np.array([np.diagonal(night.own_covariance) for night in nights]))
    before_side, after_side = (
        Side(time_us[k], value[k], sd[k], *_means(value[k], own[k])) for k in (before, after)
    )
    return Sides("axis", before_side, after_side)


def _bounds(answer: Answer, event: Event) -> tuple[int, int]:
    history, reach = answer.history, DAYS * DAY_US
    others = [other for other in history.events if other is not event]
    ends = [other.before_us for other in others] + [found.time_us for found in history.corrections]
    starts = [other.after_us for other in others] + [found.time_us for found in history.corrections]
    low = max([t for t in ends if t <= event.after_us], default=event.after_us - reach)
    high = min([t for t in starts if t >= event.before_us], default=event.before_us + reach)
    return max(low, event.after_us - reach), min(high, event.before_us + reach)


def _lean_sides(answer: Answer, event: Event, low: int, high: int) -> Sides:
    history, reach = answer.history, _HISTORY_DAYS * DAY_US
    known = np.isfinite(history.change[:, :2]).any(axis=1)
    time_us = history.time_us
    before = known & (time_us <= event.after_us) & (time_us >= max(low, event.after_us - reach))
    after = known & (time_us >= event.before_us) & (time_us <= min(high, event.before_us + reach))
    nothing = np.full(2, np.nan)
    # the history's rows share what they rest on, so that their mean is no better known than each
    before_side, after_side = (
        Side(time_us[k], history.change[k, :2], history.sd[k, :2], nothing, nothing) for k in (before, after)
    )
    return Sides("lean", before_side, after_side)


def _means(value: Floats, own_sd: Floats) -> tuple[Floats, Floats]:
    """Return the weighted mean of each column with its sd, widened where the nights scatter by more."""
    mean, mean_sd = np.full(value.shape[1], np.nan), np.full(value.shape[1], np.nan)
    for k in range(value.shape[1]):
        known = np.isfinite(value[:, k]) & np.isfinite(own_sd[:, k]) & (own_sd[:, k] > 0)
        if not known.any():
            continue
        weight, read = 1.0 / own_sd[known, k] ** 2, value[known, k]
        mean[k] = np.sum(weight * read) / np.sum(weight)
        free = int(known.sum()) - 1
        spread = np.sum(weight * (read - mean[k]) ** 2) / free if free else 1.0
        mean_sd[k] = np.sqrt(max(1.0, spread) / np.sum(weight))
    return mean, mean_sd
