"""The table that all tests of the campaign fill, and the radio they share.

    .venv/bin/python -m pytest -m slow -n 0 -s tests/campaign

On a busy machine under `nice -n -15` (root), or it measures its neighbours. A
row is the worst of its repeats; each row is also a test. GUARD_REPEATS says how
often each fault of the link is brought about (3), GUARD_KILLS how often the
guard is killed (200), GUARD_PACKETS, GUARD_LOGS and GUARD_LOGS_WORKED how many
random ones are read (a million, a hundred thousand) and worked with (ten
thousand). *Said within* counts from the fault to the
first sample heard, the first screen drawn or the log line, as the row's note
says; *regained in* from the return of what was gone to trusted readings (or
sound, or a log that is whole again); *lost* is what is missing in the log.
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator

import pytest

from tests.support.alsa import heard_sounds
from tests.support.bluez import Bluez, start_bluez
from tests.support.fault_table import Row, table
from tests.support.fuzzing import Fuzzing
from tests.support.guard_run import STRAP
from tests.support.pulse import pulse

__all__ = ["heard_sounds", "pulse"]

@pytest.fixture(scope="session")
def rows() -> Iterator[list[Row]]:
    found: list[Row] = []
    yield found
    print("\n\n" + table(found))


@pytest.fixture(scope="session")
def radio() -> Iterator[Bluez]:
    if sys.platform != "linux" or not shutil.which("dbus-daemon"):
        pytest.skip("needs Linux and dbus-daemon")
    with start_bluez() as one:
        yield one


@pytest.fixture
def bluez(radio: Bluez) -> Bluez:
    radio.reset()
    radio.add_strap(STRAP, bpm=128, interval_s=1.0)
    return radio


@pytest.fixture(scope="session", autouse=True)
def fuzzing(request: pytest.FixtureRequest) -> Iterator[Fuzzing]:
    """Random packets and logs are read in the time the rest leaves over, from the beginning."""
    wanted = any(item.path.name == "test_wild_inputs.py" for item in request.session.items)
    one = Fuzzing(start=wanted)
    yield one
    one.close()
