"""A night added to a long record: the search starts where the last answer ended, and ends there."""

from dataclasses import replace

import numpy as np
import pytest

from drift.demo.families import family
from drift.demo.scenario import Step
from drift.demo.world import make
from drift.history.before import LONG, from_text
from drift.history.causes.corrections import Plate
from drift.history.given import Given
from drift.history.separate import separate
from drift.night.directions import see
from drift.night.estimate import estimate_nights
from drift.night.split import split_nights

#: The search stops where the likelihood is all but flat: how far two ends may lie apart [sd].
APART_SDS = 0.05


@pytest.fixture(scope="module")
def long_record():
    scenario = replace(
        family("slips", 71, years=6.0, nights_a_year=110.0, solves_a_night=6, start="2018-09-01"),
        steps=(Step(900.1, mount_az=80.0),),
    )
    readings = make(scenario).readings()
    split = split_nights(scenario.longitude_deg, readings["corrections"])
    seen = see(scenario.site, split, readings)
    latitude = np.radians(scenario.latitude_deg)
    nights = estimate_nights(latitude, split, readings, seen.directions, "kept")
    tables = (readings["levels"], readings["corrections"], Plate(None, None, None), split, "kept")
    return lambda count, before=None: separate(
        Given(latitude, replace(nights, nights=nights.nights[:count]), *tables), before
    ), len(nights.nights)


def test_the_answer_is_the_same_to_a_twentieth_of_its_uncertainty(long_record):
    history_of, count = long_record
    assert count - 1 > LONG
    before = from_text(history_of(count - 1).before)
    again, scratch = history_of(count, before), history_of(count)
    apart = np.abs(again.change - scratch.change)[1:] / np.maximum(scratch.sd[1:], 1e-9)
    assert np.nanmax(apart) < APART_SDS
    assert [e.what for e in again.events] == [e.what for e in scratch.events]


def test_what_was_found_before_survives_being_written_down(long_record):
    history_of, count = long_record
    text = history_of(count).before
    assert from_text(text).text() == text
    with pytest.raises((KeyError, ValueError, TypeError)):
        from_text('{"readings": 3}')
