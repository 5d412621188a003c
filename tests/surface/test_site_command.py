"""`drift site`: the place is shown, and put right with all that was typed; rows are judged anew."""

from __future__ import annotations

from pathlib import Path

import pytest
from record_world import SITE_TEXT, SOLVES_HEADER, run, site_file, solve_rows, write_log

from drift.importer.by_hand import record_rows
from drift.importer.importing import import_files
from drift.record import keeping
from drift.record.record import Record
from drift.site.file import load_pier

ROWS = 300
WRONG = SITE_TEXT.replace("-92.4", "92.4  # read off the map")


def said(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> str:
    capsys.readouterr()
    assert run(*arguments) == 0
    return capsys.readouterr().out


@pytest.fixture
def pier(tmp_path: Path) -> Path:
    """Import a log of half a week under a longitude of the wrong sign, and type a correction."""
    path = site_file(tmp_path, WRONG)
    log = write_log(tmp_path / "solves.csv", SOLVES_HEADER, solve_rows(ROWS, step_s=1800.0))
    with Record.open(load_pier(path)) as record:
        list(import_files(record, [log]))
        row = {"time_utc": "2024-03-05T00:00:00Z", "kind": "azimuth", "amount_arcmin": "2.5"}
        record_rows(record, "corrections", [row])
    return path


def solves_in(pier: Path) -> tuple[int, int]:
    with Record.open(load_pier(pier)) as record:
        assert keeping.check(record).sound
        assert len(record.readings()["corrections"]) == 1
        return len(record.readings()["solves"]), len(record.asides())


def test_the_place_is_shown(pier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = said(capsys, "site", "--pier", pier)
    for words in ("Test pier", "47.3 deg (north)", "92.4 deg (east)", "410 m", "drift-book.sqlite"):
        assert words in text


def test_a_wrong_sign_is_put_right_and_everything_stays(
    pier: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert solves_in(pier) == (0, ROWS)
    text = said(capsys, "site", "--longitude-deg", "-92.4", "--pier", pier)
    assert "longitude_deg: 92.4 -> -92.4" in text
    assert f"{ROWS} went in that were set aside" in text
    assert solves_in(pier) == (ROWS, 0)
    assert pier.read_text() == WRONG.replace("92.4", "-92.4")  # the remark and all else stay
    with Record.open(load_pier(pier)) as record:
        assert record.where([5])[5][:2] == (str(pier.parent / "solves.csv"), 5)  # file and line as ever
        again = list(import_files(record, [pier.parent / "solves.csv"]))
        assert [(one.went_in, one.already_there) for one in again] == [(0, ROWS)]  # type: ignore[union-attr]


def test_there_and_back_changes_nothing(pier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said(capsys, "site", "--longitude-deg", "-92.4", "--pier", pier)
    with Record.open(load_pier(pier)) as record:
        wanted = record.readings().readings_id
    text = said(capsys, "site", "--longitude-deg", "92.4", "--pier", pier)
    assert f"{ROWS} left, being set aside now" in text
    assert solves_in(pier) == (0, ROWS)
    said(capsys, "site", "--longitude-deg", "-92.4", "--pier", pier)
    assert solves_in(pier) == (ROWS, 0)
    with Record.open(load_pier(pier)) as record:
        assert record.readings().readings_id == wanted


def test_a_row_that_somebody_withdrew_stays_withdrawn(pier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said(capsys, "site", "--longitude-deg", "-92.4", "--pier", pier)
    with Record.open(load_pier(pier)) as record:
        record.withdraw([7], "a cloud")
    for longitude in ("92.4", "-92.4"):
        said(capsys, "site", "--longitude-deg", longitude, "--pier", pier)
    assert solves_in(pier) == (ROWS - 1, 0)


def test_a_site_file_that_was_put_right_by_hand_takes_the_record_along(
    pier: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pier.write_text(pier.read_text().replace("92.4", "-92.4"))
    assert run("status", "--pier", pier) == 2
    told = capsys.readouterr().err
    assert "`drift site --latitude-deg 47.3 --longitude-deg -92.4`" in told
    assert "move the record away" not in told
    text = said(capsys, "site", "--latitude-deg", "47.3", "--longitude-deg", "-92.4", "--pier", pier)
    assert "says so already; the record was taken along" in text
    assert solves_in(pier) == (ROWS, 0)


def test_a_log_that_can_not_be_read_again_is_asked_for_the_horizon_and_named(
    pier: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its header in the record is not its own any more: it gives none of its rows back."""
    import sqlite3
    from contextlib import closing

    said(capsys, "site", "--longitude-deg", "-92.4", "--pier", pier)
    with closing(sqlite3.connect(pier.parent / "drift-book.sqlite")) as connection, connection:
        connection.execute("UPDATE files SET header = 'a,b,c' WHERE path != ''")
    text = said(capsys, "site", "--longitude-deg", "92.4", "--pier", pier)
    assert "asked for the horizon only" in text
    here, _ = solves_in(pier)
    assert ROWS / 2 < here < ROWS  # some lie above both horizons
    said(capsys, "site", "--longitude-deg", "-92.4", "--pier", pier)
    assert solves_in(pier)[0] == ROWS


def test_name_and_elevation_change_no_row(pier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said(capsys, "site", "--longitude-deg", "-92.4", "--pier", pier)
    text = said(capsys, "site", "--name", "Other", "--elevation-m", "500", "--pier", pier)
    assert "name: Test pier -> Other" in text
    assert f"{ROWS} rows stay" in text
    assert load_pier(pier).site.name == "Other"
    assert solves_in(pier) == (ROWS, 0)


@pytest.mark.parametrize("value", ["91", "47,3"])
def test_a_wrong_value_changes_nothing(pier: Path, value: str, capsys: pytest.CaptureFixture[str]) -> None:
    before = pier.read_text()
    assert run("site", "--latitude-deg", value, "--pier", pier) == 2
    assert "latitude" in capsys.readouterr().err
    assert pier.read_text() == before


def test_a_file_written_in_an_unusual_way_is_not_changed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = "site = {latitude_deg = 47.3, longitude_deg = 92.4, elevation_m = 410.0}\n"
    path = site_file(tmp_path, text)
    assert run("site", "--longitude-deg", "-92.4", "--pier", path) == 2
    assert "put longitude_deg right there with a text editor" in capsys.readouterr().err
    assert path.read_text() == text
