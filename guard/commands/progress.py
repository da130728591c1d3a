"""`guard progress`: weeks and months of running, from the library of sessions and the journal."""

import argparse
from collections.abc import Sequence
from pathlib import Path

from guard.clock import wall_now
from guard.commands.options import HOW_TO_FIND_A_CEILING, chosen_settings, counting, print_json, tell, wrote
from guard.csv.write import table_csv
from guard.errors import InputError, UsageError, printable
from guard.journal import journal as journals
from guard.journal.journal import Journal, numbers
from guard.journal.links import Correlation, links
from guard.progress.document import RUN_COLUMNS, document, rows
from guard.progress.page import page
from guard.progress.progress import Months, PastSession, look
from guard.progress.sessions import newest_ceiling, sessions_of
from guard.progress.terminal import report
from guard.roster import document as roster_json
from guard.roster import page as roster_page
from guard.roster import terminal as roster_terminal
from guard.roster.folders import everyone
from guard.roster.roster import line, worst_first
from guard.screen.report import columns, console_and_look
from guard.workers.pool import usable_cores
from guard.workers.workers import workers

_WIDEST = 110  # cells; longer lines are hard to read
_MOST_NOTES = 5  # the rest is counted


def run(args: argparse.Namespace) -> int:
    if args.json and args.csv == "-":
        raise UsageError("--json and --csv - both want the screen: give the CSV a file")
    settings = chosen_settings(args, need_ceiling=False)
    if args.workers and args.runners is None:
        raise UsageError("--workers is for many runners: add --runners DIR")
    if args.runners is not None:
        return _runners(args, settings.units)

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
    months = look(sessions, journals.daily(journal.entries), ceiling_bpm, today=wall_now().date(),
                  named=journals.named(journal.entries), with_history=bool(args.html or args.json))
    found = _links(months, sessions, journal) if args.html or args.json else []
    if args.html:
        wrote(args.html, [page(months, sessions, found, settings.units).encode()], force=args.force)
    if args.csv:
        text = table_csv(RUN_COLUMNS, rows(months, sessions, settings.units))
        if args.csv == "-":
            print(text.replace("\r\n", "\n"), end="")
        else:
            wrote(args.csv, [text.encode()], force=args.force)
    if args.json:
        print_json(document(months, sessions, found, settings.units))
    elif args.csv != "-":
        print(*report(months, settings.units, columns(_WIDEST), console_and_look()[1]), sep="\n")
    return 0


def _runners(args: argparse.Namespace, units: str) -> int:
    if args.folder or args.csv or args.ceiling:
        raise UsageError("--folder, --csv and --ceiling are of one runner: with --runners each has a ceiling "
                         "of their own")

    found = everyone(
        Path(args.runners), lambda count: workers(args.workers, min(usable_cores(), count)),
        counting("reading runners"))
    today = wall_now().date()
    lines = worst_first(line(name, of, today) for name, of in found.standings.items())
    for name, why in found.left_out.items():
        tell(f"{name} is left out: {why}")
    for name, why in found.in_part.items():
        tell(f"{name} is read in part: {why}")
    if args.html:
        wrote(args.html, [roster_page.page(lines, found, units, today).encode()], force=args.force)
    if args.json:
        print_json(roster_json.document(lines, found, units, today))
    elif lines:
        print(*roster_terminal.report(lines, units, columns(_WIDEST), console_and_look()[1]), sep="\n")
    return 0 if lines else InputError.exit_code


def _ceiling_of(sessions: Sequence[PastSession]) -> float:
    """The newest ceiling that a session ran under, where none is set now."""
    ceiling_bpm = newest_ceiling(sessions)
    if ceiling_bpm is None:
        raise UsageError(HOW_TO_FIND_A_CEILING)
    tell(f"no ceiling is set; taken from the newest run: {ceiling_bpm:g} bpm")
    return ceiling_bpm


def _show_notes(notes: list[str]) -> None:
    for note in notes[:_MOST_NOTES]:
        tell(note)
    if len(notes) > _MOST_NOTES:
        tell(f"{len(notes) - _MOST_NOTES} more like these")


def _links(months: Months, sessions: Sequence[PastSession], journal: Journal) -> list[Correlation]:
    if not journal.entries:
        return []
    outcomes: dict[str, list[float | None]] = {
        "speed at the ceiling": [point.speed.value if point.speed else None for point in months.points],
        "cues an hour": [
            session.figures.asking_cues * 3600.0 / session.figures.duration_s
            if session.figures.duration_s >= 600 else None for session in sessions],
    }
    return links(numbers(journal.entries, [point.day for point in months.points]), outcomes)
