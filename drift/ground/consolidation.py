"""Settlement of clay under a constant load: Terzaghi's one-dimensional consolidation."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq

from drift.quantities import Floats

#: Below this time factor U = sqrt(4 T / pi), to 1e-10; above it the series converges in a few terms.
_EARLY = 0.04
_TERMS = 12


def degree_of_consolidation(time_factor: npt.ArrayLike) -> Floats:
    """Return the average degree of consolidation U = 1 - sum 2/M^2 exp(-M^2 T), M = (2m+1) pi/2.

    Parameters
    ----------
    time_factor
        T = c_v t / d^2, 0 or more, any shape; d is the drainage path (the whole thickness when water
        leaves one way, half of it when both).

    Returns
    -------
    numpy.ndarray
        0 to 1.

    Raises
    ------
    ValueError
        If a time factor is negative.

    References
    ----------
    .. [1] K. Terzaghi (1925); any textbook of soil mechanics.
    """
    t = np.asarray(time_factor, dtype=float)
    if np.any(t < 0.0):
        raise ValueError(f"time factor {t.min()}: it must be 0 or more")
    m = (2.0 * np.arange(_TERMS) + 1.0) * np.pi / 2.0
    late = 1.0 - np.sum(2.0 / m**2 * np.exp(-(m**2) * t[..., None]), axis=-1)
    return np.where(t < _EARLY, np.sqrt(4.0 * t / np.pi), late)


def time_factor(degree: float) -> float:
    """Return the time factor at which a degree of consolidation is reached: the inverse.

    Raises
    ------
    ValueError
        If the degree is not at least 0 and below 1: the end is never reached.
    """
    if not 0.0 <= degree < 1.0:
        raise ValueError(f"degree of consolidation {degree}: it must be at least 0 and below 1")
    early = np.pi / 4.0 * degree**2
    if early < _EARLY:
        return float(early)
    most = -4.0 / np.pi**2 * np.log((1.0 - degree) * np.pi**2 / 8.0) + 1.0
    return float(brentq(lambda t: float(degree_of_consolidation(t)) - degree, 0.0, most, xtol=1e-14))


def time_to_degree(degree: float, drainage_path_m: float, cv_m2_per_year: float) -> float:
    """Return after how long a degree of consolidation is reached, T d^2 / c_v [years]."""
    return time_factor(degree) * drainage_path_m**2 / cv_m2_per_year


def tail_time_constant(drainage_path_m: float, cv_m2_per_year: float) -> float:
    """Return the time constant of the exponential tail, 4 d^2 / (pi^2 c_v) [years].

    What is left of the settlement falls as (8/pi^2) exp(-t/tau) once two fifths
    are over (from T = 0.13 on the next term is below 1 % of it).
    """
    return 4.0 * drainage_path_m**2 / (np.pi**2 * cv_m2_per_year)


def share_left(years: npt.ArrayLike, drainage_path_m: float, cv_m2_per_year: float) -> Floats:
    """Return the share of the whole settlement that is still to come after some years, 1 to 0."""
    t = np.asarray(years, dtype=float) * cv_m2_per_year / drainage_path_m**2
    return np.asarray(1.0 - degree_of_consolidation(t))
