"""One panel a cause, their sum against the nights, and what is left over."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from drift.quantities import Floats
from drift.show import phrases
from drift.show.figures.canvas import (
    LEAST_SPAN,
    MANY,
    WIDE_IN,
    corner_note,
    dates,
    error_bars,
    house_style,
    is_narrow,
    least_height,
    line_with_band,
    say_empty,
    set_time_axis,
    sheet,
)
from drift.show.figures.cause_parts import (
    Left,
    Part,
    View,
    left_over,
    parts,
    scatter_in_sds,
    total_sd,
    view_named,
    views,
    weighed,
)
from drift.show.figures.palette import colour
from drift.show.times import zone_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.answer import Answer

#: Height of the panel of a cause, and of the last two [inches].
_CAUSE_IN, _SUM_IN = 0.72, 1.35
#: Of a cause that goes slowly no more than about so many points are drawn.
_POINTS = 150
#: The frame is laid around nights no more uncertain than this many times the median night.
_FRAME_SDS = 6.0
#: The band of the sum lies over the nights, and hides more of them than other bands, so as to be seen there.
_BAND: dict[str, Any] = {"band": 0.45, "band_zorder": 3.5}
_UP = {
    "azimuth": "up is {clockwise}, down is {other}",
    "altitude": "up is higher, down is lower",
    "north": "up is north, down is south",
    "east": "up is east, down is west",
}
_EMPTY = "The record's causes have not been worked out one by one."


def figure(answer: Answer, ax: Any = None, *, width_in: float = WIDE_IN, view: str = "azimuth") -> Figure:
    """Draw what each cause alone did, all causes together against the nights, and what is left over.

    Parameters
    ----------
    answer
        What was worked out for one pier.
    ax
        Matplotlib Axes to draw in, as many as there are panels (`panels`); None for a new figure.
    width_in
        Width of a new figure [inches].
    view
        In which coordinate: "azimuth" or "altitude" of the axis, lean "north" or "east".

    Returns
    -------
    matplotlib.figure.Figure
        Change since the start [arcsec].  Bands are one standard deviation of the cause, or of the sum at
        most (`total_sd`), bars of the night.  Causes that go slowly share one scale; those that go by
        steps have their own.
    """
    with house_style():
        chosen = view_named(answer, view)
        shown = parts(answer, chosen)
        left = left_over(answer, chosen)
        sums = (_SUM_IN,) * (2 if left is not None else 1)
        heights = (_CAUSE_IN,) * len(shown) + sums if shown else (_SUM_IN,)
        sheet_figure, drawn = sheet(ax, heights, width_in, marks_in=0.22, long_titles=False)
        if not shown:
            say_empty(drawn[0], _EMPTY)
            return sheet_figure
        times = dates(answer.history.time_us)
        set_time_axis(drawn, times, zone_of(answer.site.site.timezone), width_in)
        for panel, part in zip(drawn, shown, strict=False):
            _cause(panel, times, part)
        _share_scale(drawn, shown)
        _sum(drawn[len(shown)], answer, chosen, times, left)
        if left is not None:
            _left(drawn[-1], left)
        _head(sheet_figure if ax is None else None, answer, chosen, width_in)
        return sheet_figure


def panels(answer: Answer, view: str = "azimuth") -> int:
    """Return how many panels the picture has."""
    chosen = view_named(answer, view)
    shown = parts(answer, chosen)
    return len(shown) + (2 if left_over(answer, chosen) is not None else 1) if shown else 1


def _head(figure: Figure | None, answer: Answer, view: View, width_in: float) -> None:
    """Write above all panels what up and down mean."""
    if figure is None:
        return
    latitude = answer.site.site.latitude_deg
    up = _UP[view.name].format(
        clockwise=phrases.azimuth_side(1.0, latitude), other=phrases.azimuth_side(-1.0, latitude)
    )
    said = f"{view.title[0].upper()}{view.title[1:]} [arcsec]: {up}"
    size = 8.0 if is_narrow(width_in) else 9.0
    figure.text(0.02, 1.0 - 0.06 / figure.get_figheight(), said, va="top", fontsize=size)


def _title(panel: Axes, text: str) -> None:
    panel.set_title(text[0].upper() + text[1:], y=1.0, fontsize=8.5, pad=3)


def _cause(panel: Axes, times: Floats, part: Part) -> None:
    panel.axhline(0.0, color=colour("soft"), linewidth=0.8, zorder=0.3)
    every = 1 if part.sudden else max(1, len(times) // _POINTS)
    line_with_band(panel, times, part.value, part.sd, _hue(part), every=every)
    _title(panel, part.title)
    panel.locator_params(axis="y", nbins=3)


def _hue(part: Part) -> str:
    if part.sudden:
        return colour("unsure")
    return colour("mount" if "mount" in part.title else "pier")


def _share_scale(drawn: list[Axes], shown: list[Part]) -> None:
    """Give all causes that go slowly one height of frame, so that a small one looks small."""
    slow = [panel for panel, part in zip(drawn, shown, strict=False) if not part.sudden]
    if slow:
        low = min(panel.get_ylim()[0] for panel in slow)
        high = max(panel.get_ylim()[1] for panel in slow)
        short = max(0.0, LEAST_SPAN - (high - low)) / 2
        for panel in slow:
            panel.set_ylim(low - short, high + short)
    for panel, part in zip(drawn, shown, strict=False):
        if part.sudden:
            least_height(panel, LEAST_SPAN)


def _sum(panel: Axes, answer: Answer, view: View, times: Floats, left: Left | None) -> None:
    history = answer.history
    total, sd = weighed(history.change, view), total_sd(answer, view)
    panel.axhline(0.0, color=colour("soft"), linewidth=0.8, zorder=0.3)
    if left is None:
        line_with_band(panel, times, total, sd, colour("axis"))
        _title(panel, "all causes together")
        least_height(panel, LEAST_SPAN)
        return
    _nights(panel, left, left.read, colour("soft") if len(left.read) > MANY else colour("axis"))
    line_with_band(panel, times, total, sd, colour("zero"), linewidth=1.3, zorder=4, **_BAND)
    known = np.isfinite(total)
    _frame(panel, left.read, left.sd, total[known])
    _title(panel, "all causes together (line) against the nights")


def _left(panel: Axes, left: Left) -> None:
    panel.axhline(0.0, color=colour("soft"), linewidth=0.8, zorder=0.3)
    _nights(panel, left, left.left, colour("axis"))
    _frame(panel, left.left, left.sd, np.zeros(1))
    _title(panel, f"left over: {scatter_in_sds(left):.1f} times the nights' own uncertainty")


def _nights(panel: Axes, left: Left, value: Floats, hue: str) -> None:
    size, bar = (1.8, 0.4) if len(value) > MANY else (3.0, 0.8)
    error_bars(panel, dates(left.time_us), value, left.sd, hue, markersize=size, bar_width=bar)


def _frame(panel: Axes, value: Floats, sd: Floats, line: Floats) -> None:
    trusted = sd <= _FRAME_SDS * max(float(np.median(sd)), 1e-9)
    low = min(float((value - sd)[trusted].min()), float(line.min()))
    high = max(float((value + sd)[trusted].max()), float(line.max()))
    margin = 0.06 * max(high - low, LEAST_SPAN)
    panel.set_ylim(low - margin, high + margin)
    outside = int(np.sum((value < low - margin) | (value > high + margin)))
    if outside:
        corner_note(panel, f"{phrases.counted(outside, 'night')} outside the frame")


def lacking(answer: Answer) -> str:
    """Say why there is nothing to draw; nothing where there is."""
    if answer.history.causes and any(parts(answer, view) for view in views(answer)):
        return ""
    return (
        "Causes can't be shown one by one: there is too little to tell them from one another, or only one "
        "night."
    )


def describe(answer: Answer, view: str = "azimuth") -> str:
    """Say in words what the picture shows, for those who can't see it."""
    chosen = view_named(answer, view)
    shown = parts(answer, chosen)
    if not shown:
        return "No cause is known by itself, so the picture is empty."
    told = "; ".join(
        f"{part.title} from {np.nanmin(part.value):.0f} to {np.nanmax(part.value):.0f}" for part in shown
    )
    left = left_over(answer, chosen)
    rest = (
        ""
        if left is None
        else f" What is left over scatters by {scatter_in_sds(left):.1f} times the nights' own uncertainty."
    )
    return f"What each cause did to the {chosen.title} since the start, in arcseconds: {told}.{rest}"
