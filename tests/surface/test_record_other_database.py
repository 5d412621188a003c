"""The record on a database server: run only where $DRIFT_TEST_DATABASE names an empty one by its URL.

Such as ``DRIFT_TEST_DATABASE=postgresql+psycopg://me@localhost/empty pytest tests/surface/test_book_other_database.py``.
"""  # noqa: E501

from __future__ import annotations

import os
from pathlib import Path

import pytest
from record_world import SITE_TEXT, SOLVES_HEADER, site_file, solve_rows, write_log

from drift.importer.by_hand import record_rows
from drift.importer.importing import import_files
from drift.readings import READING_COLUMNS
from drift.record.record import Record
from drift.site.file import load_pier

URL = os.environ.get("DRIFT_TEST_DATABASE", "")


@pytest.mark.skipif(not URL, reason="$DRIFT_TEST_DATABASE names no database")
def test_a_server_gives_what_a_file_gives(tmp_path: Path) -> None:
    rows = [*solve_rows(7000), "never,1,2,3,4,east,0,960"]
    log = write_log(tmp_path / "solves.csv", SOLVES_HEADER, rows)
    weather = write_log(
        tmp_path / "weather.csv", "date,t_min_c,t_max_c", ["2024-01-01,-3,1", "2024-01-01,-4,1"]
    )
    found = []
    for text in (SITE_TEXT, f'{SITE_TEXT}[store]\nurl = "{URL}"\n'):
        with Record.open(load_pier(site_file(tmp_path, text))) as record:
            first = list(import_files(record, [log, weather]))
            second = list(import_files(record, [log, weather]))
            record_rows(
                record, "corrections", [{"time_utc": "2024-01-01T00:00:00Z", "kind": "zero", "note": "é"}]
            )
            assert [one.went_in for one in first] == [7000, 2]  # type: ignore[union-attr]
            assert [one.went_in for one in second] == [0, 0]  # type: ignore[union-attr]
            assert len(record.set_aside_rows()) == 1
            assert record.keep_analysis("a", "b")
            assert record.keep_blobs({"n": b"\0\1"})
            assert record.kept_blobs(["n"]) == {"n": b"\0\1"}
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
