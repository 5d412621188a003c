"""Which news is still to be sent to whom, and in what words."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from drift.quantities import as_utc
from drift.watch.changes import same_event, same_notice
from drift.watch.limits import limits_of

if TYPE_CHECKING:
    from drift.types import Analysis
    from drift.watch.coming import Item, News


_TITLES = {
    "event": "something has moved",
    "axis_limit": "the axis is beyond its limit",
    "tilt_limit": "the tilt is beyond its limit",
    "correction": "a correction did not hold",
    "gap": "the axis has moved while nothing was measured",
    "soon": "a limit will be passed soon",
    "old": "nothing has been measured for long",
    "thin": "too little to watch by",
}


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
    title: str
    body: str


def letters_for(
    found: News,
    analysis: Analysis,
    told: Sequence[SentBefore],
    addresses: Sequence[str],
    acknowledged_us: int | None,
    now_us: int,
) -> list[Letter]:
    """Return a letter for each thing that is new and each address that was not told of it.

    Parameters
    ----------
    found
        What is new since the last acknowledgement.
    analysis
        The answer of today.
    told
        All messages made before.
    addresses
        Marks of those that want to know.
    acknowledged_us
        When it was last acknowledged.  A limit that was told before then and is new again is told again.
    now_us
        The present time [us].
    """
    out = []
    for address in dict.fromkeys(addresses):
        known = [(_about(one), one.made_us) for one in told if one.address == address]
        for item in (*found.new, *found.notices):
            if not _was_told(item, known, analysis, acknowledged_us):
                out.append(_letter(item, address, analysis, now_us))
    return out


def _about(one: SentBefore) -> Mapping[str, Any]:
    try:
        about = json.loads(one.about)
    except ValueError:
        return {}
    return about if isinstance(about, dict) else {}


def _was_told(
    item: Item, known: list[tuple[Mapping[str, Any], int]], analysis: Analysis, acknowledged_us: int | None
) -> bool:
    same_kind = [(about["mark"], made_us) for about, made_us in known if about.get("kind") == item.kind]
    if item.kind == "event":
        return any(same_event(item.mark, mark) for mark, _ in same_kind)
    if item.kind in ("correction", "gap"):
        return any(mark == item.mark for mark, _ in same_kind)
    if item.kind.endswith("_limit"):
        since = acknowledged_us or 0
        return any(_still_passed(item, mark, analysis) for mark, made_us in same_kind if made_us > since)
    return any(same_notice(item.mark, mark) for mark, _ in same_kind)


def _still_passed(item: Item, mark: Mapping[str, Any], analysis: Analysis) -> bool:
    """Whether a limit has not come back and been passed anew since it was told."""
    limit = next(one for one in limits_of(analysis) if one.name == item.mark["of"])
    return not limit.standing(math.inf, mark["as_of_us"]).is_new


def _letter(item: Item, address: str, analysis: Analysis, now_us: int) -> Letter:
    about = json.dumps({"kind": item.kind, "mark": item.mark}, allow_nan=False, sort_keys=True)
    number = hashlib.blake2b(f"{address} {about} {now_us}".encode(), digest_size=6).hexdigest()
    pier = analysis.site.site.name or "the pier"
    seen = as_utc(now_us).strftime("%Y-%m-%d %H:%M UTC")
    body = (
        f"{item.sentence}\n\nSeen on {seen}.  `drift status` says what to do; `drift acknowledge` takes note "
        f"of it.\nMessage {number}."
    )
    return Letter(number, address, about, f"drift: {pier}: {_TITLES[item.kind]}", body)
