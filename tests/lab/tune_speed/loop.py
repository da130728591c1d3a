"""The decision as one scalar loop, written out from the decision itself.

The core is written in terms of a kit of operations. Here the kit takes down
what is asked of it, for one lane and one step; the lines make a function that
steps a lane over a recording with plain local variables. It runs as it is (a
plain Python loop) or compiled (numba). It cannot drift from the decision, and
a test holds its cues equal to those of the lanes.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from guard.decide.core import Core
from guard.heart.kit import Kit
from guard.heart.kit_arrays import ARRAYS
from guard.settings import Settings

Floats = NDArray[np.float64]
Loop = Callable[[Floats, Floats, Floats, Floats, NDArray[np.int64]], int]

HEADER = "def loop(times, beats, column, said_s, said):"


class _Name:
    """A value by the name it has in the function; operations on it write lines."""

    __hash__ = None  # type: ignore[assignment]

    def __init__(self, text: str, lines: _Lines) -> None:
        self.text, self.lines = text, lines

    def _do(self, form: str, *others: Any) -> _Name:
        return self.lines.add(form.format(self.text, *(self.lines.text(one) for one in others)))

    def __add__(self, other: Any) -> _Name:
        return self._do("{} + {}", other)

    def __radd__(self, other: Any) -> _Name:
        return self._do("{1} + {0}", other)

    def __sub__(self, other: Any) -> _Name:
        return self._do("{} - {}", other)

    def __rsub__(self, other: Any) -> _Name:
        return self._do("{1} - {0}", other)

    def __mul__(self, other: Any) -> _Name:
        return self._do("{} * {}", other)

    def __rmul__(self, other: Any) -> _Name:
        return self._do("{1} * {0}", other)

    def __truediv__(self, other: Any) -> _Name:
        return self._do("{} / {}", other)

    def __rtruediv__(self, other: Any) -> _Name:
        return self._do("{1} / {0}", other)

    def __and__(self, other: Any) -> _Name:
        return self._do("{} & {}", other)

    def __or__(self, other: Any) -> _Name:
        return self._do("{} | {}", other)

    def __lt__(self, other: Any) -> _Name:
        return self._do("{} < {}", other)

    def __le__(self, other: Any) -> _Name:
        return self._do("{} <= {}", other)

    def __gt__(self, other: Any) -> _Name:
        return self._do("{} > {}", other)

    def __ge__(self, other: Any) -> _Name:
        return self._do("{} >= {}", other)

    def __eq__(self, other: Any) -> _Name:  # type: ignore[override]
        return self._do("{} == {}", other)

    def __ne__(self, other: Any) -> _Name:  # type: ignore[override]
        return self._do("{} != {}", other)

    def __neg__(self) -> _Name:
        return self._do("-{}")

    def __invert__(self) -> _Name:
        return self._do("not {}")

    def __abs__(self) -> _Name:
        return self._do("abs({})")


class _Lines:
    """What was asked so far; the same question gets the same name."""

    def __init__(self) -> None:
        self.rows: list[str] = []
        self._seen: dict[str, _Name] = {}
        self._columns = 0

    def text(self, value: Any) -> str:
        if isinstance(value, _Name):
            return value.text
        if isinstance(value, (bool, np.bool_)):
            return repr(bool(value))
        number = float(value)
        return repr(number) if np.isfinite(number) else {"nan": "NAN", "inf": "INF"}.get(str(number), "-INF")

    def add(self, expression: str) -> _Name:
        known = self._seen.get(expression)
        if known is None:
            known = self._seen[expression] = _Name(f"v{len(self._seen)}", self)
            self.rows.append(f"{known.text} = {expression}")
        return known

    def form(self, form: str) -> Callable[..., _Name]:
        return lambda *values: self.add(form.format(*(self.text(one) for one in values)))

    def column(self, values: Sequence[Any]) -> _Name:
        self._columns += 1
        text = f"column[{self._columns - 1}]"
        return self.add(f"{text} != 0.0" if isinstance(values[0], bool) else text)

    def kit(self) -> Kit:
        return Kit(
            where=self.form("pick({0}, {1}, {2})"), least=self.form("least({0}, {1})"),
            most=self.form("most({0}, {1})"), root=self.form("sqrt({0})"),
            floor=self.form("floor({0})"), no=self.form("not {0}"),
            some=lambda lanes: True, column=self.column, put=_nobody, at=_nobody)

    def cut(self) -> list[str]:
        """The lines so far; later ones must not use their names but for those handed on."""
        rows, self.rows = self.rows, []
        return rows


class _Writing(Core):
    """A core that is taken down."""

    def keep(self) -> list[tuple[Any, Any]]:
        """(holder, key) of all it remembers from step to step."""
        places: list[tuple[Any, Any]] = []
        for holder in (self, self._memory, self.estimate, self.estimate._calm, self.estimate._quick):
            places += [(holder.__dict__, key) for key, value in vars(holder).items() if _is(value)]
            for inner in vars(holder).values():
                if isinstance(inner, list) and inner and _is(inner[0]):
                    places += [(inner, key) for key in range(len(inner))]
                elif isinstance(inner, dict) and any(_is(value) for value in inner.values()):
                    places += [(inner, key) for key in inner]
        return places

    def take(self, t_s: _Name, bpm: _Name) -> _Name:
        cue: _Name = self._take(t_s, bpm, None, None, None, False)
        return cue


def source() -> str:
    """The function's text: `loop(times, beats, column, said_s, said) -> count`.

    `column` is a row of `columns_of`; cues go to `said` with their times.
    """
    lines = _Lines()
    core = _Writing(lines.kit(), [Settings(ceiling_bpm=139.0)])
    begin = lines.cut()
    places = core.keep()
    for number, (holder, key) in enumerate(places):
        begin.append(f"s{number} = {holder[key].text}")
        holder[key] = _Name(f"s{number}", lines)
    cue = core.take(_Name("t", lines), _Name("bpm", lines))
    step = lines.cut()
    moved = [(f"s{number}", holder[key]) for number, (holder, key) in enumerate(places)]
    changed = [(name, lines.text(value)) for name, value in moved if lines.text(value) != name]
    used = _used(step, changed, lines.text(cue))
    update = f"{', '.join(name for name, _ in changed)} = {', '.join(text for _, text in changed)}"
    body = [*(f"    {row}" for row in begin), "    count = 0", "    for k in range(len(times)):",
            "        t = times[k]", "        bpm = beats[k]", *(f"        {row}" for row in used),
            f"        if {lines.text(cue)} != 0.0:", "            said_s[count] = t",
            f"            said[count] = int({lines.text(cue)})", "            count += 1",
            f"        {update}", "    return count"]
    return "\n".join([HEADER, *body]) + "\n"


def plain() -> Loop:
    """The loop as Python runs it; slow, as nothing is left out that a step does not need."""
    names: dict[str, Any] = {**_MEANS}
    exec(source(), names)
    made: Loop = names["loop"]
    return made


def compiled() -> Loop:
    """The loop compiled by numba; ImportError where that is not installed."""
    import numba  # type: ignore[import-not-found, import-untyped, unused-ignore]

    jit: Any = numba.njit(error_model="numpy")
    names: dict[str, Any] = {**_MEANS, **{key: jit(_MEANS[key]) for key in ("pick", "least", "most")}}
    exec(source(), names)
    made: Loop = jit(names["loop"])
    return made


def _pick(fact: Any, one: Any, other: Any) -> Any:
    return one if fact else other


def _least(one: float, other: float) -> float:
    return one if one < other or one != one else other  # as numpy's: NaN goes through


def _most(one: float, other: float) -> float:
    return one if one > other or one != one else other


_MEANS: dict[str, Any] = {
    "NAN": math.nan, "INF": math.inf, "sqrt": math.sqrt, "floor": math.floor,
    "pick": _pick, "least": _least, "most": _most,
}


def columns_of(settings: Sequence[Settings]) -> Floats:
    """What the loop needs of each settings, (settings, columns)."""
    rows: list[Floats] = []

    def column(values: Sequence[Any]) -> Any:
        rows.append(np.array(values, dtype=np.float64))
        return np.array(values)

    Core(replace(ARRAYS, column=column), settings)
    return np.stack(rows, axis=1)


def _used(step: list[str], changed: Sequence[tuple[str, str]], cue: str) -> list[str]:
    """Only lines that something later asks for."""
    wanted = {text for _, text in changed} | {cue}
    kept = []
    for row in reversed(step):
        name, expression = row.split(" = ", 1)
        if name in wanted:
            kept.append(row)
            wanted |= set(re.findall(r"\bv\d+", expression))
    return kept[::-1]


def _is(value: Any) -> bool:
    return isinstance(value, _Name)


def _nobody(*values: Any) -> Any:
    raise TypeError("no lane is asked for by number here")
