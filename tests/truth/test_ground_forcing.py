"""Forcings and their continuations: against an independent maker of weather and frost, and invariances."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.signal import lfilter

from drift.advice import ground as advice
from drift.codes import ForcingKind
from drift.demo.motion import invent_weather
from drift.demo.samples import SAMPLES
from drift.ground.forcing import (
    FROST_KINDS,
    air_temperature_forcing,
    frost_forcing,
    frost_forcing_candidates,
    lagged,
)
from drift.ground.frost_depth import (
    DepthRange,
    FrostAtBase,
    Reach,
    WinterFrost,
    depth_of_winter,
    frost_at_base,
    winters,
)
from drift.ground.frost_front import frost_front
from drift.ground.heave import FrostHeave, continuations, frost_forcing_ahead
from drift.ground.pier_site import (
    FrostClass,
    SnowFate,
    frost_class,
    ground_of,
    snow_of,
    soil_of,
    spread,
    surface_of,
    surface_temperature,
    with_snow,
)
from drift.ground.weather import daily_weather, until
from drift.notices import GroundCode
from drift.quantities import DAY_US, YEAR_DAYS
from drift.render.ground_words import GROUND_ADVICE, frost_class_sentence, frost_sentences

NORTH = 47.0


def day_of(text):
    return int(np.datetime64(text, "D").astype(np.int64))


def table_of(day, low, high, snow_cm=np.nan):
    return pd.DataFrame(
        {"row_id": day, "day": day, "t_min_c": low, "t_max_c": high, "t_mean_c": np.nan, "snow_cm": snow_cm}
    )


def site_weather(years, seed=3, mean=4.0, swing=15.0, winter_sd=1.7, latitude=NORTH, first="2012-07-01"):
    """Weather with lasting days and winters of different severity; in the south half a year later."""
    rng = np.random.default_rng(seed)
    day = day_of(first) + np.arange(round(years * YEAR_DAYS))
    half = YEAR_DAYS / 2 if latitude < 0 else 0.0
    cold = np.cos(2 * np.pi * (day - 14 - half) / YEAR_DAYS)
    noise = lfilter([1.0], [1.0, -0.8], rng.normal(0, 2.4, day.size))
    year = np.floor((day - 196 - half) / YEAR_DAYS).astype(int)
    severity = rng.normal(0, winter_sd, year.max() - year.min() + 1)[year - year.min()]
    air = mean - swing * cold + noise + severity * np.clip(cold, 0, None)
    return daily_weather(table_of(day, air - 4.0, air + 4.0), latitude)


@pytest.fixture(scope="module")
def weather():
    return site_weather(6.0)


@pytest.fixture(scope="module", params=[sample.folder for sample in SAMPLES])
def sample(request):
    (found,) = (s for s in SAMPLES if s.folder == request.param)
    made = invent_weather(found.scenario)
    table = table_of(made.day, made.min_c, made.max_c, made.snow_cm)
    pier = found.site.get("pier", {})
    keys = ("depth_m", "soil", "drained", "surface")
    ground = ground_of(**{key: pier.get(key) for key in keys})
    return made, daily_weather(table, found.scenario.latitude_deg), ground


# The demo's frost is a root of degree-days damped by snow and followed with 9 days' delay; which kind of
# forcing a pier follows is for its readings to tell, so only the best of them has to come near.
ALIKE = 0.98


def test_some_candidate_follows_another_makers_frost(sample):
    made, weather, ground = sample
    best = max(
        np.corrcoef(lagged(forcing.value, days)[400:], made.frost[400:])[0, 1]
        for forcing in frost_forcing_candidates(weather, ground)
        for days in (0.0, 5.0, 10.0, 20.0)
    )
    assert best > ALIKE


@pytest.mark.parametrize("kind", [ForcingKind.FROZEN, ForcingKind.COLD_LEFT])
def test_a_typical_winter_peaks_at_one(weather, kind):
    forcing = frost_forcing(weather, ground_of(0.9, "clay", None, "bare"), kind)
    number = [w.first_day for w in winters(weather) if w.whole]
    peaks = [forcing.at(np.arange(d, d + 250) * DAY_US + DAY_US // 2).max() for d in number]
    assert np.mean(peaks) == pytest.approx(1.0, abs=1e-9)
    assert np.std(peaks) > 0.03
    assert forcing.value.min() == 0.0
    # A colder winter peaks higher.
    index = [w.index_c_d for w in winters(weather) if w.whole]
    assert np.corrcoef(index, peaks)[0, 1] > 0.9


def test_every_kind_is_known(weather):
    ground = ground_of(0.6, "sand", None, "bare")
    for kind in FROST_KINDS:
        forcing = frost_forcing(weather, ground, kind)
        assert forcing.value.shape == forcing.time_us.shape == weather.day.shape
        assert forcing.rests_on.values == {"forcing": kind, "days": weather.day.size, "filled": 0}
    with pytest.raises(ValueError, match="must be one of frozen, under_base, cold_left"):
        frost_forcing(weather, ground, "heave")


def test_no_frost_is_no_forcing():
    mild = site_weather(3.0, mean=18.0, swing=6.0, winter_sd=0.5)
    assert frost_forcing_candidates(mild, ground_of()) == ()
    assert not frost_forcing(mild, ground_of()).value.any()
    found = frost_at_base(mild, ground_of())
    assert found.as_is[0].reaches == "no"
    assert frost_sentences(found) == ()


def test_the_southern_driver_is_the_northern_half_a_year_on(weather):
    shifted = table_of(weather.day + 184, weather.mean_c - 4.0, weather.mean_c + 4.0)
    south = daily_weather(shifted, -NORTH)
    ground = ground_of(0.9, "silt", None, "turf")
    for kind in (ForcingKind.FROZEN, ForcingKind.COLD_LEFT):
        a, b = frost_forcing(weather, ground, kind), frost_forcing(south, ground, kind)
        assert np.array_equal(b.time_us - a.time_us, np.full(a.time_us.size, 184 * DAY_US))
        # Half a year is 182.6 days, so the usual year before the record differs a little.
        assert b.value * b.per_unit == pytest.approx(a.value * a.per_unit, abs=0.02 * a.per_unit)


def test_the_first_winter_does_not_depend_on_when_the_log_begins(weather):
    """The usual year before the record stands in for what isn't known."""
    cut = weather.day >= weather.day[0] + 365 + 200  # from mid-January on
    late = daily_weather(
        table_of(weather.day[cut], weather.mean_c[cut] - 4.0, weather.mean_c[cut] + 4.0), NORTH
    )
    ground = ground_of(0.9, "clay", None, "bare")
    whole, part = frost_front(weather, ground).frozen_m[cut], frost_front(late, ground).frozen_m
    usual_against_true_winter = 0.3  # [m] at the start
    assert abs(whole[0] - part[0]) < usual_against_true_winter
    assert part[200:] == pytest.approx(whole[200:], abs=0.02)


def test_snow_keeps_frost_up_and_clearing_lets_it_down():
    weather = site_weather(4.0)
    found = frost_at_base(weather, ground_of(1.2, "hard clay", None, "turf"))
    for left, cleared in zip(found.snow_left[:3], found.snow_cleared[:3], strict=True):
        assert left.depth.middle < 0.6 * cleared.depth.middle
        assert cleared.depth.shallow < cleared.depth.middle < cleared.depth.deep
    assert [w.depth for w in found.as_is] == [w.depth for w in found.snow_cleared]  # none was measured


@pytest.mark.parametrize(
    ("mean", "swing", "snow", "may"),
    [
        (3.5, 15.5, SnowFate.CLEARED, True),
        (3.5, 15.5, SnowFate.LEFT, False),
        (8.0, 12.0, SnowFate.CLEARED, False),
    ],
)
def test_a_small_home_made_pier_day_by_day(mean, swing, snow, may):
    """Common practice, no source: winters of about 1000 and 200 deg C d, a base 1.2 m down in clay."""
    weather = site_weather(5.0, mean=mean, swing=swing, winter_sd=0.5)
    index = np.mean([w.index_c_d for w in winters(weather) if w.whole])
    assert (900 < index < 1150) if mean == 3.5 else (150 < index < 250)
    ground = with_snow(ground_of(1.2, "hard clay", None, "bare"), snow)
    whole = [w for w in frost_at_base(weather, ground).as_is if w.whole]
    assert [w.reaches != "no" for w in whole] == [may] * len(whole)


# The formula takes each winter for one even spell, and the ground for as warm as its mean all through.
FORMULA = 0.08


@pytest.mark.parametrize("surface", ["bare", "turf"])
def test_day_by_day_goes_as_the_manuals_formula(weather, surface):
    ground = ground_of(0.9, "silt", None, surface)
    found = frost_at_base(weather, ground)
    mean_c = surface_temperature(weather.mean_c, np.zeros(weather.day.size), ground.surface).mean()
    for season, winter in zip(winters(weather), found.as_is, strict=False):
        by_hand = depth_of_winter(ground, season.index_c_d, season.length_days, mean_c)
        assert winter.depth.middle == pytest.approx(by_hand.middle, rel=FORMULA)


def test_frost_below_the_base_is_dated(weather):
    found = frost_at_base(weather, ground_of(0.5, "silt", None, "bare"))
    winter = found.as_is[1]
    assert winter.reaches == "yes"
    assert winter.first_day < winter.deepest_day <= winter.last_day
    assert winter.below_base_m == pytest.approx(winter.depth.middle - 0.5)
    picture = found.picture
    inside = (picture.day >= winter.first_day) & (picture.day <= winter.last_day)
    assert np.nanmax(picture.bottom_m[inside]) == pytest.approx(winter.depth.middle)
    just_before = picture.bottom_m[picture.day == winter.first_day - 1][0]
    assert just_before <= 0.5 + 0.0101  # a layer under 1 cm isn't counted
    alone = frost_front(weather, ground_of(0.5, "silt", None, "bare"))  # solved without its eight companions
    both = np.isfinite(picture.bottom_m)
    assert np.array_equal(both, np.isfinite(alone.bottom_m))
    assert alone.bottom_m[both] == pytest.approx(picture.bottom_m[both], abs=1e-3)


def test_the_words_of_the_frost(weather):
    said = frost_sentences(frost_at_base(weather, ground_of(0.5, "silt", None, "bare")))
    assert said[0].startswith("In the winter 2017-18 frost went ")
    assert "It went below the pier's base at 0.5 m, by " in said[1]
    assert "snow left lying" in said[2]
    never = frost_sentences(frost_at_base(weather, ground_of(2.5, "silt", None, "bare")))
    assert never[1] == "It did not reach the pier's base at 2.5 m."


def test_each_advice_names_its_source():
    for piece in (GROUND_ADVICE[step] for step in advice.EVERYTHING):
        assert piece.source
        assert piece.sentence.endswith(".")
    assert "do not apply" in GROUND_ADVICE[advice.GroundStep.INSULATION].sentence
    assert "geotechnical engineer" in GROUND_ADVICE[advice.GroundStep.CODES].sentence
    assert set(advice.AGAINST_FROST_UNDER_BASE + advice.AGAINST_FROST_ON_COLUMN) <= set(advice.EVERYTHING)
    for what in (advice.AGAINST_FROST_UNDER_BASE, advice.AGAINST_FROST_ON_COLUMN, advice.EVERYTHING):
        assert what[-2:] == (advice.GroundStep.DIGGING, advice.GroundStep.CODES)


def test_lag_is_a_first_order_delay():
    step = np.concatenate([np.zeros(5), np.ones(60)])
    followed = lagged(step, 10.0)
    assert followed[5 + 9] == pytest.approx(1 - np.exp(-1.0))
    assert np.array_equal(lagged(step, 0.0), step)
    both = np.stack([step, step + 1.0])
    assert lagged(both, 10.0, before=0.0)[0] == pytest.approx(followed)
    # Cut in two and joined it is the same.
    joined = np.concatenate([followed[:30], lagged(step[30:], 10.0, followed[29])])
    assert joined == pytest.approx(followed)


def test_temperature_forcings(weather):
    air = air_temperature_forcing(weather, 3.0)
    assert abs(np.mean(air.value)) < 1.0
    assert np.std(air.value) < np.std(weather.mean_c)
    assert lagged(air.value, 20.0).std() < air.value.std()


def test_continuations_are_the_same_again_and_join_on(weather):
    a, b, other = (continuations(weather, 40, seed=seed) for seed in (1, 1, 2))
    assert np.array_equal(a.mean_c, b.mean_c)
    assert not np.array_equal(a.mean_c, other.mean_c)
    assert a.mean_c.shape == (40, 365)
    assert a.day[0] == weather.day[-1] + 1
    assert a.years == 6
    one_day = 1.0 - np.exp(-1.0 / 5.0)  # of today's departure is forgotten in a day
    near = 0.1 + one_day * 20.0
    assert np.abs(a.mean_c[:, 0] - weather.mean_c[-1]).max() < near
    assert a.snow_cm is None
    assert np.all(np.isfinite(a.mean_c))


def test_few_years_give_the_usual_year():
    weather = site_weather(1.6)
    ahead = continuations(weather, 60)
    assert ahead.years < 3
    assert ahead.rests_on.code is GroundCode.FROM_USUAL_YEAR
    late = slice(60, None)
    assert np.mean(ahead.mean_c[:, late] - weather.curve.at(ahead.day[late])) == pytest.approx(0.0, abs=1.0)
    assert 2.0 < np.std(ahead.mean_c[:, late] - weather.curve.at(ahead.day[late])) < 6.0


def test_made_up_days_at_the_end_are_not_taken_for_weather(weather):
    table = table_of(weather.day, weather.mean_c - 4.0, weather.mean_c + 4.0)
    longer = daily_weather(table, NORTH, through_day=int(weather.day[-1]) + 90)
    assert continuations(longer, 5).day[0] == weather.day[-1] + 1


@pytest.mark.parametrize("kind", [ForcingKind.FROZEN, ForcingKind.COLD_LEFT])
def test_forcings_ahead_go_on_from_this_winter(weather, kind):
    ground = ground_of(0.9, "clay", None, "bare")
    now = day_of("2017-01-20")
    ahead = continuations(until(weather, now), 30)
    found = frost_forcing_ahead(ahead, ground, kind)
    assert found.past.time_us[-1] + DAY_US == found.time_us[0]
    jump = 0.12  # a cold or a warm day's change
    assert np.abs(found.value[:, 0] - found.past.value[-1]).max() < jump
    assert found.value.min() >= 0.0
    assert np.median(found.value[:, 200]) == 0.0  # August
    assert np.std(found.value[:, 330]) > 0.01  # the next winter is not known
    truth = frost_forcing(weather, ground, kind)
    got = truth.at(found.time_us) * truth.per_unit / found.past.per_unit
    low, high = np.percentile(found.value, [2, 98], axis=0)
    outside = np.mean((got < low - 0.05) | (got > high + 0.05))
    assert outside < 0.3


def test_snow_is_continued_too(sample):
    _, weather, ground = sample
    ahead = continuations(weather, 12)
    assert ahead.snow_cm.shape == ahead.mean_c.shape
    assert ahead.snow_cm.min() >= 0.0
    kept, cleared = (
        frost_forcing_ahead(ahead, with_snow(ground, how)) for how in (SnowFate.LEFT, SnowFate.CLEARED)
    )
    deeper = cleared.value.max() * cleared.past.per_unit
    assert deeper > kept.value.max() * kept.past.per_unit


# 120 forecasts of the next winter's cold: the share in an 80 % band has an sd of 3.7 %; three of them.
FORECASTS, BAND = 120, 0.11


@pytest.mark.parametrize("years", [1.6, 4.0])
def test_the_next_winters_cold_falls_in_its_band(years):
    """Winters as is held likely beforehand: 80 % bands hold 80 %, whatever the length of the record."""
    inside = 0
    for seed in range(FORECASTS):
        whole = site_weather(years + 1.0, seed=1000 + seed)
        past = until(whole, int(whole.day[0] + round(years * YEAR_DAYS) // 365 * 365))
        drawn = -np.minimum(continuations(past, 60, seed=seed).mean_c, 0.0).sum(axis=1)
        after = (whole.day > past.day[-1]) & (whole.day <= past.day[-1] + 365)
        truth = -np.minimum(whole.mean_c[after], 0.0).sum()
        low, high = np.percentile(drawn, [10, 90])
        inside += low <= truth <= high
    assert inside / FORECASTS == pytest.approx(0.8, abs=BAND)


def test_words_of_the_site_file():
    assert soil_of("sandy silt").coarse == pytest.approx(1 / 3)
    assert (
        soil_of("clay", True).water_percent
        < soil_of("clay").water_percent
        < soil_of("clay", False).water_percent
    )
    assert soil_of("hard clay").dry_density_kg_m3 > soil_of("clay").dry_density_kg_m3
    assert soil_of(None) == soil_of("")
    assert soil_of("rock").conductivity(True) == 2.8
    assert frost_class("clayey silt") is FrostClass.F4
    assert frost_class("rock") is FrostClass.NFS
    assert frost_class(None) is FrostClass.UNCLASSED
    assert "first guess only" in frost_class_sentence(frost_class("sand"))
    assert surface_of("turf, snow kept").name == "turf"
    assert surface_of("asphalt").name == "bituminous"
    assert [snow_of(w) for w in ("turf, snow kept", "turf, snow cleared", "bare", "turf", None)] == [
        "left",
        "cleared",
        "cleared",
        SnowFate.AS_IT_FALLS,
        SnowFate.AS_IT_FALLS,
    ]
    assert len(ground_of().assumed) == 3
    assert ground_of(1.2, "clay", True, "turf").assumed == ()
    deep, shallow = spread(ground_of(1.2, "clay"))["deep"], spread(ground_of(1.2, "clay"))["shallow"]
    assert deep.surface.freezing > shallow.surface.freezing
    assert deep.layers[0][1].water_percent < shallow.layers[0][1].water_percent


def test_what_may_come_stays_on_the_scale_of_the_past():
    """Frost touches the base on the last day that was logged; a trace of it is no measure for what comes."""
    days = np.arange(18_000, 18_000 + 220)
    swing = 11.0 * np.cos(2.0 * np.pi * (days - days[-1] - 20) / YEAR_DAYS)
    weather = daily_weather(table_of(days, -3.0 - swing, 5.0 - swing), NORTH, int(days[0]), int(days[-1]))
    frozen = frost_front(weather, ground_of(0.9, "clay", None, None)).frozen_m
    heave = FrostHeave(weather, ground_of(float(frozen[-1]) - 1e-13, "clay", None, None), 10.0)
    assert {forcing.kind for forcing in heave.forcings()} == set(FROST_KINDS)
    for forcing in heave.forcings():
        # the usual year before the record is another with each day: the past may differ by a little
        otherwise = replace(forcing, value=forcing.value + 0.1)
        for way, same in zip(
            heave.sample_paths(forcing, 365, 6), heave.sample_paths(otherwise, 365, 6), strict=True
        ):
            assert np.array_equal(way.value, same.value)
            known = way.time_us <= forcing.time_us[-1]
            assert way.value[known] == pytest.approx(forcing.at(way.time_us[known])[:, 0], abs=0.05)


def test_winters_before_the_log_are_filled_in_and_not_counted_among_its_winters():
    """Two winters filled in before the first that the log covers, and one that has only begun after it."""
    depth = DepthRange(0.1, 0.2, 0.3)

    def winter(name, whole):
        return WinterFrost(
            winter=name, depth=depth, deepest_day=0, reaches=Reach.NO, below_base_m=0.0, first_day=None,
            last_day=None, whole=whole,
        )  # fmt: skip

    four = tuple(winter(str(k), k == 2) for k in range(4))
    found = FrostAtBase(0.5, four, four, four, picture=None)
    assert [one.winter for one in found.logged(four)] == ["2", "3"]
    none = tuple(winter(str(k), False) for k in range(2))
    assert found.logged(none) == none
