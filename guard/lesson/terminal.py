"""The lesson on a terminal: keys in, cues out, one page."""

import asyncio
import os
import sys
import time

from rich.console import Console, Group
from rich.live import Live

from guard.events import Cue, CueGiven
from guard.files import folders
from guard.lesson.lesson import Lesson
from guard.lesson.page import closing, page
from guard.live.terminal import terminal_keys
from guard.screen.look import fitting_look
from guard.settings import Settings
from guard.sound.player import Sounder

KEYS_LOOK_S = 0.1  # between two looks for a key: quicker than a hand
NO_SOUND = ("none", "off", "bell")


async def give(settings: Settings, console: Console) -> bool:
    """Give the lesson on this terminal; True when somebody went through it."""
    look = fitting_look(console.encoding, os.environ, legacy_windows=console.legacy_windows)
    lesson, left, backend = Lesson(), asyncio.Event(), ["starting"]
    sounder = Sounder(
        settings, cache_dir=folders.cache_dir(), own_phrases=folders.config_dir(make=False) / "phrases",
        on_health=lambda name, detail: backend.__setitem__(0, name))
    began_s = time.monotonic()

    def play(cue: Cue | None) -> None:
        if cue is not None:
            sounder.cue(CueGiven(0.0, cue))

    def on_key(char: str) -> None:
        if char in "qQ\x03\x1b":
            left.set()
        else:
            play(lesson.press(char, time.monotonic() - began_s))

    sounder.start()
    try:
        with Live(Group(), console=console, screen=True, auto_refresh=False) as live, \
                terminal_keys(sys.stdin, on_key):
            while not (lesson.over or left.is_set()):
                t_s = time.monotonic() - began_s
                play(lesson.advance(t_s))
                live.update(page(lesson, settings, backend[0] not in NO_SOUND, *console.size, look, t_s),
                            refresh=True)
                await asyncio.sleep(KEYS_LOOK_S)
    finally:
        await asyncio.to_thread(sounder.close)
    print("\n".join(closing(lesson, left=not lesson.over)))
    return lesson.over and lesson.taken
