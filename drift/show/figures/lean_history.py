"""Pier and mount apart: how the pier leans and what the mount does on it, since the start."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from drift.history.result import COLUMNS
from drift.quantities import Floats
from drift.show import phrases
from drift.show.figures.canvas import (
    LEAST_SPAN,
    WIDE_IN,
    dates,
    house_style,
    least_height,
    line_with_band,
    say_empty,
    set_time_axis,
    set_title,
    sheet,
    side_note,
)
from drift.show.figures.marks import change_times, mark_changes, marks_pad, marks_room
from drift.show.figures.palette import colour
from drift.show.tables.axis import latest_row, plate_used
from drift.show.times import zone_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.answer import Answer
    from drift.history.result import History

_PANELS = (
    ("lean_north", "Pier lean", "up is toward north, down is toward south", "pier"),
    ("lean_east", "Pier lean", "up is toward east, down is toward west", "pier"),
    ("mount_az", "Mount in azimuth", "up is clockwise ({clockwise}), down is {other}", "mount"),
    ("mount_alt", "Mount in altitude", "up is axis raised, down is axis lowered", "mount"),
)


def figure(answer: Answer, axes: Any = None, *, width_in: float = WIDE_IN) -> Figure:
    """Draw lean north, lean east, mount azimuth and mount altitude since the start.

    Parameters
    ----------
    answer
        What was worked out for one pier.
    axes
        Four matplotlib Axes to draw in, in that order; None for a new figure.
    width_in
        Width of a new figure [inches].

    Returns
    -------
    matplotlib.figure.Figure
        Bands are one standard deviation of the difference against the start, and break where no
        reading stands for 45 days.  Short strokes at the foot of the pier's panels are level readings.
        A plate that was shimmed is drawn dashed.
    """
    with house_style():
        sheet_figure, panels = sheet(
            axes, (1.25,) * len(_PANELS), width_in, marks_in=marks_room(answer.history)
        )
        history = answer.history
        times = dates(history.time_us)
        zone = zone_of(answer.site.site.timezone)
        set_time_axis(panels, np.append(times, change_times(history)), zone, width_in)
        latitude = answer.site.site.latitude_deg
        sides = {
            "clockwise": phrases.azimuth_side(1.0, latitude),
            "other": phrases.azimuth_side(-1.0, latitude),
        }
        pad = marks_pad(history)
        for panel, (name, head, rest, hue) in zip(panels, _PANELS, strict=True):
            _panel(panel, history, times, name, colour(hue))
            set_title(panel, head, rest.format(**sides), width_in, pad=pad if panel is panels[0] else None)
            panel.set_ylabel("[arcsec]")
        levels = dates(level_times(answer))
        for panel in panels[:2]:
            _level_strokes(panel, levels)
        said = ["strokes: level readings"] * bool(levels.size) + ["dashed: plate"] * plate_used(history)
        side_note(panels[1], "   ".join(said), width_in)
        mark_changes(panels, history, width_in)
        return sheet_figure


def level_times(answer: Answer) -> list[int]:
    """Return the times of the history that are no night's: those of level readings [us]."""
    nights = {int(night.time_us) for night in answer.nights.nights}
    return [int(t) for t in answer.history.time_us if int(t) not in nights]


def _panel(panel: Axes, history: History, times: Floats, name: str, hue: str) -> None:
    k = COLUMNS.index(name)
    change, sd = history.change[:, k], history.sd[:, k]
    if not np.isfinite(change).any():
        say_empty(panel, "Not known from these readings.")
        return
    panel.axhline(0.0, color=colour("soft"), linewidth=0.8, zorder=0.3)
    line_with_band(panel, times, change, sd, hue)
    plate = name.replace("lean", "plate")
    if plate != name and plate_used(history):
        p = COLUMNS.index(plate)
        line_with_band(panel, times, history.change[:, p], history.sd[:, p], colour("unsure"), linestyle="--")
    least_height(panel, LEAST_SPAN)


def _level_strokes(panel: Axes, times: Floats) -> None:
    if not times.size:
        return
    low, high = panel.get_ylim()
    panel.set_ylim(low - 0.09 * (high - low), high)
    foot = panel.get_xaxis_transform()
    width = 0.8 if len(times) < 100 else 0.4
    panel.plot(
        times,
        np.full(len(times), 0.05),
        "|",
        transform=foot,
        color=colour("ink"),
        markersize=5,
        markeredgewidth=width,
    )


def lacking(answer: Answer) -> str:
    """Say why there is nothing to draw; nothing where there is."""
    if np.isfinite(answer.history.change).any(axis=1).sum() > 1:
        return ""
    return "A change of pier and mount needs two nights with a usable axis, or two level readings."


def describe(answer: Answer) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    history = answer.history
    latest = latest_row(history)
    if latest is None:
        return "Nothing is known of the pier and the mount yet, so the picture is empty."
    change, sd = history.change[latest], history.sd[latest]
    latitude = answer.site.site.latitude_deg
    return (
        "Four curves of the change since the start, with bands of one standard deviation: "
        "pier lean north, pier lean east, mount in azimuth, mount in altitude. "
        "At the latest reading the pier leans "
        f"{phrases.lean_words(change[0], sd[0], 'north', 'south')} and "
        f"{phrases.lean_words(change[1], sd[1], 'east', 'west')}; the mount's azimuth has changed by "
        f"{phrases.mount_azimuth_words(change[4], sd[4], latitude)}, its altitude by "
        f"{phrases.mount_altitude_words(change[5], sd[5])}. "
        f"{phrases.counted(len(level_times(answer)), 'level reading is', 'level readings are')} marked."
    )
