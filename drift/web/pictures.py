"""The pictures of one analysis, each drawn once, with the values under the pointer."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.quantities import Floats, as_utc
from drift.render.catalogue import Picture, picture_named
from drift.render.drawing import Drawn, drawn_picture, pictures_to_draw
from drift.render.figures.canvas import DOTS, FITTED, is_narrow, name_of
from drift.render.figures.seasons import YEAR_SPAN, date_in_season, season_day
from drift.render.phrases import clock_text, evening_of, zone_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

    from drift.types import Analysis


# ---- The pictures of one answer, each drawn once, with the values under the pointer.


#: matplotlib keeps its settings for the whole program: one picture is drawn at a time.
DRAWING = threading.RLock()


@dataclass(frozen=True)
class Pictured:
    """A drawn picture, and the values in it: "wide" or "phone" -> panels, ready for JSON."""

    drawn: Drawn
    values: dict[str, list[dict[str, Any]]]


class Drawings:
    """Draws the pictures of an answer when they are first asked for, and keeps them."""

    def __init__(self, analysis: Analysis) -> None:
        self._analysis = analysis
        self._kept: dict[str, Pictured] = {}
        self.shown, self.left_out = pictures_to_draw(analysis)

    def named(self, name: str) -> Pictured:
        """Return a picture.

        Raises
        ------
        drift.errors.DriftError
            If there is none of that name, or it has nothing to show.
        """
        kept = self._kept.get(name)
        if kept is not None:
            return kept
        with DRAWING:
            if name not in self._kept:
                self._kept[name] = _pictured(picture_named(self._analysis, name), self._analysis)
            return self._kept[name]

    @property
    def ahead(self) -> int:
        """How many pictures are still to be drawn."""
        return sum(picture.name not in self._kept for picture in self.shown)

    def draw_all(self, wanted: Callable[[], bool]) -> None:
        """Draw all pictures beforehand, for as long as they are wanted."""
        for picture in self.shown:
            if not wanted():
                return
            self.named(picture.name)


def _pictured(picture: Picture, analysis: Analysis) -> Pictured:
    figures: dict[str, Figure] = {}

    def remembered(analysis: Analysis, ax: Any = None, *, width_in: float, **look: Any) -> Figure:
        drawn = picture.figure(analysis, ax, width_in=width_in, **look)
        figures["phone" if is_narrow(width_in) else "wide"] = drawn
        return drawn

    drawn = drawn_picture(replace(picture, figure=remembered), analysis)
    return Pictured(drawn, {size: values_of(figure, analysis) for size, figure in figures.items()})


# ---- The values that stand under the pointer in a picture, read from what was drawn.
#
# They are taken from the lines, points, bars and bands of the finished picture, so that what is told can't
# differ from what is shown.


_DAY_US = 86_400_000_000
#: Values between these along a picture are days since 1970: no angle or day of the year is so large.
_FIRST_DAY, _LAST_DAY = 3_000.0, 60_000.0
#: Points kept of one line: beyond this neighbours can't be told apart with a pointer.
_MOST_POINTS = 1_500
#: A line of fewer points is a rule or a limit, and tells nothing of its own.
_LEAST_POINTS = 3


def values_of(figure: Figure, analysis: Analysis) -> list[dict[str, Any]]:
    """Return the panels of a picture with their points.

    Returns
    -------
    list of dict
        ``title``, ``box`` (left, top, right, bottom) and ``points`` (x, y, text, evening); places are shares
        of the picture's width and height from its upper left corner.
    """
    found = []
    evenings = evenings_of(analysis)
    for panel in figure.axes:
        points = _points(panel, figure, analysis, evenings) if panel.axison else []
        if points:
            box = panel.get_position()
            title = (panel.get_title(loc="left") or panel.get_title()).replace("\n", " ")
            edges = [round(float(edge), 4) for edge in (box.x0, 1 - box.y1, box.x1, 1 - box.y0)]
            found.append({"title": title, "box": edges, "points": points})
    return found


def evenings_of(analysis: Analysis) -> frozenset[date]:
    """Return the evenings on which the nights of an answer began."""
    longitude = analysis.site.site.longitude_deg
    return frozenset(evening_of(one.time_us, longitude) for one in analysis.nights.nights)


def _points(panel: Axes, figure: Figure, analysis: Analysis, evenings: frozenset[date]) -> list[list[Any]]:
    by_time = all(_FIRST_DAY < edge < _LAST_DAY for edge in panel.get_xlim())
    # the fitted curve goes through the nights, whose own values are told
    lines = [line for line in panel.lines if _tells(line, panel) and name_of(line) != FITTED]
    spreads = _spreads(panel)
    points: list[list[Any]] = []
    named_lines = [(np.asarray(line.get_xydata(), dtype=float), name_of(line)) for line in lines]
    # the many nights of a long record are one line, of which every second corner is a night
    named_lines += [
        (np.asarray(patch.get_path().vertices, dtype=float)[::2], "")
        for patch in panel.patches
        if name_of(patch) == DOTS
    ]
    for data, name in named_lines:
        data = data[np.isfinite(data).all(axis=1)]
        data = data[:: max(1, -(-len(data) // _MOST_POINTS))]
        places = panel.transData.transform(data) / [figure.bbox.width, figure.bbox.height]
        for (x, y), (across, up) in zip(data.tolist(), places.tolist(), strict=True):
            if -0.01 <= across <= 1.01 and -0.01 <= up <= 1.01:
                said, evening = _words(panel, (x, y), name, spreads, by_time, analysis)
                evening = evening if evening in evenings else None
                points.append([round(across, 4), round(1 - up, 4), said, str(evening or "")])
    return points


def _tells(line: Line2D, panel: Axes) -> bool:
    """Tell whether a line shows values, and is no rule, limit, arrow or error bar."""
    data = np.asarray(line.get_xydata(), dtype=float)
    if line.get_transform() != panel.transData or not line.get_visible():
        return False
    marked = line.get_marker() not in (None, "None", "", " ")
    return marked if _is_bars(data) or len(data) < _LEAST_POINTS else True


def _is_bars(data: Floats) -> bool:
    """Tell whether a line is a row of error bars: two ends and a gap, again and again."""
    gaps = ~np.isfinite(data[:, 1]) if len(data) else np.zeros(0, dtype=bool)
    return len(data) >= 3 and len(data) % 3 == 0 and bool(gaps[2::3].all() and not gaps[0::3].any())


def _spreads(panel: Axes) -> dict[tuple[float, float], float]:
    """Return the half height of the bar or band at each point: (x, middle) -> half height."""
    found: dict[tuple[float, float], float] = {}
    for line in panel.lines:
        data = np.asarray(line.get_xydata(), dtype=float)
        if line.get_transform() == panel.transData and _is_bars(data):
            _note(found, data[0::3, 0], data[0::3, 1], data[1::3, 1])
    for band in panel.collections:
        for path in band.get_paths() if band.get_transform() == panel.transData else ():
            _note_band(found, np.asarray(path.vertices, dtype=float))
    return found


def _note_band(found: dict[tuple[float, float], float], vertices: Floats) -> None:
    ends: dict[float, list[float]] = {}
    for x, y in vertices[np.isfinite(vertices).all(axis=1)].tolist():
        ends.setdefault(x, []).append(y)
    xs = np.array(list(ends), dtype=float)
    if len(xs) >= _LEAST_POINTS:
        low, high = ([pick(ys) for ys in ends.values()] for pick in (min, max))
        _note(found, xs, np.array(low), np.array(high))


def _note(found: dict[tuple[float, float], float], xs: Floats, low: Floats, high: Floats) -> None:
    for x, a, b in zip(xs.tolist(), np.asarray(low).tolist(), np.asarray(high).tolist(), strict=True):
        if np.isfinite(b - a) and b >= a:
            found[_key(x, (a + b) / 2.0)] = (b - a) / 2.0


def _key(x: float, y: float) -> tuple[float, float]:
    return round(x, 5), round(y, 4)


def _words(
    panel: Axes,
    at: tuple[float, float],
    name: str,
    spreads: dict[tuple[float, float], float],
    by_time: bool,
    analysis: Analysis,
) -> tuple[str, date | None]:
    """Return what is said of a point, and the evening before it where the picture goes along time.

    `name` is that of its line: a winter's, where lines are winters.
    """
    x, y = at
    value = _number(y, spreads.get(_key(x, y)) or None)
    place = analysis.site.site
    if by_time:
        time_us = int(round(x * _DAY_US))
        when = clock_text(time_us, zone_of(place.timezone))
        winter = season_day(as_utc(time_us), place.latitude_deg < 0)[1]
        said = f"{when}, winter {winter}: {value} {_unit(panel)}".strip()
        return said, evening_of(time_us, place.longitude_deg)
    day = date_in_season(name, x) if panel.get_xlim() == YEAR_SPAN else None
    if day is not None:
        return f"{day}, winter {name}: {value} {_unit(panel)}".strip(), day
    along, up = _way(panel.get_xlabel()) or "across", _way(panel.get_ylabel()) or "up"
    of = f"winter {name}; " if name[:4].isdigit() else ""
    return f"{of}{along}: {_number(x, None)}; {up}: {value}", None


def _way(label: str) -> str:
    """Return of a label with two ways the one that counts as positive, with the unit."""
    if not label.endswith("→"):
        return label
    unit = label.partition("[")[2].partition("]")[0]
    return f"{label.rpartition(']')[2].strip(' →' + chr(0x2002) + chr(0x2003))} [{unit}]"


def _unit(panel: Axes) -> str:
    """Return the unit of a panel's upright axis: what stands in brackets, or else its whole label."""
    label = str(panel.get_ylabel())
    return label.partition("[")[2].partition("]")[0] or label


def _number(value: float, spread: float | None) -> str:
    size = spread if spread else max(abs(value), 1e-9) / 20.0
    places = min(4, max(0, 1 - int(np.floor(np.log10(size)))))
    text = f"{value:.{places}f}"
    text = text.lstrip("-") if float(text) == 0.0 else text
    return text if spread is None else f"{text} ± {spread:.{places}f}"
