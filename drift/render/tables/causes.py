"""Tables of what moved: events with their odds, corrections, winters, and the history row by row."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.misrecorded import Suspect, suspects
from drift.codes import CauseKind
from drift.history.components import AFTER, BEFORE, MID_WINTER_NORTH, MID_WINTER_SOUTH, time_shares
from drift.quantities import DAY_US, YEAR_DAYS, Bools, Floats
from drift.render import phrases
from drift.render.history_words import because_words, settle_words
from drift.render.phrases import KNOBS, amount_words, clock_text, zone_of
from drift.render.tables.axis import Table, plate_used
from drift.types import HISTORY_COLUMNS

if TYPE_CHECKING:
    from drift.types import Analysis, CorrectionFound, Event, History, Separable, Winter


# ---- How much of what a winter left behind is settlement.


#: The autumn before, where the record began only as winter came: as the history takes it.
_LATE_BEFORE = (-70.0, -30.0)
_NOT_KNOWN = (math.nan, math.nan)


def settled_over(history: History, winter: Winter, south: bool) -> tuple[float, float]:
    """Return the settlement from the autumn before a winter to the summer after, and its sd [arcsec].

    It is taken along the direction of the season, as what a winter left behind is.

    Parameters
    ----------
    history
        With its causes.
    winter
        One of its winters.
    south
        Whether winter is in July.

    Returns
    -------
    tuple of float
        NaN where there is no such cause, no direction, or no reading on either side.

    Notes
    -----
    A settlement's sd grows from the start on, so the sd of a difference is the difference of sds; it is at
    least the uncertainty of the lasting rate times the time between.
    """
    cause = next((one for one in history.causes if one.kind is CauseKind.SETTLEMENT), None)
    bearing = None if history.seasonal is None else history.seasonal.toward_bearing_deg
    if cause is None or bearing is None:
        return _NOT_KNOWN
    known = np.isfinite(cause.change[:, :2]).all(axis=1)
    time_us = history.time_us[known]
    before, after = _sides(time_us, winter, south)
    if not before.any() or not after.any():
        return _NOT_KNOWN
    shares = time_shares(time_us)
    weight = np.where(after, shares, 0.0) / shares[after].sum()
    weight -= np.where(before, shares, 0.0) / shares[before].sum()
    along = np.array([math.cos(math.radians(bearing)), math.sin(math.radians(bearing))])
    value = float(weight @ cause.change[known, :2] @ along)
    return value, _sd(history, weight, cause.sd[known, :2], along, time_us)


def _sides(time_us: np.ndarray, winter: Winter, south: bool) -> tuple[Bools, Bools]:
    """Return the readings of the autumn before and of the summer after, as the history takes them."""
    year = int(winter.winter[:4]) + (0 if south else 1)
    first = (np.datetime64(f"{year}-01-01", "D") - np.datetime64(0, "D")).astype(int)
    days = time_us / DAY_US - first - (MID_WINTER_SOUTH if south else MID_WINTER_NORTH) + 1.0
    before, after = ((days >= low) & (days <= high) for low, high in (BEFORE, AFTER))
    if not before.any():
        before = (days >= _LATE_BEFORE[0]) & (days <= _LATE_BEFORE[1])
    return before, after


def _sd(history: History, weight: Floats, sd: Floats, along: Floats, time_us: np.ndarray) -> float:
    grown = float(np.hypot(*(weight @ np.where(np.isfinite(sd), sd, 0.0) * along)))
    years = float(weight @ (time_us / DAY_US)) / YEAR_DAYS
    rate_sd = 0.0 if history.lasting is None else history.lasting.arcsec_per_year_sd
    return max(grown, rate_sd * years if math.isfinite(rate_sd) else 0.0)


# ---- The tables.


#: Kinds of correction that are meant to move something by an amount.
_AMOUNTS = (*KNOBS, "shim", "nuts")
_COLUMN_WORDS = {
    "tilt_north": "pier tilt north",
    "tilt_east": "pier tilt east",
    "plate_north": "plate north",
    "plate_east": "plate east",
    "mount_az": "mount azimuth",
    "mount_alt": "mount altitude",
}


def event_number(k: int) -> str:
    """Return the mark under which event `k` stands in the tables and the pictures: 1, 2, 3 ..."""
    return str(k + 1)


def correction_mark(k: int) -> str:
    """Return the mark under which correction `k` stands in the tables and the pictures: a ... z, aa ..."""
    mark = ""
    while k >= 0:
        mark = chr(ord("a") + k % 26) + mark
        k = k // 26 - 1
    return mark


def events_table(analysis: Analysis) -> Table:
    """Every step that was found, between which readings, what it was with odds, and how large."""
    zone = zone_of(analysis.site.site.timezone)
    latitude, write = analysis.site.site.latitude_deg, sizes_writer(analysis.history.events)
    rows = [
        (
            event_number(k),
            f"{clock_text(event.after_us, zone)} – {clock_text(event.before_us, zone)}",
            event_words(event),
            phrases.odds(event.probability),
            size_words(event, latitude, write),
        )
        for k, event in enumerate(analysis.history.events)
    ]
    return Table(
        "Events",
        ("no.", "between", "what moved", "odds", "by how much"),
        tuple(rows),
        note="A part is named only when its odds are at least 10 to 1 against the other parts.",
    )


def event_words(event: Event) -> str:
    """Return what moved, how sure that is, and whether it was recorded or is still provisional."""
    what = phrases.PART_WORDS.get(event.what, event.what)
    probability = event.probability.get(event.what)
    sure = "" if probability is None else f", {phrases.likely(probability)}"
    recorded = "; goes with a recorded correction" if event.recorded else ""
    witness = "by one tilt sensor" if event.only_sensor else "on one night"
    provisional = f"; seen {witness} only so far" if event.provisional else ""
    return f"{what}{sure}{recorded}{provisional}"


def sizes_writer(events: Iterable[Event]) -> phrases.Writer:
    """Return how the sizes of all events are written, in one unit."""
    return phrases.one_unit(
        (event.size[name], event.size_sd.get(name))
        for event in events
        for name in _moved(event) & set(event.size)
    )


def _moved(event: Event) -> set[str]:
    """Return the sizes of an event that are shown: of the parts that it may have been."""
    parts = {"pier": {"tilt_north", "tilt_east"}, "mount_az": {"mount_az"}, "mount_alt": {"mount_alt"}}
    return set().union(*parts.values()) if event.what == "undetermined" else parts.get(event.what, set())


def size_words(event: Event, latitude_deg: float, write: phrases.Writer = phrases.any_angle) -> str:
    """Return the size of the step in each part that it may have been, in words, and what followed it."""
    sizes = _parts_in_words(event.size, event.size_sd, _moved(event), latitude_deg, write)
    if not sizes:
        return "the axis itself did not move" if event.what == "zero" else "size not known"
    if event.afterwards is not None:
        sds = event.afterwards_sd or {}
        parts = _parts_in_words(event.afterwards, sds, _moved(event), latitude_deg, write)
        sizes += [f"over the weeks after it: {', '.join(parts)}"] if parts else []
    return "; ".join(sizes)


def _parts_in_words(
    size: Mapping[str, float],
    sd: Mapping[str, float],
    moved: set[str],
    latitude_deg: float,
    write: phrases.Writer,
) -> list[str]:
    """Return by how much each part moved that is known."""
    words = []
    if "tilt_north" in moved:
        sides = ("tilt_north", "north", "south"), ("tilt_east", "east", "west")
        words += [
            f"tilt {phrases.tilt_words(size.get(name), sd.get(name), one, other, write)}"
            for name, one, other in sides
        ]
    if "mount_az" in moved:
        turned = phrases.mount_azimuth_words(size.get("mount_az"), sd.get("mount_az"), latitude_deg, write)
        words.append("turned " + turned)
    if "mount_alt" in moved:
        tilted = phrases.mount_altitude_words(size.get("mount_alt"), sd.get("mount_alt"), write)
        words.append("tilted " + tilted)
    return [text for text in words if not text.endswith(phrases.NOT_KNOWN)]


def corrections_table(analysis: Analysis) -> Table:
    """Every recorded correction: what was asked, what was found, and whether it held."""
    zone = zone_of(analysis.site.site.timezone)
    latitude = analysis.site.site.latitude_deg
    rows = [
        (
            correction_mark(k),
            clock_text(found.time_us, zone),
            phrases.CORRECTION_WORDS.get(found.kind, phrases.harmless(found.kind)),
            asked_words(found, latitude),
            found_words(found, latitude),
            "; ".join(filter(None, (held_words(found), _suspect_words(suspect)))),
            phrases.harmless(found.note),
        )
        for k, (found, suspect) in enumerate(
            zip(analysis.history.corrections, suspects(analysis.site, analysis.history), strict=True)
        )
    ]
    return Table(
        "Corrections",
        ("mark", "when", "what", "asked", "found", "did it work?", "note"),
        tuple(rows),
        note="Azimuth amounts are angles along the horizon.",
    )


def _suspect_words(suspect: Suspect | None) -> str:
    return "" if suspect is None else phrases.misrecorded_words(suspect.wrong, suspect.probability)


def asked_words(found: CorrectionFound, latitude_deg: float) -> str:
    """Return the change that was meant, or that its amount was not given."""
    if found.asked is None or not phrases.known(found.asked):
        return "amount not given" if found.kind in KNOBS else "–"
    return amount_words(found.kind, found.asked, None, latitude_deg)


def found_words(found: CorrectionFound, latitude_deg: float) -> str:
    """Return the change that was found, with its uncertainty."""
    if found.found is None or not phrases.known(found.found):
        return "not known" if found.kind in KNOBS else "–"
    sd = math.nan if found.found_sd is None else found.found_sd
    return amount_words(found.kind, found.found, sd, latitude_deg)


def held_words(found: CorrectionFound) -> str:
    """Return whether a correction held, or why that isn't said; nothing for one that has no amount."""
    if found.held is not None:
        return "yes" if found.held else "no"
    if not phrases.known(found.found):
        return "too early to say" if found.kind in KNOBS else "–"
    if found.asked is None or not phrases.known(found.asked):
        return "can't be told without the amount" if found.kind in _AMOUNTS else "–"
    return "too uncertain to say"


def winters_table(analysis: Analysis) -> Table:
    """Each winter: how far it swung the pier, what it left behind, and how much of that is settlement."""
    south = analysis.site.site.latitude_deg < 0.0
    rows = []
    for winter in analysis.history.winters:
        settled, settled_sd = settled_over(analysis.history, winter, south)
        if not phrases.known(winter.left_behind):
            settled, settled_sd = math.nan, math.nan
        rows.append(
            (
                winter.winter,
                phrases.plain_pair(winter.swing, winter.swing_sd),
                phrases.plain_pair(winter.left_behind, winter.left_behind_sd),
                phrases.plain_pair(settled, settled_sd),
                came_back(winter.left_behind, winter.left_behind_sd, settled, settled_sd),
            )
        )
    return Table(
        "Winter by winter",
        ("winter", 'swing ["]', 'left behind ["]', 'settlement ["]', "came back"),
        tuple(rows),
        numeric=frozenset({1, 2, 3}),
        note=(
            "In arcseconds, ± one standard deviation. What is left behind counts from the autumn before to "
            "the summer after; settlement, which goes on all year, is in it."
        ),
    )


def came_back(left: float, sd: float, settled: float = math.nan, settled_sd: float = math.nan) -> str:
    """Return whether a winter's swing came back, apart from the settlement that goes on all year.

    What is left beside the settlement is as uncertain as both together: taken as independent, which
    says "not wholly" rather too seldom than too often.
    """
    if not phrases.known(left, sd):
        return "not known yet"
    stayed = phrases.has_side(left, sd)
    if not phrases.known(settled, settled_sd):
        return "not wholly" if stayed else "yes, within its uncertainty"
    if phrases.has_side(left - settled, math.hypot(sd, settled_sd)):
        return "not wholly"
    if phrases.has_side(settled, settled_sd):
        return "hidden by settlement"
    return "perhaps settlement" if stayed else "yes, within its uncertainty"


def apart_table(analysis: Analysis) -> Table:
    """Which causes these data can tell apart, why, and what would settle the rest."""
    history = analysis.history
    rows = [
        _apart("east tilt from mount azimuth", history.east_tilt_from_mount_azimuth),
        _apart("north tilt from mount altitude", history.north_tilt_from_mount_altitude),
    ]
    return Table(
        "What can be told apart",
        ("what", "answer", "because", "what would settle it"),
        tuple(rows),
        note="No reading can tell a turn of the pier itself about the vertical from the mount's azimuth."
        + named_all_the_same(history, " "),
    )


def named_all_the_same(history: History, before: str = "") -> str:
    """Return why a step has a name though slow movement can't be told apart; "" where none has."""
    pairs = (
        (history.east_tilt_from_mount_azimuth, "mount_az"),
        (history.north_tilt_from_mount_altitude, "mount_alt"),
    )
    steps = {event.what for event in history.events}
    if not any(pair.answer != "yes" and steps & {"pier", part} for pair, part in pairs):
        return ""
    return (
        f"{before}That is of slow movement. A step can be named all the same: its odds rest on how sudden it "
        "was and which way it went, as a knob slips along its own axis only."
    )


def _apart(what: str, separable: Separable) -> tuple[str, ...]:
    return what, separable.answer, because_words(separable), settle_words(separable) or "–"


def history_table(analysis: Analysis) -> Table:
    """The change of pier and mount since the start, row by row, the latest first."""
    zone = zone_of(analysis.site.site.timezone)
    history = analysis.history
    columns = [
        k for k, name in enumerate(HISTORY_COLUMNS) if plate_used(history) or not name.startswith("plate")
    ]
    rows = [
        (
            clock_text(history.time_us[i], zone),
            *(phrases.plain_pair(history.change[i, k], history.sd[i, k]) for k in columns),
        )
        for i in range(len(history.time_us))[::-1]
    ]
    return Table(
        "Pier and mount since the start",
        ("when", *(f'{_COLUMN_WORDS[HISTORY_COLUMNS[k]]} ["]' for k in columns)),
        tuple(rows),
        numeric=frozenset(range(1, len(columns) + 1)),
        note=(
            "Change in arcseconds since the earliest night with a usable axis, "
            "± one standard deviation of the difference. "
            "Mount azimuth is positive clockwise seen from above, mount altitude positive upward."
        ),
    )
