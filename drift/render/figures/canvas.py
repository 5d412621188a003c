"""What all pictures share: colours, an empty sheet, the time axis, lines with bands."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np

from drift.quantities import Floats

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


# ---- The colours of pictures and pages, on a light and on a dark ground.
#
# The colours of causes are those of Okabe and Ito [1]_, which stay apart for the common kinds of colour
# blindness, and each means one thing in all pictures: blue the pier, orange the mount, purple the
# hour-angle zero, grey the axis, green what is within a warning limit, pale steel blue the cold (winters,
# frozen ground).  The page has two more, for links and for what needs attention.  The ramp for time is cut
# from cividis [2]_, whose lightness rises evenly, so that it also reads in grey print.  Nothing is shown by
# colour alone: lines differ in dash or are in separate panels, and marks carry numbers.
#
# Each colour has a name.  A picture is drawn in the light colours; where it is
# put into a page, each of them is replaced by the page's variable of that name,
# so that one picture serves a light page, a dark page and paper.
#
# References
# ----------
# .. [1] M. Okabe and K. Ito, "Color Universal Design", 2002/2008 (from memory).
# .. [2] J. R. Nunez, C. R. Anderton, R. S. Renslow, PLOS ONE 13(7), e0199239, 2018 (from memory).


#: Name -> colour on a light ground.
LIGHT = {
    "ground": "#fdfdfb",
    "ink": "#1c2126",
    "soft": "#565f68",
    "grid": "#d9dcdf",
    "axis": "#3d4650",
    "pier": "#0072b2",
    "mount": "#d55e00",
    "zero": "#c06a98",
    "unsure": "#343b43",
    "allowed": "#009e73",
    "cold": "#5d87a8",
    "link": "#41389b",
    "alert": "#a3172b",
    "time0": "#948e77",
    "time1": "#7f7e78",
    "time2": "#6c6e72",
    "time3": "#595e6e",
    "time4": "#444f6c",
    "time5": "#2b406d",
    "time6": "#003170",
    "time7": "#00224e",
}
#: The same names on a dark ground.
DARK = {
    "ground": "#14181c",
    "ink": "#e8ebee",
    "soft": "#a3adb7",
    "grid": "#333b43",
    "axis": "#c3cad1",
    "pier": "#56b4e9",
    "mount": "#f0953f",
    "zero": "#c86fa2",
    "unsure": "#dde2e7",
    "allowed": "#2fb98f",
    "cold": "#6f94b3",
    "link": "#b5b0ff",
    "alert": "#ff8f86",
    "time0": "#61656f",
    "time1": "#717274",
    "time2": "#848279",
    "time3": "#9a9376",
    "time4": "#b0a571",
    "time5": "#c7b767",
    "time6": "#e0cb56",
    "time7": "#f9e03a",
}
#: The same names where eyes are adapted to the dark: red light alone, which spares them most, and little of
#: it (common practice).  Text on the ground has a contrast of at least 4.5, lines one of 3; lines differ by
#: dash and by brightness.
NIGHT = {
    "ground": "#000000",
    "ink": "#ff0000",
    "soft": "#ec0000",
    "grid": "#420000",
    "axis": "#e00000",
    "pier": "#fe0000",
    "mount": "#ba0000",
    "zero": "#cc0000",
    "unsure": "#f20000",
    "allowed": "#c20000",
    "cold": "#8a0000",
    "link": "#fd0000",
    "alert": "#fc0000",
    "time0": "#5c0000",
    "time1": "#720000",
    "time2": "#880000",
    "time3": "#9e0000",
    "time4": "#b60000",
    "time5": "#ce0000",
    "time6": "#e60000",
    "time7": "#fb0000",
}
#: From the earliest to the latest: the latest stands out most on either ground.
TIME_RAMP = tuple(f"time{k}" for k in range(8))


_GROUND: ContextVar[dict[str, str]] = ContextVar("ground of pictures", default=LIGHT)


@contextmanager
def dark_ground(dark: bool = True) -> Iterator[None]:
    """Draw in the dark colours while the block runs; in the light ones where `dark` is false."""
    before = _GROUND.set(DARK if dark else LIGHT)
    try:
        yield
    finally:
        _GROUND.reset(before)


def colour(name: str) -> str:
    """Return the colour called `name`: on a light ground, or on a dark one inside `dark_ground`."""
    return _GROUND.get()[name]


def event_colour(what: str) -> str:
    """Return the colour of an event, by what moved."""
    names = {"pier": "pier", "mount_az": "mount", "mount_alt": "mount", "zero": "zero"}
    return colour(names.get(what, "unsure"))


def ramp(k: int, count: int) -> str:
    """Return the colour of the `k`-th of `count` things in time order."""
    if count <= 1:
        return colour(TIME_RAMP[-1])
    return colour(TIME_RAMP[round(k * (len(TIME_RAMP) - 1) / (count - 1))])


# ---- What all pictures share: an empty sheet in the house's style, the time axis, lines with bands.


#: Width of a picture beside text [inches]; below `NARROW_IN` it is laid out for a phone.
WIDE_IN = 9.0
PHONE_IN = 3.6
NARROW_IN = 5.0
#: A line is broken, and its band with it, where no night stands for so long [days].
GAP_DAYS = 45.0
#: The least height of a frame of tilts [arcsec], so that a quiet pier looks quiet.
LEAST_SPAN = 4.0
#: The least stretch of time that a picture shows [days].
LEAST_DAYS = 14.0
#: Room of a sheet [inches]: beside the panels, above each for its title, below the last for the time axis.
_LEFT_IN, _RIGHT_IN = 0.64, 0.12
_TITLE_IN, _TWO_LINE_TITLE_IN = 0.28, 0.42
_BETWEEN_IN, _TIME_AXIS_IN = 0.08, 0.4
#: Where the label of the upright axis stands, left of its panel [inches].
_LABEL_IN = 0.47
#: More points than this are drawn as one line of dots.
MANY = 300
#: Marks dots that are drawn as one line, every second corner of which is a value.
DOTS = "dots"
#: The name of the curve fitted through all nights.
FITTED = "fitted"
#: Width of the name of a month [inches].
_MONTH_IN = 0.36
#: Length of a dot's line, as a share of the panel's width.
_NO_LENGTH = 1e-5
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
    "svg.fonttype": "none",
}


@contextmanager
def house_style() -> Iterator[None]:
    """Draw in drift's style while the block runs."""
    import matplotlib

    ink = {
        name: colour("soft") for name in ("axes.edgecolor", "xtick.color", "ytick.color", "axes.labelcolor")
    }
    colours = {
        "text.color": colour("ink"),
        "axes.titlecolor": colour("ink"),
        "grid.color": colour("grid"),
        "figure.facecolor": colour("ground"),
        "axes.facecolor": "none",
    }
    with matplotlib.rc_context({**_STYLE, **ink, **colours}):
        yield


def is_narrow(width_in: float) -> bool:
    """Whether a picture of that width is laid out for a phone."""
    return width_in < NARROW_IN


def sheet(
    axes: Any,
    heights_in: Sequence[float],
    width_in: float,
    *,
    marks_in: float = 0.0,
    below_in: float = 0.0,
    left_in: float = _LEFT_IN,
    share_time: bool = True,
    long_titles: bool = True,
) -> tuple[Figure, list[Axes]]:
    """Return a figure and its panels, one above the other: new ones, or those that were given.

    The places are laid out beforehand, not fitted to the text, which takes most of the time of drawing.

    Parameters
    ----------
    axes
        None for a new figure; otherwise one Axes, or a sequence of them.
    heights_in
        Height of each panel of a new figure, from the top [inches].
    width_in
        Width of a new figure [inches].
    marks_in
        Room above the first panel, beyond its title [inches].
    below_in
        Room below the last panel, beyond the time axis [inches].
    left_in
        Room left of the panels [inches].
    share_time
        Whether all panels have one axis along.
    long_titles
        Whether titles take two lines on a phone.

    Raises
    ------
    ValueError
        If the number of axes given is not that of `heights_in`.
    """
    if axes is not None:
        return _given_axes(axes, len(heights_in))
    from matplotlib.figure import Figure

    title_in = _TWO_LINE_TITLE_IN if long_titles and is_narrow(width_in) else _TITLE_IN
    between_in = _BETWEEN_IN + (0.0 if share_time else _TIME_AXIS_IN - 0.1)
    foot_in = _TIME_AXIS_IN + below_in
    above_in = marks_in + len(heights_in) * title_in + (len(heights_in) - 1) * between_in
    height_in = sum(heights_in) + above_in + foot_in
    figure = Figure(figsize=(width_in, height_in))
    panels: list[Axes] = []
    top_in = height_in - marks_in
    for each in heights_in:
        low = top_in - title_in - each
        place = (
            left_in / width_in,
            low / height_in,
            1 - (left_in + _RIGHT_IN) / width_in,
            each / height_in,
        )
        panel = figure.add_axes(place, sharex=panels[0] if panels and share_time else None)
        panel.yaxis.set_label_coords(-_LABEL_IN / (width_in - left_in - _RIGHT_IN), 0.5)
        panels.append(panel)
        top_in = low - between_in
    for panel in panels[:-1] if share_time else ():
        panel.tick_params(labelbottom=False)
        panel.xaxis.get_offset_text().set_visible(False)
    return figure, panels


def _given_axes(axes: Any, panels: int) -> tuple[Figure, list[Axes]]:
    given = list(np.ravel(np.asarray(axes, dtype=object)))
    if len(given) != panels:
        raise ValueError(
            f"this picture has {panels} panel{'s' if panels != 1 else ''}, but {len(given)} axes were given"
        )
    return given[0].figure, given


def set_title(panel: Axes, head: str, rest: str, width_in: float, *, pad: float | None = None) -> None:
    """Write ``head: rest`` above a panel, on two lines where the picture is narrow."""
    between = ":\n" if is_narrow(width_in) else ": "
    # a height of its own keeps matplotlib from measuring all text in its search for one
    panel.set_title(f"{head}{between}{rest}" if rest else head, pad=pad, y=1.0)


def side_note(panel: Axes, sentence: str, width_in: float) -> None:
    """Write a small note at the right above a panel, where there is room for it."""
    if not is_narrow(width_in) and sentence:
        panel.set_title(sentence, loc="right", fontsize=7.5, color=colour("soft"), y=1.0)


def corner_note(panel: Axes, sentence: str, *, top: bool = False, left: bool = False) -> None:
    """Write a small note into a corner of a panel, over whatever is drawn there."""
    panel.text(
        0.005 if left else 0.995,
        0.98 if top else 0.02,
        sentence,
        transform=panel.transAxes,
        ha="left" if left else "right",
        va="top" if top else "bottom",
        fontsize=7,
        color=colour("soft"),
        zorder=8,
        bbox={"facecolor": colour("ground"), "alpha": 0.75, "linewidth": 0, "pad": 1.0},
    )


def dates(time_us: Any) -> Floats:
    """Return UTC microseconds as the numbers that matplotlib's time axis takes."""
    from matplotlib.dates import date2num

    return np.asarray(date2num(np.asarray(time_us, dtype="int64").astype("datetime64[us]")), dtype=float)


def set_time_axis(
    panels: Sequence[Axes], times: Floats, zone: ZoneInfo, width_in: float, *, least_days: float = LEAST_DAYS
) -> None:
    """Give all panels one time axis over `times`, on the site's calendar."""
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
    from matplotlib.ticker import FixedFormatter, FixedLocator

    times = times[np.isfinite(times)]
    if not times.size:
        for panel in panels:
            panel.set_xticks([])
        return
    low, high = float(times.min()), float(times.max())
    margin = max(0.02 * (high - low), (least_days - (high - low)) / 2.0)
    # with these bounds the locator finds an interval for any span from two weeks to 60 years
    least, most = (2, 5) if is_narrow(width_in) else (3, 8)
    locator = AutoDateLocator(tz=zone, minticks=least, maxticks=most)
    panels[0].set_xlim(low - margin, high + margin)
    locator.set_axis(panels[0].xaxis)
    ticks = np.asarray(locator(), dtype=float)
    formatter = ConciseDateFormatter(locator, tz=zone)
    labels = formatter.format_ticks(ticks)
    for panel in panels:
        panel.set_xlim(low - margin, high + margin)
        # worked out once: matplotlib would do it at every measuring of every panel
        fixed = FixedFormatter(labels)
        fixed.set_offset_string(formatter.get_offset())
        panel.xaxis.set_major_locator(FixedLocator(list(ticks)))
        panel.xaxis.set_major_formatter(fixed)


def set_month_ticks(panel: Axes, from_us: int, until_us: int, zone: ZoneInfo, width_in: float) -> None:
    """Give a time axis of about two years a tick a month, named as far as there is room."""
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

    first, last = (datetime.fromtimestamp(time / 1e6, zone) for time in (from_us, until_us))
    months = range(12 * first.year + first.month, 12 * last.year + last.month)
    begins = [datetime(month // 12, month % 12 + 1, 1, tzinfo=zone) for month in months]
    every = 1 + int(len(begins) * _MONTH_IN / (width_in - _LEFT_IN - _RIGHT_IN))
    labels: list[str] = []
    for one in begins:
        named = (one.month - 1) % every == 0
        year = (
            f"\n{one.year}"
            if named and (one.month == 1 or not any("\n" in label for label in labels))
            else ""
        )
        labels.append(f"{one:%b}{year}" if named else "")
    panel.xaxis.set_major_locator(FixedLocator(list(dates([int(t.timestamp() * 1e6) for t in begins]))))
    panel.xaxis.set_major_formatter(FixedFormatter(labels))
    panel.xaxis.set_minor_locator(NullLocator())


def stretches(times: Floats, gap_days: float = GAP_DAYS) -> list[slice]:
    """Return the stretches of `times` (ascending, days) without a gap longer than `gap_days`."""
    if not times.size:
        return []
    cuts = np.flatnonzero(np.diff(times) > gap_days) + 1
    edges = [0, *(int(k) for k in cuts), len(times)]
    return [slice(a, b) for a, b in zip(edges[:-1], edges[1:], strict=True)]


def line_with_band(
    panel: Axes,
    times: Floats,
    value: Floats,
    sd: Floats,
    hue: str,
    *,
    every: int = 1,
    band: float = 0.22,
    band_zorder: float = 1.0,
    **line: Any,
) -> None:
    """Draw a line with a band of one standard deviation; a lone point gets an error bar instead.

    Parameters
    ----------
    panel, times, value, sd, hue
        Where, what (n,) and in which colour.
    every
        Of each stretch one point in so many is drawn, and its last.
    band, band_zorder
        How opaque the band is, and above what it lies.
    **line
        As matplotlib's ``plot`` takes it.
    """
    known = np.isfinite(times) & np.isfinite(value)
    times, value, sd = times[known], value[known], np.where(np.isfinite(sd[known]), sd[known], 0.0)
    look = {"linewidth": 1.5, **line}
    for part in stretches(times):
        if part.stop - part.start == 1:
            error_bars(panel, times[part], value[part], sd[part], hue, markersize=3.0, bar_width=1.0)
            continue
        some = np.unique([*range(part.start, part.stop, every), part.stop - 1])
        across, low, high = times[some], (value - sd)[some], (value + sd)[some]
        if band:
            panel.fill_between(across, low, high, color=hue, alpha=band, linewidth=0, zorder=band_zorder)
        panel.plot(across, value[some], color=hue, **look)


def error_bars(
    panel: Axes,
    times: Floats,
    value: Floats,
    sd: Floats,
    hue: str,
    *,
    markersize: float,
    bar_width: float,
    alpha: float | None = None,
) -> None:
    """Draw points with error bars, all bars as one broken line so that thousands stay small."""
    breaks = np.full(len(times), np.nan)
    across = np.column_stack([times, times, breaks]).ravel()
    along = np.column_stack([value - sd, value + sd, breaks]).ravel()
    panel.plot(across, along, color=hue, linewidth=bar_width, solid_capstyle="butt", alpha=alpha)
    dots(panel, times, value, hue, markersize=markersize, alpha=alpha)


def dots(
    panel: Axes,
    times: Floats,
    value: Floats,
    hue: str,
    *,
    markersize: float,
    shape: str = "o",
    alpha: float | None = None,
) -> None:
    """Draw points, round ("o") or square ("s"), without lines between them.

    Thousands of marks make a picture slow and large.  Many are drawn as one broken line instead, whose
    pieces have almost no length and so show only their round ends.
    """
    if len(times) <= MANY:
        look: dict[str, Any] = {"color": hue, "markersize": markersize, "alpha": alpha}
        panel.plot(times, value, shape, markeredgewidth=0, linestyle="none", **look)
        return
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    known = np.isfinite(times) & np.isfinite(value)
    times, value = times[known], value[known]
    low, high = panel.get_xlim()
    ends = np.column_stack([times, value, times + _NO_LENGTH * (high - low), value]).reshape(-1, 2)
    pieces = Path(ends, np.tile(np.array([Path.MOVETO, Path.LINETO], dtype=np.uint8), len(times)))
    pieces.should_simplify = False  # otherwise pieces without length are removed; snapping would do so too
    cap = "round" if shape == "o" else "projecting"
    look = {"edgecolor": hue, "linewidth": markersize, "capstyle": cap, "alpha": alpha}
    patch = PathPatch(pieces, fill=False, snap=False, label=DOTS, **look)
    # `add_patch` would look for the extremes of each piece as if it were a curve
    patch.set_transform(panel.transData)
    panel.add_artist(patch)
    panel.update_datalim(ends)
    panel.autoscale_view()


def name_of(artist: Artist) -> str:
    """Return the name that was given to what is drawn, "" for none."""
    label = str(artist.get_label())
    return "" if label.startswith("_") else label


def zero_line(panel: Axes, *, upright: bool = False) -> None:
    """Draw the zero line, level or upright, below everything else."""
    line = panel.axvline if upright else panel.axhline
    line(0.0, color=colour("soft"), linewidth=0.8, zorder=0.3)


def least_height(panel: Axes, least: float) -> None:
    """Widen the frame of a panel to at least that height, about its middle."""
    low, high = panel.get_ylim()
    short = max(0.0, least - (high - low)) / 2
    panel.set_ylim(low - short, high + short)


def write_empty(panel: Axes, sentence: str) -> None:
    """Write into a panel why nothing is drawn in it, and take its scales away."""
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
    panel.tick_params(bottom=False, labelbottom=False)
    panel.grid(False)
