"""The live view at exact sizes, in ASCII, without colour, and with hostile text."""

from __future__ import annotations

import io
import re

import pytest
from rich.cells import cell_len
from rich.console import Console

from guard.errors import clean
from guard.events import Cue, CueGiven, LinkState, State
from guard.screen import gauge, large, trace, words
from guard.screen.look import BLUE, REDDISH_PURPLE, VERMILLION, Look, fitting_look
from guard.screen.view import ViewOptions, view
from guard.settings import Settings
from tests.support.live import snapshot

SIZES = [(40, 12), (80, 24), (200, 60)]
MOMENTS = {
    "easing": {},
    "over": {"state": State.WALKING, "level_bpm": 143.0, "room_bpm": -4.0, "foreseen_bpm": 145.0},
    "blind": {"state": State.NO_SIGNAL, "level_bpm": None, "room_bpm": None, "foreseen_bpm": None,
              "slope_bpm_per_min": None, "chance_over": None, "reading_age_s": 9.0,
              "link_state": LinkState.LOST, "link_detail": "out of range: come closer"},
    "first": {"t_s": 0.0, "state": State.WARMING, "state_since_s": 0.0, "level_bpm": None,
              "room_bpm": None, "foreseen_bpm": None, "slope_bpm_per_min": None, "chance_over": None,
              "reading_age_s": None, "contact": None, "last_cue": None, "cue_count": 0, "trace": (),
              "ceiling_trace": (), "part": "", "part_left_s": None, "speed_m_s": None, "grade": None,
              "battery_percent": None, "link_name": "", "sound_backend": "", "at_or_under_s": 0.0,
              "over_s": 0.0, "link_state": LinkState.SEARCHING},
    "quiet": {"muted": True, "free_run": True, "state": State.HELD, "sound_backend": "none"},
}


def drawn(width: int, height: int, *, colour: bool = False, options: ViewOptions | None = None,
          **changes: object) -> list[str]:
    """The lines a terminal of this size would get, as rich writes them."""
    out = io.StringIO()
    console = Console(file=out, width=width, height=height, force_terminal=True,
                      color_system="truecolor" if colour else None, legacy_windows=False, _environ={})
    console.print(view(snapshot(**changes), width, height, options or ViewOptions()))
    return out.getvalue().removesuffix("\n").split("\n")


@pytest.mark.parametrize("size", [*SIZES, (20, 5), (1, 1), (39, 11), (60, 20), (61, 33)])
@pytest.mark.parametrize("moment", MOMENTS)
@pytest.mark.parametrize("ascii_only", [False, True])
def test_never_wider_or_taller_than_the_terminal(
    size: tuple[int, int], moment: str, ascii_only: bool,
) -> None:
    width, height = size
    options = ViewOptions(look=Look(ascii=ascii_only), title="rehearsal " * 30, tag="INVENTED",
                          log_name="x" * 300, notes=("n" * 400,) * 5)
    lines = drawn(width, height, options=options, **MOMENTS[moment])
    assert len(lines) <= height
    assert max(cell_len(line) for line in lines) <= width


@pytest.mark.parametrize("size", SIZES[1:])
def test_every_key_fact_is_there(size: tuple[int, int]) -> None:
    page = "\n".join(drawn(*size, options=ViewOptions(tag="INVENTED"), muted=True, free_run=True))
    for fact in ("beats under the ceiling 139", "heart rate 132", "foreseen 141 in 20 s", "EASING for 0:20",
                 "Ease: slow down please", "0:20 ago", "foreseen 143 in 20 s, ceiling 139",
                 "connected: strap", "battery 80 %", "12:34", "at or under 11:40 (95 %)", "10:00 left",
                 "8.6 km/h", "MUTED", "PACE CUES OFF", "sound on", "INVENTED", "q end"):
        assert fact in page, fact


@pytest.mark.parametrize(("size", "facts"), [
    ((40, 12), ("EASING for 0:20", "MUTED", "Ease: slow down please", "0:20 ago", "beats under", "139",
                "8.6 km/h", "heart rate 132", "12:34", "battery 80 %", "? keys")),
    ((30, 8), ("beats under", "139", "Ease: slow", "8.6 km/h", "? keys")),
])
def test_what_matters_most_is_on_small_screens(size: tuple[int, int], facts: tuple[str, ...]) -> None:
    lines = drawn(*size, muted=True)
    assert [fact for fact in facts if fact not in "\n".join(lines)] == []
    assert sum("██" in line for line in lines) >= 5, "a large figure"


@pytest.mark.parametrize("size", SIZES)
def test_says_over_and_blind_in_words(size: tuple[int, int]) -> None:
    assert re.search("over the +ceiling 139", " ".join(drawn(*size, **MOMENTS["over"])))
    blind = "\n".join(drawn(*size, **MOMENTS["blind"]))
    for fact in ("NO SIGNAL", "heart rate unknown for 0:09", "LOST", "come closer"):
        assert fact in blind
    assert "PAUSED" in "\n".join(drawn(*size, **MOMENTS["quiet"]))


@pytest.mark.parametrize("size", SIZES)
def test_ascii_look_has_nothing_but_ascii(size: tuple[int, int]) -> None:
    options = ViewOptions(look=Look(ascii=True), title="Läufer")
    for changes in MOMENTS.values():
        page = "\n".join(drawn(*size, options=options, **{**changes, "link_name": "Gürtel"}))
        assert page.isascii()


@pytest.mark.parametrize("moment", MOMENTS)
def test_without_colour_there_is_no_colour_code(moment: str) -> None:
    look = fitting_look("utf-8", {"TERM": "xterm-256color", "NO_COLOR": "1"})
    page = "\n".join(drawn(80, 24, colour=True, options=ViewOptions(look=look), **MOMENTS[moment]))
    codes = [int(code) for run in re.findall(r"\x1b\[([\d;]*)m", page) for code in run.split(";") if code]
    assert not [code for code in codes if 30 <= code <= 49 or 90 <= code <= 107]
    assert "\x1b[38" in "\n".join(drawn(80, 24, colour=True, options=ViewOptions()))


def test_over_differs_from_under_without_colour() -> None:
    under = gauge.bar(5.0, None, 60, Look(colour=False)).plain
    over = gauge.bar(-5.0, None, 60, Look(colour=False)).plain
    assert "▓" in over and "▓" not in under


def test_hostile_names_are_text() -> None:
    name = "[bold red]x[/]\x1b[2J\x1b]0;title\x07\u202eevil\n\nrow\x9b31m [link=http://x]y[/link]"
    for size in SIZES:
        lines = drawn(*size, link_name=name, part=name, sound_backend=name, link_detail=name,
                      last_cue=CueGiven(734.0, Cue.EASE, name, logged_words=name),
                      options=ViewOptions(notes=(name,), title=name))
        page = "\n".join(lines)
        assert len(lines) <= size[1] and max(map(cell_len, lines)) <= size[0]
        assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u202e]", re.sub(r"\x1b\[[\d;]*m", "", page))
        assert "\x1b[2J" not in page and "\x1b]" not in page
    assert "[bold red]x[/]" in page


def test_clean_keeps_letters_and_drops_what_a_terminal_acts_on() -> None:
    assert clean("a\tb\r\nc\x1b[31m\u200b\u202e\u0301 é 心拍") == "a b c[31m é 心拍"


def test_wide_letters_count_two_cells() -> None:
    lines = drawn(40, 12, link_name="心拍" * 40, options=ViewOptions(notes=("心拍" * 40,)))
    assert max(map(cell_len, lines)) <= 40


@pytest.mark.parametrize(("encoding", "environment", "ascii_only"), [
    ("utf-8", {"TERM": "xterm-256color"}, False),
    ("UTF8", {}, False),
    ("utf-8", {"TERM": "linux"}, True),
    ("iso-8859-1", {"TERM": "xterm"}, True),
    ("ascii", {}, True),
])
def test_look_fits_the_terminal(encoding: str, environment: dict[str, str], ascii_only: bool) -> None:
    assert fitting_look(encoding, environment).ascii is ascii_only


def test_no_color_counts_only_when_not_empty() -> None:
    # no-color.org: "when present and not an empty string (regardless of its value)"
    assert not fitting_look("utf-8", {"NO_COLOR": "0"}).colour
    assert fitting_look("utf-8", {"NO_COLOR": ""}).colour


def _luminance(colour: str) -> float:
    parts = [int(colour[i:i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("colour", [BLUE, VERMILLION])
def test_fills_stand_out_on_black_and_on_white(colour: str) -> None:
    # Relative luminance and contrast as WCAG 2.2 defines them; 1.4.11 asks for 3:1.
    light = _luminance(colour)
    assert (light + 0.05) / 0.05 >= 3.0
    assert 1.05 / (light + 0.05) >= 3.0


def test_palette_is_the_published_one() -> None:
    # Okabe & Ito (2008): RGB blue 0,114,178; vermillion 213,94,0; reddish purple 204,121,167.
    rgb = [tuple(int(c[i:i + 2], 16) for i in (1, 3, 5)) for c in (BLUE, VERMILLION, REDDISH_PURPLE)]
    assert rgb == [(0, 114, 178), (213, 94, 0), (204, 121, 167)]


@pytest.mark.parametrize("width", [10, 40, 80, 200])
def test_gauge_puts_now_where_the_scale_says(width: int) -> None:
    line = gauge.bar(20.0, None, width, Look(colour=False)).plain
    assert len(line) == width
    wall = line.index("┃")
    assert abs(line.count("█") - 1 - wall / 2) <= 1  # 20 of 40 bpm: half the way to the wall
    assert gauge.bar(500.0, -500.0, width, Look()).cell_len == width
    assert len(gauge.scale(139.0, width, Look()).plain) == width


def test_trace_measures_from_the_ceiling_of_the_moment() -> None:
    readings = [(float(t), 120.0) for t in range(300)]
    ceilings = [130.0] * 150 + [115.0] * 150
    heights = trace.columns(readings, ceilings, 300.0, 60)
    assert heights[10] == -10.0 and heights[-10] == 5.0
    rows = [row.plain for row in trace.picture(heights, 8, Look())]
    assert "▓" not in rows[1][:25] and "▓" in rows[1][35:]
    assert set(rows[1][:25]) == {"▁"}


def test_trace_leaves_a_gap_where_nothing_was_trusted() -> None:
    readings = [(float(t), 120.0) for t in range(300) if not 100 <= t < 160]
    heights = trace.columns(readings, [130.0] * len(readings), 300.0, 60)
    assert heights.count(None) >= 10


def test_large_letters_cover_every_state_and_digit() -> None:
    for text in [*words.BIG_STATES.values(), "0123456789", "+7"]:
        for scale in (1, 2, 3):
            lines = large.rows(text, scale, "#")
            assert len(lines) == 5 * scale
            assert {len(line) for line in lines} == {large.width(text, scale)}
    assert large.rows("7", 1, "#") == ["######", "    ##", "    ##", "  ##  ", "  ##  "]


def test_larger_terminals_get_larger_letters() -> None:
    tall = [sum("██████" in line for line in drawn(*size)) for size in SIZES[1:]]
    assert tall[1] > tall[0]


def test_mile_units() -> None:
    page = "\n".join(drawn(80, 24, options=ViewOptions(settings=Settings(units="mile")), speed_m_s=2.68224))
    assert "6.0 mph" in page  # 10 min/mile is 6 mph, by arithmetic: 2.68224 m/s


@pytest.mark.parametrize(
    ("seconds", "shown"), [(0, "0:00"), (59.9, "0:59"), (754, "12:34"), (36000, "10:00:00")])
def test_clock_text(seconds: float, shown: str) -> None:
    assert words.clock(seconds) == shown


@pytest.mark.parametrize("size", SIZES)
def test_connected_without_usable_readings_says_the_fix(size: tuple[int, int]) -> None:
    blind = {**MOMENTS["blind"], "link_state": LinkState.CONNECTED, "link_detail": ""}
    assert any("no usable readings" in line for line in drawn(*size, **blind))
    assert not any("no usable readings" in line for line in drawn(*size))
