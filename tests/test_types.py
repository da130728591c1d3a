"""What strict mypy cannot refuse by itself: `Any` at a room's door switches it off behind it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

PACKAGE = Path(__file__).resolve().parent.parent / "guard"

ALLOWED = {
    "signal/kit.py", "signal/kit_arrays.py",  # numbers of the decision, floats or arrays alike
    "radio/airtime.py Airtime.lend(work)",  # what a coroutine is sent and yields, as asyncio has it
}


def anys(tree: ast.AST) -> bool:
    return any(isinstance(node, ast.Name) and node.id == "Any" for node in ast.walk(tree))


def at_the_door(body: list[ast.stmt], owner: str = "") -> Iterator[str]:
    """Public functions, methods and attributes whose annotations hold `Any`."""
    for node in body:
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            yield from at_the_door(node.body, f"{node.name}.")
        elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and not node.name.startswith("_"):
            every = node.args
            for argument in (*every.posonlyargs, *every.args, *every.kwonlyargs, every.vararg, every.kwarg):
                if argument is not None and argument.annotation is not None and anys(argument.annotation):
                    yield f"{owner}{node.name}({argument.arg})"
            if node.returns is not None and anys(node.returns):
                yield f"{owner}{node.name}()"
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name) \
                and not node.target.id.startswith("_") and anys(node.annotation):
            yield f"{owner}{node.target.id}"
        elif isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name) \
                and not node.targets[0].id.startswith("_") and anys(node.value):
            yield f"{owner}{node.targets[0].id}"  # another name for a type


def test_no_any_crosses_a_door() -> None:
    found = {f"{path.relative_to(PACKAGE)} {name}" for path in PACKAGE.rglob("*.py")
             for name in at_the_door(ast.parse(path.read_text(encoding="utf-8")).body)}
    assert {one for one in found if one not in ALLOWED and one.split()[0] not in ALLOWED} == set()


def test_a_planted_any_is_seen() -> None:
    planted = ("Key = dict[str, Any]\nclass Door:\n    key: dict[str, Any]\n"
               "    def open(self, by: list[Any]) -> Any: ...\n"
               "    def _inside(self, by: Any) -> Any: ...\n")
    seen = list(at_the_door(ast.parse(planted).body))
    assert seen == ["Key", "Door.key", "Door.open(by)", "Door.open()"]
