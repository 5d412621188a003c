"""What is recorded by hand or imported, in words: the outcome, and what to mind."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from drift.codes import ActKind, ActReason, CorrectionKind
from drift.importer.importing import FileRefused
from drift.render.import_words import error_words
from drift.render.phrases import azimuth_side, clock_text

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from drift.importer.importing import FileImported
    from drift.record.acts import RowEvent, RowHeld
    from drift.site.file import PierFile


# ---- What came of a file's import.


def counts_words(one: FileImported) -> str:
    """Return how many rows of a file went in, and what happened to the others."""
    counts = [counted(one.went_in, "row went in", "rows went in")]
    if one.already_there:
        counts.append(counted(one.already_there, "was there already", "were there already"))
    if one.twice_in_file:
        counts.append(counted(one.twice_in_file, "stood in the file twice", "stood in the file twice"))
    if one.set_aside:
        counts.append(counted(len(one.set_aside), "was set aside", "were set aside"))
    return ", ".join(counts)


def outcome_words(one: FileImported | FileRefused) -> str:
    """Return in one line what came of a file of a watched folder."""
    if isinstance(one, FileRefused):
        return error_words(one.error)
    return f"{one.file}: {counts_words(one)}."


def known_words(files: Sequence[FileImported]) -> str:
    """Return one line on files that were in the record before and hold nothing new."""
    rows = sum(one.already_there for one in files)
    aside = sum(len(one.set_aside) for one in files)
    more = f", and {counted(aside, 'is', 'are')} set aside as before" if aside else ""
    files_text = counted(len(files), "file holds", "files hold")
    return f"{files_text} nothing new: their {rows:,} rows are in the record{more}."


def left_out_words(one: FileImported) -> str:
    """Return how many values were left out of rows that went in; "" for none."""
    if not one.left_out:
        return ""
    return f"{counted(len(one.left_out), 'value was', 'values were')} left out of rows that went in"


def counted(number: int, one: str, many: str) -> str:
    """Return a number with its noun and verb."""
    return f"{number:,} {one if number == 1 else many}"


# ---- What is recorded by hand.


Row = Mapping[str, str]

#: Kind of correction -> what was done.
DONE_WORDS: dict[str, str] = {
    CorrectionKind.AZIMUTH: "azimuth knob turned",
    CorrectionKind.ALTITUDE: "altitude knob turned",
    CorrectionKind.SHIM: "shim put in or taken out",
    CorrectionKind.NUTS: "levelling nuts turned",
    CorrectionKind.TIGHTEN: "bolts or knobs tightened",
    CorrectionKind.SERVICE: "instrument serviced: its constants restart",
    CorrectionKind.REMOUNT: "mount taken off and put back: constants, zeros and position restart",
    CorrectionKind.ZERO: "home switch or encoder moved: the hour-angle zero restarts",
    CorrectionKind.PIER: "work on the pier itself",
    CorrectionKind.CRACK: "crack seen in the pier or its foundation",
}

#: Said after a correction about the next one; the advice said it before this one.
CAUTION = (
    "If you go on and loosen another bolt or knob: power off, support the load first, and never loosen all "
    "bolts at once."
)
#: Kinds of correction that often take more than one turn, and for which something is loosened.
LOOSENED = frozenset({"azimuth", "altitude", "shim", "nuts"})
#: How far from a bolt of the site file a bearing may be without a remark [deg].
_BOLT_LEEWAY_DEG = 15.0
_TURNED = "read with the instrument turned end for end, so that the signs are the other way round"
#: Two equal corrections nearer together than this may be one that was written down twice [us].
_ALIKE_US = 2 * 86_400_000_000
_AMOUNTS = ("amount_arcmin", "bearing_deg", "thickness_mm", "turns")


def alike(now: Sequence[RowHeld], before: Sequence[RowHeld], zone: ZoneInfo) -> Iterator[str]:
    """Yield a question when the record has an equal correction at nearly the same time."""
    known = {row.row_id for row in before}
    for new in now:
        wanted = _amounts(new)
        if new.row_id in known or wanted == _amounts(None):
            continue
        for old in before:
            near = abs(old.values["time_us"] - new.values["time_us"]) <= _ALIKE_US
            if old.in_use and near and _amounts(old) == wanted and old.values["kind"] == new.values["kind"]:
                when = clock_text(old.values["time_us"], zone)
                yield (
                    f"Row {old.row_id} is a correction just like it, at {when}.  If both are one and the "
                    f"same, it counts twice: `drift record withdraw {old.row_id}` takes one out."
                )


def _amounts(row: RowHeld | None) -> list[Any]:
    return [None if row is None else row.values[name] for name in _AMOUNTS]


def remarks(rows: Sequence[Row], site: PierFile) -> Iterator[str]:
    """Yield what keeps shims or nuts from giving the tilt that they were meant to."""
    kind, plate = rows[0].get("kind"), site.plate
    if kind not in ("shim", "nuts"):
        return
    needed = ["bolt_circle_mm", "bolt_bearings_deg", *(["thread"] if kind == "nuts" else [])]
    lacking = [key for key in needed if getattr(plate, key) is None]
    if lacking:
        yield (
            f"{site.path}, [plate] does not give {', '.join(lacking)}: how far this should have tilted the "
            "plate can't be worked out, so it is only estimated from the readings around it."
        )
    bolts = plate.bolt_bearings_deg or ()
    for row in rows if bolts else ():
        bearing = float(row["bearing_deg"])
        apart = {bolt: abs((bolt - bearing + 180.0) % 360.0 - 180.0) for bolt in bolts}
        nearest = min(apart, key=lambda bolt: apart[bolt])
        if apart[nearest] > _BOLT_LEEWAY_DEG:
            yield (
                f"{site.path}, [plate] has no bolt at bearing {bearing:g}: it is counted as the bolt at "
                f"{nearest:g}, the nearest one.  See that the bearings there are right."
            )


def words(table: str, rows: Sequence[Row], site: PierFile, brief: bool = False) -> str:
    """Return the rows of one correction or level reading in words.

    `brief` is for one of many in a list, below which a remark explains "turned" once.
    """
    if table == "levels":
        return _level_words(rows[0], "turned" if brief else _TURNED)
    if table == "alignments":
        return _alignment_words(rows[0], site.site.latitude_deg)
    kind = rows[0]["kind"]
    if kind == "azimuth":
        return _azimuth_words(rows[0]["amount_arcmin"], site.site.latitude_deg) + _turned_words(rows[0])
    if kind == "altitude":
        return _altitude_words(rows[0]["amount_arcmin"]) + _turned_words(rows[0])
    if kind == "shim":
        return (
            "; ".join(_bolt_words(row, "thickness_mm", "mm", ("put in", "taken out")) for row in rows) + "."
        )
    if kind == "nuts":
        return "; ".join(_bolt_words(row, "turns", "turns", ("raised", "lowered")) for row in rows) + "."
    return f"{DONE_WORDS[kind]}."


def _azimuth_words(amount: str, latitude_deg: float) -> str:
    pole, toward, back = ("north", "east", "west") if latitude_deg >= 0 else ("south", "west", "east")
    if not amount:
        return "azimuth re-aligned by an unknown amount, to be estimated from the readings before and after."
    turn, side = ("clockwise", toward) if float(amount) >= 0 else ("anticlockwise", back)
    return (
        f"azimuth {float(amount):+g} arcmin, that is the axis's raised ({pole}) end moved {turn} seen from "
        "above, "
        f"toward {side} (positive is clockwise)."
    )


def _altitude_words(amount: str) -> str:
    if not amount:
        return "altitude re-aligned by an unknown amount, to be estimated from the readings before and after."
    direction = "up" if float(amount) >= 0 else "down"
    return f"altitude {float(amount):+g} arcmin, that is the axis's raised end moved {direction}."


def _turned_words(row: Row) -> str:
    way = row.get("knob_way")
    return f"  The knob was turned {way}, as you face it." if way else ""


def _alignment_words(row: Row, latitude_deg: float) -> str:
    azimuth, altitude = float(row["az_error_arcmin"]), float(row["alt_error_arcmin"])
    side = azimuth_side(azimuth, latitude_deg)
    sigma = f" ± {float(row['sigma_arcmin']):g}" if row.get("sigma_arcmin") else ""
    return (
        f"axis {abs(azimuth):g} arcmin {side} of the pole and {abs(altitude):g} arcmin too "
        f"{'high' if altitude >= 0.0 else 'low'}{sigma}."
    )


def _bolt_words(row: Row, column: str, unit: str, up_and_down: tuple[str, str]) -> str:
    amount = float(row[column])
    direction = up_and_down[0 if amount >= 0 else 1]
    return f"bolt at bearing {float(row['bearing_deg']):g}: {abs(amount):g} {unit} {direction}"


def is_turned(row: Mapping[str, Any]) -> bool:
    """Tell whether a level was read turned end for end, by a row's text or its values."""
    return bool(row["face_deg"]) and float(row["face_deg"]) == 180.0


def _level_words(row: Row, said_of_turned: str) -> str:
    turned = is_turned(row)
    sign = -1.0 if turned else 1.0
    north, east = sign * float(row["tilt_north_arcsec"]), sign * float(row["tilt_east_arcsec"])
    tilts = (
        f"tilt {abs(north):g} arcsec toward {'north' if north >= 0 else 'south'} and {abs(east):g} arcsec "
        "toward "
        f"{'east' if east >= 0 else 'west'}"
    )
    place = f" of the {row['place'].lower()}" if row["place"] else " of the pier (no --place was given)"
    face = f" ({said_of_turned})" if turned else ""
    return f"{tilts}{place}{face}."


_REASONS: dict[str, str] = {
    ActReason.WRITTEN_AGAIN: "written down again",
    ActReason.READ_OTHERWISE: "read another way by a later import",
    ActReason.CUT_SHORT: "cut short while its file was being written",
}


def reason_words(reason: str) -> str:
    """Return why an act was done: in its owner's words, or by the program's reason."""
    return _REASONS.get(reason, reason)


_EVENTS = {ActKind.WITHDREW: "withdrawn", ActKind.PUT_BACK: "put back"}


def event_words(event: RowEvent, zone: ZoneInfo) -> str:
    """Return in words what was done to a row, when and why."""
    what = _EVENTS.get(event.what, str(event.what))
    if event.other_row_id is not None:
        what = f"changed, now row {event.other_row_id}"
    why = f": {reason_words(event.reason)}" if event.reason else ""
    return f"{what} on {clock_text(event.time_us, zone)}{why}"


def as_text(row: RowHeld) -> dict[str, str]:
    """Return a row as the columns of a log, in text that reads back to the same values."""
    return {
        name: ""
        if value is None or value != value
        else repr(value)
        if isinstance(value, float)
        else str(value)
        for name, value in row.values.items()
        if name not in ("row_id", "time_us")
    }


def whole_time(time_us: int) -> str:
    """Return a time to the microsecond, as a log has it."""
    from drift.quantities import as_utc

    return as_utc(time_us).isoformat().replace("+00:00", "Z")
