"""An evening whose program is killed again and again while solves come in: none is lost or doubled."""

import os
import random
import signal
import subprocess
import sys
import time

from record_world import PATIENCE_S
from test_evening_browser import Telescope, site_text

from drift.api import fields_tonight, open_record, read_site
from drift.tonight.follow import list_key

PROGRAM = "from drift.cli.main import main; main()"
SOLVES = 5
#: From the program's start to its end by force: from before it has loaded its libraries to well into the
#: import of a file [s].
LEAST_S, MOST_S = 0.5, 6.0


def following(path):
    return subprocess.Popen(
        [
            sys.executable,
            "-c",
            "from drift.cli.main import main; main()",
            "tonight",
            "--follow",
            "--pier",
            path,
        ],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
        start_new_session=True,
    )


def killed(child, after_s):
    time.sleep(after_s)
    os.killpg(child.pid, signal.SIGKILL)
    child.wait(timeout=PATIENCE_S)


def solves_of(path):
    with open_record(read_site(path)) as record:
        return record.readings()["solves"]


def list_of(path):
    site = read_site(path)
    with open_record(site) as record:
        return record.kept_field_plan(list_key(site, time.time_ns() // 1000))


def test_what_came_in_is_there_once_however_often_the_program_is_killed(tmp_path):
    longitude, text = site_text()
    path = tmp_path / "pier.toml"
    path.write_text(text)
    (tmp_path / "solved").mkdir()
    telescope = Telescope(tmp_path / "solved", longitude)
    drawn = random.Random(16)
    try:
        site = read_site(path)
        with open_record(site) as record:
            made = fields_tonight(site, record.readings(), record, at_us=time.time_ns() // 1000)
        lists = []
        for one in made.evening.fields[:SOLVES]:
            child = following(path)
            tube = "east" if one.side > 0 else "west"
            telescope.solve({"bearing": one.azimuth_deg, "altitude": one.altitude_deg, "tube": tube})
            killed(child, drawn.uniform(LEAST_S, MOST_S))
            lists.append(list_of(path))
        child = following(path)
        try:
            end = time.monotonic() + PATIENCE_S
            while len(solves_of(path)) < SOLVES and time.monotonic() < end:
                time.sleep(0.5)
        finally:
            killed(child, 0.0)
    finally:
        telescope.close()
    solves = solves_of(path)
    assert len(solves) == SOLVES
    assert solves["time_us"].is_unique
    kept = {one for one in lists if one is not None}
    assert len(kept) == 1, "the list of the evening was made anew after a kill"
