"""One meaning a name, and a word on where each figure comes from."""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

PACKAGE = Path(__file__).resolve().parent.parent / "guard"


def public(path: Path) -> list[tuple[str, str]]:
    """Public classes, type names and constants at the top of a module, each with what it is."""
    found = []
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.ClassDef):
            found.append((node.name, f"class in {path}"))
        elif isinstance(node, (ast.Assign, ast.AnnAssign)) and node.value is not None:
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            for target in targets:
                names, values = [target], [node.value]
                if isinstance(target, ast.Tuple):
                    names, each = target.elts, node.value
                    values = each.elts if isinstance(each, ast.Tuple) else [each] * len(names)
                for name, value in zip(names, values, strict=True):
                    if isinstance(name, ast.Name):
                        found.append((name.id, _spelled(value)))
    return [(name, what) for name, what in found if name[0].isupper()]


def _spelled(value: ast.expr) -> str:
    """A number by its value, anything else as written: 30 and 30.0 mean the same."""
    try:
        return repr(float(ast.literal_eval(value)))
    except (ValueError, TypeError):
        return ast.unparse(value).replace("math.nan", "float('nan')")


def meanings(package: Path) -> dict[str, set[str]]:
    found: dict[str, set[str]] = defaultdict(set)
    for path in sorted(package.rglob("*.py")):
        for name, what in public(path):
            found[name].add(what)
    return {name: whats for name, whats in found.items() if len(whats) > 1}


def test_no_public_name_has_two_meanings():
    assert not set(meanings(PACKAGE))


def test_a_name_with_two_meanings_is_caught(tmp_path: Path):
    (tmp_path / "here.py").write_text("MOST = 0.8\nLEAST, WIDTH = 1, 2\nclass Verdict: ...\n")
    (tmp_path / "there.py").write_text("MOST = 0.9\nLEAST: int = 1\nclass Verdict: ...\n")
    assert set(meanings(tmp_path)) == {"MOST", "Verdict"}


def numbers_alone(value: ast.expr) -> bool:
    """Whether an expression is made of numbers, names and signs only, with a number among them."""
    inside = [node for node in ast.walk(value) if isinstance(node, ast.Constant)]
    made = (ast.Constant, ast.Tuple, ast.UnaryOp, ast.BinOp, ast.Name, ast.operator, ast.unaryop,
            ast.expr_context)
    return bool(inside) and all(isinstance(node, made) for node in ast.walk(value)) and all(
        isinstance(node.value, int | float) and not isinstance(node.value, bool) for node in inside)


def unexplained(source: str) -> Iterator[str]:
    """Constants with neither a comment of their own nor one that heads their block."""
    lines = source.splitlines()
    for node in ast.parse(source).body:
        if not isinstance(node, ast.Assign) or not numbers_alone(node.value):
            continue
        first = node.lineno - 1
        block = first
        while block and lines[block - 1].strip():
            block -= 1
        told = [line for line in lines[block:first] if line.startswith("#")] or "#" in "".join(
            lines[first:node.end_lineno])
        if not told:
            yield ast.unparse(node.targets[0])


def test_every_constant_says_where_it_comes_from() -> None:
    """Its source, that simulation chose it, or that it is ours (a mere reason or unit means ours)."""
    assert {path.relative_to(PACKAGE).as_posix(): names for path in sorted(PACKAGE.rglob("*.py"))
            if (names := list(unexplained(path.read_text(encoding="utf-8"))))} == {}


def test_a_constant_without_a_word_is_caught() -> None:
    planted = ("# Ours.\nMOST = 3\nLEAST = 1\n\nWIDE, HIGH = 2.0, -1\nSEEN_S = 5.0  # ours\n"
               "WORDS = ('a', 1)\n")
    assert list(unexplained(planted)) == ["(WIDE, HIGH)"]
