"""Tables of the instrument's constants, of the fitted scales, and of what was set aside."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from drift.advice.words import day
from drift.show import phrases
from drift.show.tables.table import Table
from drift.show.times import clock_text, zone_of

if TYPE_CHECKING:
    from drift.answer import Answer
    from drift.night.result import InstrumentConstants

_KIND_WORDS = {
    "solves": "pointing solve",
    "sweeps": "sweep",
    "runs": "unguided run",
    "alignments": "alignment error",
    "levels": "level reading",
    "weather": "weather",
    "corrections": "correction",
}


def constants_table(answer: Answer) -> Table:
    """The constants of the instrument between services."""
    zone = zone_of(answer.site.site.timezone)
    times = [night.time_us for night in answer.nights.nights]
    rows = []
    for instrument in answer.nights.instruments:
        # the first and the last period are open: they reach as far as there are nights
        first, last = max(instrument.start_us, min(times)), min(instrument.end_us, max(times))
        period = f"{day(first, zone)} – {day(last, zone)}"
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
    rows = [(name, phrases.plain_pair(value, sd)) for name, value, sd in named]
    if phrases.known(instrument.noise_arcsec):
        rows.append(("scatter of one good solve, one coordinate", f"{instrument.noise_arcsec:.1f}"))
    repeats = instrument.zero_repeatability_dec_arcsec
    if phrases.known(repeats):
        rows.append(("scatter of the kept declination zero", f"{repeats:.1f}"))
    return rows


def scales_table(answer: Answer) -> Table:
    """The scale parameters that the separation was fitted with."""
    rows = [(name.replace("_", " "), f"{value:.4g}") for name, value in answer.history.scales.items()]
    return Table("Fitted scales", ("scale", "value"), tuple(rows), numeric=frozenset({1}))


def set_aside_table(answer: Answer, where: Mapping[int, str] | None = None) -> Table:
    """Every reading that went in but was not used, and why.

    Parameters
    ----------
    answer
        What was worked out.
    where
        Row of the record -> the file and line it came from, where that is known.
    """
    zone = zone_of(answer.site.site.timezone)
    where = where or {}
    rows = [
        (
            _KIND_WORDS.get(aside.kind, aside.kind),
            clock_text(aside.time_us, zone),
            where.get(aside.row_id, f"row {aside.row_id} of the record"),
            phrases.harmless(aside.reason),
        )
        for aside in answer.nights.set_aside
    ]
    return Table("Set aside", ("reading", "time", "from", "why"), tuple(rows))


def set_aside_counts(answer: Answer) -> Table:
    """How many readings were not used, by reason, the commonest first."""
    counts: dict[tuple[str, str], int] = {}
    for aside in answer.nights.set_aside:
        key = (_KIND_WORDS.get(aside.kind, aside.kind), phrases.harmless(aside.reason))
        counts[key] = counts.get(key, 0) + 1
    ranked = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    rows = tuple((str(count), kind, reason) for (kind, reason), count in ranked)
    return Table("Set aside", ("how many", "reading", "why"), rows, numeric=frozenset({0}))
