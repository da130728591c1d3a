"""Nothing lost: power cuts at every moment, kills, full and vanishing disks, clocks that jump."""

from __future__ import annotations

import asyncio
import errno
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import threading
import time
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from guard import events as ev
from guard.clock import SLEEP_COUNTED_S, RealClock, SleepWatch, wall_now
from guard.errors import InputError
from guard.live.inbox import Notice, Notices
from guard.log import file as log_file
from guard.log import log as log_module
from guard.log.file import is_being_written
from guard.log.log import SessionLog, new_session_path, read_log
from guard.replay.replay import same_as_recorded
from tests.support.durability import Disk, items_of, sessions_in
from tests.support.keep import STARTED, header
from tests.support.live import FakeLog, rising_run, until
from tests.test_live import SETTINGS, Stage

pytestmark = pytest.mark.skipif(os.name != "posix", reason="POSIX files and signals")

MOST_LOST_S = 5.0


class Ticker:
    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def reporter(said: list[tuple[str, bool]]):  # type: ignore[no-untyped-def]
    return lambda sentence, works: said.append((sentence, works))


# power cut

def recorded(disk: Disk, path: Path, items: list[ev.Input | ev.Output]) -> None:
    """Writes the session as the live loop does: each item when it comes, a tick every quarter second."""
    log = SessionLog(path, header(), clock=disk.clock)
    for item in items:
        while disk.now_s + 0.25 < item.t_s:
            disk.now_s += 0.25
            log.tick()
        disk.now_s = item.t_s
        log.write(item)
    log.close({"duration_s": items[-1].t_s})


@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="told apart by /proc")
@pytest.mark.parametrize("seconds", [30, pytest.param(900, marks=pytest.mark.slow)])
def test_power_cut_at_every_moment_loses_at_most_five_seconds(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seconds: int) -> None:
    disk, items, chance = Disk(), items_of(seconds), random.Random(1)
    with monkeypatch.context() as patch:
        disk.patch(patch)
        recorded(disk, tmp_path / "a.jsonl", items)
    assert [kind for _, kind, _ in disk.done[:3]] == ["named", "write", "sync"]
    path = tmp_path / "after.jsonl"
    worst_s, opened = 0.0, 0
    for moment in range(len(disk.done) + 1):
        at_s = disk.done[min(moment, len(disk.done) - 1)][0]
        written = sum(item.t_s <= at_s for item in items)
        for data in disk.cut(moment, chance):
            if data is None or not data.strip(b"\0") or b"\n" not in data.strip(b"\0"):
                assert at_s == 0.0  # only before the session had begun
                continue
            path.write_bytes(data)
            recording = read_log(path)
            opened += 1
            assert list(recording.items) == items[:len(recording.items)]  # in order, no hole
            assert not recording.damaged and len(recording.items) <= written
            kept_s = recording.items[-1].t_s if recording.items else 0.0
            lost_s = at_s - kept_s if len(recording.items) < written else 0.0
            worst_s = max(worst_s, lost_s)
            if moment < len(disk.done) - 1:
                assert len(recording.notes) == 1 and "interrupted" in recording.notes[0]
    print(f"{len(disk.done)} moments, {opened} disks found, at most {worst_s:.2f} s lost")
    assert opened > 5 * len(disk.done) - 30
    assert 0.0 < worst_s <= MOST_LOST_S


# kill

def rehearsal(home: Path, *words: str, **more: str) -> subprocess.Popen[bytes]:
    env = {**os.environ, "GUARD_HOME": str(home), "GUARD_SOUND": "off", "PYTHONWARNINGS": "error", **more}
    return subprocess.Popen([sys.executable, "-m", "guard", "rehearse", "--plain", *words], env=env,
                            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL)


def killed_rehearsal(home: Path, after_s: float, speedup: int) -> Path:
    """A rehearsal killed `after_s` seconds after its log began; returns the log."""
    shutil.rmtree(home, ignore_errors=True)
    child = rehearsal(home, "--speedup", str(speedup), "--seed", "3")
    end_s = time.monotonic() + 30
    while not (home / "data" / "rehearsals").is_dir() or not sessions_in(home):
        assert child.poll() is None and time.monotonic() < end_s
        time.sleep(0.005)
    time.sleep(after_s)
    child.send_signal(signal.SIGKILL)
    child.wait()
    assert child.stderr is not None
    child.stderr.close()
    return sessions_in(home)[0]


@pytest.mark.parametrize("trials", [1, pytest.param(200, marks=pytest.mark.slow)])
def test_a_killed_rehearsal_keeps_all_but_its_last_moment(tmp_path: Path, trials: int) -> None:
    """The whole program, not the log alone: what its screen showed a moment ago is in the file."""
    chance = random.Random(trials)
    lengths = []
    for _ in range(trials):
        path = killed_rehearsal(tmp_path / "home", chance.uniform(0.0, 1.5), chance.choice([20, 100, 400]))
        data = path.read_bytes()
        if b"\n" not in data:  # killed inside the very first write
            with pytest.raises(InputError, match=r"before anything was kept|is empty"):
                read_log(path)
            continue
        recording = read_log(path)
        assert not recording.damaged
        assert not recording.interrupted or len(recording.notes) == 1
        assert same_as_recorded(recording).same
        lengths.append(recording.end_s)
    print(f"{trials} kills, logs of {min(lengths, default=0):.0f} to {max(lengths, default=0):.0f} s")
    assert trials == 1 or (len(lengths) >= 0.9 * trials and max(lengths) > 5)


WRITER = """
import sys, time
from pathlib import Path
from guard.events import Reading
from guard.log.log import SessionLog
log = SessionLog(Path(sys.argv[1]), {"type": "session", "format": 1, "settings": {}})
began = time.monotonic()
while True:
    t_s = round(time.monotonic() - began, 3)
    log.write(Reading(t_s, 120))
    print(t_s, flush=True)
    time.sleep(0.001)
"""


def killed_while_writing(path: Path, after_s: float) -> float:
    """Let `WRITER` write the log `path`, kill it after `after_s`; the last time it said was written, s."""
    child = subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE)
    assert child.stdout is not None
    child.stdout.readline()
    time.sleep(after_s)
    child.kill()
    said = child.stdout.read().split()
    child.wait()
    child.stdout.close()
    return float(said[-2]) if said[:-1] else 0.0  # the last number may be half printed


@pytest.mark.parametrize("trials", [2, pytest.param(200, marks=pytest.mark.slow)])
def test_kill_9_loses_nothing_that_was_written(tmp_path: Path, trials: int) -> None:
    chance = random.Random(trials)
    for trial in range(trials):
        path = tmp_path / f"{trial}.jsonl"
        written_s = killed_while_writing(path, chance.uniform(0, 0.2))
        recording = read_log(path)
        assert not recording.damaged and len(recording.notes) == 1
        assert recording.end_s >= written_s


# full, read-only and vanishing disks

@pytest.fixture
def small_disk(tmp_path: Path):  # type: ignore[no-untyped-def]
    """A real file system of 64 kB; skipped where it may not be mounted."""
    place = tmp_path / "disk"
    place.mkdir()
    if not shutil.which("mount") or subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)],
            capture_output=True, check=False).returncode:
        pytest.skip("mounting a file system is not allowed here")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def readings(first: int, count: int) -> list[ev.Reading]:
    return [ev.Reading(float(t_s), 100 + t_s % 50, True, (0.5,)) for t_s in range(first, first + count)]


def test_a_real_full_disk(small_disk: Path) -> None:
    clock, said = Ticker(), list[tuple[str, bool]]()
    (small_disk / "ballast").write_bytes(b"x" * 40_000)
    log = SessionLog(small_disk / "a.jsonl", header(), clock=clock, report=reporter(said))
    items = readings(0, 2000)
    for item in items[:1500]:
        clock.now_s += 1
        log.write(item)
    assert log.failing and [works for _, works in said] == [False] and "No space left" in said[0][0]
    (small_disk / "ballast").unlink()
    subprocess.run(["mount", "-o", "remount,size=1m", str(small_disk)], check=True)
    for item in items[1500:]:
        clock.now_s += 1
        log.write(item)
    assert log.close({"duration_s": 2000}) == small_disk / "a.jsonl"
    assert [works for _, works in said] == [False, True]
    recording = read_log(small_disk / "a.jsonl")
    assert list(recording.items) == items and recording.notes == ()


def test_a_disk_that_turns_read_only(small_disk: Path) -> None:
    """As an SD card does when it fails; the file that is open cannot be remounted under, so a bind mount."""
    clock, said = Ticker(), list[tuple[str, bool]]()
    folder = small_disk / "sessions"
    folder.mkdir()
    subprocess.run(["mount", "--bind", str(folder), str(folder)], check=True)
    try:
        subprocess.run(["mount", "-o", "remount,bind,ro", str(folder)], check=True)
        log = SessionLog(folder / "a.jsonl", header(), clock=clock, report=reporter(said))
        items = readings(0, 60)
        for item in items[:40]:
            clock.now_s += 1
            log.write(item)
        assert log.failing and "Read-only" in said[0][0] and len(said) == 1
        subprocess.run(["mount", "-o", "remount,bind,rw", str(folder)], check=True)
        for item in items[40:]:
            clock.now_s += 1
            log.write(item)
        assert not log.failing and said[-1][1]
        assert log.close({}) == folder / "a.jsonl"
        assert list(read_log(folder / "a.jsonl").items) == items
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


LIMITED = """
import resource, sys
from pathlib import Path
from guard.events import Reading
from guard.log.log import SessionLog, read_log
soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
now, said = [0.0], []
resource.setrlimit(resource.RLIMIT_FSIZE, (5000, hard))
path = Path(sys.argv[1])
log = SessionLog(path, {"type": "session", "format": 1, "settings": {}}, clock=lambda: now[0],
                 report=lambda sentence, works: said.append((sentence, works)))
items = [Reading(float(t_s), 120) for t_s in range(300)]
for item in items[:200]:
    now[0] += 1
    log.write(item)
assert log.failing and path.stat().st_size == 5000, path.stat()
resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
for item in items[200:]:
    now[0] += 1
    log.write(item)
assert log.close({}) == path
assert [works for _, works in said] == [False, True] and "too large" in said[0][0], said
assert list(read_log(path).items) == items and not read_log(path).notes
"""


def test_a_limit_on_the_size_of_files(tmp_path: Path) -> None:
    """The kernel takes part of a line, then none (setrlimit(2), RLIMIT_FSIZE: EFBIG)."""
    assert resource.RLIMIT_FSIZE is not None
    done = subprocess.run([sys.executable, "-c", LIMITED, str(tmp_path / "a.jsonl")],
                          capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("how", ["file", "folder", "moved"])
def test_a_log_removed_in_mid_session_is_there_again(tmp_path: Path, how: str) -> None:
    clock, said = Ticker(), list[tuple[str, bool]]()
    folder = tmp_path / "sessions"
    folder.mkdir(mode=0o700)
    log = SessionLog(folder / "a.jsonl", header(), clock=clock, report=reporter(said))
    items = readings(0, 60)
    for second, item in enumerate(items):
        clock.now_s += 1
        if second == 30 and how == "file":
            (folder / "a.jsonl").unlink()
        elif second == 30 and how == "folder":
            shutil.rmtree(folder)
        elif second == 30:
            folder.rename(tmp_path / "elsewhere")
        log.write(item)
    assert [works for _, works in said] == [False, True] and "removed or moved" in said[0][0]
    assert log.close({}) == folder / "a.jsonl"
    assert list(read_log(folder / "a.jsonl").items) == items
    assert (folder / "a.jsonl").stat().st_mode & 0o777 == 0o600 and folder.stat().st_mode & 0o777 == 0o700


def test_a_disk_taken_out_and_put_back_gets_the_rest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was not synced is not on it any more; what is there may even end in zeros."""
    clock, said = Ticker(), list[tuple[str, bool]]()
    folder, gone = tmp_path / "stick", tmp_path / "pulled"
    folder.mkdir()
    log = SessionLog(folder / "a.jsonl", header(), clock=clock, report=reporter(said))
    items = readings(0, 40)
    for item in items[:10]:
        clock.now_s += 1
        log.write(item)
    log.sync()
    synced = (folder / "a.jsonl").read_bytes()
    for item in items[10:12]:
        clock.now_s += 1
        log.write(item)
    folder.rename(gone)
    with monkeypatch.context() as patch:
        def dead(fd: int, data: object) -> int:
            raise OSError(errno.EIO, os.strerror(errno.EIO))

        patch.setattr(log_file.os, "write", dead)
        patch.setattr(log_file.os, "read", dead)
        for item in items[12:20]:
            clock.now_s += 1
            log.write(item)
    assert log.failing and len(said) == 1
    gone.rename(folder)
    # Another file of the same content, as after a remount: the open one is of the old mount.
    (folder / "a.jsonl").unlink()
    (folder / "a.jsonl").write_bytes(synced + b'{"t":10.0,"ty\0\0\0\0')
    for item in items[20:]:
        clock.now_s += 1
        log.write(item)
    assert log.close({}) == folder / "a.jsonl"
    recording = read_log(folder / "a.jsonl")
    assert list(recording.items) == items and recording.notes == ()


def test_a_disk_put_back_gets_what_was_recorded_in_its_place(tmp_path: Path) -> None:
    """While a mounted card is away its bare folder is there: the log stays one, in one file of one name."""
    clock, said = Ticker(), list[tuple[str, bool]]()
    folder, gone = tmp_path / "card", tmp_path / "away"
    folder.mkdir()
    log = SessionLog(folder / "a.jsonl", header(), clock=clock, report=reporter(said))
    items = readings(0, 60)
    for second, item in enumerate(items):
        clock.now_s += 1
        if second == 20:
            folder.rename(gone)
            folder.mkdir()
        if second == 40:
            assert (folder / "a.jsonl").exists()
            (folder / "a.jsonl").unlink()
            folder.rmdir()
            gone.rename(folder)
        log.write(item)
    assert [works for _, works in said] == [False, True] * 2
    assert log.close({}) == folder / "a.jsonl"
    assert [one.name for one in folder.iterdir()] == ["a.jsonl"]
    assert list(read_log(folder / "a.jsonl").items) == items


@pytest.mark.parametrize("number", [errno.EIO, errno.ENOSPC])
def test_what_a_failed_sync_may_have_dropped_is_written_again(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    """After a failed fsync the kernel may have let the pages go and will not say so again (fsync(2))."""
    clock, said = Ticker(), list[tuple[str, bool]]()
    path = tmp_path / "a.jsonl"
    log = SessionLog(path, header(), clock=clock, report=reporter(said))
    items = readings(0, 40)
    for item in items[:3]:
        clock.now_s += 1
        log.write(item)
    safe = path.read_bytes()
    for item in items[3:5]:
        clock.now_s += 1
        log.write(item)

    def fails(fd: int) -> None:
        path.write_bytes(safe + b"\0" * (path.stat().st_size - len(safe)))  # same file, its new pages dropped
        raise OSError(number, os.strerror(number))

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fails)
        log.sync()
    assert log.failing
    for item in items[5:]:
        clock.now_s += 1
        log.write(item)
    log.close({})
    assert list(read_log(path).items) == items and read_log(path).notes == ()
    assert [works for _, works in said] == [False, True]


def test_a_folder_that_never_comes_back_leaves_the_session_elsewhere(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    clock, said = Ticker(), list[tuple[str, bool]]()
    folder = tmp_path / "sessions"
    folder.mkdir()
    log = SessionLog(folder / "a.jsonl", header(), clock=clock, report=reporter(said))
    items = readings(0, 30)
    for second, item in enumerate(items):
        clock.now_s += 1
        if second == 15:
            shutil.rmtree(folder)
            folder.write_text("something else stands here now")
        log.write(item)
    kept = log.close({})
    assert kept is not None and kept.parent == tmp_path and str(kept) in said[-1][0]
    assert list(read_log(kept).items) == items


# two guards at once

def test_two_guards_of_one_instant_get_a_log_each(tmp_path: Path) -> None:
    begin = threading.Barrier(6)
    logs: list[SessionLog] = []

    def start() -> None:
        path = new_session_path(STARTED, tmp_path)  # all six see the same free name
        begin.wait()
        logs.append(SessionLog(path, header()))

    threads = [threading.Thread(target=start) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for number, log in enumerate(logs):
        log.write(ev.Reading(1.0, 100 + number))
        assert log.close({}) == log.path
    assert len({log.path for log in logs}) == 6
    assert {log.path.stem for log in logs} == {
        "2026-03-02_0610", *(f"2026-03-02_0610_{number}" for number in range(2, 7))}
    for number, log in enumerate(logs):
        assert read_log(log.path).items == (ev.Reading(1.0, 100 + number),)


def test_a_log_that_is_being_written_can_be_told(tmp_path: Path) -> None:
    log = SessionLog(tmp_path / "a.jsonl", header())
    assert is_being_written(log.path)
    log.close({})
    assert not is_being_written(log.path) and not is_being_written(tmp_path / "none")


# said aloud and on screen

def noted(stage: Stage, words: str) -> bool:
    """Whether a screen has shown a note with these words."""
    return any(words in note for frame in stage.screen.frames for note in frame.notes)


async def until_s(condition, seconds: float = 15.0) -> None:  # type: ignore[no-untyped-def]
    await asyncio.wait_for(until(condition), seconds)


def test_a_lasting_note_stays_until_its_topic_has_another() -> None:
    notices = Notices(30.0)
    notices.add(Notice("not written", "log", True), 0.0)
    for number in range(4):
        notices.add(Notice(f"passing {number}"), 1.0 + number)
    assert notices.shown(5.0) == ("passing 2", "passing 3", "not written")
    assert notices.shown(1000.0) == ("not written",)
    notices.add(Notice("written again", "log"), 1000.0)
    assert notices.shown(1001.0) == ("written again",)
    assert notices.shown(1031.0) == ()


async def test_a_log_that_fails_is_said_aloud_and_stays_on_screen(
        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The real log on a folder that is removed, in the live loop."""
    from guard.commands.session_parts import _tell_of_log

    monkeypatch.setattr(log_module, "SYNC_EVERY_S", 0.05)
    monkeypatch.setattr(log_module, "RETRY_EVERY_S", 0.3)
    folder = tmp_path / "sessions"
    folder.mkdir()
    stage = Stage(rising_run(20), stay=True)
    log = SessionLog(folder / "a.jsonl", header(), report=lambda sentence, works: _tell_of_log(
        stage.inbox, sentence, works))
    stage.log = log  # type: ignore[assignment]
    running = asyncio.create_task(stage.run())
    await until_s(lambda: bool(stage.screen.frames) and stage.screen.frames[-1].snapshot.t_s >= 19.0)
    await asyncio.to_thread(shutil.rmtree, folder)
    await until_s(lambda: "not recording" in stage.sounder.asked("say"))
    await until_s(lambda: noted(stage, "removed or moved"))
    await until_s(lambda: "recording again" in stage.sounder.asked("say"))
    os.kill(os.getpid(), signal.SIGINT)
    ended = await running
    assert ended.log_path == folder / "a.jsonl"
    assert len([item for item in read_log(folder / "a.jsonl").items if isinstance(item, ev.Reading)]) == 19


async def test_a_disk_that_does_not_answer_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("guard.live.live.STUCK_S", 0.3)
    hold = threading.Event()
    stage = Stage(rising_run(20), stay=True)
    stage.log = FakeLog(hold=hold)
    running = asyncio.create_task(stage.run(SETTINGS))
    await until_s(lambda: "not recording" in stage.sounder.asked("say"))
    assert any("does not answer" in note for note in stage.screen.frames[-1].notes)
    hold.set()
    await until_s(lambda: "recording again" in stage.sounder.asked("say"))
    os.kill(os.getpid(), signal.SIGINT)
    assert "the disk answers again" in (await running).troubles


def test_a_rehearsal_into_a_full_disk_goes_on_and_says_so(tmp_path: Path) -> None:
    """The whole program; its log may grow to 20 kB only, so the session is rescued in the end."""
    spare = tmp_path / "tmp"
    spare.mkdir()
    code = ("import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000));"
            "from guard.cli import main; sys.exit(main(['rehearse', '--plain', '--speedup', '3000']))")
    env = {**os.environ, "GUARD_HOME": str(tmp_path / "home"), "GUARD_SOUND": "off", "TMPDIR": str(spare)}
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True,
                          stdin=subprocess.DEVNULL, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    assert "cue: Ease" in done.stdout and "state: done" in done.stdout.lower()
    assert "not recording (File too large)" in done.stderr and "Traceback" not in done.stderr
    assert read_log(sessions_in(tmp_path / "home")[0]).interrupted


# clocks

def test_sleep_of_the_machine_counts_but_not_for_ever() -> None:
    awake, asleep = [50.0], [1000.0]
    clock = RealClock(awake=lambda: awake[0], elapsed=lambda: awake[0] + asleep[0])
    watch = SleepWatch(lambda: awake[0], lambda: awake[0] + asleep[0])
    awake[0] += 10
    assert clock.now_s() == 10.0 and watch.slept_s() == 0.0
    asleep[0] += 90
    assert clock.now_s() == 100.0 and watch.slept_s() == 90.0 and watch.slept_s() == 0.0
    awake[0] += 1
    asleep[0] += 8 * 3600
    assert clock.now_s() == 101.0 + SLEEP_COUNTED_S
    assert watch.slept_s() == 8 * 3600


def test_neither_clock_is_one_that_is_set() -> None:
    """The real ones: BOOTTIME and MONOTONIC differ by sleep alone (clock_gettime(2))."""
    watch, clock = SleepWatch(), RealClock()
    before = clock.now_s()
    time.sleep(0.05)
    assert 0.04 < clock.now_s() - before < 5.0 and watch.slept_s() == 0.0


async def test_sleep_shows_as_lost_signal_and_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    asleep = [0.0]
    clock = RealClock(elapsed=lambda: time.monotonic() + asleep[0])
    monkeypatch.setattr("guard.live.live.SleepWatch", lambda: SleepWatch(
        elapsed=lambda: time.monotonic() + asleep[0]))
    stage = Stage([])
    stage.clock = clock
    put_more = asyncio.Event()

    async def run(clock_: object, put: object) -> None:
        for second in range(5):
            put(ev.Reading(clock.now_s(), 120 + second, True))  # type: ignore[operator]
            await asyncio.sleep(0.02)
        await put_more.wait()
        for second in range(14):  # trusted, and for long enough that it is said
            put(ev.Reading(clock.now_s(), 120 + second % 2, True))  # type: ignore[operator]
            await asyncio.sleep(0.1)
            asleep[0] += 0.9

    stage.source.run = run  # type: ignore[assignment, method-assign]
    running = asyncio.create_task(stage.run())
    await until_s(lambda: sum(isinstance(item, ev.Reading) for item in stage.log.items) == 5)
    asleep[0] = 180.0
    await until_s(lambda: noted(stage, "slept for 3:00"))
    put_more.set()
    await running
    cues = [given.cue for given in stage.sounder.asked("cue")]
    lost = cues.index(ev.Cue.SIGNAL_BACK)  # said again as often as it was due
    assert lost >= 1 and set(cues[:lost]) == {ev.Cue.SIGNAL_LOST}
    times = [item.t_s for item in stage.log.items]
    assert times == sorted(times) and times[-1] > 180


async def test_what_time_brings_is_looked_at_when_it_is_due() -> None:
    """The session's grid has a point every quarter of a second; a look between two of them comes late."""
    stage, phases_s = Stage([], stay=True), list[float]()
    stage.clock = RealClock()
    await asyncio.sleep(0.1)  # begun between two points
    stage.log.tick = lambda: phases_s.append(stage.clock.now_s() % 0.25)  # type: ignore[method-assign]
    running = asyncio.create_task(stage.run())
    await until_s(lambda: len(phases_s) >= 6)
    os.kill(os.getpid(), signal.SIGINT)
    await running
    assert sorted(phases_s[1:])[2] < 0.05, phases_s


@pytest.mark.parametrize("days", [3650, -3650])
async def test_a_clock_step_of_ten_years_disturbs_nothing(tmp_path: Path, days: int) -> None:
    jump = timedelta()
    stage = Stage(rising_run(60), stay=True)
    log = SessionLog(tmp_path / "a.jsonl", header())
    stage.log = log  # type: ignore[assignment]
    running = asyncio.create_task(stage.run(wall=lambda: wall_now() + jump))
    await until_s(lambda: bool(stage.screen.frames) and stage.screen.frames[-1].snapshot.t_s >= 59.0)
    jump = timedelta(days=days)
    await until_s(lambda: b'"clock"' in (tmp_path / "a.jsonl").read_bytes())
    await until_s(lambda: noted(stage, "clock of this machine was set, to 20"))
    os.kill(os.getpid(), signal.SIGINT)
    await running
    recording = read_log(tmp_path / "a.jsonl")
    anchor, = (item for item in recording.items if isinstance(item, ev.Clock))
    assert abs(datetime.fromisoformat(anchor.wall) - wall_now() - jump) < timedelta(seconds=60)
    assert recording.notes == () and recording.end_s < 120
