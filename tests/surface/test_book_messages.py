"""Warnings on their way, as the record keeps them: taken once, noted once, ended by an acknowledgement."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from book_world import site_file

from drift.book.messages import Message
from drift.book.store import Book
from drift.pierfile import load_pier


def opened(folder: Path) -> Book:
    return Book.open(load_pier(site_file(folder)))


def message(number: str, address: str = "a") -> Message:
    return Message(number, address, "{}", "title", "body")


def states(book: Book) -> dict[str, str]:
    return {one.number: one.state for one in book.messages()}


def test_a_message_is_taken_by_one_only_and_noted(tmp_path: Path) -> None:
    with opened(tmp_path) as book, opened(tmp_path) as other:
        book.post(lambda kept: [message("1"), message("2")])
        assert states(other) == {"1": "waiting", "2": "waiting"}
        assert other.take_message("1")
        assert not book.take_message("1")
        assert states(book) == {"1": "going", "2": "waiting"}
        other.note_message("1", "waiting", "the server could not be reached")
        (first, _) = book.messages()
        assert (first.state, first.why, first.tries) == ("waiting", "the server could not be reached", 1)
        assert book.take_message("1")
        book.note_message("1", "sent", "")
        book.note_message("1", "waiting", "too late")
        assert not book.take_message("1")
        assert states(book) == {"1": "sent", "2": "waiting"}


def test_what_is_posted_is_chosen_knowing_what_there_is(tmp_path: Path) -> None:
    with opened(tmp_path) as book:
        for _ in range(2):
            book.post(lambda kept: [] if kept else [message("1")])
        assert states(book) == {"1": "waiting"}
        assert book.messages()[0].made_us == book.messages()[0].state_us > 0


def test_an_acknowledgement_ends_what_did_not_surely_arrive(tmp_path: Path) -> None:
    with opened(tmp_path) as book:
        book.post(lambda kept: [message(number) for number in "1234"])
        for number, state in (("2", "sent"), ("3", "unsure")):
            book.take_message(number)
            book.note_message(number, state, "")
        book.take_message("4")
        book.acknowledge("", "{}")
        assert states(book) == {"1": "dropped", "2": "sent", "3": "dropped", "4": "dropped"}


def test_a_record_of_before_gets_the_table(tmp_path: Path) -> None:
    opened(tmp_path).close()
    with closing(sqlite3.connect(tmp_path / "drift-book.sqlite")) as connection, connection:
        connection.execute("DROP TABLE messages")
        connection.execute("DELETE FROM migrations WHERE name LIKE '0002%'")
    with opened(tmp_path) as book:
        book.post(lambda kept: [message("1")])
        assert states(book) == {"1": "waiting"}


def test_when_readings_last_came_in(tmp_path: Path) -> None:
    with opened(tmp_path) as book:
        assert book.latest_import_us() is None
        book.record("corrections", [{"time_utc": "2024-03-01T22:00:00Z", "kind": "tighten"}])
        assert book.latest_import_us() is None, "a correction shows neither axis nor lean"
        row = {"time_utc": "2024-03-01T22:00:00Z", "lean_north_arcsec": "1", "lean_east_arcsec": "2"}
        book.record("levels", [row])
        latest = book.latest_import_us()
        assert latest is not None and latest > 1_709_000_000_000_000
