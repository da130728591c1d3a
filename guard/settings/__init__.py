"""Every setting: meaning, unit, range, default. `rows` is pure, `file` reads and writes the TOML file."""

from guard.settings.rows import (
    Entry,
    Settings,
    UnknownSetting,
    check,
    find,
    parse,
    parse_assignments,
    table,
)

__all__ = ["Entry", "Settings", "UnknownSetting", "check", "find", "parse", "parse_assignments", "table"]
