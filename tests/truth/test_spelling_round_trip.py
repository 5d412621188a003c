"""Any valid row, written in any supported way, comes back as it was: to 1e-9 degrees and 1 ms."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.ingest.delimited import open_bytes
from drift.ingest.mapping import ICRS, MEAN, OF_DATE, ColumnFrom, Mapping, TimeFrom
from drift.ingest.read import read_mapped
from drift.ingest.row_check import Circumstances
from drift.ingest.times import DateOrder, TimeForm
from drift.ingest.units import Unit, UnitName
from drift.ingest.values import LOOKS, ON
from drift.sky import of_date

#: What is asked of the parser.
PLACE_DEG = 1e-9
TIME_US = 1_000

NOW_US = int(np.datetime64("2026-06-01T00:00:00", "us").astype(np.int64))
#: Near the pole what is far enough north never sets, so that every row is valid.
FAR_NORTH = Circumstances(80.0, 10.0, 100.0, NOW_US)
FIRST, LAST = datetime(1999, 1, 1), datetime(2026, 5, 1)
ZONES = (
    "Europe/Berlin",
    "America/St_Johns",
    "Australia/Lord_Howe",
    "Asia/Kathmandu",
    "UTC",
    "+02:00",
    "-0930",
)
ANGLES = (
    "degrees",
    "hours",
    "radians",
    "arcmin",
    "arcsec",
    "colons",
    "blanks",
    "letters",
    "signs",
    "minutes",
)
TIMES = (
    *("iso", "offset", "compact", "day first", "named month", "afternoon", "two columns"),
    *("JD", "MJD", TimeForm.SPREADSHEET_DAYS, TimeForm.UNIX_SECONDS, TimeForm.UNIX_MILLISECONDS),
)


@dataclass(frozen=True)
class Row:
    """What is true."""

    time_us: int
    ra_deg: float
    dec_deg: float
    mount_ra_deg: float
    mount_dec_deg: float
    side: str


def degrees(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False, exclude_max=True)


@st.composite
def rows(draw: st.DrawFn) -> Row:
    moment = draw(st.datetimes(FIRST, LAST))
    time_us = round((moment - datetime(1970, 1, 1)) / timedelta(milliseconds=1)) * 1000
    ra, dec = draw(degrees(0.0, 360.0)), draw(degrees(45.0, 80.0))
    # never within a degree: a mount that says the solved place, turned to date or not, says nothing
    apart = draw(st.sampled_from([-1.0, 1.0])) * draw(degrees(1.0, 2.0))
    mount = (ra + draw(degrees(-3.0, 3.0))) % 360.0 % 360.0, dec + apart
    return Row(time_us, ra, dec, *mount, draw(st.sampled_from(["east", "west", ""])))


def sixty(value: float, marks: tuple[str, str, str], hours: bool) -> str:
    """Write a value in parts of sixty, with more figures than asked for."""
    whole = round(abs(value) * 3600 * 10**9)
    rest, part = divmod(whole, 10**9)
    minutes, seconds = divmod(rest, 60)
    units, minutes = divmod(minutes, 60)
    sign = "-" if value < 0 else ("" if hours else "+")
    return f"{sign}{units:02d}{marks[0]}{minutes:02d}{marks[1]}{seconds:02d}.{part:09d}{marks[2]}"


def angle(value_deg: float, style: str, is_ra: bool) -> tuple[str, str]:
    """Return an angle as text, and its unit."""
    marks = {
        "colons": (":", ":", ""),
        "blanks": (" ", " ", ""),
        "letters": ("h" if is_ra else "d", "m", "s"),
        "signs": ("h " if is_ra else "°", "' ", '"'),
    }
    if style in marks:
        value = value_deg / 15.0 if is_ra else value_deg
        return sixty(value, marks[style], is_ra), "hours" if is_ra else "degrees"
    if style == "minutes":
        return f"{int(value_deg)}° {value_deg % 1.0 * 60.0:.10f}'", "degrees"
    if style == "hours" and not is_ra:
        style = "degrees"
    factor = {"degrees": 1.0, "hours": 1 / 15, "radians": np.pi / 180, "arcmin": 60.0, "arcsec": 3600.0}[
        style
    ]
    return f"{value_deg * factor:.14f}", style


def zone_of(name: str) -> timezone | ZoneInfo:
    if name[0] in "+-":
        sign = -1 if name[0] == "-" else 1
        digits = name[1:].replace(":", "")
        return timezone(sign * timedelta(hours=int(digits[:2]), minutes=int(digits[2:])))
    return UTC if name == "UTC" else ZoneInfo(name)


def moment(time_us: int, style: str, zone: str) -> tuple[list[str], TimeFrom]:
    """Return a time as one or two texts, and how they are to be understood."""
    utc = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=time_us)
    local = utc.astimezone(zone_of(zone))
    twice = {0: "first", 1: "second"}[local.fold]
    milli = f"{local.microsecond // 1000:03d}"
    plain = TimeFrom(zone=zone, repeated_hour=twice)
    days = {"JD": 2_440_587.5, "MJD": 40_587.0, TimeForm.SPREADSHEET_DAYS: 25_569.0}
    if style in ("JD", "MJD"):
        whole, part = divmod(time_us + round(days[style] % 1 * 86_400e6), 86_400_000_000)
        return [f"{int(days[style]) + whole}{part / 86_400e6:.12f}".replace("0.", ".", 1)], TimeFrom(
            form=style
        )
    if style == TimeForm.SPREADSHEET_DAYS:
        clock = local.replace(tzinfo=None) - datetime(1970, 1, 1)
        number = days[style] + clock / timedelta(days=1)
        return [f"{number:.10f}"], TimeFrom(form=style, zone=zone, repeated_hour=twice)
    if style == TimeForm.UNIX_SECONDS:
        return [f"{time_us // 10**6}.{time_us % 10**6:06d}"], TimeFrom(form=style)
    if style == TimeForm.UNIX_MILLISECONDS:
        return [str(time_us // 1000)], TimeFrom(form=style)
    if style == "iso":
        return [f"{utc:%Y-%m-%dT%H:%M:%S}.{utc.microsecond // 1000:03d}Z"], TimeFrom()
    if style == "offset":
        east = utc.astimezone(timezone(timedelta(hours=5, minutes=30)))
        return [f"{east:%Y-%m-%d %H:%M:%S}.{milli}+05:30"], TimeFrom(zone="UTC")
    if style == "compact":
        return [f"{local:%Y%m%dT%H%M%S}.{milli}"], plain
    if style == "two columns":
        return [f"{local:%Y/%m/%d}", f"{local:%H:%M:%S}.{milli}"], plain
    if style == "afternoon":
        half = "PM" if local.hour > 11 else "AM"
        text = f"{local.month}/{local.day}/{local.year} {local:%I:%M:%S}.{milli} {half}"
        return [text], TimeFrom(order=DateOrder.MDY, zone=zone, repeated_hour=twice)
    dated = f"{local:%d.%m.%Y}" if style == "day first" else f"{local.day} {local:%B} {local.year}"
    order = TimeFrom(order=DateOrder.DMY, zone=zone, repeated_hour=twice)
    return [f"{dated} {local:%H:%M:%S}.{milli}"], order


def in_frame(row: Row, pair: tuple[float, float], frame: str, own: str) -> tuple[float, float]:
    """Return a place that is true in its own frame in the one that it is written in."""
    us, ra, dec = (np.array([one]) for one in (row.time_us, *pair))
    if frame == own:
        return pair
    if own != ICRS:
        ra, dec = of_date.icrs_of_apparent(us, ra, dec)
    if frame == MEAN:
        ra, dec = of_date.mean_place(us, ra, dec)
    elif frame != ICRS:
        ra, dec = of_date.apparent_place(us, ra, dec)
    return float(ra[0]), float(dec[0])


SIDES = {ON: {"east": "E", "west": "pier West", "": "unknown"}, LOOKS: {"east": "West", "west": "e", "": "-"}}


@settings(max_examples=300, deadline=None)
@given(
    row=rows(),
    styles=st.tuples(*[st.sampled_from(ANGLES)] * 4),
    time_style=st.sampled_from(TIMES),
    zone=st.sampled_from(ZONES),
    # hour angles and altitudes are held against an independent library elsewhere
    frames=st.tuples(st.sampled_from((ICRS, OF_DATE, MEAN)), st.sampled_from((ICRS, OF_DATE, MEAN))),
    side_means=st.sampled_from(sorted(SIDES)),
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    decimal=st.sampled_from([".", ","]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le"]),
)
def test_any_row_in_any_spelling_comes_back(
    row: Row,
    styles: tuple[str, ...],
    time_style: str,
    zone: str,
    frames: tuple[str, str],
    side_means: str,
    delimiter: str,
    decimal: str,
    encoding: str,
) -> None:
    solved = in_frame(row, (row.ra_deg, row.dec_deg), frames[0], ICRS)
    mount = in_frame(row, (row.mount_ra_deg, row.mount_dec_deg), frames[1], OF_DATE)
    texts, time = moment(row.time_us, time_style, zone)
    names = ["date", "time"] if len(texts) == 2 else ["when"]
    columns = {"time_utc": ColumnFrom(tuple(names))}
    cells = [text if time_style == "day first" else text.replace(".", decimal) for text in texts]
    for name, value, style in zip(
        ("ra_deg", "dec_deg", "mount_ra_deg", "mount_dec_deg"), (*solved, *mount), styles, strict=True
    ):
        text, unit = angle(value, style, "ra" in name)
        columns[name] = ColumnFrom((name.upper(),), unit=Unit(UnitName(unit)))
        names.append(name.upper())
        cells.append(text.replace(".", decimal))
    columns["tube_side"] = ColumnFrom(("Side",), means=side_means)
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\n")
    writer.writerows([[*names, "Side"], [*cells, SIDES[side_means][row.side]]])
    table = open_bytes(out.getvalue().encode(encoding), "any.csv")
    mapping = Mapping("solves", table.header, columns, time, *frames)
    log = read_mapped(table, FAR_NORTH, mapping, "as told")
    assert not log.set_aside
    assert abs(int(log.columns["time_us"][0]) - row.time_us) <= TIME_US
    for name in ("ra_deg", "mount_ra_deg"):
        apart = (log.columns[name][0] - getattr(row, name) + 180.0) % 360.0 - 180.0
        assert abs(apart) <= PLACE_DEG
    for name in ("dec_deg", "mount_dec_deg"):
        assert abs(log.columns[name][0] - getattr(row, name)) <= PLACE_DEG
    assert log.columns["tube_side"][0] == row.side
