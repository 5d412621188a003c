"""Tonight at the pier: the fields, the axis so far, what to turn, Done, and what is typed in one form.

The page asks for its middle part every two seconds and keeps what it has while there is no answer
(`static/page.js`).  What is pushed while there is no connection is sent until it gets through, with how long
ago that was; a step is recorded once however often it arrives.  Nothing of the evening is kept here: it is
in the record.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from drift.advice.steps import AdvisedStep
from drift.api import follow_tonight
from drift.codes import Next
from drift.errors import Doubtful, DriftError
from drift.importer.by_hand import record_rows
from drift.record.engine import now_us
from drift.render import by_hand
from drift.render.advice_words import action_sentence
from drift.render.import_words import error_words
from drift.render.notices import sentence
from drift.render.phrases import as_advised_note, clock_text, utc_text, zone_of
from drift.render.tonight import axis_lines, field_lines, following_table
from drift.render.tonight_words import told
from drift.tonight.axis_tonight import night_of
from drift.web.current import PageState, page
from drift.web.forms import (
    ALIGNMENT,
    FORMS,
    LEVEL,
    FormError,
    FormPart,
    clock_value,
    rows_of,
    text_of,
    time_of,
)

if TYPE_CHECKING:
    from drift.record.record import Record
    from drift.site.file import PierFile
    from drift.tonight.follow import Following
    from drift.types import Analysis

_MINUTE_US = 60_000_000
#: What was pushed longer ago than this is not believed [s].
_LONGEST_AGO_S = 7200.0
#: A solve dated after the present by less than this is of now, by a clock that is ahead [us].
_CLOCK_US = 600_000_000


def show(page_state: PageState, request: Request) -> Response:
    """Show the evening so far."""
    page_state.watched.start()
    current, _ = page_state.current()
    return page_state.show(request, "tonight", _evening(page_state, request, current.analysis))


def part(page_state: PageState, request: Request) -> Response:
    """Give the middle of the page, or nothing where what the browser has still holds."""
    mark = _mark(page_state)
    if request.query_params.get("mark") == mark:
        return Response(status_code=204)
    current = page_state.keeper.current(0.0)[0]
    values = _evening(page_state, request, None if current is None else current.analysis)
    return HTMLResponse(page("tonight_part", request, token=page_state.rules.form_token, **values))


def _mark(page_state: PageState) -> str:
    """Return a mark of all that the middle of the page depends on."""
    site, record = page_state.pier()
    watched, latest = page_state.watched, page_state.watched.latest
    came = latest[-1][0] if latest else 0.0
    parts = (
        record.stand(),
        record.place_mark,
        came,
        watched.trouble,
        watched.missing,
        now_us() // _MINUTE_US,
    )
    return hashlib.blake2b(f"{site.model_dump_json()} {parts}".encode(), digest_size=12).hexdigest()


def _evening(page_state: PageState, request: Request, analysis: Analysis | None) -> dict[str, Any]:
    mark = _mark(page_state)
    site, record = page_state.pier()
    zone = zone_of(site.site.timezone)
    made = follow_tonight(site, record, analysis, at_us=now_us())
    ahead = {one.n: one for one in made.fields}
    asking = made.step in (Next.SOLVE, Next.SOLVE_AGAIN, Next.VERIFY)
    return {
        "mark": mark,
        "now": clock_text(made.at_us, zone)[11:],
        "evening": made,
        "lead": told(made.notice, zone),
        "turns": list(
            zip(map(action_sentence, made.turns), made.turns, _ids(site, record, made), strict=True)
        ),
        "cautions": [sentence(one) for one in made.cautions],
        "axis": axis_lines(made),
        "ahead": [field_lines(ahead[n], zone) for n in made.next_fields[:1]] if asking else [],
        "remarks": [told(one, zone) for one in made.notices],
        "table": following_table(made),
        "latest": [
            (clock_text(round(at_s * 1e6), zone)[11:], by_hand.outcome_words(one))
            for at_s, one in list(page_state.watched.latest)[::-1]
        ],
        "folders": [str(one) for one in page_state.watched.folders()],
        "missing": page_state.watched.missing,
        "trouble": page_state.watched.trouble,
    }


def _ids(site: PierFile, record: Record, made: Following) -> list[str]:
    """Keep the turns in the record and return their ids, "" for what can't be recorded as done."""
    steps = [AdvisedStep.of(one) for one in made.turns]
    kept = [(str(one.do), one.numbers()) for one in steps if one is not None]
    ids = iter(record.keep_steps(night_of(site, made.at_us)[0], kept))
    return ["" if one is None else next(ids) for one in steps]


def done(page_state: PageState, request: Request, given: FormData) -> Response:
    """Record a turn as advised; one that was recorded before is not recorded again."""
    site, record = page_state.pier()
    step = text_of(given, "step")
    kept = record.kept_step(step)
    if kept is None:
        raise FormError("this turn is not one of tonight: reload the page, and look what is to be done now.")
    advised = AdvisedStep.from_numbers(kept.do, kept.numbers)
    rows = [{**row, "note": as_advised_note(step)} for row in advised.rows()]
    if step in [one.step for one in record.steps_done()]:
        return page_state.go("/tonight", "This turn is recorded already.")
    when = utc_text(_when(site, record, text_of(given, "ago_s")))
    form = FORMS[rows[0]["kind"]]
    record_rows(record, form.table, [{"time_utc": when, **row} for row in rows], step)
    said = f"Recorded: {by_hand.words(form.table, rows, site)}"
    return page_state.go("/tonight", said)


def _when(site: PierFile, record: Record, ago_s: str) -> int:
    """Return when a turn was made: after the solves that asked for it, also where their clock is ahead."""
    now = now_us()
    try:
        ago = float(ago_s or 0.0)
    except ValueError:
        ago = 0.0
    made = now - round(1e6 * ago) if 0.0 <= ago <= _LONGEST_AGO_S else now
    solves = [one.values["time_us"] for one in record.held("solves", night_of(site, now)) if one.in_use]
    last = max((at for at in solves if at <= now + _CLOCK_US), default=0)
    return max(made, last + 1_000_000) if last > made else made


def make_list(page_state: PageState, request: Request, given: FormData) -> Response:
    """Make the list anew, for so many minutes."""
    minutes = text_of(given, "minutes")
    try:
        wanted = float(minutes)
    except ValueError:
        wanted = -1.0
    if not 0.0 < wanted <= 1440.0:
        raise FormError(f"{minutes!r} is no number of minutes: write one such as 15.", "minutes")
    analysis = page_state.current()[0].analysis
    follow_tonight(*page_state.pier(), analysis, at_us=now_us(), minutes=wanted)
    return page_state.go("/tonight", f"The list is made for {wanted:g} minutes.")


# ---- What is typed in one breath: alignment errors, a level both ways round, the temperature, a note.


#: Which form each field belongs to, by the beginning of its name.
_PREFIX = {ALIGNMENT: "a_", LEVEL: "l_"}
_UNITS_KEPT = "units typed"
#: It is neither colder nor warmer than this at a pier at night [deg C].
_COLDEST_C, _WARMEST_C = -70.0, 60.0


def type_form(page_state: PageState, request: Request) -> HTMLResponse:
    """Show the form."""
    site, record = page_state.pier()
    when = {"when": clock_value(now_us() // _MINUTE_US * _MINUTE_US, zone_of(site.site.timezone))}
    return _show_type(page_state, request, {**_units(record), **when}, None)


def typed(page_state: PageState, request: Request, given: FormData) -> Response:
    """Record all that was typed: what is right of it goes in together, or nothing does."""
    site, record = page_state.pier()
    filled = {name: value for name, value in given.items() if isinstance(value, str)}
    try:
        when, note = time_of(given, zone_of(site.site.timezone)), _note(given)
        rows = {name: _rows(name, given, site) for name in (ALIGNMENT, LEVEL)}
        if not any(rows.values()):
            raise FormError(
                "nothing is filled in: give an alignment error or a level reading.", "a_az_error_arcmin"
            )
        said = []
        for name, own in rows.items():
            table = FORMS[name].table
            made = [{"time_utc": when, **row, **({"note": note} if note else {})} for row in own]
            if not own:
                continue
            outcome = record_rows(record, table, made, sure=bool(text_of(given, "sure")))
            head = "Recorded" if outcome.went_in else "In the record already"
            said += [f"{head}: {by_hand.words(table, [row], site)}" for row in own]
    except Doubtful as doubt:
        return _show_type(page_state, request, {**filled, "doubted": "yes"}, doubt)
    except DriftError as error:
        return _show_type(page_state, request, filled, error)
    record.keep_field_plan(_UNITS_KEPT, json.dumps({name: filled.get(name, "") for name in _UNIT_FIELDS}))
    return page_state.go("/tonight", *said)


_UNIT_FIELDS = ("a_unit", "l_unit")


def _units(record: Record) -> dict[str, str]:
    """Return the units in which was typed last: those of the instruments."""
    kept = record.kept_field_plan(_UNITS_KEPT)
    try:
        found = {} if kept is None else json.loads(kept[0])
        return {name: str(found[name]) for name in _UNIT_FIELDS if found.get(name)}
    except (ValueError, AttributeError):
        return {}


def _rows(name: str, given: FormData, site: PierFile) -> list[dict[str, str]]:
    """Return the rows of one of the forms; none where nothing of it is filled in."""
    head = _PREFIX[name]
    own = {key.removeprefix(head): value for key, value in given.items() if key.startswith(head)}
    numbers = [part.name for part in _parts(name, site) if not part.choices]
    if not any(own.get(key) for key in numbers if not key.startswith("sigma")):
        return []
    if name == LEVEL:
        own["face"] = (
            "pair" if own.get("turned_tilt_north_arcsec") or own.get("turned_tilt_east_arcsec") else ""
        )
    try:
        return rows_of(FORMS[name], FormData(own), site)
    except FormError as error:
        raise FormError(str(error), f"{head}{error.field}" if error.field else "") from error


def _parts(name: str, site: PierFile) -> list[FormPart]:
    return [one for one in FORMS[name].parts(site, False) if one.name != "face"]


def _note(given: FormData) -> str:
    temperature = text_of(given, "temp_c")
    if temperature:
        try:
            value = float(temperature)
        except ValueError:
            value = float("nan")
        if not _COLDEST_C <= value <= _WARMEST_C:
            raise FormError(f"{temperature} is no temperature in °C: write one such as -3.5.", "temp_c")
        temperature = f"{value:g} °C"
    return "; ".join(one for one in (temperature, text_of(given, "note")) if one)


def _show_type(
    page_state: PageState, request: Request, filled: Mapping[str, str], trouble: DriftError | None
) -> HTMLResponse:
    site = page_state.pier()[0]
    said = "" if trouble is None else error_words(trouble)
    return page_state.show(
        request,
        "tonight_type",
        status=400 if trouble else 200,
        groups=[(FORMS[name].title, head, _parts(name, site)) for name, head in _PREFIX.items()],
        filled=dict(filled),
        trouble=f"{said[:1].upper()}{said[1:]}",
        wrong=trouble.field if isinstance(trouble, FormError) else "",
        zone=zone_of(site.site.timezone).key,
    )
