"""The command line meets what a shell, a disk or a file name can do to it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

HOSTILE = "a\x1b[31m[red]\x07b"


def guard(home: Path, line: str) -> subprocess.CompletedProcess[bytes]:
    """Run a shell line in which `$GUARD` is the guard."""
    env = {**os.environ, "GUARD_HOME": str(home), "GUARD": f"{sys.executable} -m guard",
           "GUARD_SOUND": "off", "PYTHONPATH": str(Path(__file__).resolve().parents[1])}
    return subprocess.run(["sh", "-c", line], env=env, cwd=home, capture_output=True, timeout=60)


needs_shell = pytest.mark.skipif(sys.platform == "win32", reason="needs a POSIX shell")


@needs_shell
@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-", "<&- >&- 2>&-"])
def test_a_closed_stream_stops_no_session(tmp_path: Path, closed: str):
    done = guard(tmp_path, f"exec $GUARD rehearse --speedup 10000 {closed}")
    assert (done.returncode, b"fault" in done.stderr + done.stdout) == (0, False)
    log = next((tmp_path / "data" / "rehearsals").iterdir())
    lines = log.read_bytes().splitlines()
    # What was meant for the closed stream is not in the file that was opened next.
    assert lines[0].startswith(b'{"type":"session"')
    assert all(line.startswith(b"{") for line in lines)
    assert b'"end"' in lines[-1]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_an_output_without_space_is_said_in_one_sentence(tmp_path: Path):
    done = guard(tmp_path, "exec $GUARD settings > /dev/full")
    assert done.returncode == 4
    assert done.stderr.decode().count("\n") == 1
    assert "could not be written" in done.stderr.decode()


@needs_shell
def test_names_from_outside_steer_no_terminal(tmp_path: Path):
    (tmp_path / HOSTILE).write_text("junk")
    for words in (f"replay '{HOSTILE}'", f"settings '{HOSTILE}=1'", f"straps '{HOSTILE}'"):
        done = guard(tmp_path, f"exec $GUARD {words}")
        assert done.returncode in (2, 3)
        assert b"\x1b" not in done.stderr
        assert b"\x07" not in done.stderr


@needs_shell
def test_a_name_the_encoding_lacks_is_no_fault(tmp_path: Path):
    home = tmp_path / "läufer"
    home.mkdir()
    done = guard(home, "PYTHONIOENCODING=ascii exec $GUARD settings")
    assert done.returncode == 0
    assert b"l?ufer" in done.stdout


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX pipes")
@pytest.mark.parametrize("words", ["settings", "settings --json", "--help", "rehearse --list-courses"])
def test_a_reader_that_has_had_enough_is_no_error(tmp_path: Path, words: str):
    """`guard settings | head -1` ended with 1 now and then: the table's printer has an exit of its own."""
    script = f"$GUARD {words} | true; echo ${{PIPESTATUS[0]}}"
    done = guard(tmp_path, f"bash -c '{script}'")
    assert done.stdout.strip() == b"0" and b"Traceback" not in done.stderr
