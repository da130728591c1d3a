"""What a worker is at, in a file that outlives it: the input under trial, runs, the slowest of them."""

from __future__ import annotations

import mmap
import struct
import time
from dataclasses import dataclass
from pathlib import Path

_HEAD = struct.Struct("<QddII")  # runs, begin of the present one (0: none), slowest, lengths of both inputs
_ROOM = 1 << 15  # bytes an input may have


@dataclass(frozen=True)
class At:
    """`runs` begun; `began_s` (monotonic) and `data` of the one under way; the slowest, in CPU time."""

    runs: int
    began_s: float
    data: bytes
    slowest_s: float
    slowest: bytes

    @property
    def busy(self) -> bool:
        return self.began_s > 0.0


class Trail:
    """Written by the worker before and after each input, read by whoever watches it."""

    def __init__(self, path: Path) -> None:
        size = _HEAD.size + 2 * _ROOM
        if not path.exists():
            path.write_bytes(bytes(size))
        with path.open("r+b") as file:
            self._map = mmap.mmap(file.fileno(), size)
        self._runs, _, self._slowest_s, _, self._slowest_length = _HEAD.unpack_from(self._map)

    def begin(self, data: bytes) -> None:
        self._runs += 1
        self._map[_HEAD.size:_HEAD.size + len(data)] = data
        self._note(time.monotonic(), len(data))

    def end(self, data: bytes, took_s: float) -> None:
        if took_s > self._slowest_s:
            self._slowest_s, self._slowest_length = took_s, len(data)
            self._map[_HEAD.size + _ROOM:_HEAD.size + _ROOM + len(data)] = data
        self._note(0.0, len(data))

    def _note(self, began_s: float, length: int) -> None:
        _HEAD.pack_into(self._map, 0, self._runs, began_s, self._slowest_s, length, self._slowest_length)

    def read(self) -> At:
        runs, began_s, slowest_s, length, slowest_length = _HEAD.unpack_from(self._map)
        return At(runs, began_s, self._map[_HEAD.size:_HEAD.size + length], slowest_s,
                  self._map[_HEAD.size + _ROOM:_HEAD.size + _ROOM + slowest_length])

    def close(self) -> None:
        self._map.close()
