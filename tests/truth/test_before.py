"""A night added to a long record: the search starts where the last answer ended, and ends there."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from drift.demo.files import make
from drift.demo.scenario import InventedStep, family
from drift.ground.heave import FrostHeave
from drift.ground.pier_site import ground_of
from drift.ground.weather import daily_weather
from drift.history.before import GROWN, LONG, from_text
from drift.history.changes import Plate
from drift.history.inputs import Inputs
from drift.history.separate import separate
from drift.night.directions import see
from drift.night.estimate import estimate_nights
from drift.night.prepared import split_nights
from drift.quantities import DAY_US

#: The search stops where the likelihood is all but flat: how far two ends may lie apart [sd].
APART_SDS = 0.05


@pytest.fixture(scope="module")
def long_record():
    scenario = replace(
        family("slips", 71, years=6.0, nights_a_year=110.0, solves_a_night=6, start="2018-09-01"),
        steps=(InventedStep(900.1, mount_az=80.0),),
    )
    readings = make(scenario).readings()
    split = split_nights(scenario.longitude_deg, readings["corrections"])
    seen = see(scenario.site, split, readings)
    latitude = np.radians(scenario.latitude_deg)
    nights = estimate_nights(latitude, split, readings, seen.directions, "kept")
    tables = (readings["levels"], readings["corrections"], Plate(None, None, None), split, "kept")

    @cache
    def history_of(count, before=None):
        """Return the history of the first nights; what was found before is given as text."""
        given = Inputs(latitude, replace(nights, nights=nights.nights[:count]), *tables)
        return separate(given, None if before is None else from_text(before))

    return history_of, len(nights.nights)


def test_the_analysis_is_the_same_to_a_twentieth_of_its_uncertainty(long_record):
    history_of, count = long_record
    assert count - 1 > LONG
    again, scratch = history_of(count, history_of(count - 1).before), history_of(count)
    apart = np.abs(again.change - scratch.change)[1:] / np.maximum(scratch.sd[1:], 1e-9)
    assert np.nanmax(apart) < APART_SDS
    assert [e.what for e in again.events] == [e.what for e in scratch.events]


@pytest.fixture(scope="module")
def heaving():
    """A long record of a pier that heaves, its weather, and how the history is made with or without."""
    scenario = family("heave", 61, years=4.0, nights_a_year=160.0, solves_a_night=5, zero="synced")
    readings = make(scenario).readings()
    split = split_nights(scenario.longitude_deg, readings["corrections"])
    seen = see(scenario.site, split, readings)
    latitude = np.radians(scenario.latitude_deg)
    nights = estimate_nights(latitude, split, readings, seen.directions, "synced")
    days = [int(night.time_us // DAY_US) for night in nights.nights]

    @cache
    def history_of(later_by_days=0, before=None, soil=None):
        """Return the history, with the weather so many days late; without weather where that is None."""
        frost = None
        if later_by_days is not None:
            weather = readings["weather"].assign(day=readings["weather"]["day"] + later_by_days)
            daily = daily_weather(weather, scenario.latitude_deg, min(days) - 1, max(days) + 1)
            frost = FrostHeave(daily, ground_of(0.9, soil, None, None), scenario.longitude_deg)
        tables = (readings["levels"], readings["corrections"], Plate(None, None, None), split, "synced")
        given = Inputs(latitude, nights, *tables, None, frost)
        return separate(given, None if before is None else from_text(before))

    return history_of


def test_weather_that_came_later_is_not_passed_over(heaving):
    without = heaving(None)
    assert without.time_us.size > LONG
    later, scratch = heaving(0, without.before), heaving()
    assert (without.follows, later.follows) == ("calendar", scratch.follows)
    assert later.forcing_odds == scratch.forcing_odds
    assert np.array_equal(later.change, scratch.change)


def test_weather_or_ground_that_was_put_right_is_looked_at_anew(heaving):
    scratch = heaving()
    assert heaving(0, heaving(60).before).forcing_odds == scratch.forcing_odds
    other_soil = heaving(0, None, "sand")
    assert heaving(0, other_soil.before).forcing_odds == scratch.forcing_odds
    kept = heaving(0, scratch.before)
    assert (kept.follows, kept.forcing_odds) == (scratch.follows, scratch.forcing_odds)


def test_a_record_that_grows_by_little_each_night_is_looked_at_from_scratch_in_the_end(long_record):
    history_of, count = long_record
    first = history_of(LONG).before
    assert from_text(first).readings == LONG
    little, much = LONG + int(0.8 * GROWN * LONG), LONG + int(1.6 * GROWN * LONG)
    second = history_of(little, first).before
    assert from_text(second).readings == LONG  # it began where the first ended
    third = history_of(much, second).before
    assert from_text(third).readings == much


def test_what_was_found_before_survives_being_written_down(long_record):
    history_of, count = long_record
    text = history_of(count).before
    assert from_text(text).text() == text
    with pytest.raises((KeyError, ValueError, TypeError)):
        from_text('{"readings": 3}')
