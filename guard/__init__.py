"""A heart-rate guard for running under an individual ceiling.

Public names, for coupling the decision to a runner model of your own::

    from guard import Cue, Lanes, Settings

They load on first use, so that `guard --help` stays quick.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"
__all__ = ["Cue", "Lanes", "Settings", "State", "__version__"]

if TYPE_CHECKING:
    from guard.decide.lanes import Lanes
    from guard.events import Cue, State
    from guard.settings import Settings

_HOMES = {
    "Cue": "guard.events",
    "State": "guard.events",
    "Settings": "guard.settings",
    "Lanes": "guard.decide.lanes",
}


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'guard' has no attribute {name!r}")
