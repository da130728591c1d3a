"""The end of a session in a few lines."""

from collections.abc import Mapping, Sequence

from guard.cues import CUE_NAMES
from guard.events import Summary
from guard.screen.words import clock


def summary_rows(summary: Summary) -> list[tuple[str, str]]:
    """(fact, value) pairs of a session's summary."""
    over_s, under_s = float(summary["over_s"]), float(summary["at_or_under_s"])
    known_s = over_s + under_s
    share = f" ({100 * under_s / known_s:.0f} % of the time with a trusted heart rate)" if known_s else ""
    named = counted(summary["cues"])
    cues = f"{named} ({summary['cues_per_h']:.0f} pace cues an hour)" if named else "none"
    return [
        ("duration", clock(summary["duration_s"])),
        ("at or under the ceiling", clock(under_s) + share),
        ("over the ceiling", over(summary)),
        ("no signal", clock(summary["no_signal_s"])),
        ("cues", cues),
    ]


def counted(cues: Mapping[str, int]) -> str:
    """How many of each cue, by its name and in the order of the cues; empty for none."""
    known = [key for key in (*CUE_NAMES, *sorted(set(cues) - set(CUE_NAMES))) if cues.get(key)]
    return ", ".join(f"{CUE_NAMES.get(key, key)} {cues[key]}" for key in known)


def over(summary: Summary) -> str:
    """Time over the ceiling, and how far over that was."""
    return f"{clock(float(summary['over_s']))} ({summary['over_bpm_min']:.1f} bpm x min)"


def summary_lines(summary: Summary, beside: Sequence[tuple[str, str]] = ()) -> list[str]:
    """The same, and what is to stand beside it, as aligned plain lines."""
    rows = [*summary_rows(summary), *beside]
    width = max(len(fact) for fact, _ in rows)
    return [f"{fact:<{width}}  {value}" for fact, value in rows]
