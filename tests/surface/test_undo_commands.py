"""`drift imports`, `undo` and `origin`: on the command line, killed midway, and by two at once."""

from __future__ import annotations

import json
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from record_world import PATIENCE_S, SOLVES_HEADER, outside, run, site_file, solve_rows, write_log

from drift.record.record import Record
from drift.site.file import load_pier

ROOT = Path(__file__).parents[2]

KILLED_UNDO = """
import sys, time
from pathlib import Path
from drift.record import undo as undoing
from drift.record.record import Record
from drift.site.file import load_pier

note = undoing.note_file
def halfway(*values, **counts):
    note(*values, **counts)
    print("rows are out, the transaction is open", flush=True)
    time.sleep(600)
undoing.note_file = halfway

with Record.open(load_pier(Path(sys.argv[1]))) as book:
    book.undo(1)
"""
UNDO = """
import sys
from drift.cli.main import main
main(["undo", "1", "--pier", sys.argv[1]])
"""


@pytest.fixture
def pier(tmp_path: Path) -> Path:
    return site_file(tmp_path)


def said(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> str:
    assert run(*arguments) == 0
    return capsys.readouterr().out


def solves_in(pier: Path) -> int:
    with Record.open(load_pier(pier)) as record:
        return len(record.readings()["solves"])


def two_logs(pier: Path) -> tuple[Path, Path]:
    """Import two logs that share two rows, by two commands."""
    rows = solve_rows(30)
    one = write_log(pier.parent / "one.csv", SOLVES_HEADER, rows[:20])
    two = write_log(pier.parent / "two.csv", SOLVES_HEADER, [*rows[18:], "never,1,2,3,4,east,0,960"])
    assert run("import", one, "--pier", pier) == 0
    assert run("import", two, "--pier", pier) == 0
    return one, two


def test_imports_are_listed_with_what_came_of_them(pier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "Nothing has been imported yet." in said(capsys, "imports", "--pier", pier)
    one, two = two_logs(pier)
    capsys.readouterr()
    text = said(capsys, "imports", "--pier", pier)
    first, second, third, fourth = text.splitlines()
    assert first.split()[0] == "1"
    assert "imported: 1 file, 20 in" in first
    assert second.strip() == f"{one} (solves): 20 in"
    assert "imported: 1 file, 10 in, 2 there already, 1 set aside" in third
    assert fourth.strip() == f"{two} (solves): 10 in, 2 there already, 1 set aside"
    data = json.loads(said(capsys, "imports", "2", "--json", "--pier", pier))
    assert data["format"] == "drift-imports"
    (act,) = data["imports"]
    assert (act["number"], act["what"], act["undone_by"]) == (2, "imported", [])
    assert act["files"][0]["file"] == str(two)
    assert run("imports", "9", "--pier", pier) == 2
    assert "there is no import 9" in capsys.readouterr().err


def test_many_files_of_one_import_are_shown_in_part(pier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    logs = pier.parent / "logs"
    logs.mkdir()
    for at, row in enumerate(solve_rows(8)):
        write_log(logs / f"{at}.csv", SOLVES_HEADER, [row])
    assert run("import", logs, "--pier", pier) == 0
    capsys.readouterr()
    text = said(capsys, "imports", "--pier", pier)
    assert "8 files, 8 in" in text
    assert "... and 3 more files; `drift imports 1` lists all" in text
    assert len(said(capsys, "imports", "1", "--pier", pier).splitlines()) == 9


def test_a_wrong_folder_is_undone_though_one_of_its_files_gave_no_row(
    pier: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One file has good rows and one none: undo used to stop at the latter, which has no span of time."""
    logs = pier.parent / "wrong"
    logs.mkdir()
    write_log(logs / "a.csv", SOLVES_HEADER, solve_rows(3))
    none = write_log(logs / "b.csv", SOLVES_HEADER, ["never,1,2,3,4,east,0,960"])
    again = write_log(pier.parent / "again.csv", SOLVES_HEADER, solve_rows(3))
    assert run("import", logs, "--pier", pier) == 0
    assert run("import", again, "--pier", pier) == 0
    capsys.readouterr()
    text = said(capsys, "undo", "1", "--pier", pier)
    assert "3 rows stayed" in text
    assert f"{none} (solves): 0 rows left" in text
    assert "Nothing is set aside." in said(capsys, "aside", "list", "--pier", pier)
    said(capsys, "undo", "3", "--pier", pier)
    assert str(none) in said(capsys, "aside", "list", "--pier", pier)
    said(capsys, "undo", "1", "--file", str(none), "--pier", pier)


def test_undo_says_what_left_and_what_stayed(pier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    one, two = two_logs(pier)
    capsys.readouterr()
    text = said(capsys, "undo", "1", "--reason", "wrong clock", "--pier", pier)
    assert f"{one} (solves): 18 rows left" in text
    assert f"2 rows stayed, because {two} carries them as well" in text
    assert "In all 18 rows left by undoing 1.  `drift imports undo 3` brings all of it back." in text
    assert solves_in(pier) == 12
    text = said(capsys, "imports", "--pier", pier)
    assert "- undone by 3" in text
    assert "(wrong clock)" in text
    assert run("undo", "1", "--pier", pier) == 2
    assert "undone already, by number 3" in capsys.readouterr().err
    assert "In all 18 rows came back" in said(capsys, "undo", "3", "--pier", pier)
    assert solves_in(pier) == 30
    assert run("undo", "77", "--pier", pier) == 2
    assert "there is no import 77" in capsys.readouterr().err


def test_one_file_can_be_undone_by_its_name(pier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = solve_rows(6)
    one = write_log(pier.parent / "one.csv", SOLVES_HEADER, rows[:4])
    two = write_log(pier.parent / "two.csv", SOLVES_HEADER, rows[4:])
    assert run("import", one, two, "--pier", pier) == 0
    capsys.readouterr()
    assert "2 rows left" in said(capsys, "undo", "1", "--file", two, "--pier", pier)
    assert solves_in(pier) == 4
    assert f"{two} (solves): 2 in  - undone" in said(capsys, "imports", "1", "--pier", pier)


def test_a_kill_in_the_middle_of_an_undo_leaves_the_record_as_it_was(pier: Path) -> None:
    two_logs(pier)
    with subprocess.Popen(outside(KILLED_UNDO, pier), stdout=subprocess.PIPE, text=True, cwd=ROOT) as child:
        assert child.stdout
        assert child.stdout.readline().startswith("rows are out")
        assert solves_in(pier) == 30  # reading goes on meanwhile
        child.kill()
        assert child.wait() == -signal.SIGKILL
    assert solves_in(pier) == 30
    with closing(sqlite3.connect(pier.parent / "drift-book.sqlite")) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("SELECT count(*) FROM acts").fetchone() == (2,)
    assert run("undo", "1", "--pier", pier) == 0
    assert solves_in(pier) == 12


def test_of_two_undos_at_once_one_is_done_and_the_other_told(pier: Path) -> None:
    two_logs(pier)
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True, "cwd": ROOT}
    both = [subprocess.Popen(outside(UNDO, pier), **pipes) for _ in range(2)]  # type: ignore[call-overload]
    told = [child.communicate(timeout=PATIENCE_S) for child in both]
    assert sorted(child.returncode for child in both) == [0, 2]
    assert any("undone already" in err for _, err in told)
    assert solves_in(pier) == 12


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
def test_an_import_while_another_program_undoes_waits_and_both_count(pier: Path) -> None:
    one, _ = two_logs(pier)
    more = write_log(pier.parent / "more.csv", SOLVES_HEADER, solve_rows(500, "2024-04-01T02:00:00", 20.0, 5))
    child = subprocess.Popen(outside(UNDO, pier), stdout=subprocess.DEVNULL, cwd=ROOT)
    assert run("import", more, "--pier", pier) == 0
    assert child.wait(timeout=PATIENCE_S) == 0
    assert solves_in(pier) == 512
    assert one.is_file()


def test_origin_leads_from_a_number_to_file_and_line(pier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    one, two = two_logs(pier)
    assert run("record", "azimuth", "1.5", "--time", "2024-02-20T12:00:00Z", "--pier", pier) == 0
    with Record.open(load_pier(pier)) as record:
        row = record.held("solves")[3]
        record.withdraw([row.row_id], "a car drove past")
    weather = write_log(pier.parent / "weather.csv", "date,t_min_c,t_max_c", ["2024-02-29,-9,-1"])
    assert run("import", weather, "--pier", pier) == 0
    capsys.readouterr()
    text = said(capsys, "origin", "2024-02-29", "--pier", pier)
    assert "from pointing:" in text
    assert "azimuth error" in text
    assert f"solves of {one}, line 5: not used: withdrawn (a car drove past) (import 1)" in text
    assert f"weather of {weather}, line 2: used" in text
    assert "cone error" in text
    assert said(capsys, "origin", "last", "--pier", pier) == text
    data = json.loads(said(capsys, "origin", "last", "--json", "--pier", pier))
    (part,) = data["parts"]
    solves = [entry for entry in part["rows"] if entry["kind"] == "solves"]
    assert {(entry["file"], entry["line"]) for entry in solves} == {
        *((str(one), line) for line in range(2, 22)),
        *((str(two), line) for line in range(4, 14)),
    }
    for entry in solves:
        assert Path(entry["file"]).read_text().splitlines()[entry["line"] - 1] == entry["raw"]
    assert sum(entry["use"].startswith("not used: withdrawn") for entry in solves) == 1
    full = said(capsys, "origin", "last", "--rows", "--pier", pier)
    assert f"line 2: {one.read_text().splitlines()[1]}" in full


def test_origin_of_no_night_says_which_there_are(pier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    two_logs(pier)
    capsys.readouterr()
    assert run("origin", "2024-03-09", "--pier", pier) == 2
    assert (
        "no night that began on 2024-03-09.  The nearest ones began on 2024-02-29." in capsys.readouterr().err
    )
    assert run("origin", "yesterday", "--pier", pier) == 2
    assert "NIGHT is 'yesterday'" in capsys.readouterr().err
