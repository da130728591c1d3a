"""From the methods side by side to a cautious suggestion, its reason, and who must not rely on it.

The rules are our own, and err to the low side: too low costs some speed, too
high costs what easy running is for.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from statistics import median_low

from guard.ceiling.methods import MEASURED, SAFETY, Method, Runner, predicted_maximum, value_of_kind

CLOSE_BPM, FAIR_BPM = 6.0, 12.0  # methods that lie so near agree closely, or fairly (ours)
HIGHEST_OVER_FORMULAS_BPM = 10.0  # no suggestion lies higher over them (ours, on the cautious side)
LOWEST_CEILING_BPM, HIGHEST_CEILING_BPM = 70, 220  # what the setting takes
ADULT, OLD, VERY_OLD = 18, 65, 80  # years; beyond the last few were ever measured (ours)
AGAIN_AFTER = timedelta(weeks=12)  # easy running moves a threshold in about that time (common practice)
TEST_HOLDS = timedelta(days=365)  # an older test is told as old (ours)

METHOD_NAMES = {"reserve": "share of reserve", "maximum": "share of maximum", "talk": "talk test",
                "lactate": "lactate", "laboratory": "laboratory threshold",
                "field": "half an hour while able to talk"}
FAR_UNDER_BPM = 15.0  # a measured maximum so far under every formula is remarked on

WHEN_AGAIN = (
    "Work it out again after three months of regular running (in untrained adults 93 % of a year's fall "
    "of heart rate at the same effort came in the first three: Scharhag-Rosenberger 2009), after a break "
    "of three weeks or more, after an illness, and whenever medicine changes.")

NEVER_EXCEED = (
    "The never-exceed limit (setting stop_bpm) is something else: over it the guard says stop, whatever the "
    "plan. None is set until you set one, and none can be worked out from age: a maximum by age is off by "
    "more than 10 for one runner in three. Take it from the person who tested or treats you, or "
    "leave it unset.")


@dataclass(frozen=True, slots=True)
class CeilingSuggestion:
    """`bpm` None means that none is given; `reason` says why in either case."""

    bpm: int | None
    reason: str


def suggest(runner: Runner, rows: Sequence[Method]) -> CeilingSuggestion:
    """A cautious ceiling from the counted methods.

    Own measurements go before formulas: the lowest of them counts, but no more
    than 10 bpm over the highest formula. With formulas only, it is the lower
    middle one of those kinds that differ in their data.
    """
    who = withheld(runner)
    if who:
        return CeilingSuggestion(
            None, f"no suggestion, because {who}: ask a licensed professional for your limit")
    if runner.unanswered:
        asked = "; ".join(SAFETY[key] for key in runner.unanswered)
        none_is = ("--healthy" if len(runner.unanswered) == len(SAFETY)
                   else " ".join(f"--no-{key}" for key in runner.unanswered))
        return CeilingSuggestion(None, "no suggestion before you have said whether this is so: "
                                       f"{asked}. If none is: guard ceiling {none_is}")
    values = {kind: value for kind in METHOD_NAMES if (value := value_of_kind(rows, kind)) is not None}
    measured = {kind: value for kind, value in values.items() if kind in MEASURED}
    formulas = {kind: value for kind, value in values.items() if kind not in MEASURED}
    if not values:
        return CeilingSuggestion(None, "no method has the figures it needs: `guard ceiling --age YEARS "
                                 "--resting BPM` is the least")
    if measured:
        kind = min(measured, key=lambda one: measured[one])
        bpm = measured[kind]
        reason = (f"the lowest of what was measured on you ({METHOD_NAMES[kind]})" if len(measured) > 1
                  else f"measured on you ({METHOD_NAMES[kind]}), which takes precedence over formulas")
        highest = max(formulas.values(), default=math.inf)
        if bpm > highest + HIGHEST_OVER_FORMULAS_BPM:
            bpm = highest + HIGHEST_OVER_FORMULAS_BPM
            reason += (f", held to {HIGHEST_OVER_FORMULAS_BPM:g} over the highest formula ({highest:.0f}) "
                       "until a second test confirms it")
    else:
        bpm = median_low(formulas.values())
        kind = next(one for one, value in formulas.items() if value == bpm)
        reason = {1: f"the only kind of method with figures ({METHOD_NAMES[kind]})",
                  2: f"the lower of two kinds of method ({METHOD_NAMES[kind]})"}[len(formulas)]
    whole = min(max(math.floor(bpm), LOWEST_CEILING_BPM), HIGHEST_CEILING_BPM)
    exact = "" if round(bpm) == whole else f", {bpm:.1f}"  # else the table shows another whole figure
    return CeilingSuggestion(whole, f"{reason}{exact}, rounded down")


def withheld(runner: Runner) -> str:
    """Why this runner gets no suggestion; empty where there is no such reason."""
    reasons = [words for yes, words in (
        (runner.medicine, "medicine changes heart rate (if you take none: --no-medicine)"),
        (runner.pregnant, "pregnancy changes heart rate from week to week (if it is over: --no-pregnant)"),
        (runner.symptoms, "symptoms or a heart condition come first (if you have none: --no-symptoms)"),
        (runner.recovering, "illness, operation or injury comes first (once you are well: --no-recovering)"),
        (runner.age is not None and runner.age < ADULT, f"these methods are for adults ({ADULT} and over)"),
        (runner.age is not None and runner.age > VERY_OLD, f"few runners over {VERY_OLD} were ever measured"),
    ) if yes]
    return " and ".join(reasons)


def agreement(rows: Sequence[Method]) -> str:
    """How far the kinds of method lie apart, in words."""
    values = [value for kind in METHOD_NAMES if (value := value_of_kind(rows, kind)) is not None]
    if len(values) < 2:
        return "one kind of method only: nothing to compare it with" if values else ""
    apart = max(values) - min(values)
    words = "agree closely" if apart <= CLOSE_BPM else "agree fairly" if apart <= FAIR_BPM else "disagree"
    more = "" if apart <= FAIR_BPM else ": trust what was measured on you, or measure something"
    return (f"{len(values)} kinds of method {words}: {min(values):.0f} to {max(values):.0f}, "
            f"{apart:.0f} bpm apart{more}")


def cautions(runner: Runner, suggestion: CeilingSuggestion) -> list[str]:
    """Who must not rely on this, the runner's own cases first."""
    found = []
    who = withheld(runner)
    if who:
        found.append("Do not rely on any of these figures.")  # why stands in the suggestion's reason
    if runner.age is not None and OLD < runner.age <= VERY_OLD:
        found.append(f"Over {OLD} formulas by age are less certain still: go by a test, and ask a licensed "
                     "professional before the first hard one.")
    if runner.maximum_bpm is not None and runner.age is not None:
        lowest = min(bpm for _, bpm, _, _ in predicted_maximum(runner.age))
        if runner.maximum_bpm <= lowest - FAR_UNDER_BPM:
            under = f"{lowest - runner.maximum_bpm:.0f} under the lowest formula by age"
            found.append(f"Your measured maximum of {runner.maximum_bpm:g} lies {under}: was it an all-out "
                         "effort, and is no medicine in play? Measured too low it makes every share too low.")
    if runner.band == "vigorous" and suggestion.bpm is not None:
        found.append("The top of the vigorous band is hard running, not easy running: choose moderate "
                     "or a percentage.")
    return found


def narrowing(runner: Runner) -> list[str]:
    """What would make it more certain, the most useful and easiest first."""
    found = []
    if runner.talk is None:
        found.append("a talk test, about 40 min: guard ceiling --how talk-test")
    if runner.field is None:
        found.append("half an hour while able to talk: guard ceiling --how field-test")
    if runner.resting_bpm is None:
        found.append("resting heart rate of a few mornings: --resting BPM")
    if runner.maximum_bpm is None:
        found.append("a measured maximum, from an exercise test under supervision: --maximum BPM")
    if runner.age is None:
        found.append("your age: --age YEARS")
    if not runner.lactate and runner.laboratory.first_bpm is None:
        found.append("a laboratory's first threshold: --first-threshold BPM, or its lactate steps: "
                     "guard ceiling --how lactate")
    return found
