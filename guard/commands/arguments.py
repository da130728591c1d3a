"""Every command with its line of help, an example and its options: all that a parser needs, as data.

`guard.commands.NAME`, with its `run(args) -> int`, is imported when it is run,
so that help and completion stay quick.
"""

import argparse
from importlib import import_module

from guard.commands.command import CommandRow, Either, OfSetting, Option, choice, flag, number, word
from guard.units import SPEED_UNITS

LISTEN_S = 6.0  # straps tell of themselves about once a second; some seldom (ours)
LISTED, LISTED_DAYS = 25, 14  # sessions, days of the journal, where not all are asked for (ours)
FIRST_COURSE = "hill-loop"
FORGET = ("strap", "treadmill", "foot-pod", "all")
SHELLS = {
    "bash": "echo 'eval \"$(guard completion bash)\"' >> ~/.bashrc",
    "zsh": "echo 'eval \"$(guard completion zsh)\"' >> ~/.zshrc",
    "fish": "mkdir -p ~/.config/fish/completions; "
            "guard completion fish > ~/.config/fish/completions/guard.fish",
}
_IMPORT = """\
Columns are found by their names; where they are unclear it lists them and asks,
or says the line to type. A column is named as in the file's header (or by
number, from 1, in a file without one); a unit in its name, as in "Speed (km/h)",
is understood. Separator, encoding, decimal commas and the form of the times are
found and said. A file of several people, with beat-to-beat intervals:
  guard import beats.csv --time s --rr RR --where ID=1
"""
# flag of `guard journal`: (item of an entry, placeholder, help)
ENTRY_FLAGS = {
    "sleep": ("sleep_h", "H", "hours slept"),
    "quality": ("sleep_quality", "1-5", "how sound the sleep was: 1 poor, 5 sound"),
    "stress": ("stress", "1-5", "1 calm, 5 a great deal"),
    "soreness": ("soreness", "1-5", "1 none, 5 hurts to walk"),
    "food": ("food", "1-5", "1 too little or poor, 5 well fed"),
    "resting": ("resting_bpm", "BPM", "resting heart rate, lying, before getting up"),
    "ill": ("ill", "0-2", "0 no, 1 a cold above the neck, 2 fever or below the neck"),
    "weather": ("weather", "TEXT", 'such as "12 C, rain"'),
    "shoes": ("shoes", "TEXT", "which shoes"),
    "start-hour": ("start_hour", "H", "when the run began: 17.5 is half past five"),
    "caffeine": ("caffeine_mg", "MG", "caffeine before the run"),
    "altitude": ("altitude_m", "M", "where you ran, above sea level"),
    "speed-from": ("speed_from", "NAME", "a new pod or treadmill tells the speed from this day on: its name; "
                   "same: nothing new that day"),
    "heart-from": ("heart_from", "NAME", "a medicine or another strap moves heart rate from this day on: its "
                   "name; same: nothing new that day"),
    "note": ("note", "TEXT", "anything else"),
}

# -- what several commands take

_LOG = "a session log or an import: a file, or a name that `guard sessions` lists"
_LOGS = word("files", "FILE", "recordings of one runner: files, or names that `guard sessions` lists",
             nargs="+")
_JSON = flag("--json", "one JSON document on stdout, notes on stderr")
_PAGE = (word("--html", "OUT", "write a report page to OUT, complete in one file"),
         flag("--force", "overwrite an existing OUT"), _JSON)
_SETTINGS = (
    word("--ceiling", "BPM", "your ceiling, for this command only, bpm"),
    word("--set", "KEY=VALUE", "a setting, for this command only (see `guard settings`); may be repeated",
          action="append", default=[], dest="assignments"))
_LIVE = (
    *_SETTINGS,
    OfSetting("speech"),
    flag("--plain", "plain lines instead of the live screen"),
    choice("--page", ("here", "network"), "also show the session as a page in a browser: on this machine, or "
            "to the local network, for the phone", nargs="?", const="here"),
    OfSetting("page_keys"),
    OfSetting("sound_out"))
_WORKERS = word("--workers", "tcp://HOST:PORT",
                "use the workers of a Dask scheduler instead of this machine's cores; only on a network "
                "where you trust everyone")

COMMANDS = {
    "start": CommandRow("from nothing to your first guarded run, step by step", "guard start", ()),
    "rehearse": CommandRow(
        "a whole session with an invented runner: no strap needed",
        "guard rehearse --course hill-loop --seed 7",
        (word("--course", "NAME", f"which rehearsal (default: {FIRST_COURSE})"),
         word("--plan", "FILE", "try a plan: the invented runner follows its parts (see `guard plan`)"),
         flag("--lesson", "only the first minute: hear every cue once and answer it"),
         flag("--list-courses", "show the courses and end"),
         word("--seed", "N", "another number makes another day (default: %(default)s)", type=int, default=1),
         # an hour in a third of a second is as fast as any machine (ours)
         word("--speedup", "N", "how many times as fast; 1 is real time (default: done within three minutes)",
               type=number(float, 0.1, 10_000)),
         *_LIVE)),
    "run": CommandRow(
        "guard a real run with a heart-rate strap", "guard run --ceiling 139",
        (*_LIVE,
         word("--strap", "NAME",
              "name or address of the strap (default: the remembered one, or the only one)"),
         word("--wait", "S", "give up when no strap is found within S seconds (default: keep searching)",
               type=number(float, 1, 86_400)),  # a day: longer is a slip
         *(word(f"--{noun.replace(' ', '-')}", "NAME", f"read speed from this {noun}; without a name from "
                "the one in range (default: the remembered one)", nargs="?", const="")
           for noun in ("treadmill", "foot pod")),
         flag("--no-speed-source", "connect no treadmill and no foot pod, remembered or not"),
         word("--plan", "FILE", "a plan with parts (see `guard plan`)"),
         flag("--no-note", "do not ask at the end how it was"),
         flag("--stand-by", "with no screen: wait for Bluetooth, button and strap as long as it takes, "
              "guard, and wait again (see hardware/PI.md)"))),
    "straps": CommandRow(
        "straps, treadmills and foot pods: in range, remembered", "guard straps",
        (word("--seconds", "N", f"how long to listen, 1 to 120 s (default {LISTEN_S:g})",
               type=number(float, 1, 120), default=LISTEN_S),
         Either((
             word("--remember", "NAME-OR-ADDRESS",
                   "remember this strap, treadmill or foot pod, so that no other is taken for it"),
             word("--forget", "KIND",
                  f"remember no strap, or no {', '.join(FORGET[1:-1])}; all: none of them",
                  nargs="?", const="strap", choices=FORGET))),
         _JSON)),
    "check": CommandRow(
        "before you set out: Bluetooth, strap, sound, voice, disk, clock", "guard check --sounds",
        (flag("--sounds", "also play every cue, with its name"),
         flag("--no-strap", "do not look for the strap"), _JSON)),
    "plan": CommandRow(
        "check and draw a plan of parts, or write one to start from",
        "guard plan --make easy-hour -o easy.toml",
        (word("file", "FILE", "the plan, a TOML file", nargs="?"),
         word("--make", "NAME", "write an example: easy-hour, easy-hills, belt-hills, strides, easy-five, "
               "steady-check, talk-test, field-test"),
         word("-o --output", "FILE", "where --make writes; without it, to the screen"), *_SETTINGS, _JSON)),
    "route": CommandRow(
        "the climbs ahead: which you can jog under your ceiling, and how long it takes",
        "guard route hills.gpx --speed 9",
        (word("file", "FILE", "a GPX track, a CSV of distance and altitude, or a plan (.toml) whose parts "
              "have grades"),
         word("--speed", "SPEED", "what you can hold on the level just under your ceiling, in your unit "
               "(default: what `guard progress` finds in your runs)"),
         word("--slowest-jog", "SPEED",
               "your slowest jog; slower is walking (default: 6.5 km/h or 4.0 mph)"),
         *_SETTINGS, *_PAGE)),
    "replay": CommandRow(
        "what the guard would have said on a recording, under other settings too",
        "guard replay FILE --set strictness=0.8",
        (word("file", "FILE", _LOG), *_SETTINGS,
         flag("--verify", "check that a replay says exactly what was said at the time (exit 1 if not)"),
         _JSON)),
    "review": CommandRow(
        "how a session went: figures, picture, report page", "guard review FILE --html run.html",
        (word("file", "FILE", f"{_LOG} (default: the newest session)", nargs="?"), *_SETTINGS, *_PAGE,
         flag("--note", "first ask how it was, and keep the answer in the log"))),
    "tune": CommandRow(
        "try other settings on recordings: what fewer cues or less time over would cost",
        "guard tune monday.jsonl hills.jsonl --search words --search spacing_s=8:30",
        (_LOGS,
         word("--search", "KEY[=LOW:HIGH]", "a setting to search, in the range given; else a dial from 0 to "
              "1, others up to three times up and down from the present value; may be repeated (default: "
               "strictness, words, walk_first, spacing_s)", action="append", default=[]),
         choice("--view", ("both", "recorded", "respond"), "as recorded (heart rate as it was), as you would "
                 "respond (simulated), or both; only the second recommends", default="both"),
         # more of each is a slip of the keyboard (ours)
         *(word(name, "N", f"{words} ({default or 'as many as there are cores'})",
                 type=number(int, low, high), default=default)
           for name, words, low, high, default in (
               ("--tries", "how many sets of settings to try", 2, 5000, 200),
               ("--runners", "simulated runs each set has in the search", 4, 1000, 32),
               ("--seed", "the same seed gives the same answer", 0, 2**31 - 1, 1),
               ("--jobs", "processes at a time", 1, 64, None))),
         _WORKERS, *_SETTINGS,
         flag("--apply", "keep the recommended set in the settings file (comments stay)"), _JSON)),
    "learn": CommandRow(
        "how your heart rate responds to speed, and the settings that fit",
        "guard learn belt.jsonl hills.jsonl --apply",
        (_LOGS, flag("--apply", "keep the suggestions in the settings file (comments stay)"), _JSON)),
    "sessions": CommandRow(
        "your sessions: list, find, name, delete and restore, check", "guard sessions --from 2026-03 hills",
        (word("words", "WORD", "only sessions with these words in name, title, tags, plan, marks or notes",
               nargs="*"),
         word("--from", "DAY", "from this day on (2026-03-02, 2026-03 or 2026)", dest="first"),
         word("--to", "DAY", "up to this day, month or year", dest="last"),
         word("--plan", "TEXT", "run with a plan of this name"),
         word("--mark", "TEXT", "with a mark that says this"),
         word("--tag", "TAG", "with this tag"),
         flag("--all", f"all of them, not only the newest {LISTED}"),
         Either((flag("--rehearsals", "the rehearsals instead, kept apart"),
                  word("--folder", "FOLDER", "the logs of another folder instead"))),
         Either((
             word("--rename", ("NAME", "TITLE"), "give a session a title (an empty one takes it away); NAME: "
                  "as listed, or `last`", nargs=2),
             word("--add-tag", ("NAME", "TAG"), "add a tag to a session", nargs=2),
             word("--remove-tag", ("NAME", "TAG"), "take a tag off a session", nargs=2),
             word("--delete", "NAME", "move sessions to the bin", nargs="+"),
             flag("--bin", "what is in the bin"),
             word("--restore", "NAME", "bring sessions back from the bin", nargs="+"),
             flag("--empty-bin", "remove what is in the bin for good"),
             flag("--verify", "open and replay each of them; says what is torn or differs"))),
         flag("--repair", "with --verify: cut a torn end off a log (nothing that can be read is lost)"),
         flag("--yes", "with --empty-bin: do not ask"), _JSON),
        module="sessions.sessions"),
    "data": CommandRow(
        "what is kept on this machine: take a copy, or delete everything", "guard data --export all.zip",
        (Either((
            word("--export", "ZIP", "write all of it to one ZIP file"),
            flag("--delete-everything",
                  "remove sessions, journal, settings, remembered devices and caches; asks first"),
            flag("--make-private", "stop other users of this machine from reading any of it"))),
         flag("--with-cache", "with --export: also what can be rebuilt (spoken phrases, indexes)"),
         flag("--force", "with --export: overwrite an existing file"),
         flag("--yes", "with --delete-everything: do not ask"), _JSON)),
    "import": CommandRow(
        "make a recording from a CSV file", "guard import run.csv --keep --date 2026-03-02",
        (word("file", "FILE.csv", "the file to read"),
         Either((
             word("-o --output", "OUT.jsonl", "the recording to write (default: FILE.jsonl beside the file)"),
             flag("--keep", "keep it among your sessions, for `guard sessions` and `guard progress`"))),
         flag("--force", "overwrite OUT if it exists"),
         word("--time", "COL", "seconds, mm:ss, hh:mm:ss, ISO 8601 or a date with time"),
         word("--heart-rate", "COL", "heart rate, bpm"),
         word("--speed", "COL", "speed or pace"),
         word("--altitude", "COL", "altitude, m; with --speed it gives the grade"),
         word("--grade", "COL", "grade, rise over run or percent"),
         word("--date", "DAY", "day of the run, where the file tells none: 2026-03-02"),
         word("--date-column", "COL", "the date, where it has a column of its own"),
         choice("--speed-from", ("treadmill", "foot-pod", "satellite"),
                 "where the speed came from (default: satellite)"),
         word("--rr", "COL", "beat-to-beat (RR) intervals; without --heart-rate they make the heart rate"),
         word("--contact", "COL", "skin contact, yes or no"),
         word("--where", "COL=VALUE", "only rows whose column holds the value; may be repeated",
               action="append", default=[]),
         choice("--time-unit", ("s", "ms", "min"),
                 "of times that are plain numbers (default: as the column's name says, else s)"),
         choice("--date-order", ("day-first", "month-first"), "of dates such as 03/02/2026"),
         choice("--speed-unit", SPEED_UNITS, "default: as the column's name says, else m/s"),
         choice("--rr-unit", ("ms", "s"), "default: as the column's name says, else ms"),
         word("--separator", "CHAR", "a character, or comma, semicolon, tab, bar, space (default: found)"),
         _JSON),
        module="csv_import", more=_IMPORT),
    "export": CommandRow(
        "write a recording as a CSV file, or many as Parquet tables", "guard export run.jsonl -o run.csv",
        (word("files", "LOG", "a session log: a file, or a name that `guard sessions` lists; with --parquet "
               "several, or folders of them", nargs="+"),
         word("-o --output", "OUT", "the CSV file to write, - is standard output; with --parquet a folder",
               required=True),
         flag("--parquet", "tables for other tools: readings, cues, sessions; the log stays the truth"),
         flag("--force", "overwrite OUT if it exists")),
        module="csv_export"),
    "progress": CommandRow(
        "weeks and months: speed at the ceiling, plateau, weekly mix", "guard progress --html months.html",
        (word("--folder", "DIR", "session logs in a folder other than the usual one"),
         word("--runners", "DIR", "many runners, a line each, worst news first: one folder a runner in it, "
              "as each keeps it"),
         *_SETTINGS, _WORKERS,
         word("--html", "FILE", "write a self-contained page"),
         word("--csv", "FILE", "write one row a run (- for the screen)"),
         flag("--force", "overwrite an existing file"), _JSON)),
    "ceiling": CommandRow(
        "where your ceiling may lie: every method side by side, a cautious suggestion",
        "guard ceiling --age 40 --resting 55 --healthy",
        (word("--age", "YEARS", "your age"),
         word("--resting", "BPM", "resting heart rate (default: the median of your journal's mornings)"),
         word("--maximum", "BPM", "maximum heart rate, if it was measured"),
         word("--band", "NAME", "whose top is the ceiling: light, moderate (default), vigorous, or a "
              "percentage of reserve"),
         word("--talk-test", "BPM|LOG", "highest heart rate with comfortable speech, or the recording of the "
               "test (a file, or a name that `guard sessions` lists)"),
         word("--field-test", "LOG", "recording of half an hour while able to talk"),
         word("--lactate", "FILE|STEP", "a CSV file of a graded test, or steps as INTENSITY:BPM:MMOL or "
               "BPM:MMOL", nargs="+"),
         *(word(f"--{which}-threshold", "BPM", f"heart rate at a laboratory's {which} ventilatory or lactate "
                 "threshold") for which in ("first", "second")),
         flag("--healthy", "none of the four that follow"),
         *(Option((f"--{flag}",), {"action": argparse.BooleanOptionalAction, "default": None, "help": words})
           for flag, words in (
               ("medicine", "on medicine for heart or blood pressure, or other regular medicine"),
               ("pregnant", "pregnant"),
               ("symptoms", "chest pain, faintness, odd heart beats, or a heart condition"),
               ("recovering", "getting over an illness, an operation or an injury"))),
         choice("--how", ("talk-test", "field-test", "lactate", "maximum", "resting"),
                 "how to make a test, step by step, and nothing else"),
         flag("--ask", "ask every question, remembered or not"),
         flag("--apply", "keep the suggestion in the settings file (comments stay)"),
         flag("--forget", "forget everything remembered here"), _JSON)),
    "journal": CommandRow(
        "one short entry a day: sleep, stress, food, resting heart rate, notes",
        "guard journal --sleep 7.5 --quality 4 --resting 52",
        (word("--date", "DATE", "the day: 2026-03-02, today or yesterday (default: today)", default="today"),
         *(word(f"--{flag}", placeholder, words) for flag, (_, placeholder, words) in ENTRY_FLAGS.items()),
         word("--clear", "ITEM", f"clear one item: {', '.join(ENTRY_FLAGS)}", action="append", default=[],
               choices=list(ENTRY_FLAGS)),
         Either((
             flag("--edit", "write the day's entry in your editor ($EDITOR)"),
             word("--list", "N", f"the newest N entries (default: {LISTED_DAYS}; all: every one)", nargs="?",
                   const=str(LISTED_DAYS)),
             word("--search", "WORD", "entries that hold every word", nargs="+"),
             flag("--today", "what today's entry suggests for a run"),
             word("--csv", "FILE", "write all entries as a CSV file (- for the screen)"),
             flag("--remove", "remove the day's entry"))),
         _JSON)),
    "settings": CommandRow(
        "show, explain and change settings", "guard settings words=0.3",
        (word("words", "KEY=VALUE", "settings to keep from now on (KEY VALUE will do); a KEY alone is "
               "explained, nothing lists them all", nargs="*"),
         word("--explain", "KEY", "what a setting means, its range and where its value comes from",
               action="append", default=[]),
         word("--unset", "KEY", "back to the default; takes a key that is no setting out of the file, too",
               action="append", default=[]),
         _JSON)),
    "completion": CommandRow(
        "lets your shell complete commands and options (bash, zsh, fish)", "guard completion bash",
        (choice("shell", tuple(SHELLS), "the shell you use"),),
        more="\n".join(["One line keeps it, then open a new terminal:", "",
                        *(f"  {line}" for line in SHELLS.values()), ""])),
}


def run_command(args: argparse.Namespace) -> int:
    """Import the command that was parsed and run it; the exit code."""
    module = COMMANDS[args.command].module or args.command
    return int(import_module(f"guard.commands.{module}").run(args))
