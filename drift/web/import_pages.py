"""The pages of an import: choose files, answer questions, agree to a reading, see what came of it."""

from __future__ import annotations

from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from drift.errors import DriftError
from drift.render.by_hand import counts_words, left_out_words, reason_words
from drift.render.column_words import (
    KIND_WORDS,
    choice_label,
    preview_table,
    proposed_parts,
    question_words,
)
from drift.render.import_words import error_words, row_words
from drift.render.notices import sentence
from drift.render.phrases import clock_text, zone_of
from drift.web.current import PageState
from drift.web.forms import FormError, text_of
from drift.web.imports import Import, UploadFolder

_ANSWER, _OTHER = "answer ", "other "
_LATEST = 20
#: Numbers of the record are no longer.
_MOST_DIGITS = 18


def choose(page_state: PageState, request: Request) -> HTMLResponse:
    """Show the form for files, the latest imports, and what is set aside."""
    site, record = page_state.pier()
    zone = zone_of(site.site.timezone)
    acts = record.imports()[::-1]
    return page_state.show(
        request,
        "import",
        most_mb=page_state.rules.most_bytes / 1e6,
        asides=record.asides(),
        row_words=row_words,
        reason_words=reason_words,
        acts=[(act, clock_text(act.time_us, zone)) for act in acts[:_LATEST]],
        more=max(0, len(acts) - _LATEST),
    )


def take(page_state: PageState, request: Request, form: FormData) -> Response:
    """Take files in, and read them until one has a question."""
    files = [one for one in form.getlist("files") if isinstance(one, UploadFile) and one.filename]
    if not files:
        raise FormError("no file was chosen: choose one or more, or drop them on the page.")
    folder = UploadFolder()
    try:
        for one in files:
            folder.take(one.filename or "", one.file)
        new = page_state.imports.begin(folder)
    except BaseException:
        folder.close()
        raise
    page_state.imports.go_on(new, *page_state.pier())
    return page_state.go(f"/import/{new.number}")


def state(page_state: PageState, request: Request) -> HTMLResponse:
    """Show what came of an upload so far, and the question of the file that waits."""
    one = _found(page_state, request)
    return page_state.show(
        request,
        "import_state",
        upload=one,
        counts_words=counts_words,
        left_out_words=left_out_words,
        row_words=row_words,
        error_words=error_words,
        kind_words=KIND_WORDS,
        question_words=question_words,
        choice_label=choice_label,
        proposed_parts=proposed_parts,
        preview_table=preview_table,
        sentence=sentence,
    )


def answer(page_state: PageState, request: Request, form: FormData) -> Response:
    """Take answers, or the agreement to a proposal, and go on."""
    one = _found(page_state, request)
    what = text_of(form, "what")
    if one.waiting and text_of(form, "file") == one.file:
        if what == "leave":
            page_state.imports.leave_out(one)
        elif what == "agree":
            one.agreed_name = text_of(form, "name") or "log"
        else:
            one.agreed_name = ""
            one.answers.update(_answers(form))
        page_state.imports.go_on(one, *page_state.pier())
    return page_state.go(f"/import/{one.number}")


def dismiss(page_state: PageState, request: Request, form: FormData) -> Response:
    """Take rows off the list of what is set aside."""
    numbers = [number_of(one) for one in form.getlist("number") if isinstance(one, str)]
    if not numbers:
        raise FormError("no row was chosen.")
    page_state.pier()[1].dismiss(numbers, text_of(form, "why"))
    return page_state.go("/import", f"{len(numbers)} dismissed: they are not listed any more.")


def undo(page_state: PageState, request: Request, form: FormData) -> Response:
    """Undo an import, or bring back one that was undone."""
    number = number_of(str(request.path_params["number"]))
    done = page_state.pier()[1].undo(number, "", text_of(form, "why"))
    return page_state.go("/import", f"Number {number} is undone; that is number {done.number}.")


def number_of(text: str) -> int:
    """Return a number of the record that a form or an address gives.

    Raises
    ------
    FormError
        If it is none.
    """
    if not (text.isascii() and text.isdigit() and len(text) <= _MOST_DIGITS):
        raise FormError(f"{text[:_MOST_DIGITS]!r} is no number of the record.")
    return int(text)


def _answers(form: FormData) -> dict[str, str]:
    """Return what was answered, by the questions' keys; another answer goes before a choice."""
    found = {}
    for key in form:
        if key.startswith(_ANSWER):
            name = key.removeprefix(_ANSWER)
            said = text_of(form, f"{_OTHER}{name}") or text_of(form, key)
            if said:
                found[name] = said
    return found


def _found(page_state: PageState, request: Request) -> Import:
    one = page_state.imports.find(request.path_params["number"])
    if one is None:
        raise DriftError(
            "this upload is not waiting any more: the page was started again, or it was left for long.  What "
            "went in is in the record; choose the other files once more."
        )
    return one
