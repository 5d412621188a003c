"""The ground at a pier: soil, surface and snow, completed with what is assumed."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from drift.ground.soils import FrostClass, Soil, frost_class, soil_of
from drift.notices import GroundCode, Notice, info
from drift.quantities import Bools, Floats

# ---- What lies between air and soil: the surface's n-factors and the snow.


#: Conductivity of snow lying [W/(m K)].  From memory: Sturm et al. (1997) give 0.08 to 0.13 at 250 to
#: 300 kg/m3, older formulas 0.2 and more.
SNOW_CONDUCTIVITY = 0.15
#: Snow from which on the surface is snow [cm].
_LYING_CM = 1.0
#: Most by which a sunlit surface's daily mean stands above the air [deg C] (common practice): the thawing
#: factors were found where summers are cool, and would heat a temperate lawn beyond reason.
_WARMER_AT_MOST_C = 4.0
#: Where snow is said to lie but not measured: it grows by so much a day of frost, up to so much, and melts
#: by so much a degree-day [cm] (common practice).
_GROWS_CM, _UP_TO_CM, _MELTS_CM = 1.0, 25.0, 0.6


@dataclass(frozen=True)
class Surface:
    """A surface's n-factors: degree-days of the surface against those of the air.

    Parameters
    ----------
    name
        The word of the site file that stands for it.
    freezing, thawing
        n-factors.
    spread
        How far the freezing factor may be off either way (common practice).
    """

    name: str
    freezing: float
    thawing: float
    spread: float = 0.15

    def varied(self, by: float) -> Surface:
        """Return the surface with its freezing factor `by` spreads higher, from 0.2 to 1."""
        return replace(self, freezing=float(np.clip(self.freezing + by * self.spread, 0.2, 1.0)))


#: Published n-factors: TM 5-852-4 / UFC 3-130-04, Table 4-1; of a range of thawing factors the middle.
PUBLISHED = {
    "snow": Surface("snow", 1.0, 1.0),
    "concrete": Surface("concrete", 0.75, 1.5),
    "bituminous": Surface("bituminous", 0.7, 1.8),
    "bare": Surface("bare", 0.7, 1.7),
    "shaded": Surface("shaded", 0.9, 1.0),
    "turf": Surface("turf", 0.5, 0.8),
    "trees": Surface("trees", 0.3, 0.4),
}
#: Surfaces of the site file that the table lacks, and the entry that stands for them (common practice).
_STANDS_FOR = {
    "grass": "turf",
    "gravel": "bare",
    "asphalt": "bituminous",
    "paved": "concrete",
    "paving": "concrete",
    "boards": "shaded",
    "mulch": "turf",
}
#: Insulation boards let little through (common practice; depends wholly on their thickness).
_INSULATED = Surface("insulated", 0.3, 0.5, 0.2)
#: Not known: between turf and bare soil.
_UNKNOWN = Surface("unknown", 0.7, 1.2, 0.2)
#: What covers count before what they lie beside.
_ORDER = ("insulated", "trees", "shaded", "boards", "turf", "grass", "mulch", "concrete", "paved", "paving",
          "asphalt", "gravel", "bare")  # fmt: skip
#: Words that say that snow does not stay.
_CLEARING = {"cleared", "swept", "shovelled", "removed", "no", "without", "free"}
#: Where nothing is said of snow, these are taken to be kept clear of it.
_CLEARED = ("bare", "concrete", "asphalt", "paved", "paving")


def surface_of(words: str | None) -> Surface:
    """Return the surface that a description means; of several the one that shelters the ground."""
    plain = re.findall(r"[a-z]+", (words or "").lower())
    for word in _ORDER:
        if word in plain:
            return _INSULATED if word == "insulated" else PUBLISHED[_STANDS_FOR.get(word, word)]
    return _UNKNOWN


class SnowFate(StrEnum):
    """What becomes of snow."""

    AS_IT_FALLS = "as_it_falls"  # as measured, none when not measured
    LEFT = "left"  # as measured, a plain guess when not measured
    CLEARED = "cleared"


def snow_of(words: str | None) -> SnowFate:
    """Return what a description says becomes of snow."""
    plain = re.findall(r"[a-z]+", (words or "").lower())
    if _CLEARING & set(plain):
        return SnowFate.CLEARED
    if "snow" in plain:
        return SnowFate.LEFT
    return SnowFate.CLEARED if set(plain) & set(_CLEARED) else SnowFate.AS_IT_FALLS


def snow_resistance(snow_cm: Floats) -> Floats:
    """Return the thermal resistance of snow lying [m2 K/W]."""
    return np.asarray(snow_cm, dtype=float) / 100.0 / SNOW_CONDUCTIVITY


def assumed_snow(mean_c: Floats) -> Floats:
    """Return a plain guess of snow left lying where none was measured, (..., n) [cm]."""
    mean_c = np.asarray(mean_c, dtype=float)
    depth = np.zeros(mean_c.shape)
    lying = np.zeros(mean_c.shape[:-1])
    for i in range(mean_c.shape[-1]):
        warm = mean_c[..., i]
        grown, left = np.minimum(lying + _GROWS_CM, _UP_TO_CM), np.maximum(lying - _MELTS_CM * warm, 0.0)
        depth[..., i] = lying = np.where(warm < 0.0, grown, left)
    return depth


def surface_temperature(mean_c: Floats, snow_cm: Floats, surface: Surface) -> Floats:
    """Return the daily temperature of what lies on top: the n-factors by day, at most 0 on snow [deg C].

    Parameters
    ----------
    mean_c
        (..., n) air [deg C].
    snow_cm
        (..., n) snow lying [cm], 0 for none.
    """
    mean_c = np.asarray(mean_c, dtype=float)
    factor = np.where(mean_c < 0.0, surface.freezing, surface.thawing)
    bare = np.minimum(mean_c * factor, np.maximum(mean_c, 0.0) + _WARMER_AT_MOST_C)
    on_snow: Bools = np.asarray(snow_cm) >= _LYING_CM
    return np.where(on_snow, np.minimum(mean_c * PUBLISHED["snow"].freezing, 0.0), bare)


# ---- What is known of the ground at a pier, completed with what is assumed.


#: Depth of a home-made pier of which nothing is known [m] (common practice).
DEFAULT_BASE_M = 0.9
#: How unsure the water in the soil is, as a factor (common practice).
_WATER_SPREAD = 1.2


@dataclass(frozen=True)
class Ground:
    """The ground around one pier.

    Parameters
    ----------
    base_m
        Depth of the foundation's underside below the surface [m].
    layers
        Thickness [m] and soil from the top down; the last goes on downward.
    surface
        What covers it.
    snow
        What becomes of snow.
    susceptibility
        A first guess.
    assumed
        What was assumed.
    base_assumed
        Whether `base_m` is a mere guess, because nobody gave it.
    """

    base_m: float
    layers: tuple[tuple[float, Soil], ...]
    surface: Surface
    snow: SnowFate
    susceptibility: FrostClass
    assumed: tuple[Notice, ...] = ()
    base_assumed: bool = False

    def __post_init__(self) -> None:
        if not self.layers:
            raise ValueError("the ground has no layer of soil; give at least one")


def ground_of(
    depth_m: float | None = None,
    soil: str | None = None,
    drained: bool | None = None,
    surface: str | None = None,
) -> Ground:
    """Return the ground from the words of the site file's section on the pier.

    Parameters
    ----------
    depth_m
        How deep the foundation reaches [m].
    soil, drained, surface
        As in the site file; None for what is not given.
    """
    assumed: list[Notice] = []
    if depth_m is None:
        assumed.append(info(GroundCode.BASE_ASSUMED, base_m=DEFAULT_BASE_M))
    if soil is None or soil == "unknown":
        assumed.append(info(GroundCode.SOIL_ASSUMED))
    if surface is None or surface == "unknown":
        assumed.append(info(GroundCode.SURFACE_ASSUMED))
    return Ground(
        base_m=DEFAULT_BASE_M if depth_m is None else depth_m,
        layers=((1.0, soil_of(soil, drained)),),
        surface=surface_of(surface),
        snow=snow_of(surface),
        susceptibility=frost_class(soil),
        assumed=tuple(assumed),
        base_assumed=depth_m is None,
    )


def with_snow(ground: Ground, snow: SnowFate) -> Ground:
    """Return the same ground with another fate of its snow."""
    return replace(ground, snow=snow)


def spread(ground: Ground) -> dict[str, Ground]:
    """Return the ground as "deep", "middle" and "shallow": frost goes so far within what isn't known.

    Deep: drier by a fifth and a surface that lets more frost through; shallow the other way.
    """
    return {
        "deep": _varied(ground, 1.0 / _WATER_SPREAD, 1.0),
        "middle": ground,
        "shallow": _varied(ground, _WATER_SPREAD, -1.0),
    }


def _varied(ground: Ground, water: float, surface: float) -> Ground:
    layers = tuple((thickness, soil.with_water(water)) for thickness, soil in ground.layers)
    return replace(ground, layers=layers, surface=ground.surface.varied(surface))
