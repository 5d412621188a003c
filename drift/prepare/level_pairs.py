"""Level readings with the instrument turned end for end: a pair is free of the instrument's own error.

Turned end for end, the instrument shows the lean with the other sign and its own
error with the same one.  Half the difference of the two readings is the lean,
half their sum is the instrument's error.  The error is taken from the pair
itself, because it changes with temperature and with every knock.  A single
reading at the same place is corrected by the errors that the pairs showed, and
is made as uncertain as these scatter.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from drift.prepare.result import Prepared
from drift.quantities import Floats
from drift.readings import COLUMNS, Readings

#: Readings with both faces within this time are a pair [us]: common practice, a pier is still for an hour.
PAIR_US = 3_600_000_000
#: Standard deviation of a reading that comes without one [arcsec]; as `drift.history.series` takes it.
SINGLE_SD_ARCSEC = 15.0
#: So far the error of a level is expected to change between two days [arcsec]: common practice, by
#: temperature and handling.  Counts as much as one pair.
WANDER_SD_ARCSEC = 10.0
#: An error that changes by more is told [arcsec].
_MUCH_ARCSEC = 3.0 * WANDER_SD_ARCSEC
_LEANS = ["lean_north_arcsec", "lean_east_arcsec"]


@dataclass(frozen=True)
class Pair:
    """Two readings, face 0 and face 180, of one place."""

    first: int  # position of the reading with face 0
    second: int  # with face 180
    place: str
    lean: Floats = field(repr=False)  # (2,) north, east [arcsec]
    bias: Floats = field(repr=False)  # (2,) the instrument's own error [arcsec]
    sd: float = 0.0  # of each [arcsec]


def with_pairs(readings: Readings) -> Prepared:
    """Join pairs of level readings into one reading each, and free single ones of the error that pairs show.

    Places without a pair are left as they are.
    """
    levels = readings["levels"]
    pairs = find_pairs(levels)
    if not pairs:
        return Prepared(readings)
    members = {at for one in pairs for at in (one.first, one.second)}
    rows: list[dict[str, object]] = []
    remarks: list[str] = []
    by_place: dict[str, list[Pair]] = {}
    for one in pairs:
        by_place.setdefault(one.place, []).append(one)
        rows.append(_as_row(levels, one))
    single = levels[[at not in members for at in range(len(levels))]]
    for place, own in by_place.items():
        remarks += _words(place, own)
    kept = [_freed(row, by_place) for row in single.to_dict("records")]
    table = pd.DataFrame([*kept, *rows])[list(COLUMNS["levels"])]
    table = table.astype(levels.dtypes.to_dict()).sort_values(["time_us", "row_id"], ignore_index=True)
    return Prepared(Readings({**readings.tables, "levels": table}, readings.readings_id), tuple(remarks))


def find_pairs(levels: pd.DataFrame) -> list[Pair]:
    """Return the pairs among level readings, each reading in one at most, the nearest in time together."""
    times, face = levels["time_us"].to_numpy(), levels["face_deg"].to_numpy(dtype=float)
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
    one, other = (levels.iloc[at][_LEANS].to_numpy(dtype=float) for at in (a, b))
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
        "lean_north_arcsec": float(one.lean[0]),
        "lean_east_arcsec": float(one.lean[1]),
        "place": one.place,
        "face_deg": 0.0,
        "sigma_arcsec": one.sd,
    }


def _freed(row: dict[object, object], by_place: dict[str, list[Pair]]) -> dict[object, object]:
    """Free a single reading of the instrument's error, when pairs at its place show that."""
    pairs = by_place.get(str(row["place"] or "pier"))
    if not pairs:
        return row
    bias, sd = error_of(pairs)
    face = -1.0 if row["face_deg"] == 180.0 else 1.0
    north, east = (float(row[name]) - float(bias[at]) for at, name in enumerate(_LEANS))  # type: ignore[arg-type]
    sigma = float(np.hypot(_sd(row["sigma_arcsec"]), sd))  # type: ignore[arg-type]
    return {
        **row,
        "lean_north_arcsec": face * north,
        "lean_east_arcsec": face * east,
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


def _words(place: str, pairs: list[Pair]) -> Iterator[str]:
    """Yield a warning when the instrument's error changes so much that a single reading says little."""
    _, sd = error_of(pairs)
    if len(pairs) > 1 and sd > _MUCH_ARCSEC:
        yield (
            f"The level's own error on the {place} changes from one end-for-end pair to the next, by some "
            f"{sd:.0f} arcsec: pairs are free of it, single readings count little.  See that it sits the "
            "same way each time."
        )
