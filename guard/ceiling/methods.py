"""Where the heart-rate ceiling of easy running may lie: every method for which there are figures.

A method gives a value and a range, `low_bpm` to `high_bpm`: one standard
deviation either way, so about two runners in three lie inside it. Sources:

- 180 less age: a rule of thumb without a published source (common practice);
  shown for comparison, never counted.
- Share of heart-rate reserve: rest + share x (maximum - rest) (Karvonen,
  Kentala, Mustala 1957); bands of ACSM (Guidelines for Exercise Testing and
  Prescription): moderate is 40 to 59 % of reserve, 64 to 76 % of maximum.
- Maximum by age: 220 - age (Fox, Naughton, Haskell 1971, SD 10 to 12), 208 -
  0.7 age (Tanaka, Monahan, Seals 2001), 207 - 0.7 age (Gellish 2007), 211 -
  0.64 age (Nes 2013, SEE 10.8). With that error 35 % of runners are off by
  more than 10 bpm.
- Day to day, heart rate at the same effort differs by 5 +- 2 bpm (Lamberts
  2004): the error of every method that is measured on the runner.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

import numpy as np

from guard.ceiling.lactate import Threshold
from guard.errors import UsageError

YOUNGEST, OLDEST = 10, 100  # years
DAY_TO_DAY_BPM = 5.0  # Lamberts 2004
SEE_NES_BPM = 10.8  # Nes 2013
TALK_MARGIN_BPM = 5.0  # our own: the talk test errs to too hard (Foster 2008)
TOO_MUCH_DRIFT_PERCENT = 5.0  # common practice

# name: (from, to) % of reserve, (from, to) % of maximum, ACSM
BANDS: dict[str, tuple[tuple[float, float], tuple[float, float]]] = {
    "light": ((30, 39), (57, 63)),
    "moderate": ((40, 59), (64, 76)),
    "vigorous": ((60, 89), (77, 95)),
}
USUAL_BAND = "moderate"

# What must be answered before a number is given, in words.
SAFETY: dict[str, str] = {
    "medicine": "on medicine for heart or blood pressure, or other regular medicine",
    "pregnant": "pregnant",
    "symptoms": "chest pain, faintness, odd heart beats, or a heart condition",
    "recovering": "getting over an illness, an operation or an injury",
}

# key: (name, highest, slope, SD, source)
PREDICTED: tuple[tuple[str, float, float, float, str], ...] = (
    ("220 - age", 220.0, 1.0, 11.0, "Fox, Naughton, Haskell 1971"),
    ("208 - 0.7 age", 208.0, 0.7, SEE_NES_BPM, "Tanaka, Monahan, Seals 2001"),
    ("207 - 0.7 age", 207.0, 0.7, SEE_NES_BPM, "Gellish 2007"),
    ("211 - 0.64 age", 211.0, 0.64, SEE_NES_BPM, "Nes 2013"),
)
MEASURED = ("talk", "lactate", "field", "laboratory")
_NO_OWN_ERROR = ("Tanaka, Monahan, Seals 2001", "Gellish 2007")


@dataclass(frozen=True, slots=True)
class TalkTest:
    """Highest heart rate at which speech stayed comfortable, bpm; how it was found in words."""

    bpm: float
    note: str = ""


@dataclass(frozen=True, slots=True)
class FieldTest:
    """Mean heart rate of the last 18 min of an even half hour, bpm, and its drift, % a half of them.

    `fade_percent` is how much slower their second half was run, None where speed is not known.
    """

    bpm: float
    drift_percent: float
    fade_percent: float | None = None


@dataclass(frozen=True, slots=True)
class Laboratory:
    """Heart rates at the first and second threshold (ventilatory or lactate), bpm, None where not told."""

    first_bpm: float | None = None
    second_bpm: float | None = None


@dataclass(frozen=True, slots=True)
class Runner:
    """What is known of the runner; None where it is not."""

    age: float | None = None
    resting_bpm: float | None = None
    maximum_bpm: float | None = None
    band: str = USUAL_BAND
    medicine: bool | None = None
    pregnant: bool | None = None
    symptoms: bool | None = None
    recovering: bool | None = None
    talk: TalkTest | None = None
    field: FieldTest | None = None
    lactate: tuple[Threshold, ...] = ()
    laboratory: Laboratory = Laboratory()

    @property
    def unanswered(self) -> list[str]:
        """Safety questions that were not answered."""
        return [key for key in SAFETY if getattr(self, key) is None]


@dataclass(frozen=True, slots=True)
class Method:
    """One row: `kind` groups methods that share their data, `counts` tells whether the suggestion uses it."""

    method: str
    bpm: float
    low_bpm: float
    high_bpm: float
    source: str
    note: str
    kind: str
    counts: bool = True

    @property
    def measured(self) -> bool:
        """Whether it was measured on the runner, not worked out from age, rest and maximum."""
        return self.kind in MEASURED


def refuse_nonsense(runner: Runner) -> None:
    """UsageError naming the option and the fix where figures cannot be a runner's."""
    if runner.age is not None and not YOUNGEST <= runner.age <= OLDEST:
        raise UsageError(f"{runner.age:g} is outside what these methods were made for",
                         f"give years from {YOUNGEST} to {OLDEST}", option="--age")
    first, second = runner.laboratory.first_bpm, runner.laboratory.second_bpm
    tests = (("--talk-test", runner.talk.bpm if runner.talk else None),
             ("--field-test", runner.field.bpm if runner.field else None),
             ("--first-threshold", first), ("--second-threshold", second))
    for name, value, low, high in (("--resting", runner.resting_bpm, 25.0, 120.0),
                                   ("--maximum", runner.maximum_bpm, 100.0, 230.0),
                                   *((name, bpm, 70.0, 220.0) for name, bpm in tests)):
        if value is not None and not low <= value <= high:
            raise UsageError(f"{value:g} cannot be", f"give bpm from {low:g} to {high:g}", option=name)
    if runner.resting_bpm is not None and runner.maximum_bpm is not None \
            and runner.maximum_bpm - runner.resting_bpm < 40:
        raise UsageError(f"{runner.resting_bpm:g} and --maximum {runner.maximum_bpm:g} cannot both be",
                         "the maximum lies at least 40 bpm over rest, so measure one of them again",
                         option="--resting")
    if first is not None and second is not None and first >= second:
        raise UsageError(f"{first:g} does not lie under --second-threshold {second:g}",
                         "the first one is the lower", option="--first-threshold")
    for name, bpm in tests:
        if bpm is not None and runner.maximum_bpm is not None and bpm > runner.maximum_bpm:
            raise UsageError(f"{bpm:.0f} lies over --maximum {runner.maximum_bpm:g}",
                             "one of the two is wrong, measure it again", option=name)
    shares(runner.band)


def shares(band: str) -> tuple[float, float]:
    """Top of a band as shares (0 to 1) of reserve and of maximum.

    `band` is a name of `BANDS` or a percentage of reserve; the share of
    maximum that belongs to a percentage lies on straight lines between the
    tops of ACSM's bands.
    """
    if band in BANDS:
        reserve, maximum = BANDS[band]
        return reserve[1] / 100, maximum[1] / 100
    try:
        percent = float(band.removesuffix("%"))
    except ValueError:
        percent = -1.0
    if not 30 <= percent <= 89:
        raise UsageError(f"{band} is not one", f"give {', '.join(BANDS)} or a percentage of reserve from "
                         "30 to 89", option="--band")
    of_reserve_tops = [30.0, *(reserve[1] for reserve, _ in BANDS.values())]
    of_maximum_tops = [57.0, *(maximum[1] for _, maximum in BANDS.values())]
    return percent / 100, float(np.interp(percent, of_reserve_tops, of_maximum_tops)) / 100


def of_reserve(share: float, resting_bpm: float, maximum_bpm: float) -> float:
    """Heart rate at `share` (0 to 1) of the reserve (Karvonen, Kentala, Mustala 1957).

    >>> of_reserve(0.6, 60, 200)
    144.0
    """
    return resting_bpm + share * (maximum_bpm - resting_bpm)


def predicted_maximum(age: float) -> list[tuple[str, float, float, str]]:
    """Maximum heart rate by each formula: (formula, bpm, SD, source)."""
    return [(name, top - slope * age, spread, source) for name, top, slope, spread, source in PREDICTED]


def methods(runner: Runner) -> list[Method]:
    """Every method for which `runner` holds the figures, formulas first."""
    rows = [*_age(runner), *_reserve(runner), *_maximum(runner), *_talk(runner), *_lactate(runner),
            *_laboratory(runner), *_field(runner)]
    highest = runner.maximum_bpm
    if highest is None:
        return rows
    over = f"over your measured maximum of {highest:g}: not usable; "
    return [replace(row, counts=False, note=over + row.note) if row.bpm >= highest else row for row in rows]


_HARDER = "marks a harder effort than easy running: shown, not counted"


def _row(method: str, bpm: float, spread: float, source: str, note: str, kind: str,
         counts: bool = True) -> Method:
    return Method(method, round(bpm, 1), round(bpm - spread, 1), round(bpm + spread, 1), source, note, kind,
                  counts)


def _age(runner: Runner) -> list[Method]:
    if runner.age is None:
        return []
    return [_row("180 - age", 180 - runner.age, SEE_NES_BPM, "common practice",
                 "a rule of thumb without a published source: for comparison, not counted; no error is "
                 "known, that of a maximum by age is shown", "age", False)]


def _reserve(runner: Runner) -> list[Method]:
    if runner.resting_bpm is None or (runner.maximum_bpm is None and runner.age is None):
        return []
    share, _ = shares(runner.band)
    source = "Karvonen 1957; ACSM bands" if runner.band in BANDS else "Karvonen 1957"
    if runner.maximum_bpm is not None:
        maximum, spread, words = runner.maximum_bpm, DAY_TO_DAY_BPM, "measured maximum"
    else:
        formula, maximum, spread, origin = predicted_maximum(runner.age or 0)[-1]
        spread, words = share * spread, f"maximum {maximum:.0f} by age ({formula}, {origin})"
    value = of_reserve(share, runner.resting_bpm, maximum)
    return [_row(f"{100 * share:.0f} % of reserve", value, spread, source,
                 f"{_band_words(runner.band)}; rest {runner.resting_bpm:g}, {words}", "reserve")]


def _maximum(runner: Runner) -> list[Method]:
    _, share = shares(runner.band)
    label = f"{100 * share:.0f} % of "
    if runner.maximum_bpm is not None:
        return [_row(label + "measured maximum", share * runner.maximum_bpm, DAY_TO_DAY_BPM, "ACSM bands",
                     f"{_band_words(runner.band)}; measured {runner.maximum_bpm:g}", "maximum")]
    if runner.age is None:
        return []
    found = []
    for formula, bpm, spread, source in predicted_maximum(runner.age):
        note = f"{_band_words(runner.band)}; maximum {bpm:.0f} by age, give or take {spread:g}"
        note += ", the error of Nes 2013" if source in _NO_OWN_ERROR else ""
        found.append(_row(f"{label}({formula})", share * bpm, share * spread, f"{source}; ACSM bands", note,
                          "maximum"))
    return found


def _band_words(band: str) -> str:
    return f"top of the {band} band" if band in BANDS else "share chosen by you"


def _talk(runner: Runner) -> list[Method]:
    if runner.talk is None:
        return []
    note = (f"speech comfortable up to {runner.talk.bpm:.0f}; {TALK_MARGIN_BPM:g} taken off, our own margin, "
            "because the test errs to too hard (Foster 2008)")
    source = "Persinger 2004; Foster 2008"
    return [_row("talk test", runner.talk.bpm - TALK_MARGIN_BPM, DAY_TO_DAY_BPM, source,
                 "; ".join(part for part in (note, runner.talk.note) if part), "talk")]


def _lactate(runner: Runner) -> list[Method]:
    found = []
    for one in runner.lactate:
        if one.bpm is None or one.intensity is None:
            continue
        marks = "marks the first rise of lactate" if one.first else _HARDER
        spread = float(np.hypot(DAY_TO_DAY_BPM, one.spread_bpm))
        found.append(_row(f"lactate, {one.method}", one.bpm, spread, one.source,
                          f"{marks}; at intensity {one.intensity:.4g}", "lactate", one.first))
    return found


def _laboratory(runner: Runner) -> list[Method]:
    found = []
    for bpm, name, counts, words in (
            (runner.laboratory.first_bpm, "first threshold", True, "easy running stays under it"),
            (runner.laboratory.second_bpm, "second threshold", False, _HARDER)):
        if bpm is not None:
            found.append(_row(f"{name}, laboratory", bpm, DAY_TO_DAY_BPM, "your laboratory",
                              f"ventilatory or lactate; {words}", "laboratory", counts))
    return found


def _field(runner: Runner) -> list[Method]:
    if runner.field is None:
        return []
    drift = runner.field.drift_percent
    steady = drift <= TOO_MUCH_DRIFT_PERCENT
    note = f"12 min to settle, mean of the 18 after; it drifted by {drift:+.1f} %"
    fade = runner.field.fade_percent
    if fade is None:
        note += " (speed not known: a fading pace would hide drift)"
    elif abs(fade) >= 0.5:
        note += f", counting that its second half was {abs(fade):.1f} % {'slower' if fade > 0 else 'faster'}"
    if not steady:
        note += (f", more than {TOO_MUCH_DRIFT_PERCENT:g} % (common practice): too hard or too hot, "
                 "shown, not counted")
    return [_row("half an hour while able to talk", runner.field.bpm, DAY_TO_DAY_BPM, "own test", note,
                 "field", steady)]


def value_of_kind(rows: Sequence[Method], kind: str) -> float | None:
    """What all counted methods of one kind say together: the median, the lowest for lactate; None without."""
    values = [row.bpm for row in rows if row.kind == kind and row.counts]
    if not values:
        return None
    return min(values) if kind == "lactate" else float(median(values))
