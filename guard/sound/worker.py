"""Worker process that only plays PCM already in memory; run as a script.

The audio library can crash the process it lives in or freeze all its threads,
so it lives here and the guard watches from outside. Messages in, on the
private copy of stdin, are a header and PCM (int16 mono):

    header   kind (1 byte), number (uint32), rate in Hz (uint32), bytes of PCM (uint32)
    P        play this sound
    L        keep this sound for the day the guard ends without a goodbye
    A        armed: from now on the end of stdin without G means the guard died
    G        goodbye

Lines out, on the private copy of stdout: `ready`, `started N`, `ended N SECONDS`,
`failed N reason`.

Run with PYTHONMALLOC=malloc in the environment (and never -E or -I): simpleaudio
1.0.4 frees memory in a thread without a thread state, which Python's own
allocator answers with a crash.
"""

import contextlib
import os
import shutil
import signal
import struct
import subprocess
import sys
import time
from typing import Any, BinaryIO

HEADER = struct.Struct("<cIII")
PLAY, LAST_WORDS, ARMED, GOODBYE = b"P", b"L", b"A", b"G"
BYTES_PER_SAMPLE = 2  # 16 bit
_POLL_S = 0.005  # between looks at what has come: no delay that is heard


def main() -> int:
    """Serve until stdin closes; returns the exit code."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    requests = os.fdopen(os.dup(0), "rb")
    replies = os.dup(1)
    os.dup2(2, 1)  # the audio stack prints where it likes

    def reply(text: str) -> None:
        with contextlib.suppress(OSError):
            os.write(replies, text.encode() + b"\n")

    try:
        import simpleaudio  # type: ignore[import-untyped]
    except ImportError as error:
        simpleaudio = None
        missing = f"the audio library simpleaudio is not installed ({error})"
    reply("ready")

    last_words, rate_hz, armed = b"", 0, False
    while (message := _read(requests)) is not None:
        kind, number, rate, pcm = message
        if kind == PLAY and simpleaudio is None:
            reply(f"failed {number} {missing}")
        elif kind == PLAY:
            _play(simpleaudio, number, rate, pcm, reply)
        elif kind == LAST_WORDS:
            last_words, rate_hz = pcm, rate
        elif kind == ARMED:
            armed = True
        elif kind == GOODBYE:
            return 0
    if armed and last_words:
        _say_last_words(simpleaudio, rate_hz, last_words)
    return 0


def message(kind: bytes, number: int = 0, rate_hz: int = 0, pcm: bytes = b"") -> bytes:
    """One request in the form the worker reads."""
    return HEADER.pack(kind, number, rate_hz, len(pcm)) + pcm


def system_players(rate_hz: int) -> dict[str, list[str]]:
    """Players of the system that take raw PCM on stdin, best first; only those present."""
    commands = {
        "aplay": ["aplay", "-q", "-t", "raw", "-f", "S16_LE", "-c", "1", "-r", str(rate_hz), "-"],
        "paplay": ["paplay", "--raw", "--format=s16le", "--channels=1", f"--rate={rate_hz}"],
    }
    found = {name: shutil.which(name) for name in commands}
    return {name: [path, *commands[name][1:]] for name, path in found.items() if path}


def _read(requests: BinaryIO) -> tuple[bytes, int, int, bytes] | None:
    """The next whole message; None at the end, however it came."""
    try:
        header = requests.read(HEADER.size)
        if len(header) < HEADER.size:
            return None
        kind, number, rate, length = HEADER.unpack(header)
        pcm = requests.read(length)
    except OSError:
        return None
    return (kind, number, rate, pcm) if len(pcm) == length else None


def _play(simpleaudio: Any, number: int, rate_hz: int, pcm: bytes, reply: Any) -> None:
    began_s = time.monotonic()
    try:
        playing = simpleaudio.play_buffer(pcm, 1, BYTES_PER_SAMPLE, rate_hz)
    except Exception as error:  # the library raises its own and ValueError
        reply(f"failed {number} " + " ".join(str(error).split())[:200])
        return
    reply(f"started {number}")
    while playing.is_playing():
        time.sleep(_POLL_S)
    reply(f"ended {number} {time.monotonic() - began_s:.3f}")


def _say_last_words(simpleaudio: Any, rate_hz: int, pcm: bytes) -> None:
    """The guard is gone: say so by whatever way there is."""
    outcome: list[str] = []
    if simpleaudio is not None:
        _play(simpleaudio, 0, rate_hz, pcm, outcome.append)
    if outcome and not outcome[-1].startswith("failed"):
        return
    for command in system_players(rate_hz).values():
        with contextlib.suppress(OSError, subprocess.TimeoutExpired):
            if subprocess.run(command, input=pcm, timeout=10, check=False).returncode == 0:
                return


if __name__ == "__main__":
    sys.exit(main())
