"""How an analysis shows itself in a notebook: pandas tables, a short table, and pictures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from drift.advice.ground import PierGround
from drift.codes import Answer, MovedPart
from drift.errors import DriftError
from drift.forecast.outlook import Hindcast
from drift.notices import AdviceCode, HistoryCode, info
from drift.quantities import DAY_US
from drift.readings import Readings
from drift.render import phrases, status
from drift.render.advice_words import verdict_sentence
from drift.render.catalogue import picture_named
from drift.render.column_words import KIND_WORDS
from drift.render.figures.causes import left_over, view_named, views
from drift.render.ground_words import design_sentences, ground_sentences
from drift.render.history_words import because_words, cause_name, settle_words
from drift.render.notices import sentence
from drift.render.phrases import utc_text
from drift.render.status_json import as_mapping
from drift.render.tables import axis, causes
from drift.site.file import PierFile
from drift.types import (
    HISTORY_COLUMNS,
    Action,
    Advice,
    Analysis,
    CorrectionFound,
    Event,
    Forecast,
    History,
    Lasting,
    NightAxis,
    Nights,
    Seasonal,
    Separable,
    Verdict,
    Winter,
)

if TYPE_CHECKING:
    from astropy.table import QTable
    from matplotlib.figure import Figure

    from drift.record.record import Record


#: What a short table holds: pairs of what and how.
Rows = list[tuple[str, str]]


# ---- The answer as pandas tables, with the names that ``drift status --json`` has.


def frame_of(analysis: Analysis, name: str) -> pd.DataFrame:
    """Return one table of the answer.

    Parameters
    ----------
    analysis
        What was worked out for one pier.
    name
        One of `FRAMES`.

    Returns
    -------
    pandas.DataFrame
        Angles in arcsec, times aware in UTC, ``_sd`` one standard deviation, NaN for what is not known.
        ``attrs["units"]`` has the unit of each column that has one, as astropy writes it.

    Raises
    ------
    drift.errors.DriftError
        If there is no such table; names those there are.
    """
    if name not in FRAMES:
        raise DriftError(f"there is no table {name!r}; the tables are {', '.join(FRAMES)}.")
    frame = FRAMES[name](analysis)
    for column in frame.columns:
        if str(column).endswith("_utc"):
            frame[column] = pd.to_datetime(frame[column], utc=True)
    frame.attrs["units"] = {str(name): unit for name in frame.columns if (unit := _unit_of(str(name)))}
    return frame


#: Columns whose names say no unit and that are angles in arcsec, as all angles are that don't say otherwise.
_IN_ARCSEC = {*HISTORY_COLUMNS, "az_error", "alt_error", "zero", "left_over", "asked", "found", "swing"}
_IN_ARCSEC |= {"left_behind", *(f"size_{name}" for name in HISTORY_COLUMNS)}
_IN_ARCSEC |= {f"afterwards_{name}" for name in HISTORY_COLUMNS}
#: Last part of a column's name -> its unit.
_UNITS = {"deg": "deg", "arcmin": "arcmin", "arcsec": "arcsec"}


def _unit_of(column: str) -> str:
    """Return the unit of a column, "" where it has none; an uncertainty has that of its value."""
    if column.replace("_sd", "") in _IN_ARCSEC:
        return "arcsec"
    return _UNITS.get(column.rpartition("_")[2], "")


def qtable_of(analysis: Analysis, name: str) -> QTable:
    """Return one table of the answer as an astropy table: quantities with units, times as astropy Time.

    Parameters
    ----------
    analysis, name
        As for `frame_of`.

    Raises
    ------
    drift.errors.DriftError
        If there is no such table; names those there are.
    """
    from astropy import units
    from astropy.table import QTable
    from astropy.time import Time

    frame = frame_of(analysis, name)
    table = QTable()
    for column in frame.columns:
        values = frame[column]
        if str(column).endswith("_utc"):
            plain = values.dt.tz_localize(None).to_numpy(dtype="datetime64[us]")
            table[column] = Time(plain, format="datetime64", scale="utc")
        elif unit := frame.attrs["units"].get(column):
            table[column] = values.to_numpy(dtype=float, na_value=np.nan) * units.Unit(unit)
        elif pd.api.types.is_numeric_dtype(values):
            table[column] = values.to_numpy()
        else:
            table[column] = np.array(values.tolist() or [""], dtype=object)[: len(values)]
    return table


def _nights(analysis: Analysis) -> pd.DataFrame:
    frame = pd.DataFrame(as_mapping(analysis)["nights"])
    for name in ("hour_angle_deg", "declination_deg"):
        spans = [
            getattr(night.sky, name) if night.sky else (np.nan, np.nan) for night in analysis.nights.nights
        ]
        for k, end in enumerate(("from", "to")):
            frame[f"{name.removesuffix('_deg')}_{end}_deg"] = [span[k] for span in spans]
    frame["remarks"] = [axis.remark_words(night) for night in analysis.nights.nights]
    return _numbers(frame, ("az_error", "alt_error", "zero"))


def _history(analysis: Analysis) -> pd.DataFrame:
    return _numbers(pd.DataFrame(as_mapping(analysis)["history"]), HISTORY_COLUMNS)


def _numbers(frame: pd.DataFrame, names: tuple[str, ...]) -> pd.DataFrame:
    for name in names:
        for column in (name, f"{name}_sd"):
            if column in frame:
                frame[column] = frame[column].astype(float)
    return frame


def _causes(analysis: Analysis) -> pd.DataFrame:
    """One row a cause and reading."""
    history = analysis.history
    times = [utc_text(time_us) for time_us in history.time_us]
    parts = []
    for cause in history.causes:
        values: dict[str, Any] = {"cause": cause_name(cause), "time_utc": times}
        for k, name in enumerate(HISTORY_COLUMNS):
            values[name], values[f"{name}_sd"] = cause.change[:, k], cause.sd[:, k]
        parts.append(pd.DataFrame(values))
    columns = ["cause", "time_utc", *(each for name in HISTORY_COLUMNS for each in (name, f"{name}_sd"))]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def _left_over(analysis: Analysis) -> pd.DataFrame:
    """One row a night and coordinate: what no cause explains."""
    parts = []
    for view in views(analysis):
        left = left_over(analysis, view_named(analysis, view.name))
        if left is not None:
            times = [utc_text(time_us) for time_us in left.time_us]
            columns = {
                "time_utc": times,
                "coordinate": view.name,
                "left_over": left.left,
                "left_over_sd": left.sd,
            }
            parts.append(pd.DataFrame(columns))
    names = ["time_utc", "coordinate", "left_over", "left_over_sd"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=names)


def _events(analysis: Analysis) -> pd.DataFrame:
    return pd.json_normalize(as_mapping(analysis)["events"], sep="_")


def _listed(name: str, *path: str) -> Callable[[Analysis], pd.DataFrame]:
    def frame(analysis: Analysis) -> pd.DataFrame:
        found: Any = as_mapping(analysis)
        for key in (*path, name):
            found = found[key]
        return pd.DataFrame(found)

    return frame


#: Name -> what makes the table.
FRAMES: dict[str, Callable[[Analysis], pd.DataFrame]] = {
    "nights": _nights,
    "history": _history,
    "causes": _causes,
    "left_over": _left_over,
    "events": _events,
    "corrections": _listed("corrections"),
    "winters": _listed("winters", "components"),
    "actions": _listed("actions"),
    "set_aside": _listed("set_aside"),
}


# ---- How an answer shows itself in a notebook: a short table, and pictures.


_CELL = "border: 0; text-align: left; vertical-align: top"


def short_rows(analysis: Analysis) -> list[tuple[str, str]]:
    """Return verdict, what to do, and where things stand, as pairs."""
    advice = analysis.advice
    do = "; ".join(status.step_sentences(analysis))
    said = [("Verdict", phrases.harmless(verdict_sentence(advice.verdict))), ("What to do", do)]
    return [*said, *((what, how) for what, how in axis.now_table(analysis).rows)]


def short_text(result: object) -> str:
    """Return the short table as plain text."""
    return _text(*_title_and_rows(result))


def short_html(result: object) -> str:
    """Return the short table as HTML, everything in it escaped."""
    return _html(*_title_and_rows(result))


def _text(title: str, rows: list[tuple[str, str]]) -> str:
    width = max((len(what) for what, _ in rows), default=0)
    return "\n".join([title, *(f"{what:<{width}}  {how}".rstrip() for what, how in rows)])


def _html(title: str, rows: list[tuple[str, str]]) -> str:
    cells = "".join(
        f'<tr><th scope="row" style="{_CELL}">{escape(what)}</th><td style="{_CELL}">{escape(how)}</td></tr>'
        for what, how in rows
    )
    return f"<table><caption>{escape(title)}</caption><tbody>{cells}</tbody></table>"


def _title_and_rows(result: Any) -> tuple[str, Rows]:
    from drift.record.record import Record  # with its database

    found = next((write for kind, write in _WRITERS.items() if isinstance(result, kind)), None)
    if found is None:
        found = _of_record if isinstance(result, Record) else _of_fields
    return found(result)


def _of_analysis(analysis: Analysis) -> tuple[str, Rows]:
    return status.title(analysis), short_rows(analysis)


def _of_nights(nights: Nights) -> tuple[str, Rows]:
    return f"{phrases.counted(len(nights.nights), 'night')} of readings", _night_rows(nights)


def _of_history(history: History) -> tuple[str, Rows]:
    return f"History of {phrases.counted(len(history.time_us), 'reading')}", _history_rows(history)


def _of_night(night: NightAxis) -> tuple[str, Rows]:
    sd = np.sqrt(np.diagonal(night.covariance))
    names = ("Azimuth error", "Altitude error", "Hour-angle zero")
    rows = [
        (name, phrases.any_angle(value, known))
        for name, value, known in zip(names, night.estimate, sd, strict=True)
    ]
    rows = [("From", axis.source_words(night)), ("Used", axis.used_words(night)), *rows]
    remarks = axis.remark_words(night)
    return f"Night at {utc_text(night.time_us)}", [*rows, *([("Remarks", remarks)] if remarks else [])]


_SIZES = {
    "tilt_north": "tilt to the north",
    "tilt_east": "tilt to the east",
    "mount_az": "mount in azimuth",
    "mount_alt": "mount in altitude",
}


def _of_event(event: Event) -> tuple[str, Rows]:
    rows = [
        ("Between", f"{utc_text(event.after_us)} and {utc_text(event.before_us)}"),
        *(
            (f"Size, {_SIZES[name]}", phrases.any_angle(event.size[name], event.size_sd.get(name)))
            for name in event.size
            if event.size[name]
        ),
        ("Odds", phrases.odds(event.probability)),
    ]
    return f"Step: {causes.event_words(event)}", rows


def _of_correction(found: CorrectionFound) -> tuple[str, Rows]:
    def amount(value: float | None, sd: float | None) -> str:
        return "not known" if value is None else phrases.any_angle(value, sd)

    rows = [
        ("Asked", "not given" if found.asked is None else phrases.angle_alone(found.asked)),
        ("Found", amount(found.found, found.found_sd)),
        ("Did it work?", causes.held_words(found)),
        *([("Note", phrases.harmless(found.note))] if found.note else []),
    ]
    return (
        f"Correction, {phrases.CORRECTION_WORDS.get(found.kind, found.kind)}, {utc_text(found.time_us)}",
        rows,
    )


def _of_separable(separable: Separable) -> tuple[str, Rows]:
    rows = [("Because", because_words(separable))]
    settle = settle_words(separable)
    return f"Can it be told apart? {separable.answer}", [
        *rows,
        *([("To settle it", settle)] if settle else []),
    ]


def _of_seasonal(seasonal: Seasonal) -> tuple[str, Rows]:
    rows = [("From end to end", phrases.angle(seasonal.peak_to_trough, seasonal.peak_to_trough_sd))]
    rows += _toward(seasonal.toward_bearing_deg)
    if seasonal.peak_day_of_year is not None:
        rows.append(("Most on", phrases.day_of_year_words(seasonal.peak_day_of_year)))
    return "What comes and goes with the year", rows


def _of_lasting(lasting: Lasting) -> tuple[str, Rows]:
    rows = [("A year", phrases.angle(lasting.arcsec_per_year, lasting.arcsec_per_year_sd))]
    return "What does not come back", rows + _toward(lasting.toward_bearing_deg)


def _toward(bearing_deg: float | None) -> Rows:
    return [("Way", "not sure" if bearing_deg is None else phrases.toward(bearing_deg))]


def _of_winter(winter: Winter) -> tuple[str, Rows]:
    left = phrases.any_angle(winter.left_behind, winter.left_behind_sd)
    rows = [("Swing", phrases.angle(winter.swing, winter.swing_sd)), ("Left behind", left)]
    return f"Winter {winter.winter}", rows


def _of_verdict(verdict: Verdict) -> tuple[str, Rows]:
    return "Verdict", [("", phrases.harmless(verdict_sentence(verdict)))]


def _of_action(action: Action) -> tuple[str, Rows]:
    return "What to do", [("", status.action_words(action))]


def _of_advice(advice: Advice) -> tuple[str, Rows]:
    steps = [(str(n), status.action_words(one)) for n, one in enumerate(advice.actions, 1)]
    care = [("Take care", sentence(one)) for one in advice.cautions]
    return "Advice", [("Verdict", phrases.harmless(verdict_sentence(advice.verdict))), *steps, *care]


def _of_forecast(forecast: Forecast) -> tuple[str, Rows]:
    rows = [("From, to (UTC)", _span(forecast.time_us.tolist()))] if len(forecast.time_us) else []
    for k, name in enumerate(("azimuth error", "altitude error")):
        for which, at in (("first", 0), ("last", -1)):
            if rows:
                value, sd = float(forecast.axis[at, k]), float(forecast.axis_sd[at, k])
                rows.append((f"{name.capitalize()}, {which} day", phrases.any_angle(value, sd)))
    return f"Forecast of {phrases.counted(len(forecast.time_us), 'day')}", rows


def _of_readings(readings: Readings) -> tuple[str, Rows]:
    rows = []
    for kind, table in readings.tables.items():
        if len(table):
            times = table["day"] * DAY_US if "day" in table else table["time_us"]
            rows.append((KIND_WORDS[kind].capitalize(), f"{len(table):,}, {_span(times.tolist())}"))
    return "Readings", rows or [("", "none")]


def _of_site(site: PierFile) -> tuple[str, Rows]:
    place, warn = site.site, site.warn
    rows = [
        (
            "Place",
            f"latitude {place.latitude_deg:g}°, longitude {place.longitude_deg:g}°, {place.elevation_m:g} m",
        ),
        ("Time zone", place.timezone or "UTC"),
        ("Hour-angle zero", site.mount.hour_angle_zero),
        (
            "Warns from",
            f"axis {phrases.plain_arcmin(warn.axis_arcmin)}, tilt {phrases.plain_angle(warn.tilt_arcsec)}",
        ),
        ("Site file", str(site.path) if site.path else "none"),
    ]
    return f"Site: {place.name or 'without a name'}", rows


def _of_hindcast(one: Hindcast) -> tuple[str, Rows]:
    rows = [
        ("Hidden from", utc_text(one.cut_us)[:10]),
        ("Nights compared", str(one.nights)),
        ("Root mean square", phrases.angle_alone(one.rms)),
        ("Of the plain annual shape", phrases.angle_alone(one.rms_annual)),
        ("Inside the 80 % band", phrases.percent(one.inside)),
    ]
    return f"Forecast of the winter {one.winter}, compared", rows


def _of_ground(ground: PierGround) -> tuple[str, Rows]:
    said = [*ground_sentences(ground), *design_sentences(ground)]
    return "The ground at the pier", [("", one) for one in said]


def _of_record(record: Record) -> tuple[str, Rows]:
    rows = [("Of", record.site.site.name or "a site without a name"), ("Kept in", record.words)]
    return "Record", [*rows, *([("", "can be read only")] if record.read_only else [])]


def _of_fields(result: Any) -> tuple[str, Rows]:
    """Return the plain fields of a result that has no writer of its own."""
    rows = [(one.name, str(getattr(result, one.name))) for one in fields(result) if one.repr]
    return type(result).__name__, rows


_WRITERS: dict[type, Callable[[Any], tuple[str, Rows]]] = {
    Analysis: _of_analysis,
    Nights: _of_nights,
    History: _of_history,
    NightAxis: _of_night,
    Event: _of_event,
    CorrectionFound: _of_correction,
    Separable: _of_separable,
    Seasonal: _of_seasonal,
    Lasting: _of_lasting,
    Winter: _of_winter,
    Verdict: _of_verdict,
    Action: _of_action,
    Advice: _of_advice,
    Forecast: _of_forecast,
    Readings: _of_readings,
    PierFile: _of_site,
    Hindcast: _of_hindcast,
    PierGround: _of_ground,
}


def _night_rows(nights: Nights) -> list[tuple[str, str]]:
    found = nights.nights
    known = [night for night in found if night.has_axis]
    rows = [("From, to (UTC)", _span([night.time_us for night in found]))] if found else []
    rows.append(("With a usable axis", f"{len(known)} of {len(found)}"))
    if known:
        sd = np.sqrt([np.diagonal(night.covariance)[:2] for night in known])
        middle = ", ".join(
            f'{name} {value:.1f}"'
            for name, value in zip(("azimuth", "altitude"), np.median(sd, axis=0), strict=True)
        )
        rows.append(("Half are better than", middle))
    rows.append(("Readings used", str(sum(night.solves_used for night in found))))
    rows.append(("Readings set aside", str(len(nights.set_aside))))
    return [*rows, *(("Warning", phrases.harmless(sentence(one))) for one in nights.notices)]


def _history_rows(history: History) -> list[tuple[str, str]]:
    rows = [("From, to (UTC)", _span(history.time_us.tolist()))] if len(history.time_us) else []
    latest = axis.latest_row(history)
    if latest is not None:
        north, east = history.change[latest, :2]
        north_sd, east_sd = history.sd[latest, :2]
        rows.append(("Pier tilt since the start", phrases.tilt_words(north, north_sd, "north", "south")))
        rows.append(("", phrases.tilt_words(east, east_sd, "east", "west")))
    rows.append(("With the season", axis.seasonal_words(history)))
    rows.append(("Lasting", axis.lasting_words(history)))
    rows.append(("Events", "; ".join(causes.event_words(event) for event in history.events) or "none"))
    rows.append(("Corrections", str(len(history.corrections))))
    return [*rows, *(("Warning", phrases.harmless(sentence(one))) for one in history.notices)]


def _span(times_us: list[int]) -> str:
    return f"{utc_text(min(times_us))[:10]} to {utc_text(max(times_us))[:10]}"


def plot_result(result: Nights | History, site: PierFile, name: str, ax: Any = None, **look: Any) -> Figure:
    """Draw a picture from nights or a history alone.

    Raises
    ------
    drift.errors.DriftError
        If there is none of that name, or it needs more than the result holds.
    """
    verdict = Verdict(moved=False, part=MovedPart.NONE, notice=info(AdviceCode.NO_AXIS))
    no_advice = Advice(verdict=verdict, actions=(), cautions=())
    if isinstance(result, Nights):
        alone, name = Analysis(site, result, _no_history(), no_advice, ()), name or "axis"
    else:
        alone, name = Analysis(site, Nights(), result, no_advice, ()), name or "tilt"
    lacking = picture_named(alone, name).lacking(alone)
    if lacking:
        raise DriftError(f"the picture {name!r} has nothing to show of this result alone: {lacking}")
    return plot(alone, name, ax, **look)


def _no_history() -> History:
    unknown = Separable(answer=Answer.NO, because=(info(HistoryCode.NO_HISTORY),), would_settle_it=None)
    none, no = np.zeros((0, 6)), np.full(2, np.nan)
    return History(
        time_us=np.zeros(0, dtype=np.int64),
        change=none,
        sd=none,
        east_tilt_from_mount_azimuth=unknown,
        north_tilt_from_mount_altitude=unknown,
        seasonal=None,
        winters=(),
        lasting=None,
        events=(),
        corrections=(),
        axis_now=no,
        axis_now_sd=no,
        seasonal_axis_offset=np.zeros((366, 2)),
    )


def plot(analysis: Analysis, name: str, ax: Any = None, **look: Any) -> Figure:
    """Draw the picture of that name; a new figure shows itself where it is the last value of a cell.

    Raises
    ------
    drift.errors.DriftError
        If there is none of that name.
    """
    figure = picture_named(analysis, name).figure(analysis, ax, **look)
    if ax is None:
        # pictures are made without pyplot, so that no notebook knows them by itself
        figure._repr_svg_ = lambda: _svg(figure)  # type: ignore[attr-defined]
    return figure


def _svg(figure: Figure) -> str:
    import io

    written = io.StringIO()
    figure.savefig(written, format="svg", metadata={"Date": None})
    return written.getvalue()
