"""The settings file: TOML in the config folder, one line a setting.

Only what differs from the defaults need be in it. Comments and order survive
a change; the file appears whole or not at all.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from guard.errors import InputError, SettingError, printable
from guard.keep.folders import config_dir
from guard.settings import Settings, check, find

NAME = "settings.toml"
LARGEST = 1 << 20  # bytes
HEAD = "Settings of the heart-rate guard; `guard settings` lists and explains them."


def settings_path(make: bool = False) -> Path:
    """Where the file is, or would be."""
    return config_dir(make) / NAME


def load(path: Path | None = None) -> dict[str, Any]:
    """Checked values of the file by key; empty when there is no file.

    Raises SettingError naming the file and key with the mend, InputError when
    it cannot be read.
    """
    name = settings_path() if path is None else path
    text = _text(name)
    return {} if text is None else _checked(name, text)


def save(changes: Mapping[str, Any], path: Path | None = None) -> Path:
    """Set the keys of `changes`, drop those whose value is None; returns the path.

    All values, old and new together, are checked before anything is written.
    """
    import tomlkit

    from guard.keep.log import write_whole

    name = settings_path(make=True) if path is None else path
    text = _text(name)
    values = {} if text is None else _checked(name, text)
    document = tomlkit.parse(text) if text else tomlkit.document()
    if not text:
        document.add(tomlkit.comment(HEAD))
    for key, value in changes.items():
        entry = find(key)
        if value is None:
            values.pop(key, None)
            document.pop(key, None)
        else:
            values[key] = document[key] = check(entry, value)
    _fits(name, values)
    write_whole(name, [tomlkit.dumps(document).encode()], force=True)
    return name


def _text(name: Path) -> str | None:
    try:
        data = name.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise InputError(f"cannot read {name} ({error.strerror or error}): "
                         "check that it is a file you may read") from None
    if len(data) > LARGEST:
        raise InputError(f"{name} is far too large for a settings file: move it away")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[:error.start].count(b"\n") + 1
        raise SettingError(f"{name} is not UTF-8 text (line {line}): save it as UTF-8") from None


def _checked(name: Path, text: str) -> dict[str, Any]:
    import tomllib

    try:
        document = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingError(f"{name} is not valid TOML ({_printable(str(error))}): "
                           "write one `key = value` a line, text in quotes") from None
    except ValueError:  # a number of thousands of digits
        raise SettingError(f"{name} holds a number far too large: correct it") from None
    values = {}
    for key, value in document.items():
        try:
            entry = find(key)
            if isinstance(value, str) and value.lower() == "none" and entry.optional:
                continue
            if isinstance(value, dict | list):
                raise SettingError(f"{key} must be a single value, not a table or list")
            values[key] = check(entry, value)
        except SettingError as error:
            raise SettingError(f"{name}: {error}") from None
    _fits(name, values)
    return values


def _fits(name: Path, values: Mapping[str, Any]) -> None:
    """Values that are right alone must be right together too."""
    try:
        Settings(**values)
    except SettingError as error:
        raise SettingError(f"{name}: {error}") from None


def _printable(text: str) -> str:
    return printable(text)[:200]
