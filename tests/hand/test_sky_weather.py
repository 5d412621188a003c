"""Filling in the air, row by row."""

import numpy as np
import pytest

from drift.notices import SkyCode, info, warning
from drift.render.notices import sentence
from drift.sky.air import RowsUsed, fill_weather, standard_pressure_hpa
from drift.sky.place import observed

NAN = float("nan")
at_410_m = float(standard_pressure_hpa(410.0))


def test_own_then_night_then_standard():
    filled = fill_weather(
        [4.0, NAN, 8.0, NAN, NAN], [960.0, 964.0, NAN, NAN, 955.0], np.array([7, 7, 7, 9, 9]), 410.0
    )
    assert filled.temp_c.tolist() == [4.0, 6.0, 8.0, 10.0, 10.0]
    assert filled.pressure_hpa.tolist() == [960.0, 964.0, 962.0, 955.0, 955.0]
    assert filled.temp_rows == RowsUsed(own=2, night=1, standard=2, implausible=0)
    assert filled.pressure_rows == RowsUsed(own=3, night=2, standard=0, implausible=0)
    assert filled.notices == ()


def test_nothing_given_is_the_standard_atmosphere():
    filled = fill_weather([NAN, NAN], [NAN, NAN], np.array([0, 1]), 410.0)
    assert filled.temp_c.tolist() == [10.0, 10.0]
    assert filled.pressure_hpa.tolist() == [at_410_m, at_410_m]
    assert at_410_m == pytest.approx(965.0, abs=0.1)  # 1013.25 (1 - 0.0065 * 410 / 288.15) ** 5.25588
    assert filled.pressure_rows.standard == 2


def test_no_rows():
    filled = fill_weather([], [], np.array([], dtype=int), 410.0)
    assert filled.temp_c.shape == (0,)
    assert filled.temp_rows == RowsUsed(0, 0, 0, 0)


def test_a_wrong_unit_is_not_believed_and_counted():
    filled = fill_weather([281.0, 6.0], [96.5, 965.0], np.array([0, 0]), 410.0)  # kelvin, kilopascal
    assert filled.temp_c.tolist() == [6.0, 6.0]
    assert filled.pressure_hpa.tolist() == [965.0, 965.0]
    assert filled.temp_rows == RowsUsed(own=1, night=1, standard=0, implausible=1)
    assert filled.notices == (
        warning(SkyCode.TEMPERATURE_NOT_BELIEVED, rows=1, low_c=-90.0, high_c=60.0, first_c=281.0),
        warning(SkyCode.PRESSURE_NOT_BELIEVED, rows=1, low_hpa=400.0, high_hpa=1100.0, first_hpa=96.5),
    )
    assert [sentence(notice) for notice in filled.notices] == [
        "1 temperature readings lie outside -90 to 60 deg C (the first: 281) and were taken as not given; "
        "look at the unit.",
        "1 pressure readings lie outside 400 to 1100 hPa (the first: 96.5) and were taken as not given; "
        "look at the unit.",
    ]


def test_pressure_reduced_to_sea_level_is_noticed():
    rng = np.random.default_rng(2)
    night = np.arange(200)
    station = standard_pressure_hpa(1500.0) + rng.normal(0, 10, 200)
    assert fill_weather(np.zeros(200), station, night, 1500.0).notices == ()
    (reduced,) = fill_weather(np.zeros(200), rng.normal(1015, 10, 200), night, 1500.0).notices
    assert reduced.code is SkyCode.PRESSURE_OF_SEA_LEVEL
    assert reduced.values["usual_hpa"] == pytest.approx(845.6, abs=0.1)
    assert "at 1500 m about 846 hPa is usual" in sentence(reduced)
    assert "20 % too large" in sentence(reduced)


def test_columns_must_match():
    with pytest.raises(ValueError, match=r"\(2,\).*\(1,\).*\(2,\)"):
        fill_weather([1.0, 2.0], [960.0], np.array([0, 0]), 410.0)


def test_a_place_without_air_takes_the_standard_and_says_so():
    time_us = np.array([1_700_000_000_000_000, 1_700_000_100_000_000])
    bare = observed(47.3, -92.4, 410.0, time_us, 10.0, 60.0, [NAN, 3.0], NAN)
    given = observed(47.3, -92.4, 410.0, time_us, 10.0, 60.0, [10.0, 3.0], at_410_m)
    np.testing.assert_array_equal(bare.enu, given.enu)
    assert given.notices == ()
    assert bare.notices == (
        info(SkyCode.PRESSURE_STANDARD, rows=2, of_rows=2),
        info(SkyCode.TEMPERATURE_STANDARD, rows=1, of_rows=2),
    )
