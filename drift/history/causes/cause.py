"""What a cause is: named columns with a Gaussian prior."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from drift.quantities import Floats

#: Components of the state of pier and mount, in this order everywhere.
LEAN_NORTH, LEAN_EAST, PLATE_NORTH, PLATE_EAST, MOUNT_AZ, MOUNT_ALT = range(6)


@dataclass(frozen=True)
class Cause:
    """Columns of one cause over n readings.

    Parameters
    ----------
    name
        What it is called.
    state
        (n, 6, q): what one unit of each column adds to lean north and east,
        plate north and east, mount azimuth and altitude; 0 at the reference.
    direct
        (n, 3, q): what it adds to the readings themselves and to nothing that moves.
    mean, cov
        Prior of the q amplitudes.
    loose_sd
        Where what was written down may be plain wrong (a sign, a date): the standard
        deviation about zero that is then believed; else None.
    """

    name: str
    state: Floats = field(repr=False)
    direct: Floats = field(repr=False)
    mean: Floats = field(repr=False)
    cov: Floats = field(repr=False)
    loose_sd: float | None = None

    def loosened(self) -> Cause:
        """Return the cause with what was written down no longer believed.

        Raises
        ------
        ValueError
            If the cause rests on nothing that was written down.
        """
        if self.loose_sd is None:
            raise ValueError(f"{self.name}: nothing to loosen")
        return replace(
            self, mean=np.zeros(self.width), cov=np.eye(self.width) * self.loose_sd**2, loose_sd=None
        )

    @property
    def width(self) -> int:
        """How many columns there are."""
        return int(self.mean.size)


def blank(n: int, q: int) -> tuple[Floats, Floats]:
    """Return empty state and direct columns."""
    return np.zeros((n, 6, q)), np.zeros((n, 3, q))


def independent(name: str, state: Floats, direct: Floats, mean: Floats, sd: Floats) -> Cause:
    """Return a cause whose amplitudes are independent, with standard deviations `sd`."""
    return Cause(
        name, state, direct, np.asarray(mean, dtype=float), np.diag(np.asarray(sd, dtype=float) ** 2)
    )
