"""The record on a database server: PostgreSQL, started for the tests where it is installed.

It takes ``apt-get install postgresql`` (or the like) and ``pip install psycopg[binary]``.
$DRIFT_TEST_DATABASE may
name an empty database by its URL instead, such as ``postgresql+psycopg://me@localhost/empty``.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from record_world import (
    PATIENCE_S,
    SITE_TEXT,
    SOLVES_HEADER,
    site_file,
    solve_rows,
    ten_first_commands,
    write_log,
)
from sqlalchemy import create_engine

from drift.errors import RecordError
from drift.importer.by_hand import record_rows
from drift.importer.importing import import_files
from drift.readings import READING_COLUMNS
from drift.record import engine as engine_room
from drift.record import keeping
from drift.record.record import Record
from drift.site.file import load_pier


def programs() -> Path | None:
    """Return the folder of the server's programs, None where it is not installed."""
    found = shutil.which("initdb")
    folders = [Path(found).resolve().parent] if found else sorted(Path("/usr/lib/postgresql").glob("*/bin"))
    return next((one for one in reversed(folders) if (one / "initdb").exists()), None)


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    """Give the URL of a server's database, without the name of one."""
    given, folder = os.environ.get("DRIFT_TEST_DATABASE", ""), programs()
    if given:
        yield given
        return
    if importlib.util.find_spec("psycopg") is None:
        pytest.skip("psycopg is not installed, by which PostgreSQL is spoken to")
    if folder is None:
        pytest.skip("no PostgreSQL server is installed, and $DRIFT_TEST_DATABASE names no database")
    root = os.name == "posix" and os.getuid() == 0
    if root:
        import pwd  # not on every system

        if "postgres" not in {one.pw_name for one in pwd.getpwall()}:
            pytest.skip("a PostgreSQL server won't run as root, and there is no user postgres")
    user: dict[str, Any] = {"user": "postgres"} if root else {}
    # not in pytest's own folder: the other user may not enter that, and a socket's path must be short
    with tempfile.TemporaryDirectory(prefix="drift-pg-") as name:
        home = Path(name)
        if root:
            shutil.chown(home, "postgres")
        quiet: dict[str, Any] = {
            "stdout": subprocess.DEVNULL,
            "stderr": subprocess.DEVNULL,
            "cwd": home,
            **user,
        }
        data = str(home / "data")
        subprocess.run(
            [folder / "initdb", "-D", data, "-A", "trust", "-U", "drift", "-N"], check=True, **quiet
        )
        with subprocess.Popen(
            [folder / "postgres", "-D", data, "-k", name, "-h", "", "-F"], **quiet
        ) as running:
            try:
                until = time.monotonic() + PATIENCE_S
                ready = [str(folder / "pg_isready"), "-h", name]
                while subprocess.run(ready, check=False, **quiet).returncode and time.monotonic() < until:
                    time.sleep(0.2)
                yield f"postgresql+psycopg://drift@/DATABASE?host={name}"
            finally:
                running.send_signal(signal.SIGINT)


@pytest.fixture
def url(server: str, request: pytest.FixtureRequest) -> str:
    """Give the URL of a database of its own."""
    if "DATABASE?" not in server:
        return server
    name = request.node.name
    engine = create_engine(server.replace("DATABASE", "postgres"), isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.exec_driver_sql(f'CREATE DATABASE "{name}"')
    engine.dispose()
    return server.replace("DATABASE", name)


def test_ten_first_commands_at_once(tmp_path: Path, url: str) -> None:
    """Each finds no tables: one makes them, the others wait for it."""
    pier = site_file(tmp_path, f'{SITE_TEXT}[store]\nurl = "{url}"\n')
    ten_first_commands(pier)
    with Record.open(load_pier(pier)) as record:
        assert len(record.readings()["corrections"]) == 10
        assert keeping.check(record).sound
        with pytest.raises(RecordError, match="pg_dump"):
            keeping.backup(record, tmp_path / "b.sqlite")


def test_another_program_that_writes_is_waited_for_and_then_told(
    tmp_path: Path, url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = load_pier(site_file(tmp_path, f'{SITE_TEXT}[store]\nurl = "{url}"\n'))
    monkeypatch.setattr(engine_room, "BUSY_S", 0.2)
    with Record.open(site) as first, Record.open(site) as second, first.writing("holding on"):
        assert len(second.readings()["solves"]) == 0
        with pytest.raises(RecordError, match="being written to by another program"):
            record_rows(second, "corrections", [{"time_utc": "2024-01-01T00:00:00Z", "kind": "zero"}])


def test_a_server_gives_what_a_file_gives(tmp_path: Path, url: str) -> None:
    rows = [*solve_rows(7000), "never,1,2,3,4,east,0,960"]
    log = write_log(tmp_path / "solves.csv", SOLVES_HEADER, rows)
    weather = write_log(
        tmp_path / "weather.csv", "date,t_min_c,t_max_c", ["2024-01-01,-3,1", "2024-01-01,-4,1"]
    )
    found = []
    for text in (SITE_TEXT, f'{SITE_TEXT}[store]\nurl = "{url}"\n'):
        with Record.open(load_pier(site_file(tmp_path, text))) as record:
            first = list(import_files(record, [log, weather]))
            second = list(import_files(record, [log, weather]))
            record_rows(
                record, "corrections", [{"time_utc": "2024-01-01T00:00:00Z", "kind": "zero", "note": "é"}]
            )
            assert [one.went_in for one in first] == [7000, 2]  # type: ignore[union-attr]
            assert [one.went_in for one in second] == [0, 0]  # type: ignore[union-attr]
            assert len(record.set_aside_rows()) == 1
            assert record.cache_analysis("a", "b")
            assert record.cache_blobs({"n": b"\0\1"})
            assert record.cached_blobs(["n"]) == {"n": b"\0\1"}
            record.acknowledge("note", "{}")
            assert record.last_acknowledged()[1:] == ("note", "{}")  # type: ignore[index]
            undone = record.undo(record.imports()[0].number)
            assert len(record.readings()["solves"]) == 0
            record.undo(undone.number)
            (row,) = record.held("corrections")
            record.put_back([row.row_id], f"by act {record.withdraw([row.row_id], 'a try')}")
            assert len(record.history([row.row_id])[row.row_id]) == 2
            record.dismiss([record.asides()[0].number], "a try")
            found.append(record.readings())
    ours, theirs = found
    assert ours.readings_id == theirs.readings_id
    for kind in READING_COLUMNS:
        assert ours[kind].drop(columns="row_id").equals(theirs[kind].drop(columns="row_id")), kind
