"""The page of several piers: the list first, each line leading to the pages of that pier.

The lines are worked out in child processes, in the background, and shown as they come.  A pier's own pages
stand below ``/pier/NAME``, and are those of a page started on it alone; what they need is made when somebody
first goes there, and given up again when others have been looked at since.
"""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.types import ASGIApp, Receive, Scope, Send

from drift.api import common_of, line_of_done, pier_lines
from drift.errors import DriftError
from drift.piers.line import by_urgency
from drift.piers.listing import Listed, listed_piers
from drift.piers.running import cores
from drift.record.engine import now_us
from drift.render.piers import HEADINGS, cells_of, common_words, summary
from drift.web.app import (
    begin,
    common_routes,
    end,
    guarded,
    pier_app,
    showing,
)
from drift.web.current import Keeper, PageState, page
from drift.web.guard import Rules
from drift.web.imports import clear_abandoned

if TYPE_CHECKING:
    from drift.notices import Notice
    from drift.piers.line import PierLine
    from drift.piers.running import Done

#: Lines older than this are worked out anew when somebody looks [s], and never in more than this share of
#: the time: a thousand piers take a while.
_FRESH_S, _MOST_OF_TIME = 300.0, 0.1
#: While lines are worked out the page asks again after so long [s].
_AGAIN_S = 3
#: The pages of so many piers are kept ready; those of others are given up once nobody looked for so long [s].
_MOST_READY, _READY_S = 8, 600.0


@dataclass(frozen=True)
class _Lines:
    """What the list shows: the lines so far, of how many, and when they were made [us]; None: not yet."""

    lines: tuple[PierLine, ...] = ()
    of: int = 0
    made_us: int | None = None
    common: tuple[Notice, ...] = ()
    trouble: str = ""  # why there is no list


@dataclass
class Overview:
    """Everything that the list and the pages of its piers share.

    Parameters
    ----------
    place
        The folder or list.
    rules
        Who may come.
    debug
        Whether tracebacks are printed.
    """

    place: Path
    rules: Rules
    debug: bool = False
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False)
    _piers: dict[str, Listed] = field(default_factory=dict)
    _shown: _Lines = field(default_factory=_Lines)
    _due: float = 0.0  # from when on lines are begun anew, by the monotonic clock
    _working: bool = False
    _ready: OrderedDict[str, _Ready] = field(default_factory=OrderedDict)

    def lines(self) -> tuple[_Lines, bool]:
        """Return what is known, and whether it is being worked out; lines that are too old are begun anew."""
        with self._lock:
            if time.monotonic() >= self._due and not self._working:
                self._working = True
                threading.Thread(target=self._work, daemon=True).start()
            return self._shown, self._working

    def changed(self) -> None:
        """Take note that a record was changed on a page: the lines are due."""
        with self._lock:
            self._due = 0.0

    def listed(self, name: str) -> Listed | None:
        """Return a pier by its name."""
        with self._lock:
            known = self._piers.get(name)
        if known is None:
            self._read_list()
        with self._lock:
            return self._piers.get(name)

    def _read_list(self) -> tuple[Listed, ...]:
        piers = listed_piers(self.place)
        with self._lock:
            self._piers = {pier.name: pier for pier in piers}
        return piers

    def _work(self) -> None:
        """Work out all lines; until all are there those that are replace older ones."""
        begun = time.monotonic()
        with self._lock:
            self._due = begun + _FRESH_S
        try:
            piers = self._read_list()
            with self._lock:
                known = {line.name: line for line in self._shown.lines}
                self._shown = replace(self._shown, of=len(piers), trouble="")
            found = {name: known[name] for name in (pier.name for pier in piers) if name in known}

            def told(done: Done) -> None:
                found[done.pier.name] = line_of_done(done, now_us())
                with self._lock:
                    self._shown = replace(self._shown, lines=by_urgency(found.values()))

            lines = pier_lines(piers, max(1, cores() - 1), told)
            made = _Lines(lines, len(piers), now_us(), common_of(piers, lines))
        except (DriftError, OSError) as error:
            made = _Lines(trouble=str(error), made_us=now_us())
        except Exception as error:
            made = _Lines(trouble=f"{type(error).__name__}: {error}", made_us=now_us())
        took = time.monotonic() - begun
        with self._lock:
            if self._due:  # nothing was changed meanwhile
                self._due = begun + max(_FRESH_S, took / _MOST_OF_TIME)
            self._shown, self._working = made, False

    def app_of(self, name: str) -> ASGIApp | None:
        """Return the pages of a pier; None where there is no such pier."""
        pier = self.listed(name)
        if pier is None:
            return None
        with self._lock:
            ready = self._ready.get(name)
            new = ready is None or ready.site_path != pier.site_path
            if ready is None or new:
                root = f"/pier/{quote(name)}"
                state = PageState(Keeper(pier.site_path), self.rules, root=root, debug=self.debug)
                ready = self._ready[name] = _Ready(pier.site_path, state, pier_app(state))
            ready.used = time.monotonic()
            self._ready.move_to_end(name)
            old = [key for key, one in self._ready.items() if time.monotonic() - one.used > _READY_S]
            given_up = [self._ready.pop(key) for key in old[: max(0, len(self._ready) - _MOST_READY)]]
        if new:
            begin(ready.state)
        for one in given_up:
            end(one.state)
        return ready.app

    def close(self) -> None:
        """Let go of all records."""
        with self._lock:
            ready, self._ready = list(self._ready.values()), OrderedDict()
        for one in ready:
            end(one.state)


@dataclass
class _Ready:
    """The pages of one pier, and when somebody last looked at them."""

    site_path: Path
    state: PageState
    app: ASGIApp
    used: float = 0.0


def make_piers_app(overview: Overview) -> ASGIApp:
    """Return the list and the pages of its piers behind their guard."""

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        clear_abandoned()
        try:
            yield
        finally:
            await run_in_threadpool(overview.close)

    routes = [
        Route("/", showing(overview, _listing), methods=["GET"]),
        Route("/pier/{name}", _with_slash, methods=["GET"]),
        Mount("/pier/{name}", app=_of_pier(overview)),
        *common_routes(overview),
    ]
    handlers = {HTTPException: _refused, DriftError: _troubled}
    app = Starlette(routes=routes, lifespan=lifespan, exception_handlers=handlers)  # type: ignore[arg-type]
    return guarded(app, overview.rules, overview.debug)


def _of_pier(overview: Overview) -> ASGIApp:
    """Return what leads to the pages of the pier that an address names."""

    async def lead(scope: Scope, receive: Receive, send: Send) -> None:
        app = await run_in_threadpool(overview.app_of, scope["path_params"]["name"])
        if app is None:
            raise HTTPException(404)
        if scope["method"] == "POST":
            overview.changed()
        await app(scope, receive, send)

    return lead


async def _with_slash(request: Request) -> Response:
    return RedirectResponse(f"/pier/{quote(request.path_params['name'])}/", 301)


def _listing(overview: Overview, request: Request) -> Response:
    """Show the list, the most urgent pier first."""
    shown, working = overview.lines()
    values = {
        "heads": HEADINGS,
        "rows": [(f"/pier/{quote(line.name)}/", cells_of(line)) for line in shown.lines],
        "summary": summary(shown.lines) if shown.lines else "",
        "common": common_words(shown.common),
        "trouble": shown.trouble,
        "working": working,
        "of": shown.of,
        "first": shown.made_us is None,
        "token": overview.rules.form_token,
        "locked": bool(overview.rules.password),
    }
    headers = {"Refresh": str(_AGAIN_S)} if working else {}
    return HTMLResponse(
        page("piers", request, places=(), site_name=_name_of(overview), **values), 200, headers
    )


def _name_of(overview: Overview) -> str:
    """Return what the list is called: by the folder that it stands for."""
    whole = overview.place.absolute()
    return (whole if whole.is_dir() else whole.parent).name or "Piers"


async def _refused(request: Request, error: HTTPException) -> Response:
    text = page("error", request, said="", status=error.status_code, places=_HOME)
    return HTMLResponse(text, error.status_code)


async def _troubled(request: Request, error: DriftError) -> Response:
    said = str(error)
    text = page("error", request, said=said[:1].upper() + said[1:], status=400, places=_HOME)
    return HTMLResponse(text, 400)


#: Where to go on from a page that is no pier's.
_HOME = (("/", "all piers", ()),)
