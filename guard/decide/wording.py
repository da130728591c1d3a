"""What a cue says: the words spoken and the line shown.

Pure. Wording rules, each for a reason:

* Only phrases that stay understandable in noise are spoken: tests/test_understood.py
  lets an open speech recogniser listen to each of them in noise. Short ones such
  as "walk", "paused", "ease off" or "signal lost" are lost in wind and belt noise,
  and "run now" or "walk on" are what "slow down" is misheard as; none of them is
  used. "Belt down please" was heard as "belt up". No phrase is the beginning of
  another, so that a lost end never changes the meaning. With noise as loud as the
  voice no phrase is understood: that is what the tones are for.
* On a treadmill the belt comes first: someone who walks while the belt still
  runs is carried off its end. "Stop" is always "slow to a walk, then stop";
  stopping hard after hard effort can make one faint (common practice: keep
  moving, then stop).
* A repeated cue says the next step instead of the same words.
* How much to slow is said as a speed where one is advised, else as a word of
  size from the beats that are foreseen over the limit.

What is said is a tuple of parts, so that a finite bank of rendered parts speaks
every number; `phrase` is the same to be read.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from guard.cues import CUES, Cue, Says
from guard.events import CueGiven, Numbers, Snapshot, State
from guard.settings import Settings
from guard.units import per_m_s, speed_unit

GUARD_STOPPED = "guard stopped"
ALL_IS_WELL = "all is well"
NO_SIGNAL = "no heart rate signal"
PAUSED = "the guard is paused"
NOT_RECORDING = "not recording"
RECORDING_AGAIN = "recording again"
WALK_RUN = "walk run today"
WALK_RUN_RULE = "no_jog_would_do"

HEART_RATES_BPM = range(60, 211)
_ROOMS_BPM = range(0, 61)
_OVERS_BPM = range(1, 41)


@dataclass(frozen=True, slots=True)
class Words:
    """What is said for a cue, by repeat (the last one stays).

    `on_belt` is empty where a belt changes nothing.
    """

    on_foot: tuple[str, ...]
    on_belt: tuple[str, ...] = ()

    def spoken(self, belt: bool) -> tuple[str, ...]:
        return self.on_belt or self.on_foot if belt else self.on_foot


WORDS: Mapping[Cue, Words] = {
    Cue.EASE: Words(("slow down please", "slow down a bit more please"),
                    ("slow the belt please", "slow the belt a bit more please")),
    Cue.WALK: Words(("walking pace now", "shorter, slower steps, or pause"),
                    ("belt down to walking pace", "belt slower still, or pause the belt")),
    Cue.RESUME: Words(("you may run again", "resume running"),
                      ("belt up gently, you may run again", "belt up gently, resume running")),
    Cue.STOP: Words(("slow to a walk, then stop",), ("slow the belt to a walk, then stop",)),
    Cue.SIGNAL_LOST: Words(("sensor lost, keep it easy by feel",)),
    Cue.SIGNAL_BACK: Words(("sensor connected again",)),
    Cue.BATTERY_LOW: Words(("sensor battery is low",)),
    Cue.PART: Words(("the next part begins now",)),
    Cue.PICK_UP: Words(("you may go a little faster",), ("belt up a little please",)),
}
# The first ease and its repeats where little or much is to be done, on foot and on a belt.
_A_LITTLE: dict[bool, tuple[str, ...]] = {
    False: ("slow down a little please",), True: ("slow the belt a little please",)}
_A_LOT: dict[bool, tuple[str, ...]] = {
    False: ("slow down a lot please", "slow down a lot more please"),
    True: ("slow the belt a lot please", "slow the belt a lot more please")}
# Not known how high, and perhaps over the never-exceed limit.
BY_FEEL_RULE = "by_feel"
_BY_FEEL: dict[bool, tuple[str, ...]] = {
    False: ("sensor lost, slow down by feel",), True: ("sensor lost, slow the belt by feel",)}
PLAN_DONE_RULE = "plan_done"
_PLAN_DONE = ("the plan is done",)
# Beats over the limit that are little or a lot. At about 30 bpm per m/s (mean over 263
# running step tests, from open data of Donne 2024) 7 bpm is 0.8 km/h; the bounds are our choice.
_LITTLE_BPM, _LOT_BPM = 1, 7
# What no heart rate has to do with is said without one.
_WITHOUT_NUMBER = (Says.NEWS, Says.SIGNAL_LOST)

_UNITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten",
          "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen",
          "nineteen")
_TENS = ("", "", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")


def number_words(number: int) -> str:
    """A whole number from 0 to 999 as runners say heart rates.

    >>> number_words(142), number_words(105), number_words(200), number_words(88)
    ('one forty two', 'one oh five', 'two hundred', 'eighty eight')
    """
    if not 0 <= number <= 999:
        raise ValueError(f"{number} cannot be spoken: only 0 to 999 can")
    hundreds, rest = divmod(number, 100)
    if not hundreds:
        return _two_digits(rest)
    if not rest:
        return f"{_UNITS[hundreds]} hundred"
    return f"{_UNITS[hundreds]} {'oh ' if rest < 10 else ''}{_two_digits(rest)}"


def speed_words(speed: float) -> str:
    """A speed to one decimal: 8.2 is "eight point two", 10.0 is "ten"."""
    tenths = round(speed * 10)
    whole, decimal = divmod(tenths, 10)
    return number_words(whole) + (f" point {_UNITS[decimal]}" if decimal else "")


def speed_to_set(given: CueGiven, settings: Settings) -> float | None:
    """The advised speed in the runner's unit (km/h or mph) on the belt's step.

    Ease and run again round down, so that rounding never costs room; faster
    rounds to the nearest step. None where nothing sensible is advised.
    """
    advised = given.advised_speed_m_s
    if not given.cue.about.advises or advised is None or not math.isfinite(advised) or advised <= 0:
        return None
    steps = advised / settings.belt_step_m_s
    # The small allowance keeps a speed that already is a whole number of steps.
    steps = round(steps) if given.cue is Cue.PICK_UP else math.floor(steps + 1e-6)
    speed = steps * settings.belt_step_m_s * per_m_s(settings.units)
    return round(speed, 1) if 0.1 <= speed < 100 else None


def phrase(given: CueGiven, settings: Settings) -> str:
    """What is said for a cue, in plain lower-case words; empty for `NONE`."""
    return ", ".join(spoken(given, settings))


def spoken(given: CueGiven, settings: Settings) -> tuple[str, ...]:
    """The parts of what is said for a cue, each in the bank of phrases; none for `NONE`.

    With `settings.speech` "full" the number and kind of reason follow.
    """
    words = _words(given, settings)
    if not words:
        return ()
    parts = [words]
    speed = speed_to_set(given, settings)
    if speed is not None:
        parts.append(_speed_part(speed, settings.belt or given.belt))
    if settings.speech == "full" and given.cue.about.says not in _WITHOUT_NUMBER:
        parts += _reason_parts(given)
    return tuple(parts)


def headline(given: CueGiven, settings: Settings) -> str:
    """The cue as one short line for a screen, numbers in digits.

    >>> headline(CueGiven(0, Cue.EASE, advised_speed_m_s=2.3), Settings(belt=True))
    'Ease: slow the belt please, 8.2 km/h'
    """
    words = _words(given, settings)
    if not words:
        return ""
    name = given.cue.words
    speed = speed_to_set(given, settings)
    said_already = given.rule == PLAN_DONE_RULE or (
        name in words and given.cue.about.says is not Says.SLOWER)
    line = words if said_already else f"{name}: {words}"
    line = line[0].upper() + line[1:]
    return line + (f", {speed:.1f} {speed_unit(settings.units)}" if speed is not None else "")


def status_parts(snapshot: Snapshot, settings: Settings) -> tuple[str, ...]:
    """Status on demand: "heart rate one thirty one", "room eight"."""
    parts = [PAUSED] if snapshot.state is State.HELD else []
    if snapshot.level_bpm is None or snapshot.state is State.NO_SIGNAL:
        return *parts, NO_SIGNAL
    parts.append(_heart_rate(round(snapshot.level_bpm)))
    if snapshot.room_bpm is not None:
        room = round(snapshot.room_bpm)
        parts.append(_room(room) if room >= 0 else _over(-room))
    belt = settings.belt or snapshot.belt
    if belt and snapshot.advised_speed_m_s is not None and snapshot.state is State.EASING:
        advice = CueGiven(snapshot.t_s, Cue.EASE, advised_speed_m_s=snapshot.advised_speed_m_s)
        speed = speed_to_set(advice, settings)
        if speed is not None:
            parts.append(_speed_part(speed, belt))
    return tuple(parts)


def cue_phrases(settings: Settings) -> list[str]:
    """The fixed words of every cue under these settings, most urgent first."""
    return _fixed_words(settings.belt)


def phrase_bank(settings: Settings) -> list[str]:
    """Every part that may be spoken, the most needed first, without doubles.

    Cue phrases come first, then heart rates 60 to 210, rooms, and speeds where
    the settings make speed advice possible. The words of the belt are always
    among them, since a treadmill may be connected at any time.
    """
    bank = [*cue_phrases(settings), GUARD_STOPPED, ALL_IS_WELL, NO_SIGNAL, PAUSED, NOT_RECORDING,
            RECORDING_AGAIN]
    bank += _fixed_words(belt=True)
    bank += [_heart_rate(bpm) for bpm in HEART_RATES_BPM]
    bank += [_room(bpm) for bpm in _ROOMS_BPM] + [_over(bpm) for bpm in _OVERS_BPM]
    if settings.belt or settings.gain_bpm_per_m_s is not None:
        top = 13.0 if settings.units == "mile" else 20.0
        for belt in (settings.belt, True):
            bank += [_speed_part(tenths / 10, belt) for tenths in range(20, round(top * 10) + 1)]
    if settings.speech == "full":
        bank += [WALK_RUN] + [_foreseen(bpm) for bpm in HEART_RATES_BPM]
    return list(dict.fromkeys(bank))


def _fixed_words(belt: bool) -> list[str]:
    most_urgent_first = sorted(CUES, key=lambda cue: -cue.about.rank)
    words = [words for cue in most_urgent_first for words in WORDS[cue].spoken(belt)]
    return [*words, *_BY_FEEL[belt], *_A_LITTLE[belt], *_A_LOT[belt], *_PLAN_DONE]


def _words(given: CueGiven, settings: Settings) -> str:
    belt = settings.belt or given.belt
    said = WORDS.get(given.cue)
    if said is None:
        return ""
    choices = said.spoken(belt)
    if given.cue is Cue.SIGNAL_LOST and given.rule == BY_FEEL_RULE:
        choices = _BY_FEEL[belt]
    if given.cue is Cue.PART and given.rule == PLAN_DONE_RULE:
        choices = _PLAN_DONE
    if given.cue is Cue.EASE and speed_to_set(given, settings) is None:
        choices = _sized(_beats_over(given.numbers), choices, belt)
    return choices[min(max(given.repeat, 0), len(choices) - 1)]


def _sized(over_bpm: int | None, choices: tuple[str, ...], belt: bool) -> tuple[str, ...]:
    """The words for an ease of this size; a repeat never asks for a little."""
    if over_bpm is None:
        return choices
    if over_bpm >= _LOT_BPM:
        return _A_LOT[belt]
    return _A_LITTLE[belt] + choices[1:] if over_bpm <= _LITTLE_BPM else choices


def _first(*values: float | None) -> int | None:
    """The first figure that is given, as it is shown."""
    return next((round(value) for value in values if value is not None), None)


def _beats_over(n: Numbers) -> int | None:
    """By how much the limit is or will be passed, in beats as shown; None where that is not told."""
    level = _first(n.foreseen_bpm, n.without_bpm, n.level_bpm)
    limit = _first(n.limit_bpm, n.ceiling_bpm)
    return None if level is None or limit is None else level - limit


def _reason_parts(given: CueGiven) -> list[str]:
    """The kind of reason as spoken: where heart rate is heading, else where it is."""
    n = given.numbers
    parts = [WALK_RUN] if given.rule == WALK_RUN_RULE else []
    ahead, now = _first(n.heading_bpm, n.foreseen_bpm, n.without_bpm), _first(n.level_bpm)
    if ahead is not None:
        parts.append(_foreseen(ahead))
    elif now is not None:
        parts.append(_heart_rate(now))
    return parts


def _speed_part(speed: float, belt: bool) -> str:
    return f"{'set' if belt else 'about'} {speed_words(speed)}"


def _heart_rate(bpm: int) -> str:
    return f"heart rate {number_words(min(max(bpm, 0), 999))}"


def _foreseen(bpm: int) -> str:
    return f"heading for {number_words(bpm)}"


def _room(bpm: int) -> str:
    return f"room {number_words(min(bpm, 999))}"


def _over(bpm: int) -> str:
    return f"over by {number_words(min(bpm, 999))}"


def _two_digits(number: int) -> str:
    if number < 20:
        return _UNITS[number]
    tens, unit = divmod(number, 10)
    return _TENS[tens] + (f" {_UNITS[unit]}" if unit else "")
