"""What all pages need: the record, what stands, uploads on their way, and how a page is made."""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse

from drift.page.guard import Rules
from drift.page.importing import Imports
from drift.page.rendering import page
from drift.page.standing import Keeper, Standing

if TYPE_CHECKING:
    from drift.answer import Answer
    from drift.book.store import Book
    from drift.pierfile import PierFile

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
class Desk:
    """Everything that the pages of one program start share."""

    keeper: Keeper
    rules: Rules
    patience_s: float = PATIENCE_S
    debug: bool = False  # whether tracebacks are printed
    imports: Imports = field(default_factory=Imports)
    notes: Notes = field(default_factory=Notes)

    def pier(self) -> tuple[PierFile, Book]:
        """Return the site file and the record."""
        return self.keeper.pier()

    def standing(self) -> tuple[Standing, bool]:
        """Return what stands, and whether it is of the record as it is now.

        Raises
        ------
        Waiting
            If nothing stands yet.
        """
        standing, fresh = self.keeper.standing(self.patience_s)
        if standing is None:
            raise Waiting
        return standing, fresh

    def answer(self) -> tuple[Answer, Standing, bool]:
        """Return the answer, what stands with it, and whether it is of the record as it is now.

        Raises
        ------
        Waiting
            If nothing stands yet.
        NoAnswer
            If there is nothing to answer from.
        """
        standing, fresh = self.standing()
        if standing.answer is None:
            raise NoAnswer(standing.nothing)
        return standing.answer, standing, fresh

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
            site_name=site.site.name or "Axis and pier",
            path=request.url.path,
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
        return RedirectResponse(f"{address}{number}", 303)
