"""What the separation found, in words: causes and scales by name, and its notices."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drift.codes import (
    CauseKind,
    ForcingKind,
    HourAngleZero,
    LevelSlip,
    Mover,
    OwnMovement,
    Reference,
    WouldTell,
)
from drift.notices import HistoryCode
from drift.quantities import as_utc
from drift.render import phrases
from drift.render.notices import Values, Writer, sentence

if TYPE_CHECKING:
    from drift.types import CauseSeries, HistoryScales, Separable

# ---- Causes and scales by name.


#: What each kind of cause is called.
CAUSE_WORDS: dict[CauseKind, str] = {
    CauseKind.START: "where things stood at the start",
    CauseKind.SEASON: "season",
    CauseKind.FROST: "frost",
    CauseKind.SETTLEMENT: "settlement",
    CauseKind.STEADY_DRIFT_OF_MOUNT: "steady drift of the mount",
    CauseKind.STEADY_DRIFT_OF_ZERO: "steady drift of the hour-angle zero",
    CauseKind.STEADY_DRIFT_OF_LEVEL: "steady drift of the level",
    CauseKind.WARMTH_OF_PIER: "warmth of the pier",
    CauseKind.WARMTH_OF_MOUNT: "warmth of the mount",
    CauseKind.WARMTH_OF_ZERO: "warmth of the hour-angle zero",
    CauseKind.WARMTH_OF_LEVEL: "warmth of the level",
    CauseKind.WANDER_OF_LEVEL: "wander of the tilt sensor",
    CauseKind.WANDER_OF_PIER: "wander of the pier",
    CauseKind.CREEP_OF_MOUNT: "creep of the mount",
    CauseKind.CORRECTION: "correction",
    CauseKind.STEP: "sudden change",
    CauseKind.RECOVERY: "what followed a sudden change",
}


def cause_name(cause: CauseSeries) -> str:
    """Return what one cause is called, a correction or a sudden change by its date."""
    if cause.time_us is None:
        return CAUSE_WORDS[cause.kind]
    if cause.kind is CauseKind.CORRECTION:
        return f"{cause.correction} correction {_date(cause.time_us)}"
    return f"{CAUSE_WORDS[cause.kind]} by {_date(cause.time_us)}"


def scale_rows(scales: HistoryScales) -> tuple[tuple[str, float], ...]:
    """Return each scale parameter with its name and unit."""
    return (
        ("tilt walk [arcsec per sqrt day]", scales.tilt_walk_arcsec_per_sqrt_day),
        ("share across the direction of heave", scales.across_share),
        ("direction of heave [deg]", scales.heave_bearing_deg),
        ("mount azimuth creep [arcsec per sqrt day]", scales.az_creep_arcsec_per_sqrt_day),
        ("mount altitude creep [arcsec per sqrt day]", scales.alt_creep_arcsec_per_sqrt_day),
        ("repeatability of the hour-angle zero [arcsec]", scales.zero_repeat_arcsec),
        ("creep of the hour-angle zero [arcsec per sqrt day]", scales.zero_creep_arcsec_per_sqrt_day),
        ("annual tilt [arcsec]", scales.season_arcsec),
        ("settlement [arcsec]", scales.settlement_arcsec),
        ("frost-driven tilt [arcsec]", scales.frost_arcsec),
        ("scatter of levels against their claim", scales.level_factor),
    )


def _date(time_us: int) -> str:
    return f"{as_utc(time_us):%Y-%m-%d}"


def _minute(time_us: int) -> str:
    return f"{as_utc(time_us):%Y-%m-%d %H:%M}"


# ---- What can be told apart, why, and what would settle it.


def because_words(separable: Separable) -> str:
    """Return why two causes can be told apart, or not, as the end of a sentence."""
    text = ""
    for notice in separable.because:
        joint = "; but " if notice.code == HistoryCode.BY_FROST else " and "
        text += f"{joint if text else ''}{sentence(notice)}"
    return text


def settle_words(separable: Separable) -> str:
    """Return what would settle it, as the end of a sentence; nothing where nothing is open."""
    return "" if separable.would_settle_it is None else sentence(separable.would_settle_it)


def _by_readings(of: Values) -> str:
    """Name the readings that would be enough, the fewer first."""
    count, to = of["levels"], f"{of['wanted_arcsec']:.0f} arcsec"
    levels = (
        f"{_some(count, 'level reading')} on the pier top, each end for end, before the next change and as "
        f"many after it (at {of['level_sd_arcsec']:.0f} arcsec each that tells a change of the tilt to {to})"
    )
    sensor = (
        "; for sure and for good, a tilt sensor on the pier that logs all day, since it tells pier from "
        "mount at every change"
        if of.get("sensor")
        else ""
    )
    if of["zeros"] is None:
        return f"{levels}{sensor}"
    zeros = (
        "one solve before the sync (before_sync = true) of a mount that was homed, on "
        f"{_some(of['zeros'], 'night')} before the next change and as many after it (a zero that repeats to "
        f"{of['zero_repeat_arcsec']:.0f} arcsec then tells a change of the east tilt to {to})"
    )
    both = f"{levels}; or {zeros}" if count <= of["zeros"] else f"{zeros}; or {levels}"
    return f"{both}{sensor}"


def _some(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


# ---- Notices.


def _after_sync(of: Values) -> str:
    text = (
        'The site file says hour_angle_zero = "kept", but'
        if of["site_file_says"] == HourAngleZero.KEPT
        else "The site file does not say whether the hour-angle zero is kept;"
    )
    return (
        f"{text} the zeros lie near zero and scatter by {of['scatter_arcsec']:.0f} arcsec from night to "
        "night, as after a sync: they are not used to tell tilt from azimuth.  If the mount is homed, log a "
        "solve before the sync (before_sync = true), or don't sync."
    )


def _alone(what: str) -> Writer:
    def write(of: Values) -> str:
        days = [f"{as_utc(time_us):%Y-%m-%d %H:%M} UTC" for time_us in of["times_us"]]
        several = f"{len(days)} {what}s stand" if len(days) > 1 else f"One {what} stands"
        return f"{several} alone against all others and went unused in the history: {', '.join(days)}."

    return write


def _redated(of: Values) -> str:
    return (
        f"The {of['kind']} correction recorded for {_date(of['time_us'])} was taken for one made between "
        f"{_date(of['after_us'])} and {_date(of['before_us'])}, where a change of that size was found and "
        "nobody wrote one down: its date may be wrong.  Put it right in the record."
    )


def _wrong_sign(of: Values) -> str:
    return (
        f"The {of['kind']} correction of {_date(of['time_us'])} was recorded as {of['asked_arcsec']:+.0f} "
        f"arcsec but {of['found_arcsec']:+.0f} ± {of['found_sd_arcsec']:.0f} was found: its sign may have "
        "been written down the wrong way round."
    )


def _twice(of: Values) -> str:
    return (
        f"Two {of['kind']} corrections of {of['asked_arcsec']:+.0f} arcsec were recorded within "
        f"{of['within_days']:.0f} days ({_date(of['time_us'])}), but only one such change was found: the "
        "same correction may have been written down twice.  If so, withdraw one of them."
    )


def _before_reference(of: Values) -> str:
    are = "is" if of["readings"] == 1 else "are"
    return f"{_some(of['readings'], 'reading')} before the first usable axis {are} not part of the history."


#: Names of references, and readings of another kind that would show it.
_REFERENCE = {Reference.ZERO: "hour-angle zero", Reference.LEVEL: "level"}
_WOULD_TELL = {
    WouldTell.LEVEL: (
        "  A level reading on the pier now and then would tell for sure, and so would a tilt sensor that "
        "logs all day."
    ),
    WouldTell.SOLVE_BEFORE_SYNC: (
        "  A mount that is homed, with one solve before each sync (before_sync = true), would tell for sure."
    ),
}
_PER = {OwnMovement.STEADY: "a year", OwnMovement.WARMTH: "a degree"}


def _reference_moved(of: Values) -> str:
    reference, per = Reference(of["reference"]), _PER[of["kind"]]
    bare = "zero" if reference is Reference.ZERO else "sensor" if of.get("sensor") else "level"
    called = "tilt sensor" if of.get("sensor") else _REFERENCE[reference]
    name = called + (f" on the {of['place']}" if of["place"] else "")
    if of["north"] is None:
        size = phrases.angle(abs(of["east"]), of["east_sd"])
    else:
        sides = (("north", "north", "south"), ("east", "east", "west"))
        parts = [phrases.tilt_words(of[key], of[f"{key}_sd"], one, other) for key, one, other in sides]
        size = " and ".join(parts)
    moves = (
        "has probably drifted by itself"
        if of["kind"] == OwnMovement.STEADY
        else ("probably goes with the temperature by itself")
    )
    would = "" if of["would_tell"] is None else _WOULD_TELL[of["would_tell"]]
    return (
        f"The axis did not follow the {name}: the {bare} {moves} ({size} {per}; "
        f"{phrases.percent(of['probability'])}), and pier and mount are not charged with it.{would}"
    )


def _level_scale(of: Values) -> str:
    name = "tilt sensor" if of["sensor"] else "level"
    return (
        f"By what the axis does, the {name} on the {of['place']} shows {of['share']:.2f} ± {of['sd']:.2f} of "
        "a tilt: its divisions are probably not what they are taken for, and it was taken so here.  "
        "Check it with a shim of known thickness under one end (1 mm over 1 m is 206 arcsec).  If that bears "
        "it out, leave the log as it is: it is allowed for."
    )


def _level_stepped(of: Values) -> str:
    name = "tilt sensor" if of["sensor"] else "level"
    sides = (("north", "north", "south"), ("east", "east", "west"))
    parts = [
        phrases.tilt_words(of[f"{key}_arcsec"], of[f"{key}_sd_arcsec"], one, other)
        for key, one, other in sides
    ]
    first, last = (phrases.local_day(of[us], 0.0) for us in ("after_us", "before_us"))
    return (
        f"From {last} on the {name} on the {of['place']} shows {parts[0]} and {parts[1]} more than until "
        f"{first}, and the axis stayed: it was probably adjusted, dropped, put back elsewhere, or is another "
        "one.  Pier and mount are not charged with it."
    )


def _rivals(of: Values) -> str:
    names = {Mover.PIER: "the pier", Mover.MOUNT: "the mount"}
    names[Mover.REFERENCE] = " or ".join(f"the {_REFERENCE[one]}" for one in of["references"])
    parts = []
    columns = (of["moving"], of["probability"], of["tilt_north_arcsec"], of["tilt_east_arcsec"])
    for moving, share, north, east in zip(*columns, strict=True):
        who = phrases.listed([names[Mover(one)] for one in moving]) if moving else "none of them"
        parts.append(f"{who} ({phrases.percent(share)}{_beside(north, east)})")
    how = "moves steadily" if of["kind"] == OwnMovement.STEADY else "moves with the temperature"
    return (
        f"What {how} may be explained in more than one way, and the uncertainties reach out to each: "
        f"{'; '.join(parts)}."
    )


def _beside(north: float, east: float) -> str:
    """Return where an explanation puts the pier's top against the history; nothing below an arcsec."""
    sides = ((north, "north", "south"), (east, "east", "west"))
    parts = [f'{abs(v):.0f}" further {one if v > 0 else other}' for v, one, other in sides if abs(v) >= 1.0]
    return f": the pier then tilts {' and '.join(parts)}" if parts else ""


def _sensor(of: Values) -> str:
    return f"tilt sensor {of['number']} on the {of['place']}"


def _sensor_folded(of: Values) -> str:
    said = (
        f"The {of['readings']:,} readings of {_sensor(of)} were taken as one series and folded to a mean for "
        f"each of {_some(of['days'], 'day')} (± {of['day_sd_arcsec']:.1f} arcsec; its slow wander is counted "
        "in beside that)."
    )
    if of["put_aside"]:
        said += f"  {_some(of['put_aside'], 'reading')} that stood off from the hours about them went unused."
    if of["resolution_arcsec"] >= 1.0:
        said += f"  It tells steps of {of['resolution_arcsec']:.1f} arcsec and no less."
    return said


def _sensor_swings(of: Values) -> str:
    size, sd = of["swing_arcsec"], of["swing_sd_arcsec"]
    if size > 2.0 * sd:
        hour = of["furthest_solar_hour"]
        said = (
            f"The reading of {_sensor(of)} swings by {phrases.angle(size, sd)} a day with the Sun, furthest "
            f"{phrases.toward(of['toward_bearing_deg'])} at {int(hour):02d}:{round(hour % 1 * 60):02d} "
            "solar time"
        )
        if of["most_arcsec"] is not None and of["most_arcsec"] - of["least_arcsec"] > max(
            3.0 * sd, 0.3 * size
        ):
            said += f" (from {of['least_arcsec']:.1f} to {of['most_arcsec']:.1f} arcsec through the year)"
        said += ".  Whether pier or sensor swings only solves all through a night would tell."
    else:
        said = f"No swing with the Sun was found in the reading of {_sensor(of)} (± {sd:.1f} arcsec)."
    sides = (("north", "north", "south"), ("east", "east", "west"))
    parts = [
        f'{abs(of[f"warmth_{key}"]):.2f} ± {of[f"warmth_{key}_sd"]:.2f}" '
        f"{one if of[f'warmth_{key}'] > 0 else other}"
        for key, one, other in sides
        if of[f"warmth_{key}"] is not None and abs(of[f"warmth_{key}"]) > 2.0 * of[f"warmth_{key}_sd"]
    ]
    if parts:
        said += f"  From day to day it goes with the temperature: {phrases.listed(parts)} a degree."
    return said


def _sensor_stuck(of: Values) -> str:
    return (
        f"{_some(of['readings'], 'reading')} of {_sensor(of)} between {_date(of['from_us'])} and "
        f"{_date(of['until_us'])} went unused: there it stood still to the digit for a day or more, or was "
        "at the end of its range.  Look at the sensor, its wiring and its range."
    )


def _sensor_knocked(of: Values) -> str:
    size = math.hypot(of["north_arcsec"], of["east_arcsec"])
    return (
        f"Between {_minute(of['after_us'])} and {_minute(of['before_us'])} UTC the reading of {_sensor(of)} "
        f"changed by {phrases.plain_angle(size)} and nothing else that moves with the pier did: the sensor "
        "itself was probably knocked or set anew.  Its later readings were taken back by as much, and nobody "
        "is charged with it."
    )


_SLIP_WORDS = {
    LevelSlip.NORTH_REVERSED: "south is taken for north in them",
    LevelSlip.EAST_REVERSED: "west is taken for east in them",
    LevelSlip.BOTH_REVERSED: "both signs are reversed in them",
    LevelSlip.EXCHANGED: "north and east are exchanged in them",
    LevelSlip.EXCHANGED_AND_REVERSED: "north and east are exchanged in them, and both signs reversed",
    LevelSlip.QUARTER_TURN_LEFT: "the instrument's north pointed west",
    LevelSlip.QUARTER_TURN_RIGHT: "the instrument's north pointed east",
    LevelSlip.IN_ARCMIN: "they are in arcminutes",
    LevelSlip.IN_DEGREES: "they are in degrees",
    LevelSlip.IN_MM_PER_M: "they are in millimetres a metre",
}


def _level_written_otherwise(of: Values) -> str:
    what = f"{of['readings']:,} level readings on the {of['place']}"
    if of["sensor"] is not None:
        what = f"{of['readings']:,} daily means of {_sensor({**of, 'number': of['sensor']})}"
    slips = " (or if ".join(_SLIP_WORDS[LevelSlip(one)] for one in of["slips"][:2])
    slips += ")" if len(of["slips"]) > 1 else ""
    return (
        f"The {what} go with the axis far better if {slips}, so that nothing "
        "rests on them.  If that is so, `drift imports undo` takes them out; put them right and import them "
        "again.  A mount that moves against the pier each time the pier tips would look the same."
    )


def _sensor_clock(of: Values) -> str:
    way = "late" if of["hours"] > 0 else "early"
    return (
        f"The daily swing of {_sensor(of)} came {abs(of['hours']):.1f} hours too {way} at the end of its "
        "record: its clock has probably gone wrong, and what it dates is as uncertain as that.  Set the "
        "clock and note when."
    )


#: So many neighbours are named, of more their number is given.
_MOST_NAMED = 6


def _borrowed(of: Values) -> str:
    names = [phrases.harmless(str(one)) for one in of["piers"]]
    shown = phrases.listed(names) if len(names) <= _MOST_NAMED else f"{len(names)} other piers of the site"
    text = f"What this pier's own readings do not tell yet is taken from {shown}"
    if of["since_us"] is not None:
        text += f", as told on {phrases.local_day(of['since_us'], 0.0)}"
    if of["size_arcsec"] is None:
        return f"{text}: how likely it is to follow the frost."
    size, low, high = (f'{of[name]:.0f}"' for name in ("size_arcsec", "size_low_arcsec", "size_high_arcsec"))
    text += f": a yearly swing of about {size} ({low} to {high})"
    if of["lag_days"] is not None and ForcingKind(of["follows"]).is_frost:
        text += f", {max(of['lag_days'], 0.0):.0f} ± {of['lag_sd_days']:.0f} days behind the frost"
    return f"{text}.  Where its readings say otherwise they are believed."


SENTENCES: dict[HistoryCode, Writer] = {
    HistoryCode.BEFORE_REFERENCE: _before_reference,
    HistoryCode.ZEROS_TAKEN_FOR_KEPT: lambda of: (
        "The site file does not say whether the hour-angle zero is kept; it repeats to "
        f"{of['scatter_arcsec']:.0f} arcsec from night to night and was taken for kept.  If that is right, "
        'set hour_angle_zero = "kept"; if you sync each time, set "synced".'
    ),
    HistoryCode.ZEROS_AS_AFTER_SYNC: _after_sync,
    HistoryCode.ZEROS_SCATTER: lambda of: (
        f"The hour-angle zeros scatter by some {of['repeat_arcsec']:.0f} arcsec from night to night (site "
        f'file: hour_angle_zero = "{of["site_file_says"]}"): they are used only as far as they repeat.'
    ),
    HistoryCode.ZEROS_REPEAT: lambda of: (
        'The site file says hour_angle_zero = "synced", but the zeros repeat to about '
        f'{of["scatter_arcsec"]:.0f} arcsec: if the mount is homed or parked, set "kept", and east tilt can '
        "be told from the azimuth knob."
    ),
    HistoryCode.NIGHTS_ALONE: _alone("night"),
    HistoryCode.LEVELS_ALONE: _alone("level reading"),
    HistoryCode.ZEROS_ALONE: _alone("hour-angle zero"),
    HistoryCode.CORRECTION_REDATED: _redated,
    HistoryCode.CORRECTION_WRONG_SIGN: _wrong_sign,
    HistoryCode.LEVEL_WRITTEN_OTHERWISE: _level_written_otherwise,
    HistoryCode.CORRECTION_TWICE: _twice,
    HistoryCode.REFERENCE_MOVED: _reference_moved,
    HistoryCode.LEVEL_SCALE: _level_scale,
    HistoryCode.LEVEL_STEPPED: _level_stepped,
    HistoryCode.BORROWED: _borrowed,
    HistoryCode.LENT_UNREADABLE: lambda of: (
        f"What the neighbours told of this pier on {phrases.local_day(of['since_us'], 0.0)} can't be read "
        "(damaged, or of another version of drift), so that it was worked out alone; the next `drift piers "
        "nightly` asks them anew."
    ),
    HistoryCode.RIVALS: _rivals,
    HistoryCode.BY_ZERO: lambda of: (
        f"the hour-angle zero repeats to {of['repeat_arcsec']:.0f} arcsec over {of['nights']} nights"
    ),
    HistoryCode.BY_LEVELS: lambda of: f"{of['levels']} level readings were taken on the pier",
    HistoryCode.BY_SENSOR: lambda of: f"a tilt sensor on the pier logged all day on {of['days']} days",
    HistoryCode.SENSOR_FOLDED: _sensor_folded,
    HistoryCode.SENSOR_SWINGS: _sensor_swings,
    HistoryCode.SENSOR_STUCK: _sensor_stuck,
    HistoryCode.SENSOR_CLOCK: _sensor_clock,
    HistoryCode.SENSOR_KNOCKED: _sensor_knocked,
    HistoryCode.BY_SHAPE_IN_TIME: lambda of: (
        "there are too few level readings on the pier; north tilt is told from the altitude adjuster "
        "only through time, because the pier heaves along one direction that its east part shows"
    ),
    HistoryCode.BY_FROST: lambda of: "the axis follows the frost of the weather log, and only a pier does",
    HistoryCode.ZERO_REPEATS_POORLY: lambda of: (
        f"the hour-angle zero repeats only to {of['repeat_arcsec']:.0f} arcsec, so it says little about the "
        "tilt"
    ),
    HistoryCode.ZERO_LOST_NO_LEVEL: lambda of: (
        "the hour-angle zero is lost from session to session, and there are too few level readings on the "
        "pier"
    ),
    HistoryCode.SUM_ONLY_NO_LEVEL: lambda of: (
        "the sky sees only the sum of north tilt and altitude adjuster, and there are too few level readings"
    ),
    HistoryCode.ONE_READING: lambda of: "there is one reading; change needs two",
    HistoryCode.NO_HISTORY: lambda of: "there is no history to go by",
    HistoryCode.SETTLED_BY_READINGS: _by_readings,
    HistoryCode.SETTLED_BY_SECOND_NIGHT: lambda of: "another night, and a level reading on the pier",
    HistoryCode.SETTLED_BY_LOG: lambda of: "a log of nights, or level readings",
}
