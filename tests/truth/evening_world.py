"""An invented mount at the pier for one evening: it solves a field where the list says, by drift/demo alone.

Nothing here is shared with what judges the solves but the names of columns.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from drift.demo.instrument import ARCSEC, Constants, Overhead, Setting, axis_errors, misled, pointing, shaken

#: Air at the pier, which the log gives [deg C], [hPa].
TEMP_C, PRESSURE_HPA = 4.0, 965.0
#: One column of the log of solves after the other.
HEADER = "time_utc,ra_deg,dec_deg,mount_ra_deg,mount_dec_deg,tube_side,temp_c,pressure_hpa"


@dataclass
class Knob:
    """A knob that goes a little further or less far than is thought, and has slack [arcsec]."""

    gain: float = 1.0
    slack: float = 0.0
    last_way: float = 0.0

    def turned(self, asked: float) -> float:
        """Return what the axis does when the knob is set to something [arcsec]."""
        way = np.sign(asked)
        lost = self.slack if self.last_way * way < 0.0 else 0.0
        self.last_way = float(way)
        return float(way * max(self.gain * abs(asked) - lost, 0.0))


@dataclass
class Mount:
    """A mount on its pier: mount_az and mount_alt [arcsec], constants, zeros (hour angle, declination)."""

    site: tuple[float, float, float]
    rng: np.random.Generator
    mount_az: float = 0.0
    mount_alt: float = 0.0
    constants: Constants = field(default_factory=Constants)
    zeros: tuple[float, float] = (75.0, -120.0)
    noise: float = 5.0
    miss_deg: float = 0.1  # how far from the place of the list it goes

    @property
    def axis(self) -> tuple[float, float]:
        """Return the true az_error and alt_error [arcsec]."""
        az, alt = axis_errors(self._setting(), self.site[0])
        return float(az), float(alt)

    def _setting(self) -> Setting:
        none = np.float64(0.0)
        return Setting(none, none, none, none, np.float64(self.mount_az), np.float64(self.mount_alt))

    def solve(
        self, time_us: int, hour_angle_deg: float, dec_deg: float, side: float, off_deg: float = 0.0
    ) -> dict[str, object]:
        """Point at a place by the mount's own reading, and return the row that a log holds of its solve.

        A solve that is wrong shows a place `off_deg` from the right one.
        """
        off = np.radians(self.rng.normal(0.0, self.miss_deg, 2))
        ha = np.array([np.radians(hour_angle_deg) + off[0]])
        dec = np.array([np.radians(dec_deg) + off[1]])
        tube = pointing(ha, dec, np.array([side]), self.constants, self._setting(), self.site[0])
        tube = shaken(self.rng, tube, self.noise)
        if off_deg:
            tube, _ = misled(self.rng, tube, 2.0, off_deg)
        sky = Overhead(self.site, np.array([time_us]), np.array([TEMP_C]), np.array([PRESSURE_HPA]))
        ra, solved_dec = (float(np.degrees(angle[0])) for angle in sky.icrs_of(tube))
        mount_ra = float(np.degrees(sky.last_rad[0] - ha[0] - self.zeros[0] * ARCSEC)) % 360.0
        return {
            "time_us": time_us,
            "ra_deg": ra,
            "dec_deg": solved_dec,
            "mount_ra_deg": mount_ra,
            "mount_dec_deg": float(np.degrees(dec[0] + self.zeros[1] * ARCSEC)),
            "tube_side": "east" if side > 0.0 else "west",
            "temp_c": TEMP_C,
            "pressure_hpa": PRESSURE_HPA,
        }


def as_line(row: dict[str, object]) -> str:
    """Return a row as a line of a log."""
    when = str(np.datetime64(int(row["time_us"]), "us"))[:23]
    places = [f"{row[name]:.6f}" for name in ("ra_deg", "dec_deg", "mount_ra_deg", "mount_dec_deg")]
    return ",".join([f"{when}Z", *places, str(row["tube_side"]), f"{TEMP_C}", f"{PRESSURE_HPA}"])
