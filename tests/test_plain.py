"""Plain lines, the summary, and the cautions of the first start."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest

from guard.events import (
    Action,
    Battery,
    Command,
    Cue,
    CueGiven,
    Link,
    LinkState,
    Reading,
    SoundHealth,
    Speed,
    State,
    StateChanged,
)
from guard.screen.cautions import cautions, shown_once
from guard.screen.frame import Frame
from guard.screen.look import Look
from guard.screen.plain import PlainScreen
from guard.screen.report import summary_lines
from guard.screen.view import ViewOptions
from tests.support.live import snapshot
from tests.support.reasons import FORESEEN


def lines_of(*items: object, look: Look | None = None) -> list[str]:
    out = io.StringIO()
    screen = PlainScreen(out, ViewOptions(look=look or Look()))
    for item in items:
        if isinstance(item, Frame):
            screen.frame(item)
        else:
            screen.event(item)  # type: ignore[arg-type]
    screen.close()
    return out.getvalue().splitlines()


def test_what_is_said_and_what_is_not() -> None:
    lines = lines_of(
        Link(0.0, LinkState.SEARCHING),
        Link(2.0, LinkState.LOST, "strap A", "out of range: come closer"),
        Reading(3.0, 120),
        Speed(3.0, 2.5),
        Speed(4.0, 2.5, typed=True),
        Battery(5.0, 80), Battery(6.0, 80),
        StateChanged(60.0, State.EASING, "foreseen 143 in 20 s, ceiling 139"),
        CueGiven(60.0, Cue.EASE, "ease", FORESEEN),
        Command(70.0, Action.CEILING, 140.0),
        SoundHealth(71.0, "none"),
        StateChanged(3600.0, State.DONE, "ended by the runner"),
    )
    assert lines == [
        "    0:00 link: searching: sensor",
        "    0:02 link: LOST: strap A (out of range: come closer)",
        "    0:04 you: speed 9.0 km/h",
        "    0:05 battery: 80 %",
        "    1:00 state: easing (foreseen 143 in 20 s, ceiling 139)",
        "    1:00 cue: Ease: slow down please (foreseen 143 in 20 s, ceiling 139)",
        "    1:10 you: ceiling 140",
        "    1:11 sound: none",
        " 1:00:00 state: done",
    ]


def test_one_line_a_minute() -> None:
    frames = [Frame(snapshot(t_s=t / 4)) for t in range(0, 4 * 301)]
    lines = lines_of(*frames)
    assert [line.split()[0] for line in lines] == ["1:00", "2:00", "3:00", "4:00", "5:00"]
    assert "7 under the ceiling 139" in lines[0] and "heart rate 132" in lines[0]


def test_a_note_is_said_once() -> None:
    lines = lines_of(*[Frame(snapshot(t_s=t), ("the disk is full",)) for t in (1.0, 2.0, 3.0)])
    assert lines == ["    0:01 note: the disk is full"]


def test_hostile_names_stay_on_one_line_and_do_nothing() -> None:
    line, = lines_of(Link(0.0, LinkState.CONNECTED, "a\x1b[2J\n[red]\u202eb", "c\rd"))
    assert line == "    0:00 link: connected: a[2J [red]b (c d)"
    assert lines_of(Link(0.0, LinkState.CONNECTED, "Gürtel"), look=Look(ascii=True))[0].isascii()


def test_summary_lines() -> None:
    lines = summary_lines({
        "duration_s": 3600.0, "at_or_under_s": 3240.0, "over_s": 240.0, "over_bpm_min": 9.25,
        "no_signal_s": 120.0, "cues": {"ease": 4, "signal_lost": 1, "walk": 0}, "cues_per_h": 5.0})
    assert lines == [
        "duration                 1:00:00",
        "at or under the ceiling  54:00 (93 % of the time with a trusted heart rate)",
        "over the ceiling         4:00 (9.2 bpm x min)",
        "no signal                2:00",
        "cues                     ease 4, sensor lost 1 (5 pace cues an hour)",
    ]


def test_cautions_are_asked_once(tmp_path: Path) -> None:
    out = io.StringIO()
    assert shown_once(tmp_path, reader=io.StringIO("\n"), writer=out)
    assert cautions() in out.getvalue()
    again = io.StringIO()
    assert shown_once(tmp_path, reader=None, writer=again)
    assert again.getvalue() == ""


@pytest.mark.parametrize("answer", ["q\n", "Q\n", ""])
def test_cautions_may_be_declined(tmp_path: Path, answer: str) -> None:
    assert not shown_once(tmp_path, reader=io.StringIO(answer), writer=io.StringIO())
    out = io.StringIO()
    assert shown_once(tmp_path, reader=None, writer=out)
    assert "licensed professional" in out.getvalue()


def test_cautions_block_nobody_without_a_terminal(tmp_path: Path) -> None:
    for _ in range(2):
        out = io.StringIO()
        assert shown_once(tmp_path, reader=None, writer=out)
        assert "Stop and seek help" in out.getvalue()


@pytest.mark.skipif(sys.platform == "win32", reason="folder permissions of POSIX")
def test_cautions_in_a_missing_folder(tmp_path: Path) -> None:
    out = io.StringIO()
    assert shown_once(tmp_path / "gone", reader=io.StringIO("\n"), writer=out)
    assert "cannot be remembered" in out.getvalue()
