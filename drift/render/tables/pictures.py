"""The numbers behind the pictures, as tables."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from drift.quantities import Floats, Ints, as_utc, local_date
from drift.render import phrases
from drift.render.figures.axis_path import path_blocks
from drift.render.figures.causes import left_over, parts, total_sd, view_named, weighed
from drift.render.figures.event_closeup import sides_of
from drift.render.figures.ground_under_tilt import days_shown
from drift.render.figures.night_quality import uncertainty_on_sky
from drift.render.figures.pier_path import path_rows
from drift.render.figures.seasons import direction, seasons_of
from drift.render.phrases import clock_text, evening_of, toward, zone_of
from drift.render.tables.axis import Table

if TYPE_CHECKING:
    from drift.types import Analysis, NightAxis


#: The table of the ground has every so many-th day of the picture.
_GROUND_DAYS = 7


def seasons_table(analysis: Analysis) -> Table:
    """The tilt along the direction of the season, winter by winter."""
    bearing = direction(analysis.history)
    seasons = [] if bearing is None else seasons_of(analysis, bearing)
    rows = [
        (season.name, f"{since:.0f}", phrases.plain_pair(tilt, sd))
        for season in seasons
        for since, tilt, sd in zip(season.day, season.tilt, season.sd, strict=True)
    ]
    began = "1 January" if analysis.site.site.latitude_deg < 0 else "1 July"
    return Table(
        "Winters laid over each other",
        ("winter", f"days since {began}", 'tilt ["]'),
        tuple(rows),
        numeric=frozenset({1, 2}),
        note="" if bearing is None else f"Tilt {toward(bearing)} in arcseconds, ± one standard deviation.",
    )


def path_table(analysis: Analysis) -> Table:
    """The points of the path: nights, or means of a few neighbouring nights."""
    zone = zone_of(analysis.site.site.timezone)
    rows = []
    for block in path_blocks(analysis):
        sd = np.sqrt(np.diagonal(block.covariance))
        az, alt = (phrases.plain_pair(block.axis[k] / 60.0, sd[k] / 60.0, most=2) for k in (0, 1))
        rows.append((local_date(block.time_us, zone), str(block.nights), az, alt))
    clockwise = phrases.azimuth_side(1.0, analysis.site.site.latitude_deg)
    return Table(
        "The path of the axis",
        ("about", "nights", "azimuth [']", "altitude [']"),
        tuple(rows),
        numeric=frozenset({1, 2, 3}),
        note=f"Azimuth is the angle along the horizon, positive {clockwise} of the pole.",
    )


def pier_path_table(analysis: Analysis) -> Table:
    """The points of the path of the pier top."""
    zone, history = zone_of(analysis.site.site.timezone), analysis.history
    rows = [
        (
            clock_text(history.time_us[k], zone),
            *(phrases.plain_pair(history.change[k, c], history.sd[k, c]) for c in (0, 1)),
        )
        for k in path_rows(history)
    ]
    return Table(
        "The path of the pier top",
        ("when", 'tilt toward north ["]', 'tilt toward east ["]'),
        tuple(rows),
        numeric=frozenset({1, 2}),
        note="Tilt since the start in arcseconds, ± one standard deviation of the difference.",
    )


def causes_table(analysis: Analysis, view: str) -> Table:
    """What each cause did by the first reading of each month, and what was left over on nights."""
    chosen, history = view_named(analysis, view), analysis.history
    shown, left, zone = (
        parts(analysis, chosen),
        left_over(analysis, chosen),
        zone_of(analysis.site.site.timezone),
    )
    rest = (
        {}
        if left is None
        else dict(zip(left.time_us.tolist(), zip(left.left, left.sd, strict=True), strict=True))
    )
    total, total_doubt = weighed(history.change, chosen), total_sd(analysis, chosen)
    rows = [
        (
            clock_text(history.time_us[k], zone),
            *(phrases.plain_pair(part.value[k], part.sd[k]) for part in shown),
            phrases.plain_pair(total[k], total_doubt[k]),
            phrases.plain_pair(*rest.get(int(history.time_us[k]), (math.nan, math.nan))),
        )
        for k in _first_of_months(history.time_us)
    ]
    return Table(
        f"Causes, {chosen.title}",
        ("when", *(f'{part.title} ["]' for part in shown), 'together ["]', 'left over ["]'),
        tuple(rows) if shown else (),
        numeric=frozenset(range(1, len(shown) + 3)),
        note=(
            "At the first reading of each month, in arcseconds since the start, ± one standard deviation "
            "(of the sum at most); what is left over stands beside nights that show this coordinate."
        ),
    )


def _first_of_months(time_us: Ints) -> list[int]:
    months = [as_utc(t).strftime("%Y-%m") for t in time_us]
    return [k for k, month in enumerate(months) if k == 0 or month != months[k - 1]]


def event_table(analysis: Analysis, event: int) -> Table:
    """The nights before and after an event."""
    sides, zone = sides_of(analysis, analysis.history.events[event]), zone_of(analysis.site.site.timezone)
    axis = sides.of == "axis"
    scale = 60.0 if axis else 1.0
    rows = [
        (word, clock_text(time_us, zone), *(_scaled(side.value[k, c], side.sd[k, c], scale) for c in (0, 1)))
        for word, side in (("before", sides.before), ("after", sides.after))
        for k, time_us in enumerate(side.time_us)
    ]
    headings = ("azimuth [']", "altitude [']") if axis else ('tilt toward north ["]', 'tilt toward east ["]')
    return Table(
        "Readings around the event", ("side", "when", *headings), tuple(rows), numeric=frozenset({2, 3})
    )


def _scaled(value: float, sd: float, scale: float) -> str:
    return phrases.plain_pair(value / scale, sd / scale, most=2 if scale > 1 else 1)


def ground_table(analysis: Analysis) -> Table:
    """Air and frozen ground, every seventh day of the picture."""
    ground = analysis.ground
    rows: list[tuple[str, ...]] = []
    if ground is not None:
        zone, shown = zone_of(analysis.site.site.timezone), days_shown(analysis, ground)
        for k in range(*shown.indices(len(ground.time_us)))[::_GROUND_DAYS]:
            reach = (
                "–" if not math.isfinite(ground.deep_m[k]) else _reach(ground.shallow_m[k], ground.deep_m[k])
            )
            rows.append(
                (
                    local_date(ground.time_us[k], zone),
                    f"{ground.air_c[k]:.1f}{' (filled in)' if ground.filled[k] else ''}",
                    _metres(ground.top_m[k]),
                    _metres(ground.bottom_m[k]),
                    reach,
                )
            )
    base = "" if ground is None else f" The pier's base is {ground.base_m:g} m down."
    return Table(
        "Air and ground",
        ("day", "air [°C]", "frozen from [m]", "to [m]", "to within what isn't known [m]"),
        tuple(rows),
        numeric=frozenset({1, 2, 3, 4}),
        note=f"Every seventh day; depths below the surface, worked out from the weather.{base}",
    )


def _metres(depth: float) -> str:
    return f"{depth:.2f}" if math.isfinite(depth) else "–"


def _reach(shallow: float, deep: float) -> str:
    return f"{shallow if math.isfinite(shallow) else 0.0:.2f} to {deep:.2f}"


def quality_table(analysis: Analysis) -> Table:
    """How well each night could measure, the latest first."""
    longitude = analysis.site.site.longitude_deg
    rows = [
        _quality_row(night, sd, longitude)
        for night, sd in zip(analysis.nights.nights, uncertainty_on_sky(analysis), strict=True)
    ]
    return Table(
        "How well each night could measure",
        (
            "night of",
            '± azimuth ["]',
            '± altitude ["]',
            "hour angles [h]",
            "declinations [°]",
            "used",
            "aside",
        ),
        tuple(rows[::-1]),
        numeric=frozenset(range(1, 7)),
        note="One standard deviation on the sky; hour angles are positive west of the meridian.",
    )


def _quality_row(night: NightAxis, sd: Floats, longitude_deg: float) -> tuple[str, ...]:
    return (
        evening_of(night.time_us, longitude_deg).isoformat(),
        *(f"{value:.1f}" if math.isfinite(value) else "–" for value in sd),
        "–" if night.sky is None else _span(*night.sky.hour_angle_deg, 15.0, 1),
        "–" if night.sky is None else _span(*night.sky.declination_deg, 1.0, 0),
        str(night.solves_used or "–"),
        str(night.solves_set_aside or "–"),
    )


def _span(low: float, high: float, scale: float, places: int) -> str:
    return f"{low / scale:.{places}f} to {high / scale:.{places}f}"
