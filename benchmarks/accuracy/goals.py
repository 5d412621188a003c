"""The table, and which goals it misses."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from score import JUDGED, Scored
from steps import Prompt

#: Error over the larger of 1 arcsec and the oracle's: in the median, and in the 90th percentile of records
#: with more and with fewer nights than `MANY`.
MEDIAN_RATIO, RATIO_MANY, RATIO_FEW, MANY = 1.15, 1.5, 2.5, 100
#: Share of nights whose 95 % interval holds the truth, pooled.
INSIDE = (0.93, 0.97)
#: A step of 60 arcsec is told in this share of cases, and named rightly in this share of those named.
TOLD, NAMED_RIGHT = 0.95, 0.99
#: Of events given 10 to 1, this share is right, in every family.
RIGHT_AT_TEN = 0.9
#: False events a year on quiet piers.
FALSE_A_YEAR = 0.01


def _families(rows: Sequence[Scored]) -> list[tuple[str, list[Scored]]]:
    names = list(dict.fromkeys(row.family for row in rows))
    return [(name, [r for r in rows if r.family == name]) for name in names] + [("all", list(rows))]


def _numbers(values: np.ndarray) -> str:
    return "  ".join(f"{v:10.2f}" for v in values)


def against_oracle(rows: Sequence[Scored]) -> list[str]:
    """Print rms errors over the oracle's; return the goals missed."""
    print(f"error over the oracle's, {len(rows)} histories".ljust(44), "  ".join(f"{n:>10s}" for n in JUDGED))
    for name, own in _families(rows):
        ratio = np.array([r.rms / np.maximum(1.0, r.oracle_rms) for r in own])
        print(
            f"  {name:10s} median rms error [arcsec]".ljust(43),
            _numbers(np.median([r.rms for r in own], axis=0)),
        )
        print("             ratio, median".ljust(43), _numbers(np.median(ratio, axis=0)))
        print("             ratio, 90th percentile".ljust(43), _numbers(np.quantile(ratio, 0.9, axis=0)))
    ratio = np.array([r.rms / np.maximum(1.0, r.oracle_rms) for r in rows])
    many = np.array([r.nights > MANY for r in rows])
    limits = (
        ("ratio to the oracle, median", np.median(ratio), MEDIAN_RATIO),
        (
            f"90th percentile above {MANY} nights",
            np.quantile(ratio[many], 0.9) if many.any() else 0,
            RATIO_MANY,
        ),
        (f"90th percentile up to {MANY}", np.quantile(ratio[~many], 0.9) if (~many).any() else 0, RATIO_FEW),
    )
    for what, value, limit in limits:
        print(f"  {what}: {value:.2f} (goal: at most {limit})")
    return [f"{what}: {value:.2f}" for what, value, limit in limits if value > limit]


def intervals(rows: Sequence[Scored]) -> list[str]:
    """Print how often 95 % intervals hold the truth; return the goal missed."""
    print(
        f"95 % intervals that hold, {len(rows)} histories".ljust(44), "  ".join(f"{n:>10s}" for n in JUDGED)
    )
    for name, own in _families(rows):
        print(f"  {name}".ljust(43), _numbers(np.concatenate([r.inside for r in own]).mean(axis=0)))
    pooled = float(np.concatenate([r.inside for r in rows]).mean())
    print(f"  pooled: {pooled:.3f} (goal: {INSIDE[0]} to {INSIDE[1]})")
    return [] if INSIDE[0] <= pooled <= INSIDE[1] else [f"95 % intervals hold in {pooled:.3f}"]


def prompt(rows: Sequence[Prompt]) -> list[str]:
    """Print how soon steps are told; return the goals missed."""
    print("steps of 60 arcsec, two nights after")
    missed = []
    for separable in (True, False):
        for part in ("pier", "mount_az", "mount_alt"):
            own = [r for r in rows if r.part == part and r.separable == separable]
            if own:
                told, named = np.mean([r.reported for r in own]), np.mean([r.named == part for r in own])
                what = "separable" if separable else "not separable"
                print(f"  {part:10s} {what:14s} {len(own):4d}: told {told:.2f}, named {named:.2f}")
    own = [r for r in rows if r.separable]
    told = np.mean([r.reported for r in own])
    named = [r for r in own if r.named not in ("", "undetermined")]
    right = np.mean([r.named == r.part for r in named])
    print(f"  separable: told {told:.3f} (goal {TOLD})")
    print(f"  {len(named)} named, right {right:.3f} (goal {NAMED_RIGHT})")
    if told < TOLD:
        missed.append(f"steps told within two nights: {told:.3f}")
    if right < NAMED_RIGHT:
        missed.append(f"parts named rightly: {right:.3f}")
    return missed


def odds(rows: Sequence[Scored]) -> list[str]:
    """Print whether events given 10 to 1 are right; return the goals missed."""
    print("events given 10 to 1 or more")
    missed = []
    for name, own in _families(rows):
        found = [s for r in own for s in r.steps]
        named = [s for s in found if s.named not in ("", "undetermined")]
        false = [f for r in own for f in r.false_events if f[0] != "undetermined"]
        right, count = sum(s.named == s.part for s in named), len(named) + len(false)
        share = right / count if count else float("nan")
        lost = sum(not s.reported for s in found)
        print(
            f"  {name:12s} steps {len(found):4d}, not told {lost:3d}, undetermined "
            f"{len(found) - lost - len(named):4d}, named {len(named):4d}, false {len(false)}; "
            f"right {share:.3f}"
        )
        if count >= 10 and share < RIGHT_AT_TEN:
            missed.append(f"{name}: of events given 10 to 1, {share:.2f} are right")
    return missed


def quiet(rows: Sequence[tuple[float, list[tuple[str, float]]]]) -> list[str]:
    """Print false events on quiet piers; return the goal missed."""
    years = sum(r[0] for r in rows)
    told = [event for r in rows for event in r[1]]
    print(f"quiet piers: {len(told)} false events in {years:.0f} years {told}")
    return [] if len(told) < FALSE_A_YEAR * years else [f"{len(told)} false events in {years:.0f} years"]


def controls(rows: Sequence[dict[str, np.ndarray]]) -> list[str]:
    """Print what deliberate mistakes do; return those that would pass."""
    print("deliberate mistakes: share of nights whose 95 % interval holds the truth")
    missed = []
    for what in rows[0]:
        inside = float(np.concatenate([r[what] for r in rows]).mean())
        print(f"  {what}: {inside:.2f}")
        if INSIDE[0] <= inside:
            missed.append(f"{what} goes unnoticed ({inside:.2f})")
    return missed
