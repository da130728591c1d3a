"""The large figure says what it is; a speed stands there only while a cue asks for it."""

from __future__ import annotations

import pytest

from guard.events import Action, Command, Cue, CueGiven, Reading, State
from guard.plan.plan import Cued, Kind, Part, Plan
from guard.screen import gauge, large, words
from guard.screen.figure import Choice, Figure, figure
from guard.screen.look import Look
from guard.screen.view import ViewOptions
from guard.session import Session
from guard.settings import Settings
from tests.support.live import snapshot
from tests.test_screen_view import drawn

ROAD, BELT = Settings(ceiling_bpm=139), Settings(ceiling_bpm=139, belt=True)


def given(cue: Cue, ago_s: float, speed_m_s: float | None = None) -> dict[str, object]:
    return {"last_cue": CueGiven(754.0 - ago_s, cue, advised_speed_m_s=speed_m_s)}


def shown(settings: Settings = ROAD, choice: Choice = Choice.ROOM, **changes: object) -> Figure:
    return figure(snapshot(**changes), settings, choice)


def test_room_has_its_side_and_its_limit() -> None:
    calm = {"state": State.STEADY, "last_cue": None}
    assert shown(**calm) == Figure("", "7", "UNDER", "beats under the ceiling 139")
    assert shown(**calm, room_bpm=-4.2) == Figure("", "4", "OVER", "beats over the ceiling 139", True)
    ramp = shown(state=State.WARMING, last_cue=None, ceiling_bpm=133.0, room_bpm=12.0)
    assert ramp == Figure("", "12", "UNDER", "beats under the warm-up limit 133")


def test_heart_rate_is_called_so() -> None:
    pulse = shown(choice=Choice.HEART_RATE, state=State.STEADY, last_cue=None)
    assert (pulse.number, pulse.name) == ("132", "BPM") and pulse.detail.startswith("heart rate")


def test_a_speed_to_set_stands_large_for_fifteen_seconds_and_only_on_a_belt() -> None:
    ask = given(Cue.EASE, 15.0, 8.34 / 3.6)
    assert shown(BELT, **ask) == Figure("EASE", "8.3", "KM/H", "km/h to set")
    assert shown(ROAD, belt=True, **ask).number == "8.3", "a treadmill that is connected is a belt"
    assert shown(ROAD, **ask).name == "UNDER"
    assert shown(BELT, **given(Cue.EASE, 15.5, 8.34 / 3.6)).name == "UNDER"
    assert shown(BELT, **given(Cue.EASE, 3.0)).name == "UNDER", "a cue without a speed asks for none"
    resume = shown(BELT, state=State.STEADY, **given(Cue.RESUME, 3.0, 8.0 / 3.6))
    assert (resume.word, resume.number) == ("RUN", "8.0")


def test_who_wants_the_speed_sees_it_while_the_cue_is_news() -> None:
    for ago_s, name in ((59.0, "KM/H"), (61.0, "UNDER")):
        assert shown(BELT, Choice.SPEED, **given(Cue.EASE, ago_s, 2.3)).name == name


@pytest.mark.parametrize("state", [State.NO_SIGNAL, State.HELD, State.DONE])
def test_no_speed_is_asked_for_without_a_signal_or_in_a_pause(state: State) -> None:
    assert shown(BELT, Choice.SPEED, state=state, **given(Cue.EASE, 3.0, 2.3)).name != "KM/H"


@pytest.mark.parametrize("seconds", range(1, 120, 7))
def test_no_screen_of_a_warm_up_advises_a_speed(seconds: int) -> None:
    session = Session(Settings(ceiling_bpm=139, belt=True, gain_bpm_per_m_s=25))
    for t_s in range(seconds):
        session.feed(Reading(float(t_s), 95 + t_s, True))
    moment = session.snapshot()
    asked = moment.last_cue is not None and moment.last_cue.advised_speed_m_s is not None
    assert asked or moment.advised_speed_m_s is None


def test_a_walker_is_told_how_far_it_is_until_running_again() -> None:
    walk = {"state": State.WALKING, "level_bpm": 139.0, "room_bpm": 0.4, "resume_bpm": 131.0,
            "slope_bpm_per_min": -14.0, **given(Cue.WALK, 24.0)}
    assert shown(**walk) == Figure("WALK", "8", "TO GO", "beats to go, about 40 s")
    # 8 beats at 14 a minute take 34 s; said in whole tens
    assert words.until_running(snapshot(**walk)) == "8 beats to go before you run again, about 40 s"
    level = snapshot(**{**walk, "slope_bpm_per_min": 1.0})
    assert words.until_running(level).endswith("before you run again")
    for width, height in ((60, 20), (80, 24), (120, 35)):
        page = "\n".join(drawn(width, height, **walk))
        assert page.count("to go, about 40 s") == 1 and "139" in page, "said, and not twice"
    by_rate = "\n".join(drawn(80, 24, options=ViewOptions(choice=Choice.HEART_RATE), **walk))
    assert "8 beats to go before you run again, about 40 s" in by_rate and by_rate.count("139") == 1 + 1
    assert shown(**{**walk, "level_bpm": 130.0, "room_bpm": 9.0}).name == "UNDER"
    assert shown(**{**walk, "resume_bpm": None}).name == "AT", "nothing is promised that is not known"


def test_the_way_back_shrinks() -> None:
    filled = [gauge.way_back(beats, 60, Look()).plain.count("█") for beats in (40.0, 20.0, 8.0, 1.0, 0.0)]
    assert filled == sorted(filled, reverse=True) and filled[0] == 59 and filled[-1] == 0
    assert len(gauge.way_back_scale(131.0, 60, Look()).plain) == 60


@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize("fig", [
    Figure("EASE", "8.3", "KM/H", "km/h to set"), Figure("", "28", "UNDER", "beats under the ceiling 139"),
    Figure("PAUSED", "132", "BPM", "heart rate (ceiling 139)"), Figure("WALK", "18", "TO GO", "beats to go"),
    Figure("", "104", "BPM", "heart rate (ceiling 139)", over=True), Figure("NO SIGNAL"),
])
def test_a_large_number_never_stands_without_its_name(fig: Figure, ascii_only: bool) -> None:
    look = Look(ascii=ascii_only, colour=False)
    seen = 0
    for width, scale in [(width, 1) for width in range(10, 100)] + [(120, 2), (80, 2), (200, 3)]:
        rows = [line.plain for line in large.lines(fig, width, scale, look)]
        page = "\n".join(rows)
        assert all(len(row) <= width for row in rows), width
        if fig.number:
            top = large.rows(fig.number, 1, look.sign("over" if fig.over else "under"))[2]
            number = any(top in row for row in rows)
            half = [] if ascii_only else [large.half_rows(fig.name, k)[0] for k in (1, 2, 3)]
            named = all(part in page for part in fig.name.split()) or any(
                part in page for part in (fig.detail.split()[0], *half))
            assert named or not number, (width, page)
            seen += number and named
    assert seen or not fig.number


def test_half_letters_are_half_as_large() -> None:
    for text in ("UNDER", "AT", "OVER", "BPM", "TO GO", "KM/H", "MPH", *words.BIG_STATES.values()):
        assert {len(line) for line in large.half_rows(text, 1)} == {large.width(text, 1) // 2}
        assert len(large.half_rows(text, 1)) == 3 and len(large.half_rows(text, 2)) == 5
    assert large.half_rows("T", 1) == ["▀█▀", " █ ", " ▀ "]


# Cues that are history; pauses; the ceiling.


def test_a_cue_older_than_a_minute_is_history() -> None:
    for ago_s, news in ((60.0, True), (61.0, False)):
        page = "\n".join(drawn(80, 24, state=State.STEADY, **given(Cue.EASE, ago_s)))
        assert ("slow down please" in page) is news and ("last cue: ease, 1:01 ago" in page) is not news


def test_what_is_asked_is_read_whole_before_how_long_ago_that_was() -> None:
    page = drawn(40, 12, options=ViewOptions(settings=BELT), **given(Cue.STOP, 2.0))
    assert "Stop: slow the belt to a walk, then stop" in page
    assert all(not line.rstrip().endswith("·…") for line in page)


def test_the_speed_of_a_cue_is_never_cut_off_and_never_shown_on_old_data() -> None:
    ask = given(Cue.EASE, 30.0, 8.34 / 3.6)
    for size in ((30, 8), (40, 12), (80, 24), (120, 40)):
        options = ViewOptions(settings=BELT)
        lines = drawn(*size, options=options, **ask)
        assert any("8.3 km/h" in line and ("0:30 ago" in line or size[0] < 80) for line in lines)
        blind = "\n".join(drawn(*size, options=options, state=State.NO_SIGNAL, level_bpm=None, room_bpm=None,
                                speed_m_s=None, **ask))
        assert "8.3" not in blind


def run_to(session: Session, seconds: int, begin: int = 0, bpm: int = 110) -> None:
    for t_s in range(begin, begin + seconds):
        session.feed(Reading(float(t_s), bpm + t_s % 2, True))  # one that stands still is no proof of life


def test_time_and_ceiling_stand_still_while_paused() -> None:
    session = Session(Settings(ceiling_bpm=139))
    run_to(session, 61)
    warming = session.snapshot()
    assert words.elapsed(warming) == "1:00"
    assert round(warming.own_ceiling_bpm) == 139 and warming.ceiling_bpm < 134
    assert words.ceiling(warming) == f"ceiling 139, warm-up limit {warming.ceiling_bpm:.0f} now"
    session.feed(Command(60.5, Action.PAUSE))
    run_to(session, 40, begin=61)
    paused = session.snapshot()
    assert (words.elapsed(paused), words.ceiling(paused)) == ("1:00", "ceiling 139")
    assert paused.level_bpm is not None and paused.room_bpm == 139 - paused.level_bpm, "no ramp in a pause"
    assert paused.ceiling_bpm == 139
    session.feed(Command(100.5, Action.CONTINUE))
    run_to(session, 20, begin=101)
    assert words.elapsed(session.snapshot()) == "1:20"


def test_a_part_shows_its_own_ceiling_and_a_moved_one_is_shown_at_once() -> None:
    session = Session(Settings(ceiling_bpm=139, warm_up_s=0), Plan("two", (
        Part(Kind.EASY, "base", 60.0), Part(Kind.CLIMB, "up", 60.0, ceiling_bpm=150.0, ramp_bpm=10.0))))
    run_to(session, 10)
    session.feed(Command(9.5, Action.CEILING, 140.0))
    assert words.ceiling(session.snapshot()) == "ceiling 140"
    run_to(session, 62, begin=10)
    assert words.ceiling(session.snapshot()) == "ceiling 150, limit 142 now"


def test_in_a_part_left_to_the_runner_no_ceiling_is_shown() -> None:
    """A fast part has no ceiling: nothing is over it, and no word about the pace counts."""
    plan = Plan("test", (Part(Kind.EASY, "easy", 60.0), Part(Kind.FAST, "fast", 600.0, cued=Cued.STOP_ONLY)))
    session = Session(Settings(ceiling_bpm=139, stop_bpm=175), plan)
    for t in range(180):
        session.feed(Reading(float(t), min(120.0 + 0.3 * t, 150.0 + t % 3), contact=True))
    now = session.snapshot()
    assert not now.guarded and now.room_bpm is None and now.chance_over is None
    shown = figure(now, session.settings)
    assert shown == Figure("", f"{now.level_bpm:.0f}", "BPM", "heart rate, stop at 175")
    page = "\n".join(drawn(80, 24, options=ViewOptions(settings=session.settings), **{
        name: getattr(now, name) for name in ("state", "level_bpm", "room_bpm", "chance_over", "guarded",
                                              "foreseen_bpm", "last_cue", "part")}))
    assert "LEFT TO YOU, only stop is cued" in page
    assert "over" not in page.split("elapsed")[0] and "139" not in page.split("the last five")[0]
