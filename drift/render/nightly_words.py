"""The nightly job in words: what a run prints, its JSON, and the digest that is mailed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drift.codes import Standing
from drift.render.column_words import KIND_WORDS
from drift.render.encode import named, plain
from drift.render.phrases import counted, harmless, listed
from drift.render.watch_words import as_mapping as news_mapping
from drift.render.watch_words import item_sentence
from drift.site.sections import DigestEvery
from drift.watch.nightly import DigestState, FileWaits

if TYPE_CHECKING:
    from drift.watch.nightly import Digest, FileTaken, FileWaiting, NightlyResult


# ---- The digest: how things stand, mailed once a week, a month or a night.


_STANDS = {
    Standing.WITHIN: "within its limits",
    Standing.CLOSE: "close to a limit",
    Standing.BEYOND: "beyond a limit",
    Standing.UNKNOWN: "how it stands",
}
_WAITS = "Not acknowledged yet"
_FILES = "Files that are not in the record"


def digest_title(digest: Digest) -> str:
    """Return the subject of its mail."""
    return f"drift: {_heading(digest)}"


def _heading(digest: Digest) -> str:
    which = f"{digest.every} digest"
    if digest.every == DigestEvery.NIGHT:
        which = f"night of {digest.nights[-1].isoformat()}" if digest.nights else "digest"
    stands = _STANDS[digest.standing] + (", a warning waits" if digest.moved else "")
    return f"{harmless(digest.name) or 'the pier'}: {stands} ({which})"


def _paragraphs(digest: Digest) -> Iterator[str]:
    count = len(digest.nights)
    last = f", the last on {digest.nights[-1].isoformat()}" if digest.nights else ""
    if digest.is_first:
        shows = "shows" if count == 1 else "show"
        yield f"The record holds {counted(count, 'night')} that {shows} the axis{last}."
    elif count:
        yield f"New since the last digest: {counted(count, 'night')}{last}."
    else:
        yield "No night since the last digest."
    if digest.mailed:
        yield f"In a mail of its own today: {listed(digest.mailed)}."


def _foot(digest: Digest, number: str) -> str:
    return (
        f"`drift status` says what to do; `drift acknowledge` marks what waits as seen.  Sent "
        f"{digest.every}, as [warn] digest in the site file says.  Message {number}."
    )


def _lists(digest: Digest) -> Iterator[tuple[str, tuple[str, ...]]]:
    if digest.waits:
        yield _WAITS, digest.waits
    if digest.files:
        yield _FILES, digest.files


def digest_text(digest: Digest, number: str) -> str:
    """Return it as plain text."""
    parts = ["\n".join(digest.lines), *_paragraphs(digest)]
    parts += [
        "\n".join([f"{heading}:", *(f"- {one}" for one in entries)]) for heading, entries in _lists(digest)
    ]
    parts += [f"The strip in words: {digest.picture}", _foot(digest, number)]
    return "\n\n".join(parts)


def digest_html(digest: Digest, number: str, picture: str) -> str:
    """Return it as the HTML of a mail, in which `picture` is the name of the strip, "" without one."""
    from drift.render.report import html_templates

    return (
        html_templates()
        .get_template("digest.html.j2")
        .render(
            title=digest_title(digest),
            heading=_heading(digest),
            lines=digest.lines,
            picture=picture,
            picture_words=digest.picture,
            paragraphs=[*_paragraphs(digest)] if picture else [*_paragraphs(digest), digest.picture],
            lists=[*_lists(digest)],
            foot=_foot(digest, number),
        )
    )


# ---- What a run prints.


#: Why nothing was taken in and nothing is sent, and why there is no report.
READ_ONLY = "The record {place} can't be written, so that nothing was taken in, and nothing is sent."
NO_REPORT = "No report was written: {error}"
#: Step of a run -> what is shown on a terminal while it lasts.
STEPS = {
    "taking_in": "Taking in what is new",
    "working_out": "Working out the axis of each night and the pier's tilt",
    "sending": "Sending",
    "drawing": "Drawing the report",
}


def file_words(one: FileWaiting, brief: bool = False) -> str:
    """Say why a file is not in the record; `brief` leaves out what is wrong with one that can't be read."""
    name = Path(one.file).name
    if one.why is FileWaits.GROWING:
        return f"{name} is still being written to; the next run takes it in."
    if one.why is FileWaits.NOT_WEATHER:
        return (
            f"{name} is no weather log and is not taken in: what lies there goes into each pier's record.  "
            "Move it to the folder of its own pier."
        )
    if one.why is FileWaits.QUESTION:
        asked = counted(len(one.questions), "question") if one.questions else "a question"
        return f"{name}: {asked} about it {'is' if len(one.questions) <= 1 else 'are'} open; " + (
            "`drift import` asks, once for all files with such a header."
        )
    return f"{name} can't be read; `drift import` says why." if brief else harmless(one.words)


def taken_words(one: FileTaken) -> str:
    """Say what came of a file that was read."""
    parts = [f"{one.went_in:,} rows went in" if one.went_in != 1 else "1 row went in"]
    if one.already_there:
        parts.append(f"{one.already_there:,} there already")
    if one.set_aside:
        parts.append(f"{one.set_aside:,} set aside")
    return f"{one.file}: {KIND_WORDS[one.kind]}: {', '.join(parts)}"


def result_lines(result: NightlyResult, quiet: bool = False) -> Iterator[tuple[str, bool]]:
    """Yield what a run says, line by line, each with whether it needs someone.

    Parameters
    ----------
    result
        What came of it.
    quiet
        Whether to leave out what needs nobody.
    """
    if not quiet:
        yield from ((text, False) for text in _plain_lines(result))
    for folder in result.missing:
        yield f"The folder {folder} of [logs] folders is not there; nothing came in from it.", True
    yield from (
        (file_words(one), True) for one in result.waiting if one.why is not FileWaits.GROWING or not quiet
    )
    news = result.news
    yield from ((item_sentence(item), True) for item in (*news.new, *news.provisional, *news.notices))
    yield from ((text, True) for text in result.troubles)
    if result.nothing:
        yield result.nothing, True


def _plain_lines(result: NightlyResult) -> Iterator[str]:
    fresh = [one for one in result.taken if one.went_in or one.set_aside]
    yield from map(taken_words, fresh)
    if not fresh:
        yield "Nothing new came in."
    yield from result.lines
    if result.sent:
        among = ", a digest among them" if result.digest is DigestState.SENT else ""
        yield f"Sent: {counted(result.sent, 'message')}{among}."
    if result.report is not None:
        yield f"Wrote {result.report}."


def result_mapping(result: NightlyResult) -> dict[str, Any]:
    """Return what came of a run as plain data for JSON."""
    return {
        "format": "drift-nightly",
        "version": 1,
        **named(result, "site_file", "name", "now_us", "exit_code"),
        "taken": plain(result.taken),
        "waiting": plain(result.waiting),
        "missing_folders": list(result.missing),
        "nothing": result.nothing,
        "headline": list(result.lines),
        "now": plain(result.state),
        "news": news_mapping(result.news, result.acknowledged),
        **named(result, "sent", "digest"),
        "troubles": list(result.troubles),
        "report": None if result.report is None else str(result.report),
    }
