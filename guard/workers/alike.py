"""What two machines must have in common so that their results are the same, to the last bit."""

import platform
import time
import zlib
from functools import cache
from importlib.metadata import version

import numpy as np

from guard import __version__

ALIKE_PACKAGES = ("numpy", "scipy", "distributed")


@cache
def about() -> dict[str, str]:
    """What this machine reckons with, by name."""
    return {
        "guard": __version__, "Python": ".".join(platform.python_version_tuple()[:2]),
        **{name: version(name) for name in ALIKE_PACKAGES},
        # Sessions whose clock could not be trusted are dated by their files, in local time.
        "the time zone": time.strftime("%z"),
        # numpy and its linear algebra choose their ways by the processor.
        "arithmetic": f"{arithmetic():08x}",
    }


def arithmetic() -> int:
    """A sum over the last bits of what numpy makes of the functions that the guard uses."""
    x = np.linspace(0.01, 40.0, 4099)
    square = np.cos(np.arange(81.0)).reshape(9, 9) + 9.0 * np.eye(9)
    made = [np.exp(-x), np.log(x), np.power(x, 0.37), np.sqrt(x), np.sin(x), np.tanh(x), np.cumsum(x),
            np.linalg.solve(square, x[:9]), np.linalg.eigvalsh(square + square.T),
            x[:4096].reshape(64, 64) @ x[3:4099].reshape(64, 64), x @ x]
    return zlib.crc32(b"".join(np.asarray(one).tobytes() for one in made))


def difference(ours: dict[str, str], theirs: dict[str, str]) -> str:
    """The first thing that differs, in words; empty where nothing does."""
    for name, value in ours.items():
        if (other := theirs.get(name, "missing")) != value:
            if name == "arithmetic":
                return "it rounds otherwise (another processor or build of numpy), so results would differ"
            return f"{name} is {other} there and {value} here"
    return ""
