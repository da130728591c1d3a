"""The room gauge: heart rate as a level running towards a wall, the ceiling."""

from collections.abc import Iterable

from rich.text import Text

from guard.screen.look import Look, styled
from guard.screen.report import put

SCALE_UNDER_BPM = 40.0  # left end of the scale, under the ceiling
OVER_BPM = 10.0  # right end, over it
WAY_BACK_BPM = 30.0  # of the bar until running again; heart rate falls by less in one walk


def _wall(width: int) -> int:
    return round((width - 1) * SCALE_UNDER_BPM / (SCALE_UNDER_BPM + OVER_BPM))


def _column(room_bpm: float, width: int) -> int:
    wall = _wall(width)
    column = wall - room_bpm * wall / SCALE_UNDER_BPM
    return min(max(round(column), 0), width - 1)


def bar(room_bpm: float | None, foreseen_room_bpm: float | None, width: int, look: Look) -> Text:
    """One line `width` cells wide: filled up to now, an arrow to what is foreseen.

    Over the wall the fill changes its texture, not just its hue.
    """
    wall = _wall(width)
    cells = [look.sign("empty")] * width
    styles = [look.style("quiet")] * width
    if room_bpm is not None:
        now = _column(room_bpm, width)
        for column in range(now + 1):
            side = "under" if (column <= wall and room_bpm >= 0) or column < wall else "over"
            cells[column], styles[column] = look.sign(side), look.style(side)
        if foreseen_room_bpm is not None:
            _draw_arrow(cells, styles, now, _column(foreseen_room_bpm, width), look)
    if room_bpm is None or _column(room_bpm, width) != wall:
        cells[wall], styles[wall] = look.sign("wall"), look.style("lead")
    return styled(zip(cells, styles, strict=True))


def _draw_arrow(cells: list[str], styles: list[str], now: int, ahead: int, look: Look) -> None:
    if ahead == now:
        return
    step = 1 if ahead > now else -1
    for column in range(now + step, ahead, step):
        cells[column], styles[column] = look.sign("shaft"), look.style("foreseen")
    cells[ahead] = look.sign("arrow" if step > 0 else "arrow_back")
    styles[ahead] = look.style("foreseen")


def way_back(beats_to_go: float, width: int, look: Look) -> Text:
    """For a walker: filled by the beats still to fall, from the right towards running again at the left."""
    filled = min(max(round(beats_to_go / WAY_BACK_BPM * width), 1 if beats_to_go > 0 else 0), width)
    cells = [(look.sign("under"), look.style("under"))] * filled
    cells += [(look.sign("empty"), look.style("quiet"))] * (width - filled)
    cells[0] = (look.sign("arrow_back"), look.style("foreseen"))
    return styled(cells)


def way_back_scale(resume_bpm: float, width: int, look: Look) -> Text:
    """The line of labels that belongs under `way_back`."""
    to_go = ((f"{beats} to go", round(beats / WAY_BACK_BPM * width)) for beats in (10, 20))
    return _labels([(f"run again at {resume_bpm:.0f}", 0), *to_go], width, look)


def scale(ceiling_bpm: float, width: int, look: Look, name: str = "ceiling") -> Text:
    """The line of labels that belongs under `bar`."""
    ceiling = f"{name} {ceiling_bpm:.0f}"
    under = ((f"-{bpm}", _column(bpm, width) - 1) for bpm in (40, 30, 20, 10))
    return _labels([(ceiling, _wall(width) - len(ceiling) // 2), *under, (f"+{OVER_BPM:.0f}", width - 3)],
                   width, look)


def _labels(labels: Iterable[tuple[str, int]], width: int, look: Look) -> Text:
    """Each label at its cell, the first ones first, as far as there is room."""
    cells = [" "] * width
    for label, start in labels:
        put(cells, min(max(start, 0), width - len(label)), label)
    return Text("".join(cells), look.style("quiet"), no_wrap=True)
