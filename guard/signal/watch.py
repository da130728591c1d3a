"""The words that do not depend on pace: stop, signal lost, signal back.

One question is asked of every moment: is the runner guarded? He is not
(`blind`) while no trusted reading comes, while they come too seldom to guard
by, and for a while when they follow the steps. That is said, and said again,
thinning out and never ending, until it is over. A stop comes only with a
trusted reading, so it cannot be stale. Nothing is said while held. Over a kit
(`signal/kit.py`), pure.
"""

from enum import IntEnum

from guard.events import Cue
from guard.signal.interval import Interval
from guard.signal.kit import Fact, Kit, Number

NAN, INFINITE = float("nan"), float("inf")
NEVER_S = -INFINITE

# Where no source is given: chosen by simulation, on composed sessions.
EARLY_S = 0.5  # time is looked at every quarter or half second: said by the age set, not after it
INTERVALS = 1.5  # of the strap's own: a reading this late is missing
SLOWEST_S, SLOW_ENOUGH_S = 12.0, 10.5  # a longer interval is too slow to guard by, until this short again
PROVEN_S = 8.0  # of trusted readings begin the guarding, at the start and after a pause,
PROVEN_LATEST_S = 30.0  # or, however many gaps they have, any from then on;
REGAINED_S = 3.0  # end the blindness, once it was said;
BACK_S, BACK_MOST_S = 5.0, 40.0  # and so long until "back" is said, so that a link is heard back within
# 10 s of its return; doubled each time the last "back" did not hold for
FLAPS_S = 120.0
AGAIN_S, AGAIN_MOST_S = 30.0, 300.0  # between repeats of "lost": doubled each time
NEWS_S = 10.0  # and before another cause of it is said
NEAR_BPM = 10.0  # nearer than this to the never-exceed limit they are never doubled
BY_FEEL_S = 8.0  # over it, the words by feel come no later, whatever the setting
STOP_AGAIN_S, STOP_AGAIN_MOST_S = 10.0, 30.0  # between stops: doubled while heart rate neither rises
STOP_RISE_BPM = 3.0  # this far above the highest one said, nor comes back from this far under the limit
LEVEL_S = 2.0  # time constant of the level that stop goes by: one spike is no stop
LONGEST_GAP_S = 60.0
HEARD_S = 30.0  # for so long a rate that was heard, trusted or not, counts
HEARD_SHARE = 0.75  # of one reading in the rate heard
LOCK_WAIT_S = 180.0  # the longest that pace cues wait while the rate follows the steps;
LOCK_OVER_S = 60.0  # free of them for so long, the next time counts anew


class WatchRule(IntEnum):
    """Why a word was said, or why the runner is not guarded; `key` is its stable name."""

    NONE = 0
    STOP = 1  # a trusted heart rate is over the never-exceed limit
    NO_READING = 2  # nothing usable arrives
    NOT_TRUSTED = 3  # readings arrive and are not believed
    BY_FEEL = 4  # either, over the never-exceed limit: slow down by feel
    TOO_SELDOM = 5  # the strap's own interval is too long to guard by
    STEP_LOCK = 6  # the rate follows the steps
    SIGNAL_BACK = 7  # trusted readings again,
    UNFELT = 8  # by their beats: the strap has only ever denied skin contact

    @property
    def key(self) -> str:
        return self.name.lower()


class Watch:
    """The watches of some lanes; what a number is, the kit says.

    After a step: `guarded` (trusted readings come: only now may a pace cue be
    given), `blind` (they do not: the state is no signal; neither while held, nor
    before the first ones), `cause` of the blindness and `rule` of the cue given
    (codes of `WatchRule`), `loss_said`, `unguarded_s`, `interval_s`, `level_bpm` (what stop
    goes by). `stop_bpm` may be moved between steps.
    """

    def __init__(self, kit: Kit, stop_bpm: Number, stale_s: Number, lost_s: Number) -> None:
        """Settings of these names, one a lane; `stop_bpm` NaN: there is no never-exceed limit."""
        self._kit = kit
        self.stop_bpm, self._stale_s, self._lost_s = stop_bpm, stale_s, lost_s
        zero: Number = lost_s * 0.0
        no: Fact = zero != 0.0
        never, unknown = zero + NEVER_S, zero + NAN
        self._zero = zero
        self._interval = Interval(kit, zero)
        self._idle: Fact = zero == 0.0  # held, or not yet begun
        self._since_s: Number = zero  # the session began, or a pause ended
        self._trusted_s: Number = never  # newest trusted reading
        self._run_from_s: Number = zero + INFINITE  # first of those that come without a gap
        self._heard_s, self._heard_bpm = never, unknown
        self._said_s, self._again_s, self._wait_s = never, zero + AGAIN_S, zero + AGAIN_S
        self._back_at_s, self._back_s = never, zero + BACK_S
        self._stop_s, self._stop_again_s = never, zero + STOP_AGAIN_S
        self._stopped_bpm: Number = unknown  # highest at a stop of this run of stops
        self._lowest_bpm: Number = unknown  # since the last stop
        self._lock_from_s, self._lock_seen_s = unknown, never
        self._seldom: Fact = no
        self._seldom_said: Fact = no
        self._lock_said: Fact = no
        self.level_bpm: Number = unknown
        self.unguarded_s: Number = zero
        self.interval_s: Number = self._interval.seconds
        self.blind: Fact = no
        self._proven: Fact = no  # trusted readings came for a while since the beginning or a pause
        self.guarded: Fact = no
        self.loss_said: Fact = no
        self._back_owed: Fact = no  # a loss was said, if only before a pause
        self.rule: Number = zero
        self.cause: Number = zero

    def step(
        self,
        t_s: Number,
        bpm: Number,
        held: Fact,
        *,
        unguarded_s: Number | None = None,
        interval_s: Number | None = None,
        heard_bpm: Number | None = None,
        locked: Fact | None = None,
        unfelt: Fact | None = None,
    ) -> Number:
        """Look at time `t_s`, with the trusted `bpm` that arrived (NaN: none); the code of the cue due.

        What `Trust` knows: `unguarded_s`, seconds since a trusted reading; the
        strap's `interval_s`; `heard_bpm`, what arrived, trusted or not (NaN:
        nothing); `locked`: the rate follows the steps; `unfelt`: by its beats. Left out, they are told
        from the arrivals of `bpm`.
        """
        k, where = self._kit, self._kit.where
        arrived = bpm == bpm
        anew = self._begin_anew(t_s, held)
        said_bpm = bpm if heard_bpm is None else heard_bpm
        self._take(t_s, bpm, arrived, said_bpm, interval_s)
        age_s = t_s - k.most(self._trusted_s, self._since_s)
        self.unguarded_s = age_s if unguarded_s is None else k.least(unguarded_s, t_s - self._since_s)

        late_s = INTERVALS * self.interval_s
        begun = self._trusted_s >= self._since_s
        stale_s = where(begun, self._stale_s, self._lost_s)  # the first readings are given time to prove it
        stale = self.unguarded_s >= k.most(stale_s, late_s) - EARLY_S
        self._run_from_s = where(
            stale, INFINITE, where(arrived, k.least(self._run_from_s, t_s), self._run_from_s))
        run_s = t_s - self._run_from_s
        self._seldom = seldom = self.interval_s > where(self._seldom, SLOW_ENOUGH_S, SLOWEST_S)
        follows_steps = self._follows_steps(t_s, locked)
        doubtful = self.loss_said & self.blind & k.no(arrived & (run_s >= REGAINED_S))
        self.blind = k.no(held) & (stale | seldom | follows_steps | doubtful)
        asked_s = t_s - k.most(self._since_s, self._said_s)
        proves = (run_s >= PROVEN_S) | (begun & (asked_s >= PROVEN_LATEST_S))
        self._proven = (self._proven | proves) & k.no(anew | (self.loss_said & self.blind))
        self.guarded = self._proven & k.no(held | self.blind)

        heard = t_s - self._heard_s <= HEARD_S
        known_bpm = k.most(where(heard, self._heard_bpm, 0.0), where(
            self.level_bpm == self.level_bpm, self.level_bpm, 0.0))
        over = known_bpm > self.stop_bpm
        near = known_bpm > self.stop_bpm - NEAR_BPM

        stop = self._stop(t_s, bpm, said_bpm, arrived & k.no(held))
        lost_s = where(over, k.least(self._lost_s, BY_FEEL_S), self._lost_s)
        first = k.no(self.loss_said) & (self.unguarded_s >= k.most(lost_s, late_s) - EARLY_S)
        sent = t_s - self._heard_s < k.most(self._stale_s, late_s) - EARLY_S
        news = seldom & sent & k.no(self._seldom_said)  # once and plainly, whatever else is wrong
        why = news | (follows_steps & k.no(stale | self._lock_said))
        first = first | (why & (t_s - self._said_s >= NEWS_S))
        self._wait_s = wait_s = where(near, AGAIN_S, self._again_s)
        # Not of a strap that sends too seldom, while it does: that is said once.
        again = self.loss_said & (stale | follows_steps) & (t_s - self._said_s >= wait_s - EARLY_S)
        lost = self.blind & (first | again) & k.no(stop)
        back = arrived & self._back_owed & k.no(self.blind | stop | held) & (run_s >= self._back_s - EARLY_S)

        cause = where(sent, int(WatchRule.NOT_TRUSTED), int(WatchRule.NO_READING))
        cause = where(over, int(WatchRule.BY_FEEL), cause)
        cause = where(seldom & k.no(stale), int(WatchRule.TOO_SELDOM), cause)
        cause = where(follows_steps & k.no(stale), int(WatchRule.STEP_LOCK), cause)
        cause = where(news, int(WatchRule.TOO_SELDOM), cause)
        self.cause = where(self.blind, cause, int(WatchRule.NONE))
        returns = self._zero + int(WatchRule.SIGNAL_BACK)
        if unfelt is not None:
            returns = where(unfelt, int(WatchRule.UNFELT), returns)
        self.rule = where(stop, int(WatchRule.STOP), where(back, returns, where(
            lost, self.cause, int(WatchRule.NONE))))
        if k.some(lost):
            self._say_lost(t_s, lost)
        if k.some(back):
            go_on = k.no(back)
            self.loss_said, self._back_owed = self.loss_said & go_on, self._back_owed & go_on
            # Not as soon as the interval is short: it hovers while it is learned.
            self._seldom_said = self._seldom_said & go_on
            self._back_at_s = where(back, t_s, self._back_at_s)
        cue = where(lost, int(Cue.SIGNAL_LOST), where(back, int(Cue.SIGNAL_BACK), int(Cue.NONE)))
        return where(stop, int(Cue.STOP), cue)

    @property
    def again_at_s(self) -> Number:
        """When "signal lost" is said again if nothing arrives; only a time where it has been said."""
        return self._said_s + self._wait_s - EARLY_S

    def _begin_anew(self, t_s: Number, held: Fact) -> Fact:
        """At the start, while held, and once a pause is over: nothing is known of the runner now."""
        k, where = self._kit, self._kit.where
        anew = self._idle | held
        self._idle = held
        if not k.some(anew):
            return anew
        go_on = k.no(anew)
        self._since_s = where(anew, t_s, self._since_s)
        self._run_from_s = where(anew, INFINITE, self._run_from_s)
        self.loss_said, self.blind = self.loss_said & go_on, self.blind & go_on
        self._seldom_said, self._lock_said = self._seldom_said & go_on, self._lock_said & go_on
        self._again_s = where(anew, AGAIN_S, self._again_s)
        self._stop_again_s = where(anew, STOP_AGAIN_S, self._stop_again_s)
        self.level_bpm = where(anew, NAN, self.level_bpm)
        self._lowest_bpm = where(anew, NAN, self._lowest_bpm)
        self._heard_bpm = where(anew, NAN, self._heard_bpm)
        self._lock_from_s = where(anew, NAN, self._lock_from_s)
        return anew

    def _take(
        self, t_s: Number, bpm: Number, arrived: Fact, heard_bpm: Number, interval_s: Number | None
    ) -> None:
        """What arrived: the strap's interval, the level that stop goes by, the rate heard."""
        k, where = self._kit, self._kit.where
        if interval_s is not None:
            self.interval_s = interval_s
        if k.some(arrived):
            gap_s = k.least(t_s - self._trusted_s, LONGEST_GAP_S)
            if interval_s is None:
                self._interval.take(arrived & (self._trusted_s > NEVER_S), gap_s)
                self.interval_s = self._interval.seconds
            moved = self.level_bpm + gap_s / (LEVEL_S + gap_s) * (bpm - self.level_bpm)
            level = where(self.level_bpm == self.level_bpm, moved, bpm)
            self.level_bpm = where(arrived, level, self.level_bpm)
            lowest = where(self._lowest_bpm == self._lowest_bpm, k.least(self._lowest_bpm, level), level)
            self._lowest_bpm = where(arrived, lowest, self._lowest_bpm)
            self._trusted_s = where(arrived, t_s, self._trusted_s)
        heard = heard_bpm == heard_bpm
        if k.some(heard):
            moved = self._heard_bpm + HEARD_SHARE * (heard_bpm - self._heard_bpm)
            level = where(self._heard_bpm == self._heard_bpm, moved, heard_bpm)
            self._heard_bpm = where(heard, level, self._heard_bpm)
            self._heard_s = where(heard, t_s, self._heard_s)

    def _follows_steps(self, t_s: Number, locked: Fact | None) -> Fact:
        """The rate follows the steps, and has not for so long that guarding must go on."""
        k, where = self._kit, self._kit.where
        if locked is None:
            return self._zero != 0.0
        over = t_s - self._lock_seen_s > LOCK_OVER_S
        self._lock_from_s = where(over, NAN, self._lock_from_s)
        self._lock_said = self._lock_said & k.no(over)
        begins = locked & (self._lock_from_s != self._lock_from_s)
        self._lock_from_s = where(begins, t_s, self._lock_from_s)
        self._lock_seen_s = where(locked, t_s, self._lock_seen_s)
        return locked & (t_s - self._lock_from_s < LOCK_WAIT_S)

    def _stop(self, t_s: Number, bpm: Number, said_bpm: Number, arrived: Fact) -> Fact:
        """Lanes to be stopped now: at a trusted reading, thinning out where nothing rises."""
        k, where = self._kit, self._kit.where
        # All three: the level, what is believed and what the sensor says now (an irregular pulse is believed
        # at its median). What is not over itself is no reason to stop. In whole beats, as they are shown.
        over = (arrived & (k.floor(bpm + 0.5) > self.stop_bpm)
                & (k.floor(said_bpm + 0.5) > self.stop_bpm) & (k.floor(self.level_bpm + 0.5) > self.stop_bpm))
        if not k.some(over):
            return over
        anew = (self._stop_s == NEVER_S) | (self._lowest_bpm <= self.stop_bpm - STOP_RISE_BPM)
        rises = anew | (self.level_bpm - self._stopped_bpm >= STOP_RISE_BPM)
        stop = over & (t_s - self._stop_s >= where(rises, STOP_AGAIN_S, self._stop_again_s))
        longer_s = k.least(2.0 * self._stop_again_s, STOP_AGAIN_MOST_S)
        self._stop_again_s = where(stop, where(rises, STOP_AGAIN_S, longer_s), self._stop_again_s)
        self._stop_s = where(stop, t_s, self._stop_s)
        highest_bpm = where(anew, self.level_bpm, k.most(self._stopped_bpm, self.level_bpm))
        self._stopped_bpm = where(stop, highest_bpm, self._stopped_bpm)
        self._lowest_bpm = where(stop, self.level_bpm, self._lowest_bpm)
        return stop

    def _say_lost(self, t_s: Number, lost: Fact) -> None:
        k, where = self._kit, self._kit.where
        begins = lost & k.no(self.loss_said)
        flaps = t_s - self._back_at_s <= FLAPS_S
        longer_s = k.least(2.0 * self._back_s, BACK_MOST_S)
        self._back_s = where(begins, where(flaps, longer_s, BACK_S), self._back_s)
        self._again_s = where(lost, where(begins, AGAIN_S, k.least(
            2.0 * self._again_s, AGAIN_MOST_S)), self._again_s)
        self._said_s = where(lost, t_s, self._said_s)
        self.loss_said, self._back_owed = self.loss_said | lost, self._back_owed | lost
        self._seldom_said = self._seldom_said | (lost & (self.cause == int(WatchRule.TOO_SELDOM)))
        self._lock_said = self._lock_said | (lost & (self.cause == int(WatchRule.STEP_LOCK)))
