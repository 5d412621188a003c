"""The news as data: what ``drift check --json`` prints."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from drift.watch.coming import Item, News


def as_mapping(found: News, last: tuple[int, str, str] | None) -> dict[str, Any]:
    """Put the news into plain lists, mappings and text.

    Parameters
    ----------
    found
        The news.
    last
        When it was last acknowledged [UTC microseconds], the note, and what; None when never.
    """
    return {
        "format": "drift-check",
        "version": 1,
        "moved": found.moved,
        "new": [_item(item) for item in found.new],
        "provisional": [_item(item) for item in found.provisional],
        "notices": [_item(item) for item in found.notices],
        "acknowledged_utc": None if last is None else _utc(last[0]),
        "acknowledged_note": None if last is None else last[1],
    }


def _item(item: Item) -> dict[str, Any]:
    facts = {
        f"{name.removesuffix('_us')}_utc" if name.endswith("_us") else name: value
        if not name.endswith("_us") or value is None
        else _utc(value)
        for name, value in item.facts.items()
    }
    return {"kind": item.kind, "time_utc": _utc(item.time_us), "sentence": item.sentence, **facts}


def _utc(time_us: int) -> str:
    time = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=int(time_us))
    return time.strftime("%Y-%m-%dT%H:%M:%SZ")
