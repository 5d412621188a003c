"""The section [optics] of the site file: what the telescope is used for, and when."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from drift.sitefile import checks
from drift.sitefile.keys import Key
from drift.sitefile.parts import POSITIVE, STRICT, Section

_Month = Annotated[int, Field(strict=True, ge=1, le=12)]


class OpticsSection(Section):
    """What the telescope is used for: how far the axis may be off depends on it."""

    focal_length_mm: Annotated[
        float,
        Field(strict=True, ge=10, le=100_000),
        Key("Focal length, in millimetres", 1000, "mm", weighs=True),
    ] = 1000.0
    pixel_um: Annotated[
        float,
        Field(strict=True, ge=0.5, le=100),
        Key("Size of one pixel of the camera, in micrometres", 3.8, "um", weighs=True),
    ] = 3.8
    sensor_width_mm: Annotated[
        float,
        Field(strict=True, ge=1, le=500),
        Key("Width of the camera's sensor, in millimetres", 24, "mm", weighs=True),
    ] = 24.0
    sensor_height_mm: Annotated[
        float,
        Field(strict=True, ge=1, le=500),
        Key("Height of the camera's sensor, in millimetres", 18, "mm", weighs=True),
    ] = 18.0
    goto_field_arcmin: Annotated[
        float | None,
        POSITIVE,
        Field(le=3600),
        Key(
            "Width of the field in which a slew should end, in arcminutes: that of the eyepiece, say",
            45,
            "arcmin",
            silent="the shorter side of the sensor",
        ),
    ] = None
    exposure_s: Annotated[
        float,
        POSITIVE,
        Field(le=86_400),
        Key("Length of one exposure, in seconds", 120, "s", weighs=True),
    ] = 120.0
    session_min: Annotated[
        float,
        POSITIVE,
        Field(le=1440),
        Key("Time that is spent on one field in a night, in minutes", 180, "min", weighs=True),
    ] = 180.0
    typical_declination_deg: Annotated[
        float,
        Field(strict=True, ge=-90, le=90),
        Key(
            "Declination of what is mostly looked at, in degrees",
            40,
            "degrees",
            silent="40 in the north, -40 in the south",
            weighs=True,
        ),
    ] = 40.0
    guided: Annotated[
        bool,
        STRICT,
        Key("Is a guide star followed during exposures?", True, weighs=True),
    ] = True
    months_of_use: Annotated[
        Annotated[tuple[_Month, ...], AfterValidator(checks.months)],
        Key(
            "Months in which the telescope is used, 1 to 12: an alignment for the year counts only these",
            (9, 10, 11, 12, 1, 2, 3, 4),
            allowed="a list of different months, each a whole number from 1 to 12",
            each="a whole number from 1 to 12",
            silent="the whole year",
        ),
    ] = ()
    aim: Annotated[
        Literal["year", "typical", "tonight"],
        Key(
            "What a correction aims at on a pier that swings with the seasons.  year: the largest error of "
            "the next twelve months is made least.  typical: their root mean square is.  tonight: the axis "
            "is set dead on the pole on the day of the correction",
            "year",
            weighs=True,
        ),
    ] = "year"
