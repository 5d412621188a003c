"""Where the page listens, who may come, and the server under it."""

from __future__ import annotations

import errno
import os
import secrets
import socket
from collections.abc import Mapping
from pathlib import Path

from drift.errors import DriftError
from drift.page.app import make_app
from drift.page.desk import Desk
from drift.page.guard import LEAST_PASSWORD, VARIABLE, Rules, is_loopback
from drift.page.standing import Keeper

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
            f"the password in {VARIABLE} has {len(given)} signs, and could be tried out: it needs at least "
            f"{LEAST_PASSWORD}.  Set a longer one, or none, and one is made."
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


def serve(site_path: Path, listening: socket.socket, rules: Rules, debug: bool = False) -> None:
    """Serve the page until the program is stopped."""
    import uvicorn

    desk = Desk(Keeper(site_path), rules, debug=debug)
    config = uvicorn.Config(
        make_app(desk),
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws="none",
        timeout_graceful_shutdown=3,
    )
    uvicorn.Server(config).run(sockets=[listening])
