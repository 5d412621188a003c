"""Gauss-Markov chains: block-tridiagonal systems in time that cost no more than the readings.

A chain of n blocks of size d has the precision matrix with diagonal blocks
A_k and blocks O_k above the diagonal between k and k + 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve_banded, cholesky_banded

from drift.quantities import Floats


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
        return np.asarray(cho_solve_banded((self.factor, False), right, check_finite=False))

    def covariance_blocks(self) -> tuple[Floats, Floats]:
        """Return the diagonal blocks (n, d, d) of the inverse and those between each and the next.

        The recursion runs once forward and once back (Takahashi, Fagan and Chin
        1973; the same numbers as a fixed-interval smoother gives).
        """
        n, d = self.shape
        inverse = np.empty((n, d, d))
        gain = np.empty((max(n - 1, 0), d, d))
        schur = self.diagonal[0]
        for k in range(n):
            inverse[k] = np.linalg.inv(schur)
            if k < n - 1:
                gain[k] = inverse[k] @ self.above[k]
                schur = self.diagonal[k + 1] - self.above[k].T @ gain[k]
        cov, between = inverse.copy(), np.empty((max(n - 1, 0), d, d))
        for k in range(n - 2, -1, -1):
            between[k] = -gain[k] @ cov[k + 1]
            cov[k] = inverse[k] - between[k] @ gain[k].T
        return cov, between


def make_chain(diagonal: Floats, above: Floats) -> Chain:
    """Factor a block-tridiagonal matrix by a banded Cholesky decomposition.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the matrix is not positive definite.
    """
    n, d = diagonal.shape[:2]
    width = 2 * d - 1
    band = np.zeros((width + 1, n * d))
    rows, columns = np.triu_indices(d)
    start = d * np.arange(n)[:, None]
    band[width + rows - columns, start + columns] = diagonal[:, rows, columns]
    if n > 1:
        i, j = np.indices((d, d)).reshape(2, -1)
        band[width + i - (d + j), start[1:] + j] = above[:, i, j]
    return Chain(diagonal, above, cholesky_banded(band, check_finite=False))
