"""Tables of a notebook as logs: pandas, astropy or plain columns, with units or without.

They go through the same reader as a file, so that the same rows are set aside for
the same reasons.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from drift.errors import LogFileError
from drift.ingest.kinds import BY_KIND
from drift.ingest.read import read_bytes
from drift.ingest.row_check import Circumstances
from drift.readings import READING_COLUMNS, LogRead, Readings, as_readings

#: Ending of a column's name -> unit of its numbers, as astropy writes it.
UNITS = {
    "deg": "deg",
    "arcsec": "arcsec",
    "arcmin": "arcmin",
    "c": "deg_C",
    "hpa": "hPa",
    "cm": "cm",
    "mm": "mm",
    "s": "s",
    "m": "m",
    "um": "um",
    "min": "min",
    "kg": "kg",
}


def read_notebook_table(table: Any, kind: str, around: Circumstances) -> LogRead:
    """Read a table of one kind of log.

    Parameters
    ----------
    table
        A pandas DataFrame, an astropy Table or QTable, or a mapping of columns.  Columns are called as in
        a log file; one with a unit may leave it out of its name (``ra`` for ``ra_deg``).  Times may be
        text, aware datetimes, or astropy Time.
    kind
        One of `drift.types.READING_COLUMNS`.
    around
        The site and the present time.

    Returns
    -------
    LogRead
        `lines` counts rows from 1.

    Raises
    ------
    drift.errors.LogFileError
        If the kind is unknown, a unit doesn't fit, columns differ in length, or columns are missing.
    """
    if kind not in BY_KIND:
        raise LogFileError(f"no kind of log is called {kind!r}; the kinds are {', '.join(BY_KIND)}.")
    name = f"the table {kind!r}"
    log = read_bytes(_as_csv(columns_of(table, kind, name), name), name, around)
    if log.kind != kind:
        raise LogFileError(
            f"{name} has the columns of a log of {log.kind} ({', '.join(BY_KIND[log.kind].required)}).  Pass "
            f"it as {log.kind}=..., or give it the columns {', '.join(BY_KIND[kind].required)}."
        )
    return log


def readings_of_logs(logs: Sequence[LogRead]) -> Readings:
    """Put logs together as readings; rows are numbered on from 1 in the order of the logs."""
    tables, first = {}, 1
    for log in logs:
        count = len(log.lines)
        columns = {"row_id": np.arange(first, first + count, dtype=np.int64), **log.columns}
        tables[log.kind] = pd.DataFrame({name: columns[name] for name in READING_COLUMNS[log.kind]})
        first += count
    return as_readings(tables)


def columns_of(table: Any, kind: str, name: str) -> dict[str, list[str]]:
    """Return the columns of a table as text, under the names of a log file, in its units."""
    found: dict[str, list[str]] = {}
    for heading in _headings(table):
        known = _known_name(str(heading), table[heading], kind)
        if known in found:
            raise LogFileError(f"{name} has the column {known!r} twice: leave out one.")
        found[known] = _as_text(table[heading], known, name)
    lengths = {heading: len(cells) for heading, cells in found.items()}
    if len(set(lengths.values())) > 1:
        raise LogFileError(f"{name} has columns of different lengths: {lengths}.")
    return found


def _headings(table: Any) -> Iterable[Any]:
    if hasattr(table, "colnames"):  # an astropy table
        return list(table.colnames)
    return list(table.columns) if hasattr(table, "columns") else list(table)


def _known_name(heading: str, column: Any, kind: str) -> str:
    """Return the name in a log file: that of a column with a unit may lack the unit."""
    layout = BY_KIND[kind]
    if heading in layout.columns or _unit_of(column) is None:
        return heading
    longer = [known for known in layout.columns if known.rpartition("_")[0] == heading]
    return longer[0] if len(longer) == 1 else heading


def _unit_of(column: Any) -> Any:
    return None if isinstance(column, (pd.Series, pd.Index)) else getattr(column, "unit", None)


def _as_text(column: Any, heading: str, name: str) -> list[str]:
    if hasattr(column, "isot"):  # an astropy Time
        return [f"{text}Z" for text in np.atleast_1d(column.utc.isot)]
    if _unit_of(column) is not None:
        column = in_unit(column, heading, name)
    values = pd.Series(np.ma.filled(column, np.nan) if np.ma.isMaskedArray(column) else column)
    if isinstance(values.dtype, pd.DatetimeTZDtype):
        values = values.dt.tz_convert("UTC")
    return [_cell(value) for value in values]


def in_unit(value: Any, heading: str, name: str = "it") -> Any:
    """Return the numbers of a quantity in the unit that the ending of its name says.

    Raises
    ------
    drift.errors.LogFileError
        If the unit can't be turned into that one.
    """
    from astropy import units

    ending = heading.rpartition("_")[2]
    if ending not in UNITS:
        raise LogFileError(f"{name}: {heading!r} has the unit {value.unit}, but its name tells no unit.")
    wanted = units.Unit(UNITS[ending])
    equal = units.temperature() if ending == "c" else []
    try:
        return units.Quantity(value).to_value(wanted, equivalencies=equal)
    except units.UnitConversionError as error:
        raise LogFileError(
            f"{name}: {heading!r} has the unit {value.unit}, which can't be turned into {wanted}."
        ) from error


def _cell(value: Any) -> str:
    if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)) or value is pd.NA:
        return ""
    if isinstance(value, (bool, np.bool_)):
        return "true" if value else "false"
    if isinstance(value, pd.Timestamp):
        return _time_text(value)
    if hasattr(value, "isoformat"):
        return str(value.isoformat())
    return repr(float(value)) if isinstance(value, (float, np.floating)) else str(value)


def _time_text(value: pd.Timestamp) -> str:
    """Return a time with its offset, a day without time of day as a date."""
    if value.tzinfo is None and value == value.normalize():
        return value.date().isoformat()
    return str(value.isoformat())


def _as_csv(columns: Mapping[str, list[str]], name: str) -> bytes:
    if not columns or not len(next(iter(columns.values()))):
        raise LogFileError(f"{name} is empty: leave it out where there are no such readings.")
    written = io.StringIO()
    writer = csv.writer(written, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(zip(*columns.values(), strict=True))
    return written.getvalue().encode()
