"""The parts of `hardware/bench` that need no virtual machine; the whole is a command of its own."""

from __future__ import annotations

import importlib.util
import os
import platform
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[1]
BENCH = ROOT / "hardware" / "bench"

# Bluetooth Core Specification 5.4, Vol 4, Part A, 2 (packet indicators) and Part E, 5.4 (headers),
# packed by hand: Reset and its Command Complete, five bytes of ACL data on handle 0x0040.
RESET = bytes.fromhex("01 030c 00")
COMPLETE = bytes.fromhex("04 0e 04 01 030c 00")
ACL = bytes.fromhex("02 4020 0500 0100 0400 0a")


@pytest.fixture(scope="module")
def guest() -> ModuleType:
    spec = importlib.util.spec_from_file_location("bench_guest", BENCH / "guest.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_packets_are_found_in_a_stream_however_it_is_cut(guest: ModuleType) -> None:
    stream = RESET + ACL + COMPLETE
    assert guest.packets(stream) == ([RESET, ACL, COMPLETE], b"")
    found, rest = [], b""
    for at in range(len(stream)):
        whole, rest = guest.packets(rest + stream[at:at + 1])
        found += whole
    assert (found, rest) == ([RESET, ACL, COMPLETE], b"")


def test_a_started_packet_waits_for_its_end(guest: ModuleType) -> None:
    for cut in range(len(ACL)):
        assert guest.packets(RESET + ACL[:cut]) == ([RESET], ACL[:cut])


@pytest.mark.skipif(platform.machine() != "x86_64" or sys.platform != "linux", reason="needs Linux on x86_64")
@pytest.mark.parametrize("there, missing", [((), "qemu"), (("qemu-system-x86_64",), "apt-cache")])
def test_what_is_missing_is_said_with_its_fix(there: tuple[str, ...], missing: str, tmp_path: Path) -> None:
    for name in there:
        (tmp_path / name).symlink_to("/bin/true")
    done = subprocess.run(
        [sys.executable, str(BENCH)], capture_output=True, text=True, timeout=60, check=False,
        env={**os.environ, "PATH": str(tmp_path), "XDG_CACHE_HOME": str(tmp_path), "TMPDIR": str(tmp_path)})
    assert done.returncode == 4 and done.stderr.count("\n") == 1
    assert f"bench: {missing}" in done.stderr and "is missing: " in done.stderr
    assert not list(tmp_path.glob("guard-bench-*"))
