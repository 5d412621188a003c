"""Readings as the night step takes them: sets found among solves, level pairs joined, rows in nights."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import numpy as np
import pandas as pd

from drift.codes import CorrectionKind, Place, Reports
from drift.mount.instrument import hour_angle_and_dec
from drift.night.sets import NO_LABELS, RUN, SWEEP, FoundSet, find_in
from drift.notices import NightCode, Notice, as_value, info, warning
from drift.quantities import ARCSEC_PER_RAD, DAY_US, HOUR_US, Bools, Floats, Ints
from drift.site.file import PierFile
from drift.sky.place import observed
from drift.types import READING_COLUMNS, Readings

# ---- The result: readings made ready for the night step.


@dataclass(frozen=True)
class LeftOut:
    """A reading that can't be used, and why."""

    kind: str
    row_id: int
    time_us: int
    reason: Notice


@dataclass(frozen=True)
class Prepared:
    """Readings made ready; `notices` says what was found, `left_out` what can't be used."""

    readings: Readings = field(repr=False)
    notices: tuple[Notice, ...] = ()
    left_out: tuple[LeftOut, ...] = ()


# ---- Level readings turned end for end.
#
# Turned end for end, the instrument shows the tilt with the other sign and its own
# error with the same one.  Half the difference of the two readings is the tilt,
# half their sum is the instrument's error.  The error is taken from the pair
# itself, because it changes with temperature and with every knock.  A single
# reading at the same place is corrected by the errors that the pairs showed, and
# is made as uncertain as these scatter.


#: Readings with both faces within this time are a pair [us]: common practice, a pier stays still for an hour.
PAIR_US = 3_600_000_000
#: Standard deviation of a reading that comes without one [arcsec]; as `drift.history.series` takes it.
SINGLE_SD_ARCSEC = 15.0
#: How far the error of a level is expected to change between two days [arcsec]: common practice, by
#: temperature and handling.  Counts as much as one pair.
WANDER_SD_ARCSEC = 10.0
#: An error that changes by more is reported [arcsec].
_MUCH_ARCSEC = 3.0 * WANDER_SD_ARCSEC
_TILTS = ["tilt_north_arcsec", "tilt_east_arcsec"]


@dataclass(frozen=True)
class Pair:
    """Two readings, face 0 and face 180, of one place."""

    first: int  # position of the reading with face 0
    second: int  # with face 180
    place: str
    tilt: Floats = field(repr=False)  # (2,) north, east [arcsec]
    bias: Floats = field(repr=False)  # (2,) the instrument's own error [arcsec]
    sd: float = 0.0  # of each [arcsec]


def with_pairs(readings: Readings) -> Prepared:
    """Join pairs of level readings into one reading each, and take the pairs' error out of single ones.

    Places without a pair are left as they are.
    """
    levels = readings["levels"]
    pairs = find_pairs(levels)
    if not pairs:
        return Prepared(readings)
    members = {at for one in pairs for at in (one.first, one.second)}
    rows: list[dict[str, object]] = []
    notices: list[Notice] = []
    by_place: dict[str, list[Pair]] = {}
    for one in pairs:
        by_place.setdefault(one.place, []).append(one)
        rows.append(_as_row(levels, one))
    single = levels[[at not in members for at in range(len(levels))]]
    for place, own in by_place.items():
        notices += _unsteady(place, own)
    freed = [_freed(row, by_place) for row in single.to_dict("records")]
    table = pd.DataFrame([*freed, *rows])[list(READING_COLUMNS["levels"])]
    table = table.astype(levels.dtypes.to_dict()).sort_values(["time_us", "row_id"], ignore_index=True)
    return Prepared(Readings({**readings.tables, "levels": table}, readings.readings_id), tuple(notices))


def find_pairs(levels: pd.DataFrame) -> list[Pair]:
    """Return the pairs among level readings, each reading in one at most, the nearest in time together."""
    times, face = levels["time_us"].to_numpy(), levels["face_deg"].to_numpy(dtype=float)
    if not (np.any(face == 0.0) and np.any(face == 180.0)):
        return []
    place = np.array([text or "pier" for text in levels["place"]], dtype=object)
    near = [
        (abs(int(times[a]) - int(times[b])), int(times[a]), a, b)
        for where in sorted(set(place.tolist()))
        for a in np.flatnonzero((place == where) & (face == 0.0)).tolist()
        for b in _near(times, np.flatnonzero((place == where) & (face == 180.0)), int(times[a]))
    ]
    taken: set[int] = set()
    pairs = []
    for _, _, a, b in sorted(near):
        if a not in taken and b not in taken:
            taken |= {a, b}
            pairs.append(_pair(levels, a, b, str(place[a])))
    return sorted(pairs, key=lambda one: int(times[one.first]))


def _near(times: np.ndarray, others: np.ndarray, time_us: int) -> list[int]:
    ordered = others[np.argsort(times[others], kind="stable")]
    first, last = np.searchsorted(times[ordered], [time_us - PAIR_US, time_us + PAIR_US + 1])
    return [int(at) for at in ordered[first:last]]


def _pair(levels: pd.DataFrame, a: int, b: int, place: str) -> Pair:
    one, other = (levels.iloc[at][_TILTS].to_numpy(dtype=float) for at in (a, b))
    sds = [_sd(levels.iloc[at]["sigma_arcsec"]) for at in (a, b)]
    return Pair(a, b, place, (one - other) / 2.0, (one + other) / 2.0, float(np.hypot(sds[0], sds[1])) / 2.0)


def _sd(sigma: float) -> float:
    return float(sigma) if np.isfinite(sigma) else SINGLE_SD_ARCSEC


def _as_row(levels: pd.DataFrame, one: Pair) -> dict[str, object]:
    """Return a pair as one reading, at the mean time, under the number of its first row."""
    first, second = levels.iloc[one.first], levels.iloc[one.second]
    return {
        "row_id": int(first["row_id"]),
        "time_us": int(first["time_us"]) + (int(second["time_us"]) - int(first["time_us"])) // 2,
        "tilt_north_arcsec": float(one.tilt[0]),
        "tilt_east_arcsec": float(one.tilt[1]),
        "place": one.place,
        "face_deg": 0.0,
        "sigma_arcsec": one.sd,
    }


def _freed(row: dict[object, object], by_place: dict[str, list[Pair]]) -> dict[object, object]:
    """Take the instrument's error out of a single reading, when pairs at its place show it."""
    pairs = by_place.get(str(row["place"] or "pier"))
    if not pairs:
        return row
    bias, sd = error_of(pairs)
    face = -1.0 if row["face_deg"] == 180.0 else 1.0
    north, east = (float(row[name]) - float(bias[at]) for at, name in enumerate(_TILTS))  # type: ignore[arg-type]
    sigma = float(np.hypot(_sd(row["sigma_arcsec"]), sd))  # type: ignore[arg-type]
    return {
        **row,
        "tilt_north_arcsec": face * north,
        "tilt_east_arcsec": face * east,
        "face_deg": 0.0,
        "sigma_arcsec": sigma,
    }


def error_of(pairs: list[Pair]) -> tuple[Floats, float]:
    """Return the instrument's error by its pairs, (2,), and how uncertain it is on another day [arcsec]."""
    biases = np.array([one.bias for one in pairs])
    mean = biases.mean(axis=0)
    square = float(np.sum((biases - mean) ** 2)) / 2.0  # of one coordinate
    wander = (square + WANDER_SD_ARCSEC**2) / len(pairs)
    own = float(np.mean([one.sd**2 for one in pairs]))
    return mean, float(np.sqrt(wander * (1.0 + 1.0 / len(pairs)) + own / len(pairs)))


def _unsteady(place: str, pairs: list[Pair]) -> Iterator[Notice]:
    """Yield a warning when the instrument's error changes so much that a single reading is worth little."""
    _, sd = error_of(pairs)
    if len(pairs) > 1 and sd > _MUCH_ARCSEC:
        yield warning(NightCode.LEVEL_ERROR_CHANGES, place=Place(place), sd_arcsec=sd)


# ---- Solves that are part of a sweep or a run.
#
# It is done with all readings at hand, so that neither the order of imports nor
# pieces of files change what is found, and no solve counts twice.


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

    A label decides: a labelled solve belongs to its set, whatever else it holds, and one labelled "none"
    belongs to no set.

    Parameters
    ----------
    where
        Latitude [deg], longitude [deg, east positive] and elevation [m] of the site.
    guided, modelled
        See `drift.night.sets.find_sets`.
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
    left += _left_out(solves[sort == _REFUSED], warning(NightCode.LABELLED_NONE))
    left += _left_out(solves[sort == _TWICE], info(NightCode.IN_RECORD_TWICE))
    return Prepared(
        Readings(tables, readings.readings_id),
        tuple(_found_notice(one, why) for one, why in found),
        tuple(left),
    )


def _sort(solves: pd.DataFrame, readings: Readings) -> np.ndarray:
    """Return what each solve is: pointing, sweep, run or bare."""
    mount = solves[["mount_ra_deg", "mount_dec_deg"]].to_numpy(dtype=float)
    bare = ~np.isfinite(mount).all(axis=1)
    sort = np.where(bare, _BARE, _POINTING).astype(object)
    for kind in _TABLES:
        label = solves[kind].to_numpy(dtype=object)
        labelled = label != ""
        if labelled.any():
            refused = np.array([text.lower() in NO_LABELS for text in label], dtype=bool)
            sort[refused & bare] = _REFUSED
            sort[labelled & ~refused] = kind
    in_sets = pd.concat([readings[table][_PLACE] for table in _TABLES.values()])
    fixed = np.isin(sort, list(_TABLES))
    sort[_among(solves, in_sets)] = _TWICE
    sort[(sort == _POINTING) & _among(solves, solves.loc[fixed, _PLACE])] = _TWICE
    told_of = np.isin(sort, [_POINTING, *_TABLES])
    sort[np.isin(sort, [_BARE, _REFUSED]) & _among(solves, solves.loc[told_of, _PLACE])] = _TWICE
    return sort


def _among(solves: pd.DataFrame, places: pd.DataFrame) -> Bools:
    """Tell which solves have the instant and place of one of some others."""
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
) -> tuple[list[tuple[_Set, Notice]], list[LeftOut]]:
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
        left += _left_out(free.iloc[[at]], why)
    return sets, left


def _named(found: FoundSet, free: pd.DataFrame) -> _Set:
    rows = free.iloc[found.rows]
    return _Set(found.kind, f"found {_minute(int(rows['time_us'].min()))}", rows)


def _minute(time_us: int) -> str:
    return datetime.fromtimestamp(time_us / 1e6, UTC).strftime("%Y-%m-%d %H:%M UTC")


def _left_out(rows: pd.DataFrame, reason: Notice) -> list[LeftOut]:
    return [
        LeftOut("solves", int(row_id), int(time_us), reason)
        for row_id, time_us in zip(rows["row_id"], rows["time_us"], strict=True)
    ]


def _found_notice(one: _Set, why: Notice) -> Notice:
    code = NightCode.SWEEP_FOUND if one.kind == SWEEP else NightCode.RUN_FOUND
    first, last = (int(one.rows["time_us"].agg(end)) for end in ("min", "max"))
    return info(code, from_us=first, until_us=last, because=as_value(why))


def _joined(
    where: tuple[float, float, float], table: pd.DataFrame, kind: str, members: list[_Set]
) -> pd.DataFrame:
    """Return a table of sweeps or runs with more sets; a label that the table has already joins its rows."""
    if not members:
        return table
    parts = [one.rows.assign(**{kind: one.label, **_movement(where, one)}) for one in members]
    more = pd.concat(parts)[list(READING_COLUMNS[_TABLES[kind]])]
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


# ---- Runs that were guided all the same.
#
# Unguided, a star wanders in right ascension by the drive's own errors, whatever the
# axis does.  Where it stands still in both coordinates to the scatter of its solves,
# on every run there is, a guider held it, and the axis looks perfect for nothing.


#: What a run must have to be judged, and how many runs: solves, minutes, runs.
GUIDED_SOLVES, GUIDED_MINUTES, GUIDED_RUNS = 8, 10.0, 2
#: A guider holds a star to so much [arcsec]: common practice; an unguided drive swings by 5 to 20 in minutes.
HELD_ARCSEC = 1.5
#: Movement stands out from one solve to the next where it is so many times their own scatter, or a line
#: through it so many sds.
MOVES_TIMES, MOVES_SDS = 1.5, 3.5
#: An offset that never changes by more than this was not measured [arcsec].
_UNMEASURED = 0.01


def without_guided(readings: Readings) -> Prepared:
    """Leave out the runs where all of them look guided."""
    table = readings["runs"]
    judged = {
        str(name): held
        for name, rows in table.groupby("run", sort=True)
        if (held := _is_held(rows.sort_values("time_us", kind="stable"))) is not None
    }
    if len(judged) < GUIDED_RUNS or not all(judged.values()):
        return Prepared(readings)
    guided = table["run"].isin(list(judged)).to_numpy()
    tables = {**readings.tables, "runs": table[~guided].reset_index(drop=True)}
    reason = warning(NightCode.LOOKS_GUIDED)
    left = [
        LeftOut("runs", int(row_id), int(time_us), reason)
        for row_id, time_us in zip(table["row_id"][guided], table["time_us"][guided], strict=True)
    ]
    told = warning(NightCode.RUNS_LOOK_GUIDED, runs=len(judged), held_arcsec=HELD_ARCSEC)
    return Prepared(Readings(tables, readings.readings_id), (told,), tuple(left))


def _is_held(rows: pd.DataFrame) -> bool | None:
    """Return whether a star stood still in both coordinates; None where that can't be told."""
    minutes = (rows["time_us"].to_numpy(dtype=np.int64) - int(rows["time_us"].iloc[0])) / 60e6
    offsets = rows[["ra_offset_arcsec", "dec_offset_arcsec"]].to_numpy(dtype=float)
    if len(rows) < GUIDED_SOLVES or minutes[-1] < GUIDED_MINUTES or not np.isfinite(offsets).all():
        return None
    if np.any(np.ptp(offsets, axis=0) < _UNMEASURED):
        return None
    scatter = np.maximum(np.std(np.diff(offsets, axis=0), axis=0) / np.sqrt(2.0), _UNMEASURED)
    centred = minutes - minutes.mean()
    slope = centred @ offsets / (centred @ centred)
    sds = np.abs(slope) * np.sqrt(centred @ centred) / scatter
    spread = np.std(offsets, axis=0)
    still = (spread < np.minimum(MOVES_TIMES * scatter, HELD_ARCSEC)) & (sds < MOVES_SDS)
    return bool(still.all())


# ---- The same log read in two time zones.
#
# An export in local time beside the original, or a log put right and imported once more: every solve is there
# twice, some whole quarters of an hour apart.  Both together look like a night of wild solves, or like twice
# as many good ones.  One of two is used: the one whose stars were up, else the one that came in first.


#: What two exports of one solve can't differ in.  (A run has one star, and its offsets begin at nothing.)
_COPIED = {
    "solves": ["ra_deg", "dec_deg", "mount_ra_deg", "mount_dec_deg"],
    "sweeps": ["ra_deg", "dec_deg"],
}
#: Zones differ by whole quarters of an hour, from UTC by 14 h at most; exports may round to the second [us].
_ZONE_US, _FARTHEST_US, _ROUNDED_US = 900_000_000, 14 * HOUR_US, 1_500_000
#: So many solves apart by the same time are no chance, where places are written finer than this [deg]: solves
#: of one field scatter by an arcsecond, and come out alike where they are rounded to as much.
FEWEST_COPIES, FINER_THAN_DEG = 5, 1e-4


@dataclass(frozen=True)
class _Copies:
    """Rows that are the same but for their time: positions of the earlier and of the later ones."""

    apart_us: int
    earlier: Ints
    later: Ints


def without_copies(where: tuple[float, float, float], readings: Readings) -> Prepared:
    """Leave out solves that are there once more at times of another zone."""
    tables, notices, left = dict(readings.tables), [], []
    for kind, columns in _COPIED.items():
        table, out = readings[kind], np.zeros(len(readings[kind]), dtype=bool)
        for copies in _copies(table, columns):
            late = _later_is_right(where, table, copies)
            unused = copies.earlier if late else copies.later
            out[unused] = True
            times = table["time_us"].to_numpy(dtype=np.int64)[unused]
            notices.append(
                warning(
                    NightCode.COPIED_IN_OTHER_ZONE,
                    readings=kind,
                    rows=int(unused.size),
                    from_us=int(times.min()),
                    until_us=int(times.max()),
                    hours_ahead=(-1.0 if late else 1.0) * copies.apart_us / HOUR_US,
                )
            )
        if out.any():
            reason = warning(NightCode.COPY_IN_OTHER_ZONE)
            rows = zip(table["row_id"][out], table["time_us"][out], strict=True)
            left += [LeftOut(kind, int(row_id), int(time_us), reason) for row_id, time_us in rows]
            tables[kind] = table[~out].reset_index(drop=True)
    if not left:
        return Prepared(readings)
    return Prepared(Readings(tables, readings.readings_id), tuple(notices), tuple(left))


def _copies(table: pd.DataFrame, columns: list[str]) -> list[_Copies]:
    """Return the rows that are there twice, by how far apart."""
    same = np.flatnonzero(table.duplicated(columns, keep=False).to_numpy())
    steps = table[["ra_deg", "dec_deg"]].to_numpy(dtype=float)[same] / FINER_THAN_DEG
    same = same[np.any(np.abs(steps - np.round(steps)) > 1e-3, axis=1)]
    if same.size < 2 * FEWEST_COPIES:
        return []
    time_us = table["time_us"].to_numpy(dtype=np.int64)
    pairs: dict[int, list[tuple[int, int]]] = {}
    for rows in table.iloc[same].groupby(columns, sort=False, dropna=False).indices.values():
        order = same[rows][np.argsort(time_us[same[rows]], kind="stable")].tolist()
        for one, other in zip(order, order[1:], strict=False):
            apart = int(time_us[other] - time_us[one])
            zones = round(apart / _ZONE_US)
            if 0 < apart <= _FARTHEST_US and zones and abs(apart - zones * _ZONE_US) <= _ROUNDED_US:
                pairs.setdefault(zones * _ZONE_US, []).append((one, other))
    return [
        _Copies(apart, *np.array(found, dtype=np.int64).T)
        for apart, found in sorted(pairs.items())
        if len(found) >= FEWEST_COPIES
    ]


def _later_is_right(where: tuple[float, float, float], table: pd.DataFrame, copies: _Copies) -> bool:
    """Return whether the later of two copies is used: fewer of its stars were down, else it came in first."""
    down = []
    for rows in (copies.earlier, copies.later):
        time_us, ra, dec = (table[name].to_numpy()[rows] for name in ("time_us", "ra_deg", "dec_deg"))
        no_air = np.full(rows.size, np.nan)
        down.append(int(np.count_nonzero(observed(*where, time_us, ra, dec, no_air, no_air).enu[:, 2] < 0.0)))
    if down[0] != down[1]:
        return down[1] < down[0]
    came = table["row_id"].to_numpy()
    return bool(np.median(came[copies.later] - came[copies.earlier]) < 0)


# ---- All of it.


def ready(site: PierFile, readings: Readings) -> Prepared:
    """Make sweeps and runs of solves that belong to them, and one reading of each pair of level readings."""
    where = (site.site.latitude_deg, site.site.longitude_deg, site.site.elevation_m)
    once = without_copies(where, readings)
    modelled = str(site.mount.reports) == Reports.MODELLED
    sets = with_sets(where, site.optics.guided, modelled, once.readings)
    free = without_guided(sets.readings)
    pairs = with_pairs(free.readings)
    notices = (*once.notices, *sets.notices, *free.notices, *pairs.notices)
    return Prepared(pairs.readings, notices, (*once.left_out, *sets.left_out, *free.left_out))


# ---- Which readings make a night, and which solves share their zeros.


@dataclass(frozen=True)
class NightSplit:
    """The bounds of all nights, and what restarts when.

    A night runs from local mean noon to noon by longitude and is split at each
    recorded correction.
    """

    longitude_deg: float
    correction_us: Ints  # (c,) sorted times that split a night
    constants_us: Ints  # sorted times at which the instrument constants restart (service, remount)
    zero_us: Ints  # sorted times at which a kept zero restarts (zero, service, remount)

    def day(self, time_us: Ints) -> Ints:
        """Return the number of the local noon-to-noon day of each time."""
        shift_us = round((self.longitude_deg / 360.0 - 0.5) * DAY_US)
        return np.floor_divide(time_us + shift_us, DAY_US)

    def part(self, time_us: Ints) -> Ints:
        """Return how many corrections came before each time; a correction's own time is after it."""
        return np.searchsorted(self.correction_us, time_us, side="right")

    def era(self, time_us: Ints) -> Ints:
        """Return the number of the instrument's era: constants are shared within one."""
        return np.searchsorted(self.constants_us, time_us, side="right")

    def epoch(self, time_us: Ints) -> Ints:
        """Return the number of the homing epoch: a kept zero is shared within one."""
        return np.searchsorted(self.zero_us, time_us, side="right")

    def restarted(self, at_us: Sequence[int]) -> NightSplit:
        """Return the split with the constants, and a kept zero, beginning anew at some more times."""
        return replace(
            self,
            constants_us=np.union1d(self.constants_us, np.array(at_us, dtype=np.int64)),
            zero_us=np.union1d(self.zero_us, np.array(at_us, dtype=np.int64)),
        )

    def bounds(self, time_us: int) -> tuple[int, int]:
        """Return start and end [us] of the (part) night that holds a time."""
        shift_us = round((self.longitude_deg / 360.0 - 0.5) * DAY_US)
        start = int(self.day(np.array([time_us]))[0]) * DAY_US - shift_us
        cuts = self.correction_us[(self.correction_us > start) & (self.correction_us < start + DAY_US)]
        before, after = cuts[cuts <= time_us], cuts[cuts > time_us]
        return (int(before[-1]) if before.size else start, int(after[0]) if after.size else start + DAY_US)


def split_nights(longitude_deg: float, corrections: pd.DataFrame) -> NightSplit:
    """Prepare the split from the site's longitude [deg, east positive] and the recorded corrections."""
    corrections = corrections[corrections["kind"] != CorrectionKind.CRACK]  # nothing was done to the mount
    times = corrections["time_us"].to_numpy(dtype=np.int64)
    kinds = corrections["kind"].to_numpy(dtype=object)

    def of(*names: str) -> Ints:
        return np.unique(times[np.isin(kinds, names)])

    return NightSplit(
        longitude_deg,
        correction_us=np.unique(times),
        constants_us=of("service", "remount"),
        zero_us=of("zero", "service", "remount"),
    )
