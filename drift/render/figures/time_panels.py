"""Panels over one time axis: the sheet, the axis, titles, marks of changes, and frames round what is drawn.

Most pictures are such panels, one above the other.  Each says which heights they
have and which times they show; what they have in common is made here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.quantities import Bools, Floats
from drift.render import phrases
from drift.render.figures.canvas import (
    LEAST_DAYS,
    LEAST_SPAN,
    corner_note,
    least_height,
    line_with_band,
    say_empty,
    set_time_axis,
    set_title,
    sheet,
    zero_line,
)
from drift.render.figures.marks import change_times, mark_changes, marks_pad, marks_room
from drift.render.phrases import zone_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.types import Analysis


# ---- The sheet of panels.


@dataclass(frozen=True)
class TimePanels:
    """A figure and its panels over one time axis.

    Parameters
    ----------
    figure, panels
        As matplotlib has them, the panels from the top.
    empty
        Whether there is nothing to draw, so that every panel says why.
    """

    figure: Figure
    panels: list[Axes]
    empty: bool
    _analysis: Analysis
    _width_in: float
    _title_pad: float | None  # of the first panel, above which the marks stand [points]

    def title(self, k: int, head: str, rest: str, label: str) -> None:
        """Write ``head: rest`` above the `k`-th panel, and beside it what its scale counts."""
        set_title(self.panels[k], head, rest, self._width_in, pad=self._title_pad if k == 0 else None)
        self.panels[k].set_ylabel(label)

    def mark_changes(self) -> None:
        """Draw events and corrections through all panels; to be called when all else is drawn."""
        mark_changes(self.panels, self._analysis.history, self._width_in)


def time_panels(
    analysis: Analysis,
    axes: Any,
    heights_in: Sequence[float],
    width_in: float,
    times: Floats | None,
    *,
    nothing: str = "",
    marked: bool = False,
    untimed: int = 0,
    least_days: float = LEAST_DAYS,
    **room: Any,
) -> TimePanels:
    """Lay out panels, one above the other, over one time axis on the site's calendar.

    Call it, and draw, inside `drift.render.figures.canvas.house_style`.

    Parameters
    ----------
    analysis
        What was worked out for one pier.
    axes, heights_in, width_in, **room
        As `drift.render.figures.canvas.sheet` takes them.
    times
        Between what the axis goes, as `drift.render.figures.canvas.dates` gives them; None where there is
        nothing to draw.
    nothing
        What every panel says in that case.
    marked
        Whether events and corrections are marked: room is left for their marks, and the axis takes them in.
    untimed
        So many of the last panels have an axis of their own.
    least_days
        The least stretch of time that is shown [days].

    Raises
    ------
    ValueError
        If the number of axes given is not that of `heights_in`.
    """
    history = analysis.history
    if marked:
        room["marks_in"] = marks_room(history)
    figure, panels = sheet(axes, heights_in, width_in, **room)
    pad = marks_pad(history) if marked else None
    if times is None:
        for panel in panels:
            say_empty(panel, nothing)
        return TimePanels(figure, panels, True, analysis, width_in, pad)
    if marked:
        times = np.append(times, change_times(history))
    timed = panels[: len(panels) - untimed]
    set_time_axis(timed, times, zone_of(analysis.site.site.timezone), width_in, least_days=least_days)
    return TimePanels(figure, panels, False, analysis, width_in, pad)


# ---- Words above panels that several pictures have.

#: Above a panel of the pier's tilt: toward north, toward east.
TILT_TITLES = (
    ("Pier tilt", "up is toward north, down is toward south"),
    ("Pier tilt", "up is toward east, down is toward west"),
)


def axis_titles(analysis: Analysis) -> tuple[tuple[str, str], tuple[str, str]]:
    """Return head and rest of the titles of azimuth and altitude of the axis."""
    clockwise, other = azimuth_sides(analysis)
    return (
        ("Azimuth of the axis", f"up is {clockwise} of the pole, down is {other}"),
        ("Altitude of the axis", "up is too high, down is too low"),
    )


def azimuth_sides(analysis: Analysis) -> tuple[str, str]:
    """Return the words for clockwise and for the other way, at the elevated end of the axis."""
    latitude = analysis.site.site.latitude_deg
    return phrases.azimuth_side(1.0, latitude), phrases.azimuth_side(-1.0, latitude)


# ---- What is drawn in a panel.


def change_line(panel: Axes, times: Floats, change: Floats, sd: Floats, hue: str, **line: Any) -> None:
    """Draw a change since the start with its band, on a scale that lets a quiet pier look quiet."""
    zero_line(panel)
    line_with_band(panel, times, change, sd, hue, **line)
    least_height(panel, LEAST_SPAN)


# ---- Frames round what can be trusted, so that one vague night does not flatten all others.

#: The frame is laid round nights no more uncertain than this many times the median night.
_FRAME_SDS = 6.0


def trusted(sd: Floats, sds: float = _FRAME_SDS) -> Bools:
    """Return which readings are not far more uncertain than the others, (n,)."""
    return np.asarray(sd <= sds * max(float(np.median(sd)), 1e-9))


def frame_round(
    low: float,
    high: float,
    edges: Iterable[float] = (),
    *,
    widen: float = 1.0,
    margin: float = 0.08,
    least: float = 0.1,
) -> tuple[float, float]:
    """Return the edges of a frame round low and high.

    Parameters
    ----------
    low, high
        Of what must be seen.
    edges
        What else should be, each where that makes the frame at most `widen` times as high.
    margin
        Room to either side, as a share of the height.
    least
        The least height that `widen` and `margin` count by.
    """
    span = max(high - low, least)
    for edge in edges:
        if max(high, edge) - min(low, edge) <= widen * span:
            low, high = min(low, edge), max(high, edge)
    room = margin * max(high - low, least)
    return low - room, high + room


def outside_words(panel: Axes, value: Floats) -> list[str]:
    """Say how many nights lie outside the frame of a panel, in a list that is empty where none does."""
    low, high = panel.get_ylim()
    count = int(np.sum((value < low) | (value > high)))
    return [f"{phrases.counted(count, 'night')} outside the frame"] if count else []


def note_outside(panel: Axes, value: Floats, *, left: bool = False) -> None:
    """Write into a corner how many nights lie outside the frame of a panel."""
    for words in outside_words(panel, value):
        corner_note(panel, words, left=left)
