"""Places on the sky that can't be true: far from the mount's, below the horizon, in hours."""

from __future__ import annotations

import numpy as np
import pytest

from drift.ingest.places import Cure, HoursSeen
from drift.ingest.read import read_bytes
from drift.ingest.row_check import Circumstances
from drift.ingest.sky_evidence import altitude_deg
from drift.notices import IngestCode, warning
from drift.readings import LogRead
from drift.render.notices import sentence
from drift.sky.of_date import apparent_place, separation_deg

NOW_US = int(np.datetime64("2026-06-01T00:00:00", "us").astype(np.int64))
SITE = Circumstances(47.3, -92.4, 410.0, NOW_US, "America/Chicago")
SIDEREAL_DEG_PER_DAY = 360.98564736629
J2000_US = 946_728_000_000_000

#: The altitude leaves out precession of the pole, nutation, aberration and refraction: see its text.
ALTITUDE_LEEWAY_DEG = 0.25


def solves(count: int, step_h: float = 1.0, site: Circumstances = SITE) -> dict[str, np.ndarray]:
    """Make solves within 4 hours of the meridian at `site`, whatever the time of day."""
    rng = np.random.default_rng(5)
    times = np.datetime64("2024-03-01T02:00:00", "s") + (np.arange(count) * step_h * 3600).astype(
        "timedelta64[s]"
    )
    days = (times.astype("datetime64[us]").astype(np.int64) - J2000_US) / 86_400e6
    ra = (
        280.46061837 + SIDEREAL_DEG_PER_DAY * days + site.longitude_deg - rng.uniform(-60, 60, count)
    ) % 360.0
    return {"time": times, "ra": ra, "dec": rng.uniform(0.0, 60.0, count)}


def read(
    sky: dict[str, np.ndarray], ra_factor: float = 1.0, mount_factor: float = 1.0, site: Circumstances = SITE
) -> LogRead:
    """Read solves whose mount is 0.1 degrees off, its places of date as they should be."""
    us = sky["time"].astype("datetime64[us]").astype(np.int64)
    date_ra, date_dec = apparent_place(us, sky["ra"], sky["dec"])
    rows = [
        f"{time}Z,{ra * ra_factor:.6f},{dec:.6f},{(of_date + 0.1) % 360 * mount_factor:.6f},{mount_dec:.6f}"
        for time, ra, dec, of_date, mount_dec in zip(
            sky["time"], sky["ra"], sky["dec"], date_ra, date_dec, strict=True
        )
    ]
    text = "\n".join(["time_utc,ra_deg,dec_deg,mount_ra_deg,mount_dec_deg", *rows])
    return read_bytes(text.encode(), "log.csv", site)


def read_sweep(sky: dict[str, np.ndarray], ra_factor: float = 1.0, site: Circumstances = SITE) -> LogRead:
    rows = [
        f"{time}Z,{ra * ra_factor:.6f},{dec:.6f},s"
        for time, ra, dec in zip(sky["time"], sky["ra"], sky["dec"], strict=True)
    ]
    return read_bytes("\n".join(["time_utc,ra_deg,dec_deg,sweep", *rows]).encode(), "log.csv", site)


def test_good_places_go_in_without_a_word() -> None:
    for log in (read(solves(60)), read_sweep(solves(60))):
        assert len(log.raws) == 60
        assert not log.remarks


def test_a_solve_ninety_degrees_from_the_mount_is_set_aside() -> None:
    sky = solves(10)
    text = (
        "time_utc,ra_deg,dec_deg,mount_ra_deg,mount_dec_deg\n"
        f"{sky['time'][0]}Z,{sky['ra'][0]},0,{sky['ra'][0]},90\n{sky['time'][0]}Z,{sky['ra'][0]},0,{sky['ra'][0]},29\n"
    )
    log = read_bytes(text.encode(), "log.csv", SITE)
    assert log.lines.tolist() == [3]
    (one,) = log.set_aside
    assert one.line == 2
    assert one.code is IngestCode.ROW_FAR_FROM_MOUNT
    assert one.reason.values["apart_deg"] == pytest.approx(90.0)


def test_near_the_pole_a_large_difference_in_right_ascension_is_a_small_angle() -> None:
    apart = separation_deg(np.array([0.0]), np.array([89.0]), np.array([180.0]), np.array([89.0]))
    assert apart[0] == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("ra_factor", "mount_factor", "column"), [(1 / 15, 1.0, "ra_deg"), (1.0, 1 / 15, "mount_ra_deg")]
)
def test_one_column_in_hours_is_named_with_the_cure(
    ra_factor: float, mount_factor: float, column: str
) -> None:
    log = read(solves(40), ra_factor, mount_factor)
    assert not log.raws
    (remark,) = log.remarks
    assert remark == warning(IngestCode.IN_HOURS, columns=(column,), seen=HoursSeen.BY_MOUNT, rows=40)
    assert {one.column for one in log.set_aside} == {column}


def test_both_columns_in_hours_are_noticed_by_range_and_horizon() -> None:
    log = read(solves(40), 1 / 15, 1 / 15)
    assert not log.raws
    assert log.remarks[0].code is IngestCode.IN_HOURS
    assert log.remarks[0].values["columns"] == ("ra_deg", "mount_ra_deg")


def test_a_sweep_in_hours_is_noticed_by_range_and_horizon() -> None:
    log = read_sweep(solves(40), 1 / 15)
    assert not log.raws
    assert log.remarks[0].code is IngestCode.IN_HOURS
    assert log.remarks[0].values["columns"] == ("ra_deg",)


def test_right_ascensions_that_are_all_small_are_not_taken_for_hours() -> None:
    sky = solves(400)
    small = sky["ra"] < 24.0
    assert small.sum() >= 20
    log = read({name: values[small] for name, values in sky.items()})
    assert len(log.raws) == small.sum()
    (remark,) = log.remarks
    assert (remark.code, remark.values["rows"]) == (IngestCode.MAY_BE_HOURS, small.sum())


def test_one_field_with_a_small_right_ascension_is_nothing_to_ask_about() -> None:
    sky = solves(400)
    field = (sky["ra"] > 9.0) & (sky["ra"] < 14.0)
    assert field.any()
    many = {name: np.resize(values[field], 12) for name, values in sky.items()}
    many["time"] = many["time"] + np.arange(many["time"].size) * np.timedelta64(1, "s")
    assert not read(many).remarks


def test_hours_are_noticed_when_few_places_are_below_the_horizon() -> None:
    """In autumn a narrow strip of right ascension is up most of the night."""
    rng = np.random.default_rng(3)
    sky = solves(120, step_h=0.02)
    sky["dec"] = rng.uniform(-10.0, 80.0, 120)
    days = (sky["time"].astype("datetime64[us]").astype(np.int64) - J2000_US) / 86_400e6
    sidereal = 280.46061837 + SIDEREAL_DEG_PER_DAY * days + SITE.longitude_deg
    shift = np.round((95.0 - sidereal[60] % 360.0) / SIDEREAL_DEG_PER_DAY * 86_400)  # the strip in the west
    sky["time"] = sky["time"] + shift.astype("timedelta64[s]")
    sky["ra"] = (95.0 + rng.uniform(-60.0, 60.0, 120)) % 360.0
    small = read(sky, 1 / 15, 1 / 15)
    share = np.mean(
        altitude_deg(
            47.3, -92.4, sky["time"].astype("datetime64[us]").astype(np.int64), sky["ra"] / 15, sky["dec"]
        )
        < -2
    )
    assert 0.03 < share < 0.2
    assert not small.raws
    assert small.remarks[0].code is IngestCode.IN_HOURS
    assert small.remarks[0].values["seen"] is HoursSeen.BY_HORIZON


def test_most_solves_far_from_the_mount_for_another_reason_are_remarked_on() -> None:
    sky = solves(40)
    rows = [
        f"{time}Z,{ra},{dec},{(ra + 120) % 360},{dec}"
        for time, ra, dec in zip(sky["time"], sky["ra"], sky["dec"], strict=True)
    ]
    text = "\n".join(["time_utc,ra_deg,dec_deg,mount_ra_deg,mount_dec_deg", *rows])
    log = read_bytes(text.encode(), "log.csv", SITE)
    assert len(log.set_aside) == 40
    assert log.remarks[0] == warning(IngestCode.FAR_FROM_MOUNT, solves=40, of_solves=40, limit_deg=30.0)


def test_of_a_file_with_most_solves_far_from_the_mount_none_is_taken() -> None:
    sky = {**solves(40), "dec": np.linspace(10.0, 88.0, 40)}  # near the pole a wrong hour angle is near
    rows = [
        f"{time}Z,{ra},{dec},{(ra + 90) % 360},{dec}"
        for time, ra, dec in zip(sky["time"], sky["ra"], sky["dec"], strict=True)
    ]
    text = "\n".join(["time_utc,ra_deg,dec_deg,mount_ra_deg,mount_dec_deg", *rows])
    log = read_bytes(text.encode(), "log.csv", SITE)
    near = [one for one in log.set_aside if one.code is IngestCode.REST_FAR_FROM_MOUNT]
    assert len(log.set_aside) == 40
    assert 1 <= len(near) < 20


def test_a_wrong_longitude_sign_is_named() -> None:
    wrong = Circumstances(47.3, 92.4, 410.0, NOW_US)
    log = read_sweep(solves(60), site=wrong)
    assert len(log.set_aside) == 60
    below = [one for one in log.set_aside if one.code is IngestCode.ROW_BELOW_HORIZON]
    assert 12 < len(below) < 60
    (remark,) = log.remarks
    assert remark.values["cures"] == (Cure.LONGITUDE_SIGN,)
    assert "It would fit with the longitude -92.4" in sentence(remark)


def test_a_wrong_latitude_sign_is_named() -> None:
    south = Circumstances(-47.3, -92.4, 410.0, NOW_US)
    log = read_sweep({**solves(60), "dec": np.full(60, 50.0)}, site=south)
    assert len(log.set_aside) == 60
    assert log.remarks[0].values["cures"] == (Cure.LATITUDE_SIGN,)
    assert "It would fit with the latitude 47.3" in sentence(log.remarks[0])


def test_local_times_passed_off_as_utc_are_named() -> None:
    sky = solves(60)
    local = {**sky, "time": sky["time"] - np.timedelta64(6, "h")}  # Chicago in winter is 6 hours behind
    log = read_sweep(local)
    assert len(log.set_aside) == 60
    assert Cure.LOCAL_TIME in log.remarks[0].values["cures"]
    assert log.remarks[0].values["zone"] == "America/Chicago"


def test_one_wrong_time_sets_one_row_aside_without_a_remark() -> None:
    sky = solves(60)
    sky["time"][7] += np.timedelta64(12, "h")
    log = read_sweep(sky)
    assert [one.line for one in log.set_aside] == [9]
    assert not log.remarks


def test_a_clock_that_was_wrong_for_a_while_is_remarked_on_and_the_rest_goes_in() -> None:
    sky = solves(60)
    sky["time"][20:30] += np.timedelta64(12, "h")
    log = read_sweep(sky)
    assert 3 <= len(log.set_aside) <= 10
    assert len(log.raws) + len(log.set_aside) == 60
    (remark,) = log.remarks
    assert remark.code is IngestCode.BELOW_HORIZON
    assert (remark.values["rows"], remark.values["of_rows"]) == (len(log.set_aside), 60)
    assert not remark.values["all_set_aside"]
    assert remark.values["cures"] == ()


def test_altitude_of_the_worked_example_of_meeus() -> None:
    """Meeus, Astronomical Algorithms 2nd ed., example 13.b p. 95: 15.1249 degrees."""
    time_us = np.array([np.datetime64("1987-04-10T19:21:00", "us").astype(np.int64)])
    latitude, longitude = 38 + 55 / 60 + 17 / 3600, -(77 + 3 / 60 + 56 / 3600)
    ra, dec = 15 * (23 + 9 / 60 + 16.641 / 3600), -(6 + 43 / 60 + 11.61 / 3600)
    altitude = altitude_deg(latitude, longitude, time_us, np.array([ra]), np.array([dec]))
    assert altitude[0] == pytest.approx(15.1249, abs=ALTITUDE_LEEWAY_DEG)


def test_altitude_against_astropy() -> None:
    from astropy import units as u
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord
    from astropy.time import Time
    from astropy.utils import iers

    rng = np.random.default_rng(3)
    times = np.array(
        ["2003-01-05T03:00", "2012-07-01T20:00", "2025-03-01T10:00"], dtype="datetime64[us]"
    ).repeat(30)
    ra, dec = rng.uniform(0, 360, times.size), np.degrees(np.arcsin(rng.uniform(-1, 1, times.size)))
    ours = altitude_deg(-33.0, 149.0, times.astype(np.int64), ra, dec)
    with iers.conf.set_temp("auto_download", False):
        frame = AltAz(obstime=Time(times), location=EarthLocation(149 * u.deg, -33 * u.deg))
        theirs = SkyCoord(ra * u.deg, dec * u.deg).transform_to(frame).alt.deg
    assert np.abs(ours - theirs).max() < ALTITUDE_LEEWAY_DEG


SOUTH = Circumstances(-33.0, 149.1, 410.0, NOW_US, "Australia/Sydney")


def flipped(sky: dict[str, np.ndarray], solved: bool, site: Circumstances) -> LogRead:
    """Read solves whose solved declination, or whose mount's, has the other sign."""
    signs = (-1.0, 1.0) if solved else (1.0, -1.0)
    rows = [
        f"{time}Z,{ra:.6f},{signs[0] * dec:.6f},{(ra + 0.3) % 360:.6f},{signs[1] * (dec + 0.1):.6f}"
        for time, ra, dec in zip(sky["time"], sky["ra"], sky["dec"], strict=True)
    ]
    text = "\n".join(["time_utc,ra_deg,dec_deg,mount_ra_deg,mount_dec_deg", *rows])
    return read_bytes(text.encode(), "log.csv", site)


@pytest.mark.parametrize("site", [SITE, SOUTH], ids=["north", "south"])
@pytest.mark.parametrize(("solved", "column"), [(True, "dec_deg"), (False, "mount_dec_deg")])
def test_declinations_of_the_wrong_sign_are_told_of_the_whole_file(
    solved: bool, column: str, site: Circumstances
) -> None:
    sky = solves(14, site=site)
    sky["dec"] = np.copysign(np.linspace(1.0, 60.0, 14), site.latitude_deg)
    log = flipped(sky, solved, site)
    assert not log.raws
    (remark,) = log.remarks
    assert remark == warning(
        IngestCode.WRONG_SIGN, columns=(column,), opposite=("dec_deg", "mount_dec_deg"), rows=14
    )
    assert {one.column for one in log.set_aside} == {column}


def test_where_the_horizon_does_not_say_which_sign_is_wrong_both_columns_are_named() -> None:
    sky = solves(14)
    sky["dec"] = np.linspace(6.0, 30.0, 14)
    sky["ra"] = np.full(14, 0.0)
    hour = np.mod(-(280.46061837 - 92.4), 360.0) / SIDEREAL_DEG_PER_DAY
    days = np.datetime64("2024-03-01T00:00:00", "s") - np.datetime64("2000-01-01T12:00:00", "s")
    whole = np.round(days / np.timedelta64(1, "D") * SIDEREAL_DEG_PER_DAY / 360.0) * 360.0
    culmination = np.datetime64("2000-01-01T12:00:00", "s") + np.timedelta64(
        round((whole / SIDEREAL_DEG_PER_DAY + hour) * 86400), "s"
    )
    sky["time"] = culmination + np.arange(14).astype("timedelta64[m]")
    (remark,) = flipped(sky, True, SITE).remarks
    assert remark.code is IngestCode.WRONG_SIGN
    assert remark.values["columns"] == ("dec_deg", "mount_dec_deg")


def test_a_few_wrong_signs_or_solves_about_the_equator_are_no_flipped_file() -> None:
    sky = solves(14)
    sky["dec"] = np.linspace(-4.0, 4.0, 14)
    assert not any(one.code is IngestCode.WRONG_SIGN for one in flipped(sky, True, SITE).remarks)
    some = solves(40)
    some["dec"][5:] *= -1.0  # the mount's agree with these: five rows of forty stand apart
    text = "time_utc,ra_deg,dec_deg,mount_ra_deg,mount_dec_deg\n" + "\n".join(
        f"{time}Z,{ra:.6f},{dec if at < 5 else -dec:.6f},{ra:.6f},{-dec + 0.01:.6f}"
        for at, (time, ra, dec) in enumerate(zip(some["time"], some["ra"], some["dec"], strict=True))
    )
    log = read_bytes(text.encode(), "log.csv", SITE)
    assert len(log.raws) >= 35
    assert not any(one.code is IngestCode.WRONG_SIGN for one in log.remarks)


def test_declinations_that_are_all_of_the_wrong_sign_are_a_cure_of_the_horizon() -> None:
    sky = solves(40)
    sky["dec"] = -np.linspace(10.0, 60.0, 40)
    (remark,) = read_sweep(sky).remarks
    assert remark.values["cures"] == (Cure.LATITUDE_SIGN,)
    cure = (
        "It would fit with the latitude -47.3 (north is positive) or with the other sign of the declinations"
    )
    assert sentence(remark).endswith(cure)
