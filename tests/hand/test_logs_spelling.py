"""Numbers, angles, times, zones and sides as people write them, against values worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from drift.ingest.times import TimeSpelling, to_utc, zone_named
from drift.ingest.units import Unit, UnitName, to_our_unit, unit_of, units_for
from drift.ingest.values import LOOKS, ON, NumberSpelling, side_of
from drift.notices import IngestCode

#: Floating point: sums of three parts of sixty.
ROUNDING = 1e-12


@pytest.mark.parametrize(
    ("column", "unit", "cell", "value"),
    [
        ("ra_deg", "hours", "12:30:00", 187.5),
        ("ra_deg", "hours", "12h30m36s", 187.65),
        ("ra_deg", "hours", "12 30 36,0", 187.65),
        ("ra_deg", "hours", "12.5", 187.5),
        ("ra_deg", "degrees", "187:30:00", 187.5),
        ("dec_deg", "degrees", "-00:30:00", -0.5),
        ("dec_deg", "degrees", "\u221205°12'36\"", -5.21),
        ("dec_deg", "degrees", "+5d 12.6m", 5.21),
        ("dec_deg", "degrees", "12.25°", 12.25),
        ("dec_deg", "degrees", "59:59:60", 60.0),
        ("az_error_arcmin", "arcsec", "90", 1.5),
        ("az_error_arcmin", "arcsec", "1.5'", 1.5),
        ("alt_error_arcmin", "degrees", "-0:01:30", -1.5),
        ("tilt_north_arcsec", "mm_per_m", "1", np.degrees(np.arctan(1e-3)) * 3600),
        ("tilt_north_arcsec", "arcmin", "0.5", 30.0),
        ("temp_c", "F", "-40", -40.0),
        ("temp_c", "C", "212 °F", 100.0),
        ("pressure_hpa", "inHg", "29.53", 1000.0005),
        ("thickness_mm", "thou", "10", 0.254),
        ("snow_cm", "in", "10", 25.4),
        ("exposure_s", "ms", "500", 0.5),
    ],
)
def test_a_number_in_its_unit(column: str, unit: str, cell: str, value: float) -> None:
    found, bad = NumberSpelling(column, Unit(UnitName(unit))).read([cell])
    assert not bad[0]
    assert found[0] == pytest.approx(value, rel=1e-6 if "hpa" in column else ROUNDING, abs=ROUNDING)


@pytest.mark.parametrize(
    ("column", "unit", "cell", "why"),
    [
        ("ra_deg", "degrees", "12h30m00s", IngestCode.NUMBER_IN_OTHER_UNIT),
        ("ra_deg", "hours", "12d30m00s", IngestCode.NUMBER_IN_OTHER_UNIT),
        ("ra_deg", "hours", "12:61:00", IngestCode.PARTS_BEYOND_60),
        ("ra_deg", "hours", "12:30:61", IngestCode.PARTS_BEYOND_60),
        ("dec_deg", "degrees", "12.5 kg", IngestCode.NUMBER_UNREADABLE),
        ("dec_deg", "degrees", "1_0", IngestCode.NUMBER_UNREADABLE),
        ("dec_deg", "degrees", "nan", IngestCode.NUMBER_NOT_FINITE),
        ("temp_c", "C", "1:30", IngestCode.PARTS_BEYOND_60),
    ],
)
def test_what_is_no_number_says_why(column: str, unit: str, cell: str, why: IngestCode) -> None:
    spelling = NumberSpelling(column, Unit(UnitName(unit)))
    found, bad = spelling.read([cell])
    assert bad[0]
    assert np.isnan(found[0])
    assert spelling.why(cell).code is why


def test_a_point_among_decimal_commas_is_not_guessed_at() -> None:
    spelling = NumberSpelling("dec_deg", Unit(UnitName.DEGREES), ",")
    found, bad = spelling.read(["12,5", "12.5", ""])
    assert bad.tolist() == [False, True, False]
    assert found[0] == 12.5
    assert spelling.why("12.5").code is IngestCode.NUMBER_WITH_POINT


def test_many_cells_alike_and_one_by_one_give_the_same() -> None:
    cells = [f"{'-' if at % 2 else '+'}{at:02d}:{at % 60:02d}:{at * 7 % 60:02d}.{at:03d}" for at in range(80)]
    spelling = NumberSpelling("dec_deg", Unit(UnitName.DEGREES))
    together, _ = spelling.read(cells)
    assert together.tolist() == pytest.approx([spelling.read([cell])[0][0] for cell in cells], abs=ROUNDING)
    odd, _ = spelling.read([*cells, "1:2:3"])
    assert odd[:-1].tolist() == pytest.approx(together.tolist(), abs=ROUNDING)


MOMENT = "2024-03-01T22:14:05.250"


@pytest.mark.parametrize(
    ("form", "order", "cell"),
    [
        ("text", "year_month_day", "2024-03-01T22:14:05.25Z"),
        ("text", "year_month_day", "20240301T221405.25Z"),
        ("text", "year_month_day", "2024/3/1 22:14:05,250 UTC"),
        ("text", "year_month_day", "2024-Mar-01 22:14:05.25"),
        ("text", "year_month_day", "2024-03-01T23:14:05.25+01:00"),
        ("text", "year_month_day", "2024-03-01T17:44:05.25-0430"),
        ("text", "day_month_year", "01.03.2024 22:14:05,25"),
        ("text", "day_month_year", "1. 3. 24 22:14:05.25"),
        ("text", "day_month_year", "1 March 2024 22h14m05.25s"),
        ("text", "month_day_year", "3/1/2024 10:14:05.25 PM"),
        ("text", "month_day_year", "March 1, 2024 10:14:05.25 p.m."),
        # 2460371 JD began at noon of 2024-03-01 (Meeus, Astronomical Algorithms, ch. 7: 2451545 is
        # 2000-01-01 at noon).
        ("JD", "", "2460371.426449652778"),
        ("MJD", "", "60370.926449652778"),
        ("spreadsheet_days", "", "45352.926449652778"),
        ("unix_seconds", "", "1709331245.25"),
        ("unix_milliseconds", "", "1709331245250"),
    ],
)
def test_one_moment_in_every_spelling(form: str, order: str, cell: str) -> None:
    times = TimeSpelling(form, order).read([cell])
    assert not times.unreadable[0]
    assert abs(int(times.us[0]) - int(np.datetime64(MOMENT, "us").astype(np.int64))) <= 1


@pytest.mark.parametrize(
    ("order", "cell"),
    [
        ("day_month_year", "30.02.2024 10:00:00"),
        ("month_day_year", "13/01/2024 10:00:00"),
        ("year_month_day", "2024-03-01 25:00:00"),
        ("year_month_day", "2024-03-01"),
        ("month_day_year", "03/01/2024 13:00 PM"),
    ],
)
def test_what_is_no_time_is_told(order: str, cell: str) -> None:
    assert TimeSpelling("text", order).read([cell]).unreadable[0]


def test_times_before_noon_belong_to_the_day_after_the_date_of_the_evening() -> None:
    times = TimeSpelling("text", "year_month_day", evening_date=True).read(
        ["2024-03-01 23:50:00", "2024-03-01 00:10:00"]
    )
    assert np.diff(times.us).tolist() == [20 * 60 * 1_000_000]


def us(*texts: str) -> np.ndarray:
    return np.array(texts, dtype="datetime64[us]").astype(np.int64)


def berlin(*clocks: str, repeated: str = "") -> tuple[list[str], list[bool], list[bool]]:
    zone = zone_named("Europe/Berlin")
    assert zone is not None
    zoned = to_utc(us(*clocks), zone, repeated)
    told = zoned.us.astype("datetime64[us]").astype("datetime64[m]").astype(str).tolist()
    return told, zoned.missing.tolist(), zoned.unclear.tolist()


def test_summer_and_winter_time() -> None:
    told, missing, unclear = berlin("2024-07-01T12:00", "2024-12-01T12:00")
    assert told == ["2024-07-01T10:00", "2024-12-01T11:00"]
    assert not any(missing + unclear)


def test_the_hour_left_out_in_spring_never_was() -> None:
    """On 2024-03-31 the clocks went from 2 to 3 (Directive 2000/84/EC: last Sunday of March, 01:00 UTC)."""
    told, missing, _ = berlin("2024-03-31T01:59", "2024-03-31T02:30", "2024-03-31T03:00")
    assert missing == [False, True, False]
    assert (told[0], told[2]) == ("2024-03-31T00:59", "2024-03-31T01:00")


def test_the_hour_gone_through_twice_is_told_apart_by_the_jump_back() -> None:
    told, _, unclear = berlin("2024-10-27T02:10", "2024-10-27T02:50", "2024-10-27T02:05", "2024-10-27T03:00")
    assert told == ["2024-10-27T00:10", "2024-10-27T00:50", "2024-10-27T01:05", "2024-10-27T02:00"]
    assert not any(unclear)


def test_without_a_jump_it_is_not_known_unless_it_is_said() -> None:
    clocks = ("2024-10-27T01:50", "2024-10-27T02:10", "2024-10-27T03:05")
    assert berlin(*clocks)[2] == [False, True, False]
    assert berlin(*clocks, repeated="first")[0][1] == "2024-10-27T00:10"
    assert berlin(*clocks, repeated="second")[0][1] == "2024-10-27T01:10"


def test_a_zone_with_half_an_hour_of_summer_time() -> None:
    """Lord Howe Island: +10:30 in winter, +11 in summer (IANA time zone database)."""
    zone = zone_named("Australia/Lord_Howe")
    assert zone is not None
    zoned = to_utc(us("2024-07-01T12:00", "2024-01-01T12:00"), zone)
    assert (zoned.us - us("2024-07-01T01:30", "2024-01-01T01:00")).tolist() == [0, 0]


@pytest.mark.parametrize("name", ["Europe/Nowhere", "+25:00", "", "../etc/passwd"])
def test_what_is_no_zone(name: str) -> None:
    assert zone_named(name) is None


@pytest.mark.parametrize(
    ("cell", "meaning", "side"),
    [
        ("East", ON, "east"),
        ("pier west", ON, "west"),
        ("pierEast", ON, "east"),
        ("W", LOOKS, "east"),
        ("0", ON, "east"),
        ("1", ON, "west"),
        ("-1", ON, ""),
        ("Unknown", LOOKS, ""),
        ("up", ON, None),
    ],
)
def test_the_side_of_the_tube(cell: str, meaning: str, side: str | None) -> None:
    assert side_of(cell, meaning) == side


def test_units_are_known_as_they_are_written() -> None:
    assert unit_of("h m s", "ra_deg") == Unit(UnitName.HOURS)
    assert unit_of("hourangle", "mount_ra_deg") == Unit(UnitName.HOURS)
    assert unit_of("15 deg", "ra_deg") == Unit(UnitName.HOURS)
    assert unit_of("hours", "dec_deg") is None
    assert unit_of("°C", "temp_c") == Unit(UnitName.CELSIUS)
    assert unit_of("mbar", "pressure_hpa") == Unit(UnitName.HPA)
    assert unit_of("deg", "temp_c") is None
    assert "mm_per_m" in units_for("tilt_east_arcsec")
    assert "mm_per_m" not in units_for("dec_deg")


@pytest.mark.parametrize(
    ("unit", "column", "one"),
    [
        (UnitName.HOURS, "ra_deg", 15.0),
        (UnitName.ARCMIN, "ra_deg", 1.0 / 60.0),
        (UnitName.MILLIARCSEC, "tilt_north_arcsec", 1e-3),
        (UnitName.INHG, "pressure_hpa", 33.863886),
        (UnitName.MMHG, "pressure_hpa", 1.33322387415),  # 13.5951 g/cm3 times 9.80665 m/s2 times 1 mm
        (UnitName.ATM, "pressure_hpa", 1013.25),
        (UnitName.INCH, "snow_cm", 2.54),
        (UnitName.THOU, "thickness_mm", 0.0254),
        (UnitName.FOOT, "snow_cm", 30.48),
        (UnitName.KELVIN, "temp_c", -272.15),
    ],
)
def test_units_have_the_factors_of_their_definitions(unit, column, one):
    assert to_our_unit(np.array([1.0]), Unit(unit), column)[0] == pytest.approx(one, rel=1e-15, abs=1e-13)
