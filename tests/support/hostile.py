"""A home whose every name and file wants to steer the terminal, and a real terminal to show it on."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import re
import select
import subprocess
import sys
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from guard import events as ev
from guard.log.log import session_header, write_recording
from guard.plan.plan import Kind, Part, Plan
from guard.settings import Settings

ROOT = Path(__file__).resolve().parents[2]
SEEN = "OWNED"  # stands in every hostile name, so that one can tell that it was shown
# Title, clear, home, colours no view of ours uses, C1 forms, a link, a device's answer, reset, markup, bidi.
NAME = (f"{SEEN}\x1b]0;title\x07\x1b[2J\x1b[H\x1b[38;2;1;2;3m\x1b[5;7m\x9b31m\x9d0;title\x9c"
        "\x1b]8;;http://x\x1b\\\x1b[6n\x1bc\x1bP+q\x1b\\[bold red]x[/][link=http://x]y[/link]"
        "\r\b\x00\x7f\u202e\u2066\u200f\u2028\ufeff<script>document.title='owned'</script>"
        "<img src=x onerror=\"document.title='owned'\">")
SIGNS = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069\ufeff\ud800-\udfff]")
COLOURS = re.compile(r"\x1b\[([\d;]*)m")


def hostile_home(home: Path) -> Path:
    """Fills the folders of a guard with hostile sessions, journal, settings, devices; the newest log."""
    sessions, config = home / "data" / "sessions", home / "config"
    for folder in (sessions, config):
        folder.mkdir(parents=True)
    plan = Plan(NAME, (Part(Kind.EASY, NAME, 200.0, ceiling_bpm=130.0), Part(Kind.COOL_DOWN, NAME, 9000.0)))
    for number in (1, 2, 3):
        items: list[ev.Input | ev.Output] = [
            ev.Link(0.1, ev.LinkState.CONNECTED, NAME, NAME, NAME, NAME), ev.SoundHealth(0.2, NAME, NAME),
            ev.SpeedLink(0.3, "treadmill", ev.LinkState.CONNECTED, NAME, NAME, NAME, 50),
            ev.Clock(0.4, NAME), ev.Mark(30.2, NAME), ev.Battery(40.2, 9),
            ev.CueGiven(60.4, ev.Cue.EASE, NAME, part=NAME, logged_words=NAME),
            ev.StateChanged(60.4, ev.State.EASING, NAME, logged_words=NAME),
            ev.ReadingDoubted(70.0, NAME, NAME), ev.Speed(1.2, 2.5, source=NAME)]
        items += [ev.Reading(float(second), 120 + second % 7 + second // 20, True, (0.47,))
                  for second in range(1, 400)]
        header = session_header(
            Settings(ceiling_bpm=129, warm_up_s=0), started=datetime(2026, 3, number, 6, 10, tzinfo=UTC),
            clock_trusted=True, plan=plan.as_dict(), source={"kind": "strap", "name": NAME, "file": NAME})
        log = sessions / (f"2026-03-0{number}_0610.jsonl" if number > 1 else f"a\x1b[2J{SEEN}\x9b\r.jsonl")
        write_recording(log, {**header, "guard": NAME, NAME: NAME}, sorted(items, key=lambda item: item.t_s))
        with log.open("ab") as file:
            file.write(_line({"t": 400.0, "type": "note", "effort": 4, "feel": NAME, "pain": NAME}))
            file.write(_line({"t": 401.0, "type": NAME}))
            file.write(f'{{"t":402,"type":"mark","value":{NAME}\n'.encode())
        log.with_name(log.name.removesuffix(".jsonl") + ".about.json").write_bytes(
            _line({"format": 1, "title": NAME, "tags": [NAME], NAME: NAME}))
    (home / "data" / "journal.jsonl").write_bytes(b"".join(_line(
        {"date": f"2026-03-0{day}", "sleep_h": 7.5, "resting_bpm": 52, "weather": NAME, "shoes": NAME,
         "note": NAME, NAME: NAME}) for day in (1, 2, 3)) + NAME.encode() + b"\n")
    (home / "data" / "ceiling.jsonl").write_bytes(_line(
        {"format": 1, "date": "2026-03-02", "answers": {"age": 40, "band": NAME, NAME: NAME},
         "document": {"format": 1, "suggestion": {"bpm": 139, "reason": NAME}, "methods": NAME}}))
    text = json.dumps(NAME)
    (config / "settings.toml").write_text(f"{text} = 1\n[table]\n{text} = {text}\n")
    (home / "plan.toml").write_text(f"name = {text}\n[[part]]\nkind = 'base'\nname = {text}\nminutes = 9\n")
    (home / "plan-wrong.toml").write_text(f"name = 'x'\n[[part]]\nkind = {text}\n{text} = {text}\n")
    (home / "torn.toml").write_bytes(NAME.encode())
    cell = NAME.replace("\x00", "").replace('"', "'")
    (home / "beats.csv").write_bytes(f'"t","bpm","{cell}"\n1,120,x\n2,"{cell}",x\n3,121,y\n'.encode())
    for kind in ("strap", "treadmill", "foot-pod"):
        (config / f"{kind}.json").write_bytes(_line({"format": 1, "name": NAME, "address": NAME}))
    phrases = config / "phrases"
    phrases.mkdir()
    (phrases / "words.toml").write_text(f'"slow down please" = {text}\n{text} = "x"\n')
    return sessions / "2026-03-03_0610.jsonl"


def _line(record: dict[str, object]) -> bytes:
    return json.dumps(record).encode() + b"\n"


# Several commands in one process, so that they share what is imported.
_RUN_ALL = """
import json, sys
from guard.cli import main
for words in json.loads(sys.argv[1]):
    print(f"@@ {words[0]}", flush=True)
    try:
        code = main(words)
    except SystemExit as end:
        code = end.code
    print(f"@@ {words[0]} {code}", flush=True)
"""


def on_a_terminal(
    home: Path, commands: Sequence[Sequence[str | Path]], typed: bytes = b"", timeout_s: float = 60.0,
    before: Sequence[str] = (), **env: str,
) -> list[tuple[Sequence[str | Path], int, str]]:
    """Each command on a real terminal of 80 columns: (words, exit code, all that reached the terminal).

    `before` stands before the program, such as `nice`.
    """
    import fcntl
    import struct
    import termios

    own, other = pty.openpty()
    fcntl.ioctl(other, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    dropped = ("NO_COLOR", "FORCE_COLOR", "COLUMNS", "LINES", "GUARD_DEBUG")
    every = json.dumps([[str(word) for word in words] for words in commands])
    child = subprocess.Popen(
        [*before, sys.executable, "-c", _RUN_ALL, every],
        cwd=ROOT, stdin=other, stdout=other, stderr=other, close_fds=True,
        env={**{key: value for key, value in os.environ.items() if key not in dropped},
             "GUARD_HOME": str(home), "TERM": "xterm-256color", "GUARD_SOUND": "off",
             "PYTHONIOENCODING": "utf-8", **env})
    os.close(other)
    os.write(own, typed)
    shown = _all_of(own, child, timeout_s).decode("utf-8", "surrogateescape")
    parts = re.findall(r"@@ (\S+)\r\n(.*?)@@ \1 (\d+)\r\n", shown, re.DOTALL)
    assert len(parts) == len(commands), shown[-3000:]
    return [(words, int(code), text) for words, (_, text, code) in zip(commands, parts, strict=True)]


def _all_of(terminal: int, child: subprocess.Popen[bytes], timeout_s: float) -> bytes:
    shown = bytearray()
    end_s = time.monotonic() + timeout_s
    try:
        while time.monotonic() < end_s:
            if select.select([terminal], [], [], 0.1)[0]:
                with contextlib.suppress(OSError):
                    if data := os.read(terminal, 1 << 16):
                        shown += data
                        continue
                break
            if child.poll() is not None:
                break
    finally:
        child.kill()
        child.wait()
        os.close(terminal)
    return bytes(shown)


def foreign(shown: str, own: str = "(?!)") -> list[str]:
    """What a terminal would obey and none of our views says: escape codes, controls, signs that turn text.

    `own` is the pattern of what a command itself may send beside colours, such as a line drawn again.
    """
    found = [run for run in COLOURS.findall(shown) if "38;2;1;2;3" in run or "5" in run.split(";")[:1]]
    rest = re.sub(own, "", COLOURS.sub("", shown)).replace("\r\n", "\n").replace("\t", " ")
    return found + SIGNS.findall(rest)
