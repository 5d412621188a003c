"""Where solves without the mount's coordinates were seen, for finding sweeps and runs among them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from drift.logs.finding import Finding, Seen, find_sets
from drift.mount.orientation import hour_angle_and_dec
from drift.sky.place import observed

Numbers = npt.NDArray[np.floating[Any]]
#: A camera that turned by more than this between two solves went through the pole of the mount [deg].
_FLIP_DEG = 90.0


def look(
    where: tuple[float, float, float],
    time_us: npt.NDArray[np.int64],
    ra_deg: Numbers,
    dec_deg: Numbers,
    tube_side: list[str],
    pa_deg: Numbers,
) -> Seen:
    """Work out where solves, in order of time, were seen from a site.

    Parameters
    ----------
    where
        Latitude [deg], longitude [deg, east positive] and elevation [m].
    time_us, ra_deg, dec_deg, tube_side, pa_deg
        As in `drift.readings.COLUMNS`, (n,).  The air is taken as standard, which is good enough here.
    """
    nothing = np.full(time_us.size, np.nan)
    seen = observed(*where, time_us, ra_deg, dec_deg, nothing, nothing)
    hour_angle, dec = hour_angle_and_dec(seen.enu, float(np.radians(where[0])))
    return Seen(time_us, ra_deg, dec_deg, hour_angle, dec, _turned(tube_side, pa_deg))


def _turned(tube_side: list[str], pa_deg: Numbers) -> npt.NDArray[np.bool_]:
    turned = np.zeros(pa_deg.size, dtype=bool)
    known = ""
    for at, side in enumerate(tube_side):
        turned[at] = bool(known and side and side != known)
        known = side or known
    change = np.abs((np.diff(pa_deg, prepend=np.nan) + 180.0) % 360.0 - 180.0)
    return turned | (np.nan_to_num(change) > _FLIP_DEG)


def found_words(finding: Finding, count: int) -> str:
    """Say what was found among `count` solves without the mount's coordinates, and why the rest is no use."""
    solves = "1 solve comes" if count == 1 else f"{count} solves come"
    told = [f"{solves} without the mount's coordinates"]
    for kind, plural in (("sweep", "sweeps"), ("run", "runs")):
        some = [one for one in finding.sets if one.kind == kind]
        if some:
            rows = sum(one.rows.size for one in some)
            form = f"{len(some)} {plural}" if len(some) > 1 else f"a {plural[:-1]}"
            told.append(f"{rows} of them form {form}, found without a label: {some[0].why}")
    if finding.left:
        reasons = list(finding.left.values())
        most = max(dict.fromkeys(reasons), key=reasons.count)
        told.append(f"{len(reasons)} can't be used by themselves, for instance because: {most}")
    return "; ".join(told)


def find_in(
    where: tuple[float, float, float],
    time_us: npt.NDArray[np.int64],
    ra_deg: Numbers,
    dec_deg: Numbers,
    tube_side: list[str],
    pa_deg: Numbers,
    guided: bool,
    modelled: bool,
) -> Finding:
    """Find sweeps and runs among solves in any order; positions are those in the arrays given."""
    order = np.argsort(time_us, kind="stable")
    sides = [tube_side[at] for at in order.tolist()]
    seen = look(where, time_us[order], ra_deg[order], dec_deg[order], sides, pa_deg[order])
    finding = find_sets(seen, guided, modelled)
    sets = tuple(replace(one, rows=order[one.rows]) for one in finding.sets)
    return Finding(sets, {int(order[at]): why for at, why in finding.left.items()})
