"""Run the product's commands on a world's logs; the only file that touches the product."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import shutil
import tempfile
import time
import traceback
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from logs import write_logs
from worlds import WORLDS, World

#: Files whose text decides what the logs hold: cached logs of other texts are not used.
MAKERS = ("sky.py", "geometry.py", "weather.py", "course.py", "sizes.py", "worlds.py", "logs.py")
LEVEL = "level.csv"
#: Stands for an exit code where a command let an exception through.
CRASHED = 70


@dataclass(frozen=True)
class Answered:
    """What a command said."""

    code: int
    out: str
    errors: str
    seconds: float  # of processor


def command(*words: str) -> Answered:
    """Run a drift command in this process."""
    from drift.cli.main import main

    out, err, began, code = io.StringIO(), io.StringIO(), time.process_time(), 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main(list(words))
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else int(end.code is not None)
        except Exception:
            code = CRASHED
            err.write(traceback.format_exc())
    spent = time.process_time() - began
    return Answered(code, out.getvalue(), err.getvalue(), spent)


@lru_cache(maxsize=1)
def makers_digest() -> str:
    """Return a digest of the texts that make the logs."""
    here = Path(__file__).parent
    return hashlib.sha256(b"".join((here / name).read_bytes() for name in MAKERS)).hexdigest()[:12]


def cached_logs(world: World, cache: Path) -> Path:
    """Return the folder of a world's logs, made once for each text of the makers."""
    folder = cache / makers_digest() / world.name / f"{world.seed:04d}"
    if not (folder / "pier.toml").exists():
        folder.parent.mkdir(parents=True, exist_ok=True)
        fresh = Path(tempfile.mkdtemp(dir=folder.parent))
        write_logs(world, fresh)
        with contextlib.suppress(OSError):  # another process was quicker
            fresh.rename(folder)
        if fresh.exists():
            shutil.rmtree(fresh)
    return folder


@lru_cache(maxsize=1)
def level_word() -> str:
    """Return what the program at hand calls a tilt in the headers of a level log."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "pier.toml").write_text("[site]\nlatitude_deg=45\nlongitude_deg=0\nelevation_m=0\n")
        (folder / LEVEL).write_text(
            "time_utc,tilt_north_arcsec,tilt_east_arcsec,place\n2020-01-01T12:00:00Z,1,2,pier\n"
        )
        said = command("import", str(folder / LEVEL), "--pier", str(folder / "pier.toml"))
    return "tilt" if said.code == 0 else "lean"


def prepared(world: World, cache: Path, folder: Path) -> list[Path]:
    """Put the site file into a fresh folder; return the logs to import."""
    made = cached_logs(world, cache)
    shutil.copy(made / "pier.toml", folder / "pier.toml")
    logs = []
    for path in sorted(made.glob("*.csv")):
        if path.name == LEVEL and level_word() != "tilt":
            text = path.read_text()
            path = folder / LEVEL
            path.write_text(text.replace("tilt_", f"{level_word()}_", 2))
        logs.append(path)
    return logs


@dataclass(frozen=True)
class Status:
    """The answer on a world's logs."""

    status: dict[str, Any] | None
    code: int
    seconds: float
    said: str = ""


def status_of(world: World, cache: Path) -> Status:
    """Import a world's logs into a fresh record and ask for the status."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        pier = str(folder / "pier.toml")
        logs = prepared(world, cache, folder)
        taken_in = command("import", *map(str, logs), "--pier", pier)
        if taken_in.code:
            return Status(None, taken_in.code, taken_in.seconds, taken_in.errors)
        said = command("status", "--json", "--pier", pier)
    if said.code:
        return Status(None, said.code, said.seconds, said.errors)
    return Status(json.loads(said.out), said.code, said.seconds)


def make(name: str, seed: int) -> World:
    """Draw a world."""
    return WORLDS[name](seed)


def default_cache() -> Path:
    """Return the folder in which logs are kept between runs."""
    return Path(tempfile.gettempdir()) / f"drift-worlds-{os.getuid() if hasattr(os, 'getuid') else 0}"
