"""The plausible range of each number in a log, and the likely slip behind a value outside it."""

from __future__ import annotations

from drift.ingest.cells import Limits
from drift.ingest.units import HPA_PER_INHG

#: How far a true station pressure may lie from the standard atmosphere's at the site: weather moves it
#: by 5 % at most, the rest allows for a rough elevation.
PRESSURE_LEEWAY = 0.15


def _ra_hint(value: float) -> str:
    if value == 360.0:
        return "write 0 for 360"
    return "right ascension in degrees runs from 0 to 360, never below 0" if -180.0 <= value < 0.0 else ""


def _temperature_hint(value: float) -> str:
    if 60.0 < value <= 130.0:
        return "is it in degrees Fahrenheit?"
    return "is it in kelvins?" if 180.0 <= value <= 335.0 else ""


RIGHT_ASCENSION = Limits(0.0, 360.0, "at least 0 and below 360 degrees", open_high=True, hint=_ra_hint)
DECLINATION = Limits(-90.0, 90.0, "from -90 to 90 degrees")
TEMPERATURE = Limits(-90.0, 60.0, "from -90 to 60 degrees Celsius", hint=_temperature_hint)
BEARING = Limits(-180.0, 360.0, "a bearing clockwise from north, from 0 to 360 degrees")
POSITION_ANGLE = Limits(-360.0, 360.0, "from -360 to 360 degrees")
EXPOSURE = Limits(0.0, 86_400.0, "from 0 to 86400 seconds")
SIGMA = Limits(0.0, float("inf"), "above 0: it is one standard deviation", open_low=True, open_high=True)
# Ten degrees: an axis, a pier or a star that far out is another unit or another column.
OFFSET_ARCSEC = Limits(-36_000.0, 36_000.0, "within 36000 arcseconds (10 degrees); is it in arcseconds?")
AXIS_ARCMIN = Limits(-600.0, 600.0, "within 600 arcminutes (10 degrees); is it in arcminutes?")
THICKNESS = Limits(-100.0, 100.0, "from -100 to 100 mm")
TURNS = Limits(-100.0, 100.0, "from -100 to 100 turns")
SNOW = Limits(0.0, 2_000.0, "from 0 to 2000 cm")


def standard_pressure_hpa(elevation_m: float) -> float:
    """Return the pressure of the standard atmosphere [hPa] at an elevation [m], valid up to 11 km.

    ISO 2533:1975 (also U.S. Standard Atmosphere 1976), troposphere: 1013.25 hPa at sea level,
    288.15 K, 6.5 K/km, exponent g M / (R L) = 5.25588.
    """
    return float(1013.25 * (1.0 - 0.0065 * elevation_m / 288.15) ** 5.25588)


def station_pressure(elevation_m: float) -> Limits:
    """Return the plausible pressure at a site: within 300 to 1100 hPa and near the standard atmosphere's."""
    expected = standard_pressure_hpa(elevation_m)
    low = max(300.0, expected * (1.0 - PRESSURE_LEEWAY))
    high = min(1100.0, expected * (1.0 + PRESSURE_LEEWAY))

    def hint(value: float) -> str:
        if low <= value * HPA_PER_INHG <= high or 20.0 <= value <= 32.0:
            return f"is it in inches of mercury? Multiply by {HPA_PER_INHG:.2f}"
        if high < value <= 1080.0 and value >= 950.0:
            return "is it reduced to sea level? The pressure at the station itself is needed"
        return ""

    words = f"from {low:.0f} to {high:.0f} hPa at {elevation_m:.0f} m above the sea"
    return Limits(low, high, words, hint=hint)
