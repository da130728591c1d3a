"""The road ahead: grades from altitudes, what a climb asks, bad tracks."""

from __future__ import annotations

import json
import math
import re

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from guard.cli import main
from guard.errors import GuardError, InputError
from guard.plan.text import parse_plan
from guard.route.file import read_route
from guard.route.forecast import (
    GAIN,
    SLOWEST_JOG_M_S,
    Ability,
    Range,
    day_range,
    forecast,
    gain_of,
)
from guard.route.gpx import parse
from guard.route.route import CELL_M, SIGMA_M, of_altitudes, of_plan, slope
from guard.settings import Settings
from tests.lab.roads import coloured
from tests.support.documents import check_listed

SETTINGS = Settings(ceiling_bpm=139)
TEN_KM_M = 10_000.0
DEGREE_M = math.pi * 6_378_137.0 / 180.0  # of a meridian, on a sphere of the earth's equatorial radius


def gpx(points: list[tuple[float, float | None]], *, more: str = "", step_s: float | None = None) -> bytes:
    """A track due north: (metres from the start, altitude or None)."""
    out = ['<?xml version="1.0"?><gpx version="1.1" creator="a test" '
           'xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>']
    for number, (metres, altitude) in enumerate(points):
        ele = "" if altitude is None else f"<ele>{altitude:.2f}</ele>"
        at = "" if step_s is None else f"<time>2026-05-02T08:{int(number * step_s) // 60:02d}:" \
                                       f"{int(number * step_s) % 60:02d}Z</time>"
        out.append(f'<trkpt lat="{45 + metres / DEGREE_M:.8f}" lon="7">{ele}{at}</trkpt>')
    return ("".join(out) + f"</trkseg></trk>{more}</gpx>").encode()


def hill(metres: float) -> float:
    """500 m level, 600 m at 10 %, 600 m level, 600 m at 3 %, 500 m level."""
    up = min(max(metres - 500.0, 0.0), 600.0)
    return 100.0 + 0.10 * up + 0.03 * min(max(metres - 1700.0, 0.0), 600.0)


HILL = [(10.0 * place, hill(10.0 * place)) for place in range(281)]


def runner(level_m_s: float = 2.5, *, belt: bool = False, gain: float | None = 30.0) -> Ability:
    spread, learned = gain_of(gain)
    return Ability(139.0, day_range(level_m_s, 0.0, spread), spread, learned, belt)


# --- grades --------------------------------------------------------------------


def test_the_slope_of_a_straight_road_is_exact_to_its_ends():
    altitude = 300.0 + 0.07 * CELL_M * np.arange(40)
    assert slope(altitude, CELL_M) == pytest.approx(0.07, abs=1e-9)


def test_inside_a_track_it_is_the_derivative_of_a_gaussian():
    """Against scipy's own, and against the factor by which a Gaussian damps a sine: exp(-(k sigma)^2 / 2)."""
    at = CELL_M * np.arange(600)
    k = 2 * math.pi / 900.0
    altitude = 20.0 * np.sin(k * at)
    mine = slope(altitude, CELL_M)[60:-60]
    theirs = gaussian_filter1d(altitude, SIGMA_M / CELL_M, order=1, truncate=5.0)[60:-60] / CELL_M
    assert np.abs(mine - theirs).max() < 0.0005
    assert mine.max() == pytest.approx(20.0 * k * math.exp(-(k * SIGMA_M) ** 2 / 2), rel=0.01)


def test_three_metres_of_noise_cost_two_points_of_grade_and_not_nine():
    """Hill repeats of 6 %, 450 m up, 450 m down, 300 m level; altitudes wander by 3 m over 220 m.

    From point to point the grade is wrong by 8.9 points (RMS), smoothed by 2.3: 2.0
    of them are corners rounded off.
    """
    place = (CELL_M * np.arange(6000)) % 1200.0
    grade = np.where(place < 450.0, 0.06, np.where(place < 900.0, -0.06, 0.0))
    clean = np.concatenate([[0.0], np.cumsum(grade * CELL_M)])
    noisy = clean + 3.0 * coloured(len(clean), 220.0 / CELL_M, np.random.default_rng(1))

    def error(found: np.ndarray) -> float:
        return 100.0 * float(np.sqrt(((found - grade) ** 2).mean()))

    def smoothed(altitude: np.ndarray) -> np.ndarray:
        at = slope(altitude, CELL_M)
        return 0.5 * (at[1:] + at[:-1])

    assert error(np.diff(noisy) / CELL_M) == pytest.approx(8.9, abs=0.3)
    assert error(smoothed(noisy)) == pytest.approx(2.3, abs=0.1)
    assert error(smoothed(clean)) == pytest.approx(2.0, abs=0.1)


def test_a_track_and_its_csv_are_the_same_road(tmp_path):
    track, table = tmp_path / "hill.gpx", tmp_path / "hill.csv"
    track.write_bytes(gpx(HILL))
    table.write_text("Distance (km);Elevation (ft)\n" + "".join(
        f"{metres / 1000:.5f};{altitude / 0.3048:.3f}\n" for metres, altitude in HILL))
    one, other = (read_route(str(file), SETTINGS, None) for file in (track, table))
    assert one.length_m == pytest.approx(2800.0, abs=0.5)  # degrees of a meridian are known
    assert one.rise_m == pytest.approx(78.0, abs=1.5) and one.fall_m < 1.0
    assert len(one.grade) == len(other.grade)
    assert np.abs(one.grade - other.grade).max() < 0.001
    assert one.grade[80] == pytest.approx(0.10, abs=0.005)


# --- what it asks ---------------------------------------------------------------


def test_on_a_belt_a_climb_costs_what_the_acsm_says():
    """8 km/h: 30.17 ml/kg/min level, 36.17 at 5 % (ACSM); net of 3.5 that is 1.225 of the level."""
    plan = parse_plan('[[part]]\nkind="base"\nmetres=1000\nspeed_km_h=8\n'
                      '[[part]]\nkind="climb"\nmetres=1000\nspeed_km_h=8\ngrade_percent=5', "p", SETTINGS)
    climb, = forecast(of_plan(plan, None), runner(8 / 3.6, belt=True)).climbs
    assert climb.ratio == pytest.approx((36.17 - 3.5) / (30.17 - 3.5), abs=0.001)
    # 8 km/h there are 1.225 times the level effort: .225 x 2.222 m/s x 30 bpm/(m/s) over the ceiling
    assert climb.planned_leads_bpm is not None
    assert climb.planned_leads_bpm.value == pytest.approx(139 + 0.225 * 8 / 3.6 * 30, abs=0.1)
    assert climb.jog_m_s is not None and climb.jog_m_s.value == pytest.approx(8 / 3.6 / 1.225, abs=0.001)
    assert (climb.begin_m, climb.end_m, climb.walks) == (1000.0, 2000.0, ())


def test_a_belt_that_stays_at_one_percent_climbs_only_where_it_rises():
    parts = "".join(f'[[part]]\nkind="base"\nmetres=500\nspeed_km_h=8\ngrade_percent={grade}\n'
                    for grade in (1, 6, 1))
    climb, = forecast(of_plan(parse_plan(parts, "p", SETTINGS), None), runner(8 / 3.6, belt=True)).climbs
    assert (climb.begin_m, climb.end_m) == (500.0, 1000.0) and climb.grade == pytest.approx(0.06)


def test_outdoors_a_climb_is_walked_where_no_jog_would_do():
    """At 10 % a metre costs 1.66 of the level (Minetti 2002): 2.5 m/s become 1.5, no jog; at 3 % 2.1."""
    route = of_altitudes("hill", "csv", *map(np.array, zip(*HILL, strict=True)))
    found = forecast(route, runner())
    steep, gentle = found.climbs
    (begin, end), = steep.walks
    assert 500 <= begin <= 620 and 980 <= end <= 1110
    assert steep.ratio == pytest.approx(1.66, abs=0.03)
    assert steep.jog_leads_bpm is not None
    assert steep.jog_leads_bpm.value == pytest.approx(139 + 30 * (1.8 * steep.ratio - 2.5), abs=0.01)
    assert gentle.walks == () and gentle.jog_m_s is not None
    assert gentle.jog_m_s.value == pytest.approx(2.5 / 1.14, rel=0.03)
    assert found.time_s is not None and found.time_s.low < found.time_s.value < found.time_s.high
    assert found.walked_s == pytest.approx((end - begin) / 1.4, rel=0.02)


def test_who_has_no_jog_on_the_level_walks_all_of_it():
    route = of_altitudes("hill", "csv", *map(np.array, zip(*HILL, strict=True)))
    found = forecast(route, runner(1.6))
    assert not found.jogs_level and found.walks[route.grade > 0.0].all()


def test_the_range_comes_from_the_gain():
    """5 bpm from day to day (Lamberts 2004) are 0.2 m/s at the published gain, more if it is not learned."""
    learned, published = gain_of(GAIN)[0], gain_of(None)[0]
    assert (published.low, published.high) == pytest.approx((15.9, 32.5))
    narrow, wide = (day_range(2.5, 0.0, gain) for gain in (learned, published))
    assert narrow.value - narrow.low == pytest.approx(5 / (0.85 * GAIN))
    assert wide.value - wide.low == pytest.approx(5 / 15.9)


def test_with_nothing_known_of_the_runner_no_time_is_made_up():
    route = of_altitudes("hill", "csv", *map(np.array, zip(*HILL, strict=True)))
    found = forecast(route, Ability(None, None, Range(24.2, 15.9, 32.5), False))
    assert found.time_s is None and len(found.climbs) == 2
    assert all(climb.jog_m_s is None and not climb.walks for climb in found.climbs)


def test_a_plan_by_time_needs_a_speed():
    plan = parse_plan('[[part]]\nkind="base"\nminutes=10\ngrade_percent=4', "p.toml", SETTINGS)
    with pytest.raises(InputError, match=r"part 1 .* speed_km_h"):
        of_plan(plan, None)
    assert of_plan(plan, 2.5).length_m == pytest.approx(1500.0)


# --- bad tracks ------------------------------------------------------------------


def north(*altitudes: float | None, step_m: float = 50.0) -> list[tuple[float, float | None]]:
    return [(step_m * place, altitude) for place, altitude in enumerate(altitudes)]


LEVEL = north(*[100.0] * 40)
WRONG_TRACKS = [
    (b"", ["is empty"]),
    (b"   \n", ["is empty"]),
    (b"PK\x03\x04", ["not", "export it anew"]),
    (b"<gpx", ["not GPX that can be read", "export it anew"]),
    (b"<html><body/></html>", ["holds no track"]),
    (b'<!DOCTYPE gpx [<!ENTITY a "b">]><gpx/>', ["document type"]),
    (b"\xff\xfe\x00\xd8", ["not"]),
    (b'<gpx version="1.1"></gpx>', ["holds no track"]),
    (gpx([(0.0, 100.0)]), ["one point", "whole track"]),
    (gpx(north(*[None] * 40)), ["no altitude", "elevation"]),
    (gpx(north(*[100.0, None] * 20)), ["no altitude in 50% of its points"]),
    (gpx([*LEVEL[:20], *((metres + 4000, altitude) for metres, altitude in LEVEL[20:])]),
     ["jumps 4050 m between its points 20 and 21", "remove"]),
    (gpx([*LEVEL[:20], (1000.0, 900.0), *LEVEL[21:]]), ["jumps 800 m in altitude at its point 21"]),
    (gpx(LEVEL, step_s=-0.0).replace(b"<trkseg>", b"<trkseg>", 1).replace(b"08:00:00Z", b"09:00:00Z", 3),
     ["runs backward in time between its points 3 and 4"]),
    (gpx(north(*[100.0] * 3)), ["100 m long", "200 m and more"]),
    (gpx(LEVEL).replace(b'lon="7"', b'lon="907"', 1), ["point 1 lies nowhere on earth"]),
    (gpx(LEVEL).replace(b'lat="45.00', b'lat="nan', 1), ["track.gpx"]),
    (gpx(LEVEL).replace(b"100.00", b"one hundred", 1), ["track.gpx"]),
]


@pytest.mark.parametrize(("data", "words"), WRONG_TRACKS, ids=range(len(WRONG_TRACKS)))
def test_a_bad_track_is_one_clear_sentence(data, words, tmp_path):
    file = tmp_path / "track.gpx"
    file.write_bytes(data)
    with pytest.raises(InputError) as caught:
        read_route(str(file), SETTINGS, 2.5)
    message = str(caught.value)
    assert "track.gpx" in message and "\n" not in message and len(message) < 300 + len(str(file))
    assert all(word in message for word in words), message


WRONG_TABLES = [
    ("", ["is empty"]),
    ("a,b\n1,2\n", ["no column named distance", "'a', 'b'", "distance_m"]),
    ("distance_m,height\n0,100\n", ["one row"]),
    ("distance_m,altitude_m\n0,100\n500,101\n400,102\n", ["runs backward in line 4"]),
    ("distance_m,altitude_m\n0,100\n10,190\n500,101\n", ["jumps +90 m in altitude in line 3"]),
    ("distance_m,altitude_m\nx,y\n", ["no row with both"]),
    ("distance_km,altitude_m\n0,100\n900,101\n", ["900 km long"]),
    ("distance_m,altitude_m\n" + "".join(f"{50 * n},{25 * n}\n" for n in range(60)), ["grade of 50 %"]),
]


@pytest.mark.parametrize(("text", "words"), WRONG_TABLES, ids=range(len(WRONG_TABLES)))
def test_a_bad_table_is_one_clear_sentence(text, words, tmp_path):
    file = tmp_path / "road.csv"
    file.write_text(text)
    with pytest.raises(GuardError) as caught:
        read_route(str(file), SETTINGS, 2.5)
    assert "road.csv" in str(caught.value) and all(word in str(caught.value) for word in words), caught.value


def test_times_that_say_nothing_make_no_jump():
    """As some converters write them: the same in every point."""
    far = [(150.0 * place, 100.0 + place) for place in range(20)]
    same = gpx(far).replace(b"</ele>", b"</ele><time>1901-12-13T20:45:52.2073437Z</time>")
    assert parse(same, "t.gpx")[0][-1] == pytest.approx(19 * 150.0, abs=0.5)


def test_a_few_missing_altitudes_are_drawn_through_and_two_tracks_are_told():
    holes = [(metres, None if place % 10 == 5 else altitude) for place, (metres, altitude) in enumerate(HILL)]
    second = gpx(LEVEL).decode().split("xmlns")[1].split(">", 1)[1].removesuffix("</gpx>")
    distance, altitude, notes = parse(gpx(holes, more=second), "t.gpx")
    assert notes == ("2 tracks in the file: the first is taken",)
    assert np.abs(altitude - [hill(metres) for metres in distance]).max() < 0.6


# --- the command --------------------------------------------------------------------


@pytest.fixture
def track(tmp_path, monkeypatch):
    monkeypatch.setenv("GUARD_HOME", str(tmp_path / "home"))
    file = tmp_path / "hill.gpx"
    file.write_bytes(gpx(HILL))
    return file


def test_the_command_says_it_in_words_as_json_and_as_a_page(track, tmp_path, capsys):
    base = ["route", str(track), "--ceiling", "139", "--speed", "9"]
    assert main(base) == 0
    text = capsys.readouterr().out
    assert re.search(r"walk from 0\.\d\d to \d\.\d\d km", text) and "jog at 7." in text
    assert "walk   " in text and "climb  " in text, "the profile marks what is walked, and the climbs"
    assert max(len(line) for line in text.splitlines()) <= 80

    assert main([*base, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    check_listed("guard/route/README.md", "route", told)
    assert (told["format"], told["kind"], len(told["climbs"])) == (1, "gpx", 2)
    assert told["runner"]["level_m_s"]["value"] == pytest.approx(2.5)
    assert told["climbs"][0]["walks_m"] and not told["climbs"][1]["walks_m"]
    assert len(set(map(len, told["profile"].values()))) == 1

    out = tmp_path / "hill.html"
    assert main([*base, "--html", str(out)]) == 0
    page = out.read_text()
    assert page.count("<polygon") == 1 + len(told["climbs"][0]["walks_m"]) and "<script" not in page
    assert main([*base, "--html", str(out)]) == 2, "an existing page stays"


def test_without_a_speed_it_says_what_a_climb_needs(track, capsys):
    assert main(["route", str(track)]) == 0
    text = " ".join(capsys.readouterr().out.split())
    needs = SLOWEST_JOG_M_S * 1.66 * 3.6
    found = re.findall(r"a jog needs ([\d.]+) km/h on the level", text)
    assert float(found[0]) == pytest.approx(needs, abs=0.2)
    assert "not known" in text and "About" not in text


def test_names_from_outside_steer_neither_terminal_nor_page(track, tmp_path, capsys):
    odd = tmp_path / "a\x1b[31m<b>.gpx"
    odd.write_bytes(track.read_bytes())
    assert main(["route", str(odd), "--speed", "9"]) == 0
    assert "\x1b[31m" not in capsys.readouterr().out
    out = tmp_path / "o.html"
    assert main(["route", str(odd), "--speed", "9", "--html", str(out)]) == 0
    assert "<b>" not in out.read_text()


def test_wrong_use(track, capsys):
    for words, said in ((["--speed", "fast"], "--speed fast"), (["--speed", "90"], "km/h"),
                        (["--slowest-jog", "nan"], "--slowest-jog nan")):
        assert main(["route", str(track), *words]) == 2
        assert said in capsys.readouterr().err
    assert main(["route", str(track.with_name("none.gpx"))]) == 3
    assert "there is no file" in capsys.readouterr().err
