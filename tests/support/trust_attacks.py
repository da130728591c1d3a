"""Hostile straps: packets of bytes, spoiled one after the other, and what must hold whatever they say.

Unlike `trust_sessions`, nothing is drawn from kinds of faults: a true heart (a
random walk, or a piece of a recording) becomes packets, any few of `SPOILS`
work on them in any order, and some bytes are drawn blindly. Each session ends
with two minutes of a clean strap, so that what was spoiled can be left again.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from guard.events import Action, Command, Input, Output, Reading
from guard.packets.heart_rate import Measurement, encode, parse
from guard.session import Session
from guard.settings import Settings
from tests.support.trust_check import Run, run_of
from tests.support.trust_sessions import Composed, Sent, Stretch

CLEAN_S = 120.0


@dataclass(frozen=True, slots=True)
class Packet:
    """Bytes that leave at `t_s`; `clean`: of a good strap, unspoiled."""

    t_s: float
    raw: bytes
    clean: bool = False


Packets = list[Packet]
Spoil = Callable[[Packets, random.Random], Packets]


def truth(rng: random.Random, length_s: float, level: float) -> list[float]:
    """A heart rate a second: a lag after an effort that changes now and then."""
    goal, tau_s, rates = level, 40.0, []
    for _ in range(int(length_s)):
        if rng.random() < 0.02:
            goal, tau_s = rng.uniform(70, 190), rng.uniform(20, 60)
        level += (goal - level) / tau_s
        rates.append(level + rng.gauss(0, 0.7))
    return rates


def packets(rng: random.Random, begin_s: float, rates: Sequence[float], *, every_s: float, rr: bool,
            contact: bool | None, clean: bool) -> Packets:
    """What a good strap sends of these rates."""
    found, t_s, beat_s = [], begin_s, begin_s
    while t_s < begin_s + len(rates) - 1.0:
        bpm = round(rates[int(t_s - begin_s)])
        beats = []
        while rr and beat_s < t_s and len(beats) < 9:
            beats.append(60.0 / max(bpm, 30) * (1.0 + rng.gauss(0, 0.015)))
            beat_s += beats[-1]
        beat_s = max(beat_s, t_s - 1.0)
        found.append(Packet(t_s, encode(bpm, contact=contact, rr_s=beats), clean))
        t_s += every_s * rng.uniform(0.97, 1.03)
    return found


def _again(one: Packet, change: Callable[[Measurement], Measurement], *, wide: bool = False) -> Packet:
    """The packet with what it says changed; as it was where it says nothing, or what does not fit."""
    said = parse(one.raw)
    if not isinstance(said, Measurement):
        return one
    now = change(said)
    try:
        raw = encode(now.bpm, contact=now.contact, energy_kj=now.energy_kj, rr_s=now.rr_s, wide=wide)
    except ValueError:
        return one
    return replace(one, raw=raw, clean=False)


def _each(change: Callable[[random.Random], Callable[[Measurement], Measurement]],
          share: float = 1.0) -> Spoil:
    def spoil(them: Packets, rng: random.Random) -> Packets:
        one_change = change(rng)
        return [_again(one, one_change) if rng.random() < share else one for one in them]
    return spoil


def _thinned(them: Packets, rng: random.Random) -> Packets:
    every = rng.choice((2, 3, 4, 5, 7, 10, 20))
    return them[::every]


def _lossy(them: Packets, rng: random.Random) -> Packets:
    kept = rng.choice((0.15, 0.3, 0.5, 0.8))
    return [one for one in them if rng.random() < kept]


def _in_turns(them: Packets, rng: random.Random) -> Packets:
    """Some seconds of packets, some of none."""
    on_s, off_s = rng.choice((1, 2, 3, 5, 8, 12)), rng.choice((2, 4, 6, 7, 8, 9, 15))
    return [one for one in them if one.t_s % (on_s + off_s) < on_s]


def _batched(them: Packets, rng: random.Random) -> Packets:
    """Three to five at once, as a busy radio hands them over."""
    size = rng.randint(3, 5)
    last = {k // size: one.t_s for k, one in enumerate(them)}
    return [replace(one, t_s=last[k // size] + 0.01 * (k % size), clean=False) for k, one in enumerate(them)]


def _late(them: Packets, rng: random.Random) -> Packets:
    """Each delayed by its own time: out of order."""
    most_s = rng.choice((0.5, 2.0, 6.0, 20.0))
    return sorted((replace(one, t_s=one.t_s + rng.uniform(0, most_s), clean=False) for one in them),
                  key=lambda one: one.t_s)


def _twice(them: Packets, rng: random.Random) -> Packets:
    after_s = rng.choice((0.0, 0.01, 0.5, 3.0))
    twins = [replace(one, t_s=one.t_s + after_s, clean=False) for one in them if rng.random() < 0.5]
    return sorted([*them, *twins], key=lambda one: one.t_s)


def _jumps(them: Packets, rng: random.Random) -> Packets:
    """The machine slept, or the clock of the packets goes back."""
    at, by_s = rng.randrange(len(them)), rng.choice((30.0, 200.0, 600.0, -5.0, -60.0))
    return them[:at] + [replace(one, t_s=one.t_s + by_s) for one in them[at:]]


def _flips(them: Packets, rng: random.Random) -> Packets:
    def flipped(one: Packet) -> Packet:
        raw = bytearray(one.raw)
        raw[rng.randrange(len(raw))] ^= 1 << rng.randrange(8)
        return replace(one, raw=bytes(raw), clean=False)
    return [flipped(one) if one.raw and rng.random() < 0.2 else one for one in them]


def _blind(them: Packets, rng: random.Random) -> Packets:
    """Bytes that nobody meant."""
    share = rng.choice((0.1, 0.5, 1.0))
    return [replace(one, raw=rng.randbytes(rng.randint(0, 12)), clean=False)
            if rng.random() < share else one for one in them]


def _freezes(them: Packets, rng: random.Random) -> Packets:
    """Now and then the same bytes over again."""
    length, found = rng.choice((3, 10, 30, 100)), []
    held, left = them[0], 0
    for one in them:
        if left > 0:
            left -= 1
            found.append(replace(one, raw=held.raw, clean=False))
        else:
            held, left = one, rng.randint(0, 2 * length)
            found.append(one)
    return found


def _swapped(them: Packets, rng: random.Random) -> Packets:
    """Another heart in some of the packets: two straps under one name."""
    other = truth(rng, len(them) + 1, rng.uniform(60, 190))
    share = rng.choice((0.2, 0.5))
    return [_again(one, lambda said, k=k: replace(said, bpm=round(other[k])))  # type: ignore[misc]
            if rng.random() < share else one for k, one in enumerate(them)]


def _rr_of_before(them: Packets, rng: random.Random) -> Packets:
    """The intervals lag behind by some packets."""
    lag = rng.choice((1, 5, 15))
    said = [parse(one.raw) for one in them]
    return [_again(one, lambda now, k=k: replace(now, rr_s=getattr(said[k - lag], "rr_s", ())))  # type: ignore[misc]
            if k >= lag else one for k, one in enumerate(them)]


def _bpm_to(values: Sequence[int]) -> Spoil:
    def spoil(them: Packets, rng: random.Random) -> Packets:
        value, share = rng.choice(values), rng.choice((0.05, 0.3, 1.0))
        return [_again(one, lambda said: replace(said, bpm=value), wide=True)
                if rng.random() < share else one for one in them]
    return spoil


def _scale(rng: random.Random) -> Callable[[Measurement], Measurement]:
    by = rng.choice((0.5, 2.0, 1.5))
    return lambda said: replace(said, bpm=round(said.bpm * by))


def _shift(rng: random.Random) -> Callable[[Measurement], Measurement]:
    by = rng.choice((-40, -20, 12, 25, 45))
    return lambda said: replace(said, bpm=max(0, said.bpm + by))


def _coarse(rng: random.Random) -> Callable[[Measurement], Measurement]:
    of = rng.choice((2, 5, 10))
    return lambda said: replace(said, bpm=of * round(said.bpm / of))


def _scatter(rng: random.Random) -> Callable[[Measurement], Measurement]:
    sd = rng.choice((3.0, 6.0, 12.0, 25.0))
    return lambda said: replace(said, bpm=max(0, round(said.bpm + rng.gauss(0, sd))))


def _with(**fields: object) -> Callable[[random.Random], Callable[[Measurement], Measurement]]:
    return lambda rng: lambda said: replace(said, **fields)


def _short(rng: random.Random) -> Callable[[Measurement], Measurement]:
    return lambda said: replace(said, rr_s=said.rr_s[:1])


def _rr_of_the_rate(rng: random.Random) -> Callable[[Measurement], Measurement]:
    """Made up from the rate, not beats: as it is, doubled, or halved."""
    by = rng.choice((60.0, 60.0, 120.0, 30.0))
    return lambda said: replace(said, rr_s=(by / said.bpm,) if said.bpm else ())


def _rr_stuck(rng: random.Random) -> Callable[[Measurement], Measurement]:
    rr_s = (rng.choice((0.3, 0.43, 1.0)),)
    return lambda said: replace(said, rr_s=rr_s)


def _rr_drawn(rng: random.Random) -> Callable[[Measurement], Measurement]:
    return lambda said: replace(said, rr_s=(rng.uniform(0.2, 2.0),))


def _no_rr_now_and_then(rng: random.Random) -> Callable[[Measurement], Measurement]:
    return lambda said: replace(said, rr_s=() if rng.random() < 0.6 else said.rr_s)


SPOILS: dict[str, Spoil] = {
    "thinned": _thinned, "lossy": _lossy, "in turns": _in_turns, "batched": _batched, "late": _late,
    "twice": _twice, "clock jumps": _jumps, "bits flipped": _flips, "blind bytes": _blind,
    "frozen": _freezes, "two straps": _swapped, "intervals of before": _rr_of_before,
    "no pulse": _bpm_to((0,)), "stuck": _bpm_to((60, 120, 172, 230)),
    "wide": _bpm_to((255, 256, 1000, 65535)),
    "scaled": _each(_scale), "shifted": _each(_shift), "coarse": _each(_coarse), "scattered": _each(_scatter),
    "scattered at times": _each(_scatter, 0.3), "contact denied": _each(_with(contact=False)),
    "contact flaps": _each(_with(contact=False), 0.5), "energy": _each(_with(energy_kj=65535)),
    "no intervals": _each(_with(rr_s=())), "one interval": _each(_short),
    "intervals at times": _each(_no_rr_now_and_then), "intervals of nothing": _each(_with(rr_s=(0.0,))),
    "intervals without rate": _each(_with(bpm=0)), "intervals of the rate": _each(_rr_of_the_rate),
    "intervals stuck": _each(_rr_stuck), "intervals drawn": _each(_rr_drawn),
}


def attacked(seed: int, pieces: Sequence[Sequence[float]] = ()) -> tuple[Composed, Run, str]:
    """One hostile session gone through, and what was done to it; `pieces`: recorded rates, 1 a second."""
    rng = random.Random(seed)
    ceiling = float(rng.choice((130, 145, 160)))
    stop = rng.choice((None, ceiling + 10.0, ceiling + 25.0))
    settings = Settings(ceiling_bpm=ceiling, stop_bpm=stop, warm_up_s=rng.choice((0.0, 120.0)),
                        floor_bpm=rng.choice((None, ceiling - 20.0)))
    of = Composed(seed, settings, None)
    session = Session(settings)
    outputs: list[Output] = []
    t_s, names = rng.choice((0.3, 1.0, 6.0)), []
    rr, every_s, contact = rng.random() < 0.5, rng.choice((1.0, 1.0, 0.5, 2.0, 4.0)), rng.choice((None, True))
    for _ in range(rng.randint(1, 4)):
        length_s = rng.choice((20.0, 60.0, 180.0, 400.0))
        rates: Sequence[float] = truth(rng, length_s, rng.uniform(60, 185))
        if pieces and rng.random() < 0.7:
            piece = rng.choice(pieces)
            at = rng.randrange(max(1, len(piece) - int(length_s)))
            rates = piece[at:at + int(length_s)]
        them = packets(rng, t_s, rates, every_s=every_s, rr=rr, contact=contact, clean=False)
        what = rng.sample(sorted(SPOILS), rng.choice((0, 1, 1, 2, 3)))
        for name in what:
            them = SPOILS[name](them, rng) if them else them
        names.append("+".join(what) or "none")
        of.stretches.append(Stretch("hostile", t_s, t_s + length_s, every_s, rr))
        newest_s = _feed(session, of, them, outputs, rng)
        t_s = max(t_s + length_s, newest_s) + rng.choice((0.0, 0.0, 5.0, 40.0))
    of.final_s = t_s
    final = rng.choice((ceiling - 12.0, ceiling - 25.0, ceiling - 6.0, ceiling + 40.0))
    of.stretches.append(Stretch("final", t_s, t_s + CLEAN_S, every_s, rr))
    rates = [final + rng.gauss(0, 0.8) for _ in range(int(CLEAN_S))]
    newest_s = _feed(session, of, packets(
        rng, t_s, rates, every_s=every_s, rr=rr, contact=contact, clean=True), outputs, rng)
    of.end_s = newest_s + 0.5
    outputs += session.advance(of.end_s)
    return of, run_of(of, outputs), f"every {every_s:g} s {'rr' if rr else 'no rr'}: {' | '.join(names)}"


def _feed(session: Session, of: Composed, them: Packets, outputs: list[Output], rng: random.Random) -> float:
    newest_s = 0.0
    for one in them:
        said = parse(one.raw)
        if not isinstance(said, Measurement):
            continue
        event: Input = Reading(one.t_s, said.bpm, said.contact, said.rr_s, said.energy_kj)
        if not one.clean and rng.random() < 0.002:
            pausing = not (of.held and math.isinf(of.held[-1][1]))
            command = session.admit(Command(one.t_s, Action.PAUSE if pausing else Action.CONTINUE))
            outputs += session.feed(command)
            if pausing:
                of.held.append((command.t_s, math.inf))
            else:
                of.held[-1] = (of.held[-1][0], command.t_s)
        event = session.admit(event)
        outputs += session.feed(event)
        assert isinstance(event, Reading)
        of.sent.append(Sent(event, one.clean, len(of.stretches) - 1))
        newest_s = event.t_s
    if of.held and math.isinf(of.held[-1][1]):
        command = session.admit(Command(newest_s + 0.2, Action.CONTINUE))
        outputs += session.feed(command)
        of.held[-1] = (of.held[-1][0], command.t_s)
        newest_s = command.t_s
    return newest_s

