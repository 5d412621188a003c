"""`drift record`: a correction or a level reading, written down by hand.

All values go as text through the same reader and the same checks as a row of a
log file, so that nothing can be recorded that could not be imported.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

import click

from drift.cli.options import pier_option, site_of

if TYPE_CHECKING:
    from drift.pierfile import PierFile

Row = dict[str, str]
Function = TypeVar("Function", bound=Callable[..., Any])

_NEGATIVE = re.compile(r"-[.,]?\d.*", re.DOTALL)  # also what is no number, such as -2,83: its reader says why
_TRUE_MINUS = "\u2212"  # what a negative number wears while the options are told apart
_CAUTION = (
    "Before you loosen a bolt or a knob: power off, support the load first, and never loosen all bolts at "
    "once."
)
#: So far from a bolt of the site file a bearing may be and still be the same bolt without a word [deg].
_BOLT_LEEWAY_DEG = 15.0
_TURNED = "read with the instrument turned end for end, so that the signs are the other way round"
_LOOSENED = frozenset({"azimuth", "altitude", "shim", "nuts", "tighten", "remount", "service"})


class _Signed(click.Command):
    """A command that takes ``-2.83`` as a number and not as an option."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        return super().parse_args(
            ctx, [_TRUE_MINUS + one[1:] if _NEGATIVE.fullmatch(one) else one for one in args]
        )


def _plain_minus(ctx: click.Context, option: click.Parameter, value: str | None) -> str | None:
    return value.replace(_TRUE_MINUS, "-") if value else value


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
        cls=_Signed,
        short_help=title,
        help=f"{title}\n\nAMOUNT_ARCMIN is the change that was meant: {sign}.  Without it the axis was "
        "re-aligned by an unknown amount, which is then estimated from the readings around it.",
    )
    @click.argument("amount_arcmin", required=False, callback=_plain_minus)
    @_common
    def knob(amount_arcmin: str | None, when: str | None, note: str, pier: str | None) -> None:
        row = {"kind": kind, "amount_arcmin": amount_arcmin or "", "note": note}
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
    @command.command(kind, cls=_Signed, short_help=title, help=title)
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
    bearing, sign, amount = value.replace(_TRUE_MINUS, "-").partition("=")
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


@command.command("level", cls=_Signed, short_help="Record a level or inclinometer reading.")
@click.option("--north", required=True, metavar="ARCSEC", callback=_plain_minus, help="Lean toward north.")
@click.option("--east", required=True, metavar="ARCSEC", callback=_plain_minus, help="Lean toward east.")
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
    callback=_plain_minus,
    help="One standard deviation of the reading.",
)
@_common
def level(
    north: str, east: str, place: str, face: str, sigma: str, when: str | None, note: str, pier: str | None
) -> None:
    """Record the lean that a level or an inclinometer showed, north and east positive."""
    row = {
        "lean_north_arcsec": north,
        "lean_east_arcsec": east,
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


def _record(table: str, rows: Sequence[Row], when: str | None, pier: str | None) -> None:
    """Write the rows down and say in words what they say."""
    from drift.api import open_book

    time_utc = when if when is not None else _now()
    site = site_of(pier)
    with open_book(site) as book:
        outcome = book.record(table, [{"time_utc": time_utc, **row} for row in rows])
    if not outcome.went_in:
        click.echo(f"Exactly this is in the record already, at {time_utc}; nothing was added.")
        return
    there = outcome.already_there
    if there:
        are = "is" if there == 1 else "are"
        click.echo(f"{there} of these bolts {are} in the record already; the others were added.")
    click.echo(f"Recorded at {time_utc}: {_words(table, rows, site)}")
    for remark in _remarks(rows, site):
        click.echo(remark)
    if table == "corrections" and rows[0]["kind"] in _LOOSENED:
        click.echo(_CAUTION)


def _remarks(rows: Sequence[Row], site: PierFile) -> Iterator[str]:
    """Yield what stands between shims or nuts and the tilt that they were meant to give."""
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


def _now() -> str:
    from datetime import UTC, datetime

    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _words(table: str, rows: Sequence[Row], site: PierFile) -> str:
    if table == "levels":
        return _level_words(rows[0])
    kind = rows[0]["kind"]
    if kind == "azimuth":
        return _azimuth_words(rows[0]["amount_arcmin"], site.site.latitude_deg)
    if kind == "altitude":
        return _altitude_words(rows[0]["amount_arcmin"])
    if kind == "shim":
        return (
            "; ".join(_bolt_words(row, "thickness_mm", "mm", ("put in", "taken out")) for row in rows) + "."
        )
    if kind == "nuts":
        return "; ".join(_bolt_words(row, "turns", "turns", ("raised", "lowered")) for row in rows) + "."
    from drift.logs.corrections import KINDS

    return f"{KINDS[kind]}."


def _azimuth_words(amount: str, latitude_deg: float) -> str:
    pole, toward, back = ("north", "east", "west") if latitude_deg >= 0 else ("south", "west", "east")
    if not amount:
        return "azimuth re-aligned by an unknown amount, to be estimated from the readings before and after."
    turn, side = ("clockwise", toward) if float(amount) >= 0 else ("counter-clockwise", back)
    return (
        f"azimuth {float(amount):+g} arcmin, that is the axis's raised ({pole}) end moved {turn} seen from "
        "above, "
        f"toward {side} (positive is clockwise)."
    )


def _altitude_words(amount: str) -> str:
    if not amount:
        return "altitude re-aligned by an unknown amount, to be estimated from the readings before and after."
    way = "up" if float(amount) >= 0 else "down"
    return f"altitude {float(amount):+g} arcmin, that is the axis's raised end moved {way}."


def _bolt_words(row: Row, column: str, unit: str, ways: tuple[str, str]) -> str:
    amount = float(row[column])
    way = ways[0] if amount >= 0 else ways[1]
    return f"bolt at bearing {float(row['bearing_deg']):g}: {abs(amount):g} {unit} {way}"


def _level_words(row: Row) -> str:
    turned = bool(row["face_deg"]) and float(row["face_deg"]) == 180.0
    sign = -1.0 if turned else 1.0
    north, east = sign * float(row["lean_north_arcsec"]), sign * float(row["lean_east_arcsec"])
    leans = (
        f"lean {abs(north):g} arcsec toward {'north' if north >= 0 else 'south'} and {abs(east):g} arcsec "
        "toward "
        f"{'east' if east >= 0 else 'west'}"
    )
    place = f" of the {row['place'].lower()}" if row["place"] else " of the pier (no --place was given)"
    face = f" ({_TURNED})" if turned else ""
    return f"{leans}{place}{face}."
