"""What a told speed and grade do to the target, and the speed to set.

Speeds on a slope are turned into the level speed that asks for the same: on a
belt by the ratio of the slope and level terms of the ACSM running equation
(0.9 to 0.2), on the road by the cost of running of Minetti et al. (2002).
"""

from guard.cues import Cue
from guard.decide.belief import NAN, Belief, decay
from guard.decide.columns import Columns
from guard.signal.kit import Fact, Kit, Number

GAIN, GAIN_SD = 24.2, 8.3  # bpm/(m/s) for small steps while running (Hunt, Fankhauser, Saengsuwan 2015)
LEARNED_SD_SHARE = 0.15  # of a learned gain (ours)
WALKS_M_S, RUNS_M_S = 1.5, 2.0  # between them speed alone does not tell (common practice)
WALKS_SPM, RUNS_SPM = 135.0, 145.0  # steps of both feet a minute (common practice)
UNDER_BPM = 2.5  # a speed that is named would settle so far under the ceiling
MOST_SLOWER, MOST_FASTER = 0.7, 1.1  # of the present speed: small steps (ours)
STEEPEST = 0.2  # grade; on steeper ones the level cost is no guide (ours)
CHANGE_MOST_M_S = 1.5  # a greater change is of gait, and the level shows what it did
# A belt's speed steps and holds; a pod's stirs all the time, and its mean over `SPEED_OVER_S` is what effort
# follows: from `STIRS_FROM` m/s a second, over a minute, it is smoothed, from `STIRS_FULLY` wholly. Chosen on
# simulated runners and outdoor runs.
STIRS_S, STIRS_FROM, STIRS_FULLY, STIR_MOST_M_S, SPEED_OVER_S = 60.0, 0.01, 0.03, 0.1, 20.0


class Advice:
    """The told speed of some lanes.

    `known`: a speed is told; `told`: it holds too, so that a cue's effect will be seen in it.
    `speed_m_s` is the speed advised with the newest cue that asks for one, NaN
    where none is in force.
    """

    def __init__(self, kit: Kit, columns: Columns) -> None:
        self._kit, self._col = kit, columns
        zero = columns.ceiling_bpm * 0.0
        learned = columns.gain == columns.gain
        self._gain = kit.where(learned, columns.gain, GAIN)
        self._gain_sd = kit.where(learned, LEARNED_SD_SHARE * columns.gain, GAIN_SD)
        self._level_m_s = zero + NAN  # level speed that asks for the same, at the last step
        self._raw_m_s, self._stirs = zero + NAN, zero  # the same as told, and how restless it is
        self._ran_m_s, self._ran_bpm = zero + NAN, zero + NAN  # what it was, and led to, when a walk was said
        self._fastest_m_s = zero
        self.speed_m_s = zero + NAN
        self.told: Fact = zero != zero
        self.known: Fact = zero != zero

    def take(self, dt: Number, speed: Number, grade: Number | None) -> tuple[Number, Number]:
        """The speed and grade of now; what their change moves the target by, and its variance."""
        k = self._kit
        self._per_m_s = self._cost(grade)
        level = self._smooth(dt, speed * self._per_m_s)
        change = level - self._level_m_s
        self.known = known = change == change
        self.told = known & (self._stirs < STIRS_FULLY)
        change = k.where(known, k.most(k.least(change, CHANGE_MOST_M_S), -CHANGE_MOST_M_S), 0.0)
        self._level_m_s = level
        self._fastest_m_s = k.where(speed == speed, k.most(self._fastest_m_s, speed), self._fastest_m_s)
        spread = self._gain_sd * change
        return self._gain * change, spread * spread

    def _smooth(self, dt: Number, raw: Number) -> Number:
        """The level speed as told, or the mean of late where what is told never holds."""
        k = self._kit
        stir = raw - self._raw_m_s
        size = k.where(stir == stir, k.least(k.root(stir * stir), STIR_MOST_M_S), 0.0)
        self._stirs = self._stirs * decay(dt / STIRS_S) + size / STIRS_S
        self._raw_m_s = raw
        share = k.most(k.least((self._stirs - STIRS_FROM) / (STIRS_FULLY - STIRS_FROM), 1.0), 0.0)
        off = raw - self._level_m_s
        stays = k.where((off == off) & (share > 0.0), decay(dt / (SPEED_OVER_S * k.most(share, 0.01))), 0.0)
        return raw - k.where(off == off, stays * off, 0.0)

    def load(self, ahead_m_s: Number, in_s: Number) -> tuple[Number, Number, Number]:
        """What a known change of effort, in level m/s, moves the target by in `in_s`, and its variance."""
        k = self._kit
        known = k.where(ahead_m_s == ahead_m_s, ahead_m_s, 0.0)
        change = k.most(k.least(known, CHANGE_MOST_M_S), -CHANGE_MOST_M_S)
        spread = self._gain_sd * change
        return self._gain * change, spread * spread, in_s

    def say(self, cue: Number, speed: Number, belief: Belief, warm: Fact) -> None:
        """Name a speed with a cue that asks for one, where a gain was learned."""
        k, col = self._kit, self._col
        eases, resumes = cue == int(Cue.EASE), cue == int(Cue.RESUME)
        asks = eases | resumes | (cue == int(Cue.PICK_UP))
        walks = cue == int(Cue.WALK)
        target = belief.target_bpm + belief.told_bpm
        self._ran_m_s = k.where(walks, self._level_m_s, self._ran_m_s)
        self._ran_bpm = k.where(walks, target, self._ran_bpm)
        if not k.some(asks | walks):
            return
        from_m_s = k.where(resumes, self._ran_m_s, self._level_m_s)
        leads_bpm = k.where(resumes, self._ran_bpm, target)
        best = (from_m_s + (col.ceiling_bpm - UNDER_BPM - leads_bpm) / col.gain) / self._per_m_s
        step = col.belt_step_m_s
        below = k.most(speed - step, speed * MOST_SLOWER)
        up = k.where(resumes, k.least(from_m_s / self._per_m_s, self._fastest_m_s), MOST_FASTER * speed)
        advised = k.where(eases, k.most(k.least(best, below), speed * MOST_SLOWER), k.least(best, up))
        advised = k.floor(advised / step + 1e-6) * step
        self.speed_m_s = k.where(asks & warm & (advised > 0.0), advised,
                                 k.where(asks | walks, NAN, self.speed_m_s))

    def gait(self, speed: Number, cadence: Number | None) -> Number:
        """1 runs, -1 walks, 0 unknown; cadence settles it, else speed where it is clear."""
        where = self._kit.where
        tells = where(speed >= RUNS_M_S, 1.0, where((speed <= WALKS_M_S) & (speed > 0.3), -1.0, 0.0))
        if cadence is None:
            return tells
        steps = where(cadence >= RUNS_SPM, 1.0, where((cadence <= WALKS_SPM) & (cadence > 0.0), -1.0, 0.0))
        return where(steps == 0.0, tells, steps)

    def _cost(self, grade: Number | None) -> Number:
        """Cost of running here, of that on the level."""
        if grade is None:
            return 1.0 + self._col.ceiling_bpm * 0.0
        return cost(self._kit, grade, self._col.belt)


def cost(k: Kit, grade: Number, belt: Fact) -> Number:
    """Cost of running a metre at `grade` (NaN: level), of that on the level."""
    i = k.most(k.least(k.where(grade == grade, grade, 0.0), STEEPEST), -STEEPEST)
    road = ((((155.4 * i - 30.4) * i - 43.3) * i + 46.3) * i + 19.5) * i / 3.6 + 1.0
    return k.where(belt, 1.0 + 4.5 * k.most(i, -0.1), road)
