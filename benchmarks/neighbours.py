"""Measure what a pier in its first winter gains from its neighbours, on invented sites of known truth.

    python benchmarks/neighbours.py [--sites 12] [--seed 1] [--lenders 5] [--winters 0] [--quick]

A site has six piers.  Five were watched for three winters, the sixth for 3 to 5 months from the autumn on;
its coming year is forecast from its own logs alone (with its own weather log), with the weather log of the
site, and with what the others say besides (`drift.history.neighbours`).  Frost is the thickness of frozen
soil by the heat equation with latent heat (tests/truth/heaving_site.py), so that nothing of the tool's own
frost stands behind the truth.  All piers of a site share it; each has a size of its own (log-normal about
the site's), its own lag behind it and its own direction, in half of the sites nearly one direction for all;
each strays from the frost and wanders.

Told is the error of the tilt over the coming year with neighbours against its own logs alone, site by site
and in all (wanted: at most 0.7), and how often the truth lies within 2 sd.  Then the same for an odd one out,
which does not heave, heaves the other way, or slipped, and was watched until the thaw was over: by how many
of its own sds its answer was drawn (root mean square over its readings; wanted: at most 1), how far it is off
the truth, and whether the slip was found.

`--winters` lets the sixth begin so many years earlier: how long is there something to gain?

`--quick` makes 2 sites: it shows that the command works, and measures nothing.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "truth")]

from heaving_site import (  # noqa: E402
    PIERS,
    YEAR,
    Forecasts,
    drawn,
    make_site,
    odd_sites,
    read,
    scored,
    tilt_error,
    worked_out,
)

from drift.history.neighbours import lender_of, neighbour_prior  # noqa: E402

#: Wanted: error with neighbours against alone; and how far an odd one is drawn, in its own sds.
MOST, MOST_DRAWN = 0.7, 1.0


def main(argv: Sequence[str] | None = None) -> None:
    """Make the sites and print what was measured."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sites", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--lenders", type=int, default=PIERS - 1)
    parser.add_argument("--winters", type=int, default=0)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--no-odd", action="store_true")
    chosen = parser.parse_args(argv)
    start = time.process_time()
    ways = ("own logs", "weather", "neighbours")
    scores: dict[str, list[Forecasts]] = {way: [] for way in ways}
    odd_rows = []
    print("error of the tilt [arcsec] by its own logs, with the site's weather, with its neighbours")
    print("site  months  true size     own weather neighb.  ratio  within 2 sd     follows")
    for seed in range(chosen.seed, chosen.seed + (2 if chosen.quick else chosen.sites)):
        site = make_site(seed)
        last = site.begins + round(site.months * YEAR / 12.0)
        lenders = {f"pier {k}": lender_of(worked_out(read(site, k, 0, last))) for k in range(chosen.lenders)}
        prior = neighbour_prior(lenders, "young")
        begins = max(1, site.begins - 365 * chosen.winters)
        young = read(site, PIERS - 1, begins, last)
        alone = worked_out(read(site, PIERS - 1, begins, last, begins - 5))
        answers = (alone, worked_out(young), worked_out(young, prior))
        for way, answer in zip(ways, answers, strict=True):
            scores[way].append(scored(site, answer))
        a, w, b = (scores[way][-1] for way in ways)
        print(
            f"{seed:4d}  {site.months:6.1f}  {site.piers[-1].size:9.0f}"
            f"  {a.rms:6.1f}  {w.rms:6.1f}  {b.rms:6.1f}  {b.rms / a.rms:5.2f}"
            f"  {a.held:.2f} {w.held:.2f} {b.held:.2f}",
            *(one.follows for one in answers),
            flush=True,
        )
        if chosen.no_odd:
            continue
        for name, odd in odd_sites(site).items():
            inputs = read(odd, PIERS - 1, site.begins, site.begins + 240)
            own, with_others = worked_out(inputs), worked_out(inputs, prior)
            x, y = scored(odd, own), scored(odd, with_others)
            found = [[e.what for e in one.events if e.is_movement] for one in (own, with_others)]
            off = [tilt_error(odd, one) for one in (own, with_others)]
            odd_rows.append((name, drawn(own, with_others), x, y, found, off))
    total = {way: float(np.sqrt(np.mean([one.rms**2 for one in scores[way]]))) for way in ways}
    held = {way: float(np.mean([one.held for one in scores[way]])) for way in ways}
    for way in ways:
        print(f"{way:>10}: error of the coming year {total[way]:5.1f}, truth within 2 sd {held[way]:.3f}")
    for way in ways[:2]:
        each = [b.rms / a.rms for a, b in zip(scores[way], scores["neighbours"], strict=True)]
        print(
            f"neighbours against {way}: {total['neighbours'] / total[way]:.2f} of the error in all, "
            f"{np.median(each):.2f} in the median of the sites (wanted against its own logs: {MOST})"
        )
    for name in dict.fromkeys(row[0] for row in odd_rows):
        own_rows = [row for row in odd_rows if row[0] == name]
        far = [row[1] for row in own_rows]
        errors = [np.sqrt(np.mean([row[k].rms ** 2 for row in own_rows])) for k in (2, 3)]
        off = np.sqrt(np.mean([np.square(row[5]) for row in own_rows], axis=0))
        steps = [sum("pier" in row[4][k] for row in own_rows) for k in (0, 1)]
        others_found = [sum(len(row[4][k]) for row in own_rows) - steps[k] for k in (0, 1)]
        print(
            f"{name:>15}: drawn by at most {max(far):.2f} sd (median {np.median(far):.2f}; wanted: "
            f"{MOST_DRAWN}); its tilt off by {off[0]:.1f} alone, {off[1]:.1f} with; its forecast by "
            f"{errors[0]:.1f} and {errors[1]:.1f}; pier steps alone {steps[0]}, "
            f"with {steps[1]} of {len(own_rows)}; other steps {others_found}"
        )
    print(f"{time.process_time() - start:.0f} s of processor")


if __name__ == "__main__":
    main()
