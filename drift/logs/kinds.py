"""The kinds of log, in the order in which they are told."""

from __future__ import annotations

from drift.logs import alignments, corrections, levels, runs, solves, sweeps, weather
from drift.logs.layout import Layout

LAYOUTS: tuple[Layout, ...] = (
    solves.LAYOUT,
    sweeps.LAYOUT,
    runs.LAYOUT,
    alignments.LAYOUT,
    levels.LAYOUT,
    weather.LAYOUT,
    corrections.LAYOUT,
)
BY_KIND: dict[str, Layout] = {layout.kind: layout for layout in LAYOUTS}
