"""What the three tables hold: every column with its kind, unit and meaning. Pure.

Units stand in the metadata of each field, and once more in the file's own
(`columns`, as JSON), since not every reader shows those of fields.
"""

from dataclasses import dataclass

from guard.events import Numbers

FORMAT = "1"  # a change in what a column means needs a new number


@dataclass(frozen=True, slots=True)
class TableColumn:
    """One column; `kind` is a type of Arrow by name, `unit` empty where there is none."""

    name: str
    kind: str
    unit: str
    meaning: str
    nullable: bool = True


_SESSION = TableColumn("session", "int32", "", "number in the table of sessions", nullable=False)
_T = TableColumn("t_s", "float64", "s", "time since the session began", nullable=False)

READINGS_TABLE = (
    _SESSION, _T,
    TableColumn("bpm", "uint16", "bpm", "heart rate as the strap told it; 0: no signal", nullable=False),
    TableColumn("trusted", "bool", "", "whether the guard believed it; null: it did not judge (an import)"),
    TableColumn("contact", "bool", "", "whether the strap felt skin; null: not reported"),
    TableColumn("rr_s", "list<float64>", "s", "RR intervals told with it, oldest first", nullable=False),
    TableColumn("speed_m_s", "float64", "m/s", "speed in force; null: not known"),
    TableColumn("grade", "float64", "1", "grade in force, rise over run; null: not known"),
    TableColumn("cadence_spm", "float64", "1/min", "steps a minute in force; null: not known"),
)

_NUMBER_UNITS = {"bpm": "bpm", "s": "s", "m": "m", "percent": "%"}

CUES_TABLE = (
    _SESSION, _T,
    TableColumn("cue", "string", "", "what was asked or told", nullable=False),
    TableColumn("rule", "string", "", "its rule; empty in logs that give words only", nullable=False),
    TableColumn("reason", "string", "", "the same in words", nullable=False),
    TableColumn("repeat", "int32", "1", "earlier cues of the same run of cues", nullable=False),
    TableColumn("advised_speed_m_s", "float64", "m/s", "speed to set, where one was told"),
    *(TableColumn(name, "float64", _NUMBER_UNITS[name.rsplit("_", 1)[-1]],
             "a figure that the rule rests on (guard.cues.Numbers); null: it does not rest on it")
      for name in Numbers.__slots__),
)

SESSIONS_TABLE = (
    _SESSION,
    TableColumn("name", "string", "", "the log's file without its ending", nullable=False),
    TableColumn("path", "string", "", "the log as it was named", nullable=False),
    TableColumn("started", "timestamp", "", "when it began, UTC; null: no clock could be trusted"),
    TableColumn("utc_offset_s", "int32", "s", "local time less UTC at the start"),
    TableColumn("kind", "string", "", "source: strap, practice, csv", nullable=False),
    TableColumn("source", "string", "", "name of the strap or file", nullable=False),
    TableColumn("plan", "string", "", "name of the plan; empty: none", nullable=False),
    TableColumn("ceiling_bpm", "float64", "bpm", "ceiling at the start"),
    TableColumn("duration_s", "float64", "s", "from its beginning to the last thing known", nullable=False),
    TableColumn("readings", "int64", "1", "rows of this session in the table of readings", nullable=False),
    TableColumn("cues", "int64", "1", "rows of this session in the table of cues", nullable=False),
    TableColumn("at_or_under_s", "float64", "s", "time at or under the ceiling, by the log's own summary"),
    TableColumn("over_s", "float64", "s", "time over it"),
    TableColumn("over_bpm_min", "float64", "bpm.min", "how far over it, added up over the minutes"),
    TableColumn("no_signal_s", "float64", "s", "time without a trusted reading"),
    TableColumn("held_s", "float64", "s", "time in pauses"),
    TableColumn("unguarded_s", "float64", "s", "time not guarded, by the summary"),
    TableColumn("interrupted", "bool", "", "the log has no end line", nullable=False),
    TableColumn("damaged", "bool", "", "lines before the end are missing", nullable=False),
    TableColumn("guard", "string", "", "version that recorded it", nullable=False),
)

TABLES = {"readings": READINGS_TABLE, "cues": CUES_TABLE, "sessions": SESSIONS_TABLE}
