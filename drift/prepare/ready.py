"""All that is made of readings before the nights are worked out."""

from __future__ import annotations

from drift.pierfile import PierFile
from drift.prepare.level_pairs import with_pairs
from drift.prepare.result import Prepared
from drift.prepare.sets import with_sets
from drift.readings import Readings


def ready(site: PierFile, readings: Readings) -> Prepared:
    """Make sweeps and runs of solves that belong to them, and one reading of each pair of level readings."""
    where = (site.site.latitude_deg, site.site.longitude_deg, site.site.elevation_m)
    sets = with_sets(where, site.optics.guided, str(site.mount.reports) == "modelled", readings)
    pairs = with_pairs(sets.readings)
    return Prepared(pairs.readings, (*sets.remarks, *pairs.remarks), sets.left_out)
