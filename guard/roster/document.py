"""Many runners as one JSON document; pure."""

from collections.abc import Mapping, Sequence
from datetime import date

from guard.roster import words
from guard.roster.folders import FoundRunners
from guard.roster.roster import Line


def document(
    lines: Sequence[Line], found: FoundRunners, units: str, today: date,
) -> dict[str, object]:
    """JSON-ready; see README.md, "`progress --runners`"."""
    return {"format": 1, "today": str(today), "units": units, "runners": [_line(one) for one in lines],
            "in_part": _reasons(found.in_part), "left_out": _reasons(found.left_out)}


def _reasons(why: Mapping[str, str]) -> list[dict[str, str]]:
    return [{"name": name, "why": reason} for name, reason in why.items()]


def _line(line: Line) -> dict[str, object]:
    of = line.standing
    return {
        "name": line.name, "says": words.news(line), "news": line.news.name.lower(),
        "last_run": str(date.fromordinal(of.last)), "idle_days": line.idle_days, "ill_days": line.ill_days,
        "sessions": of.sessions, "weeks": line.weeks, "weeks_with_runs": line.with_runs,
        "usual_hours": round(line.hours, 3),
        "share_over": None if line.share is None else round(1.0 - line.share, 4),
        "ceiling_bpm": of.ceiling_bpm,
        "speed_now_m_s": _three(of.speed, 4), "verdict": of.verdict, "temperatures_missing": of.unwritten,
        "change": _three(of.change, 5), "change_days": of.change_days, "change_runs": of.change_runs}


def _three(found: tuple[float, float, float] | None, digits: int) -> dict[str, float] | None:
    return None if found is None else {
        name: round(value, digits) for name, value in zip(("value", "low", "high"), found, strict=True)}
