"""The night's axis against invented truth: size of errors, honesty of their sds, wrong solves, lost zeros."""

import numpy as np
import pandas as pd
import pytest
from exact_mount import FIRST_US, NIGHT_US, Case, make

from drift.mount.instrument import hour_angle_and_dec
from drift.night.estimate import estimate_nights
from drift.night.prepared import split_nights
from drift.notices import NightCode
from drift.readings import as_readings

#: Errors over stated sds of some 60 to 120 nights scatter by 7-9 % themselves; a quarter off is wrong.
LEAST_RATIO, MOST_RATIO = 0.75, 1.3


def nights_of(made, case, zero_is=None):
    split = split_nights(0.0, made.readings["corrections"])
    zero_is = zero_is or ("kept" if case.kept else "synced")
    return estimate_nights(np.radians(case.latitude_deg), split, made.readings, made.directions, zero_is)


def errors(made, nights):
    assert len(nights.nights) == made.day.size  # every night is answered
    off = np.array([n.estimate[:2] for n in nights.nights]) - made.axis
    return off, np.array([np.sqrt(np.diagonal(n.covariance)[:2]) for n in nights.nights])


CASES = {
    "kept north": Case(1),
    "kept south": Case(2, latitude_deg=-35.0),
    "lost zeros": Case(3, kept=False),
    "lost zeros, second syncs": Case(4, kept=False, second_sync=0.3, nights=120),
    "five solves": Case(5, kept=False, solves=5, nights=120),
    "high latitude": Case(6, latitude_deg=62.0),
    "wrong solves": Case(7, wrong=0.02, nights=120),
    "equator": Case(8, latitude_deg=0.0),
}


@pytest.mark.parametrize("name", CASES)
def test_errors_are_as_large_as_stated(name):
    case = CASES[name]
    made = make(case)
    off, sd = errors(made, nights_of(made, case))
    ratio = np.sqrt(np.mean((off / sd) ** 2))
    assert LEAST_RATIO < ratio < MOST_RATIO
    assert np.max(np.abs(off / sd)) < 5.0


def test_nine_solves_reach_the_expected_accuracy():
    """4 to 5 arcsec a coordinate with 9 solves, 1.5 arcsec each and 5 of the mount (design trial)."""
    made = make(CASES["kept north"])
    off, _ = errors(made, nights_of(made, CASES["kept north"]))
    spread = 1.4826 * np.median(np.abs(off - np.median(off, axis=0)), axis=0)
    assert np.all(spread < 6.0)
    assert np.all(np.abs(np.median(off, axis=0)) < 3.0)


def test_instrument_constants_come_back():
    made = make(CASES["kept north"])
    (instrument,) = nights_of(made, CASES["kept north"]).instruments
    assert np.all(np.abs(instrument.values - np.array(CASES["kept north"].constants)) < 4.0 * instrument.sds)
    assert np.all(instrument.sds < 3.0)


def test_wrong_solves_are_set_aside_with_a_reason_and_change_no_night():
    case = Case(7, wrong=0.02, nights=120)
    made, clean = make(case), make(Case(7, wrong=0.0, nights=120))
    assert clean.axis == pytest.approx(made.axis)
    nights = nights_of(made, case)
    put_aside = {s.row_id for s in nights.set_aside}
    assert set(made.wrong) <= put_aside
    assert len(put_aside) <= len(made.wrong) + 2
    assert all(s.reason for s in nights.set_aside)


def test_thin_nights_say_so_and_are_wide():
    case = Case(9, nights=30, kept=False)
    made = make(case)
    solves = made.readings["solves"]
    day = (solves["time_us"] - FIRST_US) // NIGHT_US
    one_side = solves["tube_side"] == "east"
    keep = np.ones(len(solves), dtype=bool)
    keep[(day == made.day[0]) & (solves.groupby(day).cumcount() > 0)] = False  # one solve
    keep[(day == made.day[1]) & ~one_side] = False  # one tube side
    directions = dict(made.directions)
    directions["solves"] = type(directions["solves"])(
        directions["solves"].enu[keep], directions["solves"].last_rad[keep]
    )
    readings = as_readings({"solves": solves[keep].reset_index(drop=True)})
    nights = estimate_nights(
        np.radians(46.0), split_nights(0.0, readings["corrections"]), readings, directions, "synced"
    ).nights
    sd = np.sqrt(np.diagonal(nights[0].covariance)[:2])
    assert np.isnan(nights[0].estimate[0])
    assert np.all(sd > 200.0)  # no better than the syncs are: 600 arcsec here
    assert NightCode.ONE_SOLVE in [notice.code for notice in nights[0].notices]
    assert NightCode.ONE_TUBE_SIDE in [notice.code for notice in nights[1].notices]
    usual = np.median([np.sqrt(n.covariance[0, 0]) for n in nights[2:]])
    assert np.sqrt(nights[1].covariance[0, 0]) > 1.5 * usual


def test_order_of_rows_changes_nothing():
    case = Case(10, nights=25, wrong=0.02)
    made = make(case)
    first = nights_of(made, case)
    order = np.random.default_rng(0).permutation(len(made.readings["solves"]))
    made.readings = as_readings({"solves": made.readings["solves"].iloc[order].reset_index(drop=True)})
    solves = made.directions["solves"]
    made.directions["solves"] = type(solves)(solves.enu[order], solves.last_rad[order])
    again = nights_of(made, case)
    for a, b in zip(first.nights, again.nights, strict=True):
        assert b.estimate == pytest.approx(a.estimate, abs=1e-6)  # rounding
        assert b.time_us == a.time_us


def test_mirrored_hemisphere_mirrors_the_signs():
    """The sky mirrored across the equator: the azimuth error changes sign, altitude and zero stay."""
    case = Case(11, nights=20, wrong=0.0)
    made = make(case)
    north = nights_of(made, case)
    solves = made.readings["solves"].copy()
    solves["mount_dec_deg"] = -solves["mount_dec_deg"]
    flipped = type(made.directions["solves"])(
        made.directions["solves"].enu * np.array([1.0, -1.0, 1.0]), made.directions["solves"].last_rad
    )
    made.readings = as_readings({"solves": solves})
    made.directions["solves"] = flipped
    south = nights_of(made, Case(11, latitude_deg=-46.0))
    for a, b in zip(north.nights, south.nights, strict=True):
        assert b.estimate[:2] == pytest.approx([-a.estimate[0], a.estimate[1]], abs=1e-4)
        assert b.estimate[2] == pytest.approx(a.estimate[2], abs=1e-4)


def test_second_sync_is_noticed_and_told():
    case = Case(12, kept=False, nights=80, second_sync=1.0, solves=12)
    made = make(case)
    nights = nights_of(made, case)
    told = [any(one.code is NightCode.SECOND_SYNC for one in n.notices) for n in nights.nights]
    # A sync before the second or after the last but one solve may pass as a wrong solve.
    assert np.mean(told) > 0.6


def test_night_runs_from_local_noon_to_noon_and_is_split_at_a_correction():
    noon = 1_577_836_800_000_000 + 12 * 3_600_000_000
    corrections = pd.DataFrame({"time_us": [noon + 6 * 3_600_000_000], "kind": ["azimuth"]})
    greenwich, east = split_nights(0.0, corrections), split_nights(90.0, corrections)
    assert np.diff(greenwich.day(np.array([noon - 1, noon]))) == [1]
    assert np.diff(east.day(np.array([noon - 6 * 3_600_000_000 - 1, noon - 6 * 3_600_000_000]))) == [1]
    start, end = greenwich.bounds(noon + 1)
    assert (start, end) == (noon, noon + 6 * 3_600_000_000)


@pytest.mark.parametrize("source", ["sweep", "run"])
def test_sweeps_or_runs_alone_are_answered(source):
    from drift.analysis import work_out
    from drift.demo.files import make as make_world
    from drift.demo.scenario import family
    from drift.site.file import pier_from_mapping

    scenario = family("quiet", 5, years=0.6, night_kinds=(((source,), 1.0),), latitude_deg=-41.0)
    world = make_world(scenario)
    site = {
        "latitude_deg": -41.0,
        "longitude_deg": scenario.longitude_deg,
        "elevation_m": scenario.elevation_m,
    }
    analysis = work_out(pier_from_mapping({"site": site}), world.readings())
    truth = world.truth.nights[source]
    scaled = []
    for night, az, alt in zip(analysis.nights.nights, truth.az_error, truth.alt_error, strict=True):
        off = night.working[:2] - [az, alt]
        scaled.append(off @ np.linalg.solve(night.covariance[:2, :2], off))
    # Chi-square with 2 degrees of freedom has mean 2 and sd 2: some 55 nights average to 2 +- 0.3.  Sweeps
    # alone can't tell whether the tube bends; it doesn't here, so that they come out nearer than they say.
    assert 0.7 < np.mean(scaled) < 3.0


def test_ten_solves_of_one_pointing_tell_no_more_than_one():
    """The mount's own error is common to them: repeating each solve must not shrink the uncertainty."""
    case = Case(14, nights=30)
    made = make(case)
    alone = nights_of(made, case)
    solves, seen = made.readings["solves"], made.directions["solves"]
    times = np.repeat(np.arange(len(solves)), 10)
    burst = solves.iloc[times].reset_index(drop=True)
    burst["time_us"] += np.tile(np.arange(10), len(solves)) * 3_000_000
    burst["row_id"] = np.arange(len(burst))
    made.readings = as_readings({"solves": burst})
    made.directions["solves"] = type(seen)(seen.enu[times], seen.last_rad[times])
    for a, b in zip(alone.nights, nights_of(made, case).nights, strict=True):
        assert b.estimate[:2] == pytest.approx(a.estimate[:2], abs=0.5 * np.sqrt(a.covariance[0, 0]))
        assert b.covariance[0, 0] == pytest.approx(a.covariance[0, 0], rel=0.2)


def test_a_session_that_looked_at_one_place_only_is_survived():
    """Hundreds of solves at one place leave zeros and axis tied to each other; the sums must not lose it."""
    case = Case(15, nights=12, kept=False, mount_sd=0.01, solve_sd=0.01)
    made = make(case)
    solves, seen = made.readings["solves"], made.directions["solves"]
    first = np.repeat(np.flatnonzero(solves.groupby(solves["time_us"] // NIGHT_US).cumcount() == 0), 300)
    one_place = solves.iloc[first].reset_index(drop=True)
    one_place["row_id"] = np.arange(len(one_place))
    made.readings = as_readings({"solves": one_place})
    made.directions["solves"] = type(seen)(seen.enu[first], seen.last_rad[first])
    for night in nights_of(made, case).nights:
        assert np.all(np.linalg.eigvalsh(night.covariance) > 0.0)
        assert np.sqrt(night.covariance[0, 0]) > 100.0


def test_the_sky_that_a_night_covers_holds_all_of_its_readings_and_no_more():
    case = Case(9, latitude_deg=46.0, nights=12, kept=True)
    made = make(case)
    (first, *_) = nights_of(made, case).nights
    mine = (made.readings["solves"]["time_us"] - FIRST_US) // NIGHT_US == made.day[0]
    enu = made.directions["solves"].enu[mine.to_numpy()]
    ha, dec = (np.degrees(angle) for angle in hour_angle_and_dec(enu, np.radians(46.0)))
    assert first.sky.hour_angle_deg == pytest.approx((ha.min(), ha.max()))
    assert first.sky.declination_deg == pytest.approx((dec.min(), dec.max()))
