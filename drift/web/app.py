"""All addresses of the page, where it listens, and the server under it."""

from __future__ import annotations

import asyncio
import errno
import os
import secrets
import socket
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol
from urllib.parse import quote

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from drift.errors import DriftError
from drift.render.import_words import error_words
from drift.web import import_pages, record_pages, tonight_page, views
from drift.web.current import (
    LOOK_COOKIE,
    LOOKS,
    Keeper,
    NoAnswer,
    PageState,
    Waiting,
    page,
    root_of,
    script,
    style_sheet,
)
from drift.web.forms import text_of
from drift.web.guard import LEAST_PASSWORD, VARIABLE, Guard, Rules, TooMuch, TooSlow, cookie_name, is_loopback
from drift.web.imports import clear_abandoned

if TYPE_CHECKING:
    from uvicorn.protocols.http.h11_impl import H11Protocol

# ---- All addresses of the page, and what is said when something goes wrong.


class HasRules(Protocol):
    """What belongs to one start of the page: who may come."""

    rules: Rules


Show = Callable[[Any, Request], Response]
Take = Callable[[Any, Request, FormData], Response]

#: Files of one upload, and fields of one form, at most.
_MOST_FILES, _MOST_FIELDS = 2_000, 2_000
#: A page that waits for the answer asks again after so long [s].
_AGAIN_S = 2
#: Answers of fewer bytes are not worth compressing; a look is kept for a year [s].
_LEAST_COMPRESSED, _LOOK_KEPT_S = 600, 31_536_000

_SHOWN: dict[str, Show] = {
    "/": views.now,
    "/tonight": tonight_page.show,
    "/tonight/part": tonight_page.part,
    "/tonight/type": tonight_page.type_form,
    "/history": views.history,
    "/pictures/{name}": views.one_picture,
    "/pictures/{name}/values.json": views.picture_values,
    "/seasons/{name}": views.season,
    "/nights": views.nights,
    "/nights/{evening}": views.night,
    "/events/{number:int}": views.event,
    "/record": record_pages.listing,
    "/record/new/{kind}": record_pages.blank_form,
    "/record/{row:int}": record_pages.edit_form,
    "/steps/{step}": record_pages.step_form,
    "/import": import_pages.choose,
    "/import/{number}": import_pages.state,
    "/help": views.helps,
    "/help/{topic}": views.helps,
    "/download/report.html": views.report,
    "/download/status.json": views.status,
    "/download/tables/{name}.csv": views.table,
    "/download/pictures/{name}.{ending}": views.picture,
}
#: Addresses of earlier versions, which somebody may have kept -> where that stands now.
_MOVED = {
    "/pictures": "/history",
    "/seasons": "/history#seasons",
    "/events": "/history#events",
    "/download": "/history#take-away",
    "/warnings": "/#warnings",
    "/corrections": "/record",
    "/corrections/new/{kind}": "/record/new/{kind}",
    "/corrections/{row:int}": "/record/{row}",
}
_TAKEN: dict[str, Take] = {
    "/tonight/done": tonight_page.done,
    "/tonight/list": tonight_page.make_list,
    "/tonight/type": tonight_page.typed,
    "/steps/{step}": record_pages.step_done,
    "/record/new/{kind}": record_pages.record,
    "/record/{row:int}": record_pages.edit,
    "/record/{row:int}/withdraw": record_pages.withdraw,
    "/record/{row:int}/put-back": record_pages.put_back,
    "/import": import_pages.take,
    "/import/{number}": import_pages.answer,
    "/imports/{number:int}/undo": import_pages.undo,
    "/aside/dismiss": import_pages.dismiss,
    "/warnings": views.acknowledge,
}


def make_app(page_state: PageState) -> ASGIApp:
    """Return the whole page behind its guard."""

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        clear_abandoned()
        await run_in_threadpool(begin, page_state)
        try:
            yield
        finally:
            await run_in_threadpool(end, page_state)

    routes = [*pier_routes(page_state), *common_routes(page_state)]
    app = Starlette(routes=routes, lifespan=lifespan, exception_handlers=_handlers(page_state))
    return guarded(app, page_state.rules, page_state.debug)


def guarded(app: ASGIApp, rules: Rules, debug: bool) -> ASGIApp:
    """Return an app behind the guard, its answers made small."""
    small = GZipMiddleware(app, minimum_size=_LEAST_COMPRESSED, compresslevel=6)
    return Guard(_said_in_a_line(small, debug), rules)


def pier_app(page_state: PageState) -> ASGIApp:
    """Return the pages of one pier among several, whose app guards them, and begins and ends its work."""
    return Starlette(routes=pier_routes(page_state), exception_handlers=_handlers(page_state))


def begin(page_state: PageState) -> None:
    """Begin to watch the folders of the site file; what is wrong with that is told on each page."""
    with suppress(DriftError):
        page_state.watched.start()


def end(page_state: PageState) -> None:
    """End what goes on for the pages of a pier."""
    page_state.watched.close()
    page_state.imports.close()
    page_state.keeper.close()


def pier_routes(page_state: PageState) -> list[Route]:
    """Return the addresses of the pages of a pier."""
    routes = [Route(path, showing(page_state, show), methods=["GET"]) for path, show in _SHOWN.items()]
    routes += [Route(path, _taking(page_state, take), methods=["POST"]) for path, take in _TAKEN.items()]
    return [*routes, *(Route(old, _going(new), methods=["GET"]) for old, new in _MOVED.items())]


def common_routes(page_state: HasRules) -> list[Route]:
    """Return the addresses that are there once, for however many piers."""
    return [
        Route("/look/{look}", _choose_look, methods=["GET"]),
        Route("/login", showing(page_state, _login_form), methods=["GET"]),
        Route("/login", _taking(page_state, _login), methods=["POST"]),
        Route("/logout", _taking(page_state, _log_out), methods=["POST"]),
        Route("/static/page.css", _style, methods=["GET"]),
        Route("/static/page.js", _script, methods=["GET"]),
        Route("/favicon.ico", _no_icon, methods=["GET"]),
    ]


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


def showing(page_state: HasRules, show: Show) -> Callable[[Request], Awaitable[Response]]:
    """Return an endpoint that shows something, in a thread of its own."""

    async def endpoint(request: Request) -> Response:
        return await run_in_threadpool(show, page_state, request)

    return endpoint


def _taking(page_state: HasRules, take: Take) -> Callable[[Request], Awaitable[Response]]:
    """Let a form through when it is one of ours."""

    async def endpoint(request: Request) -> Response:
        async with request.form(max_files=_MOST_FILES, max_fields=_MOST_FIELDS) as form:
            if not page_state.rules.is_form_token(form.get("token")):
                return _error(
                    request,
                    403,
                    "This form is not one of this page as it runs now, so nothing was done.  Go back, reload "
                    "the page, and fill it in again.",
                )
            return await run_in_threadpool(take, page_state, request, form)

    return endpoint


def _going(address: str) -> Callable[[Request], Awaitable[Response]]:
    async def endpoint(request: Request) -> Response:
        parts = {name: quote(str(value), safe="") for name, value in request.path_params.items()}
        return RedirectResponse(f"{root_of(request)}{address.format(**parts)}", 301)

    return endpoint


async def _choose_look(request: Request) -> Response:
    """Keep how this browser wants the page to look, and go back to where it was chosen."""
    look = request.path_params["look"]
    back = request.query_params.get("to", "/")
    # browsers take a backslash for a slash, and leave out tabs and line ends
    ours = back.startswith("/") and not back.startswith(("//", "/\\")) and back.isprintable()
    response = RedirectResponse(back if ours else "/", 303)
    if look in LOOKS:
        response.set_cookie(LOOK_COOKIE, look, max_age=_LOOK_KEPT_S, httponly=True, samesite="strict")
    else:
        response.delete_cookie(LOOK_COOKIE)
    return response


def _login_form(page_state: HasRules, request: Request) -> Response:
    return HTMLResponse(page("login", request, token=page_state.rules.form_token, trouble=""))


def _login(page_state: HasRules, request: Request, form: FormData) -> Response:
    address = request.client.host if request.client else ""
    right = page_state.rules.is_password(text_of(form, "password"), address)
    if not right:
        trouble = "That is not the password."
        if right is None:
            trouble = "Too many wrong passwords came from your address: wait a minute."
        text = page("login", request, token=page_state.rules.form_token, trouble=trouble)
        return HTMLResponse(text, 429 if right is None else 403)
    response = RedirectResponse("/", 303)
    response.set_cookie(
        cookie_name(request),
        page_state.rules.let_in(),
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
    )
    return response


def _log_out(page_state: HasRules, request: Request, form: FormData) -> Response:
    page_state.rules.let_out(request)
    response = RedirectResponse("/login", 303)
    response.delete_cookie(cookie_name(request), httponly=True, samesite="strict")
    return response


async def _style(request: Request) -> Response:
    return Response(style_sheet(), media_type="text/css", headers={"Cache-Control": "no-cache"})


async def _script(request: Request) -> Response:
    return Response(script(), media_type="text/javascript", headers={"Cache-Control": "no-cache"})


async def _no_icon(request: Request) -> Response:
    return Response(status_code=204)


def _handlers(page_state: PageState) -> dict[type[Exception] | int, Callable[..., Awaitable[Response]]]:
    async def waiting(request: Request, error: Exception) -> Response:
        text = page("waiting", request)
        return HTMLResponse(text, 200, {"Refresh": str(_AGAIN_S)})

    async def nothing(request: Request, error: Exception) -> Response:
        return await run_in_threadpool(page_state.show, request, "nothing", why=str(error))

    async def refused(request: Request, error: Exception) -> Response:
        assert isinstance(error, DriftError)
        return await run_in_threadpool(_error, request, 400, _sentence(error_words(error)), page_state)

    async def no_such(request: Request, error: Exception) -> Response:
        return await run_in_threadpool(_error, request, 404, _sentence(str(error)), page_state)

    async def too_much(request: Request, error: Exception) -> Response:
        return PlainTextResponse(str(error), 413)

    async def too_slow(request: Request, error: Exception) -> Response:
        return PlainTextResponse(str(error), 408)

    async def http(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        said = "" if error.status_code == 404 else str(error.detail)  # the heading says it
        return await run_in_threadpool(_error, request, error.status_code, said, page_state)

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
        views.NoSuchPage: no_such,
        DriftError: refused,
        TooMuch: too_much,
        TooSlow: too_slow,
        HTTPException: http,
        MultiPartException: multipart,
        Exception: unforeseen,
    }


def _error(request: Request, status: int, said: str, page_state: PageState | None = None) -> HTMLResponse:
    """Say what went wrong, with the places to go on to where the site file can be read."""
    named: dict[str, str] = {}
    if page_state is not None and page_state.rules.is_in(request):
        try:
            named = {"site_name": page_state.pier()[0].site.name or "Axis and pier"}
        except DriftError:  # that is what is told
            named = {}
    return HTMLResponse(page("error", request, said=said, status=status, **named), status)


def _sentence(said: str) -> str:
    return said[:1].upper() + said[1:]


# ---- Where the page listens, who may come, and the server under it.


_WAITING_MOST = 64


def rules_for(host: str, environment: Mapping[str, str], most_mb: float) -> tuple[Rules, str]:
    """Return who may come to an address, and the password that was made for it, "" when none was.

    On an address that other machines reach, a password is always needed: that of the environment
    variable `VARIABLE`, or else one that is made.  On this machine's own it is asked for when it is set.

    Raises
    ------
    drift.errors.DriftError
        If the password that is set could be tried out.
    """
    given = environment.get(VARIABLE, "")
    if given and len(given) < LEAST_PASSWORD:
        raise DriftError(
            f"the password in {VARIABLE} has {len(given)} characters, and could be tried out: it needs at "
            f"least {LEAST_PASSWORD}.  Set a longer one, or none, and one is made."
        )
    own = is_loopback(host)
    made = "" if given or own else secrets.token_urlsafe(12)
    return Rules(given or made, own, int(most_mb * 1e6)), made


def listen(host: str, port: int) -> socket.socket:
    """Return a socket that listens; port 0 takes a free one.

    Raises
    ------
    drift.errors.DriftError
        If the address can't be had.
    """
    plain = host.strip("[]")
    family = socket.AF_INET6 if ":" in plain else socket.AF_INET
    try:
        return socket.create_server((plain, port), family=family, backlog=_WAITING_MOST)
    except OSError as error:
        if error.errno == errno.EADDRINUSE:
            raise DriftError(
                f"port {port} of {host} is in use already, perhaps by a page of drift that is still running: "
                f"stop that one, or choose another port, such as --port {port + 1 if port < 65535 else 0}."
            ) from error
        why = os.strerror(error.errno) if error.errno and error.errno > 0 else str(error)
        raise DriftError(
            f"the page can't listen on {host}, port {port}: {why}.  --host and --port choose others."
        ) from error


def address_of(listening: socket.socket) -> str:
    """Return the address for a browser."""
    host, port = listening.getsockname()[:2]
    return f"http://{f'[{host}]' if ':' in host else host}:{port}/"


#: The head of a request must arrive within so long, and a reader take something within so long [s].
_HEAD_S, _READER_S = 20.0, 60.0
#: What is still being sent when it was refused is thrown away for so long, so that the refusal is read [s].
_LINGER_S = 5.0
#: Connections of one address at a time; a browser has six.
_MOST_OF_ONE = 60


def patient_protocol() -> type[H11Protocol]:
    """Return the server's way with a connection, which lets go of one whose other end stalls.

    The server under the page only ends a connection on which nothing follows an answer.
    """
    import h11
    from uvicorn.protocols.http.h11_impl import H11Protocol

    class Patient(H11Protocol):
        _head: asyncio.TimerHandle | None = None
        _reader: asyncio.TimerHandle | None = None

        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
            super().connection_made(transport)
            own = self.client[0] if self.client else ""
            others = (getattr(one, "client", None) for one in self.connections)
            if sum(client is not None and client[0] == own for client in others) > _MOST_OF_ONE:
                transport.abort()
                return
            self._wait_for_head()

        def data_received(self, data: bytes) -> None:
            if self._head is None and self._is_idle():
                self._wait_for_head()
            super().data_received(data)
            if not self._is_idle():
                self._head = _stopped(self._head)

        def on_response_complete(self) -> None:
            super().on_response_complete()
            if self.conn.their_state is h11.SEND_BODY:  # refused by its head
                self.loop.call_later(_LINGER_S, self._end_refused, self.cycle)

        def _end_refused(self, refused: object) -> None:
            if self.cycle is refused and self.conn.their_state is h11.SEND_BODY:
                self.transport.abort()

        def pause_writing(self) -> None:
            super().pause_writing()
            self._reader = self._reader or self.loop.call_later(_READER_S, self.transport.abort)

        def resume_writing(self) -> None:
            super().resume_writing()
            self._reader = _stopped(self._reader)

        def connection_lost(self, exc: Exception | None) -> None:
            self._head = _stopped(self._head)
            self._reader = _stopped(self._reader)
            super().connection_lost(exc)

        def _is_idle(self) -> bool:
            return self.cycle is None or self.cycle.response_complete

        def _wait_for_head(self) -> None:
            self._head = self.loop.call_later(_HEAD_S, self.transport.abort)

    return Patient


def _stopped(timer: asyncio.TimerHandle | None) -> asyncio.TimerHandle | None:
    """Stop a timer, and return what stands in its place: none."""
    if timer is not None:
        timer.cancel()
    return None


def serve(site_path: Path, listening: socket.socket, rules: Rules, debug: bool = False) -> None:
    """Serve the page until the program is stopped."""
    serve_app(make_app(PageState(Keeper(site_path), rules, debug=debug)), listening)


def serve_app(app: ASGIApp, listening: socket.socket) -> None:
    """Serve an app until the program is stopped."""
    import uvicorn

    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        http=patient_protocol(),
        ws="none",
        timeout_graceful_shutdown=3,
    )
    uvicorn.Server(config).run(sockets=[listening])
