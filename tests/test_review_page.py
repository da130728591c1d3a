"""The review as seen: terminal view, JSON, and the page, in text and in a real browser where there is one."""

from __future__ import annotations

import html
import io
import json
import os
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest
from rich.cells import cell_len
from rich.console import Console

from guard.cli import main
from guard.events import Cue, CueGiven, Numbers
from guard.log.log import read_log
from guard.log.note import Note, append_note
from guard.page.styles import style_of
from guard.plan.text import parse_plan
from guard.review import words
from guard.review.cues import Came, CueOutcome
from guard.review.drift import Drift
from guard.review.page import NARROW_MARK, page
from guard.review.picture import MOST_ROWS, heights, rows, ticks
from guard.review.review import Review, review
from guard.review.signal import Signal
from guard.review.terminal import view
from guard.screen.look import Look
from guard.settings import Settings
from tests.support.documents import check_listed
from tests.support.keep import guard_cli, guard_here
from tests.support.review import HOSTILE, log_of_a_run

CEILING = Settings(ceiling_bpm=139.0, warm_up_s=120.0)
PLAN = parse_plan("""
name = "hostile"
[[part]]
kind = "warm_up"
minutes = 3
[[part]]
kind = "climb"
name = "up <script>alert(3)</script> & 'on'"
minutes = 6
ceiling_bpm = 135
[[part]]
kind = "cool_down"
minutes = 3
ceiling_bpm = 128
""", "plan", CEILING)
VOID = {"meta", "br", "path", "rect", "line"}


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = log_of_a_run(tmp_path_factory.mktemp("logs") / "run.jsonl", 800, CEILING, PLAN, name=HOSTILE)
    append_note(path, Note(4, HOSTILE, "<b>knee</b>"))
    return path


@pytest.fixture(scope="module")
def found(log: Path) -> Review:
    return review(read_log(log), CEILING)


@pytest.fixture(scope="module")
def document(found: Review) -> str:
    return page(found, f"{HOSTILE}.jsonl")


class Parsed(HTMLParser):
    """Checks that tags nest, and gathers tags with their attributes, ids and text."""

    def __init__(self, document: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(document)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


# -- page, as text


def test_the_page_is_whole_and_stands_alone(document: str) -> None:
    parsed = Parsed(document)
    tags = {tag for tag, _ in parsed.tags}
    assert tags <= {"html", "head", "meta", "title", "style", "body", "h1", "h2", "p", "span", "figure",
                    "figcaption", "div", "a", "svg", "path", "rect", "line", "b", "br", "dl", "dt", "dd",
                    "table", "thead", "tbody", "tr", "th", "td", "ol", "li"}
    names = {name for _, attributes in parsed.tags for name in attributes}
    assert not {name for name in names if name.startswith("on")}
    assert not names & {"src", "srcset", "data", "action"}
    assert all(attributes["href"].startswith("#cue-") for tag, attributes in parsed.tags if tag == "a")
    assert "://" not in document and "url(" not in document and "@import" not in document
    assert "default-src 'none'" in html.unescape(document)


def test_hostile_names_are_only_text(document: str, found: Review) -> None:
    text = "".join(Parsed(document).words)
    assert "alert(1)" in text and "<script>alert(2)</script>" in text  # said as it is, in the note
    assert "up <script>alert(3)</script> & 'on'" in text and "<b>knee</b>" in text
    assert "\x1b" not in document and "\x07" not in document
    assert "<script" not in document and "<img" not in document


def test_every_cue_is_a_mark_and_a_line_with_its_reason(document: str, found: Review) -> None:
    parsed = Parsed(document)
    ids = {attributes["id"] for _, attributes in parsed.tags if "id" in attributes}
    marks = [attributes["href"] for tag, attributes in parsed.tags if tag == "a"]
    shown = [f"#cue-{number}" for number, cue in enumerate(found.cues, 1) if cue.cue is not Cue.PART]
    assert marks == shown and {f"cue-{number}" for number in range(1, len(found.cues) + 1)} == ids
    lines = document[document.index("<ol>"):]
    for cue in found.cues:
        assert html.escape(cue.reason) in lines
        assert html.escape(words.followed(cue)) in lines
    assert {cue.cue for cue in found.cues} >= {Cue.EASE, Cue.WALK, Cue.PART}


def test_a_session_too_short_for_a_picture_still_has_a_page(tmp_path: Path) -> None:
    for seconds in (1, 2, 10):
        path = log_of_a_run(tmp_path / "run.jsonl", seconds, CEILING)
        Parsed(page(review(read_log(path), CEILING), "run.jsonl"))
    bare = tmp_path / "bare.jsonl"
    bare.write_bytes(path.read_bytes().splitlines(keepends=True)[0])
    text = "".join(Parsed(page(review(read_log(bare), CEILING), "bare.jsonl")).words)
    assert "nothing to compare with the ceiling" in text and "nothing was recorded" in text


# -- page, in a browser


BROWSER = next((path for name in ("chromium", "chromium-browser", "google-chrome", "chrome")
                if (path := shutil.which(name))), None)
MEASURE = """<!doctype html><body style="margin:0"><pre id="out"></pre>
<iframe src="page.html" style="border:0;width:360px;height:600px"></iframe>
<iframe src="page.html" style="border:0;width:900px;height:600px"></iframe>
<script>onload = () => {
  const seen = [...document.querySelectorAll("iframe")].map(frame => {
    const inner = frame.contentDocument, view = frame.contentWindow;
    const style = (one, key) => view.getComputedStyle(inner.querySelector(one))[key];
    const mark = inner.querySelector(".mark");
    const before = style(".tip", "display");
    mark.focus();
    const tip = mark.querySelector(".tip").getBoundingClientRect();
    return {wide: inner.documentElement.scrollWidth,
      ink: style("body", "color"), paper: style("body", "backgroundColor"),
      size: parseFloat(style("body", "fontSize")), mark: mark.getBoundingClientRect().width,
      before, after: view.getComputedStyle(mark.querySelector(".tip")).display,
      left: tip.left, right: tip.right,
      hill: inner.querySelector(".plot svg").getBoundingClientRect().height, scripts: inner.scripts.length};
  });
  document.getElementById("out").textContent = JSON.stringify(seen);
};</script>"""


def browse(folder: Path, *options: str) -> str:
    if BROWSER is None:
        pytest.skip("no Chromium here (Debian: apt-get install chromium)")
    done = subprocess.run(
        [BROWSER, "--headless", "--no-sandbox", "--disable-gpu", "--allow-file-access-from-files",
         f"--user-data-dir={folder / 'profile'}", *options],
        capture_output=True, text=True, timeout=60, check=False)
    if done.returncode:
        pytest.skip(f"Chromium does not start here: {done.stderr.strip().splitlines()[-1:]}")
    return done.stdout


def test_in_a_browser_on_a_phone_and_a_desk_light_and_dark(tmp_path: Path, document: str) -> None:
    (tmp_path / "page.html").write_text(document)
    (tmp_path / "measure.html").write_text(MEASURE)
    for scheme, dark in (("1", False), ("0", True)):
        dom = browse(tmp_path, f"--blink-settings=preferredColorScheme={scheme}", "--window-size=1300,900",
                     "--virtual-time-budget=3000", "--dump-dom", (tmp_path / "measure.html").as_uri())
        seen = json.loads(html.unescape(re.search(r'<pre id="out">(.*?)</pre>', dom, re.DOTALL)[1]))
        for width, one in zip((360, 900), seen, strict=True):
            assert one["wide"] <= width  # nothing to scroll sideways
            assert (luminance(one["paper"]) < 0.1) == dark
            assert contrast(one["ink"], one["paper"]) >= 7  # WCAG 2.2, 1.4.6
            assert one["size"] >= 16 and one["hill"] >= 150 and one["scripts"] == 0
            assert (one["before"], one["after"]) == ("none", "block")
            assert one["left"] >= 0 and one["right"] <= width


def test_printed_in_a_browser(tmp_path: Path, document: str, found: Review) -> None:
    """Two pages for picture and figures, and one for every eight cues."""
    (tmp_path / "page.html").write_text(document)
    out = tmp_path / "page.pdf"
    browse(tmp_path, f"--print-to-pdf={out}", (tmp_path / "page.html").as_uri())
    printed = out.read_bytes()
    pages = len(re.findall(rb"/Type\s*/Page\b", printed))
    assert printed.startswith(b"%PDF") and 1 <= pages <= 2 + len(found.cues) / 8


def rgb(colour: str) -> list[float]:
    return [float(number) / 255 for number in re.findall(r"[\d.]+", colour)[:3]]


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2)."""
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4
                        for part in rgb(colour))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("theme", re.findall(r":root \{([^}]*--ink[^}]*)\}", style_of("review")))
def test_colours_stand_apart(theme: str) -> None:
    """Text 4.5 to 1, fills 3 to 1 against the paper (WCAG 2.2, 1.4.3 and 1.4.11)."""
    found = {}
    for name, code in re.findall(r"--(\w+): #(\w+)", theme):
        pairs = re.findall("..", code if len(code) == 6 else "".join(sign * 2 for sign in code))
        found[name] = f"rgb({', '.join(str(int(pair, 16)) for pair in pairs)})"
    assert contrast(found["ink"], found["paper"]) > 7 and contrast(found["soft"], found["paper"]) > 4.5
    assert contrast(found["blue"], found["paper"]) > 3 and contrast(found["warm"], found["paper"]) > 3


# -- terminal


def shown(found: Review, width: int, look: Look) -> list[str]:
    console = Console(file=io.StringIO(), width=width, highlight=False, force_terminal=False)
    console.print(view(found, "run.jsonl", width, look))
    return console.file.getvalue().splitlines()


@pytest.mark.parametrize("width", [40, 80, 120, 300])
@pytest.mark.parametrize("look", [Look(), Look(ascii=True, colour=False)], ids=["unicode", "ascii"])
def test_the_terminal_view_fits(found: Review, width: int, look: Look) -> None:
    lines = shown(found, width, look)
    text = "\n".join(lines)
    assert all(cell_len(line) <= width for line in lines)
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f]", text)
    assert not look.ascii or text.isascii()
    assert "medical device" in " ".join(text.split())


def test_the_terminal_view_says_what_happened(found: Review) -> None:
    text = " ".join(" ".join(shown(found, 400, Look())).split())
    assert words.headline(found) in text and "4 of 10: whole sentences" in text
    assert "<b>knee</b>" in text  # markup of files is text
    for cue in found.cues:
        assert cue.reason in text and words.followed(cue) in text
    assert "longest" in text and "drift" in text


def test_the_hill_is_as_high_as_heart_rate(found: Review) -> None:
    """Each column is the highest level of its stretch, from the ceiling."""
    drawn = heights(found, 80)
    trace, last_s = found.trace, float(found.trace.t_s[-1])
    for column in (10, 30, 60):
        inside = (trace.t_s >= column * last_s / 80) & (trace.t_s < (column + 1) * last_s / 80)
        assert drawn[column] == pytest.approx(float(-trace.room_bpm[inside].min()), abs=1e-9)


def test_marks_do_not_overlap_until_there_are_too_many() -> None:
    shares = [0.0, 0.01, 0.02, 0.5, 0.56, 0.99]
    placed = rows(shares, NARROW_MARK)
    for row in set(placed):
        mine = [share for share, its in zip(shares, placed, strict=True) if its == row]
        assert all(later - earlier >= NARROW_MARK for earlier, later in pairwise(mine))
    assert max(rows([0.001 * number for number in range(400)], NARROW_MARK)) == MOST_ROWS - 1
    assert rows([], 0.1) == []


@pytest.mark.parametrize("seconds", [1, 9, 59, 600, 3600, 10_800, 345_600])
def test_ticks_are_few_and_round(seconds: float) -> None:
    found = ticks(seconds)
    assert found[0] == 0 and 1 <= len(found) <= 6 and found[-1] <= seconds


def outcome(cue: Cue, **figures: object) -> CueOutcome:
    return CueOutcome(CueGiven(10.0, cue), 130.0, 139.0, **figures)  # type: ignore[arg-type]


@pytest.mark.parametrize(("cue", "text"), [
    (outcome(Cue.EASE, watched_s=180, ended_by="time", turn_s=12, under_s=40, peak_bpm=143, fell_bpm=9.2),
     "fell 9, from 12 s on, under after 40 s"),
    (outcome(Cue.EASE, watched_s=60, ended_by="walk", peak_bpm=150, fell_bpm=0.5),
     "did not fall"),
    (outcome(Cue.WALK, watched_s=180, ended_by="time", turn_s=0, under_s=0, peak_bpm=138, fell_bpm=20),
     "fell 20 at once, never over"),
    (replace(outcome(Cue.EASE, watched_s=180, ended_by="time", turn_s=12, under_s=40, peak_bpm=143,
                     fell_bpm=9.2, came_bpm=138.7, came=Came.WITH), given=CueGiven(
        10.0, Cue.EASE, "ease", Numbers(ahead_s=30.0, with_bpm=138.0, without_bpm=146.2))),
     "fell 9, from 12 s on, under after 40 s; 139 after 30 s: worked as expected"),
    (outcome(Cue.RESUME, watched_s=30, ended_by="end", rose_bpm=12, over_s=25),
     "rose 12, over again after 25 s; session ended 30 s later"),
    (outcome(Cue.WALK, watched_s=0, ended_by="no_signal"), "not known; sensor lost 0 s later"),
    (outcome(Cue.SIGNAL_LOST, back_s=21), "back after 21 s"),
    (outcome(Cue.BATTERY_LOW), ""),
])
def test_what_followed_in_words(cue: CueOutcome, text: str) -> None:
    assert words.followed(cue) == text


def test_how_often_what_came_was_expected_is_counted(tmp_path: Path) -> None:
    recording = read_log(log_of_a_run(tmp_path / "run.jsonl", 300, Settings(ceiling_bpm=140)))
    found = review(recording, recording.settings)
    assert "after the cues" not in dict(words.facts(replace(found, cues=())))
    judged = [outcome(Cue.EASE, came=came) for came in (Came.WITH, Came.HIGHER, Came.WITH, None)]
    assert dict(words.facts(replace(found, cues=tuple(judged))))["after the cues"] == (
        "2 worked as expected, 1 higher than expected")


def test_signal_in_words() -> None:
    found = Signal(900, {"jump": 3}, 1.0, 2.75, 2.75, 1, 0, 0, None)
    assert words.signal(found) == (
        "99.7 % of 900 readings trusted; no signal for 0:02, once; "
        "3 set aside: too far from the readings before")
    twice = replace(found, doubted={}, no_signal_s=64.9, longest_gap_s=40.9, gaps=2)
    assert words.signal(twice).endswith("no signal for 1:04, 2 times, 0:40 at the longest")
    assert words.signal(replace(twice, no_signal_s=0.0)).endswith("; never lost")


def test_drift_in_words() -> None:
    said = words.drift(Drift(4.2, 2.6, 9, 2.5, 1800), Settings())
    assert said == "+4.2 bpm (95 %: within 2.6) in the second half at 9.0 km/h; 9 steady minutes of each half"
    assert "no more than chance" in words.drift(Drift(1.0, 2.6, 9, 2.5, 1800), Settings())
    assert words.drift(Drift(refusal="too short"), Settings()) == "not known: too short"


# -- the command


def test_the_newest_session_is_the_one(tmp_path: Path) -> None:
    done = guard_cli("review", home=tmp_path)
    assert done.returncode == 3 and "no session is kept" in done.stderr and "Traceback" not in done.stderr
    assert not (tmp_path / "data").exists()  # looking makes no folder
    sessions = tmp_path / "data" / "sessions"
    sessions.mkdir(parents=True)
    for age, seconds in ((2, 90), (1, 70)):
        path = log_of_a_run(sessions / f"2026-03-0{3 - age}_0600.jsonl", seconds, CEILING)
        os.utime(path, (1e9 - age * 1000,) * 2)
    done = guard_here("review", "--json", home=tmp_path)
    assert done.returncode == 0 and json.loads(done.stdout)["duration_s"] == 70.0
    for path in sessions.iterdir():  # as after `guard learn` of an old one, or a copy to another machine
        path.write_text(path.read_text().replace('"started":"2026-03-02T', f'"started":"{path.name[:10]}T', 1)
                        .replace('"clock_trusted":false', '"clock_trusted":true', 1))
    os.utime(sessions / "2026-03-01_0600.jsonl", (2e9, 2e9))
    (sessions / "other.jsonl").write_text("no session\n")
    done = guard_here("review", "--json", home=tmp_path)
    assert done.returncode == 0 and json.loads(done.stdout)["duration_s"] == 70.0, "by its start"


def test_page_json_and_refusals(log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "run.html"
    assert main(["review", str(log), "--html", str(out)]) == 0
    assert capsys.readouterr().out == ""
    assert out.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert main(["review", str(log), "--html", str(out)]) == 2
    assert "exists already" in capsys.readouterr().err
    assert main(["review", str(log), "--html", str(out), "--force", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["notes"] == [{"effort": 4, "feel": HOSTILE, "pain": "<b>knee</b>"}]
    check_listed("guard/review/README.md", "review", document)
    assert main(["review", str(log), "--html", str(tmp_path / "none" / "run.html")]) == 4
    assert main(["review", str(tmp_path / "none.jsonl")]) == 3


def test_without_a_ceiling_it_asks_for_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = log_of_a_run(tmp_path / "i.jsonl", 300, Settings(ceiling_bpm=139.0), said=False)
    path.write_text(path.read_text().replace('"ceiling_bpm":139.0', '"ceiling_bpm":null', 1))
    assert main(["review", str(path)]) == 2
    assert "add --ceiling BPM" in capsys.readouterr().err
    assert main(["review", str(path), "--ceiling", "139"]) == 0
    assert "cue, not heard" in capsys.readouterr().out
