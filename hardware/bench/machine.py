"""The virtual machine: QEMU started, its doors opened, its words read, ended by its id."""

from __future__ import annotations

import ctypes
import json
import os
import platform
import queue
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

from guest import DOORS
from packages import CannotRun

QEMU = "qemu-system-x86_64"
MEMORY_MIB = 1024
BOOT_S = {"kvm": 20.0, "tcg": 300.0}  # until its doors are open; half a minute where nobody else computes
ORDER_S = 30.0
HERE = Path(__file__).resolve().parent
MARK = "BENCH "


class Silent(Exception):
    """The machine did not come up, or ended before its time."""


class Machine:
    """One run of the machine; leave the `with` block and it is ended.

    `out` is a folder both sides can write to; `door` gives the port of this
    machine (loopback only) that leads to one of the guest's doors.
    """

    def __init__(self, kernel: Path, initrd: Path, root: Path, out: Path, accel: str) -> None:
        self.accel, self._out = accel, out
        self.door = dict(zip(DOORS, _free_ports(len(DOORS)), strict=True))
        net = "user,id=net,restrict=on" + "".join(
            f",hostfwd=tcp:127.0.0.1:{self.door[name]}-:{port}" for name, port in DOORS.items())
        how = "kvm" if accel == "kvm" else "tcg"
        with (out / "qemu.txt").open("wb") as errors:
            self._process = subprocess.Popen(
                [QEMU, "-accel", how, "-machine", "q35", "-cpu", "host" if accel == "kvm" else "max",
                 "-m", str(MEMORY_MIB), "-smp", "1", "-nodefaults", "-no-user-config", "-no-reboot",
                 "-display", "none", "-serial", "stdio", "-kernel", str(kernel), "-initrd", str(initrd),
                 *_shared("sysroot", root, "on"), *_shared("hostroot", Path("/"), "on"),
                 *_shared("out", out, "off"),
                 "-netdev", net, "-device", "virtio-net-pci,netdev=net,romfile=",
                 "-append", "console=ttyS0 quiet panic=-1 no_timer_check mitigations=off random.trust_cpu=on "
                            f"BENCH_HERE={HERE} BENCH_PYTHON={sys.executable} BENCH_UID={os.getuid()}"],
                stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=errors, preexec_fn=_end_with_parent)
        self._words: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._reader = threading.Thread(target=self._read, name="console", daemon=True)
        self._reader.start()

    def __enter__(self) -> Machine:
        return self

    def __exit__(self, *_: object) -> None:
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait()
        self._reader.join(5)

    def boot(self) -> None:
        """Wait until its doors are open; raises Silent."""
        ends_s = time.monotonic() + BOOT_S[self.accel]
        while True:
            try:
                word = self._words.get(timeout=max(0.0, ends_s - time.monotonic()))
            except queue.Empty:
                raise Silent(f"did not come up in {BOOT_S[self.accel]:g} s") from None
            if word == "ready":
                return
            if word.startswith("over"):
                raise Silent("ended before its time")

    def order(self, line: str) -> Any:
        """Have something done there; returns what is said of it, raises Silent where it fails."""
        try:
            with socket.create_connection(("127.0.0.1", self.door["orders"]), ORDER_S) as there:
                there.sendall(line.encode() + b"\n")
                answer = json.loads(there.makefile().readline() or '{"error": "no answer"}')
        except (OSError, ValueError) as error:
            raise Silent(f"does not answer to {line!r} ({error})") from None
        if "error" in answer:
            raise Silent(answer["error"])
        return answer["said"]

    def last(self, lines: int = 12) -> str:
        """The end of what it wrote, for whoever looks for the reason."""
        texts = [(self._out / name).read_text("utf-8", "replace").strip().splitlines()[-lines:]
                 for name in ("qemu.txt", "console.txt", "guest.err") if (self._out / name).exists()]
        return "\n".join("    " + line for text in texts for line in text)

    def _read(self) -> None:
        assert self._process.stdout is not None
        with (self._out / "console.txt").open("wb", buffering=0) as console:
            for raw in self._process.stdout:
                console.write(raw)
                line = raw.decode("utf-8", "replace").strip()
                if line.startswith(MARK):
                    self._words.put(line.removeprefix(MARK))
        self._words.put("over")


def _end_with_parent() -> None:
    """In the new process: be killed when this one is, even where it cannot clear up (PR_SET_PDEATHSIG)."""
    ctypes.CDLL(None).prctl(1, signal.SIGKILL)


def _shared(tag: str, folder: Path, read_only: str) -> list[str]:
    """A folder of this machine as a 9p file system of the virtual one."""
    return ["-fsdev",
            f"local,id={tag},path={folder},readonly={read_only},security_model=none,multidevs=remap",
            "-device", f"virtio-9p-pci,fsdev={tag},mount_tag={tag}"]


def _free_ports(count: int) -> list[int]:
    """Ports nobody listens on now."""
    sockets = [socket.create_server(("127.0.0.1", 0)) for _ in range(count)]
    ports = [one.getsockname()[1] for one in sockets]
    for one in sockets:
        one.close()
    return ports


def check() -> None:
    """Raises CannotRun where there is no machine to be had."""
    if platform.machine() != "x86_64":
        raise CannotRun(f"the bench needs a computer of type x86_64, this one is {platform.machine()}")
    if shutil.which(QEMU) is None:
        raise CannotRun(f"{QEMU} is missing: `sudo apt-get install qemu-system-x86`")


def accelerators(cache: Path) -> list[str]:
    """What to try, quickest first; hardware that once failed here is not tried again before a restart."""
    able = os.access("/dev/kvm", os.R_OK | os.W_OK)
    return ["kvm", "tcg"] if able and not _marked(cache) else ["tcg"]


def kvm_failed(cache: Path) -> None:
    """Keep in mind that hardware acceleration does not boot on this machine, as it runs now."""
    (cache / "no-kvm").write_text(_boot_id())


def _marked(cache: Path) -> bool:
    mark = cache / "no-kvm"
    return mark.exists() and mark.read_text() == _boot_id()


def _boot_id() -> str:
    return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
