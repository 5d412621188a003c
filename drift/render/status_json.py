"""The analysis as data: what ``drift status --json`` and ``drift outlook --json`` print."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from drift.advice.ground import fitting_advice
from drift.advice.knobs import odds_held
from drift.advice.misrecorded import Suspect, suspects
from drift.advice.situation import coming_of
from drift.codes import OwnMovement
from drift.notices import Notice, as_value
from drift.render import advice_words as words
from drift.render.encode import named, place_rounded
from drift.render.ground_words import GROUND_ADVICE
from drift.render.headline import headline
from drift.render.history_words import CAUSE_WORDS, because_words, settle_words
from drift.render.night_words import set_aside_reason
from drift.render.notices import as_data, sentence
from drift.render.outlook import rests_on_sentence
from drift.render.phrases import number, utc_text
from drift.types import HISTORY_COLUMNS, PARTS
from drift.watch.limits import now_state

if TYPE_CHECKING:
    from drift.advice.ground import GroundStep, PierGround
    from drift.forecast.outlook import Hindcast
    from drift.ground.frost_depth import WinterFrost
    from drift.quantities import Floats
    from drift.types import (
        Action,
        Advice,
        Analysis,
        AtPlace,
        ComingDay,
        ComingMonth,
        CorrectionFound,
        Event,
        History,
        LevelDrift,
        Matter,
        Measure,
        NightAxis,
        Outlook,
        Poles,
        ReferenceMoved,
        References,
        Rival,
        SensorSeries,
        Separable,
        Settling,
        Verdict,
        YearAim,
        ZeroCreep,
    )


# ---- What the references do, as data.
#
# Codes and numbers only; a number that isn't known is None (null).


#: Decimals of what goes by the degree or by the year.
DECIMALS = 3
#: Units of the movements of each kind, as they stand in the names of fields.
UNIT = {OwnMovement.STEADY: "arcsec_per_year", OwnMovement.WARMTH: "arcsec_per_c"}


def references_mapping(references: References | None) -> dict[str, Any] | None:
    """Return the references, what was found of them, and the rivals; None where nothing checks them.

    ``hour_angle_zero`` is the zero in use now, ``hour_angle_zeros`` all of them by time.
    """
    if references is None:
        return None
    zeros = [_zero(zero) for zero in references.zeros]
    return {
        "hour_angle_zero": zeros[-1] if zeros else None,
        "hour_angle_zeros": zeros,
        "levels": [_level(level) for level in references.levels],
        "moved": [_moved(one) for one in references.moved],
        "rivals": [_rival(one) for one in references.rivals],
    }


def _with_sd(name: str, measure: Measure | None) -> dict[str, float | None]:
    value, sd = (None, None) if measure is None else (measure.value, measure.sd)
    return {
        name: None if value is None else number(value, DECIMALS),
        f"{name}_sd": None if sd is None else number(sd, DECIMALS),
    }


def _zero(zero: ZeroCreep) -> dict[str, Any]:
    return {
        "from_utc": utc_text(zero.from_us),
        "to_utc": utc_text(zero.to_us),
        **_with_sd("creep_arcsec_per_year", zero.creep),
        **_with_sd("warmth_arcsec_per_c", zero.warmth),
    }


def _level(level: LevelDrift) -> dict[str, Any]:
    return {
        "place": level.place,
        "sensor": level.instrument or None,
        **_with_sd("creep_north_arcsec_per_year", level.creep_north),
        **_with_sd("creep_east_arcsec_per_year", level.creep_east),
        **_with_sd("warmth_north_arcsec_per_c", level.warmth_north),
        **_with_sd("warmth_east_arcsec_per_c", level.warmth_east),
        **_with_sd("share_shown_north", level.shows_north),
        **_with_sd("share_shown_east", level.shows_east),
    }


def _sensor(one: SensorSeries) -> dict[str, Any]:
    swing = one.swing
    return {
        **named(one, "place", "number", "from_us", "to_us", "readings", "days", "put_aside", "stuck"),
        **_with_sd("daily_swing", swing.peak_to_trough),
        "daily_swing_toward_bearing_deg": number(swing.toward_bearing_deg),
        "daily_swing_furthest_solar_hour": number(swing.furthest_solar_hour),
        "daily_swing_least": number(swing.least),
        "daily_swing_most": number(swing.most),
        **_with_sd("warmth_north_arcsec_per_c", one.warmth_north),
        **_with_sd("warmth_east_arcsec_per_c", one.warmth_east),
        "steps": [
            named(step, "after_us", "before_us", "north", "east", "followed", "of_sensor")
            for step in one.steps
        ],
        "resolution": number(one.resolution),
        "day_sd": number(one.day_sd),
        "clock_hours": number(one.clock_hours),
    }


def _moved(one: ReferenceMoved) -> dict[str, Any]:
    return {
        "code": one.code,
        "reference": one.reference,
        "place": one.place,
        "kind": one.kind,
        **(_with_sd(f"north_{UNIT[one.kind]}", one.north) if one.north is not None else {}),
        **_with_sd(f"east_{UNIT[one.kind]}" if one.north is not None else UNIT[one.kind], one.east),
        "probability": number(one.probability, None),
        "over_record_arcsec": number(one.over_record_arcsec),
        "would_tell": one.would_tell,
    }


def _rival(one: Rival) -> dict[str, Any]:
    return {
        "kind": one.kind,
        "moving": list(one.moving),
        "probability": number(one.probability, None),
        "tilt_north": number(one.tilt_north),
        "tilt_east": number(one.tilt_east),
    }


# ---- What the axis error does and where to aim, as plain data.


def aims(advice: Advice) -> dict[str, Any]:
    """Return the keys "matters", "poles" and "year_aim"; what is not known is None."""
    return {
        "matters": [_matter(matter) for matter in advice.matters],
        "poles": None if advice.poles is None else _poles(advice.poles),
        "year_aim": None if advice.year is None else _year(advice.year),
    }


def _matter(matter: Matter) -> dict[str, Any]:
    return {
        "name": words.matter_name(matter),
        "code": str(matter.effect),
        **named(matter, "allowed_arcmin", "now_arcmin", "now_sd_arcmin", "margin_arcmin", "binding"),
        "worst": None if matter.worst is None else _place(matter.worst, words.worst_place),
        "usual": None if matter.usual is None else _place(matter.usual, words.usual_place),
        "sentence": words.matter_sentence(matter),
    }


def _place(place: AtPlace, name: Callable[[AtPlace], str]) -> dict[str, Any]:
    return {
        "where": name(place),
        **named(place, "allowed_arcmin", "effect", "unit"),
    }


def _poles(poles: Poles) -> dict[str, Any]:
    return {
        **named(
            poles,
            "true_arcmin",
            "true_sd_arcmin",
            "refracted_arcmin",
            "refracted_sd_arcmin",
            "lift_arcsec",
            "lift_sd_arcsec",
            "aimed_at",
            "suits",
        ),
        "sentence": words.poles_sentence(poles),
    }


def _year(year: YearAim) -> dict[str, Any]:
    return {
        "aim": year.aim,
        "leave_az_error": number(year.leave_az_arcsec),
        "leave_az_error_sd": number(year.leave_sd_arcsec[0]),
        "leave_alt_error": number(year.leave_alt_arcsec),
        "leave_alt_error_sd": number(year.leave_sd_arcsec[1]),
        "as_aimed_arcmin": number(year.as_aimed_arcmin),
        "as_aimed_sd_arcmin": number(year.sd_arcmin),
        **named(year, "dead_on_arcmin", "as_it_is_arcmin", "gain", "from_us", "until_us"),
        "sentence": words.year_sentence(year),
    }


# ---- The coming twelve months as data.


_AXIS, _TILT = ("az_error", "alt_error"), ("tilt_north", "tilt_east")
#: Decimals of a depth in metres.
_DEPTH_DECIMALS = 3


def outlook_mapping(analysis: Analysis) -> dict[str, Any] | None:
    """Return the outlook as plain data; None where the history has no forecast."""
    outlook = coming_of(analysis)
    return None if outlook is None else _outlook(outlook)


def document(
    outlook: Outlook | None, ground: PierGround | None, hindcasts: Sequence[Hindcast] | None
) -> dict[str, Any]:
    """Return all that ``drift outlook --json`` prints; angles in arcsec, times in UTC.

    Parameters
    ----------
    outlook, ground
        None without a forecast or weather.
    hindcasts
        None when not asked for.
    """
    fitting, others = fitting_advice(ground)
    return {
        "format": "drift-outlook",
        "version": 2,
        "outlook": None if outlook is None else _outlook(outlook),
        "frost": None if ground is None else _frost(ground),
        "hindcasts": None if hindcasts is None else [_hindcast(one) for one in hindcasts],
        "for_the_pier": [
            {"code": str(step), **_ground_advice(step), "fits": step in fitting}
            for step in (*fitting, *others)
        ],
    }


def _ground_advice(step: GroundStep) -> dict[str, str]:
    one = GROUND_ADVICE[step]
    return {"topic": one.topic, "sentence": one.sentence, "source": one.source}


def _outlook(outlook: Outlook) -> dict[str, Any]:
    turning, chances = outlook.turning, outlook.realigning
    return {
        **named(outlook, "from_us"),
        "rests_on": rests_on_sentence(outlook),
        **named(outlook, rests_on_notice="rests_on"),
        **named(outlook, "season_sure"),
        "forcing_odds": {name: number(p, None) for name, p in outlook.forcing_odds.items()},
        "moved_last_year": {CAUSE_WORDS[kind]: number(size) for kind, size in outlook.causes.items()},
        "months": [_month(month) for month in outlook.months],
        "swing": None if turning is None else number(turning.swing),
        "furthest": None if turning is None else _day(turning.peak),
        "back": None if turning is None else _day(turning.back),
        "tolerance": number(chances.tolerance),
        "tolerance_of": words.tolerance_words(chances.tolerance_of),
        "chance_left_alone": number(chances.left_alone),
        "chance_set_now": number(chances.set_now),
        "realign_by_utc": None if chances.by_us is None or not chances.worth else utc_text(chances.by_us),
        "likely_beyond_utc": None if chances.likely_us is None else utc_text(chances.likely_us),
        "settling": None if outlook.settling is None else _settling(outlook.settling),
    }


def _month(month: ComingMonth) -> dict[str, Any]:
    row: dict[str, Any] = {"month": month.name, "time_utc": utc_text(month.time_us)}
    row |= _banded(_AXIS, month.axis, month.axis_low, month.axis_high)
    row |= _banded(_TILT, month.tilt, month.tilt_low, month.tilt_high)
    return {**row, "chance_beyond": number(month.chance)}


def _banded(names: tuple[str, str], middle: Floats, low: Floats, high: Floats) -> dict[str, Any]:
    row: dict[str, Any] = {}
    for k, name in enumerate(names):
        row |= {name: number(middle[k]), f"{name}_low": number(low[k]), f"{name}_high": number(high[k])}
    return row


def _day(day: ComingDay | None) -> dict[str, Any] | None:
    if day is None:
        return None
    return named(day, "time_us", "first_us", "last_us", "share")


def _settling(found: Settling) -> dict[str, Any]:
    row = {}
    for what in ("left", "year"):
        for k, direction in enumerate(("north", "east")):
            row[f"{what}_{direction}"] = number(getattr(found, what)[k])
            row[f"{what}_{direction}_sd"] = number(getattr(found, f"{what}_sd")[k])
    return row


def _frost(ground: PierGround) -> dict[str, Any]:
    frost, design = ground.frost, ground.design
    trio = zip(frost.as_is, frost.snow_left, frost.snow_cleared, strict=True)
    return {
        "base_m": number(frost.base_m, _DEPTH_DECIMALS),
        "winters": [_winter(*each) for each in trio],
        "design_index_c_d": None if design is None else number(design.index_c_d, 1),
        "assumed": [sentence(one) for one in ground.ground.assumed],
        "notes": [sentence(one) for one in ground.notices],
        "notices": [as_data(one) for one in (*ground.ground.assumed, *ground.notices)],
    }


def _winter(as_is: WinterFrost, left: WinterFrost, cleared: WinterFrost) -> dict[str, Any]:
    return {
        **named(as_is, "winter", "whole"),
        "reaches_base": as_is.reaches,
        "below_base_m": number(as_is.below_base_m, _DEPTH_DECIMALS),
        "first_day_below": _date(as_is.first_day),
        "last_day_below": _date(as_is.last_day),
        "deepest_day": _date(as_is.deepest_day),
        **{
            f"{name}_m": [number(d, _DEPTH_DECIMALS) for d in (w.depth.shallow, w.depth.middle, w.depth.deep)]
            for name, w in (("depth", as_is), ("depth_snow_left", left), ("depth_snow_cleared", cleared))
        },
    }


def _date(day: int | None) -> str | None:
    from drift.ground.weather import date_text

    return None if day is None else date_text(day)


def _hindcast(one: Hindcast) -> dict[str, Any]:
    return {
        "winter": one.winter,
        "from_utc": utc_text(one.cut_us),
        **named(one, "nights", "rms"),
        "rms_annual_shape": number(one.rms_annual),
        "inside_band": number(one.inside),
        "forcing": one.forcing,
    }


# ---- What ``drift status --json`` prints.
#
# The keys are a promise to other people's scripts: they are added to, never
# renamed or dropped.  Angles are in arcseconds, times in UTC with a ``Z``, and a
# number that is not known is None (null), never 0.


#: The components of an event's size.
SIZES = ("tilt_north", "tilt_east", "mount_az", "mount_alt")


#: Tables of numbers alone: nothing in them says where a pier stands, and to look through them takes long.
_WITHOUT_PLACE = ("nights", "history")


def as_mapping(analysis: Analysis, exact_positions: bool = False) -> dict[str, Any]:
    """Return the whole analysis as plain lists, mappings, numbers and text.

    Parameters
    ----------
    analysis
        What was worked out for one pier.
    exact_positions
        Whether the position is given as the site file has it, and not rounded: what is shared must not lead
        a stranger to a telescope.

    Returns
    -------
    dict
        Ready for `json.dumps` with ``allow_nan=False``; the keys come in the
        same order every time.
    """
    document = _whole(analysis)
    document["site"]["position"] = "exact" if exact_positions else "rounded"
    if exact_positions:
        return document
    return {
        name: value if name in _WITHOUT_PLACE else place_rounded(value) for name, value in document.items()
    }


def _whole(analysis: Analysis) -> dict[str, Any]:
    return {
        "format": "drift-status",
        "version": 2,
        "site": _site(analysis),
        "headline": list(headline(analysis).lines),
        "now": _now(analysis),
        "nights": [_night(night) for night in analysis.nights.nights],
        "history": _history(analysis.history),
        "separable": {
            "east_tilt_from_mount_azimuth": _separable(analysis.history.east_tilt_from_mount_azimuth),
            "north_tilt_from_mount_altitude": _separable(analysis.history.north_tilt_from_mount_altitude),
        },
        "components": _components(analysis.history),
        "events": [_event(event) for event in analysis.history.events],
        "corrections": _corrections(analysis),
        "verdict": _verdict(analysis.advice.verdict),
        "actions": [_action(action) for action in analysis.advice.actions],
        "cautions": [sentence(caution) for caution in analysis.advice.cautions],
        "caution_notices": [as_data(caution) for caution in analysis.advice.cautions],
        "defaults_used": all_defaults(analysis),
        "default_notices": [as_data(one) for one in (*analysis.defaults_used, *analysis.filled_in)],
        "axis_now": _axis_now(analysis.history),
        "references": references_mapping(analysis.history.references),
        "sensors": [_sensor(one) for one in analysis.history.sensors],
        "set_aside": _set_aside(analysis),
        "notices": [as_data(notice) for notice in all_notices(analysis)],
        "warnings": all_warnings(analysis),
        **aims(analysis.advice),
        "outlook": outlook_mapping(analysis),
    }


def _now(analysis: Analysis) -> dict[str, Any]:
    """Return the present state, in arcseconds."""
    state = now_state(analysis)
    named_of = ("value", "sd", "limit", "standing", "time_us")
    return {
        **named(state, "standing", "is_old", "last_night_us", "last_reading_us", "now_us"),
        "axis": None if state.axis is None else named(state.axis, *named_of, "limit_of"),
        "tilt": None if state.tilt is None else named(state.tilt, *named_of, "toward_bearing_deg"),
        "year_ago": None
        if state.year_ago is None
        else named(state.year_ago, "time_us", "size", "sd", "toward_bearing_deg"),
    }


def all_notices(analysis: Analysis) -> list[Notice]:
    """Collect the notices of every step, each once, in the order of the work."""
    said = (*analysis.notices, *analysis.nights.notices, *analysis.history.notices)
    return list({as_value(notice): notice for notice in said}.values())


def all_warnings(analysis: Analysis) -> list[str]:
    """Collect the sentences of all notices, each once and with its full stop."""
    found = dict.fromkeys(sentence(notice) for notice in all_notices(analysis))
    return [text if text.endswith((".", "?", "!")) else f"{text}." for text in found]


def all_defaults(analysis: Analysis) -> list[str]:
    """Collect the assumptions of the analysis: defaults of the site file, and what logs lack."""
    return [sentence(notice) for notice in (*analysis.defaults_used, *analysis.filled_in)]


def _site(analysis: Analysis) -> dict[str, Any]:
    site = analysis.site.site
    return {
        "name": site.name,
        "latitude_deg": site.latitude_deg,
        "longitude_deg": site.longitude_deg,
        "elevation_m": site.elevation_m,
    }


def _night(night: NightAxis) -> dict[str, Any]:
    variance = night.covariance.diagonal()
    row: dict[str, Any] = named(night, "time_us", "sources", "solves_used", "solves_set_aside")
    for k, name in enumerate(("az_error", "alt_error", "zero")):
        known = math.isfinite(night.estimate[k])
        row[name] = number(night.estimate[k])
        row[f"{name}_sd"] = number(math.sqrt(variance[k])) if known and variance[k] >= 0 else None
    return row


def _history(history: History) -> list[dict[str, Any]]:
    rows = []
    for time_us, change, sd in zip(history.time_us, history.change, history.sd, strict=True):
        row: dict[str, Any] = {"time_utc": utc_text(time_us)}
        for k, name in enumerate(HISTORY_COLUMNS):
            row[name] = number(change[k])
            row[f"{name}_sd"] = number(sd[k]) if math.isfinite(change[k]) else None
        rows.append(row)
    return rows


def _separable(separable: Separable) -> dict[str, Any]:
    return {
        "answer": separable.answer,
        "because": because_words(separable),
        "would_settle_it": settle_words(separable),
    }


def _components(history: History) -> dict[str, Any]:
    seasonal, lasting = history.seasonal, history.lasting
    return {
        "seasonal": None
        if seasonal is None
        else named(seasonal, "peak_to_trough", "peak_to_trough_sd", "toward_bearing_deg", "peak_day_of_year"),
        "winters": [
            named(winter, "winter", "swing", "swing_sd", "left_behind", "left_behind_sd")
            for winter in history.winters
        ],
        "lasting": None
        if lasting is None
        else named(lasting, "arcsec_per_year", "arcsec_per_year_sd", "toward_bearing_deg"),
    }


def _event(event: Event) -> dict[str, Any]:
    return {
        **named(event, "after_us", "before_us", "what", "provisional", "only_sensor", "recorded"),
        # not rounded: they sum to 1
        "probability": {part: number(event.probability[part], None) for part in PARTS},
        "size": _sizes(event.size),
        "size_sd": _sizes(event.size_sd),
        # what followed over weeks and belongs to it, by the last reading
        "afterwards": None if event.afterwards is None else _sizes(event.afterwards),
        "afterwards_sd": None if event.afterwards_sd is None else _sizes(event.afterwards_sd),
    }


def _sizes(sizes: Mapping[str, float]) -> dict[str, float | None]:
    return {name: number(sizes.get(name)) for name in SIZES}


def _corrections(analysis: Analysis) -> list[dict[str, Any]]:
    odds = odds_held(analysis.site, analysis.history)
    doubted = suspects(analysis.site, analysis.history)
    found = zip(analysis.history.corrections, odds, doubted, strict=True)
    return [_correction(one, held, suspect) for one, held, suspect in found]


def _correction(found: CorrectionFound, held: float | None, suspect: Suspect | None) -> dict[str, Any]:
    return {
        **named(found, "time_us", "kind", "asked", "found", "found_sd", "held"),
        "held_probability": number(held),
        "misrecorded": None if suspect is None else str(suspect.wrong),
        "misrecorded_probability": None if suspect is None else number(suspect.probability),
    }


def _verdict(verdict: Verdict) -> dict[str, Any]:
    return {
        **named(verdict, "moved", "part"),
        "sentence": words.verdict_sentence(verdict),
        **_without_text(verdict.notice),
        "clauses": [as_data(clause) for clause in verdict.clauses],
        "seen_once": [as_data(clause) for clause in verdict.seen_once],
    }


def _without_text(notice: Notice) -> dict[str, Any]:
    """Return a notice without its text: code, severity and values."""
    return {key: value for key, value in as_data(notice).items() if key != "text"}


def _action(action: Action) -> dict[str, Any]:
    return {
        "do": str(action.do),
        "sentence": words.action_sentence(action),
        **_without_text(action.notice),
        **named(action, "amount_arcmin", "turns"),
        "bolts": [named(bolt, "bearing_deg", "thickness_mm", "nut_turns") for bolt in action.bolts],
        "until_utc": None if action.until_us is None else utc_text(action.until_us),
    }


def _axis_now(history: History) -> dict[str, float | None]:
    return {
        "az_error": number(history.axis_now[0]),
        "az_error_sd": number(history.axis_now_sd[0]),
        "alt_error": number(history.axis_now[1]),
        "alt_error_sd": number(history.axis_now_sd[1]),
    }


def _set_aside(analysis: Analysis) -> list[dict[str, Any]]:
    return [
        {
            "kind": aside.kind,
            "row": int(aside.row_id),
            "time_utc": utc_text(aside.time_us),
            "code": str(aside.reason.code),
            "reason": set_aside_reason(aside.reason),
        }
        for aside in analysis.nights.set_aside
    ]
