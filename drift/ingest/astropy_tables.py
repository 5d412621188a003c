"""ECSV, VOTable and FITS tables, read by astropy without a network; the file's units are used."""

from __future__ import annotations

import io
import json
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.errors import LogFileError
from drift.ingest.delimited import digest_of
from drift.ingest.mapping import TimeScale
from drift.ingest.text import (
    PART_ROWS,
    Heading,
    RawCells,
    RawTable,
    Rows,
    decode,
    is_blank,
    is_comment,
    json_line,
)
from drift.ingest.translate import utc_of
from drift.notices import IngestCode, Notice, info

if TYPE_CHECKING:
    from astropy.table import Table


# ---- Astropy without a network: otherwise it looks for newer leap seconds and Earth rotation.


@contextmanager
def astropy_offline() -> Iterator[None]:
    """Keep astropy from downloading anything, and from warning about what it then does without."""
    from astropy.utils import iers

    with (
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("auto_max_age", None),
        warnings.catch_warnings(),
    ):
        warnings.simplefilter("ignore")
        yield


# ---- ECSV, VOTable and FITS tables, read by astropy; the units in the file are kept.
#
# References
# ----------
# .. [1] ECSV: Astropy Proposal for Enhancement 6.
# .. [2] VOTable 1.4 (IVOA Recommendation 2019): FIELD (sect. 4.1), TIMESYS and COOSYS (sect. 3.4, 3.5; the
#    section numbers are from memory).
# .. [3] FITS Standard 4.0, sect. 7 (tables) and 9 (time coordinates).


_FITS_BEGINS = b"SIMPLE  ="
_MJD_1970 = 40_587
_JD_OF_MJD_ZERO = 2_400_000.5
_US_PER_DAY = 86_400_000_000
#: Origins of VOTable's times by name [JD].
_ORIGINS = {"JD-origin": 0.0, "MJD-origin": _JD_OF_MJD_ZERO}
#: Astropy's scales -> ours; TDB is within 2 ms of TT.
_SCALES = {
    "tdb": TimeScale.TT,
    "tt": TimeScale.TT,
    "tai": TimeScale.TAI,
    "utc": TimeScale.UTC,
    "local": TimeScale.UTC,
}
_HERE = ("", "TOPOCENTER", "GEOCENTER", "UNKNOWN")


def begins_as_ecsv(beginning: bytes, path: Path) -> bool:
    """Tell whether a file is ECSV."""
    return beginning.lstrip(b"\xef\xbb\xbf").startswith(b"# %ECSV")


def begins_as_votable(beginning: bytes, path: Path) -> bool:
    """Tell whether a file is a VOTable."""
    return re.search(rb"<(\w+:)?VOTABLE\b", beginning) is not None


def is_fits_table(beginning: bytes, path: Path) -> bool:
    """Tell whether a FITS file holds a table with rows and no picture."""
    if not beginning.startswith(_FITS_BEGINS):
        return False
    from astropy.io import fits

    try:
        with astropy_offline(), fits.open(path, memmap=False, lazy_load_hdus=True) as file:
            kinds = [_kind_of(hdu) for hdu in file]
    except Exception:  # whatever is wrong with it, it is no table here
        return False
    return "table" in kinds and "picture" not in kinds


def _kind_of(hdu: Any) -> str:
    from astropy.io import fits

    header = hdu.header
    if isinstance(hdu, (fits.BinTableHDU, fits.TableHDU)) and not isinstance(hdu, fits.CompImageHDU):
        return "table" if header.get("NAXIS2", 0) else ""
    return "picture" if header.get("NAXIS", 0) > 1 else ""


def open_ecsv(path: Path, data: bytes) -> RawTable:
    """Open an ECSV file.

    Raises
    ------
    drift.errors.LogFileError
        If astropy can't read it.
    """
    from astropy.table import Table

    name = str(path)
    text = decode(data, name).text
    table = _read(name, "ECSV", lambda: Table.read(text.split("\n"), format="ascii.ecsv"))
    lines = text.split("\n")
    kept = [at for at, line in enumerate(lines) if not is_blank(line) and not is_comment(line)]
    where = np.array(kept[1:], dtype=np.int64) + 1
    fits = len(where) == len(table)
    return _raw_table(path, data, table, where if fits else None, kept[0] + 1 if kept else 0)


def open_votable(path: Path, data: bytes) -> RawTable:
    """Open a VOTable: its only table with rows.

    Raises
    ------
    drift.errors.LogFileError
        If astropy can't read it, or several tables have rows.
    """
    from astropy.io import votable

    name = str(path)
    _refuse_references(name, data)
    whole = _read(name, "VOTable", lambda: votable.parse(io.BytesIO(data), verify="ignore"))
    tables = [one for one in whole.iter_tables() if len(one.array)]
    if len(tables) != 1:
        raise LogFileError(f"{name} holds {len(tables) or 'no'} tables with rows: give a file with one.")
    table = _read(name, "VOTable", lambda: tables[0].to_table(use_names_over_ids=True))
    _votable_frames(whole, tables[0], table)
    return _raw_table(path, data, table, None, 0)


def _refuse_references(name: str, data: bytes) -> None:
    """Refuse XML whose rows are elsewhere, or that defines entities.

    Astropy would fetch what a STREAM refers to from the network, a pipe or a device.

    Raises
    ------
    drift.errors.LogFileError
        If it does, or is no XML.
    """
    from xml.parsers import expat

    def element(tag: str, attributes: dict[str, str]) -> None:
        for key, value in attributes.items():
            if tag.rpartition(":")[2].upper() == "STREAM" and key.rpartition(":")[2].lower() == "href":
                raise LogFileError(
                    f"{name} keeps its rows in another place, {value[:100]!r} (STREAM href), which is not "
                    "opened: no file is read but the one named.  Save the table with its rows inside."
                )

    def entity(*declared: object) -> None:
        raise LogFileError(
            f"{name} declares an XML entity, {str(declared[0])[:100]!r}, which no log needs and "
            "which is not followed: save the table without it."
        )

    parser = expat.ParserCreate()
    parser.StartElementHandler, parser.EntityDeclHandler = element, entity
    try:
        parser.Parse(data, True)
    except expat.ExpatError as error:
        raise LogFileError(f"{name} begins like a VOTable but can't be read as such: {error}") from error


def _votable_frames(whole: Any, source: Any, table: Table) -> None:
    """Apply TIMESYS and COOSYS to the columns, and turn times with an origin into Julian dates."""
    systems = {one.ID: one for one in whole.iter_coosys()}
    clocks = {one.ID: one for one in whole.iter_timesys()}
    for column, one in zip(table.colnames, source.fields, strict=True):
        notes = [str(one.ucd or ""), str(one.description or "")]
        if one.ref in systems:
            system, equinox = str(systems[one.ref].system), str(systems[one.ref].equinox or "")
            notes.append("frame:J2000" if system in ("ICRS", "eq_FK5") and equinox in ("", "J2000") else "")
            notes.append("frame:B1950" if system == "eq_FK4" else "")
        if one.ref in clocks and np.issubdtype(table[column].dtype, np.number):
            _with_origin(table, column, clocks[one.ref])
        table[column].info.description = " ".join(note for note in notes if note)


def _with_origin(table: Table, column: str, clock: Any) -> None:
    from astropy.time import Time

    origin = str(clock.timeorigin or "")
    start = _ORIGINS.get(origin)
    scale = str(clock.timescale or "UTC").lower()
    place = str(clock.refposition or "").upper()
    if place not in _HERE:
        raise LogFileError(
            f"the times in {column!r} are those at {place}, not at the telescope, up to 8 minutes apart"
        )
    if scale not in ("utc", "tt", "tai", "tdb"):
        return
    try:
        start = float(origin) if start is None else start
    except ValueError:
        return
    days: np.ndarray = np.ma.filled(np.ma.asarray(table[column], dtype=float), np.nan)
    table[column] = Time(np.full(len(days), start), days, format="jd", scale=scale)


def open_fits_table(path: Path, data: bytes) -> RawTable:
    """Open a FITS file that holds a table: the first with rows.

    Raises
    ------
    drift.errors.LogFileError
        If astropy can't read it.
    """
    from astropy.io import fits
    from astropy.table import Table

    name = str(path)

    def read() -> Table:
        with fits.open(io.BytesIO(data)) as file:
            number = next(at for at, hdu in enumerate(file) if _kind_of(hdu) == "table")
            return Table.read(file, hdu=number, character_as_bytes=False, astropy_native=True)

    return _raw_table(path, data, _read(name, "FITS", read), None, 0)


def _read(name: str, what: str, read: Any) -> Any:
    """Let astropy read, and turn whatever it raises into one paragraph."""
    try:
        with astropy_offline():
            return read()
    except LogFileError:
        raise
    except Exception as error:
        lines = [line.strip() for line in str(error).splitlines() if line.strip()] or [type(error).__name__]
        raise LogFileError(
            f"{name} begins like a file of the form {what}, but can't be read as such: {lines[0]}"
        ) from error


def _raw_table(path: Path, data: bytes, table: Table, where: np.ndarray | None, header_line: int) -> RawTable:
    with astropy_offline():
        columns, remarks = _columns(table)
    if not columns:
        raise LogFileError(f"{path} holds a table without columns that could be used.")
    headings = tuple(heading for heading, _ in columns)
    rows = _TableRows(
        tuple(heading.name for heading in headings),
        [cells for _, cells in columns],
        np.arange(1, len(table) + 1, dtype=np.int64) if where is None else where,
    )
    name = str(path)
    return RawTable(
        name, str(path.resolve()), digest_of(data), headings, header_line, rows, rows.split_raw, remarks
    )


@dataclass(frozen=True)
class _TableRows:
    """Rows of a table that is in memory; their text is a JSON object."""

    names: tuple[str, ...]
    cells: list[RawCells] = field(repr=False)
    lines: np.ndarray = field(repr=False)

    def __iter__(self) -> Iterator[Rows]:
        for start in range(0, len(self.lines), PART_ROWS):
            rows = slice(start, start + PART_ROWS)
            cells: list[RawCells] = [one[rows] for one in self.cells]
            plain = [one if isinstance(one, list) else _or_none(one) for one in cells]
            raws = [json_line(dict(zip(self.names, row, strict=True))) for row in zip(*plain, strict=True)]
            yield Rows(cells, self.lines[rows], raws)

    def split_raw(self, raw: str) -> list[str]:
        """Return the cells of one row."""
        row = json.loads(raw)
        return ["" if row[name] is None else str(row[name]) for name in self.names]


def _or_none(cells: np.ndarray) -> list[float | None]:
    return [None if np.isnan(cell) else cell for cell in cells.tolist()]


def _columns(table: Table) -> tuple[list[tuple[Heading, RawCells]], tuple[Notice, ...]]:
    """Return the columns that a log can have, and a remark on the others."""
    from astropy.coordinates import SkyCoord
    from astropy.time import Time

    found: list[tuple[Heading, RawCells]] = []
    strange = []
    for name in table.colnames:
        column = table[name]
        remark = str(column.info.description or "")
        if isinstance(column, Time):
            found.append((Heading(name, "", remark), _time_texts(column)))
        elif isinstance(column, SkyCoord):
            place = column.icrs
            found.append((Heading(f"{name}.ra", "deg", "frame:J2000"), np.asarray(place.ra.deg, np.float64)))
            found.append(
                (Heading(f"{name}.dec", "deg", "frame:J2000"), np.asarray(place.dec.deg, np.float64))
            )
        elif getattr(column, "ndim", 1) != 1:
            strange.append(name)
        else:
            unit = "" if getattr(column, "unit", None) is None else str(column.unit)
            found.append((Heading(name, unit, remark), _cells(column)))
    return found, (info(IngestCode.COLUMNS_OF_ARRAYS, columns=tuple(strange)),) if strange else ()


def _cells(column: Any) -> RawCells:
    values = np.ma.asarray(getattr(column, "value", column))
    if values.dtype.kind in "iuf":
        return np.ma.filled(values.astype(np.float64), np.nan)
    mask = np.broadcast_to(np.ma.getmaskarray(values), values.shape).tolist()
    if values.dtype.kind == "b":
        return [
            "" if no else ("true" if value else "false")
            for value, no in zip(values.data.tolist(), mask, strict=True)
        ]
    return ["" if no else _text(value) for value, no in zip(values.data.tolist(), mask, strict=True)]


def _text(value: object) -> str:
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace").strip()
    return "" if value is None else str(value).strip()


def _time_texts(column: Any) -> list[str]:
    """Return times as ISO text with Z, from any scale but UT1; local ones without it."""
    scale = _SCALES.get(column.scale)
    if scale is None:
        column, scale = column.utc, TimeScale.UTC
    jd1, jd2 = (
        np.ma.filled(np.ma.asarray(column.jd1), np.nan),
        np.ma.filled(np.ma.asarray(column.jd2), np.nan),
    )
    masked = np.broadcast_to(np.asarray(column.mask), jd1.shape) | np.isnan(jd1) | np.isnan(jd2)
    first, second = np.where(masked, 2_440_587.5, jd1), np.where(masked, 0.0, jd2)
    days = first - _JD_OF_MJD_ZERO - _MJD_1970
    whole = np.floor(days)
    us = whole.astype(np.int64) * _US_PER_DAY + np.round((days - whole + second) * _US_PER_DAY).astype(
        np.int64
    )
    ending = "" if column.scale == "local" else "Z"
    texts = np.datetime_as_string(utc_of(us, scale).astype("datetime64[us]")).tolist()
    return ["" if no else text + ending for text, no in zip(texts, masked.tolist(), strict=True)]
