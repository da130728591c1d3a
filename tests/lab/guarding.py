"""The guarding benchmark: kinds of runners and courses under the guard and its opponents.

    python -m tests.lab.guarding                                # development kinds, dev seeds
    python -m tests.lab.guarding --kinds "small easer" relapse --runners 20
    python -m tests.lab.guarding --part all --seed-set report --json OUT.json --picture OUT.png

Tune on nothing but the dev seeds. Kinds kept out of development are printed
only with `--held-out`, courses and trials only with `--part`. The landed guard
that came before is a frozen opponent: its figures on the same seeds are read from
`landed.json` (made by `--record NAME`).
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from guard.errors import GuardError, UsageError
from guard.settings import parse_assignments
from guard.workers.pool import usable_cores
from guard.workers.workers import workers
from tests.lab import courses, trials
from tests.lab.family import HOUR_S, SEEDS, Crowd
from tests.lab.kinds import DEVELOPMENT, HELD_OUT, KINDS, Kind
from tests.lab.measures import Hour, live
from tests.lab.opponents import Controller, make
from tests.lab.remembered import hour
from tests.lab.report import (
    Figures,
    draw_picture,
    kind_table,
    known_table,
    means_table,
    of_crowd,
    problems,
    trial_table,
)

LANDED = Path(__file__).with_name("landed.json")
OPPONENTS = ("alarm", "knowing")
PARTS = ("kinds", "courses", "known", "trials")


def chosen(names: Sequence[str] | None, *, held_out: bool) -> tuple[Kind, ...]:
    """The kinds asked for; "first" and "second" are all of a family. Raises UsageError."""
    pool = HELD_OUT if held_out else DEVELOPMENT
    if not names:
        return pool
    found: dict[str, Kind] = {}
    for name in names:
        fits = [kind for kind in pool if name in (kind.family, kind.name, f"{kind.family}/{kind.name}")]
        if not fits:
            kept = any(name == kind.name for kind in KINDS)
            raise UsageError(f"no kind is called {name!r}" + (
                "; it is kept out of development: --held-out" if kept and not held_out else
                f": choose from {', '.join(sorted({kind.name for kind in pool}))}"))
        found |= {f"{kind.family}/{kind.name}": kind for kind in fits}
    return tuple(found.values())


def run_kinds(
    kinds: Sequence[Kind], controllers: Sequence[str] | Mapping[str, Callable[[Crowd], Controller]],
    runners: int, seed_set: str, changes: Mapping[str, Any] | None = None, steps: int = HOUR_S,
) -> dict[str, dict[str, Figures]]:
    """Figures by controller and kind; the alarm and the knowing one are always among them.

    `controllers` are names, or names with what makes each for a crowd.
    """
    what = ([(kind.family, kind.name) for kind in kinds], runners, seed_set, steps)

    def lived(name: str) -> Hour:
        crowd = Crowd(kinds, runners, seed_set, steps)
        own = controllers.get(name) if isinstance(controllers, Mapping) else None
        return live(crowd, make(name, crowd, changes) if own is None else own(crowd))

    return of_crowd({
        name: hour(name, what, lambda name=name: lived(name))  # type: ignore[misc]
        for name in dict.fromkeys((*OPPONENTS, *controllers))}, kinds, runners)


def _kinds(
    kinds: Sequence[Kind], args: argparse.Namespace, changes: Mapping[str, Any],
) -> dict[str, dict[str, Figures]]:
    """Here, or by those who work beside."""
    if args.workers is None and args.jobs == 1:
        return run_kinds(kinds, args.controller, args.runners, args.seed_set, changes)
    from tests.lab.spread import spread

    with workers(args.workers, args.jobs) as some:
        return spread(kinds, some, args.controller, args.runners, args.seed_set, changes, HOUR_S)


def recorded(part: str, seed_set: str) -> dict[str, Figures]:
    """The landed guard's figures on these seeds; empty where none were recorded."""
    if not LANDED.exists():
        return {}
    held: dict[str, Figures] = json.loads(LANDED.read_text(encoding="utf-8")).get(part, {}).get(seed_set, {})
    return held


def main(argv: Sequence[str] | None = None) -> int:
    """Run it; exit code 0 whether or not targets are met."""
    args = _parser().parse_args(argv)
    if not 2 <= args.runners <= 5_000:
        raise UsageError(f"--runners {args.runners}: give 2 to 5000")
    changes = parse_assignments(args.set)
    parts = PARTS if "all" in args.part else tuple(args.part)
    report: dict[str, Any] = {"format": 1, "seed_set": args.seed_set, "runners": args.runners,
                              "changed_settings": changes, "kinds": {}, "courses": {}, "trials": {}}
    missed: dict[str, list[str]] = {name: [] for name in args.controller}
    begun = time.perf_counter()
    if "kinds" in parts:
        kinds = chosen(args.kinds, held_out=args.held_out)
        table = _kinds(kinds, args, changes)
        landed = recorded("kinds", args.seed_set)
        if landed and not args.record:
            table["landed"] = {key: landed[key] for key in table["alarm"] if key in landed}
        print(f"{len(kinds)} kinds, {args.runners} runners of each, an hour each, {args.seed_set} seeds")
        for name in args.controller:
            print("\n" + kind_table(name, table))
        print("\n" + means_table(table))
        report["kinds"] = table
    if "courses" in parts:
        number = args.course_runners or args.runners
        for model in args.model:
            table = courses.run(args.courses, args.controller, number, args.seed_set, model, changes)
            landed = recorded(f"courses {model}", args.seed_set)
            if landed and not args.record:
                table["landed"] = {key: landed[key] for key in table["alarm"] if key in landed}
            print(f"\ncourses, {model} model, {number} runners, {args.seed_set} seeds")
            for name in args.controller:
                text, found = courses.against_landed(name, table)
                missed[name] += [f"{model} model: {what}" for what in found]
                print(kind_table(name, table) + "\n\n" + text)
            report["courses"][model] = table
    if "known" in parts:
        text, found = known_table(run_kinds(
            [kind for kind in DEVELOPMENT if kind.changes.get("speed_known")], ("untold", "guard", "taught"),
            args.runners, args.seed_set, changes))
        missed.setdefault("guard", []).extend(found)
        print("\n" + text)
    if "trials" in parts:
        for name in args.controller:
            report["trials"][name] = trials.run(name, args.runners, args.seed_set, changes)
            text, found = trial_table(name, report["trials"][name])
            missed[name] += found
            print("\n" + text)
    for name in args.controller:
        found = problems(name, report["kinds"]) + missed[name]
        print(f"\n{name}: " + (f"{len(found)} short: " + "; ".join(found) if found else "every target met"))
    print(f"{time.perf_counter() - begun:.0f} s")
    if args.record:
        _record(args.record, report, args.seed_set)
    if args.json:
        Path(args.json).write_text(json.dumps(report, indent=1) + "\n", encoding="utf-8")
    if args.picture:
        draw_picture(Path(args.picture), report, args.controller)
    return 0


def _record(name: str, report: Mapping[str, Any], seed_set: str) -> None:
    """Keep a controller's figures as those of the landed guard."""
    held = json.loads(LANDED.read_text(encoding="utf-8")) if LANDED.exists() else {}
    tables = {"kinds": report["kinds"]} | {
        f"courses {model}": table for model, table in report["courses"].items()}
    for part, table in tables.items():
        if table:
            held.setdefault(part, {}).setdefault(seed_set, {}).update(table[name])
    LANDED.write_text(json.dumps(held, separators=(",", ":"), sort_keys=True) + "\n", encoding="utf-8")


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m tests.lab.guarding", description=(__doc__ or "").split("\n")[0])
    add = parser.add_argument
    add("--part", nargs="+", default=["kinds"], choices=(*PARTS, "all"), help="what to run (kinds)")
    add("--kinds", nargs="+", metavar="NAME", help="only these kinds; 'first' or 'second' is a family")
    add("--courses", nargs="+", metavar="NAME", help="only these courses")
    add("--controller", nargs="+", default=["guard"], metavar="NAME",
        help="guard, or another that tests.lab knows")
    add("--runners", type=int, default=60, metavar="N", help="runners of a kind or course (60)")
    add("--course-runners", type=int, metavar="N", help="runners of a course, where other than --runners")
    add("--model", nargs="+", default=["first", "second"], choices=("first", "second"),
        help="heart-rate response of the courses")
    add("--seed-set", choices=tuple(SEEDS), default="dev", help="tune on dev, report on report")
    add("--held-out", action="store_true", help="the kinds kept out of all development")
    add("--set", action="append", default=[], metavar="KEY=VALUE", help="a setting of the guard")
    add("--jobs", type=int, default=1, metavar="N", choices=range(1, usable_cores() + 1),
        help="processes of this machine for the kinds (1)")
    add("--workers", metavar="tcp://HOST:PORT", help="workers of a Dask scheduler for the kinds instead")
    add("--json", metavar="FILE", help="all figures as JSON")
    add("--picture", metavar="FILE", help="minutes over against cues, kind by kind")
    add("--record", metavar="CONTROLLER", help=argparse.SUPPRESS)
    return parser


if __name__ == "__main__":
    try:
        sys.exit(main())
    except GuardError as error:
        print(f"guarding: {error}", file=sys.stderr)
        sys.exit(error.exit_code)
