"""What a page shows, as JSON: the words of the terminal, and where marks stand. Pure.

Every word is made here, so that the page holds none of its own about the run:
its script puts texts where they belong and draws one line.
"""

import re
from typing import TypedDict

from guard.decide.wording import headline
from guard.errors import clean
from guard.events import CueGiven, LinkState, Snapshot, State
from guard.screen import gauge, words
from guard.screen.figure import TO_GO, Figure, beside, figure
from guard.screen.frame import Frame
from guard.settings import Settings

LINE_S = 600.0  # how much of the run is drawn
NOTES_SHOWN = 3  # as many as a phone has room for (ours)
_FOLDERS = re.compile(r"(?<![\w:/])/(?:[^\s/:]+/)+")


class Gauge(TypedDict):
    """Where its marks stand, from left (0) to right (1); None where there is none."""

    wall: float | None
    now: float | None
    ahead: float | None


class Picture(TypedDict):
    """What a page is sent of a frame: texts by the name of their place, and what is drawn.

    `ceiling_bpm` is the session's own, `ceiling_now_bpm` the one in force; `outline` draws the last cue.
    """

    texts: dict[str, str]
    over: bool
    gauge: Gauge
    outline: str
    ceiling_now_bpm: float
    ceiling_bpm: int | None
    t_s: float
    held: bool
    muted: bool


def picture(frame: Frame, settings: Settings, title: str = "", tag: str = "") -> Picture:
    """A frame for the page."""
    snapshot = frame.snapshot
    shown = figure(snapshot, settings, frame.choice)
    given = words.recent_cue(snapshot)
    texts = {
        "title": title or "guard",
        "flags": " ".join([*words.flags(snapshot), *([tag] if tag else [])]),
        "figure": shown.number,
        "word": shown.word,
        "name": shown.name,
        "detail": "speed to set" if shown.detail == f"{shown.name.lower()} to set" else shown.detail,
        "state": words.state(snapshot),
        "heart": _joined(*beside(snapshot, shown)),
        "ahead": _ahead(snapshot, shown),
        "cue": headline(given, settings) if given else words.old_cue(snapshot),
        "why": words.why(given) if given else "",
        "cue_age": _joined(words.cue_age(snapshot, given), f"cue {snapshot.cue_count}") if given else "",
        "signal": _signal(snapshot),
        "times": _joined(*words.times(snapshot)),
        "part": _joined(words.speed(snapshot, settings), words.part(snapshot)),
        "link": _joined(words.link_line(snapshot.link_state, ""), words.battery(snapshot),
                        words.sound(snapshot)),
        "notes": "\n".join(f"note: {note}" for note in _notes(frame)[:NOTES_SHOWN]),
        "prompt": frame.prompt,
    }
    return {
        "texts": {name: "\n".join(clean(line) for line in text.split("\n")) for name, text in texts.items()},
        "over": shown.over,
        "gauge": _gauge(snapshot),
        "outline": given.cue.about.outline if given else "",
        "ceiling_now_bpm": round(snapshot.ceiling_bpm, 1),
        "t_s": round(snapshot.t_s, 2),
        "held": snapshot.state is State.HELD,
        "muted": snapshot.muted,
        "ceiling_bpm": None if frame.ceiling_bpm is None else round(frame.ceiling_bpm),
    }


def ended(snapshot: Snapshot | None) -> dict[str, list[list[str]]]:
    """What is left on the page when the session has ended: its last snapshot in a few lines."""
    if snapshot is None:
        return {"rows": []}
    return {"rows": [
        ["duration", words.clock(snapshot.t_s)],
        ["at or under the ceiling", words.at_or_under(snapshot).removeprefix("at or under ")],
        ["over the ceiling", words.clock(snapshot.over_s)],
        ["no signal", words.clock(snapshot.no_signal_s)],
        ["cues", str(snapshot.cue_count)],
    ]}


def cue_on_line(given: CueGiven) -> dict[str, float | str]:
    """A cue as a mark on the drawn line."""
    return {"t": round(given.t_s, 1), "outline": given.cue.about.outline}


def _ahead(snapshot: Snapshot, shown: Figure) -> str:
    """What is foreseen; for a walker how far it is until running again, where the figure does not say it."""
    if _walks_back(snapshot):
        return "" if shown.name == TO_GO else words.until_running(snapshot)
    nothing = "no cue comes until you go on" if snapshot.state is State.HELD else "nothing foreseen yet"
    return _joined(words.foreseen(snapshot), words.likelihood(snapshot)) or nothing


def _walks_back(snapshot: Snapshot) -> bool:
    known = snapshot.resume_bpm is not None and snapshot.level_bpm is not None
    return snapshot.state is State.WALKING and known and not words.is_left(snapshot)


def _signal(snapshot: Snapshot) -> str:
    """How much the signal can be trusted, in words."""
    age_s = snapshot.reading_age_s
    if age_s is None:
        return "no trusted reading yet"
    if snapshot.state is State.NO_SIGNAL:
        return f"no trusted reading for {words.clock(age_s)}"
    contact = {True: "skin contact", False: "no skin contact", None: ""}[snapshot.contact]
    return _joined(f"trusted reading {age_s:.0f} s ago", contact)


def _gauge(snapshot: Snapshot) -> Gauge:
    """Room to the ceiling; for a walker the beats still to fall, to running again at the left end."""
    level, resume_bpm = snapshot.level_bpm, snapshot.resume_bpm
    if words.is_left(snapshot):
        return {"wall": None, "now": None, "ahead": None}
    if snapshot.state is State.WALKING and level is not None and resume_bpm is not None:
        to_go = min(max((level - resume_bpm) / gauge.WAY_BACK_BPM, 0.0), 1.0)
        return {"wall": None, "now": round(to_go, 4), "ahead": 0.0}
    foreseen_bpm = snapshot.foreseen_bpm if words.foreseen(snapshot) else None
    ahead_bpm = None if foreseen_bpm is None else snapshot.ceiling_bpm - foreseen_bpm
    return {"wall": _share(0.0), "now": _share(snapshot.room_bpm), "ahead": _share(ahead_bpm)}


def _share(room_bpm: float | None) -> float | None:
    if room_bpm is None:
        return None
    share = (gauge.SCALE_UNDER_BPM - room_bpm) / (gauge.SCALE_UNDER_BPM + gauge.OVER_BPM)
    return round(min(max(share, 0.0), 1.0), 4)


def _notes(frame: Frame) -> list[str]:
    snapshot = frame.snapshot
    fix = snapshot.link_detail if snapshot.link_state is not LinkState.CONNECTED else ""
    if not fix and snapshot.state is State.NO_SIGNAL:
        fix = snapshot.link_detail or words.NO_READINGS
    return [_nameless(note, snapshot.link_name) for note in (fix, *reversed(frame.notes)) if note]


def _nameless(note: str, sensor: str) -> str:
    """A note without the name of a device or a folder, which may be that of a person."""
    return _FOLDERS.sub("", note.replace(sensor, "the sensor") if sensor else note)


def _joined(*facts: str) -> str:
    return " · ".join(fact for fact in facts if fact)

