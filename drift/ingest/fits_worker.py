"""A process of its own that reads FITS headers: it takes work from standard input and answers file by file.

Reading headers is nearly all Python, so that only processes use more than one core.  A child that is started
afresh, rather than forked, runs nothing of the program that asked; and where a library breaks down on
a header, only this child dies, and the asking side knows at which file.
"""

from __future__ import annotations

import pickle
import sys
from pathlib import Path


def main() -> None:
    """Read ``(mapping, paths)`` from standard input, and write what each file gives to standard output."""
    from drift.ingest.fits_frame import read_frame

    mapping, paths = pickle.load(sys.stdin.buffer)
    out = sys.stdout.buffer
    for path in paths:
        pickle.dump(read_frame(Path(path), mapping), out, protocol=pickle.HIGHEST_PROTOCOL)
        out.flush()


if __name__ == "__main__":
    main()
