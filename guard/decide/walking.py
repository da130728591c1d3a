"""Who walks, who runs, and who may run again: what the level shows of a walk. Over a kit, pure.

A walk, and a running again, are believed when the level shows them; a word is
repeated, ever more rarely, until then. Cadence or speed settles it where it is
told; under the limit, where nothing is lost by it, a walk is believed without. Every
state has a way out: who was taken for walking and climbs over the limit runs; who was
taken for running and sinks far under it after a walk was said is told that he may
run; whose walk stands still under the ceiling is told to try, and if that shows
nothing is reminded.
"""

from guard.decide.belief import Belief
from guard.decide.fall import FALL_BEGINS_S, UnexplainedFall
from guard.decide.figures import Figures
from guard.decide.rise import Rise
from guard.decide.still import Still
from guard.signal.kit import Fact, Kit, Number
from guard.signal.watch import NEVER_S

# Chosen on simulated runners (`tests/lab`, development seeds) where no source is named.
# A missed word to run again is said once more after so long, then twice as long: the three minutes that a
# level may stand still with no more than one word (ours).
REMIND_S = 180.0
WALK_AGAIN_S = 20.0  # a walk that readings contradict is asked for again after this at the soonest
LOST_S, LEAST_WALK_S = 75.0, 20.0  # a walk not shown by then is believed without; none is shorter
# A level that stands still, where no fall has shown a walk, asks for nothing: he is told that he may run;
# and whose level stands still on when a restart would show runs, or did not hear it.
HOLDS_S, UNMOVED_S, HOLDS_WITHIN_BPM, HOLDS_UNDER_BPM = 90.0, 125.0, 4.0, 2.0
# Who is seen to walk waits until a minute's running would stay under; who has no jog rests for nearly
# twice as much, so that fewer words do. Where the level stands still before that, waiting brings nothing:
# he tries after `TRY_FIRST_S`, then twice as long, `TRY_MOST_S` at most, until he has run well; after a gap
# or a leap, or where he is only taken for walking, after `HOLDS_S`.
RESTED_SHARE, TRY_FIRST_S, TRY_MOST_S = 1.8, 120.0, 300.0


class Walking:
    """Of each lane: `walking` and what is remembered of it.

    `seen`: the level has shown the walk; `asked`: how often he has been told to run
    again; `words`, `word_s`: walk words that were not heeded, and when the last was said; `wait_s`: how
    far apart words come now; `rests`: he has no jog under the limit; `rise_bpm`: what running again
    adds, `needs_bpm`: the room that he waits for.
    """

    def __init__(self, kit: Kit, figures: Figures, rise_bpm: Number) -> None:
        self._kit, self._figures = kit, figures
        zero = rise_bpm * 0.0
        no: Fact = zero != zero
        self.walking: Fact = no
        self.words, self.word_s, self.wait_s = zero, zero + NEVER_S, zero
        self.asked = zero
        self._since_s, self._top_bpm, self._top_s = zero + NEVER_S, zero, zero + NEVER_S
        self._low_bpm, self._low_s = zero, zero
        self.seen: Fact = no
        self._owed, self._told, self._missed, self._tries = no, no, no, no
        self._paused_s = zero + NEVER_S
        self.rests: Fact = no
        self.refused: Fact = no
        self._try_s = zero + TRY_FIRST_S
        self._stands = Still(kit, zero, HOLDS_WITHIN_BPM)
        self._doubt = UnexplainedFall(kit, zero)
        self._asked_s, self._asked_bpm, self._ask_wait_s = zero + NEVER_S, zero, zero
        self._rise = Rise(kit, rise_bpm, figures.rise_bpm)

    def step(
        self, t: Number, b: Belief, limit: Number, hot: Fact, spaced: Fact, alive: Fact, gait: Number | None,
    ) -> tuple[Fact, Fact, Fact]:
        """Who is told to walk once more, who runs, and who is told to run again.

        `hot`: the target lies over the aim; `spaced`: a word may be said; `gait`: 1 runs,
        -1 walks, 0 unknown (None: never told).
        """
        k, f, walking, level = self._kit, self._figures, self.walking, b.level_bpm
        where, no = k.where, k.no
        asked = self.asked > 0.0
        walked_s = t - self._since_s
        self._watch(t, level, (walking | self._owed) & b.settled, asked)
        anew = b.fresh & no(b.settled)  # a gap or a leap: nothing is known of how he did meanwhile
        self._try_s = where(anew, HOLDS_S, self._try_s)
        self._stands.step(t, level, b.settled)
        still_s = t - k.most(k.most(self._stands.since_s, self._since_s), self.word_s)
        under = b.settled & (level < limit - HOLDS_UNDER_BPM)
        holds = under & (still_s > HOLDS_S)
        fell = self._top_bpm - level
        self.seen = walking & (self.seen | (b.settled & (fell > f.walk_shows_bpm)))
        half_bpm = 0.5 * f.walk_shows_bpm
        shown = self.seen | (self._top_bpm - self._low_bpm >= half_bpm)
        risen = level - self._low_bpm
        rises = shown & b.settled & hot & (risen > f.turn_bpm)
        unshown = (b.settled & no(self.seen | asked) & (t - self.word_s > LOST_S) & (walked_s > LOST_S)
                   & (fell < half_bpm))
        gone = (rises & (asked | (level > limit) | (risen > f.walk_shows_bpm))) | (
            b.settled & asked & ((level > limit) | (shown & (risen > half_bpm)))) | (
            # near the limit nobody is told to run: who stands still there needs no word
            holds & no(asked) & (level > limit - half_bpm))
        if gait is not None:
            self.seen = self.seen | (walking & (gait < 0.0))
            runs = (gait > 0.0) & (t - k.most(self.word_s, self._asked_s) > LEAST_WALK_S)
            untold = gait == 0.0
            gone, unshown = (untold & gone) | runs, untold & unshown
        # Under the limit nothing is lost by believing a walk that has not shown.
        self.seen = self.seen | (walking & unshown & (level < limit))
        room = level + self.needs_bpm < limit
        unmoved = walking & asked & under & (still_s > UNMOVED_S) & (t - self._asked_s > f.shows_s)
        # nor does he walk whose walk brings him no farther under the ceiling than this in seven minutes
        long = walking & (walked_s > f.longest_walk_s)
        runs_on = long & b.settled & no(asked | under)
        if gait is not None:
            unmoved, runs_on = unmoved & untold, runs_on & untold
        gone = (walking & gone) | unmoved | runs_on
        # but whose level never rose since he was told to run may have missed the word: reminded, but seldom
        self._ask_wait_s = where(unmoved, k.most(self._ask_wait_s, REMIND_S), self._ask_wait_s)
        self._missed = unmoved | (self._missed & no(walking) & (level < self._asked_bpm + half_bpm))
        # whose fall ended over the limit walks no longer, or not enough
        still_over = self.seen & (still_s > f.shows_s)
        again = (spaced & walking & no(asked | gone) & (level > limit) & hot & self.may_say(t)
                 & (still_over | no(self.seen)))
        # Three walk words unheeded (one, if he refused before): he will not walk, or did not hear. Easing is
        # tried again.
        refuses = again & no(self.seen) & (self.words > 2.0) & (walked_s > f.shows_s)
        gone, again, self.refused = gone | refuses, again & no(refuses), refuses
        self.seen = self.seen & no(again)
        self._top_bpm = where(again & still_over, level, self._top_bpm)

        deep = self._doubt.step(t, level, walking, b.fresh, b.settled, fell,
                                k.least(walked_s, t - self._top_s + FALL_BEGINS_S))
        # no proof of a walk either: what proves one begins anew at this level
        self._top_bpm = where(deep, level, self._top_bpm)
        self._low_bpm = where(deep, level, self._low_bpm)
        self._since_s = where(deep, t, self._since_s)
        self.seen = self.seen & no(deep)
        fits = self.seen & (walked_s > LEAST_WALK_S) & room
        self._tries = self.seen & no(room) & under & (still_s > self._try_s)
        first = (fits & no(hot)) | self._tries | (long & under) | (holds & no(self.seen))
        waited = t - self._asked_s >= self._ask_wait_s
        sinks = level < self._asked_bpm - f.turn_bpm
        once_more = waited & (sinks if gait is None else sinks | (gait < 0.0))
        resume = walking & no(gone) & (level < limit) & ((asked & once_more) | (no(asked) & first))
        has_run = self._told & no(walking) & (level > limit - f.turn_bpm)
        if gait is not None:
            has_run = has_run | (self._told & (gait > 0.0))
        self._owed = self._owed & no(has_run)
        remind = self._missed & no(walking) & waited & (level < limit - f.walk_shows_bpm)
        return again, gone, spaced & alive & b.settled & self._doubt.over(t) & (resume | remind)

    def walks_on(self, t: Number, b: Belief, limit: Number, target: Number, may: Fact, last_s: Number,
                 gait: Number | None) -> tuple[Fact, Fact]:
        """Taken for running, but far under since a walk was said, or back where he was told to run again.

        He walks; and, the second, has for a while.
        """
        f, level = self._figures, b.level_bpm
        far = f.walk_shows_bpm
        back = self._told & (level < self._asked_bpm + f.turn_bpm) & (level < self._top_bpm - 0.5 * far)
        sinks = ((level < self._top_bpm - far) | back) & (level < limit - 0.5 * far)
        low = ((level < limit - far) & (target < limit - far) & (t - last_s > f.shows_s)
               & (level < self._top_bpm - f.turn_bpm) & self._kit.no(self._told))
        shown = b.settled & (sinks | low) & (t - self._paused_s > f.shows_s)
        if gait is not None:
            shown = ((gait == 0.0) & shown) | (gait < 0.0)
        return may & self._owed & self._kit.no(self.walking) & shown, low

    def may_say(self, t: Number) -> Fact:
        """Long enough since the last walk word; of those that were heeded none counts."""
        return (self.words == 0.0) | (t - self.word_s >= self._kit.most(self.wait_s, WALK_AGAIN_S))

    @property
    def missed(self) -> Fact:
        """A word to run again has shown nothing."""
        return (self.asked > 0.0) | self._missed

    @property
    def rise_bpm(self) -> Number:
        """What running again adds in its first minute."""
        return self._rise.bpm

    @property
    def needs_bpm(self) -> Number:
        """So far under the limit he may run again."""
        return self._kit.where(self.rests, RESTED_SHARE, 1.0) * self._rise.bpm

    def learn(self, t: Number, level: Number, walk: Fact) -> None:
        """What running again adds, from this step."""
        self._rise.learn(t, level, self._kit.no(self.walking), walk, self._doubt.over(t))

    def ran_well(self, quiet: Fact, cool: Fact, under: Fact) -> None:
        """He has run for a quiet minute; or runs `cool`, or is seen to walk `under` the limit."""
        self._try_s = self._kit.where(quiet, TRY_FIRST_S, self._try_s)
        self.words = self._kit.where((self.seen & under) | cool, 0.0, self.words)

    def enter(self, t: Number, level: Number, walk: Fact, again: Fact, resume: Fact, gone: Fact,
              walks_on: Fact, low: Fact) -> None:
        """What follows from words said now and from what was noticed."""
        k, where, no = self._kit, self._kit.where, self._kit.no
        if k.some(gone):
            shown = gone & (self.seen | (self.asked > 0.0))
            self._rise.begin(shown, self._low_bpm, self._low_s, level)
            self.asked = where(gone, 0.0, self.asked)
            self._top_bpm = where(gone, level, self._top_bpm)  # only a further fall says that he walks on
        if k.some(resume):
            tried = k.least(2.0 * self._try_s, TRY_MOST_S)
            self._try_s = where(resume & self._tries, tried, self._try_s)
            self.asked = where(resume & self.walking, self.asked + 1.0, self.asked)
            self._asked_s = where(resume, t, self._asked_s)
            self._asked_bpm = where(resume, level, self._asked_bpm)
            longer_s = k.most(2.0 * self._ask_wait_s, self._figures.shows_s)
            self._ask_wait_s = where(resume, longer_s, self._ask_wait_s)
            self._low_bpm, self._low_s = where(resume, level, self._low_bpm), where(resume, t, self._low_s)
            self._told = self._told | resume
        if k.some(walk | again):
            self.word_s = where(walk | again, t, self.word_s)
            self.words = where(walk | again, self.words + 1.0, self.words)
            self._owed, self._told = self._owed | walk, self._told & no(walk)
        begins = walk | walks_on
        if k.some(begins):
            # who stands still has walked since he came to stand there
            stood_s = where(low, NEVER_S, self._stands.since_s)
            self._since_s = where(begins, where(walk, t, stood_s), self._since_s)
            # who is only taken for walking is not kept waiting
            self._try_s = where(walks_on & no(walk), HOLDS_S, self._try_s)
            self._top_bpm = where(walk, level, self._top_bpm)
            self._low_bpm, self._low_s = where(begins, level, self._low_bpm), where(begins, t, self._low_s)
            self.seen = (self.seen & no(walk)) | walks_on
            self.asked = where(begins, 0.0, self.asked)
            self._ask_wait_s = where(begins, 0.0, self._ask_wait_s)
        self.walking = (self.walking & no(gone)) | begins

    def pause(self, t: Number, lanes: Fact) -> None:
        """After a pause he runs, for all that is known; who walked is owed a word until he has run."""
        no = self._kit.no
        walked = lanes & (self.walking | self._missed)
        self._owed, self._told = self._owed | walked, self._told & no(lanes)
        self.walking, self._missed = self.walking & no(lanes), self._missed & no(lanes)
        self._paused_s = self._kit.where(lanes, t, self._paused_s)

    def _watch(self, t: Number, level: Number, watched: Fact, asked: Fact) -> None:
        """The top since a walk was said, and the lowest after it; who was asked to run climbs over no top."""
        where, no = self._kit.where, self._kit.no
        self._top_bpm = where(watched, self._kit.most(self._top_bpm, level), self._top_bpm)
        self._top_s = where(watched & (level > self._top_bpm - 1.0), t, self._top_s)
        lower = watched & ((no(asked) & (level >= self._top_bpm)) | (level < self._low_bpm))
        self._low_bpm, self._low_s = where(lower, level, self._low_bpm), where(lower, t, self._low_s)
