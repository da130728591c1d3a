"""The property check sees what it must: faults planted in the code of trust and watch are all found.

Each mutant is the module's own text with one piece replaced. A check that lets
one of them pass proves little of the code it holds for right.
"""

from __future__ import annotations

import sys
import types
from pathlib import Path

import pytest

from guard.decide import core
from guard.session import Session, session
from guard.signal import account, beats, trust, watch
from tests.support.trust_check import check, gone_through
from tests.support.trust_sessions import composed

TRUST, WATCH, ACCOUNT, BEATS = trust, watch, account, beats
# Where a module's class is used, and its name.
USED: dict[types.ModuleType, tuple[types.ModuleType, str]] = {
    TRUST: (session, "Trust"), WATCH: (core, "Watch"), ACCOUNT: (trust, "LevelAccount"),
    BEATS: (trust, "Beats")}
MOST = 300  # sessions gone through before a mutant counts as missed

# name: module, what stands there, what is planted
MUTANTS: dict[str, tuple[types.ModuleType, str, str]] = {
    "a trusted reading does not reset the timer": (
        TRUST, "        if judged.bpm == judged.bpm:\n            self.unguarded_since_s = t_s\n",
        "        if judged.bpm == judged.bpm and t_s < 100.0:\n            self.unguarded_since_s = t_s\n"),
    "the timer of a frozen sensor does not go back": (
        TRUST, "self.unguarded_since_s = min(self.unguarded_since_s, self._life_s)", "pass"),
    "the rival gains nothing": (TRUST, "rival.gain(bpm, weight_s, alive)", "rival.gain(bpm, 0.0, alive)"),
    "nothing is carried across from the old account": (
        TRUST, "rival.gain(bpm, weight_s, alive)\n            old.lose(weight_s)",
        "rival.gain(bpm, weight_s, alive)"),
    "evidence is neither bounded nor forgotten": (
        ACCOUNT, "self.evidence_s = min(self.evidence_s + weight_s, MOST_EVIDENCE_S)",
        "self.evidence_s += 4.0 * weight_s"),
    "suspicion excludes": (TRUST, "SUSPECT_WEIGHT = 0.7", "SUSPECT_WEIGHT = 0.0"),
    "leaping never ends": (
        TRUST, "self._leaps + LEAP_SHARE * (leapt - self._leaps)", "self._leaps + LEAP_SHARE * leapt"),
    "beats do not make an irregular pulse real": (TRUST, "        if beats:\n", "        if False:\n"),
    "repeated intervals are proof of life": (BEATS, "rr_s != self._last, rr_s", "True, rr_s"),
    "intervals that lie are heard for ever": (
        BEATS, "self.heard = self._stood < RR_IDLE and", "self.heard = True or"),
    "a frozen value stays believed": (
        TRUST, "frozen = t_s - self._life_s >= allowed_s or repeats", "frozen = False"),
    "what stands still is frozen in no time": (TRUST, "FROZEN_S = 60.0", "FROZEN_S = 6.0"),
    "denied contact is a reading": (TRUST, "if reading.contact is False:", "if False:"),
    "who once said yes is believed when he denies": (TRUST, "if self._felt:\n", "if False:\n"),
    "the interval is not learned": (TRUST, "self._interval.take(True, gap_s)", "pass"),
    "a loss before a pause is never said to be over": (
        WATCH, "self._back_owed | lost", "self._back_owed & lost"),
    "beats never scatter too much": (BEATS, "SCATTER_MOST_BPM, SCATTER_OVER_BPM = 13.0, 8.0",
                                     "SCATTER_MOST_BPM, SCATTER_OVER_BPM = 1.0, 0.5"),
    "a doubted reading may prove life": (
        TRUST, "return Judged(NAN, False, Doubt.ROUGH, heard)", "return Judged(bpm, alive, None, heard)"),
    "the start is not counted": (
        WATCH, "(self.unguarded_s >= k.most(lost_s, late_s) - EARLY_S)",
        "(self.unguarded_s >= k.most(lost_s, late_s) * where(begun, 1.0, 3.0) - EARLY_S)"),
    "a loss is said once only": (
        WATCH, "        lost = self.blind & (first | again)", "        lost = self.blind & first"),
    "repeats thin out near the limit too": (
        WATCH, "where(near, AGAIN_S, self._again_s)", "self._again_s"),
    "repeats end after a while": (
        WATCH, "AGAIN_S, AGAIN_MOST_S = 30.0, 300.0", "AGAIN_S, AGAIN_MOST_S = 30.0, 3000.0"),
    "what was said before a pause counts after it": (
        WATCH, "self.loss_said, self.blind = self.loss_said & go_on, self.blind & go_on", "pass"),
    "a stop may be stale": (
        WATCH, "over = (arrived & (k.floor(bpm + 0.5) > self.stop_bpm)\n"
        "                & (k.floor(said_bpm + 0.5) > self.stop_bpm)", "over = ((arrived | (t_s > 0.0))"),
    "a stop rests on what was": (WATCH, "& (k.floor(said_bpm + 0.5) > self.stop_bpm)", ""),
    "a stop while held": (
        WATCH, "said_bpm, arrived & k.no(held))", "said_bpm, arrived)"),
    "stops do not thin out": (
        WATCH, "k.least(2.0 * self._stop_again_s, STOP_AGAIN_MOST_S)", "STOP_AGAIN_S"),
    "stops thin out for ever": (
        WATCH, "STOP_AGAIN_S, STOP_AGAIN_MOST_S = 10.0, 30.0", "STOP_AGAIN_S, STOP_AGAIN_MOST_S = 10.0, 8e3"),
    "back with the first reading while blind": (WATCH, "back = arrived &", "back = (t_s > 0.0) &"),
    "blindness has no end": (WATCH, "(run_s >= REGAINED_S))", "(run_s >= 400.0))"),
    "the wait on a step lock has no end": (WATCH, "LOCK_WAIT_S = 180.0", "LOCK_WAIT_S = 1e9"),
    "too seldom is not said": (WATCH, "why = news |", "why ="),
    "by feel is never said": (WATCH, "cause = where(over, int(WatchRule.BY_FEEL), cause)", "cause = cause"),
}
# Found within a second or two, so that a check gone blind shows every day.
QUICK = ("a trusted reading does not reset the timer", "nothing is carried across from the old account",
         "the interval is not learned", "a loss is said once only", "a stop may be stale",
         "the wait on a step lock has no end")

# A mutant of the trust is caught by an invariant of the trust.
OF_THE_DECISION = {"no trap: steady after 3 min", "no trap: at most one resume"}


def planted(name: str) -> types.ModuleType:
    """The module with the mutant in it."""
    module, old, new = MUTANTS[name]
    text = Path(str(module.__file__)).read_text(encoding="utf-8")
    assert text.count(old) == 1, f"{name}: {old!r} stands {text.count(old)} times in {module.__name__}"
    mutant = types.ModuleType(module.__name__ + "_mutant")
    sys.modules[mutant.__name__] = mutant
    try:
        exec(compile(text.replace(old, new), mutant.__name__, "exec"), mutant.__dict__)
    finally:
        del sys.modules[mutant.__name__]
    return mutant


def caught(name: str, most: int, monkeypatch: pytest.MonkeyPatch) -> str:
    """The first invariant that a planted mutant breaks, and the guard does not, in so many sessions."""
    mutant = planted(name)
    where, what = USED[MUTANTS[name][0]]
    for seed in range(most):
        one = composed(seed)
        with monkeypatch.context() as patch:
            patch.setattr(where, what, getattr(mutant, what))
            found = check(one, gone_through(one, Session(one.settings, one.plan)))
        broken = set(found.failed) - OF_THE_DECISION
        if broken and (broken := broken - set(check(one).failed)):
            return f"seed {seed}: {min(broken)}"
    return ""


@pytest.mark.parametrize("name", QUICK)
def test_planted_faults_are_found(name: str, monkeypatch: pytest.MonkeyPatch):
    assert caught(name, MOST, monkeypatch)


@pytest.mark.slow
@pytest.mark.parametrize("name", MUTANTS)
def test_every_planted_fault_is_found(name: str, monkeypatch: pytest.MonkeyPatch):
    assert caught(name, MOST, monkeypatch)
