"""`guard start`: one guided path from nothing to the first guarded run.

Each step is a command of its own, called with what the runner answers here.
What fails is said, and the step stays open.
"""

import argparse
import contextlib
import io
import sys
from collections.abc import Callable

from guard.ceiling import results
from guard.commands import check
from guard.commands.arguments import COMMANDS, run_command
from guard.commands.options import is_terminal, own_settings
from guard.devices import remembered
from guard.errors import GuardError, printable
from guard.files import marks
from guard.files.folders import config_dir
from guard.library.library import sessions
from guard.plan.examples import EXAMPLES
from guard.plan.file import write_new
from guard.screen.cautions import shown_once
from guard.screen.lines import filled
from guard.settings import Settings
from guard.sound.player import why_off
from guard.sound.preflight import SOUND_OUTPUT
from guard.start.path import Facts, StartStep, listing, next_step, typed_step

TALK_TEST = "talk-test.toml"
_CEILING = (
    "1  I know mine, from a test or from a professional",
    "2  I will have it tested: the most certain way; the first run waits for it",
    "3  a talk test now, timed by the guard: 40 minutes, from easy to steady, for runners who were told a "
    "heart rate never to exceed. It is measured on you; it tends to read high, so 5 beats are taken off",
    # 76 % of the error of a maximum by age, 10.8 bpm (Nes 2013)
    "4  a cautious start from age and resting heart rate: formulas; two runners in three lie within about "
    "8 beats of them. A talk test later narrows it",
)
_TESTED = """\
Ask for the heart rate at your first threshold (lactate or breathing), from a
graded test, and whether there is a heart rate you should never pass. Then:
  guard settings ceiling_bpm=BPM
  guard settings stop_bpm=BPM      (only if there is such a limit)
and `guard start` goes on from here."""
_TALK = """\
The plan says each part aloud: 10 minutes to warm up, six stages of 3 minutes,
each a little faster, 10 minutes to cool down. When it says "say it aloud", say
thirty words you know by heart. As soon as that is no longer comfortable press m
(mark), then n for the cool-down."""


class _Left(Exception):
    """The runner would rather go on another time."""


def run(args: argparse.Namespace) -> int:
    left: set[StartStep] = set()
    step = next_step(_facts(), left)
    if not is_terminal(sys.stdin, sys.stdout):
        _list(step)
        return 0
    print("From nothing to your first guarded run.\n")
    _list(step)
    try:
        while step is not None:
            _one(step, left)
            step = next_step(_facts(), left)
    except (_Left, KeyboardInterrupt):
        print()
    print()
    _list(next_step(_facts(), set()))
    return 0


def _one(step: StartStep, left: set[StartStep]) -> None:
    """Offer a step, and do it or the one whose number is typed."""
    _head(step)
    while True:
        word = _ask("Enter does it, s skips it for now, a number goes to that step, q leaves. ").lower()
        if word in ("q", "quit"):
            raise _Left
        if word in ("s", "later"):
            left.add(step)
            return
        if other := typed_step(word):
            if other is not step:
                _head(other)
            step = other
            break
        if not word:
            break
        print(f"That is none of them: {word[:20]}")
    left.discard(step)
    print()
    try:
        _DO[step]()
    except GuardError as error:
        _complain(error)
    except KeyboardInterrupt:
        print("\nleft")
    if not _facts().of(step)[0]:
        if step is not StartStep.TRY:  # the lesson says so itself
            print(filled(f"\nLeft open: {step.title}. It can also be done by `{step.by_hand}`."))
        left.add(step)


def _head(step: StartStep) -> None:
    print(f"\n{step.number}  {step.title}\n{filled(step.about)}")


def _list(here: StartStep | None) -> None:
    facts = _facts()
    print("\n".join(filled(line, later=" " * 18) for line in listing(facts, here)))
    if here is None:
        print()
        print(filled("All done. `guard run` guards a run, `guard review` shows how it went, "
                      "`guard --help` the rest."))
    elif is_terminal(sys.stdin, sys.stdout):
        print()
        print(filled("Every step can be left and taken up again: `guard start` goes on where you were."))
    else:
        open_steps = [step for step in StartStep if not facts.of(step)[0]]
        print("\nIn a terminal `guard start` goes through them. By hand:")
        print("\n".join(f"  {step.title:<16}{step.by_hand}" for step in open_steps))


def _facts() -> Facts:
    known = remembered.remembered(_quiet)
    settings, runs = _settings(), 0
    with contextlib.suppress(GuardError):
        # an imported run was not guarded: it holds no ceiling
        runs = sum(not entry.problem and entry.ceiling_bpm is not None for entry in sessions())
    return Facts(
        sound_heard=marks.is_done(marks.SOUND), tried=marks.is_done(marks.LESSON),
        strap=(printable(known.name) or known.address) if known else None,
        cautions_read=marks.is_done(marks.CAUTIONS_READ), ceiling_bpm=settings.ceiling_bpm, runs=runs)


def _settings() -> Settings:
    with contextlib.suppress(GuardError):
        return own_settings(_quiet)
    return Settings()


def _quiet(sentence: str) -> None:
    """What is wrong with a file is said by the step that needs it."""


# -- the steps


def _sound() -> None:
    """Play every cue; whether it was heard is asked only where a sound left this machine."""
    settings = _settings()
    silent = bool(why_off(settings))
    for one in check.sound_checks(settings, play=not silent):
        check.show(one)
        silent |= one.name == SOUND_OUTPUT and not one.ok
    if silent:
        print(filled("Without sound the screen still shows every cue."))
    elif _yes("\nDid you hear the cues, and could you tell the words?"):
        marks.mark(marks.SOUND)
    else:
        print("Turn the volume up or connect headphones or a loudspeaker, and try again.")


def _strap() -> None:
    _called("straps")
    name = _ask("\nYours, by name or address (Enter: none of them): ")
    if name:
        _called("straps", f"--remember={name}")


def _cautions() -> None:
    if not shown_once(config_dir(), reader=sys.stdin, writer=sys.stdout):
        raise _Left


def _ceiling() -> None:
    print("\n".join(filled(choice, "  ", "     ") for choice in _CEILING))
    choice: dict[str, Callable[[], object]] = {
        "1": _known, "2": lambda: print(_TESTED), "3": _talk_test, "4": _by_formula}
    while word := _ask("1 to 4, or Enter for later: "):
        try:
            if word in choice and choice[word]() is not False:
                return
        except GuardError as error:
            _complain(error)


def _known() -> None:
    word = _ask("Your ceiling, bpm: ")
    if word:
        _called("settings", f"ceiling_bpm={word}")


def _by_formula() -> None:
    _called("ceiling", "--ask")
    _offer_suggestion()


def _talk_test() -> bool:
    """The test is run under the cautious suggestion, which guards its warm-up and cool-down.

    False where it cannot be taken, so that another way may be chosen.
    """
    if _settings().stop_bpm is None:
        stop = _ask("The heart rate you must never exceed, from whoever tested or treats you (Enter: none): ")
        if not stop:
            print(filled("Without it the guard does not time this test: nothing else would guard its "
                          "stages. Choose 2 or 4, or take the test by yourself: `guard ceiling --how "
                          "talk-test`."))
            return False
        _called("settings", f"stop_bpm={stop}")
    print("\nFirst the reasons not to take this test unsupervised, then a cautious limit for its warm-up.")
    _called("ceiling", "--ask")
    bpm = _suggested()
    if bpm is None:
        return False
    print(f"\n{_TALK}")
    if not _yes("Strap on and ready to run?"):
        return True
    plan = config_dir() / TALK_TEST
    if not plan.exists():
        write_new(str(plan), EXAMPLES["talk-test"])
    before = len(sessions())
    _called("run", f"--plan={plan}", f"--ceiling={bpm:g}", "--no-note")
    results_before = results.results()
    logs = sessions()
    if len(logs) > before:
        print()
        _called("ceiling", f"--talk-test={logs[-1].path}")
        if results.results() != results_before:
            _offer_suggestion()
    return True


def _suggested() -> float | None:
    kept = results.results()
    suggestion = kept[-1].document.get("suggestion") if kept else None
    bpm = suggestion.get("bpm") if isinstance(suggestion, dict) else None
    return float(bpm) if isinstance(bpm, int | float) else None


def _offer_suggestion() -> None:
    bpm = _suggested()
    if bpm is not None and _yes(f"\nKeep {bpm:.0f} as your ceiling?"):
        with contextlib.redirect_stdout(io.StringIO()):  # it has just been shown
            _called("ceiling", "--apply")
        print(f"kept: {bpm:.0f} bpm. In a run `[` and `]` move it for that run")


def _try() -> None:
    _called("rehearse", "--lesson")


def _run() -> None:
    if _facts().ceiling_bpm is None:
        print("A ceiling comes first: step 4.")
        return
    _called("run")


_DO: dict[StartStep, Callable[[], None]] = {
    StartStep.SOUND: _sound, StartStep.STRAP: _strap, StartStep.CAUTIONS: _cautions,
    StartStep.CEILING: _ceiling, StartStep.TRY: _try, StartStep.RUN: _run,
}


# -- asking


def _complain(error: GuardError) -> None:
    print(f"\n{filled(printable(str(error)))}\n")


def _called(name: str, *words: str) -> int:
    """A command of the guard, with these words after it."""
    parser = argparse.ArgumentParser(prog="guard", exit_on_error=False)
    COMMANDS[name].describe(parser)
    return run_command(parser.parse_args(words, argparse.Namespace(command=name)))


def _ask(question: str) -> str:
    lead = question[:len(question) - len(question.lstrip("\n"))]
    print(f"{lead}{filled(question.strip())} ", end="", flush=True)
    line = sys.stdin.readline()
    if not line:
        raise _Left
    return line.strip()


def _yes(question: str) -> bool:
    return _ask(f"{question} y or n: ").lower().startswith("y")
