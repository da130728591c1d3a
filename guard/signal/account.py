"""An account of the level, and the seconds of clean, living signal that speak for it. Pure."""

NAN = float("nan")

# Chosen by simulation.
BELIEVED_S = 3.5  # evidence from which an account is believed: four readings a second apart,
BELIEVED_READINGS = 3  # and from so many: two agree by chance
MOST_EVIDENCE_S = 40.0  # bound of an account: a longer memory is regained later, a shorter one fooled sooner
FADES_S = 60.0  # time constant of forgetting while readings come
FADES_SILENT_S = 8.0  # and while none does
FOLLOWS = 0.5  # of the way an account moves to a reading that fits it


class LevelAccount:
    """One account of the level, with the seconds of signal that speak for it."""

    __slots__ = ("evidence_s", "level_bpm", "lived", "readings")

    def __init__(self) -> None:
        self.level_bpm = NAN
        self.evidence_s = 0.0
        self.readings = 0  # that agreed on end
        self.lived = False  # one of them, after the first, was proof of life

    @property
    def believed(self) -> bool:
        """Enough agreed, for long enough, and it lived: what has stood since it came is no heart yet."""
        return self.lived and self.evidence_s >= BELIEVED_S and self.readings >= BELIEVED_READINGS

    def explains(self, bpm: float, gate_bpm: float) -> bool:
        return abs(bpm - self.level_bpm) <= gate_bpm  # False while nothing is known

    def gain(self, bpm: float, weight_s: float, alive: bool) -> None:
        self.level_bpm += FOLLOWS * (bpm - self.level_bpm)
        self.evidence_s = min(self.evidence_s + weight_s, MOST_EVIDENCE_S)
        self.lived = self.lived or (alive and self.readings > 0)
        self.readings += 1

    def lose(self, weight_s: float) -> None:
        self.evidence_s = max(self.evidence_s - weight_s, 0.0)

    def part(self) -> None:
        """A reading between parts those that agreed: what comes back later has to live anew."""
        self.readings, self.lived = 0, False

    def begin(self, bpm: float, weight_s: float) -> None:
        self.level_bpm, self.evidence_s, self.readings, self.lived = bpm, weight_s, 1, False


def kept(gone_s: float, constant_s: float) -> float:
    """What `gone_s` seconds leave of a memory: exp(-x) as (1 + x/8)**-8, in plain products."""
    kept = 1.0 / (1.0 + gone_s / (8.0 * constant_s))
    kept *= kept
    kept *= kept
    return kept * kept
