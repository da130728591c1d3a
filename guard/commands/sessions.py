"""`guard sessions`: the library of sessions: list, find, name, delete and restore, check."""

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from rich.markup import escape

from guard.commands.options import answered, can_ask, counting, done, print_json, tell
from guard.errors import EXIT_DAMAGED, EXIT_DIFFERENT, GuardError, UsageError, number_of, printable
from guard.files.folders import sessions_dir
from guard.library import bin as bin_
from guard.library.about import change_about
from guard.library.bin import discard, empty, restore
from guard.library.library import SessionEntry, rehearsals_dir, sessions
from guard.library.search import SearchTerms, day_range, find_session, matching
from guard.log.file import is_being_written
from guard.log.recording import read_log, repair
from guard.replay.replay import same_as_recorded
from guard.screen.report import console_and_look, table
from guard.screen.words import clock

LISTED = 25  # the newest, unless more are asked for (ours); as its help says
TELL_NEW_FROM = 100  # new logs from which reading them is worth telling


def run(args: argparse.Namespace) -> int:
    home = _home(args)
    if args.repair and not args.verify:
        raise UsageError("--repair goes with --verify: add it")
    in_bin = args.bin or args.restore or args.empty_bin
    entries = sessions(bin_.bin_of(home) if in_bin else home, warn=tell,
                       progress=counting("reading new logs", TELL_NEW_FROM))
    if args.rename or args.add_tag or args.remove_tag:
        return _describe(args, entries)
    if args.delete or args.restore:
        # All are found before any is moved.
        found = {entry.path: entry for entry in (
            find_session(entries, name) for name in args.delete or args.restore)}
        return _move(args, list(found.values()))
    if args.empty_bin:
        return _empty(args, entries)
    chosen = matching(entries, _wanted(args))
    if args.verify:
        return _verify(chosen, home, repair_too=args.repair, as_json=args.json)
    what = "session in the bin" if args.bin else "rehearsal" if args.rehearsals else "session"
    _show(chosen, home, most=None if args.all or not _wanted(args).empty else LISTED, as_json=args.json,
          what=what)
    return 0


def _home(args: argparse.Namespace) -> Path:
    if args.folder is not None:
        home = Path(args.folder)
        if not home.is_dir():
            raise UsageError(f"{args.folder} is not a folder: name one that holds session logs")
        return home
    return rehearsals_dir(make=False) if args.rehearsals else sessions_dir(make=False)


def _wanted(args: argparse.Namespace) -> SearchTerms:
    first = day_range(args.first)[0] if args.first else None
    last = day_range(args.last)[1] if args.last else None
    if first and last and last < first:
        raise UsageError(f"--to {args.last} lies before --from {args.first}: exchange them")
    return SearchTerms(tuple(args.words), first, last, args.plan, args.mark, args.tag)


def _describe(args: argparse.Namespace, entries: list[SessionEntry]) -> int:
    name, text = args.rename or args.add_tag or args.remove_tag
    entry, text = find_session(entries, name), " ".join(printable(text).split())
    if len(text) > 200:
        raise UsageError("that is too long: keep it under 200 letters")
    if args.rename:
        file = change_about(entry.path, {"title": text or None})
        return done(args, f"{entry.name} is called {text}" if text else f"{entry.name} has no title",
                    path=str(file))
    if not text:
        raise UsageError("a tag needs a word: write one, such as hills")
    tags = [tag for tag in entry.tags if tag.casefold() != text.casefold()]
    if args.remove_tag and len(tags) == len(entry.tags):
        raise UsageError(f"{entry.name} has no tag {text}: it has {', '.join(entry.tags) or 'none'}")
    tags += [text] if args.add_tag else []
    file = change_about(entry.path, {"tags": tags or None})
    return done(args, f"{entry.name} has {'the tags ' + ', '.join(tags) if tags else 'no tags'}",
                path=str(file))


def _move(args: argparse.Namespace, entries: list[SessionEntry]) -> int:
    which = " --rehearsals" if args.rehearsals else f" --folder {args.folder}" if args.folder else ""
    for entry in entries:
        if args.delete:
            now = discard(entry)
            done(args, f"{entry.name} is in the bin: `guard sessions{which} --restore {now.stem}` "
                 "brings it back", path=str(now))
        else:
            now = restore(entry)
            done(args, f"{now.stem} is back", path=str(now))
    return 0


def _empty(args: argparse.Namespace, entries: list[SessionEntry]) -> int:
    if entries and not args.yes:
        number = number_of(len(entries), "session")
        if not can_ask():
            raise UsageError(f"{number} would be gone for good: add --yes if you mean it")
        if answered(f"{number} will be gone for good. Type yes to remove them:").casefold() != "yes":
            return done(args, "nothing was removed", path=None)
    count = empty(entries)
    return done(args, f"{number_of(count, 'session')} removed for good", path=None)


FROM = {"strap": "strap", "practice": "rehearsal", "csv": "import"}
SOURCE_COLUMN_FROM = 100  # columns from which the source has one of its own


def _show(entries: Sequence[SessionEntry], home: Path, *, most: int | None, as_json: bool, what: str) -> None:
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


TELL_VERIFYING_FROM = 20  # logs: fewer are done before a bar is read


@dataclass(frozen=True)
class VerifiedLog:
    """What became of one log.

    `state` is `whole`, `cut` (interrupted or torn at its end; all before that
    is there), `damaged` (lines are missing or unreadable), `unreadable` (no
    session log) or `running`. `same` tells whether a replay says what was said
    at the time; None where nothing was said or no ceiling is known.
    """

    name: str
    state: str
    same: bool | None
    notes: tuple[str, ...]


def _verify(entries: Sequence[SessionEntry], home: Path, *, repair_too: bool, as_json: bool) -> int:
    """Check each and say what is torn or differs; returns the exit code."""
    verdicts = []
    show = counting("checking sessions", TELL_VERIFYING_FROM)
    for number, entry in enumerate(entries, 1):
        verdicts.append(verdict(entry, repair_too=repair_too))
        if show is not None:
            show(number, len(entries))
    if as_json:
        print_json({"format": 1, "folder": str(home), "sessions": [asdict(one) for one in verdicts]})
    else:
        _tell(verdicts)
    if any(one.state in ("damaged", "unreadable") for one in verdicts):
        return EXIT_DAMAGED
    return EXIT_DIFFERENT if any(one.same is False for one in verdicts) else 0


def verdict(entry: SessionEntry, *, repair_too: bool = False) -> VerifiedLog:
    """Open, read and replay one log; with `repair_too` a torn end is cut off."""
    if is_being_written(entry.path):
        return VerifiedLog(entry.name, "running", None, ("it is being recorded now",))
    try:
        recording = read_log(entry.path)
        notes = list(recording.notes)
        if repair_too and (cut := repair(entry.path)):
            notes.append(f"{cut} bytes of a torn end were cut off")
    except GuardError as error:
        return VerifiedLog(entry.name, "unreadable", None, (printable(error),))
    same = None
    if recording.outputs and recording.settings.ceiling_bpm is not None:
        try:
            compared = same_as_recorded(recording)
            same = compared.same
            notes += compared.differences[:1]
        except GuardError as error:
            same = False
            notes.append(printable(error))
    state = "damaged" if recording.damaged else "cut" if recording.interrupted else "whole"
    return VerifiedLog(entry.name, state, same, tuple(map(printable, notes)))


def _tell(verdicts: Sequence[VerifiedLog]) -> None:
    if not verdicts:
        print("there is no session to check")
        return
    for one in verdicts:
        if one.state == "whole" and one.same is not False:
            continue
        says = {None: "", True: "; replays the same", False: "; this version of the guard says otherwise"}
        print(f"{printable(one.name)}: {one.state}{says[one.same]}")
        for note in one.notes:
            print(f"  {note}")
    whole = sum(one.state == "whole" for one in verdicts)
    same = sum(one.same is True for one in verdicts)
    print(f"{len(verdicts)} checked: {whole} whole, {same} replay to the last digit, "
          f"{sum(one.same is False for one in verdicts)} differ")
