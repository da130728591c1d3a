"""The live view on a terminal: the whole screen, redrawn on change, given back at the end."""

import contextlib
import dataclasses
import os
import sys
import time
from pathlib import Path

from rich.console import Group
from rich.live import Live

from guard.clock import wall_now
from guard.events import Input, Output, Snapshot
from guard.screen.frame import Frame
from guard.screen.report import Console
from guard.screen.view import ViewOptions, view

SCREENS_APART_S = 0.25  # four screens a second at most
_DEBUG_BYTES = 1 << 20  # a debug file larger than this begins anew


class LiveScreen:
    """Draws frames on `console`; file descriptor 2 goes to `debug_file` meanwhile.

    Sound libraries write there whatever they like, which would break the
    picture.
    """

    def __init__(self, console: Console, options: ViewOptions, debug_file: Path | None = None) -> None:
        self._console, self._options, self._debug_file = console, options, debug_file
        self._live: Live | None = None
        self._kept_stderr: int | None = None
        self._shown: object = None
        self._drawn_at_s = float("-inf")

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
        """Nothing: the next frame shows it."""

    def frame(self, frame: Frame) -> None:
        wait_s = self._drawn_at_s + SCREENS_APART_S - time.monotonic()
        if wait_s > 0:
            time.sleep(wait_s)
        size, clock_text = self._console.size, f"{wall_now():%H:%M}"
        shows = (_by_the_second(frame.snapshot), frame.notes, frame.prompt, frame.choice, frame.help, size,
                 clock_text)
        if self._live is None or shows == self._shown:
            return
        self._shown = shows
        self._drawn_at_s = time.monotonic()
        options = dataclasses.replace(
            self._options, notes=frame.notes, prompt=frame.prompt, choice=frame.choice, help=frame.help,
            clock_text=clock_text)
        self._live.update(view(frame.snapshot, *size, options), refresh=True)

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


def _by_the_second(snapshot: Snapshot) -> Snapshot:
    """The snapshot as far as the screen tells moments apart, so that nothing is drawn twice."""
    age = snapshot.reading_age_s
    return dataclasses.replace(
        snapshot, t_s=float(int(snapshot.t_s)), active_s=float(int(snapshot.active_s)),
        reading_age_s=None if age is None else float(int(age)))
