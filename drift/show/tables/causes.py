"""Tables of what moved: events with their odds, corrections, winters, and the history row by row."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

from drift.advice.correction_words import KNOBS, amount_words
from drift.history.result import COLUMNS
from drift.show import phrases
from drift.show.tables.axis import plate_used
from drift.show.tables.settled import settled_over
from drift.show.tables.table import Table
from drift.show.times import clock_text, zone_of

if TYPE_CHECKING:
    from drift.answer import Answer
    from drift.history.result import CorrectionFound, Event, History, Separable

#: Kinds of correction that are meant to move something by an amount.
_AMOUNTS = (*KNOBS, "shim", "nuts")
_COLUMN_WORDS = {
    "lean_north": "pier lean north",
    "lean_east": "pier lean east",
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


def events_table(answer: Answer) -> Table:
    """Every step that was found, between which readings, what it was with odds, and how large."""
    zone = zone_of(answer.site.site.timezone)
    latitude, write = answer.site.site.latitude_deg, sizes_writer(answer.history.events)
    rows = [
        (
            event_number(k),
            f"{clock_text(event.after_us, zone)} – {clock_text(event.before_us, zone)}",
            event_words(event),
            phrases.odds(event.probability),
            size_words(event, latitude, write),
        )
        for k, event in enumerate(answer.history.events)
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
    provisional = "; seen on one night only so far" if event.provisional else ""
    return f"{what}{sure}{recorded}{provisional}"


def sizes_writer(events: Iterable[Event]) -> phrases.Writer:
    """Return how the sizes of all events are written, in one unit."""
    return phrases.one_unit(
        (event.size[name], event.size_sd.get(name))
        for event in events
        for name in _moved(event) & set(event.size)
    )


def _moved(event: Event) -> set[str]:
    """Return what of an event's size is told: the parts that it may have been."""
    parts = {"pier": {"lean_north", "lean_east"}, "mount_az": {"mount_az"}, "mount_alt": {"mount_alt"}}
    return set().union(*parts.values()) if event.what == "undetermined" else parts.get(event.what, set())


def size_words(event: Event, latitude_deg: float, write: phrases.Writer = phrases.any_angle) -> str:
    """Return the size of the step in each part that it may have been, in words."""
    size, sd, moved = event.size, event.size_sd, _moved(event)
    words = []
    if "lean_north" in moved:
        sides = ("lean_north", "north", "south"), ("lean_east", "east", "west")
        words += [
            f"lean {phrases.lean_words(size.get(name), sd.get(name), one, other, write)}"
            for name, one, other in sides
        ]
    if "mount_az" in moved:
        turned = phrases.mount_azimuth_words(size.get("mount_az"), sd.get("mount_az"), latitude_deg, write)
        words.append("turned " + turned)
    if "mount_alt" in moved:
        tilted = phrases.mount_altitude_words(size.get("mount_alt"), sd.get("mount_alt"), write)
        words.append("tilted " + tilted)
    told = [text for text in words if not text.endswith(phrases.NOT_KNOWN)]
    if told:
        return "; ".join(told)
    return "the axis itself did not move" if event.what == "zero" else "size not known"


def corrections_table(answer: Answer) -> Table:
    """Every recorded correction: what was asked, what was found, and whether it held."""
    zone = zone_of(answer.site.site.timezone)
    latitude = answer.site.site.latitude_deg
    rows = [
        (
            correction_mark(k),
            clock_text(found.time_us, zone),
            phrases.CORRECTION_WORDS.get(found.kind, phrases.harmless(found.kind)),
            asked_words(found, latitude),
            found_words(found, latitude),
            held_words(found),
            phrases.harmless(found.note),
        )
        for k, found in enumerate(answer.history.corrections)
    ]
    return Table(
        "Corrections",
        ("mark", "when", "what", "asked", "found", "held", "note"),
        tuple(rows),
        note="Azimuth amounts are angles along the horizon.",
    )


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


def winters_table(answer: Answer) -> Table:
    """Each winter: how far it swung the pier, what it left behind, and how much of that is settlement."""
    south = answer.site.site.latitude_deg < 0.0
    rows = []
    for winter in answer.history.winters:
        settled, settled_sd = settled_over(answer.history, winter, south)
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
    """Return whether a winter's swing came back, what goes on all year not counted against it.

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


def apart_table(answer: Answer) -> Table:
    """Which causes these data can tell apart, why, and what would settle the rest."""
    history = answer.history
    rows = [
        _apart("east lean from mount azimuth", history.east_lean_from_mount_azimuth),
        _apart("north lean from mount altitude", history.north_lean_from_mount_altitude),
    ]
    return Table(
        "What can be told apart",
        ("what", "answer", "because", "what would settle it"),
        tuple(rows),
        note="No reading can tell a turn of the pier itself about the vertical from the mount's azimuth."
        + named_all_the_same(history, " "),
    )


def named_all_the_same(history: History, before: str = "") -> str:
    """Say why a step has a name though slow movement can't be told apart; "" where there is none such."""
    pairs = (
        (history.east_lean_from_mount_azimuth, "mount_az"),
        (history.north_lean_from_mount_altitude, "mount_alt"),
    )
    steps = {event.what for event in history.events}
    if not any(pair.answer != "yes" and steps & {"pier", part} for pair, part in pairs):
        return ""
    return (
        f"{before}That is of slow movement. A step can be named all the same: its odds rest on how sudden it "
        "was and which way it went, as a knob slips along its own axis only."
    )


def _apart(what: str, separable: Separable) -> tuple[str, ...]:
    return what, separable.answer, separable.because, separable.would_settle_it or "–"


def history_table(answer: Answer) -> Table:
    """The change of pier and mount since the start, row by row, the latest first."""
    zone = zone_of(answer.site.site.timezone)
    history = answer.history
    columns = [k for k, name in enumerate(COLUMNS) if plate_used(history) or not name.startswith("plate")]
    rows = [
        (
            clock_text(history.time_us[i], zone),
            *(phrases.plain_pair(history.change[i, k], history.sd[i, k]) for k in columns),
        )
        for i in range(len(history.time_us))[::-1]
    ]
    return Table(
        "Pier and mount since the start",
        ("when", *(f'{_COLUMN_WORDS[COLUMNS[k]]} ["]' for k in columns)),
        tuple(rows),
        numeric=frozenset(range(1, len(columns) + 1)),
        note=(
            "Change in arcseconds since the earliest night with a usable axis, "
            "± one standard deviation of the difference. "
            "Mount azimuth is positive clockwise seen from above, mount altitude positive upward."
        ),
    )
