"""The house keeps its rooms: what may import what, what stays pure, what stays small.

Imports are read from the source (`ast`), those inside functions too, and
followed through the package, so that a pure room cannot reach a clock, a file
or a radio by a back door.
"""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
import sys
import tomllib
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "guard"
LONGEST_LINES = 350

PURE = ("events", "settings", "errors", "session", "speeds", "tally", "heart", "decide", "runner")
IMPURE = {
    "asyncio", "bleak", "codecs", "datetime", "fileinput", "glob", "io", "logging", "mmap", "multiprocessing",
    "os", "pathlib", "platformdirs", "pyttsx3", "queue", "random", "rich", "secrets", "select", "selectors",
    "shutil", "signal", "simpleaudio", "socket", "subprocess", "sys", "tempfile", "threading", "time",
}
IMPURE_CALLS = {"open", "print", "input", "exec", "eval", "compile", "__import__"}
SEEDED = {"Generator", "PCG64", "SeedSequence", "default_rng"}
NEVER_LIVE = {"scipy", "matplotlib", "hypothesis", "pytest", "bumble"}

# room: the rooms it may import. A reading goes one way: heart, decide, session, live.
BASE = {"events", "settings", "errors"}
PURE_CORE = BASE | {"heart", "decide", "speeds", "tally", "session"}
MAY_IMPORT = {
    "events": set(),
    "errors": set(),
    "settings": {"errors"},
    "heart": BASE | {"heart"},
    "decide": BASE | {"decide", "heart"},
    "tally": BASE,
    "speeds": BASE,
    "session": BASE | {"heart", "decide", "speeds", "tally"},
    "runner": PURE_CORE | {"runner"},
    "clock": BASE,
    "sound": BASE | {"decide", "sound"},
    "screen": BASE | {"clock", "decide", "screen"},
    "sense": PURE_CORE | {"clock", "runner", "sense"},
    "keep": PURE_CORE | {"clock", "keep", "sense"},
    "pins": BASE | {"inbox", "pins"},
    "answers": BASE | {"decide", "inbox", "screen", "speeds"},
    "live": PURE_CORE | {"answers", "clock", "inbox", "keys", "outlet", "screen", "sense", "signals"},
    "study": PURE_CORE | {"keep", "runner", "study"},
    "coach": BASE | {"coach", "study"},
    "report": BASE | {"coach", "decide", "report", "screen", "study"},
}


def modules() -> dict[str, Path]:
    """Dotted name to file, for every module of the package."""
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


MODULES = modules()


def room_of(name: str) -> str:
    parts = name.split(".")
    return parts[1] if len(parts) > 1 else ""


@cache
def tree(name: str) -> ast.Module:
    return ast.parse(MODULES[name].read_text(encoding="utf-8"))


@cache
def imports(name: str) -> frozenset[str]:
    """Dotted names that a module imports, anywhere in it but under `if TYPE_CHECKING:`."""
    found: set[str] = set()

    def visit(node: ast.AST) -> None:
        if isinstance(node, ast.If) and ast.unparse(node.test) in ("TYPE_CHECKING", "typing.TYPE_CHECKING"):
            for child in node.orelse:
                visit(child)
            return
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name} imports relatively"
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                found.add(whole if whole in MODULES else str(node.module))
        for child in ast.iter_child_nodes(node):
            visit(child)

    visit(tree(name))
    return frozenset(found)


def reached(names: list[str]) -> dict[str, tuple[str, ...]]:
    """Everything that `names` import, directly or through the package: import to its way there."""
    ways: dict[str, tuple[str, ...]] = {name: (name,) for name in names}
    open_ends = list(names)
    while open_ends:
        here = open_ends.pop()
        for name in imports(here) if here in MODULES else ():
            if name not in ways:
                ways[name] = (*ways[here], name)
                open_ends.append(name)
    return ways


def in_room(room: str) -> list[str]:
    return [name for name in MODULES if room_of(name) == room]


def test_the_walk_sees_what_is_there():
    assert {"guard.session", "guard.heart.estimate", "guard.decide.table", "guard.live.live"} <= set(MODULES)
    assert "guard.decide.lane" in imports("guard.session")
    assert "numpy" in reached(["guard.decide.lanes"])
    assert "numpy" not in reached(["guard.session"]), "a session and its replay start sooner without"
    assert "rich" in {name.split(".")[0] for name in reached(in_room("screen"))}


@pytest.mark.parametrize("room", PURE)
def test_pure_rooms_know_no_clock_file_radio_or_screen(room):
    names = in_room(room)
    assert names
    wrong = {name: " > ".join(way) for name, way in reached(names).items() if name.split(".")[0] in IMPURE}
    assert not wrong
    for name in names:
        calls = {node.func.id for node in ast.walk(tree(name))
                 if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}
        assert not calls & IMPURE_CALLS, name


@pytest.mark.parametrize("room", PURE)
def test_chance_in_a_pure_room_comes_from_a_seed(room):
    """A generator is handed in or made from a seed; numpy's shared one would end exact replay."""
    for name in in_room(room):
        for node in ast.walk(tree(name)):
            if isinstance(node, ast.Attribute) and ast.unparse(node.value) in ("np.random", "numpy.random"):
                assert node.attr in SEEDED, f"{name}: {node.attr}"
            if isinstance(node, ast.Call) and ast.unparse(node.func).endswith("default_rng"):
                assert node.args, f"{name}: default_rng() without a seed"


@pytest.mark.parametrize("room", MAY_IMPORT)
def test_rooms_import_only_rooms_before_them(room):
    for name in in_room(room):
        rooms = {room_of(other) for other in imports(name) if other.startswith("guard.")}
        assert rooms <= MAY_IMPORT[room], f"{name} imports {sorted(rooms - MAY_IMPORT[room])}"


def test_nothing_below_imports_the_commands():
    for name in MODULES:
        if room_of(name) not in ("commands", "cli"):
            assert not any(other.startswith("guard.commands") for other in imports(name)), name


def test_the_package_has_no_circle_of_imports():
    """A circle through imports at the top of modules would make order of import matter."""
    def top_level(name: str) -> set[str]:
        body = [node for node in tree(name).body if isinstance(node, (ast.Import, ast.ImportFrom))]
        found = set()
        for node in body:
            if isinstance(node, ast.ImportFrom):
                found |= {f"{node.module}.{alias.name}" for alias in node.names} | {str(node.module)}
            else:
                found |= {alias.name for alias in node.names}
        return found & set(MODULES) - {"guard"}

    done: set[str] = set()

    def visit(name: str, way: tuple[str, ...]) -> None:
        assert name not in way, " > ".join((*way, name))
        if name not in done:
            for other in top_level(name):
                visit(other, (*way, name))
            done.add(name)

    for name in MODULES:
        visit(name, ())


def test_the_live_path_never_imports_the_laboratory():
    live = [name for name in MODULES if room_of(name) in (*PURE, "live", "sense", "sound", "screen", "keep")]
    live += ["guard.commands.run", "guard.commands.rehearse"]
    wrong = {name: " > ".join(way) for name, way in reached(live).items() if name.split(".")[0] in NEVER_LIVE}
    assert not wrong


def loaded_after(code: str) -> set[str]:
    answer = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys; print(*sorted(sys.modules))"],
        capture_output=True, text=True, check=True, cwd=ROOT, timeout=60)
    return set(answer.stdout.split()[-5000:])


def test_import_guard_is_light():
    assert not {"numpy", "rich", "bleak", "asyncio"} & loaded_after("import guard")


def test_help_is_light():
    code = "from guard.cli import main\ntry: main(['--help'])\nexcept SystemExit as end: assert not end.code"
    assert not {"numpy", "rich", "bleak", "asyncio"} & loaded_after(code)


def test_public_names_load_on_first_use():
    assert "numpy" in loaded_after("from guard import Cue, Lanes, Settings, State")


# --- commands ------------------------------------------------------------------


def commands() -> dict[str, tuple[str, str, str]]:
    from guard.cli import COMMANDS

    return COMMANDS


def help_of(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    from guard.cli import main

    with pytest.raises(SystemExit) as end:
        main([*words, "--help"])
    assert end.value.code == 0
    return capsys.readouterr().out


def test_help_names_every_command(capsys):
    text = help_of(capsys)
    assert all(re.search(rf"^ +{name}\b", text, re.MULTILINE) for name in commands())


@pytest.mark.parametrize("name", sorted(commands()))
def test_each_command_says_what_it_does_with_an_example(name, capsys):
    text = " ".join(help_of(capsys, name).split())
    _, line, example = commands()[name]
    assert line[1:] in text
    assert f"example: {example}" in text and example.startswith(f"guard {name}")


@pytest.mark.parametrize("name", sorted(commands()))
def test_each_example_is_understood(name):
    """The example in the help parses: no option in it has been renamed away."""
    from guard.cli import _parser

    words = commands()[name][2].split()[1:]
    assert _parser(words).parse_args(words).command == name


# --- the tree ------------------------------------------------------------------


def tracked() -> list[Path]:
    if not shutil.which("git") or not (ROOT / ".git").exists():
        pytest.skip("not a git clone")
    answer = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True)
    return [path for name in answer.stdout.decode().split("\0") if name and (path := ROOT / name).is_file()]


def test_modules_stay_small():
    lines = {name: len(path.read_text(encoding="utf-8").splitlines()) for name, path in MODULES.items()}
    assert not {name: count for name, count in lines.items() if count > LONGEST_LINES}


def test_no_path_of_one_machine_in_the_tree():
    """A file that names a home or work folder works on one machine only."""
    folders = "|".join(["work", "root", "home/[a-z]+", "Users/[A-Za-z]+"])
    pattern = re.compile(rf"(?<![\w.*-])/(?:{folders})(?:/|\b)(?!\w)")
    wrong = []
    for path in tracked():
        if path.suffix in (".png", ".wav", ".gz"):
            continue
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
            if pattern.search(line) and path.name != "test_layers.py":
                wrong.append(f"{path.relative_to(ROOT)}:{number}: {line.strip()[:80]}")
    assert not wrong


@pytest.mark.parametrize("name", ["requirements.lock", "tests/requirements.lock"])
def test_locks_are_whole_and_name_no_host(name):
    text = (ROOT / name).read_text(encoding="utf-8")
    assert "://" not in text and "index" not in text.replace("importlib", "")
    blocks = re.split(r"\n(?=[a-z0-9])", text.strip())
    for block in blocks:
        assert re.match(r"[a-z0-9._-]+==[\w.!+]+ ", block), block[:60]
        assert re.search(r"--hash=sha256:[0-9a-f]{64}", block), block[:60]


def test_the_lock_holds_every_dependency():
    from packaging.requirements import Requirement  # a dependency of pytest

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    runtime = [*project["project"]["dependencies"], *project["project"]["optional-dependencies"]["sound"],
               *project["dependency-groups"]["build"]]
    for wanted, lock in ((runtime, "requirements.lock"),
                         (project["dependency-groups"]["dev"], "tests/requirements.lock")):
        pins: dict[str, list[str]] = {}
        for found in re.finditer(r"^([a-z0-9._-]+)==(\S+)", (ROOT / lock).read_text(encoding="utf-8"), re.M):
            pins.setdefault(found[1], []).append(found[2])
        for line in wanted:
            requirement = Requirement(line)
            assert requirement.name.lower() in pins, f"{line} is not in {lock}: make the locks anew"
            assert all(requirement.specifier.contains(pin) for pin in pins[requirement.name.lower()]), line
