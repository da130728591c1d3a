"""Whether a heart rate follows the changes of the step rate: a sensor locked to the steps. Pure."""

# Chosen by simulation.
LOCK_MEMORY_S = 40.0  # over which rate and step rate are compared
LOCK_KNOWN_S = 20.0  # of comparing before a lock can be said
LOCK_MOVED_SPM2 = 1.0  # variance of the step rate without which nothing can be told
LOCK_SHARE = 0.4  # of that variance left in the difference: the rate follows the changes
LOCK_LEFT = 0.8  # and is free of them again
LOCK_LEAP_BPM = 12.0  # a difference that leaps by so much is compared afresh
LOCK_NEAR_BPM = 5.0  # mean difference of a locked sensor


class Steps:
    """Whether the rate follows the changes of the step rate, second by second."""

    def __init__(self) -> None:
        self._known_s = 0.0
        self._cadence = self._apart = 0.0  # means: of the step rate, of the rate less the step rate
        self._cadence_var = self._apart_var = 0.0
        self.locked = False

    def take(self, bpm: float, cadence_spm: float, covers_s: float) -> None:
        """Compare a reading with the step rate of its time (NaN or 0: none known)."""
        if not cadence_spm > 0.0:
            self._known_s, self.locked = 0.0, False
            return
        apart = bpm - cadence_spm
        if self._known_s == 0.0 or abs(apart - self._apart) > LOCK_LEAP_BPM:
            self._known_s, self.locked = 0.0, False
            self._cadence, self._apart, self._cadence_var, self._apart_var = cadence_spm, apart, 0.0, 0.0
        self._known_s = min(self._known_s + covers_s, LOCK_MEMORY_S)
        share = min(covers_s / self._known_s, 0.5)
        off = cadence_spm - self._cadence
        self._cadence += share * off
        self._cadence_var += share * ((1.0 - share) * off * off - self._cadence_var)
        off = apart - self._apart
        self._apart += share * off
        self._apart_var += share * ((1.0 - share) * off * off - self._apart_var)
        near = abs(self._apart) <= LOCK_NEAR_BPM
        if self.locked:
            self.locked = near and not self._apart_var > LOCK_LEFT * max(self._cadence_var, LOCK_MOVED_SPM2)
        else:
            self.locked = (near and self._known_s >= LOCK_KNOWN_S and self._cadence_var >= LOCK_MOVED_SPM2
                           and self._apart_var <= LOCK_SHARE * self._cadence_var)
