"""`guard data`: what the guard keeps on this machine; take it along, or delete it all."""

import argparse
import sys
from pathlib import Path

from guard.commands.options import answered, can_ask, done, print_json, tell
from guard.errors import HardwareError, UsageError, number_of, printable
from guard.library import everything
from guard.library.everything import Kept

WORD = "delete"


def run(args: argparse.Namespace) -> int:
    if args.export is not None:
        packed = everything.export(Path(args.export), with_cache=args.with_cache, force=args.force)
        left_out = "" if args.with_cache else "; the cache is left out, it can be rebuilt"
        return done(args, f"{number_of(len(packed), 'file')} ({_size(sum(one.size for one in packed))}) in "
                     f"{args.export}{left_out}", files=len(packed))
    if args.make_private:
        changed = everything.make_private()
        return done(args, f"{number_of(len(changed), 'place')} closed to others" if changed
                     else "nothing was open to others", files=len(changed))
    if args.delete_everything:
        return _delete(args)
    return _show(args)


def _delete(args: argparse.Namespace) -> int:
    files = everything.kept()
    if not files:
        return done(args, "the guard keeps nothing on this machine", files=0)
    if now := everything.running():
        raise UsageError(f"a session is being recorded ({now[0].name}): end it first")
    if not args.yes:
        if not can_ask():
            raise UsageError(f"{number_of(len(files), 'file')} would be gone for good: add --yes if you mean "
                             "it, or save a copy first with `guard data --export all.zip`")
        for line in _lines(files):
            print(line, file=sys.stderr)
        typed = answered("All of this will be gone for good (`guard data --export all.zip` saves a copy "
                         f"first).\nType {WORD} to remove it:")
        if typed.casefold() != WORD:
            return done(args, "nothing was removed", files=0)
    troubles = everything.delete_everything()
    for trouble in troubles:
        tell(trouble)
    left = everything.kept()
    if left:
        raise HardwareError(f"{number_of(len(left), 'file')} could not be removed: give write permission to "
                            f"{left[0].path.parent} and try again")
    return done(args, f"{number_of(len(files), 'file')} removed; the guard keeps nothing on this machine now",
                 files=len(files))


def _show(args: argparse.Namespace) -> int:
    files = everything.kept()
    if args.json:
        print_json({
            "format": 1, "folders": {kind: str(root) for kind, root in everything.roots().items()},
            "files": [{"path": str(one.path), "name": one.name, "size": one.size, "private": one.private}
                      for one in files]})
        return 0
    for line in _lines(files):
        print(line)
    print("Nothing of it leaves this machine. `--export ZIP` saves a copy, "
          "`--delete-everything` removes it.")
    return 0


def _lines(files: list[Kept]) -> list[str]:
    places = everything.roots()
    if others := [one for one in files if one.name.startswith(f"{everything.RESCUED}/")]:
        places[everything.RESCUED] = others[0].path.parent
    lines = []
    for kind, place in places.items():
        mine = [one for one in files if one.name.startswith(f"{kind}/")]
        lines.append(f"{kind:<8} {number_of(len(mine), 'file'):>12} {_size(sum(one.size for one in mine)):>9}"
                     f"   {printable(place)}")
    wide = [one.path for one in files if not one.private] + everything.open_folders()
    if wide:
        lines.append(f"{number_of(len(wide), 'place')} of these can be read by other users of this machine "
                     f"({printable(wide[0])}): `guard data --make-private` closes them")
    return lines


def _size(size: int) -> str:
    """Bytes in words (kB is 1000 of them, as SI has it)."""
    if size < 1000:
        return f"{size} B"
    return f"{size / 1000:.0f} kB" if size < 10**6 else f"{size / 10**6:.1f} MB"
