"""`drift import`: what it says, what it lists, how it leaves."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from record_world import SOLVES_HEADER, run, site_file, solve_rows, write_log

from drift.cli import import_logs

Capture = pytest.CaptureFixture[str]


def logs_folder(folder: Path) -> Path:
    logs = folder / "logs"
    (logs / "2024").mkdir(parents=True)
    write_log(
        logs / "solves.csv",
        SOLVES_HEADER,
        [*solve_rows(6), *solve_rows(6)[:1], "2024-03-01 02:00,1,2,3,4,east,0,960"],
    )
    write_log(
        logs / "2024" / "weather.csv",
        "date,t_min_c,t_max_c,sky",
        ["2024-01-01,-3,1,grey", "2024-01-02,4,1,blue"],
    )
    (logs / "README.md").write_text("not a log")
    return logs


def imported(folder: Path, *arguments: str | Path) -> int:
    return run("import", *arguments, "--pier", site_file(folder))


def test_a_folder_in_words(tmp_path: Path, capsys: Capture) -> None:
    logs = logs_folder(tmp_path)
    assert imported(tmp_path, logs) == 0
    told = capsys.readouterr()
    assert told.err == ""
    assert f"{logs / 'solves.csv'}: pointing solves (the header has time_utc, ra_deg" in told.out
    assert "6 rows went in, 1 stood in the file twice, 1 was set aside" in told.out
    assert "line 9: time_utc = '2024-03-01 02:00' has no time zone" in told.out
    assert f"{logs / '2024' / 'weather.csv'}: weather (" in told.out
    assert "Note: not used, but kept with each row as it came: sky." in told.out
    summary = " ".join(told.out.split("In all: ")[1].split())
    assert summary.startswith("7 rows went in from 2 files, 2 were set aside.")
    assert "`drift import --set-aside` lists every row" in summary
    assert "1 other file in the folders passed over." in summary


def test_documents_of_a_folder_are_parsed_once_and_passed_over_by_name(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    logs = logs_folder(tmp_path)
    row = {"time_utc": "2024-03-01T22:00:00Z", "az_error_arcmin": 1.5, "alt_error_arcmin": 2.0}
    (logs / "one.json").write_text(json.dumps({"of": "me", "rows": [row]}))
    (logs / "settings.json").write_text(json.dumps({"camera": {"gain": 1}}))
    (logs / "several.json").write_text(json.dumps({"before": [row], "later": [row]}))
    parsed, loads = [], json.loads
    monkeypatch.setattr(json, "loads", lambda text, **how: (parsed.append(str(text)), loads(text, **how))[1])
    assert imported(tmp_path, logs) == 0
    told = capsys.readouterr()
    assert all(
        sum(text.startswith(f'{{"{key}"') for text in parsed) == 1 for key in ("of", "camera", "before")
    )
    said = " ".join(told.out.split())
    assert f"{logs / 'several.json'}: passed over, for it holds 2 lists ('before', 'later')." in said
    assert "settings.json" not in said and "8 rows went in from 3 files" in said
    assert "3 other files in the folders passed over." in said
    assert imported(tmp_path, logs, "--json") == 0
    passed = loads(capsys.readouterr().out)["passed_over"]
    assert {Path(one).name for one in passed} == {"README.md", "settings.json", "several.json"}


def test_a_folder_of_settings_alone_has_nothing_to_import(tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "settings.json").write_text(json.dumps({"camera": {"gain": 1}}))
    assert imported(tmp_path, tmp_path / "logs") == 2
    assert "there is nothing to import" in capsys.readouterr().err
    assert imported(tmp_path, tmp_path / "logs" / "settings.json") == 2


def test_a_second_time(tmp_path: Path, capsys: Capture) -> None:
    logs = logs_folder(tmp_path)
    imported(tmp_path, logs)
    capsys.readouterr()
    assert imported(tmp_path, logs) == 0
    out = capsys.readouterr().out
    assert "0 rows went in, 6 were there already" in out
    assert "In all: 0 rows went in from 2 files, 7 were there already" in out


def test_as_json(tmp_path: Path, capsys: Capture) -> None:
    logs = logs_folder(tmp_path)
    (logs / "wrong.csv").write_text("a,b\n1,2\n")
    assert imported(tmp_path, logs, "--json") == 2
    told = capsys.readouterr()
    analysis = json.loads(told.out)
    assert {
        name: analysis[name] for name in ("format", "version", "went_in", "already_there", "set_aside")
    } == {
        "format": "drift-import",
        "version": 1,
        "went_in": 7,
        "already_there": 0,
        "set_aside": 2,
    }
    assert [(one["kind"], one["went_in"], one["twice_in_file"]) for one in analysis["files"]] == [
        ("weather", 1, 0),
        ("solves", 6, 1),
    ]
    assert analysis["files"][0]["set_aside"][0]["column"] == "t_min_c"
    assert analysis["files"][0]["remarks"] == ["not used, but kept with each row as it came: sky"]
    assert analysis["refused"][0]["file"] == str(logs / "wrong.csv")
    assert analysis["passed_over"] == [str(logs / "README.md")]
    assert "wrong.csv" in told.err


def test_the_list_of_rows_set_aside(tmp_path: Path, capsys: Capture) -> None:
    logs = logs_folder(tmp_path)
    write_log(logs / "cold.csv", SOLVES_HEADER, [solve_rows(1, seed=3)[0].replace("-5.5", "-455")])
    imported(tmp_path, logs)
    capsys.readouterr()
    assert imported(tmp_path, "--set-aside") == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines == [
        f"{logs / '2024' / 'weather.csv'}, line 3: t_min_c = '4' is above t_max_c = 1: "
        "are the two columns exchanged?",
        f"{logs / 'cold.csv'}, line 2: temp_c = '-455' must be from -90 to 60 degrees Celsius"
        "  (only this value was left out; the row went in)",
        f"{logs / 'solves.csv'}, line 9: time_utc = '2024-03-01 02:00' has no time zone: write UTC with a Z "
        "at the end (2024-03-01T22:14:05Z) or local time with its offset (2024-03-01T23:14:05+01:00)",
    ]
    assert imported(tmp_path, "--set-aside", "--json") == 0
    analysis = json.loads(capsys.readouterr().out)
    assert (analysis["format"], analysis["version"]) == ("drift-set-aside", 1)
    assert [(one["line"], one["column"], one["value"], one["row_kept"]) for one in analysis["rows"]] == [
        (3, "t_min_c", "4", False),
        (2, "temp_c", "-455", True),
        (9, "time_utc", "2024-03-01 02:00", False),
    ]


def test_nothing_set_aside_is_said(tmp_path: Path, capsys: Capture) -> None:
    assert imported(tmp_path, "--set-aside") == 0
    assert capsys.readouterr().out == "Nothing has been set aside.\n"


def test_many_rows_set_aside_are_counted_and_three_shown(tmp_path: Path, capsys: Capture) -> None:
    rows = [row.replace("Z,", ",") for row in solve_rows(1200)]
    assert imported(tmp_path, write_log(tmp_path / "naive.csv", SOLVES_HEADER, rows)) == 0
    out = capsys.readouterr().out
    assert "0 rows went in, 1,200 were set aside" in out
    assert out.count("has no time zone") == 3
    assert "... and 1,197 more" in out


def test_nothing_given_or_both_given_is_a_usage_error(tmp_path: Path, capsys: Capture) -> None:
    assert imported(tmp_path) == 2
    assert imported(tmp_path, tmp_path, "--set-aside") == 2
    assert "give files or folders to import, or --set-aside alone" in capsys.readouterr().err


def test_a_file_that_may_not_be_read_is_refused_by_itself(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    barred = write_log(tmp_path / "barred.csv", SOLVES_HEADER, solve_rows(3))
    good = write_log(tmp_path / "good.csv", SOLVES_HEADER, solve_rows(3))
    really = Path.read_bytes

    def read_bytes(path: Path) -> bytes:
        if path == barred:
            raise PermissionError(13, "Permission denied", str(path))
        return really(path)

    monkeypatch.setattr(Path, "read_bytes", read_bytes)
    monkeypatch.setattr("os.access", lambda *about, **how: about[0] != str(barred))
    assert imported(tmp_path, barred, good) == 2
    told = capsys.readouterr()
    assert "barred.csv can't be read: Permission denied.  See that" in told.err
    assert "In all: 3 rows went in from 1 file.  1 file was refused" in told.out


def test_a_link_that_may_not_be_followed_does_not_stop_the_others(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    site_file(tmp_path)
    logs = tmp_path / "logs"
    logs.mkdir()
    write_log(logs / "good.csv", SOLVES_HEADER, solve_rows(3))
    (logs / "barred").symlink_to(tmp_path)
    really = Path.is_file

    def is_file(path: Path) -> bool:
        if path.name == "barred":
            raise PermissionError(13, "Permission denied", str(path))
        return really(path)

    monkeypatch.setattr(Path, "is_file", is_file)
    assert run("import", logs, "--pier", tmp_path / "pier.toml") == 0
    assert "3 rows went in" in capsys.readouterr().out


def test_what_is_not_there_is_refused_and_the_rest_goes_in(tmp_path: Path, capsys: Capture) -> None:
    good = write_log(tmp_path / "good.csv", SOLVES_HEADER, solve_rows(2))
    (tmp_path / "empty").mkdir()
    assert imported(tmp_path, tmp_path / "none.csv", tmp_path / "empty", good) == 2
    told = capsys.readouterr()
    assert "none.csv can't be read: No such file or directory" in told.err
    assert "empty holds no .csv file" in told.err
    assert "In all: 2 rows went in from 1 file.  2 files were refused, as said above." in told.out


def test_a_large_file_shows_no_bar_where_nobody_watches(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(import_logs, "_LONG_BYTES", 10)
    assert imported(tmp_path, write_log(tmp_path / "a.csv", SOLVES_HEADER, solve_rows(50))) == 0
    told = capsys.readouterr()
    assert told.err == ""
    assert "50 rows went in" in told.out


def test_a_large_file_shows_a_bar_on_a_terminal(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(import_logs, "_LONG_BYTES", 10)
    monkeypatch.setenv("FORCE_COLOR", "1")  # the progress library takes this for a terminal
    monkeypatch.setenv("TERM", "xterm-256color")
    assert imported(tmp_path, write_log(tmp_path / "a.csv", SOLVES_HEADER, solve_rows(50))) == 0
    told = capsys.readouterr()
    assert "a.csv" in told.err
    assert "100%" in told.err
    assert "50 rows went in" in told.out
    assert "\x1b" not in told.out
