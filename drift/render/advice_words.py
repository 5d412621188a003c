"""The verdict, what to do and what to mind in sentences."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from drift.advice.plate import SETTINGS_A_TURN
from drift.codes import AxisBound, CorrectionKind, EffectUnit, Lift, MovedPart, Part, PlateTrouble, Side
from drift.mount.axis_error import size_of
from drift.notices import AdviceCode, Code, Notice, from_value
from drift.quantities import as_utc
from drift.render.notices import sentence
from drift.render.phrases import (
    CLOSE_SDS,
    SIDE_SDS,
    angle,
    arcmin,
    counted,
    largest,
    listed,
    pair,
    percent,
    plain_angle,
    plain_arcmin,
    ranked,
    rounded_arcmin,
    since_words,
    toward,
    toward_of,
    turns_in_words,
    uncertainty_arcmin,
)
from drift.types import Action, AtPlace, Matter, Poles, Verdict, YearAim

Values = Mapping[str, Any]


# ---- The verdict: its head, what moved, and what is not confirmed yet.


_HEADS = {
    MovedPart.PIER: "The pier has moved",
    MovedPart.MOUNT: "The mount has moved on its pier",
    MovedPart.BOTH: "Both the pier and the mount have moved",
    MovedPart.UNDETERMINED: (
        "Something has moved, and no reading tells whether it was the pier or the mount"
    ),
}
_PART_NAMES = {
    Part.PIER: "the pier",
    Part.MOUNT_AZ: "the mount in azimuth",
    Part.MOUNT_ALT: "the mount in altitude",
    Part.ZERO: "only the hour-angle zero",
    Part.NOTHING: "nothing",
}


def verdict_sentence(verdict: Verdict) -> str:
    """Return the whole verdict: head, a colon and the clauses, and what is not confirmed yet."""
    head = sentence(verdict.notice)
    if verdict.clauses:
        head = f"{head}: {'; '.join(sentence(clause) for clause in verdict.clauses)}."
    once = [f"  Not confirmed yet: {sentence(clause)}." for clause in verdict.seen_once]
    return head + "".join(once)


#: Clauses of a verdict that are steps, which are listed among the events.
_STEPS = (
    AdviceCode.PIER_TIPPED,
    AdviceCode.MOUNT_STEPPED,
    AdviceCode.STEP_OF_UNKNOWN_PART,
    AdviceCode.EARLIER_STEPS,
)


def clause_sentences(verdict: Verdict, *, slow_only: bool = False) -> list[str]:
    """Return each thing that moved as a sentence of its own, or only what did not step."""
    shown = [clause for clause in verdict.clauses if not (slow_only and clause.code in _STEPS)]
    clauses = [sentence(clause) for clause in shown]
    return [f"{clause[:1].upper()}{clause[1:]}." for clause in clauses]


def _moved(values: Values) -> str:
    head = _HEADS[values["part"]]
    return f"{head}; an earlier slip of the mount was put right" if values["slip_put_right"] else head


def _put_right(values: Values) -> str:
    when = listed([str(year) for year in values["slipped_in_years"]])
    right = values["put_right_in_year"]
    return f"The mount slipped in {when} and was put right in {right}; it has been steady since"


def _corrected_but_off(values: Values) -> str:
    when = listed([str(year) for year in values["slipped_in_years"]])
    again = "taken off and put back" if values["by"] == CorrectionKind.REMOUNT else "turned back"
    return (
        f"The mount slipped in {when} and was {again} in {values['put_right_in_year']}, but the axis is "
        f"{_axis(values)} from the pole"
    )


def _no_axis(values: Values) -> str:
    return "There is no night from which the axis can be worked out, so nothing can be said about movement."


def _one_night(values: Values) -> str:
    return "There is one night only, so nothing can be said about movement yet."


def _nothing_moved(values: Values) -> str:
    return (
        f"Nothing has moved beyond its warning limit and its uncertainty in {values['span_days']:.0f} days."
    )


def _days(values: Values) -> str:
    return f"between {values['after_date']} and {values['before_date']}"


def _whole_tilt(values: Values) -> tuple[float, float, float, float]:
    north, east = values["tilt_north_arcsec"], values["tilt_east_arcsec"]
    return (north, east, *size_of(north, east, values["tilt_north_sd_arcsec"], values["tilt_east_sd_arcsec"]))


def _pier_tipped(values: Values) -> str:
    north, east, size, sd = _whole_tilt(values)
    sure = f"{percent(values['probability'])} sure"
    if values.get("only_sensor", False):
        sure += "; else the tilt sensor was knocked"
    return f"the pier tipped by {angle(size, sd)} {toward_of(north, east)} {_days(values)} ({sure})"


def _mount_stepped(values: Values) -> str:
    later = ""
    if values["corrected_by"] is not None:
        kind = values["corrected_by"]
        what = "mount put back" if kind == CorrectionKind.REMOUNT else f"{kind} corrected"
        later = f"; {what} on {values['corrected_date']}"
    sure = percent(values["probability"])
    return f"the mount's {_mount_words(values)}, {_days(values)} ({sure} sure{later})"


def _mount_words(values: Values) -> str:
    """Return ``azimuth turned by 168" ± 6", the axis going east`` or the like for altitude."""
    what = "azimuth turned" if values["of"] == Part.MOUNT_AZ else "altitude changed"
    size = angle(abs(values["size_arcsec"]), values["sd_arcsec"])
    return f"{what} by {size}, the axis going {values['side']}"


def _step_of_unknown_part(values: Values) -> str:
    moved = "a step of unknown size"
    if values["axis"]:
        stepped = [f"{side} by {angle(size, sd)}" for side, size, sd in values["axis"]]
        moved = f"the axis stepped {listed(stepped)}"
    odds = listed([f"{_PART_NAMES[Part(part)]} {percent(p)}" for part, p in ranked(dict(values["odds"]))])
    return f"{moved} {_days(values)}; going by its direction and date the odds are {odds}"


def _earlier_steps(values: Values) -> str:
    return f"earlier steps in the list of events: {values['count']}"


def _pier_tilts(values: Values) -> str:
    lacking = [name for name in ("tilt_north", "tilt_east") if values[f"{name}_arcsec"] is None]
    if lacking:
        only = "tilt_north" if lacking == ["tilt_east"] else "tilt_east"
        size, sd = values[f"{only}_arcsec"], values[f"{only}_sd_arcsec"]
        sides = (Side.NORTH, Side.SOUTH) if only == "tilt_north" else (Side.EAST, Side.WEST)
        other = "east-west" if only == "tilt_north" else "north-south"
        side = f"toward the {sides[0 if size >= 0 else 1]}"
        return f"it tilts {angle(abs(size), sd)} further {side} than {since_words(values)} ({other} not told)"
    north, east, size, sd = _whole_tilt(values)
    steps = ", apart from the steps" if values["beside_steps"] else ""
    return (
        f"the pier tilts {angle(size, sd)} further {toward_of(north, east)} than {since_words(values)}{steps}"
    )


def _pier_swings(values: Values) -> str:
    swing = angle(values["swing_arcsec"], values["swing_sd_arcsec"])
    text = f"the pier swings by {swing}{_to(values['toward_bearing_deg'])} and back each year"
    if values["lasting_arcsec_per_year"] is None:
        return text
    rate = angle(values["lasting_arcsec_per_year"], values["lasting_sd_arcsec_per_year"])
    return f"{text}, and {rate} a year{_to(values['lasting_toward_bearing_deg'])} stays"


def _to(bearing_deg: float | None) -> str:
    return "" if bearing_deg is None else f" {toward(bearing_deg)}"


def _mount_crept(values: Values) -> str:
    return f"little by little the mount's {_mount_words(values)}"


def _axis_crept(values: Values) -> str:
    size = angle(abs(values["size_arcsec"]), values["sd_arcsec"])
    where = " in azimuth" if values["of"] == Part.MOUNT_AZ else ""
    return f"little by little the axis has gone {values['side']} by {size}{where}"


# ---- What to do: wait, measure, call for help, tighten.


_BOUNDS = {
    AxisBound.WARNING_LIMIT: "the warning limit for the axis",
    AxisBound.TRAILING: "trailing in one exposure",
    AxisBound.CORNER_ROTATION: "field rotation at the corner in one exposure",
    AxisBound.SESSION_ROTATION: "field rotation over a session, not turned back",
    AxisBound.OVERLAP: "loss of overlap over a session",
    AxisBound.GOTO: "go-to miss",
}
_DONE = {
    CorrectionKind.AZIMUTH: "the azimuth was turned",
    CorrectionKind.ALTITUDE: "the altitude was turned",
    CorrectionKind.SHIM: "shims were changed",
    CorrectionKind.NUTS: "the levelling nuts were turned",
    CorrectionKind.TIGHTEN: "bolts or knobs were tightened",
    CorrectionKind.REMOUNT: "the mount was taken off and put back",
    CorrectionKind.PIER: "the pier was worked on",
}


def action_sentence(action: Action) -> str:
    """Return what to do and why, with what follows it."""
    return "  ".join(sentence(notice) for notice in (action.notice, *action.remarks))


def action_brief(action: Action, *, of_then: bool = False) -> str:
    """Return what to do in a sentence, for a screen whose headline has the numbers.

    `of_then`: the last night is long past, so that "nothing" is what held then.
    """
    values = action.notice.values
    if action.notice.code == AdviceCode.NOTHING:
        return f"{_needed_then(values)}; {_AGAIN}." if of_then else f"{_until_realigned(values)}."
    if action.notice.code == AdviceCode.NIGHT_FIRST:
        return "Take a night first, then ask again: what follows is what the last one said."
    if action.notice.code == AdviceCode.TURN:
        return f"Turn the {values['knob']} knob {_knob_turn(values)}."
    return sentence(action.notice)


def _knob_turn(values: Values) -> str:
    """Return ``0.05 turns (about 20°): the axis goes 2.66' east``."""
    goal = f"{plain_arcmin(abs(values['change_arcsec']) / 60.0, 2)} {values['side']}"
    turns, way = values["turns"], f" {values['way']}" if values.get("way") else ""
    if turns is None:
        return f"{way.lstrip()}{' ' if way else ''}until the axis has gone {goal}"
    fraction = turns_in_words(abs(turns))
    about = f" ({fraction})" if fraction else ""
    return f"{abs(turns):.2f} turns{about}{way}: the axis goes {goal}"


#: Said after what a night long ago advised.
_AGAIN = "take a new night to see whether that still holds"


def action_then(action: Action) -> str:
    """Return "nothing" as advised by a night long past, with what follows it; the rest as it stands."""
    if action.notice.code != AdviceCode.NOTHING:
        return action_sentence(action)
    values = action.notice.values
    rest = "  ".join(sentence(notice) for notice in action.remarks)
    return f"{_needed_then(values)}: {_stood(values, 'was')}.  Take a new night first.  {rest}".rstrip()


def _needed_then(values: Values) -> str:
    if values["realign_soon"]:
        return "By the last night the axis was to be re-aligned soon"
    before = "" if values["realign_by_date"] is None else f" before about {values['realign_by_date']}"
    return f"By the last night nothing needed doing{before}"


def _until_realigned(values: Values) -> str:
    if values["realign_soon"]:
        return "Nothing needs doing at once, but re-align soon"
    if values["realign_by_date"] is not None:
        return f"Nothing needs doing now; re-align by about {values['realign_by_date']}"
    return "Nothing needs doing"


def tolerance_words(bound: AxisBound) -> str:
    """Return what sets the tolerance of the axis, as it stands after "beyond" or in brackets."""
    return _BOUNDS[bound] if bound == AxisBound.WARNING_LIMIT else f"what {_BOUNDS[bound]} allows"


def _axis(values: Values) -> str:
    return arcmin(values["axis_arcsec"], values["axis_sd_arcsec"])


def _tolerance(values: Values) -> str:
    return f"{tolerance_words(values['tolerance_of'])} ({plain_arcmin(values['tolerance_arcsec'] / 60.0)})"


def _lasting(values: Values) -> str:
    return arcmin(values["lasting_arcsec"], values["lasting_sd_arcsec"])


def _nothing(values: Values) -> str:
    return f"{_until_realigned(values)}: {_stood(values, 'is')}."


def _stood(values: Values, verb: str) -> str:
    """Return where the axis is against its limit, and what the season hides: a clause."""
    margin, sd = values["margin_arcsec"], values["axis_sd_arcsec"]
    close = ", too close to call" if abs(margin) < CLOSE_SDS * sd else ""
    hidden = ""
    if values["lasting_arcsec"] is not None:
        hidden = f"; the season hides part of a lasting error of {_lasting(values)}"
    return (
        f"the axis {verb} {_axis(values)} from the pole, "
        f"{rounded_arcmin(abs(margin), sd)} {'inside' if margin >= 0.0 else 'beyond'} {_tolerance(values)}"
        f"{close}{hidden}"
    )


def _wait_for_season(values: Values) -> str:
    left = arcmin(values["left_arcsec"], values["left_sd_arcsec"])
    return f"Wait: of the present {_axis(values)} the season takes back all but {left}; {_then(values)}."


def _wait_after_turning(values: Values) -> str:
    left = arcmin(values["left_arcsec"], values["left_sd_arcsec"])
    return (
        f"Even with the lasting part turned out, {left} is left that the season takes back; {_then(values)}."
    )


def _then(values: Values) -> str:
    then = arcmin(values["then_arcsec"], values["then_sd_arcsec"])
    return f"about {values['until_date']} the axis should be {then} from the pole"


def _off(values: Values) -> str:
    return f"the axis was {_axis(values)} off, beyond {_tolerance(values)}"


def _unknown(values: Values) -> str:
    return f"how much of it lasts ({_lasting(values)}) isn't known well enough to turn a knob by"


def _wait_for_what_lasts(values: Values) -> str:
    return (
        f"Wait: {_off(values)}, but {_unknown(values)}; about {values['until_date']} the heave should be "
        "out, and what is left lasts."
    )


def _measure_what_lasts(values: Values) -> str:
    return f"Take more nights: {_off(values)}, but {_unknown(values)}."


def _season_overdue(values: Values) -> str:
    return f"Measure: {_off(values)}, and the season should have brought it back since then."


def _take_sweep(values: Values) -> str:
    return (
        "Measure: take a sweep or an unguided run, which see the whole axis error; the mount seems to take "
        "it out of the places that it reports, so that pointing solves can't show where the axis is.  If the "
        'mount has no star model of its own, write reports = "raw" under [mount] instead.'
    )


def _first_night(values: Values) -> str:
    return (
        "Measure: no night shows both coordinates of the axis yet; take at least six plate solves, on both "
        "tube sides, spread over hour angle and declination."
    )


def _old_night(values: Values) -> str:
    return (
        f"Measure: the last night that shows the axis is {values['age_days']} days old "
        f"({values['last_night_date']}), too old to turn anything by."
    )


def _step_seen_once(values: Values) -> str:
    if values.get("only_sensor", False):
        return (
            f"Measure on the next clear night: a step about {values['date']} is seen by the tilt sensor "
            "only, which may have been knocked; nothing should be turned before a night shows it."
        )
    or_level, untold = "", ""
    if not values.get("part_told", True):
        or_level, untold = ", or read a level on the pier now", ", and nothing tells pier from mount yet"
    return (
        f"Measure on the next clear night{or_level}: a step about {values['date']} is seen on one night "
        f"only{untold}; nothing should be turned before a second night shows it."
    )


def _axis_uncertain(values: Values) -> str:
    return (
        f"Measure: the axis is known only to {_axis(values)}, too little to judge it against "
        f"{_tolerance(values)}; solves spread wider over the sky, or a sweep, would settle it."
    )


def _say_what_is_reported(values: Values) -> str:
    return (
        'Say in the site file what the mount reports: reports = "raw" under [mount] if it has no star model '
        f"of its own.  Such a model could have taken the axis error out, so that the axis is known only to "
        f"{_axis(values)}, too little to judge it against {_tolerance(values)}.  If it has one, take a sweep."
    )


def _would_settle(values: Values) -> str:
    return f"Measure what would tell pier from mount: {sentence(from_value(values['settled_by']))}."


def _night_first(values: Values) -> str:
    return (
        f"Take a night first, then ask again: the last one, of {values['last_night_date']}, is too old to "
        "turn or lift anything by.  What follows is what it said, to prepare by."
    )


def _wait_is_over(values: Values) -> str:
    return (
        f"Take a night: by the last one, of {values['last_night_date']}, the season was to bring the axis "
        "back, and the day by which it should have is over."
    )


def _not_seen_yet(values: Values) -> str:
    done = listed(list(dict.fromkeys(f"{_DONE[kind]} on {date}" for kind, date in values["corrections"])))
    knobs, left = values["leave_knobs"], ""
    if values["leave_all"]:
        left = "; until one does, turn and lift nothing"
    elif knobs:
        are = "it is" if len(knobs) == 1 else "they are"
        left = f"; until one does, leave the {listed(knobs)} as {are}"
    measure = "After that, measure" if values["after_the_list"] else "Measure"
    return f"{measure} on the next clear night: {done}, and no night shows yet what came of it{left}."


def _tighten(values: Values) -> str:
    why = [f"the {knob} slipped" for knob in values["slipped"]]
    why += [f"a correction of the {knob} did not hold" for knob in values["not_held"]]
    text = listed(why)
    knobs, again = ("its knob and its", "it") if len(why) == 1 else ("their knobs and their", "them")
    return (
        f"{text[0].upper()}{text[1:]}: check and tighten {knobs} locking bolts before turning {again} again."
    )


def _looks_realigned(values: Values) -> str:
    knobs = values["knobs"]
    commands = " and ".join(f"`drift record {knob} ...`" for knob in knobs)
    slipped, their = ("the knobs slipped", "their") if len(knobs) > 1 else (f"the {knobs[0]} slipped", "its")
    return (
        f"Between {values['after_date']} and {values['before_date']} the axis came from "
        f"{plain_angle(values['was_arcsec'])} to {plain_angle(values['now_arcsec'])} from the pole "
        f"(± {plain_angle(values['sd_arcsec'])}).  Was it "
        f"aligned then and not written down?  Record it: {commands}.  Or was a star model made in the mount "
        f"then?  A sweep tells.  If neither, {slipped}: check {their} locking bolts."
    )


def _crack_noted(values: Values) -> str:
    return (
        f"A crack is noted on {values['noted_date']}: have the concrete looked at by someone who knows it "
        "before anything is tightened or adjusted, and do not stand under the load."
    )


def _tilts_too_far(values: Values) -> str:
    why = "1 in 300"
    if values["top_mm"] is not None:
        why = (
            f"{values['top_mm']:.0f} mm at the top of a pier {values['diameter_mm']:g} mm thick and "
            f"{values['length_m']:g} m from foot to top"
        )
    return (
        f"The pier has tilted {_tilt(values)} since it first stood, more than "
        f"{plain_angle(values['limit_arcsec'])} ({why}): have its footing looked at by someone who knows "
        "foundations before anything is adjusted."
    )


def _tilt(values: Values) -> str:
    """Return ``34" ± 3" toward the north-east (bearing 47°)``."""
    north, east = values["tilt_north_arcsec"], values["tilt_east_arcsec"]
    return f"{angle(math.hypot(north, east), values['tilt_sd_arcsec'])} {toward_of(north, east)}"


def _tilt_runs_away(values: Values) -> str:
    rate = angle(values["arcsec_per_year"], values["sd_arcsec_per_year"])
    settling = plain_arcmin(values["limit_arcsec_per_year"] / 60.0)
    return (
        "Have the footing looked at by someone who knows foundations before adjusting anything: the tilt "
        f"grows by {rate} a year{_to(values['toward_bearing_deg'])}, more than the {settling} a year that "
        "is taken here for settling."
    )


def _done(values: Values) -> str:
    what = _DONE[values["kind"]]
    if values["asked_arcsec"] is not None:
        what += f" {values['side']} by {plain_arcmin(abs(values['asked_arcsec']) / 60.0, 2)}"
    return f"Done on {values['date']}: {what}."


# ---- What to do: turn a knob, tip the plate.


def _turn(values: Values) -> str:
    text = f"Turn the {values['knob']} knob so that the axis goes {_wanted(values)}{_turns(values)}"
    text += _learned(values)
    if values["travel_arcmin"] is not None:
        travel = plain_arcmin(values["travel_arcmin"])
        text += f"; the knob's whole travel is {travel}, so look first whether it reaches"
    if values["span_days"] is not None:
        span = f"the nights span {values['span_days']:.0f} days"
        if values["span_days"] < 1.0:
            span = "there is one night only"
        text += f"; {span}, so part of this may yet prove seasonal"
    return f"{text}."


def _wanted(values: Values) -> str:
    direction = str(values["side"])
    if values["clockwise"] is not None:
        direction += f" ({'clockwise' if values['clockwise'] else 'anticlockwise'} seen from above)"
    return f"{direction} by {arcmin(abs(values['change_arcsec']), values['change_sd_arcsec'])}"


def _turns(values: Values) -> str:
    turns = values["turns"]
    if turns is None:
        knob = values["knob"]
        side = f"turn it {values['way']} as you face it; " if values.get("way") else ""
        return (
            f" ({side}mount.{knob}_knob_arcmin_per_turn in the site file would give it in turns of the knob)"
        )
    fraction = turns_in_words(abs(turns))
    facing = f", {values['way']} as you face it" if values.get("way") else ""
    if facing and values["way_seen"]:
        facing += f" going by {counted(values['way_seen'], 'past turn')}"
    return f" ({abs(turns):.2f} turns of the knob{f', {fraction}' if fraction else ''}{facing})"


def _learned(values: Values) -> str:
    """Return what past turns taught, where it changes the setting."""
    if not values["past_turns"]:
        return ""
    landing = uncertainty_arcmin(values["landing_sd_arcsec"])
    text = f"; going by {counted(values['past_turns'], 'past turn')} it should land to {landing}"
    why = []
    if values["gain"] is not None:
        why.append(f"the axis does {values['gain']:.2f} ± {values['gain_sd']:.2f} of what the knob is set to")
    if values["slack_arcsec"] is not None:
        lost = angle(values["slack_arcsec"], values["slack_sd_arcsec"])
        why.append(f"{lost} is lost when it is turned back")
    if not why:
        return text
    how = "which is counted in"
    if values["turns"] is None:
        how = f"so set it as for {plain_arcmin(values['set_as_for_arcsec'] / 60.0)}"
    return f"{text} ({listed(why)}, {how})"


def _cant_reach(values: Values) -> str:
    return (
        f"The axis should go {_wanted(values)}, which the {values['knob']} knob with "
        f"{plain_arcmin(values['travel_arcmin'])} of travel can't reach"
    )


def _turn_base(values: Values) -> str:
    return (
        f"{_cant_reach(values)}: set the knob to the middle of its travel and turn the mount's base on the "
        "plate."
    )


def _altitude_out_of_travel(values: Values) -> str:
    return f"{_cant_reach(values)}: with the knob in the middle of its travel"


def _to_level_base(values: Values) -> str:
    across = ""
    if values["knobs_share"] is not None:
        across = (
            f", so that each knob moves the other coordinate by {percent(values['knobs_share'])} of its turn "
            f"(more than {percent(values['knobs_share_limit'])})"
        )
    since = values["since_date"]
    return f"The base tilts {_tilt(values)} against how it stood on {since}{across}: to level it"


def _purpose(values: Values) -> str:
    """Return what the plate is tipped for: the clause before what is to be done."""
    return SENTENCES[AdviceCode(values["purpose"])](values)


def _put_shims(values: Values) -> str:
    put = [f"the bolt {toward(bearing)} by {_stack_words(pieces)}" for bearing, pieces in values["stacks"]]
    return (
        f"{_purpose(values)}, raise the plate: {'; '.join(put)}; these sizes leave "
        f"{plain_angle(values['left_arcsec'])} of the tip undone{_rocking(values)}."
    )


def _rocking(values: Values) -> str:
    """Return the clause that one bolt stands off the plane of the others, where it does."""
    off_mm = values["off_plane_mm"]
    if off_mm is None:
        return ""
    return f", and one bolt {off_mm:.3f} mm off the plane of the others: tighten evenly, or the plate rocks"


def _stack_words(pieces: Sequence[float]) -> str:
    """Return ``0.87 mm (0.5 + 0.3 + 0.05 + 0.02)``, to the digits of the stock: ``0.3 mm``, ``0.125 mm``."""
    total = f"{round(sum(pieces), 4):g} mm"
    return total + (f" ({' + '.join(f'{p:g}' for p in pieces)})" if len(pieces) > 1 else "")


def _shims_too_thick(values: Values) -> str:
    return f"{_purpose(values)}, but the thinnest shim at hand is too thick for it: leave it."


def _turn_nuts(values: Values) -> str:
    parts = [
        f"the bolt {toward(bearing)} by {_flats(quarters)} of its nut ({height:.2f} mm)"
        for bearing, quarters, height in values["quarter_flats"]
    ]
    return (
        f"{_purpose(values)}, raise the plate: {'; '.join(parts)}; set to quarters of a flat, they leave "
        f"{plain_angle(values['left_arcsec'])} of the tip undone, and a nut that is a quarter of a flat "
        f"wrong tips the plate by {plain_angle(values['quarter_flat_arcsec'])}{_rocking(values)}."
    )


def _flats(quarters: int) -> str:
    """Return quarters of a flat of a hexagon nut as a person counts them: ``2 turns and 3 1/4 flats``."""
    whole, rest = divmod(quarters, SETTINGS_A_TURN)
    flats, part = divmod(rest, 4)
    words = [f"{whole} turn{'' if whole == 1 else 's'}"] if whole else []
    if rest:
        size = " ".join(filter(None, (f"{flats}" if flats else "", ("", "1/4", "1/2", "3/4")[part])))
        words.append(f"{size} flat" if rest <= 4 else f"{size} flats")
    return " and ".join(words)


def _raise_by_gauge(values: Values) -> str:
    parts = [
        f"the bolt {toward(bearing)} by {height:.2f} mm, by a dial gauge"
        for bearing, height in values["raised_mm"]
    ]
    return f"{_purpose(values)}, raise the plate: {'; '.join(parts)}."


def _too_little_for_nuts(values: Values) -> str:
    return f"{_purpose(values)}, but it is too little to set with nuts: leave it."


def _nuts_too_coarse(values: Values) -> str:
    return (
        f"{_purpose(values)}, nuts are too coarse: a quarter of a flat, {values['quarter_flat_mm']:.3f} mm, "
        "is the least that one can be set by, and tips the plate by "
        f"{plain_angle(values['quarter_flat_arcsec'])}; leave it to the knobs, or use shims."
    )


def _plate_not_described(values: Values) -> str:
    return (
        f"{_purpose(values)}, the plate itself has to be tipped, but the site file doesn't say where its "
        "bolts stand: fill in plate.bolt_bearings_deg and plate.bolt_circle_mm and ask again."
    )


def _plate_cant_be_tipped(values: Values) -> str:
    why = _PLATE_TROUBLES[PlateTrouble(values["trouble"])](values)
    return f"{_purpose(values)}, the plate itself has to be tipped, but that can't be done.  {why}"


_PLATE_TROUBLES: dict[PlateTrouble, Callable[[Values], str]] = {
    PlateTrouble.NO_PLANE: lambda of: "The bolts that the site file describes hold no plane.",
    PlateTrouble.BOLTS_IN_LINE: lambda of: (
        f"Bolts at bearings {', '.join(f'{one:g}' for one in of['bearings_deg'])} deg stand in one line, so "
        "the plate can tip about that line by any amount: plate.bolt_bearings_deg needs three bolts that are "
        "not in a line."
    ),
    PlateTrouble.STACK_TOO_HIGH: lambda of: (
        f"One bolt would have to be raised by {of['highest_mm']:.1f} mm, and a stack of shims over "
        f"{of['limit_mm']:g} mm is no seat for a telescope: have a wedge made, or the pier's top set right."
    ),
    PlateTrouble.NUT_TOO_HIGH: lambda of: (
        f"One nut would have to rise by {of['highest_mm']:.0f} mm, and more than {of['limit_mm']:g} mm of "
        "free bolt bends: have the pier's top set right."
    ),
}


def _base_left_tilted(values: Values) -> str:
    season = " for good, the season aside" if values["without_season"] else ""
    return (
        f"Since the first reading the base has tilted {_tilt(values)}{season}; it need not be level to track "
        "well, so the knobs take care of it."
    )


def _turn_frames_back(values: Values) -> str:
    return (
        f"Over {values['session_min']:g} min on one field its corner turns by more than "
        f"{values['most_pixels']:g} pixel: turn the frames back before stacking them."
    )


def _measure_after_tip(values: Values) -> str:
    return "This moves the axis: measure before the knobs are turned for good."


# ---- What to mind.


def _lifting(values: Values) -> str:
    mass, two, machine = (values[name] for name in ("mass_kg", "two_people_from_kg", "machine_from_kg"))
    if mass is None:
        return (
            f"If the mount with its load is over {two:g} kg, two people and a plan for the lift; from some "
            f"{machine:g} kg on a hoist, a jack or a crane."
        )
    if values["by"] == Lift.MACHINE:
        return (
            f"The mount is {mass:g} kg, more than people should lift: take its weight with a hoist, a jack "
            "or a crane that is rated for it, and keep hands and feet from under it."
        )
    if values["by"] == Lift.TWO_PEOPLE:
        return f"The mount is {mass:g} kg: two people and a plan for the lift."
    return f"The mount is {mass:g} kg: have its support in place before it is free."


_CAUTIONS = {
    AdviceCode.PARK_FIRST: (
        "Park the tube and stop the drive first, and keep hands clear of where the counterweight and the "
        "clutches can pinch."
    ),
    AdviceCode.EASE_BOLTS: ("Ease the locking bolts just enough to turn; never loosen all of them at once."),
    AdviceCode.SCREWS_HAVE_PLAY: (
        "Screws have play: let the last bit of every turn be one in which the screw pushes the mount. Where "
        "it has to back off, back off a little further than said, then push forward to the amount."
    ),
    AdviceCode.SCREW_CARRIES_HEAD: (
        "The altitude screw carries the head and all that is on it: support the head before you ease the "
        "locks, and keep it supported until they are tight again."
    ),
    AdviceCode.TAKE_LOAD_OFF: (
        "Take the load off and support the mount before loosening; never loosen all the bolts at once."
    ),
    AdviceCode.POWER_OFF: "Switch the power off at the pier and keep water away from outdoor outlets.",
    AdviceCode.BURIED_LINES: (
        "Before anyone digs, have buried lines located; structural, electrical and excavation work goes by "
        "local code and to licensed trades."
    ),
    AdviceCode.DEEP_HOLES: (
        "Nobody goes into a hole deeper than about 1.2 m whose sides are not shored or sloped back: it caves "
        "in without warning.  Don't dig below or close beside the pier's base, or it loses its footing."
    ),
    AdviceCode.NEVER_THE_SUN: (
        "Never point or sweep toward the Sun: keep the cap on until it is down, or fit the solar filter "
        "before uncovering."
    ),
}


#: The cautions in a few words each, for the first screen; a caution without them is shown whole.
_CAUTIONS_BRIEF: dict[Code, str] = {
    AdviceCode.PARK_FIRST: "park the tube and stop the drive",
    AdviceCode.EASE_BOLTS: "never loosen all locking bolts at once",
    AdviceCode.SCREWS_HAVE_PLAY: "end every turn pushing",
    AdviceCode.SCREW_CARRIES_HEAD: "support the head before easing the altitude locks",
    AdviceCode.TAKE_LOAD_OFF: "take the load off first, and never loosen all bolts at once",
    AdviceCode.POWER_OFF: "switch the power off at the pier",
    AdviceCode.BURIED_LINES: "locate buried lines before anyone digs",
    AdviceCode.NEVER_THE_SUN: "never sweep toward the Sun",
}


def cautions_brief(cautions: Sequence[Notice]) -> str:
    """Return all cautions in one clause."""
    return "; ".join(_CAUTIONS_BRIEF.get(one.code) or sentence(one).rstrip(".") for one in cautions)


# ---- Does it matter: what the axis error does in the picture.


#: Places are named where the axis may be off by less than this many times what it is.
_WORTH_PLACES = 5.0
_UNITS = {EffectUnit.PIXELS: " pixels", EffectUnit.PERCENT: " %", EffectUnit.ARCMIN: "'"}


def matter_name(matter: Matter) -> str:
    """Return what an effect of the axis error is called."""
    return _BOUNDS[matter.effect]


def matters_lead(matters: Sequence[Matter]) -> str:
    """Return how far the axis is off, which all that matters is held against; "" where nothing is."""
    if not matters:
        return ""
    first = matters[0]
    return f"The axis is off by {arcmin(60.0 * first.now_arcmin, 60.0 * first.now_sd_arcmin)}."


def matter_sentence(matter: Matter) -> str:
    """Say how far the axis may be off, by how much it keeps that, and what it does where in the sky."""
    error, sd = 60.0 * matter.now_arcmin, 60.0 * matter.now_sd_arcmin
    margin = 60.0 * matter.margin_arcmin
    close = abs(margin) < CLOSE_SDS * sd
    beyond = "too much" if matter.binding else "more than that"
    verdict = f"{rounded_arcmin(abs(margin), sd)} {'to spare' if margin >= 0 else beyond}"
    if close:
        verdict += ", too close to call"
    elif margin < 0 and not matter.binding:
        verdict += ", so turn the frames back"
    name = matter_name(matter)
    text = (
        f"{name[0].upper()}{name[1:]}: up to {plain_arcmin(matter.allowed_arcmin)} is allowed "
        f"({sentence(matter.limit)}), {verdict}."
    )
    if matter.worst is None or matter.allowed_arcmin > _WORTH_PLACES * matter.now_arcmin:
        return text
    text += f"  Worst now, {worst_place(matter.worst)}: {_effect(matter.worst, sd / error)}"
    if matter.usual is not None and matter.usual.effect > 0.0:
        text += f"; {usual_place(matter.usual)} {_effect(matter.usual, sd / error)}"
    return f"{text}."


def worst_place(place: AtPlace) -> str:
    """Name a place by bearing and altitude, as seen from the pier."""
    return (
        f"at bearing {place.bearing_deg:.0f}°, altitude {place.altitude_deg:.0f}° "
        f"(declination {place.declination_deg:.0f}°)"
    )


def usual_place(place: AtPlace) -> str:
    """Name the place where the usual declination is highest."""
    return _on_meridian(place.declination_deg, place.hour_angle_deg / 15.0)


def _on_meridian(declination_deg: float, hour: float = 0.0) -> str:
    where = "on the meridian" if hour == 0.0 else f"{abs(hour):.1f} h {'west' if hour > 0 else 'east'} of it"
    return f"at declination {declination_deg:g}° {where}"


def _effect(at: AtPlace, share_sd: float) -> str:
    """Return an effect in words, with its sd as a share of it."""
    amount = pair(at.effect, share_sd * at.effect, _UNITS[at.unit])
    if not math.isfinite(at.allowed_arcmin):
        return amount
    return f"{amount} (up to {plain_arcmin(at.allowed_arcmin)} there)"


def _at_usual(values: Values) -> str:
    return f"at declination {values['declination_deg']:g}°"


def _trails(values: Values) -> str:
    most, pixel, exposure = (values[name] for name in ("most_pixels", "pixel_arcsec", "exposure_s"))
    return f'{most:g} pixel, {pixel:.2f}", in {exposure:g} s unguided'


def _corner_turns(values: Values) -> str:
    return f"{values['most_pixels']:g} pixel in {values['exposure_s']:g} s {_at_usual(values)}"


def _session_turns(values: Values) -> str:
    return (
        f"{values['most_pixels']:g} pixel at the corner in {values['session_min']:g} min "
        f"{_at_usual(values)}, frames not turned"
    )


def _overlap_shifted(values: Values) -> str:
    return f"{values['most_percent']:g} % of the sensor's shorter side in {values['session_min']:g} min"


def _overlap_turned(values: Values) -> str:
    lost, minutes = values["most_percent"], values["session_min"]
    return f"{lost:g} % of the sensor's area in {minutes:g} min {_at_usual(values)}"


def _slew_misses(values: Values) -> str:
    star = values["synced_at_declination_deg"]
    after = "with the zeros that the mount keeps"
    if star is not None:
        after = f"after a sync {_on_meridian(star)}"
    return f"half the field of {plain_arcmin(values['field_arcmin'])} anywhere in your sky, {after}"


# ---- Where to aim: the two poles, and where to leave the axis for the year.


def poles_sentence(poles: Poles) -> str:
    """Say how far the axis is from both poles, and which suits the tracking."""
    true = arcmin(60.0 * poles.true_arcmin, 60.0 * poles.true_sd_arcmin)
    refracted = arcmin(60.0 * poles.refracted_arcmin, 60.0 * poles.refracted_sd_arcmin)
    text = (
        f"The axis is {true} from the true pole and {refracted} from the refracted one, "
        f'{poles.lift_arcsec:.0f}" higher; advice aims at the {poles.aimed_at} pole.'
    )
    if poles.true_pixels is None or poles.refracted_pixels is None:
        return text
    what = "the corner turns" if poles.star_held else "a star trails"
    numbers = (
        f"over your sky {what} in one exposure by {poles.true_pixels:.2f} pixels (root mean square) about "
        f"the true pole and {poles.refracted_pixels:.2f} about the refracted one"
    )
    if poles.suits == "either":
        return f"{text}  Either suits your tracking: {numbers}."
    text = f"{text}  The {poles.suits} pole suits your tracking better: {numbers}."
    if poles.suits != poles.aimed_at:
        text += f'  To aim at it, put pole = "{poles.suits}" below [mount] in the site file.'
    return text


def year_sentence(year: YearAim) -> str:
    """Say where to leave the axis for the coming year, and what is gained by it."""
    start = f"{as_utc(year.from_us):%Y-%m}"
    months = f"of the twelve months from {start}"
    if year.months_of_use:
        months = f"in the months of use of the twelve from {start}"
    what = "root-mean-square error" if year.aim == "typical" else "largest error"
    as_aimed = largest(60.0 * year.as_aimed_arcmin, 60.0 * year.sd_arcmin)
    dead_on = largest(60.0 * year.dead_on_arcmin, 60.0 * year.dead_on_sd_arcmin)
    if year.aim == "tonight":
        return (
            f"Set dead on the pole now, the {what} {months} would be {as_aimed}: the site file aims at "
            "tonight."
        )
    alone = largest(60.0 * year.as_it_is_arcmin, 60.0 * year.as_it_is_sd_arcmin)
    text = f"For the year, an axis that is set now is best left {_left(year)}: the {what} {months} is then"
    gained = year.dead_on_arcmin - year.as_aimed_arcmin
    if year.as_aimed_arcmin < year.sd_arcmin and gained < SIDE_SDS * year.sd_arcmin:
        return f"{text} {as_aimed}, hardly less than set dead on the pole; left alone it is {alone}."
    text += f" {as_aimed}, against {dead_on} if it is set dead on the pole now"
    if year.gain >= 0.01:
        text += f" ({percent(year.gain)} less)"
    return f"{text}, and {alone} if it is left alone."


def _left(year: YearAim) -> str:
    """Return ``1.2' east of the pole and 0.3' above it``."""
    az, alt = year.off_pole_arcsec
    return (
        f"{plain_arcmin(abs(az) / 60.0)} {year.off_pole_side} of the pole in azimuth and "
        f"{plain_arcmin(abs(alt) / 60.0)} {'above' if alt >= 0.0 else 'below'} it"
    )


def _always(text: str) -> Callable[[Values], str]:
    return lambda values: text


SENTENCES: dict[Code, Callable[[Values], str]] = {
    AdviceCode.MOVED: _moved,
    AdviceCode.PUT_RIGHT: _put_right,
    AdviceCode.CORRECTED_BUT_OFF: _corrected_but_off,
    AdviceCode.NOTHING_MOVED: _nothing_moved,
    AdviceCode.ONE_NIGHT: _one_night,
    AdviceCode.NO_AXIS: _no_axis,
    AdviceCode.PIER_TIPPED: _pier_tipped,
    AdviceCode.MOUNT_STEPPED: _mount_stepped,
    AdviceCode.STEP_OF_UNKNOWN_PART: _step_of_unknown_part,
    AdviceCode.EARLIER_STEPS: _earlier_steps,
    AdviceCode.PIER_TILTS: _pier_tilts,
    AdviceCode.PIER_SWINGS: _pier_swings,
    AdviceCode.MOUNT_CREPT: _mount_crept,
    AdviceCode.AXIS_CREPT: _axis_crept,
    AdviceCode.NOTHING: _nothing,
    AdviceCode.WAIT_FOR_SEASON: _wait_for_season,
    AdviceCode.WAIT_AFTER_TURNING: _wait_after_turning,
    AdviceCode.WAIT_FOR_WHAT_LASTS: _wait_for_what_lasts,
    AdviceCode.MEASURE_WHAT_LASTS: _measure_what_lasts,
    AdviceCode.SEASON_OVERDUE: _season_overdue,
    AdviceCode.FIRST_NIGHT: _first_night,
    AdviceCode.TAKE_SWEEP: _take_sweep,
    AdviceCode.OLD_NIGHT: _old_night,
    AdviceCode.STEP_SEEN_ONCE: _step_seen_once,
    AdviceCode.AXIS_UNCERTAIN: _axis_uncertain,
    AdviceCode.SAY_WHAT_IS_REPORTED: _say_what_is_reported,
    AdviceCode.WOULD_SETTLE: _would_settle,
    AdviceCode.NIGHT_FIRST: _night_first,
    AdviceCode.WAIT_IS_OVER: _wait_is_over,
    AdviceCode.NOT_SEEN_YET: _not_seen_yet,
    AdviceCode.TIGHTEN: _tighten,
    AdviceCode.LOOKS_REALIGNED: _looks_realigned,
    AdviceCode.CRACK_NOTED: _crack_noted,
    AdviceCode.TILTS_TOO_FAR: _tilts_too_far,
    AdviceCode.TILT_RUNS_AWAY: _tilt_runs_away,
    AdviceCode.TURN: _turn,
    AdviceCode.TURN_BASE: _turn_base,
    AdviceCode.PUT_SHIMS: _put_shims,
    AdviceCode.SHIMS_TOO_THICK: _shims_too_thick,
    AdviceCode.TURN_NUTS: _turn_nuts,
    AdviceCode.RAISE_BY_GAUGE: _raise_by_gauge,
    AdviceCode.TOO_LITTLE_FOR_NUTS: _too_little_for_nuts,
    AdviceCode.NUTS_TOO_COARSE: _nuts_too_coarse,
    AdviceCode.PLATE_NOT_DESCRIBED: _plate_not_described,
    AdviceCode.PLATE_CANT_BE_TIPPED: _plate_cant_be_tipped,
    AdviceCode.TO_LEVEL_BASE: _to_level_base,
    AdviceCode.ALTITUDE_OUT_OF_TRAVEL: _altitude_out_of_travel,
    AdviceCode.BASE_LEFT_TILTED: _base_left_tilted,
    AdviceCode.MEASURE_AFTER_TIP: _measure_after_tip,
    AdviceCode.TURN_FRAMES_BACK: _turn_frames_back,
    AdviceCode.DONE: _done,
    AdviceCode.TRAILS: _trails,
    AdviceCode.CORNER_TURNS: _corner_turns,
    AdviceCode.SESSION_TURNS: _session_turns,
    AdviceCode.OVERLAP_TURNED: _overlap_turned,
    AdviceCode.OVERLAP_SHIFTED: _overlap_shifted,
    AdviceCode.SLEW_MISSES: _slew_misses,
    AdviceCode.LIFTING: _lifting,
    **{code: _always(text) for code, text in _CAUTIONS.items()},
}
