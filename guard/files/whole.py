"""Reading a small file whole, and writing one so that it appears whole or not at all."""

import contextlib
import errno
import os
import stat
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

from guard.errors import HardwareError, InputError, UsageError, printable


def open_file(path: str | os.PathLike[str]) -> BinaryIO:
    """Open a file to read bytes; InputError for a pipe or device, which might keep the guard waiting."""
    # Without O_NONBLOCK a pipe that nobody writes to holds the very open.
    fd = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    mode = os.fstat(fd).st_mode
    if not stat.S_ISREG(mode):
        os.close(fd)
        if stat.S_ISDIR(mode):
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
        raise InputError(f"{printable(path)} is a pipe or a device: save it as a file and name that")
    return os.fdopen(fd, "rb")


def read_capped(path: Path, largest: int, what: str) -> bytes | None:
    """The bytes of `path`, None where there is no such file; never more than `largest` are read.

    Raises InputError, naming the file and the fix, where it cannot be read or
    is too large for `what` ("a journal").
    """
    try:
        with open_file(path) as file:
            data = file.read(largest + 1)
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        why = error.strerror if isinstance(error, OSError) and error.strerror else "not a file name"
        raise InputError(f"cannot read {printable(path)} ({why}): "
                         "check that it is a file you may read") from None
    if len(data) > largest:
        raise InputError(f"{printable(path)} is far too large for {what}: move it away")
    return data


def write_whole(path: Path, chunks: Iterable[bytes], *, force: bool = False) -> None:
    """Write a file so that it appears whole or not at all; as `whole_file`."""
    with whole_file(path, force=force) as file:
        file.writelines(chunks)


@contextlib.contextmanager
def whole_file(path: Path, *, force: bool = False) -> Iterator[BinaryIO]:
    """A file to write and read back, which appears at `path` when all went well, else not at all.

    It is for its owner only. An existing file is refused (UsageError) unless
    `force`, a folder or a device always; HardwareError when the folder or disk
    does not take it. Its `name` is that of the hidden file beside the target.
    """
    part = None
    try:
        if path.exists() and not path.is_file():
            raise UsageError(f"{path} is not a file: name a file to write")
        if path.exists() and not force:
            raise UsageError(f"{path} exists already: name another file, or add --force to overwrite it")
        target = path.resolve()  # keep a link a link
        fd, part = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
        os.close(fd)
        with Path(part).open("w+b") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        Path(part).replace(target)
        sync_folder(target.parent)
    except OSError as error:
        raise HardwareError(f"cannot write {path} ({error.strerror or error}): "
                            "choose a folder you may write to, with free space") from None
    finally:
        if part is not None:
            with contextlib.suppress(OSError):
                Path(part).unlink(missing_ok=True)


def remove(path: Path) -> bool:
    """Take a file away; False where there was none. Raises HardwareError."""
    try:
        path.unlink()
    except FileNotFoundError:
        return False
    except OSError as error:
        raise HardwareError(f"cannot remove {path} ({error.strerror or error}): give write permission there"
                            ) from None
    return True


def sync_folder(folder: Path) -> None:
    """Keep a new file's name too; some systems cannot sync a folder, and need not."""
    with contextlib.suppress(OSError):
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
