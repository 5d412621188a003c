"""The ground under the tilt: air temperature, frost against the pier's base, and what the pier did."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from drift.quantities import DAY_US, Bools, Floats, local_date
from drift.render import phrases
from drift.render.figures.canvas import (
    WIDE_IN,
    colour,
    corner_note,
    dates,
    dots,
    house_style,
    write_empty,
    zero_line,
)
from drift.render.figures.seasons import direction, tilt_along
from drift.render.figures.time_panels import TimePanels, change_line, time_panels
from drift.render.phrases import toward, zone_of
from drift.render.tables.axis import Table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.ground.frost_front import UnderPier
    from drift.types import Analysis


_HEIGHTS_IN = (1.1, 1.35, 1.35)
#: The weather is shown this long before the first reading and after the last [days].
_AROUND_DAYS = 120
#: The table has every so many-th day of the picture.
_GROUND_DAYS = 7
#: Of long records every few days are joined to one temperature, so that about this many are drawn.
_TEMPERATURES = 900
_PALE = 0.4
#: What is left frozen when the likely layer has thawed is gone within so long [days].
_THAW_DAYS = 40


def figure(analysis: Analysis, ax: Any = None, *, width_in: float = WIDE_IN) -> Figure:
    """Draw air temperature, the frozen layer against the pier's base, and the tilt, on one time axis.

    Parameters
    ----------
    analysis
        What was worked out for one pier.
    ax
        Three matplotlib Axes to draw in, in that order; None for a new figure.
    width_in
        Width of a new figure [inches].

    Returns
    -------
    matplotlib.figure.Figure
        Depth runs downward.  The paler layer reaches as deep as the frost may have gone within what
        isn't known of soil and surface; the dashed line is the pier's base.  Bands of the tilt are one
        standard deviation.
    """
    with house_style():
        ground = analysis.ground
        shown = slice(0) if ground is None else days_shown(analysis, ground)
        times = None if ground is None else dates(ground.time_us[shown])
        drawn = time_panels(analysis, ax, _HEIGHTS_IN, width_in, times, nothing="There is no weather log.")
        if ground is None or times is None:
            return drawn.figure
        _temperature(drawn.panels[0], times, ground, shown)
        drawn.title(0, "Air", "daily mean temperature", "[°C]")
        _frost(drawn.panels[1], times, ground, shown)
        drawn.title(1, "Frozen ground", "dashed: the pier's base; pale: uncertain", "depth [m]")
        _tilt(drawn, analysis)
        return drawn.figure


def days_shown(analysis: Analysis, ground: UnderPier) -> slice:
    """Return the days of the weather that are drawn: those around the readings."""
    times, around = analysis.history.time_us, _AROUND_DAYS * DAY_US
    if not len(times):
        return slice(None)
    first, last = np.searchsorted(ground.time_us, [times[0] - around, times[-1] + around])
    return slice(int(first), int(last)) if last > first else slice(None)


def _temperature(panel: Axes, times: Floats, ground: UnderPier, shown: slice) -> None:
    """Draw the air, pale where it is filled in; a logged day between two that are not is a dot."""
    hue, filled = colour("axis"), ground.filled[shown]
    times, air, logged = thinned(times, ground.air_c[shown], ~filled)
    zero_line(panel)
    panel.plot(times, np.where(logged, air, np.nan), color=hue, linewidth=0.8)
    beside = _beside(logged)
    dots(panel, times[logged & ~beside], air[logged & ~beside], hue, markersize=1.5)
    if filled.any():
        # up to the logged days on either side, so that also a single day is a piece of line
        pale = np.where(~logged | _beside(~logged), air, np.nan)
        panel.plot(times, pale, color=hue, linewidth=0.8, alpha=_PALE, zorder=1.5)
        corner_note(panel, f"pale: {phrases.counted(int(filled.sum()), 'day')} without a reading")


def thinned(times: Floats, air: Floats, logged: Bools) -> tuple[Floats, Floats, Bools]:
    """Of a long record join every few days to one, of the logged days among them where there are any."""
    every = max(1, len(times) // _TEMPERATURES)
    if every == 1:
        return times, air, logged
    starts = np.arange(0, len(times), every)
    count = np.add.reduceat(logged.astype(float), starts)
    days = np.diff(np.append(starts, len(times)))
    of_logged = np.add.reduceat(np.where(logged, air, 0.0), starts) / np.maximum(count, 1.0)
    middle = np.add.reduceat(times, starts) / days
    return middle, np.where(count > 0, of_logged, np.add.reduceat(air, starts) / days), count > 0


def _beside(chosen: Bools) -> Bools:
    """Return which days have a chosen day next to them."""
    near = np.zeros(chosen.size, dtype=bool)
    near[1:] |= chosen[:-1]
    near[:-1] |= chosen[1:]
    return near


def _frost(panel: Axes, times: Floats, ground: UnderPier, shown: slice) -> None:
    top, bottom, deep, shallow = (
        series[shown] for series in (ground.top_m, ground.bottom_m, ground.deep_m, ground.shallow_m)
    )
    hue = colour("cold")
    sure, from_m = _surely_frozen(top, bottom, shallow), _unsure_from(top, deep, shallow)
    panel.fill_between(times, from_m, deep, where=np.isfinite(deep), color=hue, alpha=0.35, linewidth=0)
    panel.fill_between(times, top, sure, where=np.isfinite(sure), color=hue, alpha=0.75, linewidth=0)
    panel.plot(times, bottom, color=hue, linewidth=1.0)
    panel.axhline(ground.base_m, color=colour("unsure"), linewidth=1.2, linestyle=(0, (5, 2)))
    deepest = float(np.nanmax([ground.base_m, *deep[np.isfinite(deep)], 0.1]))
    panel.set_ylim(deepest * 1.1, 0.0)


def _surely_frozen(top: Floats, bottom: Floats, shallow: Floats) -> Floats:
    """Return down to where the ground is frozen whatever the soil; NaN where that is nowhere."""
    sure = np.minimum(bottom, shallow)
    with np.errstate(invalid="ignore"):
        return np.where(sure > top, sure, np.nan)


def _unsure_from(top: Floats, deep: Floats, shallow: Floats) -> Floats:
    """Return from where on down the ground may be frozen.

    What may still be frozen when the likely layer has thawed lies below where its top was last, not below
    the surface.
    """
    top_last = pd.Series(top).ffill(limit=_THAW_DAYS).fillna(0.0).to_numpy()
    above = np.where(np.isfinite(shallow), np.fmax(shallow, np.nan_to_num(top)), top_last)
    return np.minimum(above, np.nan_to_num(deep, nan=np.inf))


def _tilt(drawn: TimePanels, analysis: Analysis) -> None:
    bearing = direction(analysis.history)
    if bearing is None:
        write_empty(drawn.panels[2], "No tilt of the pier is known yet.")
        return
    tilt, sd = tilt_along(analysis.history, bearing)
    change_line(drawn.panels[2], dates(analysis.history.time_us), tilt, sd, colour("pier"))
    drawn.title(2, "Pier tilt", toward(bearing), "[arcsec]")


def deepest_words(ground: UnderPier, shown: slice) -> str:
    """Say how deep the frost went, within what isn't known, and where the base is."""
    bottom, deep, shallow = (s[shown] for s in (ground.bottom_m, ground.deep_m, ground.shallow_m))
    if not np.isfinite(bottom).any():
        return f"No frost is worked out for the ground; the pier's base is {ground.base_m:g} m down."
    middle, most = float(np.nanmax(bottom)), float(np.nanmax(deep))
    least = float(np.nanmax(shallow)) if np.isfinite(shallow).any() else 0.0
    return (
        f"The frost went {middle:.2f} m down at most ({least:.2f} to {most:.2f} m within what isn't known of "
        f"the soil); the pier's base is {ground.base_m:g} m down."
    )


def lacking(analysis: Analysis) -> str:
    """Return why there is nothing to draw; "" where there is something."""
    if analysis.ground is not None:
        return ""
    return "The ground is shown when a weather log of at least a month has been imported."


def describe(analysis: Analysis) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    ground = analysis.ground
    if ground is None:
        return "There is no weather log, so the picture is empty."
    shown = days_shown(analysis, ground)
    air = ground.air_c[shown]
    bearing = direction(analysis.history)
    tilt = "" if bearing is None else f" Below it is the pier's tilt {toward(bearing)} with its band."
    return (
        f"Air temperature from {air.min():.0f} to {air.max():.0f} °C, the frozen layer of the ground, and "
        f"the pier's base, day by day. {deepest_words(ground, shown)}{tilt}"
    )


def table(analysis: Analysis) -> Table:
    """Air and frozen ground, every seventh day of the picture."""
    ground = analysis.ground
    rows: list[tuple[str, ...]] = []
    if ground is not None:
        zone, shown = zone_of(analysis.site.site.timezone), days_shown(analysis, ground)
        for k in range(*shown.indices(len(ground.time_us)))[::_GROUND_DAYS]:
            reach = (
                "–" if not math.isfinite(ground.deep_m[k]) else _reach(ground.shallow_m[k], ground.deep_m[k])
            )
            rows.append(
                (
                    local_date(ground.time_us[k], zone),
                    f"{ground.air_c[k]:.1f}{' (filled in)' if ground.filled[k] else ''}",
                    _metres(ground.top_m[k]),
                    _metres(ground.bottom_m[k]),
                    reach,
                )
            )
    base = "" if ground is None else f" The pier's base is {ground.base_m:g} m down."
    return Table(
        "Air and ground",
        ("day", "air [°C]", "frozen from [m]", "to [m]", "to within what isn't known [m]"),
        tuple(rows),
        numeric=frozenset({1, 2, 3, 4}),
        note=f"Every seventh day; depths below the surface, worked out from the weather.{base}",
    )


def _metres(depth: float) -> str:
    return f"{depth:.2f}" if math.isfinite(depth) else "–"


def _reach(shallow: float, deep: float) -> str:
    return f"{shallow if math.isfinite(shallow) else 0.0:.2f} to {deep:.2f}"
