"""What each part of the decision buys: the guard without it, kind by kind and on recordings.

    python -m tests.lab.ablation
    python -m tests.lab.ablation --runners 20 --variant "one response" --set-figure ease_bpm=7

A part is taken out by the figures that leave it without effect. What buys
nothing goes; what costs little and promises something says what it promises.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from guard.errors import GuardError, UsageError
from tests.lab.family import HOUR_S, SEEDS
from tests.lab.guarding import chosen, run_kinds
from tests.lab.kinds import Kind
from tests.lab.opponents import Guard
from tests.lab.report import groups, means

# Name: what is taken out, and the figures that do it.
VARIANTS: dict[str, Mapping[str, Any]] = {
    "one heart, not two": {"quick_share": 0.77, "slow_share": 0.7701},
    "effort never changes at once": {"changed_var": 0.0},
    "the strap errs only at random": {"noise_sd_bpm": 0.3, "noise_s": 1.0},
    "no look ahead": {"ahead_s": 2.0},
    "no margin": {"margin_bpm": 0.0},
    "a margin that does not learn": {"aim_share": 0.0},
    "never walks": {"in_vain": 1e6},
    "forgets who has no jog": {"no_jog_step": 0.0},
    "no gate": {"gate_bpm": 200.0},
}


def run(kinds: Sequence[Kind], runners: int, seed_set: str, variants: Mapping[str, Mapping[str, Any]],
        steps: int = HOUR_S) -> dict[str, dict[str, Any]]:
    """Means of each variant: over the kinds that can jog, and the letters missed over all."""
    from guard.decide.figures import FIGURES

    makers = {name: partial(Guard, figures=replace(FIGURES, **changes))
              for name, changes in {"as it is": {}, **variants}.items()}
    every = run_kinds(kinds, makers, runners, seed_set, steps=steps)
    keys = list(every["alarm"])
    able = next((own for name, own in groups(every).items() if name == "all, can jog"), keys)
    unable = [key for key in keys if every["alarm"][key]["can"] < 0.3]
    found = {}
    for name in makers:
        item, whole = means(name, able, every), means(name, keys, every)
        found[name] = {
            **{what: item[what] for what in (
                "over", "over_bpm", "sounds", "distance", "walked_while_can", "taken_for_running",
                "short_of_alarm")},
            **{f"{what}_cannot": float(np.mean([every[name][key][what] for key in unable] or [np.nan]))
               for what in ("over_min", "sounds")},
            "letters": sum(whole["letters"].values())}
    return found


def table_of(found: Mapping[str, Mapping[str, Any]]) -> str:
    """One line a variant."""
    heads = ("over", "area", "sounds", "dist", "walked%", "taken%", "short", "over no jog", "sounds no jog",
             "missed")
    lines = [f"{'':28s}" + "".join(f"{head:>14s}" for head in heads)]
    for name, item in found.items():
        values = [item["over"], item["over_bpm"], item["sounds"], item["distance"],
                  100 * item["walked_while_can"], 100 * item["taken_for_running"], item["short_of_alarm"],
                  item["over_min_cannot"], item["sounds_cannot"], item["letters"]]
        lines.append(f"{name:28s}" + "".join(
            f"{'-':>14s}" if value is None else f"{value:14.3g}" for value in values))
    return "\n".join(lines)


def main(argv: Sequence[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.lab.ablation", description=(__doc__ or "").split("\n")[0])
    add = parser.add_argument
    add("--kinds", nargs="+", metavar="NAME")
    add("--runners", type=int, default=20)
    add("--seed-set", choices=tuple(SEEDS), default="dev")
    add("--variant", nargs="+", metavar="NAME", help="only these parts")
    add("--set-figure", nargs="+", action="append", default=[], metavar="NAME=VALUE",
        help="a variant of your own: figures and their values; repeatable")
    add("--json", metavar="FILE")
    args = parser.parse_args(argv)
    for name in args.variant or ():
        if name not in VARIANTS:
            raise UsageError(f"no part is called {name!r}: choose from {', '.join(VARIANTS)}")
    variants = {name: VARIANTS[name] for name in (args.variant or ([] if args.set_figure else VARIANTS))}
    for words in args.set_figure:
        pairs = (word.split("=", 1) for word in words)
        variants[" ".join(words)] = {key: json.loads(value) for key, value in pairs}
    found = run(chosen(args.kinds, held_out=False), args.runners, args.seed_set, variants)
    print(table_of(found))
    if args.json:
        Path(args.json).write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    try:
        sys.exit(main())
    except GuardError as error:
        print(f"ablation: {error}", file=sys.stderr)
        sys.exit(error.exit_code)
