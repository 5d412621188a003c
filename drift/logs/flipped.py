"""Whether the declinations of a file have the wrong sign, the solved ones or the mount's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drift.logs.layout import Circumstances
from drift.logs.places import Places

#: A declination this near to the equator [deg] is much the same with either sign.
_TELLING_DEG = 5.0
#: With the sign turned so many of the telling rows must be this near to the mount's place [deg], and as they
#: are not half of them; from so many telling rows.
_NEAR_DEG = 5.0
_MOST = 0.8
_FEW_ROWS = 3


def flipped_columns(places: Places, around: Circumstances) -> tuple[str, ...]:
    """Return the columns of which one has the wrong sign, () for none.

    Solved and mount's declinations are then opposite.  Which of them is wrong is told by the horizon: a
    single name is returned where fewer places are below it by the other column, else both.

    Parameters
    ----------
    places
        With the mount's own.
    around
        The site.
    """
    if places.mount_dec_deg is None:
        return ()
    telling = np.minimum(np.abs(places.dec_deg), np.abs(places.mount_dec_deg)) > _TELLING_DEG
    some, turned = places.of(telling), _turned(places).of(telling)
    if telling.sum() < _FEW_ROWS or np.mean(some.from_mount_deg() < _NEAR_DEG) >= 0.5:
        return ()
    if np.mean(turned.from_mount_deg() < _NEAR_DEG) < _MOST:
        return ()
    by_solved, by_mount = int(places.below(around).sum()), int(_turned(places).below(around).sum())
    if by_solved == by_mount:
        return ("dec_deg", "mount_dec_deg")
    return ("dec_deg",) if by_solved > by_mount else ("mount_dec_deg",)


def _turned(places: Places) -> Places:
    return replace(places, dec_deg=-places.dec_deg)
