"""Row checks: each bad value by itself, set aside or left out, with line, column, value and reason."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum

import numpy as np
import pytest

from drift.errors import LogFileError
from drift.ingest.read import read_bytes
from drift.ingest.row_check import Circumstances, Quantity, Slip, standard_pressure_hpa
from drift.notices import IngestCode, Notice, info, warning
from drift.readings import LogRead, RowSetAside
from drift.render.import_words import row_words

NOW_US = int(np.datetime64("2026-06-01T00:00:00", "us").astype(np.int64))
#: Near the pole nothing far north ever sets, so that places don't matter in these tests.
FAR_NORTH = Circumstances(80.0, 10.0, 100.0, NOW_US)

GOOD = {
    "solves": {
        "time_utc": "2024-03-01T22:00:00Z",
        "ra_deg": "10",
        "dec_deg": "60",
        "mount_ra_deg": "10.1",
        "mount_dec_deg": "60.1",
        "tube_side": "East",
        "session": "a",
        "before_sync": "yes",
        "temp_c": "-3.5",
        "pressure_hpa": "1001.5",
        "exposure_s": "5",
        "pa_deg": "-91",
    },
    "sweeps": {"time_utc": "2024-03-01T22:00:00Z", "ra_deg": "10", "dec_deg": "60", "sweep": "s1"},
    "runs": {
        "time_utc": "2024-03-01T22:00:00Z",
        "ra_deg": "10",
        "dec_deg": "60",
        "run": "r1",
        "dec_offset_arcsec": "-0.5",
        "ra_offset_arcsec": "1",
    },
    "alignments": {
        "time_utc": "2024-03-01T22:00:00Z",
        "az_error_arcmin": "-1.5",
        "alt_error_arcmin": "2",
        "sigma_arcmin": "0.5",
    },
    "levels": {
        "time_utc": "2024-03-01T22:00:00Z",
        "tilt_north_arcsec": "-12",
        "tilt_east_arcsec": "3",
        "place": "pier",
        "face_deg": "180",
        "sigma_arcsec": "5",
    },
    "weather": {"date": "2024-03-01", "t_min_c": "-8", "t_max_c": "1", "t_mean_c": "-3", "snow_cm": "12"},
    "corrections": {
        "time_utc": "2024-03-01T22:00:00Z",
        "kind": "shim",
        "amount_arcmin": "",
        "bearing_deg": "-90",
        "thickness_mm": "0.1",
        "turns": "",
        "note": "north bolt",
    },
}


def read(table: str, around: Circumstances = FAR_NORTH, **changes: str) -> LogRead:
    """Read a good row, and below it the same with changes, on lines 2 and 3."""
    good = GOOD[table]
    header, rows = ",".join(good), [good, {**good, **changes}]
    text = "\n".join([header, *(",".join(row.values()) for row in rows)])
    return read_bytes(text.encode(), "log.csv", around)


@pytest.mark.parametrize("kind", GOOD)
def test_a_good_row_of_each_kind_goes_in_with_all_its_values(kind: str) -> None:
    log = read(kind)
    assert log.kind == kind
    assert not log.set_aside
    assert not log.left_out
    assert not log.remarks
    assert log.lines.tolist() == [2, 3]
    for name, text in GOOD[kind].items():
        if name in log.columns and text:
            value = log.columns[name][0]
            assert value == text.lower() if isinstance(value, str) else value in (float_of(name, text), 1.0)


def float_of(name: str, text: str) -> float:
    if name == "before_sync":
        return 1.0
    return float(text) % 360.0 if name == "bearing_deg" else float(text)


#: Kind, column, bad value -> the reason: its code, or the quantity or the slip of a value out of range.
ASIDE = [
    ("solves", "time_utc", "2024-03-01 22:00:00", IngestCode.TIME_WITHOUT_ZONE),
    ("solves", "time_utc", "1.3.2024 22:00", IngestCode.TIME_UNREADABLE),
    ("solves", "time_utc", "1970-01-01T00:00:00Z", IngestCode.TIME_TOO_EARLY),
    ("solves", "time_utc", "2026-06-02T00:00:01Z", IngestCode.TIME_IN_FUTURE),
    ("solves", "time_utc", "", IngestCode.BLANK),
    ("solves", "ra_deg", "360", Quantity.RIGHT_ASCENSION),
    ("solves", "ra_deg", "-0.1", Slip.NEGATIVE_TURN),
    ("solves", "ra_deg", "NaN", IngestCode.NUMBER_NOT_FINITE),
    ("solves", "dec_deg", "90.01", Quantity.DECLINATION),
    ("solves", "dec_deg", "", IngestCode.BLANK),
    ("solves", "mount_ra_deg", "400", Quantity.RIGHT_ASCENSION),
    ("solves", "mount_dec_deg", "-91", Quantity.DECLINATION),
    ("solves", "mount_dec_deg", "inf", IngestCode.NUMBER_NOT_FINITE),
    ("solves", "tube_side", "up", IngestCode.NOT_ONE_OF),
    ("solves", "before_sync", "maybe", IngestCode.NOT_TRUE_OR_FALSE),
    ("sweeps", "sweep", "", IngestCode.BLANK),
    ("runs", "run", "", IngestCode.BLANK),
    ("runs", "dec_offset_arcsec", "x", IngestCode.NUMBER_UNREADABLE),
    ("runs", "dec_offset_arcsec", "40000", Quantity.OFFSET),
    ("alignments", "az_error_arcmin", "700", Quantity.AXIS_ERROR),
    ("alignments", "sigma_arcmin", "0", Quantity.SIGMA),
    ("alignments", "sigma_arcmin", "-1", Quantity.SIGMA),
    ("levels", "tilt_north_arcsec", "", IngestCode.BLANK),
    ("levels", "place", "roof", IngestCode.NOT_ONE_OF),
    ("levels", "face_deg", "90", Quantity.FACE),
    ("levels", "face_deg", "left", IngestCode.NUMBER_UNREADABLE),
    ("levels", "sigma_arcsec", "0", Quantity.SIGMA),
    ("weather", "date", "03/01/2024", IngestCode.DATE_UNREADABLE),
    ("weather", "date", "2026-06-05", IngestCode.DATE_IN_FUTURE),
    ("weather", "t_min_c", "2", IngestCode.MIN_ABOVE_MAX),
    ("weather", "t_max_c", "75", Slip.FAHRENHEIT),
    ("weather", "t_min_c", "", IngestCode.BLANK),
    ("corrections", "kind", "polish", IngestCode.NOT_ONE_OF),
    ("corrections", "kind", "", IngestCode.BLANK),
    ("corrections", "thickness_mm", "", IngestCode.BLANK_FOR_KIND),
    ("corrections", "bearing_deg", "", IngestCode.BLANK_FOR_KIND),
    ("corrections", "bearing_deg", "400", Quantity.BEARING),
    ("corrections", "amount_arcmin", "a bit", IngestCode.NUMBER_UNREADABLE),
]


def has_reason(one: RowSetAside, reason: StrEnum) -> bool:
    if isinstance(reason, IngestCode):
        return one.code is reason
    values = one.reason.values
    assert one.code is IngestCode.OUT_OF_RANGE
    return values["slip" if isinstance(reason, Slip) else "quantity"] is reason


@pytest.mark.parametrize(("kind", "column", "value", "reason"), ASIDE)
def test_a_bad_value_sets_its_row_aside_and_no_other(
    kind: str, column: str, value: str, reason: StrEnum
) -> None:
    log = read(kind, **{column: value})
    assert log.lines.tolist() == [2]
    assert [len(values) for values in log.columns.values()] == [1] * len(log.columns)
    (one,) = log.set_aside
    assert (one.file, one.line, one.column, one.value) == ("log.csv", 3, column, value)
    assert has_reason(one, reason)
    assert not one.row_kept
    assert value in row_words(one)
    assert "line 3" in row_words(one)


def test_nuts_need_turns() -> None:
    (one,) = read("corrections", kind="nuts").set_aside
    assert (one.column, one.reason) == ("turns", warning(IngestCode.BLANK_FOR_KIND, kind="nuts"))


def test_how_the_reasons_are_worded(approved: Callable[[str, str], None]) -> None:
    lines = []
    for kind, column, value, _ in (*ASIDE, *LEFT_OUT):
        log = read(kind, **{column: value})
        lines += [f"{kind}: {row_words(one)}" for one in (*log.set_aside, *log.left_out)]
    approved("reasons of rows set aside", "\n".join(lines))


LEFT_OUT = [
    ("solves", "temp_c", "75", Slip.FAHRENHEIT),
    ("solves", "temp_c", "270", Slip.KELVIN),
    ("solves", "temp_c", "cold", IngestCode.NUMBER_UNREADABLE),
    ("solves", "pressure_hpa", "29.6", Slip.INCHES_OF_MERCURY),
    ("solves", "pressure_hpa", "0", Quantity.PRESSURE),
    ("solves", "exposure_s", "-1", Quantity.EXPOSURE),
    ("solves", "pa_deg", "x", IngestCode.NUMBER_UNREADABLE),
    ("runs", "ra_offset_arcsec", "x", IngestCode.NUMBER_UNREADABLE),
    ("weather", "snow_cm", "-1", Quantity.SNOW),
    ("weather", "t_mean_c", "99", Quantity.TEMPERATURE),
]


@pytest.mark.parametrize(("kind", "column", "value", "reason"), LEFT_OUT)
def test_a_spare_value_is_left_out_and_its_row_kept(
    kind: str, column: str, value: str, reason: StrEnum
) -> None:
    log = read(kind, **{column: value})
    assert log.lines.tolist() == [2, 3]
    assert np.isnan(log.columns[column][1])
    assert not np.isnan(log.columns[column][0])
    assert not log.set_aside
    (one,) = log.left_out
    assert (one.line, one.column, one.value, one.row_kept) == (3, column, value, True)
    assert has_reason(one, reason)


def test_nothing_is_left_out_of_a_row_that_is_set_aside() -> None:
    log = read("solves", temp_c="99", dec_deg="99")
    assert len(log.set_aside) == 1
    assert not log.left_out


def test_the_first_reason_found_is_the_one_told() -> None:
    (one,) = read("solves", time_utc="never", dec_deg="99").set_aside
    assert one.column == "time_utc"


#: ISO 2533:1975 table 5, geopotential altitude -> pressure [hPa] (from memory); its last printed digit is
#: 0.1 hPa.
STANDARD_ATMOSPHERE = {0.0: 1013.25, 1000.0: 898.8, 2000.0: 795.0, 3000.0: 701.1}
PRINTED_HPA = 0.1


@pytest.mark.parametrize(("elevation_m", "pressure_hpa"), STANDARD_ATMOSPHERE.items())
def test_standard_pressure(elevation_m: float, pressure_hpa: float) -> None:
    assert standard_pressure_hpa(elevation_m) == pytest.approx(pressure_hpa, abs=PRINTED_HPA)


def test_a_pressure_reduced_to_sea_level_is_noticed_on_a_mountain() -> None:
    mountain = Circumstances(80.0, 10.0, 2000.0, NOW_US)
    log = read("solves", mountain, pressure_hpa="795")
    (one,) = log.left_out
    assert (one.line, one.value) == (2, "1001.5")
    assert has_reason(one, Slip.SEA_LEVEL)


def test_a_pressure_reduced_to_sea_level_is_suspected_where_weather_could_not_make_it() -> None:
    hill = Circumstances(80.0, 10.0, 500.0, NOW_US)
    (remark,) = read("solves", hill, pressure_hpa="1012").remarks
    assert remark.code is IngestCode.PRESSURE_OF_SEA_LEVEL
    assert not read("solves", hill, pressure_hpa="930").remarks


def test_header_case_blanks_order_and_extra_columns_do_not_matter() -> None:
    text = ' T_max_C ,airmass,"Date",T_MIN_C\n 1 ,1.2, 2024-03-01 ,-8\n'
    log = read_bytes(text.encode(), "log.csv", FAR_NORTH)
    assert log.kind == "weather"
    assert (log.columns["t_min_c"][0], log.columns["t_max_c"][0]) == (-8.0, 1.0)
    assert log.raws == [" 1 ,1.2, 2024-03-01 ,-8"]
    assert log.remarks == (info(IngestCode.COLUMNS_UNUSED, columns=("airmass",), meant_for=("",)),)


def refused(text: str) -> str:
    with pytest.raises(LogFileError) as caught:
        read_bytes(text.encode(), "log.csv", FAR_NORTH)
    return str(caught.value)


def test_a_missing_column_is_named_with_the_nearest_kind() -> None:
    said = refused("time_utc,ra_deg,dec_deg,mount_ra_deg\n1,2,3,4\n")
    assert "log.csv, line 1" in said
    assert "looks like a log of solves, but lacks mount_dec_deg" in said


def test_an_unknown_header_lists_what_is_known() -> None:
    said = refused("when,where\n1,2\n")
    assert "when, where" in said
    assert "solves: time_utc, ra_deg" in said


def test_a_missing_header_is_recognised() -> None:
    assert "header is missing" in refused("2024-03-01T22:00:00Z,10,60,10.1,60.1\n")


@pytest.mark.parametrize(
    "text", ["date,t_min_c,t_max_c\n", "date,t_min_c,t_max_c", "date,t_min_c,t_max_c\n\n,,\n"]
)
def test_a_header_alone_is_refused(text: str) -> None:
    assert "no rows" in refused(text)


def test_a_column_named_twice_is_refused() -> None:
    assert "t_min_c more than once" in refused("date,t_min_c,t_max_c,T_min_C\n2024-03-01,1,2,3\n")


def test_of_two_kinds_that_fit_the_one_using_more_columns_is_taken() -> None:
    log = read_bytes(
        b"time_utc,ra_deg,dec_deg,sweep,mount_ra_deg,mount_dec_deg,tube_side\n"
        b"2024-03-01T22:00:00Z,10,60,s,10.1,60,east\n",
        "log.csv",
        FAR_NORTH,
    )
    assert log.kind == "solves"
    assert log.columns["sweep"] == ["s"]
    assert log.why.code is IngestCode.KIND_BY_COLUMNS
    assert "mount_ra_deg" in log.why.values["columns"]


def test_two_kinds_that_fit_equally_well_are_refused() -> None:
    said = refused(
        "time_utc,ra_deg,dec_deg,run,dec_offset_arcsec,mount_ra_deg,mount_dec_deg\n"
        "2024-03-01T22:00:00Z,10,60,r,1,10,60\n"
    )
    assert "solves and runs" in said


def test_a_row_with_too_many_cells_is_set_aside() -> None:
    log = read_bytes(
        b"time_utc,kind,note\n2024-03-01T22:00:00Z,zero,turned it, twice\n2024-03-01T22:00:00Z,zero,once\n",
        "log.csv",
        FAR_NORTH,
    )
    (one,) = log.set_aside
    assert (one.line, one.column) == (2, "")
    assert one.reason == warning(IngestCode.TOO_MANY_CELLS, cells=4, header_cells=3)
    assert log.lines.tolist() == [3]


def remarks_on_days(days) -> tuple[Notice, ...]:
    rows = "".join(f"{np.datetime64('2021-07-23') + day},-5,5\n" for day in days)
    text = f"date,t_min_c,t_max_c\n{rows}"
    return read_bytes(text.encode(), "weather.csv", FAR_NORTH).remarks


def test_many_missing_days_of_weather_are_told_and_a_few_are_not() -> None:
    (remark,) = remarks_on_days(range(0, 101, 2))
    assert remark.code is IngestCode.DAYS_LACKING
    first = int(np.datetime64("2021-07-23").astype(int))
    assert remark.values == {"days": 50, "of_days": 101, "first_day": first, "last_day": first + 100}
    assert remarks_on_days([*range(50), *range(53, 101)]) == ()
