"""Figures of sessions and links from the plain values they are kept as, looked at before belief. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from types import NoneType
from typing import Any

from guard.journal.links import Link
from guard.progress.checks import CheckPart
from guard.progress.line import Line
from guard.progress.steady import SessionFigures

HIGHEST = 1e12  # far beyond any figure of a run

_NUMBER, _NONE = (float, int), (NoneType,)
_KINDS: dict[str, tuple[type, ...]] = {  # as the classes write them
    "float": _NUMBER, "float | None": _NUMBER + _NONE, "int": (int,), "str": (str,), "bool": (bool,),
    "Line | None": (dict, NoneType), "Sequence[float]": (list, tuple), "str | None": (str, NoneType),
    "tuple[int, tuple[int, ...]] | None": (list, tuple, NoneType),
}


def _form(of: type) -> dict[str, tuple[type, ...]]:
    return {name: _KINDS[kind] for name, kind in of.__annotations__.items()}


_FIGURES, _LINE, _CHECK, _LINK = _form(SessionFigures), _form(Line), _form(CheckPart), _form(Link)


def figures_from(kept: object, check: object) -> tuple[SessionFigures, tuple[CheckPart, ...]]:
    """What `dataclasses.asdict` made of figures and check parts; ValueError for anything else."""
    figures = dict(_fitting(kept, _FIGURES))
    if figures["line"] is not None:
        line = _fitting(figures["line"], _LINE)
        if len(line["covariance"]) != 9:
            raise ValueError("not a covariance")
        if not line["slope"] > 0:
            raise ValueError("heart rate that does not rise with speed")
        _numbers(line["covariance"])
        figures["line"] = Line(**line)
    if figures["bpm_seconds"] is not None:
        lowest, seconds = figures["bpm_seconds"]
        _numbers([lowest, *seconds], whole=True)
        figures["bpm_seconds"] = (lowest, tuple(seconds))
    if not isinstance(check, (list, tuple)):
        raise ValueError("not a list of check parts")
    return SessionFigures(**figures), tuple(CheckPart(**_fitting(part, _CHECK)) for part in check)


def links_from(kept: object) -> list[Link]:
    """What `dataclasses.asdict` made of links; ValueError for anything else."""
    if not isinstance(kept, list):
        raise ValueError("not a list of links")
    return [Link(**_fitting(link, _LINK)) for link in kept]


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
