"""Puts the shared invented worlds where every folder of tests finds them."""

import atexit
import os
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest

# Threads of linear algebra that fight for busy cores cost ten times what they save; numpy counts them when
# it is imported.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

# Words are wrapped where somebody says how wide the screen is; tests run by several processes are told so.
os.environ.pop("COLUMNS", None)

# Tests start many programs, and processes that share the tests read the same files: where Python is told to
# keep no compiled code, each would compile the whole package anew, which takes longer than most tests.
if sys.dont_write_bytecode:
    compiled = tempfile.mkdtemp(prefix="drift-tests-")
    atexit.register(shutil.rmtree, compiled, ignore_errors=True)
    sys.dont_write_bytecode, sys.pycache_prefix = False, compiled
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.environ["PYTHONPYCACHEPREFIX"] = compiled

for folder in ("truth", "hand"):
    sys.path.insert(0, str(Path(__file__).parent / folder))

#: The slowest tests come first, so that no process is left with a long one when the others are done.
ORDER = ("truth", "surface", "library", "published", "hand")

#: Where the wording of each screen stands as it was approved.
APPROVED = Path(__file__).parent / "approved"
Approved = Callable[[str, str], None]


def pytest_addoption(parser: pytest.Parser) -> None:
    """Let the approved wordings be renewed."""
    parser.addoption("--renew-approved", action="store_true", help="write the screens' wording as it is now")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the slowest tests; those of a file stay together and in their order."""
    items.sort(key=lambda item: ORDER.index(item.path.parent.name) if item.path.parent.name in ORDER else -1)


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
