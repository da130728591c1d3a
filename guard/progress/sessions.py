"""The sessions' figures for `guard progress`: kept in the cache, worked out anew where a log changed."""

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import asdict
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np

from guard.errors import GuardError, InputError, number_of, printable
from guard.events import FOOT_POD
from guard.files.cache import cache_of, read_cached, rebuilt, write_cached
from guard.library.library import SessionEntry
from guard.library.library import sessions as logged_sessions
from guard.log.series import read_series
from guard.plan.plan import Kind, Plan
from guard.progress.checks import CheckPart, check_parts
from guard.progress.figures import SessionFigures, figures, track
from guard.progress.minutes import BY_FOOT_POD, BY_SATELLITE, BY_TREADMILL, LAGS_S, SIZE
from guard.progress.progress import PastSession
from guard.progress.slopes import RunSums
from guard.workers.pool import Cancelled, Interrupted, Pool, usable_cores

_Kept = tuple[str, SessionFigures | None, tuple[CheckPart, ...]]  # why it is left out, or its figures

FIGURES_FORMAT = 2  # a change in what is worked out needs a new number
FEWEST_FOR_WORKERS = 60  # below this, starting processes takes longer than the work
LEAST_WEIGHT = 1e-3  # of a sum of minutes; less is none (ours)
PER_TASK = 20  # logs: some tenths of a second


def sessions_of(
    folder: Path | None, *,
    progress: Callable[[int, int], None] | None = None,
    warn: Callable[[str], None] = lambda sentence: None,
    jobs: int | None = None,
) -> list[PastSession]:
    """Every session of the library with its figures, oldest first.

    `progress` gets (done, to do) while logs are read, by `jobs` processes (as
    many as there are cores). A log that cannot be
    read, or that no clock dated, is left out; `warn` gets a sentence.
    """
    entries = []
    for entry in logged_sessions(folder, warn=warn):
        if entry.problem:
            warn(_left_out(entry.path, entry.problem))
        else:
            entries.append(entry)
    days = _dated(entries, warn)
    entries = [entry for entry in entries if entry.path.name in days]
    if not entries:
        return []
    place = cache_of("progress", entries[0].path.parent)
    made_for = {"format": FIGURES_FORMAT}
    kept = read_cached(place, made_for)
    kept = kept if isinstance(kept, dict) else {}
    known: dict[str, _Kept] = {}
    for entry in entries:
        # Whatever is of another form, or of another state of the log, is worked out again.
        with contextlib.suppress(ValueError, TypeError, KeyError):
            fingerprint, *row = kept[entry.path.name]
            if fingerprint == entry.fingerprint:
                known[entry.path.name] = _read(row)
    missing = [entry for entry in entries if entry.path.name not in known]
    if missing:
        for entry, row in zip(missing, _worked_out(missing, progress, jobs), strict=True):
            kept[entry.path.name] = [entry.fingerprint, *row]
            known[entry.path.name] = _read(row)
        names = {entry.path.name for entry in entries}
        write_cached(place, made_for, {name: row for name, row in kept.items() if name in names})
    found = []
    for entry in entries:
        problem, figures, parts = known[entry.path.name]
        if figures is None:
            warn(_left_out(entry.path, problem))
        else:
            found.append(PastSession(days[entry.path.name], entry.name, figures, parts))
    return sorted(found, key=lambda session: session.day)


def newest_ceiling(sessions: Sequence[PastSession]) -> float | None:
    """The newest ceiling that a session ran under."""
    return next((session.figures.ceiling_bpm for session in reversed(sessions)
                 if session.figures.ceiling_bpm is not None), None)


def _read(row: Sequence[Any]) -> _Kept:
    """One kept row; ValueError or TypeError where it is not of the form that `_one` gives."""
    problem, kept, check = row
    if not isinstance(problem, str):
        raise ValueError("not of this form")
    return (problem, None, ()) if problem else ("", *figures_from(kept, check))


def _left_out(path: Path, problem: str) -> str:
    """One sentence; a problem that begins with the file's path need not name it again."""
    told, whole = printable(problem), f"{printable(path)} "
    return f"{path.name} is left out: " + (f"it {told[len(whole):]}" if told.startswith(whole) else told)


def _dated(entries: Sequence[SessionEntry], warn: Callable[[str], None]) -> dict[str, date]:
    """The day of each session by its name; an import without one is left out, and that is said."""
    found, by_file = {}, 0
    for entry in entries:
        day = entry.ran_on() if entry.clock_trusted else None
        if day is None and entry.kind == "csv":
            warn(f"{entry.path.name} is left out: it has no date; import it again with --date 2026-03-02")
            continue
        by_file += day is None
        found[entry.path.name] = day or datetime.fromtimestamp(entry.mtime_ns / 1e9, UTC).astimezone().date()
    if by_file:
        warn(f"{number_of(by_file, 'session')} ran without a clock that could be trusted: "
             "dated by when the file was last written")
    return found


# -- working out

def _worked_out(
    entries: Sequence[SessionEntry], progress: Callable[[int, int], None] | None, jobs: int | None,
) -> list[Any]:
    paths = [str(entry.path) for entry in entries]
    tasks = [paths[at:at + PER_TASK] for at in range(0, len(paths), PER_TASK)]
    workers = min(jobs or usable_cores(), len(tasks)) if len(paths) >= FEWEST_FOR_WORKERS else 1
    done = 0

    def took(number: int, some: list[Any]) -> None:
        nonlocal done
        done += len(some)
        if progress:
            progress(done, len(paths))

    try:
        with Pool(workers) as pool:
            return [row for some in pool.run(_some, tasks, took=took) for row in some]
    except Interrupted as error:
        raise error.cause from None


def _some(paths: list[str], stop: Callable[[], bool]) -> list[Any]:
    if stop():
        raise Cancelled
    return [_one(path) for path in paths]


def _one(path: str) -> Any:
    """(problem, figures, check parts) of one log, as plain values."""
    try:
        series = read_series(path)
    except GuardError as error:
        return [str(error), None, []]
    columns = (series.readings, series.speeds, series.commands, series.end_s)
    found = figures(*columns, ceiling_bpm=_ceiling(series.header),
                    source=_source(series.header, series.speed_source), asking_cues=series.asking_cues)
    check: list[Any] = []
    if parts := _parts(series.header):
        of = track(*columns)
        check = [asdict(part) for part in check_parts(parts, of.bpm, of.speed_m_s, series.commands)]
    return ["", asdict(found), check]


def _ceiling(header: dict[str, Any]) -> float | None:
    settings = header.get("settings")
    value = settings.get("ceiling_bpm") if isinstance(settings, dict) else None
    return float(value) if isinstance(value, (int, float)) and 30 <= value <= 250 else None


def _source(header: dict[str, Any], told: str) -> str:
    """What told the speed: a typed one is the belt's, an import's is taken for satellites' unless it says."""
    about = header.get("source")
    if isinstance(about, dict) and about.get("kind") == "csv":
        said = about.get("speed_from")
        return said if said in (BY_TREADMILL, BY_FOOT_POD) else BY_SATELLITE
    return BY_FOOT_POD if told == FOOT_POD else BY_TREADMILL


def _parts(header: dict[str, Any]) -> list[tuple[str, str, float]]:
    """(kind, name, seconds) of the plan's parts, where it has a test part by time."""
    if not header.get("plan"):
        return []
    try:
        parts = Plan.from_dict(header["plan"]).parts
    except InputError:
        return []
    tested = any(part.kind is Kind.TEST for part in parts) and all(part.metres is None for part in parts)
    return [(part.kind.value, part.name, part.seconds) for part in parts] if tested else []


# -- what is kept

def figures_from(kept: object, check: object) -> tuple[SessionFigures, tuple[CheckPart, ...]]:
    """What `dataclasses.asdict` made of figures and check parts; ValueError for anything else."""
    figures = rebuilt(SessionFigures, kept)
    if figures.minutes is not None and not _can_be(figures.minutes.sums):
        raise ValueError("not the sums of minutes")
    if not isinstance(check, (list, tuple)):
        raise ValueError("not a list of check parts")
    return figures, tuple(rebuilt(CheckPart, part) for part in check)


def _can_be(sums: Sequence[Sequence[float]]) -> bool:
    """Whether minutes can have these sums: some of them, and no sum of columns with a negative square."""
    if [len(row) for row in sums] != [SIZE] * len(LAGS_S):
        return False
    of = RunSums.of(np.array(sums))
    slack = 1e-6 * (1.0 + of.products.trace(axis1=1, axis2=2))
    return bool(np.all(of.count >= 1) and np.all(of.weight >= LEAST_WEIGHT)
                and np.all(of.halves[:, :, 0] >= LEAST_WEIGHT)
                and np.all(np.linalg.eigvalsh(of.products)[:, 0] >= -slack))
