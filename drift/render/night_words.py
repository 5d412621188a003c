"""What is noticed over the nights, in words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import pandas as pd

from drift.codes import PointingUse
from drift.notices import Code, NightCode

Values = Mapping[str, Any]


#: What becomes of pointing nights whose reports seem altered.
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


def _use(values: Values) -> str:
    return _USE[PointingUse(values["use"])]


def _altered_by_sweeps(values: Values) -> str:
    return (
        f"Sweeps and unguided runs see the axis {values['az_apart_arcsec']:+.0f} arcsec in azimuth and "
        f"{values['alt_apart_arcsec']:+.0f} in altitude from where pointing solves see it "
        f"({values['pairs']} pairs of nights): the mount seems to report places altered by a model of its "
        f"own; {_use(values)}."
    )


def _altered_by_site_file(values: Values) -> str:
    return (
        "The site file says that the mount's reported places are altered by a model of its own; "
        f"{_use(values)}."
    )


def _look_altered(values: Values) -> str:
    return (
        "All that pointing solves show of this mount is nearer to nothing than raw mounts are "
        f"(chance {100 * values['chance']:.0f} %): it seems to report places altered by a model of its own; "
        f"{_use(values)}."
    )


def _rests_on_raw_reports(values: Values) -> str:
    return (
        "The axis as pointing solves show it lies so near to the pole that a model inside the mount may have "
        f"taken its error out (chance {100 * values['chance']:.0f} %): a sweep or an unguided run would "
        'tell; write reports = "raw" under [mount] if the mount has no such model.'
    )


def _by_few_sweeps(values: Values) -> str:
    count = values["nights"]
    nights = "one night" if count == 1 else f"{count} nights"
    return f"Where the axis points rests on {nights} of sweeps, runs or typed errors."


def _places_j2000(values: Values) -> str:
    return (
        "The mount's places seem to be of J2000 and not of date, as the record has them: taken as J2000 the "
        f"solves scatter by {values['scatter_as_j2000_arcsec']:.1f} arcsec instead of "
        f"{values['scatter_arcsec']:.1f}.  They were taken so here; import the log again with its frame set."
    )


def _clock_off(values: Values) -> str:
    first, last = (pd.Timestamp(values[us], unit="us").strftime("%Y-%m-%d") for us in ("first_us", "last_us"))
    hours, count = values["hours"], values["nights"]
    which = f"The night of {first} fits" if count == 1 else f"{count} nights from {first} to {last} fit"
    its = "its" if count == 1 else "their"
    size = "an hour" if abs(hours) == 1 else f"{abs(hours)} hours"
    summer = ", as over a change of summer time" if abs(hours) == 1 else ""
    return (
        f"{which} better with {its} times moved by {-hours:+d} h: the clock seems to have run {size} "
        f"{'ahead' if hours > 0 else 'behind'}{summer}.  {'It was' if count == 1 else 'They were'} taken so "
        "here; see to the log's time zone."
    )


SENTENCES: dict[Code, Callable[[Values], str]] = {
    NightCode.REPORTS_ALTERED_BY_SWEEPS: _altered_by_sweeps,
    NightCode.REPORTS_ALTERED_BY_SITE_FILE: _altered_by_site_file,
    NightCode.REPORTS_LOOK_ALTERED: _look_altered,
    NightCode.AXIS_RESTS_ON_RAW_REPORTS: _rests_on_raw_reports,
    NightCode.AXIS_BY_FEW_SWEEPS: _by_few_sweeps,
    NightCode.MOUNT_PLACES_J2000: _places_j2000,
    NightCode.CLOCK_OFF_BY_HOURS: _clock_off,
}
