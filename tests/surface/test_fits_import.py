"""`drift import` of plate-solved images: what goes in, what is set aside and said, what is asked."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy import units
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.table import Table
from record_world import ELEVATION_M, LATITUDE_DEG, LONGITUDE_DEG, run, site_file

from drift.demo.files import wcs_cards, write_image
from drift.ingest import fits_log
from drift.ingest.fits_images import Frame, NoFrame
from drift.ingest.fits_log import read_images
from drift.ingest.fits_mapping import FitsMapping
from drift.ingest.row_check import Circumstances
from drift.notices import ImageCode, IngestCode
from drift.render.import_words import row_words
from drift.render.notices import sentence
from drift.sky.of_date import apparent_place
from drift.workers import Worker

Capture = pytest.CaptureFixture[str]
NOW_US = int(np.datetime64("2025-12-01", "us").astype(np.int64))
AROUND = Circumstances(LATITUDE_DEG, LONGITUDE_DEG, ELEVATION_M, NOW_US)
FIRST = np.datetime64("2025-03-01T02:00:00", "us")
_J2000 = np.datetime64("2000-01-01T12:00:00", "us")
OF_DATE = {"fits.mount_places": "of date"}
#: One step of the last decimal that a row is written with [deg].
STEP_DEG = 1e-9


def cards(number: int, **other: Any) -> dict[str, Any]:
    """Return the header of one image of a night: 20 s long, the mount an arcminute off, of date."""
    start = FIRST + np.timedelta64(number * 120, "s")
    sidereal = (
        280.46061837 + 360.98564736629 * float((start - _J2000) / np.timedelta64(1, "D")) + LONGITUDE_DEG
    )
    ra, dec = (sidereal + 50.0 - 37.3 * number % 100.0) % 360.0, 20.0 + 17.9 * number % 45.0
    middle = np.array([(start + np.timedelta64(10, "s")).astype(np.int64)])
    mount_ra, mount_dec = apparent_place(middle, np.array([ra]), np.array([dec]))
    return {
        "DATE-OBS": str(start),
        "EXPTIME": 20.0,
        "RA": round((float(mount_ra[0]) + 1 / 60) % 360.0, 6),
        "DEC": round(float(mount_dec[0]) - 1 / 60, 6),
        **wcs_cards(ra, dec, 30.0),
        **other,
    }


def night(folder: Path, count: int, **other: Any) -> list[Path]:
    return [write_image(folder / f"image{at:03d}.fits", cards(at, **other)) for at in range(count)]


def imported(folder: Path, capsys: Capture, *arguments: str | Path) -> tuple[int, dict[str, Any], str]:
    code = run("import", *arguments, "--json", "--pier", site_file(folder))
    told = capsys.readouterr()
    return code, json.loads(told.out), told.err


def remarks(said: dict[str, Any]) -> str:
    return " ".join(remark for one in said["files"] for remark in one["remarks"])


def test_a_night_of_images_goes_in_once(tmp_path: Path, capsys: Capture) -> None:
    night(tmp_path / "images" / "deep", 30)
    code, said, err = imported(tmp_path, capsys, tmp_path / "images")
    assert (code, err) == (0, "")
    (one,) = said["files"]
    assert (one["kind"], one["went_in"], one["set_aside"]) == ("solves", 30, [])
    assert one["why"] == "the headers of 30 images, 30 of them solved and dated"
    assert "RA and DEC are taken as of date" in remarks(said)
    assert (tmp_path / "logs.toml").read_text() == '[fits]\nmount_places = "of_date"\n'
    for again in (tmp_path / "images", tmp_path / "images" / "deep" / "image007.fits"):
        code, said, _ = imported(tmp_path, capsys, again)
        assert (code, said["went_in"]) == (0, 0)
        assert said["already_there"] in (30, 1)


def test_a_row_says_what_the_header_says(tmp_path: Path) -> None:
    told = cards(3, AMBTEMP=-4.5, PIERSIDE="EAST", BAROM=955.0, NIGHT="n1")
    path = write_image(tmp_path / "image.fits", told)
    answers = {**OF_DATE, "fits.pressure_hpa": "BAROM", "fits.session": "night"}
    answers["fits.tube_side_means"] = "the side the tube looks to"
    log = read_images([path], AROUND, answers=answers)
    assert not log.set_aside
    row = {name: values[0] for name, values in log.columns.items()}
    middle = np.datetime64(told["DATE-OBS"], "us") + np.timedelta64(10, "s")
    assert row["time_us"] == middle.astype(np.int64)
    assert row["ra_deg"] == pytest.approx(told["CRVAL1"], abs=STEP_DEG)
    assert row["dec_deg"] == pytest.approx(told["CRVAL2"], abs=STEP_DEG)
    assert row["mount_ra_deg"] == pytest.approx(told["RA"], abs=STEP_DEG)
    assert (row["temp_c"], row["pressure_hpa"], row["exposure_s"]) == (-4.5, 955.0, 20.0)
    assert (row["tube_side"], row["session"]) == ("west", "n1")
    assert log.raws[0].endswith(",image.fits")


@pytest.mark.parametrize("turn", [0.0, 30.0, 135.0, 290.0])
@pytest.mark.parametrize(
    "frame", [{"RADESYS": "ICRS"}, {"RADESYS": "FK5", "EQUINOX": 2025.2}, {"RADESYS": "FK4"}]
)
def test_place_and_position_angle_are_astropys(turn: float, frame: dict[str, Any], tmp_path: Path) -> None:
    told = cards(5)
    told.update(wcs_cards(told["CRVAL1"], told["CRVAL2"], turn), **frame)
    path = write_image(tmp_path / "image.fits", told)
    log = read_images([path], AROUND, answers=OF_DATE)
    equinox = {"FK5": "J2025.2", "FK4": "B1950"}.get(frame["RADESYS"])
    there = {"frame": frame["RADESYS"].lower(), "unit": "deg", **({"equinox": equinox} if equinox else {})}
    centre = SkyCoord(told["CRVAL1"], told["CRVAL2"], **there)
    up = centre.directional_offset_by(turn * units.deg, 1.2 * units.arcsec)
    assert log.columns["ra_deg"][0] == pytest.approx(centre.icrs.ra.deg, abs=STEP_DEG)
    assert log.columns["dec_deg"][0] == pytest.approx(centre.icrs.dec.deg, abs=STEP_DEG)
    angle = centre.icrs.position_angle(up.icrs).deg
    # written to a thousandth of a degree; FK4's aberration bends less than that over a pixel
    assert (log.columns["pa_deg"][0] - angle + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.001)


def test_wrappings_and_reasons(tmp_path: Path, capsys: Capture) -> None:
    folder = tmp_path / "images"
    write_image(folder / "plain.fit", cards(0))
    write_image(folder / "zipped.fts.gz", cards(1))
    write_image(folder / "packed.fits.fz", cards(2), packed=True)
    none = dict.fromkeys(("CTYPE1", "CTYPE2"))
    write_image(folder / "unsolved.fits", cards(3, **none))
    write_image(folder / "undated.fits", cards(4, **{"DATE-OBS": None}))
    write_image(folder / "spectrum.fits", cards(5, CTYPE1="WAVE", CTYPE2="PIXEL", CUNIT1=None, CUNIT2=None))
    fits.PrimaryHDU(np.zeros((3, 8, 8)), fits.Header(cards(6))).writeto(folder / "colours.fits")
    (folder / "broken.fits").write_bytes(b"SIMPLE  =                    T")
    code, said, _ = imported(tmp_path, capsys, folder, "--answer", "fits.mount_places=of date")
    assert (code, said["went_in"], said["set_aside"]) == (0, 4, 4)
    reasons = {f"{row['image']} {row['reason']}" for row in said["files"][0]["set_aside"]}
    assert reasons == {
        "unsolved.fits has no WCS (no CTYPE keyword): it was not solved",
        "undated.fits does not say when it was taken (DATE-OBS, DATE-BEG, DATE-AVG or MJD-OBS)",
        "spectrum.fits has a WCS that is not of the sky (CTYPE: WAVE, PIXEL)",
        "broken.fits is cut off within its header: there is no END card",
    }


def test_the_frame_is_asked_for_and_kept(tmp_path: Path, capsys: Capture) -> None:
    night(tmp_path / "images", 3)
    code, said, err = imported(tmp_path, capsys, tmp_path / "images")
    assert (code, said["went_in"]) == (2, 0)
    assert "fits.mount_places: in which frame are RA and DEC" in err
    assert re.search(
        r"Choices: of_date \(what most mounts work in; then [\d.]+ arcmin from the solved places in the "
        r"median\)"
        r" \| ICRS \(also called J2000; then [\d.]+ arcmin .*\) \| mean_of_date",
        err,
    )
    code, said, _ = imported(tmp_path, capsys, tmp_path / "images", "--answer", "fits.mount_places=of date")
    assert (code, said["went_in"]) == (0, 3)
    assert 'mount_places = "of_date"' in (tmp_path / "logs.toml").read_text()


def test_a_person_is_asked(tmp_path: Path) -> None:
    asked = []

    def analysis(table: Any, question: Any) -> str:
        asked.append((table.name, question.key))
        return "ICRS"

    paths = night(tmp_path / "images", 3)
    log = read_images(paths, AROUND, tmp_path / "logs.toml", ask=analysis)
    assert asked == [(str(tmp_path / "images"), "fits.mount_places")]
    turned = apparent_place(
        log.columns["time_us"], *(np.array([cards(at)[key] for at in range(3)]) for key in ("RA", "DEC"))
    )
    assert np.abs(log.columns["mount_ra_deg"] - turned[0]).max() < 2 * STEP_DEG


def test_solved_places_written_back_are_no_pointing_solves(tmp_path: Path, capsys: Capture) -> None:
    for at in range(8):
        told = cards(at)
        told.update(RA=round(told["CRVAL1"], 5), DEC=round(told["CRVAL2"], 5))
        write_image(tmp_path / "images" / f"{at}.fits", told)
    code, said, _ = imported(tmp_path, capsys, tmp_path / "images")
    assert (code, said["went_in"]) == (0, 8)
    assert "in 8 of 8 images RA and DEC are the place of the WCS itself" in remarks(said)
    assert "8 solves come without the mount's coordinates" in remarks(said)


def test_a_place_copied_to_other_images_is_not_taken(tmp_path: Path, capsys: Capture) -> None:
    night(tmp_path / "images", 4)
    first = cards(0)
    write_image(tmp_path / "images" / "copied.fits", cards(5, CRVAL1=first["CRVAL1"], CRVAL2=first["CRVAL2"]))
    code, said, _ = imported(tmp_path, capsys, tmp_path / "images", "--answer", "fits.mount_places=of date")
    assert (code, said["went_in"], said["set_aside"]) == (0, 3, 2)
    assert all("exactly the same place" in row["reason"] for row in said["files"][0]["set_aside"])


def test_images_without_a_place_of_the_mount_and_with_other_keywords(tmp_path: Path, capsys: Capture) -> None:
    for at in range(4):
        told = cards(at)
        told.update(TELRA=told.pop("RA"), TELDEC=told.pop("DEC"))
        write_image(tmp_path / "images" / f"{at}.fits", told)
    code, said, _ = imported(tmp_path, capsys, tmp_path / "images")
    assert (code, said["went_in"]) == (0, 4)
    assert "none of the images has RA or DEC" in remarks(said)
    answers = ["fits.mount_ra=TELRA", "fits.mount_dec=teldec", "fits.mount_places=of date"]
    given = [part for analysis in answers for part in ("--answer", analysis)]
    code, said, told_otherwise = imported(tmp_path, capsys, tmp_path / "images", *given)
    assert (code, said["went_in"]) == (2, 0)
    assert "4 rows of this file are in the record already, read otherwise by import 1" in told_otherwise
    code, said, _ = imported(tmp_path, capsys, tmp_path / "images", *given, "--answer", "reading=replace")
    assert (code, said["went_in"]) == (0, 4)
    assert 'mount_dec = "TELDEC"' in (tmp_path / "logs.toml").read_text()


def test_the_checks_of_rows_name_the_image(tmp_path: Path) -> None:
    paths = [*night(tmp_path, 3), write_image(tmp_path / "low.fits", cards(9, CRVAL2=-60.0, RA=None))]
    log = read_images(paths, AROUND, answers=OF_DATE)
    (aside,) = log.set_aside
    assert (aside.code, aside.image) == (IngestCode.ROW_BELOW_HORIZON, "low.fits")
    assert row_words(aside).startswith("image low.fits: time_utc = ")
    assert "low.fits" not in row_words(aside).removeprefix("image low.fits: ")


# ---- the observatory

HERE = {"OBSGEO-B": LATITUDE_DEG, "OBSGEO-L": LONGITUDE_DEG, "OBSGEO-H": ELEVATION_M}
#: ITRS [m] of a place at latitude 0, longitude 90 on the WGS84 ellipsoid, whose equatorial radius is 6378137.
ON_THE_EQUATOR = {"OBSGEO-X": 0.0, "OBSGEO-Y": 6_378_137.0, "OBSGEO-Z": 0.0}


def test_images_of_this_site_say_nothing_of_it(tmp_path: Path) -> None:
    log = read_images(night(tmp_path, 4, **HERE), AROUND, answers=OF_DATE)
    assert not any(remark.code is ImageCode.FAR_SITE for remark in log.remarks)


def test_images_of_another_observatory_are_set_aside_among_many(tmp_path: Path) -> None:
    paths = [*night(tmp_path, 4, **HERE), write_image(tmp_path / "other.fits", cards(7, **ON_THE_EQUATOR))]
    log = read_images(paths, AROUND, answers=OF_DATE)
    (aside,) = log.set_aside
    assert (aside.code, aside.image) == (ImageCode.OF_OTHER_SITE, "other.fits")
    (remark,) = (one for one in log.remarks if one.code is ImageCode.FAR_SITE)
    assert "latitude 0, longitude 90 in OBSGEO-*, against 47.3, -92.4" in sentence(remark)
    assert not remark.values["longitude_sign"]


def test_a_site_that_all_images_contradict_is_remarked_on(tmp_path: Path) -> None:
    mirrored = {**HERE, "OBSGEO-L": -LONGITUDE_DEG}
    log = read_images(night(tmp_path, 4, **mirrored), AROUND, answers=OF_DATE)
    assert len(log.lines) == 4
    (remark,) = (one for one in log.remarks if one.code is ImageCode.FAR_SITE)
    assert remark.values["longitude_sign"]
    assert remark.values["set_aside_beyond_km"] is None


# ---- which files are images


def test_a_table_given_by_name_is_a_table_and_a_missing_file_refused(tmp_path: Path, capsys: Capture) -> None:
    table = tmp_path / "weather.fits"
    Table({"date": ["2024-01-01"], "t_min_c": [-3.0], "t_max_c": [1.0]}).write(table)
    code, said, _ = imported(tmp_path, capsys, table)
    assert (code, [one["kind"] for one in said["files"]]) == (0, ["weather"])
    code, said, err = imported(tmp_path, capsys, tmp_path / "nosuch.fits")
    assert code == 2
    assert "nosuch.fits can't be read: No such file" in err


def test_images_are_one_log_a_folder_the_fullest_first(tmp_path: Path, capsys: Capture) -> None:
    paths = [*night(tmp_path / "images" / "a", 2)]
    paths.append(write_image(tmp_path / "images" / "b" / "late.fits", cards(9)))
    code, said, _ = imported(tmp_path, capsys, *paths, "--answer", "fits.mount_places=of date")
    assert code == 0
    names = ["images/a", "images/b/late.fits"]
    assert [one["file"] for one in said["files"]] == [str(tmp_path / name) for name in names]
    assert said["went_in"] == 3


def test_a_doubtful_folder_takes_no_other_with_it(tmp_path: Path, capsys: Capture) -> None:
    night(tmp_path / "images" / "good", 6)
    for at in range(4):
        write_image(tmp_path / "images" / "bad" / f"low{at}.fits", cards(at, CRVAL2=-60.0 - at, RA=None))
    analysis = ("--answer", "fits.mount_places=of date")
    code, said, _ = imported(tmp_path, capsys, tmp_path / "images", *analysis)
    assert (code, said["went_in"], said["set_aside"]) == (0, 6, 4)
    assert run("import", "--set-aside", "--pier", tmp_path / "pier.toml") == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 4
    bad = tmp_path / "images" / "bad"
    assert all(line.startswith(f"{bad}, image low{at}.fits: ") for at, line in enumerate(lines))
    assert not any(", line " in line for line in lines)


# ---- many files, in children


def test_children_give_what_one_process_gives(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    paths = [*night(tmp_path, 9), tmp_path / "nosuch.fits"]
    alone = repr(fits_log.read_frames(paths, FitsMapping()))  # NaN is not equal to itself
    monkeypatch.setattr(fits_log, "MANY_FILES", 4)
    monkeypatch.setattr(fits_log.os, "cpu_count", lambda: 2)
    told: list[int] = []
    assert repr(fits_log.read_frames(paths, FitsMapping(), lambda done, of: told.append(done))) == alone
    assert told == list(range(1, 11))


BREAKING = """
import os, signal
from drift import workers
from drift.ingest import fits_log
plain = fits_log.read_frame
def read_frame(path, mapping):
    if "003" in path.name or "004" in path.name:
        os._exit(300) if os.name == "nt" else os.kill(os.getpid(), signal.SIGKILL)
    return plain(path, mapping)
fits_log.read_frame = read_frame
workers.main("drift.ingest.fits_log:frames_of")
"""


def test_a_child_that_breaks_down_costs_one_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def start() -> Worker:
        command = [sys.executable, "-c", BREAKING]
        pipe = subprocess.PIPE
        return Worker(subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=subprocess.DEVNULL))

    monkeypatch.setattr(fits_log, "MANY_FILES", 4)
    monkeypatch.setattr(fits_log.os, "cpu_count", lambda: 2)
    monkeypatch.setattr(fits_log, "_start", start)
    answers = fits_log.read_frames(night(tmp_path, 7), FitsMapping())
    kinds = [type(one) for one in answers]
    assert kinds == [Frame, Frame, Frame, NoFrame, NoFrame, Frame, Frame]
    assert answers[3].reason.code is ImageCode.READER_BROKE  # type: ignore[union-attr]


def test_without_children_the_work_is_done_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def start() -> subprocess.Popen[bytes]:
        raise OSError("no processes today")

    monkeypatch.setattr(fits_log, "MANY_FILES", 4)
    monkeypatch.setattr(fits_log.os, "cpu_count", lambda: 2)
    monkeypatch.setattr(fits_log, "_start", start)
    assert all(isinstance(one, Frame) for one in fits_log.read_frames(night(tmp_path, 6), FitsMapping()))


def test_answers_about_images_are_none_about_tables(tmp_path: Path, capsys: Capture) -> None:
    night(tmp_path / "logs" / "images", 2)
    (tmp_path / "logs" / "weather.csv").write_text("date,t_min_c,t_max_c\n2024-01-01,-3,1\n")
    code, said, _ = imported(tmp_path, capsys, tmp_path / "logs", "--answer", "fits.mount_places=of date")
    assert code == 0
    assert [(one["kind"], one["went_in"]) for one in said["files"]] == [("weather", 1), ("solves", 2)]


# ---- a WCS beside the image, and pictures in colour


def test_an_image_whose_wcs_stands_beside_it_is_solved(tmp_path: Path, capsys: Capture) -> None:
    wcs = ("CTYPE", "CRVAL", "CRPIX", "CD", "RADESYS", "EQUINOX", "CDELT", "CROTA", "PC")
    for at in range(3):
        told = cards(at)
        of_wcs = {key: value for key, value in told.items() if key.startswith(wcs)}
        rest = {key: value for key, value in told.items() if key not in of_wcs}
        write_image(tmp_path / "images" / f"{at}.fits", rest)
        beside = fits.PrimaryHDU()
        beside.header.update(of_wcs)
        beside.writeto(tmp_path / "images" / f"{at}.wcs")
    code, said, _ = imported(tmp_path, capsys, tmp_path / "images", "--answer", "fits.mount_places=of date")
    assert (code, said["went_in"], said["set_aside"]) == (0, 3, 0)
    assert said["passed_over"] == []


def test_a_picture_in_colour_has_the_place_of_its_planes(tmp_path: Path, capsys: Capture) -> None:
    path = write_image(tmp_path / "plain.fits", cards(0))
    with fits.open(path) as file:
        header = file[0].header.copy()
        plane = file[0].data
    fits.PrimaryHDU(np.stack([plane] * 3), header).writeto(tmp_path / "colour.fits")
    paths = (tmp_path / "plain.fits", tmp_path / "colour.fits")
    plain, colour = (read_images([path], AROUND, answers=OF_DATE) for path in paths)
    for column in ("ra_deg", "dec_deg"):
        np.testing.assert_allclose(plain.columns[column], colour.columns[column], atol=1e-9)
