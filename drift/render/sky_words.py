"""What the air and the Earth's rotation leave to say, in words."""

from __future__ import annotations

from typing import Any

from drift.notices import SkyCode
from drift.quantities import YEAR_DAYS
from drift.render.notices import Values, Writer

#: Arcseconds that the sky turns in a second of time.
_ARCSEC_PER_S = 15.0
_UPDATE = "update the package astropy-iers-data when this machine is online"


def _not_believed(what: str, unit: str, key: str) -> Writer:
    def write(of: Values) -> str:
        low, high, first = (of[f"{end}_{key}"] for end in ("low", "high", "first"))
        return (
            f"{of['rows']} {what} readings lie outside {low:g} to {high:g} {unit} (the first: {first:g}) and "
            "were taken as not given; look at the unit."
        )

    return write


def _sea_level(of: Values) -> str:
    middle, usual = of["middle_hpa"], of["usual_hpa"]
    return (
        f"The pressures given (middle {middle:.0f} hPa) look reduced to sea level: at "
        f"{of['elevation_m']:.0f} m about {usual:.0f} hPa is usual. If so, refraction comes out "
        f"{100 * (middle / usual - 1):.0f} % too large; give the pressure at the station."
    )


def _standard(what: str, value: str) -> Writer:
    return lambda of: f"{of['rows']} of {of['of_rows']} solves came without {what}: {value} was taken."


def _weather_days(of: Values) -> str:
    those = "1 of them was" if of["days"] == 1 else f"{of['days']:,} of them were"
    return (
        f"The weather log spans {of['of_days']:,} days: {those} without a temperature and got the usual one "
        "of the season."
    )


def _ut1(of: Values, decimals: int) -> str:
    return (
        f"UT1 may be off by up to {of['ut1_s']:.{decimals}f} s ({_ARCSEC_PER_S * of['ut1_s']:.0f} arcsec in "
        f"the hour-angle zero, nothing in the axis) and polar motion by up to {of['pole_arcsec']:.1f} arcsec"
    )


def _before(of: Values) -> str:
    return (
        f"The Earth-rotation table begins on {of['begins_date']} and the earliest reading is of "
        f"{of['earliest_date']}; before the table {_ut1(of, 1)}."
    )


def _leap(date: Any) -> str:
    return (
        f"a leap second since {date} is not known here and would shift the hour-angle zero by "
        f"{_ARCSEC_PER_S:.0f} arcsec"
    )


def _after(of: Values) -> str:
    leap = "" if of["leap_date"] is None else f"; {_leap(of['leap_date'])}"
    return (
        f"The installed Earth-rotation table ends on {of['ends_date']} and the latest reading is of "
        f"{of['latest_date']}, {_span(of['days_later'])} later; by then {_ut1(of, 2)}{leap}; {_UPDATE}."
    )


def _span(days: int) -> str:
    if days < 60:
        return f"{days} day{'s' if days != 1 else ''}"
    months = days * 12 / YEAR_DAYS
    return f"{months:.0f} months" if months < 24 else f"{months / 12:.1f} years"


SENTENCES: dict[SkyCode, Writer] = {
    SkyCode.TEMPERATURE_NOT_BELIEVED: _not_believed("temperature", "deg C", "c"),
    SkyCode.PRESSURE_NOT_BELIEVED: _not_believed("pressure", "hPa", "hpa"),
    SkyCode.PRESSURE_OF_SEA_LEVEL: _sea_level,
    SkyCode.TEMPERATURE_STANDARD: _standard("temperature", "10 C"),
    SkyCode.PRESSURE_STANDARD: _standard("pressure", "the standard atmosphere's at the site's elevation"),
    SkyCode.TEMPERATURE_OF_DAY: lambda of: (
        f"{of['rows']} of {of['of_rows']} solves took their temperature from the day's mean."
    ),
    SkyCode.WEATHER_DAYS_FILLED: _weather_days,
    SkyCode.BEFORE_EARTH_TABLE: _before,
    SkyCode.AFTER_EARTH_TABLE: _after,
    SkyCode.LEAP_SECONDS_ENDED: lambda of: (
        f"The leap-second table has ended: {_leap(of['leap_date'])}, nothing in the axis; {_UPDATE}."
    ),
}
