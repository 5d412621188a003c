"""Where to set the axis tonight so that the coming year goes best, and how it then goes.

A pier that heaves swings the axis.  Set dead on the pole at one end of the
swing, it is off by the whole swing half a year later; set so that the pole lies in the
middle of the swing it is never off by more than half.  On the sky the best
setting is the centre of the smallest circle round all places that the axis goes to.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from drift.quantities import Bools, Floats, as_utc
from drift.types import AxisForecast

if TYPE_CHECKING:
    from drift.site.file import PierFile


#: A point is outside a circle when it is by more than this share of its radius.
_CIRCLE = 1e-7
#: Nodes of the quadrature in each coordinate: an even number has as many on either side, none at 0.
_NODES = 12


def best_change(forecast: AxisForecast, latitude_rad: float, counts: Bools, aim: str, pole: Floats) -> Floats:
    """Return by how much to change the axis now, (az_error, alt_error) [arcsec].

    Parameters
    ----------
    forecast
        Where the axis goes if left alone.
    latitude_rad
        Geodetic latitude [rad].
    counts
        (n,) on which days it matters.
    aim
        "year": the largest error on those days is made least; "typical": the root mean
        square is; "tonight": the axis is put on the pole on the first day.
    pole
        The pole aimed at as an axis error, (2,) [arcsec].
    """
    to_sky = np.array([np.cos(latitude_rad), 1.0])
    path = (forecast.axis - pole) * to_sky
    if aim == "tonight":
        return -np.asarray(path[0]) / to_sky
    days = path[counts] if np.any(counts) else path
    middle = days.mean(axis=0) if aim == "typical" else smallest_circle(days)
    return -np.asarray(middle) / to_sky


def smallest_circle(points: Floats) -> Floats:
    """Return the centre (2,) of the smallest circle round points (n, 2).

    Notes
    -----
    The circle round a few of the points is taken, the one farthest outside is added to them, and so
    on until none is outside.
    """
    middle = (points.min(axis=0) + points.max(axis=0)) / 2.0
    scale = float(np.max(np.hypot(*(points - middle).T)))
    if scale == 0.0:
        return np.asarray(middle)
    own = (points - middle) / scale
    taken = list(dict.fromkeys(int(k) for k in (*own.argmin(axis=0), *own.argmax(axis=0))))
    while True:
        centre = _circle_of_few(own[taken])
        away = np.hypot(*(own - centre).T)
        farthest = int(np.argmax(away))
        if farthest in taken or away[farthest] <= np.max(away[taken]) + _CIRCLE:
            return np.asarray(middle + scale * centre)
        taken.append(farthest)


def _circle_of_few(points: Floats) -> Floats:
    """Return the centre of the smallest circle round a few points.

    Notes
    -----
    With ``m = r^2 - |c|^2`` all ``|p - c| <= r`` become ``|p|^2 - 2 p.c <= m``, linear in (c, m), and
    ``r^2 = m + |c|^2`` is to be made least: a convex quadratic programme.
    """
    from scipy.optimize import minimize

    square = np.sum(points**2, axis=1)
    slopes = np.column_stack([2.0 * points, np.ones(len(points))])
    found = minimize(
        lambda x: x[2] + x[0] ** 2 + x[1] ** 2,
        np.array([0.0, 0.0, float(square.max())]),
        jac=lambda x: np.array([2.0 * x[0], 2.0 * x[1], 1.0]),
        constraints={"type": "ineq", "fun": lambda x: slopes @ x - square, "jac": lambda x: slopes},
        method="SLSQP",
        options={"ftol": 1e-12, "maxiter": 200},
    )
    return np.asarray(found.x[:2])


def error_of_year(
    forecast: AxisForecast, change: Floats, latitude_rad: float, counts: Bools, aim: str, pole: Floats
) -> tuple[float, float]:
    """Return the largest error on the days that count (the rms for "typical"), and its sd [arcsec].

    Notes
    -----
    The error is that of the expected path, its sd the root mean square of how far it comes out beside that.
    The axis is off the path to one side for months, so the deviations of all days are taken to go together:
    one standard normal number for azimuth and one for altitude, integrated over by Gauss-Hermite quadrature.
    The sd of the one worst day would not do: the best setting has two or three of them, in autumn and in
    spring, alike to the last digit and known very differently well.
    """
    to_sky = np.array([np.cos(latitude_rad), 1.0])
    keep = counts if np.any(counts) else np.ones(len(counts), dtype=bool)
    path, sds = (forecast.axis - pole + change)[keep] * to_sky, forecast.sd[keep] * to_sky
    node, weight = np.polynomial.hermite_e.hermegauss(_NODES)
    off = np.stack(np.meshgrid(node, node), axis=-1).reshape(-1, 1, 2)
    share = np.outer(weight, weight).ravel() / weight.sum() ** 2
    error = float(_of_days(path, aim))
    return error, float(np.sqrt(share @ (_of_days(path + off * sds, aim) - error) ** 2))


def _of_days(path: Floats, aim: str) -> Floats:
    """Return one number for the errors of days on the sky (..., n, 2): the largest, or their rms, (...)."""
    sizes = np.hypot(path[..., 0], path[..., 1])
    return np.asarray(np.sqrt(np.mean(sizes**2, axis=-1)) if aim == "typical" else sizes.max(axis=-1))


def days_that_count(forecast: AxisForecast, site: PierFile) -> Bools:
    """Return which days of a forecast lie in the months of use, (n,)."""
    months = site.optics.months_of_use
    if not months:
        return np.ones(len(forecast.time_us), dtype=bool)
    zone = ZoneInfo(site.site.timezone or "UTC")
    return np.array([as_utc(int(t)).astimezone(zone).month in months for t in forecast.time_us])
