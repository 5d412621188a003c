"""Words that travel as data: each a closed list that the whole program shares.

A member's text is what stands in the record, in JSON and in the site file; what people read is made of it in
`drift.render`.
"""

from __future__ import annotations

from enum import StrEnum


class AlsoWritten(StrEnum):
    """A closed list whose members people write: with blanks, in any case, and as they were once called."""

    @classmethod
    def once_called(cls) -> dict[str, str]:
        """Return what stood for a member in files and answers of earlier versions -> the member."""
        return {}

    @classmethod
    def has(cls, written: object) -> bool:
        """Tell whether a text is one of the members."""
        return written in cls._value2member_map_ or cls._missing_(written) is not None

    @classmethod
    def _missing_(cls, value: object) -> AlsoWritten | None:
        if not isinstance(value, str):
            return None
        plain = "_".join(value.split()).lower()
        plain = cls.once_called().get(plain, plain).lower()
        return next((one for one in cls if one.lower() == plain), None)


class Part(StrEnum):
    """What may have moved."""

    PIER = "pier"
    MOUNT_AZ = "mount_az"  # the mount on the pier, about the vertical
    MOUNT_ALT = "mount_alt"  # what the altitude adjuster does
    MOUNT = "mount"  # both at once: aligned anew, or taken off and put back, and not written down
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
    CRACK = "crack"  # nothing was done: a crack was seen in the pier or its foundation


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


class PlateTrouble(StrEnum):
    """Why bolts and heights can't give an answer."""

    NO_PLANE = "no_plane"  # too few bolts, no circle, or numbers that don't belong together
    BOLTS_IN_LINE = "bolts_in_line"
    STACK_TOO_HIGH = "stack_too_high"  # of shims
    NUT_TOO_HIGH = "nut_too_high"


class Lift(StrEnum):
    """By whom or what a mount is lifted."""

    ONE_PERSON = "one_person"
    TWO_PEOPLE = "two_people"
    MACHINE = "machine"  # a hoist, a jack or a crane


class Rotation(StrEnum):
    """Which way a knob is turned, seen by who faces it."""

    CLOCKWISE = "clockwise"
    ANTICLOCKWISE = "anticlockwise"

    @property
    def other(self) -> Rotation:
        """The other way round."""
        return Rotation.ANTICLOCKWISE if self is Rotation.CLOCKWISE else Rotation.CLOCKWISE


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


class ZeroSharing(StrEnum):
    """Which other nights share a night's hour-angle zero."""

    OWN = "own"  # none
    SESSION = "session"  # those of one labelled session
    HOMED = "homed"  # all since the home switch or encoder was last moved


class CauseKind(StrEnum):
    """What moves an axis, in the linear model."""

    START = "start"  # where things stood; moves nothing
    SEASON = "season"  # comes and goes with the year, by the calendar
    FROST = "frost"  # follows the frost that weather and ground make
    SETTLEMENT = "settlement"  # goes one way, and slows; a steady tilt belongs to it
    STEADY_DRIFT_OF_MOUNT = "steady_drift_of_mount"  # a knob that gives way, year by year
    STEADY_DRIFT_OF_ZERO = "steady_drift_of_zero"  # of a kept hour-angle zero; moves nothing
    STEADY_DRIFT_OF_LEVEL = "steady_drift_of_level"  # of what a level shows; moves nothing
    WARMTH_OF_PIER = "warmth_of_pier"  # goes with the temperature of the night
    WARMTH_OF_MOUNT = "warmth_of_mount"
    WARMTH_OF_ZERO = "warmth_of_zero"  # moves nothing
    WARMTH_OF_LEVEL = "warmth_of_level"  # moves nothing
    WANDER_OF_LEVEL = "wander_of_level"  # of a sensor that logs all day; moves nothing
    WANDER_OF_PIER = "wander_of_pier"  # what of the tilt follows none of these
    CREEP_OF_MOUNT = "creep_of_mount"
    CORRECTION = "correction"  # somebody wrote it down
    STEP = "step"  # sudden, and nobody wrote it down
    RECOVERY = "recovery"  # what follows a step over weeks, back or on; belongs to the step

    @property
    def is_sudden(self) -> bool:
        """Whether it happens at once: no season, no trend, and nothing that can be forecast."""
        return self in (CauseKind.CORRECTION, CauseKind.STEP)


class Misrecorded(StrEnum):
    """What seems wrong with what was written down of a correction."""

    DATE = "date"  # it was made another day
    SIGN = "sign"  # the other way round
    TWICE = "twice"  # one correction, written down twice
    NEVER = "never"  # it was not made
    UNIT = "unit"  # arcseconds were written for arcminutes
    KNOB = "knob"  # the other knob was turned


class GroundPhase(StrEnum):
    """What the frost in the ground did over some weeks."""

    FREEZING = "freezing"
    THAW = "thaw"
    NEITHER = "neither"


class Standing(StrEnum):
    """How a value stands against its limit."""

    WITHIN = "within"
    CLOSE = "close"  # nearer than its uncertainty: nobody can say on which side
    BEYOND = "beyond"
    UNKNOWN = "unknown"


class Urgency(StrEnum):
    """How much a pier among several wants looking at, the most urgent first."""

    MOVED = "moved"  # something has moved, or a limit was passed, and nobody acknowledged it
    FAILED = "failed"  # nothing can be said of it: its files can't be used
    BEYOND = "beyond"  # a limit is passed, which is no news: since the first night, or acknowledged
    SEEN_ONCE = "seen_once"  # one night only shows it
    NOTICE = "notice"  # told without an alarm: a limit soon, readings old or few, to be looked at by someone
    CLOSE = "close"  # nearer to a limit than the uncertainty
    UNKNOWN = "unknown"  # no reading yet from which anything could be told
    QUIET = "quiet"


class LoanState(StrEnum):
    """What becomes of what a pier borrows from the winters of its neighbours."""

    BEGUN = "begun"
    RENEWED = "renewed"
    STANDS = "stands"
    OUTGROWN = "outgrown"  # ended: it has seen enough winters of its own
    SWITCHED_OFF = "switched_off"  # ended by [site] borrow in its site file
    TOO_FEW = "too_few"  # ended: too few piers of its site can lend


class TaskFailure(StrEnum):
    """Why a task for one pier among several was not done."""

    REFUSED = "refused"  # by an error with a paragraph of its own
    UNFORESEEN = "unforeseen"  # by an error that should not have come
    BROKE_DOWN = "broke_down"  # its process was ended each time
    TOO_LONG = "too_long"  # it was stopped after the longest time allowed, each time
    OTHER_PROGRAM = "other_program"  # the worker of a cluster has another version of the program
    CLUSTER_GONE = "cluster_gone"  # the cluster could not be reached any more


class Outcome(StrEnum):
    """What became of a correction."""

    HELD = "held"
    NOT_HELD = "not_held"
    UNKNOWN = "unknown"  # not seen yet, too uncertain, or the amount was not given
    REDATED = "redated"  # its date seems wrong; judged on the day when it seems to have been made
    WRONG_SIGN = "wrong_sign"
    TWICE = "twice"
    NEVER_MADE = "never_made"
    WRONG_UNIT = "wrong_unit"
    WRONG_KNOB = "wrong_knob"


class ForcingKind(StrEnum):
    """What the tilt may follow through the year."""

    FROZEN = "frozen"  # thickness of frozen soil
    UNDER_BASE = "under_base"  # thickness of frozen soil below the pier's base
    COLD_LEFT = "cold_left"  # the cold that the ground has taken up and not yet given back
    TEMPERATURE = "temperature"  # of the air
    MOISTURE = "moisture"  # of the clay
    CALENDAR = "calendar"  # the same every year

    @property
    def is_frost(self) -> bool:
        """Whether it is a measure of the frost in the ground."""
        return self in (ForcingKind.FROZEN, ForcingKind.UNDER_BASE, ForcingKind.COLD_LEFT)


class NewsKind(StrEnum):
    """What a piece of news is of; its text stands in records and in the JSON of check."""

    EVENT = "event"
    AXIS_LIMIT = "axis_limit"
    TILT_LIMIT = "tilt_limit"
    CORRECTION = "correction"
    GAP = "gap"
    # these are told without an alarm
    MISRECORDED = "misrecorded"  # a correction looks written down wrongly
    SOON = "soon"
    OLD = "old"
    THIN = "thin"


class Since(StrEnum):
    """From what the tilt is counted for its limit."""

    START = "start"  # the first reading
    FIRST_AUTUMN = "first autumn"  # the settled weeks of the first autumn in the record
    LAST_AUTUMN = "last autumn"
    LAST_CORRECTION = "last correction"
    DATE = "date"


class LimitName(StrEnum):
    """What is watched against a limit."""

    AXIS = "axis"
    TILT = "tilt"


class Purpose(StrEnum):
    """What a set of fields is to find out."""

    FIND_AXIS = "find_axis"
    TELL_APART = "tell_pier_from_mount"
    VERIFY_TURN = "verify_turn"
    LEARN_CONSTANTS = "learn_constants"


class Next(StrEnum):
    """What to do next this evening."""

    SOLVE = "solve"
    SOLVE_AGAIN = "solve_again"  # two solves disagree
    TURN = "turn"
    VERIFY = "verify"
    ENOUGH = "enough"  # the axis is inside what the pictures need
    LEAVE = "leave"  # it is over, but no knob is to be turned for it
    NOT_BY_FIELDS = "not_by_fields"  # the mount alters what it reports: fields can't tell


class Instead(StrEnum):
    """What does more than any field, or does it beside the fields."""

    LEVEL = "level"
    SOLVE_BEFORE_SYNC = "solve_before_sync"
    SWEEP = "sweep"
    SECOND_NIGHT = "second_night"


class OwnMovement(StrEnum):
    """How pier, mount or what they are read by may go on moving by itself."""

    STEADY = "steady"  # at a rate
    WARMTH = "warmth"  # with the temperature
    STEEP = "steep"  # within weeks of the start, as a fresh load beds in


class Mover(StrEnum):
    """Who may move by itself, in this order everywhere."""

    PIER = "pier"
    MOUNT = "mount"
    REFERENCE = "reference"


class LevelSlip(StrEnum):
    """How levels may have been written down another way than north and east positive, in arcsec."""

    NORTH_REVERSED = "north_reversed"
    EAST_REVERSED = "east_reversed"
    BOTH_REVERSED = "both_reversed"
    EXCHANGED = "exchanged"  # north for east
    EXCHANGED_AND_REVERSED = "exchanged_and_reversed"
    QUARTER_TURN_LEFT = "quarter_turn_left"  # the instrument's north lies west
    QUARTER_TURN_RIGHT = "quarter_turn_right"  # the instrument's north lies east
    IN_ARCMIN = "in_arcmin"
    IN_DEGREES = "in_degrees"
    IN_MM_PER_M = "in_mm_per_m"


class Reference(StrEnum):
    """What pier and mount are read by, and may move by itself."""

    ZERO = "hour_angle_zero"
    LEVEL = "level"


class ReferenceFinding(StrEnum):
    """What is found of a reference."""

    MOVED = "reference_moved"  # it moves by itself: the axis did not follow what it shows


class WouldTell(StrEnum):
    """A reading that would tell for sure whether a reference moves."""

    LEVEL = "level"
    SOLVE_BEFORE_SYNC = "solve_before_sync"


class AxisReason(StrEnum):
    """Why a night's axis is not known."""

    KNOWN = ""  # it is known, or there is too little to go by
    REPORTS_ALTERED = "reports_altered"  # the mount's own model has taken it out of what it reports


class PointingUse(StrEnum):
    """What becomes of nights of pointing solves whose reports seem altered."""

    LEFT_OUT = "left_out"  # shown, but not used for the history
    BROUGHT = "brought"  # to the axis of the few sweeps or runs
    CHANGES_ONLY = "changes_only"  # they tell how the axis changes, and not where it points


class Constant(StrEnum):
    """What about an instrument stays between two services."""

    CONE_ERROR = "cone_error"
    NON_PERPENDICULARITY = "non_perpendicularity"  # of the axes
    SIDE_OFFSET = "side_offset"  # of declination, between the tube's sides
    TUBE_DROOP = "tube_droop"


class ActKind(StrEnum):
    """What an act did; the texts stand in records."""

    IMPORTED = "imported"
    UNDID = "undid"
    BROUGHT_BACK = "brought back"
    MENDED = "mended"
    WITHDREW = "withdrew"
    PUT_BACK = "put back"
    AMENDED = "amended"
    DISMISSED = "dismissed"
    RESTORED = "restored"
    JUDGED = "judged anew"


class RowState(StrEnum):
    """Whether a row of the record counts; the texts stand in JSON."""

    IN_USE = "in use"
    WITHDRAWN = "withdrawn"
    UNDONE = "undone"


class ActReason(StrEnum):
    """Why an act was done that nobody gave a reason for; the texts stand in records, among people's own."""

    WRITTEN_AGAIN = "record.written_again"
    READ_OTHERWISE = "record.read_otherwise"
    CUT_SHORT = "record.cut_short"
