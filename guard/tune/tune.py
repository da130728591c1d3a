"""Search settings over recordings, in two views that are never mixed up.

*As recorded* plays the settings over heart rates that stay as they were;
*as you would respond* lets the cues change simulated runs of runners like the
one recorded. Only the second can recommend: it is chosen on two thirds of the
recordings (of the time, where there are fewer than three) and reported on the
last third, with other luck.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from guard.errors import GuardError
from guard.response.fit import Fit, Refusal, learn
from guard.response.series import Stretch
from guard.settings import Settings
from guard.tune.choose import Changes, SetGains, best_rows, settled, verdicts
from guard.tune.lanes import LOOK_EVERY, Heard, Unit, joined, play, units
from guard.tune.recorded import Over, Recorded, figures, over_min_per_h, spells
from guard.tune.respond import Lived, Trial, live, trials
from guard.tune.respond import joined as joined_lives
from guard.tune.runners import Drawn, draw_runners
from guard.tune.source import LoggedRun, ReadRecording, Span, SpanGround, TunedRecording, spans, take
from guard.tune.space import SearchedSetting, around, spread
from guard.tune.tape import Tape
from guard.workers.pool import Interrupted, Pool
from guard.workers.workers import Workers

TellProgress = Callable[[str, float], None]

SPREAD_SHARE = 0.6  # of the tries; the rest goes around the best
GOOD, FINALISTS = 8, 6  # of the search that others are tried around; that meet more runners (ours)
READ_TOGETHER = 8  # recordings a piece of work, where there are many: about three seconds
FINAL_TIMES, REPORT_TIMES = 3, 6  # as many runners as in the search


@dataclass(frozen=True)
class Portion:
    """A share of the recordings: their numbers with the times that count."""

    spans: tuple[tuple[int, Span], ...]
    words: str


@dataclass(frozen=True)
class RecordedView:
    """Figures of each set that was played, by its number."""

    hours: float
    over_min_per_h: float
    figures: dict[int, Recorded]


@dataclass(frozen=True)
class RespondView:
    """`lived` has the sets of `rows` (0, the present, first); `held_out` the present and the recommended."""

    lived: Lived
    rows: tuple[int, ...]
    drawn: Drawn
    fit: Fit | Refusal
    report_fit: str
    held_out: Lived | None = None
    held_out_verdict: SetGains | None = None


@dataclass
class Outcome:
    """What was found. `sets` are changes to `present`, the first is none."""

    present: Settings
    axes: list[SearchedSetting]
    sets: list[dict[str, float]]
    seed: int
    parts: tuple[Portion, Portion]
    recorded: RecordedView | None = None
    respond: RespondView | None = None
    recommended: dict[str, float] | None = None  # None: keep the present settings
    tried: dict[str, float] | None = None  # the best of the choosing, whatever became of it
    verdict: SetGains | None = None
    interrupted: bool = False
    why: GuardError | None = None  # what interrupted it, where that was not Ctrl-C
    notes: tuple[tuple[str, str], ...] = ()  # name of a recording, what of it was not understood


def parts_of(ran: Sequence[tuple[str, float]]) -> tuple[Portion, Portion]:
    """Two thirds to choose on, the last third to report on; by recording where there are three or more.

    `ran` has the start of each recording, as its header has it, and its length in s.
    """
    count = len(ran)
    if count >= 3:
        order = sorted(range(count), key=lambda k: (ran[k][0], k))
        cut = count - max(1, round(count / 3))
        first, last = ([(k, whole) for k in some for whole in spans(ran[k][1], False)]
                       for some in (order[:cut], order[cut:]))
        return (Portion(tuple(first), f"{len(first)} of {count} recordings"),
                Portion(tuple(last), f"the other {len(last)}"))
    first, last = ([(k, spans(end, True)[half]) for k, (_, end) in enumerate(ran)] for half in (0, 1))
    return Portion(tuple(first), "the first two thirds"), Portion(tuple(last), "the last third")


class Tuning:
    """One search; `run` gives the outcome, also after Ctrl-C."""

    def __init__(
        self, sources: Sequence[TunedRecording | LoggedRun], present: Settings,
        axes: Sequence[SearchedSetting], *,
        tries: int = 200, runners: int = 32, seed: int = 1, pool: Workers | None = None,
        progress: TellProgress = lambda words, share: None,
    ) -> None:
        self._sources = sources
        self._tries, self._runners, self._seed = tries, runners, seed
        self._pool = pool or Pool(1)
        self._taken: list[ReadRecording] = []
        self._progress = progress
        self._home: dict[str, float] = {axis.key: float(getattr(present, axis.key)) for axis in axes}
        unread = parts_of([("", 0.0)] * len(sources))
        self._found = Outcome(present, list(axes), [{}], seed, unread)

    def run(self, *, recorded: bool = True, respond: bool = True) -> Outcome:
        """Raises GuardError for recordings that cannot be used."""
        found = self._found
        with self._pool:
            try:
                self._read(respond)
                if respond:
                    self._respond()
                else:
                    self._add(spread(found.axes, self._tries - 1, self._seed))
                if recorded:
                    self._recorded([one.tape for one in self._taken])
            except (Interrupted, KeyboardInterrupt) as stopped:
                found.interrupted = True
                found.why = getattr(stopped, "why", None)
        return found

    def _read(self, with_ground: bool) -> None:
        halves, count = len(self._sources) < 3, len(self._sources)
        together = min(READ_TOGETHER, max(1, count // (4 * self._pool.jobs)))
        pieces = [[(one, with_ground, halves) for one in self._sources[k:k + together]]
                  for k in range(0, count, together)]
        read = self._pool.run(_take, pieces, [1] * len(pieces), self._telling("reading the recordings"))
        self._taken = [one for some in read for one in some]
        self._found.parts = parts_of([(one.started, one.end_s) for one in self._taken])
        self._found.notes = tuple((one.name, note) for one in self._taken for note in one.notes)

    def _add(self, sets: Sequence[dict[str, float]]) -> list[int]:
        """Number new sets; what equals the present is left out of each."""
        found, numbers = self._found, []
        for one in sets:
            changed = {key: value for key, value in one.items() if value != self._home[key]}
            if changed not in found.sets:
                found.sets.append(changed)
                numbers.append(len(found.sets) - 1)
        return numbers

    def _settings(self, changes: dict[str, float]) -> Settings:
        return self._found.present.replaced(changes)

    # -- as recorded ----------------------------------------------------------

    def _recorded(self, tapes: list[Tape]) -> None:
        found = self._found
        every = [self._settings(one) for one in found.sets]
        work = units(len(every), tapes, self._pool.jobs)
        pieces = [([every[k] for k in unit.settings], [tapes[k] for k in unit.tapes]) for unit in work]
        looks = [_looks(max(len(tape) for tape in mine)) for _, mine in pieces]
        stopped: Interrupted | None = None
        try:
            heard = self._pool.run(_play, pieces, looks, self._telling("as recorded"))
            done = list(zip(work, heard, strict=True))
        except Interrupted as error:
            stopped, done = error, [(work[number], one) for number, one in error.done]
        view = recorded_view(done, tapes)
        if view is not None:
            found.recorded = view
        if stopped is not None:
            raise stopped

    # -- as you would respond -------------------------------------------------

    def _respond(self) -> None:
        found = self._found
        fit, report_fit, said = self._fits()
        drawn = self._drawn(fit, found.parts[0], self._runners, 1)
        wide = max(1, round(SPREAD_SHARE * self._tries)) - 1
        numbers = [0, *self._add(spread(found.axes, wide, self._seed))]
        lived = self._live_all(numbers, drawn, fit, said, "as you would respond: a wide search")
        good = [{**self._home, **found.sets[numbers[row]]} for row in best_rows(lived, GOOD)]
        near = self._add(around(found.axes, good, self._home, self._tries - len(numbers), self._seed))
        if near:
            lived = joined_lives([lived, self._live_all(
                near, drawn, fit, said, "as you would respond: around the best")])
            numbers += near
            assert found.respond is not None
            found.respond = replace(found.respond, lived=lived, rows=tuple(numbers))
        best = best_rows(lived, FINALISTS)
        if not best:
            return
        fresh = self._drawn(fit, found.parts[0], FINAL_TIMES * self._runners, 2)

        def judge(sets: Sequence[Changes]) -> Lived:
            return self._live([self._settings(dict(one)) for one in sets], fresh,
                              "the best again, with new random draws")

        tried, verdict = settled([found.sets[numbers[row]] for row in best], judge)
        self._report(tried, verdict, report_fit)

    def _report(self, tried: dict[str, float], verdict: SetGains, fit: Fit | Refusal) -> None:
        found = self._found
        assert found.respond is not None
        found.tried, found.verdict = tried, verdict
        last = self._drawn(fit, found.parts[1], REPORT_TIMES * self._runners, 3)
        held_out = self._live([found.present, self._settings(tried)], last, "the held-out third")
        judged = verdicts(held_out)[1]
        view = found.respond
        lived, rows = view.lived, view.rows
        if tried and verdict.clear and judged.clear:
            found.recommended = tried
            for number in self._add([{**self._home, **tried}]):
                lived = joined_lives([lived, self._live(
                    [self._settings(tried)], view.drawn, "the recommended set")])
                rows = (*rows, number)
        found.respond = replace(view, lived=lived, rows=rows, held_out=held_out, held_out_verdict=judged)

    def _fits(self) -> tuple[Fit | Refusal, Fit | Refusal, str]:
        """For choosing, for reporting, and in words what the second is."""
        self._progress("learning how heart rate answers speed", 0.0)
        units = self._found.present.units
        pieces = [([one for ground in self._grounds(part) for one in ground.stretches], units)
                  for part in self._found.parts]
        fit, last = self._pool.run(_learn, pieces)
        self._progress("learning how heart rate answers speed", 1.0)
        if isinstance(last, Fit):
            return fit, last, "fitted again on the held-out third"
        if isinstance(fit, Fit):
            return fit, fit, "the fit of the first two thirds: the last third alone tells too little"
        return fit, fit, "the published population"

    def _grounds(self, part: Portion) -> list[SpanGround]:
        return [self._taken[number].grounds[span] for number, span in part.spans]

    def _drawn(self, fit: Fit | Refusal, part: Portion, runners: int, luck: int) -> Drawn:
        ways = [ground.way for ground in self._grounds(part)]
        return draw_runners(fit, ways, max(runners, len(ways)), [self._seed, luck],
                            belt=self._found.present.belt)

    def _live_all(
        self, numbers: list[int], drawn: Drawn, fit: Fit | Refusal, said: str, words: str
    ) -> Lived:
        """`_live` of numbered sets; what Ctrl-C leaves of them is kept."""
        found = self._found
        work = trials([self._settings(found.sets[k]) for k in numbers], drawn, self._pool.jobs)
        try:
            lived = joined_lives(self._pool.run(live, work, _trial_looks(work), self._telling(words)))
        except Interrupted as error:
            if found.respond is None and error.done and error.done[0][0] == 0:
                begins = np.cumsum([0, *(len(one.settings) for one in work)]).tolist()
                rows = [k for piece, _ in error.done for k in numbers[begins[piece]:begins[piece + 1]]]
                found.respond = RespondView(
                    joined_lives([one for _, one in error.done]), tuple(rows), drawn, fit, said)
            raise
        if found.respond is None:
            found.respond = RespondView(lived, tuple(numbers), drawn, fit, said)
        return lived

    def _live(self, every: Sequence[Settings], drawn: Drawn, words: str) -> Lived:
        work = trials(every, drawn, self._pool.jobs)
        return joined_lives(self._pool.run(live, work, _trial_looks(work), self._telling(words)))

    def _telling(self, words: str) -> Callable[[float], None]:
        return lambda share: self._progress(words, share)


def recorded_view(done: Sequence[tuple[Unit, Heard]], tapes: Sequence[Tape]) -> RecordedView | None:
    """Figures of all sets that were played to all tapes; None where the present was not."""
    heard, whole = joined(done, len(tapes))
    if 0 not in whole:
        return None
    over: list[Over] = [spells(tape, level, limit) for tape, level, limit
                        in zip(tapes, heard.level_bpm, heard.limit_bpm, strict=True)]
    hours = sum(tape.duration_s + 1.0 for tape in tapes) / 3600.0
    return RecordedView(hours, over_min_per_h(over, hours),
                        {one: figures(heard, one, over, hours) for one in sorted(whole)})


def _looks(steps: int) -> int:
    return math.ceil(steps / LOOK_EVERY)


def _trial_looks(work: Sequence[Trial]) -> list[int]:
    return [_looks(round(one.drawn.ground.duration_s)) for one in work]


def _take(
    piece: Sequence[tuple[TunedRecording | LoggedRun, bool, bool]], stop: Callable[[], bool],
) -> list[ReadRecording]:
    stop()
    return [take(*one) for one in piece]


def _play(piece: tuple[list[Settings], list[Tape]], stop: Callable[[], bool]) -> Heard:
    return play(*piece, stop)


def _learn(piece: tuple[list[Stretch], str], stop: Callable[[], bool]) -> Fit | Refusal:
    stop()
    recorded, units = piece
    return learn(recorded, units=units)
