"""Small marks in the config folder: what has been read, heard or done once."""

from guard.errors import GuardError
from guard.files.folders import config_dir

CAUTIONS_READ = "cautions-read"  # set by `screen.cautions`
LESSON = "lesson-done"
LESSON_OFFERED = "lesson-offered"
SOUND = "sound-heard"


def is_done(name: str) -> bool:
    """Whether the mark is there."""
    return (config_dir(make=False) / name).exists()


def mark(name: str) -> bool:
    """Set the mark; False where the folder takes no file (it is then asked again)."""
    try:
        (config_dir() / name).touch()
    except (OSError, GuardError):
        return False
    return True
