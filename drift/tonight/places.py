"""The sky that horizon and mount leave, as a grid of places with the tube side on which each is reached."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Self

import numpy as np
import numpy.typing as npt

from drift.advice.matters import horizon_at
from drift.mount.instrument import first_order
from drift.mount.orientation import hour_angle_and_dec
from drift.quantities import Bools, Floats

if TYPE_CHECKING:
    from drift.site.file import PierFile

#: Step of the grid in altitude and in bearing [deg].
STEP_DEG = 5.0
#: Nothing lower is planned [deg]: a degree of temperature or a hectopascal there moves a star by as much as
#: the axis is wanted to (refraction, some 2.7 arcmin at 20 deg).
LOWEST_DEG = 20.0
#: Nearer to a pole of the sky a hour angle says little, and the mount turns far for a small step [deg].
HIGHEST_DEC_DEG = 85.0
#: A field may be missed by this much in either coordinate [deg]: what it tells changes by a few percent.
#: So far it also stands above the horizon's outline.
TOLERANCE_DEG = 3.0
#: A star that has sunk further than planned may still be solved down to here [deg].
STILL_USABLE_DEG = 15.0
#: A star stays within reach on its tube side for at least this turn of the sky [deg]: 16 minutes.
LASTING_DEG = 4.0
_NOTHING = 1e-6  # [deg], what rounding leaves


@dataclass(frozen=True)
class Places:
    """Directions with a tube side each; all arrays are (n,).

    `side` is +1 with the tube on the east side of the pier, -1 on the west side, 0 for a mount that
    does not change sides.
    """

    latitude_deg: float
    bearing_deg: Floats = field(repr=False)  # clockwise from true north
    altitude_deg: Floats = field(repr=False)
    side: Floats = field(repr=False)

    @property
    def size(self) -> int:
        """How many there are."""
        return int(self.side.size)

    @property
    def enu(self) -> Floats:
        """Unit vectors East, North, Up, (n, 3)."""
        bearing, altitude = np.radians(self.bearing_deg), np.radians(self.altitude_deg)
        flat = np.cos(altitude)
        return np.stack([flat * np.sin(bearing), flat * np.cos(bearing), np.sin(altitude)], axis=-1)

    def equatorial_rad(self) -> tuple[Floats, Floats]:
        """Return hour angle (west positive) and declination as seen, (n,) each [rad]."""
        return hour_angle_and_dec(self.enu, float(np.radians(self.latitude_deg)))

    def slopes(self) -> Floats:
        """Return what each place sees of the unknowns, (n, 2, 8); see `mount.instrument.first_order`."""
        hour_angle, dec = self.equatorial_rad()
        return first_order(hour_angle, dec, self.side, float(np.radians(self.latitude_deg)))

    def picked(self, pick: npt.ArrayLike) -> Self:
        """Return some of them, by index or by truth value."""
        at = np.asarray(pick)
        at = at if at.dtype == np.bool_ else at.astype(np.int64)
        return type(self)(self.latitude_deg, self.bearing_deg[at], self.altitude_deg[at], self.side[at])

    def joined(self, other: Places) -> Places:
        """Return these and then the others."""
        both = (self, other)
        return Places(
            self.latitude_deg,
            np.concatenate([one.bearing_deg for one in both]),
            np.concatenate([one.altitude_deg for one in both]),
            np.concatenate([one.side for one in both]),
        )

    def apart_deg(self, other: Places) -> Floats:
        """Return the angles between these and others, (n, m) [deg]."""
        return np.degrees(np.arccos(np.clip(self.enu @ other.enu.T, -1.0, 1.0)))


def candidates(site: PierFile) -> Places:
    """Return every place of the grid that horizon and mount leave, each tube side by itself."""
    altitude, bearing = (
        grid.ravel()
        for grid in np.meshgrid(
            np.arange(LOWEST_DEG, 90.0, STEP_DEG), np.arange(0.0, 360.0, STEP_DEG), indexing="ij"
        )
    )
    sides = (1.0, -1.0) if site.mount.flips else (0.0,)
    grid = Places(
        site.site.latitude_deg,
        np.tile(bearing, len(sides)),
        np.tile(altitude, len(sides)),
        np.repeat(sides, bearing.size),
    )
    return grid.picked(lasting(site, grid))


def places_at(latitude_deg: float, hour_angle_rad: Floats, dec_rad: Floats, side: Floats) -> Places:
    """Return the places of hour angles and declinations, (n,) each [rad]."""
    phi = np.radians(latitude_deg)
    flat = np.cos(dec_rad)
    east = -flat * np.sin(hour_angle_rad)
    north = np.cos(phi) * np.sin(dec_rad) - np.sin(phi) * flat * np.cos(hour_angle_rad)
    up = np.sin(phi) * np.sin(dec_rad) + np.cos(phi) * flat * np.cos(hour_angle_rad)
    altitude = np.degrees(np.arctan2(up, np.hypot(east, north)))
    return Places(latitude_deg, np.degrees(np.arctan2(east, north)) % 360.0, altitude, side)


def reachable(site: PierFile, places: Places, lowest_deg: float = LOWEST_DEG) -> Bools:
    """Return which places the horizon leaves and the mount reaches on their tube side, (n,)."""
    mount = site.mount
    hour_angle, dec = (np.degrees(angle) for angle in places.equatorial_rad())
    lowest = max(lowest_deg, mount.lowest_altitude_deg)
    open_sky = places.altitude_deg > horizon_at(site, places.bearing_deg)
    within = (places.altitude_deg >= lowest - _NOTHING) & (places.altitude_deg <= mount.highest_altitude_deg)
    within &= (np.abs(dec) <= HIGHEST_DEC_DEG + _NOTHING) & (np.abs(hour_angle) <= mount.hour_angle_limit_deg)
    past_meridian = -hour_angle * places.side  # of a tube that looks back over the pier, positive
    below_pole = np.abs(hour_angle) > 90.0  # at the lower meridian there is nothing to stay past
    overlap = np.where(below_pole, 0.0, mount.flip_overlap_deg)
    return np.asarray(open_sky & within & (past_meridian <= overlap + _NOTHING))


def lasting(site: PierFile, places: Places) -> Bools:
    """Return which places are reached with some room, and their stars for a while longer, (n,)."""
    hour_angle, dec = places.equatorial_rad()
    later = np.angle(np.exp(1j * (hour_angle + np.radians(LASTING_DEG))))
    room = places.altitude_deg >= horizon_at(site, places.bearing_deg) + TOLERANCE_DEG
    stays = reachable(site, places_at(places.latitude_deg, later, dec, places.side), STILL_USABLE_DEG)
    return reachable(site, places) & room & stays


# ---- How long it takes to go from one place to another.


def slew_s(site: PierFile, start: Places, end: Places) -> Floats:
    """Return the time of each slew, settling included, (n,) [s]; both axes turn at once."""
    ha, dec = _axes_deg(start)
    ha_end, dec_end = _axes_deg(end)
    travel = np.maximum(np.abs(ha_end - ha), np.abs(dec_end - dec))
    return np.asarray(travel / site.mount.slew_deg_per_s + site.mount.settle_s)


def _axes_deg(places: Places) -> tuple[Floats, Floats]:
    """Return how far both axes are turned: on the west side one by half a turn more, the other through."""
    hour_angle, dec = (np.degrees(angle) for angle in places.equatorial_rad())
    flipped = places.side < 0.0
    return np.where(flipped, hour_angle + 180.0, hour_angle), np.where(flipped, 180.0 - dec, dec)
