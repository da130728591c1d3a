"""How the months' model does on invented runners: `python -m tests.lab.months`.

One row a question of `runners.ROWS`. Looks are weekly from the eighth week
on; a claim counts when it was made at any look, of the last 12 weeks or of the
season. Bias, half-width and coverage are those of the last look's 99 % interval
of the change in 12 weeks; the season's stand beside it where there is one.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import numpy as np

from guard.progress.level import KNOT_DAYS, Level, Runs, fit
from guard.progress.minutes import BY_TREADMILL, Minutes, minutes
from guard.progress.slopes import fit as fit_slopes
from guard.progress.verdict import Told, Verdict, told
from tests.lab.months import others
from tests.lab.months.runners import BEGINS, ROWS, History, Row, Run, history
from tests.lab.months.targets import judged

RECORDINGS = Path(__file__).resolve().parents[3] / "recordings"
FIRST_LOOK_WEEK = 8
CLAIMS = (Verdict.GAIN, Verdict.LOSS)


@dataclass(frozen=True)
class Kept:
    """A history as the model sees it: the sums of its runs, what is known beside them, ceilings."""

    sums: np.ndarray
    runs: Runs
    ceilings: np.ndarray

    def until(self, day: float) -> Kept:
        """Only what had been run by `day`."""
        some = self.runs.days <= day
        return Kept(self.sums[some], self.runs.only(some), self.ceilings[some])


@dataclass(frozen=True)
class Look:
    """One look: the fit, and what it says of 12 weeks and of the season."""

    level: Level
    recent: Told
    season: Told


def kept(past: History) -> Kept:
    """The sums of every run that has them."""
    pairs = [(run, found) for run in past.runs if (found := minutes_of(run)) is not None]
    runs = [run for run, _ in pairs]
    about = Runs(
        np.array([float((run.day - BEGINS).days) for run in runs]),
        np.array([run.source for run in runs]),
        np.array([np.nan if run.temperature_c is None else run.temperature_c for run in runs]),
        np.array([run.source != BY_TREADMILL for run in runs]), np.full(len(runs), ""))
    return Kept(np.array([found.sums for _, found in pairs]), about,
                np.array([run.ceiling_bpm for run in runs]))


def minutes_of(run: Run) -> Minutes | None:
    """What the guard keeps of a run."""
    return minutes(run.bpm, run.speed_m_s, run.grade, np.zeros(len(run.bpm), dtype=bool))


def looked(known: Kept, day: float, before: Look | None) -> Look | None:
    """What the months say on a day."""
    some = known.until(day)
    if len(some.sums) < 3:
        return None
    end = float(some.runs.days[-1])
    level = fit(fit_slopes(some.sums, some.runs.sources), some.runs, float(some.ceilings[-1]), end)
    if level is None:
        return None
    return Look(level, told(level.recent, level, before.level.recent if before else None),
                told(level.whole, level, before.level.whole if before else None))


def looks(past: History) -> list[tuple[float, Look]]:
    """Weekly looks, each with the day of the newest run."""
    known = kept(past)
    found: list[tuple[float, Look]] = []
    before = None
    for week in range(FIRST_LOOK_WEEK, past.row.weeks + 1):
        before = looked(known, 7.0 * week - 1.0, before)
        if before is not None:
            found.append((float(known.until(7.0 * week - 1.0).runs.days[-1]), before))
    return found


def true_change(past: History, day: float, length: float) -> float:
    """True change over the `length` days to `day`, as a share of the speed at their beginning."""
    start, end = (past.share(BEGINS + timedelta(days=at)) for at in (day - length, day))
    return end / start - 1.0


def measure(row: Row, seeds: Iterable[int],
            drawn: Callable[[Row, int], History] = history) -> dict[str, object]:
    """The figures of a row."""
    shown = []
    begun = time.perf_counter()
    for seed in seeds:
        past = drawn(row, seed)
        all_looks = looks(past)
        if not all_looks:
            continue
        day, last = all_looks[-1]
        figures: dict[str, object] = {}
        for name, one in (("recent", last.recent), ("season", last.season)):
            truth = true_change(past, day, one.change.days)
            figures[name] = {"off": one.share - truth, "half": 0.5 * (one.high - one.low),
                             "covered": one.low <= truth <= one.high}
            for verdict in Verdict:
                figures[f"{name} {verdict.name}"] = any(
                    getattr(look, name).verdict is verdict for _, look in all_looks)
        # A plateau that has lasted 12 weeks: told at its first look or the next ones within two weeks of it.
        figures["plateau at end"] = any(look.recent.verdict is Verdict.PLATEAU for _, look in all_looks[-2:])
        shown.append(figures)
    number = len(shown)

    def share(key: str) -> float:
        return 100.0 * sum(bool(one[key]) for one in shown) / number

    def of(part: str) -> dict[str, float]:
        some = [one[part] for one in shown]
        assert all(isinstance(one, dict) for one in some)
        return {"bias": 100 * float(np.mean([one["off"] for one in some])),  # type: ignore[index]
                "half": 100 * float(np.mean([one["half"] for one in some])),  # type: ignore[index]
                "covered": 100 * float(np.mean([one["covered"] for one in some]))}  # type: ignore[index]

    claims = [any(one[f"{name} {verdict.name}"] for name in ("recent", "season") for verdict in CLAIMS)
              for one in shown]
    return {
        "row": row.name, "histories": number, "recent": of("recent"), "season": of("season"),
        "claims": 100.0 * sum(claims) / number, "recent gain": share("recent GAIN"),
        "gain": 100.0 * sum(bool(one["recent GAIN"] or one["season GAIN"]) for one in shown) / number,
        "asked": 100.0 * sum(bool(one["recent ASKED"] or one["season ASKED"]) for one in shown) / number,
        "plateau": share("recent PLATEAU"), "plateau at end": share("plateau at end"),
        "seconds": round(time.perf_counter() - begun, 1)}


def compared(row: Row, seeds: Iterable[int]) -> list[str]:
    """The model and simpler ways at the last look of the same histories, a line each."""
    from tests.lab.months.opponents import mixed, two_stage  # they take seconds to import

    found: dict[str, list[tuple[float, float, bool, bool]]] = {
        "model": [], "two-stage": [], "mixed model": []}
    number = 0
    for seed in seeds:
        number += 1
        past = history(row, seed)
        known = kept(past)
        day = float(known.runs.days[-1])
        truth = true_change(past, day, min(KNOT_DAYS, day - float(known.runs.days[0])))
        ceiling = float(known.ceilings[-1])
        last = looked(known, day, None)
        if last is not None:
            one = last.recent
            found["model"].append((one.share - truth, 0.5 * (one.high - one.low),
                                   one.low <= truth <= one.high, one.verdict in CLAIMS))
        for name, way in (("two-stage", two_stage), ("mixed model", mixed)):
            claim = way(known.sums, known.runs, ceiling)
            if claim is not None:
                found[name].append((claim.share - truth, 0.5 * (claim.high - claim.low),
                                    claim.low <= truth <= claim.high, claim.made))
    lines = []
    for name, figures in found.items():
        if not figures:
            lines.append(f"| {row.words} | {name} | no fit | | | |")
            continue
        off, half, covered, claims = np.array(figures, dtype=np.float64).T
        lines.append(f"| {row.words} | {name} | {len(figures)} of {number} | {100 * off.mean():+.1f}, "
                     f"{100 * half.mean():.1f} | {100 * covered.mean():.0f} | {100 * claims.mean():.0f} |")
    return lines


def line(row: Row, one: dict[str, object]) -> str:
    """A row of the table."""
    recent, season = one["recent"], one["season"]
    assert isinstance(recent, dict) and isinstance(season, dict)
    return (f"| {row.words} | {recent['bias']:+.1f}, {recent['half']:.1f} | {recent['covered']:.0f} | "
            f"{season['bias']:+.1f}, {season['half']:.1f} | {season['covered']:.0f} | {one['claims']:.0f} | "
            f"{one['recent gain']:.0f}, {one['gain']:.0f} | {one['asked']:.0f} | "
            f"{one['plateau']:.0f} ({one['plateau at end']:.0f}) | {judged(row, one)} |")


HEAD = ("| truth | 12 weeks: bias, 99 % half-width, % | covered, % | season: bias, half-width, % "
        "| covered, % | claims ever, % | gain in 12 weeks, at all, % | asked, % "
        "| plateau ever (last two looks), % | targets |\n|---|---|---|---|---|---|---|---|---|---|")


def scale(sessions: int) -> None:
    """Time `guard progress` on a library of an hour a run, first and again."""
    sys.path.insert(0, str(RECORDINGS))
    year = importlib.import_module("year")
    for number in (sessions // 4, sessions):
        with tempfile.TemporaryDirectory() as folder:
            readings = year.make_library(Path(folder), number)
            first, again = _timed(folder), min(_timed(folder) for _ in range(5))
            print(f"{number} sessions, {readings} readings: first {first[0]:.1f} s ({first[1]:.1f} s of "
                  f"processor), again {again[0]:.2f} s ({again[1]:.2f} s); "
                  f"load {os.getloadavg()[0]:.1f}", flush=True)


def _timed(folder: str) -> tuple[float, float]:
    """Seconds by the wall and of processor time, helpers included."""
    begun, before = time.perf_counter(), os.times()
    subprocess.run([sys.executable, "-m", "guard", "progress", "--ceiling", "139"], check=True,
                   stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                   env={**os.environ, "GUARD_HOME": folder})
    spent = os.times()
    processor = spent.children_user + spent.children_system - before.children_user - before.children_system
    return time.perf_counter() - begun, processor


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--histories", type=int, default=100)
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--rows", nargs="+", choices=[row.name for row in ROWS])
    parser.add_argument("--json", metavar="FILE")
    parser.add_argument("--compare", action="store_true",
                        help="beside simpler ways, at the last look of each history")
    parser.add_argument("--others", action="store_true", help="on runners by another hand (others.py)")
    parser.add_argument("--scale", metavar="SESSIONS", type=int,
                        help="how long the command takes on so many logs of an hour, and nothing else")
    args = parser.parse_args()
    if args.scale:
        scale(args.scale)
        return 0
    seeds = range(args.first_seed, args.first_seed + args.histories)
    if args.compare:
        print("| truth | way | fits | 12 weeks: bias, 99 % half-width, % | covered, % "
              "| claims at the last look, % |\n|---|---|---|---|---|---|", flush=True)
        for row in ROWS:
            if not args.rows or row.name in args.rows:
                print(*compared(row, seeds), sep="\n", flush=True)
        return 0
    print(HEAD, flush=True)
    found = []
    for row in ROWS:
        if (args.rows and row.name not in args.rows) or (args.others and row.name in others.UNKNOWN):
            continue
        found.append(measure(row, seeds, others.history if args.others else history))
        print(line(row, found[-1]), flush=True)
    if args.json:
        Path(args.json).write_text(json.dumps(found, indent=1) + "\n")
    return 0

