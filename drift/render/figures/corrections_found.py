"""Corrections: what was asked of the knob or the shims, against what was found."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from drift.quantities import local_date
from drift.render import phrases
from drift.render.figures.canvas import WIDE_IN, colour, house_style, is_narrow, say_empty, sheet, zero_line
from drift.render.phrases import zone_of
from drift.render.tables.causes import asked_words, correction_mark, found_words, held_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from drift.types import Analysis, CorrectionFound


#: So many of the latest corrections are drawn; the table has all.
LATEST = 14
_ROW_IN, _FOOT_IN = 0.42, 0.25


def figure(analysis: Analysis, ax: Any = None, *, width_in: float = WIDE_IN) -> Figure:
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
            say_empty(panel, "No correction with an amount is recorded.")
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
        _told(analysis, mark, found, narrow),
        transform=panel.get_yaxis_transform(),
        va="center",
        fontsize=7 if narrow else 7.5,
        color=colour("ink"),
    )


def _told(analysis: Analysis, mark: str, found: CorrectionFound, narrow: bool) -> str:
    zone, latitude = zone_of(analysis.site.site.timezone), analysis.site.site.latitude_deg
    what = phrases.CORRECTION_WORDS.get(found.kind, phrases.harmless(found.kind))
    head = f"{mark}   {local_date(found.time_us, zone)}, {what}"
    if narrow:
        held = {True: "held", False: "did not hold", None: ""}[found.held]
        return f"{head}{': ' * bool(held)}{held}"
    said = {
        "asked": asked_words(found, latitude),
        "found": found_words(found, latitude),
        "held": held_words(found),
    }
    return "; ".join([head, *(f"{what}: {how}" for what, how in said.items() if how != "–")])


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
    """Say why there is nothing to draw; nothing where there is."""
    return "" if shown_corrections(analysis) else "No correction with an amount is recorded."


def describe(analysis: Analysis) -> str:
    """Say in words what the picture shows, for those who can't see it."""
    rows = shown_corrections(analysis)
    if not rows:
        return "No correction with an amount is recorded, so the picture is empty."
    told = "; ".join(_told(analysis, correction_mark(k), found, narrow=False) for k, found in rows)
    known = np.array([found.held is True for _, found in rows])
    count = phrases.counted(len(rows), "correction")
    return f"What was asked and what was found of {count}: {told}. {known.sum()} held."
