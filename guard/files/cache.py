"""What was worked out, kept in the cache folder until what it came from changes.

A file holds one line that says what its content was made for, with a checksum,
and the content as JSON. Whatever is missing, damaged or made for something
else is simply worked out again.
"""

import contextlib
import json
import os
import zlib
from collections.abc import Callable, Mapping
from dataclasses import is_dataclass
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

from guard.errors import GuardError
from guard.files.folders import cache_dir, make_private
from guard.files.whole import write_whole

_T = TypeVar("_T")
_LARGEST = 1e9  # far beyond any figure of a run


def cache_place(room: str, name: str) -> Path:
    """The file `name` (without its ending) of a room of the cache; nothing is made yet."""
    return cache_dir(make=False) / room / f"{name}.json"


def cache_of(room: str, folder: Path) -> Path:
    """The file of that room about a folder."""
    return cache_place(room, f"{zlib.crc32(os.fsencode(folder)):08x}")


def read_cached(place: Path, made_for: Mapping[str, object]) -> object:
    """What was kept for just this; None where there is nothing."""
    try:
        with place.open("rb") as file:
            head, body = json.loads(file.readline(1000)), file.read()
        if head != {**made_for, "crc": zlib.crc32(body)}:
            return None
        content: object = json.loads(body)
        return content
    except (OSError, ValueError, RecursionError):
        return None


def write_cached(place: Path, made_for: Mapping[str, object], content: object) -> None:
    """Keep `content` (JSON-ready); where the disk does not take it, it is worked out again next time."""
    body = json.dumps(content, separators=(",", ":")).encode()
    with contextlib.suppress(GuardError):
        cache_dir()
        make_private(place.parent)
        head = json.dumps({**made_for, "crc": zlib.crc32(body)}).encode()
        write_whole(place, [head, b"\n", body], force=True)


def rebuilt(kind: type[_T], kept: object) -> _T:
    """The dataclass `kind` from what `dataclasses.asdict` made of it; ValueError for anything else.

    Its fields are numbers, texts, truth values, tuples, mappings and dataclasses of these, or None.
    """
    found: _T = _reader(kind)(kept)  # type: ignore[arg-type]
    return found


@cache
def _reader(kind: Any) -> Callable[[Any], Any]:
    """What gives a value of this type from a plain one, or raises ValueError."""
    parts = get_args(kind)
    if is_dataclass(kind):
        make: Any = kind
        readers = {name: _reader(hint) for name, hint in get_type_hints(kind).items()}

        def whole(value: Any) -> Any:
            if not isinstance(value, dict) or value.keys() != readers.keys():
                raise ValueError(f"no {make.__name__}")
            return make(**{name: read(value[name]) for name, read in readers.items()})

        return whole
    if type(None) in parts:
        known = _reader(parts[0])
        return lambda value: None if value is None else known(value)
    if get_origin(kind) is tuple:
        each = tuple(_reader(part) for part in parts if part is not ...)
        if len(each) < len(parts):
            return lambda value: tuple([each[0](one) for one in _typed(value, list, tuple)])
        return lambda value: tuple(
            [read(one) for read, one in zip(each, _typed(value, list, tuple), strict=True)])
    if kind in (int, float):
        return lambda value: _number(value, kind)
    return lambda value: _typed(value, get_origin(kind) or kind)


def _typed(value: Any, *kinds: type) -> Any:
    if not isinstance(value, kinds):
        raise ValueError(f"no {kinds[0].__name__}")
    return value


def _number(value: Any, kind: type[float]) -> Any:
    # true and false are whole numbers to Python
    if not isinstance(value, (int, kind)) or isinstance(value, bool) or not -_LARGEST < value < _LARGEST:
        raise ValueError("no number that can be")
    return value
