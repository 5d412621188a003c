"""One night of pointing solves with the axis that it is to show, for tests that make nights by themselves."""

from typing import Any

import numpy as np

from drift.codes import Source
from drift.types import NightAxis


def pointing_night(time_us: int, value: np.ndarray, own: np.ndarray, **more: Any) -> NightAxis:
    """Return a night with azimuth, altitude and zero (3,) known to `own` (3, 3); `more` replaces or adds."""
    told = {"covariance": own, "own_covariance": own, "estimate": value, "working": value, **more}
    return NightAxis(
        start_us=time_us,
        end_us=time_us + 1,
        time_us=time_us,
        sources=(Source.POINTING,),
        solves_used=9,
        solves_set_aside=0,
        **told,
    )
