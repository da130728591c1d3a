"""What tuning recommends, lived by the person it was recommended to."""

from __future__ import annotations

import numpy as np
import pytest

from guard.events import Reading, Speed
from guard.runner.population import draw
from guard.settings import Settings
from tests.lab.tune_trials import Found, recorded, trial


def test_a_day_of_a_person_is_recorded_as_a_session_is() -> None:
    who = draw(1, np.random.default_rng(3))
    with_pod = recorded(who, "flat", Settings(ceiling_bpm=float(who.ceiling_bpm[0])), [3, 0], 240, pod=True)
    times = [item.t_s for item in with_pod.inputs if isinstance(item, Reading)]
    assert len(times) > 200 and with_pod.end_s == 240.0
    assert any(isinstance(item, Speed) for item in with_pod.inputs)
    without = recorded(who, "flat", Settings(ceiling_bpm=150.0), [3, 0], 60, pod=False)
    assert not any(isinstance(item, Speed) for item in without.inputs)


@pytest.mark.slow  # a minute a person; ten are enough to see a tuner that guesses
def test_hardly_anybody_is_told_to_change_to_something_worse() -> None:
    found: list[Found] = [trial(person, "dev", tries=60, jobs=2) for person in range(10)]
    assert sum(one.worse for one in found) <= 1
