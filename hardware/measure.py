"""What a live session needs, under the limits of a small board; needs root and Linux.

    sudo .venv/bin/python hardware/measure.py --minutes 3

An emulated strap (tests/support/bluez.py, outside the limits) sends an
invented heart rate that climbs over the ceiling and falls again; the real
`guard run --stand-by` reads it, decides, logs and plays into an ALSA device
that plays nothing. Both control-group versions are known.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from guard.log.log import read_log  # noqa: E402
from guard.replay.replay import same_as_recorded  # noqa: E402
from tests.support.bluez import start_bluez  # noqa: E402

STRAP = "C8:00:00:00:00:0A"
CEILING_BPM = 139
PERIOD_US = 100_000
LATE_S = 0.5
SILENT_ALSA = "pcm.!default { type null }\nctl.!default { type null }\n"


class Limits:
    """A control group with a limit of memory and of one core's share, removed on leaving."""

    def __init__(self, memory_mib: int, core_percent: float) -> None:
        base = Path("/sys/fs/cgroup")
        self.second = (base / "cgroup.controllers").exists()
        name = f"guard-measure-{os.getpid()}"
        memory, quota_us = memory_mib * 2**20, round(core_percent / 100 * PERIOD_US)
        if self.second:
            (base / "cgroup.subtree_control").write_text("+memory +cpu")
            self.memory = self.cpu = base / name
            self.folders = [self.memory]
            values = {"memory.max": memory, "cpu.max": f"{quota_us} {PERIOD_US}"}
            if (base / "memory.swap.max").exists():
                values["memory.swap.max"] = 0
        else:
            self.memory, self.cpu = base / "memory" / name, base / "cpu" / name
            self.folders = [self.memory, self.cpu, base / "cpuacct" / name]
            values = {"memory.limit_in_bytes": memory,
                      "cpu.cfs_period_us": PERIOD_US, "cpu.cfs_quota_us": quota_us}
        for folder in self.folders:
            folder.mkdir(exist_ok=True)
        for key, value in values.items():
            ((self.memory if key.startswith("memory") else self.cpu) / key).write_text(str(value))

    def enter(self) -> None:
        for folder in self.folders:
            (folder / "cgroup.procs").write_text(str(os.getpid()))
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})

    def peak_mib(self) -> float:
        """Most memory at once, file cache included."""
        name = "memory.peak" if self.second else "memory.max_usage_in_bytes"
        return int((self.memory / name).read_text()) / 2**20

    def cpu_s(self) -> float:
        if self.second:
            return self._stat("usage_usec") / 1e6
        return int((self.folders[2] / "cpuacct.usage").read_text()) / 1e9

    def throttled_s(self) -> float:
        return self._stat("throttled_usec") / 1e6 if self.second else self._stat("throttled_time") / 1e9

    def resident_mib(self) -> dict[str, float]:
        """Memory of its own (proportional share, PSS) of each process in the group."""
        found = {}
        for pid in (self.memory / "cgroup.procs").read_text().split():
            rollup = Path(f"/proc/{pid}/smaps_rollup").read_text()
            kib = next(int(line.split()[1]) for line in rollup.splitlines() if line.startswith("Pss:"))
            words = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
            found[f"{words[2].decode(errors='replace')[-28:]} ({pid})"] = kib / 1024
        return found

    def remove(self) -> None:
        for folder in self.folders:
            folder.rmdir()

    def _stat(self, key: str) -> int:
        lines = dict(line.split() for line in (self.cpu / "cpu.stat").read_text().splitlines())
        return int(lines[key])


def measure(minutes: float, memory_mib: int, core_percent: float) -> dict[str, object]:
    """Run one session of `minutes` under the limits; what it needed."""
    limits = Limits(memory_mib, core_percent)
    with tempfile.TemporaryDirectory() as folder, start_bluez() as bluez:
        home, alsa = Path(folder) / "home", Path(folder) / "alsa.conf"
        alsa.write_text(SILENT_ALSA)
        bluez.add_strap(STRAP, "Invented strap", bpm=120, interval_s=1.0, battery=80)
        began_s = time.monotonic()
        guard = subprocess.Popen(
            [sys.executable, "-m", "guard", "run", "--stand-by", "--ceiling", str(CEILING_BPM),
             "--strap", STRAP, "--set", "warm_up_s=0"],
            env={**os.environ, **bluez.env, "GUARD_HOME": str(home), "ALSA_CONFIG_PATH": str(alsa)},
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            cwd=ROOT, preexec_fn=limits.enter)
        try:
            log = None
            while log is None or '"reading"' not in log.read_text():
                if guard.poll() is not None or time.monotonic() - began_s > 120:
                    raise SystemExit("the guard did not come to its first reading")
                log = next(iter((home / "data" / "sessions").glob("*.jsonl")), None)
                time.sleep(0.1)
            first_s = time.monotonic() - began_s
            start_cpu_s, start_s = limits.cpu_s(), time.monotonic()
            settled: tuple[float, float, float] | None = None
            while (gone_s := time.monotonic() - start_s) < 60 * minutes:
                bpm = round(132 + 14 * math.sin(2 * math.pi * gone_s / 150))
                bluez.change(STRAP, bpm=bpm)
                if settled is None and gone_s > 45:  # the phrases are rendered, all is loaded
                    settled = limits.cpu_s(), time.monotonic(), limits.throttled_s()
                time.sleep(1.0)
            used_s, took_s = limits.cpu_s() - start_cpu_s, time.monotonic() - start_s
            steady = None if settled is None else (
                (limits.cpu_s() - settled[0]) / (time.monotonic() - settled[1]),
                limits.throttled_s() - settled[2])
            resident = limits.resident_mib()
            guard.send_signal(signal.SIGINT)
            stop_s = time.monotonic()
            code = guard.wait(30)
            stop_s = time.monotonic() - stop_s
        finally:
            if guard.poll() is None:
                guard.kill()
                guard.wait()
        lines = [json.loads(line) for line in log.read_text().splitlines()]
        readings = [line["t"] for line in lines if line["type"] == "reading"]
        gaps = [later - earlier for earlier, later in itertools.pairwise(readings)]
        same = same_as_recorded(read_log(log)).same
    peak = limits.peak_mib()
    limits.remove()
    return {
        "limit_mib": memory_mib, "limit_core_percent": core_percent, "minutes": minutes,
        "first_reading_s": first_s, "peak_mib": peak, "resident_mib": resident,
        "cpu_percent": 100 * used_s / took_s,
        "cpu_percent_after_45_s": None if steady is None else 100 * steady[0],
        "throttled_s_after_45_s": None if steady is None else steady[1],
        "readings": len(readings), "longest_gap_s": max(gaps),
        "late_readings": sum(gap > 1 + LATE_S for gap in gaps),
        "cues": [line["cue"] for line in lines if line["type"] == "cue"],
        "replays_the_same": same, "stop_s": stop_s, "exit_code": code,
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--minutes", type=float, default=3.0)
    parser.add_argument("--memory", type=int, default=512, metavar="MIB")
    parser.add_argument("--core", type=float, default=25.0, metavar="PERCENT", help="share of one core")
    args = parser.parse_args()
    if not sys.platform.startswith("linux") or os.geteuid() != 0:
        print("measure: control groups need Linux and root: sudo .venv/bin/python hardware/measure.py",
              file=sys.stderr)
        return 4
    print(json.dumps(measure(args.minutes, args.memory, args.core), indent=2))
    return 0


if __name__ == "__main__":
    sys.exit(main())
