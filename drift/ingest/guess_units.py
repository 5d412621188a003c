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
from drift.ingest.units import (
    Dimension,
    Unit,
    UnitName,
    dimension_of,
    may_be_divisions,
    own_unit,
    to_contract,
    unit_of,
    units_for,
)
from drift.ingest.values import NUMBER_AND_UNIT, PARTS, Sort, sort_of
from drift.notices import MappingCode, Value, info

_RA = ("ra_deg", "mount_ra_deg")
#: Temperatures [deg C] that nights with a telescope have, and days of a weather log.
_AT_NIGHT = limits.Limits(-45.0, 45.0, limits.Quantity.TEMPERATURE)
_OF_DAYS = limits.Limits(-50.0, 50.0, limits.Quantity.TEMPERATURE)


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


def _unit(known: Known, column: str, source: ColumnFrom, mapping: Mapping) -> Unit:
    key = f"{column}.unit"
    answer = known.decisions.answer(key)
    if answer:
        unit = unit_of(answer, column)
        if unit is None:
            raise LogFileError(f"{key}={answer} is none of {', '.join(units_for(column))}")
        return _told(known, key, unit, MappingCode.ANSWERED)
    at = known.table.header.index(source.columns[0])
    named = words_of(known.sample.headings[at]).unit(column)
    if named:
        return _told(known, key, named, MappingCode.FILE_SAYS)
    own = own_unit(column)
    assert own is not None
    if known.sample.headings[at].name.lower() in (column, known.slips.get(column, "").lower()):
        return _told(known, key, Unit(own), MappingCode.OWN_NAME)
    in_cells = _unit_in_cells(known, column, at)
    if in_cells:
        return _told(known, key, in_cells, MappingCode.CELLS_SAY)
    if dimension_of(own) is Dimension.ANGLE:
        return _angle_unit(known, column, at, key)
    return _other_unit(known, column, at, key)


def _told(known: Known, key: str, unit: Unit, code: MappingCode, **values: Value) -> Unit:
    """Note a unit with the code of its reason, and return it."""
    known.decisions.told(key, str(unit), code, **values)
    return unit


def _unit_in_cells(known: Known, column: str, at: int) -> Unit | None:
    """Return the unit that most cells say by themselves, None when fewer than half do."""
    given = known.sample.given(at)
    said = [
        unit_of(match[2], column) for cell in given if (match := NUMBER_AND_UNIT.fullmatch(cell)) and match[2]
    ]
    units = Counter(unit for unit in said if unit)
    return units.most_common(1)[0][0] if units and units.total() >= 0.5 * len(given) else None


def _angle_unit(known: Known, column: str, at: int, key: str) -> Unit:
    degrees, hours = Unit(UnitName.DEGREES), Unit(UnitName.HOURS)
    parts = [match for cell in known.sample.given(at) if (match := PARTS.fullmatch(cell))]
    if parts and len(parts) >= 0.5 * len(known.sample.given(at)):
        marks = {(match["mark"] or "").lower()[:1] for match in parts}
        if marks & {"h", "ʰ"}:
            return _told(known, key, hours, MappingCode.CELLS_SAY)
        if marks & {"d", "°", "º"} or column not in _RA:
            return _told(known, key, degrees, MappingCode.DEGREES_IN_PARTS)
        if max(int(match["whole"]) for match in parts) >= 24:
            return _told(known, key, degrees, MappingCode.PARTS_BEYOND_HOURS)
        return _told(known, key, hours, MappingCode.HOURS_BY_CUSTOM)
    if own_unit(column) is not UnitName.DEGREES:
        return _ask_unit(known, column, at, key)
    if column not in _RA:
        return _told(known, key, degrees, MappingCode.USUAL_UNIT)
    numbers = known.sample.numbers(at)
    if numbers.size and numbers.max() >= 24.0:
        return _told(known, key, degrees, MappingCode.BEYOND_24)
    return _small_ra_unit(known, column, at, key)


def _small_ra_unit(known: Known, column: str, at: int, key: str) -> Unit:
    """Tell hours from degrees where no number reaches 24: by the other right ascension, else ask."""
    other = "mount_ra_deg" if column == "ra_deg" else "ra_deg"
    positions = columns_named(other, known.sample.headings)
    if len(positions) == 1:
        mine, theirs = known.sample.numbers(at), known.sample.numbers(positions[0])
        if mine.size == theirs.size and theirs.size and theirs.max() >= 24.0:
            apart = np.abs((mine * 15.0 - theirs + 180.0) % 360.0 - 180.0)
            if np.mean(apart < 5.0) > 0.8:
                return _told(known, key, Unit(UnitName.HOURS), MappingCode.TIMES_15_AGREES, column=other)
    return _ask_unit(known, column, at, key, (UnitName.HOURS, UnitName.DEGREES))


def _ask_unit(known: Known, column: str, at: int, key: str, units: tuple[UnitName, ...] = ()) -> Unit:
    own, levelled = own_unit(column), may_be_divisions(column)
    order = units or tuple(sorted(units_for(column), key=lambda unit: unit is not own))
    asks = info(
        MappingCode.WHICH_UNIT,
        name=known.table.header[at],
        cell=known.example(at).values["cell"],
        divisions=levelled,
    )
    choices = tuple(Choice(unit) for unit in order)
    answer = known.decisions.ask(Question(key, asks, choices, free=levelled))
    unit = unit_of(answer, column)
    assert unit is not None, "an answer that is no unit is refused before"
    return unit


def _other_unit(known: Known, column: str, at: int, key: str) -> Unit:
    numbers = known.sample.numbers(at)
    own = own_unit(column)
    assert own is not None
    usual = Unit(own)
    fitting = {
        Dimension.TEMPERATURE: _AT_NIGHT if column == "temp_c" else _OF_DAYS,
        Dimension.PRESSURE: limits.station_pressure(known.around.elevation_m),
        Dimension.DURATION: limits.EXPOSURE,
    }.get(dimension_of(own))
    if fitting is not None and numbers.size:
        ends = np.percentile(numbers, [2, 98])
        fit = [
            one
            for one in units_for(column)
            if not fitting.outside(to_contract(ends, Unit(one), column)).any()
        ]
        if column == "exposure_s" or (fit == [own] and column != "temp_c"):
            return _told(known, key, usual, MappingCode.USUAL_AND_FITS)
        if len(fit) == 1:
            return _told(known, key, Unit(fit[0]), MappingCode.NO_OTHER_FITS)
        if own in fit and numbers.min() < 0.0 and UnitName.FAHRENHEIT not in fit:
            return _told(known, key, usual, MappingCode.USUAL_AND_FITS)
    return _ask_unit(known, column, at, key)
