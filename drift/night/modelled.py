"""Notice a mount whose own multi-star model has altered the places it reports.

Such a mount takes part of its axis error out of what it reports, so pointing
solves see too little of it, while sweeps and unguided runs see it all.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drift.night.result import NightAxis, Nights
from drift.quantities import DAY_US, Floats

#: Pointing and still-axis nights are compared when no further apart than this [days].
NEAR_DAYS = 20.0
#: A disagreement counts when it is larger than both: so many sd, and so many arcsec (a few good nights' sd).
ALARM_SDS, ALARM_ARCSEC = 4.0, 15.0
#: Between two nights the axis may have moved by about this much [arcsec].
BETWEEN_NIGHTS_ARCSEC = 8.0
FEWEST_PAIRS = 3


def disagreement(nights: Nights) -> tuple[Floats, Floats, int]:
    """Return the middle of still-axis minus pointing (az_error, alt_error), its sds, and the pairs."""
    pointing = [n for n in nights.nights if n.has_axis and n.sources == ("pointing",)]
    still = [n for n in nights.nights if n.has_axis and n.sources and set(n.sources) <= {"sweep", "run"}]
    if not pointing:
        return np.zeros(2), np.full(2, np.inf), 0
    times = np.array([n.time_us for n in pointing])
    apart, weight = [], []
    for night in still:
        near = pointing[int(np.argmin(np.abs(times - night.time_us)))]
        if abs(near.time_us - night.time_us) <= NEAR_DAYS * DAY_US:
            apart.append(night.estimate[:2] - near.estimate[:2])
            variance = np.diagonal(night.covariance)[:2] + np.diagonal(near.covariance)[:2]
            weight.append(1.0 / (variance + BETWEEN_NIGHTS_ARCSEC**2))
    if len(apart) < FEWEST_PAIRS:
        return np.zeros(2), np.full(2, np.inf), len(apart)
    w = np.array(weight)
    middle = np.median(
        np.array(apart), axis=0
    )  # a slip between two nights of a pair must not raise the alarm
    return middle, 1.2533 / np.sqrt(w.sum(axis=0)), len(apart)


def modelled_or_not(nights: Nights, reports: str, latitude_rad: float) -> Nights:
    """Say when pointing solves see less of the axis error than sweeps and runs, and go by the latter.

    Parameters
    ----------
    nights
        All nights.
    reports
        ``mount.reports`` of the site file: "raw", "modelled" or "unknown".
    latitude_rad
        Geodetic latitude [rad]; azimuth counts with its cosine.
    """
    middle, sd, pairs = disagreement(nights)
    on_sky = middle * np.array([np.cos(latitude_rad), 1.0])
    noticed = bool(np.any((np.abs(middle) > ALARM_SDS * sd) & (np.abs(on_sky) > ALARM_ARCSEC)))
    if not noticed and reports != "modelled":
        return nights
    kept = nights.nights
    if noticed:
        why = (
            f"Sweeps and unguided runs see the axis {middle[0]:+.0f} arcsec in azimuth and "
            f"{middle[1]:+.0f} in altitude from where pointing solves see it ({pairs} pairs of nights): "
            "the mount seems to report places altered by a model of its own"
        )
    else:
        why = "The site file says that the mount's reported places are altered by a model of its own"
    still = [n for n in kept if n.has_axis and set(n.sources) & {"sweep", "run", "typed"}]
    if len(still) >= FEWEST_PAIRS:
        kept = tuple(_without_axis(n) if n.sources == ("pointing",) else n for n in kept)
        what = "pointing nights are shown but not used for the history"
    else:
        what = (
            "pointing nights see too little of the axis error; take a sweep or an unguided run now and then"
        )
    return replace(nights, nights=kept, warnings=(*nights.warnings, f"{why}; {what}."))


def _without_axis(night: NightAxis) -> NightAxis:
    """Return the night with its axis shown but kept out of the history."""
    remark = "the mount's own model has altered these places; not used in the history"
    return replace(night, working=np.full(3, np.nan), remarks=(*night.remarks, remark))
