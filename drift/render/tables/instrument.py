"""Tables of the instrument's constants, the fitted scales, what was set aside, and the coming months."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from drift.advice.situation import coming_of
from drift.quantities import local_date
from drift.render import phrases
from drift.render.advice_words import tolerance_words
from drift.render.history_words import scale_rows
from drift.render.night_words import set_aside_reason
from drift.render.phrases import clock_text, percent, plain_arcmin, zone_of
from drift.render.tables.axis import Table

if TYPE_CHECKING:
    from drift.forecast.outlook import Hindcast
    from drift.types import Analysis, ComingMonth, InstrumentConstants, Outlook


# ---- Tables of the instrument's constants, of the fitted scales, and of what was set aside.


_KIND_WORDS = {
    "solves": "pointing solve",
    "sweeps": "sweep",
    "runs": "unguided run",
    "alignments": "alignment error",
    "levels": "level reading",
    "weather": "weather",
    "corrections": "correction",
}


def constants_table(analysis: Analysis) -> Table:
    """The constants of the instrument between services."""
    zone = zone_of(analysis.site.site.timezone)
    times = [night.time_us for night in analysis.nights.nights]
    rows = []
    for instrument in analysis.nights.instruments:
        # the first and the last period are open: they reach as far as there are nights
        first, last = max(instrument.start_us, min(times)), min(instrument.end_us, max(times))
        period = f"{local_date(first, zone)} – {local_date(last, zone)}"
        for name, value in _constants(instrument):
            rows.append((period, name, value))
            period = ""
    return Table(
        "The instrument between services",
        ("period", "constant", 'value ["]'),
        tuple(rows),
        numeric=frozenset({2}),
        note="In arcseconds, ± one standard deviation; estimated over all nights of the period together.",
    )


def _constants(instrument: InstrumentConstants) -> list[tuple[str, str]]:
    named = zip(instrument.names, instrument.values, instrument.sds, strict=True)
    rows = [(phrases.CONSTANT_WORDS[name], phrases.plain_pair(value, sd)) for name, value, sd in named]
    if phrases.known(instrument.noise_arcsec):
        rows.append(("scatter of one good solve, one coordinate", f"{instrument.noise_arcsec:.1f}"))
    repeats = instrument.zero_repeatability_dec_arcsec
    if phrases.known(repeats):
        rows.append(("scatter of the kept declination zero", f"{repeats:.1f}"))
    return rows


def scales_table(analysis: Analysis) -> Table:
    """The scale parameters that the separation was fitted with."""
    scales = analysis.history.scales
    rows = [] if scales is None else [(name, f"{value:.4g}") for name, value in scale_rows(scales)]
    return Table("Fitted scales", ("scale", "value"), tuple(rows), numeric=frozenset({1}))


def set_aside_table(analysis: Analysis, where: Mapping[int, str] | None = None) -> Table:
    """Every reading that went in but was not used, and why.

    Parameters
    ----------
    analysis
        What was worked out.
    where
        Row of the record -> the file and line it came from, where that is known.
    """
    zone = zone_of(analysis.site.site.timezone)
    where = where or {}
    rows = [
        (
            _KIND_WORDS.get(aside.kind, aside.kind),
            clock_text(aside.time_us, zone),
            where.get(aside.row_id, f"row {aside.row_id} of the record"),
            phrases.harmless(set_aside_reason(aside.reason)),
        )
        for aside in analysis.nights.set_aside
    ]
    return Table("Set aside", ("reading", "time", "from", "why"), tuple(rows))


def set_aside_counts(analysis: Analysis) -> Table:
    """How many readings were not used, by reason, the commonest first."""
    counts: dict[tuple[str, str], int] = {}
    for aside in analysis.nights.set_aside:
        key = (_KIND_WORDS.get(aside.kind, aside.kind), phrases.harmless(set_aside_reason(aside.reason)))
        counts[key] = counts.get(key, 0) + 1
    ranked = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    rows = tuple((str(count), kind, reason) for (kind, reason), count in ranked)
    return Table("Set aside", ("how many", "reading", "why"), rows, numeric=frozenset({0}))


# ---- Tables of what is to come: the coming months, and past forecasts against what happened.


def months_of_analysis(analysis: Analysis) -> Table:
    """The coming months of an answer."""
    outlook = coming_of(analysis)
    return months_table(outlook, analysis.site.site.latitude_deg)


def months_table(outlook: Outlook | None, latitude_deg: float) -> Table:
    """The coming months: bands of the axis and of the tilt, and the chance of being beyond the limit."""
    rows = () if outlook is None else tuple(_month_row(month) for month in outlook.months)
    clockwise = phrases.azimuth_side(1.0, latitude_deg)
    limit, name = "the limit", "the limit"
    if outlook is not None:
        found = outlook.realigning
        limit, name = plain_arcmin(found.tolerance / 60.0), tolerance_words(found.tolerance_of)
    return Table(
        "The coming twelve months",
        ("month", "azimuth [']", "altitude [']", 'tilt north ["]', 'tilt east ["]', f"beyond {limit}"),
        rows,
        numeric=frozenset({1, 2, 3, 4, 5}),
        note=(
            f"80 % bands in the middle of the month. Azimuth is along the horizon, positive {clockwise} of "
            "the true pole; tilt counts from the start. Last column: the chance that the axis, left alone, "
            f"is beyond {name} at some time in the month."
        ),
    )


def _month_row(month: ComingMonth) -> tuple[str, ...]:
    axis = [_band(month.axis_low[k] / 60.0, month.axis_high[k] / 60.0, 1) for k in (0, 1)]
    tilt = [_band(month.tilt_low[k], month.tilt_high[k], 0) for k in (0, 1)]
    return (month.name, *axis, *tilt, percent(month.chance))


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
