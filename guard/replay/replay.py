"""What the guard would have said: a recording's inputs through a new session.

Only what came in is fed; what the guard said at the time is never read, except
to compare. With the settings of the recording, on the same version, the two
are the same to the last digit.
"""

from dataclasses import dataclass, replace
from itertools import zip_longest

from guard.errors import GuardError, InputError, printable
from guard.events import NO_NUMBERS, CueGiven, Output, ReadingDoubted, StateChanged, Summary
from guard.log.recording import Recording
from guard.plan.plan import Plan
from guard.reasons import reason
from guard.session import Session
from guard.settings import Settings

MOST_DIFFERENCES = 10  # named; the rest is counted


@dataclass(frozen=True)
class Replay:
    """Everything said on a replay, in order; `summary` holds the totals (s, bpm-minutes)."""

    settings: Settings
    outputs: tuple[Output, ...]
    summary: Summary

    @property
    def cues(self) -> list[CueGiven]:
        return [output for output in self.outputs if isinstance(output, CueGiven)]

    @property
    def states(self) -> list[StateChanged]:
        return [output for output in self.outputs if isinstance(output, StateChanged)]

    def as_dict(self) -> dict[str, object]:
        """JSON-ready, format 1."""
        return {
            "format": 1,
            "settings": self.settings.as_dict(),
            "cues": [{"t_s": given.t_s, "cue": given.cue.key, "reason": reason(given), "rule": given.rule,
                      "numbers": given.numbers.as_dict()} for given in self.cues],
            "states": [{"t_s": entered.t_s, "state": entered.state.key} for entered in self.states],
            "summary": dict(self.summary),
        }


@dataclass(frozen=True)
class Comparison:
    """Whether a replay said what the log says was said; `compared` outputs."""

    same: bool
    compared: int
    differences: tuple[str, ...]


def replay(recording: Recording, settings: Settings) -> Replay:
    """Feed the recording's inputs and plan to a session with `settings`.

    Raises UsageError when `settings` has no ceiling, InputError when an input
    of the log cannot be taken.
    """
    session = Session(settings, plan_of(recording))
    return Replay(settings, tuple(played(recording, session)), session.summary())


def played(recording: Recording, session: Session) -> list[Output]:
    """All that `session` says to the recording's inputs, up to its end.

    Raises InputError when an input of the log cannot be taken.
    """
    outputs: list[Output] = []
    for event in recording.inputs:
        try:
            outputs += session.feed(event)
        except GuardError as error:
            raise InputError(f"the log cannot be replayed beyond {event.t_s:g} s: {error}") from None
    # `advance` stops just short of a moment; the last one of a session that was
    # interrupted may be that of a timeout.
    outputs += session.advance(recording.end_s + (0.001 if recording.interrupted else 0.0))
    return outputs


def plan_of(recording: Recording) -> Plan | None:
    """The plan the session followed; InputError when it cannot be read."""
    stored = recording.header.get("plan")
    return Plan.from_dict(stored) if stored else None


def same_as_recorded(recording: Recording) -> Comparison:
    """Replay with the recording's own settings and compare all that was said.

    Cues, states and doubts must agree in time, order, rule and numbers, exactly;
    how the reasons are worded is no matter, and where a log gives words only,
    time and order do. What an interrupted session did not live to log is no difference.
    """
    logged = recording.outputs
    again = list(replay(recording, recording.settings).outputs)
    if recording.interrupted:
        again = _as_far_as_logged(recording, logged, again)
    differences = []
    for before, now in zip_longest(logged, again):
        if before is None or now is None or not _same(before, now):
            differences.append(f"logged {_words(before)}; replayed {_words(now)}")
            if len(differences) == MOST_DIFFERENCES:
                break
    return Comparison(not differences, len(logged), tuple(differences))


def _same(logged: Output, again: Output) -> bool:
    """Equal to the last digit in all that the log tells."""
    if isinstance(logged, CueGiven) and isinstance(again, CueGiven) and not logged.rule:
        again = replace(again, rule="", numbers=NO_NUMBERS, part="")
    elif isinstance(logged, StateChanged) and isinstance(again, StateChanged) and not logged.rule:
        again = replace(again, rule="", numbers=NO_NUMBERS)
    elif isinstance(logged, ReadingDoubted) and isinstance(again, ReadingDoubted) and not logged.doubt:
        again = replace(again, doubt="")
    return logged == again


def _as_far_as_logged(recording: Recording, logged: list[Output], again: list[Output]) -> list[Output]:
    inputs = recording.inputs
    # Outputs are logged after the input that brings them, so only those that
    # follow from the last input can be missing.
    whole_s = inputs[-2].t_s if len(inputs) > 1 else 0.0
    extra = again[len(logged):]
    return again[:len(logged)] if all(output.t_s >= whole_s for output in extra) else again


def _words(output: Output | None) -> str:
    if output is None:
        return "nothing"
    at = f"at {output.t_s:g} s"
    why = printable(reason(output))
    if isinstance(output, ReadingDoubted):
        return f"doubt {at} ({why})"
    figures = "".join(f", {name} {value:g}" for name, value in output.numbers.as_dict().items())
    what = f"cue {output.cue.key}" if isinstance(output, CueGiven) else f"state {output.state.key}"
    return f"{what} {at} ({why}; {printable(output.rule or 'no rule told')}{figures})"
