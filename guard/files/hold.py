"""Locks that end with the process, however that ends: on a device, a log being written, the journal.

One guard a device: two on one strap would share one link, and the first to end would end it for both. So
whoever reads a strap, treadmill or pod holds a lock under its address.
"""

import contextlib
import os
import re
import sys

from guard.files.folders import data_dir, make_private

if sys.platform != "win32":
    import fcntl

_held: dict[str, int] = {}  # address: the open file that keeps the lock as long as the process lives


def locked(fd: int, *, shared: bool = False, wait: bool = False) -> bool:
    """Lock an open file (flock) until it is closed; False where another process has it.

    True also where the system or its disk knows no such locks: nobody is kept away then.
    """
    if sys.platform != "win32":
        kind = fcntl.LOCK_SH if shared else fcntl.LOCK_EX
        try:
            fcntl.flock(fd, kind if wait else kind | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError:
            pass
    return True


def hold(address: str) -> str:
    """Hold the device for this process; "" where it is ours, else who holds it ("process 4711").

    A folder that takes no file keeps nobody away: a run matters more than the lock.
    """
    if address in _held:
        return ""
    with contextlib.suppress(OSError):
        folder = make_private(data_dir() / "held")
        name = re.sub(r"[^0-9A-Za-z-]", "-", address)[:80]
        fd = os.open(folder / name, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o600)
        if not locked(fd):
            holder = os.read(fd, 20).decode("ascii", "replace").strip()
            os.close(fd)
            return f"process {holder}" if holder.isdecimal() else "another process"
        os.ftruncate(fd, 0)
        os.write(fd, str(os.getpid()).encode())
        _held[address] = fd
    return ""
