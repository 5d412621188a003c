"""What an axis error does at each place on the sky, to first order, as matrices.

An effect at a place is ``M a`` with the axis error on the sky
``a = (a_alt, a_az)``: ``a_alt = s alt_error`` and ``a_az = az_error cos(phi)``.
So the mount sees a star displaced by

    dDec = a_alt cos H - a_az sin H,    dHA cos D = sin D (a_alt sin H + a_az cos H)

and turned about itself by ``(a_alt sin H + a_az cos H) / cos D`` [1]_.  Over an
exposure in the middle of which the hour angle is H the differences are those
of the two ends.  The largest singular value of M says what an error of unit size does
there in the worst direction, the length of ``M a`` what the present one does.

.. [1] Derived here, and tested against exact rotations; M. A. Covington, Astrophotography for the Amateur
   (Cambridge 1999), appendix B, names W. Chauvenet (1876), vol. 2, pp. 367-390, for the full treatment.
"""

from __future__ import annotations

import numpy as np

from drift.advice.axis_error import turned
from drift.advice.open_sky import OpenSky
from drift.quantities import Floats


def trail(sky: OpenSky, exposure_s: float) -> Floats:
    """Return how a tracked star moves in the mount's frame from start to end, (n, 2, 2).

    Rows: west on the sky (hour angle times cos D), declination; radians for an error in radians.
    """
    sin_h, cos_h, sin_d = _sin(sky.hour_angle), _cos(sky.hour_angle), _sin(sky.declination)
    west = np.stack([sin_d * cos_h, -sin_d * sin_h], axis=-1)
    north = np.stack([-sin_h, -cos_h], axis=-1)
    return turned(exposure_s) * np.stack([west, north], axis=1)


def rotation(sky: OpenSky, exposure_s: float) -> Floats:
    """Return how the field turns about a star held still, (n, 1, 2); infinite at the poles of the sky."""
    cos_d = np.maximum(_cos(sky.declination), 1e-9)
    turn = np.stack([_cos(sky.hour_angle), -_sin(sky.hour_angle)], axis=-1) / cos_d[:, None]
    return turned(exposure_s) * turn[:, None, :]


def goto_miss(sky: OpenSky, synced_at: OpenSky | None) -> Floats:
    """Return by how much a slew misses, (n, 2, 2), rows as in `trail`.

    Parameters
    ----------
    sky
        Places slewed to.
    synced_at
        The one place on which hour angle and declination were set before; None
        where the mount keeps true zeros.
    """
    miss = _displacement(sky)
    if synced_at is None:
        return miss
    here, cos_d = _displacement(synced_at)[0], _cos(sky.declination)
    miss[:, 1] -= here[1]
    # the hour angle, not its length on the sky, is what a sync sets
    miss[:, 0] -= cos_d[:, None] / max(float(_cos(synced_at.declination)[0]), 1e-9) * here[0]
    return miss


def worst_direction(matrices: Floats) -> Floats:
    """Return what an error of unit size does at most, whichever way it points, (n,)."""
    return np.asarray(np.linalg.norm(matrices, ord=2, axis=(1, 2)))


def of_error(matrices: Floats, axis: Floats) -> Floats:
    """Return what the axis error (a_alt, a_az) does at each place, (n,), in the unit of `axis`."""
    return np.asarray(np.linalg.norm(matrices @ axis, axis=1))


def _displacement(sky: OpenSky) -> Floats:
    sin_h, cos_h, sin_d = _sin(sky.hour_angle), _cos(sky.hour_angle), _sin(sky.declination)
    west = np.stack([sin_d * sin_h, sin_d * cos_h], axis=-1)
    return np.stack([west, np.stack([cos_h, -sin_h], axis=-1)], axis=1)


def _sin(degrees: Floats) -> Floats:
    return np.asarray(np.sin(np.radians(degrees)))


def _cos(degrees: Floats) -> Floats:
    return np.asarray(np.cos(np.radians(degrees)))
