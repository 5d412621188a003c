"""A row that is withdrawn, put back or amended: it counts or not, and is never lost."""

from __future__ import annotations

from pathlib import Path

import pytest
from record_world import site_file, write_log

from drift.errors import LogFileError, RecordError
from drift.importer.by_hand import amend, record_rows
from drift.importer.importing import import_files
from drift.record.record import Record
from drift.site.file import load_pier

KNOB = {"time_utc": "2024-01-01T00:00:00Z", "kind": "azimuth", "amount_arcmin": "2.5", "note": ""}
HEADER = "time_utc,kind,amount_arcmin,note"


def open_record(folder: Path) -> Record:
    return Record.open(load_pier(site_file(folder)))


def amounts(record: Record) -> list[float]:
    return sorted(record.readings()["corrections"]["amount_arcmin"])


def test_a_withdrawn_row_counts_no_more_and_keeps_its_history(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        record_rows(record, "corrections", [KNOB])
        before = record.readings().readings_id
        (row,) = record.held("corrections")
        record.withdraw([row.row_id], "it was the other knob")
        assert amounts(record) == []
        assert record.readings().readings_id != before
        (gone,) = record.held("corrections")
        assert (gone.state, gone.in_use) == ("withdrawn", False)
        assert gone.values["amount_arcmin"] == 2.5
        assert record.where([row.row_id])[row.row_id][:2] == ("recorded by hand", 1)
        record.put_back([row.row_id], "it was this one")
        assert amounts(record) == [2.5]
        assert record.readings().readings_id == before
        events = record.history([row.row_id])[row.row_id]
    assert [(one.what, one.reason) for one in events] == [
        ("withdrew", "it was the other knob"),
        ("put back", "it was this one"),
    ]
    assert 1_700_000_000_000_000 < events[0].time_us <= events[1].time_us


def test_all_are_withdrawn_or_none(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        record_rows(record, "corrections", [KNOB, {**KNOB, "kind": "altitude"}])
        first, second = (row.row_id for row in record.held("corrections"))
        with pytest.raises(RecordError, match="no row 99"):
            record.withdraw([first, 99], "")
        assert len(amounts(record)) == 2
        record.withdraw([first], "")
        with pytest.raises(RecordError, match=rf"row {first} \(recorded by hand, line 1\) is withdrawn"):
            record.withdraw([second, first], "")
        with pytest.raises(RecordError, match="nothing to put back"):
            record.put_back([first, second], "")
        assert [row.in_use for row in record.held("corrections")] == [False, True]
        assert len(record.history([first, second])[first]) == 1
        assert second not in record.history([first, second])


def test_an_amended_row_gives_way_to_another(tmp_path: Path) -> None:
    log = write_log(tmp_path / "done.csv", HEADER, ["2024-01-01T00:00:00Z,azimuth,25,"])
    with open_record(tmp_path) as record:
        list(import_files(record, [log]))
        (old,) = record.held("corrections")
        outcome = amend(record, old.row_id, {**KNOB, "amount_arcmin": "2.5"}, "a comma too few")
        assert outcome.went_in == 1
        assert amounts(record) == [2.5]
        (event,) = record.history([old.row_id])[old.row_id]
        (new,) = (row for row in record.held("corrections") if row.in_use)
        assert (event.what, event.reason, event.other_row_id) == ("amended", "a comma too few", new.row_id)
        list(import_files(record, [log]))  # the file still says 25: it does not come back
        assert amounts(record) == [2.5]


def test_amending_what_can_not_be_amended_changes_nothing(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        record_rows(record, "corrections", [KNOB])
        (row,) = record.held("corrections")
        with pytest.raises(RecordError, match="says exactly this already"):
            amend(record, row.row_id, {**KNOB, "amount_arcmin": "2.50"}, "")
        with pytest.raises(LogFileError, match="kind = 'polish'"):
            amend(record, row.row_id, {**KNOB, "kind": "polish"}, "")
        with pytest.raises(RecordError, match="no row 7 in use"):
            amend(record, 7, KNOB, "")
        assert amounts(record) == [2.5]
        assert record.history([row.row_id]) == {}


def test_what_was_withdrawn_and_is_written_down_again_counts_again(tmp_path: Path) -> None:
    with open_record(tmp_path) as record:
        record_rows(record, "corrections", [KNOB])
        (row,) = record.held("corrections")
        amend(record, row.row_id, {**KNOB, "amount_arcmin": "3"}, "")
        (other,) = (one for one in record.held("corrections") if one.in_use)
        amend(record, other.row_id, KNOB, "the first was right")
        assert amounts(record) == [2.5]
        (first,) = (one for one in record.held("corrections") if one.in_use)
        assert first.row_id == row.row_id
        assert [one.what for one in record.history([row.row_id])[row.row_id]] == ["amended", "put back"]
        record.withdraw([row.row_id], "")
        assert record_rows(record, "corrections", [KNOB]).went_in == 1
        assert amounts(record) == [2.5]
