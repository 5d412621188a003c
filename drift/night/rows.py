"""The readings of each session laid side by side, for sums and products session by session."""

from __future__ import annotations

import numpy as np

from drift.night.sightings import Sightings
from drift.quantities import Floats

#: Sessions are padded to one length for speed when that costs no more than so many times the readings.
MOST_PADDING = 4


class SessionRows:
    """Coefficients of all readings, by session, for what a fit does with them at each step.

    Parameters
    ----------
    sightings
        n of them, sorted by session.
    sessions
        How many sessions there are, s.
    """

    def __init__(self, sightings: Sightings, sessions: int) -> None:
        self._flat = sightings.coefficients
        self._session, self._sessions = sightings.session, sessions
        self._starts = np.searchsorted(sightings.session, np.arange(sessions))
        self._counts = np.diff(np.append(self._starts, sightings.size))
        longest = int(self._counts.max(initial=0))
        self._place = np.arange(sightings.size) - self._starts[sightings.session]
        self._padded = sessions * longest <= MOST_PADDING * sightings.size
        self._shape = (sessions, longest, 2)
        if self._padded:
            self._table = self._side_by_side(self._flat)

    def _side_by_side(self, rows: Floats) -> Floats:
        """Lay (n, 2, k) out as (s, 2 longest, k), with nothing after the last of each session."""
        table = np.zeros((*self._shape, rows.shape[2]))
        table[self._session, self._place] = rows
        return table.reshape(self._sessions, 2 * self._shape[1], rows.shape[2])

    def _of_readings(self, table: Floats) -> Floats:
        """Return (s, 2 longest) as (n, 2)."""
        return np.asarray(table.reshape(self._shape)[self._session, self._place])

    def times(self, eight: Floats) -> Floats:
        """Return coefficients times the eight numbers of each session, (s, 8) -> (n, 2)."""
        if self._padded:
            return self._of_readings((self._table @ eight[:, :, None])[:, :, 0])
        return np.asarray((self._flat @ eight[self._session][:, :, None])[:, :, 0])

    def variances(self, cov: Floats) -> Floats:
        """Return the variance of coefficients times the eight numbers, (s, 8, 8) -> (n, 2)."""
        if self._padded:
            return self._of_readings(np.einsum("sik,sik->si", self._table @ cov, self._table))
        spread = self._flat @ cov[self._session]
        return np.asarray(np.einsum("nik,nik->ni", spread, self._flat))

    def grams(self, readings: Floats, weights: Floats) -> Floats:
        """Sum the weighted products of coefficients and readings of each session, (s, 9, 9).

        Parameters
        ----------
        readings
            Misfit plus coefficients times the present unknowns, (n, 2) [arcsec].
        weights
            One over the variance, (n, 2) [arcsec^-2]; 0 for what is not used.
        """
        root = np.sqrt(weights)[:, :, None]
        if self._padded:
            last = self._side_by_side(readings[:, :, None])
            table = np.concatenate([self._table, last], axis=2) * self._side_by_side(root)
            return np.asarray(np.swapaxes(table, 1, 2) @ table)
        rows = np.concatenate([self._flat, readings[:, :, None]], axis=2) * root
        products = np.swapaxes(rows, 1, 2) @ rows
        none = np.zeros(
            (1, *products.shape[1:])
        )  # for empty sessions at the end, which begin behind all rows
        sums: Floats = np.add.reduceat(np.concatenate([products, none]), self._starts, axis=0)
        sums[self._counts == 0] = 0.0  # reduceat repeats an element for empty slices
        return sums
