"""Years of invented sessions, made quickly."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from pathlib import Path

from guard import events as ev
from guard.log.log import session_header
from guard.log.records import to_line, to_record
from guard.settings import Settings

FIRST_DAY = datetime(2016, 1, 4, 6, 10, tzinfo=UTC)


def years_of_sessions(folder: Path, count: int, *, minutes: float = 64.0, seed: int = 1) -> int:
    """Writes `count` invented logs, four days of seven, a reading a second; returns the readings.

    The readings of all sessions of a length are the same bytes, so that ten
    years take seconds to make; headers, ends and dates differ.
    """
    folder.mkdir(parents=True, exist_ok=True)
    chance = random.Random(seed)
    lines = [to_line(to_record(ev.Reading(float(t_s), 120 + round(12 * chance.random()), True, (0.47,))))
             for t_s in range(1, round(minutes * 90))]
    total = 0
    for number in range(count):
        seconds = round(minutes * 60 * chance.uniform(0.6, 1.4))
        day = FIRST_DAY + timedelta(days=number * 7 // 5, minutes=chance.randrange(600))
        settings = Settings(ceiling_bpm=float(135 + number * 10 // max(count, 1)))
        header = session_header(settings, started=day, clock_trusted=True,
                                source={"kind": "strap", "name": "Invented strap"},
                                plan={"name": "hills", "parts": []} if number % 9 == 0 else None)
        over_s = round(seconds * chance.uniform(0.0, 0.3))
        summary = {"duration_s": float(seconds), "at_or_under_s": float(seconds - over_s),
                   "over_s": float(over_s), "over_bpm_min": over_s / 30,
                   "no_signal_s": 0.0, "held_s": 0.0, "unguarded_s": 0.0,
                   "cues": {"ease": number % 7, "walk": number % 3}, "cues_per_h": 8.0}
        mark = to_line({"t": 0.5, "type": "mark", "value": f"bridge {number}"})
        middle = [mark] if number % 11 == 0 else []
        middle += [to_line({"t": 0.7, "type": "speed", "speed_m_s": 2.5})] if number % 2 == 0 else []
        path = folder / f"{day:%Y-%m-%d_%H%M}.jsonl"
        with path.open("wb") as file:
            file.writelines([to_line(header), *middle, *lines[:seconds - 1],
                             to_line({"t": float(seconds), "type": "end", "summary": summary})])
        path.chmod(0o600)
        total += seconds - 1
    return total
