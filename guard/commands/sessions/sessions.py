"""`guard sessions`: the library of sessions: list, find, name, delete and restore, check."""

import argparse
from pathlib import Path

from guard.commands.options import answered, can_ask, counting, done, tell
from guard.commands.sessions import listed, verified
from guard.errors import UsageError, number_of, printable
from guard.files.folders import sessions_dir
from guard.library import bin as bin_
from guard.library.about import change_about
from guard.library.bin import discard, empty, restore
from guard.library.library import SessionEntry, rehearsals_dir, sessions
from guard.library.search import SearchTerms, day_range, find_session, matching

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
        return verified.verify(chosen, home, repair_too=args.repair, as_json=args.json)
    listed.show(chosen, home, most=None if args.all or not _wanted(args).empty else LISTED,
                       as_json=args.json, what=_what(args))
    return 0


def _home(args: argparse.Namespace) -> Path:
    if args.folder is not None:
        home = Path(args.folder)
        if not home.is_dir():
            raise UsageError(f"{args.folder} is not a folder: name one that holds session logs")
        return home
    return rehearsals_dir(make=False) if args.rehearsals else sessions_dir(make=False)


def _what(args: argparse.Namespace) -> str:
    if args.bin:
        return "session in the bin"
    return "rehearsal" if args.rehearsals else "session"


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
