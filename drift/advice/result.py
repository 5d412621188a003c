"""What to do: the verdict, the actions and the cautions."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Bolt:
    """What to do at one bolt of the plate."""

    bearing_deg: float
    thickness_mm: float | None
    nut_turns: float | None


@dataclass(frozen=True)
class Action:
    """One thing to do, in order."""

    do: str  # nothing wait measure tighten turn_azimuth turn_altitude shim nuts call_for_help
    sentence: str
    amount_arcmin: float | None = None
    turns: float | None = None
    bolts: tuple[Bolt, ...] = ()
    until_us: int | None = None


@dataclass(frozen=True)
class Verdict:
    """Whether something moved, and what."""

    moved: bool
    part: str  # pier mount both undetermined none
    sentence: str


@dataclass(frozen=True)
class Matter:
    """One way in which the axis error shows in the picture: allowed against present."""

    name: str  # "trailing in one exposure", ...
    allowed_arcmin: float
    now_arcmin: float
    now_sd_arcmin: float
    sentence: str


@dataclass(frozen=True)
class Advice:
    """All that is said to the owner."""

    verdict: Verdict
    actions: tuple[Action, ...]
    cautions: tuple[str, ...]
    matters: tuple[Matter, ...] = field(default=())
