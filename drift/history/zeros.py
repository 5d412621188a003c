"""Whether hour-angle zeros really come back, or are set anew by a sync: the second say nothing of a lean.

A sync makes the mount read right at one star, so the zeros after it lie near
zero and scatter with the axis error and the star chosen.  A homed mount has a
constant zero of any size that repeats to arcseconds.  Taking the first for the
second would lay every lean at the mount's door.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drift.history.series import Series
from drift.quantities import Bools

#: Zeros that repeat to this from night to night are homed or parked ones [arcsec]: common practice, a home
#: switch or an encoder repeats to seconds.
HOMED_ARCSEC = 20.0
#: Zeros that repeat to this were hardly set by syncs, which scatter with the mount's own noise and the star.
SURELY_HOMED_ARCSEC = 12.0
#: Zeros whose middle is this many scatters (of at least `LEAST_SCATTER`) from zero were not set by a sync.
FAR_FROM_ZERO, LEAST_SCATTER = 3.0, 10.0
FEWEST = 5
#: A sync sets the zero wrong by at most about this many times the axis error (the tangent of the star's
#: declination) and what the mount itself adds [arcsec]; what scatters more was parked by eye.
SYNC_FACTOR, SYNC_NOISE = 1.5, 30.0
#: Median of the absolute difference of two unit normals.
MEDIAN_OF_DIFFERENCE = 0.953873


def doubt_zeros(series: Series, zero_is: str) -> tuple[Series, list[str]]:
    """Take zeros for lost that look as if a sync had set them; return the series and what to say.

    Parameters
    ----------
    series
        Not centred yet.
    zero_is
        "kept", "synced" or "unknown", from the site file.
    """
    if zero_is == "synced":  # only zeros from before the sync are shared then
        return series, []
    shared = np.array([str(label).startswith("epoch") for label in series.zero_label], dtype=bool)
    if shared.sum() < FEWEST:
        return series, []
    scatter, middle = _scatter_and_middle(series, shared)
    near_zero = middle < FAR_FROM_ZERO * max(scatter, LEAST_SCATTER)
    homed = scatter <= HOMED_ARCSEC
    if homed and zero_is == "kept":
        return series, []
    if scatter <= SURELY_HOMED_ARCSEC or (homed and not near_zero):
        return series, [_taken_for_kept(scatter)]
    if zero_is == "kept" and (not near_zero or scatter > SYNC_FACTOR * _axis_error(series) + SYNC_NOISE):
        return series, []  # kept poorly, which the fit finds and allows for
    label = np.where(shared, "", series.zero_label)
    return replace(series, zero_label=label), [_words(zero_is, scatter)]


def _scatter_and_middle(series: Series, shared: Bools) -> tuple[float, float]:
    """Return the scatter from one night to the next, and how far the middle is from zero [arcsec]."""
    steps, middles = [], []
    for name in sorted({str(label) for label in series.zero_label[shared]}):
        own = series.value[series.zero_label == name, 2]
        steps.append(np.diff(own))
        middles.append(abs(float(np.median(own))))
    step = np.abs(np.concatenate(steps))
    return float(np.median(step)) / MEDIAN_OF_DIFFERENCE if step.size else 0.0, float(np.median(middles))


def _axis_error(series: Series) -> float:
    """Return the typical size of the axis error on the nights [arcsec]."""
    night = series.night >= 0
    return float(np.median(np.hypot(series.value[night, 0], series.value[night, 1])))


def _taken_for_kept(scatter: float) -> str:
    return (
        "The site file does not say whether the hour-angle zero is kept; it repeats to "
        f"{scatter:.0f} arcsec from night to night and was taken for kept.  If that is right, set "
        'hour_angle_zero = "kept"; if you sync each time, set "synced".'
    )


def _words(zero_is: str, scatter: float) -> str:
    said = (
        'The site file says hour_angle_zero = "kept", but'
        if zero_is == "kept"
        else "The site file does not say whether the hour-angle zero is kept;"
    )
    return (
        f"{said} the zeros lie near zero and scatter by {scatter:.0f} arcsec from night to night, as "
        "after a sync: they are not used to tell lean from azimuth.  If the mount is homed, log a solve "
        "before the sync (before_sync = true), or don't sync."
    )
