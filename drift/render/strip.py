"""The strip: the pier's tilt and the mount's position on it, on one scale, against the limits.

One arcsecond has the same height in both tracks, and no track shows less than its limit, so that a steady
pier looks steady.  The pier's track is how far its top has tilted from its baseline; the mount's is how far
azimuth and altitude are from where they were last set.  What can't be told apart is drawn as the axis,
which may be either.  `drift.render.figures.strip` draws it as a picture.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.movement import axis_step, pair_of
from drift.codes import Answer, CorrectionKind, LimitName, Part
from drift.mount.axis_error import axis_error, axis_error_sd
from drift.quantities import DAY_US, Floats, Ints, as_utc, local_date, reading_date
from drift.render import phrases
from drift.render.phrases import KNOBS, zone_of
from drift.types import HISTORY_COLUMNS
from drift.watch.limits import limits_of

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from drift.types import Analysis, CorrectionFound, Event, History
    from drift.watch.limits import Limit


# ---- What the strip shows, as numbers.


#: Said where there is nothing to show.
NOTHING = "A movement shows from the second night on, or the second level reading."
#: Least span of nights for a forecast of the year [days].
LEAST_SPAN_DAYS = 60.0
#: Largest share of the strip's length for the forecast.
_AHEAD_SHARE = 0.25
#: Standard deviations that hold 80 % of the possible outcomes.
_BAND_SDS = 1.2816
#: The mount's track shows at most so many limits to either side: it may have been set from far off.
_MOST_LIMITS = 1.6
#: Share of the limit that is shown on the side to which the mount did not go.
_OTHER_SIDE = 0.4
_TILT = tuple(HISTORY_COLUMNS.index(name) for name in ("tilt_north", "tilt_east"))


@dataclass(frozen=True)
class Curve:
    """One line of a track: its name, its hue, and a value with its sd at each time [arcsec]."""

    name: str
    hue: str
    time_us: Ints = field(repr=False)
    value: Floats = field(repr=False)
    sd: Floats = field(repr=False)
    dashed: bool = False


@dataclass(frozen=True)
class Mark:
    """An unrecorded step, or a correction: when, in words, and how large [arcsec]."""

    time_us: int
    words: str
    size: float
    corrected: bool
    of_pier: bool


@dataclass(frozen=True)
class Ahead:
    """How far the pier will have tilted: the expected path and the edges of the 80 % band [arcsec]."""

    time_us: Ints = field(repr=False)
    middle: Floats = field(repr=False)
    low: Floats = field(repr=False)
    high: Floats = field(repr=False)


@dataclass(frozen=True)
class Track:
    """One track: what it is called, how it stands now in words, its curves, and its limit [arcsec]."""

    name: str
    now: str
    curves: tuple[Curve, ...]
    limit: float
    signed: bool
    ahead: Ahead | None = None


@dataclass(frozen=True)
class Strip:
    """Both tracks, what happened, the winters (name, from, until), and the span of time [us]."""

    tracks: tuple[Track, ...]
    marks: tuple[Mark, ...]
    winters: tuple[tuple[str, int, int], ...]
    from_us: int
    until_us: int
    last_us: int
    today_us: int | None  # None where it lies beyond the strip


def strip_of(analysis: Analysis) -> Strip | None:
    """Return what the strip shows; None where no change of pier or mount is known."""
    tracks = tuple(track for track in (_pier(analysis), _mount(analysis)) if track is not None)
    times = [int(t) for track in tracks for curve in track.curves for t in curve.time_us[[0, -1]]]
    if not times:
        return None
    first, last = min(times), max(times)
    ahead = [int(track.ahead.time_us[-1]) for track in tracks if track.ahead is not None]
    now = last if analysis.now_us is None else max(int(analysis.now_us), last)
    reach = max(ahead, default=last + int(_AHEAD_SHARE * (last - first)) + 14 * DAY_US)
    today = now if analysis.now_us is not None and now <= reach else None
    until = max([last, *([today] if today else []), *ahead])
    marks = tuple(sorted(_marks(analysis), key=lambda mark: mark.time_us))
    south = analysis.site.site.latitude_deg < 0.0
    return Strip(tracks, marks, winters_between(first, until, south), first, until, last, today)


def winters_between(first_us: int, until_us: int, south: bool) -> tuple[tuple[str, int, int], ...]:
    """Return the winters that touch a stretch of time: name, begin and end [us].

    A winter is December to February, south of the equator June to August, as the weather services have it
    (common practice).
    """
    found = []
    for year in range(as_utc(first_us).year - 1, as_utc(until_us).year + 1):
        begin, end = (6, (year, 9)) if south else (12, (year + 1, 3))
        name = str(year) if south else f"{year}-{(year + 1) % 100:02d}"
        start_us, end_us = (
            int(datetime(y, m, 1, tzinfo=UTC).timestamp()) * 1_000_000 for y, m in ((year, begin), end)
        )
        if end_us > first_us and start_us < until_us:
            found.append((name, max(start_us, first_us), min(end_us, until_us)))
    return tuple(found)


def _is_known(analysis: Analysis, component: str) -> bool:
    return pair_of(component, analysis.history).answer != Answer.NO


def _pier(analysis: Analysis) -> Track | None:
    """Return how far the pier has tilted, as the watched limit counts it; None if unknown."""
    limit = next((one for one in limits_of(analysis) if one.name is LimitName.TILT), None)
    if limit is None or len(limit.values) < 2:
        return None
    known = [_is_known(analysis, name) for name in ("tilt_north", "tilt_east")]
    part = "" if all(known) else " north-south" if known[0] else " east-west"
    base = np.zeros(2) if limit.baseline is None else np.nan_to_num(limit.baseline.tilt)
    longitude = analysis.site.site.longitude_deg
    since = phrases.baseline_words({} if limit.baseline is None else limit.baseline.values(longitude))
    curve = Curve("tilt", "pier", limit.times_us, limit.values, limit.sds)
    now = _tilt_now(analysis, limit, known, base)
    return Track(
        f"Pier tilt{part} since {since}", now, (curve,), limit.limit, False, _ahead(analysis, known, base)
    )


def _tilt_now(analysis: Analysis, limit: Limit, known: Sequence[bool], base: Floats) -> str:
    size, sd = float(limit.values[-1]), float(limit.sds[-1])
    if not phrases.has_side(size, sd):
        return f"{phrases.any_angle(size, sd)}, no direction can be told"
    row = int(np.flatnonzero(analysis.history.time_us == limit.times_us[-1])[0])
    change = analysis.history.change[row, list(_TILT)] - base
    north, east = (float(value) if one else 0.0 for value, one in zip(change, known, strict=True))
    return f"{phrases.any_angle(size, sd)} {phrases.compass(math.degrees(math.atan2(east, north)))}"


def has_outlook(history: History) -> bool:
    """Whether the readings span long enough for a forecast of the year."""
    times = history.time_us
    return (
        history.forecast is not None and len(times) > 1 and times[-1] - times[0] >= LEAST_SPAN_DAYS * DAY_US
    )


def _ahead(analysis: Analysis, known: Sequence[bool], base: Floats) -> Ahead | None:
    made, history = analysis.history.forecast, analysis.history
    if made is None or not has_outlook(history):
        return None
    span_us = int(history.time_us[-1] - history.time_us[0])
    reach = int(history.time_us[-1]) + max(int(span_us * _AHEAD_SHARE / (1.0 - _AHEAD_SHARE)), 30 * DAY_US)
    shown = made.time_us <= reach
    if shown.sum() < 2:
        return None
    tilt, sd = (series[shown][:, list(known)] for series in (made.tilt - base, made.tilt_sd))
    middle = np.hypot.reduce(tilt, axis=1)
    # along the tilt; a tilt of next to nothing has no direction, and takes the mean of both
    along = np.sqrt(np.sum((tilt * sd) ** 2, axis=1)) / np.maximum(middle, 1e-9)
    spread = _BAND_SDS * np.where(middle > 1e-6, along, sd.mean(axis=1))
    return Ahead(made.time_us[shown], middle, np.clip(middle - spread, 0.0, None), middle + spread)


def _mount(analysis: Analysis) -> Track | None:
    """Return how far the mount is from where it was last set; as the axis, if they can't be told apart."""
    history = analysis.history
    latitude = math.radians(analysis.site.site.latitude_deg)
    axis, axis_sd = axis_error(history.change, latitude), axis_error_sd(history.sd, latitude)
    curves, words_so_far = [], []
    for k, (name, component, kind) in enumerate(
        (("azimuth", "mount_az", CorrectionKind.AZIMUTH), ("altitude", "mount_alt", CorrectionKind.ALTITUDE))
    ):
        told, column = _is_known(analysis, component), HISTORY_COLUMNS.index(component)
        value, sd = (
            (history.change[:, column], history.sd[:, column]) if told else (axis[:, k], axis_sd[:, k])
        )
        known = np.isfinite(value)
        if known.sum() < 2:
            continue
        times, value, sd = history.time_us[known], value[known], np.nan_to_num(sd[known])
        at = _last_set(analysis, times, kind)
        hue, called = ("mount", name) if told else ("axis", f"{name}, pier or mount")
        curves.append(Curve(called, hue, times, value - value[at], sd, dashed=k == 1))
        moved, set_us = float(value[-1] - value[at]), int(times[at])
        words = _moved_words(analysis, (name, component), moved, float(sd[-1]), set_us)
        words_so_far += [words] if words else []
    if not curves:
        return None
    of_axis = all(curve.hue == "axis" for curve in curves)
    head = "Axis" if of_axis else "Mount on the pier"
    since = "since it was last set" if len(history.corrections) else "since the start"
    limit = 60.0 * analysis.site.warn.axis_arcmin
    return Track(
        f"{head}, {since}", ", ".join(words_so_far) or "no movement seen", tuple(curves), limit, True
    )


def _last_set(analysis: Analysis, times: Ints, kind: CorrectionKind) -> int:
    """Return the first reading after the latest correction of a coordinate; the first of all without one."""
    sets = (kind, CorrectionKind.REMOUNT)
    after = [found.time_us for found in analysis.history.corrections if found.kind in sets]
    at = int(np.searchsorted(times, max(after, default=int(times[0]))))
    return min(at, len(times) - 1)


def _moved_words(analysis: Analysis, called: tuple[str, str], moved: float, sd: float, set_us: int) -> str:
    """Return how far a coordinate has moved since it was set; "" where that may be not at all.

    Where a slip explains all of it, the slip is told as in the list of events.
    """
    name, component = called
    if abs(moved) < max(phrases.SIDE_SDS * sd, 0.5):
        return ""
    slips = [
        event
        for event in analysis.history.events
        if event.is_movement and str(event.what) == component and event.after_us >= set_us
    ]
    if len(slips) == 1:
        size, size_sd = slips[0].size[component], slips[0].size_sd[component]
        if not phrases.has_side(moved - size, math.hypot(sd, size_sd)):
            return f"slipped {short_angle(abs(size))} {_side(analysis, name, size)}, steady since"
    return f"{phrases.plain_angle(abs(moved))} {_side(analysis, name, moved)}"


def _side(analysis: Analysis, name: str, change: float) -> str:
    if name == "azimuth":
        return phrases.azimuth_side(change, analysis.site.site.latitude_deg)
    return "up" if change >= 0.0 else "down"


def _marks(analysis: Analysis) -> list[Mark]:
    steps = [event for event in analysis.history.events if event.is_movement]
    marks = [_step_mark(analysis, event) for event in steps]
    return [*marks, *(_correction_mark(analysis, found) for found in analysis.history.corrections)]


def _step_mark(analysis: Analysis, event: Event) -> Mark:
    """Return a step in words: a pier tips, a mount slips."""
    witness = "sensor only" if event.only_sensor else "one night"
    size, once = event.size, f" ({witness})" if event.provisional else ""
    if event.what == Part.PIER:
        north, east = size.get("tilt_north", 0.0), size.get("tilt_east", 0.0)
        length = math.hypot(north, east)
        words = f"tip {short_angle(length)} {phrases.compass(math.degrees(math.atan2(east, north)))}"
    elif event.what in (Part.MOUNT_AZ, Part.MOUNT_ALT):
        name = "azimuth" if event.what == Part.MOUNT_AZ else "altitude"
        length = size.get(str(event.what), 0.0)
        words = f"slip {short_angle(abs(length))} {_side(analysis, name, length)}"
    else:
        moved = axis_step(analysis.nights, analysis.history, event)
        length = float(np.hypot(*moved[0])) if moved is not None else math.nan
        words = f"step{'' if moved is None else f' {short_angle(length)}'}, pier or mount"
    return Mark(event.before_us, words + once, abs(length), False, event.what == Part.PIER)


def _correction_mark(analysis: Analysis, found: CorrectionFound) -> Mark:
    kind, of_pier = str(found.kind), found.kind in ("shim", "nuts", "pier")
    amount = found.found if phrases.known(found.found) else found.asked
    if kind in KNOBS and phrases.known(amount) and amount is not None:
        words = f"corrected {short_angle(abs(amount))} {_side(analysis, kind, amount)}"
        return Mark(found.time_us, words, abs(amount), True, False)
    words = {**_CORRECTED, "azimuth": "re-aligned", "altitude": "re-aligned"}.get(
        kind, phrases.harmless(kind)
    )
    return Mark(found.time_us, words, 0.0, True, of_pier)


_CORRECTED = {
    "shim": "shimmed",
    "nuts": "nuts turned",
    "tighten": "tightened",
    "service": "serviced",
    "remount": "remounted",
    "zero": "zero moved",
    "pier": "work on the pier",
    "crack": "crack seen",
}


def mark_day(mark: Mark, analysis: Analysis) -> str:
    """Return the day of a correction, or by when a step had happened."""
    if mark.corrected:
        return local_date(mark.time_us, zone_of(analysis.site.site.timezone))
    return f"by {reading_date(mark.time_us, analysis.site.site.longitude_deg)}"


def short_angle(size: float) -> str:
    """Return ``117"`` or, from ten arcminutes on, ``12'``."""
    return f'{size:.0f}"' if size < 600.0 else f"{size / 60.0:.0f}'"


def frames_of(strip: Strip) -> list[tuple[float, float]]:
    """Return the range that each track shows: never less than its limit [arcsec]."""
    found = []
    for track in strip.tracks:
        ends = [end for curve in track.curves for end in _ends_of(curve)]
        if track.ahead is not None:
            ends.append(float(track.ahead.high.max()))
        low, high = min([0.0, *ends]), max([0.0, *ends])
        if track.signed:
            far = _MOST_LIMITS * track.limit
            low, high = max(low, -far), min(high, far)
            # the whole limit on the side to which it went further, and some of it on the other
            side = 1.0 if high >= -low else -1.0
            low = min(low, -track.limit if side < 0.0 else -_OTHER_SIDE * track.limit)
            high = max(high, track.limit if side > 0.0 else _OTHER_SIDE * track.limit)
        high = max(high, _OTHER_SIDE * track.limit if track.signed else track.limit)
        room = 0.05 * (high - low)
        found.append((low - room, high + room))
    return found


def _ends_of(curve: Curve) -> tuple[float, float]:
    """Return the lowest and the highest value of a curve with its band, vague readings left out."""
    sure = curve.sd <= 4.0 * max(float(np.median(curve.sd)), 0.25)
    return float((curve.value - curve.sd)[sure].min()), float((curve.value + curve.sd)[sure].max())


# ---- The strip in a terminal: braille dots, two to a column and four to a row.


#: Dots of a braille cell by (row, column); the empty cell is U+2800 (Unicode Standard, block 2800).
_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
_EMPTY_CELL = 0x2800
#: Rows of both tracks together, and the least of one.
_ROWS, _LEAST_ROWS = 11, 3
#: Columns left of a track for its scale.
_GUTTER = 6
_WORDS_ROWS = 4


def strip_text(analysis: Analysis, width: int = 80) -> str:
    """Return the strip as text for a terminal.

    Parameters
    ----------
    analysis
        What was worked out for one pier.
    width
        Columns; fewer than 40 are taken for 40.

    Returns
    -------
    str
        Lines of at most `width` columns.  Every row has the same arcseconds in both tracks.
    """
    strip, width = strip_of(analysis), max(width, 40)
    if strip is None:
        return "\n".join(textwrap.wrap(NOTHING, width)) + "\n"
    frames = frames_of(strip)
    scale = sum(high - low for low, high in frames) / (_ROWS if len(frames) > 1 else _ROWS // 2)
    columns = width - _GUTTER - 1
    lines = []
    for track, (low, high) in zip(strip.tracks, frames, strict=True):
        rows = max(math.ceil((high - low) / scale), _LEAST_ROWS)
        lines += textwrap.wrap(f"{track.name}: {track.now}", width)
        lines += _track_text(strip, track, high, scale, (rows, columns))
    lines += _foot_text(strip, columns, zone_of(analysis.site.site.timezone))
    lines += _marks_text(strip, analysis, width)
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _track_text(
    strip: Strip, track: Track, high: float, scale: float, size: tuple[int, int]
) -> Sequence[str]:
    rows, columns = size
    cells = np.zeros((rows, columns), dtype=int)
    for curve in track.curves:
        _dot(cells, strip, curve.time_us, curve.value, high, scale, solid=not curve.dashed)
    if track.ahead is not None:
        _dot(cells, strip, track.ahead.time_us, track.ahead.middle, high, scale, solid=False)
    edges = (track.limit, -track.limit) if track.signed else (track.limit,)
    limits = {math.ceil((high - edge) / scale) - 1 for edge in edges}
    today = None if strip.today_us is None else _column(strip, strip.today_us, columns)
    lines = []
    for row in range(rows):
        top, bottom = high - row * scale, high - (row + 1) * scale
        here = [edge for edge in (0.0, *edges) if bottom <= edge < top]
        label = "" if not here else "0" if here[0] == 0.0 else f'{here[0]:.0f}"'
        drawn = [_cell(cells[row, k], k == today, row in limits) for k in range(columns)]
        lines.append(f"{label:>{_GUTTER}}│{''.join(drawn)}")
    return lines


def _cell(dots: int, today: bool, limit: bool) -> str:
    if dots:
        return chr(_EMPTY_CELL + int(dots))
    return "┃" if today else "┄" if limit else " "


def _column(strip: Strip, time_us: int, columns: int) -> int:
    share = (time_us - strip.from_us) / max(strip.until_us - strip.from_us, 1)
    return min(columns - 1, int(share * columns))


def _dot(
    cells: Ints, strip: Strip, times: Ints, value: Floats, high: float, scale: float, *, solid: bool
) -> None:
    """Set the dots of a curve; every second one where it is not solid."""
    rows, columns = cells.shape
    across = np.linspace(strip.from_us, strip.until_us, 2 * columns)
    inside = np.flatnonzero((across >= times[0]) & (across <= times[-1]))
    before = None
    for k in inside if inside.size else [min(2 * columns - 1, 2 * _column(strip, int(times[-1]), columns))]:
        down = int(4.0 * (high - float(np.interp(across[k], times, value))) / scale)
        reached = sorted((down if before is None else before, down))
        for at in range(reached[0], reached[1] + 1):
            seen = solid or k % 2 == 0 or reached[1] - reached[0] > 3
            if seen and 0 <= at < 4 * rows and (at != before or at == down):
                cells[at // 4, k // 2] |= _DOTS[at % 4][k % 2]
        before = down


def _foot_text(strip: Strip, columns: int, zone: ZoneInfo) -> Sequence[str]:
    """Return the row of winters, and the years below it where they begin."""
    cold, years = [" "] * columns, [" "] * (columns + 8)
    for _, start, end in strip.winters:
        for k in range(_column(strip, start, columns), _column(strip, end, columns) + 1):
            cold[k] = "▒"
    free = 0
    first, last = as_utc(strip.from_us).year, as_utc(strip.until_us).year
    for year in [*range(first + 1, last + 1), first]:
        begins = int(datetime(year, 1, 1, tzinfo=UTC).timestamp()) * 1_000_000
        k = _column(strip, max(begins, strip.from_us), columns)
        if (k >= free or year == first) and k + 4 <= columns and not "".join(years[k : k + 5]).strip():
            years[k : k + 4], free = list(str(year)), k + 6
    return [f"{'winter':>{_GUTTER}}│{''.join(cold)}", f"{'':>{_GUTTER}} {''.join(years)}"]


def _marks_text(strip: Strip, analysis: Analysis, width: int) -> Sequence[str]:
    """Return what happened, the latest first, in a few rows."""
    said = [f"{mark_day(mark, analysis)} {mark.words}" for mark in strip.marks[::-1]]
    said += [] if strip.today_us is None else ["┃ today"]
    return textwrap.wrap("; ".join(said), width, max_lines=_WORDS_ROWS, placeholder=" ...")
