"""The record deserves trust: what changed on the disk is noticed, and nothing that went in is lost."""

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
import subprocess
from contextlib import closing
from datetime import datetime, tzinfo
from pathlib import Path

import pytest
from page_world import client_of, desk_of, token_in
from record_world import (
    PATIENCE_S,
    SITE_TEXT,
    SOLVES_HEADER,
    outside,
    run,
    site_file,
    solve_rows,
    ten_first_commands,
    write_log,
)

from drift import api
from drift.errors import RecordError
from drift.importer.by_hand import record_rows
from drift.importer.importing import import_files
from drift.notices import RecordCode
from drift.record import keeping, quick
from drift.record.record import Record
from drift.render.notices import sentence
from drift.site.file import load_pier

ROWS = 40


@pytest.fixture
def pier(tmp_path: Path) -> Path:
    """Make a record with solves, a correction and a level reading."""
    path = site_file(tmp_path)
    log = write_log(tmp_path / "solves.csv", SOLVES_HEADER, solve_rows(ROWS))
    with Record.open(load_pier(path)) as record:
        list(import_files(record, [log]))
        by_hand(record, "corrections", time_utc="2024-03-05T00:00:00Z", kind="azimuth", amount_arcmin="2.5")
        level = {"tilt_north_arcsec": "3.25", "tilt_east_arcsec": "-2", "note": "=1+1 on the top"}
        by_hand(record, "levels", time_utc="2024-03-05T00:00:00Z", **level)
    return path


def by_hand(record: Record, table: str, **row: str) -> None:
    record_rows(record, table, [row])


def record_file(pier: Path) -> Path:
    return pier.parent / "drift-book.sqlite"


def change(pier: Path, *statements: str) -> None:
    """Change the record behind drift's back."""
    with closing(sqlite3.connect(record_file(pier))) as connection, connection:
        for one in statements:
            connection.execute(one)


def opened(pier: Path) -> Record:
    return Record.open(load_pier(pier))


# ---- What is kept to save work.


@pytest.mark.parametrize(
    "damage",
    [
        "UPDATE kept_answers SET text = replace(text, '12.5', '12.4')",
        "UPDATE kept_answers SET text = substr(text, 1, length(text) - 1)",
        "UPDATE kept_answers SET text = '12.5'",
        "UPDATE kept_answers SET text = x'80ff'",
        "UPDATE kept_answers SET key = 'other'",
    ],
)
def test_a_kept_answer_that_was_changed_is_not_kept(pier: Path, damage: str) -> None:
    with opened(pier) as record:
        assert record.cache_analysis("one", "axis 12.5")
        assert record.cached_analysis("one") == "axis 12.5"
        change(pier, damage)
        assert record.cached_analysis("one") is None
        assert record.cached_analysis("other") is None
        assert record.cache_analysis("one", "axis 12.5")
        assert record.cached_analysis("one") == "axis 12.5"


def test_a_kept_piece_that_was_changed_in_any_bit_is_not_kept(pier: Path) -> None:
    with opened(pier) as record:
        record.cache_blobs({"a": b"piece", "b": b"other"})
        with closing(sqlite3.connect(record_file(pier))) as connection:
            (blob,) = connection.execute("SELECT blob FROM kept_blobs WHERE key = 'a'").fetchone()
            for bit in range(8 * len(blob)):
                flipped = bytearray(blob)
                flipped[bit // 8] ^= 1 << bit % 8
                with connection:
                    connection.execute("UPDATE kept_blobs SET blob = ? WHERE key = 'a'", [bytes(flipped)])
                assert record.cached_blobs(["a", "b"]) == {"b": b"other"}, bit


def test_pieces_that_changed_places_are_not_kept(pier: Path) -> None:
    with opened(pier) as record:
        record.cache_blobs({"a": b"one", "b": b"two"})
        change(
            pier,
            "UPDATE kept_blobs SET key = 'c' WHERE key = 'a'",
            "UPDATE kept_blobs SET key = 'a' WHERE key = 'b'",
        )
        assert record.cached_blobs(["a", "b", "c"]) == {}


def test_an_analysis_that_fails_with_what_is_kept_is_made_without_it(
    pier: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(self: object, keys: object) -> object:
        raise ZeroDivisionError

    with opened(pier) as record:
        readings = record.readings()
        wanted = api.analyse_readings(record.site, readings)
        monkeypatch.setattr(api._PiecesInRecord, "get", fails)
        found = api.analyse_readings(record.site, readings, record)
    assert [one.time_us for one in found.nights.nights] == [one.time_us for one in wanted.nights.nights]


def test_status_says_the_same_whatever_became_of_what_is_kept(
    pier: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def said() -> str:
        assert run("status", "--json", "--pier", pier) == 0
        data = json.loads(capsys.readouterr().out)
        assert data["now"].pop("now_utc")  # when it was asked for
        return json.dumps(data)

    first = said()
    change(pier, "UPDATE kept_answers SET text = zeroblob(100)", "UPDATE kept_blobs SET blob = zeroblob(100)")
    assert said() == first
    change(pier, "DROP TABLE kept_answers", "DROP TABLE kept_blobs")
    assert said() == first
    assert run("record", "check", "--pier", pier) == 2


def test_what_is_kept_can_be_cleared(pier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with opened(pier) as record:
        record.cache_analysis("one", "text")
        record.cache_blobs({"a": b"piece"})
        change(pier, "UPDATE kept_blobs SET blob = x'00'")
        assert keeping.check(record).cache_damaged == 1
        assert run("record", "check", "--clear-cache", "--pier", pier) == 0
        assert record.cached_analysis("one") is None
    said = capsys.readouterr().out
    assert "2 kept answers and pieces of work were let go of." in said
    assert "is sound: 42 rows" in said


# ---- Rows.


@pytest.mark.parametrize(
    "damage",
    [
        "UPDATE solves SET ra_deg = ra_deg + 0.001 WHERE row_id = 7",
        "UPDATE solves SET ra_deg = 'text' WHERE row_id = 7",
        "UPDATE solves SET time_us = time_us + 1 WHERE row_id = 7",
        "UPDATE solves SET tube_side = CASE tube_side WHEN 'east' THEN 'west' ELSE 'x' END WHERE row_id = 7",
        "UPDATE solves SET tube_side = x'ff41' WHERE row_id = 7",
        "UPDATE solves SET temp_c = NULL WHERE row_id = 7",
        "UPDATE solves SET content = zeroblob(16) WHERE row_id = 7",
        "UPDATE solves SET content = x'00' WHERE row_id = 7",
        "UPDATE solves SET status = 1 WHERE row_id = 7",
        "UPDATE solves SET status = 2 WHERE row_id = 7",
        "UPDATE solves SET status = 3 WHERE row_id = 7",
    ],
)
def test_a_changed_row_is_left_out_and_named(
    pier: Path, damage: str, capsys: pytest.CaptureFixture[str]
) -> None:
    change(pier, damage)
    with opened(pier) as record:
        readings = record.readings()
        assert 7 not in set(readings["solves"]["row_id"])
        assert len(readings["solves"]) == ROWS - 1
        (notice,) = readings.notices
        assert notice.code is RecordCode.ROWS_DAMAGED
        assert (notice.values["changed"], notice.values["missing"]) == (1, 0)
        assert notice.values["lines"] == (8,)
        assert "solves.csv, line 8" in sentence(notice)
        assert notice in api.analyse_readings(record.site, readings, record).notices
    assert run("record", "check", "--pier", pier) == 2
    told = capsys.readouterr()
    assert "solves.csv, line 8" in told.out
    assert "is damaged" in told.err


def test_a_text_that_is_no_text_is_a_changed_row(pier: Path) -> None:
    """A flipped bit may leave bytes that are no UTF-8."""
    change(pier, "UPDATE solves SET tube_side = CAST(x'ff41' AS TEXT) WHERE row_id = 7")
    with opened(pier) as record:
        assert len(record.readings()["solves"]) == ROWS - 1


def test_a_row_that_is_gone_is_missed(pier: Path) -> None:
    change(pier, "DELETE FROM solves WHERE row_id IN (3, 9)")
    with opened(pier) as record:
        (notice,) = record.readings().notices
        assert (notice.values["changed"], notice.values["missing"]) == (0, 2)
        assert "2 rows can't be found any more" in sentence(notice)
        assert keeping.check(record).missing == 2


def test_a_record_in_which_much_was_done_is_sound(pier: Path, tmp_path: Path) -> None:
    """Withdrawing, putting back, undoing and importing again leave every row in its due state."""
    again = write_log(tmp_path / "more.csv", SOLVES_HEADER, solve_rows(ROWS + 5))
    with opened(pier) as record:
        record.withdraw([3, 4], "")
        record.put_back([4], "")
        list(import_files(record, [again]))
        undone = record.undo(1)
        record.undo(undone.number)
        record.undo(record.imports()[0].number)
        list(import_files(record, [tmp_path / "solves.csv"]))
        record.undo(record.imports()[-1].number)
        record.withdraw([41], "")
        by_hand(record, "corrections", time_utc="2024-03-05T00:00:00Z", kind="azimuth", amount_arcmin="2.5")
        assert keeping.check(record).sound
        assert record.readings().notices == ()


def test_an_empty_file_is_damage_and_no_new_pier(pier: Path) -> None:
    record_file(pier).write_bytes(b"")
    with pytest.raises(RecordError, match="has 0 bytes, which is damage"):
        opened(pier)
    assert record_file(pier).stat().st_size == 0


# ---- Backup, restore, export.


def test_a_backup_holds_what_is_only_in_the_log_beside_the_file(pier: Path, tmp_path: Path) -> None:
    """The page holds the record open, so that a plain copy of its file lacks the last rows."""
    with opened(pier) as page:
        page.readings()
        assert run("record", "tighten", "--pier", pier) == 0
        plain = tmp_path / "plain.sqlite"
        shutil.copy(record_file(pier), plain)
        assert run("backup", tmp_path / "b.sqlite", "--pier", pier) == 0
    counts = []
    for path in (plain, tmp_path / "b.sqlite"):
        with closing(sqlite3.connect(path)) as connection:
            counts.append(connection.execute("SELECT count(*) FROM corrections").fetchone()[0])
    assert counts == [1, 2]


def test_a_backup_comes_back_and_what_was_there_is_kept(
    pier: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    backup = tmp_path / "b.sqlite"
    assert run("backup", backup, "--pier", pier) == 0
    with opened(pier) as record:
        wanted = record.readings()
        record.withdraw([1, 2, 3], "by mistake")
        assert run("restore", backup, "--pier", pier) == 0
        found = record.readings()  # also for a program that has it open
        assert found.readings_id == wanted.readings_id
        assert keeping.check(record).sound
    (kept,) = tmp_path.glob("drift-book-before-restore-*.sqlite")
    assert str(kept) in capsys.readouterr().out
    with closing(sqlite3.connect(kept)) as connection:
        assert connection.execute("SELECT count(*) FROM solves WHERE status = 1").fetchone()[0] == 3
    assert sorted(one.name for one in tmp_path.iterdir() if one.name.startswith(".")) == []


def test_two_restores_within_one_second_keep_both(
    pier: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Stopped(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> Stopped:
            return cls(2026, 12, 1, 2, 20, 8, tzinfo=tz)

    monkeypatch.setattr(keeping, "datetime", Stopped)
    backup = tmp_path / "b.sqlite"
    assert run("backup", backup, "--pier", pier) == 0
    withdrawn = []
    for row in (1, 2):
        with opened(pier) as record:
            record.withdraw([row], "by mistake")
        assert run("restore", backup, "--pier", pier) == 0
    for name in ("", "-2"):
        kept = tmp_path / f"drift-book-before-restore-2026-12-01T022008Z{name}.sqlite"
        with closing(sqlite3.connect(kept)) as connection:
            withdrawn += connection.execute("SELECT row_id FROM solves WHERE status = 1").fetchall()
    assert withdrawn == [(1,), (2,)]


@pytest.mark.parametrize("damage", [b"", b"x" * 5000])
def test_a_backup_comes_back_in_the_place_of_a_damaged_record(
    pier: Path, tmp_path: Path, damage: bytes
) -> None:
    backup = tmp_path / "b.sqlite"
    assert run("record", "backup", backup, "--pier", pier) == 0
    with opened(pier) as record:
        wanted = record.readings().readings_id
    record_file(pier).write_bytes(damage)
    assert run("record", "restore", backup, "--pier", pier) == 0
    with opened(pier) as record:
        assert record.readings().readings_id == wanted
    (kept,) = tmp_path.glob("drift-book-before-restore-*.sqlite")
    assert kept.read_bytes() == damage


def test_a_backup_comes_back_where_the_record_is_gone(pier: Path, tmp_path: Path) -> None:
    assert run("backup", tmp_path / "b.sqlite", "--pier", pier) == 0
    record_file(pier).unlink()
    assert run("restore", tmp_path / "b.sqlite", "--pier", pier) == 0
    with opened(pier) as record:
        assert len(record.readings()["solves"]) == ROWS


def test_what_is_no_backup_of_this_pier_is_not_restored(pier: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    text = SITE_TEXT.replace("-92.4", "-80.0").replace("Test pier", "Other pier")
    Record.open(load_pier(site_file(other, text))).close()
    (tmp_path / "text").write_text("no database at all, " * 100)
    with closing(sqlite3.connect(tmp_path / "moons.sqlite")) as connection:
        connection.execute("CREATE TABLE moons (name TEXT)")
    assert run("backup", tmp_path / "torn.sqlite", "--pier", pier) == 0
    torn = (tmp_path / "torn.sqlite").read_bytes()
    (tmp_path / "torn.sqlite").write_bytes(torn[: len(torn) // 2])
    before = record_file(pier).read_bytes()
    for name, why in (
        ("other/drift-book.sqlite", "belongs to a pier"),
        ("text", "not a readable record"),
        ("moons.sqlite", "database of another program"),
        ("torn.sqlite", "damaged|not a readable record"),
        ("nowhere", "there is no file"),
        ("drift-book.sqlite", "is the record itself"),
    ):
        with pytest.raises(RecordError, match=why):
            keeping.restore(load_pier(pier), tmp_path / name)
    assert record_file(pier).read_bytes() == before


def test_a_backup_is_replaced_only_when_asked_and_only_by_a_sound_one(pier: Path, tmp_path: Path) -> None:
    backup = tmp_path / "b.sqlite"
    assert run("backup", backup, "--pier", pier) == 0
    before = backup.read_bytes()
    assert run("backup", backup, "--pier", pier) == 2
    change(pier, "UPDATE solves SET ra_deg = ra_deg + 1 WHERE row_id = 7")
    assert run("backup", "--replace", backup, "--pier", pier) == 2
    assert backup.read_bytes() == before
    assert run("backup", tmp_path / "as it is.sqlite", "--pier", pier) == 2
    assert (tmp_path / "as it is.sqlite").exists()
    assert not [one for one in tmp_path.iterdir() if one.name.startswith(".")]


def test_what_was_typed_goes_out_and_comes_in_again(pier: Path, tmp_path: Path) -> None:
    errors = write_log(
        tmp_path / "errors.csv",
        "time_utc,az_error_arcmin,alt_error_arcmin,sigma_arcmin",
        ["2024-03-04T04:05:06.789Z,0.1,-0.30000000000000004,0.3"],
    )
    note = "@SUM(1) 'quoted', and -1"
    with opened(pier) as record:
        list(import_files(record, [errors]))
        by_hand(record, "corrections", time_utc="2024-03-06T00:00:00Z", kind="tighten", note=note)
        wanted = {kind: record.readings()[kind].drop(columns="row_id") for kind in ("corrections", "levels")}
    assert run("record", "export", tmp_path / "typed", "--pier", pier) == 0
    assert "'=1+1 on the top" in (tmp_path / "typed" / "levels.csv").read_text()
    assert run("record", "export", tmp_path / "typed", "--pier", pier) == 2  # never over another
    with opened(pier) as record:
        done = list(import_files(record, sorted((tmp_path / "typed").iterdir())))
        assert [one.went_in for one in done] == [0, 0, 0]  # type: ignore[union-attr]
    new = tmp_path / "new"
    new.mkdir()
    with Record.open(load_pier(site_file(new))) as record:
        done = list(import_files(record, sorted((tmp_path / "typed").iterdir())))
        assert [one.went_in for one in done] == [1, 2, 1]  # type: ignore[union-attr]
        for kind, table in wanted.items():
            assert record.readings()[kind].drop(columns="row_id").equals(table)
        assert note in set(record.readings()["corrections"]["note"])
        assert record.readings()["alignments"]["alt_error_arcmin"].tolist() == [-0.30000000000000004]
    assert run("record", "export", new / "typed", "--pier", new / "pier.toml") == 0
    for one in (tmp_path / "typed").iterdir():  # what went out comes out again, notes of levels as well
        assert (new / "typed" / one.name).read_text() == one.read_text()


def test_what_a_kill_left_of_a_backup_is_cleared_by_the_next_one(pier: Path, tmp_path: Path) -> None:
    stale, fresh = tmp_path / ".b.sqlite.0123abcd.new", tmp_path / ".b.sqlite.4567cdef.new"
    for one in (stale, fresh):
        one.write_bytes(b"half")
    os.utime(stale, (0, 0))
    assert run("backup", tmp_path / "b.sqlite", "--pier", pier) == 0
    assert not stale.exists()
    assert fresh.exists(), "another backup may be writing it"


# ---- A record that is taken away, or made by many at once.


def test_nothing_is_recorded_into_a_file_that_is_gone(pier: Path, tmp_path: Path) -> None:
    with opened(pier) as record:
        record.readings()
        record_file(pier).rename(tmp_path / "elsewhere.sqlite")
        with pytest.raises(RecordError, match="is not there any more"):
            by_hand(record, "corrections", time_utc="2024-04-01T00:00:00Z", kind="tighten")


def test_a_page_notices_that_the_record_was_removed_or_replaced(pier: Path, tmp_path: Path) -> None:
    backup = tmp_path / "b.sqlite"
    assert run("backup", backup, "--pier", pier) == 0
    form = {"note": "x", "when": "2024-04-01T00:00:00", "clock": "utc"}
    with client_of(desk_of(pier)) as page:
        form["token"] = token_in(page.get("/record/new/tighten").text)
        for one in tmp_path.glob("drift-book.sqlite*"):
            one.unlink()
        said = page.post("/record/new/tighten", data=form)
        assert said.status_code == 400
        assert "is not there any more" in said.text
        assert not record_file(pier).exists()
        shutil.copy(backup, record_file(pier))
        assert "Recorded" in page.post("/record/new/tighten", data=form).text
    with opened(pier) as record:
        assert len(record.readings()["corrections"]) == 2


def test_ten_first_commands_at_once_all_succeed(tmp_path: Path) -> None:
    pier = site_file(tmp_path)
    ten_first_commands(pier)
    with opened(pier) as record:
        assert len(record.readings()["corrections"]) == 10
        assert keeping.check(record).sound
    assert sorted(one.name for one in tmp_path.iterdir()) == ["drift-book.sqlite", "pier.toml"]


KILLED = """
import os, sys
from drift.site import text as disk
real = os.fsync
def at_the_worst_moment(handle):
    real(handle)
    print("written", flush=True)
    import time
    time.sleep(600)
disk.os.fsync = at_the_worst_moment
from drift.cli.main import main
main(sys.argv[1:])
"""


@pytest.mark.skipif(not hasattr(os, "O_TMPFILE"), reason="this system has no files without a name")
@pytest.mark.parametrize(
    "command",
    [
        ("init", "--latitude-deg", "47", "--longitude-deg", "-92", "--elevation-m", "400"),
        ("status",),
    ],
)
def test_a_kill_while_a_file_is_made_leaves_nothing(tmp_path: Path, command: tuple[str, ...]) -> None:
    pier = tmp_path / "pier.toml"
    if command == ("status",):
        site_file(tmp_path)
    there = sorted(tmp_path.iterdir())
    child = subprocess.Popen(outside(KILLED, *command, "--pier", pier), stdout=subprocess.PIPE, text=True)
    assert child.stdout
    assert child.stdout.readline() == "written\n"
    child.send_signal(signal.SIGKILL)
    child.wait(PATIENCE_S)
    child.stdout.close()
    assert sorted(tmp_path.iterdir()) == there


# ---- A kept answer that is looked up without the database library.


def test_what_is_unusual_is_no_kept_answer(pier: Path, tmp_path: Path) -> None:
    text = pier.read_bytes()

    def kept(site_text: bytes = text, folder: Path = tmp_path) -> str | None:
        return quick.cached_for(site_text, folder, lambda state: f"{state.readings_id} answer")

    with opened(pier) as record:
        state = record.state()
        record.cache_analysis(f"{state.readings_id} answer", "said")
        assert state.readings_id == record.readings().readings_id
        assert kept() == "said"  # also while another program has the record open
    assert kept() == "said"
    assert kept(text + b'[store]\nurl = "sqlite:///other.sqlite"\n') is None
    assert kept(b"no [toml") is None
    assert kept(b"\xff") is None
    assert kept(b"store = 3") is None
    assert kept(folder=tmp_path / "nowhere") is None
    change(pier, "UPDATE kept_answers SET text = replace(text, 'said', 'sajd')")
    assert kept() is None
    change(pier, "DROP TABLE kept_answers")
    assert kept() is None
    record_file(pier).write_bytes(b"x" * 5000)
    assert kept() is None
    record_file(pier).write_bytes(b"")
    assert kept() is None
    assert record_file(pier).stat().st_size == 0
