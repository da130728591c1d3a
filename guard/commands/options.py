"""Options that several commands share: the ceiling and the other settings.

What was typed (`--ceiling`, `--set`) beats a course's own settings, which beat
the settings file, which beats the defaults of the table.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from typing import Any

from guard.errors import UsageError
from guard.settings import Settings, find, parse, parse_assignments

HOW_TO_FIND_A_CEILING = (
    "no ceiling is set, and the guard never guesses one: add --ceiling BPM, or keep yours with "
    "`guard settings ceiling_bpm=BPM`. To find it, run half an hour at the fastest pace at which you "
    "still speak in whole sentences; your average heart rate over its last 20 minutes is a careful start"
)


def add_settings_options(parser: argparse.ArgumentParser) -> None:
    """Add `--ceiling BPM` and `--set KEY=VALUE` (may be repeated)."""
    parser.add_argument("--ceiling", metavar="BPM", help="upper limit of this session, bpm")
    parser.add_argument(
        "--set", metavar="KEY=VALUE", action="append", default=[], dest="assignments",
        help="a setting for this session only (see `guard settings`); may be repeated")


def typed_values(args: argparse.Namespace) -> dict[str, Any]:
    """Checked values of `--set` and `--ceiling`; two ceilings that differ are an error."""
    values = parse_assignments(args.assignments)
    if args.ceiling is not None:
        ceiling = parse(find("ceiling_bpm"), args.ceiling)
        if values.get("ceiling_bpm", ceiling) != ceiling:
            raise UsageError(
                f"--ceiling {args.ceiling} and --set ceiling_bpm={values['ceiling_bpm']} disagree: "
                "give one of them")
        values["ceiling_bpm"] = ceiling
    return values


def chosen_settings(
    args: argparse.Namespace,
    *,
    course: Mapping[str, Any] | None = None,
    need_ceiling: bool = True,
) -> Settings:
    """Settings of one session: typed over `course` over file over defaults.

    Raises UsageError where `need_ceiling` and none of them gives one.
    """
    from guard.keep import settings_file

    values = {**settings_file.load(), **(course or {}), **typed_values(args)}
    settings = Settings().replaced(values)
    if need_ceiling and settings.ceiling_bpm is None:
        raise UsageError(HOW_TO_FIND_A_CEILING)
    return settings
