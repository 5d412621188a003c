"""Linear algebra of the fits: Cholesky factors of many small systems, and Gauss-Markov chains in time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg.lapack import dpbtrf, dpbtrs, dpotrf, dpotrs

from drift.quantities import Floats

# ---- Cholesky factors straight from LAPACK: for the many small systems of a fit.
#
# `scipy.linalg` gives the same numbers; what it looks after besides takes several times as
# long as a small system itself.


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


# ---- Gauss-Markov chains: block-tridiagonal systems in time that cost no more than the readings.
#
# A chain of n blocks of size d has the precision matrix with diagonal blocks
# A_k and blocks O_k above the diagonal between k and k + 1.


@dataclass(frozen=True)
class Chain:
    """A block-tridiagonal positive definite matrix, factored.

    Parameters
    ----------
    diagonal
        Blocks (n, d, d), symmetric.
    above
        Blocks (n - 1, d, d) between each and the next.
    """

    diagonal: Floats
    above: Floats
    factor: Floats

    @property
    def shape(self) -> tuple[int, int]:
        """Number and size of the blocks."""
        return int(self.diagonal.shape[0]), int(self.diagonal.shape[1])

    def log_determinant(self) -> float:
        """Return the logarithm of the determinant."""
        return 2.0 * float(np.sum(np.log(self.factor[-1])))

    def solve(self, right: Floats) -> Floats:
        """Solve for right sides (n * d,) or (n * d, m)."""
        return banded_solved(self.factor, right)

    def covariance_blocks(self) -> tuple[Floats, Floats]:
        """Return the diagonal blocks (n, d, d) of the inverse and those between each and the next.

        Every second block is eliminated, all at once, until one is left, and back
        (cyclic reduction: Golub and Van Loan, Matrix Computations, section 4.5,
        from memory; the same numbers as a fixed-interval smoother gives).
        """
        return _inverse_blocks(self.diagonal, self.above)


def _inverse_blocks(diagonal: Floats, above: Floats) -> tuple[Floats, Floats]:
    """Return diagonal blocks of the inverse (n, d, d) and those between neighbours (n - 1, d, d)."""
    n, d = diagonal.shape[:2]
    if n == 1:
        return np.linalg.inv(diagonal), np.empty((0, d, d))
    left, own = above[0::2], np.linalg.inv(diagonal[1::2])  # of odd blocks: the tie to the one before
    right = np.zeros_like(left)  # ... and to the one after, none for a last odd block
    right[: above[1::2].shape[0]] = above[1::2]
    from_left, from_right = own @ np.swapaxes(left, 1, 2), own @ right  # how odd blocks follow
    even = diagonal[0::2].copy()
    even[: left.shape[0]] -= left @ from_left
    inner = even.shape[0] - 1
    even[1:] -= np.swapaxes(right[:inner], 1, 2) @ from_right[:inner]
    cov, apart = _inverse_blocks(even, -left[:inner] @ from_right[:inner])
    return _with_odd(n, own, from_left, from_right, cov, apart)


def _with_odd(
    n: int, own: Floats, from_left: Floats, from_right: Floats, cov: Floats, apart: Floats
) -> tuple[Floats, Floats]:
    """Put the odd blocks back between the even ones, whose covariances are known."""
    m, d = own.shape[0], own.shape[1]
    before, after, across = cov[:m], np.zeros((m, d, d)), np.zeros((m, d, d))
    inner = cov.shape[0] - 1
    after[:inner], across[:inner] = cov[1:], apart
    to_left = from_left @ before + from_right @ np.swapaxes(across, 1, 2)
    to_right = from_left @ across + from_right @ after
    out, between = np.empty((n, d, d)), np.empty((n - 1, d, d))
    out[0::2] = cov
    out[1::2] = own + to_left @ np.swapaxes(from_left, 1, 2) + to_right @ np.swapaxes(from_right, 1, 2)
    between[0::2] = -np.swapaxes(to_left, 1, 2)
    between[1::2] = -to_right[:inner]
    return out, between


def make_chain(diagonal: Floats, above: Floats) -> Chain:
    """Factor a block-tridiagonal matrix by a banded Cholesky decomposition.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the matrix is not positive definite.
    """
    n, d = diagonal.shape[:2]
    width = 2 * d - 1
    band = np.zeros((width + 1, n * d), order="F")
    rows, columns = np.triu_indices(d)
    start = d * np.arange(n)[:, None]
    band[width + rows - columns, start + columns] = diagonal[:, rows, columns]
    if n > 1:
        i, j = np.indices((d, d)).reshape(2, -1)
        band[width + i - (d + j), start[1:] + j] = above[:, i, j]
    return Chain(diagonal, above, banded_factored(band))
