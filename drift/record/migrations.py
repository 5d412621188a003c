"""Named changes of the record's tables, each run once, in the transaction in which its name is noted.

To change a table: change `drift.record.schema` and add a function at the end of
`MIGRATIONS`.  It must do no harm to a record that has the change already,
because a new record is made from the schema as it is now and then passes
through all of them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, Table, column, func, insert, inspect, select, update
from sqlalchemy.schema import CreateColumn

from drift._version import __version__
from drift.errors import RecordError
from drift.notices import IngestCode, Value, text_of, warning
from drift.readings import FORMER_COLUMNS, READING_COLUMNS
from drift.record import schema
from drift.record.acts import IMPORTED, keep_steps, new_act, note_done, note_file
from drift.record.engine import Place, now_us, read_only_words
from drift.record.schema import batches


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


def _imports(connection: Connection) -> None:
    schema.file_acts.create(connection, checkfirst=True)
    schema.also_carried.create(connection, checkfirst=True)
    if not _add_columns(connection, schema.files, "act_id", "undone_by", "first", "last"):
        return
    _make_set_aside_anew(connection)
    files = schema.files
    for file_id, kind, imported_us in connection.execute(
        select(files.c.id, files.c.kind, files.c.imported_us).where(files.c.path != "").order_by(files.c.id)
    ).fetchall():
        act = new_act(connection, IMPORTED, "", imported_us)
        table, when = schema.readings[kind], schema.readings[kind].c[schema.when_column(kind)]
        own = select(func.count(), func.min(when), func.max(when)).where(table.c.file_id == file_id)
        rows, first, last = connection.execute(own).one()
        connection.execute(
            update(files).where(files.c.id == file_id).values(act_id=act, first=first, last=last)
        )
        note_file(connection, act, file_id, went_in=rows)


def _make_set_aside_anew(connection: Connection) -> None:
    """Note the file of each row set aside, and let two files hold the same row."""
    table, files = schema.set_aside, schema.files
    old = [one["name"] for one in inspect(connection).get_columns(table.name)]
    rows = [
        dict(row)
        for row in connection.execute(select(*(column(one) for one in old)).select_from(table)).mappings()
    ]
    table.drop(connection)
    table.create(connection)
    owners = {row.path: row.id for row in connection.execute(select(files.c.path, files.c.id))}
    for some in batches(rows):
        connection.execute(insert(table), [{**row, "file_id": owners.get(row["path"])} for row in some])


def _add_columns(connection: Connection, table: Table, *names: str) -> bool:
    """Add the columns that a table lacks; return whether it lacked any."""
    there = {one["name"] for one in inspect(connection).get_columns(table.name)}
    lacking = [name for name in names if name not in there]
    for name in lacking:
        words = CreateColumn(table.c[name]).compile(dialect=connection.dialect)
        connection.exec_driver_sql(f"ALTER TABLE {table.name} ADD COLUMN {words}")
    return bool(lacking)


def _labels_of_solves(connection: Connection) -> None:
    _add_columns(connection, schema.readings["solves"], "sweep", "run")


def _tilt_of_levels(connection: Connection) -> None:
    """Rename the columns of level readings to tilt; their digests rest on values, not on names."""
    table = schema.readings["levels"].name
    there = {one["name"] for one in inspect(connection).get_columns(table)}
    for former, name in FORMER_COLUMNS.items():
        if former in there:
            connection.exec_driver_sql(f"ALTER TABLE {table} RENAME COLUMN {former} TO {name}")


def _reasons_as_notices(connection: Connection) -> None:
    """Store the reasons of rows set aside as data; an old one has its sentence as its only value.

    The sentence of an image began with its name, which is at the end of its row as well.
    """
    table = schema.set_aside
    _add_columns(connection, table, "notice")
    old = select(table.c.id, table.c.reason, table.c.raw).where(table.c.notice == "")
    rows = connection.execute(old).fetchall()
    for number, reason, raw in rows:
        image = str(raw).rpartition(",")[2].strip('"')
        values: dict[str, Value] = {"text": reason}
        if image and str(reason).startswith((f"{image} ", f"{image}: ")):
            values = {"text": str(reason).removeprefix(image).removeprefix(":").lstrip(), "image": image}
        notice = text_of(warning(IngestCode.NOTED_AS_TEXT, **values))
        connection.execute(update(table).where(table.c.id == number).values(notice=notice))


#: How the note of a correction named its advised step, before the record stored that.
_FORMER_NOTE = re.compile(r"\bas advised \(\w+\)")


def _advised_steps(connection: Connection) -> None:
    """Store advised steps with their rows; until then the note of a correction named its step."""
    schema.advised_steps.create(connection, checkfirst=True)
    schema.advised_done.create(connection, checkfirst=True)
    table = schema.readings["corrections"]
    columns = (table.c.row_id, table.c.kind, table.c.time_us, table.c.note)
    for row in connection.execute(select(*columns).where(table.c.note.contains("as advised ("))).all():
        if _FORMER_NOTE.search(row.note):
            do = {"azimuth": "turn_azimuth", "altitude": "turn_altitude"}.get(row.kind, row.kind)
            step = keep_steps(connection, 0, [(do, {"former_row": row.row_id})], row.time_us)[0]
            note_done(connection, step, [row.row_id])


def _site_in_record(connection: Connection) -> None:
    _add_columns(connection, schema.record, "site")


def _field_plans(connection: Connection) -> None:
    schema.field_plans.create(connection, checkfirst=True)


def _way_of_knobs(connection: Connection) -> None:
    _add_columns(connection, schema.readings["corrections"], "knob_way")


def _piers(connection: Connection) -> None:
    """Let each row belong to a pier; all that is there is the first one's."""
    schema.piers.create(connection, checkfirst=True)
    for table in _owned_so_far(connection):
        _add_columns(connection, table, "pier_id")
    names, done = select(schema.record.c.name, schema.record.c.made_us), schema.migrations
    owner = connection.execute(names).first()
    noted_us = connection.scalar(select(done.c.run_us).where(done.c.name == schema.CARRIED_NOTED_SINCE))
    if owner is not None and connection.scalar(select(func.count()).select_from(schema.piers)) == 0:
        values = {
            "pier_id": 1,
            "name": owner.name,
            "made_us": owner.made_us,
            "noted_us": noted_us or now_us(),
        }
        connection.execute(insert(schema.piers).values(**values))
    if connection.dialect.name != "sqlite":
        _keys_of_each_pier(connection)
        _unknown_as_null(connection)


def _owned_so_far(connection: Connection) -> list[Table]:
    """Return the tables of rows that are there: later migrations bring more."""
    there = set(inspect(connection).get_table_names())
    return [table for table in schema.OWNED if table.name in there]


def _keys_of_each_pier(connection: Connection) -> None:
    """Make the keys of tables those of a pier, on a server, where they are not yet."""
    there, run = inspect(connection), connection.exec_driver_sql
    keys = {table.name: there.get_pk_constraint(table.name) for table in _owned_so_far(connection)}
    keys = {name: key for name, key in keys.items() if "pier_id" not in key["constrained_columns"]}
    links = [(name, link) for name in keys for link in there.get_foreign_keys(name)]
    for name, link in links:
        run(f'ALTER TABLE {name} DROP CONSTRAINT "{link["name"]}"')
    for name, key in keys.items():
        alone = there.get_unique_constraints(name)
        indexes = [one for one in there.get_indexes(name) if not one.get("duplicates_constraint")]
        for one in (key, *alone):
            run(f'ALTER TABLE {name} DROP CONSTRAINT "{one["name"]}"')
        for index in indexes:
            run(f'DROP INDEX "{index["name"]}"')
            run(f"CREATE INDEX ON {name} ({_with_pier(index['column_names'])})")
        run(f"ALTER TABLE {name} ADD PRIMARY KEY ({_with_pier(key['constrained_columns'])})")
        for unique in alone:
            run(f"ALTER TABLE {name} ADD UNIQUE ({_with_pier(unique['column_names'])})")
        run(f"ALTER TABLE {name} ALTER COLUMN pier_id DROP DEFAULT")
    for name, link in links:
        own, other = _with_pier(link["constrained_columns"]), _with_pier(link["referred_columns"])
        run(f"ALTER TABLE {name} ADD FOREIGN KEY ({own}) REFERENCES {link['referred_table']} ({other})")


def _unknown_as_null(connection: Connection) -> None:
    """Make what is not known NULL on a server, as a file has it."""
    for kind, columns in READING_COLUMNS.items():
        for column_name in (one for one, sort in columns.items() if sort == "float"):
            connection.exec_driver_sql(f"UPDATE {kind} SET {column_name} = NULL WHERE {column_name} = 'NaN'")


def _with_pier(columns: Sequence[str | None]) -> str:
    return ", ".join(f'"{one}"' for one in ("pier_id", *columns))


def _lent(connection: Connection) -> None:
    schema.lent.create(connection, checkfirst=True)
    if connection.dialect.name != "sqlite":
        _keys_of_each_pier(connection)


MIGRATIONS: tuple[Migration, ...] = (
    Migration("0001 first tables", _first_tables),
    Migration("0002 warnings on their way", _messages),
    Migration("0003 acts and withdrawn rows", _acts),
    Migration(schema.CARRIED_NOTED_SINCE, _imports),
    Migration("0005 labels of sweeps and runs on solves", _labels_of_solves),
    Migration("0006 tilt read by levels", _tilt_of_levels),
    Migration("0007 steps as they were advised", _advised_steps),
    Migration("0008 reasons of rows set aside as notices", _reasons_as_notices),
    Migration("0009 what the site file gives", _site_in_record),
    Migration("0010 fields that are solved again each night", _field_plans),
    Migration("0011 which way a knob was turned", _way_of_knobs),
    Migration("0012 each row belongs to a pier", _piers),
    Migration("0013 what neighbours lend", _lent),
)


def bring_up_to_date(place: Place, migrations: tuple[Migration, ...] = MIGRATIONS) -> None:
    """Run the migrations that a record lacks, each in a transaction of its own.

    Raises
    ------
    drift.errors.RecordError
        If the record was made by a newer version, belongs to another program,
        or lacks a migration and can't be written.
    """
    done = known_changes(place, migrations)
    for migration in migrations:
        if migration.name in done:
            continue
        if place.read_only:
            raise RecordError(read_only_words(place.words, f"bringing it up to date ({migration.name})"))
        _run(place, migration)


def known_changes(place: Place, migrations: tuple[Migration, ...] = MIGRATIONS) -> set[str]:
    """Return the names of the changes that a record has.

    Raises
    ------
    drift.errors.RecordError
        If it was made by a newer version, or belongs to another program.
    """
    with place.reading() as connection:
        done = _done(connection, place)
    unknown = sorted(done - {migration.name for migration in migrations})
    if unknown:
        raise RecordError(
            f"the record {place.words} was made by a newer version of drift (it has {', '.join(unknown)}; "
            f"this is version {__version__}).  Install the newer version; this one would not read it rightly."
        )
    return done


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
    if tables and (place.file is not None or set(tables) & set(schema.metadata.tables)):
        raise RecordError(
            f"{place.words} is a database of another program (it has the tables {', '.join(tables[:5])}).  "
            f"Name another {'file' if place.file else 'database'} in [store] url."
        )
    return set()
