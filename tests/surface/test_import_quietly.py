"""A folder imported every night says what is new, and the rest in one line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from record_world import SOLVES_HEADER, run, site_file, solve_rows, write_log

Capture = pytest.CaptureFixture[str]
FILES = 12


def logs_of(folder: Path) -> Path:
    logs = folder / "logs"
    logs.mkdir()
    for at in range(FILES):
        rows = solve_rows(3, first=f"2024-03-{at + 1:02d}T02:00:00", seed=at)
        write_log(logs / f"{at:02d}.csv", SOLVES_HEADER, [*rows, rows[0].replace("Z,", "Z,4000", 1)])
    return logs


def test_known_files_are_told_in_one_line(tmp_path: Path, capsys: Capture) -> None:
    pier, logs = site_file(tmp_path), logs_of(tmp_path)
    assert run("import", logs, "--pier", pier) == 0
    first = capsys.readouterr().out
    assert first.count("pointing solves") == FILES
    write_log(logs / "new.csv", SOLVES_HEADER, solve_rows(2, first="2024-05-01T02:00:00"))
    assert run("import", logs, "--pier", pier) == 0
    said = capsys.readouterr().out
    assert said.count("pointing solves") == 1
    assert "new.csv" in said
    assert (
        f"{FILES} files hold nothing new: their 36 rows are in the record, and 12 are set aside as before."
        in said
    )
    assert len(said.splitlines()) <= 8
    assert run("import", logs, "--pier", pier, "--json") == 0
    assert len(json.loads(capsys.readouterr().out)["files"]) == FILES + 1


def test_a_file_by_itself_is_told_as_ever(tmp_path: Path, capsys: Capture) -> None:
    pier = site_file(tmp_path)
    path = write_log(tmp_path / "a.csv", SOLVES_HEADER, solve_rows(3))
    assert run("import", path, "--pier", pier) == 0
    capsys.readouterr()
    assert run("import", path, "--pier", pier) == 0
    assert "0 rows went in, 3 were there already" in capsys.readouterr().out


def test_an_empty_name_is_not_the_folder_one_is_in(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    pier = site_file(tmp_path)
    write_log(tmp_path / "a.csv", SOLVES_HEADER, solve_rows(3))
    monkeypatch.chdir(tmp_path)
    assert run("import", "", "--pier", pier) == 2
    assert "an empty name is no file or folder" in " ".join(capsys.readouterr().err.split())
