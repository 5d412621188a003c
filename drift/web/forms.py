"""What a form says: texts, times, amounts with their direction, and the rows that come of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from starlette.datastructures import FormData

from drift.codes import Rotation
from drift.errors import DriftError
from drift.quantities import as_utc
from drift.render.by_hand import DONE_WORDS

if TYPE_CHECKING:
    from drift.site.file import PierFile


# ---- What a form says: texts, times on the site's clock, amounts with their direction in words.


#: A text longer than this is no note [characters].
_LONGEST = 2_000
UTC_CLOCK = "utc"
#: No reading is of a year before or after these.
_YEARS = (1900, 2200)


class FormError(DriftError):
    """A form says something that can't be: what, and what to do; `field` names the field, "" for none."""

    def __init__(self, said: str, field: str = "") -> None:
        super().__init__(said)
        self.field = field


def text_of(form: FormData, name: str) -> str:
    """Return a field's text, "" where it is not given.

    Raises
    ------
    FormError
        If it is no text, or longer than any note.
    """
    value = form.get(name, "")
    if not isinstance(value, str):
        raise FormError(f"the field {name} holds a file where a text belongs.")
    if len(value) > _LONGEST:
        raise FormError(f"the field {name} has {len(value)} characters; {_LONGEST} are the most.", name)
    return value.strip().replace("\u2212", "-")


def time_of(form: FormData, zone: ZoneInfo) -> str:
    """Return the time of a form in UTC as the record takes it; that of now where none is given.

    Raises
    ------
    FormError
        If it is no time, or one that the site's clock shows twice or never.
    """
    given = text_of(form, "when")
    if not given:
        return _utc(datetime.now(UTC).replace(microsecond=0))
    try:
        when = datetime.fromisoformat(given)
    except ValueError as error:
        raise FormError(f"the time {given!r} is none: write it such as 2024-03-01T23:14.", "when") from error
    if not _YEARS[0] <= when.year <= _YEARS[1]:
        raise FormError(
            f"the time {given!r} is of the year {when.year}: write it such as 2024-03-01T23:14.", "when"
        )
    if when.tzinfo is not None:
        return _utc(when)
    if text_of(form, "clock") == UTC_CLOCK:
        return _utc(when.replace(tzinfo=UTC))
    first, second = (when.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() != second.utcoffset():
        how = "twice" if _is_shown(when, zone) else "never"
        raise FormError(
            f"the clock of {zone.key} shows {given.replace('T', ' ')} {how}, because it is changed then: "
            "give the time in UTC instead.",
            "when",
        )
    return _utc(first)


def _is_shown(when: datetime, zone: ZoneInfo) -> bool:
    there = when.replace(tzinfo=zone).astimezone(UTC)
    return there.astimezone(zone).replace(tzinfo=None) == when


def _utc(when: datetime) -> str:
    return when.astimezone(UTC).isoformat().replace("+00:00", "Z")


def clock_value(time_us: int, zone: ZoneInfo) -> str:
    """Return a time on the site's clock as a field for dates and times takes it; seconds if it has some."""
    there = as_utc(time_us).astimezone(zone)
    return there.strftime("%Y-%m-%dT%H:%M:%S" if there.second else "%Y-%m-%dT%H:%M")


def signed(form: FormData, name: str, way: str, backward: str) -> str:
    """Return an amount with the sign that its direction gives it; "" where none is given.

    Raises
    ------
    FormError
        If both a sign and the backward direction are given.
    """
    amount = text_of(form, name)
    if not amount or text_of(form, way) != backward:
        return amount
    if amount[:1] in "+-":
        raise FormError(
            f"{amount} has a sign, and its direction says which way as well: leave out the minus sign.", name
        )
    return f"-{amount}"


# ---- The form of each kind of correction and of a level reading: its fields, and the rows that it
# amounts to.


LEVEL, ALIGNMENT = "level", "alignment"
#: Bolts offered where the site file names none.
_BOLTS_OFFERED = 4


@dataclass(frozen=True)
class FormPart:
    """One field: its name, its label, a hint, and its choices where it has some (value, words)."""

    name: str
    label: str
    hint: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    preset: str = ""
    radio: bool = False  # choices as buttons to choose from, not as a list


@dataclass(frozen=True)
class HandForm:
    """A form: which table its rows go into, and how."""

    name: str
    title: str
    table: str
    parts: Callable[[PierFile, bool], list[FormPart]] = field(repr=False)  # site, whether a row is edited
    rows: Callable[[FormData, PierFile], list[dict[str, str]]] = field(repr=False)


def rows_of(form: HandForm, given: FormData, site: PierFile) -> list[dict[str, str]]:
    """Return the rows that a form amounts to, as column -> text.

    Raises
    ------
    FormError
        If something is missing or contradicts itself; the record checks the values.
    """
    fields = [name for name, value in given.items() if name not in _NOT_FILLED_IN]
    if not any(text_of(given, name) for name in fields if not name.endswith(_CHOSEN)):
        raise FormError("nothing is filled in, so nothing was recorded.", "when")
    rows = form.rows(given, site)
    if not rows:
        raise FormError("nothing is filled in: give the amount of at least one bolt.", "amount_0")
    return rows


#: Fields that are filled in before anybody has said anything, and the ends of names of such.
_NOT_FILLED_IN = ("token", "clock", "why", "step", "sure", "doubted", "unit", "amount_known", "place", "face")
_CHOSEN = ("_way", "bearing_0", "bearing_1", "bearing_2", "bearing_3", "bearing_4", "bearing_5")


def values_of_row(form: HandForm, row: Mapping[str, object]) -> dict[str, str]:
    """Return the fields of a form for a row, given as column -> value."""
    said = {name: _plain(value) for name, value in row.items()}
    for name, (forward, backward) in _WAYS.get(form.name, {}).items():
        if said.get(name, "").startswith("-"):
            said[name], said[f"{name}_way"] = said[name][1:], backward
        else:
            said[f"{name}_way"] = forward
        said["amount_known"] = "yes" if said.get(name) else "no"
    if form.name == LEVEL:
        said |= _level_values(said)
    if form.name == ALIGNMENT:
        said |= _alignment_values(said)
    if form.name in _BOLT_COLUMNS and said.get(_BOLT_COLUMNS[form.name]):
        column = _BOLT_COLUMNS[form.name]
        said["bearing_0"], said["amount_0"] = said["bearing_deg"], said[column].lstrip("-")
        said["amount_0_way"] = _BOLT_WAYS[form.name][1 if said[column].startswith("-") else 0][0]
    return said


def values_of_step(form: HandForm, rows: Sequence[Mapping[str, str]], site: PierFile) -> dict[str, str]:
    """Return the fields of a form for the rows of an advised step; bolts in the order of the site file."""
    if form.name not in _BOLT_COLUMNS:
        said = dict(rows[0])
        if form.name in _WAYS:
            forward, backward = _WAYS[form.name]["amount_arcmin"]
            said["amount_arcmin_way"] = backward if said["amount_arcmin"].startswith("-") else forward
            said["amount_arcmin"] = said["amount_arcmin"].lstrip("-")
            said["amount_known"] = "yes"
        return said
    said, by = {}, {float(row["bearing_deg"]): row[_BOLT_COLUMNS[form.name]] for row in rows}
    for at, bearing in enumerate(site.plate.bolt_bearings_deg or sorted(by)):
        amount = by.get(float(bearing), "")
        said[f"bearing_{at}"], said[f"amount_{at}"] = f"{bearing:g}", amount.lstrip("-")
        said[f"amount_{at}_way"] = _BOLT_WAYS[form.name][1 if amount.startswith("-") else 0][0]
    return said


def same_amounts(rows: Sequence[Mapping[str, str]], advised: Sequence[Mapping[str, str]]) -> bool:
    """Whether rows say what was advised, their notes and how far and which way a knob was turned apart."""
    return _amounts(rows) == _amounts(advised)


def _amounts(rows: Sequence[Mapping[str, str]]) -> set[tuple[tuple[str, object], ...]]:
    out: set[tuple[tuple[str, object], ...]] = set()
    for row in rows:
        left = {name: text for name, text in row.items() if text and name != "note"}
        if row["kind"] in _WAYS:
            left.pop("turns", None)
            left.pop("knob_way", None)
        out.add(tuple(sorted((name, _number_or_text(text)) for name, text in left.items())))
    return out


def _number_or_text(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


def _plain(value: object) -> str:
    if value is None or value != value:
        return ""
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _knob_parts(kind: str) -> Callable[[PierFile, bool], list[FormPart]]:
    def parts(site: PierFile, editing: bool) -> list[FormPart]:
        ways = (("up", "up"), ("down", "down"))
        if kind == "azimuth":
            south = site.site.latitude_deg < 0
            toward, back = ("west", "east") if south else ("east", "west")
            ways = (("up", f"clockwise, toward {toward}"), ("down", f"anticlockwise, toward {back}"))
        known = (("yes", "known"), ("no", "not known: estimate it from the nights before and after"))
        return [
            FormPart("amount_known", "The amount is", choices=known, preset="yes", radio=True),
            FormPart("amount_arcmin", "Change that was meant, in arcminutes"),
            FormPart("amount_arcmin_way", "Which way", _WAY_HINTS[kind], ways),
            FormPart(
                "turns",
                "Turns of the knob",
                "If you know them: what the knob really does is learned from it.",
            ),
            FormPart(
                "knob_way",
                "Turned which way",
                "As you face the knob, if you know it: it is told to you when it is to be turned again.",
                choices=(("", "not noted"), *((str(way), str(way)) for way in Rotation)),
            ),
        ]

    return parts


def _knob_rows(kind: str) -> Callable[[FormData, PierFile], list[dict[str, str]]]:
    def rows(given: FormData, site: PierFile) -> list[dict[str, str]]:
        amount = signed(given, "amount_arcmin", "amount_arcmin_way", "down")
        unknown = text_of(given, "amount_known") == "no"
        if unknown and amount:
            raise FormError(
                f"an amount of {amount} is given and said to be not known: which?", "amount_arcmin"
            )
        if not unknown and not amount:
            raise FormError(
                "the amount is missing: give it in arcminutes, or choose that it is not known.",
                "amount_arcmin",
            )
        turned = {name: text_of(given, name) for name in ("turns", "knob_way")}
        return [{"kind": kind, "amount_arcmin": amount, **turned, **_note(given)}]

    return rows


_WAY_HINTS = {
    "azimuth": "Seen from above; east and west are where the axis's raised end goes.",
    "altitude": "Where the axis's raised end goes.",
}
_WAYS = {kind: {"amount_arcmin": ("up", "down")} for kind in ("azimuth", "altitude")}
_BOLT_COLUMNS = {"shim": "thickness_mm", "nuts": "turns"}
_BOLT_WAYS = {
    "shim": (("up", "put in"), ("down", "taken out")),
    "nuts": (("up", "plate raised there"), ("down", "plate lowered there")),
}
_BOLT_WORDS = {"shim": "thickness of shim in mm", "nuts": "turns of the nut"}


def _bolt_parts(kind: str) -> Callable[[PierFile, bool], list[FormPart]]:
    def parts(site: PierFile, editing: bool) -> list[FormPart]:
        bearings = [f"{one:g}" for one in site.plate.bolt_bearings_deg or ()] or [""] * _BOLTS_OFFERED
        found = []
        for at, bearing in enumerate([""] if editing else bearings):
            of = f"Bolt {at + 1}"
            found += [
                FormPart(
                    f"bearing_{at}", f"{of}: bearing in degrees", "Clockwise from north.", preset=bearing
                ),
                FormPart(f"amount_{at}", f"{of}: {_BOLT_WORDS[kind]}", "Blank: this bolt was left alone."),
                FormPart(f"amount_{at}_way", f"{of}: which way", choices=_BOLT_WAYS[kind]),
            ]
        return found

    return parts


def _bolt_rows(kind: str) -> Callable[[FormData, PierFile], list[dict[str, str]]]:
    def rows(given: FormData, site: PierFile) -> list[dict[str, str]]:
        found: list[dict[str, str]] = []
        at = 0
        while f"amount_{at}" in given:
            amount = signed(given, f"amount_{at}", f"amount_{at}_way", "down")
            if amount:
                bearing = text_of(given, f"bearing_{at}")
                if bearing in [row["bearing_deg"] for row in found]:
                    raise FormError(f"the bolt at bearing {bearing} is given twice: give it once.")
                row = {"kind": kind, "bearing_deg": bearing, _BOLT_COLUMNS[kind]: amount}
                found.append({**row, **_note(given)})
            at += 1
        return found

    return rows


#: Units in which an angle may be typed -> arcseconds.
_UNITS = {"arcsec": 1.0, "arcmin": 60.0, "deg": 3600.0}
_UNIT_WORDS = (("arcsec", "arcseconds"), ("arcmin", "arcminutes"), ("deg", "degrees"))
_LEVEL_AXES = (("tilt_north_arcsec", "north", "south"), ("tilt_east_arcsec", "east", "west"))


def _level_parts(site: PierFile, editing: bool) -> list[FormPart]:
    places = (("pier", "the pier"), ("plate", "the plate"), ("mount", "the mount"), ("", "not known"))
    faces = (("", "one reading"), ("180", "one turned end for end"))
    both = () if editing else (("pair", "both, in two readings"),)
    parts = [
        FormPart("unit", "All angles are in", choices=_UNIT_WORDS, preset="arcsec"),
        FormPart("face", "What was read", choices=(*faces, *both), preset=""),
    ]
    for column, way, other in _LEVEL_AXES:
        parts.append(FormPart(column, f"Tilt toward {way}", f"Toward {other} is negative."))
    if not editing:
        for column, way, _ in _LEVEL_AXES:
            hint = "As the instrument reads it then; only for two readings."
            parts.append(FormPart(f"turned_{column}", f"The same turned end for end, toward {way}", hint))
    return [
        *parts,
        FormPart("place", "What the level stood on", choices=places, preset="pier"),
        FormPart("sigma_arcsec", "One standard deviation of a reading", "If you know it."),
    ]


def _level_rows(given: FormData, site: PierFile) -> list[dict[str, str]]:
    unit, face = text_of(given, "unit") or "arcsec", text_of(given, "face")
    shared = {"place": text_of(given, "place"), "sigma_arcsec": in_arcsec(given, "sigma_arcsec", unit)}
    if face == "pair":
        first, second = (
            {column: in_arcsec(given, f"{turned}{column}", unit) for column, *_ in _LEVEL_AXES}
            for turned in ("", "turned_")
        )
        for turned, row in (("", first), ("turned_", second)):
            lacking = next((column for column, value in row.items() if not value), None)
            if lacking is not None:
                raise FormError("two readings need all four angles: one is missing.", f"{turned}{lacking}")
        return [{**first, "face_deg": "0", **shared}, {**second, "face_deg": "180", **shared}]
    row = {column: in_arcsec(given, column, unit) for column, *_ in _LEVEL_AXES}
    # a program of ours may still give the face by the column's own name
    return [{**row, "face_deg": face or text_of(given, "face_deg"), **shared}]


def _level_values(said: dict[str, str]) -> dict[str, str]:
    return {"unit": "arcsec", "face": "180" if said.get("face_deg", "").startswith("180") else ""}


def in_arcsec(given: FormData, name: str, unit: str) -> str:
    """Return an angle of a form in arcseconds, as the record takes it; "" where none is given.

    What is no number is returned as it is: the record refuses it by its name.

    Raises
    ------
    FormError
        If the unit is none.
    """
    amount = text_of(given, name)
    if unit not in _UNITS:
        raise FormError(f"{unit!r} is no unit of an angle: take {', '.join(_UNITS)}.", "unit")
    try:
        value = float(amount)
    except ValueError:
        return amount
    return amount if unit == "arcsec" else f"{value * _UNITS[unit]:.10g}"


def _alignment_parts(site: PierFile, editing: bool) -> list[FormPart]:
    south = site.site.latitude_deg < 0
    toward, back = ("west", "east") if south else ("east", "west")
    pole = "south" if south else "north"
    return [
        FormPart("unit", "All angles are in", choices=_UNIT_WORDS, preset="arcmin"),
        FormPart("az_error_arcmin", "Error in azimuth, along the horizon"),
        FormPart(
            "az_error_arcmin_way",
            f"The axis points to the {toward} or {back} of the {pole} pole",
            choices=(("up", toward), ("down", back)),
        ),
        FormPart("alt_error_arcmin", "Error in altitude"),
        FormPart(
            "alt_error_arcmin_way",
            "The axis points too high or too low",
            choices=(("up", "too high"), ("down", "too low")),
        ),
        FormPart("sigma_arcmin", "One standard deviation of either", "If you know it."),
    ]


def _alignment_rows(given: FormData, site: PierFile) -> list[dict[str, str]]:
    unit = text_of(given, "unit") or "arcmin"
    row = {}
    for name in ("az_error_arcmin", "alt_error_arcmin"):
        if not text_of(given, name):
            raise FormError("the error is missing: give 0 where there is none.", name)
        row[name] = _in_arcmin(signed(given, name, f"{name}_way", "down"), unit)
    return [{**row, "sigma_arcmin": _in_arcmin(text_of(given, "sigma_arcmin"), unit)}]


def _in_arcmin(amount: str, unit: str) -> str:
    if unit not in _UNITS:
        raise FormError(f"{unit!r} is no unit of an angle: take {', '.join(_UNITS)}.", "unit")
    try:
        return amount if unit == "arcmin" else f"{float(amount) * _UNITS[unit] / 60.0:.10g}"
    except ValueError:
        return amount


def _alignment_values(said: dict[str, str]) -> dict[str, str]:
    values = {"unit": "arcmin"}
    for name in ("az_error_arcmin", "alt_error_arcmin"):
        text = said.get(name, "")
        values[name], values[f"{name}_way"] = text.lstrip("-"), "down" if text.startswith("-") else "up"
    return values


def _plain_rows(kind: str) -> Callable[[FormData, PierFile], list[dict[str, str]]]:
    return lambda given, site: [{"kind": kind, **_note(given)}]


def _note(given: FormData) -> dict[str, str]:
    return {"note": text_of(given, "note")}


def _form_of(kind: str) -> HandForm:
    title = DONE_WORDS[kind][0].upper() + DONE_WORDS[kind][1:]
    if kind in _WAYS:
        return HandForm(kind, title, "corrections", _knob_parts(kind), _knob_rows(kind))
    if kind in _BOLT_COLUMNS:
        return HandForm(kind, title, "corrections", _bolt_parts(kind), _bolt_rows(kind))
    return HandForm(kind, title, "corrections", lambda site, editing: [], _plain_rows(kind))


#: Kind -> its form.
FORMS: dict[str, HandForm] = {
    **{kind: _form_of(kind) for kind in DONE_WORDS},
    LEVEL: HandForm(LEVEL, "Level or inclinometer reading", "levels", _level_parts, _level_rows),
    ALIGNMENT: HandForm(
        ALIGNMENT, "Alignment error from another method", "alignments", _alignment_parts, _alignment_rows
    ),
}
