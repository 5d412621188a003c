"""What tonight's fields are for, what is known before, and which readings do more than any field."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.situation import situation_of
from drift.codes import CorrectionKind, HourAngleZero, Instead, Part, Place, Purpose, Reports, ZeroSharing
from drift.history.separability import HOMED_REPEAT, POOR_REPEAT
from drift.history.series import LEVEL_SD_ARCSEC
from drift.mount.instrument import CONSTANTS, hemisphere
from drift.night.system import AXIS_PRIOR_SD, CONSTANT_PRIOR_SD, ZERO_PRIOR_SD
from drift.notices import NightCode, Notice, TonightCode, info, warning
from drift.quantities import DAY_US, Floats
from drift.tonight.plan import LEAST_AXIS_SD, WIDENED, Before, widened
from drift.types import Source

if TYPE_CHECKING:
    from drift.readings import Readings
    from drift.site.file import PierFile
    from drift.types import Analysis, CorrectionFound, Event, InstrumentConstants, NightAxis


# ---- The purpose: what has to be found out next.

_TURNS = (CorrectionKind.AZIMUTH, CorrectionKind.ALTITUDE, CorrectionKind.SHIM, CorrectionKind.NUTS)
_NEW_ERA = (CorrectionKind.SERVICE, CorrectionKind.REMOUNT)
#: A movement with no more nights after it than this is still to be told apart by what is read tonight.
LATE_NIGHTS = 3
#: An instrument with fewer nights of solves than this has constants that are hardly known.
FEWEST_ERA_NIGHTS = 2


def purpose_of(site: PierFile, analysis: Analysis | None) -> Notice:
    """Return what tonight is for, with what belongs to it; its code is one of the four purposes.

    A service or a new mount comes first, then a turn that no night has seen, then a movement of which nobody
    knows the part; else the axis is looked for.
    """
    if analysis is None:
        return info(TonightCode.FIND_AXIS, known=False)
    era = _era_of(analysis)
    if era is not None:
        return era
    turn = _unseen_turn(analysis)
    if turn is not None:
        asked = None if turn.asked is None else float(turn.asked)
        return info(
            TonightCode.VERIFY_TURN,
            kind=turn.kind,
            asked_arcsec=asked,
            latitude_deg=site.site.latitude_deg,
            made_us=turn.time_us,
        )
    open_event = _open_event(analysis)
    if open_event is not None:
        return info(TonightCode.TELL_APART, seen_once=open_event.provisional)
    return info(TonightCode.FIND_AXIS, known=_axis_known(analysis))


PURPOSES = {
    TonightCode.FIND_AXIS: Purpose.FIND_AXIS,
    TonightCode.TELL_APART: Purpose.TELL_APART,
    TonightCode.VERIFY_TURN: Purpose.VERIFY_TURN,
    TonightCode.LEARN_CONSTANTS: Purpose.LEARN_CONSTANTS,
}


def _pointing_nights(analysis: Analysis) -> list[NightAxis]:
    return [n for n in analysis.nights.nights if n.has_axis and Source.POINTING in n.sources]


def _era_of(analysis: Analysis) -> Notice | None:
    """Return that the instrument is new: serviced or put back, and hardly measured since."""
    started = [c for c in analysis.history.corrections if c.kind in _NEW_ERA]
    if not started:
        return None
    latest = max(started, key=lambda c: c.time_us)
    since = [night for night in _pointing_nights(analysis) if night.time_us > latest.time_us]
    if len(since) >= FEWEST_ERA_NIGHTS:
        return None
    return info(TonightCode.LEARN_CONSTANTS, kind=latest.kind, since_us=latest.time_us, nights=len(since))


def _unseen_turn(analysis: Analysis) -> CorrectionFound | None:
    """Return the latest turn of a knob, shim or nut that no night with an axis has seen."""
    last = max((n.time_us for n in analysis.nights.nights if n.has_axis), default=None)
    if last is None:
        return None
    unseen = [c for c in analysis.history.corrections if c.kind in _TURNS and c.time_us > last]
    return max(unseen, key=lambda c: c.time_us) if unseen else None


def _open_event(analysis: Analysis) -> Event | None:
    """Return a late movement that one night alone shows, or of which nobody can tell the part."""
    nights = [night.time_us for night in analysis.nights.nights if night.has_axis]
    for event in reversed(analysis.history.events):
        since = sum(time_us >= event.before_us for time_us in nights)
        unclear = event.provisional or event.what is Part.UNDETERMINED
        if event.is_movement and unclear and since <= LATE_NIGHTS:
            return event
    return None


def _axis_known(analysis: Analysis) -> bool:
    return bool(np.all(np.isfinite(analysis.history.axis_now_sd)))


# ---- What is known before the first field.


@dataclass(frozen=True)
class Known:
    """What is known before, and what of it is shown."""

    before: Before
    axis_sd: tuple[float, float] | None  # of az_error and alt_error as the history has them today [arcsec]
    zeros_kept: bool


def known_before(site: PierFile, analysis: Analysis | None, now_us: int) -> Known:
    """Return what is known of axis, zeros and constants before the first field."""
    if analysis is None:
        wide = Before(axis_sd=np.full(2, AXIS_PRIOR_SD), constant_sd=CONSTANT_PRIOR_SD)
        return Known(wide, None, zeros_kept=False)
    axis = _axis_sd(site, analysis, now_us)
    axis_sd = np.full(2, AXIS_PRIOR_SD) if axis is None else np.hypot(axis, LEAST_AXIS_SD)
    instrument = _instrument(analysis)
    known = instrument is not None and _era_of(analysis) is None
    constants = widened(_constant_sd(instrument)) if instrument is not None and known else CONSTANT_PRIOR_SD
    solve_sd = Before().solve_sd if instrument is None else instrument.noise_arcsec
    kept = zeros_are_kept(analysis)
    before = Before(
        axis_sd=axis_sd,
        zero_sd=_zero_sd(analysis, instrument) if kept else np.full(2, ZERO_PRIOR_SD),
        constant_sd=np.asarray(constants, dtype=float),
        solve_sd=float(solve_sd) if np.isfinite(solve_sd) else Before().solve_sd,
    )
    return Known(before, None if axis is None else (float(axis[0]), float(axis[1])), zeros_kept=kept)


def _axis_sd(site: PierFile, analysis: Analysis, now_us: int) -> Floats | None:
    """Return the uncertainty of the axis today: of the last night that saw it, grown since."""
    if not _axis_known(analysis):
        return None
    now = max(now_us, int(analysis.history.time_us[-1]))
    sd = situation_of(site, analysis.nights, analysis.history, now).forecast.sd[0]
    return np.maximum(sd, analysis.history.axis_now_sd)


def _instrument(analysis: Analysis) -> InstrumentConstants | None:
    return analysis.nights.instruments[-1] if analysis.nights.instruments else None


def _constant_sd(instrument: InstrumentConstants) -> Floats:
    """Return the constants' standard deviations in the order of `CONSTANTS`, (4,) [arcsec]."""
    known = dict(zip(instrument.names, instrument.sds.tolist(), strict=True))
    sds = np.array([known.get(name, np.nan) for name in CONSTANTS])
    return np.where(np.isfinite(sds), sds, CONSTANT_PRIOR_SD)  # no number: nights of one tube side


def zeros_are_kept(analysis: Analysis) -> bool:
    """Whether the record shows that the hour-angle zero comes back: on the last night, and well."""
    scales, nights = analysis.history.scales, _pointing_nights(analysis)
    homed = [night for night in nights if night.zero_sharing is ZeroSharing.HOMED]
    if scales is None or len(homed) < FEWEST_ERA_NIGHTS or nights[-1].zero_sharing is not ZeroSharing.HOMED:
        return False
    return scales.zero_repeat_arcsec <= POOR_REPEAT


def _zero_sd(analysis: Analysis, instrument: InstrumentConstants | None) -> Floats:
    """Return how well zeros are known that come back [arcsec]; the hour angle's moves with pier and mount."""
    scales = analysis.history.scales
    repeat = HOMED_REPEAT if scales is None else scales.zero_repeat_arcsec
    of_dec = float("nan") if instrument is None else instrument.zero_repeatability_dec_arcsec
    of_dec = of_dec if np.isfinite(of_dec) else HOMED_REPEAT
    return np.array([np.hypot(repeat, LEAST_AXIS_SD), WIDENED * of_dec])


# ---- The split of pier and mount: what fields alone give, and what a level or a kept zero adds.

#: tilt north, tilt east, mount azimuth, mount altitude.
_NORTH, _EAST, _AZ, _ALT = range(4)


@dataclass(frozen=True)
class Split:
    """How well the tilt since the start would be known after tonight: sd east and north [arcsec]."""

    tilt_east_sd: float
    tilt_north_sd: float


@dataclass(frozen=True)
class Splitting:
    """Pier and mount before tonight, and what readings would make of it.

    Parameters
    ----------
    covariance
        (4, 4) of tilt north and east, mount azimuth and altitude, grown to tonight [arcsec^2].
    latitude_rad
        Geodetic latitude [rad].
    axis_sd
        Of the axis after the fields, (2,) [arcsec].
    zero_sd, level_sd
        Of a solve before the sync and of a level against earlier ones [arcsec].
    """

    covariance: Floats
    latitude_rad: float
    axis_sd: Floats
    zero_sd: float
    level_sd: float

    def after(self, *, zero: bool = False, level: bool = False) -> Split:
        """Return the split after the fields, and a solve before the sync or a level beside them."""
        phi = self.latitude_rad
        rows = [
            (np.array([0.0, np.tan(phi), 1.0, 0.0]), self.axis_sd[0]),
            (np.array([-hemisphere(phi), 0.0, 0.0, 1.0]), self.axis_sd[1]),
        ]
        if zero:
            rows.append((np.array([0.0, np.cos(phi), -np.sin(phi), 0.0]), self.zero_sd))
        if level:
            rows += [(np.eye(4)[_NORTH], self.level_sd), (np.eye(4)[_EAST], self.level_sd)]
        seen, sd = np.array([row for row, _ in rows]), np.array([one for _, one in rows])
        gain = np.linalg.solve(seen @ self.covariance @ seen.T + np.diag(sd**2), seen @ self.covariance)
        left = np.sqrt(np.clip(np.diagonal(self.covariance - self.covariance @ seen.T @ gain), 0.0, None))
        return Split(float(left[_EAST]), float(left[_NORTH]))


def splitting(
    analysis: Analysis, readings: Readings, axis_sd_after: tuple[float, float], now_us: int
) -> Splitting | None:
    """Return what the history says of pier and mount, grown to tonight; None where it has nothing to compare.

    The history publishes standard deviations; what ties tilt and mount follows from that of the axis, for
    az = mount_az + tilt_east tan(phi) and alt = mount_alt - s tilt_north.  A knob may have moved since, by a
    minute of arc.
    """
    history, phi = analysis.history, float(np.radians(analysis.site.site.latitude_deg))
    row = np.asarray(history.sd[-1], dtype=float) if len(history.sd) else np.full(6, np.nan)
    sd = row[[0, 1, 4, 5]]
    if history.scales is None or not np.all(np.isfinite(sd)) or not _axis_known(analysis):
        return None
    days = max((now_us - int(history.time_us[-1])) / DAY_US, 0.0)
    covariance = np.diag(sd**2)
    axis = np.asarray(history.axis_now_sd) ** 2
    for tilt, mount, slope, var in (
        (_EAST, _AZ, np.tan(phi), axis[0]),
        (_NORTH, _ALT, -hemisphere(phi), axis[1]),
    ):
        if abs(slope) > 1e-6:
            both = (var - covariance[mount, mount] - slope**2 * covariance[tilt, tilt]) / (2.0 * slope)
            most = 0.999 * sd[tilt] * sd[mount]
            covariance[tilt, mount] = covariance[mount, tilt] = float(np.clip(both, -most, most))
    scales = history.scales
    grown = np.array([scales.tilt_walk_arcsec_per_sqrt_day] * 2) ** 2 * days
    covariance += np.diag([*_with_forecast(analysis, grown, sd[:2], now_us), *[LEAST_AXIS_SD**2] * 2])
    repeat = scales.zero_repeat_arcsec
    noise = _instrument_noise(analysis)
    levels = readings["levels"]
    own = levels["sigma_arcsec"].to_numpy(dtype=float)
    level_sd = float(np.nanmedian(own)) if np.isfinite(own).any() else LEVEL_SD_ARCSEC
    count = _earlier_levels(readings)
    return Splitting(
        covariance,
        phi,
        np.array(axis_sd_after),
        float(np.hypot(repeat, noise)),
        level_sd * float(np.sqrt(1.0 + 1.0 / max(count, 1))),
    )


def _with_forecast(analysis: Analysis, grown: Floats, sd: Floats, now_us: int) -> Floats:
    """Return by how much the tilt's variances have grown: as the forecast has it, but not less."""
    forecast = analysis.history.forecast
    if forecast is None or now_us > int(forecast.time_us[-1]):
        return grown
    day = int(np.searchsorted(forecast.time_us, now_us))
    return np.maximum(grown, forecast.tilt_sd[day] ** 2 - sd**2)


def _instrument_noise(analysis: Analysis) -> float:
    instrument = _instrument(analysis)
    noise = float("nan") if instrument is None else instrument.noise_arcsec
    return noise if np.isfinite(noise) else Before().solve_sd


def _earlier_levels(readings: Readings) -> int:
    levels = readings["levels"]
    return int(np.sum(levels["place"].isin([Place.PIER, ""]))) if len(levels) else 0


# ---- What does more than any field.

#: A reading that makes neither tilt surer by this share is not worth a walk.
WORTH_SHARE = 0.2


@dataclass(frozen=True)
class Better:
    """A reading that does more than a field, and how well it tells the tilt; None where that is open."""

    reading: Instead
    notice: Notice
    split: Split | None = None


def better_than_fields(
    site: PierFile,
    analysis: Analysis | None,
    readings: Readings,
    axis_sd_after: tuple[float, float] | None,
    now_us: int,
) -> tuple[Better, ...]:
    """Return what would do more than any field, in the order in which it is done.

    Parameters
    ----------
    site, analysis, readings
        The pier; the analysis None where nothing can be worked out yet.
    axis_sd_after
        Of the axis after the fields, by them alone [arcsec]; None without fields.
    now_us
        When it is done [UTC us].
    """
    split = None
    if analysis is not None and axis_sd_after is not None:
        split = splitting(analysis, readings, axis_sd_after, now_us)
    alone = None if split is None else split.after()
    found = [_by_sweep(site, analysis), _by_zero(site, analysis, split, alone)]
    found += [_by_level(readings, split, alone), _by_second_night(analysis)]
    return tuple(one for one in found if one is not None)


def _by_sweep(site: PierFile, analysis: Analysis | None) -> Better | None:
    altered = NightCode.REPORTS_ALTERED_BY_SWEEPS
    noticed = analysis is not None and any(n.code == altered for n in analysis.nights.notices)
    if site.mount.reports != Reports.MODELLED and not noticed:
        return None
    return Better(Instead.SWEEP, warning(TonightCode.SWEEP, noticed=noticed))


def _by_zero(
    site: PierFile, analysis: Analysis | None, split: Splitting | None, alone: Split | None
) -> Better | None:
    """Return the solve before the sync, or to leave the sync out where the mount keeps its zero."""
    homed = [
        night
        for night in (_pointing_nights(analysis) if analysis is not None else ())
        if night.zero_sharing is ZeroSharing.HOMED
    ]
    lost = site.mount.hour_angle_zero == HourAngleZero.SYNCED
    if analysis is None or split is None or alone is None or not homed:
        return Better(Instead.SOLVE_BEFORE_SYNC, info(TonightCode.BEFORE_SYNC_FIRST, synced=lost))
    made = split.after(zero=True)
    if not _worth(alone, made):
        return None
    code = TonightCode.BEFORE_SYNC if lost or not zeros_are_kept(analysis) else TonightCode.NO_SYNC
    return Better(Instead.SOLVE_BEFORE_SYNC, _told(code, alone, made), made)


def _by_level(readings: Readings, split: Splitting | None, alone: Split | None) -> Better | None:
    if split is None or alone is None or not _earlier_levels(readings):
        return Better(Instead.LEVEL, info(TonightCode.LEVEL_FIRST, level_sd_arcsec=LEVEL_SD_ARCSEC))
    made = split.after(level=True)
    return Better(Instead.LEVEL, _told(TonightCode.LEVEL, alone, made), made) if _worth(alone, made) else None


def _by_second_night(analysis: Analysis | None) -> Better | None:
    """Return that a second night tells, where one night alone shows a movement."""
    open_event = None if analysis is None else _open_event(analysis)
    if open_event is None or not open_event.provisional:
        return None
    return Better(Instead.SECOND_NIGHT, info(TonightCode.SECOND_NIGHT, seen_us=open_event.before_us))


def _worth(alone: Split, made: Split) -> bool:
    least = 1.0 - WORTH_SHARE
    return made.tilt_east_sd < least * alone.tilt_east_sd or made.tilt_north_sd < least * alone.tilt_north_sd


def _told(code: TonightCode, alone: Split, made: Split) -> Notice:
    return info(
        code,
        east_sd_arcsec=made.tilt_east_sd,
        north_sd_arcsec=made.tilt_north_sd,
        east_sd_of_fields_arcsec=alone.tilt_east_sd,
        north_sd_of_fields_arcsec=alone.tilt_north_sd,
    )


# ---- What the list rests on that nobody has said.

_MOUNT_KEYS = ("slew_deg_per_s", "settle_s", "solve_s", "flip_overlap_deg")


def assumed(site: PierFile) -> tuple[Notice, ...]:
    """Return which keys of the site file would make the list better and are not given."""
    said = []
    if "horizon.altitude_deg" not in site.given:
        said.append(info(TonightCode.HORIZON_OPEN))
    open_keys = tuple(key for key in _MOUNT_KEYS if f"mount.{key}" not in site.given)
    if open_keys:
        values = {key: float(getattr(site.mount, key)) for key in open_keys}
        said.append(info(TonightCode.MOUNT_ASSUMED, keys=open_keys, **values))
    return tuple(said)
