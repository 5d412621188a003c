"""A child process that runs a module of this very package, wherever it was imported from.

It is started afresh and not forked, so that it runs nothing of the program that asked.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path


def start_child(module: str) -> subprocess.Popen[bytes]:
    """Start a child that takes work from its standard input and answers on its standard output.

    Parameters
    ----------
    module
        The full name of the module that it runs.

    Raises
    ------
    OSError
        If no child can be started.
    """
    home = str(Path(__file__).resolve().parent.parent)
    paths = [home, *filter(None, [os.environ.get("PYTHONPATH")])]
    return subprocess.Popen(
        [sys.executable, "-m", module],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
    )
