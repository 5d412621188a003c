"""How a table with columns of its own is talked about: questions, choices, reasons, proposals.

Terminal and page make all their words here; what is answered is a choice's code.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np

from drift.errors import NotSettled
from drift.ingest.guess_meaning import Holds
from drift.ingest.mapping import NONE, VALUE, Choice, ColumnFrom, PlaceFrame, Proposal, Question, Reason
from drift.ingest.settle import Preview, PreviewRow
from drift.ingest.sky_evidence import FrameVerdict
from drift.ingest.times import DateOrder, TimeForm
from drift.ingest.units import own_unit, units_for
from drift.ingest.values import SideMeans
from drift.notices import Code, MappingCode
from drift.render.notices import Writer, sentence

Values = Mapping[str, Any]

KIND_WORDS: dict[str, str] = {
    "solves": "pointing solves",
    "sweeps": "sweeps",
    "runs": "unguided runs",
    "alignments": "alignment errors",
    "levels": "level readings",
    "weather": "weather",
    "corrections": "corrections",
}
ORDER_WORDS: dict[DateOrder, str] = {
    DateOrder.YMD: "year month day",
    DateOrder.DMY: "day month year",
    DateOrder.MDY: "month day year",
}
FORM_WORDS: dict[TimeForm, str] = {
    TimeForm.TEXT: "text",
    TimeForm.JD: "JD",
    TimeForm.MJD: "MJD",
    TimeForm.SPREADSHEET_DAYS: "spreadsheet days",
    TimeForm.UNIX_SECONDS: "Unix seconds",
    TimeForm.UNIX_MILLISECONDS: "Unix milliseconds",
}
FRAME_WORDS: dict[PlaceFrame, str] = {
    PlaceFrame.ICRS: "ICRS",
    PlaceFrame.OF_DATE: "of date",
    PlaceFrame.MEAN: "mean of date",
    PlaceFrame.HOUR_ANGLE: "hour angle and declination",
    PlaceFrame.HORIZON: "azimuth and altitude",
    PlaceFrame.HORIZON_SEEN: "azimuth and altitude through the air",
}
SIDE_WORDS: dict[SideMeans, str] = {
    SideMeans.ON: "the side the tube is on",
    SideMeans.LOOKS: "the side the tube looks to",
}
_HOLDS = {
    Holds.WHOLE: "dates with times",
    Holds.DATE: "dates",
    Holds.CLOCK: "times of day",
    Holds.COUNT: "counted times",
}
_FRAMES = {
    PlaceFrame.OF_DATE: "what most mounts work in",
    PlaceFrame.ICRS: "also called J2000",
    PlaceFrame.MEAN: "precession alone",
}


#: What a contract's column is to people; the terminal names the columns themselves, as answers do.
COLUMN_WORDS: dict[str, str] = {
    "time_utc": "time",
    "ra_deg": "solved right ascension",
    "dec_deg": "solved declination",
    "mount_ra_deg": "the mount's right ascension",
    "mount_dec_deg": "the mount's declination",
    "tube_side": "side of the pier",
    "session": "session",
    "before_sync": "taken before the sync",
    "temp_c": "air temperature",
    "pressure_hpa": "air pressure",
    "exposure_s": "exposure time",
    "pa_deg": "position angle",
    "sweep": "label of the sweep",
    "run": "label of the run",
    "success": "whether it was solved",
    "dec_offset_arcsec": "offset in declination",
    "ra_offset_arcsec": "offset in right ascension",
    "az_error_arcmin": "azimuth error",
    "alt_error_arcmin": "altitude error",
    "sigma_arcmin": "uncertainty",
    "tilt_north_arcsec": "tilt toward the north",
    "tilt_east_arcsec": "tilt toward the east",
    "place": "what the level stood on",
    "face_deg": "which way round the level lay",
    "sigma_arcsec": "uncertainty",
    "date": "date",
    "t_min_c": "lowest temperature",
    "t_max_c": "highest temperature",
    "t_mean_c": "mean temperature",
    "snow_cm": "snow on the ground",
    "kind": "kind of correction",
    "amount_arcmin": "amount",
    "bearing_deg": "bearing of the bolt",
    "thickness_mm": "thickness of the shim",
    "turns": "turns",
    "note": "note",
}
#: What else is decided of a table, beside its columns and their units.
_PART_WORDS = {
    "kind": "kind of log",
    "time.order": "order of a date's parts",
    "time.zone": "time zone",
    "time.form": "form of the times",
    "time.evening_date": "date is that of the evening",
    "time.scale": "time scale",
    "time.instant": "instant of the exposure",
    "places": "frame of the solved places",
    "mount_places": "frame of the mount's places",
}
#: Codes of choices whose words say all.
_ALL_SAID = frozenset(
    {
        MappingCode.YES,
        MappingCode.NOT_IMPORTED,
        MappingCode.KIND,
        MappingCode.ONE_LABEL,
        MappingCode.MOUNTS_OWN,
        MappingCode.AMOUNT_UNKNOWN,
        MappingCode.NOT_MOUNTS,
        MappingCode.NOT_KNOWN,
        MappingCode.SIDE_ON,
        MappingCode.SIDE_LOOKS,
        MappingCode.AIRLESS,
        MappingCode.THROUGH_AIR,
        MappingCode.CLOCK_ALL_YEAR,
        MappingCode.REPLACE_READING,
        MappingCode.FORMER_READING,
        MappingCode.TAKE_FILE,
    }
)


# ---- Questions and proposals.


def question_words(question: Question) -> str:
    """Return a question; what was wrong with the answer before goes first."""
    asked = sentence(question.asks)
    return f"{question.trouble}.  {asked}" if question.trouble else asked


def choice_words(choice: Choice) -> str:
    """Return what a choice means, "" where its code says it all."""
    return sentence(choice.means) if choice.means else ""


def choice_label(choice: Choice) -> str:
    """Return a choice as the page has it: what it is in plain words, then what it means."""
    means = choice_words(choice)
    if choice.means is not None and choice.means.code in _ALL_SAID:
        return means
    if choice.means is not None and choice.means.code == MappingCode.BOTH_OF_DATE:
        return "of date; then the solved ones are of date too, which the next step lets you say"
    plain = _plain_answer(choice.answer)
    if not means:
        return plain
    return f"{plain}{', ' if choice.means and choice.means.code == MappingCode.CELL else ': '}{means}"


def _plain_answer(answer: str) -> str:
    """Return an answer's code in the words for people, or as it stands where it has none: a name, a zone."""
    tables: tuple[Mapping[Any, str], ...] = (KIND_WORDS, ORDER_WORDS, FORM_WORDS, FRAME_WORDS, SIDE_WORDS)
    words = {NONE: "none of them", **{str(code): text for table in tables for code, text in table.items()}}
    return words.get(answer, answer.removeprefix(VALUE).replace("mm_per_m", "mm/m"))


@dataclass(frozen=True)
class ProposedPart:
    """One part of a proposal as the page has it: what it is, how it is read, why, and what else it may be."""

    key: str  # of the answer that changes it
    words: str
    taken: str
    why: str
    choices: tuple[tuple[str, str], ...]  # answer and words; none where the answer is typed


def proposed_parts(proposal: Proposal) -> tuple[ProposedPart, ...]:
    """Return the parts of a proposal: the kind of log, each column and its unit, times and frames."""
    mapping = proposal.mapping
    assert mapping is not None
    header = tuple((name, name) for name in mapping.header if name)
    of = {one.what: one for one in proposal.reasons}
    parts = [_decided_part(of["kind"], "")] if "kind" in of else []
    for column, source in mapping.columns.items():
        words, why = COLUMN_WORDS[column], sentence(of[column].because) if column in of else ""
        taken = f"column {' + '.join(source.columns)}" if source.columns else f"{source.value} for all rows"
        parts.append(ProposedPart(column, words, taken, why, (*header, (NONE, "not in this file"))))
        inner = (of[key] for key in (f"{column}.unit", f"{column}.means") if key in of)
        parts += [_decided_part(one, words) for one in inner]
    parts += [_decided_part(one, "") for key, one in of.items() if key != "kind" and key in _PART_WORDS]
    return tuple(parts)


def _decided_part(reason: Reason, column: str) -> ProposedPart:
    name, _, what = reason.what.partition(".")
    words, choices = _PART_WORDS.get(reason.what, f"{column}: {what}"), dict[str, str]()
    if what == "unit":
        words, choices = f"unit of {column}", {str(one): _plain_answer(str(one)) for one in units_for(name)}
    elif what == "means":
        words, choices = f"what {column} means", {str(one): text for one, text in SIDE_WORDS.items()}
    elif reason.what == "kind":
        choices = KIND_WORDS
    elif reason.what == "time.order":
        choices = {str(one): text for one, text in ORDER_WORDS.items()}
    elif name in ("places", "mount_places"):
        choices = {str(one): text for one, text in FRAME_WORDS.items()}
    taken = _plain_answer(reason.decided)
    return ProposedPart(reason.what, words, taken, sentence(reason.because), tuple(choices.items()))


def preview_table(preview: Preview) -> tuple[list[str], list[list[str]]]:
    """Return headings and sample rows as they would be read."""
    names = list(dict.fromkeys(name for row in preview.rows for name in row.values))
    rows = [[_shown(name, row) if name in row.values else "-" for name in names] for row in preview.rows]
    units = (own_unit(name) for name in names)
    return [
        f"{COLUMN_WORDS[name]} [{_plain_answer(unit)}]" if unit else COLUMN_WORDS[name]
        for name, unit in zip(names, units, strict=True)
    ], rows


def _question_line(question: Question) -> str:
    """Return a question with its choices on one line."""
    choices = [
        f"{one.answer} ({choice_words(one)})" if choice_words(one) else one.answer for one in question.choices
    ]
    free = " | ..." if question.free else ""
    return f"{question.key}: {question_words(question)}  Choices: {' | '.join(choices)}{free}"


def proposal_words(proposal: Proposal, preview: Preview) -> str:
    """Return a proposal with its reasons and sample rows."""
    mapping = proposal.mapping
    assert mapping is not None
    lines = [f"  read as {KIND_WORDS[mapping.kind]}"]
    for column, source in mapping.columns.items():
        lines.append(f"  {column:<18} from {_from(source)}{_how(proposal, column)}")
    lines += [
        f"  {one.what:<18} {one.decided}: {sentence(one.because)}"
        for one in proposal.reasons
        if one.what.partition(".")[0] in ("time", "places", "mount_places") or one.decided == NONE
    ]
    if preview.unused:
        lines.append(f"  not used: {', '.join(preview.unused)}")
    for row in preview.rows:
        lines.append(f"  for example  {' '.join(row.raw.split())}")
        shown = ", ".join(f"{name} {_shown(name, row)}" for name in row.values)
        lines.append(f"           ->  {shown}")
    return "\n".join(lines)


def not_settled_words(error: NotSettled) -> str:
    """Say what is open of how a log is read, and how to settle it without a terminal."""
    if error.proposal is not None:
        return (
            f"{error.name}: its columns are not those of a known log, but could be read so:\n"
            f"{proposal_words(error.proposal, error.preview)}\n"
            "Add --yes to read it so and to keep this under a name, or --answer KEY=VALUE to change it."
        )
    lines = "\n".join(f"  {_question_line(question)}" for question in error.questions)
    count = "one thing" if len(error.questions) == 1 else f"{len(error.questions)} things"
    if error.of_images:
        return (
            f"{error.name}: {count} can't be decided from the headers:\n{lines}\n"
            f'Say it with --answer "{error.questions[0].key}=CHOICE", or import the images at a terminal, '
            "where it is asked."
        )
    return (
        f"{error.name}: {count} can't be decided from the file:\n{lines}\n"
        f"Say it with --answer KEY=CHOICE (one --answer each), such as --answer {_example(error)}, or import "
        "the file at a terminal, where it is asked."
    )


def _example(error: NotSettled) -> str:
    """Return an answer to the first question as it would be typed."""
    first = error.questions[0]
    answer = f"{first.key}={first.choices[0].answer}"
    return f'"{answer}"' if " " in answer else answer


def _from(source: ColumnFrom) -> str:
    return " + ".join(source.columns) if source.columns else f"{source.value!r} for all rows"


def _how(proposal: Proposal, column: str) -> str:
    parts = [_decided(one) for one in proposal.reasons if one.what in (f"{column}.unit", f"{column}.means")]
    return f"; {'; '.join(parts)}" if parts else ""


def _decided(reason: Reason) -> str:
    return f"{reason.decided}: {sentence(reason.because)}"


def _shown(name: str, row: PreviewRow) -> str:
    value = row.values[name]
    if name == "time_utc" and row.no_such_time:
        return "none: the clock did not show it, or showed it twice"
    if value is None:
        return "-"
    if name == "time_utc":
        return f"{np.datetime64(int(value), 'us').astype('datetime64[ms]')}Z"
    if name == "date":
        return _day(int(value))
    return value if isinstance(value, str) else f"{value:.6f}".rstrip("0").rstrip(".")


# ---- Sentences.


def _day(day: int) -> str:
    return datetime.fromtimestamp(day * 86_400, UTC).date().isoformat()


def _columns(names: tuple[str, ...]) -> str:
    return ", ".join(names)


def _cell(v: Values) -> str:
    return f"such as {v['cell']}" if v["cell"] else "blank"


def _which_unit(v: Values) -> str:
    asked = f"in which unit is {v['name']!r} ({_cell(v)})?"
    if not v["divisions"]:
        return asked
    return f"{asked}  A bubble is read in divisions: write the value of one, as in: divisions of 20 arcsec."


def _which_frame(v: Values) -> str:
    if v["verdict"] == FrameVerdict.ONE_FRAME:
        why = "they differ from the solved ones by no precession, so both are in one frame"
    else:
        why = "the file is too short to tell"
    return f"in which frame are the mount's places?  ({why})"


def _imports(v: Values) -> str:
    return f"{'import' if len(v['imports']) == 1 else 'imports'} {', '.join(map(str, v['imports']))}"


def _kind(v: Values) -> str:
    title = KIND_WORDS[v["kind"]]
    return f"{title}; a column for {_columns(v['lacking'])} is then asked for" if v.get("lacking") else title


def _frame(v: Values) -> str:
    words, apart = _FRAMES[PlaceFrame(v["frame"])], v.get("apart_arcmin")
    return f"{words}; then {apart:.1f} arcmin from the solved places in the median" if apart else words


def _holds(v: Values) -> str:
    held = f"it holds {' and '.join(_HOLDS[Holds(one)] for one in v['holds'])}"
    return f"{held}, {ORDER_WORDS[DateOrder(v['order'])]}" if "order" in v else held


def _below(v: Values) -> str:
    if v["clear"]:
        return "all rows then lie above the horizon"
    return f"{100 * v['share']:.0f} of 100 rows would lie below the horizon"


_QUESTIONS: dict[Code, Writer] = {
    MappingCode.WHICH_KIND: lambda v: "what kind of log is it?",
    MappingCode.IS_IT_SLIP: lambda v: f"the column {v['name']} is taken as {v['column']}: is it?",
    MappingCode.WHICH_COLUMN: lambda v: f"which column is {v['column']}?",
    MappingCode.IS_IT_MOUNTS: lambda v: (
        f"{' or '.join(v['names'])} stands beside a solved place: is it the mount's own?"
    ),
    MappingCode.WHICH_DATE: lambda v: "which column is the date?",
    MappingCode.WHICH_TIME: lambda v: "which column is the time of the exposure?",
    MappingCode.WHICH_DATE_AND_TIME: lambda v: "which columns are date and time?",
    MappingCode.WHICH_ORDER: lambda v: "in which order are the parts of a date?",
    MappingCode.WHICH_PLACE: lambda v: "what did the level stand on?",
    MappingCode.WHICH_UNIT: _which_unit,
    MappingCode.WHICH_ZONE: lambda v: "in which time zone are the times?",
    MappingCode.WHICH_FRAME: _which_frame,
    MappingCode.WHICH_SIDE: lambda v: "what does east in the column of sides mean?",
    MappingCode.WHICH_FRAME_OF_IMAGES: lambda v: (
        f"in which frame are {' and '.join(v['keywords'])}, the mount's places?  EQUINOX and RADESYS do not "
        "say it, and these images are too few, or too near to each other on the sky, to show it."
    ),
    MappingCode.WHICH_ALTITUDE: lambda v: "are azimuth and altitude with or without refraction?",
    MappingCode.IS_CLOCK_RIGHT: lambda v: (
        f"{v['cell']!r} says {v['clock']}, which the clocks of the site's own zone, {v['zone']}, do not show "
        "then: are the times right as they are written?"
    ),
    MappingCode.IS_IT_THIS_PIERS: lambda v: (
        f"this file lies with another site file, {v['site_file']}: is it of this pier all the same?"
    ),
    MappingCode.WHICH_READING: lambda v: (
        f"{v['rows']:,} rows of this file are in the record already, read otherwise by {_imports(v)}.  Both "
        "together would count them twice: which reading is right?"
    ),
}
_CHOICES: dict[Code, Writer] = {
    MappingCode.YES: lambda v: "yes",
    MappingCode.NOT_IMPORTED: lambda v: "no: the file is then not imported",
    MappingCode.KIND: _kind,
    MappingCode.CELL: _cell,
    MappingCode.ONE_LABEL: lambda v: "one label for the whole file",
    MappingCode.MOUNTS_OWN: lambda v: "yes: where the mount said it pointed",
    MappingCode.AMOUNT_UNKNOWN: lambda v: "none of them: turned by an unknown amount",
    MappingCode.NOT_MOUNTS: lambda v: "no: a target, or something else",
    MappingCode.NOT_KNOWN: lambda v: "not known",
    MappingCode.DATE_READ: lambda v: f"{v['cell']} is {_day(v['day'])}",
    MappingCode.BELOW_HORIZON: _below,
    MappingCode.FRAME: _frame,
    MappingCode.BOTH_ICRS: lambda v: "the solved ones are ICRS, and so are the mount's",
    MappingCode.BOTH_OF_DATE: lambda v: "then the solved ones are of date too: say places=of_date",
    MappingCode.SIDE_ON: lambda v: "a tube on the east side looks west",
    MappingCode.SIDE_LOOKS: lambda v: "east: the tube looks to the east, from the west side",
    MappingCode.AIRLESS: lambda v: "without refraction, as worked out from a place among the stars",
    MappingCode.THROUGH_AIR: lambda v: "with refraction: where the telescope really looks",
    MappingCode.CLOCK_ALL_YEAR: lambda v: f"that clock is {v['offset_h']:+g} h from UTC all year",
    MappingCode.REPLACE_READING: lambda v: (
        f"this one: {_imports(v)} is undone for this file, and can be brought back"
    ),
    MappingCode.TAKE_FILE: lambda v: "yes: its rows go in",
    MappingCode.FORMER_READING: lambda v: "the former: the file is not imported again",
}
_REASONS: dict[Code, Writer] = {
    MappingCode.ANSWERED: lambda v: "as answered",
    MappingCode.BY_NAME: lambda v: "by its name",
    MappingCode.NAME_SAYS: lambda v: "the name says so",
    MappingCode.OWN_NAME: lambda v: "the name is drift's own",
    MappingCode.OWN_BUT_SLIPS: lambda v: f"its columns but for {' and '.join(v['columns'])} are drift's own",
    MappingCode.OWN_FRAME: lambda v: "the columns are drift's own, whose mount's places are",
    MappingCode.OWN_SIDE: lambda v: "the columns are drift's own, where it is so",
    MappingCode.HOLDS_KINDS: lambda v: f"the column {v['column']} holds kinds of them",
    MappingCode.ALL_COLUMNS_OF: lambda v: f"its columns are those of {KIND_WORDS[v['kind']]}",
    MappingCode.MOST_COLUMNS_OF: lambda v: f"most of its columns are those of {KIND_WORDS[v['kind']]}",
    MappingCode.NAMED_TWICE: lambda v: f"the header names {v['name']} more than once",
    MappingCode.SEVERAL_COLUMNS: lambda v: f"several columns could be it: {_columns(v['names'])}",
    MappingCode.HOLDS: _holds,
    MappingCode.NUMBERS_IN_RANGE: lambda v: "the numbers are in its range",
    MappingCode.ONE_ORDER_FITS: lambda v: "all dates fit it and no other",
    MappingCode.SOME_FIT_NO_OTHER: lambda v: "some dates fit no other order",
    MappingCode.DOTS_DAY_FIRST: lambda v: "dates with dots have the day first",
    MappingCode.ROWS_RISE: lambda v: "only so are the rows in the order of time",
    MappingCode.DATE_STAYS: lambda v: "the date stays the same when the clock passes midnight",
    MappingCode.LOCAL_TIME: lambda v: "the name says local time, and this is the site's zone",
    MappingCode.ELSE_BELOW_HORIZON: lambda v: (
        f"else {100 * v['share']:.0f} of 100 rows would lie below the horizon"
    ),
    MappingCode.SOLVES_ARE_ICRS: lambda v: "plate solves are, where the file does not say otherwise",
    MappingCode.DIFFER_BY_PRECESSION: lambda v: "they differ from the solved ones by precession",
    MappingCode.LOOKS_ACROSS: lambda v: (
        f"in {100 * v['share']:.0f} of 100 rows the tube then looks across the pier"
    ),
    MappingCode.FILE_SAYS: lambda v: "the file says so",
    MappingCode.CELLS_SAY: lambda v: "the cells say so",
    MappingCode.DEGREES_IN_PARTS: lambda v: "the cells are degrees in parts of sixty",
    MappingCode.PARTS_BEYOND_HOURS: lambda v: "parts of sixty above 24 are no hours",
    MappingCode.HOURS_BY_CUSTOM: lambda v: "right ascension in parts of sixty counts hours, by custom",
    MappingCode.USUAL_UNIT: lambda v: "it is the usual unit",
    MappingCode.USUAL_AND_FITS: lambda v: "it is the usual unit, and the numbers fit it",
    MappingCode.BEYOND_24: lambda v: "the numbers go beyond 24",
    MappingCode.TIMES_15_AGREES: lambda v: f"times 15 it agrees with the {v['column']} of the file",
    MappingCode.PARTS_APART: lambda v: "its parts stand in columns of their own",
    MappingCode.TEMPERATURE_BY_THE_HOUR: lambda v: "one temperature, several times a day",
    MappingCode.CLOCKS_SHOW: lambda v: f"{v['clock']} is what its clocks show at all these times",
    MappingCode.NO_OTHER_FITS: lambda v: "the numbers fit no other unit",
}

SENTENCES: dict[Code, Writer] = {**_QUESTIONS, **_CHOICES, **_REASONS}
