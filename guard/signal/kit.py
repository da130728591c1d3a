"""Two kits of the same operations: on arrays of many lanes, and on one lane's numbers.

Watch, belief and rule are written once, in terms of a kit. With `ARRAYS` (of
`kit_arrays.py`, so that a live session or a replay need not load numpy) a
number is an array of shape (n,) and a fact an array of booleans; with `SINGLE`
they are a float and a bool, which is some ten times faster for the lone lane of
a live session. Both use IEEE 754 doubles and only + - * / and square root on
data, each correctly rounded (IEEE 754-2019, 5.4.1), so both give the same bits.
"""

import math
import operator
from collections.abc import Callable, Sequence
from dataclasses import dataclass

# Of one lane a float and a bool; of n lanes arrays of shape (n,), which behave alike. Typed as one
# lane, so that a fact that is a number, or a misspelt one, is a type error.
Number = float
Fact = bool


@dataclass(frozen=True, slots=True)
class Kit:
    """Operations on the numbers of lanes; NaN is unknown and goes through all of them."""

    where: Callable[[Fact, Number, Number], Number]
    least: Callable[[Number, Number], Number]
    most: Callable[[Number, Number], Number]
    root: Callable[[Number], Number]
    floor: Callable[[Number], Number]
    no: Callable[[Fact], Fact]
    some: Callable[[Fact], bool]  # whether it is true of any lane
    column: Callable[[Sequence[float]], Number]  # one value a lane, as they stand
    put: Callable[[Number, int | slice, float], Number]  # with the value of one lane (or some) replaced
    mark: Callable[[Fact, int | slice, bool], Fact]  # the same of a fact
    at: Callable[[Number, int], float]  # the value of one lane, a Python number


def _where(fact: bool, then: float, other: float) -> float:
    return then if fact else other


def _least(one: float, other: float) -> float:
    return one if one <= other or one != one else other


def _most(one: float, other: float) -> float:
    return one if one >= other or one != one else other


def _floor(value: float) -> float:
    return float(math.floor(value)) if math.isfinite(value) else value


def _only(values: Sequence[float]) -> float:
    (value,) = values
    return value


SINGLE = Kit(
    where=_where, least=_least, most=_most, root=math.sqrt, floor=_floor, no=operator.not_,
    some=bool, column=_only, put=lambda _, __, value: value, mark=lambda _, __, value: value,
    at=lambda value, _: value)
