"""What is known of the ground at a pier, completed with what is assumed."""

from __future__ import annotations

from dataclasses import dataclass, replace

from drift.ground.soils import FrostClass, Soil, frost_class, soil_of
from drift.ground.surfaces import Surface, snow_of, surface_of

#: Depth of a home-made pier of which nothing is known [m] (common practice).
DEFAULT_BASE_M = 0.9
#: How unsure the water in the soil is, as a factor (common practice).
_WATER_SPREAD = 1.2
SNOW_CASES = ("as it falls", "left", "cleared")


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
        What becomes of snow: "as it falls" (as measured, none when not measured), "left" (as measured,
        a plain guess when not measured) or "cleared".
    susceptibility
        A first guess.
    assumed
        What was assumed, whole sentences.
    base_assumed
        Whether `base_m` is a mere guess, because nobody gave it.
    """

    base_m: float
    layers: tuple[tuple[float, Soil], ...]
    surface: Surface
    snow: str
    susceptibility: FrostClass
    assumed: tuple[str, ...] = ()
    base_assumed: bool = False

    def __post_init__(self) -> None:
        if self.snow not in SNOW_CASES:
            raise ValueError(f"snow is {self.snow!r}; it must be one of {', '.join(SNOW_CASES)}")
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
    assumed = []
    if depth_m is None:
        assumed.append(f"[pier] depth_m is not given: a base {DEFAULT_BASE_M:g} m down is assumed.")
    if soil is None or soil == "unknown":
        assumed.append("[pier] soil is not given: a middling fine soil is assumed.")
    if surface is None or surface == "unknown":
        assumed.append("[pier] surface is not given: something between turf and bare soil is assumed.")
    return Ground(
        base_m=DEFAULT_BASE_M if depth_m is None else depth_m,
        layers=((1.0, soil_of(soil, drained)),),
        surface=surface_of(surface),
        snow=snow_of(surface),
        susceptibility=frost_class(soil),
        assumed=tuple(assumed),
        base_assumed=depth_m is None,
    )


def with_snow(ground: Ground, snow: str) -> Ground:
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
