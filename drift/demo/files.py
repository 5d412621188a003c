"""The invented world as files: logs, images, pier.toml and truth.json, the same for the same scenario."""

from __future__ import annotations

import csv
import gzip
import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.demo.motion import Motion, invent_motion, local_day
from drift.demo.observing import (
    log_corrections,
    log_levels,
    log_pointing,
    log_runs,
    log_sweeps,
    log_typed,
    log_weather,
)
from drift.demo.scenario import Scenario, stream
from drift.demo.sessions import evenings
from drift.demo.truth import Truth, night_truth, pointing_truth, step_truths, truth_as_mapping
from drift.types import READING_COLUMNS, Readings, as_readings

if TYPE_CHECKING:
    import pandas as pd
    from astropy.io.fits import Header


# ---- Invented solves as FITS images with few pixels.
# For tests only: nothing in the product writes images.


Cards = Mapping[str, Any]

WIDE, HIGH = 64, 48  # a real camera has a hundred times as many; nobody looks at them
SCALE_DEG = 1.2 / 3600.0  # a pixel


def wcs_cards(ra_deg: float, dec_deg: float, pa_deg: float = 0.0, projection: str = "TAN") -> dict[str, Any]:
    """Return the WCS of an image with its middle at an ICRS place and its rows going up toward `pa_deg`."""
    turn = np.radians(pa_deg)
    return {
        "CTYPE1": f"RA---{projection}",
        "CTYPE2": f"DEC--{projection}",
        "CRVAL1": ra_deg,
        "CRVAL2": dec_deg,
        "CRPIX1": (WIDE + 1) / 2,
        "CRPIX2": (HIGH + 1) / 2,
        "CUNIT1": "deg",
        "CUNIT2": "deg",
        "CD1_1": -SCALE_DEG * np.cos(turn),
        "CD1_2": SCALE_DEG * np.sin(turn),
        "CD2_1": SCALE_DEG * np.sin(turn),
        "CD2_2": SCALE_DEG * np.cos(turn),
        "RADESYS": "ICRS",
    }


def write_image(path: Path, cards: Cards, packed: bool = False) -> Path:
    """Write an image with a header.

    Parameters
    ----------
    path
        The file; with a name that ends in ``.gz`` it is zipped.
    cards
        Keyword -> value; one whose value is None is left out.
    packed
        Whether it is a tiled-compressed image, as in ``.fz`` files.
    """
    from astropy.io import fits

    header = fits.Header()
    for key, value in cards.items():
        if value is not None:
            header[key] = value
    path.parent.mkdir(parents=True, exist_ok=True)
    if packed:
        image = fits.CompImageHDU(np.zeros((HIGH, WIDE), np.int16), header, compression_type="RICE_1")
        fits.HDUList([fits.PrimaryHDU(), image]).writeto(path, overwrite=True)
        return path
    data = _plain_file(header)
    path.write_bytes(gzip.compress(data, mtime=0) if path.suffix == ".gz" else data)
    return path


def _plain_file(header: Header) -> bytes:
    """Return an image of zeros (FITS Standard 4.0, sect. 3.3): header and pixels in whole blocks."""
    from astropy.io import fits

    first = [("SIMPLE", True), ("BITPIX", 16), ("NAXIS", 2), ("NAXIS1", WIDE), ("NAXIS2", HIGH)]
    whole = fits.Header(first)
    whole.extend(header, bottom=True)
    pixels = WIDE * HIGH * 2
    return whole.tostring().encode("ascii") + bytes(pixels + -pixels % 2880)


def write_solves(table: pd.DataFrame, folder: Path) -> tuple[Path, ...]:
    """Write solves, with the columns of `drift.types`, as images, in a folder for each UTC date."""
    paths = []
    for number, row in enumerate(table.itertuples(index=False)):
        cards = solve_cards(row._asdict())
        path = folder / cards["DATE-OBS"][:10] / f"image{number:05d}.fits"
        paths.append(write_image(path, cards))
    return tuple(paths)


def solve_cards(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return the header of one solve; DATE-OBS is the start of the exposure."""
    exposure_s = float(row.get("exposure_s", 20.0))
    start = np.datetime64(int(row["time_us"]) - round(exposure_s * 5e5), "us")
    pa_deg = float(row.get("pa_deg", 0.0))
    side = str(row.get("tube_side", "")).upper()
    return {
        "DATE-OBS": str(start),
        "EXPTIME": exposure_s,
        "RA": _known(row.get("mount_ra_deg")),
        "DEC": _known(row.get("mount_dec_deg")),
        "PIERSIDE": side or None,
        "AMBTEMP": _known(row.get("temp_c")),
        "PRESSURE": _known(row.get("pressure_hpa")),
        **wcs_cards(float(row["ra_deg"]), float(row["dec_deg"]), 0.0 if np.isnan(pa_deg) else pa_deg),
    }


def _known(value: float | None) -> float | None:
    return None if value is None or np.isnan(value) else float(value)


# ---- The tables as CSV, with the decimals that programs usually write.


#: Kind of table -> file name.
FILES = {
    "solves": "solves.csv",
    "sweeps": "sweeps.csv",
    "runs": "runs.csv",
    "alignments": "alignments.csv",
    "levels": "levels.csv",
    "weather": "weather.csv",
    "corrections": "corrections.csv",
}
#: Decimals of each numeric column.
DECIMALS = {
    **dict.fromkeys(("ra_deg", "dec_deg", "mount_ra_deg", "mount_dec_deg"), 6),
    **dict.fromkeys(("dec_offset_arcsec", "ra_offset_arcsec", "thickness_mm", "turns", "pa_deg"), 2),
    **dict.fromkeys(("az_error_arcmin", "alt_error_arcmin", "amount_arcmin", "sigma_arcmin"), 2),
    **dict.fromkeys(("t_min_c", "t_max_c", "t_mean_c", "temp_c", "pressure_hpa"), 1),
    **dict.fromkeys(("tilt_north_arcsec", "tilt_east_arcsec", "sigma_arcsec", "bearing_deg"), 1),
    **dict.fromkeys(("snow_cm", "exposure_s", "face_deg"), 0),
}


def _texts(column: pd.Series) -> list[str]:
    """Return one column as text, unknown values empty."""
    name = str(column.name)
    if name == "time_us":
        return [
            f"{moment}Z" for moment in column.to_numpy().astype("datetime64[us]").astype("datetime64[ms]")
        ]
    if name == "day":
        return [str(day) for day in column.to_numpy().astype("datetime64[D]")]
    if name == "before_sync":
        return ["" if np.isnan(flag) else ("true" if flag else "false") for flag in column]
    if name in DECIMALS:
        # Adding 0.0 turns a negative zero into a plain one.
        digits = DECIMALS[name]
        return [
            "" if np.isnan(value) else f"{round(value, digits) + 0.0:.{digits}f}" for value in column.tolist()
        ]
    return [quoted(text) for text in column]


def quoted(text: str) -> str:
    """Quote a text where a CSV file needs it (RFC 4180)."""
    if any(sign in text for sign in ',"\n'):
        return '"' + text.replace('"', '""') + '"'
    return text


def csv_lines(table: pd.DataFrame) -> list[str]:
    """Return header and rows of a table; columns without any value are left out."""
    renamed = {"time_us": "time_utc", "day": "date"}
    columns = {name: _texts(table[name]) for name in table.columns if name != "row_id"}
    kept = {renamed.get(name, name): texts for name, texts in columns.items() if any(texts)}
    return [",".join(kept), *(",".join(row) for row in zip(*kept.values(), strict=True))]


# ---- Unusable rows as real logs have them, and a list of them.


Row = dict[str, str]
NEVER_RISES_BY_DEG = 10.0
FAR_DEG = 45.0


@dataclass(frozen=True)
class BadRow:
    """Where an unusable row stands, and what is wrong with it."""

    file: str
    line: int
    what: str


@dataclass(frozen=True)
class _Sort:
    kind: str
    what: str
    spoil: Callable[[Row, Scenario], Row]
    fits: Callable[[Row, Scenario], bool] = lambda row, scenario: True


def _below_horizon(row: Row, scenario: Scenario) -> Row:
    never = -np.sign(scenario.latitude_deg) * (90.0 - abs(scenario.latitude_deg) + NEVER_RISES_BY_DEG)
    return row | {"dec_deg": f"{never:.6f}", "mount_dec_deg": f"{never + 0.02:.6f}"}


def _far_away(row: Row, scenario: Scenario) -> Row:
    toward = np.sign(scenario.latitude_deg - float(row["dec_deg"]))
    return row | {"dec_deg": f"{float(row['dec_deg']) + toward * FAR_DEG:.6f}"}


def _room_below_zenith(row: Row, scenario: Scenario) -> bool:
    """A place moved toward the zenith's declination stays above the horizon."""
    return abs(scenario.latitude_deg - float(row["dec_deg"])) > FAR_DEG


_SORTS = (
    _Sort("solves", "time without a zone", lambda row, _: row | {"time_utc": row["time_utc"].rstrip("Z")}),
    _Sort("solves", "right ascension is NaN", lambda row, _: row | {"ra_deg": "NaN"}),
    _Sort("solves", "dated 1970", lambda row, _: row | {"time_utc": "1970-01-01T00:00:07.000Z"}),
    _Sort("solves", "below the horizon", _below_horizon),
    _Sort("solves", "declination out of range", lambda row, _: row | {"dec_deg": "123.456000"}),
    _Sort("solves", "45 degrees from the mount's place", _far_away, _room_below_zenith),
    _Sort("levels", "tilt is not a number", lambda row, _: row | {"tilt_north_arcsec": "n/a"}),
    _Sort(
        "weather",
        "lowest temperature above the highest",
        lambda row, _: row | {"t_min_c": row["t_max_c"], "t_max_c": row["t_min_c"]},
    ),
    _Sort("corrections", "unknown kind", lambda row, _: row | {"kind": "fiddled", "amount_arcmin": ""}),
)


def _place(rng: np.random.Generator, rows: list[Row], sort: _Sort, scenario: Scenario) -> int:
    """Draw the row after which the bad one comes."""
    fitting = [number for number, row in enumerate(rows) if sort.fits(row, scenario)]
    return int(rng.choice(fitting))


def _spoiled_file(
    scenario: Scenario, kind: str, lines: list[str], rng: np.random.Generator
) -> tuple[list[str], list[BadRow]]:
    names, *values = csv.reader(lines)
    rows = [dict(zip(names, texts, strict=True)) for texts in values]
    sorts = [sort for sort in _SORTS if sort.kind == kind and any(sort.fits(row, scenario) for row in rows)]
    placed = sorted(
        ((_place(rng, rows, sort, scenario), sort) for sort in sorts), key=lambda placed: placed[0]
    )
    listed, text = [], list(lines)
    for before, (number, sort) in enumerate(placed):
        at = number + 2 + before  # index in the text, after the row that it was made from
        spoiled = sort.spoil(rows[number], scenario)
        text.insert(at, ",".join(quoted(spoiled[name]) for name in names))
        listed.append(BadRow(FILES[kind], at + 1, sort.what))
    return text, listed


def with_bad_rows(
    scenario: Scenario, files: dict[str, list[str]]
) -> tuple[dict[str, list[str]], tuple[BadRow, ...]]:
    """Put one row of each sort into the files, where there is such a file.

    Parameters
    ----------
    scenario
        Its seed says where they stand.
    files
        Kind of table -> lines of text, header first.

    Returns
    -------
    Files with the rows put in, and where they stand.
    """
    rng, spoiled, listed = stream(scenario.seed, "bad rows"), {}, []
    for kind, lines in files.items():
        spoiled[kind], bad = _spoiled_file(scenario, kind, lines, rng)
        listed += bad
    return spoiled, tuple(listed)


def as_mappings(bad_rows: tuple[BadRow, ...]) -> list[dict[str, str | int]]:
    """Return the list as plain data."""
    return [asdict(bad) for bad in bad_rows]


# ---- The site file of an invented pier.


def site_values(
    scenario: Scenario, extra: Mapping[str, Mapping[str, Any]] | None = None
) -> dict[str, dict[str, Any]]:
    """Return the site file of a scenario, by section and key.

    Parameters
    ----------
    scenario
        Site, zero and horizon come from it.
    extra
        More, by section and key; wins over the scenario.
    """
    values: dict[str, dict[str, Any]] = {
        "site": {
            "name": scenario.name,
            "latitude_deg": scenario.latitude_deg,
            "longitude_deg": scenario.longitude_deg,
            "elevation_m": scenario.elevation_m,
            "timezone": scenario.timezone,
        },
        "mount": {
            "hour_angle_zero": scenario.zero,
            "reports": "modelled" if scenario.modelled_fraction else "raw",
        },
        "horizon": {"altitude_deg": [list(point) for point in sorted(scenario.horizon)]},
    }
    for section, keys in (extra or {}).items():
        values[section] = values.get(section, {}) | dict(keys)
    return values


def site_text(scenario: Scenario, extra: Mapping[str, Mapping[str, Any]] | None = None) -> str:
    """Return the text of pier.toml: what `drift init` writes, filled in."""
    from drift.site.file import template

    return template(site_values(scenario, extra))


# ---- The invented observatory as a whole: its history, its logs and their truth.


@dataclass(frozen=True)
class World:
    """An invented history with everything that was logged of it.

    `tables` are as in `drift.types`; `truth` is what an analysis is judged by; `course` gives the truth at
    any moment.
    """

    scenario: Scenario
    motion: Motion = field(repr=False)
    tables: dict[str, pd.DataFrame] = field(repr=False)
    truth: Truth = field(repr=False)

    def readings(self) -> Readings:
        """Return the logs as tables, as an import of all files would give them."""
        return as_readings(self.tables)

    def write(self, folder: str | Path) -> tuple[Path, ...]:
        """Write the logs as CSV files, with pier.toml and truth.json; return their paths."""

        return write_world(self, Path(folder))


def _numbered(tables: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Give every row a number of its own and put the columns in their order."""
    first, numbered = 1, {}
    for kind, columns in READING_COLUMNS.items():
        table = tables[kind].copy()
        table["row_id"] = np.arange(first, first + len(table), dtype=np.int64)
        first += len(table)
        numbered[kind] = table[list(columns)]
    return numbered


def make(scenario: Scenario) -> World:
    """Make the history and the logs of a scenario; the same scenario gives the same world.

    Raises
    ------
    ValueError
        When the scenario is impossible: years outside the stored Earth rotation, or a horizon that leaves
        no sky.
    """
    motion = invent_motion(scenario)
    nights = evenings(motion)
    solves, sweeps, runs = log_pointing(motion, nights), log_sweeps(motion, nights), log_runs(motion, nights)
    tables = _numbered(
        {
            "solves": solves.table,
            "sweeps": sweeps.table,
            "runs": runs.table,
            "alignments": log_typed(motion, nights),
            "levels": log_levels(motion),
            "weather": log_weather(motion),
            "corrections": log_corrections(motion),
        }
    )
    times = {kind: table["time_us"].to_numpy(np.int64) for kind, table in tables.items() if kind != "weather"}
    typed_night = np.array([e.day for e in nights if "typed" in e.kinds], dtype=np.int64)
    truth = Truth(
        nights={
            "pointing": pointing_truth(motion, solves),
            "sweep": night_truth(motion, times["sweeps"], sweeps.night),
            "run": night_truth(motion, times["runs"], runs.night),
            "typed": night_truth(motion, times["alignments"], typed_night),
            "level": night_truth(motion, times["levels"], local_day(scenario, times["levels"])),
        },
        events=step_truths(motion),
        constants=scenario.constants,
        wrong_solves=solves.wrong,
        solve_zero=solves.zero,
        wrong_sweep_solves=sweeps.wrong,
    )
    return World(scenario, motion, tables, truth)


# ---- Everything as files.


TRUTH_NAME = "truth.json"
SITE_NAME = "pier.toml"


def log_texts(world: World) -> tuple[dict[str, str], tuple[BadRow, ...]]:
    """Return file name -> text of every log that has rows, and where its unusable rows stand."""
    files = {kind: csv_lines(world.tables[kind]) for kind in FILES if len(world.tables[kind])}
    bad_rows: tuple[BadRow, ...] = ()
    if world.scenario.bad_rows:
        files, bad_rows = with_bad_rows(world.scenario, files)
    return {FILES[kind]: "\n".join(lines) + "\n" for kind, lines in files.items()}, bad_rows


def json_text(value: Any, depth: int = 0) -> str:
    """Return JSON with one line for each key and each plain list, so that it can be read and compared."""
    pad = " " * (depth + 1)
    if isinstance(value, dict) and value:
        inner = (f"{pad}{json.dumps(key)}: {json_text(item, depth + 1)}" for key, item in value.items())
        return "{\n" + ",\n".join(inner) + "\n" + " " * depth + "}"
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return "[\n" + ",\n".join(pad + json.dumps(item) for item in value) + "\n" + " " * depth + "]"
    if isinstance(value, list):
        return json.dumps(value, separators=(",", ":"), allow_nan=False)
    return json.dumps(value, allow_nan=False)


def world_texts(world: World, extra_site: Mapping[str, Mapping[str, Any]] | None = None) -> dict[str, str]:
    """Return file name -> text of everything that a world is written as."""
    logs, bad_rows = log_texts(world)
    truth = truth_as_mapping(world.motion, world.truth) | {"bad_rows": as_mappings(bad_rows)}
    return {**logs, SITE_NAME: site_text(world.scenario, extra_site), TRUTH_NAME: json_text(truth) + "\n"}


def write_texts(folder: Path, texts: Mapping[str, str]) -> tuple[Path, ...]:
    """Write texts into a folder, making it when there is none; the same bytes on every system."""
    paths = []
    for name, text in texts.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode("utf-8"))
        paths.append(path)
    return tuple(paths)


def write_world(
    world: World, folder: Path, extra_site: Mapping[str, Mapping[str, Any]] | None = None
) -> tuple[Path, ...]:
    """Write the logs, pier.toml and truth.json of a world; return their paths."""
    return write_texts(folder, world_texts(world, extra_site))
