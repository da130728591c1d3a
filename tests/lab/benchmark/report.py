"""Figures, intervals, targets and the picture of the guarding benchmark."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from guard.errors import InputError
from guard.events import Cue
from guard.runner.courses import COURSES
from tests.lab.benchmark.controllers import NAMES
from tests.lab.benchmark.trial import Outcome

Array = NDArray[np.float64]
Interval = tuple[float, float, float]  # value, low and high end of the 95 % interval

RESAMPLES = 1000
# Kind of course: most minutes over, as a share of the bare alarm's.
OVER_TARGET = {"flat": 0.2, "belt": 0.2, "learned": 0.2, "hills": 1 / 3, "walk-run": 1 / 3, "tiring": 0.25}
CUES_TARGET, CUES_TARGET_LEARNED = 1.15, 1.0
DISTANCE_TARGET, DISTANCE_TARGET_LEARNED = 0.98, 1.0
NEEDLESS_TARGET = 0.02
RISES_TARGET = 0.99


def interval(figure: Callable[[NDArray[np.int64]], float], n: int) -> Interval:
    """`figure` of all n runners with its bootstrap 95 % interval over runners."""
    rng = np.random.default_rng(5)
    draws = [figure(rng.integers(0, n, n)) for _ in range(RESAMPLES)]
    known = [value for value in draws if value == value]
    low, high = np.percentile(known, [2.5, 97.5]) if known else (float("nan"), float("nan"))
    return figure(np.arange(n)), float(low), float(high)


def ratio(over: Array, under: Array) -> Interval:
    """Ratio of two sums over the same runners, resampled together."""

    def figure(who: NDArray[np.int64]) -> float:
        below = float(under[who].sum())
        return float(over[who].sum()) / below if below else float("nan")

    return interval(figure, len(over))


def figures(outcome: Outcome, knowing: Outcome | None) -> dict[str, Any]:
    """The figures of one controller on one course; JSON-ready."""
    n = len(outcome.over_s)
    hours = outcome.duration_s / 3600.0

    def mean(values: Array, per: float = 1.0) -> Interval:
        return interval(lambda who: float(values[who].mean()) / per, n)

    first = outcome.first_cue_s[np.isfinite(outcome.first_cue_s)]
    return {
        "over_min": mean(outcome.over_s, 60.0 * hours),
        "over_bpm_min": mean(outcome.over_bpm_s, 60.0 * hours),
        "over_though_no_jog_helps_min": mean(outcome.hopeless_over_s, 60.0 * hours),
        "cues_per_h": mean(outcome.pace_cues, hours),
        "cues_by_kind_per_h": {
            cue.key: float(outcome.cues[:, cue].mean()) / hours for cue in Cue
            if outcome.cues[:, cue].any()},
        "distance_share": ratio(outcome.distance_m, knowing.distance_m) if knowing else None,
        "walk_share": mean(outcome.walk_s, outcome.duration_s),
        "first_cue_s": float(np.median(first)) if len(first) else None,
        "false_resumes": ratio(outcome.false_resumes, outcome.resumes),
        "needless_after_restart": ratio(outcome.needless, outcome.restarts),
        "restarts": float(outcome.restarts.sum()),
        "blind_resumes": float(outcome.blind_resumes.sum()),
    }


@dataclass(frozen=True)
class Verdict:
    """One target: what was reached (with its interval), what is asked, met or not."""

    what: str
    reached: Interval
    asked: str
    met: bool

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {"what": self.what, "reached": list(self.reached), "asked": self.asked, "met": self.met}


def course_verdicts(name: str, outcomes: Mapping[str, Outcome]) -> list[Verdict]:
    """Targets of one course that its outcomes allow to judge."""
    found: list[Verdict] = []
    guard, kind = outcomes.get("guard"), COURSES[name].kind
    if guard is None:
        return found
    if "bare" in outcomes and kind in OVER_TARGET:
        most = OVER_TARGET[kind]
        share = ratio(guard.over_s, outcomes["bare"].over_s)
        found.append(Verdict(f"{name}: minutes over, of the bare alarm's", share, f"<= {most:.2f}",
                             share[0] <= most))
    if "knowing" in outcomes:
        learned = kind == "learned"
        most = CUES_TARGET_LEARNED if learned else CUES_TARGET
        share = ratio(guard.pace_cues, outcomes["knowing"].pace_cues)
        found.append(Verdict(f"{name}: cues an hour, of the knowing one's", share, f"<= {most:.2f}",
                             share[0] <= most))
        least = DISTANCE_TARGET_LEARNED if learned else DISTANCE_TARGET
        share = ratio(guard.distance_m, outcomes["knowing"].distance_m)
        found.append(Verdict(f"{name}: distance, of the knowing one's", share, f">= {least:.2f}",
                             share[0] >= least))
    if guard.restarts.sum():
        share = ratio(guard.needless, guard.restarts)
        found.append(Verdict(f"{name}: needless slow-down cues after restarts", share,
                             f"<= {NEEDLESS_TARGET:.2f}", share[0] <= NEEDLESS_TARGET))
    blind = float(guard.blind_resumes.sum())
    found.append(Verdict(f"{name}: resume cued on a slipped strap or stale data", (blind, blind, blind),
                         "0", blind == 0.0))
    return found


def _value(item: Interval | None, form: str) -> str:
    if item is None or not np.isfinite(item[0]):
        return "-"
    return form.format(item[0]) + " [" + form.format(item[1]) + " " + form.format(item[2]) + "]"


def course_table(name: str, by_controller: Mapping[str, Mapping[str, Any]]) -> str:
    """One course as text, a line a controller."""
    heads = ("over, min/h", "no jog", "bpm·min/h", "cues/h", "distance", "walk", "first", "false resumes")
    widths = (20, 8, 23, 23, 21, 6, 7, 18)
    lines = [f"{name}: {COURSES[name].meaning}",
             f"  {'':9s}" + "".join(f"{head:{width}s}" for head, width in zip(heads, widths, strict=True))
             + "cues/h by kind"]
    for key, item in by_controller.items():
        first = item["first_cue_s"]
        cells = (
            _value(item["over_min"], "{:.2f}"), f"{item['over_though_no_jog_helps_min'][0]:.2f}",
            _value(item["over_bpm_min"], "{:.1f}"),
            _value(item["cues_per_h"], "{:.1f}"), _value(item["distance_share"], "{:.3f}"),
            f"{item['walk_share'][0]:.0%}", "-" if first is None else f"{first:.0f} s",
            _value(item["false_resumes"], "{:.2f}"))
        kinds = " ".join(f"{kind} {rate:.1f}" for kind, rate in item["cues_by_kind_per_h"].items())
        lines.append(f"  {key:9s}" + "".join(
            f"{cell:{width}s}" for cell, width in zip(cells, widths, strict=True)) + kinds)
    return "\n".join(lines)


def verdict_table(verdicts: list[Verdict]) -> str:
    """Targets beside what was reached."""
    lines = [f"{'target':58s} {'reached':26s} asked     "]
    for item in verdicts:
        form = "{:.0f}" if item.reached[0] >= 100 else "{:.3f}"
        lines.append(f"{item.what:58s} {_value(item.reached, form):26s} {item.asked:9s} "
                     f"{'met' if item.met else 'NOT MET'}")
    met = sum(item.met for item in verdicts)
    lines.append(f"{met} of {len(verdicts)} targets met")
    return "\n".join(lines)


def draw_picture(path: Path, results: Mapping[str, Mapping[str, Mapping[str, Any]]], title: str) -> None:
    """Minutes over against cues an hour, a panel a course, a point a controller."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    # Okabe & Ito (2008), a palette for all kinds of colour vision; each also has its own marker.
    look = {"guard": ("#0072B2", "o"), "bare": ("#D55E00", "s"), "bare14": ("#E69F00", "v"),
            "bare19": ("#CC79A7", "^"), "knowing": ("#009E73", "D"), "careful3": ("#009E73", "d"),
            "careful6": ("#009E73", "d"), "careful12": ("#009E73", "d"), "follower": ("#000000", "x")}
    columns = min(4, len(results))
    rows = -(-len(results) // columns)
    figure, panels = plt.subplots(
        rows, columns, figsize=(max(4.0 * columns, 8.0), 3.3 * rows + 1.2), squeeze=False,
        layout="constrained")
    for panel in panels.flat[len(results):]:
        panel.set_axis_off()
    handles: dict[str, Any] = {}
    for panel, (name, by_controller) in zip(panels.flat, results.items(), strict=False):
        for key, item in by_controller.items():
            colour, marker = look[key]
            x, y = item["cues_per_h"], item["over_min"]
            handles[key] = panel.errorbar(
                x[0], y[0], xerr=[[x[0] - x[1]], [x[2] - x[0]]], yerr=[[y[0] - y[1]], [y[2] - y[0]]],
                fmt=marker, color=colour, capsize=2, markersize=7)
        panel.set_title(f"{name} ({COURSES[name].meaning})", fontsize=8)
        panel.set_xscale("symlog", linthresh=5)
        panel.set_xlim(-0.5, 400)
        panel.set_ylim(bottom=0)
        panel.set_xticks([0, 5, 10, 20, 50, 100, 300], ["0", "5", "10", "20", "50", "100", "300"])
        panel.grid(alpha=0.3)
        panel.set_xlabel("cues about pace an hour", fontsize=8)
    figure.supylabel("minutes over the ceiling an hour", fontsize=10)
    figure.suptitle(title, fontsize=11)
    figure.legend(
        list(handles.values()), [NAMES[key] for key in handles], loc="outside lower center",
        ncols=6 if columns > 2 else 3)
    figure.savefig(path, dpi=110)
    plt.close(figure)


def write_text(where: str, text: str) -> None:
    """`text` to the file named, or to standard output for "-"; InputError where it cannot be written."""
    if where == "-":
        print(text)
        return
    try:
        Path(where).write_text(text + "\n", encoding="utf-8")
    except OSError as error:
        raise InputError(f"cannot write {where}: {error.strerror}; choose another file") from None
