"""The review in a terminal: a picture, the figures, each cue with what followed."""

from collections.abc import Iterable, Iterator, Sequence

from rich.console import Group, RenderableType
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from guard.cues import SEVERAL
from guard.review import words
from guard.review.picture import end_s, heights, ramp
from guard.review.review import Review
from guard.screen.look import Look
from guard.screen.report import cue_key, cue_row, from_to, put, table
from guard.screen.trace import picture
from guard.screen.words import clock

_ROWS = 8  # of the picture
_WIDEST = 160  # cells; a wider picture shows no more
ROOMY = 72  # in a narrower terminal tables become lines
MOST_PARTS_NUMBERED = 60  # beyond it numbers have no room
RAMP = ", at the left the warm-up limit under it"
NOT_HEARD = "cue, not heard"


def view(review: Review, title: str, width: int, look: Look) -> RenderableType:
    """Everything, for a terminal of `width` cells."""
    invented = "  INVENTED, nobody ran this" if review.invented else ""
    blocks: list[RenderableType] = [
        Text(f"{look.text(title)}  {look.text(words.heading(review))}{invented}", look.style("quiet")),
        Text(look.text(words.headline(review)), look.style("lead"))]
    if len(review.trace.t_s) > 1:
        blocks += ["", *drawing(review, min(width, _WIDEST), look)]
    blocks += ["", _pairs(words.facts(review), look, gap=2)]
    if len(review.parts) > 1:
        blocks.append(_parts(review, look) if width >= ROOMY else _pairs(_narrow_parts(review), look))
    if review.cues:
        blocks.append(_cues(review, look) if width >= ROOMY else _pairs(_narrow_cues(review), look))
    blocks += [Text(look.text(f"note: {remark}")) for remark in review.remarks]
    if sentence := words.advice(review.advice, review.settings):
        blocks += ["", Text(look.text(f"Next time: {sentence}"), look.style("lead"))]
    blocks += ["", *(Text(look.text(text), look.style("quiet")) for text in words.cautions(review))]
    return Group(*blocks)


def drawing(review: Review, width: int, look: Look) -> list[Text]:
    """Heart rate under the straight line of the ceiling, parts, cues and time on one axis."""
    last_s = end_s(review)

    def column(t_s: float) -> int:
        return min(max(int(t_s / last_s * width), 0), width - 1)

    limits = ramp(review, width)
    lines = picture(heights(review, width), _ROWS, look, limits)
    if len(review.parts) > 1:
        begins = [" "] * width
        for number, part in enumerate(review.parts[:MOST_PARTS_NUMBERED], 1):
            put(begins, column(part.begin_s), f"|{number}")
        lines.append(Text("".join(begins), look.style("quiet"), no_wrap=True))
    lead = look.style("lead")
    lines.append(cue_row(((column(cue.t_s), cue.cue, lead) for cue in review.cues), width, lead))
    lines.append(Text(from_to(last_s, width), no_wrap=True))
    kinds = cue_key(cue.cue for cue in review.cues)
    each_s = last_s / width
    stretch = f"{each_s:.0f} s" if each_s >= 1 else "less than a second"
    lines.append(Text(
        f"the line is the ceiling{RAMP if any(limits) else ''}; "
        f"a column is the highest heart rate of {stretch}, measured from it"
        + (f"; {kinds}, {SEVERAL} several" if kinds else ""), look.style("quiet")))
    return lines


def _pairs(rows: Iterable[Sequence[str]], look: Look, *, gap: int = 1) -> Table:
    """Two columns: what stands first in a row, and the rest of it under each other."""
    grid = Table.grid(padding=(0, gap, 0, 0))
    grid.add_column(justify="right" if gap == 1 else "left", no_wrap=True)
    grid.add_column(overflow="fold")
    for first, *rest in rows:
        grid.add_row(escape(look.text(first)), escape("\n".join(look.text(line) for line in rest if line)))
    return grid


def _parts(review: Review, look: Look) -> Table:
    grid = table(look, padding=(0, 1, 0, 0))
    grid.add_column("", justify="right")
    for title in words.PART_TITLES:
        name = title == "part"
        grid.add_column(title.replace("bpm x ", "bpm x\n"), justify="left" if name else "right",
                        no_wrap=not name, overflow="fold")
    for number, row in enumerate(words.part_rows(review), 1):
        grid.add_row(str(number), *(escape(look.text(cell)) for cell in row))
    return grid


def _narrow_parts(review: Review) -> Iterator[Sequence[str]]:
    """A sentence a part."""
    yield "", "parts"
    for number, (name, length, ceiling, under, over, *_) in enumerate(words.part_rows(review), 1):
        yield str(number), f"{name}, {length}, " + (
            f"ceiling {ceiling}: {under} at or under, {over} over" if under else "left to you")


def _cues(review: Review, look: Look) -> Table:
    grid = table(look, padding=(0, 1, 0, 0))
    grid.add_column("time", justify="right", no_wrap=True)
    for title, ratio in (("cue" if review.said else NOT_HEARD, 2), ("why", 3), ("heart rate after it", 3)):
        grid.add_column(title, ratio=ratio, overflow="fold")
    for cue in review.cues:
        grid.add_row(clock(cue.t_s), escape(look.text(words.cue_line(review, cue))),
                     escape(look.text(cue.reason)), escape(look.text(words.followed(cue))))
    return grid


def _narrow_cues(review: Review) -> Iterator[Sequence[str]]:
    """Under each other: what was said, why, what followed."""
    yield "", "cues" if review.said else "cues, not heard"
    for cue in review.cues:
        yield clock(cue.t_s), words.cue_line(review, cue), cue.reason, words.followed(cue)
