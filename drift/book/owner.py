"""Whose record it is: a record belongs to one pier, and is refused to any other."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from sqlalchemy import insert, select

from drift._version import __version__
from drift.book import schema
from drift.book.clock import now_us
from drift.book.engine import Place
from drift.errors import BookError

if TYPE_CHECKING:
    from drift.pierfile import PierFile

#: A site farther than this from the record's own is another site [deg]; 0.02 degrees are 2 km.
SITE_LEEWAY_DEG = 0.02


def claim(place: Place, site: PierFile) -> None:
    """Write into a new record whose it is, and refuse one of another site."""
    table = schema.book
    query = select(table.c.name, table.c.latitude_deg, table.c.longitude_deg)
    with place.reading() as connection:
        owner = connection.execute(query).first()
    if owner is None:
        with place.writing() as connection:
            owner = connection.execute(query).first()
            if owner is None:
                connection.execute(insert(table).values(**_owner(site)))
                return
    _refuse_other_site(place, site, *owner)


def _owner(site: PierFile) -> dict[str, object]:
    return {
        "id": 1,
        "name": site.site.name or "",
        "latitude_deg": site.site.latitude_deg,
        "longitude_deg": site.site.longitude_deg,
        "made_us": now_us(),
        "code_version": __version__,
        "next_row_id": 1,
    }


def _refuse_other_site(
    place: Place, site: PierFile, name: str, latitude_deg: float, longitude_deg: float
) -> None:
    east_deg = math.remainder(site.site.longitude_deg - longitude_deg, 360.0)
    if abs(site.site.latitude_deg - latitude_deg) <= SITE_LEEWAY_DEG and abs(east_deg) <= SITE_LEEWAY_DEG:
        return
    raise BookError(
        f"the record {place.words} belongs to a pier at latitude {latitude_deg:g}, longitude "
        f"{longitude_deg:g}"
        f"{f' ({name})' if name else ''}, but the site file says latitude {site.site.latitude_deg:g}, "
        "longitude "
        f"{site.site.longitude_deg:g}.  If this is another pier, give it a site file and a record of its "
        "own.  If the "
        "site file was wrong until now, move the record away and import the logs again: which rows are "
        "believed depends on the place."
    )
