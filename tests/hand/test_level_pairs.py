"""End-for-end pairs of level readings: the numbers can be checked with a pencil."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from drift.night.prepared import PAIR_US, SINGLE_SD_ARCSEC, WANDER_SD_ARCSEC, find_pairs, with_pairs
from drift.notices import NightCode
from drift.readings import READING_COLUMNS, Readings, as_readings
from drift.render.notices import sentence

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US


def levels(*rows: tuple[float, float, float, float, str, float]) -> Readings:
    """Make readings of (hours, north, east, face, place, sigma)."""
    table = pd.DataFrame(
        [
            {
                "row_id": number,
                "time_us": round(hours * HOUR_US),
                "tilt_north_arcsec": north,
                "tilt_east_arcsec": east,
                "place": place,
                "face_deg": face,
                "sigma_arcsec": sigma,
            }
            for number, (hours, north, east, face, place, sigma) in enumerate(rows, start=1)
        ]
    )[list(READING_COLUMNS["levels"])]
    return as_readings({"levels": table})


def test_a_pair_is_half_the_difference_and_frees_of_the_error() -> None:
    """Tilt 20 north, 10 west; the instrument shows 30 too much along north and 4 too little along east."""
    made = with_pairs(levels((0.0, 50.0, -14.0, 0.0, "pier", 6.0), (0.2, 10.0, 6.0, 180.0, "pier", 8.0)))
    (row,) = made.readings["levels"].to_dict("records")
    assert (row["tilt_north_arcsec"], row["tilt_east_arcsec"]) == (20.0, -10.0)
    assert row["sigma_arcsec"] == 5.0  # half of the hypotenuse of 6 and 8
    assert (row["face_deg"], row["place"], row["row_id"]) == (0.0, "pier", 1)
    assert row["time_us"] == round(0.1 * HOUR_US)
    assert made.notices == ()


def test_a_pair_without_sigmas_has_that_of_two_plain_readings() -> None:
    made = with_pairs(levels((0.0, 5.0, 0.0, 0.0, "", np.nan), (0.1, 5.0, 0.0, 180.0, "pier", np.nan)))
    (row,) = made.readings["levels"].to_dict("records")
    assert row["sigma_arcsec"] == pytest.approx(SINGLE_SD_ARCSEC / np.sqrt(2.0))
    assert row["place"] == "pier"  # what is not said is the pier


def test_an_error_that_changes_from_day_to_day_does_not_show() -> None:
    rows = []
    for day, error in enumerate((0.0, 40.0, -25.0)):
        rows += [
            (24.0 * day, 7.0 + error, 2.0, 0.0, "pier", 5.0),
            (24.0 * day + 0.5, -7.0 + error, -2.0, 180.0, "pier", 5.0),
        ]
    table = with_pairs(levels(*rows)).readings["levels"]
    assert table["tilt_north_arcsec"].tolist() == [7.0] * 3
    assert table["tilt_east_arcsec"].tolist() == [2.0] * 3


def test_an_error_that_changes_much_is_told() -> None:
    rows = []
    for day, error in enumerate((0.0, 90.0)):
        rows += [(24.0 * day, error, 0.0, 0.0, "", 5.0), (24.0 * day + 0.5, error, 0.0, 180.0, "", 5.0)]
    (said,) = with_pairs(levels(*rows)).notices
    # Errors 0 and 90 along north: squares 2 x 45^2, halved over both coordinates; one more pair of 10^2;
    # two pairs; 1.5 for another day; 12.5 of each pair's own, over two.
    expected = np.sqrt((45.0**2 + 10.0**2) / 2.0 * 1.5 + 12.5 / 2.0)
    assert (said.code, said.values["place"]) == (NightCode.LEVEL_ERROR_CHANGES, "pier")
    assert said.values["sd_arcsec"] == pytest.approx(expected)
    assert f"by some {expected:.0f} arcsec" in sentence(said)


def test_readings_of_two_places_or_far_apart_in_time_are_no_pair() -> None:
    late = PAIR_US / HOUR_US + 0.01
    for other in ((0.1, 1.0, 1.0, 180.0, "plate", 5.0), (late, 1.0, 1.0, 180.0, "pier", 5.0)):
        readings = levels((0.0, 1.0, 1.0, 0.0, "pier", 5.0), other)
        assert with_pairs(readings).readings is readings


def test_each_reading_is_in_one_pair_and_the_nearest_go_together() -> None:
    found = find_pairs(
        levels(
            (0.0, 1.0, 1.0, 0.0, "pier", 5.0),
            (0.3, 2.0, 2.0, 180.0, "pier", 5.0),
            (0.4, 3.0, 3.0, 0.0, "pier", 5.0),
            (0.9, 4.0, 4.0, 180.0, "pier", 5.0),
        )["levels"]
    )
    assert [(one.first, one.second) for one in found] == [(0, 3), (2, 1)]


def test_single_readings_are_freed_of_the_error_that_pairs_show() -> None:
    made = with_pairs(
        levels(
            (0.0, 50.0, -14.0, 0.0, "pier", 6.0),
            (0.2, 10.0, 6.0, 180.0, "pier", 8.0),
            (48.0, 55.0, -13.0, 0.0, "pier", 6.0),
            (72.0, 55.0, -13.0, 180.0, "pier", 6.0),
            (96.0, 1.0, 2.0, 0.0, "mount", 6.0),
        )
    )
    pair, one, turned, mount = made.readings["levels"].to_dict("records")
    assert pair["sigma_arcsec"] == 5.0
    assert (one["tilt_north_arcsec"], one["tilt_east_arcsec"]) == (25.0, -9.0)
    assert (turned["tilt_north_arcsec"], turned["tilt_east_arcsec"], turned["face_deg"]) == (-25.0, 9.0, 0.0)
    # One pair: its wander is the expected one, for its own day and for the other; its own sd is 5.
    expected = np.sqrt(6.0**2 + 2.0 * WANDER_SD_ARCSEC**2 + 5.0**2)
    assert one["sigma_arcsec"] == pytest.approx(expected)
    assert (mount["tilt_north_arcsec"], mount["sigma_arcsec"]) == (1.0, 6.0)  # no pair there: as it was


def test_no_levels_at_all() -> None:
    readings = as_readings({})
    assert with_pairs(readings).readings is readings
