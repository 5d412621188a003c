"""Cholesky factors straight from LAPACK: for the many small systems of a fit.

`scipy.linalg` gives the same numbers; what it looks after besides takes several times as
long as a small system itself.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg.lapack import dpbtrf, dpbtrs, dpotrf, dpotrs

from drift.quantities import Floats


def factored(matrix: Floats) -> Floats:
    """Return the upper factor of a symmetric positive definite matrix (p, p), its lower half left as it was.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the matrix is not positive definite.
    """
    factor, info = dpotrf(matrix, lower=0, clean=0)
    return _sound(factor, info)


def solved(factor: Floats, right: Floats) -> Floats:
    """Solve a factored system for right sides (p,) or (p, m)."""
    return np.asarray(dpotrs(factor, right, lower=0)[0])


def banded_factored(band: Floats) -> Floats:
    """Return the factor of a banded symmetric positive definite matrix.

    Parameters
    ----------
    band
        (w + 1, n) its upper diagonals, the main one last, as `scipy.linalg.cholesky_banded` takes them.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the matrix is not positive definite.
    """
    factor, info = dpbtrf(band, lower=0)
    return _sound(factor, info)


def banded_solved(factor: Floats, right: Floats) -> Floats:
    """Solve a factored banded system for right sides (n,) or (n, m)."""
    found = dpbtrs(factor, right if right.ndim == 2 else right[:, None], lower=0)[0]
    return np.asarray(found if right.ndim == 2 else found[:, 0])


def _sound(factor: Floats, info: int) -> Floats:
    if info:
        raise np.linalg.LinAlgError(f"the matrix is not positive definite from row {info} on")
    return np.asarray(factor)
