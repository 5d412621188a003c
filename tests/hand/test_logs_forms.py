"""Forms in which people keep places, times and weather: each read with the numbers that it holds."""

import numpy as np
import pytest
from erfa import gst06a

from drift.errors import LogFileError
from drift.ingest.delimited import open_bytes
from drift.ingest.guess import propose
from drift.ingest.mapping import HORIZON, HORIZON_SEEN, HOUR_ANGLE, Proposal
from drift.ingest.read import read_bytes, read_mapped
from drift.ingest.row_check import Circumstances, usual_temperatures_c
from drift.ingest.times import DateOrder, TimeForm, TimeSpelling
from drift.notices import IngestCode, info
from drift.readings import LogRead
from drift.sky.of_date import apparent_place
from drift.sky.place import observed

NOW_US = int(np.datetime64("2026-06-01T00:00:00", "us").astype(np.int64))
SITE = (47.3, -92.4, 410.0)
HERE = Circumstances(*SITE, NOW_US, "America/Chicago")
#: Places are compared to this [deg]: 0.04 arcsec.
SAME_DEG = 1e-5
UTC_OF = [f"2024-03-01T{2 + at // 6:02d}:{at % 6}0:00Z" for at in range(12)]


def proposed(text: str, answers: dict[str, str] | None = None, around: Circumstances = HERE) -> Proposal:
    return propose(open_bytes(text.encode(), "log.csv"), around, answers or {})


def read(text: str, answers: dict[str, str] | None = None, around: Circumstances = HERE) -> LogRead:
    """Read a table as it is proposed; nothing may be left to ask."""
    proposal = proposed(text, answers, around)
    assert proposal.question is None, proposal.question
    assert proposal.mapping is not None
    why = info(IngestCode.KIND_BY_COLUMNS, columns=())
    return read_mapped(open_bytes(text.encode(), "log.csv"), around, proposal.mapping, why)


def places() -> tuple[np.ndarray, ...]:
    """Return times [us], solved places and the mount's own ones of date [deg] of 12 solves."""
    us = np.array([np.datetime64(one.rstrip("Z"), "us") for one in UTC_OF]).astype(np.int64)
    ra, dec = 130.0 + 2.5 * np.arange(12), -5.0 + 6.0 * np.arange(12)
    mount_ra, mount_dec = apparent_place(us, ra, dec)
    return us, ra, dec, mount_ra + 0.02, mount_dec - 0.01


def sixty(value: float, per: float = 1.0) -> tuple[str, str, str]:
    """Return an angle in whole parts of sixty to 0.001 of the last."""
    parts = round(abs(value) / per * 3_600_000)
    minutes, seconds = divmod(parts, 60_000)
    sign = "-" if value < 0 else ""
    return f"{sign}{minutes // 60}", f"{minutes % 60}", f"{seconds / 1000:.3f}"


def rows(*cells: list[str]) -> str:
    return "".join(",".join(row) + "\n" for row in zip(*cells, strict=True))


def assert_places(log: LogRead, columns: tuple[str, ...] = ("ra_deg", "dec_deg")) -> None:
    _, ra, dec, mount_ra, mount_dec = places()
    known = {"ra_deg": ra, "dec_deg": dec, "mount_ra_deg": mount_ra, "mount_dec_deg": mount_dec}
    assert len(log.raws) == 12, log.set_aside
    for column in columns:
        np.testing.assert_allclose(np.asarray(log.columns[column]), known[column], atol=SAME_DEG)


# ---- places


def test_parts_of_sixty_in_columns_of_their_own() -> None:
    _, ra, dec, mount_ra, mount_dec = places()
    header = "time_utc,RA h,RA m,RA s,Dec sign,Dec d,Dec m,Dec s,mount_ra_deg,mount_dec_deg\n"
    hours = list(zip(*(sixty(one, 15.0) for one in ra), strict=True))
    degrees = list(zip(*(sixty(abs(one)) for one in dec), strict=True))
    signs = ["-" if one < 0 else "+" for one in dec]
    mount = [[f"{one:.6f}" for one in some] for some in (mount_ra, mount_dec)]
    text = header + rows(UTC_OF, *map(list, hours), signs, *map(list, degrees), *mount)
    assert_places(read(text, {"mount_places": "of date"}), ("ra_deg", "dec_deg", "mount_ra_deg"))


def test_a_part_that_lacks_makes_no_other_angle_of_the_rest() -> None:
    text = "time_utc,RA h,RA m,RA s,dec_deg\n" + "".join(f"{one},,8,40,20\n" for one in UTC_OF[:4])
    text += "".join(f"{one},8,40,5.5,20\n" for one in UTC_OF[4:])
    log = read(text)
    assert [row.line for row in log.set_aside] == [2, 3, 4, 5]
    assert log.set_aside[0].value == "? 8 40"
    np.testing.assert_allclose(np.asarray(log.columns["ra_deg"]), 15.0 * (8 + 40 / 60 + 5.5 / 3600))


@pytest.mark.parametrize("between", [" ", ", ", " / "])
def test_both_angles_in_one_cell(between: str) -> None:
    _, ra, dec, *_ = places()
    cells = [
        f'"{":".join(sixty(a, 15.0))}{between}{":".join(sixty(d))}"' for a, d in zip(ra, dec, strict=True)
    ]
    assert_places(read("time_utc,RA/Dec\n" + rows(UTC_OF, cells)))


def test_the_mounts_hour_angle_is_turned_by_sidereal_time() -> None:
    us, ra, dec, mount_ra, mount_dec = places()
    days = us / 86_400e6 + 40_587.0
    sidereal = (
        np.degrees(gst06a(2_400_000.5, days, 2_400_000.5, days + 69.2 / 86_400)) + SITE[1]
    )  # UT1 by UTC
    hour_angle = (sidereal - mount_ra + 180.0) % 360.0 - 180.0
    header = "time_utc,ra_deg,dec_deg,mount_ha_deg,mount_dec_deg\n"
    text = header + rows(
        UTC_OF, *([f"{one:.7f}" for one in some] for some in (ra, dec, hour_angle, mount_dec))
    )
    proposal = proposed(text)
    assert proposal.mapping is not None
    assert proposal.mapping.mount_places == HOUR_ANGLE
    log = read(text)
    assert_places(log)
    apart = (np.asarray(log.columns["mount_ra_deg"]) - mount_ra) * 3600.0
    assert np.abs(apart).max() < 1.0  # UT1 differs from UTC by less than 0.05 s there


@pytest.mark.parametrize(("frame", "pressure"), [(HORIZON, 0.0), (HORIZON_SEEN, 964.9)])
def test_azimuth_and_altitude_become_places_by_their_time(frame: str, pressure: float) -> None:
    us, ra, dec, *_ = places()
    air = np.full(12, 10.0), np.full(12, pressure)
    enu = observed(*SITE, us, ra, dec, *air).enu
    azimuth, altitude = np.degrees(np.arctan2(enu[:, 0], enu[:, 1])) % 360.0, np.degrees(np.arcsin(enu[:, 2]))
    text = "time_utc,solved az,solved alt\n"
    text += rows(UTC_OF, *([f"{one:.7f}" for one in some] for some in (azimuth, altitude)))
    question = proposed(text).question
    assert question is not None
    assert question.key == "places"
    assert_places(read(text, {"places": str(frame)}))


def test_azimuth_and_altitude_without_more_are_still_the_error_of_an_axis() -> None:
    text = "time_utc,az (arcmin),alt (arcmin)\n" + rows(UTC_OF, ["1.5"] * 12, ["-2"] * 12)
    assert read(text).kind == "alignments"


def test_radians_may_be_answered() -> None:
    _, ra, dec, *_ = places()
    text = "time_utc,Ra,Dec\n" + rows(
        UTC_OF, *([f"{one:.9f}" for one in np.radians(some)] for some in (ra, dec))
    )
    question = proposed(text).question
    assert question is not None
    assert "radians" in [one.answer for one in question.choices]
    assert_places(read(text, {"ra_deg.unit": "radians", "dec_deg.unit": "radians"}))


# ---- solves that failed


@pytest.mark.parametrize("name", ["Success", "success", "Solved", "Solve OK"])
@pytest.mark.parametrize("words", [("True", "False"), ("1", "0"), ("ok", "failed")])
def test_a_solve_that_failed_is_set_aside(name: str, words: tuple[str, str]) -> None:
    _, ra, dec, mount_ra, mount_dec = places()
    numbers = [[f"{one:.6f}" for one in some] for some in (ra, dec, mount_ra, mount_dec)]
    said = [words[at % 4 == 3] for at in range(12)]
    text = f"time_utc,ra_deg,dec_deg,mount_ra_deg,mount_dec_deg,{name}\n" + rows(UTC_OF, *numbers, said)
    log = read_bytes(text.encode(), "log.csv", HERE)
    assert {(row.line, row.code) for row in log.set_aside} == {
        (at, IngestCode.SOLVE_FAILED) for at in (5, 9, 13)
    }
    assert len(log.raws) == 9


def test_a_column_called_solved_that_holds_names_is_no_success() -> None:
    _, ra, dec, *_ = places()
    numbers = [[f"{one:.6f}" for one in some] for some in (ra, dec)]
    text = "time_utc,ra_deg,dec_deg,solved\n" + rows(UTC_OF, *numbers, ["by the index"] * 12)
    assert len(read_bytes(text.encode(), "log.csv", HERE).raws) == 12


# ---- weather


def days_of(first: str, count: int) -> np.ndarray:
    return np.arange(np.datetime64(first), np.datetime64(first) + count)


def weather(turn: bool, first: str = "2023-01-01", count: int = 365, around: Circumstances = HERE) -> LogRead:
    """Read a plain log of weather near what is usual, in Fahrenheit when it is turned."""
    days = days_of(first, count)
    usual = np.mean(
        usual_temperatures_c(around.latitude_deg, around.elevation_m, days.astype(np.int64)), axis=0
    )
    low, high = usual - 6.0, usual + 6.0
    if turn:
        low, high = low * 1.8 + 32.0, high * 1.8 + 32.0
    text = "date,t_min_c,t_max_c\n" + rows(
        [str(day) for day in days], *([f"{one:.1f}" for one in some] for some in (low, high))
    )
    return read_bytes(text.encode(), "weather.csv", around)


@pytest.mark.parametrize("first", ["2023-01-01", "2023-04-01", "2023-07-01", "2023-10-01"])
def test_fahrenheit_under_the_names_of_celsius_is_seen_in_any_season(first: str) -> None:
    log = weather(True, first, 30)
    assert not log.raws
    (remark,) = [one for one in log.remarks if one.code is IngestCode.IN_FAHRENHEIT]
    beyond = sum(row.code is IngestCode.OUT_OF_RANGE for row in log.set_aside)  # by themselves, on warm days
    assert remark.values["rows"] == 30 - beyond
    assert len(weather(False, first, 30).raws) == 30


@pytest.mark.parametrize("latitude", [-35.0, 5.0, 33.0, 60.0])
@pytest.mark.parametrize("first", ["2023-01-01", "2023-07-01"])
def test_celsius_is_left_alone_also_where_it_is_hot(latitude: float, first: str) -> None:
    around = Circumstances(latitude, 10.0, 50.0, NOW_US)
    assert len(weather(False, first, 30, around).raws) == 30


#: Mean temperatures of a month [C], from memory to a degree or two: all are Celsius and go in.
@pytest.mark.parametrize(
    ("latitude", "elevation", "month", "mean"),
    [
        (64.1, 10.0, "2023-01", 0.0),  # an island in the warm ocean, winter
        (69.6, 10.0, "2023-01", -4.0),  # a coast beyond the polar circle
        (48.4, 50.0, "2023-01", 7.0),
        (33.4, 330.0, "2023-07", 35.0),  # a hot desert
        (36.5, -60.0, "2023-07", 39.0),
        (25.0, 300.0, "2023-10", 31.0),
        (-23.7, 550.0, "2023-01", 30.0),
        (62.0, 100.0, "2023-01", -38.0),  # the coldest winters
        (1.0, 20.0, "2023-01", 27.0),
        (80.0, 10.0, "2023-02", -12.0),
    ],
)
def test_true_months_in_celsius_are_left_alone(
    latitude: float, elevation: float, month: str, mean: float
) -> None:
    days = [str(day) for day in days_of(f"{month}-01", 28)]
    text = "date,t_min_c,t_max_c\n" + rows(days, [f"{mean - 4:.1f}"] * 28, [f"{mean + 4:.1f}"] * 28)
    log = read_bytes(text.encode(), "w.csv", Circumstances(latitude, 10.0, elevation, NOW_US))
    assert len(log.raws) == 28


def test_snow_that_goes_in_frost_is_snowfall() -> None:
    days = [str(day) for day in days_of("2024-01-01", 40)]
    fell = ["12" if at % 3 == 0 else "0" for at in range(40)]
    lay = [str(10 + at) for at in range(40)]
    cold = ["-15"] * 40, ["-5"] * 40
    header = "date,t_min_c,t_max_c,snow_cm\n"
    falls = read_bytes((header + rows(days, *cold, fell)).encode(), "w.csv", HERE)
    assert IngestCode.SNOW_FALLS in [one.code for one in falls.remarks]
    assert np.isnan(np.asarray(falls.columns["snow_cm"])).all()
    lies = read_bytes((header + rows(days, *cold, lay)).encode(), "w.csv", HERE)
    np.testing.assert_array_equal(np.asarray(lies.columns["snow_cm"]), np.arange(10.0, 50.0))


def test_a_column_named_snowfall_is_not_taken_for_the_depth() -> None:
    days = [str(day) for day in days_of("2024-01-01", 10)]
    text = "date,tmin (C),tmax (C),snowfall (cm),snow depth (cm)\n"
    text += rows(days, ["-15"] * 10, ["-5"] * 10, ["3"] * 10, ["40"] * 10)
    np.testing.assert_array_equal(np.asarray(read(text).columns["snow_cm"]), 40.0)


def test_year_month_and_day_in_columns_of_their_own() -> None:
    text = "Year,Month,Day,Tmin (C),Tmax (C)\n"
    text += rows(["2024"] * 9, ["2"] * 9, [str(20 + at) for at in range(9)], ["-15"] * 9, ["-5"] * 9)
    log = read(text)
    assert np.asarray(log.columns["day"]).tolist() == days_of("2024-02-20", 9).astype(int).tolist()


def test_parts_of_a_time_in_columns_of_their_own() -> None:
    text = "Year,Month,Day,Hour,Minute,Second,az (arcmin),alt (arcmin)\n"
    text += "2024,3,1,21,4,5.5,1,2\n2024,3,11,1,14,0,1.5,2\n"
    log = read(text, {"time.zone": "UTC"})
    wanted = ["2024-03-01T21:04:05.500", "2024-03-11T01:14:00.000"]
    assert [
        str(one)
        for one in np.asarray(log.columns["time_us"]).astype("datetime64[us]").astype("datetime64[ms]")
    ] == (wanted)


def test_weather_by_the_hour_gives_a_row_a_day() -> None:
    hours = np.arange(np.datetime64("2024-01-01T00"), np.datetime64("2024-01-03T15"))
    temperature = [-10.0 + (at % 24) * 0.5 for at in range(len(hours))]
    text = "time,temperature (C)\n" + rows(
        [f"{str(one).replace('T', ' ')}:00" for one in hours], [f"{one:.1f}" for one in temperature]
    )
    log = read(text)
    assert log.kind == "weather"
    assert np.asarray(log.columns["day"]).tolist() == days_of("2024-01-01", 2).astype(int).tolist()
    assert np.asarray(log.columns["t_min_c"]).tolist() == [-10.0, -10.0]
    assert np.asarray(log.columns["t_max_c"]).tolist() == [1.5, 1.5]
    assert np.asarray(log.columns["t_mean_c"]).tolist() == [-4.25, -4.25]
    assert log.lines.tolist() == [2, 26]
    assert [(row.line, row.code) for row in log.set_aside] == [(50, IngestCode.DAY_WITH_GAP)]


# ---- clocks


LOCAL = "Time,az (arcmin),alt (arcmin)\n"
IN_JULY = [f"2024-07-{day:02d} 22:00:00" for day in range(1, 9)]
IN_JANUARY = [f"2024-01-{day:02d} 22:00:00" for day in range(1, 9)]
NUMBERS = ["1"] * 8, ["2"] * 8


def test_a_clock_that_is_never_changed_is_refused_where_the_sites_is() -> None:
    text = LOCAL + rows([*IN_JANUARY[:4], *IN_JULY[:4]], *NUMBERS)
    with pytest.raises(LogFileError, match="is a clock that is never changed, -6 h from UTC"):
        proposed(text, {"time.zone": "CST"})
    mapping = proposed(LOCAL + rows(IN_JANUARY, *NUMBERS), {"time.zone": "CST"}).mapping
    assert mapping is not None
    assert mapping.time.zone == "America/Chicago"
    with pytest.raises(LogFileError, match="are not that one all through this file"):
        proposed(LOCAL + rows(IN_JANUARY, *NUMBERS), {"time.zone": "EST"})


def test_the_name_of_a_clock_in_the_cells_is_read() -> None:
    times = [f"{one} CDT" for one in IN_JULY]
    log = read(LOCAL + rows(times, *NUMBERS))
    first = np.asarray(log.columns["time_us"])[:1].astype("datetime64[us]")
    assert str(first[0])[:19] == "2024-07-02T03:00:00"


def test_a_clock_that_the_site_does_not_show_then_is_asked_about() -> None:
    text = LOCAL + rows([f"{one} CST" for one in IN_JULY], *NUMBERS)
    question = proposed(text).question
    assert question is not None
    assert question.key == "time.zone"
    log = read(text, {"time.zone": "as written"})
    assert (
        str(np.asarray(log.columns["time_us"])[:1].astype("datetime64[us]")[0])[:19] == "2024-07-02T04:00:00"
    )


@pytest.mark.parametrize(
    ("text", "hours"), [("2024-07-01 22:00:00 MESZ", 20), ("2024-07-01 22:00 (NZST)", 10)]
)
def test_clocks_by_name(text: str, hours: int) -> None:
    found = TimeSpelling(TimeForm.TEXT, DateOrder.YMD).read([text])
    assert found.us[0] == np.datetime64(f"2024-07-01T{hours}:00:00", "us").astype(np.int64)


def test_places_behind_the_trees_of_the_site_file_ask_for_the_clock() -> None:
    us, ra, dec, *_ = places()
    enu = observed(*SITE, us, ra, dec, np.full(12, np.nan), np.zeros(12)).enu
    azimuth, altitude = np.degrees(np.arctan2(enu[:, 0], enu[:, 1])) % 360.0, np.degrees(np.arcsin(enu[:, 2]))
    order = np.argsort(azimuth)
    outline = tuple(zip(azimuth[order].tolist(), (altitude[order] - 1.0).tolist(), strict=True))
    around = Circumstances(*SITE, NOW_US, "America/Chicago", horizon_deg=outline)
    numbers = [[f"{one:.6f}" for one in some] for some in (ra, dec)]

    def remarks(times: list[str]) -> list[IngestCode]:
        text = "time_utc,ra_deg,dec_deg\n" + rows(times, *numbers)
        return [
            one
            for one in read_bytes(text.encode(), "l.csv", around).remarks
            if one.code is IngestCode.BEHIND_HORIZON
        ]

    assert not remarks(UTC_OF)
    early = [f"2024-03-01T{1 + at // 6:02d}:{at % 6}0:00Z" for at in range(12)]
    (remark,) = remarks(early)
    assert 1 in remark.values["cures_h"]


# ---- a kind of log by its content


def test_corrections_are_known_by_what_they_hold() -> None:
    text = "when,what,how far\n2024-03-01T22:00:00Z,azimuth,1.5\n2024-03-02T22:00:00Z,tighten,\n"
    question = proposed(text).question
    assert question is not None
    assert (question.key, [one.answer for one in question.choices]) == ("amount_arcmin", ["how far", "none"])
    log = read(text, {"amount_arcmin": "how far", "amount_arcmin.unit": "arcmin"})
    assert log.kind == "corrections"
    assert log.columns["kind"] == ["azimuth", "tighten"]
    assert np.asarray(log.columns["amount_arcmin"])[0] == 1.5
    without = read(text, {"amount_arcmin": "none"})
    assert np.isnan(np.asarray(without.columns["amount_arcmin"])).all()
