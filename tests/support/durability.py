"""A disk whose power may fail at any moment, and a writer process to be killed."""

from __future__ import annotations

import os
import random
from dataclasses import dataclass, field
from pathlib import Path

from guard import events as ev
from tests.support.reasons import FORESEEN


@dataclass
class Disk:
    """Records the order in which a log is made, written and synced.

    After `fsync` of a file its bytes are safe, after `fsync` of the folder its
    name is (POSIX fsync, Linux fsync(2): "Calling fsync() does not necessarily
    ensure that the entry in the directory containing the file has also reached
    disk"). All else may be lost, or come back torn, or as zeros.
    """

    now_s: float = 0.0
    # (time in s, kind, bytes): "named", "write", "sync"
    done: list[tuple[float, str, bytes]] = field(default_factory=list)

    def clock(self) -> float:
        return self.now_s

    def patch(self, monkeypatch) -> None:  # type: ignore[no-untyped-def]
        real_write, real_sync = os.write, os.fsync

        def write(fd: int, data: bytes) -> int:
            written = real_write(fd, data)
            self.done.append((self.now_s, "write", bytes(data[:written])))
            return written

        def sync(fd: int) -> None:
            real_sync(fd)
            kind = "named" if os.path.isdir(f"/proc/self/fd/{fd}") else "sync"  # noqa: PTH112
            self.done.append((self.now_s, kind, b""))

        monkeypatch.setattr(os, "write", write)
        monkeypatch.setattr(os, "fsync", sync)

    def cut(self, moment: int, chance: random.Random) -> list[bytes | None]:
        """What may be found after the power failed before operation `moment`; None is not a file."""
        safe, loose, named = b"", b"", False
        for _, kind, data in self.done[:moment]:
            if kind == "named":
                named = True
            elif kind == "write":
                loose += data
            else:
                safe, loose = safe + loose, b""
        torn = loose[:chance.randrange(len(loose) + 1)]
        found: list[bytes | None] = [
            safe,                                           # nothing unsynced arrived
            safe + loose,                                   # all of it did
            safe + torn,                                    # a part
            safe + b"\0" * len(loose),                      # the length did, the data did not
            safe + torn + b"\0" * (len(loose) - len(torn)),
            safe + torn + b"\0" * (4096 - len(safe + torn) % 4096),  # a block was set aside
        ]
        return found if named else [None, *found]


def items_of(seconds: int) -> list[ev.Input | ev.Output]:
    """An invented session: two readings a second at odd times, now and then a cue or a lost link."""
    chance = random.Random(seconds)
    items: list[ev.Input | ev.Output] = []
    t_s = 0.0
    while t_s < seconds:
        t_s = round(t_s + chance.uniform(0.2, 1.4), 3)
        items.append(ev.Reading(t_s, chance.randrange(90, 170), True, (0.5,)))
        if chance.random() < 0.02:
            items.append(ev.CueGiven(t_s, ev.Cue.EASE, "ease", FORESEEN))
        if chance.random() < 0.01:
            items.append(ev.Link(t_s, ev.LinkState.LOST, "Invented strap"))
    return items


def sessions_in(home: Path) -> list[Path]:
    return sorted((home / "data" / "rehearsals").glob("*.jsonl"))
