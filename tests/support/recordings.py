"""The invented recordings: the script that makes them, what is in them, which rows fired."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

from guard.decide.core import RESTS_ON
from guard.events import Cue, CueGiven, Output, Reading, StateChanged
from guard.log.log import read_log
from guard.log.recording import Recording
from guard.replay.replay import Replay, replay

FOLDER = Path(__file__).resolve().parents[2] / "recordings"
SLOW_DOWN = (Cue.EASE, Cue.WALK, Cue.STOP)
PACE = (*SLOW_DOWN, Cue.RESUME, Cue.PICK_UP)


@cache
def script(name: str = "make") -> ModuleType:
    """A script of the folder of recordings, loaded."""
    spec = importlib.util.spec_from_file_location(f"recordings_{name}", FOLDER / f"{name}.py")
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def scenes() -> dict[str, Any]:
    """Name to scene, in the order they are made."""
    found: dict[str, Any] = script().SCENES
    return found


@cache
def recording(name: str) -> Recording:
    """The recording as it is kept."""
    return read_log(FOLDER / f"{name}.jsonl")


@cache
def replayed(name: str) -> Replay:
    """It fed to a session with its own settings."""
    kept = recording(name)
    return replay(kept, kept.settings)


def readings(name: str, begin_s: float = 0.0, end_s: float = float("inf")) -> list[Reading]:
    """The readings from `begin_s` up to, not including, `end_s`."""
    return [event for event in recording(name).inputs
            if isinstance(event, Reading) and begin_s <= event.t_s < end_s]


def cues(
    name: str, kinds: Iterable[Cue] = tuple(Cue), begin_s: float = 0.0, end_s: float = float("inf")
) -> list[CueGiven]:
    """Cues of these kinds given from `begin_s` up to, not including, `end_s`."""
    wanted = set(kinds)
    return [given for given in replayed(name).cues if given.cue in wanted and begin_s <= given.t_s < end_s]


def first(name: str, kind: Cue, after_s: float = 0.0) -> float:
    """When `kind` was first cued at or after `after_s`."""
    return cues(name, (kind,), after_s)[0].t_s


def rules_fired(outputs: Iterable[Output]) -> list[tuple[float, str]]:
    """Which rules of the decision the outputs come from."""
    return [(output.t_s, output.rule) for output in outputs
            if isinstance(output, CueGiven | StateChanged) and output.rule in RESTS_ON]
