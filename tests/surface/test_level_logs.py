"""Levels as people read them: units, a bubble, pairs, the place, and another pier's by mistake."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from record_world import run, site_file, write_log

from drift.api import analyse_readings
from drift.errors import LogFileError
from drift.ingest.mapping import MappingFile
from drift.ingest.units import Unit, UnitName, to_our_unit, unit_of
from drift.notices import NightCode
from drift.record.record import Record
from drift.site.file import load_pier

HEADER = "time_utc,tilt_north_arcsec,tilt_east_arcsec,place,face_deg"


@pytest.fixture
def pier(tmp_path: Path) -> Path:
    (tmp_path / "pier").mkdir()
    return site_file(tmp_path / "pier")


def tilts(pier: Path) -> list[tuple[float, float]]:
    with Record.open(load_pier(pier)) as record:
        table = record.readings()["levels"]
        return list(zip(table["tilt_north_arcsec"], table["tilt_east_arcsec"], strict=True))


@pytest.mark.parametrize(
    ("written", "value_arcsec"),
    [
        ('div 20"', 20.0),
        ("divisions of 20 arcsec", 20.0),
        ("Div. = 0,5 arcmin", 30.0),
        ("division (30 arcsec)", 30.0),
        ("div 0.02 mm/m", 4.1253),  # 0.02 mm per m: 2e-5 rad of 206265 arcsec
    ],
)
def test_a_bubble_in_divisions_with_its_value(written: str, value_arcsec: float) -> None:
    unit = unit_of(written, "tilt_north_arcsec")
    assert unit is not None and unit.division is not None
    assert unit_of(str(unit), "tilt_north_arcsec") == unit  # as logs.toml keeps it
    found = to_our_unit(np.array([-2.0, 1.5]), unit, "tilt_north_arcsec")
    assert found == pytest.approx([-2.0 * value_arcsec, 1.5 * value_arcsec], rel=1e-4)


@pytest.mark.parametrize("written", ["div", "divisions", "div 20", "div of x arcsec", "div 20 hours"])
def test_divisions_without_their_value_are_no_unit(written: str) -> None:
    assert unit_of(written, "tilt_north_arcsec") is None


def test_only_levels_are_read_off_a_bubble() -> None:
    assert unit_of("divisions of 20 arcsec", "ra_deg") is None


def test_a_bubble_level_goes_in_and_its_mapping_asks_nothing_again(
    pier: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = ["2024-03-01T10:00:00Z,1.5,-0.5", "2024-03-08T10:00:00Z,2.0,-0.5"]
    log = write_log(pier.parent / "bubble.csv", 'time (UTC),north (div 20"),east (div 20")', rows)
    assert run("import", log, "--pier", pier, "--yes") == 2
    assert "place" in capsys.readouterr().err  # asked for, not guessed
    assert run("import", log, "--pier", pier, "--yes", "--answer", "place=value:plate") == 0
    assert tilts(pier) == [(30.0, -10.0), (40.0, -10.0)]
    (mapping,) = MappingFile.beside(pier).mappings.values()
    assert mapping.columns["tilt_north_arcsec"].unit == Unit(UnitName.ARCSEC, 20.0)
    assert mapping.columns["place"].value == "plate"
    more = write_log(
        pier.parent / "more.csv", 'time (UTC),north (div 20"),east (div 20")', ["2024-04-01T10:00:00Z,0,1"]
    )
    assert run("import", more, "--pier", pier) == 0
    assert tilts(pier)[-1] == (0.0, 20.0)


def test_divisions_without_a_value_are_asked_for(pier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = write_log(
        pier.parent / "b.csv", "time (UTC),north (div),east (div)", ["2024-03-01T10:00:00Z,1.5,-0.5"]
    )
    assert run("import", log, "--pier", pier, "--yes", "--answer", "place=value:pier") == 2
    told = capsys.readouterr().err
    assert "tilt_north_arcsec.unit" in told
    assert "write the value of one" in " ".join(told.split())
    answers = [f"--answer=tilt_{way}_arcsec.unit=divisions of 0.5 arcmin" for way in ("north", "east")]
    assert run("import", log, "--pier", pier, "--yes", "--answer", "place=value:pier", *answers) == 0
    assert tilts(pier) == [(45.0, -15.0)]


def test_a_wrong_unit_of_a_kept_mapping_is_told(pier: Path) -> None:
    (pier.parent / "logs.toml").write_text(
        '[tables."level"]\nkind = "levels"\nheader = ["t", "n", "e"]\ntime_utc = { from = "t" }\n'
        'tilt_north_arcsec = { from = "n", unit = "divisions" }\nlean_east_arcsec = { from = "e" }\n'
    )
    with pytest.raises(LogFileError, match="divisions of 20 arcsec"):
        MappingFile.beside(pier)


def test_where_no_place_is_said_the_pier_is_taken_and_it_is_told(
    pier: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = write_log(pier.parent / "l.csv", HEADER, ["2024-03-01T10:00:00Z,1,2,,0"])
    assert run("import", log, "--pier", pier) == 0
    assert "taken to be the pier; a column place" in " ".join(capsys.readouterr().out.split())
    log = write_log(pier.parent / "m.csv", HEADER, ["2024-03-02T10:00:00Z,1,2,plate,0"])
    assert run("import", log, "--pier", pier) == 0
    assert "taken to be the pier" not in " ".join(capsys.readouterr().out.split())


def test_a_pair_end_for_end_counts_as_one_reading_free_of_the_error(
    pier: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = []
    for month, tilt in enumerate((0.0, 12.0, 30.0), start=1):
        rows += [
            f"2024-0{month}-01T10:00:00Z,{tilt + 100.0},{5.0 - 40.0},pier,0",
            f"2024-0{month}-01T10:10:00Z,{-tilt + 100.0},{-5.0 - 40.0},pier,180",
        ]
    assert run("import", write_log(pier.parent / "l.csv", HEADER, rows), "--pier", pier) == 0
    assert "are pairs: each counts as one reading" in " ".join(capsys.readouterr().out.split())
    with Record.open(load_pier(pier)) as record:
        analysis = analyse_readings(load_pier(pier), record.readings(), record)
    assert not any(one.code is NightCode.LEVEL_ERROR_CHANGES for one in analysis.notices)
    assert analysis.history.change[-1, 0] == pytest.approx(30.0, abs=3.0 * analysis.history.sd[-1, 0])
    assert len(analysis.history.time_us) == 3


def test_levels_of_another_pier_are_noticed(pier: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = write_log(
        pier.parent / "own.csv", HEADER, [f"2024-03-{day:02}T10:00:00Z,{day},2,pier,0" for day in (1, 8, 15)]
    )
    other = write_log(pier.parent / "other.csv", HEADER, ["2024-03-10T10:00:00Z,900,-400,pier,0"])
    turned = write_log(pier.parent / "turned.csv", HEADER, ["2024-03-10T10:00:00Z,900,-400,pier,180"])
    assert run("import", own, "--pier", pier) == 0
    assert "another pier" not in capsys.readouterr().out
    assert run("import", other, "--pier", pier) == 0
    assert "differ by 892 arcsec from those of the same weeks" in " ".join(capsys.readouterr().out.split())
    assert run("undo", "2", "--pier", pier) == 0
    capsys.readouterr()
    assert run("import", turned, "--pier", pier) == 0  # nothing to compare it with
    assert "another pier" not in capsys.readouterr().out


def test_a_file_that_lies_with_another_site_file_is_asked_about(
    pier: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "other" / "logs").mkdir(parents=True)
    other = site_file(tmp_path / "other")
    other.write_text(f"{other.read_text(encoding='utf-8')}\n# another pier, no copy\n", encoding="utf-8")
    (pier.parent / "logs").mkdir()
    rows = ["2024-03-01T10:00:00Z,1,2,pier,0"]
    log = write_log(tmp_path / "other" / "logs" / "l.csv", HEADER, rows)
    assert run("import", log, "--pier", pier) == 2  # nothing goes in before it was said that it may
    assert "is it of this pier all the same?" in " ".join(capsys.readouterr().err.split())
    assert run("import", log, "--pier", pier, "--answer", "other_pier=leave") == 2
    assert "not imported, as you said" in " ".join(capsys.readouterr().err.split())
    assert run("import", log, "--pier", pier, "--answer", "other_pier=take") == 0
    assert "lies with another site file" in " ".join(capsys.readouterr().out.split())
    own = write_log(pier.parent / "logs" / "l.csv", HEADER, rows)
    assert run("import", own, "--pier", pier) == 0
    assert "another site file" not in capsys.readouterr().out
