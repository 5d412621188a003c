"""What the weather says of the ground at the pier, and which advice for the pier fits that."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from drift.advice.ground import (
    AGAINST_FROST_ON_COLUMN,
    AGAINST_FROST_UNDER_BASE,
    EVERYTHING,
    GroundAdvice,
    frost_sentences,
)
from drift.advice.words import counted
from drift.ground.indices import DesignIndex, design_index, winters
from drift.ground.reach import DepthRange, FrostAtBase, depth_of_winter, frost_at_base
from drift.ground.site import Ground, ground_of
from drift.ground.weather import DailyWeather, daily_weather

if TYPE_CHECKING:
    from drift.pierfile import PierFile

_YEAR_DAYS = 365


@dataclass(frozen=True)
class PierGround:
    """The ground at one pier through the winters of its weather log.

    Parameters
    ----------
    ground
        What is known and assumed of it.
    frost
        Whether frost reached the pier's base, winter by winter.
    design, design_depth
        The winter to build for, and how deep frost goes in it with the ground bare; None where no winter is
        whole in the log.
    notes
        What was noticed in the weather, whole sentences.
    """

    ground: Ground
    frost: FrostAtBase
    design: DesignIndex | None
    design_depth: DepthRange | None
    notes: tuple[str, ...]


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
    return PierGround(ground, frost_at_base(weather, ground), design, depth, weather.notes)


def _design(weather: DailyWeather, ground: Ground) -> tuple[DesignIndex | None, DepthRange | None]:
    whole = [winter for winter in winters(weather) if winter.whole]
    design = design_index([winter.index_c_d for winter in whole])
    if design is None or not design.index_c_d > 0.0:
        return design, None
    longest = max(winter.length_days for winter in whole)
    mean_c = float(weather.curve.at(weather.day[0] + pd.RangeIndex(_YEAR_DAYS).to_numpy()).mean())
    return design, depth_of_winter(ground, design.index_c_d, longest, mean_c)


def ground_sentences(found: PierGround | None) -> tuple[str, ...]:
    """Say what the frost did, and whether it reaches the pier's base."""
    if found is None:
        return (
            "What the frost did is not known: there is no weather log of at least a month.  Daily minimum "
            "and maximum temperatures, imported as they are, tell it.",
        )
    said = frost_sentences(found.frost, found.ground.base_assumed)
    if not said:
        said = ("No winter of the weather log froze the ground.",)
    return said + _winters_below(found.frost) + found.ground.assumed


def _winters_below(frost: FrostAtBase) -> tuple[str, ...]:
    """Say in how many winters frost went below the base, and when only cleared snow lets it."""
    in_all = len(frost.as_is)
    reached = [w for w in frost.as_is if w.reaches == "yes"]
    perhaps = [w for w in frost.as_is if w.reaches == "perhaps"]
    cleared = _clearing(frost)
    if in_all < 2 or (cleared and not reached and not perhaps) or not _freezes(frost):
        return cleared
    below = f"below the base in {len(reached) or 'none'}"
    below += f", perhaps in {len(perhaps)} more" if perhaps else ""
    return (f"Of the {in_all} winters in the log, frost went {below}.", *cleared)


def _freezes(frost: FrostAtBase) -> bool:
    return any(winter.depth.deep > 0.0 for winter in frost.as_is)


def _clearing(frost: FrostAtBase) -> tuple[str, ...]:
    """Say when only cleared snow lets frost under the base."""
    cases = ((frost.as_is, "as it lay, frost went"), (frost.snow_left, "left lying, frost would have gone"))
    kept = next((words for winters, words in cases if all(w.reaches == "no" for w in winters)), None)
    reached = [w for w in frost.snow_cleared if w.reaches != "no"]
    if kept is None or not reached:
        return ()
    sure = "would have been" if any(w.reaches == "yes" for w in reached) else "may have been"
    log = counted(len(frost.snow_cleared), "winter")
    return (
        f"With its snow {kept} below the base in none of the log's {log}; with the ground cleared it {sure} "
        f"below it in {len(reached)} of them: leave the snow lying.",
    )


def design_sentences(found: PierGround | None) -> tuple[str, ...]:
    """Say how deep the frost of a winter to build for goes, and what the soil's name lets one expect."""
    if found is None:
        return ()
    said = []
    if found.design is not None and found.design_depth is not None:
        depth = found.design_depth
        said.append(
            f"With the ground bare of snow, a winter of {found.design.index_c_d:.0f} degree-days of frost "
            f"({found.design.rule}) freezes this ground about {depth.middle:.2f} m deep ({depth.shallow:.2f} "
            f"to {depth.deep:.2f} m within what isn't known of it), by the modified Berggren formula."
        )
    return (*said, found.ground.susceptibility.sentence)


def fitting_advice(found: PierGround | None) -> tuple[tuple[GroundAdvice, ...], tuple[GroundAdvice, ...]]:
    """Return the advice that fits what the frost did here, and the rest of it."""
    if found is None:
        return (), EVERYTHING
    reaches = {winter.reaches for winter in found.frost.as_is}
    fitting: tuple[GroundAdvice, ...] = ()
    if reaches & {"yes", "perhaps"}:
        fitting = AGAINST_FROST_UNDER_BASE
    elif any(winter.depth.deep > 0.0 for winter in found.frost.as_is):
        fitting = AGAINST_FROST_ON_COLUMN
    return fitting, tuple(one for one in EVERYTHING if one not in fitting)
