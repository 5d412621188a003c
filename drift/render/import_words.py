"""Words about logs, rows and images that are imported.

A reason follows its subject ("ra_deg = '400' must be ...") and a remark stands alone; neither ends with a
full stop, because the screen decides what follows.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.errors import Doubtful, DriftError, NotSettled, RowRefused
from drift.ingest.mapping import PlaceFrame
from drift.ingest.places import Cure, HoursSeen
from drift.ingest.row_check import Quantity, Slip
from drift.ingest.text import as_text
from drift.ingest.times import DateOrder, TimeForm
from drift.ingest.units import HPA_PER_INHG
from drift.ingest.values import SideMeans
from drift.notices import Code, ImageCode, IngestCode, RecordCode, from_value
from drift.render.column_words import FORM_WORDS, FRAME_WORDS, ORDER_WORDS, SIDE_WORDS, not_settled_words
from drift.render.encode import named
from drift.render.notices import as_data, sentence
from drift.render.phrases import harmless

if TYPE_CHECKING:
    from drift.importer.importing import FilePassedOver
    from drift.importer.mending import NotTaken
    from drift.readings import RowSetAside


Values = Mapping[str, Any]
#: Characters of a cell's value that are shown.
_LONGEST_VALUE = 60
#: Columns named in a remark, and rows in a warning.
_MOST_COLUMNS, _MOST_ROWS = 20, 3
#: So many lists of a document are named.
_LISTS_NAMED = 10


# ---- Rows set aside.


def row_words(row: RowSetAside) -> str:
    """Return where a row was, the value and the reason in one line."""
    what = f"{row.column} = {value_words(row.value)} " if row.column else ""
    where = f"image {row.image}" if row.image else f"line {row.line}"
    return f"{where}: {what}{sentence(row.reason)}"


def rows_words(rows: Sequence[RowSetAside]) -> str:
    """Return how many rows or values were set aside, and the first of them."""
    what = "row or value was" if len(rows) == 1 else "rows or values were"
    named = "; ".join(f"{row.file}, {row_words(row)}" for row in rows[:_MOST_ROWS])
    more = len(rows) - _MOST_ROWS
    rest = f"; and {more} more.  `rows` of this warning has them all" if more > 0 else ""
    return f"{len(rows)} {what} set aside: {named}{rest}"


def error_words(error: DriftError) -> str:
    """Return the sentence of an error; those with data get their words here."""
    if isinstance(error, RowRefused):
        return refused_words(error.row)
    if isinstance(error, Doubtful):
        return f"Not recorded yet: {'; '.join(map(sentence, error.notices))}."
    return not_settled_words(error) if isinstance(error, NotSettled) else as_text(error)


def passed_over_words(one: FilePassedOver) -> str:
    """Say why a document of a folder was passed over: it holds several lists."""
    names = ", ".join(repr(name) for name in one.lists[:_LISTS_NAMED])
    more = ", ..." if len(one.lists) > _LISTS_NAMED else ""
    return (
        f"{one.path}: passed over, for it holds {len(one.lists)} lists ({names}{more}).  If one of them is a "
        "log, save that one as a file of its own."
    )


def row_data(row: RowSetAside) -> dict[str, Any]:
    """Return a row set aside as ``--json`` gives it: with its reason as a sentence, a code and values."""
    reason = as_data(row.reason)
    return {
        **named(row, "file", "line"),
        "image": row.image or None,
        **named(row, "column", "value"),
        "reason": reason["text"],
        "code": reason["code"],
        "values": reason["values"],
        **named(row, "kind", "row_kept", "raw"),
    }


def refused_words(row: RowSetAside) -> str:
    """Return why a row written down by hand was not recorded."""
    reason = sentence(row.reason)
    end = "" if reason.endswith(("?", ".")) else "."
    return f"not recorded: {row.column} = {value_words(row.value)} {reason}{end}"


def not_taken_words(one: NotTaken) -> str:
    """Return why a row of a mended file was not put back."""
    if one.row is None:
        return f"line {one.line}: number {one.number} is not on the list of rows set aside"
    return row_words(one.row)


def value_words(value: str) -> str:
    """Return a cell's value between quotes, a long one shortened."""
    if len(value) <= _LONGEST_VALUE:
        return repr(value)
    return f"{value[:_LONGEST_VALUE]!r}... ({len(value):,} characters)"


# ---- Reasons of rows and values.


_RANGES: dict[str, str] = {
    Quantity.RIGHT_ASCENSION: "at least {low:g} and below {high:g} degrees",
    Quantity.DECLINATION: "from {low:g} to {high:g} degrees",
    Quantity.TEMPERATURE: "from {low:g} to {high:g} degrees Celsius",
    Quantity.PRESSURE: "from {low:.0f} to {high:.0f} hPa at {elevation_m:.0f} m above the sea",
    Quantity.BEARING: "a bearing clockwise from north, from 0 to {high:g} degrees",
    Quantity.POSITION_ANGLE: "from {low:g} to {high:g} degrees",
    Quantity.EXPOSURE: "from {low:g} to {high:.0f} seconds",
    Quantity.SIGMA: "above 0: it is one standard deviation",
    Quantity.OFFSET: "within {high:.0f} arcseconds (10 degrees); is it in arcseconds?",
    Quantity.AXIS_ERROR: "within {high:.0f} arcminutes (10 degrees); is it in arcminutes?",
    Quantity.THICKNESS: "from {low:g} to {high:g} mm",
    Quantity.TURNS: "from {low:g} to {high:g} turns",
    Quantity.SNOW: "from {low:g} to {high:.0f} cm",
    Quantity.FACE: "0 or 180 (180: the instrument turned end for end)",
}
_SLIPS: dict[str, str] = {
    Slip.NONE: "",
    Slip.FULL_TURN: "; write 0 for 360",
    Slip.NEGATIVE_TURN: "; right ascension in degrees runs from 0 to 360, never below 0",
    Slip.FAHRENHEIT: "; is it in degrees Fahrenheit?",
    Slip.KELVIN: "; is it in kelvins?",
    Slip.INCHES_OF_MERCURY: f"; is it in inches of mercury? Multiply by {HPA_PER_INHG:.2f}",
    Slip.SEA_LEVEL: "; is it reduced to sea level? The pressure at the station itself is needed",
}


def _out_of_range(v: Values) -> str:
    return f"must be {_RANGES[v['quantity']].format_map(v)}{_SLIPS[v['slip']]}"


def _order(v: Values) -> str:
    return ORDER_WORDS[DateOrder(v["order"])]


def _with_the_rest(v: Values) -> str:
    """Return with which other rows a row was set aside."""
    return f"was set aside with the rest of the {'images' if 'image' in v else 'file'}"


_REASONS: dict[Code, Callable[[Values], str]] = {
    IngestCode.NOTED_AS_TEXT: lambda v: str(v["text"]),
    IngestCode.TOO_MANY_CELLS: lambda v: (
        f"the row has {v['cells']} cells, the header {v['header_cells']}: quote a text that holds a comma"
    ),
    IngestCode.LINE_CUT: lambda v: (
        "the last line has no line end and is shorter than those above it, as if it had been cut while the "
        "file was being written; it goes in with the whole file"
    ),
    IngestCode.HEADER_AGAIN: lambda v: "the row is the header once more",
    IngestCode.BELOW_OTHER_HEADER: lambda v: (
        f"stands below another header (line {v['header_line']}), whose columns are in another order: put the "
        "rows from there on into a file of their own"
    ),
    IngestCode.MOUNT_IS_SOLVED: lambda v: (
        "is the solved place itself: a program wrote one over the other (a solve that failed, or one written "
        "back), so that the row says nothing of where the mount pointed"
    ),
    IngestCode.SOLVE_FAILED: lambda v: "says that the solve failed, so that its place is none",
    IngestCode.DAY_WITH_GAP: lambda v: (
        f"begins a day of {_counted(v['rows'], 'reading', 'readings')} with a gap of {v['hours']:.0f} "
        "hours, so "
        "that its coldest and warmest hour are not known; a day that is not over goes in with a later import"
    ),
    IngestCode.ROW_IN_FAHRENHEIT: lambda v: "seems to be in degrees Fahrenheit",
    IngestCode.JSON_BROKEN: lambda v: f"the line is no JSON ({v['error']})",
    IngestCode.JSON_NO_OBJECT: lambda v: "the line is JSON, but no object",
    IngestCode.BLANK: lambda v: "is blank, and needed",
    IngestCode.BLANK_FOR_KIND: lambda v: f"is blank, and needed for kind {v['kind']}",
    IngestCode.NOT_ONE_OF: lambda v: f"must be one of: {', '.join(v['allowed'])}",
    IngestCode.NOT_TRUE_OR_FALSE: lambda v: "must be true or false (or 1, 0, yes, no)",
    IngestCode.OUT_OF_RANGE: _out_of_range,
    IngestCode.NUMBER_UNREADABLE: lambda v: "is not a number",
    IngestCode.NUMBER_NOT_FINITE: lambda v: "is not a finite number",
    IngestCode.NUMBER_IN_PARTS: lambda v: (
        "is not a decimal number: write degrees as 123.4567, not in parts of sixty"
    ),
    IngestCode.NUMBER_WITH_COMMA: lambda v: (
        "is not a number here: write a decimal point instead of the comma"
    ),
    IngestCode.NUMBER_WITH_POINT: lambda v: (
        "has a decimal point, where the other numbers of this file have commas"
    ),
    IngestCode.NUMBER_IN_OTHER_UNIT: lambda v: (
        f"is written in another unit than the column's, which is {v['unit']}"
    ),
    IngestCode.PARTS_BEYOND_60: lambda v: (
        "has parts of sixty that do not fit: minutes and seconds stay below 60"
    ),
    IngestCode.TIME_UNREADABLE: lambda v: "is not an ISO 8601 time such as 2024-03-01T22:14:05.5Z",
    IngestCode.TIME_NOT_IN_FORM: lambda v: f"is not a time as {FORM_WORDS[TimeForm(v['form'])]}",
    IngestCode.TIME_NOT_IN_ORDER: lambda v: (
        f"is not a date and time in the order {_order(v)}, hours, minutes, seconds"
    ),
    IngestCode.TIME_WITHOUT_ZONE: lambda v: (
        "has no time zone: write UTC with a Z at the end (2024-03-01T22:14:05Z) or local time with its "
        "offset (2024-03-01T23:14:05+01:00)"
    ),
    IngestCode.TIME_TOO_EARLY: lambda v: "is before 1990: was the clock not set?",
    IngestCode.TIME_IN_FUTURE: lambda v: "is more than a day in the future: was the clock set wrong?",
    IngestCode.HOUR_LEFT_OUT: lambda v: (
        "stands in an hour that the clocks left out when they were put forward: no such time was in "
        f"{v['zone']}"
    ),
    IngestCode.HOUR_REPEATED: lambda v: (
        "stands in the hour that the clocks went through twice when they were put back, and the order of "
        'the rows does not tell which: give repeated_hour "first" or "second"'
    ),
    IngestCode.DATE_UNREADABLE: lambda v: "is not a calendar date such as 2024-03-01",
    IngestCode.DATE_NOT_IN_ORDER: lambda v: f"is not a date in the order {_order(v)}",
    IngestCode.DATE_IN_FUTURE: lambda v: (
        "is more than a day in the future: only weather that has been is used"
    ),
    IngestCode.MIN_ABOVE_MAX: lambda v: (
        f"is above t_max_c = {v['t_max_c']:g}: are the two columns exchanged?"
    ),
    IngestCode.ROW_EXCHANGED: lambda v: "seems to be a right ascension: the columns changed places",
    IngestCode.ROW_WRONG_SIGN: lambda v: (
        "seems to have the wrong sign: the solved and the mount's declinations are opposite"
    ),
    IngestCode.ROW_IN_HOURS: lambda v: "seems to be in hours; multiply by 15 for degrees",
    IngestCode.ROW_FAR_FROM_MOUNT: lambda v: (
        f"belongs to a place {v['apart_deg']:.0f} degrees from the mount's own place: a wrong solve, or a "
        "mount that did not know where it pointed"
    ),
    IngestCode.ROW_BELOW_HORIZON: lambda v: (
        "is when the field was below the horizon at this site: a wrong time zone, longitude sign or another "
        "site's log?"
    ),
    IngestCode.REST_EXCHANGED: lambda v: (
        f"{_with_the_rest(v)}: the mount's places and the solved ones have changed places"
    ),
    IngestCode.REST_FAR_FROM_MOUNT: lambda v: (
        f"{_with_the_rest(v)}: most solves of it lie far from the mount's own place"
    ),
    IngestCode.REST_BELOW_HORIZON: lambda v: (
        f"{_with_the_rest(v)}: {v['rows']} of {v['of_rows']} rows lie below the horizon"
    ),
}


# ---- Remarks on a log as a whole.


_DELIMITERS = {
    ";": "semicolons",
    "\t": "tabs",
    "|": "upright bars",
    "  ": "two or more blanks",
    " ": "blanks",
}


def _counted(number: int, one: str, many: str) -> str:
    return f"{number:,} {one if number == 1 else many}"


def _unused(v: Values) -> str:
    named = [
        f"{value_words(name)[1:-1] if len(name) > _LONGEST_VALUE else name}"
        f"{f' (is it meant for {near}?)' if near else ''}"
        for name, near in zip(v["columns"], v["meant_for"], strict=True)
    ]
    more = len(named) - _MOST_COLUMNS
    rest = f" and {more:,} more" if more > 0 else ""
    return f"not used, but kept with each row as it came: {', '.join(named[:_MOST_COLUMNS])}{rest}"


def _without_mount(v: Values) -> str:
    solves = "1 solve comes" if v["solves"] == 1 else f"{v['solves']} solves come"
    parts = [f"{solves} without the mount's coordinates"]
    for plural in ("sweeps", "runs"):
        count = v.get(plural, 0)
        if count:
            form = f"{count} {plural}" if count > 1 else f"a {plural[:-1]}"
            because = sentence(from_value(v[f"{plural}_because"]))
            parts.append(f"{v[f'solves_of_{plural}']} of them form {form}, found without a label: {because}")
    if v.get("left"):
        because = sentence(from_value(v["left_because"]))
        parts.append(f"{v['left']} can't be used by themselves, for instance because: {because}")
    return "; ".join(parts)


def _instant(time_us: int) -> str:
    return f"{np.datetime64(time_us, 'us').astype('datetime64[m]')}Z"


def _imports(numbers: Sequence[int]) -> str:
    return f"{'import' if len(numbers) == 1 else 'imports'} {', '.join(map(str, numbers))}"


def _day(day: int) -> str:
    return str(np.datetime64(day, "D"))


def _pairs(columns: Sequence[str]) -> str:
    """Name columns of right ascension and declination, a pair after the other."""
    return " and ".join(f"{ra} and {dec}" for ra, dec in zip(columns[::2], columns[1::2], strict=True))


def _wrong_sign(v: Values) -> str:
    names = " or ".join(v["columns"])
    why = "; fewer places are then below the horizon" if len(v["columns"]) == 1 else ""
    return (
        f"{names} seems to have the wrong sign: {' and '.join(v['opposite'])} are opposite, and with the "
        f"sign of one of them turned they agree{why}.  All {v['rows']} rows were set aside.  North is "
        f"positive: turn the sign of {names}, and import the file again"
    )


_HOURS_SEEN: dict[str, str] = {
    HoursSeen.BY_MOUNT: "multiplied by 15 it agrees with the mount's own place",
    HoursSeen.BY_HORIZON: (
        "no value reaches 24, and as degrees some places are below the horizon, multiplied by 15 none"
    ),
}


def _in_hours(v: Values) -> str:
    names = " and ".join(v["columns"])
    seem = "seem" if len(v["columns"]) > 1 else "seems"
    return (
        f"{names} {seem} to be in hours, where degrees belong: {_HOURS_SEEN[v['seen']]}.  All {v['rows']} "
        f"rows were set aside.  Multiply {names} by 15 (or give the column that is in degrees this name), "
        "and import the file again"
    )


def _in_fahrenheit(v: Values) -> str:
    low, high = v["usual_c"]
    seem = (
        "the temperatures seem to be in degrees Fahrenheit under the names of Celsius: their median is "
        f"{v['median_c']:.0f}, where {low:.0f} to {high:.0f} C are usual for this latitude and season, and "
        "turned "
        f"it is {v['turned_c']:.0f} C"
    )
    if not v["all_set_aside"]:
        return f"{seem}.  The rows went in as they are, because it was said in which unit they are"
    return (
        f"{seem}.  All {v['rows']} rows were set aside.  Import the file again with --answer t_min_c.unit=F "
        "--answer t_max_c.unit=F (or =C if they are Celsius after all)"
    )


def _behind_horizon(v: Values) -> str:
    cures = " or with ".join(
        f"reading the times {abs(hours):g} h {'later' if hours > 0 else 'earlier'}" for hours in v["cures_h"]
    )
    advice = f"It would fit with {cures}: was summer time counted, or the zone another one?" if cures else ""
    return (
        (
            f"{v['rows']} of {v['of_rows']} rows lie behind the trees and houses that [horizon] of the site "
            "file gives, "
            f"by {v['margin_deg']:g} degrees or more.  They went in as they are.  {advice}"
        )
        .rstrip()
        .rstrip(".")
    )


def _cure_words(cure: str, v: Values) -> str:
    if cure == Cure.LONGITUDE_SIGN:
        return f"the longitude {-v['longitude_deg']:g} (east is positive)"
    if cure == Cure.LATITUDE_SIGN:
        return (
            f"the latitude {-v['latitude_deg']:g} (north is positive) or with the other sign of the "
            "declinations"
        )
    return f"the times read as local time of {v['zone']} instead of UTC"


def _below_horizon(v: Values) -> str:
    outcome = ", so that none of the file was taken" if v["all_set_aside"] else " and were set aside"
    cures = " or by ".join(_cure_words(cure, v) for cure in v["cures"])
    advice = (
        f"It would fit with {cures}"
        if cures
        else "Check that the longitude is east positive, the times are UTC and the log is of this site"
    )
    return (
        f"{v['rows']} of {v['of_rows']} rows lie below the horizon of this site (latitude "
        f"{v['latitude_deg']:g}, longitude {v['longitude_deg']:g}, east positive) at their time{outcome}.  "
        f"{advice}"
    )


def _doubted_words(v: Values) -> str:
    """Say what speaks against whole logs, and what would have them taken."""
    why = (
        "at this site their fields would lie below the horizon.  See that latitude (north positive) and "
        "longitude (east positive) in the site file are right (`drift site` mends them) and that the times "
        "are UTC, and import the logs again: they are taken then, or it says what would fit"
        if v["below_horizon"]
        else "their places don't go with the mount's own.  `drift import --set-aside` lists them"
    )
    return f"{v['rows']:,} of {v['of_rows']:,} solves were set aside when they were imported: {why}"


def _damaged_words(v: Values) -> str:
    """Say which rows of the record are not what was written, and what the answer rests on."""
    parts = []
    if v["changed"]:
        places = [f"{file}, line {line}" for file, line in zip(v["files"], v["lines"], strict=True)]
        more = v["changed"] - len(places)
        named = "; ".join([*places, *([f"{more:,} more"] if more else [])])
        parts.append(
            f"{_counted(v['changed'], 'row of the record is', 'rows of the record are')} not what was "
            "written "
            f"there ({named})"
        )
    if v["missing"]:
        parts.append(f"{_counted(v['missing'], 'row', 'rows')} can't be found any more")
    return (
        f"The record is damaged: {', and '.join(parts)}.  The answer rests on the rest.  `drift record "
        "check` lists "
        "all of it; `drift restore FILE` puts a backup in its place"
    )


_REMARKS: dict[Code, Callable[[Values], str]] = {
    IngestCode.KIND_BY_COLUMNS: lambda v: f"the header has {', '.join(v['columns'])}",
    IngestCode.MAPPING_KEPT: lambda v: f"by the mapping {v['mapping']!r} in {v['file']}",
    IngestCode.MAPPING_AGREED: lambda v: (
        f"as agreed, and kept as the mapping {v['mapping']!r} in {v['file']}"
    ),
    IngestCode.IMAGES_SOLVED: lambda v: (
        f"the headers of {_counted(v['images'], 'image', 'images')}, {v['solved']:,} of them solved and dated"
    ),
    IngestCode.COLUMNS_UNUSED: _unused,
    IngestCode.COLUMNS_OF_ARRAYS: lambda v: (
        f"columns that hold more than one value a row are passed over: {', '.join(v['columns'])}"
    ),
    IngestCode.READ_AS_UTF16: lambda v: "read as UTF-16 text",
    IngestCode.READ_AS_WESTERN: lambda v: (
        f"not UTF-8 text (line {v['line']}): read as Western European (cp1252); no number depends on it"
    ),
    IngestCode.DELIMITER: lambda v: f"fields are separated by {_DELIMITERS[v['delimiter']]}",
    IngestCode.DECIMAL_COMMA: lambda v: "numbers are read with decimal commas",
    IngestCode.LINES_SKIPPED: lambda v: (
        f"{_counted(v['lines'], 'line', 'lines')} above the header passed over"
    ),
    IngestCode.LINES_WITHOUT_VALUES: lambda v: (
        f"{_counted(v['lines'], 'line', 'lines')} without a time and values passed over"
    ),
    IngestCode.LIST_READ: lambda v: f"the rows are the objects of the list {v['key']}",
    IngestCode.SHEET_READ: lambda v: (
        f"the sheet {v['sheet']!r} of {_counted(v['sheets'], 'sheet', 'sheets')} is read"
    ),
    IngestCode.SIDES_OPPOSITE: lambda v: (
        f"in {100 * v['across']:.0f} of 100 rows the tube would look away from the pier: tube_side seems to "
        "give the side that the tube looks to, where the side that it is on belongs.  The rows went in as "
        "they are; undo the import, and import the file again with --answer tube_side.means=tube_looks_to"
    ),
    IngestCode.COMMENTS_SKIPPED: lambda v: (
        f"{_counted(v['lines'], 'comment line', 'comment lines')} (beginning with #) skipped"
    ),
    IngestCode.PRESSURE_OF_SEA_LEVEL: lambda v: (
        f"pressure_hpa has the median {v['median_hpa']:.0f} hPa, while about {v['usual_hpa']:.0f} hPa is "
        f"usual at {v['elevation_m']:.0f} m: it may be reduced to sea level.  The rows went in as they are; "
        "refraction needs the pressure at the station itself"
    ),
    IngestCode.SETS_LABELLED: lambda v: (
        f"{v['solves']} solves belong to the sweeps or runs that the column {' and '.join(v['columns'])} "
        "names"
    ),
    IngestCode.WITHOUT_MOUNT: _without_mount,
    IngestCode.PLACE_NOT_SAID: lambda v: (
        "no row says what the level stood on, so it is taken to be the pier; a column place with pier, plate "
        "or mount says otherwise"
    ),
    IngestCode.FACES_PAIRED: lambda v: (
        "readings of one place with face 0 and face 180 within an hour are pairs: each counts as one "
        "reading, free of the level's own error"
    ),
    IngestCode.DAYS_LACKING: lambda v: (
        f"{v['days']:,} of the {v['of_days']:,} days from {_day(v['first_day'])} to {_day(v['last_day'])} "
        "have no row that can be used: where no other file has them either, the usual temperature of the "
        "season is taken, led over from the days beside it"
    ),
    IngestCode.HOURS_TO_DAYS: lambda v: (
        f"{_counted(v['rows'], 'reading', 'readings')} of the temperature in the course of "
        f"{_counted(v['days'], 'day', 'days')}: the lowest, highest and mean of each day is taken"
    ),
    IngestCode.IN_FAHRENHEIT: _in_fahrenheit,
    IngestCode.SNOW_FALLS: lambda v: (
        "snow_cm goes away in frost from one day to the next: it seems to be the snow that fell in a day, "
        "where "
        "the depth of the snow on the ground belongs.  The column was not used; the temperatures went in"
    ),
    IngestCode.BEHIND_HORIZON: _behind_horizon,
    IngestCode.EXCHANGED: lambda v: (
        f"{_pairs(v['columns'])} seem to have changed places: many declinations are beyond 90 degrees, and "
        f"exchanged the places are true.  All {v['rows']} rows were set aside.  Give each column the other's "
        "name, and import the file again"
    ),
    IngestCode.WRONG_SIGN: _wrong_sign,
    IngestCode.IN_HOURS: _in_hours,
    IngestCode.MAY_BE_HOURS: lambda v: (
        f"no {' or '.join(v['columns'])} in these {v['rows']} rows reaches 24: if they are in hours, every "
        "answer from them is wrong; then undo the import, multiply by 15 and import the file again.  If all "
        "of it was taken within 24 degrees of right ascension, all is well"
    ),
    IngestCode.FAR_FROM_MOUNT: lambda v: (
        f"{v['solves']} of {v['of_solves']} solves lie more than {v['limit_deg']:.0f} degrees from the "
        "mount's own place, so that none of them was taken.  Check that mount_ra_deg and mount_dec_deg are "
        "the mount's right ascension and declination in degrees, and that they belong to the same exposures"
    ),
    IngestCode.BELOW_HORIZON: _below_horizon,
    IngestCode.ONE_FRAME: lambda v: (
        "the mount's places and the solved ones seem to be in one frame: they should differ by precession, "
        f"and {v['share']:.2f} ± {v['share_sd']:.2f} of it was found.  Either the mount's are in J2000, "
        "where places of date belong, or the solved ones are of date; then every answer from this file is "
        "wrong.  The rows went in as they are: undo the import, and import the file again with --answer "
        "mount_places=ICRS (or places=of_date)"
    ),
    IngestCode.FRAMES_EXCHANGED: lambda v: (
        "the mount's places and the solved ones seem to have changed places: they should differ by "
        f"precession, and {v['share']:.2f} ± {v['share_sd']:.2f} of it was found.  All rows were set aside.  "
        "Give each column the other's name"
    ),
    IngestCode.OTHER_PIERS_FILE: lambda v: (
        f"this file lies with another site file, {v['site_file']}: if it is that pier's, `drift imports` and "
        "`drift imports undo` take it out again"
    ),
    RecordCode.SAME_DAY: lambda v: (
        f"{_counted(v['rows'], 'row is', 'rows are')} of a day that is there with other values; one row a "
        "day is used, the fullest"
    ),
    RecordCode.SAME_READING: lambda v: (
        f"{_counted(v['rows'], 'row is', 'rows are')} the same reading as one that is there, but for side "
        "columns; the fullest row is used"
    ),
    RecordCode.WITHDRAWN_STAYS: lambda v: (
        "1 row was withdrawn earlier and stays out of use"
        if v["rows"] == 1
        else f"{v['rows']:,} rows were withdrawn earlier and stay out of use"
    ),
    RecordCode.SETTLED_SINCE: lambda v: (
        "1 row that was set aside earlier has been mended or dismissed since"
        if v["rows"] == 1
        else f"{v['rows']} rows set aside earlier have been mended or dismissed since"
    ),
    RecordCode.LEVEL_UNLIKE_LAST: lambda v: (
        f"this reading, {v['tilt_arcsec'][0]:g} and {v['tilt_arcsec'][1]:g} arcsec north and east, is "
        f"{v['apart_arcsec']:.0f} arcsec from the last ones of its place ({v['usual_arcsec'][0]:.0f} and "
        f"{v['usual_arcsec'][1]:.0f}): is it in another unit?  A unit may be written with the number, such "
        "as "
        "0.42\u00b0, 25' or 2 mm/m"
    ),
    RecordCode.CORRECTION_UNLIKE_ADVICE: lambda v: (
        f"{v['amount_arcmin']:+g} arcmin of {v['kind']} is far from the {v['advised_arcmin']:+.1f} arcmin "
        "that was "
        "advised last: are amount, unit and sign right?"
    ),
    RecordCode.NOW_BEFORE_LAST: lambda v: (
        f"the clock of this machine says {_instant(v['now_us'])}, before the last reading in the record, "
        f"{_instant(v['last_us'])}: is it set right?  --time gives another time"
    ),
    RecordCode.ROW_COMPLETED: lambda v: (
        f"the row in line {v['line']} had come in cut short, while the file was being written: the whole "
        "one is in its "
        "place"
    ),
    RecordCode.READ_OTHERWISE: lambda v: (
        f"{_counted(v['rows'], 'row of this file was', 'rows of this file were')} in the record as another "
        "reading, of "
        f"{_imports(v['imports'])}, which this one replaces; `drift imports` shows the undoing, and undoing "
        "that brings "
        "the former reading back"
    ),
    RecordCode.LEVELS_FAR_OFF: lambda v: (
        f"these level readings on the {v['place']} differ by {v['apart_arcsec']:.0f} arcsec from those of "
        "the same weeks in the record: are they of another pier or another instrument, or in another unit?  "
        "`drift imports` and `drift imports undo` take them out again"
    ),
    RecordCode.ROWS_DAMAGED: _damaged_words,
    RecordCode.LOGS_DOUBTED: _doubted_words,
    RecordCode.OTHER_SITE_NAME: lambda v: (
        f"The record began as that of {harmless(v['record_name'])!r}, and the site file is that of "
        f"{harmless(v['site_name'])!r}, {v['metres']:,.0f} m away.  If they are two piers, they share one "
        "record and their readings mix: give each a [store] url or [store] pier of its own.  If it is one "
        f"pier under a new name, `drift site --name {harmless(v['site_name'])!r}` notes that"
    ),
}


# ---- Images.


def _quote(v: Values) -> str:
    return f"says {v['keyword']} = {v['value']!r}"


def _by(axes: Sequence[int]) -> str:
    return " x ".join(map(str, axes))


def _no_picture(v: Values) -> str:
    if "axes" not in v:
        return "holds no picture (but tables, or a header alone)"
    return f"is no picture (its axes are {_by(v['axes'])})" if v["axes"] else "holds no picture"


def _far_site(v: Values) -> str:
    text = (
        f"{v['images']} of {v['of_images']} images say that they were taken {v['apart_km']:,.0f} km from the "
        f"site of the site file (latitude {v['latitude_deg']:g}, longitude {v['longitude_deg']:g} in "
        f"OBSGEO-*, against {v['site_latitude_deg']:g}, {v['site_longitude_deg']:g})"
    )
    if v["set_aside_beyond_km"] is not None:
        limit = v["set_aside_beyond_km"]
        return f"{text}: those farther than {limit:.0f} km are another telescope's and were set aside"
    hint = "; with the longitude's sign changed they would be of this site" if v["longitude_sign"] else ""
    return f"{text}{hint}.  They were taken all the same: see which of the two is right"


def _times_from(v: Values) -> str:
    named = ", ".join(f"{one} ({count})" for one, count in zip(v["keywords"], v["images"], strict=True))
    turned = f"; {', '.join(v['scales'])} was turned to UTC" if v["scales"] else ""
    return f"times are those of {named}, moved to the middle of the exposure where they are its start{turned}"


def _no_mount(v: Values) -> str:
    names = " or ".join(v["keywords"]) or "keywords for the mount's place"
    lacking, of = v["images"], v["of_images"]
    which = "none of the images has" if lacking == of else f"{lacking} of {of} images lack"
    return (
        f"{which} {names}, so that they say nothing of where the mount pointed: they can serve for sweeps "
        "and runs only (--answer fits.mount_ra=KEYWORD and fits.mount_dec=KEYWORD name others)"
    )


def _written_back(v: Values) -> str:
    so = (
        "none of these images is a pointing solve; they can serve for sweeps and runs only"
        if v["all_taken_so"]
        else f"these {v['images']} are no pointing solves"
    )
    return (
        f"in {v['images']} of {v['of_images']} images {' and '.join(v['keywords'])} are the place of the WCS "
        "itself, to within rounding: a program wrote the solved place over the mount's own, or made the WCS "
        f"from the mount's place without a solve.  So {so}.  If other keywords hold what the mount itself "
        "said, name them with --answer fits.mount_ra=KEYWORD and fits.mount_dec=KEYWORD; if the mount points "
        "so well, say --answer fits.written_back=no"
    )


def _frame_found(v: Values) -> str:
    as_icrs = v["frame"] == PlaceFrame.ICRS
    taken = "as ICRS (J2000), and turned to of date" if as_icrs else "as of date"
    return (
        f"{' and '.join(v['keywords'])} are taken {taken}: their differences from the solved places hold "
        f"{v['share']:.2f} ± {v['share_sd']:.2f} of the precession since 2000"
    )


def _frame_unknown(v: Values) -> str:
    names = " and ".join(v["keywords"])
    if "icrs_apart_arcmin" not in v:
        return f"{names} lie far from the solved places"
    return (
        "these images are too few, or too near to each other on the sky, to tell; taken as of date "
        f"{names} lie {v['of_date_apart_arcmin']:.1f} arcmin from the solved places in the median, taken as "
        f"ICRS {v['icrs_apart_arcmin']:.1f}"
    )


def _side_unused(v: Values) -> str:
    across = v["across"]
    why = "" if across is None else f" (in {100 * across:.0f} of 100 images the tube looks across the pier)"
    on, looks = SideMeans
    return (
        f"{v['keyword']} is not used, because it can't be told whether it means {SIDE_WORDS[on]} or "
        f"{SIDE_WORDS[looks]}{why}: say it with --answer fits.tube_side_means={on} (or ...={looks})"
    )


_IMAGES: dict[Code, Callable[[Values], str]] = {
    ImageCode.UNREADABLE: lambda v: f"can't be read: {v['error']}",
    ImageCode.HEADER_UNREADABLE: lambda v: (
        f"has a header that can't be read ({v['error_type']}: {v['error']})"
    ),
    ImageCode.READER_BROKE: lambda v: (
        "made the process that reads headers break down (a fault of a library, or memory ran out): the "
        "header is broken in a way that can't be read"
    ),
    ImageCode.GZIP_BROKEN: lambda v: f"is a broken gzip file ({v['error']})",
    ImageCode.EMPTY: lambda v: "is empty",
    ImageCode.NOT_FITS: lambda v: "is not a FITS file: it does not begin with SIMPLE",
    ImageCode.CUT_OFF: lambda v: "is cut off within its header: there is no END card",
    ImageCode.NO_END: lambda v: f"has no END card in the first {v['blocks']} blocks",
    ImageCode.AXES_BROKEN: lambda v: f"has {v['keyword']} = {v['value']}, which no image has",
    ImageCode.NO_PICTURE: _no_picture,
    ImageCode.NO_PLANE: lambda v: (
        f"has {len(v['axes'])} dimensions ({_by(v['axes'])}): a picture of two is needed"
    ),
    ImageCode.NO_WCS: lambda v: "has no WCS (no CTYPE keyword): it was not solved",
    ImageCode.WCS_BROKEN: lambda v: f"has a WCS that can't be used: {v['error']}",
    ImageCode.WCS_NOT_OF_SKY: lambda v: f"has a WCS that is not of the sky (CTYPE: {', '.join(v['types'])})",
    ImageCode.WCS_NOWHERE: lambda v: "has a WCS by which the middle of the image has no place on the sky",
    ImageCode.COORDINATES_NOT_READ: lambda v: (
        f"has a WCS in the coordinates {v['coordinates']}, which are not read: RA and DEC are"
    ),
    ImageCode.RADESYS_NOT_READ: lambda v: (
        f"has a WCS with RADESYS = {v['radesys']!r}, which is not read: ICRS, FK5, FK4 and FK4-NO-E are"
    ),
    ImageCode.NO_TIME: lambda v: "does not say when it was taken (DATE-OBS, DATE-BEG, DATE-AVG or MJD-OBS)",
    ImageCode.NO_EXPOSURE: lambda v: (
        f"says when the exposure began ({v['keyword']} = {v['value']!r}) but not how long it was "
        f"({', '.join(v['wanted'][:-1])} or {v['wanted'][-1]}), so that its middle is not known"
    ),
    ImageCode.NO_TIME_OF_DAY: lambda v: f"{_quote(v)}, a date without the time of day",
    ImageCode.NO_DATE: lambda v: f"{_quote(v)}, which is not a date of the form CCYY-MM-DDThh:mm:ss",
    ImageCode.NO_SUCH_DAY: lambda v: f"{_quote(v)}, which is no day of the calendar",
    ImageCode.NO_SUCH_TIME: lambda v: f"{_quote(v)}, which is no time of day",
    ImageCode.BAD_EXPOSURE: lambda v: (
        f"says {v['keyword']} = {v['value']}, which is no exposure time in seconds"
    ),
    ImageCode.MIDDLE_BEFORE_START: lambda v: (
        f"{_quote(v)}, which is before the start of the exposure, {v['start_keyword']} = {v['start_value']!r}"
    ),
    ImageCode.Z_IN_OTHER_SCALE: lambda v: f"{_quote(v)}, where Z means UTC, but TIMESYS says {v['scale']}",
    ImageCode.SCALE_NOT_READ: lambda v: (
        f"says TIMESYS = {v['scale']!r}, from which UTC can't be worked out here ({', '.join(v['known'])} "
        "can)"
    ),
    ImageCode.TIME_OF_ELSEWHERE: lambda v: (
        f"gives its time as it would be seen from elsewhere (TREFPOS = {v['place']!r}), up to 8 minutes from "
        "that at the telescope"
    ),
    ImageCode.MOUNT_UNREADABLE: lambda v: f"{_quote(v)}, which is neither degrees nor parts of sixty",
    ImageCode.PLACE_COPIED: lambda v: (
        "has exactly the same place as another image of another time: its WCS was copied, or made from where "
        "the mount said it pointed, and not solved"
    ),
    ImageCode.OF_OTHER_SITE: lambda v: (
        f"was taken at another observatory, {v['apart_km']:,.0f} km from this site (OBSGEO-*)"
    ),
    ImageCode.TIMES_FROM: _times_from,
    ImageCode.NO_MOUNT: _no_mount,
    ImageCode.FAR_SITE: _far_site,
    ImageCode.MOUNT_IN_HOURS: lambda v: (
        f"{v['keyword']} is taken as hours: times 15 it comes near to the solved places"
    ),
    ImageCode.WRITTEN_BACK: _written_back,
    ImageCode.FRAME_SAID: lambda v: (
        f"{' and '.join(v['keywords'])} are taken as {FRAME_WORDS[PlaceFrame(v['frame'])]}, as the mapping "
        "says"
    ),
    ImageCode.FRAME_FOUND: _frame_found,
    ImageCode.FRAME_UNKNOWN: _frame_unknown,
    ImageCode.NO_SIDE: lambda v: (
        f"{v['keyword']} says {', '.join(map(repr, v['values']))}, which is no side of the pier"
    ),
    ImageCode.SIDE_MEANS: lambda v: (
        f"{v['keyword']} is taken as {SIDE_WORDS[SideMeans(v['means'])]}: in {100 * v['across']:.0f} of 100 "
        "images the tube then looks across the pier"
    ),
    ImageCode.SIDE_UNUSED: _side_unused,
    ImageCode.KEYWORDS_KEPT: lambda v: (
        f"what the keywords mean is kept in the section [{v['section']}] of {v['file']}"
    ),
}

SENTENCES: dict[Code, Callable[[Values], str]] = {**_REASONS, **_REMARKS, **_IMAGES}
