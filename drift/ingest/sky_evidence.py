"""What the sky shows about places in a log: whether they were above the horizon, and their frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from drift.ingest.values import US_PER_DAY

Numbers = npt.NDArray[np.float64]

# ---- The altitude of a place over the site, to a quarter of a degree.


_MJD_ZERO = 2_400_000.5
_MJD_OF_1970 = 40_587.0
#: How far below the horizon a place can't have been seen: refraction lifts by 0.6 degrees at most, and the
#: altitude here is good to 0.2.
BELOW_DEG = -1.0


def altitude_deg(
    latitude_deg: float,
    longitude_deg: float,
    time_us: npt.NDArray[np.int64],
    ra_deg: npt.NDArray[np.float64],
    dec_deg: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    """Return the altitude of ICRS places, good enough to tell whether they were above the horizon.

    The hour angle is Earth rotation angle (ERFA ``era00``; IAU 2000, Capitaine et al. 2000) plus longitude
    minus ICRS right ascension: against the Earth rotation angle most of precession in right
    ascension drops out, and what is left by 2040 is the pole's own 0.25 degrees.  UTC stands for UT1
    (0.9 s at most, 14 arcsec).  Refraction is left out.

    Parameters
    ----------
    latitude_deg, longitude_deg
        Site [deg], north and east positive.
    time_us
        (n,) UTC [microseconds since 1970-01-01].
    ra_deg, dec_deg
        (n,) ICRS place [deg].

    Returns
    -------
    (n,) altitude [deg], negative below the horizon.
    """
    return azimuth_altitude_deg(latitude_deg, longitude_deg, time_us, ra_deg, dec_deg)[1]


def outline_deg(
    pairs: Sequence[tuple[float, float]], azimuth_deg: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Return the altitude [deg] below which trees and houses hide the sky, in some directions.

    Parameters
    ----------
    pairs
        Bearing and altitude [deg], bearings ascending; in between it runs straight, also through north.
    azimuth_deg
        (n,) from north through east [deg].
    """
    bearing, altitude = np.array(pairs, dtype=np.float64).T
    return np.asarray(np.interp(azimuth_deg % 360.0, bearing, altitude, period=360.0))


def azimuth_altitude_deg(
    latitude_deg: float,
    longitude_deg: float,
    time_us: npt.NDArray[np.int64],
    ra_deg: npt.NDArray[np.float64],
    dec_deg: npt.NDArray[np.float64],
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return azimuth (north through east) and altitude of ICRS places [deg], as good as `altitude_deg`."""
    import erfa

    hour_angle = hour_angle_rad(longitude_deg, time_us, ra_deg)
    azimuth, altitude = erfa.hd2ae(hour_angle, np.radians(dec_deg), np.radians(latitude_deg))
    return np.degrees(azimuth), np.degrees(altitude)


def hour_angle_rad(
    longitude_deg: float, time_us: npt.NDArray[np.int64], ra_deg: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Return the hour angle of ICRS places [rad], positive west, -pi to pi, as good as `altitude_deg`."""
    import erfa

    rotation = erfa.era00(_MJD_ZERO, _MJD_OF_1970 + time_us / US_PER_DAY)
    return np.asarray(erfa.anpm(rotation + np.radians(longitude_deg) - np.radians(ra_deg)))


# ---- Mount places that are copies of the solved ones, or the other way round.


#: A mount's own place differs from the solved one by its pointing error, arcseconds at the least; places that
#: agree to this are one place [deg] (0.05 arcsec).
_COPIED_DEG = 0.05 / 3600.0
#: So many rows, spread over the file, show whether places of date were copied at all ...
_COPIED_LOOKED_AT = 500
#: ... by this share of them: by chance fewer agree.
_COPIED_SHARE = 0.02


def copied_places(
    time_us: npt.NDArray[np.int64],
    ra_deg: npt.NDArray[np.float64],
    dec_deg: npt.NDArray[np.float64],
    mount_ra_deg: npt.NDArray[np.float64],
    mount_dec_deg: npt.NDArray[np.float64],
) -> npt.NDArray[np.bool_]:
    """Tell which of the mount's places are the solved ones, as they are or turned to of date.

    Parameters
    ----------
    time_us
        (n,) UTC [us].
    ra_deg, dec_deg
        (n,) solved, ICRS [deg].
    mount_ra_deg, mount_dec_deg
        (n,) the mount's [deg].
    """
    from drift.sky.of_date import apparent_place, mean_place

    def agree(
        ra: npt.NDArray[np.float64], dec: npt.NDArray[np.float64], rows: slice
    ) -> npt.NDArray[np.bool_]:
        across = np.abs(_turn(ra - mount_ra_deg[rows])) * np.cos(np.radians(dec))
        near: npt.NDArray[np.bool_] = np.maximum(across, np.abs(dec - mount_dec_deg[rows])) < _COPIED_DEG
        return near

    every = slice(None)
    same = agree(ra_deg, dec_deg, every)
    some = slice(None, None, max(len(ra_deg) // _COPIED_LOOKED_AT, 1))
    for turned in (apparent_place, mean_place):
        if not len(ra_deg):
            break
        looked_at = agree(*turned(time_us[some], ra_deg[some], dec_deg[some]), some)
        if looked_at.mean() >= _COPIED_SHARE:
            same |= agree(*turned(time_us, ra_deg, dec_deg), every)
    return same


# ---- The frames of mount's and solved places, from their differences.
#
# Precession since 2000 has moved places by a third of a degree by 2026, in a pattern over right ascension;
# what a mount's pointing errors do depends on the hour angle instead, and the zeros of a night are the same
# all over the sky.  So the share of that pattern in the differences tells the frames apart: 1 when the
# mount's places are of date and the solved ones ICRS, as they should be, 0 when both are in one frame, -1
# when they are exchanged.


class FrameVerdict(StrEnum):
    """The verdict of precession on the frames of a file's places."""

    RIGHT = "right"  # the mount's of date, the solved ones ICRS
    ONE_FRAME = "one_frame"
    EXCHANGED = "exchanged"
    UNKNOWN = "unknown"


#: The share must be known to this (one standard deviation) and be this near to a whole number.
_KNOWN = 0.1
_NEAR = 0.3
_SHARES = ((FrameVerdict.RIGHT, 1.0), (FrameVerdict.ONE_FRAME, 0.0), (FrameVerdict.EXCHANGED, -1.0))
_FEW_ROWS = 8
#: Number of nights, spread over the file, that are used, and rows of each.
_NIGHTS_LOOKED_AT = 100
_ROWS_LOOKED_AT = 2_000
#: Differences beyond this many robust standard deviations are not counted; passes of that.
_WILD = 3.0
_PASSES = 4
#: The differences of a night are correlated, so that the scatter alone gives too small an sd.
_CAUTION = 2.0
#: Nearer to the pole than this [deg] right ascension says little.
_POLAR_DEG = 80.0


@dataclass(frozen=True)
class FrameShare:
    """The share of precession in the mount's places minus the solved ones."""

    share: float
    sd: float

    @property
    def verdict(self) -> FrameVerdict:
        """The verdict."""
        if not self.sd < _KNOWN:
            return FrameVerdict.UNKNOWN
        for verdict, share in _SHARES:
            if abs(self.share - share) < _NEAR:
                return verdict
        return FrameVerdict.UNKNOWN


def frame_share(
    longitude_deg: float,
    time_us: npt.NDArray[np.int64],
    ra_deg: Numbers,
    dec_deg: Numbers,
    mount_ra_deg: Numbers,
    mount_dec_deg: Numbers,
) -> FrameShare:
    """Find the share of precession in the mount's places minus the solved ones.

    By least squares over all rows: the share, zeros of both coordinates a night, the two errors of the axis,
    and a step in both coordinates at the meridian (the tube side).  To first order a_alt and a_az of the axis
    give dD = a_alt cos H - a_az sin H and dH cos D = sin D (a_alt sin H + a_az cos H).

    Parameters
    ----------
    longitude_deg
        Of the site [deg], east positive.
    time_us
        (n,) UTC [us].
    ra_deg, dec_deg, mount_ra_deg, mount_dec_deg
        (n,) places as the file gives them [deg].
    """
    from drift.sky.of_date import apparent_place

    night = _night(time_us, longitude_deg)
    nights = np.unique(night)
    nights = nights[:: -(-len(nights) // _NIGHTS_LOOKED_AT) or 1]
    rows = np.flatnonzero((np.abs(dec_deg) < _POLAR_DEG) & np.isin(night, nights))
    rows = rows[:: -(-len(rows) // _ROWS_LOOKED_AT) or 1]
    if rows.size < _FEW_ROWS:
        return FrameShare(np.nan, np.inf)
    us, ra, dec = time_us[rows], ra_deg[rows], dec_deg[rows]
    date_ra, date_dec = apparent_place(us, ra, dec)
    across = np.cos(np.radians(dec))
    seen = np.concatenate([_turn(mount_ra_deg[rows] - ra) * across, mount_dec_deg[rows] - dec])
    pattern = np.concatenate([_turn(date_ra - ra) * across, date_dec - dec])
    hour_angle = hour_angle_rad(longitude_deg, us, ra)
    design = np.column_stack([pattern, _others(hour_angle, np.radians(dec))])
    return _share(design, seen, _Zeros.of(night[rows], np.radians(dec)))


def _night(time_us: npt.NDArray[np.int64], longitude_deg: float) -> npt.NDArray[np.int64]:
    """Number the nights, from local mean noon to noon."""
    noon_us = round((0.5 - longitude_deg / 360.0) * US_PER_DAY)
    return (time_us - noon_us) // US_PER_DAY


def _turn(angle_deg: Numbers) -> Numbers:
    return (angle_deg + 180.0) % 360.0 - 180.0


def _others(hour_angle: Numbers, dec: Numbers) -> Numbers:
    """Return the columns of axis and tube side; rows: right ascension times cos(dec), then declination."""
    none, sin_d = np.zeros_like(dec), np.sin(dec)
    sin_h, cos_h, side = np.sin(hour_angle), np.cos(hour_angle), np.sign(hour_angle)
    return np.column_stack(
        [
            np.concatenate([-sin_d * sin_h, cos_h]),
            np.concatenate([-sin_d * cos_h, -sin_h]),
            np.concatenate([side, none]),
            np.concatenate([none, side]),
        ]
    )


@dataclass(frozen=True)
class _Zeros:
    """The zeros of each night, in right ascension times cos(dec) and in declination."""

    size: Numbers  # what a zero of 1 does to each row
    which: npt.NDArray[np.int64]  # the number of the zero that each row has

    @classmethod
    def of(cls, night: npt.NDArray[np.int64], dec: Numbers) -> _Zeros:
        number = np.unique(night, return_inverse=True)[1].ravel()
        size = np.concatenate([np.cos(dec), np.ones_like(dec)])
        return cls(size, np.concatenate([number, number + number.max() + 1]))

    def taken_out(self, columns: Numbers, kept: npt.NDArray[np.bool_]) -> Numbers:
        """Return columns less the zeros that fit their kept rows best."""
        weight = np.where(kept, self.size, 0.0)
        norm = np.maximum(np.bincount(self.which, weight * self.size), 1e-12)
        out = np.empty_like(columns)
        for at in range(columns.shape[1]):
            zero = np.bincount(self.which, weight * columns[:, at]) / norm
            out[:, at] = columns[:, at] - self.size * zero[self.which]
        return out

    def count(self, kept: npt.NDArray[np.bool_]) -> int:
        """Return how many zeros have kept rows."""
        return len(np.unique(self.which[kept]))


def _share(design: Numbers, seen: Numbers, zeros: _Zeros) -> FrameShare:
    """Return the first unknown of a least-squares fit with its sd, wild rows left out."""
    kept = np.ones(len(seen), dtype=bool)
    for _ in range(_PASSES):
        free = int(kept.sum()) - design.shape[1] - zeros.count(kept)
        if free < _FEW_ROWS // 2:
            return FrameShare(np.nan, np.inf)
        both = zeros.taken_out(np.column_stack([design, seen]), kept)
        columns, left = both[:, :-1], both[:, -1]
        found = np.linalg.lstsq(columns[kept], left[kept], rcond=1e-10)[0]
        residual = left - columns @ found
        used = kept
        scatter = float(1.4826 * np.median(np.abs(residual[used]))) + 1e-6
        kept = np.abs(residual) < _WILD * scatter
    scatter = float(np.sqrt(np.sum(residual[used] ** 2) / free)) + 1e-6
    own, rest = columns[used, 0], columns[used, 1:]
    alone = own - rest @ np.linalg.lstsq(rest, own, rcond=1e-10)[0]
    size = float(np.sqrt(np.sum(alone**2)))
    return FrameShare(float(found[0]), _CAUTION * scatter / size if size > 0 else np.inf)
