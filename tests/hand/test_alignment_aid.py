"""What an alignment aid is off by on all nights: in the axis by typed errors alone, and not beside solves."""

import numpy as np
import pandas as pd
import pytest
from night_world import FIRST_US, UNSPLIT, pointed_nights

from drift.night.estimate import estimate_nights
from drift.night.observations import Directions
from drift.night.system import AID_SD
from drift.quantities import DAY_US
from drift.types import READING_COLUMNS, as_readings

PHI = np.radians(46.0)


def typed(count, az_arcsec, alt_arcsec, sd_arcmin=0.1):
    return pd.DataFrame(
        {
            "row_id": 2000 + np.arange(count),
            "time_us": FIRST_US + 10 * DAY_US * np.arange(count) + 10_000_000_000,
            "az_error_arcmin": az_arcsec / 60.0,
            "alt_error_arcmin": alt_arcsec / 60.0,
            "sigma_arcmin": sd_arcmin,
        }
    ).reindex(columns=list(READING_COLUMNS["alignments"]))


def test_forty_nights_of_typed_errors_share_what_the_aid_is_off_by():
    """Each night is known to 6" against the others, and all of them to 20" more against the pole."""
    nothing = Directions(np.zeros((0, 3)), np.zeros(0))
    seen = dict.fromkeys(("solves", "sweeps", "runs"), nothing)
    readings = as_readings({"alignments": typed(40, 90.0, -30.0)})
    nights = estimate_nights(PHI, UNSPLIT, readings, seen, "kept").nights
    assert len(nights) == 40
    for night in nights:
        own, both = np.diagonal(night.own_covariance)[:2], np.diagonal(night.covariance)[:2]
        assert own == pytest.approx([36.0, 36.0], rel=1e-3)
        assert both - own == pytest.approx([AID_SD**2, AID_SD**2], rel=0.02)


def test_beside_solves_the_aid_s_own_error_is_found_and_the_axis_stays_with_the_solves():
    """Solves of an axis at the pole; an aid that shows it 25" east and 20" low, on all twelve nights."""
    solves, directions = pointed_nights(PHI, [0] * 12)
    readings = as_readings({"solves": solves, "alignments": typed(12, 25.0, -20.0)})
    nights = estimate_nights(PHI, UNSPLIT, readings, directions, "kept").nights
    alone = estimate_nights(PHI, UNSPLIT, as_readings({"solves": solves}), directions, "kept").nights
    moved = np.array([night.estimate[:2] for night in nights]) - [night.estimate[:2] for night in alone]
    assert np.all(np.abs(moved.mean(axis=0)) < 5.0)
