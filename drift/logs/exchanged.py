"""Whether right ascension and declination have changed places in a file."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drift.logs.layout import Circumstances
from drift.logs.places import Places

#: From this share of declinations beyond 90 degrees on, an exchange is thought of; from so many rows.
_BEYOND = 0.2
_FEW_ROWS = 3
#: Exchanged back, this share of the rows must be near the mount's place [deg], or above the horizon.
_CURED = 0.9
_NEAR_DEG = 5.0

SOLVED = ("ra_deg", "dec_deg")
MOUNT = ("mount_ra_deg", "mount_dec_deg")


def exchanged_pairs(places: Places, around: Circumstances) -> tuple[tuple[str, str], ...]:
    """Return the pairs of columns that have changed places, () for none.

    Nearly every list of right ascensions goes beyond 90 degrees, and no declination does, so that an exchange
    shows; it is believed when exchanging back makes the two places agree, or puts them above the horizon.
    """
    finite = np.isfinite(places.ra_deg) & np.isfinite(places.dec_deg)
    if places.mount_ra_deg is not None and places.mount_dec_deg is not None:
        finite &= np.isfinite(places.mount_ra_deg) & np.isfinite(places.mount_dec_deg)
    if finite.sum() < _FEW_ROWS:
        return ()
    some = places.of(finite)
    found = tuple(pair for pair in (SOLVED, MOUNT) if _is_beyond(some, pair))
    return found if found and _is_cured(_exchange(some, found), around) else ()


def _is_beyond(places: Places, pair: tuple[str, str]) -> bool:
    dec = places.dec_deg if pair == SOLVED else places.mount_dec_deg
    return dec is not None and bool(np.mean(np.abs(dec) > 90.0) >= _BEYOND)


def _exchange(places: Places, pairs: tuple[tuple[str, str], ...]) -> Places:
    if SOLVED in pairs:
        places = replace(places, ra_deg=places.dec_deg, dec_deg=places.ra_deg)
    if MOUNT in pairs:
        places = replace(places, mount_ra_deg=places.mount_dec_deg, mount_dec_deg=places.mount_ra_deg)
    return places


def _is_cured(places: Places, around: Circumstances) -> bool:
    if np.mean(np.abs(places.dec_deg) <= 90.0) < _CURED:
        return False
    if places.mount_ra_deg is not None:
        return bool(np.mean(places.from_mount_deg() < _NEAR_DEG) >= _CURED)
    return bool(np.mean(~places.below(around)) >= _CURED)
