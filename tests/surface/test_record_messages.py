"""Warnings on their way, as the record keeps them: taken once, noted once, ended by an acknowledgement."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from record_world import site_file

from drift.importer.by_hand import record_rows
from drift.record.cache import StoredMessage
from drift.record.record import Record
from drift.site.file import load_pier


def opened(folder: Path) -> Record:
    return Record.open(load_pier(site_file(folder)))


def message(number: str, address: str = "a") -> StoredMessage:
    return StoredMessage(number, address, "{}", "title", "body")


def states(record: Record) -> dict[str, str]:
    return {one.number: one.state for one in record.messages()}


def test_a_message_is_taken_by_one_only_and_noted(tmp_path: Path) -> None:
    with opened(tmp_path) as record, opened(tmp_path) as other:
        record.post(lambda kept: [message("1"), message("2")])
        assert states(other) == {"1": "waiting", "2": "waiting"}
        assert other.take_message("1")
        assert not record.take_message("1")
        assert states(record) == {"1": "going", "2": "waiting"}
        other.note_message("1", "waiting", "the server could not be reached")
        (first, _) = record.messages()
        assert (first.state, first.why, first.tries) == ("waiting", "the server could not be reached", 1)
        assert record.take_message("1")
        record.note_message("1", "sent", "")
        record.note_message("1", "waiting", "too late")
        assert not record.take_message("1")
        assert states(record) == {"1": "sent", "2": "waiting"}


def test_what_is_posted_is_chosen_knowing_what_there_is(tmp_path: Path) -> None:
    with opened(tmp_path) as record:
        for _ in range(2):
            record.post(lambda kept: [] if kept else [message("1")])
        assert states(record) == {"1": "waiting"}
        assert record.messages()[0].made_us == record.messages()[0].state_us > 0


def test_an_acknowledgement_ends_what_did_not_surely_arrive(tmp_path: Path) -> None:
    with opened(tmp_path) as record:
        record.post(lambda kept: [message(number) for number in "1234"])
        for number, state in (("2", "sent"), ("3", "unsure")):
            record.take_message(number)
            record.note_message(number, state, "")
        record.take_message("4")
        record.acknowledge("", "{}")
        assert states(record) == {"1": "dropped", "2": "sent", "3": "dropped", "4": "dropped"}


def test_a_record_of_before_gets_the_table(tmp_path: Path) -> None:
    opened(tmp_path).close()
    with closing(sqlite3.connect(tmp_path / "drift-book.sqlite")) as connection, connection:
        connection.execute("DROP TABLE messages")
        connection.execute("DELETE FROM migrations WHERE name LIKE '0002%'")
    with opened(tmp_path) as record:
        record.post(lambda kept: [message("1")])
        assert states(record) == {"1": "waiting"}


def test_when_readings_last_came_in(tmp_path: Path) -> None:
    with opened(tmp_path) as record:
        assert record.latest_import_us() is None
        record_rows(record, "corrections", [{"time_utc": "2024-03-01T22:00:00Z", "kind": "tighten"}])
        assert record.latest_import_us() is None, "a correction shows neither axis nor tilt"
        row = {"time_utc": "2024-03-01T22:00:00Z", "tilt_north_arcsec": "1", "tilt_east_arcsec": "2"}
        record_rows(record, "levels", [row])
        latest = record.latest_import_us()
        assert latest is not None and latest > 1_709_000_000_000_000
