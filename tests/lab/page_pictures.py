"""Pictures of the page for the README, from a recording: `.venv/bin/python -m tests.lab.page_pictures`.

The real server and a real browser show what the recording's session showed at
one moment. Needs Chromium and playwright.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
import time
from pathlib import Path
from typing import Any

from guard.browser.page import BrowserPage
from guard.events import CueGiven
from guard.log.recording import read_log
from guard.replay.replay import plan_of
from guard.screen.frame import Frame
from guard.screen.words import elapsed
from guard.session import Session

ROOT = Path(__file__).resolve().parents[2]
# name: width, height, colours, whether the guard is still heard
PICTURES: dict[str, tuple[int, int, Any, bool]] = {
    "page-phone": (390, 844, "light", True),
    "page-television": (1280, 720, "dark", True),
    "page-not-heard": (390, 844, "light", False),
}
MAKES_OUT_S = 4.0


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--recording", type=Path, default=ROOT / "recordings" / "hill-loop.jsonl")
    parser.add_argument("--at", type=float, default=338.0, help="s into the session (default: %(default)s)")
    parser.add_argument("--out", type=Path, default=ROOT / "recordings" / "pictures")
    args = parser.parse_args()
    from PIL import Image
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        parser.error("no Chromium here (Debian: apt-get install chromium)")
    args.out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        page, frame, url = shown(args.recording, args.at, Path(folder))
        browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        for name, (width, height, scheme, heard) in PICTURES.items():
            tab = browser.new_page(viewport={"width": width, "height": height}, color_scheme=scheme)
            tab.goto(url)
            moment = f"elapsed {elapsed(frame.snapshot)}"
            while moment not in tab.inner_text("body"):  # older frames may still stand in the queue
                page.frame(frame)
                tab.wait_for_timeout(200)
            tab.wait_for_selector("body[data-heard=yes]")
            if not heard:
                time.sleep(MAKES_OUT_S)
            path = args.out / f"{name}.png"
            tab.screenshot(path=path)
            tab.close()
            with Image.open(path) as picture:  # few colours are enough
                picture.convert("RGB").quantize(48).save(path, optimize=True)
            print(path)
        browser.close()
        page.close()


def shown(path: Path, at_s: float, folder: Path) -> tuple[BrowserPage, Frame, str]:
    """A page of the recording's session at `at_s`, open."""
    recording = read_log(path)
    settings = recording.settings.replaced({"page": "here"})
    urls: list[str] = []
    page = BrowserPage(settings, folder / "page.log", trouble=print, found=urls.extend,
                       title=f"{path.stem}: an invented runner", tag="INVENTED")
    page.open()
    while not urls:
        time.sleep(0.05)
    session = Session(settings, plan_of(recording))
    for event in recording.inputs:
        if event.t_s > at_s:
            break
        outputs = session.feed(event)
        for given in outputs:
            if isinstance(given, CueGiven):
                page.event(given)
        page.frame(Frame(session.snapshot()))
    session.advance(at_s)
    if page.sound:
        page.sound.close()
    return page, Frame(session.snapshot(), ceiling_bpm=settings.ceiling_bpm), urls[0]


if __name__ == "__main__":
    main()
