"""Sound inputs to begin with: pieces of the recordings, and short files written out here."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

RECORDINGS = Path(__file__).parents[2] / "recordings"
LINES_OF_A_RECORDING = 40
SECONDS_OF_A_RECORDING = 55.0


def heart_rate() -> list[bytes]:
    return [bytes.fromhex(packet) for packet in (
        "0696", "0496", "08963412", "104b3303", "1f2c01ffff000200040006", "014800", "0248", "103eb103de", "")]


def treadmill() -> list[bytes]:
    return [bytes.fromhex(packet) for packet in (
        "0c002003d204000f000000", "0000e803", "01000a", "0400e803102700", "0800e803ff7fff7f",
        "ffff" + "11" * 30)]


def foot_pod() -> list[bytes]:
    return [bytes.fromhex(packet) for packet in (
        "048002a0", "078002a06e0010270000", "00000000", "038002a06e00")]


@cache
def logs() -> list[bytes]:
    """The beginning of each recording, with one line of every kind it holds, and its end."""
    found = [small_log()]
    for path in sorted(RECORDINGS.glob("*.jsonl")):
        lines = path.read_bytes().splitlines()
        kinds: dict[str, bytes] = {}
        for line in lines[LINES_OF_A_RECORDING:]:
            kinds.setdefault(json.loads(line)["type"], line)
        late = sorted(kinds.values(), key=lambda line: json.loads(line)["t"])
        near = [line for line in late if json.loads(line)["t"] < SECONDS_OF_A_RECORDING]
        last = {**json.loads(lines[-1]), "t": SECONDS_OF_A_RECORDING}  # or it is too long to be replayed
        found.append(b"\n".join([*lines[:LINES_OF_A_RECORDING], *near, json.dumps(last).encode()]) + b"\n")
    return found


def small_log() -> bytes:
    header = {"type": "session", "format": 1, "started": "2026-03-02T06:10:00+01:00", "clock_trusted": True,
              "guard": "0.1.0", "settings": {"ceiling_bpm": 120.0, "warm_up_s": 0.0},
              "plan": {"name": "invented", "parts": [
                  {"kind": "base", "name": "base", "seconds": 60.0, "metres": None, "ceiling_bpm": 125.0,
                   "floor_bpm": None, "ramp_bpm": 0.0, "cued": "all", "grace_s": 0.0}]},
              "source": {"kind": "strap", "name": "Invented strap"}}
    rows = [{"t": 0.5, "type": "link", "state": "connected", "name": "Invented strap"}]
    rows += [{"t": t + 0.5, "type": "reading", "bpm": 100 + t, "contact": True, "rr_s": [0.5],
              "raw": "1064" + "0002"} for t in range(1, 40)]
    rows += [{"t": 40.6, "type": "speed", "speed_m_s": 2.75, "grade": 0.01, "from": "treadmill"},
             {"t": 40.7, "type": "speed_link", "device": "treadmill", "state": "connected", "name": "belt"},
             {"t": 41.0, "type": "command", "action": "ceiling", "value": 130.0},
             {"t": 41.5, "type": "mark", "value": "hill"},
             {"t": 42.0, "type": "cue", "cue": "ease", "reason": "foreseen 143 in 20 s", "repeat": 0},
             {"t": 42.0, "type": "state", "state": "easing", "reason": "foreseen"},
             {"t": 42.5, "type": "doubt", "reason": "no contact"},
             {"t": 43.0, "type": "battery", "percent": 80},
             {"t": 43.5, "type": "clock", "wall": "2026-03-02T06:10:43+01:00"},
             {"t": 44.0, "type": "sound", "backend": "worker", "detail": "heard"},
             {"t": 45.0, "type": "gap", "lines": 3},
             {"t": 46.0, "type": "end", "summary": {"duration_s": 46.0, "at_or_under_s": 40.0, "over_s": 6.0,
                                                    "cues": {"ease": 1}}},
             {"t": 46.0, "type": "note", "effort": 4, "feel": "easy", "pain": "none"}]
    return b"".join(json.dumps(row, separators=(",", ":")).encode() + b"\n" for row in (header, *rows))


def csvs() -> list[bytes]:
    bodies = [
        "t,bpm,v,h,rr,id\n" + "".join(f"{t},{120 + t},2.7,{10 + t / 10},{500 + t},1\n" for t in range(30)),
        "t;bpm;v;h;rr;id\n" + "".join(f"{t},5;{120 + t};2,7;10;500;1\n" for t in range(20)),
        "t,bpm\n" + "".join(f"2026-03-02T06:10:{t:02d}+01:00,{120 + t}\n" for t in range(20)),
        "t\tbpm\n" + "".join(f"02.03.2026 06:10:{t:02d}\t{120 + t}\n" for t in range(20)),
        "t,bpm\n" + "".join(f"00:{t // 60:02d}:{t % 60:02d},{120 + t}\n" for t in range(50, 70)),
        "t,bpm\n" + "".join(f"2 Mar 2026 11:59:{t:02d} PM,{120 + t}\n" for t in range(10)),
        "".join(f"{t},{120 + t}\n" for t in range(20)),
        "an invented file\nmade by hand\n\nt,bpm\n\"1\",\"120\"\n\"2\",\"121\"\n",
        "t,bpm\n" + "".join(f"{1_772_428_200_000 + t * 1000},{120 + t}\n" for t in range(20)),
    ]
    found = [bytes([which]) + body.encode() for body in bodies for which in (0, 1)]
    return [*found, b"\x02" + bodies[0].encode(), b"\x03" + bodies[6].encode(), b"\x04" + bodies[0].encode(),
            b"\x00" + bodies[0].encode("utf-16"), b"\x0a" + bodies[3].encode()]


def settings() -> list[bytes]:
    return [b'# mine\nceiling_bpm = 139\nlead_s = 25.0\nsound = true\nvoice = "en-us"\nspeech = "short"\n',
            b'floor_bpm = 110\nstop_bpm = "none"\nunits = "mile"\nbelt_step_km_h = 0.1\n',
            b"ceiling_bpm = 0xff\nvolume = 1e-1\nquick = 1979-05-27T07:32:00Z\n",
            b'"a.b" = 1\n[table]\nx = [1, 2, {y = 3}]\n']


def plans() -> list[bytes]:
    from guard.plan.examples import EXAMPLES

    repeat = (b'name = "hills"\n[[part]]\nkind = "warm-up"\nminutes = 5\n'
              b'[[part]]\nrepeat = 3\n[[part.part]]\n'
              b'kind = "fast"\nkm = 0.4\npace_min_per_km = "5:30"\n'
              b'[[part.part]]\nkind = "base"\nseconds = 90\n')
    return [repeat, *(text.encode() for text in EXAMPLES.values())]


def tracks() -> list[bytes]:
    """A GPX track and a table of a hill."""
    points = [(45.0 + place / 5_000, 100.0 + 3.0 * abs(place % 20 - 10)) for place in range(30)]
    track = ('<?xml version="1.0"?><gpx version="1.1" creator="x"><trk><name>hill</name><trkseg>\n'
             + "\n".join(f'<trkpt lat="{latitude:.5f}" lon="7.1"><ele>{altitude}</ele>'
                         f"<time>2026-05-02T08:{place:02d}:00Z</time></trkpt>"
                         for place, (latitude, altitude) in enumerate(points)) + "\n</trkseg></trk></gpx>\n")
    table = "distance_km,elevation_ft\n" + "".join(
        f"{place / 40:.3f},{altitude}\n" for place, (_, altitude) in enumerate(points))
    return [track.encode(), table.encode()]


def journals() -> list[bytes]:
    rows = [{"date": f"2026-02-{day:02d}", "sleep_h": 7.5, "sleep_quality": 4, "stress": 2, "soreness": 1,
             "food": 4, "resting_bpm": 52, "weather": "12 C, rain", "shoes": "blue", "note": "easy",
             "later": {"a": [1]}} for day in range(1, 15)]
    return ["".join(json.dumps(row) + "\n" for row in rows).encode(), b'{"date":"2026-03-02","sleep_h":6}\n']


def abouts() -> list[bytes]:
    return [b'{"format": 1, "title": "hills", "tags": ["long", "wet"], '
            b'"felt": {"effort": 4, "x": [1, null]}}\n']


def indexes() -> list[bytes]:
    from dataclasses import asdict

    from guard.library.facts import SessionFacts

    facts = asdict(SessionFacts(
        "2026-03-02T06:10:00+01:00", True, 46.0, 120.0, "strap", "Invented strap", "plan",
        True, False, ("hill",), {"duration_s": 46.0, "cues": {"ease": 1}}, ("a note",)))
    return [json.dumps({"a.jsonl": ["SIZE", "TIME", facts]}).encode(),
            b'{"format": 1, "name": "Invented strap", "address": "C8:00:00:00:00:01"}',
            b'{"format": 1, "date": "2026-03-02", "answers": {"age": 40}, "document": {"format": 1}}\n']


def kept_progress() -> list[bytes]:
    from dataclasses import asdict

    from guard.journal.links import Correlation
    from guard.progress.checks import CheckPart
    from guard.progress.figures import SessionFigures
    from guard.progress.minutes import Minutes

    sums = (30.0, 20.0, 2.5, 0.0, 0.2, 135.0, 0.4, 0.0, 0.1, 12.0, 0.0, 0.0, 0.0, 0.5, 4.0, 500.0,
            10.0, 2.5, 0.0, 0.1, 133.0, 10.0, 2.5, 0.0, 0.3, 137.0)
    long = asdict(SessionFigures(Minutes((sums, sums, sums), 125.0, 145.0), "", "treadmill", 139.0,
                                 2400.0, 2300.0, 2000.0, 300.0, None, 4))
    short = asdict(SessionFigures(None, "too short", "", None, 46.0, 40.0, None, None, (100, (1, 2, 30)), 1))
    rows = [["FINGERPRINT", "", long, []], ["FINGERPRINT", "", short, [asdict(CheckPart("x", 128.0, 2.5))]],
            ["FINGERPRINT", "cannot be read", None, []]]
    link = Correlation("sleep_h", "speed", 0.4, 0.1, 0.6, 0.3, 40, 31.5, 0.01, 0.04, 6)
    return [*(json.dumps({"a.jsonl": row}).encode() for row in rows), json.dumps([asdict(link)]).encode()]


def words() -> list[bytes]:
    return [b'"slow down please" = "easy now"\n"walking pace now" = "walk a little"\n']


def wavs() -> list[bytes]:
    import io
    import wave

    found = []
    for channels, width, rate in ((1, 2, 22_050), (2, 1, 8_000), (1, 3, 44_100), (2, 4, 48_000)):
        buffer = io.BytesIO()
        with wave.open(buffer, "wb") as file:
            file.setnchannels(channels)
            file.setsampwidth(width)
            file.setframerate(rate)
            file.writeframes(bytes(range(256)) * channels * width)
        found.append(buffer.getvalue())
    return found


def arguments() -> list[bytes]:
    lines = [
        "settings", "settings words=0.3", "settings --unset words", "settings --json", "settings words",
        "settings lead_s",
        "plan --make easy-hour -o NEW", "plan PLAN --ceiling 139", "plan PLAN --json --ceiling 139",
        "ceiling --age 40 --resting 55 --history regular", "ceiling --age 40 --maximum 190 --json",
        "ceiling --how talk-test", "ceiling --age 40 --apply",
        "journal --sleep 7.5 --quality 4 --resting 52 --note easy", "journal --list", "journal --search easy",
        "journal --today --json", "journal --date 2026-03-02 --stress 3", "journal --remove 2026-03-02",
        "sessions", "sessions --json", "sessions --from 2026-03 --to 2026-04 hills", "sessions --verify",
        "sessions --title last hills", "sessions --tag last wet", "sessions --delete last",
        "sessions --restore last", "sessions --mark hill --plan easy",
        "import CSV --time t --heart-rate bpm -o NEW",
        "import CSV --time t --heart-rate bpm --speed v -o NEW --json",
        "import CSV --rr rr --where id=1 -o NEW --separator comma --rr-unit ms",
        "export LOG -o NEW", "export LOG -o NEW --force", "replay LOG", "replay LOG --set words=0.3 --json",
        "replay LOG --verify", "replay LOG --ceiling 139", "review LOG", "review LOG --html NEW --json",
        "review LOG --set stop_bpm=180", "progress --ceiling 139",
        "progress --ceiling 139 --json --folder LOGS",
        "progress --ceiling 139 --html NEW --csv NEW2", "learn LOG", "learn LOG --json",
        "data", "data --json", "--version", "--help", "run --ceiling 139 --set words=0.3 --plan PLAN",
        "rehearse --course hill-loop --seed 7 --speedup 30", "straps --remember NAME", "straps --forget all",
        "tune LOG --search words --search spacing_s=8:30 --seed 3", "check --sounds", "",
    ]
    return [line.replace(" ", "\0").encode() for line in lines]
