"""The package as its imports show it: what `tests/test_layers.py` holds to its rules.

Imports are read from the source (`ast`), those inside functions too, and
followed through the package, so that a pure room cannot reach a clock, a file
or a radio by a back door. A room is a folder, a module at the top, or a module
that has rules of its own; each stands in the table handed to `House`.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable, Mapping
from pathlib import Path

IMPURE = {
    "asyncio", "bleak", "codecs", "datetime", "fileinput", "glob", "io", "logging", "mmap", "multiprocessing",
    "os", "pathlib", "platformdirs", "pyttsx3", "queue", "random", "rich", "secrets", "select", "selectors",
    "shutil", "signal", "simpleaudio", "socket", "subprocess", "sys", "tempfile", "threading", "time",
}
IMPURE_CALLS = {"open", "print", "input", "exec", "eval", "compile", "__import__"}
SEEDED = {"Generator", "PCG64", "SeedSequence", "default_rng"}
ANY_ROOM = frozenset({"*"})


class House:
    """The package `guard` under `root`; `may_import` gives each room the rooms it may import."""

    def __init__(self, root: Path, may_import: Mapping[str, Iterable[str]]) -> None:
        self.root = root
        self.may_import = {room: frozenset(others) for room, others in may_import.items()}
        self.modules: dict[str, Path] = {}
        for path in sorted((root / "guard").rglob("*.py")):
            parts = path.relative_to(root).with_suffix("").parts
            self.modules[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
        self._trees: dict[str, ast.Module] = {}
        self._imports: dict[str, frozenset[str]] = {}

    def tree(self, name: str) -> ast.Module:
        if name not in self._trees:
            self._trees[name] = ast.parse(self.modules[name].read_text(encoding="utf-8"))
        return self._trees[name]

    def room_of(self, name: str) -> str:
        """The room of a module: its longest name that is listed, else its folder as it stands."""
        parts = name.split(".")[1:]
        for end in range(len(parts), 0, -1):
            if (room := ".".join(parts[:end])) in self.may_import:
                return room
        return parts[0] if parts else ""

    def in_room(self, room: str) -> list[str]:
        """Its modules, those with rules of their own not among them."""
        return [name for name in self.modules if self.room_of(name) == room]

    def imports(self, name: str) -> frozenset[str]:
        """Dotted names that a module imports, anywhere in it but under `if TYPE_CHECKING:`."""
        if name not in self._imports:
            found: set[str] = set()
            self._visit(self.tree(name), name, found)
            self._imports[name] = frozenset(found)
        return self._imports[name]

    def _visit(self, node: ast.AST, name: str, found: set[str]) -> None:
        if isinstance(node, ast.If) and ast.unparse(node.test) in ("TYPE_CHECKING", "typing.TYPE_CHECKING"):
            for child in node.orelse:
                self._visit(child, name, found)
            return
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name} imports relatively"
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                found.add(whole if whole in self.modules else str(node.module))
        for child in ast.iter_child_nodes(node):
            self._visit(child, name, found)

    def reached(self, names: Iterable[str]) -> dict[str, tuple[str, ...]]:
        """Everything that `names` import, directly or through the package: import to its way there."""
        ways: dict[str, tuple[str, ...]] = {name: (name,) for name in names}
        open_ends = list(ways)
        while open_ends:
            here = open_ends.pop()
            # A module's folders are loaded before it.
            above = {here.rsplit(".", depth)[0] for depth in range(1, here.count("."))} & set(self.modules)
            for name in above | self.imports(here) if here in self.modules else ():
                if name not in ways:
                    ways[name] = (*ways[here], name)
                    open_ends.append(name)
        return ways

    # --- what is wrong, a sentence each ------------------------------------------

    def unlisted(self) -> list[str]:
        """Modules in no room of the table, and rooms of the table that are not there."""
        return [
            *(f"{name} stands in no listed room" for name in self.modules
              if self.room_of(name) not in self.may_import),
            *(f"{room} is listed but not there" for room in self.may_import if not self.in_room(room))]

    def forbidden(self) -> list[str]:
        """Imports that the table does not allow, and any of what is outside the package (tests, tools)."""
        wrong = []
        for name in self.modules:
            room = self.room_of(name)
            allowed = self.may_import.get(room, frozenset())
            for other in sorted(self.imports(name)):
                top = other.split(".")[0]
                if top in ("tests", "recordings", "hardware"):
                    wrong.append(f"{name} imports {other}, which is not installed")
                elif top == "guard" and allowed != ANY_ROOM:
                    there = self.room_of(other)
                    if there not in allowed | {room}:
                        wrong.append(f"{name} imports {other}: {room or 'the top'} may not import {there}")
        return wrong

    def by_name(self) -> list[str]:
        """Modules that import by a name made at run time, which no table sees."""
        called = ((name, ast.unparse(node.func).split(".")[-1]) for name in self.modules
                  for node in ast.walk(self.tree(name)) if isinstance(node, ast.Call))
        return sorted({name for name, what in called if what in ("__import__", "import_module")})

    def impure(self, room: str) -> list[str]:
        """Ways by which a pure room reaches a clock, file, radio, screen or thread, and unseeded chance."""
        names = self.in_room(room)
        wrong = [" > ".join(way) for name, way in self.reached(names).items()
                 if name.split(".")[0] in IMPURE]
        for name in names:
            for node in ast.walk(self.tree(name)):
                if isinstance(node, ast.Call):
                    called = ast.unparse(node.func)
                    if called in IMPURE_CALLS:
                        wrong.append(f"{name} calls {called}")
                    if called.endswith("default_rng") and not node.args:
                        wrong.append(f"{name} makes a generator without a seed")
                elif isinstance(node, ast.Attribute) and node.attr not in SEEDED \
                        and ast.unparse(node.value) in ("np.random", "numpy.random"):
                    wrong.append(f"{name} uses {ast.unparse(node)}: numpy's shared chance ends exact replay")
        return wrong

    def circles(self) -> list[str]:
        """Circles through imports at the top of modules: they would make the order of import matter."""
        done: set[str] = set()
        found: list[str] = []

        def visit(name: str, way: tuple[str, ...]) -> None:
            if name in way:
                found.append(" > ".join((*way[way.index(name):], name)))
            elif name not in done:
                for other in sorted(self._top_level(name)):
                    visit(other, (*way, name))
                done.add(name)

        for name in self.modules:
            visit(name, ())
        return found

    def _top_level(self, name: str) -> set[str]:
        found = set()
        for node in self.tree(name).body:
            if isinstance(node, ast.ImportFrom):
                found |= {f"{node.module}.{alias.name}" for alias in node.names} | {str(node.module)}
            elif isinstance(node, ast.Import):
                found |= {alias.name for alias in node.names}
        return found & set(self.modules) - {"guard"}

    def room_circles(self) -> list[str]:
        """Rooms that import each other in a loop, by any import."""
        arrows: dict[str, set[str]] = {room: set() for room in self.may_import}
        for name in self.modules:
            here = self.room_of(name)
            arrows.setdefault(here, set()).update(
                self.room_of(other) for other in self.imports(name) if other.startswith("guard.")
                and self.room_of(other) != here)
        found = []
        for room in arrows:
            seen: set[str] = set()
            open_ends = [room]
            while open_ends:
                for other in arrows.get(open_ends.pop(), set()) - seen:
                    seen.add(other)
                    open_ends.append(other)
            if room in seen:
                found.append(room)
        return found
