"""The folder of a demo: what may be written over, and what is put there."""

from __future__ import annotations

import json
from pathlib import Path

from drift.demo.csv_text import FILES
from drift.demo.samples import Sample, sample_texts
from drift.demo.truth import TRUTH_FORMAT
from drift.demo.write import SITE_NAME, TRUTH_NAME, write_texts
from drift.errors import DriftError

LOGS = "logs"
REPORT_NAME = "report.html"
_BOOK_NAME = "drift-book.sqlite"
_BOOK_FILES = tuple(_BOOK_NAME + end for end in ("", "-wal", "-shm", "-journal"))


def clear_folder(folder: Path) -> None:
    """Make room in `folder` for a demo: it may be new, empty or an earlier demo's.

    Of an earlier demo only the files that a demo makes are taken away.

    Raises
    ------
    drift.errors.DriftError
        If anything else is in it; names the folder and what to do.
    """
    if folder.exists() and not folder.is_dir():
        raise DriftError(f"{folder} is a file.  Name a new folder for the demo, as in `drift demo my-demo`.")
    if not folder.exists() or not any(folder.iterdir()):
        return
    if not _is_demo(folder):
        raise DriftError(
            f"the folder {folder} is not empty and was not made by an earlier demo, so it is left alone.  "
            "Name another folder, as in `drift demo my-demo`."
        )
    ours = [folder / name for name in (SITE_NAME, TRUTH_NAME, REPORT_NAME, *_BOOK_FILES)]
    ours += [folder / LOGS / name for name in FILES.values()]
    try:
        for path in ours:
            path.unlink(missing_ok=True)
    except OSError as error:
        raise DriftError(
            f"{error.filename} of the earlier demo can't be taken away ({error.strerror}).  Close what has "
            "it open, or name another folder."
        ) from error


def _is_demo(folder: Path) -> bool:
    try:
        said = json.loads((folder / TRUTH_NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(said, dict) and said.get("format") == TRUTH_FORMAT


def put_logs(folder: Path, sample: Sample) -> str:
    """Write a sample's logs and truth into `folder`; return the text of its filled-in site file.

    Raises
    ------
    drift.errors.DriftError
        If something can't be written.
    """
    texts = sample_texts(sample)
    logs = {name: text for name, text in texts.items() if name in FILES.values()}
    try:
        write_texts(folder, {TRUTH_NAME: texts[TRUTH_NAME]})
        write_texts(folder / LOGS, logs)
    except OSError as error:
        raise DriftError(
            f"{error.filename} can't be written ({error.strerror}).  Name a folder that is open for writing "
            "and has room, as in `drift demo my-demo`."
        ) from error
    return texts[SITE_NAME]
