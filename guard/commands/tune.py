"""`guard tune`: search settings over recordings, as recorded and as you would respond."""

import argparse
import contextlib
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

from guard.commands.options import chosen_settings, is_terminal, log_path, print_json, tell, typed_values
from guard.errors import EXIT_INTERRUPTED, UsageError
from guard.screen.report import Console
from guard.settings import Settings
from guard.settings import file as settings_file
from guard.tune import terminal as tune_show
from guard.tune.document import document
from guard.tune.source import LoggedRun
from guard.tune.space import axes
from guard.tune.tune import Tuning
from guard.workers.pool import usable_cores
from guard.workers.workers import workers


def run(args: argparse.Namespace) -> int:
    if args.jobs and args.workers:
        raise UsageError("--jobs counts processes of this machine, --workers are others: give one of them")
    if args.apply and args.view == "recorded":
        raise UsageError("--apply needs the view that recommends: leave --view recorded out")
    present = chosen_settings(args, need_ceiling=False)
    searched = axes(args.search, present)
    pool = workers(args.workers, args.jobs or usable_cores())
    with _bar() as told:
        found = Tuning(
            _logs(args, present), present, searched, tries=args.tries, runners=args.runners, seed=args.seed,
            pool=pool, progress=told,
        ).run(recorded=args.view != "respond", respond=args.view != "recorded")
    for name, note in found.notes:
        tell(f"{name}: {note}")
    kept = None
    if args.apply and found.recommended and not found.interrupted:
        kept = str(settings_file.save(found.recommended))
    if args.json:
        print_json({**document(found, args.files), "applied": kept})
    else:
        tune_show.show(found, kept, wanted_apply=args.apply)
    if found.why is not None:
        raise found.why
    return EXIT_INTERRUPTED if found.interrupted else 0


def _logs(args: argparse.Namespace, present: Settings) -> list[LoggedRun]:
    places: set[Path] = set()
    typed = typed_values(args).get("ceiling_bpm")
    files = [log_path(name) for name in args.files]
    for name in files:
        place = Path(name).resolve()
        if place in places:
            raise UsageError(f"{name} is given twice: it would count twice, give it once")
        places.add(place)
    return [LoggedRun(name, present, typed if isinstance(typed, float) else None) for name in files]


@contextlib.contextmanager
def _bar() -> Iterator[Callable[[str, float], None]]:
    """A bar on stderr while that is a terminal, told what is done and the share of it; else nothing."""
    columns = (TextColumn("{task.description}", markup=False), BarColumn(bar_width=16),
               TextColumn("{task.percentage:>3.0f} %"), TimeElapsedColumn(), TextColumn("Ctrl-C ends it"))
    with Progress(*columns, console=Console(stderr=True), transient=True,
                  disable=not is_terminal(sys.stderr)) as bar:
        present: dict[str, TaskID] = {}

        def tell(words: str, share: float) -> None:
            if words not in present:
                for task in present.values():
                    bar.remove_task(task)
                present.clear()
                present[words] = bar.add_task(words, total=1.0)
            bar.update(present[words], completed=share)

        yield tell
