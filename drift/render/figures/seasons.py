"""The tilt through the year: winters laid over each other; one curve where there are none to compare."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.advice.movement import baseline_of
from drift.quantities import Floats, as_utc
from drift.render import phrases
from drift.render.figures.canvas import (
    GAP_DAYS,
    WIDE_IN,
    colour,
    corner_note,
    dates,
    house_style,
    is_narrow,
    line_with_band,
    ramp,
    set_title,
    sheet,
    write_empty,
    zero_line,
)
from drift.render.figures.time_panels import draw_winters, time_panels
from drift.render.phrases import toward
from drift.render.strip import has_outlook
from drift.render.tables.axis import Table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.types import Analysis, History


_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_FIRST_OF_MONTH = (0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334)
_NORTH, _EAST = 0, 1
#: Days of the year that a season's curve must cover to be compared with others.
_WHOLE_DAYS = 270.0
#: A piece of the forecast of fewer days of it is too short to be seen as one.
_LEAST_OUTLINE = 6
#: Number of latest seasons that are named at their lines.
_NAMED = 6
_HEIGHT_IN = 2.6
#: From where to where the days of a season are drawn.
YEAR_SPAN = (0.0, 366.0)
#: Width and height of a name at a line [inches].
_NAME_IN, _NAME_HIGH_IN = 0.5, 0.14


@dataclass(frozen=True)
class SeasonCurve:
    """One year from midsummer to midsummer: tilt along one direction by day since it began."""

    name: str
    day: Floats = field(repr=False)  # (n,) days since the season began
    tilt: Floats = field(repr=False)  # (n,) [arcsec]
    sd: Floats = field(repr=False)  # (n,) [arcsec]


def direction(history: History) -> float | None:
    """Return the bearing [deg] along which the winters are compared; None when no tilt is known.

    It is the direction of the seasonal swing where one was found, and that in which the pier goes for good
    where it goes further in a year than it swings; otherwise north or east, whichever component changed more.
    """
    tilt = history.change[:, :2]
    if not np.isfinite(tilt).any():
        return None
    if np.isfinite(tilt).all(axis=1).any():
        bearing = _lasting_bearing(history)
        if bearing is None and history.seasonal is not None:
            bearing = history.seasonal.toward_bearing_deg
        if bearing is not None:
            return float(bearing)
    spans = [_span(tilt[:, k]) for k in (_NORTH, _EAST)]
    return 0.0 if spans[_NORTH] >= spans[_EAST] else 90.0


def _lasting_bearing(history: History) -> float | None:
    """Return where the pier goes for good, where that is more in a year than its swing; else None."""
    lasting, seasonal = history.lasting, history.seasonal
    if lasting is None or lasting.toward_bearing_deg is None:
        return None
    swing = 0.0 if seasonal is None or seasonal.toward_bearing_deg is None else seasonal.peak_to_trough
    return lasting.toward_bearing_deg if lasting.arcsec_per_year > swing else None


def laid_over(analysis: Analysis, seasons: list[SeasonCurve]) -> bool:
    """Whether there is a whole year to lay others over, and a swing larger than the lasting movement."""
    whole = any(season.day[-1] - season.day[0] >= _WHOLE_DAYS for season in seasons)
    return whole and len(seasons) > 1 and _lasting_bearing(analysis.history) is None


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


def date_in_season(name: str, day: float) -> date | None:
    """Return the date so many days after a season of that name began; None where it names none."""
    if not name[:4].isdigit():
        return None
    south = "-" not in name
    return date(int(name[:4]), 1 if south else 7, 1) + timedelta(days=math.floor(day))


def figure(analysis: Analysis, ax: Any = None, *, width_in: float = WIDE_IN) -> Figure:
    """Draw the pier's tilt by day of the year, one curve with its band a winter, the latest bold.

    Where no year is whole, or the pier goes for good further than it swings, it is one curve over time.

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
        bearing = direction(analysis.history)
        seasons = [] if bearing is None else seasons_of(analysis, bearing)
        if not seasons or bearing is None:
            sheet_figure, (panel,) = sheet(ax, (_HEIGHT_IN,), width_in)
            write_empty(panel, "No tilt of the pier is known yet.")
            return sheet_figure
        if not laid_over(analysis, seasons):
            return _continuous(analysis, bearing, ax, width_in)
        sheet_figure, (panel,) = sheet(ax, (_HEIGHT_IN,), width_in)
        _month_axis(panel, analysis.site.site.latitude_deg < 0, width_in)
        zero_line(panel)
        for k, season in enumerate(seasons):
            _curve(panel, season, k, len(seasons))
        outlines = _outlines(analysis, bearing)
        for outline in outlines:
            _outline(panel, outline)
        _finish(panel, analysis, bearing, width_in)
        _names(panel, seasons, outlines, width_in)
        return sheet_figure


def _finish(panel: Axes, analysis: Analysis, bearing: float, width_in: float) -> None:
    """Draw the limit on either side to which the tilt goes, within the frame, and the title."""
    limit = analysis.site.warn.tilt_arcsec
    base = float(np.nan_to_num(baseline_of(analysis.site, analysis.history).tilt) @ np.array(_along(bearing)))
    low, high = panel.get_ylim()
    edges = (base + limit, *([base - limit] if low < base - 0.4 * limit else []))
    for edge in edges:
        panel.axhline(edge, color=colour("allowed"), linewidth=1.0, zorder=0.4)
    low, high = min(low, *edges), max(high, *edges)
    panel.set_ylim(low - 0.03 * (high - low), high + 0.06 * (high - low))
    panel.annotate(
        f'limit {limit:g}"',
        (0.0, base + limit),
        xycoords=panel.get_yaxis_transform(),
        xytext=(3, 2),
        textcoords="offset points",
        fontsize=7,
        color=colour("soft"),
    )
    set_title(panel, "Pier tilt", toward(bearing), width_in)
    panel.set_ylabel("since the start [arcsec]")


def _curve(panel: Axes, season: SeasonCurve, k: int, count: int) -> None:
    latest = k == count - 1
    look: dict[str, Any] = {
        "linewidth": 2.6 if latest else 1.3,
        "zorder": 3 + k / count,
        "label": season.name,
    }
    line_with_band(panel, season.day, season.tilt, season.sd, ramp(k, count), band=0.18, **look)


def _outlines(analysis: Analysis, bearing: float) -> list[SeasonCurve]:
    """Return the forecast cut into seasons; `sd` is half of the 80 % band."""
    made, south = analysis.history.forecast, analysis.site.site.latitude_deg < 0
    if made is None or not has_outlook(analysis.history):
        return []
    shares = np.array(_along(bearing))
    tilt = made.tilt @ shares
    half = np.sqrt(((made.tilt_high - made.tilt_low) / 2.0 * shares) ** 2 @ np.ones(2))
    cut: dict[tuple[int, str], list[tuple[float, float, float]]] = {}
    for time_us, middle, spread in zip(made.time_us.tolist(), tilt, half, strict=True):
        year, name, day = season_day(as_utc(time_us), south)
        cut.setdefault((year, name), []).append((day, middle, spread))
    few = _LEAST_OUTLINE
    return [
        SeasonCurve(name, *np.array(rows, dtype=float).T)
        for (_, name), rows in sorted(cut.items())
        if len(rows) >= few
    ]


def _outline(panel: Axes, ahead: SeasonCurve) -> None:
    """Draw a forecast hollow, so that it is never taken for what was read."""
    hue = colour("pier")
    for edge in (ahead.tilt - ahead.sd, ahead.tilt + ahead.sd):
        panel.plot(ahead.day, edge, color=hue, linewidth=0.8, zorder=5, label=ahead.name)
    dotted = (0, (1.2, 1.6))
    panel.plot(ahead.day, ahead.tilt, color=hue, linewidth=1.3, linestyle=dotted, zorder=5, label=ahead.name)


def _names(panel: Axes, seasons: list[SeasonCurve], ahead: list[SeasonCurve], width_in: float) -> None:
    """Write the name of each of the latest seasons at its line where it lies free."""
    low, high = panel.get_ylim()
    width, height = panel.get_position().width * width_in, _HEIGHT_IN
    taken: list[tuple[float, float]] = []
    named = [(seasons[k], ramp(k, len(seasons)), k == len(seasons) - 1) for k in range(len(seasons))]
    longest = max(ahead, key=lambda one: len(one.day), default=None)
    outlined = [] if longest is None or len(longest.day) < 3 else [(longest, colour("pier"), False)]
    for curve, hue, latest in [*named[::-1][:_NAMED], *outlined]:
        text = "forecast" if outlined and curve is longest else curve.name
        order = [int(np.argmax(curve.tilt)), *range(len(curve.day) - 1, -1, -max(1, len(curve.day) // 12))]
        for at in order:
            x = float(curve.day[at]) / 366.0 * width
            y = (float(curve.tilt[at]) - low) / (high - low) * height + _NAME_HIGH_IN * 0.7
            if x + _NAME_IN / 2 > width or x < _NAME_IN / 2 or y + _NAME_HIGH_IN / 2 > height:
                continue
            if all(abs(x - a) > _NAME_IN or abs(y - b) > _NAME_HIGH_IN for a, b in taken):
                taken.append((x, y))
                panel.text(
                    x / width * 366.0,
                    low + y / height * (high - low),
                    text,
                    ha="center",
                    va="center",
                    fontsize=7.5,
                    fontweight="bold" if latest else "normal",
                    color=hue if text == "forecast" else colour("ink"),
                    bbox={"facecolor": colour("ground"), "alpha": 0.75, "linewidth": 0, "pad": 0.4},
                    zorder=7,
                )
                break
    earlier = len(seasons) - _NAMED
    if earlier > 0:
        corner_note(panel, f"palest: {seasons[0].name} to {seasons[earlier - 1].name}", left=True)


def _continuous(analysis: Analysis, bearing: float, ax: Any, width_in: float) -> Figure:
    """Draw one curve over time, winters shaded, with the forecast as an outline."""
    history, ahead = analysis.history, analysis.history.forecast
    shown = ahead if ahead is not None and has_outlook(history) else None
    ends = [history.time_us[0], history.time_us[-1], *([] if shown is None else [shown.time_us[-1]])]
    drawn = time_panels(analysis, ax, (_HEIGHT_IN,), width_in, dates(ends))
    panel = drawn.panels[0]
    draw_winters(panel, analysis, int(min(ends)), int(max(ends)))
    tilt, sd = tilt_along(history, bearing)
    zero_line(panel)
    line_with_band(panel, dates(history.time_us), tilt, sd, colour("pier"), linewidth=1.9)
    if shown is not None:
        shares = np.array(_along(bearing))
        half = np.sqrt(((shown.tilt_high - shown.tilt_low) / 2.0 * shares) ** 2 @ np.ones(2))
        _outline(panel, SeasonCurve("forecast", dates(shown.time_us), shown.tilt @ shares, half))
    _finish(panel, analysis, bearing, width_in)
    return drawn.figure


def _month_axis(panel: Axes, south: bool, width_in: float) -> None:
    start = 0 if south else 6
    order = [(start + k) % 12 for k in range(12)]
    firsts = [(_FIRST_OF_MONTH[m] - _FIRST_OF_MONTH[start]) % 365 for m in order]
    panel.set_xlim(*YEAR_SPAN)
    panel.set_xticks(firsts)
    step = 2 if is_narrow(width_in) else 1
    panel.set_xticklabels([_MONTHS[m] if k % step == 0 else "" for k, m in enumerate(order)], ha="left")


def lacking(analysis: Analysis) -> str:
    """Return why there is nothing to draw; "" where there is something."""
    if direction(analysis.history) is not None and len(analysis.history.time_us) > 1:
        return ""
    return "Winters can be laid over each other when the pier's tilt is known at two readings at least."


def describe(analysis: Analysis) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    bearing = direction(analysis.history)
    seasons = [] if bearing is None else seasons_of(analysis, bearing)
    if bearing is None or not seasons:
        return "No tilt of the pier is known yet, so the picture is empty."
    if not laid_over(analysis, seasons):
        tilt, _ = tilt_along(analysis.history, bearing)
        known = tilt[np.isfinite(tilt)]
        return (
            f"The pier's tilt {toward(bearing)} over time as one curve with a band of one standard "
            f"deviation, from {known.min():.0f} to {known.max():.0f} arcsec over "
            f"{phrases.counted(known.size, 'reading')}, against the limit of "
            f"{analysis.site.warn.tilt_arcsec:g} arcsec."
        )
    text = "; ".join(
        f"{season.name}: from {season.tilt.min():.0f} to {season.tilt.max():.0f} arcsec over "
        f"{phrases.counted(len(season.day), 'reading')}"
        for season in seasons
    )
    return (
        f"The pier's tilt {toward(bearing)} by day of the year, one curve a winter, with bands of "
        f"one standard deviation; curves break where no reading stands for {GAP_DAYS:.0f} days. {text}."
    )


def table(analysis: Analysis) -> Table:
    """The tilt along the direction of the season, winter by winter."""
    bearing = direction(analysis.history)
    seasons = [] if bearing is None else seasons_of(analysis, bearing)
    rows = [
        (season.name, f"{since:.0f}", phrases.plain_pair(tilt, sd))
        for season in seasons
        for since, tilt, sd in zip(season.day, season.tilt, season.sd, strict=True)
    ]
    began = "1 January" if analysis.site.site.latitude_deg < 0 else "1 July"
    return Table(
        "Winters laid over each other",
        ("winter", f"days since {began}", 'tilt ["]'),
        tuple(rows),
        numeric=frozenset({1, 2}),
        note="" if bearing is None else f"Tilt {toward(bearing)} in arcseconds, ± one standard deviation.",
    )
