"""The path of the pier top over the years, seen from above, with compass, bolts and the tilt's direction."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.quantities import Bools, Floats, Ints, local_date
from drift.render import phrases
from drift.render.figures import plan_view
from drift.render.figures.canvas import (
    LEAST_SPAN,
    WIDE_IN,
    colour,
    house_style,
    is_narrow,
    say_empty,
    set_title,
    zero_line,
)
from drift.render.figures.plan_view import Way
from drift.render.phrases import toward, zone_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.types import Analysis, History


#: Longer records are thinned to about so many points.
POINTS = 60
#: The frame's half side against half the extent of the path: room for bolts and compass.
_ROOM = 1.42
_BOLT_INSET = 0.05
#: Corners of the frame by bearing: where the compass may stand, the first choice first.
_CORNERS = {45.0: (0.82, 0.82), 315.0: (0.02, 0.82), 135.0: (0.82, 0.02), 225.0: (0.02, 0.02)}
#: A compass so near to a bolt would touch it [deg of bearing].
_NEAR_DEG = 25.0


def figure(analysis: Analysis, ax: Any = None, *, width_in: float = WIDE_IN) -> Figure:
    """Draw how the pier's top has tipped since the start, toward north up and toward east to the right.

    Parameters
    ----------
    analysis
        What was worked out for one pier.
    ax
        A matplotlib Axes to draw in; None for a new figure.
    width_in
        Width of a new figure [inches].

    Returns
    -------
    matplotlib.figure.Figure
        Arcseconds of tilt.  Each point is a reading (of long records one in a few) with the ellipse of
        one standard deviation of the difference against the start; north and east are taken as
        independent.  Bolts stand at the frame in their bearing, not to scale.
    """
    with house_style():
        rows = path_rows(analysis.history)
        words = _words(analysis, rows) if rows.size else []
        sheet_figure, panel = plan_view.square_sheet(ax, width_in, [text for _, text in words])
        _label(panel, is_narrow(width_in))
        if not rows.size:
            say_empty(panel, "No tilt of the pier\nis known yet.")
            return sheet_figure
        points, covariances = tilt_points(analysis.history, rows)
        times = analysis.history.time_us[rows]
        zero_line(panel)
        zero_line(panel, upright=True)
        plan_view.draw_way(panel, Way(points, covariances, times, _epochs(analysis.history, times)))
        middle, half = _frame(panel, points, covariances)
        _bolts(panel, analysis, middle, half)
        _compass(panel, analysis.site.plate.bolt_bearings_deg or ())
        _directions(panel, analysis.history, points)
        plan_view.time_strip(panel, *_ends(analysis, rows), rows.size == 1)
        plan_view.words_beside(panel, words, width_in)
        set_title(panel, "Tilt of the pier's top, seen from above", "", width_in)
        return sheet_figure


def path_rows(history: History) -> Ints:
    """Return the rows of the history that are drawn: about `POINTS`, always the first and the latest.

    The reading before and the one after a sudden change of the pier are always among them.
    """
    known = np.flatnonzero(np.isfinite(history.change[:, :2]).all(axis=1))
    if known.size <= POINTS:
        return known
    times = history.time_us[known].astype(float)
    even = np.searchsorted(times, np.linspace(times[0], times[-1], POINTS))
    kept = [*known[np.minimum(even, known.size - 1)], known[0], known[-1]]
    for time_us in _steps_us(history):
        after = int(np.searchsorted(history.time_us[known], time_us))
        kept += [known[min(max(k, 0), known.size - 1)] for k in (after - 1, after)]
    return np.unique(kept)


def _steps_us(history: History) -> list[int]:
    return sorted(event.before_us for event in history.events if event.what in ("pier", "undetermined"))


def _epochs(history: History, times: Any) -> list[int]:
    return [int(k) for k in np.searchsorted(_steps_us(history), times, side="right")]


def tilt_points(history: History, rows: Ints) -> tuple[Floats, Floats]:
    """Return the tilt (east, north) of some rows, (n, 2), with its covariance, (n, 2, 2) [arcsec]."""
    variance = np.nan_to_num(history.sd[rows][:, [1, 0]]) ** 2
    return history.change[rows][:, [1, 0]], variance[:, :, None] * np.eye(2)


def _frame(panel: Axes, points: Floats, covariances: Floats) -> tuple[Floats, float]:
    sd = np.sqrt(np.diagonal(covariances, axis1=1, axis2=2))
    low, high = np.minimum((points - sd).min(axis=0), 0.0), np.maximum((points + sd).max(axis=0), 0.0)
    middle, half = (low + high) / 2, 0.5 * max(float((high - low).max()), LEAST_SPAN) * _ROOM
    plan_view.set_frame(panel, middle, half)
    return middle, half


def _bolts(panel: Axes, analysis: Analysis, middle: Floats, half: float) -> None:
    for bearing in analysis.site.plate.bolt_bearings_deg or ():
        look: dict[str, Any] = {
            "markersize": 10,
            "markeredgecolor": colour("ink"),
            "markerfacecolor": colour("grid"),
        }
        where = plan_view.edge_point(middle, half, bearing, _BOLT_INSET)
        panel.plot(*where, "h", zorder=5, **look)
        _bolt_label(panel, f"bolt {bearing:g}°", where, (np.array(where) - middle) / half)


def _bolt_label(panel: Axes, text: str, where: tuple[float, float], place: Floats) -> None:
    """Write the label on the inner side of a bolt."""
    aside = abs(place[0]) >= abs(place[1])
    inward = -np.sign(place[0 if aside else 1])
    panel.annotate(
        text,
        where,
        xytext=(9 * inward, 0) if aside else (0, 9 * inward),
        textcoords="offset points",
        ha=("left" if inward > 0 else "right") if aside else "center",
        va="center" if aside else ("bottom" if inward > 0 else "top"),
        fontsize=7,
        color=colour("soft"),
        zorder=5,
    )


def _compass(panel: Axes, bolts_deg: Sequence[float]) -> None:
    """Draw a needle that points north into a corner without a bolt, with the letters of the compass."""

    def nearest(corner: float) -> float:
        return min((abs((bolt - corner + 180.0) % 360.0 - 180.0) for bolt in bolts_deg), default=180.0)

    free = next((corner for corner in _CORNERS if nearest(corner) > _NEAR_DEG), max(_CORNERS, key=nearest))
    needle = panel.inset_axes((*_CORNERS[free], 0.16, 0.16))
    needle.set_xlim(-1, 1)
    needle.set_ylim(-1, 1)
    needle.set_aspect("equal")
    needle.set_axis_off()
    needle.fill([0, 0.16, 0, -0.16], [0.62, 0, 0.12, 0], color=colour("ink"), linewidth=0)
    needle.plot([0, 0.16, 0, -0.16, 0], [-0.62, 0, -0.12, 0, -0.62], color=colour("soft"), linewidth=0.8)
    for letter, x, y in (("N", 0, 0.85), ("E", 0.85, 0), ("S", 0, -0.85), ("W", -0.85, 0)):
        needle.text(x, y, letter, ha="center", va="center", fontsize=7, color=colour("ink"))


def _directions(panel: Axes, history: History, points: Floats) -> None:
    """Draw the tilt from the start to the latest as an arrow, and the season's direction as a dashed line."""
    if np.hypot(*points[-1]) > 0.0:
        arrow = {"arrowstyle": "-|>", "color": colour("mount"), "linewidth": 1.4, "shrinkA": 0, "shrinkB": 6}
        panel.annotate("", points[-1], (0.0, 0.0), arrowprops=arrow, zorder=5)
    swing = _swing(history)
    if swing is not None:
        along = np.array([math.sin(math.radians(swing[0])), math.cos(math.radians(swing[0]))])
        ends = points.mean(axis=0) + np.outer([-0.5, 0.5], along) * swing[1]
        panel.plot(*ends.T, color=colour("pier"), linewidth=2.0, linestyle=(0, (5, 2)), zorder=4)


def _swing(history: History) -> tuple[float, float] | None:
    """Return bearing [deg] and length [arcsec] of the seasonal swing."""
    seasonal = history.seasonal
    if seasonal is None or seasonal.toward_bearing_deg is None or not phrases.known(seasonal.peak_to_trough):
        return None
    return seasonal.toward_bearing_deg, seasonal.peak_to_trough


def _words(analysis: Analysis, rows: Ints) -> list[tuple[Any, str]]:
    from matplotlib.lines import Line2D

    history = analysis.history
    words = plan_view.ends_of(*_ends(analysis, rows), rows.size == 1)
    words.append((plan_view.tinted_patch("time4", 0.3), "one standard deviation, here and all along"))
    if rows.size > 1:
        arrow = Line2D([], [], color=colour("mount"), linewidth=1.4, marker=">", markersize=4)
        words.append((arrow, f"tilt since the start: {_tilt_now(history, rows)}"))
    swing = _swing(history)
    if swing is not None and history.seasonal is not None:
        dashed = Line2D([], [], color=colour("pier"), linewidth=2.0, linestyle=(0, (3, 1)))
        size = phrases.any_angle(swing[1], history.seasonal.peak_to_trough_sd)
        words.append((dashed, f"the season's swing, {size} from least to most, {toward(swing[0])}"))
    if analysis.site.plate.bolt_bearings_deg:
        bolt = Line2D([], [], marker="h", linestyle="none", markersize=8, markeredgecolor=colour("ink"))
        bolt.set_markerfacecolor(colour("grid"))
        words.append((bolt, "the plate's bolts, in their bearing, not to scale"))
    return words


def _tilt_now(history: History, rows: Ints) -> str:
    return phrases.whole_tilt(*history.change[rows[-1], :2], *history.sd[rows[-1], :2])


def _ends(analysis: Analysis, rows: Ints) -> tuple[str, str]:
    zone = zone_of(analysis.site.site.timezone)
    times = analysis.history.time_us
    return local_date(times[rows[0]], zone), local_date(times[rows[-1]], zone)


def _label(panel: Axes, narrow: bool) -> None:
    gap = "\N{EN SPACE}" if narrow else "\N{EM SPACE}"
    panel.set_xlabel(f"← toward west{gap}[arcsec]{gap}toward east →")
    panel.set_ylabel(f"← toward south{gap}[arcsec]{gap}toward north →")


def lacking(analysis: Analysis) -> str:
    """Say why there is nothing to draw; nothing where there is."""
    known: Bools = np.isfinite(analysis.history.change[:, :2]).all(axis=1)
    if known.sum() > 1:
        return ""
    return "The path of the pier top needs its tilt, both north and east, at two readings at least."


def describe(analysis: Analysis) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    history = analysis.history
    rows = path_rows(history)
    if not rows.size:
        return "No tilt of the pier is known yet, so the picture is empty."
    first, latest = _ends(analysis, rows)
    swing = _swing(history)
    season = (
        "" if swing is None else f" With the season it swings by {swing[1]:.0f} arcsec {toward(swing[0])}."
    )
    return (
        "The path of the pier top seen from above, north up and east to the right, in "
        f"{phrases.counted(rows.size, 'point')} from {first} to {latest}, each with its ellipse of one "
        f"standard deviation. The tilt since the start is {_tilt_now(history, rows)}.{season}"
    )
