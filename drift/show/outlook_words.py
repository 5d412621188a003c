"""The coming twelve months in words: what ``drift outlook`` says, and the short of it in the status."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from drift.advice.ground import GroundAdvice
from drift.advice.outlook_words import (
    NO_FORECAST,
    RUN_OUT,
    ahead_sentences,
    coming_heading,
    driver_sentences,
    realigning_sentences,
    settlement_sentences,
    too_short_sentences,
)
from drift.advice.pier_ground import design_sentences, fitting_advice, ground_sentences
from drift.show.coming import coming_of
from drift.show.score_words import ANNUAL_SHAPE, score_sentence
from drift.show.sections import Section, bulleted
from drift.show.tables.outlook import hindcasts_table, months_table
from drift.show.times import zone_of

if TYPE_CHECKING:
    from drift.advice.outlook import Outlook
    from drift.advice.pier_ground import PierGround
    from drift.answer import Answer
    from drift.hindcast import Hindcast


def brief_sentences(answer: Answer) -> tuple[str, ...]:
    """Return the short of it: when the axis peaks and is back, how sure that is, and whether to re-align."""
    outlook = coming_of(answer)
    if outlook is None:
        return () if answer.history.forecast is None else (RUN_OUT,)
    zone = zone_of(answer.site.site.timezone)
    return (
        *ahead_sentences(outlook, zone)[:1],
        *too_short_sentences(outlook),
        *realigning_sentences(outlook, zone),
    )


def heading(answer: Answer) -> str:
    """Return the heading over `brief_sentences`."""
    return coming_heading(coming_of(answer), zone_of(answer.site.site.timezone))


def outlook_sections(
    answer: Answer,
    outlook: Outlook | None,
    ground: PierGround | None,
    hindcasts: Sequence[Hindcast] | None = None,
) -> list[Section]:
    """Return all that is said of the coming twelve months, in order.

    Parameters
    ----------
    answer, outlook, ground
        What was worked out; the latter two None where there is no forecast, no weather.
    hindcasts
        Past forecasts scored; None where nobody asked for it.
    """
    said = [Section("What the frost did", bulleted(ground_sentences(ground)))]
    if outlook is None:
        none = NO_FORECAST if answer.history.forecast is None else RUN_OUT
        said.append(Section("The coming year", (("", none),)))
    else:
        said += _of_outlook(answer, outlook)
    if hindcasts is not None:
        said.append(_scored(hindcasts))
    return said


def _of_outlook(answer: Answer, outlook: Outlook) -> list[Section]:
    zone = zone_of(answer.site.site.timezone)
    table = months_table(outlook, answer.site.site.latitude_deg)
    aim = () if answer.advice.year is None else (answer.advice.year.sentence,)
    settling = settlement_sentences(outlook)
    return [
        Section("What the lean follows", bulleted(driver_sentences(outlook))),
        Section(coming_heading(outlook, zone), bulleted(ahead_sentences(outlook, zone)), table, table.note),
        Section("Is re-aligning worth it?", bulleted((*realigning_sentences(outlook, zone), *aim))),
        *([Section("Settlement", bulleted(settling))] if settling else []),
    ]


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
    said = [Section("What the frost did", bulleted(ground_sentences(ground)))]
    design = design_sentences(ground)
    if design:
        said.append(Section("What to build for", bulleted(design)))
    if fitting:
        said.append(Section("For this pier", _advice(fitting)))
    said.append(Section("Also" if fitting else "For a pier outdoors", _advice(others)))
    return said


def _advice(advice: Sequence[GroundAdvice]) -> tuple[tuple[str, str], ...]:
    return bulleted([f"{one.topic}: {one.sentence}  [{one.source}]" for one in advice])
