"""What `guard run` and `guard rehearse` share: screen, sound, log and the end of a session."""

import asyncio
import os
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from rich.table import Table

from guard.browser.page import BrowserPage
from guard.clock import SessionClock, clock_is_trusted, wall_now
from guard.commands.options import is_terminal, tell
from guard.decide.wording import NOT_RECORDING, RECORDING_AGAIN, phrase_bank
from guard.errors import GuardError
from guard.files import folders
from guard.library.library import rehearsals_dir
from guard.live.inbox import Inbox
from guard.live.live import LOG_TOPIC, Ended, run_session
from guard.live.source import Source
from guard.log.log import SessionLog, new_session_path, session_header
from guard.pins.panel import Panel
from guard.plan.plan import Plan
from guard.screen.frame import Screen
from guard.screen.lines import let_go_of_output
from guard.screen.live_screen import LiveScreen
from guard.screen.look import fitting_look
from guard.screen.plain import PlainScreen
from guard.screen.report import Console, summary_lines, summary_rows
from guard.screen.view import ViewOptions
from guard.settings import Settings
from guard.sound.phrases import phrases_for
from guard.sound.player import Sounder, why_off

DEBUG_FILE = "debug.log"
LONGEST_START_S = 30.0  # a slow board has the phrases of all cues by then; numbers follow in the background


@dataclass(frozen=True)
class SessionKind:
    """What kind of session this is: its title and tag on screen, where its log belongs.

    With `needs_screen` the session ends when its output is gone.
    """

    title: str
    log_folder: Callable[[], Path]
    tag: str = ""
    needs_screen: bool = False


async def guarded(
    source: Source,
    settings: Settings,
    clock: SessionClock,
    kind: SessionKind,
    *,
    plain: bool,
    plan: Plan | None = None,
    panel: Panel | None = None,
    page: BrowserPage | None = None,
    inbox: Inbox | None = None,
) -> Ended:
    """Run one session with the real screen, sound and log, on the `page` too if there is one.

    A `panel` given is open and stays so, with its presses in `inbox`; without
    one the session has its own where a pin is set.
    """
    inbox = inbox or Inbox()
    if panel is None and (own := panel_for(settings, inbox.note)):
        own.on_press = inbox.press
        await asyncio.to_thread(own.open)
        try:
            return await guarded(
                source, settings, clock, kind, plain=plain, plan=plan, panel=own, page=page, inbox=inbox)
        finally:
            await asyncio.to_thread(own.release)
    started = wall_now()
    header = session_header(
        settings, started=started, clock_trusted=clock_is_trusted(started),
        plan=plan.as_dict() if plan else None, source=source.about)
    folder = _folder(kind.log_folder, inbox)
    log = SessionLog(new_session_path(started, folder), header, report=partial(_tell_of_log, inbox))
    sounder = Sounder(
        settings, cache_dir=_folder(folders.cache_dir, inbox), on_health=inbox.sound,
        own_phrases=folders.config_dir(make=False) / "phrases", elsewhere=page.sound if page else None)
    return await run_session(
        source, settings, clock=clock, log=log, screen=_screen(settings, kind, log.path.name, plain, inbox),
        sounder=sounder, inbox=inbox, stdin=sys.stdin, plan=plan, panel=panel, page=page,
        needs_screen=kind.needs_screen)


def panel_for(settings: Settings, report: Callable[[str], None]) -> Panel | None:
    """Button, lamp and buzzer, still to be opened; None, with gpiozero never loaded, where no pin is set."""
    if settings.pin_button is settings.pin_lamp is settings.pin_buzzer is None:
        return None
    return Panel(settings, report)


def finished(ended: Ended, *, title: str, beside: Sequence[tuple[str, str]] = ()) -> int:
    """Show how the session went, with (fact, value) rows `beside` it, and where its log is; the exit code.

    A session may have been interrupted by its window being closed: it has ended
    properly, though nobody can read so.
    """
    try:
        _show_end(ended, title, beside)
        sys.stdout.flush()
    except OSError:
        if ended.how != "interrupted":
            raise
        let_go_of_output()
    return ended.exit_code


def _show_end(ended: Ended, title: str, beside: Sequence[tuple[str, str]]) -> None:
    console = Console(highlight=False, emoji=False)
    if console.is_terminal:
        table = Table(title=title, title_justify="left", show_header=False, box=None, padding=(0, 2, 0, 0))
        for fact, value in [*summary_rows(ended.summary), *beside]:
            table.add_row(fact, value)
        console.print(table)
    else:
        print("\n".join([title, *summary_lines(ended.summary, beside)]))
    if ended.log_path:
        print(f"log: {ended.log_path}")
        kept = ended.log_path.parent in (folders.sessions_dir(make=False), rehearsals_dir(make=False))
        print(f"how it went: guard review {ended.log_path.stem if kept else ended.log_path}")
    for trouble in ended.troubles:
        tell(trouble)


def _tell_of_log(inbox: Inbox, sentence: str, works: bool) -> None:
    inbox.note(sentence, topic=LOG_TOPIC, lasting=not works,
               aloud=RECORDING_AGAIN if works else NOT_RECORDING)


def terminal_console() -> Console:
    """A console that follows the window: COLUMNS and LINES, where exported, would hold it at one size."""
    environment = {key: value for key, value in os.environ.items() if key not in ("COLUMNS", "LINES")}
    return Console(highlight=False, emoji=False, _environ=environment)


def _folder(find: Callable[[], Path], inbox: Inbox) -> Path:
    """A folder of ours, or a temporary one where it cannot be made: a run is not lost for a folder."""
    try:
        return find()
    except GuardError as error:
        spare = Path(tempfile.mkdtemp(prefix="guard-"))
        inbox.note(f"{error}; until then it is kept in {spare}")
        return spare


def _screen(settings: Settings, kind: SessionKind, log_name: str, plain: bool, inbox: Inbox) -> Screen:
    console = terminal_console()
    look = fitting_look(console.encoding, os.environ, legacy_windows=console.legacy_windows)
    options = ViewOptions(
        settings=settings, look=look, title=kind.title, tag=kind.tag, log_name=log_name,
        show_keys=is_terminal(sys.stdin))
    if plain or not is_terminal(sys.stdout) or not console.is_interactive:
        return PlainScreen(sys.stdout, options)
    return LiveScreen(console, options, _folder(folders.data_dir, inbox) / DEBUG_FILE)


async def ready_voice(settings: Settings, *, plain: bool, console: Console | None = None) -> None:
    """Render every phrase before the very first session, so that none is missing in it, and say so meanwhile.

    To be called before the clock of a session starts; nothing without a terminal. What is not done in time,
    or after Ctrl-C, is rendered during the session, the most needed first, as after a change of voice. What
    the voice has to complain about is told by the session, too.
    """
    console = console or Console(stderr=True)
    try:
        cache_dir, own_phrases = folders.cache_dir(), folders.config_dir(make=False) / "phrases"
    except GuardError:
        return  # the session says so and keeps its phrases elsewhere
    if plain or not console.is_interactive or not is_first_start(settings, cache_dir):
        return
    phrases = phrases_for(settings, phrase_bank(settings), cache_dir, own_phrases, lambda note: None)
    phrases.start()
    try:
        with console.status("Getting the voice ready, this once"):
            await asyncio.to_thread(phrases.bank_done.wait, LONGEST_START_S)
    finally:
        phrases.close()


def is_first_start(settings: Settings, cache_dir: Path) -> bool:
    """Whether a voice is wanted and no phrase was ever rendered here."""
    if settings.speech == "tones" or why_off(settings):
        return False
    try:
        return not any((cache_dir / "phrases").glob("*.wav"))
    except OSError:
        return False
