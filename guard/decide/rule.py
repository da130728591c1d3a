"""The one rule: ease, walk, run again, pick up, or nothing, by what is expected with and without it.

* **Ease** where the level is likely to pass the aim `ahead_s` ahead though every
  cue on its way be heeded. The aim lies a margin under the ceiling; each peak's
  miss corrects the margin, so that peaks come to lie at the ceiling. Never later
  than a bare alarm: a reading and the level over the ceiling, and nothing that
  says it falls, are enough.
* **In vain** are the words since the approach began, less what the target has
  fallen by. Then **walk** is said in their place: sooner to one who has shown that
  he has no jog under the ceiling, which is what every walk makes likelier and
  running makes forgotten. Where walking may not be said, words thin out.
* **A walk, and a running again, are believed when the level shows them**; the
  word is repeated, ever more rarely, until then. Cadence or speed settles it
  where it is told.
* **Run again** is said once the level would stay under the ceiling for a minute.
  What running again adds in its first minute is learned from each time.

Every state has a way out that needs no word: who was taken for walking and
climbs to the ceiling runs; who was taken for running and sinks far under it
after a walk was said is told that he may run. Over a kit (`kit.py`), pure.
"""

from __future__ import annotations

from guard.cues import Cue
from guard.decide.belief import Belief, decay
from guard.decide.columns import Columns
from guard.decide.effects import EFFECTS, Why
from guard.decide.fall import FALL_BEGINS_S, UnexplainedFall
from guard.decide.figures import Figures
from guard.decide.rise import MINUTE_S, Rise
from guard.signal.kit import Fact, Kit, Number
from guard.signal.watch import NEVER_S

INFINITE = float("inf")
# Chosen on simulated runners (`tests/lab`, development seeds) where no source is named.
FALLS_Z, RISES_Z = 0.524, 0.385  # 70 % sure that the target is under the aim; 35 % that it is over
FALL_MOST_BPM = 15.0  # of the target since the approach began, that counts against "in vain"
WARMING_BPM = 4.0  # in a warm-up nobody is cued who is farther under its limit
LONGEST_WAIT_S = 280.0
# A walk that readings contradict is asked for again, after 10, 20, 40 s and so on: ever more rarely, for
# who does not listen hears less with every word.
WALK_AGAIN_S, WALK_AGAIN_GROWS = 10.0, 2.0
LOST_S, LEAST_WALK_S = 75.0, 20.0  # a walk not shown by then was not heeded; none is shorter
# A level that stands still, where no fall has shown a walk, asks for nothing: he is told that he may run;
# and whose level stands still on after that word runs. (Who is seen to walk waits until a minute's running
# would stay under: told sooner, simulated runners were over for a fifth longer. Only the spare is waived.)
HOLDS_S, HOLDS_WITHIN_BPM, HOLDS_UNDER_BPM, STAYS_S = 100.0, 4.0, 2.0, 60.0
RISE_SPARE = 1.25  # no two rises are alike: room for a quarter more than the last


class Rule:
    """What each lane remembers, and what follows from it.

    After a step: `cue` and `why` (codes), `walking` and `easing` (facts),
    `limit_bpm` (ceiling, or the warm-up's ramp). `last_s` is when a word was
    last said; others' count too.
    """

    def __init__(self, kit: Kit, figures: Figures, columns: Columns, belief: Belief) -> None:
        self._kit, self._figures, self._col, self._belief = kit, figures, columns, belief
        zero = columns.ceiling_bpm * 0.0
        no: Fact = zero != zero
        self._zero = zero
        self.cue: Number = zero
        self.why: Number = zero
        self.walking: Fact = no
        self.easing: Fact = no
        self.limit_bpm = columns.ceiling_bpm
        self._warm: Fact = no
        self.last_s, self._picked_s, self._pick_wait_s = zero + NEVER_S, zero + NEVER_S, zero
        # aim
        self._margin_bpm = columns.margin_bpm
        self._top_bpm, self._near = zero + NEVER_S, no  # of this approach
        # in vain
        self._words, self._from_bpm = zero, zero
        self._no_jog = zero
        # walk
        self._walk_s, self._walk_word_s, self._walk_wait_s = zero + NEVER_S, zero + NEVER_S, zero
        self._walk_top_bpm, self._walk_top_s = zero, zero + NEVER_S
        self._low_bpm, self._low_s = zero, zero
        self._seen, self._owed = no, no
        self._doubt = UnexplainedFall(kit, zero)
        self._still_bpm, self._still_s = zero + NEVER_S, zero  # the level stands still since
        # running again
        self._asked, self._asked_s, self._ask_wait_s = zero, zero + NEVER_S, zero
        self._asked_bpm = zero
        self._rise = Rise(kit, columns.rise_bpm, figures.rise_bpm)

    def step(self, t: Number, dt: Number, since_s: Number, guarded: Fact, free: Fact, alive: Fact,
             gait: Number | None) -> None:
        """One step at `t`, `since_s` after the session began.

        `guarded`: trusted readings come; `free`: nothing else is said in this
        step; `alive`: a reading arrived that is proof of life; `gait`: 1 runs,
        -1 walks, 0 unknown (None: never told).
        """
        k, col, b = self._kit, self._col, self._belief
        where, no = k.where, k.no
        warm = since_s >= col.warm_up_s
        left = k.most(1.0 - since_s / k.most(col.warm_up_s, 1.0), 0.0)
        ramped = no(warm) & (since_s >= col.warm_up_quiet_s)
        ramp = col.ceiling_bpm - where(warm, 0.0, col.warm_up_ramp_bpm * left)
        self.limit_bpm = limit = where(ramped, ramp, col.ceiling_bpm)
        aim = limit - where(ramped, 0.0, self._margin_bpm)
        level, target = b.level_bpm, b.target_bpm - b.pending_bpm
        hot = target > aim
        cool = target + FALLS_Z * b.target_sd_bpm < aim
        likely = (b.foreseen_bpm + col.certainty_z * b.foreseen_sd_bpm > aim) & (
            target + b.coming_bpm > aim) & b.covered
        over = b.fresh & (b.newest_bpm > limit) & (level > limit)
        alarm = over & (target + RISES_Z * b.target_sd_bpm > aim)
        due = (likely | alarm) & (warm | (level > ramp - WARMING_BPM))
        self._look_back(t, dt, level, limit, cool)

        paced = guarded & no(col.free_run)
        spaced = free & paced & (t - self.last_s >= col.spacing_s)
        running = no(self.walking)
        vain = self._vain()
        enough = col.in_vain * (1.0 - self._no_jog)
        hopeless = vain >= enough
        thins = 1.0 + k.most(vain - col.in_vain, 0.0)
        patient = t - self.last_s >= k.least(col.ease_again_s * thins, LONGEST_WAIT_S)
        word = spaced & running & due & patient
        may_walk = (warm | (level > col.ceiling_bpm)) & col.walking & no(col.quiet_walk)
        walk_again = t - self._walk_word_s >= self._walk_wait_s
        known = self._no_jog > self._figures.walk_run
        walk = word & hopeless & may_walk & walk_again & ((level > limit) | known)
        held_back = hopeless & known & may_walk
        ease = word & no(walk | held_back | col.quiet_ease)

        again, gone, resume = self._while_walking(
            t, level, limit, hot, spaced & no(col.quiet_walk), walk_again, alive, gait)
        walks_on, low = self._walks_on(t, level, limit, target, guarded & no(word), gait)
        pick_up = self._pick_up(t, level, target, spaced & running & warm & alive, due)

        turned = b.target_bpm + FALLS_Z * b.target_sd_bpm < aim
        calm = self.easing & turned & no(ease | walk)
        self._why(self._warm, warm, ease, walk, again, resume, pick_up, gone, walks_on, calm)
        self._enter(t, level, ease, walk, again, resume, pick_up, gone, walks_on, low)
        self.easing = (self.easing | ease) & no(calm | walk | walks_on | col.free_run)
        self.walking = self.walking & no(col.free_run)
        self._warm = warm

    def pause(self, lanes: Fact) -> None:
        """The runner stood or drank: he begins anew."""
        k = self._kit
        where, no = k.where, k.no
        self.walking, self.easing = self.walking & no(lanes), self.easing & no(lanes)
        self._owed = self._owed & no(lanes)
        self._words = where(lanes, 0.0, self._words)
        self._near = self._near & no(lanes)
        self._top_bpm = where(lanes, NEVER_S, self._top_bpm)

    # -- what is remembered --------------------------------------------------

    def _vain(self) -> Number:
        """Words of this approach, less what the target has fallen by since the first."""
        k = self._kit
        fallen = k.least(k.most(self._from_bpm - self._belief.target_bpm, 0.0), FALL_MOST_BPM)
        return self._words - fallen / EFFECTS[Cue.EASE].fall_bpm

    def _look_back(self, t: Number, dt: Number, level: Number, limit: Number, cool: Fact) -> None:
        """The approach: its peak corrects the margin; what turned it ends the count of words."""
        k, f = self._kit, self._figures
        where, no = k.where, k.no
        running = no(self.walking)
        since = t - self.last_s
        self._top_bpm = k.most(self._top_bpm, level)
        self._near = self._near | (running & (level > limit - f.turn_bpm))
        turned = running & cool & (since >= LEAST_WALK_S) & (level < limit - f.turn_bpm) & (
            level < self._top_bpm - f.turn_bpm)
        over = self._near & (level < self._top_bpm - 2.0)
        missed_by = self._top_bpm - limit + 0.2
        self._margin_bpm = where(over, k.least(k.most(
            self._margin_bpm + f.aim_share * missed_by, 0.0), self._col.margin_bpm), self._margin_bpm)
        self._near = self._near & no(over)
        self._top_bpm = where(over | no(self._near), level, self._top_bpm)
        quiet = running & cool & (level < limit - 1.0) & (since > MINUTE_S)
        self._words = where(turned | quiet, 0.0, self._words)
        self._no_jog = where(running, self._no_jog * decay(dt / f.no_jog_s), self._no_jog)
        self._walk_wait_s = where(self._seen | (running & cool), 0.0, self._walk_wait_s)

    # -- walking ---------------------------------------------------------------

    def _while_walking(
        self, t: Number, level: Number, limit: Number, hot: Fact, spaced: Fact, walk_again: Fact,
        alive: Fact, gait: Number | None,
    ) -> tuple[Fact, Fact, Fact]:
        """Who is told to walk once more, who runs, and who may run again."""
        k, f, b, walking = self._kit, self._figures, self._belief, self.walking
        where, no = k.where, k.no
        asked = self._asked > 0.0
        walked_s = t - self._walk_s
        watched = (walking | self._owed) & b.settled
        self._walk_top_bpm = where(watched, k.most(self._walk_top_bpm, level), self._walk_top_bpm)
        at_top = watched & (level > self._walk_top_bpm - 1.0)
        self._walk_top_s = where(at_top, t, self._walk_top_s)
        lower = watched & ((level >= self._walk_top_bpm) | (level < self._low_bpm))
        self._low_bpm, self._low_s = where(lower, level, self._low_bpm), where(lower, t, self._low_s)
        moves = b.settled & ((level > self._still_bpm + HOLDS_WITHIN_BPM)
                             | (level < self._still_bpm - HOLDS_WITHIN_BPM))
        self._still_bpm, self._still_s = where(moves, level, self._still_bpm), where(moves, t, self._still_s)
        still_s = t - k.most(self._still_s, self._walk_s)
        holds = b.settled & (level < limit - HOLDS_UNDER_BPM) & (still_s > HOLDS_S)
        fell = self._walk_top_bpm - level
        self._seen = walking & (self._seen | (b.settled & (fell > f.walk_shows_bpm)))
        shown = self._seen | (self._walk_top_bpm - self._low_bpm >= 0.5 * f.walk_shows_bpm)
        risen = level - self._low_bpm
        gone = shown & b.settled & ((hot & (risen > f.turn_bpm)) | (asked & (risen > 0.5 * f.walk_shows_bpm)))
        unheeded = (b.settled & no(self._seen | asked) & (t - self._walk_word_s > LOST_S)
                    & (walked_s > LOST_S) & (level < limit) & (fell < 0.5 * f.walk_shows_bpm))
        if gait is not None:
            self._seen = self._seen | (walking & (gait < 0.0))
            runs = (gait > 0.0) & (t - self.last_s > LEAST_WALK_S)
            untold = gait == 0.0
            gone = (untold & gone) | runs
            unheeded = unheeded & untold
        stays = walking & (unheeded | (asked & holds & (t - self._asked_s > STAYS_S)))
        # whom no fall shows to walk runs; only a further fall says otherwise
        self._walk_top_bpm = where(stays, level, self._walk_top_bpm)
        gone = (walking & gone) | stays
        # whose fall ended over the limit walks no longer, or not enough
        still_over = self._seen & (t - k.most(self._still_s, self._walk_s) > f.shows_s)
        again = (spaced & walking & no(asked | gone) & (level > limit) & hot
                 & (still_over | (no(self._seen) & walk_again)))
        self._seen = self._seen & no(again)
        self._walk_top_bpm = where(again & still_over, level, self._walk_top_bpm)

        deep = self._doubt.step(t, level, walking, b.fresh, b.settled, fell,
                                k.least(walked_s, t - self._walk_top_s + FALL_BEGINS_S))
        # no proof of a walk either: what proves one begins anew at this level
        self._walk_top_bpm = where(deep, level, self._walk_top_bpm)
        self._low_bpm = where(deep, level, self._low_bpm)
        self._walk_s = where(deep, t, self._walk_s)
        self._seen = self._seen & no(deep)
        fits = self._seen & (walked_s > LEAST_WALK_S) & (
            (level < self.resume_bpm) | ((level + self._rise.bpm < limit) & (still_s > HOLDS_S)))
        first = fits | (walked_s > f.longest_walk_s) | (holds & no(self._seen))
        once_more = (t - self._asked_s >= self._ask_wait_s) & (level < self._asked_bpm - f.turn_bpm)
        due = (asked & once_more) | (no(asked) & first)
        resume = (spaced & walking & alive & b.settled & no(gone) & (level < limit) & due
                  & self._doubt.over(t))
        return again, gone, resume

    def _walks_on(self, t: Number, level: Number, limit: Number, target: Number, guarded: Fact,
                  gait: Number | None) -> tuple[Fact, Fact]:
        """Taken for running, but far under since a walk was said: he walks; and has for a while."""
        k, f = self._kit, self._figures
        far = f.walk_shows_bpm
        sinks = (level < self._walk_top_bpm - far) & (level < limit)
        low = ((level < limit - far) & (target < limit - far) & (t - self.last_s > f.shows_s)
               & (level < self._walk_top_bpm - f.turn_bpm))
        shown = self._belief.settled & (sinks | low)
        if gait is not None:
            shown = ((gait == 0.0) & shown) | (gait < 0.0)
        return guarded & self._owed & k.no(self.walking) & shown, low

    def _pick_up(self, t: Number, level: Number, target: Number, may: Fact, due: Fact) -> Fact:
        col, k = self._col, self._kit
        under = (level < col.floor_bpm) & (target < col.floor_bpm) & k.no(due | col.quiet_ease)
        self._pick_wait_s = k.where(level >= col.floor_bpm, 0.0, self._pick_wait_s)
        return may & under & (t - self.last_s >= MINUTE_S) & (t - self._picked_s >= self._pick_wait_s)

    # -- what follows --------------------------------------------------------------

    def _why(self, was_warm: Fact, warm: Fact, ease: Fact, walk: Fact, again: Fact, resume: Fact,
             pick_up: Fact, gone: Fact, walks_on: Fact, calm: Fact) -> None:
        where, no = self._kit.where, self._kit.no
        first = where(self.easing, int(Why.EASE_AGAIN), int(Why.EASE))
        known = self._no_jog > self._figures.walk_run
        cases: tuple[tuple[Fact, Number], ...] = (
            (warm & no(was_warm), int(Why.WARM_UP_OVER)), (calm, int(Why.CALM)), (gone, int(Why.RUNS_AGAIN)),
            (walks_on, int(Why.WALKS_ON)), (pick_up, int(Why.PICK_UP)),
            (resume, where(self._asked > 0.0, int(Why.RESUME_MISSED), int(Why.RESUME))),
            (ease, where(warm, first, int(Why.WARM_UP_EASE))), (again, int(Why.WALK_SLOWER)),
            (walk, where(known, int(Why.NO_JOG_WOULD_DO), int(Why.EASED_IN_VAIN))))
        why: Number = self._zero
        for fact, code in cases:
            why = where(fact, code, why)
        self.why = where(self._col.free_run & (self.walking | self.easing), int(Why.FREE_RUN), why)
        self.cue = where(ease, int(Cue.EASE), where(walk | again, int(Cue.WALK), where(
            resume, int(Cue.RESUME), where(pick_up, int(Cue.PICK_UP), int(Cue.NONE)))))

    def _enter(self, t: Number, level: Number, ease: Fact, walk: Fact, again: Fact, resume: Fact,
               pick_up: Fact, gone: Fact, walks_on: Fact, low: Fact) -> None:
        """What is remembered of it."""
        k, f, b = self._kit, self._figures, self._belief
        where, no = k.where, k.no
        self.last_s = where(ease | walk | again | resume | pick_up, t, self.last_s)
        self._rise.learn(t, level, k.no(self.walking), walk, self._doubt.over(t))
        if k.some(ease):
            self._from_bpm = where(ease & (self._words == 0.0), b.target_bpm, self._from_bpm)
            self._words = where(ease, self._words + 1.0, self._words)
            b.expect(ease, EFFECTS[Cue.EASE].fall_bpm)
        if k.some(pick_up):
            b.expect(pick_up, EFFECTS[Cue.PICK_UP].fall_bpm, anew=True)
            self._picked_s = where(pick_up, t, self._picked_s)
            self._pick_wait_s = where(pick_up, k.least(
                k.most(2.0 * self._pick_wait_s, MINUTE_S), LONGEST_WAIT_S), self._pick_wait_s)
        if k.some(gone):
            self._start(gone, t, level)
        if k.some(resume):
            self._asked = where(resume, self._asked + 1.0, self._asked)
            self._asked_s = where(resume, t, self._asked_s)
            self._asked_bpm = where(resume, level, self._asked_bpm)
            self._ask_wait_s = where(resume, self._doubled(self._ask_wait_s), self._ask_wait_s)
            self._low_bpm, self._low_s = where(resume, level, self._low_bpm), where(resume, t, self._low_s)
            self._owed = self._owed & no(resume)
        if k.some(walk | again):
            word = walk | again
            self._walk_word_s = where(word, t, self._walk_word_s)
            longer_s = k.least(k.most(WALK_AGAIN_GROWS * self._walk_wait_s, WALK_AGAIN_S), LONGEST_WAIT_S)
            self._walk_wait_s = where(word, longer_s, self._walk_wait_s)
            b.expect(word, EFFECTS[Cue.WALK].fall_bpm, anew=True)
            more = k.least(self._no_jog + f.no_jog_step, 2.0 * f.no_jog_step)
            self._no_jog = where(walk, more, self._no_jog)
            self._owed = self._owed | walk
        begins = walk | walks_on
        if k.some(begins):
            self._walk_s = where(begins, where(low & no(walk), NEVER_S, t), self._walk_s)
            self._walk_top_bpm = where(walk, level, self._walk_top_bpm)
            self._low_bpm, self._low_s = where(begins, level, self._low_bpm), where(begins, t, self._low_s)
            self._seen = (self._seen & no(walk)) | walks_on
            self._asked = where(begins, 0.0, self._asked)
            self._ask_wait_s = where(begins, 0.0, self._ask_wait_s)
        self.walking = (self.walking & no(gone)) | begins

    def _start(self, lanes: Fact, t: Number, level: Number) -> None:
        """He runs: what that adds in a minute is watched, and the count of words begins anew."""
        where = self._kit.where
        shown = lanes & (self._seen | (self._asked > 0.0))
        self._rise.begin(shown, self._low_bpm, self._low_s, level)
        self._words = where(lanes, 0.0, self._words)
        self._asked, self._ask_wait_s = where(lanes, 0.0, self._asked), where(lanes, 0.0, self._ask_wait_s)

    @property
    def resume_bpm(self) -> Number:
        """Down from here he may run again: what that adds in a minute, and a spare, stay under the limit."""
        return self.limit_bpm - RISE_SPARE * self._rise.bpm

    @property
    def rise_bpm(self) -> Number:
        """What running again adds in its first minute."""
        return self._rise.bpm

    def _doubled(self, wait_s: Number) -> Number:
        k = self._kit
        return k.least(k.most(2.0 * wait_s, self._figures.shows_s), LONGEST_WAIT_S)
