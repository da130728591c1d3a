"""The invariants of trust, checked on what a session said: from its inputs, outputs and the truth.

Nothing here knows how the guard decides. A reading counts as *believed* when the
session did not doubt it (or doubted only that it follows the steps).
"""

from __future__ import annotations

import bisect
import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from itertools import pairwise
from statistics import pstdev

from guard.events import (
    Action,
    Command,
    Cue,
    CueGiven,
    Doubt,
    Input,
    Output,
    Reading,
    ReadingDoubted,
    State,
    StateChanged,
)
from guard.session import Session
from tests.support.trust_sessions import Composed

SAID_S = 8.0  # unguarded and unsaid, at most; or so many of the strap's own intervals
INTERVALS = 1.5
TOGETHER_S = 0.4
AGAIN_MOST_S, NEAR_AGAIN_S = 300.0, 30.0
LOOK_S = 0.26  # the session looks at time on a grid
FROZEN_RR_S, FROZEN_S = 20.0, 60.0
UNFELT_S = 60.0  # beats live beside a contact bit that never says yes
REGAINED_S, CONTRADICTED_S = 15.0, 30.0
STOP_DUE_S, STOP_THIN_S = 10.0, 30.0
LOCK_S = 181.0
IRREGULAR_SD_BPM = 8.5  # spread of 8 that is promised to be believed; what chance drew wider is not
NOISE_NEAR_BPM = 8.0
SHOWS_S = 41.0  # a missed restart is taken for running 35 s after the word, at a reading
PACE = (Cue.EASE, Cue.WALK, Cue.RESUME, Cue.PICK_UP)
FASTER = (Cue.RESUME, Cue.PICK_UP)
WATCH = (Cue.STOP, Cue.SIGNAL_LOST, Cue.SIGNAL_BACK)


@dataclass
class Found:
    """How often each invariant was tried, and where it failed."""

    tried: Counter[str] = field(default_factory=Counter)
    failed: Counter[str] = field(default_factory=Counter)
    where: list[str] = field(default_factory=list)
    seed: int = 0

    def hold(self, name: str, true: bool, where: str = "") -> None:
        self.tried[name] += 1
        if not true:
            self.failed[name] += 1
            self.where.append(f"seed {self.seed}: {name}: {where}")

    def __iadd__(self, other: Found) -> Found:
        self.tried += other.tried
        self.failed += other.failed
        self.where += other.where[:20]
        return self

    def table(self) -> str:
        rows = [f"{'invariant':<58}{'tried':>12}{'failed':>8}"]
        rows += [f"{name:<58}{self.tried[name]:>12,}{self.failed[name]:>8,}" for name in sorted(self.tried)]
        return "\n".join(rows)


@dataclass
class Run:
    """A composed session gone through."""

    composed: Composed
    said: list[CueGiven]
    states: list[tuple[float, State, str]]
    believed: list[bool]  # of each reading sent
    outputs: list[Output]


def gone_through(composed: Composed, session: Session | None = None, *, tick_s: float = 0.0,
                 looks: Callable[[Session, Input], None] | None = None) -> Run:
    """Feed a composed session; `tick_s`: time is looked at as often as live; `looks`: after each event."""
    session = session or Session(composed.settings, composed.plan)
    outputs: list[Output] = []
    ticked_s = 0.0
    for event in composed.inputs:
        while tick_s and ticked_s + tick_s < event.t_s:
            ticked_s += tick_s
            outputs += session.advance(ticked_s)
        outputs += session.feed(event)
        if looks:
            looks(session, event)
    outputs += session.advance(composed.end_s)
    return run_of(composed, outputs)


def run_of(composed: Composed, outputs: list[Output]) -> Run:
    doubts = {one.t_s: one.doubt for one in outputs if isinstance(one, ReadingDoubted)}
    believed = [doubts.get(one.reading.t_s, Doubt.STEP_RATE) == Doubt.STEP_RATE for one in composed.sent]
    states = [(0.0, State.WARMING, "")]
    states += [(one.t_s, one.state, one.rule) for one in outputs if isinstance(one, StateChanged)]
    return Run(composed, [one for one in outputs if isinstance(one, CueGiven)], states, believed, outputs)


def check(composed: Composed, run: Run | None = None) -> Found:
    """Every invariant on one session."""
    return _Checker(run or gone_through(composed)).check()


def invariants(run: Run) -> Found:
    """Those that hold whatever a strap sends, and that what is clean at last is guarded."""
    checker = _Checker(run, hostile=True)
    checker.said()
    checker.regained()
    checker.denied()
    checker.alive()
    checker.stop()
    checker.order()
    checker.ends_guarded()
    return checker.found


class _Checker:
    def __init__(self, run: Run, *, hostile: bool = False) -> None:
        self.run, self.of = run, run.composed
        self.hostile = hostile  # what is sent as RR may be anything
        self.found = Found(seed=self.of.seed)
        self.hold = self.found.hold
        self.readings: list[Reading] = [one.reading for one in self.of.sent]
        self.times = [one.t_s for one in self.readings]
        self.believed_s = [at_s for at_s, true in zip(self.times, run.believed, strict=True) if true]
        self.usable_s: list[float] = []  # of those that came together the first
        for one in self.readings:
            usable = one.contact is not False and 30 <= one.bpm <= 230
            if usable and not (self.usable_s and one.t_s - self.usable_s[-1] < TOGETHER_S):
                self.usable_s.append(one.t_s)
        self.lost_s = [one.t_s for one in run.said if one.cue is Cue.SIGNAL_LOST]
        self.stop_bpm = self.of.settings.stop_bpm or math.inf

    def check(self) -> Found:
        self.said()
        self.regained()
        self.cadence()
        self.noise()
        self.slow()
        self.denied()
        self.frozen()
        self.alive()
        self.irregular()
        self.stop()
        self.no_trap()
        self.order()
        self.ends_guarded()
        return self.found

    # -- what is asked again and again ------------------------------------------

    def interval_s(self, at_s: float, *, shortest: bool = False) -> float:
        """The second longest (or shortest plausible) of the newest gaps: what may have been learned."""
        place = bisect.bisect_right(self.usable_s, at_s)
        newest = self.usable_s[max(0, place - 9):place]
        gaps = sorted(after - before for before, after in pairwise(newest))
        if len(gaps) < 2:
            return 1.0
        return gaps[0] if shortest else min(gaps[-2], 60.0)

    def allowed_s(self, at_s: float, least_s: float) -> float:
        return max(least_s, INTERVALS * self.interval_s(at_s)) + LOOK_S

    def beats(self, one: Reading) -> tuple[float, ...]:
        """The intervals of a reading, where the strap's tell the truth."""
        return () if self.of.rr_lie else one.rr_s

    def held_at(self, at_s: float) -> bool:
        return any(begin_s <= at_s < end_s for begin_s, end_s in self.of.held)

    def age_s(self, at_s: float) -> float:
        """Since the newest believed reading."""
        place = bisect.bisect_right(self.believed_s, at_s)
        return at_s - self.believed_s[place - 1] if place else math.inf

    def state_at(self, at_s: float) -> tuple[State, str]:
        place = bisect.bisect_right([one[0] for one in self.run.states], at_s)
        return self.run.states[place - 1][1:]

    # -- said ---------------------------------------------------------------------

    def said(self) -> None:
        """Never longer than 8 s (or one and a half intervals) unguarded and unsaid; said again for ever."""
        marks = [(at_s, "believed") for at_s in self.believed_s]
        marks += [(begin_s, "hold") for begin_s, _ in self.of.held]
        marks += [(end_s, "go on") for _, end_s in self.of.held]
        marks += [(one.t_s, one.cue.key) for one in self.run.said if one.cue in WATCH]
        order = {"hold": 0, "go on": 0, "believed": 1}
        marks.sort(key=lambda mark: (mark[0], order.get(mark[1], 2)))
        marks.append((self.of.end_s, "end"))
        since_s, told, told_s, word_s, held, owed = 0.0, False, 0.0, 0.0, False, False
        for at_s, what in marks:
            if not held:
                self.silence(since_s, at_s, told, told_s, max(word_s, since_s))
            if what == "hold":
                held = True
            elif what == "go on":
                held, told, since_s = False, False, at_s
            elif what == "believed" and not held:
                since_s = at_s
            elif what == "signal_lost":
                told, owed, told_s, word_s = True, True, at_s, at_s
            elif what == "signal_back":
                self.hold("back: only after lost, at a believed reading", owed and at_s in self.believed_s,
                          f"{at_s}")
                told = owed = False
            elif what == "stop":
                word_s = at_s

    def silence(self, since_s: float, until_s: float, told: bool, told_s: float, word_s: float) -> None:
        """Nobody guarded from `since_s` on, and nothing was said after `told_s` until now."""
        unguarded_s = until_s - since_s
        if unguarded_s < 4.0:
            return
        allowed_s = max(self.allowed_s(since_s, SAID_S), self.allowed_s(until_s, SAID_S))
        self.hold("said within 8 s or 1.5 intervals", told or unguarded_s <= allowed_s,
                  f"{since_s} to {until_s}, allowed {allowed_s:.2f}")
        if told:
            quiet_s = until_s - max(told_s, since_s)
            self.hold("said again, never ending", quiet_s <= AGAIN_MOST_S + LOOK_S, f"{told_s} to {until_s}")
        place = bisect.bisect_right(self.believed_s, since_s)
        last = [bpm for at_s in self.believed_s[max(0, place - 3):place] if since_s - at_s < 15.0
                for bpm in [self.readings[bisect.bisect_left(self.times, at_s)].bpm]]
        paused = any(begin_s <= since_s <= end_s for begin_s, end_s in self.of.held)
        if len(last) == 3 and min(last) > self.stop_bpm - 5 and not paused:
            quiet_s = until_s - max(word_s, since_s)
            self.hold("near or over the limit: every 30 s",
                      quiet_s <= max(NEAR_AGAIN_S, allowed_s) + LOOK_S,
                      f"{word_s} to {until_s}")

    # -- regained -----------------------------------------------------------------

    def regained(self) -> None:
        """Clean living readings are believed again, whatever came before."""
        sent, begin = self.of.sent, 0
        while begin < len(sent):
            if not sent[begin].clean:
                begin += 1
                continue
            end = begin
            while end < len(sent) and sent[end].clean and (end == begin or self.goes_on(end)):
                end += 1
            self.clean_run(begin, end)
            begin = end

    def goes_on(self, place: int) -> bool:
        """No gap, and no jump of the truth itself, before this reading."""
        one, before = self.readings[place], self.readings[place - 1]
        pair = (self.of.sent[place - 1].stretch, self.of.sent[place].stretch)
        gap_s = 3.0 * max(min(self.of.stretches[number].interval_s for number in pair), 1.0)
        return one.t_s - before.t_s <= gap_s and abs(one.bpm - before.bpm) <= 12

    def clean_run(self, begin: int, end: int) -> None:
        begin_s = self.times[begin]
        doubted_from: int | None = None
        for place in range(begin, end + 1):
            if place < end and not self.run.believed[place]:
                doubted_from = place if doubted_from is None else doubted_from
                continue
            if doubted_from is not None:
                self.doubted(begin, doubted_from, place, ended=place < end, begin_s=begin_s)
            doubted_from = None
        self.hold("regained: 30 s or 4 readings, contradicted", True)

    def doubted(self, begin: int, first: int, after: int, *, ended: bool, begin_s: float) -> None:
        """Readings from `first` on, clean and living, were doubted until `after`."""
        newest = self.times[after] if ended else self.times[after - 1]
        lasted_s, count = newest - self.times[first], after - first
        moves = self.moving(first, after)
        if not moves:
            return
        slack_s = 2.0 * max(self.of.stretches[self.of.sent[first].stretch].interval_s, 1.0)
        # Until it is known, RR that disagree are no evidence.
        if self.of.rr_lie and bisect.bisect_left(self.usable_s, self.times[first]) < 16:
            self.hold("RR that lie: known within 30 s or 7 readings", lasted_s <= 30.0 or count <= 7,
                      f"from {self.times[first]} for {lasted_s}")
            return
        self.hold("regained: 30 s or 4 readings, contradicted",
                  lasted_s <= CONTRADICTED_S + slack_s or count <= 4,
                  f"from {self.times[first]} for {lasted_s}")
        if first == begin and not self.contradicts(first):
            self.hold("regained: 15 s or 3 readings", lasted_s <= REGAINED_S + slack_s or count <= 3,
                      f"from {self.times[first]} for {lasted_s}")

    def moving(self, first: int, after: int) -> bool:
        """No rate without beats stands still for over 5 s."""
        still_s = self.times[first]
        for place in range(first + 1, after):
            one, before = self.readings[place], self.readings[place - 1]
            if self.beats(one) or one.bpm != before.bpm:
                still_s = one.t_s
            elif one.t_s - still_s > 5.0:
                return False
        return True

    def contradicts(self, first: int) -> bool:
        """What was believed before is far from the truth now, or the signal leapt without beats."""
        begin_s, bpm = self.times[first], self.readings[first].bpm
        believed = [place for place in range(first) if self.run.believed[place]]
        far = any(abs(self.readings[place].bpm - bpm) > 9 for place in believed[-30:])
        lately = [place for place in range(max(0, first - 200), first) if self.times[place] > begin_s - 120.0]
        leapt = any(not self.beats(self.readings[place])
                    and abs(self.readings[place].bpm - self.readings[place - 1].bpm) >= 4
                    for place in lately[1:])
        return far or leapt

    # -- cadence ------------------------------------------------------------------

    def cadence(self) -> None:
        """From 1 to 10 s between readings the runner is guarded, once that is learned."""
        for stretch in self.of.stretches:
            if stretch.kind not in ("steady", "sparse", "final", "climb", "fall"):
                continue
            learned_s = stretch.begin_s + max(45.0, 8 * stretch.interval_s)
            learned_s = max(learned_s, self.regained_by_s(stretch.begin_s, stretch.interval_s))
            for at_s, state, rule in self.run.states:
                later, _ = self.state_at(at_s + 1.5)  # two leaps of honest noise cost half a second
                if learned_s < at_s < stretch.end_s and later is state and not self.held_at(at_s):
                    self.hold("guarded at the strap's own interval",
                              state is not State.NO_SIGNAL or self.locked(at_s) or self.stood_still(at_s),
                              f"{at_s} {rule}, every {stretch.interval_s:.1f} s")
            if (at_s := learned_s) < stretch.end_s - 1 and not self.held_at(at_s):
                state, rule = self.state_at(at_s)
                self.hold("guarded at the strap's own interval",
                          state is not State.NO_SIGNAL or self.locked(at_s) or self.stood_still(at_s),
                          f"{at_s} {rule}")

    def regained_by_s(self, begin_s: float, interval_s: float) -> float:
        """15 s and three readings after the first one from `begin_s` on that lives (RR that lie: seven)."""
        place = bisect.bisect_right(self.times, begin_s)
        lives_s = [one.t_s for before, one in pairwise(self.readings[place:])
                   if self.beats(one) or one.bpm != before.bpm]
        count = 7 if self.of.rr_lie else 3
        if len(lives_s) < count:
            return math.inf
        guarding_s = max(4.0, 1.5 * interval_s)  # from then on
        return max(lives_s[0] + REGAINED_S + 2.0 * interval_s, lives_s[count - 1] + guarding_s)

    def still(self, at_s: float) -> bool:
        """The truth itself has stood still for nearly a minute, without beats to prove it."""
        place = bisect.bisect_right(self.times, at_s)
        newest = [one for one in self.readings[:place] if at_s - one.t_s < FROZEN_S - 5.0]
        return bool(newest) and len({one.bpm for one in newest}) == 1 and not self.beats(newest[-1])

    def locked(self, at_s: float) -> bool:
        """What is no signal, whatever it began as, is now a rate that follows the steps."""
        words = [one.rule for one in self.run.said if one.cue is Cue.SIGNAL_LOST and one.t_s <= at_s]
        return words[-1:] == ["step_lock"] or self.state_at(at_s)[1] == "step_lock"

    def stood_still(self, at_s: float) -> bool:
        """It does, or did until so lately that it may not be believed again yet."""
        return self.still(at_s) or self.still(at_s - max(4.0, 1.5 * self.interval_s(at_s)))

    def noise(self) -> None:
        """Random rates without beats are not believed, and never lead to "signal back"."""
        for number, stretch in enumerate(self.of.stretches):
            places = [place for place, one in enumerate(self.of.sent) if one.stretch == number]
            told = stretch.rr or stretch.interval_s > 2.5 or self.held_at(stretch.begin_s)
            if stretch.kind != "noise" or told or len(places) < 15:
                continue
            # What chance draws at the level that was true a moment ago, nothing tells from it.
            clean_bpm = next((one.reading.bpm for one in reversed(self.of.sent[:places[0]]) if one.clean), 0)
            count = sum(self.run.believed[place] for place in places
                        if abs(self.readings[place].bpm - clean_bpm) > NOISE_NEAR_BPM)
            self.hold("noise is not believed", count <= 0.15 * len(places) + 1.0,
                      f"{stretch.begin_s} {count} of {len(places)}")
            back = [one.t_s for one in self.run.said if one.cue is Cue.SIGNAL_BACK
                    and stretch.begin_s + 10.0 < one.t_s < stretch.end_s]
            self.hold("noise is never signal back", not back, f"{back}")

    def slow(self) -> None:
        """A strap that sends too rarely to guard by is told plainly, and once."""
        for stretch in self.of.stretches:
            until_s = stretch.begin_s + 7 * stretch.interval_s
            if stretch.kind != "slow" or self.held_at(stretch.begin_s):
                continue
            # Since it was last fast enough: what lies between two such stretches may be too short.
            over_s = max((one.t_s for one in self.run.said if one.cue is Cue.SIGNAL_BACK
                          and one.t_s < stretch.begin_s), default=0.0)
            said = [one for one in self.run.said if one.cue is Cue.SIGNAL_LOST and one.rule == "too_seldom"
                    and min(over_s, stretch.begin_s - 120.0) <= one.t_s <= stretch.end_s]
            back = [one for one in self.run.said if one.cue is Cue.SIGNAL_BACK
                    and stretch.begin_s <= one.t_s <= until_s]
            once = sum(one.t_s > stretch.begin_s for one in said) <= 1
            self.hold("too seldom: said once", (bool(said) and said[0].t_s <= until_s and once) or bool(back),
                      f"{stretch.begin_s} {[one.t_s for one in said]}")

    def denied(self) -> None:
        """What the packet denies is not believed; beats alone outweigh a bit that has only ever said no."""
        felt, beats_s = False, -math.inf
        for one, true in zip(self.readings, self.run.believed, strict=True):
            felt = felt or one.contact is not False
            beats_s = one.t_s if any(self.beats(one)) else beats_s
            lately = one.t_s - beats_s <= FROZEN_RR_S  # not every packet holds one
            by_beats = not felt and lately and one.t_s - self.times[0] >= UNFELT_S
            if (one.contact is False and not by_beats) or not 30 <= one.bpm <= 230:
                self.hold("denied is never believed", not true, f"{one.t_s}")

    # -- alive --------------------------------------------------------------------

    def frozen(self) -> None:
        """A frozen sensor is known as one, and told."""
        for number, stretch in enumerate(self.of.stretches):
            places = [place for place, one in enumerate(self.of.sent) if one.stretch == number]
            if stretch.kind != "frozen" or not places or self.held_at(stretch.begin_s):
                continue
            first = places[0]
            before = self.of.sent[max(0, first - 10):first]
            usual = len(before) == 10 and all(one.clean and self.beats(one.reading) for one in before)
            for place in places[1:]:
                lasts_s = self.times[place] - self.times[first]
                limit_s = FROZEN_S + INTERVALS * (self.interval_s(self.times[place]) - 1.0)
                if usual or self.beats(self.readings[place]):
                    limit_s = FROZEN_RR_S
                if lasts_s <= limit_s + LOOK_S:
                    continue
                at_s = self.times[place]
                self.hold("frozen is known", not self.run.believed[place], f"{at_s}")
                told = [one.cue for one in self.run.said if one.t_s <= at_s + LOOK_S
                        and one.cue in (Cue.SIGNAL_LOST, Cue.SIGNAL_BACK)]
                self.hold("frozen is told at once", told[-1:] == [Cue.SIGNAL_LOST], f"{at_s}")

    def alive(self) -> None:
        """Nobody is sent off but by a living reading."""
        for given in self.run.said:
            if given.cue not in FASTER:
                continue
            place = bisect.bisect_left(self.times, given.t_s)
            there = place < len(self.times) and self.times[place] == given.t_s
            proof = there and self.run.believed[place] and place > 0 and self.proves(place)
            self.hold("faster only at a living reading", proof, f"{given.cue.key} at {given.t_s}")

    def proves(self, place: int) -> bool:
        one = self.readings[place]
        usable = [before for before in self.readings[max(0, place - 60):place]
                  if before.contact is not False and 30 <= before.bpm <= 230]
        if not usable:
            return True
        before = usable[-1]
        if not any(self.beats(one)):
            return one.bpm != before.bpm
        near = [by for by in (*usable[-10:], one) if one.t_s - by.t_s < 5.0 and any(by.rr_s)]
        told = any(map(self.tells_its_rate, [one, replace(one, rr_s=sum((a.rr_s for a in near), ()))]))
        if not told and self.hostile:  # whose intervals mostly repeat, or tell another rate, sends none
            telling = [after for by, after in pairwise(usable[-11:])
                       if after.rr_s != by.rr_s and self.tells_its_rate(after)]
            return len(telling) < 0.5 * len(usable[-10:]) and one.bpm != before.bpm
        return told and (one.rr_s != before.rr_s or one.bpm != before.bpm)

    @staticmethod
    def tells_its_rate(one: Reading) -> bool:
        rr_s = [rr for rr in one.rr_s if rr > 0.0]
        return bool(rr_s) and abs(60.0 * len(rr_s) / sum(rr_s) - one.bpm) <= 0.25 * one.bpm

    # -- irregular ----------------------------------------------------------------

    def irregular(self) -> None:
        """With beats an irregular pulse is believed; erratic over the limit is never left in silence."""
        words_s = sorted(one.t_s for one in self.run.said if one.cue in (Cue.STOP, Cue.SIGNAL_LOST))
        for stretch in self.of.stretches:
            if stretch.kind != "irregular" or self.held_at(stretch.begin_s):
                continue
            places = [place for place, one in enumerate(self.of.sent)
                      if self.of.stretches[one.stretch] is stretch
                      and self.times[place] > stretch.begin_s + 30.0]
            drawn = [one.reading.bpm for one in self.of.sent if self.of.stretches[one.stretch] is stretch]
            judged = [self.readings[place].bpm for place in places]
            promised = len(places) >= 15 and max(pstdev(drawn), pstdev(judged)) <= IRREGULAR_SD_BPM
            if stretch.rr and promised:
                share = sum(self.run.believed[place] for place in places) / len(places)
                self.hold("irregular with beats: 4 of 5 readings believed", share >= 0.8,
                          f"{stretch.begin_s} {share:.2f}")
            over = [self.readings[place].bpm for place in places]
            if over and sum(over) / len(over) - 20.0 > self.stop_bpm:
                for at_s in [self.times[place] for place in places[::10]]:
                    last_s = max((one for one in words_s if one <= at_s), default=-math.inf)
                    believed = self.age_s(at_s) < 30.0  # then it is a stop, which thins out
                    allowed_s = (STOP_THIN_S if believed else NEAR_AGAIN_S) + 2 * STOP_DUE_S
                    self.hold("irregular over the limit: a word", at_s - last_s <= allowed_s, f"{at_s}")

    # -- stop ---------------------------------------------------------------------

    def stop(self) -> None:
        stops_s = [one.t_s for one in self.run.said if one.cue is Cue.STOP]
        believed = set(self.believed_s)
        for before_s, at_s in pairwise([-math.inf, *stops_s]):
            self.hold("stop: at a believed reading, never held", at_s in believed and not self.held_at(at_s),
                      f"{at_s}")
            self.hold("stop: 10 s apart", at_s - before_s >= STOP_DUE_S - 0.001, f"{at_s}")
            place = bisect.bisect_right(self.times, at_s)
            self.hold("stop: over the limit", self.readings[place - 1].bpm > self.stop_bpm, f"{at_s}")
        if self.stop_bpm == math.inf:
            return
        self.stop_thins()
        self.stop_due(stops_s)
        self.disputed()

    def stop_thins(self) -> None:
        """Five stops on end at one level, never well under the limit between them, come ever later."""
        stops = [one for one in self.run.said if one.cue is Cue.STOP]
        for place in range(4, len(stops)):
            five = stops[place - 4:place + 1]
            levels = [one.numbers.level_bpm for one in five]
            between = [one.bpm for one in self.readings if five[0].t_s <= one.t_s <= five[-1].t_s]
            paused = any(five[0].t_s <= end_s and begin_s <= five[-1].t_s for begin_s, end_s in self.of.held)
            if max(levels) - min(levels) < 2.0 and min(between) > self.stop_bpm and not paused:
                self.hold("stop: thins out where nothing moves", five[-1].t_s - five[0].t_s >= 59.0,
                          f"{[one.t_s for one in five]}")

    def stop_due(self, stops_s: list[float]) -> None:
        """Believed readings over the limit for 10 s on end are a stop by then, or it was just said."""
        run_from: float | None = None
        under_s, before_bpm = -math.inf, math.inf  # newest two believed readings well under the limit
        for place, (one, true) in enumerate(zip(self.readings, self.run.believed, strict=True)):
            gap = place and one.t_s - self.times[place - 1] > 12.0
            if gap or self.held_at(one.t_s) or not true or one.bpm <= self.stop_bpm + 2:
                run_from = None
            # One reading of an irregular pulse is no level.
            if true and max(one.bpm, before_bpm) < self.stop_bpm - 8:
                under_s = one.t_s
            before_bpm = float(one.bpm) if true else before_bpm
            if true and one.bpm > self.stop_bpm + 2 and not self.held_at(one.t_s):
                run_from = one.t_s if run_from is None else run_from
                if one.t_s - run_from >= STOP_DUE_S + 2.0:
                    last_s = max((at_s for at_s in stops_s if at_s <= one.t_s), default=-math.inf)
                    lately = one.t_s - last_s <= STOP_THIN_S + 10.0
                    fresh = last_s >= under_s or last_s >= run_from
                    self.hold("stop: within 10 s of being due", lately and (
                        fresh or one.t_s - last_s < STOP_DUE_S + 1), f"{one.t_s}")

    def disputed(self) -> None:
        """Heard over the limit and not believed: words by feel within 8 s."""
        run_from: float | None = None
        words = [one for one in self.run.said if one.cue in (Cue.STOP, Cue.SIGNAL_LOST)]
        for place, (one, true) in enumerate(zip(self.readings, self.run.believed, strict=True)):
            heard = one.contact is not False and self.stop_bpm + 3 < one.bpm <= 230
            gap = place and one.t_s - self.times[place - 1] > 3.0
            if true or not heard or gap or self.held_at(one.t_s):
                run_from = None
                continue
            run_from = one.t_s if run_from is None else run_from
            lasts_s = one.t_s - run_from
            allowed_s = self.allowed_s(run_from, SAID_S) + 1.0
            if lasts_s > allowed_s:
                said = [word for word in words if word.t_s <= one.t_s]
                last_s = said[-1].t_s if said else -math.inf
                self.hold("disputed over the limit: a word within 8 s, every 30 s",
                          one.t_s - last_s <= NEAR_AGAIN_S + LOOK_S + 1.0, f"{one.t_s}")
                if said and last_s > run_from + 3.0:
                    self.hold("disputed over the limit: it is by feel",
                              said[-1].rule in ("by_feel", "stop", "too_seldom"), f"{last_s}")

    # -- no trap ------------------------------------------------------------------

    def no_trap(self) -> None:
        """Three minutes of clean readings under the ceiling lead to steady."""
        final_s = self.of.final_s
        state, _ = self.state_at(self.of.end_s)
        self.hold("no trap: steady after 3 min", state is State.STEADY or self.unproven(final_s),
                  f"{state.key} at {self.of.end_s}, final from {final_s}")
        floor_bpm = self.of.settings.floor_bpm or 0.0
        pace = [one for one in self.run.said if one.t_s > final_s + 60.0 and one.cue in PACE
                and not (one.cue is Cue.PICK_UP and self.mean_bpm(one.t_s) < floor_bpm + 3.0)]
        quiet = len(pace) <= 1 and all(one.cue is Cue.RESUME for one in pace)
        self.hold("no trap: at most one resume", quiet or self.stood(final_s, pace[-1].t_s),
                  f"{[(one.t_s, one.cue.key) for one in pace]}")
        late = [one for one in self.run.said
                if one.t_s > final_s + 100.0 and one.cue in WATCH and one.rule != "step_lock"
                and one.cue is not Cue.SIGNAL_BACK and not self.still(one.t_s)]
        self.hold("no trap: no word of the sensor after it", not late,
                  f"{[(one.t_s, one.cue.key, one.rule) for one in late]}")

    def stood(self, final_s: float, until_s: float = math.inf) -> bool:
        """Before `until_s` the truth stood still for so long that a sensor would count as frozen."""
        return any(self.stood_still(at_s) for at_s in self.times if final_s < at_s <= until_s)

    def unproven(self, final_s: float) -> bool:
        """The truth stood still, without beats: "run again" had to wait for a reading that proves life."""
        if self.stood(final_s):
            return True
        said = [one.t_s for one in self.run.said if one.cue is Cue.RESUME and one.t_s > final_s]
        place = bisect.bisect_left(self.times, said[0]) if said else len(self.times)
        pairs = zip(self.readings[place - 1:0:-1], self.readings[place - 2::-1], strict=False)
        moved_s = next((one.t_s for one, before in pairs if self.beats(one) or one.bpm != before.bpm), 0.0)
        return moved_s + SHOWS_S <= self.of.end_s < (said[0] if said else self.of.end_s) + SHOWS_S

    def mean_bpm(self, at_s: float) -> float:
        """Of the newest readings."""
        place = bisect.bisect_right(self.times, at_s)
        newest = [one.bpm for one in self.readings[:place] if at_s - one.t_s < 10.0]
        return sum(newest) / max(len(newest), 1)

    def ends_guarded(self) -> None:
        """The clean strap of the end is guarded by, said to be back, and not said to be lost."""
        end_s = self.of.end_s
        still = self.stood_still(end_s)
        state, rule = self.state_at(end_s)
        self.hold("clean at last: guarded", state is not State.NO_SIGNAL or still, f"{rule} at {end_s}")
        words = [one for one in self.run.said if one.cue in (Cue.SIGNAL_LOST, Cue.SIGNAL_BACK)][-1:]
        owed = [one for one in words if one.cue is Cue.SIGNAL_LOST and not self.still(one.t_s)]
        self.hold("clean at last: signal back is said", not owed or still, f"{end_s}")
        late = [one for one in self.run.said if one.t_s > self.of.final_s + 60.0
                and one.cue is Cue.SIGNAL_LOST and not self.still(one.t_s)]
        self.hold("clean at last: no word of the sensor", not late,
                  f"{[(one.t_s, one.rule) for one in late]}")

    # -- order --------------------------------------------------------------------

    def order(self) -> None:
        """Nothing while held; spacing; free run; pace only on fresh readings; no flood of words."""
        spacing_s, last_s = self.of.settings.spacing_s, -math.inf
        for given in self.run.said:
            if given.cue in (*PACE, *WATCH):
                held = self.held_at(given.t_s) or any(given.t_s == begin_s for begin_s, _ in self.of.held)
                self.hold("nothing while held", not held, f"{given.cue.key} at {given.t_s}")
            if given.cue in PACE:
                self.hold("pace cues keep their spacing", given.t_s - last_s >= spacing_s - 0.001,
                          f"{given.t_s}")
                self.hold("pace cues only while guarded",
                          self.age_s(given.t_s) <= self.allowed_s(given.t_s, 3.0)
                          and self.state_at(given.t_s)[0] is not State.NO_SIGNAL, f"{given.t_s}")
                free = any(begin_s <= given.t_s < end_s for begin_s, end_s in self.of.free)
                self.hold("no pace cue in a free run", not free, f"{given.t_s}")
            last_s = given.t_s
        for before_s, at_s in pairwise(self.lost_s):
            self.hold("lost: words apart", at_s - before_s >= 7.0, f"{before_s}, {at_s}")
        self.lock_ends()

    def lock_ends(self) -> None:
        """Pace cues wait on a step lock for a while that ends."""
        locks_s = [one.t_s for one in self.run.said
                   if one.cue is Cue.SIGNAL_LOST and one.rule == "step_lock"]
        for before_s, begin_s in pairwise([-math.inf, *locks_s]):
            over_s = begin_s + LOCK_S + 3 * self.interval_s(begin_s) + 5.0
            # A wait that doubted readings break begins anew with the next lock.
            meanwhile = [true for one, true in zip(self.readings, self.run.believed, strict=True)
                         if begin_s < one.t_s <= over_s]
            held = any(begin_s <= end_s and start_s <= over_s for start_s, end_s in self.of.held)
            other = any(one.rule != "step_lock" for one in self.run.said
                        if begin_s <= one.t_s <= over_s and one.cue is Cue.SIGNAL_LOST)
            ended = any(begin_s < at_s <= over_s and state is not State.NO_SIGNAL
                        for at_s, state, _ in self.run.states)
            fresh = begin_s - before_s > LOCK_S and over_s < self.of.end_s and not held
            told = ended or not other
            if fresh and told and all(meanwhile) and len(meanwhile) > 3 and self.interval_s(over_s) <= 10.0:
                self.hold("step lock: the wait ends", ended, f"{begin_s}")


def limits_fit(found: Found) -> Callable[[Session, Input], None]:
    """After every command the limits in force fit together."""
    def looks(session: Session, event: Input) -> None:
        if isinstance(event, Command) and event.action in (Action.CEILING, Action.FREE_RUN):
            seen, stop_bpm = session.snapshot(), session.settings.stop_bpm
            found.hold("limits fit together after a command",
                       (seen.floor_bpm is None or seen.floor_bpm < seen.ceiling_bpm)
                       and (stop_bpm is None or seen.ceiling_bpm < stop_bpm), f"{event.t_s}")
    return looks
