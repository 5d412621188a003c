"""The sky over the site by bearing and altitude, with horizon, numbered fields and their order."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from drift.advice.matters import horizon_at
from drift.render.figures.canvas import WIDE_IN, colour, house_style, is_narrow, set_title, sheet
from drift.render.phrases import clock_text, zone_of
from drift.render.tonight_words import TUBE_SIDES
from drift.tonight.plan import LOWEST_DEG

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.quantities import Floats
    from drift.tonight.evening import Tonight


_COMPASS = {0: "N", 45: "NE", 90: "E", 135: "SE", 180: "S", 225: "SW", 270: "W", 315: "NW"}
_HEIGHT_IN, _NARROW_HEIGHT_IN = 3.4, 2.8
_MARKS = {1: ("o", "pier"), -1: ("s", "mount"), 0: ("o", "pier")}


def figure(tonight: Tonight, width_in: float = WIDE_IN) -> Figure:
    """Draw where the fields stand: bearing along, altitude up, numbered in their order.

    Circles are solved with the tube east of the pier, squares with it west; the broken line is a flip.
    """
    with house_style():
        height = _NARROW_HEIGHT_IN if is_narrow(width_in) else _HEIGHT_IN
        drawn, (panel,) = sheet(None, [height], width_in, below_in=0.25)
        fields = tonight.evening.fields
        left = _left_edge(np.array([one.azimuth_deg for one in fields]))
        _hidden(panel, tonight, left)
        _way(panel, tonight, left)
        _fields(panel, tonight, left, 7.5 if is_narrow(width_in) else 9.0)
        _scales(panel, left, narrow=is_narrow(width_in))
        when = clock_text(fields[0].start_us, zone_of(tonight.site.site.timezone)) if fields else ""
        set_title(panel, "Fields to solve", f"from {when}" if when else "none", width_in)
        _key(panel, tonight)
    return drawn


def describe(tonight: Tonight) -> str:
    """Return what the chart shows, for those who can't see it."""
    fields = [one for one in tonight.evening.fields if one.again is None]
    places = "; ".join(
        f"{one.n} at bearing {one.azimuth_deg:.0f}°, altitude {one.altitude_deg:.0f}°"
        + (f", tube {TUBE_SIDES[one.side]}" if one.side else "")
        for one in fields
    )
    return f"The sky by bearing and altitude with the horizon and {len(fields)} numbered fields: {places}."


def _left_edge(bearings: Floats) -> float:
    """Return the bearing at which the chart begins: south or north, or where no field is cut off."""
    edges = np.array([180.0, 0.0, 90.0, 270.0, 225.0, 135.0, 315.0, 45.0])
    if not bearings.size:
        return 180.0
    apart = np.abs((bearings[None, :] - edges[:, None] + 180.0) % 360.0 - 180.0).min(axis=1)
    return float(edges[int(np.argmax(np.minimum(apart, 20.0)))])


def _across(bearing_deg: Floats | float, left: float) -> Floats:
    return (np.asarray(bearing_deg, dtype=float) - left) % 360.0


def _hidden(panel: Axes, tonight: Tonight, left: float) -> None:
    across = np.arange(0.0, 360.5, 0.5)
    outline = np.clip(horizon_at(tonight.site, across + left), 0.0, 90.0)
    panel.fill_between(across, 0.0, outline, color=colour("soft"), alpha=0.45, linewidth=0, zorder=1)
    panel.plot(across, outline, color=colour("ink"), linewidth=1.2, zorder=2)
    panel.axhline(LOWEST_DEG, color=colour("soft"), linewidth=0.8, linestyle=":", zorder=1.5)


def _way(panel: Axes, tonight: Tonight, left: float) -> None:
    fields = tonight.evening.fields
    for one, after in zip(fields[:-1], fields[1:], strict=True):
        style = "-" if one.side == after.side else "--"
        start, end = float(_across(one.azimuth_deg, left)), float(_across(after.azimuth_deg, left))
        pieces = [(start, end)]
        if abs(end - start) > 180.0:  # the short way leads over the edge of the chart
            turn = 360.0 if end < start else -360.0
            pieces = [(start, end + turn), (start - turn, end)]
        for a, b in pieces:
            panel.plot(
                [a, b],
                [one.altitude_deg, after.altitude_deg],
                color=colour("soft"),
                linewidth=0.9,
                linestyle=style,
                zorder=3,
            )


def _fields(panel: Axes, tonight: Tonight, left: float, size: float) -> None:
    for one in tonight.evening.fields:
        if one.again is not None:
            continue
        shape, hue = _MARKS[one.side]
        at = (float(_across(one.azimuth_deg, left)), one.altitude_deg)
        panel.plot(*at, shape, color=colour(hue), markersize=1.6 * size, markeredgewidth=0, zorder=4)
        panel.text(
            *at,
            str(one.n),
            ha="center",
            va="center_baseline",
            fontsize=size,
            fontweight="bold",
            color=colour("ground"),
            zorder=5,
        )


def _scales(panel: Axes, left: float, *, narrow: bool) -> None:
    panel.set_xlim(0.0, 360.0)
    panel.set_ylim(0.0, 90.0)
    ticks = np.arange(0.0, 361.0, 90.0 if narrow else 45.0)
    names = [int((tick + left) % 360.0) for tick in ticks]
    panel.set_xticks(ticks, [f"{_COMPASS[name]}\n{name}°" for name in names])
    panel.set_yticks(np.arange(0.0, 91.0, 15.0), [f"{k}°" for k in range(0, 91, 15)])
    panel.set_ylabel("Altitude")


def _key(panel: Axes, tonight: Tonight) -> None:
    """Say below what the marks mean, those that are there."""
    sides = dict.fromkeys(one.side for one in tonight.evening.fields if one.side)
    for side in sides:
        shape, hue = _MARKS[side]
        name = f"tube {TUBE_SIDES[side]} of the pier"
        panel.plot([], [], shape, color=colour(hue), markersize=7, markeredgewidth=0, label=name)
    if len(sides) > 1:
        panel.plot([], [], "--", color=colour("soft"), linewidth=0.9, label="flip")
    if sides:
        panel.legend(
            loc="upper right",
            bbox_to_anchor=(1.0, -0.14),
            ncols=3,
            frameon=False,
            fontsize=7.5,
            borderaxespad=0.0,
            handletextpad=0.3,
        )
