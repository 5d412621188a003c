"""The coming twelve months in words: what ``drift outlook`` says, and the short of it in the status."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from drift.advice.ground import GroundStep, fitting_advice
from drift.advice.situation import coming_of
from drift.render.advice_words import year_sentence
from drift.render.ground_words import GROUND_ADVICE, design_sentences, ground_sentences
from drift.render.outlook_words import (
    NO_FORECAST,
    RUN_OUT,
    ahead_sentences,
    coming_heading,
    forcing_sentences,
    realigning_sentences,
    settlement_sentences,
    too_short_sentences,
)
from drift.render.phrases import counted, plain_angle, zone_of
from drift.render.sections import Section, bulleted
from drift.render.tables.instrument import hindcasts_table, months_table

if TYPE_CHECKING:
    from drift.advice.ground import PierGround
    from drift.forecast.hindcast import Hindcast
    from drift.types import Analysis, Outlook


# ---- What past forecasts, scored, say of the next one: one sentence on whether it may be trusted.


#: A band that holds 80 % of the nights is right.  Nights of one winter go astray together, so that a good
#: forecast may hold fewer or more: our own rule.
_HELD_LEAST, _HELD_MOST = 0.65, 0.95
#: A forecast is nearer, or further off, than another when it is by this share: our own rule.
_NEARER = 0.1
ANNUAL_SHAPE = (
    "The plain annual shape is the mean yearly swing with the lasting tilt carried on: it asks no weather."
)


def score_sentence(hindcasts: Sequence[Hindcast]) -> str:
    """Say whether the forecast may be trusted, by its band and against the plain annual shape."""
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


# ---- The coming twelve months in words: what ``drift outlook`` says, and the short of it in the status.


def brief_sentences(analysis: Analysis) -> tuple[str, ...]:
    """Return the short of it: when the axis peaks and is back, how sure that is, and whether to re-align."""
    outlook = coming_of(analysis)
    if outlook is None:
        return () if analysis.history.forecast is None else (RUN_OUT,)
    over = analysis.now_us is not None and int(outlook.forecast.time_us[-1]) <= analysis.now_us
    if outlook.as_of_us is not None and over:
        return (RUN_OUT,)
    zone = zone_of(analysis.site.site.timezone)
    return (
        *ahead_sentences(outlook, zone)[:1],
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
    """Return all that is said of the coming twelve months, in order.

    Parameters
    ----------
    analysis, outlook, ground
        What was worked out; the latter two None where there is no forecast, no weather.
    hindcasts
        Past forecasts scored; None where nobody asked for it.
    """
    said = [Section("What the frost did", bulleted(ground_sentences(ground)))]
    if outlook is None:
        none = NO_FORECAST if analysis.history.forecast is None else RUN_OUT
        said.append(Section("The coming year", (("", none),)))
    else:
        said += _of_outlook(analysis, outlook)
    if hindcasts is not None:
        said.append(_scored(hindcasts))
    return said


def _of_outlook(analysis: Analysis, outlook: Outlook) -> list[Section]:
    zone = zone_of(analysis.site.site.timezone)
    table = months_table(outlook, analysis.site.site.latitude_deg)
    aim = () if analysis.advice.year is None else (year_sentence(analysis.advice.year),)
    settling = settlement_sentences(outlook)
    return [
        Section("What the tilt follows", bulleted(forcing_sentences(outlook))),
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


def _advice(steps: Sequence[GroundStep]) -> tuple[tuple[str, str], ...]:
    advice = [GROUND_ADVICE[step] for step in steps]
    return bulleted([f"{one.topic}: {one.sentence}  [{one.source}]" for one in advice])
