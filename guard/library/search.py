"""Finding sessions among many: by day, words, plan, mark or tag, and one by its name. Pure."""

import calendar
import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from guard.errors import UsageError, printable, short
from guard.library.library import SessionEntry

LAST = "last"


@dataclass(frozen=True)
class SearchTerms:
    """What to look for; every part that is given must fit. Case does not matter.

    `words` are looked for in name, title, tags, plan, source, marks and notes;
    days count as the clock of the run showed them, both ends included.
    """

    words: tuple[str, ...] = ()
    first: date | None = None
    last: date | None = None
    plan: str | None = None
    mark: str | None = None
    tag: str | None = None

    @property
    def empty(self) -> bool:
        """Whether nothing is asked for."""
        return self == SearchTerms()


def matching(entries: Iterable[SessionEntry], wanted: SearchTerms) -> list[SessionEntry]:
    """Those that fit, in the order given."""
    return [entry for entry in entries if wanted.empty or _fits(entry, wanted)]


def find_session(entries: Sequence[SessionEntry], name: str) -> SessionEntry:
    """The one session called `name`; UsageError when there is none, or more than one."""
    found = called_session(entries, name)
    if found is None:
        raise UsageError(f"no session is called {short(name, 80)}: {near_names(entries, name)}")
    return found


def called_session(entries: Sequence[SessionEntry], name: str) -> SessionEntry | None:
    """The session called `name`: its name, date and time, or title, a beginning of its name, or `last`.

    None when there is none; UsageError when there is more than one.
    """
    if name.strip().casefold() == LAST and entries:
        return entries[-1]
    exact = [entry for entry in entries if name in (entry.name, entry.path.name, str(entry.path))]
    found = exact or [entry for entry in entries if _plain(name) and _plain(name) in (
        _plain(entry.name), _plain(entry.title))] or [
        entry for entry in entries if _plain(name) and _plain(entry.name).startswith(_plain(name))]
    if len(found) > 1:
        some = ", ".join(printable(entry.name) for entry in found[:4]) + (", ..." if len(found) > 4 else "")
        raise UsageError(f"{short(name, 80)} fits {len(found)} sessions ({some}): write more of the name")
    return found[0] if found else None


def near_names(entries: Sequence[SessionEntry], name: str) -> str:
    """What to do about a name that no session has."""
    near = difflib.get_close_matches(name, [entry.name for entry in entries], n=1, cutoff=0.5)
    return f"did you mean {printable(near[0])}?" if near else "`guard sessions --all` lists them"


def day_range(text: str) -> tuple[date, date]:
    """First and last day of a day, month or year written as ISO 8601 does (2026-03-02, 2026-03, 2026)."""
    found = re.fullmatch(r"(\d{4})(?:-(\d{1,2})(?:-(\d{1,2}))?)?", text.strip())
    try:
        if found is None:
            raise ValueError
        year, month, day = (int(part) if part else None for part in found.groups())
        assert year is not None
        first = date(year, month or 1, day or 1)
        last = date(year, month or 12, day or calendar.monthrange(year, month or 12)[1])
    except ValueError:
        raise UsageError(f"{short(text, 40)} is not a day: write 2026-03-02, or 2026-03 for a month, "
                         "or 2026 for a year") from None
    return first, last


def _fits(entry: SessionEntry, wanted: SearchTerms) -> bool:
    day = entry.ran_on()
    if (wanted.first or wanted.last) and day is None:
        return False
    if day is not None and ((wanted.first and day < wanted.first) or (wanted.last and day > wanted.last)):
        return False
    if wanted.plan is not None and not _within(wanted.plan, [entry.plan]):
        return False
    if wanted.mark is not None and not _within(wanted.mark, entry.marks):
        return False
    if wanted.tag is not None and wanted.tag.casefold() not in [tag.casefold() for tag in entry.tags]:
        return False
    texts = [entry.name, entry.plan, entry.kind, entry.source, *entry.marks, *_texts(entry.about)]
    return all(_within(word, texts) for word in wanted.words)


def _within(word: str, texts: Iterable[str]) -> bool:
    return any(word.casefold() in text.casefold() for text in texts)


def _texts(value: Any) -> list[str]:
    """Every text in what the runner said about a session."""
    if isinstance(value, str):
        return [value]
    if isinstance(value, dict):
        return [text for part in value.values() for text in _texts(part)]
    return [text for part in value for text in _texts(part)] if isinstance(value, list | tuple) else []


def _plain(text: str) -> str:
    return re.sub(r"[\W_]+", "", text.casefold())
