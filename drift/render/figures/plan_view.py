"""Shared by the two paths: a square frame, blocks of nights, ellipses, the colours of time."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.quantities import DAY_US, Bools, Floats
from drift.render.figures.canvas import TIME_RAMP, colour, is_narrow, sheet
from drift.types import NightAxis

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


# ---- The square frame of a picture seen from above or toward the pole.


@dataclass(frozen=True)
class Square:
    """A square frame: its middle (2,) and half its side, in the units of the picture."""

    middle: Floats
    half: float

    def holds(self, across: float, up: float, inset: float = 0.0) -> bool:
        """Whether a point lies in it, at least `inset` of its half side from the edge."""
        return bool(self.inside(np.array([[across, up]]), inset)[0])

    def inside(self, points: Floats, inset: float = 0.0) -> Bools:
        """Return which of the points (n, 2) lie in it."""
        return np.asarray(np.abs(points - self.middle).max(axis=1) <= (1.0 - inset) * self.half)

    def reach(self, point: Floats) -> tuple[float, float]:
        """Return the least and the greatest distance of the frame's area from a point (2,)."""
        away = np.abs(np.asarray(point) - self.middle)
        return float(np.hypot(*np.clip(away - self.half, 0.0, None))), float(np.hypot(*(away + self.half)))


# ---- Nights taken together in blocks, for a path over years.


#: Up to so many nights each is a point.
SINGLE_NIGHTS = 36
#: Number of blocks of longer records, about.
BLOCKS = 48


@dataclass(frozen=True)
class Block:
    """The mean axis of a few neighbouring nights: (az_error, alt_error) with covariance [arcsec]."""

    time_us: int
    nights: int
    epoch: int  # how many known changes came before
    axis: Floats = field(repr=False)  # (2,)
    covariance: Floats = field(repr=False)  # (2, 2)


def blocks_of(nights: Iterable[NightAxis], changes_us: Sequence[int]) -> list[Block]:
    """Average neighbouring nights, never across a known change.

    Parameters
    ----------
    nights
        All nights in time order; those without a usable axis are left out.
    changes_us
        Times of corrections and of the first readings after events: a block begins there.

    Notes
    -----
    Within a block nights are weighted by their own covariance, widened by their scatter where that
    is larger.  What the instrument's constants add is common to all nights and does not average
    down, so its mean is added to the block as it is.
    """
    usable = _usable(list(nights))
    changes = sorted(changes_us)
    return [_mean(group, _epoch(group[0], changes)) for group in _groups(usable, changes)]


def _epoch(night: NightAxis, changes_us: list[int]) -> int:
    return int(np.searchsorted(changes_us, night.time_us, side="right"))


def _usable(nights: list[NightAxis]) -> list[NightAxis]:
    """Return the nights that know both coordinates, with a covariance that can be used."""
    if not nights:
        return []
    axis = np.array([night.estimate[:2] for night in nights])
    own = np.array([night.own_covariance[:2, :2] for night in nights])
    full = np.array([night.covariance[:2, :2] for night in nights])
    known = np.isfinite(np.concatenate([axis, own.reshape(-1, 4), full.reshape(-1, 4)], axis=1)).all(axis=1)
    known[known] = (np.linalg.eigvalsh(own[known]) > 0).all(axis=1)
    return [night for night, good in zip(nights, known, strict=True) if good]


def _groups(nights: list[NightAxis], changes_us: list[int]) -> list[list[NightAxis]]:
    if len(nights) <= SINGLE_NIGHTS:
        return [[night] for night in nights]
    longest = max((nights[-1].time_us - nights[0].time_us) / BLOCKS, 10.0 * DAY_US)
    groups: list[list[NightAxis]] = []
    for night in nights:
        if (
            groups
            and night.time_us - groups[-1][0].time_us <= longest
            and _epoch(night, changes_us) == _epoch(groups[-1][-1], changes_us)
        ):
            groups[-1].append(night)
        else:
            groups.append([night])
    return groups


def _mean(group: list[NightAxis], epoch: int) -> Block:
    axis = np.array([night.estimate[:2] for night in group])
    own = np.array([night.own_covariance[:2, :2] for night in group])
    shared = np.mean([night.covariance[:2, :2] for night in group], axis=0) - np.mean(own, axis=0)
    whitening = np.linalg.cholesky(own)
    # weighted mean of A m = y with each night whitened by its own covariance (QR inside lstsq)
    white = np.linalg.solve(whitening, np.broadcast_to(np.eye(2), whitening.shape))
    design = white.reshape(-1, 2)
    target = (white @ axis[:, :, None]).ravel()
    q, r = np.linalg.qr(design)
    mean = np.linalg.solve(r, q.T @ target)
    half = np.linalg.solve(r, np.eye(2))
    free = 2 * (len(group) - 1)
    scatter = float(np.sum((target - design @ mean) ** 2)) / free if free else 1.0
    covariance = half @ half.T * max(1.0, scatter) + _positive(shared)
    return Block(int(np.mean([night.time_us for night in group])), len(group), epoch, mean, covariance)


def _positive(matrix: Floats) -> Floats:
    """Return the nearest matrix without negative directions, for a difference of two covariances."""
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    return (vectors * np.clip(values, 0.0, None)) @ vectors.T


# ---- Drawing a path: ellipses, colours of time, words beside it.


#: Side of the square frame on a wide sheet; on a phone it takes the whole width [inches].
_SIDE_IN = 4.3
_LEFT_IN, _RIGHT_IN = 0.64, 0.12
#: Room below the frame for its label and for the strip of time [inches].
_LABEL_IN, _STRIP_IN = 0.2, 0.26
#: Where the words begin below the frame on a phone [inches].
_WORDS_IN = 0.92
_LINE_IN = 0.165
#: Letters in one line of the words, beside the frame and below it.
_LETTERS_BESIDE, _LETTERS_BELOW = 34, 49


@dataclass(frozen=True)
class PathPoints:
    """Points of a path in the frame with their covariance, in time order."""

    points: Floats = field(repr=False)  # (n, 2) across, up
    covariances: Floats = field(repr=False)  # (n, 2, 2)
    time_us: Any = field(repr=False)  # (n,)
    epoch: Sequence[int] = field(repr=False)  # a jump lies between points of unlike epochs


def square_sheet(
    ax: Any, width_in: float, letters: Sequence[str], *, strip: bool = True
) -> tuple[Figure, Axes]:
    """Return a figure with one square panel and room for the words, beside it or below.

    Parameters
    ----------
    ax
        None for a new figure, or an Axes to draw in.
    width_in
        Width of a new figure [inches].
    letters
        The words that will be set by `words_beside`.
    strip
        Whether there will be a strip of time below the frame.
    """
    side = width_in - _LEFT_IN - _RIGHT_IN if is_narrow(width_in) else _SIDE_IN
    lines = sum(len(_wrapped(text, width_in)) for text in letters)
    below = _LABEL_IN + (_STRIP_IN if strip else 0.0)
    below += lines * _LINE_IN + 0.2 if is_narrow(width_in) else 0.0
    figure, (panel,) = sheet(ax, (side,), width_in, below_in=below, share_time=False)
    if ax is None:
        place = panel.get_position()
        panel.set_position((place.x0, place.y0, side / width_in, place.height))
        panel.yaxis.set_label_coords(-0.47 / side, 0.5)
    panel.set_aspect("equal", adjustable="box")
    return figure, panel


def _wrapped(text: str, width_in: float) -> list[str]:
    letters = _LETTERS_BELOW if is_narrow(width_in) else _LETTERS_BESIDE
    return textwrap.wrap(text, letters) or [""]


def shades(time_us: Any) -> list[str]:
    """Return the colour of each time, from the earliest to the latest."""
    times = np.asarray(time_us, dtype=float)
    span = times[-1] - times[0] if times.size else 0.0
    share = (times - times[0]) / span if span > 0 else np.ones(times.size)
    return [colour(TIME_RAMP[round(s * (len(TIME_RAMP) - 1))]) for s in share]


def draw_path(panel: Axes, way: PathPoints) -> None:
    """Draw the path: ellipses of one standard deviation, points, lines dotted across jumps."""
    from matplotlib.collections import EllipseCollection, LineCollection

    hues = shades(way.time_us)
    values, vectors = np.linalg.eigh(way.covariances)
    across, along = 2 * np.sqrt(np.clip(values, 0.0, None)).T
    turn = np.degrees(np.arctan2(vectors[:, 1, 1], vectors[:, 0, 1]))
    panel.add_collection(
        EllipseCollection(
            along,
            across,
            turn,
            units="xy",
            offsets=way.points,
            offset_transform=panel.transData,
            facecolors=hues,
            alpha=0.22,
            linewidths=0,
            zorder=1,
        )
    )
    if len(way.points) > 1:
        jumps = np.diff(way.epoch) != 0
        panel.add_collection(
            LineCollection(
                list(np.stack([way.points[:-1], way.points[1:]], axis=1)),
                colors=hues[1:],
                linewidths=0.9,
                linestyles=[":" if jump else "-" for jump in jumps],
                zorder=2,
            )
        )
    panel.scatter(way.points[:, 0], way.points[:, 1], s=13, c=hues, linewidths=0, zorder=3)
    _mark_ends(panel, way.points, hues)


def _mark_ends(panel: Axes, points: Floats, hues: list[str]) -> None:
    """Set the first point apart as a square and the latest as a diamond."""
    if len(points) > 1:
        panel.plot(*points[0], "s", color=hues[0], **end_look())
    panel.plot(*points[-1], "D", color=hues[-1], **end_look())


def end_look() -> dict[str, Any]:
    """Return how the first and the latest point are drawn."""
    return {"markersize": 7.5, "markeredgecolor": colour("ink"), "markeredgewidth": 1.0, "zorder": 6}


def set_frame(panel: Axes, middle: Floats, half: float) -> None:
    """Set the limits of the square frame about its middle."""
    panel.set_xlim(middle[0] - half, middle[0] + half)
    panel.set_ylim(middle[1] - half, middle[1] + half)


def ends_of(first: str, latest: str, single: bool) -> list[tuple[Any, str]]:
    """Return the words of the two ends with their marks."""
    ends = [] if single else [(_mark("s", TIME_RAMP[0]), f"first, {first}")]
    return [*ends, (_mark("D", TIME_RAMP[-1]), f"latest, {latest}")]


def _mark(shape: str, hue: str) -> Any:
    from matplotlib.lines import Line2D

    return Line2D([], [], marker=shape, color=colour(hue), linestyle="none", **end_look())


def tinted_patch(hue: str, alpha: float) -> Any:
    """Return a patch of a colour, to stand before words."""
    from matplotlib.patches import Patch

    return Patch(facecolor=colour(hue), alpha=alpha, linewidth=0)


def words_beside(
    panel: Axes, items: Sequence[tuple[Any, str]], width_in: float, *, strip: bool = True
) -> None:
    """Write marks with their words beside the frame, on a phone below it and below the strip of time."""
    narrow = is_narrow(width_in)
    below = (_WORDS_IN if strip else _WORDS_IN - _STRIP_IN) / (width_in - _LEFT_IN - _RIGHT_IN)
    panel.legend(
        [mark for mark, _ in items],
        ["\n".join(_wrapped(text, width_in)) for _, text in items],
        loc="upper left",
        bbox_to_anchor=(0.0, -below) if narrow else (1.02, 1.0),
        frameon=False,
        fontsize=7.5 if narrow else 8,
        handlelength=1.6,
        labelspacing=0.55,
        borderpad=0.0,
        borderaxespad=0.0,
    )


def time_strip(panel: Axes, first: str, latest: str, single: bool) -> None:
    """Draw the colours of time as a strip below the frame, with the dates of its ends."""
    if single:
        return
    height = _side_in(panel)
    strip = panel.inset_axes((0.0, -(_LABEL_IN + 0.42) / height, 1.0, 0.07 / height))
    strip.bar(
        np.arange(len(TIME_RAMP)), 1.0, width=1.0, align="edge", color=[colour(name) for name in TIME_RAMP]
    )
    strip.set_xlim(0, len(TIME_RAMP))
    strip.set_ylim(0, 1)
    strip.set_axis_off()
    for where, text, side in ((0.0, first, "left"), (1.0, latest, "right")):
        strip.annotate(
            text,
            (where, 0),
            xycoords="axes fraction",
            xytext=(0, -2),
            textcoords="offset points",
            ha=side,
            va="top",
            fontsize=7.5,
            color=colour("soft"),
        )


def _side_in(panel: Axes) -> float:
    return float(panel.get_position().height * panel.figure.bbox.height / panel.figure.dpi)


def edge_point(middle: Floats, half: float, bearing_deg: float, inset: float) -> tuple[float, float]:
    """Return where a bearing from the middle meets the frame, less `inset` of its half side."""
    east, north = math.sin(math.radians(bearing_deg)), math.cos(math.radians(bearing_deg))
    reach = half * (1.0 - inset) / max(abs(east), abs(north))
    return float(middle[0] + reach * east), float(middle[1] + reach * north)
