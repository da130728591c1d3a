"""A sound service of one's own: a private PulseAudio with a silent output that is recorded.

It can be frozen (SIGSTOP), killed and started again, which no test may do to
the machine's own.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.support.alsa import wait_until

RATE_HZ = 22_050
_QUIET_S = 0.35  # longer than any pause within a sound


class Pulse:
    """The service; `env` makes a program play into it through ALSA and by its own client."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._socket = folder / "native"
        self._process: subprocess.Popen[bytes] | None = None
        self._recorder: subprocess.Popen[bytes] | None = None
        self._chunks: list[bytes] = []
        config = folder / "asound-pulse.conf"
        plugin = f'type pulse server "unix:{self._socket}"'
        config.write_text(f"pcm.!default {{ {plugin} }}\nctl.!default {{ {plugin} }}\n")
        self.env = {"ALSA_CONFIG_PATH": str(config), "PULSE_SERVER": f"unix:{self._socket}",
                    "PULSE_RUNTIME_PATH": str(folder), "PULSE_COOKIE": str(folder / "cookie"),
                    "PIPEWIRE_RUNTIME_DIR": "/nonexistent"}

    def start(self) -> None:
        """Start the service and its recorder; returns once both work."""
        environment = {**os.environ, **self.env, "HOME": str(self._folder)}
        with contextlib.suppress(OSError):
            self._socket.unlink()
        self._process = subprocess.Popen(
            ["pulseaudio", "-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1",
             "--log-target=stderr", "--log-level=error",
             "-L", f"module-native-protocol-unix socket={self._socket} auth-anonymous=1",
             "-L", f"module-null-sink sink_name=out rate={RATE_HZ} channels=1"],
            env=environment, stderr=subprocess.DEVNULL)
        wait_until(self._answers, 10, "the private sound service")
        self._recorder = subprocess.Popen(
            ["parec", "--raw", "--format=s16le", "--channels=1", f"--rate={RATE_HZ}", "--latency-msec=10",
             "-d", "out.monitor"], env=environment, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        threading.Thread(target=self._listen, args=(self._recorder,), daemon=True).start()
        self._chunks.append(bytes(2 * RATE_HZ))  # what was heard before is another sound
        before = len(self._chunks)
        wait_until(lambda: len(self._chunks) > before, 10, "the recorder")

    def freeze(self) -> None:
        """The service takes connections and data, and does nothing."""
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self._signal(signal.SIGCONT)

    def kill(self) -> None:
        """The service is gone at once."""
        for process in (self._process, self._recorder):
            if process is not None:
                process.kill()
                process.wait(5)
        self._process = self._recorder = None

    def sounds(self) -> list[NDArray[np.float64]]:
        """What was heard so far, oldest first (samples from -1 to 1), one a sound."""
        samples = np.frombuffer(b"".join(self._chunks), dtype="<i2") / 32_768
        loud = np.flatnonzero(np.abs(samples) > 0.003)
        if not len(loud):
            return []
        breaks = np.flatnonzero(np.diff(loud) > _QUIET_S * RATE_HZ)
        starts, ends = loud[np.r_[0, breaks + 1]], loud[np.r_[breaks, len(loud) - 1]]
        return [samples[start:end + 1] for start, end in zip(starts, ends, strict=True)]

    def _answers(self) -> bool:
        asked = subprocess.run(["pactl", "info"], env={**os.environ, **self.env, "HOME": str(self._folder)},
                               capture_output=True, timeout=10, check=False)
        return asked.returncode == 0

    def _listen(self, recorder: subprocess.Popen[bytes]) -> None:
        assert recorder.stdout is not None
        with recorder.stdout as stream:
            while chunk := stream.read(882):  # 20 ms
                self._chunks.append(chunk[:len(chunk) // 2 * 2])  # the last may end within a sample

    def _signal(self, number: int) -> None:
        assert self._process is not None
        os.kill(self._process.pid, number)


@pytest.fixture
def pulse(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Pulse]:
    """A private sound service that this process and its children play into."""
    if not all(shutil.which(name) for name in ("pulseaudio", "parec", "pactl")):
        pytest.skip("needs PulseAudio and its tools (Debian: pulseaudio, pulseaudio-utils)")
    if not list(Path("/usr/lib").glob("*/alsa-lib/libasound_module_pcm_pulse.so")):
        pytest.skip("needs the ALSA plugin for PulseAudio (Debian: libasound2-plugins)")
    service = Pulse(tmp_path)
    monkeypatch.delenv("GUARD_SOUND", raising=False)
    for key, value in service.env.items():
        monkeypatch.setenv(key, value)
    service.start()
    yield service
    with contextlib.suppress(AssertionError, ProcessLookupError):
        service.thaw()
    service.kill()
