"""One runner's hour under a controller, drawn: heart rate, readings, cues, walking.

    python -m tests.lab.trace "small easer" --runner 3 --controller guard --picture OUT.png --from 0 --to 1200
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from guard.errors import GuardError
from guard.events import Cue, State
from guard.settings import parse_assignments
from tests.lab.family import SEEDS, Crowd
from tests.lab.kinds import DEVELOPMENT
from tests.lab.opponents import make

MARKS = {Cue.EASE: ("v", "#E69F00"), Cue.WALK: ("s", "#D55E00"), Cue.RESUME: ("^", "#009E73")}


def main(argv: Sequence[str] | None = None) -> int:
    """Print the cues of one runner; draw them where asked to."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.lab.trace", description=(__doc__ or "").split("\n")[0])
    add = parser.add_argument
    add("kind", help="a kind, or family/kind")
    add("--runner", type=int, default=0)
    add("--runners", type=int, default=20, help="of which --runner is one (20)")
    add("--controller", default="guard")
    add("--seed-set", choices=tuple(SEEDS), default="dev")
    add("--from", dest="begin", type=int, default=0, metavar="S")
    add("--to", type=int, default=3600, metavar="S")
    add("--set", action="append", default=[], metavar="KEY=VALUE", help="a setting of the guard")
    add("--picture", metavar="FILE")
    args = parser.parse_args(argv)
    kind = next(kind for kind in DEVELOPMENT if args.kind in (kind.name, f"{kind.family}/{kind.name}"))
    crowd = Crowd([kind], args.runners, args.seed_set)
    controller = make(args.controller, crowd, parse_assignments(args.set))
    one = args.runner
    ceiling = crowd.who["ceiling_bpm"][one]
    lanes = getattr(getattr(controller, "feed", None), "lanes", None)
    cues = np.zeros(crowd.n, np.int64)
    rows = []
    print("  t s   heart  reading  settles  jog settles  speed  cue")
    for _ in range(min(crowd.steps, args.to)):
        now = crowd.step(cues, controller.advised_m_s)
        cues = controller.step(now)
        state = -1 if lanes is None else int(lanes.state[one])
        rows.append((now.t_s, now.true_bpm[one] - ceiling, now.bpm[one] - ceiling,
                     now.settles_bpm[one] - ceiling, now.jogs_bpm[one] - ceiling, now.speed_m_s[one],
                     now.grade[one], now.walking[one], cues[one], state))
        if cues[one] and now.t_s >= args.begin:
            reason = "" if lanes is None or not hasattr(lanes, "reason") else str(lanes.reason(one))
            held = "" if state < 0 else State(state).key
            print(f"{now.t_s:5.0f}  {rows[-1][1]:+6.1f}  {rows[-1][2]:+7.0f}  {rows[-1][3]:+7.1f}"
                  f"  {rows[-1][4]:+11.1f}  {rows[-1][5]:5.2f}  {Cue(int(cues[one])).key}"
                  f"{' (walking)' if rows[-1][7] else ''}  {held}  {reason}")
    if args.picture:
        _draw(Path(args.picture), np.array(rows[args.begin:]), f"{kind.family}/{kind.name}, runner {one}")
    return 0


def _draw(path: Path, rows: NDArray[np.float64], title: str) -> None:
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    t, heart, reading, settles, jog, speed, grade, walking, cue = rows.T[:9]
    figure, (top, below) = plt.subplots(2, 1, figsize=(15, 8), sharex=True, height_ratios=(3, 1),
                                        layout="constrained")
    top.plot(t, settles, color="#999999", lw=0.8, label="where the effort settles")
    top.plot(t, jog, color="#CC79A7", lw=0.8, label="where the slowest jog settles")
    top.plot(t, reading, ".", color="#56B4E9", ms=2, label="reading")
    top.plot(t, heart, color="#0072B2", label="heart rate")
    top.axhline(0.0, color="black", lw=0.8)
    top.fill_between(t, -40, 25, where=walking > 0, color="#009E73", alpha=0.12, label="walking")
    for code, (marker, colour) in MARKS.items():
        at = cue == code
        top.plot(t[at], heart[at] + 2, marker, color=colour, ms=8, label=code.key)
    top.set(ylim=(-40, 25), ylabel="bpm over the ceiling", title=title)
    top.legend(ncols=4, fontsize=8)
    below.plot(t, speed, color="black")
    below.set(ylabel="speed m/s", xlabel="s")
    slope = below.twinx()
    slope.fill_between(t, 0, 100 * grade, color="#E69F00", alpha=0.3)
    slope.set_ylabel("grade %")
    figure.savefig(path, dpi=80)
    plt.close(figure)


if __name__ == "__main__":
    try:
        sys.exit(main())
    except GuardError as error:
        print(f"trace: {error}", file=sys.stderr)
        sys.exit(error.exit_code)
