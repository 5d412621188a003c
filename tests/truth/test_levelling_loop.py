"""Owners who want a level base take the advice to the end: axis and plate both come out better, always."""

from dataclasses import dataclass

import numpy as np
import pytest
from advice_world import ALT, AZ, EAST, NORTH, history, nights, site
from exact_mount import axis_of, base

from drift.advice.steps import advise
from drift.mount.plate import tilt_from_bolts
from drift.site.threads import pitch_mm
from drift.types import HISTORY_COLUMNS

#: An owner sets a knob to so much of a turn's amount, and to so many arcseconds: common practice.
SET_SHARE, SET_ARCSEC = 0.02, 5.0
#: How well a night knows the axis, and the history the tilt [arcsec].
AXIS_SD, TILT_SD = 3.0, 3.0
#: What is left may be as large as what an owner can set: less than this isn't told from none [arcsec].
SETTABLE = 20.0
PLATE = tuple(HISTORY_COLUMNS.index(name) for name in ("plate_north", "plate_east"))
SITES = 20


@dataclass
class Pier:
    """A pier whose base tilts, and its mount [arcsec]."""

    latitude_deg: float
    tilt: np.ndarray  # of the pier since the start
    plate: np.ndarray  # what was shimmed since
    mount: np.ndarray  # in azimuth and altitude

    def axis(self):
        return np.array(
            axis_of(self.latitude_deg, base(self.latitude_deg, *(self.tilt + self.plate), *self.mount))[:2]
        )

    def off(self):
        az, alt = self.axis()
        return np.hypot(az * np.cos(np.radians(self.latitude_deg)), alt)

    def tilted(self):
        return np.hypot(*(self.tilt + self.plate))


def invented(seed):
    """Return a pier and its site: both hemispheres, 3 to 5 bolts, shims and nuts."""
    rng = np.random.default_rng([seed, 13])
    latitude = rng.uniform(8.0, 65.0) * (1.0 if seed % 2 else -1.0)
    toward, size = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(150.0, 900.0)
    pier = Pier(latitude, size * np.array([np.cos(toward), np.sin(toward)]), np.zeros(2), np.zeros(2))
    # every other axis starts inside its limit of 120", and is left alone but for the plate
    way, off = (
        rng.uniform(0.0, 2.0 * np.pi),
        rng.uniform(40.0, 115.0) if seed % 4 < 2 else rng.uniform(130.0, 700.0),
    )
    wanted = off * np.array([np.cos(way) / np.cos(np.radians(latitude)), np.sin(way)])
    pier.mount = wanted - pier.axis()
    bolts = 3 + seed % 3
    bearings = np.sort((np.arange(bolts) * 360.0 / bolts + rng.uniform(0.0, 360.0)) % 360.0).round(0).tolist()
    plate = {"bolt_bearings_deg": bearings, "bolt_circle_mm": 260.0, "want_level": True}
    if seed % 6 >= 3:
        plate |= {"nuts": True, "thread": "M12"}
    knobs = {"azimuth_knob_arcmin_per_turn": 40.0, "altitude_knob_arcmin_per_turn": 30.0}
    return pier, site(latitude, plate=plate, mount=knobs), rng


def seen(pier, rng):
    """Return what nights and history say of a pier."""
    change, sd = np.zeros((40, 6)), np.vstack([np.zeros(6), np.full((39, 6), TILT_SD)])
    change[20:, [NORTH, EAST]] = pier.tilt + rng.normal(0.0, TILT_SD, 2)
    change[39, PLATE] = pier.plate + rng.normal(0.0, TILT_SD, 2)
    change[:, [AZ, ALT]] = 0.0
    axis = pier.axis() + rng.normal(0.0, AXIS_SD, 2)
    return nights(axis), history(axis_now=tuple(axis), axis_sd=(AXIS_SD, AXIS_SD), change=change, sd=sd)


def takes(action, pier, where, rng):
    """Do one step."""
    if action.do in ("turn_azimuth", "turn_altitude"):
        amount = 60.0 * action.amount_arcmin
        done = amount * (1.0 + rng.normal(0.0, SET_SHARE)) + rng.normal(0.0, SET_ARCSEC)
        pier.mount[0 if action.do == "turn_azimuth" else 1] += done
    elif action.do in ("shim", "nuts"):
        bearings = where.plate.bolt_bearings_deg
        turned = action.do == "nuts"
        by = {
            b.bearing_deg: b.nut_turns * pitch_mm("M12") if turned else b.thickness_mm for b in action.bolts
        }
        pier.plate += tilt_from_bolts(bearings, 260.0, [by.get(b, 0.0) for b in bearings])


@pytest.mark.parametrize("seed", range(SITES))
def test_a_levelled_base_leaves_axis_and_plate_better(seed):
    pier, where, rng = invented(seed)
    off, tilted = pier.off(), pier.tilted()
    touched = False
    for _ in range(2):
        actions = advise(where, *seen(pier, rng)).actions
        touched |= any(action.bolts for action in actions)
        for action in actions:
            takes(action, pier, where, rng)
    assert touched
    assert pier.tilted() < 0.35 * tilted
    assert pier.off() < max(off, SETTABLE)
    assert pier.off() < 60.0, "half of the limit"
