"""The axis on each night: azimuth, altitude, distance from the pole; the limit, events and corrections."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from drift.quantities import Floats
from drift.render import phrases
from drift.render.figures.canvas import (
    WIDE_IN,
    colour,
    corner_note,
    dates,
    error_bars,
    house_style,
    say_empty,
    set_time_axis,
    set_title,
    sheet,
)
from drift.render.figures.from_pole import distances_arcmin, pole_words
from drift.render.figures.marks import change_times, mark_changes, marks_pad, marks_room
from drift.render.phrases import evening_of, zone_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.types import Analysis


#: The frame is laid around nights no more uncertain than this many times the median night.
_FRAME_SDS = 6.0
#: The frame is widened to show the pole or the limit when that makes it at most so many times taller.
_WIDEN = 3.0
#: With these the picture takes less than a sheet of paper.
_HEIGHTS_IN = (1.25, 1.25, 1.25)


def figure(analysis: Analysis, axes: Any = None, *, width_in: float = WIDE_IN) -> Figure:
    """Draw azimuth and altitude error of the axis on each night, and its distance from the pole.

    Parameters
    ----------
    analysis
        What was worked out for one pier.
    axes
        Three matplotlib Axes to draw in: azimuth, altitude, distance; None for a new figure.
    width_in
        Width of a new figure [inches].

    Returns
    -------
    matplotlib.figure.Figure
        Error bars are one standard deviation.  The distance is that on the sky from the pole aimed at; the
        tinted band there is what the site file allows.  A night whose error bar would dwarf all others
        may lie outside the frame, which then says so.

    Notes
    -----
    The limit is one on the distance, so neither coordinate has a band of its own: both may lie well
    within the limit and the axis beyond it.
    """
    with house_style():
        sheet_figure, panels = sheet(axes, _HEIGHTS_IN, width_in, marks_in=marks_room(analysis.history))
        times, error, sd = _nights(analysis)
        zone = zone_of(analysis.site.site.timezone)
        set_time_axis(panels, np.append(dates(times), change_times(analysis.history)), zone, width_in)
        _panel(panels[0], dates(times), error[:, 0], sd[:, 0])
        _panel(panels[1], dates(times), error[:, 1], sd[:, 1])
        _panel(panels[2], dates(times), error[:, 2], sd[:, 2], analysis.site.warn.axis_arcmin)
        _titles(panels, analysis, width_in)
        mark_changes(panels, analysis.history, width_in)
        return sheet_figure


def _titles(panels: list[Axes], analysis: Analysis, width_in: float) -> None:
    latitude, limit = analysis.site.site.latitude_deg, analysis.site.warn.axis_arcmin
    clockwise, other = phrases.azimuth_side(1.0, latitude), phrases.azimuth_side(-1.0, latitude)
    titles = (
        ("Azimuth of the axis", f"up is {clockwise} of the pole, down is {other}"),
        ("Altitude of the axis", "up is too high, down is too low"),
        (
            f"Distance on the sky from {pole_words(analysis)}",
            "" if limit is None else f"tinted within {limit:g}'",
        ),
    )
    pad = marks_pad(analysis.history)
    for panel, (head, rest) in zip(panels, titles, strict=True):
        set_title(panel, head, rest, width_in, pad=pad if panel is panels[0] else None)
        panel.set_ylabel("error [arcmin]")
    panels[2].set_ylabel("distance [arcmin]")


def _nights(analysis: Analysis) -> tuple[list[int], Floats, Floats]:
    """Return times of the nights that know either coordinate, and azimuth, altitude, distance [arcmin]."""
    nights = [night for night in analysis.nights.nights if np.isfinite(night.estimate[:2]).any()]
    error = np.array([night.estimate[:2] for night in nights], dtype=float).reshape(-1, 2) / 60.0
    variance = np.array([night.covariance.diagonal()[:2] for night in nights], dtype=float).reshape(-1, 2)
    far, far_sd = distances_arcmin(analysis, nights)
    sd = np.sqrt(variance) / 60.0
    return (
        [night.time_us for night in nights],
        np.column_stack([error, far]),
        np.column_stack([sd, far_sd]),
    )


def _panel(panel: Axes, times: Floats, error: Floats, sd: Floats, limit: float | None = None) -> None:
    shown = np.isfinite(error)
    if not shown.any():
        say_empty(panel, "No night shows this of the axis yet.")
        return
    times, error, sd = times[shown], error[shown], np.where(np.isfinite(sd[shown]), sd[shown], 0.0)
    low, high = _frame(error, sd, limit)
    if limit is not None:
        panel.axhspan(0.0, limit, color=colour("allowed"), alpha=0.16, linewidth=0, zorder=0.2)
        panel.axhline(limit, color=colour("allowed"), linewidth=1.2, zorder=0.3)
    panel.axhline(0.0, color=colour("soft"), linewidth=0.8, zorder=0.3)
    size, bar = (1.8, 0.4) if len(times) > 300 else (3.2, 0.8)
    error_bars(panel, times, error, sd, colour("axis"), markersize=size, bar_width=bar)
    panel.set_ylim(low, high)
    _say_outside(panel, int(np.sum((error < low) | (error > high))), limit, low, high)


def _frame(error: Floats, sd: Floats, limit: float | None) -> tuple[float, float]:
    trusted = sd <= _FRAME_SDS * max(float(np.median(sd)), 1e-9)
    low, high = float((error - sd)[trusted].min()), float((error + sd)[trusted].max())
    span = max(high - low, 0.1)
    for edge in (0.0,) if limit is None else (0.0, limit):
        wider = max(high, edge) - min(low, edge)
        if wider <= _WIDEN * span:
            low, high = min(low, edge), max(high, edge)
    margin = 0.08 * max(high - low, 0.1)
    return low - margin, high + margin


def _say_outside(panel: Axes, count: int, limit: float | None, low: float, high: float) -> None:
    said = [f"{phrases.counted(count, 'night')} outside the frame"] if count else []
    if limit is not None and not low < limit < high:
        side = "below" if low >= limit else "above"
        said.append(f"the limit, {limit:g}', lies {side} the frame")
    if said:
        corner_note(panel, "; ".join(said))


def describe(analysis: Analysis) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    longitude = analysis.site.site.longitude_deg
    nights = [night for night in analysis.nights.nights if np.isfinite(night.estimate[:2]).any()]
    if not nights:
        return "No night shows the axis yet, so the picture is empty."
    first, last = (evening_of(night.time_us, longitude) for night in (nights[0], nights[-1]))
    sd = np.sqrt(nights[-1].covariance.diagonal())
    latest = nights[-1].estimate
    latitude = analysis.site.site.latitude_deg
    far, far_sd = (float(each[0]) for each in distances_arcmin(analysis, nights[-1:]))
    return (
        "Azimuth and altitude error of the axis and its distance on the sky from "
        f"{pole_words(analysis)} on "
        f"{phrases.counted(len(nights), 'night')}, {first} to {last}, "
        "with error bars of one standard deviation. On the latest night the azimuth is "
        f"{phrases.azimuth_words(latest[0], sd[0], latitude)} and the altitude is "
        f"{phrases.altitude_words(latest[1], sd[1])}{_far_words(analysis, far, far_sd)}. Marked are "
        f"{phrases.counted(len(analysis.history.events), 'event')} and "
        f"{phrases.counted(len(analysis.history.corrections), 'correction')}."
    )


def _far_words(analysis: Analysis, far: float, sd: float) -> str:
    if not phrases.known(far):
        return ""
    limit = analysis.site.warn.axis_arcmin
    tinted = "" if limit is None else f"; within {limit:g}', the warning limit, the picture is tinted"
    return f", which makes {phrases.any_arcmin(60.0 * far, 60.0 * sd)} on the sky{tinted}"
