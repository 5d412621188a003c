"""The path of the axis over the years, as seen when looking toward the pole."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.quantities import Floats, local_date
from drift.render import phrases
from drift.render.figures import plan_view
from drift.render.figures.canvas import (
    WIDE_IN,
    colour,
    corner_note,
    house_style,
    is_narrow,
    set_title,
    write_empty,
)
from drift.render.figures.plan_view import Block, PathPoints, Square, blocks_of
from drift.render.phrases import plain_arcmin, zone_of
from drift.render.tables.axis import Table, aimed_pole_arcmin, tolerated

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.types import Analysis


# ---- The shade beyond the warning limit, and a ruler.
#
# The limit has one edge, the one beyond which the owner wants to be warned.  What the
# optics tolerate stands on a straight ruler, as a second edge round the pole would
# hide the path in rings.


_SHADE = 0.16
#: Points of the edge of the shade, all round.
_EDGE_POINTS = 361
#: Words stand at least this share of half the frame inside of it.
_INSET = 0.16
#: Half the length of the ruler's stroke, as a share of half the frame.
_STROKE = 0.035


def draw_beyond(panel: Axes, analysis: Analysis, frame: Square, points: Floats) -> None:
    """Shade all that lies beyond the warning limit, and write the limit at the edge."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    limit, pole = analysis.site.warn.axis_arcmin, _pole(analysis)
    if limit is None:
        return
    nearest, furthest = frame.reach(pole)
    if furthest <= limit:
        return
    corners = frame.middle + 1.5 * frame.half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]])
    rings: list[Floats] = [corners]
    if nearest < limit:
        rings.append(_edge(pole, limit))
    codes = [[Path.MOVETO, *[Path.LINETO] * (len(ring) - 1)] for ring in rings]
    beyond = Path(np.concatenate(rings), np.concatenate(codes))
    panel.add_patch(PathPatch(beyond, facecolor=colour("soft"), alpha=_SHADE, linewidth=0, zorder=0.2))
    if nearest < limit:
        edge = rings[1]
        panel.plot(*edge.T, color=colour("allowed"), linewidth=1.2, scalex=False, scaley=False, zorder=0.3)
        _write_limit(panel, limit, edge[frame.inside(edge, _INSET)], points)


def _write_limit(panel: Axes, limit: float, edge: Floats, points: Floats) -> None:
    """Write the limit at that place of the edge which is furthest from the path."""
    if not edge.size:
        return
    clear = np.hypot(*(edge[:, None] - points[None]).transpose(2, 0, 1)).min(axis=1)
    _words_at(panel, edge[int(np.argmax(clear))], f"{limit:g}'")


def _words_at(panel: Axes, where: Floats, words: str, side: str = "center") -> None:
    box = {"facecolor": colour("ground"), "alpha": 0.8, "linewidth": 0, "pad": 1.2}
    panel.text(
        where[0], where[1], words, ha=side, va="center", fontsize=8, color=colour("ink"), bbox=box, zorder=7
    )


def beyond_words(analysis: Analysis, frame: Square) -> list[tuple[Any, str]]:
    """Return the mark of the shade with its words; where it fills the frame or none of it, that is said."""
    from matplotlib.patches import Patch

    limit = analysis.site.warn.axis_arcmin
    if limit is None:
        return []
    nearest, furthest = frame.reach(_pole(analysis))
    shaded = Patch(facecolor=colour("soft"), alpha=2 * _SHADE, linewidth=0)
    if nearest >= limit:
        return [(shaded, f"all of the frame is beyond {limit:g}', from where you want to be warned")]
    if furthest <= limit:
        return [(_no_mark(), f"all of the frame is within {limit:g}', from where you want to be warned")]
    return [(shaded, f"beyond {limit:g}' from the pole: you want to be warned")]


def draw_ruler(panel: Axes, analysis: Analysis, frame: Square, latest: Floats) -> None:
    """Draw a line from the pole toward the latest point, with a stroke where the optics' tolerance ends."""
    end = _ruler_end(analysis, frame, latest)
    if end is None:
        return
    pole, (along, tolerance) = _pole(analysis), end
    tip = max(tolerance, float(np.hypot(*(latest - pole))))
    look: dict[str, Any] = {"color": colour("ink"), "zorder": 2.5, "scalex": False, "scaley": False}
    panel.plot(*np.array([pole, pole + tip * along]).T, linewidth=1.0, **look)
    at, across = pole + tolerance * along, _STROKE * frame.half * np.array([-along[1], along[0]])
    panel.plot(*np.array([at - across, at + across]).T, linewidth=2.2, **look)
    side = 1.0 if across[0] >= 0.0 else -1.0
    beside = at + side * (across + 0.02 * frame.half * np.sign(across))
    _words_at(panel, beside, plain_arcmin(tolerance), "left")


def ruler_words(analysis: Analysis, frame: Square, latest: Floats) -> list[tuple[Any, str]]:
    """Return the mark of the ruler with its words; where its stroke lies outside the frame, that is said."""
    from matplotlib.lines import Line2D

    tolerance = tolerated(analysis)
    if tolerance is None:
        return []
    most = f"your most demanding use tolerates {plain_arcmin(tolerance.arcmin)} ({tolerance.name})"
    if _ruler_end(analysis, frame, latest) is None:
        return [(_no_mark(), f"{most}; that is outside the frame")]
    mark = Line2D([], [], color=colour("ink"), linewidth=1.0, marker="|", markersize=8, markeredgewidth=2.2)
    return [(mark, f"{most}: the stroke across the line from the pole")]


def _ruler_end(analysis: Analysis, frame: Square, latest: Floats) -> tuple[Floats, float] | None:
    """Return the ruler's direction and where its stroke is [arcmin]; None where that is not in the frame."""
    tolerance, away = tolerated(analysis), latest - _pole(analysis)
    if tolerance is None or not np.any(away):
        return None
    along = away / np.hypot(*away)
    if not frame.holds(*(_pole(analysis) + tolerance.arcmin * along)):
        return None
    return along, tolerance.arcmin


def limits_sentence(analysis: Analysis, far: Floats) -> str:
    """Say how many points lie beyond the warning limit, and what the most demanding use tolerates."""
    limit, tolerance = analysis.site.warn.axis_arcmin, tolerated(analysis)
    text = ""
    if limit is not None:
        beyond = int(np.sum(far > limit))
        lie = "lies" if beyond == 1 else "lie"
        text += f" Beyond the warning limit of {limit:g}', shaded, {lie} {phrases.counted(beyond, 'point')}."
    if tolerance is not None:
        text += f" The most demanding use tolerates {plain_arcmin(tolerance.arcmin)} ({tolerance.name})."
    return text


def _pole(analysis: Analysis) -> Floats:
    return np.array([0.0, aimed_pole_arcmin(analysis)])


def _edge(pole: Floats, limit: float) -> Floats:
    """Return the edge of the limit, run through clockwise so that it is a hole in the shade."""
    turn = -np.linspace(0.0, 2.0 * np.pi, _EDGE_POINTS)
    return pole + limit * np.stack([np.cos(turn), np.sin(turn)], axis=1)


def _no_mark() -> Any:
    from matplotlib.patches import Patch

    return Patch(facecolor="none", linewidth=0)


# ---- The picture.


#: The pole is taken into the frame when that makes the frame at most so many times larger.
_WIDEN = 3.5
_LEAST_SPAN = 0.4  # [arcmin]


def figure(analysis: Analysis, ax: Any = None, *, width_in: float = WIDE_IN) -> Figure:
    """Draw where the axis has pointed, in arcminutes on the sky from the true pole.

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
        To the right is clockwise along the horizon: east at a north pole, west at a south pole.  Each
        point is a night or the mean of a few neighbouring nights, with the ellipse of one standard
        deviation; colour goes with time.  What lies beyond the warning limit is shaded.  A ruler from the
        pole that is aimed at toward the latest point has a stroke where the most demanding use of the
        optics ends.
    """
    with house_style():
        blocks = path_blocks(analysis)
        points, covariances = on_sky_arcmin(blocks, analysis.site.site.latitude_deg)
        frame = _frame_of(points, covariances) if blocks else None
        words = _words(analysis, blocks, points, frame) if frame else []
        sheet_figure, panel = plan_view.square_sheet(
            ax, width_in, [text for _, text in words], strip=len(blocks) > 1
        )
        _label(panel, analysis.site.site.latitude_deg, is_narrow(width_in))
        if frame is None:
            write_empty(panel, "No night shows where\nthe axis points yet.")
            return sheet_figure
        times = [block.time_us for block in blocks]
        plan_view.draw_path(panel, PathPoints(points, covariances, times, [block.epoch for block in blocks]))
        _frame(panel, points, frame)
        _poles(panel, aimed_pole_arcmin(analysis))
        draw_beyond(panel, analysis, frame, points)
        draw_ruler(panel, analysis, frame, points[-1])
        first, latest = _ends(analysis, blocks)
        plan_view.time_strip(panel, first, latest, len(blocks) == 1)
        plan_view.words_beside(panel, words, width_in, strip=len(blocks) > 1)
        set_title(panel, "Seen looking toward the pole", "", width_in)
        return sheet_figure


def path_blocks(analysis: Analysis) -> list[Block]:
    """Return the points of the path in time order."""
    history = analysis.history
    changes = [event.before_us for event in history.events] + [found.time_us for found in history.corrections]
    return blocks_of(analysis.nights.nights, changes)


def on_sky_arcmin(blocks: list[Block], latitude_deg: float) -> tuple[Floats, Floats]:
    """Return points (n, 2) and covariances (n, 2, 2) on the sky [arcmin]: azimuth cos(phi), altitude."""
    to_sky = np.array([math.cos(math.radians(latitude_deg)), 1.0]) / 60.0
    points = np.array([block.axis for block in blocks]).reshape(-1, 2) * to_sky
    covariances = np.array([block.covariance for block in blocks]).reshape(-1, 2, 2)
    return points, covariances * np.outer(to_sky, to_sky)


def _words(analysis: Analysis, blocks: list[Block], points: Floats, frame: Square) -> list[tuple[Any, str]]:
    """Return the marks of the picture with what they mean; those that lie outside the frame are left out."""
    from matplotlib.lines import Line2D

    words = plan_view.ends_of(*_ends(analysis, blocks), len(blocks) == 1)
    words.append((plan_view.tinted_patch("time4", 0.3), "one standard deviation, here and all along"))
    refracted = aimed_pole_arcmin(analysis)
    pole: dict[str, Any] = {"linestyle": "none", "color": colour("ink"), "markersize": 8}
    if frame.holds(0.0, 0.0):
        words.append((Line2D([], [], marker="v", **pole), "the true pole"))
    if refracted and frame.holds(0.0, refracted):
        words.append((Line2D([], [], marker="^", **pole), "the refracted pole, at which you aim"))
    return [*words, *beyond_words(analysis, frame), *ruler_words(analysis, frame, points[-1])]


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


def _ends(analysis: Analysis, blocks: list[Block]) -> tuple[str, str]:
    zone = zone_of(analysis.site.site.timezone)
    return _when(blocks[0], zone), _when(blocks[-1], zone)


def _when(block: Block, zone: ZoneInfo) -> str:
    """Return the day of a night, the month of a mean of nights."""
    return local_date(block.time_us, zone)[: 10 if block.nights == 1 else 7]


def _label(panel: Axes, latitude_deg: float, narrow: bool) -> None:
    right, left = phrases.azimuth_side(1.0, latitude_deg), phrases.azimuth_side(-1.0, latitude_deg)
    gap, of_pole = ("\N{EN SPACE}", "") if narrow else ("\N{EM SPACE}", " of the pole")
    panel.set_xlabel(f"← {left}{of_pole}{gap}[arcmin on the sky]{gap}{right}{of_pole} →")
    panel.set_ylabel(f"← too low{gap}[arcmin]{gap}too high →")


def describe(analysis: Analysis) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    blocks = path_blocks(analysis)
    if not blocks:
        return "No night shows where the axis points yet, so the picture is empty."
    points, _ = on_sky_arcmin(blocks, analysis.site.site.latitude_deg)
    latitude = analysis.site.site.latitude_deg
    ends = []
    for word, k in (("first", 0), ("latest", -1)):
        axis, sd = blocks[k].axis, np.sqrt(np.diagonal(blocks[k].covariance))
        azimuth = phrases.azimuth_words(axis[0], sd[0], latitude)
        ends.append(f"the {word} lies {azimuth} and {phrases.altitude_words(axis[1], sd[1])}")
    far = np.hypot(*(points - [0.0, aimed_pole_arcmin(analysis)]).T)
    return (
        f"The path of the axis on the sky around the {_pole_word(analysis)} pole in "
        f"{phrases.counted(len(blocks), 'point')}, each with its ellipse of one standard deviation: "
        f"{'; '.join(ends)}. The angle to that pole runs from {far.min():.2f}' to {far.max():.2f}'."
        f"{limits_sentence(analysis, far)}"
    )


def _pole_word(analysis: Analysis) -> str:
    return "refracted" if aimed_pole_arcmin(analysis) else "true"


def table(analysis: Analysis) -> Table:
    """The points of the path: nights, or means of a few neighbouring nights."""
    zone = zone_of(analysis.site.site.timezone)
    rows = []
    for block in path_blocks(analysis):
        sd = np.sqrt(np.diagonal(block.covariance))
        az, alt = (phrases.plain_pair(block.axis[k] / 60.0, sd[k] / 60.0, most=2) for k in (0, 1))
        rows.append((local_date(block.time_us, zone), str(block.nights), az, alt))
    clockwise = phrases.azimuth_side(1.0, analysis.site.site.latitude_deg)
    return Table(
        "Path of the axis",
        ("about", "nights", "azimuth [']", "altitude [']"),
        tuple(rows),
        numeric=frozenset({1, 2, 3}),
        note=f"Azimuth is the angle along the horizon, positive {clockwise} of the pole.",
    )
