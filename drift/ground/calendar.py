"""Days, dates and seasons of either hemisphere, and the usual course of temperature over a year."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drift.quantities import DAY_US, YEAR_DAYS, Floats, Ints

#: First month of the year that holds one whole winter: July in the north, January in the south.
_NORTH_FIRST_MONTH, _SOUTH_FIRST_MONTH = 7, 1


def date_text(day: int) -> str:
    """Return ``2024-01-31`` of days since 1970-01-01."""
    return str(np.datetime64(int(day), "D"))


def winter_year(day: Ints, south: bool) -> Ints:
    """Return the calendar year in which each day's winter has its coldest half, (n,).

    A year that holds one whole winter runs from 1 July to 30 June in the
    north and from 1 January to 31 December in the south.
    """
    month = np.asarray(day).astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    first = _SOUTH_FIRST_MONTH if south else _NORTH_FIRST_MONTH
    ahead = 0 if south else 12 - (first - 1)
    return np.asarray(1970 + (month + ahead) // 12, dtype=np.int64)


def winter_name(year: int, south: bool) -> str:
    """Return ``2023-24`` in the north, ``2024`` in the south."""
    return str(year) if south else f"{year - 1}-{year % 100:02d}"


def noon_us(day: Ints, longitude_deg: float) -> Ints:
    """Return local mean noon of each local date, UTC microseconds, (n,)."""
    return np.asarray(
        np.asarray(day) * DAY_US + round((0.5 - longitude_deg / 360.0) * DAY_US), dtype=np.int64
    )


def year_phase(day: Ints | Floats, south: bool) -> Floats:
    """Return the angle of the year, 0 in mid-winter (15 January north, 16 July south), (n,) [rad]."""
    mid_winter = 14.0 + (YEAR_DAYS / 2.0 if south else 0.0)
    return np.asarray(2.0 * np.pi * (np.asarray(day, dtype=float) - mid_winter) / YEAR_DAYS)


# ---- The usual course of temperature over a year, from however much of it is known.


#: Prior: mean, cosine and sine of the phase from mid-winter [deg C], and their standard deviations.  Common
#: practice: places where a pier freezes have means from -5 to 15 deg C and swing by 5 to 20 deg C to either
#: side, coldest within three weeks of mid-winter.
_PRIOR_C = np.array([8.0, -11.0, 0.0])
_PRIOR_SD_C = np.array([10.0, 6.0, 3.0])
#: Days of weather that count as one independent of the others.
_DAYS_PER_INDEPENDENT = 5.0
#: Least scatter of daily means about the curve [deg C].
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
