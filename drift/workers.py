"""Child processes of this package: each does one task, named by its place in the package, once or often.

Reading headers and drawing are nearly all Python, so that only processes use more than one core.  A child is
started afresh and not forked, so that it runs nothing of the program that asked; and where a library breaks
down, only the child dies.  It is named what to run as ``module:function``, so that the rooms at the bottom
need not know those at the top.  The function is given what was asked, by one message on the child's standard
input, and what it yields comes back on its standard output, a tuple of one each, and an empty one at the end.
It then waits to be asked again, and leaves when its standard input ends.  Both ends are this very package, so
that the messages may be pickles.
"""

from __future__ import annotations

import importlib
import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from itertools import chain
from pathlib import Path
from typing import Any

#: A process that a signal ended has a negative code, on Windows a very large one.
_LEAST_BREAKDOWN = 256
#: What a message that is none makes pickle raise.
_NO_MESSAGE = (
    OSError,
    EOFError,
    pickle.UnpicklingError,
    AttributeError,
    ImportError,
    IndexError,
    KeyError,
    TypeError,
    ValueError,
)


def can_start() -> bool:
    """Tell whether children can be started, and there is a second core for them."""
    return bool(sys.executable) and (os.cpu_count() or 1) > 1


class Worker:
    """A child that does one task, as often as it is asked.

    Parameters
    ----------
    child
        The process; `start` makes it.
    """

    def __init__(self, child: subprocess.Popen[bytes]) -> None:
        self._child = child

    @classmethod
    def start(cls, task: str, warm: str = "", also: Mapping[str, str] | None = None) -> Worker:
        """Start a child.

        Parameters
        ----------
        task
            ``module:function``, a generator of answers; called with what `work` is given.
        warm
            ``module:function`` that is called at once, while nothing has been asked yet; "" for none.
        also
            Variables of its environment; one that is set already stays as it is.

        Raises
        ------
        OSError
            If no child can be started.
        """
        home = str(Path(__file__).resolve().parent.parent)
        paths = [home, *filter(None, [os.environ.get("PYTHONPATH")])]
        return cls(
            subprocess.Popen(
                [sys.executable, "-m", "drift.workers", task, warm],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env={**(also or {}), **os.environ, "PYTHONPATH": os.pathsep.join(paths)},
            )
        )

    def work(self, *asked: Any) -> Iterator[Any]:
        """Ask for the last time, and yield the answers as they come; they end where the child ends."""
        assert self._child.stdin is not None
        assert self._child.stdout is not None
        try:
            with self._child.stdin as way_in:
                pickle.dump(asked, way_in, protocol=pickle.HIGHEST_PROTOCOL)
            while message := pickle.load(self._child.stdout):
                yield message[0]
        except _NO_MESSAGE:
            return
        finally:
            with suppress(OSError):
                self._child.stdout.close()

    def ask(self, *asked: Any) -> list[Any]:
        """Ask, and return all answers; the child then waits to be asked again.

        Raises
        ------
        BrokenPipeError
            If the child ended before it had answered.
        """
        assert self._child.stdin is not None
        assert self._child.stdout is not None
        answers = []
        try:
            pickle.dump(asked, self._child.stdin, protocol=pickle.HIGHEST_PROTOCOL)
            self._child.stdin.flush()
            while message := pickle.load(self._child.stdout):
                answers.append(message[0])
        except _NO_MESSAGE as error:
            raise BrokenPipeError(f"child {self._child.pid} ended before it had answered") from error
        return answers

    def kill(self) -> None:
        """End the child, whatever it is doing; another thread may be waiting for its answer."""
        with suppress(OSError):
            self._child.kill()

    def broke_down(self) -> bool:
        """Wait for the child to end, and tell whether it was ended by a fault and not by itself."""
        return not 0 <= self._child.wait() < _LEAST_BREAKDOWN

    def stop(self) -> None:
        """End the child, whatever it is doing."""
        self.kill()
        for pipe in (self._child.stdin, self._child.stdout):
            with suppress(OSError):
                if pipe is not None:
                    pipe.close()
        self._child.wait()

    @property
    def has_ended(self) -> bool:
        """Whether the child is gone."""
        return self._child.poll() is not None


def named(name: str) -> Callable[..., Any]:
    """Return a function of this package by ``module:function``."""
    module, _, function = name.partition(":")
    found: Callable[..., Any] = getattr(importlib.import_module(module), function)
    return found


def main(task: str, warm: str = "") -> None:
    """Do a task in a child: read what is asked from standard input, write the answers to standard output.

    Whatever else the task prints goes to standard error: a word between the messages would spoil them.
    """
    if warm:
        named(warm)()
    work = named(task)
    out, sys.stdout = sys.stdout.buffer, sys.stderr
    while True:
        try:
            asked = pickle.load(sys.stdin.buffer)
        except EOFError:
            return
        for message in chain(((answer,) for answer in work(*asked)), [()]):
            pickle.dump(message, out, protocol=pickle.HIGHEST_PROTOCOL)
            out.flush()


if __name__ == "__main__":
    main(*sys.argv[1:])
