"""What must not change, and what must, when the whole chain is given the same nights in another guise.

Readings come from the invented observatory (`drift.demo`), which shares nothing
with the estimators; each test changes the readings in a way whose effect on the
answer is known beforehand.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import erfa
import numpy as np
import pandas as pd
import pytest

from drift.analysis import work_out
from drift.demo import sessions
from drift.demo.files import World, site_values
from drift.demo.files import make as make_world
from drift.demo.instrument import Constants, earth_turning
from drift.demo.motion import noon_us
from drift.demo.scenario import InventedCorrection, InventedStep, Scenario, family
from drift.history.changes import Plate
from drift.history.inputs import Inputs
from drift.history.separate import separate
from drift.night.directions import see
from drift.night.estimate import estimate_nights
from drift.night.observations import Directions
from drift.night.prepared import split_nights
from drift.notices import NightCode
from drift.readings import Readings, as_readings
from drift.site.file import PierFile, pier_from_mapping
from drift.types import Analysis, History, Nights

ARCSEC = np.pi / 648000.0
#: Kept here, because a test puts another in its place.
ORDINARY_TARGETS = sessions.random_targets
#: The sidereal day's turning against the mean Sun: degrees an hour of universal time (IAU 1982, from memory).
SIDEREAL_DEG_PER_HOUR = 15.0 * 1.00273790935
HEMISPHERES = (47.0, -41.0)
TILT_NORTH, TILT_EAST, MOUNT_AZ, MOUNT_ALT = 0, 1, 4, 5
COMPONENTS = [TILT_NORTH, TILT_EAST, MOUNT_AZ, MOUNT_ALT]
#: No error is larger than this many of its own stated sds: of 250 Gaussian ones the largest is 3 to 4.
MOST_SDS = 5.0
#: A hundred errors over their sds scatter by 7 % themselves; three tenths off is wrong.  These mounts are
#: stiff, which their sds don't take for certain: they may be the wider by a tenth for it.
LEAST_RATIO, MOST_RATIO = 0.7, 1.3


def invented(name: str, seed: int, latitude_deg: float, **changes: object) -> World:
    """Make some 50 nights in 10 months of a family, at a longitude in the middle of a time zone."""
    given = {"years": 0.85, "nights_a_year": 60.0, "longitude_deg": 20.0, **changes}
    return make_world(family(name, seed, latitude_deg=latitude_deg, **given))


def site_of(scenario: Scenario, **changes: float) -> PierFile:
    values = site_values(scenario)
    return pier_from_mapping({**values, "site": {**values["site"], **changes}})


#: A solve that is set aside by a hair's breadth may be used when all places move by a hair's breadth, and its
#: night then by a part of its sd: tests of such small changes are made on logs without wrong solves.
NONE_WRONG = {"wrong_solve_chance": 0.0}


def answered(world: World, **tables: pd.DataFrame) -> Analysis:
    """Answer a world's readings, some tables of them replaced."""
    return work_out(site_of(world.scenario), as_readings({**world.readings().tables, **tables}))


def axes_of(nights: Nights) -> tuple[np.ndarray, np.ndarray]:
    """Return azimuth error, altitude error and zero of all nights and their sds, (n, 3) each."""
    estimate = np.array([night.estimate for night in nights.nights])
    return estimate, np.array([np.sqrt(np.diagonal(night.covariance)) for night in nights.nights])


def nights_alone(world: World, solves: pd.DataFrame | None = None, wrong_latitude_deg: float = 0.0) -> Nights:
    """Answer for the nights only, without the history, from pointing solves."""
    latitude = world.scenario.latitude_deg + wrong_latitude_deg
    scenario = replace(world.scenario, latitude_deg=latitude)
    readings = as_readings({"solves": world.readings()["solves"] if solves is None else solves})
    split = split_nights(scenario.longitude_deg, readings["corrections"])
    seen = see(scenario.site, split, readings)
    phi = float(np.radians(scenario.latitude_deg))
    return estimate_nights(phi, split, readings, seen.directions, scenario.zero)


def scatter_of(nights: Nights) -> float:
    """Return the on-sky scatter of one good solve [arcsec]."""
    (instrument,) = nights.instruments
    return instrument.noise_arcsec


# Turning the site by longitude and time together


#: How long the clocks of the turned site are behind [h]; thirty degrees of longitude.
TURNED_H = 2.0
#: What turning may change beyond polar motion [arcsec]: stars move by aberration by up to 0.35 arcsec a day
#: (20.5 times 2 pi / 365) and by precession by 0.14, together 0.5; in 2 hours that is 0.04.
TURNED_ARCSEC = 0.05
#: The same for the history: polar motion (0.3 arcsec, seen from 30 degrees further on) is left
#: in, and the scales come from an optimiser that stops early.
TURNED_HISTORY_ARCSEC = 0.25


def polar_motion(world: World, longitude_deg: float) -> np.ndarray:
    """Return az_error and alt_error of an axis on the rotation pole, (n, 2) [arcsec].

    They are told against the Earth-fixed pole.  The rotation pole is in the direction (x, -y, 1) of the
    Earth-fixed frame (IERS Conventions 2010, section 5.4.1).
    """
    days = world.truth.nights["pointing"].time_us / 86.4e9 + 40587.0
    turning = earth_turning(days, np.full(days.size, 37.0))
    lon, phi = np.radians(longitude_deg), np.radians(world.scenario.latitude_deg)
    east = -turning.pole_x_rad * np.sin(lon) - turning.pole_y_rad * np.cos(lon)
    up = np.sign(phi) * (turning.pole_x_rad * np.cos(lon) - turning.pole_y_rad * np.sin(lon))
    return np.stack([east / np.cos(phi), up], axis=1) / ARCSEC


def shifted(readings: Readings, hours: float) -> Readings:
    """Let everything have happened later; the mount's own coordinates go along unchanged."""
    tables = dict(readings.tables)
    for kind, table in tables.items():
        if kind != "weather":
            tables[kind] = table.assign(time_us=table["time_us"] + round(hours * 3.6e9))
    return as_readings(tables)


@pytest.mark.parametrize(("latitude", "hours"), [(47.0, TURNED_H), (-41.0, -TURNED_H)])
def test_turning_by_longitude_and_time_together_changes_nothing(latitude, hours):
    """The sidereal time stays, so the same stars stand in the same places over the turned site."""
    world = invented("heave", 11, latitude, **NONE_WRONG)
    scenario = world.scenario
    turned_deg = scenario.longitude_deg - hours * SIDEREAL_DEG_PER_HOUR
    here = work_out(site_of(scenario), world.readings())
    there = work_out(site_of(scenario, longitude_deg=turned_deg), shifted(world.readings(), hours))
    apart = axes_of(there.nights)[0] - axes_of(here.nights)[0]
    apart[:, :2] -= polar_motion(world, turned_deg) - polar_motion(world, scenario.longitude_deg)
    assert np.max(np.abs(apart)) < TURNED_ARCSEC
    assert np.max(np.abs(there.history.change - here.history.change)) < TURNED_HISTORY_ARCSEC
    assert len(there.nights.set_aside) == len(here.nights.set_aside)
    assert len(there.history.events) == len(here.history.events)


def test_turning_the_wrong_way_is_noticed():
    """Negative control: with longitude and time against each other the sky is three and a half hours off.

    Of these three or four are found and put right; half an hour stays.
    """
    world = invented("heave", 11, HEMISPHERES[0])
    scenario = world.scenario
    wrong_deg = scenario.longitude_deg + (TURNED_H - 0.5) * SIDEREAL_DEG_PER_HOUR
    here = work_out(site_of(scenario), world.readings())
    there = work_out(site_of(scenario, longitude_deg=wrong_deg), shifted(world.readings(), TURNED_H))
    assert np.max(np.abs(axes_of(there.nights)[0] - axes_of(here.nights)[0])) > 100.0 * TURNED_ARCSEC


# Mirroring the hemisphere after the sky step


#: The history's scales come from an optimiser that stops at a small gradient [arcsec].
OPTIMISER_ARCSEC = 0.1
PLATE = Plate(None, None, None)


@dataclass(frozen=True)
class Observed:
    """Readings and where they were seen."""

    latitude_deg: float
    readings: Readings
    directions: dict[str, Directions]

    def mirrored(self) -> Observed:
        """Swap north and south, the site's latitude among them.

        What turns about the vertical or tips north changes sign, so do declinations; what tips east or
        up stays.
        """
        tables = dict(self.readings.tables)
        for kind, column in (("solves", "mount_dec_deg"), ("levels", "tilt_north_arcsec")):
            tables[kind] = tables[kind].assign(**{column: -tables[kind][column]})
        corrections = tables["corrections"]
        sign = np.where(corrections["kind"] == "azimuth", -1.0, 1.0)
        tables["corrections"] = corrections.assign(amount_arcmin=sign * corrections["amount_arcmin"])
        directions = {
            kind: Directions(seen.enu * np.array([1.0, -1.0, 1.0]), seen.last_rad, seen.air)
            for kind, seen in self.directions.items()
        }
        return Observed(-self.latitude_deg, as_readings(tables), directions)

    def history(self, longitude_deg: float) -> tuple[Nights, History]:
        split = split_nights(longitude_deg, self.readings["corrections"])
        phi = float(np.radians(self.latitude_deg))
        nights = estimate_nights(phi, split, self.readings, self.directions, "kept")
        levels, corrections = self.readings["levels"], self.readings["corrections"]
        history = separate(Inputs(phi, nights, levels, corrections, PLATE, split, "kept"))
        assert history is not None
        return nights, history


def test_mirrored_hemisphere_mirrors_the_history():
    steps = (
        InventedStep(120.1, mount_az=90.0, mount_alt=60.0),
        InventedStep(190.1, tilt_north=-50.0, tilt_east=60.0),
    )
    world = invented(
        "heave",
        12,
        HEMISPHERES[0],
        level_every_days=21.0,
        level_pairs=False,
        level_bias=0.0,
        steps=steps,
        corrections=(InventedCorrection(240.1),),
    )
    readings, scenario = world.readings(), world.scenario
    split = split_nights(scenario.longitude_deg, readings["corrections"])
    seen = see(scenario.site, split, readings)
    north = Observed(scenario.latitude_deg, readings, seen.directions)
    (nights, here), (nights_there, there) = (
        observed.history(scenario.longitude_deg) for observed in (north, north.mirrored())
    )
    assert axes_of(nights_there)[0] == pytest.approx(axes_of(nights)[0] * [-1.0, 1.0, 1.0], abs=1e-4)
    signs = np.array([-1.0, 1.0, -1.0, 1.0, -1.0, 1.0])  # tilts, plate, mount azimuth and altitude
    assert np.all(np.max(np.abs(here.change[:, COMPONENTS]), axis=0) > 30.0)  # there is something to mirror
    assert np.max(np.abs(there.change - here.change * signs)) < OPTIMISER_ARCSEC
    assert np.max(np.abs(there.sd - here.sd)) < OPTIMISER_ARCSEC
    assert there.axis_now == pytest.approx(here.axis_now * [-1.0, 1.0], abs=OPTIMISER_ARCSEC)
    assert len(here.events) >= 3
    part_signs = {"tilt_north": -1.0, "tilt_east": 1.0, "mount_az": -1.0, "mount_alt": 1.0}
    for a, b in zip(here.events, there.events, strict=True):
        assert (a.what, a.after_us, a.before_us, a.recorded) == (b.what, b.after_us, b.before_us, b.recorded)
        for part, sign in part_signs.items():
            assert b.size[part] == pytest.approx(sign * a.size[part], abs=OPTIMISER_ARCSEC)
    (a,), (b,) = here.corrections, there.corrections
    assert (b.asked, b.held) == (-a.asked, a.held)
    assert b.found == pytest.approx(-a.found, abs=OPTIMISER_ARCSEC)


# Tilts that were always there, and tilts that begin


#: A tilt of 80 arcsec turns all places by as much, 4e-4: of noise and constants (some 100 arcsec) that is
#: 0.04 arcsec; tan(latitude) of the exact axis and refraction there change by as little.
SECOND_ORDER_ARCSEC = 0.5


@pytest.mark.parametrize("latitude", HEMISPHERES)
def test_a_constant_tilt_changes_no_row_of_the_history(latitude):
    world = invented("heave", 13, latitude, **NONE_WRONG)
    tilted = make_world(
        replace(
            world.scenario,
            tilt0_north=world.scenario.tilt0_north + 40.0,
            tilt0_east=world.scenario.tilt0_east - 70.0,
        )
    )
    here, there = answered(world), answered(tilted)
    moved = axes_of(there.nights)[0] - axes_of(here.nights)[0]
    # az_error follows the east tilt with tan(latitude), alt_error the north tilt (design of the signs)
    expected = [-70.0 * np.tan(np.radians(latitude)), -40.0 * np.sign(latitude)]
    assert np.mean(moved[:, :2], axis=0) == pytest.approx(expected, abs=SECOND_ORDER_ARCSEC)
    assert np.max(np.abs(there.history.change - here.history.change)) < SECOND_ORDER_ARCSEC


#: What a step of the pier is, in these tests [arcsec]: ten times what one night can tell.
BUMP = {"tilt_north": -40.0, "tilt_east": 60.0}
BUMP_NIGHT = 28
#: Mean times of one night differ by minutes when a wrong solve is set aside.
SAME_NIGHT_US = 3_600_000_000


def bumped(seed: int, latitude: float, **changes: object) -> World:
    """Tip the pier between two nights of a quiet world."""
    quiet = invented("quiet", seed, latitude, **changes)
    times = quiet.truth.nights["pointing"].time_us
    middle = (times[BUMP_NIGHT - 1] + times[BUMP_NIGHT]) / 2
    day = (middle - noon_us(quiet.scenario)) / 86.4e9
    return make_world(replace(quiet.scenario, steps=(InventedStep(day, **BUMP),)))


@pytest.mark.parametrize("seed", [14, 15])
@pytest.mark.parametrize("latitude", HEMISPHERES)
def test_a_tilt_that_begins_at_a_night_appears_there(latitude, seed):
    world = bumped(seed, latitude)
    history = answered(world).history
    truth = world.truth.nights["pointing"]
    (event,) = history.events
    assert event.what == "pier"
    assert not event.recorded
    off_us = np.array([event.after_us, event.before_us]) - truth.time_us[BUMP_NIGHT - 1 : BUMP_NIGHT + 1]
    assert np.max(np.abs(off_us)) < SAME_NIGHT_US
    for part, size in BUMP.items():
        assert event.size[part] == pytest.approx(size, abs=4.0 * event.size_sd[part])
        assert event.size_sd[part] < 8.0  # two nights' worth, no more
    tilts = np.stack([truth.tilt_north, truth.tilt_east], axis=1)
    off = history.change[:, [TILT_NORTH, TILT_EAST]] - (tilts - tilts[0])
    assert np.max(np.abs(off[1:] / history.sd[1:, [TILT_NORTH, TILT_EAST]])) < MOST_SDS
    before = history.change[1:BUMP_NIGHT, [TILT_NORTH, TILT_EAST]]
    assert np.max(np.abs(before)) < 15.0 < np.min(np.abs(history.change[BUMP_NIGHT:, :2]))
    assert np.max(np.abs(history.change[:, [MOUNT_AZ, MOUNT_ALT]])) < 15.0


@pytest.mark.parametrize("seed", [107, 110, 118, 122])
def test_a_step_in_a_short_record_is_not_taken_for_wandering(seed):
    """Ten months and one step: the walk of the tilt could be fitted so quick that it swallows the step."""
    world = make_world(family("bump", seed, years=0.8, nights_a_year=60.0))
    (true,) = world.truth.events
    (event,) = answered(world).history.events
    assert event.after_us <= true.time_us <= event.before_us
    assert event.what in ("pier", "undetermined")
    for part in ("tilt_north", "tilt_east"):
        assert event.size[part] == pytest.approx(getattr(true.step, part), abs=4.0 * event.size_sd[part])


@pytest.mark.parametrize("name", ["quiet", "heave", "settle"])
def test_a_short_record_without_a_step_has_none(name):
    """Negative control of the one above."""
    world = make_world(family(name, 131, years=0.8, nights_a_year=60.0))
    assert answered(world).history.events == ()


@pytest.mark.parametrize("slipped_before", [True, False])
def test_a_level_between_a_slip_and_the_next_night_leaves_it_open(slipped_before):
    """The level does not see the knob, so whether it had slipped by then stays open."""
    quiet = invented("quiet", 23, 48.0, level_every_days=25.0, level_pairs=False)
    nights, levels = (quiet.truth.nights[kind].time_us for kind in ("pointing", "level"))
    after = np.searchsorted(nights, levels)
    room = np.minimum(levels - nights[after - 1], nights[np.minimum(after, nights.size - 1)] - levels)
    inner = (after > 10) & (after < nights.size - 10)
    between = int(levels[inner][np.argmax(room[inner])])
    slip_us = between + (-1 if slipped_before else 1) * 43_200_000_000
    day = (slip_us - noon_us(quiet.scenario)) / 86.4e9
    world = make_world(replace(quiet.scenario, steps=(InventedStep(day, mount_az=120.0),)))
    history = answered(world).history
    row = int(np.flatnonzero(history.time_us == between)[0])
    assert 25.0 < history.sd[row, MOUNT_AZ] < 75.0  # 60 is half of the slip: even odds
    assert 10.0 < history.change[row, MOUNT_AZ] < 110.0
    others = np.delete(history.sd[:, MOUNT_AZ], row)
    assert np.max(others) < 5.0
    (event,) = history.events
    assert event.after_us <= slip_us <= event.before_us


# Clocks


CLOCK_S = 2.0
ZERO_ARCSEC = CLOCK_S * 15.041067  # sidereal rate, arcsec a second (checks of the drift rate use the same)
#: The whole sky turned by 30 arcsec (1.5e-4) about the pole turns an axis error of up to 300 arcsec by 0.05,
#: and tips refraction and droop by less.
CLOCK_ARCSEC = 0.1


@pytest.mark.parametrize("latitude", HEMISPHERES)
def test_a_wrong_clock_goes_into_the_zero_and_not_into_the_axis(latitude):
    """Log and mount take the time from one clock that is fast: its sidereal time is too large as well."""
    world = invented("heave", 17, latitude, **NONE_WRONG)
    solves = world.readings()["solves"]
    late = solves.assign(
        time_us=solves["time_us"] + round(CLOCK_S * 1e6),
        mount_ra_deg=np.mod(solves["mount_ra_deg"] + ZERO_ARCSEC / 3600.0, 360.0),
    )
    here, there = answered(world), answered(world, solves=late)
    apart = axes_of(there.nights)[0] - axes_of(here.nights)[0]
    assert np.max(np.abs(apart[:, :2])) < CLOCK_ARCSEC
    # The mount points where it did; the stars seem further west, so mechanical minus true is less.
    assert apart[:, 2] == pytest.approx(-ZERO_ARCSEC, abs=CLOCK_ARCSEC)
    assert np.max(np.abs(there.history.change - here.history.change)) < CLOCK_ARCSEC


def test_a_wrong_clock_of_the_log_alone_changes_neither():
    """The mount has the right time: its right ascension and the star's stay; both hour angles turn alike."""
    world = invented("heave", 17, HEMISPHERES[0], **NONE_WRONG)
    solves = world.readings()["solves"]
    late = solves.assign(time_us=solves["time_us"] + round(CLOCK_S * 1e6))
    apart = axes_of(nights_alone(world, late))[0] - axes_of(nights_alone(world))[0]
    assert np.max(np.abs(apart)) < CLOCK_ARCSEC


# Mount coordinates of another equinox


def of_j2000(solves: pd.DataFrame) -> pd.DataFrame:
    """Return solves whose mount reports J2000 places where those of date are declared (ERFA pnm06a)."""
    turn = erfa.pnm06a(solves["time_us"].to_numpy() / 86.4e9 + 2440587.5, 0.0)
    ra, dec = np.radians(solves["mount_ra_deg"].to_numpy()), np.radians(solves["mount_dec_deg"].to_numpy())
    ra, dec = erfa.c2s(np.einsum("nji,nj->ni", turn, erfa.s2c(ra, dec)))
    return solves.assign(mount_ra_deg=np.degrees(ra) % 360.0, mount_dec_deg=np.degrees(dec))


#: Nights are widened by what mounts apply or not of nutation and aberration (`night.mount_frame`): what is
#: put in here is just what was taken out, so the axes agree far better than they say [arcsec on the sky].
TURNED_BACK_ARCSEC = 2.0


@pytest.mark.parametrize("zero", ["kept", "synced"])
@pytest.mark.parametrize("latitude", HEMISPHERES)
def test_mount_places_of_j2000_are_noticed_and_turned_to_date(latitude, zero):
    """Taken as of date the axis would seem to go once around the pole in a year, 400 arcsec from it.

    That is the trap: an annual swing.  Within a night solves scatter several times more, and that tells.
    """
    world = invented("quiet", 18, latitude, zero=zero, years=1.0)
    plain, turned = nights_alone(world), nights_alone(world, of_j2000(world.readings()["solves"]))
    (notice,) = turned.notices
    assert notice.code is NightCode.MOUNT_PLACES_J2000
    assert notice.values["scatter_arcsec"] > 2.0 * notice.values["scatter_as_taken_arcsec"]
    apart = (axes_of(turned)[0] - axes_of(plain)[0])[:, :2] * [np.cos(np.radians(latitude)), 1.0]
    assert np.max(np.abs(apart)) < TURNED_BACK_ARCSEC
    assert np.all(axes_of(turned)[1][:, :2] > axes_of(plain)[1][:, :2])


def changed(solves: pd.DataFrame, where: np.ndarray) -> pd.DataFrame:
    """Return solves of which some have the mount's places of J2000."""
    turned, out = of_j2000(solves), solves.copy()
    for name in ("mount_ra_deg", "mount_dec_deg"):
        out[name] = np.where(where, turned[name], solves[name])
    return out


#: Axes of nights whose places were put right, against those of nights that never changed [arcsec on the sky]:
#: constants and zeros are shared with nights of fewer solves, so not to the arcsec.
PUT_RIGHT_ARCSEC = 4.0


@pytest.mark.parametrize(
    ("latitude", "zero", "first", "last"),
    [(47.0, "kept", 0.55, 1.0), (-41.0, "synced", 0.0, 0.4), (-41.0, "kept", 0.3, 0.6)],
)
def test_places_that_are_of_j2000_for_a_time_are_told_and_turned_to_date(latitude, zero, first, last):
    """Somebody ticked an option: the axis would seem to leave by minutes of arc, and to wander from there."""
    world = invented("quiet", 18, latitude, zero=zero, years=1.5)
    solves = world.readings()["solves"]
    days = solves["time_us"].to_numpy() // 86_400_000_000
    begin, end = (days.min() + share * (np.ptp(days) + 1) for share in (first, last))
    plain = nights_alone(world)
    turned = nights_alone(world, changed(solves, (days >= begin) & (days < end)))
    (notice,) = turned.notices
    assert notice.code is NightCode.MOUNT_PLACES_CHANGED and notice.values["j2000"]
    times = np.array([night.time_us for night in plain.nights])
    inside = (times // 86_400_000_000 >= begin) & (times // 86_400_000_000 < end)
    expected = [
        times[inside][0] if first else None,
        times[times > times[inside][-1]][0] if last < 1 else None,
    ]
    for us, value in zip(("from_us", "until_us"), expected, strict=True):
        assert (notice.values[us] is None) == (value is None)
        assert value is None or abs(notice.values[us] - value) < 43_200_000_000
    apart = (axes_of(turned)[0] - axes_of(plain)[0])[:, :2] * [np.cos(np.radians(latitude)), 1.0]
    assert np.max(np.abs(apart)) < PUT_RIGHT_ARCSEC
    assert np.all(axes_of(turned)[1][inside, :2] > axes_of(plain)[1][inside, :2])


@pytest.mark.parametrize("kind", ["slips", "bump"])
@pytest.mark.parametrize("latitude", HEMISPHERES)
def test_an_axis_that_moves_is_no_change_of_the_mounts_places(kind, latitude):
    assert not nights_alone(invented(kind, 23, latitude, zero="kept", years=2.0)).notices


# Another telescope, or tube sides by another name, from some night on


def of_another_telescope(world: World, solves: pd.DataFrame, late: np.ndarray, kind: str) -> pd.DataFrame:
    """Return solves of which the late ones are by a telescope with other constants, or name sides otherwise.

    Cone error and offset between the sides by 90 and 60 arcsec in what the mount reads; a tube that points
    60 arcsec times the sine of the zenith distance lower, in what is solved (ERFA hd2ae, ae2hd).
    """
    out = solves.copy()
    if kind == "sides":
        other = out["tube_side"].map({"east": "west", "west": "east"})
        out["tube_side"] = np.where(late, other, out["tube_side"])
        return out
    if kind == "cone":
        side = np.where(out["tube_side"] == "east", 1.0, -1.0) * late
        across = side * 90.0 / 3600.0 / np.cos(np.radians(out["mount_dec_deg"]))
        return out.assign(
            mount_ra_deg=(out["mount_ra_deg"] - across) % 360.0,
            mount_dec_deg=out["mount_dec_deg"] + side * 60.0 / 3600.0,
        )
    phi, days = np.radians(world.scenario.latitude_deg), solves["time_us"].to_numpy() / 86.4e9 + 2440587.5
    turn = erfa.pnm06a(days, 0.0)
    place = erfa.s2c(np.radians(solves["ra_deg"].to_numpy()), np.radians(solves["dec_deg"].to_numpy()))
    ra, dec = erfa.c2s(np.einsum("nij,nj->ni", turn, place))
    sidereal = erfa.gst06a(days, 0.0, days, 0.0) + np.radians(world.scenario.longitude_deg)
    azimuth, altitude = erfa.hd2ae(sidereal - ra, dec, phi)
    hour_angle, dec = erfa.ae2hd(azimuth, altitude - 60.0 * ARCSEC * np.cos(altitude), phi)
    ra, dec = erfa.c2s(np.einsum("nji,nj->ni", turn, erfa.s2c(sidereal - hour_angle, dec)))
    return out.assign(
        ra_deg=np.where(late, np.degrees(ra) % 360.0, out["ra_deg"]),
        dec_deg=np.where(late, np.degrees(dec), out["dec_deg"]),
    )


#: What is left of a change of telescope in the axis and in the history, where zeros and constants are known
#: from half of the nights only [arcsec].
ANOTHER_ARCSEC = 5.0


@pytest.mark.parametrize(
    ("latitude", "kind", "share"),
    [(47.0, "cone", 0.5), (-41.0, "droop", 0.6), (47.0, "droop", 0.4), (-41.0, "sides", 0.7)],
)
def test_another_telescope_that_nobody_wrote_down_is_told_and_moves_nothing(latitude, kind, share):
    """Taken for the same instrument, such a droop makes an altitude that slips by half an arcminute."""
    world = invented("quiet", 18, latitude, zero="kept", years=1.5)
    solves = world.readings()["solves"]
    days = solves["time_us"].to_numpy() // 86_400_000_000
    late = days > np.quantile(np.unique(days), share)
    plain, turned = (
        answered(world, solves=of_another_telescope(world, solves, x, kind)) for x in (False, late)
    )
    (change,) = turned.nights.instrument_changes
    assert change.after_us == solves["time_us"][~late].max()
    assert change.before_us == solves["time_us"][late].min()
    code = NightCode.TUBE_SIDES_REVERSED if kind == "sides" else NightCode.INSTRUMENT_CHANGED
    assert [n.code for n in turned.nights.notices if n not in plain.nights.notices] == [code]
    jump = np.subtract(change.new, change.old)
    expected = {"cone": [90.0, 0.0, 60.0, 0.0], "droop": [0.0, 0.0, 0.0, 60.0]}.get(kind)
    assert expected is None or np.max(np.abs(jump - expected)) < 15.0
    assert not turned.history.events and not plain.history.events
    assert np.max(np.abs(turned.history.axis_now - plain.history.axis_now)) < ANOTHER_ARCSEC
    (before,) = plain.nights.instruments
    (earlier, later) = turned.nights.instruments
    assert earlier.end_us == later.start_us == change.before_us


@pytest.mark.parametrize("kind", ["heave", "slips", "bump"])
def test_an_axis_that_moves_is_no_other_telescope(kind):
    assert not nights_alone(invented(kind, 23, 47.0, zero="kept", years=2.0)).instrument_changes


# Near the pole, across 0h, both tube sides


def _toward_the_pole(scenario, rng, count, side):
    """Draw targets of which every second one lies within 15 degrees of the pole, some within 2."""
    hour_angle, dec, sides = ORDINARY_TARGETS(scenario, rng, count, side)
    high = np.sign(scenario.latitude_deg) * np.radians(rng.uniform(75.0, 88.0, count))
    return hour_angle, np.where(rng.random(count) < 0.5, high, dec), sides


@pytest.mark.parametrize("zero", ["kept", "synced"])
@pytest.mark.parametrize("latitude", [52.0, -37.0])
def test_solves_near_the_pole_and_across_0h(latitude, zero, monkeypatch):
    monkeypatch.setattr(sessions, "random_targets", _toward_the_pole)
    world = invented("heave", 19, latitude, zero=zero)
    solves, truth = world.readings()["solves"], world.truth.nights["pointing"]
    night = pd.Series(np.searchsorted(truth.time_us, solves["time_us"].to_numpy() - 43_200_000_000))
    assert solves["dec_deg"].abs().max() > 87.5
    assert set(solves["tube_side"]) == {"east", "west"}
    ra = solves["mount_ra_deg"]
    across = pd.DataFrame({"night": night, "below": ra > 330.0, "above": ra < 30.0}).groupby("night").any()
    assert np.sum(across["below"] & across["above"]) >= 3
    estimate, sd = axes_of(nights_alone(world))
    true = np.stack([truth.az_error, truth.alt_error], axis=1)
    scaled = (estimate[:, :2] - true) / sd[:, :2]
    assert np.max(np.abs(scaled)) < MOST_SDS
    assert LEAST_RATIO < np.sqrt(np.mean(scaled**2)) < MOST_RATIO


# Wrong solves


WRONG_DEG = 0.5
#: What one wrong solve among ten may do: usually less than the night's sd, never three of them; and through
#: the constants that nights share next to nothing to others.
TYPICAL_SD, NEVER_SD, OTHERS_SD = 1.0, 3.0, 0.3


@pytest.mark.parametrize(("latitude", "zero"), [(47.0, "kept"), (-41.0, "synced")])
def test_one_wrong_solve_spoils_neither_its_night_nor_others(latitude, zero):
    world = invented("heave", 20, latitude, zero=zero, years=0.5, wrong_solve_chance=0.0)
    solves = world.readings()["solves"]
    clean, sd = axes_of(nights_alone(world, solves))
    starts = [night.start_us for night in nights_alone(world, solves).nights]
    night = np.searchsorted(starts, solves["time_us"].to_numpy(), side="right") - 1
    rng = np.random.default_rng(20)
    own, others = [], []
    for k in range(len(clean)):
        row, toward = rng.choice(np.flatnonzero(night == k)), rng.uniform(0.0, 2 * np.pi)
        wrong = solves.copy()
        wrong.loc[row, "dec_deg"] += WRONG_DEG * np.cos(toward)
        widen = np.cos(np.radians(wrong.loc[row, "dec_deg"]))
        wrong.loc[row, "ra_deg"] = (wrong.loc[row, "ra_deg"] + WRONG_DEG * np.sin(toward) / widen) % 360.0
        nights = nights_alone(world, wrong)
        assert [aside.row_id for aside in nights.set_aside] == [wrong.loc[row, "row_id"]]
        moved = np.max(np.abs(axes_of(nights)[0] - clean)[:, :2] / sd[:, :2], axis=1)
        own.append(moved[k])
        others.append(np.max(np.delete(moved, k)))
    assert np.median(own) < TYPICAL_SD
    assert np.max(own) < NEVER_SD
    assert np.max(others) < OTHERS_SD


# A night more


#: A fiftieth more of data moves shared constants by a fraction of what they are uncertain by.
LATER_NIGHT_SD = 0.2


@pytest.mark.parametrize("latitude", HEMISPHERES)
def test_a_night_more_leaves_earlier_nights_where_they_were(latitude):
    world = invented("heave", 21, latitude)
    full, solves = answered(world), world.readings()["solves"]
    last = full.nights.nights[-1]
    less = answered(world, solves=solves[solves["time_us"] < last.start_us].reset_index(drop=True))
    count = len(full.nights.nights) - 1
    assert len(less.nights.nights) == count
    before, sd = axes_of(less.nights)
    moved = np.abs(axes_of(full.nights)[0][:count] - before) / sd
    assert 0.0 < np.max(moved) < LATER_NIGHT_SD
    # The history is smoothed both ways, and its scales are fitted anew: it may move more, yet within its sds.
    change = np.abs(full.history.change[1:count] - less.history.change[1:])[:, COMPONENTS]
    assert np.max(change / less.history.sd[1:, COMPONENTS]) < 1.0


# Mistakes of the site file and the log that must show, and those that cannot


@pytest.mark.parametrize("latitude", HEMISPHERES)
def test_a_mixed_up_tube_side_makes_the_analysis_visibly_bad(latitude):
    """Negative control: every second solve on the wrong side scatters by the tube-side constants."""
    world = invented("heave", 22, latitude, constants=Constants(60.0, -30.0, 50.0, 15.0))
    solves = world.readings()["solves"]
    wrong = np.random.default_rng(22).random(len(solves)) < 0.5
    other = solves["tube_side"].map({"east": "west", "west": "east"})
    plain = nights_alone(world)
    mixed = nights_alone(world, solves.assign(tube_side=solves["tube_side"].where(~wrong, other)))
    assert scatter_of(mixed) > 4.0 * scatter_of(plain)
    assert np.all(np.median(axes_of(mixed)[1], axis=0) > 2.0 * np.median(axes_of(plain)[1], axis=0))


@pytest.mark.parametrize("latitude", HEMISPHERES)
def test_tube_sides_called_the_other_way_round_change_only_the_names_of_constants(latitude):
    """A mount that calls east what others call west: three constants change sign and nothing else does."""
    world = invented("heave", 22, latitude)
    solves = world.readings()["solves"]
    other = solves["tube_side"].map({"east": "west", "west": "east"})
    here, there = nights_alone(world), nights_alone(world, solves.assign(tube_side=other))
    assert axes_of(there)[0] == pytest.approx(axes_of(here)[0], abs=1e-6)
    (a,), (b,) = here.instruments, there.instruments
    assert b.values == pytest.approx(a.values * [-1.0, -1.0, -1.0, 1.0], abs=1e-6)  # droop knows no side


#: Two degrees of latitude change the refraction of a solve at 30 degrees of altitude by some 7 arcsec, and
#: the axis (which is measured among the stars, not against the ground) by about as much.
LATITUDE_ARCSEC = 12.0


@pytest.mark.parametrize(("latitude", "wrong_deg"), [(47.0, 2.0), (-41.0, -2.0)])
def test_a_wrong_latitude_costs_its_refraction_and_no_more(latitude, wrong_deg):
    """The axis is found among the stars: a latitude two degrees off can't be seen, and does little harm.

    Solves scatter a little more, since each is refracted wrongly.
    """
    world = invented("heave", 22, latitude)
    here, there = nights_alone(world), nights_alone(world, wrong_latitude_deg=wrong_deg)
    apart = np.median(axes_of(there)[0] - axes_of(here)[0], axis=0)
    assert 2.0 < np.max(np.abs(apart)) < LATITUDE_ARCSEC
    assert scatter_of(here) < scatter_of(there) < 1.2 * scatter_of(here)
