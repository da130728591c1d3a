"""Child process that turns phrases into WAV files; run as a script.

The speech engine can hang, crash or write half a file, so it lives here, away
from the guard, and is ended and replaced when it takes too long. One JSON
object a line each way, on private descriptors (the engine prints to stdout):

    out  {"ready": "engine and versions", "voice": "id in use", "note": ""}
         or {"missing": "why there is no voice"}
    in   {"text": "slow down please", "path": "/…/part.wav"}
    out  {"done": "/…/part.wav"}

`--voice NAME --rate WORDS_PER_MINUTE` are fixed for the life of the process.
"""

import argparse
import ctypes
import importlib.metadata
import json
import os
import platform
import re
import signal
import sys
import time
from pathlib import Path
from typing import Any

NO_SUCH_VOICE = "no such voice"
WHOLE_FILE_WAIT_S = 1.0  # for what the engine still writes (ours)


def main() -> int:
    """Serve phrases until stdin closes; returns the exit code."""
    options = argparse.ArgumentParser()
    options.add_argument("--voice", required=True)
    options.add_argument("--rate", type=int, required=True)
    args = options.parse_args()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    replies = os.fdopen(os.dup(1), "w", encoding="utf-8", buffering=1)
    os.dup2(2, 1)

    def reply(**message: str) -> None:
        print(json.dumps(message), file=replies, flush=True)

    try:
        import pyttsx3  # type: ignore[import-untyped]

        engine = pyttsx3.init()
    except Exception as error:  # whatever the engine or its library fails with
        reply(missing=" ".join(str(error).split()) or type(error).__name__)
        return 1
    chosen, note = _choose_voice(engine, args.voice)
    engine.setProperty("rate", args.rate)
    engine.setProperty("volume", 1.0)
    reply(ready=_versions(), voice=chosen, note=note)

    for line in sys.stdin:
        job = json.loads(line)
        # One phrase for each runAndWait: batches lose files.
        engine.save_to_file(job["text"], job["path"])
        engine.runAndWait()
        _wait_until_whole(Path(job["path"]))
        reply(done=job["path"])
    return 0


def _choose_voice(engine: Any, wanted: str) -> tuple[str, str]:
    """Set the voice named `wanted`; returns its id, and `NO_SUCH_VOICE` when there is none such.

    The engine takes any name without complaint and keeps its default, so the
    name is looked up among the voices first ("en-us" finds "gmw/en-us"), then among
    the languages they say they speak ("de" finds one of "de_DE").
    """
    voices = [(str(voice.id), _languages(voice)) for voice in engine.getProperty("voices")]
    name = wanted.lower().replace("_", "-")
    found = (
        [one for one, _ in voices if wanted.lower() in (one.lower(), one.lower().rpartition("/")[2])]
        + [one for one, spoken in voices if name in spoken]
        + [one for one, spoken in voices if any(tongue.startswith(f"{name}-") for tongue in spoken)])
    if not found:
        return "default", NO_SUCH_VOICE
    engine.setProperty("voice", found[0])
    return found[0], ""


def _languages(voice: Any) -> list[str]:
    """What a voice says it speaks, as "de-de": by its languages, or else as its id has it."""
    told = [str(one).lower().replace("_", "-") for one in getattr(voice, "languages", None) or []]
    named = str(voice.id).lower().replace("_", "-")
    return told or re.findall(r"(?<![a-z])(?=([a-z]{2}-[a-z]{2})(?![a-z]))", named)


def _versions() -> str:
    parts = [f"pyttsx3 {importlib.metadata.version('pyttsx3')}"]
    try:
        from pyttsx3.drivers import _espeak  # type: ignore[import-untyped]

        info = _espeak.dll.espeak_Info
        info.restype = ctypes.c_char_p
        parts.append(f"espeak {info(None).decode('ascii', 'replace').split()[0]}")
    except Exception:  # another engine: the platform's version stands for it
        parts.append(platform.platform())
    return ", ".join(parts)


def _wait_until_whole(path: Path) -> None:
    """Return once the file has stopped growing, or after a second."""
    give_up_s = time.monotonic() + WHOLE_FILE_WAIT_S
    before = -1
    while time.monotonic() < give_up_s:
        size = path.stat().st_size if path.exists() else 0
        if size > 44 and size == before:
            return
        before = size
        time.sleep(0.002)


if __name__ == "__main__":
    sys.exit(main())
