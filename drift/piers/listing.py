"""Which piers belong together: a folder of site files, or a ``piers.toml`` that names them."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from drift.errors import DriftError, PierListError
from drift.record.engine import record_url
from drift.record.piers import pier_name
from drift.site.file import load_pier
from drift.site.text import DEFAULT_NAME, Place, spots_of, syntax_words

#: The list that is looked for in a folder.
LIST_NAME = "piers.toml"
#: Largest list [bytes]: a hundred thousand piers have some ten million.
_LARGEST = 20_000_000
#: Longest name of a pier, so that it can stand in an address and in a line.
LONGEST_NAME = 60
_FILES, _PIER, _WEATHER, _FILE, _NAME = "files", "pier", "weather", "file", "name"
_GLOBBED = "*?["


@dataclass(frozen=True, order=True)
class Listed:
    """One pier of a list: its name there, which no other has, and its site file."""

    name: str
    site_path: Path


@dataclass(frozen=True)
class PierList:
    """The piers of a list, by name, and the folders of weather logs that all of them share."""

    piers: tuple[Listed, ...]
    weather: tuple[Path, ...] = ()


def is_list(place: Path) -> bool:
    """Tell whether a path names several piers, and not one site file."""
    return place.is_dir() or place.name == LIST_NAME


def listed_piers(place: Path) -> tuple[Listed, ...]:
    """Return the piers of a folder or of a list, by name: see `pier_list`."""
    return pier_list(place).piers


def pier_list(place: Path) -> PierList:
    """Return the piers of a folder or of a list, and what they share.

    Parameters
    ----------
    place
        A ``piers.toml``, or a folder: the ``piers.toml`` in it, or else each ``pier.toml`` in it and in its
        subfolders, one level deep, under the name of its folder.

    Raises
    ------
    drift.errors.PierListError
        If there is none, the list is wrong, or two piers have the same name or the same record.
    """
    file = place / LIST_NAME if place.is_dir() else place
    found = _of_list(file) if file.is_file() else PierList(tuple(_of_folder(place)))
    _refuse_shared_record(found.piers, file if file.is_file() else place)
    return replace(found, piers=tuple(sorted(found.piers)))


def _of_folder(folder: Path) -> list[Listed]:
    if not folder.is_dir():
        raise PierListError(
            f"there is no list of piers {folder}.  Name a folder with site files in it or in its subfolders, "
            f"or a {LIST_NAME}; `drift guide clubs` shows one."
        )
    found = [path for path in (folder / DEFAULT_NAME, *folder.glob(f"*/{DEFAULT_NAME}")) if path.is_file()]
    if not found:
        raise PierListError(
            f"the folder {folder} has no site file: there is neither a {DEFAULT_NAME} in it or in one of its "
            f"subfolders, nor a {LIST_NAME} that says where they are.  `drift init --pier "
            f"{folder / 'west' / DEFAULT_NAME}` writes a first one; `drift guide clubs` shows a list."
        )
    piers = [Listed(_folder_name(path), path) for path in found]
    names = [pier.name for pier in piers]
    # the site file of the folder itself stands beside a subfolder of that folder's name
    return [
        replace(pier, name=f"{pier.name} (above)")
        if pier.site_path.parent == folder and names.count(pier.name) > 1
        else pier
        for pier in piers
    ]


def _folder_name(site_path: Path) -> str:
    """Return what a pier is called that nobody gave a name: by its folder, or by a file name of its own."""
    whole = site_path.absolute()
    return (whole.parent.name or "pier") if whole.name == DEFAULT_NAME else whole.stem


# ---- A list: `files`, an array of paths and patterns, [[pier]] with `file` and `name`, and `weather`.


@dataclass(frozen=True)
class _Text:
    """A list's text, with where everything stands in it."""

    path: Path
    spots: Mapping[Place, tuple[int, int]]

    def wrong(self, place: Place, why: str) -> PierListError:
        """Return the error about something in the list."""
        spot = next(
            (self.spots[place[:depth]] for depth in range(len(place), 0, -1) if place[:depth] in self.spots),
            (1, 1),
        )
        return PierListError(f"{self.path}, line {spot[0]}, column {spot[1]}: {why}")


def _of_list(path: Path) -> PierList:
    data, text = _read(path)
    for key in data:
        if key not in (_FILES, _PIER, _WEATHER):
            raise text.wrong(
                (key,),
                f"there is no key {key!r} in a list of piers.  It has `files`, an array of site files and "
                'patterns such as "*/pier.toml", a [[pier]] with `file` and `name` for each pier with a '
                "name of its own, and `weather`, an array of folders with weather logs that all piers share.",
            )
    named = _named(data.get(_PIER, []), text)
    taken = {pier.site_path.resolve() for pier, _ in named}
    found = [*named]
    for place, file in _strings(data.get(_FILES, []), (_FILES,), text):
        for one in _matching(path.parent, file, place, text):
            if one.resolve() not in taken:
                taken.add(one.resolve())
                found.append((Listed(_folder_name(one), one), place))
    if not found:
        raise text.wrong(
            (), 'the list names no pier.  Write files = ["*/pier.toml"] into it, or a [[pier]] for each.'
        )
    seen: dict[str, Path] = {}
    for pier, place in found:
        if pier.name in seen:
            raise text.wrong(
                place,
                f"{pier.site_path} and {seen[pier.name]} would both be called {pier.name!r}.  Give one of "
                f'them a name of its own: [[pier]], file = "{pier.site_path}", name = "...".',
            )
        seen[pier.name] = pier.site_path
    return PierList(tuple(pier for pier, _ in found), _weather(data.get(_WEATHER, []), text))


def _read(path: Path) -> tuple[dict[str, Any], _Text]:
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST + 1)
        if len(content) > _LARGEST:
            raise PierListError(f"the list of piers {path} has more than {_LARGEST} bytes: is it a log?")
        plain = content.decode("utf-8-sig")
        return (data := tomllib.loads(plain)), _Text(path, spots_of(plain) if data else {})
    except OSError as error:
        raise PierListError(f"the list of piers {path} can't be read: {error.strerror or error}.") from error
    except UnicodeDecodeError as error:
        before = content[: error.start]
        line, column = before.count(b"\n") + 1, len(before) - before.rfind(b"\n")
        raise PierListError(
            f"{path}, line {line}, column {column}: the byte 0x{content[error.start]:02x} there is not "
            "UTF-8.  Save the list as plain text in UTF-8."
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise PierListError(syntax_words(path, plain, str(error))) from error
    except (RecursionError, ValueError) as error:
        raise PierListError(f"the list of piers {path} can't be taken in ({error}).") from error


def _named(tables: Any, text: _Text) -> list[tuple[Listed, Place]]:
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise text.wrong((_PIER,), "`pier` is written as a heading [[pier]], once for each pier.")
    found = []
    for number, table in enumerate(tables):
        place: Place = (_PIER, number)
        for key in table:
            if key not in (_FILE, _NAME):
                raise text.wrong((*place, key), f"a [[pier]] has no key {key!r}: it has `file` and `name`.")
        if _FILE not in table:
            raise text.wrong(place, 'a [[pier]] needs `file`, its site file: file = "west/pier.toml".')
        ((spot, file),) = _strings([table[_FILE]], place, text, _FILE)
        several = _matching(text.path.parent, file, spot, text)
        name = table.get(_NAME)
        if name is None:
            found += [(Listed(_folder_name(one), one), spot) for one in several]
            continue
        _refuse_bad_name(name, (*place, _NAME), text)
        if len(several) > 1:
            raise text.wrong(
                (*place, _NAME),
                f"the pattern {file!r} matches {len(several)} site files, and one name can't stand for "
                "them.  Write a [[pier]] for each, or leave `name` out.",
            )
        found.append((Listed(name, several[0]), (*place, _NAME)))
    return found


def _refuse_bad_name(name: Any, place: Place, text: _Text) -> None:
    fits = isinstance(name, str) and name == name.strip() and 0 < len(name) <= LONGEST_NAME
    if not fits or not name.isprintable() or "/" in name or name in (".", ".."):
        raise text.wrong(
            place,
            f"`name` is {name!r}: a name is a text of 1 to {LONGEST_NAME} signs, without a slash, a line end "
            'or blanks around it, such as "west".',
        )


def _weather(values: Any, text: _Text) -> tuple[Path, ...]:
    """Return the folders with the weather logs that all piers share; one that is not there will be said."""
    folders: dict[Path, Path] = {}
    for place, name in _strings(values, (_WEATHER,), text):
        folder = text.path.parent / name
        if folder.exists() and not folder.is_dir():
            raise text.wrong(place, f"{name!r} is no folder: name the folder in which the weather logs lie.")
        folders.setdefault(folder.resolve(), folder)
    return tuple(folders.values())


def _strings(values: Any, place: Place, text: _Text, key: str | None = None) -> list[tuple[Place, str]]:
    """Return texts with their places; `key` is theirs where they do not stand in an array."""
    example = "weather" if place[0] == _WEATHER else "*/pier.toml"
    if not isinstance(values, list):
        raise text.wrong(place, f'`{place[-1]}` is {values!r}: write an array of texts, ["{example}"].')
    found: list[tuple[Place, str]] = []
    for number, value in enumerate(values):
        spot: Place = (*place, number if key is None else key)
        if not isinstance(value, str) or not value.strip():
            if place[0] == _WEATHER:
                raise text.wrong(spot, f'a weather folder is {value!r}: write its path in quotes, "weather".')
            raise text.wrong(spot, f'a site file is {value!r}: write its path in quotes, "west/pier.toml".')
        found.append((spot, value))
    return found


def _matching(folder: Path, file: str, place: Place, text: _Text) -> Sequence[Path]:
    """Return the site files that a path or a pattern names; a path need not lead to a file."""
    if not any(sign in file for sign in _GLOBBED):
        path = folder / file
        return [path / DEFAULT_NAME if path.is_dir() else path]
    try:
        whole = Path(file)
        root = Path(whole.anchor) if whole.is_absolute() else folder
        pattern = str(whole.relative_to(whole.anchor)) if whole.is_absolute() else file
        found = sorted(path for path in root.glob(pattern) if path.is_file() and path != text.path)
    except (ValueError, NotImplementedError, OSError) as error:
        raise text.wrong(place, f"the pattern {file!r} can't be used ({error}).") from error
    if not found:
        raise text.wrong(
            place, f"the pattern {file!r} matches no file in {folder}.  Patterns are taken from there."
        )
    return found


# ---- Two piers in one record would be one pier to it.


def _refuse_shared_record(piers: Sequence[Listed], where: Path) -> None:
    """Refuse site files that name the same record; one that can't be read has its line to say so."""
    seen: dict[tuple[str, str], Listed] = {}
    for pier in piers:
        try:
            site = load_pier(pier.site_path)
            url = record_url(site)
            # an SQLite file holds one pier; the database of a server many, each by its name
            name = "" if url.get_backend_name() == "sqlite" else pier_name(site)
            record = (url.render_as_string(hide_password=True), name)
        except DriftError:
            continue
        if record in seen:
            raise PierListError(
                f"{where}: the piers {seen[record].name!r} ({seen[record].site_path}) and {pier.name!r} "
                f"({pier.site_path}) have the same record, {record[0]}"
                f"{f' under the name {name!r}' if name else ''}, so that their readings would mix.  Give "
                "each its own: of files its own folder or [store] url, in a database on a server its own "
                "[store] pier."
            )
        seen[record] = pier
