"""What is recorded by hand: the list, the forms, editing, withdrawing, putting back; advised steps done."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from drift.advice.situation import situation_of
from drift.advice.steps import AdvisedStep, may_be_recorded
from drift.codes import RowState
from drift.errors import Doubtful, DriftError, RecordError
from drift.importer.by_hand import NAME, amend, in_our_units, record_rows
from drift.record.engine import now_us
from drift.render import by_hand
from drift.render.import_words import error_words
from drift.render.phrases import as_advised_note, clock_text, zone_of
from drift.web.current import PageState
from drift.web.forms import (
    ALIGNMENT,
    FORMS,
    LEVEL,
    FormError,
    FormPart,
    HandForm,
    clock_value,
    rows_of,
    same_amounts,
    text_of,
    time_of,
    values_of_row,
    values_of_step,
)

if TYPE_CHECKING:
    from drift.record.acts import RowHeld
    from drift.record.record import Record
    from drift.site.file import PierFile
    from drift.types import Analysis


#: Set where a form shows a doubt, and asks whether it is sure.
DOUBTED = "doubted"
_TABLES = ("corrections", "levels", "alignments")
#: Name of the table -> the form of its rows; those of corrections are known by their kind.
_FORM_OF = {"levels": LEVEL, "alignments": ALIGNMENT}


_GROUPS = (
    ("corrections", "Corrections", "No correction is in the record."),
    ("levels", "Level readings", "No level reading is in the record."),
    ("alignments", "Alignment errors", "None was typed by hand; those that logs brought are nights."),
)


_MINUTE_US = 60_000_000


@dataclass(frozen=True)
class Line:
    """One row of the list."""

    row_id: int
    table: str
    when: str
    words: str
    note: str
    where: str
    state: RowState
    done: tuple[str, ...]


def listing(page_state: PageState, request: Request) -> HTMLResponse:
    """List what was recorded, the latest first, also what was withdrawn and why."""
    site, record = page_state.pier()
    rows = _held(record)
    done = record.history([row.row_id for row in rows])
    zone = zone_of(site.site.timezone)
    rows.sort(key=lambda row: (row.values["time_us"], row.row_id), reverse=True)
    lines = [
        Line(
            row.row_id,
            row.kind,
            clock_text(row.values["time_us"], zone),
            by_hand.words(row.kind, [by_hand.as_text(row)], site).rstrip("."),
            row.values.get("note") or "",
            f"{row.file}, line {row.line}",
            row.state,
            tuple(by_hand.event_words(event, zone) for event in done.get(row.row_id, ())),
        )
        for row in rows
    ]
    return page_state.show(
        request,
        "record",
        kinds=[(form.name, form.title) for form in FORMS.values()],
        groups=[
            (
                table,
                title,
                none,
                [one for one in lines if one.state is RowState.IN_USE and one.table == table],
            )
            for table, title, none in _GROUPS
        ],
        states=RowState,
        gone=[line for line in lines if line.state is not RowState.IN_USE],
    )


def blank_form(page_state: PageState, request: Request) -> HTMLResponse:
    """Show the form for one kind of correction or reading by hand, its time filled in with the present."""
    form = _form_named(request.path_params["kind"])
    return _show_form(page_state, request, form, _at_present(page_state.pier()[0]), None, None)


def _at_present(site: PierFile) -> dict[str, str]:
    """Return the time of now on the site's clock, to the minute, as a form has it."""
    return {"when": clock_value(now_us() // _MINUTE_US * _MINUTE_US, zone_of(site.site.timezone))}


def record(page_state: PageState, request: Request, given: FormData) -> Response:
    """Write a correction or a level reading down."""
    form = _form_named(request.path_params["kind"])
    site, record = page_state.pier()
    try:
        rows = rows_of(form, given, site)
        when = time_of(given, zone_of(site.site.timezone))
        before = record.held(form.table)
        rows = [in_our_units(row) for row in rows]
        sure = bool(text_of(given, "sure"))
        outcome = record_rows(record, form.table, [{"time_utc": when, **row} for row in rows], sure=sure)
    except Doubtful as doubt:
        values = {**_as_given(given), DOUBTED: "yes"}
        return _show_form(page_state, request, form, values, doubt, None)
    except DriftError as error:
        return _show_form(page_state, request, form, _as_given(given), error, None)
    if not outcome.went_in:
        return page_state.go("/record", "Exactly this is in the record already; nothing was added.")
    together = [rows] if form.table == "corrections" else [[row] for row in rows]
    said = [f"Recorded: {by_hand.words(form.table, some, site)}" for some in together]
    said += by_hand.remarks(rows, site)
    if form.table == "corrections":
        said += by_hand.alike(record.held(form.table), before, zone_of(site.site.timezone))
        said += [by_hand.CAUTION] if form.name in by_hand.LOOSENED else []
    return page_state.go("/record", *said)


def step_ids(analysis: Analysis, record: Record) -> list[str]:
    """Keep the advised steps in the record and return their ids; "" for what can't be recorded as done."""
    steps = [AdvisedStep.of(action) for action in analysis.advice.actions]
    kept = [(str(one.do), one.numbers()) for one in steps if one is not None]
    ids = iter(record.keep_steps(_night_us(analysis), kept))
    return ["" if one is None else next(ids) for one in steps]


def step_form(page_state: PageState, request: Request) -> HTMLResponse:
    """Show the form of an advised step, filled in as advised."""
    step, advised = _step(page_state, request)
    rows = advised.rows()
    form, site = FORMS[rows[0]["kind"]], page_state.pier()[0]
    return _show_form(
        page_state, request, form, {**_at_present(site), **values_of_step(form, rows, site)}, None, None, step
    )


def step_done(page_state: PageState, request: Request, given: FormData) -> Response:
    """Record an advised step as done: as it was advised, or as the form was changed."""
    step, advised = _step(page_state, request)
    site, record = page_state.pier()
    form = FORMS[advised.rows()[0]["kind"]]
    try:
        rows = rows_of(form, given, site)
        when = time_of(given, zone_of(site.site.timezone))
        as_advised = same_amounts(rows, advised.rows())
        if as_advised:
            note = f"{as_advised_note(step)} {text_of(given, 'note')}".strip()
            rows = [{**row, "note": note} for row in rows]
        done = [{"time_utc": when, **row} for row in rows]
        record_rows(record, form.table, done, step if as_advised else "")
    except DriftError as error:
        return _show_form(page_state, request, form, _as_given(given), error, None, step)
    said = "as advised" if as_advised else "otherwise than advised, so the rest waits for a night"
    more = [by_hand.CAUTION] if form.name in by_hand.LOOSENED else []
    return page_state.go("/", f"Recorded, {said}: {by_hand.words(form.table, rows, site)}", *more)


def _step(page_state: PageState, request: Request) -> tuple[str, AdvisedStep]:
    """Return a step that is still to be done.

    Raises
    ------
    drift.errors.RecordError
        If there is none of that id, or it is done, or the advice has changed.
    """
    step = request.path_params["step"]
    analysis, _, _ = page_state.analysis()
    record = page_state.pier()[1]
    kept, done = record.kept_step(step), record.steps_done()
    if kept is not None and step not in [one.step for one in done]:
        advised = AdvisedStep.from_numbers(kept.do, kept.numbers)
        situation = situation_of(analysis.site, analysis.nights, analysis.history, analysis.now_us)
        if may_be_recorded(advised.do, kept.night_us, situation, analysis.history, done):
            return step, advised
    raise RecordError(
        f"the step {step} is not to be done any more: it is done, or newer readings have changed the "
        "advice.  Look at what to do now, and record what was done otherwise among the corrections."
    )


def _night_us(analysis: Analysis) -> int:
    return situation_of(analysis.site, analysis.nights, analysis.history, analysis.now_us).time_us


def edit_form(page_state: PageState, request: Request) -> HTMLResponse:
    """Show the form of a row that is to be put right."""
    site, record = page_state.pier()
    row = _row(record, request.path_params["row"])
    form = _form_of(row)
    values = values_of_row(form, row.values)
    values["when"] = clock_value(row.values["time_us"], zone_of(site.site.timezone))
    return _show_form(page_state, request, form, values, None, row)


def edit(page_state: PageState, request: Request, given: FormData) -> Response:
    """Put a row right: the one as it was is withdrawn and kept."""
    site, record = page_state.pier()
    row = _row(record, request.path_params["row"])
    form = _form_of(row)
    zone = zone_of(site.site.timezone)
    try:
        (new,) = rows_of(form, given, site)
        untouched = text_of(given, "when") == clock_value(row.values["time_us"], zone)
        kept = untouched and not text_of(given, "clock")
        when = by_hand.whole_time(row.values["time_us"]) if kept else time_of(given, zone)
        whole = {**by_hand.as_text(row), **new}
        amend(record, row.row_id, {"time_utc": when, **whole}, text_of(given, "why"))
    except DriftError as error:
        return _show_form(page_state, request, form, _as_given(given), error, row)
    return page_state.go(
        "/record",
        f"Changed: {by_hand.words(form.table, [whole], site)}  The row as it was is kept as withdrawn.",
    )


def withdraw(page_state: PageState, request: Request, given: FormData) -> Response:
    """Take a row out of use."""
    site, record = page_state.pier()
    row = _row(record, request.path_params["row"])
    record.withdraw([row.row_id], text_of(given, "why"))
    return page_state.go("/record", f"Withdrawn: {by_hand.words(row.kind, [by_hand.as_text(row)], site)}")


def put_back(page_state: PageState, request: Request, given: FormData) -> Response:
    """Take a withdrawn row into use again."""
    site, record = page_state.pier()
    row = _row(record, request.path_params["row"])
    record.put_back([row.row_id], text_of(given, "why"))
    return page_state.go("/record", f"In use again: {by_hand.words(row.kind, [by_hand.as_text(row)], site)}")


def _show_form(
    page_state: PageState,
    request: Request,
    form: HandForm,
    values: dict[str, str],
    trouble: DriftError | None,
    row: RowHeld | None,
    step: str = "",
) -> HTMLResponse:
    site: PierFile = page_state.pier()[0]
    zone, parts = zone_of(site.site.timezone), form.parts(site, row is not None)
    said = "" if trouble is None else error_words(trouble)
    return page_state.show(
        request,
        "form",
        status=400 if trouble else 200,
        form=form,
        parts=parts,
        filled=values,
        trouble=_by_labels(said, parts),
        wrong=_field_of(trouble, said, parts),
        row=None if row is None else row.row_id,
        step=step,
        zone=zone.key,
    )


def _field_of(trouble: DriftError | None, said: str, parts: list[FormPart]) -> str:
    """Return the name of the field that a message is about, "" for none."""
    if isinstance(trouble, FormError):
        return trouble.field
    return next((part.name for part in parts if f"{part.name} = " in said), "")


def _form_of(row: RowHeld) -> HandForm:
    return _form_named(_FORM_OF.get(row.kind) or row.values["kind"])


def _by_labels(trouble: str, parts: list[FormPart]) -> str:
    """Call the fields in a message by the labels that they have on the page."""
    for part in parts:
        trouble = trouble.replace(
            f"{part.name} = ", f"\N{LEFT DOUBLE QUOTATION MARK}{part.label}\N{RIGHT DOUBLE QUOTATION MARK}, "
        )
    return f"{trouble[:1].upper()}{trouble[1:]}"


def _form_named(name: str) -> HandForm:
    if name not in FORMS:
        raise FormError(f"there is no kind {name!r}; the kinds are {', '.join(FORMS)}.")
    return FORMS[name]


def _held(record: Record) -> list[RowHeld]:
    """Return what may be edited here; alignment errors that a log brought are nights, and no notes."""
    rows = [row for table in _TABLES for row in record.held(table)]
    return [row for row in rows if row.kind != "alignments" or row.file == NAME]


def _row(record: Record, number: int) -> RowHeld:
    for row in _held(record):
        if row.row_id == number:
            return row
    raise RecordError(f"row {number} was not recorded by hand.")


def _as_given(given: FormData) -> dict[str, str]:
    return {name: value for name, value in given.items() if isinstance(value, str)}
