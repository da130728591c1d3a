"""The server process under supervision: one bounded queue in, lines out, dropped and started anew.

Whoever feeds it never waits. When it hangs, dies, falls behind, or the machine
gets another address, it is killed and another takes its place at the same
address, where pages find it by themselves.
"""

import contextlib
import json
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from guard.browser.address import PageHost
from guard.browser.wire import Message, packed
from guard.sound.child import Child, ChildGone, script_command

SERVER = Path(__file__).with_name("server.py")
MOST_WAITING = 256  # messages that the server has not taken
WORKER_SILENT_S = 3.5  # it says each second that it lives
START_LIMIT_S = 20.0  # a small board with a cold disk needs several
# Before a server that died is started again: doubled each time (ours).
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.1, 10.0
ADDRESS_LOOK_S = 5.0  # between looks at the machine's own address


class Feed:
    """Keeps a server running at `place()`; all callbacks come from one thread of its own.

    `renew` gives what a new server must be told before anything else; `heard`
    gets each line it says; `ready` the place and port where it listens;
    `trouble` a sentence for the runner.
    """

    def __init__(self, place: Callable[[], PageHost | None], config: Mapping[str, Any], log: Path, *,
                 renew: Callable[[], Iterable[Message]], heard: Callable[[str, list[str]], None],
                 ready: Callable[[PageHost, int], None], trouble: Callable[[str], None]) -> None:
        self._find_place, self._config, self._log = place, config, log
        self._renew, self._heard, self._ready, self._trouble = renew, heard, ready, trouble
        self._lock = threading.Lock()
        self._child: Child | None = None
        self._closing = threading.Event()
        self._port = int(config["port"])
        self._why_none = ""
        self._thread = threading.Thread(target=self._work, name="page-feed", daemon=True)

    def start(self) -> None:
        """Begin; returns at once."""
        self._thread.start()

    def put(self, *messages: Message) -> None:
        """Hand messages to the server, if there is one; returns at once."""
        with self._lock:
            if self._child is None:
                return  # a new one is told everything
            if self._child.waiting > MOST_WAITING:
                self._child.process.kill()
                self._child = None
                return
            for message in messages:
                self._child.send(packed(message))

    def close(self, last: Message) -> None:
        """Say `last` and end; under 2 s."""
        self.put(last)
        self._closing.set()
        with self._lock:
            child, self._child = self._child, None
        if child is not None:
            child.finish()
            give_up_s = time.monotonic() + 1.0
            while child.process.poll() is None and time.monotonic() < give_up_s:
                time.sleep(0.02)
            child.kill()
        self._thread.join(timeout=1.0)

    def _work(self) -> None:
        pause_s = FIRST_PAUSE_S
        while not self._closing.is_set():
            began_s = time.monotonic()
            place = self._find_place()
            if place is not None:
                self._serve(place)
            if time.monotonic() - began_s > LONGEST_PAUSE_S:
                pause_s = FIRST_PAUSE_S
            self._closing.wait(pause_s)
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)

    def _serve(self, place: PageHost) -> None:
        """One server, from its start until it is of no use any more."""
        try:
            child = Child(script_command(SERVER), log=self._log)
        except ChildGone as error:
            self._no_page(str(error))
            return
        try:
            config = {**self._config, "address": place.address, "port": self._port, "names": place.names}
            child.send(packed((b"H", json.dumps(config).encode())))
            word, rest = self._line(child, START_LIMIT_S)
            if word == "failed" and self._port:
                self._trouble(f"port {self._port} is not free ({' '.join(rest)}): the page takes another "
                              "one; `guard settings page_port=NUMBER` sets one that is free")
                self._port = 0
                return
            if word != "ready":
                self._no_page(" ".join([word, *rest]) or "its server does not start")
                return
            self._port = int(rest[0])
            with self._lock:
                for message in self._renew():
                    child.send(packed(message))
                self._child = child
            self._ready(place, self._port)
            self._listen(child, place)
        except ChildGone:
            pass
        finally:
            with self._lock:
                if self._child is child:
                    self._child = None
            if not self._closing.is_set():
                child.kill()
                self._heard("alive", ["0", "0"])

    def _no_page(self, why: str) -> None:
        if why != self._why_none:
            self._why_none = why
            self._trouble(f"the page cannot be shown ({why}): the guard goes on without it")

    def _listen(self, child: Child, place: PageHost) -> None:
        look_s = time.monotonic() + ADDRESS_LOOK_S
        while not self._closing.is_set():
            word, rest = self._line(child, WORKER_SILENT_S)
            if not word:
                return
            with contextlib.suppress(ValueError, IndexError):
                self._heard(word, rest)
            if time.monotonic() > look_s:
                look_s = time.monotonic() + ADDRESS_LOOK_S
                now = self._find_place()
                if now is not None and now != place:
                    return

    @staticmethod
    def _line(child: Child, limit_s: float) -> tuple[str, list[str]]:
        """The next line in words; an empty one when none came in time."""
        words = (child.receive(limit_s) or "").split()
        return (words[0], words[1:]) if words else ("", [])
