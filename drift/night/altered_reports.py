"""How likely it is that a mount's own model has altered the places that it reports, by pointing solves alone.

A raw mount shows cone error, non-perpendicular axes and the axis error that its
owner left.  A mount with a model of many stars reports where it really points,
so that all of these come out near nothing; one with a model of two or three
stars takes out the axis error alone.  No raw mount is known to be perfect and
none is known not to be, so this is a matter of odds: how often each kind of
mount comes out as near to nothing as this one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drift.quantities import Floats

#: What raw mounts show, as ranges in which the logarithm of the scale is equally likely [arcsec]: common
#: practice, cone errors of 10 arcsec (shimmed) to 10 arcmin, axes perpendicular to 5 arcsec to 5 arcmin, a
#: polar axis set to 20 arcsec (with care) to 25 arcmin (by eye).
RAW_CONE, RAW_NONPERP, RAW_AXIS = (10.0, 600.0), (5.0, 300.0), (20.0, 1500.0)
#: What a model leaves of each [arcsec]: common practice, its stars are centred to some arcsec.
LEFT = (0.5, 20.0)
#: How common each kind is where the site file doesn't say: common practice, most logs come from encoders or
#: from a driver without a model; go-to mounts set on two or three stars are more common than full models.
CHANCE_ALL, CHANCE_AXIS = 0.10, 0.10
_GRID = 40


@dataclass(frozen=True)
class Shown:
    """What pointing solves show of an instrument: values with sds [arcsec]; NaN where they tell nothing.

    `axis` and its sds are on the sky, azimuth with the cosine of latitude, from
    the time before anybody turned a knob.
    """

    cone: tuple[float, float]
    nonperp: tuple[float, float]
    axis: Floats  # (2,)
    axis_sd: Floats  # (2,)


def chance_altered(shown: Shown, verified_log_odds: float = 0.0) -> float:
    """Return the chance that the reports are altered so that the axis can't be seen in them.

    Parameters
    ----------
    shown
        What the solves show.
    verified_log_odds
        What sweeps and runs say for altered reports, as the logarithm of odds; 0 where there are none.
    """
    cone = _evidence(*shown.cone, LEFT) - _evidence(*shown.cone, RAW_CONE)
    nonperp = _evidence(*shown.nonperp, LEFT) - _evidence(*shown.nonperp, RAW_NONPERP)
    axis = _evidence(shown.axis, shown.axis_sd, LEFT) - _evidence(shown.axis, shown.axis_sd, RAW_AXIS)
    some = np.log(CHANCE_AXIS) + axis
    all_of_it = np.log(CHANCE_ALL) + axis + cone + nonperp
    odds = np.logaddexp(some, all_of_it) - np.log(1.0 - CHANCE_ALL - CHANCE_AXIS) + verified_log_odds
    return float(1.0 / (1.0 + np.exp(-np.clip(odds, -500.0, 500.0))))


def verified(apart: Floats, cov: Floats) -> float:
    """Return the log odds for altered reports by one axis that was measured without them.

    Parameters
    ----------
    apart
        The axis by sweep or run less that by pointing solves, on the sky, (2,) [arcsec].
    cov
        Its covariance if nothing is altered, (2, 2), what the axis may have moved in between included.
    """
    scales = np.geomspace(*RAW_AXIS, _GRID)
    raw = _normal(apart, cov)
    return float(np.logaddexp.reduce([_normal(apart, cov + np.eye(2) * s**2) for s in scales])) - float(
        np.log(_GRID) + raw
    )


def _evidence(value: Floats | float, sd: Floats | float, between: tuple[float, float]) -> float:
    """Return the log density of values scattered about nothing by one scale of a range; 0 for none."""
    x, s = np.atleast_1d(value), np.atleast_1d(sd)
    known = np.isfinite(x) & np.isfinite(s)
    if not known.any():
        return 0.0
    variance = np.geomspace(*between, _GRID)[:, None] ** 2 + s[known] ** 2
    each = -0.5 * np.sum(x[known] ** 2 / variance + np.log(2.0 * np.pi * variance), axis=1)
    return float(np.logaddexp.reduce(each) - np.log(_GRID))


def _normal(x: Floats, cov: Floats) -> float:
    _, size = np.linalg.slogdet(cov)
    return float(-0.5 * (x @ np.linalg.solve(cov, x) + size + x.size * np.log(2.0 * np.pi)))
