"""The months as one JSON document and as CSV rows, one a run; pure."""

import math
from collections.abc import Iterator, Sequence

from guard.journal.links import Correlation
from guard.progress import words
from guard.progress.progress import Months, PastSession, half_95
from guard.progress.verdict import Told
from guard.response.spans import Estimate
from guard.units import pace

RUN_COLUMNS = (
    "date", "session", "speed_at_ceiling_m_s", "low_m_s", "high_m_s", "pace_at_ceiling", "refusal",
    "speed_from", "temperature_c", "duration_s", "at_or_under_s", "over_s", "asking_cues",
)


def document(
    months: Months, sessions: Sequence[PastSession], links: Sequence[Correlation], units: str,
) -> dict[str, object]:
    """JSON-ready; fields as in `README.md`."""
    level, step, slopes = months.level, months.level.step if months.level else None, months.slopes
    return {
        "format": 2, "ceiling_bpm": months.ceiling_bpm, "units": units,
        "says": words.headline(months, units),
        "last_run": str(months.last) if months.last else None, "idle_days": months.idle_days,
        "ill": None if months.ill is None else {"since": str(months.ill[0]), "grade": months.ill[1]},
        "heart_from": None if months.heart_from is None else {
            "since": str(months.heart_from[0]), "name": months.heart_from[1]},
        "recent": _told(months.recent), "season": _told(months.season),
        "speed_now_m_s": None if level is None else _known(
            Estimate(level.now, level.now - half_95(level), level.now + half_95(level))),
        "temperatures_missing": level is not None and level.unwritten,
        "step": None if step is None else {
            "chance": round(step.chance, 3), "date": str(months.step_day), "speed_from": step.source or None,
            "share": _number(step.share, 4)},
        "curve": [{"date": str(day), "speed_m_s": _number(speed, 4)} for day, speed in months.curve],
        "learned": None if slopes is None else {
            "bpm_per_m_s": _number(slopes.slope, 2), "drift_bpm_per_h": _number(float(slopes.values[2]), 2),
            "lag_s": slopes.lag_s},
        "months": [{"until": str(day), **(_told(told) or {})} for day, told in months.history],
        "look_first": [{"item": check.key, "now": _number(check.now, 2), "before": _number(check.before, 2),
                        "days": check.days, "worse": check.worse} for check in months.reality],
        "short_sleep": [
            {"begins": str(spell.begins), "ends": str(spell.ends), "hours": _number(spell.hours, 2),
             "usual_hours": _number(spell.usual_hours, 2), "nights": spell.nights,
             "speed_beside_m_s": _known(spell.speed_m_s)} for spell in months.sleep],
        "weeks": [
            {"begins": str(week.begins), "runs": week.runs, "hours": round(week.hours, 3),
             "share_at_or_under": _number(week.share, 4), "jump": _number(week.jump, 3)}
            for week in months.weeks],
        "recent_share_at_or_under": _number(months.recent_share, 4),
        "consistency": None if months.consistency is None else {
            "weeks": months.consistency.weeks, "with_runs": months.consistency.with_runs,
            "usual_runs": months.consistency.usual_runs,
            "usual_hours": round(months.consistency.usual_hours, 3),
            "longest_gap_days": months.consistency.longest_gap_days},
        "checks": [
            {"date": str(day), "stretches": [
                {"name": part.name, "bpm": round(part.bpm, 2), "speed_m_s": _number(part.speed_m_s, 3)}
                for part in parts]} for day, parts in months.checks],
        "check_difference": None if (found := months.difference) is None else {
            "earlier": str(found.earlier), "later": str(found.later), "speed_m_s": round(found.speed_m_s, 3),
            "bpm": round(found.bpm, 2), "error_bpm": round(found.error_bpm, 2), "told": found.told,
            "checks": found.checks},
        "links": [
            {"factor": link.factor, "outcome": link.outcome, "rho": round(link.rho, 3),
             "low": round(link.low, 3), "high": round(link.high, 3), "pairs": link.pairs,
             "effective_pairs": round(link.effective_pairs, 1), "p_corrected": _number(link.p_corrected, 5),
             "clear": link.clear} for link in links],
        "refusals": dict(months.refusals),
        "runs": [dict(zip(RUN_COLUMNS, row, strict=True)) for row in rows(months, sessions, units)],
    }


def rows(months: Months, sessions: Sequence[PastSession], units: str) -> Iterator[list[object]]:
    """One row a run, as `RUN_COLUMNS`; None where not known."""
    for point, session in zip(months.points, sessions, strict=True):
        speed, figures = point.speed, session.figures
        yield [
            str(point.day), point.name,
            speed and round(speed.value, 4), speed and round(speed.low, 4), speed and round(speed.high, 4),
            speed and pace(speed.value, units), point.refusal or None, point.source or None,
            _number(point.temperature_c, 1), round(figures.duration_s, 1), figures.under_s, figures.over_s,
            figures.asking_cues]


def _told(told: Told | None) -> dict[str, object] | None:
    return None if told is None else {
        "verdict": told.verdict.name.lower(), "share": _number(told.share, 5), "low": _number(told.low, 5),
        "high": _number(told.high, 5), "days": round(told.change.days), "runs": told.change.runs}


def _known(known: Estimate | None) -> dict[str, object] | None:
    return None if known is None else {
        "value": _number(known.value, 4), "low": _number(known.low, 4), "high": _number(known.high, 4)}


def _number(value: float | None, digits: int) -> float | None:
    """Rounded; None for what JSON has no number for."""
    return None if value is None or not math.isfinite(value) else round(value, digits)
