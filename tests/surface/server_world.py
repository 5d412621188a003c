"""PostgreSQL, started for the tests where it is installed.

It takes ``apt-get install postgresql`` (or the like) and ``pip install psycopg[binary]``.
$DRIFT_TEST_SERVER may name a server instead, on which databases may be made: its URL, with DATABASE for the
name of one, such as ``postgresql+psycopg://me@localhost/DATABASE``.
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
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from record_world import PATIENCE_S
from sqlalchemy import create_engine

#: The user's password; the server lets that user in without asking, so that it may stand in a URL or not.
PASSWORD = "s3cr3t-w0rd"


def programs() -> Path | None:
    """Return the folder of the server's programs, None where it is not installed."""
    found = shutil.which("initdb")
    folders = [Path(found).resolve().parent] if found else sorted(Path("/usr/lib/postgresql").glob("*/bin"))
    return next((one for one in reversed(folders) if (one / "initdb").exists()), None)


@contextmanager
def running_server() -> Iterator[str]:
    """Give the URL of a server, DATABASE for the name of one; or skip the test, with the reason."""
    given, folder = os.environ.get("DRIFT_TEST_SERVER", ""), programs()
    if given:
        yield given
        return
    if importlib.util.find_spec("psycopg") is None:
        pytest.skip("psycopg is not installed, by which PostgreSQL is spoken to")
    if folder is None:
        pytest.skip("no PostgreSQL server is installed, and $DRIFT_TEST_SERVER names none")
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
                yield f"postgresql+psycopg://drift:{PASSWORD}@/DATABASE?host={name}"
            finally:
                running.send_signal(signal.SIGINT)


def new_database(server: str, name: str) -> str:
    """Make an empty database, and return its URL."""
    engine = create_engine(server.replace("DATABASE", "postgres"), isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.exec_driver_sql(f'CREATE DATABASE "{name}"')
    engine.dispose()
    return server.replace("DATABASE", name)
