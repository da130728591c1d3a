"""The journal: one short entry a day, in a file that people can read and correct.

JSON Lines in the data folder (`journal.jsonl`), one day a line in order of
date, for the owner only. The file appears whole or not at all and is on disk
when a change returns. Fields and lines this version does not understand are
kept where they are and noted. Two commands at once wait for each other.
"""

import contextlib
import dataclasses
import json
import math
import os
import re
from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

from guard.errors import HardwareError, UsageError, printable
from guard.files.folders import data_dir
from guard.files.hold import locked
from guard.files.whole import read_capped, write_whole

JOURNAL_FILE = "journal.jsonl"
LARGEST_JOURNAL_BYTES = 64 << 20  # bytes
SAME = "same"  # in place of a name
LONGEST_ENTRY_TEXT = 2000  # characters of one item (ours)


@dataclass(frozen=True, slots=True)
class Item:
    """One thing an entry can say: a number from `low` to `high`, or text where these are None."""

    key: str
    words: str
    unit: str
    low: float | None
    high: float | None
    scale: str
    whole: bool
    asked: bool  # by the prompt, also where nothing is written; what is not can be given by an option

    @property
    def wants(self) -> str:
        """What can be written, in words."""
        if self.low is None or self.high is None:
            return "text"
        unit = f" {self.unit}" if self.unit else ""
        kind = "a whole number" if self.whole else "a number"
        return f"{kind} from {self.low:g} to {self.high:g}{unit}" + (f" ({self.scale})" if self.scale else "")


def _item(
    words: str, unit: str = "", low: float | None = None, high: float | None = None, scale: str = "", *,
    whole: bool = False, asked: bool = True,
) -> Any:
    return field(default=None, metadata={"item": partial(
        Item, words=words, unit=unit, low=low, high=high, scale=scale, whole=whole, asked=asked)})


@dataclass(frozen=True, slots=True)
class Entry:
    """What was written about one day; None where nothing was.

    Numbers in the units and on the scales of `ITEMS`. `speed_from` names what
    tells the speed from this day on, where it is new (a pod, another belt);
    `heart_from` what heart rate is under (a medicine, another strap). `SAME` in
    either says that nothing was new then.
    `other` holds fields of the file that this version does not know.
    """

    day: date
    sleep_h: float | None = _item("sleep", "h", 0, 24)
    sleep_quality: int | None = _item("sleep quality", "", 1, 5, "1 poor, 5 sound", whole=True)
    stress: int | None = _item("stress", "", 1, 5, "1 calm, 5 a great deal", whole=True)
    soreness: int | None = _item("soreness", "", 1, 5, "1 none, 5 hurts to walk", whole=True)
    food: int | None = _item("food", "", 1, 5, "1 too little or poor, 5 well fed", whole=True)
    resting_bpm: float | None = _item("resting heart rate", "bpm", 25, 140)
    ill: int | None = _item("ill", "", 0, 2, "0 no, 1 a cold above the neck, 2 fever or below the neck",
                            whole=True)
    weather: str | None = _item("weather")
    shoes: str | None = _item("shoes")
    start_hour: float | None = _item("start of the run", "h", 0, 24, "17.5 is half past five", asked=False)
    caffeine_mg: float | None = _item("caffeine before the run", "mg", 0, 2000, asked=False)
    altitude_m: float | None = _item("altitude", "m", -430, 6000, asked=False)
    speed_from: str | None = _item("new source of speed", asked=False)
    heart_from: str | None = _item("new medicine or strap", asked=False)
    note: str | None = _item("note")
    other: Mapping[str, object] = field(default_factory=dict)

    @property
    def empty(self) -> bool:
        """Whether it says nothing at all."""
        return not self.other and all(getattr(self, item.key) is None for item in ITEMS)

    @property
    def temperature_c(self) -> float | None:
        """The first temperature in `weather` ("12 C, rain", "54 F"), in degrees Celsius."""
        found = re.search(r"(?<![\w.])(-?\d{1,3}(?:\.\d+)?) ?°? ?([CF])\b", self.weather or "")
        if not found:
            return None
        degrees = float(found[1])
        return degrees if found[2] == "C" else (degrees - 32.0) / 1.8

    def as_dict(self) -> dict[str, object]:
        """JSON-ready, without what was not written."""
        known = {item.key: getattr(self, item.key) for item in ITEMS}
        return {"date": self.day.isoformat(),
                **{key: value for key, value in known.items() if value is not None}, **self.other}


ITEMS: tuple[Item, ...] = tuple(
    one.metadata["item"](one.name) for one in dataclasses.fields(Entry) if "item" in one.metadata)
_BY_KEY = {item.key: item for item in ITEMS}


def checked(key: str, value: object) -> float | int | str | None:
    """`value` (a number, or text as typed) as what the item holds; None stays None.

    Raises UsageError naming the item and what it takes.
    """
    item = _BY_KEY[key]
    if value is None:
        return None
    if item.low is None or item.high is None:
        return _checked_text(item, value)
    try:
        if isinstance(value, bool):
            raise ValueError
        number = float(value.strip().replace(",", ".")) if isinstance(value, str) else float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        number = math.nan
    if not item.low <= number <= item.high or (item.whole and number != int(number)):
        raise UsageError(f"{item.words} is {printable(value)[:40]!r}: write {item.wants}")
    return int(number) if item.whole else number


def _checked_text(item: Item, value: object) -> str | None:
    if not isinstance(value, str):
        raise UsageError(f"{item.words} is {printable(value)[:40]}: write text")
    text = printable(" ".join(value.split()))
    if len(text) > LONGEST_ENTRY_TEXT:
        raise UsageError(f"{item.words} has {len(text)} signs: write at most {LONGEST_ENTRY_TEXT}")
    return text or None


@dataclass(frozen=True)
class Named:
    """New sources of speed, and what heart rate is newly under, by their first day; `SAME`: nothing new."""

    speed: Mapping[date, str] = field(default_factory=dict)
    heart: Mapping[date, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Journal:
    """All entries in order of date; `notes` says what of the file was not understood."""

    entries: tuple[Entry, ...]
    notes: tuple[str, ...] = ()
    lines: Mapping[date, str] = field(default_factory=dict)  # as they stand in the file
    strange: tuple[str, ...] = ()  # lines kept as they are

    def of(self, day: date) -> Entry | None:
        """The entry of `day`, if there is one."""
        place = bisect_left(self.entries, day, key=lambda entry: entry.day)
        found = self.entries[place:place + 1]
        return found[0] if found and found[0].day == day else None

    def search(self, words: Sequence[str]) -> list[Entry]:
        """Entries whose texts or date hold every word, upper and lower case alike."""
        found = []
        for entry in self.entries:
            texts = (entry.day.isoformat(), entry.weather, entry.shoes, entry.note)
            text = "\n".join(filter(None, texts)).casefold()
            if all(word.casefold() in text for word in words):
                found.append(entry)
        return found


def journal_path(make: bool = False) -> Path:
    """Where the journal is, or would be."""
    return data_dir(make) / JOURNAL_FILE


def read(path: Path | None = None) -> Journal:
    """The journal; empty where there is not a file. InputError when it cannot be read."""
    name = journal_path() if path is None else path
    data = read_capped(name, LARGEST_JOURNAL_BYTES, "a journal")
    if data is None:
        return Journal(())
    return _parsed(name, data.decode("utf-8-sig", "surrogateescape"))


def amend(
    day: date, changes: Mapping[str, object], path: Path | None = None, *,
    warn: Callable[[str], None] = lambda note: None,
) -> Entry:
    """Set the items of `changes` on the entry of `day` (None takes one away); returns the entry.

    Makes the entry, and the file, if they are missing; an entry left empty
    goes. Values are checked before anything is written; `warn` gets the notes
    of `read`.
    """
    values: dict[str, Any] = {key: checked(key, value) for key, value in changes.items()}
    entry = Entry(day)

    def change(journal: Journal) -> list[Entry]:
        nonlocal entry
        entry = dataclasses.replace(journal.of(day) or Entry(day), **values)
        return [one for one in journal.entries if one.day != day] + ([] if entry.empty else [entry])

    _rewrite(change, path, warn)
    return entry


def remove(day: date, path: Path | None = None, *, warn: Callable[[str], None] = lambda note: None) -> bool:
    """Take the entry of `day` away; False where there was none."""
    if read(path).of(day) is None:
        return False
    _rewrite(lambda journal: [one for one in journal.entries if one.day != day], path, warn)
    return True


def numbers(entries: Iterable[Entry], days: Sequence[date]) -> dict[str, list[float | None]]:
    """Series for links: for each numeric item (and `temperature_c`), one value for each of `days`.

    A day without an entry, or an entry without the item, gives None.
    """
    return {key: [by_day.get(day) for day in days] for key, by_day in daily(entries).items()}


def daily(entries: Iterable[Entry]) -> dict[str, dict[date, float]]:
    """Each numeric item (and `temperature_c`) by day, without what was not written."""
    entries = list(entries)
    keys = [item.key for item in ITEMS if item.low is not None] + ["temperature_c"]
    return {key: {entry.day: float(value) for entry in entries if (value := getattr(entry, key)) is not None}
            for key in keys}


def named(entries: Iterable[Entry]) -> Named:
    """What the runner said was new, or `SAME`, by day."""
    entries = list(entries)
    return Named({entry.day: entry.speed_from for entry in entries if entry.speed_from},
                 {entry.day: entry.heart_from for entry in entries if entry.heart_from})


def _rewrite(
    change: Callable[[Journal], list[Entry]], path: Path | None, warn: Callable[[str], None]
) -> None:
    name = journal_path(make=True) if path is None else path
    with _alone(name):
        journal = read(name)
        for note in journal.notes:
            warn(note)
        lines = []
        for entry in sorted(change(journal), key=lambda one: one.day):
            same = entry == journal.of(entry.day)
            lines.append(journal.lines[entry.day] if same else _line(entry))
        # Last, so that a second entry of a day stays the second.
        lines += journal.strange
        write_whole(name, [line.encode("utf-8", "surrogateescape") + b"\n" for line in lines], force=True)


def _line(entry: Entry) -> str:
    text = json.dumps(entry.as_dict(), ensure_ascii=False)
    return text if text.isprintable() else json.dumps(entry.as_dict())


@contextlib.contextmanager
def _alone(name: Path) -> Iterator[None]:
    """Hold the journal against another command that changes it; the lock ends with the process."""
    try:
        fd = os.open(name.with_name(f".{name.name}.lock"), os.O_CREAT | os.O_RDWR, 0o600)
    except OSError as error:
        raise HardwareError(f"cannot write {name} ({error.strerror or error}): "
                            "give write permission or free space there") from None
    try:
        locked(fd, wait=True)
        yield
    finally:
        os.close(fd)


def _parsed(name: Path, text: str) -> Journal:
    entries: dict[date, Entry] = {}
    lines: dict[date, str] = {}
    strange: list[str] = []
    notes: list[str] = []
    for number, line in enumerate(text.split("\n"), start=1):
        if not line.strip():
            continue
        try:
            entry = _entry(line)
            if entry.day in entries:
                raise ValueError(f"a second entry for {entry.day}")
        except (ValueError, RecursionError) as error:
            why = printable(error) if type(error) in (ValueError, UsageError) else "it is not JSON"
            notes.append(f"line {number} of {name} is kept but not used: {why[:200]}")
            strange.append(line.rstrip("\r"))
        else:
            entries[entry.day], lines[entry.day] = entry, line.rstrip("\r")
    in_order = sorted(entries.values(), key=lambda one: one.day)
    return Journal(tuple(in_order), tuple(notes), lines, tuple(strange))


def _entry(line: str) -> Entry:
    record = json.loads(line)
    if not isinstance(record, dict) or not isinstance(record.get("date"), str):
        raise ValueError("it has no date")
    try:
        day = date.fromisoformat(record.pop("date"))
    except ValueError:
        raise ValueError("its date is none: write it as 2026-03-02") from None
    try:
        known: dict[str, Any] = {key: checked(key, record.pop(key)) for key in list(record) if key in _BY_KEY}
    except UsageError as error:
        raise ValueError(str(error)) from None
    return Entry(day, **known, other=record)
