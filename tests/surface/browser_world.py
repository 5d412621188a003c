"""Debian's Chromium without a window, driven by Selenium, for the tests that look at pages as people do."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from axe_core_python.base import AXE_SCRIPT
from record_world import PATIENCE_S
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
MISSING = not (CHROMIUM and DRIVER)
WHY_MISSING = "no browser: install Debian's packages chromium and chromium-driver to run these"
#: Height of a small phone's screen, and of a line of text [CSS pixels]; common practice.
PHONE_HEIGHT, LINE = 667, 24
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
    driver.set_script_timeout(PATIENCE_S)
    try:
        yield driver
    finally:
        driver.quit()


def look(browser: webdriver.Chrome, width: int = 1000, dark: bool = False) -> None:
    """Look at pages as on a screen of that width, on a light or a dark ground."""
    size = {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width < 500}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})


def runs_off(browser: webdriver.Chrome) -> list[str]:
    """Return the tables, but for those that are folded away, that hide columns beyond their edge."""
    return list(
        browser.execute_script(
            "return [...document.querySelectorAll('main .scroll:not(details *)')]"
            ".filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.ariaLabel)"
        )
    )


def looked_through(browser: webdriver.Chrome, left_out: Sequence[list[str]] = ()) -> dict[str, Any]:
    """Return what axe finds on a page, but for the parts left out; of a rule that is kept only that it is.

    To name each part of the page that keeps to a rule, axe takes as long as to look.
    """
    browser.execute_script(AXE_SCRIPT)
    found: dict[str, Any] = browser.execute_async_script(
        "axe.run({exclude: arguments[0]}, {resultTypes: ['violations']}).then(arguments[1])", list(left_out)
    )
    return found
