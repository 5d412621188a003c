"""Debian's Chromium without a window, driven by Selenium, for the tests that look at pages as people do."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager

from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
MISSING = not (CHROMIUM and DRIVER)
WHY_MISSING = "no browser: install Debian's packages chromium and chromium-driver to run these"
#: How long a page may take on a loaded machine before a test gives up [s].
PATIENCE_S = 60
#: A browser that is started asks its maker for updates unless it is told not to.
QUIET = (
    "--headless=new",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-sync",
    "--no-first-run",
    "--lang=en-US",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)


@contextmanager
def chromium() -> Iterator[webdriver.Chrome]:
    """Start a browser, and end it."""
    options = Options()
    options.binary_location = CHROMIUM
    for flag in (*QUIET, *(["--no-sandbox"] if os.geteuid() == 0 else [])):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    driver.set_page_load_timeout(PATIENCE_S)
    try:
        yield driver
    finally:
        driver.quit()
