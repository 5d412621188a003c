"""The coming year begins today where the forecast reaches so far, else at the end of an archive."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from advice_world import DAY_US, LAST_US, history, nights, site
from invented_forecast import START_US, invented_forecast

from drift.advice.situation import outlook_of
from drift.forecast.coming import from_moment
from drift.render.outlook import ahead_sentences, coming_heading, realigning_sentences
from drift.types import ComingDay as OneDay
from drift.types import Turning

UTC = ZoneInfo("UTC")
PIER = site()
SEEN = nights()
#: The axis rests 130" from the pole, beyond the limit of 120", and nothing else is known to come.
PAST = history(axis_now=(0.0, 130.0), forecast=invented_forecast(alt=130.0, start_us=LAST_US))


def looked(days, arrived_days=None):
    arrived_us = None if arrived_days is None else LAST_US + arrived_days * DAY_US
    return outlook_of(PIER, SEEN, PAST, LAST_US + days * DAY_US, arrived_us)


def test_the_rest_of_a_forecast_begins_where_it_is_asked_to():
    ahead = invented_forecast(swing=60.0, peaks=(140.0, 160.0))
    rest = from_moment(ahead, START_US + 100 * DAY_US)
    # moments are 0, 7, ... 98, 105: two days of seven from 98 to 105
    drawn = ahead.axis[14] + (ahead.axis[15] - ahead.axis[14]) * 2.0 / 7.0
    assert rest.axis[0] == pytest.approx(drawn)
    assert rest.time_us[0] == START_US + 100 * DAY_US and rest.time_us[1] == ahead.time_us[15]
    assert rest.paths.shape == (2, rest.time_us.size, 2) and rest.within_sd.shape == rest.axis.shape
    assert np.array_equal(rest.paths[:, 1:], ahead.paths[:, 15:])
    assert from_moment(ahead, START_US - DAY_US) is ahead
    assert from_moment(ahead, int(ahead.time_us[-1])) is None


def test_of_a_watched_pier_the_months_begin_with_the_present_one():
    # the last night is of 2024-03-19
    assert outlook_of(PIER, SEEN, PAST).months[0].name == "2024-03"
    assert looked(20).months[0].name == "2024-04"
    later = looked(150)
    assert [month.name for month in later.months] == [f"2024-{m:02}" for m in range(8, 13)] + [
        f"2025-{m:02}" for m in range(1, 4)
    ]
    assert coming_heading(later, UTC) == "The coming year"
    said = " ".join(ahead_sentences(later, UTC))
    assert "This is worked out from readings up to 2024-03 and reaches to 2025-03-18" in said
    assert (
        "is beyond 2' (the warning limit for the axis) at some time until 2025-03-18"
        in (realigning_sentences(later, UTC, None)[0])
    )


def test_of_old_logs_it_is_the_year_after_their_end():
    past = looked(900, arrived_days=899)
    assert past.months[0].name == "2024-03"
    assert coming_heading(past, UTC) == "The coming year, as of 2024-03"
    assert past.since_us is None


def test_of_old_logs_whose_forecast_reaches_to_today_it_begins_today_and_asks_for_nights_first():
    past = looked(150, arrived_days=149)
    assert past.months[0].name == "2024-08"
    assert past.as_of_us is None and past.since_us == LAST_US
    assert coming_heading(past, UTC) == "The coming year"
    worth = realigning_sentences(past, UTC, LAST_US + 150 * DAY_US)[1]
    assert worth.startswith("Re-aligning is worth it, if a few new nights bear this out")


def test_a_forecast_that_has_run_out_is_none():
    assert looked(400) is None


@pytest.mark.parametrize(
    ("peak", "back", "said"),
    [
        (-40, 30, "It was to be furthest out about 2024-02-08, and will be back about 2024-04-18"),
        (-60, -20, "It was to be furthest out about 2024-01-19, and back about 2024-02-28"),
        (-40, None, "It was to be furthest out about 2024-02-08."),
        (90, -20, "It will next be furthest out about 2024-06-17."),
        (30, 90, "It will be furthest out about 2024-04-18, and back about 2024-06-17"),
    ],
)
def test_what_was_to_come_before_today_is_not_still_to_come(peak, back, said):
    def on(days):
        time_us = LAST_US + (days or 0) * DAY_US
        return None if days is None else OneDay(time_us=time_us, first_us=time_us, last_us=time_us)

    turning = Turning(swing=40.0, peak=on(peak), back=on(back))
    made = replace(outlook_of(PIER, SEEN, PAST), season_sure=True, turning=turning)
    assert said in ahead_sentences(made, UTC)[0]
