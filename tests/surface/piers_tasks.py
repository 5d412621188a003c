"""Tasks for the tests of work on several piers; children find this file by PYTHONPATH."""

import os
import time
from pathlib import Path

from drift.errors import RecordError, SiteFileError


def say(site_path, name, word="done"):
    """Return a word, and print one, which must not get in between."""
    print("a word between the messages")
    return f"{name} {word}"


def stay_once(site_path, name, marks, seconds=60.0):
    """Note the process that works on the pier; the first stays until it is killed, the second is quick."""
    mark = Path(marks) / name
    if not mark.exists():
        mark.write_text(str(os.getpid()))
        time.sleep(seconds)
    return name


def die(site_path, name, which):
    """End the process by which the pier `which` is worked on, each time."""
    if name == which:
        os.kill(os.getpid(), 9)
    return name


def fail(site_path, name, how, marks):
    """Fail: by an error that may pass (the first time only), by one that won't, or unforeseen."""
    with (Path(marks) / name).open("a") as tries:
        tries.write("x")
    if how == "refused":
        raise SiteFileError("a key is wrong")
    if how == "unforeseen":
        return 1 / 0
    if (Path(marks) / name).read_text() == "x":
        raise RecordError("the connection was lost")
    return name


def sleep(site_path, name, seconds):
    """Take a while."""
    time.sleep(seconds)
    return name


def process(site_path, name):
    """Return which process it is."""
    return os.getpid()
