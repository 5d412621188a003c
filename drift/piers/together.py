"""What the piers of one site share: its weather log, what moved them all, and which one moved alone.

A pier that tips alone has a fault of its own; piers that tip alike stand on something that moves.  Both are
told from how far each tilt went within the same weeks, with its uncertainty:

- A pier is an odd one where what the others did, with how far they differ, does not explain it.  Of k piers
  at most (k - 1) / 2 may be odd, the most surprising first, each judged by those that are left.
- Those left moved together where their mean stands out, and where piers that go each its own way would
  hardly ever go so alike: their moves are turned by chance, and it is counted how often their sum comes out
  as long (a randomisation test: Fisher, The Design of Experiments, 1935, section 21, from memory).  Sizes
  are left as they are, so that one that moves much can't make a crowd.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import ceil

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from drift.codes import GroundPhase
from drift.history.neighbours import Lender, by_spread, shares_of
from drift.notices import Notice, TogetherCode, Value, info, warning
from drift.quantities import Floats
from drift.readings import Readings, as_readings
from drift.types import TiltMove

# ---- One site: which piers stand together, and its weather log.


#: Piers belong to one site within this distance, and this difference in height [km, m]: common practice,
#: frost and weather of a valley's floor are not those of its side.
SITE_KM, SITE_HEIGHT_M = 2.0, 60.0
_EARTH_KM = 6371.0


def sites_of(places: Mapping[str, tuple[float, float, float]]) -> tuple[tuple[str, ...], ...]:
    """Return the names of the piers of each site; a pier belongs to one where it is near any of its piers.

    Parameters
    ----------
    places
        By name: latitude and longitude [deg, east positive], height [m].
    """
    sites: list[set[str]] = []
    for name, place in places.items():
        near = [site for site in sites if any(is_near(place, places[other]) for other in site)]
        sites = [site for site in sites if site not in near]
        sites.append({name}.union(*near))
    return tuple(tuple(sorted(site)) for site in sites)


def is_near(one: tuple[float, float, float], other: tuple[float, float, float]) -> bool:
    """Tell whether two places belong to one site: latitude, longitude [deg], height [m]."""
    phi, other_phi = np.radians(one[0]), np.radians(other[0])
    half = np.sin(0.5 * np.radians(one[1] - other[1])) ** 2 * np.cos(phi) * np.cos(other_phi)
    half += np.sin(0.5 * (phi - other_phi)) ** 2
    km = 2.0 * _EARTH_KM * np.arcsin(np.sqrt(min(half, 1.0)))
    return bool(km <= SITE_KM and abs(one[2] - other[2]) <= SITE_HEIGHT_M)


def shared_weather(readings: Readings, weather: Sequence[pd.DataFrame]) -> Readings:
    """Return a pier's readings with the weather of its site on the days of which its own record has none.

    Parameters
    ----------
    readings
        Of the pier; where nothing is added these very readings are returned.
    weather
        Tables of weather with the columns of `drift.types.READING_COLUMNS` ``["weather"]``: of other
        records of the site, the most trusted first.  Their rows get numbers below 0: none of this record's.
    """
    own = readings["weather"]
    known, added = set(own["day"].tolist()), []
    for table in weather:
        new = table[~table["day"].isin(known)]
        known |= set(new["day"].tolist())
        added.append(new)
    more = pd.concat(added, ignore_index=True) if added else own.iloc[:0]
    if more.empty:
        return readings
    more = more.sort_values("day", kind="stable", ignore_index=True)
    more["row_id"] = -1 - np.arange(len(more), dtype=np.int64)
    whole = pd.concat([own, more], ignore_index=True) if len(own) else more
    whole = whole.sort_values("day", kind="stable", ignore_index=True)
    columns = [name for name in whole.columns if name != "row_id"]
    name = ""
    if readings.readings_id:
        marks = pd.util.hash_pandas_object(more[columns], index=False).to_numpy()
        digest = hashlib.blake2b(readings.readings_id.encode() + marks.tobytes(), digest_size=16)
        name = digest.hexdigest()
    return replace(as_readings({**readings.tables, "weather": whole}, name), notices=readings.notices)


@dataclass(frozen=True, kw_only=True)
class Lent:
    """What one pier of a site lends the others: what its years tell, and its weather log."""

    lender: Lender | None
    weather: pd.DataFrame = field(repr=False)


# ---- How far piers went within the same weeks.


#: Fewest piers of which anything is said.
FEWEST = 3
#: Less than this is not spoken of [arcsec], and less than this may always differ from pier to pier.
LEAST_ARCSEC, SPREAD_ARCSEC = 5.0, 6.0
#: A finding may be chance in one site of so many, all windows and piers looked at together.
CHANCE = 0.01
#: Turns by chance, and their seed.
_TURNED, _SEED = 20_000, 20261130
#: From so much growth or loss of frost on, in typical winters, weeks are those of freezing, or of a thaw.
_PHASE = 0.2


@dataclass(frozen=True, kw_only=True)
class Together:
    """What the piers of a site did within one window.

    Parameters
    ----------
    from_us, to_us
        The window.
    phase
        What the ground did then; None where that isn't known.
    core
        The piers that did alike, or at least not what one alone would have to answer for.
    odd
        Those that did not, the most surprising first.
    mean, mean_sd
        (2,) how far the core went, north and east [arcsec].
    between
        How far its piers differ from that, in each direction [arcsec].
    chance
        How often piers that go each its own way would go so alike.
    odd_chance
        Of each odd one, how often one that does as the others do would go so far off.
    moves
        Of each pier.
    """

    from_us: int
    to_us: int
    phase: GroundPhase | None
    core: tuple[str, ...]
    odd: tuple[str, ...]
    mean: Floats = field(repr=False)
    mean_sd: Floats = field(repr=False)
    between: float
    chance: float
    odd_chance: tuple[float, ...]
    moves: Mapping[str, TiltMove] = field(repr=False)

    @property
    def moved(self) -> bool:
        """Whether the core moved, all its piers one way."""
        return _stands_out(self.mean, self.mean_sd) and self.chance < CHANCE

    @property
    def still(self) -> bool:
        """Whether the core stood still: neither its mean nor what its piers differ by is spoken of."""
        return not _stands_out(self.mean, self.mean_sd) and self.between < LEAST_ARCSEC

    @property
    def own(self) -> tuple[TiltMove, ...]:
        """The moves of the core."""
        return tuple(self.moves[name] for name in self.core)


def _stands_out(moved: Floats, sd: Floats) -> bool:
    size = float(np.hypot(*moved))
    along = np.abs(moved) / max(size, 1e-9)
    return size > LEAST_ARCSEC and size > 3.0 * float(np.hypot(*(along * sd)))


def together(moves: Mapping[str, TiltMove]) -> Together | None:
    """Tell what piers did alike within one window, and which of them did not.

    Parameters
    ----------
    moves
        Of each pier, all over the same window.

    Returns
    -------
    Together or None
        None for fewer than `FEWEST` piers.

    Raises
    ------
    ValueError
        If the windows differ.
    """
    if len({(one.from_us, one.to_us) for one in moves.values()}) > 1:
        raise ValueError("the moves of the piers are not of one window")
    names = sorted(moves)
    if len(names) < FEWEST:
        return None
    core, odd, odd_chance = _apart(names, moves)
    population = _population([moves[name] for name in core])
    own = [moves[name] for name in core]
    first = own[0]
    return Together(
        from_us=first.from_us,
        to_us=first.to_us,
        phase=_phase([one.frost_moved for one in moves.values() if one.frost_moved is not None]),
        core=tuple(core),
        odd=tuple(odd),
        mean=population.mean,
        mean_sd=population.mean_sd,
        between=population.between,
        chance=chance_alike(np.array([one.moved for one in own])),
        odd_chance=tuple(odd_chance),
        moves=dict(moves),
    )


def _apart(names: list[str], moves: Mapping[str, TiltMove]) -> tuple[list[str], list[str], list[float]]:
    """Return the core, the odd ones and the chance of each of those."""
    left, taken = list(names), []
    for _ in range((len(names) - 1) // 2):
        surprise = {name: _chance_of(name, [one for one in left if one != name], moves) for name in left}
        most = min(surprise, key=lambda name: surprise[name])
        left.remove(most)
        taken.append(most)
    # the most that are all surprising beside the rest
    for count in range(len(taken), 0, -1):
        core = [name for name in names if name not in taken[:count]]
        chances = [min(1.0, len(names) * _chance_of(name, core, moves)) for name in taken[:count]]
        if max(chances) < CHANCE:
            order = sorted(range(count), key=lambda k: chances[k])
            return core, [taken[k] for k in order], [chances[k] for k in order]
    return list(names), [], []


def _chance_of(name: str, others: list[str], moves: Mapping[str, TiltMove]) -> float:
    """Return how often a pier that does as the others do would go as far off as this one; 1 for a trifle."""
    one, rest = moves[name], _population([moves[other] for other in others])
    if float(np.hypot(*(np.asarray(one.moved) - rest.mean))) < LEAST_ARCSEC:
        return 1.0
    off = np.asarray(one.moved) - rest.each_mean
    cov = np.asarray(one.cov) + rest.each_next[:, :, None] * np.eye(2)
    square = np.einsum("ti,ti->t", off, np.linalg.solve(cov, off[:, :, None])[:, :, 0])
    return float(rest.share @ chdtrc(2.0, square))  # chi-square of two directions


@dataclass(frozen=True)
class _Population:
    mean: Floats  # (2,)
    mean_sd: Floats  # (2,)
    between: float
    share: Floats  # (T,) odds of each spread between piers, the same in both directions
    each_mean: Floats  # (T, 2)
    each_next: Floats  # (T, 2) variance of one more pier


def _population(moves: Sequence[TiltMove]) -> _Population:
    """Return what piers did in the mean, and what one more would do."""
    north, east = (
        by_spread([m.moved[k] for m in moves], [float(np.sqrt(m.cov[k][k])) for m in moves], SPREAD_ARCSEC)
        for k in (0, 1)
    )
    share = shares_of(north.tau, north.log_likely + east.log_likely, SPREAD_ARCSEC)
    each, of_mean = np.stack([north.mean, east.mean], 1), np.stack([north.of_mean, east.of_mean], 1)
    mean = share @ each
    mean_sd = np.sqrt(share @ (of_mean + (each - mean) ** 2))
    between = float(share @ north.tau**2) ** 0.5
    return _Population(mean, mean_sd, between, share, each, of_mean + north.tau[:, None] ** 2)


def chance_alike(moved: Floats) -> float:
    """Return how often moves (k, 2), each turned by chance, add up to as much as they do."""
    size = np.hypot(moved[:, 0], moved[:, 1])
    turned = np.random.default_rng(_SEED).uniform(0.0, 2.0 * np.pi, (_TURNED, size.size))
    sums = np.hypot((size * np.cos(turned)).sum(axis=1), (size * np.sin(turned)).sum(axis=1))
    as_long = int(np.sum(sums >= np.hypot(*moved.sum(axis=0)) * (1.0 - 1e-12)))
    return (as_long + 1) / (_TURNED + 1)


def _phase(grown: list[float]) -> GroundPhase | None:
    if not grown:
        return None
    middle = float(np.median(grown))
    if middle > _PHASE:
        return GroundPhase.FREEZING
    return GroundPhase.THAW if middle < -_PHASE else GroundPhase.NEITHER


def looked_at(recent: Mapping[str, Sequence[TiltMove]]) -> tuple[Together, ...]:
    """Return what the piers did in each window that most of them cover, of its length the latest.

    Parameters
    ----------
    recent
        `History.recent` of the piers of one site, by name.
    """
    by_window: dict[tuple[int, int], dict[str, TiltMove]] = {}
    for name, moves in recent.items():
        for move in moves:
            by_window.setdefault((move.from_us, move.to_us), {})[name] = move
    least = max(FEWEST, ceil(0.5 * len(recent)))
    best: dict[int, tuple[int, int]] = {}
    for window, own in sorted(by_window.items()):
        length = window[1] - window[0]
        if len(own) >= least and len(own) >= len(by_window.get(best.get(length, (0, 0)), {})):
            best[length] = window
    found = (together(by_window[window]) for _, window in sorted(best.items()))
    return tuple(one for one in found if one is not None)


def together_notices(recent: Mapping[str, Sequence[TiltMove]]) -> tuple[Notice, ...]:
    """Return what is to be said of the piers of one site together, by the window that tells most.

    Parameters
    ----------
    recent
        As for `looked_at`; of fewer than `FEWEST` with a window in common nothing is said.
    """
    found = looked_at(recent)
    if not found:
        return ()
    telling = [one for one in found if one.moved or one.odd]
    return notices_of(max(telling, key=lambda one: (len(one.odd) > 0) + one.moved) if telling else found[-1])


def notices_of(one: Together) -> tuple[Notice, ...]:
    """Return what a window tells: what the core did, then each odd one."""
    when: dict[str, Value] = {"from_us": one.from_us, "to_us": one.to_us, "phase": one.phase}
    core: dict[str, Value] = {"piers": one.core, "of": len(one.moves)}
    size = float(np.hypot(*one.mean))
    along = one.mean / max(size, 1e-9)
    values: dict[str, Value] = {
        "north_arcsec": float(one.mean[0]),
        "east_arcsec": float(one.mean[1]),
        "size_arcsec": size,
        "sd_arcsec": float(np.hypot(*(along * one.mean_sd))),
        "between_arcsec": one.between,
    }
    if one.moved:
        out = [warning(TogetherCode.MOVED_TOGETHER, **when, **core, **values, chance=one.chance)]
    elif one.still:
        most = max(float(np.hypot(*m.moved)) for m in one.own)
        out = [info(TogetherCode.STOOD_STILL, **when, **core, most_arcsec=most)]
    else:
        out = [info(TogetherCode.NOT_ALIKE, **when, **core, **values, chance=one.chance)]
    for name, chance in zip(one.odd, one.odd_chance, strict=True):
        move = one.moves[name]
        own_size = float(np.hypot(*move.moved))
        toward = np.asarray(move.moved) / max(own_size, 1e-9)
        out.append(
            warning(
                TogetherCode.ODD_ONE,
                **when,
                pier=name,
                others=len(one.core),
                others_moved=one.moved,
                others_still=one.still,
                north_arcsec=move.moved[0],
                east_arcsec=move.moved[1],
                size_arcsec=own_size,
                sd_arcsec=float(np.sqrt(toward @ np.asarray(move.cov) @ toward)),
                chance=chance,
            )
        )
    return tuple(out)
