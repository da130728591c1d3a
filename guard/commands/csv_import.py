"""`guard import`: make a recording from a CSV file."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from datetime import date

from guard.commands.options import is_terminal, print_json
from guard.errors import UsageError, printable

MORE = """\
Columns are named as in the file's header (or by number, from 1, in a file
without one). Separator, encoding, decimal commas and the form of the times are
found and said. A file without heart rate but with beat-to-beat intervals:

  guard import beats.csv --time s --rr RR --where ID=1 -o beats.jsonl
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = f"{parser.epilog}\n\n{MORE}"
    parser.add_argument("file", metavar="FILE.csv")
    parser.add_argument("-o", "--output", metavar="OUT.jsonl", required=True, help="the recording to write")
    parser.add_argument("--force", action="store_true", help="write over OUT if it exists")
    parser.add_argument("--time", metavar="COL",
                        help="seconds, mm:ss, hh:mm:ss, ISO 8601 or a date with time")
    parser.add_argument("--heart-rate", metavar="COL", help="heart rate, bpm")
    parser.add_argument("--speed", metavar="COL", help="speed or pace")
    parser.add_argument("--altitude", metavar="COL", help="altitude, m; with --speed it gives the grade")
    parser.add_argument("--date", metavar="DAY", help="day of the run, where the file tells none: 2026-03-02")
    parser.add_argument("--date-column", metavar="COL", help="the date, where it has a column of its own")
    parser.add_argument("--speed-from", choices=("treadmill", "foot-pod", "satellite"),
                        help="what told the speed (default: satellite)")
    parser.add_argument("--rr", metavar="COL",
                        help="beat-to-beat (RR) intervals; without --heart-rate they make the heart rate")
    parser.add_argument("--where", metavar="COL=VALUE", action="append", default=[],
                        help="only rows whose column holds the value; may be repeated")
    parser.add_argument("--time-unit", choices=("s", "ms", "min"), default="s",
                        help="of times that are plain numbers (default s)")
    parser.add_argument("--date-order", choices=("day-first", "month-first"),
                        help="of dates such as 03/02/2026")
    parser.add_argument("--speed-unit", choices=("m/s", "km/h", "mph", "min/km", "min/mile"),
                        help="default m/s")
    parser.add_argument("--rr-unit", choices=("ms", "s"), default="ms", help="default ms")
    parser.add_argument("--separator", metavar="CHAR",
                        help="a character, or comma, semicolon, tab, bar, space (default: found)")
    parser.add_argument("--json", action="store_true", help="one JSON document on stdout, notes on stderr")


def run(args: argparse.Namespace) -> int:
    from pathlib import Path

    from guard.csv.read import Columns, Form, import_csv
    from guard.events import Reading
    from guard.log.log import write_recording
    from guard.screen.words import clock

    source, target = Path(args.file), Path(args.output)
    if target.exists() and source.exists() and target.samefile(source):
        raise UsageError(f"-o {target} is the file to read: name another one")
    columns = Columns(args.time, args.heart_rate, args.rr, args.speed, args.altitude, args.date_column,
                      _where(args.where))
    form = Form(args.separator, args.time_unit, args.date_order, args.rr_unit, args.speed_unit,
                _day(args.date), args.speed_from and args.speed_from.replace("-", " "))
    imported = import_csv(source, columns, form)
    if imported.header["started"] is None and is_terminal(sys.stdin, sys.stderr):
        print("date of the run, such as 2026-03-02 (Enter: leave it undated): ", end="", file=sys.stderr,
              flush=True)
        if answer := sys.stdin.readline().strip():
            imported = import_csv(source, columns, replace(form, day=_day(answer)))
    write_recording(target, imported.header, imported.items, force=args.force)
    readings = [item for item in imported.items if isinstance(item, Reading)]
    for note in imported.notes:
        print(f"note: {note}", file=sys.stderr)
    if args.json:
        print_json({"format": 1, "file": str(target), "readings": len(readings),
                    "duration_s": imported.items[-1].t_s, "notes": list(imported.notes)})
        return 0
    beats = [reading.bpm for reading in readings if reading.bpm]
    print(f"{printable(target)}: {len(readings)} readings over {clock(imported.items[-1].t_s)}, "
          f"{min(beats)} to {max(beats)} bpm\n"
          f"next: guard replay {printable(target)} --ceiling BPM")
    return 0


def _day(text: str | None) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"--date {printable(text)[:40]} is no date: write it as 2026-03-02") from None


def _where(pairs: list[str]) -> dict[str, str]:
    chosen: dict[str, str] = {}
    for pair in pairs:
        column, equals, value = pair.partition("=")
        if not equals or not column.strip():
            raise UsageError(f"--where {pair!r} is not COLUMN=VALUE: write for example --where ID=1")
        if chosen.setdefault(column.strip(), value) != value:
            raise UsageError(f"--where names {column!r} twice with different values: no row can hold both")
    return chosen
