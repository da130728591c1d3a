"""Hearing sound without a sound card: an ALSA device that is captured to files.

The `heard_sounds` fixture gives the environment that makes a program play into
the capture, and reads back what it played. Needs libasound2 with its file and
null devices (part of libasound2 itself) and a C compiler, as simpleaudio does.
"""

from __future__ import annotations

import atexit
import os
import shutil
import subprocess
import tempfile
import time
import wave
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

CAPTURE_RATE_HZ = 44_100

_CONFIG = """\
pcm.!default {{ type plug slave {{ pcm "cap" rate {rate} channels 1 format S16_LE }} }}
pcm.cap {{ type file slave.pcm "nul" file "|{sink}" format "raw" }}
pcm.nul {{ type null }}
ctl.!default {{ type null }}
"""


@dataclass(frozen=True)
class Heard:
    """One captured sound: monotonic time of its first sample, and samples (-1 to 1)."""

    began_s: float
    samples: NDArray[np.float64]
    rate_hz: int

    @property
    def length_s(self) -> float:
        return len(self.samples) / self.rate_hz

    @property
    def onset_s(self) -> float:
        """Monotonic time of the first sample that can be heard."""
        loud = np.flatnonzero(np.abs(self.samples) > 0.01)
        return self.began_s + (loud[0] / self.rate_hz if len(loud) else np.inf)


class Capture:
    """A capture device: `env` for programs that should play into it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "heard"
        self.folder.mkdir()
        self.config = folder / "asound.conf"
        self.restore()
        # No PulseAudio or PipeWire of this machine may answer instead.
        self.env = {"ALSA_CONFIG_PATH": str(self.config), "PULSE_SERVER": "unix:/nonexistent",
                    "PIPEWIRE_RUNTIME_DIR": "/nonexistent"}

    def restore(self) -> None:
        """The device works (again)."""
        command = f"exec {_paced_sink()} {CAPTURE_RATE_HZ} 1 2 {self.folder}"
        self._configure(_CONFIG.format(rate=CAPTURE_RATE_HZ, sink=command))

    def remove(self) -> None:
        """The device is gone: nothing is left to open."""
        self._configure("ctl.!default { type null }\n")

    def freeze(self) -> None:
        """Opening the device never returns (a stuck sound service)."""
        fifo = self.folder.parent / "stuck"
        if not fifo.exists():
            os.mkfifo(fifo)
        self._configure(_CONFIG.format(rate=CAPTURE_RATE_HZ, sink="").replace(
            'file "|"', f'file "{fifo}"'))

    def swallow(self) -> None:
        """The device takes everything at once and nothing is heard."""
        self._configure("pcm.!default { type null }\nctl.!default { type null }\n")

    def sounds(self, *, audible: bool = True) -> list[Heard]:
        """What was played so far, oldest first; `audible` leaves pure silence out."""
        heard = [_read(path) for path in sorted(self.folder.glob("*.wav"), key=lambda path: int(path.stem))]
        return [sound for sound in heard if np.isfinite(sound.onset_s) or not audible]

    def wait_for(self, count: int, timeout_s: float = 8.0) -> list[Heard]:
        """The sounds once there are `count`; AssertionError when they do not come."""
        wait_until(lambda: len(list(self.folder.glob("*.wav"))) >= count and len(self.sounds()) >= count,
                   timeout_s, f"{count} sounds")
        return self.sounds()

    def forget(self) -> None:
        """Begin anew, with nothing heard; keeps long campaigns light."""
        for path in self.folder.glob("*.wav"):
            path.unlink()
        _read.cache_clear()

    def _configure(self, text: str) -> None:
        # Whole at once, as a new file: a player may read it at any moment, and ALSA
        # reloads it only when its inode or second of change differs.
        part = self.config.with_suffix(".part")
        part.write_text(text)
        part.replace(self.config)


def wait_until(holds: Callable[[], bool], timeout_s: float, what: str) -> None:
    """Return once `holds()`; AssertionError naming `what` after `timeout_s`."""
    give_up_s = time.monotonic() + timeout_s
    while not holds():
        assert time.monotonic() < give_up_s, f"waited {timeout_s:g} s in vain for {what}"
        time.sleep(0.01)


@pytest.fixture
def heard_sounds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Capture:
    """A working capture device, set up for this process and its children."""
    capture = Capture(tmp_path)
    monkeypatch.delenv("GUARD_SOUND", raising=False)
    for key, value in capture.env.items():
        monkeypatch.setenv(key, value)
    return capture


@cache
def _paced_sink() -> Path:
    """The compiled sink, built once a test run."""
    program = Path(tempfile.mkdtemp(prefix="guard-sink-")) / "paced_sink"
    atexit.register(shutil.rmtree, program.parent, ignore_errors=True)
    source = Path(__file__).with_name("paced_sink.c")
    subprocess.run(["cc", "-O2", "-o", str(program), str(source)], check=True)
    return program


@lru_cache(maxsize=2_000)
def _read(path: Path) -> Heard:
    with wave.open(str(path), "rb") as file:
        rate = file.getframerate()
        samples = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2") / 32_768
    return Heard(int(path.stem) / 1e9, samples, rate)
