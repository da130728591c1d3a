"""The guarding benchmark: simulated runners under the guard and its opponents.

    python -m tests.lab.benchmark --course flat --runners 500
    python -m tests.lab.benchmark --seed-set report --model second --json OUT.json --picture OUT.png

The guard runs with its default settings and each runner's own ceiling; `--set`
changes them. Develop on `--seed-set dev` and `--model first`; "report" seeds
and the second model are for reporting only.
"""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from guard import __version__
from guard.errors import UsageError
from guard.runner.courses import COURSES
from guard.runner.response import Model
from guard.settings import parse_assignments
from guard.workers.pool import Stop, workers
from tests.lab.benchmark.controllers import NAMES
from tests.lab.benchmark.report import (
    RISES_TARGET,
    Verdict,
    course_table,
    course_verdicts,
    draw_picture,
    figures,
    interval,
    verdict_table,
    write_text,
)
from tests.lab.benchmark.trial import SEEDS, Outcome, faults_alone, run, true_rises

FAULT_PARTS = 2  # of n runners and an hour each: 1,000 h with 500 runners
IN_TIME_S = 10.0


@dataclass(frozen=True)
class _Job:
    """A piece of work: seeds, nothing recorded. Without a course it is `_signal`."""

    course: str
    controller: str
    runners: int
    seed_set: str
    model: Model
    changes: dict[str, Any]


def _work(job: _Job, stop: Stop) -> Outcome | dict[str, Any]:
    stop()
    if not job.course:
        return _signal(job.runners, job.seed_set, job.model, job.changes)
    return run(COURSES[job.course], job.controller, job.runners, job.seed_set, job.model, job.changes)


def _signal(n: int, seed_set: str, model: Model, changes: dict[str, Any]) -> dict[str, Any]:
    """What faults cause by themselves, and whether true rises are still heard."""
    parts = [faults_alone(n, seed_set, model, changes, part) for part in range(FAULT_PARTS)]
    late, early = true_rises(n, seed_set, changes)
    heard = np.where(np.isfinite(late), late <= IN_TIME_S, False).astype(float)
    return {
        "hours": sum(part.hours for part in parts),
        "by_fault": sum(part.by_fault for part in parts),
        "clean": sum(part.clean for part in parts),
        "in_warm_up": sum(part.in_warm_up for part in parts),
        "rises_in_time": list(interval(lambda who: float(heard[who].mean()), n)),
        "rises_cued_before": float(early.mean()),
        "rise_cued_after_s": [float(v) for v in np.percentile(late, [50, 99])],
    }


def _signal_verdicts(signal: dict[str, Any]) -> list[Verdict]:
    hours = signal["hours"]
    by_fault, warm = signal["by_fault"], signal["in_warm_up"]
    rises = signal["rises_in_time"]
    return [
        Verdict(f"cues from detectable faults alone in {hours:.0f} h", (by_fault, by_fault, by_fault), "0",
                by_fault == 0),
        Verdict("true rises of 15 bpm in 30 s cued within 10 s of due", (rises[0], rises[1], rises[2]),
                f">= {RISES_TARGET:.2f}", rises[0] >= RISES_TARGET),
        Verdict(f"cues in {hours:.0f} warm-ups under the ramp", (warm, warm, warm), "0", warm == 0),
    ]


def main(argv: Sequence[str] | None = None) -> int:
    """Run the benchmark; exit code 0 whether or not targets are met."""
    args = _parser().parse_args(argv)
    courses = args.course or list(COURSES)
    controllers = args.controller or list(NAMES)
    for name in courses:
        if name not in COURSES:
            raise UsageError(f"no course is called {name!r}: choose from {', '.join(COURSES)}")
    for name in controllers:
        if name not in NAMES:
            raise UsageError(f"no controller is called {name!r}: choose from {', '.join(NAMES)}")
    if not 2 <= args.runners <= 20_000:
        raise UsageError(f"--runners {args.runners}: give 2 to 20000")
    changes = parse_assignments(args.set)
    wanted = [(course, controller) for course in courses for controller in controllers]
    if not args.no_signal and "guard" in controllers:
        wanted.insert(0, ("", ""))  # the longest first
    jobs = [_Job(course, controller, args.runners, args.seed_set, args.model, changes)
            for course, controller in wanted]
    report: dict[str, Any] = {
        "format": 1, "guard": __version__, "seed_set": args.seed_set, "model": args.model,
        "runners": args.runners, "changed_settings": changes, "courses": {}, "targets": []}
    note = ", ".join(args.set) or "default settings and each runner's own ceiling"
    say = (lambda text: None) if args.json and args.json == "-" else print
    say(f"{args.runners} runners a course, seed set {args.seed_set}, {args.model} model; guard with {note}\n"
        "value [95 % interval over runners], an hour's; 'no jog': minutes over of those in which "
        "the slowest jog would not have settled under either\n")
    verdicts: list[Verdict] = []
    came: dict[tuple[str, str], Any] = {}
    left = list(courses)

    def took(number: int, result: Any) -> None:
        """Show a course as soon as it and those before it are done."""
        came[wanted[number]] = result
        while left and all((left[0], controller) in came for controller in controllers):
            course = left.pop(0)
            outcomes = {controller: came[course, controller] for controller in controllers}
            results = {key: figures(item, outcomes.get("knowing")) for key, item in outcomes.items()}
            report["courses"][course] = results
            verdicts.extend(course_verdicts(course, outcomes))
            say(course_table(course, results) + "\n")

    with workers(args.workers, args.jobs) as pool:
        pool.run(_work, jobs, took=took)
    if ("", "") in came:
        report["signal"] = came["", ""]
        verdicts += _signal_verdicts(report["signal"])
    if verdicts:
        say(verdict_table(verdicts))
    report["targets"] = [item.as_dict() for item in verdicts]
    if args.json:
        write_text(args.json, json.dumps(_finite(report), indent=1))
    if args.picture:
        draw_picture(Path(args.picture), report["courses"],
                     f"{args.runners} simulated runners a course, {args.seed_set} seeds, {args.model} model")
    return 0


def _finite(value: Any) -> Any:
    """The same with None for what JSON cannot hold."""
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(item) for item in value]
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m tests.lab.benchmark",
        description="Simulated runners under the guard and its opponents.",
        epilog="example: python -m tests.lab.benchmark --course flat --course hot --set strictness=0.8")
    add = parser.add_argument
    add("--course", action="append", metavar="NAME",
        help=f"only this course, repeatable ({', '.join(COURSES)})")
    add("--controller", action="append", metavar="NAME",
        help=f"only this controller, repeatable ({', '.join(NAMES)})")
    add("--runners", type=int, default=500, metavar="N", help="runners a course (500)")
    add("--seed-set", choices=tuple(SEEDS), default="dev", help="tune on dev, report on report")
    add("--model", choices=("first", "second"), default="first",
        help="structure of the heart-rate response; second is for reporting only")
    add("--set", action="append", default=[], metavar="KEY=VALUE", help="a setting of the guard")
    add("--no-signal", action="store_true", help="leave out the runs on faults and true rises")
    add("--jobs", type=int, default=os.cpu_count() or 1, metavar="N", help="processes at a time")
    add("--workers", metavar="tcp://HOST:PORT", help="by the workers of a Dask scheduler instead")
    add("--json", metavar="FILE", help="figures as JSON, - for standard output")
    add("--picture", metavar="FILE", help="draw minutes over against cues an hour")
    return parser
