"""How the instrument bends with the hour angle, beyond its droop: tube, bearings and circles.

A tube that gives to the east and to the west of the meridian, an axis whose bearing is not round, a gear or a
circle that sits off its centre: each moves the picture by seconds to tens of seconds of arc, the same on
every night at the same place of the sky.  In declination alone that is what an axis off the pole does; so the
axis takes it up, to the same amount on all nights that saw the same part of the sky, and looks as if it had
moved where one night saw the east and the next one the west.  Only right ascension, at several declinations,
tells the two apart.

All bends are linear in twelve unknowns an era of the instrument, so that they are found from a finished fit:
each column is taken through the same fit as the readings are, and what is left of it is held against what is
left of them.  Where bends are likelier than none to speak of, the readings are freed of them and fitted
again.  Their uncertainty, or that of none to speak of, goes into the axes.

Rejected: bends among the constants of every fit (half as many unknowns again, for all mounts).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drift.night.fit import FitState, row_sd
from drift.night.sightings import SessionRows, Sightings
from drift.night.system import Typed, solve
from drift.quantities import ARCSEC_PER_RAD, Floats, Ints

#: Unknowns of each era, in the order of `bend_columns`.
BENDS = 12
#: How far instruments bend, each unknown [arcsec], from one that does not to speak of, and how common each
#: is: common practice, tubes and shafts of amateur mounts give by 5 to 20", and the best by a second or two.
BENT_SDS, BENT_SHARES = (2.0, 5.0, 10.0, 20.0, 40.0), (0.5, 0.25, 0.16, 0.08, 0.01)
#: Chance that it bends, and by how much at least [arcsec], from which the readings are freed of what is
#: likely of it: our own rule.
BENT_CHANCE, WORTH_ARCSEC = 0.1, 1.0


@dataclass(frozen=True)
class Bending:
    """How the instrument bends, k = `BENDS` times eras, and how that moves what was fitted.

    Parameters
    ----------
    values, cov
        (k,) and (k, k) [arcsec]: what is to be taken off the readings, and its uncertainty.
    chance
        That it bends to speak of.
    axis
        (n, 2, k) by how much each night's axis is moved by a unit of each.
    zero
        (s, k) by how much the hour-angle zero of each session is.
    """

    values: Floats
    cov: Floats
    chance: float
    axis: Floats
    zero: Floats

    def left_alone(self) -> Bending:
        """Return it with the bends left in the readings: what they are is as uncertain as they are large."""
        out = np.zeros_like(self.values)
        return replace(self, values=out, cov=self.cov + self.values[:, None] * self.values)

    def pulls(self, session_of: Ints) -> Floats:
        """Return by how much axis and hour-angle zero of each night are moved, (n, 3, k).

        Parameters
        ----------
        session_of
            (n,) the session whose zero stands for the night; -1 for none.
        """
        zero = np.zeros((session_of.size, self.values.size))
        zero[session_of >= 0] = self.zero[session_of[session_of >= 0]]
        return np.concatenate([self.axis, zero[:, None, :]], axis=1)

    def spread(self, pull: Floats) -> Floats:
        """Return the covariances (n, 3, 3) that the uncertainty of the bends makes of some pulls."""
        return np.asarray(pull @ self.cov @ np.swapaxes(pull, 1, 2))


def bend_columns(hour_angle: Floats, dec: Floats, side: Floats) -> Floats:
    """Return by how much mechanical exceeds true readings for a unit of each bend, (n, 2, 12).

    Rows are cos(dec) dH and dD.  With H the hour angle and D the declination, dD has the columns sin H,
    cos H, sin 2H, cos 2H, and sin H and cos H times the tube side; then cos(dec) dH has cos D times sin H and
    cos H, sin D times sin 2H and cos 2H, and cos D times sin H and cos H times the side.  First harmonics are
    tubes that give, and circles off their centre, which turn with the axis and so change their sign with the
    side; second ones are a bearing that is not round.

    Parameters
    ----------
    hour_angle, dec
        True place, (n,) [rad].
    side
        Tube side, (n,).
    """
    sin_h, cos_h = np.sin(hour_angle), np.cos(hour_angle)
    sin_2h, cos_2h = np.sin(2.0 * hour_angle), np.cos(2.0 * hour_angle)
    sin_d, cos_d = np.sin(dec), np.cos(dec)
    out = np.zeros((hour_angle.size, 2, BENDS))
    out[:, 1, :6] = np.stack([sin_h, cos_h, sin_2h, cos_2h, side * sin_h, side * cos_h], axis=1)
    across = [cos_d * sin_h, cos_d * cos_h, sin_d * sin_2h, sin_d * cos_2h]
    out[:, 0, 6:] = np.stack([*across, side * cos_d * sin_h, side * cos_d * cos_h], axis=1)
    return out


def _columns(sightings: Sightings) -> Floats:
    out = bend_columns(sightings.ha, sightings.dec, sightings.side)
    out[~np.isfinite(sightings.mech_ha_rad), 0] = 0.0  # no hour angle was read
    return out


def bending(sightings: Sightings, state: FitState, typed: Typed) -> Bending:
    """Find how the instrument bends from a fit of all nights.

    Parameters
    ----------
    sightings, state
        The fit; readings that were set aside have no weight in it.
    typed
        Axis errors typed in, as the fit took them.
    """
    layout = state.layout
    sessions, eras = layout.sessions, layout.eras
    weight = (state.weight * sightings.share)[:, None] / row_sd(sightings, state.scales) ** 2
    rows = SessionRows(sightings, sessions.size)
    nothing = np.zeros(typed.night.size)
    none_typed = Typed(typed.night, nothing, nothing, typed.sd)
    own_era = sessions.era[sightings.session]
    columns, left, axis, zero = [], [], [], []
    for era in range(eras):
        here = (own_era == era)[:, None, None] * _columns(sightings)
        for column in np.moveaxis(here, 2, 0):
            grams = rows.grams(column, weight)
            solution = solve(grams, layout, state.precision, state.scales.shift**-2.0, none_typed)
            columns.append(column)
            left.append(column - rows.times(solution.ten()))
            axis.append(solution.axis)
            zero.append(solution.own[:, 0])
    weighted = np.reshape(columns, (BENDS * eras, -1)) * weight.ravel()
    information = weighted @ np.reshape(left, (BENDS * eras, -1)).T
    information = 0.5 * (information + information.T)
    score = weighted @ state.residual.ravel()
    values, cov, chance = _likely_bends(information, score)
    return Bending(values, cov, chance, np.stack(axis, axis=2), np.stack(zero, axis=1))


def _likely_bends(information: Floats, score: Floats) -> tuple[Floats, Floats, float]:
    """Return the likely bends, their uncertainty, and the chance that there are any to speak of."""
    means, covs, evidence = [], [], []
    for sd in BENT_SDS:
        cov = np.linalg.inv(information + np.eye(score.size) * sd**-2.0)
        means.append(cov @ score)
        covs.append(cov)
        size = np.linalg.slogdet(cov)[1] - 2.0 * score.size * np.log(sd)
        evidence.append(0.5 * float(score @ means[-1]) + 0.5 * float(size))
    share = np.exp(np.array(evidence) - max(evidence)) * BENT_SHARES
    share /= share.sum()
    values = np.einsum("i,ij->j", share, means)
    apart = np.array(means) - values
    cov = np.einsum("i,ijk->jk", share, np.array(covs) + apart[:, :, None] * apart[:, None, :])
    return values, cov, 1.0 - float(share[0])


def bends_of(sightings: Sightings, era: Ints, values: Floats) -> Floats:
    """Return by how much each reading is bent, (n, 2) of cos(dec) dH and dD [arcsec].

    Parameters
    ----------
    era
        (n,) the instrument's era of each sighting.
    values
        From `bending`.
    """
    own = values.reshape(-1, BENDS)[era]
    return np.asarray((_columns(sightings) @ own[:, :, None])[:, :, 0])


def straightened(sightings: Sightings, era: Ints, values: Floats) -> Sightings:
    """Return sightings with what the mount read freed of bends; parameters as for `bends_of`."""
    bent = bends_of(sightings, era, values) / ARCSEC_PER_RAD
    return replace(
        sightings,
        mech_ha_rad=sightings.mech_ha_rad - bent[:, 0] / np.cos(sightings.dec),
        mech_dec_rad=sightings.mech_dec_rad - bent[:, 1],
    )
