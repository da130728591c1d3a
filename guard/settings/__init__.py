"""Every setting: meaning, unit, range, default. `rows` is pure, `file` reads and writes the TOML file."""

from guard.settings.rows import (
    RETIRED,
    Entry,
    RetiredSetting,
    Settings,
    UnknownSetting,
    Value,
    check,
    checked_number,
    find,
    parse,
    parse_assignments,
    table,
)

__all__ = [
    "RETIRED", "Entry", "RetiredSetting", "Settings", "UnknownSetting", "Value", "check", "checked_number",
    "find", "parse", "parse_assignments", "table"]
