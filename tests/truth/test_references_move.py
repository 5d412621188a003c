"""References that move by themselves: the pier is not accused, they are told, and the uncertainty holds."""

from dataclasses import replace

import numpy as np
import pytest
from moving_references import COLUMNS, FIRST_DAY, YEAR, World, answered, held, make
from night_world import plain_series

from drift.codes import ForcingKind
from drift.history import causes
from drift.history.causes import STEEP
from drift.history.model import Scales, Solver
from drift.history.separate import centred, make_model, separate
from drift.history.series import make_series
from drift.notices import HistoryCode
from drift.quantities import DAY_US
from drift.types import Nights

#: What is asked of the tilt where only a reference moves: some fractions of what it moves [arcsec rms].
TILT_RMS = 4.0
#: A drift is told to this share, and within this many of its own sds.
SHARE, SDS = 0.25, 3.0
#: Least share of readings whose 95 % interval must hold, in one history (errors of one history go together).
HELD = 0.9


def rms(error):
    return np.sqrt(np.mean(error**2, axis=0))


def not_of_the_pier(history):
    return [e for e in history.events if e.what == "pier" and not e.recorded] == []


def test_a_zero_that_creeps_is_the_zero():
    """45" a year at 47 N reads as 31" of east tilt and -33" of azimuth a year, and the axis stands still."""
    history, error, sd = answered(World(1, zero_a_year=45.0))
    assert np.all(rms(error)[:2] < TILT_RMS)
    assert np.all(held(error, sd) > HELD)
    (zero,) = history.references.zeros
    assert zero.creep.value == pytest.approx(45.0, abs=SDS * zero.creep.sd)
    (moved,) = history.references.moved
    assert (moved.code, moved.reference, moved.kind) == ("reference_moved", "hour_angle_zero", "steady")
    assert moved.would_tell == "level"
    assert moved.probability > 0.99
    assert not history.events


def test_a_zero_that_goes_with_the_temperature_is_the_zero():
    history, error, sd = answered(World(2, zero_a_degree=1.5))
    assert np.all(rms(error)[:2] < TILT_RMS)
    assert np.all(held(error, sd) > HELD)
    (moved,) = history.references.moved
    assert (moved.reference, moved.kind) == ("hour_angle_zero", "warmth")
    assert moved.east.value == pytest.approx(1.5, rel=SHARE)


@pytest.mark.parametrize("kept", [True, False])
def test_a_level_that_goes_with_the_temperature_is_the_level(kept):
    world = World(3, kept=kept, level_every=14, level_a_degree=(1.5, 0.9))
    history, error, sd = answered(world)
    assert np.all(rms(error)[:2] < TILT_RMS)
    assert np.all(held(error, sd) > HELD)
    (level,) = history.references.levels
    assert level.warmth_north.value == pytest.approx(1.5, abs=SDS * level.warmth_north.sd)
    assert level.warmth_east.value == pytest.approx(0.9, abs=SDS * level.warmth_east.sd)
    (moved,) = history.references.moved
    assert moved.place == "pier"
    assert moved.would_tell == (None if kept else "solve_before_sync")  # a zero beside it tells already


def test_a_level_that_creeps_is_the_level():
    history, error, sd = answered(World(4, kept=False, level_every=14, level_a_year=(18.0, -12.0)))
    assert np.all(held(error, sd) > HELD)
    (level,) = history.references.levels
    assert level.creep_north.value == pytest.approx(18.0, abs=SDS * level.creep_north.sd)
    assert not_of_the_pier(history)


@pytest.mark.parametrize(("kept", "level_every"), [(True, 0), (False, 14), (True, 14)])
def test_an_azimuth_whose_bolts_bed_in_is_the_mount(kept, level_every):
    """60" within some months of the start, on a pier that stands still."""
    world = World(9, kept=kept, level_every=level_every, kappa=lambda d: 60.0 * (1.0 - np.exp(-d / 40.0)))
    history, error, sd = answered(world)
    assert not_of_the_pier(history)
    assert np.all(rms(error) < 2.0 * TILT_RMS)
    assert np.all(held(error, sd) > HELD)


@pytest.mark.parametrize(("kept", "level_every"), [(True, 0), (False, 14), (True, 14)])
def test_a_pier_that_tilts_steadily_is_the_pier(kept, level_every):
    """The same explanation must not be at hand for a real tilt: the axis follows it."""
    world = World(5, kept=kept, level_every=level_every, east=lambda d: 20.0 * d / YEAR)
    history, error, sd = answered(world)
    assert rms(error)[1] < TILT_RMS
    assert held(error, sd)[1] > HELD
    assert history.references.moved == ()


def test_where_two_movements_imitate_a_third_the_rivals_are_told():
    """An azimuth creep of 25" and a zero creep of 40" a year look like a tilt of 27" and little else."""
    world = World(6, kappa=lambda d: 25.0 * d / YEAR, zero_a_year=40.0)
    history, error, sd = answered(world)
    rivals = {r.moving: r for r in history.references.rivals if r.kind == "steady"}
    assert ("mount", "reference") in rivals
    assert any("pier" in moving for moving in rivals)
    assert sum(r.probability for r in rivals.values()) == pytest.approx(1.0, abs=0.2)  # those told at all
    assert held(error, sd)[1] > HELD
    assert sd[-1, 1] > 0.3 * 27.0 * world.years


def test_with_sound_references_nothing_is_said_of_them():
    history, error, sd = answered(World(7, level_every=14, east=lambda d: 20.0 * np.cos(d / 58.1)))
    assert history.references.moved == ()
    assert history.references.rivals == ()
    assert np.all(rms(error) < TILT_RMS)
    assert np.all(held(error, sd) > HELD)


@pytest.mark.parametrize("share", [0.7, 1.0, 1.25])
def test_a_level_whose_divisions_are_not_what_they_are_taken_for_is_found(share):
    """A pier that tips by 60" one day and swings by 40"; a vial of 20" a division taken for one of 25"."""

    def east(days):
        return 60.0 * (days > 500) + 20.0 * np.cos(days / 58.1)

    world = World(15, kept=False, level_every=14, level_shows=share, east=east)
    history, error, sd = answered(world)
    (level,) = history.references.levels
    within = max(SDS * level.shows_east.sd, 0.5 * abs(share - 1.0))
    assert level.shows_east.value == pytest.approx(share, abs=within)
    told = [one for one in history.notices if one.code is HistoryCode.LEVEL_SCALE]
    assert bool(told) is (share != 1.0)
    assert [event.what for event in history.events] == ["pier"]
    assert np.all(rms(error) < 2.0 * TILT_RMS)
    assert np.all(held(error, sd) > HELD)


def test_a_level_is_held_against_its_own_readings_before_and_after():
    """Readings 0, 6, 12, ... 36: the middle of the three before and the three after each, without it."""
    series = replace(
        plain_series(7, value=np.outer(6.0 * np.arange(7), [1.0, 2.0, 0.0])),
        night=np.full(7, -1),
        place=np.full(7, "pier", dtype=object),
    )
    cause = causes.level_scales(series)
    assert cause.direct[:, 0, 0].tolist() == [12.0, 15.0, 18.0, 18.0, 18.0, 21.0, 24.0]
    assert cause.direct[:, 1, 1].tolist() == [24.0, 30.0, 36.0, 36.0, 36.0, 42.0, 48.0]
    assert not cause.direct[:, 1, 0].any() and not cause.state.any()


@pytest.mark.parametrize("seed", [8, 16, 17])
@pytest.mark.parametrize("by", [40.0, -70.0])
def test_a_level_that_reads_otherwise_one_day_is_no_event_of_pier_or_mount(seed, by):
    """Put back askew, adjusted, or another one: the axis stays, so that pier and mount need not cancel."""

    def north(days):
        return 12.0 * np.cos(days / 58.1)

    world = World(seed, kept=False, level_every=14, north=north, level_moves=lambda d: by * (d > 450))
    history, error, sd = answered(world)
    assert history.events == ()
    assert np.all(held(error, sd) > HELD)


def test_a_level_that_is_put_back_askew_is_no_event_of_the_pier():
    history, _, _ = answered(World(8, kept=False, level_every=14, level_moves=lambda d: 40.0 * (d > 450)))
    assert not_of_the_pier(history)


def test_a_zero_that_jumps_is_no_event_of_the_pier():
    history, error, _ = answered(World(9, zero_moves=lambda d: 60.0 * (d > 450)))
    assert [e.what for e in history.events] == ["zero"]
    assert np.all(rms(error)[:2] < TILT_RMS)


def test_a_settlement_that_goes_with_the_logarithm_of_time_is_within_its_uncertainty():
    """18" a tenfold of time from 12 days on: 6" in the first two weeks."""
    world = World(10, kept=False, level_every=14, years=4.0, north=lambda d: 18.0 * np.log10(1.0 + d / 12.0))
    _, error, sd = answered(world)
    assert np.all(held(error, sd) > HELD)


def causes_of(world):
    made = make(world).given
    series, _ = make_series(made.nights, made.levels, made.split.constants_us)
    series, _ = centred(series)
    temp_c = made.warmth.at_readings(series.time_us, series.night >= 0)
    return set(Solver(make_model(series, made.latitude_rad, [], temp_c)).columns(Scales()).at)


REFERRED = {causes.STEADY_PIER, causes.STEADY_AZIMUTH, causes.STEADY_ALTITUDE, STEEP, causes.STEEP_AZIMUTH}


def test_with_synced_zeros_and_no_level_none_of_it_enters():
    assert not causes_of(World(11, kept=False)) & {
        *REFERRED,
        causes.STEADY_ZEROS,
        causes.STEADY_LEVELS,
        causes.WARM_ZEROS,
    }
    assert separate(make(World(11, kept=False, years=1.0)).given).references is None


def test_what_enters_is_what_is_there():
    kept, levelled = causes_of(World(12)), causes_of(World(12, kept=False, level_every=14))
    assert kept >= {*REFERRED, causes.STEADY_ZEROS, causes.WARM_ZEROS}
    assert levelled >= {*REFERRED, causes.STEADY_LEVELS, causes.WARM_LEVELS}
    assert not kept & {causes.STEADY_LEVELS, causes.WARM_LEVELS}
    assert not levelled & {causes.STEADY_ZEROS, causes.WARM_ZEROS}


def test_what_the_nights_share_is_in_the_axis_now():
    """Constants known to 3" a coordinate (9 arcsec^2 beside each night's own) don't average out."""
    world = World(13, years=1.5)
    history, _, _ = answered(world)
    assert np.all(history.axis_now_sd >= 3.0)
    assert np.all(history.axis_now_sd < 5.0)


def test_what_comes_half_back_after_a_shock_is_one_event():
    def shocked(size):
        return lambda d: size * (d >= 400.0) * (0.5 + 0.5 * np.exp(-np.clip(d - 400.0, 0.0, None) / 25.0))

    world = World(14, level_every=14, north=shocked(50.0), east=shocked(60.0))
    history, error, sd = answered(world)
    (event,) = history.events
    assert event.what == "pier"
    assert event.afterwards is not None
    for part, size in (("tilt_north", 50.0), ("tilt_east", 60.0)):
        both = event.size[part] + event.afterwards[part]
        assert both == pytest.approx(0.5 * size, abs=6.0)
        assert event.afterwards[part] < 0.0 < event.size[part]
    assert np.all(held(error, sd) > HELD)


def test_causes_add_up_to_the_history_with_what_followed_a_step():
    def shocked(d):
        return 60.0 * (d >= 400.0) * (0.5 + 0.5 * np.exp(-np.clip(d - 400.0, 0.0, None) / 25.0))

    history, _, _ = answered(World(15, east=shocked))
    total = sum(cause.change for cause in history.causes)
    assert total[-1] == pytest.approx(history.change[-1], abs=1e-6)


def test_a_knob_that_gives_way_while_the_ground_freezes_is_not_laid_at_the_pier_s_door():
    """50" of azimuth from 1 December to 20 January for good; lost zeros, no level, nights to 20 February."""
    world = World(19, kept=False, years=1.3, kappa=lambda d: 50.0 * np.clip((d - 366.0) / 50.0, 0.0, 1.0))
    made = make(world)
    day = [night.time_us / DAY_US - FIRST_DAY for night in made.given.nights.nights]
    autumn = [n for n, d in zip(made.given.nights.nights, day, strict=True) if 250.0 < d < 446.0]
    history = separate(replace(made.given, nights=Nights(nights=tuple(autumn))))
    truth = made.truth(history.time_us)
    error = history.change[:, COLUMNS] - (truth - truth[0])
    assert history.follows == ForcingKind.CALENDAR
    assert np.all(np.abs(error[-1]) < 2.0 * history.sd[-1, COLUMNS])


def test_the_rate_of_a_short_record_is_known_no_better_than_the_tilt_over_it():
    """Five months of a pier that settles by 30" a year, as it froze and thawed."""
    world = World(21, level_every=14, years=0.42, north=lambda d: -30.0 * d / YEAR)
    history, _, sd = answered(world)
    years = (history.time_us[-1] - history.time_us[0]) / DAY_US / YEAR
    least = float(np.sqrt(np.mean(sd[-1, :2] ** 2))) / years
    assert history.lasting.arcsec_per_year_sd > 0.999 * least  # times of nights are rounded
    assert abs(history.lasting.arcsec_per_year - 30.0) < 3.0 * history.lasting.arcsec_per_year_sd
