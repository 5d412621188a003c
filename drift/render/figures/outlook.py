"""The coming year: where the axis and the pier will be, with the band that holds 80 % of what may come."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtri

from drift.forecast.ahead import BAND
from drift.quantities import DAY_US, Floats, Ints
from drift.render.figures.canvas import (
    LEAST_SPAN,
    WIDE_IN,
    colour,
    corner_note,
    dates,
    error_bars,
    house_style,
    is_narrow,
    least_height,
    line_with_band,
    side_note,
    zero_line,
)
from drift.render.figures.from_pole import aimed_pole_arcmin
from drift.render.figures.time_panels import (
    TILT_TITLES,
    axis_titles,
    frame_round,
    note_outside,
    time_panels,
    trusted,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.types import Analysis, Forecast


_HEIGHTS_IN = (1.3, 1.3, 1.15, 1.15)
#: So much of the past is drawn before what is to come [days].
_PAST_DAYS = 400
#: Half of the band of a normal law [sds].
_BAND_SDS = float(ndtri(0.5 + BAND / 2.0))
#: The tint widens the frame at most so many times.
_WIDEN = 2.5
_TINT = 0.16
#: So near to the poles of the Earth azimuth counts for nothing on the sky.
_LEAST_TO_SKY = 1e-3


def figure(analysis: Analysis, axes: Any = None, *, width_in: float = WIDE_IN) -> Figure:
    """Draw azimuth and altitude error of the axis and both tilts, the last year and the coming one.

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
        Points are nights with bars of one standard deviation; all bands hold 80 %.  The upright line is
        the last reading.
    """
    with house_style():
        ahead = analysis.history.forecast
        times = None if ahead is None else dates(_times_shown(analysis, ahead))
        drawn = time_panels(analysis, axes, _HEIGHTS_IN, width_in, times, nothing="There is no forecast yet.")
        if ahead is None:
            return drawn.figure
        for k, title in enumerate(axis_titles(analysis)):
            _axis_panel(drawn.panels[k], analysis, ahead, k)
            drawn.title(k, *title, "error [arcmin]")
        for k, title in enumerate(TILT_TITLES):
            _tilt_panel(drawn.panels[2 + k], analysis, ahead, k)
            drawn.title(2 + k, *title, "[arcsec]")
        _say_tint(drawn.panels[1], analysis.site.warn.axis_arcmin, width_in)
        return drawn.figure


def _since_us(ahead: Forecast) -> int:
    """Return from when on the past is drawn [us]."""
    return int(ahead.time_us[0]) - _PAST_DAYS * DAY_US


def _times_shown(analysis: Analysis, ahead: Forecast) -> Ints:
    past = analysis.history.time_us
    return np.concatenate([past[past >= _since_us(ahead)], ahead.time_us])


def _say_tint(panel: Axes, limit: float | None, width_in: float) -> None:
    if limit is None:
        return
    if is_narrow(width_in):
        corner_note(panel, f"tinted: within {limit:g}' on the sky", top=True)
    else:
        told = f"tinted: within {limit:g}' on the sky, the other coordinate as forecast"
        side_note(panel, told, width_in)


def _axis_panel(panel: Axes, analysis: Analysis, ahead: Forecast, k: int) -> None:
    nights = [
        night
        for night in analysis.nights.nights
        if night.time_us >= _since_us(ahead)
        and np.isfinite(night.estimate[k])
        and np.isfinite(night.covariance[k, k])
    ]
    seen = np.array([night.estimate[k] for night in nights], dtype=float) / 60.0
    sd = np.sqrt([night.covariance[k, k] for night in nights]) / 60.0
    if nights:
        times = dates([night.time_us for night in nights])
        error_bars(panel, times, seen, sd, colour("axis"), markersize=2.4, bar_width=0.6)
    low, high = ahead.axis_low[:, k] / 60.0, ahead.axis_high[:, k] / 60.0
    _to_come(panel, ahead, ahead.axis[:, k] / 60.0, low, high, colour("axis"))
    near = seen[trusted(sd)] if nights else seen
    _frame(panel, analysis, ahead, np.concatenate([near, low, high]), k)
    note_outside(panel, seen, left=True)


def _frame(panel: Axes, analysis: Analysis, ahead: Forecast, values: Floats, k: int) -> None:
    """Lay the frame round what is drawn, and round the tint where that is near."""
    room = room_left(analysis, ahead, k)
    edges = [0.0]
    if room is not None:
        panel.fill_between(
            dates(ahead.time_us), *room, color=colour("allowed"), alpha=_TINT, linewidth=0, zorder=0.2
        )
        edges += [float(np.nanmin(room[0])), float(np.nanmax(room[1]))] if np.isfinite(room[0]).any() else []
    panel.set_ylim(frame_round(float(values.min()), float(values.max()), edges, widen=_WIDEN))


def room_left(analysis: Analysis, ahead: Forecast, k: int) -> tuple[Floats, Floats] | None:
    """Return between what one coordinate of the axis is within the warning limit, (D,) each [arcmin].

    The limit is one on the distance from the pole aimed at, of which the other coordinate, as it is
    forecast, takes its part; NaN where that alone takes all.  None where there is no limit, or where azimuth
    counts for nothing.
    """
    limit = analysis.site.warn.axis_arcmin
    to_sky = np.array([math.cos(math.radians(analysis.site.site.latitude_deg)), 1.0])
    if limit is None or to_sky[k] < _LEAST_TO_SKY:
        return None
    pole = np.array([0.0, aimed_pole_arcmin(analysis)])
    other = (ahead.axis[:, 1 - k] / 60.0 - pole[1 - k]) * to_sky[1 - k]
    with np.errstate(invalid="ignore"):
        half = np.sqrt(limit**2 - other**2) / to_sky[k]
    return pole[k] - half, pole[k] + half


def _tilt_panel(panel: Axes, analysis: Analysis, ahead: Forecast, k: int) -> None:
    history = analysis.history
    shown = history.time_us >= _since_us(ahead)
    change, sd = history.change[shown, k], history.sd[shown, k]
    hue = colour("pier")
    line_with_band(panel, dates(history.time_us[shown]), change, _BAND_SDS * sd, hue)
    _to_come(panel, ahead, ahead.tilt[:, k], ahead.tilt_low[:, k], ahead.tilt_high[:, k], hue)
    least_height(panel, LEAST_SPAN)


def _to_come(panel: Axes, ahead: Forecast, middle: Floats, low: Floats, high: Floats, hue: str) -> None:
    times = dates(ahead.time_us)
    zero_line(panel)
    panel.axvline(times[0], color=colour("soft"), linewidth=0.8, zorder=0.4)
    panel.fill_between(times, low, high, color=hue, alpha=0.22, linewidth=0)
    panel.plot(times, middle, color=hue, linewidth=1.5, linestyle=(0, (5, 2)))


def lacking(analysis: Analysis) -> str:
    """Say why there is nothing to draw; nothing where there is."""
    if analysis.history.forecast is not None:
        return ""
    return "A look ahead takes two nights with a usable axis."


def describe(analysis: Analysis) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    ahead = analysis.history.forecast
    if ahead is None:
        return "There is no forecast yet, so the picture is empty."
    half = (ahead.axis_high - ahead.axis_low) / 2.0 / 60.0
    away = int(np.argmax(np.abs(ahead.axis[:, 1] - ahead.axis[0, 1])))
    moved = (ahead.axis[away] - ahead.axis[0]) / 60.0
    return (
        "Azimuth and altitude error of the axis and the pier's tilt north and east, over the last year as "
        "read and over the coming year as forecast, with bands that hold 80 %. The band of the axis is "
        f"{half[0, 0]:.2f}' in azimuth and {half[0, 1]:.2f}' in altitude to either side at first, and "
        f"{half[-1, 0]:.2f}' and {half[-1, 1]:.2f}' in the end. Where its altitude is furthest from now it "
        f"has moved by {moved[0]:+.2f}' in azimuth and {moved[1]:+.2f}' in altitude."
    )
