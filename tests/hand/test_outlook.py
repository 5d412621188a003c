"""The coming year, from invented forecasts whose numbers can be checked with a pencil."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from advice_world import history, nights, site
from invented_forecast import HALF_BAND_SDS, START_US, invented_forecast
from said import said_of
from scipy.stats import norm

from drift.advice.situation import Situation
from drift.advice.steps import advise
from drift.codes import AxisBound, CauseKind, ForcingKind
from drift.forecast.coming import TIME_CONSTANTS_YEARS, mixture_quantile, no_surer_than, still_to_come
from drift.forecast.outlook import BACK_SHARE, beyond, months_of, realigning_of, turning_of
from drift.forecast.season import Season
from drift.notices import GroundCode, info
from drift.quantities import DAY_US
from drift.render.outlook import (
    ahead_sentences,
    forcing_sentences,
    realigning_sentences,
    settlement_sentences,
)
from drift.site.file import pier_from_mapping
from drift.types import AxisForecast as Daily
from drift.types import Outlook, Settling

UTC = ZoneInfo("UTC")
#: The forecast has a moment a week: half of that to either side.
HALF_WEEK_DAYS = 4.0
#: Thirteen values stand for a normal law: a chance is right to about this.
CHANCE_STEP = 0.06


def situation(ahead, tolerance=120.0, latitude_deg=60.0, pole=(0.0, 0.0), aim="year"):
    """Return where an axis of the forecast stands; at 60 degrees azimuth counts half on the sky."""
    site = pier_from_mapping(
        {
            "site": {"latitude_deg": latitude_deg, "longitude_deg": 0.0, "elevation_m": 0.0},
            "optics": {"aim": aim},
        }
    )
    return Situation(
        site=site,
        latitude_rad=np.radians(latitude_deg),
        zone=UTC,
        time_us=START_US,
        now_us=START_US,
        span_days=700.0,
        pole=np.array(pole),
        now=ahead.axis[0] - pole,
        now_sd=ahead.axis_sd[0],
        season=Season(year=np.zeros((366, 2)), rest=None, mean_sd=np.zeros(2), winter_share=0.0),
        forecast=Daily(time_us=ahead.time_us, axis=ahead.axis, sd=ahead.axis_sd),
        off_aim=np.zeros(2),
        tolerance=tolerance,
        tolerance_of=AxisBound.WARNING_LIMIT,
        matters=(),
    )


def outlook(ahead, **more):
    at = situation(ahead)
    made = Outlook(
        from_us=START_US,
        months=months_of(ahead, at, UTC),
        turning=turning_of(ahead, at),
        realigning=realigning_of(ahead, at),
        settling=ahead.settling,
        forcing_odds={ForcingKind.CALENDAR: 1.0},
        causes={},
        season_sure=True,
        span_days=700.0,
        rests_on=ahead.rests_on,
        forecast=ahead,
    )
    return replace(made, **more)


def test_the_chance_of_one_coordinate_is_that_of_its_normal_law():
    ahead = invented_forecast(alt=100.0, sd=20.0)
    share = beyond(ahead, situation(ahead, tolerance=120.0), np.zeros(2)).mean(axis=0)
    # alone, altitude passes 120 at one sd above: 0.159; azimuth's 20 x cos 60 beside it adds half an
    # arcsecond
    assert share == pytest.approx(np.full(share.size, 1.0 - norm.cdf(1.0)), abs=CHANCE_STEP)


def test_azimuth_counts_on_the_sky_and_the_pole_aimed_at_is_taken_off():
    ahead = invented_forecast(az=230.0, alt=70.0, sd=0.01)
    at = situation(ahead, tolerance=120.0, pole=(0.0, 70.0))
    assert not beyond(ahead, at, np.zeros(2)).any()  # 230 cos 60 = 115 from the pole aimed at
    assert beyond(ahead, at, np.array([12.0, 0.0])).all()  # 242 cos 60 = 121


def test_months_are_those_of_the_calendar_and_their_bands_those_of_the_forecast():
    ahead = invented_forecast(az=10.0, alt=-20.0, sd=5.0)
    months = months_of(ahead, situation(ahead), UTC)
    assert [month.name for month in months] == [
        *(f"2024-{m:02d}" for m in (10, 11, 12)),
        *(f"2025-{m:02d}" for m in range(1, 10)),
    ]
    assert months[3].axis == pytest.approx([10.0, -20.0])
    assert months[3].axis_high - months[3].axis == pytest.approx([5.0 * HALF_BAND_SDS] * 2)


def test_a_triangle_is_furthest_at_its_tip_and_back_when_a_fifth_is_left():
    turning = turning_of(invented_forecast(swing=80.0, peaks=(140.0,)), situation(invented_forecast()))
    assert turning.swing == pytest.approx(80.0, abs=80.0 / 60.0 * HALF_WEEK_DAYS)
    assert (turning.peak.time_us - START_US) / DAY_US == pytest.approx(140.0, abs=HALF_WEEK_DAYS)
    back = 140.0 + (1.0 - BACK_SHARE) * 60.0
    assert back <= (turning.back.time_us - START_US) / DAY_US <= back + 7.0


def test_ways_of_the_frost_spread_the_dates():
    peaks = np.linspace(120.0, 160.0, 21)
    ahead = invented_forecast(swing=80.0, peaks=peaks)
    turning = turning_of(ahead, situation(ahead))
    between = [(t - START_US) / DAY_US for t in (turning.peak.first_us, turning.peak.last_us)]
    assert between == pytest.approx([124.0, 156.0], abs=HALF_WEEK_DAYS)


def spans_days(turning):
    return [
        [(t - day.time_us) / DAY_US for t in (day.first_us, day.last_us)]
        for day in (turning.peak, turning.back)
    ]


def test_no_day_is_told_more_closely_than_half_the_step_of_the_forecast():
    ahead = invented_forecast(swing=80.0, peaks=(140.0, 140.0, 140.0))
    assert spans_days(turning_of(ahead, situation(ahead))) == [[-3.5, 3.5], [-3.5, 3.5]]


def test_the_day_is_the_middle_of_the_ways_and_not_that_of_their_mean():
    ahead = invented_forecast(swing=80.0, peaks=(112.0, 112.0, 112.0, 112.0, 168.0))
    turning = turning_of(ahead, situation(ahead))
    assert (turning.peak.time_us - START_US) / DAY_US == 112.0
    assert turning.peak.first_us < turning.peak.time_us < turning.peak.last_us


def test_what_goes_astray_about_the_ways_spreads_the_days_and_what_shifts_a_whole_way_does_not():
    ahead = invented_forecast(swing=80.0, peaks=(140.0,), sd=20.0)  # the same all year: a shift
    assert spans_days(turning_of(ahead, situation(ahead)))[0] == [-3.5, 3.5]
    walk = 0.5 * np.sqrt((ahead.time_us - START_US) / DAY_US / 7.0)  # half an arcsecond a week
    ahead = replace(ahead, within_sd=np.stack([np.zeros(walk.size), np.hypot(2.0, walk)], axis=1))
    little = spans_days(turning_of(ahead, situation(ahead)))
    more = spans_days(turning_of(replace(ahead, within_sd=20.0 * ahead.within_sd), situation(ahead)))
    # a tip that falls by 80 / 60 x 7 = 9.3 a week: half an arcsecond a week doesn't move it, ten do
    assert little[0] == [-3.5, 3.5]
    assert more[0][0] <= -7.0 and more[0][1] >= 7.0


def test_what_lasts_is_no_swing():
    ahead = invented_forecast()
    line = np.linspace(0.0, 60.0, ahead.time_us.size)[:, None] * [0.0, 1.0]
    ahead = replace(ahead, axis=ahead.axis + line, paths=ahead.paths + line)
    assert turning_of(ahead, situation(ahead)) is None


def test_a_swing_within_what_is_not_known_is_not_told():
    assert turning_of(invented_forecast(swing=10.0, sd=30.0), situation(invented_forecast())) is None


def test_from_its_tip_on_it_only_comes_back():
    mid_winter_us = START_US + 106 * DAY_US  # 2025-01-15
    ahead = invented_forecast(start_us=mid_winter_us)
    heave = np.clip(1.0 - (ahead.time_us - mid_winter_us) / DAY_US / 60.0, 0.0, None)
    again = heave + heave[::-1]  # furthest now, and again in a year
    paths = np.stack([np.zeros(again.size), -80.0 * again], axis=1)[None]
    ahead = replace(ahead, paths=paths, axis=paths[0])
    turning = turning_of(ahead, situation(ahead))
    assert turning.peak is None
    assert 48.0 <= (turning.back.time_us - mid_winter_us) / DAY_US <= 56.0
    assert ahead_sentences(outlook(ahead), UTC)[0].startswith("Over the year the axis swings by about 80")
    assert "furthest out now, and will be back about 2025-03-" in ahead_sentences(outlook(ahead), UTC)[0]


def test_realigning_is_worth_it_where_it_takes_the_chance_away():
    far = invented_forecast(alt=150.0, sd=5.0)
    said = realigning_sentences(outlook(far), UTC, None)
    assert "is over 99 %; it is now" in said[0]
    assert said[1].startswith(
        "Re-aligning is worth it now: set as advised, the chance over the year is under 1 %"
    )


def test_realigning_is_worth_it_before_the_tolerance_is_likely_passed():
    ahead = invented_forecast(alt=-60.0, swing=80.0, peaks=(140.0,), sd=5.0)
    said = realigning_sentences(outlook(ahead), UTC, None)
    # 60 + 80 (1 - (140 - t) / 60) = 120 at t = 125: 2025-02-03; weeks run from 1 October
    assert "from about 2025-02-04 on it is more likely beyond than not" in said[0]
    # 5" of sd: a tenth of the courses are 6.4" further, and there three days before
    assert said[1].startswith(
        "Re-aligning is worth it, by 2025-01-28 at the latest (until then the chance is at most 10 %)"
    )
    by_us = outlook(ahead).realigning.by_us
    assert "by 2025-01-28" in realigning_sentences(outlook(ahead), UTC, by_us - DAY_US)[1]
    past = realigning_sentences(outlook(ahead), UTC, by_us + DAY_US)[1]
    assert "2025" not in past and "soon" in past, "a day that is over is not advised"


@pytest.mark.parametrize("sd", [5.0, 15.0, 25.0])
def test_the_latest_day_to_realign_is_one_of_a_small_chance(sd):
    ahead = invented_forecast(alt=-60.0, swing=80.0, peaks=(140.0,), sd=sd)
    found = realigning_of(ahead, situation(ahead))
    off = beyond(ahead, situation(ahead), np.zeros(2))
    k = int(np.flatnonzero(ahead.time_us == found.by_us)[0])
    assert found.worth and found.by_us < found.likely_us
    assert off[:, : k + 1].any(axis=1).mean() <= 0.1 < off[:, : k + 2].any(axis=1).mean()


def test_nothing_now_is_said_with_the_day_to_realign_by():
    past = history(
        axis_now=(0.0, -60.0), forecast=invented_forecast(alt=-60.0, swing=80.0, peaks=(140.0,), sd=5.0)
    )
    (only,) = advise(site(), nights(), past).actions
    assert only.do == "nothing"
    assert said_of(only).startswith(
        "Nothing needs doing now; re-align by about 2025-01-28: the axis is 1.00'"
    )
    near = history(axis_now=(0.0, 0.0), forecast=invented_forecast(sd=5.0))
    (only,) = advise(site(), nights(), near).actions
    assert said_of(only).startswith("Nothing needs doing: ") and only.until_us is None


def test_realigning_is_not_worth_it_far_from_the_tolerance():
    assert realigning_sentences(outlook(invented_forecast(sd=5.0)), UTC, None)[1] == (
        "Re-aligning is not worth it in the coming year."
    )


def test_realigning_changes_little_where_the_pier_itself_swings_too_far():
    ahead = invented_forecast(alt=150.0, swing=300.0, peaks=(140.0,), sd=5.0)
    assert realigning_sentences(outlook(ahead), UTC, None)[1].startswith(
        "Re-aligning now would change little"
    )


@pytest.mark.parametrize(
    ("odds", "said"),
    [
        ({ForcingKind.CALENDAR: 1.0}, "The tilt is taken to follow the calendar"),
        (
            {ForcingKind.CALENDAR: 0.95, ForcingKind.FROZEN: 0.05},
            "The tilt follows the calendar, the same every year (95 % sure)",
        ),
        (
            {ForcingKind.CALENDAR: 0.5, ForcingKind.FROZEN: 0.5},
            "Whether the tilt follows the frost or something else that comes every year, these readings",
        ),
        (
            {ForcingKind.CALENDAR: 0.03, ForcingKind.TEMPERATURE: 0.96, ForcingKind.FROZEN: 0.01},
            "The tilt follows the temperature of the air, which bends pier and mount (96 % sure)",
        ),
        (
            {
                ForcingKind.CALENDAR: 0.2,
                ForcingKind.TEMPERATURE: 0.3,
                ForcingKind.MOISTURE: 0.49,
                ForcingKind.FROZEN: 0.01,
            },
            "The tilt does not follow the frost that the weather makes (99 % sure); what it follows",
        ),
        (
            {ForcingKind.CALENDAR: 0.001, ForcingKind.FROZEN: 0.5, ForcingKind.COLD_LEFT: 0.499},
            "which measure of it, these readings can't",
        ),
        (
            {ForcingKind.CALENDAR: 0.001, ForcingKind.FROZEN: 0.999},
            "The tilt follows the frost: the thickness of frozen soil (over",
        ),
    ],
)
def test_the_driver_is_told_with_its_odds_and_cannot_be_told_where_they_coincide(odds, said):
    assert said in forcing_sentences(outlook(invented_forecast(), forcing_odds=odds))[0]


def test_causes_of_the_last_year_are_told_the_largest_first():
    made = outlook(
        invented_forecast(), causes={CauseKind.SEASON: 3.0, CauseKind.FROST: 40.0, CauseKind.SETTLEMENT: 0.1}
    )
    assert forcing_sentences(made)[1].endswith('end to end: frost 40" and the rest of the yearly swing 3".')


def test_a_driver_that_moves_less_than_the_wander_is_not_praised():
    moved = {CauseKind.FROST: 2.0, CauseKind.WANDER_OF_PIER: 15.0}
    made = outlook(
        invented_forecast(),
        causes=moved,
        forcing_odds={ForcingKind.CALENDAR: 0.001, ForcingKind.FROZEN: 0.999},
    )
    said = forcing_sentences(made)
    assert len(said) == 2 and 'it moved it by 2.0" only' in said[0] and "follows the frost" not in said[0]
    more = replace(made, causes={CauseKind.FROST: 20.0, CauseKind.WANDER_OF_PIER: 15.0})
    assert "follows the frost" in forcing_sentences(more)[0]


def test_an_unsure_season_is_said_to_be_so():
    made = outlook(
        invented_forecast(),
        season_sure=False,
        rests_on=info(GroundCode.FROM_PAST_YEARS, years=4, from_day=19_700),
    )
    said = ahead_sentences(made, UTC)
    assert said[0].startswith("No yearly swing can be told from these readings yet")
    assert "swings by" not in said[0]
    assert said[1] == "The frost to come: drawn from 4 past years of weather, from 2023-12-09 on."
    lent = ahead_sentences(made, UTC, borrowed=True)
    assert "its neighbours' winters" in lent[0] and "usual for piers" not in lent[0]
    short = ahead_sentences(replace(made, span_days=300.0), UTC)
    assert short[1].startswith("The nights span less than a year")


def test_curves_leave_what_their_exponentials_say():
    left, year = still_to_come(np.array([0, round(365.25 * 2.0) * DAY_US]))
    first, second = TIME_CONSTANTS_YEARS
    assert left[0] == pytest.approx([0, np.exp(-2 / first), np.exp(-2 / second), 0, 0, 0], abs=1e-3)
    # in the third year the line does one year's worth, a curve what it does between two and three years
    curve = np.exp(-2 / second) - np.exp(-3 / second)
    assert year[1, 3:] == pytest.approx([1.0, np.exp(-2 / first) - np.exp(-3 / first), curve], abs=1e-3)


def test_settlement_is_told_with_its_direction_or_perhaps_none():
    sure = Settling(
        left=np.array([0.0, 20.0]),
        left_sd=np.full(2, 2.0),
        year=np.array([0.0, 8.0]),
        year_sd=np.full(2, 1.0),
    )
    said = settlement_sentences(outlook(invented_forecast(settling=sure)))[0]
    assert '20" ± 2" toward the east (bearing 90°) is still to come' in said
    unsure = replace(sure, left=np.array([1.0, 0.0]))
    assert "(perhaps none) is still" in settlement_sentences(outlook(invented_forecast(settling=unsure)))[0]
    assert settlement_sentences(outlook(invented_forecast())) == ()


def test_a_band_is_the_quantile_of_the_mixture():
    one = mixture_quantile(np.array([[3.0]]), np.array([[2.0]]), 0.9)
    assert one == pytest.approx([3.0 + 2.0 * HALF_BAND_SDS], abs=1e-3)
    # of two laws far apart, three quarters lie below the middle of the upper one
    two = mixture_quantile(np.array([[0.0], [100.0]]), np.ones((2, 1)), 0.75)
    assert two == pytest.approx([100.0], abs=1e-3)
    alike = mixture_quantile(np.zeros((40, 1)), np.ones((40, 1)), 0.1)
    assert alike == pytest.approx([-HALF_BAND_SDS], abs=1e-3)


def test_a_band_is_widened_as_normal_laws_add():
    """What is known exactly and has 1 +- 0 more is good to 1; 3 and 4 arcsec make 5.  Nothing narrows."""
    ahead = invented_forecast(sd=0.0)
    wider = no_surer_than(ahead, np.array([1.0, 0.0]), np.array([0.0, 1.0]))
    assert (wider.tilt_high - ahead.tilt)[:, 0] == pytest.approx(HALF_BAND_SDS, abs=1e-4)
    assert (ahead.axis - wider.axis_low)[:, 1] == pytest.approx(HALF_BAND_SDS, abs=1e-4)
    assert np.array_equal(wider.tilt_high[:, 1], ahead.tilt[:, 1])
    ahead = invented_forecast(sd=3.0)
    wider = no_surer_than(ahead, np.full(2, 5.0), np.full(2, 4.0))
    for middle, high, sd in (
        (wider.tilt, wider.tilt_high, wider.tilt_sd),
        (wider.axis, wider.axis_high, wider.axis_sd),
    ):
        assert sd == pytest.approx(5.0) and high - middle == pytest.approx(5.0 * HALF_BAND_SDS, abs=1e-3)
    assert wider.within_sd == pytest.approx(5.0)
    assert np.array_equal(no_surer_than(ahead, np.ones(2), np.zeros(2)).tilt_high, ahead.tilt_high)
