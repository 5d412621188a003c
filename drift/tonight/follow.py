"""The evening as it goes: the fields that came, what the last turn did, and what to do next."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.cautions import cautions_for
from drift.advice.knobs import learned_knobs, turns
from drift.advice.matters import matters_of
from drift.advice.situation import ACT_SDS, allowed_error, pole_offset, situation_of
from drift.codes import AxisBound, CorrectionKind, Next, Purpose
from drift.history.changes import LEAST_SD, SHARE_SD
from drift.mount.axis_error import on_sky
from drift.mount.instrument import CONSTANTS
from drift.night.altered_reports import SPOKEN_FROM, TAKEN_FROM
from drift.night.system import AXIS_PRIOR_SD, CONSTANT_PRIOR_SD
from drift.notices import NightCode, Notice, TonightCode, info, warning
from drift.quantities import DAY_US, Bools, Floats
from drift.tonight.axis_tonight import (
    axis_tonight,
    chance_of_altered_reports,
    night_of,
    seen_before,
    seen_tonight,
    zero_stays,
)
from drift.tonight.evening import (
    FEWEST_VERIFYING,
    VERIFYING_FIELDS,
    Darkness,
    Evening,
    Field,
    away_from_sun,
    darkness,
    timed,
)
from drift.tonight.plan import (
    TOLERANCE_DEG,
    Before,
    Chooser,
    Places,
    axis_sd_after,
    candidates,
    ordered,
)
from drift.tonight.state import known_before
from drift.types import CorrectionFound

if TYPE_CHECKING:
    import pandas as pd

    from drift.advice.knobs import Knob
    from drift.site.file import PierFile
    from drift.types import Action, Analysis


# ---- The list of an evening as it is kept, so that a restart goes on with it.


@dataclass(frozen=True)
class KeptList:
    """The fields with which an evening began; `sd` is what was promised after each, (m, 2) [arcsec]."""

    start_us: int
    purpose: Purpose
    places: Places = field(repr=False)
    returns: bool  # whether the first field is solved again at the end
    sd: Floats = field(repr=False)


def list_key(site: PierFile, time_us: int) -> str:
    """Return the name under which the list of a night is kept."""
    return f"evening {night_of(site, time_us)[0]}"


def kept_list(made: Evening, purpose: Purpose, latitude_deg: float) -> KeptList | None:
    """Return the list of an evening as it is kept; None without fields."""
    own = [one for one in made.fields if one.again is None]
    if not own or made.start_us is None:
        return None
    places = _places_of(latitude_deg, own)
    sd = np.array([[one.az_error_sd_after, one.alt_error_sd_after] for one in made.fields])
    return KeptList(made.start_us, purpose, places, len(own) < len(made.fields), sd)


def _places_of(latitude_deg: float, fields: Sequence[Field]) -> Places:
    rows = np.array([(one.azimuth_deg, one.altitude_deg, float(one.side)) for one in fields])
    return Places(latitude_deg, *rows.reshape(-1, 3).T)


def list_text(kept: KeptList) -> str:
    """Return a list as JSON."""
    at = kept.places
    rows = np.stack([at.bearing_deg, at.altitude_deg, at.side], axis=1)
    whole = {"start_us": kept.start_us, "purpose": str(kept.purpose), "returns": kept.returns}
    return json.dumps({**whole, "places": rows.tolist(), "sd": np.round(kept.sd, 2).tolist()})


def list_of_text(text: str, latitude_deg: float) -> KeptList | None:
    """Return the list that `list_text` wrote; None where the text is something else."""
    try:
        given = json.loads(text)
        rows = np.array(given["places"], dtype=float).reshape(-1, 3)
        sd = np.array(given["sd"], dtype=float).reshape(-1, 2)
        start, purpose = int(given["start_us"]), Purpose(given["purpose"])
    except (ValueError, TypeError, KeyError):
        return None
    if not rows.size or not np.all(np.isfinite(rows)) or len(sd) < len(rows):
        return None
    return KeptList(start, purpose, Places(latitude_deg, *rows.T), bool(given.get("returns")), sd)


# ---- What came of the evening so far, and what to do next.


@dataclass(frozen=True, kw_only=True)
class FieldSeen:
    """One field of the list in hand: to be solved, or solved."""

    n: int
    again: int | None  # the number of the field that it repeats
    place: Field  # where it is; its stars are those of the time that was asked for
    solved_us: int | None
    wrong: float  # chance that what was solved there is wrong
    promised_sd: tuple[float, float] | None  # of the axis after it: az_error, alt_error [arcsec]


@dataclass(frozen=True, kw_only=True)
class TurnSeen:
    """A turn of tonight: what was asked of it and what tonight's solves on both sides found [arcsec]."""

    kind: CorrectionKind
    made_us: int
    asked: float | None
    found: float | None  # None: not solved on both sides yet
    found_sd: float | None
    turns: float | None = None


@dataclass(frozen=True, kw_only=True)
class Following:
    """The evening so far; angles [arcsec].

    Attributes
    ----------
    step, notice
        What to do next, and that with what belongs to it.
    fields, next_fields
        The list in hand, and the numbers of those to solve now, the first one first.
    axis, sd
        az_error and alt_error by tonight's solves since the last turn, None where none is told.
    error, error_sd, tolerance, tolerance_of
        The angle on the sky between the axis and the pole that is aimed at, and how large it may be.
    promised_sd
        What was promised of the axis after as many fields of the list.
    turns, cautions
        The turns to make, and what to mind.
    made
        The turns made tonight.
    solves
        How many solves of tonight count since the last turn, and how many in all.
    """

    at_us: int
    step: Next
    notice: Notice
    fields: tuple[FieldSeen, ...]
    next_fields: tuple[int, ...]
    axis: tuple[float, float] | None
    sd: tuple[float, float] | None
    error: float | None
    error_sd: float | None
    tolerance: float
    tolerance_of: AxisBound
    promised_sd: tuple[float, float] | None
    turns: tuple[Action, ...]
    cautions: tuple[Notice, ...]
    made: tuple[TurnSeen, ...]
    solves: tuple[int, int]
    notices: tuple[Notice, ...]
    history_known: bool
    site: PierFile = field(repr=False)


#: A solve as likely wrong as this is asked for again, with the next likeliest where that has the smaller
#: chance.
ASK_AGAIN, ASK_TOO = 0.2, 0.02
#: The axis is known well enough for a turn when this is its share of what is allowed, or of an error beyond
#: `BIG_ERROR`: what a knob is set to is no better.
ENOUGH_OF_ALLOWED, ENOUGH_OF_ERROR = 1.0 / 3.0, 0.05
#: From here on an error is brought down in two rounds [arcsec]: a knob goes 10 % further or less far than it
#: should (common practice), which of so much is more than is allowed.
BIG_ERROR = 1200.0
#: A knob that found less than it was asked for, by so many standard deviations, has lost slack.
_LOST_SDS = 3.0
#: Nothing is turned by an error that one wrong solve may have made: without any one of the solves the axis is
#: still known to what is allowed, or to this share of the error.
CHECKED_OF_ERROR = 0.1
#: So many fields are added to a list that is through and has left the axis too uncertain.
_MOST_MORE = 4
#: Solves may be dated after the present by this, for clocks differ [us].
_CLOCK_US = 120_000_000
_KNOBS = (CorrectionKind.AZIMUTH, CorrectionKind.ALTITUDE)


@dataclass(frozen=True)
class _TurnInputs:
    """What a turn depends on; see `drift.advice.knobs.TurnInputs`."""

    site: PierFile
    latitude_rad: float
    tolerance: float
    span_days: float


@dataclass(frozen=True)
class _Corrected:
    corrections: tuple[CorrectionFound, ...]


def follow(
    site: PierFile,
    analysis: Analysis | None,
    solves: pd.DataFrame,
    corrections: pd.DataFrame,
    kept: KeptList | None,
    at_us: int,
) -> Following:
    """Say how far the evening is and what to do next; it takes some tens of milliseconds.

    Parameters
    ----------
    site
        The site file.
    analysis
        What the history says, which need not know of tonight; None where it says nothing yet.
    solves, corrections
        Those of tonight, as `readings.READING_COLUMNS` has them.
    kept
        The list with which the evening began.
    at_us
        The present time [UTC us].
    """
    return _Evening(site, analysis, solves, corrections, kept, at_us).following()


class _Evening:
    """One look at an evening."""

    def __init__(
        self,
        site: PierFile,
        analysis: Analysis | None,
        solves: pd.DataFrame,
        corrections: pd.DataFrame,
        kept: KeptList | None,
        at_us: int,
    ) -> None:
        self.site, self.analysis, self.kept, self.at_us = site, analysis, kept, at_us
        self.latitude = float(np.radians(site.site.latitude_deg))
        corrections = corrections[corrections["kind"] != CorrectionKind.CRACK]
        self.rows = corrections.sort_values(["time_us", "row_id"], kind="stable").to_dict("records")
        self.all_solves = len(solves)
        self.seen = seen_tonight(site, solves, corrections, analysis)
        known = known_before(site, analysis, at_us)
        self.before, constants = known.before, _constants(analysis)
        night_us = night_of(site, at_us)[0]
        if not seen_before(analysis, night_us):  # what tonight tells must not count twice
            usual = Before()
            self.before = replace(
                known.before,
                constant_sd=CONSTANT_PRIOR_SD.copy(),
                zero_sd=usual.zero_sd,
                solve_sd=usual.solve_sd,
            )
            constants = np.zeros(len(CONSTANTS))
        self.found = axis_tonight(self.seen, self.before, constants, zero_stays(site))
        self.pole = pole_offset(site)
        self.altered = chance_of_altered_reports(site, analysis, self.found, night_us)
        self.told = self.altered < TAKEN_FROM
        if self.found is not None and SPOKEN_FROM <= self.altered < TAKEN_FROM:
            self.found = self.found.with_hidden(self.altered, self.latitude)
        last_turn = max((int(row["time_us"]) for row in self.rows), default=None)
        self.turned_us = last_turn
        self.since = np.ones(self.seen.size, bool) if last_turn is None else self.seen.time_us >= last_turn
        self.wrong = np.zeros(self.seen.size) if self.found is None else self.found.wrong

    def following(self) -> Following:
        """Put everything together."""
        axis, sd = self._axis()
        error = on_sky(axis - self.pole, sd, self.latitude) if axis is not None and sd is not None else None
        tolerance, bound = self._tolerance(axis, sd)
        made = self._turns_made()
        fields = self._fields()
        again = self._again(fields)
        actions = self._turns(axis, sd, tolerance, made)
        step, notice = self._step(fields, again, error, tolerance, actions)
        shown = actions if step is Next.TURN else ()
        solved = sum(one.solved_us is not None for one in fields)
        promised = fields[solved - 1].promised_sd if solved and fields else None
        ahead = again if step is Next.SOLVE_AGAIN else [f.n for f in fields if f.solved_us is None]
        return Following(
            at_us=self.at_us,
            step=step,
            notice=notice,
            fields=fields,
            next_fields=tuple(ahead),
            axis=None if axis is None else _pair(axis),
            sd=None if sd is None else _pair(sd),
            error=None if error is None else error[0],
            error_sd=None if error is None else error[1],
            tolerance=tolerance,
            tolerance_of=bound,
            promised_sd=promised,
            turns=shown,
            cautions=cautions_for(shown, self.site) if shown else (),
            made=made,
            solves=(int(self.since.sum()), self.seen.size),
            notices=tuple(self._notices(fields, made, error, step)),
            history_known=self.analysis is not None,
            site=self.site,
        )

    # -- the axis

    def _stretch(self) -> int | None:
        """Return the stretch that counts: the one since the last turn, or the last before it."""
        return int(self.seen.stretch[-1]) if self.seen.size and self.told else None

    def _axis(self) -> tuple[Floats | None, Floats | None]:
        stretch = self._stretch()
        if self.found is None or stretch is None:
            return None, None
        return self.found.axis[stretch], self.found.sd(stretch)

    def _tolerance(self, axis: Floats | None, sd: Floats | None) -> tuple[float, AxisBound]:
        none = np.full(2, 60.0)
        off, spread = (none, none) if axis is None or sd is None else (axis - self.pole, sd)
        return allowed_error(self.site, matters_of(self.site, off, spread))

    # -- the turns

    def _turns_made(self) -> tuple[TurnSeen, ...]:
        """Return tonight's turns of a knob; two of one knob between the same solves can't be told apart."""
        out = []
        knobs = [row for row in self.rows if row["kind"] in _KNOBS]
        for row in knobs:
            kind, time_us = CorrectionKind(row["kind"]), int(row["time_us"])
            asked = (
                60.0 * float(row["amount_arcmin"]) if row["amount_arcmin"] == row["amount_arcmin"] else None
            )
            gap = self._gap(time_us)
            alone = sum(o["kind"] == kind and self._gap(int(o["time_us"])) == gap for o in knobs) == 1
            found = sd = None
            if gap is not None and alone and self.found is not None and self.told:
                change, spread = self.found.change(*gap)
                k = _KNOBS.index(kind)
                found, sd = float(change[k]), float(spread[k])
            turned = float(row["turns"]) if row["turns"] == row["turns"] else None
            out.append(
                TurnSeen(kind=kind, made_us=time_us, asked=asked, found=found, found_sd=sd, turns=turned)
            )
        return tuple(out)

    def _gap(self, time_us: int) -> tuple[int, int] | None:
        """Return the stretches before and after a time; None where one of them has no solve."""
        before, after = self.seen.stretch[self.seen.time_us < time_us], self.seen.time_us >= time_us
        if not before.size or not after.any():
            return None
        return int(before[-1]), int(self.seen.stretch[after][0])

    def _knobs(self, made: tuple[TurnSeen, ...]) -> dict[str, Knob]:
        night = night_of(self.site, self.at_us)[0]
        past = () if self.analysis is None else self.analysis.history.corrections
        earlier = tuple(one for one in past if one.time_us < night)
        return learned_knobs(self.site, _Corrected((*earlier, *map(_as_history_has_it, made))))

    def _target(self) -> tuple[Floats, Floats]:
        """Return where the axis is best left for the coming year, and how uncertain the season makes that."""
        if self.analysis is None or not np.all(np.isfinite(self.analysis.history.axis_now_sd)):
            return self.pole, np.zeros(2)
        worked = self.analysis
        now = max(self.at_us, int(worked.history.time_us[-1]))
        situation = situation_of(self.site, worked.nights, worked.history, now)
        if self.site.optics.aim == "tonight" or not situation.known:
            return self.pole, np.zeros(2)
        # the aim counts from where the axis is expected; tonight it may be elsewhere, and goes on from there
        leave = situation.forecast.axis[0] - situation.off_aim
        return leave, np.asarray(situation.season.sd_at(np.array([now]))[0])

    def _turns(
        self, axis: Floats | None, sd: Floats | None, tolerance: float, made: tuple[TurnSeen, ...]
    ) -> tuple[Action, ...]:
        """Return the turns that are to be made now, less those made since the last solve."""
        if axis is None or sd is None:
            return ()
        target, season = self._target()
        span = 0.0
        if self.analysis is not None and self.analysis.nights.nights:
            times = [night.time_us for night in self.analysis.nights.nights]
            span = (self.at_us - min(times)) / DAY_US
        standing = _TurnInputs(self.site, self.latitude, tolerance, span)
        found = turns(standing, target - axis, np.hypot(sd, season), self._knobs(made))
        last = int(self.seen.time_us[-1])
        done = {one.kind for one in made if one.made_us > last}
        return tuple(one for one in found if one.notice.values.get("knob") not in done)

    # -- the fields

    def _fields(self) -> tuple[FieldSeen, ...]:
        """Return the list in hand with what was solved of it."""
        kept = self.kept
        if kept is None or not kept.places.size:
            return ()
        if self.turned_us is None or not (self.seen.time_us < self.turned_us).any():
            listed = self._ticked(kept.places, kept.returns, kept.sd, self.since)
            if any(one.solved_us is None for one in listed) or not self.told or self._sure_enough():
                return listed
            places = self._longer(kept.places)
            return self._ticked(places, False, axis_sd_after(places, self.before), self.since)
        places = self._verifying(kept.places)
        return self._ticked(places, False, axis_sd_after(places, self._known_now()), self.since)

    def _longer(self, places: Places) -> Places:
        """Return a list that is through and left the axis too uncertain, with the next of the sky's best.

        Those added are chosen by what was known before tonight, so that they stay the same as solves come in.
        """
        sky = candidates(self.site)
        sky = sky.picked(away_from_sun(self.site, sky, self.at_us))
        whole = places.joined(sky)
        chosen = list(range(places.size))
        chooser = Chooser(whole, self.before)
        for _ in range(_MOST_MORE):
            more = chooser.next_best(chosen)
            if more is None:
                break
            chosen.append(more)
            done = {k for k in self._matched(whole.picked(chosen), self.since) if k is not None}
            if len(done) < len(chosen):
                break
        return whole.picked(chosen)

    def _verifying(self, places: Places) -> Places:
        """Return the fields that verify a turn: of those solved before it the few that tell most.

        Where these are solved and leave the axis too uncertain, others of the list follow.
        """
        early = ~self.since & (self.wrong < ASK_AGAIN)
        solved = np.isin(np.arange(places.size), [k for k in self._matched(places, early) if k is not None])
        among = places.picked(solved) if solved.sum() >= FEWEST_VERIFYING else places
        before = self._known_now()
        chosen = among.picked(Chooser(among, before, apart_deg=0.0).best(min(VERIFYING_FIELDS, among.size)))
        chosen = ordered(chosen, before)
        rest = [k for k in range(places.size) if chosen.apart_deg(places.picked([k])).min() > 0.1]
        done = {k for k in self._matched(chosen, self.since) if k is not None}
        while len(done) >= chosen.size and rest and not self._sure_enough():
            both = chosen.joined(places.picked(rest))
            more = Chooser(both, before, apart_deg=0.0).next_best(range(chosen.size))
            if more is None or more < chosen.size:
                break
            chosen = chosen.joined(both.picked([more]))
            rest.pop(more - chosen.size + 1)
            done = {k for k in self._matched(chosen, self.since) if k is not None}
        return chosen

    def _known_now(self) -> Before:
        """Return what is known before the verifying fields: the constants as tonight has them."""
        if self.found is None:
            return self.before
        least = np.minimum(self.before.constant_sd, self.found.constant_sd)
        return replace(self.before, constant_sd=least, axis_sd=np.full(2, AXIS_PRIOR_SD))

    def _sure_enough(self) -> bool:
        axis, sd = self._axis()
        if axis is None or sd is None:
            return False
        tolerance, error = self._tolerance(axis, sd)[0], on_sky(axis - self.pole, sd, self.latitude)
        checked = not self._over(error, tolerance) or self._checked(error, tolerance)
        return _known_enough(error, tolerance) and checked

    def _matched(self, places: Places, pick: Bools) -> list[int | None]:
        """Return for each picked solve the field that it is of: by its place, else by where it was aimed."""
        if not pick.any():
            return []
        out: list[int | None] = []
        at = self.seen.places.picked(pick)
        aimed = self.seen.aimed.picked(pick)
        near, meant = at.apart_deg(places), aimed.apart_deg(places)
        same = (at.side[:, None] == places.side[None, :]) | (places.side[None, :] == 0.0)
        for k in range(at.size):
            hit: int | None = None
            for apart in (near[k], meant[k]):
                far = np.where(same[k], apart, np.inf)
                if hit is None and far.min() <= TOLERANCE_DEG * np.sqrt(2.0):
                    hit = int(np.argmin(far))
            out.append(hit)
        return out

    def _ticked(self, places: Places, returns: bool, sd: Floats, pick: Bools) -> tuple[FieldSeen, ...]:
        times, wrong = self.seen.time_us[pick], self.wrong[pick]
        solved: dict[int, tuple[int, float]] = {}
        last: int | None = None
        for hit, time_us, chance in zip(self._matched(places, pick), times.tolist(), wrong, strict=True):
            if hit is None:
                continue
            back = returns and hit == 0 and 0 in solved and last not in (None, 0)
            at = places.size if back else hit
            if at not in solved or chance < solved[at][1] or chance < ASK_AGAIN:
                solved[at] = (int(time_us), float(chance))
            last = hit
        stars = timed(self.site, None, places, returns, self.before, self._dark())[0]
        return tuple(
            FieldSeen(
                n=one.n,
                again=one.again,
                place=one,
                solved_us=solved[k][0] if k in solved else None,
                wrong=solved[k][1] if k in solved else 0.0,
                promised_sd=_pair(sd[k]) if k < len(sd) else None,
            )
            for k, one in enumerate(stars)
        )

    def _dark(self) -> Darkness:
        found = darkness(self.site, self.at_us)
        return found if found.start_us is not None else Darkness(self.at_us, self.at_us)

    def _again(self, fields: tuple[FieldSeen, ...]) -> list[int]:
        """Return the fields whose solve is likely wrong and that were not solved well since, two at most."""
        suspects = sorted((one for one in fields if one.solved_us), key=lambda one: -one.wrong)
        if not suspects or suspects[0].wrong < ASK_AGAIN:
            return []
        second = [one for one in suspects[1:2] if one.wrong >= ASK_TOO]
        return [one.n for one in (suspects[0], *second)]

    # -- what to do next

    def _step(
        self,
        fields: tuple[FieldSeen, ...],
        again: list[int],
        error: tuple[float, float] | None,
        tolerance: float,
        actions: tuple[Action, ...],
    ) -> tuple[Next, Notice]:
        left = [one.n for one in fields if one.solved_us is None]
        turned = self.turned_us is not None and not self.since.any()
        partly = bool(actions) and turned and error is not None and self._over(error, tolerance)
        if not self.told:
            return Next.NOT_BY_FIELDS, warning(TonightCode.NOT_BY_FIELDS, chance=self.altered)
        if partly:
            return Next.TURN, info(TonightCode.TURN_OTHER_TOO)
        if turned:
            return Next.VERIFY, info(TonightCode.VERIFY_NOW, fields=tuple(left))
        if again:
            chances = {one.n: one.wrong for one in fields}
            values = {"fields": tuple(again), "chances": tuple(chances[n] for n in again)}
            return Next.SOLVE_AGAIN, warning(TonightCode.SOLVE_AGAIN, **values)
        if error is None:
            return self._solve(left)
        enough = _known_enough(error, tolerance)
        if self._over(error, tolerance) and enough and (self._checked(error, tolerance) or not left):
            if actions:
                big = error[0] > BIG_ERROR
                return Next.TURN, info(
                    TonightCode.TURN_NOW, error_arcsec=error[0], sd_arcsec=error[1], two_rounds=big
                )
            return Next.LEAVE, info(TonightCode.LEAVE_IT, error_arcsec=error[0], sd_arcsec=error[1])
        after_turn = self.turned_us is not None
        inside = error[0] + ACT_SDS * error[1] <= tolerance
        if inside and enough and (after_turn or not left):
            return Next.ENOUGH, info(TonightCode.ENOUGH, error_arcsec=error[0], sd_arcsec=error[1])
        if left:
            return self._solve(left)
        if error[0] <= tolerance:
            return Next.ENOUGH, info(TonightCode.ENOUGH, error_arcsec=error[0], sd_arcsec=error[1])
        return Next.LEAVE, info(TonightCode.NOT_SURE_OVER, error_arcsec=error[0], sd_arcsec=error[1])

    def _solve(self, left: list[int]) -> tuple[Next, Notice]:
        verifying = self.turned_us is not None and bool(self.since.any())
        code = TonightCode.VERIFY_NOW if verifying else TonightCode.SOLVE_NEXT
        return Next.VERIFY if verifying else Next.SOLVE, info(code, fields=tuple(left))

    def _checked(self, error: tuple[float, float], tolerance: float) -> bool:
        """Whether no single wrong solve can have made the error what it is."""
        stretch = self._stretch()
        if self.found is None or stretch is None:
            return False
        least = self.found.checked_sd[stretch] * np.array([np.cos(self.latitude), 1.0])
        return bool(np.max(least) <= max(tolerance, CHECKED_OF_ERROR * error[0]))

    def _over(self, error: tuple[float, float], tolerance: float) -> bool:
        return error[0] > tolerance and error[0] > ACT_SDS * error[1]

    def _notices(
        self,
        fields: tuple[FieldSeen, ...],
        made: tuple[TurnSeen, ...],
        error: tuple[float, float] | None,
        step: Next,
    ) -> list[Notice]:
        """Return what is to be said beside: turns, wrong solves, jumps, clocks, what can't be used."""
        said: list[Notice] = []
        for turn in made:
            if turn.found is None or turn.asked is None or turn.found_sd is None:
                continue
            short = (turn.asked - turn.found) * np.sign(turn.asked)
            lost = short if short > _LOST_SDS * turn.found_sd else None
            said.append(
                info(
                    TonightCode.TURN_DID,
                    kind=turn.kind,
                    asked_arcsec=turn.asked,
                    found_arcsec=turn.found,
                    sd_arcsec=turn.found_sd,
                    lost_arcsec=None if lost is None else float(lost),
                    latitude_deg=self.site.site.latitude_deg,
                )
            )
        said += self._of_solves(fields)
        if step in (Next.SOLVE, Next.VERIFY) and error is not None:
            tolerance = self._tolerance(*self._axis())[0]
            if error[0] + ACT_SDS * error[1] <= tolerance and _known_enough(error, tolerance):
                said.append(info(TonightCode.INSIDE_ALREADY))
        return said

    def _of_solves(self, fields: tuple[FieldSeen, ...]) -> list[Notice]:
        said: list[Notice] = []
        bad = np.flatnonzero(self.wrong >= 0.5)
        if bad.size:
            times = tuple(self.seen.time_us[bad].tolist())
            said.append(warning(TonightCode.WRONG_SOLVES, times_us=times))
        if self.found is not None:
            at = int(np.argmax(self.found.jumped)) if self.seen.size else 0
            if self.found.jumped[at] >= 0.5:
                said.append(warning(TonightCode.ZERO_JUMPED, before_us=int(self.seen.time_us[at])))
        if fields and self.since.any():
            hits = self._matched(
                _places_of(self.site.site.latitude_deg, [f.place for f in fields]), self.since
            )
            beside = sum(hit is None for hit in hits)
            if beside:
                said.append(info(TonightCode.BESIDE_THE_LIST, solves=beside))
        bare = self.all_solves - self.seen.size
        if bare:
            said.append(warning(TonightCode.NO_MOUNT_PLACES, solves=bare))
        ahead = self.seen.time_us[-1] - self.at_us if self.seen.size else 0
        if ahead > _CLOCK_US:
            said.append(warning(TonightCode.CLOCK_AHEAD, minutes=float(ahead) / 6e7))
        if self.seen.size and SPOKEN_FROM <= self.altered < TAKEN_FROM:
            said.append(warning(NightCode.AXIS_RESTS_ON_RAW_REPORTS, chance=self.altered))
        if self.analysis is None:
            said.append(info(TonightCode.NO_HISTORY_YET))
        return said


def _known_enough(error: tuple[float, float], tolerance: float) -> bool:
    """Whether the axis is known well enough to turn by, or to stop."""
    most = ENOUGH_OF_ALLOWED * tolerance
    return error[1] <= (max(most, ENOUGH_OF_ERROR * error[0]) if error[0] > BIG_ERROR else most)


def _as_history_has_it(turn: TurnSeen) -> CorrectionFound:
    """Return a turn of tonight as the history tells one: what was asked counts as its prior."""
    found = found_sd = None
    if turn.found is not None and turn.found_sd is not None and turn.asked is not None:
        prior = float(np.hypot(SHARE_SD * turn.asked, LEAST_SD))
        weights = np.array([turn.found_sd**-2, prior**-2])
        found = float(weights @ [turn.found, turn.asked] / weights.sum())
        found_sd = float(weights.sum() ** -0.5)
    return CorrectionFound(
        time_us=turn.made_us,
        kind=turn.kind,
        asked=turn.asked,
        found=found,
        found_sd=found_sd,
        held=None,
        turns=turn.turns,
    )


def _constants(analysis: Analysis | None) -> Floats:
    """Return the instrument's constants as they are known, (4,) [arcsec]; 0 where they aren't."""
    if analysis is None or not analysis.nights.instruments:
        return np.zeros(4)
    last = analysis.nights.instruments[-1]
    known = dict(zip(last.names, last.values.tolist(), strict=True))
    return np.nan_to_num([known.get(name, 0.0) for name in CONSTANTS])


def _pair(values: Floats) -> tuple[float, float]:
    return float(values[0]), float(values[1])
