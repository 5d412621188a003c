"""Who may ask the page for what: hosts, passwords, forms of other sites, sizes, and what a browser may do.

The page of one program start has one secret.  From it comes the token that stands in every form, which a
page of another site can't read.  Whoever gave the password has a cookie of their own, until they log out.

Wrong passwords are counted by the address that they come from: a stranger who tries them out locks out that
address and nobody else, and who is in stays in.  What is refused is refused by its head, before its body is
read; whoever stalls is let go of (`drift.web.app`).

Rejected: starlette's trusted-host middleware.  It compares names with a list, so that of 127.0.0.0/8 only
what is listed would be this machine, and it refuses with "Invalid host header", which helps nobody.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import ipaddress
import re
import secrets
import threading
import time
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: The environment variable from which the password is taken.
VARIABLE = "DRIFT_PAGE_PASSWORD"
#: A password of fewer signs is refused: it could be tried out.
LEAST_PASSWORD = 10
#: Nothing from outside, no script in a page, no frame around it.  Pictures carry style attributes.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; style-src-attr 'unsafe-inline'; "
    "img-src 'self' data:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # `no-referrer` would make browsers hide the origin of our own forms.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
#: Wrong passwords of one address within a minute after which none of it is looked at.
_TRIES, _TRIES_WITHIN_S = 10, 60.0
#: In the newest version of the internet's addresses one household has so many leading bits in common.
_HOUSEHOLD_BITS = 64
#: So many browsers may be in at once; of more the one that came first has to give the password again.
_MOST_IN = 1_000
#: The most that a form without files holds, and that of the password [bytes].
_FORM_BYTES, _LOGIN_BYTES = 1_000_000, 8_000
#: A request has so long to arrive [s], and a large one as much more as its bytes take at this rate [1/s].
ARRIVAL_S, SLOWEST_BYTES_S = 60.0, 20_000.0
_READING = ("GET", "HEAD")
#: The address that files are sent to, of the only pier or of one among several.
_WITH_FILES = re.compile(r"(/pier/[^/]+)?/import")
_MOST_DIGITS = 18
#: What is shown before the password is given: nothing of the record, and a look sets no more than a cookie.
_OPEN_PATHS = ("/login", "/static/page.css", "/look/device", "/look/light", "/look/dark", "/look/night")


def is_loopback(host: str) -> bool:
    """Tell whether an address is reached from this machine only."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


@dataclass
class Rules:
    """What is allowed on one start of the page.

    Parameters
    ----------
    password
        What must be given before anything is shown; "" for none.
    own_hosts_only
        Whether only names of this machine may stand in the address, so that no site can point its own
        name at the page.
    most_bytes
        Of one request.
    """

    password: str = ""
    own_hosts_only: bool = True
    most_bytes: int = 200_000_000
    secret: bytes = field(default_factory=lambda: secrets.token_bytes(32), repr=False)
    _wrong: dict[str, list[float]] = field(default_factory=dict, repr=False)
    _in: dict[bytes, None] = field(default_factory=dict, repr=False)  # digests of cookies, the oldest first
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False)

    @property
    def form_token(self) -> str:
        """What stands in every form."""
        return self._signed("form")

    def is_form_token(self, given: object) -> bool:
        """Tell whether a form is ours."""
        return isinstance(given, str) and hmac.compare_digest(given.encode(), self.form_token.encode())

    def is_in(self, request: Request) -> bool:
        """Tell whether the password was given, or none is needed."""
        return not self.password or _digest(_cookie_of(request)) in self._in

    def let_in(self) -> str:
        """Return the cookie for a browser of somebody who gave the password."""
        cookie = secrets.token_urlsafe(32)
        with self._lock:
            self._in[_digest(cookie)] = None
            while len(self._in) > _MOST_IN:
                del self._in[next(iter(self._in))]
        return cookie

    def let_out(self, request: Request) -> None:
        """Forget the cookie of a browser."""
        with self._lock:
            self._in.pop(_digest(_cookie_of(request)), None)

    def is_password(self, given: str, address: str) -> bool | None:
        """Tell whether a password is right; None when too many wrong ones came from there just before."""
        now, household = time.monotonic(), _household(address)
        with self._lock:
            recent = (
                (one, [at for at in when if now - at < _TRIES_WITHIN_S]) for one, when in self._wrong.items()
            )
            self._wrong = {one: when for one, when in recent if when}
            wrong = self._wrong.get(household, [])
            if len(wrong) >= _TRIES:
                return None
            right = hmac.compare_digest(given.encode(), self.password.encode())
            if not right:
                self._wrong[household] = [*wrong, now]
        return right

    def most_of(self, path: str) -> int:
        """Return the most that may be sent to an address of the page [bytes]."""
        if _WITH_FILES.fullmatch(path):
            return self.most_bytes
        return min(self.most_bytes, _LOGIN_BYTES if path == "/login" else _FORM_BYTES)

    def _signed(self, what: str) -> str:
        return hmac.new(self.secret, what.encode(), hashlib.sha256).hexdigest()


def _digest(cookie: str) -> bytes:
    return hashlib.sha256(cookie.encode()).digest()


def _cookie_of(request: Request) -> str:
    return request.cookies.get(cookie_name(request), "")


def _household(address: str) -> str:
    """Return the address by which tries are counted: of the newer kind everybody has very many."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if found.version == 4:
        return str(found)
    own = found.ipv4_mapped
    return str(own or ipaddress.ip_network((int(found), _HOUSEHOLD_BITS), strict=False))


def cookie_name(request: Request) -> str:
    """Return the name of the cookie; browsers share cookies between the ports of a host."""
    return f"drift_page_{request.url.port or 80}"


class Guard:
    """Stands before the whole page."""

    def __init__(self, app: ASGIApp, rules: Rules) -> None:
        self._app, self._rules = app, rules

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse what is not allowed, and add the headers to what is."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        request = Request(scope)

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers[name] = value
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        refused = self._refused(request)
        if refused is not None:
            await refused(scope, receive, with_headers)
            return
        await self._app(scope, self._counted(request, receive), with_headers)

    def _refused(self, request: Request) -> PlainTextResponse | RedirectResponse | None:
        rules = self._rules
        if rules.own_hosts_only and not is_loopback(host_of(request.headers)):
            return PlainTextResponse(
                "This page answers only to names of this machine, such as 127.0.0.1 or localhost.\n", 421
            )
        reading = request.method in _READING
        if not reading and request.method != "POST":
            return PlainTextResponse("This page takes GET and POST only.\n", 405)
        if not reading and not same_site(request.headers, f"{request.url.scheme}://{request.url.netloc}"):
            return PlainTextResponse(
                "This was sent by a page of another site, so nothing was done.  Open the page itself and "
                "do it there.\n",
                403,
            )
        length, most = request.headers.get("content-length", "0"), rules.most_of(request.url.path)
        if not _is_length(length) or int(length) > most:
            return PlainTextResponse(_too_much(most), 413)
        if request.url.path not in _OPEN_PATHS and not rules.is_in(request):
            if reading:
                return RedirectResponse("/login", 303)
            return PlainTextResponse("The password is needed first: open /login.\n", 403)
        return None

    def _counted(self, request: Request, receive: Receive) -> Receive:
        """Stop a request that is longer than it said, or takes too long to arrive."""
        most = self._rules.most_of(request.url.path)
        length = request.headers.get("content-length", "")
        expected = int(length) if _is_length(length) else most
        until = time.monotonic() + ARRIVAL_S + expected / SLOWEST_BYTES_S
        seen, complete = 0, False

        async def counted() -> Message:
            nonlocal seen, complete
            if complete:  # what comes now is that the browser went away
                return await receive()
            try:
                message = await asyncio.wait_for(receive(), max(until - time.monotonic(), 0.0))
            except TimeoutError:
                raise TooSlow("The request took too long to arrive, so nothing was done.\n") from None
            seen += len(message.get("body", b""))
            complete = not message.get("more_body", False)
            if seen > most:
                raise TooMuch(_too_much(most))
            return message

        return counted


class TooMuch(Exception):
    """A request is larger than is allowed."""


class TooSlow(Exception):
    """A request did not arrive in time."""


def _is_length(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) < _MOST_DIGITS


def host_of(headers: Headers) -> str:
    """Return the name by which a browser asked for the page, "" where it is none."""
    given = headers.get("host", "")
    try:
        parts = urlsplit(f"//{given}")
        plain = parts.port is not None or ":" not in given.rpartition("]")[2]
        return (parts.hostname or "") if plain and parts.username is None else ""
    except ValueError:  # such as a bracket that is never closed
        return ""


def same_site(headers: Headers, own: str) -> bool:
    """Tell whether a request may come from a page of ours: browsers say where it was sent from."""
    fetched = headers.get("sec-fetch-site")
    if fetched is not None and fetched not in ("same-origin", "none"):
        return False
    origin = headers.get("origin")
    return origin is None or urlsplit(origin)[:2] == urlsplit(own)[:2]


def _too_much(most_bytes: int) -> str:
    if most_bytes <= _FORM_BYTES:
        return f"That is more than the {most_bytes:,} bytes that this form holds, so nothing was taken in.\n"
    return (
        f"That is more than {most_bytes / 1e6:.0f} MB, the most that this page takes at once, so nothing was "
        "taken in.  Send fewer files at a time, use `drift import` on the machine itself, or start "
        "`drift serve` with a larger --upload-mb.\n"
    )
