"""The nightly job of one pier: take in what is new, work it out, warn, send a digest, write the report.

One call does all of it and returns what came of it as data; `drift nightly` prints that, and a program that
looks after many piers calls `run_nightly` for each.  It may be repeated at any time: files that are in the
record are passed by, a warning and a digest go out once, and a second run at the same time waits for the
first.

Digests
-------
A digest is due once a week, once a month (by the site's clock) or after each night.  It is noted in the
record before it leaves, like a warning, so that none goes out twice.  One that certainly did not arrive
waits; the next run writes it afresh, with the picture of that day, and tries again.

Rejected: storing the picture with the message (a year of weekly pictures is larger than many a record, and
one that comes late would show an old state).
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING

from filelock import FileLock, Timeout

from drift.api import analyse_readings, open_record, read_site, with_ground
from drift.cache import pack
from drift.errors import AlreadyRunning, ClusterError, DriftError, KindRefused, NothingToAnalyse, NotSettled
from drift.history.components import whole_winters
from drift.history.neighbours import NeighbourPrior, OwnYears, lender_of
from drift.importer.folders import WatchedFolders
from drift.importer.importing import FileImported, FileRefused
from drift.notify import SENT, MailForm, deliver, mark_of
from drift.piers.lending import Loan, loans_of
from drift.piers.line import PierNight, pier_line_of, unknown_line
from drift.piers.listing import Listed
from drift.piers.running import Done, Task
from drift.quantities import as_utc
from drift.record.cache import DIGEST, WAITING, StoredMessage
from drift.record.engine import now_us as clock
from drift.render.catalogue import FIRST, picture_named
from drift.render.drawing import picture_png
from drift.render.headline import headline
from drift.render.import_words import error_words
from drift.render.nightly_words import (
    NO_REPORT,
    READ_ONLY,
    digest_html,
    digest_text,
    digest_title,
    file_words,
)
from drift.render.phrases import evening_of, zone_of
from drift.render.piers import failure_words
from drift.render.report import check_report_target, report_of_record, save_report
from drift.render.watch_words import item_sentence, letter_words, news_title
from drift.site.sections import DigestEvery
from drift.watch.changes import about_text, letters_for, news
from drift.watch.limits import now_state
from drift.watch.nightly import (
    Digest,
    DigestState,
    FileTaken,
    FileWaiting,
    FileWaits,
    NightlyResult,
    SharedFolders,
)

if TYPE_CHECKING:
    from drift.record.record import Record
    from drift.site.file import PierFile
    from drift.site.sections import SiteSection
    from drift.types import Analysis
    from drift.watch.coming import News

#: What a digest is counted by.
_PERIODS = {DigestEvery.WEEK: "week", DigestEvery.MONTH: "month", DigestEvery.NIGHT: "night"}
#: How long a run waits for another one on the same pier [s].
PATIENCE_S = 60.0


class Step(StrEnum):
    """What a run is doing."""

    TAKING_IN = "taking_in"
    WORKING_OUT = "working_out"
    SENDING = "sending"
    DRAWING = "drawing"


# ---- The job.


def run_nightly(
    site_path: str | Path,
    *,
    now_us: int | None = None,
    send: bool = True,
    report: str | Path | None = None,
    progress: Callable[[Step], None] | None = None,
    patience_s: float = PATIENCE_S,
    weather: Sequence[str | Path] = (),
) -> NightlyResult:
    """Take in what is new in the folders of a pier, work it out, and do what its site file wants.

    Parameters
    ----------
    site_path
        The site file.
    now_us
        The present time [UTC us]; that of the clock when None.
    send
        Whether to send; what is to be sent is noted all the same, and waits.
    report
        Where to write a report; what [nightly] report says when None.
    progress
        Told each step as it begins.
    patience_s
        How long another run on the same pier is waited for [s].
    weather
        Further folders, that piers of one site share: of these only weather logs are taken in.

    Raises
    ------
    drift.errors.AlreadyRunning
        If another run takes longer than that.
    drift.errors.DriftError
        If the site file or the record can't be used.
    """
    site = read_site(site_path)
    told = progress or (lambda step: None)
    now = clock() if now_us is None else now_us
    with _only_run(site, patience_s), open_record(site) as record:
        told(Step.TAKING_IN)
        result = _taken_in(site, record, now)
        result = _with_weather(result, site, record, [Path(one) for one in weather])
        told(Step.WORKING_OUT)
        readings = record.readings()
        try:
            analysis = analyse_readings(site, readings, record, now)
        except NothingToAnalyse as nothing:
            return replace(result, nothing=str(nothing))
        result = _with_news(result, analysis, record)
        result = replace(result, years=_own_years(analysis, record))
        if site.warn.notify and not record.read_only:
            told(Step.SENDING)
            result = _posted(result, analysis, record, send)
        target = _report_path(site, report)
        if target is not None:
            told(Step.DRAWING)
            result = _reported(result, with_ground(analysis, readings, record), record, target)
        return result


@contextmanager
def _only_run(site: PierFile, patience_s: float) -> Iterator[None]:
    """Let one run at a time work on a pier; where no lock can be made, the record alone keeps order."""
    assert site.path is not None
    path = site.path.resolve()
    lock = FileLock(path.with_name(f".{path.name}.nightly.lock"), timeout=patience_s)
    try:
        lock.acquire()
    except Timeout as error:
        raise AlreadyRunning(
            f"another `drift nightly` has been at work on {site.path} for {patience_s:g} s or longer, so "
            "that this one did nothing.  It takes in the same files; run the command again when it has "
            "finished."
        ) from error
    except (OSError, NotImplementedError):  # a folder that can't be written, a drive without locks
        pass
    try:
        yield
    finally:
        lock.release()


def _taken_in(site: PierFile, record: Record, now_us: int) -> NightlyResult:
    came = _Came()
    folders = WatchedFolders(lambda: (site, record), came.note)
    if site.logs.folders and not record.read_only:
        came.grow(folders.take_in_once())
    return NightlyResult(
        site_file=str(Path(site.path or "").resolve()),
        name=site.site.name or "",
        now_us=now_us,
        taken=tuple(came.taken),
        waiting=tuple(came.waiting),
        missing=folders.missing,
        troubles=(READ_ONLY.format(place=record.words),) if record.read_only else (),
    )


def _with_weather(
    result: NightlyResult, site: PierFile, record: Record, shared: Sequence[Path]
) -> NightlyResult:
    """Take in what is new in the weather folders that piers share."""
    if not shared or record.read_only:
        return result
    came = _Came()
    folders = WatchedFolders(lambda: (site, record), came.note, given=tuple(shared), only=_WEATHER)
    came.grow(folders.take_in_once())
    return replace(
        result,
        taken=(*result.taken, *came.taken),
        shared=SharedFolders(waiting=tuple(came.waiting), missing=folders.missing),
    )


_WEATHER = frozenset({"weather"})


@dataclass
class _Came:
    """What came of the files of some folders."""

    taken: list[FileTaken] = field(default_factory=list)
    waiting: list[FileWaiting] = field(default_factory=list)

    def note(self, outcome: FileImported | FileRefused) -> None:
        """Note what came of a file."""
        if isinstance(outcome, FileRefused):
            self.waiting.append(_refused(outcome))
            return
        self.taken.append(
            FileTaken(
                file=outcome.file,
                kind=outcome.kind,
                went_in=outcome.went_in,
                already_there=outcome.already_there,
                set_aside=len(outcome.set_aside),
                left_out=len(outcome.left_out),
            )
        )

    def grow(self, paths: Sequence[Path]) -> None:
        """Note the files that are still being written."""
        self.waiting += [FileWaiting(file=str(path), why=FileWaits.GROWING) for path in paths]


def _refused(outcome: FileRefused) -> FileWaiting:
    error = outcome.error
    if isinstance(error, KindRefused):
        return FileWaiting(file=outcome.file, why=FileWaits.NOT_WEATHER, words=str(error))
    if isinstance(error, NotSettled):
        keys = tuple(str(one.key) for one in error.questions)
        return FileWaiting(
            file=outcome.file, why=FileWaits.QUESTION, words=error_words(error), questions=keys
        )
    return FileWaiting(file=outcome.file, why=FileWaits.UNREADABLE, words=error_words(error))


def _with_news(result: NightlyResult, analysis: Analysis, record: Record) -> NightlyResult:
    last, now = record.last_acknowledged(), result.now_us
    found = news(analysis, None if last is None else last[2], now, record.latest_import_us())
    lines = headline(analysis, now).lines
    return replace(result, lines=lines, state=now_state(analysis, now), news=found, acknowledged=last)


def _own_years(analysis: Analysis, record: Record) -> OwnYears:
    """Return what the pier's own years are worth, and what its record holds of its neighbours'."""
    history, site = analysis.history, analysis.site.site
    held = record.lent_prior()
    return OwnYears(
        whole_winters=whole_winters(history.time_us, site.latitude_deg < 0.0),
        lender=None if history.borrowed_from else lender_of(history),
        borrows=site.borrow,
        is_fixed=record.read_only,
        lent_us=None if held is None else held.made_us,
        lent_by=() if held is None else held.lenders,
    )


# ---- Warnings and digests: noted in the record first, then sent.


def post_warnings(
    analysis: Analysis, record: Record, found: News, acknowledged_us: int | None, now_us: int
) -> list[StoredMessage]:
    """Put what has no message yet into the record as messages, before anything is sent, and return them."""
    fresh: list[StoredMessage] = []
    marks = [mark_of(address) for address in analysis.site.warn.notify]

    def choose(before: Sequence[StoredMessage]) -> list[StoredMessage]:
        letters = letters_for(found, analysis, before, marks, acknowledged_us, now_us)
        name, lines = analysis.site.site.name or "", headline(analysis, now_us).lines
        fresh[:] = [
            StoredMessage(one.number, one.address, one.about, *letter_words(one, name, now_us, lines))
            for one in letters
        ]
        return fresh

    if found.new or found.notices:
        record.post(choose)
    return fresh


def _posted(result: NightlyResult, analysis: Analysis, record: Record, send: bool) -> NightlyResult:
    """Note warnings and digests, send what waits, and say what became of it."""
    site, last = analysis.site, result.acknowledged
    warned = post_warnings(analysis, record, result.news, None if last is None else last[0], result.now_us)
    digests = _post_digests(result, analysis, record, warned)
    if not send:
        return replace(result, digest=_digest_state(site, record, digests))
    forms = _mail_forms(digests, analysis)
    came = deliver(record, site.warn.notify, os.environ, forms=forms)
    return replace(
        result,
        sent=came.sent,
        troubles=(*result.troubles, *came.troubles),
        digest=_digest_state(site, record, digests),
    )


def _post_digests(
    result: NightlyResult, analysis: Analysis, record: Record, warned: Sequence[StoredMessage]
) -> dict[str, Digest]:
    """Note the digests that are due, write those that wait afresh, and return both by their numbers."""
    fresh: dict[str, Digest] = {}
    every = analysis.site.warn.digest
    if every is None:
        return fresh
    about = {"kind": DIGEST, "of": str(every), **_period_of(analysis.site.site, result)}

    def choose(before: Sequence[StoredMessage]) -> list[StoredMessage]:
        messages = []
        for address in dict.fromkeys(map(mark_of, analysis.site.warn.notify)):
            earlier = [one for one in before if one.address == address and one.digest is not None]
            waiting = next((one for one in earlier if one.state == WAITING), None)
            if not _is_due(about, [one for one in earlier if one is not waiting]):
                continue
            since = max(
                (one.digest["night"] for one in earlier if one.state == SENT and one.digest), default=""
            )
            digest = _digest(result, analysis, since, [one for one in warned if one.address == address])
            number = waiting.number if waiting else _number(result, address, about)
            text = json.dumps(about, sort_keys=True)
            messages.append(
                StoredMessage(number, address, text, digest_title(digest), digest_text(digest, number))
            )
            fresh[number] = digest
        return messages

    record.post(choose)
    return fresh


def _period_of(site: SiteSection, result: NightlyResult) -> dict[str, str]:
    """Return the week and month by the site's clock, and the evening of the latest night, "" without one."""
    today = as_utc(result.now_us).astimezone(zone_of(site.timezone)).date()
    year, week, _ = today.isocalendar()
    night_us = None if result.state is None else result.state.last_night_us
    return {
        "week": f"{year}-W{week:02d}",
        "month": f"{today:%Y-%m}",
        "night": "" if night_us is None else evening_of(night_us, site.longitude_deg).isoformat(),
    }


def _is_due(about: Mapping[str, str], earlier: Sequence[StoredMessage]) -> bool:
    """Whether no digest was made yet for the week, the month or the night."""
    made = [one.digest for one in earlier if one.digest is not None]
    if about["of"] == DigestEvery.NIGHT:
        return bool(about["night"]) and all(one["night"] < about["night"] for one in made)
    period = _PERIODS[DigestEvery(about["of"])]
    return all(one["of"] != about["of"] or one[period] != about[period] for one in made)


def _digest(result: NightlyResult, analysis: Analysis, since: str, warned: Sequence[StoredMessage]) -> Digest:
    """Return what a digest says; what was just sent as a warning is only named."""
    longitude_deg, news = analysis.site.site.longitude_deg, result.news
    nights = [evening_of(one.time_us, longitude_deg) for one in analysis.nights.nights if one.has_axis]
    mailed = {one.about for one in warned}
    items = [*news.new, *news.notices]
    assert analysis.site.warn.digest is not None and result.state is not None
    return Digest(
        name=result.name,
        every=DigestEvery(analysis.site.warn.digest),
        now_us=result.now_us,
        moved=news.moved,
        standing=result.state.standing,
        lines=result.lines,
        nights=tuple(night for night in sorted(nights) if night.isoformat() > since),
        is_first=not since,
        waits=tuple(
            item_sentence(item) for item in (*items, *news.provisional) if about_text(item) not in mailed
        ),
        mailed=tuple(news_title(item) for item in items if about_text(item) in mailed),
        files=tuple(file_words(one, brief=True) for one in result.waiting),
        picture=picture_named(analysis, FIRST).describe(analysis),
    )


def _number(result: NightlyResult, address: str, about: Mapping[str, str]) -> str:
    """Return the number of a digest, another for each pier."""
    text = f"{result.site_file} {address} {json.dumps(about, sort_keys=True)} {result.now_us}"
    return hashlib.blake2b(text.encode(), digest_size=6).hexdigest()


#: The picture in a digest, by the name that its HTML gives it.
_PICTURE = "strip.png"


def _mail_forms(digests: Mapping[str, Digest], analysis: Analysis) -> dict[str, MailForm]:
    """Return how digests look as mails; the strip is drawn once."""
    if not digests:
        return {}
    strip = picture_named(analysis, FIRST)
    pictures = {} if strip.lacking(analysis) else {_PICTURE: picture_png(strip, analysis)}
    shown = _PICTURE if pictures else ""
    return {
        number: MailForm(digest_html(digest, number, shown), pictures) for number, digest in digests.items()
    }


def _digest_state(site: PierFile, record: Record, digests: Mapping[str, Digest]) -> DigestState:
    if site.warn.digest is None:
        return DigestState.NOT_WANTED
    if not digests:
        return DigestState.NOT_DUE
    waits = any(one.state == WAITING for one in record.messages() if one.number in digests)
    return DigestState.WAITS if waits else DigestState.SENT


# ---- The report.


def _report_path(site: PierFile, wanted: str | Path | None) -> Path | None:
    """Return where a report is to be written; a name in the site file is taken from its folder."""
    if wanted is not None:
        return Path(wanted)
    assert site.path is not None
    return site.path.parent / site.nightly.report if site.nightly.report else None


def _reported(result: NightlyResult, analysis: Analysis, record: Record, target: Path) -> NightlyResult:
    """Write the report; what keeps it from being written must not hide the rest of what was done."""
    try:
        check_report_target(target)
        save_report(report_of_record(analysis, record), target)
    except (DriftError, OSError) as error:
        return replace(result, troubles=(*result.troubles, NO_REPORT.format(error=error)))
    return replace(result, report=target)


# ---- The same for a program that looks after many piers.


def nightly_of_listed(
    site_path: str, *, name: str, send: bool = True, weather: Sequence[str] = ()
) -> PierNight:
    """Do the nightly job of one pier among several, and return what came of it with the pier's line.

    Parameters
    ----------
    site_path
        The site file.
    name
        What the pier is called in the list.
    send, weather
        As for `run_nightly`.
    """
    result = run_nightly(site_path, send=send, weather=weather)
    site = read_site(site_path)
    if result.state is None:
        return PierNight(line=unknown_line(name, site, result.now_us), result=result)
    line = pier_line_of(name, site, result.state, result.news, result.now_us)
    return PierNight(line=line, result=result)


#: Does a task for some of the piers of a list, and tells of each that has ended: `drift.piers.running`.
Runner = Callable[..., Sequence[Done]]


def lend_among(
    piers: Sequence[Listed], nights: Sequence[PierNight], run: Runner, now_us: int
) -> tuple[Loan, ...]:
    """Let young piers of a list borrow from the winters of their neighbours, after a night's round.

    Nothing is worked out for it: each pier's night brought what its own years are worth.  What is new is
    noted in the records of those that borrow, and counts from their next answers on.

    Parameters
    ----------
    piers
        The list.
    nights
        What came of the night of each of them.
    run
        Does a task for some of them.
    now_us
        The present time [us].

    Returns
    -------
    tuple of Loan
        All that stands, is new or ended.
    """
    years, places = {}, {}
    for night in nights:
        line = night.line
        if night.result is None or night.result.years is None:
            continue
        if line.latitude_deg is not None and line.longitude_deg is not None and line.elevation_m is not None:
            years[line.name] = night.result.years
            places[line.name] = (line.latitude_deg, line.longitude_deg, line.elevation_m)
    loans = loans_of(places, years, [pier.name for pier in piers], now_us)
    due = {loan.pier: loan for loan in loans if loan.is_new}
    if not due:
        return loans
    each = {
        name: {
            "prior": None if loan.prior is None else pack(loan.prior, NeighbourPrior),
            "lenders": loan.lenders,
            "made_us": loan.since_us,
        }
        for name, loan in due.items()
    }
    task = Task("drift.api:note_lent", each=each)
    try:
        done = run(task, [pier for pier in piers if pier.name in due])
    except ClusterError as error:
        trouble = dict.fromkeys(due, str(error))
    else:
        trouble = {one.pier.name: failure_words(one) for one in done if one.failure is not None}
    return tuple(replace(loan, trouble=trouble.get(loan.pier, "")) for loan in loans)
