"""What is fuzzed: each target takes any bytes and must neither fail nor hang.

A target is handed a folder of its own. Errors meant for the user (GuardError)
are caught here and looked at: one short sentence that can be printed. Anything
else that comes out is a fault of the guard.
"""

from __future__ import annotations

import io
import json
import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import date
from functools import partial
from pathlib import Path

from guard.errors import GuardError
from guard.settings import Settings
from tests.fuzz import seeds

LONGEST_SENTENCE = 4000
LONGEST_REPLAYED_S = 60.0


class Wrong(Exception):
    """An answer that no input may bring about."""


@dataclass(frozen=True)
class Target:
    """`check(data, folder)` raises when the guard is at fault; `seeds` are sound inputs to begin with."""

    name: str
    check: Callable[[bytes, Path], None]
    seeds: Callable[[], list[bytes]]
    longest: int = 1 << 13


@contextmanager
def refusals() -> Iterator[None]:
    """The user's errors end what is inside, once they have been looked at."""
    try:
        yield
    except GuardError as error:
        text = str(error)
        if not text or len(text) > LONGEST_SENTENCE:
            raise Wrong(f"a sentence of {len(text)} signs") from error
        printed(text, error)


def printed(text: str, error: Exception | None = None) -> None:
    if not isinstance(text, str) or not text.isprintable():
        raise Wrong(f"does not print: {text!r:.300}") from error


def _finite(*values: float | None) -> None:
    if not all(value is None or math.isfinite(value) for value in values):
        raise Wrong(f"not finite: {values}")


def _put(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def heart_rate(data: bytes, folder: Path) -> None:
    from guard.packets import heart_rate as packet

    said = packet.parse(data)
    if isinstance(said, packet.Malformed):
        printed(said.reason)
        return
    if not 0 <= said.bpm <= 65_535 or not all(0 <= rr < 64 for rr in said.rr_s):
        raise Wrong(str(said))
    printed(said.note)
    again = packet.parse(packet.encode(
        said.bpm, contact=said.contact, energy_kj=said.energy_kj, rr_s=said.rr_s))
    if isinstance(again, packet.Malformed) or (again.bpm, again.contact, again.energy_kj, again.rr_s) != (
            said.bpm, said.contact, said.energy_kj, said.rr_s):
        raise Wrong(f"{said} is read back as {again}")


def treadmill(data: bytes, folder: Path) -> None:
    from guard.packets import treadmill as packet

    said = packet.parse(data)
    if isinstance(said, packet.Malformed):
        printed(said.reason)
        return
    _finite(said.speed_km_h, said.average_speed_km_h, said.inclination_percent, said.ramp_angle_deg)
    if said.speed_km_h is not None and not 0 <= said.speed_km_h <= 655.35:
        raise Wrong(str(said))
    printed(said.note)


def foot_pod(data: bytes, folder: Path) -> None:
    from guard.packets import foot_pod as packet

    said = packet.parse(data)
    if isinstance(said, packet.Malformed):
        printed(said.reason)
        return
    _finite(said.speed_m_s, said.stride_length_m, said.distance_m, packet.steps_per_min(said))
    printed(said.note)


def log(data: bytes, folder: Path) -> None:
    from guard.csv.write import csv_chunks
    from guard.library.facts import facts_from, facts_of
    from guard.log.note import notes_of
    from guard.log.recording import read_log, repair
    from guard.log.series import read_series
    from guard.replay.replay import replay

    path = _put(folder, "fuzz.jsonl", data)
    facts = facts_of(path)
    if facts_from(json.loads(json.dumps(asdict(facts), allow_nan=False))) != facts:
        raise Wrong("facts do not come back from the index")
    for text in (facts.problem, facts.kind, facts.source, facts.plan, *facts.marks, *facts.notes):
        printed(text)
    with refusals():
        series = read_series(path)
        _finite(series.end_s, *series.readings[:, 0].tolist())
    with refusals():
        recording = read_log(path)
        for note in recording.notes:
            printed(note)
        notes_of(recording)
        b"".join(csv_chunks(recording)).decode()
        if recording.end_s <= LONGEST_REPLAYED_S:
            settings = recording.settings
            if settings.ceiling_bpm is None:
                settings = settings.replaced({"ceiling_bpm": 139.0, "stop_bpm": None, "floor_bpm": None})
            json.dumps(replay(recording, settings).as_dict(), allow_nan=False)
        repair(path)
        if read_log(path).items != recording.items:
            raise Wrong("a repaired log reads otherwise")


def review(data: bytes, folder: Path) -> None:
    from rich.console import Console

    from guard.log.recording import read_log
    from guard.review.page import page
    from guard.review.review import review as reviewed
    from guard.review.terminal import view
    from guard.screen.look import Look

    path = _put(folder, "fuzz.jsonl", data)
    with refusals():
        recording = read_log(path)
        if recording.end_s > LONGEST_REPLAYED_S:
            return
        settings = recording.settings
        if settings.ceiling_bpm is None:
            settings = settings.replaced({"ceiling_bpm": 139.0, "stop_bpm": None, "floor_bpm": None})
        found = reviewed(recording, settings)
        json.dumps(found.as_dict(), allow_nan=False)
        html = page(found, "fuzz")
        html.encode()
        if "<script" in html or any(not sign.isprintable() and sign != "\n" for sign in html):
            raise Wrong("the page holds what it must not")
        file = io.StringIO()
        Console(file=file, width=80, highlight=False).print(view(found, "fuzz", 80, Look()))
        for line in file.getvalue().splitlines():
            printed(line)


def csv(data: bytes, folder: Path) -> None:
    from guard.csv.read import ColumnNames, Form, import_csv
    from guard.log.log import write_recording
    from guard.log.recording import read_log

    which, body = (data[0], data[1:]) if data else (0, b"")
    forms = (Form(), Form(time_unit="ms"), Form(date_order="day-first"), Form(separator="semicolon"),
             Form(rr_unit="s", speed_unit="min/km"))
    columns = (
        ColumnNames("t", "bpm"), ColumnNames("t", "bpm", speed="v", altitude="h"), ColumnNames(rr="rr"),
        ColumnNames("1", "2"), ColumnNames("t", "bpm", rr="rr", where={"id": "1"}))
    path = _put(folder, "fuzz.csv", body)
    with refusals():
        imported = import_csv(path, columns[which % 5], forms[which // 5 % 5])
        for note in imported.notes:
            printed(note)
        target = folder / "imported.jsonl"
        write_recording(target, imported.header, imported.items, force=True)
        read = read_log(target)
        if read.damaged or read.items != imported.items:
            raise Wrong("an import that does not read back")


def settings(data: bytes, folder: Path) -> None:
    from guard.settings import file as settings_file

    path = _put(folder, "settings.toml", data)
    with refusals():
        Settings().replaced(settings_file.load(path))
    with refusals():
        settings_file.save({"words": 0.3, "floor_bpm": None}, path)
    with refusals():
        settings_file.load(path)


def plan(data: bytes, folder: Path) -> None:
    from guard.plan.drawing import draw
    from guard.plan.file import read_plan
    from guard.plan.plan import Plan
    from guard.screen.look import Look

    path = _put(folder, "plan.toml", data)
    known = Settings(ceiling_bpm=139.0)
    with refusals():
        found = read_plan(str(path), known)
        stored = json.loads(json.dumps(found.as_dict(), allow_nan=False))
        if Plan.from_dict(stored) != found:
            raise Wrong("a plan that does not come back from the log")
        for row in draw(found, 139.0, 72, Look()):
            printed(row)


def track(data: bytes, folder: Path) -> None:
    from guard.route.file import read_route
    from guard.route.forecast import Ability, day_range, forecast, gain_of
    from guard.route.words import heading, row

    path = _put(folder, "track.gpx" if b"<" in data[:40] else "track.csv", data)
    gain, learned = gain_of(None)
    runner = Ability(139.0, day_range(2.5, 0.1, gain), gain, learned)
    with refusals():
        road = read_route(str(path), Settings(ceiling_bpm=139.0), 2.5)
        found = forecast(road, runner)
        _finite(road.length_m, road.rise_m, road.fall_m, found.walked_s, *vars_of(found.time_s))
        printed(heading(road, "km"))
        for number, climb in enumerate(found.climbs, 1):
            printed(" ".join(row(number, climb, runner, "mile")))


def vars_of(one: object) -> list[float]:
    """The numbers of a small dataclass."""
    return [getattr(one, name) for name in getattr(one, "__slots__", ())]


def journal(data: bytes, folder: Path) -> None:
    from guard.journal import journal as journals
    from guard.journal.advice import advise

    path = _put(folder, "journal.jsonl", data)
    with refusals():
        found = journals.read(path)
        for note in found.notes:
            printed(note)
        found.search(["a"])
        days = [entry.day for entry in found.entries]
        for values in journals.numbers(found.entries, days).values():
            _finite(*values)
        for entry in found.entries:
            json.dumps(entry.as_dict())
        if found.entries:
            last = found.entries[-1]
            advise(last, ceiling_bpm=139.0,
                   past_sleep_h=[one.sleep_h for one in found.entries],
                   past_resting_bpm=[one.resting_bpm for one in found.entries])
    with refusals():
        journals.amend(date(2026, 3, 2), {"sleep_h": 7.5}, path)
        if journals.read(path).of(date(2026, 3, 2)) is None:
            raise Wrong("an entry written is not there")


def about(data: bytes, folder: Path) -> None:
    from guard.library.about import about_path, change_about, read_about
    from guard.library.library import SessionEntry, sessions
    from guard.library.search import SearchTerms, matching

    home = folder / "logs"
    home.mkdir(exist_ok=True)
    path = _put(home, "a.jsonl", seeds.small_log())
    about_path(path).write_bytes(data)
    read_about(path, printed)
    found: list[SessionEntry] = sessions(home, warn=printed)
    matching(found, SearchTerms(words=("x",), tag="y"))
    (found[0].title, found[0].tags)
    with refusals():
        change_about(path, {"title": "hills"})
        if read_about(path).get("title") != "hills":
            raise Wrong("a title written is not there")


def index(data: bytes, folder: Path) -> None:
    """Every small file of ours that a reader meets in the cache or config folder."""
    import os
    import zlib
    from unittest.mock import patch

    from guard.ceiling import results as ceilings
    from guard.devices import remembered as straps
    from guard.devices.peripheral import FOOT_POD_PERIPHERAL, TREADMILL_PERIPHERAL
    from guard.files.cache import cache_of
    from guard.library.library import sessions

    home = folder / "logs"
    home.mkdir(exist_ok=True)
    log_path = _put(home, "a.jsonl", seeds.small_log())
    state = log_path.stat()
    with patch.dict(os.environ, GUARD_HOME=str(folder)):
        # With a right sum, as somebody who means harm would give it; and without.
        body = data.replace(b'"SIZE"', b"%d" % state.st_size).replace(b'"TIME"', b"%d" % state.st_mtime_ns)
        for whole in (data, json.dumps({"format": 1, "crc": zlib.crc32(body)}).encode() + b"\n" + body):
            path = cache_of("library", home)
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(whole)
            with refusals():
                from guard.commands.sessions import as_dict, began, words

                for entry in sessions(home, warn=printed):
                    json.dumps(as_dict(entry))
                    (began(entry), words(entry))
        (folder / "config").mkdir(exist_ok=True)
        (folder / "data").mkdir(exist_ok=True)
        for kind in (straps.STRAP, TREADMILL_PERIPHERAL.kind, FOOT_POD_PERIPHERAL.kind):
            straps.strap_file(kind=kind).write_bytes(data)
            device = straps.remembered(printed, kind=kind)
            if device is not None:
                printed(device.name)
                printed(device.address)
        ceilings.ceiling_path().write_bytes(data)
        with refusals():
            ceilings.results()


def progress(data: bytes, folder: Path) -> None:
    """What is kept of the months: as it is found, and with a right sum."""
    import os
    import zlib
    from unittest.mock import patch

    from guard.files.cache import cache_of
    from guard.progress import sessions as progress_library
    from guard.progress.progress import look

    home = folder / "logs"
    home.mkdir(exist_ok=True)
    state = _put(home, "a.jsonl", seeds.small_log()).stat()
    mark = f"{state.st_size:x}-{state.st_mtime_ns:x}".encode()
    with patch.dict(os.environ, GUARD_HOME=str(folder)):
        body = data.replace(b"FINGERPRINT", mark)
        place = cache_of("progress", home)
        place.parent.mkdir(parents=True, exist_ok=True)
        made_for = {"format": progress_library.FIGURES_FORMAT, "crc": zlib.crc32(body)}
        for whole in (data, json.dumps(made_for).encode() + b"\n" + body):
            place.write_bytes(whole)
            with refusals():
                months = look(progress_library.sessions_of(home, warn=printed), {}, 139.0)
                for point in months.points:
                    _finite(*(() if point.speed is None else (point.speed.low, point.speed.high)))


def words(data: bytes, folder: Path) -> None:
    from guard.decide.wording import phrase_bank
    from guard.sound.own_phrases import WORDS_FILE, OwnPhrases

    _put(folder, WORDS_FILE, data)
    own = OwnPhrases(folder, lambda trouble: printed(str(trouble)))
    own.read(phrase_bank(Settings(ceiling_bpm=139.0)))
    printed(own.words("slow down please"))


def wav(data: bytes, folder: Path) -> None:
    from guard.sound.wavfile import MAX_LENGTH_S, BadWav, read

    path = _put(folder, "slow-down-please.wav", data)
    try:
        sound = read(path)
    except BadWav as error:
        printed(str(error))
        return
    if not 0 < len(sound) <= MAX_LENGTH_S * 22_050 + 1:
        raise Wrong(f"{len(sound)} samples")


def arguments(data: bytes, folder: Path) -> None:
    from tests.fuzz.arguments import check

    check(data, folder)


_PACKET = partial(Target, longest=64)
TARGETS = {target.name: target for target in (
    _PACKET("heart_rate", heart_rate, seeds.heart_rate),
    _PACKET("treadmill", treadmill, seeds.treadmill),
    _PACKET("foot_pod", foot_pod, seeds.foot_pod),
    Target("log", log, seeds.logs),
    Target("review", review, seeds.logs),
    Target("csv", csv, seeds.csvs),
    Target("settings", settings, seeds.settings),
    Target("plan", plan, seeds.plans),
    Target("track", track, seeds.tracks),
    Target("journal", journal, seeds.journals),
    Target("about", about, seeds.abouts),
    Target("index", index, seeds.indexes),
    Target("progress", progress, seeds.kept_progress),
    Target("words", words, seeds.words),
    Target("wav", wav, seeds.wavs),
    Target("arguments", arguments, seeds.arguments, longest=1024),
)}
