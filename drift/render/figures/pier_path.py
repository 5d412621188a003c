"""Path of the pier top over the years, seen from above: one loop a winter, with compass and bolts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.quantities import Bools, Floats, Ints, as_utc, local_date
from drift.render import phrases
from drift.render.figures import plan_view
from drift.render.figures.canvas import (
    LEAST_SPAN,
    WIDE_IN,
    colour,
    house_style,
    is_narrow,
    ramp,
    set_title,
    write_empty,
    zero_line,
)
from drift.render.figures.seasons import season_day
from drift.render.phrases import clock_text, toward, zone_of
from drift.render.tables.axis import Table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.types import Analysis, History


#: A loop with more readings than this is thinned.
POINTS = 150
#: The frame's half side against the furthest point of the path from the start: room for bolts and compass.
_ROOM = 1.3
_BOLT_INSET = 0.07
#: Corners of the frame by bearing: where the compass may stand, the first choice first.
_CORNERS = {45.0: (0.82, 0.82), 315.0: (0.02, 0.82), 135.0: (0.82, 0.02), 225.0: (0.02, 0.02)}
#: A compass so near to a bolt would touch it [deg of bearing].
_NEAR_DEG = 25.0
#: Number of latest loops that are named at their furthest point.
_NAMED = 6


@dataclass(frozen=True)
class Loop:
    """One year from midsummer to midsummer: its name, and the tilt (east, north) at its readings [arcsec]."""

    name: str
    rows: Ints = field(repr=False)
    points: Floats = field(repr=False)  # (n, 2)


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
        Arcseconds of tilt about the start, which is in the middle; one line a winter, the latest bold.  The
        ellipses at the latest reading are one standard deviation of the difference against the start; north
        and east are taken as independent.  Bolts stand around the start in their bearing, not to scale.
    """
    with house_style():
        loops = loops_of(analysis)
        words = _words(analysis, loops) if loops else []
        sheet_figure, panel = plan_view.square_sheet(ax, width_in, [text for _, text in words], strip=False)
        _label(panel, is_narrow(width_in))
        if not loops:
            write_empty(panel, "No tilt of the pier\nis known yet.")
            return sheet_figure
        zero_line(panel)
        zero_line(panel, upright=True)
        half = _half(loops)
        plan_view.set_frame(panel, np.zeros(2), half)
        for k, loop in enumerate(loops):
            _loop(panel, loop, k, len(loops))
        _ends_of_path(panel, analysis.history, loops)
        _names(panel, loops, half)
        _bolts(panel, analysis, half)
        _compass(panel, analysis.site.plate.bolt_bearings_deg or ())
        plan_view.words_beside(panel, words, width_in, strip=False)
        set_title(panel, "Tilt of the pier top, seen from above", "", width_in)
        return sheet_figure


def loops_of(analysis: Analysis) -> list[Loop]:
    """Cut the path into seasons, the earliest first; each begins where the one before it ended."""
    history, south = analysis.history, analysis.site.site.latitude_deg < 0.0
    known = np.flatnonzero(np.isfinite(history.change[:, :2]).all(axis=1))
    rows: dict[tuple[int, str], list[int]] = {}
    for row in known.tolist():
        year, name, _ = season_day(as_utc(int(history.time_us[row])), south)
        rows.setdefault((year, name), []).append(row)
    loops, before = [], None
    for (_, name), found in sorted(rows.items()):
        every = max(1, len(found) // POINTS)
        kept = np.array([*([] if before is None else [before]), *found[::every], found[-1]])
        kept = np.unique(kept)
        loops.append(Loop(name, kept, history.change[kept][:, [1, 0]]))
        before = found[-1]
    return loops


def _half(loops: list[Loop]) -> float:
    """Return half the side of the frame, so that the path and the bolts around the start have room."""
    far = max(float(np.abs(loop.points).max()) for loop in loops)
    return max(far, LEAST_SPAN) * _ROOM


def _loop(panel: Axes, loop: Loop, k: int, count: int) -> None:
    latest = k == count - 1
    panel.plot(
        *loop.points.T,
        color=ramp(k, count),
        linewidth=2.6 if latest else 1.3,
        solid_joinstyle="round",
        zorder=3 + k / count,
        label=loop.name,
    )


def _ends_of_path(panel: Axes, history: History, loops: list[Loop]) -> None:
    """Mark the start and the latest reading, the latter with its uncertainty."""
    from matplotlib.patches import Ellipse

    east_sd, north_sd = np.nan_to_num(history.sd[loops[-1].rows[-1], [1, 0]])
    latest, hue = loops[-1].points[-1], ramp(1, 2)
    panel.add_patch(Ellipse(tuple(latest), 2 * east_sd, 2 * north_sd, color=hue, alpha=0.25, linewidth=0))
    panel.plot(0.0, 0.0, "s", color=ramp(0, 2), **plan_view.end_look())
    panel.plot(*latest, "D", color=hue, **plan_view.end_look())


def _names(panel: Axes, loops: list[Loop], half: float) -> None:
    """Name the latest loops where they are furthest from the start, none over another."""
    taken: list[Floats] = []
    for k, loop in list(enumerate(loops))[::-1][:_NAMED]:
        at = loop.points[int(np.argmax(np.hypot(*loop.points.T)))]
        place = at + 0.07 * half * at / max(float(np.hypot(*at)), 1e-9)
        if len(loop.rows) < 3 or any(
            (np.abs(place - one) < half * np.array([0.25, 0.08])).all() for one in taken
        ):
            continue
        taken.append(place)
        panel.text(
            float(place[0]),
            float(place[1]),
            loop.name,
            ha="center",
            va="center",
            fontsize=7,
            fontweight="bold" if k == len(loops) - 1 else "normal",
            color=colour("ink"),
            zorder=6,
            bbox={"facecolor": colour("ground"), "alpha": 0.7, "linewidth": 0, "pad": 0.4},
        )


def _bolts(panel: Axes, analysis: Analysis, half: float) -> None:
    for bearing in analysis.site.plate.bolt_bearings_deg or ():
        look: dict[str, Any] = {
            "markersize": 10,
            "markeredgecolor": colour("ink"),
            "markerfacecolor": colour("grid"),
        }
        where = plan_view.edge_point(np.zeros(2), half, bearing, _BOLT_INSET)
        panel.plot(*where, "h", zorder=5, **look)
        _bolt_label(panel, f"bolt {bearing:g}°", where, np.array(where) / half)


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


def _swing(history: History) -> tuple[float, float] | None:
    """Return bearing [deg] and length [arcsec] of the seasonal swing."""
    seasonal = history.seasonal
    if seasonal is None or seasonal.toward_bearing_deg is None or not phrases.known(seasonal.peak_to_trough):
        return None
    return seasonal.toward_bearing_deg, seasonal.peak_to_trough


def _words(analysis: Analysis, loops: list[Loop]) -> list[tuple[Any, str]]:
    from matplotlib.lines import Line2D

    history = analysis.history
    rows = np.concatenate([loop.rows for loop in loops])
    single = rows.size == 1
    words = plan_view.ends_of(*_ends(analysis, rows), single)
    if not single:
        words.append((Line2D([], [], color="none"), f"tilt since the start: {_tilt_now(history, rows)}"))
        words.append((plan_view.tinted_patch("time7", 0.25), "one standard deviation of the latest"))
    swing = _swing(history)
    if swing is not None and history.seasonal is not None:
        size = phrases.any_angle(swing[1], history.seasonal.peak_to_trough_sd)
        swing_text = f"the season's swing: {size} from least to most, {toward(swing[0])}"
        words.append((Line2D([], [], color="none"), swing_text))
    if analysis.site.plate.bolt_bearings_deg:
        bolt = Line2D([], [], marker="h", linestyle="none", markersize=8, markeredgecolor=colour("ink"))
        bolt.set_markerfacecolor(colour("grid"))
        words.append((bolt, "the plate's bolts, around the start in their bearing, not to scale"))
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
    """Return why there is nothing to draw; "" where there is something."""
    known: Bools = np.isfinite(analysis.history.change[:, :2]).all(axis=1)
    if known.sum() > 1:
        return ""
    return "The path of the pier top needs its tilt, both north and east, at two readings at least."


def describe(analysis: Analysis) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    history, loops = analysis.history, loops_of(analysis)
    if not loops:
        return "No tilt of the pier is known yet, so the picture is empty."
    rows = np.concatenate([loop.rows for loop in loops])
    first, latest = _ends(analysis, rows)
    swing = _swing(history)
    season = (
        "" if swing is None else f" With the season it swings by {swing[1]:.0f} arcsec {toward(swing[0])}."
    )
    return (
        "Path of the pier top seen from above, north up and east to the right, in "
        f"{phrases.counted(len(loops), 'loop')}, one a winter, from {first} to {latest}. The tilt since the "
        f"start is {_tilt_now(history, rows)}.{season}"
    )


def table(analysis: Analysis) -> Table:
    """The points of the path of the pier top."""
    zone, history = zone_of(analysis.site.site.timezone), analysis.history
    rows = [
        (
            loop.name,
            clock_text(history.time_us[k], zone),
            *(phrases.plain_pair(history.change[k, c], history.sd[k, c]) for c in (0, 1)),
        )
        for loop in loops_of(analysis)
        for k in loop.rows
    ]
    return Table(
        "Path of the pier top",
        ("winter", "when", 'tilt toward north ["]', 'tilt toward east ["]'),
        tuple(rows),
        numeric=frozenset({2, 3}),
        note="Tilt since the start in arcseconds, ± one standard deviation of the difference.",
    )
