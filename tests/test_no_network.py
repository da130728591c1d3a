"""The guard speaks to the strap, the sound device and the disk, and to no network.

    .venv/bin/python -m pytest -m slow -n 0 tests/test_no_network.py

Everything it can do runs in a network namespace with nothing in it, not even a
loopback that is up, and the kernel's own record of its calls holds no internet
socket. Needs Linux, `unshare` and `strace`; skipped where they are missing or
not permitted.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.support.alsa import wait_until
from tests.support.bluez import start_bluez
from tests.support.guard_run import STRAP, LiveRun
from tests.support.hostile import on_a_terminal

pytestmark = pytest.mark.slow

RECORDINGS = Path(__file__).parents[1] / "recordings"
INTERNET = re.compile(r"\bAF_INET6?\b")


def emptied() -> list[str]:
    """Words that run what follows them in an empty network namespace."""
    for words in (["unshare", "-n"], ["unshare", "-r", "-n"]):
        if shutil.which("unshare") and subprocess.run([*words, "true"], capture_output=True).returncode == 0:
            return words
    pytest.skip("network namespaces are not permitted here")


def traced(record: Path) -> list[str]:
    """Words that have the kernel write down each socket of what follows them, and of its children."""
    words = ["strace", "-f", "--seccomp-bpf", "-qq", "-e", "trace=socket,connect,bind,sendto,sendmsg",
             "-o", str(record)]
    if not shutil.which("strace"):
        pytest.skip("no strace here (Debian: apt-get install strace)")
    if subprocess.run([*words, "true"], capture_output=True).returncode:
        pytest.skip("tracing is not permitted here")
    return words


def commands(folder: Path) -> list[list[str | Path]]:
    """Everything that needs no radio, and ends by itself."""
    log, belt = sorted(RECORDINGS.glob("*.jsonl"))[0], folder / "copy.jsonl"
    shutil.copy(log, belt)
    runners = folder / "runners"
    shutil.copytree(RECORDINGS, runners / "one")
    beats = folder / "beats.csv"
    beats.write_text("t,bpm\n" + "".join(f"{t},{120 + t % 20}\n" for t in range(300)))
    return [
        ["rehearse", "--speedup", "2000", "--seed", "3"], ["sessions", "--rehearsals"],
        ["import", beats, "--time", "t", "--heart-rate", "bpm", "-o", folder / "imported.jsonl"],
        ["export", belt, "-o", folder / "exported.csv"], ["replay", belt], ["replay", belt, "--verify"],
        ["review", belt, "--html", folder / "review.html"], ["learn", belt],
        ["tune", belt, "--tries", "2", "--runners", "4", "--jobs", "2"],
        ["progress", "--folder", RECORDINGS, "--ceiling", "139", "--html", folder / "months.html"],
        ["progress", "--runners", runners, "--html", folder / "all.html"],
        ["export", "--parquet", belt, "-o", folder / "tables"],
        ["journal", "--sleep", "7.5"], ["journal", "--today"], ["plan", "--make", "easy-hour"],
        ["ceiling", "--age", "40", "--resting", "55", "--healthy", "--no-medicine",
         "--no-pregnant", "--no-symptoms"],
        ["settings", "words=0.3"], ["settings"], ["sessions"], ["data"],
        ["data", "--export", folder / "all.zip"], ["check", "--no-strap"],
    ]


def went_well(done: Sequence[tuple[Sequence[str | Path], int, str]]) -> None:
    for words, code, shown in done:
        # Nothing to learn from in one short run; no radio and no sound device to check.
        wanted = {"learn": (0, 3), "check": (0, 4), "tune": (0, 3), "export": (0, 4)}.get(str(words[0]), (0,))
        assert code in wanted, (words, code, shown)
        assert "Traceback" not in shown and "unreachable" not in shown


def internet_calls(record: Path) -> list[str]:
    lines = record.read_text(errors="replace").splitlines()
    assert any("socket(" in line for line in lines), "nothing was traced"
    return [line for line in lines if INTERNET.search(line)]


def test_the_record_shows_an_internet_socket(tmp_path: Path):
    record = tmp_path / "calls"
    subprocess.run([*traced(record), sys.executable, "-c",
                    "import socket, subprocess, sys\nsubprocess.run([sys.executable, '-c', "
                    "'import socket; socket.socket(socket.AF_INET6, socket.SOCK_DGRAM)'])"], check=True)
    assert len(internet_calls(record)) == 1


def test_an_empty_network_is_empty():
    code = "import socket; socket.create_connection(('127.0.0.1', 9), 1)"
    done = subprocess.run([*emptied(), sys.executable, "-c", code], capture_output=True, text=True)
    assert "Network is unreachable" in done.stderr


def test_every_command_in_an_empty_network_asks_for_none(tmp_path: Path):
    record = tmp_path / "calls"
    before = [*emptied(), *traced(record)]
    went_well(on_a_terminal(tmp_path / "home", commands(tmp_path), timeout_s=300, before=before,
                            GUARD_SOUND=""))
    assert internet_calls(record) == []


def test_a_page_asked_for_is_for_this_machine_only(tmp_path: Path):
    """No socket is bound or connected to anything but the loopback address."""
    record = tmp_path / "calls"
    command = ["rehearse", "--speedup", "2000", "--page", "--plain"]
    went_well(on_a_terminal(tmp_path / "home", [command], timeout_s=120, before=traced(record)))
    used = [line for line in internet_calls(record) if re.search(r"\b(bind|connect|sendto|sendmsg)\(", line)]
    assert used and all('inet_addr("127.0.0.1")' in line for line in used), used


@pytest.mark.skipif(not shutil.which("dbus-daemon"), reason="needs dbus-daemon")
def test_a_live_run_in_an_empty_network_asks_for_none(tmp_path: Path):
    record = tmp_path / "calls"
    before = (*emptied(), *traced(record))
    with start_bluez() as bluez:
        bluez.add_strap(STRAP, battery=80)
        bluez.add_treadmill("C8:00:00:00:00:02")
        with LiveRun(tmp_path / "home", bluez.env, before=before) as run:
            run.settled(timeout_s=90)
            run.press("m")
            run.wait_for("mark")
            time.sleep(2)
            run.press("qq")
            wait_until(lambda: run.process.poll() is not None, 30, "its end")
            assert run.process.returncode == 0, run.errors.read_text()
    assert internet_calls(record) == []
    assert "AF_UNIX" in record.read_text(errors="replace")  # the way to the radio
