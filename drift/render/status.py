"""The analysis in words, as ``drift status`` prints it.

The first screen has the headline, what to do, what waits and the present state, in `LINES` lines; the rest
is shown by name or all at once.  A terminal with colours shows values beyond a limit in red; a file or a
pipe gets plain text without control codes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from drift.advice.misrecorded import Suspect, suspects
from drift.codes import Do, Standing
from drift.render import phrases
from drift.render.advice_words import (
    action_brief,
    action_sentence,
    action_then,
    cautions_brief,
    clause_sentences,
    matter_sentence,
    matters_lead,
    poles_sentence,
    year_sentence,
)
from drift.render.headline import headline
from drift.render.history_words import because_words, settle_words
from drift.render.notices import sentence
from drift.render.outlook import RUN_OUT, brief_sentences, heading
from drift.render.phrases import clock_text, evening_of, zone_of
from drift.render.sections import WIDEST, Lead, Section, Tone, bulleted, fitted, print_sections, sections_text
from drift.render.status_json import all_defaults, all_warnings
from drift.render.strip import strip_text
from drift.render.tables import axis, causes, instrument
from drift.render.watch_words import item_sentence
from drift.watch.changes import news_afresh
from drift.watch.limits import now_state

if TYPE_CHECKING:
    from rich.console import Console

    from drift.types import Action, Analysis, CorrectionFound, Event, Separable


_WAITING, _ONE_WAITS = (f"`drift acknowledge` marks {those} as seen." for those in ("them", "it"))
#: Lines of the first screen: a terminal of 24 with room for the prompt.
LINES = 23
#: Nights shown; `drift report` has all.
LAST_NIGHTS = 8
#: The latest events and corrections shown; `drift report` has all.
LAST_CHANGES = 12
#: The sections that can be shown by name, and what each is.
SECTIONS = {
    "todo": "what to do",
    "care": "what to take care of",
    "waiting": "warnings that wait",
    "strip": "has it moved? drawn in characters",
    "where": "where axis, pier and mount stand",
    "matters": "whether it matters",
    "aim": "where to aim",
    "year": "the coming year",
    "moved": "what moved, and when",
    "corrections": "what became of each correction",
    "winters": "winter by winter",
    "apart": "what can be told apart",
    "nights": "the last nights",
    "remarks": "remarks on the readings",
    "defaults": "what was assumed",
    "aside": "readings that were not used",
}
_TONES = {
    Standing.WITHIN: Tone.GOOD,
    Standing.CLOSE: Tone.CARE,
    Standing.BEYOND: Tone.ALARM,
    Standing.UNKNOWN: Tone.PLAIN,
}


def as_text(
    analysis: Analysis, width: int = 80, waiting: Sequence[str] = (), names: Sequence[str] | None = ()
) -> str:
    """Return the words as plain text of at most `width` columns; `waiting` and `names` as for `screen`."""
    lead, shown = screen(analysis, waiting, names, width)
    return sections_text(lead, shown, width)


def print_words(
    analysis: Analysis, console: Console, waiting: Sequence[str] = (), names: Sequence[str] | None = ()
) -> None:
    """Print the words on a console, in its width but no wider than `WIDEST`; the rest as for `screen`."""
    lead, shown = screen(analysis, waiting, names, min(console.width, WIDEST))
    print_sections(lead, shown, console)


def screen(
    analysis: Analysis, waiting: Sequence[str], names: Sequence[str] | None, width: int
) -> tuple[Lead, Sequence[Section]]:
    """Return the lead and the sections below it.

    Parameters
    ----------
    analysis
        The analysis.
    waiting
        Unacknowledged warnings of ``drift check``, as sentences.
    names
        Of `SECTIONS`, those to show; none for the first screen, None for all.
    width
        Columns of the first screen.
    """
    if names == ():
        lead = lead_of(analysis, brief=True)
        shorter = partial(_shorter, warnings=len(waiting))
        return lead, fitted(lead, _brief(analysis, waiting), shorter, width, LINES)
    shown = [one for one in sections(analysis, waiting, width) if names is None or one.name in names]
    return lead_of(analysis), shown


def lead_of(analysis: Analysis, *, brief: bool = False) -> Lead:
    """Return title, span and headline."""
    said = headline(analysis)
    note = span(analysis, brief=brief)
    if brief:
        return Lead(title=f"{title(analysis)}, {note}", lines=said.lines, tone=_TONES[said.standing])
    return Lead(title=title(analysis), note=note, lines=said.lines, tone=_TONES[said.standing])


def step_sentences(analysis: Analysis) -> list[str]:
    """Return what to do, a sentence a step; "nothing" by a night long ago is told as what held then."""
    say = action_then if _held_then(analysis) else action_sentence
    return [phrases.harmless(say(action)) for action in analysis.advice.actions]


def _held_then(analysis: Analysis) -> bool:
    """Whether nothing is to be done, by a night long ago."""
    return now_state(analysis).is_old and all(one.do == Do.NOTHING for one in analysis.advice.actions)


# ---- The first screen.


_ALL = "More: `drift status --full`.  ± is one standard deviation."


def _brief(analysis: Analysis, waiting: Sequence[str]) -> list[Section]:
    """Return the first screen's sections before they are fitted to its lines."""
    advice, old = analysis.advice, _held_then(analysis)
    said = not old and all(one.do == Do.NOTHING for one in advice.actions)  # the headline has it
    done = [("-", phrases.harmless(sentence(one.notice))) for one in advice.done]
    shown = () if said else advice.actions
    steps = _numbered([phrases.harmless(action_brief(action, of_then=old)) for action in shown])
    care = [("!", f"Take care: {cautions_brief(advice.cautions)}.")] if advice.cautions else []
    return [
        *_if_any(Section("What to do", (*done, *steps, *care), name="todo")),
        *_if_any(_waiting_section(waiting)),
        Section(
            "Where things stand", table=axis.brief_table(analysis, bool(waiting)), note=_ALL, name="where"
        ),
    ]


def waiting_of(
    analysis: Analysis, acknowledged: tuple[int, str, str] | None, arrived_us: int | None
) -> list[str]:
    """Return what ``drift check`` would report: what is new since it was last acknowledged.

    Parameters
    ----------
    analysis
        The analysis, with the time for which it was wanted.
    acknowledged
        When it was last acknowledged, the note, and what; None when never.
    arrived_us
        When readings last came into the record.
    """
    before = None if acknowledged is None else acknowledged[2]
    found, _ = news_afresh(analysis, before, analysis.now_us, arrived_us)
    return [item_sentence(item) for item in (*found.new, *found.provisional, *found.notices)]


def waiting_heading(waiting: Sequence[str]) -> str:
    """Return the heading over what waits."""
    return f"{phrases.counted(len(waiting), 'warning')} waiting"


def _waiting_section(waiting: Sequence[str]) -> Section:
    heading = waiting_heading(waiting)
    note = _ONE_WAITS if len(waiting) == 1 else _WAITING
    return Section(heading, bulleted(waiting), note=note, name="waiting", tone=Tone.CARE)


#: Warnings on the first screen, and rows of the present state (axis and pier), that give way last.
_LEAST_WAITING, _LEAST_ROWS = 1, 2


def _shorter(shown: Sequence[Section], warnings: int) -> Sequence[Section] | None:
    """Remove what is missed least: the last rows of the present state, the older warnings, then the rest."""
    by = {section.name: section for section in shown}
    where, waiting = by["where"], by.get("waiting")
    if where.table is not None and len(where.table.rows) > _LEAST_ROWS:
        less = replace(where, table=replace(where.table, rows=where.table.rows[:-1]))
    elif waiting is not None and len(waiting.items) > _LEAST_WAITING:
        items = waiting.items[:-1]
        more = f"{warnings - len(items)} more: `drift check`.  {_WAITING}"
        less = replace(waiting, items=items, note=more)
    elif where.heading:
        less = replace(where, heading="")
    elif where.table is not None:
        rows = where.table.rows[:-1]
        less = replace(where, table=replace(where.table, rows=rows) if rows else None)
    else:
        return None
    return [less if section.name == less.name else section for section in shown]


# ---- The whole screen.


def sections(analysis: Analysis, waiting: Sequence[str] = (), width: int = 80) -> Iterator[Section]:
    """Yield all sections in order; an empty one is left out.

    Parameters
    ----------
    analysis
        The analysis.
    waiting
        Unacknowledged warnings of ``drift check``, as sentences.
    width
        Columns for drawings.
    """
    advice = analysis.advice
    done = [("-", phrases.harmless(sentence(one.notice))) for one in advice.done]
    yield Section("What to do", (*done, *_numbered(step_sentences(analysis))), name="todo")
    yield from _if_any(
        Section("Take care", bulleted([sentence(one) for one in advice.cautions]), name="care")
    )
    yield from _if_any(_waiting_section(waiting))
    yield from _if_any(Section("Has it moved?", drawn=strip_text(analysis, width), name="strip"))
    yield Section("Where things stand", table=axis.now_table(analysis), note=as_of(analysis), name="where")
    yield from _if_any(Section("Does it matter?", _matters(analysis), name="matters"))
    yield from _if_any(Section("Where to aim", bulleted(aim_sentences(analysis)), name="aim"))
    yield from _if_any(_coming_year(analysis))
    yield _moved(analysis)
    yield from _if_any(_corrections(analysis))
    winters = Section("Winter by winter", table=causes.winters_table(analysis), name="winters")
    yield from _if_any(winters)
    yield _apart(analysis)
    yield from _if_any(_nights(analysis))
    yield from _if_any(Section("Remarks on the readings", bulleted(all_warnings(analysis)), name="remarks"))
    yield from _if_any(Section("What was assumed", bulleted(all_defaults(analysis)), name="defaults"))
    yield from _if_any(_set_aside(analysis))


def action_words(action: Action) -> str:
    """Return the sentence of an action; where there are bolts, it names each of them."""
    return phrases.harmless(action_sentence(action))


def aim_sentences(analysis: Analysis) -> list[str]:
    """Return the sentences on the two poles, and on where to leave the axis for the coming year."""
    advice = analysis.advice
    sentences = [poles_sentence(advice.poles)] if advice.poles else []
    sentences += [year_sentence(advice.year)] if advice.year else []
    return [phrases.harmless(each) for each in sentences]


def title(analysis: Analysis) -> str:
    """Return the title: the name of the site, when it has one."""
    name = phrases.harmless(analysis.site.site.name or "")
    return f"{name}: axis and pier" if name else "Axis and pier"


def span(analysis: Analysis, *, brief: bool = False) -> str:
    """Return how many nights there are, from when to when, and, unless `brief`, whose clock it is."""
    zone = zone_of(analysis.site.site.timezone)
    nights = analysis.nights.nights
    if not nights:
        return "no nights yet" if brief else f"No nights yet. {_clock(zone.key)}"
    longitude = analysis.site.site.longitude_deg
    first, last = (evening_of(night.time_us, longitude) for night in (nights[0], nights[-1]))
    when = f"the night of {first}" if first == last else f"{first} to {last}"
    text = f"{phrases.counted(len(nights), 'night')}, {when}"
    return text if brief else f"{text}. {_clock(zone.key)} ± is one standard deviation."


def _clock(zone: str) -> str:
    return "Times are UTC." if zone == "UTC" else f"Times are those of {zone}, UTC in brackets."


def as_of(analysis: Analysis) -> str:
    """Return the date of the present axis; without any, that of the first reading."""
    zone = zone_of(analysis.site.site.timezone)
    usable = [night.time_us for night in analysis.nights.nights if night.has_axis]
    if usable:
        return f"The axis is that of the latest night, {clock_text(usable[-1], zone)}."
    if axis.latest_row(analysis.history) is None:
        return ""
    return f"The start is the first reading, {clock_text(analysis.history.time_us[0], zone)}."


def _matters(analysis: Analysis) -> tuple[tuple[str, str], ...]:
    matters = analysis.advice.matters
    lead = [("", matters_lead(matters))] if matters else []
    return (*lead, *bulleted([matter_sentence(matter) for matter in matters]))


def _coming_year(analysis: Analysis) -> Section:
    sentences = brief_sentences(analysis)
    return Section(
        heading(analysis),
        bulleted(sentences),
        note="`drift outlook` has it month by month." if sentences not in ((), (RUN_OUT,)) else "",
        name="year",
    )


def _moved(analysis: Analysis) -> Section:
    """Return what moved: the verdict's head and slow movements, then each step with its odds."""
    verdict = analysis.advice.verdict
    head = phrases.harmless(sentence(verdict.notice))
    slow = clause_sentences(verdict, slow_only=True)
    events = list(enumerate(analysis.history.events))
    write = causes.sizes_writer(analysis.history.events)
    steps = [(f"{causes.event_number(k)}.", _event_sentence(event, analysis, write)) for k, event in events]
    items, table, note = _latest(steps)
    return Section(
        "What moved, and when", (("", f"{head.rstrip('.')}."), *bulleted(slow), *items), table, note, "moved"
    )


def _event_sentence(event: Event, analysis: Analysis, write: phrases.Writer) -> str:
    zone = zone_of(analysis.site.site.timezone)
    between = f"Between {clock_text(event.after_us, zone)} and {clock_text(event.before_us, zone)}"
    size = causes.size_words(event, analysis.site.site.latitude_deg, write)
    return (
        f"{between}: {causes.event_words(event)}. By how much: {size}. "
        f"Odds: {phrases.odds(event.probability)}."
    )


def _corrections(analysis: Analysis) -> Section:
    doubted = suspects(analysis.site, analysis.history)
    found = zip(analysis.history.corrections, doubted, strict=True)
    items = [
        (f"{causes.correction_mark(k)}.", _correction_sentence(one, suspect, analysis))
        for k, (one, suspect) in enumerate(found)
    ]
    return Section("Corrections", *_latest(items), name="corrections")


def _correction_sentence(found: CorrectionFound, suspect: Suspect | None, analysis: Analysis) -> str:
    latitude = analysis.site.site.latitude_deg
    what = phrases.CORRECTION_WORDS.get(found.kind, phrases.harmless(found.kind))
    parts = [f"{clock_text(found.time_us, zone_of(analysis.site.site.timezone))}, {what}"]
    asked, seen = causes.asked_words(found, latitude), causes.found_words(found, latitude)
    if (asked, seen) != ("–", "–"):
        parts.append(f"asked {asked}, found {seen}")
        parts.append(f"did it work? {causes.held_words(found)}")
    if suspect is not None:
        parts.append(phrases.misrecorded_words(suspect.wrong, suspect.probability))
    note = phrases.harmless(found.note)
    return f"{'; '.join(parts)}.{f' Note: {note}' if note else ''}"


def _latest(items: list[tuple[str, str]]) -> tuple[tuple[tuple[str, str], ...], None, str]:
    """Return items, table and note of a section that shows the latest changes only."""
    left_out = len(items) - LAST_CHANGES
    note = f"{left_out} earlier ones are in `drift report` and `drift status --json`." if left_out > 0 else ""
    return tuple(items[-LAST_CHANGES:]), None, note


def _apart(analysis: Analysis) -> Section:
    history = analysis.history
    pairs = (
        ("East tilt from the mount's azimuth", history.east_tilt_from_mount_azimuth),
        ("North tilt from the mount's altitude", history.north_tilt_from_mount_altitude),
    )
    settle = list(dict.fromkeys(words for _, pair in pairs if (words := settle_words(pair))))
    both = len(settle) == 1 and all(settle_words(pair) for _, pair in pairs)
    items = [("-", _apart_sentence(*pair, with_settle=not both)) for pair in pairs]
    if both:
        items.append(("-", f"What would settle both: {settle[0]}."))
    note = causes.named_all_the_same(history)
    return Section("What can be told apart", tuple(items), note=note, name="apart")


def _apart_sentence(what: str, separable: Separable, *, with_settle: bool) -> str:
    settle = settle_words(separable) if with_settle else ""
    rest = f" What would settle it: {settle}." if settle else ""
    return f"{what}: {separable.answer}; {because_words(separable)}.{rest}"


def _nights(analysis: Analysis) -> Section:
    table = axis.last_nights_table(analysis, LAST_NIGHTS)
    if not table.rows:
        return Section(table.title)
    return Section(table.title, table=table, note=table.note, name="nights")


def _set_aside(analysis: Analysis) -> Section:
    count = len(analysis.nights.set_aside)
    if not count:
        return Section("Set aside")
    note = f"{phrases.counted(count, 'reading')} went in but were not used; `drift report` lists each."
    return Section("Set aside", (("", note),), instrument.set_aside_counts(analysis), name="aside")


def _numbered(sentences: Sequence[str]) -> Iterator[tuple[str, str]]:
    if len(sentences) == 1:
        yield "", sentences[0]
        return
    for k, each in enumerate(sentences):
        yield f"{k + 1}.", each


def _if_any(section: Section) -> Iterator[Section]:
    if not section.is_empty:
        yield section
