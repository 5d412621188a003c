"""The ground at a pier: kinds of soil, surface and snow, completed with what is assumed."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from drift.notices import GroundCode, Notice, info
from drift.quantities import Bools, Floats

# ---- Thermal properties of soil from its dry density and water content.
#
# The formulas are fits in American units; arguments and results here are in SI units.


#: One pound a cubic foot [kg/m3].
PCF = 16.01846
#: One Btu inch / (ft2 h F) [W/(m K)].
BTU_INCH = 0.1442279
#: Heat of fusion of water, 144 Btu/lb [J/kg].
FUSION = 334_944.0
#: One Btu / (lb F) [J/(kg K)].
BTU_LB = 4186.8
#: Driest soil that the fits cover [% of dry mass].
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
        Water content [% of dry mass]; below 7 (fine) or 1 (coarse), the driest measured, those values are
        used.
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


# ---- Kinds of soil, from the words of the site file.


#: Density of soil grains [kg/m3] and of water, which limit the water between the grains (common practice).
_GRAINS, _WATER = 2700.0, 1000.0


@dataclass(frozen=True)
class Soil:
    """The thermal properties of a kind of ground.

    Parameters
    ----------
    name
        What it is called.
    dry_density_kg_m3
        [kg/m3].
    water_percent
        Water content [% of dry mass].
    coarse
        Share that conducts as sand and gravel do, the rest as silt and clay, 0 to 1.
    fixed_conductivity
        Frozen and thawed [W/(m K)], for ground that is neither (rock, peat); else None.
    """

    name: str
    dry_density_kg_m3: float
    water_percent: float
    coarse: float
    fixed_conductivity: tuple[float, float] | None = None

    def conductivity(self, frozen: bool) -> float:
        """Thermal conductivity [W/(m K)]."""
        if self.fixed_conductivity is not None:
            return self.fixed_conductivity[0 if frozen else 1]
        parts = (("coarse", self.coarse), ("fine", 1.0 - self.coarse))
        density, water = self.dry_density_kg_m3, self.water_percent
        return sum(share * conductivity(kind, density, water, frozen) for kind, share in parts if share > 0.0)

    def heat_capacity(self, state: str) -> float:
        """Volumetric heat capacity, "frozen", "thawed" or "mean" [J/(m3 K)]."""
        return heat_capacity(self.dry_density_kg_m3, self.water_percent, state)

    @property
    def latent_heat(self) -> float:
        """Latent heat of its water [J/m3]."""
        return latent_heat(self.dry_density_kg_m3, self.water_percent)

    def with_water(self, factor: float) -> Soil:
        """Return the soil with its water content multiplied, but no more than fits between the grains."""
        most = 100.0 * (_WATER / self.dry_density_kg_m3 - _WATER / _GRAINS)
        peaty = self.fixed_conductivity is not None
        water = self.water_percent * factor
        return replace(self, water_percent=water if peaty else min(water, most))


@dataclass(frozen=True)
class _Word:
    density: float
    water: float  # [%] of ground neither well drained nor waterlogged
    coarse: float
    frost: str
    conductivity: tuple[float, float] | None = None


#: Common practice, middle values of handbooks; frost classes see `FrostClass`.
_WORDS = {
    "rock": _Word(2600.0, 1.0, 1.0, "NFS", (2.8, 2.8)),
    "gravel": _Word(1950.0, 5.0, 1.0, "F1"),
    "sand": _Word(1700.0, 9.0, 1.0, "F2"),
    "silt": _Word(1550.0, 19.0, 0.0, "F4"),
    "clay": _Word(1550.0, 22.0, 0.0, "F3"),
    "loam": _Word(1450.0, 20.0, 0.0, "F4"),
    "till": _Word(1950.0, 10.0, 0.3, "F3"),
    "peat": _Word(250.0, 300.0, 0.0, "unclassed", (1.1, 0.45)),
    "chalk": _Word(1550.0, 22.0, 0.0, "F4"),
    "topsoil": _Word(1300.0, 24.0, 0.0, "F4"),
    "fill": _Word(1700.0, 13.0, 0.5, "unclassed"),
}
_ADJECTIVES = {
    "sandy": "sand",
    "silty": "silt",
    "clayey": "clay",
    "gravelly": "gravel",
    "rocky": "rock",
    "loamy": "loam",
}
#: Words for its state: factor on density and on water (common practice).
_STATES = {
    "hard": (1.1, 0.75),
    "stiff": (1.1, 0.75),
    "dense": (1.1, 0.8),
    "dry": (1.0, 0.6),
    "soft": (0.93, 1.2),
    "loose": (0.93, 1.0),
    "wet": (1.0, 1.3),
}
_UNCLASSED = _Word(1600.0, 17.0, 0.0, "unclassed")
#: Factor of drainage on the water (common practice).
_DRAINED, _UNDRAINED = 0.8, 1.25


class FrostClass(StrEnum):
    """Frost susceptibility by a soil's name: a first guess, never a finding.

    Classes of the U.S. Army Corps of Engineers, after Casagrande's limit of 3 % by mass finer than 0.02 mm.
    """

    NFS = "NFS"  # hardly susceptible
    F1 = "F1"
    F2 = "F2"
    F3 = "F3"
    F4 = "F4"  # very highly susceptible
    UNCLASSED = "unclassed"


_BY_SUSCEPTIBILITY = (FrostClass.F1, FrostClass.F2, FrostClass.F3, FrostClass.F4)


def soil_of(words: str | None, drained: bool | None = None) -> Soil:
    """Return the soil that a description means.

    Nouns count twice as much as adjectives ("sandy silt"); words for its state
    (hard, stiff, dense, dry, soft, loose, wet) change density and water.
    Values are common practice; see `drift.ground.pier_site.spread` for how unsure they are.

    Parameters
    ----------
    words
        As in the site file; None or "unknown" means a middling fine soil.
    drained
        Whether water drains away; None when not known.
    """
    plain = re.findall(r"[a-z]+", (words or "").lower())
    parts = [(_WORDS[w], 2.0) for w in plain if w in _WORDS]
    parts += [(_WORDS[_ADJECTIVES[w]], 1.0) for w in plain if w in _ADJECTIVES]
    soil = _mixed(" ".join(plain) or "unknown", parts or [(_UNCLASSED, 1.0)])
    factor = {True: _DRAINED, False: _UNDRAINED, None: 1.0}[drained]
    for word in plain:
        denser, wetter = _STATES.get(word, (1.0, 1.0))
        soil = replace(soil, dry_density_kg_m3=soil.dry_density_kg_m3 * denser)
        factor *= wetter
    return soil.with_water(factor)


def _mixed(name: str, parts: list[tuple[_Word, float]]) -> Soil:
    total = sum(weight for _, weight in parts)

    def mean(value: str) -> float:
        return sum(weight * getattr(word, value) for word, weight in parts) / total

    fixed = [word.conductivity for word, _ in parts]
    own = fixed[0] if all(pair is not None for pair in fixed) else None
    return Soil(name, mean("density"), mean("water"), mean("coarse"), own)


def frost_class(words: str | None) -> FrostClass:
    """Return the frost-susceptibility class that a soil's name suggests: the worst of its parts.

    References
    ----------
    .. [1] U.S. Army TI 850-02 (2000).
    .. [2] E. J. Chamberlain (1981), CRREL Monograph 81-2: no index test is reliable.
    """
    plain = re.findall(r"[a-z]+", (words or "").lower())
    found = [
        FrostClass(_WORDS[_ADJECTIVES.get(w, w)].frost) for w in plain if _ADJECTIVES.get(w, w) in _WORDS
    ]
    known = [one for one in found if one in _BY_SUSCEPTIBILITY]
    if known:
        return max(known, key=_BY_SUSCEPTIBILITY.index)
    return found[0] if found else FrostClass.UNCLASSED


# ---- Between air and soil: the surface's n-factors and the snow.


#: Conductivity of snow lying [W/(m K)].  From memory: Sturm et al. (1997) give 0.08 to 0.13 at 250 to
#: 300 kg/m3, older formulas 0.2 and more.
SNOW_CONDUCTIVITY = 0.15
#: From this depth on the surface counts as snow [cm].
_LYING_CM = 1.0
#: Most by which a sunlit surface's daily mean exceeds the air's [deg C] (common practice): the thawing
#: factors were measured where summers are cool, and would overheat a temperate lawn.
_WARMER_AT_MOST_C = 4.0
#: Snow that lies but was not measured: growth on a day of frost, its limit, and melt for each degree-day
#: [cm] (common practice).
_GROWS_CM, _UP_TO_CM, _MELTS_CM = 1.0, 25.0, 0.6


@dataclass(frozen=True)
class Surface:
    """A surface's n-factors: degree-days of the surface against those of the air.

    Parameters
    ----------
    name
        Its word in the site file.
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


#: Published n-factors: TM 5-852-4 / UFC 3-130-04, Table 4-1; the middle of a range of thawing factors.
PUBLISHED = {
    "snow": Surface("snow", 1.0, 1.0),
    "concrete": Surface("concrete", 0.75, 1.5),
    "bituminous": Surface("bituminous", 0.7, 1.8),
    "bare": Surface("bare", 0.7, 1.7),
    "shaded": Surface("shaded", 0.9, 1.0),
    "turf": Surface("turf", 0.5, 0.8),
    "trees": Surface("trees", 0.3, 0.4),
}
#: Surfaces of the site file that the table lacks, and the entry used for them (common practice).
_SAME_AS = {
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
#: Of several surfaces the sheltering one counts; this is their order.
_ORDER = ("insulated", "trees", "shaded", "boards", "turf", "grass", "mulch", "concrete", "paved", "paving",
          "asphalt", "gravel", "bare")  # fmt: skip
#: Words that say that snow does not stay.
_CLEARING = {"cleared", "swept", "shovelled", "removed", "no", "without", "free"}
#: Where snow isn't mentioned, these are assumed to be kept clear of it.
_CLEARED = ("bare", "concrete", "asphalt", "paved", "paving")


def surface_of(words: str | None) -> Surface:
    """Return the surface that a description means; of several the most sheltering one."""
    plain = re.findall(r"[a-z]+", (words or "").lower())
    for word in _ORDER:
        if word in plain:
            return _INSULATED if word == "insulated" else PUBLISHED[_SAME_AS.get(word, word)]
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
    """Return assumed snow where none was measured, (..., n) [cm]."""
    mean_c = np.asarray(mean_c, dtype=float)
    depth = np.zeros(mean_c.shape)
    lying = np.zeros(mean_c.shape[:-1])
    for i in range(mean_c.shape[-1]):
        warm = mean_c[..., i]
        grown, left = np.minimum(lying + _GROWS_CM, _UP_TO_CM), np.maximum(lying - _MELTS_CM * warm, 0.0)
        depth[..., i] = lying = np.where(warm < 0.0, grown, left)
    return depth


def surface_temperature(mean_c: Floats, snow_cm: Floats, surface: Surface) -> Floats:
    """Return the surface's daily temperature by the n-factors, at most 0 on snow [deg C].

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


# ---- The ground at one pier, completed with assumptions.


#: Depth of a home-made pier of which nothing is known [m] (common practice).
DEFAULT_BASE_M = 0.9
#: Uncertainty of the soil's water content, as a factor (common practice).
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
        Whether `base_m` is an assumption because it was not given.
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
    """Return the same ground with something else done to its snow."""
    return replace(ground, snow=snow)


def spread(ground: Ground) -> dict[str, Ground]:
    """Return the ground as "deep", "middle" and "shallow": how far frost may go in unknown soil and surface.

    Deep: drier by a fifth and a surface that lets more frost through; shallow: the opposite.
    """
    return {
        "deep": _varied(ground, 1.0 / _WATER_SPREAD, 1.0),
        "middle": ground,
        "shallow": _varied(ground, _WATER_SPREAD, -1.0),
    }


def _varied(ground: Ground, water: float, surface: float) -> Ground:
    layers = tuple((thickness, soil.with_water(water)) for thickness, soil in ground.layers)
    return replace(ground, layers=layers, surface=ground.surface.varied(surface))
