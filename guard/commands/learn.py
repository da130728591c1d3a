"""`guard learn`: how your heart rate answers speed, and the settings that fit it."""

import argparse
import math
from pathlib import Path
from typing import Any

from guard.commands.options import log_path, own_settings, print_json, tell
from guard.errors import EXIT_REFUSED, UsageError
from guard.events import Cue, CueGiven
from guard.log.recording import read_log
from guard.response.advice import Suggestion, suggest
from guard.response.fit import Fit, Refusal, learn
from guard.response.guarded import Guarded, guarded
from guard.response.series import Stretch, stretches
from guard.screen.report import console_and_look, table
from guard.settings import file as settings_file
from guard.settings import find
from guard.units import speed

# field of the fit: (words, unit, digits)
PARAMETERS = {
    "gain": ("rise with speed", "bpm per m/s", 1),
    "response_s": ("response to a small change of speed", "s", 0),
    "dead_s": ("delay before that response", "s", 0),
    "on_s": ("rise after standing or walking", "s", 0),
    "start_dead_s": ("delay before that rise", "s", 0),
    "off_s": ("fall after running", "s", 0),
    "stop_dead_s": ("delay before that fall", "s", 0),
    "base_bpm": ("heart rate at the usual speed", "bpm", 0),
    "drift_bpm_per_min": ("drift after the tenth minute", "bpm/min", 2),
}
OF_EASES = {
    "ease_bpm": ("fall after an ease, heeded or not", "bpm", 1),
    "heeded": ("share of eases that you heeded", "", 2),
}


def run(args: argparse.Namespace) -> int:
    present = own_settings(tell)
    files = [log_path(name) for name in args.files]
    pieces, runs = _recorded(files)
    result = learn(pieces, runs=runs, units=present.units)
    suggestions = suggest(result, present.units) if isinstance(result, Fit) else []
    kept = None
    if args.apply and suggestions:
        kept = str(settings_file.save({one.key: one.value for one in suggestions}))
    if args.json:
        print_json(_document(files, result, suggestions, present.as_dict(), kept))
    elif isinstance(result, Fit):
        _show(result, suggestions, present.as_dict(), kept)
    else:
        print(f"nothing can be learned from this: {result}")
    return 0 if isinstance(result, Fit) else EXIT_REFUSED


def _recorded(files: list[str]) -> tuple[list[Stretch], list[Guarded]]:
    """The stretches of all files at a known speed, and all files as guarded runs."""
    places = [Path(name).resolve() for name in files]
    for name, place in zip(files, places, strict=True):
        if places.count(place) > 1:
            raise UsageError(f"{name} is given twice: its readings would count twice, give it once")
    found: list[Stretch] = []
    runs: list[Guarded] = []
    for name in files:
        recording = read_log(name)
        for note in recording.notes:
            tell(f"{name}: {note}")
        said = {one.cue for one in recording.outputs if isinstance(one, CueGiven)}
        steered = bool(said & {Cue.EASE, Cue.WALK, Cue.RESUME})
        mine = stretches(recording.inputs, steered=steered)
        if (run := guarded(recording.inputs, recording.outputs)) is not None:
            runs.append(run)
        if not mine and not steered:
            tell(f"{name}: no two minutes with both heart rate and speed")
        found += mine
    return found, runs


def _document(
    files: list[str], result: Fit | Refusal, suggestions: list[Suggestion],
    present: dict[str, Any], kept: str | None,
) -> dict[str, Any]:
    """The JSON that `response/README.md` lists."""
    fit: dict[str, Any] | None = None
    refusal: dict[str, str] | None = None
    if isinstance(result, Fit):
        fit = {key: _parameter(getattr(result, key)) for key in PARAMETERS | OF_EASES}
        fit |= {"usual_m_s": _number(result.usual_m_s, 3), "noise_bpm": _number(result.noise_bpm, 3),
                "samples": result.samples, "effective_samples": _number(result.effective, 1),
                "running_s": result.running_s, "eases": result.eases}
    else:
        refusal = {"reason": result.reason, "fix": result.fix}
    return {
        "format": 2, "files": files, "fit": fit, "refusal": refusal,
        "suggestions": [{"key": one.key, "value": one.value, "present": present[one.key],
                         "reason": one.reason} for one in suggestions],
        "applied": kept,
    }


def _number(value: float, digits: int) -> float | None:
    return round(value, digits) if math.isfinite(value) else None


def _parameter(found: Any) -> dict[str, Any]:
    if isinstance(found, Refusal):
        return {"value": None, "low": None, "high": None,
                "refusal": {"reason": found.reason, "fix": found.fix}}
    return {"value": round(found.value, 3), "low": round(found.low, 3), "high": round(found.high, 3),
            "refusal": None}


def _show(fit: Fit, suggestions: list[Suggestion], present: dict[str, Any], kept: str | None) -> None:
    console, look = console_and_look()
    words = [f"{fit.running_s / 60:.0f} minutes of running"]
    if math.isfinite(fit.usual_m_s):
        words[0] += f", usual speed {speed(fit.usual_m_s, present['units'])}"
        words += [f"{fit.samples} seconds with readings count as {fit.effective:.0f} independent ones"]
    if fit.eases:
        words += [f"{fit.eases} eases in guarded runs"]
    console.print("; ".join(words), markup=False)
    grid = table(look)
    for title in ("your heart rate", "found", "95 % interval"):
        grid.add_column(title, no_wrap=title != "your heart rate")
    refusals: dict[str, tuple[list[str], list[str]]] = {}
    rows = PARAMETERS | OF_EASES if fit.eases else PARAMETERS
    for key, (what, unit, digits) in rows.items():
        found = getattr(fit, key)
        if isinstance(found, Refusal):
            which, reasons = refusals.setdefault(found.fix, ([], []))
            which.append(what)
            if found.reason not in reasons:
                reasons.append(found.reason)
            grid.add_row(what, "not known", "")
        else:
            grid.add_row(what, f"{found.value:.{digits}f} {unit}",
                         f"{found.low:.{digits}f} to {found.high:.{digits}f}")
    console.print(grid)
    for fix, (which, reasons) in refusals.items():
        console.print(f"Not known: {', '.join(which)}, because {'; '.join(reasons)}. To fix it: {fix}.",
                      markup=False)
    if not suggestions:
        console.print("No setting can be suggested from this.")
        return
    grid = table(look)
    for title in ("setting", "now", "suggested", "why"):
        grid.add_column(title, no_wrap=title == "setting", ratio=1 if title == "why" else None)
    for one in suggestions:
        unit, now = find(one.key).unit, present[one.key]
        grid.add_row(one.key, "none" if now is None else f"{now:g}", f"{one.value:g} {unit}", one.reason)
    console.print(grid)
    print(f"kept in {kept}" if kept else "`--apply` keeps these; `guard settings KEY=VALUE` sets one alone.")
