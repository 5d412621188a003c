"""Results as plain data for JSON: one encoder, driven by the names and the types of their fields.

A number that isn't known is None (null), never 0; others are rounded as all of ``--json`` is.  A moment is a
field that ends in ``_us``: it becomes a text in UTC whose name ends in ``_utc``.  Notices have their sentence
with them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any

import numpy as np

from drift.notices import Notice
from drift.render.notices import as_data
from drift.render.phrases import ARCSEC_DECIMALS, number, utc_text

_MOMENT, _MOMENT_AS_TEXT = "_us", "_utc"


def plain(value: Any, decimals: int | None = ARCSEC_DECIMALS) -> Any:
    """Return a value as `json.dumps` takes it.

    Parameters
    ----------
    value
        A number, text, truth value, enumeration, array, date, notice or result, or a tuple, list or mapping
        of such.
    decimals
        To which numbers with a fraction are rounded; None for as they are.

    Raises
    ------
    TypeError
        If no form is known for it.
    """
    if isinstance(value, Notice):
        return as_data(value)
    if isinstance(value, Enum):
        return str(value.value)
    if value is None or isinstance(value, (str, bool)):
        return value
    if isinstance(value, np.generic):
        return plain(value.item(), decimals)
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return number(value, decimals)
    if isinstance(value, np.ndarray):
        return plain(value.tolist(), decimals)
    if isinstance(value, (tuple, list)):
        return [plain(each, decimals) for each in value]
    if isinstance(value, Mapping):
        return {str(name): plain(each, decimals) for name, each in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        return named(value, *(field.name for field in fields(value)), decimals=decimals)
    raise TypeError(f"no form is known for {type(value).__name__}")


def named(result: Any, *names: str, decimals: int | None = ARCSEC_DECIMALS, **renamed: str) -> dict[str, Any]:
    """Return some fields of a result, by name.

    Parameters
    ----------
    result
        The result.
    *names
        Fields or properties, in the order in which they are to stand.
    decimals
        As for `plain`.
    **renamed
        Key -> field or property with another name.
    """
    found: dict[str, Any] = {}
    for key, name in (*((name, name) for name in names), *renamed.items()):
        value = getattr(result, name)
        if name.endswith(_MOMENT):
            found[_as_text(key)] = None if value is None else utc_text(value)
        else:
            found[key] = plain(value, decimals)
    return found


def entries(values: Mapping[str, Any], decimals: int | None = ARCSEC_DECIMALS) -> dict[str, Any]:
    """Return a mapping by name, its moments as texts; `decimals` as for `plain`."""
    found: dict[str, Any] = {}
    for name, value in values.items():
        if name.endswith(_MOMENT):
            found[_as_text(name)] = None if value is None else utc_text(value)
        else:
            found[name] = plain(value, decimals)
    return found


def _as_text(key: str) -> str:
    """Return the key of a moment that is given as a text."""
    return key.removesuffix(_MOMENT) + ("" if key.endswith(_MOMENT_AS_TEXT) else _MOMENT_AS_TEXT)


# ---- Where a private yard is, only as far as it matters.


#: A position in what is shared is rounded to this [deg]: about ten kilometres, a town and no yard.
ROUNDED_TO_DEG = 0.1
#: Its height above the sea to this [m]; with the town it would otherwise tell the street on a hill.
ROUNDED_TO_M = 50.0
_ROUNDED = {
    "latitude_deg": ROUNDED_TO_DEG,
    "longitude_deg": ROUNDED_TO_DEG,
    "elevation_m": ROUNDED_TO_M,
}


def place_rounded(document: Any) -> Any:
    """Return a document with every position in it rounded: values whose name ends as in ``latitude_deg``."""
    if isinstance(document, Mapping):
        return {name: _rounded(str(name), value) for name, value in document.items()}
    return [place_rounded(each) for each in document] if isinstance(document, list) else document


def _rounded(name: str, value: Any) -> Any:
    step = next((step for ending, step in _ROUNDED.items() if name.endswith(ending)), None)
    if step is None or not isinstance(value, (int, float)) or isinstance(value, bool):
        return place_rounded(value)
    return round(round(value / step) * step, 6)
