"""What is to be said, as data: a code, how grave it is, and the numbers and names that belong to it.

The rooms that work things out make notices; sentences are made of them in `drift.render` alone
(`drift.render.notices`), so that rewording one changes no number and a script can filter by code.
A room has a class of codes of its own below; a code's text begins with the room's name and is a promise
to other people's scripts: it is added to, never renamed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

#: What may stand in a notice: numbers with their unit in the name (`sd_arcsec`), codes, names, times [us].
Value = str | int | float | bool | None | tuple[Any, ...]


class Severity(StrEnum):
    """How grave a notice is."""

    INFO = "info"  # good to know
    WARNING = "warning"  # the answer is trusted less for it, or something should be looked at


class Code(StrEnum):
    """The codes of one room; each room's class of codes derives from it."""


class AdviceCode(Code):
    """What is said of what moved, what to do and what to mind; sentences: advice_words."""

    # the head of a verdict
    MOVED = "advice.moved"
    PUT_RIGHT = "advice.put_right"
    NOTHING_MOVED = "advice.nothing_moved"
    ONE_NIGHT = "advice.one_night"
    NO_AXIS = "advice.no_axis"
    # its clauses
    PIER_TIPPED = "advice.pier_tipped"
    MOUNT_STEPPED = "advice.mount_stepped"
    STEP_OF_UNKNOWN_PART = "advice.step_of_unknown_part"
    EARLIER_STEPS = "advice.earlier_steps"
    PIER_TILTS = "advice.pier_tilts"
    PIER_SWINGS = "advice.pier_swings"
    MOUNT_CREPT = "advice.mount_crept"
    AXIS_CREPT = "advice.axis_crept"
    # what to do
    NOTHING = "advice.nothing"
    WAIT_FOR_SEASON = "advice.wait_for_season"
    WAIT_AFTER_TURNING = "advice.wait_after_turning"
    WAIT_FOR_WHAT_LASTS = "advice.wait_for_what_lasts"
    MEASURE_WHAT_LASTS = "advice.measure_what_lasts"
    SEASON_OVERDUE = "advice.season_overdue"
    FIRST_NIGHT = "advice.first_night"
    TAKE_SWEEP = "advice.take_sweep"
    OLD_NIGHT = "advice.old_night"
    STEP_SEEN_ONCE = "advice.step_seen_once"
    AXIS_UNCERTAIN = "advice.axis_uncertain"
    WOULD_SETTLE = "advice.would_settle"
    NIGHT_FIRST = "advice.night_first"
    NOT_SEEN_YET = "advice.not_seen_yet"
    TIGHTEN = "advice.tighten"
    CRACK_NOTED = "advice.crack_noted"
    TILTS_TOO_FAR = "advice.tilts_too_far"
    TILT_RUNS_AWAY = "advice.tilt_runs_away"
    TURN = "advice.turn"
    TURN_BASE = "advice.turn_base"
    PUT_SHIMS = "advice.put_shims"
    SHIMS_TOO_THICK = "advice.shims_too_thick"
    TURN_NUTS = "advice.turn_nuts"
    RAISE_BY_GAUGE = "advice.raise_by_gauge"
    TOO_LITTLE_FOR_NUTS = "advice.too_little_for_nuts"
    NUTS_TOO_COARSE = "advice.nuts_too_coarse"
    PLATE_NOT_DESCRIBED = "advice.plate_not_described"
    PLATE_CANT_BE_TIPPED = "advice.plate_cant_be_tipped"
    # what the plate is tipped for
    TO_LEVEL_BASE = "advice.to_level_base"
    ALTITUDE_OUT_OF_TRAVEL = "advice.altitude_out_of_travel"
    # what is said after an action
    BASE_LEFT_TILTED = "advice.base_left_tilted"
    MEASURE_AFTER_TIP = "advice.measure_after_tip"
    # what was done
    DONE = "advice.done"
    # what an axis error reaches at its limit
    TRAILS = "advice.trails"
    CORNER_TURNS = "advice.corner_turns"
    SESSION_TURNS = "advice.session_turns"
    OVERLAP_TURNED = "advice.overlap_turned"
    OVERLAP_SHIFTED = "advice.overlap_shifted"
    SLEW_MISSES = "advice.slew_misses"
    # what to mind
    PARK_FIRST = "advice.park_first"
    EASE_BOLTS = "advice.ease_bolts"
    SCREWS_HAVE_PLAY = "advice.screws_have_play"
    TAKE_LOAD_OFF = "advice.take_load_off"
    LIFTING = "advice.lifting"
    POWER_OFF = "advice.power_off"
    BURIED_LINES = "advice.buried_lines"
    NEVER_THE_SUN = "advice.never_the_sun"


class NightCode(Code):
    """What is noticed over the nights, with the values that go with each; sentences: night_words."""

    # sweeps and runs see another axis than pointing solves: az_apart_arcsec, alt_apart_arcsec, pairs, use
    REPORTS_ALTERED_BY_SWEEPS = "night.reports_altered_by_sweeps"
    # the site file says that the mount's model alters what it reports: use
    REPORTS_ALTERED_BY_SITE_FILE = "night.reports_altered_by_site_file"
    # all that pointing solves could show is nearer to nothing than a raw mount's: chance, use
    REPORTS_LOOK_ALTERED = "night.reports_look_altered"
    # the axis holds if the mount reports raw places, which isn't sure: chance (that it does not)
    AXIS_RESTS_ON_RAW_REPORTS = "night.axis_rests_on_raw_reports"
    # pointing nights are brought to the axis of few sweeps or runs: nights
    AXIS_BY_FEW_SWEEPS = "night.axis_by_few_sweeps"
    # the mount's places are of J2000 and not of date: scatter_arcsec, scatter_as_j2000_arcsec
    MOUNT_PLACES_J2000 = "night.mount_places_j2000"
    # nights fit better with their times moved by whole hours: hours, nights, first_us, last_us, log_odds
    CLOCK_OFF_BY_HOURS = "night.clock_off_by_hours"


@dataclass(frozen=True, kw_only=True)
class Notice:
    """One thing to say.

    Attributes
    ----------
    code
        What it is.
    severity
        How grave it is.
    values
        The numbers and names that its sentence needs; units in the names.
    """

    code: Code
    severity: Severity = Severity.WARNING
    values: Mapping[str, Value] = field(default_factory=dict)


def info(code: Code, **values: Value) -> Notice:
    """Return a notice that is good to know."""
    return Notice(code=code, severity=Severity.INFO, values=values)


def warning(code: Code, **values: Value) -> Notice:
    """Return a notice for which the answer is trusted less."""
    return Notice(code=code, severity=Severity.WARNING, values=values)


def code_of(text: str) -> Code:
    """Return the code whose text it is.

    Raises
    ------
    ValueError
        If no room has such a code.
    """
    for room in Code.__subclasses__():
        if text in room._value2member_map_:
            return room(text)
    raise ValueError(f"{text!r} is no code of a notice")
