"""What a reading says, as a digest: two rows with one content are one reading.

The digest has 128 bits: two lanes, each mixing one value after the other into
its state with the finaliser of splitmix64 (Steele, Lea and Flood 2014, "Fast
splittable pseudorandom number generators", OOPSLA, figure 16; the constants
there are Stafford's variant 13).  The finaliser is one-to-one, so two rows that
differ in one value never share a digest, and a million rows that differ in
several share one with a chance of 1e-27.  It is worked out for all rows at once,
which a digest made for safety against forgery would not allow.
"""

from __future__ import annotations

import hashlib

import numpy as np
import numpy.typing as npt

from drift.readings import READING_COLUMNS, Columns
from drift.record.schema import DIGEST_BYTES

Words = npt.NDArray[np.uint64]

#: Columns that are younger than the first records.
LATER = {"solves": ("sweep", "run")}
_MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
_MIX_2 = np.uint64(0x94D049BB133111EB)
#: What sets the lanes apart: splitmix64's own increment (2^64 over the golden ratio) and the like of sqrt(2).
_LANES = (np.uint64(0x9E3779B97F4A7C15), np.uint64(0x6A09E667F3BCC909))


def content_ids(kind: str, columns: Columns) -> list[bytes]:
    """Return a digest of each row's parsed values.

    It does not depend on how a number was written (2.50 or 2.5), on the order of the file's columns, nor on
    columns that are not used.  All columns of `drift.types.READING_COLUMNS` enter in their order; those that
    came later (`LATER`) only where they are given, so that older rows keep their digests.
    """
    words = [
        (_words(columns[name]), _given(kind, name, columns))
        for name in READING_COLUMNS[kind]
        if name != "row_id"
    ]
    count = len(words[0][0])
    lanes = np.empty((count, len(_LANES)), dtype="<u8")
    for number, increment in enumerate(_LANES):
        state = np.full(count, _text_word(kind), dtype=np.uint64)
        for word, given in words:
            mixed = _mix((state ^ word) + increment)
            state = mixed if given is None else np.where(given, mixed, state)
        lanes[:, number] = state
    packed = lanes.tobytes()
    return [packed[start : start + DIGEST_BYTES] for start in range(0, len(packed), DIGEST_BYTES)]


def _given(kind: str, name: str, columns: Columns) -> npt.NDArray[np.bool_] | None:
    """Tell where a column that came later is given; None for a column that always enters."""
    if name not in LATER.get(kind, ()):
        return None
    values = columns[name]
    if isinstance(values, list):
        return np.array([bool(text) for text in values], dtype=bool)
    return np.asarray(~np.isnan(values))


def digest_in_order(contents: list[bytes]) -> str:
    """Return one name for contents in their order."""
    return hashlib.blake2b(b"".join(contents), digest_size=DIGEST_BYTES).hexdigest()


def aside_key(kind: str, column: str, row_kept: bool, raw: str) -> bytes:
    """Return a digest by which a row set aside is known again in an overlapping file."""
    text = "\x1f".join((kind, column, str(row_kept), raw.strip()))
    return hashlib.blake2b(text.encode(), digest_size=DIGEST_BYTES).digest()


def _mix(state: Words) -> Words:
    state = (state ^ (state >> np.uint64(30))) * _MIX_1
    state = (state ^ (state >> np.uint64(27))) * _MIX_2
    return state ^ (state >> np.uint64(31))


def _words(values: np.ndarray | list[str]) -> Words:
    """Return a column as 64 bits a row; one kind of NaN and one kind of zero."""
    if isinstance(values, list):
        known = {text: _text_word(text) for text in set(values)}
        return np.fromiter(map(known.__getitem__, values), np.uint64, len(values))
    if values.dtype.kind == "i":
        return values.astype(np.int64).view(np.uint64)
    one_nan = np.where(np.isnan(values), np.nan, values) + 0.0
    return one_nan.astype(np.float64).view(np.uint64)


def _text_word(text: str) -> int:
    return int.from_bytes(hashlib.blake2b(text.encode(), digest_size=8).digest(), "little")
