"""Names and files that want to steer the terminal: every command that shows them, on a real one."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest

from tests.support.bluez import start_bluez
from tests.support.hostile import NAME, SEEN, foreign, hostile_home, on_a_terminal
from tests.test_review_page import browse

needs_bus = pytest.mark.skipif(
    sys.platform != "linux" or not shutil.which("dbus-daemon"), reason="needs Linux and dbus-daemon")
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs a POSIX terminal")


# What a command says itself, beside colours: a line that counts and is drawn again.
OWN = {"progress": r"\r(?=reading sessions: \d+ of \d+)", "tune": r"\x1b\[\?25[lh]|\r?\x1b\[(?:2K|1A)"}


def test_the_search_finds_what_is_foreign():
    assert foreign("\x1b[1;32mplain\x1b[0m\r\n") == []
    assert foreign("\x1b]0;t\x07") == ["\x1b", "\x07"]
    assert foreign("\x1b[2J") and foreign("a\rb") and foreign("\x9b31m") and foreign("\u202e")
    assert foreign("\x1b[38;2;1;2;3m") and foreign("\x1b[5;7m") and foreign("\udc9b")


def harmless(home: Path, shows: list[list[str | Path]], quiet: list[list[str | Path]], **env: str) -> None:
    """`shows` say the hostile name, and none of them lets it do anything."""
    for words, code, shown in on_a_terminal(home, [*shows, *quiet], **env):
        assert code in (0, 1, 2, 3, 4), (words, code, shown)
        assert "fault in the guard" not in shown, shown
        assert foreign(shown, OWN.get(str(words[0]), "(?!)")) == [], (words, shown)
        assert SEEN in shown or words in quiet, (words, shown)


def test_no_name_steers_the_terminal(tmp_path: Path):
    home = tmp_path / "home"
    log = hostile_home(home)
    harmless(home, [
        ["sessions"], ["replay", log, "--verify"], ["journal", "--list"], ["settings"],
        ["plan", home / "plan.toml", "--ceiling", "139"], [f"\x1b]0;{SEEN}\x07"],
    ], [])


@pytest.mark.slow
def test_no_command_lets_a_foreign_code_through(tmp_path: Path):
    home = tmp_path / "home"
    log = hostile_home(home)
    named = next(log.parent.glob(f"a*{SEEN}*.jsonl"))
    harmless(home, [
        ["sessions", SEEN], ["sessions", "--verify"], ["sessions", "--json"],
        ["replay", log, "--set", "words=0.3"], ["replay", named, "--json"],
        ["review", named], ["review", log, "--json"], ["journal", "--search", SEEN], ["journal", "--json"],
        ["progress", "--ceiling", "139"], ["plan", home / "plan.toml", "--json"],
        ["plan", home / "plan-wrong.toml", "--ceiling", "139"], ["settings", "--json"], ["ceiling"],
        ["import", home / "beats.csv", "--time", "t", "--heart-rate", "hr", "-o", tmp_path / "2"],
        ["export", named, "-o", tmp_path / f"{SEEN}\x1b[2J.csv"], ["data", "--json"],
        ["sessions", "--rename", "last", f"\x1b[2J{SEEN}"], ["learn", named],
        ["replay", f"\x1b[2J{SEEN}"], ["sessions", f"--\x1b[2J{SEEN}"],
        ["journal", "--date", f"\x1b[2J{SEEN}"], ["settings", f"\x1b[2J{SEEN}=1"],
        ["rehearse", "--course", f"\x1b[2J{SEEN}"], ["plan", "--make", f"\x1b[2J{SEEN}"],
    ], [
        ["replay", named], ["plan", home / "torn.toml"], ["journal", "--today"], ["data"],
        ["progress", "--ceiling", "139", "--json"], ["progress", "--ceiling", "139", "--csv", "-"],
        ["journal", "--csv", "-"], ["journal", "--stress", "2", "--date", "2026-03-02"],
        ["ceiling", "--json"], ["review", log, "--html", tmp_path / "page.html"],
        ["import", home / "beats.csv", "-o", tmp_path / "1"], ["settings", f"voice=\x1b[2J{SEEN}"],
        ["import", home / "beats.csv", "--time", "t", "--heart-rate", "bpm", "-o", tmp_path / "3"],
        ["tune", log, "--tries", "2", "--view", "recorded", "--jobs", "1"],
    ])


@pytest.mark.slow
@needs_bus
def test_no_device_steers_the_terminal(tmp_path: Path):
    home = tmp_path / "home"
    hostile_home(home)
    name = NAME.replace("\x00", "")  # D-Bus carries no NUL
    with start_bluez() as bluez:
        bluez.add_strap("C8:00:00:00:00:01", name, battery=9)
        bluez.add_treadmill("C8:00:00:00:00:02", name)
        bluez.add_foot_pod("C8:00:00:00:00:03", name)
        harmless(home, [
            ["straps", "--seconds", "2"], ["straps", "--seconds", "2", "--json"],
            ["straps", "--seconds", "2", "--remember", "C8:00:00:00:00:01"], ["check"],
        ], [["check", "--json"], ["straps", "--forget", "all"]], **bluez.env)


@pytest.mark.slow
def test_no_name_runs_in_a_report_page(tmp_path: Path):
    home = tmp_path / "home"
    log = hostile_home(home)
    named = next(log.parent.glob(f"a*{SEEN}*.jsonl"))
    pages = [tmp_path / "review.html", tmp_path / "months.html"]
    harmless(home, [], [["review", named, "--html", pages[0]],
                        ["progress", "--ceiling", "129", "--html", pages[1]]])
    for number, page in enumerate(pages):
        text = page.read_text(encoding="utf-8")
        assert foreign(text) == []
        dom = browse(tmp_path, "--virtual-time-budget=3000", "--dump-dom", page.as_uri())
        title = dom[dom.index("<title>") + 7:dom.index("</title>")]
        assert title.strip() and title != "owned"
        assert "<script" not in dom and "<img" not in dom
        assert (SEEN in dom) == (number == 0)  # the months name no session but by its day
