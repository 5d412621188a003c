"""Readings -> sky -> nights -> history -> advice: the whole way, touching no file."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drift.advice.advise import advise
from drift.answer import Answer
from drift.errors import NothingToAnswer
from drift.ground.heave import FrostHeave
from drift.ground.site import ground_of
from drift.ground.weather import daily_weather
from drift.history.before import Before, from_text
from drift.history.causes.corrections import Plate
from drift.history.separate import separate
from drift.history.warmth import warmth_of
from drift.kept import NoStore, Store
from drift.night.directions import see
from drift.night.estimate import estimate_nights
from drift.night.modelled import modelled_or_not
from drift.night.result import Nights, SetAside
from drift.night.split import split_nights
from drift.pierfile import PierFile
from drift.prepare.ready import ready
from drift.prepare.result import LeftOut
from drift.quantities import DAY_US
from drift.readings import Readings

#: Where what the last answer found is kept; unlike other pieces it only says where a search may start.
BEFORE = "history found before"


def work_out(
    site: PierFile,
    readings: Readings,
    store: Store | None = None,
    now_us: int | None = None,
    arrived_us: int | None = None,
) -> Answer:
    """Work out the whole answer for one pier.

    Parameters
    ----------
    site
        The site file.
    readings
        All readings of this pier.
    store
        Where finished pieces of work are kept for the next answer; by default nowhere.
    now_us, arrived_us
        When advice is wanted and when readings last came in, as for `drift.advice.advise.advise`; by
        default advice is as of the latest reading.

    Raises
    ------
    drift.errors.NothingToAnswer
        If there is neither a night with a usable axis nor a level reading.
    """
    latitude = float(np.radians(site.site.latitude_deg))
    store = NoStore() if store is None else store
    zero_is = str(site.mount.hour_angle_zero)
    made = ready(site, readings)
    readings, left = made.readings, tuple(_set_aside(one) for one in made.left_out)
    split = split_nights(site.site.longitude_deg, readings["corrections"])
    where = (site.site.latitude_deg, site.site.longitude_deg, site.site.elevation_m)
    seen = see(where, split, readings, store)
    nights = estimate_nights(latitude, split, readings, seen.directions, zero_is, store)
    nights = modelled_or_not(nights, str(site.mount.reports), latitude)
    nights = replace(nights, set_aside=(*nights.set_aside, *left))
    warmth = warmth_of(readings, split)
    history = separate(
        latitude,
        nights,
        readings["levels"],
        readings["corrections"],
        _plate(site),
        split,
        zero_is,
        warmth,
        _found_before(store),
        _frost(site, readings, nights),
    )
    if history is None:
        raise NothingToAnswer(
            "there is nothing to answer from yet: the record holds no night with a usable axis and no level "
            "reading.  Import a log of plate solves with the mount's own coordinates (five or more over the "
            "sky on one night), a sweep, an unguided run, typed alignment errors, or record a level reading."
            + (f"  {len(left)} solves can't be used; the first {left[0].reason}." if left else "")
        )
    store.put({BEFORE: history.before.encode()})
    warnings = (*seen.warnings, *nights.warnings, *history.warnings, *made.remarks)
    defaults = (*site.defaults_used(), *seen.defaults)
    advice = advise(site, nights, history, now_us, arrived_us=arrived_us)
    return Answer(site, nights, history, advice, defaults, warnings)


def _set_aside(one: LeftOut) -> SetAside:
    return SetAside(one.kind, one.row_id, one.time_us, one.reason)


def _found_before(store: Store) -> Before | None:
    """Return what the last answer found, when it is there and can be read."""
    kept = store.get([BEFORE]).get(BEFORE, b"")
    try:
        return from_text(kept.decode()) if kept else None
    except (ValueError, KeyError, TypeError):
        return None


def _frost(site: PierFile, readings: Readings, nights: Nights) -> FrostHeave | None:
    """Return what weather and ground say of the frost; None where the weather isn't known."""
    if not nights.nights:
        return None
    days = [int(night.time_us // DAY_US) for night in nights.nights]
    weather = daily_weather(readings["weather"], site.site.latitude_deg, min(days) - 1, max(days) + 1)
    pier = site.pier
    if weather is None:
        return None
    ground = ground_of(pier.depth_m, pier.soil, pier.drained, pier.surface)
    return FrostHeave(weather, ground, site.site.longitude_deg)


def _plate(site: PierFile) -> Plate:
    bearings = site.plate.bolt_bearings_deg
    pitch = None
    if site.plate.thread:
        from drift.sitefile.threads import pitch_mm

        pitch = pitch_mm(site.plate.thread)
    return Plate(tuple(bearings) if bearings else None, site.plate.bolt_circle_mm, pitch)
