"""The strip as a picture: the pier's track above the mount's, on one scale; the first of all pictures."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.quantities import local_date
from drift.render import phrases
from drift.render.figures.canvas import (
    WIDE_IN,
    colour,
    corner_note,
    dates,
    house_style,
    line_with_band,
    set_title,
    zero_line,
)
from drift.render.figures.time_panels import draw_winters, time_panels
from drift.render.phrases import zone_of
from drift.render.strip import NOTHING, Ahead, Curve, Strip, Track, frames_of, mark_day, short_angle, strip_of
from drift.render.tables.axis import Table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.types import Analysis


#: Height of both tracks together, and the least of one [inches].
_HEIGHT_IN, _LEAST_IN = 2.3, 0.7
#: Height of a track that stands alone [inches].
_ALONE_IN = 1.3
#: A row of words above a track [inches], and how many there may be.
_LANE_IN, _LANES = 0.17, 2
#: Width of a letter of those words [inches].
_LETTER_IN = 0.066
#: Steps of a scale [arcsec], and the least height of one [inches].
_STEPS, _STEP_IN = (5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000), 0.26
#: More points than this of one curve can't be told apart.
_POINTS = 400
_TINT = 0.13


def figure(analysis: Analysis, axes: Any = None, *, width_in: float = WIDE_IN) -> Figure:
    """Draw the strip: the pier's track above the mount's.

    Parameters
    ----------
    analysis
        What was worked out for one pier.
    axes
        As many matplotlib Axes as there are tracks (`panels`); None for a new figure.
    width_in
        Width of a new figure [inches].

    Returns
    -------
    matplotlib.figure.Figure
        Bands are one standard deviation; the tint reaches to the warning limits.  Winters are shaded.
        The forecast is an outline: its middle dashed, between the edges of what holds 80 %.
    """
    from matplotlib.ticker import MultipleLocator

    with house_style():
        strip = strip_of(analysis)
        if strip is None:
            drawn = time_panels(analysis, axes, (1.0,), width_in, None, nothing=NOTHING)
            return drawn.figure
        frames, lanes = frames_of(strip), _lanes(strip, width_in)
        room_in = _HEIGHT_IN if len(frames) > 1 else _ALONE_IN
        scale = sum(high - low for low, high in frames) / room_in
        heights = [
            max((high - low) / scale, _LEAST_IN) + _LANE_IN * len(rows)
            for (low, high), rows in zip(frames, lanes, strict=True)
        ]
        times = dates([strip.from_us, strip.until_us])
        drawn = time_panels(analysis, axes, heights, width_in, times)
        for k, (track, panel) in enumerate(zip(strip.tracks, drawn.panels, strict=True)):
            low, high = frames[k]
            panel.set_ylim(low, low + heights[k] * scale)
            panel.yaxis.set_major_locator(MultipleLocator(_step(scale)))
            _track(panel, analysis, strip, track, frames[k], width_in if k == 0 else 0.0)
            _write_lanes(panel, lanes[k], high, scale)
            set_title(panel, track.name, track.now, width_in)
            panel.set_ylabel("[arcsec]")
        return drawn.figure


def panels(analysis: Analysis) -> int:
    """Return how many tracks there are."""
    strip = strip_of(analysis)
    return 1 if strip is None else len(strip.tracks)


def _step(scale: float) -> float:
    """Return from tick to tick how many arcseconds, the same in both tracks."""
    return float(next((step for step in _STEPS if step >= _STEP_IN * scale), _STEPS[-1]))


def _track(
    panel: Axes, analysis: Analysis, strip: Strip, track: Track, frame: tuple[float, float], named_in: float
) -> None:
    """Draw one track; the winters are named where its width is given [inches]."""
    draw_winters(panel, analysis, strip.from_us, strip.until_us, named_in=named_in)
    bottom = -track.limit if track.signed else 0.0
    panel.axhspan(bottom, track.limit, color=colour("allowed"), alpha=_TINT, linewidth=0, zorder=0.2)
    for edge in {bottom, track.limit} - {0.0}:
        panel.axhline(edge, color=colour("allowed"), linewidth=1.0, zorder=0.3)
    zero_line(panel)
    _limit_words(panel, track, frame)
    for curve in track.curves:
        _curve(panel, curve)
    if track.ahead is not None:
        _outline(panel, track.ahead)
    for mark in strip.marks:
        if mark.of_pier != track.signed or len(strip.tracks) == 1:
            look = {"linewidth": 0.9, "linestyle": (0, (4, 2))} if mark.corrected else {"linewidth": 1.1}
            panel.axvline(float(dates([mark.time_us])[0]), color=colour("soft"), zorder=0.6, **look)
    if strip.today_us is not None:
        panel.axvline(float(dates([strip.today_us])[0]), color=colour("ink"), linewidth=1.4, zorder=0.7)
    beyond = max((float(np.abs(curve.value).max()) for curve in track.curves), default=0.0)
    if track.signed and beyond > max(abs(frame[0]), frame[1]):
        corner_note(panel, f"it stood up to {short_angle(beyond)} away, outside the frame")


def _limit_words(panel: Axes, track: Track, frame: tuple[float, float]) -> None:
    """Write the limit at its edge, on the inner side."""
    above = track.limit < frame[1]
    panel.annotate(
        f"limit {short_angle(track.limit)}",
        (0.0, track.limit if above else -track.limit),
        xycoords=panel.get_yaxis_transform(),
        xytext=(3, -2 if above else 2),
        textcoords="offset points",
        ha="left",
        va="top" if above else "bottom",
        fontsize=7,
        color=colour("soft"),
        zorder=0.8,
    )


def _curve(panel: Axes, curve: Curve) -> None:
    every = max(1, len(curve.time_us) // _POINTS)
    look: dict[str, Any] = {"linestyle": (0, (4, 1.6))} if curve.dashed else {}
    width = 1.3 if curve.dashed else 1.9
    args = (dates(curve.time_us), curve.value, curve.sd, colour(curve.hue))
    line_with_band(panel, *args, every=every, linewidth=width, label=curve.name, **look)


def _outline(panel: Axes, ahead: Ahead) -> None:
    """Draw a forecast: hollow, so that it is never taken for what was read."""
    times, hue = dates(ahead.time_us), colour("pier")
    for edge in (ahead.low, ahead.high):
        panel.plot(times, edge, color=hue, linewidth=0.8)
    panel.plot(times, ahead.middle, color=hue, linewidth=1.2, linestyle=(0, (1.2, 1.6)))


def _lanes(strip: Strip, width_in: float) -> list[list[list[tuple[float, str, str]]]]:
    """Return for each track its rows of words, each (share of the length, alignment, words)."""
    span = strip.until_us - strip.from_us
    made = []
    for track in strip.tracks:
        one = len(strip.tracks) == 1
        marks = [mark for mark in strip.marks if one or mark.of_pier != track.signed]
        words = [((mark.time_us - strip.from_us) / span, mark.words, mark.size) for mark in marks]
        if track is strip.tracks[0] and strip.today_us is not None:
            words.append(((strip.today_us - strip.from_us) / span, "today", math.inf))
        made.append(_stacked(words, width_in))
    return made


def _stacked(words: list[tuple[float, str, float]], width_in: float) -> list[list[tuple[float, str, str]]]:
    """Put words into as few rows as hold them side by side, the largest first; some may find no room."""
    length_in = width_in - 0.76
    rows: list[list[tuple[float, float, float, str, str]]] = []
    for share, text, _ in sorted(words, key=lambda one: -one[2] if one[2] == one[2] else 0.0):
        wide = len(text) * _LETTER_IN / length_in
        right = share + wide > 1.0
        low, high = (share - wide, share) if right else (share, share + wide)
        row = next((row for row in rows if all(high < a or low > b for a, b, *_ in row)), None)
        if row is None and len(rows) < _LANES:
            rows.append(row := [])
        if row is not None:
            row.append((low - 0.01, high + 0.01, share, "right" if right else "left", text))
    return [[(share, side, text) for _, _, share, side, text in row] for row in rows]


def _write_lanes(panel: Axes, rows: list[list[tuple[float, str, str]]], high: float, scale: float) -> None:
    low_x, high_x = panel.get_xlim()
    margin = 0.02 / 1.04 * (high_x - low_x)
    for k, row in enumerate(rows):
        for share, side, text in row:
            panel.annotate(
                text,
                (
                    low_x + margin + share * (high_x - low_x - 2.0 * margin),
                    high + (k + 0.5) * _LANE_IN * scale,
                ),
                xytext=(2 if side == "left" else -2, 0),
                textcoords="offset points",
                ha=side,
                va="center",
                fontsize=7.5,
                fontweight="bold" if text == "today" else "normal",
                color=colour("ink"),
                bbox={"facecolor": colour("ground"), "alpha": 0.8, "linewidth": 0, "pad": 0.6},
            )


def lacking(analysis: Analysis) -> str:
    """Return why there is nothing to draw; "" where there is something."""
    return "" if strip_of(analysis) is not None else NOTHING


def caption(analysis: Analysis) -> str:
    """Return what stands below the picture."""
    warn = analysis.site.warn
    return (
        "One arcsecond has the same height in both tracks. The tint reaches to your warning limits, "
        f"{warn.tilt_arcsec:g}\" of tilt and {warn.axis_arcmin:g}' of the axis; winters are shaded. "
        "Mount: azimuth solid, altitude dashed. The outline is the forecast, which holds 80 %."
    )


def describe(analysis: Analysis) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    strip = strip_of(analysis)
    if strip is None:
        return f"The picture is empty. {NOTHING}"
    zone = zone_of(analysis.site.site.timezone)
    tracks = [f"{track.name}: {track.now or phrases.NOT_KNOWN}" for track in strip.tracks]
    marks = [
        f"{mark.words} {'on ' if mark.corrected else ''}{mark_day(mark, analysis)}" for mark in strip.marks
    ]
    steps = f" Marked are: {phrases.listed(marks)}." if marks else " No step and no correction is marked."
    first, last = (local_date(time, zone) for time in (strip.from_us, strip.last_us))
    return (
        f"Pier and mount from {first} to {last} on one scale, against the limits. {'. '.join(tracks)}.{steps}"
    )


def table(analysis: Analysis) -> Table:
    """The strip's numbers, the latest first."""
    strip = strip_of(analysis)
    curves = [] if strip is None else [curve for track in strip.tracks for curve in track.curves]
    zone = zone_of(analysis.site.site.timezone)
    at: dict[int, dict[str, str]] = {}
    for curve in curves:
        for time_us, value, sd in zip(curve.time_us.tolist(), curve.value, curve.sd, strict=True):
            at.setdefault(time_us, {})[curve.name] = phrases.plain_pair(value, sd)
    names = [curve.name for curve in curves]
    rows = tuple(
        (phrases.clock_text(time_us, zone), *(at[time_us].get(name, "–") for name in names))
        for time_us in sorted(at, reverse=True)
    )
    return Table(
        "Has it moved?",
        ("when", *(f'{name} ["]' for name in names)),
        rows,
        numeric=frozenset(range(1, len(names) + 1)),
        note="Tilt from where it is counted, the mount from where it was set; ± one standard deviation.",
    )
