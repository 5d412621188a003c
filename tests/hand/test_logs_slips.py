"""Logs as they come from day to day that once went in wrong without a word: each is seen now."""

import numpy as np
import pytest

from drift.ingest.delimited import open_bytes
from drift.ingest.guess import propose
from drift.ingest.mapping import NONE
from drift.ingest.read import read_bytes
from drift.ingest.row_check import Circumstances
from drift.ingest.sky_evidence import copied_places
from drift.ingest.times import DateOrder, TimeForm, TimeSpelling, dates_in_order
from drift.notices import IngestCode
from drift.readings import LogRead
from drift.sky.of_date import apparent_place, mean_place

NOW_US = int(np.datetime64("2026-06-01T00:00:00", "us").astype(np.int64))
FAR_NORTH = Circumstances(80.0, 10.0, 100.0, NOW_US)
HEADER = "time_utc,ra_deg,dec_deg,mount_ra_deg,mount_dec_deg"


def row(at: int, mount: tuple[float, float] | None = None) -> str:
    ra, dec = 10.0 + 3.0 * at, 60.0 + 0.5 * at
    mount_ra, mount_dec = mount or (ra + 0.31, dec + 0.12)
    return f"2024-03-01T22:{at:02d}:00Z,{ra:.5f},{dec:.5f},{mount_ra:.5f},{mount_dec:.5f}"


def read(*lines: str, end: str = "\n") -> LogRead:
    return read_bytes(("\n".join([HEADER, *lines]) + end).encode(), "log.csv", FAR_NORTH)


def codes(log: LogRead) -> list[tuple[int, IngestCode]]:
    return [(one.line, one.code) for one in log.set_aside]


# ---- a second header in mid-file


def exchanged(line: str) -> str:
    time, ra, dec, *mount = line.split(",")
    return ",".join([time, dec, ra, *mount])


def test_rows_below_a_second_header_of_another_order_are_not_read_by_the_first() -> None:
    rows = [row(at) for at in range(6)]
    second = "time_utc,dec_deg,ra_deg,mount_ra_deg,mount_dec_deg"
    log = read(*rows[:3], second, *map(exchanged, rows[3:]))
    assert log.lines.tolist() == [2, 3, 4]
    assert codes(log) == [(line, IngestCode.BELOW_OTHER_HEADER) for line in (5, 6, 7, 8)]
    assert log.set_aside[0].reason.values["header_line"] == 5


def test_the_same_header_once_more_is_no_row_and_changes_nothing() -> None:
    log = read(row(0), row(1), HEADER, row(2))
    assert log.lines.tolist() == [2, 3, 5]
    assert codes(log) == [(4, IngestCode.HEADER_AGAIN)]


# ---- a row cut while the file was being written


@pytest.mark.parametrize("cut", [1, 3, 7, 12, 40])
def test_a_last_row_cut_short_waits_for_the_whole_file(cut: int) -> None:
    rows = [row(at) for at in range(5)]
    log = read(*rows[:4], rows[4][:-cut], end="")
    assert log.lines.tolist() == [2, 3, 4, 5]
    assert codes(log) == [(6, IngestCode.LINE_CUT)]


def test_a_whole_last_row_without_a_line_end_goes_in() -> None:
    assert len(read(*(row(at) for at in range(5)), end="").raws) == 5


def test_a_short_last_number_with_a_line_end_is_what_was_written() -> None:
    assert len(read(*(row(at) for at in range(4)), row(4)[:-3]).raws) == 5


# ---- the mount's places are the solved ones


def test_a_row_whose_mount_place_is_the_solved_one_is_set_aside() -> None:
    log = read(row(0), row(1, (13.0, 60.5)), row(2))
    assert log.lines.tolist() == [2, 4]
    assert codes(log) == [(3, IngestCode.MOUNT_IS_SOLVED)]
    assert log.set_aside[0].column == "mount_ra_deg"


def test_a_whole_table_of_copied_places_gives_no_solve() -> None:
    log = read(*(row(at, (10.0 + 3.0 * at, 60.0 + 0.5 * at)) for at in range(8)))
    assert not log.raws
    assert {one.code for one in log.set_aside} == {IngestCode.MOUNT_IS_SOLVED}


@pytest.mark.parametrize("turned", [apparent_place, mean_place])
def test_places_that_were_turned_to_of_date_are_copies_as_well(turned) -> None:
    at = np.arange(200)
    us = NOW_US - at * 600_000_000
    ra, dec = (17.0 * at) % 360.0, -40.0 + 0.5 * at
    date_ra, date_dec = turned(us, ra, dec)
    assert copied_places(us, ra, dec, date_ra, date_dec).all()
    arcsec = 1.0 / 3600.0
    assert not copied_places(us, ra, dec, date_ra, date_dec + arcsec).any()
    some = np.where(at % 4 == 0, 0.0, 20.0 * arcsec)  # every fourth solve failed
    assert copied_places(us, ra, dec, date_ra, date_dec + some).tolist() == (at % 4 == 0).tolist()


# ---- plain columns beside solved ones


TWO_PLACES = "Time (UTC),RA (deg),Dec (deg),Solved RA (deg),Solved Dec (deg)\n" + "".join(
    f"2024-03-01 22:{at:02d}:00,{10.31 + 3 * at:.4f},{60.12 + at:.4f},{10 + 3 * at:.4f},{60 + at:.4f}\n"
    for at in range(12)
)


def test_plain_places_beside_solved_ones_are_asked_about() -> None:
    table = open_bytes(TWO_PLACES.encode(), "log.csv")
    question = propose(table, FAR_NORTH, {}).question
    assert question is not None
    assert question.key == "mount_ra_deg"
    assert [one.answer for one in question.choices] == ["RA (deg)", NONE]


def test_the_answer_makes_them_the_mounts_or_leaves_them_out() -> None:
    table = open_bytes(TWO_PLACES.encode(), "log.csv")
    told = {"mount_ra_deg": "RA (deg)", "mount_dec_deg": "Dec (deg)", "mount_places": "of_date"}
    mapping = propose(table, FAR_NORTH, told).mapping
    assert mapping is not None
    assert mapping.columns["mount_dec_deg"].columns == ("Dec (deg)",)
    without = propose(table, FAR_NORTH, {"mount_ra_deg": NONE}).mapping
    assert without is not None
    assert "mount_dec_deg" not in without.columns


# ---- dates with the year first, of two digits


def test_a_date_with_a_year_of_two_digits_first_may_be_just_that() -> None:
    found = TimeSpelling(TimeForm.TEXT, DateOrder.YMD).read(["24-03-01 22:14:05"])
    assert found.us[0] == np.datetime64("2024-03-01T22:14:05", "us").astype(np.int64)
    fitting = [order for order in DateOrder if dates_in_order(["24-03-01 22:14:05"], order).all()]
    assert fitting == [DateOrder.YMD, DateOrder.DMY]


def test_a_log_of_such_dates_is_read_in_the_order_of_time() -> None:
    days = [np.datetime64("2024-02-25") + 3 * at for at in range(20)]
    rows = "".join(f"{str(day)[2:]} 22:00:00,{at}.5,{at}.25\n" for at, day in enumerate(days))
    header = "UTC,az error (arcmin),alt error (arcmin)\n"
    mapping = propose(open_bytes((header + rows).encode(), "log.csv"), FAR_NORTH, {}).mapping
    assert mapping is not None
    assert mapping.time.order == DateOrder.YMD
