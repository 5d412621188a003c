"""Whole logs that the site file's place set aside: every answer says so until it is mended."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from record_world import run

from drift.notices import RecordCode
from drift.record.record import Record
from drift.site.file import load_pier

SAMPLES = Path(__file__).parents[2] / "sample_logs"
LONGITUDE = "longitude_deg = "
#: Lines of the log that are imported: some nights.
LINES = 121


@pytest.fixture
def pier(tmp_path: Path) -> Path:
    """Return the site file of a pier whose longitude has the wrong sign, with a log and a level reading."""
    text = (SAMPLES / "pier.toml").read_text(encoding="utf-8")
    (line,) = [one for one in text.splitlines() if one.startswith(LONGITUDE)]
    value = float(line.removeprefix(LONGITUDE).split()[0])
    (tmp_path / "pier.toml").write_text(text.replace(line, f"{LONGITUDE}{-value}"), encoding="utf-8")
    rows = (SAMPLES / "solves.csv").read_text(encoding="utf-8").splitlines()[:LINES]
    (tmp_path / "solves.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return tmp_path / "pier.toml"


def bring_in(pier: Path) -> None:
    run("import", pier.parent / "solves.csv", "--pier", pier)


def mend(pier: Path) -> None:
    text = pier.read_text(encoding="utf-8")
    (line,) = [one for one in text.splitlines() if one.startswith(LONGITUDE)]
    value = float(line.removeprefix(LONGITUDE))
    assert run("site", "--longitude-deg", str(-value), "--pier", pier) == 0


def read_level(pier: Path) -> None:
    when = "2024-05-01T12:00Z"
    assert run("record", "level", "--north", "10", "--east", "0", "--time", when, "--pier", pier) == 0


def warning_of(capsys: pytest.CaptureFixture[str], pier: Path) -> dict | None:
    capsys.readouterr()
    assert run("status", "--json", "--pier", pier) == 0
    found = json.loads(capsys.readouterr().out)["notices"]
    return next((one for one in found if one["code"] == RecordCode.LOGS_DOUBTED), None)


def test_with_nothing_else_to_go_by_the_answer_says_why(pier: Path, capsys: pytest.CaptureFixture) -> None:
    bring_in(pier)
    assert run("status", "--pier", pier) != 0
    text = capsys.readouterr().err
    assert "there is nothing to answer from yet" in text
    assert "120 of 120 solves were set aside" in text and "longitude (east positive)" in text


def test_beside_other_readings_it_stands_with_the_answer_until_it_is_mended(
    pier: Path, capsys: pytest.CaptureFixture
) -> None:
    read_level(pier)
    assert warning_of(capsys, pier) is None
    bring_in(pier)
    found = warning_of(capsys, pier)
    assert found is not None and found["severity"] == "warning"
    assert (found["values"]["rows"], found["values"]["of_rows"]) == (LINES - 1, LINES - 1)
    assert found["values"]["below_horizon"] is True
    assert run("status", "--pier", pier) == 0
    assert "120 of 120 solves were set aside: see `drift status remarks`." in capsys.readouterr().out
    mend(pier)
    bring_in(pier)
    assert warning_of(capsys, pier) is None


def test_an_import_that_was_undone_and_rows_dismissed_are_doubted_no_longer(
    pier: Path, capsys: pytest.CaptureFixture
) -> None:
    read_level(pier)
    bring_in(pier)
    assert warning_of(capsys, pier) is not None
    with Record.open(load_pier(pier)) as record:
        undone = record.undo(record.imports()[-1].number).number
    assert warning_of(capsys, pier) is None
    with Record.open(load_pier(pier)) as record:
        record.undo(undone)
    assert warning_of(capsys, pier) is not None
    with Record.open(load_pier(pier)) as record:
        record.dismiss([one.number for one in record.asides()], "of the other pier")
    assert warning_of(capsys, pier) is None
