"""What the page costs, and what hostile clients cost the guard.

    .venv/bin/python -m pytest -m slow -n 0 -s tests/test_page_load.py
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from io import StringIO
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
import pytest

from guard.browser import address
from guard.clock import ManualClock, SessionClock
from guard.events import CueGiven, Input, Link, LinkState, Reading
from guard.live.live import run_session
from guard.packets.heart_rate import Measurement, parse
from guard.screen.frame import Frame
from guard.settings import Settings
from guard.sound.player import Sounder
from tests.support import page_attack
from tests.support.alsa import wait_until
from tests.support.browser import CHROMIUM, EAR, NAME, arguments, place_by_name
from tests.support.live import FakeLog, FakeScreen, FakeSounder, snapshot
from tests.support.page import Opened, opened, reading

pytestmark = pytest.mark.slow
TICKS_PER_S = os.sysconf("SC_CLK_TCK")


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_PER_S


async def test_memory_and_cpu_with_none_one_and_eight_pages(tmp_path: Path):
    seconds = float(os.environ.get("GUARD_PAGE_S", "10"))
    print()
    with opened(tmp_path) as page:
        for pages in (0, 1, 8):
            async with contextlib.AsyncExitStack() as stack:
                readers = [await stack.enter_async_context(reading(page.url)) for _ in range(pages)]

                async def read_on(reader: object) -> None:
                    while True:
                        await reader.until(lambda message: False, 1e6)  # type: ignore[attr-defined]

                tasks = [asyncio.create_task(read_on(reader)) for reader in readers]
                before_s, began_s = cpu_s(page.process.pid), time.monotonic()
                number, framing_s = 0, 0.0
                while time.monotonic() - began_s < seconds:
                    for reader in readers if number % 2 == 0 else ():
                        await reader.ask()
                    at_s = time.process_time()
                    page.frame(Frame(snapshot(t_s=754.0 + number / 4)))
                    framing_s += time.process_time() - at_s
                    number += 1
                    await asyncio.sleep(0.25)
                took_s = time.monotonic() - began_s
                share = (cpu_s(page.process.pid) - before_s) / took_s
                print(f"{pages} pages: server {page.rss_mib():.1f} MiB, {100 * share:.1f} % of a core; "
                      f"the guard {100 * framing_s / took_s:.2f} % (load {os.getloadavg()[0]:.1f})")
                assert page.rss_mib() < 45 and share < 0.25
                for task in tasks:
                    task.cancel()


class Spaced:
    """Packets of a runner over his never-exceed limit, a second of session each; when each came, epoch s."""

    about: Mapping[str, object] = {"kind": "test"}

    def __init__(self, clock: ManualClock, page: Opened, packets: int) -> None:
        self.arrived_s: dict[float, float] = {}
        self.cued: list[float] = []
        self._clock, self._page, self._packets = clock, page, packets

    async def run(self, clock: SessionClock, put: Callable[[Input], None]) -> None:
        put(Link(0.0, LinkState.CONNECTED, "strap A"))
        random = np.random.default_rng(1)
        for number in range(self._packets):
            self._clock.advance_to(number + 1.0)
            raw = bytes([0x06, 172 + number % 4])
            self.arrived_s[number + 1.0] = time.time()
            measured = parse(raw)
            assert isinstance(measured, Measurement)
            put(Reading(number + 1.0, measured.bpm, measured.contact, raw=raw))
            await asyncio.sleep(random.uniform(0.4, 0.6))

    def hear(self, cue: CueGiven) -> None:
        self.cued.append(cue.t_s)

    def set_speed(self, speed_m_s: float) -> None: ...


async def test_packet_to_figure_and_to_sound_on_a_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Through the whole live guard, its real sounder and a real browser, no secure context, as on a phone."""
    playwright = pytest.importorskip("playwright.async_api", reason="needs playwright")
    if CHROMIUM is None:
        pytest.skip("no Chromium here (Debian: apt-get install chromium)")
    monkeypatch.setattr(address, "place", place_by_name)
    settings = Settings(ceiling_bpm=139, stop_bpm=170, warm_up_s=0, speech="tones", sound_out="page")
    with opened(tmp_path, sound_out="page", closed=False) as page:
        clock = ManualClock()
        source = Spaced(clock, page, int(os.environ.get("GUARD_PACKETS_SHOWN", "400")))
        (tmp_path / "cache").mkdir()
        sounder = Sounder(settings, cache_dir=tmp_path / "cache", on_health=lambda *news: None,
                          elsewhere=page.sound)
        where = urlsplit(page.url)
        async with playwright.async_playwright() as driver:
            browser = await driver.chromium.launch(executable_path=CHROMIUM, args=arguments(where.port or 0))
            tab = await (await browser.new_context(viewport={"width": 390, "height": 844})).new_page()
            await tab.add_init_script(EAR)
            await tab.goto(f"http://{NAME}:{where.port}{where.path}")
            await tab.click("#here")
            await asyncio.to_thread(wait_until, lambda: page.sounding == 1, 8, "sound on the page")
            await asyncio.sleep(2)
            await run_session(source, settings, clock=clock, log=FakeLog(), screen=FakeScreen(),
                              stdin=StringIO(), sounder=sounder, page=Lasting(page))
            changes = await tab.evaluate("window.changes")
            onsets_s = [at_ms / 1000 for at_ms in await tab.evaluate("window.onsets")]
            assert await tab.evaluate("window.secure") is False
            await browser.close()
    shown = [(change[4], change[0] / 1000) for change in changes if change[4] is not None]
    figures_s = [min(at_s for t_s, at_s in shown if t_s >= packet_s) - arrived_s
                 for packet_s, arrived_s in source.arrived_s.items() if packet_s <= shown[-1][0]]
    sounds_s = [min(at_s for at_s in onsets_s if at_s >= source.arrived_s[t_s]) - source.arrived_s[t_s]
                for t_s in source.cued if any(at_s >= source.arrived_s[t_s] for at_s in onsets_s)]
    cued_s = [figures_s[round(t_s) - 1] for t_s in source.cued if t_s <= len(figures_s)]
    print()
    for name, waits in (("figure", figures_s), ("figure with a cue", cued_s), ("sound", sounds_s)):
        median_s, p99_s = np.quantile(waits, [0.5, 0.99])
        print(f"packet to page {name}: median {median_s * 1e3:.0f} ms, p99 {p99_s * 1e3:.0f} ms "
              f"of {len(waits)}, load {os.getloadavg()[0]:.1f}")
        assert p99_s < 0.4
    assert np.median(sounds_s) < 0.15 and np.median(cued_s) < 0.1


class Cued:
    """Readings over a never-exceed limit, each some milliseconds after the other; waits of the cues, s."""

    about: Mapping[str, object] = {"kind": "test"}

    def __init__(self, clock: ManualClock, cues: int) -> None:
        self.waits_s: list[float] = []
        self._clock, self._cues, self._put_s = clock, cues, 0.0

    async def run(self, clock: SessionClock, put: Callable[[Input], None]) -> None:
        put(Link(0.0, LinkState.CONNECTED, "strap A"))
        while len(self.waits_s) < self._cues:
            self._clock.advance_to(self._clock.now_s() + 1.0)
            reading_ = Reading(self._clock.now_s(), 172 + int(self._clock.now_s()) % 4, True)
            self._put_s = time.perf_counter()
            put(reading_)
            await asyncio.sleep(0.002)

    def hear(self, cue: CueGiven) -> None: ...

    def set_speed(self, speed_m_s: float) -> None: ...

    def sounder(self) -> FakeSounder:
        source = self

        class Timed(FakeSounder):
            def cue(self, given: CueGiven) -> None:
                source.waits_s.append(time.perf_counter() - source._put_s)

        return Timed()


async def waits_s(page: Opened | None, cues: int = 100) -> np.ndarray:
    clock = ManualClock()
    source = Cued(clock, cues)
    settings = Settings(ceiling_bpm=139, stop_bpm=170, warm_up_s=0)
    held = Lasting(page) if page else None
    await run_session(source, settings, clock=clock, log=FakeLog(), screen=FakeScreen(), stdin=StringIO(),
                      sounder=source.sounder(), page=held)
    return np.array(source.waits_s)


class Lasting:
    """A page that outlives the session."""

    def __init__(self, page: Opened) -> None:
        self.event, self.frame = page.event, page.frame

    def close(self) -> None: ...


async def test_hostile_clients_delay_no_cue_and_take_no_memory(tmp_path: Path):
    with opened(tmp_path) as page:
        calm = await waits_s(page)
        before_mib = page.rss_mib()
        port, secret = urlsplit(page.url).port, urlsplit(page.url).path.strip("/")
        figures = {"calm": calm, "no page at all": await waits_s(None)}
        for name, words in (("1,000 strangers", []), ("1,000 with the secret", [secret])):
            attack = subprocess.Popen([  # noqa: ASYNC220 - it returns at once
                sys.executable, page_attack.__file__, str(port), "16", *words])
            await asyncio.sleep(2)
            figures[name] = await waits_s(page)
            highest_mib = page.rss_mib()
            attack.wait(45)
            print(f"\n{name}: server {before_mib:.1f} MiB before, {highest_mib:.1f} MiB under attack")
            assert highest_mib - before_mib < 30
            async with reading(page.url) as reader:
                await reader.ask()
                page.frame(Frame(snapshot()))
                await reader.until(lambda message: "frame" in message and reader.bound_s(message) < 3)
        for name, waits in figures.items():
            median_s, p99_s = np.quantile(waits, [0.5, 0.99])
            print(f"reading to cue, {name}: median {median_s * 1e3:.2f} ms, p99 {p99_s * 1e3:.2f} ms")
        for name in ("1,000 strangers", "1,000 with the secret"):
            assert np.median(figures[name]) - np.median(calm) < 0.001
