"""The part of the sky that the horizon leaves, as a grid of places."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from drift.quantities import Bools, Floats

if TYPE_CHECKING:
    from drift.pierfile import PierFile

#: Step of the grid in hour angle and declination [deg].
_STEP_DEG = 5.0


@dataclass(frozen=True)
class OpenSky:
    """Places above the horizon; all arrays are (n,).

    Hour angle positive west, declination positive north, bearing clockwise
    from true north [deg].
    """

    latitude_deg: float
    hour_angle: Floats = field(repr=False)
    declination: Floats = field(repr=False)
    bearing: Floats = field(repr=False)
    altitude: Floats = field(repr=False)

    def only(self, keep: Bools) -> OpenSky:
        """Return those places for which `keep` (n,) is true."""
        parts = (self.hour_angle, self.declination, self.bearing, self.altitude)
        return OpenSky(self.latitude_deg, *(part[keep] for part in parts))

    def words(self, k: int) -> str:
        """Name place `k` by bearing and altitude, as it is found from the pier."""
        return (
            f"at bearing {self.bearing[k] % 360.0:.0f}°, altitude {self.altitude[k]:.0f}° "
            f"(declination {self.declination[k]:.0f}°)"
        )


def open_sky(site: PierFile) -> OpenSky:
    """Return a grid over all places that stand above the site's horizon."""
    hours, decs = np.arange(-180.0, 180.0, _STEP_DEG), np.arange(-90.0, 90.1, _STEP_DEG)
    hour_angle, declination = (grid.ravel() for grid in np.meshgrid(hours, decs))
    sky = _placed(site.site.latitude_deg, hour_angle, declination)
    return sky.only(sky.altitude > _horizon_at(site, sky.bearing))


def usual_declination(site: PierFile) -> OpenSky:
    """Return the usual declination on the meridian, whether the horizon leaves it or not."""
    return _placed(site.site.latitude_deg, np.zeros(1), np.array([site.optics.typical_declination_deg]))


def usual_place(site: PierFile) -> OpenSky:
    """Return the one place where the usual declination stands highest of what the horizon leaves; or none."""
    hours = np.arange(-180.0, 180.0, 1.0)
    sky = _placed(site.site.latitude_deg, hours, np.full(hours.size, site.optics.typical_declination_deg))
    sky = sky.only(sky.altitude > _horizon_at(site, sky.bearing))
    # the pole itself stands equally high at every hour
    best = np.lexsort((np.abs(sky.hour_angle), -np.round(sky.altitude, 6)))[:1]
    return sky.only(np.isin(np.arange(sky.hour_angle.size), best))


def usual_words(place: OpenSky) -> str:
    """Name the place of `usual_place`."""
    hour = float(place.hour_angle[0]) / 15.0
    where = "on the meridian" if hour == 0.0 else f"{abs(hour):.1f} h {'west' if hour > 0 else 'east'} of it"
    return f"at declination {place.declination[0]:g}° {where}"


def _placed(latitude_deg: float, hour_angle: Floats, declination: Floats) -> OpenSky:
    phi, hour, dec = np.radians(latitude_deg), np.radians(hour_angle), np.radians(declination)
    up = np.sin(phi) * np.sin(dec) + np.cos(phi) * np.cos(dec) * np.cos(hour)
    north = np.cos(phi) * np.sin(dec) - np.sin(phi) * np.cos(dec) * np.cos(hour)
    east = -np.cos(dec) * np.sin(hour)
    altitude = np.degrees(np.arcsin(np.clip(up, -1.0, 1.0)))
    return OpenSky(latitude_deg, hour_angle, declination, np.degrees(np.arctan2(east, north)), altitude)


def _horizon_at(site: PierFile, bearing_deg: Floats) -> Floats:
    """Return the altitude of the horizon at bearings; it runs straight between the points given."""
    outline = site.horizon.altitude_deg
    if not outline:
        return np.zeros(np.shape(bearing_deg))
    bearings, altitudes = zip(*outline, strict=True)
    return np.asarray(np.interp(bearing_deg, bearings, altitudes, period=360.0))
