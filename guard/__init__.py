"""A heart-rate guard for running under an individual ceiling.

Public names, for coupling the guard to something of your own; README.md of
this folder shows each of them at work::

    from guard import Cue, Lanes, Reading, Session, Settings

They load on first use, so that `guard --help` stays quick.
"""

from typing import TYPE_CHECKING

__version__ = "0.1.0"
__all__ = [
    "Action",
    "Battery",
    "Command",
    "Cue",
    "CueGiven",
    "Lanes",
    "Link",
    "Mark",
    "Reading",
    "ReadingDoubted",
    "Session",
    "Settings",
    "Speed",
    "State",
    "StateChanged",
    "__version__",
]

if TYPE_CHECKING:
    from guard.decide.lanes import Lanes
    from guard.events import (
        Action,
        Battery,
        Command,
        Cue,
        CueGiven,
        Link,
        Mark,
        Reading,
        ReadingDoubted,
        Speed,
        State,
        StateChanged,
    )
    from guard.session import Session
    from guard.settings import Settings

_HOMES = {"Lanes": "guard.decide.lanes", "Session": "guard.session", "Settings": "guard.settings"}


def __getattr__(name: str) -> object:
    if name in __all__:
        from importlib import import_module

        return getattr(import_module(_HOMES.get(name, "guard.events")), name)
    raise AttributeError(f"module 'guard' has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__
