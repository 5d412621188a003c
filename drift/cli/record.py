"""`drift record`: a correction or a level reading written down by hand; listing and changing earlier ones."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

import click

from drift.cli.keeping import backup_command, check_command, export_command, restore_command
from drift.cli.options import TRUE_MINUS, Signed, pier_option, plain_minus, say, site_of, site_time
from drift.codes import CorrectionKind, Rotation

if TYPE_CHECKING:
    from drift.importer.importing import FileImported
    from drift.record.acts import RowHeld
    from drift.record.record import Record
    from drift.site.file import PierFile


# ---- `drift record list`: corrections and level readings with the numbers of their rows.


#: In the order in which they are listed: few corrections first, which many level readings would bury.
KINDS = ("corrections", "levels", "alignments")
_OF_CORRECTIONS = tuple(str(kind) for kind in CorrectionKind)
_PAIR_NOTE = (
    'Note: "turned" marks readings with the instrument turned end for end; the tilt is given with the sign '
    "that it has unturned."
)


#: Columns before the words of a row.
_INDENT = " " * 7


@click.command(
    "list",
    help="List corrections, with the numbers of their rows; level readings in sum.\n\n"
    "`--kind levels` or `--all` lists each level reading, `--kind alignments` each alignment error.",
)
@click.option("--all", "whole", is_flag=True, help="Also those that were withdrawn or changed, and why.")
@click.option(
    "--kind",
    type=click.Choice((*KINDS, *_OF_CORRECTIONS)),
    help="Only corrections, level readings or alignment errors, each of them; or one kind of correction.",
)
@pier_option
def listing(pier: str | None, whole: bool, kind: str | None) -> None:
    """Print one line for each row, the oldest first, in the site's zone with UTC beside it."""
    from drift.api import open_record
    from drift.render.by_hand import event_words, is_turned
    from drift.render.phrases import zone_of

    site = site_of(pier)
    with open_record(site) as record:
        held = {table: record.held(table) for table in KINDS if kind not in KINDS or kind == table}
        rows = [row for table in held for row in _in_order(held[table]) if _is_wanted(row, whole, kind)]
        done = record.history([row.row_id for row in rows]) if whole else {}
    if not rows:
        say(f"{_none_words(kind)} is in the record.")
    summed = [] if whole or kind is not None or not rows else list(_summed(rows, site))
    shown = [row for row in rows if not summed or row.kind == "corrections"]
    for row in shown:
        say(row_line(row, site).strip(), f"{row.row_id:>5}  ", _INDENT)
        for event in done.get(row.row_id, ()):
            say(event_words(event, zone_of(site.site.timezone)), _INDENT)
    for sentence in summed:
        say(sentence)
    if any(row.kind == "levels" and is_turned(row.values) for row in shown):
        say(_PAIR_NOTE)


def _summed(rows: Sequence[RowHeld], site: PierFile) -> Iterator[str]:
    """Yield a sentence for each kind of reading beside the corrections: how many, from when to when."""
    from drift.quantities import local_date
    from drift.render.phrases import counted, zone_of

    if not any(row.kind == "corrections" for row in rows):
        yield "No correction is in the record."
    for table, one in (("levels", "level reading"), ("alignments", "alignment error")):
        own = [row for row in rows if row.kind == table]
        if own:
            times = (own[0].values["time_us"], own[-1].values["time_us"])
            first, last = (local_date(time_us, zone_of(site.site.timezone)) for time_us in times)
            when = f"of {first}" if first == last else f"from {first} to {last}"
            yield f"{counted(len(own), one)} {when}: `drift record list --kind {table}` lists each."


def _in_order(rows: Iterable[RowHeld]) -> list[RowHeld]:
    return sorted(rows, key=lambda row: (row.values["time_us"], row.row_id))


def _is_wanted(row: RowHeld, whole: bool, kind: str | None) -> bool:
    own = kind is None or kind in KINDS or row.values.get("kind") == kind
    return own and (whole or row.in_use)


def _none_words(kind: str | None) -> str:
    if kind is None:
        return "No correction, no level reading and no alignment error"
    named = {
        "corrections": "No correction",
        "levels": "No level reading",
        "alignments": "No alignment error",
    }
    return named.get(kind, f"No correction of the kind {kind}")


def row_line(row: RowHeld, site: PierFile) -> str:
    """Return a row as a line: the site's clock, its words, and where it came from."""
    from pathlib import Path

    from drift.render.by_hand import as_text, words
    from drift.render.phrases import clock_text, zone_of

    note = f'  "{row.values["note"]}"' if row.values.get("note") else ""
    state = "" if row.in_use else f"  [{row.state}]"
    text = words(row.kind, [as_text(row)], site, brief=True).rstrip(".")
    when = clock_text(row.values["time_us"], zone_of(site.site.timezone))
    where = f"({Path(row.file).name}, line {row.line})"
    return f"{when}  {text}{note}  {where}{state}"


def numbered_line(row: RowHeld, site: PierFile) -> str:
    """Return `row_line` with the row's number before it."""
    return f"{row.row_id}  {row_line(row, site)}"


@contextmanager
def reporting_pairs(record: Record, rows: Iterable[RowHeld]) -> Iterator[list[str]]:
    """Fill a list with what an act on some rows does to end-for-end pairs of level readings.

    When one half of a pair is withdrawn the other counts alone, which nothing else would show.
    """
    lines: list[str] = []
    if not any(row.kind == "levels" for row in rows):
        yield lines
        return
    before = _halves(record)
    yield lines
    lines += _pair_words(before, _halves(record))


def _halves(record: Record) -> dict[int, int]:
    """Return the other half of each level reading in use, 0 for one that counts alone."""
    from drift.night.prepared import find_pairs

    levels = record.readings()["levels"]
    ids = [int(one) for one in levels["row_id"]]
    halves = dict.fromkeys(ids, 0)
    for pair in find_pairs(levels):
        first, second = ids[pair.first], ids[pair.second]
        halves[first], halves[second] = second, first
    return halves


def _pair_words(before: dict[int, int], after: dict[int, int]) -> Iterator[str]:
    for row, other in before.items():
        if other and row in after and not after[row]:
            yield (
                f"Row {row} was the other half of an end-for-end pair with row {other}: it now counts alone, "
                "less surely, for only a pair is free of the level's own error."
            )
    for row, other in after.items():
        if other > row and before.get(row) != other:
            yield f"Rows {row} and {other} are now read as an end-for-end pair."


# ---- Change, withdraw or put back what was recorded; nothing is lost.


#: Option of `edit` -> column, by kind of row.
_COLUMNS = {
    "corrections": {
        "amount": "amount_arcmin",
        "bearing": "bearing_deg",
        "thickness": "thickness_mm",
        "turns": "turns",
        "way": "knob_way",
        "note": "note",
    },
    "levels": {
        "north": "tilt_north_arcsec",
        "east": "tilt_east_arcsec",
        "place": "place",
        "face": "face_deg",
        "sigma": "sigma_arcsec",
    },
    "alignments": {"azimuth": "az_error_arcmin", "altitude": "alt_error_arcmin", "sigma": "sigma_arcmin"},
}
_NUMBERED = "ROW is the number that `drift record list` shows."


@click.command(
    "withdraw",
    help=f"Take rows out of use: a correction that never was, a level read wrongly.\n\n{_NUMBERED}  The rows "
    "are kept, with when and why; importing their file again does not bring them back, `drift record "
    "put-back` does.",
)
@click.argument("rows", metavar="ROW...", type=int, nargs=-1, required=True)
@click.option("--why", default="", help="Why, in your words; kept with them.")
@pier_option
def withdraw(rows: tuple[int, ...], why: str, pier: str | None) -> None:
    """Withdraw rows, all or none."""
    from drift.api import open_record

    site = site_of(pier)
    with open_record(site) as record:
        found = _wanted(record, rows)
        with reporting_pairs(record, found) as lines:
            record.withdraw(rows, why)
    for row in found:
        say(f"Withdrawn: {numbered_line(row, site)}")
    for sentence in lines:
        say(sentence)


@click.command("put-back", help=f"Take withdrawn rows into use again.\n\n{_NUMBERED}")
@click.argument("rows", metavar="ROW...", type=int, nargs=-1, required=True)
@click.option("--why", default="", help="Why, in your words; kept with them.")
@pier_option
def put_back(rows: tuple[int, ...], why: str, pier: str | None) -> None:
    """Put rows back, all or none."""
    from drift.api import open_record

    site = site_of(pier)
    with open_record(site) as record:
        with reporting_pairs(record, _wanted(record, rows)) as lines:
            record.put_back(rows, why)
        found = _wanted(record, rows)
    for row in found:
        say(f"In use again: {numbered_line(row, site)}")
    for sentence in lines:
        say(sentence)


def _wanted(record: Record, rows: tuple[int, ...]) -> list[RowHeld]:
    """Return the rows of some numbers.

    Raises
    ------
    drift.errors.RecordError
        If one is neither a correction nor a level reading.
    """
    from drift.errors import RecordError

    held = {row.row_id: row for kind in KINDS for row in record.held(kind)}
    for number in rows:
        if number not in held:
            raise RecordError(
                f"row {number} is no correction, level reading or alignment error of this record.  `drift "
                "record list --all` shows their numbers."
            )
    return [held[number] for number in rows]


@click.command(
    "edit",
    cls=Signed,
    help=f"Put something right in a correction or a level reading.\n\n{_NUMBERED}  The row as it was is "
    "withdrawn and kept; a new one takes its place, with what is given here changed.  Give an empty text, as "
    'in --amount "", to blank a value.',
)
@click.argument("row", type=int)
@click.option("--time", metavar="TIME", help="When it was done: by the site's clock, or with Z or an offset.")
@click.option("--amount", metavar="ARCMIN", callback=plain_minus, help="Change meant by a knob.")
@click.option("--turns", metavar="TURNS", callback=plain_minus, help="Turns of the knob, or of the nut.")
@click.option("--way", help="Which way the knob was turned: clockwise or anticlockwise, as you face it.")
@click.option("--bearing", metavar="DEG", callback=plain_minus, help="Bearing of the bolt.")
@click.option("--thickness", metavar="MM", callback=plain_minus, help="Shim put in (+) or taken out (-).")
@click.option("--north", metavar="ARCSEC", callback=plain_minus, help="Tilt toward north.")
@click.option("--east", metavar="ARCSEC", callback=plain_minus, help="Tilt toward east.")
@click.option("--place", metavar="PLACE", help="What the level stood on: pier, plate or mount.")
@click.option("--face", metavar="DEG", help="180 when the level was turned end for end, else 0.")
@click.option("--azimuth", metavar="ARCMIN", callback=plain_minus, help="Error of an alignment in azimuth.")
@click.option("--altitude", metavar="ARCMIN", callback=plain_minus, help="Error of an alignment in altitude.")
@click.option(
    "--sigma", metavar="ARCSEC", callback=plain_minus, help="One standard deviation of the reading."
)
@click.option("--note", help="In your words; kept with it.")
@click.option("--why", default="", help="Why it is changed; kept with the row as it was.")
@pier_option
def edit(row: int, time: str | None, why: str, pier: str | None, **given: str | None) -> None:
    """Replace a row by one with some values changed."""
    from drift.api import open_record
    from drift.importer.by_hand import amend
    from drift.render.by_hand import as_text, whole_time
    from drift.render.phrases import clock_text, zone_of

    site = site_of(pier)
    changed = {name: value for name, value in given.items() if value is not None}
    if time is None and not changed:
        raise click.UsageError("nothing is to be changed: give what is, such as --amount or --time.")
    with open_record(site) as record:
        (old,) = _wanted(record, (row,))
        columns = _COLUMNS[old.kind]
        strange = [f"--{name}" for name in changed if name not in columns]
        if strange:
            kind = {"corrections": "correction", "levels": "level reading"}.get(old.kind, "alignment error")
            allowed = ", ".join(f"--{name}" for name in ("time", *columns))
            a = "an" if kind[0] == "a" else "a"
            raise click.UsageError(
                f"row {row} is {a} {kind}, which has no {', '.join(strange)}; it has {allowed}."
            )
        new = {
            "time_utc": site_time(site, time) if time is not None else whole_time(old.values["time_us"]),
            **as_text(old),
            **{columns[name]: value for name, value in changed.items()},
        }
        with reporting_pairs(record, [old]) as lines:
            amend(record, row, new, why)
        last = record.history([row])[row][-1]
        (now,) = _wanted(record, (last.other_row_id or row,))
    when = clock_text(old.values["time_us"], zone_of(site.site.timezone))
    say(f"Row {row} of {when} is kept as withdrawn.")
    say(f"In its place: {numbered_line(now, site)}")
    for sentence in lines:
        say(sentence)


# ---- Writing a correction or a level reading into the record.


Row = dict[str, str]


def write_down(
    site: PierFile,
    record: Record,
    table: str,
    rows: Sequence[Row],
    time_utc: str,
    step: str = "",
    sure: bool = False,
) -> bool:
    """Write rows of one time into the record and print them in words; return whether anything was new.

    `step` is the id of the advised step that they say was done, if any.  Implausible rows are asked about,
    unless `sure`.
    """
    from drift.importer.by_hand import in_our_units
    from drift.render.by_hand import CAUTION, LOOSENED, alike, remarks, words
    from drift.render.phrases import zone_of

    before = record.held(table)
    for row in rows:
        for column, value in in_our_units(row).items():
            if value != row[column]:
                say(f"{row[column]} is taken as {column} = {value}.")
    rows = [in_our_units(row) for row in rows]
    outcome = _surely(record, table, [{"time_utc": time_utc, **row} for row in rows], step, sure)
    if not outcome.went_in:
        say(f"Exactly this is in the record already, at {time_utc}; nothing was added.")
        return False
    there = outcome.already_there
    if there:
        are = "is" if there == 1 else "are"
        say(f"{there} of these bolts {are} in the record already; the others were added.")
    say(f"Recorded at {time_utc}: {words(table, rows, site)}")
    twice = alike(record.held(table), before, zone_of(site.site.timezone)) if table == "corrections" else ()
    for remark in (*remarks(rows, site), *twice):
        say(remark)
    if table == "corrections" and rows[0]["kind"] in LOOSENED:
        say(CAUTION, style="yellow")
    known = {row.row_id for row in before}
    new = [row for row in record.held(table) if row.row_id not in known]
    for hint in _against_the_sky(site, record, new) if table == "corrections" else ():
        say(hint)
    return True


def _surely(record: Record, table: str, rows: Sequence[Row], step: str, sure: bool) -> FileImported:
    """Write rows down; doubtful ones are asked about at a terminal, elsewhere refused without --sure."""
    import sys

    from drift.errors import Doubtful
    from drift.importer.by_hand import record_rows
    from drift.render.import_words import error_words

    try:
        return record_rows(record, table, rows, step, sure)
    except Doubtful as doubt:
        click.echo(f"drift: {error_words(doubt)}", err=True)
        if not (sys.stdin.isatty() and sys.stderr.isatty()):
            click.echo("Give it with --sure to record it all the same.", err=True)
            raise click.exceptions.Exit(2) from doubt
        if not click.confirm("Record it all the same?", default=False, err=True):
            raise click.exceptions.Exit(2) from doubt
        return record_rows(record, table, rows, step, sure=True)


def _against_the_sky(site: PierFile, record: Record, rows: Sequence[RowHeld]) -> Iterator[str]:
    """Yield how corrections look written down wrongly, by later nights in the record."""
    made = {(int(row.values["time_us"]), row.values["kind"]) for row in rows}
    readings = record.readings() if made else None
    first_us = min((time_us for time_us, _ in made), default=0)
    nights = ("solves", "sweeps", "runs", "alignments")
    if readings is None or not any((readings[kind]["time_us"] > first_us).any() for kind in nights):
        return
    from drift.advice.misrecorded import suspects
    from drift.advice.situation import situation_of
    from drift.api import analyse_readings
    from drift.cli.options import working
    from drift.render.notices import sentence
    from drift.watch.changes import misrecorded_notice

    with working("Comparing it with the nights in the record"):
        analysis = analyse_readings(site, readings, record)
    situation = situation_of(site, analysis.nights, analysis.history, None)
    for suspect in suspects(site, analysis.history):
        if suspect is not None and (suspect.correction.time_us, suspect.correction.kind) in made:
            yield sentence(misrecorded_notice(suspect, situation))


def now_text() -> str:
    """Return the present time, written as in the record."""
    from datetime import UTC, datetime

    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


# ---- `drift record` itself.
#
# All values go as text through the same reader and the same checks as a row of a
# log file, so that nothing can be recorded that could not be imported.


#: Where a command keeps whether --sure was given.
_SURE = "drift.record.sure"
Function = TypeVar("Function", bound=Callable[..., Any])


def _common(function: Function) -> Function:
    """Add the options that every kind of record takes."""
    for option in (
        pier_option,
        click.option(
            "--sure",
            is_flag=True,
            expose_value=False,
            callback=lambda ctx, option, value: ctx.meta.update({_SURE: value}),
            help="Record it although it is unlike the last readings or the advice.",
        ),
        click.option("--note", default="", help="In your words; kept with it."),
        click.option(
            "--time",
            "when",
            metavar="TIME",
            help="When it was done, as in 2024-03-01T23:14: by the site's clock, or with Z or an offset; "
            "now, when not given.",
        ),
    ):
        function = option(function)
    return function


@click.group(
    "record",
    help="Write down a correction or a level reading, so that the history knows of it; check the record, and "
    "back it up.",
)
def command() -> None:
    """Record by hand."""


def _knob(kind: str, title: str, sign: str) -> None:
    @command.command(
        kind,
        cls=Signed,
        short_help=title,
        help=f"{title}\n\nAMOUNT_ARCMIN is the change that was meant: {sign}.  Without it the axis was "
        "re-aligned by an unknown amount, which is then estimated from the readings around it.",
    )
    @click.argument("amount_arcmin", required=False, callback=plain_minus)
    @click.option(
        "--turns",
        default="",
        metavar="TURNS",
        help="How far the knob was turned for it; from this its true gain is learned.",
    )
    @click.option(
        "--way",
        type=click.Choice([str(way) for way in Rotation]),
        help="Which way the knob was turned, as you face it; kept with it, and learned from.",
    )
    @_common
    def knob(
        amount_arcmin: str | None, turns: str, way: str | None, when: str | None, note: str, pier: str | None
    ) -> None:
        row = {
            "kind": kind,
            "amount_arcmin": amount_arcmin or "",
            "turns": turns,
            "knob_way": way or "",
            "note": note,
        }
        _record("corrections", [row], when, pier)


_knob(
    "azimuth",
    "Record a turn of the azimuth knob.",
    "of the azimuth of the axis's raised end, clockwise seen from above positive (in the north that is "
    "toward "
    "east, in the south toward west)",
)
_knob(
    "altitude", "Record a turn of the altitude knob.", "of the altitude of the axis's raised end, up positive"
)


def _bolts(kind: str, column: str, title: str, unit: str) -> None:
    @command.command(kind, cls=Signed, short_help=title, help=title)
    @click.option(
        "--bolt",
        "bolts",
        multiple=True,
        required=True,
        metavar=f"BEARING={unit}",
        callback=lambda ctx, option, values: _pairs(values, unit),
        help="One bolt: its bearing in degrees clockwise from north, and the amount; give it once a bolt.",
    )
    @_common
    def plate(bolts: list[tuple[str, str]], when: str | None, note: str, pier: str | None) -> None:
        rows = [
            {"kind": kind, "bearing_deg": bearing, column: amount, "note": note} for bearing, amount in bolts
        ]
        _record("corrections", rows, when, pier)


def _pairs(values: Sequence[str], unit: str) -> list[tuple[str, str]]:
    pairs = [_pair(value, unit) for value in values]
    bearings = [bearing for bearing, _ in pairs]
    for bearing in bearings:
        if bearings.count(bearing) > 1:
            raise click.UsageError(
                f"the bolt at bearing {bearing} is given twice: give it once, with the sum"
            )
    return pairs


def _pair(value: str, unit: str) -> tuple[str, str]:
    bearing, sign, amount = value.replace(TRUE_MINUS, "-").partition("=")
    if not sign:
        raise click.UsageError(f"--bolt is {value!r}: write BEARING={unit}, such as --bolt 30=0.5")
    return bearing.strip(), amount.strip()


_bolts(
    "shim",
    "thickness_mm",
    "Record shims: the thickness in mm put in (+) or taken out (-) under each bolt.",
    "THICKNESS_MM",
)
_bolts(
    "nuts", "turns", "Record turns of the levelling nuts: positive raises the plate at that bolt.", "TURNS"
)


@command.command("level", cls=Signed, short_help="Record a level or inclinometer reading.")
@click.option("--north", required=True, metavar="ARCSEC", callback=plain_minus, help="Tilt toward north.")
@click.option("--east", required=True, metavar="ARCSEC", callback=plain_minus, help="Tilt toward east.")
@click.option("--place", default="", metavar="PLACE", help="What it stood on: pier, plate or mount.")
@click.option(
    "--face",
    default="",
    metavar="DEG",
    help="180 when the instrument was turned end for end (values as read), else 0.",
)
@click.option(
    "--sigma",
    default="",
    metavar="ARCSEC",
    callback=plain_minus,
    help="One standard deviation of the reading.",
)
@_common
def level(
    north: str, east: str, place: str, face: str, sigma: str, when: str | None, note: str, pier: str | None
) -> None:
    """Record the tilt that a level or an inclinometer showed, north and east positive."""
    row = {
        "tilt_north_arcsec": north,
        "tilt_east_arcsec": east,
        "place": place,
        "face_deg": face,
        "sigma_arcsec": sigma,
    }
    _record("levels", [{**row, "note": note} if note else row], when, pier)


@command.command("alignment", cls=Signed, short_help="Record an alignment error that you measured or read.")
@click.option(
    "--azimuth",
    required=True,
    metavar="ARCMIN",
    callback=plain_minus,
    help="Of the axis's raised end, clockwise of the true pole positive (east of a north pole).",
)
@click.option(
    "--altitude",
    required=True,
    metavar="ARCMIN",
    callback=plain_minus,
    help="Of the axis's raised end, above the true pole positive.",
)
@click.option(
    "--sigma",
    default="",
    metavar="ARCMIN",
    callback=plain_minus,
    help="One standard deviation of each; 0.5 is taken when it is not given.",
)
@_common
def alignment(azimuth: str, altitude: str, sigma: str, when: str | None, note: str, pier: str | None) -> None:
    """Record how far the axis was off, by a drift run, a mount or another program."""
    row = {"az_error_arcmin": azimuth, "alt_error_arcmin": altitude, "sigma_arcmin": sigma}
    _record("alignments", [{**row, "note": note} if note else row], when, pier)


def _plain(kind: str, title: str) -> None:
    @command.command(kind, short_help=title, help=title)
    @_common
    def done(when: str | None, note: str, pier: str | None) -> None:
        _record("corrections", [{"kind": kind, "note": note}], when, pier)


for _kind, _title in {
    "tighten": "Record that bolts or knobs were tightened.",
    "service": "Record a service of the instrument: its constants (cone error and the like) restart.",
    "remount": "Record that the mount came off and went back: constants, zeros and position restart.",
    "zero": "Record that the home switch or an encoder was moved: the hour-angle zero restarts.",
    "pier": "Record work on the pier itself.",
    "crack": "Record that a crack was seen in the pier or its foundation.",
}.items():
    _plain(_kind, _title)


for _one in (
    listing,
    edit,
    withdraw,
    put_back,
    check_command,
    export_command,
    backup_command,
    restore_command,
):
    command.add_command(_one)


def _record(table: str, rows: Sequence[Row], when: str | None, pier: str | None) -> None:
    """Write the rows down and print them in words."""
    from drift.api import open_record

    site = site_of(pier)
    with open_record(site) as record:
        sure = bool(click.get_current_context().meta.get(_SURE))
        time_utc = site_time(site, when) if when is not None else now_text()
        write_down(site, record, table, rows, time_utc, sure=sure)
