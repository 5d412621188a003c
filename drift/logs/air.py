"""Temperature and pressure beside a solve: what refraction is worked out from."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from drift.logs import limits
from drift.logs.cells import Cells
from drift.logs.layout import Circumstances

#: Below this difference [hPa] between sea level and station, weather hides whether a pressure was reduced.
_TELLING_DIFFERENCE_HPA = 25.0


def read_air(cells: Cells, around: Circumstances) -> dict[str, npt.NDArray[np.float64]]:
    """Read ``temp_c`` and ``pressure_hpa``; an implausible value is left out and its row kept."""
    pressure = cells.spare_number("pressure_hpa", limits.station_pressure(around.elevation_m))
    _remark_on_sea_level(pressure, cells, around)
    return {"temp_c": cells.spare_number("temp_c", limits.TEMPERATURE), "pressure_hpa": pressure}


def _remark_on_sea_level(pressure: npt.NDArray[np.float64], cells: Cells, around: Circumstances) -> None:
    """Remark when a file's pressures lie nearer to those of sea level than to the station's."""
    given = pressure[np.isfinite(pressure)]
    station = limits.standard_pressure_hpa(around.elevation_m)
    sea = limits.standard_pressure_hpa(0.0)
    if not given.size or sea - station < _TELLING_DIFFERENCE_HPA:
        return
    middle = float(np.median(given))
    if middle > station + 0.75 * (sea - station):
        cells.remarks.append(
            f"pressure_hpa has the median {middle:.0f} hPa, while about {station:.0f} hPa is usual at "
            f"{around.elevation_m:.0f} m: it may be reduced to sea level.  The rows went in as they are; "
            "refraction "
            "needs the pressure at the station itself"
        )
