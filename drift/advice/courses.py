"""Courses that the axis may take about each way of the frost, drawn so that their turning days can be told.

A forecast's ways have their own expected course, and about each the axis goes astray:
it wanders, and how it answers to the frost isn't known to the last.  A broad
summit is shifted by that far more than by the frost itself, whose ways are
drawn from the same few winters.
"""

from __future__ import annotations

import numpy as np

from drift.advice.season import without_line
from drift.history.forecast import Forecast
from drift.quantities import Floats

#: So many courses in all, the same number about each way of the frost, and what the draws begin from.
_COURSES, _FIRST = 1000, 20240901


def courses_along(ahead: Forecast, within_sd: Floats, to_line: Floats) -> Floats:
    """Draw equally likely courses of the swing along a line on the sky, (C, D) [arcsec].

    Parameters
    ----------
    ahead
        The history's forecast.
    within_sd
        Of the axis errors about each of its ways, (D, 2) [arcsec].
    to_line
        What each axis error counts along the line, (2,).

    Notes
    -----
    What the sd is at first is how well the axis is known now, and shifts a whole course.  By what the
    variance grows from one moment to the next, the course goes astray anew: a random walk, which the
    wander of a pier is.  Part of the growth is the size of the swing, which shifts no day, so the days come
    out rather too uncertain than too sure.
    """
    ways = np.array([without_line(path, ahead.time_us) @ to_line for path in ahead.paths])  # (M, D)
    variance = np.maximum.accumulate(((within_sd * to_line) ** 2).sum(axis=1))
    steps = np.sqrt(np.diff(variance, prepend=variance[0]))
    each = -(-_COURSES // len(ways))
    drawn = np.random.default_rng(_FIRST).standard_normal((len(ways), each, steps.size))
    astray = np.cumsum(steps * drawn, axis=2).reshape(-1, steps.size)
    # a line through both ends is taken out of these as it is of the ways
    astray -= np.linspace(0.0, 1.0, steps.size) * astray[:, -1:]
    return np.repeat(ways, each, axis=0) + astray
