"""Whose record it is: a record belongs to one pier and is refused to any other; a database may hold many.

Each row names its pier (`drift.record.engine.for_pier`).  Rejected: a schema of its own for each pier (a
thousand times two dozen tables, each to be migrated); the server's row security (its owner and its
administrators pass it by, and no other kind of database has it); a condition written into each query (the
one that is forgotten shows another owner's rows).
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from sqlalchemy import Connection, insert, select, update
from sqlalchemy.exc import DBAPIError

from drift._version import __version__
from drift.errors import RecordError
from drift.notices import Notice, RecordCode, warning
from drift.record import schema
from drift.record.engine import Place
from drift.record.quick import now_us

if TYPE_CHECKING:
    from drift.site.file import PierFile


# ---- Which pier of the database a site file means.


#: So many other piers are named where one is not found.
_NAMED_MOST = 8


def pier_name(site: PierFile) -> str:
    """Return the name by which a site's pier is found in a database."""
    return site.store.pier or site.site.name or ""


def of_pier(place: Place, site: PierFile) -> Place:
    """Return the place of a site's pier in a database, which is made when there is none.

    A name that only follows from the site's finds a pier, and makes the first one; where others are there
    already it makes none, because a pier that was given another name would seem to have lost its record.

    Raises
    ------
    drift.errors.RecordError
        If the pier is not there and was not named by [store] pier, or has no name.
    """
    name = pier_name(site)
    if place.engine.dialect.name == "sqlite":
        _refuse_other_name(place, site)
        return place
    with place.reading() as connection:
        known = _piers(connection)
    if name not in known:
        if known and not site.store.pier or not name:
            raise RecordError(_not_there(place, name, known))
        with place.writing() as connection:
            known = _piers(connection)
            if name not in known:  # no other program was quicker
                number = max(known.values(), default=0) + 1
                now = now_us()
                values = {"pier_id": number, "name": name, "made_us": now, "noted_us": now}
                connection.execute(insert(schema.piers).values(**values))
                known[name] = number
    return replace(place, pier_id=known[name], words=f"{place.words}, pier {name!r}")


def _piers(connection: Connection) -> dict[str, int]:
    table = schema.piers
    return {
        str(name): int(number) for name, number in connection.execute(select(table.c.name, table.c.pier_id))
    }


def _refuse_other_name(place: Place, site: PierFile) -> None:
    """Refuse to take the one pier of a file for another."""
    with place.reading() as connection:
        known = _piers(connection)
    if site.store.pier and known and site.store.pier not in known:
        raise RecordError(
            f"the record {place.words} is that of the pier {min(known)!r}, and a file holds one pier, but "
            f"the site file says [store] pier = {site.store.pier!r}.  Give this pier a record of its own, or "
            "put the name right.  Many piers in one record need a database server: see [store] url."
        )


def _not_there(place: Place, name: str, known: Mapping[str, int]) -> str:
    named = ", ".join(repr(one) for one in sorted(known)[:_NAMED_MOST])
    more = f" and {len(known) - _NAMED_MOST} more" if len(known) > _NAMED_MOST else ""
    there = f"it holds the piers {named}{more}" if known else "it holds no pier yet"
    who = f"none is called {name!r}" if name else "the site file gives no name"
    return (
        f"the record {place.words} does not know this pier: {there}, and {who}.  If it is one of them, write "
        'its name into the site file, as [store] pier = "NAME"; a new pier begins under the name that is '
        "given there."
    )


# ---- Whose site it is of.


#: A site farther than this from the record's own is another site [deg]; 0.02 degrees are 2 km.
SITE_LEEWAY_DEG = 0.02


@dataclass(frozen=True)
class Owner:
    """The pier that a record belongs to."""

    name: str
    latitude_deg: float
    longitude_deg: float
    site: str = ""  # the site file's keys when the record was last opened, as JSON


def claim(place: Place, site: PierFile, moving: bool = False) -> None:
    """Write the owner into a new record, and refuse one of another site.

    With `moving`, for correcting the site itself, no record is refused.
    """
    with place.reading() as connection:
        owner = owner_of(connection)
    if owner is None:
        with place.writing() as connection:
            owner = owner_of(connection)
            if owner is None:
                connection.execute(insert(schema.record).values(**_new_owner(site)))
                if place.pier_id is None:
                    _name_first_pier(connection, site)
                return
    if moving:
        return
    refuse_other_site(place, site, owner)
    given = site_keys_text(site)
    if owner.site != given and not place.read_only:
        # another program writes: the next opening will note it
        with suppress(DBAPIError), place.writing(_NOTING_PATIENCE_S) as connection:
            named = {} if owner.name else {"name": site.site.name or ""}  # the first name that it is given
            connection.execute(update(schema.record).values(site=given, **named))


def _name_first_pier(connection: Connection, site: PierFile) -> None:
    """Write the one pier of a file into its table."""
    now = now_us()
    values = {"pier_id": 1, "name": pier_name(site), "made_us": now, "noted_us": now}
    connection.execute(insert(schema.piers).values(**values))


#: How long noting the site file's keys waits for another program that writes [s].
_NOTING_PATIENCE_S = 0.5
#: Keys that may hold passwords, and stay in the site file alone.
_NOT_NOTED = (("store", "url"), ("warn", "notify"))


def site_keys_text(site: PierFile) -> str:
    """Return the keys of a site file, as JSON: section -> key -> value."""
    values: dict[str, dict[str, object]] = {}
    dumped = site.model_dump(mode="json")
    for section, key in (place.split(".", 1) for place in site.given):
        if (section, key) not in _NOT_NOTED:
            values.setdefault(section, {})[key] = dumped[section][key]
    return json.dumps(values, sort_keys=True)


def owner_of(connection: Connection) -> Owner | None:
    """Return the pier that a record belongs to; None for a new one."""
    table = schema.record
    columns = (table.c.name, table.c.latitude_deg, table.c.longitude_deg)
    try:
        row = connection.execute(select(*columns, table.c.site)).first()
    except DBAPIError:  # from before it was brought up to date
        plain = connection.execute(select(*columns)).first()
        return None if plain is None else Owner(*plain)
    return None if row is None else Owner(*row)


#: A degree of latitude [m].
_METRES = 111_195.0


def other_name(owner: Owner, site: PierFile) -> Notice | None:
    """Return a warning where a record bears another name than the site file; None where one has none.

    Two site files that name one record by mistake, of piers that stand near each other, show by that alone.
    """
    name = site.site.name or ""
    if not owner.name or not name or owner.name == name:
        return None
    north = site.site.latitude_deg - owner.latitude_deg
    east = math.remainder(site.site.longitude_deg - owner.longitude_deg, 360.0)
    metres = _METRES * math.hypot(north, east * math.cos(math.radians(owner.latitude_deg)))
    return warning(RecordCode.OTHER_SITE_NAME, record_name=owner.name, site_name=name, metres=metres)


def _new_owner(site: PierFile) -> dict[str, object]:
    return {
        "id": 1,
        "name": site.site.name or "",
        "latitude_deg": site.site.latitude_deg,
        "longitude_deg": site.site.longitude_deg,
        "made_us": now_us(),
        "code_version": __version__,
        "next_row_id": 1,
        "site": site_keys_text(site),
    }


def refuse_other_site(place: Place, site: PierFile, owner: Owner) -> None:
    """Refuse a record of another pier."""
    name, latitude_deg, longitude_deg = owner.name, owner.latitude_deg, owner.longitude_deg
    east_deg = math.remainder(site.site.longitude_deg - longitude_deg, 360.0)
    if abs(site.site.latitude_deg - latitude_deg) <= SITE_LEEWAY_DEG and abs(east_deg) <= SITE_LEEWAY_DEG:
        return
    raise RecordError(
        f"the record {place.words} belongs to a pier at latitude {latitude_deg:g}, longitude "
        f"{longitude_deg:g}"
        f"{f' ({name})' if name else ''}, but the site file says latitude {site.site.latitude_deg:g}, "
        "longitude "
        f"{site.site.longitude_deg:g}.  If this is another pier, give it a site file and a record of its "
        "own.  If the site file was wrong until now and is right as it stands, the record is taken along by "
        "`drift "
        f"site --latitude-deg {site.site.latitude_deg:g} --longitude-deg {site.site.longitude_deg:g}`, which "
        "judges "
        "its rows anew: which are believed depends on the place.  If it is the site file that is wrong now, "
        "put it "
        "right there."
    )
