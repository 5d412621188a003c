"""What a kind of log looks like, and the circumstances in which it is read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from drift.logs.cells import Cells
    from drift.pierfile import PierFile

#: Name -> array or list of one value a row; the names of `drift.readings.COLUMNS` without ``row_id``.
Columns = dict[str, "np.ndarray | list[str]"]


@dataclass(frozen=True)
class Circumstances:
    """Where the site is and what time it is now: what plausible values depend on."""

    latitude_deg: float
    longitude_deg: float  # east positive
    elevation_m: float
    now_us: int
    timezone: str | None = None
    guided: bool = True  # a guide star is followed
    modelled: bool = False  # the mount's own model moves its axes


def circumstances(site: PierFile, now_us: int) -> Circumstances:
    """Take from a site file what plausible values depend on."""
    place = site.site
    return Circumstances(
        place.latitude_deg,
        place.longitude_deg,
        place.elevation_m,
        now_us,
        place.timezone,
        site.optics.guided,
        str(site.mount.reports) == "modelled",
    )


@dataclass(frozen=True)
class Layout:
    """The columns of one kind of log, and the function that reads and checks its rows."""

    kind: str  # the table of `drift.readings.COLUMNS` that it fills
    title: str  # for people: "pointing solves"
    required: tuple[str, ...]
    optional: tuple[str, ...]
    read: Callable[[Cells, Circumstances], Columns] = field(repr=False)
    together: tuple[str, ...] = ()  # optional columns of which a file has all or none

    @property
    def columns(self) -> tuple[str, ...]:
        """All column names that the layout knows."""
        return self.required + self.optional


@dataclass(frozen=True)
class Limits:
    """The range a number may have; `hint` names the likely slip for a value outside it, or gives ""."""

    low: float
    high: float
    words: str  # "from -90 to 90 degrees"
    open_high: bool = False
    open_low: bool = False
    hint: Callable[[float], str] = field(default=lambda value: "", repr=False)

    def outside(self, values: np.ndarray) -> np.ndarray:
        """Tell which values lie outside; NaN does not."""
        below = values <= self.low if self.open_low else values < self.low
        above = values >= self.high if self.open_high else values > self.high
        return below | above

    def reason(self, value: float) -> str:
        """Say what is allowed, and what may have happened."""
        hint = self.hint(value)
        return f"must be {self.words}" + (f"; {hint}" if hint else "")
