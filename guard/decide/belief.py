"""What is held likely of a runner now: the level, where it is settling, and the strap's noise.

A heart rate follows effort like a first-order lag (Hunt, Fankhauser,
Saengsuwan 2015): the level h goes to a target d with a response time. The
target is what the effort would settle at; a runner who holds his effort lets
it wander, one who changes it moves it at once, and a switch tells the two
apart: errors of some seconds that lean to one side. A strap errs in two ways, at
random and slowly (its averaging, the body's own ripple); n is the slow error,
and the size of both is learned. So each account is a Kalman filter of three states.
There are two, a quick and a slow heart; each weighs what its errors were likely
to be.

Everything known enters as an input of the target: a cue as the fall it asks
for, arriving with a delay, and speed and grade where they are told. So the
belief itself expects the fall, and a cue is repeated when readings contradict
it, not when a timer ends. Over a kit (`kit.py`), pure; only + - * / and square
root, so that processors and lane widths agree.
"""

import math

from guard.decide.figures import Figures
from guard.signal.kit import Fact, Kit, Number

NAN = math.nan
LOWEST_BPM, HIGHEST_BPM = 30.0, 230.0  # outside of this no heart beats
GAP_GATE_BPM = 6.0  # further off than this after a gap, the level begins anew (simulated)
GAP_S = 10.0  # after so long without a reading the level jumps, for about so long
ROUGH = 4.0  # mean squared error of late, of the usual, beyond which nothing is foreseen
COVER_S, COVER_SHARE = 8.0, 0.75  # of so long readings came, for what is foreseen to count
START_VAR = 200.0  # of the target, about the ceiling: who begins may be heading anywhere
# What is random from one reading to the next (its rounding, a breath) is learned, within bounds: errors that
# swing back within a few readings, by more than the whole beat that a strap shows, raise it; errors that go
# on lower it. Simulated.
WHITE_LEAST, WHITE_MOST, WHITE_STEP, SWING_MOST, ROUNDED_BPM = 0.16, 9.0, 0.06, 2.0, 1.0
SWING_LASTS = 0.75  # of what is remembered of errors, from one reading to the next
LEVEL_VAR = 0.005  # a second: what the lag does not explain
SIZE_STEP, SIZE_LEAST, SIZE_MOST = 0.02, 0.15, 4.0  # the strap's noise is learned, within bounds
EFFECT_VAR_SHARE = 3.2  # bpm: variance of a cue's effect for each bpm expected (SD 4 of 5)
FORGETS = 0.001  # of the weights, a reading
LEAN_MOST, ERROR_MOST = 4.0, 9.0  # squared errors count up to this in size and weights


def decay(x: Number) -> Number:
    """e^-x for x >= 0 by a rational approximation: 1 at 0, within 0.01 up to 1, never negative."""
    return 1.0 / (1.0 + x * (1.0 + 0.5 * x))


def far_decay(x: Number) -> Number:
    """The same within 0.001 up to 5."""
    eighth = decay(0.125 * x)
    quarter = eighth * eighth
    half = quarter * quarter
    return half * half


class Account:
    """One Kalman filter a lane: level, target, slow error of the strap, for one response time."""

    def __init__(self, kit: Kit, figures: Figures, response_s: Number, target_bpm: Number,
                 ahead_s: tuple[float, ...]) -> None:
        self._kit, self._figures = kit, figures
        zero = response_s * 0.0
        self.response_s = response_s
        self.level, self.target, self.error = zero + NAN, target_bpm + zero, zero
        self.var_level, self.var_target, self.var_error = zero + 25.0, zero + START_VAR, zero + 1.0
        self.cov_level_target, self.cov_level_error, self.cov_target_error = zero, zero, zero
        self.noise = zero + 1.0  # size of the slow error's variance, of the usual one
        self.white = zero + WHITE_LEAST
        self._offs = zero  # the last few errors, each by its own spread, the older the less
        self.wander = zero + figures.still_var
        self._lean, self._lean_var = zero, zero
        self._left = {time_s: far_decay(time_s / response_s) for time_s in ahead_s}
        # of a change that is still to arrive, what has come through by then
        arrives = figures.arrives_s
        self._through = {
            time_s: 1.0 - (response_s * self._left[time_s] - arrives * far_decay(time_s / arrives))
            / (response_s - arrives) for time_s in ahead_s}

    def go_on(self, dt: Number, moved: Number, moved_var: Number) -> None:
        """Let `dt` seconds pass in which the target moves by a known `moved`."""
        f = self._figures
        stays = decay(dt / self.response_s)
        goes = 1.0 - stays
        lasts = decay(dt / f.noise_s)
        self.level = stays * self.level + goes * self.target
        self.target = self.target + moved
        self.error = lasts * self.error
        ht, tt, te = self.cov_level_target, self.var_target, self.cov_target_error
        self.var_level = (stays * (stays * self.var_level + 2.0 * goes * ht) + goes * goes * tt
                          + LEVEL_VAR * dt)
        self.cov_level_error = lasts * (stays * self.cov_level_error + goes * te)
        self.cov_level_target = stays * ht + goes * tt
        self.var_target = tt + self.wander * dt + moved_var
        self.cov_target_error = lasts * te
        usual = f.noise_sd_bpm * f.noise_sd_bpm * self.noise
        self.var_error = lasts * lasts * self.var_error + usual * (1.0 - lasts * lasts)

    def take(self, bpm: Number, usable: Fact, since_s: Number) -> tuple[Number, Number]:
        """Learn from a reading; the squared error, of what it was expected to be, and that expectation."""
        k, f = self._kit, self._figures
        h = self.var_level + self.cov_level_error
        t = self.cov_level_target + self.cov_target_error
        e = self.cov_level_error + self.var_error
        spread = h + e + self.white
        off = k.where(usable, bpm - self.level - self.error, 0.0)
        weight = k.where(usable, 1.0 / spread, 0.0)
        gain_h, gain_t, gain_e = h * weight, t * weight, e * weight
        self.level = self.level + gain_h * off
        self.target = self.target + gain_t * off
        self.error = self.error + gain_e * off
        self.var_level = self.var_level - gain_h * h
        self.cov_level_target = self.cov_level_target - gain_h * t
        self.cov_level_error = self.cov_level_error - gain_h * e
        self.var_target = self.var_target - gain_t * t
        self.cov_target_error = self.cov_target_error - gain_t * e
        self.var_error = self.var_error - gain_e * e
        squared = off * off * weight
        scaled = off * k.root(weight)
        swing = 0.5 * scaled * self._offs
        step = WHITE_STEP * k.most(k.least(swing, SWING_MOST), -SWING_MOST)
        tells = usable & (off * off > ROUNDED_BPM * ROUNDED_BPM)
        self.white = k.where(
            tells, k.most(k.least(self.white * (1.0 - step), WHITE_MOST), WHITE_LEAST), self.white)
        self._offs = k.where(usable, SWING_LASTS * self._offs + scaled, self._offs)
        # still or changed
        share = k.where(usable, 1.0 - decay(since_s / f.lean_s), 0.0)
        self._lean = self._lean + share * (scaled - self._lean)
        self._lean_var = (1.0 - share) * (1.0 - share) * self._lean_var + share * share
        lean = k.root(self._lean * self._lean / (self._lean_var + 1e-9))
        changed = k.most(k.least(lean - f.lean_sd, 1.0), 0.0)
        self.wander = f.still_var + f.changed_var * changed
        # how much this strap errs
        step = k.where(usable, SIZE_STEP * (k.least(squared, LEAN_MOST) - 1.0), 0.0)
        self.noise = k.most(k.least(self.noise * (1.0 + step), SIZE_MOST), SIZE_LEAST)
        return squared, spread

    def begin(self, lanes: Fact, bpm: Number, target_bpm: Number, target_var: Number) -> None:
        """Believe that the level is `bpm`, and the target anywhere about `target_bpm`."""
        where = self._kit.where
        self.level = where(lanes, bpm, self.level)
        self.target = where(lanes, target_bpm, self.target)
        self.var_level = where(lanes, 25.0, self.var_level)
        self.var_target = where(lanes, target_var, self.var_target)
        self.cov_level_target = where(lanes, 0.0, self.cov_level_target)
        self.cov_level_error = where(lanes, 0.0, self.cov_level_error)
        self.cov_target_error = where(lanes, 0.0, self.cov_target_error)

    def ahead(self, time_s: float, pending: Number) -> tuple[Number, Number]:
        """Mean and variance of the level `time_s` ahead, with a fall of `pending` still to arrive."""
        left = self._left[time_s]
        gone = 1.0 - left
        mean = left * self.level + gone * self.target - pending * self._through[time_s]
        var = (left * left * self.var_level + 2.0 * left * gone * self.cov_level_target
               + gone * gone * self.var_target)
        return mean, var


class Belief:
    """The two accounts of each lane, blended.

    After a step: `level_bpm` (NaN until a first reading), `shown_bpm` (the same with
    the strap's slow error: what it would read), `target_bpm` and
    `target_sd_bpm`, `pending_bpm` (the fall that cues ask for and that has not
    arrived), `coming_bpm` (what the road is known to add within `ahead_s`),
    `foreseen_bpm` and `foreseen_sd_bpm` (the level in `ahead_s`),
    `newest_bpm` (the newest reading taken), `fresh` (one was taken now) and `settled`
    (and it does not follow a gap so closely that the level still jumps), `covered`
    (readings came for most of the last seconds, and agree: what is foreseen rests on
    enough).
    """

    def __init__(self, kit: Kit, figures: Figures, response_s: Number, ceiling_bpm: Number) -> None:
        self._kit, self._figures = kit, figures
        times = (figures.ahead_s,)
        self._accounts = tuple(Account(kit, figures, share * response_s, ceiling_bpm, times)
                               for share in (figures.quick_share, figures.slow_share))
        zero = response_s * 0.0
        self._log_odds = zero  # of the quick account
        self._quick = zero + 0.5
        self._taken_s = zero + NAN
        self._off_s = zero + NAN  # since when readings have been too far off
        self.pending_bpm, self.coming_bpm = zero, zero
        self.told_bpm, self._told_var = zero, zero  # of told changes, what the heart has not answered yet
        self.newest_bpm = zero + NAN
        self.level_bpm, self.shown_bpm = zero + NAN, zero + NAN
        self.target_bpm, self.target_sd_bpm = ceiling_bpm + zero, zero + 14.0
        self.foreseen_bpm, self.foreseen_sd_bpm = zero + NAN, zero
        self.noise_sd_bpm = zero + figures.noise_sd_bpm
        self._back_s = zero - math.inf  # readings came again after a gap
        self._odd_s = zero - math.inf  # one was too far off
        self.fresh: Fact = zero != zero
        self.settled = self.covered = self.fresh
        self._cover, self._rough = zero, zero + 1.0
        self._coming_s: Number | None = None  # before the horizon; None: nobody ever told what comes
        self._coming_var, self._comes_bpm = zero, zero

    def step(self, t_s: Number, dt: Number, bpm: Number, interval_s: Number,
             moved_bpm: Number | None = None, moved_var: Number | None = None,
             told: Fact | None = None, load: tuple[Number, Number, Number] | None = None,
             known: Fact | None = None) -> None:
        """Let `dt` seconds pass and take a reading (NaN: none) of a strap that sends every `interval_s`.

        `moved_bpm` is what a told change of speed or grade moves the target by,
        with its variance; where `told`, a cue's effect is not expected on top,
        for it will be told. `known`: a device tells the effort now, so that a load that comes
        is not counted on top. `load` is a known change of effort that is still to
        come: bpm, its variance, and in how many seconds (NaN: none; 0: now).
        """
        k, f = self._kit, self._figures
        arrives = self.pending_bpm * (1.0 - decay(dt / f.arrives_s))
        self.pending_bpm = self.pending_bpm - arrives
        if told is not None:
            arrives = k.where(told, 0.0, arrives)
        var = EFFECT_VAR_SHARE * k.root(arrives * arrives)
        moved = -arrives
        if moved_bpm is not None and moved_var is not None:
            self.told_bpm, self._told_var = self.told_bpm + moved_bpm, self._told_var + moved_var
            # a cue that is seen to be heeded is not expected on top
            left = k.most(self.pending_bpm + k.least(moved_bpm, 0.0), 0.0)
            self.pending_bpm = k.where(self.pending_bpm > 0.0, left, self.pending_bpm)
        if load is not None:
            load_bpm, load_var, in_s = load
            now = in_s <= 0.0 if known is None else (in_s <= 0.0) & k.no(known)
            self.told_bpm = self.told_bpm + k.where(now, load_bpm, 0.0)
            self._told_var = self._told_var + k.where(now, load_var, 0.0)
            soon = (in_s > 0.0) & (in_s < f.ahead_s)
            self.coming_bpm, self._coming_var = k.where(soon, load_bpm, 0.0), k.where(soon, load_var, 0.0)
            self._coming_s = k.where(soon, f.ahead_s - in_s, 0.0)
        if moved_bpm is not None or load is not None:
            stays = decay(dt / f.arrives_s)
            moved, var = moved + self.told_bpm * (1.0 - stays), var + self._told_var * (1.0 - stays)
            self.told_bpm, self._told_var = self.told_bpm * stays, self._told_var * stays
        quick, slow = self._accounts
        for account in self._accounts:
            account.go_on(dt, moved, var)
        usable = (bpm >= LOWEST_BPM) & (bpm <= HIGHEST_BPM)
        first = usable & (self.level_bpm != self.level_bpm)
        if k.some(first):
            self._begin(first, bpm)
        since_s = k.where(self._taken_s == self._taken_s, t_s - self._taken_s, 1.0)
        usable = self._gated(t_s, bpm, usable, since_s)
        error_q, spread_q = quick.take(bpm, usable, since_s)
        error_s, spread_s = slow.take(bpm, usable, since_s)
        # log of the two likelihoods' ratio; log(a/b) by 2 (a - b)/(a + b), for they are alike
        likelier = (2.0 * (spread_s - spread_q) / (spread_s + spread_q)
                    + k.least(error_s, ERROR_MOST) - k.least(error_q, ERROR_MOST))
        self._log_odds = self._log_odds + k.where(usable, 0.5 * likelier - FORGETS * self._log_odds, 0.0)
        half = 0.5 * self._log_odds  # logistic curve by an algebraic one of the same slope
        self._quick = 0.5 + 0.5 * half / k.root(1.0 + half * half)
        self._taken_s = k.where(usable, t_s, self._taken_s)
        self.newest_bpm = k.where(usable, bpm, self.newest_bpm)
        self._back_s = k.where(usable & (since_s > GAP_S), t_s, self._back_s)
        self.fresh, self.settled = usable, usable & (t_s - self._back_s >= GAP_S)
        here = t_s - self._taken_s <= 1.5 * interval_s
        self._cover = self._cover + (1.0 - decay(dt / COVER_S)) * (k.where(here, 1.0, 0.0) - self._cover)
        # the errors of late, of what is usual: a dry electrode's are wild
        error = k.where(usable, self._mix(error_q, error_s), k.where(self._odd_s == t_s, ERROR_MOST, 0.0))
        share = k.where(usable | (self._odd_s == t_s), 1.0 - decay(since_s / COVER_S), 0.0)
        self._rough = self._rough + share * (k.least(error, ERROR_MOST) - self._rough)
        self.covered = (self._cover > COVER_SHARE) & (self._rough < ROUGH) & (t_s - self._odd_s >= GAP_S)
        self._blend()

    def expect(self, lanes: Fact, fall_bpm: Number, *, anew: bool = False) -> None:
        """A cue asks for a fall of the target (below 0: a rise); `anew`: in place of what is on its way."""
        before = 0.0 * self.pending_bpm if anew else self.pending_bpm
        self.pending_bpm = self._kit.where(lanes, before + fall_bpm, self.pending_bpm)

    def expect_anything(self, lanes: Fact) -> None:
        """After a pause: the target may be anywhere, and nothing is on its way."""
        where = self._kit.where
        self.pending_bpm = where(lanes, 0.0, self.pending_bpm)
        self.told_bpm, self._told_var = where(lanes, 0.0, self.told_bpm), where(lanes, 0.0, self._told_var)
        for account in self._accounts:
            account.begin(lanes, account.level, account.target, account.response_s * 0.0 + START_VAR)

    def foresee(self, pending_bpm: Number) -> Number:
        """The level `ahead_s` ahead, had cues such a fall on its way."""
        on_its_way = pending_bpm - self.told_bpm
        quick, slow = (account.ahead(self._figures.ahead_s, on_its_way)[0] for account in self._accounts)
        return self._mix(quick, slow) + self._comes_bpm

    @property
    def heads_bpm(self) -> Number:
        """Where the effort leads, with all that is on its way."""
        return self.target_bpm - self.pending_bpm + self.told_bpm

    @property
    def slope_bpm_s(self) -> Number:
        """How fast the level goes to its target now."""
        quick, slow = ((account.target - account.level) / account.response_s for account in self._accounts)
        return self._mix(quick, slow)

    def _begin(self, lanes: Fact, bpm: Number) -> None:
        for account in self._accounts:
            account.begin(lanes, bpm, account.target, account.var_target)
        self.level_bpm = self._kit.where(lanes, bpm, self.level_bpm)

    def _gated(self, t_s: Number, bpm: Number, usable: Fact, since_s: Number) -> Fact:
        """A reading too far off moves nothing, until readings have been so for a while."""
        k, f = self._kit, self._figures
        quick, slow = self._accounts
        expected = self._mix(quick.level + quick.error, slow.level + slow.error)
        allowed = f.gate_bpm + k.least(since_s, 45.0)
        gap = usable & (since_s > GAP_S)
        allowed = k.where(gap, GAP_GATE_BPM, allowed)
        far = usable & ((bpm > expected + allowed) | (bpm < expected - allowed))
        if not k.some(far):
            self._off_s = k.where(usable, NAN, self._off_s)
            return usable
        began = k.where(self._off_s == self._off_s, self._off_s, t_s)
        true = far & ((t_s - began >= f.gate_s) | gap)
        self._back_s, self._odd_s = k.where(true, t_s, self._back_s), k.where(far, t_s, self._odd_s)
        self._off_s = k.where(far & k.no(true), began, k.where(usable, NAN, self._off_s))
        for account in self._accounts:
            account.begin(true, bpm, bpm, account.response_s * 0.0 + START_VAR)
        return usable & (k.no(far) | true)

    def _blend(self) -> None:
        k, f = self._kit, self._figures
        quick, slow = self._accounts
        self.level_bpm = self._mix(quick.level, slow.level)
        self.shown_bpm = self._mix(quick.level + quick.error, slow.level + slow.error)
        self.target_bpm, target_var = self._both(quick.target, quick.var_target, slow.target, slow.var_target)
        self.target_sd_bpm = k.root(k.most(target_var, 0.0))
        on_its_way = self.pending_bpm - self.told_bpm
        self.foreseen_bpm, foreseen_var = self._both(
            *quick.ahead(f.ahead_s, on_its_way), *slow.ahead(f.ahead_s, on_its_way))
        if self._coming_s is not None:
            shows = 1.0 - self._mix(far_decay(self._coming_s / quick.response_s),
                                    far_decay(self._coming_s / slow.response_s))
            self._comes_bpm = shows * self.coming_bpm
            self.foreseen_bpm = self.foreseen_bpm + self._comes_bpm
            foreseen_var = foreseen_var + shows * shows * self._coming_var
        self.foreseen_sd_bpm = k.root(k.most(foreseen_var, 0.0))

    def _mix(self, quick: Number, slow: Number) -> Number:
        return slow + self._quick * (quick - slow)

    def _both(
        self, quick: Number, quick_var: Number, slow: Number, slow_var: Number
    ) -> tuple[Number, Number]:
        """Mean and variance of the two together."""
        mean = self._mix(quick, slow)
        return mean, self._mix(quick_var + (quick - mean) * (quick - mean),
                               slow_var + (slow - mean) * (slow - mean))
