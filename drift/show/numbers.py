"""Numbers as plain data."""

from __future__ import annotations

import math

#: Decimals kept of a number in arcsec: far below what any reading can say, and
#: enough that sums over the columns hold to rounding.
ARCSEC_DECIMALS = 4


def number(value: float | None, decimals: int | None = ARCSEC_DECIMALS) -> float | None:
    """Return a plain float, or None for what is not known (None, NaN, infinite)."""
    if value is None or not math.isfinite(value):
        return None
    plain = float(value) if decimals is None else round(float(value), decimals)
    return plain + 0.0  # turns -0.0 into 0.0
