"""Several piers in words and as data: one line each, why one failed, and what they have in common."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drift.codes import Do, LoanState, NewsKind, Standing, TaskFailure, Urgency
from drift.render.encode import named, place_rounded
from drift.render.nightly_words import file_words
from drift.render.notices import as_data, sentence
from drift.render.phrases import (
    ARCMIN_FROM,
    angle,
    counted,
    evening_of,
    harmless,
    listed,
    local_day,
    pair,
    plain_angle,
    plain_arcmin,
)
from drift.watch.nightly import FileWaits

if TYPE_CHECKING:
    from drift.notices import Notice
    from drift.piers.lending import Loan
    from drift.piers.line import PierLine, PierNight, Waiting
    from drift.piers.running import Done
    from drift.watch.limits import Against
    from drift.watch.nightly import FileWaiting, NightlyResult


# ---- The cells of a line.


@dataclass(frozen=True)
class Cells:
    """One line: the pier's name, four cells, and whether the last is the reason why there is nothing else."""

    mark: str
    name: str
    axis: str
    tilt: str
    age: str
    waits: str
    urgency: Urgency
    failed: bool


HEADINGS = ("Pier", "Axis of limit", "Tilt of limit", "Last night", "What waits")
_NEWS = {
    NewsKind.EVENT: "moved",
    NewsKind.AXIS_LIMIT: "axis past its limit",
    NewsKind.TILT_LIMIT: "tilt past its limit",
    NewsKind.CORRECTION: "correction failed",
    NewsKind.GAP: "moved in a gap",
    NewsKind.MISRECORDED: "check a correction",
    NewsKind.SOON: "limit soon",
    NewsKind.OLD: "no new readings",
    NewsKind.THIN: "few nights",
}
_DO = {
    Do.NOTHING: "",
    Do.WAIT: "wait",
    Do.MEASURE: "take a night",
    Do.TIGHTEN: "tighten",
    Do.TURN_AZIMUTH: "turn azimuth",
    Do.TURN_ALTITUDE: "turn altitude",
    Do.SHIM: "shim",
    Do.NUTS: "turn the nuts",
    Do.CALL_FOR_HELP: "have it looked at",
}
_MARKS = {Urgency.MOVED: "!", Urgency.FAILED: "?"}
_UNKNOWN = "-"
#: Where nothing waits that nobody knows of, and nothing is to be done.
_NOTHING = {Urgency.UNKNOWN: "no readings yet", Urgency.BEYOND: "past a limit, no news"}


def cells_of(line: PierLine) -> Cells:
    """Return the cells of a line."""
    failed = line.urgency is Urgency.FAILED
    return Cells(
        mark=_MARKS.get(line.urgency, ""),
        name=harmless(line.name),
        axis=_UNKNOWN if line.axis is None else _axis(line.axis),
        tilt=_UNKNOWN if line.tilt is None else _tilt(line.tilt),
        age=_age(line),
        waits=harmless(line.trouble) if failed else waits_words(line),
        urgency=line.urgency,
        failed=failed,
    )


def _axis(axis: Against) -> str:
    return f"{_near(axis)}{_in_arcmin(axis)}"


def _tilt(tilt: Against) -> str:
    if max(tilt.value, tilt.sd, tilt.limit) >= ARCMIN_FROM:
        return f"{_near(tilt)}{_in_arcmin(tilt)}"
    return f"{_near(tilt)}{angle(tilt.value, tilt.sd, mark='')} of {plain_angle(tilt.limit)}"


def _in_arcmin(against: Against) -> str:
    """Return ``1.4 ± 0.1 of 2'``: the unit stands behind the limit alone."""
    return f"{pair(against.value / 60.0, against.sd / 60.0, '')} of {plain_arcmin(against.limit / 60.0)}"


def _near(against: Against) -> str:
    """Return what says that nobody can tell on which side of its limit a value is."""
    return "~" if against.standing is Standing.CLOSE else ""


def _age(line: PierLine) -> str:
    days = nights_ago(line)
    return _UNKNOWN if days is None else f"{days} d"


def nights_ago(line: PierLine) -> int | None:
    """Return the age of the last night that shows the axis [days], by the site's mean time."""
    if line.last_night_us is None or line.longitude_deg is None:
        return None
    evening = evening_of(line.last_night_us, line.longitude_deg)
    return max(0, (local_day(line.now_us, line.longitude_deg) - evening).days)


def waits_words(line: PierLine) -> str:
    """Return what waits at a pier, and what is to be done, in a few words."""
    news, do = _news(line.waiting), _to_do(line)
    if not news and not do:
        return _NOTHING.get(line.urgency, "")
    return "; ".join(filter(None, (news, do)))


def _news(waiting: Sequence[Waiting]) -> str:
    if not waiting:
        return ""
    first, more = waiting[0], len(waiting) - 1
    once = " (seen once)" if first.seen_once else ""
    return f"{_NEWS[first.kind]}{once}{f' +{more}' if more else ''}"


def _to_do(line: PierLine) -> str:
    both = {Do.TURN_AZIMUTH, Do.TURN_ALTITUDE} <= set(line.do)
    words = []
    for do in line.do:
        if both and do is Do.TURN_ALTITUDE:
            continue
        words.append("turn both knobs" if both and do is Do.TURN_AZIMUTH else _DO[do])
    said = [one for one in words if one]
    return f"{said[0]}, ..." if len(said) > 1 else said[0] if said else ""


# ---- A failure in words.


def failure_words(done: Done) -> str:
    """Return why the task of a pier was not done, a sentence or a paragraph."""
    times = counted(done.tries, "try", "tries")
    again = "; the next run tries it again"
    return {
        # its folder says nothing that the pier's name does not, and what is shared tells no paths
        TaskFailure.REFUSED: done.trouble.replace(f"{done.pier.site_path.parent}{os.sep}", ""),
        TaskFailure.UNFORESEEN: f"something went wrong that should not have ({done.trouble}).  Run "
        f"`drift --debug status --pier {done.pier.site_path}` and send what it prints to the developers.",
        TaskFailure.BROKE_DOWN: f"its process was ended before it was done, in {times}{again}.  Is there "
        "enough memory?  Fewer --workers need less.",
        TaskFailure.TOO_LONG: f"it took too long and was stopped, in {times}{again}.",
        TaskFailure.OTHER_PROGRAM: f"a worker of the cluster has other versions ({done.trouble}) and might "
        "come to other results.  Install the same version of drift and of its libraries everywhere.",
        TaskFailure.CLUSTER_GONE: "the connection to the cluster's scheduler was lost before it was done"
        f"{again}.",
        None: "",
    }[done.failure]


# ---- The list in words.


_COLUMNS = 80
#: A name is cut so far at most where what waits needs the room, and to so much room at most.
_LONGEST_SHOWN, _SHORTEST_SHOWN, _WAITS_ROOM = 20, 10, 28
_GAP = "  "


@dataclass(frozen=True)
class ShownLine:
    """A line as it is printed, and how urgent it is; None: a heading."""

    text: str
    urgency: Urgency | None = None


def shown_lines(lines: Sequence[PierLine], width: int = _COLUMNS) -> tuple[ShownLine, ...]:
    """Return a table of one line a pier under its headings, in the order of `lines`.

    Parameters
    ----------
    lines
        The lines, the most urgent first: `drift.piers.line.by_urgency`.
    width
        Columns that there are.
    """
    made = [cells_of(line) for line in lines]
    whole = [cells for cells in made if not cells.failed]
    columns = [
        (HEADINGS[0], [cells.name for cells in made]),
        ("Axis", [cells.axis for cells in whole]),
        ("Tilt", [cells.tilt for cells in whole]),
        ("Night", [cells.age for cells in whole]),
    ]
    widths = [max(map(len, [heading, *texts])) for heading, texts in columns]
    waits = min(_WAITS_ROOM, max((len(cells.waits) for cells in whole), default=0))
    room = width - 2 - sum(widths[1:]) - len(_GAP) * len(columns) - waits
    widths[0] = min(widths[0], _LONGEST_SHOWN, max(room, _SHORTEST_SHOWN))
    heads = [heading.ljust(size) for (heading, _), size in zip(columns, widths, strict=True)]
    heads[-1] = heads[-1].strip().rjust(widths[-1])
    out = [ShownLine(_cut("  " + _GAP.join([*heads, "Waits"]), width))]
    for cells in made:
        start = f"{cells.mark:<2}{_cut(cells.name, widths[0]).ljust(widths[0])}{_GAP}"
        if cells.failed:
            text = start + " ".join(cells.waits.split())
        else:
            axis, tilt, age = (
                cells.axis.ljust(widths[1]),
                cells.tilt.ljust(widths[2]),
                cells.age.rjust(widths[3]),
            )
            text = start + _GAP.join((axis, tilt, age, cells.waits))
        out.append(ShownLine(_cut(text, width).rstrip(), cells.urgency))
    return tuple(out)


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else f"{text[: max(0, width - 3)].rstrip()}..."


_COUNTED = {
    Urgency.MOVED: ("has moved", "have moved"),
    Urgency.FAILED: ("can't be looked at", "can't be looked at"),
    Urgency.BEYOND: ("is past a limit without news", "are past a limit without news"),
    Urgency.SEEN_ONCE: ("waits for a second night", "wait for a second night"),
    Urgency.NOTICE: ("has a notice", "have notices"),
    Urgency.CLOSE: ("is near a limit", "are near a limit"),
    Urgency.UNKNOWN: ("has no readings yet", "have no readings yet"),
    Urgency.QUIET: ("is quiet", "are quiet"),
}


def summary(lines: Sequence[PierLine]) -> str:
    """Return how many piers there are of each urgency."""
    counts = Counter(line.urgency for line in lines)
    parts = [f"{counts[one]} {words[counts[one] > 1]}" for one, words in _COUNTED.items() if counts[one]]
    return f"{counted(len(lines), 'pier')}: {listed(parts)}."


def taken_words(nights: Sequence[PierNight]) -> str:
    """Return how much came in at how many piers."""
    rows = [sum(one.went_in for one in night.result.taken) for night in nights if night.result is not None]
    fresh = [count for count in rows if count]
    if not fresh:
        return "Nothing new came in."
    return f"{counted(sum(fresh), 'row')} came in at {counted(len(fresh), 'pier')}."


def care_words(night: PierNight) -> tuple[str, ...]:
    """Return what needs someone at one pier, each with the pier's name before it."""
    result = night.result
    if result is None or not night.needs_care:
        return ()
    said = [f"the folder {folder} of [logs] folders is not there." for folder in result.missing]
    said += [file_words(one, brief=True) for one in result.waiting if one.why is not FileWaits.GROWING]
    said += result.troubles
    return tuple(f"{harmless(night.line.name)}: {sentence}" for sentence in said)


#: So many piers are named, of more their number is told.
_MOST_NAMED = 6


def shared_care_words(nights: Sequence[PierNight]) -> tuple[str, ...]:
    """Return what needs someone in the weather folders that piers share: of each folder and file once."""
    shared = {night.line.name: night.result.shared for night in nights if night.result is not None}
    gone = dict.fromkeys(folder for one in shared.values() for folder in one.missing)
    said = [f"the folder {folder} that weather in the list of piers names is not there." for folder in gone]
    waiting: dict[tuple[str, FileWaits], tuple[FileWaiting, list[str]]] = {}
    for name, own in shared.items():
        for one in own.waiting:
            if one.why is not FileWaits.GROWING:
                waiting.setdefault((one.file, one.why), (one, []))[1].append(harmless(name))
    said += [_shared_file_words(one, names) for one, names in waiting.values()]
    return tuple(f"Shared weather: {sentence}" for sentence in said)


def _shared_file_words(one: FileWaiting, names: Sequence[str]) -> str:
    if one.why is not FileWaits.QUESTION:
        return file_words(one, brief=True)
    return (
        f"{Path(one.file).name}: how it is to be read is open at {_named(names)}; `drift import` asks at one "
        "of them, and the logs.toml that it writes there serves the others, copied beside their site files."
    )


def _named(names: Sequence[str]) -> str:
    return listed(names) if len(names) <= _MOST_NAMED else counted(len(names), "pier")


_ENDED = {
    LoanState.OUTGROWN: "has a whole winter of its own",
    LoanState.SWITCHED_OFF: "is kept to its own by its site file",
    LoanState.TOO_FEW: "has fewer than three neighbours that can lend",
}


def loans_words(loans: Sequence[Loan]) -> str:
    """Return in one line what was lent to whom, "" where nothing is lent and nothing ended."""
    told = [loan for loan in loans if not loan.trouble]
    kinds: dict[tuple[LoanState, tuple[str, ...], int], list[str]] = {}
    for loan in told:
        key = (loan.state, loan.lenders, loan.since_us if loan.state is LoanState.STANDS else 0)
        kinds.setdefault(key, []).append(harmless(loan.pier))
    parts = [_loan_words(state, by, since_us, names) for (state, by, since_us), names in kinds.items()]
    return f"Winters lent: {'; '.join(parts)}." if parts else ""


def _loan_words(state: LoanState, lenders: Sequence[str], since_us: int, names: Sequence[str]) -> str:
    to, by = _named(names), _named([harmless(one) for one in lenders])
    if state is LoanState.STANDS:
        return f"to {to} as told by {by} on {local_day(since_us, 0.0)}"
    if state in (LoanState.BEGUN, LoanState.RENEWED):
        anew = " anew" if state is LoanState.RENEWED else ""
        return f"to {to}{anew} by {by}, from the next answer on"
    return f"no more to {to}, which {_ENDED[state]}"


def loan_troubles(loans: Sequence[Loan]) -> tuple[str, ...]:
    """Return where what is lent could not be noted, a sentence each."""
    return tuple(
        f"{harmless(loan.pier)}: what its neighbours lend could not be noted, the next round tries again: "
        f"{harmless(loan.trouble)}"
        for loan in loans
        if loan.trouble
    )


def common_words(common: Sequence[Notice]) -> tuple[str, ...]:
    """Return what piers have in common, a sentence each."""
    return tuple(sentence(notice) for notice in common)


# ---- The list as data.


def as_mapping(
    lines: Sequence[PierLine],
    place: Path | None = None,
    common: Sequence[Notice] = (),
    exact_positions: bool = False,
) -> dict[str, Any]:
    """Return the list as plain lists, mappings, numbers and text.

    Parameters
    ----------
    lines
        The lines, in order.
    place
        The folder or list; site files are named from there, so that nothing else of this machine is told.
    common
        What the piers have in common.
    exact_positions
        Whether positions are given as the site files have them, and not rounded.
    """
    document = {
        "format": "drift-piers",
        "version": 1,
        "positions": "exact" if exact_positions else "rounded",
        "piers": [_line(line, place) for line in lines],
        "common": [as_data(notice) for notice in common],
    }
    return document if exact_positions else place_rounded(document)


def nights_mapping(
    nights: Sequence[PierNight],
    place: Path | None = None,
    common: Sequence[Notice] = (),
    loans: Sequence[Loan] = (),
) -> dict[str, Any]:
    """Return what came of the nightly job of several piers as plain data, their lines as in `as_mapping`."""
    document = as_mapping([night.line for night in nights], place, common)
    for entry, night in zip(document["piers"], nights, strict=True):
        result = night.result
        entry["nightly"] = None if result is None else _nightly(result)
    lent = [named(loan, "pier", "state", "lenders", "since_us", "trouble") for loan in loans]
    shared = [night.result.shared for night in nights if night.result is not None]
    weather = {
        "folders_missing": len({folder for one in shared for folder in one.missing}),
        "files_waiting": _waiting_files([one for each in shared for one in each.waiting]),
    }
    return {**document, "format": "drift-piers-nightly", "weather": weather, "lent": lent}


def _nightly(result: NightlyResult) -> dict[str, Any]:
    return {
        "rows_taken_in": sum(one.went_in for one in result.taken),
        "rows_set_aside": sum(one.set_aside for one in result.taken),
        **named(result, "needs_care", "sent", "digest"),
        "files_waiting": _waiting_files(result.waiting),
        "folders_missing": len(result.missing),
        "troubles": [*result.troubles],
        "report": None if result.report is None else result.report.name,
    }


def _waiting_files(waiting: Sequence[FileWaiting]) -> list[dict[str, str]]:
    """Return files that wait, by their names and each once, and why."""
    found = dict.fromkeys((Path(one.file).name, str(one.why)) for one in waiting)
    return [{"file": name, "why": why} for name, why in found]


def _line(line: PierLine, place: Path | None) -> dict[str, Any]:
    of_limit = ("value", "sd", "limit", "standing", "time_us")
    return {
        **named(line, "name", "urgency", "waits"),
        "site_file": _from(place, line.site_path),
        **named(line, "latitude_deg", "longitude_deg", decimals=None),
        "axis": None if line.axis is None else named(line.axis, *of_limit, "limit_of"),
        "tilt": None if line.tilt is None else named(line.tilt, *of_limit, "toward_bearing_deg"),
        **named(line, "last_night_us", "last_reading_us", "now_us"),
        "night_age_days": nights_ago(line),
        "waiting": [named(one, "kind", "code", "time_us", "alarm", "seen_once") for one in line.waiting],
        "do": [str(do) for do in line.do],
        "trouble": line.trouble or None,
    }


def _from(place: Path | None, site_path: str) -> str:
    """Return a site file's path from the list's folder on, or its last parts where it lies elsewhere."""
    path = Path(site_path)
    if place is not None:
        folder = place.parent if place.suffix == ".toml" else place
        with_dots = os.path.relpath(path.absolute(), folder.absolute())
        if not with_dots.startswith(".."):
            return Path(with_dots).as_posix()
    return Path(*path.parts[-2:]).as_posix()
