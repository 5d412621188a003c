"""An owner who images some targets in an evening and syncs on each: a session for each of them."""

import numpy as np
import pandas as pd
import pytest
from night_world import FIRST_US

from drift.night.observations import with_target_sessions
from drift.quantities import DAY_US
from drift.types import READING_COLUMNS

MINUTE_US = 60_000_000


def evenings(solves, nights=2, apart_deg=20.0, session="", before_sync=np.nan):
    """Return nights of so many solves on each of some targets, `apart_deg` apart, and the night of each."""
    target = np.repeat(np.arange(len(solves)), solves)
    at = np.tile(np.arange(target.size), nights)
    night = np.repeat(np.arange(nights), target.size)
    table = pd.DataFrame(
        {
            "row_id": np.arange(at.size),
            "time_us": FIRST_US + night * DAY_US + at * MINUTE_US,
            "ra_deg": 100.0,
            "dec_deg": apart_deg * np.tile(target, nights) + 0.01 * at,
            "session": np.full(at.size, session, dtype=object),
            "before_sync": before_sync,
        }
    )
    return table.reindex(columns=list(READING_COLUMNS["solves"])), night


def test_each_target_of_each_evening_is_a_session():
    """Two evenings of 3, 4 and 3 solves: six targets, numbered on from night to night."""
    table, night = evenings((3, 4, 3))
    found = with_target_sessions(table, night)
    wanted = [f"target {number}" for number in np.repeat(np.arange(6), (3, 4, 3, 3, 4, 3))]
    assert found["session"].tolist() == wanted
    shuffled = np.random.default_rng(1).permutation(len(table))
    again = with_target_sessions(table.iloc[shuffled].reset_index(drop=True), night[shuffled])
    assert again["session"].tolist() == [wanted[k] for k in shuffled]


@pytest.mark.parametrize(
    ("solves", "more"),
    [
        ((10,), {}),  # one target a night
        ((2, 2, 2, 2), {}),  # too few on each
        ((1, 1, 1, 3, 3, 1, 1, 1, 1), {}),  # most are spread over the sky
        ((5, 5), {"apart_deg": 0.5}),  # within a field
    ],
)
def test_other_evenings_are_not_of_that_kind(solves, more):
    table, night = evenings(solves, **more)
    assert with_target_sessions(table, night) is None


def test_what_the_log_says_of_sessions_stays():
    table, night = evenings((3, 3), session="a")
    assert set(with_target_sessions(table, night)["session"]) == {"a"}
    table, night = evenings((3, 3), before_sync=1.0)
    assert set(with_target_sessions(table, night)["session"]) == {""}


def test_nothing_to_look_at():
    table, night = evenings((), nights=0)
    assert with_target_sessions(table, night) is None
