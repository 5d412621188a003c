"""The yearly wave of temperature in the ground."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from drift.quantities import YEAR_DAYS, Floats


def damping_depth(diffusivity_m2_d: float, period_days: float = YEAR_DAYS) -> float:
    """Return the depth at which a wave has shrunk to 1/e, sqrt(2 a / w) [m].

    Parameters
    ----------
    diffusivity_m2_d
        Thermal diffusivity [m2/d].
    period_days
        [d].
    """
    return float(np.sqrt(diffusivity_m2_d * period_days / np.pi))


def lag_days_per_m(diffusivity_m2_d: float, period_days: float = YEAR_DAYS) -> float:
    """Return how many days later a wave arrives for each metre of depth."""
    return period_days / (2.0 * np.pi * damping_depth(diffusivity_m2_d, period_days))


def ground_temperature(
    day: npt.ArrayLike,
    depth_m: npt.ArrayLike,
    mean_c: float,
    amplitude_c: float,
    coldest_day: float,
    diffusivity_m2_d: float,
) -> Floats:
    """Return T = T_m - A exp(-z/D) cos(w (t - t_0) - z/D): the yearly wave at a depth [deg C].

    Parameters
    ----------
    day, depth_m
        Days and depths [m, positive down], broadcast against one another.
    mean_c, amplitude_c
        Mean over the year and half the swing at the surface [deg C].
    coldest_day
        Day on which the surface is coldest, on the same count as `day`.
    diffusivity_m2_d
        [m2/d].

    References
    ----------
    .. [1] T. Kusuda and P. R. Achenbach (1965), ASHRAE Transactions 71, 61-74 (form from memory).
    """
    z = np.asarray(depth_m, dtype=float) / damping_depth(diffusivity_m2_d)
    turn = 2.0 * np.pi * (np.asarray(day, dtype=float) - coldest_day) / YEAR_DAYS
    return np.asarray(mean_c - amplitude_c * np.exp(-z) * np.cos(turn - z))
