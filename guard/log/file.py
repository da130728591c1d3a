"""The file of a running session: it only grows, and what is not safe on the disk is still known.

Every method may raise OSError; `guard.log.log` waits and tries again. After an
error, or when the file is no longer where it belongs (folder removed, disk
taken out and put back), `restore` brings the whole log back to its place.
"""

import contextlib
import errno
import os
import re
from collections.abc import Iterator
from pathlib import Path

from guard.files.folders import OWNER_ONLY, OWNER_ONLY_FOLDER
from guard.files.hold import locked
from guard.files.whole import sync_folder

_FLAGS = (os.O_RDWR | os.O_APPEND | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
          | getattr(os, "O_NOFOLLOW", 0))
_CANNOT_SYNC = (errno.EINVAL, errno.ENOTSUP, errno.EROFS)  # pipes and the like


class LogFile:
    """Appends to `path`, made at the first write; `path` gets a number when the name is taken by then."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._fd: int | None = None
        self._synced = 0
        self._unsynced = bytearray()
        self._head = b""
        self._doubtful = False

    def write(self, data: bytes) -> int:
        """Append `data` in one write; returns how much of it the disk took."""
        if self._fd is None:
            self._fd = self._make()
        written = os.write(self._fd, data)
        self._head = self._head or data[:written]
        self._unsynced += data[:written]
        return written

    def sync(self) -> None:
        """Wait until everything written is on the disk."""
        if self._fd is None or not self._unsynced:
            return
        try:
            os.fsync(self._fd)
        except OSError as error:
            if error.errno not in _CANNOT_SYNC:
                # The system may now take for written what never reached the disk (fsync(2)).
                self._doubtful = True
                raise
        self._synced += len(self._unsynced)
        self._unsynced.clear()

    def in_place(self) -> bool:
        """Whether the file written to is the one at `path`; True before there is one."""
        if self._fd is None:
            return True
        try:
            there, mine = self.path.stat(), os.fstat(self._fd)
        except OSError:
            return False
        return os.path.samestat(there, mine)

    def restore(self) -> bytes:
        """Make the file at `path` hold what was written; returns what has to be written once more."""
        if self._fd is None:
            return b""
        if not self.in_place():
            if not self._take_up():
                self._copy()
                return b""
        elif not self._doubtful:
            return b""
        # What was synced is safe; the rest may have holes, and is written again.
        os.ftruncate(self._fd, self._synced)
        again = bytes(self._unsynced)
        self._unsynced.clear()
        self._doubtful = False
        return again

    def whole(self) -> bytes:
        """All that was written so far."""
        if self._fd is None:
            return b""
        size = self._synced + len(self._unsynced)
        data = _beginning(self._fd, size)
        if len(data) < size:
            raise OSError(errno.EIO, "the log has shrunk")
        return data

    def close(self) -> None:
        """Let go of the file."""
        if self._fd is not None:
            os.close(self._fd)
            self._fd = None

    def _make(self) -> int:
        """A new file: O_EXCL, so that of two guards started at once each gets its own."""
        for path in numbered(self.path):
            try:
                fd = os.open(path, _FLAGS | os.O_CREAT | os.O_EXCL, OWNER_ONLY)
            except FileExistsError:
                continue
            self.path = path
            locked(fd)  # as one that is being written
            sync_folder(path.parent)
            return fd
        raise AssertionError("numbers never end")

    def _take_up(self) -> bool:
        """Go on with the file at `path` if it is this very log, on a disk that came back."""
        try:
            fd = os.open(self.path, _FLAGS)
        except FileNotFoundError:
            return False
        try:
            first = self._head.split(b"\n")[0]
            mine = bool(first) and os.read(fd, len(first)) == first
            if mine and os.fstat(fd).st_size < self._synced:
                # It missed what was synced elsewhere while its disk was away.
                data, there = self.whole(), _beginning(fd, self._synced)
                self._synced = next((at for at, (one, other) in enumerate(zip(data, there, strict=False))
                                     if one != other), len(there))
                self._unsynced = bytearray(data[self._synced:])
        except OSError:
            os.close(fd)
            raise
        if mine:
            self._change_to(fd)
        else:
            os.close(fd)
        return mine

    def _copy(self) -> None:
        """The whole log at `path` once more, out of the file that is no longer there."""
        data, path = self.whole(), self.path
        self.path.parent.mkdir(OWNER_ONLY_FOLDER, parents=True, exist_ok=True)
        fd = self._make()
        try:
            view = memoryview(data)
            while view:
                view = view[os.write(fd, view):]
            os.fsync(fd)
        except OSError:
            os.close(fd)
            self.path.unlink(missing_ok=True)
            self.path = path
            raise
        self._change_to(fd)
        self._synced += len(self._unsynced)
        self._unsynced.clear()
        self._doubtful = False

    def _change_to(self, fd: int) -> None:
        if self._fd is not None:
            with contextlib.suppress(OSError):
                os.close(self._fd)
        self._fd = fd
        locked(fd)


def _beginning(fd: int, size: int) -> bytes:
    """The first `size` bytes of a file, or all there are."""
    data = bytearray()
    os.lseek(fd, 0, os.SEEK_SET)
    while len(data) < size and (more := os.read(fd, size - len(data))):
        data += more
    return bytes(data)


def numbered(path: Path) -> Iterator[Path]:
    """`path`, then the same name with _2, _3 and so on."""
    yield path
    stem = re.sub(r"_\d{1,3}$", "", path.stem)
    number = 2
    while True:
        other = path.with_name(f"{stem}_{number}{path.suffix}")
        if other != path:
            yield other
        number += 1


def is_being_written(path: Path) -> bool:
    """Whether a session running now writes this log; False also where that cannot be told."""
    try:
        fd = os.open(path, os.O_RDONLY)
    except OSError:
        return False
    try:
        return not locked(fd, shared=True)
    finally:
        os.close(fd)
