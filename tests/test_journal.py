"""The journal: entries kept whole, amended, found again; advice before a run."""

from __future__ import annotations

import csv
import io
import json
import signal
import stat
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guard.cli import main
from guard.clock import wall_now
from guard.commands.journal import by_prompt
from guard.errors import InputError, UsageError
from guard.journal import journal
from guard.journal.advice import advise
from guard.journal.journal import ITEMS, Entry
from tests.support.documents import check_listed

DAY = date(2026, 3, 2)


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("GUARD_HOME", str(tmp_path))
    return tmp_path


def guard(*words: str) -> int:
    try:
        return main(["journal", *words])
    except SystemExit as end:
        return int(end.code or 0)


# --- the store -----------------------------------------------------------------


def test_an_entry_is_amended_item_by_item(home):
    journal.amend(DAY, {"sleep_h": "7,5", "note": " slept\twell \n"})
    entry = journal.amend(DAY, {"resting_bpm": 52, "sleep_h": 7})
    assert entry == Entry(DAY, sleep_h=7.0, resting_bpm=52.0, note="slept well")
    assert journal.read().entries == (entry,)
    assert journal.amend(DAY, {"sleep_h": None, "note": "", "resting_bpm": None}).empty
    assert journal.read().entries == ()


def test_the_file_is_readable_ordered_and_for_its_owner(home):
    for day in (3, 1, 2):
        journal.amend(date(2026, 3, day), {"stress": day})
    path = journal.journal_path()
    lines = [f'{{"date": "2026-03-0{day}", "stress": {day}}}\n' for day in (1, 2, 3)]
    assert path.read_text() == "".join(lines)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_what_is_not_understood_is_kept(home):
    path = journal.journal_path(make=True)
    strange = ['{"date": "2026-03-05", "stress": 9}', "not json", '{"date": "yesterday"}', "[1]",
               '{"date": "2026-03-01", "stress": 2}', "[" * 100_000]
    known = ['{"stress":1, "date":"2026-03-01","mood": "\\ud800 fine"}']
    path.write_bytes("\n".join([*known, *strange]).encode() + b"\n\xff\xfe{\n")
    found = journal.read()
    assert [entry.day.day for entry in found.entries] == [1]
    assert len(found.notes) == 7 and all("kept but not used" in note for note in found.notes)
    assert any("sleep" not in note and "stress is '9': write a whole number" in note for note in found.notes)
    told: list[str] = []
    journal.amend(DAY, {"food": 4}, warn=told.append)
    assert told == list(found.notes)
    lines = path.read_bytes().splitlines()
    assert {line.encode() for line in [*known, *strange]} | {b"\xff\xfe{"} < set(lines)  # byte for byte
    assert journal.amend(date(2026, 3, 1), {"food": 2}).other == {"mood": "\ud800 fine"}
    assert journal.read().of(date(2026, 3, 1)) == Entry(date(2026, 3, 1), stress=1, food=2,
                                                        other={"mood": "\ud800 fine"})


@pytest.mark.parametrize(("key", "value"), [
    ("sleep_h", 25), ("sleep_h", "nan"), ("sleep_h", "many"), ("sleep_h", True), ("stress", 2.5),
    ("stress", 0), ("food", "1e999"), ("resting_bpm", 10), ("note", 7), ("note", "x" * 2001)])
def test_values_that_cannot_be_change_nothing(home, key, value):
    with pytest.raises(UsageError, match="write"):
        journal.amend(DAY, {"sleep_quality": 3, key: value})
    assert not journal.journal_path().exists()


entries = st.fixed_dictionaries({}, optional={
    item.key: st.text(max_size=40) if item.low is None else st.integers(int(item.low), int(item.high or 0))
    for item in ITEMS})


@given(st.dictionaries(st.dates(date(2020, 1, 1), date(2030, 1, 1)), entries, max_size=3))
@settings(max_examples=25, deadline=None)
def test_whatever_is_written_is_read(tmp_path_factory, days):
    path = tmp_path_factory.mktemp("journal") / "journal.jsonl"
    kept = {day: journal.amend(day, values, path) for day, values in days.items()}
    assert journal.read(path).entries == tuple(kept[day] for day in sorted(kept) if not kept[day].empty)
    assert not journal.read(path).notes


def test_two_commands_at_once_lose_nothing(home):
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda number: journal.amend(DAY + timedelta(number), {"stress": 3}), range(24)))
    assert len(journal.read().entries) == 24


def test_a_killed_writer_leaves_a_whole_journal(home):
    code = ("from guard.journal import journal; from datetime import date, timedelta\n"
            "print('on', flush=True)\n"
            "day = date(2020, 1, 1)\n"
            "for n in range(10**6): journal.amend(day + timedelta(n % 900), {'note': 'x' * 900})")
    kept = 0
    for pause_s in (0.05, 0.11, 0.17):
        worker = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE)
        assert worker.stdout is not None
        worker.stdout.readline()
        time.sleep(pause_s)
        worker.send_signal(signal.SIGKILL)
        worker.wait()
        worker.stdout.close()
        found = journal.read()
        assert not found.notes and len(found.entries) >= kept
        kept = len(found.entries)
    assert kept > 0


def test_a_place_that_takes_no_file_is_said(home):
    (home / "data").write_text("in the way")
    with pytest.raises(Exception, match="cannot"):
        journal.amend(DAY, {"stress": 3})
    (home / "data").unlink()
    journal.journal_path(make=True).mkdir()
    with pytest.raises(InputError, match="check that it is a file"):
        journal.read()


def test_search_takes_every_word_in_any_case(home):
    journal.amend(DAY, {"note": "Straße, Regen", "shoes": "blue"})
    journal.amend(DAY + timedelta(1), {"note": "regen"})
    found = journal.read()
    assert [entry.day for entry in found.search(["REGEN"])] == [DAY, DAY + timedelta(1)]
    assert [entry.day for entry in found.search(["STRASSE", "blue"])] == [DAY]
    assert [entry.day for entry in found.search(["2026-03-03"])] == [DAY + timedelta(1)]
    assert found.search(["sun"]) == []


@pytest.mark.parametrize(("weather", "degrees"), [
    ("12 C, rain", 12.0), ("-3.5°C", -3.5), ("rain, 50 F", 10.0), ("32 °F", 0.0), ("rain", None),
    (None, None), ("12 Cats", None), ("wind 12", None)])
def test_temperature_is_read_from_the_weather(weather, degrees):
    """0 and 10 degrees Celsius are 32 and 50 degrees Fahrenheit, by definition of the scale."""
    assert Entry(DAY, weather=weather).temperature_c == (None if degrees is None else pytest.approx(degrees))


def test_numbers_line_up_with_the_days_asked_for():
    rows = [Entry(DAY, sleep_h=7.0, weather="20 C"), Entry(DAY + timedelta(2), sleep_h=6.0, stress=4)]
    series = journal.numbers(rows, [DAY + timedelta(2), DAY + timedelta(1), DAY])
    assert series["sleep_h"] == [6.0, None, 7.0] and series["stress"] == [4, None, None]
    assert series["temperature_c"] == [None, None, 20.0] and "note" not in series


# --- the command ---------------------------------------------------------------


def test_flags_amend_and_json_reports(home, capsys):
    assert guard("--date", "2026-03-02", "--sleep", "7.5", "--note", "[red]x\x1b[2J") == 0
    assert "7.5 h" in capsys.readouterr().out
    assert guard("--date", "2026-03-02", "--resting", "52", "--clear", "sleep", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    check_listed("guard/journal/README.md", "journal", document)
    (entry,) = document["entries"]
    assert document["format"] == 1 and {key: value for key, value in entry.items() if value is not None} == {
        "date": "2026-03-02", "resting_bpm": 52.0, "note": "[red]x?[2J"}
    assert entry.keys() == {"date", *(item.key for item in ITEMS)}
    assert guard("--list") == 0
    assert "[red]x?[2J" in capsys.readouterr().out
    assert guard("--search", "RED", "--json") == 0
    assert len(json.loads(capsys.readouterr().out)["entries"]) == 1
    assert guard("--remove", "--date", "2026-03-02") == 0
    assert journal.read().entries == ()


def test_list_shows_the_newest(home, capsys):
    for number in range(20):
        journal.amend(DAY + timedelta(number), {"stress": 1 + number % 5})
    for words, count in ((["--list"], 14), (["--list", "3"], 3), (["--list", "all"], 20), ([], 14)):
        assert guard(*words, "--json") == 0
        found = json.loads(capsys.readouterr().out)["entries"]
        assert len(found) == count and found[-1]["date"] == "2026-03-21"


def test_csv_comes_out_as_it_went_in(home, capsys, tmp_path):
    journal.amend(DAY, {"sleep_h": 7, "note": 'said "no", twice'})
    assert guard("--csv", "-") == 0
    (row,) = csv.DictReader(io.StringIO(capsys.readouterr().out))
    assert (row["date"], row["sleep_h"], row["stress"], row["note"]) == (
        "2026-03-02", "7.0", "", 'said "no", twice')
    file = tmp_path / "out.csv"
    assert guard("--csv", str(file)) == 0 and stat.S_IMODE(file.stat().st_mode) == 0o600
    assert guard("--csv", str(file)) == 2 and "exists already" in capsys.readouterr().err


@pytest.mark.parametrize(("words", "says"), [
    (["--date", "2099-01-01", "--sleep", "7"], "lies ahead"),
    (["--date", "soon", "--sleep", "7"], "is not a date"),
    (["--date", "0026-03-02", "--sleep", "7"], "check the year"),
    (["--sleep", "7", "--clear", "sleep"], "given and cleared"),
    (["--sleep", "7", "--list"], "stands alone"),
    (["--list", "0"], "whole number"),
    (["--csv", "-", "--json"], "choose one"),
    (["--quality", "6"], "from 1 to 5")])
def test_wrong_use_gets_one_sentence(home, capsys, words, says):
    assert guard(*words) == 2
    error = capsys.readouterr().err
    assert says in error and error.count("\n") == 1
    assert not journal.journal_path().exists()


def test_without_a_terminal_nothing_is_asked(home, capsys, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO("7\n"))
    assert guard() == 0
    captured = capsys.readouterr()
    assert "no day yet" in captured.out and "--sleep" in captured.out and captured.err == ""


def test_the_prompt_asks_again_and_keeps_what_was_said(home, capsys, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO("99\n7.5\n\n-\n2\n"))  # then the end of input
    answers = by_prompt(Entry(DAY, sleep_quality=3, stress=4))
    assert answers == {"sleep_h": 7.5, "stress": None, "soreness": 2}
    asked = capsys.readouterr().err
    assert "write a number from 0 to 24 h" in asked and "[3]" in asked
    assert "resting" not in asked.split("food")[1]


# --- advice before a run -------------------------------------------------------

USUAL = {"past_sleep_h": [7.0, 7.5, 8.0, None, 7.5, 7.0, 7.5, 8.0, 7.5],
         "past_resting_bpm": [50.0, 52.0, 51.0, None, 49.0, 50.0, 51.0, 50.0]}


@pytest.mark.parametrize(("sleep_h", "resting_bpm", "signs"), [
    (7.5, 50, 0), (6.1, 56, 0), (6.0, 50, 1), (7.5, 57, 1), (5.0, 60, 2), (None, None, 0), (None, 58, 1)])
def test_short_sleep_and_a_high_resting_heart_rate_are_said(sleep_h, resting_bpm, signs):
    found = advise(Entry(DAY, sleep_h=sleep_h, resting_bpm=resting_bpm), ceiling_bpm=139, **USUAL)
    assert len(found.signs) == signs and found.warranted == bool(signs)
    if signs:
        assert found.ceiling_bpm == 134 and "134" in found.suggestion


def test_without_a_usual_of_ones_own_little_is_said():
    few = {"past_sleep_h": [8.0] * 6, "past_resting_bpm": [50.0] * 6}
    assert not advise(Entry(DAY, sleep_h=6, resting_bpm=70), **few).warranted
    found = advise(Entry(DAY, sleep_h=4.5, resting_bpm=70), **few)
    assert found.signs == ("4.5 h of sleep",) and "5 bpm lower" in found.suggestion


def test_who_always_sleeps_little_is_not_told_daily():
    assert not advise(Entry(DAY, sleep_h=4.8), past_sleep_h=[4.8] * 30).warranted


def test_a_heart_rate_that_always_jumps_needs_more_to_stand_out():
    jumpy = [45.0, 58.0] * 8  # spread 1.4826 x 6.5 = 9.6, so 19 over the median
    assert not advise(Entry(DAY, resting_bpm=66), past_resting_bpm=jumpy).warranted
    assert advise(Entry(DAY, resting_bpm=71), past_resting_bpm=jumpy).warranted


def test_only_the_newest_weeks_are_usual():
    past = [8.0] * 300 + [6.0] * 28
    assert not advise(Entry(DAY, sleep_h=6), past_sleep_h=past).warranted


@pytest.mark.parametrize(("written", "signs", "says"), [
    ({"ill": 2}, ["fever, or symptoms below the neck"], "no run today"),
    ({"ill": 1}, ["a cold"], "rest day"),
    ({"soreness": 5}, ["soreness 5"], "rest day"),
    ({"soreness": 4}, ["soreness 4"], "shorter run"),
    ({"stress": 5}, ["stress 5"], "shorter run"),
    ({"sleep_quality": 1}, ["sleep quality 1"], "shorter run"),
    ({"food": 1}, ["food 1"], "shorter run"),
    ({"weather": "34 C, sun"}, ["34 °C"], "in such heat"),
    ({"weather": "80 F"}, ["27 °C"], "cool of the day"),
    ({"altitude_m": 2100}, ["2100 m up"], "shorter run"),
    ({"caffeine_mg": 500}, ["caffeine 500 mg"], "shorter run"),
    ({"soreness": 5, "stress": 5, "weather": "34 C"}, ["soreness 5", "stress 5", "34 °C"], "rest day"),
    ({"sleep_h": 7.5, "stress": 3, "soreness": 2, "food": 4, "ill": 0, "weather": "12 C"}, [], "")])
def test_every_item_of_the_day_is_looked_at(written, signs, says):
    """Limits are common practice; with fever there is no run, whatever else is written."""
    found = advise(Entry(DAY, **written), ceiling_bpm=139)
    assert list(found.signs) == signs and says in found.suggestion
    assert not {item.words for item in ITEMS if item.key in written} & set(found.unseen)


def test_what_was_not_looked_at_is_said(home, capsys):
    found = advise(Entry(DAY, sleep_h=7.5, resting_bpm=50, weather="rain", note="tired"))
    assert "stress" in found.unseen and "ill" in found.unseen and "note" in found.unseen
    assert any(one.startswith("resting heart rate (") for one in found.unseen)
    assert "weather (no temperature in it)" in found.unseen
    assert guard("--ill", "2", "--stress", "5") == 0 and guard("--today") == 0
    said = capsys.readouterr().out
    assert "no run today" in said and "licensed professional" in said and "I did not look at sleep" in said


def test_today_says_it_and_run_says_it_once(home, capsys):
    from guard.journal.advice import before_a_run

    today = wall_now().date()
    told: list[str] = []
    before_a_run(today, 139, told.append)
    for back in range(1, 10):
        journal.amend(today - timedelta(back), {"sleep_h": 7.5, "resting_bpm": 50})
    before_a_run(today, 139, told.append)
    journal.amend(today, {"sleep_h": 7.4, "resting_bpm": 51})
    before_a_run(today, 139, told.append)
    assert told == []
    journal.amend(today, {"sleep_h": 5, "resting_bpm": 60})
    before_a_run(today, 139, told.append)
    assert told == ["journal: 5 h of sleep, usually 7.5 and resting heart rate 60, usually 50: "
                    "consider a rest day, or a shorter run with a ceiling of 134 (5 lower). You decide."]
    assert guard("--today") == 0
    assert "rest day" in capsys.readouterr().out
    assert guard("--today", "--json") == 0
    document = json.loads(capsys.readouterr().out)
    check_listed("guard/journal/README.md", "journal --today", document)
    assert len(document["advice"]["signs"]) == 2 and document["entry"]["sleep_h"] == 5


def test_a_broken_journal_stops_no_run(home):
    from guard.journal.advice import before_a_run

    journal.journal_path(make=True).mkdir()
    told: list[str] = []
    before_a_run(DAY, 139, told.append)
    assert len(told) == 1 and told[0].startswith("note: ")


def test_guard_run_says_what_the_journal_warrants(home, capsys):
    """The real command, up to where it finds no strap."""
    today = wall_now().date()
    for back in range(10):
        journal.amend(today - timedelta(back), {"sleep_h": 7.5 if back else 4})
    main(["run", "--ceiling", "139", "--wait", "1", "--plain"])
    assert "journal: 4 h of sleep, usually 7.5: consider" in capsys.readouterr().err
