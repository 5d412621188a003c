"""Thaws that are quicker than the frost driver knows: a stretch of quick walk competes with a step.

A thaw may let a heaved pier down within days, of which the driver knows nothing: it follows the depth of
frost or the cold stored in the ground, not how the pier's sides come free.  So where the forcing falls, a
step of the pier must be likelier than a stretch of some weeks in which the pier moves quickly, by no more
than the frost lifts it.  Elsewhere, and for movements larger than that, nothing competes: bumps stay bumps.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drift.ground.heave import FrostForcing
from drift.history.model import Fit, Model, Solver, Stretch
from drift.quantities import DAY_US

#: The forcing falls where its least value of the `AFTER_DAYS` after is this share below its greatest of the
#: `BEFORE_DAYS` before.
FALLEN_SHARE, BEFORE_DAYS, AFTER_DAYS = 0.3, 60.0, 30.0
#: Below this, in typical winters, there is no frost to speak of.
LEAST_FORCING = 0.1
#: How long a thaw may take [days], and which share of that lies before the place of the step.
LENGTHS_DAYS, SHARES_BEFORE = (16.0, 30.0, 45.0), (0.2, 0.5, 0.8)
#: Root of the variance that a stretch adds, against how far the forcing falls: common practice, a pier that
#: comes free falls by some tenths of its heave more, or earlier, than the frost does.
STRAYS_SHARE = 0.4
#: Prior chance that a thaw is quicker than the driver knows: common practice, every few winters.
QUICK_CHANCE = 0.2


def stretches_at(model: Model, index: int) -> tuple[Stretch, ...]:
    """Return the stretches that compete with a step before reading `index`; none without a fall."""
    forcing, times = model.forcing or model.frost, model.series.time_us
    if forcing is None or not forcing.is_frost:
        return ()
    gap = (int(times[index - 1]), int(times[index]))
    fall = fallen(forcing, *gap)
    if fall <= 0.0:
        return ()
    out = []
    for length in LENGTHS_DAYS:
        for share in SHARES_BEFORE:
            start = gap[0] - int(share * length * DAY_US)
            end = gap[1] + int((1.0 - share) * length * DAY_US)
            out.append(Stretch(start, end, (STRAYS_SHARE * fall) ** 2))
    return tuple(out)


def fallen(forcing: FrostForcing, after_us: int, before_us: int) -> float:
    """Return how far the forcing falls about a gap between readings, in typical winters; 0 for not."""
    days, value = forcing.time_us, forcing.value
    earlier = value[(days >= after_us - BEFORE_DAYS * DAY_US) & (days <= before_us)]
    later = value[(days >= after_us) & (days <= before_us + AFTER_DAYS * DAY_US)]
    if not earlier.size or not later.size:
        return 0.0
    high, low = float(earlier.max()), float(later.min())
    return high - low if high > LEAST_FORCING and low <= (1.0 - FALLEN_SHARE) * high else 0.0


def likeliest_stretch(model: Model, fit: Fit, index: int) -> tuple[Stretch | None, float]:
    """Return the likeliest stretch in place of a step, and its log odds against nothing.

    Parameters
    ----------
    model
        Without the step, with what moves by itself settled: a normal law.
    fit
        Of `model`.
    index
        The reading before which the step would lie.
    """
    tried = stretches_at(model, index)
    if not tried:
        return None, -np.inf
    gains = [
        Solver(replace(model, stretches=(*model.stretches, stretch))).log_marginal(fit.scales)
        - fit.log_marginal
        for stretch in tried
    ]
    odds = float(np.logaddexp.reduce(gains)) - np.log(len(tried)) + np.log(QUICK_CHANCE)
    return tried[int(np.argmax(gains))], float(odds)
