"""The few constants and array types that every numerical room shares."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.floating[Any]]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Arcseconds in a radian.
ARCSEC_PER_RAD = 180.0 * 3600.0 / np.pi
#: Microseconds in a day; times are int64 microseconds since 1970-01-01 UTC.
DAY_US = 86_400_000_000
#: Days in a tropical year.
YEAR_DAYS = 365.2422
