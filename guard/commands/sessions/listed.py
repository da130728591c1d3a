"""The list that `guard sessions` shows, as a table or JSON."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from rich.markup import escape

from guard.commands.options import print_json
from guard.errors import printable
from guard.library.library import SessionEntry
from guard.log.file import is_being_written
from guard.screen.report import console_and_look, table
from guard.screen.words import clock

FROM = {"strap": "strap", "practice": "rehearsal", "csv": "import"}
SOURCE_COLUMN_FROM = 100  # columns from which the source has one of its own


def show(entries: Sequence[SessionEntry], home: Path, *, most: int | None, as_json: bool, what: str) -> None:
    """Print the sessions, oldest first; of more than `most` only the newest."""
    if as_json:
        document = {"format": 1, "folder": str(home), "sessions": [as_dict(entry) for entry in entries]}
        print_json(document)
        return
    if not entries:
        print(f"no {what} here yet: `guard run` records one" if most is not None and what == "session"
              else f"no {what} fits")
        return
    shown = entries[-most:] if most else entries
    if len(shown) < len(entries):
        print(f"{len(entries) - len(shown)} older ones are not shown: --all shows them, "
              "--from and --to choose")
    _table(shown)
    if any(entry.began and not entry.clock_trusted for entry in shown):
        print("? the clock of the machine was not set, or nobody can tell")
    print(_total(entries, what))
    if (newest := next((entry for entry in reversed(shown) if not entry.problem), None)) is not None and (
            what in ("session", "rehearsal")):
        print(f'open one: guard review "{began(newest)}"' if "?" not in began(newest) else
              f"open one: guard review {newest.name}")


def as_dict(entry: SessionEntry) -> dict[str, object]:
    """One session, JSON-ready."""
    started = entry.began
    share = entry.share_at_or_under
    return {
        "name": entry.name, "path": str(entry.path),
        "started": started.isoformat() if started else None, "clock_trusted": entry.clock_trusted,
        "duration_s": entry.duration_s, "ceiling_bpm": entry.ceiling_bpm,
        "share_at_or_under": None if share is None else round(share, 4), "cues": entry.cue_count,
        "kind": entry.kind, "source": entry.source, "plan": entry.plan,
        "title": entry.title, "tags": list(entry.tags), "marks": list(entry.marks),
        "has_speed": entry.has_speed, "interrupted": entry.interrupted,
        "notes": list(entry.notes), "problem": entry.problem, "summary": dict(entry.summary),
        "about": dict(entry.about),
    }


def _table(entries: Sequence[SessionEntry]) -> None:
    console, look = console_and_look()
    wide = console.width >= SOURCE_COLUMN_FROM
    grid = table(look)
    grid.add_column("began", no_wrap=True)
    for title in ("length", "ceiling", "at or under", "cues"):
        grid.add_column(title, justify="right", no_wrap=title != "at or under")
    if wide:
        grid.add_column("from", no_wrap=True)
    grid.add_column("", ratio=1)
    for entry in entries:
        share = entry.share_at_or_under
        cells = [
            began(entry),
            "" if entry.problem else clock(entry.duration_s),
            "" if entry.ceiling_bpm is None else f"{entry.ceiling_bpm:.0f}",
            "" if share is None else f"{100 * share:.0f} %",
            str(entry.cue_count) if entry.summary.get("cues") is not None else "",
            *([FROM.get(entry.kind, entry.kind)] if wide else []),
            words(entry),
        ]
        grid.add_row(*(escape(printable(cell)) for cell in cells))
    console.print(grid)


def began(entry: SessionEntry) -> str:
    """Day and time as the clock of the run showed them; `?` where that clock could not be believed."""
    if entry.began is None:
        return "?"
    return f"{entry.began:%Y-%m-%d %H:%M}" + ("" if entry.clock_trusted else "?")


def words(entry: SessionEntry) -> str:
    """Title, plan, tags and what is the matter, in a few words."""
    if entry.problem:
        return f"{entry.path.name}: {entry.problem.removeprefix(f'{entry.path} ')}"
    told_by_time = entry.began is not None and entry.name.startswith(f"{entry.began:%Y-%m-%d_%H%M}")
    parts = [] if told_by_time and entry.name.count("_") == 1 else [entry.name]
    parts += [entry.title] if entry.title else []
    parts += [f"plan {entry.plan}"] if entry.plan and entry.plan != entry.title else []
    parts += [f"#{tag}" for tag in entry.tags]
    if entry.interrupted:
        parts.append("running now" if is_being_written(entry.path) else "interrupted")
    return ", ".join(parts)


def _total(entries: Sequence[SessionEntry], what: str) -> str:
    good = [entry for entry in entries if not entry.problem]
    under = sum(_number(entry.summary, "at_or_under_s") for entry in good)
    over = sum(_number(entry.summary, "over_s") for entry in good)
    first, *rest = what.split(" ", 1)
    noun = what if len(good) == 1 else " ".join([first + "s", *rest])
    parts = [f"{len(good)} {noun}, {clock(sum(entry.duration_s for entry in good))} in all"]
    if under + over:
        parts.append(f"{100 * under / (under + over):.0f} % of it at or under the ceiling")
    if len(good) < len(entries):
        count = len(entries) - len(good)
        parts.append(f"{count} {'file is' if count == 1 else 'files are'} no session log")
    return ", ".join(parts)


def _number(summary: Mapping[str, object], key: str) -> float:
    value = summary.get(key)
    return float(value) if isinstance(value, float | int) else 0.0
