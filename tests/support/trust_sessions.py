"""Composed sessions with a known truth, for the invariants of trust.

A session is a chain of stretches, each with one thing that can happen to a
heart, a strap, a link or a runner's thumb. What was sent is kept beside what
was true, so that a checker need not ask the guard. All of it is invented.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

from guard.events import Action, Command, Input, Reading, Speed
from guard.plan.plan import Kind, Part, Plan
from guard.settings import Settings

HEART = ("steady", "climb", "fall", "true stop")
FAULTS = ("gap", "sparse", "flapping", "zeros", "spikes", "frozen", "lock", "lock", "irregular",
          "irregular", "noise", "false", "dry", "lossy", "slow", "thumb", "thumb")


@dataclass(frozen=True, slots=True)
class Sent:
    """A reading, what was true of it, and the stretch it belongs to."""

    reading: Reading
    clean: bool  # true to 2 bpm (SD), alive, not denied
    stretch: int


@dataclass(frozen=True, slots=True)
class Stretch:
    kind: str
    begin_s: float
    end_s: float
    interval_s: float
    rr: bool


@dataclass
class Composed:
    """One session: its settings, its inputs in order, and the truth beside them."""

    seed: int
    settings: Settings
    plan: Plan | None
    rr_lie: bool = False  # what comes as RR are no beats: nothing may rest on them
    inputs: list[Input] = field(default_factory=list)
    sent: list[Sent] = field(default_factory=list)
    stretches: list[Stretch] = field(default_factory=list)
    held: list[tuple[float, float]] = field(default_factory=list)
    free: list[tuple[float, float]] = field(default_factory=list)
    final_s: float = 0.0
    end_s: float = 0.0


class Composer:
    """Draws one session from a seed."""

    def __init__(self, seed: int) -> None:
        self.rng = rng = random.Random(seed)
        ceiling = float(rng.choice((135, 139, 145, 150)))
        stop = rng.choice((None, ceiling + 10.0, ceiling + 20.0, ceiling + 30.0))
        floor = rng.choice((None, None, ceiling - 15.0))
        settings = Settings(
            ceiling_bpm=ceiling, stop_bpm=stop, floor_bpm=floor,
            warm_up_s=rng.choice((0.0, 0.0, 60.0)), walking=rng.random() < 0.9)
        plan = None
        if rng.random() < 0.15:
            plan = Plan("composed", (
                Part(Kind.WARM_UP, "warm-up", 60.0), Part(Kind.EASY, "one", 100.0),
                Part(Kind.EASY, "two", 80.0, ceiling_bpm=ceiling + 4.0)))
        self.out = Composed(seed, settings, plan)
        self.ceiling, self.stop = ceiling, stop
        self.level = ceiling + rng.uniform(-50, 5)
        self.sends_rr = rng.random() < 0.5
        self.lies = rng.choice((*6 * ("",), "doubled", "one second")) if self.sends_rr else ""
        self.rr, self.out.rr_lie = self.sends_rr and not self.lies, bool(self.lies)
        self.contact = rng.choice((None, None, True))
        self.scatter = rng.choice((0.7, 1.0, 1.5))
        self.every_s = rng.choice((1.0, 1.0, 1.0, 1.0, 2.0, 5.0, 8.0))
        self.cadence = rng.choice((0.0, 160.0, 166.0, 172.0))
        self.sway = rng.choice((0.0, 1.0, 1.0))
        self.t_s = rng.choice((0.3, 1.0, 4.0, 20.0))
        self.walk = 0.0
        self.most_bpm = 255

    def compose(self) -> Composed:
        rng, out = self.rng, self.out
        for _ in range(rng.randint(3, 6)):
            self.stretch(rng.choice(HEART), rng.uniform(8, 70))
            if rng.random() < 0.85:
                length_s = rng.choice((6.0, 15.0, 30.0, 80.0, 150.0)) * rng.uniform(0.7, 1.3)
                self.stretch(rng.choice(FAULTS), length_s)
        if out.free and math.isinf(out.free[-1][1]):
            self.command(Action.FREE_RUN, 0)
            out.free[-1] = (out.free[-1][0], round(self.t_s, 3))
        out.final_s = self.t_s
        if out.plan:  # the next part brings its own again
            self.ceiling = min(self.ceiling, float(out.settings.ceiling_bpm or 0.0))
        self.level = self.ceiling - rng.uniform(3.0, 14.0)
        self.most_bpm = int(self.ceiling - 3.0)  # every reading, not their mean alone
        self.every_s = min(self.every_s, 5.0)
        self.stretch("final", 215.0)
        out.end_s = self.t_s
        return out

    # -- one stretch ----------------------------------------------------------

    def stretch(self, kind: str, length_s: float) -> None:
        rng, begin_s = self.rng, self.t_s
        end_s, every_s = begin_s + length_s, self.every_s
        before = self.out.stretches[-2].kind if len(self.out.stretches) > 1 else ""
        after_fault = before in ("noise", "false", "gap", "dry")
        if kind == "steady" and after_fault and self.cadence and rng.random() < (0.2 if self.sway else 0.9):
            self.level = self.cadence  # by chance the heart beats as the feet go
        if kind == "gap" and rng.random() < 0.04:
            end_s += 1000.0
        if kind == "lock" and rng.random() < 0.3:
            end_s += 260.0
        if kind == "irregular" and self.stop and rng.random() < 0.4:
            self.level = self.stop + rng.choice((24.0, 24.0, 6.0))
        if kind == "sparse":
            every_s = rng.uniform(1.5, 10.0)
            end_s = begin_s + max(length_s, 12 * every_s)
        elif kind == "slow":
            every_s = rng.uniform(15.0, 25.0)
            end_s = begin_s + 9 * every_s
        index = len(self.out.stretches)
        self.out.stretches.append(Stretch(kind, begin_s, end_s, every_s, self.rr))
        goal, tau_s = self.level, 40.0
        if kind in ("climb", "fall", "true stop"):
            goal, tau_s = {
                "climb": (self.level + rng.uniform(5, 35), rng.uniform(15, 50)),
                "fall": (self.level - rng.uniform(5, 30), rng.uniform(20, 50)),
                "true stop": (rng.uniform(70, 95), rng.uniform(25, 45)),
            }[kind]
            goal = min(max(goal, 60.0), 200.0)
        fault = Fault(self, kind)
        if kind == "thumb":
            self.thumb(length_s)
            return
        last_s = begin_s
        while True:
            t_s = self.t_s + every_s * rng.uniform(0.93, 1.07)
            if t_s >= end_s:
                break
            self.t_s = t_s
            self.level += (goal - self.level) * (1.0 - math.exp(-(t_s - last_s) / tau_s))
            last_s = t_s
            fault.send(t_s, index)
        self.t_s = end_s

    def reading(self, t_s: float) -> tuple[int, tuple[float, ...]]:
        """A true one: the strap's own averaging leaves little of the beats' scatter."""
        rng = self.rng
        self.walk += 0.3 * (rng.gauss(0, self.scatter) * 1.5 - self.walk)
        bpm = min(round(self.level + self.walk + rng.gauss(0, 0.5 * self.scatter)), self.most_bpm)
        return bpm, self.beats(bpm)

    def beats(self, bpm: float) -> tuple[float, ...]:
        if not self.sends_rr:
            return ()
        if self.lies == "one second":
            return (1.0,)
        rate = (120.0 if self.lies else 60.0) / max(bpm, 30)
        return tuple(round(rate * (1.0 + self.rng.gauss(0, 0.012)) * 1024) / 1024
                     for _ in range(self.rng.choice((1, 2, 2, 3))))

    def put(self, t_s: float, bpm: int, index: int, *, clean: bool, contact: bool | None = None,
            rr_s: tuple[float, ...] = ()) -> None:
        t_s = round(t_s, 3)
        if self.cadence:
            self.out.inputs.append(Speed(t_s, 2.5, None, self.steps(t_s)))
        reading = Reading(t_s, bpm, contact, rr_s)
        self.out.inputs.append(reading)
        self.out.sent.append(Sent(reading, clean, index))

    def steps(self, t_s: float) -> float:
        return round(self.cadence + self.sway * (4.0 * math.sin(t_s / 11.0) + 2.0 * math.sin(t_s / 3.7)))

    def command(self, action: Action, value: float | None = None) -> None:
        self.out.inputs.append(Command(round(self.t_s, 3), action, value))

    def thumb(self, length_s: float) -> None:
        """The runner pauses, moves the ceiling, mutes or asks for a free run; the strap goes on."""
        rng, out = self.rng, self.out
        what = rng.choice(("pause", "pause", "ceiling", "ceiling", "mute", "free"))
        if what == "pause":
            off = rng.random() < 0.25  # the strap is, before and after
            if off:
                self.stretch("gap", rng.choice((12.0, 25.0)))
            begin_s = self.t_s
            self.command(Action.PAUSE)
            kind = rng.choice(("steady", "gap", "true stop"))
            self.stretch(kind, 1.0 if off else rng.choice((1.0, 20.0, length_s)))
            self.command(Action.CONTINUE)
            out.held.append((round(begin_s, 3), round(self.t_s, 3)))
            if off or rng.random() < 0.4:
                self.stretch("gap", rng.choice((5.0, 40.0)))
        elif what == "ceiling":
            self.ceiling = float(self.out.settings.ceiling_bpm + rng.choice((-25, -15, -10, 5, 8)))
            self.command(Action.CEILING, self.ceiling)
        elif what == "mute":
            self.command(rng.choice((Action.MUTE, Action.UNMUTE)))
        else:
            on = not (out.free and math.isinf(out.free[-1][1]))
            self.command(Action.FREE_RUN, float(on))
            if on:
                out.free.append((round(self.t_s, 3), math.inf))
            else:
                out.free[-1] = (out.free[-1][0], round(self.t_s, 3))
        self.stretch("steady", length_s)


class Fault:
    """What a stretch of one kind makes of the true readings."""

    def __init__(self, composer: Composer, kind: str) -> None:
        self.of, self.kind = composer, kind
        rng = composer.rng
        self.offset = rng.choice((-1, 1)) * rng.uniform(20, 60)
        self.keeps = rng.choice((0.3, 0.5, 0.7))
        self.value: int | None = None
        self.hold = 0
        self.rr_s: tuple[float, ...] = ()
        self.tells_rr = rng.random() < 0.5

    def send(self, t_s: float, index: int) -> None:
        of, rng, kind = self.of, self.of.rng, self.kind
        bpm, rr_s = of.reading(t_s)
        put = of.put
        if kind in HEART or kind in ("sparse", "slow", "final"):
            put(t_s, bpm, index, clean=True, contact=of.contact, rr_s=rr_s)
        elif kind == "gap":
            pass
        elif kind == "lossy":
            if rng.random() < self.keeps:
                put(t_s, bpm, index, clean=True, contact=of.contact, rr_s=rr_s)
        elif kind == "flapping":
            there = rng.random() < self.keeps
            put(t_s, bpm, index, clean=there, contact=there, rr_s=rr_s)
        elif kind == "zeros":
            put(t_s, 0, index, clean=False, contact=rng.choice((False, None)))
        elif kind == "spikes":
            spike = rng.random() < 0.12
            put(t_s, min(rng.randint(40, 225), 254) if spike else bpm, index, clean=not spike,
                contact=of.contact, rr_s=rr_s)
        elif kind == "frozen":
            if self.value is None:
                self.value, self.rr_s = bpm, rr_s
            put(t_s, self.value, index, clean=False, contact=of.contact,
                rr_s=self.rr_s if self.tells_rr else ())
        elif kind == "lock":
            put(t_s, round((of.steps(t_s) if of.cadence else 168) + rng.gauss(0, 0.7)), index, clean=False,
                contact=of.contact)
        elif kind == "irregular":
            wild = round(of.level + rng.gauss(0, 8))
            put(t_s, max(wild, 40), index, clean=False, contact=of.contact, rr_s=of.beats(wild))
        elif kind == "noise":
            put(t_s, rng.randint(25, 235), index, clean=False, contact=of.contact, rr_s=rr_s)
        elif kind == "false":
            put(t_s, round(min(max(bpm + self.offset, 35), 225)), index, clean=False, contact=of.contact,
                rr_s=of.beats(bpm + self.offset) if self.tells_rr else ())
        elif kind == "dry":
            if self.hold <= 0 or self.value is None:
                self.value = round(min(max((self.value or bpm) + rng.gauss(3, 9), 60), 215))
                self.hold = rng.randint(1, 9)
            self.hold -= 1
            put(t_s, self.value, index, clean=False, contact=of.contact)


def composed(seed: int) -> Composed:
    return Composer(seed).compose()
