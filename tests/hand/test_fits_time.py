"""The middle of an exposure from the keywords of a header, checked with a pencil."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from astropy.time import Time

from drift.ingest.astropy_tables import astropy_offline
from drift.ingest.fits_exposure import mid_exposure, to_utc_us
from drift.ingest.fits_header import Cards, HeaderTrouble, ImageHeader
from drift.ingest.mapping import END, MIDDLE
from drift.notices import ImageCode

#: Two tables of one Earth rotation (IERS Bulletins A and B) differ by less [s].
UT1_S = 0.0005


def header(cards: dict[str, Any], primary: dict[str, Any] | None = None) -> ImageHeader:
    def of(some: dict[str, Any]) -> Cards:
        made = fits.Header()
        made.update(some)
        return Cards.of("".join(card.image for card in made.cards).encode("ascii"))

    return ImageHeader((64, 48), of(cards), None if primary is None else of(primary))


def us(text: str) -> int:
    return int(np.datetime64(text, "us").astype(np.int64))


def utc(cards: dict[str, Any], **more: Any) -> str:
    found = mid_exposure(header(cards), **more)
    return str(to_utc_us([found.scale], np.array([found.clock_us])).astype("datetime64[us]")[0])


START = "2024-03-01T22:14:05.5"


@pytest.mark.parametrize(
    ("cards", "middle"),
    [
        ({"DATE-OBS": START, "EXPTIME": 30}, "2024-03-01T22:14:20.500000"),
        ({"DATE-OBS": START, "EXPOSURE": 30.0}, "2024-03-01T22:14:20.500000"),
        ({"DATE-OBS": START, "XPOSURE": 0.5, "TIMEUNIT": "min"}, "2024-03-01T22:14:20.500000"),
        ({"DATE-BEG": START, "DATE-OBS": "2024-03-01", "EXPTIME": 30}, "2024-03-01T22:14:20.500000"),
        ({"DATE-AVG": "2024-03-01T22:14:21", "DATE-OBS": START, "EXPTIME": 30}, "2024-03-01T22:14:21.000000"),
        ({"DATE-BEG": START, "DATE-END": "2024-03-01T22:14:35.5"}, "2024-03-01T22:14:20.500000"),
        ({"DATE-END": "2024-03-01T22:14:35.5", "EXPTIME": 30}, "2024-03-01T22:14:20.500000"),
        ({"MJD-OBS": 60370.25, "EXPTIME": 20}, "2024-03-01T06:00:10.000000"),
        ({"DATE-OBS": "2024-03-01", "TIME-OBS": "22:14:05.5", "EXPTIME": 30}, "2024-03-01T22:14:20.500000"),
        ({"DATE-OBS": "2024-03-01", "UT": "22:14:05", "EXPTIME": 30}, "2024-03-01T22:14:20.000000"),
        ({"DATE-OBS": START + "Z", "EXPTIME": 30}, "2024-03-01T22:14:20.500000"),
        ({"DATE-OBS": "31/12/98", "TIME-OBS": "23:59:59", "EXPTIME": 4}, "1999-01-01T00:00:01.000000"),
    ],
)
def test_which_keyword_gives_the_middle(cards: dict[str, Any], middle: str) -> None:
    assert utc(cards) == middle


def test_what_date_obs_means_can_be_said() -> None:
    cards = {"DATE-OBS": "2024-03-01T22:14:05", "EXPTIME": 30}
    assert utc(cards, date_obs_means=MIDDLE) == "2024-03-01T22:14:05.000000"
    assert utc(cards, date_obs_means=END) == "2024-03-01T22:13:50.000000"


@pytest.mark.parametrize(
    ("scale", "ahead_s"),
    [
        # TAI - UTC = 37 s since 2017 (IERS Bulletin C 52); TT = TAI + 32.184 s; GPS = TAI - 19 s
        ("UTC", 0.0),
        ("UTC(NIST)", 0.0),
        ("TAI", 37.0),
        ("IAT", 37.0),
        ("TT", 69.184),
        ("TDB", 69.184),
        ("GPS", 18.0),
    ],
)
def test_time_scales(scale: str, ahead_s: float) -> None:
    cards = {"TIMESYS": scale, "DATE-OBS": "2024-03-02T00:00:10", "EXPTIME": 0}
    expected = us("2024-03-02T00:00:10") - round(ahead_s * 1e6)
    assert us(utc(cards)) == expected


def test_the_leap_second_is_looked_up_on_the_day_in_utc() -> None:
    """2017-01-01T00:00:00 UTC is 00:00:37 TAI; a second of TAI before the leap second it was 36 s."""
    found = to_utc_us(["TAI", "TAI"], np.array([us("2017-01-01T00:00:37"), us("2017-01-01T00:00:34")]))
    assert found.tolist() == [us("2017-01-01T00:00:00"), us("2016-12-31T23:59:58")]


def test_ut1_is_what_astropy_makes_of_it() -> None:
    given = us("2020-06-01T00:00:00")
    (found,) = to_utc_us(["UT1"], np.array([given]))
    with astropy_offline():
        theirs = Time("2020-06-01T00:00:00", scale="ut1").utc
        behind_s = (Time("2020-06-01T00:00:00", scale="utc") - theirs).sec
    assert (given - int(found)) / 1e6 == pytest.approx(behind_s, abs=UT1_S)


@pytest.mark.parametrize(
    ("cards", "reason"),
    [
        ({"EXPTIME": 30}, ImageCode.NO_TIME),
        ({"DATE-OBS": START}, ImageCode.NO_EXPOSURE),
        ({"DATE-OBS": "2024-03-01", "EXPTIME": 30}, ImageCode.NO_TIME_OF_DAY),
        ({"DATE-OBS": "yesterday", "EXPTIME": 30}, ImageCode.NO_DATE),
        ({"DATE-OBS": "2024-02-30T01:00:00", "EXPTIME": 30}, ImageCode.NO_SUCH_DAY),
        ({"DATE-OBS": "2024-02-03T25:00:00", "EXPTIME": 30}, ImageCode.NO_SUCH_TIME),
        ({"DATE-OBS": START, "EXPTIME": -3}, ImageCode.BAD_EXPOSURE),
        ({"DATE-OBS": START, "EXPTIME": 30, "TIMESYS": "LOCAL"}, ImageCode.SCALE_NOT_READ),
        ({"DATE-OBS": START, "EXPTIME": 30, "TREFPOS": "BARYCENTER"}, ImageCode.TIME_OF_ELSEWHERE),
        ({"DATE-OBS": START + "Z", "EXPTIME": 30, "TIMESYS": "TAI"}, ImageCode.Z_IN_OTHER_SCALE),
        (
            {"DATE-AVG": "2024-03-01T21:14:05", "DATE-OBS": START, "EXPTIME": 30},
            ImageCode.MIDDLE_BEFORE_START,
        ),
    ],
)
def test_times_that_can_not_be_used_say_why(cards: dict[str, Any], reason: ImageCode) -> None:
    with pytest.raises(HeaderTrouble) as trouble:
        mid_exposure(header(cards))
    assert trouble.value.notice.code is reason


def test_what_an_extension_does_not_say_its_primary_does() -> None:
    found = mid_exposure(header({"EXTNAME": "SCI"}, {"DATE-OBS": START, "EXPTIME": 30}))
    assert found.clock_us == us("2024-03-01T22:14:20.5")
    own = mid_exposure(header({"EXPTIME": 10}, {"DATE-OBS": START, "EXPTIME": 30}))
    assert own.clock_us == us("2024-03-01T22:14:10.5")
