"""Of when advice is: a watched pier's grows old with its last night, a log of years ago is looked at."""

import pytest
from advice_world import DAY_US, LAST_US, history, nights, site, yearly
from said import said_of

from drift.advice.situation import OLD_DAYS, looked_at, silent_days
from drift.advice.steps import advise

OFF = history(axis_now=(0.0, 300.0))


def told(days_later, arrived_days=None, past=OFF):
    arrived_us = None if arrived_days is None else LAST_US + int(arrived_days * DAY_US)
    now_us = LAST_US + int(days_later * DAY_US)
    return advise(site(), nights(), past, now_us, arrived_us=arrived_us)


def does(advice):
    return [action.do for action in advice.actions]


def test_silence_counts_from_the_later_of_measured_and_read_in():
    assert silent_days(LAST_US, LAST_US + 9 * DAY_US, None) == 9.0
    assert silent_days(LAST_US, LAST_US + 9 * DAY_US, LAST_US + 2 * DAY_US) == 7.0


@pytest.mark.parametrize(
    ("days", "arrived", "expected"),
    [
        (OLD_DAYS, 0, False),  # not long past at all
        (OLD_DAYS + 1, None, False),  # not known when it came in: taken to be watched
        (OLD_DAYS + 1, 0.5, False),  # watched, and fallen silent
        (900, 890, True),
        (900, 900 - OLD_DAYS - 1, False),  # read in, and nothing since
    ],
)
def test_what_was_long_past_when_it_came_in_is_looked_at(days, arrived, expected):
    arrived_us = None if arrived is None else LAST_US + int(arrived * DAY_US)
    assert looked_at(LAST_US, LAST_US + days * DAY_US, arrived_us) is expected


def test_a_watched_pier_that_fell_silent_is_measured_before_anything_is_turned():
    assert does(told(5.0, 0.5)) == ["turn_altitude"]
    old = told(100.0, 0.5)
    assert does(old) == ["measure"]
    assert "100 days old (2024-03-18)" in said_of(old.actions[0])


def test_a_log_of_years_ago_is_answered_as_of_its_end_and_a_night_comes_first():
    past, then = told(900.0, 899.0), advise(site(), nights(), OFF)
    first, *others = past.actions
    assert (tuple(others), past.year, past.verdict) == (then.actions, then.year, then.verdict)
    assert first.do == "measure" and said_of(first).startswith("Take a night first")
    assert "of 2024-03-18, is too old to turn or lift anything by" in said_of(first)
    assert past.cautions == then.cautions


def test_what_needs_no_doing_needs_no_night_first():
    quiet = history(axis_now=(0.0, 30.0))
    assert told(900.0, 899.0, quiet) == advise(site(), nights(), quiet)


def test_a_day_s_advice_stays_the_same_and_the_year_ahead_begins_today():
    swinging = history(axis_now=(0.0, 300.0), **yearly(alt=140.0))
    midnight = 5.0 - 3.0 / 24.0  # the last night is at 3 h UTC
    early, late = told(midnight + 0.01, 0.0, swinging), told(midnight + 0.99, 0.0, swinging)
    assert early == late
    assert early.year.from_us == LAST_US + int(midnight * DAY_US)
