"""From all nights, levels and corrections to pier and mount apart: the whole separation in its steps."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drift.codes import Answer, ForcingKind, HourAngleZero
from drift.ground.heave import FrostForcing, FrostHeave
from drift.history import components
from drift.history.before import EarlierFit
from drift.history.causes import (
    STEADY_PIER,
    axis_start,
    instrument_eras,
    level_scales,
    level_sources,
    level_starts,
    rate_now,
    zero_epochs,
)
from drift.history.changes import RecordedCorrection, correction_cause, read_corrections
from drift.history.components import View, cause_series, moves_over_gaps, view
from drift.history.forcing import ForcingChoice, choose_forcing, chosen_with_steps, may_be_mistaken
from drift.history.inputs import Inputs
from drift.history.model import Model, Scales
from drift.history.neighbours import borrowed_notice
from drift.history.outcome import (
    components_with_uncertainty,
    corrections_found,
    last_night_event,
    misrecorded,
    recorded_events,
    redated,
    step_events,
    with_alternatives,
    with_misrecorded,
    with_open_places,
)
from drift.history.references import (
    level_step_notices,
    reference_notices,
    references_of,
    scale_notices,
    with_rivals,
)
from drift.history.sensor import dated, unconfirmed_variance
from drift.history.separability import POOR_REPEAT, judge, must_tie, question_zeros
from drift.history.series import Series, make_series
from drift.history.steps import StepsFound, find_events, noted
from drift.night.estimate import UNKNOWN_SD
from drift.notices import HistoryCode, Notice, info, warning
from drift.quantities import YEAR_DAYS, Bools, Floats
from drift.types import HISTORY_COLUMNS, History, HistoryScales, Lasting, Nights, Separable

#: Zeros that scatter less than this, over so many nights, look kept, whatever the site file says.
LOOKS_KEPT_ARCSEC, LOOKS_KEPT_NIGHTS = 12.0, 10


@dataclass(frozen=True, kw_only=True)
class Fitted:
    """The model as it was fitted, for what carries it on; `centre` (n, 3) was taken out of its readings."""

    found: StepsFound
    centre: Floats


def separate(inputs: Inputs, before: EarlierFit | None = None) -> History | None:
    """Separate the pier's tilt from the mount's own movement.

    Parameters
    ----------
    inputs
        Nights and what goes with them.
    before
        What the last analysis found (`History.before`): a long record to which a night was added is then
        not fitted from scratch.

    Returns
    -------
    History or None
        None when there is neither a night with a usable axis nor a level reading.  It has no forecast yet:
        see `drift.forecast.coming.with_forecast`.
    """
    made = separate_fitted(inputs, before)
    return None if made is None else made[0]


def separate_fitted(inputs: Inputs, before: EarlierFit | None = None) -> tuple[History, Fitted | None] | None:
    """Return what `separate` does, with the model that was fitted; None for that of a sole reading."""
    series, early = make_series(inputs.nights, inputs.levels, inputs.split.constants_us)
    if series is None or (series.size == 1 and not inputs.levels.size and not _axis_known(inputs.nights)):
        return None
    series, questions = question_zeros(series, inputs.zero_is)
    series, centre = centred(series)
    notices = list(questions)
    if early:
        notices.append(info(HistoryCode.BEFORE_REFERENCE, readings=early))
    if series.size == 1:
        return _single(series, centre, tuple(notices)), None
    explained = _explained(inputs, series, before)
    history = _history(explained, inputs, centre, notices)
    return history, Fitted(found=explained.searched, centre=centre)


@dataclass(frozen=True)
class Separated:
    """The steps found, the forcing that the tilt follows, and the corrections as they were made."""

    searched: StepsFound
    driven: ForcingChoice
    recorded: list[RecordedCorrection]
    seen: View


def _explained(inputs: Inputs, series: Series, before: EarlierFit | None) -> Separated:
    """Find the forcing and the steps, each with regard to the other."""
    recorded = read_corrections(inputs.corrections, inputs.plate)
    temp_c = None if inputs.warmth is None else inputs.warmth.at_readings(series.time_us, series.night >= 0)

    def model_with(corrections: list[RecordedCorrection]) -> Model:
        made = make_model(series, inputs.latitude_rad, corrections, temp_c)
        return replace(made, neighbours=inputs.neighbours)

    before = before if before is not None and before.rests_on(inputs.frost) else None
    before = before if inputs.neighbours is None else None  # it was found without them, or with others
    candidates = () if inputs.frost is None else inputs.frost.candidates()
    driven = choose_forcing(model_with(recorded), candidates, before)
    first = driven.undriven if driven.forcing is None else None
    searched = find_events(_following(model_with(recorded), driven, driven.forcing), before, first)
    if may_be_mistaken(driven, searched):
        rival = None if driven.forcing is not None else driven.likeliest_frost
        first = driven.undriven if rival is None else None
        other = find_events(_following(model_with(recorded), driven, rival), first=first)
        frost, calendar = (searched, other) if rival is None else (other, searched)
        driven = chosen_with_steps(driven, frost, calendar)
        searched = calendar if driven.forcing is None else frost
    seen = view(searched.fit)
    moved = redated(recorded, corrections_found(recorded, seen), searched, seen)
    if moved != recorded:
        searched = find_events(_following(model_with(moved), driven, driven.forcing))
        seen = view(searched.fit)
    return Separated(searched, driven, moved, seen)


def _following(model: Model, driven: ForcingChoice, forcing: FrostForcing | None) -> Model:
    """Return a model whose tilt follows a forcing, and which knows the likeliest frost in any case."""
    return replace(model, frost=forcing, forcing=forcing or driven.likeliest_frost)


def _noted(searched: StepsFound, driven: ForcingChoice, frost: FrostHeave | None) -> EarlierFit:
    forcing = driven.forcing
    key = None if forcing is None else (forcing.kind, forcing.lag_days)
    earlier = replace(noted(searched), forcing=key, odds=tuple(driven.odds.items()))
    if frost is None:
        return earlier
    return replace(
        earlier, weather_day=frost.logged_until_day, weather_mark=frost.mark(frost.logged_until_day)
    )


def _axis_known(nights: Nights) -> bool:
    return any(night.tells_change for night in nights.nights)


def centred(series: Series) -> tuple[Series, Floats]:
    """Take large constants out of the readings, for the sake of rounding; return what was taken, (n, 3)."""
    centre = np.zeros_like(series.value)
    night = series.night >= 0
    if night.any():
        centre[night, :2] = series.value[np.flatnonzero(night)[0], :2]
    for label in {str(name) for name in series.zero_label if name}:
        own = series.zero_label == label
        centre[own, 2] = np.median(series.value[own, 2])
    for place, number in level_sources(series):
        own = (series.place == place) & (series.instrument == number)
        centre[own, :2] = np.median(series.value[own, :2], axis=0)
    value = series.value - centre
    value[night & (series.zero_label == ""), 2] = 0.0
    return replace(series, value=value), centre


def make_model(
    series: Series, latitude_rad: float, recorded: list[RecordedCorrection], temp_c: Floats | None = None
) -> Model:
    """Put together the model of centred readings: initial positions, corrections, warmth.

    Parameters
    ----------
    series
        From `centred`.
    latitude_rad
        Geodetic latitude [rad].
    recorded
        Corrections.
    temp_c
        How warm it was at each reading, (n,) [deg C]; None when not known.
    """
    causes = [axis_start(series), zero_epochs(series), level_starts(series), level_scales(series)]
    causes.append(instrument_eras(series))
    causes += [correction_cause(series, c) for c in recorded]
    nothing = np.zeros(series.size, dtype=bool)
    model = Model(series, latitude_rad, tuple(c for c in causes if c.width), nothing, nothing, temp_c=temp_c)
    return replace(model, tied=must_tie(model))


def _history(explained: Separated, inputs: Inputs, centre: Floats, notices: list[Notice]) -> History:
    searched, driven, recorded = explained.searched, explained.driven, explained.recorded
    seen, latitude_rad = explained.seen, inputs.latitude_rad
    series, scales = seen.fit.model.series, seen.fit.scales
    change, sd = components_with_uncertainty(searched.found, seen)
    sd = with_rivals(seen.fit, with_alternatives(searched, change, sd))
    change, sd = with_open_places(searched, seen, change, sd)
    if not np.any(series.night >= 0):  # levels see the pier only; of the mount nothing is known
        change[:, 4:] = sd[:, 4:] = np.nan
    east, north = judge(seen, sd)
    south = latitude_rad < 0.0
    shape = components.shape_of(seen)
    season = components.seasonal(shape, south)
    found = with_misrecorded(recorded, corrections_found(recorded, seen), series)
    events = [dated(event, inputs.sensors) for event in step_events(searched, seen)]
    events += recorded_events(recorded, seen)
    sd[:, :2] = np.hypot(sd[:, :2], np.sqrt(unconfirmed_variance(events, series.time_us)))
    last = last_night_event(searched)
    events = sorted([*events, *([last] if last else [])], key=lambda e: (e.before_us, e.what))
    references = references_of(seen.fit)
    now, own_sd, now_sd = _axis_now(seen, centre)
    return History(
        time_us=series.time_us,
        change=change,
        sd=sd,
        east_tilt_from_mount_azimuth=east,
        north_tilt_from_mount_altitude=north,
        seasonal=season,
        winters=components.winters(seen, season, south),
        lasting=components.lasting(shape) or _short_lasting(seen, sd[-1, :2]),
        events=tuple(events),
        corrections=tuple(found),
        axis_now=now,
        axis_now_sd=now_sd,
        seasonal_axis_offset=components.axis_offsets(seen, shape, season, latitude_rad),
        scales=_scales_as_result(scales),
        notices=tuple(
            notices
            + misrecorded(recorded, found, series)
            + _zero_notices(seen, inputs.zero_is, inputs.nights)
            + _aside(seen)
            + reference_notices(references)
            + scale_notices(references)
            + level_step_notices(seen.fit, searched.level_steps)
            + _borrowed(inputs, driven.forcing)
        ),
        causes=cause_series(seen),
        before=_noted(searched, driven, inputs.frost).text(),
        forcing_odds=driven.odds,
        moves=moves_over_gaps(seen),
        follows=ForcingKind.CALENDAR if driven.forcing is None else driven.forcing.kind,
        references=references,
        sensors=inputs.sensors,
        axis_now_own_sd=own_sd,
        yearly=None
        if inputs.neighbours is not None
        else components.yearly_tilt(seen, season, driven.forcing),
        recent=components.recent_moves(seen, sd),
        borrowed_from=() if inputs.neighbours is None else inputs.neighbours.piers,
    )


def _borrowed(inputs: Inputs, follows: FrostForcing | None) -> list[Notice]:
    if inputs.neighbours is None:
        return []
    return [borrowed_notice(inputs.neighbours, ForcingKind.CALENDAR if follows is None else follows.kind)]


def _axis_now(seen: View, centre: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the axis at the latest night, (2,), and its sds without and with what all nights share."""
    fit = seen.fit
    series = fit.model.series
    nights = np.flatnonzero(series.night >= 0)
    if not nights.size:
        return np.full(2, np.nan), np.full(2, np.nan), np.full(2, np.nan)
    k = int(nights[-1])
    walk = np.zeros((2, series.size, 5))
    walk[:, k] = fit.sees[k, :2]
    mean, cov = seen.sums(walk, fit.columns.seen[k, :2])
    own_sd = np.sqrt(np.diagonal(cov))
    now, now_sd = _known(mean + centre[k, :2], np.hypot(own_sd, series.common_sd[k]))
    return now, own_sd, now_sd


def _known(axis: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Leave out what is too uncertain to be called known."""
    unknown = ~(sd <= UNKNOWN_SD)
    return np.where(unknown, np.nan, axis), np.where(unknown, np.nan, sd)


def _short_lasting(seen: View, tilt_sd: Floats) -> Lasting | None:
    """Return the rate of a record too short to tell a trend from the season: the model's own, wide.

    How much ground settles by itself can't be learnt from so little, so the rate is known no better than
    the tilt over the record, `tilt_sd` (2,) at its end.
    """
    at, line = seen.fit.columns.at["settlement"], seen.fit.columns.at.get(STEADY_PIER)
    now, columns = rate_now(seen.fit.model.series.time_us), np.arange(at.start, at.stop)
    if line is not None:
        now, columns = np.hstack([now, np.eye(2)]), np.append(columns, np.arange(line.start, line.stop))
    rate = now @ seen.fit.amplitude[columns]
    cov = now @ seen.fit.amplitude_cov[np.ix_(columns, columns)] @ now.T
    years = max(float(seen.fit.model.series.days[-1]), 1.0) / YEAR_DAYS
    over_record = float(np.sqrt(np.mean(np.nan_to_num(tilt_sd) ** 2))) / years
    return Lasting(
        arcsec_per_year=float(np.hypot(*rate)),
        arcsec_per_year_sd=max(float(np.sqrt(np.trace(cov) / 2.0)), over_record),
        toward_bearing_deg=None,
    )


def _scales_as_result(scales: Scales) -> HistoryScales:
    return HistoryScales(
        tilt_walk_arcsec_per_sqrt_day=scales.tilt_walk,
        across_share=scales.across,
        heave_bearing_deg=float(np.degrees(scales.bearing_rad)),
        az_creep_arcsec_per_sqrt_day=scales.az_creep,
        alt_creep_arcsec_per_sqrt_day=scales.alt_creep,
        zero_repeat_arcsec=scales.zero_repeat,
        zero_creep_arcsec_per_sqrt_day=scales.zero_creep,
        season_arcsec=scales.season,
        settlement_arcsec=scales.slow,
        frost_arcsec=scales.frost,
        level_factor=scales.level_factor,
    )


def _zero_notices(seen: View, zero_is: str, nights: Nights) -> list[Notice]:
    """Yield notices where the site file's statement on the hour-angle zero doesn't fit the readings."""
    repeat = seen.fit.scales.zero_repeat
    shared = int(np.sum(seen.fit.model.series.zero_label != ""))
    if zero_is != HourAngleZero.SYNCED and shared >= LOOKS_KEPT_NIGHTS and repeat > POOR_REPEAT:
        return [
            warning(HistoryCode.ZEROS_SCATTER, repeat_arcsec=repeat, site_file_says=HourAngleZero(zero_is))
        ]
    lost = [n for n in nights.nights if n.zero_label == "" and np.isfinite(n.estimate[2])]
    zeros = np.array([n.estimate[2] for n in lost])
    if zero_is == HourAngleZero.SYNCED and zeros.size >= LOOKS_KEPT_NIGHTS:
        spread = 1.4826 * float(np.median(np.abs(np.diff(zeros)))) / np.sqrt(2.0)
        if spread < LOOKS_KEPT_ARCSEC:
            return [info(HistoryCode.ZEROS_REPEAT, scatter_arcsec=float(spread))]
    return []


def _aside(seen: View) -> list[Notice]:
    """Yield notices of what the history did not use because it stands alone."""
    model = seen.fit.model
    night = model.series.night >= 0
    out = []
    for mask, code in (
        (model.ignored & night, HistoryCode.NIGHTS_ALONE),
        (model.ignored & ~night, HistoryCode.LEVELS_ALONE),
        (_wild_zeros(model), HistoryCode.ZEROS_ALONE),
    ):
        if mask.any():
            out.append(warning(code, times_us=tuple(model.series.time_us[mask].tolist())))
    return out


def _wild_zeros(model: Model) -> Bools:
    """Return the zeros set aside one by one; where all were, another notice says that they don't repeat."""
    shared = model.series.zero_label != ""
    return model.ignored_zero & shared & ~np.all(model.ignored_zero[shared])


def _single(series: Series, centre: Floats, notices: tuple[Notice, ...]) -> History:
    only = Separable(
        answer=Answer.NO,
        because=(info(HistoryCode.ONE_READING),),
        would_settle_it=info(HistoryCode.SETTLED_BY_SECOND_NIGHT),
    )
    axis = centre[0, :2] + series.value[0, :2] if series.night[0] >= 0 else np.full(2, np.nan)
    sd = np.sqrt(np.diagonal(series.variance[0])[:2]) if series.night[0] >= 0 else np.full(2, np.nan)
    axis, sd = _known(axis, np.hypot(sd, series.common_sd[0]))
    return History(
        time_us=series.time_us,
        change=np.zeros((1, len(HISTORY_COLUMNS))),
        sd=np.zeros((1, len(HISTORY_COLUMNS))),
        east_tilt_from_mount_azimuth=only,
        north_tilt_from_mount_altitude=only,
        seasonal=None,
        winters=(),
        lasting=None,
        events=(),
        corrections=(),
        axis_now=axis,
        axis_now_sd=sd,
        seasonal_axis_offset=np.zeros((366, 2)),
        notices=notices,
    )
