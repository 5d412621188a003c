"""Places of the mount that hide its axis: logged after a sync on the solve, or beside a sweep that tells."""

import numpy as np
import pandas as pd
import pytest
from night_world import FIRST_US, UNSPLIT, pointed_nights

from drift.codes import Source
from drift.mount.instrument import axis_basis, first_order, hour_angle_and_dec
from drift.night.altered_reports import echoes
from drift.night.estimate import estimate_nights
from drift.night.observations import Directions
from drift.notices import NightCode
from drift.quantities import ARCSEC_PER_RAD, DAY_US
from drift.types import READING_COLUMNS, as_readings

PHI = np.radians(46.0)
NIGHTS = 12


def echoed(noise_arcsec=1.5, above_arcsec=0.0, rows=slice(None)):
    """Return which solves of twelve nights are taken for the mount's, that many arcsec above them."""
    solves, directions = pointed_nights(PHI, [0] * NIGHTS, noise_arcsec)
    solves["mount_dec_deg"] += (above_arcsec - 180.0) / 3600.0  # the maker's own zero is 180"
    pick = np.arange(len(solves)).reshape(NIGHTS, -1)[:, rows].reshape(-1)
    some = solves.iloc[pick].reset_index(drop=True)
    day = (some["time_us"].to_numpy() - FIRST_US) // DAY_US
    return echoes(some, directions["solves"].picked(pick), day, PHI)


def test_places_as_good_as_the_solves_all_over_the_sky_are_the_solves_own():
    assert echoed().all()


@pytest.mark.parametrize(
    "of", [{"noise_arcsec": 6.0}, {"above_arcsec": 20.0}, {"rows": slice(0, 1)}, {"rows": slice(0, 2)}]
)
def test_a_mount_that_scatters_or_has_a_zero_or_looked_at_few_places_has_places_of_its_own(of):
    assert not echoed(**of).any()


def test_a_raw_mount_that_stands_within_arcseconds_of_the_pole_shows_that():
    """An axis 4" east and 3" low, with 1" of noise: as near to the solves as echoes, but with a pattern."""
    solves, directions = pointed_nights(PHI, [0] * NIGHTS, 1.0)
    ha, dec = hour_angle_and_dec(directions["solves"].enu, PHI)
    turned = first_order(ha, dec, np.ones(ha.size), PHI)[:, :, 2:4] @ np.array([4.0, -3.0])
    solves["mount_ra_deg"] -= turned[:, 0] / np.cos(dec) / 3600.0
    solves["mount_dec_deg"] += turned[:, 1] / 3600.0 - 0.05
    day = (solves["time_us"].to_numpy() - FIRST_US) // DAY_US
    assert not echoes(solves, directions["solves"], day, PHI).any()


def test_single_solves_after_a_sync_are_told_among_raw_ones():
    """Every third solve of a mount whose zero is off by 180" was logged after the sync."""
    solves, directions = pointed_nights(PHI, [0] * NIGHTS, 1.0)
    synced = np.arange(len(solves)) % 3 == 0
    solves.loc[synced, "mount_dec_deg"] -= 0.05
    day = (solves["time_us"].to_numpy() - FIRST_US) // DAY_US
    assert echoes(solves, directions["solves"], day, PHI).tolist() == synced.tolist()


def test_the_first_solve_of_a_night_that_the_mount_was_synced_on_stays():
    solves, directions = pointed_nights(PHI, [0] * NIGHTS, 1.0)
    solves.loc[np.arange(len(solves)) % 8 == 0, "mount_dec_deg"] -= 0.05
    day = (solves["time_us"].to_numpy() - FIRST_US) // DAY_US
    assert not echoes(solves, directions["solves"], day, PHI).any()


def test_nights_of_the_solves_own_places_say_nothing_and_the_others_stay():
    """Twelve nights, of which the last seven were logged after the sync."""
    solves, directions = pointed_nights(PHI, [0] * NIGHTS, 1.5)
    late = np.arange(len(solves)) >= 8 * 5
    solves.loc[late, "mount_dec_deg"] -= 0.05
    nights = estimate_nights(PHI, UNSPLIT, as_readings({"solves": solves}), directions, "kept")
    assert len(nights.nights) == 5
    assert {one.reason.code for one in nights.set_aside} == {NightCode.ECHOES_SOLVE}
    assert sorted(one.row_id for one in nights.set_aside) == np.flatnonzero(late).tolist()
    modelled = estimate_nights(
        PHI, UNSPLIT, as_readings({"solves": solves}), directions, "kept", reports="modelled"
    )
    assert len(modelled.nights) == NIGHTS  # a model inside the mount may be as good
    (told,) = (one for one in nights.notices if one.code is NightCode.MOUNT_ECHOES_SOLVES)
    assert (told.values["nights"], told.values["solves"], told.values["of_solves"]) == (7, 56, 96)


def swept(az_arcsec, alt_arcsec, count=6):
    """Return sweeps of six solves on the first four nights, about an axis off the pole."""
    meridian, east, pole = (
        one[0]
        for one in axis_basis(
            PHI, np.array([az_arcsec / ARCSEC_PER_RAD]), np.array([alt_arcsec / ARCSEC_PER_RAD])
        )
    )
    turn, dec = np.radians(np.linspace(-50.0, 50.0, count)), np.radians(20.0)
    enu = np.cos(dec) * (np.outer(np.cos(turn), meridian) - np.outer(np.sin(turn), east)) + np.sin(dec) * pole
    nights = np.repeat(np.arange(4), count)
    noise = np.random.default_rng(3).normal(0.0, 1.0 / ARCSEC_PER_RAD, (nights.size, 3))
    table = pd.DataFrame(
        {
            "row_id": 1000 + np.arange(nights.size),
            "time_us": FIRST_US
            + 10 * DAY_US * nights
            + 7_200_000_000
            + np.tile(np.arange(count), 4) * 60_000_000,
            "ra_deg": 0.0,
            "dec_deg": 20.0,
            "sweep": [f"s{night}" for night in nights],
        }
    ).reindex(columns=list(READING_COLUMNS["sweeps"]))
    return table, Directions(np.tile(enu, (4, 1)) + noise, np.zeros(nights.size))


@pytest.mark.parametrize(("az", "alt"), [(300.0, -200.0), (0.0, 0.0)])
def test_a_sweep_beside_solves_that_see_another_axis_is_a_night_of_its_own(az, alt):
    """The solves are of an axis at the pole; the sweeps of the same nights of one 300" east and 200" low."""
    solves, directions = pointed_nights(PHI, [0] * NIGHTS)
    sweeps, seen = swept(az, alt)
    readings = as_readings({"solves": solves, "sweeps": sweeps})
    nights = estimate_nights(PHI, UNSPLIT, readings, {**directions, "sweeps": seen}, "kept").nights
    both = az != 0.0
    assert len(nights) == NIGHTS + 4 * both
    assert sum(one.sources == (Source.SWEEP,) for one in nights) == 4 * both
    assert [one.time_us for one in nights] == sorted(one.time_us for one in nights)
    for night in nights:
        wanted = np.array([az, alt]) if Source.SWEEP in night.sources else np.zeros(2)
        assert np.all(np.abs(night.estimate[:2] - wanted) < 4.0 * np.sqrt(np.diagonal(night.covariance)[:2]))


@pytest.mark.parametrize("on_one_side", [False, True])
def test_a_mount_without_tube_sides_is_put_together_in_the_same_way(on_one_side):
    """Sides are guessed, or the tube of a fork stays on one: what sweeps see stands apart either way."""
    solves, directions = pointed_nights(PHI, [0] * NIGHTS)
    solves["tube_side"] = ""
    if on_one_side:  # a cone error of 200 arcsec that never changes its sign
        _, dec = hour_angle_and_dec(directions["solves"].enu, PHI)
        solves["mount_ra_deg"] -= 200.0 / 3600.0 / np.cos(dec)
    sweeps, seen = swept(300.0, -200.0)
    readings = as_readings({"solves": solves, "sweeps": sweeps})
    nights = estimate_nights(PHI, UNSPLIT, readings, {**directions, "sweeps": seen}, "kept")
    assert (NightCode.TUBE_SIDE_LEFT_OUT in {one.code for one in nights.notices}) is on_one_side
    apart = [night for night in nights.nights if night.sources == (Source.SWEEP,)]
    assert len(apart) == 4
    for night in apart:
        off = np.abs(night.estimate[:2] - (300.0, -200.0))
        assert np.all(off < 4.0 * np.sqrt(np.diagonal(night.covariance)[:2]))


def test_typed_axis_errors_are_judged_by_the_sweeps_where_the_solves_see_another_axis():
    """An alignment aid agrees with the sweeps of the first four nights; the solves would call it wild."""
    solves, directions = pointed_nights(PHI, [0] * NIGHTS)
    sweeps, seen = swept(300.0, -200.0)
    typed = pd.DataFrame(
        {
            "row_id": [2000, 2001],
            "time_us": FIRST_US + 10 * DAY_US * np.array([0, 1]) + 10_000_000_000,
            "az_error_arcmin": [300.0 / 60.0, -12.0],
            "alt_error_arcmin": [-200.0 / 60.0, 9.0],
            "sigma_arcmin": [0.2, 0.2],
        }
    ).reindex(columns=list(READING_COLUMNS["alignments"]))
    readings = as_readings({"solves": solves, "sweeps": sweeps, "alignments": typed})
    nights = estimate_nights(PHI, UNSPLIT, readings, {**directions, "sweeps": seen}, "kept")
    assert [one.row_id for one in nights.set_aside if one.kind == "alignments"] == [2001]
    assert [Source.TYPED in night.sources for night in nights.nights].count(True) == 1
