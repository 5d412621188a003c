"""Words that travel as data: each a closed list that the whole program shares.

A member's text is what stands in the record, in JSON and in the site file; what people read is made of it in
`drift.render`.
"""

from __future__ import annotations

from enum import StrEnum


class Part(StrEnum):
    """What may have moved."""

    PIER = "pier"
    MOUNT_AZ = "mount_az"  # the mount on the pier, about the vertical
    MOUNT_ALT = "mount_alt"  # what the altitude adjuster does
    ZERO = "zero"  # the hour-angle zero
    NOTHING = "nothing"
    UNDETERMINED = "undetermined"


class MovedPart(StrEnum):
    """What moved of all that was found."""

    PIER = "pier"
    MOUNT = "mount"
    BOTH = "both"
    UNDETERMINED = "undetermined"
    NONE = "none"


class Side(StrEnum):
    """To which side something goes."""

    NORTH = "north"
    SOUTH = "south"
    EAST = "east"
    WEST = "west"
    UP = "up"
    DOWN = "down"


class AxisBound(StrEnum):
    """What bounds how far the axis may be off: the warning limit, or what shows in the picture."""

    WARNING_LIMIT = "warning_limit"
    TRAILING = "trailing"  # of a star in one unguided exposure
    CORNER_ROTATION = "corner_rotation"  # of the field about the guide star, in one exposure
    SESSION_ROTATION = "session_rotation"  # over a session, frames not turned back
    OVERLAP = "overlap"  # lost over a session
    GOTO = "goto"  # a slew misses the field


class EffectUnit(StrEnum):
    """What an effect of the axis error is counted in."""

    PIXELS = "pixels"
    PERCENT = "percent"
    ARCMIN = "arcmin"


class CorrectionKind(StrEnum):
    """What was done to mount, plate or pier."""

    AZIMUTH = "azimuth"
    ALTITUDE = "altitude"
    SHIM = "shim"
    NUTS = "nuts"
    TIGHTEN = "tighten"
    SERVICE = "service"
    REMOUNT = "remount"
    ZERO = "zero"
    PIER = "pier"


class Do(StrEnum):
    """What is advised."""

    NOTHING = "nothing"
    WAIT = "wait"
    MEASURE = "measure"
    TIGHTEN = "tighten"
    TURN_AZIMUTH = "turn_azimuth"
    TURN_ALTITUDE = "turn_altitude"
    SHIM = "shim"
    NUTS = "nuts"
    CALL_FOR_HELP = "call_for_help"


class Source(StrEnum):
    """Which kind of log a night's axis rests on."""

    POINTING = "pointing"
    SWEEP = "sweep"
    RUN = "run"
    TYPED = "typed"


class Place(StrEnum):
    """What a level stood on."""

    PIER = "pier"
    PLATE = "plate"
    MOUNT = "mount"


class HourAngleZero(StrEnum):
    """Whether the mount's hour-angle zero comes back from session to session."""

    KEPT = "kept"
    SYNCED = "synced"
    UNKNOWN = "unknown"


class Reports(StrEnum):
    """Whether a multi-star model inside the mount has altered what it reports."""

    RAW = "raw"
    MODELLED = "modelled"
    UNKNOWN = "unknown"


class Answer(StrEnum):
    """Whether two causes can be told apart."""

    YES = "yes"
    PARTLY = "partly"
    NO = "no"


class CauseKind(StrEnum):
    """What moves an axis, in the linear model."""

    START = "start"
    ANNUAL = "annual"
    FROST = "frost"
    SETTLEMENT = "settlement"
    WARMTH = "warmth"
    WANDER = "wander"
    CORRECTION = "correction"
    STEP = "step"
