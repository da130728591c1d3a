"""`guard tune`: search settings over recordings, as recorded and as you would respond."""

import argparse
import sys
from pathlib import Path
from typing import Any, Self

from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from guard.commands.options import (
    add_settings_options,
    add_workers_option,
    chosen_settings,
    log_path,
    print_json,
    tell,
    typed_values,
    whole_in,
)
from guard.errors import EXIT_INTERRUPTED, UsageError
from guard.screen.console import Console
from guard.settings import Settings
from guard.settings import file as settings_file
from guard.tune import terminal as tune_show
from guard.tune.document import document
from guard.tune.source import LoggedRun
from guard.tune.space import axes
from guard.tune.tune import Tuning
from guard.workers.pool import usable_cores
from guard.workers.workers import workers

VIEWS = ("both", "recorded", "respond")
MOST_TRIES, MOST_RUNNERS, MOST_JOBS = 5000, 1000, 64  # more is a slip of the keyboard (ours)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("files", metavar="FILE", nargs="+",
                        help="recordings of one runner: files, or names that `guard sessions` lists")
    parser.add_argument("--search", metavar="KEY[=LOW:HIGH]", action="append", default=[],
                        help="a setting to search, in the range given; else a dial from 0 to 1, others up to "
                             "three times up and down from the present value; may be repeated (default: "
                             "strictness, words, walk_first, spacing_s)")
    parser.add_argument("--view", choices=VIEWS, default="both",
                        help="as recorded (heart rate as it was), as you would respond (simulated), or both; "
                             "only the second recommends")
    parser.add_argument("--tries", metavar="N", type=whole_in(2, MOST_TRIES), default=200,
                        help="how many sets of settings to try (200)")
    parser.add_argument("--runners", metavar="N", type=whole_in(4, MOST_RUNNERS), default=32,
                        help="simulated runs each set has in the search (32)")
    parser.add_argument("--seed", metavar="N", type=whole_in(0, 2**31 - 1), default=1,
                        help="the same seed gives the same answer (1)")
    parser.add_argument("--jobs", metavar="N", type=whole_in(1, MOST_JOBS), default=None,
                        help="processes at a time (as many as there are cores)")
    add_workers_option(parser)
    add_settings_options(parser)
    parser.add_argument("--apply", action="store_true",
                        help="keep the recommended set in the settings file (comments stay)")
    parser.add_argument("--json", action="store_true", help="one JSON document on stdout, notes on stderr")


def run(args: argparse.Namespace) -> int:
    if args.jobs and args.workers:
        raise UsageError("--jobs counts processes of this machine, --workers are others: give one of them")
    if args.apply and args.view == "recorded":
        raise UsageError("--apply needs the view that recommends: leave --view recorded out")
    present = chosen_settings(args, need_ceiling=False)
    searched = axes(args.search, present)
    pool = workers(args.workers, args.jobs or usable_cores())
    with _Progress() as progress:
        found = Tuning(
            _logs(args, present), present, searched, tries=args.tries, runners=args.runners, seed=args.seed,
            pool=pool, progress=progress.tell,
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


class _Progress:
    """A bar on stderr while that is a terminal, else nothing."""

    def __init__(self) -> None:
        self._bar: Any = None
        self._task: Any = None
        self._words = ""

    def __enter__(self) -> Self:
        if sys.stderr.isatty():
            self._bar = Progress(
                TextColumn("{task.description}", markup=False), BarColumn(bar_width=16),
                TextColumn("{task.percentage:>3.0f} %"), TimeElapsedColumn(),
                TextColumn("Ctrl-C ends it"), console=Console(stderr=True), transient=True)
            self._bar.start()
        return self

    def __exit__(self, *error: object) -> None:
        if self._bar is not None:
            self._bar.stop()

    def tell(self, words: str, share: float) -> None:
        if self._bar is None:
            return
        if words != self._words:
            if self._task is not None:
                self._bar.remove_task(self._task)
            self._task, self._words = self._bar.add_task(words, total=1.0), words
        self._bar.update(self._task, completed=share)
