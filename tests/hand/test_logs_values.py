"""Cells of a log: what is a time, a number, a date, a flag, and what is none."""

from __future__ import annotations

import numpy as np
import pytest

from drift.ingest.values import parse_days, parse_flags, parse_numbers, parse_times, why_no_number
from drift.notices import IngestCode

DAY_US = 86_400_000_000


@pytest.mark.parametrize(
    "cell",
    [
        "1970-01-02T00:00:00Z",
        "1970-01-02T00:00:00.000Z",
        "1970-01-02 00:00:00z",
        "1970-01-02t00:00Z",
        "1970-01-02T00:00:00 Z",
        "1970-01-02T01:30:00+01:30",
        "1970-01-02T01:30:00+0130",
        "1970-01-01T19:00-05",
        "1970-01-02T00:00:00,000000Z",
    ],
)
def test_every_way_to_write_one_instant(cell: str) -> None:
    times = parse_times([cell])
    assert times.us.tolist() == [DAY_US]
    assert not times.unreadable.any()
    assert not times.naive.any()


def test_parts_of_a_second_to_the_microsecond() -> None:
    times = parse_times(["1970-01-01T00:00:00.1234567Z", "1970-01-01T00:00:01.5Z"])
    assert times.us.tolist() == [123_456, 1_500_000]


@pytest.mark.parametrize("cell", ["2024-03-01T22:14:05", "2024-03-01 22:14"])
def test_a_time_without_zone_is_naive_and_not_unreadable(cell: str) -> None:
    times = parse_times([cell, "2024-03-01T00:00:00Z"])
    assert times.naive.tolist() == [True, False]
    assert not times.unreadable.any()


@pytest.mark.parametrize(
    "cell",
    ["", "yesterday", "2024-13-01T00:00:00Z", "2024-02-30T00:00:00Z", "2024-03-01T25:00:00Z", "2024", "now"],
)
def test_no_time_at_all(cell: str) -> None:
    times = parse_times([cell, "2024-03-01T00:00:00Z"])
    assert times.unreadable.tolist() == [True, False]


def test_the_quick_way_and_the_careful_way_agree() -> None:
    plain = [f"20{year:02d}-0{1 + year % 9}-11T0{year % 10}:59:07.{year:03d}Z" for year in range(24)]
    careful = parse_times([*plain, "2024-03-01 00:00:00+00:00"])
    assert parse_times(plain).us.tolist() == careful.us[:-1].tolist()


def test_numbers() -> None:
    values, bad = parse_numbers(["1", "-2.5", "+.5", "1e3", "-0", "7."])
    assert values.tolist() == [1.0, -2.5, 0.5, 1000.0, 0.0, 7.0]
    assert not np.signbit(values[4])
    assert not bad.any()


def test_blank_is_not_a_bad_number() -> None:
    values, bad = parse_numbers(["", "1"])
    assert np.isnan(values[0])
    assert bad.tolist() == [False, False]


@pytest.mark.parametrize(
    "cell", ["nan", "inf", "-Infinity", "1_000", "1,5", "12:30:00", "1e999", "0x10", "x"]
)
def test_no_number(cell: str) -> None:
    values, bad = parse_numbers([cell, "1"])
    assert np.isnan(values[0])
    assert bad.tolist() == [True, False]


@pytest.mark.parametrize(
    ("cell", "code"),
    [
        ("NaN", IngestCode.NUMBER_NOT_FINITE),
        ("12:30:00", IngestCode.NUMBER_IN_PARTS),
        ("12h30m", IngestCode.NUMBER_IN_PARTS),
        ("353,83", IngestCode.NUMBER_WITH_COMMA),
        ("x", IngestCode.NUMBER_UNREADABLE),
    ],
)
def test_why_it_is_no_number(cell: str, code: IngestCode) -> None:
    assert why_no_number(cell).code is code


def test_days() -> None:
    days, none = parse_days(["1970-01-02", "2024-02-29", "2023-02-29", "1.3.2024", ""])
    assert days[:2].tolist() == [1, 19_782]  # 2024-02-29: 54 years of 365 days, 13 leap days, 59 days
    assert none.tolist() == [False, False, True, True, True]


def test_flags() -> None:
    values, bad = parse_flags(["true", "YES", "1", "False", "no", "0", "", "maybe"])
    assert values[:6].tolist() == [1, 1, 1, 0, 0, 0]
    assert np.isnan(values[6:]).all()
    assert bad.tolist() == [False] * 7 + [True]
