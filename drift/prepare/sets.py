"""Solves without the mount's coordinates -> the sweeps and runs that they are part of.

It is done with all readings at hand, so that neither the order of imports nor
pieces of files change what is found, and no solve counts twice.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import pandas as pd

from drift.logs.finding import NO_LABELS, RUN, SWEEP, FoundSet
from drift.logs.looking import find_in
from drift.mount.orientation import hour_angle_and_dec
from drift.prepare.result import LeftOut, Prepared
from drift.quantities import ARCSEC_PER_RAD, Bools, Floats
from drift.readings import COLUMNS, Readings
from drift.sky.place import observed

_TABLES = {SWEEP: "sweeps", RUN: "runs"}
_PLACE = ["time_us", "ra_deg", "dec_deg"]
#: What a solve is, besides part of a labelled sweep or run.
_POINTING, _BARE, _REFUSED, _TWICE = "pointing", "bare", "refused", "twice"


@dataclass(frozen=True)
class _Set:
    """One sweep or run: its kind, its label, its rows."""

    kind: str
    label: str
    rows: pd.DataFrame


def with_sets(
    where: tuple[float, float, float], guided: bool, modelled: bool, readings: Readings
) -> Prepared:
    """Turn labelled solves, and those without the mount's coordinates, into sweeps and runs.

    A label has the last word: a labelled solve belongs to its set, whatever else it holds, and "none" keeps
    one from being found as part of a set.

    Parameters
    ----------
    where
        Latitude [deg], longitude [deg, east positive] and elevation [m] of the site.
    guided, modelled
        See `drift.logs.finding.find_sets`.
    readings
        All readings.
    """
    solves = readings["solves"]
    sort = _sort(solves, readings)
    if (sort == _POINTING).all():
        return Prepared(readings)
    found, left = _found(where, guided, modelled, solves[sort == _BARE])
    members = [*_labelled(solves, sort), *(one for one, _ in found)]
    tables = {**readings.tables, "solves": solves[sort == _POINTING].reset_index(drop=True)}
    for kind, table in _TABLES.items():
        own = [one for one in members if one.kind == kind]
        tables[table] = _joined(where, readings[table], kind, own)
    left += _left_out(
        solves[sort == _REFUSED], "comes without the mount's coordinates, and its label says none"
    )
    left += _left_out(
        solves[sort == _TWICE], "is in the record a second time, with more said of it; it counts once"
    )
    return Prepared(
        Readings(tables, readings.readings_id), tuple(_remark(one, why) for one, why in found), tuple(left)
    )


def _sort(solves: pd.DataFrame, readings: Readings) -> np.ndarray:
    """Return what each solve is: one of the words above."""
    mount = solves[["mount_ra_deg", "mount_dec_deg"]].to_numpy(dtype=float)
    bare = ~np.isfinite(mount).all(axis=1)
    sort = np.where(bare, _BARE, _POINTING).astype(object)
    for kind in _TABLES:
        label = solves[kind].to_numpy(dtype=object)
        told = label != ""
        if told.any():
            refused = np.array([text.lower() in NO_LABELS for text in label], dtype=bool)
            sort[refused & bare] = _REFUSED
            sort[told & ~refused] = kind
    in_sets = pd.concat([readings[table][_PLACE] for table in _TABLES.values()])
    fixed = np.isin(sort, list(_TABLES))
    sort[_among(solves, in_sets)] = _TWICE
    sort[(sort == _POINTING) & _among(solves, solves.loc[fixed, _PLACE])] = _TWICE
    told_of = np.isin(sort, [_POINTING, *_TABLES])
    sort[np.isin(sort, [_BARE, _REFUSED]) & _among(solves, solves.loc[told_of, _PLACE])] = _TWICE
    return sort


def _among(solves: pd.DataFrame, places: pd.DataFrame) -> Bools:
    """Tell which solves are the same instant and place as one of some others."""
    if places.empty:
        return np.zeros(len(solves), dtype=bool)
    near = solves["time_us"].isin(places["time_us"]).to_numpy()
    known = set(places.itertuples(index=False, name=None)) if near.any() else set()
    some = [place in known for place in solves.loc[near, _PLACE].itertuples(index=False, name=None)]
    out = np.zeros(len(solves), dtype=bool)
    out[near] = some
    return out


def _labelled(solves: pd.DataFrame, sort: np.ndarray) -> list[_Set]:
    return [
        _Set(kind, str(name), rows)
        for kind in _TABLES
        for name, rows in solves[sort == kind].groupby(kind, sort=True)
    ]


def _found(
    where: tuple[float, float, float], guided: bool, modelled: bool, free: pd.DataFrame
) -> tuple[list[tuple[_Set, str]], list[LeftOut]]:
    if free.empty:
        return [], []
    finding = find_in(
        where,
        free["time_us"].to_numpy(dtype=np.int64),
        free["ra_deg"].to_numpy(dtype=float),
        free["dec_deg"].to_numpy(dtype=float),
        [str(side) for side in free["tube_side"]],
        free["pa_deg"].to_numpy(dtype=float),
        guided,
        modelled,
    )
    sets = [(_named(one, free), one.why) for one in finding.sets]
    left = []
    for at, why in finding.left.items():
        left += _left_out(free.iloc[[at]], f"comes without the mount's coordinates; {why}")
    return sets, left


def _named(found: FoundSet, free: pd.DataFrame) -> _Set:
    rows = free.iloc[found.rows]
    return _Set(found.kind, f"found {_minute(int(rows['time_us'].min()))}", rows)


def _minute(time_us: int) -> str:
    return datetime.fromtimestamp(time_us / 1e6, UTC).strftime("%Y-%m-%d %H:%M UTC")


def _left_out(rows: pd.DataFrame, reason: str) -> list[LeftOut]:
    return [
        LeftOut("solves", int(row_id), int(time_us), reason)
        for row_id, time_us in zip(rows["row_id"], rows["time_us"], strict=True)
    ]


def _remark(one: _Set, why: str) -> str:
    last = _minute(int(one.rows["time_us"].max()))
    begun = one.label.removeprefix("found ")
    what = "A sweep" if one.kind == SWEEP else "An unguided run"
    return (
        f"{what} was found from {begun} to {last[11:]}: {why}.  "
        f'If it is none, label its solves "none" in a column {one.kind}.'
    )


def _joined(
    where: tuple[float, float, float], table: pd.DataFrame, kind: str, members: list[_Set]
) -> pd.DataFrame:
    """Return a table of sweeps or runs with more sets; a label that the table has already joins its rows."""
    if not members:
        return table
    parts = [one.rows.assign(**{kind: one.label, **_movement(where, one)}) for one in members]
    more = pd.concat(parts)[list(COLUMNS[_TABLES[kind]])]
    joined = pd.concat([table, more], ignore_index=True) if len(table) else more.reset_index(drop=True)
    return joined.sort_values(["time_us", "row_id"], kind="stable", ignore_index=True)


def _movement(where: tuple[float, float, float], one: _Set) -> dict[str, Floats]:
    """Return how the first field's middle moved against the mount: opposite to the fields that followed."""
    if one.kind != RUN:
        return {}
    rows = one.rows
    first = rows.sort_values(["time_us", "row_id"], kind="stable").iloc[0]
    dec_now = _observed_dec(where, rows, rows["ra_deg"].to_numpy(), rows["dec_deg"].to_numpy())
    star = np.full(len(rows), first["ra_deg"]), np.full(len(rows), first["dec_deg"])
    dec_star = _observed_dec(where, rows, *star)
    d_ra = (star[0] - rows["ra_deg"].to_numpy() + 180.0) % 360.0 - 180.0
    return {
        "dec_offset_arcsec": (dec_star - dec_now) * ARCSEC_PER_RAD,
        "ra_offset_arcsec": d_ra * 3600.0 * np.cos(np.radians(first["dec_deg"])),
    }


def _observed_dec(
    where: tuple[float, float, float], rows: pd.DataFrame, ra_deg: Floats, dec_deg: Floats
) -> Floats:
    air = rows["temp_c"].to_numpy(dtype=float), rows["pressure_hpa"].to_numpy(dtype=float)
    seen = observed(*where, rows["time_us"].to_numpy(dtype=np.int64), ra_deg, dec_deg, *air)
    return hour_angle_and_dec(seen.enu, float(np.radians(where[0])))[1]
