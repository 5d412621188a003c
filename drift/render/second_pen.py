"""A second process that draws the small pictures while this one draws the large ones.

Drawing is nearly all Python, so that only processes use more than one core.  The child is started
afresh, rather than forked, while the answer is still being worked out: by then it has what it needs.
Whatever goes wrong with it, the pictures are drawn here.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress
from typing import TYPE_CHECKING

from drift.child import start_child

if TYPE_CHECKING:
    from drift.types import Analysis


#: From so many solves on, a child is worth its start (which takes as long as some twenty small pictures).
MANY_SOLVES = 20_000
#: A small picture: its name, and its SVG with whether it is tall.
Small = dict[str, tuple[str, bool]]


def second_pen(solves: int) -> SecondPen | None:
    """Start a child where that is worth it; None where it isn't, or where there is one core only."""
    if solves < MANY_SOLVES or (os.cpu_count() or 1) < 2 or not sys.executable:
        return None
    try:
        return SecondPen(start_child("drift.render.second_pen_worker"))
    except OSError:
        return None


class SecondPen:
    """A child that draws small pictures once it is asked.

    Parameters
    ----------
    child
        A process that runs `drift.render.second_pen_worker`.
    """

    def __init__(self, child: subprocess.Popen[bytes]) -> None:
        self._child = child
        self._said = b""
        self._talk: threading.Thread | None = None

    def ask(self, analysis: Analysis, names: Sequence[str]) -> None:
        """Let it draw pictures of an answer by their names; returns at once."""
        asked = pickle.dumps((analysis, list(names)), protocol=pickle.HIGHEST_PROTOCOL)

        def talk() -> None:
            with suppress(OSError, ValueError):
                self._said = self._child.communicate(asked)[0]

        self._talk = threading.Thread(target=talk, daemon=True)
        self._talk.start()

    def drawn(self) -> Small:
        """Wait for the pictures; those that it could not draw are not there."""
        if self._talk is None:
            return {}
        self._talk.join()
        try:
            found: Small = pickle.loads(self._said)
        except (pickle.UnpicklingError, EOFError, AttributeError, ImportError, IndexError, ValueError):
            return {}
        return found

    def put_down(self) -> None:
        """Let go of the child, whatever it is doing."""
        with suppress(OSError):
            self._child.kill()
        if self._talk is not None:
            self._talk.join()
        else:
            self._child.communicate()
