"""The live view on a terminal: the whole screen, redrawn on change, given back at the end."""

from __future__ import annotations

import contextlib
import dataclasses
import os
import sys
import time
from pathlib import Path

from rich.console import Console, Group
from rich.live import Live

from guard.clock import wall_now
from guard.events import CueGiven, Input, Output
from guard.screen.frame import Frame
from guard.screen.view import ViewOptions, view

LEAST_BETWEEN_S = 0.25  # four screens a second at most
_DEBUG_BYTES = 1 << 20  # a debug file larger than this begins anew


class LiveScreen:
    """Draws frames on `console`; file descriptor 2 goes to `debug_file` meanwhile.

    Sound libraries write there whatever they like, which would break the
    picture. `bell` rings the terminal at cues that cannot be heard otherwise.
    """

    def __init__(self, console: Console, options: ViewOptions, debug_file: Path | None = None) -> None:
        self._console, self._options, self._debug_file = console, options, debug_file
        self._live: Live | None = None
        self._kept_stderr: int | None = None
        self._shown: tuple[Group, tuple[int, int]] | None = None
        self._drawn_at_s = float("-inf")
        self._silent = False

    def open(self) -> None:
        self._redirect_stderr()
        try:
            self._live = Live(Group(), console=self._console, screen=True, auto_refresh=False,
                              redirect_stdout=False, redirect_stderr=False)
            self._live.start()
        except BaseException:
            self.close()
            raise

    def event(self, item: Input | Output) -> None:
        if isinstance(item, CueGiven) and self._silent:
            self._console.bell()

    def frame(self, frame: Frame) -> None:
        self._silent = frame.snapshot.sound_backend == "none" and not frame.snapshot.muted
        wait_s = self._drawn_at_s + LEAST_BETWEEN_S - time.monotonic()
        if wait_s > 0:
            time.sleep(wait_s)
        width, height = self._console.size
        options = dataclasses.replace(
            self._options, notes=frame.notes, prompt=frame.prompt, clock_text=f"{wall_now():%H:%M}")
        picture = view(frame.snapshot, width, height, options)
        drawn = (picture, (width, height))
        if self._live is None or (self._shown and _same(self._shown, drawn)):
            return
        self._shown = drawn
        self._drawn_at_s = time.monotonic()
        self._live.update(picture, refresh=True)

    def close(self) -> None:
        live, self._live = self._live, None
        try:
            if live is not None:
                live.stop()
        finally:
            self._restore_stderr()

    def _redirect_stderr(self) -> None:
        if self._debug_file is None:
            return
        with contextlib.suppress(OSError):
            fresh = self._debug_file.exists() and self._debug_file.stat().st_size > _DEBUG_BYTES
            mode = os.O_WRONLY | os.O_CREAT | (os.O_TRUNC if fresh else os.O_APPEND)
            target = os.open(self._debug_file, mode, 0o600)
            sys.stderr.flush()
            self._kept_stderr = os.dup(2)
            os.dup2(target, 2)
            os.close(target)

    def _restore_stderr(self) -> None:
        kept, self._kept_stderr = self._kept_stderr, None
        if kept is not None:
            sys.stderr.flush()
            os.dup2(kept, 2)
            os.close(kept)


def _same(one: tuple[Group, tuple[int, int]], other: tuple[Group, tuple[int, int]]) -> bool:
    return one[1] == other[1] and one[0].renderables == other[0].renderables
