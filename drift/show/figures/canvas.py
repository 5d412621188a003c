"""What all pictures share: an empty sheet in the house's style, the time axis, lines with bands."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np

from drift.quantities import Floats
from drift.show.figures.palette import colour

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Width of a picture beside text [inches]; below `NARROW_IN` it is laid out for a phone.
WIDE_IN = 7.4
PHONE_IN = 3.6
NARROW_IN = 5.0
#: A line is broken, and its band with it, where no night stands for so long [days].
GAP_DAYS = 45.0
#: The least height of a frame of leans [arcsec], so that a quiet pier looks quiet.
LEAST_SPAN = 4.0
#: The least stretch of time that a picture shows [days].
_LEAST_DAYS = 14.0
_STYLE = {
    "font.size": 9.0,
    "axes.titlesize": 9.0,
    "axes.labelsize": 8.5,
    "xtick.labelsize": 8.0,
    "ytick.labelsize": 8.0,
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.linewidth": 0.6,
    "path.simplify": True,
}


@contextmanager
def house_style() -> Iterator[None]:
    """Draw in the house's style for as long as the block lasts."""
    import matplotlib

    ink = {
        name: colour("soft") for name in ("axes.edgecolor", "xtick.color", "ytick.color", "axes.labelcolor")
    }
    colours = {"text.color": colour("ink"), "axes.titlecolor": colour("ink"), "grid.color": colour("grid")}
    with matplotlib.rc_context({**_STYLE, **ink, **colours}):
        yield


def sheet(
    axes: Any, panels: int, width_in: float, panel_height_in: float, extra_in: float = 0.9
) -> tuple[Figure, list[Axes]]:
    """Return a figure and its panels, one above the other: new ones, or those that were given.

    Parameters
    ----------
    axes
        None for a new figure; otherwise one Axes, or a sequence of `panels` of them.
    panels
        How many panels the picture has.
    width_in, panel_height_in, extra_in
        Size of a new figure; `extra_in` is what is added for marks and the time axis [inches].

    Raises
    ------
    ValueError
        If the number of axes given is not `panels`.
    """
    if axes is not None:
        given = list(np.ravel(np.asarray(axes, dtype=object)))
        if len(given) != panels:
            raise ValueError(f"this picture has {panels} panels, but {len(given)} axes were given")
        return given[0].figure, given
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, panels * panel_height_in + extra_in), layout="constrained")
    figure.patch.set_alpha(0.0)
    made = list(np.ravel(figure.subplots(panels, 1, sharex=panels > 1, squeeze=False)))
    for panel in made:
        panel.patch.set_alpha(0.0)
    return figure, made


def set_title(panel: Axes, head: str, rest: str, width_in: float, *, pad: float | None = None) -> None:
    """Write ``head: rest`` above a panel, on two lines where the picture is narrow."""
    between = ":\n" if width_in < NARROW_IN else ": "
    panel.set_title(f"{head}{between}{rest}" if rest else head, pad=pad)


def side_note(panel: Axes, sentence: str, width_in: float) -> None:
    """Write a small note at the right above a panel, where there is room for it."""
    if width_in >= NARROW_IN:
        panel.set_title(sentence, loc="right", fontsize=7.5, color=colour("soft"))


def dates(time_us: Any) -> Floats:
    """Return UTC microseconds as the numbers that matplotlib's time axis takes."""
    from matplotlib.dates import date2num

    return np.asarray(date2num(np.asarray(time_us, dtype="int64").astype("datetime64[us]")), dtype=float)


def set_time_axis(panels: Sequence[Axes], times: Floats, zone: ZoneInfo, width_in: float) -> None:
    """Give all panels one time axis over `times`, on the site's calendar."""
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    times = times[np.isfinite(times)]
    if not times.size:
        for panel in panels:
            panel.set_xticks([])
        return
    low, high = float(times.min()), float(times.max())
    margin = max(0.02 * (high - low), (_LEAST_DAYS - (high - low)) / 2.0)
    for panel in panels:
        panel.set_xlim(low - margin, high + margin)
        # with these bounds the locator finds an interval for any span from two weeks to 60 years
        least, most = (2, 5) if width_in < NARROW_IN else (3, 8)
        locator = AutoDateLocator(tz=zone, minticks=least, maxticks=most)
        panel.xaxis.set_major_locator(locator)
        panel.xaxis.set_major_formatter(ConciseDateFormatter(locator, tz=zone))


def stretches(times: Floats, gap_days: float = GAP_DAYS) -> list[slice]:
    """Return the stretches of `times` (ascending, days) without a gap longer than `gap_days`."""
    if not times.size:
        return []
    cuts = np.flatnonzero(np.diff(times) > gap_days) + 1
    edges = [0, *(int(k) for k in cuts), len(times)]
    return [slice(a, b) for a, b in zip(edges[:-1], edges[1:], strict=True)]


def line_with_band(panel: Axes, times: Floats, value: Floats, sd: Floats, hue: str, **line: Any) -> None:
    """Draw a line with a band of one standard deviation; a lone point gets an error bar instead."""
    known = np.isfinite(times) & np.isfinite(value)
    times, value, sd = times[known], value[known], np.where(np.isfinite(sd[known]), sd[known], 0.0)
    look = {"linewidth": 1.5, **line}
    for part in stretches(times):
        if part.stop - part.start == 1:
            error_bars(panel, times[part], value[part], sd[part], hue, markersize=3.0, bar_width=1.0)
            continue
        panel.fill_between(
            times[part], value[part] - sd[part], value[part] + sd[part], color=hue, alpha=0.22, linewidth=0
        )
        panel.plot(times[part], value[part], color=hue, **look)


def error_bars(
    panel: Axes, times: Floats, value: Floats, sd: Floats, hue: str, *, markersize: float, bar_width: float
) -> None:
    """Draw points with error bars, all bars as one broken line so that thousands stay small."""
    breaks = np.full(len(times), np.nan)
    across = np.column_stack([times, times, breaks]).ravel()
    along = np.column_stack([value - sd, value + sd, breaks]).ravel()
    panel.plot(across, along, color=hue, linewidth=bar_width, solid_capstyle="butt")
    panel.plot(times, value, "o", color=hue, markersize=markersize, markeredgewidth=0)


def say_empty(panel: Axes, sentence: str) -> None:
    """Write into a panel why nothing is drawn in it."""
    panel.text(
        0.5,
        0.5,
        sentence,
        transform=panel.transAxes,
        ha="center",
        va="center",
        wrap=True,
        color=colour("soft"),
    )
    panel.set_yticks([])
    panel.grid(False)
