"""The live screen as a pure function of a snapshot, a size and what the terminal can show.

It leads with the room to the ceiling and the state, large enough to read at
three metres where the size allows, then a gauge and a trace against the
ceiling, then the facts as short texts. Every line is cut to the width, and
there are never more lines than rows.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from rich.console import Group
from rich.text import Text

from guard.decide.wording import headline
from guard.events import LinkState, Snapshot, State
from guard.reasons import reason
from guard.screen import gauge, letters, trace, words
from guard.screen.look import Look
from guard.settings import Settings

# keys at three lengths; the longest that fits is shown
KEY_HINTS = (
    "space pause   m mark   s sound on/off   + - typed speed   [ ] ceiling   n next part   "
    "f free run   ? say status   q quit",
    "space hold  m mark  s mute  + - speed  [ ] ceiling  f free  ? status  q quit",
    "spc hold s mute []bpm +- f m ? q quit",
)
_SMALL_ROWS, _SMALL_WIDTH = 20, 60


@dataclass(frozen=True, slots=True)
class ViewOptions:
    """What a view needs beside the snapshot.

    `title` says what kind of session it is and `tag` the same in one capital
    word, `clock_text` the wall time; `notes` are warnings that stay in view and
    `prompt` a question that takes the place of the keys.
    """

    settings: Settings = field(default_factory=Settings)
    look: Look = field(default_factory=Look)
    title: str = ""
    tag: str = ""
    clock_text: str = ""
    log_name: str = ""
    notes: tuple[str, ...] = ()
    prompt: str = ""
    show_keys: bool = True


def view(snapshot: Snapshot, width: int, height: int, options: ViewOptions) -> Group:
    """A rich renderable of at most `height` lines of at most `width` cells."""
    page = _Page(snapshot, max(1, width), max(1, height), options)
    small = height < _SMALL_ROWS or width < _SMALL_WIDTH
    lines = page.small() if small else page.large()
    return Group(*lines[:height])


class _Page:
    def __init__(self, snapshot: Snapshot, width: int, height: int, options: ViewOptions) -> None:
        self.snapshot, self.width, self.height, self.options = snapshot, width, height, options
        self.look = options.look

    # -- layouts

    def small(self) -> list[Text]:
        snapshot, options = self.snapshot, self.options
        given = snapshot.last_cue
        foot = [
            self.line(words.clock(snapshot.t_s), words.at_or_under(snapshot)),
            self.line(words.part(snapshot) or "no plan", words.speed_alone(snapshot, options.settings),
                      words.sound(snapshot), first_yields=True),
            self.line(words.link(snapshot), words.battery(snapshot), first_yields=True),
            *((not options.prompt and self.notes(1)) or self.keys()),
        ]
        head = [
            self.spread(words.state(snapshot), self.flags(), "lead"),
            self.text(words.room(snapshot), "lead"),
            self.gauge_bar(),
            self.line(words.heart_rate(snapshot), words.foreseen(snapshot) or words.tendency(snapshot)),
            self.line(headline(given, options.settings), words.cue_age(snapshot, given), first_yields=True)
            if given else self.text("no cue yet", "quiet"),
            self.text(reason(given) if given else "", ""),
        ]
        left = self.height - len(head) - len(foot)
        return head + (self.trace(left) if left >= 2 else []) + foot

    def large(self) -> list[Text]:
        snapshot, options, settings = self.snapshot, self.options, self.options.settings
        given = snapshot.last_cue
        roomy = self.height >= 32
        gap = [self.text("", "")] if roomy else []
        head = [
            self.spread(options.title or "guard", options.clock_text, "quiet"),
            self.spread(words.state(snapshot), self.flags(), "lead"),
            *gap, *self.big(), *gap,
            self.line(words.room(snapshot), words.heart_rate(snapshot), words.tendency(snapshot),
                      style="lead"),
            self.line(words.foreseen(snapshot), words.likelihood(snapshot), empty="nothing foreseen yet"),
            *gap,
            *[self.gauge_bar() for _ in range(max(1, self.height // 16))],
            gauge.scale(snapshot.ceiling_bpm, self.width, self.look),
            *gap,
            self.line(headline(given, settings), words.cue_age(snapshot, given),
                      f"cue {snapshot.cue_count}", style="lead", first_yields=True)
            if given else self.text("no cue yet", "quiet"),
            self.text(f"why: {reason(given)}" if given else "", ""),
            *gap,
        ]
        foot = [
            *gap,
            self.line(f"elapsed {words.clock(snapshot.t_s)}", words.at_or_under(snapshot),
                      f"over {words.clock(snapshot.over_s)}",
                      f"no signal {words.clock(snapshot.no_signal_s)}"),
            self.line(words.part(snapshot) or "no plan",
                      words.speed(snapshot, settings) or "speed not known"),
            self.line(words.link(snapshot), words.battery(snapshot), words.sound(snapshot),
                      f"log {options.log_name}" if options.log_name else "", first_yields=True),
            *self.notes(3),
            *self.keys(),
        ]
        caption = self.text("the last five minutes, against the ceiling", "quiet")
        left = self.height - len(head) - len(foot)
        if left >= 6:
            return [*head, caption, *self.trace(left - 1), *foot]
        return head + (self.trace(left) if left >= 2 else []) + foot

    # -- pieces

    def big(self) -> list[Text]:
        """Room and state in large letters, as large as fits; the state gives way first."""
        snapshot = self.snapshot
        number = words.room_number(snapshot)
        state = words.big_state(snapshot)
        over = number is not None and number < 0
        room = "" if number is None else ("+" if over else "") + str(min(abs(number), 99))
        for scale in range(max(1, self.height // 20), 0, -1):
            for shown in (state, ""):
                between = 4 * scale if room and shown else 0
                needed = letters.width(room, scale) + between + letters.width(shown, scale)
                if needed <= self.width and (room or shown):
                    return self.large_lines(room, shown, scale, "over" if over else "under", " " * between)
        return [self.text(words.state(snapshot), "lead")]

    def large_lines(self, room: str, state: str, scale: int, side: str, between: str) -> list[Text]:
        look = self.look
        lines = []
        for left, right in zip(letters.rows(room, scale, look.sign(side)),
                               letters.rows(state, scale, look.sign("under")), strict=True):
            lines.append(Text.assemble((left, look.style(side)), between + right, no_wrap=True))
        return lines

    def gauge_bar(self) -> Text:
        snapshot = self.snapshot
        ahead = None if snapshot.foreseen_bpm is None else snapshot.ceiling_bpm - snapshot.foreseen_bpm
        return gauge.bar(snapshot.room_bpm, ahead, self.width, self.look)

    def trace(self, rows: int) -> list[Text]:
        snapshot = self.snapshot
        heights = trace.columns(snapshot.trace, snapshot.ceiling_trace, snapshot.t_s, self.width)
        return trace.picture(heights, rows, self.look)

    def flags(self) -> str:
        return " ".join([*words.flags(self.snapshot), *([self.options.tag] if self.options.tag else [])])

    def notes(self, most: int) -> list[Text]:
        snapshot = self.snapshot
        mend = [snapshot.link_detail] if snapshot.link_state is not LinkState.CONNECTED else []
        if not mend and snapshot.state is State.NO_SIGNAL:
            mend = [snapshot.link_detail or words.NO_READINGS]
        notes = [*mend, *reversed(self.options.notes)]
        return [self.text(f"note: {note}", "lead") for note in notes[:most] if note]

    def keys(self) -> list[Text]:
        if self.options.prompt:
            return [self.text(self.options.prompt, "flag")]
        if not self.options.show_keys:
            return []
        hint = next((hint for hint in KEY_HINTS if len(hint) <= self.width), KEY_HINTS[-1])
        return [Text(hint[:self.width], self.look.style("quiet"), no_wrap=True)]

    # -- lines

    def text(self, content: str, style: str) -> Text:
        return Text(self.look.fit(content, self.width), self.look.style(style) if style else "",
                    no_wrap=True)

    def line(self, *facts: str, style: str = "", empty: str = "", first_yields: bool = False) -> Text:
        """Facts side by side; with `first_yields` the first is shortened so that the others stay whole."""
        joint = f" {self.look.sign('dot')} "
        known = [self.look.text(fact) for fact in facts if fact] or [empty]
        if first_yields and len(known) > 1:
            rest = joint.join(known[1:])
            known[0] = self.look.fit(known[0], max(8, self.width - len(rest) - len(joint)))
        return self.text(joint.join(known), style)

    def spread(self, left: str, right: str, style: str) -> Text:
        """`left` at the left edge, `right` at the right one; `right` stays whole."""
        right = self.look.fit(right, self.width)
        gap = 2 if right else 0
        left = self.look.fit(left, max(0, self.width - len(right) - gap))
        line = Text(left, self.look.style(style), no_wrap=True)
        if right:
            line.append(" " * max(0, self.width - line.cell_len - len(right)))
            line.append(right, self.look.style("flag") if right.isupper() else "")
        return line

