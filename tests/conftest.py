"""Puts the shared invented worlds where every folder of tests finds them."""

import os
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

# Threads of linear algebra that fight for busy cores cost ten times what they save; numpy counts them when
# it is imported.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

# Words are wrapped where somebody says how wide the screen is; tests run by several processes are told so.
os.environ.pop("COLUMNS", None)

for folder in ("truth", "hand"):
    sys.path.insert(0, str(Path(__file__).parent / folder))

#: Where the wording of each screen stands as it was approved.
APPROVED = Path(__file__).parent / "approved"
Approved = Callable[[str, str], None]


def pytest_addoption(parser: pytest.Parser) -> None:
    """Let the approved wordings be renewed."""
    parser.addoption("--renew-approved", action="store_true", help="write the screens' wording as it is now")


@pytest.fixture
def approved(request: pytest.FixtureRequest) -> Approved:
    """Compare a screen's wording with the approved one, `tests/approved/NAME.txt`."""

    def compare(name: str, text: str) -> None:
        file = APPROVED / f"{name}.txt"
        whole = f"{text.rstrip()}\n"
        if request.config.getoption("--renew-approved"):
            file.parent.mkdir(exist_ok=True)
            file.write_text(whole, encoding="utf-8")
        assert file.exists(), f"{file} is not there: look at the wording, and run with --renew-approved"
        assert whole == file.read_text(encoding="utf-8")

    return compare
