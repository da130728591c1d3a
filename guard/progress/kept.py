"""Figures of sessions and links from the plain values they are kept as, looked at before belief. Pure."""

from collections.abc import Mapping, Sequence
from types import NoneType
from typing import Any

from guard.journal.links import Correlation
from guard.progress.checks import CheckPart
from guard.progress.figures import SessionFigures
from guard.progress.minutes import LAGS_S, SIZE, Minutes

HIGHEST = 1e9  # far beyond any figure of a run
LEAST_WEIGHT = 1e-3  # of a sum of minutes; less is none (ours)

_NUMBER, _NONE = (float, int), (NoneType,)
_KINDS: dict[object, tuple[type, ...]] = {  # what a field of that type is kept as
    float: _NUMBER, float | None: _NUMBER + _NONE, int: (int,), str: (str,), bool: (bool,),
    str | None: (str, NoneType), Minutes | None: (dict, NoneType),
    tuple[tuple[float, ...], ...]: (list, tuple),
    tuple[int, tuple[int, ...]] | None: (list, tuple, NoneType),
}


def _form(of: type) -> dict[str, tuple[type, ...]]:
    return {name: _KINDS[kind] for name, kind in of.__annotations__.items()}


_FIGURES, _MINUTES = _form(SessionFigures), _form(Minutes)
_CHECK, _LINK = _form(CheckPart), _form(Correlation)


def figures_from(kept: object, check: object) -> tuple[SessionFigures, tuple[CheckPart, ...]]:
    """What `dataclasses.asdict` made of figures and check parts; ValueError for anything else."""
    figures = dict(_fitting(kept, _FIGURES))
    if figures["minutes"] is not None:
        kept_minutes = dict(_fitting(figures["minutes"], _MINUTES))
        sums = kept_minutes["sums"]
        if len(sums) != len(LAGS_S) or any(len(row) != SIZE for row in sums):
            raise ValueError("not the sums of minutes")
        for row in sums:
            _numbers(row)
            if row[0] < 1 or min(row[1], row[16], row[21]) < LEAST_WEIGHT or not _squares(row[6:16]):
                raise ValueError("no sums of minutes")
        kept_minutes["sums"] = tuple(map(tuple, sums))
        figures["minutes"] = Minutes(**kept_minutes)
    if figures["bpm_seconds"] is not None:
        lowest, seconds = figures["bpm_seconds"]
        _numbers([lowest, *seconds], whole=True)
        figures["bpm_seconds"] = (lowest, tuple(seconds))
    if not isinstance(check, (list, tuple)):
        raise ValueError("not a list of check parts")
    return SessionFigures(**figures), tuple(CheckPart(**_fitting(part, _CHECK)) for part in check)


def _squares(upper: Sequence[float]) -> bool:
    """Whether ten numbers can be the products of four columns: no sum of these has a negative square."""
    a, b, c, d, e, f, g, h, i, j = upper
    rows = [[a, b, c, d], [b, e, f, g], [c, f, h, i], [d, g, i, j]]
    slack = 1e-6 * (1.0 + a + e + h + j)
    for k in range(4):
        pivot = rows[k][k]
        if pivot < -slack:
            return False
        for row in rows[k + 1:]:
            share = row[k] / (pivot + slack)
            for place in range(k + 1, 4):
                row[place] -= share * rows[k][place]
    return True


def links_from(kept: object) -> list[Correlation]:
    """What `dataclasses.asdict` made of links; ValueError for anything else."""
    if not isinstance(kept, list):
        raise ValueError("not a list of links")
    return [Correlation(**_fitting(link, _LINK)) for link in kept]


def _fitting(values: Any, form: Mapping[str, tuple[type, ...]]) -> dict[str, Any]:
    if not isinstance(values, dict) or values.keys() != form.keys():
        raise ValueError("not of this form")
    for name, kinds in form.items():
        value = values[name]
        if not isinstance(value, kinds) or (isinstance(value, _NUMBER) and not -HIGHEST < value < HIGHEST):
            raise ValueError(f"{name} is not of this form")
    return values


def _numbers(values: Any, *, whole: bool = False) -> None:
    if not isinstance(values, (list, tuple)) or not all(
            isinstance(value, int if whole else _NUMBER) and -HIGHEST < value < HIGHEST for value in values):
        raise ValueError("not numbers")
