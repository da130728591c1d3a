"""The fuzzing itself: what a worker dies of is kept, and the others go on."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.fuzz.campaign import Found, inputs
from tests.fuzz.targets import Target
from tests.fuzz.trail import Trail
from tests.fuzz.watch import HEAD, MOST_DEATHS, searched

# A worker that tries ten inputs and comes to grief in the way it is told.
WORKER = """
import os, sys, time
from pathlib import Path
sys.path.insert(0, {root!r})
from tests.fuzz.trail import Trail
name, found, work, how, start = sys.argv[1:]
trail = Trail(Path(work) / "trail")
for number in range(10):
    data = b"input %d" % number
    trail.begin(data)
    if number == 7 and (start == "0" or how == "always"):
        print(f"{{name}}: ValueError at here.py:1: 'no' (there)", flush=True)
        os.abort() if how != "waits" else time.sleep(60)
    trail.end(data, number / 100)
print("INITED cov: 12 ft: 3", file=sys.stderr)
print("DONE   cov: 34 ft: 5", file=sys.stderr)
"""
posix = pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")


@pytest.fixture
def worker(tmp_path: Path) -> tuple[str, ...]:
    script = tmp_path / "grief.py"
    script.write_text(WORKER.format(root=str(Path(__file__).parents[1])), encoding="utf-8")
    return (sys.executable, str(script))


@posix
@pytest.mark.parametrize("how", ["dies", "waits"])
def test_what_a_worker_dies_of_is_kept_and_another_takes_over(how: str, tmp_path: Path, worker):
    lines: list[str] = []
    result = searched("grief", lambda to_do, left_s, start: [how, str(start)], tmp_path / "found",
                      count=18, worker=worker, say=lines.append, waits_s=0.5)
    assert (result.runs, result.deaths, result.failures, result.branches) == (18, 1, 1, 34)
    assert not result.given_up
    died, why = sorted((tmp_path / "found").glob("grief-died-*"))
    assert died.read_bytes() == b"input 7" and why.read_bytes().startswith((b"exit -6", b"waited"))
    assert [line.split(" (")[0] for line in lines] == [
        "grief: ValueError at here.py:1: 'no'", "grief: the worker died"]
    assert result.slowest is not None and result.slowest.read_bytes() == b"input 9"
    row = result.row().split()
    assert (row[0], row[2], row[3], row[4], row[5]) == ("grief", "18", "34", "2", "90.0")
    assert len(HEAD.split("  ")) >= 6


@posix
def test_the_end_of_its_time_is_no_death(tmp_path: Path, worker, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("tests.fuzz.watch.LATE_S", -0.5)
    result = searched("grief", lambda to_do, left_s, start: ["waits", str(start)], tmp_path / "found",
                      seconds=1.2, worker=worker, say=lambda line: None)
    assert (result.runs, result.deaths, result.given_up) == (8, 0, False)


@posix
def test_a_target_that_always_dies_is_given_up(tmp_path: Path, worker):
    result = searched("grief", lambda to_do, left_s, start: ["always", str(start)], tmp_path / "found",
                      count=1000, worker=worker, say=lambda line: None)
    assert (result.deaths, result.given_up) == (MOST_DEATHS, True)
    assert "given up" in result.row()


@posix
def test_failures_are_kept_once_for_each_place(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    def check(data: bytes, folder: Path) -> None:
        if data.startswith(b"x"):
            raise ValueError("no")

    trail = Trail(tmp_path / "trail")
    keeper = Found("invented", tmp_path / "found", trail)
    target = Target("invented", check, lambda: [b"x1", b"y"])
    for data in inputs(target, 50, seed=1):
        keeper.run(target, data, tmp_path)
    assert trail.read().runs == 50 and not trail.read().busy
    assert capsys.readouterr().out.count("invented: ValueError at test_fuzz.py") == 1
    kept, words = sorted((tmp_path / "found").iterdir())
    assert kept.read_bytes() == b"x1" and "ValueError: no" in words.read_text(encoding="utf-8")
    trail.close()
