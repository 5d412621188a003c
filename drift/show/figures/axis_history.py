"""The axis on each night: azimuth and altitude error with error bars, limits, events and corrections."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.quantities import Floats
from drift.show import phrases
from drift.show.figures.canvas import (
    WIDE_IN,
    corner_note,
    dates,
    error_bars,
    house_style,
    say_empty,
    set_time_axis,
    set_title,
    sheet,
    side_note,
)
from drift.show.figures.marks import change_times, mark_changes, marks_pad, marks_room
from drift.show.figures.palette import colour
from drift.show.times import evening_of, zone_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.answer import Answer

#: The frame is laid around nights no more uncertain than this many times the median night.
_FRAME_SDS = 6.0
#: The frame is widened to show the limits when that makes it at most so many times taller.
_WIDEN = 3.0


def figure(answer: Answer, axes: Any = None, *, width_in: float = WIDE_IN) -> Figure:
    """Draw azimuth and altitude error of the axis on each night.

    Parameters
    ----------
    answer
        What was worked out for one pier.
    axes
        Two matplotlib Axes to draw in, the azimuth first; None for a new figure.
    width_in
        Width of a new figure [inches].

    Returns
    -------
    matplotlib.figure.Figure
        Error bars are one standard deviation; the shaded band is what the site file allows.  A night
        whose error bar would dwarf all others may lie outside the frame, which then says so.
    """
    with house_style():
        sheet_figure, panels = sheet(axes, (1.75, 1.75), width_in, marks_in=marks_room(answer.history))
        times, error, sd = _nights(answer)
        zone = zone_of(answer.site.site.timezone)
        set_time_axis(panels, np.append(dates(times), change_times(answer.history)), zone, width_in)
        latitude = answer.site.site.latitude_deg
        clockwise, other = phrases.azimuth_side(1.0, latitude), phrases.azimuth_side(-1.0, latitude)
        _panel(panels[0], dates(times), error[:, 0], sd[:, 0], _azimuth_limit(answer))
        _panel(panels[1], dates(times), error[:, 1], sd[:, 1], answer.site.warn.axis_arcmin)
        titles = f"up is {clockwise} of the pole, down is {other}", "up is too high, down is too low"
        pad = marks_pad(answer.history)
        for panel, head, rest in zip(
            panels, ("Azimuth of the axis", "Altitude of the axis"), titles, strict=True
        ):
            set_title(panel, head, rest, width_in, pad=pad if panel is panels[0] else None)
            panel.set_ylabel("error [arcmin]")
        if answer.site.warn.axis_arcmin is not None:
            side_note(panels[1], f"tinted: within {answer.site.warn.axis_arcmin:g}' on the sky", width_in)
        mark_changes(panels, answer.history, width_in)
        return sheet_figure


def _nights(answer: Answer) -> tuple[list[int], Floats, Floats]:
    """Return times, errors and standard deviations [arcmin] of the nights that know either coordinate."""
    nights = [night for night in answer.nights.nights if np.isfinite(night.estimate[:2]).any()]
    error = np.array([night.estimate[:2] for night in nights], dtype=float).reshape(-1, 2) / 60.0
    variance = np.array([night.covariance.diagonal()[:2] for night in nights], dtype=float).reshape(-1, 2)
    return [night.time_us for night in nights], error, np.sqrt(variance) / 60.0


def _azimuth_limit(answer: Answer) -> float | None:
    """Return the azimuth error [arcmin of horizon angle] that alone makes the limit on the sky."""
    limit = answer.site.warn.axis_arcmin
    shrink = math.cos(math.radians(answer.site.site.latitude_deg))
    return None if limit is None or shrink < 1e-3 else limit / shrink


def _panel(panel: Axes, times: Floats, error: Floats, sd: Floats, limit: float | None) -> None:
    shown = np.isfinite(error)
    if not shown.any():
        say_empty(panel, "No night shows this coordinate of the axis yet.")
        return
    times, error, sd = times[shown], error[shown], np.where(np.isfinite(sd[shown]), sd[shown], 0.0)
    low, high = _frame(error, sd, limit)
    if limit is not None:
        panel.axhspan(-limit, limit, color=colour("allowed"), alpha=0.12, linewidth=0, zorder=0.2)
    panel.axhline(0.0, color=colour("soft"), linewidth=0.8, zorder=0.3)
    size, bar = (1.8, 0.4) if len(times) > 300 else (3.2, 0.8)
    error_bars(panel, times, error, sd, colour("axis"), markersize=size, bar_width=bar)
    panel.set_ylim(low, high)
    _say_outside(panel, int(np.sum((error < low) | (error > high))), limit, low, high)


def _frame(error: Floats, sd: Floats, limit: float | None) -> tuple[float, float]:
    trusted = sd <= _FRAME_SDS * max(float(np.median(sd)), 1e-9)
    low, high = float((error - sd)[trusted].min()), float((error + sd)[trusted].max())
    span = max(high - low, 0.1)
    for edge in (0.0, *(() if limit is None else (limit, -limit))):
        wider = max(high, edge) - min(low, edge)
        if wider <= _WIDEN * span:
            low, high = min(low, edge), max(high, edge)
    margin = 0.08 * max(high - low, 0.1)
    return low - margin, high + margin


def _say_outside(panel: Axes, count: int, limit: float | None, low: float, high: float) -> None:
    said = [f"{phrases.counted(count, 'night')} outside the frame"] if count else []
    if limit is not None and (low > limit or high < -limit):
        said.append(f"allowed: within {limit:.2g}' of 0, outside the frame")
    if said:
        corner_note(panel, "; ".join(said))


def describe(answer: Answer) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    longitude = answer.site.site.longitude_deg
    nights = [night for night in answer.nights.nights if np.isfinite(night.estimate[:2]).any()]
    if not nights:
        return "No night shows the axis yet, so the picture is empty."
    first, last = (evening_of(night.time_us, longitude) for night in (nights[0], nights[-1]))
    sd = np.sqrt(nights[-1].covariance.diagonal())
    latest = nights[-1].estimate
    latitude = answer.site.site.latitude_deg
    return (
        "Azimuth and altitude error of the axis on "
        f"{phrases.counted(len(nights), 'night')}, {first} to {last}, "
        "with error bars of one standard deviation. On the latest night the azimuth is "
        f"{phrases.azimuth_words(latest[0], sd[0], latitude)} and the altitude is "
        f"{phrases.altitude_words(latest[1], sd[1])}. Marked are "
        f"{phrases.counted(len(answer.history.events), 'event')} and "
        f"{phrases.counted(len(answer.history.corrections), 'correction')}."
    )
