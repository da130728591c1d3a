"""The cautions stand wherever somebody first meets the guard, and stand in nobody's way."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

import guard
from guard.screen.cautions import FOR_EVERY_RUN, cautions
from tests.support.keep import guard_cli

ROOT = Path(__file__).resolve().parents[1]
# What has to be said, each by words that must stand together in one sentence or paragraph.
SAID = {
    "no medical device": ["no medical device", "can be wrong"],
    "stop and seek help": ["seek help", "chest pain", "faintness", "unusual breathlessness"],
    "ask first": ["licensed professional", "heart condition", "medicine", "pregnant", "not exercised"],
    "treadmill": ["treadmill", "safety clip"],
    "heat": ["heat", "under the ceiling does not mean you are safe"],
    "ears": ["outdoors", "ears open"],
}


def missing(text: str) -> list[str]:
    """Which of them no paragraph of `text` says."""
    paragraphs = [" ".join(part.split()).casefold() for part in re.split(r"\n\s*\n|\n- ", text)]
    return [what for what, words in SAID.items()
            if not any(all(word in part for word in words) for part in paragraphs)]


def test_the_search_finds_what_is_missing():
    assert missing("\n\n".join(FOR_EVERY_RUN[1:])) == ["no medical device"]


def test_the_first_start_says_all():
    assert missing(cautions()) == []
    assert max(len(line) for line in cautions().splitlines()) <= 78
    assert max(len(line) for line in cautions(39).splitlines()) <= 39


def test_the_readme_says_all():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert missing(text[text.index("## Cautions"):text.index("## Privacy")]) == []


def test_the_ceiling_says_all_on_screen_and_as_json(tmp_path: Path):
    words = ("ceiling", "--age", "40", "--resting", "55", "--healthy")
    shown = guard_cli(*words, home=tmp_path).stdout
    assert missing(" ".join(shown.split())) == []
    document = json.loads(guard_cli(*words, "--json", home=tmp_path).stdout)
    assert missing("\n\n".join(document["cautions"])) == []
    # The answer remains in sight on a small screen: the general cautions stand before it.
    assert shown.index("ears open") < shown.index("Suggested ceiling")


def test_a_rehearsal_shows_them_and_asks_nothing(tmp_path: Path):
    done = guard_cli("rehearse", "--speedup", "10000", "--set", "sound=false", home=tmp_path)
    assert (done.returncode, missing(done.stderr)) == (0, [])
    assert not (tmp_path / "config" / "cautions-read").exists()


def on_a_terminal(home: Path, answer: bytes) -> tuple[int, str]:
    """`guard run` on a real terminal, `answer` typed once it asks; its exit code and what it showed."""
    own, other = pty.openpty()
    env = {**os.environ, "GUARD_HOME": str(home), "TERM": "xterm", "GUARD_SOUND": "off",
           # No radio can be there: the command ends by itself, after the question.
           "DBUS_SYSTEM_BUS_ADDRESS": f"unix:path={home / 'no-bus'}"}
    child = subprocess.Popen([sys.executable, "-m", "guard", "run", "--ceiling", "139", "--wait", "1"],
                             stdin=other, stdout=other, stderr=other, env=env, cwd=ROOT, close_fds=True)
    os.close(other)
    shown = b""
    end = time.monotonic() + 60
    typed = False
    while time.monotonic() < end:
        if not select.select([own], [], [], 0.1)[0]:
            if child.poll() is not None:
                break
            continue
        try:
            shown += os.read(own, 65536)
        except OSError:
            break
        if not typed and b"q: leave" in shown:
            os.write(own, answer)
            typed = True
    code = child.wait(timeout=30)
    os.close(own)
    return code, shown.decode("utf-8", "replace")


@pytest.mark.skipif(sys.platform == "win32", reason="needs a POSIX terminal")
def test_once_on_a_terminal_kept_across_starts_and_versions(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    code, shown = on_a_terminal(tmp_path, b"q\n")
    assert (code, missing(shown.replace("\r", ""))) == (0, [])
    assert not (tmp_path / "config" / "cautions-read").exists()

    code, shown = on_a_terminal(tmp_path, b"\n")
    assert code != 0 and missing(shown.replace("\r", "")) == []  # no radio, but the question was answered
    mark = tmp_path / "config" / "cautions-read"
    assert mark.stat().st_mode & 0o077 == 0

    # Neither the next start nor another version asks again, nor a look at the file's content.
    assert guard.__version__ not in mark.read_text(encoding="utf-8")
    code, shown = on_a_terminal(tmp_path, b"")
    assert "medical device" not in shown and code != 0


def test_without_a_terminal_nothing_waits(tmp_path: Path):
    env = {"DBUS_SYSTEM_BUS_ADDRESS": f"unix:path={tmp_path / 'no-bus'}"}
    with pytest.MonkeyPatch.context() as patch:
        for key, value in env.items():
            patch.setenv(key, value)
        done = guard_cli("run", "--ceiling", "139", "--wait", "1", home=tmp_path, stdin="")
    assert missing(done.stderr) == []
    assert "Enter:" not in done.stderr
    assert not (tmp_path / "config" / "cautions-read").exists()
