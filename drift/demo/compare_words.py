"""The comparison with the truth, in words and a table for people."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from drift.demo.compare import Compared, EventCompared

_PARTS = {
    "mount_az": "the mount's azimuth",
    "mount_alt": "the mount's altitude",
    "lean_north": "the pier, north",
    "lean_east": "the pier, east",
}


def table_lines(rows: Iterable[Compared]) -> Iterator[str]:
    """Yield a table of differences, answer minus truth, in arcseconds."""
    yield f"{'answer minus truth':<32} {'number':>6} {'typical':>9} {'largest':>18} {'within 2 sd':>12}"
    for row in rows:
        largest = f'{row.largest:+.1f}" (sd {row.largest_sd:.1f}")'
        yield f'{row.what:<32} {row.count:>6} {row.typical:>8.1f}" {largest:>18} {row.within_2_sd:>11.0%}'


def event_lines(events: Iterable[EventCompared]) -> Iterator[str]:
    """Yield a line for each true step: what was put in and what was found."""
    for event in events:
        day = str(np.datetime64(event.time_us, "us").astype("datetime64[D]"))
        noted = "written down" if event.recorded else "not written down"
        found = f'found {event.found_size:+.0f}" ± {event.found_sd:.0f}"' if event.called else "not found"
        if event.called == "undetermined":
            found = "found, but what it was is left open"
        yield f'{day}  {_PARTS[event.part]} by {event.true_size:+.0f}", {noted}: {found}'
