"""Instruments that bend with the hour angle: what a bend does to the readings, and that it is found."""

from dataclasses import replace

import numpy as np
import pytest
from night_world import UNSPLIT, pointed_nights

from drift.mount.instrument import hour_angle_and_dec
from drift.night.bending import BENDS, Bending, bend_columns, bends_of, straightened
from drift.night.estimate import doubtful_bends, estimate_nights
from drift.night.observations import assemble
from drift.notices import NightCode
from drift.quantities import ARCSEC_PER_RAD
from drift.types import InstrumentChange, as_readings

PHI = np.radians(46.0)


def test_bends_at_six_hours_and_on_the_meridian():
    """West on the equator sin H is 1 and cos 2H is -1; on the meridian at 90 degrees cos D is 0."""
    columns = bend_columns(np.radians([90.0, 0.0]), np.radians([0.0, 90.0]), np.array([1.0, -1.0]))
    dec_west, across_west = [1, 0, 0, -1, 1, 0], [1, 0, 0, 0, 1, 0]
    dec_pole, across_pole = [0, 1, 0, 1, 0, -1], [0, 0, 0, 1, 0, 0]
    zeros = [0] * 6
    assert columns[0] == pytest.approx(np.array([zeros + across_west, dec_west + zeros]), abs=1e-12)
    assert columns[1] == pytest.approx(np.array([zeros + across_pole, dec_pole + zeros]), abs=1e-12)


def bent_nights(sin_h_dec_arcsec, sin_h_ra_arcsec, count=24):
    solves, directions = pointed_nights(PHI, [0] * count, 3.0)
    ha, _ = hour_angle_and_dec(directions["solves"].enu, PHI)
    solves["mount_dec_deg"] += sin_h_dec_arcsec / 3600.0 * np.sin(ha)
    solves["mount_ra_deg"] -= sin_h_ra_arcsec / 3600.0 * np.sin(ha)
    return solves, directions


def test_what_is_taken_off_is_what_was_put_on():
    """20" sin H in declination and 10" sin H in hour angle: the mount then reads as one that is stiff."""
    solves, directions = bent_nights(20.0, 10.0, 2)
    stiff, _ = bent_nights(0.0, 0.0, 2)
    side = np.where(solves["tube_side"] == "east", 1.0, -1.0)
    bent, straight = (
        assemble(PHI, UNSPLIT, as_readings({"solves": table}), directions, "kept", side).sightings
        for table in (solves, stiff)
    )
    values = np.zeros(BENDS)
    values[[0, 6]] = 20.0, 10.0
    era = np.zeros(bent.size, dtype=np.int64)
    freed = straightened(bent, era, values)
    assert freed.mech_dec_rad == pytest.approx(straight.mech_dec_rad, abs=1e-6 / ARCSEC_PER_RAD)
    turned = np.angle(np.exp(1j * (freed.mech_ha_rad - straight.mech_ha_rad)))
    assert turned == pytest.approx(np.zeros(bent.size), abs=1e-6 / ARCSEC_PER_RAD)
    size = bends_of(replace(bent, side=np.zeros(bent.size)), era, values)
    assert size[:, 1] == pytest.approx(20.0 * np.sin(bent.ha))
    assert size[:, 0] == pytest.approx(10.0 * np.sin(bent.ha) * np.cos(bent.dec))


@pytest.mark.parametrize(("dec", "ra", "told"), [(25.0, 30.0, True), (0.0, 0.0, False)])
def test_an_axis_at_the_pole_is_found_there_by_a_tube_that_bends(dec, ra, told):
    """25" sin H in declination alone would pass for an azimuth error of 36"."""
    solves, directions = bent_nights(dec, ra)
    nights = estimate_nights(PHI, UNSPLIT, as_readings({"solves": solves}), directions, "kept")
    assert (NightCode.INSTRUMENT_BENDS in {one.code for one in nights.notices}) is told
    known = nights.instruments[-1].bends
    assert (known is not None) is told
    if known is not None:  # tonight's solves are freed of it by this
        ha, place = hour_angle_and_dec(directions["solves"].enu, PHI)
        bent = bend_columns(ha, place, np.where(ha > 0.0, 1.0, -1.0)) @ known
        true = np.column_stack([ra * np.sin(ha) * np.cos(place), dec * np.sin(ha)])
        # the axis, the zeros and what sides differ by take up a part of it
        assert np.all(np.std(bent - true, axis=0) < 0.9 * np.std(true, axis=0))
    axes = np.array([night.estimate[:2] for night in nights.nights])
    sds = np.sqrt([np.diagonal(night.covariance)[:2] for night in nights.nights])
    assert np.all(np.abs(axes.mean(axis=0)) < 3.0 * sds.mean(axis=0))
    assert np.all(sds.mean(axis=0) < (20.0 if told else 6.0))


def worn_nights(share_of_night, dec_arcsec, ra_arcsec, count=40):
    """Return nights of a tube that bends by so much sin H, each night by a share of that."""
    bent, directions = bent_nights(dec_arcsec, ra_arcsec, count)
    stiff, _ = bent_nights(0.0, 0.0, count)
    share = np.repeat(share_of_night(np.arange(count)), len(stiff) // count)
    for name in ("mount_ra_deg", "mount_dec_deg"):
        stiff[name] += share * (bent[name] - stiff[name])
    return estimate_nights(PHI, UNSPLIT, as_readings({"solves": stiff}), directions, "kept")


def test_bends_that_end_one_day_are_found_and_the_axis_did_not_move():
    """Stiff from the 23rd of 40 nights on: the axis stays at the pole on both sides of it."""
    nights = worn_nights(lambda night: night < 22, 15.0, -15.0)
    (change,) = nights.instrument_changes
    assert change.bends
    assert change.after_us < nights.nights[22].time_us
    assert change.before_us >= nights.nights[21].time_us
    assert change.after_us < change.from_us <= change.before_us
    assert NightCode.BENDS_CHANGED in {one.code for one in nights.notices}
    axes = np.array([night.estimate[:2] for night in nights.nights])
    sds = np.sqrt([np.diagonal(night.covariance)[:2] for night in nights.nights])
    moved = axes[22:].mean(axis=0) - axes[:22].mean(axis=0)
    assert np.all(np.abs(moved) < 2.0 * np.hypot(sds[:22].mean(axis=0), sds[22:].mean(axis=0)))


def test_bends_that_stay_or_go_with_the_season_did_not_change_one_day():
    """All 40 nights, ten days apart, bend alike; or by a half more in one half of the year."""
    for share in (np.ones_like, lambda night: 1.0 + 0.5 * np.cos(2.0 * np.pi * night / 36.5)):
        assert not worn_nights(share, 25.0, 30.0).instrument_changes


def test_a_night_that_may_be_on_either_side_of_a_change_is_less_certain_by_half_of_it():
    """20" on an azimuth that moves by half of the bend: 10" between the two sides, and 5" more of sd."""
    pull = np.zeros((1, 2, 2 * BENDS))
    pull[0, 0, 0] = pull[0, 0, BENDS] = 0.5
    values = np.zeros(2 * BENDS)
    values[0] = 20.0
    bent = Bending(values, np.zeros((2 * BENDS, 2 * BENDS)), 1.0, pull, np.zeros((0, 2 * BENDS)))
    same = (0.0,) * 4
    change = InstrumentChange(
        after_us=0, from_us=5, before_us=9, old=same, new=same, log_odds=50.0, bends=True
    )
    one = np.array([0])
    for time_us, era, sd in ((4, 0, 5.0), (6, 1, 5.0), (9, 1, 0.0), (0, 0, 0.0)):
        cov = doubtful_bends(bent, one - 1, one + era, one + time_us, (change,))
        assert cov[0, 0, 0] == pytest.approx(sd**2)
        assert np.count_nonzero(cov) == (sd > 0.0)
