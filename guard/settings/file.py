"""The settings file: TOML in the config folder, one line a setting.

Only what differs from the defaults need be in it. Comments and order survive
a change; the file appears whole or not at all.
"""

import shlex
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path

from guard.errors import SettingError, printable
from guard.files.folders import config_dir
from guard.files.whole import read_capped, write_whole
from guard.settings import RetiredSetting, Settings, UnknownSetting, Value, check, find

SETTINGS_FILE = "settings.toml"
LARGEST_SETTINGS_BYTES = 1 << 20  # bytes
FIRST_LINE = "Settings of the heart-rate guard; `guard settings` lists and explains them."


def settings_path(make: bool = False) -> Path:
    """Where the file is, or would be."""
    return config_dir(make) / SETTINGS_FILE


def load(
    path: Path | None = None, *, leave_out: Callable[[str], None] | None = None,
    retired: Callable[[str], None] | None = None,
) -> dict[str, Value]:
    """Checked values of the file by key; empty when there is not a file.

    A key that was a setting once is always left out; `retired` (else
    `leave_out`) is told in one sentence what became of it.
    With `leave_out` a key that is no setting costs no session either: it is left
    out and `leave_out` is told in one sentence. But not when it may be meant for
    a limit: nobody shall believe in a limit that is not there.

    Raises SettingError naming the file and key with the fix, InputError when
    it cannot be read.
    """
    name = settings_path() if path is None else path
    return _checked(name, _parsed(name, _text(name)), leave_out, retired or leave_out)


def save(changes: Mapping[str, object], path: Path | None = None) -> Path:
    """Set the keys of `changes`, drop those whose value is None; returns the path.

    All values, old and new together, are checked before anything is written.
    In a file that is wrong already only what changes is checked, so that it can
    be put right one key after the other.
    """
    import tomlkit

    name = settings_path(make=True) if path is None else path
    text = _text(name)
    before = _parsed(name, text)
    try:
        document = tomlkit.parse(text)
    except (ValueError, RecursionError) as error:  # stricter here and there than what reads it
        raise SettingError(f"{name} cannot be changed by the guard ({printable(error)[:200]}): "
                           "correct it in an editor") from None
    if not text:
        document.add(tomlkit.comment(FIRST_LINE))
    for key, value in changes.items():
        if value is not None:
            document[key] = check(find(key), value)
        elif key in document:
            del document[key]
        else:
            find(key)
    after = tomlkit.dumps(document)
    try:
        _checked(name, before)
    except SettingError:
        pass
    else:
        _checked(name, _parsed(name, after))
    write_whole(name, [after.encode()], force=True)
    return name


def _text(name: Path) -> str:
    data = read_capped(name, LARGEST_SETTINGS_BYTES, "a settings file") or b""
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[:error.start].count(b"\n") + 1
        raise SettingError(f"{name} is not UTF-8 text (line {line}): save it as UTF-8") from None


def _parsed(name: Path, text: str) -> dict[str, Value]:
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingError(f"{name} is not valid TOML ({printable(error)[:200]})",
                           "write one `key = value` a line, text in quotes") from None
    except ValueError:  # a number of thousands of digits
        raise SettingError(f"{name} holds a number far too large: correct it") from None


def _checked(
    name: Path, found: Mapping[str, Value], leave_out: Callable[[str], None] | None = None,
    retired: Callable[[str], None] | None = None,
) -> dict[str, Value]:
    values = {}
    for key, value in found.items():
        try:
            entry = find(key)
            if isinstance(value, str) and value.lower() == "none" and entry.optional:
                continue
            if isinstance(value, dict | list):
                raise SettingError(f"{key} must be a single value, not a table or list")
            values[key] = check(entry, value)
        except SettingError as error:
            sentence = f"{name}: {error}{_hint(key)}"
            tell = leave_out
            if isinstance(error, RetiredSetting):
                tell = retired
            elif leave_out is None or not isinstance(error, UnknownSetting) or (
                    error.near is not None and error.near.group == "limits"):  # what may be meant for a limit
                raise SettingError(sentence) from None
            if tell is not None:
                tell(f"left out, from {sentence}")
    try:  # values that are right alone must be right together too
        Settings().replaced(values)
    except SettingError as error:
        raise SettingError(f"{name}: {error}") from None
    return values


def _hint(key: str) -> str:
    """How to be rid of a key without an editor."""
    word = shlex.quote(key) if key.isprintable() and 0 < len(key) <= 60 and not key.startswith("-") else ""
    return f" (`guard settings --unset {word}` takes it out)" if word else " (take it out of the file)"
