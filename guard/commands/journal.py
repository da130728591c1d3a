"""`guard journal`: one short entry a day, by prompt or options; lists, search, today's advice."""

import argparse
import sys
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from rich.markup import escape

from guard.clock import wall_now
from guard.commands.options import can_ask, own_settings, print_json, tell
from guard.csv.write import table_csv
from guard.errors import UsageError, clean, printable, short
from guard.files.whole import write_whole
from guard.journal import journal as store
from guard.journal.advice import advice, sentence
from guard.journal.journal import ITEMS, Entry, Item, Journal, checked, journal_path
from guard.screen.report import console_and_look, table

# options that are not called as their item
_OPTIONS = {"sleep_h": "sleep", "sleep_quality": "quality", "resting_bpm": "resting",
            "caffeine_mg": "caffeine", "altitude_m": "altitude"}
LISTED_DAYS = 14  # the newest, unless more are asked for: two weeks; as its help says
_EXAMPLE = "guard journal --sleep 7.5 --quality 4 --resting 52 --note TEXT"
TAKE_AWAY = "-"  # typed, it clears an item
_ACTIONS = ("list", "search", "today", "csv", "remove")


def run(args: argparse.Namespace) -> int:
    today = wall_now().date()
    day = _day(args.date, today)
    changes: dict[str, object] = {item.key: value for item in ITEMS
                                  if (value := getattr(args, _option(item))) is not None}
    cleared = {item.key: None for item in ITEMS if _option(item).replace("_", "-") in args.clear}
    both = changes.keys() & cleared.keys()
    if both:
        raise UsageError(f"{sorted(both)[0]} cannot be given and cleared at once: leave one out")
    asked = next((action for action in _ACTIONS if getattr(args, action) not in (None, False)), None)
    if asked and (changes or cleared):
        raise UsageError(f"--{asked} stands alone: give the entry's items in a command of their own")
    if args.json and asked == "csv":
        raise UsageError("--csv and --json are two forms of the same: choose one")
    if asked is None and (changes or cleared):
        return _kept(store.amend(day, {**changes, **cleared}, warn=tell), args)
    if asked == "remove":
        gone = store.remove(day, warn=tell)
        tell(f"the entry of {day} was taken away" if gone else f"there is no entry of {day}")
        return _document([]) if args.json else 0
    if asked is None and not args.json and can_ask():
        return _kept(store.amend(day, by_prompt(store.read().of(day) or store.Entry(day)), warn=tell), args)
    journal = store.read()
    for note in journal.notes:
        tell(note)
    if asked == "today":
        return _today(journal, today, as_json=args.json)
    if asked == "csv":
        return _csv(journal, args.csv)
    found = journal.search(args.search) if asked == "search" else list(journal.entries)
    count = _count(args.list if asked == "list" else str(LISTED_DAYS))
    if asked != "search" and count is not None:
        found = found[-count:]
    if args.json:
        return _document(found)
    _show(found, searched=asked == "search")
    if asked is None and found:
        print(f"to write today's entry here: {_EXAMPLE}", file=sys.stderr)
    return 0


def by_prompt(entry: Entry) -> dict[str, object]:
    """Ask for each item on the terminal; what was answered. Ctrl-D ends early and keeps the answers."""
    print(f"Journal of {entry.day}. Enter keeps it, {TAKE_AWAY} clears it, Ctrl-D saves and ends.",
          file=sys.stderr)
    answers: dict[str, object] = {}
    for item in ITEMS:
        while item.asked or getattr(entry, item.key) is not None:
            print(_question(item, getattr(entry, item.key)), end="", file=sys.stderr, flush=True)
            line = sys.stdin.readline()
            if not line:
                print(file=sys.stderr)
                return answers
            word = line.strip()
            if not word:
                break
            try:
                answers[item.key] = None if word == TAKE_AWAY else checked(item.key, word)
                break
            except UsageError as error:
                print(f"  {error}", file=sys.stderr)
    return answers


def _question(item: Item, present: object) -> str:
    unit = f", {item.unit}" if item.unit else ""
    scale = f" ({item.scale})" if item.scale else ""
    shown = "" if present is None else clean(present) if isinstance(present, str) else f"{present:g}"
    return f"  {item.words}{unit}{scale}{shown and f' [{shown}]'}: "


def _option(item: Item) -> str:
    return _OPTIONS.get(item.key, item.key)


def _day(text: str, today: date) -> date:
    word = text.strip().lower()
    if word in ("today", "yesterday"):
        return today - timedelta(days=word == "yesterday")
    try:
        day = date.fromisoformat(word)
    except ValueError:
        raise UsageError(f"--date {short(text, 40)} is not a date: write 2026-03-02, today or yesterday"
                         ) from None
    if day > today:
        raise UsageError(f"--date {day} lies ahead (today is {today}): write about days that have been, "
                         "or set this machine's clock right")
    if day.year < 1990:
        raise UsageError(f"--date {day} is too long ago: check the year")
    return day


def _count(text: str) -> int | None:
    if text == "all":
        return None
    if not (text.isdecimal() and int(text[:9]) > 0 and len(text) < 9):
        raise UsageError(f"--list {short(text, 20)} cannot be: give a whole number from 1, or all")
    return int(text)


def _kept(entry: Entry, args: argparse.Namespace) -> int:
    if args.json:
        return _document([] if entry.empty else [entry])
    if entry.empty:
        print(f"nothing is written about {entry.day}")
        return 0
    print(f"kept for {entry.day}: {_in_words(entry)}")
    print(f"in {journal_path()}", file=sys.stderr)
    return 0


def _in_words(entry: Entry) -> str:
    words = []
    for item in ITEMS:
        value = getattr(entry, item.key)
        if value is not None:
            shown = clean(value) if isinstance(value, str) else f"{value:g}"
            words.append(f"{item.words} {shown}{' ' + item.unit if item.unit else ''}")
    return ", ".join(words)


def _json_ready(entry: Entry) -> dict[str, Any]:
    return {"date": entry.day.isoformat(), **{item.key: getattr(entry, item.key) for item in ITEMS}}


def _document(entries: list[Entry]) -> int:
    document = {"format": 1, "file": str(journal_path()), "entries": [_json_ready(one) for one in entries]}
    print_json(document)
    return 0


def _today(journal: Journal, today: date, *, as_json: bool) -> int:
    entry = journal.of(today)
    settings = own_settings(tell)
    found = advice(journal, today, settings.ceiling_bpm)
    if as_json:
        print_json({
            "format": 1, "date": today.isoformat(), "entry": _json_ready(entry) if entry else None,
            "advice": {"signs": list(found.signs), "suggestion": found.suggestion or None,
                       "ceiling_bpm": found.ceiling_bpm, "not_looked_at": list(found.unseen)},
        })
    elif entry is None:
        print(f"nothing is written about today yet; to write it: {_EXAMPLE}")
    elif found.warranted:
        print(sentence(found))
    else:
        print("nothing I looked at is a reason to change your usual run; how you feel comes first.")
    if entry is not None and found.unseen and not as_json:
        print(f"I did not look at {', '.join(found.unseen)}.")
    return 0


def _csv(journal: Journal, file: str) -> int:
    text = table_csv(["date", *(item.key for item in ITEMS)],
                     (_json_ready(entry).values() for entry in journal.entries))
    if file == "-":
        print(text.replace("\r\n", "\n"), end="")
    else:
        write_whole(Path(file), [text.encode()])
        print(f"wrote {len(journal.entries)} entries to {printable(file)}")
    return 0


def _show(entries: list[Entry], *, searched: bool) -> None:
    if not entries:
        print("no entry holds that" if searched else
              f"your journal holds no day yet; to write today's: {_EXAMPLE}")
        return
    console, look = console_and_look()
    grid = table(look, padding=(0,))
    grid.add_column("date", no_wrap=True)
    for title in ("sleep\nh", "sound\n1-5", "stress\n1-5", "sore\n1-5", "food\n1-5", "rest\nbpm"):
        grid.add_column(title, justify="right", no_wrap=True)
    grid.add_column(" weather; shoes; note", ratio=1, overflow="fold")
    for one in entries:
        numbers = (one.sleep_h, one.sleep_quality, one.stress, one.soreness, one.food, one.resting_bpm)
        texts = "; ".join(text for text in (one.weather, one.shoes, one.note) if text)
        grid.add_row(one.day.isoformat(), *("" if value is None else f"{value:g}" for value in numbers),
                     " " + escape(look.text(texts)))
    console.print(grid)
