"""The command `drift status`: what goes where, and what is kept."""

from __future__ import annotations

import importlib.metadata
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from invented_analysis import invented

import drift
from drift import stamp
from drift.cli.main import main
from drift.importer.by_hand import record_rows
from drift.record.record import Record
from drift.site.file import load_pier

SITE = '[site]\nname = "Hill garden"\nlatitude_deg = 47.3\nlongitude_deg = 15.5\nelevation_m = 410\n'


@pytest.fixture
def pier(tmp_path: Path) -> Path:
    """Return a site file in a folder of its own; its record has no readings."""
    path = tmp_path / "pier.toml"
    path.write_text(SITE)
    return path


@pytest.fixture
def worked(monkeypatch) -> list[str]:
    """Let an invented answer stand for the work, and note each time it is done."""
    done: list[str] = []

    def analysis(site, readings, record, now_us):
        done.append(readings.readings_id)
        return invented(47.3, 20)

    monkeypatch.setattr("drift.api.analyse_readings", analysis)
    return done


def run(capsys, *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    return left.value.code, out, err


def test_json_is_one_document_on_stdout_and_nothing_else(pier, worked, capsys):
    code, out, err = run(capsys, "status", "--json", "--pier", pier)
    assert (code, err) == (0, "")
    assert json.loads(out)["format"] == "drift-status"


def test_the_same_question_is_not_worked_out_twice(pier, worked, capsys):
    first = run(capsys, "status", "--json", "--pier", pier)
    second = run(capsys, "status", "--json", "--pier", pier)
    assert first == second
    assert len(worked) == 1


def test_a_changed_site_file_is_worked_out_afresh(pier, worked, capsys):
    run(capsys, "status", "--json", "--pier", pier)
    pier.write_text(SITE + "[warn]\naxis_arcmin = 7\n")
    run(capsys, "status", "--json", "--pier", pier)
    assert len(worked) == 2


def test_a_new_reading_is_worked_out_afresh(pier, worked, capsys):
    run(capsys, "status", "--json", "--pier", pier)
    with Record.open(load_pier(pier)) as record:
        row = {"time_utc": "2024-01-01T00:00:00Z", "tilt_north_arcsec": "3", "tilt_east_arcsec": "4"}
        assert record_rows(record, "levels", [row]).went_in == 1
    run(capsys, "status", "--json", "--pier", pier)
    assert len(set(worked)) == 2


def test_tomorrow_is_worked_out_afresh(pier, worked, capsys, monkeypatch):
    day_us = 86_400_000_000
    for now_us in (20_000 * day_us, 20_001 * day_us - 1, 20_001 * day_us):
        monkeypatch.setattr("drift.record.quick.now_us", lambda now_us=now_us: now_us)
        run(capsys, "status", "--json", "--pier", pier)
    assert len(worked) == 2


def test_an_edited_program_works_out_afresh(pier, worked, capsys, monkeypatch):
    run(capsys, "status", "--json", "--pier", pier)
    monkeypatch.setattr("drift.stamp.program_stamp", lambda: "another")
    run(capsys, "status", "--json", "--pier", pier)
    assert len(worked) == 2


def test_words_are_not_worked_out_twice_until_what_waits_is_acknowledged(pier, worked, capsys):
    first = run(capsys, "status", "--pier", pier)
    assert run(capsys, "status", "--pier", pier) == first
    assert len(worked) == 1
    with Record.open(load_pier(pier)) as record:
        record.acknowledge("seen", "{}")
    run(capsys, "status", "--pier", pier)
    assert len(worked) == 2


def test_a_terminal_has_a_text_for_each_width_and_colour(pier, worked, capsys, monkeypatch):
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm")
    for width in ("70", "50", "70"):
        monkeypatch.setenv("COLUMNS", width)
        _, out, _ = run(capsys, "status", "--pier", pier)
        assert "WHAT TO DO" in out
    assert len(worked) == 2
    monkeypatch.setenv("NO_COLOR", "1")
    run(capsys, "status", "--pier", pier)
    assert len(worked) == 3


SECOND_TIME = """
import sys
from drift.cli.main import main
try:
    main(sys.argv[1:])
except SystemExit as left:
    assert left.code == 0
heavy = {"numpy", "scipy", "pandas", "astropy", "matplotlib", "rich", "sqlalchemy", "pydantic"}
print(sorted(heavy & set(sys.modules)), file=sys.stderr)
"""


@pytest.mark.parametrize("form", [(), ("--json",)], ids=["words", "json"])
def test_what_is_kept_is_said_without_loading_what_works_with_numbers(pier, worked, capsys, form):
    first = run(capsys, "status", *form, "--pier", pier)
    environment = {**os.environ, "PYTHONPATH": str(Path(drift.__file__).parents[1])}
    command = [sys.executable, "-c", SECOND_TIME, "status", *form, "--pier", str(pier)]
    again = subprocess.run(
        command, capture_output=True, encoding="utf-8", env={**environment, "PYTHONUTF8": "1"}, check=True
    )
    assert again.stdout == first[1]
    assert again.stderr == "[]\n"


def test_the_stamp_knows_the_versions_that_are_installed():
    for name, version in stamp.versions(stamp.LIBRARIES).items():
        assert version == importlib.metadata.version(name)


def test_words_are_plain_when_nobody_watches(pier, worked, capsys):
    code, out, err = run(capsys, "status", "--pier", pier)
    assert (code, err) == (0, "")
    assert "WHAT TO DO" in out
    assert "\x1b" not in out
    assert max(map(len, out.splitlines())) <= 80


def test_an_empty_record_is_answered_by_what_to_do(pier, capsys):
    code, out, err = run(capsys, "status", "--pier", pier)
    assert (code, out) == (2, "")
    assert "nothing to answer from yet" in err
    assert "Traceback" not in err


def test_a_missing_site_file_leaves_with_2(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("DRIFT_PIER", raising=False)
    code, out, err = run(capsys, "status", "--json")
    assert (code, out) == (2, "")
    assert "pier.toml" in err


def test_a_wrong_option_leaves_with_2(capsys):
    code, _, err = run(capsys, "status", "--jason")
    assert code == 2
    assert "--json" in err
