"""A site from Python: keys as in the site file, with numbers or with astropy quantities."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from drift.errors import SiteFileError
from drift.sitefile.sections import SECTIONS

#: Ending of a key -> unit of its number, as astropy writes it.
UNITS = {
    "deg": "deg",
    "arcsec": "arcsec",
    "arcmin": "arcmin",
    "mm": "mm",
    "m": "m",
    "um": "um",
    "s": "s",
    "min": "min",
    "kg": "kg",
}


def plain_sections(sections: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    """Turn quantities into numbers, under the keys that the site file has for them.

    A key that is given a quantity may leave its unit out: ``focal_length=0.8 * u.m`` is
    ``focal_length_mm=800.0``.

    Raises
    ------
    drift.errors.SiteFileError
        If a unit can't be turned into that of the key.
    """
    return {
        section: dict(_plain(section, key, value) for key, value in keys.items())
        for section, keys in sections.items()
    }


def _plain(section: str, key: str, value: Any) -> tuple[str, Any]:
    if not hasattr(value, "unit"):
        return key, value
    known = _known_key(section, key)
    from astropy import units

    ending = known.rpartition("_")[2]
    wanted = units.Unit(UNITS.get(ending, ""))
    try:
        plain = units.Quantity(value).to_value(wanted)
    except units.UnitConversionError as error:
        raise SiteFileError(
            f"[{section}] {known} is {value}, which can't be turned into {wanted or 'a plain number'}: give "
            "it in such a unit, or as a number."
        ) from error
    return known, plain.tolist() if getattr(plain, "ndim", 0) else float(plain)


def _known_key(section: str, key: str) -> str:
    fields = SECTIONS[section].model_fields if section in SECTIONS else {}
    if key in fields:
        return key
    longer = [known for known in fields if known.rpartition("_")[0] == key]
    return longer[0] if len(longer) == 1 else key
