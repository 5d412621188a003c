"""How far the axis may be off, in the picture of its way: the shade beyond the warning limit, and a ruler.

The limit has one edge, the one beyond which the owner wants to be warned.  What the
optics tolerate stands on a straight ruler, as a second edge round the pole would
hide the path in rings.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from drift.advice.words import plain_arcmin
from drift.quantities import Floats
from drift.show import phrases
from drift.show.figures.palette import colour
from drift.show.figures.square import Square
from drift.show.figures.tolerance import aimed_pole_arcmin, tolerated

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from drift.answer import Answer

_SHADE = 0.16
#: Points of the edge of the shade, all round.
_EDGE_POINTS = 361
#: Words stand at least this share of half the frame inside of it.
_INSET = 0.16
#: Half the length of the ruler's stroke, as a share of half the frame.
_STROKE = 0.035


def draw_beyond(panel: Axes, answer: Answer, frame: Square, points: Floats) -> None:
    """Shade all that lies beyond the warning limit, and write the limit at the edge."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    limit, pole = answer.site.warn.axis_arcmin, _pole(answer)
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
    panel.add_patch(PathPatch(beyond, facecolor=colour("mount"), alpha=_SHADE, linewidth=0, zorder=0.2))
    if nearest < limit:
        edge = rings[1]
        panel.plot(*edge.T, color=colour("mount"), linewidth=1.2, scalex=False, scaley=False, zorder=0.3)
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


def beyond_words(answer: Answer, frame: Square) -> list[tuple[Any, str]]:
    """Return the mark of the shade with its words; where it fills the frame or none of it, that is said."""
    from matplotlib.patches import Patch

    limit = answer.site.warn.axis_arcmin
    if limit is None:
        return []
    nearest, furthest = frame.reach(_pole(answer))
    shaded = Patch(facecolor=colour("mount"), alpha=2 * _SHADE, linewidth=0)
    if nearest >= limit:
        return [(shaded, f"all of the frame is beyond {limit:g}', from where you want to be warned")]
    if furthest <= limit:
        return [(_no_mark(), f"all of the frame is within {limit:g}', from where you want to be warned")]
    return [(shaded, f"beyond {limit:g}' from the pole: you want to be warned")]


def draw_ruler(panel: Axes, answer: Answer, frame: Square, latest: Floats) -> None:
    """Draw a line from the pole toward the latest point, with a stroke where the optics' tolerance ends."""
    end = _ruler_end(answer, frame, latest)
    if end is None:
        return
    pole, (along, tolerance) = _pole(answer), end
    tip = max(tolerance, float(np.hypot(*(latest - pole))))
    look: dict[str, Any] = {"color": colour("allowed"), "zorder": 2.5, "scalex": False, "scaley": False}
    panel.plot(*np.array([pole, pole + tip * along]).T, linewidth=1.0, **look)
    at, across = pole + tolerance * along, _STROKE * frame.half * np.array([-along[1], along[0]])
    panel.plot(*np.array([at - across, at + across]).T, linewidth=2.2, **look)
    side = 1.0 if across[0] >= 0.0 else -1.0
    beside = at + side * (across + 0.02 * frame.half * np.sign(across))
    _words_at(panel, beside, plain_arcmin(tolerance), "left")


def ruler_words(answer: Answer, frame: Square, latest: Floats) -> list[tuple[Any, str]]:
    """Return the mark of the ruler with its words; where its stroke lies outside the frame, that is said."""
    from matplotlib.lines import Line2D

    tolerance = tolerated(answer)
    if tolerance is None:
        return []
    most = f"your most demanding use tolerates {plain_arcmin(tolerance.arcmin)} ({tolerance.name})"
    if _ruler_end(answer, frame, latest) is None:
        return [(_no_mark(), f"{most}; that is outside the frame")]
    mark = Line2D(
        [], [], color=colour("allowed"), linewidth=1.0, marker="|", markersize=8, markeredgewidth=2.2
    )
    return [(mark, f"{most}: the stroke across the line from the pole")]


def _ruler_end(answer: Answer, frame: Square, latest: Floats) -> tuple[Floats, float] | None:
    """Return the ruler's direction and where its stroke is [arcmin]; None where that is not in the frame."""
    tolerance, away = tolerated(answer), latest - _pole(answer)
    if tolerance is None or not np.any(away):
        return None
    along = away / np.hypot(*away)
    if not frame.holds(*(_pole(answer) + tolerance.arcmin * along)):
        return None
    return along, tolerance.arcmin


def limits_sentence(answer: Answer, far: Floats) -> str:
    """Say how many points lie beyond the warning limit, and what the most demanding use tolerates."""
    limit, tolerance = answer.site.warn.axis_arcmin, tolerated(answer)
    said = ""
    if limit is not None:
        beyond = int(np.sum(far > limit))
        lie = "lies" if beyond == 1 else "lie"
        said += f" Beyond the warning limit of {limit:g}', shaded, {lie} {phrases.counted(beyond, 'point')}."
    if tolerance is not None:
        said += f" The most demanding use tolerates {plain_arcmin(tolerance.arcmin)} ({tolerance.name})."
    return said


def _pole(answer: Answer) -> Floats:
    return np.array([0.0, aimed_pole_arcmin(answer)])


def _edge(pole: Floats, limit: float) -> Floats:
    """Return the edge of the limit, run through clockwise so that it is a hole in the shade."""
    turn = -np.linspace(0.0, 2.0 * np.pi, _EDGE_POINTS)
    return pole + limit * np.stack([np.cos(turn), np.sin(turn)], axis=1)


def _no_mark() -> Any:
    from matplotlib.patches import Patch

    return Patch(facecolor="none", linewidth=0)
