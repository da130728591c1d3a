"""Recordings as Parquet tables: what two other readers find in them is what the logs hold."""

from __future__ import annotations

import json
import os
import resource
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from guard.cli import main
from guard.events import CueGiven, Reading, ReadingDoubted
from guard.log.recording import read_log
from tests.support.recordings import FOLDER as RECORDINGS

LOGS = sorted(RECORDINGS.glob("*.jsonl"))
pytestmark = pytest.mark.skipif(not LOGS, reason="no recordings here")
pytest.importorskip("pyarrow", reason="needs pyarrow (the extra `parquet`)")
duckdb = pytest.importorskip("duckdb", reason="needs duckdb, one of the two readers")
polars = pytest.importorskip("polars", reason="needs polars, one of the two readers")

from guard.parquet.write import TABLES  # noqa: E402


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tables") / "out"
    assert main(["export", "--parquet", str(RECORDINGS), "-o", str(folder)]) == 0
    return folder


@pytest.fixture(scope="module")
def held() -> dict[str, Any]:
    """What the logs hold, counted from them."""
    read = [read_log(log) for log in LOGS]
    readings = [[item for item in one.items if isinstance(item, Reading)] for one in read]
    cues = [[item for item in one.items if isinstance(item, CueGiven)] for one in read]
    doubted = [{item.t_s for item in one.items if isinstance(item, ReadingDoubted)} for one in read]
    return {
        "sessions": len(LOGS), "readings": sum(map(len, readings)), "cues": sum(map(len, cues)),
        "bpm": sum(item.bpm for one in readings for item in one),
        "t_s": sum(item.t_s for one in readings for item in one),
        "rr": sum(len(item.rr_s) for one in readings for item in one),
        "rr_s": sum(sum(item.rr_s) for one in readings for item in one),
        "untrusted": sum(item.t_s in theirs for mine, theirs in zip(readings, doubted, strict=True)
                         for item in mine),
        "by_cue": dict(Counter(item.cue.key for one in cues for item in one)),
        "level": sum(item.numbers.level_bpm or 0.0 for one in cues for item in one),
        "duration_s": sum(one.end_s for one in read),
    }


def test_duckdb_finds_what_the_logs_hold(tables, held):
    def ask(what: str) -> Any:
        return duckdb.sql(what.replace("{", f"'{tables}/").replace("}", ".parquet'")).fetchall()

    count, bpm, t_s, untrusted = ask("select count(*), sum(bpm), sum(t_s), count(*) filter (not trusted) "
                                     "from {readings}")[0]
    assert (count, bpm, untrusted) == (held["readings"], held["bpm"], held["untrusted"])
    assert t_s == pytest.approx(held["t_s"], rel=1e-12)
    rr, rr_s = ask("select count(*), sum(rr) from (select unnest(rr_s) as rr from {readings})")[0]
    assert rr == held["rr"] and rr_s == pytest.approx(held["rr_s"], rel=1e-12)
    assert dict(ask("select cue, count(*) from {cues} group by cue")) == held["by_cue"]
    assert ask("select sum(level_bpm) from {cues}")[0][0] == pytest.approx(held["level"], rel=1e-12)
    assert ask("select count(*), sum(readings), sum(cues) from {sessions}")[0] == (
        held["sessions"], held["readings"], held["cues"])
    assert ask("select count(*) from {readings} join {sessions} using (session)")[0][0] == held["readings"]
    told = dict(ask("select key, value from parquet_kv_metadata({readings})"))
    assert json.loads(told[b"columns"])["speed_m_s"]["unit"] == "m/s"


def test_polars_finds_what_the_logs_hold(tables, held):
    readings, cues, sessions = (polars.read_parquet(tables / f"{name}.parquet")
                                for name in ("readings", "cues", "sessions"))
    assert len(readings) == held["readings"] and readings["bpm"].cast(polars.Int64).sum() == held["bpm"]
    assert readings["t_s"].sum() == pytest.approx(held["t_s"], rel=1e-12)
    assert (~readings["trusted"]).sum() == held["untrusted"]
    assert readings["rr_s"].list.len().sum() == held["rr"]
    assert readings["rr_s"].list.sum().sum() == pytest.approx(held["rr_s"], rel=1e-12)
    assert dict(cues.group_by("cue").len().iter_rows()) == held["by_cue"]
    assert sessions["readings"].sum() == held["readings"] and sessions["cues"].sum() == held["cues"]
    assert sessions["duration_s"].sum() == pytest.approx(held["duration_s"], rel=1e-12)
    by_session = dict(readings.group_by("session").len().iter_rows())
    assert by_session == dict(sessions.select("session", "readings").iter_rows())
    assert set(sessions["name"]) == {log.stem for log in LOGS}


def test_every_column_has_its_meaning_and_what_is_measured_its_unit(tables):
    import pyarrow.parquet as pq

    for name, columns in TABLES.items():
        schema = pq.read_schema(tables / f"{name}.parquet")
        assert schema.names == [column.name for column in columns]
        for column in columns:
            metadata = schema.field(column.name).metadata
            assert metadata[b"meaning"] and metadata[b"unit"].decode() == column.unit
            ending = column.name.rsplit("_", 1)[-1]
            wanted = {"s": "m/s" if column.name.endswith("m_s") else "s", "bpm": "bpm", "m": "m",
                      "spm": "1/min", "percent": "%", "min": "bpm.min"}.get(ending)
            assert wanted is None or column.unit == wanted, column
        assert schema.metadata[b"format"] == b"1"


def test_what_is_no_log_is_named_and_left_out(tmp_path, capsys):
    shutil.copy(LOGS[0], tmp_path / "whole.jsonl")
    (tmp_path / "none.jsonl").write_text("{}\n")
    torn = LOGS[1].read_bytes()
    (tmp_path / "torn.jsonl").write_bytes(torn[:len(torn) // 2])
    (tmp_path / "bare").mkdir()
    out = tmp_path / "out"
    named = [str(tmp_path / name) for name in ("", "gone.jsonl", "bare")]
    assert main(["export", "--parquet", *named, "-o", str(out)]) == 0
    shown = capsys.readouterr()
    assert "2 sessions" in shown.out
    assert all(f"{name} is left out" in shown.err for name in ("none.jsonl", "gone.jsonl", "bare"))
    kept = polars.read_parquet(out / "sessions.parquet")
    assert dict(kept.select("name", "interrupted").iter_rows()) == {"torn": True, "whole": False}
    assert {path.stat().st_mode & 0o77 for path in out.iterdir()} == {0}


def test_all_or_nothing_and_nothing_written_over(tmp_path, capsys):
    out = tmp_path / "out"
    assert main(["export", "--parquet", str(tmp_path / "gone.jsonl"), "-o", str(out)]) == 3
    assert list(out.iterdir()) == []
    assert main(["export", "--parquet", str(LOGS[0]), "-o", str(out)]) == 0
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    capsys.readouterr()
    assert main(["export", "--parquet", str(LOGS[1]), "-o", str(out)]) == 2
    assert "exists already" in capsys.readouterr().err
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert main(["export", "--parquet", str(LOGS[1]), "-o", str(out), "--force"]) == 0


@pytest.mark.parametrize("words, code, said", [
    (["export", "a", "b", "-o", "c"], 2, "--parquet"),
    (["export", "--parquet", "a", "-o", "-"], 2, "a folder"),
])
def test_wrong_use_is_one_sentence(words, code, said, capsys):
    assert main(words) == code and said in capsys.readouterr().err


def test_without_the_package_the_fix_is_named(monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert main(["export", "--parquet", str(LOGS[0]), "-o", "out"]) == 4
    assert "heart-rate-guard[parquet]" in capsys.readouterr().err


@pytest.mark.slow
def test_memory_does_not_grow_with_the_readings(tmp_path):
    """Peak memory of 4 and of 40 million readings; `GUARD_READINGS` are millions."""
    from tests.test_progress import year

    year.make(tmp_path / "home", seed=1, weeks=52)
    logs = str(tmp_path / "home" / "data" / "sessions")
    peaks = []
    for millions in (4, int(os.environ.get("GUARD_READINGS", "40"))):
        out = tmp_path / str(millions)
        repeat = round(millions * 1e6 / 451_000)
        command = [sys.executable, "-m", "guard", "export", "--parquet", *[logs] * repeat, "-o", str(out)]
        subprocess.run(command, check=True)
        peaks.append(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss >> 10)
        count = duckdb.sql(f"select count(*) from '{out}/readings.parquet'").fetchall()[0][0]
        print(f"{count} readings: peak {peaks[-1]} MiB")
    assert peaks[-1] < 600 and peaks[-1] < 1.5 * peaks[0]
