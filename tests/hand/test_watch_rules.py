"""How sure an alarm must be; what is foretold; when nothing can be watched."""

from dataclasses import replace

import numpy as np
import pytest
from advice_world import (
    ALT,
    DAY_US,
    LAST_US,
    TIMES,
    correction,
    event,
    history,
    nights,
    ramp,
    site,
    yearly,
)
from scipy.stats import norm

from drift.advice.knobs import odds_held
from drift.advice.steps import advise
from drift.history.changes import STEPS_PER_YEAR
from drift.render.watch_words import as_mapping, item_sentence
from drift.types import Analysis, Lasting
from drift.watch.changes import news, state_text
from drift.watch.limits import failed_at_least, is_alarm, odds_needed, sds_needed


def analysis(past, pier=None, seen=None):
    pier, seen = site() if pier is None else pier, nights() if seen is None else seen
    return Analysis(pier, seen, past, advise(pier, seen, past), ())


def notices(past, acknowledged=None, pier=None, seen=None, days_later=0.0, arrived_us=None):
    now_us = LAST_US + int(days_later * DAY_US)
    found = news(analysis(past, pier, seen), acknowledged, now_us, arrived_us)
    assert not found.moved
    return [item.kind for item in found.notices]


def test_fewer_false_alarms_need_better_odds():
    # with half a step a year expected, 50 to 1 call a steady pier moved 0.01 times a year
    expected = sum(rate for part, rate in STEPS_PER_YEAR.items() if part != "zero")
    assert 0.4 < expected < 1.0
    assert odds_needed(0.01) == pytest.approx(expected / 0.01)
    assert odds_needed(5.0) == 1.0
    assert sds_needed(0.1) == pytest.approx(norm.isf(0.1 / 52.0))
    assert sds_needed(0.1) == pytest.approx(2.89, abs=0.01)
    assert sds_needed(52.0) == 1.0
    # two corrections a year, of which 1 in 10 fails: 2 / 9 / 0.01 = 22 to 1
    assert failed_at_least(0.01) == pytest.approx(22.2 / 23.2, abs=1e-3)
    assert failed_at_least(0.1) == pytest.approx(0.75)


@pytest.mark.parametrize(("rate", "alarm"), [(0.1, True), (0.02, True), (0.01, False)])
def test_the_site_file_says_how_sure_an_event_must_be(rate, alarm):
    # 0.975 to 0.025 is 39 to 1
    step = event("mount_az", 10, probability={"mount_az": 0.975, "nothing": 0.025}, mount_az=90.0)
    assert is_alarm(step, rate) is alarm
    past = history(events=(step,))
    assert news(analysis(past, site(warn={"false_alarms_per_year": rate})), None).moved is alarm


def test_a_zero_that_may_have_been_lost_is_no_alarm():
    step = event("mount_az", 10, probability={"mount_az": 0.3, "zero": 0.69, "nothing": 0.01}, mount_az=90.0)
    assert not is_alarm(step, 0.1)


@pytest.mark.parametrize(("rate", "told"), [(0.1, True), (0.005, False)])
def test_the_site_file_says_how_sure_a_failed_correction_must_be(rate, told):
    past = history(corrections=(correction("azimuth", 30, asked=-120.0, found=-45.0),))
    (held,) = odds_held(site(), past)
    assert 1.0 / 20.0 < held < 1.0 / 10.0, "between 10 and 20 to 1 that it did not hold"
    found = news(analysis(past, site(warn={"false_alarms_per_year": rate})), None)
    assert [item.kind for item in found.new] == (["correction"] if told else [])


def test_nothing_is_foretold_of_a_quiet_pier():
    assert notices(history()) == []


def season(now, limit_arcmin=2.0):
    """Return a swing of 2 x 100" in altitude, half a year before its peak, and a site with a limit."""
    swing = yearly(alt=-100.0, sd_share=0.02)  # at its lowest on the last night
    past = history(axis_now=(0.0, now), **swing)
    return past, site(warn={"axis_arcmin": limit_arcmin, "tilt_arcsec": 500.0})


def test_a_limit_that_the_season_will_pass_is_foretold_once():
    # from the foot of a swing of 100 (1 - cos) it has risen 13" after 30 days; 1.28 sd are 5"
    past, pier = season(now=110.0)
    assert notices(past, pier=pier) == []
    past, pier = season(now=115.0, limit_arcmin=118.0 / 60.0)
    found = news(analysis(past, pier), None, LAST_US)
    (item,) = found.notices
    assert (item.kind, found.moved) == ("soon", False)
    assert "will likely pass its warning limit" in item_sentence(item) and "by 2024-04-" in item_sentence(
        item
    )
    known = state_text(analysis(past, pier), None, LAST_US)
    assert notices(past, known, pier) == []
    assert notices(past, state_text(analysis(past, pier), known, LAST_US), pier) == []


def test_nothing_is_foretold_from_a_log_of_years_ago_that_came_in_today():
    past, pier = season(now=115.0, limit_arcmin=118.0 / 60.0)
    today = {"days_later": 1000.0, "arrived_us": LAST_US + 1000 * DAY_US}
    assert notices(past, pier=pier) == ["soon"]
    assert notices(past, pier=pier, **today) == []


def test_a_limit_passed_is_no_longer_foretold():
    past, pier = season(now=140.0, limit_arcmin=118.0 / 60.0)
    past = replace(past, **ramp(ALT, 140.0))
    found = news(analysis(past, pier), None, LAST_US)
    assert ([item.kind for item in found.new], found.notices) == (["axis_limit"], ())


@pytest.mark.parametrize("latitude", [46.0, -46.0])
def test_a_lasting_tilt_passes_its_limit(latitude):
    # 25" of 30" east at 120" a year, known to 5 %: 4" more by day 13, and 1.28 sd of hypot(0.5, 0.2) beyond
    change = np.zeros((40, 6))
    change[:, 1] = 25.0
    sd = np.vstack([np.zeros(6), np.full((39, 6), 0.5)])
    past = history(
        change=change,
        sd=sd,
        lasting=Lasting(arcsec_per_year=120.0, arcsec_per_year_sd=6.0, toward_bearing_deg=90.0),
    )
    found = news(analysis(past, site(latitude)), None, LAST_US)
    (item,) = found.notices
    assert item.kind == "soon" and item_sentence(item).startswith("The pier's tilt will likely pass")
    assert (item.time_us - LAST_US) / DAY_US == pytest.approx(17.0, abs=2.0)


def test_a_record_that_has_fallen_silent_is_told_once_and_again_after_new_nights():
    # nights are 20 days apart: 80 days are unusual
    past = history()
    assert notices(past, days_later=79.0) == []
    assert notices(past, days_later=81.0) == ["old"]
    found = news(analysis(past), None, LAST_US + 100 * DAY_US)
    assert "since 2024-03-18, 100 days ago" in item_sentence(found.notices[0])
    known = state_text(analysis(past), None, LAST_US + 100 * DAY_US)
    assert notices(past, known, days_later=300.0) == []
    later = replace(past, time_us=past.time_us + 200 * DAY_US)
    assert notices(later, known, days_later=300.0) == ["old"]


def test_a_log_of_years_ago_that_came_in_today_is_not_silent():
    past, later_us = history(), LAST_US + 1000 * DAY_US
    assert notices(past, days_later=1000.0, arrived_us=later_us - 5 * DAY_US) == []
    assert notices(past, days_later=1000.0, arrived_us=later_us - 85 * DAY_US) == ["old"]


@pytest.mark.parametrize(("count", "kinds"), [(1, ["thin"]), (3, ["thin"]), (4, [])])
def test_too_few_nights_to_watch_by(count, kinds):
    past = history()
    few = replace(past, time_us=TIMES[:count], change=past.change[:count], sd=past.sd[:count])
    assert notices(few, seen=nights(times=TIMES[:count]), arrived_us=LAST_US) == kinds


def test_nights_too_vague_for_the_limit():
    # 2.9 sd of 42" are 121", beyond the limit of 120"
    assert notices(history(axis_sd=(0.0, 41.0))) == []
    assert notices(history(axis_sd=(0.0, 42.0))) == ["thin"]
    assert notices(history(axis_now=(np.nan, 0.0), axis_sd=(np.nan, 3.0))) == ["thin"]


def test_notices_as_data_do_not_count_as_movement():
    data = as_mapping(news(analysis(history()), None, LAST_US + 100 * DAY_US), None)
    assert (data["moved"], data["new"]) == (False, [])
    (old,) = data["notices"]
    assert (old["kind"], old["days"], old["time_utc"]) == ("old", 100.0, "2024-03-19T03:00:00Z")


def test_events_as_data_have_part_and_odds():
    step = event("mount_az", 10, mount_az=90.0)
    (item,) = as_mapping(news(analysis(history(events=(step,))), None), None)["new"]
    assert item["part"] == "mount_az"
    assert sum(item["probability"].values()) == pytest.approx(1.0)
