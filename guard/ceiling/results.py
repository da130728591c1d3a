"""Remembered answers and results of `guard ceiling`, each with its date.

JSON Lines in the data folder (`ceiling.jsonl`), one result a line, oldest
first, for the owner only; lines that cannot be understood are kept.
"""

import contextlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from guard.files.folders import data_dir
from guard.files.whole import read_capped, remove, write_whole

RESULTS_FILE = "ceiling.jsonl"
RESULTS_FORMAT = 1  # of a line; a change needs a new number
LARGEST_RESULTS_BYTES = 16 << 20  # bytes


@dataclass(frozen=True)
class Result:
    """What was worked out on `day`: the runner's `answers` and the `document` shown as JSON."""

    day: date
    answers: Mapping[str, object] = field(default_factory=dict)
    document: Mapping[str, object] = field(default_factory=dict)


def ceiling_path(make: bool = False) -> Path:
    """Where results are, or would be."""
    return data_dir(make) / RESULTS_FILE


def results() -> list[Result]:
    """All results that can be understood, oldest first; InputError where the file cannot be read."""
    return [found for line in _lines(ceiling_path()) if (found := _understood(line))]


def remember(result: Result) -> Path:
    """Add a result, in place of an earlier one of the same day; on disk when this returns."""
    path = ceiling_path(make=True)
    lines = _lines(path)
    text = json.dumps({"format": RESULTS_FORMAT, "date": result.day.isoformat(), "answers": result.answers,
                       "document": result.document}, ensure_ascii=True)
    if lines and (last := _understood(lines[-1])) and last.day == result.day:
        lines.pop()
    lines.append(text)
    write_whole(path, [line.encode("utf-8", "surrogateescape") + b"\n" for line in lines], force=True)
    return path


def forget() -> bool:
    """Take all results away; False where there were none."""
    return remove(ceiling_path())


def _lines(path: Path) -> list[str]:
    data = read_capped(path, LARGEST_RESULTS_BYTES, "remembered ceilings") or b""
    return [line for line in data.decode("utf-8", "surrogateescape").split("\n") if line.strip()]


def _understood(line: str) -> Result | None:
    with contextlib.suppress(ValueError, KeyError, TypeError, RecursionError):
        record = json.loads(line)
        answers, document = record["answers"], record["document"]
        if record["format"] == RESULTS_FORMAT and isinstance(answers, dict) and isinstance(document, dict):
            return Result(date.fromisoformat(record["date"]), answers, document)
    return None
