"""`drift record list`, `edit`, `withdraw` and `put-back`: what was recorded is put right, nothing is lost."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from record_world import run, site_file, write_log

from drift.cli import record as record_commands
from drift.codes import CorrectionKind
from drift.record.record import Record
from drift.site.file import load_pier

Capture = pytest.CaptureFixture[str]
TIME = ("--time", "2024-03-01T23:14:00+01:00")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    site_file(tmp_path)
    return tmp_path


def record(folder: Path, *arguments: str) -> int:
    return run("record", *arguments, "--pier", folder / "pier.toml")


def used(folder: Path, kind: str = "corrections") -> list[dict[str, object]]:
    """Return what the answer sees."""
    with Record.open(load_pier(folder / "pier.toml")) as record:
        return [
            {name: value for name, value in row.items() if value == value and value != ""}
            for row in record.readings()[kind].to_dict("records")
        ]


def listed(folder: Path, capsys: Capture, *options: str) -> list[str]:
    capsys.readouterr()
    assert record(folder, "list", *options) == 0
    return capsys.readouterr().out.splitlines()


def test_an_empty_record_lists_nothing(folder: Path, capsys: Capture) -> None:
    assert listed(folder, capsys) == [
        "No correction, no level reading and no alignment error is in the record."
    ]


def test_the_list_has_numbers_times_words_and_where_it_came_from(folder: Path, capsys: Capture) -> None:
    record(folder, "azimuth", "-2.83", "--turns", "0.07", *TIME, "--note", "left knob")
    record(folder, "level", "--north", "3", "--east", "-4", "--place", "pier", "--time", "2024-02-01T20:00Z")
    log = write_log(folder / "log.csv", "time_utc,kind,amount_arcmin", ["2024-04-01T20:00:00Z,altitude,1.5"])
    assert run("import", log, "--pier", folder / "pier.toml") == 0
    azimuth, altitude, level = listed(folder, capsys, "--all")
    assert re.match(
        r" +2  2024-02-01 14:00 CST \(20:00 UTC\)  tilt 3 arcsec toward north and 4 arcsec toward west", level
    )
    assert re.match(r" +1  2024-03-01 16:14 CST \(22:14 UTC\)  azimuth -2.83 arcmin", azimuth)
    assert azimuth.endswith('"left knob"  (recorded by hand, line 1)')
    assert altitude.endswith("(log.csv, line 2)")
    assert used(folder)[0]["turns"] == 0.07


def test_withdraw_and_put_back(folder: Path, capsys: Capture) -> None:
    record(folder, "azimuth", "2", *TIME)
    record(folder, "altitude", "1", *TIME)
    assert record(folder, "withdraw", "1", "--why", "it was the other pier") == 0
    said = capsys.readouterr().out.splitlines()[-1]
    assert said.startswith("Withdrawn: 1  2024-03-01 16:14 CST (22:14 UTC)  azimuth +2")
    assert [row["kind"] for row in used(folder)] == ["altitude"]
    assert len(listed(folder, capsys)) == 1
    whole = listed(folder, capsys, "--all")
    assert whole[0].endswith("[withdrawn]")
    assert re.fullmatch(r" +withdrawn on \S+ \S+ C[SD]T \(.* UTC\): it was the other pier", whole[1])

    assert record(folder, "put-back", "1", "--why", "it was this one") == 0
    assert "In use again: 1  " in capsys.readouterr().out
    assert sorted(str(row["kind"]) for row in used(folder)) == ["altitude", "azimuth"]
    assert re.fullmatch(r" +put back on .* UTC\): it was this one", listed(folder, capsys, "--all")[2])


def test_a_withdrawn_row_of_a_file_stays_out_when_the_file_is_imported_again(folder: Path) -> None:
    log = write_log(folder / "log.csv", "time_utc,kind,amount_arcmin", ["2024-04-01T20:00:00Z,altitude,1.5"])
    run("import", log, "--pier", folder / "pier.toml")
    assert record(folder, "withdraw", "1") == 0
    run("import", log, "--pier", folder / "pier.toml")
    assert used(folder) == []


def test_edit_changes_what_is_given_and_keeps_the_rest_and_the_row_as_it_was(
    folder: Path, capsys: Capture
) -> None:
    record(folder, "azimuth", "2.83", *TIME, "--note", 'a "quoted", note')
    capsys.readouterr()
    assert record(folder, "edit", "1", "--amount", "-2.83", "--why", "wrong sign") == 0
    said = capsys.readouterr().out
    assert "Row 1 of 2024-03-01 16:14 CST (22:14 UTC) is kept as withdrawn." in said
    assert "In its place: 2  2024-03-01 16:14 CST (22:14 UTC)  azimuth -2.83 arcmin" in said
    (now,) = used(folder)
    assert now == {
        "row_id": 2, "time_us": 1_709_331_240_000_000, "kind": "azimuth", "amount_arcmin": -2.83,
        "note": 'a "quoted", note',
    }  # fmt: skip
    whole = listed(folder, capsys, "--all")
    assert whole[0].endswith("[withdrawn]")
    assert re.fullmatch(r" +changed, now row 2 on .* UTC\): wrong sign", whole[1])


def test_edit_of_time_and_of_a_level(folder: Path) -> None:
    record(folder, "level", "--north", "-12.3456", "--east", "3", "--face", "180", *TIME)
    assert (
        record(folder, "edit", "1", "--time", "2024-03-02T22:14:00.25Z", "--east", "-3", "--place", "pier")
        == 0
    )
    (now,) = used(folder, "levels")
    assert (now["tilt_north_arcsec"], now["tilt_east_arcsec"], now["face_deg"]) == (-12.3456, -3.0, 180.0)
    assert (now["time_us"], now["place"]) == (1_709_417_640_250_000, "pier")


def test_edit_can_blank_a_value(folder: Path) -> None:
    record(folder, "azimuth", "2.83", *TIME, "--note", "x")
    assert record(folder, "edit", "1", "--amount", "") == 0
    assert "amount_arcmin" not in used(folder)[0]


def test_edit_of_an_edited_row(folder: Path) -> None:
    record(folder, "azimuth", "1", *TIME)
    assert record(folder, "edit", "1", "--amount", "2") == 0
    assert record(folder, "edit", "2", "--amount", "1") == 0, "back to what it was"
    assert [row["amount_arcmin"] for row in used(folder)] == [1.0]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("withdraw", "7"), "row 7 is no correction, level reading or alignment error"),
        (("withdraw",), "Missing argument"),
        (("withdraw", "x"), "'x' is not a valid integer"),
        (("put-back", "1"), "not withdrawn"),
        (("edit", "1"), "nothing is to be changed"),
        (("edit", "7", "--amount", "1"), "row 7 is no correction"),
        (("edit", "1", "--amount", "1"), "says exactly this already"),
        (("edit", "1", "--north", "1"), "is a correction, which has no --north; it has --time, --amount,"),
        (("edit", "1", "--amount", "lots"), "amount_arcmin = 'lots' is not a number"),
        (("edit", "1", "--time", "2024-03-01"), "is not an ISO 8601 time"),
    ],
)
def test_what_can_not_be_done_changes_nothing(
    folder: Path, capsys: Capture, arguments: tuple[str, ...], says: str
) -> None:
    record(folder, "azimuth", "1", *TIME)
    before = used(folder)
    capsys.readouterr()
    assert record(folder, *arguments) == 2
    told = capsys.readouterr()
    assert says in told.err and told.out == ""
    assert used(folder) == before


def test_withdrawing_twice_is_refused(folder: Path, capsys: Capture) -> None:
    record(folder, "azimuth", "1", *TIME)
    assert record(folder, "withdraw", "1") == 0
    assert record(folder, "withdraw", "1") == 2
    assert "withdrawn already" in capsys.readouterr().err


def test_a_correction_like_one_that_is_there_is_asked_about(folder: Path, capsys: Capture) -> None:
    record(folder, "azimuth", "1.5", *TIME)
    for again in (("1.5", "2024-03-02T20:00Z"), ("1.6", "2024-03-02T20:01Z"), ("1.5", "2024-04-01T20:00Z")):
        capsys.readouterr()
        assert record(folder, "azimuth", again[0], "--time", again[1]) == 0
        asked = (
            "Row 1 is a correction just like it, at 2024-03-01 16:14 CST (22:14 UTC)"
            in capsys.readouterr().out
        )
        assert asked == (again == ("1.5", "2024-03-02T20:00Z")), again


def test_re_aligned_by_an_unknown_amount_is_not_asked_about(folder: Path, capsys: Capture) -> None:
    record(folder, "azimuth", *TIME)
    record(folder, "azimuth", "--time", "2024-03-02T20:00Z")
    assert "just like it" not in capsys.readouterr().out


# ---- many level readings beside few corrections


def pair_of_levels(folder: Path, day: int) -> None:
    for minute, (face, north) in enumerate((("0", "13"), ("180", "7"))):
        when = f"2024-02-{day:02d}T20:{minute:02d}Z"
        values = ("--north", north, "--east", "2", "--place", "pier", "--face", face)
        assert record(folder, "level", *values, "--time", when) == 0


def test_corrections_come_first_and_what_turned_means_is_said_once(folder: Path, capsys: Capture) -> None:
    pair_of_levels(folder, 1)
    pair_of_levels(folder, 2)
    record(folder, "azimuth", "2", *TIME)
    azimuth, *levels, note = listed(folder, capsys, "--all")
    assert " azimuth +2 arcmin" in azimuth
    assert [line.split()[0] for line in levels] == ["1", "2", "3", "4"]
    assert ["(turned)" in line for line in levels] == [False, True, False, True]
    assert "7 arcsec toward south" in levels[1]
    assert note.startswith('Note: "turned" marks readings with the instrument turned end for end')


def test_one_kind_is_listed_alone(folder: Path, capsys: Capture) -> None:
    record(folder, "azimuth", "2", *TIME)
    record(folder, "altitude", "1", *TIME)
    pair_of_levels(folder, 1)
    assert len(listed(folder, capsys, "--kind", "corrections")) == 2
    assert len(listed(folder, capsys, "--kind", "levels")) == 3
    (line,) = listed(folder, capsys, "--kind", "altitude")
    assert " altitude +1 arcmin" in line
    assert listed(folder, capsys, "--kind", "shim") == ["No correction of the kind shim is in the record."]
    assert record(folder, "list", "--kind", "elevation") == 2


def test_every_kind_of_correction_can_be_listed() -> None:
    assert tuple(CorrectionKind) == record_commands._OF_CORRECTIONS


def test_the_other_half_of_a_pair_is_told_to_count_alone(folder: Path, capsys: Capture) -> None:
    pair_of_levels(folder, 1)
    capsys.readouterr()
    assert record(folder, "withdraw", "1") == 0
    said = capsys.readouterr().out.splitlines()
    assert said[1].startswith(
        "Row 2 was the other half of an end-for-end pair with row 1: it now counts alone"
    )
    assert record(folder, "put-back", "1") == 0
    assert capsys.readouterr().out.splitlines()[1] == "Rows 1 and 2 are now read as an end-for-end pair."
    assert record(folder, "withdraw", "1", "2") == 0
    assert len(capsys.readouterr().out.splitlines()) == 2


def test_an_edit_that_breaks_a_pair_says_so(folder: Path, capsys: Capture) -> None:
    pair_of_levels(folder, 1)
    capsys.readouterr()
    assert record(folder, "edit", "2", "--face", "0") == 0
    assert "Row 1 was the other half of an end-for-end pair with row 2" in capsys.readouterr().out
