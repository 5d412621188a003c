"""RA and DEC in headers: units, the solved place written back, frames; sides of the pier; the mapping."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from drift.errors import LogFileError
from drift.ingest.fits_mapping import (
    FitsMapping,
    RaUnit,
    SolveWrittenBack,
    read_fits_mapping,
    store_fits_mapping,
)
from drift.ingest.fits_mount import (
    Solved,
    mount_frame,
    read_mount_places,
    to_of_date,
    tube_sides,
    written_back,
)
from drift.ingest.mapping import ICRS, MEAN, OF_DATE
from drift.ingest.values import LOOKS, ON
from drift.notices import ImageCode, info, warning
from drift.sky.of_date import apparent_place, mean_place

PLAIN = FitsMapping()
LONGITUDE_DEG = -92.4
ARCMIN = 1.0 / 60.0


def solved(count: int = 40, pixel_arcsec: float = 1.2) -> Solved:
    """Solves two minutes apart, over a wide sky."""
    at = np.arange(count)
    us = np.datetime64("2025-03-01T02:00:00", "us").astype(np.int64) + at * 120_000_000
    ra, dec = (80.0 + 37.7 * at) % 160.0, 10.0 + (at * 17.3) % 60.0
    place = np.column_stack([ra, dec])
    return Solved(us, ra, dec, place, place, np.full(count, pixel_arcsec / 3600.0))


def reported(places: Solved, frame: str) -> tuple[np.ndarray, np.ndarray]:
    """Return what a mount says that points two arcminutes off."""
    turn = {OF_DATE: apparent_place, MEAN: mean_place}.get(frame)
    there = (places.ra_deg, places.dec_deg)
    ra, dec = turn(places.time_us, *there) if turn else there
    return (ra + 2 * ARCMIN) % 360.0, dec - ARCMIN


def texts(values: np.ndarray, digits: int = 6) -> list[str]:
    return [f"{value:.{digits}f}" for value in values.tolist()]


@pytest.mark.parametrize(
    ("ra", "dec", "ra_deg", "dec_deg"),
    [
        ("10 20 30", "+20 30 00", 155.125, 20.5),  # 10 h 20 min 30 s is 155.125 degrees
        ("10:20:30.00", "-00:30:00.0", 155.125, -0.5),
        ("155.125", "20.5", 155.125, 20.5),
        ("155d07m30s", "20d30m00s", 155.125, 20.5),
        ("10h20m30s", "20°30'00\"", 155.125, 20.5),
    ],
)
def test_spellings_of_one_place(ra: str, dec: str, ra_deg: float, dec_deg: float) -> None:
    found = read_mount_places([ra], [dec], solved(1), PLAIN)
    assert found.ra_deg[0] == pytest.approx(ra_deg, abs=1e-12)
    assert found.dec_deg[0] == pytest.approx(dec_deg, abs=1e-12)


def test_numbers_in_hours_are_known_by_the_solved_places() -> None:
    places = solved()
    ra, dec = reported(places, OF_DATE)
    found = read_mount_places(texts(ra / 15.0), texts(dec), places, PLAIN)
    assert found.unit == "hours"
    assert np.abs(found.ra_deg - ra).max() < 1e-4
    assert found.remarks == (info(ImageCode.MOUNT_IN_HOURS, keyword="RA"),)
    said = read_mount_places(texts(ra / 15.0), texts(dec), places, FitsMapping(mount_ra_unit=RaUnit.DEGREES))
    assert said.ra_deg.max() < 24.0


def test_what_is_no_place_is_named() -> None:
    found = read_mount_places(["at the pole", "", "10 20 30"], ["20", "20", "20"], solved(3), PLAIN)
    assert found.bad == {0: warning(ImageCode.MOUNT_UNREADABLE, keyword="RA", value="at the pole")}
    assert found.given.tolist() == [False, False, True]


@pytest.mark.parametrize("frame", [ICRS, OF_DATE, MEAN])
@pytest.mark.parametrize("digits", [4, 6])
def test_a_solved_place_written_back_is_noticed_in_any_frame(frame: str, digits: int) -> None:
    places = solved()
    turn = {OF_DATE: apparent_place, MEAN: mean_place}.get(frame)
    ra, dec = (
        (places.ra_deg, places.dec_deg)
        if turn is None
        else turn(places.time_us, places.ra_deg, places.dec_deg)
    )
    mount = read_mount_places(texts(ra, digits), texts(dec, digits), places, PLAIN)
    found = written_back(mount, places, PLAIN)
    assert found.rows.all()
    (remark,) = found.remarks
    assert (remark.code, remark.values["images"]) == (ImageCode.WRITTEN_BACK, 40)


def test_a_mount_that_points_well_is_not_taken_for_it() -> None:
    """Five arcseconds off, written to a tenth of a second of time: not the solved place."""
    places = solved()
    ra, dec = apparent_place(places.time_us, places.ra_deg, places.dec_deg)
    mount = read_mount_places(texts(ra), texts(dec + 5.0 / 3600.0), places, PLAIN)
    found = written_back(mount, places, PLAIN)
    assert not found.rows.any()
    assert not found.remarks


def test_nearly_all_means_all_and_some_mean_themselves() -> None:
    places = solved()
    ra, dec = reported(places, OF_DATE)
    for count, taken in ((37, 40), (20, 20), (2, 0)):
        some_ra, some_dec = ra.copy(), dec.copy()
        some_ra[:count], some_dec[:count] = places.ra_deg[:count], places.dec_deg[:count]
        mount = read_mount_places(texts(some_ra), texts(some_dec), places, PLAIN)
        assert written_back(mount, places, PLAIN).rows.sum() == taken


def test_the_mapping_has_the_last_word_on_places_written_back() -> None:
    places = solved()
    mount = read_mount_places(texts(places.ra_deg), texts(places.dec_deg), places, PLAIN)
    assert not written_back(mount, places, FitsMapping(written_back=SolveWrittenBack.NO)).rows.any()
    off = read_mount_places(texts(places.ra_deg + 1.0), texts(places.dec_deg), places, PLAIN)
    assert written_back(off, places, FitsMapping(written_back=SolveWrittenBack.YES)).rows.all()


@pytest.mark.parametrize("frame", [ICRS, OF_DATE])
def test_the_frame_shows_in_the_differences(frame: str) -> None:
    places = solved()
    ra, dec = reported(places, frame)
    mount = read_mount_places(texts(ra), texts(dec), places, PLAIN)
    every = np.ones(40, dtype=bool)
    found = mount_frame(mount, every, places, LONGITUDE_DEG, PLAIN)
    assert found.frame == frame
    assert found.evidence is not None
    assert found.evidence.code is ImageCode.FRAME_FOUND
    said = mount_frame(mount, every, places, LONGITUDE_DEG, FitsMapping(mount_places=MEAN))
    assert said.frame == MEAN


def test_few_images_leave_the_frame_open_and_say_what_is_seen() -> None:
    places = solved(3)
    mount = read_mount_places(*map(texts, reported(places, OF_DATE)), places, PLAIN)
    found = mount_frame(mount, np.ones(3, dtype=bool), places, LONGITUDE_DEG, PLAIN)
    assert found.frame is None
    assert found.evidence is not None
    assert found.evidence.code is ImageCode.FRAME_UNKNOWN
    assert set(found.evidence.values) == {"keywords", "of_date_apart_arcmin", "icrs_apart_arcmin"}


@pytest.mark.parametrize("frame", [ICRS, OF_DATE, MEAN])
def test_every_frame_ends_of_date(frame: str) -> None:
    places = solved()
    turn = {OF_DATE: apparent_place, MEAN: mean_place}.get(frame)
    there = (places.ra_deg, places.dec_deg)
    given = turn(places.time_us, *there) if turn else there
    ra, dec = to_of_date(frame, places.time_us, *given)
    right_ra, right_dec = apparent_place(places.time_us, *there)
    assert np.abs((ra - right_ra + 180) % 360 - 180).max() < 1e-9
    assert np.abs(dec - right_dec).max() < 1e-9


def west_of_the_meridian(places: Solved) -> np.ndarray:
    """Mean sidereal time (IAU 1982, the linear part) tells the two halves of the sky apart."""
    j2000 = np.datetime64("2000-01-01T12:00:00", "us").astype(np.int64)
    sidereal = 280.46061837 + 360.98564736629 * (places.time_us - j2000) / 86_400e6 + LONGITUDE_DEG
    west: np.ndarray = np.sin(np.radians(sidereal - places.ra_deg)) > 0
    return west


def test_sides_of_the_pier_are_known_by_the_half_of_the_sky() -> None:
    """A tube on the east side looks west."""
    places = solved()
    right = np.where(west_of_the_meridian(places), "east", "west").tolist()
    on = tube_sides([side.upper() for side in right], places, LONGITUDE_DEG, PLAIN)
    assert (on.sides, on.means) == (right, ON)
    other = {"east": "pierWest", "west": "pierEast"}
    looks = tube_sides([other[side] for side in right], places, LONGITUDE_DEG, PLAIN)
    assert (looks.sides, looks.means) == (right, LOOKS)


def test_sides_that_nothing_tells_are_left_out_and_odd_words_named() -> None:
    places = solved(2)
    few = tube_sides(["EAST", "up"], places, LONGITUDE_DEG, PLAIN)
    assert few.sides == ["", ""]
    assert few.remarks[0] == warning(ImageCode.NO_SIDE, keyword="PIERSIDE", values=("up",))
    assert few.remarks[1].code is ImageCode.SIDE_UNUSED
    said = tube_sides(["EAST", ""], places, LONGITUDE_DEG, FitsMapping(tube_side_means=ON))
    assert said.sides == ["east", ""]


# ---- the mapping


def test_answers_and_what_is_wrong_with_them() -> None:
    told = PLAIN.with_answers({"fits.mount_places": "j2000", "fits.mount_ra": "objctra", "time.zone": "UTC"})
    assert (told.mount_places, told.mount_ra) == (ICRS, "OBJCTRA")
    assert PLAIN.with_answers({"fits.tube_side": "none"}).tube_side == ""
    for key, value, reason in (
        ("fits.mount_rah", "RA", "there is no key 'mount_rah'; the keys are mount_ra, mount_dec"),
        ("fits.mount_places", "B1950", 'must be one of "", "ICRS", "of_date", "mean_of_date"'),
        ("fits.mount_ra", "RA=5", "is no FITS keyword"),
    ):
        with pytest.raises(LogFileError, match=reason):
            PLAIN.with_answers({key: value})


def test_the_mapping_is_kept_beside_what_others_wrote(tmp_path: Path) -> None:
    path = tmp_path / "logs.toml"
    path.write_text(
        '# mine\n[tables."a"]\nkind = "solves"\n\n[fits]  # the camera\nsession = "SESS"\n# end\n'
    )
    assert store_fits_mapping(path, FitsMapping(session="SESS", mount_places=ICRS))
    assert read_fits_mapping(path) == FitsMapping(session="SESS", mount_places=ICRS)
    assert store_fits_mapping(path, FitsMapping(session="SESS", mount_places=OF_DATE))
    assert read_fits_mapping(path) == FitsMapping(session="SESS", mount_places=OF_DATE)
    assert not store_fits_mapping(path, FitsMapping(session="SESS", mount_places=OF_DATE))
    text = path.read_text()
    assert text.startswith('# mine\n[tables."a"]\nkind = "solves"\n\n[fits]  # the camera\n')
    assert text.endswith('session = "SESS"\n# end\n')


def test_a_new_file_of_mappings(tmp_path: Path) -> None:
    path = tmp_path / "logs.toml"
    assert read_fits_mapping(path) == PLAIN
    assert not store_fits_mapping(path, PLAIN)
    assert not path.exists()
    store_fits_mapping(path, FitsMapping(mount_ra="TELRA"))
    assert path.read_text() == '[fits]\nmount_ra = "TELRA"\n'


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("fits = 3", "must be a section"),
        ("[fits]\nmount_ra = 3", "must be a text"),
        ("[fits", "can't be read"),
    ],
)
def test_a_broken_file_of_mappings_is_refused(text: str, reason: str, tmp_path: Path) -> None:
    path = tmp_path / "logs.toml"
    path.write_text(text)
    with pytest.raises(LogFileError, match=reason):
        read_fits_mapping(path)
