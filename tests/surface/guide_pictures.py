"""Draws the pictures of `drift/guide` from the demo: ``python tests/surface/guide_pictures.py``.

`level.svg` is not drawn here: it is a sketch, made by hand.  With ``--page`` the README's picture of the
page is taken instead, by a browser.
"""

from __future__ import annotations

import re
import sys
import tempfile
from datetime import datetime
from pathlib import Path

import drift
from drift import api
from drift.importer.importing import import_files
from drift.render.catalogue import picture_named
from drift.render.drawing import inline_svg, small_svg
from drift.render.figures import sky_chart
from drift.render.figures.canvas import PHONE_IN

GUIDE = Path(drift.__file__).parent / "guide"
SAMPLES = GUIDE.parent.parent / "sample_logs"
#: Picture of the catalogue -> file of the guide; all of the whole demo.
OF_THE_DEMO = {"strip": "strip", "seasons": "winter", "event-1": "cant-tell", "corrections": "correction"}
#: How things stand five days after the demo's last night is what the README shows, in a window so large.
FIVE_DAYS_ON_US = int(datetime.fromisoformat("2026-07-20T06:00:00Z").timestamp() * 1e6)
PAGE_PIXELS = (1120, 960)
#: The demo's first nights are up to here, and on this evening its fields are chosen.
FIRST_NIGHTS, EVENING = "2022-09-23", "2026-07-18T14:00:00Z"


def analysed(folder, until=""):
    """Return the site, the readings and the analysis of the demo, or of its solves up to a day."""
    site_path = folder / "pier.toml"
    site_path.write_text((SAMPLES / "pier.toml").read_text())
    logs = SAMPLES
    if until:
        lines = (SAMPLES / "solves.csv").read_text().splitlines(keepends=True)
        logs = folder / "solves.csv"
        logs.write_text("".join([lines[0], *(line for line in lines[1:] if line < until)]))
    site = api.read_site(site_path)
    with api.open_record(site) as record:
        list(import_files(record, sorted(SAMPLES.glob("*.csv")) if logs is SAMPLES else [logs]))
        readings = record.readings()
        return site, readings, api.analyse_readings(site, readings)


def write(name, svg):
    (GUIDE / f"{name}.svg").write_text(re.sub(r"(?<=[>])(?=<g id=)", "\n", svg) + "\n", encoding="utf-8")


def main():
    with tempfile.TemporaryDirectory() as folder:
        site, readings, whole = analysed(Path(folder))
    for picture, name in OF_THE_DEMO.items():
        write(name, small_svg(picture_named(whole, picture), whole)[0])
    tonight = api.fields_tonight(site, readings, at_us=int(datetime.fromisoformat(EVENING).timestamp() * 1e6))
    chart = sky_chart.figure(tonight, width_in=PHONE_IN)
    write("solves", inline_svg(chart, "solves", "Which fields to solve", sky_chart.describe(tonight)))
    with tempfile.TemporaryDirectory() as folder:
        few = analysed(Path(folder), FIRST_NIGHTS)[2]
    write("first-night", small_svg(picture_named(few, "axis"), few)[0])


def take_page():
    """Take the README's picture of the page, as it stands five days after the demo's last night."""
    from drift.record import engine

    engine.now_us = lambda: FIVE_DAYS_ON_US  # before the page takes the name from there
    from browser_world import chromium, look
    from test_page_browser import served

    with tempfile.TemporaryDirectory() as folder, chromium() as browser:
        analysed(Path(folder))
        browser.set_page_load_timeout(120)
        look(browser, PAGE_PIXELS[0])
        with served(Path(folder) / "pier.toml") as address:
            while "Has it moved?" not in browser.page_source:
                browser.get(address)
        size = {"width": PAGE_PIXELS[0], "height": PAGE_PIXELS[1], "deviceScaleFactor": 1, "mobile": False}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        browser.execute_script("document.documentElement.style.overflow = 'hidden'")
        browser.save_screenshot(str(SAMPLES / "pictures" / "page.png"))


if __name__ == "__main__":
    take_page() if "--page" in sys.argv else main()
