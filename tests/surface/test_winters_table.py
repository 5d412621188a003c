"""What winters left behind, and what of it is settlement that goes on all year."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from invented_analysis import DAY_US, invented, us

from drift.codes import CauseKind
from drift.quantities import YEAR_DAYS
from drift.render.tables.causes import came_back, settled_over, winters_table
from drift.types import CauseSeries, Lasting, Seasonal, Winter

#: From the middle of the autumn's window to that of the summer's [days]: 232.5 + 110, of drift.history.
BETWEEN_DAYS = 342.5
#: Readings stand every five days, so the middles of the windows are so uncertain.
STEP_DAYS = 5.0
RATE = 36.0  # arcsec a year toward the north
NAN = math.nan


def settling(south: bool, bearing: float = 60.0):
    """Return an answer whose pier settles evenly, with one winter, and readings every five days."""
    analysis = invented(-33.9 if south else 47.3, 1)
    time_us = np.arange(us(2023, 1, 1), us(2026, 1, 1), round(STEP_DAYS) * DAY_US)
    years = (time_us - time_us[0]) / DAY_US / YEAR_DAYS
    change, sd = np.zeros((years.size, 6)), np.zeros((years.size, 6))
    change[:, 0], sd[:, 0] = RATE * years, 2.0 * years
    history = replace(
        analysis.history,
        time_us=time_us,
        change=change,
        sd=sd,
        causes=(CauseSeries(kind=CauseKind.SETTLEMENT, change=change, sd=sd),),
        seasonal=Seasonal(
            peak_to_trough=10.0, peak_to_trough_sd=1.0, toward_bearing_deg=bearing, peak_day_of_year=40
        ),
        lasting=Lasting(arcsec_per_year=RATE, arcsec_per_year_sd=2.0, toward_bearing_deg=0.0),
        winters=(
            Winter(
                winter="2024" if south else "2023-24",
                swing=12.0,
                swing_sd=2.0,
                left_behind=17.0,
                left_behind_sd=1.0,
            ),
        ),
    )
    return replace(analysis, history=history)


@pytest.mark.parametrize("south", [False, True])
def test_settlement_counts_along_the_season_over_the_time_that_the_winter_is_judged_by(south):
    analysis = settling(south)
    value, sd = settled_over(analysis.history, analysis.history.winters[0], south)
    years = BETWEEN_DAYS / YEAR_DAYS
    few = RATE * STEP_DAYS / YEAR_DAYS
    assert value == pytest.approx(RATE * years * math.cos(math.radians(60.0)), abs=few)
    assert sd == pytest.approx(2.0 * years, abs=2.0 * STEP_DAYS / YEAR_DAYS)  # no less than that of the rate


def test_nothing_is_said_without_a_settlement_or_a_direction():
    analysis = settling(False)
    winter = analysis.history.winters[0]
    for lacking in (
        replace(analysis.history, causes=()),
        replace(analysis.history, seasonal=None),
        replace(analysis.history, winters=(), time_us=analysis.history.time_us + 9000 * DAY_US),
    ):
        assert all(math.isnan(number) for number in settled_over(lacking, winter, False))


@pytest.mark.parametrize(
    ("left", "settled", "said"),
    [
        ((22.2, 1.9), (22.9, 3.9), "hidden by settlement"),  # more than it swung, and all of it settlement
        ((22.2, 1.9), (2.0, 3.0), "not wholly"),
        ((22.2, 1.9), (NAN, NAN), "not wholly"),
        ((7.0, 1.0), (4.0, 3.0), "perhaps settlement"),
        ((1.0, 1.0), (0.5, 2.0), "yes, within its uncertainty"),
        ((1.0, 1.0), (NAN, NAN), "yes, within its uncertainty"),
        ((1.0, 1.0), (20.0, 2.0), "not wholly"),  # it went back further than it should have
        ((NAN, NAN), (3.0, 1.0), "not known yet"),
    ],
)
def test_a_winter_is_not_blamed_for_settlement(left, settled, said):
    assert came_back(*left, *settled) == said


def test_the_table_has_the_settlement_beside_what_was_left_behind():
    (row,) = winters_table(settling(False)).rows
    assert row[0] == "2023-24" and row[2] == "17.0 ± 1.0" and row[4] == "hidden by settlement"
    assert float(row[3].split(" ± ")[0]) == pytest.approx(16.9, abs=0.5)
