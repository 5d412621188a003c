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
class Done:
    """A step of the last night's list that was recorded as done, and that no night has seen yet."""

    code: str
    time_us: int
    sentence: str


@dataclass(frozen=True)
class Verdict:
    """Whether something moved, and what.

    `put_right` says that all that moved was corrected since, so that nothing of it stands.
    Where more than one thing moved, the sentence is `head`, a colon, and `clauses` with semicolons between.
    """

    moved: bool
    part: str  # pier mount both undetermined none
    sentence: str
    head: str = ""
    clauses: tuple[str, ...] = ()
    put_right: bool = False

    @property
    def stands(self) -> bool:
        """Whether something moved and stands uncorrected."""
        return self.moved and not self.put_right


@dataclass(frozen=True)
class AtPlace:
    """What an axis error does at one place on the sky, as long as it keeps its present direction."""

    where: str  # "at declination 40° on the meridian"
    allowed_arcmin: float  # how far the axis may be off that way
    effect: float  # what the present error does there
    unit: str  # of the effect: "pixels", "arcmin", "percent"


@dataclass(frozen=True)
class Matter:
    """One way in which the axis error shows in the picture: allowed against present."""

    name: str  # "trailing in one exposure", ...
    allowed_arcmin: float  # in whatever direction the axis is off
    now_arcmin: float
    now_sd_arcmin: float
    sentence: str
    worst: AtPlace | None = None  # where in the sky that the horizon leaves it shows most
    usual: AtPlace | None = None  # at the usual declination
    binding: bool = True  # whether the axis has to be kept within it

    @property
    def margin_arcmin(self) -> float:
        """How much further the axis may go; negative when it is off too far."""
        return self.allowed_arcmin - self.now_arcmin


@dataclass(frozen=True)
class Poles:
    """The axis against both poles: the true one, and the one that refraction shows, `lift_arcsec` above."""

    true_arcmin: float
    true_sd_arcmin: float
    refracted_arcmin: float
    refracted_sd_arcmin: float
    lift_arcsec: float
    lift_sd_arcsec: float
    aimed_at: str  # "true" or "refracted": what the site file wants
    suits: str  # "true", "refracted" or "either": which is better for the tracking of the site file
    sentence: str


@dataclass(frozen=True)
class YearAim:
    """Where to leave the axis for the coming year, and what is gained by it.

    Angles on the sky of the largest error (the root mean square when `aim` is
    "typical") on the days that count, against the pole that is aimed at.
    """

    aim: str  # "year", "typical", "tonight"
    leave_az_arcsec: float  # az_error to leave the axis at now, clockwise positive
    leave_alt_arcsec: float  # alt_error, up positive
    leave_sd_arcsec: tuple[float, float]
    as_aimed_arcmin: float
    dead_on_arcmin: float  # had the axis been set on the pole now
    as_it_is_arcmin: float  # left alone
    sd_arcmin: float  # of as_aimed: rms of how far it may come out beside it
    from_us: int
    until_us: int
    sentence: str

    @property
    def gain(self) -> float:
        """The share by which aiming makes the error of the year smaller than "dead on" does."""
        return 1.0 - self.as_aimed_arcmin / self.dead_on_arcmin if self.dead_on_arcmin > 0.0 else 0.0


@dataclass(frozen=True)
class Advice:
    """All that is said to the owner; `actions` is what is left to do, `done` what was done of the list."""

    verdict: Verdict
    actions: tuple[Action, ...]
    cautions: tuple[str, ...]
    matters: tuple[Matter, ...] = field(default=())
    poles: Poles | None = None
    year: YearAim | None = None  # None where no season is sure
    done: tuple[Done, ...] = ()
