"""What the months must reach, in per cent, row by row: beside each figure of the table stands its target."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from tests.lab.months.runners import Row

LEAST_COVERED, MOST_CLAIMS, MOST_BIAS = 97.0, 3.0, 1.0
LEAST_GAINS, LEAST_SEASON_GAINS = 90.0, 75.0
MOST_STEP_CLAIMS, LEAST_ASKED = 5.0, 80.0
LEAST_PLATEAUS, MOST_FALSE_PLATEAUS = 75.0, 2.0
GAINS = {"gain-20": LEAST_GAINS, "gain-60": LEAST_GAINS, "gain-new": LEAST_GAINS, "gain-pod": LEAST_GAINS,
         "gain-warmer": LEAST_SEASON_GAINS}
UNBIASED = ("moved", "belt-high", "hills")


def targets(row: Row, found: Mapping[str, Any]) -> Iterator[tuple[str, float, float, bool]]:
    """(words, figure, target, whether at least: else at most) of what is asked of a row."""
    if row.want != "asked":
        yield "12 weeks covered", found["recent"]["covered"], LEAST_COVERED, True
        yield "season covered", found["season"]["covered"], LEAST_COVERED, True
    if row.name in GAINS:
        yield "gain found", found["gain"], GAINS[row.name], True
    if row.want == "nothing":
        yield "claims", found["claims"], MOST_CLAIMS, False
    if row.name in UNBIASED:
        yield "bias", abs(found["recent"]["bias"]), MOST_BIAS, False
    if row.want == "asked":
        yield "claims", found["claims"], MOST_STEP_CLAIMS, False
        yield "asked", found["asked"], LEAST_ASKED, True
    if row.want == "plateau":
        yield "plateau told", found["plateau at end"], LEAST_PLATEAUS, True
    if row.want == "never plateau":
        yield "plateau ever", found["plateau"], MOST_FALSE_PLATEAUS, False


def judged(row: Row, found: Mapping[str, Any]) -> str:
    """How many of a row's targets are kept, and each that is missed."""
    every = list(targets(row, found))
    missed = [f"**{words} {figure:.1f}, {'≥' if least else '≤'} {target:g}**"
              for words, figure, target, least in every
              if (round(figure, 1) < target and least) or (round(figure, 1) > target and not least)]
    return "; ".join(missed) or f"{len(every)} of {len(every)} kept"
