"""The view *as you would respond*: the guard's cues change the run, again and again, in simulation.

Every set of settings meets the same runners with the same luck (noise, faults,
reaction times), so that what differs is due to the settings.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from guard.arrays import Floats
from guard.decide.lanes import Lanes
from guard.runner.population import Population
from guard.runner.simulate import Runners
from guard.runner.strap import USUAL_FAULTS
from guard.settings import Settings, find
from guard.signal.trust import FROZEN_RR_S
from guard.tune.lanes import LANES, LOOK_EVERY
from guard.tune.recorded import PACE
from guard.tune.runners import Drawn
from guard.workers.pool import Cancelled


@dataclass(frozen=True)
class Lived:
    """Per setting and runner, (settings, runners), each an hour's worth."""

    over_min: Floats
    over_bpm_min: Floats
    cues: Floats
    distance_km: Floats
    walking_min: Floats


@dataclass(frozen=True)
class Trial:
    """A piece of work: these settings with all of these runners."""

    settings: tuple[Settings, ...]
    drawn: Drawn


def trials(settings: Sequence[Settings], drawn: Drawn, jobs: int) -> list[Trial]:
    """The work in pieces, settings in order."""
    each = max(1, LANES // len(drawn.people))
    if len(settings) <= each * jobs:
        each = -(-len(settings) // jobs)
    return [Trial(tuple(settings[k:k + each]), drawn) for k in range(0, len(settings), each)]


def joined(parts: Sequence[Lived]) -> Lived:
    """The pieces in order as one."""
    return Lived(**{item.name: np.concatenate([getattr(part, item.name) for part in parts])
                    for item in fields(Lived)})


def live(trial: Trial, stop: Callable[[], bool] | None = None) -> Lived:
    """Run a trial."""
    drawn, count = trial.drawn, len(trial.settings)
    block = drawn.people
    people = Population(**{item.name: np.tile(getattr(block, item.name), count) for item in fields(block)})
    world = Runners(people, drawn.ground, [*drawn.seed, 1], faults=USUAL_FAULTS, copies=count)
    lanes = Lanes([_at(one, float(ceiling)) for one in trial.settings for ceiling in block.ceiling_bpm])
    n = len(people)
    over, over_bpm, cued, walked = (np.zeros(n) for _ in range(4))
    cues = np.zeros(n, dtype=np.int64)
    last, since_s = np.full(n, np.nan), np.zeros(n)
    for step in range(world.steps):
        if stop is not None and step % LOOK_EVERY == 0 and stop():
            raise Cancelled
        now = world.step(cues, lanes.advised_speed_m_s if drawn.speed_known else None)
        above = now.true_bpm - people.ceiling_bpm
        over += above > 0.0
        over_bpm += np.maximum(above, 0.0)
        walked += now.walking
        # As `Trust` has it for one strap: what stands still without intervals is an old value.
        since_s = np.where(now.has_rr | (now.bpm != last), now.t_s, since_s)
        last = now.bpm
        bpm = np.where(now.t_s - since_s >= FROZEN_RR_S, np.nan, last)
        t_s = np.full(n, now.t_s)
        if drawn.speed_known:
            cues = lanes.step(t_s, bpm, speed_m_s=now.speed_m_s, grade=now.grade)
        else:
            cues = lanes.step(t_s, bpm)
        cued += PACE[cues]
    hours = world.steps / 3600.0
    shape = (count, len(block))
    return Lived(*(values.reshape(shape) / hours for values in (
        over / 60.0, over_bpm / 60.0, cued, world.distance_m / 1000.0, walked / 60.0)))


def _at(settings: Settings, ceiling_bpm: float) -> Settings:
    """`settings` at a runner's ceiling; floor and never-exceed limit keep their distance to it."""
    moved: dict[str, float] = {}
    for key in ("floor_bpm", "stop_bpm"):
        limit, (low, high) = getattr(settings, key), find(key).bounds
        if limit is not None and settings.ceiling_bpm is not None:
            moved[key] = min(max(limit - settings.ceiling_bpm + ceiling_bpm, low), high)
    return replace(settings, ceiling_bpm=ceiling_bpm, floor_bpm=moved.get("floor_bpm"),
                   stop_bpm=moved.get("stop_bpm"))
