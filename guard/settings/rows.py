"""Every setting once: meaning, unit, range and default in one table.

The table is the field list of `Settings`; help, the settings file, `--set`
and validation are all derived from it. Values are checked when a `Settings`
is made; a wrong one raises `SettingError` (a ValueError) with the fix.

This module is pure: reading the file lives in `guard.settings.file`.
"""

import dataclasses
import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache, partial
from typing import Any, Self

from guard.errors import SettingError, quoted
from guard.units import per_m_s

Value = bool | int | float | str | None  # of a setting
# What became of settings that older files and logs hold.
RETIRED: Mapping[str, str] = {
    "lead_s": "the guard itself knows how far to look ahead; strictness sets how early it speaks",
    "certainty": "strictness sets how early the guard speaks",
    "settle_s": "the guard says run on as soon as the next crossing is far off; leave it out",
    "resume_margin_bpm": "the guard says run on as soon as the next crossing is far off; leave it out",
    "repeat_s": "a cue comes again when heart rate contradicts it; words sets how many there are",
    "walk_after_s": "the guard says walk once easing no longer helps; walk_first sets which you prefer",
    "budget_per_h": "words sets how many cues there are",
    "restart_response_s": "the guard learns from each restart how your heart rate rises; leave it out",
}


class RetiredSetting(SettingError):
    """A key that was a setting once; the message says what became of it."""

    def __init__(self, key: str) -> None:
        super().__init__(f"{key} is no longer a setting: {RETIRED[key]}")


@dataclass(frozen=True, slots=True)
class SettingRow:
    """One row of the settings table.

    `kind` is float, int, bool or str; `optional` settings may be unset
    (written `none`); `choices` lists the words a str setting takes.
    """

    key: str
    kind: type
    default: Value
    unit: str
    low: float | None
    high: float | None
    meaning: str
    optional: bool
    choices: tuple[str, ...]
    group: str

    @property
    def bounds(self) -> tuple[float, float]:
        """The least and the most that a number may be."""
        assert self.low is not None and self.high is not None
        return self.low, self.high

    def within(self, number: float) -> bool:
        """Whether it may be this number."""
        return self.bounds[0] <= number <= self.bounds[1]

    @property
    def range_text(self) -> str:
        """The allowed values in words."""
        if self.choices:
            return " | ".join(self.choices)
        if self.kind is bool:
            return "true | false"
        if self.low is None or self.high is None:
            return "text"
        text = f"{self.low:g} to {self.high:g}"
        return text + (" or none" if self.optional else "")


def _row(
    default: Any, meaning: str, *, group: str, unit: str = "", low: float | None = None,
    high: float | None = None, kind: type | None = None, choices: tuple[str, ...] = (),
) -> Any:
    row = partial(SettingRow, kind=kind or type(default), default=default, unit=unit, low=low, high=high,
                  meaning=meaning, optional=default is None, choices=choices, group=group)
    return field(default=default, metadata={"row": row})


BELT_STEP = 0.1  # of the unit the belt shows
PINS, PAGE = "pins", "page"  # groups that say how a machine is set up, no matter of a session's log


@dataclass(frozen=True, kw_only=True)
class Settings:
    """All settings of one session; units are in the names and in the table.

    >>> Settings(ceiling_bpm=139).strictness
    0.5
    """

    # deciding
    strictness: float = _row(
        0.5, "how strict about the ceiling: 0 lets it be touched, 1 speaks early and keeps well under it",
        group="deciding", low=0, high=1)
    words: float = _row(
        0.5, "how many words: 0 only the most necessary, 1 every one that may help",
        group="deciding", low=0, high=1)
    walk_first: float = _row(
        0.5, "where a slow shuffle might do: 0 prefers a slow shuffle, 1 prefers a walk",
        group="deciding", low=0, high=1)
    spacing_s: float = _row(
        10.0, "least time between two cues (stop and sensor cues come at once)",
        group="deciding", unit="s", low=0, high=120)
    walking: bool = _row(
        True, "whether you may be told to walk", group="deciding")

    # limits
    ceiling_bpm: float | None = _row(
        None,
        "upper limit of an easy run; your own, there is no default",
        group="limits", unit="bpm", low=70, high=220, kind=float)
    floor_bpm: float | None = _row(
        None, "lower limit: under it you are told that you may go faster; none turns that off",
        group="limits", unit="bpm", low=40, high=210, kind=float)
    stop_bpm: float | None = _row(
        None, "never-exceed limit of your own; over it the guard says stop; none means no such cue",
        group="limits", unit="bpm", low=90, high=230, kind=float)

    # warming up
    warm_up_s: float = _row(
        300.0, "length of the warm-up, which has a limit of its own; 0 turns it off",
        group="warming up", unit="s", low=0, high=3600)
    warm_up_quiet_s: float = _row(
        60.0, "so long at first the ceiling itself is the limit",
        group="warming up", unit="s", low=0, high=3600)
    warm_up_ramp_bpm: float = _row(
        8.0, "how far under the ceiling the warm-up limit starts; it rises to the ceiling",
        group="warming up", unit="bpm", low=0, high=60)

    # signal
    stale_s: float = _row(
        3.0, "so long after the last trusted reading the screen shows no signal",
        group="signal", unit="s", low=2, high=30)
    lost_s: float = _row(
        8.0, "so long after it you are told that the sensor is lost",
        group="signal", unit="s", low=3, high=60)
    battery_low_percent: int = _row(
        15, "you are told of the strap's battery at this charge; 0 turns that off",
        group="signal", unit="%", low=0, high=90)

    # the runner
    response_s: float = _row(
        57.0, "how quickly your heart rate follows a small change of speed (its time constant)",
        group="runner", unit="s", low=10, high=180)
    gain_bpm_per_m_s: float | None = _row(
        None, "how much it rises per m/s; `guard learn` finds it, none until then",
        group="runner", unit="bpm/(m/s)", low=3, high=120, kind=float)
    belt: bool = _row(
        False, "you run on a treadmill: the belt comes first in what is said", group="runner")
    belt_step_km_h: float = _row(
        BELT_STEP, "the belt's smallest step of speed; left at 0.1 with units=mile it is 0.1 mph",
        group="runner", unit="km/h", low=0.05, high=1)
    units: str = _row(
        "km", "kilometres or miles on screens and in speech", group="runner", choices=("km", "mile"))

    # sound
    sound: bool = _row(True, "play cues at all", group="sound")
    volume: float = _row(0.8, "loudness of tones and speech", group="sound", low=0, high=1)
    speech: str = _row(
        "short", "what is spoken after the tone: nothing, the phrase, or phrase, number and reason",
        group="sound", choices=("tones", "short", "full"))
    voice: str = _row(
        "en-us", "voice of the speech engine, and with it the language: en-us, de, fr, es",
        group="sound", kind=str)
    speech_rate_wpm: int = _row(
        185, "speed of speech", group="sound", unit="words/min", low=80, high=300)
    all_well_min: float = _row(
        0.0, "a short tick this often says that all is well; 0 turns it off",
        group="sound", unit="min", low=0, high=60)

    # pins of a Raspberry Pi
    pin_button: int | None = _row(
        None, "GPIO (BCM number) of a button to ground: press starts, pauses, goes on; 2 s ends",
        group=PINS, low=2, high=27, kind=int)
    pin_lamp: int | None = _row(
        None, "GPIO (BCM number) of a lamp that shows the state by its rhythm",
        group=PINS, low=2, high=27, kind=int)
    pin_buzzer: int | None = _row(
        None, "GPIO (BCM number) of a buzzer that sounds each cue in a rhythm of its own",
        group=PINS, low=2, high=27, kind=int)
    button_power_off: bool = _row(
        False, "holding the button for 6 s switches the machine off, in stand-by only", group=PINS)
    stand_by_end_min: float = _row(
        10.0, "in stand-by a session without heart rate for this long is ended; 0 never",
        group=PINS, unit="min", low=0, high=240)
    # the page in a browser
    page: str = _row("off", "sessions as a page in a browser", group=PAGE, choices=("off", "here", "network"))
    page_keys: bool = _row(
        False, "buttons on the page: pause, mark, mute, status, ceiling by 1 bpm", group=PAGE)
    sound_out: str = _row(
        "both", "where cues play while the page is on", group=PAGE, choices=("guard", "page", "both"))
    page_port: int = _row(8462, "port of the page", group=PAGE, low=1024, high=65535)
    page_kept: bool = _row(False, "keep its secret address from one session to the next", group=PAGE)

    def __post_init__(self) -> None:
        for entry in table():
            object.__setattr__(self, entry.key, check(entry, getattr(self, entry.key)))
        if self.floor_bpm is not None and self.ceiling_bpm is not None and self.floor_bpm >= self.ceiling_bpm:
            raise SettingError(
                f"floor_bpm {self.floor_bpm:g} must lie under ceiling_bpm {self.ceiling_bpm:g}: "
                "lower the floor or unset it")
        if self.stop_bpm is not None and self.ceiling_bpm is not None and self.stop_bpm <= self.ceiling_bpm:
            raise SettingError(
                f"stop_bpm {self.stop_bpm:g} must lie over ceiling_bpm {self.ceiling_bpm:g}: "
                "raise it or unset it")
        if self.lost_s < self.stale_s:
            raise SettingError(
                f"lost_s {self.lost_s:g} must not be less than stale_s {self.stale_s:g}: raise lost_s")

    @property
    def belt_step_m_s(self) -> float:
        """A belt that shows miles moves by tenths of a mph, where nothing else is set."""
        miles = self.units == "mile" and self.belt_step_km_h == BELT_STEP
        return self.belt_step_km_h / per_m_s("mile" if miles else "km")

    def replaced(self, changes: Mapping[str, object]) -> Self:
        """These settings with `changes` (key to value or text) applied."""
        known: dict[str, Any] = {
            find(key).key: parse(find(key), value) if isinstance(value, str) else value
            for key, value in changes.items()}
        return dataclasses.replace(self, **known)

    def as_dict(self) -> dict[str, Value]:
        """Key to value, in the order of the table; JSON-ready. What is set up on one machine is left out."""
        return {entry.key: getattr(self, entry.key) for entry in table() if entry.group not in (PINS, PAGE)}


@cache
def _by_key() -> dict[str, SettingRow]:
    return {item.name: item.metadata["row"](item.name) for item in dataclasses.fields(Settings)}


def table() -> list[SettingRow]:
    """The settings table, one `SettingRow` a row, in the order of `Settings`."""
    return list(_by_key().values())


class UnknownSetting(SettingError):
    """A key that is no setting; `near` is the row most like it, None where none is alike."""

    def __init__(self, key: str, near: SettingRow | None) -> None:
        hint = f": did you mean {near.key}?" if near else ": `guard settings` lists them all"
        super().__init__(f"unknown setting {quoted(key)}{hint}")
        self.near = near


def find(key: str) -> SettingRow:
    """The row named `key`; else RetiredSetting, or UnknownSetting with the nearest right one."""
    rows = _by_key()
    if key in rows:
        return rows[key]
    if key in RETIRED:
        raise RetiredSetting(key)
    near = difflib.get_close_matches(key, rows, n=1, cutoff=0.4)
    raise UnknownSetting(key, rows[near[0]] if near else None)


def check(entry: SettingRow, value: object) -> Value:
    """`value` as the setting's own kind, or SettingError with the range."""
    if value is None:
        if entry.optional:
            return None
        raise SettingError(f"{entry.key} needs a value: {_wants(entry)}")
    if entry.kind is bool:
        if isinstance(value, bool) or (hasattr(value, "dtype") and value in (True, False)):
            return bool(value)
        raise SettingError(f"{entry.key} is {quoted(value)}, but must be {_wants(entry)}")
    if entry.kind is str:
        if not isinstance(value, str) or (entry.choices and value not in entry.choices):
            raise SettingError(f"{entry.key} is {quoted(value)}, but must be {_wants(entry)}")
        if len(value) > 200 or not value.isprintable():
            raise SettingError(
                f"{entry.key} holds text that cannot be printed or is too long: "
                "use up to 200 plain characters")
        return value
    if isinstance(value, (bool, str)):
        raise SettingError(f"{entry.key} is {quoted(value)}, but must be {_wants(entry)}")
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        raise SettingError(f"{entry.key} is {quoted(value)}, but must be {_wants(entry)}") from None
    if not entry.within(number):
        raise SettingError(f"{entry.key} is {number:g}, but must be {_wants(entry)}")
    if entry.kind is int:
        if number != int(number):
            raise SettingError(f"{entry.key} is {number:g}, but must be a whole number, {_wants(entry)}")
        return int(number)
    return number


def checked_number(key: str, value: float) -> float:
    """`value` as the setting `key`, which is a number and set; SettingError with the range."""
    number = check(find(key), value)
    assert isinstance(number, float)
    return number


def parse(entry: SettingRow, text: str) -> Value:
    """A value written as text (`--set key=text`) as the setting's own kind."""
    word = text.strip()
    if entry.kind is str:
        return check(entry, word)
    if word.lower() in ("none", "") and entry.optional:
        return None
    if entry.kind is bool:
        words = {"true": True, "yes": True, "on": True, "1": True,
                 "false": False, "no": False, "off": False, "0": False}
        if word.lower() in words:
            return words[word.lower()]
        raise SettingError(f"{entry.key} is {quoted(text)}, but must be {_wants(entry)}")
    try:
        number = float(word)
    except ValueError:
        raise SettingError(f"{entry.key} is {quoted(text)}, but must be {_wants(entry)}") from None
    return check(entry, number)


def parse_assignments(pairs: list[str]) -> dict[str, Value]:
    """`["words=0.3", …]` as checked values; what `--set` takes."""
    values: dict[str, Value] = {}
    for pair in pairs:
        key, equals, text = pair.partition("=")
        if not equals:
            raise SettingError(f"--set {quoted(pair)} has no `=`: write --set {key.strip() or 'key'}=value")
        entry = find(key.strip())
        values[entry.key] = parse(entry, text)
    return values


def _wants(entry: SettingRow) -> str:
    unit = f" {entry.unit}" if entry.unit else ""
    if entry.kind in (float, int):
        return f"a number from {entry.low:g} to {entry.high:g}{unit}" + (" or none" if entry.optional else "")
    if entry.kind is bool:
        return "true or false"
    return "one of " + ", ".join(entry.choices) if entry.choices else "text"
