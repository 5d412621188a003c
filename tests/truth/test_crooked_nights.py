"""Nights of mounts with the faults of real ones: what is said of the axis is as true as its sd says."""

from dataclasses import replace

import numpy as np
import pytest
from crooked_nights import Crooked, make

from drift.analysis import work_out
from drift.codes import AxisReason, Do
from drift.night.altered_reports import modelled_or_not
from drift.night.directions import see
from drift.night.estimate import estimate_nights
from drift.night.log_zone import whole_log_ahead
from drift.night.prepared import split_nights
from drift.notices import AdviceCode, NightCode
from drift.quantities import DAY_US
from drift.types import as_readings, empty_table

#: Errors over stated sds of 60 to 120 nights scatter by 7-9 % themselves; what issue 13 asks for is 1.2.
LEAST_RATIO, MOST_RATIO = 0.75, 1.2
#: What all nights share is one draw a world: over 12 worlds the rms of two coordinates scatters by some 15 %.
COMMON_WORLDS, MOST_COMMON = 12, 1.45


def nights_of(made, reports="raw", clock_changes_us=None):
    latitude = np.radians(made.where[0])
    split = split_nights(made.where[1], made.readings["corrections"])
    seen = see(made.where, split, made.readings)
    zero = "kept" if made.case.kept else "synced"
    ahead = whole_log_ahead(made.where, split, made.readings, seen.directions, zero)
    seen = see(made.where, split, made.readings, ahead_hours=ahead[0])
    nights = estimate_nights(
        latitude,
        split,
        made.readings,
        seen.directions,
        zero,
        clock_changes_us=clock_changes_us,
        whole_log=ahead,
    )
    return modelled_or_not(nights, reports, latitude, split.correction_us)


def errors(made, nights):
    off = np.array([n.working[:2] for n in nights.nights]) - made.case.axis
    return off, np.array([np.sqrt(np.diagonal(n.covariance)[:2]) for n in nights.nights])


def ratio(made, nights):
    off, sd = errors(made, nights)
    return np.sqrt(np.mean((off / sd) ** 2))


@pytest.mark.parametrize("kept", [True, False])
@pytest.mark.parametrize("solves", [6, 10])
def test_a_mirror_that_lies_another_way_on_each_side_every_night(kept, solves):
    """Thirty arcsec in both coordinates, one change of sides a night (issue 13: errors were 1.9 sd)."""
    made = make(Crooked(3, mirror=30.0, one_flip=True, kept=kept, solves=solves, nights=100))
    assert LEAST_RATIO < ratio(made, nights_of(made)) < MOST_RATIO


def test_the_picture_is_told_from_scatter():
    """With it in the model the noise of a solve comes out as it is and the axis twice as well."""
    made = make(Crooked(3, mirror=30.0, one_flip=True, nights=100))
    nights = nights_of(made)
    off, _ = errors(made, nights)
    assert nights.instruments[0].noise_arcsec < 5.6  # 5 of the mount and 1.5 of the solve
    assert np.sqrt(np.mean(off[:, 0] ** 2)) < 10.0  # 13 without


LOW = ((-45.0, 45.0), (-36.0, -16.0))  # 8 to 30 degrees high at 46 north


@pytest.mark.parametrize(
    "air",
    [
        {"mean_c": -2.0, "season_c": 14.0, "air_logged": False},
        {"mean_c": 22.0, "season_c": 6.0, "air_logged": False},
        {},
    ],
    ids=["cold, not logged", "hot, not logged", "logged"],
)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_low_solves_whose_air_is_not_known(seed, air):
    """Errors were 25 to 40 arcsec at a stated 6: 5 sd."""
    made = make(Crooked(seed, pattern=LOW, nights=60, kept=seed != 2, **air))
    off, sd = errors(made, nights_of(made))
    # one world's share of what all nights have in common: three of its sds are allowed
    assert np.all(np.abs(np.mean(off, axis=0)) < 3.0 * np.median(sd, axis=0))
    assert np.sqrt(np.mean((off / sd) ** 2)) < 1.5
    assert np.all(np.median(sd, axis=0) < 15.0)  # and no wider than it must be


def test_what_is_not_known_of_the_air_costs_nothing_where_it_does_not_matter():
    case = Crooked(5, lowest_deg=30.0)
    logged, not_logged = (
        np.median(errors(made, nights_of(made))[1], axis=0)
        for made in (make(case), make(Crooked(5, lowest_deg=30.0, air_logged=False)))
    )
    assert np.all(not_logged < 1.1 * logged)


def test_a_formula_that_is_four_percent_off_is_no_droop():
    made = make(Crooked(14, refraction=1.04, nights=80))
    nights = nights_of(made)
    droop = nights.instruments[0]
    assert abs(droop.values[3] - made.case.constants[3]) < 2.5 * droop.sds[3]
    assert LEAST_RATIO < ratio(made, nights) < MOST_RATIO


@pytest.mark.parametrize("kept", [True, False])
def test_a_fork_has_the_constants_of_one_side(kept):
    """Cone error and axes out of square act on it all the time: left out they moved azimuth by 8 sd."""
    made = make(Crooked(9, sides=False, kept=kept, nights=80))
    nights = nights_of(made)
    off, sd = errors(made, nights)
    assert LEAST_RATIO < np.sqrt(np.mean((off / sd) ** 2)) < MOST_RATIO
    assert np.all(np.abs(np.mean(off, axis=0)) < 3.0)
    (fork,) = nights.instruments
    assert np.isnan(fork.values[2])  # an offset between sides that it has not
    assert np.all(np.abs(fork.values[:2] - made.case.constants[:2]) < 4.0 * fork.sds[:2])


@pytest.mark.parametrize("dec", [(20.0, 24.0), (-10.0, -6.0)])
def test_a_small_patch_of_sky_leaves_all_nights_wrong_together_and_says_so(dec):
    """Four by eight degrees: constants and axis can't be told apart, tens of arcsec on every night."""
    found, shared = [], []
    for seed in range(COMMON_WORLDS):
        rng = np.random.default_rng(1000 + seed)
        constants, axis = rng.normal(0.0, [60.0, 40.0, 40.0, 12.0]), rng.normal(0.0, 150.0, 2)
        made = make(
            Crooked(
                seed, pattern=((20.0, 28.0), dec), nights=34, axis=tuple(axis), constants=tuple(constants)
            )
        )
        nights = nights_of(made).nights
        off = np.array([n.working[:2] for n in nights]) - axis
        own = np.array([n.own_covariance[:2, :2] for n in nights])
        common = np.median([n.covariance[:2, :2] - n.own_covariance[:2, :2] for n in nights], axis=0)
        weights = np.linalg.inv(own)
        mean_cov = np.linalg.inv(weights.sum(axis=0))
        mean = mean_cov @ np.einsum("nij,nj->i", weights, off)
        found.append(mean / np.sqrt(np.diagonal(common + mean_cov)))
        shared.append(np.sqrt(np.diagonal(common)))
    assert np.sqrt(np.mean(np.square(found))) < MOST_COMMON
    assert np.all(np.median(shared, axis=0) > 5.0)  # an ordinary sky leaves some 0.6


@pytest.mark.parametrize("latitude", [46.0, -35.0])
@pytest.mark.parametrize("left", [0.0, 5.0])
def test_a_mount_with_a_model_of_its_own_and_no_sweep_hides_its_axis(latitude, left):
    case = Crooked(18, latitude_deg=latitude, modelled=True, model_left=left, axis=(480.0, 300.0))
    analysis = work_out(make(case).site(), make(case).readings)
    assert not any(night.has_axis for night in analysis.nights.nights)
    assert all(np.isnan(night.estimate[:2]).all() for night in analysis.nights.nights)
    assert {night.axis_reason for night in analysis.nights.nights} == {AxisReason.REPORTS_ALTERED}
    assert np.isnan(analysis.history.axis_now).all()
    assert [n.code for n in analysis.nights.notices] == [NightCode.REPORTS_LOOK_ALTERED]
    assert np.isfinite(analysis.history.change).all()  # how it changes is known
    first = analysis.advice.actions[0]
    assert first.do is Do.MEASURE and first.notice.code is AdviceCode.TAKE_SWEEP


@pytest.mark.parametrize(("seed", "wrong"), [(5, 0.25), (6, 0.35)])
def test_a_quarter_of_wrong_solves_and_more_neither_move_the_axis_nor_pass_for_another_frame(seed, wrong):
    made = make(Crooked(seed, nights=40, wrong=wrong))
    nights = nights_of(made, "raw")
    assert not nights.notices
    known = [night for night in nights.nights if night.has_axis]
    assert len(known) >= 0.8 * 40
    off = np.array(
        [(n.estimate[:2] - np.array([150.0, -90.0])) / np.sqrt(np.diagonal(n.covariance)[:2]) for n in known]
    )
    assert np.sqrt(np.mean(off**2)) < MOST_COMMON
    assert np.max(np.abs(off)) < 5.0


@pytest.mark.parametrize(("seed", "left"), [(20, 15.0), (19, 22.0), (20, 22.0), (19, 30.0), (19, 60.0)])
def test_an_axis_that_a_model_may_hide_is_known_as_well_as_that_allows(seed, left):
    """What the model leaves is as much as a careful owner leaves; so it may be either, and the sd says so."""
    case = Crooked(seed, modelled=True, model_left=left, axis=(480.0, 300.0), nights=20)
    nights = nights_of(make(case), "unknown")
    (notice,) = nights.notices
    assert notice.code in (NightCode.AXIS_RESTS_ON_RAW_REPORTS, NightCode.REPORTS_LOOK_ALTERED)
    for night in nights.nights:
        off = (night.working[:2] - np.array(case.axis)) / np.sqrt(np.diagonal(night.covariance)[:2])
        assert np.all(np.abs(off) < 3.0)  # by its scatter alone it was some hundred sd off
        own = np.sqrt(np.diagonal(night.own_covariance)[:2])
        assert np.all(own < 10.0)  # how it changes is known as well as ever


@pytest.mark.parametrize("latitude", [46.0, -35.0])
@pytest.mark.parametrize("seed", [20, 21, 22])
def test_an_ordinary_raw_mount_keeps_its_axis(latitude, seed):
    rng = np.random.default_rng(seed)
    made = make(
        Crooked(
            seed,
            latitude_deg=latitude,
            axis=tuple(rng.normal(0.0, 100.0, 2)),
            constants=tuple(rng.normal(0.0, [40.0, 35.0, 40.0, 12.0])),
        )
    )
    nights = nights_of(made, "unknown")
    assert all(night.has_axis for night in nights.nights)
    assert not {n.code for n in nights.notices} - {NightCode.AXIS_RESTS_ON_RAW_REPORTS}


def test_the_site_file_has_the_last_word_that_reports_are_raw():
    nights = nights_of(make(Crooked(18, axis=(4.0, 3.0))), "raw")
    assert all(night.has_axis for night in nights.nights) and not nights.notices


@pytest.mark.parametrize(("few", "worst"), [({"sweeps": 30}, 15.0), ({"runs": 30}, 400.0)])
def test_two_sweeps_or_runs_bring_the_axis_back_as_well_as_they_know_it(few, worst):
    made = make(Crooked(18, modelled=True, axis=(480.0, 300.0), nights=50, **few))
    nights = nights_of(made, "unknown")
    off, sd = errors(made, nights)
    assert NightCode.AXIS_BY_FEW_SWEEPS in {n.code for n in nights.notices}
    assert np.all(np.abs(off) < 3.5 * sd) and np.all(sd < worst)


@pytest.mark.parametrize("latitude", [46.0, -35.0])
@pytest.mark.parametrize("kept", [True, False])
def test_mount_places_of_j2000_are_noticed_and_taken_as_such(kept, latitude):
    """Taken for places of date they move the axis by minutes of arc, another way each night."""
    made = make(Crooked(19, j2000=True, kept=kept, latitude_deg=latitude))
    nights = nights_of(made)
    (notice,) = nights.notices
    assert notice.code is NightCode.MOUNT_PLACES_J2000
    assert notice.values["scatter_as_taken_arcsec"] < 6.0 < 9.0 < notice.values["scatter_arcsec"]
    off, sd = errors(made, nights)
    assert np.sqrt(np.mean(off**2)) < 12.0  # 400 as places of date
    assert np.sqrt(np.mean((off / sd) ** 2)) < MOST_RATIO


def test_few_solves_of_a_good_mount_tell_j2000_too():
    """Seven solves on a night leave little over; together they tell all the same."""
    case = {"solves": 7, "mount_noise": 6.0, "nights": 150, "years": 3.0, "lowest_deg": 30.0}
    nights = nights_of(make(Crooked(20, j2000=True, kept=False, **case)))
    assert NightCode.MOUNT_PLACES_J2000 in {notice.code for notice in nights.notices}


@pytest.mark.parametrize("j2000", [False, True])
def test_a_mount_that_scatters_by_a_third_of_an_arcminute_shows_j2000_by_its_axis(j2000):
    """Its scatter hides what precession does within a night, not that the axis would jump between nights."""
    nights = nights_of(make(Crooked(40, j2000=j2000, kept=False, mount_noise=20.0, nights=80)))
    told = [notice for notice in nights.notices if notice.code is NightCode.MOUNT_PLACES_J2000]
    assert len(told) == j2000


@pytest.mark.parametrize("j2000", [False, True])
def test_places_without_refraction_are_noticed_and_taken_as_such(j2000):
    """Taken for where the axes stand they leave refraction itself in the nights."""
    made = make(Crooked(22, airless=True, j2000=j2000, lowest_deg=15.0))
    nights = nights_of(made)
    code = NightCode.MOUNT_PLACES_J2000 if j2000 else NightCode.MOUNT_PLACES_WITHOUT_AIR
    assert code in {notice.code for notice in nights.notices}
    off, sd = errors(made, nights)
    assert np.sqrt(np.mean(off**2)) < 12.0
    assert np.sqrt(np.mean((off / sd) ** 2)) < MOST_RATIO


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_mount_places_of_date_stay_so(seed):
    made = make(Crooked(seed, kept=seed == 2, solves=6, nights=20, mount_noise=15.0, mirror=20.0))
    assert not nights_of(made).notices


CLOCKS = {
    "an hour ahead": {"clock_h": (1.0, 0.6, 1.0)},
    "an hour behind, synced, south": {"clock_h": (-1.0, 0.6, 0.9), "kept": False, "latitude_deg": -35.0},
    "the mount goes by it too": {"clock_h": (1.0, 0.6, 1.0), "mount_clock": True},
    "the whole log": {"clock_h": (1.0, 0.0, 1.0)},
    "the whole log by local time, two hours ahead": {"clock_h": (2.0, 0.0, 1.0), "nights": 120},
    "the whole log five hours ahead, synced": {"clock_h": (5.0, 0.0, 1.0), "kept": False},
    "three hours behind for a while, south": {"clock_h": (-3.0, 0.4, 0.9), "latitude_deg": -35.0},
    "high solves near the pole": {"clock_h": (1.0, 0.7, 1.0), "lowest_deg": 45.0, "axis": (10.0, -8.0)},
}


@pytest.mark.parametrize("name", CLOCKS)
def test_a_clock_an_hour_wrong_is_told_and_put_right(name):
    """Refraction, tube sides and the zero tell; left alone the axis turns by 15 degrees about the pole."""
    made = make(Crooked(21, **CLOCKS[name]))
    nights = nights_of(made)
    by_day = {night.start_us: night.clock_hours for night in nights.nights}
    split = split_nights(made.where[1], made.readings["corrections"])
    true = {}
    for us in made.readings["solves"]["time_us"]:
        day = int(split.day(np.array([us]))[0])
        near = next(made.nights[d] for d in (day, day - 1, day + 1) if d in made.nights)
        true[split.bounds(int(us))[0]] = int(near["clock_h"])
    assert np.mean([by_day[start] == hours for start, hours in true.items()]) > 0.93
    assert {notice.code for notice in nights.notices} == {NightCode.CLOCK_OFF_BY_HOURS}
    assert {notice.values["hours"] for notice in nights.notices} == {CLOCKS[name]["clock_h"][0]}
    assert sum(notice.values["nights"] for notice in nights.notices) == np.count_nonzero(
        list(by_day.values())
    )
    assert LEAST_RATIO < ratio(made, nights) < MOST_RATIO


@pytest.mark.parametrize("seed", [41, 46])
def test_the_first_and_the_last_night_of_a_wrong_clock_are_found_by_the_axis(seed):
    """High solves: refraction tells the clock over many nights, and poorly on which of them it changed."""
    made = make(Crooked(seed, clock_h=(1.0, 0.5, 0.8), lowest_deg=38.0, solves=8, axis=(60.0, -60.0)))
    wrong = [made.nights[day]["clock_h"] for day in sorted(made.nights)]
    assert [night.clock_hours for night in nights_of(made).nights] == wrong


@pytest.mark.parametrize("seed", range(4))
def test_a_right_clock_is_left_alone(seed):
    case = {"mirror": 20.0, "mount_noise": 10.0, "solves": 7, "air_logged": seed % 2 == 0}
    made = make(Crooked(seed, kept=seed < 2, latitude_deg=(50.0, -30.0)[seed % 2], nights=80, **case))
    nights = nights_of(made)
    assert not nights.notices
    assert all(night.clock_hours == 0 for night in nights.nights)


def test_a_kept_zero_an_hour_off_on_one_night_is_the_clock():
    """15.04 degrees, to the arcminute: no lost zero lies there by accident."""
    made = make(Crooked(27, clock_h=(-1.0, 0.5, 0.51), mount_clock=True))
    nights = nights_of(made)
    assert [night.clock_hours for night in nights.nights if night.clock_hours] == [-1]
    zeros = np.array([night.estimate[2] for night in nights.nights])
    assert np.max(np.abs(zeros - np.median(zeros))) < 60.0  # the zero is where it always was


#: A fork that is synced and sees the zenith only: neither refraction nor sides nor zeros tell of the clock.
BLIND = {"kept": False, "sides": False, "lowest_deg": 60.0, "solves": 6}


def summer_time_of(made, *parts):
    """The instants at which summer time begins and ends, as parts of the nights."""
    days = sorted(made.nights)
    return np.array([days[int(np.ceil(part * len(days)))] * DAY_US for part in parts])


def clocks_told(nights):
    return [notice for notice in nights.notices if notice.code == NightCode.CLOCK_OFF_BY_HOURS]


@pytest.mark.parametrize("hours", [1.0, -1.0])
def test_an_axis_that_turns_about_the_pole_with_summer_time_is_the_clock(hours):
    made = make(Crooked(31, clock_h=(hours, 0.4, 0.8), **BLIND))
    assert not clocks_told(nights_of(made))  # by themselves the nights can't tell
    nights = nights_of(made, clock_changes_us=summer_time_of(made, 0.4, 0.8))
    wrong = np.array([made.nights[day]["clock_h"] for day in sorted(made.nights)])
    assert np.array_equal([night.clock_hours for night in nights.nights], wrong)
    (told,) = clocks_told(nights)
    assert told.values["hours"] == hours


@pytest.mark.parametrize("step", [(60.0, -40.0), (0.0, -80.0), (20.0, 0.0)])
def test_a_knock_on_the_day_of_summer_time_is_no_clock(step):
    made = make(Crooked(41, step=(0.4, *step), **BLIND))
    nights = nights_of(made, clock_changes_us=summer_time_of(made, 0.4, 0.8))
    assert not clocks_told(nights)
    true = [made.truth[day] for day in sorted(made.truth)]
    off = np.array([night.working[:2] for night in nights.nights]) - true
    assert np.sqrt(np.mean(off**2)) < 15.0  # six solves overhead: some ten arcsec a night


@pytest.mark.parametrize(
    ("az_arcmin", "alt_arcmin", "code"),
    [
        (2.4, -1.4, None),  # 150" and -90" are 2.5' and -1.5'
        (150.0, -90.0, NightCode.TYPED_IN_ARCSEC),
        (-40.0, 25.0, NightCode.TYPED_DISAGREES),
    ],
)
def test_an_axis_error_typed_beside_solves_is_judged_by_them(az_arcmin, alt_arcmin, code):
    made = make(Crooked(5, nights=12))
    solves = made.readings.tables["solves"]
    time_us = int(solves["time_us"].iloc[55]) + 60_000_000
    typed = empty_table("alignments")
    typed.loc[0] = [999_999, time_us, az_arcmin, alt_arcmin, np.nan]
    typed = typed.astype({"row_id": np.int64, "time_us": np.int64})
    readings = as_readings({**made.readings.tables, "alignments": typed})
    nights = nights_of(replace(made, readings=readings), "raw")
    found = [one for one in nights.set_aside if one.kind == "alignments"]
    assert [one.reason.code for one in found] == ([] if code is None else [code])
    without = nights_of(made, "raw")
    for night, other in zip(nights.nights, without.nights, strict=True):
        sd = np.sqrt(np.diagonal(other.covariance)[:2])
        assert np.all(np.abs(night.estimate[:2] - other.estimate[:2]) < 1.5 * sd)
