"""The axis night by night with its limit and fitted curve; pier and mount apart."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.mount.axis_error import axis_error
from drift.quantities import DAY_US, Floats
from drift.render import phrases
from drift.render.figures.canvas import (
    FITTED,
    LEAST_SPAN,
    WIDE_IN,
    colour,
    corner_note,
    dates,
    error_bars,
    house_style,
    least_height,
    line_with_band,
    side_note,
    write_empty,
    zero_line,
)
from drift.render.figures.time_panels import (
    TILT_TITLES,
    axis_titles,
    azimuth_sides,
    frame_round,
    outside_words,
    time_panels,
    trusted,
)
from drift.render.phrases import evening_of
from drift.render.tables.axis import aimed_pole_arcmin, distances_arcmin, latest_row, plate_used, pole_words
from drift.types import HISTORY_COLUMNS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.types import Analysis, History


# ---- The axis on each night.


#: The frame is widened to show the pole or the limit when that makes it at most so many times taller.
_WIDEN = 3.0
#: Heights of the panels: the picture takes less than a sheet of paper.
_HEIGHTS_IN = (1.25, 1.25, 1.25)
#: A sensor that was silent for longer breaks its bar [days].
_BREAK_DAYS = 3.0
#: Number of the panel of the distance.
_DISTANCE = 2
#: A curve is drawn through so many nights at least, and with about so many points at most.
_LEAST_FITTED, _POINTS = 3, 700
#: A night this many times as uncertain as the middle one is weak: drawn pale and small.
_WEAK = 2.5


def axis_figure(analysis: Analysis, axes: Any = None, *, width_in: float = WIDE_IN) -> Figure:
    """Draw azimuth and altitude error of the axis on each night, and its distance from the pole.

    Parameters
    ----------
    analysis
        What was worked out for one pier.
    axes
        Three matplotlib Axes to draw in: azimuth, altitude, distance; None for a new figure.
    width_in
        Width of a new figure [inches].

    Returns
    -------
    matplotlib.figure.Figure
        Error bars are one standard deviation.  The distance is that on the sky from the pole aimed at; the
        tinted band there is what the site file allows.  A night whose error bar would dwarf all others
        may lie outside the frame, which then says so.

    Notes
    -----
    The limit is one on the distance, so neither coordinate has a band of its own: both may lie well
    within the limit and the axis beyond it.
    """
    with house_style():
        times_us, error, sd = _nights(analysis)
        times, limit = dates(times_us), analysis.site.warn.axis_arcmin
        drawn = time_panels(analysis, axes, _HEIGHTS_IN, width_in, times, marked=True)
        fitted = fitted_axis(analysis)
        for k, panel in enumerate(drawn.panels):
            if fitted is not None:
                _fitted(panel, fitted, k)
            _axis_panel(panel, times, error[:, k], sd[:, k], limit if k == _DISTANCE else None, limit or 0.0)
        for k, title in enumerate(axis_titles(analysis)):
            drawn.title(k, *title, "error [arcmin]")
        drawn.title(
            _DISTANCE,
            f"Distance on the sky from {pole_words(analysis)}",
            "" if limit is None else f"tinted within {limit:g}'",
            "distance [arcmin]",
        )
        drawn.mark_changes()
        return drawn.figure


def fitted_axis(analysis: Analysis) -> tuple[Floats, Floats] | None:
    """Return the smoothed axis at all readings: times as `dates` gives them, and values (n, 3) [arcmin].

    Azimuth, altitude and distance: the smoothed place of the latest night carried back by what pier and mount
    did.  None where no night shows the axis, or nothing is known of either.
    """
    history, latitude = analysis.history, math.radians(analysis.site.site.latitude_deg)
    axes = [night.time_us for night in analysis.nights.nights if night.has_axis]
    moved = axis_error(history.change, latitude)
    known = np.isfinite(moved).all(axis=1)
    seen = np.flatnonzero(known & np.isin(history.time_us, axes))
    if len(seen) < _LEAST_FITTED or not np.isfinite(history.axis_now).all():
        return None
    axis = (moved[known] - moved[seen[-1]] + history.axis_now) / 60.0
    to_sky = np.array([math.cos(latitude), 1.0])
    far = np.hypot(*(axis * to_sky - [0.0, aimed_pole_arcmin(analysis)]).T)
    return dates(history.time_us[known]), np.column_stack([axis, far])


def _fitted(panel: Axes, fitted: tuple[Floats, Floats], k: int) -> None:
    times, values = fitted
    sd = np.zeros(len(times))
    every = max(1, len(times) // _POINTS)
    line_with_band(
        panel,
        times,
        values[:, k],
        sd,
        colour("axis"),
        every=every,
        band=0.0,
        linewidth=1.2,
        alpha=0.75,
        label=FITTED,
        zorder=1.5,
    )


def _nights(analysis: Analysis) -> tuple[list[int], Floats, Floats]:
    """Return times of the nights that know either coordinate, and azimuth, altitude, distance [arcmin]."""
    nights = [night for night in analysis.nights.nights if np.isfinite(night.estimate[:2]).any()]
    error = np.array([night.estimate[:2] for night in nights], dtype=float).reshape(-1, 2) / 60.0
    variance = np.array([night.covariance.diagonal()[:2] for night in nights], dtype=float).reshape(-1, 2)
    far, far_sd = distances_arcmin(analysis, nights)
    sd = np.sqrt(variance) / 60.0
    return (
        [night.time_us for night in nights],
        np.column_stack([error, far]),
        np.column_stack([sd, far_sd]),
    )


def _axis_panel(
    panel: Axes, times: Floats, error: Floats, sd: Floats, limit: float | None = None, least: float = 0.0
) -> None:
    shown = np.isfinite(error)
    if not shown.any():
        write_empty(panel, "No night shows this of the axis yet.")
        return
    times, error, sd = times[shown], error[shown], np.where(np.isfinite(sd[shown]), sd[shown], 0.0)
    low, high = _frame(error, sd, limit)
    if limit is not None:
        panel.axhspan(0.0, limit, color=colour("allowed"), alpha=0.16, linewidth=0, zorder=0.2)
        panel.axhline(limit, color=colour("allowed"), linewidth=1.2, zorder=0.3)
    zero_line(panel)
    size, bar = (2.0, 0.5) if len(times) > 300 else (3.2, 0.8)
    strong = trusted(sd, _WEAK)
    if not strong.all():
        weak = ~strong
        error_bars(
            panel,
            times[weak],
            error[weak],
            sd[weak],
            colour("soft"),
            markersize=0.6 * size,
            bar_width=0.5 * bar,
            alpha=0.35,
        )
    error_bars(
        panel, times[strong], error[strong], sd[strong], colour("axis"), markersize=size, bar_width=bar
    )
    panel.set_ylim(low, high)
    least_height(panel, least)
    notes = outside_words(panel, error)
    if limit is not None and not low < limit < high:
        notes.append(f"the limit, {limit:g}', lies {'below' if low >= limit else 'above'} the frame")
    if notes:
        corner_note(panel, "; ".join(notes))


def _frame(error: Floats, sd: Floats, limit: float | None) -> tuple[float, float]:
    near = trusted(sd)
    low, high = float((error - sd)[near].min()), float((error + sd)[near].max())
    if limit is not None:
        high = max(high, limit)  # never tighter than the limit, so that what is well within it looks so
    return frame_round(low, high, (0.0,) if limit is None else (0.0, limit), widen=_WIDEN)


def describe_axis(analysis: Analysis) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    longitude = analysis.site.site.longitude_deg
    nights = [night for night in analysis.nights.nights if np.isfinite(night.estimate[:2]).any()]
    if not nights:
        return "No night shows the axis yet, so the picture is empty."
    first, last = (evening_of(night.time_us, longitude) for night in (nights[0], nights[-1]))
    sd = np.sqrt(nights[-1].covariance.diagonal())
    latest = nights[-1].estimate
    latitude = analysis.site.site.latitude_deg
    far, far_sd = (float(each[0]) for each in distances_arcmin(analysis, nights[-1:]))
    return (
        "Azimuth and altitude error of the axis and its distance on the sky from "
        f"{pole_words(analysis)} on "
        f"{phrases.counted(len(nights), 'night')}, {first} to {last}, "
        "with error bars of one standard deviation. On the latest night the azimuth is "
        f"{phrases.azimuth_words(latest[0], sd[0], latitude)} and the altitude is "
        f"{phrases.altitude_words(latest[1], sd[1])}{_far_words(analysis, far, far_sd)}. Marked are "
        f"{phrases.counted(len(analysis.history.events), 'event')} and "
        f"{phrases.counted(len(analysis.history.corrections), 'correction')}."
    )


def _far_words(analysis: Analysis, far: float, sd: float) -> str:
    if not phrases.known(far):
        return ""
    limit = analysis.site.warn.axis_arcmin
    tinted = "" if limit is None else f"; within {limit:g}', the warning limit, the picture is tinted"
    return f", which makes {phrases.any_arcmin(60.0 * far, 60.0 * sd)} on the sky{tinted}"


# ---- Pier and mount apart, since the start.


#: Greatest height of a frame, in limits of tilt.
_MOST_LIMITS = 6.0
_PANELS = (
    ("tilt_north", *TILT_TITLES[0], "pier"),
    ("tilt_east", *TILT_TITLES[1], "pier"),
    ("mount_az", "Mount in azimuth", "up is clockwise ({clockwise}), down is {other}", "mount"),
    ("mount_alt", "Mount in altitude", "up is axis raised, down is axis lowered", "mount"),
)


def tilt_figure(analysis: Analysis, axes: Any = None, *, width_in: float = WIDE_IN) -> Figure:
    """Draw tilt north, tilt east, mount azimuth and mount altitude since the start.

    Parameters
    ----------
    analysis
        What was worked out for one pier.
    axes
        Four matplotlib Axes to draw in, in that order; None for a new figure.
    width_in
        Width of a new figure [inches].

    Returns
    -------
    matplotlib.figure.Figure
        Bands are one standard deviation of the difference against the start, and break where no
        reading stands for 45 days.  Short strokes at the foot of the pier's panels are level readings, a bar
        there the time in which a tilt sensor logs all day.
        A plate that was shimmed is drawn dashed.
    """
    with house_style():
        history = analysis.history
        times, levels = dates(history.time_us), dates(level_times(analysis))
        drawn = time_panels(analysis, axes, (1.25,) * len(_PANELS), width_in, times, marked=True)
        clockwise, other = azimuth_sides(analysis)
        for k, (name, head, rest, hue) in enumerate(_PANELS):
            _tilt_panel(drawn.panels[k], history, times, name, colour(hue))
            drawn.title(k, head, rest.format(clockwise=clockwise, other=other), "[arcsec]")
        _one_scale(drawn.panels, analysis.site.warn.tilt_arcsec)
        for panel in drawn.panels[:2]:
            _level_marks(panel, levels, [dates(np.array(span)) for span in sensor_spans(analysis)])
        notes = ["strokes: level readings"] * bool(levels.size)
        notes += ["bar: tilt sensor"] * bool(history.sensors) + ["dashed: plate"] * plate_used(history)
        side_note(drawn.panels[1], "   ".join(notes), width_in)
        drawn.mark_changes()
        return drawn.figure


def level_times(analysis: Analysis) -> list[int]:
    """Return the times of the history that are no night's and no sensor's: those of level readings [us]."""
    others = {int(night.time_us) for night in analysis.nights.nights}
    for sensor in analysis.history.sensors:
        others |= set(sensor.day_us.tolist())
    return [int(t) for t in analysis.history.time_us if int(t) not in others]


def sensor_spans(analysis: Analysis) -> list[tuple[int, int]]:
    """Return from when to when tilt sensors logged without a break of days [us]."""
    out = []
    for sensor in analysis.history.sensors:
        breaks = np.flatnonzero(np.diff(sensor.day_us) > _BREAK_DAYS * DAY_US) + 1
        out += [(int(part[0]), int(part[-1])) for part in np.split(sensor.day_us, breaks)]
    return out


def _tilt_panel(panel: Axes, history: History, times: Floats, name: str, hue: str) -> None:
    k = HISTORY_COLUMNS.index(name)
    change, sd = history.change[:, k], history.sd[:, k]
    if not np.isfinite(change).any():
        write_empty(panel, "Not known from these readings.")
        return
    zero_line(panel)
    line_with_band(panel, times, change, sd, hue)
    plate = name.replace("tilt", "plate")
    if plate != name and plate_used(history):
        p = HISTORY_COLUMNS.index(plate)
        line_with_band(panel, times, history.change[:, p], history.sd[:, p], colour("unsure"), linestyle="--")
    least_height(panel, LEAST_SPAN)


def _one_scale(drawn: list[Axes], limit: float) -> None:
    """Give all panels one height of frame, of at least the limit; a mount set from far off may leave it."""
    known = [panel for panel in drawn if panel.lines]
    tallest = max((float(np.ptp(panel.get_ylim())) for panel in known), default=limit)
    height = min(max(tallest, limit), _MOST_LIMITS * limit)
    for panel in known:
        low, high = panel.get_ylim()
        values = np.concatenate([np.asarray(line.get_ydata(), dtype=float) for line in panel.lines[1:]])
        if high - low > height and values.size:
            # the frame shows the latest position
            middle = float(np.clip(values[-1], low + height / 2.0, high - height / 2.0))
            panel.set_ylim(middle - height / 2.0, middle + height / 2.0)
            corner_note(panel, "further off before, outside the frame")
        least_height(panel, height)


def _level_marks(panel: Axes, times: Floats, spans: list[Floats]) -> None:
    if not times.size and not spans:
        return
    low, high = panel.get_ylim()
    panel.set_ylim(low - 0.09 * (high - low), high)
    foot = panel.get_xaxis_transform()
    for span in spans:
        panel.plot(span, [0.03, 0.03], transform=foot, color=colour("ink"), linewidth=1.5)
    if not times.size:
        return
    width = 0.8 if len(times) < 100 else 0.4
    panel.plot(
        times,
        np.full(len(times), 0.05),
        "|",
        transform=foot,
        color=colour("ink"),
        markersize=5,
        markeredgewidth=width,
    )


def lacking(analysis: Analysis) -> str:
    """Return why there is nothing to draw; "" where there is something."""
    if np.isfinite(analysis.history.change).any(axis=1).sum() > 1:
        return ""
    return "A change of pier and mount needs two nights with a usable axis, or two level readings."


def describe_tilt(analysis: Analysis) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    history = analysis.history
    latest = latest_row(history)
    if latest is None:
        return "Nothing is known of the pier and the mount yet, so the picture is empty."
    change, sd = history.change[latest], history.sd[latest]
    latitude = analysis.site.site.latitude_deg
    return (
        "Four curves of the change since the start, with bands of one standard deviation: "
        "pier tilt north, pier tilt east, mount in azimuth, mount in altitude. "
        "At the latest reading the pier tilts "
        f"{phrases.tilt_words(change[0], sd[0], 'north', 'south')} and "
        f"{phrases.tilt_words(change[1], sd[1], 'east', 'west')}; the mount's azimuth has changed by "
        f"{phrases.mount_azimuth_words(change[4], sd[4], latitude)}, its altitude by "
        f"{phrases.mount_altitude_words(change[5], sd[5])}. "
        f"{phrases.counted(len(level_times(analysis)), 'level reading is', 'level readings are')} marked."
        f"{_sensors_described(history)}"
    )


def _sensors_described(history: History) -> str:
    days = sum(sensor.days for sensor in history.sensors)
    if not days:
        return ""
    sensors = phrases.counted(len(history.sensors), "tilt sensor that logged", "tilt sensors that logged")
    return f" A bar marks the time of {sensors} all day, {phrases.counted(days, 'day')} in all."
