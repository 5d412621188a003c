"""The present time as the record writes it."""

from __future__ import annotations

import time


def now_us() -> int:
    """Return the present time [UTC microseconds since 1970-01-01]."""
    return time.time_ns() // 1000
