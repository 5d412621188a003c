"""The axis by tonight's solves alone, in milliseconds, with the chance that solves are wrong weighed in.

There is an axis for each stretch between turns, zeros for each session, and the instrument's constants, these
with what the history knows of them.  Which solves may be wrong, whether the zeros jumped and how large the
scatter is are weighed against each other, and each counts by its chance: where one of two solves is wrong and
nobody can tell which, the axis becomes uncertain instead of moving.

Rejected: to use the axis of earlier nights (it is looked at because it may have moved, and a turn does move
it); to set the worst solve aside until the rest fits (of four solves any three fit).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from drift.codes import HourAngleZero, Reports
from drift.mount.instrument import (
    CONE,
    NONPERP,
    Pose,
    first_order,
    hour_angle_and_dec,
    pointed_direction,
    tangent_basis,
    wrapped,
)
from drift.night.altered_reports import Shown, chance_altered, hidden_variance
from drift.night.bending import bend_columns
from drift.night.mount_frame import AS_RECORDED, taken_as
from drift.night.mount_frame import Places as Frame
from drift.night.observations import Directions, tube_sides
from drift.night.outliers import SYNC_CHANCE, SYNC_CHANCE_KEPT, WRONG_SD
from drift.night.prepared import split_nights
from drift.night.sightings import POINTING, pointing_shares
from drift.night.system import AXIS_PRIOR_SD
from drift.notices import NightCode, Notice
from drift.quantities import ARCSEC_PER_RAD, DAY_US, Bools, Floats, Ints
from drift.sky.place import observed
from drift.tonight.plan import (
    Before,
    Places,
)
from drift.types import Source

if TYPE_CHECKING:
    import pandas as pd

    from drift.site.file import PierFile
    from drift.types import Analysis
# ---- Tonight's solves as directions with what the mount read.


@dataclass(frozen=True)
class Seen:
    """Tonight's solves in order of time, (n,) each; angles [rad] unless named otherwise."""

    latitude_rad: float
    row_id: Ints = field(repr=False)
    time_us: Ints = field(repr=False)
    enu: Floats = field(repr=False)  # (n, 3)
    mech_ha: Floats = field(repr=False)
    mech_dec: Floats = field(repr=False)
    side: Floats = field(repr=False)
    session: Ints = field(repr=False)  # solves of one number share their zeros
    unsynced: Ints = field(repr=False)  # the same where nobody syncs after a turn
    stretch: Ints = field(repr=False)  # between which turns: those of one number share the axis
    share: Floats = field(repr=False)  # what each counts for: solves of one pointing count as one

    @property
    def size(self) -> int:
        """How many there are."""
        return int(self.row_id.size)

    @property
    def places(self) -> Places:
        """Where the tube looked, by what was solved."""
        azimuth = np.degrees(np.arctan2(self.enu[:, 0], self.enu[:, 1])) % 360.0
        altitude = np.degrees(np.arcsin(np.clip(self.enu[:, 2], -1.0, 1.0)))
        return Places(float(np.degrees(self.latitude_rad)), azimuth, altitude, self.side)

    @property
    def aimed(self) -> Places:
        """Where the mount says that it looked, its zeros freed of what most solves show of them."""
        ha, dec = hour_angle_and_dec(self.enu, self.latitude_rad)
        zero = np.array([np.median(wrapped(self.mech_ha - ha)), np.median(self.mech_dec - dec)])
        hour, north = self.mech_ha - zero[0], np.clip(self.mech_dec - zero[1], -np.pi / 2, np.pi / 2)
        phi, flat = self.latitude_rad, np.cos(north)
        up = np.sin(phi) * np.sin(north) + np.cos(phi) * flat * np.cos(hour)
        along = np.cos(phi) * np.sin(north) - np.sin(phi) * flat * np.cos(hour)
        azimuth = np.degrees(np.arctan2(-flat * np.sin(hour), along)) % 360.0
        altitude = np.degrees(np.arcsin(np.clip(up, -1.0, 1.0)))
        return Places(float(np.degrees(phi)), azimuth, altitude, self.side)


def night_of(site: PierFile, time_us: int) -> tuple[int, int]:
    """Return when the night of a time begins and ends: local mean noon to noon [UTC us]."""
    shift_us = round((site.site.longitude_deg / 360.0 - 0.5) * DAY_US)
    start = (time_us + shift_us) // DAY_US * DAY_US - shift_us
    return start, start + DAY_US


def _latest_frame(notices: Iterable[Notice]) -> Frame:
    """Return how the mount's places were to be read on the last nights."""
    for one in notices:
        if one.code == NightCode.MOUNT_PLACES_WITHOUT_AIR:
            return Frame(airless=True)
        last = one.code == NightCode.MOUNT_PLACES_CHANGED and one.values["until_us"] is None
        if one.code == NightCode.MOUNT_PLACES_J2000 or last:
            of = one.values
            return Frame(bool(of.get("j2000", True)), bool(of["airless"]), bool(of["astrometric"]))
    return AS_RECORDED


def seen_tonight(
    site: PierFile, solves: pd.DataFrame, corrections: pd.DataFrame, analysis: Analysis | None
) -> Seen:
    """Return tonight's solves that have the mount's own places, as directions.

    Parameters
    ----------
    site
        The site file.
    solves, corrections
        Those of tonight, as `readings.READING_COLUMNS` has them.
    analysis
        What is known from before, of which places the mount reports; None where nothing is.
    """
    where = (site.site.latitude_deg, site.site.longitude_deg, site.site.elevation_m)
    latitude = float(np.radians(where[0]))
    both = np.isfinite(solves[["mount_ra_deg", "mount_dec_deg"]].to_numpy(dtype=float)).all(axis=1)
    table = solves[both].sort_values(["time_us", "row_id"], kind="stable").reset_index(drop=True)
    time_us = table["time_us"].to_numpy(dtype=np.int64)
    values = [table[name].to_numpy(dtype=float) for name in ("ra_deg", "dec_deg", "temp_c", "pressure_hpa")]
    sky = observed(*where, time_us, *values)
    frame = AS_RECORDED if analysis is None else _latest_frame(analysis.notices)
    table = taken_as(frame, table, Directions(sky.enu, sky.last_rad), latitude)
    hour_angle, dec = hour_angle_and_dec(sky.enu, latitude)
    side = tube_sides(table, hour_angle)[0] if site.mount.flips else np.zeros(len(table))
    mech_ha = wrapped(sky.last_rad - np.radians(table["mount_ra_deg"].to_numpy(dtype=float)))
    mech_dec = np.radians(table["mount_dec_deg"].to_numpy(dtype=float))
    known = () if analysis is None else analysis.nights.instruments
    bends = known[-1].bends if known else None
    if bends is not None:
        bent = (bend_columns(hour_angle, dec, side) @ bends) / ARCSEC_PER_RAD
        mech_ha, mech_dec = mech_ha - bent[:, 0] / np.cos(dec), mech_dec - bent[:, 1]
    split = split_nights(where[1], corrections)
    kept = zero_stays(site)
    stretch = _numbered(split.part(time_us))
    before = table["before_sync"].to_numpy(dtype=float) == 1.0
    named = [(bool(b), str(label)) for b, label in zip(before, table["session"], strict=True)]
    apart = [(*one, 0 if kept or one[1] else int(part)) for one, part in zip(named, stretch, strict=True)]
    session, unsynced = _ranked(apart), _ranked(named)
    source = np.full(time_us.size, POINTING)
    order = np.argsort(session, kind="stable")
    share = np.empty(time_us.size)
    share[order] = pointing_shares(source, session[order], time_us[order], mech_ha[order], mech_dec[order])
    row_id = table["row_id"].to_numpy(dtype=np.int64)
    return Seen(
        latitude, row_id, time_us, sky.enu, mech_ha, mech_dec, side, session, unsynced, stretch, share
    )


def zero_stays(site: PierFile) -> bool:
    """Whether the mount's zeros outlast a turn of a knob: nothing is synced."""
    return bool(site.mount.hour_angle_zero == HourAngleZero.KEPT)


def _ranked(names: Sequence[tuple[bool | str | int, ...]]) -> Ints:
    order = {name: k for k, name in enumerate(sorted(set(names)))}
    return np.array([order[name] for name in names], dtype=np.int64)


def _numbered(values: Ints) -> Ints:
    return np.unique(values, return_inverse=True)[1].astype(np.int64)


# ---- The axis by tonight's solves alone.


#: Chance beforehand that a solve is wrong: some per cent (common practice of short exposures and few stars).
WRONG_CHANCE = 0.03
#: Scatter against what the instrument is known for, and the chance of each beforehand: seeing, wind, and an
#: instrument of which little is known.
SCATTER = ((1.0, 0.8), (2.0, 0.17), (4.0, 0.03))
#: By how much the zeros move where a sync or a slip goes between two solves unsaid [arcsec].
_JUMP_SD = 1800.0
#: What a session's zeros may be beforehand: wide enough to say nothing [arcsec].
_ZERO_PRIOR_SD = 10.0 * AXIS_PRIOR_SD
#: By how much a sync after a turn moves them [arcsec]: about as much as the turn was, some minutes of arc.
_SYNC_SD = 300.0
#: What has less chance than this counts for nothing where the worst of several is asked for.
_LIKELY = 0.02
#: Two and three wrong solves are looked for among so many; beyond, one at a time.
_MOST_FOR_PAIRS, _MOST_FOR_THREE = 40, 14
#: A wrong solve beside an unsaid sync is looked for among so many.
_MOST_FOR_BOTH = 20
#: The straight line is drawn anew about the answer until it moves by less than this [arcsec], so often.
_STILL, _MOST_ROUNDS = 0.1, 6


@dataclass(frozen=True)
class AxisTonight:
    """The axis by tonight's solves alone, one for each stretch between turns [arcsec].

    `axis` is (s, 2) of az_error and alt_error, `covariance` (2 s, 2 s) of all of them; `constants` and
    `constant_sd` are (4,).
    `checked_sd` (s, 2) is what is left whichever one solve does not count: a single wrong solve that moved
    the axis by much more would have shown.  `wrong` and `jumped` (n,) are the chances that a solve is wrong,
    and that the zeros moved just before it.
    """

    axis: Floats
    covariance: Floats = field(repr=False)
    constants: Floats = field(repr=False)
    constant_sd: Floats = field(repr=False)
    checked_sd: Floats = field(repr=False)
    wrong: Floats = field(repr=False)
    jumped: Floats = field(repr=False)

    def sd(self, stretch: int) -> Floats:
        """Return the standard deviations of one stretch's axis, (2,)."""
        return np.sqrt(np.diagonal(self.covariance)[2 * stretch : 2 * stretch + 2])

    def change(self, first: int, second: int) -> tuple[Floats, Floats]:
        """Return by how much the axis of one stretch differs from that of another, with sds, (2,) each."""
        a, b = slice(2 * first, 2 * first + 2), slice(2 * second, 2 * second + 2)
        c = self.covariance
        spread = c[a, a] + c[b, b] - c[a, b] - c[b, a]
        return self.axis[second] - self.axis[first], np.sqrt(np.clip(np.diagonal(spread), 0.0, None))

    def with_hidden(self, chance: float, latitude_rad: float) -> AxisTonight:
        """Return it with what a model inside the mount may hide, with that chance, in the uncertainty.

        Such a model stays the same through a turn, so that all stretches share it: what a turn did is seen.
        """
        hidden = hidden_variance(chance) * np.diag([np.cos(latitude_rad) ** -2, 1.0])
        times = len(self.axis)
        return replace(self, covariance=self.covariance + np.kron(np.ones((times, times)), hidden))


@dataclass(frozen=True)
class _Layout:
    """Where the unknowns stand: constants, an axis a stretch, zeros a session, and the zeros' jump."""

    stretches: int
    sessions: int

    @property
    def size(self) -> int:
        return 4 + 2 * self.stretches + 2 * self.sessions + 2

    def axis(self, stretch: int | Ints) -> int | Ints:
        return 4 + 2 * stretch

    def zero(self, session: int | Ints) -> int | Ints:
        return 4 + 2 * self.stretches + 2 * session


def axis_tonight(seen: Seen, before: Before, constants: Floats, zeros_stay: bool) -> AxisTonight | None:
    """Find the axis; None without solves.

    Whether the mount was synced after a turn is not written down.  Where it wasn't, the zeros are those of
    before, which saves about a field; so both are worked out, and each counts by its chance.

    Parameters
    ----------
    seen
        Tonight's solves.
    before
        How well constants and one solve are known; of the axis nothing is taken from before.
    constants
        The instrument's constants as known, (4,) [arcsec].
    zeros_stay
        Whether a session's zeros are the mount's own, which nobody syncs.
    """
    if not seen.size:
        return None
    ways = [_found(seen, before, constants, zeros_stay)]
    syncs = int(seen.session.max()) - int(seen.unsynced.max())
    if syncs:
        ways.append(_found(replace(seen, session=seen.unsynced), before, constants, zeros_stay))
        ways[0] = (ways[0][0] + 2 * syncs * float(np.log(_ZERO_PRIOR_SD / _SYNC_SD)), ways[0][1])
    log = np.array([one for one, _ in ways])
    weight = np.exp(log - log.max())
    return _mixed(weight / weight.sum(), [one for _, one in ways])


def _mixed(weight: Floats, ways: Sequence[AxisTonight]) -> AxisTonight:
    """Return one answer of several, each by its chance (w,); a wrong solve can do the most of any of them."""
    axes = np.array([one.axis.ravel() for one in ways])
    middle = weight @ axes
    apart = axes - middle
    covariance = np.einsum("w,wij->ij", weight, np.array([one.covariance for one in ways]))
    likely = [one for chance, one in zip(weight, ways, strict=True) if chance >= _LIKELY]
    spread = weight @ np.square([one.constant_sd for one in ways])
    return AxisTonight(
        axis=middle.reshape(-1, 2),
        covariance=covariance + np.einsum("w,wi,wj->ij", weight, apart, apart),
        constants=weight @ np.array([one.constants for one in ways]),
        constant_sd=np.sqrt(spread),
        checked_sd=np.max([one.checked_sd for one in likely], axis=0),
        wrong=weight @ np.array([one.wrong for one in ways]),
        jumped=weight @ np.array([one.jumped for one in ways]),
    )


def _found(seen: Seen, before: Before, constants: Floats, zeros_stay: bool) -> tuple[float, AxisTonight]:
    """Return the axis where sessions are as they are numbered, and the log evidence for that."""
    layout = _Layout(int(seen.stretch.max()) + 1, int(seen.session.max()) + 1)
    mean, prior = _beforehand(seen, layout, before, constants)
    design = _design(seen, layout)
    jump = design[:, :, -2:].copy()
    design[:, :, -2:] = 0.0
    evidence = _Evidence(seen, layout, design, jump, mean, prior, before.solve_sd, zeros_stay)
    point = mean
    for _ in range(_MOST_ROUNDS):
        log, wrong, starts, x, spread = evidence.weighed(point)
        best = x[int(np.argmax(log))].copy()
        best[-2:] = 0.0
        moved, point = float(np.max(np.abs(best - point))), best
        if moved < _STILL:
            break
    weight = np.exp(log - log.max())
    log_evidence = float(log.max() + np.log(weight.sum()))
    weight /= weight.sum()
    middle = weight @ x
    apart = x - middle
    whole = np.einsum("h,hij->ij", weight, spread) + np.einsum("h,hi,hj->ij", weight, apart, apart)
    at = slice(4, 4 + 2 * layout.stretches)
    singles = np.diagonal(spread[1 : seen.size + 1], axis1=1, axis2=2)  # each solve wrong, the least scatter
    return log_evidence, AxisTonight(
        axis=middle[at].reshape(-1, 2),
        covariance=whole[at, at],
        constants=middle[:4],
        constant_sd=np.sqrt(np.diagonal(whole)[:4]),
        checked_sd=np.sqrt(singles[:, at].max(axis=0)).reshape(-1, 2),
        **_doubts(seen, weight, wrong, starts),
    )


def _doubts(seen: Seen, weight: Floats, wrong: Floats, starts: Ints) -> dict[str, Floats]:
    """Return the chances that each solve is wrong, and that the zeros jumped just before it.

    A jump before the last solve of a session says no more than that this one disagrees, and so does one
    after its first.
    """
    bad = weight @ wrong
    jumped = np.array([weight[starts == k].sum() for k in range(seen.size)])
    for session in np.unique(seen.session):
        own = np.flatnonzero(seen.session == session)
        if own.size > 1:
            for solve, jump in {(own[-1], own[-1]), (own[0], own[1])} if own.size > 2 else {(own[1], own[1])}:
                bad[solve] += jumped[jump]
                jumped[jump] = 0.0
    return {"wrong": np.minimum(bad, 1.0), "jumped": jumped}


def _beforehand(seen: Seen, layout: _Layout, before: Before, constants: Floats) -> tuple[Floats, Floats]:
    """Return means (p,) and standard deviations (p,) of the unknowns before the first solve."""
    mean, sd = np.zeros(layout.size), np.full(layout.size, _JUMP_SD)
    mean[:4], sd[:4] = constants, before.constant_sd
    sd[4 : 4 + 2 * layout.stretches] = AXIS_PRIOR_SD
    ha, dec = hour_angle_and_dec(seen.enu, seen.latitude_rad)
    apart = np.stack([wrapped(seen.mech_ha - ha), seen.mech_dec - dec], axis=1) * ARCSEC_PER_RAD
    for session in range(layout.sessions):
        at = int(layout.zero(session))
        mean[at : at + 2] = np.median(apart[seen.session == session], axis=0)
        sd[at : at + 2] = _ZERO_PRIOR_SD
    return mean, sd


def _design(seen: Seen, layout: _Layout) -> Floats:
    """Return what each solve sees of each unknown, (n, 2, p); the last two for one after a jump.

    A session's zeros are those of an axis on the pole: a turn in azimuth shows in what the mount reads.
    """
    ha, dec = hour_angle_and_dec(seen.enu, seen.latitude_rad)
    slopes = first_order(ha, dec, seen.side, seen.latitude_rad)
    out = np.zeros((seen.size, 2, layout.size))
    out[:, :, :4] = slopes[:, :, 4:]
    rows = np.arange(seen.size)
    axis, zero = layout.axis(seen.stretch), layout.zero(seen.session)
    for k in range(2):
        out[rows, :, axis + k] = slopes[:, :, 2 + k]
        out[rows, :, zero + k] = slopes[:, :, k]
    out[rows, :, axis] -= np.sin(seen.latitude_rad) * slopes[:, :, 0]
    out[:, :, -2:] = slopes[:, :, :2]
    return out


@dataclass(frozen=True)
class _Evidence:
    """All that is weighed for one night; angles [arcsec]."""

    seen: Seen
    layout: _Layout
    design: Floats
    jump: Floats
    mean: Floats
    prior_sd: Floats
    solve_sd: float
    zeros_stay: bool

    def weighed(self, point: Floats) -> tuple[Floats, Floats, Ints, Floats, Floats]:
        """Weigh what may be: log evidence (h,), wrong (h, n), start of a jump (h,), answers, covariances."""
        n, size = self.seen.size, self.layout.size
        wrong, starts, factor, log_prior = self._hypotheses()
        reading = self._misfit(point) + np.einsum("nkp,p->nk", self.design, point - self.mean)
        after = (np.arange(n)[None, :] >= starts[:, None]) & (starts[:, None] >= 0)
        after &= self.seen.session[None, :] == self.seen.session[np.maximum(starts, 0)][:, None]
        whole = self.design.copy()
        whole[:, :, -2:] = self.jump
        var = self.solve_sd**2 * factor[:, None] ** 2 / self.seen.share[None, :]
        var = np.where(wrong, WRONG_SD[POINTING] ** 2, var)
        use = 1.0 / var
        right = np.zeros((len(wrong), size))
        grown = np.broadcast_to(np.diag(self.prior_sd**-2), (len(wrong), size, size)).copy()
        for rows, share in ((self.design, use * ~after), (whole, use * after)):
            gram = np.einsum("nkp,nkq->npq", rows, rows).reshape(n, -1)
            grown += (share @ gram).reshape(-1, size, size)
            right += share @ np.einsum("nkp,nk->np", rows, reading)
        scale = np.sqrt(np.diagonal(grown, axis1=1, axis2=2))
        across = scale[:, :, None] * scale[:, None, :]
        even = grown / across
        spread = np.linalg.inv(even) / across
        found = np.einsum("hpq,hq->hp", spread, right)
        size_of = 2.0 * np.sum(np.log(scale), axis=1) + np.linalg.slogdet(even)[1]
        square = use @ np.sum(reading**2, axis=1) - np.sum(right * found, axis=1)
        size_of += 2.0 * float(np.log(self.prior_sd).sum())
        log = log_prior - np.log(var).sum(axis=1) - 0.5 * (square + size_of)
        return log, wrong.astype(float), starts, self.mean + found, spread

    def _hypotheses(self) -> tuple[Bools, Ints, Floats, Floats]:
        """Return which solves are wrong (h, n), where the zeros jump (h,), the scatter and log chances."""
        n = self.seen.size
        sets: list[tuple[int, ...]] = [(), *((k,) for k in range(n))]
        if n <= _MOST_FOR_PAIRS:
            sets += list(combinations(range(n), 2))
        if n <= _MOST_FOR_THREE:
            sets += list(combinations(range(n), 3))
        first = {int(s): int(np.argmax(self.seen.session == s)) for s in np.unique(self.seen.session)}
        jumps = [k for k in range(n) if k != first[int(self.seen.session[k])]]
        both = [(k, jump) for jump in jumps for k in range(n)] if n <= _MOST_FOR_BOTH else []
        chance = SYNC_CHANCE_KEPT if self.zeros_stay else SYNC_CHANCE
        all_of_it = [*sets, *((),) * len(jumps), *((k,) for k, _ in both)]
        wrong = np.zeros((len(all_of_it), n), dtype=bool)
        for at, some in enumerate(all_of_it):
            wrong[at, list(some)] = True
        starts = np.array([-1] * len(sets) + jumps + [jump for _, jump in both], dtype=np.int64)
        odds = np.log(WRONG_CHANCE / (1.0 - WRONG_CHANCE)) * wrong.sum(axis=1)
        odds += np.where(starts >= 0, np.log(chance / max(len(jumps), 1)), np.log(1.0 - chance))
        factors = np.array([one for one, _ in SCATTER])
        log = odds[None, :] + np.log([share for _, share in SCATTER])[:, None]
        times = len(factors)
        return (
            np.tile(wrong, (times, 1)),
            np.tile(starts, times),
            np.repeat(factors, len(starts)),
            log.ravel(),
        )

    def _misfit(self, point: Floats) -> Floats:
        """Return by how much what was read exceeds what an answer makes of it, (n, 2) on the sky."""
        seen, layout = self.seen, self.layout
        axis, zero = layout.axis(seen.stretch), layout.zero(seen.session)
        az = point[axis]
        zero_ha = point[zero] - az * np.sin(seen.latitude_rad)
        constants = np.broadcast_to(point[:4], (seen.size, 4))
        pose = Pose(az, point[axis + 1], zero_ha, point[zero + 1], constants)
        tube = pointed_direction(seen.latitude_rad, seen.mech_ha, seen.mech_dec, seen.side, pose)
        west, north = tangent_basis(*hour_angle_and_dec(seen.enu, seen.latitude_rad), seen.latitude_rad)
        apart = (tube - seen.enu) * ARCSEC_PER_RAD
        return np.stack([np.sum(apart * west, axis=1), np.sum(apart * north, axis=1)], axis=1)


# ---- Whether solves show the axis at all: a model inside the mount may take its error out of its reports.


#: What the whole answer says where the reports are altered.
_ALTERED = (
    NightCode.REPORTS_ALTERED_BY_SITE_FILE,
    NightCode.REPORTS_ALTERED_BY_SWEEPS,
    NightCode.REPORTS_LOOK_ALTERED,
)


def seen_before(analysis: Analysis | None, night_us: int) -> bool:
    """Whether solves of nights before tonight told the instrument's constants."""
    nights = () if analysis is None else analysis.nights.nights
    return any(one.has_axis and Source.POINTING in one.sources and one.time_us < night_us for one in nights)


def chance_of_altered_reports(
    site: PierFile, analysis: Analysis | None, found: AxisTonight | None, night_us: int
) -> float:
    """Return the chance that the axis's error is not in what the mount reports.

    Where earlier nights were solved it is what the whole answer made of them, and nothing where that doesn't
    speak of it (`drift.night.estimate.SPOKEN_FROM`).  On a first night it follows from how near to nothing
    tonight's constants are, and the axis before the first turn.

    Parameters
    ----------
    site
        The site file; what it says of the reports counts first.
    analysis
        What the history says; None where it says nothing yet.
    found
        The axis by tonight's solves; None without solves.
    night_us
        When tonight began [UTC us].
    """
    said = {} if analysis is None else {one.code: one.values for one in analysis.notices}
    if site.mount.reports == Reports.MODELLED or any(code in said for code in _ALTERED):
        return 1.0
    if site.mount.reports == Reports.RAW:
        return 0.0
    if seen_before(analysis, night_us):
        chance = said.get(NightCode.AXIS_RESTS_ON_RAW_REPORTS, {}).get("chance")
        return chance if isinstance(chance, float) else 0.0
    if found is None:
        return 0.0
    scale = np.array([np.cos(np.radians(site.site.latitude_deg)), 1.0])
    cone, nonperp = ((float(found.constants[k]), float(found.constant_sd[k])) for k in (CONE, NONPERP))
    return chance_altered(Shown(cone, nonperp, found.axis[0] * scale, found.sd(0) * scale))
