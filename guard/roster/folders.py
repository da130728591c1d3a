"""Runners' folders: found, read, and what each says kept in the cache until something in it changes.

A runner's folder is whatever that runner's guard keeps: its GUARD_HOME or an
unpacked `guard data --export` (config/, data/), its data folder (sessions/,
journal.jsonl), or bare session logs. Nothing in it is changed.
"""

import contextlib
import hashlib
import os
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from guard.errors import GuardError, HardwareError, InputError, printable
from guard.files.cache import cache_of, read_cached, write_cached
from guard.journal import journal as journals
from guard.progress.progress import look
from guard.progress.sessions import FIGURES_FORMAT, newest_ceiling, sessions_of
from guard.roster.roster import Standing, standing, standing_from
from guard.settings import file as settings_file
from guard.workers.pool import Interrupted
from guard.workers.workers import Workers

STANDING_FORMAT = 3  # a change in what is worked out needs a new number
MOST_NOTES = 2  # of one runner (ours); the rest is counted
OTHERS = (journals.JOURNAL_FILE, "ceiling.jsonl")  # lie beside bare logs and are none

KeptStanding = tuple[str, dict[str, object] | None, list[str]]  # state of the folder, words, notes


@dataclass(frozen=True)
class Home:
    """Where one runner's things are; `journal` and `settings` may be missing."""

    folder: Path
    sessions: Path
    journal: Path
    settings: Path


@dataclass(frozen=True)
class FoundRunners:
    """Everyone with what they say, by name; who was left out and why; who was read in part and why."""

    standings: dict[str, Standing]
    left_out: dict[str, str]
    in_part: dict[str, str]


def everyone(
    folder: Path, workers_for: Callable[[int], Workers],
    progress: Callable[[int, int], None] | None = None,
) -> FoundRunners:
    """Every runner under `folder`; only whose folder changed is read again, by `workers_for(how many)`.

    Raises InputError where `folder` is missing, unreadable, or holds no folder.
    What was worked out is kept as it comes, so that an interruption loses little.
    """
    homes, left_out = _homes(folder)
    known: dict[str, KeptStanding] = {}
    states = {name: _state(home) for name, home in homes.items()}
    for name, home in homes.items():
        with contextlib.suppress(ValueError, TypeError, KeyError, IndexError):
            made_for = {"format": STANDING_FORMAT, "state": states[name]}
            known[name] = _believed(states[name], read_cached(cache_of("roster", home.folder), made_for))
    new = [name for name in homes if name not in known]

    def took(number: int, kept: KeptStanding) -> None:
        name = new[number]
        home, (state, said, notes) = homes[name], kept
        if workers.far and state not in (states[name], _state(home)):  # a session may have gone on meanwhile
            raise HardwareError(
                f"a worker does not see {printable(home.folder)} as this machine does",
                "share the folder with every worker under the same path, or leave --workers out")
        if said is not None:  # what stood in the way may go without a trace
            made_for = {"format": STANDING_FORMAT, "state": state}
            write_cached(cache_of("roster", home.folder), made_for, [said, notes])
        known[name] = _believed(state, [said, notes])
        if progress:
            progress(len(known) - before, len(new))

    before = len(known)
    if new:
        workers = workers_for(len(new))
        try:
            with workers:
                workers.run(look_at, [os.fspath(homes[name].folder) for name in new], took=took)
        except Interrupted as error:
            raise error.cause from None
    return _sorted_out(homes, known, left_out)


def _sorted_out(
    homes: dict[str, Home], known: dict[str, KeptStanding], left_out: dict[str, str],
) -> FoundRunners:
    standings, in_part = {}, {}
    for name in homes:
        if name not in known:
            continue
        _, kept, told = known[name]
        if kept is None:
            left_out[name] = told[-1]
        else:
            standings[name] = standing_from(kept)
            if told:
                in_part[name] = "; ".join(told)
    return FoundRunners(standings, dict(sorted(left_out.items())), in_part)


def _homes(folder: Path) -> tuple[dict[str, Home], dict[str, str]]:
    found: dict[str, Home] = {}
    left_out: dict[str, str] = {}
    home = folder.absolute()
    try:
        for path in sorted(home.iterdir()):
            if path.name.startswith("."):
                continue
            if path.is_dir():
                found[path.name] = home_of(path)
            else:
                left_out[path.name] = ("is no folder of a runner" if path.exists()
                                       else "leads nowhere: the folder it points to is gone")
    except OSError as error:
        raise InputError(f"cannot read {printable(folder)} ({error.strerror or error}): name the folder in "
                         "which each runner has a folder") from None
    if not found or home_of(home).sessions != home or any(name.endswith(".jsonl") for name in left_out):
        raise InputError(f"{printable(folder)} is not a folder of runners' folders: name one in which each "
                         "runner has a folder; for one runner alone use `guard progress --folder`")
    return found, left_out


def home_of(folder: Path) -> Home:
    """Where the sessions, the journal and the settings of a runner's folder are."""
    for data in (folder / "data", folder):
        if (data / "sessions").is_dir():
            return Home(folder, data / "sessions", data / journals.JOURNAL_FILE,
                        folder / "config" / settings_file.SETTINGS_FILE)
    return Home(folder, folder, folder / journals.JOURNAL_FILE, folder / settings_file.SETTINGS_FILE)


def state_of(home: Home) -> str:
    """Changes whenever anything does that `look_at` reads; OSError where it cannot be read."""
    stamps: list[tuple[str, object, object]] = [
        ("home", os.fspath(home.folder), (STANDING_FORMAT, FIGURES_FORMAT))]
    with os.scandir(home.sessions) as places:
        stamps += [(place.name, state.st_size, state.st_mtime_ns) for place in places
                   if place.name.endswith(".jsonl") and (state := _stat(place)) is not None]
    for path in (home.journal, home.settings):
        with contextlib.suppress(FileNotFoundError, NotADirectoryError):
            state = path.stat()
            stamps.append((f"beside/{path.name}", state.st_size, state.st_mtime_ns))
    told = "\n".join(f"{name}\t{size}\t{when}" for name, size, when in sorted(stamps, key=str))
    return hashlib.blake2b(told.encode("utf-8", "surrogateescape"), digest_size=16).hexdigest()


def _state(home: Home) -> str:
    """`state_of`; empty where it cannot be read."""
    try:
        return state_of(home)
    except OSError:
        return ""


def _stat(place: os.DirEntry[str]) -> os.stat_result | None:
    with contextlib.suppress(OSError):  # gone meanwhile, or a link to nowhere
        return place.stat()
    return None


def look_at(folder: str, stop: Callable[[], bool]) -> KeptStanding:
    """Work out one runner: the folder's state, what it says as plain values, and notes.

    Where nothing can be said the second is None and the last note tells why.
    """
    stop()
    home = home_of(Path(folder))
    notes: list[str] = []
    state = ""
    try:
        state = state_of(home)
        found = _standing(home, notes)
    except GuardError as error:
        return state, None, [printable(error)]
    except OSError as error:
        return state, None, [f"cannot be read ({error.strerror or error}): check that you may read it"]
    if len(notes) > MOST_NOTES:
        notes[MOST_NOTES:] = [f"{len(notes) - MOST_NOTES} more like these"]
    return state, asdict(found), [printable(note) for note in notes]


def _standing(home: Home, notes: list[str]) -> Standing:
    def warn(note: str) -> None:
        if not note.startswith(OTHERS):
            notes.append(note)

    sessions = sessions_of(home.sessions, warn=warn, jobs=1)
    if not sessions:
        raise InputError("no session of the guard with a date in it" + (f" ({notes[0]})" if notes else ""))
    ceiling_bpm = _ceiling(home, notes) or newest_ceiling(sessions)
    if ceiling_bpm is None:
        raise InputError("no ceiling: neither its settings nor a session has one")
    journal = journals.read(home.journal)
    notes += journal.notes
    daily = journals.daily(journal.entries)
    months = look(sessions, daily, ceiling_bpm, today=sessions[-1].day,
                  named=journals.named(journal.entries))
    return standing(months, sessions, daily["ill"])


def _ceiling(home: Home, notes: list[str]) -> float | None:
    try:
        ceiling = settings_file.load(home.settings, leave_out=lambda told: None).get("ceiling_bpm")
    except GuardError as error:
        notes.append(f"{error}; the ceiling is taken from the newest session")
        return None
    return float(ceiling) if isinstance(ceiling, (int, float)) else None


def _believed(state: str, kept: object) -> KeptStanding:
    """What the cache holds, looked at; ValueError, TypeError or KeyError for what is of another form."""
    if not isinstance(kept, Sequence) or len(kept) != 2:
        raise ValueError("not of this form")
    said, notes = kept
    if not isinstance(notes, list) or not all(isinstance(note, str) for note in notes):
        raise ValueError("no notes")
    if said is None and not notes:
        raise ValueError("no reason")
    if said is not None:
        standing_from(said)
    return state, said, [printable(note) for note in notes]
