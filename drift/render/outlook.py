"""The coming twelve months in words: what ``drift outlook`` says, and the short of it in the status."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from drift.advice.ground import GroundStep, fitting_advice
from drift.advice.situation import coming_of
from drift.codes import CauseKind, ForcingKind
from drift.mount.axis_error import size_of
from drift.notices import HistoryCode
from drift.quantities import DAY_US, YEAR_DAYS, Floats, local_date
from drift.render.advice_words import tolerance_words, year_sentence
from drift.render.ground_words import GROUND_ADVICE, design_sentences, ground_sentences
from drift.render.notices import sentence
from drift.render.phrases import (
    angle,
    counted,
    listed,
    percent,
    plain_angle,
    plain_arcmin,
    ranked,
    toward_of,
    zone_of,
)
from drift.render.sections import Section, bulleted
from drift.render.tables.instrument import hindcasts_table, months_table
from drift.types import SMALL_CHANCE, ComingDay, Outlook, Turning

if TYPE_CHECKING:
    from drift.advice.ground import PierGround
    from drift.forecast.outlook import Hindcast
    from drift.notices import Notice
    from drift.types import Analysis


# ---- The coming twelve months in sentences.


#: Names of the forcings in a sentence.
FORCING_WORDS = {
    ForcingKind.CALENDAR: "the calendar, the same every year",
    ForcingKind.FROZEN: "the thickness of frozen soil",
    ForcingKind.UNDER_BASE: "the frozen soil below the pier's base",
    ForcingKind.COLD_LEFT: "the cold that the ground has taken up, by degree-days",
    ForcingKind.TEMPERATURE: "the temperature of the air, which bends pier and mount",
    ForcingKind.MOISTURE: "the moisture of the clay, high at the end of winter and low at the end of summer",
}
_MAY_BE = {
    ForcingKind.CALENDAR: (
        ": the ground's moisture or its warmth can do that, or something that is not the ground"
    ),
    ForcingKind.MOISTURE: ": that is told by its phase alone, and whatever else goes so looks the same",
}
#: An explanation at least ten times as probable as the rest is stated as a fact.
_SURE = 10.0 / 11.0
_CAUSE_WORDS = {
    CauseKind.FROST: "frost",
    CauseKind.SEASON: "the rest of the yearly swing",
    CauseKind.WARMTH_OF_PIER: "the warmth of the night",
    CauseKind.SETTLEMENT: "settlement",
    CauseKind.WANDER_OF_PIER: "what none of these explains",
}
#: A forecast that lacks only some weeks of its year counts as one of a year.
_WHOLE_YEAR_DAYS = 330.0
RUN_OUT = (
    "There is nothing to look ahead from any more: the last reading is more than a year old.  Take a night."
)
NO_SEASON_YET = (
    "No yearly swing can be told from these readings yet, so it can't be said when the axis will be furthest "
    "out: what a part of a year would go on to is mostly what is usual for piers, not what yours has shown."
)
NO_SEASON_BUT_BORROWED = (
    "No yearly swing can be told from this pier's own readings yet: when the axis will be furthest out is "
    "what its neighbours' winters say, and not sure enough to name a day."
)
NO_FORECAST = (
    "There is nothing to look ahead from yet: that takes two nights with a usable axis, and a year of nights "
    "before it says much."
)


def forcing_sentences(outlook: Outlook) -> tuple[str, ...]:
    """Return what the tilt follows, with odds, and what each cause moved in the last year."""
    frost, strays = (outlook.causes.get(kind, 0.0) for kind in (CauseKind.FROST, CauseKind.WANDER_OF_PIER))
    little = _frost_share(outlook.forcing_odds) >= _SURE and frost < strays
    sentences = [_little_frost(frost, strays) if little else _forcing(outlook.forcing_odds)]
    moved = [
        f"{_CAUSE_WORDS[name]} {plain_angle(size)}"
        for name, size in sorted(outlook.causes.items(), key=lambda item: -item[1])
        if size >= 0.5
    ]
    if moved:
        sentences.append(
            f"What moved the tilt in the last year of readings, each from end to end: {listed(moved)}."
        )
    return tuple(sentences)


def _little_frost(frost: float, strays: float) -> str:
    """Return that a tilt goes with the frost, but by less than by what nothing explains."""
    return (
        f"Frost seems to move the tilt, but it moved it by {plain_angle(frost)} only in the last year of "
        f"readings, less than what nothing explains ({plain_angle(strays)}): don't build on it yet."
    )


def _frost_share(odds: dict[ForcingKind, float]) -> float:
    return sum(p for name, p in odds.items() if name.is_frost)


def _forcing(odds: dict[ForcingKind, float]) -> str:
    frost = {name: p for name, p in odds.items() if name.is_frost}
    others = {name: p for name, p in odds.items() if not name.is_frost}
    if not frost:
        return (
            "The tilt is taken to follow the calendar, the same every year: there is no weather log of at "
            "least a month, no frost in it, or there are fewer than four months of readings."
        )
    share = _frost_share(odds)
    if share >= _SURE:
        return _frost(frost, share)
    if share > 1.0 - _SURE:
        return (
            "Whether the tilt follows the frost or something else that comes every year, these readings "
            f"cannot tell: {_odds_words(odds)}."
        )
    most = max(others, key=lambda name: others[name])
    if others[most] >= _SURE:
        return (
            f"The tilt follows {FORCING_WORDS[most]} ({percent(others[most])} sure), rather than the frost "
            f"that the weather makes{_MAY_BE.get(most, '')}."
        )
    return (
        f"The tilt does not follow the frost that the weather makes ({percent(1.0 - share)} sure); what it "
        f"follows through the year, these readings cannot tell: {_odds_words(others)}."
    )


def _frost(frost: dict[ForcingKind, float], share: float) -> str:
    most = max(frost, key=lambda name: frost[name])
    if frost[most] >= _SURE:
        return f"The tilt follows the frost: {FORCING_WORDS[most]} ({percent(frost[most])} sure)."
    return (
        f"The tilt follows the frost and not the calendar ({percent(share)} sure); which measure of "
        f"it, these readings can't tell, as they nearly coincide: {_odds_words(frost)}."
    )


def _odds_words(odds: dict[ForcingKind, float]) -> str:
    return listed([f"{FORCING_WORDS[n]} {percent(p)}" for n, p in ranked(odds)])


def ahead_sentences(outlook: Outlook, zone: ZoneInfo, *, borrowed: bool = False) -> tuple[str, ...]:
    """Say when the axis is furthest and back, and what the forecast rests on, neighbours' winters perhaps."""
    no_season = NO_SEASON_BUT_BORROWED if borrowed else NO_SEASON_YET
    sentences = [_turning(outlook.turning, zone, outlook.from_us) if outlook.season_sure else no_season]
    if outlook.since_us is not None:
        sentences.append(
            f"This is worked out from readings up to {local_date(outlook.since_us, zone)[:7]} and reaches to "
            f"{local_date(_until_us(outlook), zone)}: a new night would make it surer and longer."
        )
    sentences += too_short_sentences(outlook)
    if outlook.rests_on is not None:
        sentences.append(f"The frost to come: {sentence(outlook.rests_on)}.")
    return tuple(sentences)


def rests_on_sentence(outlook: Outlook) -> str:
    """Say what the coming frost rests on, "" where the tilt follows the calendar."""
    if outlook.rests_on is None:
        return ""
    text = sentence(outlook.rests_on)
    return f"{text[0].upper()}{text[1:]}."


def too_short_sentences(outlook: Outlook) -> tuple[str, ...]:
    """Return that the bands of a record shorter than a year are too narrow; nothing for a longer one."""
    if outlook.span_days >= YEAR_DAYS:
        return ()
    return (
        "The nights span less than a year: settlement, season and warmth look alike over so short a "
        "time, and the bands are too narrow (on invented piers the 80 % band held about "
        "70 % of the nights to come).",
    )


def coming_heading(outlook: Outlook | None, zone: ZoneInfo) -> str:
    """Return the heading over the outlook; for an archive, as of its end."""
    as_of_us = None if outlook is None else outlook.as_of_us
    return "The coming year" + ("" if as_of_us is None else f", as of {local_date(as_of_us, zone)[:7]}")


def _until_us(outlook: Outlook) -> int:
    return int(outlook.forecast.time_us[-1])


def _within(outlook: Outlook, zone: ZoneInfo) -> str:
    """Return over what time the chances are: a year, or what is left of the forecast."""
    until_us = _until_us(outlook)
    whole = until_us - outlook.from_us > _WHOLE_YEAR_DAYS * DAY_US
    return "at some time in the year" if whole else f"at some time until {local_date(until_us, zone)}"


def _turning(turning: Turning | None, zone: ZoneInfo, from_us: int) -> str:
    if turning is None:
        return (
            "No day can be named on which the axis is furthest out or back: its yearly swing is too small to "
            "stand out from the uncertainty of the forecast."
        )
    swing = f"Over the year the axis swings by about {plain_angle(turning.swing)} on the sky"
    if turning.peak is not None and turning.peak.time_us < from_us:
        return f"{swing}.  {_past_peak(turning.peak, turning.back, zone, from_us)}"
    if turning.back is not None and turning.back.time_us < from_us:
        turning = replace(turning, back=None)
        if turning.peak is not None:
            return f"{swing}.  It will next be furthest out {_when(turning.peak, zone)}."
        return f"{swing}, and is back."
    if turning.peak is None:
        if turning.back is None:
            return f"{swing}.  It is furthest out now."
        return f"{swing}.  It is furthest out now, and will be back {_when(turning.back, zone)}."
    furthest = f"furthest out {_when(turning.peak, zone)}"
    if turning.back is None:
        return f"{swing}.  It will be {furthest}, and not back within the year."
    if turning.back.time_us < turning.peak.time_us:
        return (
            f"{swing}.  It is on its way back, and will be there {_when(turning.back, zone)}; it will next "
            f"be {furthest}."
        )
    return f"{swing}.  It will be {furthest}, and back {_when(turning.back, zone)}."


def _past_peak(peak: ComingDay, back: ComingDay | None, zone: ZoneInfo, from_us: int) -> str:
    """Return when a swing that was furthest before today was so, and when it is back."""
    was = f"It was to be furthest out {_when(peak, zone)}"
    if back is None:
        return f"{was}."
    if peak.time_us < back.time_us < from_us:
        return f"{was}, and back {_when(back, zone)}."
    return f"{was}, and will be back {_when(back, zone)}." if back.time_us >= from_us else f"{was}."


def _when(one: ComingDay, zone: ZoneInfo) -> str:
    about = f"about {local_date(one.time_us, zone)}"
    if one.first_us == one.last_us:
        return about
    return f"{about} (80 %: {local_date(one.first_us, zone)} to {local_date(one.last_us, zone)})"


def realigning_sentences(outlook: Outlook, zone: ZoneInfo, now_us: int | None) -> tuple[str, ...]:
    """Say how likely the tolerance is passed, and whether and when re-aligning is worth it.

    A day that is over by `now_us` is not advised: old logs are looked at as of their end.
    """
    found = outlook.realigning
    limit = f"{plain_arcmin(found.tolerance / 60.0)} ({tolerance_words(found.tolerance_of)})"
    chance = (
        f"The chance that the axis, left alone, is beyond {limit} {_within(outlook, zone)} is "
        f"{percent(found.left_alone)}"
    )
    likely = ""
    if found.likely_us == outlook.from_us:
        likely = "; it is now"
    elif found.likely_us is not None:
        likely = f"; from about {local_date(found.likely_us, zone)} on it is more likely beyond than not"
    return f"{chance}{likely}.", _worth(outlook, zone, now_us)


def _worth(outlook: Outlook, zone: ZoneInfo, now_us: int | None) -> str:
    found = outlook.realigning
    if found.left_alone < SMALL_CHANCE:
        return "Re-aligning is not worth it in the coming year."
    left, reset = percent(found.left_alone), percent(found.set_now)
    if not found.worth:
        return (
            f"Re-aligning now would change little ({reset} instead of {left}): it is the pier's own movement "
            "to come, or what isn't known of it, that takes the axis there."
        )
    instead = f"set as advised, the chance over the year is {reset} instead of {left}"
    if found.over_now or found.by_us is None:
        return f"Re-aligning is worth it{_first(outlook, 'now')}: {instead}."
    small = percent(SMALL_CHANCE)
    if found.by_us > max(outlook.from_us, now_us or outlook.from_us):
        by = local_date(found.by_us, zone)
        until = f"by {by} at the latest (until then the chance is at most {small})"
        return f"Re-aligning is worth it, {until}: {instead}."
    soon = f"{_first(outlook, 'soon')} (the chance is over {small} already)"
    return f"Re-aligning is worth it{soon}: {instead}."


def _first(outlook: Outlook, when: str) -> str:
    """Return ``now``, or that a few nights come first where the last one is old."""
    if outlook.since_us is None and outlook.as_of_us is None:
        return f" {when}"
    return ", if a few new nights bear this out"


def settlement_sentences(outlook: Outlook) -> tuple[str, ...]:
    """Return how much settlement is left."""
    found = outlook.settling
    if found is None:
        return ()
    left, year = (_tilt(*pair) for pair in ((found.left, found.left_sd), (found.year, found.year_sd)))
    return (
        f"Of the settlement, which slows down with the years, {left} is still to come.  In the coming "
        f"twelve months it and steady drift together should add {year}.  What winters leave behind is not "
        "counted in.",
    )


def _tilt(tilt: Floats, sd: Floats) -> str:
    size, spread = size_of(*tilt.tolist(), *sd.tolist())
    if size < 2.0 * spread:
        return f"{angle(size, spread)} (perhaps none)"
    return f"{angle(size, spread)} {toward_of(*tilt.tolist())}"


# ---- Whether the forecast may be trusted, by past ones.


#: A band that holds 80 % of the nights is right.  Nights of one winter err together, so that a good
#: forecast may hold fewer or more: our own rule.
_HELD_LEAST, _HELD_MOST = 0.65, 0.95
#: Share by which a forecast must be nearer, or further off, than another to be called so: our own rule.
_NEARER = 0.1
ANNUAL_SHAPE = (
    "The plain annual shape is the mean yearly swing with the lasting tilt carried on: it asks no weather."
)


def score_sentence(hindcasts: Sequence[Hindcast]) -> str:
    """Return whether the forecast may be trusted, by its band and against the plain annual shape."""
    nights = sum(one.nights for one in hindcasts)
    held = sum(one.nights * one.inside for one in hindcasts) / nights
    own, plain = (
        _pooled([(one.nights, getattr(one, of)) for one in hindcasts]) for of in ("rms", "rms_annual")
    )
    years = counted(len(hindcasts), "year")
    over = f"over {years} its band held {100.0 * held:.0f} % of what came (80 % is right)"
    against = f"it was off by {plain_angle(own)}, {_against(own, plain)}"
    little = "  One year says little: ask again after the next." if len(hindcasts) == 1 else ""
    return f"{_verdict(held, own, plain)}: {over}, and {against}.{little}"


def _pooled(pairs: Sequence[tuple[int, float]]) -> float:
    return math.sqrt(sum(n * rms**2 for n, rms in pairs) / sum(n for n, _ in pairs))


def _verdict(held: float, own: float, plain: float) -> str:
    further = own > (1.0 + _NEARER) * plain
    if held < _HELD_LEAST:
        no_more = ", and the plain annual shape rather than its middle" if further else ""
        return f"Don't trust the forecast's band, which was too narrow{no_more}"
    if further:
        return "Trust the forecast's band, but rather the plain annual shape than its middle"
    if held > _HELD_MOST:
        return "The forecast may be trusted, and is surer than its band says"
    return "The forecast may be trusted"


def _against(own: float, plain: float) -> str:
    if own < (1.0 - _NEARER) * plain:
        return f"nearer than the plain annual shape, which was off by {plain_angle(plain)}"
    if own > (1.0 + _NEARER) * plain:
        return f"further than the plain annual shape, which was off by {plain_angle(plain)}"
    return f"as near as the plain annual shape ({plain_angle(plain)})"


# ---- ``drift outlook``, and its short form in the status.


def brief_sentences(analysis: Analysis) -> tuple[str, ...]:
    """Return the short form: when the axis peaks and is back, how sure that is, and whether to re-align."""
    outlook = coming_of(analysis)
    if outlook is None:
        return () if analysis.history.forecast is None else (RUN_OUT,)
    over = analysis.now_us is not None and int(outlook.forecast.time_us[-1]) <= analysis.now_us
    if outlook.as_of_us is not None and over:
        return (RUN_OUT,)
    zone = zone_of(analysis.site.site.timezone)
    return (
        *ahead_sentences(outlook, zone, borrowed=bool(analysis.history.borrowed_from))[:1],
        *too_short_sentences(outlook),
        *realigning_sentences(outlook, zone, analysis.now_us),
    )


def heading(analysis: Analysis) -> str:
    """Return the heading over `brief_sentences`."""
    return coming_heading(coming_of(analysis), zone_of(analysis.site.site.timezone))


def outlook_sections(
    analysis: Analysis,
    outlook: Outlook | None,
    ground: PierGround | None,
    hindcasts: Sequence[Hindcast] | None = None,
) -> list[Section]:
    """Return all sections on the coming twelve months, in order.

    Parameters
    ----------
    analysis, outlook, ground
        The analysis, its outlook and the ground; the latter two None without a forecast or weather.
    hindcasts
        Past forecasts scored; None when not asked for.
    """
    sections = [Section("What the frost did", bulleted(ground_sentences(ground)))]
    if outlook is None:
        none = NO_FORECAST if analysis.history.forecast is None else RUN_OUT
        sections.append(Section("The coming year", (("", none),)))
    else:
        sections += _of_outlook(analysis, outlook)
    if hindcasts is not None:
        sections.append(_scored(hindcasts))
    return sections


def _of_outlook(analysis: Analysis, outlook: Outlook) -> list[Section]:
    zone = zone_of(analysis.site.site.timezone)
    table = months_table(outlook, analysis.site.site.latitude_deg)
    aim = () if analysis.advice.year is None else (year_sentence(analysis.advice.year),)
    settling = settlement_sentences(outlook)
    borrowed = [sentence(notice) for notice in borrowed_of(analysis)]
    return [
        Section("What the tilt follows", bulleted((*forcing_sentences(outlook), *borrowed))),
        Section(
            coming_heading(outlook, zone),
            bulleted(ahead_sentences(outlook, zone, borrowed=bool(borrowed))),
            table,
            table.note,
        ),
        Section(
            "Is re-aligning worth it?",
            bulleted((*realigning_sentences(outlook, zone, analysis.now_us), *aim)),
        ),
        *([Section("Settlement", bulleted(settling))] if settling else []),
    ]


def borrowed_of(analysis: Analysis) -> tuple[Notice, ...]:
    """Return what says from whom an analysis has borrowed; nothing for one that has not."""
    return tuple(one for one in analysis.history.notices if one.code is HistoryCode.BORROWED)


def _scored(hindcasts: Sequence[Hindcast]) -> Section:
    if not hindcasts:
        none = (
            "No winter can be scored yet: it takes twenty nights with a usable axis before it begins and "
            "five in the year after."
        )
        return Section("Past forecasts, scored", (("", none),))
    table = hindcasts_table(hindcasts)
    note = (
        "Each year was hidden from the end of summer on, its weather too, and forecast from what was known "
        "before. Off by: root mean square on the sky, with the nights' own scatter in it. What corrections "
        "and sudden changes did since is taken out; nights more than three times as uncertain as the middle "
        f"one are left out. {ANNUAL_SHAPE}"
    )
    return Section(table.title, (("", score_sentence(hindcasts)),), table, note)


def pier_sections(ground: PierGround | None) -> list[Section]:
    """Return what can be done about the pier itself, with its sources."""
    fitting, others = fitting_advice(ground)
    sections = [Section("What the frost did", bulleted(ground_sentences(ground)))]
    design = design_sentences(ground)
    if design:
        sections.append(Section("What to build for", bulleted(design)))
    if fitting:
        sections.append(Section("For this pier", _advice(fitting)))
    sections.append(Section("Also" if fitting else "For a pier outdoors", _advice(others)))
    return sections


def _advice(steps: Sequence[GroundStep]) -> tuple[tuple[str, str], ...]:
    advice = [GROUND_ADVICE[step] for step in steps]
    return bulleted([f"{one.topic}: {one.sentence}  [{one.source}]" for one in advice])
