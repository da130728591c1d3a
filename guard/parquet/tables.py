"""What the three tables hold: every column with its kind, unit and meaning. Pure.

Units stand in the metadata of each field, and once more in the file's own
(`columns`, as JSON), since not every reader shows those of fields.
"""

from __future__ import annotations

from dataclasses import dataclass

from guard.events import Numbers

FORMAT = "1"  # a change in what a column means needs a new number


@dataclass(frozen=True, slots=True)
class Column:
    """One column; `kind` is a type of Arrow by name, `unit` empty where there is none."""

    name: str
    kind: str
    unit: str
    meaning: str
    nullable: bool = True


_SESSION = Column("session", "int32", "", "number of the session in the table of sessions", nullable=False)
_T = Column("t_s", "float64", "s", "time since the session began", nullable=False)

READINGS = (
    _SESSION, _T,
    Column("bpm", "uint16", "bpm", "heart rate as the strap told it; 0: no signal", nullable=False),
    Column("trusted", "bool", "", "whether the guard believed it; null: it did not judge (an import)"),
    Column("contact", "bool", "", "whether the strap felt skin; null: not reported"),
    Column("rr_s", "list<float64>", "s", "RR intervals told with it, oldest first", nullable=False),
    Column("speed_m_s", "float64", "m/s", "speed in force; null: not known"),
    Column("grade", "float64", "1", "grade in force, rise over run; null: not known"),
    Column("cadence_spm", "float64", "1/min", "steps a minute in force; null: not known"),
)

_NUMBER_UNITS = {"bpm": "bpm", "s": "s", "m": "m", "percent": "%"}

CUES = (
    _SESSION, _T,
    Column("cue", "string", "", "what was asked or told", nullable=False),
    Column("rule", "string", "", "the rule that gave it; empty in logs that give words only", nullable=False),
    Column("reason", "string", "", "the same in words", nullable=False),
    Column("repeat", "int32", "1", "earlier cues of the same run of cues", nullable=False),
    Column("advised_speed_m_s", "float64", "m/s", "speed to set, where one was told"),
    *(Column(name, "float64", _NUMBER_UNITS[name.rsplit("_", 1)[-1]],
             "a figure that the rule rests on (guard.cues.Numbers); null: it does not rest on it")
      for name in Numbers.__slots__),
)

SESSIONS = (
    _SESSION,
    Column("name", "string", "", "the log's file without its ending", nullable=False),
    Column("path", "string", "", "the log as it was named", nullable=False),
    Column("started", "timestamp", "", "when it began, UTC; null: no clock could be trusted"),
    Column("utc_offset_s", "int32", "s", "local time less UTC at the start"),
    Column("kind", "string", "", "source: strap, practice, csv", nullable=False),
    Column("source", "string", "", "name of the strap or file", nullable=False),
    Column("plan", "string", "", "name of the plan; empty: none", nullable=False),
    Column("ceiling_bpm", "float64", "bpm", "ceiling at the start"),
    Column("duration_s", "float64", "s", "from its beginning to the last thing known", nullable=False),
    Column("readings", "int64", "1", "rows of this session in the table of readings", nullable=False),
    Column("cues", "int64", "1", "rows of this session in the table of cues", nullable=False),
    Column("at_or_under_s", "float64", "s", "time at or under the ceiling, by the log's own summary"),
    Column("over_s", "float64", "s", "time over it"),
    Column("over_bpm_min", "float64", "bpm.min", "how far over it, added up over the minutes"),
    Column("no_signal_s", "float64", "s", "time without a trusted reading"),
    Column("held_s", "float64", "s", "time in pauses"),
    Column("unguarded_s", "float64", "s", "time not guarded, by the summary"),
    Column("interrupted", "bool", "", "the log has no end line", nullable=False),
    Column("damaged", "bool", "", "lines before the end are missing", nullable=False),
    Column("guard", "string", "", "version that recorded it", nullable=False),
)

TABLES = {"readings": READINGS, "cues": CUES, "sessions": SESSIONS}
