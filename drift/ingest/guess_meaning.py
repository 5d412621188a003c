"""What a table's times, places and tube sides mean, from how they are written and from the sky."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from drift.errors import LogFileError
from drift.ingest.mapping import (
    END,
    FRAMES,
    HORIZON,
    HORIZON_SEEN,
    HOUR_ANGLE,
    ICRS,
    MEAN,
    MIDDLE,
    OF_DATE,
    START,
    Choice,
    Decisions,
    Instant,
    Mapping,
    PlaceFrame,
    Question,
    TimeFrom,
    TimeScale,
)
from drift.ingest.names import Words, words_of, words_of_all
from drift.ingest.sky_evidence import FrameShare, FrameVerdict
from drift.ingest.text import Heading
from drift.ingest.times import (
    ABSOLUTE,
    CLOCKS,
    DateOrder,
    RepeatedHour,
    TimeForm,
    TimeSpelling,
    clock_holds,
    clock_written,
    dates_in_order,
    has_clock,
    zone_named,
    zone_written,
)
from drift.ingest.translate import date_texts
from drift.ingest.trial import Known, TableSample, Trial
from drift.ingest.values import LOOKS, ON, US_PER_DAY, US_PER_SECOND, SideMeans
from drift.notices import MappingCode, Notice, info

# ---- Which columns hold a table's times, and how they are written.


#: Share of a column's cells that must be of a sort.
_NEARLY_ALL = 0.9
#: Form of a number -> the values that it has between 1990 and 2060; they do not overlap.
_RANGES = {
    TimeForm.JD: (2_447_892.0, 2_473_460.0),
    TimeForm.MJD: (47_892.5, 73_460.0),
    TimeForm.SPREADSHEET_DAYS: (32_874.0, 47_890.0),
    TimeForm.UNIX_SECONDS: (6.3e8, 2.85e9),
    TimeForm.UNIX_MILLISECONDS: (6.3e11, 2.85e12),
}
_TIME_WORDS = ("time", "date", "utc", "local", "jd", "mjd", "unix", "start", "end", "middle", "far_clock")
#: How far the clock falls at midnight between neighbours of one date [us].
_MIDNIGHT_US = US_PER_DAY // 3


class Holds(StrEnum):
    """What a column of times holds."""

    WHOLE = "dates_with_times"
    DATE = "dates"
    CLOCK = "times_of_day"
    COUNT = "counted_times"


@dataclass(frozen=True)
class Candidate:
    """One column that may hold times."""

    at: int
    holds: Holds
    words: Words
    form: TimeForm = TimeForm.TEXT
    orders: tuple[DateOrder, ...] = ()
    parts: tuple[int, ...] = ()  # of year, month, day, ... in columns of their own

    @property
    def all_at(self) -> tuple[int, ...]:
        """The positions of all its columns."""
        return self.parts or (self.at,)


@dataclass(frozen=True)
class TimeGuess:
    """The columns of the time and how they are written, the zone still open."""

    at: tuple[int, ...]
    time: TimeFrom
    words: frozenset[str]
    needs_zone: bool


def candidates(sample: TableSample) -> list[Candidate]:
    """Return the columns that hold times, dates or times of day, by their names and what is in them."""
    split = _in_parts(sample)
    rest = [at for at in range(len(sample.headings)) if split is None or at not in split.parts]
    words = words_of_all(sample.headings)
    found = [_candidate(sample, at, words[at]) for at in rest]
    return [one for one in (split, *found) if one is not None]


#: Names of the columns of a date and time of day in parts, whole and in lower case.
_PARTS = (
    frozenset({"year", "yr", "yyyy", "jahr", "annee", "ann\u00e9e", "y"}),
    frozenset({"month", "mon", "mo", "mm", "monat", "mois", "m"}),
    frozenset({"day", "dd", "dy", "tag", "jour", "d"}),
    frozenset({"hour", "hr", "hh", "stunde", "heure", "h"}),
    frozenset({"minute", "min", "mn", "mi"}),
    frozenset({"second", "seconds", "sec", "ss", "sekunde"}),
)
_YEARS, _MONTHS, _DAYS = (1990, 2060), (1, 12), (1, 31)


def _in_parts(sample: TableSample) -> Candidate | None:
    """Return the columns of year, month and day, and those of the time of day beside them; None for none."""
    names = [re.sub(r"[(\[].*|utc$|_", "", one.name.lower()).strip() for one in sample.headings]
    at = [next((at for at, name in enumerate(names) if name in words), -1) for words in _PARTS]
    if min(at[:3]) < 0:
        return None
    for position, (low, high) in zip(at[:3], (_YEARS, _MONTHS, _DAYS), strict=True):
        numbers = sample.numbers(position)
        if not numbers.size or np.mean((numbers >= low) & (numbers <= high)) < _NEARLY_ALL:
            return None
    clock = at[3 : at.index(-1)] if -1 in at else at[3:]
    words = words_of(Heading(" ".join(sample.headings[one].name for one in (*at[:3], *clock))))
    holds = Holds.WHOLE if clock else Holds.DATE
    return Candidate(at[0], holds, words, TimeForm.TEXT, (DateOrder.YMD,), (*at[:3], *clock))


def _candidate(sample: TableSample, at: int, words: Words) -> Candidate | None:
    named = words.has(*_TIME_WORDS) and not words.has("exposure", "ra", "dec")
    given = sample.given(at)[:300]
    if not given:
        return None
    if sample.are_numbers(at):
        form = _count_form(sample, at) if named or "d" in words.unit_texts[0] else None
        return Candidate(at, Holds.COUNT, words, form) if form else None
    orders = tuple(one for one in DateOrder if dates_in_order(given, one).mean() >= _NEARLY_ALL)
    if orders:
        whole = np.mean([_is_whole(cell, orders) for cell in given]) >= _NEARLY_ALL
        return Candidate(at, Holds.WHOLE if whole else Holds.DATE, words, TimeForm.TEXT, orders)
    if named and np.mean([has_clock(cell) for cell in given]) >= _NEARLY_ALL:
        return Candidate(at, Holds.CLOCK, words)
    return None


def _is_whole(cell: str, orders: tuple[DateOrder, ...]) -> bool:
    return any(not TimeSpelling(TimeForm.TEXT, order).read([cell]).unreadable[0] for order in orders)


def _count_form(sample: TableSample, at: int) -> TimeForm | None:
    numbers = sample.numbers(at)
    for form, (low, high) in _RANGES.items():
        if np.mean((numbers >= low) & (numbers <= high)) >= _NEARLY_ALL:
            return form
    return None


def guess_time(sample: TableSample, decisions: Decisions) -> TimeGuess:
    """Find the times of a table.

    Raises
    ------
    Ask
        If it can't be decided.
    drift.errors.LogFileError
        If there are none, or only times not measured on Earth.
    """
    chosen = _columns(sample, decisions)
    words = frozenset(word for one in chosen for word in one.words.known)
    if "far_clock" in words:
        name = sample.headings[chosen[0].at].name
        raise LogFileError(
            f"the times in {name!r} are those at the Sun, not at the telescope, up to 8 minutes apart: give "
            "the file another column of times"
        )
    at = tuple(position for one in chosen for position in one.all_at)
    names = " + ".join(sample.headings[one].name for one in at)
    form = chosen[0].form
    decisions.told("time_utc", names, MappingCode.HOLDS, holds=tuple(one.holds for one in chosen))
    if form != TimeForm.TEXT:
        decisions.told("time.form", form, MappingCode.NUMBERS_IN_RANGE)
        time = TimeFrom(form=form, scale=_scale(names, decisions), instant=_instant(words, decisions))
        return TimeGuess(at, time, words, form not in ABSOLUTE)
    texts = _texts(sample, at)
    order = _order(chosen[0], texts, decisions)
    evening = _evening_date(texts, order, decisions)
    time = TimeFrom(order=order, evening_date=evening, instant=_instant(words, decisions))
    needs_zone = not all(zone_written(text, order) for text in texts if text)
    return TimeGuess(at, time, words, needs_zone)


def _texts(sample: TableSample, at: tuple[int, ...]) -> list[str]:
    return date_texts([sample.rows.cells[one] for one in at])


def _columns(sample: TableSample, decisions: Decisions) -> list[Candidate]:
    """Choose the column of times, or those of date and time of day."""
    found = candidates(sample)
    answer = decisions.answer("time_utc")
    if answer:
        return _answered(sample, found, answer)
    whole = [one for one in found if one.holds in (Holds.WHOLE, Holds.COUNT)]
    whole = _preferred(whole)
    if len(whole) == 1:
        return whole
    if whole:
        names = Counter(sample.headings[one.at].name for one in whole)
        choices = tuple(Choice(name) for name, count in names.items() if count == 1)
        if not choices:
            raise LogFileError(
                f"the header names {next(iter(names))} more than once, so that it is not clear which "
                "column is meant.  Rename or remove one of them."
            )
        decisions.ask(Question("time_utc", info(MappingCode.WHICH_TIME), choices))
    dates = _preferred([one for one in found if one.holds is Holds.DATE])
    clocks = _preferred([one for one in found if one.holds is Holds.CLOCK])
    if len(dates) == 1 and len(clocks) == 1:
        return [dates[0], clocks[0]]
    if dates and clocks:
        pairs = [f"{sample.headings[d.at].name}+{sample.headings[c.at].name}" for d in dates for c in clocks]
        choices = tuple(Choice(pair) for pair in pairs)
        decisions.ask(Question("time_utc", info(MappingCode.WHICH_DATE_AND_TIME), choices))
    raise LogFileError("no column holds a date and a time that can be read")


def _preferred(found: list[Candidate]) -> list[Candidate]:
    """Of several columns of times take those that say UTC, and of these the middle of the exposure."""
    for word in ("utc", "middle"):
        some = [one for one in found if one.words.has(word)]
        found = some or found
    return found


def _answered(sample: TableSample, found: list[Candidate], answer: str) -> list[Candidate]:
    by_name = {sample.headings[one.at].name.lower(): one for one in found}
    names = [answer] if answer.lower() in by_name else answer.split("+")
    chosen = [by_name.get(name.strip().lower()) for name in names]
    if not all(chosen):
        raise LogFileError(
            f"time_utc={answer}: no such column holds times; those that do are "
            f"{', '.join(sample.headings[one.at].name for one in found) or 'none'}"
        )
    return [one for one in chosen if one is not None]


def _order(date: Candidate, texts: list[str], decisions: Decisions) -> DateOrder:
    given = [text for text in texts if text]
    orders = [one for one in date.orders if dates_in_order(given, one).mean() >= _NEARLY_ALL]
    if len(orders) == 1:
        decisions.told("time.order", orders[0], MappingCode.ONE_ORDER_FITS)
        return orders[0]
    orders = orders or list(date.orders)  # the time of day would hide the date
    best = max(dates_in_order(given, one).mean() for one in orders)
    orders = [one for one in orders if dates_in_order(given, one).mean() == best]
    if len(orders) == 1:
        decisions.told("time.order", orders[0], MappingCode.SOME_FIT_NO_OTHER)
        return orders[0]
    if not decisions.answer("time.order"):
        if DateOrder.DMY in orders and re.match(r"\d{1,2}\.", given[0]):
            decisions.told("time.order", DateOrder.DMY, MappingCode.DOTS_DAY_FIRST)
            return DateOrder.DMY
        falls = {order: _falls(texts, order) for order in orders}
        rising = [order for order, count in falls.items() if count == 0]
        if len(rising) == 1 and min(count for order, count in falls.items() if order not in rising) > 1:
            decisions.told("time.order", rising[0], MappingCode.ROWS_RISE)
            return rising[0]
    choices = tuple(Choice(order, _read(given[0], order)) for order in orders)
    question = Question("time.order", info(MappingCode.WHICH_ORDER), choices)
    return DateOrder(decisions.ask(question))


def _falls(texts: list[str], order: DateOrder) -> int:
    times = TimeSpelling(TimeForm.TEXT, order).read(texts)
    us = times.us[~times.unreadable]
    return int((np.diff(us) < 0).sum())


def _read(text: str, order: DateOrder) -> Notice:
    """Return the day of a text, in some order of its parts."""
    us = TimeSpelling(TimeForm.TEXT, order).read([text]).us
    return info(MappingCode.DATE_READ, cell=text, day=int(us[0] // US_PER_DAY))


def _evening_date(texts: list[str], order: DateOrder, decisions: Decisions) -> bool:
    """Tell whether the date stays while the clock goes past midnight."""
    answer = decisions.answer("time.evening_date")
    if answer:
        return answer.lower() in ("yes", "true", "1")
    times = TimeSpelling(TimeForm.TEXT, order).read(texts)
    us = times.us[~times.unreadable]
    days, clock = us // US_PER_DAY, us % US_PER_DAY
    falls = np.diff(clock) < -_MIDNIGHT_US
    after = (clock[1:] < US_PER_DAY // 2) & (clock[:-1] > US_PER_DAY // 2)
    stays = int((falls & after & (np.diff(days) == 0)).sum())
    moves = int((falls & after & (np.diff(days) == 1)).sum())
    if stays and not moves:
        decisions.told("time.evening_date", "yes", MappingCode.DATE_STAYS)
        return True
    return False


def _scale(names: str, decisions: Decisions) -> TimeScale:
    answer = decisions.answer("time.scale").upper()
    if answer in tuple(TimeScale):
        return TimeScale(decisions.told("time.scale", answer, MappingCode.ANSWERED))
    tokens = {token.upper() for token in re.split(r"[^A-Za-z]+", names)}
    if tokens & {"TT", "TDB", "TDT", "JDTT", "JDTDB", "MJDTT", "MJDTDB"}:
        return TimeScale(decisions.told("time.scale", TimeScale.TT, MappingCode.NAME_SAYS))
    if tokens & {"TAI", "MJDTAI", "JDTAI"}:
        return TimeScale(decisions.told("time.scale", TimeScale.TAI, MappingCode.NAME_SAYS))
    return TimeScale.UTC


def _instant(words: frozenset[str], decisions: Decisions) -> Instant:
    answer = decisions.answer("time.instant").lower()
    if answer in tuple(Instant):
        return Instant(decisions.told("time.instant", answer, MappingCode.ANSWERED))
    for word in (START, END):
        if word in words and "middle" not in words:
            return Instant(decisions.told("time.instant", word, MappingCode.NAME_SAYS))
    return MIDDLE


# ---- What the sky shows about a table: its time zone, the frames of its places, what its tube sides mean.


#: Share of the rows below the horizon: so few under the true zone, so many that a zone is excluded.
_CLEAR, _EXCLUDED = 0.02, 0.15
#: Sides of the tube that agree with the sign of the hour angle in this share decide what a column means.
_AGREE = 0.8


#: The answer that a clock named in the cells is meant, whatever the site's clocks show.
AS_WRITTEN = "as_written"


def _trial(known: Known, mapping: Mapping) -> Trial:
    return Trial.of(known.sample, mapping, known.around)


def with_zone(known: Known, mapping: Mapping, time: TimeGuess) -> Mapping:
    """Return a mapping with the zone of times without one: as answered, named, or shown by the horizon.

    Raises
    ------
    Ask
        If it can't be decided.
    drift.errors.LogFileError
        If an answer is no zone.
    """
    key, decisions = "time.zone", known.decisions
    repeated = decisions.answer("time.repeated_hour")
    if repeated in (RepeatedHour.FIRST, RepeatedHour.SECOND):
        time = replace(time, time=replace(time.time, repeated_hour=RepeatedHour(repeated)))
        mapping = replace(mapping, time=time.time)
    answer = decisions.answer(key)
    if not time.needs_zone:
        _refuse_foreign_clock(known, mapping)
        return mapping
    if answer:
        fixed = _of_fixed_clock(known, replace(mapping, time=_zoned(time, "UTC")), answer)
        if fixed:
            decisions.told(key, fixed, MappingCode.CLOCKS_SHOW, clock=answer)
            return replace(mapping, time=_zoned(time, fixed))
        if zone_named(answer) is None:
            raise LogFileError(
                f"{key}={answer} is no time zone: give UTC, a name of the IANA list such as "
                "Europe/Berlin, or an offset such as +02:00"
            )
        decisions.told(key, answer, MappingCode.ANSWERED)
        return replace(mapping, time=_zoned(time, answer))
    if "utc" in time.words or "time_utc" in known.slips:
        decisions.told(key, "UTC", MappingCode.NAME_SAYS)
        return replace(mapping, time=_zoned(time, "UTC"))
    site = known.around.timezone or "UTC"
    zones = [site] if "local" in time.words and site != "UTC" else list(dict.fromkeys(["UTC", site]))
    if "local" in time.words and site != "UTC":
        decisions.told(key, site, MappingCode.LOCAL_TIME)
        return replace(mapping, time=_zoned(time, site))
    shares = {zone: _trial(known, replace(mapping, time=_zoned(time, zone))).below() for zone in zones}
    clear = [zone for zone, share in shares.items() if share is not None and share <= _CLEAR]
    others = [share for zone, share in shares.items() if zone not in clear and share is not None]
    if len(zones) > 1 and len(clear) == 1 and others and min(others) >= _EXCLUDED:
        decisions.told(key, clear[0], MappingCode.ELSE_BELOW_HORIZON, share=min(others))
        return replace(mapping, time=_zoned(time, clear[0]))
    choices = tuple(Choice(zone, _below(shares[zone])) for zone in zones)
    zone = decisions.ask(Question(key, info(MappingCode.WHICH_ZONE), choices, free=True))
    return replace(mapping, time=_zoned(time, zone))


def _of_fixed_clock(known: Known, mapping: Mapping, name: str) -> str:
    """Return the site's own zone for the name of a clock such as EST, "" for any other answer.

    Raises
    ------
    drift.errors.LogFileError
        If the site's clocks are not that one at all times of the file.
    """
    clock, zone = name.upper(), known.around.timezone
    if clock not in CLOCKS:
        return ""
    us = _trial(known, mapping).of_column("time_utc").astype(np.int64) - CLOCKS[clock] * 60 * US_PER_SECOND
    if zone and clock_holds(clock, zone, us).all():
        return zone
    hours = CLOCKS[clock] / 60.0
    fixed = f"{'+' if hours >= 0 else '-'}{int(abs(hours)):02d}:{round(abs(hours) % 1 * 60):02d}"
    if zone:
        raise LogFileError(
            f"time.zone={name} is a clock that is never changed, {hours:+g} h from UTC, and the clocks of "
            f"the site's own zone, {zone}, are not that one all through this file.  Give the zone, such as "
            f"{zone}; or {fixed} if that clock was truly never changed"
        )
    raise LogFileError(
        f"time.zone={name} is a clock that is never changed, {hours:+g} h from UTC, and the site file names "
        f"no zone to hold against it.  Give the zone, such as America/New_York; or {fixed} if that clock was "
        "truly never changed"
    )


def _refuse_foreign_clock(known: Known, mapping: Mapping) -> None:
    """Refuse times with the name of a clock, such as EST in July, that is not the site's at that time.

    Raises
    ------
    drift.errors.LogFileError
        If there are such times, and no answer says that they are meant as written.
    """
    zone, decisions = known.around.timezone, known.decisions
    at = [known.table.header.index(name) for name in mapping.columns["time_utc"].columns]
    texts = date_texts([known.sample.rows.cells[one] for one in at])
    clocks = np.array([clock_written(text, mapping.time.order) for text in texts], dtype=object)
    if not zone or not any(clocks) or decisions.says("time.zone", AS_WRITTEN):
        return
    spelling = TimeSpelling(mapping.time.form, mapping.time.order, mapping.time.evening_date)
    us = spelling.read(texts).us
    for clock in sorted({one for one in clocks.tolist() if one}):
        rows = np.flatnonzero(clocks == clock)
        wrong = rows[~clock_holds(clock, zone, us[rows])]
        if wrong.size:
            question = Question(
                "time.zone",
                info(MappingCode.IS_CLOCK_RIGHT, cell=texts[wrong[0]], clock=clock, zone=zone),
                (Choice(AS_WRITTEN, info(MappingCode.CLOCK_ALL_YEAR, offset_h=CLOCKS[clock] / 60.0)),),
            )
            decisions.ask(question)


def with_frames(known: Known, mapping: Mapping) -> Mapping:
    """Return a mapping with the frames of its places: as answered, named, or shown by precession.

    Raises
    ------
    Ask
        If they can't be decided.
    drift.errors.LogFileError
        If an answer is no frame, or the solved and the mount's places are exchanged.
    """
    places = _frame(known, "places", ("ra_deg", "dec_deg"), mapping)
    if "mount_ra_deg" not in mapping.columns:
        return replace(mapping, places=places or _solves_in_icrs(known))
    mount = _frame(known, "mount_places", ("mount_ra_deg", "mount_dec_deg"), mapping)
    trial = _trial(known, replace(mapping, places=places or ICRS, mount_places=mount or OF_DATE))
    share = trial.frames()
    if share.verdict is FrameVerdict.EXCHANGED:
        raise LogFileError(
            "the mount's places and the solved ones seem to be exchanged: precession shows in their "
            f"differences with the wrong sign ({share.share:+.2f} times).  Give each its column by "
            "ra_deg=NAME, dec_deg=NAME, mount_ra_deg=NAME and mount_dec_deg=NAME"
        )
    places = places or _solves_in_icrs(known)
    if mount is None:
        mount = _mount_frame(known, share)
    return replace(mapping, places=places, mount_places=mount)


def _solves_in_icrs(known: Known) -> PlaceFrame:
    known.decisions.told("places", ICRS, MappingCode.SOLVES_ARE_ICRS)
    return ICRS


def _frame(known: Known, key: str, pair: tuple[str, str], mapping: Mapping) -> PlaceFrame | None:
    """Return the frame by an answer or by the names, None where neither says."""
    answer = known.decisions.answer(key)
    if answer:
        if not PlaceFrame.has(answer):
            raise LogFileError(f"{key}={answer} is none of {', '.join(FRAMES)}")
        return PlaceFrame(known.decisions.told(key, PlaceFrame(answer), MappingCode.ANSWERED))
    words: set[str] = set()
    for column in pair:
        name = mapping.columns[column].columns[0]
        heading = known.sample.headings[known.table.header.index(name)]
        words |= words_of(heading).known
    if "b1950" in words:
        raise LogFileError(f"{name!r} is in the frame of 1950, which is not read: turn it into J2000")
    if "az" in words:
        choices = (
            Choice(HORIZON, info(MappingCode.AIRLESS)),
            Choice(HORIZON_SEEN, info(MappingCode.THROUGH_AIR)),
        )
        return PlaceFrame(known.decisions.ask(Question(key, info(MappingCode.WHICH_ALTITUDE), choices)))
    for word, frame in (("ha", HOUR_ANGLE), ("mean_of_date", MEAN), ("of_date", OF_DATE), ("j2000", ICRS)):
        if word in words:
            return PlaceFrame(known.decisions.told(key, frame, MappingCode.NAME_SAYS))
    return None


def _mount_frame(known: Known, share: FrameShare) -> PlaceFrame:
    key = "mount_places"
    if share.verdict is FrameVerdict.RIGHT:
        known.decisions.told(key, OF_DATE, MappingCode.DIFFER_BY_PRECESSION)
        return OF_DATE
    if share.verdict is FrameVerdict.ONE_FRAME:
        both = (
            Choice(ICRS, info(MappingCode.BOTH_ICRS)),
            Choice(OF_DATE, info(MappingCode.BOTH_OF_DATE)),
        )
        question = Question(key, info(MappingCode.WHICH_FRAME, verdict=share.verdict), both)
        return PlaceFrame(known.decisions.ask(question))
    if known.is_own:
        known.decisions.told(key, OF_DATE, MappingCode.OWN_FRAME)
        return OF_DATE
    choices = tuple(Choice(one, info(MappingCode.FRAME, frame=one)) for one in (OF_DATE, ICRS, MEAN))
    question = Question(key, info(MappingCode.WHICH_FRAME, verdict=share.verdict), choices)
    return PlaceFrame(known.decisions.ask(question))


def with_sides(known: Known, mapping: Mapping) -> Mapping:
    """Return a mapping with the meaning of its tube sides: as answered, or shown by the hour angles.

    Raises
    ------
    Ask
        If it can't be decided.
    drift.errors.LogFileError
        If an answer is none of the meanings.
    """
    key, decisions = "tube_side.means", known.decisions
    source = mapping.columns["tube_side"]
    if not source.columns:
        return mapping
    answer = decisions.answer(key)
    agree = None
    if answer:
        if not SideMeans.has(answer):
            raise LogFileError(f"{key}={answer} is none of {', '.join(SideMeans)}")
        means = SideMeans(decisions.told(key, SideMeans(answer), MappingCode.ANSWERED))
    else:
        agree = _trial(known, mapping).sides_agree()
        means = _side_means(known, agree, key)
    columns = {**mapping.columns, "tube_side": replace(source, means=means)}
    return replace(mapping, columns=columns)


def _side_means(known: Known, agree: float | None, key: str) -> SideMeans:
    if agree is not None and agree >= _AGREE:
        return SideMeans(known.decisions.told(key, ON, MappingCode.LOOKS_ACROSS, share=agree))
    if agree is not None and agree <= 1.0 - _AGREE:
        return SideMeans(known.decisions.told(key, LOOKS, MappingCode.LOOKS_ACROSS, share=1.0 - agree))
    if known.is_own:
        return SideMeans(known.decisions.told(key, ON, MappingCode.OWN_SIDE))
    choices = (Choice(ON, info(MappingCode.SIDE_ON)), Choice(LOOKS, info(MappingCode.SIDE_LOOKS)))
    return SideMeans(known.decisions.ask(Question(key, info(MappingCode.WHICH_SIDE), choices)))


def _zoned(time: TimeGuess, zone: str) -> TimeFrom:
    return replace(time.time, zone=zone)


def _below(share: float | None) -> Notice | None:
    """Say how many rows would lie below the horizon."""
    return None if share is None else info(MappingCode.BELOW_HORIZON, share=share, clear=share <= _CLEAR)
