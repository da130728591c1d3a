"""Trust on open recordings: what is believed, what is said, and what thinning a recording does.

    python -m tests.lab.trust_on_recordings [FOLDER]

FOLDER holds the open data (or the environment variable GUARD_OPEN_DATA names it; else
`../shared/data` beside the project): running transients of Zakynthinaki 2015 (CC BY),
maximal ramps with recovery (ACTES, ODC-BY), five outdoor runs (trackeR `runs`, GPL-3).
None of it is part of the project.
"""

from __future__ import annotations

import csv
import os
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from guard.csv.columns import ColumnNames
from guard.csv.read import import_csv
from guard.csv.series import beats_to_readings
from guard.events import Cue, CueGiven, Input, Reading, ReadingDoubted
from guard.log.recording import Recording
from guard.replay.replay import replay
from guard.settings import Settings
from guard.signal.trust import Trust

THINNED_S = (2, 4, 5, 7, 10)
CEILING_BPM = {1: 150.0, 2: 160.0, 3: 160.0, 4: 160.0, 5: 150.0}  # ours, near each run's mean
LEAP_BPM, AROUND_S = 4, 10  # a second within 10 s of two steps of 4 bpm or more is a leaping one


@dataclass(frozen=True)
class Judgement:
    """Seconds that readings covered (5 s at most each), those of readings that said 0 (no pulse
    signal, as the recording has it), and those of others not believed."""

    covered_s: float
    silent_s: float
    untrusted_s: float


def folder(given: str | None = None) -> Path | None:
    """Where the open data is; None where it is not."""
    beside = Path(__file__).resolve().parents[2].parent / "shared" / "data"
    for place in (given, os.environ.get("GUARD_OPEN_DATA"), beside):
        if place and (Path(place) / "outdoor_1.csv").exists():
            return Path(place)
    return None


def judged(readings: Sequence[Reading]) -> tuple[Judgement, list[bool]]:
    """What one strap's `Trust` made of the readings, and whether it believed each."""
    trust = Trust(readings[0].t_s)
    believed = [(judged := trust.take(one.t_s, one)).bpm == judged.bpm for one in readings]
    covers = [min(after.t_s - before.t_s, 5.0) for before, after in pairwise(readings)]
    lost = [(span, one.bpm) for span, one, true in zip(covers, readings[1:], believed[1:], strict=True)
            if not true]
    silent_s = sum(span for span, bpm in lost if not bpm)
    return Judgement(sum(covers), silent_s, sum(span for span, bpm in lost if bpm)), believed


def transients(where: Path, *names: str, rr: bool) -> list[Reading]:
    """Beat-by-beat files one after the other as a strap sends them; zeros only pad their ends."""
    beats: list[tuple[float, float]] = []
    for name in names:
        begin_s = beats[-1][0] + 1.0 if beats else 0.0
        text = (where / f"Exercise_{name}.txt").read_text()
        rows = [line.split() for line in text.splitlines() if line.strip()]
        beats += sorted((begin_s + float(at), float(bpm)) for at, bpm in rows if float(bpm) > 0.0)
    readings = []
    for second in range(1, int(beats[-1][0]) + 1):
        newest = [bpm for at_s, bpm in beats if second - 3.0 < at_s <= second]
        fresh = tuple(60.0 / bpm for at_s, bpm in beats if second - 1.0 < at_s <= second) if rr else ()
        if newest:
            readings.append(Reading(float(second), round(sum(newest) / len(newest)), None, fresh))
    return readings


def ramps(where: Path, *, rr: bool) -> list[list[Reading]]:
    """The ramps as a strap sends them, a reading a second, with or without the beats."""
    rows: dict[str, list[tuple[float, float]]] = {}
    with (where / "actes_test_measure.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            rows.setdefault(row["ID"], []).append((float(row["time"]), float(row["RR"] or "nan") / 1000.0))
    found = []
    for beats in rows.values():
        t_s, rr_s = (np.array(column) for column in zip(*beats, strict=True))
        readings = beats_to_readings(t_s - t_s[0], rr_s)
        found.append([one if rr else Reading(one.t_s, one.bpm) for one in readings])
    return found


def outdoor(where: Path, number: int, every: int = 1) -> Recording:
    """An outdoor run as `guard import` takes it, every so many-th row of it."""
    rows = (where / f"outdoor_{number}.csv").read_text().splitlines()
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "run.csv"
        path.write_text("\n".join([rows[0], *rows[1::every]]) + "\n")
        made = import_csv(path, ColumnNames("time_s", "bpm", speed="speed_m_s"))
    return Recording(made.header, made.items, end_s=made.items[-1].t_s)


def readings_of(items: Iterable[Input]) -> list[Reading]:
    return [one for one in items if isinstance(one, Reading)]


def leaping(readings: Sequence[Reading]) -> list[bool]:
    """Which readings lie where the signal leaps to and fro, told from what comes after too."""
    steps = [after.t_s for before, after in pairwise(readings)
             if abs(after.bpm - before.bpm) >= LEAP_BPM and after.t_s - before.t_s < 2.0]
    return [sum(abs(one.t_s - at_s) <= AROUND_S for at_s in steps) >= 2 for one in readings]


def table(where: Path) -> str:
    """Everything as one table."""
    lines = [f"{'recording':<34}{'s':>8}{'no pulse s':>12}{'untrusted s':>13}"]
    rows = [(f"Exercise {one} then {two}, {'RR' if rr else 'no RR'}", [transients(where, one, two, rr=rr)])
            for one, two in ("AB", "CD") for rr in (False, True)]
    rows += [
        ("18 ramps with recovery, no RR", ramps(where, rr=False)),
        ("18 ramps with recovery, RR", ramps(where, rr=True))]
    for name, several in rows:
        found = [judged(one)[0] for one in several]
        lines.append(f"{name:<34}{sum(one.covered_s for one in found):>8.0f}"
                     f"{sum(one.silent_s for one in found):>12.0f}"
                     f"{sum(one.untrusted_s for one in found):>13.0f}")
    counts = Counter[str]()
    for number in CEILING_BPM:
        readings = [one for one in readings_of(outdoor(where, number).inputs) if one.bpm]
        for wild, true in zip(leaping(readings), judged(readings)[1], strict=True):
            counts[f"{'leaping' if wild else 'clean'}{' believed' if true else ''}"] += 1
    lines.append(f"five outdoor runs: of {counts['leaping'] + counts['leaping believed']} leaping seconds "
                 f"{counts['leaping believed']} believed, "
                 f"of {counts['clean'] + counts['clean believed']} clean ones {counts['clean']} not")
    lines += ["", f"{'run, ceiling':<24}{'believed':>9}{'over s':>8}{'no signal s':>12}  cues"]
    for number, ceiling in CEILING_BPM.items():
        lines.append(played(f"outdoor {number}, {ceiling:.0f}", outdoor(where, number), ceiling))
    for every in (1, *THINNED_S):
        lines.append(played(f"outdoor 4 every {every} s", outdoor(where, 4, every), CEILING_BPM[4]))
    return "\n".join(lines)


def played(name: str, recording: Recording, ceiling_bpm: float) -> str:
    """A row of what the guard says to a recording."""
    result = replay(recording, Settings(ceiling_bpm=ceiling_bpm, stop_bpm=185.0))
    doubted = {one.t_s for one in result.outputs if isinstance(one, ReadingDoubted)}
    sent = [one for one in readings_of(recording.inputs) if one.bpm]
    share = sum(one.t_s not in doubted for one in sent) / len(sent)
    cues = Counter(one.cue for one in result.outputs if isinstance(one, CueGiven))
    said = ", ".join(f"{Cue(cue).key} {count}" for cue, count in sorted(cues.items()))
    summary = result.summary
    return f"{name:<24}{share:>9.3f}{summary['over_s']:>8.0f}{summary['no_signal_s']:>12.0f}  {said}"


if __name__ == "__main__":
    data = folder(sys.argv[1] if len(sys.argv) > 1 else None)
    if data is None:
        sys.exit("no open data: give its folder, or set GUARD_OPEN_DATA")
    print(table(data))
