"""Bad input, each with one clear paragraph: what was wrong, where, and what to do; and the exit code."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from record_world import (
    LATITUDE_DEG,
    LONGITUDE_DEG,
    SITE_TEXT,
    SOLVES_HEADER,
    run,
    site_file,
    solve_rows,
    write_log,
)

from drift.errors import LogFileError
from drift.ingest.mapping import MappingFile
from drift.ingest.read import read_log
from drift.ingest.row_check import circumstances
from drift.ingest.settle import Settler
from drift.site.file import load_pier

Capture = pytest.CaptureFixture[str]
Change = Callable[[list[str]], list[str]]


def told(folder: Path, capsys: Capture, log: Path, code: int) -> str:
    """Import a log, check the exit code, and return what was said, with the lines joined."""
    assert run("import", log, "--pier", site_file(folder)) == code
    captured = capsys.readouterr()
    said = captured.err if code else captured.out
    assert "Traceback" not in captured.err
    assert "should not have" not in captured.err
    return " ".join(said.split())


REFUSED = {
    "empty": (b"", "log.csv is empty"),
    "blank": (b"\n\n \n", "log.csv is empty"),
    "header only": (
        SOLVES_HEADER.encode() + b"\n",
        "holds the header of a log of solves (line 1) and no rows",
    ),
    "binary": (bytes(range(256)) * 20, "is a binary file, not text (it begins with the bytes 00 01 02"),
    "picture": (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + bytes(100), "is a binary file"),
    "missing column": (b"time_utc,ra_deg,dec_deg,mount_ra_deg\n1,2,3,4\n", "lacks mount_dec_deg"),
    "unknown header": (
        b"when;where\n1;2\n",
        "fits no log that is known here (it has: when, where; its first row: 1, 2)",
    ),
    "open quote": (
        b'time_utc,kind,note\n2024-03-01T22:00:00Z,zero,"never closed\n',
        "line 2: a quoted field opens",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_files_refused_whole(name: str, tmp_path: Path, capsys: Capture) -> None:
    data, says = REFUSED[name]
    log = tmp_path / "log.csv"
    log.write_bytes(data)
    said = told(tmp_path, capsys, log, 2)
    assert says in said
    assert said.startswith(f"drift: {log}")


def _cell(column: str, value: str) -> Change:
    at = SOLVES_HEADER.split(",").index(column)

    def change(rows: list[str]) -> list[str]:
        cells = rows[3].split(",")
        cells[at] = value
        return [*rows[:3], ",".join(cells), *rows[4:]]

    return change


def _opposite(rows: list[str]) -> list[str]:
    cells = rows[3].split(",")
    cells[4] = str(float(cells[2]) - 90.0)
    return [*rows[:3], ",".join(cells), *rows[4:]]


ONE_ROW = {
    "naive time": (_cell("time_utc", "2024-03-01T02:03:00"), "has no time zone"),
    "a date in 1970": (_cell("time_utc", "1970-01-01T00:03:00Z"), "was the clock not set?"),
    "NaN": (_cell("ra_deg", "NaN"), "ra_deg = 'NaN' is not a finite number"),
    "ninety degrees off": (_opposite, "90 degrees from the mount's own place"),
    "sexagesimal": (_cell("dec_deg", "41:16:09"), "not in parts of sixty"),
}


@pytest.mark.parametrize("name", ONE_ROW)
def test_one_bad_row_is_set_aside_and_the_others_go_in(name: str, tmp_path: Path, capsys: Capture) -> None:
    change, says = ONE_ROW[name]
    log = write_log(tmp_path / "log.csv", SOLVES_HEADER, change(solve_rows(8)))
    said = told(tmp_path, capsys, log, 0)
    assert "7 rows went in, 1 was set aside" in said
    assert "line 5:" in said
    assert says in said


def test_latin_text_goes_in_with_a_remark(tmp_path: Path, capsys: Capture) -> None:
    log = tmp_path / "log.csv"
    log.write_bytes("time_utc,kind,note\n2024-03-01T22:00:00Z,tighten,Süd\n".encode("latin-1"))
    said = told(tmp_path, capsys, log, 0)
    assert "1 row went in" in said
    assert "not UTF-8 text (line 2): read as Western European" in said


@pytest.mark.parametrize("column", [1, 3])
def test_right_ascension_in_hours_is_said(tmp_path: Path, capsys: Capture, column: int) -> None:
    rows = [row.split(",") for row in solve_rows(30, step_s=1800)]
    for cells in rows:
        cells[column] = f"{float(cells[column]) / 15:.7f}"
    said = told(
        tmp_path, capsys, write_log(tmp_path / "log.csv", SOLVES_HEADER, [",".join(row) for row in rows]), 0
    )
    name = SOLVES_HEADER.split(",")[column]
    assert "0 rows went in, 30 were set aside" in said
    assert f"{name} seems to be in hours, where degrees belong" in said
    assert f"Multiply {name} by 15" in said


def test_the_log_of_another_site_is_noticed(tmp_path: Path, capsys: Capture) -> None:
    """Solves of a site 150 degrees farther east, in the record of this one."""
    site_file(tmp_path)
    rows = solve_rows(40, step_s=1800)
    elsewhere = SITE_TEXT.replace(str(LONGITUDE_DEG), "57.6")
    (tmp_path / "pier.toml").write_text(elsewhere)
    log = write_log(tmp_path / "log.csv", SOLVES_HEADER, rows)
    assert run("import", log, "--pier", tmp_path / "pier.toml") == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "0 rows went in, 40 were set aside" in said
    assert "rows lie below the horizon of this site (latitude 47.3, longitude 57.6, east positive)" in said
    assert run("import", "--set-aside", "--pier", tmp_path / "pier.toml") == 0
    said = capsys.readouterr().out
    assert "below the horizon at this site: a wrong time zone, longitude sign or another site's log?" in said
    assert "was set aside with the rest of the file" in said


def test_two_sites_in_one_record_are_refused(tmp_path: Path, capsys: Capture) -> None:
    log = write_log(tmp_path / "log.csv", SOLVES_HEADER, solve_rows(4))
    told(tmp_path, capsys, log, 0)
    (tmp_path / "pier.toml").write_text(SITE_TEXT.replace(str(LATITUDE_DEG), "-33.1"))
    assert run("import", log, "--pier", tmp_path / "pier.toml") == 2
    said = capsys.readouterr().err
    assert "belongs to a pier at latitude 47.3" in said
    assert "the site file says latitude -33.1" in said


def test_a_pressure_in_inches_is_left_out_and_its_row_kept(tmp_path: Path, capsys: Capture) -> None:
    log = write_log(tmp_path / "log.csv", SOLVES_HEADER, _cell("pressure_hpa", "28.5")(solve_rows(8)))
    said = told(tmp_path, capsys, log, 0)
    assert "8 rows went in" in said
    assert "1 value was left out of rows that went in" in said
    assert "inches of mercury? Multiply by 33.86" in said


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
@pytest.mark.parametrize("name", ["log.csv", "log.fits", "-"])
def test_a_pipe_is_refused_and_not_waited_for(
    name: str, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    if name != "-":
        os.mkfifo(tmp_path / name)
    said = told(tmp_path, capsys, Path(name), 2)
    assert ("there is no file -: " if name == "-" else f"{name} is a pipe, and not a file: ") in said
    assert "Write what it gives into a file" in said
    assert said.count("drift:") == 1


def test_a_device_is_refused(tmp_path: Path, capsys: Capture) -> None:
    assert "is a device, and not a file" in told(tmp_path, capsys, Path(os.devnull), 2)


def test_a_header_alone_that_lacks_a_column_is_refused_and_nothing_is_asked(tmp_path: Path) -> None:
    """There was a question without choices: no row shows which column could be the date."""
    path = tmp_path / "weather.csv"
    path.write_text("date,t_min_c,t_max")
    asked = []
    settle = Settler(MappingFile.beside(tmp_path / "pier.toml"), {}, ask=lambda *it: asked.append(it) or "")
    with pytest.raises(LogFileError, match="lacks t_max_c"):
        read_log(path, circumstances(load_pier(site_file(tmp_path)), 1_700_000_000_000_000), settle)
    assert not asked
