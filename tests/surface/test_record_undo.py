"""Imports that are undone and brought back: the record holds what the files in force carry, and no more."""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from record_world import SOLVES_HEADER, site_file, solve_rows, write_log

from drift.errors import RecordError
from drift.importer.by_hand import record_rows
from drift.importer.importing import FileImported, import_files
from drift.notices import IngestCode, RecordCode, info
from drift.record import schema
from drift.record.reading import carried_of, read_carried, write_carried
from drift.record.record import Record
from drift.render.notices import sentence
from drift.site.file import load_pier

HERE = Path(__file__).parent


def open_record(folder: Path) -> Record:
    return Record.open(load_pier(site_file(folder)))


def put_in(record: Record, *paths: Path) -> int:
    """Import files by one command and return the import's number."""
    for one in import_files(record, paths):
        assert isinstance(one, FileImported), one
    return record.imports()[-1].number


def raws_in(record: Record) -> set[str]:
    return {raw for _, _, raw in record.where(record.readings()["solves"]["row_id"]).values()}


def test_an_import_is_listed_undone_and_brought_back(tmp_path: Path) -> None:
    rows = solve_rows(6)
    one = write_log(tmp_path / "one.csv", SOLVES_HEADER, rows[:4])
    two = write_log(tmp_path / "two.csv", SOLVES_HEADER, [*rows[4:], "never,1,2,3,4,east,0,960"])
    with open_record(tmp_path) as record:
        number = put_in(record, one, two)
        (act,) = record.imports()
        assert (act.number, act.what, act.undone_by) == (number, "imported", ())
        assert [(part.file, part.went_in, part.set_aside) for part in act.files] == [
            (str(one), 4, 0),
            (str(two), 2, 1),
        ]
        before = record.readings()
        done = record.undo(number, reason="wrong folder")
        assert [part.went_out for part in done.files] == [4, 2]
        assert len(record.readings()["solves"]) == 0
        assert record.set_aside_rows() == []
        assert record.imports()[0].undone_by == (done.number,)
        assert record.imports()[1].reason == "wrong folder"
        back = record.undo(done.number)
        assert back.brought_back
        assert record.readings().readings_id == before.readings_id
        assert record.readings()["solves"].equals(before["solves"])
        assert len(record.set_aside_rows()) == 1
        assert [one.what for one in record.imports()] == ["imported", "undid", "brought back"]


def test_one_file_of_an_import_can_be_undone(tmp_path: Path) -> None:
    rows = solve_rows(6)
    one = write_log(tmp_path / "one.csv", SOLVES_HEADER, rows[:4])
    two = write_log(tmp_path / "two.csv", SOLVES_HEADER, rows[4:])
    with open_record(tmp_path) as record:
        number = put_in(record, one, two)
        with pytest.raises(RecordError, match=r"brought no file 'three.csv'.*one.csv.*two.csv"):
            record.undo(number, "three.csv")
        record.undo(number, str(one))
        assert raws_in(record) == set(rows[4:])
        record.undo(number)  # what is left of it
        assert raws_in(record) == set()


def test_a_row_that_another_file_carries_stays_with_its_place_there(tmp_path: Path) -> None:
    rows = solve_rows(8)
    respelled = rows[3].replace(",", " , ")
    one = write_log(tmp_path / "one.csv", SOLVES_HEADER, rows[:5])
    two = write_log(tmp_path / "two.csv", SOLVES_HEADER, [rows[4], respelled, *rows[5:]])
    with open_record(tmp_path) as record:
        first = put_in(record, one)
        second = put_in(record, two)
        (done,) = record.undo(first).files
        assert (done.went_out, done.stayed) == (3, ((str(two), 2),))
        assert raws_in(record) == {rows[4], respelled, *rows[5:]}
        solves = record.readings()["solves"]
        assert {record.where([one])[one][:2] for one in solves["row_id"]} == {
            (str(two), line) for line in (2, 3, 4, 5, 6)
        }
        record.undo(second)
        assert raws_in(record) == set()
        put_in(record, one)
        assert raws_in(record) == set(rows[:5])


def test_a_log_that_grows(tmp_path: Path) -> None:
    rows = solve_rows(9)
    log = tmp_path / "solves.csv"
    with open_record(tmp_path) as record:
        numbers = [put_in(record, write_log(log, SOLVES_HEADER, rows[:end])) for end in (3, 6, 9)]
        (done,) = record.undo(numbers[0]).files
        assert (done.went_out, sum(count for _, count in done.stayed)) == (0, 3)
        record.undo(numbers[2])
        assert raws_in(record) == set(rows[:6])
        put_in(record, log)
        assert raws_in(record) == set(rows)


def test_what_can_not_be_undone_says_why(tmp_path: Path) -> None:
    log = write_log(tmp_path / "one.csv", SOLVES_HEADER, solve_rows(3))
    with open_record(tmp_path) as record:
        number = put_in(record, log)
        with pytest.raises(RecordError, match="there is no import 77"):
            record.undo(77)
        done = record.undo(number)
        with pytest.raises(
            RecordError, match=rf"undone already, by number {done.number}; `drift imports undo"
        ):
            record.undo(number)
        again = put_in(record, log)
        with pytest.raises(RecordError, match=rf"belongs to import {again} now"):
            record.undo(number)
        (row, *_) = record.held("solves")
        withdrawing = record.withdraw([row.row_id], "")
        with pytest.raises(RecordError, match=r"is no import \(withdrew\)"):
            record.undo(withdrawing)


def test_importing_the_same_file_again_is_no_second_import(tmp_path: Path) -> None:
    log = write_log(tmp_path / "one.csv", SOLVES_HEADER, solve_rows(3))
    with open_record(tmp_path) as record:
        put_in(record, log)
        put_in(record, log)
        assert len(record.imports()) == 1


def test_a_withdrawn_row_stays_out_when_its_import_is_undone_and_made_again(tmp_path: Path) -> None:
    rows = solve_rows(3)
    log = write_log(tmp_path / "one.csv", SOLVES_HEADER, rows)
    with open_record(tmp_path) as record:
        number = put_in(record, log)
        (row, *_) = record.held("solves")
        record.withdraw([row.row_id], "clouds")
        record.undo(number)
        (outcome,) = import_files(record, [log])
        assert isinstance(outcome, FileImported)
        assert outcome.went_in == 2
        assert info(RecordCode.WITHDRAWN_STAYS, rows=1) in outcome.remarks
        assert raws_in(record) == set(rows[1:])


def test_what_was_recorded_by_hand_is_no_import_and_stays(tmp_path: Path) -> None:
    row = {"time_utc": "2024-01-01T00:00:00Z", "kind": "zero", "note": ""}
    done = write_log(tmp_path / "done.csv", "time_utc,kind,note", ["2024-01-01T00:00:00Z,zero,"])
    with open_record(tmp_path) as record:
        record_rows(record, "corrections", [row])
        assert record.imports() == []
        number = put_in(record, done)
        record.undo(number)
        assert len(record.readings()["corrections"]) == 1


@pytest.mark.parametrize("seed", range(12))
def test_after_any_acts_the_record_holds_what_the_files_in_force_carry(tmp_path: Path, seed: int) -> None:
    """Against the plain meaning: the union of the files in force, each row at its place in one of them."""
    rng = random.Random(seed)
    rows = solve_rows(12)
    files = {}
    for name in "abcd":
        some = rng.sample(rows, rng.randint(2, 8))
        some = [row.replace(",", " , ") if rng.random() < 0.4 else row for row in some]
        files[write_log(tmp_path / f"{name}.csv", SOLVES_HEADER, some)] = some
    in_force: set[Path] = set()
    with open_record(tmp_path) as record:
        undoable: dict[int, Path] = {}  # imports in force, and undoings that can be undone
        for _ in range(25):
            undoing = bool(undoable) and rng.random() < 0.5
            number = rng.choice(sorted(undoable)) if undoing else 0
            path = undoable[number] if undoing else rng.choice(sorted(files))
            undoable = {one: other for one, other in undoable.items() if other != path}
            if not undoing:
                put_in(record, path)
            done = record.undo(number) if undoing else None
            if done is not None and not done.brought_back:
                in_force.discard(path)
                undoable[done.number] = path
            else:
                in_force.add(path)
                undoable[_import_of(record, path)] = path
            _check(record, {path: files[path] for path in in_force})


def _import_of(record: Record, path: Path) -> int:
    imports = [one for one in record.imports() if one.what == "imported" and one.files[0].file == str(path)]
    return imports[-1].number


def _check(record: Record, files: dict[Path, list[str]]) -> None:
    plain = {row.replace(" ", "") for rows in files.values() for row in rows}
    where = record.where(record.readings()["solves"]["row_id"])
    assert {raw.replace(" ", "") for _, _, raw in where.values()} == plain
    assert len(where) == len(plain)
    for name, line, raw in where.values():
        assert files[Path(name)][line - 2] == raw


def test_a_block_of_carried_rows_comes_out_as_it_went_in(tmp_path: Path) -> None:
    lines = {
        int(one): int(line)
        for one, line in zip(*np.random.default_rng(3).integers(1, 10**6, (2, 400)), strict=True)
    }
    block = carried_of(lines, {min(lines): 'é "x"'})
    log = write_log(tmp_path / "one.csv", SOLVES_HEADER, solve_rows(3))
    with open_record(tmp_path) as record:
        put_in(record, log)
        with record._place.writing() as connection:
            write_carried(connection, 1, block)
        with record._place.reading() as connection:
            found = read_carried(connection, 1)
    assert dict(zip(found.row_ids.tolist(), found.lines.tolist(), strict=True)) == lines
    assert found.raws == {min(lines): 'é "x"'}


def test_a_record_of_the_first_version_is_brought_up_to_date(tmp_path: Path) -> None:
    """`first_record.sql` is what version 0.1 made of a.csv (4 rows), b.csv (2 of 4 new) and weather."""
    with closing(sqlite3.connect(tmp_path / "drift-book.sqlite")) as connection:
        connection.executescript((HERE / "first_record.sql").read_text())
    with open_record(tmp_path) as record:
        assert [(one.what, one.files[0].file, one.files[0].went_in) for one in record.imports()] == [
            ("imported", "a.csv", 4),
            ("imported", "b.csv", 2),
            ("imported", "w.csv", 1),
        ]
        assert [(one.row.file, one.row.line) for one in record.asides()] == [("a.csv", 6), ("b.csv", 7)]
        noted = [one.row.reason for one in record.asides()]  # such records have sentences only
        assert [one.code for one in noted] == [IngestCode.NOTED_AS_TEXT] * 2
        assert sentence(noted[1]) == "must be one of: east, west"
        before = record.readings().readings_id
        first = record.imports()[0].number
        undone = record.undo(first)
        assert undone.files[0].unsure == ("b.csv",)  # it was not noted then that it carries two of the rows
        assert len(record.readings()["solves"]) == 2
        record.undo(undone.number)
        assert record.readings().readings_id == before
        assert len(record.held("corrections")) == 1
    with open_record(tmp_path) as record:
        assert record.readings().readings_id == before


def test_level_readings_of_the_first_version_are_read_as_tilt(tmp_path: Path) -> None:
    """Their columns were called lean then; the content by which they are known again is the same."""
    row = {"time_utc": "2023-05-01T00:00:00Z", "tilt_north_arcsec": "3", "tilt_east_arcsec": "-4"}
    (tmp_path / "new").mkdir()
    with open_record(tmp_path / "new") as record:
        record_rows(record, "levels", [row])
        wanted = record.readings().readings_id
        with record.reading("looking") as connection:
            (level,) = connection.execute(schema.readings["levels"].select()).mappings()
            content, time_us = bytes(level["content"]), level["time_us"]
    with closing(sqlite3.connect(tmp_path / "drift-book.sqlite")) as connection:
        connection.executescript((HERE / "first_record.sql").read_text())
        for table in ("solves", "weather", "corrections"):
            connection.execute(f"DELETE FROM {table}")
        connection.execute(
            "INSERT INTO levels (row_id, time_us, lean_north_arcsec, lean_east_arcsec, file_id, line, "
            "raw, content) VALUES (99, ?, 3.0, -4.0, 1, 2, '', ?)",
            (time_us, content),
        )
        connection.commit()
    with open_record(tmp_path) as record:
        levels = record.readings()["levels"]
        assert levels["tilt_north_arcsec"].tolist() == [3.0]
        assert levels["tilt_east_arcsec"].tolist() == [-4.0]
        assert record.state().readings_id == record.readings().readings_id == wanted
