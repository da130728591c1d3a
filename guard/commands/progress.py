"""`guard progress`: weeks and months of running, from the library of sessions and the journal."""

from __future__ import annotations

import argparse
import os
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from guard.commands.options import (
    HOW_TO_FIND_A_CEILING,
    add_settings_options,
    chosen_settings,
    counting,
    print_json,
)
from guard.errors import InputError, UsageError, printable

if TYPE_CHECKING:
    from collections.abc import Sequence

    from guard.journal.journal import Journal
    from guard.journal.links import Correlation
    from guard.progress.progress import Months, PastSession

_WIDEST = 110
_MOST_NOTES = 5


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--folder", metavar="DIR", help="session logs in a folder other than the usual one")
    add_settings_options(parser)
    parser.add_argument("--html", metavar="FILE", help="write a self-contained page")
    parser.add_argument("--csv", metavar="FILE", help="write one row a run (- for the screen)")
    parser.add_argument("--force", action="store_true", help="overwrite an existing file")
    parser.add_argument("--json", action="store_true", help="one JSON document on stdout, notes on stderr")


def run(args: argparse.Namespace) -> int:
    # The matrices are small: more threads only wait for each other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if args.json and args.csv == "-":
        raise UsageError("--json and --csv - both want the screen: give the CSV a file")
    settings = chosen_settings(args, need_ceiling=False)

    from guard.clock import wall_now
    from guard.journal import journal as journals
    from guard.progress.progress import look
    from guard.progress.sessions import sessions_of

    notes: list[str] = []
    sessions = sessions_of(Path(args.folder) if args.folder else None,
                           progress=counting("reading sessions"), warn=notes.append)
    _show_notes(notes)
    if not sessions:
        where = printable(args.folder) if args.folder else "the sessions folder"
        raise InputError(f"no session with a date in {where} yet: `guard run` records one, `guard import` "
                         "makes one from a CSV file")
    ceiling_bpm = settings.ceiling_bpm or _ceiling_of(sessions)
    journal = journals.read()
    _show_notes(list(journal.notes))
    named = {entry.day: entry.speed_from for entry in journal.entries if entry.speed_from}
    months = look(sessions, _daily(journal), ceiling_bpm, today=wall_now().date(), named=named,
                  with_history=bool(args.html or args.json))
    links = _links(months, sessions, journal) if args.html or args.json else []
    if args.html:
        _write_page(args, months, sessions, links, settings.units)
    if args.csv:
        _write_csv(args, months, sessions, settings.units)
    if args.json:
        from guard.progress.document import document

        print_json(document(months, sessions, links, settings.units))
    elif args.csv != "-":
        _show(months, settings.units)
    return 0


def _ceiling_of(sessions: Sequence[PastSession]) -> float:
    """The newest ceiling that a session ran under, where none is set now."""
    for session in reversed(sessions):
        if session.figures.ceiling_bpm is not None:
            print(f"note: no ceiling is set; taken from the run of {session.day}: "
                  f"{session.figures.ceiling_bpm:g} bpm", file=sys.stderr)
            return session.figures.ceiling_bpm
    raise UsageError(HOW_TO_FIND_A_CEILING)


def _show_notes(notes: list[str]) -> None:
    for note in notes[:_MOST_NOTES]:
        print(f"note: {printable(note)}", file=sys.stderr)
    if len(notes) > _MOST_NOTES:
        print(f"note: {len(notes) - _MOST_NOTES} more like these", file=sys.stderr)


def _daily(journal: Journal) -> dict[str, dict[Any, float]]:
    """Journal by item, then by day."""
    from guard.journal.journal import numbers

    days = [entry.day for entry in journal.entries]
    return {key: {day: float(value) for day, value in zip(days, values, strict=True) if value is not None}
            for key, values in numbers(journal.entries, days).items()}


def _links(months: Months, sessions: Sequence[PastSession], journal: Journal) -> list[Correlation]:
    from guard.journal.journal import numbers
    from guard.progress.sessions import kept_links

    if not journal.entries:
        return []
    outcomes: dict[str, list[float | None]] = {
        "speed at the ceiling": [point.speed.value if point.speed else None for point in months.points],
        "cues an hour": [
            session.figures.asking_cues * 3600.0 / session.figures.duration_s
            if session.figures.duration_s >= 600 else None for session in sessions],
    }
    return kept_links(numbers(journal.entries, [point.day for point in months.points]), outcomes)


def _show(months: Months, units: str) -> None:
    from guard.progress.terminal import report
    from guard.screen.look import fitting_look

    look = fitting_look(sys.stdout.encoding or "ascii", os.environ)
    width = min(shutil.get_terminal_size((80, 24)).columns - 1, _WIDEST)
    print(*report(months, units, width, look), sep="\n")


def _write_page(
    args: argparse.Namespace, months: Months, sessions: Sequence[PastSession], links: Sequence[Correlation],
    units: str,
) -> None:
    from guard.files.whole import write_whole
    from guard.progress.page import page

    write_whole(Path(args.html), [page(months, sessions, links, units).encode()], force=args.force)
    print(f"wrote {printable(args.html)}", file=sys.stderr)


def _write_csv(args: argparse.Namespace, months: Months, sessions: Sequence[PastSession], units: str) -> None:
    import csv
    import io

    from guard.csv.write import safe_text
    from guard.files.whole import write_whole
    from guard.progress.document import RUN_COLUMNS, rows

    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(RUN_COLUMNS)
    # Names of files are text from outside.
    writer.writerows([safe_text(cell) if isinstance(cell, str) else cell for cell in row]
                     for row in rows(months, sessions, units))
    if args.csv == "-":
        print(text.getvalue(), end="")
        return
    write_whole(Path(args.csv), [text.getvalue().encode()], force=args.force)
    print(f"wrote {printable(args.csv)}", file=sys.stderr)
