"""`guard replay`: what the guard would have cued on a recording."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from guard.commands.options import FIND_A_CEILING, add_settings_options, typed_values
from guard.errors import UsageError

if TYPE_CHECKING:
    from guard.keep.recording import Recording
    from guard.study.replay import Replay

EXIT_DIFFERENT = 1


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="a session log (.jsonl) or what `guard import` made")
    add_settings_options(parser)
    parser.add_argument("--verify", action="store_true",
                        help="check that a replay says exactly what was said at the time (exit 1 if not)")
    parser.add_argument("--json", action="store_true", help="one JSON document on stdout, notes on stderr")


def run(args: argparse.Namespace) -> int:
    from guard.events import Action, Command
    from guard.keep.recording import read_log
    from guard.study.replay import replay

    changes = typed_values(args)
    recording = read_log(args.file)
    for note in recording.notes:
        print(f"note: {note}", file=sys.stderr)
    if args.verify:
        if changes:
            raise UsageError("--verify uses the settings of the log: leave --set and --ceiling out")
        return _verify(recording, as_json=args.json)
    settings = recording.settings.replaced(changes)
    if settings.ceiling_bpm is None:
        raise UsageError(f"{args.file} holds no ceiling: add --ceiling BPM. To find yours, {FIND_A_CEILING}")
    if "ceiling_bpm" in changes and any(
            isinstance(event, Command) and event.action is Action.CEILING for event in recording.inputs):
        print("note: the runner changed the ceiling during this session; the replay does too",
              file=sys.stderr)
    result = replay(recording, settings)
    if args.json:
        import json

        print(json.dumps(result.as_dict(), indent=2, ensure_ascii=False))
    else:
        _show(recording, result)
    return 0


def _verify(recording: Recording, *, as_json: bool) -> int:
    from guard import __version__
    from guard.study.replay import same_as_recorded

    if not recording.outputs:
        raise UsageError("nothing was said in this recording (an import?): there is nothing to compare")
    result = same_as_recorded(recording)
    made_by = str(recording.header.get("guard"))[:20]
    if not result.same and made_by != __version__:
        print(f"note: the log was made by guard {made_by!r}, this is {__version__}", file=sys.stderr)
    if not result.same and recording.damaged:
        print("note: lines of the log are missing, so a replay may differ", file=sys.stderr)
    if as_json:
        import json

        print(json.dumps({"format": 1, "same": result.same, "compared": result.compared,
                          "differences": list(result.differences)}, indent=2, ensure_ascii=False))
    elif result.same:
        print(f"the same: {result.compared} cues, states and doubts, to the last digit")
    else:
        print("not the same:", *result.differences, sep="\n  ")
    return 0 if result.same else EXIT_DIFFERENT


def _show(recording: Recording, result: Replay) -> None:
    from rich import box
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    from guard.events import ReadingDoubted
    from guard.screen.words import clock

    settings = result.settings
    made_with = recording.settings.as_dict()
    changed = [f"{key} {value}" for key, value in settings.as_dict().items()
               if key != "ceiling_bpm" and value != made_with[key]]
    console = Console(highlight=False)
    console.print(", ".join([f"ceiling {settings.ceiling_bpm:g} bpm", f"{clock(recording.end_s)} recorded",
                             *changed]), markup=False)
    grid = Table(box=box.SIMPLE_HEAD if console.encoding.lower() in ("utf-8", "utf8") else box.ASCII,
                 pad_edge=False)
    grid.add_column("time", justify="right", no_wrap=True)
    grid.add_column("state")
    grid.add_column("cue")
    grid.add_column("why", ratio=1)
    for t_s, state, cue, why in _rows(result):
        grid.add_row(clock(t_s), escape(state), escape(cue), escape(why))
    console.print(grid)
    summary = result.summary
    cues = ", ".join(f"{count} {key.replace('_', ' ')}" for key, count in summary["cues"].items())
    doubts = sum(isinstance(output, ReadingDoubted) for output in result.outputs)
    print(f"at or under the ceiling {clock(summary['at_or_under_s'])}, over {clock(summary['over_s'])} "
          f"({summary['over_bpm_min']:.1f} bpm-minutes), no signal {clock(summary['no_signal_s'])}\n"
          f"cues: {cues or 'none'} ({summary['cues_per_h']:.1f} an hour)"
          + (f"\nreadings not believed: {doubts}" if doubts else ""))


def _rows(result: Replay) -> list[tuple[float, str, str, str]]:
    """(time in s, state, cue, reason); a cue joins the change of state it came with."""
    from guard.decide.wording import headline
    from guard.events import CueGiven, StateChanged
    from guard.screen.words import state_name

    rows: list[tuple[float, str, str, str]] = []
    for output in result.outputs:
        if isinstance(output, StateChanged):
            rows.append((output.t_s, state_name(output.state), "", output.reason))
        elif isinstance(output, CueGiven):
            state = ""
            if rows and rows[-1][0] == output.t_s and rows[-1][2:] == ("", output.reason):
                state = rows.pop()[1]
            rows.append((output.t_s, state, headline(output, result.settings), output.reason))
    return rows
