"""The house keeps its rooms: what may import what, what stays pure, what stays small."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from guard.commands.arguments import CommandRow
from tests.support.house import ANY_ROOM, House

ROOT = Path(__file__).resolve().parent.parent
LONGEST_LINES = 350
MOST_MODULES = 26  # about two dozen can be taken in at a glance

PURE = (
    "arrays", "cues", "events", "reasons", "errors", "units", "settings", "packets", "signal", "decide",
    "plan", "session", "runner", "devices", "response", "page",
)
NEVER_LIVE = {"scipy", "matplotlib", "hypothesis", "pytest", "bumble"}
LIVE = ("session", "live", "live.practice", "radio", "sound", "screen", "log", "files", "pins", "browser")
BY_NAME = ["guard", "guard.commands.arguments"]  # public names on first use; the command asked for

# room: the rooms it may import beside itself. A room is a folder, a module at the top, or a
# module of a folder that may do more than the rest of it (a file read beside the pure form).
BASE = {"cues", "events", "settings", "errors", "units"}
CORE = BASE | {"signal", "decide", "plan", "session"}
MAY_IMPORT: dict[str, set[str] | frozenset[str]] = {
    # the decision, one way: signal, decide, session
    "arrays": set(),
    "cues": set(),
    "events": {"cues"},
    "reasons": {"events"},
    "errors": set(),
    "units": set(),
    "settings": {"errors", "units"},
    "signal": {"cues", "events"},
    "decide": {"cues", "events", "reasons", "settings", "signal", "units"},
    "plan": BASE,
    "session": BASE | {"decide", "plan", "signal"},
    "runner": {"arrays", "events", "plan"},
    # what feeds it
    "clock": set(),
    "packets": set(),
    "devices": {"events", "packets"},
    "radio": {"clock", "devices", "errors", "events", "packets"},
    "live": CORE | {"clock", "screen"},
    "live.practice": {"clock", "errors", "events", "packets", "runner"},
    # what it is heard, seen and felt by
    "sound": BASE | {"decide"},
    "screen": BASE | {"clock", "decide", "reasons"},
    "screen.lines": set(),
    "pins": BASE | {"live", "screen"},
    "lesson": BASE | {"decide", "files", "live", "screen", "sound"},
    "start": set(),
    "browser": BASE | {"clock", "decide", "files", "live", "reasons", "screen", "sound"},
    # what is kept
    "files": {"errors"},
    "settings.file": {"errors", "files", "settings"},
    "devices.remembered": {"devices", "files"},
    "plan.file": {"errors", "files", "plan", "settings"},
    "plan.drawing": {"plan", "screen"},
    "plan.examples": set(),
    # the road ahead
    "route": {"arrays", "errors", "page", "page.styles", "plan", "runner", "screen", "units"},
    "route.file": {"csv", "errors", "files", "plan.file", "route", "settings", "units"},
    "log": BASE | {"", "arrays", "files", "reasons", "session"},
    "library": {"errors", "events", "files", "log", "plan", "session"},
    "csv": {"arrays", "errors", "events", "files", "library", "log", "reasons", "session", "units"},
    "parquet": {"", "errors", "events", "files", "library", "log", "reasons", "session"},
    # one session at a time
    "page": {"errors"},
    "page.styles": set(),
    "replay": CORE | {"log", "reasons", "screen"},
    "response": {"arrays", "events", "session", "settings", "signal", "units"},
    "review": CORE | {"arrays", "log", "page", "page.styles", "reasons", "replay", "response", "screen"},
    "tune": CORE | {"arrays", "log", "replay", "response", "runner", "screen", "workers"},
    # the months
    "journal": {"arrays", "errors", "files", "screen"},
    "ceiling": {"arrays", "csv", "errors", "events", "files", "journal", "log", "plan", "replay", "screen",
                "session"},
    "progress": {"arrays", "errors", "events", "files", "journal", "library", "log", "page", "page.styles",
                 "plan", "response", "screen", "signal", "units", "workers"},
    "roster": {"errors", "files", "journal", "page", "page.styles", "progress", "screen", "settings.file",
               "units", "workers"},
    # many processes, many machines
    "workers": {"", "errors"},
    # the doors
    "": BASE | {"decide"},
    "commands": ANY_ROOM,
    "about": {""},
    "commands.arguments": {"settings"},
    "cli": {"", "about", "commands.arguments", "errors", "screen.lines"},
    "__main__": {"cli"},
}

HOUSE = House(ROOT, MAY_IMPORT)


def test_the_walk_sees_what_is_there():
    names = {"guard.session.session", "guard.decide.belief", "guard.decide.lanes", "guard.live.live"}
    assert names <= set(HOUSE.modules)
    assert "guard.decide.lane" in HOUSE.imports("guard.session.session")
    assert "numpy" in HOUSE.reached(["guard.decide.lanes"])
    assert "numpy" not in HOUSE.reached(["guard.session"]), "a session and its replay start sooner without"
    assert "rich" in {name.split(".")[0] for name in HOUSE.reached(HOUSE.in_room("screen"))}


def test_every_module_stands_in_a_listed_room():
    assert HOUSE.unlisted() == []


def test_rooms_import_only_what_they_may():
    assert HOUSE.forbidden() == []


def test_nothing_below_imports_the_commands():
    for room, allowed in MAY_IMPORT.items():
        assert room in ("commands", "__main__") or not allowed & {"commands", "cli", "*"}, room


def test_no_import_is_made_by_name_but_at_the_door():
    assert HOUSE.by_name() == BY_NAME


@pytest.mark.parametrize("room", PURE)
def test_pure_rooms_know_no_clock_file_radio_screen_or_unseeded_chance(room):
    assert HOUSE.in_room(room) and HOUSE.impure(room) == []


def test_neither_modules_nor_rooms_import_each_other_in_a_circle():
    assert HOUSE.circles() == [] and HOUSE.room_circles() == []


def test_rooms_can_be_taken_in_at_a_glance():
    folders = [path for path in (ROOT / "guard").rglob("*") if path.is_dir() and path.name != "__pycache__"]
    counts = {path.name: len([*path.glob("*.py")]) for path in folders}
    assert not {name: count for name, count in counts.items() if count > MOST_MODULES}


def test_the_live_path_never_imports_the_laboratory():
    live = [name for room in LIVE for name in HOUSE.in_room(room)]
    live += ["guard.commands.run", "guard.commands.rehearse"]
    wrong = {name: " > ".join(way) for name, way in HOUSE.reached(live).items()
             if name.split(".")[0] in NEVER_LIVE}
    assert not wrong


def test_the_wheel_holds_the_package_and_nothing_of_the_tests():
    from hatchling.builders.wheel import WheelBuilder

    held = {Path(file.distribution_path) for file in WheelBuilder(str(ROOT)).recurse_included_files()}
    assert held and {path.parts[0] for path in held} == {"guard"}
    assert {path.suffix for path in held} <= {".py", ".md", ".html", ".css", ".js", ".toml"}


# --- the rules catch what is planted ----------------------------------------------


PLANTED = """

def planted():
    import guard.commands.tune
    import tests.lab.speed
"""


@pytest.fixture(scope="module")
def copy(tmp_path_factory):
    """A copy of the package in which every room imports what it may not."""
    root = tmp_path_factory.mktemp("copy")
    shutil.copytree(ROOT / "guard", root / "guard", ignore=shutil.ignore_patterns("__pycache__"))
    for room in MAY_IMPORT:
        file = planted_in(root, room)
        with file.open("a", encoding="utf-8") as open_file:
            open_file.write(PLANTED)
    return root


def planted_in(root: Path, room: str) -> Path:
    place = root / "guard" / Path(*room.split(".")) if room else root / "guard" / "__init__.py"
    if room and place.is_dir():
        return place / "planted.py"
    return place if not room else place.with_suffix(".py")


@pytest.fixture(scope="module")
def planted(copy):
    return House(copy, MAY_IMPORT)


@pytest.mark.parametrize("room", MAY_IMPORT)
def test_a_forbidden_import_is_caught_in_every_room(room, copy, planted):
    path = planted_in(copy, room).relative_to(copy).with_suffix("")
    name = ".".join(path.parts[:-1] if path.name == "__init__" else path.parts)
    wrong = [line for line in planted.forbidden() if line.startswith(f"{name} imports ")]
    assert any("tests.lab.speed" in line for line in wrong)
    assert room == "commands" or any("guard.commands.tune" in line for line in wrong)


@pytest.mark.parametrize("path", ["attic.py", "attic/__init__.py", "attic/box.py"])
def test_a_room_that_is_not_listed_is_caught(path, tmp_path):
    for known in ("__init__.py", "events.py"):
        (tmp_path / "guard").mkdir(exist_ok=True)
        shutil.copy(ROOT / "guard" / known, tmp_path / "guard" / known)
    rules = {"": MAY_IMPORT[""], "events": MAY_IMPORT["events"]}
    assert House(tmp_path, rules).unlisted() == []
    (tmp_path / "guard" / path).parent.mkdir(exist_ok=True)
    (tmp_path / "guard" / path).write_text("import guard.events\n", encoding="utf-8")
    attic = House(tmp_path, rules)
    assert any("attic" in line for line in attic.unlisted())
    assert any("attic" in line for line in attic.forbidden())
    assert "box is listed but not there" in House(tmp_path, rules | {"box": set()}).unlisted()


@pytest.mark.parametrize("text, said", [
    ("import time", "time"),
    ("def f():\n    from guard.files import whole", "os"),
    ("open('x')", "open"),
    ("import numpy as np\nnp.random.normal()", "shared"),
    ("import numpy as np\nnp.random.default_rng()", "seed"),
])
def test_what_is_impure_is_caught(text, said, tmp_path):
    shutil.copytree(ROOT / "guard" / "files", tmp_path / "guard" / "files")
    (tmp_path / "guard" / "packets.py").write_text(text + "\n", encoding="utf-8")
    assert any(said in line for line in House(tmp_path, MAY_IMPORT).impure("packets"))


def test_circles_are_caught(tmp_path):
    for room, other in (("signal", "decide"), ("decide", "signal")):
        (tmp_path / "guard" / room).mkdir(parents=True)
        (tmp_path / "guard" / room / "a.py").write_text(f"import guard.{other}.a\n", encoding="utf-8")
    house = House(tmp_path, MAY_IMPORT)
    assert house.circles() and {"signal", "decide"} <= set(house.room_circles())


# --- what is loaded when --------------------------------------------------------------


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


def commands() -> dict[str, CommandRow]:
    from guard.commands.arguments import COMMANDS

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
    line, example = commands()[name].line, commands()[name].example
    assert line[1:] in text
    assert f"example: {example}" in text and example.startswith(f"guard {name}")


@pytest.mark.parametrize("name", sorted(commands()))
def test_each_example_is_understood(name):
    """The example in the help parses: no option in it has been renamed away."""
    from guard.cli import _parser

    words = commands()[name].example.split()[1:]
    assert _parser(words).parse_args(words).command == name


# --- the tree ------------------------------------------------------------------


def tracked() -> list[Path]:
    if not shutil.which("git") or not (ROOT / ".git").exists():
        pytest.skip("not a git clone")
    answer = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True)
    return [path for name in answer.stdout.decode().split("\0") if name and (path := ROOT / name).is_file()]


def test_modules_stay_small():
    lines = {name: len(path.read_text(encoding="utf-8").splitlines())
             for name, path in HOUSE.modules.items()}
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
    extras = project["project"]["optional-dependencies"]
    runtime = [*project["project"]["dependencies"], *extras["sound"], *extras["page"],
               *project["dependency-groups"]["build"]]
    for wanted, lock in ((runtime, "requirements.lock"),
                         ([*extras["parquet"], *extras["many"], *project["dependency-groups"]["dev"]],
                          "tests/requirements.lock")):
        pins: dict[str, list[str]] = {}
        for found in re.finditer(r"^([a-z0-9._-]+)==(\S+)", (ROOT / lock).read_text(encoding="utf-8"), re.M):
            pins.setdefault(found[1], []).append(found[2])
        for line in wanted:
            requirement = Requirement(line)
            assert requirement.name.lower() in pins, f"{line} is not in {lock}: make the locks anew"
            assert all(requirement.specifier.contains(pin) for pin in pins[requirement.name.lower()]), line
