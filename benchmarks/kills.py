"""Kill drift at random moments, and see that nothing is lost, half done or left lying about.

    python benchmarks/kills.py [--kills 1000] [--seconds 3600] [--seed 1]

Each round begins one command in a process of its own - an import, something recorded by hand, an undoing,
mended rows put back, a backup, a restore, the place put right, a new site file - and kills it (SIGKILL)
after a random time, up to a little longer than it takes. Then the record is opened anew: the database's own
check, the digest and the state of every row, no file left behind, and the rows of each command there wholly
or not at all. At the end every row in use must lead to the line of the file that it came from, with the
very text that stands there.

A process is forked from one that has loaded everything, so that a kill hits the work and not the loading.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "surface")]

from record_world import SITE_TEXT, SOLVES_HEADER, site_file, solve_rows, write_log  # noqa: E402

from drift.cli.main import main as drift  # noqa: E402
from drift.importer import by_hand, mending  # noqa: E402, F401  (loaded before forking)
from drift.record import keeping, undo  # noqa: E402, F401
from drift.record.record import Record  # noqa: E402
from drift.site.file import load_pier  # noqa: E402

#: Rows of one log; one import brings one log of so many rows and one of as many.
LOG_ROWS = 400
NEW_PLACE, OLD_PLACE = "-92.5", "-92.4"


def run(arguments: list[str]) -> int:
    """Run a command in this process, silently."""
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        try:
            drift(arguments)
        except SystemExit as left:
            return int(left.code or 0)
    return 0


def apart(work: Callable[[], object], after_s: float | None = None) -> tuple[bool, str]:
    """Do some work in a process of its own, killed after a time; return whether it ended, and its result."""
    reader, writer = os.pipe()
    child = os.fork()
    if not child:
        os.close(reader)
        try:
            said = json.dumps(work())
        except BaseException as error:
            said = json.dumps({"error": f"{type(error).__name__}: {error}"})
        os.write(writer, said.encode())
        os._exit(0)
    os.close(writer)
    if after_s is not None:
        time.sleep(after_s)
        os.kill(child, signal.SIGKILL)
    with os.fdopen(reader) as file:
        said = file.read()
    _, status = os.waitpid(child, 0)
    return not os.WIFSIGNALED(status), said


class World:
    """A pier with its record, and what may be done to it."""

    def __init__(self, folder: Path, rng: random.Random) -> None:
        self.folder, self.rng = folder, rng
        self.pier = site_file(folder, SITE_TEXT)
        self.logs = folder / "logs"
        self.logs.mkdir()
        self.made = 0
        self.durations: dict[str, float] = {}

    def command(self) -> tuple[str, list[str]]:
        """Choose what is done next."""
        pier = ["--pier", str(self.pier)]
        self.made += 1
        name = self.rng.choice(
            ["import", "import", "record", "undo", "put-back", "backup", "restore", "site", "init", "status"]
        )
        backup = str(self.folder / "backup.sqlite")
        if name == "import":
            first = f"20{10 + self.made % 14}-{1 + self.made % 12:02d}-01T02:00:00"
            rows = solve_rows(LOG_ROWS, first, 20.0, self.made)
            rows[7] = rows[7].replace("Z,", "X,", 1)  # one to mend
            return name, [
                "import",
                str(write_log(self.logs / f"{self.made}.csv", SOLVES_HEADER, rows)),
                *pier,
            ]
        if name == "record":
            when = f"2024-04-01T00:00:00.{self.made:06d}Z"
            return name, ["record", "tighten", "--time", when, *pier]
        if name == "undo":
            numbers = apart(lambda: self._undoable())[1]
            found = json.loads(numbers)
            return name, ["undo", str(self.rng.choice(found) if found else 1), *pier]
        if name == "put-back":
            mend = self.folder / "mend"
            shutil.rmtree(mend, ignore_errors=True)
            apart(lambda: run(["aside", "export", str(mend), *pier]))
            for file in mend.glob("*.csv") if mend.exists() else ():
                file.write_text(file.read_text().replace("X,", "Z,"))
            files = [str(one) for one in mend.glob("*.csv")] if mend.exists() else [str(mend / "none.csv")]
            return name, ["aside", "put-back", *files, *pier]
        if name == "backup":
            return name, ["backup", "--replace", backup, *pier]
        if name == "restore":
            return name, ["restore", backup, *pier]
        if name == "site":
            there = load_pier(self.pier).site.longitude_deg
            return name, [
                "site",
                "--longitude-deg",
                OLD_PLACE if there != float(OLD_PLACE) else NEW_PLACE,
                *pier,
            ]
        if name == "init":
            place = ["--latitude-deg", "1", "--longitude-deg", "2", "--elevation-m", "3"]
            new = self.folder / "new"
            new.mkdir(exist_ok=True)
            force = ["--force"] if (new / "pier.toml").exists() else []
            return name, ["init", *place, *force, "--pier", str(new / "pier.toml")]
        return name, ["record", "check", "--clear-cache", *pier]

    def _undoable(self) -> list[int]:
        with Record.open(load_pier(self.pier)) as record:
            return [one.number for one in record.imports()][-5:]

    def opened(self) -> Record:
        """Open the record; one whose place was put right and whose site file was not yet is taken along."""
        try:
            return Record.open(load_pier(self.pier))
        except Exception:
            there = load_pier(self.pier).site
            place = ["--latitude-deg", str(there.latitude_deg), "--longitude-deg", str(there.longitude_deg)]
            assert run(["site", *place, "--pier", str(self.pier)]) == 0
            return Record.open(load_pier(self.pier))

    def check(self) -> dict[str, object]:
        """Look at everything after a kill."""
        wrong = []
        new = self.folder / "new" / "pier.toml"
        if new.exists():
            load_pier(new)
        with self.opened() as record:
            found = keeping.check(record)
            if not found.sound:
                wrong.append(f"not sound: {found}")
            held = Counter((row.file, row.state) for row in record.held("solves"))
            for (file, state), count in held.items():
                if file.endswith("-to-mend.csv"):
                    continue
                if not (state == "withdrawn" or count >= LOG_ROWS - 1):
                    others = sum(number for (one, _), number in held.items() if one == file)
                    if others < LOG_ROWS - 1:
                        wrong.append(f"{file}: {count} rows {state}")
        left = [one.name for one in self.folder.iterdir() if one.name.startswith(".")]
        left += [one.name for one in (self.folder / "new").glob(".*")]
        return {"wrong": wrong, "left": left}

    def is_cleared(self, left: str) -> bool:
        """Tell whether the next command of its kind clears what a kill left, once it is old enough."""
        path = self.folder / left
        if path.exists():
            os.utime(path, (0, 0))
            if left.startswith(f".{self.pier.name}."):
                apart(lambda: run(["site", "--name", "a pier", "--pier", str(self.pier)]))
        elif (self.folder / "new" / left).exists():
            place = ["--latitude-deg", "1", "--longitude-deg", "2", "--elevation-m", "3", "--force"]
            apart(lambda: run(["init", *place, "--pier", str(self.folder / "new" / "pier.toml")]))
        apart(
            lambda: run(["backup", "--replace", str(self.folder / "backup.sqlite"), "--pier", str(self.pier)])
        )
        return not path.exists() and not (self.folder / "new" / left).exists()

    def origins(self) -> dict[str, object]:
        """Lead every row in use to its line, and see that it stands there."""
        lines: dict[str, list[str]] = {}
        wrong = rows = 0
        with self.opened() as record:
            readings = record.readings()
            for kind in ("solves", "corrections"):
                ids = readings[kind]["row_id"].tolist()
                for _, (file, line, raw) in record.where(ids).items():
                    rows += 1
                    if not Path(file).is_file():  # typed by hand, or a file to mend that was written over
                        continue
                    text = lines.setdefault(file, Path(file).read_text().split("\n"))
                    if Path(file).parent == self.logs and text[line - 1] != raw:
                        wrong += 1
        return {"rows": rows, "wrong": wrong}


def main() -> None:
    """Run the campaign and print its counts."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--seconds", type=float, default=3600.0)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    rng = random.Random(given.seed)
    killed, finished = Counter[str](), Counter[str]()
    faults: list[str] = []
    leftovers: Counter[str] = Counter()
    end = time.monotonic() + given.seconds
    with tempfile.TemporaryDirectory(prefix="drift-kills-") as name:
        world = World(Path(name), rng)
        for start in ("import", "record", "backup"):
            while (chosen := world.command())[0] != start:
                pass
            apart(lambda chosen=chosen: run(chosen[1]))
        while killed.total() < given.kills and time.monotonic() < end:
            what, arguments = world.command()
            began = time.monotonic()
            limit = world.durations.get(what)
            ended, said = apart(
                lambda arguments=arguments: run(arguments),
                None if limit is None else rng.uniform(0, 1.1 * limit),
            )
            if limit is None:
                world.durations[what] = time.monotonic() - began
            (finished if ended else killed)[what] += 1
            if "error" in said:
                faults.append(f"{what}: {said}")
            _, looked = apart(world.check)
            found = json.loads(looked)
            if "error" in found:
                faults.append(f"after {what}: {found['error']}")
                continue
            faults += [f"after {what}: {one}" for one in found["wrong"]]
            if found["left"]:
                leftovers[what] += 1
                faults += [f"left by {what}: {one}" for one in found["left"] if not world.is_cleared(one)]
        origins = json.loads(apart(world.origins)[1])
    print(
        f"{killed.total()} kills ({', '.join(f'{what} {count}' for what, count in sorted(killed.items()))})"
    )
    print(f"{finished.total()} commands that ended before they were killed")
    print(
        f"{len(faults)} faults; half a copy left by {dict(leftovers)}, which the next one of its kind cleared"
    )
    print(f"{origins} (every row in use led to its line)")
    for one in faults[:20]:
        print(f"  {one}")
    sys.exit(bool(faults))


if __name__ == "__main__":
    main()
