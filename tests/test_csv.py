"""CSV in and out: every form a spreadsheet or a laboratory hands over."""

from __future__ import annotations

import csv
import os
import random
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from guard.csv.read import ColumnNames, Form, Imported, import_csv
from guard.csv.series import beats_to_readings, smoothed_grade, to_m_s
from guard.csv.table import number
from guard.csv.times import over_midnight, time_form
from guard.csv.write import csv_chunks, safe_text
from guard.errors import GuardError, InputError, UsageError
from guard.events import Action, Command, Cue, Reading, Speed
from guard.log.log import read_log, write_recording
from guard.log.recording import Recording
from guard.replay.replay import replay
from guard.settings import Settings
from tests.support.keep import guard_cli, guard_here, invented_run, record_session

# A folder with open data to test on as well, where there is one.
OPEN_DATA = Path(os.environ.get("GUARD_OPEN_DATA", "")) / "actes_test_measure.csv"

# Layout and kinds of artefact of the open ACTES data (ODC-BY; maximal cycle
# ramps of adolescents): person, time (s), RR (ms), oxygen uptake, power.
# The rows are invented.
ACTES_LIKE = """\
ID,time,RR,VO2,power
1,-2.016,672,0.302,0
1,-1.344,672,0.302,0
1,-0.712,632,0.301,0
1,0.0,712,0.301,0
1,0.62,620,0.310,30
1,1.22,600,0.310,30
1,1.82,600,0.310,30
1,2.42,600,0.322,30
1,3.02,600,0.322,30
1,3.62,600,0.322,30
1,4.22,,0.331,30
1,4.82,,0.331,30
1,5.42,0,0.331,30
1,6.02,600,0.331,30
1,6.62,600,0.331,30
1,37.12,30500,0.340,45
1,38.32,600,0.340,45
1,38.92,600,0.340,45
1,39.52,600,0.340,45
2,-1.0,500,0.4,0
2,-0.5,500,0.4,0
2,0.0,500,0.4,0
2,0.5,500,0.4,30
2,1.0,500,0.4,30
2,1.5,500,0.4,30
"""


def made(tmp_path: Path, text: str | bytes, columns: ColumnNames | None = None,
         form: Form | None = None) -> Imported:
    path = tmp_path / "in.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return import_csv(path, columns or ColumnNames("time", "hr"), form)


def readings(imported: Imported) -> list[tuple[float, int]]:
    return [(item.t_s, item.bpm) for item in imported.items if isinstance(item, Reading)]


def said(imported: Imported) -> str:
    return "\n".join(imported.notes)


# forms of the file

@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_encoding_and_separator_are_found(tmp_path: Path, encoding: str, mark: str) -> None:
    rows = ["time,hr,Straße", "0,120,a", "1,121,ü", "2,122,b"]
    data = "\r\n".join(row.replace(",", mark) for row in rows).encode(encoding)
    imported = made(tmp_path, data)
    assert readings(imported) == [(0, 120), (1, 121), (2, 122)]
    assert ("1252" in said(imported)) == (encoding == "cp1252")


def test_decimal_commas_and_quotes(tmp_path: Path) -> None:
    want = [(0.0, 120), (1.5, 121)]
    assert readings(made(tmp_path, "time;hr\n0,0;120\n1,5;121\n")) == want
    assert readings(made(tmp_path, 'time,hr,note\n"0,0",120,"a, ""b"""\n"1,5","121","line\nbreak"\n')) == want


def test_unquoted_decimal_commas_between_commas_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="decimal commas need quotes"):
        made(tmp_path, "time,hr\n0,0,120\n1,5,121\n")


@pytest.mark.parametrize(("text", "value"), [
    ("139", 139), (" 139.5 ", 139.5), ("139,5", 139.5), ("1.234,5", 1234.5), ("1,234.5", 1234.5),
    ("-3", -3), ("1e2", 100), ("1\u00a0234", 1234), ("", None), ("NA", None), ("nan", None), ("-", None),
    ("inf", None), ("1_000", None), ("12 bpm", None), ("1e300", None), ("9" * 5000, None), ("0x10", None)])
def test_numbers_as_people_write_them(text: str, value: float | None) -> None:
    assert number(text) == value


def test_a_header_below_other_lines_is_found(tmp_path: Path) -> None:
    imported = made(tmp_path, "My run\n\nweather,fine\ntime,hr\ns,bpm\n0,120\n1,121\n")
    assert readings(imported) == [(0, 120), (1, 121)]
    assert "header was found on line 4" in said(imported) and "first: line 5, 's'" in said(imported)


def test_columns_by_number_where_there_is_no_header(tmp_path: Path) -> None:
    imported = made(tmp_path, "0.5  61.2\n1.5  61.9\n", ColumnNames("1", "2"))
    assert readings(imported) == [(0, 61), (1, 62)] and "no header" in said(imported)
    with pytest.raises(InputError, match="2 columns: give their numbers, 1 to 2"):
        made(tmp_path, "0.5,61.2\n1.5,61.9\n", ColumnNames("1", "3"))
    with pytest.raises(InputError, match="names of the header"):
        made(tmp_path, "time,hr\n1.5,61\n", ColumnNames("1", "2"))


def test_a_missing_column_names_the_nearest_and_all(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"no column 'hart_rate': did you mean 'Heart_Rate'\? its"):
        made(tmp_path, "time;Heart_Rate\n0;120\n", ColumnNames("time", "hart_rate"))


def test_names_match_whatever_their_case(tmp_path: Path) -> None:
    assert readings(made(tmp_path, "Time, HR \n0,120\n1,121\n")) == [(0, 120), (1, 121)]


@pytest.mark.parametrize(("data", "word"), [
    (b"", "is empty"), (b"\x7fELF\x00\x01\x02" * 100, "not a text file"), (b"time,hr\n", "holds no data"),
    (b"time,hr\n0,0\n1,NA\n", "no heart rate at all"), (b'time,hr\n0,"' + b"x" * 200_000, "CSV file"),
    (b"time,hr\nnoon,120\nlater,121\n", "'noon', which is not a time"),
    (b"time,hr\n,120\n", "no time at all")])
def test_what_cannot_be_read_is_refused(tmp_path: Path, data: bytes, word: str) -> None:
    with pytest.raises(InputError, match=word):
        made(tmp_path, data)


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="No such file"):
        import_csv(tmp_path / "none.csv", ColumnNames("time", "hr"))
    with pytest.raises(InputError, match="directory"):
        import_csv(tmp_path, ColumnNames("time", "hr"))


# times

@pytest.mark.parametrize(("cells", "words", "step_s"), [
    (["10", "11.5"], "seconds", 1.5),
    (["59:59", "1:00:00.5"], "mm:ss or hh:mm:ss", 1.5),
    (["06:10:00", "06:10:01,5"], "mm:ss or hh:mm:ss", 1.5),
    (["11:59:59 AM", "12:00:00 PM"], "mm:ss or hh:mm:ss", 1),
    (["2026-03-02T06:10:00", "2026-03-02T06:10:01.500"], "dates as ISO 8601", 1.5),
    (["2026-03-02 06:10:00Z", "2026-03-02 07:10:01+01:00"], "dates as ISO 8601", 1),
    (["20260302T061000", "20260302T061001"], "dates as ISO 8601", 1),
    (["2026/03/02 06:10:00", "2026/03/02 06:10:01"], "dates with the year first", 1),
    (["02.03.2026 06:10:00", "02.03.2026 06:10:01,25"], "dates with the day first", 1.25),
    (["13/03/2026 06:10:00", "13/03/2026 06:10:01"], "dates with the day first", 1),
    (["03/13/2026 06:10:00 AM", "03/13/2026 06:10:01 AM"], "dates with the month first", 1),
    (["03/13/26, 6:10", "03/13/26, 6:11"], "dates with the month first", 60),
    (["2 Mar 2026 06:10:00", "2 March 2026 06:10:01"], "dates with the month's name", 1),
    (["Mar 2, 2026 11:59:59 PM", "Mar 3, 2026 12:00:00 AM"], "dates with the month's name", 1),
    (["1772431800", "1772431801"], "seconds since 1970", 1),
    (["1772431800000", "1772431800500"], "milliseconds since 1970", 0.5)])
def test_forms_of_time(cells: list[str], words: str, step_s: float) -> None:
    form = time_form("t", cells)
    values = [form.seconds(cell) for cell in cells]
    assert form.words == words
    assert values[1] - values[0] == pytest.approx(step_s)  # type: ignore[operator]


def test_dates_are_the_right_moment() -> None:
    # 2026-03-02T06:10:00Z is 1772431800 s since 1970 (POSIX time: 20,514 days and 22,200 s)
    for cell in ("2026-03-02T06:10:00Z", "02.03.2026 06:10:00 UTC", "2 Mar 2026 08:10 +02:00", "1772431800"):
        assert time_form("t", [cell]).seconds(cell) == 20_514 * 86_400 + 22_200


def test_a_date_that_can_be_read_both_ways_is_refused_until_told() -> None:
    cells = ["03/02/2026 06:10:00"]
    with pytest.raises(UsageError, match="--date-order day-first or --date-order month-first"):
        time_form("t", cells)
    day = time_form("t", cells, date_order="day-first").seconds(cells[0])
    month = time_form("t", cells, date_order="month-first").seconds(cells[0])
    assert datetime.fromtimestamp(day).day == 3  # type: ignore[arg-type]
    assert datetime.fromtimestamp(month).month == 3  # type: ignore[arg-type]


@pytest.mark.parametrize(("unit", "step_s"), [("s", 1), ("ms", 0.001), ("min", 60)])
def test_plain_numbers_have_the_unit_given(unit: str, step_s: float) -> None:
    form = time_form("t", ["1", "2"], unit=unit)
    assert form.seconds("2") - form.seconds("1") == pytest.approx(step_s)  # type: ignore[operator]


def test_midnight() -> None:
    seconds = [86_399.0, 0.5, 1.5]
    assert over_midnight(seconds) and seconds == [86_399.0, 86_400.5, 86_401.5]
    assert not over_midnight([3599.0, 0.0])


def test_the_start_of_dated_rows_is_kept(tmp_path: Path) -> None:
    imported = made(tmp_path, "time,hr\n2026-03-02T06:10:00Z,120\n2026-03-02T06:10:01Z,121\n")
    assert datetime.fromisoformat(imported.header["started"]) == datetime(2026, 3, 2, 6, 10, tzinfo=UTC)
    assert imported.header["clock_trusted"] is True
    undated = made(tmp_path, "time,hr\n0,120\n")
    assert undated.header["started"] is None and undated.header["clock_trusted"] is False


# rows

def test_the_session_starts_at_zero_and_says_so(tmp_path: Path) -> None:
    imported = made(tmp_path, "time,hr\n-2.5,120\n0,121\n1,122\n")
    assert readings(imported) == [(0, 120), (2.5, 121), (3.5, 122)]
    assert "+2.500 s added" in said(imported) and imported.header["source"]["shift_s"] == 2.5


def test_empty_and_zero_heart_rates(tmp_path: Path) -> None:
    imported = made(tmp_path, "time,hr\n0,120\n1,\n2,0\n3,NA\n4,99999\n5,-3\n6,120.6\n,130\n")
    assert readings(imported) == [(0, 120), (2, 0), (6, 121)]
    for words in ("4 rows without a heart rate", "1 row with a heart rate of 0", "rounded",
                  "1 row without a time left out (first: line 9"):
        assert words in said(imported)


def test_small_disorder_is_sorted_duplicates_kept_once(tmp_path: Path) -> None:
    imported = made(tmp_path, "time,hr\n0,120\n2,122\n1,121\n2,123\n3,124\n")
    assert readings(imported) == [(0, 120), (1, 121), (2, 123), (3, 124)]
    assert "not in order" in said(imported) and "time of another" in said(imported)


def test_newest_first_is_turned_round(tmp_path: Path) -> None:
    rows = "".join(f"{200 - second * 100},{120 + second}\n" for second in range(3))
    imported = made(tmp_path, "time,hr\n" + rows)
    assert readings(imported) == [(0, 122), (100, 121), (200, 120)] and "reversed" in said(imported)


def test_several_people_are_told_apart(tmp_path: Path) -> None:
    rows = [f"{who},{second},{110 + second % 50},x" for who in ("anna", "ben") for second in range(0, 200, 2)]
    text = "person,time,hr,other\n" + "\n".join(rows)
    with pytest.raises(InputError, match=r"line 101 .*'person' changes.*--where 'person=anna'"):
        made(tmp_path, text)
    imported = made(tmp_path, text, ColumnNames("time", "hr", where={"person": "ben"}))
    assert len(readings(imported)) == 100
    with pytest.raises(InputError, match="no row where person=carl; values there: 'anna', 'ben'"):
        made(tmp_path, text, ColumnNames("time", "hr", where={"person": "carl"}))


def test_times_that_run_back_without_a_column_that_says_why(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="--where COLUMN=VALUE, or sort"):
        made(tmp_path, "time,hr\n0,120\n500,121\n1,122\n501,123\n")


def test_a_pause_of_the_recording_is_the_runners_pause_and_no_lost_sensor(tmp_path: Path) -> None:
    """Rows missing, or empty and far apart; rows without a rate at the usual pace are a lost sensor."""
    run = [(t, 130 + t % 3) for t in range(100)]
    few = [(t, "") for t in range(104, 150, 5)]
    rest = [(t, 128 + t % 3) for t in range(150, 250)]
    lost = [(t, "") for t in range(250, 280)]
    after = [(t, 131 + t % 3) for t in (*range(280, 300), *range(330, 400))]
    text = "t,hr\n" + "".join(f"{t},{bpm}\n" for t, bpm in [*run, *few, *rest, *lost, *after])
    imported = made(tmp_path, text, ColumnNames("t", "hr"))
    held = [(round(one.t_s), one.action) for one in imported.items if isinstance(one, Command)]
    assert held == [(100, Action.PAUSE), (148, Action.CONTINUE), (300, Action.PAUSE), (330, Action.CONTINUE)]
    assert "paused 2 times, 78 s in all" in said(imported)
    recording = Recording(imported.header, imported.items, end_s=400.0)
    cues = [(round(one.t_s), one.cue) for one in replay(recording, Settings(ceiling_bpm=150.0)).cues]
    assert [one for one in cues if one[1] is Cue.SIGNAL_LOST] == [(256, Cue.SIGNAL_LOST)]


def test_what_comes_too_seldom_is_said_at_import(tmp_path: Path) -> None:
    rows = "".join(f"{15 * k},{120 + k % 3}\n" for k in range(40))
    imported = made(tmp_path, "t,hr\n" + rows, ColumnNames("t", "hr"))
    assert "a reading every 15 s: too rarely to guard by, 10 s at most would do" in said(imported)
    assert "paused" not in said(imported)
    cues = replay(Recording(imported.header, imported.items, end_s=600.0), Settings(ceiling_bpm=150.0)).cues
    assert [one.rule for one in cues].count("too_seldom") == 1


def test_a_session_of_a_week_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"spans 6\.94 days.*--time-unit"):
        made(tmp_path, "time,hr\n0,120\n600000,121\n")
    imported = made(tmp_path, "time,hr\n0,120\n600000,121\n", form=Form(time_unit="ms"))
    assert readings(imported) == [(0, 120), (600, 121)] and "no reading for over" in said(imported)


# beats

def test_beats_in_the_layout_of_open_data(tmp_path: Path) -> None:
    columns = ColumnNames("time", rr="RR", where={"ID": "1"})
    with pytest.raises(InputError, match=r"--where 'ID=1' \(values: '1', '2'\)"):
        made(tmp_path, ACTES_LIKE, ColumnNames("time", rr="RR"))
    imported = made(tmp_path, ACTES_LIKE, columns)
    series = dict(readings(imported))
    assert series[0] == round(60 / 0.672)
    # shifted by 2.016 s; the window (0, 5] holds 672 632 712 620 600 600 600 ms
    assert series[5] == round(60 * 7 / (0.672 + 0.632 + 0.712 + 0.62 + 0.6 + 0.6 + 0.6))
    assert series[40] == 0  # only the interval of 30.5 s has come: no signal
    assert series[41] == max(series.values()) == 100
    assert not any(13 < t_s < 40 for t_s in series)  # nothing came
    rr = [rr for item in imported.items if isinstance(item, Reading) for rr in item.rr_s]
    assert len(rr) == 16 and 30.5 in rr  # every interval is kept as it is, once
    assert "3 rows without an interval" in said(imported)
    other = made(tmp_path, ACTES_LIKE, ColumnNames("time", rr="RR", where={"ID": "2"}))
    assert {bpm for _, bpm in readings(other)} == {120}


def test_beats_alone_give_the_time_too(tmp_path: Path) -> None:
    imported = made(tmp_path, "RR\n" + "0.5\n" * 20, ColumnNames(rr="RR"), Form(rr_unit="s"))
    assert {bpm for _, bpm in readings(imported)} == {120}
    assert imported.items[-1].t_s == 10
    with pytest.raises(UsageError, match="--rr-unit s"):
        made(tmp_path, "RR\n" + "0.5\n" * 20, ColumnNames(rr="RR"))


def test_beats_beside_a_heart_rate_travel_with_it(tmp_path: Path) -> None:
    columns = ColumnNames("time", "hr", "rr")
    imported = made(tmp_path, "time,hr,rr\n0,120,500\n1,121,490 505\n2,122,\n", columns)
    assert [item.rr_s for item in imported.items if isinstance(item, Reading)] == [(0.5,), (0.49, 0.505), ()]


@given(st.lists(st.floats(0.3, 1.5), min_size=1, max_size=200))
def test_no_beat_is_lost_or_doubled(rr: list[float]) -> None:
    times = np.cumsum(np.array(rr))
    made_of_them = list(beats_to_readings(times - times[0], np.array(rr)))
    assert [interval for reading in made_of_them for interval in reading.rr_s] == rr
    for reading in made_of_them:
        assert 60 / max(rr) - 1 <= reading.bpm <= 60 / min(rr) + 1


@pytest.mark.skipif(not OPEN_DATA.exists(), reason="open data not at hand")
@pytest.mark.parametrize(("who", "rows", "missing"), [(1, 2403, 0), (11, 3854, 712), (17, 2410, 436)])
def test_persons_of_the_open_data(who: int, rows: int, missing: int) -> None:
    imported = import_csv(OPEN_DATA, ColumnNames("time", rr="RR", where={"ID": str(who)}))
    series = [item for item in imported.items if isinstance(item, Reading)]
    values = [reading.bpm for reading in series if reading.bpm]
    assert min(values) >= 50 and 150 <= max(values) <= 230
    assert sum(len(reading.rr_s) for reading in series) == rows - missing


# speed and grade

@pytest.mark.parametrize(("unit", "cell", "m_s"), [
    ("m/s", "2.5", 2.5), ("km/h", "9", 2.5), ("mph", "10", 4.4704), ("min/km", "6:40", 2.5),
    ("min/km", "6.5", 1000 / 390), ("min/mile", "8:56.4", 3.0003)])
def test_speed_units(tmp_path: Path, unit: str, cell: str, m_s: float) -> None:
    # 1 mph is 0.44704 m/s exactly (international mile)
    imported = made(tmp_path, f"time,hr,v\n0,120,{cell}\n1,121,\n", ColumnNames("time", "hr", speed="v"),
                    Form(speed_unit=unit))
    assert [item.speed_m_s for item in imported.items if isinstance(item, Speed)] == [
        pytest.approx(m_s, rel=1e-4)]
    assert isinstance(imported.items[0], Speed)  # before the reading of its moment


def test_a_standing_pace_is_not_a_speed() -> None:
    assert np.isnan(to_m_s(np.array([0.0]), "min/km")).all()


def test_a_speed_that_no_runner_has_asks_for_its_unit(tmp_path: Path) -> None:
    text = "time,hr,v\n0,120,9.5\n1,121,10\n"
    with pytest.raises(UsageError, match="--speed-unit km/h"):
        made(tmp_path, text, ColumnNames("time", "hr", speed="v"))
    assert made(tmp_path, text, ColumnNames("time", "hr", speed="v"), Form(speed_unit="m/s"))


def test_a_pace_without_its_distance_is_asked_about(tmp_path: Path) -> None:
    text = "time,hr,pace\n0,120,6:00\n1,121,6:00\n"
    with pytest.raises(UsageError, match="--speed-unit min/km or min/mile"):
        made(tmp_path, text, ColumnNames("time", "hr", speed="pace"))
    assert made(tmp_path, text, ColumnNames("time", "hr", speed="pace"), Form(speed_unit="min/km"))


@pytest.mark.parametrize("grade", [0.05, -0.08, 0.0])
def test_grade_is_that_of_the_hill(grade: float) -> None:
    chance = np.random.default_rng(1)
    t_s = np.arange(0.0, 300.0)
    speed = np.full(300, 3.0)
    altitude = 400 + grade * 3.0 * t_s + chance.normal(0, 0.3, 300)
    found = smoothed_grade(t_s, speed, altitude)
    assert np.isnan(found[:6]).all() and not np.isnan(found[20:]).any()
    assert np.abs(found[25:] - grade).max() < 0.02
    # against an independent least-squares fit over the same 60 m
    last = slice(-21, None)
    assert found[-1] == pytest.approx(np.polyfit(3.0 * t_s[last], altitude[last], 1)[0], abs=1e-9)


def test_grade_never_looks_ahead_nor_across_a_gap() -> None:
    t_s = np.concatenate([np.arange(0.0, 100.0), np.arange(160.0, 260.0)])
    speed = np.full(200, 3.0)
    altitude = np.concatenate([np.full(100, 100.0), 300 + 0.1 * 3.0 * np.arange(100.0)])
    found = smoothed_grade(t_s, speed, altitude)
    assert np.nanmax(np.abs(found[:100])) < 1e-9
    assert np.isnan(found[100:106]).all() and found[130] == pytest.approx(0.1)


def test_altitude_needs_speed(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="--altitude needs --speed"):
        made(tmp_path, "time,hr,a\n0,120,5\n", ColumnNames("time", "hr", altitude="a"))
    with pytest.raises(UsageError, match="--heart-rate"):
        made(tmp_path, "time,hr\n0,120\n", ColumnNames("time"))
    with pytest.raises(UsageError, match="--time"):
        made(tmp_path, "time,hr\n0,120\n", ColumnNames(heart_rate="hr"))


# hostile

def test_random_junk_never_crashes_the_import(tmp_path: Path) -> None:
    chance = random.Random(11)
    good = ACTES_LIKE.encode()
    for trial in range(300):
        data = bytearray(good)
        for _ in range(chance.randint(1, 10)):
            place = chance.randrange(len(data))
            data[place:place + chance.randint(0, 9)] = chance.choice(
                [b'"', b"\0", b"\n", b",", b";", b"\xff\xfe", b"1e308", b"\x1b[2J", chance.randbytes(7)])
        columns = (ColumnNames("time", "power", "RR") if trial % 2
                   else ColumnNames("time", rr="RR", where={"ID": "1"}))
        try:
            imported = made(tmp_path, bytes(data), columns)
        except GuardError as error:
            assert str(error).isprintable()
            continue
        assert all(note.isprintable() for note in imported.notes)


# round trips

@given(st.lists(st.tuples(st.integers(1, 250), st.none() | st.floats(0, 7)), min_size=1, max_size=40))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_export_and_import_keep_readings_and_speeds(
        tmp_path: Path, rows: list[tuple[int, float | None]]) -> None:
    items = [item for second, (bpm, speed) in enumerate(rows) for item in (
        [] if speed is None else [Speed(float(second), speed)]) + [Reading(float(second), bpm)]]
    write_recording(tmp_path / "a.jsonl", {"type": "session", "format": 1}, items, force=True)
    (tmp_path / "a.csv").write_bytes(b"".join(csv_chunks(read_log(tmp_path / "a.jsonl"))))
    columns = ColumnNames("t_s", "bpm", speed="speed_m_s")
    back = import_csv(tmp_path / "a.csv", columns, Form(speed_unit="m/s"))
    assert readings(back) == [(float(second), bpm) for second, (bpm, _) in enumerate(rows)]


def test_the_export_of_a_session(tmp_path: Path) -> None:
    record_session(tmp_path / "a.jsonl", invented_run(), Settings(ceiling_bpm=139.0))
    recording = read_log(tmp_path / "a.jsonl")
    text = b"".join(csv_chunks(recording)).decode()
    rows = list(csv.DictReader(text.splitlines()))
    with_bpm = [row for row in rows if row["bpm"]]
    assert len(with_bpm) == sum(isinstance(item, Reading) for item in recording.items)
    assert [row["t_s"] for row in rows] == [repr(t) for t in sorted(float(row["t_s"]) for row in rows)]
    lost = next(row for row in rows if row["cue"] == "signal_lost")
    assert lost["state"] == "no_signal" and "reading" in lost["reason"]
    off = next(row for row in with_bpm if row["bpm"] == "0")
    assert off["trusted"] == "no" and off["contact"] == "no" and off["reason"]
    assert rows[0]["wall_time"].startswith("2026-03-02T06:10:0")
    cues = [cue for row in rows for cue in row["cue"].split("; ") if cue]
    assert len(cues) == sum(type(item).__name__ == "CueGiven" for item in recording.items)


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@A1", "\t=1", "\r=1"])
def test_text_is_never_a_formula(text: str) -> None:
    assert safe_text(text).startswith("'") and safe_text(text).isprintable()


# the commands

def test_the_commands_from_csv_to_replay(tmp_path: Path) -> None:
    (tmp_path / "in.csv").write_text(ACTES_LIKE)
    out = tmp_path / "o.jsonl"
    words = ["import", tmp_path / "in.csv", "--time", "time", "--rr", "RR", "-o", out]
    several = guard_here(*words, home=tmp_path)
    assert several.returncode == 3 and "--where" in several.stderr and "Traceback" not in several.stderr
    done = guard_cli(*words, "--where", "ID=1", home=tmp_path)
    assert done.returncode == 0 and "readings" in done.stdout and "note: times read" in done.stderr
    again = guard_here(*words, "--where", "ID=1", home=tmp_path)
    assert again.returncode == 2 and "--force" in again.stderr
    bare = guard_here("replay", out, home=tmp_path)
    assert bare.returncode == 2 and "--ceiling" in bare.stderr and "guard ceiling" in bare.stderr
    replayed = guard_here("replay", out, "--ceiling", "90", "--set", "warm_up_s=0", home=tmp_path)
    assert replayed.returncode == 0 and "at or under the ceiling" in replayed.stdout
    exported = guard_cli("export", out, "-o", tmp_path / "o.csv", home=tmp_path)
    assert exported.returncode == 0 and (tmp_path / "o.csv").read_text().startswith("t_s,wall_time,bpm")
    assert guard_here("export", out, "-o", tmp_path / "o.csv", home=tmp_path).returncode == 2
    piped = guard_here("export", out, "-o", "-", home=tmp_path)
    assert piped.stdout.replace("\r\n", "\n") == (tmp_path / "o.csv").read_text()


def test_beat_intervals_that_are_no_numbers_are_refused(tmp_path: Path) -> None:
    (tmp_path / "in.csv").write_text("time;beat\nx;y\nz;\n")
    with pytest.raises(InputError, match="no beat interval at all: check the column"):
        import_csv(tmp_path / "in.csv", ColumnNames(time=None, heart_rate=None, rr="beat"), Form())


# --- days, paces and pauses ------------------------------------------------------


def imported(tmp_path: Path, text: str, form: Form | None = None, **columns: str) -> Imported:
    path = tmp_path / "a.csv"
    path.write_text(text)
    return import_csv(path, ColumnNames(heart_rate="hr", **columns), form)


@pytest.mark.parametrize(("day", "at"), [
    ("2026-03-02", "06:10:00"), ("02.03.2026", "06:10:00"), ("2 Mar 2026", "06:10"),
    ("2026-03-02", "6:10:00 am")])
def test_date_and_time_may_stand_in_columns_of_their_own(tmp_path, day, at):
    found = imported(tmp_path, f"d,t,hr\n{day},{at},120\n", time="t", date="d")
    assert found.header["started"].startswith("2026-03-02T06:10:00") and found.header["clock_trusted"]


def test_a_date_beside_seconds_gives_the_day(tmp_path):
    found = imported(tmp_path, "d,t,hr\n2026-03-02,0,120\n2026-03-02,1,121\n", time="t", date="d")
    assert found.header["started"].startswith("2026-03-02T12:00:00") and len(found.items) == 2
    with pytest.raises(InputError, match="holds"):
        imported(tmp_path, "d,t,hr\nsome day,0,120\n", time="t", date="d")


def test_a_file_without_a_day_takes_the_one_that_is_told(tmp_path):
    text = "t,hr\n0,120\n1,121\n"
    undated = imported(tmp_path, text, time="t")
    assert undated.header["started"] is None and any("--date" in note for note in undated.notes)
    told = imported(tmp_path, text, Form(day=date(2026, 3, 2)), time="t")
    assert told.header["started"].startswith("2026-03-02") and told.header["clock_trusted"]
    with pytest.raises(UsageError, match="not the day that the times tell"):
        imported(tmp_path, "t,hr\n2026-03-03T06:10:00,120\n", Form(day=date(2026, 3, 2)), time="t")


def test_who_stands_has_no_speed_and_runs_no_distance(tmp_path):
    """A pace of --:-- is standing, and so is a pause in which nothing was written: of 80 s 20 are run."""
    rows = "".join(f"{t},120,{'--:--' if 10 <= t < 20 else '6:40'}\n" for t in (*range(20), *range(70, 80)))
    found = imported(tmp_path, "t,hr,pace\n" + rows, Form(speed_unit="min/km", speed_from="foot pod"),
                     time="t", speed="pace")
    speeds = [(one.t_s, one.speed_m_s) for one in found.items if isinstance(one, Speed)]
    ends = [*(t for t, _ in speeds[1:]), 80.0]
    assert sum(speed * (end - t) for (t, speed), end in zip(speeds, ends, strict=True)) == pytest.approx(50.0)
    assert any("--:--" in note for note in found.notes) and any("pause" in note for note in found.notes)
    assert found.header["source"]["speed_from"] == "foot pod"
