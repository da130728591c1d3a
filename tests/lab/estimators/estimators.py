"""Estimators of heart rate compared: error, lag, artefacts, stated uncertainty.

    python -m tests.lab.estimators
    python -m tests.lab.estimators --seed-set report --json OUT.json
    python -m tests.lab.estimators --data RECORD.txt

Simulated runners (noise, averaging straps, dropouts, spikes, dry electrodes) and,
if given, beat-by-beat records. Nobody is cued: every estimator sees the same
readings. Search constants (`--tune`) on dev seeds; report seeds are for reporting.
"""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np

from guard import __version__
from guard.errors import UsageError
from guard.runner.courses import COURSES
from tests.lab.benchmark.report import Interval, interval, write_text
from tests.lab.estimators.filters import (
    CONTENDERS,
    GatedKalman,
    Holt,
    HoltConstants,
    KalmanConstants,
    MedianConstants,
    RepeatedMedian,
)
from tests.lab.estimators.trial import SEEDS, Figures, Signals, figures, measured, simulated

USUAL_COURSES = ("hills", "fast", "lights")
DRAWS = 20  # of faults on one measured record

# figure: (heading, what it is, decimals, share shown in per cent)
FIGURES: dict[str, tuple[str, str, int, bool]] = {
    "rmse_bpm": ("error, bpm", "RMSE of the level", 2, False),
    "rmse_ahead_bpm": ("20 s ahead, bpm", "RMSE of the level 20 s ahead", 2, False),
    "rmse_climb_bpm": ("on a climb, bpm", "the same where it then is 5 bpm higher and more", 2, False),
    "lag_s": ("lag, s", "how far the level trails the truth", 1, False),
    "excursion_bpm": ("pulled by, bpm", "largest error that faults add", 1, False),
    "misled": ("misled, %", "share of seconds in which they add over 5 bpm", 2, True),
    "covered": ("95 % holds, %", "share of truths within 1.96 stated SD", 1, True),
    "covered_ahead": ("... 20 s ahead, %", "the same 20 s ahead", 1, True),
}


def summary(result: Figures) -> dict[str, Interval | None]:
    """Mean over runners of each figure with its bootstrap 95 % interval; None where there is none."""
    found: dict[str, Interval | None] = {}
    for key in FIGURES:
        values = getattr(result, key)
        values = values[~np.isnan(values)]
        found[key] = interval(partial(_mean, values), len(values)) if len(values) else None
    return found


def _mean(values: Any, who: Any) -> float:
    return float(values[who].mean())


def compared(signals: Signals) -> dict[str, dict[str, Interval | None]]:
    """All estimators on the same signals."""
    return {key: summary(figures(make, signals)) for key, (_, make) in CONTENDERS.items()}


def _on_course(job: tuple[str, int, float, str, Any]) -> dict[str, dict[str, Interval | None]]:
    return compared(simulated(*job))


def _on_record(job: tuple[str, str]) -> dict[str, dict[str, Interval | None]]:
    path, seed_set = job
    return compared(measured(Path(path), DRAWS, seed_set))


def table(title: str, results: dict[str, dict[str, Interval | None]]) -> str:
    """One line a figure, one column an estimator: value and interval."""
    lines = [title, " " * 18 + "".join(f"{name:>20}" for name in results)]
    for key, (heading, _, decimals, share) in FIGURES.items():
        cells = (_cell(result[key], decimals, 100.0 if share else 1.0) for result in results.values())
        lines.append(f"{heading:18}" + "".join(f"{cell:>20}" for cell in cells))
    return "\n".join(lines)


def _cell(value: Interval | None, decimals: int, times: float) -> str:
    if value is None:
        return "none"
    middle, low, high = (f"{number * times:.{decimals}f}" for number in value)
    return middle if low == high else f"{middle} [{low} {high}]"


# -- constants of the others ---------------------------------------------------

# No slower than a warning in time allows: without a gate the slowest smoothing is the least pulled.
GRIDS: dict[str, tuple[type, type, dict[str, tuple[float, ...]]]] = {
    "smoothing": (Holt, HoltConstants, {
        "level_share": (0.08, 0.12, 0.2, 0.3), "slope_share": (0.01, 0.02, 0.04)}),
    "median": (RepeatedMedian, MedianConstants, {"window_s": (15.0, 21.0, 27.0, 35.0, 45.0)}),
    "kalman": (GatedKalman, KalmanConstants, {
        "slope_sd": (0.0025, 0.005, 0.01), "reading_sd_bpm": (1.0, 2.0, 4.0),
        "gate_sd": (3.0, 4.0), "believe_after": (3, 4, 6)}),
}


def tuned(signals: Sequence[Signals]) -> Iterator[tuple[str, dict[str, float], float]]:
    """Best constants of each rival and their error in bpm.

    The error is that 20 s ahead, in equal parts of all seconds and of climbs, on
    clean straps and on faulty ones.
    """
    both = [*signals, *(Signals(one.true_bpm, one.faulty_bpm, one.faulty_bpm) for one in signals)]
    for name, (kind, constants, grid) in GRIDS.items():
        best: tuple[dict[str, float], float] = ({}, float("inf"))
        for values in product(*grid.values()):
            chosen = dict(zip(grid, values, strict=True))
            make = partial(_made, kind, constants(**chosen))
            error = float(np.mean([_error_ahead(figures(make, one)) for one in both]))
            if error < best[1]:
                best = (chosen, error)
        yield (name, *best)


def _error_ahead(result: Figures) -> float:
    climbs = result.rmse_climb_bpm[~np.isnan(result.rmse_climb_bpm)]
    return float(result.rmse_ahead_bpm.mean() + (climbs.mean() if len(climbs) else 0.0)) / 2.0


def _made(kind: type, constants: Any, n: int) -> Any:
    return kind(n, constants)


# -- the command -----------------------------------------------------------------


def main(argv: Sequence[str] | None = None) -> int:
    """Compare, print, write; exit code 0."""
    args = _parser().parse_args(argv)
    courses = args.course or list(USUAL_COURSES)
    for name in courses:
        if name not in COURSES:
            raise UsageError(f"no course is called {name!r}: choose from {', '.join(COURSES)}")
    if not 2 <= args.runners <= 5_000:
        raise UsageError(f"--runners {args.runners}: give 2 to 5000")
    if not 6.0 <= args.minutes <= 60.0:
        raise UsageError(f"--minutes {args.minutes:g}: give 6 to 60")
    jobs = [(name, args.runners, args.minutes, args.seed_set, args.model) for name in courses]
    if args.tune:
        return _tune(jobs, args.seed_set)
    say = (lambda text: None) if args.json == "-" else print
    say(f"{args.runners} simulated runners a course for {args.minutes:g} min, {args.seed_set} seeds, "
        f"{args.model} model; mean over runners [95 % interval]")
    say("\n".join(f"  {heading}: {meaning}" for heading, meaning, *_ in FIGURES.values()))
    say("\n".join(f"  {name}: {meaning}" for name, (meaning, _) in CONTENDERS.items()) + "\n")
    report: dict[str, Any] = {
        "format": 1, "guard": __version__, "seed_set": args.seed_set, "model": args.model,
        "runners": args.runners, "minutes": args.minutes, "courses": {}, "records": {}}
    with ProcessPoolExecutor(max_workers=args.jobs) as pool:
        for name, results in zip(courses, pool.map(_on_course, jobs), strict=True):
            report["courses"][name] = results
            say(table(f"{name}: {COURSES[name].meaning}", results) + "\n")
        records = pool.map(_on_record, [(path, args.seed_set) for path in args.data])
        for path, results in zip(args.data, records, strict=True):
            report["records"][Path(path).name] = results
            say(table(f"measured: {Path(path).name}, faults drawn {DRAWS} times", results) + "\n")
    if args.json:
        write_text(args.json, json.dumps(report, indent=1))
    return 0


def _tune(jobs: list[Any], seed_set: str) -> int:
    if seed_set != "dev":
        raise UsageError("--tune uses the dev seeds: leave --seed-set out")
    signals = [simulated(*job) for job in jobs]
    for name, chosen, error in tuned(signals):
        words = ", ".join(f"{key} {value:g}" for key, value in chosen.items())
        print(f"{CONTENDERS[name][0]}: {words}; 20 s ahead {error:.2f} bpm")
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m tests.lab.estimators", description="Estimators of heart rate compared.",
        epilog="example: python -m tests.lab.estimators --course hills --runners 30")
    add = parser.add_argument
    add("--course", action="append", metavar="NAME",
        help=f"only this course, repeatable (usual: {', '.join(USUAL_COURSES)})")
    add("--runners", type=int, default=60, metavar="N", help="runners a course (60)")
    add("--minutes", type=float, default=40.0, metavar="M", help="length of a run (40)")
    add("--seed-set", choices=tuple(SEEDS), default="dev", help="search on dev, report on report")
    add("--model", choices=("first", "second"), default="first", help="structure of the response")
    add("--data", action="append", default=[], metavar="FILE",
        help="a measured record besides: seconds and bpm of each beat in two columns; repeatable")
    add("--tune", action="store_true", help="search the constants of the other estimators instead")
    add("--jobs", type=int, default=os.cpu_count() or 1, metavar="N", help="processes at a time")
    add("--json", metavar="FILE", help="figures as JSON, - for standard output")
    return parser
