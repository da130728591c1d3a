"""Which readings are believed: two accounts of the level compete on evidence.

1. Evidence is counted in seconds of clean, living signal. The *old* account is
   believed, the *rival* explains what contradicts it; a reading that fits only
   the rival carries its weight across, and the larger account wins. Evidence is
   bounded and fades, so that every belief can be left from every state.
2. Suspicion weighs, it never excludes: a weight of 0 would be a latch.
3. A reading speaks for the time it covers, and two agree by chance. Silence
   weakens what was believed; it does not make a leap likely.
4. Proof of life is a new set of RR intervals, or a changed rate; intervals that
   tell another rate are none.
5. One timer, `unguarded_since_s`: whatever the cause, nothing else says for how
   long nobody has watched.
6. Honest straps creep, dry electrodes hold and leap: where the steps leap, the
   median of living beats is the level as long as they scatter as a heart's do,
   and without beats nothing is.

Scalar and pure; only + - * / on data, so that every processor gives the same bits.
"""

from typing import NamedTuple

from guard.events import Doubt, Reading
from guard.signal.account import BELIEVED_S, FADES_S, FADES_SILENT_S, NAN, LevelAccount, kept
from guard.signal.beats import Beats
from guard.signal.interval import Interval
from guard.signal.kit import SINGLE
from guard.signal.known import Known
from guard.signal.steps import Steps

# What a human heart can do, bpm; common practice for sensors.
LOWEST_BPM, HIGHEST_BPM = 30, 230

# All below chosen by simulation, on composed sessions and five outdoor runs (trackeR `runs`).
GATE_BPM = 11.0  # a reading fits an account this near to it,
GATE_BPM_PER_S = 3.0  # and for each of the first seconds since the last evidence,
GATE_FIRST_S = 3.0
GATE_SELDOM_BPM_PER_S = 1.0  # and for each one more that this strap leaves between its readings,
GATE_MOST_BPM = 60.0
GATE_RR = 1.5  # times as much where new RR intervals agree
FITS_S = 4.0  # memory of how many of the newest readings the old account explains,
FITS_LEAST = 0.6  # and how many it must
NEITHER_COSTS = 3.0  # times its weight: what a reading that fits no account takes from the rival
NEITHER_COSTS_OLD = 0.5  # and from the old account
COVERS_MOST_S = 5.0  # the longest time one reading can speak for,
COVERS_INTERVALS = 1.5  # and how many of the strap's own intervals
SUSPECT_WEIGHT = 0.7  # of a leap, or of a reading at the step rate
STILL_WEIGHT = 0.5  # of a rate that stands still; the rest is made up for when it moves on
HELD_LEAP_BPM_PER_S = 4.0  # a step out of a hold, and
LEAP_BPM_PER_S = 12.0  # a step that differs so much from the one before, is a leap: a dry electrode holds
# and leaps; readings that scatter by 2 bpm (SD) about a level do not
HOLD_S = 4.0  # a rate found unchanged after so long has changed calmly: few readings tell of few changes
STEP_MOST_S = 30.0  # how the rate changed in a longer silence nobody knows: no leap
LEAP_LEAST_S = 0.8  # readings closer than this are looked at together
LEAP_SHARE, LEAP_MOST = 0.25, 0.66  # of one change in the share of leaps; its most: three calm changes end it
LEAPING = 0.28  # share of leaps among changes from which the signal is leaping: two, no single one
CALM_MOST_S = 12.0  # who leapt for so long, or less, is believed after as long a calm
IRREGULAR = 0.5  # and from which a pulse with beats is irregular: more than a jump and its end make;
IRREGULAR_MOST_BPM = 30.0  # a reading farther off than this from its beats is none of its own
STEP_RATE_BPM = 2.0  # this near to the step rate is suspect
FROZEN_RR_S = 10.0  # without proof of life where RR are usual: they change with every beat,
FROZEN_RR_INTERVALS, FROZEN_RR_MOST_S = 2.5, 20.0  # but one may repeat by chance; so no single reading tells
UNFELT_S = 60.0  # beats believed for so long outweigh a strap that has only ever denied skin contact
FROZEN_S = 60.0  # where none are sent: honest straps stood still for 45 s in 21 h; and of a strap that
# sends seldom as much longer as one and a half of its intervals are


class Judged(NamedTuple):
    """What became of one reading.

    `bpm`: the heart rate to believe, NaN if none. `alive`: it is believed and
    itself proof of life. `heard_bpm`: what the sensor said, believed or not;
    NaN where it could not be a heart rate.
    """

    bpm: float
    alive: bool
    doubt: Doubt | None
    heard_bpm: float


NO_READING = Judged(NAN, False, None, NAN)  # of a moment in which none came
_UNUSABLE = {doubt: Judged(NAN, False, doubt, NAN)
             for doubt in (Doubt.NO_CONTACT, Doubt.NO_PULSE, Doubt.RANGE)}


class Trust:
    """Judges the readings of one strap in order of arrival.

    `unguarded_since_s`: when a trusted reading last came (or the session began,
    or a pause ended); a frozen sensor's goes back to its last proof of life.
    `interval_s`: the strap's own, learned. `doubt`: of the newest reading.
    """

    def __init__(self, t_s: float = 0.0) -> None:
        self.unguarded_since_s = t_s
        self.doubt: Doubt | None = None
        self._old, self._rival = LevelAccount(), LevelAccount()
        self._interval = Interval(SINGLE, 0.0)
        self._beats = Beats()
        self._steps = Steps()
        self._arrived_s = self._life_s = self._changed_s = self._evident_s = t_s
        self._first = True
        self._bpm = NAN  # of the newest usable reading
        self._stepped_s = float("-inf")  # the newest step looked at:
        self._stepped_bpm = NAN
        self._pace = 0.0  # its bpm/s,
        self._sum_bpm, self._summed = 0.0, 0  # and what came since
        self._leaps = 0.0  # share among changes
        self._leaping_s = self._leapt_s = t_s  # since when it leaps, and the newest leap
        self._fits = 1.0  # share of the newest readings that the old account explains
        self._still_s = 0.0  # weight held back while the rate stands still
        self._frozen = False
        self._felt = False  # a reading came that did not deny skin contact
        self._unproven_s = t_s  # newest one whose beats would not be believed either
        self.unfelt = False  # believed by its beats, though it has only ever denied contact

    @property
    def interval_s(self) -> float:
        return float(self._interval.seconds)

    @property
    def locked(self) -> bool:
        """The rate follows the changes of the step rate."""
        return self._steps.locked

    def restart(self, t_s: float) -> None:
        """A pause ended: the count begins anew, and what comes now is believed soon."""
        self.unguarded_since_s = self._life_s = t_s
        self._old.evidence_s = min(self._old.evidence_s, BELIEVED_S)
        self._rival.evidence_s = min(self._rival.evidence_s, BELIEVED_S)

    def known(self, t_s: float, judged: Judged) -> Known:
        """What a step at `t_s` is told beside the heart rate of `judged`."""
        return Known(
            judged.alive, t_s - self.unguarded_since_s, self.interval_s, judged.heard_bpm, self.locked,
            self.unfelt)

    def take(self, t_s: float, reading: Reading, cadence_spm: float = NAN) -> Judged:
        """Judge a reading that arrived at `t_s`; `cadence_spm`: step rate now, NaN if unknown."""
        if reading.contact is False:
            judged = self._denied(t_s, reading, cadence_spm)
        else:
            self._felt, self.unfelt = True, False
            judged = self._judge(t_s, reading, cadence_spm)
        self.doubt = judged.doubt
        if judged.bpm == judged.bpm:
            self.unguarded_since_s = t_s
        elif self._frozen:
            self.unguarded_since_s = min(self.unguarded_since_s, self._life_s)
        return judged

    def _denied(self, t_s: float, reading: Reading, cadence_spm: float) -> Judged:
        """A bit that has only ever said no tells nothing, once beats were believed beside it for a while."""
        if self._felt:
            return _UNUSABLE[Doubt.NO_CONTACT]
        late = t_s - self._arrived_s > max(COVERS_MOST_S, COVERS_INTERVALS * self.interval_s)
        judged = self._judge(t_s, reading, cadence_spm)
        beats = self._beats.usual and self._beats.heard
        if not beats or (not self.unfelt and (late or judged.bpm != judged.bpm)):
            self._unproven_s = t_s
        self.unfelt = t_s - self._unproven_s >= UNFELT_S
        return judged if self.unfelt else _UNUSABLE[Doubt.NO_CONTACT]

    def _judge(self, t_s: float, reading: Reading, cadence_spm: float) -> Judged:
        if reading.bpm == 0:
            return _UNUSABLE[Doubt.NO_PULSE]
        if not LOWEST_BPM <= reading.bpm <= HIGHEST_BPM:
            return _UNUSABLE[Doubt.RANGE]
        bpm, heard = float(reading.bpm), float(reading.bpm)
        covers_s = self._covers(t_s)
        moved = bpm != self._bpm
        self._bpm = bpm
        interval_s = self.interval_s
        rr_s = tuple(one_s for one_s in reading.rr_s if one_s > 0.0)
        new, agree = self._beats.take(t_s, rr_s, bpm, covers_s, moved=moved) if rr_s else (False, True)
        heard_rr = self._beats.heard
        with_rr, usual = bool(rr_s) and heard_rr, self._beats.usual and heard_rr
        beats = with_rr and new and agree  # of a living heart
        alive = beats or (moved and (agree or not heard_rr))
        if new or moved:
            self._changed_s = t_s
        if alive:
            self._life_s = t_s
            if beats or not rr_s:
                self._beats.lived(beats)
        repeats_s = min(max(FROZEN_RR_S, FROZEN_RR_INTERVALS * interval_s), FROZEN_RR_MOST_S)
        allowed_s = FROZEN_S + COVERS_INTERVALS * max(interval_s - 1.0, 0.0)
        if usual or with_rr:
            allowed_s = repeats_s
        # Whether they are heard or not: beats that lived and now repeat, with one rate, are an old packet.
        repeats = self._beats.usual and t_s - self._changed_s >= repeats_s
        self._frozen = frozen = t_s - self._life_s >= allowed_s or repeats

        calm = self._leaps < LEAPING
        leapt = self._leapt(t_s, bpm, beats)
        calm = calm and t_s - self._leapt_s >= self._leapt_for_s
        if leapt:
            self._leaping_s = t_s if calm else self._leaping_s
            self._leapt_s = t_s
        leaping = self._leaps >= LEAPING or t_s - self._leapt_s < self._leapt_for_s
        if beats:
            if self._leaps >= IRREGULAR:  # an irregular pulse, whose beats are real
                # Beats that come early and late in turns have no median; a spike, soon over, has no mean.
                median_bpm = self._beats.median_bpm
                levels_bpm = ((median_bpm, self._beats.mean_bpm) if self._leapt_for_s >= CALM_MOST_S
                              else (median_bpm,))
                bpm = next((one for one in levels_bpm if abs(one - bpm) <= IRREGULAR_MOST_BPM), bpm)
            leapt = leaping = leaping and self._beats.scattered
        at_steps = abs(bpm - cadence_spm) <= STEP_RATE_BPM
        weight_s = covers_s * (SUSPECT_WEIGHT if at_steps or leapt else 1.0)
        if alive:
            weight_s = min(weight_s + self._still_s, COVERS_MOST_S)
            self._still_s = 0.0
        elif with_rr or usual or frozen:
            weight_s = self._still_s = 0.0
        else:
            self._still_s = min(self._still_s + (1.0 - STILL_WEIGHT) * weight_s, COVERS_MOST_S)
            weight_s *= STILL_WEIGHT
        explained = self._weigh(t_s, bpm, weight_s, interval_s, beats=beats, alive=alive)
        self._steps.take(heard, cadence_spm, covers_s)

        if frozen:
            return Judged(NAN, False, Doubt.RR_DISAGREES if moved else Doubt.REPEATED, heard)
        if leaping:
            return Judged(NAN, False, Doubt.ROUGH, heard)
        if not explained:
            doubt = Doubt.RR_DISAGREES if with_rr and not alive and moved else Doubt.JUMP
            return Judged(NAN, False, doubt, heard)
        if not self._old.believed or self._fits < FITS_LEAST:
            return Judged(NAN, False, Doubt.UNPROVEN, heard)
        return Judged(bpm, alive, Doubt.STEP_RATE if self._steps.locked else None, heard)

    @property
    def _leapt_for_s(self) -> float:
        """How long it has leapt, or did: as long a calm is asked after it."""
        return min(self._leapt_s - self._leaping_s, CALM_MOST_S)

    def _covers(self, t_s: float) -> float:
        """The time that this reading speaks for, s."""
        gap_s = t_s - self._arrived_s
        self._arrived_s = t_s
        if self._first:
            self._first = False
            self._evident_s = t_s - 1.0
            return 1.0
        self._interval.take(True, gap_s)
        return min(gap_s, COVERS_MOST_S, COVERS_INTERVALS * self.interval_s)

    def _leapt(self, t_s: float, bpm: float, beats: bool) -> bool:
        """Whether the step to this reading is a leap beside the one before it."""
        self._sum_bpm += bpm
        self._summed += 1
        gap_s = t_s - self._stepped_s
        if gap_s < LEAP_LEAST_S:
            return False
        mean_bpm = self._sum_bpm / self._summed
        self._stepped_s, self._sum_bpm, self._summed = t_s, 0.0, 0
        step_bpm, self._stepped_bpm = mean_bpm - self._stepped_bpm, mean_bpm
        if step_bpm != step_bpm or gap_s > max(STEP_MOST_S, COVERS_INTERVALS * self.interval_s):
            self._pace = 0.0  # the first, or across a silence, of which nothing is known
            return False
        pace = step_bpm / min(max(gap_s, 1.0), GATE_FIRST_S)
        leapt = abs(pace - self._pace) >= (LEAP_BPM_PER_S if self._pace else HELD_LEAP_BPM_PER_S)
        if step_bpm or gap_s >= HOLD_S or beats:
            self._leaps = min(self._leaps + LEAP_SHARE * (leapt - self._leaps), LEAP_MOST)
        self._pace = pace
        return leapt

    def _weigh(self, t_s: float, bpm: float, weight_s: float, interval_s: float, *, beats: bool,
               alive: bool) -> bool:
        """Let the accounts compete for a reading; whether the believed one explains it."""
        old, rival = self._old, self._rival
        # Since the last evidence of any kind; what is none itself has to be near.
        silent_s = t_s - self._evident_s if weight_s > 0.0 else 0.0
        usual_s = min(silent_s, max(GATE_FIRST_S, COVERS_INTERVALS * interval_s))
        gate_bpm = (GATE_BPM + GATE_BPM_PER_S * min(usual_s, GATE_FIRST_S)
                    + GATE_SELDOM_BPM_PER_S * max(usual_s - GATE_FIRST_S, 0.0))
        gate_bpm = min(gate_bpm * (GATE_RR if beats and silent_s <= usual_s else 1.0), GATE_MOST_BPM)
        explained = old.explains(bpm, gate_bpm)
        if weight_s <= 0.0:
            return explained
        self._evident_s = t_s
        left = kept(silent_s, FADES_SILENT_S if silent_s > usual_s else FADES_S)
        old.evidence_s = max(old.evidence_s * left, min(old.evidence_s, BELIEVED_S))
        rival.evidence_s *= left
        share = min(weight_s / FITS_S, 1.0)
        self._fits += share * (explained - self._fits)
        if old.level_bpm != old.level_bpm:
            old.begin(bpm, weight_s)
            self._fits = 1.0
            return True
        if explained:
            old.gain(bpm, weight_s, alive)
            rival.lose(weight_s)
            rival.part()
        elif rival.explains(bpm, gate_bpm):
            rival.gain(bpm, weight_s, alive)
            old.lose(weight_s)
        else:
            rival.lose(NEITHER_COSTS * weight_s)
            old.lose(NEITHER_COSTS_OLD * weight_s)
            if rival.evidence_s <= 0.0:
                rival.begin(bpm, weight_s)
        if rival.evidence_s > old.evidence_s:
            self._old, self._rival = rival, old
            explained = self._old.explains(bpm, gate_bpm)
        return explained
