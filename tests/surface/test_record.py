"""`drift record`: signs in words, the same checks as a file, and nothing twice."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click
import pytest
from record_world import LATITUDE_DEG, SITE_TEXT, run, site_file

from drift.cli.options import site_time
from drift.record.record import Record
from drift.site.file import load_pier

Capture = pytest.CaptureFixture[str]
TIME = ("--time", "2024-03-01T23:14:00+01:00")
TIME_US = 1_709_331_240_000_000  # 2024-03-01T22:14:00Z


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    site_file(tmp_path)
    return tmp_path


def record(folder: Path, *arguments: str) -> int:
    return run("record", *arguments, "--pier", folder / "pier.toml")


def rows(folder: Path, kind: str = "corrections") -> list[dict[str, object]]:
    with Record.open(load_pier(folder / "pier.toml")) as record:
        return [
            {name: value for name, value in row.items() if value == value and value != ""}
            for row in record.readings()[kind].drop(columns="row_id").to_dict("records")
        ]


def test_a_negative_amount_is_a_number_and_not_an_option(folder: Path, capsys: Capture) -> None:
    assert record(folder, "azimuth", "-2.83", *TIME, "--note", "left knob") == 0
    assert rows(folder) == [
        {"time_us": TIME_US, "kind": "azimuth", "amount_arcmin": -2.83, "note": "left knob"}
    ]
    told = capsys.readouterr()
    assert "azimuth -2.83 arcmin" in told.out
    assert "raised (north) end moved anticlockwise seen from above, toward west" in told.out
    assert told.out.splitlines()[-1].startswith("If you go on and loosen another bolt or knob: power off, ")
    assert told.err == ""


@pytest.mark.parametrize("amount", ["-.5", "-2", "-1e-2", "\u22122.5", "+1.5", "3"])
def test_every_way_to_write_an_amount(folder: Path, amount: str) -> None:
    assert record(folder, "altitude", amount, *TIME) == 0
    assert rows(folder)[0]["amount_arcmin"] == float(amount.replace("\u2212", "-"))


@pytest.mark.parametrize(
    ("latitude", "amount", "words"),
    [
        ("47.3", "1", "raised (north) end moved clockwise seen from above, toward east"),
        ("47.3", "-1", "raised (north) end moved anticlockwise seen from above, toward west"),
        ("-33.0", "1", "raised (south) end moved clockwise seen from above, toward west"),
        ("-33.0", "-1", "raised (south) end moved anticlockwise seen from above, toward east"),
    ],
)
def test_azimuth_in_words_in_both_hemispheres(
    folder: Path, capsys: Capture, latitude: str, amount: str, words: str
) -> None:
    site_file(folder, SITE_TEXT.replace(str(LATITUDE_DEG), latitude))
    record(folder, "azimuth", amount, *TIME)
    assert words in capsys.readouterr().out


@pytest.mark.parametrize(("amount", "words"), [("2", "moved up"), ("-2", "moved down")])
def test_altitude_in_words(folder: Path, capsys: Capture, amount: str, words: str) -> None:
    record(folder, "altitude", amount, *TIME)
    assert words in capsys.readouterr().out


def test_an_unknown_amount(folder: Path, capsys: Capture) -> None:
    assert record(folder, "azimuth", *TIME) == 0
    assert rows(folder) == [{"time_us": TIME_US, "kind": "azimuth"}]
    assert "unknown amount" in capsys.readouterr().out


def test_shims_are_a_row_a_bolt(folder: Path, capsys: Capture) -> None:
    assert record(folder, "shim", "--bolt", "30=0.1", "--bolt", "-90=-.05", *TIME) == 0
    assert sorted((row["bearing_deg"], row["thickness_mm"]) for row in rows(folder)) == [
        (30.0, 0.1),
        (270.0, -0.05),
    ]
    said = capsys.readouterr().out
    assert "bolt at bearing 30: 0.1 mm put in; bolt at bearing -90: 0.05 mm taken out" in said


def test_nuts(folder: Path, capsys: Capture) -> None:
    assert record(folder, "nuts", "--bolt", "210=-0.25", *TIME) == 0
    assert rows(folder) == [{"time_us": TIME_US, "kind": "nuts", "bearing_deg": 210.0, "turns": -0.25}]
    assert "bolt at bearing 210: 0.25 turns lowered" in capsys.readouterr().out


def test_bolts_already_recorded_are_said(folder: Path, capsys: Capture) -> None:
    record(folder, "shim", "--bolt", "30=0.1", *TIME)
    capsys.readouterr()
    assert record(folder, "shim", "--bolt", "30=0.1", "--bolt", "150=0.1", *TIME) == 0
    assert "1 of these bolts is in the record already" in capsys.readouterr().out
    assert len(rows(folder)) == 2


def test_a_level_reading(folder: Path, capsys: Capture) -> None:
    arguments = (
        "--north",
        "-12.5",
        "--east",
        "3",
        "--place",
        "Pier",
        "--face",
        "180",
        "--sigma",
        "5",
        "--note",
        "wet",
    )
    assert record(folder, "level", *arguments, *TIME) == 0
    assert rows(folder, "levels") == [
        {
            "time_us": TIME_US,
            "tilt_north_arcsec": -12.5,  # as read: it is the night's part to turn face 180 round
            "tilt_east_arcsec": 3.0,
            "place": "pier",
            "face_deg": 180.0,
            "sigma_arcsec": 5.0,
        }
    ]
    said = capsys.readouterr().out
    assert "tilt 12.5 arcsec toward north and 3 arcsec toward west of the pier (read with the" in said
    assert "power off" not in said


def test_a_level_reading_without_a_place_is_of_the_pier(folder: Path, capsys: Capture) -> None:
    assert record(folder, "level", "--north", "-1", "--east", "-2", *TIME) == 0
    said = capsys.readouterr().out
    assert "1 arcsec toward south and 2 arcsec toward west of the pier (no --place was given)." in said


PLATE = "[plate]\nbolt_bearings_deg = [10, 130, 250]\nbolt_circle_mm = 300\n"


@pytest.mark.parametrize(
    ("plate", "arguments", "says"),
    [
        ("", ("shim", "--bolt", "30=1"), "does not give bolt_circle_mm, bolt_bearings_deg: how far"),
        ("", ("nuts", "--bolt", "30=1"), "does not give bolt_circle_mm, bolt_bearings_deg, thread: how far"),
        (PLATE, ("nuts", "--bolt", "10=1"), "does not give thread: how far"),
        (PLATE, ("shim", "--bolt", "100=1"), "has no bolt at bearing 100: it is counted as the bolt at 130"),
        (PLATE, ("shim", "--bolt", "310=1"), "has no bolt at bearing 310: it is counted as the bolt at"),
    ],
)
def test_a_plate_that_does_not_fit_is_said(
    folder: Path, capsys: Capture, plate: str, arguments: tuple[str, ...], says: str
) -> None:
    site_file(folder, SITE_TEXT + plate)
    assert record(folder, *arguments, *TIME) == 0
    assert says in capsys.readouterr().out
    assert len(rows(folder)) == 1


def test_a_plate_that_fits_is_not_remarked_on(folder: Path, capsys: Capture) -> None:
    site_file(folder, SITE_TEXT + PLATE)
    assert record(folder, "shim", "--bolt", "12=0.5", "--bolt", "370=0.2", *TIME) == 2  # 370 is no bearing
    assert record(folder, "shim", "--bolt", "12=0.5", "--bolt", "-110=0.2", *TIME) == 0
    assert "[plate]" not in capsys.readouterr().out


@pytest.mark.parametrize("kind", ["tighten", "service", "remount", "zero", "pier"])
def test_what_has_no_amount(folder: Path, kind: str) -> None:
    assert record(folder, kind, *TIME, "--note", "done") == 0
    assert rows(folder) == [{"time_us": TIME_US, "kind": kind, "note": "done"}]


def test_now_is_assumed(folder: Path) -> None:
    from drift.record.engine import now_us

    before = now_us()
    assert record(folder, "tighten") == 0
    (row,) = rows(folder)
    assert before - 1_000_000 <= row["time_us"] <= now_us()  # type: ignore[operator]


def test_the_same_again_adds_nothing(folder: Path, capsys: Capture) -> None:
    record(folder, "azimuth", "1", *TIME)
    capsys.readouterr()
    assert record(folder, "azimuth", "1.0", "--time", "2024-03-01T22:14:00Z") == 0
    assert "Exactly this is in the record already" in capsys.readouterr().out
    assert len(rows(folder)) == 1


def test_where_it_came_from(folder: Path) -> None:
    record(folder, "azimuth", "1", *TIME, "--note", 'a "quoted", note')
    with Record.open(load_pier(folder / "pier.toml")) as held:
        (where,) = held.where(held.readings()["corrections"]["row_id"]).values()
    assert where == ("recorded by hand", 1, '2024-03-01T23:14:00+01:00,azimuth,1,,,,"a ""quoted"", note",')


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("azimuth", "1", "--time", "2024-03-01"), "time_utc = '2024-03-01' is not an ISO 8601 time"),
        (("azimuth", "1", "--time", "1970-01-01T00:00Z"), "was the clock not set?"),
        (("azimuth", "1", "--time", "2094-01-01T00:00Z"), "in the future"),
        (("azimuth", "lots"), "amount_arcmin = 'lots' is not a number"),
        (("azimuth", "2000"), "within 600 arcminutes (10 degrees); is it in arcminutes?\n"),
        (("azimuth", "-2,83"), "amount_arcmin = '-2,83' is not a number here: write a decimal point"),
        (("azimuth", "-2parsecs"), "amount_arcmin = '-2parsecs' is not a number"),
        (("level", "--north", "1", "--east", "1", "--sigma", "-1"), "sigma_arcsec = '-1' must be above 0"),
        (("shim", "--bolt", "30"), "write BEARING=THICKNESS_MM"),
        (("shim", "--bolt", "30="), "thickness_mm = '' is blank"),
        (("shim", "--bolt", "500=1"), "bearing_deg = '500' must be a bearing"),
        (("shim", "--bolt", "30=1", "--bolt", "30=2"), "bearing 30 is given twice"),
        (("shim",), "Missing option '--bolt'"),
        (("level", "--north", "1"), "Missing option '--east'"),
        (("level", "--north", "1", "--east", "1", "--face", "90"), "must be 0 or 180"),
        (("level", "--north", "1", "--east", "1", "--place", "roof"), "pier, plate, mount"),
        (("level", "--north", "x", "--east", "1"), "tilt_north_arcsec = 'x' is not a number"),
        (("azimuth", "--tiem", "1"), "--tiem"),
        (("polish",), "polish"),
    ],
)
def test_what_can_not_be_recorded(
    folder: Path, capsys: Capture, arguments: tuple[str, ...], says: str
) -> None:
    assert record(folder, *arguments) == 2
    told = capsys.readouterr()
    assert says in told.err
    assert told.out == ""
    assert rows(folder) == []
    assert rows(folder, "levels") == []


@pytest.mark.parametrize("kind", ["tighten", "service", "remount"])
def test_what_is_done_at_once_needs_no_caution_for_the_next_turn(
    kind: str, folder: Path, capsys: Capture
) -> None:
    assert record(folder, kind, *TIME) == 0
    assert "loosen" not in capsys.readouterr().out


def test_an_alignment_error_is_recorded(folder: Path, capsys: Capture) -> None:
    arguments = ("alignment", "--azimuth", "-0.4", "--altitude", "1.2", "--sigma", "0.3")
    assert record(folder, *arguments, "--time", "2024-03-01T21:00Z") == 0
    assert "axis 0.4 arcmin west of the pole and 1.2 arcmin too high ± 0.3." in " ".join(
        capsys.readouterr().out.split()
    )
    (row,) = rows(folder, "alignments")
    assert (row["az_error_arcmin"], row["alt_error_arcmin"], row["sigma_arcmin"]) == (-0.4, 1.2, 0.3)


@pytest.mark.parametrize(
    ("typed", "utc"),
    [
        ("2024-07-01T22:00", "2024-07-01T20:00:00+00:00"),  # summer time of the site's zone
        ("2024-01-01 22:00", "2024-01-01T21:00:00+00:00"),
        ("2024-07-01T22:00Z", "2024-07-01T22:00:00+00:00"),
        ("2024-07-01T22:00+05:00", "2024-07-01T17:00:00+00:00"),
    ],
)
def test_a_time_without_an_offset_is_by_the_sites_clock(folder: Path, typed: str, utc: str) -> None:
    site = load_pier(folder / "pier.toml").model_copy(deep=True)
    there = site.model_copy(update={"site": site.site.model_copy(update={"timezone": "Europe/Vienna"})})
    assert datetime.fromisoformat(site_time(there, typed)).astimezone(UTC).isoformat() == utc


def test_a_time_that_the_clock_shows_twice_or_never_is_asked_for_with_its_offset(folder: Path) -> None:
    site = load_pier(folder / "pier.toml")
    there = site.model_copy(update={"site": site.site.model_copy(update={"timezone": "Europe/Vienna"})})
    for text in ("2024-10-27T02:30", "2024-03-31T02:30"):
        with pytest.raises(click.UsageError, match="twice or never"):
            site_time(there, text)
    assert site_time(there, "2024-10-27") == "2024-10-27"  # refused by the reader of logs


def test_the_list_shows_corrections_and_sums_up_levels(
    folder: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    for day in ("01", "15"):
        record(folder, "level", "--north", "3", "--east", "4", "--time", f"2024-03-{day}T12:00Z")
    record(folder, "azimuth", "2", "--time", "2024-03-02T12:00Z")
    capsys.readouterr()
    assert record(folder, "list") == 0
    out = capsys.readouterr().out
    assert "azimuth +2 arcmin" in out and "tilt 3 arcsec" not in out
    assert "2 level readings from 2024-03-01 to 2024-03-15: `drift record list --kind levels`" in " ".join(
        out.split()
    )
    assert max(map(len, out.splitlines())) <= 80
    record(folder, "list", "--kind", "levels")
    assert capsys.readouterr().out.count("tilt 3 arcsec") == 2
