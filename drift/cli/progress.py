"""What a command says on stderr while it works; silent when nobody watches."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def working(sentence: str) -> Iterator[None]:
    """Show what is being done, on a terminal only, for as long as the block lasts."""
    if not sys.stderr.isatty():
        yield
        return
    from rich.console import Console
    from rich.text import Text

    with Console(stderr=True).status(Text(f"{sentence} ...")):
        yield
