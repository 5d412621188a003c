"""Sightings: one observed direction with what the mount read, whatever kind of log it came from."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from drift.codes import Source
from drift.mount.instrument import (
    Pose,
    axis_basis,
    drooped,
    first_order_of_night,
    hour_angle_and_dec,
    pointed_direction,
    tangent_basis,
)
from drift.quantities import ARCSEC_PER_RAD, Bools, Floats, Ints

# ---- Sightings and their sessions.
#
# A sighting is one observed direction with what the mount read (pointing
# solves), or with what stood still (sweeps: the declination axis; runs: the
# declination axis, less how far the star was seen to move).


POINTING, SWEEP, RUN = range(3)
SOURCE_NAMES = (Source.POINTING, Source.SWEEP, Source.RUN)
TABLES = ("solves", "sweeps", "runs")
#: Solves closer together than this on the sky [rad] and in time [us] are one pointing: common practice, the
#: error at one place stays the same for minutes, a turn of the worm, and differs degrees away.
SAME_POINTING = np.radians(0.5)
SAME_POINTING_US = 20 * 60_000_000
SIDEREAL_RAD_PER_US = 7.292115e-11  # Earth's rotation, IERS Conventions 2010, table 1.2


@dataclass(frozen=True)
class Sightings:
    """n observed directions with what was read; sorted by session, then time.

    `mech_ha_rad` is NaN where no hour angle was read.  For sweeps and runs
    `mech_dec_rad` is an arbitrary start plus the star's measured movement.
    """

    latitude_rad: float
    source: Ints  # (n,) POINTING, SWEEP or RUN
    row_id: Ints
    time_us: Ints
    enu: Floats  # (n, 3) observed direction
    mech_ha_rad: Floats
    mech_dec_rad: Floats
    side: Floats  # +1 east, -1 west, 0 none
    session: Ints  # (n,) index into Sessions
    ha: Floats  # true hour angle [rad]
    dec: Floats
    coefficients: Floats  # (n, 2, 10), see mount.instrument.first_order_of_night
    share: Floats  # (n,) weight of each: solves of one pointing share the mount's error, and count as one

    @property
    def size(self) -> int:
        """How many sightings there are."""
        return int(self.row_id.size)

    def picked(self, pick: Bools, session: Ints) -> Sightings:
        """Return some of the sightings, with new numbers of their sessions."""
        arrays = {
            f.name: getattr(self, f.name)[pick]
            for f in fields(self)
            if f.name not in ("latitude_rad", "session")
        }
        return Sightings(latitude_rad=self.latitude_rad, session=session, **arrays)

    def misfit(self, pose: Pose) -> Floats:
        """Return by how much the readings exceed what `pose` makes them, (n, 2) on the sky [arcsec]."""
        out = np.zeros((self.size, 2))
        read = np.isfinite(self.mech_ha_rad)
        if read.any():
            out[read] = self._pointing_misfit(read, pose)
        if not read.all():
            out[~read, 1] = self._still_misfit(~read, pose)
        return out

    def _pointing_misfit(self, pick: Bools, pose: Pose) -> Floats:
        predicted = pointed_direction(
            self.latitude_rad,
            self.mech_ha_rad[pick],
            self.mech_dec_rad[pick],
            self.side[pick],
            part(pose, pick),
        )
        west, north = tangent_basis(self.ha[pick], self.dec[pick], self.latitude_rad)
        apart = (predicted - self.enu[pick]) * ARCSEC_PER_RAD
        return np.stack([np.sum(apart * west, axis=1), np.sum(apart * north, axis=1)], axis=1)

    def _still_misfit(self, pick: Bools, pose: Pose) -> Floats:
        rad = 1.0 / ARCSEC_PER_RAD
        lift = None if pose.lift is None else -pose.lift[pick] * rad
        ideal = drooped(self.enu[pick], -pose.constants[pick, 3] * rad, lift)
        _, _, pole = axis_basis(self.latitude_rad, pose.az_error[pick] * rad, pose.alt_error[pick] * rad)
        along = np.sum(ideal * pole, axis=1)
        across = np.linalg.norm(ideal - along[:, None] * pole, axis=1)
        seen = np.arctan2(along, across)
        return (self.mech_dec_rad[pick] - seen) * ARCSEC_PER_RAD - pose.zero_dec[pick]


def part(pose: Pose, pick: Bools) -> Pose:
    """Return the pose of the picked sightings."""
    return Pose(
        pose.az_error[pick],
        pose.alt_error[pick],
        pose.zero_ha[pick],
        pose.zero_dec[pick],
        pose.constants[pick],
        None if pose.across is None else pose.across[pick],
        None if pose.lift is None else pose.lift[pick],
    )


@dataclass(frozen=True)
class Sessions:
    """Who shares zeros: one entry a session (or sweep, or run)."""

    night: Ints  # (s,) index of the night
    era: Ints  # (s,) index of the instrument's era
    source: Ints  # (s,)
    group: Ints  # (s,) index of sessions whose declination zeros scatter about one mean; -1 none
    group_class: Ints  # (s,) which repeatability: 0 kept, 1 set by a sync, 2 one label; -1 none
    zero_label: tuple[str, ...]  # sessions with one label share the hour-angle zero; "" its own
    may_hold_sync: Bools  # (s,) a sync inside this session is possible

    @property
    def size(self) -> int:
        """How many sessions there are."""
        return int(self.night.size)

    def picked(self, pick: Bools, every: int) -> Sessions:
        """Return some of the sessions, their nights numbered anew when only every so many is kept."""
        return Sessions(
            self.night[pick] // every,
            self.era[pick],
            self.source[pick],
            self.group[pick],
            self.group_class[pick],
            tuple(label for label, keep in zip(self.zero_label, pick, strict=True) if keep),
            self.may_hold_sync[pick],
        )


def make_sightings(
    latitude_rad: float,
    source: Ints,
    row_id: Ints,
    time_us: Ints,
    enu: Floats,
    mech_ha_rad: Floats,
    mech_dec_rad: Floats,
    side: Floats,
    session: Ints,
) -> Sightings:
    """Order the sightings by session, time and row, and work out their places and coefficients."""
    order = np.lexsort((row_id, time_us, session))
    enu = enu[order]
    ha, dec = hour_angle_and_dec(enu, latitude_rad)
    read = np.isfinite(mech_ha_rad[order])
    coefficients = first_order_of_night(ha, dec, side[order], latitude_rad)
    coefficients[~read, 0, :] = 0.0
    coefficients[~read, :, 4:7] = 0.0  # a rigid body turning about its axis: only droop is left
    looked_ha = np.where(read, mech_ha_rad[order], ha)
    looked_dec = np.where(read, mech_dec_rad[order], dec)
    share = pointing_shares(source[order], session[order], time_us[order], looked_ha, looked_dec)
    return Sightings(
        latitude_rad,
        source[order],
        row_id[order],
        time_us[order],
        enu,
        mech_ha_rad[order],
        mech_dec_rad[order],
        side[order],
        session[order],
        ha,
        dec,
        coefficients,
        share,
    )


def pointing_shares(source: Ints, session: Ints, time_us: Ints, ha_rad: Floats, dec_rad: Floats) -> Floats:
    """Return what each sighting counts for, (n,): one over the number of solves in its pointing.

    Solves of one field, within `SAME_POINTING` of the first of them on the sky and `SAME_POINTING_US` in
    time, are one pointing: the mount's own error is common to all, and ten of them say little more than
    one.  The points of an unguided run are one star's movement and count each.
    """
    field = SIDEREAL_RAD_PER_US * time_us - ha_rad  # stands still while tracking
    place = np.stack(
        [np.cos(dec_rad) * np.cos(field), np.cos(dec_rad) * np.sin(field), np.sin(dec_rad)], axis=1
    )
    pointing = np.arange(source.size)
    edges = np.flatnonzero(np.diff(session, prepend=-1, append=-1))
    for start, end in zip(edges[:-1], edges[1:], strict=True):
        if source[start] != RUN:
            pointing[start:end] = start + _first_of_pointing(place[start:end], time_us[start:end])
    return np.asarray(1.0 / np.bincount(pointing, minlength=source.size)[pointing])


def _first_of_pointing(place: Floats, time_us: Ints) -> Ints:
    """Return for each solve of a session the index of the first of its pointing."""
    near = place @ place.T > np.cos(SAME_POINTING)
    near &= np.abs(time_us[:, None] - time_us) < SAME_POINTING_US
    first = np.arange(time_us.size)
    if np.count_nonzero(near) == time_us.size:
        return first
    free = np.ones(time_us.size, dtype=bool)
    for i in range(time_us.size):
        if free[i]:
            own = near[i] & free
            first[own], free[own] = i, False
    return first


# ---- Readings side by side, one row for each session.


#: Sessions are padded to one length for speed when that costs no more than so many times the readings.
MOST_PADDING = 4


class SessionRows:
    """Coefficients of all readings, by session, for what a fit does with them at each step.

    Parameters
    ----------
    sightings
        n of them, sorted by session.
    sessions
        How many sessions there are, s.
    """

    def __init__(self, sightings: Sightings, sessions: int) -> None:
        self._flat = sightings.coefficients
        self._session, self._sessions = sightings.session, sessions
        self._starts = np.searchsorted(sightings.session, np.arange(sessions))
        self._counts = np.diff(np.append(self._starts, sightings.size))
        longest = int(self._counts.max(initial=0))
        self._place = np.arange(sightings.size) - self._starts[sightings.session]
        self._padded = sessions * longest <= MOST_PADDING * sightings.size
        self._shape = (sessions, longest, 2)
        if self._padded:
            self._table = self._side_by_side(self._flat)

    def _side_by_side(self, rows: Floats) -> Floats:
        """Lay (n, 2, k) out as (s, 2 longest, k), with nothing after the last of each session."""
        table = np.zeros((*self._shape, rows.shape[2]))
        table[self._session, self._place] = rows
        return table.reshape(self._sessions, 2 * self._shape[1], rows.shape[2])

    def _of_readings(self, table: Floats) -> Floats:
        """Return (s, 2 longest) as (n, 2)."""
        return np.asarray(table.reshape(self._shape)[self._session, self._place])

    def times(self, ten: Floats) -> Floats:
        """Return coefficients times the ten numbers of each session, (s, 10) -> (n, 2)."""
        if self._padded:
            return self._of_readings((self._table @ ten[:, :, None])[:, :, 0])
        return np.asarray((self._flat @ ten[self._session][:, :, None])[:, :, 0])

    def variances(self, cov: Floats) -> Floats:
        """Return the variance of coefficients times the ten numbers, (s, 10, 10) -> (n, 2)."""
        if self._padded:
            return self._of_readings(np.einsum("sik,sik->si", self._table @ cov, self._table))
        spread = self._flat @ cov[self._session]
        return np.asarray(np.einsum("nik,nik->ni", spread, self._flat))

    def grams(self, readings: Floats, weights: Floats) -> Floats:
        """Sum the weighted products of coefficients and readings of each session, (s, 11, 11).

        Parameters
        ----------
        readings
            Misfit plus coefficients times the present unknowns, (n, 2) [arcsec].
        weights
            One over the variance, (n, 2) [arcsec^-2]; 0 for what is not used.
        """
        root = np.sqrt(weights)[:, :, None]
        if self._padded:
            last = self._side_by_side(readings[:, :, None])
            table = np.concatenate([self._table, last], axis=2) * self._side_by_side(root)
            return np.asarray(np.swapaxes(table, 1, 2) @ table)
        rows = np.concatenate([self._flat, readings[:, :, None]], axis=2) * root
        products = np.swapaxes(rows, 1, 2) @ rows
        none = np.zeros(
            (1, *products.shape[1:])
        )  # for empty sessions at the end, which begin behind all rows
        sums: Floats = np.add.reduceat(np.concatenate([products, none]), self._starts, axis=0)
        sums[self._counts == 0] = 0.0  # reduceat repeats an element for empty slices
        return sums
