"""What the sky shows about a table: its time zone, the frames of its places, what its tube sides mean."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drift.errors import LogFileError
from drift.ingest.guess_time import TimeGuess
from drift.ingest.mapping import (
    FRAMES,
    HORIZON,
    HORIZON_SEEN,
    HOUR_ANGLE,
    ICRS,
    MEAN,
    OF_DATE,
    Choice,
    Mapping,
    PlaceFrame,
    Question,
    TimeFrom,
)
from drift.ingest.names import words_of
from drift.ingest.sky_evidence import FrameShare, FrameVerdict
from drift.ingest.times import CLOCKS, RepeatedHour, TimeSpelling, clock_holds, clock_written, zone_named
from drift.ingest.translate import date_texts
from drift.ingest.trial import Known, Trial
from drift.ingest.values import LOOKS, ON, US_PER_SECOND, SideMeans
from drift.notices import MappingCode, Notice, info

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
