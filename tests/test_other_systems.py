"""What can be known of macOS and Windows from here: imports, calls, players, wheels. Neither is run."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import wave
from pathlib import Path

import pytest

from guard.sound import backends, wavfile
from guard.sound.backends import Backend, Failed, Sound
from guard.sound.tones import RATE_HZ, silence
from tests.support.house import House

ROOT = Path(__file__).resolve().parent.parent
# Modules of the standard library that Windows has not got (Python documentation, "Availability: Unix").
UNIX_ONLY = ("fcntl", "termios", "tty", "pty", "pwd", "grp", "resource", "syslog", "readline")

AS_ON_WINDOWS = f"""
import asyncio, importlib, multiprocessing.pool, os, pkgutil, subprocess, sys
import bleak, numpy, orjson, platformdirs, pyttsx3, rich.console, rich.live, rich.progress
import scipy.stats, tomlkit
for flag in ("CREATE_NEW_PROCESS_GROUP", "CREATE_NO_WINDOW"):
    setattr(subprocess, flag, 512)
for name in ("O_NOCTTY", "O_NONBLOCK", "O_NOFOLLOW", "O_CLOEXEC", "getuid", "geteuid", "tcgetpgrp",
             "getpgrp"):
    if hasattr(os, name):
        delattr(os, name)
for name in {UNIX_ONLY!r}:
    sys.modules[name] = None  # importing it fails, as there
sys.platform = "win32"
import guard
for module in pkgutil.walk_packages(guard.__path__, "guard."):
    if not module.name.endswith("__main__"):
        importlib.import_module(module.name)
from guard.cli import parser_of
from guard.commands.arguments import COMMANDS
parser_of(COMMANDS)
print(len(sys.modules))
"""


def test_every_module_imports_where_unix_is_not() -> None:
    done = subprocess.run([sys.executable, "-c", AS_ON_WINDOWS], capture_output=True, text=True, cwd=ROOT,
                          timeout=60, check=False)
    assert done.returncode == 0, done.stderr


def test_unix_modules_are_asked_for_behind_a_look_at_the_system_only() -> None:
    """Else a command would end in a traceback there, though it imports inside a function."""
    for name, path in House(ROOT, {}).modules.items():
        text = path.read_text(encoding="utf-8")
        for found in re.finditer(rf"^\s*import ({'|'.join(UNIX_ONLY)})\b", text, re.M):
            before = text[:found.start()]
            looked = 'sys.platform != "win32"' in before or 'sys.platform == "win32"' in before
            assert looked, (name, found[1])


PLAYER = """\
#!{python}
import shutil, sys, time, wave
with wave.open(sys.argv[1]) as file:
    seconds = file.getnframes() / file.getframerate()
shutil.copy(sys.argv[1], {heard!r})
time.sleep(seconds)
"""
WINSOUND = """\
import shutil, time, wave
SND_FILENAME = 0x20000  # as in the Windows API's PlaySound
def PlaySound(name, flags):
    assert flags == SND_FILENAME
    with wave.open(name) as file:
        seconds = file.getnframes() / file.getframerate()
    shutil.copy(name, {heard!r})
    time.sleep(seconds)
"""


def player(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Backend:
    """The fallback called `name`, with a stand-in for what that system has at the edge of the process."""
    heard = str(tmp_path / "heard.wav")
    if name == "afplay":
        tool = tmp_path / "afplay"
        tool.write_text(PLAYER.format(python=sys.executable, heard=heard))
        tool.chmod(0o755)
        monkeypatch.setenv("PATH", str(tmp_path))
    else:
        (tmp_path / "winsound.py").write_text(WINSOUND.format(heard=heard))
        monkeypatch.setenv("PYTHONPATH", str(tmp_path))
        monkeypatch.setenv("PATH", "")
        monkeypatch.setattr(backends.sys, "platform", "win32")
    found = {one.name: one for one in backends.fallbacks()}
    assert next(iter(found)) == name
    return found[name]


@pytest.mark.parametrize("name", ["afplay", "winsound"])
def test_the_systems_own_player_gets_the_whole_sound(
        name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    backend = player(name, tmp_path, monkeypatch)
    pcm = silence(0.4)
    pcm[100] = 12_345
    backend.play(Sound(pcm))
    with wave.open(str(tmp_path / "heard.wav")) as file:
        assert (file.getframerate(), file.getnchannels(), file.getsampwidth()) == (RATE_HZ, 1, 2)
        assert file.readframes(file.getnframes()) == pcm.tobytes()
    assert (wavfile.read(tmp_path / "heard.wav") == pcm).all()


@pytest.mark.parametrize("name", ["afplay", "winsound"])
def test_a_player_that_fails_is_said(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    backend = player(name, tmp_path, monkeypatch)
    for stand_in in (tmp_path / "afplay", tmp_path / "winsound.py"):
        if stand_in.exists():
            stand_in.write_text(f"#!{sys.executable}\nraise SystemExit(1)\n")
    with pytest.raises(Failed, match=name):
        backend.play(Sound(silence(0.4)))


SYSTEMS = ("x86_64-pc-windows-msvc", "aarch64-apple-darwin", "x86_64-apple-darwin")


@pytest.mark.slow
@pytest.mark.parametrize("python", ["3.11", "3.13"])
@pytest.mark.parametrize("system", SYSTEMS)
def test_wheels_for_windows_and_macos(system: str, python: str, tmp_path: Path) -> None:
    """Asks the package index by uv: all that is locked has a wheel there, but for simpleaudio."""
    uv = shutil.which("uv") or pytest.skip("uv is not installed here: pip install uv")
    ask = [uv, "pip", "install", "--dry-run", "--python-platform", system, "--python-version", python,
           "--no-deps", "--only-binary", ":all:", "--target", str(tmp_path), "-r"]
    for lock in (ROOT / "requirements.lock", ROOT / "tests" / "requirements.lock"):
        built = ["--no-binary", "simpleaudio"] if lock.parent == ROOT else []
        done = subprocess.run([*ask, str(lock), *built], capture_output=True, text=True, timeout=300,
                              check=False)
        assert done.returncode == 0, done.stderr[-600:]
