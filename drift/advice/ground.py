"""What the weather did to the ground at the pier, and which remedies fit that."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import pandas as pd

from drift.ground.frost_depth import (
    DepthRange,
    DesignIndex,
    FrostAtBase,
    Reach,
    depth_of_winter,
    design_index,
    frost_at_base,
    winters,
)
from drift.ground.pier_site import Ground, ground_of
from drift.ground.weather import DailyWeather, daily_weather
from drift.notebook import ShowsItself
from drift.notices import Notice

if TYPE_CHECKING:
    from drift.site.file import PierFile


# ---- What can be done about the pier itself and the ground around it.


class GroundStep(StrEnum):
    """What can be done; the words and their sources are in `drift.render.ground_words`."""

    DRAINAGE = "drainage"
    SOIL = "soil"
    INSULATION = "insulation"
    SLEEVE = "sleeve"  # frost's grip on the column
    SNOW = "snow"
    DEPTH = "depth"
    CLAY = "clay"
    COLUMN = "column"
    NEW_CONCRETE = "new_concrete"  # a new pier
    CODES = "codes"  # who decides
    DIGGING = "digging"


#: All of it, what costs least first; the last two belong to any of the others.
EVERYTHING = (
    GroundStep.DRAINAGE,
    GroundStep.SNOW,
    GroundStep.COLUMN,
    GroundStep.CLAY,
    GroundStep.SLEEVE,
    GroundStep.INSULATION,
    GroundStep.SOIL,
    GroundStep.DEPTH,
    GroundStep.NEW_CONCRETE,
    GroundStep.DIGGING,
    GroundStep.CODES,
)
#: Advice where frost comes under the base or may; and where it stays above but may grip the column.
AGAINST_FROST_UNDER_BASE = (
    GroundStep.SNOW,
    GroundStep.DRAINAGE,
    GroundStep.INSULATION,
    GroundStep.SOIL,
    GroundStep.DEPTH,
    GroundStep.DIGGING,
    GroundStep.CODES,
)
AGAINST_FROST_ON_COLUMN = (
    GroundStep.SNOW,
    GroundStep.DRAINAGE,
    GroundStep.SLEEVE,
    GroundStep.DIGGING,
    GroundStep.CODES,
)


# ---- What the weather says of the ground at the pier, and which advice for the pier fits that.


_YEAR_DAYS = 365


@dataclass(frozen=True, kw_only=True, repr=False)
class PierGround(ShowsItself):
    """The ground at one pier through the winters of its weather log.

    Parameters
    ----------
    ground
        What is known and assumed of it.
    frost
        Whether frost reached the pier's base, winter by winter.
    design, design_depth
        The design winter, and how deep frost goes in it in bare ground; None where the log has no whole
        winter.
    notices
        What was noticed in the weather.
    """

    ground: Ground
    frost: FrostAtBase
    design: DesignIndex | None
    design_depth: DepthRange | None
    notices: tuple[Notice, ...]


def pier_ground(site: PierFile, weather_table: pd.DataFrame) -> PierGround | None:
    """Work out what the winters of a weather log did to the ground at the pier.

    Returns
    -------
    PierGround or None
        None when there is too little weather (see `drift.ground.weather.daily_weather`).
    """
    weather = daily_weather(weather_table, site.site.latitude_deg) if len(weather_table) else None
    if weather is None:
        return None
    pier = site.pier
    ground = ground_of(pier.depth_m, pier.soil, pier.drained, pier.surface)
    design, depth = _design(weather, ground)
    return PierGround(
        ground=ground,
        frost=frost_at_base(weather, ground),
        design=design,
        design_depth=depth,
        notices=weather.notices,
    )


def _design(weather: DailyWeather, ground: Ground) -> tuple[DesignIndex | None, DepthRange | None]:
    whole = [winter for winter in winters(weather) if winter.whole]
    design = design_index([winter.index_c_d for winter in whole])
    if design is None or not design.index_c_d > 0.0:
        return design, None
    longest = max(winter.length_days for winter in whole)
    mean_c = float(weather.curve.at(weather.day[0] + pd.RangeIndex(_YEAR_DAYS).to_numpy()).mean())
    return design, depth_of_winter(ground, design.index_c_d, longest, mean_c)


def fitting_advice(found: PierGround | None) -> tuple[tuple[GroundStep, ...], tuple[GroundStep, ...]]:
    """Return the advice that fits what the frost did here, and the rest of it."""
    if found is None:
        return (), EVERYTHING
    reaches = {winter.reaches for winter in found.frost.logged(found.frost.as_is)}
    fitting: tuple[GroundStep, ...] = ()
    if reaches & {Reach.YES, Reach.PERHAPS}:
        fitting = AGAINST_FROST_UNDER_BASE
    elif any(winter.depth.deep > 0.0 for winter in found.frost.as_is):
        fitting = AGAINST_FROST_ON_COLUMN
    return fitting, tuple(one for one in EVERYTHING if one not in fitting)
