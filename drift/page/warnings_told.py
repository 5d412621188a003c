"""What is new since it was last acknowledged, and the page on which it is acknowledged."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from drift.book.clock import now_us
from drift.page.desk import Desk
from drift.page.fields import text_of
from drift.show.times import clock_text, zone_of
from drift.watch.changes import acknowledged_sentences, news_afresh, state_text

if TYPE_CHECKING:
    from drift.answer import Answer
    from drift.book.store import Book
    from drift.watch.items import News


def news_of(answer: Answer, book: Book) -> tuple[News, str | None]:
    """Return the news, and the state acknowledged before, None where there is none that can be read."""
    last = book.last_acknowledged()
    return news_afresh(answer, None if last is None else last[2], now_us(), book.latest_import_us())


def show(desk: Desk, request: Request) -> HTMLResponse:
    """Show what is new, and what was acknowledged last."""
    answer, standing, fresh = desk.answer()
    book = desk.pier()[1]
    last = book.last_acknowledged()
    zone = zone_of(answer.site.site.timezone)
    return desk.show(
        request,
        "warnings",
        fresh=fresh,
        news=news_of(answer, book)[0],
        seen=standing.mark,
        last=None if last is None else (clock_text(last[0], zone), last[1]),
    )


def acknowledge(desk: Desk, request: Request, form: FormData) -> Response:
    """Take note of what was shown, unless something else has come in since."""
    answer, standing, fresh = desk.answer()
    if not fresh or standing.mark != text_of(form, "seen"):
        return desk.go(
            "/warnings",
            "The record has changed since you opened that page, so nothing was acknowledged.  Look at what "
            "is new now.",
        )
    book = desk.pier()[1]
    found, before = news_of(answer, book)
    state = state_text(answer, before, now_us(), book.latest_import_us())
    dropped = book.acknowledge(text_of(form, "note"), state)
    return desk.go("/warnings", *acknowledged_sentences(found, dropped))
