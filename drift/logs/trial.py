"""Reading a sample by a mapping that is still in doubt, to see what the sky says of it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from drift.logs.frame_test import FrameShare, frame_share
from drift.logs.horizon import BELOW_DEG, altitude_deg, hour_angle_rad
from drift.logs.layout import Circumstances
from drift.logs.mapping import Mapping
from drift.logs.ready import Ready
from drift.logs.sample import Sample
from drift.logs.sides import ON
from drift.logs.translate import Plan, finish, gather

Numbers = npt.NDArray[np.float64]

#: From so many rows on the horizon and the hour angle say something.
_FEW = 6
#: Nearer to the meridian than this [rad] the tube may be on either side; farther than that it is not turned.
_MERIDIAN_RAD = 0.1
_FIRST_US, _LAST_US = (int(np.datetime64(f"{year}-01-01", "us").astype(np.int64)) for year in (1990, 2060))


@dataclass(frozen=True)
class Trial:
    """The contract's columns of a sample."""

    columns: dict[str, Ready] = field(repr=False)
    good: npt.NDArray[np.bool_] = field(repr=False)
    around: Circumstances

    @classmethod
    def of(cls, sample: Sample, mapping: Mapping, around: Circumstances) -> Trial:
        """Read a sample; a column of sides as if it said where the tube is."""
        if "tube_side" in mapping.columns:
            side = replace(mapping.columns["tube_side"], means=ON)
            mapping = replace(mapping, columns={**mapping.columns, "tube_side": side})
        gathered = gather([sample.rows], Plan.of(mapping, sample.headings, sample.decimal))
        columns = gathered.columns
        refused = finish(columns, mapping)
        good = np.ones(len(gathered.raws), dtype=bool)
        for name in ("time_utc", "ra_deg", "dec_deg", "mount_ra_deg", "mount_dec_deg"):
            if name in columns:
                good &= ~(columns[name].bad | columns[name].blank)
        for _, rows in refused.values():
            good &= ~rows
        us = np.asarray(columns["time_utc"].values)
        good &= (us > _FIRST_US) & (us < _LAST_US)
        for name in ("dec_deg", "mount_dec_deg"):
            if name in columns:
                good &= np.abs(np.nan_to_num(np.asarray(columns[name].values), nan=99.0)) <= 90.0
        return cls(columns, good, around)

    def of_column(self, name: str) -> Numbers:
        """Return the good values of a column."""
        return np.asarray(self.columns[name].values)[self.good]

    def below(self) -> float | None:
        """Return the share of the rows below the horizon, None where there are too few or no places."""
        if "ra_deg" not in self.columns or "dec_deg" not in self.columns or self.good.sum() < _FEW:
            return None
        around = self.around
        altitude = altitude_deg(
            around.latitude_deg,
            around.longitude_deg,
            self.of_column("time_utc").astype(np.int64),
            self.of_column("ra_deg"),
            self.of_column("dec_deg"),
        )
        return float(np.mean(altitude < BELOW_DEG))

    def frames(self) -> FrameShare:
        """Return the share of precession in the mount's places minus the solved ones."""
        names = ("ra_deg", "dec_deg", "mount_ra_deg", "mount_dec_deg")
        if not set(names) <= set(self.columns):
            return FrameShare(np.nan, np.inf)
        us = self.of_column("time_utc").astype(np.int64)
        return frame_share(self.around.longitude_deg, us, *(self.of_column(name) for name in names))

    def sides_agree(self) -> float | None:
        """Return the share of the rows in which a tube on the side that is given looks across the pier.

        On the east side it then looks west, where the hour angle is positive.
        """
        if "ra_deg" not in self.columns or "tube_side" not in self.columns:
            return None
        us = self.of_column("time_utc").astype(np.int64)
        hour_angle = hour_angle_rad(self.around.longitude_deg, us, self.of_column("ra_deg"))
        texts = np.array(self.columns["tube_side"].values, dtype=object)[self.good]
        told = ((texts == "east") | (texts == "west")) & (np.abs(hour_angle) > _MERIDIAN_RAD)
        if told.sum() < _FEW:
            return None
        return float(np.mean((texts[told] == "east") == (hour_angle[told] > 0.0)))
