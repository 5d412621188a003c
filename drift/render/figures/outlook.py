"""The coming year: how far from the pole the axis will be, as a fan, against the limit; the day to act by."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.advice.situation import coming_of
from drift.quantities import DAY_US, Floats, local_date
from drift.render.figures.axis_and_tilt import fitted_axis
from drift.render.figures.canvas import (
    FITTED,
    WIDE_IN,
    colour,
    dates,
    error_bars,
    house_style,
    is_narrow,
    set_month_ticks,
    zero_line,
)
from drift.render.figures.time_panels import draw_winters, note_outside, time_panels, trusted
from drift.render.phrases import plain_arcmin, zone_of
from drift.render.strip import LEAST_SPAN_DAYS, has_outlook
from drift.render.tables.axis import aimed_pole_arcmin, distances_arcmin, pole_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.types import Analysis, Forecast


_HEIGHT_IN = 2.5
#: How much of the past is drawn [days]; less on a phone, where months need room.
_PAST_DAYS, _PAST_DAYS_NARROW = 330, 150
#: Edges of the fan: the middle half, and the middle four fifths, of what may come.
FAN = (0.1, 0.25, 0.5, 0.75, 0.9)
#: Number of draws of the normal law about each sample path of the frost, the same every time.
_DRAWS, _SEED = 128, 15


def distance_fan(analysis: Analysis, ahead: Forecast) -> Floats:
    """Return the quantiles `FAN` of the distance from the pole aimed at, day by day, (D, 5) [arcmin].

    Notes
    -----
    The distance of an expected place is not the expected distance: it is taken from draws of the forecast's
    normal law about each sample path of the frost.
    """
    draws = np.random.default_rng(_SEED).standard_normal((_DRAWS, 2))
    within = ahead.axis_sd if ahead.within_sd is None else ahead.within_sd
    ways = ahead.axis[None] if ahead.within_sd is None or not len(ahead.paths) else ahead.paths
    drawn = (ways[:, None] + draws[None, :, None, :] * within[None, None]) / 60.0
    to_sky = np.array([math.cos(math.radians(analysis.site.site.latitude_deg)), 1.0])
    away = drawn * to_sky - [0.0, aimed_pole_arcmin(analysis)]
    far = np.hypot(away[..., 0], away[..., 1]).reshape(-1, len(ahead.time_us))
    return np.asarray(np.quantile(far, FAN, axis=0).T)


def figure(analysis: Analysis, axes: Any = None, *, width_in: float = WIDE_IN) -> Figure:
    """Draw the distance of the axis from the pole, the last year as read and the coming one as a fan.

    Parameters
    ----------
    analysis
        What was worked out for one pier.
    axes
        One matplotlib Axes to draw in; None for a new figure.
    width_in
        Width of a new figure [inches].

    Returns
    -------
    matplotlib.figure.Figure
        Points are nights with bars of one standard deviation; the fan holds 50 % and 80 % of what may come.
        Upright lines are today and the day to re-align by.
    """
    with house_style():
        ahead = analysis.history.forecast if has_outlook(analysis.history) else None
        if ahead is None:
            return time_panels(analysis, axes, (_HEIGHT_IN,), width_in, None, nothing=_LACKING).figure
        past = (_PAST_DAYS_NARROW if is_narrow(width_in) else _PAST_DAYS) * DAY_US
        since = max(int(ahead.time_us[0]) - past, int(analysis.history.time_us[0]))
        until = int(ahead.time_us[-1])
        drawn = time_panels(analysis, axes, (_HEIGHT_IN,), width_in, dates([since, until]))
        panel = drawn.panels[0]
        set_month_ticks(panel, since, until, zone_of(analysis.site.site.timezone), width_in)
        draw_winters(panel, analysis, since, until, named_in=0.0)
        top = [
            _nights(panel, analysis, since),
            _fan(panel, distance_fan(analysis, ahead), dates(ahead.time_us)),
        ]
        _limit(panel, analysis, max(top))
        _days(panel, analysis, since, until)
        drawn.title(0, f"Distance of the axis from {pole_words(analysis)}", "", "[arcmin]")
        return drawn.figure


def _nights(panel: Axes, analysis: Analysis, since_us: int) -> float:
    """Draw the nights and the fitted curve; return how high they reach."""
    nights = [one for one in analysis.nights.nights if one.time_us >= since_us and one.has_axis]
    far, sd = distances_arcmin(analysis, nights)
    zero_line(panel)
    fitted = fitted_axis(analysis)
    if fitted is not None:
        shown = fitted[0] >= dates([since_us])[0]
        panel.plot(
            fitted[0][shown],
            fitted[1][shown, 2],
            color=colour("axis"),
            linewidth=1.2,
            alpha=0.75,
            label=FITTED,
        )
    if not len(far):
        return 0.0
    near = trusted(sd)
    for some, alpha in ((~near, 0.35), (near, None)):
        if some.any():
            times = dates([one.time_us for one in nights])[some]
            error_bars(
                panel, times, far[some], sd[some], colour("axis"), markersize=2.6, bar_width=0.6, alpha=alpha
            )
    return float((far + sd)[near].max())


def _fan(panel: Axes, fan: Floats, times: Floats) -> float:
    """Draw the fan, darker toward its middle; return how high it reaches."""
    for low, high, alpha in ((0, 4, 0.16), (1, 3, 0.24)):
        panel.fill_between(times, fan[:, low], fan[:, high], color=colour("axis"), alpha=alpha, linewidth=0)
    panel.plot(times, fan[:, 2], color=colour("axis"), linewidth=1.5, linestyle=(0, (5, 2)))
    return float(fan[:, 4].max())


def _limit(panel: Axes, analysis: Analysis, top: float) -> None:
    limit = analysis.site.warn.axis_arcmin
    panel.axhline(limit, color=colour("allowed"), linewidth=1.4, zorder=0.4)
    panel.annotate(
        f"limit {limit:g}'",
        (0.0, limit),
        xycoords=panel.get_yaxis_transform(),
        xytext=(3, 2),
        textcoords="offset points",
        fontsize=7,
        color=colour("soft"),
    )
    panel.set_ylim(0.0, 1.24 * max(limit, top))
    values = np.concatenate([line.get_ydata() for line in panel.lines if line.get_marker() == "o"] or [[0.0]])
    note_outside(panel, np.asarray(values, dtype=float))


def _days(panel: Axes, analysis: Analysis, since: int, until: int) -> None:
    """Mark the last night, today, and until when to re-align."""
    zone = zone_of(analysis.site.site.timezone)
    marks: list[tuple[int, str, Any]] = (
        [] if analysis.now_us is None else [(int(analysis.now_us), "today", "-")]
    )
    by_us = act_by(analysis)
    if by_us is not None:
        marks.append((by_us, f"re-align by {local_date(by_us, zone)}", (0, (4, 2))))
    for k, (time_us, words, dash) in enumerate(mark for mark in marks if since <= mark[0] <= until):
        at = float(dates([time_us])[0])
        panel.axvline(at, color=colour("ink"), linewidth=1.3, linestyle=dash, zorder=0.7)
        low, high = panel.get_xlim()
        right = (at - low) / (high - low) > 0.6
        panel.annotate(
            words,
            (at, 0.985 - 0.09 * k),
            xycoords=panel.get_xaxis_transform(),
            xytext=(-3 if right else 3, 0),
            textcoords="offset points",
            ha="right" if right else "left",
            va="top",
            fontsize=7.5,
            fontweight="bold",
            bbox={"facecolor": colour("ground"), "alpha": 0.8, "linewidth": 0, "pad": 0.6},
        )


def act_by(analysis: Analysis) -> int | None:
    """Return by when to re-align, where that is worth it and still ahead [us]."""
    coming = coming_of(analysis)
    if coming is None or not coming.realigning.worth or coming.realigning.by_us is None:
        return None
    return coming.realigning.by_us if coming.realigning.by_us > coming.from_us else None


_LACKING = f"A look ahead takes nights that span {LEAST_SPAN_DAYS:.0f} days."


def lacking(analysis: Analysis) -> str:
    """Return why there is nothing to draw; "" where there is something."""
    return "" if has_outlook(analysis.history) else _LACKING


def describe(analysis: Analysis) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    ahead = analysis.history.forecast
    if ahead is None or not has_outlook(analysis.history):
        return f"There is no forecast yet, so the picture is empty. {_LACKING}"
    fan, zone = distance_fan(analysis, ahead), zone_of(analysis.site.site.timezone)
    far = int(np.argmax(fan[:, 2]))
    low, middle, high = (plain_arcmin(float(fan[far, k])) for k in (0, 2, 4))
    by_us = act_by(analysis)
    by = "" if by_us is None else f" Re-align by {local_date(by_us, zone)}."
    return (
        f"The distance of the axis from {pole_words(analysis)}, the last months as read and the coming year "
        f"as a fan. It is expected to be furthest about {local_date(int(ahead.time_us[far]), zone)}, at "
        f"{middle} (80 %: {low} to {high}), against a limit of {analysis.site.warn.axis_arcmin:g}'.{by}"
    )
