"""How far the axis moved over long stretches without nights."""

from __future__ import annotations

import numpy as np

from drift.history.result import AxisMove
from drift.history.view import View
from drift.quantities import DAY_US

#: Over shorter stretches than this a step doesn't pass for anything else [days]: our own rule.
GAP_DAYS = 21.0


def moves_over_gaps(seen: View) -> tuple[AxisMove, ...]:
    """Return how far the smoothed axis moved over each stretch, from the night before to the night after."""
    fit = seen.fit
    times = fit.model.series.time_us
    nights = np.flatnonzero((fit.model.series.night >= 0) & ~fit.model.ignored)
    out = []
    for at in np.flatnonzero(np.diff(times[nights]) >= GAP_DAYS * DAY_US):
        before, after = int(nights[at]), int(nights[at + 1])
        walk = np.zeros((2, times.size, 5))
        walk[:, after], walk[:, before] = fit.sees[after, :2], -fit.sees[before, :2]
        mean, cov = seen.sums(walk, fit.columns.seen[after, :2] - fit.columns.seen[before, :2])
        second = int(times[nights[at + 2]]) if at + 2 < nights.size else None
        out.append(AxisMove(int(times[before]), int(times[after]), second, mean, cov))
    return tuple(out)
