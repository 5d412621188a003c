"""An invented forecast, whose every number can be seen to be right."""

from __future__ import annotations

import numpy as np

from drift.forecast.coming import coming_times
from drift.notices import Notice
from drift.quantities import DAY_US
from drift.types import Forecast, Settling

#: 2024-10-01 00:00 UTC.
START_US = 19997 * DAY_US
#: Half an 80 % band of a normal law in sds: any table of the normal distribution.
HALF_BAND_SDS = 1.2816


def swing_of(days, peak_day: float, half_width_days: float = 60.0):
    """Return a triangle: 1 at the peak, 0 from `half_width_days` before and after it."""
    return np.clip(1.0 - np.abs(np.asarray(days) - peak_day) / half_width_days, 0.0, None)


def invented_forecast(
    az: float = 0.0,
    alt: float = 0.0,
    swing: float = 0.0,
    peaks=(140.0,),
    sd: float = 3.0,
    start_us: int = START_US,
    settling: Settling | None = None,
    rests_on: Notice | None = None,
) -> Forecast:
    """Return a forecast whose altitude falls by `swing` in each winter and comes back.

    Parameters
    ----------
    az, alt
        The axis at rest [arcsec].
    swing
        How far the altitude goes down [arcsec].
    peaks
        Day of the furthest point, one for each way of the frost.
    sd
        Of either coordinate about each way [arcsec].
    """
    times = coming_times(start_us)
    days = (times - start_us) / DAY_US
    heave = np.array([swing_of(days, peak) for peak in peaks])
    paths = np.stack([np.full(heave.shape, az), alt - swing * heave], axis=2)
    axis, spread = paths.mean(axis=0), np.hypot(sd, paths.std(axis=0))
    tilt = np.stack([swing * heave.mean(axis=0), np.zeros(days.size)], axis=1)
    half = HALF_BAND_SDS * spread
    return Forecast(
        time_us=times,
        axis=axis,
        axis_sd=spread,
        axis_low=axis - half,
        axis_high=axis + half,
        tilt=tilt,
        tilt_sd=spread,
        tilt_low=tilt - half,
        tilt_high=tilt + half,
        paths=paths,
        rests_on=rests_on,
        within_sd=np.full((days.size, 2), sd),
        settling=settling,
    )
