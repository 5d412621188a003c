"""Changes close up: one event and its odds; corrections asked for against those found."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.codes import Part
from drift.quantities import DAY_US, Floats, Ints, local_date
from drift.render import phrases
from drift.render.figures.axis_and_tilt import fitted_axis
from drift.render.figures.canvas import (
    FITTED,
    LEAST_SPAN,
    PHONE_IN,
    WIDE_IN,
    colour,
    dates,
    error_bars,
    event_colour,
    house_style,
    is_narrow,
    least_height,
    sheet,
    write_empty,
    zero_line,
)
from drift.render.figures.time_panels import azimuth_sides, frame_round, note_outside, time_panels, trusted
from drift.render.phrases import clock_text, percent, zone_of
from drift.render.tables.axis import Table
from drift.render.tables.causes import asked_words, correction_mark, found_words, held_words
from drift.types import PARTS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.types import Analysis, CorrectionFound, Event


# ---- The readings on either side of an event, and what each side says by itself.


#: Most nights used on either side, and how far away they may be [days].
NIGHTS, DAYS = 10, 90
#: How much of the history is drawn on either side where there are no nights [days].
_HISTORY_DAYS = 60


@dataclass(frozen=True)
class Side:
    """The nights of one side, or the history's readings there.

    Parameters
    ----------
    time_us
        (n,) UTC.
    value, sd
        (n, k) one column a coordinate [arcsec].
    mean, mean_sd
        (k,) the value at the moment of the event by this side alone [arcsec]; NaN where unknown.
    curve
        (n, k) the fitted curve at its readings, moved so that it goes through them; flat where there is none.
    """

    time_us: Ints = field(repr=False)
    value: Floats = field(repr=False)
    sd: Floats = field(repr=False)
    mean: Floats = field(repr=False)
    mean_sd: Floats = field(repr=False)
    curve: Floats = field(repr=False)


@dataclass(frozen=True)
class Sides:
    """Both sides of an event: `of` is "axis" (azimuth, altitude, zero) or "tilt" (north, east)."""

    of: str
    before: Side
    after: Side


def sides_of(analysis: Analysis, event: Event) -> Sides:
    """Return the nights before and after an event; where a side has none, the history's tilt.

    No night is taken from beyond the next event or correction on its side.
    """
    nights = [night for night in analysis.nights.nights if night.has_axis]
    time_us = np.array([night.time_us for night in nights], dtype=np.int64)
    low, high = _bounds(analysis, event)
    before = np.flatnonzero((time_us <= event.after_us) & (time_us >= low))[-NIGHTS:]
    after = np.flatnonzero((time_us >= event.before_us) & (time_us <= high))[:NIGHTS]
    if not before.size or not after.size:
        return _tilt_sides(analysis, event, low, high)
    value = np.array([night.estimate for night in nights])
    with np.errstate(invalid="ignore"):
        sd = np.sqrt(np.array([np.diagonal(night.covariance) for night in nights]))
        own = np.sqrt(np.array([np.diagonal(night.own_covariance) for night in nights]))
    fitted = _fitted_at(analysis, time_us)
    before_side, after_side = (
        _side_of(time_us[k], value[k], sd[k], own[k], fitted[k], edge)
        for k, edge in ((before, -1), (after, 0))
    )
    return Sides("axis", before_side, after_side)


def _fitted_at(analysis: Analysis, time_us: Ints) -> Floats:
    """Return the fitted azimuth and altitude at nights, 0 where there is no curve [arcsec]."""
    found, fitted = np.zeros((len(time_us), 3)), fitted_axis(analysis)
    if fitted is not None:
        times, axis = fitted
        at = dates(time_us)
        for k in (0, 1):
            found[:, k] = 60.0 * np.interp(at, times, axis[:, k])
    return found


def _side_of(time_us: Ints, value: Floats, sd: Floats, own: Floats, fitted: Floats, edge: int) -> Side:
    """Return one side; its mean is taken about the fitted curve and refers to its reading next to the event.

    A flat mean would make the season's slope on either side a part of the step.
    """
    mean, mean_sd = _means(value - fitted, own)
    return Side(time_us, value, sd, mean + fitted[edge], mean_sd, fitted + mean)


def _bounds(analysis: Analysis, event: Event) -> tuple[int, int]:
    history, reach = analysis.history, DAYS * DAY_US
    others = [other for other in history.events if other is not event]
    ends = [other.before_us for other in others] + [found.time_us for found in history.corrections]
    starts = [other.after_us for other in others] + [found.time_us for found in history.corrections]
    low = max([t for t in ends if t <= event.after_us], default=event.after_us - reach)
    high = min([t for t in starts if t >= event.before_us], default=event.before_us + reach)
    return max(low, event.after_us - reach), min(high, event.before_us + reach)


def _tilt_sides(analysis: Analysis, event: Event, low: int, high: int) -> Sides:
    history, reach = analysis.history, _HISTORY_DAYS * DAY_US
    known = np.isfinite(history.change[:, :2]).any(axis=1)
    time_us = history.time_us
    before = known & (time_us <= event.after_us) & (time_us >= max(low, event.after_us - reach))
    after = known & (time_us >= event.before_us) & (time_us <= min(high, event.before_us + reach))
    nothing = np.full(2, np.nan)
    # the history's rows share what they rest on, so that their mean is no better known than each
    before_side, after_side = (
        Side(
            time_us[k],
            history.change[k, :2],
            history.sd[k, :2],
            nothing,
            nothing,
            np.full((int(k.sum()), 2), np.nan),
        )
        for k in (before, after)
    )
    return Sides("tilt", before_side, after_side)


def _means(value: Floats, own_sd: Floats) -> tuple[Floats, Floats]:
    """Return the weighted mean of each column with its sd, widened where the nights scatter by more."""
    mean, mean_sd = np.full(value.shape[1], np.nan), np.full(value.shape[1], np.nan)
    for k in range(value.shape[1]):
        known = np.isfinite(value[:, k]) & np.isfinite(own_sd[:, k]) & (own_sd[:, k] > 0)
        if not known.any():
            continue
        weight, read = 1.0 / own_sd[known, k] ** 2, value[known, k]
        mean[k] = np.sum(weight * read) / np.sum(weight)
        free = int(known.sum()) - 1
        spread = np.sum(weight * (read - mean[k]) ** 2) / free if free else 1.0
        mean_sd[k] = np.sqrt(max(1.0, spread) / np.sum(weight))
    return mean, mean_sd


# ---- One event close up: the nights before and after it, and the odds of what it was.


_PANEL_IN, _ODDS_IN = 1.15, 1.2
_LEAST_DAYS = 4.0
#: The frame is laid round nights no more uncertain than this many times the median night.
_FRAME_SDS = 4.0
#: Probability from which on the hour-angle zero is shown as well.
_ZERO_FROM = 0.02
#: Room beyond a bar of 100 % for its words.
_ODDS_RIGHT = 2.3


def event_figure(analysis: Analysis, ax: Any = None, *, width_in: float = PHONE_IN, event: int = 0) -> Figure:
    """Draw one event: the nights on either side of it, and the odds.

    Parameters
    ----------
    analysis
        What was worked out for one pier.
    ax
        Matplotlib Axes to draw in, as many as there are panels (`panels`); None for a new figure.
    width_in
        Width of a new figure [inches].
    event
        Which one: its place in the history, from 0.

    Returns
    -------
    matplotlib.figure.Figure
        Nights with bars of one standard deviation, both coordinates on one scale; through each side goes
        the fitted curve, with the standard deviation of the side's mean; the shaded time is that between
        the last reading before and the first one after.  Where nights are lacking, the pier's tilt is shown.

    Raises
    ------
    IndexError
        If there is no such event.
    """
    with house_style():
        shown = analysis.history.events[event]
        sides = sides_of(analysis, shown)
        coordinates = _coordinates(analysis, shown, sides)
        heights = (*(_PANEL_IN,) * len(coordinates), _ODDS_IN)
        drawn = time_panels(
            analysis,
            ax,
            heights,
            width_in,
            dates([*sides.before.time_us, shown.after_us, shown.before_us, *sides.after.time_us]),
            untimed=1,
            least_days=_LEAST_DAYS,
            share_time=False,
            long_titles=False,
            below_in=-0.12,
        )
        hue = event_colour(shown.what)
        for panel, (k, title, unit, scale) in zip(drawn.panels, coordinates, strict=False):
            _panel(panel, sides, k, scale)
            panel.set_title(title, y=1.0)
            panel.set_ylabel(f"[{unit}]")
            _when(panel, analysis, shown, hue)
        _one_scale(drawn.panels[:-1], [column for column, *_ in coordinates])
        for panel, (k, _, _, scale) in zip(drawn.panels, coordinates, strict=False):
            known = np.concatenate([side.value[:, k] for side in (sides.before, sides.after)]) / scale
            note_outside(panel, known[np.isfinite(known)])
        _odds(drawn.panels[-1], shown)
        return drawn.figure


def _one_scale(drawn: list[Axes], columns: list[int]) -> None:
    """Give azimuth and altitude, or both tilts, one height of frame, so that the larger step looks larger."""
    shared = [panel for panel, column in zip(drawn, columns, strict=True) if column < 2 and panel.lines]
    tallest = max((float(np.ptp(panel.get_ylim())) for panel in shared), default=0.0)
    for panel in shared:
        least_height(panel, tallest)


def panels(analysis: Analysis, event: int = 0) -> int:
    """Return how many panels the picture of an event has."""
    shown = analysis.history.events[event]
    return len(_coordinates(analysis, shown, sides_of(analysis, shown))) + 1


def _coordinates(analysis: Analysis, event: Event, sides: Sides) -> list[tuple[int, str, str, float]]:
    """Return column, title, unit and arcsec a unit of each panel."""
    if sides.of == "tilt":
        return [
            (0, "Pier tilt: up is north, down is south", "arcsec", 1.0),
            (1, "Pier tilt: up is east, down is west", "arcsec", 1.0),
        ]
    up, down = azimuth_sides(analysis)
    found = [
        (0, f"Azimuth of the axis: up is {up}, down is {down}", "arcmin", 60.0),
        (1, "Altitude of the axis: up is high, down is low", "arcmin", 60.0),
    ]
    zero_known = all(np.isfinite(side.value[:, 2]).any() for side in (sides.before, sides.after))
    if zero_known and event.probability.get(Part.ZERO, 0.0) >= _ZERO_FROM:
        found.append((2, "Hour-angle zero", "arcmin", 60.0))
    return found


def _panel(panel: Axes, sides: Sides, column: int, scale: float) -> None:
    for side in (sides.before, sides.after):
        _side(panel, side, column, scale)
    known = np.concatenate([side.value[:, column] for side in (sides.before, sides.after)])
    if not np.isfinite(known).any():
        write_empty(panel, "Not known from these readings.")
        return
    _frame(panel, sides, column, scale)
    panel.locator_params(axis="y", nbins=5)


def _side(panel: Axes, side: Side, column: int, scale: float) -> None:
    value, sd = side.value[:, column] / scale, side.sd[:, column] / scale
    known = np.isfinite(value)
    if not known.any():
        return
    times, hue = dates(side.time_us)[known], colour("axis")
    value, sd = value[known], np.nan_to_num(sd[known])
    near = trusted(sd, _FRAME_SDS)
    for some, size, alpha in ((~near, 2.2, 0.35), (near, 3.4, None)):
        if some.any():
            args = (panel, times[some], value[some], sd[some], hue)
            error_bars(*args, markersize=size, bar_width=0.25 * size, alpha=alpha)
    mean_sd = float(side.mean_sd[column]) / scale
    if phrases.known(float(side.mean[column]), mean_sd):
        curve = side.curve[known, column] / scale
        ends, curve = (times, curve) if times.size > 1 else (times[0] + np.array([-0.3, 0.3]), curve[[0, 0]])
        panel.fill_between(ends, curve - mean_sd, curve + mean_sd, color=hue, alpha=0.25, linewidth=0)
        panel.plot(ends, curve, color=hue, linewidth=1.4, label=FITTED)


def _frame(panel: Axes, sides: Sides, column: int, scale: float) -> None:
    """Lay the frame around the nights that are not far more uncertain than the others."""
    value, sd = (
        np.concatenate([getattr(side, name)[:, column] for side in (sides.before, sides.after)]) / scale
        for name in ("value", "sd")
    )
    sd = np.nan_to_num(sd)
    known = np.isfinite(value)
    value, sd = value[known], sd[known]
    near = trusted(sd, _FRAME_SDS)
    low, high = float((value - sd)[near].min()), float((value + sd)[near].max())
    panel.set_ylim(frame_round(low, high, margin=0.1, least=0.0))
    least_height(panel, LEAST_SPAN / scale)


def _when(panel: Axes, analysis: Analysis, event: Event, hue: str) -> None:
    """Shade the time in which it happened; corrections in the frame are dashed."""
    after, before = dates([event.after_us, event.before_us])
    panel.axvspan(after, before, color=hue, alpha=0.13, linewidth=0, zorder=0.5)
    low, high = panel.get_xlim()
    for time in dates([found.time_us for found in analysis.history.corrections]):
        if low <= time <= high:
            panel.axvline(time, color=colour("soft"), linewidth=0.9, linestyle=(0, (4, 2)), zorder=0.6)


def _odds(panel: Axes, event: Event) -> None:
    odds = odds_of(event)
    places = np.arange(len(odds))[::-1]
    hues = [event_colour(part) for part in odds]
    panel.barh(places, list(odds.values()), color=hues, height=0.62, linewidth=0)
    for place, (part, probability) in zip(places, odds.items(), strict=True):
        panel.text(
            probability + 0.03,
            place,
            f"{phrases.PART_WORDS[part]}, {percent(probability)}",
            va="center",
            fontsize=7.5,
        )
    panel.set_xlim(0, _ODDS_RIGHT)
    panel.set_ylim(-0.6, len(odds) - 0.4)
    panel.set_yticks([])
    panel.set_xticks([0, 0.5, 1], ["0 %", "50 %", "100 %"])
    panel.set_title("Odds of what it was", y=1.0)


def odds_of(event: Event) -> dict[str, float]:
    """Return the probability of each part, in the order of `PARTS`."""
    return {part: event.probability.get(part, 0.0) for part in PARTS}


def moved_by(sides: Sides) -> tuple[Floats, Floats]:
    """Return the step between the means of the two sides with its standard deviation [arcsec]."""
    step = sides.after.mean - sides.before.mean
    return step, np.hypot(sides.after.mean_sd, sides.before.mean_sd)


def describe_event(analysis: Analysis, event: int = 0) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    shown = analysis.history.events[event]
    sides = sides_of(analysis, shown)
    zone = zone_of(analysis.site.site.timezone)
    counts = [len(side.time_us) for side in (sides.before, sides.after)]
    if sides.of == "tilt":
        text = f"The pier's tilt at {counts[0]} readings before and {counts[1]} after"
    else:
        step, sd = moved_by(sides)
        latitude = analysis.site.site.latitude_deg
        text = (
            f"Azimuth and altitude of the axis on {counts[0]} nights before and {counts[1]} after: azimuth "
            f"went {phrases.any_angle(abs(step[0]), sd[0])} {phrases.azimuth_side(step[0], latitude)}, "
            f"altitude {phrases.any_angle(abs(step[1]), sd[1])} {'up' if step[1] >= 0 else 'down'}"
        )
    between = f"{clock_text(shown.after_us, zone)} and {clock_text(shown.before_us, zone)}"
    return f"{text}. It happened between {between}. Odds: {phrases.odds(shown.probability)}."


def table(analysis: Analysis, event: int) -> Table:
    """The nights before and after an event."""
    sides, zone = sides_of(analysis, analysis.history.events[event]), zone_of(analysis.site.site.timezone)
    axis = sides.of == "axis"
    scale = 60.0 if axis else 1.0
    rows = [
        (word, clock_text(time_us, zone), *(_scaled(side.value[k, c], side.sd[k, c], scale) for c in (0, 1)))
        for word, side in (("before", sides.before), ("after", sides.after))
        for k, time_us in enumerate(side.time_us)
    ]
    headings = ("azimuth [']", "altitude [']") if axis else ('tilt toward north ["]', 'tilt toward east ["]')
    return Table(
        "Readings around the event", ("side", "when", *headings), tuple(rows), numeric=frozenset({2, 3})
    )


def _scaled(value: float, sd: float, scale: float) -> str:
    return phrases.plain_pair(value / scale, sd / scale, most=2 if scale > 1 else 1)


# ---- Corrections: what was asked of the knob or the shims, against what was found.


#: Number of latest corrections drawn; the table has all.
LATEST = 14
_ROW_IN, _FOOT_IN = 0.42, 0.25


def corrections_figure(analysis: Analysis, ax: Any = None, *, width_in: float = WIDE_IN) -> Figure:
    """Draw each correction with an amount: asked as a hollow mark, found as a full one with its bar.

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
        One row a correction, the latest at the top, in arcminutes: of azimuth along the horizon, of
        altitude, or of tilt.  Bars are one standard deviation.
    """
    with house_style():
        rows = shown_corrections(analysis)
        height = max(1.0, _ROW_IN * len(rows) + 0.1)
        sheet_figure, (panel,) = sheet(
            ax, (height,), width_in, left_in=0.14, below_in=_FOOT_IN, long_titles=False
        )
        if not rows:
            write_empty(panel, "No correction with an amount is recorded.")
            return sheet_figure
        for place, (k, found) in enumerate(rows):
            _row(panel, analysis, place, correction_mark(k), found, is_narrow(width_in))
        zero_line(panel, upright=True)
        panel.set_ylim(len(rows) - 0.25, -0.55)
        panel.set_yticks([])
        panel.spines["left"].set_visible(False)
        _widen(panel)
        _label(panel, analysis, rows, is_narrow(width_in))
        panel.set_title("○ asked,  ● found ± one standard deviation", y=1.0)
        return sheet_figure


def shown_corrections(analysis: Analysis) -> list[tuple[int, CorrectionFound]]:
    """Return the latest corrections with an amount, asked or found, and their place; the latest first."""
    amounts = [
        (k, found)
        for k, found in enumerate(analysis.history.corrections)
        if phrases.known(found.asked) or phrases.known(found.found)
    ]
    return amounts[::-1][:LATEST]


def _row(
    panel: Axes, analysis: Analysis, place: int, mark: str, found: CorrectionFound, narrow: bool
) -> None:
    hue = colour("pier" if found.kind in ("shim", "nuts", "pier") else "mount")
    asked = found.asked / 60.0 if phrases.known(found.asked) and found.asked is not None else None
    seen = found.found / 60.0 if phrases.known(found.found) and found.found is not None else None
    if asked is not None and seen is not None:
        panel.plot([asked, seen], [place, place], color=hue, linewidth=0.9, zorder=1)
    if seen is not None:
        sd = found.found_sd / 60.0 if phrases.known(found.found_sd) and found.found_sd is not None else 0.0
        panel.plot(
            [seen - sd, seen + sd], [place, place], color=hue, linewidth=2.6, solid_capstyle="butt", alpha=0.6
        )
        panel.plot(seen, place, "o", color=hue, markersize=5.5, markeredgewidth=0, zorder=3)
    if asked is not None:
        look: dict[str, Any] = {"markerfacecolor": "none", "markeredgecolor": hue, "markeredgewidth": 1.3}
        panel.plot(asked, place, "o", markersize=8.5, zorder=4, **look)
    panel.text(
        0.0,
        place - 0.3,
        _correction_text(analysis, mark, found, narrow),
        transform=panel.get_yaxis_transform(),
        va="center",
        fontsize=7 if narrow else 7.5,
        color=colour("ink"),
    )


def _correction_text(analysis: Analysis, mark: str, found: CorrectionFound, narrow: bool) -> str:
    zone, latitude = zone_of(analysis.site.site.timezone), analysis.site.site.latitude_deg
    what = phrases.CORRECTION_WORDS.get(found.kind, phrases.harmless(found.kind))
    head = f"{mark}   {local_date(found.time_us, zone)}, {what}"
    if narrow:
        held = {True: "held", False: "did not hold", None: ""}[found.held]
        return f"{head}{': ' * bool(held)}{held}"
    outcome = {
        "asked": asked_words(found, latitude),
        "found": found_words(found, latitude),
        "held": held_words(found),
    }
    return "; ".join([head, *(f"{what}: {how}" for what, how in outcome.items() if how != "–")])


def _widen(panel: Axes) -> None:
    low, high = panel.get_xlim()
    low, high = min(low, 0.0), max(high, 0.0)
    margin = 0.06 * max(high - low, 0.1)
    panel.set_xlim(low - margin, high + margin)


def _label(panel: Axes, analysis: Analysis, rows: list[tuple[int, CorrectionFound]], narrow: bool) -> None:
    kinds = {found.kind for _, found in rows}
    latitude = analysis.site.site.latitude_deg
    right, left = [], []
    if "azimuth" in kinds:
        right.append(phrases.azimuth_side(1.0, latitude))
        left.append(phrases.azimuth_side(-1.0, latitude))
    if "altitude" in kinds:
        right.append("up")
        left.append("down")
    if kinds - {"azimuth", "altitude"}:
        right.append("as asked")
    gap = "\N{EN SPACE}" if narrow else "\N{EM SPACE}"
    to_left = f"← {', '.join(left)}{gap}" if left else ""
    panel.set_xlabel(f"{to_left}[arcmin]{gap}{', '.join(right)} →")


def lacking(analysis: Analysis) -> str:
    """Return why there is nothing to draw; "" where there is something."""
    return "" if shown_corrections(analysis) else "No correction with an amount is recorded."


def describe_corrections(analysis: Analysis) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    rows = shown_corrections(analysis)
    if not rows:
        return "No correction with an amount is recorded, so the picture is empty."
    rows_text = "; ".join(
        _correction_text(analysis, correction_mark(k), found, narrow=False) for k, found in rows
    )
    known = np.array([found.held is True for _, found in rows])
    count = phrases.counted(len(rows), "correction")
    return f"What was asked and what was found of {count}: {rows_text}. {known.sum()} held."
