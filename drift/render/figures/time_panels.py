"""Panels over one time axis: sheet, titles, numbered marks of changes, frames."""

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
    WIDE_IN,
    colour,
    corner_note,
    dates,
    event_colour,
    least_height,
    line_with_band,
    set_time_axis,
    set_title,
    sheet,
    write_empty,
    zero_line,
)
from drift.render.phrases import zone_of
from drift.render.strip import winters_between
from drift.render.tables.causes import correction_mark, event_number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.types import Analysis, History


# ---- Events and corrections as numbered marks above a picture and lines through it.


#: Marks that stand closer than this many inches are written as one, "3–5".
_CLOSE_IN = 0.2
_CORRECTION_DASH = (0, (4, 2))
_EVENT_DASH = (0, (1.5, 2))
#: Height of the two rows of marks above the panel [points].
_EVENT_ROW, _CORRECTION_ROW = 14.0, 3.0
#: Room for both rows between the panel and its title [points].
_MARKS_PAD = 28.0
_MARKS_IN = 0.31


def mark_changes(panels: Sequence[Axes], history: History, width_in: float) -> None:
    """Draw every event (dotted, numbered) and every correction (dashed, lettered) through all panels.

    The time axis must be set before.  An event shows as the span between the two readings that it
    lies between.  Marks are those of the tables of events and corrections.
    """
    low, high = panels[0].get_xlim()
    close = (high - low) * _CLOSE_IN / width_in
    if history.events:
        after = dates([event.after_us for event in history.events])
        before = dates([event.before_us for event in history.events])
        for panel in panels:
            for k, event in enumerate(history.events):
                hue = event_colour(event.what)
                panel.axvspan(after[k], before[k], color=hue, alpha=0.13, linewidth=0, zorder=0.5)
                panel.axvline(
                    (after[k] + before[k]) / 2, color=hue, linewidth=1.1, linestyle=_EVENT_DASH, zorder=0.6
                )
        _write(panels[0], "moved", (after + before) / 2, [event_number(k) for k in range(len(after))], close)
    if history.corrections:
        times = dates([found.time_us for found in history.corrections])
        for panel in panels:
            for time in times:
                panel.axvline(
                    time, color=colour("soft"), linewidth=0.9, linestyle=_CORRECTION_DASH, zorder=0.6
                )
        _write(panels[0], "corrected", times, [correction_mark(k) for k in range(len(times))], close)


def marks_pad(history: History) -> float | None:
    """Return how far above the panel its title stands [points]; None for the usual place."""
    return _MARKS_PAD if history.events or history.corrections else None


def marks_room(history: History) -> float:
    """Return the room that the marks take above the panel [inches]."""
    return _MARKS_IN if history.events or history.corrections else 0.0


def change_times(history: History) -> Floats:
    """Return the times of all events and corrections, so that a time axis can take them in."""
    times = [t for event in history.events for t in (event.after_us, event.before_us)]
    return dates([*times, *(found.time_us for found in history.corrections)])


def merged(times: Floats, marks: Sequence[str], close: float) -> list[tuple[float, str]]:
    """Join the marks of changes that stand too close to be told apart: (where, ``3–5``)."""
    order = np.argsort(times, kind="stable")
    groups: list[list[int]] = []
    for k in order:
        if groups and times[k] - times[groups[-1][-1]] < close * (1 + 0.35 * (len(groups[-1]) > 1)):
            groups[-1].append(int(k))
        else:
            groups.append([int(k)])
    joined = []
    for group in groups:
        first, last = min(group), max(group)
        text = marks[first] if first == last else f"{marks[first]}–{marks[last]}"
        joined.append((float(np.mean(times[group])), text))
    return joined


def _write(panel: Axes, row: str, times: Floats, marks: Sequence[str], close: float) -> None:
    height = _EVENT_ROW if row == "moved" else _CORRECTION_ROW
    shape = "circle,pad=0.18" if row == "moved" else "square,pad=0.2"
    for where, text in merged(times, marks, close):
        panel.annotate(
            text,
            (where, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, height),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=7,
            color=colour("ink"),
            bbox={
                "boxstyle": shape,
                "facecolor": colour("ground"),
                "edgecolor": colour("soft"),
                "linewidth": 0.7,
            },
        )
    panel.annotate(
        row,
        (0.0, 1.0),
        xycoords="axes fraction",
        xytext=(-4, height),
        textcoords="offset points",
        ha="right",
        va="bottom",
        fontsize=7,
        color=colour("soft"),
    )


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
        The ends of the time axis, as `drift.render.figures.canvas.dates` gives them; None where there is
        nothing to draw.
    nothing
        The text in every panel in that case.
    marked
        Whether events and corrections are marked: room is left for their marks, and the axis takes them in.
    untimed
        Number of last panels with another axis.
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
            write_empty(panel, nothing)
        return TimePanels(figure, panels, True, analysis, width_in, pad)
    if marked:
        times = np.append(times, change_times(history))
    timed = panels[: len(panels) - untimed]
    set_time_axis(timed, times, zone_of(analysis.site.site.timezone), width_in, least_days=least_days)
    return TimePanels(figure, panels, False, analysis, width_in, pad)


# ---- Winters as shades behind what is drawn.

_COLD, _WINTER_NAME_IN = 0.16, 0.36
#: Room beside a panel [inches].
_BESIDE_IN = 0.76


def draw_winters(
    panel: Axes, analysis: Analysis, from_us: int, until_us: int, *, named_in: float = WIDE_IN
) -> None:
    """Shade the winters between two times; name them at the foot where a sheet so wide has room [inches]."""
    low_in = _WINTER_NAME_IN * (until_us - from_us)
    for name, start, end in winters_between(from_us, until_us, analysis.site.site.latitude_deg < 0.0):
        low, high = dates([start, end])
        panel.axvspan(low, high, color=colour("cold"), alpha=_COLD, linewidth=0, zorder=0.1)
        if (end - start) * (named_in - _BESIDE_IN) > low_in:
            panel.annotate(
                name,
                ((low + high) / 2.0, 0.0),
                xycoords=("data", "axes fraction"),
                xytext=(0, 1.5),
                textcoords="offset points",
                ha="center",
                va="bottom",
                fontsize=6.5,
                color=colour("soft"),
            )


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


# ---- Frames: one vague night must not flatten all others.

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
