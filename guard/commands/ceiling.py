"""`guard ceiling`: every method the runner has figures for, side by side, and a cautious suggestion."""

import argparse
import contextlib
import tomllib
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from guard.ceiling import inputs as ceiling_inputs
from guard.ceiling import results as ceilings
from guard.ceiling.advice import cautions, suggest
from guard.ceiling.methods import SAFETY, methods
from guard.ceiling.questions import ask, ask_safety
from guard.ceiling.terminal import show
from guard.clock import wall_now
from guard.commands.options import can_ask, log_path, own_settings, print_json, tell
from guard.errors import UsageError
from guard.files import marks
from guard.screen.cautions import FOR_EVERY_RUN
from guard.settings import file as settings_file

HOW = Path(ceiling_inputs.__file__).with_name("how.toml")  # how to make each test


def run(args: argparse.Namespace) -> int:
    if args.how:
        print(tomllib.loads(HOW.read_text(encoding="utf-8"))[args.how])
        return 0
    if args.forget:
        gone = ceilings.forget()
        print("all remembered answers and results are forgotten" if gone else "nothing was remembered")
        return 0
    for test in ("talk_test", "field_test"):
        text = getattr(args, test)
        if text is not None and text != "none" and not ceiling_inputs.is_number(text):
            setattr(args, test, log_path(text))
    today = wall_now().date()
    earlier = ceilings.results()
    remembered = earlier[-1].answers if earlier else {}
    typed = ceiling_inputs.typed_answers(args, today)
    if args.ask and not can_ask():
        raise UsageError("--ask needs a terminal: give the answers as options, see --help")
    asks_all = args.ask or (not typed and not remembered and can_ask() and not args.json)
    if asks_all:
        typed |= ask(ceiling_inputs.merged(remembered, typed), today)
    answers = ceiling_inputs.merged(remembered, typed)
    if typed and not asks_all and not args.json and can_ask():
        ceiling_inputs.runner_of(answers, today, [])  # refuses what cannot be before it asks for more
        typed |= _what_is_missing(answers, today, first=not remembered)
        answers = ceiling_inputs.merged(remembered, typed)
    if not answers:
        raise UsageError("nothing is known about you yet: begin with "
                         "`guard ceiling --age YEARS --resting BPM`, or run it in a terminal to be asked")
    notes: list[str] = []
    runner = ceiling_inputs.runner_of(answers, today, notes)
    rows = methods(runner)
    suggestion = suggest(runner, rows)
    own = own_settings(notes.append)
    if suggestion.bpm is None and (bpm := own.ceiling_bpm) is not None:
        notes.append(f"the ceiling you keep, {bpm:g} bpm, stays set; to remove it until you have asked: "
                     "guard settings --unset ceiling_bpm")
    document = _document(runner, rows, suggestion)
    if typed or args.apply:
        ceilings.remember(ceilings.Result(today, answers, document))
    kept = None
    if args.apply:
        if suggestion.bpm is None:
            raise UsageError(f"nothing to apply: {suggestion.reason}")
        kept = str(settings_file.save({"ceiling_bpm": float(suggestion.bpm)}))
    if args.json:
        for note in [*notes, *([f"ceiling_bpm is now {suggestion.bpm}, kept in {kept}"] if kept else [])]:
            tell(note)
        print_json(document)
    else:
        since = today if typed or not earlier else earlier[-1].day
        show(runner, rows, suggestion, notes=notes, kept=kept, since=since, today=today,
             stop_bpm=own.stop_bpm, cautions_read=marks.is_done(marks.CAUTIONS_READ))
    return 0


def _what_is_missing(answers: Mapping[str, object], today: date, *, first: bool) -> dict[str, object]:
    """Asked on a terminal once a flag was given: the first time every figure that is missing, later what a
    suggestion cannot do without."""
    if first:
        return ask(answers, today, missing_only=True)
    missing = [key for key in SAFETY if answers.get(key) is None]
    with contextlib.suppress(EOFError):
        return dict(ask_safety({}, missing))
    return {}


def _document(runner: Any, rows: Any, suggestion: Any) -> dict[str, Any]:
    return {
        "format": 1,
        "methods": [{"method": row.method, "bpm": row.bpm, "low_bpm": row.low_bpm, "high_bpm": row.high_bpm,
                     "source": row.source, "note": row.note} for row in rows],
        "suggestion": {"bpm": suggestion.bpm, "reason": suggestion.reason},
        "cautions": [*cautions(runner, suggestion), *FOR_EVERY_RUN],
    }
