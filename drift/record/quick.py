"""Looking up a cached analysis, and what it depends on, with Python's own SQLite alone.

Loading the database library and the site file's types takes several times as long as the look-up.  So what
both need - the plain SQL, the digest that seals cached content - is here, and nothing else is imported.
"""

from __future__ import annotations

import hashlib
import sqlite3
import time
import tomllib
from collections.abc import Callable, Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drift._version import __version__
from drift.readings import READING_COLUMNS
from drift.site.text import RECORD_FILE

#: Length of the digests of readings and of cached content.
DIGEST_BYTES = 16
#: Kinds of readings that show the axis or the tilt.
WATCHED = ("solves", "sweeps", "runs", "alignments", "levels")
#: So many readings are put in order by numpy.
MANY = 100_000
#: A query in plain SQL -> its rows.
Query = Callable[[str], Sequence[Sequence[Any]]]


def now_us() -> int:
    """Return the present time as the record writes it [UTC microseconds since 1970-01-01]."""
    return time.time_ns() // 1000


@dataclass(frozen=True)
class State:
    """What an analysis depends on in a record: readings in use, when some came in, what was seen and lent."""

    readings_id: str
    latest_import_us: int | None
    last_acknowledged: tuple[int, str, str] | None
    lent_us: int | None = None  # when its neighbours lent it what it rests on; None: nothing is lent
    record_name: str = ""  # the name of the pier to which the record belongs
    last_act: int | None = None  # the last import, undoing, or dismissal: what waits set aside


def state_of(query: Query, own: str = "") -> State:
    """Return the state of a record; `own` is a further condition on its rows, as SQL that begins with AND."""
    watched = ", ".join(f"'{kind}'" for kind in WATCHED)
    ((latest,),) = query(f"SELECT max(imported_us) FROM files WHERE kind IN ({watched}){own}")
    last = query(
        f"SELECT time_us, note, what FROM acknowledgements WHERE id > 0{own} ORDER BY id DESC LIMIT 1"
    )
    seen = (int(last[0][0]), str(last[0][1]), str(last[0][2])) if last else None
    lent = query(f"SELECT made_us FROM lent WHERE id = 1{own}")
    ((name,),) = query(f"SELECT name FROM book WHERE id = 1{own}")
    ((act,),) = query(f"SELECT max(id) FROM acts WHERE id > 0{own}")
    lent_us = int(lent[0][0]) if lent else None
    return State(readings_id_of(query, own), latest, seen, lent_us, str(name), act)


def readings_id_of(query: Query, own: str = "") -> str:
    """Return a digest of all readings in use; `own` as for `state_of`."""
    contents: list[bytes] = []
    for kind in READING_COLUMNS:
        rows = query(f"SELECT content FROM {kind} WHERE status = 0{own}")
        contents += [bytes(content) for (content,) in rows]
    return id_of(contents)


def id_of(contents: Iterable[bytes]) -> str:
    """Return a digest of readings, independent of their order."""
    several = list(contents)
    if len(several) < MANY or any(len(one) != DIGEST_BYTES for one in several):
        return hashlib.blake2b(b"".join(sorted(several)), digest_size=DIGEST_BYTES).hexdigest()
    import numpy as np  # several times as quick, and as long to load as a small record takes

    whole = np.frombuffer(b"".join(several), dtype=">u8").reshape(len(several), 2)
    ordered = whole[np.lexsort((whole[:, 1].astype("u8"), whole[:, 0].astype("u8")))]
    return hashlib.blake2b(ordered.tobytes(), digest_size=DIGEST_BYTES).hexdigest()


# Cached content carries a digest of its key and content.  Where that doesn't match - a bit changed on the
# disk, or an older version stored it without one - it counts as not cached, and is worked out again.


def seal(key: str, content: bytes) -> bytes:
    """Return the digest of what is stored under a key."""
    own = hashlib.blake2b(key.encode()).digest()
    return hashlib.blake2b(content, key=own, digest_size=DIGEST_BYTES).digest()


def sealed_text(key: str, text: str) -> str:
    """Return a text as it is stored."""
    return f"{seal(key, text.encode()).hex()}\n{text}"


def opened_text(key: str, kept: object) -> str | None:
    """Return the text as it was before `sealed_text`, None where it has changed since."""
    found, _, text = kept.partition("\n") if isinstance(kept, str) else ("", "", "")
    return text if found == seal(key, text.encode()).hex() else None


def cached_for(site_text: bytes, folder: Path, key_of: Callable[[State], str]) -> str | None:
    """Return the analysis cached for the present state of a site's record, None where there is none.

    In any unusual case - another database, a record that is missing, damaged, or of another version - it is
    None too, and the full path says what is wrong.

    Parameters
    ----------
    site_text
        The site file's bytes.
    folder
        Where it lies.
    key_of
        Returns the cache key for a state; the site's text must enter it.
    """
    try:
        store = tomllib.loads(site_text.decode("utf-8-sig")).get("store", {})
        if store.get("url") is not None or not (folder / RECORD_FILE).stat().st_size:
            return None
        address = f"{(folder / RECORD_FILE).resolve().as_uri()}?mode=rw"
        with closing(sqlite3.connect(address, uri=True, isolation_level=None)) as connection:
            connection.execute("BEGIN")
            key = key_of(state_of(lambda sql: connection.execute(sql).fetchall()))
            query = "SELECT text FROM kept_answers WHERE key = ? AND code_version = ?"
            found = connection.execute(query, (key, __version__)).fetchone()
    except (OSError, sqlite3.Error, ValueError, TypeError, AttributeError):
        return None
    return opened_text(key, found[0]) if found else None
