"""Sentences about nights, their readings, the air and the Earth's rotation."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from drift.codes import Constant, PointingUse
from drift.notices import Code, NightCode, Notice, SkyCode, from_value
from drift.quantities import YEAR_DAYS, as_utc
from drift.render.notices import Values, Writer, sentence

# ---- Of all nights.


#: What happens to pointing nights whose reports seem altered.
_USE = {
    PointingUse.LEFT_OUT: "pointing nights are shown but not used for the history",
    PointingUse.BROUGHT: (
        "pointing nights are brought to the axis of the few sweeps or runs; take more now and then"
    ),
    PointingUse.CHANGES_ONLY: (
        "where the axis points is not known, only how it changes; take a sweep or an unguided run, or write "
        'reports = "raw" under [mount] if the mount has no such model'
    ),
}


def _use(of: Values) -> str:
    return _USE[PointingUse(of["use"])]


def _by_sweeps(of: Values) -> str:
    return (
        f"Sweeps and unguided runs see the axis {of['az_apart_arcsec']:+.0f} arcsec in azimuth and "
        f"{of['alt_apart_arcsec']:+.0f} in altitude from where pointing solves see it "
        f"({of['pairs']} pairs of nights): the mount seems to report places altered by a model of its "
        f"own; {_use(of)}."
    )


def _by_site_file(of: Values) -> str:
    return (
        f"The site file says that the mount's reported places are altered by a model of its own; {_use(of)}."
    )


def _look_altered(of: Values) -> str:
    return (
        "All that pointing solves show of this mount is nearer to nothing than raw mounts are "
        f"(chance {100 * of['chance']:.0f} %): it seems to report places altered by a model of its own; "
        f"{_use(of)}."
    )


def _rests_on_raw_reports(of: Values) -> str:
    return (
        "The axis as pointing solves show it lies near enough to the pole for a model inside the mount to "
        f"have taken its error out (chance {100 * of['chance']:.0f} %): a sweep or an unguided run would "
        'tell; write reports = "raw" under [mount] if the mount has no such model.'
    )


def _by_few_sweeps(of: Values) -> str:
    count = of["nights"]
    nights = "one night" if count == 1 else f"{count} nights"
    return f"Where the axis points rests on {nights} of sweeps, runs or typed errors."


def _frame_said(of: Values) -> str:
    """Return what the mount's places seem to be where they are not what the record has them for."""
    if not of["j2000"]:
        return "to have refraction taken out of them"
    return f"to be of J2000{' and without refraction' if of['airless'] else ''}, not of date"


def _places_j2000(of: Values) -> str:
    return (
        f"The mount's places seem {_frame_said({'j2000': True, **of})}, as the record has them: taken so the "
        f"solves scatter by {of['scatter_as_taken_arcsec']:.1f} arcsec instead of "
        f"{of['scatter_arcsec']:.1f}.  They were taken so here; import the log again with its frame set."
    )


def _places_changed(of: Values) -> str:
    first, last = (None if of[us] is None else f"{as_utc(of[us]):%Y-%m-%d}" for us in ("from_us", "until_us"))
    when = f"from {first} on" if last is None else f"before {last}"
    when = when if first is None or last is None else f"from {first} until {last}"
    return (
        f"{when[0].upper()}{when[1:]} the mount's places seem {_frame_said(of)}, and were taken so here; "
        "read like the others, they would show an axis that moved.  Was an option of the mount or its driver "
        "changed then, or another program used?  Set it back, or import those logs again with their frame "
        "set."
    )


#: What each constant is called, and from what size of jump on it is named [arcsec].
_CONSTANTS = {
    Constant.CONE_ERROR: "cone error",
    Constant.NON_PERPENDICULARITY: "angle between the axes",
    Constant.SIDE_OFFSET: "offset between the tube's sides",
    Constant.TUBE_DROOP: "droop of the tube",
}
_NAMED_ARCSEC = 10.0


def _between(of: Values) -> str:
    first, last = (f"{as_utc(of[us]):%Y-%m-%d}" for us in ("after_us", "before_us"))
    return f"Between {first} and {last}"


def _instrument_changed(of: Values) -> str:
    jumps = {name: float(of[f"{constant}_arcsec"]) for constant, name in _CONSTANTS.items()}
    named = [f"{name} by {size:+.0f} arcsec" for name, size in jumps.items() if abs(size) >= _NAMED_ARCSEC]
    when = f"{as_utc(of['before_us']):%Y-%m-%dT%H:%M}Z"
    return (
        f"{_between(of)} the telescope or the camera on the mount seems to have become another one "
        f"({', '.join(named)}): its constants begin anew there, as after a service.  If so, write it down: "
        f"`drift record service --time {when}`, or when it was."
    )


def _bends_changed(of: Values) -> str:
    when = f"{as_utc(of['before_us']):%Y-%m-%dT%H:%M}Z"
    return (
        f"{_between(of)} the instrument began to bend otherwise with the hour angle, as after rings or a "
        "focuser were tightened, or something was hung on the tube: how it bends begins anew there, and what "
        "the axis did between the two is less certain.  If so, write it down: `drift record service --time "
        f"{when}`, or when it was."
    )


def _sides_reversed(of: Values) -> str:
    return (
        f"{_between(of)} the tube's sides (east, west) seem to have changed their meaning in the log, as "
        "after an update of a driver: every constant that goes with the side changed its sign.  They were "
        "taken so here."
    )


def _clock_off(of: Values) -> str:
    first, last = (f"{as_utc(of[us]):%Y-%m-%d}" for us in ("first_us", "last_us"))
    hours, count = of["hours"], of["nights"]
    which = f"The night of {first} fits" if count == 1 else f"{count} nights from {first} to {last} fit"
    its = "its" if count == 1 else "their"
    size = "an hour" if abs(hours) == 1 else f"{abs(hours)} hours"
    summer = ", as over a change of summer time" if abs(hours) == 1 else ""
    return (
        f"{which} better with {its} times moved by {-hours:+d} h: the clock seems to have run {size} "
        f"{'ahead' if hours > 0 else 'behind'}{summer}.  {'It was' if count == 1 else 'They were'} taken so "
        "here; see to the log's time zone."
    )


def _echoes(of: Values) -> str:
    first, last = (f"{as_utc(of[us]):%Y-%m-%d}" for us in ("first_us", "last_us"))
    nights = f"{of['nights']:,} nights from {first} to {last}"
    when = f"the night of {first}" if of["nights"] == 1 else nights
    return (
        f"{of['solves']:,} of {of['of_solves']:,} pointing solves, on {when}, have the solve's own place for "
        "the mount's to within arcseconds, as after a sync on it: they say nothing of the axis and are not "
        "used.  Log the mount's place before the sync, or don't sync while you take a night; a sweep needs "
        "no place of the mount."
    )


def _copied(of: Values) -> str:
    first, last = (f"{as_utc(of[us]):%Y-%m-%d}" for us in ("from_us", "until_us"))
    hours, what = of["hours_ahead"], _COPIED_KINDS[of["readings"]]
    return (
        f"{of['rows']:,} {what} from {first} to {last} are in the record twice, {abs(hours):g} h apart, as "
        f"from a log read in two time zones.  The {'later' if hours > 0 else 'earlier'} copy is not used: "
        "the other came in first, or fewer of its stars were below the horizon.  `drift imports` lists the "
        "imports; undo the wrong one."
    )


_COPIED_KINDS = {"solves": "pointing solves", "sweeps": "solves of sweeps"}


def _found(what: str, column: str) -> Writer:
    def write(of: Values) -> str:
        first, last = as_utc(of["from_us"]), as_utc(of["until_us"])
        return (
            f"{what} was found from {first:%Y-%m-%d %H:%M} UTC to {last:%H:%M} UTC: "
            f'{sentence(from_value(of["because"]))}.  If it is none, label its solves "none" in a column '
            f"{column}."
        )

    return write


def _level_error(of: Values) -> str:
    return (
        f"The level's own error on the {of['place']} changes from one end-for-end pair to the next, by some "
        f"{of['sd_arcsec']:.0f} arcsec: pairs are free of it, single readings count little.  See that it "
        "sits the same way each time."
    )


# ---- Of a solve that comes without the mount's coordinates: why it is of no use.


def _fields(count: int) -> str:
    return "1 field" if count == 1 else f"{count} fields"


_WITHOUT_MOUNT: dict[Code, Writer] = {
    NightCode.LABELLED_NONE: lambda of: "its label says none",
    NightCode.MOUNT_MOVES_AXES: lambda of: (
        "the site file says that the mount's own model moves its axes (mount.reports), so that none is still"
    ),
    NightCode.NOT_ON_SWEEP: lambda of: "does not fit the sweep around it: a wrong solve?",
    NightCode.TOO_FEW_FIELDS: lambda of: (
        f"{_fields(of['fields'])} at one declination in a row, and a sweep needs {of['needed_fields']}"
    ),
    NightCode.TURNED_TOO_LITTLE: lambda of: (
        f"the hour angle turned by {of['turned_deg']:.0f} degrees only, and a sweep needs "
        f"{of['needed_deg']:.0f}"
    ),
    NightCode.AXIS_NOT_STILL: lambda of: (
        f"the declination axis was not still: places scatter by {of['scatter_arcsec']:.0f} arcsec about "
        "their circle"
    ),
    NightCode.RECENTRED: lambda of: (
        f"the catalogue's declination was kept to {of['kept_arcsec']:.0f} arcsec while the observed one "
        f"changed by {of['observed_arcsec']:.0f}: the mount was re-centred on it, so its declination axis "
        "was not still"
    ),
    NightCode.RUN_TOO_SHORT: lambda of: (
        f"one field, {of['solves']} solves over {of['minutes']:.0f} minutes: a run needs "
        f"{of['needed_solves']} over {of['needed_minutes']:.0f}"
    ),
    NightCode.RUN_IF_UNGUIDED: lambda of: (
        f"{of['solves']} solves of one field over {of['minutes']:.0f} minutes would be a run if they were "
        "unguided: then set guided = false in [optics] of the site file, or give them a label in a column run"
    ),
    NightCode.RUN_NOT_SMOOTH: lambda of: (
        f"the field did not move smoothly ({of['off_path_arcsec']:.0f} arcsec off its path): dithered or "
        "re-centred?"
    ),
}


def set_aside_reason(notice: Notice) -> str:
    """Return why a reading was set aside, as the end of a sentence about it."""
    if notice.code in _WITHOUT_MOUNT:
        joint = ", and" if notice.code == NightCode.LABELLED_NONE else ";"
        return f"comes without the mount's coordinates{joint} {sentence(notice)}"
    return sentence(notice)


def unusable_words(reasons: Sequence[Notice]) -> str:
    """Say how many solves can't be used, and why the first can't."""
    return f"{len(reasons)} solves can't be used; the first {set_aside_reason(reasons[0])}."


# ---- All of them.


def _typed_disagrees(of: Values) -> str:
    return (
        f"says an azimuth error of {of['az_arcmin']:g}' and an altitude error of {of['alt_arcmin']:g}'; "
        f"that night's solves say {of['az_seen_arcmin']:.2f}' and {of['alt_seen_arcmin']:.2f}'"
    )


_NIGHT_SENTENCES: dict[Code, Writer] = {
    NightCode.TUBE_SIDE_GUESSED: lambda of: (
        f"{of['solves']} pointing solves don't say the tube side; taken as east for solves west of the "
        "meridian."
    ),
    NightCode.TUBE_SIDE_LEFT_OUT: lambda of: (
        f"{of['solves']} pointing solves don't say the tube side; one side only fits them better."
    ),
    NightCode.REPORTS_ALTERED_BY_SWEEPS: _by_sweeps,
    NightCode.REPORTS_ALTERED_BY_SITE_FILE: _by_site_file,
    NightCode.REPORTS_LOOK_ALTERED: _look_altered,
    NightCode.AXIS_RESTS_ON_RAW_REPORTS: _rests_on_raw_reports,
    NightCode.AXIS_BY_FEW_SWEEPS: _by_few_sweeps,
    NightCode.MOUNT_PLACES_J2000: _places_j2000,
    NightCode.MOUNT_PLACES_WITHOUT_AIR: lambda of: (
        "The mount's places seem to have refraction taken out of them, by the mount or its driver: taken so "
        f"the solves scatter by {of['scatter_as_taken_arcsec']:.1f} arcsec instead of "
        f"{of['scatter_arcsec']:.1f}, and they were taken so here."
    ),
    NightCode.MOUNT_PLACES_CHANGED: _places_changed,
    NightCode.INSTRUMENT_CHANGED: _instrument_changed,
    NightCode.TUBE_SIDES_REVERSED: _sides_reversed,
    NightCode.BENDS_CHANGED: _bends_changed,
    NightCode.MOUNT_ECHOES_SOLVES: _echoes,
    NightCode.SYNCED_AT_TARGETS: lambda of: (
        "The mount seems to be synced on each target of an evening, and was taken so: each target has zeros "
        "of its own.  One night without a sync, of solves all over the sky, tells the axis better."
    ),
    NightCode.INSTRUMENT_BENDS: lambda of: (
        f"The instrument bends with the hour angle, by up to {of['dec_arcsec']:.0f} arcsec in declination "
        f"and {of['across_arcsec']:.0f} arcsec across, as a tube that gives, a bearing that is not round or "
        "a circle off its centre: the solves were freed of it, and the axis is less certain for it."
    ),
    NightCode.CLOCK_OFF_BY_HOURS: _clock_off,
    NightCode.COPIED_IN_OTHER_ZONE: _copied,
    NightCode.LOOKS_GUIDED: lambda of: "part of a run that looks guided",
    NightCode.RUNS_LOOK_GUIDED: lambda of: (
        f"On all {of['runs']} unguided runs the star stood still to {of['held_arcsec']:.1f} arcsec in both "
        "coordinates, as only a guider holds it: nothing rests on them.  Switch guiding off for a run, or "
        "take a sweep."
    ),
    NightCode.IN_DAYLIGHT: lambda of: (
        f"{of['nights']} of {of['of_nights']} nights were taken with the Sun up, by their times: the times "
        "are probably not UTC, or the site file's longitude (east positive) is wrong.  An axis that rests on "
        "them may be off by far more than it says."
    ),
    NightCode.SWEEP_FOUND: _found("A sweep", "sweep"),
    NightCode.RUN_FOUND: _found("An unguided run", "run"),
    NightCode.LEVEL_ERROR_CHANGES: _level_error,
    NightCode.ON_ONE_CIRCLE: lambda of: (
        f"{of['fields']} fields in a row over {of['turned_deg']:.0f} degrees of hour angle lie on one circle "
        f"to {of['scatter_arcsec']:.0f} arcsec, so the declination axis stood still"
    ),
    NightCode.ONE_FIELD_UNGUIDED: lambda of: (
        f"{of['solves']} solves of one field over {of['minutes']:.0f} minutes, and the site file says "
        "unguided"
    ),
    NightCode.NOT_IN_HISTORY: lambda of: (
        "the mount's own model has altered these places; not used in the history"
    ),
    NightCode.ONE_SOLVE: lambda of: "one pointing solve: it can only fix the zeros, not the axis",
    NightCode.ONE_TUBE_SIDE: lambda of: f"solves from one tube side only ({of['tube_side']})",
    NightCode.SECOND_SYNC: lambda of: (
        f"a second sync (or a slipped clutch) noticed before {as_utc(of['before_us']):%H:%M:%S} UTC"
    ),
    NightCode.TIMES_MOVED: lambda of: (
        f"taken with its times moved by {of['hours']:+d} h: the clock seems wrong"
    ),
    NightCode.RUN_ONE_DIRECTION: lambda of: (
        f"unguided run of {of['minutes']:.0f} minutes: one direction of the axis only"
    ),
    NightCode.TOO_LITTLE_FOR_AXIS: lambda of: "too little to say where the axis points",
    NightCode.HALF_OF_AXIS: lambda of: "half of the axis only",
    NightCode.DISAGREES: lambda of: "disagrees with the night's other readings",
    NightCode.DISAGREES_PERHAPS: lambda of: (
        "disagrees with the night's other readings, but another explanation is nearly as likely; the night's "
        "uncertainty allows for it"
    ),
    NightCode.TYPED_DISAGREES: _typed_disagrees,
    NightCode.TYPED_IN_ARCSEC: lambda of: (
        f"{_typed_disagrees(of)}; sixty times less would agree: was it typed in arcseconds?"
    ),
    NightCode.IN_RECORD_TWICE: lambda of: (
        "is in the record a second time, with more said of it; it counts once"
    ),
    NightCode.ECHOES_SOLVE: lambda of: "the mount's place is that of the solve, as after a sync on it",
    NightCode.COPY_IN_OTHER_ZONE: lambda of: "is in the record once more, at the time of another zone",
    **_WITHOUT_MOUNT,
}


# ---- What the air and the Earth's rotation leave to say, in words.


#: Arcseconds that the sky turns in a second of time.
_ARCSEC_PER_S = 15.0
_UPDATE = "update the package astropy-iers-data when this machine is online"


def _not_believed(what: str, unit: str, key: str) -> Writer:
    def write(of: Values) -> str:
        low, high, first = (of[f"{end}_{key}"] for end in ("low", "high", "first"))
        return (
            f"{of['rows']} {what} readings lie outside {low:g} to {high:g} {unit} (the first: {first:g}) and "
            "were taken as not given; look at the unit."
        )

    return write


def _sea_level(of: Values) -> str:
    middle, usual = of["middle_hpa"], of["usual_hpa"]
    return (
        f"The pressures given (middle {middle:.0f} hPa) look reduced to sea level: at "
        f"{of['elevation_m']:.0f} m about {usual:.0f} hPa is usual. If so, refraction comes out "
        f"{100 * (middle / usual - 1):.0f} % too large; give the pressure at the station."
    )


def _standard(what: str, value: str) -> Writer:
    return lambda of: f"{of['rows']} of {of['of_rows']} solves came without {what}: {value} was taken."


def _weather_days(of: Values) -> str:
    those = "1 of them was" if of["days"] == 1 else f"{of['days']:,} of them were"
    return (
        f"The weather log spans {of['of_days']:,} days: {those} without a temperature and got the usual one "
        "of the season."
    )


def _ut1(of: Values, decimals: int) -> str:
    return (
        f"UT1 may be off by up to {of['ut1_s']:.{decimals}f} s ({_ARCSEC_PER_S * of['ut1_s']:.0f} arcsec in "
        f"the hour-angle zero, nothing in the axis) and polar motion by up to {of['pole_arcsec']:.1f} arcsec"
    )


def _before(of: Values) -> str:
    return (
        f"The Earth-rotation table begins on {of['begins_date']} and the earliest reading is of "
        f"{of['earliest_date']}; before the table {_ut1(of, 1)}."
    )


def _leap(date: Any) -> str:
    return (
        f"a leap second since {date} is not known here and would shift the hour-angle zero by "
        f"{_ARCSEC_PER_S:.0f} arcsec"
    )


def _after(of: Values) -> str:
    leap = "" if of["leap_date"] is None else f"; {_leap(of['leap_date'])}"
    return (
        f"The installed Earth-rotation table ends on {of['ends_date']} and the latest reading is of "
        f"{of['latest_date']}, {_span(of['days_later'])} later; by then {_ut1(of, 2)}{leap}; {_UPDATE}."
    )


def _span(days: int) -> str:
    if days < 60:
        return f"{days} day{'s' if days != 1 else ''}"
    months = days * 12 / YEAR_DAYS
    return f"{months:.0f} months" if months < 24 else f"{months / 12:.1f} years"


_SKY_SENTENCES: dict[Code, Writer] = {
    SkyCode.TEMPERATURE_NOT_BELIEVED: _not_believed("temperature", "deg C", "c"),
    SkyCode.PRESSURE_NOT_BELIEVED: _not_believed("pressure", "hPa", "hpa"),
    SkyCode.PRESSURE_OF_SEA_LEVEL: _sea_level,
    SkyCode.TEMPERATURE_STANDARD: _standard("temperature", "10 C"),
    SkyCode.PRESSURE_STANDARD: _standard("pressure", "the standard atmosphere's at the site's elevation"),
    SkyCode.TEMPERATURE_OF_DAY: lambda of: (
        f"{of['rows']} of {of['of_rows']} solves took their temperature from the day's mean."
    ),
    SkyCode.WEATHER_DAYS_FILLED: _weather_days,
    SkyCode.BEFORE_EARTH_TABLE: _before,
    SkyCode.AFTER_EARTH_TABLE: _after,
    SkyCode.LEAP_SECONDS_ENDED: lambda of: (
        f"The leap-second table has ended: {_leap(of['leap_date'])}, nothing in the axis; {_UPDATE}."
    ),
}

#: The sentences of both kinds of codes.
SENTENCES: dict[Code, Writer] = {**_NIGHT_SENTENCES, **_SKY_SENTENCES}
