"""The invented tables as text: the seven CSV layouts, with the decimals people's programs write."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

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
    **dict.fromkeys(("lean_north_arcsec", "lean_east_arcsec", "sigma_arcsec", "bearing_deg"), 1),
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
