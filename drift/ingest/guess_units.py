"""In which unit each number of a table is, by its name, its cells, or what it can be."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np

from drift.errors import LogFileError
from drift.ingest import limits
from drift.ingest.mapping import Choice, ColumnFrom, Mapping, Question
from drift.ingest.names import columns_named, words_of
from drift.ingest.trial import Known
from drift.ingest.units import own_unit, to_contract, unit_of, units_for
from drift.ingest.values import NUMBER_AND_UNIT, PARTS, Sort, sort_of

_RA = ("ra_deg", "mount_ra_deg")


def with_units(known: Known, mapping: Mapping) -> Mapping:
    """Return a mapping with the unit of every number.

    Raises
    ------
    Ask
        If one can't be decided.
    drift.errors.LogFileError
        If an answer can't be one.
    """
    columns = dict(mapping.columns)
    for column, source in mapping.columns.items():
        if not source.columns or sort_of(mapping.kind, column) is not Sort.NUMBER or own_unit(column) is None:
            continue
        columns[column] = replace(source, unit=_unit(known, column, source, mapping))
    return replace(mapping, columns=columns)


def _unit(known: Known, column: str, source: ColumnFrom, mapping: Mapping) -> str:
    key = f"{column}.unit"
    answer = known.decisions.answer(key)
    if answer:
        unit = unit_of(answer, column)
        if not unit:
            raise LogFileError(f"{key}={answer} is none of {', '.join(units_for(column))}")
        return known.decisions.told(key, unit, "as answered")
    at = known.table.header.index(source.columns[0])
    named = words_of(known.sample.headings[at]).unit(column)
    if named:
        return known.decisions.told(key, named, "the file says so")
    if known.sample.headings[at].name.lower() in (column, known.slips.get(column, "").lower()):
        own = own_unit(column)
        return known.decisions.told(key, own.name if own else "", "the name is the contract's own")
    in_cells = _unit_in_cells(known, column, at)
    if in_cells:
        return known.decisions.told(key, in_cells, "the cells say so")
    own = own_unit(column)
    assert own is not None
    if own.dimension == "angle":
        return _angle_unit(known, column, at, key)
    return _other_unit(known, column, at, key)


def _unit_in_cells(known: Known, column: str, at: int) -> str:
    """Return the unit that most cells say by themselves, "" when fewer than half do."""
    given = known.sample.given(at)
    said = [
        unit_of(match[2], column) for cell in given if (match := NUMBER_AND_UNIT.fullmatch(cell)) and match[2]
    ]
    units = Counter(unit for unit in said if unit)
    return units.most_common(1)[0][0] if units and units.total() >= 0.5 * len(given) else ""


def _angle_unit(known: Known, column: str, at: int, key: str) -> str:
    parts = [match for cell in known.sample.given(at) if (match := PARTS.fullmatch(cell))]
    own = own_unit(column)
    if parts and len(parts) >= 0.5 * len(known.sample.given(at)):
        marks = {(match["mark"] or "").lower()[:1] for match in parts}
        if marks & {"h", "ʰ"}:
            return known.decisions.told(key, "hours", "the cells say h")
        if marks & {"d", "°", "º"} or column not in _RA:
            return known.decisions.told(key, "degrees", "the cells are degrees in parts of sixty")
        if max(int(match["whole"]) for match in parts) >= 24:
            return known.decisions.told(key, "degrees", "parts of sixty above 24 are no hours")
        return known.decisions.told(key, "hours", "right ascension in parts of sixty counts hours, by custom")
    if own is not None and own.name != "degrees":
        return _ask_unit(known, column, at, key)
    if column not in _RA:
        return known.decisions.told(key, "degrees", "it is the usual unit")
    numbers = known.sample.numbers(at)
    if numbers.size and numbers.max() >= 24.0:
        return known.decisions.told(key, "degrees", "the numbers go beyond 24")
    return _small_ra_unit(known, column, at, key)


def _small_ra_unit(known: Known, column: str, at: int, key: str) -> str:
    """Tell hours from degrees where no number reaches 24: by the other right ascension, else ask."""
    other = "mount_ra_deg" if column == "ra_deg" else "ra_deg"
    positions = columns_named(other, known.sample.headings)
    if len(positions) == 1:
        mine, theirs = known.sample.numbers(at), known.sample.numbers(positions[0])
        if mine.size == theirs.size and theirs.size and theirs.max() >= 24.0:
            apart = np.abs((mine * 15.0 - theirs + 180.0) % 360.0 - 180.0)
            if np.mean(apart < 5.0) > 0.8:
                return known.decisions.told(key, "hours", f"times 15 it agrees with the {other} of the file")
    return _ask_unit(known, column, at, key, ("hours", "degrees"))


def _ask_unit(known: Known, column: str, at: int, key: str, units: tuple[str, ...] = ()) -> str:
    name = known.table.header[at]
    own = own_unit(column)
    order = units or tuple(sorted(units_for(column), key=lambda unit: own is not None and unit != own.name))
    choices = tuple(Choice(unit) for unit in order)
    words = f"in which unit is {name!r} ({known.example(at)})?"
    if not column.startswith("tilt_"):
        return known.decisions.ask(Question(key, words, choices))
    words += "  A bubble is read in divisions: write the value of one, as in: divisions of 20 arcsec."
    return known.decisions.ask(Question(key, words, choices, free=True))


def _other_unit(known: Known, column: str, at: int, key: str) -> str:
    numbers = known.sample.numbers(at)
    fitting = {
        "temp": limits.Limits(-45.0, 45.0, limits.Quantity.TEMPERATURE),
        "pressure": limits.station_pressure(known.around.elevation_m),
        "exposure": limits.EXPOSURE,
        "t": limits.Limits(-50.0, 50.0, limits.Quantity.TEMPERATURE),
    }.get(column.split("_")[0])
    own = own_unit(column)
    assert own is not None
    if fitting is not None and numbers.size:
        fit = [
            unit
            for unit in units_for(column)
            if not fitting.outside(to_contract(np.percentile(numbers, [2, 98]), unit, column)).any()
        ]
        if column in ("exposure_s",) or (fit and own.name in fit and column != "temp_c" and len(fit) == 1):
            return known.decisions.told(key, own.name, "it is the usual unit, and the numbers fit it")
        if len(fit) == 1:
            return known.decisions.told(key, fit[0], "the numbers fit no other unit")
        if own.name in fit and numbers.min() < 0.0 and "F" not in fit:
            return known.decisions.told(key, own.name, "it is the usual unit, and the numbers fit it")
    return _ask_unit(known, column, at, key)
