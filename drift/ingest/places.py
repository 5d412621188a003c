"""Whether a log's places on the sky are possible: near the mount's, above the horizon, not exchanged."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from drift.ingest.row_check import Cells, Circumstances
from drift.ingest.sky_evidence import (
    BELOW_DEG,
    FrameVerdict,
    altitude_deg,
    azimuth_altitude_deg,
    frame_share,
    hour_angle_rad,
    outline_deg,
)
from drift.ingest.values import US_PER_DAY, US_PER_SECOND, TubeSide
from drift.notices import IngestCode, Notice, info, warning
from drift.sky.of_date import separation_deg

# ---- Whether right ascension and declination have changed places in a file.


#: Share of declinations beyond 90 degrees from which on an exchange is considered; least rows.
_BEYOND = 0.2
_FEW_ROWS = 3
#: Exchanged back, this share of the rows must be near the mount's place [deg], or above the horizon.
_EXCHANGE_CURES = 0.9
_NEAR_DEG = 5.0

SOLVED = ("ra_deg", "dec_deg")
MOUNT = ("mount_ra_deg", "mount_dec_deg")


def exchanged_pairs(places: Places, around: Circumstances) -> tuple[tuple[str, str], ...]:
    """Return the pairs of columns that have changed places, () for none.

    Nearly every list of right ascensions goes beyond 90 degrees and no declination does, so an exchange
    shows.  It is believed when exchanging back makes the two places agree, or puts them above the horizon.
    """
    finite = np.isfinite(places.ra_deg) & np.isfinite(places.dec_deg)
    if places.mount_ra_deg is not None and places.mount_dec_deg is not None:
        finite &= np.isfinite(places.mount_ra_deg) & np.isfinite(places.mount_dec_deg)
    if finite.sum() < _FEW_ROWS:
        return ()
    some = places.of(finite)
    found = tuple(pair for pair in (SOLVED, MOUNT) if _is_beyond(some, pair))
    return found if found and _is_cured(_exchange(some, found), around) else ()


def _is_beyond(places: Places, pair: tuple[str, str]) -> bool:
    dec = places.dec_deg if pair == SOLVED else places.mount_dec_deg
    return dec is not None and bool(np.mean(np.abs(dec) > 90.0) >= _BEYOND)


def _exchange(places: Places, pairs: tuple[tuple[str, str], ...]) -> Places:
    if SOLVED in pairs:
        places = replace(places, ra_deg=places.dec_deg, dec_deg=places.ra_deg)
    if MOUNT in pairs:
        places = replace(places, mount_ra_deg=places.mount_dec_deg, mount_dec_deg=places.mount_ra_deg)
    return places


def _is_cured(places: Places, around: Circumstances) -> bool:
    if np.mean(np.abs(places.dec_deg) <= 90.0) < _EXCHANGE_CURES:
        return False
    if places.mount_ra_deg is not None:
        return bool(np.mean(places.from_mount_deg() < _NEAR_DEG) >= _EXCHANGE_CURES)
    return bool(np.mean(~places.below(around)) >= _EXCHANGE_CURES)


# ---- Whether the declinations of a file have the wrong sign, the solved ones or the mount's.


#: A declination this near to the equator [deg] is much the same with either sign.
_DISTINCT_DEG = 5.0
_MOST = 0.8


def flipped_columns(places: Places, around: Circumstances) -> tuple[str, ...]:
    """Return the columns of which one has the wrong sign, () for none.

    Solved and mount's declinations are then opposite.  The horizon shows which is wrong: a single name is
    returned where fewer places are below it by the other column, else both.

    Parameters
    ----------
    places
        With the mount's own.
    around
        The site.
    """
    if places.mount_dec_deg is None:
        return ()
    telling = np.minimum(np.abs(places.dec_deg), np.abs(places.mount_dec_deg)) > _DISTINCT_DEG
    some, turned = places.of(telling), _turned(places).of(telling)
    if telling.sum() < _FEW_ROWS or np.mean(some.from_mount_deg() < _NEAR_DEG) >= 0.5:
        return ()
    if np.mean(turned.from_mount_deg() < _NEAR_DEG) < _MOST:
        return ()
    by_solved, by_mount = int(places.below(around).sum()), int(_turned(places).below(around).sum())
    if by_solved == by_mount:
        return ("dec_deg", "mount_dec_deg")
    return ("dec_deg",) if by_solved > by_mount else ("mount_dec_deg",)


def _turned(places: Places) -> Places:
    return replace(places, dec_deg=-places.dec_deg)


# ---- The checks: near the mount's place, above the horizon, in degrees.
#
# These checks look at a file as a whole as well as at each row: a right ascension in hours, a wrong sign of
# the longitude or a wrong time zone spoil every row, and deserve one clear paragraph.


Numbers = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

#: A solve farther than this from the mount's own place is a wrong solve or a wrong column [deg].
FAR_DEG = 30.0
#: Both columns in hours are noticed by range and horizon only: rows, spread [hours], share of the rows below
#: the horizon as they are and after multiplying by 15.  In degrees, a strip so narrow is below the horizon
#: only with wrong times, and 15 times as wide it would be so in part.
_RANGE_ROWS = 20
_RANGE_SPREAD_H = 6.0
_RANGE_BELOW = 0.03
_CURED = 0.02
#: Rows with different right ascensions all below 24 that are remarked on without other evidence.
_REMARK_ROWS = 8
#: Share of rows below the horizon from which on the file as a whole is doubtful: a true log has none, and
#: one of another site or with a wrong time zone a third to a half.  The rows above the horizon are then as
#: wrong as the others, so none is used.
_DOUBTFUL = 0.2
#: Share from which on it is remarked on: a clock that was wrong for a night or two, or a site not far away.
_REMARKABLE = 0.02


@dataclass(frozen=True)
class Places:
    """Times and places of a file's rows, and the mount's own places where it reports them."""

    time_us: npt.NDArray[np.int64]
    ra_deg: Numbers
    dec_deg: Numbers
    mount_ra_deg: Numbers | None = None
    mount_dec_deg: Numbers | None = None

    def of(self, rows: Mask) -> Places:
        """Return the places of some rows."""
        mount_ra = None if self.mount_ra_deg is None else self.mount_ra_deg[rows]
        mount_dec = None if self.mount_dec_deg is None else self.mount_dec_deg[rows]
        return Places(self.time_us[rows], self.ra_deg[rows], self.dec_deg[rows], mount_ra, mount_dec)

    def from_mount_deg(self, ra_factor: float = 1.0, mount_ra_factor: float = 1.0) -> Numbers:
        """Return the angle on the sky between the solved and the mount's place [deg]."""
        if self.mount_ra_deg is None or self.mount_dec_deg is None:
            raise ValueError("this log holds no places of the mount")
        return separation_deg(
            self.ra_deg * ra_factor, self.dec_deg, self.mount_ra_deg * mount_ra_factor, self.mount_dec_deg
        )

    def behind(self, around: Circumstances, later_us: int = 0) -> Mask:
        """Tell which places stand behind the outline of the site file, were they taken so much later."""
        azimuth, altitude = azimuth_altitude_deg(
            around.latitude_deg, around.longitude_deg, self.time_us + later_us, self.ra_deg, self.dec_deg
        )
        return altitude < outline_deg(around.horizon_deg, azimuth) - _BEHIND_DEG

    def below(self, around: Circumstances) -> Mask:
        """Tell which places stand below the site's horizon."""
        altitude = altitude_deg(
            around.latitude_deg, around.longitude_deg, self.time_us, self.ra_deg, self.dec_deg
        )
        return altitude < BELOW_DEG


class HoursSeen(StrEnum):
    """The evidence that a right ascension is in hours."""

    BY_MOUNT = "by_mount"  # multiplied by 15 it agrees with the mount's own place
    BY_HORIZON = "by_horizon"  # as degrees some places are below the horizon, multiplied by 15 none


class Cure(StrEnum):
    """A change that would bring a file's places above the horizon."""

    LONGITUDE_SIGN = "longitude_sign"
    LATITUDE_SIGN = "latitude_sign"  # or that of the declinations
    LOCAL_TIME = "local_time"


def check_places(cells: Cells, around: Circumstances, places: Places) -> None:
    """Set aside rows with impossible places, and remark on what spoils a whole file."""
    if _refuse_exchanged(cells, around, places) or not cells.good.any():
        return
    if places.mount_ra_deg is not None:
        if _refuse_flipped(cells, around, places):
            return
        column = _column_in_hours(places.of(cells.good))
        if column:
            _refuse_hours(cells, (column,), HoursSeen.BY_MOUNT)
            return
        _set_far_aside(cells, places)
        if not cells.good.any():
            return
    if _both_in_hours(places.of(cells.good), around):
        columns = ("ra_deg",) if places.mount_ra_deg is None else ("ra_deg", "mount_ra_deg")
        _refuse_hours(cells, columns, HoursSeen.BY_HORIZON)
        return
    _set_below_aside(cells, around, places)
    _remark_on_small(cells, places)
    _remark_on_behind(cells, around, places)
    if places.mount_ra_deg is not None and cells.good.any():
        _check_frames(cells, around, places.of(cells.good))


#: Least rows, and distance from the meridian [rad], that show whether sides are those that the tube is on ...
_FEW_SIDES, _MERIDIAN_RAD = 12, 0.2
#: ... if the tube looks across the pier in this share of them or less.
_OPPOSITE = 0.1


def check_sides(cells: Cells, around: Circumstances, places: Places, sides: Sequence[str]) -> None:
    """Remark on sides of the tube that are those it looks to: a tube looks across the pier, but near the "
    "meridian."""
    with_side = np.array([bool(side) for side in sides], dtype=bool) & cells.good
    if not with_side.any():
        return
    some = places.of(with_side)
    hour_angle = hour_angle_rad(around.longitude_deg, some.time_us, some.ra_deg)
    far = np.abs(np.sin(hour_angle)) > np.sin(_MERIDIAN_RAD)
    east = np.array(
        [side == TubeSide.EAST for side, one in zip(sides, with_side, strict=True) if one], dtype=bool
    )
    if far.sum() < _FEW_SIDES:
        return
    across = float(np.mean(east[far] == (hour_angle[far] > 0.0)))
    if across <= _OPPOSITE:
        cells.remarks.append(warning(IngestCode.SIDES_OPPOSITE, across=1.0 - across))


def _refuse_exchanged(cells: Cells, around: Circumstances, places: Places) -> bool:
    """Set a file aside in which right ascension and declination have changed places."""

    pairs = exchanged_pairs(places, around)
    if not pairs:
        return False
    names = tuple(cells.called(column) for pair in pairs for column in pair)
    cells.remarks.append(warning(IngestCode.EXCHANGED, columns=names, rows=cells.count))
    reason = warning(IngestCode.ROW_EXCHANGED)
    cells.set_aside(np.ones(cells.count, dtype=bool), pairs[0][1], reason)
    cells.aside.update(dict.fromkeys(range(cells.count), (pairs[0][1], reason)))
    return True


def _refuse_flipped(cells: Cells, around: Circumstances, places: Places) -> bool:
    """Set a file aside in which solved and mount's declinations have opposite signs."""

    columns = flipped_columns(places.of(cells.good), around)
    if not columns:
        return False
    cells.remarks.append(
        warning(
            IngestCode.WRONG_SIGN,
            columns=tuple(cells.called(column) for column in columns),  # one where the horizon tells which
            opposite=(cells.called("dec_deg"), cells.called("mount_dec_deg")),
            rows=int(cells.good.sum()),
        )
    )
    cells.set_aside(np.ones(cells.count, dtype=bool), columns[0], warning(IngestCode.ROW_WRONG_SIGN))
    return True


def _check_frames(cells: Cells, around: Circumstances, places: Places) -> None:
    """Remark on places that are all in one frame; set a file aside whose solved and mount's are exchanged."""
    if places.mount_ra_deg is None or places.mount_dec_deg is None:
        return
    share = frame_share(
        around.longitude_deg,
        places.time_us,
        places.ra_deg,
        places.dec_deg,
        places.mount_ra_deg,
        places.mount_dec_deg,
    )
    if share.verdict is FrameVerdict.ONE_FRAME:
        cells.remarks.append(warning(IngestCode.ONE_FRAME, share=share.share, share_sd=share.sd))
    elif share.verdict is FrameVerdict.EXCHANGED:
        cells.remarks.append(warning(IngestCode.FRAMES_EXCHANGED, share=share.share, share_sd=share.sd))
        _refuse_rest(cells, "mount_ra_deg", warning(IngestCode.REST_EXCHANGED))


def _column_in_hours(places: Places) -> str:
    """Return the right ascension that is in hours, by its disagreement with the other one, or ""."""
    if places.mount_ra_deg is None or places.time_us.size < _FEW_ROWS:
        return ""
    if np.mean(places.from_mount_deg() < _NEAR_DEG) >= 0.5:
        return ""
    if places.ra_deg.max() < 24.0 and np.mean(places.from_mount_deg(ra_factor=15.0) < _NEAR_DEG) >= _MOST:
        return "ra_deg"
    if (
        places.mount_ra_deg.max() < 24.0
        and np.mean(places.from_mount_deg(mount_ra_factor=15.0) < _NEAR_DEG) >= _MOST
    ):
        return "mount_ra_deg"
    return ""


def _all_below_24(places: Places) -> bool:
    """Tell whether the right ascensions are spread widely, and yet all as small as hours."""
    if np.ptp(places.ra_deg) < _RANGE_SPREAD_H or places.ra_deg.max() >= 24.0:
        return False
    return places.mount_ra_deg is None or bool(places.mount_ra_deg.max() < 24.0)


def _both_in_hours(places: Places, around: Circumstances) -> bool:
    if places.time_us.size < _RANGE_ROWS or not _all_below_24(places):
        return False
    in_degrees = replace(places, ra_deg=places.ra_deg * 15.0)
    return bool(places.below(around).mean() >= _RANGE_BELOW and in_degrees.below(around).mean() <= _CURED)


def _remark_on_small(cells: Cells, places: Places) -> None:
    """Ask about right ascensions that could be hours, where nothing proves it."""
    rows = int(cells.good.sum())
    if rows < _REMARK_ROWS or not _all_below_24(places.of(cells.good)):
        return
    names = ("ra_deg",) if places.mount_ra_deg is None else ("ra_deg", "mount_ra_deg")
    cells.remarks.append(info(IngestCode.MAY_BE_HOURS, columns=names, rows=rows))


def _refuse_hours(cells: Cells, columns: tuple[str, ...], seen: HoursSeen) -> None:
    rows = int(cells.good.sum())
    cells.remarks.append(warning(IngestCode.IN_HOURS, columns=columns, seen=seen, rows=rows))
    cells.set_aside(np.ones(cells.count, dtype=bool), columns[0], warning(IngestCode.ROW_IN_HOURS))


def _set_far_aside(cells: Cells, places: Places) -> None:
    apart = np.where(cells.good, places.from_mount_deg(), 0.0)
    far = apart > FAR_DEG
    count, rows = int(far.sum()), int(cells.good.sum())
    doubtful = count > rows / 2 and rows >= _FEW_ROWS
    if doubtful:
        cells.remarks.append(
            warning(IngestCode.FAR_FROM_MOUNT, solves=count, of_solves=rows, limit_deg=FAR_DEG)
        )
    cells.set_aside(
        far, "ra_deg", lambda at: warning(IngestCode.ROW_FAR_FROM_MOUNT, apart_deg=float(apart[at]))
    )
    if doubtful:
        _refuse_rest(cells, "ra_deg", warning(IngestCode.REST_FAR_FROM_MOUNT))


def _refuse_rest(cells: Cells, column: str, why: Notice) -> None:
    """Set aside the rest of a file that is doubtful as a whole."""
    cells.set_aside(np.ones(cells.count, dtype=bool), column, why)


def _set_below_aside(cells: Cells, around: Circumstances, places: Places) -> None:
    below = np.zeros(cells.count, dtype=bool)
    below[cells.good] = places.of(cells.good).below(around)
    rows = int(cells.good.sum())
    doubtful = below.sum() >= max(_DOUBTFUL * rows, _FEW_ROWS)
    if below.sum() >= max(_REMARKABLE * rows, _FEW_ROWS):
        cells.remarks.append(_why_below(places.of(cells.good), around, below[cells.good], doubtful))
    cells.set_aside(below, "time_utc", warning(IngestCode.ROW_BELOW_HORIZON))
    if doubtful:
        why = warning(IngestCode.REST_BELOW_HORIZON, rows=int(below.sum()), of_rows=rows)
        _refuse_rest(cells, "time_utc", why)


#: An outline of trees is drawn to a few degrees, and they grow: margin within which it says nothing [deg].
_BEHIND_DEG = 3.0
#: Share of rows behind it from which on the times of a file are asked about.
_SHARE_BEHIND = 0.05
#: How far clocks may be off, by summer time or by a neighbouring zone [h].
_OFF_BY_H = (1, -1, 2, -2)


def _remark_on_behind(cells: Cells, around: Circumstances, places: Places) -> None:
    """Remark on places behind the trees and houses of the site file: a time zone an hour off shows so."""
    if not around.horizon_deg or not cells.good.any():
        return
    good = places.of(cells.good)
    behind = good.behind(around)
    if behind.sum() < max(_FEW_ROWS, _SHARE_BEHIND * behind.size):
        return
    hours = ((one, good.behind(around, one * 3_600 * US_PER_SECOND).mean()) for one in _OFF_BY_H)
    cells.remarks.append(
        warning(
            IngestCode.BEHIND_HORIZON,
            rows=int(behind.sum()),
            of_rows=int(behind.size),
            margin_deg=_BEHIND_DEG,
            cures_h=tuple(hour for hour, share in hours if share <= _CURED),
        )
    )


def _why_below(places: Places, around: Circumstances, below: Mask, doubtful: bool) -> Notice:
    """Return the change that would bring a file's places above the horizon."""
    return warning(
        IngestCode.BELOW_HORIZON,
        rows=int(below.sum()),
        of_rows=int(below.size),
        latitude_deg=around.latitude_deg,
        longitude_deg=around.longitude_deg,
        zone=around.timezone,
        all_set_aside=bool(doubtful),
        cures=tuple(cure for cure, cured in _cures(places, around) if cured() <= _CURED),
    )


def _cures(places: Places, around: Circumstances) -> Iterator[tuple[Cure, Callable[[], float]]]:
    """Yield each likely slip, with the share of rows that would still be below without it."""
    east = replace(around, longitude_deg=-around.longitude_deg)
    yield Cure.LONGITUDE_SIGN, lambda: places.below(east).mean()
    south = replace(around, latitude_deg=-around.latitude_deg)
    yield Cure.LATITUDE_SIGN, lambda: places.below(south).mean()
    if around.timezone:
        offset_us = _offset_us(around.timezone, places.time_us)
        shifted = replace(places, time_us=places.time_us - offset_us)
        yield Cure.LOCAL_TIME, lambda: shifted.below(around).mean()


def _offset_us(zone: str, time_us: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Return the zone's offset from UTC at each time [us], to the day."""
    days = time_us // US_PER_DAY
    first = datetime(1970, 1, 1)
    place = ZoneInfo(zone)
    known = {day: place.utcoffset(first + timedelta(days=day)) for day in np.unique(days).tolist()}
    offsets_s = [(known[day] or timedelta(0)).total_seconds() for day in days.tolist()]
    return np.array(offsets_s, dtype=np.int64) * US_PER_SECOND
