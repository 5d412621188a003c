"""The kinds of log: what each looks like, and how its rows are checked."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from drift.codes import CorrectionKind, Place, Rotation
from drift.ingest import row_check
from drift.ingest.places import Places, check_places, check_sides
from drift.ingest.row_check import Cells, Circumstances, LogLayout
from drift.ingest.sky_evidence import copied_places
from drift.ingest.text import plain_cell
from drift.ingest.values import TubeSide
from drift.night.sets import NO_LABELS, RUN, SWEEP, SetsFound, find_in
from drift.notices import IngestCode, Notice, Value, as_value, info, warning
from drift.readings import Columns

# ---- Temperature and pressure beside a solve, for refraction.


#: Below this difference [hPa] between sea level and station, weather hides whether a pressure was reduced.
_DISTINCT_HPA = 25.0


def read_air(cells: Cells, around: Circumstances) -> dict[str, npt.NDArray[np.float64]]:
    """Read ``temp_c`` and ``pressure_hpa``; an implausible value is left out and its row kept."""
    pressure = cells.spare_number("pressure_hpa", row_check.station_pressure(around.elevation_m))
    _remark_on_sea_level(pressure, cells, around)
    return {"temp_c": cells.spare_number("temp_c", row_check.TEMPERATURE), "pressure_hpa": pressure}


def _remark_on_sea_level(pressure: npt.NDArray[np.float64], cells: Cells, around: Circumstances) -> None:
    """Remark when a file's pressures lie nearer to those of sea level than to the station's."""
    given = pressure[np.isfinite(pressure)]
    station = row_check.standard_pressure_hpa(around.elevation_m)
    sea = row_check.standard_pressure_hpa(0.0)
    if not given.size or sea - station < _DISTINCT_HPA:
        return
    middle = float(np.median(given))
    if middle > station + 0.75 * (sea - station):
        cells.remarks.append(
            warning(
                IngestCode.PRESSURE_OF_SEA_LEVEL,
                median_hpa=middle,
                usual_hpa=station,
                elevation_m=around.elevation_m,
            )
        )


# ---- Pointing solves: where the telescope looked, and where the mount said it did.


_MOUNT = ("mount_ra_deg", "mount_dec_deg")


def _read_solves(cells: Cells, around: Circumstances) -> Columns:
    failed = cells.flag("success") == 0.0
    cells.set_aside(failed, "success", warning(IngestCode.SOLVE_FAILED))
    time_us = cells.time(around.now_us)
    ra_deg = cells.number("ra_deg", row_check.RIGHT_ASCENSION)
    dec_deg = cells.number("dec_deg", row_check.DECLINATION)
    mount_ra_deg = cells.decisive_number("mount_ra_deg", row_check.RIGHT_ASCENSION)
    mount_dec_deg = cells.decisive_number("mount_dec_deg", row_check.DECLINATION)
    bare = np.isnan(mount_ra_deg) & np.isnan(mount_dec_deg)
    for column, values in zip(_MOUNT, (mount_ra_deg, mount_dec_deg), strict=True):
        cells.set_aside(np.isnan(values) & ~bare, column, warning(IngestCode.BLANK))
    good = cells.good & ~bare
    same = np.zeros(cells.count, dtype=bool)
    same[good] = copied_places(
        time_us[good], ra_deg[good], dec_deg[good], mount_ra_deg[good], mount_dec_deg[good]
    )
    cells.set_aside(same, "mount_ra_deg", warning(IngestCode.MOUNT_IS_SOLVED))
    columns: Columns = {
        "time_us": time_us,
        "ra_deg": ra_deg,
        "dec_deg": dec_deg,
        "mount_ra_deg": mount_ra_deg,
        "mount_dec_deg": mount_dec_deg,
        "tube_side": cells.choice("tube_side", (TubeSide.EAST, TubeSide.WEST)),
        "session": cells.text("session"),
        "before_sync": cells.flag("before_sync"),
        **read_air(cells, around),
        "exposure_s": cells.spare_number("exposure_s", row_check.EXPOSURE),
        "pa_deg": cells.spare_number("pa_deg", row_check.POSITION_ANGLE),
        "sweep": cells.text("sweep"),
        "run": cells.text("run"),
    }
    # A solve without the mount's place agrees with it wherever it is.
    mount = np.where(bare, ra_deg, mount_ra_deg), np.where(bare, dec_deg, mount_dec_deg)
    pairs = Places(time_us, ra_deg, dec_deg) if bare.all() else Places(time_us, ra_deg, dec_deg, *mount)
    check_places(cells, around, pairs)
    check_sides(cells, around, pairs, [str(side) for side in columns["tube_side"]])
    if (bare & cells.good).any():
        _remark_on_bare(cells, around, columns, bare & cells.good)
    return columns


def _remark_on_bare(cells: Cells, around: Circumstances, columns: Columns, bare: np.ndarray) -> None:
    """Remark on solves without the mount's coordinates: what they are good for."""
    labels = [column for column in ("sweep", "run") if any(columns[column])]
    told = [text or other for text, other in zip(columns["sweep"], columns["run"], strict=True)]
    named = np.array([bool(text) and text.lower() not in NO_LABELS for text in told], dtype=bool)
    if (bare & named).any():
        count = int((bare & named).sum())
        cells.remarks.append(info(IngestCode.SETS_LABELLED, solves=count, columns=tuple(labels)))
    free = np.flatnonzero(bare & ~np.array([bool(text) for text in told], dtype=bool))
    if not free.size:
        return
    where = (around.latitude_deg, around.longitude_deg, around.elevation_m)
    time_us, ra_deg, dec_deg, pa_deg = (
        np.asarray(columns[name])[free] for name in ("time_us", "ra_deg", "dec_deg", "pa_deg")
    )
    sides = [str(columns["tube_side"][at]) for at in free.tolist()]
    finding = find_in(where, time_us, ra_deg, dec_deg, sides, pa_deg, around.guided, around.modelled)
    cells.remarks.append(found_notice(finding, int(free.size)))


def found_notice(finding: SetsFound, solves: int) -> Notice:
    """Return what was found among solves without the mount's coordinates, and why the rest is of no use."""
    values: dict[str, Value] = {"solves": solves}
    for kind, plural in ((SWEEP, "sweeps"), (RUN, "runs")):
        some = [one for one in finding.sets if one.kind == kind]
        if some:
            rows = sum(one.rows.size for one in some)
            values |= {
                plural: len(some),
                f"solves_of_{plural}": rows,
                f"{plural}_because": as_value(some[0].why),
            }
    if finding.left:
        reasons = [as_value(one) for one in finding.left.values()]
        most = max(dict.fromkeys(reasons), key=reasons.count)
        values |= {"left": len(reasons), "left_because": most}
    return info(IngestCode.WITHOUT_MOUNT, **values)


SOLVES_LAYOUT = LogLayout(
    kind="solves",
    required=("time_utc", "ra_deg", "dec_deg"),
    optional=(
        *_MOUNT,
        *("tube_side", "session", "before_sync", "temp_c", "pressure_hpa", "exposure_s", "pa_deg"),
        *("sweep", "run", "success"),
    ),
    read=_read_solves,
    together=_MOUNT,
)


# ---- Sweeps: solves at several hour angles with the declination clamped; a label a set.


def _read_sweeps(cells: Cells, around: Circumstances) -> Columns:
    time_us = cells.time(around.now_us)
    ra_deg = cells.number("ra_deg", row_check.RIGHT_ASCENSION)
    dec_deg = cells.number("dec_deg", row_check.DECLINATION)
    columns: Columns = {
        "time_us": time_us,
        "ra_deg": ra_deg,
        "dec_deg": dec_deg,
        "sweep": cells.label("sweep"),
        **read_air(cells, around),
    }
    check_places(cells, around, Places(time_us, ra_deg, dec_deg))
    return columns


SWEEPS_LAYOUT = LogLayout(
    kind="sweeps",
    required=("time_utc", "ra_deg", "dec_deg", "sweep"),
    optional=("temp_c", "pressure_hpa"),
    read=_read_sweeps,
)


# ---- Unguided runs: how one star moved while the mount tracked; a label a run.


def _read_runs(cells: Cells, around: Circumstances) -> Columns:
    time_us = cells.time(around.now_us)
    ra_deg = cells.number("ra_deg", row_check.RIGHT_ASCENSION)
    dec_deg = cells.number("dec_deg", row_check.DECLINATION)
    columns: Columns = {
        "time_us": time_us,
        "ra_deg": ra_deg,
        "dec_deg": dec_deg,
        "run": cells.label("run"),
        "dec_offset_arcsec": cells.number("dec_offset_arcsec", row_check.OFFSET_ARCSEC),
        "ra_offset_arcsec": cells.spare_number("ra_offset_arcsec", row_check.OFFSET_ARCSEC),
    }
    check_places(cells, around, Places(time_us, ra_deg, dec_deg))
    return columns


RUNS_LAYOUT = LogLayout(
    kind="runs",
    required=("time_utc", "ra_deg", "dec_deg", "run", "dec_offset_arcsec"),
    optional=("ra_offset_arcsec",),
    read=_read_runs,
)


# ---- Alignment errors typed in, as another tool or method gave them.


def _read_alignments(cells: Cells, around: Circumstances) -> Columns:
    return {
        "time_us": cells.time(around.now_us),
        "az_error_arcmin": cells.number("az_error_arcmin", row_check.AXIS_ARCMIN),
        "alt_error_arcmin": cells.number("alt_error_arcmin", row_check.AXIS_ARCMIN),
        "sigma_arcmin": cells.decisive_number("sigma_arcmin", row_check.SIGMA),
    }


ALIGNMENTS_LAYOUT = LogLayout(
    kind="alignments",
    required=("time_utc", "az_error_arcmin", "alt_error_arcmin"),
    optional=("sigma_arcmin",),
    read=_read_alignments,
)


# ---- Level and inclinometer readings: the tilt of what the instrument stood on.


PLACES = tuple(Place)


def _read_levels(cells: Cells, around: Circumstances) -> Columns:
    columns: Columns = {
        "time_us": cells.time(around.now_us),
        "tilt_north_arcsec": cells.number("tilt_north_arcsec", row_check.OFFSET_ARCSEC),
        "tilt_east_arcsec": cells.number("tilt_east_arcsec", row_check.OFFSET_ARCSEC),
        "place": cells.choice("place", PLACES),
        "sigma_arcsec": cells.decisive_number("sigma_arcsec", row_check.SIGMA),
    }
    face = cells.decisive_number("face_deg", row_check.FACE)
    between = ~np.isnan(face) & (face != row_check.FACE.low) & (face != row_check.FACE.high)
    cells.set_aside(between, "face_deg", lambda at: row_check.FACE.reason(float(face[at])))
    if cells.good.any() and not any(columns["place"]):
        cells.remarks.append(info(IngestCode.PLACE_NOT_SAID))
    if np.any(face[cells.good] == 0.0) and np.any(face[cells.good] == 180.0):
        cells.remarks.append(info(IngestCode.FACES_PAIRED))
    return {**columns, "face_deg": face}


LEVELS_LAYOUT = LogLayout(
    kind="levels",
    required=("time_utc", "tilt_north_arcsec", "tilt_east_arcsec"),
    optional=("place", "face_deg", "sigma_arcsec"),
    read=_read_levels,
)


# ---- Weather, a row a day: what drives the frost.


#: Share of missing days from which on a file is remarked on: fewer, filled in, change no frost.
_WORTH_A_REMARK = 0.05


def _read_weather(cells: Cells, around: Circumstances) -> Columns:
    day = cells.day("date", around.now_us)
    t_min_c = cells.number("t_min_c", row_check.TEMPERATURE)
    t_max_c = cells.number("t_max_c", row_check.TEMPERATURE)
    cells.set_aside(
        t_min_c > t_max_c,
        "t_min_c",
        lambda at: warning(IngestCode.MIN_ABOVE_MAX, t_max_c=float(t_max_c[at])),
    )
    _look_for_fahrenheit(cells, around, day, t_min_c, t_max_c)
    _remark_on_gaps(day[cells.good], cells)
    snow_cm = cells.spare_number("snow_cm", row_check.SNOW)
    if _falls(day, t_max_c, snow_cm):
        cells.remarks.append(warning(IngestCode.SNOW_FALLS))
        snow_cm = np.full(cells.count, np.nan)
    return {
        "day": day,
        "t_min_c": t_min_c,
        "t_max_c": t_max_c,
        "t_mean_c": cells.spare_number("t_mean_c", row_check.TEMPERATURE),
        "snow_cm": snow_cm,
    }


#: A file's median is doubted this far above the highest usual temperatures [C], if turned from Fahrenheit
#: it is within this of the usual ones: the units differ by 16 degrees at -20 C, and more when it is warmer.
_TOO_WARM_C, _WITHIN_C = 6.0, 4.0
#: A few days may be as warm as never before.
_FEW_DAYS = 10


def _look_for_fahrenheit(
    cells: Cells,
    around: Circumstances,
    day: npt.NDArray[np.int64],
    t_min_c: npt.NDArray[np.float64],
    t_max_c: npt.NDArray[np.float64],
) -> None:
    """Set a file aside whose temperatures are Fahrenheit under the names of Celsius, by season and place."""
    given = np.isfinite(t_min_c) & np.isfinite(t_max_c) & (day > 0)
    if given.sum() < _FEW_DAYS:
        return
    middle = 0.5 * (t_min_c + t_max_c)[given]
    lowest, highest = row_check.usual_temperatures_c(around.latitude_deg, around.elevation_m, day[given])
    turned = (middle - 32.0) * 5.0 / 9.0
    too_warm = float(np.median(middle - highest))
    off = float(np.median(np.maximum(turned - highest, lowest - turned)))
    if too_warm < _TOO_WARM_C or off > _WITHIN_C:
        return
    rows = int(cells.good.sum())
    cells.remarks.append(
        warning(
            IngestCode.IN_FAHRENHEIT,
            rows=rows,
            all_set_aside=cells.is_own,
            median_c=float(np.median(middle)),
            usual_c=(float(np.median(lowest)), float(np.median(highest))),
            turned_c=float(np.median(turned)),
        )
    )
    if cells.is_own:  # a unit that was answered holds
        cells.set_aside(np.ones(cells.count, bool), "t_min_c", warning(IngestCode.ROW_IN_FAHRENHEIT))


#: Days of frost after a day with snow from which on snow that vanishes in frost must be snowfall.
_FEW_FROSTS = 5


def _falls(
    day: npt.NDArray[np.int64], t_max_c: npt.NDArray[np.float64], snow_cm: npt.NDArray[np.float64]
) -> bool:
    """Tell whether a column of snow is what fell in a day, not what lay: lying snow stays in frost."""
    order = np.argsort(day, kind="stable")
    snow, warm, days = snow_cm[order], t_max_c[order], day[order]
    frost = (np.diff(days) == 1) & (snow[:-1] > 1.0) & (np.maximum(warm[:-1], warm[1:]) < -1.0)
    gone = frost & (snow[1:] < 0.25 * snow[:-1])
    return bool(frost.sum() >= _FEW_FROSTS and gone.sum() > 0.4 * frost.sum())


def _remark_on_gaps(day: npt.NDArray[np.int64], cells: Cells) -> None:
    """Remark on a file with many missing days that they will be filled in."""
    days = np.unique(day)
    if not days.size:
        return
    whole = int(days[-1] - days[0]) + 1
    lacking = whole - days.size
    if lacking < max(2, _WORTH_A_REMARK * whole):
        return
    cells.remarks.append(
        warning(
            IngestCode.DAYS_LACKING,
            days=lacking,
            of_days=whole,
            first_day=int(days[0]),
            last_day=int(days[-1]),
        )
    )


WEATHER_LAYOUT = LogLayout(
    kind="weather",
    required=("date", "t_min_c", "t_max_c"),
    optional=("t_mean_c", "snow_cm"),
    read=_read_weather,
)


# ---- Corrections: what was done to the knobs, the bolts, the mount or the pier, and when.


#: Kind -> the numbers that it needs.
NEEDED = {
    CorrectionKind.SHIM: ("bearing_deg", "thickness_mm"),
    CorrectionKind.NUTS: ("bearing_deg", "turns"),
}


def _read_corrections(cells: Cells, around: Circumstances) -> Columns:
    time_us = cells.time(around.now_us)
    kind = cells.choice("kind", tuple(CorrectionKind), required=True)
    numbers = {
        "amount_arcmin": cells.decisive_number("amount_arcmin", row_check.AXIS_ARCMIN),
        "bearing_deg": cells.decisive_number("bearing_deg", row_check.BEARING) % 360.0,
        "thickness_mm": cells.decisive_number("thickness_mm", row_check.THICKNESS),
        "turns": cells.decisive_number("turns", row_check.TURNS),
    }
    for one, needed in NEEDED.items():
        rows = np.array([word == one for word in kind], dtype=bool)
        for column in needed:
            why = warning(IngestCode.BLANK_FOR_KIND, kind=one)
            cells.set_aside(rows & np.isnan(numbers[column]), column, why)
    return {
        "time_us": time_us,
        "kind": kind,
        **numbers,
        "note": list(map(plain_cell, cells.text("note"))),
        "knob_way": cells.choice("knob_way", tuple(Rotation)),
    }


CORRECTIONS_LAYOUT = LogLayout(
    kind="corrections",
    required=("time_utc", "kind"),
    optional=("amount_arcmin", "bearing_deg", "thickness_mm", "turns", "note", "knob_way"),
    read=_read_corrections,
)


# ---- The kinds of log, in the order in which they are listed.

LAYOUTS: tuple[LogLayout, ...] = (
    SOLVES_LAYOUT,
    SWEEPS_LAYOUT,
    RUNS_LAYOUT,
    ALIGNMENTS_LAYOUT,
    LEVELS_LAYOUT,
    WEATHER_LAYOUT,
    CORRECTIONS_LAYOUT,
)
BY_KIND: dict[str, LogLayout] = {layout.kind: layout for layout in LAYOUTS}
