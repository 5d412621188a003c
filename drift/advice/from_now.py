"""What is left of a forecast that was made from the last reading, when today is later than that."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.quantities import Floats

if TYPE_CHECKING:
    from drift.history.forecast import Forecast

#: What a forecast has for each of its moments.
_BY_MOMENT = ("axis", "axis_sd", "axis_low", "axis_high", "lean", "lean_sd", "lean_low", "lean_high", "paths")


def from_moment(ahead: Forecast, from_us: int) -> Forecast | None:
    """Return a forecast from a moment on; None when it ends before that.

    Parameters
    ----------
    ahead
        The forecast.
    from_us
        The moment [UTC us]; what holds then is drawn straight between the moments on both sides.
    """
    times = ahead.time_us
    if from_us <= times[0]:
        return ahead
    if from_us >= times[-1]:
        return None
    k = int(np.searchsorted(times, from_us, side="right"))
    share = float(from_us - times[k - 1]) / float(times[k] - times[k - 1])

    def rest(values: Floats) -> Floats:
        then = values[..., k - 1 : k, :] * (1.0 - share) + values[..., k : k + 1, :] * share
        return np.concatenate([then, values[..., k:, :]], axis=-2)

    left: dict[str, Any] = {name: rest(getattr(ahead, name)) for name in _BY_MOMENT}
    within = None if ahead.within_sd is None else rest(ahead.within_sd)
    return replace(ahead, time_us=np.append(np.int64(from_us), times[k:]), within_sd=within, **left)
