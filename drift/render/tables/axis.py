"""Tables of where the axis is: now, on each night, and whether it matters."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from drift.codes import Part
from drift.mount.axis_error import on_sky
from drift.quantities import Floats, reading_date
from drift.render import phrases
from drift.render.advice_words import matter_name
from drift.render.notices import sentence
from drift.render.phrases import compass, evening_of, listed
from drift.types import HISTORY_COLUMNS
from drift.watch.limits import now_state

if TYPE_CHECKING:
    from markupsafe import Markup

    from drift.types import Analysis, History, NightAxis
    from drift.watch.limits import Against, YearAgo


# ---- A table of text.


#: Stands between cells while all of them are escaped at once; no text holds it.
_BETWEEN = "\x00"


@dataclass(frozen=True)
class Table:
    """A title, column headings and rows of text; `numeric` names the columns set to the right."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()
    note: str = ""

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row) != len(self.headings):
                raise ValueError(f"table {self.title!r}: row {row!r} has not {len(self.headings)} cells")

    def rows_html(self, labelled: bool = False) -> Markup:
        """Return the rows as HTML, every cell escaped, each with its heading beside it where wanted.

        A template's loop takes many times as long, and a picture of ten years has thousands of rows.
        """
        from markupsafe import Markup, escape

        heads = [f' data-label="{escape(heading)}"' if labelled else "" for heading in self.headings]
        right = ' class="n"'
        opened = [f"<td{right * (at in self.numeric)}{head}>" for at, head in enumerate(heads)]
        text = _BETWEEN.join(_BETWEEN.join(cell.replace(_BETWEEN, "") for cell in row) for row in self.rows)
        cells = iter(str(escape(text)).split(_BETWEEN))
        rows = ("".join([f"{tag}{next(cells)}</td>" for tag in opened]) for _ in self.rows)
        return Markup("".join([f"<tr>{row}</tr>\n" for row in rows]))


# ---- How far the axis may be off, by optics and warning limit.


@dataclass(frozen=True)
class Tolerance:
    """The angle on the sky [arcmin] within which the axis is good enough, and for what."""

    arcmin: float
    name: str


def tolerated(analysis: Analysis) -> Tolerance | None:
    """Return what the most demanding use of the optics tolerates; None where none is known.

    A use that matters only to some, such as stacking unturned frames, is one of them: status says that the
    axis is off too far for it, and a picture must not say otherwise.
    """
    all_known = [matter for matter in analysis.advice.matters if phrases.known(matter.allowed_arcmin)]
    least = min(all_known, key=lambda matter: matter.allowed_arcmin, default=None)
    return None if least is None else Tolerance(least.allowed_arcmin, matter_name(least))


def aimed_pole_arcmin(analysis: Analysis) -> float:
    """Return how far above the true pole the pole that is aimed at stands [arcmin]."""
    poles = analysis.advice.poles
    return poles.lift_arcsec / 60.0 if poles is not None and poles.aimed_at == "refracted" else 0.0


# ---- The distance from the pole on each night.


def distances_arcmin(analysis: Analysis, nights: Iterable[NightAxis]) -> tuple[Floats, Floats]:
    """Return the distance and its standard deviation [arcmin], (n,) each; NaN where a coordinate lacks.

    Notes
    -----
    ``u^T C u`` with u the direction away from the pole and C the night's covariance on the sky.  As in
    `drift.mount.axis_error.on_sky`, a distance that is no larger than the wider of the two coordinates'
    sds has that one: it has no direction to speak of.
    """
    made = [_distance(analysis, night) for night in nights]
    found = np.array(made, dtype=float).reshape(-1, 2)
    return found[:, 0], found[:, 1]


def _distance(analysis: Analysis, night: NightAxis) -> tuple[float, float]:
    to_sky = np.array([math.cos(math.radians(analysis.site.site.latitude_deg)), 1.0]) / 60.0
    away = night.estimate[:2] * to_sky - [0.0, aimed_pole_arcmin(analysis)]
    covariance = night.covariance[:2, :2] * np.outer(to_sky, to_sky)
    error, widest = float(np.hypot(*away)), math.sqrt(float(np.max(np.diagonal(covariance))))
    if not error > widest:
        return error, widest
    u = away / error
    return error, math.sqrt(max(0.0, float(u @ covariance @ u)))


def pole_words(analysis: Analysis) -> str:
    """Name the pole that is aimed at."""
    return "the refracted pole" if aimed_pole_arcmin(analysis) else "the true pole"


# ---- The tables.


SOURCE_WORDS = {"pointing": "pointing", "sweep": "sweep", "run": "unguided run", "typed": "typed in"}


def now_table(analysis: Analysis) -> Table:
    """Where the axis is, how pier and mount have changed since the start, season and lasting part."""
    latitude = analysis.site.site.latitude_deg
    history = analysis.history
    rows = [
        ("Axis in azimuth", phrases.azimuth_words(history.axis_now[0], history.axis_now_sd[0], latitude)),
        ("Axis in altitude", phrases.altitude_words(history.axis_now[1], history.axis_now_sd[1])),
        ("Angle on the sky", _angle_on_sky(analysis)),
        *_counted_rows(analysis),
        *_change_rows(analysis),
        ("With the season", seasonal_words(history)),
        ("Lasting", lasting_words(history)),
    ]
    return Table("Where things stand", ("what", "how much"), tuple(rows))


def brief_table(analysis: Analysis, waiting: bool) -> Table:
    """Where things stand in one line each, the weightiest first, for the first screen.

    Parameters
    ----------
    analysis
        The analysis.
    waiting
        Whether warnings are shown above it: then steps are in them.
    """
    verdict = analysis.advice.verdict
    happened = f"{sentence(verdict.notice).rstrip('.')}."
    if verdict.stands and verdict.clauses and not waiting:
        happened = f"{happened.rstrip('.')}: {sentence(verdict.clauses[0])}."
    rows = [
        ("Axis", _axis_words(analysis)),
        *_brief_tilt(analysis),
        *_brief_mount(analysis),
        ("History", happened),
    ]
    if analysis.history.seasonal is not None:
        rows.append(("Season", seasonal_words(analysis.history)))
    lasting = analysis.history.lasting
    if lasting is not None and phrases.has_side(lasting.arcsec_per_year, lasting.arcsec_per_year_sd):
        rows.append(("Lasting", lasting_words(analysis.history)))
    return Table("Where things stand", ("what", "how much"), tuple(rows))


def _axis_words(analysis: Analysis) -> str:
    """Return ``1.33' ± 0.03' from the true pole: 0.43' east of it, 1.31' too high``."""
    axis, latitude = analysis.history.axis_now, analysis.site.site.latitude_deg
    error, sd = on_sky(axis, analysis.history.axis_now_sd, math.radians(latitude))
    if not phrases.known(error):
        return phrases.NOT_KNOWN
    side, height = phrases.azimuth_side(axis[0], latitude), "too high" if axis[1] >= 0.0 else "too low"
    parts = f"{phrases.arcmin_alone(abs(axis[0]))} {side}, {phrases.arcmin_alone(abs(axis[1]))} {height}"
    return f"{phrases.any_arcmin(error, sd)} from the true pole: {parts}"


def _brief_tilt(analysis: Analysis) -> list[tuple[str, str]]:
    """Return how far the pier tilts, counted as its limit is, and how that differs from a year before."""
    state = now_state(analysis)
    tilt, ago = state.tilt, state.year_ago
    if tilt is None:
        return [("Pier", "its tilt can't be told from the mount yet: `drift guide cant-tell`")]
    way = "" if tilt.toward_bearing_deg is None else f" toward the {compass(tilt.toward_bearing_deg)}"
    since = f"since {_baseline(tilt, analysis)}"
    rows = [("Pier", f"tilted {phrases.angle(tilt.value, tilt.sd)}{way} {since}")]
    if not phrases.has_side(tilt.value, tilt.sd):
        rows = [("Pier", f"no tilt seen {since} ({_would_show(tilt.sd)})")]
    if ago is not None and ago.is_clear:
        rows.append(("", _moved_in_year(ago, analysis)))
    return rows


def year_ago_words(year_ago: YearAgo) -> str:
    """Return ``12" ± 4" from the same week last winter, toward the south (bearing 184°)``."""
    week = f"the same week last {'winter' if year_ago.winter else 'year'}"
    if not year_ago.is_clear:
        return f"no change from {week} (it would show from {phrases.plain_angle(year_ago.seen_to)} on)"
    bearing = year_ago.toward_bearing_deg
    way = "" if bearing is None else f", {phrases.toward(bearing)}"
    return f"{phrases.angle(year_ago.size, year_ago.sd)} from {week}{way}"


def _brief_mount(analysis: Analysis) -> list[tuple[str, str]]:
    """Return where the mount is on the pier against the start, corrections included."""
    history, latest = analysis.history, latest_row(analysis.history)
    if latest is None or (not history.sd[latest].any() and not history.change[latest].any()):
        return []
    change = dict(zip(HISTORY_COLUMNS, history.change[latest], strict=True))
    sd = dict(zip(HISTORY_COLUMNS, history.sd[latest], strict=True))
    rows: list[tuple[str, str]] = []
    az, alt = _of("mount_az", change, sd), _of("mount_alt", change, sd)
    moved = []
    if phrases.known(*az) and phrases.has_side(*az):
        side = phrases.azimuth_side(az[0], analysis.site.site.latitude_deg)
        moved.append(f"{phrases.any_angle(abs(az[0]), az[1])} {side} of")
    if phrases.known(*alt) and phrases.has_side(*alt):
        moved.append(f"{phrases.any_angle(abs(alt[0]), alt[1])} {'above' if alt[0] >= 0.0 else 'below'}")
    start = reading_date(history.time_us[0], analysis.site.site.longitude_deg)
    if moved:
        rows.append(("Mount", f"{' and '.join(moved)} where it stood on the pier on {start}"))
    elif phrases.known(*az, *alt):
        rows.append(
            (
                "Mount",
                f"stands on the pier as on {start}, to {phrases.plain_angle(2.0 * max(az[1], alt[1]))}",
            )
        )
    return rows


def _angle_on_sky(analysis: Analysis) -> str:
    history = analysis.history
    state = now_state(analysis).axis
    allowed = "" if state is None else f" (limit {phrases.plain_arcmin(state.limit / 60.0)})"
    error, sd = on_sky(history.axis_now, history.axis_now_sd, math.radians(analysis.site.site.latitude_deg))
    if not phrases.known(error):
        return phrases.NOT_KNOWN
    return f"{phrases.any_arcmin(error, sd)} from the true pole{allowed}"


def _counted_rows(analysis: Analysis) -> list[tuple[str, str]]:
    """Return the tilt as its limit counts it, and how that differs from a year before."""
    state = now_state(analysis)
    if state.tilt is None:
        return []
    tilt = state.tilt
    way = "" if tilt.toward_bearing_deg is None else f" {phrases.toward(tilt.toward_bearing_deg)}"
    since = f"Pier tilt since {_baseline(tilt, analysis)}"
    rows = [(since, f"{phrases.angle(tilt.value, tilt.sd)}{way} (limit {phrases.plain_angle(tilt.limit)})")]
    if state.year_ago is not None:
        rows.append(("", _moved_in_year(state.year_ago, analysis)))
    return rows


def _baseline(tilt: Against, analysis: Analysis) -> str:
    longitude = analysis.site.site.longitude_deg
    return phrases.baseline_words({} if tilt.baseline is None else tilt.baseline.values(longitude))


def _moved_in_year(year_ago: YearAgo, analysis: Analysis) -> str:
    """Return by how much the tilt has changed in a year, and when: at once on a day, or little by little."""
    if not year_ago.is_clear:
        return year_ago_words(year_ago)
    longitude = analysis.site.site.longitude_deg
    tips = [
        event
        for event in analysis.history.events
        if event.what == Part.PIER and event.is_movement and event.before_us > year_ago.time_us
    ]
    how = "little by little"
    if tips:
        how = f"some of it at once by {listed([reading_date(e.before_us, longitude) for e in tips])}"
    way = "" if year_ago.toward_bearing_deg is None else f" toward the {compass(year_ago.toward_bearing_deg)}"
    since = reading_date(year_ago.time_us, longitude)
    return f"{phrases.angle(year_ago.size, year_ago.sd)} of movement{way} since {since}, {how}"


def _change_rows(analysis: Analysis) -> list[tuple[str, str]]:
    history, latitude_deg = analysis.history, analysis.site.site.latitude_deg
    latest = latest_row(history)
    if latest is None:
        return [
            ("Pier and mount", "no change to tell: there is no night with a usable axis and no level reading")
        ]
    change = dict(zip(HISTORY_COLUMNS, history.change[latest], strict=True))
    sd = dict(zip(HISTORY_COLUMNS, history.sd[latest], strict=True))
    if not any(sd.values()) and not any(change.values()):
        return [("Pier and mount", "this is the first night; changes count from here")]
    write = _change_writer(change, sd, plate_used(history))
    start = f"since {reading_date(history.time_us[0], analysis.site.site.longitude_deg)}"
    rows = _tilt_rows(f"Pier tilt {start}", "tilt", change, sd, write)
    tilts = change["tilt_north"], change["tilt_east"], sd["tilt_north"], sd["tilt_east"]
    if phrases.known(*tilts):
        rows.append(("", "together " + phrases.whole_tilt(*tilts, write)))
    if plate_used(history):
        rows += _tilt_rows(f"Plate tilt {start}", "plate", change, sd, write)
    az, alt = _of("mount_az", change, sd), _of("mount_alt", change, sd)
    azimuth = _unmoved(*az) or phrases.mount_azimuth_words(*az, latitude_deg, write)
    altitude = _unmoved(*alt) or phrases.mount_altitude_words(*alt, write)
    return [*rows, (f"Mount azimuth {start}", azimuth), (f"Mount altitude {start}", altitude)]


def _unmoved(value: float, sd: float) -> str:
    """Return that no movement is seen, and to what it would show; "" where one is, or nothing is known."""
    if not phrases.known(value, sd) or phrases.has_side(value, sd):
        return ""
    return f"no movement seen ({_would_show(sd)})"


def _would_show(sd: float) -> str:
    return f"it would show from {phrases.plain_angle(phrases.SIDE_SDS * sd)} on"


def _change_writer(change: dict[str, float], sd: dict[str, float], with_plate: bool) -> phrases.Writer:
    """Return how all changes since the start are written, in one unit; the whole tilt counts as well."""
    shown = [_of(name, change, sd) for name in HISTORY_COLUMNS if with_plate or not name.startswith("plate")]
    return phrases.one_unit([*shown, (math.hypot(change["tilt_north"], change["tilt_east"]), 0.0)])


def _tilt_rows(
    heading: str, part: str, change: dict[str, float], sd: dict[str, float], write: phrases.Writer
) -> list[tuple[str, str]]:
    north, east = _of(f"{part}_north", change, sd), _of(f"{part}_east", change, sd)
    return [
        (heading, phrases.tilt_words(*north, "north", "south", write)),
        ("", phrases.tilt_words(*east, "east", "west", write)),
    ]


def _of(name: str, change: dict[str, float], sd: dict[str, float]) -> tuple[float, float]:
    return change[name], sd[name]


def latest_row(history: History) -> int | None:
    """Return the latest row of the history in which anything is known."""
    rows = np.flatnonzero(np.isfinite(history.change).any(axis=1))
    return int(rows[-1]) if rows.size else None


def plate_used(history: History) -> bool:
    """Whether the plate ever tilted against the pier, by shims, nuts or readings."""
    plate = history.change[:, 2:4]
    return bool(np.any(np.abs(plate[np.isfinite(plate)]) > 0))


def seasonal_words(history: History) -> str:
    """Return how far the pier swings with the year, toward where, and when most."""
    seasonal = history.seasonal
    if seasonal is None:
        return "no yearly swing can be told from these data"
    swing = phrases.any_angle(seasonal.peak_to_trough, seasonal.peak_to_trough_sd)
    way = "" if seasonal.toward_bearing_deg is None else f" {phrases.toward(seasonal.toward_bearing_deg)}"
    day = seasonal.peak_day_of_year
    when = "" if day is None else f", furthest in {phrases.day_of_year_words(day)}"
    return f"swings by {swing} from end to end{way}{when}"


def lasting_words(history: History) -> str:
    """Return how fast the pier tilts without coming back."""
    lasting = history.lasting
    if lasting is None:
        return "no lasting tilt can be told from these data"
    rate = phrases.any_angle(lasting.arcsec_per_year, lasting.arcsec_per_year_sd)
    way = "" if lasting.toward_bearing_deg is None else f" {phrases.toward(lasting.toward_bearing_deg)}"
    return f"{rate} a year{way}"


def nights_table(analysis: Analysis) -> Table:
    """The axis on each night by itself, the latest first."""
    longitude, nights = analysis.site.site.longitude_deg, analysis.nights.nights
    away = list(zip(*distances_arcmin(analysis, nights), strict=True))
    return Table(
        "The nights",
        (
            *("night of", "from", "used", "aside"),
            *(*_axis_headings(analysis), "from the pole [']", 'zero ["]', "remarks"),
        ),
        tuple(
            (
                evening_of(night.time_us, longitude).isoformat(),
                source_words(night),
                str(night.solves_used or "–"),
                str(night.solves_set_aside or "–"),
                *_axis_cells(night),
                phrases.plain_pair(*far, most=2),
                phrases.plain_pair(night.estimate[2], _sd(night)[2]),
                remark_words(night),
            )
            for night, far in list(zip(nights, away, strict=True))[::-1]
        ),
        numeric=frozenset({2, 3, 4, 5, 6, 7}),
        note=f"{_nights_note(analysis)} The distance is that on the sky from {pole_words(analysis)}.",
    )


def last_nights_table(analysis: Analysis, last: int) -> Table:
    """The axis on the last few nights, the latest first, in few and narrow columns."""
    longitude = analysis.site.site.longitude_deg
    nights = analysis.nights.nights[::-1][:last]
    shown = len(nights) < len(analysis.nights.nights)
    rows = [
        (
            evening_of(night.time_us, longitude).isoformat(),
            source_words(night),
            used_words(night),
            *_axis_cells(night),
            remark_words(night),
        )
        for night in nights
    ]
    return Table(
        f"The last {phrases.counted(len(nights), 'night')}" if shown else "The nights",
        ("night of", "from", "used", "azimuth [']", "altitude [']", "remarks"),
        tuple(rows),
        numeric=frozenset({3, 4}),
        note=_nights_note(analysis),
    )


def source_words(night: NightAxis) -> str:
    """Return where a night's axis came from."""
    return ", ".join(SOURCE_WORDS.get(source, source) for source in night.sources)


def used_words(night: NightAxis) -> str:
    """Return how many readings were used, of how many; nothing for an axis that was typed in."""
    count = night.solves_used + night.solves_set_aside
    return f"{night.solves_used} of {count}" if count else "–"


def remark_words(night: NightAxis) -> str:
    """Return what is to be said of a night."""
    return phrases.harmless("; ".join(sentence(notice) for notice in night.notices))


def _sd(night: NightAxis) -> Floats:
    with np.errstate(invalid="ignore"):
        return np.sqrt(night.covariance.diagonal())


def _axis_cells(night: NightAxis) -> tuple[str, str]:
    sd = _sd(night)
    az, alt = (phrases.plain_pair(night.estimate[k] / 60.0, sd[k] / 60.0, most=2) for k in (0, 1))
    return az, alt


def _axis_headings(analysis: Analysis) -> tuple[str, str]:
    clockwise = phrases.azimuth_side(1.0, analysis.site.site.latitude_deg)
    return f"azimuth ['], + {clockwise}", "altitude ['], + high"


def _nights_note(analysis: Analysis) -> str:
    clockwise = phrases.azimuth_side(1.0, analysis.site.site.latitude_deg)
    return (
        "Each night by itself, against the true pole, ± one standard deviation. "
        f"Azimuth is positive {clockwise} of the pole, altitude positive above it. "
        "A night is named after the evening on which it began."
    )
