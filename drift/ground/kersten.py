"""Thermal properties of soil from its dry density and water content.

Formulas are fits in American units; here everything goes in and comes out in SI.
"""

from __future__ import annotations

import numpy as np

#: One pound a cubic foot [kg/m3].
PCF = 16.01846
#: One Btu inch / (ft2 h F) [W/(m K)].
BTU_INCH = 0.1442279
#: One Btu / (ft h F) [W/(m K)].
BTU_FOOT = 1.730735
#: Heat of fusion of water, 144 Btu/lb [J/kg].
FUSION = 334_944.0
#: One Btu / (lb F) [J/(kg K)].
BTU_LB = 4186.8
#: Driest soil that the fits were made for [% of dry mass].
_LEAST_WATER = {"fine": 7.0, "coarse": 1.0}


def conductivity(texture: str, dry_density_kg_m3: float, water_percent: float, frozen: bool) -> float:
    """Return the thermal conductivity of soil [W/(m K)].

    Parameters
    ----------
    texture
        "fine" (silt and clay) or "coarse" (sand and gravel).
    dry_density_kg_m3
        [kg/m3].
    water_percent
        Water content [% of dry mass]; below 7 (fine) or 1 (coarse) those are taken, the driest measured.
    frozen
        Whether the water is ice.

    Raises
    ------
    ValueError
        If the texture is neither of the two.

    References
    ----------
    .. [1] M. S. Kersten (1949), Thermal Properties of Soils, Univ. of Minnesota Eng. Exp. Station Bull. 28
       (coefficients from memory; silt 100 lb/ft3 with 15 % gives the 0.72 and 0.80 that are printed).
    """
    if texture not in _LEAST_WATER:
        raise ValueError(f"texture is {texture!r}; it must be one of {', '.join(_LEAST_WATER)}")
    density, water = dry_density_kg_m3 / PCF, max(water_percent, _LEAST_WATER[texture])
    if texture == "fine" and frozen:
        k = 0.01 * 10.0 ** (0.022 * density) + 0.085 * 10.0 ** (0.008 * density) * water
    elif texture == "fine":
        k = (0.9 * np.log10(water) - 0.2) * 10.0 ** (0.01 * density)
    elif frozen:
        k = 0.076 * 10.0 ** (0.013 * density) + 0.032 * 10.0 ** (0.0146 * density) * water
    else:
        k = (0.7 * np.log10(water) + 0.4) * 10.0 ** (0.01 * density)
    return float(k * BTU_INCH)


def heat_capacity(dry_density_kg_m3: float, water_percent: float, state: str) -> float:
    """Return the volumetric heat capacity [J/(m3 K)]: dry density (0.17 + s w/100) Btu/(lb F).

    Parameters
    ----------
    state
        "frozen" (s = 0.5), "thawed" (1.0) or "mean" (0.75).

    References
    ----------
    .. [1] U.S. Army TM 5-852-6 / Air Force AFR 88-19 vol. 6.
    """
    share = {"frozen": 0.5, "thawed": 1.0, "mean": 0.75}[state]
    return dry_density_kg_m3 * BTU_LB * (0.17 + share * water_percent / 100.0)


def latent_heat(dry_density_kg_m3: float, water_percent: float) -> float:
    """Return the latent heat of a volume of soil [J/m3]: 144 Btu/lb of its water."""
    return dry_density_kg_m3 * water_percent / 100.0 * FUSION
