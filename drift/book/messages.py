"""Warnings on their way: each message to each address, and what came of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, insert, select, update

from drift.book import schema

#: What a message starts as, what it is while it is being sent, and what ends it without arriving.
WAITING, GOING, DROPPED = "waiting", "going", "dropped"
#: States that an acknowledgement ends.
_OPEN = (WAITING, GOING, "unsure")


@dataclass(frozen=True)
class Message:
    """One message to one address.

    Parameters
    ----------
    number
        Its own number, which goes along with it.
    address
        A mark of the address; the address itself is not in the record.
    about
        What it tells of, as JSON text, by which the same news is known again.
    title, body
        Plain text.
    state
        "waiting", "going", "sent", "unsure" or "dropped".
    why
        What was wrong at the latest try.
    tries
        How often it was taken to be sent.
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


def all_messages(connection: Connection) -> list[Message]:
    """Return all messages, the oldest first."""
    table = schema.messages
    columns = [table.c[name] for name in Message.__dataclass_fields__]
    return [Message(*row) for row in connection.execute(select(*columns).order_by(table.c.id))]


def add_messages(connection: Connection, messages: Sequence[Message], now_us: int) -> None:
    """Add messages as waiting."""
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
    ]
    if rows:
        connection.execute(insert(schema.messages), rows)


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
    """End all messages that did not surely arrive; return how many there were."""
    table = schema.messages
    done = connection.execute(
        update(table).where(table.c.state.in_(_OPEN)).values(state=DROPPED, state_us=now_us)
    )
    return int(done.rowcount)
