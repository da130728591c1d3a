"""Draws the pictures of the README from the recordings: `python recordings/pictures.py [FOLDER]`.

The live screen as it stood in the middle of a session, and the review of it, as a terminal of
80 columns shows them. Run it again after a change of either; a test looks whether that was done.
"""

from __future__ import annotations

import io
import re
import sys
from pathlib import Path

from rich.console import Console, RenderableType
from rich.segment import Segment, Segments
from rich.terminal_theme import TerminalTheme

from guard.events import Cue, CueGiven, Snapshot, SoundHealth
from guard.log.log import read_log
from guard.log.recording import Recording
from guard.replay.replay import plan_of
from guard.review.review import review
from guard.review.terminal import view as review_view
from guard.screen.look import Look
from guard.screen.view import ViewOptions
from guard.screen.view import view as live_view
from guard.session import Session

HERE = Path(__file__).resolve().parent
RECORDING = "hill-loop"
WIDTH, HEIGHT = 80, 24
EDGE = 12
MOST_LINES = 34  # of the review: its picture and figures, not every cue
SHOWN_AFTER_CUE_S = 2.0  # while it is still under the ceiling, beside what the cue rests on

# Grey levels and the plain terminal colours; the fonts are those of whoever looks.
_THEME = TerminalTheme((24, 26, 28), (226, 226, 226), [
    (24, 26, 28), (213, 94, 0), (0, 158, 115), (230, 159, 0), (0, 114, 178), (204, 121, 167),
    (86, 180, 233), (226, 226, 226)])
_FORMAT = """\
<svg viewBox="0 0 {terminal_width} {terminal_height}" xmlns="http://www.w3.org/2000/svg">
<style>
.{unique_id}-matrix {{ font-family: ui-monospace, "DejaVu Sans Mono", monospace; font-size: {char_height}px;
  line-height: {line_height}px; }}
{styles}
</style>
<defs>
{lines}
</defs>
<rect x="-12" y="-12" width="200%" height="200%" fill="#181a1c"/>
{backgrounds}
<g class="{unique_id}-matrix">
{matrix}
</g>
</svg>
"""


def main(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in pictures().items():
        (folder / f"{name}.svg").write_text(text, encoding="utf-8")
        print(folder / f"{name}.svg")


def pictures() -> dict[str, str]:
    """The SVG of each picture by its name."""
    recording = read_log(HERE / f"{RECORDING}.jsonl")
    options = ViewOptions(settings=recording.settings, look=Look(), title="rehearsal", tag="INVENTED",
                          log_name=f"{RECORDING}.jsonl")
    live = live_view(_at_a_cue(recording), WIDTH, HEIGHT, options)
    found = review_view(review(recording, recording.settings), RECORDING, WIDTH, Look())
    return {"live": svg(live, "live"), "review": svg(found, "review")}


def svg(shown: RenderableType, name: str) -> str:
    """What a terminal would show, as a picture without frame; `name` keeps its styles apart."""
    console = Console(record=True, width=WIDTH, file=io.StringIO(), force_terminal=True,
                      color_system="truecolor", legacy_windows=False, _environ={})
    lines = console.render_lines(shown, pad=False)
    if len(lines) > MOST_LINES:  # up to the end of what was begun
        blank = [place for place, line in enumerate(lines) if not "".join(one.text for one in line).strip()]
        lines = lines[:max(place for place in blank if place <= MOST_LINES)]
    console.print(Segments(piece for line in lines for piece in (*line, Segment.line())), end="")
    text = console.export_svg(theme=_THEME, code_format=_FORMAT, unique_id=name)
    head, width, height, rest = re.split(r"(?<=viewBox=\")0 0 ([\d.]+) ([\d.]+)", text, maxsplit=1)
    text = f"{head}{-EDGE} {-EDGE} {float(width) + 2 * EDGE:.0f} {float(height) + 2 * EDGE:.0f}{rest}"
    return "\n".join(line.rstrip() for line in text.splitlines()) + "\n"


def _at_a_cue(recording: Recording) -> Snapshot:
    """The session just after its second slow-down cue."""
    session = Session(recording.settings, plan_of(recording))
    session.feed(SoundHealth(0.0, "simpleaudio"))  # what came to the runner's ears is not in the recording
    slowing = [item.t_s for item in recording.outputs if isinstance(item, CueGiven) and item.cue is Cue.EASE]
    until_s = slowing[1] + SHOWN_AFTER_CUE_S
    for event in recording.inputs:
        if event.t_s > until_s:
            break
        session.feed(event)
    session.advance(until_s)
    return session.snapshot()


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "pictures")
