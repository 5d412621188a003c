"""The usual course of temperature over a year, from however much of it is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drift.ground.calendar import year_phase
from drift.quantities import YEAR_DAYS, Floats, Ints

#: What is held likely before any reading: mean, cosine and sine of the phase from mid-winter [deg C], and
#: their standard deviations.  Common practice: places where a pier freezes have means from -5 to 15 deg C
#: and swing by 5 to 20 deg C to either side, coldest within three weeks of mid-winter.
_PRIOR_C = np.array([8.0, -11.0, 0.0])
_PRIOR_SD_C = np.array([10.0, 6.0, 3.0])
#: So many days of weather tell as much as one that is independent of the others.
_DAYS_PER_INDEPENDENT = 5.0
#: Least scatter of daily means about the curve that is believed [deg C].
_LEAST_SPREAD_C = 2.0
_ROUNDS = 25


@dataclass(frozen=True)
class AnnualCurve:
    """Daily mean air temperature in a usual year: mean + cosine cos(p) + sine sin(p), p from mid-winter.

    Parameters
    ----------
    mean_c, cosine_c, sine_c
        [deg C]; the cosine is negative where mid-winter is cold.
    spread_c
        Robust standard deviation of single days about the curve [deg C].
    south
        Whether the winter is in July.
    """

    mean_c: float
    cosine_c: float
    sine_c: float
    spread_c: float
    south: bool

    def at(self, day: Ints | Floats) -> Floats:
        """Return the curve on some days, (n,) [deg C]."""
        phase = year_phase(day, self.south)
        return np.asarray(self.mean_c + self.cosine_c * np.cos(phase) + self.sine_c * np.sin(phase))

    @property
    def amplitude_c(self) -> float:
        """Half the swing from coldest to warmest [deg C]."""
        return float(np.hypot(self.cosine_c, self.sine_c))

    @property
    def coldest_day(self) -> float:
        """A day on which the curve is coldest, days since 1970-01-01 (with a fraction)."""
        phase = np.arctan2(-self.sine_c, -self.cosine_c)
        mid_winter = 14.0 + (YEAR_DAYS / 2.0 if self.south else 0.0)
        return float(mid_winter + phase / (2.0 * np.pi) * YEAR_DAYS)


def fit_annual_curve(day: Ints, mean_c: Floats, south: bool) -> AnnualCurve:
    """Fit the curve to daily means; single wild days and slips of unit hardly move it.

    Huber's weights about a Gaussian prior, so that a few weeks give a wide but
    sensible year.

    Parameters
    ----------
    day, mean_c
        (n,) days since 1970-01-01 and means [deg C]; NaN is left out.
    south
        Whether the winter is in July.
    """
    known = np.isfinite(mean_c)
    value = np.asarray(mean_c, dtype=float)[known]
    phase = year_phase(np.asarray(day)[known], south)
    design = np.column_stack([np.ones(phase.size), np.cos(phase), np.sin(phase)])
    beta, spread = _PRIOR_C, 5.0
    for _ in range(_ROUNDS if value.size else 0):
        away = value - design @ beta
        weight = 1.0 / np.maximum(np.abs(away) / spread, 1.0) / (spread**2 * _DAYS_PER_INDEPENDENT)
        precision = (design * weight[:, None]).T @ design + np.diag(_PRIOR_SD_C**-2.0)
        beta = np.linalg.solve(precision, design.T @ (weight * value) + _PRIOR_C / _PRIOR_SD_C**2)
        spread = max(_LEAST_SPREAD_C, 1.4826 * float(np.median(np.abs(value - design @ beta))))
    return AnnualCurve(float(beta[0]), float(beta[1]), float(beta[2]), float(spread), south)
