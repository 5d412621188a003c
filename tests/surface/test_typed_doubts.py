"""What is typed by hand: units are taken, what was understood is shown, what is unlikely is asked about."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from record_world import SOLVES_HEADER, run, site_file, solve_rows, write_log

from drift.api import open_record
from drift.importer.by_hand import in_our_units
from drift.record.engine import now_us
from drift.site.file import load_pier

Capture = pytest.CaptureFixture[str]


@pytest.mark.parametrize(
    ("typed", "arcsec"),
    [
        ("1512", "1512"),
        ("0.42\u00b0", "1512"),
        ("0.42 deg", "1512"),
        ("25'", "1500"),
        ("25 arcmin", "1500"),
        ('-12"', "-12"),
        ("3 mm/m", "618.792562"),  # arctan(0.003) = 0.1718868 degrees
        ("0\u00b025'12\"", "1512"),
        ("rubbish", "rubbish"),
        ("", ""),
    ],
)
def test_a_number_may_have_its_own_unit(typed: str, arcsec: str) -> None:
    assert in_our_units({"tilt_north_arcsec": typed})["tilt_north_arcsec"] == arcsec


def test_what_was_understood_is_shown(tmp_path: Path, capsys: Capture) -> None:
    pier = site_file(tmp_path)
    level = ("record", "level", "--place", "pier", "--pier", pier)
    assert run(*level, "--north", "0.42\u00b0", "--east", "25'") == 0
    said = capsys.readouterr().out
    assert "0.42\u00b0 is taken as tilt_north_arcsec = 1512" in said
    assert "1512 arcsec toward north and 1500 arcsec toward east" in said


def test_a_level_reading_far_from_the_last_ones_is_asked_about(tmp_path: Path, capsys: Capture) -> None:
    pier = site_file(tmp_path)
    level = ("record", "level", "--place", "pier", "--pier", pier)
    for day in (1, 2, 3):
        assert run(*level, "--north", f"150{day}", "--east", "-300", "--time", f"2024-03-0{day}T20:00Z") == 0
    assert run(*level, "--north", "0.42", "--east", "-300", "--time", "2024-03-05T20:00Z") == 2
    said = " ".join(capsys.readouterr().err.split())
    assert "is 1502 arcsec from the last ones of its place" in said
    assert "--sure" in said
    assert run(*level, "--north", "0.42", "--east", "-300", "--time", "2024-03-05T20:00Z", "--sure") == 0
    assert run(*level, "--north", "0.4167\u00b0", "--east", "-300", "--time", "2024-03-06T20:00Z") == 0
    # on the plate there is nothing to compare it with
    plate = [part if part != "pier" else "plate" for part in level]
    assert run(*plate, "--north", "5", "--east", "5", "--time", "2024-03-07T20:00Z") == 0


def test_a_turn_far_from_what_was_advised_is_asked_about(tmp_path: Path, capsys: Capture) -> None:
    pier = site_file(tmp_path)
    with open_record(load_pier(pier)) as record:
        record.keep_steps(now_us(), [("turn_azimuth", {"amount_arcmin": -3.7, "turns": None, "bolts": []})])
    azimuth = ("record", "azimuth", "--pier", pier)
    assert run(*azimuth, "150") == 2
    assert "+150 arcmin of azimuth is far from the -3.7 arcmin" in " ".join(capsys.readouterr().err.split())
    assert run(*azimuth, "--", "-3.5") == 0
    assert run(*azimuth, "150", "--sure") == 0
    assert run("record", "altitude", "150", "--pier", pier) == 0  # nothing was advised of it


def test_a_clock_set_back_is_noticed(tmp_path: Path, capsys: Capture) -> None:
    pier = site_file(tmp_path)
    soon = datetime.now(UTC) + timedelta(hours=5)  # the record was kept by a clock that was right
    rows = solve_rows(3, first=soon.strftime("%Y-%m-%dT%H:%M:%S"))
    assert run("import", write_log(tmp_path / "a.csv", SOLVES_HEADER, rows), "--pier", pier) == 0
    assert run("record", "tighten", "--pier", pier) == 2
    assert "before the last reading in the record" in " ".join(capsys.readouterr().err.split())
    assert run("record", "tighten", "--pier", pier, "--time", "2024-03-01T20:00Z") == 0
