"""A file is written whole or not at all, and what a kill left half written is cleared by the next write."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from drift.site.text import STALE_S, write_whole


@pytest.mark.parametrize("age_s", [0.0, 2.0 * STALE_S])
def test_what_a_kill_left_is_cleared_by_the_next_write_once_it_is_old(tmp_path: Path, age_s: float) -> None:
    left = tmp_path / ".pier.toml.0123abcd.new"
    left.write_text("half")
    when = left.stat().st_mtime - age_s
    os.utime(left, (when, when))
    write_whole(tmp_path / "pier.toml", b"whole", replace=True)
    assert (tmp_path / "pier.toml").read_bytes() == b"whole"
    assert left.exists() == (age_s < STALE_S)  # a younger one may be another program's at work


def test_a_file_that_is_there_is_not_written_over(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"first")
    with pytest.raises(FileExistsError):
        write_whole(tmp_path / "a", b"second", replace=False)
    assert [one.name for one in tmp_path.iterdir()] == ["a"]
    assert (tmp_path / "a").read_bytes() == b"first"
