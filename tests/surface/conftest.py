"""The page of a small pier, reports, and a browser to look at them, for tests that ask for them by name."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browser_world import chromium, look
from invented_analysis import invented
from invented_rich import rich
from page_world import client_of, desk_of, pier_folder
from server_world import running_server
from starlette.testclient import TestClient

from drift.render.report import report_html


@pytest.fixture
def site_path(tmp_path: Path) -> Path:
    """Return the site file of a pier with its record."""
    return pier_folder(tmp_path)


@pytest.fixture
def page(site_path: Path) -> Iterator[TestClient]:
    """Yield a client of that pier's page."""
    with client_of(desk_of(site_path)) as client:
        yield client


@pytest.fixture(scope="session")
def started_browser() -> Iterator[Any]:
    """Yield a browser that is started once."""
    with chromium() as driver:
        yield driver


@pytest.fixture
def browser(started_browser: Any) -> Any:
    """Return a browser with a wide light screen, as on a desk, and nothing in its logs."""
    look(started_browser)
    started_browser.get_log("performance")
    started_browser.get_log("browser")
    return started_browser


@pytest.fixture(scope="session")
def database_server() -> Iterator[str]:
    """Yield the URL of a database server that is started once, DATABASE in the place of a database's name."""
    with running_server() as url:
        yield url


@pytest.fixture(scope="session")
def reports(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the reports of a long record north and south, and of one night; only read them."""
    folder = tmp_path_factory.mktemp("reports")
    for name, analysis in {"rich": rich(), "south": rich(-33.9), "one night": invented(47.3, 1)}.items():
        (folder / f"{name}.html").write_text(report_html(analysis), encoding="utf-8")
    return folder
