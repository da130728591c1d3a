"""`guard import`: make a recording from a CSV file."""

import argparse
import shlex
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

from guard.commands.options import answered, can_ask, own_settings, print_json, tell
from guard.csv.columns import ColumnNames, Form, unit_in
from guard.csv.guess import COLUMN_WORDS, Guess, guess
from guard.csv.read import import_csv
from guard.csv.table import Table, open_any, open_table
from guard.errors import UsageError, printable
from guard.events import Reading
from guard.files.folders import sessions_dir
from guard.log.log import write_recording
from guard.screen.words import clock
from guard.units import SPEED_UNITS

# option of each column that may be taken
OPTIONS = {"time": "--time", "heart_rate": "--heart-rate", "rr": "--rr", "speed": "--speed",
           "altitude": "--altitude", "grade": "--grade", "contact": "--contact", "date": "--date-column"}


def run(args: argparse.Namespace) -> int:
    source = Path(args.file)
    target = source.with_suffix(".jsonl") if args.output is None else Path(args.output)
    if args.keep:
        target = sessions_dir() / target.name
    if target.exists() and source.exists() and target.samefile(source):
        raise UsageError(f"-o {target} is the file to read: name another one")
    named = {what: getattr(args, "date_column" if what == "date" else what) for what in OPTIONS}
    columns = ColumnNames(**named, where=_where(args.where))
    form = Form(args.separator, args.time_unit, args.date_order, args.rr_unit, args.speed_unit,
                _day(args.date), args.speed_from and args.speed_from.replace("-", " "))
    beats_alone = columns.rr is not None and columns.heart_rate is None  # they need no time
    if not beats_alone and (columns.heart_rate is None or columns.time is None):
        columns, form = _found(source, columns, form)
    imported = import_csv(source, columns, form)
    empty = "needed to keep it" if args.keep else "Enter: leave it undated"
    if imported.header["started"] is None and (
            answer := answered(f"date of the run, such as 2026-03-02 ({empty}):")):
        imported = import_csv(source, columns, replace(form, day=_day(answer)))
    if args.keep and imported.header["started"] is None:
        raise UsageError(f"{source} gives no date, so it has no place among your sessions",
                         "add --date, such as --date 2026-03-02")
    write_recording(target, imported.header, imported.items, force=args.force)
    readings = [item for item in imported.items if isinstance(item, Reading)]
    for note in imported.notes:
        tell(note)
    if args.json:
        print_json({"format": 1, "file": str(target), "readings": len(readings),
                    "duration_s": imported.items[-1].t_s, "notes": list(imported.notes)})
        return 0
    beats = [reading.bpm for reading in readings if reading.bpm]
    print(f"{printable(target)}: {len(readings)} readings over {clock(imported.items[-1].t_s)}, "
          f"{min(beats)} to {max(beats)} bpm\n"
          f"next: guard review {printable(shlex.quote(target.stem if args.keep else str(target)))}"
          f"{' --ceiling BPM' if own_settings(lambda told: None).ceiling_bpm is None else ''}")
    return 0


def _day(text: str | None) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"--date {printable(text)[:40]} is not a date: write it as 2026-03-02") from None


def _where(pairs: list[str]) -> dict[str, str]:
    chosen: dict[str, str] = {}
    for pair in pairs:
        column, equals, value = pair.partition("=")
        if not equals or not column.strip():
            raise UsageError(f"--where {pair!r} is not COLUMN=VALUE: write for example --where ID=1")
        if chosen.setdefault(column.strip(), value) != value:
            raise UsageError(f"--where names {column!r} twice with different values: no row can hold both")
    return chosen


def _found(path: Path, columns: ColumnNames, form: Form) -> tuple[ColumnNames, Form]:
    """The columns that were not named, found or asked for; UsageError with the line to type otherwise."""
    wanted = [*columns.named().values(), *columns.where]
    table = open_table(path, wanted, form.separator) if wanted else open_any(path, form.separator)
    found = guess(table, columns, form)
    if found.sure:
        named = found.columns.named().items()
        taken = ", ".join(f"{COLUMN_WORDS[what]} from {column!r}" for what, column in named
                          if getattr(columns, what) is None)
        tell(taken)
        return found.columns, form
    print(*_listed(found), sep="\n", file=sys.stderr)
    if not can_ask():
        raise UsageError(f"{path} is not clear ({'; '.join(found.doubts)})",
                         f"name its columns, for example: {_line(path, found)}")
    return _asked(table, found)


def _listed(found: Guess) -> list[str]:
    """One line a column: its number, name, what stands in it, what it may be."""
    rows = [(str(place), printable(name)[:30], printable(example)[:26], f"perhaps {meant}" if meant else "")
            for place, (name, example, meant) in enumerate(found.found, start=1)]
    rows.insert(0, ("", "column", "for example", ""))
    widths = [max(len(row[cell]) for row in rows) for cell in range(3)]
    return [f"{row[0]:>{widths[0]}}  {row[1]:<{widths[1]}}  {row[2]:<{widths[2]}}  {row[3]}".rstrip()
            for row in rows]


def _line(path: Path, found: Guess) -> str:
    """What one would type; capitals stand where nothing was found."""
    named = found.columns.named()
    words = ["guard", "import", str(path), "--time", named.pop("time", "COLUMN")]
    if "rr" not in named:
        words += ["--heart-rate", named.pop("heart_rate", "COLUMN")]
    for what in OPTIONS:
        words += [OPTIONS[what], named[what]] if what in named else []
    if any("unit" in doubt for doubt in found.doubts):
        words += ["--speed-unit", _likely_unit(found)]
    return printable(shlex.join(words))


def _likely_unit(found: Guess) -> str:
    """Times such as 7:05 are a pace."""
    example = next((example for name, example, _ in found.found if name == found.columns.speed), "")
    return "min/km" if ":" in example else "km/h"


def _asked(table: Table, found: Guess) -> tuple[ColumnNames, Form]:
    """The runner's answers, each with the guess to confirm by Enter."""
    columns, form = found.columns, found.form
    if columns.rr is None:
        time = _ask_column("time", table, columns.time, needed=True)
        pulse = _ask_column("heart rate", table, columns.heart_rate, needed=True)
        columns = replace(columns, time=time, heart_rate=pulse)
    speed = _ask_column("speed", table, columns.speed, needed=False)
    columns = replace(columns, speed=speed, altitude=columns.altitude if speed else None)
    if speed is not None and not (form.speed_unit or unit_in(speed, "speed")):
        unit = _answer(f"unit of {printable(speed)} ({', '.join(SPEED_UNITS)})", _likely_unit(found),
                       lambda word: word if word in SPEED_UNITS else None)
        form = replace(form, speed_unit=unit)
    return columns, form


def _ask_column(what: str, table: Table, guessed: str | None, *, needed: bool) -> str | None:
    names = {str(place): name for place, name in enumerate(table.columns, start=1)}
    numbers = {name: place for place, name in names.items()}
    default = numbers.get(guessed or "", "" if needed else "none")

    def column(word: str) -> str | None:
        return "" if word == "none" and not needed else names.get(word) or (word if word in numbers else None)

    return _answer(f"column of the {what}, its number{'' if needed else ' or none'}", default, column) or None


def _answer(question: str, default: str, understood: Callable[[str], str | None]) -> str:
    """Asks until the answer is understood; no answer at all ends it."""
    while True:
        print(f"{question}{f' [{default}]' if default else ''}: ", end="", file=sys.stderr, flush=True)
        typed = sys.stdin.readline()
        if not typed:
            raise UsageError("nothing was answered, so nothing was imported: name the columns by options")
        answer = understood(typed.strip() or default)
        if answer is not None:
            return answer
