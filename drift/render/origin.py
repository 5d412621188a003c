"""Where a night's number came from: every row behind it, with file and line."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.codes import ActKind
from drift.render.by_hand import reason_words
from drift.render.encode import named
from drift.render.import_words import row_words
from drift.render.night_words import set_aside_reason
from drift.render.notices import sentence
from drift.render.phrases import CONSTANT_WORDS, angle, clock_text, evening_of, zone_of
from drift.types import NightAxis

if TYPE_CHECKING:
    from drift.record.acts import RowHeld
    from drift.record.reading import Origin
    from drift.types import Analysis


USED = "used"
_SKY = ("solves", "sweeps", "runs", "alignments")
_KINDS = (*_SKY, "levels", "corrections")
_EPOCH_DAY = date(1970, 1, 1).toordinal()


@dataclass(frozen=True)
class RowUsed:
    """One row of a night: where it came from, and whether it was used or why not."""

    origin: Origin
    time_us: int | None  # None for a day's weather
    use: str  # "used", or why it was not


@dataclass(frozen=True)
class NightOrigin:
    """A night (or part of one) and the rows in its span of time."""

    night: NightAxis
    rows: tuple[RowUsed, ...]
    shared: str  # what else the number depends on, in a sentence


def nights_of(analysis: Analysis, evening: date) -> tuple[NightAxis, ...]:
    """Return the night that began on an evening, in its parts where a correction divides it."""
    longitude = analysis.site.site.longitude_deg
    return tuple(one for one in analysis.nights.nights if evening_of(one.time_us, longitude) == evening)


def night_origin(
    analysis: Analysis,
    night: NightAxis,
    held: Callable[[str, tuple[int, int]], Sequence[RowHeld]],
    origins: Callable[[Sequence[int]], Mapping[int, Origin]],
    in_readings: Mapping[str, frozenset[int]],
) -> NightOrigin:
    """Gather the rows behind a night's number.

    Parameters
    ----------
    analysis, night
        The analysis, and one of its nights.
    held, origins
        `Record.held` and `Record.origins`.
    in_readings
        Kind -> the rows that the analysis used.
    """
    rows = [(kind, row) for kind in _KINDS for row in held(kind, (night.start_us, night.end_us))]
    day = evening_of(night.time_us, analysis.site.site.longitude_deg).toordinal() - _EPOCH_DAY
    rows += [("weather", row) for row in held("weather", (day, day + 1))]
    where = origins([row.row_id for _, row in rows])
    aside = {one.row_id: set_aside_reason(one.reason) for one in analysis.nights.set_aside}
    used = []
    for kind, row in rows:
        use = _use(kind, row, where[row.row_id], aside, in_readings)
        used.append(RowUsed(where[row.row_id], row.values.get("time_us"), use))
    return NightOrigin(night, tuple(used), _shared(analysis, night))


def _use(
    kind: str,
    row: RowHeld,
    origin: Origin,
    aside: Mapping[int, str],
    in_readings: Mapping[str, frozenset[int]],
) -> str:
    if not row.in_use:
        reasons = [reason_words(one.reason) for one in origin.events if one.what is not ActKind.PUT_BACK]
        return f"not used: {row.state}" + (f" ({reasons[-1]})" if reasons and reasons[-1] else "")
    if row.row_id not in in_readings[kind]:
        return "not used: a fuller row of the same reading is"
    if row.row_id in aside:
        return f"not used: {aside[row.row_id]}"
    if kind == "solves" and row.values["mount_ra_deg"] is None:
        return "used as part of a sweep or run"
    if kind == "levels":
        return "used for the tilt, not for the axis"
    return "used as the bound of the night" if kind == "corrections" else USED


def _shared(analysis: Analysis, night: NightAxis) -> str:
    """Return what a night's number depends on besides its own rows."""
    if "pointing" not in night.sources:
        return ""
    for one in analysis.nights.instruments:
        if one.start_us <= night.time_us < one.end_us:
            count = sum(one.start_us <= other.time_us < one.end_us for other in analysis.nights.nights)
            nights = "this night alone" if count == 1 else f"all {count} nights between two services"
            named = ", ".join(CONSTANT_WORDS[name] for name in one.names)
            return f"The instrument's constants behind it ({named}) come from {nights}."
    return ""


def as_lines(found: NightOrigin, zone_name: str | None, every_row: bool) -> Iterator[str]:
    """Yield an origin in words; consecutive rows of one file share a line."""
    night = found.night
    yield f"{clock_text(night.time_us, zone_of(zone_name))}, from {', '.join(night.sources)}:"
    sd = np.sqrt(np.diagonal(night.covariance))
    for name, at in (("azimuth error", 0), ("altitude error", 1)):
        known = np.isfinite(night.estimate[at])
        yield f"  {name} {angle(float(night.estimate[at]), float(sd[at])) if known else 'not known'}"
    for notice in night.notices:
        yield f"  {sentence(notice)}"
    if found.shared:
        yield f"  {found.shared}"
    ordered = sorted(found.rows, key=lambda one: (_order(one), one.origin.file, one.use, one.origin.line))
    for (kind, file, use), group in groupby(
        ordered, key=lambda one: (one.origin.kind, one.origin.file, one.use)
    ):
        members = list(group)
        yield f"  {kind} of {file}, {_lines_words([one.origin.line for one in members])}: {use}{_by(members)}"
        for one in members:
            if every_row:
                yield f"    line {one.origin.line}: {one.origin.raw}"
            if one.origin.mends is not None:
                mends = one.origin.mends
                yield f"    line {one.origin.line} mends {mends.file}, {row_words(mends)}"


def _order(one: RowUsed) -> int:
    return (*_KINDS, "weather").index(one.origin.kind)


def _by(members: Sequence[RowUsed]) -> str:
    numbers = sorted({one.origin.came_by for one in members if one.origin.came_by is not None})
    return f" (import {', '.join(map(str, numbers))})" if numbers else ""


def _lines_words(lines: Sequence[int]) -> str:
    """Return line numbers as spans: ``lines 3 to 9, 12``."""
    spans: list[list[int]] = []
    for line in sorted(lines):
        if spans and line == spans[-1][1] + 1:
            spans[-1][1] = line
        else:
            spans.append([line, line])
    texts = [str(a) if a == b else f"{a} to {b}" for a, b in spans]
    return ("line " if len(lines) == 1 else "lines ") + ", ".join(texts)


def as_mapping(found: NightOrigin) -> dict[str, Any]:
    """Return an origin as data, in arcsec."""
    night = found.night
    sd = np.sqrt(np.diagonal(night.covariance))
    numbers = {
        name: float(value) if np.isfinite(value) else None
        for at, key in enumerate(("az_error", "alt_error"))
        for name, value in ((key, night.estimate[at]), (f"{key}_sd", sd[at]))
    }
    return {
        **named(night, "time_us", "sources"),
        **numbers,
        "remarks": [sentence(notice) for notice in night.notices],
        "shared": found.shared,
        "rows": [_row_mapping(one) for one in found.rows],
    }


def _row_mapping(one: RowUsed) -> dict[str, Any]:
    origin = one.origin
    mends = origin.mends
    return {
        "row": origin.row_id,
        "kind": origin.kind,
        **named(one, "time_us", "use"),
        **named(origin, "file", "line", "raw"),
        "import": origin.came_by,
        "mends": None if mends is None else {"file": mends.file, "line": mends.line, "was": row_words(mends)},
        "done_to_it": [named(event, "what", "time_us", "reason") for event in origin.events],
    }
