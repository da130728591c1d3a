"""What the screen answers to keys and says of treadmill and pod; and that every key is answered."""

from __future__ import annotations

import asyncio
import os
import signal

import pytest

from guard.commands.session_parts import terminal_console
from guard.events import (
    FOOT_POD,
    TREADMILL,
    Action,
    Command,
    Cue,
    CueGiven,
    LinkState,
    Mark,
    Reading,
    Speed,
    SpeedLink,
    State,
)
from guard.live.answers import SpeedNews, answer, spoken_status
from guard.plan.plan import Kind, Part, Plan
from guard.screen import words
from guard.session import Session
from guard.settings import Settings
from tests.support.live import rising_run, snapshot, until
from tests.test_live import Stage, Typist

SETTINGS = Settings(ceiling_bpm=139, warm_up_s=0)


def said(event: Command | Mark | Speed, before: dict[str, object] | None = None, **after: object) -> str:
    return answer(event, snapshot(**(before or {})), snapshot(**after), SETTINGS)


@pytest.mark.parametrize(("action", "value", "line"), [
    (Action.PAUSE, None, "paused: space goes on"),
    (Action.CONTINUE, None, "going on"),
    (Action.MUTE, None, "sound off for 15 min: only stop and sensor cues are heard"),
    (Action.UNMUTE, None, "sound on"),
    (Action.FREE_RUN, 1.0, "pace cues off: only stop and sensor cues"),
    (Action.FREE_RUN, 0.0, "pace cues on again"),
    (Action.STATUS, None, "heart rate 132, 7 under the ceiling 139, 8.6 km/h"),
])
def test_answers(action: Action, value: float | None, line: str) -> None:
    assert said(Command(754.0, action, value)) == line


def test_the_status_key_says_again_what_is_still_asked() -> None:
    given = CueGiven(750.0, Cue.EASE, advised_speed_m_s=2.3)
    here = ("heart rate one thirty two", "room seven")
    easing = snapshot(last_cue=given, state=State.EASING)
    assert spoken_status(easing, SETTINGS) == ("slow down please", *here)
    assert spoken_status(snapshot(last_cue=given, state=State.STEADY), SETTINGS) == here
    assert spoken_status(snapshot(last_cue=None, state=State.EASING), SETTINGS) == here


def test_a_moved_ceiling_is_answered_with_the_number_on_screen() -> None:
    command = Command(754.0, Action.CEILING, 140.0)
    after: dict[str, object] = {"own_ceiling_bpm": 140.0, "ceiling_bpm": 140.0}
    assert said(command, **after) == "ceiling 140" == words.ceiling(snapshot(**after))
    ramp = {**after, "ceiling_bpm": 134.0, "state": State.WARMING}
    assert said(command, **ramp) == "ceiling 140, warm-up limit 134 now" == words.ceiling(snapshot(**ramp))
    own = {"own_ceiling_bpm": 150.0, "ceiling_bpm": 150.0, "part": "climb"}
    assert said(command, **own) == "ceiling 140, but this part has its own: 150"


def test_a_mark_is_answered() -> None:
    assert said(Mark(754.0)) == "marked at 12:34"


def test_next_part_with_and_without_a_plan() -> None:
    skip = Command(754.0, Action.SKIP_PART)
    assert said(skip, part="fast", part_left_s=120.0) == "next part: fast, 2:00"
    assert said(skip, part="plan done", part_left_s=None) == "the plan is done"
    assert said(skip, {"part": "plan done", "part_left_s": None}, part="plan done", part_left_s=None) \
        == "the plan is done already"
    assert said(skip, part="", part_left_s=None) == "there is no plan, so no next part"


def test_typed_speeds_and_grades() -> None:
    typed = Speed(754.0, 2.5, typed=True)
    assert said(typed) == "speed 9.0 km/h (6:40 min/km): before the next run, `guard settings belt=true`"
    assert said(typed, belt=True) == "speed 9.0 km/h (6:40 min/km)"
    against = said(typed, {"speed_from": "treadmill"}, belt=True)
    assert against == "speed 9.0 km/h (6:40 min/km) until the treadmill changes its speed"
    assert said(Speed(754.0, grade=0.015, typed=True)) == "grade +1.5 %"


async def test_every_key_is_answered_on_the_screen(monkeypatch: pytest.MonkeyPatch) -> None:
    typist, stage = Typist(monkeypatch), Stage(rising_run(30), stay=True)
    plan = Plan("two parts", (Part(Kind.EASY, "base", 600), Part(Kind.FAST, "fast", 60)))
    running = asyncio.create_task(stage.run(plan=plan))
    await until(lambda: len(stage.log.items) >= 30)
    for key in " mm ss++=-]][[ffnnn??iixXyéq8%.5\n":
        frames = len(stage.screen.frames)
        await typist.type(key)
        await until(lambda frames=frames: len(stage.screen.frames) > frames)  # type: ignore[misc]
        assert stage.screen.frames[-1].prompt, f"{key!r} was not answered"
    os.kill(os.getpid(), signal.SIGINT)
    await running


# Treadmill and pod.


def link(
    state: LinkState, detail: str = "", *, device: str = TREADMILL, battery: int | None = None,
) -> SpeedLink:
    return SpeedLink(1.0, device, state, "x", detail, "", battery)


def test_each_change_of_a_speed_device_is_said_once() -> None:
    news = SpeedNews(15)
    moments = [
        (link(LinkState.SEARCHING, "not in range"),
         "treadmill not found yet: guarding goes on without its speed (not in range)"),
        (link(LinkState.CONNECTED), "treadmill connected"),
        (link(LinkState.CONNECTED, "a packet of 1 bytes could not be read"), None),
        (link(LinkState.LOST, "the link to the treadmill broke"),
         "treadmill lost: guarding goes on without its speed (the link to the treadmill broke)"),
        (link(LinkState.LOST, "not in range"), None),
        (link(LinkState.CONNECTED), "treadmill connected again"),
        (link(LinkState.CONNECTED, device=FOOT_POD), "foot pod connected"),
        (link(LinkState.CONNECTED, device=FOOT_POD, battery=16), None),
        (link(LinkState.CONNECTED, device=FOOT_POD, battery=15), "the foot pod's battery is low: 15 %"),
        (link(LinkState.CONNECTED, device=FOOT_POD, battery=14), None),
    ]
    for event, text in moments:
        note = news.note(event)
        assert (note.text if note else None) == text


def test_no_battery_is_low_where_the_warning_is_off() -> None:
    note = SpeedNews(0).note(link(LinkState.CONNECTED, device=FOOT_POD, battery=0))
    assert note is not None and note.text == "foot pod connected"


async def test_a_lost_treadmill_is_noted_until_it_is_back_and_told_at_the_end() -> None:
    events = [*rising_run(10), link(LinkState.CONNECTED), link(LinkState.LOST, "the link broke")]
    stage = Stage(events, stay=True)
    running = asyncio.create_task(stage.run())
    lost = "treadmill lost: guarding goes on without its speed (the link broke)"
    await until(lambda: bool(stage.screen.frames) and lost in stage.screen.frames[-1].notes)
    os.kill(os.getpid(), signal.SIGINT)
    ended = await running
    assert ended.troubles == (lost,), "a connection is no trouble"
    assert not stage.sounder.asked("say"), "it is not worth a word aloud"


# Waiting for the first reading.


def test_before_the_first_reading_nothing_is_claimed() -> None:
    session = Session(SETTINGS)
    session.advance(2.0)
    waiting = session.snapshot()
    assert waiting.state is State.STEADY
    assert (words.big_state(waiting), words.state(waiting)) == ("WAITING", "WAITING for the first reading")
    for second in range(4):
        session.feed(Reading(2.5 + second, 120 + second % 2, True))
    assert words.big_state(session.snapshot()) == "STEADY"


def test_waiting_hides_no_loss() -> None:
    session = Session(SETTINGS)
    session.advance(40.0)
    assert words.big_state(session.snapshot()) == "NO SIGNAL"


def test_the_picture_follows_the_window_whatever_the_shell_exports(monkeypatch: pytest.MonkeyPatch) -> None:
    for key, value in (("COLUMNS", "133"), ("LINES", "41"), ("TERM", "xterm-256color")):
        monkeypatch.setenv(key, value)
    for size in ((90, 30), (60, 20)):
        monkeypatch.setattr(os, "get_terminal_size", lambda fd=0, size=size: os.terminal_size(size))
        assert terminal_console().size == size


def test_where_a_speed_comes_from_is_shown() -> None:
    assert words.speed(snapshot(speed_from="treadmill"), SETTINGS) == "speed 8.6 km/h (treadmill), grade +2 %"
    assert words.speed(snapshot(), SETTINGS) == "speed 8.6 km/h, grade +2 %"
