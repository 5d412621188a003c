"""What the record holds besides readings: acknowledgements, messages, what is lent, cached work."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, delete, func, insert, select, update

from drift._version import __version__
from drift.record import schema
from drift.record.engine import own_condition
from drift.record.quick import WATCHED, State, opened_text, seal, sealed_text, state_of
from drift.record.schema import batches

# ---- What the record keeps beside readings: acknowledgements, and work that need not be done again.


#: Number of cached analyses; an older one can be worked out again.
ANALYSES_CACHED = 20
#: Number of cached blobs: several times the nights of a long record.
BLOBS_CACHED = 20_000


def add_acknowledgement(connection: Connection, time_us: int, note: str, what: str) -> None:
    """Note that what `check` reported was seen."""
    connection.execute(insert(schema.acknowledgements).values(time_us=time_us, note=note, what=what))


def last_acknowledgement(connection: Connection) -> tuple[int, str, str] | None:
    """Return time [us], note and subject of the latest acknowledgement."""
    table = schema.acknowledgements
    row = connection.execute(
        select(table.c.time_us, table.c.note, table.c.what).order_by(table.c.id.desc()).limit(1)
    ).first()
    return None if row is None else (int(row[0]), str(row[1]), str(row[2]))


def latest_import_us(connection: Connection) -> int | None:
    """Return when the latest file with readings of axis or tilt came in [us], or None."""
    table = schema.files
    return connection.scalar(select(func.max(table.c.imported_us)).where(table.c.kind.in_(WATCHED)))


def state(connection: Connection) -> State:
    """Return what an analysis depends on."""
    return state_of(lambda sql: connection.exec_driver_sql(sql).fetchall(), own_condition(connection))


def stand_of(connection: Connection) -> str:
    """Return a mark that changes when readings come in or go out of use, or something is lent; quick."""
    rows = connection.scalar(select(schema.record.c.next_row_id))
    last = select(schema.acts.c.id, schema.acts.c.time_us).order_by(schema.acts.c.id.desc()).limit(1)
    act, when = connection.execute(last).first() or (0, 0)
    lent = connection.scalar(select(schema.lent.c.made_us))
    return (
        f"{rows or 0} {act} {when} {lent or 0}"  # a backup that was restored may have as many rows and acts
    )


def _sealed(key: str, content: bytes) -> bytes:
    return seal(key, content) + content


def _opened(key: str, sealed: bytes) -> bytes | None:
    """Return the content as it was stored, None when it has changed since."""
    own, content = sealed[: schema.DIGEST_BYTES], sealed[schema.DIGEST_BYTES :]
    return content if own == seal(key, content) else None


def cache_analysis(connection: Connection, key: str, text: str, made_us: int) -> None:
    """Store an analysis of this version under its key, and drop the oldest ones."""
    table = schema.cached_analyses
    connection.execute(delete(table).where(table.c.key == key))
    values = {"text": sealed_text(key, text), "code_version": __version__, "made_us": made_us}
    connection.execute(insert(table).values(key=key, **values))
    _let_go_of_oldest(connection, table, ANALYSES_CACHED)


def cached_analysis(connection: Connection, key: str) -> str | None:
    """Return the analysis stored under a key by this version, or None."""
    table = schema.cached_analyses
    kept = connection.scalar(
        select(table.c.text).where(table.c.key == key, table.c.code_version == __version__)
    )
    return opened_text(key, kept)


def keep_field_plan(connection: Connection, key: str, plan: str, made_us: int) -> None:
    """Store a plan of fields for one sky and mount; an extended plan keeps its first date."""
    table = schema.field_plans
    if connection.execute(update(table).where(table.c.key == key).values(plan=plan)).rowcount == 0:
        connection.execute(insert(table).values(key=key, plan=plan, made_us=made_us))


def kept_field_plan(connection: Connection, key: str) -> tuple[str, int] | None:
    """Return the plan stored under a key and when it was made [us], or None."""
    table = schema.field_plans
    row = connection.execute(select(table.c.plan, table.c.made_us).where(table.c.key == key)).first()
    return None if row is None else (str(row[0]), int(row[1]))


def cache_blobs(connection: Connection, blobs: Mapping[str, bytes], made_us: int) -> None:
    """Store blobs under their keys, and drop the oldest ones."""
    table = schema.cached_blobs
    for keys in batches(blobs):
        connection.execute(delete(table).where(table.c.key.in_(keys)))
        connection.execute(
            insert(table),
            [{"key": key, "blob": _sealed(key, bytes(blobs[key])), "made_us": made_us} for key in keys],
        )
    _let_go_of_oldest(connection, table, BLOBS_CACHED)


def cached_blobs(connection: Connection, keys: Iterable[str]) -> dict[str, bytes]:
    """Return the stored ones of some blobs."""
    table = schema.cached_blobs
    found: dict[str, bytes] = {}
    for some in batches(keys):
        query = select(table.c.key, table.c.blob).where(table.c.key.in_(some))
        for key, blob in connection.execute(query):
            content = _opened(key, blob) if isinstance(blob, bytes) else None
            if content is not None:
                found[key] = content
    return found


def damaged(connection: Connection) -> int:
    """Return how many cached analyses and pieces of this version are damaged."""
    answers, pieces = schema.cached_analyses, schema.cached_blobs
    own = connection.scalars(select(answers.c.key).where(answers.c.code_version == __version__)).all()
    count = sum(cached_analysis(connection, key) is None for key in own)
    for some in batches(connection.scalars(select(pieces.c.key)).all()):
        count += len(some) - len(cached_blobs(connection, some))
    lent = kept_prior(connection)
    return count + (lent is not None and lent.packed is None)


def clear(connection: Connection) -> int:
    """Drop all cached analyses and pieces; return how many there were."""
    tables = (schema.cached_analyses, schema.cached_blobs)
    return sum(int(connection.execute(delete(table)).rowcount) for table in tables)


def _let_go_of_oldest(connection: Connection, table: schema.Table, keep: int) -> None:
    surplus = int(connection.scalar(select(func.count()).select_from(table)) or 0) - keep
    if surplus > 0:
        oldest = select(table.c.key).order_by(table.c.made_us, table.c.key).limit(surplus)
        for some in batches(connection.scalars(oldest).all()):
            connection.execute(delete(table).where(table.c.key.in_(some)))


# ---- What neighbours lend: one prior, which an answer rests on, and so neither cached nor cleared.


@dataclass(frozen=True)
class StoredPrior:
    """What the neighbours of a pier tell of it beforehand, as it is stored.

    Parameters
    ----------
    made_us
        When it was made [us].
    lenders
        Their names; none where they are not what was written.
    packed
        The prior; None where it is not what was written.
    """

    made_us: int
    lenders: tuple[str, ...]
    packed: bytes | None


def keep_prior(connection: Connection, packed: bytes, lenders: Sequence[str], made_us: int) -> None:
    """Store a prior in the place of the one before."""
    end_prior(connection)
    row: dict[str, object] = {"made_us": made_us, "lenders": json.dumps([*lenders])}
    sealed = _sealed(_mark(**row), packed)
    connection.execute(insert(schema.lent).values(id=1, packed=sealed, **row))


def end_prior(connection: Connection) -> None:
    """Remove the prior that is stored, if there is one."""
    connection.execute(delete(schema.lent))


def _mark(made_us: object, lenders: object) -> str:
    """Return what enters the digest of a stored prior besides its bytes."""
    return f"lent {made_us} {lenders}"


def kept_prior(connection: Connection) -> StoredPrior | None:
    """Return the prior that is stored, None where nothing is lent."""
    table = schema.lent
    row = connection.execute(select(table.c.made_us, table.c.lenders, table.c.packed)).first()
    if row is None:
        return None
    packed = _opened(_mark(row[0], row[1]), bytes(row[2]))
    return StoredPrior(int(row[0]), () if packed is None else tuple(json.loads(row[1])), packed)


# ---- Warnings on their way: each message to each address, and what came of it.


#: The state of a new message, while it is being sent, and when it ended without arriving.
WAITING, GOING, DROPPED = "waiting", "going", "dropped"
#: States that an acknowledgement ends.
_OPEN = (WAITING, GOING, "unsure")
#: What `about` gives as the kind of a digest; a warning has its kind of news there.
DIGEST = "digest"


@dataclass(frozen=True)
class StoredMessage:
    """One message to one address.

    Parameters
    ----------
    number
        Its own number, which is sent with it.
    address
        A mark of the address; the address itself is not in the record.
    about
        What it is about, as JSON text that identifies the same news later.
    title, body
        Plain text.
    state
        "waiting", "going", "sent", "unsure" or "dropped".
    why
        What was wrong at the latest try.
    tries
        How often sending was tried.
    made_us, state_us
        When it was made, and when it came to its state.
    """

    number: str
    address: str
    about: str
    title: str
    body: str
    state: str = WAITING
    why: str = ""
    tries: int = 0
    made_us: int = 0
    state_us: int = 0

    @property
    def is_digest(self) -> bool:
        """Whether it says how things stand, and warns of nothing."""
        return self.digest is not None

    @property
    def digest(self) -> Mapping[str, str] | None:
        """Which digest it is, None for a warning."""
        try:
            about = json.loads(self.about)
        except ValueError:
            return None
        return about if isinstance(about, dict) and about.get("kind") == DIGEST else None


def all_messages(connection: Connection) -> list[StoredMessage]:
    """Return all messages, the oldest first."""
    table = schema.messages
    columns = [table.c[name] for name in StoredMessage.__dataclass_fields__]
    return [StoredMessage(*row) for row in connection.execute(select(*columns).order_by(table.c.id))]


def add_messages(connection: Connection, messages: Sequence[StoredMessage], now_us: int) -> None:
    """Add messages as waiting; one that waits already, by its number, gets its new text."""
    table = schema.messages
    known = set(connection.scalars(select(table.c.number).where(table.c.state == WAITING)))
    for one in (one for one in messages if one.number in known):
        text = {"about": one.about, "title": one.title, "body": one.body}
        own = update(table).where(table.c.number == one.number, table.c.state == WAITING)
        connection.execute(own.values(**text))
    rows = [
        {
            "number": one.number,
            "address": one.address,
            "about": one.about,
            "title": one.title,
            "body": one.body,
            "state": WAITING,
            "why": "",
            "tries": 0,
            "made_us": now_us,
            "state_us": now_us,
        }
        for one in messages
        if one.number not in known
    ]
    if rows:
        connection.execute(insert(table), rows)


def take(connection: Connection, number: str, now_us: int) -> bool:
    """Turn a message from waiting to going; return False when it was not waiting."""
    table = schema.messages
    done = connection.execute(
        update(table)
        .where(table.c.number == number, table.c.state == WAITING)
        .values(state=GOING, state_us=now_us, tries=table.c.tries + 1)
    )
    return done.rowcount == 1


def note(connection: Connection, number: str, state: str, why: str, now_us: int) -> None:
    """Note what came of a message that is going."""
    table = schema.messages
    connection.execute(
        update(table)
        .where(table.c.number == number, table.c.state == GOING)
        .values(state=state, why=why, state_us=now_us)
    )


def drop_open(connection: Connection, now_us: int) -> int:
    """End all messages that did not surely arrive, but digests that wait; return how many there were."""
    table = schema.messages
    ended = [
        one.number
        for one in all_messages(connection)
        if one.state in _OPEN and not (one.state == WAITING and one.is_digest)
    ]
    for some in batches(ended):
        own = update(table).where(table.c.number.in_(some), table.c.state.in_(_OPEN))
        connection.execute(own.values(state=DROPPED, state_us=now_us))
    return len(ended)
