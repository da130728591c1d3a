"""`guard replay`: what the guard would have cued on a recording, beside what it did cue."""

import argparse
import sys
from dataclasses import replace
from typing import Any

from guard import __version__
from guard.commands.options import log_path, print_json, readers_units, tell, typed_values, with_ceiling
from guard.errors import EXIT_DIFFERENT, UsageError
from guard.events import Action, Command, CueGiven
from guard.log.recording import Recording, read_log
from guard.replay import terminal as show
from guard.replay.compare import WINDOW_S, Compared, compare, counted
from guard.replay.replay import Replay, replay, same_as_recorded
from guard.screen.report import console_and_look


def run(args: argparse.Namespace) -> int:
    changes = typed_values(args)
    path = log_path(args.file)
    recording = read_log(path)
    for note in recording.notes:
        tell(note)
    if args.verify:
        if changes:
            raise UsageError("--verify uses the settings of the log: leave --set and --ceiling out")
        return _verify(recording, as_json=args.json)
    settings = with_ceiling(recording.settings.replaced(changes), path)
    if "ceiling_bpm" in changes and any(
            isinstance(event, Command) and event.action is Action.CEILING for event in recording.inputs):
        print("note: the runner changed the ceiling during this session; the replay does too",
              file=sys.stderr)
    result = replay(recording, settings)
    against, compared = _compared(recording, result, changes)
    if args.json:
        document = result.as_dict()
        document["compared"] = None if against is None else {
            "against": against, "window_s": WINDOW_S, **counted(compared),
            "cues": [one.as_dict() for one in compared]}
        print_json(document)
        return 0
    result = replace(result, settings=result.settings.replaced({**readers_units(), **changes}))
    console, look = console_and_look()
    show.show_heading(console, recording, result)
    if against is not None and changes:
        title = "then" if against == "recorded" else "before"
        show.show_comparison(console, look, recording, result, compared, title)
    else:
        show.show_session(console, look, result)
        if against is not None and any(one.change != "same" for one in compared):
            print("not all of it as it was said at the time: `--verify` shows the differences")
    show.show_totals(result)
    return 0


def _compared(
    recording: Recording, result: Replay, changes: dict[str, Any]
) -> tuple[str | None, list[Compared]]:
    """What the replay is compared with, and the comparison; (None, []) where there is nothing.

    An import holds no cues: other settings are compared with a replay under its own, if it has a ceiling.
    """
    if recording.outputs:
        made_by = str(recording.header.get("guard"))[:20]
        if changes and (recording.damaged or made_by != __version__) and not same_as_recorded(recording).same:
            why = "lines are missing" if recording.damaged else f"the log was made by guard {made_by!r}"
            tell(f"{why}, so some differences do not come from the settings")
        said = [output for output in recording.outputs if isinstance(output, CueGiven)]
        return "recorded", compare(said, result.cues)
    if changes and recording.settings.ceiling_bpm is not None:
        return "replayed", compare(replay(recording, recording.settings).cues, result.cues)
    return None, []


def _verify(recording: Recording, *, as_json: bool) -> int:
    if not recording.outputs:
        raise UsageError("nothing was said in this recording (an import?): there is nothing to compare")
    result = same_as_recorded(recording)
    made_by = str(recording.header.get("guard"))[:20]
    if not result.same and made_by != __version__:
        tell(f"the log was made by guard {made_by!r}, this is {__version__}")
    if not result.same and recording.damaged:
        tell("lines of the log are missing, so a replay may differ")
    if as_json:
        print_json({"format": 1, "same": result.same, "compared": result.compared,
                    "differences": list(result.differences)})
    elif result.same:
        print(f"the same: {result.compared} cues, states and doubts, to the last digit")
    else:
        print("not the same:", *result.differences, sep="\n  ")
    return 0 if result.same else EXIT_DIFFERENT
