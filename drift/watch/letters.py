"""Which news is still to be sent to whom."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from drift.codes import NewsKind
from drift.watch.changes import renamed, same_event, same_notice
from drift.watch.limits import limits_of

if TYPE_CHECKING:
    from drift.types import Analysis
    from drift.watch.coming import Item, News


class SentBefore(Protocol):
    """A message that was made before, whatever came of it."""

    @property
    def address(self) -> str:
        """The mark of its address."""

    @property
    def about(self) -> str:
        """What a `Letter` had as `about`."""

    @property
    def made_us(self) -> int:
        """When it was made [us]."""


@dataclass(frozen=True)
class Letter:
    """One message to one address; `about` is JSON text by which the same news is known again."""

    number: str
    address: str
    about: str
    item: Item


def letters_for(
    found: News,
    analysis: Analysis,
    before: Sequence[SentBefore],
    addresses: Sequence[str],
    acknowledged_us: int | None,
    now_us: int,
) -> list[Letter]:
    """Return a letter for each thing that is new and each address that has no message of it.

    Parameters
    ----------
    found
        What is new since the last acknowledgement.
    analysis
        The answer of today.
    before
        All messages made before.
    addresses
        Marks of those that want to know.
    acknowledged_us
        When it was last acknowledged.  A limit that was sent before then and is new again is sent again.
    now_us
        The present time [us].
    """
    out = []
    for address in dict.fromkeys(addresses):
        known = [(_about(one), one.made_us) for one in before if one.address == address]
        for item in (*found.new, *found.notices):
            if not _was_sent(item, known, analysis, acknowledged_us):
                out.append(_letter(item, address, now_us))
    return out


def _about(one: SentBefore) -> Mapping[str, Any]:
    try:
        about = json.loads(one.about)
    except ValueError:
        return {}
    return renamed(about) if isinstance(about, dict) else {}


def _was_sent(
    item: Item, known: list[tuple[Mapping[str, Any], int]], analysis: Analysis, acknowledged_us: int | None
) -> bool:
    same_kind = [(about["mark"], made_us) for about, made_us in known if about.get("kind") == item.kind]
    if item.kind is NewsKind.EVENT:
        return any(same_event(item.mark, mark) for mark, _ in same_kind)
    if item.kind in (NewsKind.CORRECTION, NewsKind.GAP):
        return any(mark == item.mark for mark, _ in same_kind)
    if item.kind in (NewsKind.AXIS_LIMIT, NewsKind.TILT_LIMIT):
        since = acknowledged_us or 0
        return any(_still_passed(item, mark, analysis) for mark, made_us in same_kind if made_us > since)
    return any(same_notice(item.mark, mark) for mark, _ in same_kind)


def _still_passed(item: Item, mark: Mapping[str, Any], analysis: Analysis) -> bool:
    """Whether a limit has not come back and been passed anew since it was sent."""
    limit = next(one for one in limits_of(analysis) if one.name == item.mark["of"])
    return not limit.standing(math.inf, mark["as_of_us"]).is_new


def _letter(item: Item, address: str, now_us: int) -> Letter:
    about = json.dumps({"kind": str(item.kind), "mark": item.mark}, allow_nan=False, sort_keys=True)
    number = hashlib.blake2b(f"{address} {about} {now_us}".encode(), digest_size=6).hexdigest()
    return Letter(number, address, about, item)
