"""The fields to solve tonight: words and tables, JSON, a CSV target list, and the chart as a file."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drift.night.estimate import UNKNOWN_SD
from drift.quantities import as_utc
from drift.render.advice_words import action_sentence, tolerance_words
from drift.render.drawing import FORMATS, Kind, Look, check_file_target, save
from drift.render.encode import named, plain
from drift.render.notices import as_data, sentence
from drift.render.phrases import (
    altitude_words,
    any_arcmin,
    azimuth_words,
    clock_text,
    counted,
    plain_angle,
    plain_arcmin,
    utc_text,
    zone_of,
)
from drift.render.sections import Section, bulleted
from drift.render.tables.axis import Table
from drift.render.tonight_words import AGAIN, CLOUDS, TICK, TUBE_SIDES, told
from drift.tonight.plan import TOLERANCE_DEG

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from drift.tonight.evening import Evening, Field, Tonight
    from drift.tonight.follow import FieldSeen, Following


# ---- Words and tables.


def tonight_title(tonight: Tonight) -> tuple[str, str]:
    """Return the title, and the line below it."""
    name, made = tonight.site.site.name, tonight.evening
    title = "Fields to solve" + (f" at {name}" if name else "")
    if not made.fields:
        return title, clock_text(tonight.at_us, zone_of(tonight.site.site.timezone))
    first = clock_text(made.fields[0].start_us, zone_of(tonight.site.site.timezone))
    return title, f"From {first}, {made.minutes:.0f} minutes for {len(made.fields)} solves."


def tonight_sections(tonight: Tonight) -> list[Section]:
    """Return all that is said of tonight, in order."""
    zone, made = zone_of(tonight.site.site.timezone), tonight.evening
    cautions = bulleted([sentence(one) for one in tonight.cautions])
    out = [Section("What for", (("", told(tonight.purpose_notice, zone)),))]
    better = [told(one.notice, zone) for one in tonight.better]
    if better:
        out.append(Section("What fields alone can't tell", bulleted(better)))
    if made.fields:
        out.append(Section("Solve", cautions, _list(tonight, zone), _what_it_gives(tonight)))
        out.append(Section("The same, for the mount", (), _more(made, zone), _places_note(zone, made)))
    said = [told(one, zone) for one in made.notices]
    out.append(Section("To know", bulleted(said)) if made.fields else Section("Not now", bulleted(said)))
    if not made.fields:
        out.append(Section("Take care", cautions))
    assumed = [sentence(one) for one in tonight.assumed]
    return [*out, Section("What was assumed", bulleted(assumed))] if assumed else out


def _list(tonight: Tonight, zone: ZoneInfo) -> Table:
    made = tonight.evening
    rows = tuple(
        (
            str(one.n),
            _clock(one.start_us, zone),
            _tube(one),
            _ra(one.ra_deg),
            _dec(one.dec_deg),
            f"{one.azimuth_deg:.0f}°",
            f"{one.altitude_deg:.0f}°",
            _sd(one.az_error_sd_after),
            _sd(one.alt_error_sd_after),
            "= 1" if one.again else CLOUDS if one.n == made.stop_after else "",
        )
        for one in made.fields
    )
    heads = ("", "At", "Tube", "RA ICRS", "Dec", "Brg", "Alt", "± az", "± alt", "")
    return Table("Fields to solve", heads, rows, frozenset({0, 3, 4, 5, 6, 7, 8}))


def _sd(arcsec: float) -> str:
    return plain_angle(arcsec) if arcsec < UNKNOWN_SD else "?"


def _what_it_gives(tonight: Tonight) -> str:
    made = tonight.evening
    before = tonight.axis_before_sd
    known = (
        "Before the first it is not known."
        if before is None
        else f"By the record it is known to {plain_angle(before[0])} and {plain_angle(before[1])}, but may "
        "have moved since: 1' is allowed for that."
    )
    text = f"± az and ± alt: how well azimuth and altitude of the axis are known after each.  {known}"
    if made.random_sd is None:
        return text
    fields = sum(one.again is None for one in made.fields)
    az, alt = made.random_sd
    chance = f"{fields} fields taken at random would leave {plain_angle(az)} and {plain_angle(alt)}."
    return f"{text}  {chance}"


def _more(made: Evening, zone: ZoneInfo) -> Table:
    rows = []
    for one in made.fields:
        other = one.substitute
        instead = ("", "", "") if other is None else (_ra(other.ra_deg), _dec(other.dec_deg), _where(other))
        rows.append(
            (
                str(one.n),
                _ra(one.ra_of_date_deg),
                _dec(one.dec_of_date_deg),
                _hours(one.hour_angle_deg),
                _clock(one.until_us, zone),
                *instead,
            )
        )
    heads = ("", "RA date", "Dec date", "HA", "Until", "Or: RA ICRS", "Dec", "Brg/Alt")
    return Table("The same fields, and one instead of each", heads, tuple(rows), frozenset(range(8)))


def _places_note(zone: ZoneInfo, made: Evening) -> str:
    name = as_utc(made.fields[0].start_us).astimezone(zone).strftime("%Z")
    return (
        f"Times are by the pier's clock ({name}).  Anywhere within {TOLERANCE_DEG:.0f}° of a place will "
        "do, so "
        "begin within ten minutes of the time, or ask again.  Until: when that star is out of reach.  Or: "
        "where a cloud is in the way.  Places of date are apparent ones; the hour angle is west positive."
    )


def _where(place: Any) -> str:
    return f"{place.azimuth_deg:.0f}/{place.altitude_deg:.0f}"


def _tube(one: Field) -> str:
    return str(TUBE_SIDES.get(one.side, ""))


def _clock(time_us: int, zone: ZoneInfo) -> str:
    return as_utc(time_us).astimezone(zone).strftime("%H:%M")


def _ra(degrees: float) -> str:
    minutes = round(degrees * 4.0) % 1440
    return f"{minutes // 60:02d}h{minutes % 60:02d}m"


def _dec(degrees: float) -> str:
    minutes = round(abs(degrees) * 60.0)
    return f"{'-' if degrees < 0 and minutes else '+'}{minutes // 60:02d}°{minutes % 60:02d}'"


def _hours(degrees: float) -> str:
    minutes = round(abs(degrees) * 4.0)
    return f"{'-' if degrees < 0 and minutes else '+'}{minutes // 60:d}h{minutes % 60:02d}m"


# ---- The evening as it goes.


def following_sections(evening: Following) -> list[Section]:
    """Return how far the evening is: what to do next first."""
    zone = zone_of(evening.site.site.timezone)
    out = [Section("Now", (("", told(evening.notice, zone)),))]
    if evening.turns:
        out.append(Section("Turn", bulleted([action_sentence(one) for one in evening.turns])))
        out.append(Section("Take care", bulleted([sentence(one) for one in evening.cautions])))
    out.append(Section("The axis by tonight's solves", bulleted(axis_lines(evening))))
    if evening.notices:
        out.append(Section("To know", bulleted([told(one, zone) for one in evening.notices])))
    if evening.fields:
        out.append(Section("The fields", (), following_table(evening)))
    return out


def axis_lines(evening: Following) -> list[str]:
    """Return where the axis stands by tonight's solves, against what was promised and what is allowed."""
    solves = counted(evening.solves[0], "solve")
    if evening.axis is None or evening.sd is None or evening.error is None or evening.error_sd is None:
        return [f"Not told yet ({solves})."]
    if max(evening.sd) >= UNKNOWN_SD:
        return [f"Not told yet: {solves} so far."]
    latitude = evening.site.site.latitude_deg
    allowed = plain_arcmin(evening.tolerance / 60.0)
    lines = [
        f"{any_arcmin(evening.error, evening.error_sd)} from the pole aimed at; {allowed} is allowed "
        f"({tolerance_words(evening.tolerance_of)}).",
        f"Azimuth {azimuth_words(evening.axis[0], evening.sd[0], latitude)}, altitude "
        f"{altitude_words(evening.axis[1], evening.sd[1])}; {solves}.",
    ]
    if evening.promised_sd is not None and max(evening.promised_sd) < UNKNOWN_SD:
        az, alt = (plain_angle(one) for one in evening.promised_sd)
        own = [plain_angle(one) for one in evening.sd]
        lines.append(f"Known to {own[0]} and {own[1]}; after as many fields {az} and {alt} were promised.")
    return lines


def following_table(evening: Following) -> Table:
    """Return the list in hand: what is solved is ticked off."""
    zone = zone_of(evening.site.site.timezone)
    rows = []
    for one in evening.fields:
        at = one.place
        done = "" if one.solved_us is None else f"{TICK} {_clock(one.solved_us, zone)}"
        if one.solved_us is not None and one.n in evening.next_fields:
            done = AGAIN
        sd = one.promised_sd or (UNKNOWN_SD, UNKNOWN_SD)
        rows.append(
            (
                str(one.n),
                done,
                _tube(at),
                _ra(at.ra_deg),
                _dec(at.dec_deg),
                f"{at.azimuth_deg:.0f}°",
                f"{at.altitude_deg:.0f}°",
                _sd(sd[0]),
                _sd(sd[1]),
                "= 1" if one.again else "",
            )
        )
    heads = ("No.", "Done", "Tube", "RA ICRS", "Dec", "Brg", "Alt", "± az", "± alt", "")
    return Table("The list in hand", heads, tuple(rows), frozenset({0, 3, 4, 5, 6, 7, 8}))


def field_lines(one: FieldSeen, zone: ZoneInfo) -> list[tuple[str, str]]:
    """Return a field to solve as what and how, to be read at arm's length."""
    at = one.place
    lines = [
        ("Field", str(one.n)),
        ("RA ICRS", _ra(at.ra_deg)),
        ("Dec", _dec(at.dec_deg)),
        ("Bearing", f"{at.azimuth_deg:.0f}°"),
        ("Altitude", f"{at.altitude_deg:.0f}°"),
        ("Until", _clock(at.until_us, zone)),
    ]
    return [*lines[:1], ("Tube", _tube(at)), *lines[1:]] if _tube(at) else lines


def following_mapping(evening: Following) -> dict[str, Any]:
    """Return how far the evening is as plain data, arcsec and degrees."""
    zone = zone_of(evening.site.site.timezone)
    axis = None
    if evening.axis is not None and evening.sd is not None:
        axis = {
            **dict(zip(("az_error", "alt_error"), map(plain, evening.axis), strict=True)),
            **_pair(evening.sd),
            **named(evening, "error", "error_sd"),
            "promised": _pair(evening.promised_sd),
        }
    return {
        "format": "drift-evening",
        "version": 1,
        "at_utc": utc_text(evening.at_us),
        "step": str(evening.step),
        "sentence": told(evening.notice, zone),
        "next_fields": list(evening.next_fields),
        "axis": axis,
        "allowed": plain(evening.tolerance),
        "allowed_by": str(evening.tolerance_of),
        "solves": evening.solves[0],
        "solves_in_all": evening.solves[1],
        "fields": [
            {
                **_field(one.place),
                "again": one.again,
                "solved_utc": None if one.solved_us is None else utc_text(one.solved_us),
                "wrong_probability": plain(one.wrong, 3),
            }
            for one in evening.fields
        ],
        "turns": [
            {**named(one, "do", "amount_arcmin", "turns", decimals=2), "sentence": action_sentence(one)}
            for one in evening.turns
        ],
        "cautions": [sentence(one) for one in evening.cautions],
        "made": [
            {
                "kind": str(one.kind),
                "made_utc": utc_text(one.made_us),
                **named(one, "asked", "found", "found_sd"),
            }
            for one in evening.made
        ],
        "notices": [{**as_data(one), "text": told(one, zone)} for one in evening.notices],
    }


# ---- JSON.

#: Decimals of places in degrees: a tenth of an arcsecond, though degrees will do.
_DEGREE_DECIMALS = 5


def tonight_mapping(tonight: Tonight) -> dict[str, Any]:
    """Return all of tonight as plain data, arcsec and degrees."""
    made = tonight.evening
    zone = zone_of(tonight.site.site.timezone)
    return {
        "format": "drift-tonight",
        "version": 1,
        "at_utc": utc_text(tonight.at_us),
        "purpose": str(tonight.purpose),
        "purpose_sentence": told(tonight.purpose_notice, zone),
        "axis_before": _pair(tonight.axis_before_sd),
        "zeros_kept": tonight.zeros_kept,
        "start_utc": None if made.start_us is None else utc_text(made.start_us),
        "minutes": plain(made.minutes),
        "tolerance_deg": TOLERANCE_DEG,
        "sun_altitude_deg": plain(made.sun_altitude_deg),
        "stop_after": made.stop_after,
        "fields": [_field(one) for one in made.fields],
        "random_fields": _pair(made.random_sd),
        "instead": [
            {
                "reading": str(one.reading),
                "code": str(one.notice.code),
                "sentence": told(one.notice, zone),
                "value": None if one.split is None else named(one.split, "tilt_east_sd", "tilt_north_sd"),
            }
            for one in tonight.better
        ],
        "notices": [{**as_data(one), "text": told(one, zone)} for one in (*made.notices, *tonight.assumed)],
        "cautions": [sentence(one) for one in tonight.cautions],
    }


def _pair(sd: tuple[float, float] | None) -> dict[str, float | None]:
    az, alt = (None, None) if sd is None else sd
    return {"az_error_sd": plain(az), "alt_error_sd": plain(alt)}


def _field(one: Field) -> dict[str, Any]:
    places = named(
        one,
        "azimuth_deg",
        "altitude_deg",
        "hour_angle_deg",
        "declination_deg",
        "ra_of_date_deg",
        "dec_of_date_deg",
        decimals=_DEGREE_DECIMALS,
    )
    other = one.substitute
    side = TUBE_SIDES.get(one.side)
    return {
        "n": one.n,
        "again": one.again,
        **named(one, "ra_deg", "dec_deg", decimals=_DEGREE_DECIMALS),
        "tube_side": None if side is None else str(side),
        "start_utc": utc_text(one.start_us),
        "visible_until_utc": utc_text(one.until_us),
        **places,
        **named(one, "az_error_sd_after", "alt_error_sd_after"),
        "substitute": None if other is None else plain(other, _DEGREE_DECIMALS),
    }


# ---- The target list and the chart as files.

_COLUMNS = (
    "n",
    "start_utc",
    "visible_until_utc",
    "ra_deg",
    "dec_deg",
    "ra_of_date_deg",
    "dec_of_date_deg",
    "tube_side",
    "azimuth_deg",
    "altitude_deg",
    "hour_angle_deg",
    "declination_deg",
)
#: A list of ours is known by its header, a chart by what a picture's file holds.
_LIST_MARK = ",".join(_COLUMNS).encode()
_CREATOR = "drift figure"
_LARGEST = 50_000_000
_DOTS_PER_INCH = 200


def targets_csv(tonight: Tonight) -> bytes:
    """Return the target list: one row a field; ra_deg and dec_deg ICRS, the others as they are named."""
    written = io.StringIO()
    writer = csv.writer(written, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for one in tonight.evening.fields:
        row = _field(one)
        writer.writerow(["" if row[name] is None else row[name] for name in _COLUMNS])
    return written.getvalue().encode()


def check_tonight_target(path: Path) -> list[Path]:
    """Return the files that an -o stands for, refusing a place where none can be written.

    A name without an ending stands for a list and a chart.

    Raises
    ------
    drift.errors.DriftError
        If the ending is none of those known, or as for `drift.render.drawing.check_file_target`.
    """
    paths = [path] if path.suffix else [path.with_suffix(".csv"), path.with_suffix(".png")]
    for each in paths:
        check_file_target(each, _kind(each))
    return paths


def save_tonight(tonight: Tonight, path: Path, look: Look) -> None:
    """Write the target list (.csv) or the chart (.png, .svg, .pdf), whole or not at all."""
    data = targets_csv(tonight) if path.suffix.lower() == ".csv" else _chart(tonight, path, look)
    save(data, path, _kind(path))


def _kind(path: Path) -> Kind:
    from drift.errors import DriftError

    ending = path.suffix.lower()
    if ending not in FORMATS:
        raise DriftError(
            f"the file name {path.name!r} ends in {path.suffix!r}, which tells no format.  End it in .csv "
            "for the "
            f"target list or in {', '.join(one for one in FORMATS if one != '.csv')} for the chart, or "
            "leave the ending out for both."
        )
    if ending == ".csv":
        return Kind("target list", "tonight.csv", _LIST_MARK, 2 * len(_LIST_MARK))
    return Kind("picture", f"tonight{ending}", _CREATOR.encode(), _LARGEST)


def _chart(tonight: Tonight, path: Path, look: Look) -> bytes:
    import matplotlib

    from drift.render.figures.canvas import PHONE_IN, WIDE_IN, dark_ground
    from drift.render.figures.sky_chart import describe, figure

    extension = FORMATS[path.suffix.lower()]
    written = io.BytesIO()
    marks = {"png": ("Software", None), "svg": ("Creator", "Date"), "pdf": ("Creator", "CreationDate")}
    mark, date = marks[extension]
    title, words = ("Title", "Subject") if extension == "pdf" else ("Title", "Description")
    metadata: dict[str, str | None] = {mark: _CREATOR, title: tonight_title(tonight)[0]}
    metadata[words] = describe(tonight)
    if date:
        metadata[date] = None
    with dark_ground(look.dark), matplotlib.rc_context({"svg.hashsalt": "tonight", "pdf.fonttype": 42}):
        drawn = figure(tonight, width_in=PHONE_IN if look.narrow else WIDE_IN)
        drawn.savefig(written, format=extension, dpi=_DOTS_PER_INCH, metadata=metadata)
    return written.getvalue()
