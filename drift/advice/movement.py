"""What has moved: events and gradual changes; and the settled state from which a tilt is counted."""

from __future__ import annotations

import calendar
import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

import numpy as np

from drift.codes import CorrectionKind, MovedPart, Part, Side, Since
from drift.mount.axis_error import axis_weights
from drift.notices import Value
from drift.quantities import DAY_US, Bools, Floats, Ints, as_utc, reading_date
from drift.types import HISTORY_COLUMNS

if TYPE_CHECKING:
    from drift.site.file import PierFile
    from drift.types import CorrectionFound, Event, History, NightAxis, Nights, Separable


# ---- What a tilt is counted from: a settled state of the pier, whatever the season of its first night.
#
# A log may begin in mid-heave.  Counted from there, a swing of 100" never gets further than 50", and a
# limit of 60" is never met.  So by default the tilt counts from the weeks of the first autumn in the
# record, when the last winter's frost has long left the ground and the next has not come.  From there on
# the whole of each winter's swing counts, and all that lasts as well.  Rejected: the mean over the first
# full year, which lies somewhere in the swing, depending on how long the winters are; each year's own
# autumn (``"last autumn"``), by which a pier that settles by a little less than its limit every year never
# meets it.  Until the record has an autumn nothing settled is known, and the tilt counts from its start.


#: The settled weeks: September and October in the north, March and April in the south.  Frost has left the
#: ground by early summer and reaches a base not before winter (common practice).
_AUTUMN_NORTH, _AUTUMN_SOUTH = (9, 10), (3, 4)
#: Readings so near to a date, or so soon after a correction, stand for it [days]: our own choice.
_NEAR_DAYS = 14.0
#: Corrections after which the tilt is counted anew (`since = "last correction"`); a new zero moves nothing.
_CORRECTS = tuple(
    kind for kind in CorrectionKind if kind not in (CorrectionKind.SERVICE, CorrectionKind.ZERO)
)
_TILT = [HISTORY_COLUMNS.index(name) for name in ("tilt_north", "tilt_east")]


@dataclass(frozen=True, kw_only=True)
class Baseline:
    """What the tilt is counted from.

    Attributes
    ----------
    since
        Its kind; not always what the site file wants, see `baseline_of`.
    from_us, until_us
        The first and the last reading of it [UTC us].
    tilt, sd
        Mean of the change of tilt there (north, east) and its sd, (2,) [arcsec]; NaN where it isn't known.
    """

    since: Since
    from_us: int
    until_us: int
    tilt: Floats = field(repr=False)
    sd: Floats = field(repr=False)

    def values(self, longitude_deg: float) -> dict[str, Value]:
        """Return it as values of a notice."""
        return {"since": self.since, "since_date": reading_date(self.from_us, longitude_deg)}


def baseline_of(site: PierFile, history: History) -> Baseline:
    """Return what the tilt of a pier is counted from.

    Parameters
    ----------
    site
        What its owner wants: ``[warn] since``.
    history
        The tilt at each reading.  Work on the pier itself starts the count anew.

    Returns
    -------
    Baseline
        That of the start where the wanted one isn't in the record: no autumn that is over, no correction,
        a date before it.
    """
    if not history.time_us.size:
        nothing = np.full(2, np.nan)
        return Baseline(since=Since.START, from_us=0, until_us=0, tilt=nothing, sd=nothing)
    south = site.site.latitude_deg < 0.0
    counts = counting(history)
    first = _start(history, counts)
    wanted: str | date = site.warn.since
    if isinstance(wanted, date):
        rows = _around(history.time_us, _midnight_us(wanted)) & counts
        return _mean_of(history, Since.DATE, rows) if rows.any() else first
    since = Since(wanted)
    if since is Since.LAST_CORRECTION:
        rows = _after_last_correction(history) & counts
        return _mean_of(history, since, rows) if rows.any() else first
    if since in (Since.FIRST_AUTUMN, Since.LAST_AUTUMN):
        autumns = _autumns(history.time_us, south, counts)
        if autumns:
            chosen = autumns[0 if since is Since.FIRST_AUTUMN else -1]
            return _mean_of(history, since, chosen)
    return first


def counting(history: History) -> Bools:
    """Return the readings that show the tilt since the pier itself was last worked on, (n,)."""
    known = np.isfinite(history.change[:, _TILT]).any(axis=1)
    worked = [
        c.time_us
        for c in history.corrections
        if c.kind == CorrectionKind.PIER and c.time_us <= history.time_us[-1]
    ]
    return np.asarray(known & (history.time_us >= max(worked, default=-(2**62))))


def _start(history: History, counts: Bools) -> Baseline:
    """Return the first reading that counts: changes are from it on, unless the pier was worked on since."""
    first = int(np.argmax(counts))
    known = np.isfinite(history.change[:, _TILT]).any(axis=1)
    if counts[first] and not known[:first].any():
        time_us = int(history.time_us[first])
        return Baseline(
            since=Since.START, from_us=time_us, until_us=time_us, tilt=np.zeros(2), sd=np.zeros(2)
        )
    return _mean_of(history, Since.START, np.arange(counts.size) == first)


def _mean_of(history: History, since: Since, rows: Bools) -> Baseline:
    """Return the mean over some readings, whose errors are taken to be common."""
    times = history.time_us[rows]
    tilt, sd = history.change[rows][:, _TILT], history.sd[rows][:, _TILT]
    known = np.isfinite(tilt)
    count = np.maximum(known.sum(axis=0), 1)
    none = ~known.any(axis=0)
    mean = np.where(none, np.nan, np.where(known, tilt, 0.0).sum(axis=0) / count)
    spread = np.where(none, np.nan, np.sqrt(np.where(known, sd**2, 0.0).sum(axis=0) / count))
    return Baseline(since=since, from_us=int(times[0]), until_us=int(times[-1]), tilt=mean, sd=spread)


def _autumns(time_us: Ints, south: bool, counts: Bools) -> list[Bools]:
    """Return the readings that count of the settled weeks of each year of the record, the earliest first.

    Weeks that are not over yet count only where nothing was read before them: else the tilt would be counted
    from the very readings that show it now.
    """
    first, last = _AUTUMN_SOUTH if south else _AUTUMN_NORTH
    years = range(as_utc(int(time_us[0])).year, as_utc(int(time_us[-1])).year + 1)
    out = []
    for year in years:
        begins = _midnight_us(date(year, first, 1))
        ends = _midnight_us(date(year, last, calendar.monthrange(year, last)[1])) + DAY_US
        own = counts & (time_us >= begins) & (time_us < ends)
        if own.any() and (time_us[-1] >= ends or not (counts & (time_us < begins)).any()):
            out.append(own)
    return out


def _around(time_us: Ints, wanted_us: int) -> Bools:
    """Return the readings around a time, else the nearest one; none where it is before the record."""
    near = np.abs(time_us - wanted_us) <= _NEAR_DAYS * DAY_US
    if wanted_us >= time_us[0] and not near.any():
        near[int(np.argmin(np.abs(time_us - wanted_us)))] = True
    return np.asarray(near)


def _after_last_correction(history: History) -> Bools:
    """Return the readings that first show what the last correction left; none where none does."""
    times = history.time_us
    made = [c.time_us for c in history.corrections if c.kind in _CORRECTS and c.time_us <= times[-1]]
    if not made:
        return np.zeros(times.size, dtype=bool)
    later = times >= max(made)
    first_us = int(times[int(np.argmax(later))])
    return np.asarray(later & (times <= first_us + _NEAR_DAYS * DAY_US))


def _midnight_us(day: date) -> int:
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()) * 1_000_000


# ---- How far the axis itself stepped at an event, by the nights on either side alone.
#
# What the axis did is known even where nobody can tell which part did it.


#: Nights used on each side: with more a slow change would enter the step.
_NIGHTS_A_SIDE = 3


def axis_about(nights: Nights, history: History, event: Event) -> tuple[Floats, Floats, Floats] | None:
    """Return the axis (az_error, alt_error) before an event and after it, and the step's sds [arcsec].

    Only nights that no recorded correction separates from the event are used.

    Returns
    -------
    was, now, sd
        Shapes (2,); None when a side has no night with an axis.
    """
    cuts = [correction.time_us for correction in history.corrections]
    earliest = max((t for t in cuts if t <= event.after_us), default=-(2**62))
    latest = min((t for t in cuts if t >= event.before_us), default=2**62)
    seen = [night for night in nights.nights if night.has_axis]
    before = [n for n in seen if earliest <= n.time_us <= event.after_us][-_NIGHTS_A_SIDE:]
    after = [n for n in seen if event.before_us <= n.time_us <= latest][:_NIGHTS_A_SIDE]
    if not before or not after:
        return None
    (was, was_variance), (now, now_variance) = _mean(before), _mean(after)
    return was, now, np.sqrt(was_variance + now_variance)


def axis_step(nights: Nights, history: History, event: Event) -> tuple[Floats, Floats] | None:
    """Return the step of (az_error, alt_error) at an event, with standard deviations, (2,) each [arcsec].

    None as for `axis_about`.
    """
    about = axis_about(nights, history, event)
    return None if about is None else (about[1] - about[0], about[2])


def _mean(nights: list[NightAxis]) -> tuple[Floats, Floats]:
    """Return the weighted mean axis of some nights and its variance; the constants they share cancel."""
    estimates = np.array([night.estimate[:2] for night in nights])
    weights = 1.0 / np.array([np.diag(night.own_covariance)[:2] for night in nights])
    total = weights.sum(axis=0)
    return (weights * estimates).sum(axis=0) / total, 1.0 / total


# ---- Findings: unrecorded events and gradual changes.
#
# Each finding names a part only when the data can tell it.  Two pairs look alike from the sky alone: an
# east tilt and a turn of the mount in azimuth, a north tilt and a change of the mount in altitude.  Where
# the history says that a pair can't be told apart, what moved in it is "undetermined".


#: A gradual change counts when it is this many standard deviations from none.
GRADUAL_SDS = 3.0
#: Pairs that look alike from the sky: tilt component, mount component.
EAST_PAIR = ("tilt_east", "mount_az")
NORTH_PAIR = ("tilt_north", "mount_alt")
#: Corrections after which a component starts anew, so that the change is counted from there.
_RESTARTS = {
    "tilt_north": ("pier",),
    "tilt_east": ("pier",),
    "mount_az": ("remount",),
    "mount_alt": ("remount",),
}
#: The kind of correction that turns a component by a known amount.
_TURNED_BY = {"mount_az": "azimuth", "mount_alt": "altitude"}


@dataclass(frozen=True, kw_only=True)
class Change:
    """How far one component has changed by itself [arcsec], corrections and known steps taken out."""

    component: str
    size: float
    sd: float


@dataclass(frozen=True, kw_only=True)
class Movement:
    """One thing that moved: `part` is "pier", "mount" or "undetermined"; `event` is None when gradual."""

    part: MovedPart
    how: str  # "event", "tilt", "season", "mount", "axis"
    event: Event | None = None
    changes: tuple[Change, ...] = ()


def findings_of(site: PierFile, nights: Nights, history: History) -> tuple[Movement, ...]:
    """Return all that moved unrecorded, the latest events first, then the gradual changes."""
    events = sorted(
        (e for e in history.events if e.is_movement and not e.provisional), key=lambda e: -e.before_us
    )
    found = [Movement(part=event_part(event), how="event", event=event) for event in events]
    found += _gradual_tilt(site, history)
    found += _season(site, history)
    found += _gradual_mount(site, history)
    found += _gradual_axis(site, nights, history, _explained(found, history))
    return tuple(found)


def event_part(event: Event) -> MovedPart:
    """Return what an event moved: "pier", "mount", or "undetermined" when its odds name no part.

    The odds rest on every reading and on the direction of the step (a knob moves along its own axis only);
    they are given with the part.
    """
    of = {Part.MOUNT_AZ: MovedPart.MOUNT, Part.MOUNT_ALT: MovedPart.MOUNT, Part.PIER: MovedPart.PIER}
    return of.get(Part(event.what), MovedPart.UNDETERMINED)


def side_of(component: str, size: float, latitude_deg: float) -> Side:
    """Return the side to which something goes, of the elevated axis end for "mount_az" and "mount_alt".

    Parameters
    ----------
    component
        "tilt_north", "tilt_east", "mount_az" or "mount_alt".
    size
        Signed: north, east, clockwise and up positive.
    latitude_deg
        Geodetic: clockwise is east of a north pole and west of a south pole.
    """
    sides = {
        "tilt_north": (Side.NORTH, Side.SOUTH),
        "tilt_east": (Side.EAST, Side.WEST),
        "mount_az": (Side.EAST, Side.WEST) if latitude_deg >= 0.0 else (Side.WEST, Side.EAST),
        "mount_alt": (Side.UP, Side.DOWN),
    }
    return sides[component][0 if size >= 0.0 else 1]


def pair_of(component: str, history: History) -> Separable:
    """Return how well the pair to which a component belongs can be told apart."""
    if component in EAST_PAIR:
        return history.east_tilt_from_mount_azimuth
    return history.north_tilt_from_mount_altitude


def doubtful_pairs(finding: Movement, history: History) -> tuple[Separable, ...]:
    """Return the pairs that keep an undetermined finding undetermined, the one it moved most first."""
    if finding.event is None:
        components = [change.component for change in finding.changes]
    else:
        size = finding.event.size
        east = math.hypot(size.get("tilt_east", 0.0), size.get("mount_az", 0.0))
        north = math.hypot(size.get("tilt_north", 0.0), size.get("mount_alt", 0.0))
        components = ["tilt_east", "tilt_north"] if east >= north else ["tilt_north", "tilt_east"]
    pairs = [pair_of(component, history) for component in components]
    return tuple(pair for pair in pairs if pair.answer != "yes")


def own_change(history: History, component: str) -> Change | None:
    """Return how far a component has changed apart from corrections and events.

    Returns
    -------
    Change or None
        None when the history holds no two rows to compare.

    Notes
    -----
    The standard deviation adds those of what is taken out as if they were independent, which
    is too large where an event's size and the change share their error.
    """
    column = HISTORY_COLUMNS.index(component)
    known = np.flatnonzero(np.isfinite(history.change[:, column]) & np.isfinite(history.sd[:, column]))
    restarts = [c.time_us for c in history.corrections if _restarts(c, component)]
    # a change that no reading has seen yet
    start_us = max((t for t in restarts if t <= history.time_us[-1]), default=None)
    if start_us is not None:
        known = known[history.time_us[known] >= start_us]
    if known.size < 2:
        return None
    first, last = known[0], known[-1]
    size = float(history.change[last, column] - history.change[first, column])
    variance = float(history.sd[last, column] ** 2 + history.sd[first, column] ** 2)
    for step, step_sd in _steps(history, component, int(history.time_us[first])):
        size, variance = size - step, variance + step_sd**2
    return Change(component=component, size=size, sd=math.sqrt(variance))


def tilt_now(history: History) -> tuple[Floats, Floats] | None:
    """Return the latest tilt since the start that can be told from the mount, (north, east) and sds [arcsec].

    A component whose pair can't be told apart is NaN; None when neither can or nothing is known.
    """
    tilt, sd = np.full(2, np.nan), np.full(2, np.nan)
    for k, component in enumerate(("tilt_north", "tilt_east")):
        column = HISTORY_COLUMNS.index(component)
        known = np.flatnonzero(np.isfinite(history.change[:, column]))
        if known.size and _is_told_apart(pair_of(component, history)):
            tilt[k], sd[k] = history.change[known[-1], column], history.sd[known[-1], column]
    return (tilt, sd) if np.any(np.isfinite(tilt)) else None


def _is_told_apart(pair: Separable) -> bool:
    return pair.answer != "no"


def _restarts(correction: CorrectionFound, component: str) -> bool:
    if correction.kind in _RESTARTS[component]:
        return True
    return correction.kind == _TURNED_BY.get(component) and not _is_number(correction.found)


def _steps(history: History, component: str, start_us: int) -> Iterator[tuple[float, float]]:
    """Yield the steps of a component since `start_us` with their sds: corrections and unrecorded events."""
    for correction in history.corrections:
        turned = correction.kind == _TURNED_BY.get(component) and _is_number(correction.found)
        if turned and correction.time_us > start_us:
            sd = correction.found_sd if _is_number(correction.found_sd) else 0.0
            yield float(correction.found or 0.0), float(sd or 0.0)
        if correction.kind == "tighten" and component in _TURNED_BY and correction.time_us > start_us:
            yield _jump(history, component, correction.time_us), 0.0
    for event in history.events:
        if event.is_movement and event.before_us > start_us:
            size, sd = event.size.get(component, 0.0), event.size_sd.get(component, 0.0)
            if math.isfinite(size) and math.isfinite(sd):
                yield size, sd


def _jump(history: History, component: str, time_us: int) -> float:
    """Return how far a component changed from the last reading before a time to the first after it."""
    column = history.change[:, HISTORY_COLUMNS.index(component)]
    before = np.flatnonzero((history.time_us < time_us) & np.isfinite(column))
    after = np.flatnonzero((history.time_us >= time_us) & np.isfinite(column))
    return float(column[after[0]] - column[before[-1]]) if before.size and after.size else 0.0


def _is_number(value: float | None) -> bool:
    return value is not None and math.isfinite(value)


def _clear(change: Change | None, limit: float) -> bool:
    return change is not None and abs(change.size) > limit and abs(change.size) > GRADUAL_SDS * change.sd


def _own_tilt(history: History, base: Baseline) -> list[Change]:
    """Return how far the tilt has changed by itself since its baseline."""
    out = []
    for k, component in enumerate(("tilt_north", "tilt_east")):
        column = HISTORY_COLUMNS.index(component)
        known = np.flatnonzero(np.isfinite(history.change[:, column]) & np.isfinite(history.sd[:, column]))
        if known.size < 2 or not math.isfinite(base.tilt[k]):
            continue
        size = float(history.change[known[-1], column] - base.tilt[k])
        variance = float(history.sd[known[-1], column] ** 2 + base.sd[k] ** 2)
        for step, step_sd in _steps(history, component, base.until_us):
            size, variance = size - step, variance + step_sd**2
        out.append(Change(component=component, size=size, sd=math.sqrt(variance)))
    return out


def _gradual_tilt(site: PierFile, history: History) -> list[Movement]:
    changes = _own_tilt(history, baseline_of(site, history))
    apart = [change for change in changes if _is_told_apart(pair_of(change.component, history))]
    if not apart:
        return []
    size = math.hypot(*(change.size for change in apart))
    sd = math.sqrt(sum((change.size * change.sd) ** 2 for change in apart)) / size if size > 0.0 else math.inf
    if size > site.warn.tilt_arcsec and size > GRADUAL_SDS * sd:
        return [Movement(part=MovedPart.PIER, how="tilt", changes=tuple(apart))]
    return []


def _season(site: PierFile, history: History) -> list[Movement]:
    seasonal = history.seasonal
    pairs = (history.east_tilt_from_mount_azimuth, history.north_tilt_from_mount_altitude)
    if seasonal is None or not any(_is_told_apart(pair) for pair in pairs):
        return []
    swing, sd = seasonal.peak_to_trough, seasonal.peak_to_trough_sd
    return (
        [Movement(part=MovedPart.PIER, how="season")]
        if swing > max(site.warn.tilt_arcsec, GRADUAL_SDS * sd)
        else []
    )


def _gradual_mount(site: PierFile, history: History) -> list[Movement]:
    found = []
    for component, to_sky in (
        ("mount_az", math.cos(math.radians(site.site.latitude_deg))),
        ("mount_alt", 1.0),
    ):
        change = own_change(history, component)
        limit = site.warn.axis_arcmin * 60.0 / to_sky
        if change is not None and _is_told_apart(pair_of(component, history)) and _clear(change, limit):
            found.append(Movement(part=MovedPart.MOUNT, how="mount", changes=(change,)))
    return found


def _explained(found: list[Movement], history: History) -> set[str]:
    """Return the components of the pairs whose gradual change is already explained."""
    components = {change.component for finding in found for change in finding.changes}
    if any(finding.how == "season" for finding in found):
        components |= {tilt for tilt, _ in (EAST_PAIR, NORTH_PAIR) if _is_told_apart(pair_of(tilt, history))}
    return components


def _gradual_axis(site: PierFile, nights: Nights, history: History, explained: set[str]) -> list[Movement]:
    """Find a gradual change of the axis for which neither part of its pair can be named."""
    latitude = math.radians(site.site.latitude_deg)
    # what all nights share cancels in how far the axis has moved
    first_sd = next((np.sqrt(np.diag(n.own_covariance)[:2]) for n in nights.nights if n.has_axis), None)
    now_sd = history.axis_now_sd if history.axis_now_own_sd is None else history.axis_now_own_sd
    if first_sd is None:
        return []
    pairs, weights = ((EAST_PAIR, math.cos(latitude)), (NORTH_PAIR, 1.0)), axis_weights(latitude)
    found = []
    for k, ((tilt, mount), to_sky) in enumerate(pairs):
        of_tilt, of_mount = own_change(history, tilt), own_change(history, mount)
        if of_tilt is None or of_mount is None or explained & {tilt, mount}:
            continue
        sd = math.hypot(float(now_sd[k]), float(first_sd[k]))
        lever = float(weights[k, HISTORY_COLUMNS.index(tilt)])
        change = Change(component=mount, size=of_mount.size + lever * of_tilt.size, sd=sd)
        if _clear(change, site.warn.axis_arcmin * 60.0 / to_sky):
            found.append(Movement(part=MovedPart.UNDETERMINED, how="axis", changes=(change,)))
    return found
