"""`guard settings`: show, explain and change settings."""

import argparse
import re
import sys
from typing import Any

from rich.markup import escape

from guard.commands.options import FIND_A_CEILING, print_json, tell
from guard.errors import UsageError, printable
from guard.screen import report
from guard.settings import RETIRED, RetiredSetting, Settings, find, parse_assignments, table
from guard.settings import file as settings_file

RANGE_COLUMN_FROM = 110  # columns from which the range has a column of its own


def run(args: argparse.Namespace) -> int:
    words = _joined(args.words)
    changes = parse_assignments([word for word in words if "=" in word])
    asked = [word for word in words if "=" not in word]
    gone = [key for key in asked if key in RETIRED]
    for key in asked:
        if key not in gone:
            find(key)
    for key in gone:
        print(RetiredSetting(key), file=sys.stderr if args.json else sys.stdout)
    if gone and not args.json and not changes and not args.unset and len(gone) == len(asked):
        return 0
    both = sorted(changes.keys() & set(args.unset))
    if both:
        raise UsageError(f"{both[0]} cannot be set and unset at once: leave one of the two out")
    if changes or args.unset:
        path = settings_file.save({**changes, **dict.fromkeys(args.unset)})
        print(f"kept in {path}", file=sys.stderr if args.json else sys.stdout)
    if "voice" in changes:
        _try_voice(str(changes["voice"]))
    if unknown := [key for key in args.unset if key not in {entry.key for entry in table()}]:
        print(f"taken out: {printable(', '.join(unknown))}", file=sys.stderr if args.json else sys.stdout)
        if not (args.json or asked or changes or len(unknown) < len(args.unset)):
            return 0
    rows = _rows()
    shown = [row for row in rows if row["key"] in {*asked, *changes, *args.unset}]
    if not (shown or gone):
        shown = rows
    if args.json:
        print_json({"format": 1, "file": str(settings_file.settings_path()), "settings": shown})
    elif asked:
        for row in shown:
            _explain(row)
    elif shown is rows:
        _list(rows, str(settings_file.settings_path()))
    else:
        for row in shown:
            print(f"{row['key']} = {_word(row)} ({_origin(row)})")
    return 0


def _try_voice(voice: str) -> None:
    """Tell of a voice that will not do at once, not on the next run; it is kept all the same."""
    from guard.sound.languages.language import language_of  # heavy, and seldom asked for
    from guard.sound.preflight import voice_trouble

    if (trouble := voice_trouble(Settings(voice=voice))) is not None:
        tell(str(trouble))
    elif re.fullmatch(r"(?!en)[a-z]{2}([-_].*)?", voice.lower()) and language_of(voice) is None:
        tell(f"the guard has no phrases in the language {voice}: this voice would read the English ones")


def _joined(words: list[str]) -> list[str]:
    """`KEY VALUE` and `KEY = VALUE` as KEY=VALUE: a word that is no setting belongs to the key before it."""
    keys = {*RETIRED, *(entry.key for entry in table())}
    joined: list[str] = []
    for word in words:
        before = joined[-1] if joined else ""
        key, equals, value = before.partition("=")
        if key in keys and not value and word not in keys and (equals or "=" not in word.lstrip("=")):
            joined[-1] = f"{key}={word.lstrip('=')}"
        else:
            joined.append(word)
    return joined


def _rows() -> list[dict[str, Any]]:
    """Every setting with its value in force, JSON-ready."""
    kept = settings_file.load(retired=tell)
    return [{
        "key": entry.key,
        "value": kept.get(entry.key, entry.default),
        "unit": entry.unit,
        "range": entry.range_text,
        "default": entry.default,
        "from": "file" if entry.key in kept else "default",
        "group": entry.group,
        "meaning": entry.meaning,
    } for entry in table()]


def _list(rows: list[dict[str, Any]], path: str) -> None:
    console, look = report.console_and_look()
    wide = console.width >= RANGE_COLUMN_FROM
    grid = report.table(look)
    for title in ("setting", "value", *(["range"] if wide else []), "from"):
        grid.add_column(title, no_wrap=True)
    grid.add_column("meaning" if wide else "meaning; range", ratio=1)
    group = rows[0]["group"]
    for row in rows:
        if row["group"] != group:
            group = row["group"]
            grid.add_section()
        middle = [row["range"]] if wide else []
        meaning = row["meaning"] if wide else f"{row['meaning']}; {row['range']}"
        cells = [row["key"], _word(row), *middle, row["from"], meaning]
        grid.add_row(*map(escape, cells), style="bold" if row["from"] == "file" else "")
    console.print(grid)
    console.print(f"file: {path}", markup=False, soft_wrap=True)
    console.print("`guard settings words=0.3` keeps a value, `--unset KEY` goes back to the default,\n"
                  "`--set KEY=VALUE` of other commands changes one session only.", markup=False)


def _explain(row: dict[str, Any]) -> None:
    meaning = row["meaning"]
    print(f"{row['key']}: {meaning}\n"
          f"  value    {_word(row)} ({_origin(row)})\n"
          f"  range    {row['range']}{_unit(row)}\n"
          f"  default  {_plain(row['default'])}\n"
          f"  change   guard settings {row['key']}=VALUE")
    if row["key"] == "ceiling_bpm":
        print(f"{FIND_A_CEILING}.")


def _origin(row: dict[str, Any]) -> str:
    return "from the settings file" if row["from"] == "file" else "the default"


def _word(row: dict[str, Any]) -> str:
    return _plain(row["value"]) + (_unit(row) if row["value"] is not None else "")


def _unit(row: dict[str, Any]) -> str:
    return f" {row['unit']}" if row["unit"] else ""


def _plain(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) else str(value)
