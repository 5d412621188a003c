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
#: Dimension -> unit -> what astropy calls it, in the order in which units are listed; the first unit of each
#: is the one that the others are turned into.  A slope of mm per metre and a temperature are no factors: see
#: `_to_first`.  Astropy has no inch of mercury.
_UNITS: dict[Dimension, dict[UnitName, str]] = {
    Dimension.ANGLE: {
        _U.DEGREES: "deg",
        _U.HOURS: "hourangle",
        _U.RADIANS: "rad",
        _U.ARCMIN: "arcmin",
        _U.ARCSEC: "arcsec",
        _U.MILLIARCSEC: "mas",
        _U.MM_PER_M: "",
    },
    Dimension.TEMPERATURE: {_U.CELSIUS: "", _U.FAHRENHEIT: "", _U.KELVIN: ""},
    Dimension.PRESSURE: {
        _U.HPA: "hPa",
        _U.PA: "Pa",
        _U.KPA: "kPa",
        _U.INHG: "",
        _U.MMHG: "mmHg",
        _U.ATM: "atm",
    },
    Dimension.DURATION: {_U.SECOND: "s", _U.MILLISECOND: "ms", _U.MINUTE: "min", _U.HOUR: "h"},
    Dimension.LENGTH: {
        _U.MM: "mm",
        _U.UM: "um",
        _U.CM: "cm",
        _U.M: "m",
        _U.INCH: "inch",
        _U.THOU: "mil",
        _U.FOOT: "ft",
    },
}
#: What astropy doesn't have, or has no factor for.
_OWN_FACTORS = {_U.INHG: HPA_PER_INHG, _U.CELSIUS: 1.0, _U.FAHRENHEIT: 5.0 / 9.0, _U.KELVIN: 1.0}
_DIMENSIONS = {unit: dimension for dimension, units in _UNITS.items() for unit in units}
#: Where a temperature's zero stands in degrees Celsius.
_ZEROS_C = {_U.CELSIUS: 0.0, _U.FAHRENHEIT: -32.0 * 5.0 / 9.0, _U.KELVIN: -273.15}


def _by_spelling(spellings: dict[UnitName, Iterable[str]]) -> dict[str, UnitName]:
    return {spelling: unit for unit, some in spellings.items() for spelling in some}


#: Every way to write a unit, lower case and without blanks and dots -> the unit, by dimension.
_WRITTEN: dict[Dimension, dict[str, UnitName]] = {
    Dimension.ANGLE: _by_spelling(
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
    Dimension.TEMPERATURE: _by_spelling(
        {
            _U.CELSIUS: ("c", "°c", "ºc", "degc", "deg_c", "celsius", "degreescelsius"),
            _U.FAHRENHEIT: ("f", "°f", "ºf", "degf", "deg_f", "fahrenheit"),
            _U.KELVIN: ("k", "kelvin", "kelvins"),
        }
    ),
    Dimension.PRESSURE: _by_spelling(
        {
            _U.HPA: ("hpa", "mbar", "mb", "millibar", "hectopascal"),
            _U.PA: ("pa", "pascal"),
            _U.KPA: ("kpa",),
            _U.INHG: ("inhg", "inchhg", "inch_hg", "inchofmercury"),
            _U.MMHG: ("mmhg", "torr", "mm_hg"),
            _U.ATM: ("atm",),
        }
    ),
    Dimension.DURATION: _by_spelling(
        {
            _U.SECOND: ("s", "sec", "secs", "second", "seconds"),
            _U.MILLISECOND: ("ms", "msec", "millisecond", "milliseconds"),
            _U.MINUTE: ("min", "mins", "minute", "minutes"),
            _U.HOUR: ("h", "hr", "hour", "hours"),
        }
    ),
    Dimension.LENGTH: _by_spelling(
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
    names = tuple(_UNITS[dimension_of(own)])
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
    return any(plain in spellings for spellings in _WRITTEN.values()) or plain in _NO_DIMENSION


def to_our_unit(values: Numbers, unit: Unit | None, column: str) -> Numbers:
    """Turn values in a unit into the unit of one of our columns; None: they are in that unit."""
    own = own_unit(column)
    if own is None or unit is None:
        return values
    if unit.division is not None:
        values = values * unit.division
    if unit.name is own:
        return values
    return _to_first(values, unit.name) / _factor(own)


def _to_first(values: Numbers, unit: UnitName) -> Numbers:
    """Turn values into the dimension's first unit (degrees, C, hPa, s, mm)."""
    if unit is UnitName.MM_PER_M:
        return np.degrees(np.arctan(values * 1e-3))
    return values * _factor(unit) + _ZEROS_C.get(unit, 0.0)


@cache
def _factor(unit: UnitName) -> float:
    """Return what a unit is in its dimension's first unit, by astropy, which is loaded when it is needed."""
    units = _UNITS[dimension_of(unit)]
    first = next(iter(units))
    if unit is first or unit in _OWN_FACTORS:
        return _OWN_FACTORS.get(unit, 1.0)
    from astropy.units import Unit as AstropyUnit
    from astropy.units import add_enabled_units, cds, imperial

    with add_enabled_units([imperial, cds.mmHg, cds.atm]):
        return float(AstropyUnit(units[unit]).to(AstropyUnit(units[first])))
