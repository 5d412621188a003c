"""Time the pages of a ten-year book, part by part, and from asking to seeing in a browser.

    python benchmarks/page.py [--years 10] [--nights 2000] [--solves 25]

The server runs as a program of its own, as it does for its owner, and is warm: it has answered once.  The
goal is a first useful page, verdict and first pictures, within 1 s.  Seconds of the clock; on a machine
that does other work as well they are too many.
"""

from __future__ import annotations

import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from long_record import asked_size, written_logs
from starlette.requests import Request

from drift.api import open_record, read_site
from drift.importer.importing import import_files
from drift.render.report import said
from drift.web import views
from drift.web.current import Keeper, PageState
from drift.web.guard import Rules
from drift.web.views import news_of

GOAL_S = 1.0
TRIES = 7
PAGES = (
    "/",
    "/history",
    "/nights",
    "/seasons/2019-20",
    "/record",
    "/import",
)
_START = "import sys; from drift.cli.main import main; main(sys.argv[1:])"


def record(folder: Path, years: float, nights: int, solves: int) -> Path:
    """Make logs of some years, import all of them, and return the site file."""
    written = written_logs(folder, years, nights, solves)
    site = folder / "pier.toml"
    with open_record(read_site(site)) as record:
        list(import_files(record, sorted(path for path in written if path.suffix == ".csv")))
    return site


@contextmanager
def served(site: Path) -> Iterator[str]:
    """Run `drift serve` and yield its address."""
    said_so = [sys.executable, "-c", _START, "serve", "--port", "0", "--pier", str(site)]
    program = subprocess.Popen(said_so, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    try:
        assert program.stdout is not None
        yield program.stdout.readline().strip().rstrip("/")
    finally:
        program.terminate()
        program.wait()


def asked(address: str) -> bytes:
    """Return what is at an address, once the answer stands."""
    while True:
        with urllib.request.urlopen(address) as analysis:
            text = analysis.read()
            if analysis.headers["Refresh"] is None:
                return text
        time.sleep(0.2)


def median_s(work: Callable[[], object]) -> float:
    """Return the median time of some tries [s]."""
    took = []
    for _ in range(TRIES):
        start = time.perf_counter()
        work()
        took.append(time.perf_counter() - start)
    return statistics.median(took)


def took_s(what: str, seconds: float, goal: float | None = None) -> None:
    """Print how long something took."""
    print(f"{what:<62} {seconds:7.2f} s" + ("" if goal is None else f"   goal {goal:g} s"))


def parts(site: Path) -> None:
    """Print what the first page is made of, in this program."""
    desk = PageState(Keeper(site), Rules(), patience_s=600.0)
    analysis, standing, _ = desk.analysis()
    record = desk.pier()[1]
    while standing.drawings.ahead:  # all pictures are being drawn beforehand
        time.sleep(0.1)
    scope = {"type": "http", "method": "GET", "path": "/", "query_string": b"", "headers": []}
    scope |= {"server": ("127.0.0.1", 80), "scheme": "http"}
    request = Request(scope)
    told = {
        "has anything changed?": desk.standing,
        "what is new since the last acknowledgement": lambda: news_of(analysis, record),
        "words and tables of the report": lambda: said(analysis),
        "pictures, drawn before": lambda: [standing.drawings.named(one) for one in ("axis", "tilt")],
        "the whole first page": lambda: views.now(desk, request),
    }
    print("in the program:")
    for what, work in told.items():
        print(f"  {what:<46} {1000 * median_s(work):8.1f} ms")
    desk.keeper.close()


def seen_s(address: str) -> float | None:
    """Return when a browser had painted the largest part of the first page [s]; None without a browser."""
    chromium, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if not (chromium and driver):
        return None
    from selenium import webdriver
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    options = Options()
    options.binary_location = chromium
    for flag in ("--headless=new", "--no-sandbox", "--disable-dev-shm-usage", "--window-size=1000,800"):
        options.add_argument(flag)
    browser = webdriver.Chrome(options=options, service=Service(driver))
    try:
        took = []
        for _ in range(TRIES):
            browser.get(address)
            took.append(
                browser.execute_async_script(
                    "const done = arguments[0]; new PerformanceObserver(list => "
                    "done(list.getEntries().at(-1).startTime / 1000))"
                    ".observe({type: 'largest-contentful-paint', buffered: true})"
                )
            )
        return statistics.median(took)
    finally:
        browser.quit()


def main() -> None:
    """Print the times."""
    options = asked_size(__doc__.splitlines()[0], 10.0, 2000, 25)
    with tempfile.TemporaryDirectory() as folder:
        site = record(Path(folder), options.years, options.nights, options.solves)
        start = time.perf_counter()
        with served(site) as address:
            asked(f"{address}/")
            took_s("from starting the program to the first page, nothing kept", time.perf_counter() - start)
            asked(f"{address}/history")
            took_s("until all pictures are drawn", time.perf_counter() - start)
            for page in PAGES:
                took = median_s(lambda page=page: asked(address + page))
                size = len(asked(address + page)) / 1000
                goal = GOAL_S if page == "/" else None
                took_s(f"warm: {page}, {size:.0f} kB", took, goal)
            seen = seen_s(f"{address}/")
            if seen is not None:
                took_s("warm: first page painted in Chromium", seen, GOAL_S)
        parts(site)


if __name__ == "__main__":
    main()
