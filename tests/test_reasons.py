"""Reasons are data: a sentence may be written anew on any day, and nothing but the sentence changes."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from guard import reasons
from guard.cli import main
from guard.decide.core import RESTS_ON
from guard.decide.wording import headline, phrase
from guard.events import Cue, CueGiven, Doubt, Numbers, Output, ReadingDoubted, StateChanged
from guard.log.log import read_log
from guard.replay.replay import Replay, replay, same_as_recorded
from guard.review.review import review
from guard.settings import Settings
from tests.support.recordings import FOLDER, recording, replayed, scenes

NAMES = tuple(scenes())
BY_SESSION = {
    "battery_low", "next_part", "next_part_unguarded", "plan_done", "quit", "interrupted", "source_ended"}


def test_every_rule_has_words_and_no_words_are_left_over() -> None:
    assert set(reasons.REASONS) == set(RESTS_ON) | BY_SESSION
    assert set(reasons.DOUBTS) == set(Doubt)


@pytest.mark.parametrize("rule", sorted(reasons.REASONS))
def test_a_rule_is_told_even_where_its_figures_are_missing(rule: str) -> None:
    assert reasons.why(rule, Numbers()) and "None" not in reasons.why(rule, Numbers())


def said_as(said: Replay) -> list[str]:
    """All that is spoken and shown of the cues in the fixed words, in few words and in many."""
    return [words for given in said.cues for words in (
        phrase(given, Settings(speech="short")), phrase(given, Settings(speech="full")),
        phrase(given, Settings(belt=True)), headline(given, said.settings))]


def reworded(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every sentence in other words, with other figures in other places."""
    def other(rule: str) -> Callable[[Numbers], str]:
        return lambda numbers: f"{rule[::-1]}: 150 foreseen in, ceiling 60, limit 200 (77 bpm)"

    monkeypatch.setattr(reasons, "REASONS", {rule: other(rule) for rule in reasons.REASONS})
    monkeypatch.setattr(reasons, "_DOUBTS", {doubt.value: f"150: {doubt.value}" for doubt in Doubt})


@pytest.mark.parametrize("name", NAMES)
def test_reworded_reasons_change_nothing_that_is_decided_or_spoken(
        name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    before = replayed(name)
    spoken, why = said_as(before), [reasons.reason(given) for given in before.cues]
    reworded(monkeypatch)
    kept = recording(name)
    again = replay(kept, kept.settings)
    assert again.outputs == before.outputs and again.summary == before.summary
    assert said_as(again) == spoken
    assert same_as_recorded(kept).same
    assert not why or [reasons.reason(given) for given in again.cues] != why, "the test reworded nothing"


def rewritten(name: str, path: Path, change: Callable[[dict[str, object]], None]) -> Path:
    """The recording `name` with every line of what was said changed."""
    lines = []
    for line in (FOLDER / f"{name}.jsonl").read_text(encoding="utf-8").splitlines():
        record = json.loads(line)
        if record["type"] in ("cue", "state", "doubt"):
            change(record)
        lines.append(json.dumps(record, ensure_ascii=False))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def in_words_only(record: dict[str, object]) -> None:
    """As the first logs were: words, no rule, no numbers, no code."""
    for key in ("rule", "numbers", "doubt", "part"):
        record.pop(key, None)
    record["reason"] = f"as was said in {record['t']}"


@pytest.mark.parametrize("name", NAMES)
def test_a_log_in_words_only_opens_replays_and_is_reviewed(name: str, tmp_path: Path) -> None:
    kept = read_log(rewritten(name, tmp_path / "old.jsonl", in_words_only))
    assert not kept.notes and same_as_recorded(kept).same
    cues = [item for item in kept.outputs if isinstance(item, CueGiven)]
    assert all(reasons.reason(item) == f"as was said in {item.t_s}" for item in kept.outputs)
    assert replay(kept, kept.settings).outputs == replayed(name).outputs
    found = review(kept, kept.settings)
    assert [cue.reason for cue in found.cues] == [f"as was said in {given.t_s}" for given in cues]
    assert json.dumps(found.as_dict())


def test_a_log_in_words_only_is_verified_by_time_and_cue(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    old = rewritten("few-words", tmp_path / "old.jsonl", in_words_only)
    assert main(["replay", str(old), "--verify"]) == 0
    text = old.read_text(encoding="utf-8")
    assert '"cue": "ease"' in text
    old.write_text(text.replace('"cue": "ease"', '"cue": "walk"', 1), encoding="utf-8")
    assert main(["replay", str(old), "--verify"]) == 1
    assert "cue walk at" in capsys.readouterr().out


def test_lines_of_the_first_logs_are_understood(tmp_path: Path) -> None:
    path = tmp_path / "first.jsonl"
    path.write_text("\n".join((
        '{"type":"session","format":1,"guard":"0.1.0","settings":{"ceiling_bpm":139.0}}',
        '{"t":0.5,"type":"reading","bpm":131,"contact":true,"rr_s":[]}',
        '{"t":2.0,"type":"doubt","reason":"jumps too far from what came before"}',
        '{"t":3.0,"type":"state","state":"easing","reason":"foreseen 143 in 20 s, ceiling 139"}',
        '{"t":3.0,"type":"cue","cue":"ease","reason":"foreseen 143 in 20 s, ceiling 139","repeat":0}',
        '{"t":4.0,"type":"mark","value":"hill"}',
        '{"t":5.0,"type":"end","summary":{}}')) + "\n", encoding="utf-8")
    said = read_log(path).outputs
    assert said == [ReadingDoubted(2.0, ""), StateChanged(3.0, said[1].state), CueGiven(3.0, Cue.EASE)]  # type: ignore[union-attr]
    assert [reasons.reason(item) for item in said][1:] == ["foreseen 143 in 20 s, ceiling 139"] * 2
    assert phrase(said[2], Settings()) == "slow down please"  # type: ignore[arg-type]


def test_a_rule_of_another_version_keeps_the_words_it_was_logged_with(tmp_path: Path) -> None:
    def newer(record: dict[str, object]) -> None:
        record |= {"rule": "much_cleverer", "reason": "a cleverer reason",
                   "numbers": {"new_bpm": 1, "level_bpm": 2}}

    kept = read_log(rewritten("few-words", tmp_path / "newer.jsonl", newer))
    assert not kept.notes
    given = next(item for item in kept.outputs if isinstance(item, CueGiven))
    assert reasons.reason(given) == "a cleverer reason" and given.numbers == Numbers(level_bpm=2)
    assert not same_as_recorded(kept).same
    assert reasons.reason(replace(given, logged_words="")) == "much cleverer"


@pytest.mark.parametrize("numbers", ['"143"', "[143]", '{"level_bpm":"143"}', '{"level_bpm":1e99}'])
def test_figures_that_cannot_be_are_refused_with_their_name(numbers: str, tmp_path: Path) -> None:
    path = tmp_path / "odd.jsonl"
    path.write_text('{"type":"session","format":1,"settings":{}}\n'
                    f'{{"t":3.0,"type":"cue","cue":"ease","rule":"ease","numbers":{numbers}}}\n')
    assert any("numbers is" in note or "level_bpm is" in note for note in read_log(path).notes)


def test_a_replay_that_differs_in_rule_or_figure_alone_is_not_the_same(tmp_path: Path) -> None:
    def other_rule(record: dict[str, object]) -> None:
        record["rule"] = "other_rule"

    def other_figure(record: dict[str, object]) -> None:
        record["numbers"] = {"level_bpm": 99.5}

    for change, shown in ((other_rule, "other_rule"), (other_figure, "level_bpm 99.5")):
        verdict = same_as_recorded(read_log(rewritten("few-words", tmp_path / "other.jsonl", change)))
        assert not verdict.same
        assert shown in verdict.differences[0]


def test_figures_are_kept_to_the_last_digit() -> None:
    for name in NAMES:
        logged: list[Output] = recording(name).outputs
        assert logged == list(replayed(name).outputs)
        for item in logged:
            if not isinstance(item, ReadingDoubted):
                assert all(round(value, 2) == value for value in item.numbers.as_dict().values())


@pytest.mark.parametrize(("foreseen_bpm", "said"), [
    (143.0, "foreseen 143 in 20 s, ceiling 139"),
    (139.4, "foreseen 139 in 20 s, in the margin under ceiling 139"),
    (137.0, "foreseen 137 in 20 s, in the margin under ceiling 139")])
def test_a_cue_under_the_ceiling_names_the_margin(foreseen_bpm: float, said: str) -> None:
    """A reason that reads "foreseen 137, ceiling 139" would contradict its cue."""
    assert reasons.why("ease", Numbers(foreseen_bpm=foreseen_bpm, ahead_s=20.0, ceiling_bpm=139.0)) == said


def test_a_cue_says_what_is_expected_with_and_without_it() -> None:
    numbers = Numbers(foreseen_bpm=143.0, ahead_s=20.0, ceiling_bpm=139.0)
    said = reasons.why("ease", numbers)
    assert reasons.why("ease", replace(numbers, with_bpm=137.4, without_bpm=143.0)) == (
        f"{said}; 137 with the cue, 143 without")
    assert reasons.why("ease", replace(numbers, with_bpm=137.4)) == said


def test_nobody_reads_the_words_back() -> None:
    """The words of an older log are read where they are shown or counted, nowhere else."""
    package = Path(reasons.__file__).parent
    readers = {str(path.relative_to(package)) for path in package.rglob("*.py")
               if ".logged_words" in path.read_text(encoding="utf-8")}
    assert readers == {"reasons.py", "review/signal.py"}
