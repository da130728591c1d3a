"""Draws what is held likely of a runner through a hill: `python recordings/belief.py [FILE.svg]`.

The readings of a recording, the level and the target believed in at each of them, what was foreseen
half a minute before, and the cues. Run it again after a change of the decision.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

from guard.cues import Cue
from guard.decide.figures import FIGURES
from guard.decide.lane import Lane
from guard.events import Reading
from guard.log.log import read_log

HERE = Path(__file__).resolve().parent
RECORDING, FROM_S, TO_S = "hill-loop", 200, 620
LOW_BPM, HIGH_BPM = 112, 160
WIDTH, HEIGHT, LEFT, FOOT = 900, 380, 46, 30
CUES = {Cue.EASE: "ease", Cue.WALK: "walk", Cue.RESUME: "run again"}
STYLE = """\
text { font: 13px system-ui, sans-serif; fill: #222; } .paper { fill: #fff; } .axis { stroke: #bbb; }
.ceiling { stroke: #222; stroke-width: 1.5; } .cue { stroke: #222; stroke-dasharray: 2 3; }
polyline { fill: none; } .target { stroke: #d55e00; } .likely { fill: #d55e00; opacity: .15; }
.foreseen { stroke: #0072b2; stroke-dasharray: 6 4; } .level { stroke: #0072b2; stroke-width: 2.5; }
circle { fill: #999; }"""


def x(t_s: float) -> float:
    """Where `t_s` lies."""
    return LEFT + (WIDTH - LEFT - 8) * (t_s - FROM_S) / (TO_S - FROM_S)


def y(bpm: float) -> float:
    """Where `bpm` lies; what is beyond the picture at its edge."""
    share = (min(max(bpm, LOW_BPM), HIGH_BPM) - LOW_BPM) / (HIGH_BPM - LOW_BPM)
    return (HEIGHT - FOOT) - (HEIGHT - FOOT - 24) * share


def line(kind: str, points: list[tuple[float, float]]) -> str:
    """A line through points of time and heart rate."""
    inside = " ".join(f"{x(t):.1f},{y(bpm):.1f}" for t, bpm in points if FROM_S <= t <= TO_S)
    return f'<polyline class="{kind}" points="{inside}"/>'


def picture() -> str:
    """The SVG."""
    recording = read_log(HERE / f"{RECORDING}.jsonl")
    ceiling = recording.settings.ceiling_bpm
    assert ceiling is not None
    lane = Lane(recording.settings)
    belief = lane.belief
    level, target, above, below, foreseen, dots, said = [], [], [], [], [], [], []
    t_s = -math.inf
    for event in recording.inputs:
        if not isinstance(event, Reading) or event.t_s <= t_s:
            continue
        t_s = event.t_s
        cue = Cue(int(lane.step(t_s, float(event.bpm))))
        level.append((t_s, float(belief.level_bpm)))
        target.append((t_s, float(belief.target_bpm)))
        above.append((t_s, belief.target_bpm + belief.target_sd_bpm))
        below.append((t_s, belief.target_bpm - belief.target_sd_bpm))
        foreseen.append((t_s + FIGURES.ahead_s, float(belief.foreseen_bpm)))
        if FROM_S <= t_s <= TO_S:
            dots.append(f'<circle cx="{x(t_s):.1f}" cy="{y(event.bpm):.1f}" r="1.6"/>')
            if cue in CUES:
                said.append((t_s, CUES[cue]))
    inside = [(t, bpm) for t, bpm in above + below[::-1] if FROM_S <= t <= TO_S]
    band = " ".join(f"{x(t):.1f},{y(bpm):.1f}" for t, bpm in inside)
    foot = HEIGHT - FOOT - 10
    parts = [
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" xmlns="http://www.w3.org/2000/svg"><style>{STYLE}</style>',
        f'<rect class="paper" width="{WIDTH}" height="{HEIGHT}"/>',
        *(f'<line class="axis" x1="{LEFT}" x2="{WIDTH - 8}" y1="{y(bpm):.1f}" y2="{y(bpm):.1f}"/>'
          f'<text x="8" y="{y(bpm) + 4:.1f}">{bpm}</text>' for bpm in range(120, HIGH_BPM, 10)),
        *(f'<text x="{x(t) - 12:.1f}" y="{HEIGHT - 10}">{t // 60}:{t % 60:02d}</text>'
          for t in range(FROM_S + 40, TO_S, 60)),
        f'<line class="ceiling" x1="{LEFT}" x2="{WIDTH - 8}" y1="{y(ceiling):.1f}" y2="{y(ceiling):.1f}"/>',
        f'<text x="{WIDTH - 110}" y="{y(ceiling) - 5:.1f}">ceiling {ceiling:g} bpm</text>',
        f'<polygon class="likely" points="{band}"/>', line("target", target), line("foreseen", foreseen),
        *dots, line("level", level),
        *(f'<line class="cue" x1="{x(t):.1f}" x2="{x(t):.1f}" y1="22" y2="{HEIGHT - FOOT}"/>'
          f'<text x="{x(t) + 3:.1f}" y="{16 if place % 2 else 32}">{words}</text>'
          for place, (t, words) in enumerate(said)),
        *(f'<line class="{kind}" x1="{at}" x2="{at + 30}" y1="{foot}" y2="{foot}"/>'
          f'<text x="{at + 36}" y="{foot + 4}">{words}</text>' for at, kind, words in (
              (60, "level", "level"), (150, "target", "target, with its SD"),
              (330, "foreseen", "foreseen 30 s before"))),
        f'<text x="510" y="{foot + 4}">dots: readings (invented)</text></svg>']
    return "\n".join(parts) + "\n"


if __name__ == "__main__":
    file = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "pictures" / "belief.svg"
    file.write_text(picture(), encoding="utf-8")
    print(file)
