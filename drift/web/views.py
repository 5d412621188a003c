"""The pages that only show: now, history, seasons, nights, events; and what can be taken away."""

from __future__ import annotations

import json
import tempfile
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response

from drift.advice.situation import coming_of
from drift.advice.steps import awaits_a_night
from drift.errors import DriftError
from drift.ingest.text import spreadsheet_cell
from drift.quantities import as_utc
from drift.record.engine import now_us
from drift.render import phrases
from drift.render.catalogue import picture_named
from drift.render.drawing import FORMATS, Drawn, captioned_once, save_figure
from drift.render.figures.seasons import season_day
from drift.render.guide import TOPICS, guide_page, guide_picture
from drift.render.notebook import FRAMES, frame_of
from drift.render.notices import sentence
from drift.render.origin import NightOrigin, night_origin, nights_of
from drift.render.outlook import ahead_sentences, brief_sentences, realigning_sentences
from drift.render.phrases import angle, clock_text, counted, evening_of, zone_of
from drift.render.report import report_of_record, said
from drift.render.status import step_sentences
from drift.render.status_json import as_mapping
from drift.render.strip import has_outlook
from drift.render.tables import axis, causes
from drift.render.tables.axis import Table
from drift.render.watch_words import acknowledged_sentences, item_sentence
from drift.watch.changes import news_afresh, state_text
from drift.web.current import PageState
from drift.web.forms import text_of
from drift.web.pictures import DRAWING, evenings_of
from drift.web.record_pages import step_ids

if TYPE_CHECKING:
    import pandas as pd

    from drift.record.record import Record
    from drift.types import Analysis, NightAxis
    from drift.watch.coming import News
    from drift.web.current import CurrentAnalysis


# ---- What is new since it was last acknowledged, and the page on which it is acknowledged.


def news_of(analysis: Analysis, record: Record) -> tuple[News, str | None]:
    """Return the news, and the state acknowledged before, None where there is none that can be read."""
    last = record.last_acknowledged()
    return news_afresh(analysis, None if last is None else last[2], now_us(), record.latest_import_us())


def acknowledge(page_state: PageState, request: Request, form: FormData) -> Response:
    """Mark what was shown as seen, unless something else has come in since."""
    analysis, current, fresh = page_state.analysis()
    if not fresh or current.mark != text_of(form, "seen"):
        return page_state.go(
            "/",
            "The record has changed since you opened that page, so nothing was acknowledged.  Look at what "
            "is new now.",
        )
    record = page_state.pier()[1]
    found, before = news_of(analysis, record)
    state = state_text(analysis, before, now_us(), record.latest_import_us())
    dropped = record.acknowledge(text_of(form, "note"), state)
    return page_state.go("/", *acknowledged_sentences(found, dropped))


# ---- Help: the guide that travels along.


def helps(page_state: PageState, request: Request) -> HTMLResponse:
    """Show a topic of the guide, or list them."""
    topic = request.path_params.get("topic", "")
    if topic and topic not in TOPICS:
        raise NoSuchPage(f"the guide has no topic {topic!r}.")
    blocks = guide_page(topic) if topic else ()
    return page_state.show(request, "help", topic=topic, topics=TOPICS, blocks=blocks, picture=guide_picture)


# ---- The pages that only show: now, pictures, seasons, nights, events.


class NoSuchPage(DriftError):
    """The record holds nothing under the name that an address gives."""


_LAST_NIGHTS = 8
#: Pictures of the history page; others have pages of their own.
_HISTORY = ("seasons", "outlook", "axis", "ground", "moved")


def now(page_state: PageState, request: Request) -> Response:
    """Show how things stand, the strip, what to do, and what is new."""
    analysis, current, fresh = page_state.analysis()
    record = page_state.pier()[1]
    last, zone = record.last_acknowledged(), zone_of(analysis.site.site.timezone)
    words = said(analysis)
    return page_state.show(
        request,
        "now",
        words,
        fresh=fresh,
        weakened=words["warnings"],
        strip=_drawn(current, "strip"),
        steps=_steps(analysis, record),
        last_nights=axis.last_nights_table(analysis, _LAST_NIGHTS),
        news=news_of(analysis, record)[0],
        say=item_sentence,
        seen=current.mark,
        last_seen=None if last is None else (clock_text(last[0], zone), last[1]),
        coming=coming_sentences(analysis),
        ahead_drawn=has_outlook(analysis.history),
    )


def _steps(analysis: Analysis, record: Record) -> list[tuple[str, str]]:
    """Return each step with its id; without one where there is no "Done" yet, as a night comes first."""
    actions, ids = analysis.advice.actions, step_ids(analysis, record)
    shown = ["" if awaits_a_night(actions, one) else step for one, step in zip(actions, ids, strict=True)]
    return list(zip(step_sentences(analysis), shown, strict=True))


def coming_sentences(analysis: Analysis) -> list[str]:
    """Return the outlook in words: how axis and pier go on, and whether re-aligning is worth it."""
    coming = coming_of(analysis)
    if coming is None:
        return list(brief_sentences(analysis))
    zone, borrowed = zone_of(analysis.site.site.timezone), bool(analysis.history.borrowed_from)
    return list(
        dict.fromkeys(
            [
                *ahead_sentences(coming, zone, borrowed=borrowed),
                *realigning_sentences(coming, zone, analysis.now_us),
            ]
        )
    )


def history(page_state: PageState, request: Request) -> HTMLResponse:
    """Show how it went: the pictures, what moved, corrections, winters, and what can be taken away."""
    analysis, current, fresh = page_state.analysis()
    assert current.drawings is not None
    shown = current.drawings.shown
    drawn = {one.name: current.drawings.named(one.name).drawn for one in shown if one.name in _HISTORY}
    events = [current.drawings.named(one.name).drawn for one in shown if one.is_event]
    return page_state.show(
        request,
        "history",
        fresh=fresh,
        pictures=[drawn[name] for name in _HISTORY if name in drawn],
        close_ups=captioned_once(events),
        others=[
            one for one in shown if one.name not in _HISTORY and not one.is_event and one.name != "strip"
        ],
        left_out=current.drawings.left_out,
        events=causes.events_table(analysis),
        corrections=causes.corrections_table(analysis),
        winters=causes.winters_table(analysis),
        apart=causes.apart_table(analysis),
        seasons=_season_counts(analysis),
        frames=list(FRAMES),
        shown=shown,
        formats=[ending[1:] for ending in FORMATS],
    )


def one_picture(page_state: PageState, request: Request) -> HTMLResponse:
    """Show one picture with its numbers."""
    _, current, fresh = page_state.analysis()
    assert current.drawings is not None
    drawn = current.drawings.named(request.path_params["name"]).drawn
    return page_state.show(request, "picture", fresh=fresh, drawn=drawn)


def picture_values(page_state: PageState, request: Request) -> Response:
    """Give the values under the pointer of one picture."""
    _, current, _ = page_state.analysis()
    assert current.drawings is not None
    size = "phone" if request.query_params.get("size") == "phone" else "wide"
    values = current.drawings.named(request.path_params["name"]).values
    return JSONResponse(values.get(size) or values.get("phone") or [])


def season(page_state: PageState, request: Request) -> HTMLResponse:
    """Show the nights, events and corrections of one season."""
    analysis, _, fresh = page_state.analysis()
    name = request.path_params["name"]
    names = [one for one, _ in _season_counts(analysis)]
    if name not in names:
        raise NoSuchPage(f"there is no season {name!r} in the record; there are {', '.join(names)}.")
    at = names.index(name)
    events = causes.events_table(analysis)
    corrections = causes.corrections_table(analysis)
    history = analysis.history
    return page_state.show(
        request,
        "season",
        fresh=fresh,
        name=name,
        earlier=names[at - 1] if at else "",
        later=names[at + 1] if at + 1 < len(names) else "",
        nights=_nights_in(analysis, name),
        winter=_only(causes.winters_table(analysis), [one.winter == name for one in history.winters]),
        events=_only(events, [_season_of(analysis, one.before_us) == name for one in history.events]),
        corrections=_only(
            corrections, [_season_of(analysis, one.time_us) == name for one in history.corrections]
        ),
    )


def nights(page_state: PageState, request: Request) -> HTMLResponse:
    """List the nights of the latest season, and the earlier seasons."""
    analysis, current, fresh = page_state.analysis()
    counts = [one for one in _season_counts(analysis) if one[1]]
    return page_state.show(
        request,
        "nights",
        fresh=fresh,
        latest=_nights_in(analysis, counts[-1][0]) if counts else None,
        earlier=counts[-2::-1],
        quality=current.drawings is not None and any(one.name == "nights" for one in current.drawings.shown),
    )


def night(page_state: PageState, request: Request) -> HTMLResponse:
    """Show one night, down to the rows and files that it came from."""
    analysis, current, fresh = page_state.analysis()
    try:
        evening = date.fromisoformat(request.path_params["evening"])
    except ValueError as error:
        raise NoSuchPage(
            f"{request.path_params['evening']!r} is no date: write that of the evening, such as 2024-02-11."
        ) from error
    found = nights_of(analysis, evening)
    evenings = sorted(evenings_of(analysis))
    if not found:
        raise NoSuchPage(f"the record holds no night that began on {evening}.")
    record = page_state.pier()[1]
    origins = [night_origin(analysis, one, record.held, record.origins, current.row_ids) for one in found]
    at = evenings.index(evening)
    return page_state.show(
        request,
        "night",
        fresh=fresh,
        evening=evening,
        parts=[_part(analysis, one) for one in origins],
        earlier=evenings[at - 1] if at else "",
        later=evenings[at + 1] if at + 1 < len(evenings) else "",
        season=_season_of(analysis, found[0].time_us),
    )


def event(page_state: PageState, request: Request) -> HTMLResponse:
    """Show one event close up."""
    analysis, current, fresh = page_state.analysis()
    number, history = request.path_params["number"], analysis.history
    if not 1 <= number <= len(history.events):
        held = counted(len(history.events), "event")
        raise NoSuchPage(f"there is no event {number}; the record holds {held}.")
    one = history.events[number - 1]
    longitude = analysis.site.site.longitude_deg
    table = causes.events_table(analysis)
    row = table.rows[number - 1]
    return page_state.show(
        request,
        "event",
        fresh=fresh,
        number=number,
        of=len(history.events),
        event_facts=list(zip(table.headings[1:], row[1:], strict=True)),
        note=table.note,
        picture=_drawn(current, f"event-{number}"),
        before=evening_of(one.after_us, longitude),
        after=evening_of(one.before_us, longitude),
        evenings=evenings_of(analysis),
    )


def _drawn(current: CurrentAnalysis, name: str) -> Drawn | None:
    try:
        return None if current.drawings is None else current.drawings.named(name).drawn
    except DriftError:  # it has nothing to show
        return None


def _season_of(analysis: Analysis, time_us: int) -> str:
    return season_day(as_utc(time_us), analysis.site.site.latitude_deg < 0)[1]


def _season_counts(analysis: Analysis) -> list[tuple[str, int]]:
    """Return the seasons in which there is anything, the earliest first, with how many nights each has."""
    south = analysis.site.site.latitude_deg < 0
    counts: dict[tuple[int, str], int] = {}
    history = analysis.history
    dated = [*(one.time_us for one in history.corrections), *(one.before_us for one in history.events)]
    for time_us in (*history.time_us.tolist(), *dated):
        counts.setdefault(season_day(as_utc(time_us), south)[:2], 0)
    for one in analysis.nights.nights:
        key = season_day(as_utc(one.time_us), south)[:2]
        counts[key] = counts.get(key, 0) + 1
    return [(name, count) for (_, name), count in sorted(counts.items())]


def _nights_in(analysis: Analysis, name: str) -> Table:
    """Return the table of the nights of one season, the latest first."""
    table = axis.nights_table(analysis)
    kept = [_season_of(analysis, one.time_us) == name for one in analysis.nights.nights[::-1]]
    return replace(_only(table, kept), title=f"The nights of {name}")


def _only(table: Table, kept: list[bool]) -> Table:
    return replace(table, rows=tuple(row for row, keep in zip(table.rows, kept, strict=True) if keep))


def _part(analysis: Analysis, found: NightOrigin) -> dict[str, object]:
    zone = zone_of(analysis.site.site.timezone)
    rows = tuple(
        (
            one.origin.kind,
            one.origin.file,
            str(one.origin.line),
            "" if one.time_us is None else clock_text(one.time_us, zone),
            one.use,
            one.origin.raw,
        )
        for one in found.rows
    )
    used = sum(one.use.startswith("used") for one in found.rows)
    return {
        "when": clock_text(found.night.time_us, zone),
        "facts": _night_facts(found.night, analysis.site.site.latitude_deg),
        "remarks": [sentence(notice) for notice in found.night.notices],
        "shared": found.shared,
        "counts": f"{used} of {len(rows)} rows were used.",
        "rows": Table(
            "The rows behind it",
            ("kind", "file", "line", "time", "use", "text as it came"),
            rows,
            frozenset({2}),
        ),
    }


def _night_facts(night: NightAxis, latitude_deg: float) -> list[tuple[str, str]]:
    az, alt, zero = (float(value) for value in night.estimate)
    az_sd, alt_sd, zero_sd = np.sqrt(np.clip(np.diagonal(night.covariance), 0.0, None)).tolist()
    return [
        ("From", axis.source_words(night)),
        ("Axis in azimuth", phrases.azimuth_words(az, az_sd, latitude_deg)),
        ("Axis in altitude", phrases.altitude_words(alt, alt_sd)),
        ("Hour-angle zero", angle(zero, zero_sd) if np.isfinite(zero) else phrases.NOT_KNOWN),
        ("Readings used", axis.used_words(night)),
    ]


# ---- What can be taken away: the report, the data, each picture.


_TYPES = {
    ".png": "image/png",
    ".svg": "image/svg+xml",
    ".pdf": "application/pdf",
    ".csv": "text/csv; charset=utf-8",
}


def report(page_state: PageState, request: Request) -> Response:
    """Give the report as one file."""
    analysis, _, _ = page_state.analysis()
    with DRAWING:
        text = report_of_record(analysis, page_state.pier()[1])
    return _file(text.encode(), "report.html", "text/html; charset=utf-8")


def status(page_state: PageState, request: Request) -> Response:
    """Give the answer as JSON."""
    analysis, _, _ = page_state.analysis()
    text = json.dumps(as_mapping(analysis), indent=1, allow_nan=False)
    return _file(text.encode(), "status.json", "application/json")


def table(page_state: PageState, request: Request) -> Response:
    """Give one table of the answer as CSV."""
    analysis, _, _ = page_state.analysis()
    name = request.path_params["name"]
    text = _without_formulas(frame_of(analysis, name)).to_csv(index=False)
    return _file(text.encode(), f"{name}.csv", _TYPES[".csv"])


def picture(page_state: PageState, request: Request) -> Response:
    """Give one picture, or the numbers behind it."""
    analysis, _, _ = page_state.analysis()
    one = picture_named(analysis, request.path_params["name"])
    ending = f".{request.path_params['ending']}"
    if ending not in FORMATS:
        raise DriftError(f"there is no format {ending[1:]!r}; there are {', '.join(FORMATS)}.")
    with tempfile.TemporaryDirectory() as folder, DRAWING:
        path = Path(folder) / f"picture{ending}"
        save_figure(one, analysis, path)
        data = path.read_bytes()
    return _file(data, f"{one.name}{ending}", _TYPES[ending])


def _file(data: bytes, name: str, kind: str) -> Response:
    return Response(
        data, media_type=kind, headers={"Content-Disposition": f'attachment; filename="drift-{name}"'}
    )


def _without_formulas(frame: pd.DataFrame) -> pd.DataFrame:
    for column in frame.columns:
        if frame[column].dtype == object or str(frame[column].dtype).startswith(("str", "string")):
            frame[column] = [
                spreadsheet_cell(cell) if isinstance(cell, str) else cell for cell in frame[column]
            ]
    return frame
