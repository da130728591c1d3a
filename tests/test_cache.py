"""What is kept in the cache: given back for just what it was made for, never when it is damaged."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from guard.files.cache import cache_place, read_cached, write_cached


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("GUARD_HOME", str(tmp_path))
    return cache_place("room", "what")


@pytest.mark.parametrize("content", [
    {"2026-03-02_0610.jsonl": [1, 2.5, None]}, [], {"not-UTF-8-\udc80.jsonl": ["\udcff"]}, {"big": 1 << 70}])
def test_what_was_kept_comes_back(place: Path, content: Any) -> None:
    assert read_cached(place, {"format": 1}) is None
    write_cached(place, {"format": 1}, content)
    assert read_cached(place, {"format": 1}) == content
    assert read_cached(place, {"format": 2}) is None


def test_every_damaged_byte_is_noticed(place: Path) -> None:
    write_cached(place, {"format": 1}, {"a": [1, 2, 3], "b": "c"})
    whole = place.read_bytes()
    for at in range(len(whole)):
        place.write_bytes(whole[:at] + bytes([whole[at] ^ 0x15]) + whole[at + 1:])
        assert read_cached(place, {"format": 1}) is None
        place.write_bytes(whole[:at])
        assert read_cached(place, {"format": 1}) is None


def test_a_place_that_cannot_be_written_costs_nothing_but_time(place: Path) -> None:
    place.mkdir(parents=True)
    write_cached(place, {"format": 1}, [1])
    assert read_cached(place, {"format": 1}) is None
