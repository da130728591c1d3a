"""Plain lines, one a happening, for an output that is no terminal (a file, a pipe, a service's log)."""

from typing import TextIO

from guard import events as ev
from guard.decide.wording import headline
from guard.errors import clean
from guard.reasons import reason
from guard.screen import words
from guard.screen.frame import Frame
from guard.screen.view import ViewOptions
from guard.units import speed

LINE_EVERY_S = 60.0  # where nothing happens


class PlainScreen:
    """Writes state changes, cues with their reason, link changes, and one line a minute."""

    def __init__(self, out: TextIO, options: ViewOptions) -> None:
        self._out, self._options = out, options
        self._shown_notes: tuple[str, ...] = ()
        self._next_s = LINE_EVERY_S
        self._battery_percent: int | None = None

    def open(self) -> None:
        for line in (self._options.title, self._options.log_name and f"log: {self._options.log_name}"):
            if line:
                self._write(line)

    def event(self, item: ev.Input | ev.Output) -> None:
        line = self._line(item)
        if line:
            self._write(f"{words.clock(item.t_s):>8}  {line}")

    def frame(self, frame: Frame) -> None:
        snapshot = frame.snapshot
        for note in frame.notes:
            if note not in self._shown_notes:
                self._write(f"{words.clock(snapshot.t_s):>8}  note: {note}")
        self._shown_notes = frame.notes
        if snapshot.t_s >= self._next_s and snapshot.state is not ev.State.DONE:
            self._next_s = (snapshot.t_s // LINE_EVERY_S + 1) * LINE_EVERY_S
            facts = (words.state(snapshot), words.room(snapshot), words.heart_rate(snapshot),
                     words.foreseen(snapshot), words.at_or_under(snapshot), *words.flags(snapshot))
            self._write(f"{words.clock(snapshot.t_s):>8}  " + "; ".join(fact for fact in facts if fact))

    def close(self) -> None:
        self._out.flush()

    def _line(self, item: ev.Input | ev.Output) -> str:
        match item:
            case ev.CueGiven():
                return f"cue: {headline(item, self._options.settings)} ({reason(item)})"
            case ev.StateChanged():
                why = reason(item)
                why = f" ({why})" if why and item.state is not ev.State.DONE else ""
                return f"state: {words.STATES[item.state].lower()}{why}"
            case ev.Link():
                detail = f" ({item.detail})" if item.detail else ""
                return f"link: {words.link_line(item.state, item.name)}{detail}"
            case ev.SoundHealth():
                return f"sound: {item.backend}"  # its detail comes as a note
            case ev.Mark():
                return f"you: mark{_value(item.value)}"
            case ev.Command(action=ev.Action.FREE_RUN):
                return f"you: pace cues {'off' if item.value else 'on'}"
            case ev.Command() if item.action is not ev.Action.QUIT:
                return f"you: {item.action.value.replace('_', ' ')}{_value(item.value)}"
            case ev.Speed(typed=True, speed_m_s=float() as speed_m_s):
                return f"you: speed {speed(speed_m_s, self._options.settings.units)}"
            case ev.Battery() if item.percent != self._battery_percent:
                self._battery_percent = item.percent
                return f"battery: {item.percent} %"
            case _:
                return ""

    def _write(self, line: str) -> None:
        text = self._options.look.text(line) if self._options.look.ascii else clean(line)
        # Keep the column of times: cleaning folds leading blanks.
        indent = len(line) - len(line.lstrip())
        self._out.write(" " * indent + text + "\n")
        self._out.flush()


def _value(value: float | str | None) -> str:
    if value is None:
        return ""
    return f" {value:g}" if isinstance(value, float) else f" {value}"
