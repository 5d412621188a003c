"""Sentences about the fields to solve tonight: what they are for, what does more, what to know."""

from __future__ import annotations

from collections.abc import Mapping
from zoneinfo import ZoneInfo

from drift.codes import CorrectionKind, Side
from drift.notices import Notice, TonightCode
from drift.quantities import as_utc
from drift.render.notices import Values, Writer, sentence
from drift.render.phrases import (
    CORRECTION_WORDS,
    amount_words,
    arcmin,
    clock_text,
    counted,
    listed,
    plain_angle,
)
from drift.tonight.state import WORTH_SHARE

#: The key of the zone in which times are told; the room gives times in UTC.
ZONE = "zone"


def told(notice: Notice, zone: ZoneInfo) -> str:
    """Return the sentence of a notice with its times by the site's clock."""
    return sentence(
        Notice(code=notice.code, severity=notice.severity, values={**notice.values, ZONE: str(zone)})
    )


def _clock(v: Values, name: str) -> str:
    return clock_text(v[name], ZoneInfo(str(v.get(ZONE, "UTC"))))


# ---- What they are for.


def _find_axis(v: Values) -> str:
    if v["known"]:
        return "To see where the axis stands now, and whether it has moved."
    return "To find the axis: no night has shown it yet."


def _tell_apart(v: Values) -> str:
    head = "To tell pier from mount: something has moved, and the readings don't say which part"
    return f"{head}; it has been seen only once." if v["seen_once"] else f"{head}."


def _verify_turn(v: Values) -> str:
    what = _TURNED.get(v["kind"], "the correction")
    asked = v["asked_arcsec"]
    size = "" if asked is None else f" ({amount_words(v['kind'], asked, None, v['latitude_deg'])})"
    return (
        f"To verify {what}{size} of {_clock(v, 'made_us')}: solved at the same places as before, two or "
        "three fields tell what it did."
    )


_TURNED = {
    CorrectionKind.AZIMUTH: "the turn of the azimuth knob",
    CorrectionKind.ALTITUDE: "the turn of the altitude knob",
    CorrectionKind.SHIM: "the shims",
    CorrectionKind.NUTS: "the turn of the levelling nuts",
}


def _learn_constants(v: Values) -> str:
    return (
        f"To learn the instrument anew ({CORRECTION_WORDS[v['kind']]}, {_clock(v, 'since_us')}; "
        f"{counted(v['nights'], 'night')} since): cone error, non-perpendicularity, tube-side offset and "
        "droop, with the axis."
    )


# ---- What does more than any field.


def _against(v: Values) -> str:
    """Say to what each component of the pier's tilt is then known, where that is better than by fields."""
    gained = [
        f"{way} to {plain_angle(v[f'{name}_sd_arcsec'])} instead of "
        f"{plain_angle(v[f'{name}_sd_of_fields_arcsec'])}"
        for name, way in (("east", "east-west"), ("north", "north-south"))
        if v[f"{name}_sd_arcsec"] < (1.0 - WORTH_SHARE) * v[f"{name}_sd_of_fields_arcsec"]
    ]
    return f"the pier's tilt is then known {listed(gained)}."


def _level(v: Values) -> str:
    return f"Read the level on the pier top, which sees the pier without the mount: {_against(v)}"


def _level_first(v: Values) -> str:
    return (
        "Read the level on the pier top: no field can tell a tilt toward north from the altitude knob.  The "
        f"first reading is what later ones are compared with (good to {plain_angle(v['level_sd_arcsec'])} "
        "or so)."
    )


def _before_sync(v: Values) -> str:
    return f"Before any sync, solve one field and log it with before_sync = true: {_against(v)}"


def _before_sync_first(v: Values) -> str:
    then = "log it with before_sync = true, then sync" if v["synced"] else "and leave the sync out if you can"
    return (
        f"Before any sync, solve the first field, {then}: where the mount finds its hour angle again by "
        "itself, that tells a tilt toward east from the azimuth knob.  It takes two such nights to show."
    )


def _no_sync(v: Values) -> str:
    return f"Don't sync before or between the fields, for the mount keeps its hour-angle zero: {_against(v)}"


def _sweep(v: Values) -> str:
    why = (
        "sweeps and runs have shown that the mount alters the places that it reports"
        if v["noticed"]
        else "the site file says that the mount alters the places that it reports"
    )
    return (
        f"Make a sweep: {why}, so that fields see too little of the axis error.  Clamp the declination, "
        "solve at five or more hour angles as far apart as the sky allows, and log them under one label."
    )


def _second_night(v: Values) -> str:
    return (
        "Tonight is the second night: the movement seen on one night only "
        f"({_clock(v, 'seen_us')}) stands or falls by it, whichever fields you solve."
    )


# ---- Of the hour and the sky.


def _not_dark(v: Values) -> str:
    sun = abs(v["sun_altitude_deg"])
    now = f"the Sun is up, {sun:.0f}° high" if v["sun_is_up"] else f"the Sun is only {sun:.0f}° down"
    return (
        f"It isn't dark: {now}.  The list is for {_clock(v, 'from_us')} on; keep the tube covered until then."
    )


def _never_dark(v: Values) -> str:
    return (
        f"The sky doesn't get dark: at its darkest, {_clock(v, 'darkest_us')}, the Sun is "
        f"{abs(v['sun_altitude_deg']):.0f}° down.  Solves may fail; longer exposures or a red filter help."
    )


def _sun_up(v: Values) -> str:
    return (
        f"The Sun does not set: at its lowest, {_clock(v, 'darkest_us')}, it stands "
        f"{v['sun_altitude_deg']:.0f}° high.  No field is given."
    )


def _sun_near(v: Values) -> str:
    return (
        f"{counted(v['fields'], 'field').capitalize()} of the usual list would point within "
        f"{v['apart_deg']:.0f}° of the Sun; others stand in the list."
    )


def _no_sky(_: Values) -> str:
    return (
        "Horizon and mount limits leave no place to solve from 20° of altitude on: see [horizon] "
        "altitude_deg and the limits below [mount] in the site file."
    )


def _few_places(v: Values) -> str:
    return (
        f"The sky that horizon and mount leave holds {counted(v['fields'], 'field')} ten degrees apart, not "
        f"{v['wanted']}."
    )


def _one_side_only(v: Values) -> str:
    return f"All on one tube side ({v['tube_side']} of the pier): no flip is needed."


# ---- Of the list.


def _minutes_short(v: Values) -> str:
    done = v["done"]
    by_then = f"you get through {counted(done, 'field')}" if done else "not even one is done"
    return (
        f"{v['fields']} fields take {v['needs_minutes']:.0f} minutes: in {v['minutes']:g} {by_then}.  "
        "Those that tell most together stand first."
    )


def _made_for_minutes(v: Values) -> str:
    return f"{v['minutes']:g} minutes are enough for {counted(v['fields'], 'field')}."


def _same_fields(v: Values) -> str:
    return (
        "The same places in altitude and bearing as on earlier nights (since "
        f"{_clock(v, 'made_us')[:10]}): what "
        "the instrument adds is then the same each night and cancels between nights."
    )


def _new_fields(_: Values) -> str:
    return (
        "A new list, which is kept: the same places in altitude and bearing come again each night, until "
        "horizon, mount limits or optics change in the site file."
    )


def _not_kept(_: Values) -> str:
    return "The record can't be written, so this list is not kept: another night may bring other fields."


def _flip(v: Values) -> str:
    after = listed([str(n) for n in v["after"]])
    head = f"One flip, after field {after}" if len(v["after"]) == 1 else f"Flips after fields {after}"
    if not v["returns"]:
        return f"{head}."
    return (
        f"{head}; field {v['last']} is the first one again, back on its tube side: it tells a jump in "
        "the middle of the run from the offset between the tube sides."
    )


# ---- What it rests on.


def _horizon_open(_: Values) -> str:
    return "[horizon] altitude_deg is not given: the sky counts as open down to 20°."


_MOUNT = {
    "slew_deg_per_s": "{:g}° a second",
    "settle_s": "{:g} s to settle",
    "solve_s": "{:g} s for an exposure and its solve",
    "flip_overlap_deg": "a flip {:g}° past the meridian",
}


def _mount_assumed(v: Values) -> str:
    said = [_MOUNT[key].format(v[key]) if v[key] else "a flip at the meridian" for key in v["keys"]]
    keys = listed(list(v["keys"]))
    verb = "is" if len(said) == 1 else "are"
    return f"[mount] {keys} {verb} not given: {listed(said)} {verb} assumed."


# ---- What to do next while fields come in.


def _solve_next(v: Values) -> str:
    if not v["fields"]:
        return "There is no field to solve."
    left = len(v["fields"])
    return (
        f"Solve field {v['fields'][0]}; {left - 1} more after it."
        if left > 1
        else (f"Solve field {v['fields'][0]}, the last one.")
    )


def _solve_again(v: Values) -> str:
    fields = [str(n) for n in v["fields"]]
    if len(fields) == 1:
        return (
            f"Solve field {fields[0]} again: its solve doesn't agree with the others.  Until then it "
            "doesn't count."
        )
    likely = f", most likely that of field {fields[0]}" if v["chances"][0] >= _LIKELY else ""
    which = likely or ", and nothing tells which"
    return (
        f"Solve fields {listed(fields)} again: one of their solves is wrong{which}.  Until then the axis "
        "counts as uncertain by that."
    )


#: From this chance on one of two suspects is named as the likelier one.
_LIKELY = 0.75


def _turn_now(v: Values) -> str:
    head = f"The axis is {arcmin(v['error_arcsec'], v['sd_arcsec'])} off: turn as said below, and record it."
    if not v["two_rounds"]:
        return head
    return (
        f"{head}  So large an error takes two rounds: a knob that goes a tenth too far or too short leaves "
        "minutes of arc, which the second round takes away."
    )


def _turn_other_too(v: Values) -> str:
    return "Now the other knob, as said below; or leave it, and solve the fields."


def _verify_now(v: Values) -> str:
    if not v["fields"]:
        return "See what the turn did."
    fields = [str(n) for n in v["fields"]]
    noun = "field" if len(fields) == 1 else "fields"
    return f"Lock the bolts, then solve {noun} {listed(fields)} to see what the turn did."


def _enough(v: Values) -> str:
    return (
        f"Stop here: the axis is {arcmin(v['error_arcsec'], v['sd_arcsec'])} off, inside what your pictures "
        "need."
    )


def _leave_it(v: Values) -> str:
    return (
        f"The axis is {arcmin(v['error_arcsec'], v['sd_arcsec'])} off, but leave the knobs alone: the season "
        "brings most of it back, or setting it now would leave it no better over the year."
    )


def _not_sure_over(v: Values) -> str:
    return (
        f"The axis is {arcmin(v['error_arcsec'], v['sd_arcsec'])} off, which may or may not be inside what "
        "your pictures need: leave it tonight, or ask for more fields."
    )


def _not_by_fields(v: Values) -> str:
    sure = v["chance"] >= 1.0
    why = (
        "The mount alters the places that it reports, so that fields can't show where the axis stands: make"
        if sure
        else f"The mount probably alters the places that it reports (chance {100 * v['chance']:.0f} %), and "
        "fields can't show where the axis stands then: make"
    )
    known = "" if sure else '  If it has no model of its own, write reports = "raw" under [mount].'
    return f"{why} a sweep, and see what the whole answer says.{known}"


# ---- What is to be said beside.


def _turn_did(v: Values) -> str:
    kind, latitude = v["kind"], v["latitude_deg"]
    asked = amount_words(kind, v["asked_arcsec"], None, latitude)
    found = amount_words(kind, v["found_arcsec"], v["sd_arcsec"], latitude)
    said = f"The {kind} knob: asked {asked}, found {found}."
    if v["lost_arcsec"] is None:
        return said
    return (
        f"{said}  {plain_angle(v['lost_arcsec'])} went lost, in the screw's play or because the knob does "
        "less than is thought.  Turned on the same way, no play is lost again."
    )


def _inside_already(_: Values) -> str:
    return (
        "The axis is inside what your pictures need: you may stop.  The other fields make tonight worth "
        "more for the history."
    )


def _wrong_solves(v: Values) -> str:
    times = listed([_time(one, v) for one in v["times_us"]])
    if len(v["times_us"]) == 1:
        return f"The solve of {times} doesn't agree with the others and doesn't count."
    return f"The solves of {times} don't agree with the others and don't count."


def _time(time_us: int, v: Values) -> str:
    return as_utc(time_us).astimezone(ZoneInfo(str(v.get(ZONE, "UTC")))).strftime("%H:%M:%S")


def _zero_jumped(v: Values) -> str:
    return (
        f"Just before {_time(v['before_us'], v)} the mount's zeros moved: it was synced, or something "
        "slipped.  Solves before and after that are compared no more than that allows."
    )


def _beside_the_list(v: Values) -> str:
    return f"{counted(v['solves'], 'solve').capitalize()} at other places than those of the list count, too."


def _no_mount_places(v: Values) -> str:
    return (
        f"Without the mount's own coordinates came {counted(v['solves'], 'solve')} of tonight, which can't "
        "count here; the whole answer may find a sweep in them."
    )


def _clock_ahead(v: Values) -> str:
    return (
        f"The last solve is dated {v['minutes']:.0f} minutes after now: the clocks of the two machines "
        "differ, so that a turn may count before or after the wrong solves.  Set them right."
    )


def _no_history_yet(_: Values) -> str:
    return "No history is worked out yet, so the instrument counts as unknown."


SENTENCES: Mapping[TonightCode, Writer] = {
    TonightCode.FIND_AXIS: _find_axis,
    TonightCode.TELL_APART: _tell_apart,
    TonightCode.VERIFY_TURN: _verify_turn,
    TonightCode.LEARN_CONSTANTS: _learn_constants,
    TonightCode.LEVEL: _level,
    TonightCode.LEVEL_FIRST: _level_first,
    TonightCode.BEFORE_SYNC: _before_sync,
    TonightCode.BEFORE_SYNC_FIRST: _before_sync_first,
    TonightCode.NO_SYNC: _no_sync,
    TonightCode.SWEEP: _sweep,
    TonightCode.SECOND_NIGHT: _second_night,
    TonightCode.NOT_DARK: _not_dark,
    TonightCode.NEVER_DARK: _never_dark,
    TonightCode.SUN_UP: _sun_up,
    TonightCode.SUN_NEAR: _sun_near,
    TonightCode.NO_SKY: _no_sky,
    TonightCode.FEW_PLACES: _few_places,
    TonightCode.ONE_SIDE_ONLY: _one_side_only,
    TonightCode.MINUTES_SHORT: _minutes_short,
    TonightCode.MADE_FOR_MINUTES: _made_for_minutes,
    TonightCode.SAME_FIELDS: _same_fields,
    TonightCode.NEW_FIELDS: _new_fields,
    TonightCode.NOT_KEPT: _not_kept,
    TonightCode.FLIP: _flip,
    TonightCode.HORIZON_OPEN: _horizon_open,
    TonightCode.MOUNT_ASSUMED: _mount_assumed,
    TonightCode.SOLVE_NEXT: _solve_next,
    TonightCode.SOLVE_AGAIN: _solve_again,
    TonightCode.TURN_NOW: _turn_now,
    TonightCode.TURN_OTHER_TOO: _turn_other_too,
    TonightCode.VERIFY_NOW: _verify_now,
    TonightCode.ENOUGH: _enough,
    TonightCode.LEAVE_IT: _leave_it,
    TonightCode.NOT_SURE_OVER: _not_sure_over,
    TonightCode.NOT_BY_FIELDS: _not_by_fields,
    TonightCode.TURN_DID: _turn_did,
    TonightCode.INSIDE_ALREADY: _inside_already,
    TonightCode.WRONG_SOLVES: _wrong_solves,
    TonightCode.ZERO_JUMPED: _zero_jumped,
    TonightCode.BESIDE_THE_LIST: _beside_the_list,
    TonightCode.NO_MOUNT_PLACES: _no_mount_places,
    TonightCode.CLOCK_AHEAD: _clock_ahead,
    TonightCode.NO_HISTORY_YET: _no_history_yet,
}

TUBE_SIDES = {1: Side.EAST, -1: Side.WEST}
CLOUDS = "stop here if clouds"
TICK, AGAIN = "✓", "again"
