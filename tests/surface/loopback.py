"""Servers on 127.0.0.1 that really take mail and web hooks, and a guard that lets nothing go further."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from email import message_from_bytes
from email.message import Message
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

HOST = "127.0.0.1"
#: How often a port is looked for that nobody else takes meanwhile.
_ATTEMPTS = 5


def free_port() -> int:
    """Return a port of this machine where nobody listens."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


class _Mail:
    """What an SMTP server took, and what it refuses with."""

    def __init__(self) -> None:
        self.taken: list[Message] = []
        self.refuse = ""

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        if self.refuse:
            return self.refuse
        self.taken.append(message_from_bytes(envelope.content))
        return "250 taken"


@contextmanager
def mail_server() -> Iterator[tuple[_Mail, int]]:
    """Run a mail server; give what it took and its port."""
    from aiosmtpd.controller import Controller

    mail = _Mail()
    for attempt in range(_ATTEMPTS):
        controller = Controller(mail, hostname=HOST, port=free_port())
        try:
            controller.start()
            break
        except OSError:  # another test took the port in between
            if attempt + 1 == _ATTEMPTS:
                raise
    try:
        yield mail, controller.port
    finally:
        controller.stop()


class Hook(ThreadingHTTPServer):
    """A web hook: `taken` is what it got; `status` is its answer, 0 when it hangs up without one."""

    daemon_threads = True

    def __init__(self, port: int = 0) -> None:
        super().__init__((HOST, port), _Taker)
        self.taken: list[dict[str, Any]] = []
        self.numbers: list[str | None] = []
        self.status = 200

    @property
    def port(self) -> int:
        return int(self.server_address[1])


class _Taker(BaseHTTPRequestHandler):
    server: Hook

    def do_POST(self) -> None:
        content = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.taken.append(json.loads(content))
        self.server.numbers.append(self.headers["X-Drift-Message"])
        if self.server.status:
            self.send_response(self.server.status)
            self.end_headers()
        else:
            self.close_connection = True

    def log_message(self, *arguments: Any) -> None:
        """Keep quiet."""


@contextmanager
def web_hook(port: int = 0) -> Iterator[Hook]:
    """Run a web hook."""
    hook = Hook(port)
    thread = threading.Thread(target=hook.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield hook
    finally:
        hook.shutdown()
        thread.join()
        hook.server_close()


@contextmanager
def loopback_only(monkeypatch: Any) -> Iterator[None]:
    """Let no socket of this process connect beyond this machine, and let no name be looked up."""
    connect = socket.socket.connect

    def guarded(self: socket.socket, address: Any) -> None:
        assert self.family == socket.AF_UNIX or address[0] in (HOST, "::1", "localhost"), f"beyond: {address}"
        connect(self, address)

    with monkeypatch.context() as patch:
        patch.setattr(socket.socket, "connect", guarded)
        for name in ("http_proxy", "https_proxy", "all_proxy", "HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY"):
            patch.delenv(name, raising=False)
        yield
