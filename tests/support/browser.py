"""A real browser for tests, a network between it and the guard that can fail, and an ear in the page."""

from __future__ import annotations

import contextlib
import os
import select
import shutil
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from guard.browser import address
from guard.browser.address import PageHost
from guard.screen.frame import Frame
from tests.support.alsa import wait_until
from tests.support.live import snapshot
from tests.support.page import Opened

NAME = "guard.test"  # maps to the relay; no secure context, as on a phone in the local network
CHROMIUM = next((path for name in ("chromium", "chromium-browser", "google-chrome", "chrome")
                 if (path := shutil.which(name))), None)

# Where the page's samples leave for the loudspeaker, an ear listens: when each sound began, epoch ms.
EAR = """
const own = Object.getOwnPropertyDescriptor(BaseAudioContext.prototype, "destination");
window.onsets = []; window.secure = isSecureContext;
Object.defineProperty(AudioContext.prototype, "destination", { get() {
  if (!this.ear) {
    const out = own.get.call(this), ear = this.ear = this.createScriptProcessor(256, 1, 1);
    let quiet = 1e9;
    ear.onaudioprocess = (event) => {
      const samples = event.inputBuffer.getChannelData(0);
      event.outputBuffer.getChannelData(0).set(samples);
      const loud = samples.findIndex((x) => Math.abs(x) > 0.02);
      if (loud < 0) { quiet += samples.length; return; }
      if (quiet > 0.4 * this.sampleRate) {
        const { contextTime, performanceTime } = this.getOutputTimestamp();
        const at = event.playbackTime + loud / this.sampleRate;
        window.onsets.push(performance.timeOrigin + performanceTime + 1000 * (at - contextTime));
      }
      quiet = 0;
    };
    ear.connect(out);
  }
  return this.ear;
} });
window.changes = [];
addEventListener("DOMContentLoaded", () => new MutationObserver(() => {
  window.changes.push([performance.timeOrigin + performance.now(), document.body.dataset.heard,
    ...["figure", "cue"].map((name) => document.querySelector(`[data-say=${name}]`).textContent),
    frame?.t_s]);
}).observe(document.body, { subtree: true, childList: true, characterData: true, attributes: true,
                            attributeFilter: ["data-heard"] }));
"""


class Relay:
    """Passes bytes on, until told to hold them back, be slow, or cut."""

    def __init__(self) -> None:
        self.port_behind = 0
        self.delay_s = 0.0
        self.holds = self.refuses = False
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._lines: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """Every connection ends, and none is made."""
        self.refuses = True
        for line in self._lines:
            with contextlib.suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)
        self._lines.clear()

    def fix(self) -> None:
        self.refuses = self.holds = False
        self.delay_s = 0.0

    def close(self) -> None:
        self._listener.close()
        self.cut()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = self._listener.accept()
                if self.refuses:
                    near.close()
                    continue
                try:
                    far = socket.create_connection(("127.0.0.1", self.port_behind), 2)
                except OSError:
                    near.close()
                    continue
                self._lines += [near, far]
                threading.Thread(target=self._pass, args=(near, far), daemon=True).start()

    def _pass(self, near: socket.socket, far: socket.socket) -> None:
        """Both ways, each byte after its delay, until one side ends."""
        there = {near: far, far: near}
        waiting: dict[socket.socket, list[tuple[float, bytes]]] = {near: [], far: []}
        open_sides = {near, far}
        with near, far, contextlib.suppress(OSError, ValueError):
            while open_sides or any(waiting.values()):
                for here in select.select(list(open_sides), [], [], 0.01)[0]:
                    data = here.recv(65_536)
                    if data:
                        waiting[here].append((time.monotonic(), data))
                    else:
                        open_sides.clear()
                for here, queue in waiting.items():
                    while queue and not self.holds and time.monotonic() - queue[0][0] >= self.delay_s:
                        there[here].sendall(queue.pop(0)[1])
                if not open_sides:
                    time.sleep(0.01)


class Beating:
    """A guard that shows a moment four times a second; `hold` freezes it."""

    def __init__(self, page: Opened) -> None:
        self.page = page
        self.changes: dict[str, Any] = {}
        self.hold = threading.Event()
        self._ended = threading.Event()
        self._began_s = time.monotonic()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def show(self) -> float:
        """One moment now; returns when, epoch s."""
        t_s = 754.0 + time.monotonic() - self._began_s
        shown_s = time.time()
        self.page.frame(Frame(snapshot(t_s=t_s, **self.changes), ceiling_bpm=139.0))
        return shown_s

    def end(self) -> None:
        self._ended.set()
        self._thread.join(2)

    def _work(self) -> None:
        while not self._ended.wait(0.25):
            if not self.hold.is_set():
                self.show()


def place_by_name(where: str) -> PageHost:
    return PageHost("127.0.0.1", ("127.0.0.1", NAME))


def arguments(port: int) -> list[str]:
    """How the browser is started; `NAME` leads to `port` of this machine."""
    return [*(["--no-sandbox"] if os.geteuid() == 0 else []), "--disable-gpu",
            f"--host-resolver-rules=MAP {NAME} 127.0.0.1:{port}"]


@contextlib.contextmanager
def chromium(relay: Relay) -> Iterator[Any]:
    """A headless browser in which `NAME` leads to the relay; skips where there is none."""
    playwright = pytest.importorskip("playwright.sync_api", reason="needs playwright")
    if CHROMIUM is None:
        pytest.skip("no Chromium here (Debian: apt-get install chromium)")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=arguments(relay.port))
        try:
            yield browser
        finally:
            browser.close()


class Shown:
    """The page in a tab of the browser."""

    def __init__(self, browser: Any, url: str, *, ear: bool = True, width: int = 390, height: int = 844,
                 **options: Any) -> None:
        where = urlsplit(url)
        self.context = browser.new_context(viewport={"width": width, "height": height}, **options)
        self.tab = self.context.new_page()
        self.errors: list[str] = []
        self.asked: list[str] = []
        self.tab.on("pageerror", lambda error: self.errors.append(str(error)))
        self.tab.on("request", lambda request: self.asked.append(request.url))
        self.tab.set_default_timeout(15_000)
        if ear:
            self.tab.add_init_script(EAR)
        self.tab.goto(f"http://{NAME}:{where.port}{where.path}")

    def heard(self, how: str = "yes", within_s: float = 10.0) -> float:
        """Wait until the page says that the guard is heard (or not); how long that took, s."""
        began_s = time.monotonic()
        self.tab.wait_for_selector(f"body[data-heard={how}]", timeout=1000 * within_s, state="attached")
        return time.monotonic() - began_s

    def until(self, expression: str, within_s: float = 8.0) -> None:
        """Wait until it is true; the page's own policy forbids the driver's way, which evaluates text."""
        wait_until(lambda: bool(self.tab.evaluate(expression)), within_s, expression)

    def figure(self) -> str:
        return str(self.tab.inner_text("[data-say=figure]"))

    def cover(self) -> float:
        """How opaque the cover is."""
        return float(self.tab.evaluate("getComputedStyle(document.getElementById('cover')).opacity"))

    def sound_on(self) -> None:
        self.tab.click("#here")
        self.until("document.getElementById('sound-words').textContent.includes('test')")

    def onsets_s(self) -> list[float]:
        return [at / 1000 for at in self.tab.evaluate("window.onsets")]

    def close(self) -> None:
        self.context.close()


@contextlib.contextmanager
def opened_for_browser(folder: Path, relay: Relay, monkeypatch: pytest.MonkeyPatch, **settings: Any
                       ) -> Iterator[Opened]:
    monkeypatch.setattr(address, "place", place_by_name)
    page = Opened(folder, **settings)
    relay.port_behind = urlsplit(page.url).port or 0
    try:
        yield page
    finally:
        if page.sound:
            page.sound.close()
        page.close()
