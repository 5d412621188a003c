"""One panel a cause, their sum against the nights, and what is left over."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.codes import CauseKind
from drift.mount.axis_error import axis_weights
from drift.quantities import DAY_US, YEAR_DAYS, Bools, Floats, Ints, as_utc
from drift.render.figures.canvas import (
    LEAST_SPAN,
    MANY,
    WIDE_IN,
    colour,
    dates,
    error_bars,
    house_style,
    is_narrow,
    least_height,
    line_with_band,
    sheet,
    write_empty,
    zero_line,
)
from drift.render.figures.time_panels import (
    azimuth_sides,
    change_line,
    frame_round,
    note_outside,
    time_panels,
    trusted,
)
from drift.render.history_words import CAUSE_WORDS
from drift.render.phrases import any_angle, clock_text, plain_pair, zone_of
from drift.render.tables.axis import Table
from drift.types import HISTORY_COLUMNS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.types import Analysis, CauseSeries


# ---- What each cause did, and what is left over, as numbers.


#: Several causes of one kind are shown as one: their common name.
_TOGETHER = {CauseKind.CORRECTION: "corrections", CauseKind.STEP: "sudden changes"}
#: Causes of the mount, drawn in its colour.
_OF_MOUNT = (CauseKind.STEADY_DRIFT_OF_MOUNT, CauseKind.WARMTH_OF_MOUNT, CauseKind.CREEP_OF_MOUNT)


@dataclass(frozen=True)
class CauseView:
    """One coordinate in which causes are compared: a weighted sum of the columns of the history."""

    name: str  # "azimuth", "altitude", "north", "east"
    title: str
    weights: Floats = field(repr=False)  # (6,)
    nights_column: int | None  # of `NightAxis.estimate`; None where nights say nothing of it


@dataclass(frozen=True)
class CausePart:
    """What one cause did in one view, a row a reading of the history [arcsec]."""

    kind: CauseKind
    title: str
    value: Floats = field(repr=False)  # (n,)
    sd: Floats = field(repr=False)  # (n,)

    @property
    def sudden(self) -> bool:
        """Whether it moves by steps, which may dwarf everything else."""
        return self.kind.is_sudden


@dataclass(frozen=True)
class Left:
    """The nights' own readings in one view against the sum of all causes [arcsec]."""

    time_us: Ints = field(repr=False)  # (m,)
    read: Floats = field(repr=False)  # (m,) change since the start, by each night alone
    sd: Floats = field(repr=False)  # (m,) of the night
    left: Floats = field(repr=False)  # (m,) what is left over


def views(analysis: Analysis) -> tuple[CauseView, ...]:
    """Return the coordinates to compare causes in: those of the axis; where no night has one, of the tilt."""
    if any(night.has_axis for night in analysis.nights.nights):
        return view_named(analysis, "azimuth"), view_named(analysis, "altitude")
    return view_named(analysis, "north"), view_named(analysis, "east")


def view_named(analysis: Analysis, name: str) -> CauseView:
    """Return a view by its name.

    The azimuth and altitude of the axis are as `drift.mount.axis_error.axis_error` has them.
    """
    latitude = analysis.site.site.latitude_deg
    azimuth, altitude = axis_weights(math.radians(latitude))
    north, east = np.eye(len(HISTORY_COLUMNS))[:2]
    weights = {"azimuth": azimuth, "altitude": altitude, "north": north, "east": east}
    titles = {
        "azimuth": "azimuth of the axis",
        "altitude": "altitude of the axis",
        "north": "tilt toward north",
        "east": "tilt toward east",
    }
    column = {"azimuth": 0, "altitude": 1}.get(name)
    return CauseView(name, titles[name], weights[name], column)


def parts(analysis: Analysis, view: CauseView) -> list[CausePart]:
    """Return what each cause did in a view, those of one kind together.

    A cause that does nothing in the view is left out.  Columns of one cause, and causes that are shown as
    one, are taken as independent.
    """
    groups: dict[CauseKind, list[CauseSeries]] = {}
    for cause in analysis.history.causes:
        groups.setdefault(cause.kind, []).append(cause)
    found = []
    for kind, members in groups.items():
        value = np.sum([weighed(cause.change, view) for cause in members], axis=0)
        sd = np.sqrt(np.sum([weighed_sd(cause.sd, view) ** 2 for cause in members], axis=0))
        if np.any(np.abs(np.nan_to_num(value)) > 0) or np.any(np.nan_to_num(sd) > 0):
            found.append(CausePart(kind, _TOGETHER.get(kind, CAUSE_WORDS[kind]), value, sd))
    return found


def weighed(change: Any, view: CauseView) -> Floats:
    """Return the weighted sum of the columns of `change` (n, 6); columns without weight may be unknown."""
    used = view.weights != 0
    return np.asarray(change[:, used] @ view.weights[used])


def weighed_sd(sd: Any, view: CauseView) -> Floats:
    """Return the standard deviation of the weighted sum, columns taken as independent."""
    used = view.weights != 0
    return np.asarray(np.sqrt(sd[:, used] ** 2 @ view.weights[used] ** 2))


def total_sd(analysis: Analysis, view: CauseView) -> Floats:
    """Return at most what the standard deviation of the sum of all causes is, (n,) [arcsec].

    Notes
    -----
    Of two bounds the lower is taken.  One adds the columns' variances: what a night sees is their sum, so
    that their errors compensate in it.  The other is that of the difference between two nights alone, this
    one and the first, which the estimate from all nights can't be worse than.
    """
    bound, column, history = weighed_sd(analysis.history.sd, view), view.nights_column, analysis.history
    if column is None:
        return bound
    alone = {
        int(night.time_us): float(night.covariance[column, column])
        for night in analysis.nights.nights
        if np.isfinite(night.estimate[column])
    }
    variance = np.array([alone.get(int(time_us), math.inf) for time_us in history.time_us])
    known = np.flatnonzero(np.isfinite(bound))
    if not known.size:
        return bound
    two_nights = np.sqrt(variance + variance[known[0]])
    two_nights[known[0]] = 0.0
    return np.asarray(np.fmin(bound, two_nights))


def left_over(analysis: Analysis, view: CauseView) -> Left | None:
    """Return the nights against the sum of all causes; None where nights say nothing of the view.

    The sum counts from the start, the nights from the pole.  They are tied by the smoothed axis of the
    latest night, which is of the same fit.
    """
    column, history = view.nights_column, analysis.history
    if column is None or not np.isfinite(history.axis_now[column]):
        return None
    row_of = {int(time_us): row for row, time_us in enumerate(history.time_us)}
    nights = [night for night in analysis.nights.nights if int(night.time_us) in row_of]
    rows = np.array([row_of[int(night.time_us)] for night in nights], dtype=int)
    total = weighed(history.change, view)[rows] if rows.size else np.zeros(0)
    axes: Bools = np.array([night.has_axis for night in nights], dtype=bool) & np.isfinite(total)
    if not axes.any():
        return None
    start = float(history.axis_now[column] - total[np.flatnonzero(axes)[-1]])
    estimate = np.array([night.estimate[column] for night in nights])
    with np.errstate(invalid="ignore"):
        sd = np.sqrt(np.array([night.covariance[column, column] for night in nights]))
    known = np.isfinite(estimate) & np.isfinite(sd) & np.isfinite(total)
    read = estimate[known] - start
    return Left(history.time_us[rows][known], read, sd[known], read - total[known])


def scatter_in_sds(left: Left) -> float:
    """Return the root mean square of what is left over, each night against its own standard deviation."""
    return float(np.sqrt(np.mean((left.left / left.sd) ** 2)))


# ---- The picture of all causes.


#: Height of the panel of a cause, and of the last two [inches].
_CAUSE_IN, _SUM_IN = 0.72, 1.35
#: Room above all panels for what up and down mean [inches].
_HEAD_IN = 0.22
#: Most points drawn of a slow cause, about.
_POINTS = 150
#: The band of the sum lies over the nights, and hides more of them than other bands, so as to be seen there.
_BAND: dict[str, Any] = {"band": 0.45, "band_zorder": 3.5}
_UP = {
    "azimuth": "up is {clockwise}, down is {other}",
    "altitude": "up is higher, down is lower",
    "north": "up is north, down is south",
    "east": "up is east, down is west",
}
_EMPTY = "The record's causes have not been worked out one by one."


def figure(analysis: Analysis, ax: Any = None, *, width_in: float = WIDE_IN, view: str = "azimuth") -> Figure:
    """Draw what each cause alone did, all causes together against the nights, and what is left over.

    Parameters
    ----------
    analysis
        What was worked out for one pier.
    ax
        Matplotlib Axes to draw in, as many as there are panels (`panels`); None for a new figure.
    width_in
        Width of a new figure [inches].
    view
        In which coordinate: "azimuth" or "altitude" of the axis, tilt "north" or "east".

    Returns
    -------
    matplotlib.figure.Figure
        Change since the start [arcsec].  Bands are one standard deviation of the cause, or of the sum at
        most (`total_sd`), bars of the night.  Causes that go slowly share one scale; those that go by
        steps have their own.
    """
    with house_style():
        chosen = view_named(analysis, view)
        shown = parts(analysis, chosen)
        left = left_over(analysis, chosen)
        sums = (_SUM_IN,) * (2 if left is not None else 1)
        heights = (_CAUSE_IN,) * len(shown) + sums if shown else (_SUM_IN,)
        times = dates(analysis.history.time_us)
        drawn = time_panels(
            analysis,
            ax,
            heights,
            width_in,
            times if shown else None,
            nothing=_EMPTY,
            marks_in=_HEAD_IN,
            long_titles=False,
        )
        if drawn.empty:
            return drawn.figure
        for panel, part in zip(drawn.panels, shown, strict=False):
            _cause(panel, times, part)
        _share_scale(drawn.panels, shown)
        _sum(drawn.panels[len(shown)], analysis, chosen, times, left)
        if left is not None:
            _left(drawn.panels[-1], left)
        if ax is None:
            _head(drawn.figure, analysis, chosen, width_in)
        return drawn.figure


def panels(analysis: Analysis, view: str = "azimuth") -> int:
    """Return how many panels the picture has."""
    chosen = view_named(analysis, view)
    shown = parts(analysis, chosen)
    return len(shown) + (2 if left_over(analysis, chosen) is not None else 1) if shown else 1


def _head(figure: Figure, analysis: Analysis, view: CauseView, width_in: float) -> None:
    """Write above all panels what up and down mean."""
    clockwise, other = azimuth_sides(analysis)
    up = _UP[view.name].format(clockwise=clockwise, other=other)
    label = f"{view.title[0].upper()}{view.title[1:]} [arcsec]: {up}"
    size = 8.0 if is_narrow(width_in) else 9.0
    figure.text(0.02, 1.0 - 0.06 / figure.get_figheight(), label, va="top", fontsize=size)


def _title(panel: Axes, text: str) -> None:
    panel.set_title(text[0].upper() + text[1:], y=1.0, fontsize=8.5, pad=3)


def _cause(panel: Axes, times: Floats, part: CausePart) -> None:
    zero_line(panel)
    every = 1 if part.sudden else max(1, len(times) // _POINTS)
    line_with_band(panel, times, part.value, part.sd, _hue(part), every=every)
    _title(panel, part.title)
    panel.locator_params(axis="y", nbins=3)


def _hue(part: CausePart) -> str:
    if part.sudden:
        return colour("unsure")
    return colour("mount" if part.kind in _OF_MOUNT else "pier")


def _share_scale(drawn: list[Axes], shown: list[CausePart]) -> None:
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


def _sum(panel: Axes, analysis: Analysis, view: CauseView, times: Floats, left: Left | None) -> None:
    history = analysis.history
    total, sd = weighed(history.change, view), total_sd(analysis, view)
    if left is None:
        change_line(panel, times, total, sd, colour("axis"))
        _title(panel, "all causes together")
        return
    zero_line(panel)
    _nights(panel, left, left.read, colour("soft") if len(left.read) > MANY else colour("axis"))
    line_with_band(panel, times, total, sd, colour("ink"), linewidth=1.3, zorder=4, **_BAND)
    known = np.isfinite(total)
    _frame(panel, left.read, left.sd, total[known])
    _title(panel, "all causes together (line) against the nights")


def _left(panel: Axes, left: Left) -> None:
    zero_line(panel)
    _nights(panel, left, left.left, colour("axis"))
    _frame(panel, left.left, left.sd, np.zeros(1))
    _title(panel, f"left over: {scatter_in_sds(left):.1f} times the nights' own uncertainty")


def _nights(panel: Axes, left: Left, value: Floats, hue: str) -> None:
    size, bar = (1.8, 0.4) if len(value) > MANY else (3.0, 0.8)
    error_bars(panel, dates(left.time_us), value, left.sd, hue, markersize=size, bar_width=bar)


def _frame(panel: Axes, value: Floats, sd: Floats, line: Floats) -> None:
    near = trusted(sd)
    low = min(float((value - sd)[near].min()), float(line.min()))
    high = max(float((value + sd)[near].max()), float(line.max()))
    panel.set_ylim(frame_round(low, high, margin=0.06, least=LEAST_SPAN))
    note_outside(panel, value)


def lacking(analysis: Analysis) -> str:
    """Return why there is nothing to draw; "" where there is something."""
    if analysis.history.causes and any(parts(analysis, view) for view in views(analysis)):
        return ""
    return (
        "Causes can't be shown one by one: there is too little to tell them from one another, or only one "
        "night."
    )


def describe(analysis: Analysis, view: str = "azimuth") -> str:
    """Say in words what the picture shows, for those who can't see it."""
    chosen = view_named(analysis, view)
    shown = parts(analysis, chosen)
    if not shown:
        return "No cause is known by itself, so the picture is empty."
    parts_text = "; ".join(
        f"{part.title} from {np.nanmin(part.value):.0f} to {np.nanmax(part.value):.0f}" for part in shown
    )
    left = left_over(analysis, chosen)
    rest = (
        ""
        if left is None
        else f" What is left over scatters by {scatter_in_sds(left):.1f} times the nights' own uncertainty."
    )
    return f"What each cause did to the {chosen.title} since the start, in arcseconds: {parts_text}.{rest}"


# ---- What moved pier and mount in the last year, as one list of bars.


_BAR_IN, _FOOT_IN = 0.26, 0.1
#: Least movement that counts [arcsec].
_LEAST_MOVED = 0.5
_TILT_COLUMNS, _MOUNT_COLUMNS = (0, 1, 2, 3), (4, 5)


@dataclass(frozen=True)
class Moved:
    """How far one cause moved pier or mount within the last year of readings, from end to end [arcsec]."""

    title: str
    of_pier: bool
    size: float
    sd: float


def moved_last_year(analysis: Analysis) -> list[Moved]:
    """Return what moved it within the last year of readings, the largest first."""
    history = analysis.history
    if not len(history.time_us):
        return []
    last = np.flatnonzero(history.time_us >= history.time_us[-1] - round(YEAR_DAYS * DAY_US))
    groups: dict[tuple[CauseKind, bool], list[CauseSeries]] = {}
    for cause in history.causes:
        for of_pier, columns in ((True, _TILT_COLUMNS), (False, _MOUNT_COLUMNS)):
            if np.any(np.nan_to_num(cause.change[:, columns])):
                groups.setdefault((cause.kind, of_pier), []).append(cause)
    found = []
    for (kind, of_pier), members in groups.items():
        some = list(_TILT_COLUMNS if of_pier else _MOUNT_COLUMNS)
        change = np.nan_to_num(np.sum([one.change[last][:, some] for one in members], axis=0))
        sd = np.sqrt(np.sum([np.nan_to_num(one.sd[last][:, some]) ** 2 for one in members], axis=0))
        reach = np.ptp(change, axis=0)
        size = float(np.hypot.reduce(reach))
        if size >= _LEAST_MOVED:
            spread = float(np.hypot.reduce(reach * sd.max(axis=0)) / size)
            found.append(Moved(_TOGETHER.get(kind, CAUSE_WORDS[kind]), of_pier, size, spread))
    return sorted(found, key=lambda one: -one.size)


def moved_figure(analysis: Analysis, ax: Any = None, *, width_in: float = WIDE_IN) -> Figure:
    """Draw what moved pier and mount within the last year of readings, a bar a cause, the largest first.

    Parameters
    ----------
    analysis
        What was worked out for one pier.
    ax
        A matplotlib Axes to draw in; None for a new figure.
    width_in
        Width of a new figure [inches].
    """
    with house_style():
        rows = moved_last_year(analysis)
        height = max(_BAR_IN * len(rows), 0.6)
        left_in = 1.55 if is_narrow(width_in) else 2.1
        drawn, (panel,) = sheet(
            ax, (height,), width_in, left_in=left_in, below_in=_FOOT_IN, share_time=False, long_titles=False
        )
        if not rows:
            write_empty(panel, "Nothing moved by as much as can be told.")
            return drawn
        places = np.arange(len(rows))[::-1]
        hues = [colour("pier" if one.of_pier else "mount") for one in rows]
        panel.barh(places, [one.size for one in rows], color=hues, height=0.62, linewidth=0)
        room = 1.3 if is_narrow(width_in) else 1.15
        panel.set_xlim(0.0, room * max(one.size + one.sd for one in rows))
        for place, one in zip(places, rows, strict=True):
            ends = [max(one.size - one.sd, 0.0), one.size + one.sd]
            panel.plot(ends, [place, place], color=colour("ink"), linewidth=1.0)
            panel.annotate(
                any_angle(one.size, one.sd),
                (ends[1], place),
                xytext=(4.0, 0.0),
                textcoords="offset points",
                va="center",
                fontsize=7.5,
                color=colour("ink"),
            )
        panel.set_yticks(places, [_named(one) for one in rows])
        panel.set_ylim(-0.6, len(rows) - 0.4)
        panel.grid(axis="y", visible=False)
        panel.set_xlabel("[arcsec]")
        panel.set_title("Pier blue, mount orange", y=1.0)
        return drawn


def _named(moved: Moved) -> str:
    """Return the cause, and what it moved where its name does not say so."""
    what = "pier" if moved.of_pier else "mount"
    return moved.title if what in moved.title else f"{moved.title} ({what})"


def moved_lacking(analysis: Analysis) -> str:
    """Return why there is nothing to draw; "" where there is something."""
    if moved_last_year(analysis):
        return ""
    return "What moved it can be listed when causes can be told from one another."


def moved_describe(analysis: Analysis) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    rows = moved_last_year(analysis)
    if not rows:
        return "No cause is known to have moved pier or mount in the last year, so the picture is empty."
    parts_text = "; ".join(f"{_named(one)}, {any_angle(one.size, one.sd)}" for one in rows)
    return f"What moved pier and mount within the last year of readings, from end to end: {parts_text}."


def moved_table(analysis: Analysis) -> Table:
    """What moved pier and mount within the last year of readings."""
    rows = tuple(
        ("pier" if one.of_pier else "mount", one.title, plain_pair(one.size, one.sd))
        for one in moved_last_year(analysis)
    )
    return Table(
        "What moved it in the last year",
        ("what", "by", 'from end to end ["]'),
        rows,
        numeric=frozenset({2}),
        note="In arcseconds, ± one standard deviation.",
    )


def table(analysis: Analysis, view: str) -> Table:
    """What each cause did by the first reading of each month, and what was left over on nights."""
    chosen, history = view_named(analysis, view), analysis.history
    shown, left, zone = (
        parts(analysis, chosen),
        left_over(analysis, chosen),
        zone_of(analysis.site.site.timezone),
    )
    rest = (
        {}
        if left is None
        else dict(zip(left.time_us.tolist(), zip(left.left, left.sd, strict=True), strict=True))
    )
    total, total_uncertainty = weighed(history.change, chosen), total_sd(analysis, chosen)
    rows = [
        (
            clock_text(history.time_us[k], zone),
            *(plain_pair(part.value[k], part.sd[k]) for part in shown),
            plain_pair(total[k], total_uncertainty[k]),
            plain_pair(*rest.get(int(history.time_us[k]), (math.nan, math.nan))),
        )
        for k in _first_of_months(history.time_us)
    ]
    return Table(
        f"Causes, {chosen.title}",
        ("when", *(f'{part.title} ["]' for part in shown), 'together ["]', 'left over ["]'),
        tuple(rows) if shown else (),
        numeric=frozenset(range(1, len(shown) + 3)),
        note=(
            "At the first reading of each month, in arcseconds since the start, ± one standard deviation "
            "(of the sum at most); what is left over stands beside nights that show this coordinate."
        ),
    )


def _first_of_months(time_us: Ints) -> list[int]:
    months = [as_utc(t).strftime("%Y-%m") for t in time_us]
    return [k for k, month in enumerate(months) if k == 0 or month != months[k - 1]]
