"""The truth in time: how the pier, the mount and the references move, and by which prior they were drawn.

Every movement is put down twice: as a track on a fine grid, which is the truth, and as the covariance by
which it was drawn, which is all that the oracle is told of it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

#: What can move.  `level_*` is the level's own error, `zero` the kept hour-angle zero's own.
CHANNELS = ("tilt_north", "tilt_east", "mount_az", "mount_alt", "zero", "level_north", "level_east")
#: Quarter days resolve the temperature of an evening and a morning; steps are exact.
GRID_DAYS = 0.25
BEFORE_DAYS = 30.0


@dataclass(frozen=True)
class Step:
    """Something sudden: what moved, by how much [arcsec], and how much of it comes back."""

    day: float
    what: str  # pier, mount_az, mount_alt, zero, clock
    sizes: dict[str, float]
    recorded_arcmin: float | None = None
    unrecorded: bool = True
    back: float = 0.0
    back_days: float = 30.0

    def shape(self, day: Floats) -> Floats:
        """Return how much of the step is there at moments, 0 to 1."""
        since = np.asarray(day, dtype=float) - self.day
        gone = self.back * (1.0 - np.exp(-np.maximum(since, 0.0) / self.back_days))
        return np.where(since >= 0.0, 1.0 - gone, 0.0)


@dataclass(frozen=True)
class Amplitude:
    """One number drawn for each of some channels, times a shape known beforehand."""

    channels: tuple[str, ...]
    shape: Floats  # on the grid
    sd: float

    def covariance(self, grid: Floats, day: Floats) -> Floats:
        """Return the covariance between moments, of each of the channels by itself."""
        at = np.interp(day, grid, self.shape)
        return np.asarray(self.sd**2 * np.outer(at, at))


@dataclass(frozen=True)
class Straying:
    """A shape whose amplitude strays in the course of weeks: no ground follows its driver exactly."""

    channels: tuple[str, ...]
    shape: Floats
    sd: float
    memory_days: float

    def covariance(self, grid: Floats, day: Floats) -> Floats:
        """Return the covariance between moments, of each of the channels by itself."""
        at = np.interp(day, grid, self.shape)
        apart = np.abs(np.subtract.outer(day, day))
        return np.asarray(self.sd**2 * np.outer(at, at) * np.exp(-apart / self.memory_days))


@dataclass(frozen=True)
class Walk:
    """A random walk."""

    channels: tuple[str, ...]
    sd_per_root_day: float

    def covariance(self, grid: Floats, day: Floats) -> Floats:
        """Return the covariance between moments, of each of the channels by itself."""
        since = np.asarray(day) - grid[0]
        return np.asarray(self.sd_per_root_day**2 * np.minimum.outer(since, since))


Prior = Amplitude | Straying | Walk


@dataclass
class Course:
    """Tracks on a grid of days since the first local noon, and steps."""

    days: float
    grid: Floats = field(init=False)
    tracks: dict[str, Floats] = field(init=False)
    steps: list[Step] = field(default_factory=list)
    priors: list[Prior] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.grid = np.arange(-BEFORE_DAYS, self.days + 5.0, GRID_DAYS)
        self.tracks = {name: np.zeros(self.grid.size) for name in CHANNELS}

    def at(self, channel: str, day: Floats) -> Floats:
        """Return the truth of a channel at moments [arcsec]."""
        value = np.interp(day, self.grid, self.tracks[channel])
        for step in self.steps:
            if channel in step.sizes:
                value = value + step.sizes[channel] * step.shape(day)
        return value

    def add(self, sizes: dict[str, float], shape: Floats, sd: float) -> None:
        """Add a shape times a size a channel; `sd` is the one by which the sizes were drawn."""
        for channel, size in sizes.items():
            self.tracks[channel] += size * shape
        self.priors.append(Amplitude(tuple(sizes), shape, sd))

    def stray(
        self, rng: np.random.Generator, toward: dict[str, float], shape: Floats, size: float, memory: float
    ) -> None:
        """Add a shape times an amplitude that strays about nothing, along one direction."""
        steps = rng.normal(0.0, 1.0, self.grid.size)
        keep = np.exp(-GRID_DAYS / memory)
        path = np.empty(self.grid.size)
        path[0] = steps[0]
        for k in range(1, path.size):
            path[k] = keep * path[k - 1] + np.sqrt(1.0 - keep**2) * steps[k]
        for channel, part in toward.items():
            self.tracks[channel] += part * size * path * shape
        share = np.sqrt(np.mean(np.square(list(toward.values()))))
        self.priors.append(Straying(tuple(toward), shape, float(size * share), memory))

    def walk(self, rng: np.random.Generator, channels: tuple[str, ...], arcsec_per_root_year: float) -> None:
        """Let channels wander, each by itself."""
        a_day = arcsec_per_root_year / np.sqrt(365.25)
        for channel in channels:
            moves = rng.normal(0.0, a_day * np.sqrt(GRID_DAYS), self.grid.size)
            self.tracks[channel] += np.cumsum(moves)
        self.priors.append(Walk(channels, a_day))

    @property
    def years(self) -> Floats:
        """The grid in years since the record's start."""
        return self.grid / 365.25
