"""What can happen to the log: disks that fill, fail, vanish or stop answering, power cuts and kill -9."""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from guard.errors import InputError
from guard.events import Reading
from guard.log.log import read_log
from guard.replay.replay import same_as_recorded
from tests.support.alsa import Capture, wait_until
from tests.support.bluez import Bluez
from tests.support.campaign import (
    MOST_LOST_S,
    PARTS,
    REGAINED_S,
    REPEATS,
    SAID_S,
    ext4_image,
    guard_run,
    heard_since,
    kept,
    latencies,
    lost_at_the_end_s,
    mounted,
    quick_cues_row,
    sessions_disk,
)
from tests.support.durability import Disk, items_of
from tests.support.fault_table import Row, Shim, worst
from tests.support.guard_run import STRAP
from tests.test_durability import WRITER, recorded

pytestmark = pytest.mark.slow

KILLS = int(os.environ.get("GUARD_KILLS", "200"))


def disk_row(fault: str, said_s: float, regained_s: float, lost_s: float) -> Row:
    return Row(fault, said_s, regained_s, lost_s, "said, goes on, nothing lost",
               said_s <= SAID_S and regained_s <= REGAINED_S and lost_s == 0, "on screen")


def test_disk_full(rows: list[Row], bluez: Bluez, tmp_path: Path) -> None:
    bluez.change(STRAP, interval_s=0.25)
    with sessions_disk(tmp_path, "-t", "tmpfs", "-o", "size=64k", "tmpfs") as disk, \
            guard_run(tmp_path, bluez) as run:
        run.settled()
        before_s = time.monotonic()
        with contextlib.suppress(OSError), (disk / "ballast").open("wb") as file:
            while True:
                file.write(b"x" * 512)
                file.flush()
        shown_s = run.wait_to_show("not recording", before_s, 30)
        taken_s = max(seen_s for _, seen_s in run.arrivals)
        time.sleep(5)
        (disk / "ballast").unlink()
        back_s = time.monotonic()
        again_s = run.wait_to_show("recording again", back_s)
        run.settled()
        lost_s = lost_at_the_end_s(run, bluez)
    kept(rows, disk_row("disk full (tmpfs)", shown_s - taken_s, again_s - back_s, lost_s))


def test_folder_removed(rows: list[Row], bluez: Bluez, tmp_path: Path) -> None:
    with guard_run(tmp_path, bluez) as run:
        run.settled()
        fault_s = time.monotonic()
        shutil.rmtree(tmp_path / "home" / "data" / "sessions")
        shown_s = run.wait_to_show("not recording", fault_s)
        again_s = run.wait_to_show("recording again", fault_s)
        run.settled_readings(4)
        lost_s = lost_at_the_end_s(run, bluez)
    kept(rows, disk_row("sessions folder removed", shown_s - fault_s, again_s - shown_s, lost_s))


def test_folder_read_only(rows: list[Row], bluez: Bluez, tmp_path: Path) -> None:
    place = tmp_path / "home" / "data" / "sessions"
    place.mkdir(parents=True)
    with sessions_disk(tmp_path, "--bind", str(place)):
        subprocess.run(["mount", "-o", "remount,bind,ro", str(place)], check=True)
        with guard_run(tmp_path, bluez) as run:
            start_s = time.monotonic()
            wait_until(lambda: bool(run.screens), 20, "the first screen")
            first_s = run.screens[0].at_s
            shown_s = run.wait_to_show("not recording", start_s)
            time.sleep(8)
            subprocess.run(["mount", "-o", "remount,bind,rw", str(place)], check=True)
            back_s = time.monotonic()
            again_s = run.wait_to_show("recording again", back_s)
            run.settled()
            lost_s = lost_at_the_end_s(run, bluez)
    kept(rows, disk_row("read-only folder at the start", shown_s - first_s, again_s - back_s, lost_s))


def test_disk_fails(rows: list[Row], bluez: Bluez, tmp_path: Path) -> None:
    """As a worn memory card does: ext4 gives up and takes nothing more; then it is checked and mounted."""
    image = ext4_image(tmp_path / "card", 24)
    with sessions_disk(tmp_path, "-o", "loop", str(image)) as place, guard_run(tmp_path, bluez) as run:
        run.settled(6)
        fault_s = time.monotonic()
        # mount(8), ext4: "abort: Simulate the effects of calling ext4_abort() for debugging purposes".
        subprocess.run(["mount", "-o", "remount,abort", str(place)], check=True)
        shown_s = run.wait_to_show("not recording", fault_s)
        time.sleep(4)
        subprocess.run(["umount", "-l", str(place)], check=True)
        run.wait_to_show("recording again", shown_s)  # in the bare folder, while the card is away
        repaired = tmp_path / "repaired"
        subprocess.run(["cp", str(image), str(repaired)], check=True)  # the first is still held by the log
        subprocess.run(["e2fsck", "-f", "-y", str(repaired)], check=False, capture_output=True)
        subprocess.run(["mount", "-o", "loop", str(repaired), str(place)], check=True)
        back_s = time.monotonic()
        run.wait_to_show("not recording", back_s)
        again_s = run.wait_to_show("recording again", time.monotonic())
        run.settled_readings(4)
        lost_s = lost_at_the_end_s(run, bluez)
    kept(rows, disk_row("memory card fails, repaired (ext4)", shown_s - fault_s, again_s - back_s, lost_s))


def test_power_cut_by_order_of_writes(
        rows: list[Row], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """200 random moments, each with every disk that may then be found (see `Disk`)."""
    disk, items, chance = Disk(), items_of(900), random.Random(4)
    with monkeypatch.context() as patch:
        disk.patch(patch)
        recorded(disk, tmp_path / "a.jsonl", items)
    worst_s, opened, path = 0.0, 0, tmp_path / "after.jsonl"
    for moment in sorted(chance.sample(range(5, len(disk.done)), 200)):
        at_s = disk.done[moment][0]
        for data in disk.cut(moment, chance):
            assert data is not None
            path.write_bytes(data)
            recording = read_log(path)
            opened += 1
            assert not recording.damaged and list(recording.items) == items[:len(recording.items)]
            if len(recording.items) < sum(item.t_s <= at_s for item in items):
                worst_s = max(worst_s, at_s - (recording.items[-1].t_s if recording.items else 0.0))
    kept(rows, Row("power cut, order of writes", None, None, worst_s,
                   f"opens, at most {MOST_LOST_S:g} s lost",
                   worst_s <= MOST_LOST_S, f"200 cuts, {opened} disks"))


def test_power_cut_of_a_real_file_system(rows: list[Row], tmp_path: Path) -> None:
    """ext4 on a disk image that is copied at random moments: what a disk holds when the power fails."""
    copy, place, found = (tmp_path / name for name in ("cut", "live", "found"))
    image = ext4_image(tmp_path / "disk", 24)
    mounted(place, "-o", "loop", str(image))
    chance, worst_s, said = random.Random(5), 0.0, [0.0]
    slower = WRITER.replace("0.001", "0.01")
    child = subprocess.Popen([sys.executable, "-c", slower, str(place / "a.jsonl")],
                             stdout=subprocess.PIPE, text=True)

    def hear() -> None:
        assert child.stdout is not None
        for line in child.stdout:
            with contextlib.suppress(ValueError):  # the last number may be half printed
                said[0] = float(line)

    hearing = threading.Thread(target=hear)
    hearing.start()
    try:
        wait_until(lambda: said[0] > 0.1, 10, "the writer")
        for _ in range(200):
            time.sleep(chance.uniform(0.0, 0.4))
            at_s = said[0]
            subprocess.run(["cp", str(image), str(copy)], check=True)
            mounted(found, "-o", "loop", str(copy))
            try:
                recording = read_log(found / "a.jsonl")
                assert not recording.damaged
                worst_s = max(worst_s, at_s - recording.end_s)
            finally:
                subprocess.run(["umount", str(found)], check=True)
    finally:
        child.kill()
        child.wait()
        hearing.join()
        assert child.stdout is not None
        child.stdout.close()
        subprocess.run(["umount", "-l", str(place)], check=True)
    kept(rows, Row("power cut, real ext4", None, None, worst_s, f"opens, at most {MOST_LOST_S:g} s lost",
                   worst_s <= MOST_LOST_S, "200 cuts"))


def test_kill_9(rows: list[Row], bluez: Bluez, tmp_path: Path) -> None:
    """The whole guard, at any moment from the first line of its log on, and started again each time."""
    chance, worst_s, longest_s = random.Random(6), 0.0, 0.0
    bluez.change(STRAP, interval_s=0.1)
    for trial in range(KILLS):
        folder = tmp_path / str(trial)
        folder.mkdir()
        with guard_run(folder, bluez, env={"GUARD_SOUND": "off"}, keep_screens=False) as run:
            wait_until(lambda run=run: run.log is not None, 30, "a log")  # type: ignore[misc]
            time.sleep(chance.uniform(0.0, 1.5))
            killed_s = run.signal(signal.SIGKILL)
            run.wait()
            time.sleep(0.1)  # the last lines are read here too
            assert run.log is not None
            if b"\n" not in run.log.read_bytes():
                with pytest.raises(InputError, match=r"before anything was kept|is empty"):
                    read_log(run.log)
                continue
            recording = read_log(run.log)
            assert not recording.damaged and len(recording.notes) == 1 and same_as_recorded(recording).same
            given = sum(isinstance(item, Reading) for item in recording.items)
            if given:
                worst_s = max(worst_s, killed_s - run.at(recording.end_s) - bluez.straps[STRAP].interval_s)
                longest_s = max(longest_s, recording.end_s)
        shutil.rmtree(folder)
    kept(rows, Row("guard killed (kill -9)", None, None, worst_s,
                   f"opens, at most {MOST_LOST_S:g} s lost", worst_s <= MOST_LOST_S and longest_s > 0,
                   f"{KILLS} kills, logs of up to {longest_s:.1f} s"))


def test_killed_guard_is_heard(rows: list[Row], bluez: Bluez, heard_sounds: Capture, tmp_path: Path) -> None:
    """Silence must not pass for fine: the sound worker outlives the guard for its last words."""
    found: list[Row] = []
    for repeat in range(REPEATS):
        folder = tmp_path / str(repeat)
        folder.mkdir()
        with guard_run(folder, bluez, env=heard_sounds.env) as run:
            run.settled(5)
            heard_sounds.forget()
            killed_s = run.signal(signal.SIGKILL)
            said_s = heard_since(heard_sounds, "guard_stopped", killed_s) - killed_s
            run.wait()
            assert run.log is not None
            lost_s = max(0.0, killed_s - run.at(read_log(run.log).end_s) - 1.0)
        found.append(Row("guard killed: said aloud", said_s, None, lost_s, f"heard {SAID_S:g} s",
                         said_s <= SAID_S and lost_s <= MOST_LOST_S, f"{REPEATS} times"))
    kept(rows, worst(found))


def test_sync_stalled(rows: list[Row], bluez: Bluez, heard_sounds: Capture, tmp_path: Path) -> None:
    shim = Shim(tmp_path)
    with guard_run(tmp_path, bluez, env={**heard_sounds.env, **shim.env}, plan=PARTS) as run:
        run.settled()
        usual = latencies(run, heard_sounds)
        fault_s = time.monotonic()
        shim.hold_sync(True)
        slow = latencies(run, heard_sounds)
        said_s = run.wait_to_show("the disk does not answer", fault_s, 25)
        back_s = time.monotonic()
        shim.hold_sync(False)
        again_s = run.wait_to_show("the disk answers again", back_s)
        lost_s = lost_at_the_end_s(run, bluez)
    kept(rows, quick_cues_row(
        "disk does not answer a sync", slow, usual, said_s - fault_s, again_s - back_s, lost_s))
