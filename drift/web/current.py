"""What all pages need: the record, the current analysis, uploads, and how a page is made."""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse

from drift._version import __version__
from drift.api import analyse_readings, open_record, read_site, with_ground
from drift.errors import DriftError
from drift.importer.folders import WatchedFolders
from drift.quantities import DAY_US
from drift.readings import READING_COLUMNS
from drift.record.engine import now_us
from drift.render.drawing import colour_variables
from drift.render.figures import canvas
from drift.web.guard import Rules
from drift.web.imports import Imports
from drift.web.pictures import Drawings

if TYPE_CHECKING:
    from jinja2 import Environment

    from drift.notices import Notice
    from drift.record.cache import StoredPrior
    from drift.record.record import Record
    from drift.site.file import PierFile
    from drift.types import Analysis


# ---- Templates into pages, and the style sheet from the report's and the page's own.


_HERE = Path(__file__).parent
#: What stands in the bar at the head of every page: address, words, and other addresses that belong there.
PLACES = (
    ("/", "Now", ()),
    ("/tonight", "Tonight", ()),
    ("/history", "History", ("/seasons", "/events", "/pictures")),
    ("/nights", "Nights", ()),
    ("/record", "Record", ()),
    ("/import", "Import", ()),
)
#: How the page may look: as the device wants it, or always light, dark, or red for eyes used to the dark.
LOOKS = {"": "as the device", "light": "light", "dark": "dark", "night": "red night view"}
LOOK_COOKIE = "drift_look"


@cache
def _environment() -> Environment:
    from drift.render.report import html_templates

    return html_templates(_HERE / "templates")


def look_of(request: Request) -> str:
    """Return how this browser wants the page to look, "" for as the device."""
    given = request.cookies.get(LOOK_COOKIE, "")
    return given if given in LOOKS else ""


def root_of(request: Request) -> str:
    """Return what stands before all addresses of a pier's pages where there are several, "" for one pier."""
    return quote(str(request.scope.get("root_path", "")))


def page(template: str, request: Request, **values: Any) -> str:
    """Return a page in the look that was chosen; every value is escaped."""
    root = root_of(request)
    known = {
        "version": __version__,
        "places": PLACES,
        "looks": LOOKS,
        "look": look_of(request),
        "root": root,
        "path": request.url.path.removeprefix(str(request.scope.get("root_path", ""))),
        **values,
    }
    return _environment().get_template(f"{template}.html.j2").render(known)


@cache
def style_sheet() -> str:
    """Return the style sheet: the colours of each look, then the report's, then the page's own."""
    light, dark, night = (colour_variables(each) for each in (canvas.LIGHT, canvas.DARK, canvas.NIGHT))
    return "\n".join(
        [
            f":root {{ color-scheme: light; {light} }}",
            f"@media (prefers-color-scheme: dark) {{ :root:not([data-look]) {{ {dark} }} }}",
            "@media (prefers-color-scheme: dark) { :root:not([data-look]) { color-scheme: dark; } }",
            f':root[data-look="dark"] {{ color-scheme: dark; {dark} }}',
            f':root[data-look="night"] {{ color-scheme: dark; {night} }}',
            f"@media print {{ :root, :root[data-look] {{ color-scheme: light; {light} }} }}",
            (_HERE.parent / "render" / "templates" / "report.css").read_text(encoding="utf-8"),
            (_HERE / "static" / "page.css").read_text(encoding="utf-8"),
        ]
    )


@cache
def script() -> str:
    """Return the page's only script."""
    return (_HERE / "static" / "page.js").read_text(encoding="utf-8")


# ---- The answer that the page shows: worked out once, and kept until the record or the site file
# changes.


@dataclass(frozen=True)
class CurrentAnalysis:
    """What stands for one state of the record.

    Parameters
    ----------
    mark
        Of the state of record and site file that it was worked out from, and of the day.
    made_of
        The content of the readings, the site file, the day on which it was worked out (days since
        1970-01-01 UTC: tomorrow the last night is a day older), when readings last came in, what neighbours
        lent, and what is to be said of the record.
    row_ids
        Kind -> the rows that count.
    analysis
        None where there is nothing to answer from, or something is wrong.
    nothing
        Why there is no answer, a paragraph.
    drawings
        The pictures of the answer.
    """

    mark: str
    made_of: tuple[str, PierFile, int, int | None, StoredPrior | None, tuple[Notice, ...]]
    row_ids: Mapping[str, frozenset[int]] = field(repr=False)
    analysis: Analysis | None = field(repr=False)
    nothing: str = ""
    drawings: Drawings | None = field(default=None, repr=False)

    @property
    def site(self) -> PierFile:
        """The site file then."""
        return self.made_of[1]


class Keeper:
    """Keeps the record open, and what was worked out from it.

    Parameters
    ----------
    site_path
        The site file.
    draw_ahead
        Whether all pictures are drawn as soon as there is an answer, before anyone asks for them.
    """

    def __init__(self, site_path: Path, draw_ahead: bool = True) -> None:
        self._path, self._draw_ahead = site_path, draw_ahead
        self._changed = threading.Condition()
        self._open: tuple[str, PierFile, Record] | None = None
        self._left: list[Record] = []  # of earlier site files: a request may still hold one
        self._current: CurrentAnalysis | None = None
        self._begun = self._ended = 0  # workings out: how many were begun, and how many of those ended
        self._mark = ""  # of the one that was begun last
        self._failed: Exception | None = None  # what the one that ended last failed with

    def pier(self) -> tuple[PierFile, Record]:
        """Return the site file and the record as they are now.

        Raises
        ------
        drift.errors.DriftError
            If either can't be used.
        """
        with self._changed:
            mark = self._site_mark()
            if self._open is None or self._open[0] != mark or not self._open[2].is_in_its_place():
                site = read_site(self._path)
                record = open_record(site)
                if self._open is not None:
                    self._left.append(self._open[2])
                self._open = (mark, site, record)
            return self._open[1], self._open[2]

    def current(self, patience_s: float) -> tuple[CurrentAnalysis | None, bool]:
        """Return what stands, and whether it is of the record as it is now.

        Parameters
        ----------
        patience_s
            How long to wait for it to be worked out [s]; then the one before is returned, or None.
        """
        mark = self._present()
        with self._changed:
            if self._current is not None and self._current.mark == mark:
                return self._current, True
            # one that is being worked out will do when it began from the present state
            wanted = self._begun if self._mark == mark and self._working else self._begun + 1
            done = self._changed.wait_for(lambda: self._is_done(wanted), patience_s)
            if done and self._failed is not None:
                raise self._failed
            return self._current, done

    def close(self) -> None:
        """Let go of the record."""
        with self._changed:
            for record in [*self._left, *([self._open[2]] if self._open else [])]:
                record.close()
            self._open, self._left = None, []

    @property
    def _working(self) -> bool:
        return self._ended < self._begun

    def _present(self) -> str:
        """Return the mark of site file, record and day as they are now."""
        site_mark, record = self._site_mark(), self.pier()[1]
        return f"{site_mark} {record.place_mark} {record.stand()} {now_us() // DAY_US}"

    def _is_done(self, wanted: int) -> bool:
        if self._ended >= wanted:
            return True
        if not self._working:
            self._start()
        return False

    def _start(self) -> None:
        self._mark = self._present()
        self._begun += 1
        work = threading.Thread(
            target=self._work, args=(*self.pier(), self._mark, self._current), daemon=True
        )
        work.start()

    def _work(self, site: PierFile, record: Record, mark: str, before: CurrentAnalysis | None) -> None:
        made: CurrentAnalysis | None = None
        failed: Exception | None = None
        try:
            made = work_out(site, record, mark, before)
        except Exception as error:  # told to whoever waits for it
            failed = error
        with self._changed:
            self._ended += 1
            self._failed = failed
            self._current = made or self._current
            self._changed.notify_all()
        if self._draw_ahead and made is not None and made.drawings is not None:
            made.drawings.draw_all(lambda: self._current is made)

    def _site_mark(self) -> str:
        try:
            found = self._path.stat()
        except OSError:
            return "none"
        return f"{found.st_mtime_ns} {found.st_size}"


def work_out(
    site: PierFile, record: Record, mark: str, before: CurrentAnalysis | None = None
) -> CurrentAnalysis:
    """Work out what stands; what stood before today is kept when readings and site file are the same."""
    readings, now = record.readings(), now_us()
    arrived = record.latest_import_us()
    made_of = (readings.readings_id, site, now // DAY_US, arrived, record.lent_prior(), record.remarks())
    if before is not None and before.made_of == made_of and readings.readings_id:
        return replace(before, mark=mark)
    row_ids = {kind: frozenset(readings[kind]["row_id"].tolist()) for kind in READING_COLUMNS}
    try:
        analysis = with_ground(analyse_readings(site, readings, record, now), readings, record)
    except DriftError as error:
        return CurrentAnalysis(mark, made_of, row_ids, None, str(error))
    return CurrentAnalysis(mark, made_of, row_ids, analysis, "", Drawings(analysis))


# ---- What all pages need: the record, what stands, uploads on their way, and how a page is made.


#: How long a page waits for an answer before it shows what stood before [s].
PATIENCE_S = 3.0
#: After so long a page that waits asks again [s].
_AGAIN_S = 3
_MOST_NOTES = 200


class Waiting(Exception):
    """There is no answer yet: it is being worked out."""


class NoAnswer(Exception):
    """There is no answer, with the reason."""


class Notes:
    """Sentences to be shown once, on the page after a form; only the program itself can write them."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: OrderedDict[str, tuple[str, ...]] = OrderedDict()

    def leave(self, sentences: Sequence[str]) -> str:
        """Leave sentences, and return the number under which they lie."""
        number = secrets.token_urlsafe(9)
        with self._lock:
            self._kept[number] = tuple(sentences)
            while len(self._kept) > _MOST_NOTES:
                self._kept.popitem(last=False)
        return number

    def read(self, number: str) -> tuple[str, ...]:
        """Return the sentences of a number once."""
        with self._lock:
            return self._kept.pop(number, ())


@dataclass
class PageState:
    """Everything that the pages of one program start share."""

    keeper: Keeper
    rules: Rules
    root: str = ""  # what stands before all addresses, where several piers are shown
    patience_s: float = PATIENCE_S
    debug: bool = False  # whether tracebacks are printed
    imports: Imports = field(default_factory=Imports)
    notes: Notes = field(default_factory=Notes)
    watched: WatchedFolders = field(init=False)

    def __post_init__(self) -> None:
        """Make ready to watch folders; who serves the page begins it."""
        self.watched = WatchedFolders(self.pier)

    def pier(self) -> tuple[PierFile, Record]:
        """Return the site file and the record."""
        return self.keeper.pier()

    def current(self) -> tuple[CurrentAnalysis, bool]:
        """Return what stands, and whether it is of the record as it is now.

        Raises
        ------
        Waiting
            If nothing stands yet.
        """
        current, fresh = self.keeper.current(self.patience_s)
        if current is None:
            raise Waiting
        return current, fresh

    def analysis(self) -> tuple[Analysis, CurrentAnalysis, bool]:
        """Return the answer, what stands with it, and whether it is of the record as it is now.

        Raises
        ------
        Waiting
            If nothing stands yet.
        NoAnswer
            If there is nothing to answer from.
        """
        current, fresh = self.current()
        if current.analysis is None:
            raise NoAnswer(current.nothing)
        return current.analysis, current, fresh

    def show(
        self,
        request: Request,
        template: str,
        values: Mapping[str, Any] | None = None,
        *,
        status: int = 200,
        fresh: bool = True,
        **more: Any,
    ) -> HTMLResponse:
        """Make a page; one that shows what stood before asks again by itself."""
        site = self.pier()[0]
        text = page(
            template,
            request,
            site_name=site.site.name or "Axis and pier",
            token=self.rules.form_token,
            notes=self.notes.read(request.query_params.get("note", "")),
            locked=bool(self.rules.password),
            fresh=fresh,
            **(values or {}),
            **more,
        )
        headers = {} if fresh else {"Refresh": str(_AGAIN_S)}
        return HTMLResponse(text, status, headers)

    def go(self, address: str, *sentences: str) -> RedirectResponse:
        """Send the browser to a page of ours, with sentences to show there."""
        number = f"?note={self.notes.leave(sentences)}" if sentences else ""
        return RedirectResponse(f"{self.root}{address}{number}", 303)
