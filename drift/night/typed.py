"""Axis errors typed in by hand: taken as they are, with the stated uncertainty."""

from __future__ import annotations

import numpy as np
import pandas as pd

from drift.night.system import Typed
from drift.quantities import Ints

#: Standard deviation of a typed axis error that comes without one [arcsec]: common practice, an
#: alignment aid repeats to about half an arcminute in each coordinate.
TYPED_SD_ARCSEC = 30.0


def typed_axes(table: pd.DataFrame, night: Ints) -> Typed:
    """Turn typed axis errors [arcmin] into direct sightings of the axis [arcsec]."""
    sigma = table["sigma_arcmin"].to_numpy(dtype=float) * 60.0
    return Typed(
        night,
        table["az_error_arcmin"].to_numpy(dtype=float) * 60.0,
        table["alt_error_arcmin"].to_numpy(dtype=float) * 60.0,
        np.where(np.isfinite(sigma), sigma, TYPED_SD_ARCSEC),
    )
