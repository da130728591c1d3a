"""One guard a device: whoever reads a strap, treadmill or pod holds a lock under its address.

Two guards on one strap would share one link, and the first to end would end it for both.
The lock is the system's (flock), so it ends with the process, however that ends; where the
system has none, nobody is kept away.
"""

import contextlib
import os
import re
import sys

from guard.files.folders import data_dir, make_private

if sys.platform != "win32":
    import fcntl

_held: dict[str, int] = {}  # address: the open file that keeps the lock as long as the process lives


def hold(address: str) -> str:
    """Hold the device for this process; "" where it is ours, else who holds it ("process 4711").

    A folder that takes no file keeps nobody away: a run matters more than the lock.
    """
    if address in _held:
        return ""
    if sys.platform != "win32":
        with contextlib.suppress(OSError):
            folder = make_private(data_dir() / "held")
            name = re.sub(r"[^0-9A-Za-z-]", "-", address)[:80]
            fd = os.open(folder / name, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o600)
            try:
                fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                holder = os.read(fd, 20).decode("ascii", "replace").strip()
                os.close(fd)
                return f"process {holder}" if holder.isdecimal() else "another process"
            os.ftruncate(fd, 0)
            os.write(fd, str(os.getpid()).encode())
            _held[address] = fd
    return ""
