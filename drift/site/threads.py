"""Screw threads: how far one turn of a levelling nut lifts.

Coarse metric pitches are those of ISO 261 (selected sizes in ISO 262), inch
threads are the coarse series of ASME B1.1 (UNC); both as restated alike by
two or more open tables.  A pitch in inches is exactly 25.4 mm over the
number of threads to the inch.
"""

from __future__ import annotations

import difflib
import re

from drift.errors import PlateError

#: Coarse pitch by size [mm], ISO 261.
METRIC_COARSE_MM = {
    "M6": 1.0,
    "M8": 1.25,
    "M10": 1.5,
    "M12": 1.75,
    "M14": 2.0,
    "M16": 2.0,
    "M18": 2.5,
    "M20": 2.5,
    "M22": 2.5,
    "M24": 3.0,
}
#: Threads to the inch by size [in], ASME B1.1 coarse series.
UNC_PER_INCH = {
    "1/4": 20,
    "5/16": 18,
    "3/8": 16,
    "7/16": 14,
    "1/2": 13,
    "9/16": 12,
    "5/8": 11,
    "3/4": 10,
    "7/8": 9,
    "1": 8,
}
#: Every thread known, by the name that a site file gives it.
THREADS = {
    **METRIC_COARSE_MM,
    **{f"{size}-{number} UNC": 25.4 / number for size, number in UNC_PER_INCH.items()},
}
#: Which names are allowed, for people.
ALLOWED = (
    "a coarse metric thread from M6 to M24 (M12) or an inch thread from 1/4-20 UNC to 1-8 UNC (3/4-10 UNC)"
)

_METRIC = re.compile(r"M(\d+)(?:[X\u00d7](\d+(?:\.\d+)?))?")
_INCH = re.compile(r"(\d+(?:/\d+)?)(?:\"|IN)?-(\d+)(?:UNC)?")


def thread_name(text: str) -> str:
    """Return the usual name of a thread: ``M12`` for ``m12x1.75``, ``3/4-10 UNC`` for ``3/4"-10``.

    Raises
    ------
    drift.errors.PlateError
        If it is none of `THREADS`; names the value, what is allowed and the nearest one.
    """
    plain = re.sub(r"\s+", "", text).upper()
    name = _metric(plain) or _inch(plain)
    if name is None:
        near = difflib.get_close_matches(text.strip(), THREADS, n=1)
        meant = f"  Did you mean {near[0]}?" if near else ""
        raise PlateError(f"the thread {text!r} is not known: it can be {ALLOWED}.{meant}")
    return name


def pitch_mm(thread: str) -> float:
    """Return how far a nut moves along its bolt in one turn [mm].

    Parameters
    ----------
    thread
        A name as in `THREADS`, in any usual spelling.

    Raises
    ------
    drift.errors.PlateError
        If the thread is not known.
    """
    return THREADS[thread_name(thread)]


def _metric(plain: str) -> str | None:
    found = _METRIC.fullmatch(plain)
    if found is None:
        return None
    name = f"M{int(found[1])}"
    pitch = METRIC_COARSE_MM.get(name)
    # A fine pitch is another thread: M12x1.25 must not pass for M12.
    wrong = pitch is None or (found[2] is not None and float(found[2]) != pitch)
    return None if wrong else name


def _inch(plain: str) -> str | None:
    found = _INCH.fullmatch(plain)
    if found is None or UNC_PER_INCH.get(found[1]) != int(found[2]):
        return None
    return f"{found[1]}-{found[2]} UNC"
