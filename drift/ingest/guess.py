"""A proposal how to read a table with other columns than ours, units included, each part with its reason."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace

import numpy as np

from drift.codes import CorrectionKind, Place
from drift.errors import LogFileError
from drift.ingest import row_check
from drift.ingest.detect import fits_none, near_layout
from drift.ingest.guess_meaning import Holds, candidates, guess_time, with_frames, with_sides, with_zone
from drift.ingest.kinds import BY_KIND, LAYOUTS
from drift.ingest.mapping import (
    NONE,
    VALUE,
    Answers,
    Ask,
    Choice,
    ColumnFrom,
    Decisions,
    Mapping,
    Proposal,
    Question,
)
from drift.ingest.names import (
    columns_elsewise,
    columns_in_parts,
    columns_named,
    columns_of_pairs,
    columns_of_success,
    words_of,
    words_of_all,
)
from drift.ingest.row_check import Circumstances, LogLayout
from drift.ingest.text import RawTable
from drift.ingest.times import DateOrder
from drift.ingest.translate import is_by_the_hour
from drift.ingest.trial import Known, sample_of
from drift.ingest.units import (
    Dimension,
    Unit,
    UnitName,
    dimension_of,
    may_be_divisions,
    own_unit,
    to_our_unit,
    unit_of,
    units_for,
)
from drift.ingest.values import NUMBER_AND_UNIT, PARTS, NumberSpelling, Sort, are_flags, of_pair, sort_of
from drift.notices import MappingCode, Notice, Value, info

# ---- The unit of each number: by name, by the cells, or by what is possible.


_RA, _DEC = ("ra_deg", "mount_ra_deg"), ("dec_deg", "mount_dec_deg")
#: Plausible temperatures [deg C] of nights with a telescope, and of days in a weather log.
_AT_NIGHT = row_check.Limits(-45.0, 45.0, row_check.Quantity.TEMPERATURE)
_OF_DAYS = row_check.Limits(-50.0, 50.0, row_check.Quantity.TEMPERATURE)


def with_units(known: Known, mapping: Mapping) -> Mapping:
    """Return a mapping with the unit of every number.

    Raises
    ------
    Ask
        If one can't be decided.
    drift.errors.LogFileError
        If an answer can't be one.
    """
    columns = dict(mapping.columns)
    if is_by_the_hour(mapping):  # one column has one unit
        answers = known.decisions.answers
        answered = answers.get("t_min_c.unit") or answers.get("t_max_c.unit")
        both = {"t_max_c.unit": answered, "t_min_c.unit": answered} if answered else {}
        known.decisions.answers = {**answers, **both}
    for column, source in mapping.columns.items():
        if not source.columns or sort_of(mapping.kind, column) is not Sort.NUMBER or own_unit(column) is None:
            continue
        columns[column] = replace(source, unit=_unit(known, column, source, mapping))
    return replace(mapping, columns=columns)


def _unit(known: Known, column: str, source: ColumnFrom, mapping: Mapping) -> Unit:
    key = f"{column}.unit"
    answer = known.decisions.answer(key)
    if answer:
        unit = unit_of(answer, column)
        if unit is None:
            raise LogFileError(f"{key}={answer} is none of {', '.join(units_for(column))}")
        return _decided(known, key, unit, MappingCode.ANSWERED)
    if len(source.columns) > 1:  # parts of sixty
        said = (_named_unit(known, column, name) for name in source.columns)
        whole = next((one.name for one in said if one), None)
        if whole not in (UnitName.HOURS, UnitName.DEGREES):
            whole = UnitName.HOURS if column in _RA else UnitName.DEGREES
        return _decided(known, key, Unit(whole), MappingCode.PARTS_APART)
    at = known.table.header.index(source.columns[0])
    if source.part:
        return _unit_of_pair(known, column, source, at, key)
    named = words_of(known.sample.headings[at]).unit(column)
    if named:
        return _decided(known, key, named, MappingCode.FILE_SAYS)
    own = own_unit(column)
    assert own is not None
    if known.sample.headings[at].name.lower() in (column, known.slips.get(column, "").lower()):
        return _decided(known, key, Unit(own), MappingCode.OWN_NAME)
    in_cells = _unit_in_cells(known, column, at)
    if in_cells:
        return _decided(known, key, in_cells, MappingCode.CELLS_SAY)
    if dimension_of(own) is Dimension.ANGLE:
        return _angle_unit(known, column, at, key)
    return _other_unit(known, column, at, key)


def _decided(known: Known, key: str, unit: Unit, code: MappingCode, **values: Value) -> Unit:
    """Note the reason of a unit, and return the unit."""
    known.decisions.told(key, str(unit), code, **values)
    return unit


def _named_unit(known: Known, column: str, name: str) -> Unit | None:
    return words_of(known.sample.headings[known.table.header.index(name)]).unit(column)


def _unit_of_pair(known: Known, column: str, source: ColumnFrom, at: int, key: str) -> Unit:
    """Return the unit of a right ascension or declination out of a cell that holds both."""
    degrees, hours = Unit(UnitName.DEGREES), Unit(UnitName.HOURS)
    cells = [of_pair(cell, source.part) for cell in known.sample.given(at)]
    if column not in _RA:
        return _decided(known, key, degrees, MappingCode.USUAL_UNIT)
    parts = [match for cell in cells if (match := PARTS.fullmatch(cell))]
    if len(parts) >= 0.5 * len(cells):
        marks = {(match["mark"] or "h").lower()[:1] for match in parts}
        if marks & {"d", "\u00b0", "\u00ba"}:
            return _decided(known, key, degrees, MappingCode.DEGREES_IN_PARTS)
        return _decided(known, key, hours, MappingCode.HOURS_BY_CUSTOM)
    numbers, _ = NumberSpelling(column, degrees, known.sample.decimal).read(cells)
    if np.nanmax(numbers, initial=0.0) >= 24.0:
        return _decided(known, key, degrees, MappingCode.BEYOND_24)
    return _ask_unit(known, column, at, key, (UnitName.HOURS, UnitName.DEGREES))


def _unit_in_cells(known: Known, column: str, at: int) -> Unit | None:
    """Return the unit that most cells give, None when fewer than half do."""
    given = known.sample.given(at)
    in_cells = [
        unit_of(match[2], column) for cell in given if (match := NUMBER_AND_UNIT.fullmatch(cell)) and match[2]
    ]
    units = Counter(unit for unit in in_cells if unit)
    return units.most_common(1)[0][0] if units and units.total() >= 0.5 * len(given) else None


def _angle_unit(known: Known, column: str, at: int, key: str) -> Unit:
    degrees, hours = Unit(UnitName.DEGREES), Unit(UnitName.HOURS)
    parts = [match for cell in known.sample.given(at) if (match := PARTS.fullmatch(cell))]
    if parts and len(parts) >= 0.5 * len(known.sample.given(at)):
        marks = {(match["mark"] or "").lower()[:1] for match in parts}
        if marks & {"h", "ʰ"}:
            return _decided(known, key, hours, MappingCode.CELLS_SAY)
        if marks & {"d", "°", "º"} or column not in _RA:
            return _decided(known, key, degrees, MappingCode.DEGREES_IN_PARTS)
        if max(int(match["whole"]) for match in parts) >= 24:
            return _decided(known, key, degrees, MappingCode.PARTS_BEYOND_HOURS)
        return _decided(known, key, hours, MappingCode.HOURS_BY_CUSTOM)
    if own_unit(column) is not UnitName.DEGREES:
        return _ask_unit(known, column, at, key)
    numbers = known.sample.numbers(at)
    if column not in _RA:
        if column in _DEC and numbers_within(known, at, np.pi / 2.0) and _few_turns(known, column):
            return _ask_unit(known, column, at, key, (UnitName.DEGREES, UnitName.RADIANS))
        return _decided(known, key, degrees, MappingCode.USUAL_UNIT)
    if numbers.size and numbers.max() >= 24.0:
        return _decided(known, key, degrees, MappingCode.BEYOND_24)
    return _small_ra_unit(known, column, at, key)


def _small_ra_unit(known: Known, column: str, at: int, key: str) -> Unit:
    """Decide between hours and degrees where no number reaches 24: by the other right ascension, else ask."""
    other = "mount_ra_deg" if column == "ra_deg" else "ra_deg"
    positions = columns_named(other, known.sample.headings)
    if len(positions) == 1:
        mine, theirs = known.sample.numbers(at), known.sample.numbers(positions[0])
        if mine.size == theirs.size and theirs.size and theirs.max() >= 24.0:
            apart = np.abs((mine * 15.0 - theirs + 180.0) % 360.0 - 180.0)
            if np.mean(apart < 5.0) > 0.8:
                return _decided(known, key, Unit(UnitName.HOURS), MappingCode.TIMES_15_AGREES, column=other)
    radians = (UnitName.RADIANS,) if numbers_within(known, at, 2.0 * np.pi) else ()
    return _ask_unit(known, column, at, key, (UnitName.HOURS, UnitName.DEGREES, *radians))


def numbers_within(known: Known, at: int, most: float) -> bool:
    """Tell whether a column's numbers are no larger than this, and some are there."""
    numbers = known.sample.numbers(at)
    return bool(numbers.size and np.abs(numbers).max() <= most)


def _few_turns(known: Known, column: str) -> bool:
    """Tell whether the right ascensions beside a declination may be radians."""
    ras = columns_named(column.replace("dec_deg", "ra_deg"), known.sample.headings)
    return len(ras) == 1 and numbers_within(known, ras[0], 2.0 * np.pi)


def _ask_unit(known: Known, column: str, at: int, key: str, units: tuple[UnitName, ...] = ()) -> Unit:
    own, levelled = own_unit(column), may_be_divisions(column)
    order = units or tuple(sorted(units_for(column), key=lambda unit: unit is not own))
    asks = info(
        MappingCode.WHICH_UNIT,
        name=known.table.header[at],
        cell=known.example(at).values["cell"],
        divisions=levelled,
    )
    choices = tuple(Choice(unit) for unit in order)
    answer = known.decisions.ask(Question(key, asks, choices, free=levelled))
    unit = unit_of(answer, column)
    assert unit is not None, "an answer that is no unit is refused before"
    return unit


def _other_unit(known: Known, column: str, at: int, key: str) -> Unit:
    numbers = known.sample.numbers(at)
    own = own_unit(column)
    assert own is not None
    usual = Unit(own)
    fitting = {
        Dimension.TEMPERATURE: _AT_NIGHT if column == "temp_c" else _OF_DAYS,
        Dimension.PRESSURE: row_check.station_pressure(known.around.elevation_m),
        Dimension.DURATION: row_check.EXPOSURE,
    }.get(dimension_of(own))
    if fitting is not None and numbers.size:
        ends = np.percentile(numbers, [2, 98])
        fit = [
            one
            for one in units_for(column)
            if not fitting.outside(to_our_unit(ends, Unit(one), column)).any()
        ]
        if column == "exposure_s" or (fit == [own] and column != "temp_c"):
            return _decided(known, key, usual, MappingCode.USUAL_AND_FITS)
        if len(fit) == 1:
            return _decided(known, key, Unit(fit[0]), MappingCode.NO_OTHER_FITS)
        if own in fit and numbers.min() < 0.0 and UnitName.FAHRENHEIT not in fit:
            return _decided(known, key, usual, MappingCode.USUAL_AND_FITS)
    return _ask_unit(known, column, at, key)


# ---- The proposal, each part with its reason.


_SOLVED, _MOUNT = ("ra_deg", "dec_deg"), ("mount_ra_deg", "mount_dec_deg")
#: Share of a column's cells that must be of a sort.
_NEARLY_ALL = 0.9
#: Share of the columns that a kind of log needs from which on it is worth asking for the others.
_WORTH_ASKING = 0.5


def propose(table: RawTable, around: Circumstances, answers: Answers) -> Proposal:
    """Return a proposal how to read a table, or the question that comes first.

    Parameters
    ----------
    table
        The table, with other columns than ours.
    around
        The site and the present time: the horizon distinguishes zones and units.
    answers
        Answers to earlier questions, by key.

    Raises
    ------
    drift.errors.LogFileError
        If it is no log of any kind known here, or an answer can't be one.
    """
    decisions = Decisions(answers, [], set())
    try:
        mapping = _Guess(Known(table, sample_of(table), around, decisions)).mapping()
    except Ask as ask:
        return Proposal(None, tuple(decisions.reasons), ask.question)
    except LogFileError as error:
        raise LogFileError(f"{table.name}: {error}") from error
    _refuse_unknown(decisions, mapping, table.name)
    return Proposal(mapping, tuple(decisions.reasons))


def all_questions(table: RawTable, around: Circumstances, answers: Answers) -> list[Question]:
    """Return every question on the way to a mapping, answering each with its first choice."""
    given, found = dict(answers), []
    while (question := propose(table, around, given).question) and question.key not in given:
        found.append(question)
        given[question.key] = question.choices[0].answer
    return found


def _refuse_unknown(decisions: Decisions, mapping: Mapping, name: str) -> None:
    known = decisions.asked | set(BY_KIND[mapping.kind].columns)
    for key in decisions.answers:
        if key not in known:
            raise LogFileError(
                f"{name}: {key!r} was not asked; answers here can be to {', '.join(sorted(known))}."
            )


class _Guess:
    """From a table to a mapping, one decision after the other."""

    def __init__(self, known: Known) -> None:
        self.known = known
        self.table, self.sample, self.decisions = known.table, known.sample, known.decisions
        self._times = candidates(known.sample)
        self._sources: dict[str, ColumnFrom] = {}  # of columns that are not one plain column of the file

    def mapping(self) -> Mapping:
        """Decide everything, and return the mapping."""
        layout, columns = self._kind_and_columns()
        mapping = Mapping(layout.kind, self.table.header, columns)
        if "time_utc" in layout.columns:
            time = guess_time(self.sample, self.decisions)
            names = tuple(self.table.header[at] for at in time.at)
            mapping = replace(mapping, columns={"time_utc": ColumnFrom(names), **columns}, time=time.time)
        else:
            time = None
            mapping = self._with_hours(mapping) if is_by_the_hour(mapping) else self._with_day(mapping)
        mapping = with_units(self.known, mapping)
        if time is not None:
            mapping = with_zone(self.known, mapping, time)
        if "ra_deg" in mapping.columns:
            mapping = with_frames(self.known, mapping)
        if "tube_side" in mapping.columns:
            mapping = with_sides(self.known, mapping)
        if layout.kind == "levels" and "place" not in mapping.columns:
            mapping = self._with_place(mapping)
        return mapping

    # ---- which kind of log, and which column is which

    def _kind_and_columns(self) -> tuple[LogLayout, dict[str, ColumnFrom]]:
        named = {layout.kind: self._named(layout) for layout in LAYOUTS}
        fitting = [one for one in LAYOUTS if all(named[one.kind].get(column) for column in one.required)]
        answer = self.decisions.answer("kind")
        near = self._but_for_slips(named)
        if near is not None:
            layout = near
        elif answer:
            if answer not in BY_KIND:
                raise LogFileError(f"kind={answer} is none of {', '.join(BY_KIND)}")
            layout = BY_KIND[answer]
            self.decisions.told("kind", layout.kind, MappingCode.ANSWERED)
            self._look_for_hours(named["weather"]) if layout.kind == "weather" else None
        elif fitting:
            layout = self._best(fitting, named)
        elif self._look_for_hours(named["weather"]):
            layout = BY_KIND["weather"]
            self.decisions.told("kind", layout.kind, MappingCode.TEMPERATURE_BY_THE_HOUR)
        else:
            layout = self._by_content(named) or self._nearest(named)
        self._refuse_repeated(layout, named[layout.kind])
        return layout, self._columns(layout, named[layout.kind])

    def _but_for_slips(self, named: dict[str, dict[str, list[int]]]) -> LogLayout | None:
        """Return the layout of a header with typing slips, each of which is asked about first."""
        if self.decisions.answers.get("kind"):
            return None
        near = near_layout(self.table.header, LAYOUTS)
        if near is None:
            return None
        for column, name in near.slips.items():
            if self.decisions.answers.get(column, name).lower() not in (name.lower(), NONE):
                return None  # the answer was another column: no slip then
        for column, name in near.slips.items():
            asks = info(MappingCode.IS_IT_SLIP, column=column, name=name)
            choices = (Choice(name, info(MappingCode.YES)), Choice(NONE, info(MappingCode.NOT_IMPORTED)))
            if self.decisions.ask(Question(column, asks, choices)) == NONE:
                raise LogFileError(
                    f"{name} is not {column}, which then lacks: give the column that is it this name, or "
                    f"{name} one less like it, and import again."
                )
            named[near.layout.kind][column] = [self.table.header.index(name)]
        self.known.slips.update(near.slips)
        slips = tuple(near.slips.values())
        self.decisions.told("kind", near.layout.kind, MappingCode.OWN_BUT_SLIPS, columns=slips)
        return near.layout

    def _refuse_repeated(self, layout: LogLayout, named: dict[str, list[int]]) -> None:
        """Refuse a header whose only column for something needed is there twice."""
        for column in (*layout.required, *layout.together):
            found = [self.table.header[at] for at in named[column] if at >= 0]
            if found and not self._once(named[column]) and not self.decisions.answers.get(column):
                raise LogFileError(
                    f"the header names {found[0]} more than once, so that it is not clear which column is "
                    "meant.  Rename or remove one of them."
                )

    def _once(self, positions: list[int]) -> list[int]:
        """Return the positions of columns whose names are unique in the header: others can't be answered."""
        names = [name.lower() for name in self.table.header]
        return [at for at in positions if at < 0 or names.count(names[at]) == 1]

    def _named(self, layout: LogLayout) -> dict[str, list[int]]:
        """Return the positions of the columns that may be each of a layout's."""
        taken = {at for one in self._times for at in one.all_at}
        found: dict[str, list[int]] = {}
        for column in layout.columns:
            if column == "time_utc":
                found[column] = [one.at for one in self._times if one.holds is not Holds.DATE]
            elif column == "date":
                found[column] = [one.at for one in self._times if one.holds in (Holds.DATE, Holds.WHOLE)]
            else:
                positions = columns_named(column, self.sample.headings)
                found[column] = [at for at in positions if at not in taken]
            if column == "success":
                found[column] = [
                    at for at in columns_of_success(self.sample.headings) if are_flags(self.sample.texts(at))
                ][:1]
            if self.decisions.answers.get(column):
                found[column] = found[column] or [-1]
        if "ra_deg" in layout.columns:
            self._find_places(found)
        return found

    def _find_places(self, found: dict[str, list[int]]) -> None:
        """Find places in special forms: parts of sixty, two in one cell, hour angle, azimuth."""
        headings, header = self.sample.headings, self.table.header
        for pair in (_SOLVED, _MOUNT):
            columns = [column for column in pair if column in found]
            for column in columns:
                parts = columns_in_parts(column, headings)
                if parts:
                    found[column] = [parts[0]]
                    self._sources[column] = ColumnFrom(tuple(header[at] for at in parts))
            if len(columns) < 2 or any(found[column] for column in columns):
                continue
            both = [at for at in columns_of_pairs(pair[0], headings) if self._are_pairs(at)]
            if len(both) == 1:
                for part, column in enumerate(columns, 1):
                    found[column] = both
                    self._sources[column] = ColumnFrom((header[both[0]],), part=part)
                continue
            for column in columns:
                found[column] = columns_elsewise(column, headings)
        if "mount_ra_deg" in found and found["mount_dec_deg"] and not found["mount_ra_deg"]:
            found["mount_ra_deg"] = columns_elsewise("mount_ra_deg", headings)

    def _are_pairs(self, at: int) -> bool:
        given = self.sample.given(at)
        pairs = sum(of_pair(cell, 1) != "?" for cell in given)
        return bool(given) and pairs >= 0.8 * len(given)

    def _look_for_hours(self, named: dict[str, list[int]]) -> bool:
        """Use a temperature with several rows a day for the day's minimum and maximum."""
        temperature = columns_named("temp_c", self.sample.headings)
        whole = [one for one in self._times if one.holds in (Holds.WHOLE, Holds.COUNT)]
        whole = whole or [one for one in self._times if one.holds is Holds.CLOCK]
        if len(temperature) != 1 or not whole or named["t_min_c"] or named["t_max_c"]:
            return False
        source = ColumnFrom((self.table.header[temperature[0]],))
        named.update(date=[whole[0].at], t_min_c=temperature, t_max_c=temperature)
        self._sources.update(t_min_c=source, t_max_c=source)
        return True

    def _best(self, fitting: list[LogLayout], named: dict[str, dict[str, list[int]]]) -> LogLayout:
        used = {one.kind: sum(bool(at) for at in named[one.kind].values()) for one in fitting}
        most = max((used[one.kind], len(one.required)) for one in fitting)
        best = [one for one in fitting if (used[one.kind], len(one.required)) == most]
        if len(best) > 1:
            choices = tuple(Choice(one.kind, info(MappingCode.KIND, kind=one.kind)) for one in best)
            return BY_KIND[self.decisions.ask(Question("kind", info(MappingCode.WHICH_KIND), choices))]
        self.decisions.told("kind", best[0].kind, MappingCode.ALL_COLUMNS_OF, kind=best[0].kind)
        return best[0]

    def _by_content(self, named: dict[str, dict[str, list[int]]]) -> LogLayout | None:
        """Take a table for corrections where the names say nothing but a column holds their kinds."""
        if not named["corrections"]["time_utc"]:
            return None
        kinds = {str(one) for one in CorrectionKind}
        for at, name in enumerate(self.table.header):
            given = self.sample.given(at)
            if given and sum(cell.lower() in kinds for cell in given) >= _NEARLY_ALL * len(given):
                named["corrections"]["kind"] = [at]
                self.decisions.told("kind", "corrections", MappingCode.HOLDS_KINDS, column=name)
                return BY_KIND["corrections"]
        return None

    def _nearest(self, named: dict[str, dict[str, list[int]]]) -> LogLayout:
        def share(layout: LogLayout) -> float:
            own = [column for column in layout.required if column not in ("time_utc", "date")]
            return sum(bool(named[layout.kind][column]) for column in own) / len(own)

        timed = [one for one in LAYOUTS if named[one.kind].get(one.required[0])]
        nearest = max(timed, key=lambda one: (share(one), len(one.required)), default=None)
        if nearest is None or share(nearest) < _WORTH_ASKING or nearest.kind == "corrections":
            raise fits_none(self.table.header, LAYOUTS, self._first_row())
        near = [one for one in timed if share(one) >= _WORTH_ASKING and one.kind != "corrections"]
        if len(near) > 1:
            choices = tuple(Choice(one.kind, self._lacking(one, named[one.kind])) for one in near)
            return BY_KIND[self.decisions.ask(Question("kind", info(MappingCode.WHICH_KIND), choices))]
        self.decisions.told("kind", nearest.kind, MappingCode.MOST_COLUMNS_OF, kind=nearest.kind)
        return nearest

    def _first_row(self) -> list[str]:
        raws = self.sample.rows.raws
        return self.table.split_raw(raws[0]) if raws else []

    @staticmethod
    def _lacking(layout: LogLayout, named: dict[str, list[int]]) -> Notice:
        lacking = tuple(column for column in layout.required if not named[column])
        return info(MappingCode.KIND, kind=layout.kind, lacking=lacking)

    def _columns(self, layout: LogLayout, named: dict[str, list[int]]) -> dict[str, ColumnFrom]:
        columns: dict[str, ColumnFrom] = {}
        taken: set[int] = set()
        for column in layout.columns:
            if column in ("time_utc", "date"):
                continue
            free = [at for at in named[column] if column in self._sources or at not in taken]
            found = self._column(column, free, layout, taken)
            if found is not None:
                columns[column] = found
                taken |= {at for at, name in enumerate(self.table.header) if name in found.columns}
        return columns

    def _column(self, column: str, found: list[int], layout: LogLayout, taken: set[int]) -> ColumnFrom | None:
        header, decisions = self.table.header, self.decisions
        answer = decisions.answer(column)
        if answer.startswith(VALUE):
            decisions.told(column, answer, MappingCode.ANSWERED)
            return ColumnFrom(value=answer.removeprefix(VALUE))
        if answer == NONE and column in layout.optional:
            return None
        if answer:
            names = {name.lower(): name for name in header}
            if answer.lower() not in names:
                raise LogFileError(
                    f"{column}={answer}: the file has no such column (it has: {', '.join(header)})"
                )
            decisions.told(column, names[answer.lower()], MappingCode.ANSWERED)
            return ColumnFrom((names[answer.lower()],))
        if len(found) == 1:
            source = self._sources.get(column) or ColumnFrom((header[found[0]],))
            decisions.told(column, " + ".join(source.columns), MappingCode.BY_NAME)
            return source
        perhaps = self._may_be_mounts(column, taken) if column in layout.together and not found else []
        if perhaps:
            decisions.ask(self._mounts_question(column, perhaps))
        if column == "amount_arcmin" and layout.kind == "corrections" and not found:
            numbers = [at for at in range(len(header)) if at not in taken and self.sample.are_numbers(at)]
            choices = tuple(Choice(header[at], self.known.example(at)) for at in self._once(numbers))
            if choices:  # without it each knob would count as turned by an unknown amount
                none = Choice(NONE, info(MappingCode.AMOUNT_UNKNOWN))
                asks = info(MappingCode.WHICH_COLUMN, column=column)
                if decisions.ask(Question(column, asks, (*choices, none))) == NONE:
                    return None
        half_given = column in layout.together and any(
            self._named(layout)[one]
            for one in layout.together
            if one != column and decisions.answers.get(one) != NONE
        )
        if column in layout.optional and not half_given:
            if found and not self._once(found):
                decisions.told(column, NONE, MappingCode.NAMED_TWICE, name=header[found[0]])
            elif found:
                several = tuple(header[at] for at in found)
                decisions.told(column, NONE, MappingCode.SEVERAL_COLUMNS, column=column, names=several)
            return None
        open_ones = self._once(found) or [at for at in range(len(header)) if at not in taken and header[at]]
        open_ones = self._once(open_ones)
        choices = tuple(Choice(header[at], self.known.example(at)) for at in open_ones)
        if column in ("sweep", "run"):
            choices = (*choices, Choice(f"{VALUE}1", info(MappingCode.ONE_LABEL)))
        if not choices:
            raise LogFileError(f"no column is left that could be {column}")
        decisions.ask(Question(column, info(MappingCode.WHICH_COLUMN, column=column), choices))
        raise AssertionError("a question without an answer is raised")

    def _may_be_mounts(self, column: str, taken: set[int]) -> list[int]:
        """Return plain columns beside those taken as solved: they may be the mount's own places."""
        if column == "mount_dec_deg" and self.decisions.answer("mount_ra_deg") == NONE:
            return []
        kind = "ra" if column == "mount_ra_deg" else "dec"
        words = words_of_all(self.sample.headings)
        if not any(words[at].has("solved") and words[at].has(kind) for at in taken):
            return []
        bars = ("solved", "else", "error", "sigma", "az", "alt", "dec" if kind == "ra" else "ra")
        plain = (at for at, one in enumerate(words) if one.has(kind) and not one.has(*bars))
        return self._once([at for at in plain if at not in taken])

    def _mounts_question(self, column: str, perhaps: list[int]) -> Question:
        names = tuple(self.table.header[at] for at in perhaps)
        choices = tuple(Choice(name, info(MappingCode.MOUNTS_OWN)) for name in names)
        asks = info(MappingCode.IS_IT_MOUNTS, names=names)
        return Question(column, asks, (*choices, Choice(NONE, info(MappingCode.NOT_MOUNTS))))

    # ---- how each is written

    def _with_day(self, mapping: Mapping) -> Mapping:
        days = [one for one in self._times if one.holds in (Holds.DATE, Holds.WHOLE)]
        answer = self.decisions.answer("date").lower()
        if answer:
            days = [one for one in days if self.table.header[one.at].lower() == answer]
        if len(days) != 1:
            choices = tuple(Choice(self.table.header[one.at]) for one in days)
            self.decisions.ask(Question("date", info(MappingCode.WHICH_DATE), choices))
        orders = days[0].orders
        given = self.sample.given(days[0].at)
        if len(orders) > 1 and re.match(r"\d{1,2}\.", given[0]):
            orders = (DateOrder.DMY,)
        choices = tuple(Choice(order, info(MappingCode.CELL, cell=given[0])) for order in orders)
        order = (
            orders[0]
            if len(orders) == 1
            else DateOrder(self.decisions.ask(Question("time.order", info(MappingCode.WHICH_ORDER), choices)))
        )
        names = tuple(self.table.header[at] for at in days[0].all_at)
        self.decisions.told("date", " + ".join(names), MappingCode.HOLDS, holds=(Holds.DATE,), order=order)
        columns = {"date": ColumnFrom(names), **mapping.columns}
        return replace(mapping, columns=columns, time=replace(mapping.time, order=order))

    def _with_hours(self, mapping: Mapping) -> Mapping:
        """Return a mapping of weather with several rows a day, with its times.

        Those without a zone are taken to be by the clock that counts the days.
        """
        time = guess_time(self.sample, self.decisions)
        names = tuple(self.table.header[at] for at in time.at)
        zone = "UTC" if time.needs_zone and "utc" in time.words else ""
        columns = {"date": ColumnFrom(names), **mapping.columns}
        return replace(mapping, columns=columns, time=replace(time.time, zone=zone))

    def _with_place(self, mapping: Mapping) -> Mapping:
        choices = (*(Choice(f"{VALUE}{one}") for one in Place), Choice(NONE, info(MappingCode.NOT_KNOWN)))
        answer = self.decisions.ask(Question("place", info(MappingCode.WHICH_PLACE), choices))
        if answer == NONE:
            return mapping
        columns = {**mapping.columns, "place": ColumnFrom(value=answer.removeprefix(VALUE))}
        return replace(mapping, columns=columns)
