"""The picture of the coming year: the limit is one on the distance, so each coordinate has what is left."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from invented_analysis import invented

from drift.render.figures.outlook import room_left


def ahead(az_arcsec, alt_arcsec):
    return SimpleNamespace(axis=np.array([[az_arcsec, alt_arcsec]], dtype=float))


@pytest.fixture(scope="module")
def analysis():
    """Return a pier at 60 degrees, where azimuth counts half on the sky, with a limit of five arcminutes."""
    made = invented(47.3, 1)
    place = made.site.site.model_copy(update={"latitude_deg": 60.0})
    warn = made.site.warn.model_copy(update={"axis_arcmin": 5.0})
    site = made.site.model_copy(update={"site": place, "warn": warn})
    return replace(made, site=site, advice=replace(made.advice, poles=None))


def test_three_of_five_leave_four(analysis):
    low, high = room_left(analysis, ahead(0.0, 180.0), 0)
    assert (low[0], high[0]) == pytest.approx((-8.0, 8.0))  # 4 on the sky are 8 along the horizon
    low, high = room_left(analysis, ahead(480.0, 0.0), 1)
    assert (low[0], high[0]) == pytest.approx((-3.0, 3.0))  # 8 along the horizon are 4 on the sky


def test_nothing_is_left_where_the_other_coordinate_takes_all(analysis):
    low, high = room_left(analysis, ahead(0.0, 301.0), 0)
    assert np.isnan(low[0]) and np.isnan(high[0])


def test_no_room_is_drawn_without_a_limit_or_where_azimuth_counts_for_nothing(analysis):
    site = analysis.site
    unlimited = site.model_copy(update={"warn": site.warn.model_copy(update={"axis_arcmin": None})})
    assert room_left(replace(analysis, site=unlimited), ahead(0.0, 0.0), 0) is None
    pole = site.model_copy(update={"site": site.site.model_copy(update={"latitude_deg": 89.99})})
    assert room_left(replace(analysis, site=pole), ahead(0.0, 0.0), 0) is None
