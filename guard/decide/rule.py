"""The one rule: ease, walk, run again, pick up, or nothing, by what is expected with and without it.

* **Ease** where the level is likely to pass the aim `ahead_s` ahead though every
  cue on its way be heeded. The aim lies a margin under the ceiling; each peak's
  miss corrects the margin, so that peaks come to lie just under the ceiling. Never
  later than a bare alarm: a reading and the level over the ceiling, and nothing
  that says it falls, are enough. A level that stands still under it is no reason.
* **In vain** are the words since the approach began, less what the target has
  fallen by. Then **walk** is said in their place: sooner to one who has shown that
  he has no jog under the ceiling, which is what every walk makes likelier, and
  every approach that an ease turned, and running, less. Where walking may not be said, words thin out.
* **Run again** is said once the level would stay under the ceiling for a minute;
  see `walking.py`.

Over a kit (`kit.py`), pure.
"""

from guard.cues import Cue
from guard.decide.belief import Belief, decay
from guard.decide.columns import Columns
from guard.decide.effects import EFFECTS, Why
from guard.decide.figures import Figures
from guard.decide.rise import MINUTE_S
from guard.decide.still import Still
from guard.decide.walking import Walking
from guard.signal.kit import Fact, Kit, Number
from guard.signal.watch import NEVER_S

# Chosen on simulated runners (`tests/lab`, development seeds) where no source is named.
FALLS_Z, RISES_Z = 0.524, 0.385  # 70 % sure that the target is under the aim; 35 % that it is over
FALL_MOST_BPM = 15.0  # of the target since the approach began, that counts against "in vain"
# An ease turned it: the target is still under the aim so long after, and the level so far under its top.
TURNED_S, TURNED_BPM = 30.0, 1.0
CLIMBS_BPM = 5.0  # a level so far over what it was at the last word moves
PICK_UP_MOST_S = 280.0  # the longest wait between words to pick up that bring nothing
RESTS_FROM = 0.9  # "no jog would do" of two walks: he rests longer
REMEMBERED_SHARE = 0.6  # of a walk's step, where it was said by memory: what is not tried proves little
REFUSED_SHARE = 0.5  # of it is taken back where he ran on: refused, or not heard
WARMING_BPM = 4.0  # in a warm-up nobody is cued who is farther under its limit, or settles under the ceiling
# A reading that leapt is no slope: who has kept so long within a band so wide, farther under the limit,
# goes on.
RESTS_WITHIN_BPM, RESTS_S, RESTS_UNDER_BPM = 5.0, 30.0, 2.0


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
        self.easing: Fact = no
        self.limit_bpm = columns.ceiling_bpm
        self._warm: Fact = no
        self.last_s, self._picked_s, self._pick_wait_s = zero + NEVER_S, zero + NEVER_S, zero
        # the newest word to slow down, and the level then; since when it stays over the limit
        self._word_s, self._word_bpm, self._moved_s = zero + NEVER_S, zero, zero
        # aim
        self._margin_bpm = columns.margin_bpm
        self._top_bpm, self._near = zero + NEVER_S, no  # of this approach
        # in vain
        self._words, self._from_bpm = zero, zero
        self._no_jog, self._gait = zero, zero
        self._proof, self._unproven = zero, no  # what the newest walk adds to it, and whether that is to come
        self._walk = Walking(kit, figures, columns.rise_bpm)
        self._rests = Still(kit, zero, RESTS_WITHIN_BPM)

    def step(self, t: Number, dt: Number, since_s: Number, guarded: Fact, free: Fact, alive: Fact,
             gait: Number | None, idle: Fact | None) -> None:
        """One step at `t`, `since_s` after the session began.

        `guarded`: trusted readings come; `free`: nothing else is said in this
        step; `alive`: a reading arrived that is proof of life; `gait`: 1 runs,
        -1 walks, 0 unknown (None: never told); `idle`: the speed told is a stand or a walk.
        """
        k, f, col, b = self._kit, self._figures, self._col, self._belief
        where, no = k.where, k.no
        warm = since_s >= col.warm_up_s
        left = k.most(1.0 - since_s / k.most(col.warm_up_s, 1.0), 0.0)
        ramped = no(warm) & (since_s >= col.warm_up_quiet_s)
        ramp = col.ceiling_bpm - where(warm, 0.0, col.warm_up_ramp_bpm * left)
        self.limit_bpm = limit = where(ramped, ramp, col.ceiling_bpm)
        aim = limit - where(ramped, 0.0, self._margin_bpm)
        level, target = b.level_bpm, b.heads_bpm
        hot = target > aim
        cool = target + FALLS_Z * b.target_sd_bpm < aim
        likely = (b.foreseen_bpm + col.certainty_z * b.foreseen_sd_bpm > aim) & (
            target + b.coming_bpm > aim) & b.covered
        over = b.fresh & (b.newest_bpm > limit) & (level > limit)
        alarm = over & (target + RISES_Z * b.target_sd_bpm > aim)
        self._rests.step(t, b.shown_bpm, b.fresh)
        rests = ((t - self._rests.since_s > RESTS_S) & (b.shown_bpm < limit - RESTS_UNDER_BPM)
                 & (b.coming_bpm <= 0.0))
        heads_over = (target > col.ceiling_bpm - f.turn_bpm) | (level > col.ceiling_bpm)
        due = ((likely & no(rests)) | alarm) & (warm | ((level > ramp - WARMING_BPM) & heads_over))
        self._look_back(t, dt, level, limit, cool)

        paced = guarded & no(col.free_run)
        spaced = free & paced & (t - self.last_s >= col.spacing_s)
        running = no(self.walking)
        vain = self._vain()
        enough = col.in_vain * (1.0 - self._no_jog)
        hopeless = vain >= enough
        thins = 1.0 + k.most(vain - col.in_vain, 0.0)
        # over the limit, the longer nothing has moved, the rarer
        moves = (level <= limit) | (level > self._word_bpm + CLIMBS_BPM)
        self._moved_s = where(moves, t, self._moved_s)
        self._walk.wait_s = over_wait_s = k.least(col.over_share * (t - self._moved_s), col.wait_most_s)
        patient = t - self._word_s >= where(
            level > limit, k.most(col.ease_again_s, over_wait_s),
            k.least(col.ease_again_s * thins, col.wait_most_s))
        word = spaced & running & due & patient
        may_walk = (warm | (level > col.ceiling_bpm)) & col.walking & no(col.quiet_walk)
        known = self._no_jog > f.walk_run
        walk = word & hopeless & may_walk & self._walk.may_say(t) & ((level > limit) | known)
        held_back = hopeless & known & may_walk
        ease = word & no(walk | held_back | col.quiet_ease)

        self._walk.rests = self._no_jog > RESTS_FROM
        again, gone, resume = self._walk.step(t, b, limit, hot, spaced & no(col.quiet_walk), alive, gait)
        walks_on, low = self._walk.walks_on(t, b, limit, target, guarded & no(word), self.last_s, gait)
        if idle is not None:  # nor is he for a minute after: his heart rate still has to rise
            self._picked_s = where(idle, t, self._picked_s)
        pick_up = self._pick_up(t, level, target, spaced & running & warm & alive, due)

        turned = b.target_bpm + FALLS_Z * b.target_sd_bpm < aim
        calm = self.easing & turned & no(ease | walk)
        self._why(self._warm, warm, ease, walk, again, resume, pick_up, gone, walks_on, calm)
        self._enter(t, level, ease, walk, again, resume, pick_up, gone, walks_on, low)
        self._answered(walk, gone, gait)
        self.easing = (self.easing | ease) & no(calm | walk | walks_on | col.free_run)
        self._walk.walking = self.walking & no(col.free_run)
        self._warm = warm

    def pause(self, t: Number, lanes: Fact) -> None:
        """The runner stood or drank: he begins anew."""
        k = self._kit
        where, no = k.where, k.no
        self._walk.pause(t, lanes)
        self.easing = self.easing & no(lanes)
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
        """The approach: its peak corrects the margin; an ease that turned it says that a jog will do."""
        k, f = self._kit, self._figures
        where, no = k.where, k.no
        running = no(self.walking)
        since = t - self.last_s
        self._top_bpm = k.most(self._top_bpm, level)
        self._near = self._near | (running & (level > limit - f.turn_bpm))
        turned = running & cool & (since >= TURNED_S) & (level < limit) & (
            level < self._top_bpm - TURNED_BPM)
        over = self._near & (level < self._top_bpm - 2.0)
        missed_by = self._top_bpm - limit + f.aim_under_bpm
        self._margin_bpm = where(over, k.least(k.most(
            self._margin_bpm + f.aim_share * missed_by, 0.0), self._col.margin_bpm), self._margin_bpm)
        self._near = self._near & no(over)
        self._top_bpm = where(over | no(self._near), level, self._top_bpm)
        quiet = running & cool & (level < limit - 1.0) & (since > MINUTE_S)
        less = k.most(self._no_jog - f.no_jog_step, 0.0)
        self._no_jog = where(turned & (self._words > 0.0), less, self._no_jog)
        self._words = where(turned | quiet, 0.0, self._words)
        self._no_jog = where(running, self._no_jog * decay(dt / f.no_jog_s), self._no_jog)
        self._walk.ran_well(quiet, running & cool, level < limit)

    def _pick_up(self, t: Number, level: Number, target: Number, may: Fact, due: Fact) -> Fact:
        col, k = self._col, self._kit
        under = (level < col.floor_bpm) & (target < col.floor_bpm) & k.no(due | col.quiet_ease)
        self._pick_wait_s = k.where(level >= col.floor_bpm, 0.0, self._pick_wait_s)
        return may & under & (t - self.last_s >= MINUTE_S) & (
            t - self._picked_s >= k.most(self._pick_wait_s, MINUTE_S))

    # -- what follows --------------------------------------------------------------

    def _why(self, was_warm: Fact, warm: Fact, ease: Fact, walk: Fact, again: Fact, resume: Fact,
             pick_up: Fact, gone: Fact, walks_on: Fact, calm: Fact) -> None:
        where, no = self._kit.where, self._kit.no
        first = where(self.easing, int(Why.EASE_AGAIN), int(Why.EASE))
        known = self._no_jog > self._figures.walk_run
        cases: tuple[tuple[Fact, Number], ...] = (
            (warm & no(was_warm), int(Why.WARM_UP_OVER)), (calm, int(Why.CALM)), (gone, int(Why.RUNS_AGAIN)),
            (walks_on, int(Why.WALKS_ON)), (pick_up, int(Why.PICK_UP)),
            (resume, where(self._walk.missed, int(Why.RESUME_MISSED), int(Why.RESUME))),
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
        where = k.where
        self.last_s = where(ease | walk | again | resume | pick_up, t, self.last_s)
        slows = ease | walk | again
        self._word_s, self._word_bpm = where(slows, t, self._word_s), where(slows, level, self._word_bpm)
        self._walk.learn(t, level, walk)
        if k.some(ease):
            self._from_bpm = where(ease & (self._words == 0.0), b.target_bpm, self._from_bpm)
            self._words = where(ease, self._words + 1.0, self._words)
            b.expect(ease, EFFECTS[Cue.EASE].fall_bpm)
        if k.some(pick_up):
            b.expect(pick_up, EFFECTS[Cue.PICK_UP].fall_bpm, anew=True)
            self._picked_s = where(pick_up, t, self._picked_s)
            self._pick_wait_s = where(pick_up, k.least(
                k.most(2.0 * self._pick_wait_s, MINUTE_S), PICK_UP_MOST_S), self._pick_wait_s)
        if k.some(walk | again):
            b.expect(walk | again, EFFECTS[Cue.WALK].fall_bpm, anew=True)
            tried = self._vain() >= self._col.in_vain
            self._proof = where(walk, where(tried, 1.0, REMEMBERED_SHARE) * f.no_jog_step, self._proof)
        self._walk.enter(t, level, walk, again, resume, gone, walks_on, low)

    def _answered(self, walk: Fact, gone: Fact, gait: Number | None) -> None:
        """A walk makes "no jog would do" likelier; words begin anew when he runs again.

        Where gait is told, a walk counts once it was taken: whoever ran on has not tried it,
        and a step without a speed is no sign that he stopped.
        """
        k, refused = self._kit, self._walk.refused
        where, no = k.where, k.no
        self._unproven = walk | self._unproven
        proves, anew = self._unproven, gone
        if gait is not None:
            self._gait = where(gait == 0.0, self._gait, gait)
            proves = proves & self.walking & ((self._gait <= 0.0) | ((gait == 0.0) & self._walk.seen))
            anew = gone & ((gait == 0.0) | self._walk.seen)
        more = k.least(self._no_jog + self._proof, 2.0 * self._figures.no_jog_step)
        less = k.most(self._no_jog - REFUSED_SHARE * self._proof, 0.0)
        self._no_jog = where(proves, more, where(refused & no(self._unproven), less, self._no_jog))
        self._unproven = self._unproven & no(proves | gone)
        self._words = where(anew, 0.0, self._words)

    @property
    def walking(self) -> Fact:
        """Who is taken to be walking."""
        return self._walk.walking

    @property
    def resume_bpm(self) -> Number:
        """Down from here he may run again, with room for what that adds."""
        return self.limit_bpm - self._walk.needs_bpm

    @property
    def told_to_run(self) -> Fact:
        """Who walks, for all that is known, and has been told that he may run."""
        return self._walk.asked > 0.0

    @property
    def rise_bpm(self) -> Number:
        """What running again adds in its first minute."""
        return self._walk.rise_bpm
