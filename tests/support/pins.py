"""gpiozero's mock pins instead of a board's."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import gpiozero
from gpiozero.pins.mock import MockFactory


@contextmanager
def mock_pins() -> Iterator[MockFactory]:
    """While it lasts gpiozero reaches these pins, which keep a history of what happened to them."""
    factory = MockFactory()
    before, gpiozero.Device.pin_factory = gpiozero.Device.pin_factory, factory
    try:
        yield factory
    finally:
        factory.close()
        gpiozero.Device.pin_factory = before
