"""One log in the record twice, in two time zones: which rows are copies, and which of two is used."""

import numpy as np
import pandas as pd
import pytest

from drift.night.prepared import without_copies
from drift.notices import NightCode
from drift.readings import READING_COLUMNS, as_readings

SECOND_US, MINUTE_US, HOUR_US = 1_000_000, 60_000_000, 3_600_000_000
START_US = 1_700_000_000_000_000
#: On the pole a place stays at its altitude, so that the horizon tells nothing of a time.
POLE, EQUATOR = (90.0, 0.0, 0.0), (0.0, 0.0, 0.0)

#: Rows of one log and of the other.
FIRST, OTHER = range(1, 7), range(11, 17)


def solves(count=6, first_id=1, moved_us=0, kind="solves", **columns):
    """Return solves a minute apart, each of another place."""
    at = np.arange(count)
    own = {
        "row_id": first_id + at,
        "time_us": START_US + at * MINUTE_US + moved_us,
        "ra_deg": 40.00003 + 0.1 * at,
        "dec_deg": 20.0 + 0.1 * at,
        "mount_ra_deg": 40.2 + 0.1 * at,
        "mount_dec_deg": 20.3 + 0.1 * at,
    }
    return pd.DataFrame({**own, **columns}).reindex(columns=list(READING_COLUMNS[kind]))


def once(*parts, where=POLE, kind="solves"):
    table = pd.concat(parts, ignore_index=True).sort_values("time_us", ignore_index=True)
    return without_copies(where, as_readings({kind: table}))


@pytest.mark.parametrize(("hours", "first_id"), [(1.0, 1), (-5.5, 1), (14.0, 1), (-0.25, 1), (2.0, 21)])
def test_of_two_copies_the_one_that_came_in_first_is_used(hours, first_id):
    """Rows 11 to 16 hold what rows 1 to 6 or 21 to 26 do, some hours ahead of them."""
    made = once(solves(first_id=first_id), solves(first_id=11, moved_us=round(hours * HOUR_US)))
    first = first_id < 11
    assert sorted(made.readings["solves"]["row_id"]) == (list(FIRST if first else OTHER))
    assert sorted(one.row_id for one in made.left_out) == list(OTHER if first else range(21, 27))
    assert {one.reason.code for one in made.left_out} == {NightCode.COPY_IN_OTHER_ZONE}
    (told,) = made.notices
    assert told.code is NightCode.COPIED_IN_OTHER_ZONE
    assert (told.values["readings"], told.values["rows"]) == ("solves", 6)
    assert told.values["hours_ahead"] == (hours if first else -hours)


def test_the_copy_whose_stars_were_up_is_used_whichever_came_first():
    """On the equator a star of declination 0 is up for 12 h: of two times 12 h apart it is down at one.

    Sidereal time there is GMST: at 1,700,000,000 s of Unix time, 22.22 h on a day that began at 3.52 h, it is
    1.81 h, so that a star of right ascension 27.1 deg is at the zenith.
    """
    place = {"ra_deg": 27.10003 + 0.1 * np.arange(6), "dec_deg": 0.0}
    down = solves(first_id=1, moved_us=12 * HOUR_US, **place)
    made = once(down, solves(first_id=11, **place), where=EQUATOR)
    assert sorted(made.readings["solves"]["row_id"]) == list(OTHER)


@pytest.mark.parametrize(
    "other",
    [
        solves(first_id=11, moved_us=10 * MINUTE_US),  # no zone differs by that
        solves(first_id=11, moved_us=HOUR_US + 2 * SECOND_US),  # nor by that
        solves(first_id=11, moved_us=15 * HOUR_US),
        solves(first_id=11, moved_us=HOUR_US, dec_deg=20.0 + 0.1001 * np.arange(1, 7)),  # other places
        solves(count=4, first_id=11, moved_us=HOUR_US),  # too few
    ],
)
def test_what_is_no_copy_stays(other):
    made = once(solves(), other)
    assert len(made.readings["solves"]) == 6 + len(other)
    assert made.notices == () and made.left_out == ()


def test_copies_rounded_to_the_second_and_solves_of_sweeps_are_found():
    sweep = solves(kind="sweeps", sweep="a")
    made = once(
        sweep, solves(kind="sweeps", sweep="a", first_id=11, moved_us=HOUR_US + SECOND_US), kind="sweeps"
    )
    assert made.readings["sweeps"]["row_id"].tolist() == list(FIRST)
    assert made.notices[0].values["readings"] == "sweeps"


def test_three_copies_leave_one():
    made = once(*(solves(first_id=1 + 10 * k, moved_us=k * HOUR_US) for k in range(3)))
    assert made.readings["solves"]["row_id"].tolist() == list(FIRST)


def test_solves_of_one_field_that_are_rounded_alike_are_no_copies():
    """Nine solves of a target a quarter of an hour apart, written to a thousandth of a degree."""
    at = np.arange(9)
    place = {"ra_deg": 40.125, "dec_deg": 20.25, "mount_ra_deg": 40.375, "mount_dec_deg": 20.5}
    tracked = solves(count=9, time_us=START_US + at * 900_000_000, **place)
    made = once(tracked)
    assert len(made.readings["solves"]) == 9 and made.notices == ()
