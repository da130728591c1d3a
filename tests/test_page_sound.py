"""Pages as a way out for sound: beside the guard's own, first, and gone; heard by a captured device."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from guard.browser.sound import PageSound
from guard.events import Cue, CueGiven
from guard.settings import Settings
from guard.sound import tones
from guard.sound.elsewhere import PAGE_LOST
from guard.sound.player import Sounder
from tests.support.alsa import Capture, heard_sounds, wait_until

__all__ = ["heard_sounds"]


class Pages:
    """Pages that begin every sound at once, as long as there are any."""

    def __init__(self) -> None:
        self.sounding = 0
        self.played: list[int] = []
        self.cuts = 0
        self.own: dict[str, object] = {}
        self.kept: set[str] = set()
        self.sound = PageSound(self)

    def put_sound(self, kind: bytes, payload: bytes) -> None:
        if kind == b"C":
            self.played.append(self.sound._number)
            self.sound.begun(self.sound._number)
        self.cuts += kind == b"X"

    def keep_piece(self, name: str, pcm: bytes) -> None:
        self.kept.add(name)

    def keep_own(self, own: dict[str, object]) -> None:
        self.own = own


Start = Callable[..., tuple[Sounder, Pages, list[tuple[str, str]]]]


@pytest.fixture
def start(heard_sounds: Capture, tmp_path: Path) -> Iterator[Start]:
    made: list[Sounder] = []
    (tmp_path / "cache").mkdir()

    def starter(*, sounding: int, **changes: Any) -> tuple[Sounder, Pages, list[tuple[str, str]]]:
        pages, health = Pages(), []
        pages.sounding = sounding
        settings = Settings(**{"speech": "tones", **changes})
        sounder = Sounder(settings, cache_dir=tmp_path / "cache", elsewhere=pages.sound,
                          on_health=lambda backend, detail: health.append((backend, detail)))
        made.append(sounder)
        sounder.start()
        wait_until(lambda: bool(health), 10, "the first news of sound")
        return sounder, pages, health

    yield starter
    for sounder in made:
        sounder.close()


def test_beside_the_guard_s_own_output_pages_play_the_same(start: Start, heard_sounds: Capture):
    sounder, pages, health = start(sounding=1)
    assert health[0][0] == "simpleaudio"
    heard_sounds.forget()
    sounder.cue(CueGiven(1.0, Cue.EASE))
    assert heard_sounds.wait_for(1) and len(pages.played) == 1
    assert {"not_heard", "heard_again", "test"} == set(pages.own) and len(pages.kept) >= 9
    sounder.cue(CueGiven(2.0, Cue.EASE))
    wait_until(lambda: len(pages.played) == 2, 3, "the second")
    sounder.cue(CueGiven(2.1, Cue.STOP))  # cuts in, there too
    wait_until(lambda: len(pages.played) == 3, 3, "the third")
    assert pages.cuts == 1


def test_pages_first_and_its_own_at_once_when_they_go(start: Start, heard_sounds: Capture):
    sounder, pages, health = start(sounding=1, sound_out="page")
    assert health == [("page", "")]
    heard_sounds.forget()
    sounder.cue(CueGiven(1.0, Cue.EASE))
    wait_until(lambda: len(pages.played) >= 2, 3, "the cue on the page")  # the first was the try
    assert heard_sounds.sounds() == []
    pages.sounding = 0
    pages.sound.on_change()
    wait_until(lambda: health[-1][0] == "simpleaudio", 3, "the guard's own")
    assert "page failed" in health[-1][1]  # said; and the cue that was under way begins anew here
    sounder.cue(CueGiven(2.0, Cue.WALK))
    assert heard_sounds.wait_for(2)
    pages.sounding = 1
    pages.sound.on_change()
    wait_until(lambda: health[-1] == ("page", ""), 5, "the page again")


def test_who_listens_to_a_page_that_goes_is_told_by_the_guard_s_own_voice(
        start: Start, heard_sounds: Capture):
    sounder, pages, health = start(sounding=1, sound_out="page", speech="short")
    phrases = sounder._phrases
    assert health == [("page", "")] and phrases is not None
    wait_until(lambda: phrases.pcm(PAGE_LOST) is not None, 20, "the words")
    heard_sounds.forget()
    pages.sounding = 0
    pages.sound.on_change()
    heard = heard_sounds.wait_for(1)
    words = phrases.pcm(PAGE_LOST)
    assert words is not None and heard[0].length_s == pytest.approx(len(words) / tones.RATE_HZ, abs=0.15)
    pages.sounding = 1
    pages.sound.on_change()
    wait_until(lambda: health[-1] == ("page", ""), 5, "the page again")
    assert len(heard_sounds.sounds()) == 1, "it is said once, and only where it went from a page"
