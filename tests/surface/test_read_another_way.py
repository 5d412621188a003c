"""A file read again another way: the former reading is named, and replaced or kept; both never count."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from record_world import SOLVES_HEADER, run, site_file, solve_rows, write_log

Capture = pytest.CaptureFixture[str]
AZ = "When,Az error (arcmin),Alt error (arcmin)"
ROWS = [f"2024-03-{day:02d} 22:{day:02d}:00,1.{day},-0.{day}" for day in range(1, 9)]

REPLACE = "reading=replace"


def imported(folder: Path, path: Path, *options: str) -> int:
    return run("import", path, "--pier", folder / "pier.toml", "--yes", *options)


def in_use(folder: Path, kind: str = "alignments") -> list[tuple]:
    with closing(sqlite3.connect(folder / "drift-book.sqlite")) as database:
        return database.execute(
            f"SELECT time_us, raw FROM {kind} WHERE status = 0 ORDER BY time_us"
        ).fetchall()


@pytest.fixture
def wrong_zone(tmp_path: Path, capsys: Capture) -> Path:
    site_file(tmp_path)
    path = write_log(tmp_path / "errors.csv", AZ, ROWS)
    assert imported(tmp_path, path, "--answer", "time.zone=UTC") == 0
    capsys.readouterr()
    return path


def test_the_same_rows_in_another_zone_are_asked_about(
    tmp_path: Path, wrong_zone: Path, capsys: Capture
) -> None:
    assert imported(tmp_path, wrong_zone, "--answer", "time.zone=America/Chicago") == 2
    said = " ".join(capsys.readouterr().err.split())
    assert "8 rows of this file are in the record already, read otherwise by import 1." in said
    assert "--answer reading=replace" in said
    assert len(in_use(tmp_path)) == 8


def test_replacing_leaves_each_row_once_and_can_be_taken_back(
    tmp_path: Path, wrong_zone: Path, capsys: Capture
) -> None:
    before = in_use(tmp_path)
    answers = ("--answer", "time.zone=America/Chicago", "--answer", "reading=replace")
    assert imported(tmp_path, wrong_zone, *answers) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "8 rows went in" in told
    assert "which this one replaces" in told
    after = in_use(tmp_path)
    assert [raw for _, raw in after] == [raw for _, raw in before]
    assert {one[0] - other[0] for one, other in zip(after, before, strict=True)} == {6 * 3_600_000_000}  # CST
    assert run("imports", "--json", "--pier", tmp_path / "pier.toml") == 0
    acts = json.loads(capsys.readouterr().out)["imports"]
    undoing = next(one["number"] for one in acts if one["what"] == "undid")
    assert run("undo", str(undoing), "--pier", tmp_path / "pier.toml") == 0  # brings the former one back
    assert len(in_use(tmp_path)) == 16
    assert imported(tmp_path, wrong_zone, "--answer", "time.zone=America/Chicago", "--json") == 0


def test_going_back_to_the_first_reading_replaces_the_second(
    tmp_path: Path, wrong_zone: Path, capsys: Capture
) -> None:
    first = in_use(tmp_path)
    assert imported(tmp_path, wrong_zone, "--answer", "time.zone=America/Chicago", "--answer", REPLACE) == 0
    assert imported(tmp_path, wrong_zone, "--answer", "time.zone=UTC") == 2  # asked, not silently both
    assert len(in_use(tmp_path)) == 8
    assert imported(tmp_path, wrong_zone, "--answer", "time.zone=UTC", "--answer", REPLACE) == 0
    assert in_use(tmp_path) == first


def test_rows_that_a_later_version_of_the_file_carries_are_replaced_too(
    tmp_path: Path, wrong_zone: Path, capsys: Capture
) -> None:
    write_log(wrong_zone, AZ, [*ROWS, ""])  # saved again: other bytes, the same rows
    assert imported(tmp_path, wrong_zone, "--answer", "time.zone=UTC") == 0
    copy = write_log(tmp_path / "copy.csv", AZ, [*ROWS, "", ""])
    assert imported(tmp_path, copy, "--answer", "time.zone=UTC") == 0
    assert imported(tmp_path, wrong_zone, "--answer", "time.zone=America/Chicago", "--answer", REPLACE) == 0
    assert [raw for _, raw in in_use(tmp_path)] == ROWS


def test_the_former_reading_may_stay(tmp_path: Path, wrong_zone: Path, capsys: Capture) -> None:
    before = in_use(tmp_path)
    answers = ("--answer", "time.zone=America/Chicago", "--answer", "reading=former")
    assert imported(tmp_path, wrong_zone, *answers) == 2
    assert "the former reading stays as you said" in capsys.readouterr().err
    assert in_use(tmp_path) == before


def test_a_log_that_has_grown_is_no_other_reading(tmp_path: Path, wrong_zone: Path, capsys: Capture) -> None:
    write_log(wrong_zone, AZ, [*ROWS, "2024-03-20 22:00:00,1,1"])
    assert imported(tmp_path, wrong_zone) == 0
    assert "1 row went in, 8 were there already" in capsys.readouterr().out
    answers = ("--answer", "time.zone=America/Chicago", "--answer", "reading=replace")
    assert imported(tmp_path, wrong_zone, *answers) == 0  # both imports of it are replaced
    assert len(in_use(tmp_path)) == 9


def test_a_row_that_came_in_cut_short_is_replaced_by_the_whole_one(tmp_path: Path, capsys: Capture) -> None:
    site_file(tmp_path)
    rows = solve_rows(6)
    whole = rows[-1]
    path = write_log(tmp_path / "solves.csv", SOLVES_HEADER, [*rows[:-1], whole[:-3]])  # as if it were whole
    assert imported(tmp_path, path) == 0
    write_log(path, SOLVES_HEADER, rows)
    capsys.readouterr()
    assert imported(tmp_path, path) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "the row in line 7 had come in cut short" in told
    assert [raw for _, raw in in_use(tmp_path, "solves")] == rows
