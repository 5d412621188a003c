"""The answer in words: what ``drift status`` says to people.

The verdict stands first, then what to do, then what it rests on.  On a terminal
headings are bold; into a file or a pipe goes plain text without control codes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from drift.advice.misrecorded import Suspect, suspects
from drift.render import phrases
from drift.render.advice_words import (
    action_sentence,
    matter_sentence,
    poles_sentence,
    verdict_sentence,
    year_sentence,
)
from drift.render.history_words import because_words, settle_words
from drift.render.notices import sentence
from drift.render.outlook import brief_sentences, heading
from drift.render.phrases import clock_text, evening_of, zone_of
from drift.render.sections import Section, bulleted, print_sections, sections_text
from drift.render.status_json import all_defaults, all_warnings
from drift.render.tables import axis, causes, instrument
from drift.render.tables.axis import Table

if TYPE_CHECKING:
    from rich.console import Console

    from drift.types import Action, Analysis, CorrectionFound, Event, Separable


_WAITING = "`drift check` tells these until `drift acknowledge`."
#: Nights shown; `drift report` has all.
LAST_NIGHTS = 8
#: The latest events and corrections shown; `drift report` has all.
LAST_CHANGES = 12


def as_text(analysis: Analysis, width: int = 80, waiting: Sequence[str] = ()) -> str:
    """Return the words as plain text of at most `width` columns; `waiting` as for `sections`."""
    return sections_text(title(analysis), span(analysis), sections(analysis, waiting), width)


def print_words(analysis: Analysis, console: Console, waiting: Sequence[str] = ()) -> None:
    """Print the words on a console, in its width but no wider than `WIDEST`; `waiting` as for `sections`."""
    print_sections(title(analysis), span(analysis), sections(analysis, waiting), console)


def sections(analysis: Analysis, waiting: Sequence[str] = ()) -> Iterator[Section]:
    """Yield all that is said, in order; a section with nothing in it is left out.

    Parameters
    ----------
    analysis
        The answer.
    waiting
        What ``drift check`` warns of and nobody has acknowledged, as sentences.
    """
    advice = analysis.advice
    yield Section("Verdict", (("", phrases.harmless(verdict_sentence(advice.verdict))),))
    done = [("-", phrases.harmless(sentence(one.notice))) for one in advice.done]
    yield Section("What to do", (*done, *_numbered([action_words(action) for action in advice.actions])))
    yield from _if_any(Section("Mind", bulleted([sentence(one) for one in advice.cautions])))
    yield from _if_any(Section("Warnings waiting", bulleted(waiting), note=_WAITING))
    yield Section("Where things stand", table=axis.now_table(analysis), note=as_of(analysis))
    yield from _if_any(Section("Does it matter?", _matters(analysis), _or_none(axis.matters_table(analysis))))
    yield from _if_any(Section("Where to aim", bulleted(aim_sentences(analysis))))
    yield from _if_any(_coming_year(analysis))
    yield from _if_any(_events(analysis))
    yield from _if_any(_corrections(analysis))
    yield from _if_any(Section("Winter by winter", table=_or_none(causes.winters_table(analysis))))
    yield _apart(analysis)
    yield from _if_any(_nights(analysis))
    yield from _if_any(Section("Warnings", bulleted(all_warnings(analysis))))
    yield from _if_any(Section("This answer rests on defaults", bulleted(all_defaults(analysis))))
    yield from _if_any(_set_aside(analysis))


def action_words(action: Action) -> str:
    """Return the sentence of an action; where there are bolts, it names each of them."""
    return phrases.harmless(action_sentence(action))


def aim_sentences(analysis: Analysis) -> list[str]:
    """Return what is to be said of the two poles, and of where to leave the axis for the coming year."""
    advice = analysis.advice
    said = [poles_sentence(advice.poles)] if advice.poles else []
    said += [year_sentence(advice.year)] if advice.year else []
    return [phrases.harmless(each) for each in said]


def title(analysis: Analysis) -> str:
    """Return what stands at the head: the name of the site, when it has one."""
    name = phrases.harmless(analysis.site.site.name or "")
    return f"{name}: axis and pier" if name else "Axis and pier"


def span(analysis: Analysis) -> str:
    """Return how many nights there are, from when to when, and whose clock the times are of."""
    zone = zone_of(analysis.site.site.timezone)
    nights = analysis.nights.nights
    if not nights:
        return f"No nights yet. {_clock(zone.key)}"
    longitude = analysis.site.site.longitude_deg
    first, last = (evening_of(night.time_us, longitude) for night in (nights[0], nights[-1]))
    when = f"the night of {first}" if first == last else f"{first} to {last}"
    return f"{phrases.counted(len(nights), 'night')}, {when}. {_clock(zone.key)} ± is one standard deviation."


def _clock(zone: str) -> str:
    return "Times are UTC." if zone == "UTC" else f"Times are those of {zone}, UTC in brackets."


def as_of(analysis: Analysis) -> str:
    """Return of when the present axis is, and what the changes count from."""
    zone = zone_of(analysis.site.site.timezone)
    usable = [night.time_us for night in analysis.nights.nights if night.has_axis]
    if usable:
        latest, start = clock_text(usable[-1], zone), clock_text(usable[0], zone)
        return f"The axis is that of the latest night, {latest}. The start is {start}."
    if axis.latest_row(analysis.history) is None:
        return ""
    return f"The start is the first reading, {clock_text(analysis.history.time_us[0], zone)}."


def _matters(analysis: Analysis) -> tuple[tuple[str, str], ...]:
    return bulleted([matter_sentence(matter) for matter in analysis.advice.matters])


def _coming_year(analysis: Analysis) -> Section:
    said = brief_sentences(analysis)
    return Section(
        heading(analysis), bulleted(said), note="`drift outlook` has it month by month." if said else ""
    )


def _events(analysis: Analysis) -> Section:
    events = list(enumerate(analysis.history.events))
    write = causes.sizes_writer(analysis.history.events)
    items = [(f"{causes.event_number(k)}.", _event_sentence(event, analysis, write)) for k, event in events]
    return Section("What moved, and when", *_latest(items))


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
    return Section("Corrections", *_latest(items))


def _correction_sentence(found: CorrectionFound, suspect: Suspect | None, analysis: Analysis) -> str:
    latitude = analysis.site.site.latitude_deg
    what = phrases.CORRECTION_WORDS.get(found.kind, phrases.harmless(found.kind))
    said = [f"{clock_text(found.time_us, zone_of(analysis.site.site.timezone))}, {what}"]
    asked, seen = causes.asked_words(found, latitude), causes.found_words(found, latitude)
    if (asked, seen) != ("–", "–"):
        said.append(f"asked {asked}, found {seen}")
        said.append(f"held: {causes.held_words(found)}")
    if suspect is not None:
        said.append(phrases.misrecorded_words(suspect.wrong, suspect.probability))
    note = phrases.harmless(found.note)
    return f"{'; '.join(said)}.{f' Note: {note}' if note else ''}"


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
    items = tuple(("-", _apart_sentence(*pair)) for pair in pairs)
    return Section("What can be told apart", items, note=causes.named_all_the_same(history))


def _apart_sentence(what: str, separable: Separable) -> str:
    settle = settle_words(separable)
    rest = f" What would settle it: {settle}." if settle else ""
    return f"{what}: {separable.answer}; {because_words(separable)}.{rest}"


def _nights(analysis: Analysis) -> Section:
    table = axis.last_nights_table(analysis, LAST_NIGHTS)
    if not table.rows:
        return Section(table.title)
    return Section(table.title, table=table, note=table.note)


def _set_aside(analysis: Analysis) -> Section:
    count = len(analysis.nights.set_aside)
    if not count:
        return Section("Set aside")
    told = f"{phrases.counted(count, 'reading')} went in but were not used; `drift report` lists each."
    return Section("Set aside", (("", told),), instrument.set_aside_counts(analysis))


def _numbered(sentences: Sequence[str]) -> Iterator[tuple[str, str]]:
    if len(sentences) == 1:
        yield "", sentences[0]
        return
    for k, each in enumerate(sentences):
        yield f"{k + 1}.", each


def _or_none(table: Table) -> Table | None:
    return table if table.rows else None


def _if_any(section: Section) -> Iterator[Section]:
    if section.items or section.table is not None:
        yield section
