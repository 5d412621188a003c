"""The record when something goes wrong: killed, locked, read-only, full, corrupt, too new, not ours."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from record_world import SITE_TEXT, SOLVES_HEADER, outside, run, site_file, solve_rows, write_log
from sqlalchemy import Connection, inspect, select, text

from drift.errors import RecordError
from drift.importer.importing import FileImported, import_files
from drift.record import engine, migrations, schema
from drift.record.migrations import MIGRATIONS, Migration, bring_up_to_date
from drift.record.record import Record
from drift.site.file import load_pier

ROOT = Path(__file__).parents[2]
NOBODY = 65534
needs_permissions = pytest.mark.skipif(
    sys.platform in {"win32", "darwin"}, reason="needs a change of user and permissions by mode bits"
)

KILLED_IMPORT = """
import sys, time
from pathlib import Path
from drift.importer.importing import import_files
from drift.record.record import Record
from drift.site.file import load_pier

def halfway(file, done, rows):
    print(done, rows, flush=True)
    time.sleep(600)

with Record.open(load_pier(Path(sys.argv[1]))) as book:
    list(import_files(book, [Path(sys.argv[2])], halfway))
"""


def open_record(folder: Path) -> Record:
    return Record.open(load_pier(site_file(folder)))


def record_file(folder: Path) -> Path:
    return folder / "drift-book.sqlite"


def filled(folder: Path, count: int = 5) -> Path:
    """Make a record with some solves and return its log."""
    log = write_log(folder / "solves.csv", SOLVES_HEADER, solve_rows(count))
    with open_record(folder) as record:
        list(import_files(record, [log]))
    return log


def solves_in(folder: Path) -> int:
    with open_record(folder) as record:
        return len(record.readings()["solves"])


@contextmanager
def process(*command: str) -> Iterator[subprocess.Popen[str]]:
    child = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT)
    try:
        yield child
    finally:
        child.kill()
        child.wait()
        assert child.stdout
        child.stdout.close()


def test_a_kill_in_the_middle_of_an_import_leaves_the_record_as_it_was(tmp_path: Path) -> None:
    filled(tmp_path)
    large = write_log(
        tmp_path / "large.csv", SOLVES_HEADER, solve_rows(12_000, "2025-01-01T00:00:00", 30.0, 2)
    )
    with process(*outside(KILLED_IMPORT, tmp_path / "pier.toml", large)) as child:
        assert child.stdout
        done, rows = map(int, child.stdout.readline().split())
        assert 0 < done < rows == 12_000  # rows are written, and the transaction is open
        assert solves_in(tmp_path) == 5  # reading goes on while another program writes
        child.kill()
        assert child.wait() == -9
    assert solves_in(tmp_path) == 5
    with closing(sqlite3.connect(record_file(tmp_path))) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        assert connection.execute("SELECT count(*) FROM files").fetchone() == (1,)
    with open_record(tmp_path) as record:
        (again,) = import_files(record, [large])
        assert isinstance(again, FileImported)
        assert again.went_in == 12_000


def test_a_locked_record_says_who_to_wait_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = filled(tmp_path)
    monkeypatch.setattr(engine, "BUSY_S", 0.05)
    large = write_log(
        tmp_path / "large.csv", SOLVES_HEADER, solve_rows(12_000, "2025-01-01T00:00:00", 30.0, 2)
    )
    with process(*outside(KILLED_IMPORT, tmp_path / "pier.toml", large)) as child:
        assert child.stdout
        child.stdout.readline()
        with open_record(tmp_path) as record:
            with pytest.raises(RecordError) as caught:
                list(import_files(record, [log]))
            assert len(record.readings()["solves"]) == 5
            assert not record.cache_analysis("a", "b")
        said = str(caught.value)
        assert "is being written to by another program" in said
        assert "Wait until that has finished" in said
        if Path("/proc/locks").exists():
            assert f"process {child.pid}" in said


def test_the_holder_of_a_lock_is_found_by_file_and_byte(tmp_path: Path) -> None:
    record = tmp_path / "b.sqlite"
    shared = Path(f"{record}-shm")
    shared.write_text("")
    node = shared.stat().st_ino
    locks = tmp_path / "locks"
    locks.write_text(
        f"1: POSIX  ADVISORY  READ  11 00:1f:{node} 128 128\n"
        f"2: POSIX  ADVISORY  WRITE 12 00:1f:{node + 1} 120 120\n"
        f"2: -> POSIX  ADVISORY  WRITE 13 00:1f:{node} 120 120\n"
        f"3: POSIX  ADVISORY  WRITE 14 00:1f:{node} 123 123\n"
        f"4: POSIX  ADVISORY  WRITE 15 00:1f:{node} 120 120\n"
    )
    assert engine._lock_holder(record, locks) == 15
    assert engine._lock_holder(record, tmp_path / "none") is None


@contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """Make a folder and its files read-only, and obey that also when the tests run as root."""
    files = list(folder.iterdir())
    root = Path(tempfile.gettempdir()).resolve()
    above = {one: one.stat().st_mode for one in folder.resolve().parents if root in one.parents}
    for path in files:
        path.chmod(0o444)
    folder.chmod(0o555)
    for parent, mode in above.items():
        parent.chmod(mode | 0o055)
    is_root = os.getuid() == 0
    if is_root:
        os.setresuid(NOBODY, NOBODY, 0)
    try:
        yield
    finally:
        if is_root:
            os.setresuid(0, 0, 0)
        folder.chmod(0o755)
        for parent, mode in above.items():
            parent.chmod(mode)
        for path in files:
            path.chmod(0o644)


@needs_permissions
@pytest.mark.parametrize("in_use", [False, True])
def test_a_read_only_record_can_be_read_and_says_so_when_written_to(tmp_path: Path, in_use: bool) -> None:
    log = filled(tmp_path)
    holder = open_record(tmp_path) if in_use else None
    if holder:
        holder.readings()  # keeps the write-ahead log's side files there
    with read_only(tmp_path), Record.open(load_pier(tmp_path / "pier.toml")) as record:
        assert record.read_only
        assert len(record.readings()["solves"]) == 5
        assert record.set_aside_rows() == []
        assert not record.cache_analysis("a", "b")
        assert not record.cache_blobs({"a": b""})
        with pytest.raises(RecordError) as caught:
            list(import_files(record, [log]))
        with pytest.raises(RecordError, match="acknowledging is not possible"):
            record.acknowledge("", "{}")
    said = str(caught.value)
    assert (
        f"the record {record_file(tmp_path)} can't be written, so that importing {log} is not possible"
        in said
    )
    assert "permissions" in said
    if holder:
        holder.close()


@needs_permissions
def test_a_record_of_an_older_version_in_a_read_only_folder_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(tmp_path)
    newer = (*MIGRATIONS, Migration("0002 notes", _notes_table))
    monkeypatch.setattr("drift.record.record.bring_up_to_date", lambda place: bring_up_to_date(place, newer))
    with (
        read_only(tmp_path),
        pytest.raises(RecordError, match="bringing it up to date .0002 notes. is not possible"),
    ):
        Record.open(load_pier(tmp_path / "pier.toml"))


@needs_permissions
def test_a_record_can_not_be_made_in_a_read_only_folder(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_log(tmp_path / "solves.csv", SOLVES_HEADER, solve_rows(2))
    site_file(tmp_path)
    with read_only(tmp_path):
        assert run("import", tmp_path / "solves.csv", "--pier", tmp_path / "pier.toml") == 2
    told = capsys.readouterr()
    assert "can't be written, so that making it is not possible" in told.err
    assert not record_file(tmp_path).exists()


def test_a_record_that_may_not_be_read_is_said_to_be_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    filled(tmp_path)
    may = os.access
    # stands in for chmod 000, which does not keep the superuser out
    monkeypatch.setattr(
        "drift.record.engine.os.access",
        lambda path, mode: may(path, mode) and Path(path) != record_file(tmp_path),
    )
    assert run("check", "--pier", tmp_path / "pier.toml") == 2
    said = capsys.readouterr().err
    assert "can't be read: you have no permission" in said
    assert "can't be written" not in said


def test_a_full_disk_keeps_what_was_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    filled(tmp_path)
    pages = record_file(tmp_path).stat().st_size // 4096 + 20
    monkeypatch.setattr(engine, "PRAGMAS", (*engine.PRAGMAS, f"max_page_count = {pages}"))
    small = write_log(tmp_path / "a.csv", SOLVES_HEADER, solve_rows(10, "2024-06-01T00:00:00"))
    large = write_log(tmp_path / "b.csv", SOLVES_HEADER, solve_rows(3000, "2025-01-01T00:00:00"))
    with open_record(tmp_path) as record, pytest.raises(RecordError) as caught:
        list(import_files(record, [small, large]))
    said = str(caught.value)
    assert "the disk is full" in said
    assert f"importing {large}" in said
    assert "nothing half-done was kept" in said
    monkeypatch.undo()
    assert solves_in(tmp_path) == 15


def test_a_full_disk_on_the_command_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    filled(tmp_path)
    pages = record_file(tmp_path).stat().st_size // 4096 + 20
    monkeypatch.setattr(engine, "PRAGMAS", (*engine.PRAGMAS, f"max_page_count = {pages}"))
    write_log(tmp_path / "a.csv", SOLVES_HEADER, solve_rows(10, "2024-06-01T00:00:00"))
    write_log(tmp_path / "b.csv", SOLVES_HEADER, solve_rows(3000, "2025-01-01T00:00:00"))
    assert run("import", tmp_path / "a.csv", tmp_path / "b.csv", "--pier", tmp_path / "pier.toml") == 2
    told = capsys.readouterr()
    assert "10 rows went in" in told.out  # the file before it is told as well
    assert "the disk is full" in told.err


@pytest.mark.parametrize("damage", ["text", "middle"])
def test_a_corrupt_record_is_told_and_left_alone(tmp_path: Path, damage: str) -> None:
    filled(tmp_path, 500)
    path = record_file(tmp_path)
    data = bytearray(path.read_bytes())
    data[slice(0, 100) if damage == "text" else slice(4096, len(data))] = b"x" * (
        100 if damage == "text" else len(data) - 4096
    )
    path.write_bytes(data)
    with pytest.raises(RecordError) as caught:
        solves_in(tmp_path)
    assert "is not a readable record" in str(caught.value)
    assert "`drift restore FILE`" in str(caught.value)
    assert path.read_bytes() == data


def test_the_database_of_another_program_is_left_alone(tmp_path: Path) -> None:
    with closing(sqlite3.connect(record_file(tmp_path))) as connection:
        connection.execute("CREATE TABLE moons (name TEXT)")
    with pytest.raises(RecordError, match=r"database of another program \(it has the tables moons\)"):
        open_record(tmp_path)


def test_a_record_of_a_newer_version_is_not_touched(tmp_path: Path) -> None:
    filled(tmp_path)
    with closing(sqlite3.connect(record_file(tmp_path))) as connection, connection:
        connection.execute("INSERT INTO migrations VALUES ('0099 something new', 0, '99.0')")
    with pytest.raises(RecordError, match="newer version of drift .*0099 something new"):
        open_record(tmp_path)


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    path = site_file(tmp_path, SITE_TEXT + '[store]\nurl = "sqlite:///nowhere/book.sqlite"\n')
    with pytest.raises(RecordError, match="there is no folder .*nowhere"):
        Record.open(load_pier(path))


def test_a_driver_that_is_not_installed(tmp_path: Path) -> None:
    path = site_file(tmp_path, SITE_TEXT + '[store]\nurl = "postgresql+nosuchdriver://host/name"\n')
    with pytest.raises(RecordError, match="driver 'postgresql.nosuchdriver' is not installed"):
        Record.open(load_pier(path))


def _notes_table(connection: Connection) -> None:
    connection.execute(text("CREATE TABLE notes (words TEXT)"))
    connection.execute(text("INSERT INTO notes VALUES ('half done')"))


def _notes_table_that_fails(connection: Connection) -> None:
    _notes_table(connection)
    connection.execute(text("INSERT INTO no_such_table VALUES (1)"))


def test_a_failing_migration_leaves_no_trace(tmp_path: Path) -> None:
    filled(tmp_path)
    place = engine.open_place(engine.record_url(load_pier(tmp_path / "pier.toml")))
    bad = (*MIGRATIONS, Migration("0002 notes", _notes_table_that_fails))
    with pytest.raises(RecordError, match="no_such_table"), engine.in_words("x", "testing"):
        bring_up_to_date(place, bad)
    with place.reading() as connection:
        assert "notes" not in inspect(connection).get_table_names()
        assert list(connection.scalars(select(schema.migrations.c.name))) == [one.name for one in MIGRATIONS]
    good = (*MIGRATIONS, Migration("0002 notes", _notes_table))
    bring_up_to_date(place, good)
    bring_up_to_date(place, good)  # a second time it is not run again
    with place.reading() as connection:
        assert connection.execute(text("SELECT count(*) FROM notes")).scalar() == 1
        assert "0002 notes" in set(connection.scalars(select(schema.migrations.c.name)))
    place.engine.dispose()


def test_a_record_killed_while_it_was_made_is_made_again(tmp_path: Path) -> None:
    """What a kill leaves between the first tables and the first row: tables, and nobody's name."""
    place = engine.open_place(engine.record_url(load_pier(site_file(tmp_path))))
    bring_up_to_date(place)
    place.engine.dispose()
    assert solves_in(tmp_path) == 0
    assert solves_in(tmp_path) == 0


def test_the_tables_are_what_the_first_migration_made() -> None:
    """A regression: whoever changes a table must add a migration, and then this list."""
    columns = {
        table.name: [column.name for column in table.columns] for table in schema.metadata.sorted_tables
    }
    assert list(columns["book"]) == [
        "id", "name", "latitude_deg", "longitude_deg", "made_us", "code_version", "next_row_id", "site",
        "pier_id",
    ]  # fmt: skip
    assert columns["levels"] == [
        "row_id", "time_us", "tilt_north_arcsec", "tilt_east_arcsec", "place", "face_deg", "sigma_arcsec",
        "file_id", "line", "raw", "content", "status", "pier_id",
    ]  # fmt: skip
    assert columns["messages"] == [
        "id", "number", "address", "about", "title", "body", "state", "why", "tries", "made_us", "state_us",
        "pier_id",
    ]  # fmt: skip
    assert sum(map(len, columns.values())) == 215
    assert [one.name for one in migrations.MIGRATIONS] == [
        "0001 first tables", "0002 warnings on their way", "0003 acts and withdrawn rows",
        "0004 imports that can be undone", "0005 labels of sweeps and runs on solves",
        "0006 tilt read by levels", "0007 steps as they were advised",
        "0008 reasons of rows set aside as notices", "0009 what the site file gives",
        "0010 fields that are solved again each night", "0011 which way a knob was turned",
        "0012 each row belongs to a pier", "0013 what neighbours lend",
    ]  # fmt: skip


def test_sqlite_is_set_up_as_promised(tmp_path: Path) -> None:
    with open_record(tmp_path) as record, record._place.reading() as connection:
        pragmas = {
            name: connection.execute(text(f"PRAGMA {name}")).scalar()
            for name in ("journal_mode", "foreign_keys", "busy_timeout", "synchronous")
        }
    assert pragmas == {
        "journal_mode": "wal",
        "foreign_keys": 1,
        "busy_timeout": int(1000 * engine.BUSY_S),
        "synchronous": 2,
    }
    assert sorted(path.name for path in tmp_path.iterdir()) == ["drift-book.sqlite", "pier.toml"]
