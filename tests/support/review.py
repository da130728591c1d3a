"""Traces, beats and logs for the tests of the review; all invented."""

from __future__ import annotations

import math
import random
from pathlib import Path

import numpy as np

from guard import events as ev
from guard.log.log import session_header, write_recording
from guard.plan.plan import Plan
from guard.review.trace import Trace
from guard.session import Session
from guard.settings import Settings
from tests.support.keep import STARTED

HOSTILE = ("strap <img src=x onerror=alert(1)></title><script>alert(2)</script>"
           "\x1b]0;gone\x07 & \"quoted\" 'so'")
DATA = Path(__file__).resolve().parent.parent / "data"


def trace(level, *, ceiling=140.0, speed=None, grade=None, held=None, part=None, dt_s=1.0) -> Trace:
    """A trace with one step every `dt_s`, from 0 on; a number stands for every step."""
    level = np.asarray(level, dtype=np.float64)
    n = len(level)

    def filled(values, unknown=np.nan):
        return np.full(n, unknown) if values is None else np.broadcast_to(np.float64(values), n).copy()

    return Trace(
        np.arange(n) * dt_s, np.full(n, dt_s), level, filled(ceiling), filled(ceiling),
        filled(speed), filled(grade),
        np.zeros(n, np.int64) if part is None else np.asarray(part, np.int64),
        np.zeros(n, bool) if held is None else np.asarray(held, bool), np.ones(n, bool), np.zeros(n, bool),
        np.zeros(n, bool),
        tuple(("base", f"part {number}") for number in range(1, 9)))


def invented_beats() -> list[float]:
    """608 intervals in s of an invented run: two rhythms and noise; every 37th beat is something else."""
    chance = random.Random(11)
    beats: list[float] = []
    for n in range(600):
        rr = 0.46 + 0.05 * math.sin(n / 90) + 0.012 * math.sin(n / 2.4) + 0.01 * (chance.random() - 0.5)
        kind = n // 37 % 4 if n % 37 == 20 else None
        if kind == 0:  # a beat too early, and the pause after it
            beats += [rr * 0.72, rr * 1.28]
        elif kind == 1:  # two beats taken for one
            beats.append(2 * rr)
        elif kind == 2:  # one beat taken for two
            beats += [rr * 0.4, rr * 0.6]
        elif kind == 3:  # a beat that is only late
            beats.append(rr * 1.3)
        else:
            beats.append(rr)
    return [round(rr, 3) for rr in beats]


def published_beats_ms() -> list[float]:
    """The sample series shipped beside the tests, ms."""
    lines = (DATA / "rr_short.txt").read_text(encoding="utf-8").splitlines()
    return [float(word) for line in lines if not line.startswith("#") for word in line.split()]


def log_of_a_run(
    path: Path, seconds: int, settings: Settings, plan: Plan | None = None, *,
    speed: bool = True, said: bool = True, name: str = "Invented strap", base_bpm: float = 134.0,
) -> Path:
    """A log as a session writes it: slow waves about `base_bpm`, a mark, a pause, a gap in the signal."""
    chance, session, level = random.Random(3), Session(settings, plan), 80.0
    items: list[ev.Input | ev.Output] = []

    def put(event: ev.Input) -> None:
        event = session.admit(event)
        outputs = session.feed(event) if said else []
        items.extend(item for item in outputs if item.t_s < event.t_s)
        items.append(event)
        items.extend(item for item in outputs if item.t_s >= event.t_s)

    put(ev.Link(0.0, ev.LinkState.CONNECTED, name))
    for second in range(1, seconds):
        t_s = float(second)
        level += (base_bpm + 10 * math.sin(second / 200) - level) / 45
        if second == 350:
            put(ev.Mark(t_s, "gate <b>7</b>"))
        if second in (500, 570):
            put(ev.Command(t_s, ev.Action.PAUSE if second == 500 else ev.Action.CONTINUE))
        if speed:
            put(ev.Speed(t_s, 2.6, round(0.04 * math.sin(second / 200), 3) if second > 700 else 0.0))
        if not 620 <= second < 640:
            beat = round(60 / level + chance.uniform(-0.005, 0.005), 4)
            put(ev.Reading(t_s, round(level + chance.gauss(0, 1)), True, (beat,) * (2 if second % 4 else 3)))
    put(ev.Command(float(seconds), ev.Action.QUIT, "quit"))
    header = session_header(settings, started=STARTED, clock_trusted=True,
                            plan=plan.as_dict() if plan else None, source={"kind": "strap", "name": name})
    write_recording(path, header, items, summary=session.summary() if said else None, force=True)
    return path
