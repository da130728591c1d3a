"""The decision a second time, in plain Python and matrices, after `guard/decide/README.md`.

One runner, no kit, no masks, no speed told. The watch is the guard's own: it
has its reference elsewhere. Constants are taken from where they are kept, the
rules from the page.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from guard.cues import Cue
from guard.decide import belief as held
from guard.decide import columns
from guard.decide import fall as doubted
from guard.decide import rise as risen
from guard.decide import rule as ruled
from guard.decide import walking as walked_on
from guard.decide.advice import CHANGE_MOST_M_S, GAIN, GAIN_SD
from guard.decide.effects import EFFECTS
from guard.decide.figures import FIGURES as F
from guard.decide.still import FORGETS_S
from guard.events import State
from guard.settings import Settings
from guard.signal.kit import SINGLE
from guard.signal.watch import Watch

NAN, NEVER = math.nan, -math.inf
Matrix = list[list[float]]
Stand = tuple[float, float, float, float]  # lowest, highest, newest time, since when


def times(a: Matrix, b: Matrix) -> Matrix:
    return [[sum(x * y for x, y in zip(row, column, strict=True)) for column in zip(*b, strict=True)]
            for row in a]


def turned(a: Matrix) -> Matrix:
    return [list(row) for row in zip(*a, strict=True)]


def decay(x: float) -> float:
    return 1.0 / (1.0 + x + x * x / 2.0)


def stands(stand: Stand, bpm: float, t: float, width: float) -> Stand:
    """A band about what stands still: its edges come nearer, and it begins anew where it is too wide."""
    low, high, known, since = stand
    stays = decay((t - known) / FORGETS_S)
    low, high = min(bpm, bpm - stays * (bpm - low)), max(bpm, bpm - stays * (bpm - high))
    return (bpm, bpm, t, t) if high - low > width else (low, high, t, since)


def far_decay(x: float) -> float:
    return decay(x / 8.0) ** 8


class Filter:
    """Level, target, slow error of the strap: mean `x` and covariance `p`."""

    def __init__(self, response_s: float, ceiling_bpm: float) -> None:
        self.tau = response_s
        self.x = [NAN, ceiling_bpm, 0.0]
        self.p = [[25.0, 0.0, 0.0], [0.0, held.START_VAR, 0.0], [0.0, 0.0, 1.0]]
        self.size, self.wander, self.white = 1.0, F.still_var, held.WHITE_LEAST
        self.errors = 0.0
        self.lean = self.lean_var = 0.0

    def go_on(self, dt: float, fall: float, var: float) -> None:
        b, lasts = decay(dt / self.tau), decay(dt / F.noise_s)
        step = [[b, 1.0 - b, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, lasts]]
        self.x = [sum(a * x for a, x in zip(row, self.x, strict=True) if a) for row in step]
        self.x[1] -= fall
        self.p = times(times(step, self.p), turned(step))
        self.p[0][0] += held.LEVEL_VAR * dt
        self.p[1][1] += self.wander * dt + var
        self.p[2][2] += F.noise_sd_bpm ** 2 * self.size * (1.0 - lasts ** 2)

    def take(self, bpm: float, since_s: float) -> tuple[float, float]:
        across = [self.p[i][0] + self.p[i][2] for i in range(3)]
        spread = across[0] + across[2] + self.white
        off = bpm - self.x[0] - self.x[2]
        self.x = [x + a * off / spread for x, a in zip(self.x, across, strict=True)]
        self.p = [[self.p[i][j] - across[i] * across[j] / spread for j in range(3)] for i in range(3)]
        scaled = off / math.sqrt(spread)
        if abs(off) > held.ROUNDED_BPM:
            swing = min(max(scaled * self.errors / 2.0, -held.SWING_MOST), held.SWING_MOST)
            self.white = min(max(self.white * (1.0 - held.WHITE_STEP * swing), held.WHITE_LEAST),
                             held.WHITE_MOST)
        self.errors = held.SWING_LASTS * self.errors + scaled
        share = 1.0 - decay(since_s / F.lean_s)
        self.lean += share * (off / math.sqrt(spread) - self.lean)
        self.lean_var = (1.0 - share) ** 2 * self.lean_var + share ** 2
        lean = abs(self.lean) / math.sqrt(self.lean_var + 1e-9) if self.lean else 0.0
        self.wander = F.still_var + F.changed_var * min(max(lean - F.lean_sd, 0.0), 1.0)
        squared = off * off / spread
        self.size *= 1.0 + held.SIZE_STEP * (min(squared, held.LEAN_MOST) - 1.0)
        self.size = min(max(self.size, held.SIZE_LEAST), held.SIZE_MOST)
        return squared, spread

    def begin(self, bpm: float, target_bpm: float, target_var: float) -> None:
        self.x[:2] = [bpm, target_bpm]
        self.p = [[25.0, 0.0, 0.0], [0.0, target_var, 0.0], [0.0, 0.0, self.p[2][2]]]

    def ahead(self, pending: float) -> tuple[float, float]:
        left, arrives = far_decay(F.ahead_s / self.tau), F.arrives_s
        through = 1.0 - (self.tau * left - arrives * far_decay(F.ahead_s / arrives)) / (self.tau - arrives)
        mean = left * self.x[0] + (1.0 - left) * self.x[1] - pending * through
        g = [left, 1.0 - left]
        return mean, sum(g[i] * g[j] * self.p[i][j] for i in range(2) for j in range(2))


@dataclass
class ScalarGuard:
    """`step` gives the cue; `state`, `level`, `target`, `rule` are open."""

    settings: Settings
    t: float = NAN
    state: State = State.WARMING
    rule: str = ""
    words: float = 0.0
    from_bpm: float = 0.0
    no_jog: float = 0.0
    walking: bool = False
    easing: bool = False
    owed: bool = False
    seen: bool = False
    told_run: bool = False
    missed: bool = False
    tries: bool = False
    near: bool = False
    said: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        s = self.settings
        assert s.ceiling_bpm is not None
        self.ceiling, self.floor = float(s.ceiling_bpm), NAN if s.floor_bpm is None else s.floor_bpm
        self.free_run = self.quiet_ease = self.quiet_walk = self.was_held = self.was_warm = False
        self.watch = Watch(SINGLE, NAN if s.stop_bpm is None else s.stop_bpm, s.stale_s, s.lost_s)
        self.filters = [Filter(share * s.response_s, self.ceiling) for share in (F.quick_share, F.slow_share)]
        self.odds, self.quick, self.pending, self.coming = 0.0, 0.5, 0.0, 0.0
        self.level = self.newest = self.taken = self.off_since = NAN
        self.target, self.target_sd, self.foreseen, self.foreseen_sd = self.ceiling, 14.0, NAN, 0.0
        self.back, self.odd, self.cover, self.rough = NEVER, NEVER, 0.0, 1.0
        self.most_margin = self.margin = 2.0 * s.strictness * F.margin_bpm
        self.told = self.told_var = 0.0
        self.top = NEVER
        self.rise, self.needs = F.rise_bpm, 1.0
        self.walk_top = self.low = self.low_s = self.start_bpm = self.risen = 0.0
        self.walk_top_s = NEVER
        self.walk_s = self.walk_word_s = self.doubt_s = self.asked_s = self.start_s = NEVER
        self.paused_s = NEVER
        self.ask_wait = self.pick_wait = self.moved_s = self.word_bpm = 0.0
        self.proof = 0.0
        self.refused = False
        self.asked = self.walk_words = 0
        self.last = self.picked = self.word_s = NEVER
        self.sure, self.sure_s, self.asked_bpm = NEVER, 0.0, 0.0
        self.try_s = walked_on.TRY_FIRST_S
        self.rest = self.stand = (NEVER, NEVER, 0.0, 0.0)

    # -- belief ------------------------------------------------------------

    def mixed(self, quick: float, slow: float) -> float:
        return slow + self.quick * (quick - slow)

    def both(self, quick: tuple[float, float], slow: tuple[float, float]) -> tuple[float, float]:
        mean = self.mixed(quick[0], slow[0])
        var = self.mixed(quick[1] + (quick[0] - mean) ** 2, slow[1] + (slow[0] - mean) ** 2)
        return mean, math.sqrt(max(var, 0.0)) if var == var else NAN

    def believe(self, t: float, dt: float, bpm: float, load: tuple[float, float] | None) -> None:
        arrives = self.pending * (1.0 - decay(dt / F.arrives_s))
        self.pending -= arrives
        change, in_s = load or (NAN, NAN)
        change = 0.0 if change != change else min(max(change, -CHANGE_MOST_M_S), CHANGE_MOST_M_S)
        now, soon = in_s <= 0.0, 0.0 < in_s < F.ahead_s
        self.coming = GAIN * change if soon else 0.0
        self.told += GAIN * change * now
        self.told_var += (GAIN_SD * change * now) ** 2
        stays = decay(dt / F.arrives_s)
        for one in self.filters:
            one.go_on(dt, arrives - (1.0 - stays) * self.told,
                      held.EFFECT_VAR_SHARE * abs(arrives) + (1.0 - stays) * self.told_var)
        self.told, self.told_var = stays * self.told, stays * self.told_var
        usable = held.LOWEST_BPM <= bpm <= held.HIGHEST_BPM
        if usable and math.isnan(self.level):
            for one in self.filters:
                one.begin(bpm, one.x[1], one.p[1][1])
            self.level = bpm
        since = 1.0 if math.isnan(self.taken) else t - self.taken
        usable = usable and self.near_enough(t, bpm, since)
        self.fresh = self.settled = usable
        eq = es = held.ERROR_MOST if self.odd == t else NAN
        if usable:
            (eq, sq), (es, ss) = (one.take(bpm, since) for one in self.filters)
            likelier = 2.0 * (ss - sq) / (ss + sq) + min(es, held.ERROR_MOST) - min(eq, held.ERROR_MOST)
            self.odds += 0.5 * likelier - held.FORGETS * self.odds
            if since > held.GAP_S:
                self.back = t
            self.settled = t - self.back >= held.GAP_S
            self.taken, self.newest = t, bpm
        here = t - self.taken <= 1.5 * float(self.watch.interval_s)
        self.cover += (1.0 - decay(dt / held.COVER_S)) * (here - self.cover)
        half = 0.5 * self.odds
        self.quick = 0.5 + 0.5 * half / math.sqrt(1.0 + half * half)
        q, s = self.filters
        self.level = self.mixed(q.x[0], s.x[0])
        if eq == eq:
            share = 1.0 - decay(since / held.COVER_S)
            self.rough += share * (min(self.mixed(eq, es), held.ERROR_MOST) - self.rough)
        self.target, self.target_sd = self.both((q.x[1], q.p[1][1]), (s.x[1], s.p[1][1]))
        on_its_way = self.pending - self.told
        self.foreseen, self.foreseen_sd = self.both(q.ahead(on_its_way), s.ahead(on_its_way))
        if soon:
            shows = 1.0 - self.mixed(*(far_decay((F.ahead_s - in_s) / one.tau) for one in self.filters))
            self.foreseen += shows * self.coming
            self.foreseen_sd = math.hypot(self.foreseen_sd, shows * GAIN_SD * change)

    def near_enough(self, t: float, bpm: float, since: float) -> bool:
        expected = self.mixed(*(one.x[0] + one.x[2] for one in self.filters))
        gap = since > held.GAP_S
        if abs(bpm - expected) <= (held.GAP_GATE_BPM if gap else F.gate_bpm + min(since, 45.0)):
            self.off_since = NAN
            return True
        began = t if math.isnan(self.off_since) else self.off_since
        self.odd = t
        if t - began < F.gate_s and not gap:
            self.off_since = began
            return False
        self.off_since, self.back = NAN, t
        for one in self.filters:
            one.begin(bpm, bpm, held.START_VAR)
        return True

    # -- rule ----------------------------------------------------------------

    def step(self, t: float, bpm: float, *, held_now: bool = False,
             load: tuple[float, float] | None = None) -> Cue:
        s = self.settings
        if math.isnan(self.t):
            self.began, dt = t, 0.0
        else:
            dt = t - self.t
        self.t, self.rule = t, ""
        bpm = bpm or NAN
        watched = Cue(int(self.watch.step(t, bpm, held_now)))
        if held_now or self.was_held:
            self.forget()
        self.was_held = held_now
        self.believe(t, dt, bpm, load)
        since = t - self.began
        warm, ramped = since >= s.warm_up_s, s.warm_up_quiet_s <= since < s.warm_up_s
        ramp = self.ceiling
        if not warm:
            ramp -= s.warm_up_ramp_bpm * max(1.0 - since / max(s.warm_up_s, 1.0), 0.0)
        limit = ramp if ramped else self.ceiling
        aim = limit - (0.0 if ramped else self.margin)
        target = self.target - self.pending + self.told
        hot, cool = target > aim, target + ruled.FALLS_Z * self.target_sd < aim
        z = columns.SURE_Z + s.strictness - 0.5
        covered = (self.cover > held.COVER_SHARE and self.rough < held.ROUGH
                   and t - self.odd >= held.GAP_S)
        sees = self.foreseen + z * self.foreseen_sd > aim and target + self.coming > aim
        shown = self.mixed(*(one.x[0] + one.x[2] for one in self.filters))
        if self.fresh:
            self.rest = stands(self.rest, shown, t, ruled.RESTS_WITHIN_BPM)
        rests = t - self.rest[3] > ruled.RESTS_S and shown < limit - ruled.RESTS_UNDER_BPM and (
            self.coming <= 0.0)
        due = (sees and covered and not rests) or (
            self.fresh and self.newest > limit and self.level > limit
            and target + ruled.RISES_Z * self.target_sd > aim)
        heads = target > self.ceiling - F.turn_bpm or self.level > self.ceiling
        due = due and (warm or (heads and self.level > ramp - ruled.WARMING_BPM))
        self.look_back(t, dt, limit, cool)

        guarded = bool(self.watch.guarded) and not held_now and not self.free_run
        spaced = guarded and watched is Cue.NONE and t - self.last >= s.spacing_s
        fallen = min(max(self.from_bpm - self.target, 0.0), ruled.FALL_MOST_BPM)
        vain = self.words - fallen / EFFECTS[Cue.EASE].fall_bpm
        in_vain = 4.0 ** (0.5 - s.walk_first) * F.in_vain
        hopeless = vain >= in_vain * (1.0 - self.no_jog)
        most = columns.WAIT_MOST_S * 4.0 ** (0.5 - s.words)
        if self.level <= limit or self.level > self.word_bpm + ruled.CLIMBS_BPM:
            self.moved_s = t
        over_wait = min(columns.OVER_SHARE * 4.0 ** (0.5 - s.words) * (t - self.moved_s), most)
        wait = s.spacing_s * 16.0 ** (0.5 - s.words)
        thinned = min(wait * (1.0 + max(vain - in_vain, 0.0)), most)
        wait = max(wait, over_wait) if self.level > limit else thinned
        word = spaced and not self.walking and due and t - self.word_s >= wait
        may_walk = (warm or self.level > self.ceiling) and s.walking and not self.quiet_walk
        known = self.no_jog > F.walk_run
        walk_wait = max(over_wait, walked_on.WALK_AGAIN_S) if self.walk_words else 0.0
        again_ok = t - self.walk_word_s >= walk_wait
        walk = word and hopeless and may_walk and again_ok and (self.level > limit or known)
        ease = word and not walk and not (hopeless and known and may_walk) and not self.quiet_ease
        was_walking, alive = self.walking, self.fresh
        self.needs = walked_on.RESTED_SHARE if self.no_jog > ruled.RESTS_FROM else 1.0
        again, gone, resume = self.while_walking(
            t, limit, hot, spaced and not self.quiet_walk, again_ok, alive)
        low = self.level < limit - F.walk_shows_bpm and target < limit - F.walk_shows_bpm and (
            t - self.last > F.shows_s) and self.level < self.walk_top - F.turn_bpm
        low = low and not self.told_run
        back = self.told_run and self.level < min(self.asked_bpm + F.turn_bpm,
                                                  self.walk_top - 0.5 * F.walk_shows_bpm)
        sinks = (back or self.level < self.walk_top - F.walk_shows_bpm) and (
            self.level < limit - 0.5 * F.walk_shows_bpm)
        walks_on = (guarded and not word and self.owed and not was_walking and self.settled
                    and t - self.paused_s > F.shows_s and (low or sinks))
        if self.level >= self.floor:
            self.pick_wait = 0.0
        pick_up = (spaced and not was_walking and warm and alive and self.level < self.floor and not due
                   and target < self.floor and not self.quiet_ease and t - self.last >= ruled.MINUTE_S
                   and t - self.picked >= max(self.pick_wait, ruled.MINUTE_S))
        calm = self.easing and self.target + ruled.FALLS_Z * self.target_sd < aim and not (ease or walk)

        cue = (Cue.EASE if ease else Cue.WALK if walk or again else Cue.RESUME if resume
               else Cue.PICK_UP if pick_up else Cue.NONE)
        if cue is not Cue.NONE:
            self.last = t
        if ease or walk or again:
            self.word_s, self.word_bpm = t, self.level
        self.learn_rise(t, walk)
        if ease:
            self.from_bpm = self.target if self.words == 0.0 else self.from_bpm
            self.words += 1.0
            self.pending += EFFECTS[Cue.EASE].fall_bpm
        if pick_up:
            self.pending, self.picked = EFFECTS[Cue.PICK_UP].fall_bpm, t
            self.pick_wait = min(max(2.0 * self.pick_wait, ruled.MINUTE_S), ruled.PICK_UP_MOST_S)
        if gone:
            if self.seen or self.asked:
                self.start_bpm, self.start_s, self.risen = self.low, self.low_s, self.level - self.low
            self.words, self.asked, self.walking, self.walk_top = 0.0, 0, False, self.level
        if resume:
            if self.tries:
                self.try_s = min(2.0 * self.try_s, walked_on.TRY_MOST_S)
            self.asked, self.asked_s, self.told_run = self.asked + was_walking, t, True
            self.ask_wait, self.asked_bpm = max(2.0 * self.ask_wait, F.shows_s), self.level
            self.low, self.low_s = self.level, t
        if walk or again:
            self.walk_word_s = t
            self.walk_words += 1
            self.pending = EFFECTS[Cue.WALK].fall_bpm
        if walk:
            share = 1.0 if vain >= in_vain else ruled.REMEMBERED_SHARE
            self.proof = share * F.no_jog_step
            self.no_jog = min(self.no_jog + self.proof, 2.0 * F.no_jog_step)
        elif self.refused:
            self.no_jog = max(self.no_jog - ruled.REFUSED_SHARE * self.proof, 0.0)
        if walk:
            self.owed, self.told_run, self.walk_top = True, False, self.level
        if walk or walks_on:
            self.walk_s = t if walk else NEVER if low else self.stand[3]
            self.try_s = self.try_s if walk else walked_on.HOLDS_S
            self.low, self.low_s, self.asked, self.ask_wait = self.level, t, 0, 0.0
            self.seen = walks_on or (self.seen and not walk)
            self.walking = True
        self.easing = (self.easing or ease) and not (calm or walk or walks_on or self.free_run)
        self.walking = self.walking and not self.free_run
        if watched is not Cue.NONE:
            self.last = t
        going = State.EASING if self.easing else State.STEADY if warm else State.WARMING
        self.state = (State.HELD if held_now else State.NO_SIGNAL if self.watch.blind
                      else State.WALKING if self.walking else going)
        return cue if watched is Cue.NONE else watched

    def look_back(self, t: float, dt: float, limit: float, cool: bool) -> None:
        running, since = not self.walking, t - self.last
        self.top = max(self.top, self.level) if self.level == self.level else NAN
        self.near = self.near or (running and self.level > limit - F.turn_bpm)
        turned = (running and cool and since >= ruled.TURNED_S and self.level < limit
                  and self.level < self.top - ruled.TURNED_BPM)
        if self.near and self.level < self.top - 2.0:
            moved = self.margin + F.aim_share * (self.top - limit + F.aim_under_bpm)
            self.margin, self.near = min(max(moved, 0.0), self.most_margin), False
        if not self.near:
            self.top = self.level
        quiet = running and cool and self.level < limit - 1.0 and since > ruled.MINUTE_S
        if turned and self.words > 0.0:
            self.no_jog = max(self.no_jog - F.no_jog_step, 0.0)
        if turned or quiet:
            self.words = 0.0
        if quiet:
            self.try_s = walked_on.TRY_FIRST_S
        if running:
            self.no_jog *= decay(dt / F.no_jog_s)
        if (self.seen and self.level < limit) or (running and cool):
            self.walk_words = 0

    def while_walking(
        self, t: float, limit: float, hot: bool, spaced: bool, again_ok: bool, alive: bool
    ) -> tuple[bool, bool, bool]:
        level, walked, asked = self.level, t - self.walk_s, self.asked > 0
        if (self.walking or self.owed) and self.settled:
            self.walk_top = max(self.walk_top, level)
            if level > self.walk_top - 1.0:
                self.walk_top_s = t
            if (level >= self.walk_top and not asked) or level < self.low:
                self.low, self.low_s = level, t
        if self.fresh and not self.settled:
            self.try_s = walked_on.HOLDS_S
        if self.settled:
            self.stand = stands(self.stand, level, t, walked_on.HOLDS_WITHIN_BPM)
        still = t - max(self.stand[3], self.walk_s, self.walk_word_s)
        under = self.settled and level < limit - walked_on.HOLDS_UNDER_BPM
        holds = under and still > walked_on.HOLDS_S
        fell = self.walk_top - level
        self.seen = self.walking and (self.seen or (self.settled and fell > F.walk_shows_bpm))
        shown = self.settled and (self.seen or self.walk_top - self.low >= 0.5 * F.walk_shows_bpm)
        risen_bpm = level - self.low
        rises = shown and hot and risen_bpm > F.turn_bpm
        unshown = (self.settled and not (self.seen or asked) and t - self.walk_word_s > walked_on.LOST_S
                   and walked > walked_on.LOST_S and fell < 0.5 * F.walk_shows_bpm)
        gone = (rises and (asked or level > limit or risen_bpm > F.walk_shows_bpm)) or (
            self.settled and asked and (level > limit or (shown and risen_bpm > 0.5 * F.walk_shows_bpm))) or (
            holds and not asked and level > limit - 0.5 * F.walk_shows_bpm)
        if self.walking and unshown and level < limit:
            self.seen = True
        fits = level + self.needs * self.rise < limit
        unmoved = (self.walking and asked and under and still > walked_on.UNMOVED_S
                   and t - self.asked_s > F.shows_s)
        long = self.walking and walked > F.longest_walk_s
        gone = (self.walking and gone) or unmoved or (long and self.settled and not (asked or under))
        if unmoved:
            self.ask_wait = max(self.ask_wait, walked_on.REMIND_S)
        self.missed = unmoved or (self.missed and not self.walking
                                  and level < self.asked_bpm + 0.5 * F.walk_shows_bpm)
        still_over = self.seen and still > F.shows_s
        again = (spaced and self.walking and not (asked or gone) and level > limit and hot and again_ok
                 and (still_over or not self.seen))
        self.refused = (again and not self.seen and self.walk_words > 2
                        and walked > F.shows_s)
        if self.refused:
            again, gone = False, True
        if again and still_over:
            self.walk_top = level
        if again:
            self.seen = False
        usual, a_second = doubted.EXPLAINED_BPM, doubted.EXPLAINED_BPM_S
        fell_s = min(walked, t - self.walk_top_s + doubted.FALL_BEGINS_S)
        across = self.sure - level > usual + 0.5 * a_second * (t - self.sure_s)
        if self.walking and self.fresh and (across or fell > usual + a_second * max(fell_s, 0.0)):
            self.doubt_s = self.walk_s = t
            self.walk_top = self.low = level
            self.seen = False
        if self.settled:
            self.sure, self.sure_s = level, t
        self.tries = self.seen and not fits and under and still > self.try_s
        first = (self.seen and fits and not hot and walked > walked_on.LEAST_WALK_S) or self.tries or (
            long and under) or (holds and not self.seen)
        waited = t - self.asked_s >= self.ask_wait
        once_more = waited and level < self.asked_bpm - F.turn_bpm
        if self.told_run and not self.walking and level > limit - F.turn_bpm:
            self.owed = False
        if self.walking:
            resume = not gone and level < limit and (once_more if asked else first)
        else:
            resume = self.missed and waited and level < limit - F.walk_shows_bpm
        resume = resume and spaced and alive and self.settled and t - self.doubt_s >= doubted.DOUBT_S
        return again, gone, resume

    def learn_rise(self, t: float, walk: bool) -> None:
        ran = t - self.start_s
        if ran == math.inf or self.walking:
            return
        if ran < ruled.MINUTE_S:
            self.risen = max(self.risen, self.level - self.start_bpm)
        if not walk and ran < ruled.MINUTE_S:
            return
        rise = self.risen
        if ran < ruled.MINUTE_S:
            rise = min(self.risen * (ruled.MINUTE_S / max(ran, risen.RAN_LEAST_S)), self.risen + F.rise_bpm,
                       risen.MOST_BPM)
        if self.risen >= risen.LEAST_BPM and t - self.doubt_s >= doubted.DOUBT_S:
            self.rise += (1.0 if rise > self.rise else risen.FALLS) * (rise - self.rise)
        self.start_s = NEVER

    def forget(self) -> None:
        self.owed, self.told_run = self.owed or self.walking or self.missed, False
        self.walking = self.easing = self.near = self.missed = False
        self.paused_s = self.t
        self.words, self.top, self.pending = 0.0, NEVER, 0.0
        self.told = self.told_var = 0.0
        for one in self.filters:
            one.begin(one.x[0], one.x[1], held.START_VAR)
