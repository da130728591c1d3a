"""What was worked out, kept in the cache folder until what it came from changes.

A file holds one line that says what its content was made for, with a checksum,
and the content as JSON. Whatever is missing, damaged or made for something
else is simply worked out again.
"""

import contextlib
import json
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import orjson

from guard.errors import GuardError
from guard.files.folders import cache_dir, make_private
from guard.files.whole import write_whole


def cache_place(room: str, name: str) -> Path:
    """The file `name` (without its ending) of a room of the cache; nothing is made yet."""
    return cache_dir(make=False) / room / f"{name}.json"


def read_cached(place: Path, made_for: Mapping[str, object]) -> object:
    """What was kept for just this; None where there is nothing."""
    try:
        with place.open("rb") as file:
            head, body = json.loads(file.readline(1000)), file.read()
        if head != {**made_for, "crc": zlib.crc32(body)}:
            return None
        return _loads(body)
    except (OSError, ValueError, RecursionError):
        return None


def write_cached(place: Path, made_for: Mapping[str, object], content: object) -> None:
    """Keep `content` (JSON-ready); where the disk does not take it, it is worked out again next time."""
    body = _dumps(content)
    with contextlib.suppress(GuardError):
        cache_dir()
        make_private(place.parent)
        write_whole(place, [_dumps({**made_for, "crc": zlib.crc32(body)}), b"\n", body], force=True)


# A file name that is no UTF-8 is beyond the quick library, but not beyond the slow one.

def _dumps(content: object) -> bytes:
    try:
        return orjson.dumps(content)
    except TypeError:
        return json.dumps(content, ensure_ascii=True, separators=(",", ":")).encode()


def _loads(body: bytes) -> Any:
    try:
        return orjson.loads(body)
    except ValueError:
        return json.loads(body)
