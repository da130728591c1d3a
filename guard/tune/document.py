"""The outcome of a search as a JSON document, its fields as in `README.md`."""

from collections.abc import Sequence
from dataclasses import asdict, fields

import numpy as np

from guard.response.fit import Fit, Refusal
from guard.tune.respond import Lived
from guard.tune.tune import Outcome, RecordedView, RespondView

NEEDS_RESPOND = (
    "heart rates as recorded cannot say how a run would have gone: nothing is recommended from them")
NOT_CHECKED = "interrupted before the check on the held-out third: nothing is recommended unchecked"
NONE_BETTER = "no set was clearly better than the present one in the simulated runs"
NOT_HELD = "the best set found did not stay clearly better on the held-out third"


def document(found: Outcome, files: Sequence[str]) -> dict[str, object]:
    """JSON-ready, format 1; `files` as the user named them."""
    return {
        "format": 1, "files": list(files), "seed": found.seed, "interrupted": found.interrupted,
        "present": found.present.as_dict(),
        "searched": [asdict(axis) for axis in found.axes],
        "sets": found.sets,
        "chosen_on": found.parts[0].words, "reported_on": found.parts[1].words,
        "as_recorded": found.recorded and _recorded(found.recorded),
        "as_you_would_respond": found.respond and _respond(found.respond),
        "recommendation": {
            "keep_present": not found.recommended, "changes": found.recommended or {},
            "best_tried": found.tried, "reason": reason(found)},
    }


def reason(found: Outcome) -> str:
    """Why this recommendation, in a sentence."""
    view = found.respond
    if view is None:
        return NOT_CHECKED if found.interrupted else NEEDS_RESPOND
    if view.held_out is None or found.verdict is None:
        return NOT_CHECKED if found.interrupted else NONE_BETTER
    if found.recommended:
        return (f"{in_words(view.held_out)}, in {view.held_out.cues.shape[1]} simulated runs "
                f"on {found.parts[1].words}")
    if not found.verdict.clear:
        return NONE_BETTER
    return f"{NOT_HELD} ({in_words(view.held_out)})"


def in_words(lived: Lived) -> str:
    """The second row beside the first, an hour's worth."""
    now, was = ({item.name: float(getattr(lived, item.name)[row].mean()) for item in fields(lived)}
                for row in (1, 0))
    return (f"{now['over_min']:.1f} instead of {was['over_min']:.1f} minutes over the ceiling an hour, "
            f"{now['cues']:.1f} instead of {was['cues']:.1f} cues, "
            f"{now['distance_km']:.2f} instead of {was['distance_km']:.2f} km")


def _recorded(view: RecordedView) -> dict[str, object]:
    return {
        "caution": "heart rate as it was: the runner would have reacted to other cues",
        "hours": round(view.hours, 3), "over_min_per_h": round(view.over_min_per_h, 2),
        "figures": [{"set": number, **one.as_dict()} for number, one in view.figures.items()],
    }


def _respond(view: RespondView) -> dict[str, object]:
    gains = view.held_out_verdict
    return {
        "caution": "simulated runs: behaviour and everything under `published` are not the runner's own",
        "runners": len(view.drawn.people), "session_s": view.drawn.ground.duration_s,
        "learned": list(view.drawn.learned), "published": list(view.drawn.published),
        "not_learned_because": not_learned(view.fit), "held_out_fit": view.report_fit,
        "figures": [{"set": number, **figures(view.lived, row)} for row, number in enumerate(view.rows)],
        "held_out": view.held_out and {
            "present": figures(view.held_out, 0), "best_tried": figures(view.held_out, 1),
            "difference_se": _difference_se(view.held_out),
            "gains": {key: round(value, 4) for key, value in asdict(gains).items()} if gains else None},
    }


def not_learned(fit: Fit | Refusal) -> list[str]:
    """Each reason once, with its fix."""
    if isinstance(fit, Refusal):
        return [str(fit)]
    found = [str(value) for item in fields(fit) if isinstance(value := getattr(fit, item.name), Refusal)]
    return list(dict.fromkeys(found))


def figures(lived: Lived, row: int) -> dict[str, float]:
    """Means over the runs, an hour's worth."""
    return {f"{item.name}_per_h": round(float(getattr(lived, item.name)[row].mean()), 3)
            for item in fields(lived)}


def _difference_se(lived: Lived) -> dict[str, float]:
    """Standard errors of the second row less the first, runner by runner."""
    found = {}
    for item in fields(lived):
        apart = getattr(lived, item.name)[1] - getattr(lived, item.name)[0]
        found[f"{item.name}_per_h"] = round(float(apart.std(ddof=1) / np.sqrt(len(apart))), 3)
    return found
