"""An address of ``[warn] notify``: secrets filled in from outside the file, and shown without them.

A part of an address may be ``${NAME}``, an environment variable, or
``${keyring:SERVICE/USER}``, a password of the system's keyring; both are
percent-encoded when filled in, so that a password may hold any sign.  A whole
address may be ``env://NAME`` or ``keyring://SERVICE/USER``.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Mapping
from urllib.parse import quote

from drift.errors import NotifyError

#: Looks up a password: service, user -> it, or None.
Lookup = Callable[[str, str], str | None]
_PART = re.compile(r"\$\{(?:keyring:(?P<service>[^/${}]+)/(?P<user>[^${}]+)|(?P<name>[^${}:]*))\}")
_ENV, _KEYRING = "env://", "keyring://"


def shown(number: int, address: str) -> str:
    """Return how an address is named to people: its place in the list and its kind, nothing secret."""
    return f"address {number} of [warn] notify ({address.partition('://')[0]}://...)"


def mark_of(address: str) -> str:
    """Return a digest by which an address as written in the site file is known again."""
    return hashlib.blake2b(address.encode(), digest_size=8).hexdigest()


def filled_in(address: str, environment: Mapping[str, str], keyring: Lookup | None = None) -> str:
    """Return an address with its secrets in it.

    Parameters
    ----------
    address
        As it stands in the site file.
    environment
        Environment variables.
    keyring
        Looks up a password; the system's keyring when None.

    Raises
    ------
    drift.errors.NotifyError
        If a secret isn't there; names the variable or the keyring entry, never a value.
    """
    ask = _from_system if keyring is None else keyring
    if address.startswith(_ENV):
        return _variable(address.removeprefix(_ENV), environment)
    if address.startswith(_KEYRING):
        service, slash, user = address.removeprefix(_KEYRING).partition("/")
        if not (service and slash and user):
            raise NotifyError('it must be written as "keyring://SERVICE/USER"')
        return _password(service, user, ask)

    def fill(found: re.Match[str]) -> str:
        if found["service"]:
            return quote(_password(found["service"], found["user"], ask), safe="")
        return quote(_variable(found["name"], environment), safe="")

    whole = _PART.sub(fill, address)
    if "${" in _PART.sub("", address):
        raise NotifyError(
            "a part that begins with ${ has no end, or is neither ${NAME} nor ${keyring:SERVICE/USER}"
        )
    return whole


def _variable(name: str, environment: Mapping[str, str]) -> str:
    value = environment.get(name, "")
    if not value:
        raise NotifyError(
            f"the environment variable {name or '(without a name)'} is not set for this program.  A "
            "scheduler starts it with few variables: set it in the lines that start `drift check`"
        )
    return value


def _password(service: str, user: str, ask: Lookup) -> str:
    value = ask(service, user)
    if not value:
        raise NotifyError(
            f"the keyring holds no password of {service!r} for {user!r}: put it there with `keyring set "
            f"{service} {user}`"
        )
    return value


def _from_system(service: str, user: str) -> str | None:
    try:
        import keyring
        from keyring.errors import KeyringError
    except ImportError as error:
        raise NotifyError(
            "it asks for the system's keyring, for which the library keyring is missing: install it with "
            '`pip install "drift[keyring]"`, or use an environment variable, ${NAME}'
        ) from error
    try:
        return keyring.get_password(service, user)
    except KeyringError as error:
        raise NotifyError(
            f"the keyring can't be read ({type(error).__name__}): unlock it, or use an environment variable, "
            "${NAME}"
        ) from error
