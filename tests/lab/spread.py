"""Kinds of runners spread over processes, here or on other machines, a group of kinds each.

All luck is drawn a kind at a time and every lane reckons by itself, so how the
kinds are grouped changes no figure. What travels are names of kinds and settings;
a worker has this checkout too (`PYTHONPATH`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from guard.workers.pool import Interrupted
from guard.workers.workers import Workers
from tests.lab.kinds import KINDS, Kind
from tests.lab.report import Figures

Tables = dict[str, dict[str, Figures]]  # by controller and kind


class Group(NamedTuple):
    """Some kinds, by family and name, and what they live under."""

    kinds: tuple[tuple[str, str], ...]
    controllers: tuple[str, ...]
    runners: int
    seed_set: str
    changes: Mapping[str, Any] | None
    steps: int


def lived(group: Group, stop: Callable[[], bool]) -> Tables:
    """The figures of a group."""
    from tests.lab.guarding import run_kinds

    known = {(kind.family, kind.name): kind for kind in KINDS}
    stop()
    return run_kinds([known[name] for name in group.kinds], group.controllers, group.runners, group.seed_set,
                     group.changes, group.steps)


def spread(kinds: Sequence[Kind], workers: Workers, controllers: Sequence[str], runners: int, seed_set: str,
           changes: Mapping[str, Any] | None, steps: int) -> Tables:
    """As `run_kinds`, a group for each that works."""
    names = [(kind.family, kind.name) for kind in kinds]
    parts = np.array_split(np.arange(len(names)), workers.jobs)
    groups = [
        Group(tuple(names[place] for place in part), tuple(controllers), runners, seed_set, changes, steps)
        for part in parts if len(part)]
    try:
        done = workers.run(lived, groups)
    except Interrupted as error:
        raise error.cause from None
    return {name: {kind: figures for one in done for kind, figures in one[name].items()} for name in done[0]}
