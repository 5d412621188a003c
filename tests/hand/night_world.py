"""One night of pointing solves, and a plain series of nights, for tests that make nights by themselves."""

from typing import Any

import numpy as np

from drift.codes import Source
from drift.history.series import Series
from drift.quantities import DAY_US
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


def plain_series(count: int, days: int = 1, **more: Any) -> Series:
    """Return nights so many days apart, known to 1 arcsec, without levels or kept zeros; `more` replaces."""
    given = {
        "time_us": np.arange(count, dtype=np.int64) * days * DAY_US,
        "night": np.arange(count),
        "value": np.zeros((count, 3)),
        "variance": np.tile(np.eye(3), (count, 1, 1)),
        "zero_label": np.full(count, "", dtype=object),
        "homed": np.zeros(count, dtype=bool),
        "place": np.full(count, "", dtype=object),
        "face": np.ones(count),
        "era": np.zeros(count, dtype=np.int64),
        "common_sd": np.zeros((count, 2)),
    }
    return Series(**{**given, **more})
