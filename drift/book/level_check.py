"""Whether level readings that come in can be of this pier: they follow on from those that are there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from sqlalchemy import Connection, select

from drift.book import schema
from drift.logs.result import LogRead

#: Readings of the record so near in time are compared with [us].
_NEAR_US = 45 * 86_400_000_000
#: A pier does not lean by more than this in that time [arcsec]: common practice, frost heaves by a minute or
#: two of arc in a whole winter.
_FAR_ARCSEC = 300.0
_LEANS = ("lean_north_arcsec", "lean_east_arcsec")


def level_remarks(connection: Connection, log: LogRead, new: Sequence[int]) -> tuple[str, ...]:
    """Remark on new level readings that don't follow on from those of the same place in the record."""
    if log.kind != "levels" or not new:
        return ()
    positions = np.array(new)
    times = np.asarray(log.columns["time_us"])[positions]
    table = schema.readings["levels"]
    names = ("time_us", "place", "face_deg", *_LEANS)
    near = table.c.time_us.between(int(times.min()) - _NEAR_US, int(times.max()) + _NEAR_US)
    query = select(*(table.c[name] for name in names)).where(near, table.c.status == schema.IN_USE)
    there = [
        (time_us, place or "pier", face == 180.0, np.array([north, east]))
        for time_us, place, face, north, east in connection.execute(query)
    ]
    return tuple(_far(log, positions, there)) if there else ()


def _far(
    log: LogRead, positions: np.ndarray, there: list[tuple[int, str, bool, np.ndarray]]
) -> Iterator[str]:
    columns = {name: np.asarray(log.columns[name])[positions] for name in ("time_us", "face_deg", *_LEANS)}
    places = np.array([log.columns["place"][at] or "pier" for at in positions.tolist()], dtype=object)
    turned = columns["face_deg"] == 180.0
    leans = np.stack([columns[name] for name in _LEANS], axis=1)
    for place in sorted(set(places.tolist())):
        off = []
        for face in (False, True):
            own = (places == place) & (turned == face)
            known = [
                (time_us, lean) for time_us, where, side, lean in there if (where, side) == (place, face)
            ]
            for time_us, lean in zip(columns["time_us"][own].tolist(), leans[own], strict=True):
                near = [other for when, other in known if abs(when - time_us) <= _NEAR_US]
                if near:
                    off.append(float(np.max(np.abs(lean - np.median(near, axis=0)))))
        if off and np.median(off) > _FAR_ARCSEC:
            yield (
                f"these level readings on the {place} differ by {np.median(off):.0f} arcsec from those of "
                "the same weeks in the record: are they of another pier or another instrument, or in another "
                "unit?  `drift imports` and `drift undo` take them out again"
            )
