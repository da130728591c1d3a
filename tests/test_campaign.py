"""Every fault the guard promises to bear, brought about for real, and one table of what came of it.

    .venv/bin/python -m pytest -m slow -n 0 -s tests/test_campaign.py

About twenty minutes; on a busy machine under `nice -n -15` (root), or it measures
its neighbours. A row is the worst of its repeats; each row is also a test.
GUARD_REPEATS says how often each fault of the link is brought about (3).
*Said within* counts from the fault to the first sample heard, the first screen
drawn or the log line, as the row's note says; *regained in* from the return of
what was gone to trusted readings (or sound, or a log that is whole again);
*lost* is what is missing in the log.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from guard.keep.log import read_log
from guard.settings import Settings
from guard.study.replay import same_as_recorded
from tests.support.alsa import Capture, heard_sounds, wait_until
from tests.support.bluez import Bluez, start_bluez
from tests.support.durability import Disk, items_of
from tests.support.fault_table import STEP_YEARS_S, Row, Shim, table, worst
from tests.support.guard_run import CEILING_BPM, STRAP, LiveRun
from tests.support.pulse import Pulse, pulse
from tests.support.sound_session import SoundSession
from tests.support.tones_detector import recognised
from tests.test_durability import WRITER, killed_while_writing, recorded

__all__ = ["heard_sounds", "pulse"]

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux" or not shutil.which("dbus-daemon"),
                       reason="needs Linux and dbus-daemon")]

REPEATS = int(os.environ.get("GUARD_REPEATS", "3"))
SAID_S, REGAINED_S, MOST_LOST_S = 8.0, 10.0, 5.0
SHOWN_S = 3.0 + 0.5  # no signal shows at 3 s; the session looks, and the screen is drawn, 4 times a second
QUICK_CUE_S = 0.060
PARTS = 'name = "many parts"\n\n[[part]]\nrepeat = 190\n\n  [[part.part]]\n  kind = "base"\n  minutes = 15\n'


@pytest.fixture(scope="module")
def rows() -> Iterator[list[Row]]:
    found: list[Row] = []
    yield found
    print("\n\n" + table(found))


@pytest.fixture(scope="module")
def radio() -> Iterator[Bluez]:
    with start_bluez() as one:
        yield one


@pytest.fixture
def bluez(radio: Bluez) -> Bluez:
    radio.reset()
    radio.add_strap(STRAP, bpm=128, interval_s=1.0)
    return radio


def kept(rows: list[Row], row: Row) -> None:
    rows.append(row)
    print(table([row]).splitlines()[1])
    assert row.ok, row


def guard_run(tmp_path: Path, bluez: Bluez, *words: str, env: dict[str, str] | None = None,
              plan: bool = False, **more: object) -> LiveRun:
    """The real program; with `plan`, the key n brings a cue about."""
    if plan:
        (tmp_path / "parts.toml").write_text(PARTS)
        words += ("--plan", str(tmp_path / "parts.toml"), "--set", "speech=tones")
    return LiveRun(tmp_path / "home", {**bluez.env, **(env or {})}, "run", "--strap", STRAP,
                   "--ceiling", str(CEILING_BPM), "--no-note", *words, **more)  # type: ignore[arg-type]


def heard_since(heard: Capture, cue: str, since_s: float, timeout_s: float = 15.0) -> float:
    """When the first sample of such a cue was heard."""
    found: list[float] = []

    def there() -> bool:
        found.extend(one.onset_s for one in heard.sounds()
                     if one.onset_s >= since_s and recognised(one.samples, one.rate_hz) == cue)
        return bool(found)

    wait_until(there, timeout_s, f"the sound of {cue}")
    return found[0]


def ended_well(run: LiveRun, number: int = signal.SIGINT) -> float:
    """End it; the log must be whole and replay as it was; returns the seconds missing in it."""
    run.signal(number)
    assert run.wait() == 130, run.errors.read_text()
    return missing_s(run)


def missing_s(run: LiveRun) -> float:
    assert "Traceback" not in run.errors.read_text()
    assert run.log is not None
    recording = read_log(run.log)
    assert recording.notes == () and same_as_recorded(recording).same
    return 0.0


# the link

LINK_FAULTS: dict[str, tuple[Callable[[Bluez], object], Callable[[Bluez], object]]] = {
    "strap off (no contact)": (
        lambda bluez: bluez.change(STRAP, bpm=0, contact=False, rr=False),
        lambda bluez: bluez.change(STRAP, bpm=128, contact=True, rr=True)),
    "strap out of range": (
        lambda bluez: bluez.drop(STRAP, advertising=False),
        lambda bluez: bluez.change(STRAP, advertising=True)),
    "link silent, still connected": (
        lambda bluez: bluez.change(STRAP, silent=True), lambda bluez: bluez.change(STRAP, silent=False)),
    "Bluetooth service killed, restarted": (
        lambda bluez: bluez.kill_service(), lambda bluez: bluez.start_service()),
    "Bluetooth service frozen": (
        lambda bluez: bluez.freeze_service(), lambda bluez: bluez.thaw_service()),
    "adapter gone and back": (lambda bluez: bluez.unplug(), lambda bluez: bluez.plug()),
    "adapter off and on": (lambda bluez: bluez.power(False), lambda bluez: bluez.power(True)),
    "D-Bus gone and back": (
        lambda bluez: (bluez.kill_bus(), bluez.kill_service()),
        lambda bluez: (bluez.start_bus(), bluez.start_service())),
}


@pytest.mark.parametrize("fault", LINK_FAULTS)
def test_link(fault: str, rows: list[Row], bluez: Bluez, heard_sounds: Capture, tmp_path: Path) -> None:
    chance, inject, mend = random.Random(fault), *LINK_FAULTS[fault]
    found: list[tuple[float, float]] = []
    with guard_run(tmp_path, bluez, env=heard_sounds.env) as run:
        run.settled()
        for _ in range(REPEATS):
            time.sleep(3.0 + chance.random())
            fault_s = time.monotonic()
            inject(bluez)
            said_s = heard_since(heard_sounds, "signal_lost", fault_s)
            time.sleep(chance.uniform(1.0, 9.0))
            back_s = time.monotonic()
            mend(bluez)
            back_at_s = run.wait_for("state", lambda one: one["state"] != "no_signal", since_s=back_s)
            no_false_fine(run, fault_s, back_at_s)
            found.append((said_s - fault_s, back_at_s - back_s))
            heard_since(heard_sounds, "signal_back", back_s)
            run.settled(8)
            heard_sounds.forget()
        lost_s = ended_well(run)
    kept(rows, worst([
        Row(fault, said, regained, lost_s, f"heard {SAID_S:g} s, back {REGAINED_S:g} s, no false fine",
            said <= SAID_S and regained <= REGAINED_S, f"{REPEATS} times") for said, regained in found]))


def no_false_fine(run: LiveRun, fault_s: float, until_s: float) -> None:
    """From 3 s after the last trusted packet until trusted ones are back nothing may look well."""
    doubted = {one["t"] for one in run.of("doubt")}
    last_s = max(run.at(one["t"]) for one in run.of("reading")
                 if run.at(one["t"]) <= fault_s + 0.1 and one["bpm"] and one["t"] not in doubted)
    from_s = last_s + SHOWN_S
    states = [(run.at(one["t"]), one["state"]) for one in run.of("state")]
    before = [state for at_s, state in states if at_s <= from_s]
    assert before[-1:] == ["no_signal"], (before, last_s, fault_s)
    assert not [one for one in states if from_s < one[0] < until_s - 0.001 and one[1] != "no_signal"], states
    screens = [one for one in list(run.screens) if one.at_s <= until_s - 0.3]
    standing = [one for one in screens if one.at_s <= from_s][-1:]
    for screen in standing + [one for one in screens if one.at_s > from_s]:
        assert "NO SIGNAL" in screen.lines[1], (screen.at_s - last_s, screen.lines[:3])


# the log

def mounted(place: Path, *options: str) -> None:
    place.mkdir(parents=True, exist_ok=True)
    if os.geteuid() != 0 or subprocess.run(
            ["mount", *options, str(place)], capture_output=True, check=False).returncode:
        pytest.skip("mounting a file system is not allowed here")


@contextlib.contextmanager
def sessions_disk(tmp_path: Path, *options: str) -> Iterator[Path]:
    place = tmp_path / "home" / "data" / "sessions"
    mounted(place, *options)
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def gap_s(run: LiveRun, usual_s: float) -> float:
    """Seconds of readings missing in the log, from its first to its end."""
    missing_s(run)
    assert run.log is not None
    times = [0.0, *(one.t_s for one in read_log(run.log).items if type(one).__name__ == "Reading")]
    longest_s = max(later - earlier for earlier, later in pairwise(times))
    return 0.0 if longest_s < 4 * usual_s + 1.0 else longest_s - usual_s


def lost_at_the_end_s(run: LiveRun, usual_s: float) -> float:
    """End the run as its runner would; what is missing in its log, s."""
    run.signal(signal.SIGINT)
    assert run.wait() == 130
    return gap_s(run, usual_s)


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
        lost_s = lost_at_the_end_s(run, 0.25)
    said_s, regained_s = shown_s - taken_s, again_s - back_s
    kept(rows, Row("disk full (tmpfs)", said_s, regained_s, lost_s, "said, goes on, nothing lost",
                   said_s <= SAID_S and regained_s <= REGAINED_S and lost_s == 0, "on screen"))


def test_folder_removed(rows: list[Row], bluez: Bluez, tmp_path: Path) -> None:
    with guard_run(tmp_path, bluez) as run:
        run.settled()
        fault_s = time.monotonic()
        shutil.rmtree(tmp_path / "home" / "data" / "sessions")
        shown_s = run.wait_to_show("not recording", fault_s)
        again_s = run.wait_to_show("recording again", fault_s)
        run.settled_readings(4)
        lost_s = lost_at_the_end_s(run, 1.0)
    kept(rows, Row("sessions folder removed", shown_s - fault_s, again_s - shown_s, lost_s,
                   "said, goes on, nothing lost", shown_s - fault_s <= SAID_S and lost_s == 0, "on screen"))


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
            lost_s = lost_at_the_end_s(run, 1.0)
    kept(rows, Row("read-only folder at the start", shown_s - first_s, again_s - back_s, lost_s,
                   "said, goes on, nothing lost", shown_s - first_s <= SAID_S and lost_s == 0, "on screen"))


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
    image, copy, place, found = (tmp_path / name for name in ("disk", "cut", "live", "found"))
    with image.open("wb") as file:
        file.truncate(24 << 20)
    if not shutil.which("mkfs.ext4"):
        pytest.skip("needs mkfs.ext4 (Debian: e2fsprogs)")
    subprocess.run(["mkfs.ext4", "-q", str(image)], check=True)
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


def test_kill_9(rows: list[Row], tmp_path: Path) -> None:
    chance, worst_s = random.Random(6), 0.0
    for trial in range(200):
        path = tmp_path / f"{trial}.jsonl"
        written_s = killed_while_writing(path, chance.uniform(0, 0.2))
        recording = read_log(path)
        assert not recording.damaged
        worst_s = max(worst_s, written_s - recording.end_s)
    kept(rows, Row("kill -9", None, None, max(worst_s, 0.0), f"opens, at most {MOST_LOST_S:g} s lost",
                   worst_s <= MOST_LOST_S, "200 kills"))


# clocks

@pytest.mark.parametrize("years", [10, -10])
def test_clock_step(years: int, rows: list[Row], bluez: Bluez, tmp_path: Path) -> None:
    shim = Shim(tmp_path)
    with guard_run(tmp_path, bluez, env={**shim.env, "GUARD_SOUND": "off"}) as run:
        run.settled()
        fault_s = time.monotonic()
        shim.set_wall(years / 10 * STEP_YEARS_S)
        said_s = run.wait_for("clock", since_s=fault_s)
        run.settled(5)
        assert not [one for one in run.of("state", fault_s) if one["state"] == "no_signal"]
        lost_s = lost_at_the_end_s(run, 1.0)
    kept(rows, Row(f"clock set {years:+d} years", said_s - fault_s, 0.0, lost_s, "goes on, said (in the log)",
                   said_s - fault_s <= SAID_S and lost_s == 0, "wall clock of the process, by a shim"))


def test_suspend(rows: list[Row], bluez: Bluez, tmp_path: Path) -> None:
    """The processes stand still while the clock that counts sleep goes on by three minutes."""
    shim = Shim(tmp_path)
    with guard_run(tmp_path, bluez, env={**shim.env, "GUARD_SOUND": "off"}) as run:
        run.settled()
        time.sleep(2)
        run.signal(signal.SIGSTOP)
        time.sleep(1)
        shim.sleep_counted(180.0)
        woke_s = run.signal(signal.SIGCONT)
        said_s = run.wait_to_show("slept for 3:0", woke_s)
        run.settled(5)
        states = [one["state"] for one in run.of("state", woke_s - 400)]
        assert "no_signal" in states and states[-1] != "no_signal"
        lost_s = [one["t"] for one in run.of("state") if one["state"] == "no_signal"][-1]
        woke_t_s = next(one["t"] for one in run.of("reading") if one["t"] > lost_s)
        regained_s = next(one["t"] for one in run.of("state") if one["t"] > lost_s) - woke_t_s
        run.signal(signal.SIGINT)
        assert run.wait() == 130
        missing_s(run)
    kept(rows, Row("machine asleep for 3 min", said_s - woke_s, regained_s, 0.0,
                   "said on waking, old readings not fine",
                   said_s - woke_s <= SAID_S and regained_s <= REGAINED_S, "clock of sleep by a shim"))


# what must not delay a cue

def latencies(run: LiveRun, heard: Capture, cues: int = 10) -> list[float]:
    """Seconds from a key to the first sample of the cue it brings about."""
    found = []
    for _ in range(cues):
        pressed_s = run.press("n")
        found.append(heard_since(heard, "part", pressed_s) - pressed_s)
        time.sleep(1.2)
        heard.forget()
    return found


def quick_cues_row(fault: str, slow: list[float], usual: list[float], said_s: float | None = None,
                   regained_s: float | None = None, lost_s: float = 0.0) -> Row:
    return Row(fault, said_s, regained_s, lost_s, f"cues as quick ({1000 * QUICK_CUE_S:.0f} ms)",
               sorted(slow)[-2] <= QUICK_CUE_S and lost_s == 0,
               f"key to tone {1000 * sorted(slow)[len(slow) // 2]:.0f} ms, before "
               f"{1000 * sorted(usual)[len(usual) // 2]:.0f} ms")


def test_terminal_stalled(rows: list[Row], bluez: Bluez, heard_sounds: Capture, tmp_path: Path) -> None:
    with guard_run(tmp_path, bluez, env=heard_sounds.env, plan=True) as run:
        run.settled()
        usual = latencies(run, heard_sounds)
        run.hold_terminal()
        time.sleep(5)  # the terminal's buffer is full after two screens
        slow = latencies(run, heard_sounds)
        back_s = time.monotonic()
        run.release_terminal()
        wait_until(lambda: run.screens[-1].at_s > back_s + 1, 10, "screens again")
        lost_s = lost_at_the_end_s(run, 1.0)
    kept(rows, quick_cues_row("terminal takes nothing", slow, usual, None, 0.0, lost_s))


def test_stdout_blocked(rows: list[Row], bluez: Bluez, heard_sounds: Capture, tmp_path: Path) -> None:
    """A pipe that nobody reads, as behind a pager."""
    reader, writer = os.pipe()
    with guard_run(tmp_path, bluez, env=heard_sounds.env, plan=True, plain_out=writer) as run:
        run.settled()
        usual = latencies(run, heard_sounds)
        spare = os.open(f"/proc/self/fd/{writer}", os.O_WRONLY | os.O_NONBLOCK)
        with contextlib.suppress(BlockingIOError):
            while True:
                os.write(spare, b"\n")
        slow = latencies(run, heard_sounds)
        fcntl.fcntl(reader, fcntl.F_SETFL, os.O_NONBLOCK)
        os.read(reader, 1 << 20)
        run.signal(signal.SIGINT)
        code = None
        wait_until(lambda: run.process.poll() is not None, 20, "its end")
        code = run.process.returncode
        lost_s = gap_s(run, 1.0)
    for fd in (reader, writer, spare):
        os.close(fd)
    assert code == 130
    kept(rows, quick_cues_row("standard output blocked", slow, usual, lost_s=lost_s))


def test_sync_stalled(rows: list[Row], bluez: Bluez, heard_sounds: Capture, tmp_path: Path) -> None:
    shim = Shim(tmp_path)
    with guard_run(tmp_path, bluez, env={**heard_sounds.env, **shim.env}, plan=True) as run:
        run.settled()
        usual = latencies(run, heard_sounds)
        fault_s = time.monotonic()
        shim.hold_sync(True)
        slow = latencies(run, heard_sounds)
        said_s = run.wait_to_show("the disk does not answer", fault_s, 25)
        back_s = time.monotonic()
        shim.hold_sync(False)
        again_s = run.wait_to_show("the disk answers again", back_s)
        lost_s = lost_at_the_end_s(run, 1.0)
    kept(rows, quick_cues_row(
        "disk does not answer a sync", slow, usual, said_s - fault_s, again_s - back_s, lost_s))


# how it is ended, and stopped

def ends(run: LiveRun, do: Callable[[], object]) -> float:
    began_s = time.monotonic()
    do()
    assert run.wait(25) == 130, run.errors.read_text()
    return time.monotonic() - began_s


ENDINGS: dict[str, Callable[[LiveRun], object]] = {
    "SIGTERM": lambda run: run.signal(signal.SIGTERM),
    "terminal closed (SIGHUP)": lambda run: run.hang_up(),
    "Ctrl-C twice": lambda run: (run.press("\x03"), time.sleep(0.2), run.press("\x03")),
    "Ctrl-C, terminal takes nothing": lambda run: (run.hold_terminal(), time.sleep(4), run.press("\x03"),
                                                   time.sleep(12), run.release_terminal()),
}


@pytest.mark.parametrize("how", ENDINGS)
def test_ending(how: str, rows: list[Row], bluez: Bluez, heard_sounds: Capture, tmp_path: Path) -> None:
    with guard_run(tmp_path, bluez, env=heard_sounds.env) as run:
        run.settled(6)
        took_s = ends(run, lambda: ENDINGS[how](run))
        if how == "Ctrl-C, terminal takes nothing":
            took_s -= 4
        lost_s = gap_s(run, 1.0)
        assert run.log is not None
        summary = read_log(run.log).summary
        connected = bluez.look()["straps"][STRAP]["connected"]
    kept(rows, Row(how, None, None, lost_s, "ends within 20 s, log whole, strap let go",
                   took_s <= 20 and bool(summary) and not connected, f"ended in {took_s:.1f} s"))


def test_ctrl_z(rows: list[Row], bluez: Bluez, heard_sounds: Capture, tmp_path: Path) -> None:
    """Ctrl-Z in a guard would be a frozen guard: it goes on, sound and all."""
    with guard_run(tmp_path, bluez, env=heard_sounds.env, plan=True) as run:
        run.settled()
        usual = latencies(run, heard_sounds, 5)
        run.press("\x1a")
        time.sleep(2)
        slow = latencies(run, heard_sounds, 5)
        run.signal(signal.SIGCONT)  # what fg sends
        run.settled(3)
        lost_s = lost_at_the_end_s(run, 1.0)
    kept(rows, quick_cues_row("Ctrl-Z, then fg", slow, usual, lost_s=lost_s))


def test_stopped_and_continued(rows: list[Row], bluez: Bluez, heard_sounds: Capture, tmp_path: Path) -> None:
    """SIGSTOP cannot be refused: what it looked like before must not pass for now."""
    with guard_run(tmp_path, bluez, env=heard_sounds.env) as run:
        run.settled()
        stopped_s = run.signal(signal.SIGSTOP)
        time.sleep(12)
        back_s = run.signal(signal.SIGCONT)
        run.settled(6)
        assert [one for one in run.of("state", stopped_s) if one["state"] == "no_signal"]
        last = [run.at(one["t"]) for one in run.of("state", stopped_s) if one["state"] != "no_signal"][-1]
        lost_s = ended_well(run)
    kept(rows, Row("job stopped 12 s, continued", None, max(0.0, last - back_s), lost_s,
                   f"no signal meanwhile, back {REGAINED_S:g} s", last - back_s <= REGAINED_S))


# sound

def sound_row(rows: list[Row], fault: str, live: SoundSession,
              script: Callable[[dict[str, float]], None]) -> None:
    times: dict[str, float] = {}
    live.play(lambda: script(times))
    told = [detail for _, detail in live.health() if detail and not detail.startswith("sound goes through")]
    once = all(live.shown.getvalue().count(f"note: {detail}") == 1 for detail in told)
    said_s = times["said"] - times["fault"] if "said" in times else None
    regained_s = times["again"] - times["back"] if "again" in times else None
    kept(rows, Row(fault, said_s, regained_s, 0.0, "goes on, said once, regained", once and
                   len(told) == ("said" in times) and (said_s or 0.0) <= SAID_S
                   and live.source.longest_delay_s < 0.05,
                   f"loop held up {1000 * live.source.longest_delay_s:.0f} ms"))


def sound_session(folder: Path, speech: str = "tones") -> SoundSession:
    return SoundSession(folder, Settings(ceiling_bpm=CEILING_BPM, speech=speech))


def now(times: dict[str, float], what: str) -> None:
    times[what] = time.monotonic()


def test_sound_missing_at_the_start(rows: list[Row], heard_sounds: Capture, tmp_path: Path) -> None:
    live = sound_session(tmp_path)
    heard_sounds.remove()
    began_s = time.monotonic()

    def script(times: dict[str, float]) -> None:
        times["fault"] = began_s
        live.wait_for_health("none", "bell")
        now(times, "said")
        heard_sounds.restore()
        now(times, "back")
        live.wait_for_health("simpleaudio", timeout_s=20)
        now(times, "again")

    sound_row(rows, "sound device missing at the start", live, script)


@pytest.mark.parametrize("how", ["remove", "freeze"])
def test_sound_device(how: str, rows: list[Row], heard_sounds: Capture, tmp_path: Path) -> None:
    live = sound_session(tmp_path)

    def script(times: dict[str, float]) -> None:
        live.part_cue()
        heard_sounds.wait_for(1)
        getattr(heard_sounds, how)()
        now(times, "fault")
        live.part_cue()
        live.wait_for_health("none", "bell")
        now(times, "said")
        heard_sounds.restore()
        now(times, "back")
        live.wait_for_health("simpleaudio", timeout_s=20)
        now(times, "again")

    name = {"remove": "sound device gone, back", "freeze": "sound device never opens"}[how]
    sound_row(rows, name, live, script)


@pytest.mark.parametrize("how", ["freeze", "kill"])
def test_sound_service(how: str, rows: list[Row], pulse: Pulse, tmp_path: Path) -> None:
    live = sound_session(tmp_path)

    def script(times: dict[str, float]) -> None:
        live.part_cue()
        wait_until(lambda: bool(pulse.sounds()), 10, "a cue")
        getattr(pulse, how)()
        now(times, "fault")
        live.part_cue()
        live.wait_for_health("none", "bell")
        now(times, "said")
        pulse.thaw() if how == "freeze" else pulse.start()
        now(times, "back")
        live.wait_for_health("simpleaudio", timeout_s=20)
        now(times, "again")

    name = {"freeze": "sound service frozen", "kill": "sound service killed, restarted"}[how]
    sound_row(rows, name, live, script)


def test_sound_worker_killed(rows: list[Row], heard_sounds: Capture, tmp_path: Path) -> None:
    live = sound_session(tmp_path)

    def script(times: dict[str, float]) -> None:
        child = live.sounder._worker._active
        assert child is not None
        os.kill(child.process.pid, signal.SIGKILL)
        now(times, "back")
        live.part_cue()
        times["again"] = heard_sounds.wait_for(1)[0].onset_s

    sound_row(rows, "sound worker killed", live, script)


def test_voice_missing(rows: list[Row], heard_sounds: Capture, tmp_path: Path,
                       monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "pyttsx3.py").write_text("raise OSError('libespeak-ng.so.1: cannot open')")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path / "broken"))
    live = sound_session(tmp_path, "short")
    began_s = time.monotonic()

    def script(times: dict[str, float]) -> None:
        times["fault"] = began_s
        wait_until(lambda: any("no voice" in detail for _, detail in live.health()), 10, "the news")
        now(times, "said")
        now(times, "back")
        live.part_cue()
        times["again"] = heard_sounds.wait_for(1)[0].onset_s

    sound_row(rows, "voice missing", live, script)
