"""How far the axis itself stepped at an event, by the nights on either side alone.

What the axis did is known even where nobody can tell which part did it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from drift.quantities import Floats

if TYPE_CHECKING:
    from drift.history.result import Event, History
    from drift.night.result import NightAxis, Nights

#: Nights taken on each side: more would let a slow change into the step.
_NIGHTS_A_SIDE = 3


def axis_step(nights: Nights, history: History, event: Event) -> tuple[Floats, Floats] | None:
    """Return the step of (az_error, alt_error) at an event, with standard deviations [arcsec].

    Only nights that no recorded correction parts from the event are used.

    Returns
    -------
    step, sd
        Shapes (2,); None when a side has no night with an axis.
    """
    cuts = [correction.time_us for correction in history.corrections]
    earliest = max((t for t in cuts if t <= event.after_us), default=-(2**62))
    latest = min((t for t in cuts if t >= event.before_us), default=2**62)
    seen = [night for night in nights.nights if night.has_axis]
    before = [n for n in seen if earliest <= n.time_us <= event.after_us][-_NIGHTS_A_SIDE:]
    after = [n for n in seen if event.before_us <= n.time_us <= latest][:_NIGHTS_A_SIDE]
    if not before or not after:
        return None
    (was, was_variance), (now, now_variance) = _mean(before), _mean(after)
    return now - was, np.sqrt(was_variance + now_variance)


def _mean(nights: list[NightAxis]) -> tuple[Floats, Floats]:
    """Return the weighted mean axis of some nights and its variance; the constants they share cancel."""
    estimates = np.array([night.estimate[:2] for night in nights])
    weights = 1.0 / np.array([np.diag(night.own_covariance)[:2] for night in nights])
    total = weights.sum(axis=0)
    return (weights * estimates).sum(axis=0) / total, 1.0 / total
