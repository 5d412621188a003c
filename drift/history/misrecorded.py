"""Corrections that were written down wrongly: the sign, the date, or twice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from drift.history.causes.corrections import Correction
from drift.history.events import Searched
from drift.history.outcome import HELD_SDS, HELD_SHARE, RECORDED_PARTS, step_events
from drift.history.result import CorrectionFound, Event
from drift.history.series import Series
from drift.history.view import View
from drift.quantities import DAY_US

#: A date is this far off at most [days]: common practice, a notebook is filled in within some weeks.
FURTHEST_DAYS = 45.0
#: Two entries within this are taken for one written down twice [days].
TWICE_DAYS = 3.0
#: Where the size of a part's step stands.
SIZE_OF = {"mount_az": "mount_az", "mount_alt": "mount_alt"}


def redated(
    recorded: Sequence[Correction], found: Sequence[CorrectionFound], searched: Searched, view: View
) -> list[Correction]:
    """Return the corrections, those with a wrong date moved to the step that they explain.

    A correction that did nothing on its date is moved when the same knob stepped
    by the same amount, unrecorded, some days before or after.
    """
    steps = [(s, e) for s, e in zip(searched.steps, step_events(searched, view), strict=True)]
    out = []
    for correction, result in zip(recorded, found, strict=True):
        near = [(step.best, event) for step, event in steps if _explains(correction, result, event)]
        if len(near) == 1:
            series = view.fit.model.series
            out.append(replace(correction, done_us=int(series.time_us[near[0][0]])))
        else:
            out.append(correction)
    return out


def _explains(correction: Correction, found: CorrectionFound, event: Event) -> bool:
    part = RECORDED_PARTS.get(correction.kind, "")
    if part not in SIZE_OF or event.what != part or found.asked is None or found.found is None:
        return False
    leeway = HELD_SHARE * abs(found.asked)
    did_nothing = abs(found.found) < leeway + HELD_SDS * (found.found_sd or 0.0)
    size, sd = event.size[SIZE_OF[part]], event.size_sd[SIZE_OF[part]]
    apart_days = max(event.after_us - correction.time_us, correction.time_us - event.before_us, 0) / DAY_US
    return (
        found.held is False
        and did_nothing
        and abs(size - found.asked) < leeway + HELD_SDS * sd
        and apart_days <= FURTHEST_DAYS
    )


def remarks(recorded: Sequence[Correction], found: Sequence[CorrectionFound], series: Series) -> list[str]:
    """Return sentences about corrections that look misrecorded."""
    out = [_redated(c, series) for c in recorded if c.done_us is not None]
    out += [_wrong_sign(result) for result in found if _opposite(result)]
    for first, second in zip(recorded, recorded[1:], strict=False):
        pair = [r for c, r in zip(recorded, found, strict=True) if c in (first, second)]
        if _twice(first, second, series) and _sum_of_one(pair):
            out.append(
                f"Two {first.kind} corrections of {first.asked[0]:+.0f} arcsec were recorded within "
                f"{TWICE_DAYS:.0f} days ({_day(first.time_us)}), but only one such change was found: the "
                "same correction may have been written down twice.  If so, withdraw one of them."
            )
    return out


def _redated(correction: Correction, series: Series) -> str:
    done_us = correction.done_us or 0
    after = max(int(np.searchsorted(series.time_us, done_us)) - 1, 0)
    return (
        f"The {correction.kind} correction recorded for {_day(correction.time_us)} was taken for one made "
        f"between {_day(int(series.time_us[after]))} and {_day(done_us)}, where a change of that size was "
        "found and nobody wrote one down: its date may be wrong.  Put it right in the record."
    )


def _opposite(result: CorrectionFound) -> bool:
    if result.held is not False or result.asked is None or result.found is None:
        return False
    return abs(result.found + result.asked) < HELD_SDS * (result.found_sd or 0.0) + HELD_SHARE * abs(
        result.asked
    )


def _wrong_sign(result: CorrectionFound) -> str:
    return (
        f"The {result.kind} correction was recorded as {result.asked:+.0f} arcsec but {result.found:+.0f} "
        f"+- {result.found_sd:.0f} was found: its sign may have been written down the wrong way round."
    )


def _twice(first: Correction, second: Correction, series: Series) -> bool:
    between = np.any((series.time_us >= first.time_us) & (series.time_us < second.time_us))
    return (
        first.kind == second.kind
        and first.kind in ("azimuth", "altitude")
        and first.asked == second.asked
        and second.time_us - first.time_us <= TWICE_DAYS * DAY_US
        and not between
    )


def _sum_of_one(pair: Sequence[CorrectionFound]) -> bool:
    """Return whether what two corrections did together is what one of them asked."""
    if any(r.asked is None or r.found is None for r in pair):
        return False
    total, asked = sum(r.found or 0.0 for r in pair), float(pair[0].asked or 0.0)
    return abs(total - asked) < HELD_SHARE * abs(asked)


def _day(time_us: int) -> str:
    return pd.Timestamp(time_us, unit="us").strftime("%Y-%m-%d")
