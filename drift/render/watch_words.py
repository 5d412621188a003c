"""News in words and as JSON: what ``drift check`` prints and what is sent."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from drift.codes import CorrectionKind, LimitName, NewsKind
from drift.notices import Severity, WatchCode
from drift.quantities import as_utc
from drift.render.encode import entries, named, place_rounded
from drift.render.notices import Values, Writer, as_data, sentence
from drift.render.phrases import (
    angle,
    arcmin,
    asked_and_found,
    counted_from,
    misrecorded_words,
    percent,
    plain_arcmin,
    utc_text,
)
from drift.types import CorrectionFound

if TYPE_CHECKING:
    from drift.watch.changes import Letter
    from drift.watch.coming import Item, News


# ---- One piece of news, as a sentence.


def item_sentence(item: Item) -> str:
    """Return the sentence of a piece of news; an event's clause becomes a sentence."""
    text = sentence(item.notice)
    if item.kind is NewsKind.EVENT:
        text = f"{text[0].upper()}{text[1:]}."
    return text if item.seen_once is None else f"{text}  {sentence(item.seen_once)}"


def acknowledged_sentences(found: News, dropped: int) -> tuple[str, ...]:
    """Return what was acknowledged, what not, and that `dropped` waiting messages are no longer sent."""
    sentences = [f"Acknowledged: {item_sentence(item)}" for item in (*found.new, *found.notices)]
    if not sentences:
        sentences.append("Acknowledged; nothing was new.")
    if dropped:
        messages = "a message" if dropped == 1 else f"{dropped} messages"
        sentences.append(f"Not sent any more, because it is acknowledged: {messages}.")
    return (*sentences, *(f"Not acknowledged: {item_sentence(item)}" for item in found.provisional))


# ---- A message about it.


_TITLES = {
    NewsKind.EVENT: "something has moved",
    NewsKind.AXIS_LIMIT: "the axis is beyond its limit",
    NewsKind.TILT_LIMIT: "the tilt is beyond its limit",
    NewsKind.CORRECTION: "a correction did not hold",
    NewsKind.MISRECORDED: "a correction looks written down wrongly",
    NewsKind.GAP: "the axis has moved while nothing was measured",
    NewsKind.SOON: "a limit will be passed soon",
    NewsKind.OLD: "nothing has been measured for long",
    NewsKind.THIN: "too little to watch by",
}


def letter_words(letter: Letter, site_name: str, now_us: int, lines: Sequence[str] = ()) -> tuple[str, str]:
    """Return title and body of a message.

    Parameters
    ----------
    letter
        The message: its subject and its number.
    site_name
        As in the site file, "" where it has none.
    now_us
        The present time [us].
    lines
        The headline: the present state.
    """
    stands = "".join(f"{line}\n" for line in lines)
    seen = f"{as_utc(now_us):%Y-%m-%d %H:%M} UTC"
    body = (
        f"{item_sentence(letter.item)}\n\n{stands}\nSeen on {seen}.  `drift status` says what to do; "
        f"`drift acknowledge` marks it as seen.\nMessage {letter.number}."
    )
    return f"drift: {site_name or 'the pier'}: {news_title(letter.item)}", body


def news_title(item: Item) -> str:
    """Return a piece of news in a few words."""
    wrongly = item.notice.code is WatchCode.CORRECTION_MISRECORDED
    return _TITLES[NewsKind.MISRECORDED if wrongly else item.kind]


# ---- The news as data: what ``drift check --json`` prints.


def as_mapping(found: News, last: tuple[int, str, str] | None) -> dict[str, Any]:
    """Return the news as plain lists, mappings and text.

    Parameters
    ----------
    found
        The news.
    last
        When it was last acknowledged [UTC microseconds], the note, and what; None when never.
    """
    document: dict[str, Any] = {
        "format": "drift-check",
        "version": 2,
        **named(found, "moved"),
        "new": [_item(item) for item in found.new],
        "provisional": [_item(item) for item in found.provisional],
        "notices": [_item(item) for item in found.notices],
        "acknowledged_utc": None if last is None else utc_text(last[0]),
        "acknowledged_note": None if last is None else last[1],
    }
    return {name: place_rounded(value) for name, value in document.items()}


def _item(item: Item) -> dict[str, Any]:
    data = as_data(item.notice)
    severity = Severity.INFO if item.seen_once is not None else data["severity"]
    text = item_sentence(item)
    return {
        **named(item, "kind"),
        "code": data["code"],
        "severity": str(severity),
        **named(item, "time_us"),
        "values": data["values"],
        "text": text,
        "sentence": text,  # as version 1 has it
        **entries(item.facts, None),
    }


# ---- The sentence of each code.


def _limit_passed(of: Values) -> str:
    axis = of["of"] == LimitName.AXIS
    who = "The axis" if axis else "The pier's tilt"
    text = f"{who} passed its warning limit of {_most(of)} on {of['passed_date']}"
    if of["grown"]:
        text = (
            f"{who} is beyond its warning limit of {_most(of)}, and by {of['passed_date']} had grown by a "
            "quarter since it was marked as seen"
        )
    return f"{text}; {_now(of, axis)}."


def _most(of: Values) -> str:
    return _plain(of, of["limit_arcsec"])


def _plain(of: Values, arcsec: float) -> str:
    return plain_arcmin(arcsec / 60.0) if of["of"] == LimitName.AXIS else f'{arcsec:.0f}"'


def _now(of: Values, axis: bool) -> str:
    """Return the latest value, its date, and at what value the warning ends by itself."""
    value, sd = of["value_arcsec"], of["sd_arcsec"]
    size = f"{arcmin(value, sd)} from the pole" if axis else f"{angle(value, sd)}, {counted_from(of)}"
    now = f"on {of['date']} it was {size}"
    if of["last_night_date"] is not None:
        now += f", by the level readings since its last night, {of['last_night_date']}"
    if of["back_below_arcsec"] is None:
        return now
    ends = f"below {_plain(of, of['back_below_arcsec'])} the warning ends by itself"
    return f"{now}.  It is under the limit again; {ends}"


def _limit_soon(of: Values) -> str:
    axis = of["of"] == LimitName.AXIS
    value, sd = of["value_arcsec"], of["sd_arcsec"]
    what, then = ("The axis", arcmin(value, sd)) if axis else ("The pier's tilt", angle(value, sd))
    return (
        f"{what} will likely pass its warning limit of {_most(of)} by {of['by_date']}: by then season and "
        f"lasting drift should have taken it to {then}."
    )


def _found(of: Values) -> CorrectionFound:
    return CorrectionFound(
        time_us=0,
        kind=CorrectionKind(of["kind"]),
        asked=of["asked_arcsec"],
        found=of["found_arcsec"],
        found_sd=of["found_sd_arcsec"],
        held=False,
    )


def _correction_failed(of: Values) -> str:
    asked = asked_and_found(_found(of), of["latitude_deg"])
    did = f": {asked}" if asked else ""
    return (
        f"The {of['kind']} correction of {of['date']} did not hold{did} ({percent(of['probability'])} sure)."
    )


def _correction_misrecorded(of: Values) -> str:
    asked = asked_and_found(_found(of), of["latitude_deg"])
    did = f": {asked}" if asked else ""
    looks = misrecorded_words(of["wrong"], of["probability"])
    return (
        f"The {of['kind']} correction of {of['date']} {looks}{did}.  `drift record list` shows its number, "
        "`drift record edit` or `drift record withdraw` puts it right."
    )


def _seen_once(of: Values) -> str:
    if of["only_sensor"]:
        return "Only the tilt sensor shows this: it counts once a night shows it too."
    where, second = ("on one night", "night") if of["at_night"] else ("in one level reading", "reading")
    return f"This is seen {where} only and counts once a second {second} shows it."


def _over_gap(of: Values) -> str:
    beyond = " more than the season usually does" if of["beyond_season"] else ""
    return (
        f"Between {of['from_date']} and {of['to_date']}, {of['days']:.0f} days without a night, the axis "
        f"moved by {angle(of['size_arcsec'], of['sd_arcsec'])} on the sky{beyond}.  Whether it moved at once "
        "or little by little can't be seen, so no cause is named."
    )


def _few_nights(of: Values) -> str:
    nights = of["nights"]
    counted = {0: "no nights", 1: "one night only", 2: "two nights only"}.get(nights, f"{nights} nights only")
    return (
        f"The record holds {counted} that {'shows' if nights == 1 else 'show'} the axis; a movement shows "
        f"from {of['needed_nights']} nights on."
    )


_REPORTS = (
    'A star model inside the mount may have taken the rest out: write reports = "raw" under [mount] if it '
    "has none; a sweep would tell."
)
_BETTER = "Solves spread wider over the sky, on both tube sides, or a sweep would do."

SENTENCES: dict[WatchCode, Writer] = {
    WatchCode.SEEN_ONCE: _seen_once,
    WatchCode.LIMIT_PASSED: _limit_passed,
    WatchCode.LIMIT_SOON: _limit_soon,
    WatchCode.CORRECTION_FAILED: _correction_failed,
    WatchCode.CORRECTION_MISRECORDED: _correction_misrecorded,
    WatchCode.MOVED_OVER_GAP: _over_gap,
    WatchCode.NOTHING_MEASURED: lambda of: (
        f"Nothing has been measured since {of['since_date']}, {of['days']:.0f} days ago: what has moved "
        "since then can't be seen.  Take a night, or a level reading."
    ),
    WatchCode.FEW_NIGHTS: _few_nights,
    WatchCode.AXIS_UNKNOWN: lambda of: (
        f"The latest nights are too vague to tell where the axis is.  {_BETTER}"
    ),
    WatchCode.AXIS_TOO_VAGUE: lambda of: (
        f"The latest nights tell the axis only to {arcmin(of['error_arcsec'], of['sd_arcsec'])}, too vaguely "
        f"to watch its limit of {plain_arcmin(of['limit_arcsec'] / 60.0)}.  "
        + (_REPORTS if of.get("may_be_modelled", False) else _BETTER)
    ),
}
