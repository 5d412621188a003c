"""Events and corrections as numbered marks above a picture and lines through it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from drift.quantities import Floats
from drift.render.figures.canvas import colour, dates, event_colour
from drift.render.tables.causes import correction_mark, event_number

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from drift.types import History


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
