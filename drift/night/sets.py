"""Sweeps and unguided runs among solves that come without the mount's own coordinates."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from drift.mount.instrument import hour_angle_and_dec
from drift.notices import NightCode, Notice, info, warning
from drift.sky.of_date import separation_deg
from drift.sky.place import observed

# ---- How a sweep or a run is recognised.
#
# Such a solve says nothing by itself.  But where the declination axis stood still
# while the hour angle turned, the observed places lie on a small circle about the
# polar axis: then they are a sweep, or, where one field was followed unguided for
# long, a run.  What is found is reported with its reason; a label in the file decides.
#
# Solves with the mount's coordinates are not looked at: as pointing solves they
# say all of this already, and used twice they would count double.
#
# A mount that is re-centred on a target by solving keeps its field, not its
# declination axis, at one declination.  It gives itself away: what it keeps is the
# place in the catalogue, and the place of date, which precession has shifted, is
# not constant.


Numbers = npt.NDArray[np.floating[Any]]
Whole = npt.NDArray[np.int64]

SWEEP, RUN = "sweep", "run"
#: What a label says for "this belongs to none".
NO_LABELS = frozenset({"none", "no", "-"})

_MINUTE_US = 60_000_000
#: A longer pause ends a set [us]: within an hour a clamped axis stays clamped, and air and mount stay alike.
_PAUSE_US = 60 * _MINUTE_US
#: Solves so near to the first one are of one field [deg]; unguided, a mount wanders by less in an hour.
_FIELD_DEG = 0.3
#: A still axis keeps the observed declination within this [deg]: as much as an axis a degree off does.
_STILL_DEG = 1.0
#: Least number of fields in a sweep: three numbers describe the circle, two more test it ...
_SWEEP_FIELDS = 5
#: ... spread over so much hour angle [deg]; less says next to nothing about the axis.
_SWEEP_TURN_DEG = 15.0
#: Scatter of a sweep about its circle [arcsec]: some times that of a good mount's solves.
_CIRCLE_ARCSEC = 30.0
#: Share of a sweep's solves that may be wrong ones, and by how much the others then scatter less.
_WRONG_SHARE, _WRONG_TIMES = 0.2, 4.0
#: A scatter below this is not believed [arcsec]: solves are not that good.
_LEAST_ARCSEC = 1.0
#: Kept so well, and by so much better than the observed one, a declination was commanded [arcsec, times].
_KEPT_ARCSEC, _KEPT_TIMES = 30.0, 3.0
#: Least number of solves in a run, and how long it must last [us] ...
_RUN_ROWS = 6
_RUN_US = 20 * _MINUTE_US
#: ... that follow a smooth path this well [arcsec]; a dither or a re-centring is a jump.
_SMOOTH_ARCSEC = 5.0
_ARCSEC = 206264.80624709636  # a radian


@dataclass(frozen=True)
class SeenSolves:
    """Solves in order of time, and where they were seen; all arrays of length n."""

    time_us: Whole
    ra_deg: Numbers  # ICRS
    dec_deg: Numbers
    hour_angle_rad: Numbers  # observed
    dec_rad: Numbers  # observed
    turned: npt.NDArray[np.bool_]  # the tube changed sides (or the camera was turned) before this one


@dataclass(frozen=True)
class FoundSet:
    """A sweep or run that was found."""

    kind: str
    rows: Whole = field(repr=False)  # positions in what was looked at
    why: Notice


@dataclass(frozen=True)
class SetsFound:
    """What was found, and for each solve that belongs to no set the reason: position -> reason."""

    sets: tuple[FoundSet, ...]
    left: dict[int, Notice]


def find_sets(seen: SeenSolves, guided: bool, modelled: bool) -> SetsFound:
    """Find sweeps and unguided runs.

    Parameters
    ----------
    seen
        The solves, in order of time.
    guided
        Whether a guide star is followed (site file): then a field's movement is not the mount's, and no
        run is found.
    modelled
        Whether the mount's own model moves the declination axis: then none is still, and nothing is found.
    """
    sets: list[FoundSet] = []
    left: dict[int, Notice] = {}
    for stretch in _stretches(seen):
        fields = list(_fields(seen, stretch))
        if modelled:
            left.update(dict.fromkeys(stretch.tolist(), warning(NightCode.MOUNT_MOVES_AXES)))
            continue
        for group, swept in _swept(seen, list(_of_one_declination(seen, fields))):
            rows = np.concatenate(group)
            if isinstance(swept, FoundSet):
                sets.append(swept)
                taken = set(swept.rows.tolist())
                stray = warning(NightCode.NOT_ON_SWEEP)
                left.update({at: stray for at in rows.tolist() if at not in taken})
                continue
            for one in group:
                run = _run(seen, one, guided)
                if isinstance(run, FoundSet):
                    sets.append(run)
                else:
                    left.update(dict.fromkeys(one.tolist(), run if one.size >= _RUN_ROWS else swept))
    return SetsFound(tuple(sets), left)


def _stretches(seen: SeenSolves) -> Iterator[Whole]:
    """Yield the positions of solves without a long pause or a turn of the tube between them."""
    if not seen.time_us.size:
        return
    breaks = (np.diff(seen.time_us) > _PAUSE_US) | seen.turned[1:]
    yield from np.split(np.arange(seen.time_us.size), np.flatnonzero(breaks) + 1)


def _fields(seen: SeenSolves, stretch: Whole) -> Iterator[Whole]:
    """Yield the positions of consecutive solves of one field."""
    start = 0
    for at in range(1, stretch.size + 1):
        if at == stretch.size or _apart_deg(seen, stretch[start], stretch[at]) > _FIELD_DEG:
            yield stretch[start:at]
            start = at


def _apart_deg(seen: SeenSolves, one: int, other: int) -> float:
    return float(separation_deg(seen.ra_deg[one], seen.dec_deg[one], seen.ra_deg[other], seen.dec_deg[other]))


def _of_one_declination(seen: SeenSolves, fields: list[Whole]) -> Iterator[list[Whole]]:
    """Yield groups of consecutive fields that share a declination; one stray solve does not end a group."""
    group: list[Whole] = []
    for at, one in enumerate(fields):
        returns = one.size == 1 and at + 1 < len(fields) and group and _shares(seen, group, fields[at + 1])
        if group and not returns and not _shares(seen, group, one):
            yield group
            group = []
        group.append(one)
    if group:
        yield group


def _shares(seen: SeenSolves, group: list[Whole], one: Whole) -> bool:
    decs = [float(np.median(seen.dec_rad[rows])) for rows in group]
    return abs(float(np.median(seen.dec_rad[one])) - float(np.median(decs))) <= np.radians(_STILL_DEG)


def _swept(seen: SeenSolves, groups: list[list[Whole]]) -> Iterator[tuple[list[Whole], FoundSet | Notice]]:
    """Yield each group with the sweep that it is or why it is none; two sweeps in one group are divided."""
    for group in groups:
        swept = _sweep(seen, group)
        if isinstance(swept, Notice) and len(group) >= 2 * _SWEEP_FIELDS:
            decs = np.array([np.median(seen.dec_rad[rows]) for rows in group])
            cut = int(np.argmax(np.abs(np.diff(decs)))) + 1
            parts = [_sweep(seen, group[:cut]), _sweep(seen, group[cut:])]
            if all(isinstance(one, FoundSet) for one in parts):
                yield group[:cut], parts[0]
                yield group[cut:], parts[1]
                continue
        yield group, swept


def _sweep(seen: SeenSolves, group: list[Whole]) -> FoundSet | Notice:
    """Return the sweep that a group of fields is, or why it is none."""
    rows = np.concatenate(group)
    if len(group) < _SWEEP_FIELDS:
        return warning(NightCode.TOO_FEW_FIELDS, fields=len(group), needed_fields=_SWEEP_FIELDS)
    hour_angle = np.unwrap(seen.hour_angle_rad[rows])
    turn = float(np.degrees(np.ptp(hour_angle)))
    if turn < _SWEEP_TURN_DEG:
        return warning(NightCode.TURNED_TOO_LITTLE, turned_deg=turn, needed_deg=_SWEEP_TURN_DEG)
    dec = seen.dec_rad[rows] * _ARCSEC
    good, scatter = _on_circle(hour_angle, dec)
    if scatter > _CIRCLE_ARCSEC:
        return warning(NightCode.AXIS_NOT_STILL, scatter_arcsec=scatter)
    commanded = _commanded(seen, rows[good])
    if commanded is not None:
        return commanded
    fields = sum(bool(np.isin(one, rows[good]).any()) for one in group)
    why = info(NightCode.ON_ONE_CIRCLE, fields=fields, turned_deg=turn, scatter_arcsec=scatter)
    return FoundSet(SWEEP, rows[good], why)


def _on_circle(hour_angle: Numbers, dec: Numbers) -> tuple[npt.NDArray[np.bool_], float]:
    """Fit a + b cos H + c sin H without wrong solves; return which fit, and their scatter [arcsec].

    A small circle about an axis off the pole, to first order in how far it is off.  A solve is wrong when
    the others fit so much better without it (the sum of squares without row i is less by r^2 / (1 - h)).
    """
    design = np.stack([np.ones_like(hour_angle), np.cos(hour_angle), np.sin(hour_angle)], axis=1)
    good = np.abs(dec - np.median(dec)) <= _STILL_DEG * 3600.0
    while True:
        basis, _ = np.linalg.qr(design[good])
        off = dec[good] - basis @ (basis.T @ dec[good])
        gain = off**2 / np.maximum(1.0 - np.sum(basis**2, axis=1), 1e-9)
        square, free = float(np.sum(off**2)), int(good.sum()) - 3
        scatter = np.sqrt(square / max(free, 1))
        better = np.sqrt(max(square - float(gain.max()), 0.0) / max(free - 1, 1))
        worth = scatter > _WRONG_TIMES * max(better, _LEAST_ARCSEC)
        if not worth or free <= 2 or (~good).sum() >= _WRONG_SHARE * dec.size:
            return good, float(scatter)
        good[np.flatnonzero(good)[np.argmax(gain)]] = False


def _commanded(seen: SeenSolves, rows: Whole) -> Notice | None:
    """Return the reason when a declination was kept by solving and re-centring; None where it wasn't."""
    observed = float(np.std(seen.dec_rad[rows])) * _ARCSEC
    kept = float(np.std(seen.dec_deg[rows])) * 3600.0
    if kept > _KEPT_ARCSEC or observed <= _KEPT_TIMES * max(kept, _LEAST_ARCSEC):
        return None
    return warning(NightCode.RECENTRED, kept_arcsec=kept, observed_arcsec=observed)


def _run(seen: SeenSolves, rows: Whole, guided: bool) -> FoundSet | Notice:
    """Return the unguided run that the solves of one field are, or why they are none."""
    lasted = int(np.ptp(seen.time_us[rows]))
    minutes = lasted / _MINUTE_US
    if rows.size < _RUN_ROWS or lasted < _RUN_US:
        return warning(
            NightCode.RUN_TOO_SHORT,
            solves=rows.size,
            minutes=minutes,
            needed_solves=_RUN_ROWS,
            needed_minutes=_RUN_US / _MINUTE_US,
        )
    if guided:
        return warning(NightCode.RUN_IF_UNGUIDED, solves=rows.size, minutes=minutes)
    jump = _roughness(seen, rows)
    if jump > _SMOOTH_ARCSEC:
        return warning(NightCode.RUN_NOT_SMOOTH, off_path_arcsec=jump)
    return FoundSet(RUN, rows, info(NightCode.ONE_FIELD_UNGUIDED, solves=rows.size, minutes=minutes))


def _roughness(seen: SeenSolves, rows: Whole) -> float:
    """Return the scatter of the field's declination about a parabola in time [arcsec]."""
    when = (seen.time_us[rows] - seen.time_us[rows[0]]) / max(int(np.ptp(seen.time_us[rows])), 1)
    dec = seen.dec_deg[rows] * 3600.0
    design = np.vander(when, 3)
    fit, *_ = np.linalg.lstsq(design, dec, rcond=None)
    return float(np.sqrt(np.sum((dec - design @ fit) ** 2) / max(rows.size - 3, 1)))


# ---- Where solves were seen, for the search.

#: A camera that turned by more than this between two solves went through the pole of the mount [deg].
_FLIP_DEG = 90.0


def look(
    where: tuple[float, float, float],
    time_us: npt.NDArray[np.int64],
    ra_deg: Numbers,
    dec_deg: Numbers,
    tube_side: list[str],
    pa_deg: Numbers,
) -> SeenSolves:
    """Work out where solves, in order of time, were seen from a site.

    Parameters
    ----------
    where
        Latitude [deg], longitude [deg, east positive] and elevation [m].
    time_us, ra_deg, dec_deg, tube_side, pa_deg
        As in `drift.types.READING_COLUMNS`, (n,).  The air is taken as standard, which is good enough here.
    """
    nothing = np.full(time_us.size, np.nan)
    seen = observed(*where, time_us, ra_deg, dec_deg, nothing, nothing)
    hour_angle, dec = hour_angle_and_dec(seen.enu, float(np.radians(where[0])))
    return SeenSolves(time_us, ra_deg, dec_deg, hour_angle, dec, _turned(tube_side, pa_deg))


def _turned(tube_side: list[str], pa_deg: Numbers) -> npt.NDArray[np.bool_]:
    turned = np.zeros(pa_deg.size, dtype=bool)
    known = ""
    for at, side in enumerate(tube_side):
        turned[at] = bool(known and side and side != known)
        known = side or known
    change = np.abs((np.diff(pa_deg, prepend=np.nan) + 180.0) % 360.0 - 180.0)
    return turned | (np.nan_to_num(change) > _FLIP_DEG)


def find_in(
    where: tuple[float, float, float],
    time_us: npt.NDArray[np.int64],
    ra_deg: Numbers,
    dec_deg: Numbers,
    tube_side: list[str],
    pa_deg: Numbers,
    guided: bool,
    modelled: bool,
) -> SetsFound:
    """Find sweeps and runs among solves in any order; positions are those in the arrays given."""
    order = np.argsort(time_us, kind="stable")
    sides = [tube_side[at] for at in order.tolist()]
    seen = look(where, time_us[order], ra_deg[order], dec_deg[order], sides, pa_deg[order])
    finding = find_sets(seen, guided, modelled)
    sets = tuple(replace(one, rows=order[one.rows]) for one in finding.sets)
    return SetsFound(sets, {int(order[at]): why for at, why in finding.left.items()})
