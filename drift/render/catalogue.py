"""All pictures by name: title, caption, how it is drawn, its description and its table."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.steps import advise
from drift.codes import Answer
from drift.errors import DriftError
from drift.notices import HistoryCode, info
from drift.render.figures import (
    axis_and_tilt,
    axis_path,
    changes,
    ground_under_tilt,
    night_quality,
    outlook,
    pier_path,
    seasons,
    strip,
)
from drift.render.figures import causes as cause_figure
from drift.render.figures.causes import view_named, views
from drift.render.phrases import evening_of
from drift.render.tables import axis, causes
from drift.render.tables.axis import Table
from drift.render.tables.causes import event_number, event_words
from drift.render.tables.instrument import months_of_analysis
from drift.types import HISTORY_COLUMNS, Analysis, History, Nights, Separable

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from drift.site.file import PierFile


# ---- The analysis of an empty record: no picture can be drawn, and each says why.


_NEITHER = Separable(
    answer=Answer.NO,
    because=(info(HistoryCode.NO_HISTORY),),
    would_settle_it=info(HistoryCode.SETTLED_BY_LOG),
)


def analysis_of_nothing(site: PierFile) -> Analysis:
    """Return the analysis of a record without nights and without level readings."""
    none, unknown = np.zeros((0, len(HISTORY_COLUMNS))), np.full(2, np.nan)
    history = History(
        time_us=np.zeros(0, dtype=np.int64),
        change=none,
        sd=none,
        east_tilt_from_mount_azimuth=_NEITHER,
        north_tilt_from_mount_altitude=_NEITHER,
        seasonal=None,
        winters=(),
        lasting=None,
        events=(),
        corrections=(),
        axis_now=unknown,
        axis_now_sd=unknown,
        seasonal_axis_offset=np.zeros((366, 2)),
    )
    nights = Nights(nights=(), instruments=(), set_aside=())
    return Analysis(site, nights, history, advise(site, nights, history), ())


# ---- All pictures by name.


_SDS = "one standard deviation"
_MARKS = (
    "Numbers in circles are events, letters in squares are corrections, as in the tables; "
    "two that stand close together are written as one."
)
#: The leading picture: beside what to do, before all others.
FIRST = "strip"
#: The name of an event's picture, before its number.
_EVENT = "event-"


@dataclass(frozen=True)
class Picture:
    """One picture of an analysis.

    Parameters
    ----------
    name
        As a command takes it: "axis", "pier", "event-1", ...
    title, caption
        For people.
    figure
        ``figure(answer, ax=None, *, width_in=...)``.
    describe
        What it shows in words, for those who can't see it.
    table
        The numbers behind it.
    lacking
        Why there is nothing to draw, a sentence; "" where there is.
    narrow
        Drawn for a phone only, so that two stand side by side on a page.
    in_report
        Whether the report has it; others are drawn on request.
    """

    name: str
    title: str
    caption: Callable[[Analysis], str]
    figure: Callable[..., Figure]
    describe: Callable[[Analysis], str]
    table: Callable[[Analysis], Table]
    lacking: Callable[[Analysis], str]
    narrow: bool = False
    in_report: bool = True

    @property
    def is_event(self) -> bool:
        """Whether it shows one event close up."""
        return self.name.startswith(_EVENT)


def pictures_of(analysis: Analysis) -> tuple[Picture, ...]:
    """Return all pictures that an analysis may have, in the order of the report, also those without data."""
    return (*_FIRST, *_events(analysis), *_MIDDLE, *_causes(analysis), *_LAST)


def picture_named(analysis: Analysis, name: str) -> Picture:
    """Return the picture of that name.

    Raises
    ------
    drift.errors.DriftError
        If there is none; names those there are.
    """
    known = {picture.name: picture for picture in pictures_of(analysis)}
    if name in known:
        return known[name]
    close = difflib.get_close_matches(name, known, n=1)
    meant = f"; did you mean {close[0]!r}?" if close else "."
    raise DriftError(f"there is no picture {name!r}{meant}  The pictures are {', '.join(known)}.")


def _always(sentence: str) -> Callable[[Analysis], str]:
    return lambda analysis: sentence


def _with_marks(sentence: str) -> Callable[[Analysis], str]:
    def caption(analysis: Analysis) -> str:
        history = analysis.history
        return f"{sentence} {_MARKS}" if history.events or history.corrections else sentence

    return caption


def _tilt_caption(analysis: Analysis) -> str:
    levels = " Short strokes at the foot are level readings." if axis_and_tilt.level_times(analysis) else ""
    levels += " A bar there is the time of a tilt sensor." if analysis.history.sensors else ""
    described = _with_marks(
        f"Change since the first night with a usable axis; bands are {_SDS} of the difference.{levels}"
    )
    return described(analysis)


def _ground_caption(analysis: Analysis) -> str:
    ground = analysis.ground
    deepest = (
        ""
        if ground is None
        else ground_under_tilt.deepest_words(ground, ground_under_tilt.days_shown(analysis, ground))
    )
    return (
        "The frozen layer is worked out from the weather and what the site file says of soil and surface; "
        f"the pale layer is how far it may have gone within what isn't known of them. {deepest}"
    )


def _causes(analysis: Analysis) -> tuple[Picture, ...]:
    return tuple(_cause_picture(view.name, view_named(analysis, view.name).title) for view in views(analysis))


def _cause_picture(view: str, title: str) -> Picture:
    return Picture(
        f"causes-{view}",
        f"Cause by cause: {title}",
        _always(
            f"What each cause alone did; bands are {_SDS} of the cause. Causes that go slowly share one "
            "scale. Where nights show the axis, all causes together are laid against them, with a band of at "
            f"most {_SDS} of their sum, and below is what no cause explains; bars are {_SDS} of the night."
        ),
        partial(cause_figure.figure, view=view),
        partial(cause_figure.describe, view=view),
        partial(cause_figure.table, view=view),
        cause_figure.lacking,
        narrow=True,
        in_report=False,
    )


def _events(analysis: Analysis) -> tuple[Picture, ...]:
    return tuple(_event_picture(analysis, k) for k in range(len(analysis.history.events)))


def _event_picture(analysis: Analysis, k: int) -> Picture:
    event = analysis.history.events[k]
    evening = evening_of(event.before_us, analysis.site.site.longitude_deg)
    return Picture(
        f"{_EVENT}{event_number(k)}",
        f"Event {event_number(k)}, by {evening}: {event_words(event)}",
        _always(
            f"Bars are {_SDS} of a night; the line through each side is the fitted curve. Both coordinates "
            "have one scale. In the shaded time it happened; dashed lines are corrections."
        ),
        partial(changes.event_figure, event=k),
        partial(changes.describe_event, event=k),
        partial(changes.table, event=k),
        _always(""),
        narrow=True,
    )


def _axis_lacking(analysis: Analysis) -> str:
    known = any(night.has_axis for night in analysis.nights.nights)
    return "" if known else "No night shows where the axis points yet."


_FIRST = (
    Picture(
        "strip", "Has it moved?", strip.caption, strip.figure, strip.describe, strip.table, strip.lacking
    ),
    Picture(
        "seasons",
        "The tilt through the year",
        _always(
            f"Bands are {_SDS}; the forecast is an outline that holds 80 %. Of winters laid over each other "
            "the latest is bold and older ones are paler; what one leaves behind shows as the height at "
            "which the next begins."
        ),
        seasons.figure,
        seasons.describe,
        seasons.table,
        seasons.lacking,
    ),
    Picture(
        "outlook",
        "The coming year",
        _always(
            f"Points are nights with bars of {_SDS}. The fan holds 50 and 80 % of what may come if nobody "
            "touches the mount; winters are shaded."
        ),
        outlook.figure,
        outlook.describe,
        months_of_analysis,
        outlook.lacking,
    ),
    Picture(
        "axis",
        "The axis, night by night",
        _with_marks(
            f"Bars are {_SDS}; weak nights are pale and small, the line is the fitted curve. The limit is "
            "one on the distance from the pole, to which both coordinates add: the lowest panel is tinted "
            "within it."
        ),
        axis_and_tilt.axis_figure,
        axis_and_tilt.describe_axis,
        axis.nights_table,
        _axis_lacking,
    ),
    Picture(
        "ground",
        "The ground under the tilt",
        _ground_caption,
        ground_under_tilt.figure,
        ground_under_tilt.describe,
        ground_under_tilt.table,
        ground_under_tilt.lacking,
    ),
)
_MIDDLE = (
    Picture(
        "moved",
        "What moved it in the last year",
        _always(
            "From end to end within the last year of readings: how far each cause alone moved the pier's "
            f"tilt or the mount. Whiskers are {_SDS}."
        ),
        cause_figure.moved_figure,
        cause_figure.moved_describe,
        cause_figure.moved_table,
        cause_figure.moved_lacking,
    ),
    Picture(
        "tilt",
        "Pier and mount apart",
        _tilt_caption,
        axis_and_tilt.tilt_figure,
        axis_and_tilt.describe_tilt,
        causes.history_table,
        axis_and_tilt.lacking,
        in_report=False,
    ),
    Picture(
        "pier",
        "Path of the pier top",
        _always(
            "Tilt since the start, north up; one loop a winter, the latest bold. The ellipse at the latest "
            f"is {_SDS} of the difference. The bolts stand around the start in their bearing, not to scale."
        ),
        pier_path.figure,
        pier_path.describe,
        pier_path.table,
        pier_path.lacking,
        in_report=False,
    ),
    Picture(
        "path",
        "Path of the axis",
        _always(
            "Each point is a night or the mean of a few neighbouring nights, with the ellipse of "
            f"{_SDS}; dotted lines bridge events and corrections."
        ),
        axis_path.figure,
        axis_path.describe,
        axis_path.table,
        _axis_lacking,
        in_report=False,
    ),
)
_LAST = (
    Picture(
        "corrections",
        "Corrections, asked and found",
        _always(f"One row a correction, the latest at the top; bars are {_SDS}."),
        changes.corrections_figure,
        changes.describe_corrections,
        causes.corrections_table,
        changes.lacking,
        in_report=False,
    ),
    Picture(
        "nights",
        "How well each night could measure",
        _always(
            "Above, how well the night fixed the axis; below, from where to where the readings used lay, and "
            "how many there were. A night with little sky can't tell azimuth from altitude."
        ),
        night_quality.figure,
        night_quality.describe,
        night_quality.table,
        night_quality.lacking,
        in_report=False,
    ),
)
