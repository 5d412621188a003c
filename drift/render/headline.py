"""The headline: how things stand now, in two lines that status, report, page and mail share.

A third follows where the answer rests on more than the pier's own readings, or its record may be another's.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from drift.codes import AxisBound, Do, Standing
from drift.notices import AdviceCode, Code, HistoryCode, NightCode, Notice, RecordCode
from drift.quantities import local_date
from drift.render.notices import Values
from drift.render.phrases import (
    angle,
    arcmin,
    arcmin_to_sd,
    baseline_words,
    counted,
    evening_of,
    harmless,
    listed,
    local_day,
    plain_angle,
    plain_arcmin,
    zone_of,
)
from drift.render.tables.axis import year_ago_words
from drift.watch.limits import Against, NowState, YearAgo, now_state

if TYPE_CHECKING:
    from drift.types import Action, Analysis


@dataclass(frozen=True, kw_only=True)
class Tile:
    """One of three: a label, the value in large, what it is held against, and how it stands."""

    label: str
    value: str
    note: str
    standing: Standing


@dataclass(frozen=True, kw_only=True)
class Headline:
    """Two lines: axis and tilt, then how old that is and what to do, and what it rests on; a page's tiles."""

    lines: tuple[str, ...]
    standing: Standing
    tiles: tuple[Tile, ...]


def headline(analysis: Analysis, now_us: int | None = None) -> Headline:
    """Say how things stand, how old that is and what to do.

    Parameters
    ----------
    analysis
        The analysis.
    now_us
        The present time [UTC us]; None for the one that the analysis was wanted for.
    """
    state = now_state(analysis, now_us)
    if state.last_reading_us is None:
        first = "Nothing can be told yet: the record has no night and no level reading."
    else:
        first = _first(state)
    lines = (first, _second(state, analysis), *rests_on_words(analysis))
    return Headline(lines=lines, standing=state.standing, tiles=_tiles(state, analysis))


#: Columns of a small terminal: uncertainties that would go beyond are left to the tiles and the table, and
#: steps are counted.
_COLUMNS = 80


# ---- First line: axis and tilt.


#: How a limit stands, in the brackets behind the value.
_AGAINST = {
    Standing.WITHIN: "limit {limit}",
    Standing.CLOSE: "at limit {limit}",
    Standing.BEYOND: "over {limit}",
    Standing.UNKNOWN: "limit {limit}",
}


#: How the first line may be written, the fullest way first: what the tilt is called, and whether axis and
#: tilt stand with their uncertainty.  The first that fits is taken.
_WAYS = (
    ("pier tilt", True, True),
    ("tilt", True, True),
    ("pier tilt", True, False),
    ("tilt", True, False),
    ("pier tilt", False, False),
)
#: A change that would be seen only from this share of the limit on says nothing in a headline.
_VAGUE = 0.5


def _first(state: NowState) -> str:
    lines = [
        f"{_axis(state.axis, axis_sd)}; {_tilt(state.tilt, state.year_ago, tilt, tilt_sd)}."
        for tilt, axis_sd, tilt_sd in _WAYS
    ]
    return next((line for line in lines if len(line) <= _COLUMNS), lines[-1])


def _axis(axis: Against | None, with_sd: bool) -> str:
    if axis is None:
        return "Axis not known"
    value = (arcmin if with_sd else arcmin_to_sd)(axis.value, axis.sd)
    return f"Axis {value} off ({_limit(axis, plain_arcmin(axis.limit / 60.0))})"


def _limit(against: Against, limit: str) -> str:
    return _AGAINST[against.standing].format(limit=limit)


def _tilt(tilt: Against | None, year_ago: YearAgo | None, name: str, with_sd: bool) -> str:
    if tilt is None:
        return "pier tilt can't be told yet"
    size = angle(tilt.value, tilt.sd) if with_sd else plain_angle(tilt.value)
    value = f"{name} {size} ({_limit(tilt, plain_angle(tilt.limit))})"
    if year_ago is None or year_ago.seen_to > _VAGUE * tilt.limit:
        return value
    if not year_ago.is_clear:
        return f"{value}, as last year"
    return f"{value}, moved {plain_angle(year_ago.size)} in a year"


# ---- Second line: how old, and what to do.


def _second(state: NowState, analysis: Analysis) -> str:
    before = "" if state.last_night_us is None else f"{_as_of(state, analysis.site.site.longitude_deg)}: "
    said = _what_to_do(state, analysis)
    line = f"{before}{said[0]}, then {listed(said[1:])}." if said[1:] else f"{before}{said[0]}."
    if len(line) > _COLUMNS and len(said) > 2:
        line = f"{before}{said[0]}, then {len(said) - 1} more steps."
    return f"{line[0].upper()}{line[1:]}"


def _as_of(state: NowState, longitude_deg: float) -> str:
    assert state.last_night_us is not None
    evening = evening_of(state.last_night_us, longitude_deg)
    if state.now_us is None:
        return f"As of {evening}"
    today = local_day(state.now_us, longitude_deg)
    days = (today - evening).days
    if days <= 1:
        return "As of tonight" if days <= 0 else "As of last night"
    return f"As of {evening}, {days:,} days ago"


_MEASURE: dict[Code, str] = {
    AdviceCode.FIRST_NIGHT: "take a night of solves",
    AdviceCode.OLD_NIGHT: "take a night before turning anything",
    AdviceCode.NIGHT_FIRST: "take a night before turning anything",
    AdviceCode.WAIT_IS_OVER: "take a night; the season's time is over",
    AdviceCode.STEP_SEEN_ONCE: "take another night, then judge",
    AdviceCode.AXIS_UNCERTAIN: "take a night with solves spread wider",
    AdviceCode.SAY_WHAT_IS_REPORTED: "say in the site file what the mount reports",
    AdviceCode.WOULD_SETTLE: "measure what tells pier from mount",
    AdviceCode.NOT_SEEN_YET: "take a night to see what the correction did",
    AdviceCode.MEASURE_WHAT_LASTS: "take more nights",
    AdviceCode.SEASON_OVERDUE: "take a night, the season is overdue",
}
_ONE = {
    Do.TURN_AZIMUTH: "turn the azimuth knob",
    Do.TURN_ALTITUDE: "turn the altitude knob",
    Do.SHIM: "shim the plate",
    Do.NUTS: "turn the plate's nuts",
    Do.CALL_FOR_HELP: "have the pier looked at",
}


def _what_to_do(state: NowState, analysis: Analysis) -> list[str]:
    """Return the actions in a few words each; the list below the headline has them whole."""
    first = next((one for one in state.actions if one.notice.code == AdviceCode.NIGHT_FIRST), None)
    if first is not None:  # what follows it may be another by then
        return [_words(first, state, analysis)]
    by_kind = {action.do: action for action in reversed(state.actions)}  # the first of a kind stands for it
    order = list(dict.fromkeys(action.do for action in state.actions))
    said = []
    for do in order:
        if do == Do.TURN_ALTITUDE and Do.TURN_AZIMUTH in order:
            continue
        both = do == Do.TURN_AZIMUTH and Do.TURN_ALTITUDE in order
        if do == Do.TIGHTEN:
            said.append(_tighten(by_kind[do].notice))
        else:
            said.append("turn both knobs" if both else _words(by_kind[do], state, analysis))
    return said or ["nothing to do"]


def _tighten(notice: Notice) -> str:
    if notice.code == AdviceCode.LOOKS_REALIGNED:
        return "say whether the mount was re-aligned"
    values: Values = notice.values
    knobs = list(dict.fromkeys((*values["slipped"], *values["not_held"])))
    return "tighten both knobs" if len(knobs) > 1 else f"tighten the {knobs[0]} knob"


def _words(action: Action, state: NowState, analysis: Analysis) -> str:
    if action.do == Do.NOTHING:
        return _nothing(action, state, analysis)
    if action.do == Do.WAIT:
        return "wait for the season" + _until(action.until_us, state, analysis)
    if action.do == Do.MEASURE:
        return _MEASURE.get(action.notice.code, "take a night")
    return _ONE[action.do]


def _nothing(action: Action, state: NowState, analysis: Analysis) -> str:
    over = action.until_us is not None and state.now_us is not None and action.until_us <= state.now_us
    soon = over or action.notice.values["realign_soon"]
    if state.is_old:
        return f"{'re-aligning was due soon' if soon else 'nothing needed then'}; take a night"
    if soon:
        return "nothing to do at once, but re-align soon"
    if action.until_us is None:
        return "nothing to do"
    return f"nothing to do now; re-align by {_day(action.until_us, analysis)}"


def _until(time_us: int | None, state: NowState, analysis: Analysis) -> str:
    if time_us is None or (state.now_us is not None and time_us <= state.now_us):
        return ""
    return f", until about {_day(time_us, analysis)}"


def _day(time_us: int, analysis: Analysis) -> str:
    return local_date(time_us, zone_of(analysis.site.site.timezone))


# ---- What the answer rests on besides the pier's own readings.


def rests_on(analysis: Analysis) -> tuple[Notice, ...]:
    """Return what nobody may overlook who reads an answer."""
    said = (*analysis.notices, *analysis.history.notices)
    return tuple({one.code: one for one in said if one.code in _RESTS_ON}.values())


def rests_on_words(analysis: Analysis) -> tuple[str, ...]:
    """Return the same, a short line each; the remarks say it in full."""
    return tuple(_RESTS_ON[one.code](one.values) for one in rests_on(analysis))


def _borrowed(of: Values) -> str:
    since = "" if of["since_us"] is None else f", as told on {local_day(of['since_us'], 0.0)}"
    return f"Rests on the winters of {counted(len(of['piers']), 'neighbour')} as well{since}."


_RESTS_ON: dict[Code, Callable[[Values], str]] = {
    HistoryCode.BORROWED: _borrowed,
    HistoryCode.LEVEL_WRITTEN_OTHERWISE: lambda of: (
        f"{of['readings']:,} level readings are left out, as they don't go with the axis: see `drift status "
        "remarks`."
    ),
    NightCode.IN_DAYLIGHT: lambda of: (
        f"{of['nights']} of {of['of_nights']} nights lie in daylight by their times: see `drift status "
        "remarks`."
    ),
    RecordCode.LOGS_DOUBTED: lambda of: (
        f"{of['rows']:,} of {of['of_rows']:,} solves were set aside: see `drift status remarks`."
    ),
    RecordCode.OTHER_SITE_NAME: lambda of: (
        f"The record is that of {harmless(of['record_name'])!r}: see `drift status remarks`."
    ),
}


# ---- The tiles of a page.


def _tiles(state: NowState, analysis: Analysis) -> tuple[Tile, ...]:
    longitude = analysis.site.site.longitude_deg
    tilt = _tilt_tile(state.tilt, state.year_ago, longitude)
    return (_axis_tile(state.axis), tilt, _age_tile(state, longitude))


def _axis_tile(axis: Against | None) -> Tile:
    label = "Axis from the pole"
    if axis is None:
        return Tile(label=label, value="not known", note="no night shows it yet", standing=Standing.UNKNOWN)
    note = _limit(axis, plain_arcmin(axis.limit / 60.0))
    if axis.limit_of not in (None, AxisBound.WARNING_LIMIT):
        note += ", set by your optics"
    return Tile(label=label, value=arcmin(axis.value, axis.sd), note=note, standing=axis.standing)


def _tilt_tile(tilt: Against | None, year_ago: YearAgo | None, longitude_deg: float) -> Tile:
    label = "Tilt of the pier"
    if tilt is None:
        note = "a level reading, or a kept hour-angle zero, would tell it"
        return Tile(label=label, value="can't be told yet", note=note, standing=Standing.UNKNOWN)
    since = baseline_words({} if tilt.baseline is None else tilt.baseline.values(longitude_deg))
    note = f"since {since}; {_limit(tilt, plain_angle(tilt.limit))}"
    if year_ago is not None:
        note += f"; {year_ago_words(year_ago)}"
    return Tile(label=label, value=angle(tilt.value, tilt.sd), note=note, standing=tilt.standing)


def _age_tile(state: NowState, longitude_deg: float) -> Tile:
    label = "Last night measured"
    if state.last_night_us is None:
        return Tile(label=label, value="none yet", note="", standing=Standing.UNKNOWN)
    evening = evening_of(state.last_night_us, longitude_deg)
    if state.now_us is None:
        return Tile(label=label, value=evening.isoformat(), note="", standing=Standing.WITHIN)
    today = local_day(state.now_us, longitude_deg)
    days, standing = (today - evening).days, Standing.CLOSE if state.is_old else Standing.WITHIN
    ago = "tonight" if days <= 0 else "yesterday evening" if days == 1 else f"{days:,} days ago"
    return Tile(label=label, value=evening.isoformat(), note=ago, standing=standing)
