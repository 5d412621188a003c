"""How well each night could measure: its uncertainty, the sky it covered, readings used and set aside."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.quantities import Floats
from drift.render import phrases
from drift.render.figures.canvas import WIDE_IN, colour, dates, dots, house_style, side_note, write_empty
from drift.render.figures.time_panels import time_panels
from drift.render.phrases import evening_of
from drift.render.tables.axis import Table

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.types import Analysis, NightAxis


_HEIGHTS_IN = (1.45, 0.95, 0.95, 0.95)
#: A scale of less than this ratio would have but one or two ticks at 1, 2, 5.
_SHORT_SCALE = 6.0
#: A stroke shorter than this share of all is too short to be seen.
_SHORT = 0.03


def figure(analysis: Analysis, ax: Any = None, *, width_in: float = WIDE_IN) -> Figure:
    """Draw uncertainty, hour angles, declinations, and readings used and set aside of each night.

    Parameters
    ----------
    analysis
        What was worked out for one pier.
    ax
        Four matplotlib Axes to draw in, in that order; None for a new figure.
    width_in
        Width of a new figure [inches].

    Returns
    -------
    matplotlib.figure.Figure
        Uncertainty is one standard deviation on the sky [arcsec], on a scale of powers of ten; the
        strokes reach from the least to the greatest hour angle and declination of the readings used.
    """
    with house_style():
        nights = list(analysis.nights.nights)
        times = dates([night.time_us for night in nights]) if nights else None
        drawn = time_panels(analysis, ax, _HEIGHTS_IN, width_in, times, nothing="There is no night yet.")
        if times is None:
            return drawn.figure
        _uncertainty(drawn.panels[0], times, uncertainty_on_sky(analysis))
        drawn.title(0, "Uncertainty on the sky", "azimuth ● dark, altitude ■ pale", "[arcsec]")
        _strokes(drawn.panels[1], times, _hours(nights))
        drawn.title(1, "Sky covered, hour angle", "up is west, down is east of the meridian", "[h]")
        _strokes(drawn.panels[2], times, _declinations(nights))
        drawn.title(2, "Sky covered, declination", "up is north, down is south", "[deg]")
        _counts(drawn.panels[3], times, nights, width_in)
        drawn.title(3, "Readings", "used (pale), set aside (dark, on top)", "[count]")
        return drawn.figure


def uncertainty_on_sky(analysis: Analysis) -> Floats:
    """Return the standard deviation of azimuth (times cos of the latitude) and altitude, (n, 2) [arcsec].

    NaN where the night does not know the coordinate.
    """
    shrink = np.array([math.cos(math.radians(analysis.site.site.latitude_deg)), 1.0])
    nights = analysis.nights.nights
    with np.errstate(invalid="ignore"):
        sd = np.sqrt(np.array([np.diagonal(night.covariance)[:2] for night in nights]).reshape(-1, 2))
    known = np.isfinite(np.array([night.estimate[:2] for night in nights]).reshape(-1, 2))
    return np.asarray(np.where(known, sd, np.nan) * shrink)


def _uncertainty(panel: Axes, times: Floats, sd: Floats) -> None:
    size = 2.0 if len(times) > 300 else 3.4
    if np.isfinite(sd).any():
        panel.set_yscale("log")
        for column, shape, hue in ((0, "o", "axis"), (1, "s", "time0")):
            known = np.isfinite(sd[:, column])
            dots(panel, times[known], sd[known, column], colour(hue), markersize=size, shape=shape)
        _plain_powers(panel, sd)
    else:
        write_empty(panel, "No night knows where the axis points.")


def _plain_powers(panel: Axes, sd: Floats) -> None:
    """Label a scale of powers of ten in plain numbers: 2, 5, 10, 20."""
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

    low, high = float(np.nanmin(sd)) / 1.3, float(np.nanmax(sd)) * 1.3
    few = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 7.0) if high / low < _SHORT_SCALE else (1.0, 2.0, 5.0)
    steps = (1.0, 3.0) if high / low > 100.0 else few
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    ticks = [step * 10.0**power for power in powers for step in steps if low <= step * 10.0**power <= high]
    panel.set_ylim(low, high)
    panel.yaxis.set_major_locator(FixedLocator(ticks))
    panel.yaxis.set_major_formatter(FixedFormatter([f"{tick:g}" for tick in ticks]))
    panel.yaxis.set_minor_locator(NullLocator())


def _hours(nights: list[NightAxis]) -> Floats:
    return np.array([_pair(night.sky.hour_angle_deg if night.sky else None) for night in nights]) / 15.0


def _declinations(nights: list[NightAxis]) -> Floats:
    return np.array([_pair(night.sky.declination_deg if night.sky else None) for night in nights])


def _pair(span: tuple[float, float] | None) -> tuple[float, float]:
    return (math.nan, math.nan) if span is None else span


def _strokes(panel: Axes, times: Floats, spans: Floats) -> None:
    """Draw a stroke a night from low to high; one that is too short to be seen gets a dot."""
    if not np.isfinite(spans).any():
        write_empty(panel, "Not known: the axis was typed in, or there are no solves.")
        return
    _bars(panel, times, spans[:, 0], spans[:, 1], colour("axis"), 1.0 if len(times) < 300 else 0.5)
    short = spans[:, 1] - spans[:, 0] < _SHORT * (np.nanmax(spans) - np.nanmin(spans))
    middle = spans[short].mean(axis=1)
    panel.plot(times[short], middle, "o", color=colour("axis"), markersize=2.4, markeredgewidth=0)


def _bars(panel: Axes, times: Floats, low: Floats, high: Floats, hue: str, width: float) -> None:
    breaks = np.full(len(times), np.nan)
    across = np.column_stack([times, times, breaks]).ravel()
    along = np.column_stack([low, high, breaks]).ravel()
    panel.plot(across, along, color=hue, linewidth=width, solid_capstyle="butt")


def _counts(panel: Axes, times: Floats, nights: list[NightAxis], width_in: float) -> None:
    used = np.array([night.solves_used for night in nights], dtype=float)
    aside = np.array([night.solves_set_aside for night in nights], dtype=float)
    width = 2.4 if len(times) < 150 else 1.2 if len(times) < 500 else 0.6
    _bars(panel, times, np.zeros(len(times)), used, colour("time0"), width)
    some = aside > 0
    _bars(panel, times[some], used[some], (used + aside)[some], colour("ink"), max(width, 1.2))
    panel.set_ylim(0, max(float((used + aside).max()), 1.0) * 1.08)
    panel.locator_params(axis="y", nbins=4, integer=True)
    count = int(aside.sum())
    side_note(panel, f"{count} of {int((used + aside).sum())} set aside", width_in)


def lacking(analysis: Analysis) -> str:
    """Return why there is nothing to draw; "" where there is something."""
    return "" if analysis.nights.nights else "There is no night of readings of the sky yet."


def describe(analysis: Analysis) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    nights = analysis.nights.nights
    if not nights:
        return "There is no night of readings of the sky yet, so the picture is empty."
    sd = uncertainty_on_sky(analysis)
    middle = [
        f"{word} {np.nanmedian(sd[:, k]):.1f} arcsec"
        for k, word in enumerate(("azimuth", "altitude"))
        if np.isfinite(sd[:, k]).any()
    ]
    typical = f"half of the nights are better than {' and '.join(middle)} on the sky" if middle else ""
    used, aside = (sum(getattr(n, name) for n in nights) for name in ("solves_used", "solves_set_aside"))
    return (
        f"How well each of {phrases.counted(len(nights), 'night')} could measure: "
        f"{typical or 'none of them knows the axis'}. In all {used} readings were used and {aside} set "
        "aside. The hour angles and declinations covered are drawn night by night."
    )


def table(analysis: Analysis) -> Table:
    """How well each night could measure, the latest first."""
    longitude = analysis.site.site.longitude_deg
    rows = [
        _quality_row(night, sd, longitude)
        for night, sd in zip(analysis.nights.nights, uncertainty_on_sky(analysis), strict=True)
    ]
    return Table(
        "How well each night could measure",
        (
            "night of",
            '± azimuth ["]',
            '± altitude ["]',
            "hour angles [h]",
            "declinations [°]",
            "used",
            "aside",
        ),
        tuple(rows[::-1]),
        numeric=frozenset(range(1, 7)),
        note="One standard deviation on the sky; hour angles are positive west of the meridian.",
    )


def _quality_row(night: NightAxis, sd: Floats, longitude_deg: float) -> tuple[str, ...]:
    return (
        evening_of(night.time_us, longitude_deg).isoformat(),
        *(f"{value:.1f}" if math.isfinite(value) else "–" for value in sd),
        "–" if night.sky is None else _span(*night.sky.hour_angle_deg, 15.0, 1),
        "–" if night.sky is None else _span(*night.sky.declination_deg, 1.0, 0),
        str(night.solves_used or "–"),
        str(night.solves_set_aside or "–"),
    )


def _span(low: float, high: float, scale: float, places: int) -> str:
    return f"{low / scale:.{places}f} to {high / scale:.{places}f}"
