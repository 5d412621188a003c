"""What the last analysis found, as a start for the next one when a long record has grown by little.

Only the search starts there; what it finds is fitted and weighed as always.  A record that has grown by
more than a little since it was last fitted from scratch is fitted from scratch again, and so is one whose
weather or ground, by which the frost was chosen, has changed.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np

from drift.codes import ForcingKind, Part
from drift.ground.heave import FrostHeave
from drift.history.model import Model, Scales, Stretch
from drift.history.scales import Near, ScalesFound
from drift.quantities import Ints

#: Shorter records are always fitted from scratch: that takes a second or two [readings].
LONG = 300
#: The record may have grown by this much since [share].
GROWN = 0.05


@dataclass(frozen=True)
class EarlierFit:
    """Scales, steps and readings set aside by the last analysis; moments in UTC microseconds."""

    readings: int  # when it was last fitted from scratch
    scales: Scales
    names: tuple[str, ...]  # of the scales that were searched
    curvature: tuple[tuple[float, ...], ...]  # inverse of how the optimum bends, by those
    steps: tuple[tuple[int, Part], ...]  # the first reading after each, and the likeliest part
    aside: tuple[int, ...]
    aside_zero: tuple[int, ...]
    recovering: tuple[int, ...] = ()  # the first reading after each step that was followed by more
    stretches: tuple[Stretch, ...] = ()  # of quick walk
    forcing: tuple[ForcingKind, float] | None = None  # kind and lag of the frost that the tilt follows
    odds: tuple[tuple[ForcingKind, float], ...] = ()  # of the kinds of forcing; empty when none was compared
    weather_day: int = 0  # the last day of weather that the forcing was chosen by
    weather_mark: str = ""  # and what that weather and the ground were, see `FrostHeave.mark`

    def text(self) -> str:
        """Return it as JSON."""
        return json.dumps(asdict(self))

    @property
    def near(self) -> Near:
        """Where a search of the scales may start."""
        return Near(self.scales, self.names, np.array(self.curvature))

    def rests_on(self, frost: FrostHeave | None) -> bool:
        """Return whether the forcing was chosen by this weather and ground, or there was none to choose."""
        return self.weather_mark == ("" if frost is None else frost.mark(self.weather_day))

    def serves(self, model: Model) -> bool:
        """Return whether the search may start here."""
        size = model.series.size
        known = set(model.series.time_us.tolist())
        moments = [*(t for t, _ in self.steps), *self.aside, *self.aside_zero]
        grown = self.readings <= size <= (1.0 + GROWN) * self.readings
        return size >= LONG and grown and all(t in known for t in moments)


def from_text(text: str) -> EarlierFit:
    """Read what `EarlierFit.text` wrote.

    Raises
    ------
    ValueError, KeyError, TypeError
        If it is something else, or was written by another version.
    """
    raw = json.loads(text)
    return EarlierFit(
        int(raw["readings"]),
        Scales(**raw["scales"]),
        tuple(str(name) for name in raw["names"]),
        tuple(tuple(float(x) for x in row) for row in raw["curvature"]),
        tuple((int(t), Part(part)) for t, part in raw["steps"]),
        tuple(int(t) for t in raw["aside"]),
        tuple(int(t) for t in raw["aside_zero"]),
        tuple(int(t) for t in raw["recovering"]),
        tuple(Stretch(**one) for one in raw["stretches"]),
        (ForcingKind(raw["forcing"][0]), float(raw["forcing"][1])) if raw["forcing"] else None,
        tuple((ForcingKind(kind), float(p)) for kind, p in raw["odds"]),
        int(raw["weather_day"]),
        str(raw["weather_mark"]),
    )


def earlier_fit_of(
    found: ScalesFound, steps: Sequence[tuple[int, Part]], recovering: Sequence[int], readings: int
) -> EarlierFit:
    """Return what was found: scales, readings set aside, (index, part) of steps, index of those that recover.

    `readings` is how many there were when the record was last fitted from scratch.
    """
    model = found.fit.model
    time_us: Ints = model.series.time_us
    shared = model.ignored_zero & (model.series.zero_label != "")
    return EarlierFit(
        readings,
        found.fit.scales,
        found.names,
        tuple(tuple(row) for row in found.curvature.tolist()),
        tuple((int(time_us[index]), part) for index, part in steps),
        tuple(time_us[model.ignored].tolist()),
        tuple(time_us[shared].tolist()),
        tuple(int(time_us[index]) for index in recovering),
        model.stretches,
    )


def at_moments(model: Model, moments: Sequence[int]) -> np.ndarray:
    """Return which readings were taken at some moments, (n,) bool."""
    return np.isin(model.series.time_us, np.asarray(moments, dtype=np.int64))
