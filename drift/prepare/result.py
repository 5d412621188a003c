"""Readings as the night step takes them, and what was done to make them so."""

from __future__ import annotations

from dataclasses import dataclass, field

from drift.readings import Readings


@dataclass(frozen=True)
class LeftOut:
    """A reading that can't be used, and why."""

    kind: str
    row_id: int
    time_us: int
    reason: str


@dataclass(frozen=True)
class Prepared:
    """Readings made ready; `remarks` says what was found, `left_out` what can't be used."""

    readings: Readings = field(repr=False)
    remarks: tuple[str, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
