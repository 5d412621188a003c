"""The tables of the record, many rows into a table at once, and what makes two rows one reading."""

from __future__ import annotations

import gc
import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import islice
from typing import TYPE_CHECKING, Any, TypeVar

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Connection,
    Double,
    ForeignKey,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    Table,
    Text,
    UniqueConstraint,
    insert,
)
from sqlalchemy.sql.compiler import SQLCompiler

from drift.readings import READING_COLUMNS, Columns
from drift.record.quick import DIGEST_BYTES

# Looking up a cached analysis needs no numpy: functions with arrays import it when called.
if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Words = npt.NDArray[np.uint64]

# ---- The tables.
#
# Each kind of reading has a table with typed columns for quick reading, and in the same row where it came
# from: file, line, the original text, and a digest of its content.  ``row_id`` is unique over all kinds, so
# that a number in a result leads to one line of one file.
#
# A change here needs a migration in `drift.record.migrations`.


#: States of a reading: nothing is ever deleted.  See `drift.record.acts`.
IN_USE = 0
WITHDRAWN = 1
UNDONE = 2

#: The migration since which it is noted which rows every file carries.
CARRIED_NOTED_SINCE = "0004 imports that can be undone"

#: 64 bits everywhere; SQLite makes a column its row number only when it is called INTEGER.
_Key = BigInteger().with_variant(Integer, "sqlite")

metadata = MetaData()

migrations = Table(
    "migrations",
    metadata,
    Column("name", Text, primary_key=True),
    Column("run_us", BigInteger, nullable=False),
    Column("code_version", Text, nullable=False),
)

#: The piers of a database; a file has one, number 1.
piers = Table(
    "piers",
    metadata,
    Column("pier_id", Integer, primary_key=True, autoincrement=False),
    Column("name", Text, nullable=False, unique=True),
    Column("made_us", BigInteger, nullable=False),
    Column("noted_us", BigInteger, nullable=False),  # since when it is noted which rows every file carries
)

#: One row a pier: whose record this is, and the next free row_id.
record = Table(
    "book",
    metadata,
    Column("id", Integer, CheckConstraint("id = 1"), primary_key=True),
    Column("name", Text, nullable=False),
    Column("latitude_deg", Double, nullable=False),
    Column("longitude_deg", Double, nullable=False),
    Column("made_us", BigInteger, nullable=False),
    Column("code_version", Text, nullable=False),
    Column("next_row_id", BigInteger, nullable=False),
    # The site file's keys as JSON, without addresses and passwords, so that a lost file can be written again.
    Column("site", Text, nullable=False, server_default=""),
)

files = Table(
    "files",
    metadata,
    Column("id", _Key, primary_key=True),
    Column("name", Text, nullable=False),  # as it was given
    Column("path", Text, nullable=False),  # whole; "" for what was recorded by hand
    Column("digest", Text, nullable=False),  # of the file's bytes
    Column("kind", Text, nullable=False),
    Column("header", Text, nullable=False),
    Column("imported_us", BigInteger, nullable=False),
    # The act that brought it in, NULL for what was recorded by hand, and the one that undid that, if any.
    Column("act_id", BigInteger, nullable=True),
    Column("undone_by", BigInteger, nullable=True),
    # Span of its readings [us or days], so that files that overlap are found quickly.
    Column("first", BigInteger, nullable=True),
    Column("last", BigInteger, nullable=True),
    UniqueConstraint("path", "digest", "kind", "header"),
)

#: The outcome for each file in an act: an import, or the undoing of one.
file_acts = Table(
    "file_acts",
    metadata,
    Column("id", _Key, primary_key=True),
    Column("act_id", BigInteger, nullable=False, index=True),
    Column("file_id", ForeignKey(files.c.id), nullable=False),
    Column("went_in", Integer, nullable=False),
    Column("already_there", Integer, nullable=False),
    Column("set_aside", Integer, nullable=False),
    Column("went_out", Integer, nullable=False),
    Column("stayed", Integer, nullable=False),
)

#: Rows that a file carries besides its own; see `drift.record.reading`.
also_carried = Table(
    "also_carried",
    metadata,
    Column("file_id", ForeignKey(files.c.id), primary_key=True, autoincrement=False),
    Column("row_ids", LargeBinary, nullable=False),
    Column("lines", LargeBinary, nullable=False),
    Column("raws", LargeBinary, nullable=False),
)


def when_column(kind: str) -> str:
    """Return the name of the column that says when a reading of this kind was taken."""
    return "day" if "day" in READING_COLUMNS[kind] else "time_us"


def _readings_table(kind: str) -> Table:
    types = {"int": BigInteger, "float": Double}
    typed = [
        Column(name, Text, nullable=False, server_default="")
        if sort == "text"
        else Column(name, types[sort], nullable=sort == "float")
        for name, sort in READING_COLUMNS[kind].items()
        if name != "row_id"
    ]
    return Table(
        kind,
        metadata,
        Column("row_id", _Key, primary_key=True, autoincrement=False),
        *typed,
        Column("file_id", ForeignKey(files.c.id), nullable=False),
        Column("line", Integer, nullable=False),
        Column("raw", Text, nullable=False),
        Column("content", LargeBinary(DIGEST_BYTES), nullable=False),
        Column("status", SmallInteger, nullable=False, server_default=str(IN_USE)),
        # One index for three uses: no reading twice, reading in order of time, finding what overlaps.
        UniqueConstraint(when_column(kind), "content"),
    )


readings: dict[str, Table] = {kind: _readings_table(kind) for kind in READING_COLUMNS}

set_aside = Table(
    "set_aside",
    metadata,
    Column("id", _Key, primary_key=True),
    Column("file", Text, nullable=False),
    Column("path", Text, nullable=False, index=True),
    Column("line", Integer, nullable=False),
    Column("column", Text, nullable=False),
    Column("value", Text, nullable=False),
    Column("reason", Text, nullable=False),  # a sentence, of rows noted before `notice` was there; else ""
    Column("notice", Text, nullable=False, server_default=""),  # the reason as JSON: code, severity, values
    Column("kind", Text, nullable=False),
    Column("row_kept", Boolean, nullable=False),  # true: only the value was left out
    Column("raw", Text, nullable=False),
    Column("key", LargeBinary(DIGEST_BYTES), nullable=False),
    Column("noted_us", BigInteger, nullable=False),
    Column(
        "file_id", BigInteger, nullable=True
    ),  # NULL in records made before files with no good row were kept
    # What became of it: dismissed with a reason, or mended by a row of a later file.
    Column("dismissed", Text, nullable=False, server_default=""),
    Column("mended_file_id", BigInteger, nullable=True),
    Column("mended_row_id", BigInteger, nullable=True),
    UniqueConstraint("key", "path"),
)

acknowledgements = Table(
    "acknowledgements",
    metadata,
    Column("id", _Key, primary_key=True),
    Column("time_us", BigInteger, nullable=False),
    Column("note", Text, nullable=False),
    Column("what", Text, nullable=False),
)

#: What was done to the record: one row a command.
acts = Table(
    "acts",
    metadata,
    Column("id", _Key, primary_key=True),
    Column("time_us", BigInteger, nullable=False),
    Column("what", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("code_version", Text, nullable=False),
)

#: The single rows that an act withdrew, put back or amended.
row_acts = Table(
    "row_acts",
    metadata,
    Column("id", _Key, primary_key=True),
    Column("act_id", ForeignKey(acts.c.id), nullable=False),
    Column("kind", Text, nullable=False),
    Column("row_id", BigInteger, nullable=False, index=True),
    Column("other_row_id", BigInteger, nullable=True),
)

#: Steps as they were advised and shown, and the rows of corrections recorded for them (`advised`).
advised_steps = Table(
    "advised_steps",
    metadata,
    Column("id", _Key, primary_key=True),
    Column("night_us", BigInteger, nullable=False, index=True),
    Column("do", Text, nullable=False),
    Column("numbers", Text, nullable=False),  # as JSON
    Column("shown_us", BigInteger, nullable=False),
)
advised_done = Table(
    "advised_done",
    metadata,
    Column("id", _Key, primary_key=True),
    Column("step_id", ForeignKey(advised_steps.c.id), nullable=False),
    Column("row_id", BigInteger, nullable=False),
)

#: Warnings on their way: one row a message and address, in the order in which they were made.
messages = Table(
    "messages",
    metadata,
    Column("id", _Key, primary_key=True),
    Column("number", Text, nullable=False, unique=True),
    Column("address", Text, nullable=False),
    Column("about", Text, nullable=False),
    Column("title", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("tries", Integer, nullable=False),
    Column("made_us", BigInteger, nullable=False),
    Column("state_us", BigInteger, nullable=False),
)

#: The fields that are solved again each night: one plan for each sky and mount (`drift.tonight`).
field_plans = Table(
    "field_plans",
    metadata,
    Column("key", Text, primary_key=True),
    Column("plan", Text, nullable=False),  # as JSON
    Column("made_us", BigInteger, nullable=False),
)

#: What the neighbours of a young pier tell of it beforehand, one row at most: an input of its answers.
lent = Table(
    "lent",
    metadata,
    Column("id", Integer, CheckConstraint("id = 1"), primary_key=True, autoincrement=False),
    Column("made_us", BigInteger, nullable=False),
    Column("lenders", Text, nullable=False),  # their names, as JSON
    Column("packed", LargeBinary, nullable=False),  # a `NeighbourPrior` with its digest
)

cached_analyses = Table(
    "kept_answers",  # as records of the first version call it
    metadata,
    Column("key", Text, primary_key=True),
    Column("text", Text, nullable=False),
    Column("code_version", Text, nullable=False),
    Column("made_us", BigInteger, nullable=False),
)

cached_blobs = Table(
    "kept_blobs",
    metadata,
    Column("key", Text, primary_key=True),
    Column("blob", LargeBinary, nullable=False),
    Column("made_us", BigInteger, nullable=False),
)


# ---- Whose rows they are.


#: The tables of rows that belong to a pier, parents first.
OWNED = tuple(one for one in metadata.sorted_tables if one.name not in ("migrations", "piers"))
for _table in OWNED:
    _table.append_column(Column("pier_id", Integer, nullable=False, server_default="1"))
#: Those whose rows are numbered in the order in which they come, from 1 on for each pier.
NUMBERED = frozenset(
    one
    for one in OWNED
    if one.primary_key.columns.keys() == ["id"] and one.c.id.autoincrement and one is not record
)


# ---- Many rows into a table at once.


CHUNK_ROWS = 5_000
ASKED_AT_ONCE = 500  # databases limit the number of values in a query

One = TypeVar("One")


def batches(values: Iterable[One], size: int = ASKED_AT_ONCE) -> Iterator[list[One]]:
    """Yield the values in lists of at most `size`."""
    rest = iter(values)
    while batch := list(islice(rest, size)):
        yield batch


@contextmanager
def collector_paused() -> Iterator[None]:
    """Pause Python's search for reference cycles, which would run over masses of plain rows."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def insert_columns(
    connection: Connection,
    table: Table,
    columns: Mapping[str, Sequence[Any] | np.ndarray],
    progress: Callable[[int], None] | None = None,
) -> None:
    """Insert rows given as columns of equal length, lists or arrays.

    Where the driver takes plain tuples they are passed as they are, several times as quick as one
    dictionary for each row.  `progress` is told the number of rows done after each chunk.
    """
    compiled = insert(table).compile(dialect=connection.dialect, column_keys=list(columns))
    assert isinstance(compiled, SQLCompiler)
    order = compiled.positiontup if compiled.positional and compiled.positiontup else None
    count = len(next(iter(columns.values())))
    for start in range(0, count, CHUNK_ROWS):
        pieces = (_plain(columns[name][start : start + CHUNK_ROWS]) for name in (order or columns))
        chunk = list(zip(*pieces, strict=True))
        if order:
            connection.exec_driver_sql(str(compiled), chunk)
        else:
            # what is not known is NaN in an array and nothing in a table, as SQLite has it by itself
            rows = ([None if one != one else one for one in row] for row in chunk)
            connection.execute(insert(table), [dict(zip(columns, row, strict=True)) for row in rows])
        if progress:
            progress(start + len(chunk))


def _plain(values: Sequence[Any] | np.ndarray) -> Sequence[Any]:
    """Return some values as Python objects; whole columns of them would take several times the memory."""
    plain: Sequence[Any] = values.tolist() if hasattr(values, "tolist") else values
    return plain


# ---- What a reading says, as a digest: two rows with one content are one reading.
#
# The digest has 128 bits: two lanes, each mixing one value after the other into
# its state with the finaliser of splitmix64 (Steele, Lea and Flood 2014, "Fast
# splittable pseudorandom number generators", OOPSLA, figure 16; the constants
# there are Stafford's variant 13).  The finaliser is one-to-one, so two rows that
# differ in one value never share a digest, and a million rows that differ in
# several share one with a chance of 1e-27.  It is worked out for all rows at once,
# which a cryptographic digest would not allow.


#: Columns that are younger than the first records.
LATER = {"solves": ("sweep", "run"), "corrections": ("knob_way",)}
_MIX_1, _MIX_2 = 0xBF58476D1CE4E5B9, 0x94D049BB133111EB
#: What sets the lanes apart: splitmix64's own increment (2^64 over the golden ratio) and the like of sqrt(2).
_LANES = (0x9E3779B97F4A7C15, 0x6A09E667F3BCC909)


def content_ids(kind: str, columns: Columns) -> list[bytes]:
    """Return a digest of each row's parsed values.

    It does not depend on how a number was written (2.50 or 2.5), on the order of the file's columns, nor on
    columns that are not used.  All columns of `drift.types.READING_COLUMNS` enter in their order; columns
    that came later (`LATER`) only where they have a value, so that older rows keep their digests.
    """
    import numpy as np

    words = [
        (_words(columns[name]), _has_value(kind, name, columns))
        for name in READING_COLUMNS[kind]
        if name != "row_id"
    ]
    count = len(words[0][0])
    lanes = np.empty((count, len(_LANES)), dtype="<u8")
    for number, increment in enumerate(_LANES):
        state = np.full(count, _text_word(kind), dtype=np.uint64)
        for word, given in words:
            mixed = _mix((state ^ word) + np.uint64(increment))
            state = mixed if given is None else np.where(given, mixed, state)
        lanes[:, number] = state
    packed = lanes.tobytes()
    return [packed[start : start + DIGEST_BYTES] for start in range(0, len(packed), DIGEST_BYTES)]


def _has_value(kind: str, name: str, columns: Columns) -> npt.NDArray[np.bool_] | None:
    """Tell where a column that came later has a value; None for a column that always enters."""
    import numpy as np

    if name not in LATER.get(kind, ()):
        return None
    values = columns[name]
    if isinstance(values, list):
        return np.array([bool(text) for text in values], dtype=bool)
    return np.asarray(~np.isnan(values))


def digest_in_order(contents: list[bytes]) -> str:
    """Return a digest of contents in their order."""
    return hashlib.blake2b(b"".join(contents), digest_size=DIGEST_BYTES).hexdigest()


def aside_key(kind: str, column: str, row_kept: bool, raw: str) -> bytes:
    """Return a digest that identifies a row set aside in an overlapping file."""
    text = "\x1f".join((kind, column, str(row_kept), raw.strip()))
    return hashlib.blake2b(text.encode(), digest_size=DIGEST_BYTES).digest()


def _mix(state: Words) -> Words:
    import numpy as np

    state = (state ^ (state >> np.uint64(30))) * np.uint64(_MIX_1)
    state = (state ^ (state >> np.uint64(27))) * np.uint64(_MIX_2)
    return state ^ (state >> np.uint64(31))


def _words(values: np.ndarray | list[str]) -> Words:
    """Return a column as 64 bits a row; one kind of NaN and one kind of zero."""
    import numpy as np

    if isinstance(values, list):
        known = {text: _text_word(text) for text in set(values)}
        return np.fromiter(map(known.__getitem__, values), np.uint64, len(values))
    if values.dtype.kind == "i":
        return values.astype(np.int64).view(np.uint64)
    one_nan = np.where(np.isnan(values), np.nan, values) + 0.0
    return one_nan.astype(np.float64).view(np.uint64)


def _text_word(text: str) -> int:
    return int.from_bytes(hashlib.blake2b(text.encode(), digest_size=8).digest(), "little")
