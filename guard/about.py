"""`guard --version`: the version and what it runs on, for a report of a fault. Nothing personal is in it."""

import platform
import sys
from importlib import metadata

PACKAGES = ("bleak", "gpxpy", "numpy", "orjson", "platformdirs", "pyttsx3", "rich", "scipy", "shtab",
            "simpleaudio", "tomlkit", "gpiozero")


def text() -> str:
    """Some lines: guard, Python, system, packages (those that are missing too), voice, terminal."""
    from guard import __version__

    installed, missing = [], []
    for name in PACKAGES:
        try:
            installed.append(f"{name} {metadata.version(name)}")
        except metadata.PackageNotFoundError:
            missing.append(name)
    bluetooth = "BlueZ" if sys.platform == "linux" else "the system's own"
    lines = [
        f"guard {__version__}",
        f"Python {platform.python_version()} ({sys.implementation.name}), {_system()}",
        f"with {', '.join(installed)}" + (f"; without {', '.join(missing)}" if missing else ""),
        f"Bluetooth through {bluetooth}; text as {sys.stdout.encoding}",
    ]
    return "\n".join(lines)


def _system() -> str:
    machine = platform.machine()
    try:
        name = platform.freedesktop_os_release().get("PRETTY_NAME", "Linux")
        return f"{name}, Linux {platform.release()}, {machine}"
    except OSError:
        return f"{platform.system()} {platform.release()} ({platform.version()}), {machine}"
