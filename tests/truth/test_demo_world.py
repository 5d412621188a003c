"""The invented world against itself: truth, tables and families."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from drift.demo.files import make
from drift.demo.instrument import ARCSEC, Constants, Overhead, direction, hour_angle_dec
from drift.demo.scenario import FAMILIES, InventedCorrection, InventedStep, Scenario, family
from drift.readings import READING_COLUMNS

FIRST_ORDER_ARCSEC = 0.3  # products of some arcminutes of tilt and knob, times tan(latitude)
ROUNDED_ARCSEC = 0.006  # places are logged to 1e-6 degree
EVERYTHING = (
    (("pointing",), 4.0),
    (("pointing", "run"), 1.0),
    (("sweep",), 1.0),
    (("pointing", "sweep"), 1.0),
    (("typed",), 1.0),
)
SILENT = {
    "solve_noise": 0.0,
    "mount_noise": 0.0,
    "sweep_noise": 0.0,
    "run_noise": 0.0,
    "wrong_solve_chance": 0.0,
}


def short(latitude: float = 51.0, **changes) -> Scenario:
    return replace(Scenario(seed=5, latitude_deg=latitude, years=0.7, nights_a_year=60), **changes)


def mount_hour_angles(scenario: Scenario, solves: pd.DataFrame) -> tuple[Overhead, np.ndarray]:
    overhead = Overhead(
        scenario.site,
        solves["time_us"].to_numpy(),
        solves["temp_c"].to_numpy(),
        solves["pressure_hpa"].to_numpy(),
    )
    return overhead, overhead.last_rad - np.radians(solves["mount_ra_deg"].to_numpy())


def test_equal_scenarios_make_equal_worlds_and_other_seeds_others():
    scenario = short(night_kinds=EVERYTHING, level_every_days=20.0)
    one, two, other = make(scenario), make(scenario), make(replace(scenario, seed=6))
    for kind in READING_COLUMNS:
        pd.testing.assert_frame_equal(one.readings()[kind], two.readings()[kind])
    assert not one.tables["solves"].equals(other.tables["solves"])


def test_more_level_readings_change_no_solve():
    few, many = make(short(level_every_days=50.0)), make(short(level_every_days=10.0))
    columns = [name for name in READING_COLUMNS["solves"] if name != "row_id"]
    pd.testing.assert_frame_equal(few.tables["solves"][columns], many.tables["solves"][columns])


@pytest.mark.parametrize("latitude", [51.0, -44.0])
def test_the_truth_keeps_the_first_order_relations(latitude):
    steps = (
        InventedStep(100.2, mount_az=120.0, mount_alt=-80.0),
        InventedStep(180.2, plate_north=40.0, plate_east=-60.0),
    )
    world = make(short(latitude, heave=60.0, heave_bearing_deg=20.0, steps=steps, zero_repeatability=0.0))
    truth, phi, elevated = world.truth.nights["pointing"], np.radians(latitude), np.sign(latitude)
    east, north = truth.tilt_east + truth.plate_east, truth.tilt_north + truth.plate_north
    expected_zero = world.scenario.zero0 + east * np.cos(phi) - truth.mount_az * np.sin(phi)
    np.testing.assert_allclose(truth.az_error, truth.mount_az + east * np.tan(phi), atol=FIRST_ORDER_ARCSEC)
    np.testing.assert_allclose(truth.alt_error, truth.mount_alt - elevated * north, atol=FIRST_ORDER_ARCSEC)
    np.testing.assert_allclose(truth.zero, expected_zero, atol=FIRST_ORDER_ARCSEC)
    assert np.ptp(truth.mount_az) == pytest.approx(120.0)
    assert np.ptp(north) > 40.0


@pytest.mark.parametrize("latitude", [51.0, -44.0])
def test_a_perfect_pier_and_mount_reads_where_the_solve_is(latitude):
    nothing = dict.fromkeys(("tilt0_north", "tilt0_east", "mount_az0", "mount_alt0", "wander"), 0.0)
    nothing |= {"zero0": 30.0, "dec_zero0": -20.0, "zero_repeatability": 0.0}
    scenario = short(latitude, constants=Constants(), **nothing, **SILENT)
    solves = make(scenario).tables["solves"]
    overhead, mount_ha = mount_hour_angles(scenario, solves)
    seen = overhead.enu_of(np.radians(solves["ra_deg"]), np.radians(solves["dec_deg"]))
    mount_dec = np.radians(solves["mount_dec_deg"].to_numpy()) + 20.0 * ARCSEC
    read = direction(mount_ha - 30.0 * ARCSEC, mount_dec, latitude)
    assert np.abs(np.linalg.norm(seen - read, axis=1)).max() < ROUNDED_ARCSEC * ARCSEC


def test_a_sync_gives_one_pair_of_zeros_to_all_later_solves():
    scenario = short(zero="synced", before_sync_logged=True, mirror_shift=10.0, **SILENT)
    world = make(scenario)
    solves = world.tables["solves"]
    before = solves["before_sync"].to_numpy() == 1.0
    assert np.all(
        before == (solves.groupby(world.motion.weather.day[0] * 0 + night_of(world)).cumcount() < 2)
    )
    # The zeros after the sync are all one value a night, and differ from those before.
    for _, rows in solves.groupby(night_of(world)):
        zero = world.truth.solve_zero[rows.index]
        assert np.ptp(zero[:2]) < 0.1
        assert np.ptp(zero[2:]) < 0.1
        assert abs(zero[0] - zero[2]) > 1.0
    overhead, mount_ha = mount_hour_angles(scenario, solves)
    seen = overhead.enu_of(np.radians(solves["ra_deg"]), np.radians(solves["dec_deg"]))
    sky_ha, sky_dec = hour_angle_dec(seen, scenario.latitude_deg)
    # What is left after the sync: constants, mirror and a part of the axis error, arcminutes at most.
    off = np.abs(np.remainder(mount_ha - sky_ha + np.pi, 2 * np.pi) - np.pi) * np.cos(sky_dec) / ARCSEC
    assert off[~before].max() < 900.0


def night_of(world) -> np.ndarray:
    day_us = 86_400_000_000
    local = world.tables["solves"]["time_us"] / day_us + world.scenario.longitude_deg / 360.0 - 0.5
    return np.floor(local.to_numpy()).astype(int)


def test_noise_has_the_stated_size():
    quiet, noisy = make(short(**SILENT)), make(short(wrong_solve_chance=0.0))
    difference = noisy.tables["solves"]["dec_deg"] - quiet.tables["solves"]["dec_deg"]
    # 5 arcsec of mount and 1.5 of solve; the sd of some 400 draws is known to 4 percent, 5 sd allowed
    assert difference.std() * 3600.0 == pytest.approx(np.hypot(5.0, 1.5), rel=0.2)


def test_wrong_solves_are_half_a_degree_off_and_flagged():
    quiet, wrong = make(short(**SILENT)), make(short(**SILENT | {"wrong_solve_chance": 0.05}))
    ra, dec = (
        np.radians([world.tables["solves"][name] for world in (quiet, wrong)])
        for name in ("ra_deg", "dec_deg")
    )
    chord = (
        np.sin(np.diff(dec, axis=0)[0] / 2) ** 2
        + np.cos(dec[0]) * np.cos(dec[1]) * np.sin(np.diff(ra, axis=0)[0] / 2) ** 2
    )
    off = np.degrees(2 * np.arcsin(np.sqrt(chord)))
    flagged = wrong.truth.wrong_solves
    assert 0.01 < flagged.mean() < 0.12
    np.testing.assert_allclose(off[flagged], 0.5, atol=1e-3)  # refraction squeezes the sky by 3e-4 at most
    np.testing.assert_allclose(off[~flagged], 0.0, atol=2e-6)


def test_a_corrected_knob_goes_the_way_and_about_as_far_as_was_written():
    world = make(
        short(mount_az0=240.0, corrections=(InventedCorrection(120.3, knob_error=0.05, note="azimuth knob"),))
    )
    written = world.tables["corrections"].iloc[0]
    done = world.truth.events[0].step.mount_az
    assert written["kind"] == "azimuth"
    assert written["amount_arcmin"] < -2.0
    assert done == pytest.approx(60.0 * written["amount_arcmin"], rel=0.2)
    before, after = (np.abs(world.motion.axis(world.motion.step_times_us + shift)[0][0]) for shift in (-1, 0))
    assert after < 0.3 * before


def test_a_pair_of_level_readings_gives_the_tilt_without_the_levels_own_error():
    world = make(short(level_every_days=15.0, level_sigma=0.01, level_bias=90.0))
    levels, truth = world.tables["levels"], world.truth.nights["level"]
    first, turned = (levels[levels["face_deg"] == face].reset_index() for face in (0.0, 180.0))
    for name, true in (("tilt_north_arcsec", truth.tilt_north), ("tilt_east_arcsec", truth.tilt_east)):
        np.testing.assert_allclose((first[name] - turned[name]) / 2, true, atol=0.2)  # read to 0.1 arcsec
        assert abs((first[name] + turned[name]).mean() / 2) == pytest.approx(90.0, abs=0.2)


@pytest.mark.parametrize("name", FAMILIES)
@pytest.mark.parametrize("seed", [1, 2])
def test_every_family_makes_valid_tables(name, seed):
    scenario = family(name, seed, years=1.0, night_kinds=EVERYTHING, nights_a_year=50, level_every_days=30.0)
    readings = make(scenario).readings()
    row_ids = np.concatenate([readings[kind]["row_id"].to_numpy() for kind in READING_COLUMNS])
    assert len(np.unique(row_ids)) == len(row_ids)
    for kind, columns in READING_COLUMNS.items():
        table = readings[kind]
        assert list(table.columns) == list(columns)
        assert len(table) or kind == "corrections"
        for column, sort in columns.items():
            assert {"int": "i", "float": "f"}.get(sort, table[column].dtype.kind) == table[column].dtype.kind
    solves = readings["solves"]
    assert solves["dec_deg"].abs().max() <= 90.0
    assert solves["ra_deg"].between(0.0, 360.0).all()
    assert set(solves["tube_side"]) == {"east", "west"}


def test_families_differ_by_seed_and_take_given_fields():
    assert family("heave", 1) != family("heave", 2)
    assert family("heave", 1, heave=33.0).heave == 33.0
    with pytest.raises(KeyError, match="heave, settle, slips, bump, quiet"):
        family("landslide", 1)


def test_impossible_scenarios_are_refused_with_the_value():
    with pytest.raises(ValueError, match="'sometimes'"):
        Scenario(zero="sometimes")
    with pytest.raises(ValueError, match="leave no sky"):
        make(short(lowest_altitude_deg=89.9))
    with pytest.raises(ValueError, match="outside the years"):
        make(short(start="2031-01-01"))


def test_a_modelled_mount_reports_less_of_its_axis_error():
    raw, modelled = make(short(mount_az0=300.0)), make(short(mount_az0=300.0, modelled_fraction=1.0))
    difference = (modelled.tables["solves"]["mount_dec_deg"] - raw.tables["solves"]["mount_dec_deg"]) * 3600.0
    assert 100.0 < difference.abs().max() < 400.0
    assert modelled.tables["solves"]["ra_deg"].equals(raw.tables["solves"]["ra_deg"])


def test_an_unguided_star_drifts_as_the_rule_of_thumb_says():
    # The drift of a star's declination against the mount is -rate (a_alt sin H + a_az cos H), and the rate
    # 0.2625 arcsec a minute for each arcmin.  Refraction and droop drift too: they cancel between two
    # worlds that differ in the axis alone.
    given = {"night_kinds": ((("run",), 1.0),), "run_min": 20.0, "mount_alt0": 0.0} | SILENT
    east_arcmin = 5.0
    az_error = 60.0 * east_arcmin / np.cos(np.radians(51.0))
    level, turned = make(short(mount_az0=0.0, **given)), make(short(mount_az0=az_error, **given))
    for (_, run), (_, other) in zip(
        level.tables["runs"].groupby("run"), turned.tables["runs"].groupby("run"), strict=True
    ):
        moved = (other["dec_offset_arcsec"] - run["dec_offset_arcsec"]).to_numpy()
        rate = (moved[-1] - moved[0]) / (np.ptp(run["time_us"]) / 6e7)
        middle = run["time_us"].to_numpy()[[len(run) // 2]]
        overhead = Overhead(level.scenario.site, middle, np.array([5.0]), np.array([980.0]))
        hour_angle = overhead.last_rad[0] - np.radians(run["ra_deg"].iloc[0])
        assert rate == pytest.approx(-0.2625 * east_arcmin * np.cos(hour_angle), abs=0.03)
