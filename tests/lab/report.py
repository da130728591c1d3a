"""Tables, targets and the picture of the guarding benchmark."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from guard.events import Cue
from tests.lab.kinds import Kind
from tests.lab.measures import Hour

Array = NDArray[np.float64]
Figures = dict[str, Any]
Table = Mapping[str, Mapping[str, Figures]]
RESAMPLES = 300
SLOPES = ("climbs", "wandering", "rolling", "random", "hills")
LEAST_OVER_MIN = 0.1  # no ratio to less of the alarm's minutes over an hour
KNOWN_ASKED = 0.7
CAN, PARTLY = 0.9, 0.3  # share of the hour in which the slowest jog settles under the ceiling

# What is asked of every kind: letter, meaning, and whether the figures (guard, alarm, knowing) meet it.
Test = Callable[[Figures, Figures, Figures], bool]
TARGETS: dict[str, tuple[str, Test]] = {
    "O": ("minutes over, more than the alarm's", lambda g, a, k: g["over_min"] <= a["over_min"] + 0.005),
    "A": ("bpm·min over, more than the alarm's",
          lambda g, a, k: g["over_bpm_min"] <= a["over_bpm_min"] + 0.005),
    "S": ("sounds over 1.05 x the alarm's + 0.5", lambda g, a, k: g["sounds"] <= 1.05 * a["sounds"] + 0.5),
    "D": ("distance under 0.99 of the alarm's", lambda g, a, k: g["distance_km"] >= 0.99 * a["distance_km"]),
    "H": ("minutes over beyond half-way from the knowing one to the alarm",
          lambda g, a, k: g["over_min"] <= max(0.5 * (a["over_min"] + k["over_min"]), LEAST_OVER_MIN)),
    "W": ("walked for over 3 % (12 % on slopes not told) of the time a jog would do",
          lambda g, a, k: (g["walked_while_can"] or 0.0) <= (0.12 if g["untold_slopes"] else 0.03)),
    "N": ("over 35 sounds an hour where no jog does",
          lambda g, a, k: a["can"] >= PARTLY or g["sounds"] <= 35.0),
    "T": ("over 10 % of the seconds walked taken for running",
          lambda g, a, k: g["judged_s"] < 20.0 or (g["taken_for_running"] or 0.0) <= 0.1),
    "R": ("told over 15 s after he may run again",
          lambda g, a, k: g["walks"] < 0.2 or (g["told_after_s"] or 0.0) <= 15.0),
    "V": ("needless cues after over 2 % of restarts",
          lambda g, a, k: g["restarts"] < 0.5 or (g["needless"] or 0.0) <= 0.02),
    "B": ("a resume on a slipped strap or stale data", lambda g, a, k: g["blind_resumes"] == 0),
}
EXCUSED = "OASDV"  # where the knowing one fails such a target too, the kind makes it impossible


def of_crowd(hours: Mapping[str, Hour], kinds: Sequence[Kind], runners: int) -> dict[str, dict[str, Figures]]:
    """Figures by controller and kind."""
    return {name: {
        f"{kind.family}/{kind.name}": figures(
            hour, slice(place * runners, (place + 1) * runners), hours["alarm"],
            untold_slopes=kind.road in SLOPES and not kind.changes.get("speed_known"))
        for place, kind in enumerate(kinds)} for name, hour in hours.items()}


def figures(hour: Hour, own: slice, alarm: Hour, *, untold_slopes: bool) -> Figures:
    """The figures of one kind, an hour's and a runner's, and its ratios to the alarm: JSON-ready."""

    def mean(values: Array, per: float = 1.0) -> float:
        return round(float(values[own].mean()) / per / hour.hours, 4)

    def share(part: Array, whole: Array) -> float | None:
        below = float(whole[own].sum())
        return round(float(part[own].sum()) / below, 4) if below else None

    waits = [wait for lane, wait in hour.told_after_s if own.start <= lane < own.stop]
    count = own.stop - own.start
    out: Figures = {
        "over_min": mean(hour.over_s, 60.0),
        "over_can_min": mean(hour.over_can_s, 60.0),
        "over_bpm_min": mean(hour.over_bpm_s, 60.0),
        "over_first_min": round(float(hour.over_first_s[own].mean()) / 60.0, 4),
        "sounds": mean(hour.cues.sum(axis=1)),
        "cues": {cue.key: mean(hour.cues[:, cue]) for cue in Cue if hour.cues[own, cue].any()},
        "distance_km": mean(hour.distance_m, 1000.0),
        "can": mean(hour.can_s, 3600.0),
        "walked": mean(hour.walked_s, 3600.0),
        "walked_while_can": share(hour.walked_can_s, hour.can_s),
        "taken_for_running": share(hour.taken_for_running_s, hour.judged_s),
        "judged_s": mean(hour.judged_s),
        "told_after_s": float(np.median(waits)) if waits else None,
        "told_after_90_s": round(float(np.percentile(waits, 90)), 1) if waits else None,
        "walks": round(len(waits) / count / hour.hours, 3),
        "needless": share(hour.needless, hour.restarts),
        "restarts": mean(hour.restarts),
        "false_resumes": share(hour.false_resumes, hour.resumes),
        "blind_resumes": float(hour.blind_resumes[own].sum()),
        "untold_slopes": untold_slopes,
    }
    for name, values, base in (
        ("over_ratio", hour.over_s, alarm.over_s), ("over_bpm_ratio", hour.over_bpm_s, alarm.over_bpm_s),
        ("sounds_ratio", hour.cues.sum(axis=1), alarm.cues.sum(axis=1)),
        ("distance_ratio", hour.distance_m, alarm.distance_m),
    ):
        out[name] = ratio(values[own], base[own])
    return out


def ratio(values: Array, base: Array) -> list[float] | None:
    """Ratio of two sums over the same runners and its bootstrap 95 % interval."""
    if not base.sum():
        return None
    who = np.random.default_rng(5).integers(0, len(values), (RESAMPLES, len(values)))
    below = base[who].sum(axis=1)
    draws = values[who].sum(axis=1)[below > 0] / below[below > 0]
    low, high = np.percentile(draws, [2.5, 97.5])
    return [round(float(values.sum() / base.sum()), 4), round(float(low), 4), round(float(high), 4)]


def short_of(guard: Figures, alarm: Figures, knowing: Figures) -> str:
    """Letters of the targets missed; lower case where the knowing one misses it too."""
    missed = ""
    for letter, (_, met) in TARGETS.items():
        if not met(guard, alarm, knowing):
            impossible = letter in EXCUSED and not met(knowing, alarm, knowing)
            missed += letter.lower() if impossible else letter
    return missed


def _pct(value: float | None) -> str:
    return "-" if value is None else f"{100 * value:.1f}"


def _ratio(value: Sequence[float] | None) -> str:
    return "-" if value is None else f"{value[0]:.2f} [{value[1]:.2f} {value[2]:.2f}]"


def kind_table(name: str, table: Table) -> str:
    """One line a kind or course: opponents beside, letters of what is missed at the end."""
    landed = "landed" in table
    head = (f"{name:30s} can  over min/h: alarm know" + (" land" if landed else "") + f"{name[:5]:>6s}"
            "  of alarm's            bpm·min: alarm  know" + ("  land" if landed else "") + f"{name[:5]:>6s}"
            "  sounds: alarm know" + (" land" if landed else "") + f"{name[:5]:>6s}  walks  dist"
            "  walked: can% taken% told s needl%  short")
    lines = [head]
    for key, figure in table[name].items():
        alarm, knowing = table["alarm"][key], table["knowing"][key]
        old = table["landed"].get(key) if landed else None

        def four(what: str, width: int, form: str, rows: Sequence[Figures | None]) -> str:
            return "".join(
                f"{'-':>{width}s}" if row is None else f"{row[what]:{width}{form}}" for row in rows)

        rows = [alarm, knowing, *([old] if landed else []), figure]
        told = figure["told_after_s"]
        lines.append(
            f"{key:30s} {alarm['can']:.2f}" + four("over_min", 6, ".2f", rows)
            + f"  {_ratio(figure['over_ratio']):18s}" + four("over_bpm_min", 7, ".1f", rows)
            + " " + four("sounds", 6, ".1f", rows) + f"  {figure['cues'].get('walk', 0):5.1f}"
            f"  {figure['distance_km'] / alarm['distance_km']:.3f}"
            f"  {_pct(figure['walked_while_can']):>5s} {_pct(figure['taken_for_running']):>5s}"
            f" {'-' if told is None else format(told, '.0f'):>5s} {_pct(figure['needless']):>5s}"
            f"  {short_of(figure, alarm, knowing)}")
    return "\n".join(lines)


def groups(table: Table) -> dict[str, list[str]]:
    """Kinds by what they can, and by family."""
    alarm = table["alarm"]
    families = sorted({key.split("/")[0] for key in alarm if "/" in key})
    found: dict[str, list[str]] = {}
    for family in [*families, ""]:
        own = [key for key in alarm if key.startswith(family)]
        label = f"{family} family" if family else "all"
        found[f"{label}, can jog"] = [key for key in own if alarm[key]["can"] >= CAN]
        found[f"{label}, can jog at times"] = [key for key in own if PARTLY <= alarm[key]["can"] < CAN]
        found[f"{label}, cannot"] = [key for key in own if alarm[key]["can"] < PARTLY]
    return {name: keys for name, keys in found.items() if keys}


def means(name: str, keys: Sequence[str], table: Table) -> Figures:
    """Means over kinds of the ratios to the alarm, and how many kinds are short of it."""
    alarm, knowing = table["alarm"], table["knowing"]
    mine = table[name]
    keys = [key for key in keys if key in mine]
    counted = [key for key in keys if alarm[key]["over_min"] >= LEAST_OVER_MIN]

    def mean(what: str, among: Sequence[str] = counted) -> float | None:
        ratios = [mine[key][what] / alarm[key][what] for key in among]
        return round(float(np.mean(ratios)), 4) if ratios else None

    missed = {key: short_of(mine[key], alarm[key], knowing[key]) for key in keys}
    return {
        "kinds": len(keys), "over": mean("over_min"), "over_bpm": mean("over_bpm_min"),
        "sounds": mean("sounds"), "distance": mean("distance_km", keys),
        "sounds_per_h": round(float(np.mean([mine[key]["sounds"] for key in keys])), 2),
        "walked_while_can": round(float(np.mean([mine[key]["walked_while_can"] or 0.0 for key in keys])), 4),
        "taken_for_running": round(
            sum((mine[key]["taken_for_running"] or 0.0) * mine[key]["judged_s"] for key in keys)
            / max(sum(mine[key]["judged_s"] for key in keys), 1e-9), 4),
        "short_of_alarm": sum(any(letter in missed[key] for letter in "OASD") for key in keys),
        "letters": {letter: sum(letter in missed[key] for key in keys) for letter in TARGETS},
    }


def means_table(table: Table) -> str:
    """Means over the kinds of each group, controller by controller, with the targets."""
    lines = ["means over kinds of ratios to the alarm; short: worse than the alarm where the knowing one"
             " is not",
             f"{'':32s}{'':10s} kinds  over   area  sounds  dist   a hour  walked% taken%  short  letters"]
    for group, keys in groups(table).items():
        for name in table:
            if name == "alarm":
                continue
            item = means(name, keys, table)
            def form(value: float | None) -> str:
                return "-" if value is None else f"{value:.3f}"

            letters = " ".join(f"{letter}{count}" for letter, count in item["letters"].items() if count)
            lines.append(
                f"{group:32s}{name:10s} {item['kinds']:4d}  {form(item['over']):6s}"
                f" {form(item['over_bpm']):6s}"
                f" {form(item['sounds']):6s} {form(item['distance']):6s} {item['sounds_per_h']:6.1f}"
                f"  {_pct(item['walked_while_can']):>5s}  {_pct(item['taken_for_running']):>5s}"
                f"  {item['short_of_alarm']:4d}   {letters if name != 'knowing' else ''}")
    lines.append("asked: can jog: over and area <= 0.333, walked <= 3 %; taken <= 10 %; short 0. Letters: "
                 + "; ".join(f"{letter} {meaning}" for letter, (meaning, _) in TARGETS.items())
                 + "; lower case: the knowing one misses it too")
    return "\n".join(lines)


def trial_table(name: str, item: Mapping[str, Any]) -> tuple[str, list[str]]:
    """Rises, faults and warm-up with their targets; those missed."""
    rows = [
        (f"rises of 15 bpm in 30 s cued within 10 s of due, of {item['rises']}",
         item["rises_in_time"], ">= 0.99", item["rises_in_time"] >= 0.99),
        (f"cues from faults alone in {item['fault_hours']:.0f} h",
         item["by_faults"], "0", item["by_faults"] == 0),
        (f"cues under the ramp in {item['warm_ups']} warm-ups",
         item["in_warm_up"], "0", item["in_warm_up"] == 0),
    ]
    text = "\n".join([f"trials, {name}"] + [
        f"  {what:62s} {value:8.4g}  asked {asked:8s} {'met' if met else 'NOT MET'}"
        for what, value, asked, met in rows])
    return text, [f"{what}: {value:.4g} (asked {asked})" for what, value, asked, met in rows if not met]


def known_table(table: Table) -> tuple[str, list[str]]:
    """What speed, grade and a learned gain are worth: of the same runners untold; the target missed."""
    lines = ["told and taught, of the same runners with neither speed nor grade"
             + " " * 5 + "over   sounds  first ten minutes over"]
    missed = []
    for key, bare in table["untold"].items():
        for name in ("guard", "taught"):
            figure = table[name][key]
            over, sounds, first = (figure[what] / bare[what] if bare[what] else 0.0
                                   for what in ("over_min", "sounds", "over_first_min"))
            lines.append(f"  {key:36s}{'told' if name == 'guard' else 'taught':22s}"
                         f"{over:10.3f}{sounds:9.3f}{first:9.3f}")
            if name == "taught" and max(over, sounds) > KNOWN_ASKED:
                missed.append(f"{key} told and taught: over {over:.2f}, sounds {sounds:.2f} of untold "
                              f"(asked {KNOWN_ASKED})")
    return "\n".join(lines), missed


def problems(name: str, table: Table) -> list[str]:
    """Every target of the kinds missed, in words."""
    found = []
    if table:
        every = groups(table)
        for group in ("all, can jog",):
            if group in every:
                item = means(name, every[group], table)
                for what, asked in (("over", 1 / 3), ("over_bpm", 1 / 3)):
                    if (item[what] or 0.0) > asked:
                        found.append(f"{group}: {what} {item[what]:.3f} of the alarm's")
        for letter, (meaning, _) in TARGETS.items():
            short = [key for key in table[name] if letter in short_of(
                table[name][key], table["alarm"][key], table["knowing"][key])]
            if short:
                found.append(f"{letter} {len(short)} kinds ({meaning})")
    return found


def draw_picture(path: Path, report: Mapping[str, Any], controllers: Sequence[str]) -> None:
    """Minutes over against sounds an hour: a panel a group, a point a kind, a mark a controller."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    tables = {"kinds": report["kinds"]} | {f"courses, {m} model": t for m, t in report["courses"].items()}
    panels = [(f"{what}: {group}", keys, table) for what, table in tables.items() if table
              for group, keys in groups(table).items() if group.startswith("all")]
    # Okabe & Ito (2008), a palette for all kinds of colour vision; each also has its own marker.
    looks = [("#D55E00", "s"), ("#009E73", "D"), ("#0072B2", "o"), ("#CC79A7", "v"), ("#E69F00", "^")]
    columns = min(3, len(panels))
    rows = -(-len(panels) // columns)
    figure, axes = plt.subplots(rows, columns, figsize=(5.2 * columns, 4.2 * rows + 0.8), squeeze=False,
                                layout="constrained")
    for axis in axes.flat[len(panels):]:
        axis.set_axis_off()
    for axis, (title, keys, table) in zip(axes.flat, panels, strict=False):
        names = [name for name in ("alarm", "knowing", "landed", *controllers) if name in table]
        for (colour, marker), name in zip(looks, names, strict=False):
            own = [table[name][key] for key in keys if key in table[name]]
            axis.plot([max(item["sounds"], 0.3) for item in own],
                      [max(item["over_min"], 0.02) for item in own],
                      marker, color=colour, alpha=0.75, markersize=5, label=name)
        axis.set(xscale="log", yscale="log", title=title, xlabel="sounds an hour",
                 ylabel="minutes over an hour")
        axis.grid(alpha=0.3)
    axes.flat[0].legend()
    figure.savefig(path, dpi=110)
    plt.close(figure)
