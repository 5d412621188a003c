"""The fields of one evening: which of the plan, at what time, among which stars, until when."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import permutations
from typing import TYPE_CHECKING

import numpy as np

from drift.cache import name_of
from drift.codes import Purpose, Side
from drift.mount.instrument import hour_angle_and_dec, wrapped
from drift.night.system import AXIS_PRIOR_SD, CONSTANT_PRIOR_SD
from drift.notices import AdviceCode, Notice, TonightCode, info, warning
from drift.quantities import Bools, Floats, Ints
from drift.sky.of_date import apparent_place, icrs_of_apparent
from drift.sky.place import observed, sun_seen
from drift.tonight.plan import (
    STILL_USABLE_DEG,
    Before,
    Chooser,
    Places,
    axis_sd_after,
    candidates,
    everything_weight,
    ordered,
    places_at,
    random_sd,
    reachable,
    slew_s,
)
from drift.tonight.state import PURPOSES, Better, assumed, better_than_fields, known_before, purpose_of

if TYPE_CHECKING:
    from drift.readings import Readings
    from drift.site.file import PierFile
    from drift.types import Analysis


# ---- The Sun: from when it is dark, and which fields are too near to it.

#: A plate solve finds stars enough from this depth of the Sun on [deg of altitude]: between civil and
#: nautical twilight (common practice).
DARK_SUN_DEG = -8.0
#: Nothing is planned nearer to the Sun than this, wherever it stands [deg].
SUN_APART_DEG = 30.0
#: Upper limb on the horizon, refraction included [deg].
_SUNSET_DEG = -0.833
_STEP_US = 300_000_000
_DAY_US = 86_400_000_000


@dataclass(frozen=True)
class Darkness:
    """When one can begin, and until when it stays dark [UTC us]; None where the Sun does not go down."""

    start_us: int | None
    end_us: int | None
    notice: Notice | None = None


def darkness(site: PierFile, at_us: int) -> Darkness:
    """Return the next stretch of darkness from a time on, within a day.

    Where the sky does not get dark, an hour about the darkest moment stands for it; where the Sun does not
    set, there is none.
    """
    times = at_us + _STEP_US * np.arange(_DAY_US // _STEP_US + 1)
    altitude = _sun_altitude_deg(site, times)
    dark = altitude <= DARK_SUN_DEG
    if dark.any():
        first = int(np.argmax(dark))
        last = first + int(np.argmin(np.append(dark[first:], False))) - 1
        start = at_us if first == 0 else int(times[first])
        said = None if first == 0 else _not_dark(float(altitude[0]), start)
        return Darkness(start, int(times[last]), said)
    best = int(np.argmin(altitude))
    darkest, lowest = int(times[best]), float(altitude[best])
    if lowest > _SUNSET_DEG:
        return Darkness(None, None, warning(TonightCode.SUN_UP, sun_altitude_deg=lowest, darkest_us=darkest))
    said = warning(TonightCode.NEVER_DARK, sun_altitude_deg=lowest, darkest_us=darkest)
    return Darkness(max(at_us, darkest - 6 * _STEP_US), darkest + 6 * _STEP_US, said)


def _not_dark(altitude_deg: float, from_us: int) -> Notice:
    code, day = TonightCode.NOT_DARK, altitude_deg > _SUNSET_DEG
    return warning(code, sun_altitude_deg=altitude_deg, sun_is_up=day, from_us=from_us)


def _sun_altitude_deg(site: PierFile, times_us: Ints) -> Floats:
    return np.degrees(np.arcsin(_sun(site, times_us)[:, 2]))


def _sun(site: PierFile, times_us: Ints) -> Floats:
    place = site.site
    return np.asarray(sun_seen(place.latitude_deg, place.longitude_deg, place.elevation_m, times_us))


def away_from_sun(site: PierFile, places: Places, time_us: int) -> Bools:
    """Return which places stand far enough from the Sun, wherever that is, (n,)."""
    toward = places.enu @ _sun(site, np.array([time_us]))[0]
    return np.asarray(toward < np.cos(np.radians(SUN_APART_DEG)))


# ---- The stars of a place.

#: So often the stars of a place are improved: from mean air to 0.01 arcsec.
_ROUNDS = 3


@dataclass(frozen=True)
class Stars:
    """Where places are among the stars, (n,) each [deg]."""

    ra_deg: Floats  # ICRS
    dec_deg: Floats
    ra_of_date_deg: Floats  # apparent, true equator and equinox
    dec_of_date_deg: Floats


def stars_of(site: PierFile, places: Places, time_us: Ints) -> Stars:
    """Return which stars stand at places at some times, (n,), through a standard atmosphere."""
    where = (site.site.latitude_deg, site.site.longitude_deg, site.site.elevation_m)
    latitude = float(np.radians(site.site.latitude_deg))
    hour_angle, dec = places.equatorial_rad()
    zero = np.zeros(places.size)
    last = observed(*where, time_us, zero, zero, np.nan, np.nan).last_rad
    ra_date, dec_date = np.degrees(last - hour_angle) % 360.0, np.degrees(dec)
    for _ in range(_ROUNDS):
        ra, dec_icrs = icrs_of_apparent(time_us, ra_date, dec_date)
        seen = hour_angle_and_dec(observed(*where, time_us, ra, dec_icrs, np.nan, np.nan).enu, latitude)
        off = np.degrees(wrapped(seen[0] - hour_angle))
        ra_date = (ra_date + off) % 360.0
        dec_date = np.clip(dec_date + np.degrees(dec - seen[1]), -90.0, 90.0)
    ra, dec_icrs = icrs_of_apparent(time_us, ra_date, dec_date)
    return Stars(ra, dec_icrs, *apparent_place(time_us, ra, dec_icrs))


#: Earth's rotation against the stars [rad/s] (IERS Conventions 2010, ch. 1).
_SIDEREAL_RAD_PER_S = 7.292115e-5
_LONGEST_US = 43_200_000_000


def visible_until(site: PierFile, places: Places, start_us: Ints, dark_until_us: int) -> Ints:
    """Return until when a star that is at its place now can be solved on that tube side, (n,) [UTC us].

    It sets behind the horizon, passes a limit of the mount, or the sky gets bright.
    """
    hour_angle, dec = places.equatorial_rad()
    steps = np.arange(0, _LONGEST_US + 1, _STEP_US)
    turned = hour_angle[:, None] + _SIDEREAL_RAD_PER_S * steps[None, :] * 1e-6
    turned = wrapped(turned)
    shape = turned.shape
    along = places_at(
        places.latitude_deg,
        turned.ravel(),
        np.broadcast_to(dec[:, None], shape).ravel(),
        np.broadcast_to(places.side[:, None], shape).ravel(),
    )
    there = reachable(site, along, STILL_USABLE_DEG).reshape(shape)
    there[:, 0] = True
    last = np.argmin(np.concatenate([there, np.zeros((places.size, 1), bool)], axis=1), axis=1) - 1
    return np.minimum(start_us + steps[last], max(dark_until_us, int(np.max(start_us))))


# ---- The evening.

#: How many fields when nobody says, and the fewest; to verify a turn, and to learn a new instrument.
DEFAULT_FIELDS, FEWEST_FIELDS = 8, 6
VERIFYING_FIELDS, FEWEST_VERIFYING = 3, 2
LEARNING_FIELDS = 12
#: Clouds may end the list once the axis is known to within this many times what the whole of it gives.
ENOUGH = 1.5
#: A substitute stands at least so far away, for the same cloud not to hide it [deg].
SUBSTITUTE_APART_DEG = 15.0


@dataclass(frozen=True, kw_only=True)
class Substitute:
    """A place to solve instead, at the same time and on the same tube side [deg]."""

    ra_deg: float
    dec_deg: float
    azimuth_deg: float
    altitude_deg: float


@dataclass(frozen=True, kw_only=True)
class Field:
    """One field to solve; places as seen by the mount are those of the true pole [deg]."""

    n: int
    again: int | None  # the number of the field that it repeats, of the closing return
    start_us: int
    until_us: int
    side: int  # +1 tube east of the pier, -1 west, 0 a mount that does not change sides
    azimuth_deg: float
    altitude_deg: float
    hour_angle_deg: float  # west positive
    declination_deg: float
    ra_deg: float  # ICRS
    dec_deg: float
    ra_of_date_deg: float
    dec_of_date_deg: float
    az_error_sd_after: float  # [arcsec]
    alt_error_sd_after: float
    substitute: Substitute | None


@dataclass(frozen=True, kw_only=True)
class Evening:
    """The fields of one evening in their order, and what is to be said of them."""

    fields: tuple[Field, ...]
    minutes: float  # that the whole list takes
    random_sd: tuple[float, float] | None  # what as many fields at random give: az_error, alt_error [arcsec]
    sun_altitude_deg: float
    start_us: int | None
    stop_after: int | None = None  # the field after which little is lost when clouds come
    notices: tuple[Notice, ...] = ()
    plan: Places | None = field(default=None, repr=False)  # the whole plan, for the record


@dataclass(frozen=True, kw_only=True)
class Wish:
    """What is wanted: for how many minutes, how many fields, from when on."""

    at_us: int
    minutes: float | None = None
    fields: int | None = None


def evening(
    site: PierFile, purpose: Purpose, before: Before, wish: Wish, kept: Places | None = None
) -> Evening:
    """Say which fields to solve.

    Parameters
    ----------
    site
        Its horizon and mount.
    purpose, before
        From `drift.tonight.state`.
    wish
        Minutes, fields and the hour.
    kept
        The plan of earlier nights; None where there is none for this sky and mount.
    """
    sun = float(_sun_altitude_deg(site, np.array([wish.at_us]))[0])
    dark = darkness(site, wish.at_us)
    said = [dark.notice] if dark.notice is not None else []
    sky = candidates(site)
    if dark.start_us is None or not sky.size:
        said += [] if sky.size else [warning(TonightCode.NO_SKY)]
        return _nothing(sun, dark.start_us, said)
    wanted, fewest = how_many(purpose, wish.fields)
    plan = whole_plan(sky, wanted, kept, purpose is Purpose.LEARN_CONSTANTS)
    safe = away_from_sun(site, plan, dark.start_us)
    usable = plan.picked(safe)
    if not safe.all():
        sky = sky.picked(away_from_sun(site, sky, dark.start_us))
        usable = _extended(sky, usable, min(wanted, plan.size))
        said.append(warning(TonightCode.SUN_NEAR, fields=int((~safe).sum()), apart_deg=SUN_APART_DEG))
    if not usable.size:
        return _nothing(sun, dark.start_us, [*said, warning(TonightCode.NO_SKY)])
    if usable.size < wanted:
        said.append(warning(TonightCode.FEW_PLACES, fields=usable.size, wanted=wanted))
    chosen, more = within_minutes(site, usable, before, wish, min(wanted, usable.size), fewest)
    fields, minutes = timed(site, sky, chosen.places, chosen.returns, before, dark)
    return Evening(
        fields=fields,
        minutes=minutes,
        random_sd=_pair(random_sd(sky, before, chosen.places.size)),
        sun_altitude_deg=sun,
        start_us=dark.start_us,
        stop_after=_enough_after(fields, site.site.latitude_deg),
        notices=(*said, *more),
        plan=plan,
    )


def _enough_after(fields: tuple[Field, ...], latitude_deg: float) -> int | None:
    """Return the first field after which the axis is known to within `ENOUGH` times the end's uncertainty."""
    sd = np.array([[one.az_error_sd_after, one.alt_error_sd_after] for one in fields])
    on_sky = np.hypot(sd[:, 0] * np.cos(np.radians(latitude_deg)), sd[:, 1])
    first = int(np.argmax(on_sky <= ENOUGH * on_sky[-1])) + 1
    return first if first < len(fields) else None


def how_many(purpose: Purpose, asked: int | None) -> tuple[int, int]:
    """Return how many fields are wanted, and the fewest that minutes may bring that down to."""
    if purpose is Purpose.VERIFY_TURN:
        wanted = VERIFYING_FIELDS if asked is None else max(asked, FEWEST_VERIFYING)
        return wanted, min(FEWEST_VERIFYING, wanted)
    usual = LEARNING_FIELDS if purpose is Purpose.LEARN_CONSTANTS else DEFAULT_FIELDS
    return (usual if asked is None else max(asked, FEWEST_FIELDS)), FEWEST_FIELDS


def whole_plan(sky: Places, wanted: int, kept: Places | None = None, learn: bool = False) -> Places:
    """Return the plan: that of earlier nights, with more fields where more are wanted, or a new one.

    It is made for one state of knowledge, whatever the present one is, so that it stays the same: lost zeros
    and constants that are hardly known.  For every other state it is within two percent of the best
    (benchmarks/tonight.py).

    Parameters
    ----------
    sky
        The candidates.
    wanted
        How many fields.
    kept
        The plan of earlier nights.
    learn
        Whether fields that are added beside it are to tell the instrument's constants as well as the axis.
    """
    if kept is None:
        chooser = Chooser(sky, Before())
        kept = ordered(sky.picked(chooser.best(DEFAULT_FIELDS)), Before())
    return kept if kept.size >= wanted else _extended(sky, kept, wanted, learn)


def _extended(sky: Places, held: Places, count: int, learn: bool = False) -> Places:
    """Return the fields held with the best others beside them."""
    both = held.joined(sky)
    before = Before(constant_sd=CONSTANT_PRIOR_SD) if learn else Before()
    weight = everything_weight(sky.latitude_deg) if learn else None
    return both.picked(Chooser(both, before, weight=weight).best(count, range(held.size)))


def _nothing(sun_deg: float, start_us: int | None, said: Sequence[Notice]) -> Evening:
    return Evening(
        fields=(),
        minutes=0.0,
        random_sd=None,
        sun_altitude_deg=sun_deg,
        start_us=start_us,
        notices=tuple(said),
    )


@dataclass(frozen=True)
class _Chosen:
    """The fields in their order, and whether the first one is solved again at the end."""

    places: Places
    returns: bool

    @property
    def whole(self) -> Places:
        """The fields with the closing return."""
        return self.places.joined(self.places.picked([0])) if self.returns else self.places


def within_minutes(
    site: PierFile, usable: Places, before: Before, wish: Wish, wanted: int, fewest: int
) -> tuple[_Chosen, list[Notice]]:
    """Take as many fields as the minutes allow, but never under the fewest."""
    sub = Chooser(usable, before)
    fewest = min(fewest, wanted)
    for count in range(wanted, fewest - 1, -1):
        places = ordered(usable.picked(sub.best(count)) if count < usable.size else usable, before)
        flips = np.unique(places.side).size > 1
        whole, short = _Chosen(places, flips), _Chosen(places, False)
        if wish.minutes is None or _minutes(site, whole.whole) <= wish.minutes:
            break
        if _minutes(site, places) <= wish.minutes:
            whole = short
            break
    else:
        places, done = _as_far_as_time_goes(site, usable, before, wish.minutes or 0.0, fewest)
        return _Chosen(places, False), [_short_of_time(site, places, wish, done)]
    cut = count < wanted and wish.minutes is not None
    return whole, [info(TonightCode.MADE_FOR_MINUTES, minutes=wish.minutes, fields=count)] if cut else []


def _as_far_as_time_goes(
    site: PierFile, usable: Places, before: Before, minutes: float, fewest: int
) -> tuple[Places, int]:
    """Return the fewest fields with those first that the minutes allow, and how many these are.

    They tell most of all that can be solved by then, and come in the order that takes the least time; the
    rest follows by what it tells.
    """
    sub = Chooser(usable, before)
    for count in range(fewest - 1, 0, -1):
        most = _in_time(site, usable, minutes, count)
        if most:
            fewer = _in_time(site, usable, minutes, count - 1) if count > 1 else []
            way = min((*most, *fewer), key=sub.criterion)
            held = sub.best(fewest, list(way))
            rest = ordered(usable.picked(held[len(way) :]), before)
            return usable.picked(list(way)).joined(rest), len(way)
    return ordered(usable.picked(sub.best(fewest)), before), 0


def _in_time(site: PierFile, usable: Places, minutes: float, count: int) -> list[tuple[int, ...]]:
    """Return every set of so many fields that the minutes allow, each in its quickest order."""
    at = np.arange(usable.size)
    there, back = (grid.ravel() for grid in np.meshgrid(at, at, indexing="ij"))
    slew = slew_s(site, usable.picked(there), usable.picked(back)).reshape(usable.size, usable.size)
    orders = np.array(list(permutations(at.tolist(), count)))
    took = site.mount.settle_s + slew[orders[:, :-1], orders[:, 1:]].sum(axis=1) + count * site.mount.solve_s
    quick = np.argsort(took, kind="stable")
    quick = quick[took[quick] <= 60.0 * minutes]
    found: dict[tuple[int, ...], tuple[int, ...]] = {}
    for order in orders[quick].tolist():
        found.setdefault(tuple(sorted(order)), tuple(order))
    return list(found.values())


def _short_of_time(site: PierFile, places: Places, wish: Wish, done: int) -> Notice:
    return warning(
        TonightCode.MINUTES_SHORT,
        minutes=wish.minutes,
        fields=places.size,
        needs_minutes=_minutes(site, places),
        done=done,
    )


def _durations_s(site: PierFile, places: Places) -> Floats:
    """Return how long each field takes, its slew first, (n,) [s]; the first slew is not known."""
    first = np.array([site.mount.settle_s])
    slews = slew_s(site, places.picked(np.arange(places.size - 1)), places.picked(np.arange(1, places.size)))
    return np.concatenate([first, slews]) + site.mount.solve_s


def _minutes(site: PierFile, places: Places) -> float:
    return float(np.sum(_durations_s(site, places))) / 60.0


def timed(
    site: PierFile, sky: Places | None, chosen: Places, returns: bool, before: Before, dark: Darkness
) -> tuple[tuple[Field, ...], float]:
    """Give fields their times, stars, uncertainties and substitutes, and say how long they take [min].

    Parameters
    ----------
    sky
        The candidates for substitutes; None for no substitutes.
    chosen, returns
        The fields in their order, and whether the first is solved again at the end.
    before, dark
        What is known before, and from when until when one can solve.
    """
    places, count = _Chosen(chosen, returns).whole, chosen.size
    took = _durations_s(site, places)
    begin, end = dark.start_us or 0, dark.end_us or 0
    start = begin + np.round((np.cumsum(took) - site.mount.solve_s) * 1e6).astype(np.int64)
    middle = start + round(site.mount.solve_s * 5e5)
    stars, until = stars_of(site, places, middle), visible_until(site, places, start, end)
    sd = axis_sd_after(places, before)
    hour_angle, dec = (np.degrees(angle) for angle in places.equatorial_rad())
    others: list[Substitute | None] = [None] * count
    if sky is not None:
        others = substitutes(site, sky, chosen, before, middle[:count])
    fields = tuple(
        Field(
            n=k + 1,
            again=1 if k >= count else None,
            start_us=int(start[k]),
            until_us=int(until[k]),
            side=int(places.side[k]),
            azimuth_deg=float(places.bearing_deg[k]),
            altitude_deg=float(places.altitude_deg[k]),
            hour_angle_deg=float(hour_angle[k]),
            declination_deg=float(dec[k]),
            ra_deg=float(stars.ra_deg[k]),
            dec_deg=float(stars.dec_deg[k]),
            ra_of_date_deg=float(stars.ra_of_date_deg[k]),
            dec_of_date_deg=float(stars.dec_of_date_deg[k]),
            az_error_sd_after=float(sd[k, 0]),
            alt_error_sd_after=float(sd[k, 1]),
            substitute=others[k] if k < count else None,
        )
        for k in range(places.size)
    )
    return fields, float(took.sum()) / 60.0


def substitutes(
    site: PierFile, sky: Places, chosen: Places, before: Before, time_us: Ints
) -> list[Substitute | None]:
    """Return for each field the best other one beside the rest, on its tube side and away from it."""
    both = chosen.joined(sky)
    chooser, apart, at = Chooser(both, before), chosen.apart_deg(both), []
    for k in range(chosen.size):
        among = (both.side == chosen.side[k]) & (apart[k] >= SUBSTITUTE_APART_DEG)
        among[: chosen.size] = False
        at.append(chooser.next_best([i for i in range(chosen.size) if i != k], among))
    found = [k for k, index in enumerate(at) if index is not None]
    places = both.picked([index for index in at if index is not None])
    stars = stars_of(site, places, time_us[found]) if found else None
    out: list[Substitute | None] = [None] * chosen.size
    for row, k in enumerate(found):
        assert stars is not None
        out[k] = Substitute(
            ra_deg=float(stars.ra_deg[row]),
            dec_deg=float(stars.dec_deg[row]),
            azimuth_deg=float(places.bearing_deg[row]),
            altitude_deg=float(places.altitude_deg[row]),
        )
    return out


def _pair(values: Floats) -> tuple[float, float]:
    return float(values[0]), float(values[1])


# ---- The plan in the record: for one sky and mount.


def plan_key(site: PierFile) -> str:
    """Return the name of the plan: it changes with place, horizon, the mount's limits and the optics."""
    mount, optics = site.mount, site.optics
    parts = [
        round(site.site.latitude_deg, 2),
        [list(point) for point in site.horizon.altitude_deg],
        [mount.flips, mount.flip_overlap_deg, mount.hour_angle_limit_deg],
        [mount.lowest_altitude_deg, mount.highest_altitude_deg],
        [optics.focal_length_mm, optics.pixel_um, optics.sensor_width_mm, optics.sensor_height_mm],
    ]
    return name_of("fields", json.dumps(parts).encode())


def plan_text(plan: Places) -> str:
    """Return a plan as JSON: bearing, altitude and tube side of each field."""
    rows = zip(plan.bearing_deg, plan.altitude_deg, plan.side, strict=True)
    return json.dumps([[float(value) for value in row] for row in rows])


def plan_of_text(text: str, latitude_deg: float) -> Places | None:
    """Return the plan that `plan_text` wrote; None where the text is something else."""
    try:
        columns = np.array(json.loads(text), dtype=float).reshape(-1, 3)
    except (ValueError, TypeError):
        return None
    good = columns.size and np.all(np.isfinite(columns))
    return Places(latitude_deg, *columns.T) if good else None


# ---- All of it.


@dataclass(frozen=True, kw_only=True)
class Tonight:
    """What to do tonight: the purpose, what is known before, the fields, what does more than they."""

    at_us: int
    purpose: Purpose
    purpose_notice: Notice
    axis_before_sd: tuple[float, float] | None  # az_error, alt_error [arcsec]; None where it isn't known
    zeros_kept: bool
    evening: Evening
    better: tuple[Better, ...]
    cautions: tuple[Notice, ...]
    assumed: tuple[Notice, ...]
    site: PierFile = field(repr=False)


def tonight_of(
    site: PierFile,
    analysis: Analysis | None,
    readings: Readings,
    wish: Wish,
    kept: tuple[Places, int] | None = None,
) -> Tonight:
    """Say what to do tonight.

    Parameters
    ----------
    site
        The site file.
    analysis
        What the record says now; None where there is nothing to work out yet.
    readings
        All readings; of the levels it matters whether there are any.
    wish
        Minutes, fields and the hour.
    kept
        The plan of earlier nights and when it was made; None where there is none.
    """
    notice = purpose_of(site, analysis)
    purpose = PURPOSES[TonightCode(notice.code)]
    known = known_before(site, analysis, wish.at_us)
    made = evening(site, purpose, known.before, wish, None if kept is None else kept[0])
    alone = None
    if made.fields:
        made = replace(made, notices=(*made.notices, *_of_the_list(made, kept)))
        alone = _alone(site, made, known.before)
    begin = wish.at_us if made.start_us is None else made.start_us
    return Tonight(
        at_us=wish.at_us,
        purpose=purpose,
        purpose_notice=notice,
        axis_before_sd=known.axis_sd,
        zeros_kept=known.zeros_kept,
        evening=made,
        better=better_than_fields(site, analysis, readings, alone, begin),
        cautions=(warning(AdviceCode.NEVER_THE_SUN),),
        assumed=assumed(site),
        site=site,
    )


def _alone(site: PierFile, made: Evening, before: Before) -> tuple[float, float]:
    """Return the axis's uncertainty by the fields alone, whatever was known of it before [arcsec]."""
    places = Places(
        site.site.latitude_deg,
        np.array([one.azimuth_deg for one in made.fields]),
        np.array([one.altitude_deg for one in made.fields]),
        np.array([float(one.side) for one in made.fields]),
    )
    return _pair(axis_sd_after(places, replace(before, axis_sd=np.full(2, AXIS_PRIOR_SD)))[-1])


def _of_the_list(made: Evening, kept: tuple[Places, int] | None) -> list[Notice]:
    """Return what is to be said of the list: the same fields as before, one flip or none."""
    said = [info(TonightCode.NEW_FIELDS) if kept is None else info(TonightCode.SAME_FIELDS, made_us=kept[1])]
    sides = [one.side for one in made.fields if one.again is None]
    flips = [k for k in range(1, len(sides)) if sides[k] != sides[k - 1]]
    if flips:
        returns = made.fields[-1].again is not None
        said.append(info(TonightCode.FLIP, after=tuple(flips), returns=returns, last=made.fields[-1].n))
    elif len(sides) > 1 and sides[0]:
        side = Side.EAST if sides[0] > 0 else Side.WEST
        said.append(info(TonightCode.ONE_SIDE_ONLY, tube_side=side))
    return said
