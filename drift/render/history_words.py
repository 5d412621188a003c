"""What the separation found, in words: causes and scales by name."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from drift.codes import CauseKind

if TYPE_CHECKING:
    from drift.types import CauseSeries, HistoryScales

# ---- Causes and scales by name.


#: What each kind of cause is called.
CAUSE_WORDS: dict[CauseKind, str] = {
    CauseKind.START: "where things stood at the start",
    CauseKind.SEASON: "season",
    CauseKind.FROST: "frost",
    CauseKind.SETTLEMENT: "settlement",
    CauseKind.STEADY_DRIFT_OF_MOUNT: "steady drift of the mount",
    CauseKind.STEADY_DRIFT_OF_ZERO: "steady drift of the hour-angle zero",
    CauseKind.STEADY_DRIFT_OF_LEVEL: "steady drift of the level",
    CauseKind.WARMTH_OF_PIER: "warmth of the pier",
    CauseKind.WARMTH_OF_MOUNT: "warmth of the mount",
    CauseKind.WARMTH_OF_ZERO: "warmth of the hour-angle zero",
    CauseKind.WARMTH_OF_LEVEL: "warmth of the level",
    CauseKind.WANDER_OF_PIER: "wander of the pier",
    CauseKind.CREEP_OF_MOUNT: "creep of the mount",
    CauseKind.CORRECTION: "correction",
    CauseKind.STEP: "sudden change",
    CauseKind.RECOVERY: "what followed a sudden change",
}


def cause_name(cause: CauseSeries) -> str:
    """Return what one cause is called, a correction or a sudden change by its date."""
    if cause.time_us is None:
        return CAUSE_WORDS[cause.kind]
    if cause.kind is CauseKind.CORRECTION:
        return f"{cause.correction} correction {_date(cause.time_us)}"
    return f"{CAUSE_WORDS[cause.kind]} by {_date(cause.time_us)}"


def scale_rows(scales: HistoryScales) -> tuple[tuple[str, float], ...]:
    """Return each scale parameter with its name and unit."""
    return (
        ("tilt walk [arcsec per sqrt day]", scales.tilt_walk_arcsec_per_sqrt_day),
        ("share across the direction of heave", scales.across_share),
        ("direction of heave [deg]", scales.heave_bearing_deg),
        ("mount azimuth creep [arcsec per sqrt day]", scales.az_creep_arcsec_per_sqrt_day),
        ("mount altitude creep [arcsec per sqrt day]", scales.alt_creep_arcsec_per_sqrt_day),
        ("repeatability of the hour-angle zero [arcsec]", scales.zero_repeat_arcsec),
        ("creep of the hour-angle zero [arcsec per sqrt day]", scales.zero_creep_arcsec_per_sqrt_day),
        ("annual tilt [arcsec]", scales.season_arcsec),
        ("settlement [arcsec]", scales.settlement_arcsec),
        ("frost-driven tilt [arcsec]", scales.frost_arcsec),
        ("scatter of levels against their claim", scales.level_factor),
    )


def _date(time_us: int) -> str:
    return pd.Timestamp(time_us, unit="us").strftime("%Y-%m-%d")
