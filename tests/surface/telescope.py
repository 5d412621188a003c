"""A program at the telescope, started by a test: it solves where it is told and writes each solve as a file.

Each line on stdin is what to do, as JSON: bearing and altitude [deg], tube side, how the mount stands
[arcsec], how far the solve is off [deg], and the file's name.  The file is written in two halves, a
moment apart, and the order is answered when it is whole.
"""

import json
import sys
import time
from pathlib import Path

import numpy as np
from evening_world import HEADER, Mount, as_line

from drift.demo import instrument
from drift.demo.instrument import Constants

#: The invented Earth is known until then; later it goes on as it turned on that day [MJD].
LAST_MJD = 61_200.0
HALF_WRITTEN_S = 0.5
known = instrument.earth_turning
instrument.earth_turning = lambda mjd, leap: known(np.minimum(mjd, LAST_MJD), leap)


def equatorial(latitude_deg, bearing_deg, altitude_deg):
    """Return hour angle and declination of a place [deg]."""
    bearing, altitude = np.radians(bearing_deg), np.radians(altitude_deg)
    flat = np.cos(altitude)
    enu = np.array([[flat * np.sin(bearing), flat * np.cos(bearing), np.sin(altitude)]])
    return [float(np.degrees(angle[0])) for angle in instrument.hour_angle_dec(enu, latitude_deg)]


def main(folder: Path, site: tuple[float, float, float]) -> None:
    mount = Mount(site, np.random.default_rng(5), constants=Constants(25.0, -15.0, 20.0, 8.0))
    for line in sys.stdin:
        order = json.loads(line)
        mount.mount_az, mount.mount_alt = order["mount_az"], order["mount_alt"]
        ha, dec = equatorial(site[0], order["bearing"], order["altitude"])
        side = 1.0 if order["tube"] == "east" else -1.0
        row = mount.solve(time.time_ns() // 1000, ha, dec, side, order["off_deg"])
        text = f"{HEADER}\n{as_line(row)}\n"
        with (folder / order["name"]).open("w") as file:
            file.write(text[: len(text) - 40])
            file.flush()
            time.sleep(HALF_WRITTEN_S)
            file.write(text[len(text) - 40 :])
        print(json.dumps({"axis": mount.axis}), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), tuple(float(one) for one in sys.argv[2:5]))
