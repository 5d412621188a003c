"""Depth of frost from a winter's freezing index: modified Berggren, with Stefan as its limit.

Letters as in the army manuals: v_s mean degrees below freezing of the surface,
v_0 mean annual temperature above freezing, alpha = v_0 / v_s thermal ratio,
mu = v_s C / L fusion parameter, lambda the coefficient.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.optimize import brentq
from scipy.special import erf, erfcx

from drift.ground.soils import Soil

DAY_S = 86_400.0
#: Frost deeper than this is permafrost's business [m].
_DEEPEST_M = 40.0


def coefficient(alpha: float, mu: float) -> float:
    """Return the coefficient lambda of the modified Berggren formula.

    Solves exp(-x^2)/erf(x) - alpha exp(-x^2)/erfc(x) = x sqrt(pi)/mu, the solution
    of Neumann for equal properties above and below the front; lambda = x sqrt(2/mu).
    The published chart [1]_ is this equation, to its reading error.

    Parameters
    ----------
    alpha
        Thermal ratio, 0 or more; a colder ground (permafrost) is taken as 0.
    mu
        Fusion parameter, 0 or more; 0 is the limit of Stefan, lambda = 1.

    Raises
    ------
    ValueError
        If either is not a finite number or mu is negative.

    References
    ----------
    .. [1] H. P. Aldrich and H. M. Paynter (1966), CRREL Special Report 104, Fig. 1.
    """
    if not (np.isfinite(alpha) and np.isfinite(mu)) or mu < 0.0:
        raise ValueError(f"alpha = {alpha}, mu = {mu}: both must be finite, mu not negative")
    if mu < 1e-12:
        return 1.0
    ratio = max(alpha, 0.0)

    def excess(x: float) -> float:
        return float(np.exp(-x * x) / erf(x) - ratio / erfcx(x) - x * np.sqrt(np.pi) / mu)

    most = np.sqrt(mu / 2.0)  # lambda = 1: Stefan's depth is never exceeded
    x = brentq(excess, most * 1e-9, most, xtol=1e-14, rtol=1e-12)
    return float(x * np.sqrt(2.0 / mu))


def stefan_depth(index_c_d: float, conductivity: float, latent: float) -> float:
    """Return Stefan's depth of frost, sqrt(2 k F / L), which leaves out all heat but the latent [m].

    Parameters
    ----------
    index_c_d
        Freezing index at the surface [deg C d].
    conductivity
        [W/(m K)].
    latent
        Latent heat [J/m3], above 0.
    """
    return float(np.sqrt(2.0 * DAY_S * conductivity * index_c_d / latent))


def berggren_depth(
    index_c_d: float,
    length_days: float,
    mean_annual_c: float,
    layers: Sequence[tuple[float, Soil]],
    snow_resistance: float = 0.0,
) -> float:
    """Return the depth of frost in layered ground by the modified Berggren formula [m].

    Each layer takes L d / lambda^2 (R above it + d / 2k) of the index, R being the
    thermal resistance; lambda is that of the mean C and L down to the depth.  One
    layer without snow gives lambda sqrt(2 k n F / L), k the mean of frozen and thawed.

    Parameters
    ----------
    index_c_d
        Freezing index at the surface, n F [deg C d].
    length_days
        Length of the freezing season [d], above 0.
    mean_annual_c
        Mean annual temperature [deg C]; below 0 (permafrost) it is taken as 0, and the depth is that of
        the yearly frost only in name.
    layers
        Thickness [m] and soil from the top down; the last goes on.
    snow_resistance
        Of what lies on top [m2 K/W].

    Raises
    ------
    ValueError
        If the index is negative or the length not above 0.

    References
    ----------
    .. [1] U.S. Army TM 5-852-6 / AFR 88-19 vol. 6 (1988), modified Berggren equation and its form for layers
       (from memory).
    """
    if index_c_d < 0.0 or length_days <= 0.0:
        raise ValueError(
            f"index {index_c_d} deg C d over {length_days} d: it must be 0 or more over some days"
        )
    if index_c_d == 0.0:
        return 0.0
    v_s = index_c_d / length_days

    def missing(depth: float) -> float:
        return _index_needed(depth, v_s, mean_annual_c, layers, snow_resistance) - index_c_d

    if missing(_DEEPEST_M) < 0.0:
        return _DEEPEST_M
    return float(brentq(missing, 1e-6, _DEEPEST_M, xtol=1e-6))


def _index_needed(
    depth: float, v_s: float, v_0: float, layers: Sequence[tuple[float, Soil]], resistance: float
) -> float:
    """Return the index that freezes the ground to a depth [deg C d]."""
    needed = heat = fusion = 0.0
    for thickness, soil in _down_to(depth, layers):
        k = 0.5 * (soil.conductivity(True) + soil.conductivity(False))
        needed += soil.latent_heat * thickness * (resistance + thickness / (2.0 * k))
        resistance += thickness / k
        heat += thickness * soil.heat_capacity("mean")
        fusion += thickness * soil.latent_heat
    return needed / (DAY_S * coefficient(v_0 / v_s, v_s * heat / fusion) ** 2)


def _down_to(depth: float, layers: Sequence[tuple[float, Soil]]) -> list[tuple[float, Soil]]:
    out: list[tuple[float, Soil]] = []
    left = depth
    for thickness, soil in layers[:-1]:
        out.append((min(thickness, left), soil))
        left -= out[-1][0]
        if left <= 0.0:
            return out
    return [*out, (left, layers[-1][1])]
