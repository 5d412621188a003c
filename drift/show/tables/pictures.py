"""The numbers behind the pictures of the winters and of the axis' path, as tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from drift.advice.words import day, toward
from drift.show import phrases
from drift.show.figures.axis_path import path_blocks
from drift.show.figures.seasons import direction, seasons_of
from drift.show.tables.table import Table
from drift.show.times import zone_of

if TYPE_CHECKING:
    from drift.answer import Answer


def seasons_table(answer: Answer) -> Table:
    """The lean along the direction of the season, winter by winter."""
    bearing = direction(answer.history)
    seasons = [] if bearing is None else seasons_of(answer, bearing)
    rows = [
        (season.name, f"{since:.0f}", phrases.plain_pair(lean, sd))
        for season in seasons
        for since, lean, sd in zip(season.day, season.lean, season.sd, strict=True)
    ]
    began = "1 January" if answer.site.site.latitude_deg < 0 else "1 July"
    return Table(
        "Winters laid over each other",
        ("winter", f"days since {began}", 'lean ["]'),
        tuple(rows),
        numeric=frozenset({1, 2}),
        note="" if bearing is None else f"Lean {toward(bearing)} in arcseconds, ± one standard deviation.",
    )


def path_table(answer: Answer) -> Table:
    """The points of the path: nights, or means of a few neighbouring nights."""
    zone = zone_of(answer.site.site.timezone)
    rows = []
    for block in path_blocks(answer):
        sd = np.sqrt(np.diagonal(block.covariance))
        az, alt = (phrases.plain_pair(block.axis[k] / 60.0, sd[k] / 60.0, most=2) for k in (0, 1))
        rows.append((day(block.time_us, zone), str(block.nights), az, alt))
    clockwise = phrases.azimuth_side(1.0, answer.site.site.latitude_deg)
    return Table(
        "The way of the axis",
        ("about", "nights", "azimuth [']", "altitude [']"),
        tuple(rows),
        numeric=frozenset({1, 2, 3}),
        note=f"Azimuth is the angle along the horizon, positive {clockwise} of the pole.",
    )
