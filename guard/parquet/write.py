"""Session logs into three Parquet files, one log at a time, so that memory does not grow with their number.

Needs pyarrow (the extra `parquet`). Readings are gathered to row groups of
`GROUP_ROWS`; nothing more of a log is kept than its row in the table of sessions.
"""

import json
import tomllib
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import Any, BinaryIO

import pyarrow as pa
import pyarrow.parquet as pq

from guard import __version__
from guard.errors import GuardError, InputError, printable
from guard.events import CueGiven, Numbers, Reading, ReadingDoubted, Speed
from guard.files.whole import whole_file
from guard.library.facts import began
from guard.log.recording import Recording, read_log
from guard.reasons import reason
from guard.session.speeds import Speeds

GROUP_ROWS = 1 << 18  # of a row group; about 20 MB in memory
MOST_BATCHES = 64  # small batches that wait to be one group: a bound on memory (ours)
_KINDS: dict[str, Any] = {
    "int32": pa.int32(), "int64": pa.int64(), "uint16": pa.uint16(), "float64": pa.float64(),
    "bool": pa.bool_(), "string": pa.string(), "timestamp": pa.timestamp("ms", tz="UTC"),
    "list<float64>": pa.list_(pa.float64()),
}
FORMAT = "1"  # a change in what a column means needs a new number


@dataclass(frozen=True, slots=True)
class TableColumn:
    """One column; `kind` is a type of Arrow by name, `unit` empty where there is none."""

    name: str
    kind: str
    unit: str
    meaning: str
    nullable: bool = True


def _told(table: dict[str, list[str]]) -> tuple[TableColumn, ...]:
    return tuple(TableColumn(name, kind.removesuffix("?"), unit, meaning, kind.endswith("?"))
                 for name, (kind, unit, meaning) in table.items())


_NUMBER_UNITS = {"bpm": "bpm", "s": "s", "m": "m", "percent": "%"}
_NUMBERS = tuple(
    TableColumn(name, "float64", _NUMBER_UNITS[name.rsplit("_", 1)[-1]],
                "a figure that the rule rests on (guard.cues.Numbers); null: it does not rest on it")
    for name in Numbers.__slots__)
TABLES = {name: _told(table) + (_NUMBERS if name == "cues" else ()) for name, table in tomllib.loads(
    Path(__file__).with_name("columns.toml").read_text(encoding="utf-8")).items()}


@dataclass(frozen=True)
class Written:
    """How many rows went out, and which files were left out with the reason."""

    sessions: int
    readings: int
    cues: int
    left_out: dict[str, str]


def logs_of(names: Iterable[str]) -> list[Path]:
    """The logs named; of a folder every log in it, or itself if it has none.

    InputError for a folder that cannot be read.
    """
    found: list[Path] = []
    for name in names:
        path = Path(name)
        try:
            found += (sorted(path.glob("*.jsonl")) if path.is_dir() else []) or [path]  # one without is named
        except OSError as error:
            raise InputError(f"cannot read the folder {printable(name)} ({error.strerror or error}): "
                             "check that you may read it") from None
    return found


def export(
    logs: Sequence[Path], folder: Path, *, force: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> Written:
    """Write `readings.parquet`, `cues.parquet` and `sessions.parquet` into `folder`, whole or not at all.

    A file that is no log is left out and named. UsageError where a table is
    there and not `force`, InputError where no log can be read.
    """
    with ExitStack() as stack:
        tables = {name: stack.enter_context(
            _table(folder / f"{name}.parquet", columns, force)) for name, columns in TABLES.items()}
        left_out: dict[str, str] = {}
        number = 0
        for done, log in enumerate(logs, start=1):
            try:
                recording = read_log(log)
            except GuardError as error:
                left_out[str(log)] = "no session log (.jsonl) lies in it" if log.is_dir() else str(error)
                continue
            finally:
                if progress:
                    progress(done, len(logs))
            readings, cues = list(_readings(recording, number)), list(_cues(recording, number))
            tables["readings"].add(readings)
            tables["cues"].add(cues)
            tables["sessions"].add([_session(log, recording, number, len(readings), len(cues))])
            number += 1
        if not number:
            why = next(iter(left_out.values()), "there is none")
            raise InputError(f"no session log to write ({why}): name logs of the guard or a folder of them")
    return Written(number, tables["readings"].rows, tables["cues"].rows, left_out)


class _Table:
    """One file being written; rows wait as compact batches until a row group is full.

    Units and meanings of the columns stand in its metadata and in that of each field.
    """

    def __init__(self, file: BinaryIO, columns: Sequence[TableColumn]) -> None:
        self.rows = 0
        told = {one.name: {"unit": one.unit, "meaning": one.meaning} for one in columns}
        self._schema = pa.schema(
            [pa.field(one.name, _KINDS[one.kind], one.nullable, told[one.name]) for one in columns],
            {"format": FORMAT, "guard": __version__, "columns": json.dumps(told)})
        self._writer = pq.ParquetWriter(file, self._schema, compression="zstd", write_page_index=True)
        self._waiting: list[Any] = []
        self._rows_waiting = 0

    def add(self, rows: Sequence[tuple[object, ...]]) -> None:
        """Rows in the order of the columns."""
        for begin in range(0, len(rows), GROUP_ROWS):
            some = rows[begin:begin + GROUP_ROWS]
            arrays = [pa.array(values, field.type)
                      for values, field in zip(zip(*some, strict=True), self._schema, strict=True)]
            self._waiting.append(pa.RecordBatch.from_arrays(arrays, schema=self._schema))
            self.rows += len(some)
            self._rows_waiting += len(some)
            if self._rows_waiting >= GROUP_ROWS:
                self.flush()
            elif len(self._waiting) >= MOST_BATCHES:
                self._waiting = self._whole().to_batches()

    def close(self) -> None:
        """Write the end of the file; rows that wait are not in it."""
        self._writer.close()

    def flush(self) -> None:
        """Write what waits as a row group."""
        if self._waiting:
            self._writer.write_table(self._whole(), row_group_size=2 * GROUP_ROWS)
            self._waiting, self._rows_waiting = [], 0

    def _whole(self) -> Any:
        """All that waits in one piece: a batch of one row takes kilobytes."""
        return pa.Table.from_batches(self._waiting).combine_chunks()


@contextmanager
def _table(path: Path, columns: Sequence[TableColumn], force: bool) -> Iterator[_Table]:
    with whole_file(path, force=force) as file:
        table = _Table(file, columns)
        try:
            yield table
            table.flush()
        finally:
            table.close()  # before its file, also of one that is given up


def _readings(recording: Recording, number: int) -> Iterator[tuple[object, ...]]:
    """Rows of the table of readings."""
    judged = bool(recording.outputs)
    doubted = {item.t_s for item in recording.items if isinstance(item, ReadingDoubted)}
    speeds = Speeds()
    for item in recording.items:
        if isinstance(item, Speed):
            speeds.take(item)
        elif isinstance(item, Reading):
            now = speeds.known(item.t_s)
            known = (now.speed_m_s, now.grade, now.cadence_spm) if now else (None, None, None)
            trusted = item.t_s not in doubted if judged else None
            yield (number, item.t_s, item.bpm, trusted, item.contact, item.rr_s, *known)


def _cues(recording: Recording, number: int) -> Iterator[tuple[object, ...]]:
    """Rows of the table of cues."""
    for item in recording.items:
        if isinstance(item, CueGiven):
            numbers = (getattr(item.numbers, column.name) for column in _NUMBERS)
            yield (number, item.t_s, item.cue.key, item.rule, reason(item), item.repeat,
                   item.advised_speed_m_s, *numbers)


def _session(log: Path, recording: Recording, number: int, readings: int, cues: int) -> tuple[object, ...]:
    """A row of the table of sessions."""
    header, summary = recording.header, recording.summary or {}
    started = began(recording)
    offset = None if started is None else started.utcoffset()
    source, plan = _dict(header.get("source")), _dict(header.get("plan"))
    row = {
        "session": number, "name": _text(log.stem), "path": _text(log),
        "started": None if started is None else started.astimezone(UTC),
        "utc_offset_s": None if offset is None else round(offset.total_seconds()),
        "kind": _text(source.get("kind")), "source": _text(source.get("name") or source.get("file")),
        "plan": _text(plan.get("name")), "ceiling_bpm": recording.settings.ceiling_bpm,
        "duration_s": recording.end_s, "readings": readings, "cues": cues,
        "interrupted": recording.interrupted, "damaged": recording.damaged,
        "guard": _text(header.get("guard")),
    }
    return tuple(row[one.name] if one.name in row else _number(summary.get(one.name))
                 for one in TABLES["sessions"])


def _dict(value: object) -> dict[str, object]:
    return value if isinstance(value, dict) else {}


def _text(value: object) -> str:
    return "" if value is None else printable(value)


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None
