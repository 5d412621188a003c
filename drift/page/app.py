"""All addresses of the page, and what is said when something goes wrong."""

from __future__ import annotations

import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from drift.errors import DriftError
from drift.page import downloads, keeping_record, reading, taking_in, warnings_told
from drift.page.desk import Desk, NoAnswer, Waiting
from drift.page.fields import text_of
from drift.page.guard import Guard, TooMuch, cookie_name
from drift.page.rendering import page, script, style_sheet

Show = Callable[[Desk, Request], Response]
Take = Callable[[Desk, Request, FormData], Response]

#: Files of one upload, and fields of one form, at most.
_MOST_FILES, _MOST_FIELDS = 2_000, 2_000
#: A page that waits for the answer asks again after so long [s].
_AGAIN_S = 2

_SHOWN: dict[str, Show] = {
    "/": reading.now,
    "/pictures": reading.pictures,
    "/pictures/{name}/values.json": reading.picture_values,
    "/seasons": reading.seasons,
    "/seasons/{name}": reading.season,
    "/nights": reading.nights,
    "/nights/{evening}": reading.night,
    "/events": reading.events,
    "/events/{number:int}": reading.event,
    "/corrections": keeping_record.listing,
    "/corrections/new/{kind}": keeping_record.blank_form,
    "/corrections/{row:int}": keeping_record.edit_form,
    "/import": taking_in.choose,
    "/import/{number}": taking_in.state,
    "/warnings": warnings_told.show,
    "/download": downloads.listing,
    "/download/report.html": downloads.report,
    "/download/status.json": downloads.status,
    "/download/tables/{name}.csv": downloads.table,
    "/download/pictures/{name}.{ending}": downloads.picture,
}
_TAKEN: dict[str, Take] = {
    "/corrections/new/{kind}": keeping_record.record,
    "/corrections/{row:int}": keeping_record.edit,
    "/corrections/{row:int}/withdraw": keeping_record.withdraw,
    "/corrections/{row:int}/put-back": keeping_record.put_back,
    "/import": taking_in.take,
    "/import/{number}": taking_in.answer,
    "/imports/{number:int}/undo": taking_in.undo,
    "/aside/dismiss": taking_in.dismiss,
    "/warnings": warnings_told.acknowledge,
}


def make_app(desk: Desk) -> ASGIApp:
    """Return the whole page behind its guard."""

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        try:
            yield
        finally:
            desk.imports.close()
            desk.keeper.close()

    routes = [Route(path, _showing(desk, show), methods=["GET"]) for path, show in _SHOWN.items()]
    routes += [Route(path, _taking(desk, take), methods=["POST"]) for path, take in _TAKEN.items()]
    routes += [
        Route("/login", _showing(desk, _login_form), methods=["GET"]),
        Route("/login", _taking(desk, _login), methods=["POST"]),
        Route("/static/page.css", _style, methods=["GET"]),
        Route("/static/page.js", _script, methods=["GET"]),
        Route("/favicon.ico", _no_icon, methods=["GET"]),
    ]
    app = Starlette(routes=routes, lifespan=lifespan, exception_handlers=_handlers(desk))
    return Guard(_said_in_a_line(app, desk.debug), desk.rules)


def _said_in_a_line(app: ASGIApp, debug: bool) -> ASGIApp:
    """Let what went wrong unforeseen be told in one line, its page having been sent; in full when asked."""

    async def quiet(scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await app(scope, receive, send)
        except Exception as error:
            if debug:
                raise
            print(f"drift: {scope.get('path')}: {type(error).__name__}: {error}", file=sys.stderr)

    return quiet


def _showing(desk: Desk, show: Show) -> Callable[[Request], Awaitable[Response]]:
    async def endpoint(request: Request) -> Response:
        return await run_in_threadpool(show, desk, request)

    return endpoint


def _taking(desk: Desk, take: Take) -> Callable[[Request], Awaitable[Response]]:
    """Let a form through when it is one of ours."""

    async def endpoint(request: Request) -> Response:
        async with request.form(max_files=_MOST_FILES, max_fields=_MOST_FIELDS) as form:
            if not desk.rules.is_form_token(form.get("token")):
                return _error(
                    request,
                    403,
                    "This form is not one of this page as it runs now, so nothing was done.  Go back, reload "
                    "the page, and fill it in again.",
                )
            return await run_in_threadpool(take, desk, request, form)

    return endpoint


def _login_form(desk: Desk, request: Request) -> Response:
    return HTMLResponse(page("login", token=desk.rules.form_token, trouble=""))


def _login(desk: Desk, request: Request, form: FormData) -> Response:
    right = desk.rules.is_password(text_of(form, "password"))
    if not right:
        trouble = "That is not the password."
        if right is None:
            trouble = "Too many wrong passwords were given: wait a minute."
        text = page("login", token=desk.rules.form_token, trouble=trouble)
        return HTMLResponse(text, 429 if right is None else 403)
    response = RedirectResponse("/", 303)
    response.set_cookie(
        cookie_name(request),
        desk.rules.cookie,
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
    )
    return response


async def _style(request: Request) -> Response:
    return Response(style_sheet(), media_type="text/css", headers={"Cache-Control": "no-cache"})


async def _script(request: Request) -> Response:
    return Response(script(), media_type="text/javascript", headers={"Cache-Control": "no-cache"})


async def _no_icon(request: Request) -> Response:
    return Response(status_code=204)


def _handlers(desk: Desk) -> dict[type[Exception] | int, Callable[..., Awaitable[Response]]]:
    async def waiting(request: Request, error: Exception) -> Response:
        text = page("waiting")
        return HTMLResponse(text, 200, {"Refresh": str(_AGAIN_S)})

    async def nothing(request: Request, error: Exception) -> Response:
        return await run_in_threadpool(desk.show, request, "nothing", why=str(error))

    async def refused(request: Request, error: Exception) -> Response:
        return _error(request, 400, _sentence(str(error)))

    async def no_such(request: Request, error: Exception) -> Response:
        return _error(request, 404, _sentence(str(error)))

    async def too_much(request: Request, error: Exception) -> Response:
        return PlainTextResponse(str(error), 413)

    async def http(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        said = "" if error.status_code == 404 else str(error.detail)  # the heading says it
        return _error(request, error.status_code, said)

    async def multipart(request: Request, error: Exception) -> Response:
        return _error(request, 400, f"The form could not be read: {error}.")

    async def unforeseen(request: Request, error: Exception) -> Response:
        return _error(
            request,
            500,
            f"Something went wrong that should not have ({type(error).__name__}: {error}).  What was in the "
            "record is still there.  Start `drift --debug serve`, do it again, and send what it prints to "
            "the developers.",
        )

    return {
        Waiting: waiting,
        NoAnswer: nothing,
        reading.NoSuchPage: no_such,
        DriftError: refused,
        TooMuch: too_much,
        HTTPException: http,
        MultiPartException: multipart,
        Exception: unforeseen,
    }


def _error(request: Request, status: int, said: str) -> HTMLResponse:
    return HTMLResponse(page("error", said=said, status=status), status)


def _sentence(said: str) -> str:
    return said[:1].upper() + said[1:]
