"""The sound worker on every Python it is promised for: thousands of sounds without a crash.

`.venv/bin/python -m pytest -m slow -n 0 -s tests/test_sound_pythons.py`. Looks for
`python3.11` and so on in PATH, then among the interpreters listed in the
environment variable GUARD_PYTHONS (paths joined by `:`). Builds the audio
library from source for each, so it needs a network, gcc and the ALSA headers.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import threading
from pathlib import Path

import pytest

from guard.sound import worker
from guard.sound.tones import RATE_HZ
from tests.support.alsa import Capture, heard_sounds

__all__ = ["heard_sounds"]

PLAYS = int(os.environ.get("GUARD_PLAYS", "5000"))
SOUND = bytes(2 * RATE_HZ // 50)  # 20 ms of silence


def interpreter(version: str) -> str | None:
    """A Python of that version that runs, None without one."""
    listed = os.environ.get("GUARD_PYTHONS", "").split(os.pathsep)
    for candidate in (shutil.which(f"python{version}"), *listed):
        if candidate:
            show = "import sys; print(f'{sys.version_info[0]}.{sys.version_info[1]}')"
            told = subprocess.run([candidate, "-c", show], capture_output=True, text=True, check=False)
            if told.stdout.strip() == version:
                return candidate
    return None


def played(python: Path, environment: dict[str, str]) -> tuple[int, int]:
    """How many of `PLAYS` sounds a worker under `python` said it played, and its exit code."""
    child = subprocess.Popen(
        [str(python), "-P", str(Path(worker.__file__))], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL, env={**os.environ, **environment})
    assert child.stdin is not None and child.stdout is not None

    def feed() -> None:
        assert child.stdin is not None
        try:
            with child.stdin as requests:
                for number in range(PLAYS):
                    requests.write(worker.message(worker.PLAY, number, RATE_HZ, SOUND))
                requests.write(worker.message(worker.GOODBYE))
        except BrokenPipeError:
            pass

    threading.Thread(target=feed, daemon=True).start()
    with child.stdout as replies:
        ended = sum(line.startswith(b"ended ") for line in replies)
    return ended, child.wait(30)


@pytest.mark.slow
@pytest.mark.parametrize("version", ["3.11", "3.12", "3.13"])
def test_thousands_of_sounds_without_a_crash(heard_sounds: Capture, tmp_path: Path, version: str) -> None:
    found = interpreter(version)
    if found is None:
        pytest.skip(f"no Python {version} here: put it into PATH or name it in GUARD_PYTHONS")
    subprocess.run([found, "-m", "venv", str(tmp_path / "venv")], check=True)
    python = tmp_path / "venv" / "bin" / "python"
    subprocess.run([str(python), "-m", "pip", "install", "--quiet", "simpleaudio==1.0.4"], check=True)
    heard_sounds.swallow()  # a device that takes everything at once: many sounds in a short time
    ended, code = played(python, {"PYTHONMALLOC": "malloc"})
    print(f"Python {version}: {ended} of {PLAYS} sounds played, exit code {code}")
    without, code_without = played(python, {})
    print(f"    without PYTHONMALLOC=malloc: {without} of {PLAYS}, exit code {code_without}")
    assert (ended, code) == (PLAYS, 0)
