"""A process of its own that draws small pictures: see `drift.render.second_pen`."""

from __future__ import annotations

import gc
import pickle
import sys


def main() -> None:
    """Read ``(answer, names)`` from standard input, and write the small pictures to standard output."""
    gc.disable()  # it answers once and leaves
    import matplotlib.figure  # noqa: F401  it takes a while, and there is time now

    import drift.analysis  # noqa: F401  what an analysis is made of
    from drift.render.catalogue import pictures_of
    from drift.render.drawing import small_svg

    analysis, names = pickle.load(sys.stdin.buffer)
    wanted = [picture for picture in pictures_of(analysis) if picture.name in names]
    found = {picture.name: small_svg(picture, analysis) for picture in wanted}
    pickle.dump(found, sys.stdout.buffer, protocol=pickle.HIGHEST_PROTOCOL)
    sys.stdout.buffer.flush()


if __name__ == "__main__":
    main()
