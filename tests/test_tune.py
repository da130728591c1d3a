"""Tuning: settings side by side decide what a replay decides; the views, the choice, the command."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from guard import events as ev
from guard.cli import main
from guard.errors import GuardError, InputError, UsageError
from guard.log.log import session_header, write_recording
from guard.log.recording import Recording, read_log
from guard.replay.replay import replay
from guard.response.fit import NOTHING, Fit, Refusal
from guard.response.spans import Estimate
from guard.settings import Settings, find, table
from guard.tune import runners as tune_runners
from guard.tune import tune as tune_module
from guard.tune.choose import SetGains, frontier, settled, verdicts
from guard.tune.document import reason
from guard.tune.lanes import Heard, joined, play, units, with_limits
from guard.tune.recorded import figures, over_min_per_h, spells
from guard.tune.respond import Lived, Trial, live, trials
from guard.tune.respond import joined as joined_lives
from guard.tune.runners import CELL_M, Way, draw_runners, way_of
from guard.tune.source import TunedRecording
from guard.tune.space import SEARCHED, around, axes, spread
from guard.tune.tape import Tape, tape_of
from guard.tune.tune import Tuning, parts_of, recorded_view
from guard.workers.pool import Pool
from tests.lab.tune_speed.loop import compiled, loop
from tests.lab.tune_speed.tune_speed import by_lane, by_loop, said_in, sessions, sets
from tests.support.documents import check_listed
from tests.support.keep import invented_run

RECORDINGS = Path(__file__).resolve().parent.parent / "recordings"
NAMES = ("hill-loop", "garage-treadmill", "hot-afternoon")
PRESENT = Settings(ceiling_bpm=139)
SETS = [PRESENT, PRESENT.replaced({"strictness": 1.0}),
        PRESENT.replaced({"spacing_s": 3, "words": 1.0, "walk_first": 0.9, "warm_up_s": 60})]
NO_LANE = (ev.Cue.PART, ev.Cue.BATTERY_LOW)  # said by the session, whatever is tuned


def held(items: list[ev.Input], plan: dict[str, Any] | None = None, **settings: Any) -> Recording:
    return Recording({"plan": plan}, tuple(items), end_s=items[-1].t_s + 1.0,
                     settings=Settings().replaced({"ceiling_bpm": 139, **settings}))


def part(kind: str, seconds: float, **more: Any) -> dict[str, Any]:
    return {"kind": kind, "name": kind, "seconds": seconds, "metres": None, "ceiling_bpm": None,
            "floor_bpm": None, "ramp_bpm": 0.0, "cued": "all", "grace_s": 0.0, **more}


@pytest.fixture(scope="module")
def recorded() -> dict[str, Recording]:
    """Two invented sessions with pauses, gaps, a moved ceiling; one with a plan, one with a free run."""
    plan = {"name": "invented", "parts": [
        part("warm_up", 90.0, grade=0.0, speed_m_s=2.0), part("base", 120.0, ceiling_bpm=131.0, grade=0.05),
        part("fast", 80.0, cued="stop_only", speed_m_s=3.0), part("base", 60.0, grade=0.02)]}
    free = sorted([*invented_run(6, 9), ev.Command(150.25, ev.Action.FREE_RUN, 1),
                   ev.Command(220.5, ev.Action.FREE_RUN, 0)], key=lambda one: one.t_s)
    locked = [ev.Speed(float(t), 2.8, 0.0, 150.0 if t > 200 else 165.0) for t in range(1, 330, 5)]
    beats = [ev.Reading(t + 0.4, 150 if t > 200 else 128 + t % 3) for t in range(330)]
    return {"plain": held(invented_run(7)), "plan": held(invented_run(6, 8), plan, floor_bpm=120.0),
            "free": held(free, stop_bpm=150.0),
            "cadence": held(sorted([*locked, *beats], key=lambda one: one.t_s))}


@pytest.fixture(scope="module")
def tapes(recorded: dict[str, Recording]) -> list[Tape]:
    return [tape_of(name, one, one.settings) for name, one in recorded.items()]


# --- as recorded ---------------------------------------------------------------


def test_side_by_side_decides_what_a_replay_decides(recorded: dict[str, Recording], tapes: list[Tape]):
    heard = play(SETS, tapes)
    total = 0
    for j, recording in enumerate(recorded.values()):
        for k, settings in enumerate(SETS):
            again = replay(recording, with_limits(settings, tapes[j])).cues
            expected = [(one.t_s, int(one.cue)) for one in again if one.cue not in NO_LANE]
            assert said_in(heard, k, j) == expected
            total += len(expected)
    assert total > 40 and len(set(heard.cue.tolist())) >= 4


def test_pieces_give_what_the_whole_gives(tapes: list[Tape]):
    tapes = tapes[2:]
    whole = play(SETS, tapes)
    pieces = [((0, 1), (1,)), ((0, 1), (0,)), ((2,), (1,)), ((2,), (0,))]
    work = units(3, tapes)
    assert len(work) == 1 and sorted(work[0].tapes) == [0, 1]
    split = [(type(work[0])(some, mine), play([SETS[k] for k in some], [tapes[j] for j in mine]))
             for some, mine in pieces]
    for done, complete in ((split, {0, 1, 2}), (split[:3], {0, 1})):
        together, played = joined(done, len(tapes))
        assert played == complete
        for k in complete:
            for j in range(len(tapes)):
                assert said_in(together, k, j) == said_in(whole, k, j)
                assert np.array_equal(together.level_bpm[j], whole.level_bpm[j], equal_nan=True)


def test_work_is_whole_and_split_for_each_process(tapes: list[Tape]):
    for count, jobs in ((1, 2), (200, 2), (5000, 3)):
        work = units(count, tapes, jobs)
        done = sorted((k, j) for one in work for k in one.settings for j in one.tapes)
        assert done == [(k, j) for k in range(count) for j in range(len(tapes))]
        assert len(work) >= min(jobs, count)


def tape(seconds: int = 600) -> Tape:
    return Tape("made", PRESENT, np.arange(seconds) + 1.0, np.full(seconds, 130.0),
                np.zeros(seconds, bool), np.ones(seconds, bool), ())


def test_figures_of_a_hand_made_session():
    """Over from 100 to 160 s, again at 170 (the same crossing), for 3 s at 300, from 400 to 500 s."""
    one = tape()
    level = np.full(600, 130.0)
    for begin, end in ((100, 160), (170, 200), (300, 303), (400, 500)):
        level[begin - 1:end - 1] = 145.0
    over = spells(one, level, np.full(600, 139.0))
    assert over.begins.tolist() == [100, 170, 300, 400] and over.crossings.tolist() == [100, 400]
    hours = 601 / 3600
    assert over_min_per_h([over], hours) == pytest.approx((60 + 30 + 3 + 100) / 60 / hours)
    cues = [(30, ev.Cue.EASE), (80, ev.Cue.EASE), (95, ev.Cue.WALK), (210, ev.Cue.RESUME),
            (430, ev.Cue.EASE), (560, ev.Cue.SIGNAL_LOST)]
    heard = Heard(np.zeros(6, np.int64), np.zeros(6, np.int64), np.array([float(t) for t, _ in cues]),
                  np.array([int(cue) for _, cue in cues]), (level,), (level,))
    found = figures(heard, 0, [over], hours)
    # 80 s warns of the crossing at 100; the first cue for the one at 400 comes 30 s after it.
    assert (found.crossings, found.warned, found.late, found.early_s) == (2, 1, 1, 20.0)
    assert found.cues_per_h == pytest.approx(5 / (601 / 3600))
    assert found.in_vain_per_h == pytest.approx(1 / (601 / 3600))  # only the one at 30 s


def test_what_counts_not_is_not_over():
    one = tape()
    one.counts[:300], one.held[400:] = False, True
    over = spells(one, np.full(600, 150.0), np.full(600, 139.0))
    assert over.begins.tolist() == [301.0] and over.ends.tolist() == [401.0]


def test_a_tape_needs_readings():
    with pytest.raises(InputError, match=r"a\.jsonl holds no usable heart rate"):
        tape_of("a.jsonl", held([ev.Reading(1.0, 0), ev.Reading(2.0, 0)]), PRESENT)


# --- speed: what it is compared with says the same --------------------------------


def test_the_live_lane_over_a_tape_says_what_the_lanes_say():
    made, some = sessions(1, 450), sets(2)
    heard = play(some, made)
    assert said_in(heard, 1, 0) == by_lane(some[1], made[0])
    assert len(heard.cue) > 2


def simple_guard(beats: list[float], made=loop) -> list[tuple[float, ev.Cue]]:
    """What the loop by hand says to a reading a second: ceiling 140, 10 s ahead, 20 s between cues."""
    n = len(beats)
    at, said = np.zeros(n), np.zeros(n, dtype=np.int64)
    count = made(np.arange(n, dtype=float), np.array(beats), 140.0, 10.0, 20.0, at, said)
    return [(t_s, ev.Cue(code)) for t_s, code in zip(at[:count].tolist(), said[:count].tolist(), strict=True)]


def test_the_loop_by_hand_guards():
    rising = [120.0] * 30 + [min(150.0, 120.0 + 0.5 * k) for k in range(140)] + [120.0] * 30
    (first_s, first), *rest = simple_guard(rising)
    assert first is ev.Cue.EASE and 50 <= first_s <= 70  # it is at 140 after 70 s
    assert [cue for _, cue in rest] == [ev.Cue.EASE, ev.Cue.WALK, ev.Cue.RESUME]
    assert simple_guard([130.0] * 300) == []
    gone = simple_guard([130.0] * 20 + [np.nan] * 20 + [130.0] * 20)
    assert gone == [(27.0, ev.Cue.SIGNAL_LOST), (40.0, ev.Cue.SIGNAL_BACK)]


@pytest.mark.slow
def test_the_loop_by_hand_compiles_to_the_same():
    pytest.importorskip("numba")
    fast = compiled()
    for tape in sessions(4, 900):
        assert by_loop(fast, PRESENT, tape) == by_loop(loop, PRESENT, tape) != []


# --- where to search --------------------------------------------------------------


def test_ranges_come_from_the_table_and_the_present():
    found = axes([], PRESENT)
    assert tuple(axis.key for axis in found) == SEARCHED
    for axis in found:
        entry, now = find(axis.key), getattr(PRESENT, axis.key)
        assert entry.low <= axis.low < now < axis.high <= entry.high  # type: ignore[operator]
        assert entry.unit or (axis.low, axis.high) == (0.0, 1.0), "a dial is searched from end to end"
        assert axis.value(0.0) == axis.low and axis.value(1.0) == axis.high
    at_edge = {axis.key: axis for axis in axes([], PRESENT.replaced({"spacing_s": 0, "words": 1.0}))}
    assert at_edge["spacing_s"].low < at_edge["spacing_s"].high and at_edge["words"].low == 0.0
    (typed,) = axes(["spacing_s=5:40"], PRESENT)
    assert (typed.low, typed.high) == (5.0, 40.0)
    (dial,) = axes(["words=0.2:0.8"], PRESENT)
    assert [dial.value(share) for share in (0.0, 0.25, 0.5, 1.0)] == [0.2, 0.35, 0.5, 0.8]


def test_safety_is_never_searched():
    safe = [entry.key for entry in table() if entry.group in ("limits", "signal", "sound", "runner")]
    assert {"stop_bpm", "ceiling_bpm", "stale_s", "lost_s"} <= set(safe)
    for key in [*safe, "walking"]:
        with pytest.raises(UsageError, match="not searched"):
            axes([key], PRESENT)
    for words, said in ((["wrods"], "did you mean words"), (["words=9"], "LOW:HIGH"),
                        (["lead_s"], "no longer a setting"), (["words=0.5:9"], "0 to 1"),
                        (["words", "words=0.1:0.2"], "twice")):
        with pytest.raises(GuardError, match=said):
            axes(words, PRESENT)


def test_sets_are_inside_different_and_the_same_for_a_seed():
    found = axes([], PRESENT)
    present = {axis.key: getattr(PRESENT, axis.key) for axis in found}
    wide = spread(found, 60, 3)
    near = around(found, wide[:4], present, 20, 3)
    assert wide == spread(found, 60, 3) != spread(found, 60, 4) and len(wide) == 60
    assert near == around(found, wide[:4], present, 20, 3) and 10 <= len(near) <= 20
    for one in (*wide, *near):
        assert all(axis.low <= one[axis.key] <= axis.high for axis in found)
        PRESENT.replaced(one)
    assert len({tuple(one.values()) for one in (*wide, *near)}) == len(wide) + len(near)


# --- the choice ---------------------------------------------------------------------


def lived(*rows: tuple[float, float, float, float], noise: float = 0.0, runs: int = 40) -> Lived:
    """Rows of (minutes over, bpm-minutes, cues, km) with noise that the rows do not share."""
    rng = np.random.default_rng(4)
    table_ = np.array(rows)[:, :, None] + noise * rng.normal(size=(len(rows), 4, runs))
    return Lived(table_[:, 0], table_[:, 1], table_[:, 2], table_[:, 3], np.zeros_like(table_[:, 0]))


def test_clearly_better_in_something_and_worse_in_nothing():
    base = (4.0, 20.0, 15.0, 8.0)
    cases = {
        "less time over": ((3.0, 15.0, 15.0, 8.0), True),
        "fewer cues": ((4.0, 20.0, 12.0, 8.0), True),
        "farther": ((4.0, 20.0, 15.0, 8.2), True),
        "far less over, but more cues": ((1.0, 5.0, 17.0, 8.0), False),
        "far fewer cues, but more time over": ((4.5, 20.0, 5.0, 8.0), False),
        "far fewer cues, but higher over": ((4.0, 24.0, 5.0, 8.0), False),
        "less over, but slower": ((2.0, 10.0, 15.0, 7.8), False),
        "hardly anything": ((3.95, 20.0, 14.9, 8.0), False),
    }
    found = verdicts(lived(base, *(row for row, _ in cases.values())))
    assert found[0] == SetGains(0, 0, 0, 0, 0, 0) and not found[0].clear
    for one, (name, (_, expected)) in zip(found[1:], cases.items(), strict=True):
        assert one.clear is expected, name
    assert not verdicts(lived(base, (3.6, 18.0, 15.0, 8.0), noise=4.0))[1].clear


def test_changes_that_do_nothing_are_taken_back():
    """In this invented world only strictness matters, and the luckiest of the search is not the best."""
    def judge(every: Any) -> Lived:
        return lived(*((4.0 - 2.5 * (one.get("strictness", 0.5) - 0.5), 20.0, 15.0, 8.0) for one in every))
    best = [{"strictness": 0.6, "words": 0.9}, {"strictness": 0.9, "words": 0.2, "spacing_s": 9.0}]
    tried, verdict = settled(best, judge)
    assert tried == {"strictness": 0.9} and verdict.over == pytest.approx(0.25)


def test_frontier():
    costs = np.array([[5.0, 5.0], [1.0, 9.0], [2.0, 4.0], [2.0, 6.0], [8.0, 1.0], [9.0, 1.0]])
    assert frontier(costs, 6) == [1, 2, 4] and frontier(costs, 2) == [1, 4]


def test_two_thirds_choose_and_the_last_third_reports():
    many = [(f"2026-03-{30 - k:02d}T06:00:00+00:00", 900.0) for k in range(7)]
    chosen, last = parts_of(many)
    assert [k for k, _ in chosen.spans] == [6, 5, 4, 3, 2] and [k for k, _ in last.spans] == [1, 0]
    chosen, last = parts_of(many[:2])
    assert chosen.spans == ((0, (0.0, 600.0)), (1, (0.0, 600.0)))
    assert last.spans == ((0, (600.0, 900.0)), (1, (600.0, 900.0)))


# --- as you would respond -------------------------------------------------------------


def test_ground_is_the_recorded_one():
    items: list[ev.Input] = []
    for t in range(1, 601):  # 300 s level, a halt of 60 s, 240 s up 5 %
        speed = 0.0 if 300 < t <= 360 else 2.5
        items += [ev.Speed(float(t), speed, 0.05 if t > 360 else 0.0), ev.Reading(t + 0.5, 140)]
    way = way_of(items, 139.0, 0.0, 601.0)
    assert way.speed_known and 280 < np.flatnonzero(way.stands)[0] <= 302
    assert way.stands.sum() == pytest.approx(60, abs=2)
    assert len(way.grade) * CELL_M == pytest.approx(2.5 * 540, abs=2 * CELL_M)
    assert way.grade[int(2.5 * 250 / CELL_M)] == 0.0 and way.grade[-3] == pytest.approx(0.05)
    paused = [ev.Command(100.0, ev.Action.PAUSE), ev.Command(130.0, ev.Action.CONTINUE)]
    still = way_of(sorted([*paused, *(ev.Reading(t + 0.5, 140) for t in range(200))],
                          key=lambda one: one.t_s), 139.0, 0.0, 200.0)
    assert not still.speed_known and still.stands.sum() == pytest.approx(30, abs=2)


FLAT = Way(np.zeros(1), np.zeros(1, bool), False, 1800.0, 141.0)


def test_what_is_known_is_drawn_from_its_interval_the_rest_is_published():
    no = Refusal("no", "none")
    fit = Fit(gain=Estimate(30.0, 27.0, 33.0), response_s=no, dead_s=no, on_s=Estimate(20.0, 16.0, 25.0),
              start_dead_s=no, off_s=no, stop_dead_s=no, base_bpm=Estimate(140.0, 139.0, 141.0),
              drift_bpm_per_min=no, usual_m_s=2.6, noise_bpm=1.6, samples=2400, effective=200.0,
              running_s=2400.0)
    drawn = draw_runners(fit, [FLAT], 400, [1], belt=False)
    assert drawn.learned == ("gain", "on_s") and "response_s" in drawn.published
    people = drawn.people
    assert people.gain.mean() == pytest.approx(30.0, abs=0.3)
    assert people.gain.std() == pytest.approx(3.0 / 1.96, rel=0.15)
    assert np.median(people.on_s) == pytest.approx(20.0, rel=0.03)
    assert np.all(people.ceiling_bpm == 141.0)
    # The habit lies over the ceiling as the frozen list says, at a speed the fit's gain asks for.
    over = people.run_bpm - people.ceiling_bpm
    assert over.min() > 0.0 and over.max() < 19.0
    settles = 140.0 + people.gain * (people.habitual_m_s - 2.6)
    assert people.run_bpm == pytest.approx(settles, abs=4.0)
    published = draw_runners(NOTHING, [FLAT], 400, [1], belt=False)
    assert published.learned == () and published.people.gain.std() > 5.0


def test_sets_meet_the_same_runners_with_the_same_luck(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(tune_runners, "SHORTEST_RUN_S", 350.0)
    drawn = draw_runners(NOTHING, [Way(np.zeros(1), np.zeros(1, bool), True, 350.0, 141.0)], 6, [2],
                         belt=False)
    late = PRESENT.replaced({"strictness": 0.0, "words": 0.0})
    two = live(Trial((PRESENT, PRESENT), drawn))
    for item in fields(two):
        values = getattr(two, item.name)
        assert values.shape == (2, 6) and np.array_equal(values[0], values[1])
    split = joined_lives([live(one) for one in trials([PRESENT, late], drawn, jobs=2)])
    assert np.array_equal(split.over_min[0], two.over_min[0])
    assert np.all(two.distance_km > 2.0) and np.all(two.cues >= 0.0)
    assert split.cues[1].mean() < two.cues[0].mean()


# --- the whole search -------------------------------------------------------------------


def sources(*names: str) -> list[TunedRecording]:
    read = [(name, read_log(RECORDINGS / f"{name}.jsonl")) for name in names]
    return [TunedRecording(name, one, one.settings) for name, one in read]


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tune_runners, "SHORTEST_RUN_S", 600.0)
    monkeypatch.setattr(tune_runners, "LONGEST_RUN_S", 600.0)


@pytest.mark.usefixtures("short")
def test_ctrl_c_keeps_what_is_done():
    def tell(words: str, share: float) -> None:
        if "around" in words:
            raise KeyboardInterrupt
    found = Tuning(sources(*NAMES), PRESENT, axes(["words", "spacing_s"], PRESENT),
                   tries=6, runners=6, progress=tell).run(recorded=False)
    assert found.interrupted and found.respond is not None
    assert len(found.respond.rows) == found.respond.lived.cues.shape[0] == 4
    assert found.recommended is None and "unchecked" in reason(found)


def _double(piece: int, stop: Any) -> int:
    stop()
    return 2 * piece


def test_two_processes_give_what_one_gives(tapes: list[Tape]):
    with Pool(2) as two, Pool(1) as one:
        assert two.run(_double, list(range(20))) == one.run(_double, list(range(20))) == list(range(0, 40, 2))


def test_the_recorded_view_needs_the_present(tapes: list[Tape]):
    work = units(2, tapes)[0]
    mine = [tapes[j] for j in work.tapes]
    view = recorded_view([(work, play(SETS[:2], mine))], tapes)
    assert view is not None and set(view.figures) == {0, 1}
    assert recorded_view([(type(work)((1,), work.tapes), play(SETS[1:2], mine))], tapes) is None


# --- the command ---------------------------------------------------------------------------


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("GUARD_HOME", str(tmp_path / "home"))
    (tmp_path / "home" / "config").mkdir(parents=True)
    return tmp_path / "home" / "config" / "settings.toml"


QUICK = ("--view", "respond", "--tries", "6", "--runners", "8", "--jobs", "1",
         "--search", "words=0:1")


@pytest.mark.usefixtures("short")
def test_a_nagging_guard_is_told_to_say_less_and_comments_stay(
        home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch):
    """In this invented world the runs are the same however many words there are, which cost only patience."""
    def world(trial: Trial, stop: Any = None) -> Lived:
        lived = live(replace(trial, settings=tuple(replace(one, words=0.5) for one in trial.settings)), stop)
        return replace(lived, cues=lived.cues * (1.0 + np.array([[one.words] for one in trial.settings])))
    monkeypatch.setattr(tune_module, "live", world)
    home.write_text("# mine\nwords = 1.0 # nag me\n")
    files = [str(RECORDINGS / f"{name}.jsonl") for name in NAMES]
    assert main(["tune", *files, *QUICK, "--json", "--apply"]) == 0
    document = json.loads(capsys.readouterr().out)
    check_listed("guard/tune/README.md", "tune", document)
    changes = document["recommendation"]["changes"]
    assert document["applied"] == str(home) and changes
    assert changes["words"] < 1
    text = home.read_text()
    assert "# mine" in text and "# nag me" in text
    assert all(f"{key} = {value}" in text for key, value in changes.items())
    assert "instead of" in document["recommendation"]["reason"]
    last = document["as_you_would_respond"]["held_out"]
    assert last["gains"]["cues"] > 0.1
    assert last["best_tried"]["cues_per_h"] < last["present"]["cues_per_h"]
    assert document["as_recorded"] is None
    assert document["as_you_would_respond"]["figures"][0]["set"] == 0
    assert document["as_you_would_respond"]["published"] and document["sets"][0] == {}
    assert {one["key"] for one in document["searched"]} == {"words"}


def test_the_recorded_view_in_the_terminal(home: Path, capsys: pytest.CaptureFixture[str]):
    files = [str(RECORDINGS / f"{name}.jsonl") for name in NAMES[:1]]
    assert main(["tune", *files, "--view", "recorded", "--tries", "8", "--jobs", "1"]) == 0
    out = capsys.readouterr().out
    assert "As recorded" in out and "You would have reacted" in out and "As you would respond" not in out
    assert "present settings" in out and "Keep your present settings" in out
    assert max(map(len, out.splitlines())) <= 80


def test_the_command_refuses_in_one_sentence(home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    log = str(RECORDINGS / "hill-loop.jsonl")
    bare = tmp_path / "bare.jsonl"
    write_recording(bare, session_header(Settings(), started=None, clock_trusted=False),
                    [ev.Reading(float(t), 130) for t in range(1, 60)])
    for words, code, said in (
            ([tmp_path / "none.jsonl"], 3, "No such file"), ([log, log], 2, "given twice"),
            ([bare], 2, "has no ceiling"), ([log, "--search", "stop_bpm"], 2, "not searched"),
            ([log, "--apply", "--view", "recorded"], 2, "recommends")):
        assert main(["tune", *map(str, words)]) == code
        out, err = capsys.readouterr()
        assert said in err and err.count("\n") == 1 and not out
    with pytest.raises(SystemExit) as stopped:
        main(["tune", log, "--tries", "1"])
    assert stopped.value.code == 2 and "from 2 to 5000" in capsys.readouterr().err
