"""The page of a small pier, for the tests that ask for it by name."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from page_world import client_of, desk_of, pier_folder
from starlette.testclient import TestClient


@pytest.fixture
def site_path(tmp_path: Path) -> Path:
    """Return the site file of a pier with its record."""
    return pier_folder(tmp_path)


@pytest.fixture
def page(site_path: Path) -> Iterator[TestClient]:
    """Yield a client of that pier's page."""
    with client_of(desk_of(site_path)) as client:
        yield client
