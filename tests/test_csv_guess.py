"""A CSV file imported without a flag: what is clear is taken, what is not is asked or named."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest

from guard.csv.columns import plain_name, unit_in
from guard.csv.guess import guess
from guard.csv.read import ColumnNames, Form, import_csv
from guard.csv.table import open_any
from guard.events import Cue, Reading, Speed
from guard.log.log import read_log
from guard.replay.replay import replay
from tests.support.keep import guard_here
from tests.support.recordings import FOLDER

ROWS = [(second, 120 + second % 9, 9.0) for second in range(0, 60)]


def file_of(tmp_path: Path, header: str, rows: str | None = None, name: str = "run.csv") -> Path:
    path = tmp_path / name
    path.write_text(header + "\n" + (rows or "".join(f"{t},{bpm},{speed}\n" for t, bpm, speed in ROWS)))
    return path


def test_our_own_csv_comes_back_as_it_went(tmp_path):
    """Readings, contact, speed, grade and the hour of the start; so the guard would say the same."""
    for name in ("speed-to-set", "lost-strap"):
        log = FOLDER / f"{name}.jsonl"
        assert guard_here("export", log, "-o", tmp_path / "run.csv", "--force", home=tmp_path).returncode == 0
        done = guard_here("import", tmp_path / "run.csv", "--force", home=tmp_path)
        assert done.returncode == 0 and "time from 't_s', heart rate from 'bpm'" in done.stderr
        before, after = read_log(log), read_log(tmp_path / "run.jsonl")
        was, now = ([(round(item.t_s, 3), item.bpm, item.contact) for item in recording.inputs
                     if isinstance(item, Reading)] for recording in (before, after))
        assert [(round(t_s - was[0][0], 3), *rest) for t_s, *rest in was] == now
        if was[0][0] == 0.0:
            # The file holds no RR: what needs proof of life (run again, pick up) may come later, and with it
            # all that follows.
            heard = [replay(one, before.settings).cues for one in (after, before)]
            until_s = min(cue.t_s for cues in heard for cue in cues if cue.cue in (Cue.RESUME, Cue.PICK_UP))
            said, wanted = ([(cue.t_s, cue.cue) for cue in cues if cue.t_s < until_s] for cues in heard)
            assert said == wanted and (said or name == "speed-to-set")  # whose first cue is a pick-up


def test_a_column_of_clock_times_needs_no_name_of_ours(tmp_path):
    """Times that only go forward; a pace, that goes up and down, is none."""
    rows = "".join(f"06:{10 + n // 6}:{n % 6}0,5:{n % 7}0,13{n % 10}\n" for n in range(30))
    table = open_any(file_of(tmp_path, "When,Effort,HR", rows))
    found = guess(table, ColumnNames(), Form())
    assert found.columns.time == "When" and found.sure


def test_the_hour_of_the_start_comes_from_the_wall_time(tmp_path):
    rows = "".join(f"{t}.5,2026-03-02T06:10:{t:02d}.500+01:00,13{t % 10}\n" for t in range(1, 30))
    columns = ColumnNames("t_s", "bpm", wall="wall_time")
    imported = import_csv(file_of(tmp_path, "t_s,wall_time,bpm", rows), columns)
    assert str(imported.header["started"]).startswith("2026-03-02T")
    assert imported.items[0].t_s == 0.0


@pytest.mark.parametrize(("header", "unit", "m_s"), [
    ("time,Heart Rate (bpm),Speed (km/h)", "km/h", 2.5), ("Zeit;Puls;Geschwindigkeit [km/h]", "km/h", 2.5),
    ("t_s,hr,speed_km_h", "km/h", 2.5), ("Elapsed Time,HR,Velocity mph", "mph", 4.02336),
    ("temps,fc,allure (min/km)", "min/km", 1000 / 540),
    ("tiempo,frecuencia cardíaca,velocidad m/s", "m/s", 9.0),
])
def test_names_in_several_languages_with_their_unit(header, unit, m_s, tmp_path):
    rows = "".join(f"{t},{bpm},{speed}\n" for t, bpm, speed in ROWS)
    path = file_of(tmp_path, header, rows.replace(",", ";") if ";" in header else rows)
    done = guard_here("import", path, home=tmp_path)
    assert done.returncode == 0 and f"speed read in {unit}" in done.stderr, done.stderr
    speeds = [item.speed_m_s for item in read_log(tmp_path / "run.jsonl").inputs if isinstance(item, Speed)]
    assert speeds and speeds[0] == pytest.approx(m_s, abs=1e-3)


def test_units_and_names():
    assert unit_in("Pace (min/km)", "speed") == "min/km" and unit_in("RR [ms]", "rr") == "ms"
    assert unit_in("t_ms", "time") == "ms" and unit_in("speed", "speed") is None
    assert unit_in("time", "time") is None and unit_in("rpm", "speed") is None
    assert plain_name("Heart-Rate (bpm)") == "heart rate" and plain_name("hr") == "hr"


UNCLEAR = {
    "no unit of the speed": ("time,hr,speed", "does not say its unit", "--speed speed --speed-unit km/h"),
    "no time": ("a,hr,b", "no column looks like a time", "--time COLUMN --heart-rate hr"),
    "two pulses": ("time,hr,bpm", "may be any of", "--heart-rate hr"),
    "no header": ("0,120,9", "no header", "--time 1 --heart-rate"),
}


@pytest.mark.parametrize("kind", UNCLEAR)
def test_unclear_columns_are_listed_with_the_line_to_type(kind, tmp_path):
    header, why, line = UNCLEAR[kind]
    rows = "".join(f"{t},{bpm},{bpm + 1 if kind == 'two pulses' else 9}\n" for t, bpm, _ in ROWS[1:])
    path = file_of(tmp_path, header, rows)
    refused = guard_here("import", path, home=tmp_path)
    assert refused.returncode == 2 and why in refused.stderr and not (tmp_path / "run.jsonl").exists()
    assert f"guard import {path}" in refused.stderr and line in refused.stderr
    assert "perhaps heart rate" in refused.stderr and refused.stdout == ""


class Typed(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_on_a_terminal_it_asks_with_the_guess_in_brackets(tmp_path, monkeypatch):
    from guard.commands import csv_import

    path = file_of(tmp_path, "x,hr,speed")
    asked = Typed()
    # a number out of range first, Enter for the guessed pulse, the unit only when it is one
    monkeypatch.setattr(sys, "stdin", Typed("9\n1\n\n\nfurlongs\nkm/h\n"))
    monkeypatch.setattr(sys, "stderr", asked)
    columns, form = csv_import._found(path, ColumnNames(), Form())
    assert columns == ColumnNames("x", "hr", speed="speed") and form.speed_unit == "km/h"
    said = asked.getvalue()
    assert said.count("column of the time") == 2 and "column of the heart rate, its number [2]" in said
    assert len(import_csv(path, columns, form).items) == 120


def test_a_column_named_leaves_the_rest_to_be_found(tmp_path):
    path = file_of(tmp_path, "clock,elapsed,puls,speed", "".join(
        f"2026-03-02T06:10:{t:02d},{t},{bpm},9\n" for t, bpm, _ in ROWS))
    found = guess(open_any(path), ColumnNames(heart_rate="puls"), Form())
    assert found.sure and found.columns == ColumnNames("elapsed", "puls"), "speed is not taken unasked"


def test_lines_above_the_header_and_rows_of_one_person(tmp_path):
    path = file_of(tmp_path, "a laboratory's export\n\nID;time;HR", "".join(
        f"{person};{t};{bpm}\n" for person in "12" for t, bpm, _ in ROWS))
    refused = guard_here("import", path, home=tmp_path)
    assert refused.returncode == 3 and "--where 'ID=1'" in refused.stderr
    assert guard_here("import", path, "--where", "ID=1", home=tmp_path).returncode == 0


def test_an_import_is_kept_among_the_sessions(tmp_path):
    source = file_of(tmp_path, "time,hr,speed_km_h")
    undated = guard_here("import", source, "--keep", home=tmp_path)
    assert undated.returncode == 2 and "add --date" in undated.stderr
    assert guard_here("import", source, "--keep", "--date", "2026-03-02", home=tmp_path).returncode == 0
    listed = guard_here("sessions", "--json", home=tmp_path)
    assert "2026-03-02" in listed.stdout and not (tmp_path / "run.jsonl").exists()
