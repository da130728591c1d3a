"""How a runner's heart rate answers speed, learned from recordings with speed.

`learn` gives the gain, the time constants, dead times, drift and noise with
95 % intervals, or a plain refusal for what the recordings cannot tell.

A parameter is refused when nothing of its kind was recorded, when its
interval is wider than ±50 % (dead times: ±6 s), or when it ends at the edge of
the search. The model is in `model.py`, the search in `search.py`; what guarded
runs add, all of them in one fit, is in `cued.py`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from guard.arrays import Floats
from guard.response.cued import told
from guard.response.guarded import Guarded
from guard.response.model import BOUNDS, Constants, Piece
from guard.response.search import Search
from guard.response.series import RUN, Stretch
from guard.response.spans import Estimate
from guard.units import speed

WIDEST_SHARE = 0.5  # half an interval, as a share of the value
WIDEST_DEAD_S = 6.0  # half an interval that still says something (ours)
LEAST_RUNNING_S = 480.0  # in all (ours)
# Of speed, and its standard deviation; less tells no gain (ours).
LEAST_RANGE_M_S, LEAST_SPREAD_M_S = 0.25, 0.08
LEAST_SIDE_S = 25  # a start or stop must be followed by this much ...
SEEN_IN_S, SEEN_SAMPLES = 75.0, 6  # ... and be seen by readings
MOST_COMPARED = 6  # recordings fitted alone as well (ours)
EVE_S, EVE_SAMPLES = 20.0, 3  # before a start or stop, with so many readings (ours)

STEPS = ("gain", "response_s", "dead_s")
STARTING, STOPPING = ("on_s", "start_dead_s"), ("off_s", "stop_dead_s")
WIDEST_EASE_BPM, WIDEST_HEEDED = 2.5, 0.25  # half an interval that still says something (ours)
VARY_SPEED = (
    "on easy runs take turns for half an hour: three minutes at your slowest jog, three a little quicker "
    "that stays under your ceiling; walk whenever heart rate nears it")
MORE_RUNS = "give more of your guarded runs, the newest ten or twenty"
RECORD_STARTS = (
    "stand or walk for two minutes in the middle of a run, twice or more, with the strap and speed recorded")


@dataclass(frozen=True)
class Refusal:
    """Why something cannot be told, and what to record so that it can."""

    reason: str
    fix: str

    def __str__(self) -> str:
        return f"{self.reason}: {self.fix}"


NO_EASES = Refusal("too few eases were said while you ran", MORE_RUNS)


@dataclass(frozen=True)
class Fit:
    """One runner, from all stretches together. Each parameter is `Estimate` or a `Refusal`.

    `gain` bpm per m/s of level running; `response_s` and `dead_s` for changes
    of speed while running; `on_s`, `start_dead_s` for running after standing or
    walking; `off_s`, `stop_dead_s` for stopping. Dead times are as the strap
    shows them: half of its averaging window is in them. `base_bpm` belongs to
    `usual_m_s` (None where speeds do not vary), before drift. `noise_bpm` is
    the SD of what the model leaves, `effective` the independent readings that
    `samples` amount to.

    Of guarded runs: `ease_bpm` is the fall that an ease brings, those not heeded
    counted, `heeded` the share of eases after which he ran slower, `eases` how
    many were said. What no plain run told is NaN or 0 then.
    """

    gain: Estimate | Refusal
    response_s: Estimate | Refusal
    dead_s: Estimate | Refusal
    on_s: Estimate | Refusal
    start_dead_s: Estimate | Refusal
    off_s: Estimate | Refusal
    stop_dead_s: Estimate | Refusal
    base_bpm: Estimate | Refusal
    drift_bpm_per_min: Estimate | Refusal
    usual_m_s: float
    noise_bpm: float
    samples: int
    effective: float
    running_s: float
    ease_bpm: Estimate | Refusal = NO_EASES
    heeded: Estimate | Refusal = NO_EASES
    eases: int = 0


NOTHING = Refusal("no two minutes with both heart rate and speed are recorded",
                  "type the belt's speed during the run, use a foot pod, or import a CSV file with speed")
ALIKE = Refusal("heart rate and speed do not tell the parameters apart", VARY_SPEED)


def learn(stretches: Sequence[Stretch], *, runs: Sequence[Guarded] = (), dead_s: float | None = None,
          units: str = "km") -> Fit | Refusal:
    """Fit all stretches as one runner; `runs` are the same recordings where the guard spoke in some.

    `dead_s` fixes every dead time instead of searching it.
    """
    plain = _plain(stretches, dead_s, units)
    return _with_runs(plain, runs) if any(len(one.ease_s) for one in runs) else plain


def _with_runs(plain: Fit | Refusal, runs: Sequence[Guarded]) -> Fit | Refusal:
    """What the runs tell together, in place of what plain runs tell of the same."""
    said = _reliable(told(runs), any(np.isfinite(one.level_m_s).any() for one in runs))
    eases = sum(len(one.ease_s) for one in runs)
    if isinstance(plain, Fit):
        # One refused here may be known from runs that nobody steered.
        kept = {key: getattr(plain, key) for key in STEPS
                if isinstance(said[key], Refusal) and isinstance(getattr(plain, key), Estimate)}
        return replace(plain, **{**said, **kept}, eases=eases)
    if all(isinstance(one, Refusal) for one in said.values()):
        gain = said["gain"]
        assert isinstance(gain, Refusal)
        return gain
    no_pause = Refusal("no start or stop is recorded at a known speed", RECORD_STARTS)
    no_base = Refusal("no running is recorded at a known speed without cues", RECORD_STARTS)
    return Fit(
        **said, on_s=no_pause, start_dead_s=no_pause, off_s=no_pause, stop_dead_s=no_pause,
        base_bpm=no_base, drift_bpm_per_min=no_base, usual_m_s=math.nan, noise_bpm=math.nan,
        samples=int(sum(np.isfinite(one.bpm).sum() for one in runs)), effective=math.nan,
        running_s=float(sum(one.settled.sum() for one in runs)), eases=eases)


def _reliable(found: dict[str, Estimate | None], speed: bool) -> dict[str, Estimate | Refusal]:
    """Each number that guarded runs told, or why it is not to be relied on; `speed`: some was known."""
    still = Refusal("speed hardly varied once the guarded runs had settled", VARY_SPEED)
    unknown = Refusal("no speed is recorded beside heart rate", NOTHING.fix)
    none = still if speed else unknown
    gain = _narrow(found["gain"], "the rise per m/s", WIDEST_SHARE, "%", VARY_SPEED, none)
    if isinstance(gain, Estimate) and gain.low <= 0.0:
        gain = Refusal("heart rate did not rise with speed", VARY_SPEED)
    fix = VARY_SPEED if found["gain"] is not None else MORE_RUNS
    return {
        "gain": gain,
        "response_s": _narrow(found["response_s"], "the response time", WIDEST_SHARE, "%", fix, none),
        "dead_s": _narrow(found["dead_s"], "the dead time", WIDEST_DEAD_S, "s", fix, none),
        "ease_bpm": _narrow(
            found["ease_bpm"], "what an ease brings", WIDEST_EASE_BPM, "bpm", MORE_RUNS, NO_EASES),
        "heeded": _narrow(
            found["heeded"], "the share of eases heeded", WIDEST_HEEDED, "points", MORE_RUNS,
            NO_EASES if speed else unknown),
    }


def _narrow(known: Estimate | None, what: str, widest: float, unit: str, fix: str, none: Refusal = NOTHING,
            ) -> Estimate | Refusal:
    """It, where half its interval is no wider than `widest`; `none` where it is not known at all."""
    if known is None:
        return none
    half = (known.high - known.low) / 2.0
    share = half / abs(known.value) if unit == "%" else half
    if share <= widest:
        return known
    wide = min(100.0 * share, 999.0) if unit in ("%", "points") else share
    return Refusal(f"{what} is uncertain by ±{wide:.0f} {unit}", fix)


def _plain(stretches: Sequence[Stretch], dead_s: float | None, units: str) -> Fit | Refusal:
    """Fit stretches that nobody steered, and the starts and stops of all."""
    if not stretches:
        return NOTHING
    refused = {**_steps_refused(stretches, units), **_pauses_refused(stretches)}
    free = tuple(key for key in BOUNDS if key not in refused and not (dead_s is not None and "dead" in key))
    if not free:
        return refused["gain"]
    speeds = np.concatenate([_running_speeds(one) for one in stretches])
    usual = float(np.median(speeds)) if len(speeds) else 0.0
    rest = Constants()
    if dead_s is not None:
        rest = Constants(dead_s=dead_s, start_dead_s=dead_s, stop_dead_s=dead_s)
    search = Search(_pieces(stretches, usual, "gain" not in refused), free)
    found = search.run(rest)
    numbers = search.intervals(found)
    if numbers is None and "gain" in free and len(free) > len(STEPS):
        refused.update(dict.fromkeys(STEPS, ALIKE))
        search = Search(_pieces(stretches, usual, False), tuple(key for key in free if key not in STEPS))
        found = search.run(rest)
        numbers = search.intervals(found)
    if numbers is None:
        return ALIKE
    if "gain" in search.free and (apart := _gains_apart(search, rest)):
        return Refusal(f"the recordings disagree on the rise per m/s ({apart[0]:.0f} and {apart[1]:.0f} bpm)",
                       "give recordings of one runner in like conditions, or one recording alone")
    said = {key: refused[key] if key in refused else _judged(key, found, numbers) for key in BOUNDS}
    gain = said["gain"]
    if isinstance(gain, Refusal):
        said.update({key: gain for key in STEPS})
    if all(isinstance(said[key], Refusal) for key in BOUNDS):
        return gain if isinstance(gain, Refusal) else refused["gain"]
    return Fit(
        **said, ease_bpm=NO_EASES, heeded=NO_EASES, eases=0, base_bpm=numbers["base"],
        drift_bpm_per_min=numbers.get("drift", Refusal(
            "too little running after the tenth minute", "record a run of half an hour")),
        usual_m_s=usual, noise_bpm=search.noise_bpm, samples=search.samples,
        effective=search.samples / search.inflation,
        running_s=float(sum((one.gait == RUN).sum() for one in stretches)))


def _pieces(stretches: Sequence[Stretch], usual_m_s: float, steps: bool) -> list[Piece]:
    """Only stretches within which speed varies say anything on steps: each has a base of its own."""
    pieces = []
    for one in stretches:
        speeds = _running_speeds(one)
        varies = len(speeds) > 0 and bool(speeds.std() >= LEAST_SPREAD_M_S)
        shared = steps and varies and not one.steered
        pieces.append(Piece(one, usual_m_s, shared, varies and not shared))
    return pieces


def _gains_apart(search: Search, rest: Constants) -> tuple[float, float] | None:
    """Two gains whose intervals have nothing in common, each from one stretch alone; else None."""
    several = sorted((piece for piece in search.pieces if piece.steps), key=lambda piece: -piece.kept.sum())
    alone = []
    for piece in several[:MOST_COMPARED] if len(several) > 1 else []:
        one = Search([piece], tuple(key for key in STEPS if key in search.free))
        numbers = one.intervals(one.run(rest))
        if numbers is not None:
            alone.append(numbers["gain"])
    if not alone:
        return None
    least, most = min(alone, key=lambda gain: gain.high), max(alone, key=lambda gain: gain.low)
    return (least.value, most.value) if least.high < most.low else None


def _running_speeds(stretch: Stretch) -> Floats:
    """Level speed at each sample taken while running, m/s."""
    return stretch.level_m_s[stretch.at_s.astype(np.int64)][stretch.samples_running()]


def _steps_refused(stretches: Sequence[Stretch], units: str) -> dict[str, Refusal]:
    speeds = [found for one in stretches if len(found := _running_speeds(one))]
    if not speeds:
        return dict.fromkeys(STEPS, Refusal("no running is recorded beside heart rate", VARY_SPEED))
    free = [one for one in stretches if not one.steered]
    speeds = [found for one in free if len(found := _running_speeds(one))]
    if not speeds:
        return dict.fromkeys(STEPS, Refusal(
            "the guard's cues steered the running, so speed followed heart rate",
            f"on a level course or a belt, where no cue is needed, {VARY_SPEED}"))
    ranges = [np.percentile(one, [5, 95]) for one in speeds]
    low, high = max(ranges, key=lambda pair: float(pair[1] - pair[0]))
    if high - low < LEAST_RANGE_M_S or max(one.std() for one in speeds) < LEAST_SPREAD_M_S:
        return dict.fromkeys(STEPS, Refusal(
            f"speed hardly varied within a run ({speed(low, units)} to {speed(high, units)})", VARY_SPEED))
    running_s = sum(int((one.gait == RUN).sum()) for one in free)
    if running_s < LEAST_RUNNING_S:
        return dict.fromkeys(STEPS, Refusal(
            f"only {running_s / 60:.0f} minutes of running are recorded with speed", VARY_SPEED))
    return {}


def _pauses_refused(stretches: Sequence[Stretch]) -> dict[str, Refusal]:
    starts: list[bool] = []  # each with whether readings just before it pin the dead time
    stops: list[bool] = []
    for one in stretches:
        edges = [*one.switches(), len(one.gait)]
        for before, here, after in zip(edges, edges[1:], edges[2:], strict=False):
            seen = int(((one.at_s >= here) & (one.at_s < min(here + SEEN_IN_S, after))).sum())
            if here - before < 5 or after - here < LEAST_SIDE_S or seen < SEEN_SAMPLES:
                continue
            eve = int(((one.at_s >= max(here - EVE_S, before)) & (one.at_s < here)).sum())
            if one.gait[here] == RUN:
                starts.append(eve >= EVE_SAMPLES)
            elif one.gait[before] == RUN:
                stops.append(eve >= EVE_SAMPLES)
    refused: dict[str, Refusal] = {}
    for keys, eves, what in ((STARTING, starts, "start after standing or walking"),
                             (STOPPING, stops, "stop or walk after running")):
        if not eves:
            refused.update(dict.fromkeys(keys, Refusal(f"no {what} is recorded", RECORD_STARTS)))
        elif not any(eves):
            refused[keys[1]] = Refusal(f"no {what} has readings just before it", RECORD_STARTS)
    return refused


def _judged(key: str, found: Constants, numbers: dict[str, Estimate]) -> Estimate | Refusal:
    """The number, or why it is not to be relied on."""
    fix = VARY_SPEED if key in STEPS else RECORD_STARTS
    what = {"gain": "the rise per m/s", "response_s": "the response time", "on_s": "the restart time",
            "off_s": "the recovery time"}.get(key, "the dead time")
    if key not in numbers:  # fixed by the caller
        value = getattr(found, key)
        return Estimate(value, value, value)
    known = numbers[key]
    if key == "gain" and known.value <= 0.0:
        return Refusal("heart rate did not rise with speed", fix)
    if "dead" in key and not 0.1 < known.value < BOUNDS[key][1] - 0.1:
        return Refusal(f"{what} found, {known.value:.0f} s, is at the edge of the search", fix)
    if "dead" in key:
        return _narrow(known, what, WIDEST_DEAD_S, "s", fix)
    low, high = BOUNDS[key]
    if not low * 1.02 < known.value < high * 0.98:
        return Refusal(f"{what} found, {known.value:.0f} s, is at the edge of what bodies do", fix)
    return _narrow(known, what, WIDEST_SHARE, "%", fix)
