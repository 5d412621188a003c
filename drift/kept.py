"""What may be kept from one answer to the next, so that old nights need not be done again.

A piece of work is named by a digest of everything that it depends on, so that
taking it from the store or doing it again gives the same answer.  The
numerical rooms only know this protocol; the record provides the store.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from typing import Protocol


class Store(Protocol):
    """Somewhere to keep finished pieces of work."""

    def get(self, keys: Sequence[str]) -> Mapping[str, bytes]:
        """Return what is there of the pieces asked for."""

    def put(self, pieces: Mapping[str, bytes]) -> None:
        """Keep pieces; losing them again is no harm."""


class NoStore:
    """Keeps nothing."""

    def get(self, keys: Sequence[str]) -> Mapping[str, bytes]:
        """Return nothing."""
        return {}

    def put(self, pieces: Mapping[str, bytes]) -> None:
        """Forget the pieces."""


def name_of(what: str, *parts: bytes) -> str:
    """Return the name of a piece of work that depends on `parts` alone."""
    digest = hashlib.blake2b(what.encode(), digest_size=20)
    for part in parts:
        digest.update(len(part).to_bytes(8, "little"))
        digest.update(part)
    return f"{what} {digest.hexdigest()}"
