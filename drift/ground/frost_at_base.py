"""Does frost reach the pier's base: when, by how much, and what snow left or cleared changes."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from drift.ground.calendar import winter_name, winter_year
from drift.ground.frost_depth import berggren_depth
from drift.ground.frost_front import Front, frost_fronts
from drift.ground.pier_site import SNOW_CONDUCTIVITY, Ground, SnowFate, spread, with_snow
from drift.ground.weather import DailyWeather
from drift.quantities import Bools, Floats, Ints

#: Layers thinner than this are within the model's cells [m].
_THIN_M = 0.01


class Reach(StrEnum):
    """Whether frost reaches a depth."""

    YES = "yes"  # even the shallow case
    PERHAPS = "perhaps"
    NO = "no"  # not even the deep one


@dataclass(frozen=True)
class DepthRange:
    """A depth of frost with what isn't known of soil and surface [m].

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
    """Say of every winter of the weather whether frost went below the base, and what snow would have changed.

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
        _winter(weather, base_m, trio, np.flatnonzero(year == number), int(number))
        for number in np.unique(year)
    )


def _winter(
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
        Freezing index of the air and length of the freezing season; of a design winter, say.
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
