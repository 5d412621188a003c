"""`drift record`: a correction or a level reading, written down by hand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

import click

from drift.cli import record_list
from drift.cli.options import TRUE_MINUS, Signed, pier_option, plain_minus, site_of

if TYPE_CHECKING:
    from drift.record.record import Record
    from drift.site.file import PierFile


# ---- Write a correction or a level reading into the record, and say in words what it says.


Row = dict[str, str]


def write_down(
    site: PierFile, record: Record, table: str, rows: Sequence[Row], time_utc: str, step: str = ""
) -> bool:
    """Write rows of one time into the record and say what they say; return whether anything was new.

    `step` is the id of the advised step that they say was done, if any.
    """
    from drift.importer.by_hand import record_rows
    from drift.render.by_hand import CAUTION, LOOSENED, alike, remarks, words
    from drift.render.phrases import zone_of

    before = record.held(table)
    outcome = record_rows(record, table, [{"time_utc": time_utc, **row} for row in rows], step)
    if not outcome.went_in:
        click.echo(f"Exactly this is in the record already, at {time_utc}; nothing was added.")
        return False
    there = outcome.already_there
    if there:
        are = "is" if there == 1 else "are"
        click.echo(f"{there} of these bolts {are} in the record already; the others were added.")
    click.echo(f"Recorded at {time_utc}: {words(table, rows, site)}")
    twice = alike(record.held(table), before, zone_of(site.site.timezone)) if table == "corrections" else ()
    for remark in (*remarks(rows, site), *twice):
        click.echo(remark)
    if table == "corrections" and rows[0]["kind"] in LOOSENED:
        click.echo(CAUTION)
    return True


def now_text() -> str:
    """Return the present time as the record takes it."""
    from datetime import UTC, datetime

    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


# ---- `drift record`: a correction or a level reading, written down by hand.
#
# All values go as text through the same reader and the same checks as a row of a
# log file, so that nothing can be recorded that could not be imported.


Function = TypeVar("Function", bound=Callable[..., Any])


def _common(function: Function) -> Function:
    """Add the options that every kind of record takes."""
    for option in (
        pier_option,
        click.option("--note", default="", help="In your words; kept with it."),
        click.option(
            "--time",
            "when",
            metavar="TIME",
            help="When it was done, with Z or an offset: 2024-03-01T23:14+01:00; now, when not given.",
        ),
    ):
        function = option(function)
    return function


@click.group("record", help="Write down a correction or a level reading, so that the history knows of it.")
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
    @_common
    def knob(amount_arcmin: str | None, turns: str, when: str | None, note: str, pier: str | None) -> None:
        row = {"kind": kind, "amount_arcmin": amount_arcmin or "", "turns": turns, "note": note}
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
}.items():
    _plain(_kind, _title)


for _one in (record_list.listing, record_list.edit, record_list.withdraw, record_list.put_back):
    command.add_command(_one)


def _record(table: str, rows: Sequence[Row], when: str | None, pier: str | None) -> None:
    """Write the rows down and say in words what they say."""
    from drift.api import open_record

    site = site_of(pier)
    with open_record(site) as record:
        write_down(site, record, table, rows, when if when is not None else now_text())
