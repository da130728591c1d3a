"""The progress bar shown while the voice gets ready before the very first session."""

import asyncio
import threading
from pathlib import Path

from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

from guard.errors import GuardError
from guard.files import folders
from guard.screen.console import Console
from guard.settings import Settings
from guard.sound import first_start

TEXT = "Getting the voice ready, this once"


async def ready_voice(settings: Settings, *, plain: bool, console: Console | None = None) -> None:
    """Render every phrase with a bar on the terminal; nothing without one or where it was done before.

    To be called before the clock of a session starts.
    """
    console = console or Console(stderr=True)
    try:
        cache_dir, own_phrases = folders.cache_dir(), folders.config_dir(make=False) / "phrases"
    except GuardError:
        return  # the session says so and keeps its phrases elsewhere
    if not plain and console.is_interactive and first_start.is_first_start(settings, cache_dir):
        given_up = threading.Event()
        try:
            await asyncio.to_thread(show_bar, settings, cache_dir, own_phrases, console, given_up)
        finally:  # Ctrl-C ends it too; the rest is rendered during the session
            given_up.set()


def show_bar(settings: Settings, cache_dir: Path, own_phrases: Path | None, console: Console,
             given_up: threading.Event) -> None:
    """Render and draw until done, `given_up` or late; the bar is gone afterwards."""
    bar = BarColumn(complete_style="bold", finished_style="bold")
    columns = (TextColumn("{task.description}", markup=False), bar, TaskProgressColumn())
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task(TEXT, total=1.0)

        def on_share(share: float) -> bool:
            progress.update(task, completed=share)
            return not given_up.is_set()

        first_start.render(settings, cache_dir, own_phrases, on_share)
