"""Readings -> sky -> nights -> history -> advice: the whole way, touching no file.

What is kept for next time (`drift.cache`, in the record)
---------------------------------------------------------
- What is done a night at a time (its directions, the search for wrong readings and second syncs), under the
  digest of all that it depends on.  Old nights are not done again, and the result is bit for bit the same as
  from scratch (tests/truth/test_kept_nights.py); for that, the instrument is held rounded while a night is
  looked at.  What nights share is solved anew: the instrument's linear system and the history.
- The last analysis (nights and history) and the picture's ground, whole, under the digest of readings, site
  file and program: status, report, figure and page answer at once while nothing is new.  Advice is worked out
  anew, because it depends on today.
- Bytes whose form the fields' types tell; a field that can't be packed exactly means "not kept".

Rejected: keeping each night's axis (the shared constants move with every night, so the result would depend on
the order of imports); starting the fit of nights from the last result (no longer bit for bit the result from
scratch); pickle, which runs what it reads.

Two processes
-------------
From 3,000 solves on, a child process draws the small pictures (render/drawing.py).  It is started while the
analysis runs, and whatever goes wrong with it, everything is drawn here.

Rejected: forking (other threads, and not on every system); children for short records (starting one takes as
long as twenty small pictures).  Linear algebra has one thread in the command (cli/main.py): the fits solve
many small systems, for which two threads take twice the processor's time and no less of the clock's.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from drift.advice.steps import advise
from drift.cache import NoStore, Store, name_of, pack, unpack
from drift.codes import AxisReason
from drift.errors import NothingToAnalyse
from drift.forecast.coming import with_forecast
from drift.ground.frost_front import UnderPier, under_pier
from drift.ground.heave import FrostHeave
from drift.ground.pier_site import ground_of
from drift.ground.weather import daily_weather
from drift.history.before import EarlierFit, from_text
from drift.history.changes import Plate
from drift.history.inputs import Inputs, warmth_of
from drift.history.level_slips import without_slips
from drift.history.neighbours import NeighbourPrior
from drift.history.sensor import fold_sensors
from drift.history.separate import separate_fitted
from drift.night.altered_reports import modelled_or_not
from drift.night.directions import see
from drift.night.estimate import estimate_nights
from drift.night.log_zone import daylight_told, whole_log_ahead
from drift.night.prepared import LeftOut, ready, split_nights
from drift.notices import Notice, Severity
from drift.quantities import DAY_US, Ints
from drift.readings import Readings, StepDone
from drift.site.file import PierFile
from drift.sky.time_scales import summer_time_changes_us
from drift.types import Analysis, History, Nights, SetAside

#: Where what the last answer found is kept; unlike other pieces it only says where a search may start.
BEFORE = "history found before"
#: Where the work of the last answer is kept whole, for the next one from the same readings.
WORKED = "last answer"
BORROWED = "last_answer_with_neighbours"
SHOWN = "last ground under the pier"
T = TypeVar("T")


@dataclass(frozen=True)
class Worked:
    """All of an answer that takes long: nights and history, with what is to be said about them."""

    nights: Nights
    history: History
    notices: tuple[Notice, ...]
    filled_in: tuple[Notice, ...]


@dataclass(frozen=True)
class Shown:
    """What only a picture needs."""

    ground: UnderPier | None


def work_out(
    site: PierFile,
    readings: Readings,
    store: Store | None = None,
    now_us: int | None = None,
    arrived_us: int | None = None,
    steps_done: Sequence[StepDone] = (),
    neighbours: NeighbourPrior | None = None,
) -> Analysis:
    """Work out the whole answer for one pier.

    Parameters
    ----------
    site
        The site file.
    readings
        All readings of this pier.
    store
        Where finished pieces of work are kept for the next answer; by default nowhere.
    now_us, arrived_us, steps_done
        When advice is wanted, when readings last came in, and what was done as advised, as for
        `drift.advice.steps.advise`; by default advice is as of the latest reading.
    neighbours
        What the other piers of the site say of this one beforehand, from
        `drift.history.neighbours.neighbour_prior`; by default nothing is borrowed.

    Raises
    ------
    drift.errors.NothingToAnalyse
        If there is neither a night with a usable axis nor a level reading.
    """
    store = NoStore() if store is None else store
    name = _work_name(site, readings, neighbours)
    place = WORKED if neighbours is None else BORROWED
    worked = _once(store, place, name, Worked, lambda: _work(site, readings, store, neighbours))
    advice = advise(site, worked.nights, worked.history, now_us, None, arrived_us, steps_done)
    return Analysis(
        site,
        worked.nights,
        worked.history,
        advice,
        tuple(site.defaults_used()),
        (*readings.notices, *worked.notices),
        worked.filled_in,
        now_us=now_us,
        arrived_us=arrived_us,
    )


def ground_of_analysis(site: PierFile, readings: Readings, store: Store | None = None) -> UnderPier | None:
    """Return what weather and ground did under the pier, day by day; None where there is no weather log.

    Parameters
    ----------
    site, readings, store
        As for `work_out`.
    """

    def make() -> Shown:
        place, pier = site.site, site.pier
        ground = ground_of(pier.depth_m, pier.soil, pier.drained, pier.surface)
        return Shown(under_pier(readings["weather"], ground, place.latitude_deg, place.longitude_deg))

    store = NoStore() if store is None else store
    return _once(store, SHOWN, _work_name(site, readings), Shown, make).ground


def _work_name(site: PierFile, readings: Readings, neighbours: NeighbourPrior | None = None) -> str:
    """Name the work by all that it depends on; "" where the readings don't say what they are."""
    if not readings.readings_id:
        return ""
    rows = [
        table["row_id"].to_numpy(dtype=np.int64).tobytes()
        for table in readings.tables.values()
        if "row_id" in table
    ]
    text = site.model_dump_json(exclude={"path", "store"})
    lent = [] if neighbours is None else [pack(neighbours, NeighbourPrior)]
    return name_of("answer", readings.readings_id.encode(), text.encode(), *rows, *lent)


def _once(store: Store, place: str, name: str, kind: type[T], make: Callable[[], T]) -> T:
    """Return a result that is kept in a place of its own under a name, or make it and keep it there.

    One place holds one result, the last: that of a long record is some megabytes.
    """
    found, _, packed = store.get([place] if name else []).get(place, b"").partition(b"\n")
    if name and found == name.encode():
        try:
            return unpack(packed, kind)
        except ValueError:
            pass  # it was not written by this program
    made = make()
    if name:
        with suppress(TypeError):  # it has no form as bytes: it will be made again
            packed = pack(made, kind)
            store.put({place: name.encode() + b"\n" + packed})
    return made


def _work(
    site: PierFile, readings: Readings, store: Store, neighbours: NeighbourPrior | None = None
) -> Worked:
    latitude = float(np.radians(site.site.latitude_deg))
    zero_is = str(site.mount.hour_angle_zero)
    made = ready(site, readings)
    readings, left = made.readings, tuple(_set_aside(one) for one in made.left_out)
    split = split_nights(site.site.longitude_deg, readings["corrections"])
    where = (site.site.latitude_deg, site.site.longitude_deg, site.site.elevation_m)
    seen = see(where, split, readings, store)
    changes = _clock_changes(site, readings["solves"]["time_us"].to_numpy(dtype=np.int64))
    whole_log = whole_log_ahead(where, split, readings, seen.directions, zero_is)
    if whole_log[0]:
        seen = see(where, split, readings, store, whole_log[0])
    reports = str(site.mount.reports)
    nights = estimate_nights(
        latitude, split, readings, seen.directions, zero_is, store, changes, whole_log, reports
    )
    split = split.restarted([one.from_us for one in nights.instrument_changes])
    nights = modelled_or_not(nights, reports, latitude, split.correction_us)
    told = (*nights.notices, *daylight_told(*where[:2], nights))
    nights = replace(nights, set_aside=(*nights.set_aside, *left), notices=told)
    warmth = warmth_of(readings, split)
    frost = _frost(site, readings, nights)
    folded = fold_sensors(readings["levels"], nights, split, warmth, latitude)
    judged = without_slips(folded.levels, nights, split, latitude)
    plate, levels, corrections = _plate(site), judged.levels, readings["corrections"]
    inputs = Inputs(
        latitude,
        nights,
        levels,
        corrections,
        plate,
        split,
        zero_is,
        warmth,
        frost,
        tuple(one for one in folded.sensors if one.number not in judged.sensors_out),
        neighbours,
    )
    # where an earlier search ended must not show: an answer that borrows rests on readings and prior alone
    made_apart = separate_fitted(inputs, None if neighbours is not None else _found_before(store))
    if made_apart is None:
        raise NothingToAnalyse(
            "there is nothing to answer from yet: the record holds no night with a usable axis and no level "
            "reading.  Import a log of plate solves with the mount's own coordinates (five or more over the "
            "sky on one night), a sweep, an unguided run, typed alignment errors, or record a level reading.",
            tuple(one.reason for one in left),
            tuple(one for one in nights.notices if one.severity != Severity.INFO),
        )
    history = with_forecast(*made_apart, inputs)
    if nights.axis_reason is not AxisReason.KNOWN:
        # only changes are known, whatever the nights' numbers stand at
        unknown = np.full(2, np.nan)
        history = replace(history, axis_now=unknown, axis_now_sd=unknown)
    if neighbours is None:
        store.put({BEFORE: history.before.encode()})
    notices = (
        *seen.notices,
        *nights.notices,
        *history.notices,
        *folded.notices,
        *judged.notices,
        *made.notices,
    )
    return Worked(nights, history, notices, seen.defaults)


def _clock_changes(site: PierFile, time_us: Ints) -> Ints | None:
    """Return when clocks at the site went over to summer time and back while solves were taken."""
    if not time_us.size:
        return None
    place, first, last = site.site, int(time_us.min()), int(time_us.max())
    return summer_time_changes_us(place.timezone, place.latitude_deg, place.longitude_deg, first, last)


def _set_aside(one: LeftOut) -> SetAside:
    return SetAside(kind=one.kind, row_id=one.row_id, time_us=one.time_us, reason=one.reason)


def _found_before(store: Store) -> EarlierFit | None:
    """Return what the last answer found, when it is there and can be read."""
    cached = store.get([BEFORE]).get(BEFORE, b"")
    try:
        return from_text(cached.decode()) if cached else None
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
        from drift.site.threads import pitch_mm

        pitch = pitch_mm(site.plate.thread)
    return Plate(tuple(bearings) if bearings else None, site.plate.bolt_circle_mm, pitch)
