"""The way of the axis over the years, as seen when looking toward the pole."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.advice.words import day
from drift.quantities import Floats
from drift.show import phrases
from drift.show.figures.blocks import Block, blocks_of
from drift.show.figures.canvas import NARROW_IN, WIDE_IN, house_style, say_empty, set_title, sheet
from drift.show.figures.palette import TIME_RAMP, colour
from drift.show.times import zone_of

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.answer import Answer

#: The pole is taken into the frame when that makes the frame at most so many times larger.
_WIDEN = 3.5
_LEAST_SPAN = 0.4  # [arcmin]


def figure(answer: Answer, ax: Any = None, *, width_in: float = WIDE_IN) -> Figure:
    """Draw where the axis has pointed, in arcminutes on the sky from the true pole.

    Parameters
    ----------
    answer
        What was worked out for one pier.
    ax
        A matplotlib Axes to draw in; None for a new figure.
    width_in
        Width of a new figure [inches].

    Returns
    -------
    matplotlib.figure.Figure
        To the right is clockwise along the horizon: east at a north pole, west at a south pole.  Each
        point is a night or the mean of a few neighbouring nights, with the ellipse of one standard
        deviation; colour goes with time.  The tinted area is within the warning limit of the pole.
    """
    with house_style():
        narrow = width_in < NARROW_IN
        sheet_figure, (panel,) = sheet(ax, 1, width_in, 3.4 if narrow else 4.6, 0.5)
        panel.set_aspect("equal", adjustable="box")
        blocks = path_blocks(answer)
        _label(panel, answer.site.site.latitude_deg, narrow)
        if not blocks:
            say_empty(panel, "No night shows where the axis points yet.")
            return sheet_figure
        points, covariances = on_sky_arcmin(blocks, answer.site.site.latitude_deg)
        _allowed(panel, answer.site.warn.axis_arcmin)
        shades = _shades(blocks)
        _draw_path(panel, points, covariances, shades, [block.epoch for block in blocks])
        _frame(panel, points, covariances)
        _mark_ends(panel, points, shades)
        _time_key(panel, answer, blocks, narrow)
        limit = answer.site.warn.axis_arcmin
        tinted = "" if limit is None else f"; tinted: within {limit:g}' of it"
        set_title(panel, "Seen looking toward the pole", f"+ is the true pole{tinted}", width_in)
        return sheet_figure


def path_blocks(answer: Answer) -> list[Block]:
    """Return the points of the path in time order."""
    history = answer.history
    changes = [event.before_us for event in history.events] + [found.time_us for found in history.corrections]
    return blocks_of(answer.nights.nights, changes)


def on_sky_arcmin(blocks: list[Block], latitude_deg: float) -> tuple[Floats, Floats]:
    """Return points (n, 2) and covariances (n, 2, 2) on the sky [arcmin]: azimuth cos(phi), altitude."""
    to_sky = np.array([math.cos(math.radians(latitude_deg)), 1.0]) / 60.0
    points = np.array([block.axis for block in blocks]) * to_sky
    return points, np.array([block.covariance for block in blocks]) * np.outer(to_sky, to_sky)


def _shades(blocks: list[Block]) -> list[str]:
    times = np.array([block.time_us for block in blocks], dtype=float)
    span = times[-1] - times[0]
    share = (times - times[0]) / span if span > 0 else np.ones(len(times))
    return [colour(TIME_RAMP[round(s * (len(TIME_RAMP) - 1))]) for s in share]


def _allowed(panel: Axes, limit: float | None) -> None:
    from matplotlib.patches import Circle

    if limit is not None:
        panel.add_patch(Circle((0, 0), limit, color=colour("allowed"), alpha=0.13, linewidth=0, zorder=0.2))
    panel.plot(0, 0, "+", color=colour("ink"), markersize=9, markeredgewidth=1.2, zorder=5)


def _draw_path(
    panel: Axes, points: Floats, covariances: Floats, shades: list[str], epochs: list[int]
) -> None:
    from matplotlib.patches import Ellipse

    for k, (point, covariance) in enumerate(zip(points, covariances, strict=True)):
        values, vectors = np.linalg.eigh(covariance)
        turn = math.degrees(math.atan2(vectors[1, 1], vectors[0, 1]))
        width, height = 2 * np.sqrt(np.clip(values[::-1], 0.0, None))
        panel.add_patch(
            Ellipse(point, width, height, angle=turn, facecolor=shades[k], alpha=0.22, linewidth=0, zorder=1)
        )
        if k:
            jump = epochs[k] != epochs[k - 1]
            panel.plot(
                *points[k - 1 : k + 1].T, ":" if jump else "-", color=shades[k], linewidth=0.9, zorder=2
            )
        panel.plot(*point, "o", color=shades[k], markersize=4, markeredgewidth=0, zorder=3)


def _frame(panel: Axes, points: Floats, covariances: Floats) -> None:
    sd = np.sqrt(np.diagonal(covariances, axis1=1, axis2=2))
    trusted = (sd <= 6 * np.median(sd, axis=0)).all(axis=1)
    low, high = (points - sd)[trusted].min(axis=0), (points + sd)[trusted].max(axis=0)
    span = max(float((high - low).max()), _LEAST_SPAN)
    wider = float((np.maximum(high, 0) - np.minimum(low, 0)).max())
    with_pole = wider <= _WIDEN * span
    if with_pole:
        low, high, span = np.minimum(low, 0), np.maximum(high, 0), max(wider, _LEAST_SPAN)
    middle, half = (low + high) / 2, 0.58 * span
    panel.set_xlim(middle[0] - half, middle[0] + half)
    panel.set_ylim(middle[1] - half, middle[1] + half)
    if not with_pole:
        _point_to_pole(panel, middle, half)
    outside = int(np.sum((np.abs(points - middle) > half).any(axis=1)))
    if outside:
        panel.text(
            0.99,
            0.01,
            f"{phrases.counted(outside, 'point')} outside the frame",
            fontsize=7,
            transform=panel.transAxes,
            ha="right",
            va="bottom",
            color=colour("soft"),
        )


def _point_to_pole(panel: Axes, middle: Floats, half: float) -> None:
    away = -middle / np.hypot(*middle)
    tip = middle + away * half * 0.97 / np.abs(away).max()
    tail = tip - away * half * 0.22
    panel.annotate("", tip, tail, arrowprops={"arrowstyle": "->", "color": colour("soft")})
    panel.annotate(
        f"true pole {np.hypot(*middle):.1f}' this way",
        tail,
        ha="center",
        va="center",
        fontsize=7.5,
        color=colour("soft"),
    )


def _mark_ends(panel: Axes, points: Floats, shades: list[str]) -> None:
    """Set the first point apart as a square and the latest as a diamond."""
    look: dict[str, Any] = {
        "markersize": 7.5,
        "markeredgecolor": colour("ink"),
        "markeredgewidth": 1.0,
        "zorder": 6,
    }
    if len(points) > 1:
        panel.plot(*points[0], "s", color=shades[0], **look)
    panel.plot(*points[-1], "D", color=shades[-1], **look)


def _time_key(panel: Axes, answer: Answer, blocks: list[Block], narrow: bool) -> None:
    """Write a strip of the colours of time below the picture, with the dates of its ends."""
    zone = zone_of(answer.site.site.timezone)
    strip = panel.inset_axes((0.0, -0.26 if narrow else -0.19, 1.0, 0.02))
    for k, name in enumerate(TIME_RAMP if len(blocks) > 1 else TIME_RAMP[-1:]):
        strip.axvspan(k, k + 1, color=colour(name), linewidth=0)
    strip.margins(x=0)
    strip.set_axis_off()
    below: dict[str, Any] = {
        "xytext": (0, -3),
        "textcoords": "offset points",
        "va": "top",
        "fontsize": 8,
        "color": colour("ink"),
    }
    if len(blocks) > 1:
        strip.annotate(f"■ first, {_when(blocks[0], zone)}", (0, 0), xycoords="axes fraction", **below)
    latest = f"◆ latest, {_when(blocks[-1], zone)}"
    strip.annotate(latest, (1, 0), xycoords="axes fraction", ha="right", **below)


def _when(block: Block, zone: ZoneInfo) -> str:
    """Return the day of a night, the month of a mean of nights."""
    return day(block.time_us, zone)[: 10 if block.nights == 1 else 7]


def _label(panel: Axes, latitude_deg: float, narrow: bool) -> None:
    right, left = phrases.azimuth_side(1.0, latitude_deg), phrases.azimuth_side(-1.0, latitude_deg)
    gap, of_pole = ("\N{EN SPACE}", "") if narrow else ("\N{EM SPACE}" * 2, " of the pole")
    panel.set_xlabel(f"← {left}{of_pole}{gap}[arcmin on the sky]{gap}{right}{of_pole} →")
    panel.set_ylabel(f"← too low{gap}[arcmin]{gap}too high →")


def describe(answer: Answer) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    blocks = path_blocks(answer)
    if not blocks:
        return "No night shows where the axis points yet, so the picture is empty."
    points, covariances = on_sky_arcmin(blocks, answer.site.site.latitude_deg)
    latitude = answer.site.site.latitude_deg
    ends = []
    for word, k in (("first", 0), ("latest", -1)):
        axis, sd = blocks[k].axis, np.sqrt(np.diagonal(blocks[k].covariance))
        azimuth = phrases.azimuth_words(axis[0], sd[0], latitude)
        ends.append(f"the {word} lies {azimuth} and {phrases.altitude_words(axis[1], sd[1])}")
    far = np.hypot(*points.T)
    return (
        "The way of the axis on the sky around the true pole in "
        f"{phrases.counted(len(blocks), 'point')}, each with its ellipse of one standard deviation: "
        f"{'; '.join(ends)}. The angle to the pole runs from {far.min():.2f}' to {far.max():.2f}'."
    )
