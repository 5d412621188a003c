"""Pier and mount apart: how the pier tilts and what the mount does on it, since the start."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from drift.quantities import Floats
from drift.render import phrases
from drift.render.figures.canvas import (
    LEAST_SPAN,
    WIDE_IN,
    colour,
    corner_note,
    dates,
    house_style,
    least_height,
    line_with_band,
    say_empty,
    side_note,
    zero_line,
)
from drift.render.figures.time_panels import TILT_TITLES, azimuth_sides, time_panels
from drift.render.tables.axis import latest_row, plate_used
from drift.types import HISTORY_COLUMNS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.types import Analysis, History


#: No frame is higher than so many limits of tilt.
_MOST_LIMITS = 6.0
_PANELS = (
    ("tilt_north", *TILT_TITLES[0], "pier"),
    ("tilt_east", *TILT_TITLES[1], "pier"),
    ("mount_az", "Mount in azimuth", "up is clockwise ({clockwise}), down is {other}", "mount"),
    ("mount_alt", "Mount in altitude", "up is axis raised, down is axis lowered", "mount"),
)


def figure(analysis: Analysis, axes: Any = None, *, width_in: float = WIDE_IN) -> Figure:
    """Draw tilt north, tilt east, mount azimuth and mount altitude since the start.

    Parameters
    ----------
    analysis
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
        history = analysis.history
        times, levels = dates(history.time_us), dates(level_times(analysis))
        drawn = time_panels(analysis, axes, (1.25,) * len(_PANELS), width_in, times, marked=True)
        clockwise, other = azimuth_sides(analysis)
        for k, (name, head, rest, hue) in enumerate(_PANELS):
            _panel(drawn.panels[k], history, times, name, colour(hue))
            drawn.title(k, head, rest.format(clockwise=clockwise, other=other), "[arcsec]")
        _one_scale(drawn.panels, analysis.site.warn.tilt_arcsec)
        for panel in drawn.panels[:2]:
            _level_strokes(panel, levels)
        said = ["strokes: level readings"] * bool(levels.size) + ["dashed: plate"] * plate_used(history)
        side_note(drawn.panels[1], "   ".join(said), width_in)
        drawn.mark_changes()
        return drawn.figure


def level_times(analysis: Analysis) -> list[int]:
    """Return the times of the history that are no night's: those of level readings [us]."""
    nights = {int(night.time_us) for night in analysis.nights.nights}
    return [int(t) for t in analysis.history.time_us if int(t) not in nights]


def _panel(panel: Axes, history: History, times: Floats, name: str, hue: str) -> None:
    k = HISTORY_COLUMNS.index(name)
    change, sd = history.change[:, k], history.sd[:, k]
    if not np.isfinite(change).any():
        say_empty(panel, "Not known from these readings.")
        return
    zero_line(panel)
    line_with_band(panel, times, change, sd, hue)
    plate = name.replace("tilt", "plate")
    if plate != name and plate_used(history):
        p = HISTORY_COLUMNS.index(plate)
        line_with_band(panel, times, history.change[:, p], history.sd[:, p], colour("unsure"), linestyle="--")
    least_height(panel, LEAST_SPAN)


def _one_scale(drawn: list[Axes], limit: float) -> None:
    """Give all panels one height of frame, of at least the limit; a mount set from far off may leave it."""
    known = [panel for panel in drawn if panel.lines]
    tallest = max((float(np.ptp(panel.get_ylim())) for panel in known), default=limit)
    height = min(max(tallest, limit), _MOST_LIMITS * limit)
    for panel in known:
        low, high = panel.get_ylim()
        values = np.concatenate([np.asarray(line.get_ydata(), dtype=float) for line in panel.lines[1:]])
        if high - low > height and values.size:
            # what is seen is how it stands of late
            middle = float(np.clip(values[-1], low + height / 2.0, high - height / 2.0))
            panel.set_ylim(middle - height / 2.0, middle + height / 2.0)
            corner_note(panel, "further off before, outside the frame")
        least_height(panel, height)


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


def lacking(analysis: Analysis) -> str:
    """Say why there is nothing to draw; nothing where there is."""
    if np.isfinite(analysis.history.change).any(axis=1).sum() > 1:
        return ""
    return "A change of pier and mount needs two nights with a usable axis, or two level readings."


def describe(analysis: Analysis) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    history = analysis.history
    latest = latest_row(history)
    if latest is None:
        return "Nothing is known of the pier and the mount yet, so the picture is empty."
    change, sd = history.change[latest], history.sd[latest]
    latitude = analysis.site.site.latitude_deg
    return (
        "Four curves of the change since the start, with bands of one standard deviation: "
        "pier tilt north, pier tilt east, mount in azimuth, mount in altitude. "
        "At the latest reading the pier tilts "
        f"{phrases.tilt_words(change[0], sd[0], 'north', 'south')} and "
        f"{phrases.tilt_words(change[1], sd[1], 'east', 'west')}; the mount's azimuth has changed by "
        f"{phrases.mount_azimuth_words(change[4], sd[4], latitude)}, its altitude by "
        f"{phrases.mount_altitude_words(change[5], sd[5])}. "
        f"{phrases.counted(len(level_times(analysis)), 'level reading is', 'level readings are')} marked."
    )
