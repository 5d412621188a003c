"""The way of the axis over the years, as seen when looking toward the pole."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.advice.words import day
from drift.quantities import Floats
from drift.show import phrases
from drift.show.figures import plan_view
from drift.show.figures.blocks import Block, blocks_of
from drift.show.figures.canvas import (
    WIDE_IN,
    corner_note,
    house_style,
    is_narrow,
    say_empty,
    set_title,
)
from drift.show.figures.palette import colour
from drift.show.figures.plan_view import Way
from drift.show.figures.pole_limits import (
    beyond_words,
    draw_beyond,
    draw_ruler,
    limits_sentence,
    ruler_words,
)
from drift.show.figures.square import Square
from drift.show.figures.tolerance import aimed_pole_arcmin
from drift.show.times import zone_of

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.answer import Answer

#: The pole is taken into the frame when that makes the frame at most so many times larger.
_WIDEN = 3.5
_LEAST_SPAN = 0.4  # [arcmin]
_TINT = 0.13


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
        deviation; colour goes with time.  What lies beyond the warning limit is shaded.  A ruler from the
        pole that is aimed at toward the latest point has a stroke where the most demanding use of the
        optics ends.
    """
    with house_style():
        blocks = path_blocks(answer)
        points, covariances = on_sky_arcmin(blocks, answer.site.site.latitude_deg)
        frame = _frame_of(points, covariances) if blocks else None
        words = _words(answer, blocks, points, frame) if frame else []
        sheet_figure, panel = plan_view.square_sheet(
            ax, width_in, [text for _, text in words], strip=len(blocks) > 1
        )
        _label(panel, answer.site.site.latitude_deg, is_narrow(width_in))
        if frame is None:
            say_empty(panel, "No night shows where\nthe axis points yet.")
            return sheet_figure
        times = [block.time_us for block in blocks]
        plan_view.draw_way(panel, Way(points, covariances, times, [block.epoch for block in blocks]))
        _frame(panel, points, frame)
        _poles(panel, aimed_pole_arcmin(answer))
        draw_beyond(panel, answer, frame, points)
        draw_ruler(panel, answer, frame, points[-1])
        first, latest = _ends(answer, blocks)
        plan_view.time_strip(panel, first, latest, len(blocks) == 1)
        plan_view.words_beside(panel, words, width_in, strip=len(blocks) > 1)
        set_title(panel, "Seen looking toward the pole", "", width_in)
        return sheet_figure


def path_blocks(answer: Answer) -> list[Block]:
    """Return the points of the path in time order."""
    history = answer.history
    changes = [event.before_us for event in history.events] + [found.time_us for found in history.corrections]
    return blocks_of(answer.nights.nights, changes)


def on_sky_arcmin(blocks: list[Block], latitude_deg: float) -> tuple[Floats, Floats]:
    """Return points (n, 2) and covariances (n, 2, 2) on the sky [arcmin]: azimuth cos(phi), altitude."""
    to_sky = np.array([math.cos(math.radians(latitude_deg)), 1.0]) / 60.0
    points = np.array([block.axis for block in blocks]).reshape(-1, 2) * to_sky
    covariances = np.array([block.covariance for block in blocks]).reshape(-1, 2, 2)
    return points, covariances * np.outer(to_sky, to_sky)


def _words(answer: Answer, blocks: list[Block], points: Floats, frame: Square) -> list[tuple[Any, str]]:
    """Return the marks of the picture with what they mean; those that lie outside the frame are left out."""
    from matplotlib.lines import Line2D

    words = plan_view.ends_of(*_ends(answer, blocks), len(blocks) == 1)
    words.append((plan_view.tinted_patch("time4", 0.3), "one standard deviation, here and all along"))
    refracted = aimed_pole_arcmin(answer)
    pole: dict[str, Any] = {"linestyle": "none", "color": colour("ink"), "markersize": 8}
    if frame.holds(0.0, 0.0):
        words.append((Line2D([], [], marker="v", **pole), "the true pole"))
    if refracted and frame.holds(0.0, refracted):
        words.append((Line2D([], [], marker="^", **pole), "the refracted pole, at which you aim"))
    return [*words, *beyond_words(answer, frame), *ruler_words(answer, frame, points[-1])]


def _poles(panel: Axes, aimed: float) -> None:
    pole: dict[str, Any] = {"color": colour("ink"), "markersize": 9, "markeredgewidth": 1.2, "zorder": 5}
    panel.plot(0, 0, "v", **pole)
    if aimed:
        panel.plot(0, aimed, "^", **pole)


def _frame_of(points: Floats, covariances: Floats) -> Square:
    """Return a frame around the trusted points; the pole is in it where that makes it not much larger."""
    sd = np.sqrt(np.diagonal(covariances, axis1=1, axis2=2))
    trusted = (sd <= 6 * np.median(sd, axis=0)).all(axis=1)
    low, high = (points - sd)[trusted].min(axis=0), (points + sd)[trusted].max(axis=0)
    span = max(float((high - low).max()), _LEAST_SPAN)
    wider = float((np.maximum(high, 0) - np.minimum(low, 0)).max())
    if wider <= _WIDEN * span:
        low, high, span = np.minimum(low, 0), np.maximum(high, 0), max(wider, _LEAST_SPAN)
    return Square((low + high) / 2, 0.58 * span)


def _frame(panel: Axes, points: Floats, frame: Square) -> None:
    plan_view.set_frame(panel, frame.middle, frame.half)
    if not frame.holds(0.0, 0.0):
        _point_to_pole(panel, frame)
    outside = int(np.sum((np.abs(points - frame.middle) > frame.half).any(axis=1)))
    if outside:
        corner_note(panel, f"{phrases.counted(outside, 'point')} outside the frame", top=True)


def _point_to_pole(panel: Axes, frame: Square) -> None:
    """Draw an arrow at the frame toward the pole, with its words on the inner side, clear of the arrow."""
    away = -frame.middle / np.hypot(*frame.middle)
    tip = 0.94 * away / np.abs(away).max()
    tail = tip - 0.22 * away
    share: dict[str, Any] = {"xycoords": panel.transAxes, "textcoords": panel.transAxes}
    arrow = {"arrowstyle": "->", "color": colour("soft"), "shrinkA": 0.0, "shrinkB": 0.0}
    panel.annotate("", (tip + 1) / 2, (tail + 1) / 2, arrowprops=arrow, zorder=7, **share)
    across, up = np.clip((tail + 1) / 2, 0.02, 0.98)
    panel.text(
        across,
        up,
        f"true pole {np.hypot(*frame.middle):.1f}' this way",
        transform=panel.transAxes,
        ha="left" if tail[0] < -0.3 else "right" if tail[0] > 0.3 else "center",
        va="top" if tip[1] >= tail[1] else "bottom",
        fontsize=7.5,
        color=colour("soft"),
        zorder=7,
    )


def _ends(answer: Answer, blocks: list[Block]) -> tuple[str, str]:
    zone = zone_of(answer.site.site.timezone)
    return _when(blocks[0], zone), _when(blocks[-1], zone)


def _when(block: Block, zone: ZoneInfo) -> str:
    """Return the day of a night, the month of a mean of nights."""
    return day(block.time_us, zone)[: 10 if block.nights == 1 else 7]


def _label(panel: Axes, latitude_deg: float, narrow: bool) -> None:
    right, left = phrases.azimuth_side(1.0, latitude_deg), phrases.azimuth_side(-1.0, latitude_deg)
    gap, of_pole = ("\N{EN SPACE}", "") if narrow else ("\N{EM SPACE}", " of the pole")
    panel.set_xlabel(f"← {left}{of_pole}{gap}[arcmin on the sky]{gap}{right}{of_pole} →")
    panel.set_ylabel(f"← too low{gap}[arcmin]{gap}too high →")


def describe(answer: Answer) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    blocks = path_blocks(answer)
    if not blocks:
        return "No night shows where the axis points yet, so the picture is empty."
    points, _ = on_sky_arcmin(blocks, answer.site.site.latitude_deg)
    latitude = answer.site.site.latitude_deg
    ends = []
    for word, k in (("first", 0), ("latest", -1)):
        axis, sd = blocks[k].axis, np.sqrt(np.diagonal(blocks[k].covariance))
        azimuth = phrases.azimuth_words(axis[0], sd[0], latitude)
        ends.append(f"the {word} lies {azimuth} and {phrases.altitude_words(axis[1], sd[1])}")
    far = np.hypot(*(points - [0.0, aimed_pole_arcmin(answer)]).T)
    return (
        f"The way of the axis on the sky around the {_pole_word(answer)} pole in "
        f"{phrases.counted(len(blocks), 'point')}, each with its ellipse of one standard deviation: "
        f"{'; '.join(ends)}. The angle to that pole runs from {far.min():.2f}' to {far.max():.2f}'."
        f"{limits_sentence(answer, far)}"
    )


def _pole_word(answer: Answer) -> str:
    return "refracted" if aimed_pole_arcmin(answer) else "true"
