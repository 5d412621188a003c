"""logs.toml written by several programs at once: nothing that one of them keeps is lost."""

import subprocess
import sys
import time
from pathlib import Path

import pytest
from record_world import PATIENCE_S

from drift.errors import LogFileError
from drift.ingest.fits_mapping import read_fits_mapping
from drift.ingest.mapping import ColumnFrom, Mapping, MappingFile, change_text

#: So many mappings each of two programs keeps.
KEPT = 25
KEEP = f"""
import sys, time
from pathlib import Path
from dataclasses import replace
from drift.ingest.fits_mapping import store_fits_mapping, read_fits_mapping
from drift.ingest.mapping import ColumnFrom, Mapping, MappingFile
site, who = Path(sys.argv[1]), sys.argv[2]
columns = {{"time_utc": ColumnFrom(("t",)), "az_error_arcmin": ColumnFrom((f"a {{who}}",)),
           "alt_error_arcmin": ColumnFrom(("h",))}}
mapping = Mapping("alignments", ("t", f"a {{who}}", "h"), columns)
kept = MappingFile.beside(site)
toml = site.parent / "logs.toml"
before = read_fits_mapping(toml)
print("ready", flush=True)
while not (site.parent / "go").exists():
    time.sleep(0.001)
for number in range({KEPT}):
    kept.keep(f"shared {{number}}", mapping)
    now = replace(before, **{{who: f"K{{number}}"}})
    store_fits_mapping(toml, now, before)
    before = now
"""


def test_two_programs_keep_mappings_at_once_and_none_is_lost(tmp_path: Path) -> None:
    """Both want the same names: the later one of each pair takes the next free one."""
    site = tmp_path / "pier.toml"
    programs = [
        subprocess.Popen(
            [sys.executable, "-c", KEEP, str(site), who],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for who in ("session", "run")
    ]
    for one in programs:
        assert one.stdout is not None and one.stdout.readline() == "ready\n"
    (tmp_path / "go").touch()
    for one in programs:
        _, told = one.communicate(timeout=PATIENCE_S)
        assert (one.returncode, told) == (0, "")
    found = MappingFile.beside(site).mappings
    assert len(found) == 2 * KEPT
    for who in ("session", "run"):
        assert sum(one.header[1] == f"a {who}" for one in found.values()) == KEPT
    fits = read_fits_mapping(tmp_path / "logs.toml")
    assert (fits.session, fits.run) == (f"K{KEPT - 1}", f"K{KEPT - 1}")


def test_a_program_that_is_killed_while_it_changes_the_file_leaves_it_whole_and_free(tmp_path: Path) -> None:
    path = tmp_path / "logs.toml"
    path.write_text("# as it was\n")
    hang = (
        "import sys, time\nfrom pathlib import Path\nfrom drift.ingest.mapping import change_text\n"
        "def change(old):\n    print('in', flush=True)\n    time.sleep(600)\n"
        "change_text(Path(sys.argv[1]), change)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", hang, str(path)], stdout=subprocess.PIPE, text=True
    ) as program:
        assert program.stdout is not None and program.stdout.readline() == "in\n"
        try:
            with pytest.raises(LogFileError, match=r"another program .* changing .*logs\.toml for 0\.1 s"):
                change_text(path, lambda old: old + "# lost\n", patience_s=0.1)
        finally:
            program.kill()
    assert path.read_text() == "# as it was\n"
    began = time.monotonic()
    change_text(path, lambda old: old + "# more\n", patience_s=PATIENCE_S)
    assert time.monotonic() - began < PATIENCE_S
    assert path.read_text() == "# as it was\n# more\n"


def test_what_fails_leaves_the_file_as_it_was(tmp_path: Path) -> None:
    site = tmp_path / "pier.toml"
    path = tmp_path / "logs.toml"
    mapping = Mapping("alignments", ("t",), {"time_utc": ColumnFrom(("t",))})
    kept = MappingFile.beside(site)
    path.write_text("[tables\n")  # spoiled by hand since it was read
    with pytest.raises(LogFileError, match="not valid TOML"):
        kept.keep("mine", mapping)
    assert path.read_text() == "[tables\n"
    assert [one.name for one in tmp_path.iterdir() if one.name.startswith(".logs")] == [".logs.toml.lock"]
