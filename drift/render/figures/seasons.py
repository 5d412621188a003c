"""Winters laid over each other: the pier's tilt by day of the year, one curve a winter."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.quantities import Floats, as_utc
from drift.render import phrases
from drift.render.figures.canvas import (
    GAP_DAYS,
    LEAST_SPAN,
    WIDE_IN,
    house_style,
    is_narrow,
    least_height,
    line_with_band,
    ramp,
    say_empty,
    set_title,
    sheet,
    zero_line,
)
from drift.render.phrases import toward

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.types import Analysis, History


_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_FIRST_OF_MONTH = (0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334)
_NORTH, _EAST = 0, 1
#: The latest winters differ by dash as well; all earlier ones share the last of these.
_DASHES: tuple[Any, ...] = (
    "solid",
    (0, (6, 2)),
    (0, (3, 1.5)),
    (0, (1.2, 1.2)),
    (0, (6, 1.5, 1.2, 1.5)),
    (0, (3, 1.2, 1.2, 1.2, 1.2, 1.2)),
    (0, (9, 4)),
    (0, (1.2, 3)),
)


@dataclass(frozen=True)
class SeasonCurve:
    """One year from midsummer to midsummer: tilt along one direction by day since it began."""

    name: str
    day: Floats = field(repr=False)  # (n,) days since the season began
    tilt: Floats = field(repr=False)  # (n,) [arcsec]
    sd: Floats = field(repr=False)  # (n,) [arcsec]


def direction(history: History) -> float | None:
    """Return the bearing [deg] along which the winters are compared; None when no tilt is known.

    It is the direction of the seasonal swing where one was found; otherwise north or east, whichever
    component changed more.
    """
    tilt = history.change[:, :2]
    if not np.isfinite(tilt).any():
        return None
    if history.seasonal is not None and history.seasonal.toward_bearing_deg is not None:
        both_known = np.isfinite(tilt).all(axis=1)
        if both_known.any():
            return float(history.seasonal.toward_bearing_deg)
    spans = [_span(tilt[:, k]) for k in (_NORTH, _EAST)]
    return 0.0 if spans[_NORTH] >= spans[_EAST] else 90.0


def _span(values: Floats) -> float:
    values = values[np.isfinite(values)]
    return float(values.max() - values.min()) if values.size else -1.0


def seasons_of(analysis: Analysis, bearing_deg: float) -> list[SeasonCurve]:
    """Cut the tilt toward `bearing_deg` into seasons, the earliest first.

    North of the equator a season runs from 1 July and is called 2023-24, south of it from 1 January
    and is called 2024, so that winter is in its middle.  North and east tilt are taken as independent,
    since one rests on altitudes and the other on azimuths and the zero.
    """
    history, south = analysis.history, analysis.site.site.latitude_deg < 0
    tilt, sd = tilt_along(history, bearing_deg)
    rows: dict[tuple[int, str], list[tuple[float, float, float]]] = {}
    for i, time_us in enumerate(history.time_us):
        if math.isfinite(tilt[i]):
            year, name, day = season_day(as_utc(time_us), south)
            rows.setdefault((year, name), []).append((day, tilt[i], sd[i]))
    return [SeasonCurve(name, *np.array(found, dtype=float).T) for (_, name), found in sorted(rows.items())]


def tilt_along(history: History, bearing_deg: float) -> tuple[Floats, Floats]:
    """Return the tilt toward a bearing with its standard deviation, (n,) each [arcsec]."""
    north, east = _along(bearing_deg)
    # a component without a share is left out, so that it may be unknown
    used = [(k, share) for k, share in ((_NORTH, north), (_EAST, east)) if share]
    tilt = np.sum([share * history.change[:, k] for k, share in used], axis=0)
    sd = np.sqrt(np.sum([(share * history.sd[:, k]) ** 2 for k, share in used], axis=0))
    return tilt, sd


def _along(bearing_deg: float) -> tuple[float, float]:
    """Return the shares of north and east in a bearing, exactly 0 where they vanish."""
    shares = math.cos(math.radians(bearing_deg)), math.sin(math.radians(bearing_deg))
    return tuple(0.0 if abs(share) < 1e-9 else share for share in shares)  # type: ignore[return-value]


def season_day(when: datetime, south: bool) -> tuple[int, str, float]:
    """Return of a time the year in which its season began, the season's name, and the days since then."""
    year = when.year if south or when.month >= 7 else when.year - 1
    began = datetime(year, 1 if south else 7, 1, tzinfo=UTC)
    name = str(year) if south else f"{year}-{(year + 1) % 100:02d}"
    return year, name, (when - began).total_seconds() / 86400.0


def figure(analysis: Analysis, ax: Any = None, *, width_in: float = WIDE_IN) -> Figure:
    """Draw the pier's tilt by day of the year, one curve with its band a winter.

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
        sheet_figure, (panel,) = sheet(ax, (2.8,), width_in, below_in=_legend_room(analysis, width_in))
        bearing = direction(analysis.history)
        seasons = [] if bearing is None else seasons_of(analysis, bearing)
        _month_axis(panel, analysis.site.site.latitude_deg < 0, width_in)
        if not seasons or bearing is None:
            say_empty(panel, "No tilt of the pier is known yet.")
            return sheet_figure
        zero_line(panel)
        for k, season in enumerate(seasons):
            _curve(panel, season, k, len(seasons))
        set_title(panel, f"Pier tilt {toward(bearing)}", "", width_in)
        panel.set_ylabel("tilt since the start [arcsec]")
        _legend(panel, seasons, width_in)
        least_height(panel, LEAST_SPAN)
        return sheet_figure


def _curve(panel: Axes, season: SeasonCurve, k: int, count: int) -> None:
    age = count - 1 - k
    line_with_band(
        panel,
        season.day,
        season.tilt,
        season.sd,
        ramp(k, count),
        linestyle=_DASHES[min(age, len(_DASHES) - 1)],
        linewidth=2.2 if age == 0 else 1.4,
        zorder=3 + k / count,
    )


def _legend(panel: Axes, seasons: list[SeasonCurve], width_in: float) -> None:
    from matplotlib.lines import Line2D

    count = len(seasons)
    columns = math.ceil(count / _legend_rows(count, width_in))
    # matplotlib fills column by column; people read row by row
    order = [k for column in range(columns) for k in range(column, count, columns)]
    lines = [
        Line2D(
            [],
            [],
            color=ramp(k, count),
            linestyle=_DASHES[min(count - 1 - k, len(_DASHES) - 1)],
            linewidth=2.2 if k == count - 1 else 1.4,
        )
        for k in order
    ]
    panel.legend(
        lines,
        [seasons[k].name for k in order],
        loc="upper center",
        bbox_to_anchor=(0.5, -0.08),
        frameon=False,
        ncols=columns,
        fontsize=7.5 if is_narrow(width_in) else 8,
        handlelength=2.6 if is_narrow(width_in) else 3.2,
        columnspacing=1.0 if is_narrow(width_in) else 2.0,
    )


def _legend_rows(count: int, width_in: float) -> int:
    return math.ceil(count / (3 if is_narrow(width_in) else 6))


def _legend_room(analysis: Analysis, width_in: float) -> float:
    """Return the room for the names of the winters below the picture [inches]."""
    bearing = direction(analysis.history)
    count = 0 if bearing is None else len(seasons_of(analysis, bearing))
    return 0.12 + 0.19 * _legend_rows(count, width_in)


def _month_axis(panel: Axes, south: bool, width_in: float) -> None:
    start = 0 if south else 6
    order = [(start + k) % 12 for k in range(12)]
    firsts = [(_FIRST_OF_MONTH[m] - _FIRST_OF_MONTH[start]) % 365 for m in order]
    panel.set_xlim(0, 366)
    panel.set_xticks(firsts)
    step = 2 if is_narrow(width_in) else 1
    panel.set_xticklabels([_MONTHS[m] if k % step == 0 else "" for k, m in enumerate(order)], ha="left")


def lacking(analysis: Analysis) -> str:
    """Say why there is nothing to draw; nothing where there is."""
    if direction(analysis.history) is not None and len(analysis.history.time_us) > 1:
        return ""
    return "Winters can be laid over each other when the pier's tilt is known at two readings at least."


def describe(analysis: Analysis) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    bearing = direction(analysis.history)
    seasons = [] if bearing is None else seasons_of(analysis, bearing)
    if bearing is None or not seasons:
        return "No tilt of the pier is known yet, so the picture is empty."
    told = "; ".join(
        f"{season.name}: from {season.tilt.min():.0f} to {season.tilt.max():.0f} arcsec over "
        f"{phrases.counted(len(season.day), 'reading')}"
        for season in seasons
    )
    return (
        f"The pier's tilt {toward(bearing)} by day of the year, one curve a winter, with bands of "
        f"one standard deviation; curves break where no reading stands for {GAP_DAYS:.0f} days. {told}."
    )
