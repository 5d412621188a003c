"""What was asked of a correction and what was found, in the one way in which it is said everywhere."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drift.advice.words import angle, arcmin, azimuth_side

if TYPE_CHECKING:
    from drift.history.result import CorrectionFound

#: Kinds of correction whose amount is a change in arcsec of az_error or alt_error.
KNOBS = ("azimuth", "altitude")


def amount_words(kind: str, amount_arcsec: float, sd_arcsec: float | None, latitude_deg: float) -> str:
    """Return ``2.80' ± 0.05' east``, ``1.5' up`` or, of shims and nuts, ``34" ± 3"``.

    Parameters
    ----------
    kind
        Of the correction.
    amount_arcsec
        Signed as az_error or alt_error.
    sd_arcsec
        None for what was asked for, which has no uncertainty; nan where it isn't known.
    latitude_deg
        Geodetic: it says whether clockwise is east or west.
    """
    write = arcmin if kind in KNOBS else angle
    known = sd_arcsec is not None and math.isfinite(sd_arcsec)
    size = write(abs(amount_arcsec), float(sd_arcsec or 0.0) if known else 0.0)
    if not known:
        size = size.split(" ± ")[0] + ("" if sd_arcsec is None else " (uncertainty not known)")
    return f"{size}{_way(kind, amount_arcsec, latitude_deg)}"


def _way(kind: str, amount: float, latitude_deg: float) -> str:
    if kind == "azimuth":
        return f" {azimuth_side(amount, latitude_deg)}"
    if kind == "altitude":
        return " up" if amount >= 0 else " down"
    return ""


def asked_and_found(correction: CorrectionFound, latitude_deg: float) -> str:
    """Return ``asked 2.80' east, found 0.03' ± 0.04' west``; "" where no amount was asked."""
    asked, found = correction.asked, correction.found
    if asked is None or not math.isfinite(asked):
        return ""
    said = f"asked {amount_words(correction.kind, asked, None, latitude_deg)}"
    if found is None or not math.isfinite(found):
        return said
    sd = math.nan if correction.found_sd is None else correction.found_sd
    return f"{said}, found {amount_words(correction.kind, found, sd, latitude_deg)}"
