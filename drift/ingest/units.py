"""Units: their spellings in files, and the conversion to our own."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from functools import cache

import numpy as np
import numpy.typing as npt

#: Inches of mercury to hPa (conventional mercury, ISO 80000-4).
HPA_PER_INHG = 33.863886
Numbers = npt.NDArray[np.float64]


class Dimension(StrEnum):
    """What a unit measures."""

    ANGLE = "angle"
    TEMPERATURE = "temperature"
    PRESSURE = "pressure"
    DURATION = "duration"
    LENGTH = "length"


class UnitName(StrEnum):
    """The units that files may be in; a member's text is how ``logs.toml`` and answers write it."""

    DEGREES = "degrees"
    HOURS = "hours"
    RADIANS = "radians"
    ARCMIN = "arcmin"
    ARCSEC = "arcsec"
    MILLIARCSEC = "milliarcsec"
    MM_PER_M = "mm_per_m"
    CELSIUS = "C"
    FAHRENHEIT = "F"
    KELVIN = "K"
    HPA = "hPa"
    PA = "Pa"
    KPA = "kPa"
    INHG = "inHg"
    MMHG = "mmHg"
    ATM = "atm"
    SECOND = "s"
    MILLISECOND = "ms"
    MINUTE = "min"
    HOUR = "h"
    MM = "mm"
    UM = "um"
    CM = "cm"
    M = "m"
    INCH = "in"
    THOU = "thou"
    FOOT = "ft"


_U = UnitName
#: Dimension -> unit -> the factor to the dimension's first unit.  A slope of mm per metre is an angle by its
#: arctangent, a temperature has a zero of its own: see `_to_first`.
_FACTORS: dict[Dimension, dict[UnitName, float]] = {
    Dimension.ANGLE: {
        _U.DEGREES: 1.0,
        _U.HOURS: 15.0,
        _U.RADIANS: float(np.degrees(1.0)),
        _U.ARCMIN: 1.0 / 60.0,
        _U.ARCSEC: 1.0 / 3600.0,
        _U.MILLIARCSEC: 1.0 / 3.6e6,
        _U.MM_PER_M: 1e-3,
    },
    Dimension.TEMPERATURE: {_U.CELSIUS: 1.0, _U.FAHRENHEIT: 5.0 / 9.0, _U.KELVIN: 1.0},
    Dimension.PRESSURE: {
        _U.HPA: 1.0,
        _U.PA: 0.01,
        _U.KPA: 10.0,
        _U.INHG: HPA_PER_INHG,
        _U.MMHG: 1.33322387415,  # conventional millimetre of mercury, ISO 80000-4
        _U.ATM: 1013.25,
    },
    Dimension.DURATION: {_U.SECOND: 1.0, _U.MILLISECOND: 1e-3, _U.MINUTE: 60.0, _U.HOUR: 3600.0},
    Dimension.LENGTH: {
        _U.MM: 1.0,
        _U.UM: 1e-3,
        _U.CM: 10.0,
        _U.M: 1000.0,
        _U.INCH: 25.4,
        _U.THOU: 0.0254,
        _U.FOOT: 304.8,
    },
}
_DIMENSIONS = {unit: dimension for dimension, units in _FACTORS.items() for unit in units}
#: Where a temperature's zero stands in degrees Celsius.
_ZEROS_C = {_U.CELSIUS: 0.0, _U.FAHRENHEIT: -32.0 * 5.0 / 9.0, _U.KELVIN: -273.15}


def _ways(ways: dict[UnitName, Iterable[str]]) -> dict[str, UnitName]:
    return {way: unit for unit, some in ways.items() for way in some}


#: Every way to write a unit, lower case and without blanks and dots -> the unit, by dimension.
_WRITTEN: dict[Dimension, dict[str, UnitName]] = {
    Dimension.ANGLE: _ways(
        {
            _U.DEGREES: (
                *("deg", "degs", "degree", "degrees", "°", "º", "d", "grad"),
                *("dms", "d:m:s", "dd:mm:ss", '"d:m:s"', "°'\"", "d'\"", "°′″", "°:':\""),
            ),
            _U.HOURS: (
                *("h", "hr", "hrs", "hour", "hours", "hms", "hourangle", "std", "ʰ"),
                *("h:m:s", "hh:mm:ss", '"h:m:s"', "hhmmss", "ʰᵐˢ", "15deg", "150deg"),
            ),
            _U.RADIANS: ("rad", "radian", "radians"),
            _U.ARCMIN: (
                *("arcmin", "arcmins", "amin", "arcminute", "arcminutes"),
                *("'", "′", "’", "min", "moa"),
            ),
            _U.ARCSEC: (
                *("arcsec", "arcsecs", "asec", "arcsecond", "arcseconds"),
                *('"', "″", "”", "''", "sec"),
            ),
            _U.MILLIARCSEC: ("mas", "milliarcsec"),
            _U.MM_PER_M: ("mm/m", "mm_per_m", "mmperm", "mm/metre", "mmm-1", "mm/meter", "‰"),
        }
    ),
    Dimension.TEMPERATURE: _ways(
        {
            _U.CELSIUS: ("c", "°c", "ºc", "degc", "deg_c", "celsius", "degreescelsius"),
            _U.FAHRENHEIT: ("f", "°f", "ºf", "degf", "deg_f", "fahrenheit"),
            _U.KELVIN: ("k", "kelvin", "kelvins"),
        }
    ),
    Dimension.PRESSURE: _ways(
        {
            _U.HPA: ("hpa", "mbar", "mb", "millibar", "hectopascal"),
            _U.PA: ("pa", "pascal"),
            _U.KPA: ("kpa",),
            _U.INHG: ("inhg", "inchhg", "inch_hg", "inchofmercury"),
            _U.MMHG: ("mmhg", "torr", "mm_hg"),
            _U.ATM: ("atm",),
        }
    ),
    Dimension.DURATION: _ways(
        {
            _U.SECOND: ("s", "sec", "secs", "second", "seconds"),
            _U.MILLISECOND: ("ms", "msec", "millisecond", "milliseconds"),
            _U.MINUTE: ("min", "mins", "minute", "minutes"),
            _U.HOUR: ("h", "hr", "hour", "hours"),
        }
    ),
    Dimension.LENGTH: _ways(
        {
            _U.MM: ("mm", "millimetre", "millimeter"),
            _U.UM: ("um", "µm", "μm", "micron", "microns"),
            _U.CM: ("cm", "centimetre", "centimeter"),
            _U.M: ("m", "metre", "meter"),
            _U.INCH: ("in", "inch", "inches", '"'),
            _U.THOU: ("thou", "mil", "mils"),
            _U.FOOT: ("ft", "feet", "foot"),
        }
    ),
}
#: Ending of one of our columns -> its unit.
_OWN = {
    "deg": _U.DEGREES,
    "arcmin": _U.ARCMIN,
    "arcsec": _U.ARCSEC,
    "c": _U.CELSIUS,
    "hpa": _U.HPA,
    "s": _U.SECOND,
    "mm": _U.MM,
    "cm": _U.CM,
}
#: Entries of a line of units that are none of a dimension.
_NO_DIMENSION = ("utc", "hms", "dms", "local", "jd", "div", "divs", "divisions")
#: Columns that may be read off a bubble level.
_LEVELLED = ("tilt_north_arcsec", "tilt_east_arcsec")
_BUBBLE = re.compile(
    r"div(?:ision)?s?\.?[\s,:=(]*(?:of|at)?\s*(?P<value>\d+(?:[.,]\d+)?)\s*(?P<unit>[^\d\s)][^)]*)\)?",
    re.IGNORECASE,
)
#: Columns whose degrees may also be hours; a bearing or a face never is.
_IN_HOURS = ("ra_deg", "mount_ra_deg")


@dataclass(frozen=True)
class Unit:
    """The unit of a column; for a bubble level, `division` is what one division is worth in that unit."""

    name: UnitName
    division: float | None = None

    def __str__(self) -> str:
        """Return it as ``logs.toml`` has it."""
        return str(self.name) if self.division is None else f"divisions of {self.division:g} {self.name}"


def dimension_of(unit: UnitName) -> Dimension:
    """Return what a unit measures."""
    return _DIMENSIONS[unit]


@cache
def own_unit(column: str) -> UnitName | None:
    """Return the unit of one of our columns, None for text, turns and times."""
    return _OWN.get(column.rpartition("_")[2]) if "_" in column else None


def may_be_divisions(column: str) -> bool:
    """Tell whether one of our columns may be read in divisions of a bubble level."""
    return column in _LEVELLED


def units_for(column: str) -> tuple[UnitName, ...]:
    """Return the units in which one of our columns may be given."""
    own = own_unit(column)
    if own is None:
        return ()
    names = tuple(_FACTORS[dimension_of(own)])
    if own is UnitName.DEGREES:
        barred = {UnitName.MM_PER_M} if column in _IN_HOURS else {UnitName.MM_PER_M, UnitName.HOURS}
        return tuple(one for one in names if one not in barred)
    return tuple(one for one in names if one is not UnitName.HOURS)


def unit_of(written: str, column: str) -> Unit | None:
    """Return the unit that a text means for one of our columns, None when it is none of its units."""
    own = own_unit(column)
    if own is None:
        return None
    bubble = _BUBBLE.fullmatch(written.strip()) if may_be_divisions(column) else None
    if bubble:
        of_one = unit_of(bubble["unit"].strip(), column)
        if of_one is None or of_one.division is not None:
            return None
        return Unit(of_one.name, float(f"{float(bubble['value'].replace(',', '.')):g}"))
    allowed = units_for(column)
    if written.strip() in allowed:
        return Unit(UnitName(written.strip()))
    found = _WRITTEN[dimension_of(own)].get(re.sub(r"[\s.]", "", written).lower())
    return Unit(found) if found in allowed else None


def is_unit(written: str) -> bool:
    """Tell whether a text is a unit of any dimension, between brackets or not."""
    plain = re.sub(r"[\s.()\[\]]", "", written).lower()
    return any(plain in ways for ways in _WRITTEN.values()) or plain in _NO_DIMENSION


def to_contract(values: Numbers, unit: Unit | None, column: str) -> Numbers:
    """Turn values in a unit into the unit of one of our columns; None: they are in that unit."""
    own = own_unit(column)
    if own is None or unit is None:
        return values
    if unit.division is not None:
        values = values * unit.division
    if unit.name is own:
        return values
    return _to_first(values, unit.name) / _FACTORS[dimension_of(own)][own]


def _to_first(values: Numbers, unit: UnitName) -> Numbers:
    """Turn values into the dimension's first unit (degrees, C, hPa, s, mm)."""
    if unit is UnitName.MM_PER_M:
        return np.degrees(np.arctan(values * 1e-3))
    factor = _FACTORS[dimension_of(unit)][unit]
    return values * factor + _ZEROS_C.get(unit, 0.0)
