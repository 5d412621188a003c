"""Named changes of the record's tables, each run once, in the transaction in which its name is noted.

To change a table: change `drift.book.schema` and add a function at the end of
`MIGRATIONS`.  It must do no harm to a record that has the change already,
because a new record is made from the schema as it is now and then passes
through all of them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sqlalchemy import Connection, inspect, select

from drift._version import __version__
from drift.book import schema
from drift.book.clock import now_us
from drift.book.engine import Place
from drift.book.troubles import read_only_words
from drift.errors import BookError


@dataclass(frozen=True)
class Migration:
    """One named change."""

    name: str
    run: Callable[[Connection], None]


def _first_tables(connection: Connection) -> None:
    schema.metadata.create_all(connection)


def _messages(connection: Connection) -> None:
    schema.messages.create(connection, checkfirst=True)


def _acts(connection: Connection) -> None:
    schema.acts.create(connection, checkfirst=True)
    schema.row_acts.create(connection, checkfirst=True)


MIGRATIONS: tuple[Migration, ...] = (
    Migration("0001 first tables", _first_tables),
    Migration("0002 warnings on their way", _messages),
    Migration("0003 acts and withdrawn rows", _acts),
)


def bring_up_to_date(place: Place, migrations: tuple[Migration, ...] = MIGRATIONS) -> None:
    """Run the migrations that a record lacks, each in a transaction of its own.

    Raises
    ------
    drift.errors.BookError
        If the record was made by a newer version, belongs to another program,
        or lacks a migration and can't be written.
    """
    with place.reading() as connection:
        done = _done(connection, place)
    unknown = sorted(done - {migration.name for migration in migrations})
    if unknown:
        raise BookError(
            f"the record {place.words} was made by a newer version of drift (it has {', '.join(unknown)}; "
            "this is "
            f"version {__version__}).  Install the newer version; this one would not read it rightly."
        )
    for migration in migrations:
        if migration.name in done:
            continue
        if place.read_only:
            raise BookError(read_only_words(place.words, f"bringing it up to date ({migration.name})"))
        _run(place, migration)


def _run(place: Place, migration: Migration) -> None:
    with place.writing() as connection:
        if migration.name in _done(connection, place):  # another program was quicker
            return
        migration.run(connection)
        connection.execute(
            schema.migrations.insert().values(name=migration.name, run_us=now_us(), code_version=__version__)
        )


def _done(connection: Connection, place: Place) -> set[str]:
    tables = inspect(connection).get_table_names()
    if "migrations" in tables:
        return set(connection.scalars(select(schema.migrations.c.name)))
    if tables and place.file is not None:
        raise BookError(
            f"{place.words} is a database of another program (it has the tables {', '.join(tables[:5])}).  "
            "Name "
            "another file in [store] url."
        )
    return set()
