"""What `guard ceiling` is told, by options, files and what was remembered, as one `Runner`.

Answers are kept as a plain dict (JSON-ready), so that a later call needs only
what is new: `{"age": 40, "age_on": "2026-03-02", "resting": 55, ...}`. Tests
carry the day they were given.
"""

import argparse
import math
import re
from collections.abc import Mapping
from datetime import date, timedelta
from itertools import islice
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from guard.ceiling.advice import TEST_HOLDS
from guard.ceiling.field_tests import field_test, stages, talk_test
from guard.ceiling.lactate import LactateStep, thresholds
from guard.ceiling.methods import (
    SAFETY,
    USUAL_BAND,
    FieldTest,
    Laboratory,
    Runner,
    TalkTest,
    refuse_nonsense,
    shares,
)
from guard.csv.table import number as cell_number
from guard.csv.table import open_table
from guard.errors import GuardError, InputError, UsageError, printable
from guard.events import Cue, CueGiven, Mark, Reading, ReadingDoubted, Speed
from guard.journal.journal import read
from guard.log.recording import Recording, read_log
from guard.plan.plan import Kind
from guard.replay.replay import plan_of
from guard.session.speeds import in_force

MOST_LINES = 1000  # of a file; far above any graded test
# Newest mornings whose median is the resting heart rate; fewer tell none (ours).
RESTING_MORNINGS, FEWEST_MORNINGS = 14, 3


def typed_answers(args: argparse.Namespace, today: date) -> dict[str, object]:
    """Answers given as options; None takes a remembered one away. Files are read here."""
    found: dict[str, Any] = {}
    for key in ("age", "resting", "maximum"):
        text = getattr(args, key)
        if text is not None:
            found[key] = None if text == "none" else number(f"--{key}", text)
    if found.get("age") is not None:
        found["age_on"] = today.isoformat()
    if args.band is not None:
        shares(args.band)
        found["band"] = args.band
    if args.healthy:
        found |= dict.fromkeys(SAFETY, False)
    found |= {key: getattr(args, key) for key in SAFETY if getattr(args, key) is not None}
    for key in ("first_threshold", "second_threshold"):
        if (text := getattr(args, key)) is not None:
            option = "--" + key.replace("_", "-")
            found[key] = None if text == "none" else {"bpm": number(option, text), "on": today.isoformat()}
    for key, given, take in (("talk", args.talk_test, talk_answer), ("field", args.field_test, field_answer),
                             ("lactate", args.lactate, lactate_answer)):
        if given is not None:
            off = given in ("none", ["none"])
            found[key] = None if off else {**take(given), "on": today.isoformat()}
    return found


def merged(remembered: Mapping[str, object], new: Mapping[str, object]) -> dict[str, object]:
    """Remembered answers with new ones over them; what was taken away is gone."""
    return {key: value for key, value in {**remembered, **new}.items() if value is not None}


def runner_of(answers: Mapping[str, object], today: date, notes: list[str]) -> Runner:
    """The runner that the answers describe today. UsageError or InputError where they cannot be."""
    try:
        runner = _runner(answers, today, notes)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        if isinstance(error, GuardError):
            raise
        raise InputError("the remembered answers are damaged: `guard ceiling --forget` starts over") from None
    refuse_nonsense(runner)
    return runner


def _runner(answers: Mapping[str, Any], today: date, notes: list[str]) -> Runner:
    age = _number(answers.get("age"))
    if age is not None and "age_on" in answers:
        passed = max(0, (today - date.fromisoformat(answers["age_on"])).days) // 365.25
        if passed:
            age += passed
            notes.append(f"your age is taken as {age:g} now: {passed:g} more than when you gave it")
    resting = _number(answers.get("resting"))
    if resting is None:
        resting = _resting_of_journal(today, notes)
    talk = field = None
    lactate: tuple[Any, ...] = ()
    if test := _fresh(answers.get("talk"), "talk test", today, notes):
        talk = TalkTest(float(test["bpm"]), str(test.get("note", "")))
    if test := _fresh(answers.get("field"), "field test", today, notes):
        field = FieldTest(float(test["bpm"]), float(test["drift_percent"]), _number(test.get("fade_percent")))
    if test := _fresh(answers.get("lactate"), "lactate test", today, notes):
        steps = [LactateStep(*map(float, step)) for step in test["steps"]]
        rest = LactateStep(*map(float, test["rest"])) if test.get("rest") else None
        lactate = tuple(thresholds(steps, rest))
        missed = [one.method for one in lactate if one.bpm is None]
        if missed:
            notes.append(f"the lactate test does not reach: {', '.join(missed)}")
    flags = {key: answers.get(key) for key in SAFETY}
    if any(value not in (None, True, False) for value in flags.values()):
        raise ValueError
    if flags["recovering"] is None and answers.get("history") == "ill":  # as an earlier version asked
        flags["recovering"] = True
    limits = [_fresh(answers.get(f"{name}_threshold"), f"{name} threshold", today, notes)
              for name in ("first", "second")]
    laboratory = Laboratory(*(float(one["bpm"]) if one else None for one in limits))
    band = str(answers.get("band", USUAL_BAND))
    return Runner(age, resting, _number(answers.get("maximum")), band, talk=talk, field=field,
                  lactate=lactate, laboratory=laboratory, **flags)


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def _fresh(test: Any, name: str, today: date, notes: list[str]) -> Any:
    """The test unless it is too old to count any more."""
    if test is None:
        return None
    day = date.fromisoformat(test["on"])
    if today - day > TEST_HOLDS:
        notes.append(f"your {name} of {day} is over a year old and left out: do it again")
        return None
    if today - day > timedelta(0):
        notes.append(f"{name} of {day}")
    return test


def _resting_of_journal(today: date, notes: list[str]) -> float | None:
    try:
        entries = read().entries
    except GuardError as error:
        notes.append(f"the journal was not looked at: {error}")
        return None
    values = [one.resting_bpm for one in entries
              if one.resting_bpm is not None and today - timedelta(days=60) <= one.day <= today]
    values = values[-RESTING_MORNINGS:]
    if len(values) < FEWEST_MORNINGS:
        return None
    notes.append(f"resting heart rate from your journal: median of {len(values)} mornings")
    return float(median(values))


def number(name: str, text: str) -> float:
    """A finite number typed for option `name` ("" under a question); UsageError otherwise."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageError(f"{printable(text)[:30]} is no number", "write it in digits", option=name)
    return value


def talk_answer(text: str) -> dict[str, object]:
    """`--talk-test`: bpm, or a recording with the stages and the mark."""
    if is_number(text):
        return {"bpm": number("--talk-test", text)}
    recording, times, bpm = _believed(text)
    try:
        found = talk_test(times, bpm, stages(_test_parts(recording)), next(iter(_marks(recording)), None))
    except InputError as error:
        raise InputError(f"{printable(text)} gives no talk test: {error}") from None
    return {"bpm": found.bpm, "note": found.note}


def field_answer(text: str) -> dict[str, object]:
    """`--field-test`: a recording of the half hour."""
    if is_number(text):
        raise UsageError(f"--field-test {text} is a number: give the recording of the half hour, "
                         "`guard ceiling --how field-test` says how to make it")
    recording, times, bpm = _believed(text)
    parts, marks = _test_parts(recording), _marks(recording)
    longest = max(parts, key=lambda one: one[1] - one[0], default=None)
    part = (marks[0], marks[-1]) if len(marks) > 1 else longest
    try:
        found = field_test(times, bpm, part, _speeds(recording))
    except InputError as error:
        raise InputError(f"{printable(text)} gives no field test: {error}") from None
    return {"bpm": found.bpm, "drift_percent": found.drift_percent, "fade_percent": found.fade_percent}


def is_number(text: str) -> bool:
    """Whether an answer is a number, not the name of a recording."""
    return re.fullmatch(r"-?\d+([.,]\d+)?", text.strip()) is not None


def _believed(file: str) -> tuple[Recording, Any, Any]:
    """The recording with the times and bpm of the readings that the guard believed."""
    recording = read_log(file)
    doubted = {one.t_s for one in recording.outputs if isinstance(one, ReadingDoubted)}
    good = [one for one in recording.inputs if isinstance(one, Reading) and one.t_s not in doubted
            and 30 <= one.bpm <= 230 and one.contact is not False]
    return (recording, np.array([one.t_s for one in good], dtype=np.float64),
            np.array([one.bpm for one in good], dtype=np.float64))


def _speeds(recording: Recording) -> list[tuple[float, float]]:
    """(time, m/s) of the speeds that held."""
    return [(one.t_s, one.speed_m_s)
            for one in in_force(one for one in recording.inputs if isinstance(one, Speed))
            if one.speed_m_s is not None]


def _marks(recording: Recording) -> list[float]:
    return [one.t_s for one in recording.inputs if isinstance(one, Mark)]


def _test_parts(recording: Recording) -> list[tuple[float, float]]:
    """Begin and end of the plan's test parts, from the cues that began each part."""
    plan = plan_of(recording)
    if plan is None:
        return []
    begun, place = [(0.0, plan.parts[0].kind)], 0
    for one in recording.outputs:
        if isinstance(one, CueGiven) and one.cue is Cue.PART:
            # By name where the cue has one: the runner may have gone past the rest of a repeat.
            ahead = range(place + 1, len(plan.parts))
            place = next((at for at in ahead if plan.parts[at].name == one.part), place + 1)
            begun.append((one.t_s, plan.parts[place].kind if place < len(plan.parts) else Kind.EASY))
    ends = [*(begin for begin, _ in begun[1:]), recording.end_s]
    return [(begin, end) for (begin, kind), end in zip(begun, ends, strict=True)
            if kind is Kind.TEST and end > begin]


def lactate_answer(words: list[str]) -> dict[str, object]:
    """`--lactate`: a CSV file, or steps typed as INTENSITY:BPM:MMOL or BPM:MMOL."""
    if len(words) == 1 and not re.fullmatch(r"[^:/\\]+(:[^:/\\]+){1,2}", words[0]):
        rows = _lactate_file(Path(words[0]))
    else:
        rows = [_typed_step(word) for word in words]
    if len({len(row) for row in rows}) > 1:
        raise UsageError("some lactate steps have an intensity and some have not: give it for all or none")
    steps = [LactateStep(*row) if len(row) == 3 else LactateStep(row[0], row[0], row[1]) for row in rows]
    rest = steps.pop(0) if steps and steps[0].intensity == 0 else None
    thresholds(steps, rest)  # refuses what is no test
    kept: dict[str, Any] = {"steps": [[one.intensity, one.bpm, one.lactate_mmol] for one in steps]}
    return kept | ({"rest": [rest.intensity, rest.bpm, rest.lactate_mmol]} if rest else {})


def _typed_step(word: str) -> list[float]:
    parts = word.split(":")
    if len(parts) not in (2, 3):
        raise UsageError(f"--lactate {printable(word)[:40]} is not a step: write INTENSITY:BPM:MMOL "
                         "or BPM:MMOL, or give one CSV file")
    return [number("--lactate", part) for part in parts]


def _lactate_file(path: Path) -> list[list[float]]:
    columns = ["heart_rate", "lactate"]
    table = open_table(path, columns)
    if "intensity" in map(str.casefold, table.columns):
        columns.insert(0, "intensity")
    found = []
    for line, cells in islice(table.rows(), MOST_LINES):
        values = [cell_number(cells[place]) if place < len(cells) else None
                  for place in map(table.index, columns)]
        known = [value for value in values if value is not None]
        if len(known) < len(columns):
            raise InputError(f"{printable(path)}, line {line}: "
                             f"write a number for each of {', '.join(columns)}")
        found.append(known)
    return found
