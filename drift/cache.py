"""What may be kept from one analysis to the next, as bytes under the program's stamp."""

from __future__ import annotations

import hashlib
import json
import math
import types
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from enum import StrEnum
from functools import cache
from typing import Any, Protocol, TypeVar, Union, get_args, get_origin, get_type_hints

import numpy as np

from drift.notices import Code, Value, code_of

# ---- The store of finished pieces.
#
# A piece of work is named by a digest of everything that it depends on, so that
# taking it from the store or doing it again gives the same answer.  The
# numerical rooms only know this protocol; the record provides the store.


class Store(Protocol):
    """Somewhere to keep finished pieces of work."""

    def get(self, keys: Sequence[str]) -> Mapping[str, bytes]:
        """Return what is there of the pieces asked for."""

    def put(self, pieces: Mapping[str, bytes]) -> None:
        """Keep pieces; losing them again is no harm."""


class NoStore:
    """Keeps nothing."""

    def get(self, keys: Sequence[str]) -> Mapping[str, bytes]:
        """Return nothing."""
        return {}

    def put(self, pieces: Mapping[str, bytes]) -> None:
        """Forget the pieces."""


def name_of(what: str, *parts: bytes) -> str:
    """Return the name of a piece of work that depends on `parts` alone."""
    digest = hashlib.blake2b(what.encode(), digest_size=20)
    for part in parts:
        digest.update(len(part).to_bytes(8, "little"))
        digest.update(part)
    return f"{what} {digest.hexdigest()}"


# ---- Results as bytes and back, by the types of their fields.
#
# Nothing in the bytes says what to make of them: the type asked for does, so that
# bytes from elsewhere can make nothing else and run nothing.  Numbers come back
# bit for bit.


T = TypeVar("T")
#: Kinds of arrays that results hold, each laid in a row of its own.
_KINDS: dict[str, Any] = {"f": np.float64, "i": np.int64, "b": np.bool_}
_PLAIN = (str, int, float, bool)
_HEAD_BYTES = 8


def pack(value: Any, kind: type) -> bytes:
    """Return a result as bytes.

    Parameters
    ----------
    value
        A dataclass whose fields are words, numbers, arrays of float64, int64 or bool, tuples, dicts by
        name, or such dataclasses.
    kind
        Its type.

    Raises
    ------
    TypeError
        If a field holds anything else.
    """
    rows: dict[str, list[Any]] = {name: [] for name in _KINDS}
    places = dict.fromkeys(_KINDS, 0)
    try:
        tree = _packed(value, kind, rows, places)
    except (ValueError, OverflowError) as error:  # a number that its field can't hold
        raise TypeError(str(error)) from error
    parts = [np.concatenate([np.zeros(0, dtype), *rows[name]]).tobytes() for name, dtype in _KINDS.items()]
    head = json.dumps([[len(part) for part in parts], tree]).encode()
    return b"".join([len(head).to_bytes(_HEAD_BYTES, "little"), head, *parts])


def unpack(data: bytes, kind: type[T]) -> T:
    """Return what `pack` made bytes of.

    Raises
    ------
    ValueError
        If the bytes are something else.
    """
    try:
        return _made(data, kind)
    except (TypeError, KeyError, IndexError, AttributeError, OverflowError) as error:
        raise ValueError(f"these are no bytes of {kind.__name__}: {error}") from error


def _made(data: bytes, kind: type[T]) -> T:
    start = _HEAD_BYTES + int.from_bytes(data[:_HEAD_BYTES], "little")
    lengths, tree = json.loads(data[_HEAD_BYTES:start])
    rows: dict[str, Any] = {}
    for (name, dtype), length in zip(_KINDS.items(), lengths, strict=True):
        rows[name] = np.frombuffer(data[start : start + length], dtype).copy()
        start += length
    made: T = _unpacked(tree, kind, rows)
    return made


@cache
def _fields(kind: Any) -> tuple[tuple[str, Any], ...]:
    hints = get_type_hints(kind)
    return tuple((field.name, hints[field.name]) for field in fields(kind))


@cache
def _sort(kind: Any) -> tuple[str, Any]:
    """Tell what a type is, and what it is made of."""
    origin, inner = get_origin(kind), get_args(kind)
    if kind in _PLAIN or (isinstance(kind, type) and issubclass(kind, StrEnum)):
        return "plain", code_of if kind is Code else kind
    if kind is Value:
        return "value", None
    if origin in (Union, types.UnionType):
        (one,) = (each for each in inner if each is not type(None))
        return "optional", one
    if origin is tuple:
        return ("tuple", inner[0]) if inner[-1] is Ellipsis else ("fixed", inner)
    if origin in (dict, Mapping):
        return "dict", inner
    if origin is np.ndarray or kind is np.ndarray:
        return "array", None
    if is_dataclass(kind):
        return "dataclass", kind
    raise TypeError(f"no form is known for {kind}")


def _packed(value: Any, kind: Any, rows: dict[str, list[Any]], places: dict[str, int]) -> Any:
    sort, inner = _sort(kind)
    if sort == "plain":
        return _plain(value, inner)
    if sort == "value":
        return _value(value)
    if sort == "array":
        array = np.asarray(value)
        name = array.dtype.kind
        if array.dtype != _KINDS.get(name):
            raise TypeError(f"no form is known for an array of {array.dtype}")
        rows[name].append(array.ravel())
        places[name] += array.size
        return [name, places[name] - array.size, *array.shape]
    if sort == "optional":
        return None if value is None else [_packed(value, inner, rows, places)]
    if sort == "tuple":
        return [_packed(each, inner, rows, places) for each in value]
    if sort == "fixed":
        return [_packed(each, own, rows, places) for each, own in zip(value, inner, strict=True)]
    if sort == "dict":
        return {_plain(name, inner[0]): _packed(each, inner[1], rows, places) for name, each in value.items()}
    if not _is_just(value, inner):
        raise TypeError(f"{inner.__name__} is wanted, not {type(value).__name__}")
    return [_packed(getattr(value, name), own, rows, places) for name, own in _fields(inner)]


def _value(value: Any) -> Any:
    """Return what may stand in a notice, as JSON has it."""
    if isinstance(value, tuple):
        return [_value(each) for each in value]
    if value is None or type(value) in _PLAIN:
        return value
    if isinstance(value, StrEnum):
        return str(value)
    raise TypeError(f"{value!r} may not stand in a notice")


def _value_back(tree: Any) -> Any:
    return tuple([_value_back(each) for each in tree]) if isinstance(tree, list) else tree


def _is_just(value: Any, kind: Any) -> bool:
    return type(value) is kind


def _plain(value: Any, kind: Callable[[Any], Any]) -> Any:
    """Return a word or number as the type says; never another one than was given."""
    made = kind(value)
    if isinstance(made, StrEnum):
        return str(made)
    if made != value and value == value:  # not a number equals nothing
        raise TypeError(f"{value!r} is no {getattr(kind, '__name__', kind)}")
    return made


def _unpacked(tree: Any, kind: Any, rows: dict[str, Any]) -> Any:
    sort, inner = _sort(kind)
    if sort == "plain":
        return inner(tree)
    if sort == "value":
        return _value_back(tree)
    if sort == "array":
        name, place, *shape = tree
        return rows[name][place : place + math.prod(shape)].reshape(shape)
    if sort == "optional":
        return None if tree is None else _unpacked(tree[0], inner, rows)
    if sort == "tuple":
        return tuple([_unpacked(each, inner, rows) for each in tree])
    if sort == "fixed":
        return tuple([_unpacked(each, own, rows) for each, own in zip(tree, inner, strict=True)])
    if sort == "dict":
        return {inner[0](name): _unpacked(each, inner[1], rows) for name, each in tree.items()}
    known = _fields(kind)
    return kind(**{name: _unpacked(each, own, rows) for each, (name, own) in zip(tree, known, strict=True)})
