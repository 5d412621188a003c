"""Independent streams of chance, one a purpose, all from the scenario's seed.

So a level reading more changes no solve, and a night keeps its weather when the
number of solves is changed.
"""

from __future__ import annotations

import zlib

import numpy as np


def stream(seed: int, purpose: str, number: int = 0) -> np.random.Generator:
    """Return the generator that belongs to `purpose` and `number` under `seed`."""
    return np.random.default_rng([seed, zlib.crc32(purpose.encode()), number])
