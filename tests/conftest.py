"""Order of the suite: the one long test begins first, so that the other process need not wait for it."""

from __future__ import annotations

import pytest

FIRST = "test_run_end_to_end.py"


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: item.path.name != FIRST)
