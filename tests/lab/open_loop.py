"""Recorded runs open loop: nobody heard the cues, so what was foreseen can be checked against what came.

    python -m tests.lab.open_loop
    python -m tests.lab.open_loop --quantile .9 --ceiling 150 160 --controller guard alarm

Looks for outdoor_*.csv (columns time_s and bpm) in ../shared/data beside the project.
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from guard.errors import GuardError
from guard.events import Cue, Reading
from guard.settings import Settings, parse_assignments
from guard.signal.trust import Trust
from tests.lab import opponents

Array = NDArray[np.float64]
DATA = Path(__file__).resolve().parents[2].parent / "shared" / "data"
AROUND = [DATA, Path(__file__).resolve().parents[2] / "data"]
SOON_S = 60
ASKED = {"before": 0.60, "came_true": 0.45, "walks_under_per_h": 1.0, "of_alarm": 0.6}


@dataclass(frozen=True)
class Foreseen:
    """Of one recording at one ceiling."""

    hours: float
    crossings: int  # out of a minute or more under
    before: int  # of them, with a cue in the minute before
    under: int  # ease and walk cues said under the ceiling
    came_true: int  # of them, over the ceiling within a minute
    walks_under: int
    walks: int
    slow: int  # ease and walk cues
    beeps: int  # the alarm's

    def __add__(self, other: Foreseen) -> Foreseen:
        return Foreseen(*(a + b for a, b in zip(vars(self).values(), vars(other).values(), strict=True)))


def recordings(folder: Path) -> dict[str, Array]:
    """Heart rate a second (NaN where none came) of each outdoor_*.csv, by name."""
    found = {}
    for file in sorted(folder.glob("outdoor_*.csv")):
        with file.open(newline="", encoding="utf-8") as lines:
            rows = [(float(row["time_s"]), float(row["bpm"] or "nan")) for row in csv.DictReader(lines)]
        bpm = np.full(int(rows[-1][0]) + 1, np.nan)
        for t_s, value in rows:
            bpm[int(t_s)] = value
        found[file.stem] = bpm
    return found


def cues_of(
    name: str, bpm: Array, ceilings: Array, changes: Mapping[str, Any] | None = None
) -> NDArray[np.int64]:
    """Cues (seconds, ceilings) of a controller that hears this recording."""
    n = len(ceilings)
    crowd: Any = SimpleNamespace(n=n, who={"ceiling_bpm": ceilings})
    out = np.zeros((len(bpm), n), dtype=np.int64)
    clean = np.zeros(n, np.uint8)
    if name == "guard":
        # One strap, so what is trusted of it depends on no ceiling.
        guard = opponents.Feed([Settings(**{"ceiling_bpm": float(c), **(changes or {})}) for c in ceilings])
        trust = Trust()
        for t_s, value in enumerate(bpm):
            if value == value:
                value = trust.take(float(t_s), Reading(float(t_s), int(value))).bpm
            out[t_s] = guard.step(float(t_s), np.full(n, value), clean)
        return out
    controller = opponents.make(name, crowd, changes)
    for t_s, value in enumerate(bpm):
        now: Any = SimpleNamespace(t_s=float(t_s), bpm=np.full(n, value), fault=clean)
        out[t_s] = controller.step(now)
    return out


def judge(bpm: Array, cues: NDArray[np.int64], ceiling: float, beeps: NDArray[np.int64]) -> Foreseen:
    """What was foreseen of one recording. A missing reading stands for the one before."""
    known = np.where(np.isnan(bpm), 0, np.arange(len(bpm)))
    held = bpm[np.maximum.accumulate(known)]
    over = held > ceiling
    slow = np.isin(cues, (Cue.EASE, Cue.WALK))
    crossings = [t for t in np.flatnonzero(over[1:] & ~over[:-1]) + 1
                 if t >= SOON_S and not over[t - SOON_S:t].any()]
    said_under = np.flatnonzero(slow & ~over)
    return Foreseen(
        hours=float((~np.isnan(bpm)).sum()) / 3600.0,
        crossings=len(crossings),
        before=sum(bool(slow[t - SOON_S:t].any()) for t in crossings),
        under=len(said_under),
        came_true=sum(bool(over[t:t + SOON_S + 1].any()) for t in said_under),
        walks_under=int(((cues == Cue.WALK) & ~over).sum()),
        walks=int((cues == Cue.WALK).sum()),
        slow=int(slow.sum()),
        beeps=int((beeps > 0).sum()),
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Print it; exit code 0 where there are no recordings either."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.lab.open_loop", description=(__doc__ or "").split("\n")[0])
    add = parser.add_argument
    add("--quantile", type=float, nargs="*", default=[0.9], help="of each run's readings (.9)")
    add("--ceiling", type=float, nargs="*", default=[150.0, 160.0], help="bpm (150 160)")
    add("--controller", nargs="+", default=["guard"])
    add("--data", type=Path, metavar="FOLDER")
    add("--set", action="append", default=[], metavar="KEY=VALUE", help="a setting of the guard")
    add("--each", action="store_true", help="a line for each recording and ceiling")
    args = parser.parse_args(argv)
    folder = args.data or next((place for place in AROUND if place.is_dir()), DATA)
    runs = recordings(folder)
    if not runs:
        print(f"no outdoor_*.csv in {folder}: the recordings are not here, nothing was judged")
        return 0
    print(f"{'':40s} hours  crossed  before        cues under  came true     walks under/h  walks"
          "  of the beeps")
    for name in args.controller:
        total: Foreseen | None = None
        for label, bpm in runs.items():
            ceilings = np.array([round(float(np.nanquantile(bpm, q))) for q in args.quantile] + args.ceiling)
            cues = cues_of(name, bpm, ceilings, parse_assignments(args.set))
            beeps = cues_of("alarm", bpm, ceilings)
            for place, ceiling in enumerate(ceilings):
                one = judge(bpm, cues[:, place], float(ceiling), beeps[:, place])
                total = one if total is None else total + one
                if args.each:
                    print(line(f"{name} {label} at {ceiling:.0f}", one))
        assert total is not None
        print(line(f"{name}, all", total))
    print(f"{'asked':40s}                >= {ASKED['before']:.2f}                   >="
          f" {ASKED['came_true']:.2f}       <= {ASKED['walks_under_per_h']:.1f}                 <="
          f" {ASKED['of_alarm']:.2f}")
    return 0


def line(label: str, one: Foreseen) -> str:
    """One line of the table."""
    def share(part: int, whole: int) -> str:
        return f"{part / whole:.2f} ({part})" if whole else "-"

    return (f"{label:40s} {one.hours:5.2f}  {one.crossings:7d}  {share(one.before, one.crossings):12s}"
            f"  {one.under:10d}  {share(one.came_true, one.under):12s}  {one.walks_under / one.hours:13.2f}"
            f"  {one.walks:5d}  {share(one.slow, one.beeps):12s} of {one.beeps}")


if __name__ == "__main__":
    try:
        sys.exit(main())
    except GuardError as error:
        print(f"open loop: {error}", file=sys.stderr)
        sys.exit(error.exit_code)
