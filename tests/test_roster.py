"""Many runners: each line says what the runner's own view says, worst first, and nobody is lost unsaid."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import time
from dataclasses import asdict, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from guard.journal import journal as journals
from guard.progress.days import last_illness
from guard.roster import folders, words
from guard.roster.page import page
from guard.roster.roster import News, Standing, line, standing_from, worst_first
from guard.roster.terminal import report
from guard.screen.look import Look
from tests.support.documents import check_listed
from tests.test_progress import guard, year

WEEKS = 13
TODAY = year.BEGINS + timedelta(weeks=WEEKS, days=2)  # a Wednesday, three days after the last runs
STORIES = {  # name: (speed gained in the weeks, weeks)
    "gainer": (0.5, WEEKS), "loser": (-0.5, WEEKS), "silent": (0.0, WEEKS - 6),
}


@pytest.fixture(scope="module")
def group(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of runners as they hand themselves in, each laid out in another way."""
    folder = tmp_path_factory.mktemp("group")
    for seed, (name, (gain, weeks)) in enumerate(STORIES.items()):
        story = year.Story(gain_m_s=gain, gain_weeks=weeks, short_sleep=None)
        year.make(folder / name, seed=seed + 1, story=story, weeks=weeks)
    (folder / "loser" / "data").rename(folder / "loser" / "kept")  # a data folder by itself
    for place in (folder / "loser" / "kept").iterdir():
        place.rename(folder / "loser" / place.name)
    for place in (folder / "silent" / "data" / "sessions").iterdir():  # bare logs, no journal
        place.rename(folder / "silent" / place.name)
    shutil.rmtree(folder / "silent" / "data")
    return folder


@pytest.fixture(autouse=True)
def today(monkeypatch: pytest.MonkeyPatch) -> None:
    """A day after the last runs, and one process: starting others costs more than these few logs."""
    noon = datetime(TODAY.year, TODAY.month, TODAY.day, 12).astimezone()
    monkeypatch.setattr("guard.commands.progress.wall_now", lambda: noon)
    monkeypatch.setattr("guard.commands.progress.usable_cores", lambda: 1)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("home")


def told(folder: Path, home: Path) -> dict[str, Any]:
    answer = guard("progress", "--runners", str(folder), "--json", home=home)
    assert answer.returncode == 0, answer.stderr
    document = json.loads(answer.stdout)
    check_listed("guard/roster/README.md", "progress --runners", document)
    return document


def test_each_line_says_what_the_runners_own_view_says(group, home, tmp_path):
    lines = {one["name"]: one for one in told(group, home)["runners"]}
    assert set(lines) == set(STORIES)
    for name, one in lines.items():
        at = folders.home_of(group / name)
        own = tmp_path / name
        (own / "data").mkdir(parents=True)
        if at.journal.exists():
            shutil.copy(at.journal, own / "data" / "journal.jsonl")
        alone = json.loads(guard("progress", "--folder", str(at.sessions), "--ceiling", "139", "--json",
                                 home=own).stdout)
        recent, speed = alone["recent"], alone["speed_now_m_s"]
        for key, other in (("last_run",) * 2, ("idle_days",) * 2, ("ceiling_bpm",) * 2,
                           ("temperatures_missing",) * 2):
            assert one[key] == alone[other], (name, key)
        assert one["sessions"] == len(alone["runs"])
        assert one["verdict"] == (recent["verdict"] if recent else "early")
        if recent:
            assert one["change"] == {"value": recent["share"], "low": recent["low"], "high": recent["high"]}
            assert (one["change_days"], one["change_runs"]) == (recent["days"], recent["runs"])
            assert one["speed_now_m_s"] == pytest.approx(speed, abs=1e-4)
        assert one["share_over"] == pytest.approx(1 - alone["recent_share_at_or_under"], abs=2e-4)
        last = alone["weeks"][-12:]
        assert (one["weeks"], one["weeks_with_runs"]) == (len(last), sum(week["runs"] > 0 for week in last))


def test_the_worst_news_stand_first(group, home):
    lines = told(group, home)["runners"]
    assert [one["name"] for one in lines] == ["silent", "loser", "gainer"]
    assert [one["news"] for one in lines] == ["silent", "loss", "gain"]
    assert lines[0]["says"] == f"No run for {lines[0]['idle_days'] // 7} weeks"


def test_what_is_known_is_not_read_again_and_what_changed_is(group, home, tmp_path, monkeypatch):
    folder = tmp_path / "group"
    shutil.copytree(group, folder)
    first = told(folder, home)
    looked: list[str] = []
    look_at = folders.look_at

    def looking(path: str, stop: Any) -> folders.KeptStanding:
        looked.append(Path(path).name)
        return look_at(path, stop)

    monkeypatch.setattr(folders, "look_at", looking)
    assert told(folder, home) == first and looked == []
    log = sorted((folder / "silent").glob("*.jsonl"))[-1]
    log.unlink()
    journals.amend(TODAY, {"ill": 2}, folder / "gainer" / "data" / "journal.jsonl")
    after = {one["name"]: one for one in told(folder, home)["runners"]}
    assert sorted(looked) == ["gainer", "silent"]
    before = {one["name"]: one for one in first["runners"]}
    assert after["gainer"]["says"] == "Ill, 1 day"
    assert after["silent"]["sessions"] == before["silent"]["sessions"] - 1
    (folder / "loser" / "config").mkdir()
    (folder / "loser" / "config" / "settings.toml").write_text("ceiling_bpm = 142\n")
    assert {one["name"]: one for one in told(folder, home)["runners"]}["loser"]["ceiling_bpm"] == 142
    for place in (home / "cache" / "roster").iterdir():  # whatever is in it, nothing is believed unlooked
        place.write_bytes(place.read_bytes().replace(b'"last":7', b'"last":"7'))
    looked.clear()
    assert {one["name"] for one in told(folder, home)["runners"]} == set(STORIES) and len(looked) == 3


def test_missing_foreign_and_half_copied_folders_are_named_and_skipped(group, home, tmp_path):
    folder = tmp_path / "group"
    folder.mkdir()
    shutil.copytree(group / "silent", folder / "whole")
    (folder / "notes.txt").write_text("not a runner\n")
    (folder / "gone").symlink_to(tmp_path / "nowhere")
    (folder / "empty").mkdir()
    (folder / "photos").mkdir()
    (folder / "photos" / "one.jpg").write_bytes(b"\xff\xd8")
    shutil.copytree(group / "silent", folder / "half")
    logs = sorted((folder / "half").glob("*.jsonl"))
    for log in logs:
        log.write_bytes(b"")
    logs[0].write_bytes((group / "silent" / logs[0].name).read_bytes()[:200_000])
    (folder / "bad\x1b[2Jname").mkdir()
    others = [f"half {number}" for number in range(6)]  # each is named, however many there are
    for name in others:
        (folder / name).mkdir()
        for log in logs[:4]:
            shutil.copy((group / "silent" if log is logs[0] else folder / "half") / log.name, folder / name)
    answer = guard("progress", "--runners", str(folder), home=home)
    assert answer.returncode == 0
    assert {row.split()[0] for row in answer.stdout.splitlines()[1:9]} == {"half", "whole"}
    for name in ("notes.txt", "gone", "empty", "photos", "bad?[2Jname"):
        assert f"note: {name} is left out: " in answer.stderr
    for name in ("half", *others):
        said, = (row for row in answer.stderr.splitlines() if f"note: {name} is read in part: " in row)
        assert f"{logs[1].name} is left out: it is empty" in said and "more like these" in said
    assert str(folder) not in answer.stderr
    assert "\x1b" not in answer.stdout + answer.stderr
    document = told(folder, home)
    assert {one["name"] for one in document["in_part"]} == {"half", *others}
    assert {one["name"] for one in document["left_out"]} == {
        "notes.txt", "gone", "empty", "photos", "bad\x1b[2Jname"}


@pytest.mark.parametrize("words_, code, said", [
    (["--runners", "nowhere"], 3, "cannot read"),
    (["--runners", "{group}/gainer"], 3, "is not a folder of runners' folders"),
    (["--runners", "{group}/gainer/data"], 3, "is not a folder of runners' folders"),
    (["--runners", "{group}/silent"], 3, "is not a folder of runners' folders"),
    (["--runners", "{group}", "--ceiling", "139"], 2, "each has a ceiling"),
    (["--runners", "{group}", "--csv", "-"], 2, "of one runner"),
])
def test_wrong_use_is_one_sentence(group, home, words_, code, said):
    answer = guard("progress", *[word.format(group=group) for word in words_], home=home)
    assert answer.returncode == code and said in answer.stderr and answer.stderr.count("\n") == 1


def test_one_page_with_a_small_picture_each_stands_alone(group, home, tmp_path):
    target = tmp_path / "all.html"
    assert guard("progress", "--runners", str(group), "--html", str(target), home=home).returncode == 0
    text = target.read_text(encoding="utf-8")
    assert text.count("<svg") == 3 and "<script" not in text and "consent" in text
    assert not re.search(r"https?:|@import|url\(", text)
    hostile = page([line("<b>& me", NOTHING, TODAY)],
                   folders.FoundRunners({}, {"<i>": "</p>"}, {"<u>": "<s>"}), "km", TODAY)
    assert not any(tag in hostile for tag in ("<b>", "<i>", "<u>", "<s>")) and "&lt;b&gt;&amp; me" in hostile


NOTHING = Standing(139.0, 30, TODAY.toordinal() - 200, TODAY.toordinal() - 3, "unknown", False,
                   (0.01, -0.02, 0.04), 84, 30, (2.5, 2.4, 2.6),
                   ((TODAY.toordinal() - 3, 3000.0, 2000.0, 1000.0),), None, (), ())


def test_news_by_what_matters_and_among_equals_by_how_much():
    day = TODAY.toordinal()
    ones = [
        line("well", NOTHING, TODAY), line("gain", replace(NOTHING, verdict="gain"), TODAY),
        line("over", replace(NOTHING, runs=((day - 3, 3000.0, 500.0, 2500.0),)), TODAY),
        line("weeks", replace(NOTHING, last=day - 25), TODAY),
        line("months", replace(NOTHING, last=day - 90), TODAY),
        line("cold", replace(NOTHING, ill=(day - 4, day - 2, 1)), TODAY),
        line("well again", replace(NOTHING, ill=(day - 30, day - 12, 2)), TODAY),
        line("loss", replace(NOTHING, verdict="loss", last=day - 12), TODAY),
        line("idle", replace(NOTHING, last=day - 12), TODAY),
        line("new", replace(NOTHING, verdict="early"), TODAY),
    ]
    assert [one.name for one in worst_first(ones)] == [
        "cold", "months", "weeks", "loss", "idle", "over", "well", "well again", "new", "gain"]
    assert words.news(ones[5]) == "Ill, 5 days" and ones[7].news is News.LOSS


def test_an_illness_ends_with_a_word_or_a_week_without_one():
    days = [date(2026, 1, 1) + timedelta(days=n) for n in range(40)]
    ill = {days[0]: 1.0, days[2]: 2.0, days[9]: 1.0}
    assert last_illness(ill) == (days[0], days[9], 2)
    assert last_illness({**ill, days[20]: 1.0}) == (days[20], days[20], 1)
    assert last_illness({**ill, days[10]: 0.0}) is None and last_illness({}) is None


@pytest.mark.parametrize("width", [79, 110])
@pytest.mark.parametrize("ascii_only", [False, True])
def test_lines_fit_and_a_long_name_is_cut(width, ascii_only):
    ones = [line("n" * 60, NOTHING, TODAY), line("\x1b[31mred", replace(NOTHING, speed=None, change=None,
                                                                      verdict="early", runs=()), TODAY)]
    shown = report(ones, "km", width, Look(ascii=ascii_only))
    assert all(len(row) <= width for row in shown) and "\x1b" not in "".join(shown)
    assert "6:40" in shown[1] and shown[0].startswith("runner")


@pytest.mark.parametrize("spoilt", [
    None, [], {}, {"last": "7"}, {"last": -1}, {"verdict": "great"}, {"runs": [[1]]}, {"speed": [1, 2]},
    {"change": [1, 2, float("inf")]}, {"unwritten": 1}, {"points": [["a", 1.0]]}, {"ill": [1]},
])
def test_what_was_kept_is_looked_at(spoilt):
    kept = json.loads(json.dumps(asdict(NOTHING)))
    assert standing_from(kept) == NOTHING
    with pytest.raises((ValueError, TypeError, IndexError)):
        standing_from({**kept, **spoilt} if spoilt else spoilt)


@pytest.mark.slow
def test_a_hundred_runners_of_three_years(tmp_path, monkeypatch):
    """46,400 logs: first within 10 min of processor time a core (of two), then within 3 s."""
    monkeypatch.undo()
    folder = tmp_path / "group"
    for seed in range(100):
        if seed < 10:
            year.make(folder / f"runner-{seed:03d}", seed=seed, weeks=156)
        else:  # the same logs under another name, by links: the disk need not hold 14 GB
            shutil.copytree(folder / f"runner-{seed % 10:03d}", folder / f"runner-{seed:03d}",
                            copy_function=os.link)
    first, again = timed(folder, tmp_path / "home"), timed(folder, tmp_path / "home")
    print("100 runners x 3 years: first {:.0f} s ({:.0f} s of processor), then {:.2f} s ({:.2f} s)".format(
        *first, *again))
    assert first[1] < 2 * 600 and min(again) < 3


def timed(folder: Path, home: Path) -> tuple[float, float]:
    """Seconds by the wall and of processor time, helpers included, of the command on 100 runners."""
    begun, before = time.perf_counter(), os.times()
    done = subprocess.run([sys.executable, "-m", "guard", "progress", "--runners", str(folder), "--json"],
                          check=True, capture_output=True, env={**os.environ, "GUARD_HOME": str(home)})
    after = os.times()
    assert len(json.loads(done.stdout)["runners"]) == 100
    spent = after.children_user + after.children_system - before.children_user - before.children_system
    return time.perf_counter() - begun, spent
