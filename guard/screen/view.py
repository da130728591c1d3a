"""The live screen as a pure function of a snapshot, a size and what the terminal can show.

It leads with one figure and what it is, large enough to read at three metres
where the size allows, then a gauge and a trace against the
ceiling, then the facts as short texts. Every line is cut to the width, and
there are never more lines than rows.
"""

from dataclasses import dataclass, field

from rich.cells import cell_len
from rich.console import Group
from rich.text import Text

from guard.decide.wording import headline, speed_to_set
from guard.events import CueGiven, LinkState, Snapshot, State
from guard.reasons import reason
from guard.screen import gauge, large, trace, words
from guard.screen.figure import TO_GO, Choice, asked_speed, beside, figure
from guard.screen.look import Look
from guard.settings import Settings

_SMALL_ROWS, _SMALL_WIDTH = 20, 60  # on a smaller screen what matters most goes in first
_BIG_ROWS = 7  # fewer have no room for a large figure
_STATE_ROWS = 9  # fewer have none for the state under it
# (key, what it does, the same in a word or two where there is little room)
KEYS: tuple[tuple[str, str, str], ...] = (
    ("space", "pause, and go on", "pause"),
    ("v", "what stands large: room, heart rate, or on a belt the speed to set", "large"),
    ("[  ]", "the ceiling down or up by 1", "ceiling"),
    ("s", "sound off for 15 minutes, or on", "sound"),
    ("m", "mark this moment", "mark"),
    ("8.5 Enter", "the belt's speed; 7:05 Enter as a pace, 2 % as a grade", "speed"),
    ("+  -", "the belt's speed up or down a step", "step"),
    ("n", "next part of the plan", "next"),
    ("f", "pace cues off (only stop and sensor cues), or on", "pace cues"),
    ("i", "what is asked and where you are, spoken and shown (also ? again)", "status"),
    ("q", "end, after asking", "end"),
)
# what is shown under a session, at several lengths; the longest that fits is taken
HINTS = (
    "space pause   v large figure   [ ] ceiling   s sound   m mark   8.5 Enter speed   n next part   "
    "? every key   q end",
    "space pause   v figure   [ ] ceiling   s sound   m mark   ? every key   q end",
    "space pause  v figure  ? keys  q end",
    "space pause  ? keys  q end",
    "? keys  q end",
)


@dataclass(frozen=True, slots=True)
class ViewOptions:
    """What a view needs beside the snapshot.

    `choice` is what the runner wants large, `help` whether he asked for the keys.
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
    choice: Choice = Choice.ROOM
    help: bool = False


def view(snapshot: Snapshot, width: int, height: int, options: ViewOptions) -> Group:
    """A rich renderable of at most `height` lines of at most `width` cells."""
    page = _Page(snapshot, max(1, width), max(1, height), options)
    small = height < _SMALL_ROWS or width < _SMALL_WIDTH
    lines = page.keys_page() if options.help else page.small() if small else page.large()
    return Group(*lines[:height])


class _Page:
    def __init__(self, snapshot: Snapshot, width: int, height: int, options: ViewOptions) -> None:
        self.snapshot, self.width, self.height, self.options = snapshot, width, height, options
        self.look = options.look
        self.shown = figure(snapshot, options.settings, options.choice)

    # -- layouts

    def small(self) -> list[Text]:
        """What matters most goes in first; the rest as far as there is room, the trace in what is left."""
        snapshot, options = self.snapshot, self.options
        speed = words.speed_alone(snapshot, options.settings)
        given = words.recent_cue(snapshot)
        figure = self.big(1) if self.height >= _BIG_ROWS else []
        state = self.spread(words.state(snapshot), self.flags(), "lead")
        now = self.line(words.heart_rate(snapshot), words.foreseen(snapshot))
        facts: list[tuple[float, list[Text]]] = [
            # (where it stands, lines), the most needed first
            (2, figure or [self.text(self.figure_in_words(), "lead")]),
            (8, self.keys() if options.prompt else self.notes(1) or self.keys_and_flags(bool(figure))),
            (4, [self.cue_line(given) if given else now] if figure else [state]),
            (6, [self.line(*self.fitting(speed, words.heart_rate(snapshot) if given else "",
                                         f"at {words.elapsed(snapshot)}", words.part(snapshot)))]),
            (1, [state] if figure else []),
            (3, [] if words.is_left(snapshot) else [self.gauge_bar()]),
            (5, [self.text(self.clauses(reason(given)), "") if given else self.cue_line(given)]),
            (7, [self.link_line(words.battery(snapshot), words.sound(snapshot))]),
        ]
        kept, left = [], self.height
        for place, lines in facts:
            if lines and len(lines) <= left:
                kept.append((place, lines))
                left -= len(lines)
        if left >= 2:
            kept.append((5.5, self.trace(left)))
        return [line for _, lines in sorted(kept, key=lambda item: item[0]) for line in lines]

    def large(self) -> list[Text]:
        snapshot, options, settings = self.snapshot, self.options, self.options.settings
        given = words.recent_cue(snapshot)
        gap = [self.text("", "")] if self.height >= 32 else []
        head = [
            self.spread(options.title or "guard", options.clock_text, "quiet"),
            self.spread(words.state(snapshot), self.flags(), "lead"),
            *gap, *(self.big(max(1, self.height // 20)) or [self.text(self.figure_in_words(), "lead")]), *gap,
            self.line(*beside(snapshot, self.shown), style="lead"),
            *self.ahead(),
            *gap,
            self.cue_line(given),
            *([self.text(self.clauses(words.why(given)), "")] if given else []),
            *gap,
        ]
        foot = [
            *gap,
            self.line(*words.times(snapshot)),
            *([self.line(*known)] if any(known := (words.speed(snapshot, settings), words.part(snapshot)))
              else []),
            self.link_line(words.battery(snapshot), words.sound(snapshot),
                           f"log {options.log_name.removesuffix('.jsonl')}" if options.log_name else ""),
            *self.notes(3),
            *self.keys(),
        ]
        caption = self.text("the last five minutes, against the ceiling", "quiet")
        left = self.height - len(head) - len(foot)
        if left >= 6:
            return [*head, caption, *self.trace(left - 1), *foot]
        return head + (self.trace(left) if left >= 2 else []) + foot

    def keys_page(self) -> list[Text]:
        """Every key, under a line of where the runner is."""
        head = [self.spread(words.state(self.snapshot), self.flags(), "lead"),
                self.text(self.figure_in_words(), "lead")]
        rows = self.height - len(head)
        gap = [self.text("", "")] if rows > len(KEYS) + 2 else []
        keys = help_lines(self.width, rows - 2 * len(gap))
        return [*head, *gap, *(Text(line[:self.width], no_wrap=True) for line in keys), *gap,
                self.text("any key goes back", "quiet")]

    # -- pieces

    def big(self, scale: int) -> list[Text]:
        """The large figure, as large as fits."""
        return large.lines(self.shown, self.width, scale, self.look)

    def figure_in_words(self) -> str:
        return f"{self.shown.word} {self.shown.number} {self.shown.detail}".strip()

    def ahead(self) -> list[Text]:
        """What is foreseen, and the gauge; for a walker how far it is until running again."""
        snapshot = self.snapshot
        if words.is_left(snapshot):
            return [self.line(words.foreseen(snapshot), empty="nothing foreseen yet")]
        bars = [self.gauge_bar() for _ in range(max(1, self.height // 16))]
        if snapshot.state is State.WALKING and snapshot.resume_bpm is not None:
            said = [] if self.shown.name == TO_GO else [self.text(words.until_running(snapshot), "lead")]
            return [*said, *bars,
                    gauge.way_back_scale(snapshot.resume_bpm, self.width, self.look)]
        empty = "no cue comes until you go on" if snapshot.state is State.HELD else "nothing foreseen yet"
        return [self.line(words.foreseen(snapshot), words.likelihood(snapshot), empty=empty),
                *bars, gauge.scale(snapshot.ceiling_bpm, self.width, self.look,
                                   "limit" if words.is_ramped(snapshot) else "ceiling")]

    def cue_line(self, given: CueGiven | None) -> Text:
        """The newest cue; once it is history only that there was one."""
        snapshot = self.snapshot
        if given is None:
            return self.text(words.old_cue(snapshot), "quiet")
        settings = self.options.settings
        said, speed = headline(given, settings), ""
        if speed_to_set(given, settings) is not None:
            # The speed stands by itself, so that it is never what is cut off; on old data it is none.
            said, _, speed = said.rpartition(", ")
            speed = speed if asked_speed(snapshot, settings) is not None else ""
        whole = (said, speed, words.cue_age(snapshot, given))
        # What is asked for is read whole before how long ago that was.
        return self.line(*(whole if whole == self.fitting(*whole) else whole[:2]), style="lead",
                         first_yields=True)

    def gauge_bar(self) -> Text:
        snapshot = self.snapshot
        level, resume_bpm = snapshot.level_bpm, snapshot.resume_bpm
        if snapshot.state is State.WALKING and level is not None and resume_bpm is not None:
            return gauge.way_back(level - resume_bpm, self.width, self.look)
        foreseen_bpm = snapshot.foreseen_bpm if words.foreseen(snapshot) else None
        ahead = None if foreseen_bpm is None else snapshot.ceiling_bpm - foreseen_bpm
        return gauge.bar(snapshot.room_bpm, ahead, self.width, self.look)

    def trace(self, rows: int) -> list[Text]:
        snapshot = self.snapshot
        heights = trace.columns(snapshot.trace, snapshot.ceiling_trace, snapshot.t_s, self.width)
        return trace.picture(heights, rows, self.look)

    def flags(self) -> str:
        return " ".join([*words.flags(self.snapshot), *([self.options.tag] if self.options.tag else [])])

    def notes(self, most: int) -> list[Text]:
        snapshot = self.snapshot
        fix = [snapshot.link_detail] if snapshot.link_state is not LinkState.CONNECTED else []
        if not fix and snapshot.state is State.NO_SIGNAL:
            fix = [snapshot.link_detail or words.NO_READINGS]
        notes = [*fix, *reversed(self.options.notes)]
        return [self.text(f"note: {note}", "lead") for note in notes[:most] if note]

    def keys(self) -> list[Text]:
        if self.options.prompt:
            return [self.text(self.options.prompt, "flag")]
        if not self.options.show_keys:
            return []
        hint = next((hint for hint in HINTS if len(hint) <= self.width), HINTS[-1])
        return [Text(hint[:self.width], self.look.style("quiet"), no_wrap=True)]

    def keys_and_flags(self, with_figure: bool) -> list[Text]:
        """The keys, beside what is switched off where the line of the state has no room."""
        off = " ".join(words.flags(self.snapshot))
        if not (off and with_figure and self.height < _STATE_ROWS):
            return self.keys()
        return [self.spread(HINTS[-1] if self.options.show_keys else "", off, "quiet")]

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

    def link_line(self, *facts: str) -> Text:
        """The link, with the sensor's name where that stands whole, then other facts."""
        named = (words.link_line(self.snapshot.link_state, self.snapshot.link_name), *filter(None, facts))
        whole = self.fitting(*map(self.look.text, named)) == tuple(map(self.look.text, named))
        shown = named if whole else (words.LINKS[self.snapshot.link_state], *facts)
        return self.line(*shown, first_yields=True)

    def clauses(self, sentence: str) -> str:
        """As many of its clauses as stand whole; the first in any case."""
        while cell_len(self.look.text(sentence)) > self.width and "; " in sentence:
            sentence = sentence.rpartition("; ")[0]
        return sentence

    def fitting(self, *facts: str) -> tuple[str, ...]:
        """The facts that stand whole side by side, from the first on; the first in any case."""
        for count in range(len(facts), 1, -1):
            known = [fact for fact in facts[:count] if fact]
            if sum(map(cell_len, known)) + 3 * (len(known) - 1) <= self.width:
                return facts[:count]
        return facts[:1]

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


def help_lines(width: int, height: int) -> list[str]:
    """The keys for a page of that size: in full where there is room, else close together in a word or two."""
    cap = max(len(key) for key, *_ in KEYS) + 2
    full = [f"{key:<{cap}}{does}" for key, does, _ in KEYS]
    if len(full) <= height and max(map(len, full)) <= width:
        return full
    short = [f"{key:<{cap}}{does}" for key, _, does in KEYS]
    if len(short) <= height and cap + 12 <= width < 2 * (cap + 12):
        return short
    lines = [""]
    for item in (f"{key.replace('  ', ' ')} {does}" for key, _, does in KEYS):
        joined = f"{lines[-1]}   {item}".strip()
        if len(joined) <= width:
            lines[-1] = joined
        else:
            lines.append(item)
    return lines
