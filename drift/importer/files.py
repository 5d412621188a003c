"""Files and folders -> the record, each file by itself: what came of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from drift.errors import LogFileError
from drift.ingest.fits_log import has_fits_name, is_image
from drift.ingest.formats import suffixes
from drift.notices import IngestCode, Notice, RecordCode, info, warning
from drift.readings import LogRead, RowSetAside
from drift.record.aside import key_of
from drift.record.writing import Added
from drift.site.file import DEFAULT_NAME


@dataclass(frozen=True)
class FileImported:
    """A file whose rows are in the record, and what was found on the way."""

    file: str
    kind: str
    why: Notice
    went_in: int
    already_there: int
    twice_in_file: int
    set_aside: tuple[RowSetAside, ...]
    left_out: tuple[RowSetAside, ...]
    remarks: tuple[Notice, ...]


@dataclass(frozen=True)
class FileRefused:
    """A file that can't be read at all, and why."""

    file: str
    error: LogFileError


@dataclass(frozen=True)
class FilesFound:
    """The log files under what was given, those passed over, and what could not be found.

    `images` are plate-solved images, those of a folder one log.  `others` are folders
    with a site file of their own: logs of other piers, passed over.
    """

    logs: tuple[Path, ...]
    skipped: tuple[Path, ...]
    refused: tuple[FileRefused, ...]
    others: tuple[Path, ...] = ()
    images: tuple[Path, ...] = ()


def outcome(log: LogRead, added: Added) -> FileImported:
    """Put together what reading a file and adding it to the record gave."""
    aside = tuple(row for row in log.set_aside if key_of(row) not in added.settled)
    left_out = tuple(row for row in log.left_out if key_of(row) not in added.settled)
    settled = len(log.set_aside) + len(log.left_out) - len(aside) - len(left_out)
    since = (info(RecordCode.SETTLED_SINCE, rows=settled),) if settled else ()
    return FileImported(
        file=log.name,
        kind=log.kind,
        why=log.why,
        went_in=added.went_in,
        already_there=added.already_there,
        twice_in_file=added.twice_in_file,
        set_aside=aside,
        left_out=left_out,
        remarks=(*log.remarks, *added.remarks, *since),
    )


def find_logs(given: Iterable[Path], site_file: Path | None = None) -> FilesFound:
    """Find the logs to import: files as they are given, of folders all tables and images at any depth.

    In folders, tables are known by their names' endings (`drift.ingest.formats.suffixes`), and so are FITS
    images (`drift.ingest.fits_log.has_fits_name`).

    A folder below a given one that holds a site file other than `site_file`
    belongs to another pier and is passed over, unless it is given itself.
    """
    logs: dict[Path, None] = {}
    skipped: list[Path] = []
    refused: list[FileRefused] = []
    others: dict[Path, None] = {}
    images: dict[Path, None] = {}
    for path in given:
        if not _is_folder(path):
            (images if is_image(path) else logs)[path] = None
            continue
        strange = _other_piers(path, site_file)
        others.update(dict.fromkeys(strange))
        inside = sorted(one for one in path.rglob("*") if _is_file(one) and not _hidden(one, path))
        inside = [one for one in inside if not any(one.is_relative_to(folder) for folder in strange)]
        found = [one for one in inside if one.suffix.lower() in suffixes()]
        pictures = [one for one in inside if has_fits_name(one)]
        known = {*found, *pictures}
        skipped += [one for one in inside if one not in known]
        logs.update(dict.fromkeys(found))
        images.update(dict.fromkeys(pictures))
        if not known:
            endings = ", ".join(sorted(suffixes())[1:])
            error = LogFileError(
                f"{path} holds no .csv file (nor {endings}, nor FITS images): there is nothing to import."
            )
            refused.append(FileRefused(str(path), error))
    return FilesFound(tuple(logs), tuple(skipped), tuple(refused), tuple(others), tuple(images))


def of_another_pier(path: Path, site_file: Path | None) -> Notice | None:
    """Remark on a file that lies with another pier's site file; None when there is nothing to remark on.

    The nearest site file in the folders above it is looked at.
    """
    if site_file is None:
        return None
    for folder in path.resolve().parents:
        other = folder / DEFAULT_NAME
        if _is_file(other):
            if other == site_file.resolve():
                return None
            return warning(IngestCode.OTHER_PIERS_FILE, site_file=str(other))
    return None


def _other_piers(folder: Path, site_file: Path | None) -> list[Path]:
    """Return the folders below `folder` that hold another pier's site file."""
    own = site_file.resolve() if site_file else None
    files = (one for one in folder.rglob(DEFAULT_NAME) if _is_file(one) and one.parent != folder)
    return sorted(one.parent for one in files if one.resolve() != own)


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:  # it may not be looked at: reading it says why
        return False


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # a link into a folder that may not be entered: if it is a log, reading it says why
        return path.suffix.lower() in suffixes()


def _hidden(path: Path, folder: Path) -> bool:
    return any(part.startswith(".") for part in path.relative_to(folder).parts)
