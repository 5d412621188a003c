"""One pier in one line: its axis and tilt against their limits, the age of it, what waits, and how urgent."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from drift.codes import Do, NewsKind, Standing, Urgency

if TYPE_CHECKING:
    from drift.site.file import PierFile
    from drift.types import TiltMove
    from drift.watch.coming import News
    from drift.watch.limits import Against, NowState
    from drift.watch.nightly import NightlyResult


@dataclass(frozen=True, kw_only=True)
class Waiting:
    """One piece of news that nobody has acknowledged; `alarm`: whether `drift check` exits with 1 for it."""

    kind: NewsKind
    code: str
    time_us: int
    alarm: bool
    seen_once: bool


@dataclass(frozen=True, kw_only=True)
class PierLine:
    """How one pier stands among several.

    Attributes
    ----------
    name, site_path
        Its name in the list, and its site file.
    urgency
        How much it wants looking at.
    latitude_deg, longitude_deg, elevation_m
        Where it stands, as its site file has it; None where that can't be read.
    axis, tilt
        Against their limits [arcsec]; None where they aren't known.
    last_night_us, last_reading_us
        The last night that shows the axis, and the last reading of axis or tilt; None: none does.
    now_us
        When it was looked at.
    waiting
        What nobody has acknowledged, alarms first.
    do
        What is advised, each once, in order.
    trouble
        Why nothing can be said of it, a paragraph; "" where something can.
    recent
        How far its tilt went of late, to be compared with others' (`drift.piers.together`).
    """

    name: str
    site_path: str
    urgency: Urgency
    now_us: int
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    elevation_m: float | None = None
    axis: Against | None = None
    tilt: Against | None = None
    last_night_us: int | None = None
    last_reading_us: int | None = None
    waiting: tuple[Waiting, ...] = ()
    do: tuple[Do, ...] = ()
    trouble: str = ""
    recent: tuple[TiltMove, ...] = field(default=(), repr=False)

    @property
    def waits(self) -> bool:
        """Whether something has moved that nobody acknowledged: what `drift check` exits with 1 for."""
        return self.urgency is Urgency.MOVED

    @property
    def is_due(self) -> bool:
        """Whether something is to be done at the pier."""
        return not set(self.do) <= {Do.NOTHING, Do.WAIT}

    @property
    def share_of_limit(self) -> float:
        """The larger of axis and tilt as a share of its limit; 0 where neither is known."""
        return max((one.value / one.limit for one in (self.axis, self.tilt) if one is not None), default=0.0)


@dataclass(frozen=True, kw_only=True)
class PierNight:
    """What came of the nightly job of one pier among several; `result` is None where it could not be done."""

    line: PierLine
    result: NightlyResult | None

    @property
    def needs_care(self) -> bool:
        """Whether something could not be done that its owner can put right."""
        return self.result is not None and self.result.needs_care


def pier_line_of(name: str, site: PierFile, state: NowState, found: News, now_us: int) -> PierLine:
    """Return the line of a pier.

    Parameters
    ----------
    name
        Its name in the list.
    site
        Its site file.
    state
        How it stands, by `drift.watch.limits.now_state`.
    found
        What is new since it was acknowledged, by `drift.watch.changes.news`.
    now_us
        The present time [UTC microseconds].
    """
    items = (*found.new, *found.provisional, *found.notices)
    alarms = {id(item) for item in found.new}
    waiting = tuple(
        Waiting(
            kind=item.kind,
            code=str(item.notice.code),
            time_us=item.time_us,
            alarm=id(item) in alarms,
            seen_once=item.seen_once is not None,
        )
        for item in items
    )
    return replace(
        unknown_line(name, site, now_us),
        urgency=_urgency(found, state),
        axis=state.axis,
        tilt=None if state.tilt is None else replace(state.tilt, baseline=None),
        last_night_us=state.last_night_us,
        last_reading_us=state.last_reading_us,
        waiting=waiting,
        do=tuple(dict.fromkeys(action.do for action in state.actions)),
        recent=state.recent,
    )


def unknown_line(name: str, site: PierFile, now_us: int) -> PierLine:
    """Return the line of a pier without any reading from which something could be told."""
    return PierLine(
        name=name,
        site_path=str(site.path or ""),
        urgency=Urgency.UNKNOWN,
        now_us=now_us,
        latitude_deg=site.site.latitude_deg,
        longitude_deg=site.site.longitude_deg,
        elevation_m=site.site.elevation_m,
    )


def failed_line(name: str, site_path: str, trouble: str, now_us: int) -> PierLine:
    """Return the line of a pier of which nothing can be said, with the reason."""
    return PierLine(
        name=name, site_path=site_path, urgency=Urgency.FAILED, now_us=now_us, trouble=trouble or "?"
    )


def _urgency(found: News, state: NowState) -> Urgency:
    standing = state.standing
    if found.moved:
        return Urgency.MOVED
    if standing is Standing.BEYOND:
        return Urgency.BEYOND
    if found.provisional:
        return Urgency.SEEN_ONCE
    if found.notices or any(action.do is Do.CALL_FOR_HELP for action in state.actions):
        return Urgency.NOTICE
    return {Standing.CLOSE: Urgency.CLOSE, Standing.UNKNOWN: Urgency.UNKNOWN}.get(standing, Urgency.QUIET)


#: Of how urgent something is, the most urgent first.
ORDER = tuple(Urgency)


def by_urgency(lines: Iterable[PierLine]) -> tuple[PierLine, ...]:
    """Return lines, the most urgent first.

    Among equals those come first where something is to be done, then by how much of a limit is used, then by
    name.
    """
    return tuple(
        sorted(
            lines,
            key=lambda line: (ORDER.index(line.urgency), not line.is_due, -line.share_of_limit, line.name),
        )
    )
