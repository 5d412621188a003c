"""Freezing index of a winter, the depth of frost that follows, and whether it reaches the pier's base."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from scipy.optimize import brentq
from scipy.special import erf, erfcx

from drift.ground.frost_front import Front, frost_fronts
from drift.ground.pier_site import SNOW_CONDUCTIVITY, Ground, SnowFate, Soil, spread, with_snow
from drift.ground.weather import DailyWeather, winter_name, winter_year
from drift.quantities import Bools, Floats, Ints

# ---- Freezing index: how much cold a winter brought, from the cumulative degree-day curve.


#: A season counts as whole when so many days of its year are in the record...
_WHOLE_DAYS = 355
#: ...and at most this share of its cold spell is filled in.
_FILLED_AT_MOST = 0.15


@dataclass(frozen=True)
class Spell:
    """The fall of one cumulative curve.

    Parameters
    ----------
    index
        Degree-days between the curve's turning points, never negative.
    first, last
        Positions of the first and the last day that belong to it; ``last < first`` when there is none.
    """

    index: float
    first: int
    last: int


def freezing_spell(above: Floats) -> Spell:
    """Return the freezing index of one season.

    The difference between the highest point of the cumulative degree-day curve in autumn and the lowest
    point after it in spring [1]_.  It is not the sum of the negative days, which also counts cold days that
    a thaw cancelled.

    Parameters
    ----------
    above
        (n,) daily mean minus the freezing point, any unit of temperature, one
        season in order.

    References
    ----------
    .. [1] American Meteorological Society, Glossary of Meteorology, "freezing index";
       Huschke (1959); U.S. Army/Air Force (1966).
    """
    curve = np.concatenate([[0.0], np.cumsum(above)])
    fall = np.maximum.accumulate(curve) - curve
    low = int(np.argmax(fall))
    high = int(np.flatnonzero(curve[: low + 1] == curve[: low + 1].max())[-1])
    return Spell(float(fall[low]), high, low - 1)


@dataclass(frozen=True)
class FreezingSeason:
    """One winter's freezing index.

    Parameters
    ----------
    name
        ``2023-24`` in the north, ``2024`` in the south.
    year
        The year in which the winter has its coldest half (`drift.ground.weather.winter_year`).
    index_c_d
        [deg C d].
    first_day, last_day
        Of the spell, days since 1970-01-01; None when the index is 0.
    whole
        Whether the record covers the season, so that the index is final.
    """

    name: str
    year: int
    index_c_d: float
    first_day: int | None
    last_day: int | None
    whole: bool

    @property
    def length_days(self) -> int:
        """How long the spell was."""
        if self.first_day is None or self.last_day is None:
            return 0
        return self.last_day - self.first_day + 1


def winters(weather: DailyWeather) -> tuple[FreezingSeason, ...]:
    """Return every winter of the record with its freezing index, the first and last perhaps in part."""
    year = winter_year(weather.day, weather.south)
    return tuple(_winter(weather, np.flatnonzero(year == number), int(number)) for number in np.unique(year))


def _winter(weather: DailyWeather, at: Ints, year: int) -> FreezingSeason:
    spell = freezing_spell(weather.mean_c[at])
    inside = at[spell.first : spell.last + 1]
    filled = int(weather.filled[inside].sum())
    there = bool(inside.size) and spell.index > 0.0
    return FreezingSeason(
        name=winter_name(year, weather.south),
        year=year,
        index_c_d=spell.index,
        first_day=int(weather.day[inside[0]]) if there else None,
        last_day=int(weather.day[inside[-1]]) if there else None,
        whole=at.size >= _WHOLE_DAYS and filled <= _FILLED_AT_MOST * max(inside.size, 1),
    )


class DesignRule(StrEnum):
    """How the design winter is chosen."""

    THREE_OF_THIRTY = "three_of_thirty"  # the mean of the three coldest of the last thirty
    COLDEST_OF_TEN = "coldest_of_ten"  # of the last ten
    COLDEST_KNOWN = "coldest_known"  # too few winters for a design value


@dataclass(frozen=True)
class DesignIndex:
    """The freezing index of the design winter.

    Parameters
    ----------
    index_c_d
        [deg C d].
    winters
        How many whole winters it rests on.
    rule
        How it was taken.
    """

    index_c_d: float
    winters: int
    rule: DesignRule


def design_index(indices: Sequence[float]) -> DesignIndex | None:
    """Return the mean of the three coldest of the last thirty winters, or the coldest of the last ten.

    Parameters
    ----------
    indices
        Freezing indices of whole winters in order of time [deg C d].

    Returns
    -------
    DesignIndex or None
        None without any winter.

    References
    ----------
    .. [1] U.S. Army/Air Force (1966), design freezing index; American Meteorological Society, Glossary.
    """
    known = [float(value) for value in indices]
    if not known:
        return None
    if len(known) >= 30:
        worst = float(np.mean(sorted(known[-30:])[-3:]))
        return DesignIndex(worst, 30, DesignRule.THREE_OF_THIRTY)
    if len(known) >= 10:
        return DesignIndex(max(known[-10:]), 10, DesignRule.COLDEST_OF_TEN)
    return DesignIndex(max(known), len(known), DesignRule.COLDEST_KNOWN)


# ---- Depth of frost from a winter's freezing index: modified Berggren, with Stefan as its limit.
#
# Letters as in the army manuals: v_s mean degrees below freezing of the surface,
# v_0 mean annual temperature above freezing, alpha = v_0 / v_s thermal ratio,
# mu = v_s C / L fusion parameter, lambda the coefficient.


_DAY_S = 86_400.0
#: Frost deeper than this would be permafrost [m].
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
        Mean annual temperature [deg C]; below 0 (permafrost) it is taken as 0, and the depth is then only
        nominally that of the yearly frost.
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
    return needed / (_DAY_S * coefficient(v_0 / v_s, v_s * heat / fusion) ** 2)


def _down_to(depth: float, layers: Sequence[tuple[float, Soil]]) -> list[tuple[float, Soil]]:
    out: list[tuple[float, Soil]] = []
    left = depth
    for thickness, soil in layers[:-1]:
        out.append((min(thickness, left), soil))
        left -= out[-1][0]
        if left <= 0.0:
            return out
    return [*out, (left, layers[-1][1])]


# ---- Whether frost reaches the pier's base, and what snow changes.


#: Layers thinner than this are within the model's cells [m].
_THIN_M = 0.01


class Reach(StrEnum):
    """Whether frost reaches a depth."""

    YES = "yes"  # even in the shallow case
    PERHAPS = "perhaps"
    NO = "no"  # not even in the deep case


@dataclass(frozen=True)
class DepthRange:
    """A depth of frost with its range for unknown soil and surface [m].

    Parameters
    ----------
    shallow, middle, deep
        See `drift.ground.pier_site.spread`.
    """

    shallow: float
    middle: float
    deep: float

    def reaches(self, base_m: float) -> Reach:
        """Return whether it reaches a depth."""
        if self.shallow > base_m + _THIN_M:
            return Reach.YES
        return Reach.PERHAPS if self.deep > base_m + _THIN_M else Reach.NO


@dataclass(frozen=True)
class WinterFrost:
    """One winter's frost at the pier.

    Parameters
    ----------
    winter
        ``2023-24`` in the north, ``2024`` in the south.
    depth
        How deep it went.
    deepest_day
        When the middle case was deepest, days since 1970-01-01; None without frost.
    reaches
        Whether it went below the base.
    below_base_m
        By how much the middle case went below the base; 0 when it did not.
    first_day, last_day
        From when to when the middle case had frost below the base; None when never.
    whole
        Whether the weather covers the winter.
    """

    winter: str
    depth: DepthRange
    deepest_day: int | None
    reaches: Reach
    below_base_m: float
    first_day: int | None
    last_day: int | None
    whole: bool


@dataclass(frozen=True)
class FrostAtBase:
    """The winters of a record as they were, with snow left and with snow cleared.

    Parameters
    ----------
    base_m
        Depth of the base [m].
    as_is, snow_left, snow_cleared
        One entry a winter.
    picture
        Arrays of the middle case as it was.
    """

    base_m: float
    as_is: tuple[WinterFrost, ...]
    snow_left: tuple[WinterFrost, ...]
    snow_cleared: tuple[WinterFrost, ...]
    picture: FrostPicture

    def logged(self, winters: tuple[WinterFrost, ...]) -> tuple[WinterFrost, ...]:
        """Return the winters of a case from the first on that the weather covers; all where it covers none.

        Those before it were filled in, so that the ground begins as it may have been, and tell nothing.
        """
        first = next((i for i, winter in enumerate(winters) if winter.whole), 0)
        return winters[first:]


@dataclass(frozen=True)
class FrostPicture:
    """What a picture of the frost needs, one entry a day, (n,).

    Parameters
    ----------
    day
        Days since 1970-01-01.
    mean_c, snow_cm
        Air [deg C]; snow [cm], NaN when the log has none.
    top_m, bottom_m
        Of the frozen layer [m, positive down]; NaN while nothing is frozen.
    filled
        Where the weather was made up.
    base_m
        Depth of the pier's base [m].
    """

    day: Ints = field(repr=False)
    mean_c: Floats = field(repr=False)
    snow_cm: Floats = field(repr=False)
    top_m: Floats = field(repr=False)
    bottom_m: Floats = field(repr=False)
    filled: Bools = field(repr=False)
    base_m: float


def frost_at_base(weather: DailyWeather, ground: Ground) -> FrostAtBase:
    """Return for every winter whether frost went below the base, and what snow would have changed.

    Parameters
    ----------
    weather
        From `drift.ground.weather.daily_weather`.
    ground
        From `drift.ground.pier_site.ground_of`.
    """
    cases = [ground, with_snow(ground, SnowFate.LEFT), with_snow(ground, SnowFate.CLEARED)]
    each = [one for case in cases for one in spread(case).values()]
    fronts = frost_fronts(weather, each)
    deep, middle, shallow = (fronts[i::3] for i in range(3))
    frosts = [_winters(weather, ground.base_m, trio) for trio in zip(shallow, middle, deep, strict=True)]
    return FrostAtBase(ground.base_m, frosts[0], frosts[1], frosts[2], _picture(weather, ground, middle[0]))


def _picture(weather: DailyWeather, ground: Ground, front: Front) -> FrostPicture:
    return FrostPicture(
        weather.day,
        weather.mean_c,
        weather.snow_cm,
        front.top_m,
        front.bottom_m,
        weather.filled,
        ground.base_m,
    )


def _winters(
    weather: DailyWeather, base_m: float, trio: tuple[Front, Front, Front]
) -> tuple[WinterFrost, ...]:
    year = winter_year(weather.day, weather.south)
    return tuple(
        _winter_at_base(weather, base_m, trio, np.flatnonzero(year == number), int(number))
        for number in np.unique(year)
    )


def _winter_at_base(
    weather: DailyWeather, base_m: float, trio: tuple[Front, Front, Front], at: Ints, number: int
) -> WinterFrost:
    bottoms = [np.nan_to_num(front.bottom_m[at]) for front in trio]
    depth = DepthRange(*(float(bottom.max()) for bottom in bottoms))
    middle = trio[1]
    below = at[middle.under_base_m[at] > _THIN_M]
    return WinterFrost(
        winter=winter_name(number, weather.south),
        depth=depth,
        deepest_day=int(weather.day[at[int(np.argmax(bottoms[1]))]]) if depth.middle > 0.0 else None,
        reaches=depth.reaches(base_m),
        below_base_m=max(depth.middle - base_m, 0.0),
        first_day=int(weather.day[below[0]]) if below.size else None,
        last_day=int(weather.day[below[-1]]) if below.size else None,
        whole=bool(at.size >= 355 and not weather.filled[at].mean() > 0.15),
    )


def depth_of_winter(
    ground: Ground, index_c_d: float, length_days: float, mean_annual_c: float, snow_cm: float = 0.0
) -> DepthRange:
    """Return how deep frost goes in a winter of a given freezing index, by the modified Berggren formula.

    Parameters
    ----------
    ground
        Its own snow rule is not used here.
    index_c_d, length_days
        Freezing index of the air and length of the freezing season, for example of a design winter.
    mean_annual_c
        Mean annual air temperature [deg C].
    snow_cm
        Snow that lies all winter [cm]; with it the surface's n-factor is that of snow, 1.
    """
    resistance = snow_cm / 100.0 / SNOW_CONDUCTIVITY
    depths = {
        name: berggren_depth(
            index_c_d * (1.0 if snow_cm > 0.0 else case.surface.freezing),
            length_days,
            mean_annual_c,
            case.layers,
            resistance,
        )
        for name, case in spread(ground).items()
    }
    return DepthRange(depths["shallow"], depths["middle"], depths["deep"])
