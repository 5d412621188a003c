"""Astropy without a network: its time objects would look for newer leap seconds and Earth rotation."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def astropy_offline() -> Iterator[None]:
    """Keep astropy from downloading anything, and from warning about what it then does without."""
    from astropy.utils import iers

    with (
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("auto_max_age", None),
        warnings.catch_warnings(),
    ):
        warnings.simplefilter("ignore")
        yield
