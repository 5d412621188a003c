"""The pages that only show: now, pictures, seasons, nights, events."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response

from drift.advice.words import angle, as_utc, counted
from drift.errors import DriftError
from drift.page.desk import Desk
from drift.page.pointed import evenings_of
from drift.page.warnings_told import news_of
from drift.show import phrases
from drift.show.drawing import Drawn
from drift.show.figures.seasons import season_day
from drift.show.origin import NightOrigin, night_origin, nights_of
from drift.show.report import said
from drift.show.tables import axis, causes
from drift.show.tables.table import Table
from drift.show.times import clock_text, evening_of, zone_of

if TYPE_CHECKING:
    from drift.answer import Answer
    from drift.night.result import NightAxis
    from drift.page.standing import Standing


class NoSuchPage(DriftError):
    """The record holds nothing under the name that an address gives."""


#: The pictures on the first page.
_FIRST = ("axis", "lean")
_LAST_NIGHTS = 8
#: First word of a picture's name -> heading over those that stand side by side.
_CLOSE_UPS = {"event": "Events close up", "causes": "Cause by cause"}


def now(desk: Desk, request: Request) -> Response:
    """Show the verdict, what to do, what is new, and the first pictures."""
    answer, standing, fresh = desk.answer()
    assert standing.drawings is not None
    known = {picture.name for picture in standing.drawings.shown}
    drawn = [standing.drawings.named(name).drawn for name in _FIRST if name in known]
    return desk.show(
        request,
        "now",
        said(answer),
        fresh=fresh,
        pictures=drawn,
        last_nights=axis.last_nights_table(answer, _LAST_NIGHTS),
        news=news_of(answer, desk.pier()[1])[0],
    )


def pictures(desk: Desk, request: Request) -> HTMLResponse:
    """Show all pictures."""
    _, standing, fresh = desk.answer()
    assert standing.drawings is not None
    drawn = [standing.drawings.named(picture.name).drawn for picture in standing.drawings.shown]
    return desk.show(
        request,
        "pictures",
        fresh=fresh,
        pictures=[one for one in drawn if not one.narrow],
        close_ups=[
            (words, [one for one in drawn if one.narrow and one.kind == kind])
            for kind, words in _CLOSE_UPS.items()
        ],
        left_out=standing.drawings.left_out,
    )


def picture_values(desk: Desk, request: Request) -> Response:
    """Give the values under the pointer of one picture."""
    _, standing, _ = desk.answer()
    assert standing.drawings is not None
    size = "phone" if request.query_params.get("size") == "phone" else "wide"
    values = standing.drawings.named(request.path_params["name"]).values
    return JSONResponse(values.get(size) or values.get("phone") or [])


def seasons(desk: Desk, request: Request) -> HTMLResponse:
    """List the seasons, with what each winter did."""
    answer, standing, fresh = desk.answer()
    return desk.show(
        request,
        "seasons",
        fresh=fresh,
        seasons=_season_counts(answer),
        winters=causes.winters_table(answer),
        picture=_drawn(standing, "seasons"),
    )


def season(desk: Desk, request: Request) -> HTMLResponse:
    """Show the nights, events and corrections of one season."""
    answer, _, fresh = desk.answer()
    name = request.path_params["name"]
    names = [one for one, _ in _season_counts(answer)]
    if name not in names:
        raise NoSuchPage(f"there is no season {name!r} in the record; there are {', '.join(names)}.")
    at = names.index(name)
    events = causes.events_table(answer)
    corrections = causes.corrections_table(answer)
    history = answer.history
    return desk.show(
        request,
        "season",
        fresh=fresh,
        name=name,
        earlier=names[at - 1] if at else "",
        later=names[at + 1] if at + 1 < len(names) else "",
        nights=_nights_in(answer, name),
        winter=_only(causes.winters_table(answer), [one.winter == name for one in history.winters]),
        events=_only(events, [_season_of(answer, one.before_us) == name for one in history.events]),
        corrections=_only(
            corrections, [_season_of(answer, one.time_us) == name for one in history.corrections]
        ),
    )


def nights(desk: Desk, request: Request) -> HTMLResponse:
    """List the nights of the latest season, and the earlier seasons."""
    answer, standing, fresh = desk.answer()
    counts = [one for one in _season_counts(answer) if one[1]]
    return desk.show(
        request,
        "nights",
        fresh=fresh,
        latest=_nights_in(answer, counts[-1][0]) if counts else None,
        earlier=counts[-2::-1],
        picture=_drawn(standing, "nights"),
    )


def night(desk: Desk, request: Request) -> HTMLResponse:
    """Show one night, down to the rows and files that it came from."""
    answer, standing, fresh = desk.answer()
    try:
        evening = date.fromisoformat(request.path_params["evening"])
    except ValueError as error:
        raise NoSuchPage(
            f"{request.path_params['evening']!r} is no date: write that of the evening, such as 2024-02-11."
        ) from error
    found = nights_of(answer, evening)
    evenings = sorted(evenings_of(answer))
    if not found:
        raise NoSuchPage(f"the record holds no night that began on {evening}.")
    book = desk.pier()[1]
    origins = [night_origin(answer, one, book.held, book.origins, standing.row_ids) for one in found]
    at = evenings.index(evening)
    return desk.show(
        request,
        "night",
        fresh=fresh,
        evening=evening,
        parts=[_part(answer, one) for one in origins],
        earlier=evenings[at - 1] if at else "",
        later=evenings[at + 1] if at + 1 < len(evenings) else "",
        season=_season_of(answer, found[0].time_us),
    )


def events(desk: Desk, request: Request) -> HTMLResponse:
    """List the events."""
    answer, _, fresh = desk.answer()
    return desk.show(request, "events", fresh=fresh, events=causes.events_table(answer))


def event(desk: Desk, request: Request) -> HTMLResponse:
    """Show one event close up."""
    answer, standing, fresh = desk.answer()
    number, history = request.path_params["number"], answer.history
    if not 1 <= number <= len(history.events):
        held = counted(len(history.events), "event")
        raise NoSuchPage(f"there is no event {number}; the record holds {held}.")
    one = history.events[number - 1]
    longitude = answer.site.site.longitude_deg
    table = causes.events_table(answer)
    row = table.rows[number - 1]
    return desk.show(
        request,
        "event",
        fresh=fresh,
        number=number,
        of=len(history.events),
        event_facts=list(zip(table.headings[1:], row[1:], strict=True)),
        note=table.note,
        picture=_drawn(standing, f"event-{number}"),
        before=evening_of(one.after_us, longitude),
        after=evening_of(one.before_us, longitude),
        evenings=evenings_of(answer),
    )


def _drawn(standing: Standing, name: str) -> Drawn | None:
    try:
        return None if standing.drawings is None else standing.drawings.named(name).drawn
    except DriftError:  # it has nothing to show
        return None


def _season_of(answer: Answer, time_us: int) -> str:
    return season_day(as_utc(time_us), answer.site.site.latitude_deg < 0)[1]


def _season_counts(answer: Answer) -> list[tuple[str, int]]:
    """Return the seasons in which there is anything, the earliest first, with how many nights each has."""
    south = answer.site.site.latitude_deg < 0
    counts: dict[tuple[int, str], int] = {}
    history = answer.history
    dated = [*(one.time_us for one in history.corrections), *(one.before_us for one in history.events)]
    for time_us in (*history.time_us.tolist(), *dated):
        counts.setdefault(season_day(as_utc(time_us), south)[:2], 0)
    for one in answer.nights.nights:
        key = season_day(as_utc(one.time_us), south)[:2]
        counts[key] = counts.get(key, 0) + 1
    return [(name, count) for (_, name), count in sorted(counts.items())]


def _nights_in(answer: Answer, name: str) -> Table:
    """Return the table of the nights of one season, the latest first."""
    table = axis.nights_table(answer)
    kept = [_season_of(answer, one.time_us) == name for one in answer.nights.nights[::-1]]
    return replace(_only(table, kept), title=f"The nights of {name}")


def _only(table: Table, kept: list[bool]) -> Table:
    return replace(table, rows=tuple(row for row, keep in zip(table.rows, kept, strict=True) if keep))


def _part(answer: Answer, found: NightOrigin) -> dict[str, object]:
    zone = zone_of(answer.site.site.timezone)
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
        "facts": _night_facts(found.night, answer.site.site.latitude_deg),
        "remarks": found.night.remarks,
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
