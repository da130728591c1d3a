"""The page without a browser: what it shows, what its server answers, and to whom."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import os
import signal
import socket
import statistics
import threading
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
import pytest

from guard.browser import address
from guard.browser.picture import picture
from guard.commands.options import chosen_settings
from guard.errors import UsageError
from guard.events import Action, Command, Cue, CueGiven, LinkState, Mark, State
from guard.live.inbox import Asked, Inbox
from guard.live.keys import input_asked
from guard.live.live import run_session
from guard.log.records import from_record, to_record
from guard.screen import words
from guard.screen.figure import figure
from guard.screen.frame import Frame
from guard.settings import Settings
from guard.sound import tones
from guard.sound.backends import Cut, Failed, Sound
from guard.sound.elsewhere import tones_and
from tests.support.alsa import wait_until
from tests.support.live import FakeLog, FakeScreen, FakeSounder, FakeSource, rising_run, snapshot
from tests.support.page import Opened, Reader, opened, reading, request

pytest.importorskip("websockets")
from websockets.exceptions import ConnectionClosed

SETTINGS = Settings(ceiling_bpm=139)


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Opened]:
    with opened(tmp_path_factory.mktemp("page"), page_keys=True) as one:
        yield one


# --- what is shown --------------------------------------------------------------


def test_the_page_says_what_the_terminal_says():
    moment = snapshot()
    texts = picture(Frame(moment), SETTINGS)["texts"]
    large = figure(moment, SETTINGS)
    assert (texts["figure"], texts["word"], texts["name"]) == (large.number, large.word, large.name)
    assert texts["figure"] == "7" and texts["detail"] == large.detail
    assert texts["state"] == words.state(moment)
    assert words.heart_rate(moment) in texts["heart"] and words.foreseen(moment) in texts["ahead"]
    assert "139" in texts["detail"] and "80 %" in texts["link"] and texts["why"].startswith("why: ")


def test_a_walker_sees_how_far_it_is_until_running_again():
    shown = picture(Frame(snapshot(state=State.WALKING, level_bpm=137.0, room_bpm=2.0, resume_bpm=131.0)),
                    SETTINGS)
    assert shown["texts"]["figure"] == "6" and not shown["texts"]["ahead"], "not said twice"
    assert shown["texts"]["detail"] == "beats to go before you run again"
    assert shown["gauge"] == {"wall": None, "now": 0.2, "ahead": 0.0}


def test_what_is_not_known_is_not_shown():
    lost = snapshot(state=State.NO_SIGNAL, level_bpm=None, room_bpm=None, foreseen_bpm=None,
                    slope_bpm_per_min=None, chance_over=None, reading_age_s=12.0)
    shown = picture(Frame(lost), SETTINGS)
    assert shown["texts"]["figure"] == "" and shown["texts"]["word"] == "NO SIGNAL"
    assert shown["gauge"]["now"] is None and shown["gauge"]["ahead"] is None
    assert "no trusted reading for 0:12" in shown["texts"]["signal"]


def test_over_the_ceiling_is_told_by_sign_and_word_not_colour_alone():
    shown = picture(Frame(snapshot(room_bpm=-4.2, level_bpm=143.2)), SETTINGS)
    assert shown["over"] and shown["texts"]["figure"] == "4" and shown["texts"]["name"] == "OVER"


def test_names_of_devices_and_folders_stay_here():
    notes = ("Ada's strap is taken: end other connections", "log waits in /srv/ada/guard/x.jsonl: free it")
    shown = str(picture(Frame(snapshot(link_name="Ada's strap"), notes), SETTINGS)["texts"])
    assert "Ada" not in shown and "ada" not in shown and "the sensor is taken" in shown and "x.jsonl" in shown


def test_text_from_outside_is_cleaned():
    shown = picture(Frame(snapshot(link_detail="strap\x1b[31m\u202eA<b>", link_state=LinkState.LOST),
                          ("note\x00\nmore",)), SETTINGS)
    assert not any(sign in text for text in shown["texts"].values() for sign in "\x1b\u202e\x00")


# --- the address ------------------------------------------------------------------


def test_secrets_have_128_bits_and_differ():
    made = {address.new_secret() for _ in range(100)}
    assert len(made) == 100 and {len(secret) for secret in made} == {22}  # 128 bits in base 64


def test_a_kept_secret_stays_and_is_for_its_owner_only(tmp_path):
    first = address.kept_secret(tmp_path)
    assert address.kept_secret(tmp_path) == first
    file, = tmp_path.iterdir()
    assert file.stat().st_mode & 0o777 == 0o600
    file.write_text("short")
    assert len(address.kept_secret(tmp_path)) == 22


def test_only_when_asked_is_it_more_than_this_machine():
    assert Settings().page == "off"
    here = address.place("here")
    assert here is not None and here.address == "127.0.0.1"


def test_the_qr_code_is_drawn():
    lines = address.qr_lines("http://192.0.2.7:8462/AAAAAAAAAAAAAAAAAAAAAA/")
    assert 15 < len(lines) < 30 and len({len(line) for line in lines}) == 1


# --- to whom it answers -------------------------------------------------------------


def test_the_secret_opens_the_page(page):
    status, headers, body = request(page.url)
    assert status == 200 and b"<main>" in body
    assert "default-src 'none'" in headers["content-security-policy"]
    assert headers["cache-control"] == "no-store" and headers["referrer-policy"] == "no-referrer"
    assert "set-cookie" not in headers and "server" not in headers
    for name in ("page.css", "page.js"):
        assert request(page.url + name)[0] == 200
    assert request(page.url.rstrip("/"))[1]["location"] == urlsplit(page.url).path.lower()


def test_the_page_asks_nothing_of_anybody_else():
    """No address but its own in what a page loads; under 400 lines of script, none of it built."""
    folder = Path(address.__file__).parent / "static"
    for file in folder.iterdir():
        text = file.read_text(encoding="utf-8")
        assert "//" not in text.replace("\n//", "").replace("  //", "").replace("; //", "") \
            or not any(scheme in text for scheme in ("http://", "https://", "@import", "url(h"))
        assert "cookie" not in text and "localStorage" not in text and "innerHTML" not in text
    assert len((folder / "page.js").read_text(encoding="utf-8").splitlines()) < 400


WRONG = ["/", "/favicon.ico", "/x/", "/../", "/%2e%2e/etc/passwd", "//", "/live", "/beat", "/?", "/\xff\xfe"]


@pytest.mark.parametrize("path", WRONG)
def test_without_the_secret_nothing_is_there(page, path):
    status, _, body = request(page.url, path)
    assert (status, body) == (404, b"") or status in (0, 400)


def test_path_tricks_with_the_secret_reach_no_file(page):
    root = urlsplit(page.url).path
    for name in ("../page.py", "..%2fserver.py", "page.py", "static/page.html", "sound/../../x", "sound/",
                 "sound/" + "0" * 64, "page.html%00", "//etc/passwd"):
        assert request(page.url, root + name)[0] in (404, 400), name


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "HEAD", "OPTIONS"])
def test_no_method_but_get_is_answered(page, method):
    assert request(page.url, method=method)[::2] in ((405, b""), (400, b""), (0, b""))
    assert request(page.url, "/", method=method)[::2] in ((404, b""), (400, b""), (0, b""))


def test_wrong_addresses_are_answered_after_the_same_time(page):
    """Nearly right takes as long as wholly wrong; both are slower than the right one."""
    root = urlsplit(page.url).path
    near = root[:-3] + ("A" if root[-3] != "A" else "B") + root[-2:]
    waits: dict[str, list[float]] = {near: [], "/nothing/": []}
    for _ in range(3):
        for path, took in waits.items():
            began_s = time.monotonic()
            assert request(page.url, path)[0] == 404
            took.append(time.monotonic() - began_s)
    one, other = (statistics.median(took) for took in waits.values())
    assert min(one, other) >= 0.1 and abs(one - other) < 0.03


def test_more_guesses_a_second_than_so_many_are_cut_off(tmp_path):
    """Of 30 at once 20 are answered, or a few more on a slow machine."""
    with opened(tmp_path) as one:
        where = urlsplit(one.url)
        lines = [socket.create_connection((where.hostname, where.port), 3) for _ in range(30)]
        for line in lines:
            line.sendall(f"GET /guess/ HTTP/1.1\r\nHost: {where.netloc}\r\n\r\n".encode())
        answers = []
        for line in lines:
            with line, contextlib.suppress(ConnectionResetError):
                answers.append(line.recv(4_096)[:12])
    assert set(answers) <= {b"", b"HTTP/1.1 404"} and 20 <= answers.count(b"HTTP/1.1 404") < 30


def test_another_host_name_finds_nothing(page):
    """A name of somebody else's that leads here (DNS rebinding) is no way in."""
    assert request(page.url, host="evil.example:80")[0] == 404


async def test_another_site_cannot_open_the_link(page):
    for origin in ("http://evil.example", "null"):
        with pytest.raises(Exception, match="403"):
            async with reading(page.url, origin):
                pass


async def test_eight_pages_and_no_more(page):
    async with asyncio.timeout(10):
        rooms = [reading(page.url) for _ in range(8)]
        readers = [await room.__aenter__() for room in rooms]
        for reader in readers:
            await reader.ask()
        await asyncio.to_thread(wait_until, lambda: page.pages == 8, 5, "eight pages")
        assert (await asyncio.to_thread(request, page.url + "beat"))[0] == 503
        for room in rooms:
            await room.__aexit__(None, None, None)
        await asyncio.to_thread(wait_until, lambda: page.pages == 0, 5, "none")
    assert request(page.url + "beat")[0] == 200


# --- what a page is told ------------------------------------------------------------


@asynccontextmanager
async def watching(page: Opened) -> AsyncIterator[Reader]:
    """A page that the guard knows of, and the only one: without any, frames are rare."""
    await asyncio.to_thread(wait_until, lambda: page.pages == 0, 5, "the pages before to go")
    async with reading(page.url) as reader:
        await asyncio.to_thread(wait_until, lambda: page.pages == 1, 5, "the page")
        yield reader


async def test_the_address_is_not_shown_on_the_page(page):
    """It is for whoever holds the terminal; a page may stand where others see it."""
    async with watching(page) as reader:
        await reader.ask()
        page.frame(Frame(snapshot(), notes=(f"the page is at {page.url}", "sensor found")))
        told = await reader.until(lambda message: "sensor found" in str(message))
        assert urlsplit(page.url).path.strip("/") not in str(told)


async def test_nothing_is_told_to_who_has_not_asked(page):
    page.frame(Frame(snapshot()))
    async with reading(page.url) as reader:
        await reader.until(lambda message: "hello" in message)
        with pytest.raises(TimeoutError):
            await reader.until(lambda message: True, 0.4)
        await reader.ask()
        assert (await reader.until(lambda message: "frame" in message))["ask"] == 1


async def test_figures_carry_a_bound_of_their_age(page):
    """A frame that waited for 0.3 s, in the server or on its way, is at least that old to a page."""
    beyond_s = []
    async with watching(page) as reader:
        for mark in "abcde":
            page.frame(Frame(snapshot(), notes=(f"mark {mark}",)))
            made_s = time.monotonic()
            await asyncio.sleep(0.3)
            await reader.ask()
            message = await reader.until(lambda message, mark=mark: f"mark {mark}" in str(message))
            beyond_s.append(reader.bound_s(message) - (message["at_s"] - made_s))
    assert min(beyond_s) >= -0.02, "never younger than it is"
    # Beyond the true age is what the question took to arrive: hardly anything, unless the machine was busy.
    assert min(beyond_s) < 0.1


async def test_what_waited_on_its_way_is_old_however_it_looks(page):
    """The answer lies unread for 1 s in a stalled network: it is told apart from a fresh one."""
    async with reading(page.url) as reader:
        await reader.ask()
        await reader.until(lambda message: "hello" in message)
        page.frame(Frame(snapshot()))
        await asyncio.sleep(1.0)
        message = await reader.until(lambda message: "frame" in message)
        assert reader.bound_s(message) >= 0.95


async def test_the_line_is_told_once_and_then_what_is_new(page):
    async with watching(page) as reader:
        await reader.ask()
        page.frame(Frame(snapshot()))
        first = await reader.until(lambda message: message.get("points"))
        assert first["anew"] and len(first["points"]) > 250
        page.event(CueGiven(755.0, Cue.EASE))
        page.frame(Frame(snapshot(t_s=755.0)))
        second = await reader.until(lambda message: message.get("points"))
        assert not second["anew"] and second["points"] == [{"t": 755.0, "outline": Cue.EASE.about.outline}]


async def test_a_killed_server_comes_back_at_its_address_knowing_all(page):
    page.frame(Frame(snapshot()))
    os.kill(page.process.pid, signal.SIGKILL)
    killed_s = time.monotonic()
    await asyncio.to_thread(
        wait_until, lambda: request(page.url + "beat", timeout_s=0.5)[0] == 200, 8, "it back")
    async with reading(page.url) as reader:
        await reader.ask()
        message = await reader.until(lambda message: "frame" in message)
        assert len(message["points"]) > 250 and reader.bound_s(message) >= time.monotonic() - killed_s - 0.1


async def test_a_frozen_server_is_replaced(tmp_path, monkeypatch):
    monkeypatch.setattr("guard.browser.feed.WORKER_SILENT_S", 1.3)
    with opened(tmp_path) as one:
        first = one.process.pid
        os.kill(first, signal.SIGSTOP)
        await asyncio.to_thread(
            wait_until, lambda: one._feed._child is not None and one.process.pid != first, 8, "another")


async def test_a_server_that_falls_behind_is_replaced_and_nobody_waits_for_it(tmp_path):
    with opened(tmp_path) as one:
        first = one.process.pid
        os.kill(first, signal.SIGSTOP)
        longest_s = 0.0
        for number in range(200):
            at_s = time.monotonic()
            one.pages = 1  # without any, frames are rare
            one.event(CueGiven(float(number), Cue.EASE))
            one.frame(Frame(snapshot(t_s=float(number)), notes=("x" * 4_000,)))
            longest_s = max(longest_s, time.monotonic() - at_s)
        assert one._feed._child is None or one.process.pid != first, "dropped as its queue was full"
        assert longest_s < 0.1
        await asyncio.to_thread(
            wait_until, lambda: one._feed._child is not None and one.process.pid != first, 8, "another")


async def test_the_end_and_the_guard_s_death_are_told_apart(tmp_path):
    with opened(tmp_path) as one:
        async with reading(one.url) as reader:
            await reader.ask()
            one.frame(Frame(snapshot()))
            await reader.until(lambda message: "frame" in message)
            await asyncio.to_thread(one.close)
            assert dict((await reader.until(lambda message: "bye" in message))["bye"]["rows"])["cues"] == "5"
    with opened(tmp_path) as one:
        async with reading(one.url) as reader:
            await reader.ask()
            await reader.until(lambda message: "hello" in message)
            child = one._feed._child
            assert child is not None
            child.finish()  # the end of its input, as when the guard is killed
            assert (await reader.until(lambda message: "gone" in message))["gone"]


def test_a_port_in_use_is_said_and_another_taken(tmp_path):
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        taken = other.getsockname()[1]
        with opened(tmp_path, page_port=taken) as one:
            assert urlsplit(one.url).port != taken
            assert any(str(taken) in trouble and "page_port" in trouble for trouble in one.troubles)


# --- hands ---------------------------------------------------------------------------


async def test_a_button_reaches_the_guard_unless_its_figures_were_old(page):
    page.asked.clear()
    async with reading(page.url) as reader:
        page.frame(Frame(snapshot(t_s=777.0)))
        await reader.ask()
        fresh = await reader.until(lambda message: message.get("frame", {}).get("t_s") == 777.0)
        await reader.ask(do="pause", seen=fresh["number"])
        await reader.ask(do="ceiling", value=140, seen=fresh["number"])
        await reader.ask(do="quit", seen=fresh["number"])
        await reader.ask(do="mark", seen=fresh["number"] - 50)
        await reader.until(lambda message: "refused" in message)
    await asyncio.to_thread(wait_until, lambda: len(page.asked) == 2, 3, "what was asked")
    assert page.asked == [("pause", None), ("ceiling", 140.0)]


async def test_by_default_a_page_only_shows(tmp_path):
    with opened(tmp_path) as one:
        one.frame(Frame(snapshot()))
        async with reading(one.url) as reader:
            await reader.ask()
            shown = await reader.until(lambda message: "frame" in message)
            assert reader.told[0]["hello"]["keys"] is False
            await reader.ask(do="pause", seen=shown["number"])
            await asyncio.sleep(0.3)
        assert one.asked == []


@pytest.mark.parametrize("action, value, wanted", [
    ("pause", None, Command(7.0, Action.PAUSE, None, "page")),
    ("mark", None, Mark(7.0, None, "page")),
    ("ceiling", 140.0, Command(7.0, Action.CEILING, 140.0, "page")),
    ("ceiling", 138.0, Command(7.0, Action.CEILING, 138.0, "page")),
    ("ceiling", 139.0, None), ("ceiling", 150.0, None), ("ceiling", None, None),
    ("quit", None, None), ("skip_part", None, None), ("nonsense", None, None),
])
def test_what_may_be_asked_from_elsewhere(action, value, wanted):
    assert input_asked(Asked(action, value, "page"), 7.0, 139.0) == wanted


def test_the_log_keeps_the_origin():
    for item in (Command(1.0, Action.PAUSE, None, "page"), Mark(2.0, None, "page"), Mark(3.0)):
        assert from_record(to_record(item)) == item
    assert "origin" not in to_record(Mark(3.0))


async def test_a_command_from_a_page_is_a_command(page):
    log, screen, inbox = FakeLog(), FakeScreen(), Inbox()
    inbox.ask("mark", None, "page")
    inbox.ask("ceiling", 140.0, "page")
    inbox.ask("quit", None, "page")
    seen: list[Frame] = []

    class Elsewhere(FakeScreen):
        def frame(self, frame: Frame) -> None:
            seen.append(frame)

    from guard.clock import ManualClock

    ended = await run_session(
        FakeSource(rising_run(20)), SETTINGS, clock=ManualClock(), log=log, screen=screen,
        sounder=FakeSounder(), inbox=inbox, page=Elsewhere())
    assert ended.how == "ended" and seen and seen[-1].ceiling_bpm == 140.0
    asked = [item for item in log.items if isinstance(item, Command | Mark) and item.origin]
    assert [type(item) for item in asked] == [Mark, Command]


def test_keys_and_sound_of_a_page_need_a_page(tmp_path, monkeypatch):
    import argparse

    monkeypatch.setenv("GUARD_HOME", str(tmp_path))
    args = argparse.Namespace(ceiling="139", assignments=[], page=None, page_keys=True, sound_out=None)
    with pytest.raises(UsageError, match="--page"):
        chosen_settings(args)


# --- sound -----------------------------------------------------------------------------


def cue_sound() -> Sound:
    spoken = (3_000 * np.sin(np.arange(9_000) / 9)).astype(np.int16)
    return tones_and(tones.tone(Cue.EASE), spoken, 1.0)


def test_a_sound_in_pieces_is_the_sound():
    sound = cue_sound()
    whole = np.zeros(len(sound.pcm), np.int16)
    for at, pcm in sound.pieces:
        whole[at:at + len(pcm)] += pcm
    assert len(sound.pieces) == 2 and np.array_equal(whole, sound.pcm)


def playing(one: Opened, sound: Sound) -> tuple[threading.Thread, list[Exception]]:
    failed: list[Exception] = []

    def play() -> None:
        assert one.sound is not None
        try:
            one.sound.play(sound)
        except (Cut, Failed) as error:
            failed.append(error)

    thread = threading.Thread(target=play, daemon=True)
    thread.start()
    return thread, failed


async def test_a_page_gets_the_same_samples_by_their_hash(tmp_path):
    with opened(tmp_path, sound_out="page") as one:
        assert one.sound is not None
        with pytest.raises(Failed, match="no page"):
            one.sound.play(cue_sound())
        one.sound.keep_own("test", Sound(tones.tone(Cue.PART)))
        async with reading(one.url) as reader:
            await reader.ask(sound=True)
            own = await reader.until(lambda message: "test" in message.get("own", {}))
            await asyncio.to_thread(wait_until, lambda: one.sounding == 1, 3, "a page with sound")
            thread, failed = playing(one, sound := cue_sound())
            told = await reader.until(lambda message: "play" in message)
            assert reader.bound_s(told) < 0.5
            for (name, _), (_, pcm) in zip(told["play"]["pieces"], sound.pieces, strict=True):
                status, _, body = await asyncio.to_thread(request, f"{one.url}sound/{name}")
                assert status == 200 and body == pcm.tobytes() and hashlib.sha256(body).hexdigest() == name
            assert set(own["sounds"]) == {name for name, _ in own["own"]["test"]["pieces"]}
            await reader.ask(sound=True, started=told["play"]["n"])
            for _ in range(5):
                await asyncio.sleep(0.2)
                await reader.ask(sound=True)
            await asyncio.to_thread(thread.join, 3)
            assert not thread.is_alive() and failed == []
            # The page goes in the middle of the next one: the guard's own output is to take it.
            thread, failed = playing(one, cue_sound())
            told = await reader.until(lambda message: "play" in message)
            await reader.ask(sound=True, started=told["play"]["n"])
        await asyncio.to_thread(thread.join, 3)
        assert isinstance(failed[0], Failed)


async def test_two_pages_play_the_same(page):
    assert page.sound is not None
    async with reading(page.url) as one, reading(page.url) as other:
        for reader in (one, other):
            await reader.ask(sound=True)
        await asyncio.to_thread(wait_until, lambda: page.sounding == 2, 3, "two pages with sound")
        page.sound.begin(cue_sound())
        told = [await reader.until(lambda message: "play" in message) for reader in (one, other)]
        assert told[0]["play"] == told[1]["play"]


async def test_a_page_that_does_not_answer_costs_no_cue(tmp_path):
    with opened(tmp_path, sound_out="page") as one:
        async with reading(one.url) as reader:
            await reader.ask(sound=True)
            await asyncio.to_thread(wait_until, lambda: one.sounding == 1, 3, "a page with sound")
            began_s = time.monotonic()
            thread, failed = playing(one, cue_sound())
            await asyncio.to_thread(thread.join, 3)
            assert isinstance(failed[0], Failed) and time.monotonic() - began_s < 1.0


# --- who means harm ----------------------------------------------------------------------


async def test_hostile_clients_neither_stop_it_nor_make_it_grow(page):
    """On loopback, some hundred connections for some seconds."""
    where = urlsplit(page.url)
    before_mib = page.rss_mib()
    half_open = [socket.create_connection((where.hostname, where.port)) for _ in range(60)]
    for number, line in enumerate(half_open):
        line.sendall(b"GET / HTTP/1.1\r\nHost: x\r\nX: " + b"y" * (number * 30))
    for raw in (b"\x16\x03\x01" * 500, b"GET " + b"/" * 100_000,
                b"POST / HTTP/1.1\r\nContent-Length: 9\r\n\r\n",
                b"GET / HTTP/1.1\r\n" + b"A: b\r\n" * 5_000,
                f"GET {where.path}live HTTP/1.1\r\nHost: {where.netloc}\r\nUpgrade: x\r\n\r\n".encode()):
        assert request(page.url, raw=raw, timeout_s=0.4)[0] in (0, 400, 404, 403, 405, 414, 426, 431)
    with pytest.raises((ConnectionClosed, AttributeError)):  # the latter is the client's, cut off at once
        async with reading(page.url) as big:
            await big.socket.send("x" * 10_000_000)
            await big.until(lambda message: False, 3)
    for words_ in ('{"ask":' + "9" * 400 + "}", "[" * 500, '{"ask":true,"do":{}}', "null", '{"seen":1e999}'):
        async with reading(page.url) as odd:
            await odd.socket.send(words_)
            await odd.ask()
    async with reading(page.url) as slow:  # asks, and never reads
        slow.socket.transport.pause_reading()
        await slow.ask()
        for number in range(200):
            page.frame(Frame(snapshot(t_s=800.0 + number)))
        async with reading(page.url) as good:
            await good.ask()
            page.frame(Frame(snapshot(t_s=999.0)))
            message = await good.until(lambda message: message.get("frame", {}).get("t_s") == 999.0)
            assert good.bound_s(message) < 1.0
    for line in half_open:
        line.close()
    assert page.rss_mib() - before_mib < 15


# --- before a run -----------------------------------------------------------------------


@pytest.mark.parametrize("kept, said", [
    ("true", "http://127.0.0.1:8462/"), ("false", "shown when it begins")])
def test_check_says_where_the_page_will_be(tmp_path, monkeypatch, kept, said):
    from guard.commands.check import _page_check

    monkeypatch.setenv("GUARD_HOME", str(tmp_path))
    line = _page_check(Settings().replaced({"page": "here", "page_kept": kept}))
    assert line.ok and said in line.detail
    assert len([*tmp_path.rglob("page-secret")]) == (kept == "true")
