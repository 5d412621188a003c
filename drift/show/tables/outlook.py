"""Tables of what is to come: the coming months, and past forecasts against what happened."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from drift.advice.words import percent, plain_arcmin
from drift.show import phrases
from drift.show.coming import coming_of
from drift.show.tables.table import Table

if TYPE_CHECKING:
    from drift.advice.outlook import Month, Outlook
    from drift.answer import Answer
    from drift.hindcast import Hindcast


def months_of_answer(answer: Answer) -> Table:
    """The coming months of an answer."""
    outlook = coming_of(answer)
    return months_table(outlook, answer.site.site.latitude_deg)


def months_table(outlook: Outlook | None, latitude_deg: float) -> Table:
    """The coming months: bands of the axis and of the lean, and the chance of being beyond the limit."""
    rows = () if outlook is None else tuple(_month_row(month) for month in outlook.months)
    clockwise = phrases.azimuth_side(1.0, latitude_deg)
    limit, name = "the limit", "the limit"
    if outlook is not None:
        limit, name = plain_arcmin(outlook.realigning.tolerance / 60.0), outlook.realigning.tolerance_of
    return Table(
        "The coming twelve months",
        ("month", "azimuth [']", "altitude [']", 'lean north ["]', 'lean east ["]', f"beyond {limit}"),
        rows,
        numeric=frozenset({1, 2, 3, 4, 5}),
        note=(
            f"80 % bands in the middle of the month. Azimuth is along the horizon, positive {clockwise} of "
            "the true pole; lean counts from the start. Last column: the chance that the axis, left alone, "
            f"is beyond {name} at some time in the month."
        ),
    )


def _month_row(month: Month) -> tuple[str, ...]:
    axis = [_band(month.axis_low[k] / 60.0, month.axis_high[k] / 60.0, 1) for k in (0, 1)]
    lean = [_band(month.lean_low[k], month.lean_high[k], 0) for k in (0, 1)]
    return (month.name, *axis, *lean, percent(month.chance))


def _band(low: float, high: float, places: int) -> str:
    texts = [f"{value:.{places}f}" for value in (low, high)]
    low_text, high_text = (t[1:] if t.startswith("-") and float(t) == 0.0 else t for t in texts)
    return f"{low_text} to {high_text}"


def hindcasts_table(hindcasts: Sequence[Hindcast]) -> Table:
    """Past forecasts: how far off they were, against the plain annual shape's."""
    rows = tuple(
        (
            one.winter,
            str(one.nights),
            f"{one.rms:.1f}",
            f"{one.rms_annual:.1f}",
            f"{100.0 * one.inside:.0f} %",
        )
        for one in hindcasts
    )
    return Table(
        "Past forecasts, scored",
        ("winter hidden", "nights", 'off by ["]', 'annual shape off by ["]', "inside the band"),
        rows,
        numeric=frozenset({1, 2, 3, 4}),
    )
