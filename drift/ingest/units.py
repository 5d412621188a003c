"""Units: how people and files write them, and the way from each to the contract's own."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

#: Inches of mercury to hPa (conventional mercury, ISO 80000-4).
HPA_PER_INHG = 33.863886
Numbers = npt.NDArray[np.float64]

#: Dimension -> unit -> the factor to the dimension's first unit.  A slope of mm per metre is an angle by its
#: arctangent, a temperature has a zero of its own: see `Unit.to_first`.
_FACTORS: dict[str, dict[str, float]] = {
    "angle": {
        "degrees": 1.0,
        "hours": 15.0,
        "radians": float(np.degrees(1.0)),
        "arcmin": 1.0 / 60.0,
        "arcsec": 1.0 / 3600.0,
        "milliarcsec": 1.0 / 3.6e6,
        "mm per m": 1e-3,
    },
    "temperature": {"C": 1.0, "F": 5.0 / 9.0, "K": 1.0},
    "pressure": {
        "hPa": 1.0,
        "Pa": 0.01,
        "kPa": 10.0,
        "inHg": HPA_PER_INHG,
        "mmHg": 1.33322387415,  # conventional millimetre of mercury, ISO 80000-4
        "atm": 1013.25,
    },
    "duration": {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0},
    "length": {"mm": 1.0, "um": 1e-3, "cm": 10.0, "m": 1000.0, "in": 25.4, "thou": 0.0254, "ft": 304.8},
}
#: Where a temperature's zero stands in degrees Celsius.
_ZEROS_C = {"C": 0.0, "F": -32.0 * 5.0 / 9.0, "K": -273.15}
#: Every way to write a unit, lower case and without blanks and dots -> the unit by dimension.
_WRITTEN: dict[str, dict[str, str]] = {
    "angle": {
        **dict.fromkeys(("deg", "degs", "degree", "degrees", "°", "º", "d", "grad"), "degrees"),
        **dict.fromkeys(("dms", "d:m:s", "dd:mm:ss", '"d:m:s"', "°'\"", "d'\"", "°′″", "°:':\""), "degrees"),
        **dict.fromkeys(("h", "hr", "hrs", "hour", "hours", "hms", "hourangle", "std", "ʰ"), "hours"),
        **dict.fromkeys(("h:m:s", "hh:mm:ss", '"h:m:s"', "hhmmss", "ʰᵐˢ", "15deg", "150deg"), "hours"),
        **dict.fromkeys(("rad", "radian", "radians"), "radians"),
        **dict.fromkeys(
            ("arcmin", "arcmins", "amin", "arcminute", "arcminutes", "'", "′", "’", "min", "moa"), "arcmin"
        ),
        **dict.fromkeys(
            ("arcsec", "arcsecs", "asec", "arcsecond", "arcseconds", '"', "″", "”", "''", "sec"), "arcsec"
        ),
        **dict.fromkeys(("mas", "milliarcsec"), "milliarcsec"),
        **dict.fromkeys(("mm/m", "mmperm", "mm/metre", "mmm-1", "mm/meter", "‰"), "mm per m"),
    },
    "temperature": {
        **dict.fromkeys(("c", "°c", "ºc", "degc", "deg_c", "celsius", "degreescelsius"), "C"),
        **dict.fromkeys(("f", "°f", "ºf", "degf", "deg_f", "fahrenheit"), "F"),
        **dict.fromkeys(("k", "kelvin", "kelvins"), "K"),
    },
    "pressure": {
        **dict.fromkeys(("hpa", "mbar", "mb", "millibar", "hectopascal"), "hPa"),
        **dict.fromkeys(("pa", "pascal"), "Pa"),
        "kpa": "kPa",
        **dict.fromkeys(("inhg", "inchhg", "inch_hg", "inchofmercury"), "inHg"),
        **dict.fromkeys(("mmhg", "torr", "mm_hg"), "mmHg"),
        "atm": "atm",
    },
    "duration": {
        **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), "s"),
        **dict.fromkeys(("ms", "msec", "millisecond", "milliseconds"), "ms"),
        **dict.fromkeys(("min", "mins", "minute", "minutes"), "min"),
        **dict.fromkeys(("h", "hr", "hour", "hours"), "h"),
    },
    "length": {
        **dict.fromkeys(("mm", "millimetre", "millimeter"), "mm"),
        **dict.fromkeys(("um", "µm", "μm", "micron", "microns"), "um"),
        **dict.fromkeys(("cm", "centimetre", "centimeter"), "cm"),
        **dict.fromkeys(("m", "metre", "meter"), "m"),
        **dict.fromkeys(("in", "inch", "inches", '"'), "in"),
        **dict.fromkeys(("thou", "mil", "mils"), "thou"),
        **dict.fromkeys(("ft", "feet", "foot"), "ft"),
    },
}
#: Ending of a contract's column -> its dimension and unit.
_OWN = {
    "deg": ("angle", "degrees"),
    "arcmin": ("angle", "arcmin"),
    "arcsec": ("angle", "arcsec"),
    "c": ("temperature", "C"),
    "hpa": ("pressure", "hPa"),
    "s": ("duration", "s"),
    "mm": ("length", "mm"),
    "cm": ("length", "cm"),
}
#: What may stand for a unit below a heading and is none of a dimension.
_NO_DIMENSION = ("utc", "hms", "dms", "local", "jd", "div", "divs", "divisions")
#: Columns that may be read off a bubble, and how its divisions are written here.
_LEVELLED = "tilt_"
_DIVISIONS = "divisions of "
_BUBBLE = re.compile(
    r"div(?:ision)?s?\.?[\s,:=(]*(?:of|at)?\s*(?P<value>\d+(?:[.,]\d+)?)\s*(?P<unit>[^\d\s)][^)]*)\)?",
    re.IGNORECASE,
)
#: For places the contract's degrees may also be hours; a bearing or a face never is.
_IN_HOURS = ("ra_deg", "mount_ra_deg")


@dataclass(frozen=True)
class Unit:
    """A unit of a dimension, such as hours of angle."""

    name: str
    dimension: str

    def to_first(self, values: Numbers) -> Numbers:
        """Turn values into the dimension's first unit (degrees, C, hPa, s, mm)."""
        if self.name == "mm per m":
            return np.degrees(np.arctan(values * 1e-3))
        factor = _FACTORS[self.dimension][self.name]
        if self.dimension == "temperature":
            return values * factor + _ZEROS_C[self.name]
        return values * factor


@cache
def own_unit(column: str) -> Unit | None:
    """Return the unit of a contract's column, None for text, turns and times."""
    dimension, name = _OWN.get(column.rpartition("_")[2], ("", ""))
    return Unit(name, dimension) if dimension and "_" in column else None


def units_for(column: str) -> tuple[str, ...]:
    """Return the units in which a contract's column may be given."""
    own = own_unit(column)
    if own is None:
        return ()
    names = tuple(_FACTORS[own.dimension])
    if own.name == "degrees":
        names = tuple(n for n in names if n != "mm per m" and (n != "hours" or column in _IN_HOURS))
    elif own.dimension == "angle":
        names = tuple(n for n in names if n != "hours")
    return names


def unit_of(written: str, column: str) -> str:
    """Return the unit that a text means for a contract's column, or "" when it is none of its units."""
    own = own_unit(column)
    if own is None:
        return ""
    divisions = bubble(written)
    if divisions is not None and own.dimension == "angle" and column.startswith(_LEVELLED):
        of_one = unit_of(divisions[1], column)
        return f"{_DIVISIONS}{divisions[0]:g} {of_one}" if of_one and bubble(of_one) is None else ""
    plain = re.sub(r"[\s.]", "", written).lower()
    if written.strip() in units_for(column):
        return written.strip()
    found = _WRITTEN[own.dimension].get(plain, "")
    return found if found in units_for(column) else ""


def bubble(written: str) -> tuple[float, str] | None:
    """Return the value of one division and its unit of a text such as "divisions of 20 arcsec", or None.

    A bubble is read in divisions of its glass, and what one of them is worth stands on it or in its papers.
    """
    match = _BUBBLE.fullmatch(written.strip())
    return (float(match["value"].replace(",", ".")), match["unit"].strip()) if match else None


def is_unit(written: str) -> bool:
    """Tell whether a text is a unit of any dimension, between brackets or not."""
    plain = re.sub(r"[\s.()\[\]]", "", written).lower()
    return any(plain in ways for ways in _WRITTEN.values()) or plain in _NO_DIMENSION


def to_contract(values: Numbers, unit: str, column: str) -> Numbers:
    """Turn values in a unit into the unit of a contract's column."""
    own = own_unit(column)
    if own is None or unit in ("", own.name):
        return values
    divisions = bubble(unit)
    if divisions is not None:
        return to_contract(values * divisions[0], divisions[1], column)
    first = Unit(unit, own.dimension).to_first(values)
    return first / _FACTORS[own.dimension][own.name]
