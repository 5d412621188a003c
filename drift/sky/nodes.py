"""The slow parts of an apparent place, worked out sparsely in time.

Precession, nutation and the Earth's motion take hundreds of series terms each
but change smoothly.  They are evaluated on a fixed grid of dates, only where a
reading stands nearby, and interpolated.  The grid never depends on the readings,
so the answer for one reading doesn't depend on which others are there.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Self

import erfa
import numpy as np

from drift.sky.clock import JD_OF_MJD_ZERO, FloatArray, IntArray

# Eight points two days apart.  Largest errors found on 20 000 dates of 2000-2039: celestial
# pole 0.59 mas, equation of the origins 1.2 mas, aberration 0.002 mas, heliocentric place of
# the Earth 2e-9 au.  (Six points: 1.3 mas; four: 3.9 mas; three days and eight points: 6 mas;
# one day and four points: 0.29 mas, but twice the nodes, which are most of the work.)
SPACING_DAYS = 2.0
NEIGHBOURS = tuple(range(-3, 5))  # nodes used, counted from the one at or before the date

_POLE_X, _POLE_Y, _LOCATOR, _ORIGINS = range(4)
_VELOCITY, _FROM_SUN = slice(4, 7), slice(7, 10)
_COLUMNS = 10


@dataclass(frozen=True)
class SlowParts:
    """Where the celestial pole, the equinox and the Earth stand."""

    pole_x: FloatArray  # (n,) celestial intermediate pole X, Y (unit vector in the GCRS)
    pole_y: FloatArray  # (n,)
    locator_rad: FloatArray  # (n,) CIO locator s [rad]
    origins_rad: FloatArray  # (n,) equation of the origins, Earth rotation angle minus GAST [rad]
    velocity_au_day: FloatArray  # (n, 3) the Earth's, barycentric [au/day]
    from_sun_au: FloatArray  # (n, 3) the Earth's place, heliocentric [au]


@dataclass(frozen=True)
class Nodes:
    """The series evaluated at those nodes of the grid that some dates need."""

    first: int  # number of the first node that could be wanted; node k stands at k * SPACING_DAYS
    row_of: IntArray = field(repr=False)  # node - first -> row of `table`
    table: FloatArray = field(repr=False)  # (m, 10), columns as in `evaluate`

    @classmethod
    def near(cls, mjd_tt: FloatArray) -> Self:
        """Evaluate the nodes about the given dates.

        Parameters
        ----------
        mjd_tt
            (n,) [day] Modified Julian Date (TT), n > 0, between 1900 and 2100.
        """
        node = np.floor(mjd_tt / SPACING_DAYS).astype(np.int64)
        first = int(node.min()) + NEIGHBOURS[0]
        wanted = np.zeros(int(node.max()) + NEIGHBOURS[-1] - first + 1, dtype=bool)
        for offset in NEIGHBOURS:
            wanted[node - first + offset] = True
        dates = (np.flatnonzero(wanted) + first).astype(np.float64) * SPACING_DAYS
        return cls(first, np.cumsum(wanted) - 1, evaluate(dates))

    def at(self, mjd_tt: FloatArray) -> SlowParts:
        """Interpolate at some of the dates that the nodes were evaluated for.

        Parameters
        ----------
        mjd_tt
            (n,) [day] Modified Julian Date (TT).

        Returns
        -------
        SlowParts
            Errors as stated at `SPACING_DAYS`.
        """
        scaled = mjd_tt / SPACING_DAYS
        node = np.floor(scaled)
        row = self.row_of[node.astype(np.int64) - self.first]
        values = np.zeros((len(row), _COLUMNS))
        for weight, offset in zip(_weights(scaled - node), NEIGHBOURS, strict=True):
            values += weight[:, None] * self.table[row + offset]
        return SlowParts(
            values[:, _POLE_X],
            values[:, _POLE_Y],
            values[:, _LOCATOR],
            values[:, _ORIGINS],
            values[:, _VELOCITY],
            values[:, _FROM_SUN],
        )


def evaluate(mjd_tt: FloatArray) -> FloatArray:
    """Evaluate the full series at dates, (n, 10): X, Y, s, eo, velocity, heliocentric place.

    References
    ----------
    .. [1] ERFA/SOFA: ``pnm06a`` (IAU 2006 precession, 2000A nutation), ``bpn2xy``,
       ``s06``, ``eors``; IERS Conventions (2010) ch. 5.
    .. [2] ERFA/SOFA: ``epv00`` (abridged VSOP2000 with ELP; 1900-2100).  TT serves
       for TDB: 2 ms move the Earth by 60 m.
    """
    matrix = erfa.pnm06a(JD_OF_MJD_ZERO, mjd_tt)
    out = np.empty((len(mjd_tt), _COLUMNS))
    x, y = erfa.bpn2xy(matrix)
    s = erfa.s06(JD_OF_MJD_ZERO, mjd_tt, x, y)
    heliocentric, barycentric = erfa.epv00(JD_OF_MJD_ZERO, mjd_tt)
    out[:, _POLE_X], out[:, _POLE_Y], out[:, _LOCATOR] = x, y, s
    out[:, _ORIGINS] = erfa.eors(matrix, s)
    out[:, _VELOCITY], out[:, _FROM_SUN] = barycentric["v"], heliocentric["p"]
    return out


def _weights(u: FloatArray) -> list[FloatArray]:
    """Return the Lagrange weights of the neighbours for dates `u` spacings past their node."""
    weights = []
    for own in NEIGHBOURS:
        weight = np.ones_like(u)
        for other in NEIGHBOURS:
            if other != own:
                weight *= (u - other) / (own - other)
        weights.append(weight)
    return weights
