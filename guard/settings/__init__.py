"""Every setting: meaning, unit, range, default (`rows`), what older ones became, and the settings file."""

from guard.settings.rows import (
    RETIRED,
    RetiredSetting,
    SettingRow,
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
    "RETIRED", "RetiredSetting", "SettingRow", "Settings", "UnknownSetting", "Value", "check",
    "checked_number", "find", "parse", "parse_assignments", "table"]
