"""Files that came through a form: kept in a folder of their own for as long as they are asked about."""

from __future__ import annotations

import shutil
import tempfile
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import IO

#: Signs that some system gives a meaning in names.
_NOT_IN_NAMES = '<>:"|?*'
#: No system takes longer names [bytes].
_LONGEST_NAME = 150


@dataclass(frozen=True)
class Upload:
    """A file that came: what it is called, and where it lies meanwhile."""

    name: str
    path: Path


def safe_name(given: str) -> str:
    """Return the last part of a name that a browser gave, without anything that leads elsewhere."""
    last = given.replace("\\", "/").split("/")[-1]
    plain = "".join(
        "_" if sign in _NOT_IN_NAMES else sign for sign in last if unicodedata.category(sign)[0] != "C"
    )
    plain = plain.strip().lstrip(".").strip()
    while len(plain.encode()) > _LONGEST_NAME:
        stem, dot, ending = plain.rpartition(".")
        plain = stem[:-1] + dot + ending if stem else plain[:-1]
    return plain or "upload"


class UploadFolder:
    """A folder for the files of one upload, open to nobody else, and gone when it is closed."""

    def __init__(self) -> None:
        self.path = Path(tempfile.mkdtemp(prefix="drift-upload-"))
        self.files: list[Upload] = []

    def take(self, given_name: str, content: IO[bytes]) -> None:
        """Keep a file; all lie together, but for those of a name that is there already."""
        name = safe_name(given_name)
        place = self.path
        if (place / name).exists():
            place = self.path / f"again {len(self.files)}"
            place.mkdir(mode=0o700)
        with (place / name).open("xb") as file:
            shutil.copyfileobj(content, file)
        self.files.append(Upload(name, place / name))

    def without_place(self, sentence: str) -> str:
        """Return a message without the folder, which says nothing to people."""
        for one in self.files:
            sentence = sentence.replace(str(one.path), one.name)
        return sentence.replace(f"{self.path}/", "").replace(str(self.path), "the upload")

    def close(self) -> None:
        """Remove the folder with all in it."""
        shutil.rmtree(self.path, ignore_errors=True)
