"""A table with columns of its own -> a proposal how to read it, each part with its reason."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from drift.errors import LogFileError
from drift.logs.angles import NUMBER_AND_UNIT, PARTS
from drift.logs.detect import why_none
from drift.logs.frame_test import EXCHANGED, ONE_FRAME, RIGHT, FrameShare
from drift.logs.guess_time import TimeGuess, candidates, guess_time, with_zone
from drift.logs.kinds import BY_KIND, LAYOUTS
from drift.logs.layout import Circumstances, Layout
from drift.logs.mapping import FRAMES, ICRS, MEAN, OF_DATE, ColumnFrom, Mapping
from drift.logs.names import columns_named, words_of
from drift.logs.proposal import NONE, VALUE, Answers, Ask, Choice, Decisions, Proposal, Question
from drift.logs.ready import sort_of
from drift.logs.sample import sample_of
from drift.logs.sides import LOOKS, MEANINGS, ON
from drift.logs.table import RawTable
from drift.logs.trial import Trial
from drift.logs.units import own_unit, unit_of, units_for
from drift.logs.zones import zone_named

Numbers = npt.NDArray[np.float64]

#: Share of the rows below the horizon: so few under the true zone, so many that a zone is excluded.
_CLEAR, _EXCLUDED = 0.02, 0.15
#: Sides of the tube that agree with the sign of the hour angle in this share decide what a column means.
_AGREE = 0.8
#: A share of the columns that a kind of log needs from which it is worth asking for the others.
_WORTH_ASKING = 0.5
_RA = ("ra_deg", "mount_ra_deg")
_PLACES = ("pier", "plate", "mount")


def propose(table: RawTable, around: Circumstances, answers: Answers) -> Proposal:
    """Say how a table could be read, or what must be asked first.

    Parameters
    ----------
    table
        The table, with columns that are not the contract's.
    around
        The site and the present time: the horizon tells zones and units apart.
    answers
        Answers to earlier questions, by key.

    Raises
    ------
    drift.errors.LogFileError
        If it is no log of any kind known here, or an answer can't be one.
    """
    decisions = Decisions(answers, [], set())
    try:
        mapping = _Guess(table, around, decisions).mapping()
    except Ask as ask:
        return Proposal(None, tuple(decisions.reasons), ask.question)
    except LogFileError as error:
        raise LogFileError(f"{table.name}: {error}") from error
    _refuse_unknown(decisions, mapping, table.name)
    return Proposal(mapping, tuple(decisions.reasons))


def all_questions(table: RawTable, around: Circumstances, answers: Answers) -> list[Question]:
    """Return every question on the way to a mapping, taking the first choice of each to get to the next."""
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


@dataclass
class _Guess:
    table: RawTable
    around: Circumstances
    decisions: Decisions

    def mapping(self) -> Mapping:
        """Go all the way."""
        self.sample = sample_of(self.table)
        layout, columns = self._kind_and_columns()
        mapping = Mapping(layout.kind, self.table.header, columns)
        if "time_utc" in layout.columns:
            time = guess_time(self.sample, self.decisions)
            names = tuple(self.table.header[at] for at in time.at)
            mapping = replace(mapping, columns={"time_utc": ColumnFrom(names), **columns}, time=time.time)
        else:
            time = None
            mapping = self._with_day(mapping)
        mapping = self._with_units(mapping)
        if time is not None:
            mapping = self._with_zone(mapping, time)
        if "ra_deg" in mapping.columns:
            mapping = self._with_frames(mapping)
        if "tube_side" in mapping.columns:
            mapping = self._with_sides(mapping)
        if layout.kind == "levels" and "place" not in mapping.columns:
            mapping = self._with_place(mapping)
        return mapping

    # ---- which kind of log, and which column is which

    def _kind_and_columns(self) -> tuple[Layout, dict[str, ColumnFrom]]:
        named = {layout.kind: self._named(layout) for layout in LAYOUTS}
        fitting = [one for one in LAYOUTS if all(named[one.kind].get(column) for column in one.required)]
        answer = self.decisions.answer("kind")
        if answer:
            if answer not in BY_KIND:
                raise LogFileError(f"kind={answer} is none of {', '.join(BY_KIND)}")
            layout = BY_KIND[answer]
            self.decisions.told("kind", layout.kind, "as answered")
        elif fitting:
            layout = self._best(fitting, named)
        else:
            layout = self._nearest(named)
        return layout, self._columns(layout, named[layout.kind])

    def _named(self, layout: Layout) -> dict[str, list[int]]:
        """Return the positions of the columns that may be each of a layout's."""
        taken = {one.at for one in self._times}
        found: dict[str, list[int]] = {}
        for column in layout.columns:
            if column == "time_utc":
                found[column] = [one.at for one in self._times if one.sort != "date"]
            elif column == "date":
                found[column] = [one.at for one in self._times if one.sort in ("date", "whole")]
            else:
                positions = columns_named(column, self.sample.headings)
                found[column] = [at for at in positions if at not in taken]
            if self.decisions.answers.get(column):
                found[column] = found[column] or [-1]
        return found

    @property
    def _times(self):  # type: ignore[no-untyped-def]
        if not hasattr(self, "_found_times"):
            self._found_times = candidates(self.sample)
        return self._found_times

    def _best(self, fitting: list[Layout], named: dict[str, dict[str, list[int]]]) -> Layout:
        used = {one.kind: sum(bool(at) for at in named[one.kind].values()) for one in fitting}
        most = max((used[one.kind], len(one.required)) for one in fitting)
        best = [one for one in fitting if (used[one.kind], len(one.required)) == most]
        if len(best) > 1:
            choices = tuple(Choice(one.kind, one.title) for one in best)
            return BY_KIND[self.decisions.ask(Question("kind", "what kind of log is it?", choices))]
        self.decisions.told("kind", best[0].kind, "its columns are those of " + best[0].title)
        return best[0]

    def _nearest(self, named: dict[str, dict[str, list[int]]]) -> Layout:
        def share(layout: Layout) -> float:
            own = [column for column in layout.required if column not in ("time_utc", "date")]
            return sum(bool(named[layout.kind][column]) for column in own) / len(own)

        timed = [one for one in LAYOUTS if named[one.kind].get(one.required[0])]
        nearest = max(timed, key=lambda one: (share(one), len(one.required)), default=None)
        if nearest is None or share(nearest) < _WORTH_ASKING or nearest.kind == "corrections":
            raise LogFileError(why_none(self.table.header, LAYOUTS))
        near = [one for one in timed if share(one) >= _WORTH_ASKING and one.kind != "corrections"]
        if len(near) > 1:
            choices = tuple(Choice(one.kind, self._lacking_words(one, named[one.kind])) for one in near)
            return BY_KIND[self.decisions.ask(Question("kind", "what kind of log is it?", choices))]
        self.decisions.told("kind", nearest.kind, "most of its columns are those of " + nearest.title)
        return nearest

    @staticmethod
    def _lacking_words(layout: Layout, named: dict[str, list[int]]) -> str:
        lacking = [column for column in layout.required if not named[column]]
        return f"{layout.title}; a column for {', '.join(lacking)} is then asked for"

    def _columns(self, layout: Layout, named: dict[str, list[int]]) -> dict[str, ColumnFrom]:
        columns: dict[str, ColumnFrom] = {}
        taken: set[int] = set()
        for column in layout.columns:
            if column in ("time_utc", "date"):
                continue
            found = self._column(column, [at for at in named[column] if at not in taken], layout, taken)
            if found is not None:
                columns[column] = found
                taken |= {at for at, name in enumerate(self.table.header) if name in found.columns}
        return columns

    def _column(self, column: str, found: list[int], layout: Layout, taken: set[int]) -> ColumnFrom | None:
        header, decisions = self.table.header, self.decisions
        answer = decisions.answer(column)
        if answer.startswith(VALUE):
            decisions.told(column, answer, "as answered")
            return ColumnFrom(value=answer.removeprefix(VALUE))
        if answer == NONE and column in layout.optional:
            return None
        if answer:
            names = {name.lower(): name for name in header}
            if answer.lower() not in names:
                raise LogFileError(
                    f"{column}={answer}: the file has no such column (it has: {', '.join(header)})"
                )
            decisions.told(column, names[answer.lower()], "as answered")
            return ColumnFrom((names[answer.lower()],))
        if len(found) == 1:
            decisions.told(column, header[found[0]], "by its name")
            return ColumnFrom((header[found[0]],))
        half_given = column in layout.together and any(
            self._named(layout)[one] for one in layout.together if one != column
        )
        if column in layout.optional and not half_given:
            if found:
                several = ", ".join(header[at] for at in found)
                decisions.told(
                    column, NONE, f"several columns could be it: {several}; say {column}=NAME for one"
                )
            return None
        open_ones = found or [at for at in range(len(header)) if at not in taken and header[at]]
        choices = tuple(Choice(header[at], self._example(at)) for at in open_ones)
        if column in ("sweep", "run"):
            choices = (*choices, Choice(f"{VALUE}1", "one label for the whole file"))
        if not choices:
            raise LogFileError(f"no column is left that could be {column}")
        decisions.ask(Question(column, f"which column is {column}?", choices))
        raise AssertionError("a question without an answer is raised")

    def _example(self, at: int) -> str:
        given = self.sample.given(at)
        return f"such as {given[0]}" if given else "blank"

    # ---- how each is written

    def _with_day(self, mapping: Mapping) -> Mapping:
        days = [one for one in self._times if one.sort in ("date", "whole")]
        answer = self.decisions.answer("date").lower()
        if answer:
            days = [one for one in days if self.table.header[one.at].lower() == answer]
        if len(days) != 1:
            choices = tuple(Choice(self.table.header[one.at]) for one in days)
            self.decisions.ask(Question("date", "which column is the date?", choices))
        orders = days[0].orders
        given = self.sample.given(days[0].at)
        if len(orders) > 1 and re.match(r"\d{1,2}\.", given[0]):
            orders = ("day month year",)
        choices = tuple(Choice(order, f"such as {given[0]}") for order in orders)
        order = (
            orders[0]
            if len(orders) == 1
            else self.decisions.ask(
                Question("time.order", "in which order are the parts of a date?", choices)
            )
        )
        name = self.table.header[days[0].at]
        self.decisions.told("date", name, f"it holds dates, {order}")
        columns = {"date": ColumnFrom((name,)), **mapping.columns}
        return replace(mapping, columns=columns, time=replace(mapping.time, order=order))

    def _with_units(self, mapping: Mapping) -> Mapping:
        columns = dict(mapping.columns)
        for column, source in mapping.columns.items():
            if not source.columns or sort_of(mapping.kind, column) != "number" or own_unit(column) is None:
                continue
            columns[column] = replace(source, unit=self._unit(column, source, mapping))
        return replace(mapping, columns=columns)

    def _unit(self, column: str, source: ColumnFrom, mapping: Mapping) -> str:
        key = f"{column}.unit"
        answer = self.decisions.answer(key)
        if answer:
            unit = unit_of(answer, column)
            if not unit:
                raise LogFileError(f"{key}={answer} is none of {', '.join(units_for(column))}")
            return self.decisions.told(key, unit, "as answered")
        at = self.table.header.index(source.columns[0])
        named = words_of(self.sample.headings[at]).unit(column)
        if named:
            return self.decisions.told(key, named, "the file says so")
        if self.sample.headings[at].name.lower() == column:
            own = own_unit(column)
            return self.decisions.told(key, own.name if own else "", "the name is the contract's own")
        in_cells = self._unit_in_cells(column, at)
        if in_cells:
            return self.decisions.told(key, in_cells, "the cells say so")
        own = own_unit(column)
        assert own is not None
        if own.dimension == "angle":
            return self._angle_unit(column, at, key)
        return self._other_unit(column, at, key)

    def _unit_in_cells(self, column: str, at: int) -> str:
        """Return the unit that most cells say by themselves, "" when fewer than half do."""
        given = self.sample.given(at)
        said = [
            unit_of(match[2], column)
            for cell in given
            if (match := NUMBER_AND_UNIT.fullmatch(cell)) and match[2]
        ]
        known = Counter(unit for unit in said if unit)
        return known.most_common(1)[0][0] if known and known.total() >= 0.5 * len(given) else ""

    def _angle_unit(self, column: str, at: int, key: str) -> str:
        parts = [match for cell in self.sample.given(at) if (match := PARTS.fullmatch(cell))]
        own = own_unit(column)
        if parts and len(parts) >= 0.5 * len(self.sample.given(at)):
            marks = {(match["mark"] or "").lower()[:1] for match in parts}
            if marks & {"h", "ʰ"}:
                return self.decisions.told(key, "hours", "the cells say h")
            if marks & {"d", "°", "º"} or column not in _RA:
                return self.decisions.told(key, "degrees", "the cells are degrees in parts of sixty")
            if max(int(match["whole"]) for match in parts) >= 24:
                return self.decisions.told(key, "degrees", "parts of sixty above 24 are no hours")
            return self.decisions.told(
                key, "hours", "right ascension in parts of sixty counts hours, by custom"
            )
        if own is not None and own.name != "degrees":
            return self._ask_unit(column, at, key)
        if column not in _RA:
            return self.decisions.told(key, "degrees", "it is the usual unit")
        numbers = self.sample.numbers(at)
        if numbers.size and numbers.max() >= 24.0:
            return self.decisions.told(key, "degrees", "the numbers go beyond 24")
        return self._small_ra_unit(column, at, key)

    def _small_ra_unit(self, column: str, at: int, key: str) -> str:
        """Tell hours from degrees where no number reaches 24: by the other right ascension, else ask."""
        other = "mount_ra_deg" if column == "ra_deg" else "ra_deg"
        positions = columns_named(other, self.sample.headings)
        if len(positions) == 1:
            mine, theirs = self.sample.numbers(at), self.sample.numbers(positions[0])
            if mine.size == theirs.size and theirs.size and theirs.max() >= 24.0:
                apart = np.abs((mine * 15.0 - theirs + 180.0) % 360.0 - 180.0)
                if np.mean(apart < 5.0) > 0.8:
                    return self.decisions.told(
                        key, "hours", f"times 15 it agrees with the {other} of the file"
                    )
        return self._ask_unit(column, at, key, ("hours", "degrees"))

    def _ask_unit(self, column: str, at: int, key: str, units: tuple[str, ...] = ()) -> str:
        name = self.table.header[at]
        own = own_unit(column)
        order = units or tuple(
            sorted(units_for(column), key=lambda unit: own is not None and unit != own.name)
        )
        choices = tuple(Choice(unit) for unit in order)
        words = f"in which unit is {name!r} ({self._example(at)})?"
        if not column.startswith("lean_"):
            return self.decisions.ask(Question(key, words, choices))
        words += "  A bubble is read in divisions: write the value of one, as in: divisions of 20 arcsec."
        return self.decisions.ask(Question(key, words, choices, free=True))

    def _other_unit(self, column: str, at: int, key: str) -> str:
        from drift.logs import limits
        from drift.logs.units import to_contract

        numbers = self.sample.numbers(at)
        fitting = {
            "temp": limits.Limits(-45.0, 45.0, ""),
            "pressure": limits.station_pressure(self.around.elevation_m),
            "exposure": limits.EXPOSURE,
            "t": limits.Limits(-50.0, 50.0, ""),
        }.get(column.split("_")[0])
        own = own_unit(column)
        assert own is not None
        if fitting is not None and numbers.size:
            fit = [
                unit
                for unit in units_for(column)
                if not fitting.outside(to_contract(np.percentile(numbers, [2, 98]), unit, column)).any()
            ]
            if column in ("exposure_s",) or (
                fit and own.name in fit and column != "temp_c" and len(fit) == 1
            ):
                return self.decisions.told(key, own.name, "it is the usual unit, and the numbers fit it")
            if len(fit) == 1:
                return self.decisions.told(key, fit[0], "the numbers fit no other unit")
            if own.name in fit and numbers.min() < 0.0 and "F" not in fit:
                return self.decisions.told(key, own.name, "it is the usual unit, and the numbers fit it")
        return self._ask_unit(column, at, key)

    # ---- what the sky tells

    def _trial(self, mapping: Mapping) -> Trial:
        return Trial.of(self.sample, mapping, self.around)

    def _with_zone(self, mapping: Mapping, time: TimeGuess) -> Mapping:
        key, decisions = "time.zone", self.decisions
        repeated = decisions.answer("time.repeated_hour")
        if repeated in ("first", "second"):
            time = replace(time, time=replace(time.time, repeated_hour=repeated))
            mapping = replace(mapping, time=time.time)
        if not time.needs_zone:
            return mapping
        answer = decisions.answer(key)
        if answer:
            if zone_named(answer) is None:
                raise LogFileError(
                    f"{key}={answer} is no time zone: give UTC, a name of the IANA list such as "
                    "Europe/Berlin, or an offset such as +02:00"
                )
            decisions.told(key, answer, "as answered")
            return replace(mapping, time=with_zone(time, answer))
        if "utc" in time.words:
            decisions.told(key, "UTC", "the name says so")
            return replace(mapping, time=with_zone(time, "UTC"))
        site = self.around.timezone or "UTC"
        zones = [site] if "local" in time.words and site != "UTC" else list(dict.fromkeys(["UTC", site]))
        if "local" in time.words and site != "UTC":
            decisions.told(key, site, "the name says local time, and this is the site's zone")
            return replace(mapping, time=with_zone(time, site))
        shares = {zone: self._trial(replace(mapping, time=with_zone(time, zone))).below() for zone in zones}
        clear = [zone for zone, share in shares.items() if share is not None and share <= _CLEAR]
        others = [share for zone, share in shares.items() if zone not in clear and share is not None]
        if len(zones) > 1 and len(clear) == 1 and others and min(others) >= _EXCLUDED:
            low = round(100 * min(others))
            decisions.told(key, clear[0], f"else {low} of 100 rows would lie below the horizon")
            return replace(mapping, time=with_zone(time, clear[0]))
        choices = tuple(Choice(zone, _below_words(shares[zone])) for zone in zones)
        zone = decisions.ask(Question(key, "in which time zone are the times?", choices, free=True))
        return replace(mapping, time=with_zone(time, zone))

    def _with_frames(self, mapping: Mapping) -> Mapping:
        places = self._frame("places", ("ra_deg", "dec_deg"), mapping)
        if "mount_ra_deg" not in mapping.columns:
            return replace(mapping, places=places or self._told_icrs())
        mount = self._frame("mount_places", ("mount_ra_deg", "mount_dec_deg"), mapping)
        trial = self._trial(replace(mapping, places=places or ICRS, mount_places=mount or OF_DATE))
        share = trial.frames()
        if share.verdict == EXCHANGED:
            raise LogFileError(
                "the mount's places and the solved ones seem to be exchanged: precession shows in their "
                f"differences with the wrong sign ({share.share:+.2f} times).  Give each its column by "
                "ra_deg=NAME, dec_deg=NAME, mount_ra_deg=NAME and mount_dec_deg=NAME"
            )
        places = places or self._told_icrs()
        if mount is None:
            mount = self._mount_frame(share)
        return replace(mapping, places=places, mount_places=mount)

    def _told_icrs(self) -> str:
        return self.decisions.told("places", ICRS, "plate solves are, where the file does not say otherwise")

    def _frame(self, key: str, pair: tuple[str, str], mapping: Mapping) -> str | None:
        """Return the frame that was answered or that the names say, None where they don't."""
        answer = self.decisions.answer(key)
        if answer:
            known = {frame.lower(): frame for frame in (*FRAMES,)} | {"j2000": ICRS}
            if answer.lower() not in known:
                raise LogFileError(f"{key}={answer} is none of {', '.join(FRAMES)}")
            return self.decisions.told(key, known[answer.lower()], "as answered")
        words: set[str] = set()
        for column in pair:
            name = mapping.columns[column].columns[0]
            heading = self.sample.headings[self.table.header.index(name)]
            words |= words_of(heading).known
        if "b1950" in words:
            raise LogFileError(f"{name!r} is in the frame of 1950, which is not read: turn it into J2000")
        for word, frame in (("mean of date", MEAN), ("of date", OF_DATE), ("j2000", ICRS)):
            if word in words:
                return self.decisions.told(key, frame, "the name says so")
        return None

    def _mount_frame(self, share: FrameShare) -> str:
        key = "mount_places"
        if share.verdict == RIGHT:
            return self.decisions.told(key, OF_DATE, "they differ from the solved ones by precession")
        if share.verdict == ONE_FRAME:
            words = "they differ from the solved ones by no precession, so both are in one frame"
            both = (
                Choice(ICRS, "the solved ones are ICRS, and so are the mount's"),
                Choice(OF_DATE, "then the solved ones are of date too: say places=of date"),
            )
            return self.decisions.ask(
                Question(key, f"in which frame are the mount's places?  ({words})", both)
            )
        choices = (
            Choice(OF_DATE, "what most mounts work in"),
            Choice(ICRS, "also called J2000"),
            Choice(MEAN, "precession alone"),
        )
        words = "in which frame are the mount's places?  (the file is too short to tell)"
        return self.decisions.ask(Question(key, words, choices))

    def _with_sides(self, mapping: Mapping) -> Mapping:
        key, decisions = "tube_side.means", self.decisions
        source = mapping.columns["tube_side"]
        if not source.columns:
            return mapping
        answer = decisions.answer(key)
        agree = None
        if answer:
            means = next((one for one in MEANINGS if answer.lower() in (one, one.split()[-1])), "")
            if not means:
                raise LogFileError(f"{key}={answer} is none of {', '.join(MEANINGS)}")
            decisions.told(key, means, "as answered")
        else:
            agree = self._trial(mapping).sides_agree()
            means = self._side_means(agree, key)
        columns = {**mapping.columns, "tube_side": replace(source, means=means)}
        return replace(mapping, columns=columns)

    def _side_means(self, agree: float | None, key: str) -> str:
        if agree is not None and agree >= _AGREE:
            words = f"in {round(100 * agree)} of 100 rows the tube then looks across the pier"
            return self.decisions.told(key, ON, words)
        if agree is not None and agree <= 1.0 - _AGREE:
            words = f"in {round(100 - 100 * agree)} of 100 rows the tube then looks across the pier"
            return self.decisions.told(key, LOOKS, words)
        choices = (
            Choice(ON, "a tube on the east side looks west"),
            Choice(LOOKS, "east: the tube looks to the east, from the west side"),
        )
        return self.decisions.ask(Question(key, "what does east in the column of sides mean?", choices))

    def _with_place(self, mapping: Mapping) -> Mapping:
        words = "what did the level stand on?"
        choices = (*(Choice(f"{VALUE}{one}") for one in _PLACES), Choice(NONE, "not known"))
        answer = self.decisions.ask(Question("place", words, choices))
        if answer == NONE:
            return mapping
        columns = {**mapping.columns, "place": ColumnFrom(value=answer.removeprefix(VALUE))}
        return replace(mapping, columns=columns)


def _below_words(share: float | None) -> str:
    if share is None:
        return ""
    if share <= _CLEAR:
        return "all rows then lie above the horizon"
    return f"{round(100 * share)} of 100 rows would lie below the horizon"
